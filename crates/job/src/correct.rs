//! A correction proposed from files.

use std::path::{Path, PathBuf};

use dsp::correct::{CorrectError, Effort, FirKind, Options, propose, tune_of};
use dsp::tune::{Predicted, Tune};
use dsp::verdict::Verdict;
use garage::FormatError;
use garage::formats::{curve_csv, limits, target};
use serde::Serialize;

use crate::judged::Judged;

/// What to correct, and with what.
#[derive(Debug, Clone, PartialEq)]
pub struct Request {
    /// A curve file.
    pub response: PathBuf,
    /// A target file.
    pub target: PathBuf,
    /// A limits file.
    pub limits: PathBuf,
    /// Lower end of the range; the curve's own, or 20 Hz if that is higher, when left out.
    pub from_hz: Option<f64>,
    /// Upper end of the range; the curve's own, or 20 kHz if that is lower, when left out.
    pub to_hz: Option<f64>,
    /// Taps for what the bands leave.
    pub fir: Option<FirKind>,
}

/// A correction as a tune of one channel, with what it is expected to do.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Correction {
    /// The settings; `predicted` in it is plain rms over the whole range.
    pub tune: Tune,
    /// The range corrected.
    pub from_hz: f64,
    /// The range corrected.
    pub to_hz: f64,
    /// As the tune's `predicted`, over what is not left alone and weighted by how well it is known.
    pub mendable: Predicted,
}

/// Why there is no correction.
#[derive(Debug, thiserror::Error)]
pub enum CorrectFailure {
    /// A file cannot be read.
    #[error(transparent)]
    File(#[from] FormatError),
    /// The curve, range or limits do not allow one.
    #[error("{}: {source}", path.display())]
    Question {
        /// The file it is about.
        path: PathBuf,
        /// What is wrong.
        source: CorrectError,
    },
    /// Taps were asked for and there are none.
    #[error("{}: fir_taps is 0, so there is nothing for --fir to fill; leave --fir out or give the number of taps", path.display())]
    NoTaps {
        /// The limits file.
        path: PathBuf,
    },
}

/// Reads the files and proposes a correction.
///
/// # Errors
/// [`CorrectFailure`] with the file it is about.
pub fn correct_files(request: &Request) -> Result<Judged<Correction>, CorrectFailure> {
    let response = curve_csv::read(&request.response)?;
    let target = target::read(&request.target)?;
    let limits = limits::read(&request.limits)?;
    if request.fir.is_some() && limits.fir_taps == 0 {
        return Err(CorrectFailure::NoTaps { path: request.limits.clone() });
    }
    let first = response.frequency_hz.first().copied().unwrap_or(f64::NAN);
    let last = response.frequency_hz.last().copied().unwrap_or(f64::NAN);
    let options = Options {
        from_hz: request.from_hz.unwrap_or(first.max(20.0)),
        to_hz: request.to_hz.unwrap_or(last.min(20_000.0)),
        effort: Effort::Thorough,
        fir: request.fir,
        ..Options::default()
    };
    let blame = |source: CorrectError| {
        let path: &Path =
            if matches!(source, CorrectError::Limits(_)) { &request.limits } else { &request.response };
        CorrectFailure::Question { path: path.into(), source }
    };
    let proposal = propose(&response, &target, &limits, &options).map_err(blame)?;
    let name =
        request.response.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let name = name.split('.').next().filter(|stem| !stem.is_empty()).unwrap_or("all").to_owned();
    let tune = tune_of(&proposal, &limits, &name).map_err(blame)?;
    let after = proposal.predicted.rms_error_db_after;
    let before = proposal.predicted.rms_error_db_before;
    let mut judged = Judged::good(Correction {
        tune,
        from_hz: options.from_hz,
        to_hz: options.to_hz,
        mendable: proposal.mendable,
    });
    if response.spread_db.is_none() {
        judged.note(
            Verdict::Good,
            "The response says nothing of its uncertainty (no spread_db): every part of it was taken at its word. An average over positions says more.",
        );
    }
    if after > 0.9 * before {
        judged.note(
            Verdict::Usable,
            "The correction changes little: the limits or what is left alone stand in its way.",
        );
    }
    Ok(judged)
}

#[cfg(test)]
mod tests {
    use super::*;
    use dsp::curve::{Curve, log_grid_hz};

    fn assets(kind: &str) -> Vec<PathBuf> {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../assets").join(kind);
        let mut paths: Vec<PathBuf> =
            std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
        paths.sort();
        paths
    }

    fn wavy(folder: &Path) -> PathBuf {
        let hz = log_grid_hz(20.0, 20_000.0, 24.0);
        let level_db = hz.iter().map(|f| 4.0 * (3.0 * f.ln()).sin() + 2.0 * (7.0 * f.ln()).cos()).collect();
        let path = folder.join("seat.left.csv");
        curve_csv::write(&path, &Curve::of_levels(hz, level_db)).unwrap();
        path
    }

    #[test]
    fn every_target_and_every_limit_that_comes_with_the_program_works() {
        let folder = tempfile::tempdir().unwrap();
        let response = wavy(folder.path());
        let first_target = assets("targets").remove(0);
        for limits in assets("limits") {
            let fir = limits.to_string_lossy().contains("taps").then_some(FirKind::MinimumPhase);
            let request = Request {
                response: response.clone(),
                target: first_target.clone(),
                limits: limits.clone(),
                from_hz: Some(40.0),
                to_hz: None,
                fir,
            };
            let judged = correct_files(&request).unwrap();
            let predicted = judged.result.tune.predicted;
            assert!(
                predicted.rms_error_db_after < 0.7 * predicted.rms_error_db_before,
                "{}: {predicted:?}",
                limits.display()
            );
            assert_eq!(judged.result.tune.channels[0].name, "seat");
            garage::formats::tune::write(&folder.path().join("tune.json"), &judged.result.tune).unwrap();
        }
        for target in assets("targets") {
            target::read(&target).unwrap();
        }
    }

    #[test]
    fn taps_that_are_not_there_are_not_promised() {
        let folder = tempfile::tempdir().unwrap();
        let request = Request {
            response: wavy(folder.path()),
            target: assets("targets").remove(0),
            limits: assets("limits").into_iter().find(|p| p.ends_with("small-parametric.json")).unwrap(),
            from_hz: None,
            to_hz: None,
            fir: Some(FirKind::LinearPhase),
        };
        assert!(matches!(correct_files(&request), Err(CorrectFailure::NoTaps { .. })));
    }
}
