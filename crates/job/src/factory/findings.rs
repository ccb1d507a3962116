//! The findings as they are written and as they are said.

use dsp::factory::AllPass;
use dsp::factory::channel::{ChannelFinding, Sure};
use dsp::factory::combine::Plan;
use dsp::factory::quiet::Quiet;
use dsp::factory::side::Side;
use dsp::tune::{Pass, Section};
use garage::finding::{Combine, Flatness, VolumeShape};
use serde::Serialize;

use super::captures::{Output, Outputs};
use super::proof::NORMAL_95;
use super::proof::Proof;
use super::steps::CleanVolumeFinding;
use super::visit::combine_of;

/// One band edge.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Slope {
    /// "low" or "high".
    pub edge: &'static str,
    /// Steepness far from the edge.
    pub db_per_oct: u32,
    /// Nearest family.
    pub family: String,
    /// Its order.
    pub order: u8,
    /// The family's own frequency: −6 dB for Linkwitz–Riley, −3 dB for Butterworth.
    pub frequency_hz: f64,
}

/// One output.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    /// Its name.
    pub name: String,
    /// −6 dB points against the median level between them.
    pub band_hz: [f64; 2],
    /// Median level in the band, against the stimulus.
    pub level_db: f64,
    /// Against the earliest output; none where the recordings share no clock.
    pub delay_ms: Option<f64>,
    /// Half-width of the 95 % interval of that delay; none where the clocks could not be compared either.
    pub delay_uncertainty_ms: Option<f64>,
    /// "normal", "inverted" or "unclear".
    pub polarity: &'static str,
    /// All-passes.
    pub all_pass: Vec<AllPass>,
    /// Recorder's clock against the player's.
    pub clock_skew_ppm: Option<f64>,
    /// Half-width of its 95 % interval.
    pub clock_skew_uncertainty_ppm: Option<f64>,
    /// Band edges.
    pub slopes: Vec<Slope>,
    /// Which side feeds it; "unknown" where the stimulus was the same on both.
    pub side: &'static str,
    /// By how much it falls behind when both sides play at full level, where the stimulus tells.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub compression_db: Option<f64>,
    /// Noise and hum while nothing plays, where the stimulus has a quiet.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub quiet: Option<Quiet>,
    /// Equaliser bands.
    pub equalisation: Vec<Section>,
    /// How sure the whole finding is.
    pub sure: Sure,
    /// Level that the filters named here leave unexplained, rms.
    pub unexplained_db: f64,
    /// Signal-to-noise ratio in the band.
    pub snr_db: f64,
}

/// Everything found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Findings {
    /// Each output.
    pub channels: Vec<Finding>,
    /// The sum.
    pub combine: Vec<Combine>,
    /// How flat it is and becomes.
    pub flatness: Flatness,
    /// Where the link or the player ends, where it does before the sweep.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub link_ends_hz: Option<f64>,
    /// How the shape changes with the volume step.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub loudness: Vec<VolumeShape>,
    /// The highest clean volume, at the first tone given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub clean_volume: Option<CleanVolumeFinding>,
    /// The same at the other tones.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub clean_volume_elsewhere: Vec<CleanVolumeFinding>,
    /// What a second recording, through the processor, shows.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub proof: Option<Proof>,
}

pub(super) fn assemble(
    outputs: &Outputs,
    found: &[ChannelFinding],
    plan: &Plan,
    names: &[String],
) -> Findings {
    Findings {
        channels: facts(outputs, found),
        combine: combine_of(plan, names),
        flatness: Flatness::default(),
        link_ends_hz: outputs.ends_hz,
        loudness: Vec::new(),
        clean_volume: None,
        clean_volume_elsewhere: Vec::new(),
        proof: None,
    }
}

/// What is told of each output.
pub(crate) fn facts(outputs: &Outputs, found: &[ChannelFinding]) -> Vec<Finding> {
    let (earliest_s, earliest_within_s) = earliest(found);
    let facts = outputs.channels.iter().zip(found).map(|(output, finding)| {
        let model = &finding.model;
        let slopes = finding.edges().into_iter().map(|(pass, edge)| Slope {
            edge: if pass == Pass::High { "low" } else { "high" },
            db_per_oct: 6 * u32::from(edge.order),
            family: edge.family.to_string(),
            order: edge.order,
            frequency_hz: edge.frequency_hz,
        });
        Finding {
            name: output.name.clone(),
            band_hz: [finding.band_hz.0, finding.band_hz.1],
            level_db: finding.level_db,
            delay_ms: outputs.one_clock.then_some((model.delay_s - earliest_s) * 1e3),
            delay_uncertainty_ms: within_s(outputs, output, finding, earliest_within_s).map(|s| s * 1e3),
            polarity: match (finding.confidence.polarity, model.inverted) {
                (Sure::Low, _) => "unclear",
                (_, true) => "inverted",
                (_, false) => "normal",
            },
            all_pass: model.all_passes.clone(),
            clock_skew_ppm: output.skew_ppm,
            clock_skew_uncertainty_ppm: output.skew_ppm.map(|_| NORMAL_95 * output.skew_sigma_ppm),
            slopes: slopes.collect(),
            side: side_word(output.sided.as_ref().and_then(|sided| sided.side)),
            compression_db: output.sided.as_ref().and_then(|sided| sided.compression_db),
            quiet: output.sided.as_ref().and_then(|sided| sided.quiet.clone()),
            equalisation: model
                .sections
                .iter()
                .filter(|s| s.gain_db.abs() >= WORTH_A_LINE_DB)
                .copied()
                .collect(),
            sure: least(finding),
            unexplained_db: finding.unexplained_db,
            snr_db: finding.snr_db,
        }
    });
    facts.collect()
}

/// Delay of the earliest output, and how well it is known.
fn earliest(found: &[ChannelFinding]) -> (f64, f64) {
    let earliest = found.iter().min_by(|a, b| a.model.delay_s.total_cmp(&b.model.delay_s));
    earliest.map_or((0.0, 0.0), |it| (it.model.delay_s, it.delay_within_s))
}

/// Half-width of the 95 % interval of a delay against the earliest output: both of the two are uncertain, and so is the clock;
/// none where there is no common clock, or its error is unknown.
fn within_s(outputs: &Outputs, output: &Output, finding: &ChannelFinding, earliest_s: f64) -> Option<f64> {
    let clock_s = NORMAL_95 * output.clock_within_s;
    let alike_s = if output.follows_hz.is_some() { ALIKE_EACH_TIME_S } else { 0.0 };
    let within_s = finding.delay_within_s.hypot(earliest_s).hypot(clock_s).hypot(alike_s);
    (outputs.one_clock && within_s.is_finite()).then_some(within_s)
}

/// What a codec does to time alike in each repeat does not show in how they differ: it came to 5 µs on 24 delays of six made
/// head units (rounding 25 dB under the signal).
const ALIKE_EACH_TIME_S: f64 = 10e-6;
/// An equaliser band weaker than this is not worth a line.
const WORTH_A_LINE_DB: f64 = 0.1;
/// A delay that is not known to this share of a period at the upper end of an output's band is in doubt.
const DELAY_KNOWN_PERIODS: f64 = 0.01;

fn least(finding: &ChannelFinding) -> Sure {
    let c = &finding.confidence;
    c.edges.min(c.polarity).min(c.all_passes).min(c.shape)
}

/// Each doubt with the recording that would settle it.
pub(crate) fn remarks(found: &[ChannelFinding], names: &[String], outputs: &Outputs) -> Vec<String> {
    let mut words = Vec::new();
    let (_, earliest_within_s) = earliest(found);
    for ((finding, name), output) in found.iter().zip(names).zip(&outputs.channels) {
        let c = &finding.confidence;
        let mut doubt = |sure: Sure, what: &str, settle: &str| {
            if sure < Sure::High {
                words.push(format!("{name}: not sure of {what}; {settle}"));
            }
        };
        doubt(
            c.shape,
            "the filters named, since they leave part of the level unexplained",
            "a longer, louder recording at a lower volume step would settle it",
        );
        doubt(c.edges, "the slopes", "a longer sweep with more repeats would settle it");
        doubt(
            c.polarity,
            "the polarity",
            "a sweep that begins at 5 Hz and 60 dB above the noise would settle it",
        );
        doubt(
            c.all_passes,
            "the all-passes",
            "a sweep that begins at 5 Hz and 60 dB above the noise would settle it",
        );
        let within_s = within_s(outputs, output, finding, earliest_within_s).unwrap_or(0.0);
        if within_s * finding.band_hz.1 > DELAY_KNOWN_PERIODS {
            words.push(format!(
                "{name}: its delay is known to ±{:.2} ms only; record the sum and hold it against the prediction before relying on it",
                within_s * 1e3
            ));
        }
        if output.skew_ppm.is_none() {
            words.push(format!("{name}: the two clocks could not be compared; play a stimulus with markers"));
        }
    }
    for output in &outputs.channels {
        let Some(sided) = &output.sided else { continue };
        let name = &output.name;
        if let Some(db) = sided.compression_db.filter(|db| db.abs() > WORTH_SAYING_DB) {
            words.push(format!(
                "{name}: its level does not follow the signal's ({db:+.1} dB when both sides play at full level); tune at a lower volume step, or with the factory's dynamics off"
            ));
        }
        if let Some(Quiet { mains_hz: Some(mains_hz), hum, .. }) = &sided.quiet {
            let lines: Vec<String> = hum
                .iter()
                .take(4)
                .map(|l| format!("{:.0} Hz at {:.0} dBFS", l.frequency_hz, l.level_dbfs))
                .collect();
            words.push(format!(
                "{name}: hum of {mains_hz:.0} Hz mains while nothing plays: {}",
                lines.join(", ")
            ));
        }
    }
    if outputs.channels.iter().any(|output| output.sided.is_none()) {
        words.push(
            "which side feeds each output is unknown: the stimulus was the same on both; make one with `stimulus sweep --sides` to tell"
                .into(),
        );
    }
    words
}

/// A change of level smaller than this is not worth a line.
const WORTH_SAYING_DB: f64 = 0.3;

fn side_word(side: Option<Side>) -> &'static str {
    match side {
        Some(Side::Left) => "left",
        Some(Side::Right) => "right",
        Some(Side::Sum) => "sum",
        Some(Side::Difference) => "difference",
        Some(Side::Mix) => "mix",
        None => "unknown",
    }
}
