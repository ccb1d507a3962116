//! What the factory did to each output, what the outputs are joined to, and a tune that undoes it.

use audio::rig::Watch;
use dsp::curve::Curve;
use dsp::factory::AllPass;
use dsp::factory::combine::Plan;
use dsp::factory::phase::Means;
use dsp::limits::Limits;
use dsp::tune::{ChannelTune, Tune};
use dsp::verdict::Verdict;
use garage::VisitFolder;
use garage::finding::{Finding, Flatness, OutputFinding, Sum};

use super::material::Material;
use super::{SIDES, limits_of, volume};
use crate::error::JobError;
use crate::factory::{self, Explained, Joined, NOISY, NOISY_DB, combine_of, facts, flat, note_of};
use crate::handover::changes::hertz;
use crate::judged::Judged;
use crate::voicing::fit_target;
use crate::workplace::WorkClock;

/// An output that passes less than this is joined with others.
const WHOLE_HZ: (f64, f64) = (150.0, 10_000.0);

/// Works out what the factory did to each of its outputs and a tune that undoes it, and keeps both in the visit.
///
/// Outputs that carry a part of the band are joined, side by side, to one full-range signal each, with settings the
/// processor has; outputs that carry everything are undone one by one. Nothing is boosted where the factory passes nothing.
///
/// # Errors
/// No take of the source yet, no limits, a recording that cannot be read.
pub fn work_out(
    folder: &VisitFolder,
    clock: &mut WorkClock,
    watch: &Watch,
) -> Result<Judged<Finding>, JobError> {
    // Taps would bend the bass less well than bands do, and cost delay.
    let limits = Limits { fir_taps: 0, ..limits_of(folder)?.clone() };
    let takes = folder.takes()?.found;
    let mut judged = Judged::good(());
    let Material { recipe, captures, reference, silent } = Material::of(folder, &takes, &mut judged)?;
    for name in &silent {
        judged.note(Verdict::Usable, format!("{name}: next to nothing comes out of this output."));
    }
    let heard = Explained::of(&recipe, &captures, reference, &mut judged, &mut |_| {})?;
    let facts = facts(&heard.outputs, &heard.found);
    let mut remarks = factory::remarks(&heard.found, &heard.names, &heard.outputs);
    if heard.found.iter().any(|it| it.snr_db < NOISY_DB) {
        judged.note(Verdict::Usable, NOISY);
    }
    let mut plans = plans(&heard, &facts, &mut remarks);
    settle(&heard, &mut plans, &limits, &mut remarks);

    let mut tune = Tune { sample_rate_hz: limits.sample_rate_hz, ..Tune::default() };
    let mut sums = Vec::new();
    for (name, plan, is_joined) in plans {
        if watch.stopping() {
            return Err(JobError::Stopped);
        }
        let joined = heard.undo(plan, &flat(), &limits)?;
        let parts = if is_joined { combine_of(&joined.plan, &heard.names) } else { Vec::new() };
        let sections = joined.proposal.sections.clone();
        tune.channels.push(ChannelTune { name: name.clone(), sections, ..ChannelTune::default() });
        let flatness = Some(flatness(&joined));
        let Joined { before, proposal, .. } = joined;
        sums.push(Sum { name, parts, before, predicted: Some(proposal.curve), measured: None, flatness });
    }
    keep_the_balance(&mut sums, &mut tune, &limits);
    tune.refresh_biquads().map_err(|(name, error)| JobError::Input(format!("{name}: {error}")))?;
    let simulated = takes.iter().any(|take| take.simulated);
    let made_at = clock.now();
    let number = folder.save_tune(&tune, note_of(made_at, None, simulated))?;
    let sounding = facts.iter().zip(heard.curves()).map(|(found, curve)| OutputFinding {
        name: found.name.clone(),
        sentence: factory::sentence(found),
        curve: Some(curve),
    });
    let dead = silent.iter().map(|name| OutputFinding {
        name: name.clone(),
        sentence: "Nothing comes out of it.".into(),
        curve: None,
    });
    let mut finding = Finding {
        made_at,
        outputs: sounding.chain(dead).collect(),
        sums,
        tune: Some(number),
        loudness: Vec::new(),
        clean_volume: Vec::new(),
        verdict: Verdict::Good,
        remarks: Vec::new(),
        simulated,
    };
    finding.loudness = volume::loudness(folder, &takes, &finding, &mut judged)?;
    finding.clean_volume = volume::clean_volumes(folder, &takes, &mut judged)?;
    finding.verdict = judged.verdict;
    finding.remarks = headline(&finding).into_iter().chain(judged.remarks).chain(remarks).collect();
    folder.save_finding(&finding)?;
    Ok(Judged { verdict: finding.verdict, remarks: finding.remarks.clone(), result: finding })
}

/// Both sides are given one another's all-passes together, further on.
const ALL_PASSES: Means = Means { all_pass: true, taps: 0, most_delay_ms: None, rate_hz: 48_000.0 };

/// A name, how its outputs are joined, and whether there is anything to join.
type Named = (String, Plan, bool);

/// One signal for each side where outputs carry a part of the band; otherwise one for each output.
fn plans(heard: &Explained, facts: &[factory::Finding], remarks: &mut Vec<String>) -> Vec<Named> {
    let whole = |it: &factory::Finding| it.band_hz[0] <= WHOLE_HZ.0 && it.band_hz[1] >= WHOLE_HZ.1;
    if facts.iter().all(whole) {
        return (0..facts.len())
            .map(|i| (facts[i].name.clone(), heard.plan(&[i], &ALL_PASSES), false))
            .collect();
    }
    let has_own = |side: &str| facts.iter().any(|it| it.side == side);
    let mut plans = Vec::new();
    for (_, side) in SIDES {
        if !has_own(side) && SIDES.iter().any(|(_, other)| has_own(other)) {
            remarks.push(format!("No output of the {side} side was recorded: it is not joined."));
            continue;
        }
        let of_both = |it: &factory::Finding| !matches!(it.side, "left" | "right" | "difference");
        let mine: Vec<usize> =
            (0..facts.len()).filter(|&i| facts[i].side == side || of_both(&facts[i])).collect();
        if mine.is_empty() {
            continue;
        }
        let plan = heard.plan(&mine, &ALL_PASSES);
        let said = plan.left_out.iter().map(|left| &left.reason).chain(&plan.remarks);
        let said: Vec<String> = said.filter(|words| !remarks.contains(words)).cloned().collect();
        remarks.extend(said);
        plans.push((side.to_owned(), plan, true));
    }
    for output in facts.iter().filter(|it| matches!(it.side, "sum" | "mix")) {
        remarks.push(format!(
            "{} carries both sides: from {} to {} the joined signals of left and right are one.",
            output.name,
            hertz(output.band_hz[0]),
            hertz(output.band_hz[1])
        ));
    }
    for output in facts.iter().filter(|it| it.side == "difference") {
        remarks.push(format!("{} carries what the sides differ by: it belongs in no sum.", output.name));
    }
    plans
}

/// Sides that differ by more than this are worth a line.
const UNEVEN_DB: f64 = 0.2;

/// Brings the joined sides to one time, one level and one turn of phase, in steps that the processor has.
fn settle(heard: &Explained, plans: &mut [Named], limits: &Limits, remarks: &mut Vec<String>) {
    turn_alike(heard, plans, limits);
    let latest_s = |plan: &Plan| {
        let used = plan.uses.first();
        used.map_or(0.0, |it| heard.found[it.output].model.delay_s + it.delay_ms * 1e-3)
    };
    let level_db = |plan: &Plan| {
        let band = |i: usize| heard.found[i].band_hz;
        let low_hz = plan.uses.iter().map(|it| band(it.output).0).fold(f64::INFINITY, f64::min);
        let high_hz = plan.uses.iter().map(|it| band(it.output).1).fold(0.0, f64::max);
        fit_target(&heard.summed(plan), &flat(), low_hz, high_hz).map_or(0.0, |it| it.0)
    };
    let joined = || plans.iter().filter(|it| it.2).map(|it| &it.1);
    let last_s = joined().map(latest_s).fold(f64::NEG_INFINITY, f64::max);
    let levels_db: Vec<f64> = joined().map(level_db).collect();
    let softest_db = levels_db.iter().copied().fold(f64::INFINITY, f64::min);
    for ((name, plan, _), level_db) in plans.iter_mut().filter(|it| it.2).zip(levels_db) {
        let later_ms = (last_s - latest_s(plan)) * 1e3;
        let louder_db = level_db - softest_db;
        for used in &mut plan.uses {
            used.gain_db = limits.gain_db.on_step(used.gain_db - louder_db);
            used.delay_ms = limits.delay_on_step_ms(used.delay_ms + later_ms);
        }
        if louder_db > UNEVEN_DB {
            remarks.push(format!("The {name} side came {louder_db:.1} dB louder; the plan evens that out."));
        }
    }
}

/// What the two sides have in common must meet in one phase: every output of either sum passes through the all-passes of
/// all outputs, its own by nature and the others by the processor; and the top of each is upright.
fn turn_alike(heard: &Explained, plans: &mut [Named], limits: &Limits) {
    let model = |output: usize| &heard.found[output].model;
    let mut used: Vec<usize> = plans.iter().flat_map(|it| it.1.uses.iter().map(|used| used.output)).collect();
    used.sort_unstable();
    used.dedup();
    for (_, plan, _) in plans.iter_mut().filter(|it| it.2) {
        let upright = plan.uses.last().is_none_or(|top| top.invert == model(top.output).inverted);
        for part in &mut plan.uses {
            part.invert ^= !upright;
            let others = used.iter().filter(|&&output| output != part.output);
            let all_passes = others.flat_map(|&output| &model(output).all_passes);
            part.all_passes = all_passes
                .map(|it| AllPass {
                    frequency_hz: limits.frequency_hz.nearest_hz(it.frequency_hz),
                    q: it.q.map(|q| limits.q.on_step(q)),
                    order: it.order,
                })
                .collect();
        }
    }
}

/// Undoing lifts one signal more than another, since only its shape counts; the others are turned down by the difference,
/// so that the signals keep their balance.
fn keep_the_balance(sums: &mut [Sum], tune: &mut Tune, limits: &Limits) {
    let lifted_db = |sum: &Sum| {
        let flatness = sum.flatness?;
        let level = |curve: &Curve| fit_target(curve, &flat(), flatness.from_hz, flatness.to_hz);
        Some(level(sum.predicted.as_ref()?)?.0 - level(&sum.before)?.0)
    };
    let lifted: Vec<f64> = sums.iter().map(|sum| lifted_db(sum).unwrap_or(0.0)).collect();
    let least = lifted.iter().copied().fold(f64::INFINITY, f64::min);
    for ((sum, channel), lifted) in sums.iter_mut().zip(&mut tune.channels).zip(lifted) {
        channel.gain_db = limits.gain_db.on_step(least - lifted);
        if let Some(predicted) = &mut sum.predicted {
            predicted.level_db.iter_mut().for_each(|db| *db += channel.gain_db);
        }
    }
}

fn flatness(joined: &Joined) -> Flatness {
    let (from_hz, to_hz) = joined.band_hz;
    let predicted = &joined.proposal.predicted;
    Flatness {
        from_hz,
        to_hz,
        rms_db_before: predicted.rms_error_db_before,
        rms_db_after: predicted.rms_error_db_after,
        rms_db_measured: None,
    }
}

/// How far from flat the whole is, and will be.
fn headline(finding: &Finding) -> Option<String> {
    let all: Vec<Flatness> = finding.sums.iter().filter_map(|sum| sum.flatness).collect();
    let mean = |of: fn(&Flatness) -> f64| all.iter().map(of).sum::<f64>() / all.len() as f64;
    (!all.is_empty()).then(|| {
        format!(
            "The factory signal is {:.1} dB rms off flat; with the undoing {:.1} dB are expected.",
            mean(|it| it.rms_db_before),
            mean(|it| it.rms_db_after)
        )
    })
}
