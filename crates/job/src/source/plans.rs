//! How outputs that carry a part of the band are joined, side by side, in settings the processor has.

use dsp::factory::combine::{Plan, Use, too_late};
use dsp::factory::phase::Means;
use dsp::factory::{AllPass, Taps};
use dsp::limits::Limits;
use dsp::tune::SectionKind;
use garage::finding::Way;

use super::SIDES;
use crate::factory::{self, Explained, flat};
use crate::handover::changes::hertz;
use crate::voicing::fit_target;

/// An output that passes less than this is joined with others.
const WHOLE_HZ: (f64, f64) = (150.0, 10_000.0);

/// A name, how its outputs are joined, and whether there is anything to join.
pub(super) type Named = (String, Plan, bool);

/// How the outputs are joined the given way, with what there is to say of it.
///
/// Where taps would delay one output by more than the processor can let the others wait, only as many are used as it can.
pub(super) fn plans(
    heard: &Explained,
    facts: &[factory::Finding],
    limits: &Limits,
    way: Way,
) -> (Vec<Named>, Vec<String>) {
    let settled = |taps: usize| {
        // What must wait for how long is known only once the sides are brought together.
        let means = Means { taps, most_delay_ms: None, ..factory::means_of(limits) };
        let mut remarks = Vec::new();
        let mut plans = signals(heard, facts, &means, &mut remarks);
        let over_ms = settle(heard, &mut plans, limits, &mut remarks);
        (plans, over_ms, remarks)
    };
    let most_taps = if way == Way::Taps { limits.fir_taps } else { 0 };
    let (plans, over_ms, remarks) = settled(most_taps);
    let delays_ms =
        plans.iter().flat_map(|it| &it.1.uses).filter_map(|used| Some(used.fir.as_ref()?.delay_ms()));
    let late_ms = delays_ms.fold(0.0, f64::max);
    if over_ms <= 0.0 || late_ms <= 0.0 {
        return (plans, remarks);
    }
    let fit = (late_ms - over_ms).max(0.0) * 1e-3 * limits.sample_rate_hz;
    let (plans, _, mut remarks) = settled(fit as usize + 1);
    remarks.push(format!(
        "The others wait for an output with taps, and the processor delays them by {:.1} ms at most: its taps may delay by {:.1} ms, where {late_ms:.1} ms would undo more.",
        limits.delay_ms.map_or(0.0, |range| range.max),
        (late_ms - over_ms).max(0.0)
    ));
    (plans, remarks)
}

/// One signal for each side where outputs carry a part of the band; otherwise one for each output.
fn signals(
    heard: &Explained,
    facts: &[factory::Finding],
    means: &Means,
    remarks: &mut Vec<String>,
) -> Vec<Named> {
    let whole = |it: &factory::Finding| it.band_hz[0] <= WHOLE_HZ.0 && it.band_hz[1] >= WHOLE_HZ.1;
    if facts.iter().all(whole) {
        return (0..facts.len()).map(|i| (facts[i].name.clone(), heard.plan(&[i], means), false)).collect();
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
        let plan = heard.plan(&mine, means);
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

/// Brings the joined sides to one time, one level and one turn of phase, in steps that the processor has; gives by how much
/// the longest wait is beyond what it can delay, in milliseconds.
fn settle(heard: &Explained, plans: &mut [Named], limits: &Limits, remarks: &mut Vec<String>) -> f64 {
    turn_alike(heard, plans, limits);
    // When the top of a side comes: all of it comes then, but for an output whose all-pass only a delay was found against.
    let latest_s = |plan: &Plan| {
        let taps_ms = |it: &Use| it.fir.as_ref().map_or(0.0, Taps::delay_ms);
        let top = plan.uses.last();
        top.map_or(0.0, |it| heard.found[it.output].model.delay_s + (it.delay_ms + taps_ms(it)) * 1e-3)
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
            used.delay_ms += later_ms;
        }
        if louder_db > UNEVEN_DB {
            remarks.push(format!("The {name} side came {louder_db:.1} dB louder; the plan evens that out."));
        }
    }
    let most_delay_ms = limits.delay_ms.map(|range| range.max);
    let means = Means { most_delay_ms, ..factory::means_of(limits) };
    let mut over_ms = f64::NEG_INFINITY;
    for (_, plan, _) in plans.iter_mut() {
        remarks.extend(too_late(&plan.uses, &heard.names, &means).filter(|words| !remarks.contains(words)));
        for used in &mut plan.uses {
            over_ms = over_ms.max(used.delay_ms - most_delay_ms.unwrap_or(f64::INFINITY));
            used.delay_ms = limits.delay_on_step_ms(used.delay_ms);
        }
    }
    over_ms
}

/// What the two sides have in common must meet in one phase: every output of either sum passes through the all-passes of
/// all outputs, its own by nature and the others by the processor, where it has any; and the top of each is upright.
fn turn_alike(heard: &Explained, plans: &mut [Named], limits: &Limits) {
    let model = |output: usize| &heard.found[output].model;
    let mut used: Vec<usize> = plans.iter().flat_map(|it| it.1.uses.iter().map(|used| used.output)).collect();
    used.sort_unstable();
    used.dedup();
    for (_, plan, _) in plans.iter_mut().filter(|it| it.2) {
        let upright = plan.uses.last().is_none_or(|top| top.invert == model(top.output).inverted);
        for part in &mut plan.uses {
            part.invert ^= !upright;
            if !limits.kinds.contains(&SectionKind::AllPass) {
                continue;
            }
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
