//! What a hand changes in a tune and a target, and how far it may.

use dsp::tune::{ChannelTune, Crossover, Pass, Section, SectionKind, Tune};

use crate::commands::{TargetEdit, TuneEdit};
use crate::state::State;

/// A high-pass never goes below the frequency under which its speaker would be hurt.
pub(super) fn safe(state: &State, edit: TuneEdit) -> TuneEdit {
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

pub(super) fn change(tune: &mut Tune, edit: TuneEdit) {
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
pub(super) fn shape(state: &mut State, edit: TargetEdit) {
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
    use super::super::handle;
    use super::*;
    use crate::apply::{apply, intake};
    use crate::house;
    use crate::state::Leaf;

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
        intake::apply(
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
        apply(crate::commands::Command::Undo, &mut state);
        assert_eq!(at(&state), 3100.0, "one drag is one step");
    }
}
