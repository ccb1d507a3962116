//! What the factory did to the signal, from line-level recordings of its outputs, and how it is undone.

mod captures;
mod findings;
mod reference;
mod sides;
mod spectrum;
mod steps;
mod visit;
mod volume;

use std::path::PathBuf;

use dsp::correct::{FirKind, Options, propose, tune_of};
use dsp::curve::{Curve, log_grid_hz};
use dsp::factory::channel::ChannelFinding;
use dsp::factory::combine::plan;
use dsp::factory::{DB_PER_NEPER, LineResponse};
use dsp::limits::{Frequencies, Limits, Range};
use dsp::target::Target;
use dsp::tune::{SectionKind, Tune};
use dsp::verdict::Verdict;
use garage::finding::Flatness;
use garage::formats::target;
use rustfft::num_complex::Complex64;

use crate::error::JobError;
use crate::judged::Judged;

pub use captures::CaptureRef;
pub use findings::{CombineEntry, Finding, Findings, Slope};
pub use steps::CleanVolumeFinding;
pub use visit::{keep, keep_plan, sentence, sum};

/// What to look at.
#[derive(Debug, Clone, PartialEq)]
pub struct FactoryOrder {
    /// The stimulus that was played; its sidecar lies beside it.
    pub stimulus: PathBuf,
    /// One recording for each output.
    pub captures: Vec<CaptureRef>,
    /// Input that carries the time reference in every file, counted from 1.
    pub reference_channel: Option<usize>,
    /// The same output at other volume steps, under the step's label.
    pub volumes: Vec<CaptureRef>,
    /// Recordings of a tone while the volume was turned up; the names are not used.
    pub steps: Vec<CaptureRef>,
    /// THD up to which a volume step counts as clean.
    pub clean_percent: f64,
    /// The processor's limits.
    pub limits: Option<Limits>,
    /// Target of the undo; flat when left out.
    pub target: Option<PathBuf>,
    /// FIR taps, where the limits do not say.
    pub fir_taps: Option<usize>,
}

/// Findings with the curves and the tune that are written beside them.
#[derive(Debug, Clone, PartialEq)]
pub struct Worked {
    /// What `findings.json` holds.
    pub findings: Judged<Findings>,
    /// The combined outputs as they are, level of the target at 0 dB.
    pub before: Curve,
    /// The same through the undo.
    pub predicted: Curve,
    /// The undo.
    pub undo: Tune,
    /// Each output as it came, with its phase, on the grid of the others.
    pub outputs: Vec<Curve>,
}

/// What counts as clean unless something else is asked for.
pub const CLEAN_PERCENT: f64 = 1.0;

/// Range over which flatness is judged, narrowed to what the factory passes.
const FLAT_FROM_HZ: f64 = 30.0;
const FLAT_TO_HZ: f64 = 18_000.0;

/// Works everything out.
///
/// # Errors
/// [`JobError`], naming the file or channel, where there is nothing to find anything in.
pub fn work_out(order: &FactoryOrder, progress: &mut dyn FnMut(&str)) -> Result<Worked, JobError> {
    let limits = limits_of(order);
    let target = match &order.target {
        Some(path) => target::read(path)?,
        None => Target { name: "flat".into(), points: vec![(20.0, 0.0), (20_000.0, 0.0)], tolerance_db: 1.0 },
    };
    let mut judged = Judged::good(());
    let outputs = captures::read(order, &mut judged, progress)?;
    let rate_hz = outputs.rate_hz;
    let responses: Vec<LineResponse> = outputs.channels.iter().map(|c| c.response.clone()).collect();
    let names: Vec<String> = outputs.channels.iter().map(|c| c.name.clone()).collect();
    progress(&format!("explaining {} output(s)", names.len()));
    let explained = captures::in_parallel(names.iter().zip(&responses), |(name, response)| {
        dsp::factory::channel::explain(response, rate_hz).ok_or_else(|| {
            JobError::Analysis(format!(
                "{name}: hardly anything of the stimulus is in this recording; check which output it was and record it again, louder"
            ))
        })
    });
    let found: Vec<ChannelFinding> = explained.into_iter().collect::<Result<_, _>>()?;

    let plan = plan(&found, &responses, &names);
    let grid = log_grid_hz(FLAT_FROM_HZ / 2.0, FLAT_TO_HZ.min(0.45 * rate_hz), 48.0);
    let on_grid: Vec<Vec<Complex64>> = outputs.channels.iter().map(|c| c.on_grid(&grid)).collect();
    let sum = plan.sum(&grid, rate_hz, |output, k| on_grid[output][k]);
    let combined = Curve::of_levels(grid.clone(), sum.iter().map(|h| level_db(*h)).collect());

    let bands: Vec<(f64, f64)> = plan.uses.iter().map(|u| found[u.output].band_hz).collect();
    let from_hz = bands.iter().map(|b| b.0).fold(f64::INFINITY, f64::min).max(FLAT_FROM_HZ);
    let to_hz = bands.iter().map(|b| b.1).fold(0.0, f64::max).min(FLAT_TO_HZ).min(0.45 * rate_hz);
    progress("working out the undo");
    let fir = (limits.fir_taps > 0).then_some(FirKind::MinimumPhase);
    // The exact inverses of the bands that were recognised are where the search begins.
    let start = plan
        .uses
        .iter()
        .flat_map(|u| found[u.output].model.sections.iter())
        .map(|s| dsp::tune::Section { gain_db: -s.gain_db, ..*s })
        .take(limits.bands)
        .collect();
    let options = Options { from_hz, to_hz, fir, start, ..Options::default() };
    let proposal =
        propose(&combined, &target, &limits, &options).map_err(|e| JobError::Analysis(e.to_string()))?;
    let undo = tune_of(&proposal, &limits, "undo").map_err(|e| JobError::Analysis(e.to_string()))?;

    let mut findings = findings::assemble(&outputs, &found, &plan, &names);
    findings.flatness = Flatness {
        from_hz,
        to_hz,
        rms_db_before: proposal.predicted.rms_error_db_before,
        rms_db_after: proposal.predicted.rms_error_db_after,
    };
    if !order.volumes.is_empty() {
        progress("comparing the volume steps");
        findings.loudness = volume::compare(order, &mut judged)?;
    }
    if !order.steps.is_empty() {
        progress("judging the volume steps");
        let mut heard = steps::judge(order, &mut judged)?;
        findings.clean_volume = (!heard.is_empty()).then(|| heard.remove(0));
        findings.clean_volume_elsewhere = heard;
    }
    let mut whole = Judged { result: findings, verdict: judged.verdict, remarks: judged.remarks };
    for words in findings::remarks(&found, &names, &outputs) {
        whole.remarks.push(words);
    }
    for left in &plan.left_out {
        whole.remarks.push(left.reason.clone());
    }
    whole.remarks.extend(plan.remarks.iter().cloned());
    if found.iter().any(|f| f.snr_db < 30.0) {
        whole.note(
            Verdict::Usable,
            "a recording is noisy: record it again, louder, before relying on its details",
        );
    }
    let outputs = on_grid.iter().map(|response| with_phase(&grid, response)).collect();
    Ok(Worked { findings: whole, before: combined, predicted: proposal.curve, undo, outputs })
}

fn with_phase(grid_hz: &[f64], response: &[Complex64]) -> Curve {
    let levels = response.iter().map(|h| level_db(*h)).collect();
    let mut curve = Curve::of_levels(grid_hz.to_vec(), levels);
    curve.phase_deg = Some(response.iter().map(|h| h.arg().to_degrees()).collect());
    curve
}

fn level_db(h: Complex64) -> f64 {
    DB_PER_NEPER * h.norm().max(1e-12).ln()
}

/// The limits given, or ten plain parametric bands, with the taps asked for.
fn limits_of(order: &FactoryOrder) -> Limits {
    let mut limits = match &order.limits {
        Some(limits) => limits.clone(),
        None => Limits {
            sample_rate_hz: 48_000.0,
            bands: 10,
            kinds: vec![SectionKind::Peaking, SectionKind::LowShelf, SectionKind::HighShelf],
            gain_db: Range { min: -15.0, max: 9.0, step: None },
            q: Range { min: 0.3, max: 10.0, step: None },
            frequency_hz: Frequencies::Span { min: 20.0, max: 20_000.0, per_octave: None },
            delay_ms: None,
            fir_taps: 0,
            crossovers: Vec::new(),
        },
    };
    if let Some(taps) = order.fir_taps {
        limits.fir_taps = taps;
    }
    limits
}
