//! A tune as files for processors: a table, coefficients in both sign conventions, taps.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use audio::wav::{self, WavError};
use dsp::tune::{ChannelTune, Polarity, Tune};
use garage::entry::{kind_word, taps_file};

/// Why an export stopped.
#[derive(Debug, thiserror::Error)]
pub enum ExportFailure {
    /// A file or the folder cannot be written.
    #[error("{}: cannot be written ({source}); give a folder that may be written", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// The system's words.
        source: std::io::Error,
    },
    /// Taps cannot be written.
    #[error(transparent)]
    Wav(#[from] WavError),
}

/// The files an export of this tune makes under `stem`, in the order they are written.
pub fn names(tune: &Tune, stem: &str) -> Vec<String> {
    let mut names = vec![format!("{stem}.settings.csv"), format!("{stem}.biquads.txt")];
    for (i, channel) in tune.channels.iter().enumerate() {
        if channel.fir.is_some() {
            names.push(format!("{stem}.{}", taps_file(i + 1)));
            names.push(format!("{stem}.taps-{}.txt", i + 1));
        }
    }
    names
}

/// Writes every form of the tune into `folder`; returns the paths.
///
/// # Errors
/// The first file that cannot be written.
pub fn write_all(tune: &Tune, folder: &Path, stem: &str) -> Result<Vec<PathBuf>, ExportFailure> {
    std::fs::create_dir_all(folder).map_err(failed(folder))?;
    let mut written = Vec::new();
    let mut text_file = |name: String, text: String| -> Result<(), ExportFailure> {
        let path = folder.join(name);
        garage::atomic::write(&path, text.as_bytes())
            .map_err(|error| failed(&path)(std::io::Error::other(error)))?;
        written.push(path);
        Ok(())
    };
    text_file(format!("{stem}.settings.csv"), settings_csv(tune))?;
    text_file(format!("{stem}.biquads.txt"), biquads_text(tune))?;
    written.extend(write_taps(tune, folder, stem)?);
    Ok(written)
}

/// Writes the taps of every channel that has any into `folder`, as WAV and as text; returns the paths.
///
/// # Errors
/// The first file that cannot be written.
pub fn write_taps(tune: &Tune, folder: &Path, stem: &str) -> Result<Vec<PathBuf>, ExportFailure> {
    let mut written = Vec::new();
    for (i, channel) in tune.channels.iter().enumerate() {
        let Some(taps) = &channel.fir else { continue };
        written.extend(write_taps_file(folder, stem, &taps_file(i + 1), tune.sample_rate_hz, taps)?);
    }
    Ok(written)
}

/// Writes taps that run at `rate_hz` into `folder` as `<stem>.<file>`, and as text beside it; returns both paths.
///
/// # Errors
/// The file that cannot be written.
pub fn write_taps_file(
    folder: &Path,
    stem: &str,
    file: &str,
    rate_hz: f64,
    taps: &[f64],
) -> Result<[PathBuf; 2], ExportFailure> {
    std::fs::create_dir_all(folder).map_err(failed(folder))?;
    let path = folder.join(format!("{stem}.{file}"));
    wav::write_f32(&path, rate_hz.round() as u32, &[taps.to_vec()])?;
    let text = path.with_extension("txt");
    garage::atomic::write(&text, taps_text(taps).as_bytes())
        .map_err(|error| failed(&text)(std::io::Error::other(error)))?;
    Ok([path, text])
}

fn failed(path: &Path) -> impl Fn(std::io::Error) -> ExportFailure + use<> {
    let path = path.to_owned();
    move |source| ExportFailure::File { path: path.clone(), source }
}

/// Every setting as a table: one line for each thing typed in.
pub fn settings_csv(tune: &Tune) -> String {
    let mut text = String::from("channel,setting,frequency_hz,gain_db,q,delay_ms,order\n");
    for (i, channel) in tune.channels.iter().enumerate() {
        let name = quoted(&channel.name);
        let polarity = if channel.polarity == Polarity::Inverted { "inverted" } else { "normal" };
        let _ = writeln!(text, "{name},level,,{},,,", channel.gain_db);
        let _ = writeln!(text, "{name},polarity {polarity},,,,,");
        let _ = writeln!(text, "{name},delay,,,,{},", channel.delay_ms);
        for c in &channel.crossovers {
            let pass = if c.pass == dsp::tune::Pass::Low { "low-pass" } else { "high-pass" };
            let _ = writeln!(text, "{name},{pass} {},{},,,,{}", c.family, c.frequency_hz, c.order);
        }
        for s in &channel.sections {
            let _ = writeln!(text, "{name},{},{},{},{},,", kind_word(s.kind), s.frequency_hz, s.gain_db, s.q);
        }
        if channel.fir.is_some() {
            let _ = writeln!(text, "{name},FIR {},,,,,", taps_file(i + 1));
        }
    }
    text
}

fn quoted(name: &str) -> String {
    if name.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", name.replace('"', "\"\""))
    } else {
        name.into()
    }
}

/// Coefficients of every channel in both sign conventions of the feedback terms, which convention being said.
pub fn biquads_text(tune: &Tune) -> String {
    let mut text = format!(
        "Biquad coefficients for {} Hz. They are right at this sample rate only.\n",
        tune.sample_rate_hz
    );
    let conventions = [
        (
            "Subtracting form: y = b0 x0 + b1 x1 + b2 x2 - a1 y1 - a2 y2 (as in H(z) = B(z) / A(z) with a0 = 1)",
            1.0,
        ),
        (
            "Adding form: y = b0 x0 + b1 x1 + b2 x2 + a1 y1 + a2 y2 (a1 and a2 with their signs turned over)",
            -1.0,
        ),
    ];
    for (words, sign) in conventions {
        let _ = write!(text, "\n{words}\n");
        for channel in &tune.channels {
            let _ = writeln!(text, "channel {}", channel.name);
            for (label, biquad) in labels(channel).iter().zip(&channel.biquads) {
                let (b, a) = (biquad.b, biquad.a.map(|x| sign * x + 0.0));
                let _ = writeln!(
                    text,
                    "  {label}\n    b0 {:.17e}\n    b1 {:.17e}\n    b2 {:.17e}\n    a1 {:.17e}\n    a2 {:.17e}",
                    b[0], b[1], b[2], a[1], a[2]
                );
            }
        }
    }
    text
}

/// What each of a channel's biquads is.
fn labels(channel: &ChannelTune) -> Vec<String> {
    let mut labels = Vec::new();
    for c in &channel.crossovers {
        let pass = if c.pass == dsp::tune::Pass::Low { "low-pass" } else { "high-pass" };
        let stages = dsp::filter::crossover_stages(c).map_or(0, |stages| stages.len());
        for stage in 1..=stages {
            labels.push(format!(
                "{} {pass} order {} at {} Hz, stage {stage} of {stages}",
                c.family, c.order, c.frequency_hz
            ));
        }
    }
    for s in &channel.sections {
        labels.push(format!("{} {} Hz, {} dB, Q {}", kind_word(s.kind), s.frequency_hz, s.gain_db, s.q));
    }
    for number in labels.len()..channel.biquads.len() {
        labels.push(format!("filter {}", number + 1));
    }
    labels
}

/// One tap on each line, first tap first.
pub fn taps_text(taps: &[f64]) -> String {
    taps.iter().fold(String::new(), |mut text, tap| {
        let _ = writeln!(text, "{tap:.17e}");
        text
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use dsp::tune::{Section, SectionKind};

    fn tune() -> Tune {
        let section = Section { kind: SectionKind::Peaking, frequency_hz: 63.0, gain_db: -6.5, q: 2.1 };
        let channel = ChannelTune {
            name: "left, front".into(),
            sections: vec![section],
            fir: Some(vec![1.0, -0.25]),
            ..ChannelTune::default()
        };
        let mut tune = Tune { sample_rate_hz: 48_000.0, channels: vec![channel], ..Tune::default() };
        tune.refresh_biquads().unwrap();
        tune
    }

    #[test]
    fn both_sign_conventions_are_there_and_say_which_they_are() {
        let tune = tune();
        let text = biquads_text(&tune);
        let a1: Vec<f64> = text
            .lines()
            .filter_map(|line| line.trim().strip_prefix("a1 "))
            .map(|number| number.parse().unwrap())
            .collect();
        assert_eq!(a1, [tune.channels[0].biquads[0].a[1], -tune.channels[0].biquads[0].a[1]]);
        assert!(text.contains("Subtracting form") && text.contains("Adding form"));
    }

    #[test]
    fn every_form_is_written() {
        let folder = tempfile::tempdir().unwrap();
        let paths = write_all(&tune(), folder.path(), "one").unwrap();
        let mut found: Vec<_> =
            paths.iter().map(|p| p.file_name().unwrap().to_string_lossy().into_owned()).collect();
        let mut expected = names(&tune(), "one");
        found.sort();
        expected.sort();
        assert_eq!(found, expected);
        assert_eq!(wav::read(folder.path().join("one.taps-1.wav")).unwrap().channels[0], [1.0, -0.25]);
        assert!(settings_csv(&tune()).contains("\"left, front\",peaking,63,-6.5,2.1,,"));
    }
}
