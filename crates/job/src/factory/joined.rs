//! Outputs measured and explained, and what any of them are joined to.

use dsp::correct::{FirKind, Options, Proposal, propose};
use dsp::curve::{Curve, log_grid_hz};
use dsp::factory::LineResponse;
use dsp::factory::channel::{ChannelFinding, explain, explain_beside};
use dsp::factory::combine::{Plan, plan};
use dsp::factory::phase::Means;
use dsp::factory::split::{Shown, doubt_contradicted, shown_by_others};
use dsp::limits::Limits;
use dsp::stimulus::Recipe;
use dsp::target::Target;
use dsp::tune::ChannelTune;
use garage::finding::{Combine, Flatness, Sum};
use rustfft::num_complex::Complex64;

use super::captures::{self, CaptureRef, Outputs};
use super::level_db;
use crate::error::JobError;
use crate::judged::Judged;

/// Range over which flatness is judged, narrowed to what the factory passes.
const FLAT_FROM_HZ: f64 = 30.0;
const FLAT_TO_HZ: f64 = 18_000.0;

/// Times that outputs learn from one another.
const PASSES: usize = 3;

/// Outputs on one time base, each explained as filters.
pub(crate) struct Explained {
    pub outputs: Outputs,
    pub found: Vec<ChannelFinding>,
    pub names: Vec<String>,
    /// Frequencies of everything that is drawn.
    pub grid_hz: Vec<f64>,
    /// Each output at these.
    pub on_grid: Vec<Vec<Complex64>>,
}

/// Some outputs as one signal.
pub(crate) struct Joined {
    /// How; outputs are counted as in [`Explained`].
    pub plan: Plan,
    /// As it comes.
    pub before: Curve,
    /// Where flatness is judged.
    pub band_hz: (f64, f64),
    /// The undo.
    pub proposal: Proposal,
}

impl Joined {
    /// How flat it is, as it comes and undone.
    pub fn flatness(&self) -> Flatness {
        let predicted = &self.proposal.predicted;
        Flatness {
            from_hz: self.band_hz.0,
            to_hz: self.band_hz.1,
            rms_db_before: predicted.rms_error_db_before,
            rms_db_after: predicted.rms_error_db_after,
            rms_db_measured: None,
        }
    }

    /// The signal `name` as a finding keeps it, joined by `parts`, and the channel that undoes it.
    pub fn signal(self, name: &str, parts: Vec<Combine>) -> (Sum, ChannelTune) {
        let flatness = Some(self.flatness());
        let Proposal { sections, curve, .. } = self.proposal;
        let undo = ChannelTune { name: name.to_owned(), sections, ..ChannelTune::default() };
        let (name, before, predicted) = (name.to_owned(), self.before, Some(curve));
        (Sum { name, parts, before, predicted, measured: None, flatness }, undo)
    }
}

impl Explained {
    /// Reads and explains `captures`, in which `recipe` was played; `reference` is the input that carries the time.
    pub fn of(
        recipe: &Recipe,
        captures: &[CaptureRef],
        reference: Option<usize>,
        judged: &mut Judged<()>,
        progress: &mut dyn FnMut(&str),
    ) -> Result<Self, JobError> {
        let outputs = captures::read(recipe, captures, reference, judged, progress)?;
        let rate_hz = outputs.rate_hz;
        let names: Vec<String> = outputs.channels.iter().map(|c| c.name.clone()).collect();
        progress(&format!("explaining {} output(s)", names.len()));
        let explained = captures::in_parallel(names.iter().zip(&outputs.channels), |(name, channel)| {
            explain(&channel.response, rate_hz).ok_or_else(|| {
                JobError::Analysis(format!(
                    "{name}: hardly anything of the stimulus is in this recording; check which output it was and record it again, louder"
                ))
            })
        });
        let mut found: Vec<ChannelFinding> = explained.into_iter().collect::<Result<_, _>>()?;
        // What one output learns from its neighbours another may learn from it; what was tried in vain is not tried again.
        let mut tried: Vec<Vec<Shown>> = vec![Vec::new(); found.len()];
        for _ in 0..PASSES {
            let mut shown = shown_by_others(&found);
            for (shown, tried) in shown.iter_mut().zip(&mut tried) {
                shown.retain(|pair| !tried.iter().any(|it| it.is_like(pair)));
                tried.extend(shown.iter().copied());
            }
            let each = found.iter().zip(&outputs.channels).zip(shown);
            let beside = captures::in_parallel(each, |((finding, channel), shown)| {
                Ok(explain_beside(&channel.response, finding, &shown))
            });
            let again: Vec<Option<ChannelFinding>> = beside.into_iter().collect::<Result<_, _>>()?;
            let changed = again.iter().any(Option::is_some);
            for ((finding, again), tried) in found.iter_mut().zip(again).zip(&mut tried) {
                if let Some(again) = again {
                    *finding = again;
                    tried.clear();
                }
            }
            if !changed {
                break;
            }
        }
        doubt_contradicted(&mut found);
        let grid_hz = log_grid_hz(FLAT_FROM_HZ / 2.0, FLAT_TO_HZ.min(0.45 * rate_hz), 48.0);
        let on_grid = outputs.channels.iter().map(|c| c.on_grid(&grid_hz)).collect();
        Ok(Self { outputs, found, names, grid_hz, on_grid })
    }

    /// How the outputs `which` are joined.
    pub fn plan(&self, which: &[usize], means: &Means) -> Plan {
        let found: Vec<ChannelFinding> = which.iter().map(|&i| self.found[i].clone()).collect();
        let responses: Vec<LineResponse> =
            which.iter().map(|&i| self.outputs.channels[i].response.clone()).collect();
        let names: Vec<String> = which.iter().map(|&i| self.names[i].clone()).collect();
        let mut plan = plan(&found, &responses, &names, means);
        plan.uses.iter_mut().for_each(|used| used.output = which[used.output]);
        plan.left_out.iter_mut().for_each(|left| left.output = which[left.output]);
        plan
    }

    /// Undoes what the outputs joined by `plan` are bent by, towards `target` within `limits`.
    pub fn undo(&self, plan: Plan, target: &Target, limits: &Limits) -> Result<Joined, JobError> {
        let before = self.summed(&plan);
        let rate_hz = self.outputs.rate_hz;
        let bands = plan.uses.iter().map(|u| self.found[u.output].band_hz);
        let (low_hz, high_hz) =
            bands.fold((f64::INFINITY, 0.0f64), |(low, high), band| (low.min(band.0), high.max(band.1)));
        let ends_hz = self.outputs.ends_hz.unwrap_or(f64::INFINITY);
        let (from_hz, to_hz) =
            (low_hz.max(FLAT_FROM_HZ), high_hz.min(FLAT_TO_HZ).min(0.45 * rate_hz).min(ends_hz));
        // The exact inverses of the bands that were recognised are where the search begins.
        let sections = plan.uses.iter().flat_map(|u| self.found[u.output].model.sections.iter());
        let start =
            sections.map(|s| dsp::tune::Section { gain_db: -s.gain_db, ..*s }).take(limits.bands).collect();
        let fir = (limits.fir_taps > 0).then_some(FirKind::MinimumPhase);
        let options = Options { from_hz, to_hz, fir, start, ..Options::default() };
        let proposal =
            propose(&before, target, limits, &options).map_err(|e| JobError::Analysis(e.to_string()))?;
        Ok(Joined { plan, before, band_hz: (from_hz, to_hz), proposal })
    }

    /// Levels of what `plan` sums to.
    pub fn summed(&self, plan: &Plan) -> Curve {
        let at = |output: usize, k: usize| self.on_grid[output][k];
        let sum = plan.sum(&self.grid_hz, self.outputs.rate_hz, at);
        Curve::of_levels(self.grid_hz.clone(), sum.iter().map(|h| level_db(*h)).collect())
    }

    /// Each output as it came, with its phase.
    pub fn curves(&self) -> Vec<Curve> {
        let with_phase = |response: &Vec<Complex64>| {
            let levels = response.iter().map(|h| level_db(*h)).collect();
            let mut curve = Curve::of_levels(self.grid_hz.clone(), levels);
            curve.phase_deg = Some(response.iter().map(|h| h.arg().to_degrees()).collect());
            curve
        };
        self.on_grid.iter().map(with_phase).collect()
    }
}
