//! The analysis's worker: curves, proposals, the proof, the report.

use std::path::Path;
use std::sync::Arc;

use audio::rig::Watch;
use dsp::curve::{Curve, log_grid_hz};
use dsp::filter::ChannelFilter;
use dsp::tune::Tune;
use garage::{Reason, VisitFolder};
use job::voicing::Wish;
use job::{JobError, WorkClock, cabin, factory, handover, source, voicing};

use super::predict::scope_of;
use super::{Curves, Event, Mouth, Think, ThinkOrder, Tuned, Worker, one_line};
use crate::state::{ByHand, ChannelView, CurveAt, Said, ScopeView, Sheet};

/// The worker.
pub struct Analysis;

impl Worker for Analysis {
    type Order = ThinkOrder;

    fn work(&mut self, order: ThinkOrder, mouth: &Mouth) {
        let event = match act(order) {
            Ok(event) => event,
            Err(JobError::Stopped) => Event::Stopped,
            Err(fault) => Event::Failed(one_line(&fault.to_string())),
        };
        mouth.say(event);
    }
}

fn act(order: ThinkOrder) -> Result<Event, JobError> {
    let watch = &*order.watch;
    match order.what {
        Think::Curves => curves(&order.visit, watch),
        Think::WorkOut => {
            let folder = VisitFolder::open(&order.visit)?;
            let found = source::work_out(&folder, &mut WorkClock::System, watch)?;
            let said = found.remarks.first().cloned().unwrap_or_else(|| "worked out".into());
            Ok(Event::Ready(format!("source: {said}")))
        }
        Think::Recordings(recordings) => {
            let worked = factory::work_out(&recordings, &mut |_| {})?;
            let folder = VisitFolder::open(&order.visit)?;
            let found = factory::keep(&folder, &mut WorkClock::System, worked)?;
            let count = found.result.outputs.len();
            Ok(Event::Ready(format!("source: {count} outputs are worked out")))
        }
        Think::Undo(way) => {
            let folder = VisitFolder::open(&order.visit)?;
            factory::choose(&folder, &mut WorkClock::System, way)?;
            Ok(Event::Ready(format!("source: the factory is undone by {} now", way.words())))
        }
        Think::KeepPlan { signal, plan } => {
            let folder = VisitFolder::open(&order.visit)?;
            factory::keep_plan(&folder, &mut WorkClock::System, &signal, plan)?;
            Ok(Event::Ready("source: the plan is kept, and the undoing worked out again for it".into()))
        }
        Think::Rework { number, finding, undo, limits, signal, plan } => {
            let made = factory::rework(&finding, undo.as_deref(), limits.as_deref(), &signal, plan);
            let of_limits = limits.map(|limits| limits.sample_rate_hz);
            let rate_hz = undo.map(|undo| undo.sample_rate_hz).or(of_limits).unwrap_or(48_000.0);
            Ok(Event::Reworked { number, made: made.ok().and_then(|made| by_hand(made, rate_hz)) })
        }
        Think::SetUp { curves, sheet, tune, keep } => set_up(&curves, &sheet, tune.map(|tune| *tune), keep),
        Think::Align { curves, sheet, tune } => align(&curves, &sheet, tune.map(|tune| *tune)),
        Think::Propose { curves, sheet, tune, scope } => propose(&curves, &sheet, &tune, &scope),
        Think::Taps { curves, sheet, tune } => taps(&curves, &sheet, &tune),
        Think::Seats { curves, other, weight, sheet } => {
            seats(&order.visit, &curves, &other, weight, &sheet, watch)
        }
        Think::Join { curves, sheet, tune } => join(&curves, &sheet, &tune),
        Think::ReachSlopes { curves, sheet, tune } => reach_slopes(&curves, &sheet, &tune),
        Think::Follow { number, curves, sheet, tune, taps } => {
            Ok(follow(number, &curves, &sheet, &tune, taps.then_some(watch)))
        }
        Think::Prove(number) => {
            let folder = VisitFolder::open(&order.visit)?;
            let proved = handover::prove(&folder, &mut WorkClock::System, number, watch)?;
            let said = proved.remarks.first().cloned().unwrap_or_else(|| "worked out".into());
            Ok(Event::Ready(format!("proof: {said}")))
        }
        Think::Report(path) => report(&order.visit, &path),
    }
}

/// Whatever goes wrong here is said when the plan is kept.
fn by_hand(made: factory::Reworked, rate_hz: f64) -> Option<ByHand> {
    let grid = log_grid_hz(20.0, 20_000.0, 24.0);
    let filter = ChannelFilter::new(&made.undo, rate_hz).ok()?;
    let levels = filter.levels_db(&grid);
    Some(ByHand {
        expected: made.sum.predicted?.into(),
        undo: Curve::of_levels(grid, levels).into(),
        off_db: made.sum.flatness?.rms_db_after,
    })
}

fn curves(visit: &Path, watch: &Watch) -> Result<Event, JobError> {
    let folder = VisitFolder::open(visit)?;
    let has_takes = folder.takes()?.found.iter().any(|take| take.kind == garage::TakeKind::Cabin);
    if !has_takes {
        return Ok(Event::Curves(Arc::default(), Vec::new(), Vec::new()));
    }
    let found = cabin::curves(&folder, watch)?;
    let views = found
        .result
        .channels
        .iter()
        .map(|channel| ChannelView {
            name: channel.name.clone(),
            average: Arc::new(channel.average.clone()),
            positions: channel
                .positions
                .iter()
                .map(|at| CurveAt {
                    position: at.position.clone(),
                    curve: Arc::new(at.curve.clone()),
                    disagrees: at.disagrees.clone(),
                })
                .collect(),
        })
        .collect();
    Ok(Event::Curves(Arc::new(found.result), views, found.remarks))
}

fn set_up(curves: &Curves, sheet: &Sheet, tune: Option<Tune>, keep: bool) -> Result<Event, JobError> {
    let (target, limits) = needs(sheet)?;
    let temperature_c = sheet.conditions.temperature_c;
    let wish = match tune {
        Some(tune) if keep => Wish { temperature_c, crossovers_of: Some(tune), ..Wish::default() },
        slopes_of => Wish { temperature_c, slopes_of, ..Wish::default() },
    };
    let made = voicing::set_up(curves, &sheet.channels, target, limits, &wish)?;
    let (made, remarks) = (made.result, made.remarks);
    let mut said = said(made.reasons);
    said.extend(doubts(remarks));
    // Crossovers that were kept can still be held against the advice.
    let advice = if made.crossovers.is_empty() {
        voicing::propose_crossovers(curves, &sheet.channels, limits).result
    } else {
        made.crossovers
    };
    let advice = Some(advice);
    let (left_alone, joints) = (Some(made.left_alone), Some(made.joints));
    Ok(tuned(Tuned { tune: made.tune, said, left_alone, joints, advice, seats: None }))
}

fn align(curves: &Curves, sheet: &Sheet, tune: Option<Tune>) -> Result<Event, JobError> {
    let (target, limits) = needs(sheet)?;
    let tune = match tune {
        Some(tune) => tune,
        None => voicing::start_tune(&sheet.channels, limits)?,
    };
    let aligned = voicing::align(curves, &tune, limits, sheet.conditions.temperature_c)?;
    let levelled = voicing::set_levels(curves, &aligned.result.tune, target, limits)?;
    let mut said = said(aligned.result.reasons);
    said.extend(self::said(levelled.result.reasons));
    said.extend(doubts(aligned.remarks.into_iter().chain(levelled.remarks)));
    Ok(tuned(Tuned { tune: levelled.result.tune, said, ..Tuned::default() }))
}

fn propose(curves: &Curves, sheet: &Sheet, tune: &Tune, scope: &ScopeView) -> Result<Event, JobError> {
    let (target, limits) = needs(sheet)?;
    let proposed = voicing::propose(curves, &scope_of(scope), tune, target, limits)?;
    let mut said = said(proposed.result.reasons);
    said.extend(doubts(proposed.remarks));
    let left_alone = Some(proposed.result.left_alone);
    Ok(tuned(Tuned { tune: proposed.result.tune, said, left_alone, ..Tuned::default() }))
}

fn taps(curves: &Curves, sheet: &Sheet, tune: &Tune) -> Result<Event, JobError> {
    let (target, limits) = needs(sheet)?;
    let (tune, said) = match voicing::tap(curves, tune, target, limits)? {
        Some(tapped) => (tapped.tune.clone(), said(vec![voicing::taps_reason(&tapped)])),
        None => (voicing::without_taps(tune), doubts([voicing::NO_TAPS.to_owned()])),
    };
    Ok(tuned(Tuned { tune, said, ..Tuned::default() }))
}

fn reach_slopes(curves: &Curves, sheet: &Sheet, tune: &Tune) -> Result<Event, JobError> {
    let (target, limits) = needs(sheet)?;
    let reached = voicing::reach_slopes(curves, &sheet.channels, tune, target, limits)?;
    let mut said = said(reached.result.reasons);
    said.extend(doubts(reached.remarks));
    Ok(tuned(Tuned { tune: reached.result.tune, said, ..Tuned::default() }))
}

fn join(curves: &Curves, sheet: &Sheet, tune: &Tune) -> Result<Event, JobError> {
    let (target, limits) = needs(sheet)?;
    let joined = voicing::join_again(curves, &sheet.channels, tune, target, limits)?;
    let mut said = said(joined.result.reasons);
    said.extend(doubts(joined.remarks));
    let joints = Some(joined.result.joints);
    Ok(tuned(Tuned { tune: joined.result.tune, said, joints, ..Tuned::default() }))
}

fn seats(
    visit: &Path,
    curves: &Curves,
    other: &Path,
    weight: f64,
    sheet: &Sheet,
    watch: &Watch,
) -> Result<Event, JobError> {
    let (target, limits) = needs(sheet)?;
    let other = voicing::curves_at_other_seat(&VisitFolder::open(visit)?, other, watch)?;
    let wish = Wish { temperature_c: sheet.conditions.temperature_c, ..Wish::default() };
    let made = voicing::two_seats(curves, &other.result, &sheet.channels, target, limits, weight, &wish)?;
    let mut said = said(made.result.reasons);
    said.extend(doubts(other.remarks.into_iter().map(|words| format!("Other seat: {words}"))));
    said.extend(doubts(made.remarks));
    let seats = Some((made.result.first, made.result.second));
    Ok(tuned(Tuned { tune: made.result.shared, said, seats, ..Tuned::default() }))
}

/// Whatever goes wrong here is said when a correction is asked for by name. With a watch taps are made too.
fn follow(number: u64, curves: &Curves, sheet: &Sheet, tune: &Tune, taps: Option<&Watch>) -> Event {
    let made = needs(sheet).and_then(|(target, limits)| match taps {
        Some(watch) => voicing::propose_with_taps(curves, tune, target, limits, watch),
        None => voicing::propose_quickly(curves, &voicing::Scope::Whole, tune, target, limits),
    });
    match made {
        Ok(made) => {
            let said = made.result.reasons.into_iter().find(|it| it.subject == "taps" && taps.is_some());
            Event::Followed {
                number,
                tune: Some(Box::new(made.result.tune)),
                left_alone: made.result.left_alone,
                taps: said.map(|it| it.words),
            }
        }
        Err(_) => Event::Followed { number, tune: None, left_alone: Vec::new(), taps: None },
    }
}

fn tuned(made: Tuned) -> Event {
    Event::Tuned(Box::new(made))
}

fn needs(sheet: &Sheet) -> Result<(&dsp::target::Target, &dsp::limits::Limits), JobError> {
    let target = sheet.target.as_ref();
    let target = target.ok_or_else(|| JobError::not_yet("there is no target", "choose one in Intake"))?;
    let limits = sheet.limits.as_ref();
    let limits = limits
        .ok_or_else(|| JobError::not_yet("the processor's limits are not known", "choose them in Intake"))?;
    Ok((target, limits))
}

fn said(reasons: Vec<Reason>) -> Vec<Said> {
    reasons.into_iter().map(|reason| Said { subject: reason.subject, words: reason.words }).collect()
}

fn doubts(remarks: impl IntoIterator<Item = String>) -> Vec<Said> {
    remarks.into_iter().map(|words| Said { subject: "doubt".into(), words }).collect()
}

fn report(visit: &Path, path: &Path) -> Result<Event, JobError> {
    let document = report::gather(visit)?;
    report::write_pdf(&document, path).map_err(|fault| JobError::Input(fault.to_string()))?;
    Ok(Event::Report(path.to_owned()))
}
