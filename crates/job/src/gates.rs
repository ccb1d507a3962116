//! The quality gates: numbers against limits, each with advice a tuner can act on.
//!
//! The limits are common practice without a published source unless said otherwise; each constant says why it is
//! where it is.

use audio::rig::TakeFacts;
use dsp::curve::{Curve, log_grid_hz};
use dsp::verdict::Verdict;
use serde::{Deserialize, Serialize};

/// What a gate looks at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Gate {
    /// Loud enough for the converter.
    Level,
    /// Nothing at full scale.
    Clipping,
    /// No sample lost, the stimulus played to its end.
    Gap,
    /// The sweep stands clear of the noise.
    Noise,
    /// The two clocks are told apart and steady.
    Clock,
    /// A direct sound was found where one can be.
    Arrival,
    /// The position agrees with those around it.
    Neighbours,
    /// The microphone's own response is known.
    Calibration,
}

/// One thing a gate found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Which gate.
    pub gate: Gate,
    /// What it means for the take.
    pub verdict: Verdict,
    /// What was found, with its number, and what to do.
    pub words: String,
}

impl Finding {
    fn new(gate: Gate, verdict: Verdict, words: String) -> Self {
        Self { gate, verdict, words }
    }
}

/// Below this a recording is mostly the converter's own noise.
const FAINT_DBFS: f64 = -60.0;
/// Below this there is room for more level at no risk.
const LOW_DBFS: f64 = -40.0;
/// Within this of full scale the next louder take will clip.
const HOT_DBFS: f64 = -1.0;

/// Level, clipping and gaps of one recorded input (counted from 0 within the recording).
pub fn recording(facts: &TakeFacts, input: usize) -> Vec<Finding> {
    let mut found = Vec::new();
    if facts.stopped {
        let words = "The take was stopped before the signal ended; take it again.";
        found.push(Finding::new(Gate::Gap, Verdict::Retake, words.into()));
    }
    if facts.lost_frames > 0 {
        found.push(Finding::new(
            Gate::Gap,
            Verdict::Retake,
            format!(
                "{} samples were lost while recording; close other programs, choose a larger buffer if the device has \
                 one, and take it again.",
                facts.lost_frames
            ),
        ));
    }
    let (Some(&peak_dbfs), Some(&clipped)) = (facts.peak_dbfs.get(input), facts.clipped_samples.get(input))
    else {
        let words =
            format!("The recording has no input {}; check which input the microphone is on.", input + 1);
        found.push(Finding::new(Gate::Level, Verdict::Retake, words));
        return found;
    };
    if clipped > 0 {
        found.push(Finding::new(
            Gate::Clipping,
            Verdict::Retake,
            format!("{clipped} samples reached full scale; turn the input gain or the level down by 6 dB and take it again."),
        ));
    } else if peak_dbfs > HOT_DBFS {
        found.push(Finding::new(
            Gate::Clipping,
            Verdict::Usable,
            format!("The peak is {peak_dbfs:.1} dBFS, close to full scale; turn the input gain down by 6 dB before the next take."),
        ));
    } else if peak_dbfs < FAINT_DBFS {
        found.push(Finding::new(
            Gate::Level,
            Verdict::Retake,
            format!("The peak is only {peak_dbfs:.0} dBFS; check that the microphone is connected and the amplifier on, then raise the level."),
        ));
    } else if peak_dbfs < LOW_DBFS {
        found.push(Finding::new(
            Gate::Level,
            Verdict::Usable,
            format!(
                "The peak is {peak_dbfs:.0} dBFS; raise the input gain by about {:.0} dB.",
                -12.0 - peak_dbfs
            ),
        ));
    }
    found
}

/// A band this far above the noise is right within a quarter of a decibel (measured with the project's own
/// simulation of white noise at 20 dB).
const CLEAR_SNR_DB: f64 = 20.0;
/// Below this the interval is wider than most corrections.
const POOR_SNR_DB: f64 = 10.0;

/// Signal-to-noise ratio over the channel's band; `snr` holds `(band_hz, db)` pairs.
pub fn noise(snr: &[(f64, f64)], low_hz: f64, high_hz: f64) -> Vec<Finding> {
    let inside: Vec<_> = snr.iter().filter(|(f, _)| (low_hz..=high_hz).contains(f)).collect();
    let Some(&&(worst_hz, worst_db)) = inside.iter().min_by(|a, b| a.1.total_cmp(&b.1)) else {
        return Vec::new();
    };
    if worst_db >= CLEAR_SNR_DB {
        return Vec::new();
    }
    let poor = inside.iter().filter(|(_, db)| *db < POOR_SNR_DB).count();
    // A band or two under the noise leaves a usable take whose interval says so; a third of them does not.
    let verdict = if 3 * poor >= inside.len() { Verdict::Retake } else { Verdict::Usable };
    let missing_db = (CLEAR_SNR_DB - worst_db).ceil();
    let repeats = 10_f64.powf(missing_db / 10.0).ceil();
    let help = if repeats <= 16.0 {
        format!(
            "play {missing_db:.0} dB louder, or take {repeats:.0} times as many repeats, or quieten the bay"
        )
    } else {
        format!("play {missing_db:.0} dB louder as far as it is safe, or quieten the bay")
    };
    let words = format!("The sweep is only {worst_db:.0} dB above the noise at {worst_hz:.0} Hz; {help}.");
    vec![Finding::new(Gate::Noise, verdict, words)]
}

/// Two crystals in good order differ by less than this (typical crystals are within ± 100 ppm each; from memory).
const ODD_SKEW_PPM: f64 = 300.0;

/// The clocks: their skew, and how far the markers and repeats lie from one straight line.
pub fn clock(skew_ppm: Option<f64>, steady: bool) -> Vec<Finding> {
    if !steady {
        let words = "The time between the markers jumps: samples were lost or a device was resampled on the way; \
                     take it again, on another port or with a larger buffer.";
        return vec![Finding::new(Gate::Clock, Verdict::Retake, words.into())];
    }
    match skew_ppm {
        Some(ppm) if ppm.abs() > ODD_SKEW_PPM => vec![Finding::new(
            Gate::Clock,
            Verdict::Usable,
            format!(
                "The recording clock is {:.0} ppm {} than the playing one, more than two healthy devices differ by; it \
                 was corrected, but check that both run at the same nominal rate.",
                ppm.abs(),
                if ppm > 0.0 { "faster" } else { "slower" }
            ),
        )],
        _ => Vec::new(),
    }
}

/// Sound needs this long to cross any cabin (20 m) once the devices' own delay is known.
const LATEST_ARRIVAL_MS: f64 = 60.0;

/// Where the direct sound was found, when time zero is known.
pub fn arrival(arrival_ms: Option<f64>) -> Vec<Finding> {
    match arrival_ms {
        None => vec![Finding::new(
            Gate::Arrival,
            Verdict::Retake,
            "No direct sound was found; check that this channel plays and that its amplifier is on.".into(),
        )],
        Some(ms) if !(-0.5..=LATEST_ARRIVAL_MS).contains(&ms) => vec![Finding::new(
            Gate::Arrival,
            Verdict::Usable,
            format!(
                "The direct sound was found at {ms:.1} ms, which no place in a car explains; check the time reference before using this take for delays."
            ),
        )],
        Some(_) => Vec::new(),
    }
}

/// A microphone without its calibration.
pub fn calibration(known: bool) -> Vec<Finding> {
    if known {
        return Vec::new();
    }
    let words = "The microphone has no calibration file: what it does by itself is in every curve, most of all above \
                 5 kHz. Load its file in Intake; the recordings need not be taken again.";
    vec![Finding::new(Gate::Calibration, Verdict::Usable, words.into())]
}

/// A broad level this far from the other positions is a moved microphone or another level, not the cabin.
const ODD_LEVEL_DB: f64 = 4.0;
/// An octave this far from the other positions. Octave means within a head volume scatter by about 1.5 dB
/// (standard deviation in our simulated cabins), so this is out of reach of chance.
const ODD_OCTAVE_DB: f64 = 8.0;
/// Across a head volume arrivals differ by no more than its diagonal of about 0.4 m.
const ODD_ARRIVAL_MS: f64 = 1.3;

/// What one position measured on one channel.
#[derive(Debug, Clone, Copy)]
pub struct Neighbour<'a> {
    /// Its name.
    pub position: &'a str,
    /// Its smoothed curve.
    pub curve: &'a Curve,
    /// Its arrival, where it is sharp enough to compare.
    pub arrival_ms: Option<f64>,
}

/// For each position, why it disagrees with the others over `low_hz` to `high_hz`, if it does.
///
/// The comparison is with the median of the other positions, so that one odd position does not accuse the rest;
/// with fewer than four positions there is no majority and nothing is said.
pub fn neighbours(all: &[Neighbour], low_hz: f64, high_hz: f64) -> Vec<Option<Finding>> {
    if all.len() < 4 {
        return vec![None; all.len()];
    }
    let octaves: Vec<(f64, f64)> = (0..10)
        .map(|i| 31.5 * 2_f64.powi(i))
        .map(|f| (f * 0.5_f64.sqrt(), f * 2_f64.sqrt()))
        .filter(|&(from, to)| from >= low_hz * 0.99 && to <= high_hz * 1.01)
        .collect();
    (0..all.len())
        .map(|this| {
            let others = || all.iter().enumerate().filter(move |&(i, _)| i != this).map(|(_, n)| n);
            let odd_ms = all.get(this)?.arrival_ms.zip(median(others().filter_map(|n| n.arrival_ms)));
            if let Some((mine, theirs)) =
                odd_ms.filter(|(mine, theirs)| (mine - theirs).abs() > ODD_ARRIVAL_MS)
            {
                return Some(disagrees(
                    all.get(this)?.position,
                    &format!(
                        "its sound arrives {:.1} ms {} than at the others",
                        (mine - theirs).abs(),
                        if mine > theirs { "later" } else { "earlier" }
                    ),
                ));
            }
            let gap_db = |from, to| {
                let theirs = median(others().filter_map(|n| mean_db(n.curve, from, to)))?;
                Some(mean_db(all.get(this)?.curve, from, to)? - theirs)
            };
            if let Some(gap) = gap_db(low_hz, high_hz).filter(|gap| gap.abs() > ODD_LEVEL_DB) {
                return Some(disagrees(
                    all.get(this)?.position,
                    &format!("it is {gap:+.1} dB from the others overall"),
                ));
            }
            octaves.iter().find_map(|&(from, to)| {
                let gap = gap_db(from, to).filter(|gap| gap.abs() > ODD_OCTAVE_DB)?;
                let centre = (from * to).sqrt();
                Some(disagrees(
                    all.get(this)?.position,
                    &format!("it is {gap:+.1} dB from the others around {centre:.0} Hz"),
                ))
            })
        })
        .collect()
}

fn disagrees(position: &str, how: &str) -> Finding {
    let words = format!(
        "{position} disagrees with the other positions: {how}. Check that the microphone was in its place, nothing \
         touched it and the level was the same, then retake {position}."
    );
    Finding::new(Gate::Neighbours, Verdict::Usable, words)
}

fn mean_db(curve: &Curve, from_hz: f64, to_hz: f64) -> Option<f64> {
    let levels: Vec<f64> =
        log_grid_hz(from_hz, to_hz, 12.0).iter().filter_map(|&f| curve.level_at_db(f)).collect();
    (!levels.is_empty()).then(|| levels.iter().sum::<f64>() / levels.len() as f64)
}

fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    let upper = *sorted.get(sorted.len() / 2)?;
    let lower = *sorted.get((sorted.len() - 1) / 2)?;
    Some((upper + lower) / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts(peak_dbfs: f64, clipped: u64, lost: u64) -> TakeFacts {
        TakeFacts {
            frames: 1000,
            peak_dbfs: vec![peak_dbfs],
            clipped_samples: vec![clipped],
            lost_frames: lost,
            simulated: true,
            ..TakeFacts::default()
        }
    }

    fn worst(found: &[Finding]) -> Verdict {
        found.iter().map(|f| f.verdict).max().unwrap_or_default()
    }

    #[test]
    fn each_fault_of_a_recording_meets_its_gate() {
        let cases = [
            (facts(-12.0, 0, 0), Verdict::Good, None),
            (facts(0.0, 3, 0), Verdict::Retake, Some(Gate::Clipping)),
            (facts(-0.5, 0, 0), Verdict::Usable, Some(Gate::Clipping)),
            (facts(-70.0, 0, 0), Verdict::Retake, Some(Gate::Level)),
            (facts(-45.0, 0, 0), Verdict::Usable, Some(Gate::Level)),
            (facts(-12.0, 0, 8), Verdict::Retake, Some(Gate::Gap)),
        ];
        for (facts, verdict, gate) in cases {
            let found = recording(&facts, 0);
            assert_eq!((worst(&found), found.first().map(|f| f.gate)), (verdict, gate), "{facts:?}");
        }
    }

    #[test]
    fn noise_is_judged_inside_the_band_of_the_channel_only() {
        let snr = [(31.5, 3.0), (63.0, 25.0), (125.0, 30.0), (250.0, 30.0)];
        assert_eq!(noise(&snr, 60.0, 20_000.0), []);
        let found = noise(&snr, 20.0, 20_000.0);
        assert_eq!(worst(&found), Verdict::Usable);
        assert!(found[0].words.contains("31 Hz") || found[0].words.contains("32 Hz"), "{}", found[0].words);
        assert_eq!(worst(&noise(&snr, 20.0, 63.0)), Verdict::Retake);
    }

    #[test]
    fn one_odd_position_is_named_and_the_rest_are_not() {
        let hz = log_grid_hz(20.0, 20_000.0, 24.0);
        let flat = Curve::of_levels(hz.clone(), vec![-30.0; hz.len()]);
        let quieter = Curve::of_levels(hz.clone(), vec![-36.0; hz.len()]);
        let dip = Curve::of_levels(
            hz.clone(),
            hz.iter().map(|&f| if (700.0..1500.0).contains(&f) { -45.0 } else { -30.0 }).collect(),
        );
        for odd in [&quieter, &dip] {
            let all: Vec<Neighbour> = ["P1", "P2", "P3", "P4", "P5"]
                .iter()
                .map(|&position| Neighbour {
                    position,
                    curve: if position == "P4" { odd } else { &flat },
                    arrival_ms: Some(3.0),
                })
                .collect();
            let found = neighbours(&all, 60.0, 16_000.0);
            let named: Vec<bool> = found.iter().map(Option::is_some).collect();
            assert_eq!(named, [false, false, false, true, false]);
        }
    }

    #[test]
    fn a_late_position_is_named() {
        let hz = log_grid_hz(20.0, 20_000.0, 24.0);
        let flat = Curve::of_levels(hz.clone(), vec![-30.0; hz.len()]);
        let all: Vec<Neighbour> = [3.0, 3.1, 5.0, 2.9]
            .iter()
            .map(|&ms| Neighbour { position: "P", curve: &flat, arrival_ms: Some(ms) })
            .collect();
        let named: Vec<bool> = neighbours(&all, 60.0, 16_000.0).iter().map(Option::is_some).collect();
        assert_eq!(named, [false, false, true, false]);
    }

    #[test]
    fn a_broken_clock_and_a_missing_arrival_ask_for_another_take() {
        assert_eq!(worst(&clock(Some(6.0), false)), Verdict::Retake);
        assert_eq!(worst(&clock(Some(-50.0), true)), Verdict::Good);
        assert_eq!(worst(&clock(Some(450.0), true)), Verdict::Usable);
        assert_eq!(worst(&arrival(None)), Verdict::Retake);
        assert_eq!(worst(&arrival(Some(5.2))), Verdict::Good);
        assert_eq!(worst(&calibration(false)), Verdict::Usable);
    }
}
