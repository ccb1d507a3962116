//! Bands and taps that follow a dragged target.

use std::sync::Arc;

use audio::rig::Watch;
use dsp::tune::{LeftAlone, Tune};
use job::voicing::has_taps;

use super::super::predict;
use crate::state::{Asked, Said, State};
use crate::work::{Order, Think, ThinkOrder};

/// Asks for a correction that fits the target as it is now; one at a time, the latest target last.
///
/// Bands follow the hand. Taps take several times as long: they stay, and are asked for once the bands are there for the
/// target as it stands; taps for a target that is past are stopped.
pub(super) fn follow(state: &mut State) -> Vec<Order> {
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

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use dsp::tune::{ChannelTune, Section, SectionKind};

    use super::super::apply;
    use super::*;
    use crate::commands::{TargetEdit, TuneEdit, VoicingCommand};
    use crate::house;
    use crate::state::OLD_TAPS;

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
        crate::apply::apply(crate::commands::Command::Undo, &mut state);
        assert!(state.old_taps().is_none());
    }

    #[test]
    fn an_answer_to_what_was_undone_or_typed_over_is_not_taken() {
        let gain = |state: &State| state.draft.tune.as_ref().unwrap().channels[0].sections[0].gain_db;
        let moved = VoicingCommand::Target(TargetEdit::Point(0, 20.0, 1.0));
        let mut state = dragging();
        let (number, _) = asked(&apply(moved.clone(), &mut state)).unwrap();
        crate::apply::apply(crate::commands::Command::Undo, &mut state);
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
