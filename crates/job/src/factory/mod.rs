//! What the factory did to the signal, from line-level recordings of its outputs, and how it is undone.

mod by_hand;
mod captures;
mod choice;
mod findings;
mod joined;
mod proof;
mod recording;
mod reference;
mod sides;
mod spectrum;
mod steps;
mod taps;
mod visit;
mod volume;

use std::path::PathBuf;

use dsp::correct::tune_of;
use dsp::curve::Curve;
use dsp::factory::DB_PER_NEPER;
use dsp::factory::combine::Plan;
use dsp::factory::phase::Means;
use dsp::limits::{Frequencies, Limits, Range};
use dsp::target::Target;
use dsp::tune::{SectionKind, Tune};
use dsp::verdict::Verdict;
use garage::finding::OtherWay;
use garage::formats::target;
use rustfft::num_complex::Complex64;

use crate::error::JobError;
use crate::judged::Judged;
use proof::Basis;

pub use by_hand::{Reworked, keep_plan, rework, sum};
pub(crate) use by_hand::{lost_between_db, sum_at};
pub use captures::CaptureRef;
pub use choice::{Weighed, choose, weigh};
pub(crate) use choice::{headline, weighed};
pub use findings::{Finding, Findings, Slope};
pub(crate) use findings::{facts, remarks};
pub(crate) use joined::{Explained, Joined};
pub use proof::{Proof, prove};
pub use steps::CleanVolumeFinding;
pub(crate) use taps::tap;
pub(crate) use visit::{RECORDED_AGAIN, combine_of, keep_undo, note_of};
pub use visit::{keep, sentence};
pub(crate) use volume::{compare, shapes};

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
    /// Where there are taps, the undo by bands alone is worked out beside.
    pub both_ways: bool,
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
    /// Those of the remarks that belong to the plan.
    plan_remarks: Vec<String>,
    /// The undo by bands alone, where both ways were asked for and there are taps.
    bands: Option<OtherWay>,
    /// What a proof is held against.
    basis: Basis,
}

/// What counts as clean unless something else is asked for.
pub const CLEAN_PERCENT: f64 = 1.0;

/// Works everything out.
///
/// # Errors
/// [`JobError`], naming the file or channel, where there is nothing to find anything in.
pub fn work_out(order: &FactoryOrder, progress: &mut dyn FnMut(&str)) -> Result<Worked, JobError> {
    let limits = limits_of(order);
    let target = match &order.target {
        Some(path) => target::read(path)?,
        None => flat(),
    };
    let names: Vec<&str> = order.captures.iter().map(|it| it.name.as_str()).collect();
    if let Some(twice) = (1..names.len()).find(|&at| names[..at].contains(&names[at])) {
        return Err(JobError::Input(format!(
            "\"{}\" is given twice; give each output a name of its own",
            names[twice]
        )));
    }
    let recipe = captures::recipe_beside(&order.stimulus)?;
    let mut judged = Judged::good(());
    let heard = Explained::of(&recipe, &order.captures, order.reference_channel, &mut judged, progress)?;
    progress("working out the undo");
    let all: Vec<usize> = (0..heard.names.len()).collect();
    let joined = heard.undo(heard.plan(&all, &means_of(&limits)), &target, &limits)?;
    let flatness = joined.flatness();
    let Joined { plan, before, proposal, .. } = joined;
    let bands = (order.both_ways && limits.fir_taps > 0).then(|| by_bands(&heard, &all, &target, &limits));
    let bands = bands.transpose()?;
    let undo = tune_of(&proposal, &limits, "undo").map_err(|e| JobError::Analysis(e.to_string()))?;

    let mut findings = findings::assemble(&heard.outputs, &heard.found, &plan, &heard.names);
    findings.flatness = flatness;
    if !order.volumes.is_empty() {
        progress("comparing the volume steps");
        findings.loudness = compare(&recipe, &order.volumes, &mut judged)?;
    }
    if !order.steps.is_empty() {
        progress("judging the volume steps");
        let mut heard = steps::judge(order, &mut judged)?;
        findings.clean_volume = (!heard.is_empty()).then(|| heard.remove(0));
        findings.clean_volume_elsewhere = heard;
    }
    let mut whole = Judged { result: findings, verdict: judged.verdict, remarks: judged.remarks };
    for words in remarks(&heard.found, &heard.names, &heard.outputs) {
        whole.remarks.push(words);
    }
    let plan_remarks = said_of(&plan);
    whole.remarks.extend(plan_remarks.iter().cloned());
    if heard.found.iter().any(|f| f.snr_db < NOISY_DB) {
        whole.note(Verdict::Usable, NOISY);
    }
    let outputs = heard.curves();
    let noise = heard.outputs.channels.iter().map(|c| c.noise_on(&heard.grid_hz)).collect();
    let basis = Basis {
        plan,
        outputs: heard.on_grid,
        noise,
        names: heard.names,
        rate_hz: heard.outputs.rate_hz,
        target,
    };
    Ok(Worked {
        findings: whole,
        before,
        predicted: proposal.curve,
        undo,
        outputs,
        plan_remarks,
        bands,
        basis,
    })
}

/// What stands in the way of a plan, and what it leaves out.
fn said_of(plan: &Plan) -> Vec<String> {
    plan.left_out.iter().map(|left| &left.reason).chain(&plan.remarks).cloned().collect()
}

/// The outputs joined and undone without any taps.
fn by_bands(
    heard: &Explained,
    all: &[usize],
    target: &Target,
    limits: &Limits,
) -> Result<OtherWay, JobError> {
    let limits = Limits { fir_taps: 0, ..limits.clone() };
    let joined = heard.undo(heard.plan(all, &means_of(&limits)), target, &limits)?;
    let (parts, remarks) = (combine_of(&joined.plan, &heard.names), said_of(&joined.plan));
    let (sum, undo) = joined.signal(visit::JOINED, parts);
    Ok(OtherWay { sums: vec![sum], undo: vec![undo], lost_between_db: None, remarks })
}

/// A recording with less than this between signal and noise is not relied upon in its details.
pub(crate) const NOISY_DB: f64 = 30.0;
pub(crate) const NOISY: &str = "a recording is noisy: record it again, louder, before relying on its details";

pub(crate) fn flat() -> Target {
    Target { name: "flat".into(), points: vec![(20.0, 0.0), (20_000.0, 0.0)], tolerance_db: 1.0 }
}

fn level_db(h: Complex64) -> f64 {
    DB_PER_NEPER * h.norm().max(1e-12).ln()
}

/// Ten plain parametric bands and all-passes, where the processor's means are not known.
fn plain_limits() -> Limits {
    Limits {
        sample_rate_hz: 48_000.0,
        bands: 10,
        kinds: vec![
            SectionKind::Peaking,
            SectionKind::LowShelf,
            SectionKind::HighShelf,
            SectionKind::AllPass,
        ],
        gain_db: Range { min: -15.0, max: 9.0, step: None },
        q: Range { min: 0.3, max: 10.0, step: None },
        frequency_hz: Frequencies::Span { min: 20.0, max: 20_000.0, per_octave: None },
        delay_ms: None,
        fir_taps: 0,
        pre_ringing: dsp::limits::PreRinging::default(),
        crossovers: Vec::new(),
        crossovers_take_bands: false,
    }
}

/// What a processor has against all-passes.
pub(crate) fn means_of(limits: &Limits) -> Means {
    Means {
        all_pass: limits.kinds.contains(&SectionKind::AllPass),
        taps: limits.fir_taps,
        most_delay_ms: limits.delay_ms.map(|range| range.max),
        rate_hz: limits.sample_rate_hz,
    }
}

/// The limits given, or the plain ones, with the taps asked for.
fn limits_of(order: &FactoryOrder) -> Limits {
    let mut limits = order.limits.clone().unwrap_or_else(plain_limits);
    if let Some(taps) = order.fir_taps {
        limits.fir_taps = taps;
    }
    limits
}
