//! Edits of tune and target; proposals.

use std::path::PathBuf;
use std::sync::Arc;

use audio::rig::Watch;
use dsp::tune::{ChannelTune, Crossover, LeftAlone, Pass, Section, SectionKind, Tune};

use job::voicing::{has_taps, without_taps};

use super::{predict, remember, save_sheet, sound, think};
use crate::commands::{TargetEdit, TuneEdit, VoicingCommand};
use crate::state::{Asked, Compared, Leaf, Notice, OLD_TAPS, Said, ScopeView, State};
use crate::work::{DiskOrder, Order, Sound, Think, ThinkOrder};

pub fn apply(command: VoicingCommand, state: &mut State) -> Vec<Order> {
    match command {
        VoicingCommand::Scope(scope) => {
            if let ScopeView::Channel(name) = &scope {
                state.voicing.channel = Some(name.clone());
            }
            state.voicing.scope = scope;
            predict::again(state);
        }
        VoicingCommand::Channel(name) => {
            // While one channel is shown, it is the one whose settings are listed.
            if matches!(state.voicing.scope, ScopeView::Channel(_)) {
                state.voicing.scope = ScopeView::Channel(name.clone());
                predict::again(state);
            }
            state.voicing.channel = Some(name);
        }
        VoicingCommand::SetUp => return set_up(state, false),
        VoicingCommand::SetUpAgain => return set_up(state, true),
        VoicingCommand::Align => return align(state),
        VoicingCommand::Join => return join(state),
        VoicingCommand::ReachSlopes => return reach_slopes(state),
        VoicingCommand::Propose => return propose(state),
        VoicingCommand::Taps(true) => return tap(state),
        VoicingCommand::Taps(false) => {
            remember(state, "taps".into());
            let_go(state);
            if let Some(without) = state.draft.tune.as_ref().map(without_taps) {
                state.draft.put(without);
            }
            state.voicing.said.retain(|it| it.subject != "taps");
            predict::again(state);
        }
        VoicingCommand::Edit(edit) => {
            remember(state, edit.field());
            let_go(state);
            let edit = safe(state, edit);
            if let Some(mut tune) = state.draft.tune.clone() {
                change(&mut tune, edit);
                state.draft.put(tune);
            }
            predict::again(state);
        }
        VoicingCommand::Turn(leaf) => turn(state, leaf),
        VoicingCommand::Compare(older, newer) => {
            state.voicing.compared = Compared { older, newer, found: None };
            compare(state);
        }
        VoicingCommand::OtherSeat(path) => state.voicing.seats.other = path,
        VoicingCommand::Weight(weight) => state.voicing.seats.weight = weight.clamp(0.0, 1.0),
        VoicingCommand::ShareSeats => return share_seats(state),
        VoicingCommand::Follow(follow) => {
            state.voicing.still = !follow;
            let_go(state);
        }
        VoicingCommand::Target(edit) => {
            let field = match edit {
                TargetEdit::Point(index, ..) => format!("target point {index}"),
                other => format!("{other:?}"),
            };
            remember(state, field);
            shape(state, edit);
            predict::again(state);
            let mut orders = save_sheet(state);
            orders.extend(follow(state));
            return orders;
        }
        VoicingCommand::Save => return save(state),
        VoicingCommand::Open(number) => open(state, number),
        VoicingCommand::Enter(number) => {
            return sound(state, Sound::EnterTune(number), format!("Entering tune {number}"), false);
        }
    }
    Vec::new()
}

/// A ring on the board was dragged: a point of the target, or a crossover of the channel that is shown.
pub fn handle(state: &mut State, index: usize, frequency_hz: f64, level_db: f64) -> Vec<Order> {
    let command = match state.voicing.leaf {
        Leaf::Crossovers => {
            let Some((name, crossover)) = crate::stages::crossover_at(state, index) else {
                return Vec::new();
            };
            VoicingCommand::Edit(TuneEdit::Crossover(name, index, Crossover { frequency_hz, ..crossover }))
        }
        _ => VoicingCommand::Target(TargetEdit::Point(index, frequency_hz, level_db)),
    };
    apply(command, state)
}

fn set_up(state: &mut State, keep: bool) -> Vec<Order> {
    let Some(curves) = state.curves.clone() else { return no_takes(state) };
    let sheet = Box::new(state.draft.sheet.clone());
    let tune = state.draft.tune.clone().map(Box::new);
    think(state, Think::SetUp { curves, sheet, tune, keep }, "Setting it up")
}

fn share_seats(state: &mut State) -> Vec<Order> {
    let Some(curves) = state.curves.clone() else { return no_takes(state) };
    let sheet = Box::new(state.draft.sheet.clone());
    let seats = &state.voicing.seats;
    let (other, weight) = (PathBuf::from(seats.other.trim()), seats.weight);
    think(state, Think::Seats { curves, other, weight, sheet }, "Sharing the tune between two seats")
}

fn align(state: &mut State) -> Vec<Order> {
    let Some(curves) = state.curves.clone() else { return no_takes(state) };
    let sheet = Box::new(state.draft.sheet.clone());
    let tune = state.draft.tune.clone().map(Box::new);
    think(state, Think::Align { curves, sheet, tune }, "Working out levels and delays")
}

fn join(state: &mut State) -> Vec<Order> {
    let Some(curves) = state.curves.clone() else { return no_takes(state) };
    let Some(tune) = state.draft.tune.clone().map(Box::new) else { return set_up(state, false) };
    let sheet = Box::new(state.draft.sheet.clone());
    think(state, Think::Join { curves, sheet, tune }, "Joining the bands")
}

fn reach_slopes(state: &mut State) -> Vec<Order> {
    let Some(curves) = state.curves.clone() else { return no_takes(state) };
    let Some(tune) = state.draft.tune.clone().map(Box::new) else { return set_up(state, false) };
    let sheet = Box::new(state.draft.sheet.clone());
    think(state, Think::ReachSlopes { curves, sheet, tune }, "Finding the filters")
}

fn propose(state: &mut State) -> Vec<Order> {
    let Some(curves) = state.curves.clone() else { return no_takes(state) };
    let Some(tune) = state.draft.tune.clone().map(Box::new) else { return set_up(state, false) };
    let sheet = Box::new(state.draft.sheet.clone());
    let scope = state.voicing.scope.clone();
    think(state, Think::Propose { curves, sheet, tune, scope }, "Working out a correction")
}

fn tap(state: &mut State) -> Vec<Order> {
    let Some(curves) = state.curves.clone() else { return no_takes(state) };
    let Some(tune) = state.draft.tune.clone().map(Box::new) else { return set_up(state, false) };
    let sheet = Box::new(state.draft.sheet.clone());
    think(state, Think::Taps { curves, sheet, tune }, "Working out the taps")
}

/// Turns to a leaf; the crossovers are looked at one channel at a time.
fn turn(state: &mut State, leaf: Leaf) {
    state.voicing.leaf = leaf;
    if leaf == Leaf::Tunes && state.voicing.compared.older.is_none() {
        let latest = state.open.as_ref().and_then(|open| open.latest_tune()).map(|t| t.record.number);
        state.voicing.compared.older = latest;
    }
    compare(state);
}

/// Holds the chosen tunes against each other.
pub fn compare(state: &mut State) {
    if state.voicing.leaf != Leaf::Tunes {
        return;
    }
    let kept = |number: Option<u32>| {
        let open = state.open.as_ref()?;
        open.tunes.iter().find(|t| Some(t.record.number) == number).map(|t| &t.tune)
    };
    let pair = &state.voicing.compared;
    let newer = if pair.newer.is_some() { kept(pair.newer) } else { state.draft.tune.as_ref() };
    let found = kept(pair.older).zip(newer).map(|(older, newer)| job::voicing::compare(older, newer));
    match found {
        Some(Err(fault)) => state.voicing.fault = Some(fault.to_string()),
        found => state.voicing.compared.found = found.and_then(Result::ok).map(Arc::new),
    }
}

/// Asks for a correction that fits the target as it is now; one at a time, the latest target last.
///
/// Bands follow the hand. Taps take several times as long: they stay, and are asked for once the bands are there for the
/// target as it stands; taps for a target that is past are stopped.
fn follow(state: &mut State) -> Vec<Order> {
    let page = &mut state.voicing;
    let Some(tune) = state.draft.tune.as_ref() else { return Vec::new() };
    let bands = tune.channels.iter().any(|c| !c.sections.is_empty());
    if page.still || state.running.is_some() || !(bands || has_taps(tune)) {
        return Vec::new();
    }
    if page.tapping.is_some() {
        let_go(state);
    } else if let Some(under_way) = &mut page.following {
        under_way.moved_on = true;
        return Vec::new();
    }
    ask(state, !bands)
}

/// Asks for bands or, with `taps`, for bands and taps.
fn ask(state: &mut State, taps: bool) -> Vec<Order> {
    let (Some(curves), Some(tune), Some(open)) = (&state.curves, &state.draft.tune, &state.open) else {
        return Vec::new();
    };
    let page = &mut state.voicing;
    page.asked += 1;
    let (number, watch) = (page.asked, Arc::new(Watch::default()));
    page.following = Some(Asked { number, moved_on: false });
    page.tapping = taps.then(|| Arc::clone(&watch));
    let (curves, tune) = (Arc::clone(curves), Box::new(tune.clone()));
    let what = Think::Follow { number, curves, sheet: Box::new(state.draft.sheet.clone()), tune, taps };
    vec![Order::Think(ThinkOrder { visit: open.folder.clone(), what, watch })]
}

/// Takes in a correction that followed the target, and asks again where the target has moved on or taps are to come.
///
/// It belongs to the step that moved the target: undo takes all of it back. What was asked before a hand, an undo or another
/// proposal changed the draft is not taken.
pub fn followed(
    state: &mut State,
    number: u64,
    tune: Option<Box<Tune>>,
    left_alone: Vec<LeftAlone>,
    taps: Option<String>,
) -> Vec<Order> {
    let Some(Asked { moved_on, .. }) = state.voicing.following.take_if(|it| it.number == number) else {
        return Vec::new();
    };
    let tapped = state.voicing.tapping.take().is_some();
    let came = tune.is_some();
    if let Some(tune) = tune {
        state.draft.put(*tune);
        state.draft.taps_are_old &= !tapped;
        state.voicing.left_alone = left_alone;
        predict::again(state);
    }
    if let Some(words) = taps {
        state.voicing.said.retain(|it| it.subject != "taps");
        state.voicing.said.push(Said { subject: "taps".into(), words });
    }
    if moved_on {
        follow(state)
    } else if came && state.draft.taps_are_old && state.running.is_none() {
        ask(state, true)
    } else {
        Vec::new()
    }
}

/// The correction that is on its way is no longer wanted.
pub fn let_go(state: &mut State) {
    state.voicing.following = None;
    if let Some(watch) = state.voicing.tapping.take() {
        watch.stop();
    }
}

/// A high-pass never goes below the frequency under which its speaker would be hurt.
fn safe(state: &State, edit: TuneEdit) -> TuneEdit {
    let within = |crossover: Crossover, least_hz: f64| {
        let least_hz = if crossover.pass == Pass::High { least_hz } else { 10.0 };
        Crossover {
            frequency_hz: tidy(crossover.frequency_hz.clamp(10.0, 20_000.0)).max(least_hz),
            ..crossover
        }
    };
    let least = |name: &str| {
        let channels = &state.draft.sheet.channels.channels;
        channels.iter().find(|c| c.name == name).and_then(|c| c.safe_frequency_hz).unwrap_or(10.0)
    };
    match edit {
        TuneEdit::Crossover(name, index, crossover) => {
            let crossover = within(crossover, least(&name));
            TuneEdit::Crossover(name, index, crossover)
        }
        TuneEdit::AddCrossover(name, crossover) => {
            let crossover = within(crossover, least(&name));
            TuneEdit::AddCrossover(name, crossover)
        }
        other => other,
    }
}

fn no_takes(state: &mut State) -> Vec<Order> {
    state.notice = Some(Notice::failed("no takes yet: take the positions in Cabin first"));
    Vec::new()
}

fn save(state: &mut State) -> Vec<Order> {
    let (Some(open), Some(tune)) = (&state.open, &state.draft.tune) else { return Vec::new() };
    let mut tune = tune.clone();
    if let Err((channel, error)) = tune.refresh_biquads() {
        state.notice = Some(Notice::failed(format!("the tune cannot be kept: {channel}: {error}")));
        return Vec::new();
    }
    if let (Some((before, _)), Some((after, _))) = (state.voicing.error_before, state.voicing.error_predicted)
    {
        tune.predicted.rms_error_db_before = before;
        tune.predicted.rms_error_db_after = after;
    }
    tune.left_alone.clone_from(&state.voicing.left_alone);
    state.draft.tune = Some(tune.clone());
    let mut said = state.voicing.said.clone();
    if state.draft.taps_are_old {
        said.push(Said { subject: "taps".into(), words: OLD_TAPS.into() });
    }
    let order = DiskOrder::SaveTune {
        visit: open.folder.clone(),
        title: title(&tune, open.voiced().count() + 1),
        tune: Box::new(tune),
        said,
        based_on: open.latest_tune().map(|t| t.record.number),
    };
    vec![Order::Disk(order)]
}

fn title(tune: &Tune, number: usize) -> String {
    let filters: usize = tune.channels.iter().map(|c| c.sections.len()).sum();
    let taps = if has_taps(tune) { ", with taps" } else { "" };
    match filters {
        0 => format!("Levels and delays, step {number}"),
        n => format!("{n} filters on {} channels{taps}", tune.channels.len()),
    }
}

fn open(state: &mut State, number: u32) {
    let Some(saved) =
        state.open.as_ref().and_then(|open| open.tunes.iter().find(|t| t.record.number == number))
    else {
        return;
    };
    let tune = saved.tune.clone();
    remember(state, format!("open {number}"));
    let_go(state);
    state.editing = None;
    state.voicing.left_alone.clone_from(&tune.left_alone);
    (state.draft.tune, state.draft.taps_are_old) = (Some(tune), false);
    predict::again(state);
}

fn change(tune: &mut Tune, edit: TuneEdit) {
    let mut with = |name: &str, change: &mut dyn FnMut(&mut ChannelTune)| {
        if let Some(channel) = tune.channels.iter_mut().find(|c| c.name == name) {
            change(channel);
            // Coefficients follow from the numbers; stale ones would contradict them.
            channel.biquads.clear();
        }
    };
    match edit {
        TuneEdit::Gain(name, gain_db) => with(&name, &mut |c| c.gain_db = gain_db),
        TuneEdit::Delay(name, delay_ms) => with(&name, &mut |c| c.delay_ms = delay_ms),
        TuneEdit::Polarity(name, polarity) => with(&name, &mut |c| c.polarity = polarity),
        TuneEdit::Crossover(name, index, crossover) => with(&name, &mut |c| {
            if let Some(old) = c.crossovers.get_mut(index) {
                *old = crossover;
            }
        }),
        TuneEdit::AddCrossover(name, crossover) => with(&name, &mut |c| c.crossovers.push(crossover)),
        TuneEdit::RemoveCrossover(name, index) => with(&name, &mut |c| {
            if index < c.crossovers.len() {
                c.crossovers.remove(index);
            }
        }),
        TuneEdit::Crossovers(name, all) => with(&name, &mut |c| c.crossovers.clone_from(&all)),
        TuneEdit::Slope(edges, slope) => {
            for (name, pass) in edges {
                with(&name, &mut |c| {
                    c.acoustic.retain(|it| it.pass != pass);
                    c.acoustic.extend(slope.map(|slope| Crossover { pass, ..slope }));
                });
            }
        }
        TuneEdit::Section(name, index, section) => with(&name, &mut |c| {
            if let Some(old) = c.sections.get_mut(index) {
                *old = section;
            }
        }),
        TuneEdit::AddSection(name) => with(&name, &mut |c| {
            c.sections.push(Section {
                kind: SectionKind::Peaking,
                frequency_hz: 1000.0,
                gain_db: 0.0,
                q: 1.4,
            });
        }),
        TuneEdit::RemoveSection(name, index) => with(&name, &mut |c| {
            if index < c.sections.len() {
                c.sections.remove(index);
            }
        }),
        TuneEdit::Clear(name) => with(&name, &mut |c| c.sections.clear()),
    }
}

/// Moves a point between its neighbours, adds or removes one.
fn shape(state: &mut State, edit: TargetEdit) {
    let Some(target) = &mut state.draft.sheet.target else { return };
    let points = &mut target.points;
    match edit {
        TargetEdit::Point(index, hz, db) => {
            let least = index.checked_sub(1).and_then(|i| points.get(i)).map_or(5.0, |p| p.0 * 1.02);
            let most = points.get(index + 1).map_or(40_000.0, |p| p.0 / 1.02);
            if let Some(point) = points.get_mut(index) {
                *point = (tidy(hz.clamp(least, most.max(least))), (db * 10.0).round() / 10.0);
            }
        }
        TargetEdit::AddAfter(index) => {
            let (Some(&a), next) = (points.get(index), points.get(index + 1).copied()) else { return };
            let b = next.unwrap_or((a.0 * 2.0, a.1));
            points.insert(index + 1, (tidy((a.0 * b.0).sqrt()), (a.1 + b.1) / 2.0));
        }
        TargetEdit::Remove(index) => {
            if points.len() > 2 && index < points.len() {
                points.remove(index);
            }
        }
        TargetEdit::Tolerance(db) => target.tolerance_db = db,
    }
}

/// Three figures are enough for a frequency that a hand placed.
fn tidy(hz: f64) -> f64 {
    let unit = 10f64.powf(hz.log10().floor() - 2.0);
    (hz / unit).round() * unit
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::house;

    #[test]
    fn a_point_of_the_target_stays_between_its_neighbours() {
        let mut state = State::default();
        state.draft.sheet.target = Some(house::targets()[0].clone());
        shape(&mut state, TargetEdit::Point(1, 5000.0, 3.33));
        let points = state.draft.sheet.target.unwrap().points;
        assert!(points[1].0 < points[2].0 && points[1].1 == 3.3, "{points:?}");
    }

    #[test]
    fn an_edit_of_a_number_drops_stale_coefficients() {
        let biquad = dsp::tune::Biquad { b: [1.0, 0.0, 0.0], a: [1.0, 0.0, 0.0] };
        let channel = ChannelTune { name: "left".into(), biquads: vec![biquad], ..ChannelTune::default() };
        let mut tune = Tune { sample_rate_hz: 48_000.0, channels: vec![channel], ..Tune::default() };
        change(&mut tune, TuneEdit::AddSection("left".into()));
        assert!(tune.channels[0].biquads.is_empty() && tune.channels[0].sections.len() == 1);
    }

    #[test]
    fn a_protected_high_pass_stops_at_the_safe_frequency() {
        let mut state = State::default();
        super::super::intake::apply(
            crate::commands::IntakeCommand::Edit(crate::commands::SheetEdit::AddChannel),
            &mut state,
        );
        let channel = &mut state.draft.sheet.channels.channels[0];
        channel.safe_frequency_hz = Some(2500.0);
        let family = dsp::tune::CrossoverFamily::LinkwitzRiley;
        let crossover = Crossover { pass: Pass::High, family, order: 4, frequency_hz: 3100.0 };
        let tune =
            ChannelTune { name: channel.name.clone(), crossovers: vec![crossover], ..ChannelTune::default() };
        state.draft.tune = Some(Tune { sample_rate_hz: 48_000.0, channels: vec![tune], ..Tune::default() });
        state.voicing.leaf = Leaf::Crossovers;
        let at = |state: &State| state.draft.tune.as_ref().unwrap().channels[0].crossovers[0].frequency_hz;
        handle(&mut state, 0, 2783.4, -6.0);
        assert_eq!(at(&state), 2780.0);
        handle(&mut state, 0, 900.0, -6.0);
        assert_eq!(at(&state), 2500.0);
        super::super::apply(crate::commands::Command::Undo, &mut state);
        assert_eq!(at(&state), 3100.0, "one drag is one step");
    }

    fn dragging() -> State {
        let mut state = State::default();
        let channels =
            vec![ChannelTune { name: "left".into(), sections: vec![FILTER], ..ChannelTune::default() }];
        state.draft.tune = Some(Tune { sample_rate_hz: 48_000.0, channels, ..Tune::default() });
        state.draft.sheet.target = Some(house::targets()[0].clone());
        state.curves = Some(Arc::default());
        let visit = garage::Visit::begin("2026-03-14".parse().unwrap());
        state.open = Some(crate::state::OpenVisit {
            folder: PathBuf::from("/visit"),
            car: garage::Car::default(),
            visit,
            takes: Arc::default(),
            tunes: Arc::default(),
            proof: None,
            finding: None,
            undo: Vec::new(),
        });
        state
    }

    const FILTER: Section =
        Section { kind: SectionKind::Peaking, frequency_hz: 100.0, gain_db: -3.0, q: 1.0 };

    fn asked(orders: &[Order]) -> Option<(u64, f64)> {
        orders.iter().find_map(|order| match order {
            Order::Think(ThinkOrder { what: Think::Follow { number, sheet, .. }, .. }) => {
                Some((*number, sheet.target.as_ref()?.points[0].1))
            }
            _ => None,
        })
    }

    fn answer(gain_db: f64) -> Option<Box<Tune>> {
        let sections = vec![Section { gain_db, ..FILTER }];
        let channels = vec![ChannelTune { name: "left".into(), sections, ..ChannelTune::default() }];
        Some(Box::new(Tune { sample_rate_hz: 48_000.0, channels, ..Tune::default() }))
    }

    #[test]
    fn after_a_drag_the_newest_target_is_the_one_proposed_for() {
        let mut state = dragging();
        let drag =
            |state: &mut State, db| apply(VoicingCommand::Target(TargetEdit::Point(0, 20.0, db)), state);
        let (first, db) = asked(&drag(&mut state, 1.0)).unwrap();
        assert_eq!(db, 1.0);
        // While it is worked out the target moves on: one question at a time, the newest target last.
        assert_eq!(asked(&drag(&mut state, 2.0)), None);
        assert_eq!(asked(&drag(&mut state, 3.0)), None);
        let (second, db) = asked(&followed(&mut state, first, answer(-4.0), Vec::new(), None)).unwrap();
        assert_eq!(db, 3.0);
        assert!(asked(&followed(&mut state, second, answer(-5.0), Vec::new(), None)).is_none());
        let gain = |state: &State| state.draft.tune.as_ref().unwrap().channels[0].sections[0].gain_db;
        assert_eq!(gain(&state), -5.0);
        // What comes twice, or was asked before, is not taken.
        followed(&mut state, first, answer(-9.0), Vec::new(), None);
        assert_eq!(gain(&state), -5.0);
    }

    #[test]
    fn taps_come_once_the_bands_are_there_and_are_stopped_when_the_target_moves_on() {
        let asks_taps = |orders: &[Order]| {
            orders.iter().find_map(|order| match order {
                Order::Think(ThinkOrder { what: Think::Follow { number, taps, .. }, watch, .. }) => {
                    Some((*number, *taps, Arc::clone(watch)))
                }
                _ => None,
            })
        };
        let with_taps = |gain_db, tap| {
            let mut tune = answer(gain_db);
            tune.iter_mut().flat_map(|it| &mut it.channels).for_each(|it| it.fir = Some(vec![1.0, tap]));
            tune
        };
        let mut state = dragging();
        state.draft.tune = with_taps(-3.0, 0.1).map(|it| *it);
        let drag =
            |state: &mut State, db| apply(VoicingCommand::Target(TargetEdit::Point(0, 20.0, db)), state);
        let (bands, taps, _) = asks_taps(&drag(&mut state, 1.0)).unwrap();
        assert!(!taps && state.old_taps().is_none());
        // Bands first: the old taps stay, and it is said.
        let orders = followed(&mut state, bands, with_taps(-4.0, 0.1), Vec::new(), None);
        let (first, taps, watch) = asks_taps(&orders).unwrap();
        assert!(taps && state.old_taps().is_some_and(|words| words.contains("being made")));
        // The hand moves on: bands for the new target are wanted sooner.
        let (bands, taps, _) = asks_taps(&drag(&mut state, 2.0)).unwrap();
        assert!(!taps && watch.stopping());
        assert!(followed(&mut state, first, with_taps(-9.0, 0.9), Vec::new(), None).is_empty());
        let orders = followed(&mut state, bands, with_taps(-5.0, 0.1), Vec::new(), None);
        let (second, ..) = asks_taps(&orders).unwrap();
        let words = Some("Taps in one channel.".to_owned());
        assert!(followed(&mut state, second, with_taps(-5.5, 0.3), Vec::new(), words).is_empty());
        let channel = &state.draft.tune.as_ref().unwrap().channels[0];
        assert_eq!((channel.sections[0].gain_db, channel.fir.clone()), (-5.5, Some(vec![1.0, 0.3])));
        assert!(state.old_taps().is_none() && state.voicing.said.iter().any(|it| it.subject == "taps"));
        // A number typed by hand is said to leave the taps behind; one undo and they belong together again.
        let typed = TuneEdit::Section("left".into(), 0, Section { gain_db: -1.0, ..FILTER });
        apply(VoicingCommand::Edit(typed), &mut state);
        assert_eq!(state.old_taps(), Some(OLD_TAPS));
        super::super::apply(crate::commands::Command::Undo, &mut state);
        assert!(state.old_taps().is_none());
    }

    #[test]
    fn an_answer_to_what_was_undone_or_typed_over_is_not_taken() {
        let gain = |state: &State| state.draft.tune.as_ref().unwrap().channels[0].sections[0].gain_db;
        let moved = VoicingCommand::Target(TargetEdit::Point(0, 20.0, 1.0));
        let mut state = dragging();
        let (number, _) = asked(&apply(moved.clone(), &mut state)).unwrap();
        super::super::apply(crate::commands::Command::Undo, &mut state);
        followed(&mut state, number, answer(-9.0), Vec::new(), None);
        assert_eq!(gain(&state), -3.0);

        let mut state = dragging();
        let (number, _) = asked(&apply(moved, &mut state)).unwrap();
        let typed = TuneEdit::Section("left".into(), 0, Section { gain_db: -1.0, ..FILTER });
        apply(VoicingCommand::Edit(typed), &mut state);
        followed(&mut state, number, answer(-9.0), Vec::new(), None);
        assert_eq!(gain(&state), -1.0);
    }
}
