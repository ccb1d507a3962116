//! The crossovers of a channel: the filter, the driver as measured, what comes of both, and the slope it should have.

use std::sync::Arc;

use dsp::curve::{Curve, log_grid_hz};
use dsp::filter::{ChannelFilter, stages_of};
use dsp::limits::Limits;
use dsp::tune::{ChannelTune, Crossover, CrossoverFamily, Pass};
use eframe::egui::{Label, Ui};
use garage::Channel;

use super::{listed, slope};
use crate::board::{Board, Handle, Ink, Trace, frequency_words};
use crate::commands::{Command, TuneEdit, VoicingCommand};
use crate::state::State;
use crate::theme::{GRID, Size, plain, tokens};
use crate::widgets::{Mark, action, figure, hint, pick_small, remark};

/// Fourth order by common practice, no source.
const USUAL_ORDER: u8 = 4;
/// The result is on its slope while it keeps within this.
const NEAR_DB: f64 = 2.0;

/// The crossover that the board's ring `index` belongs to, and its channel.
pub fn crossover_at(state: &State, index: usize) -> Option<(String, Crossover)> {
    let channel = listed(state)?;
    Some((channel.name.clone(), *channel.crossovers.get(index)?))
}

/// Driver, filter, both, and the ideal slope as a corridor; 0 dB is the level between the crossovers.
pub fn board(state: &State) -> Option<Board> {
    let channel = listed(state)?;
    let rate_hz = state.draft.tune.as_ref()?.sample_rate_hz;
    let measured = state.cabin.channels.iter().find(|c| c.name == channel.name)?;
    let only = ChannelTune { crossovers: channel.crossovers.clone(), ..ChannelTune::default() };
    let filter = ChannelFilter::new(&only, rate_hz).ok()?;
    let whole = ChannelFilter::new(channel, rate_hz).ok()?;
    let result = whole.predict(&measured.average);
    let grid = log_grid_hz(20.0, 20_000.0, 24.0);
    let electrical = Curve::of_levels(grid.clone(), filter.levels_db(&grid));
    // Driver and filter together should follow the slope that was chosen, or else do what the filter alone does: then the
    // two sides of a crossover add up as its family does.
    let asked = ChannelTune { crossovers: channel.slopes(), ..ChannelTune::default() };
    let ideal = Curve::of_levels(grid.clone(), ChannelFilter::new(&asked, rate_hz).ok()?.levels_db(&grid));
    let inside = between(&channel.slopes());
    let trace = |name: &str, ink, curve: Curve, shift_db| Trace {
        name: name.into(),
        ink,
        curve: Arc::new(curve),
        shift_db,
    };
    let (driver_db, result_db) = (level_within(&measured.average, inside), level_within(&result, inside));
    Some(Board {
        traces: vec![
            trace("driver", Ink::Before, (*measured.average).clone(), -driver_db),
            trace("filter", Ink::Chosen, electrical, 0.0),
            trace("result", Ink::Predicted, result, -result_db),
        ],
        target: Some(Arc::new(ideal)),
        tolerance_db: NEAR_DB,
        handles: channel.crossovers.iter().map(handle).collect(),
        unit: "dB",
        simulated: state.is_simulated(),
        ..Board::default()
    })
}

/// Where the filter itself stands at its frequency.
fn handle(crossover: &Crossover) -> Handle {
    let level_db = if crossover.family == CrossoverFamily::LinkwitzRiley { -6.0 } else { -3.0 };
    Handle { frequency_hz: crossover.frequency_hz, level_db }
}

/// Half an octave inside the crossovers, where neither bends the level by much.
fn between(crossovers: &[Crossover]) -> (f64, f64) {
    let mut band = (20.0_f64, 20_000.0_f64);
    for crossover in crossovers {
        match crossover.pass {
            Pass::High => band.0 = band.0.max(1.4 * crossover.frequency_hz),
            Pass::Low => band.1 = band.1.min(crossover.frequency_hz / 1.4),
        }
    }
    if band.0 < band.1 { band } else { ((band.0 * band.1).sqrt() / 1.2, (band.0 * band.1).sqrt() * 1.2) }
}

fn level_within(curve: &Curve, (from_hz, to_hz): (f64, f64)) -> f64 {
    let inside = curve
        .frequency_hz
        .iter()
        .zip(&curve.level_db)
        .filter(|(hz, db)| (from_hz..=to_hz).contains(*hz) && db.is_finite());
    let (sum, count) = inside.fold((0.0, 0_usize), |(sum, count), (_, db)| (sum + db, count + 1));
    sum / count.max(1) as f64
}

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    ui.spacing_mut().item_spacing.y = 2.0 * GRID;
    let Some(channel) = listed(state) else { return };
    let limits = state.draft.sheet.limits.as_ref();
    for (index, crossover) in channel.crossovers.iter().enumerate() {
        one(ui, limits, channel, index, crossover, out);
        slope::show(ui, state, channel, crossover.pass, out);
    }
    ui.horizontal_wrapped(|ui| {
        for pass in [Pass::High, Pass::Low] {
            if channel.crossovers.iter().all(|c| c.pass != pass) {
                let first = first_crossover(state, channel, pass);
                let room = limits.is_none_or(|it| it.bands_of_crossovers(&[first]) <= it.bands_left(channel));
                let edit = TuneEdit::AddCrossover(channel.name.clone(), first);
                action(ui, Command::Voicing(VoicingCommand::Edit(edit)), room, out);
            }
        }
        let chosen = state.draft.tune.iter().flat_map(|it| &it.channels).any(|it| !it.acoustic.is_empty());
        if chosen {
            let ready = !state.cabin.channels.is_empty() && !state.is_busy();
            action(ui, Command::Voicing(VoicingCommand::ReachSlopes), ready, out);
        }
        let ready = !state.cabin.channels.is_empty() && !state.is_busy();
        action(ui, Command::Voicing(VoicingCommand::SetUpAgain), ready, out);
        let advice = state.voicing.advice.iter().find(|a| a.channel == channel.name);
        if let Some(advice) = advice.filter(|a| a.crossovers != channel.crossovers) {
            let edit = TuneEdit::Crossovers(channel.name.clone(), advice.crossovers.clone());
            action(ui, Command::Voicing(VoicingCommand::Edit(edit)), true, out);
        }
    });
    let map = &state.draft.sheet.channels.channels;
    if let Some(words) = map.iter().find(|c| c.name == channel.name).and_then(|c| danger(c, channel)) {
        remark(ui, Mark::Again, &words);
    }
    match state.voicing.advice.iter().find(|a| a.channel == channel.name) {
        Some(advice) => {
            ui.add(Label::new(plain(&advice.sentence, Size::Body, tokens(ui).ink)).wrap());
            let mut facts =
                vec![format!("Its cone beams from {}", frequency_words(advice.beams_from_hz.round()))];
            facts.extend(
                advice
                    .clean_from_hz
                    .map(|hz| format!("under 3 % distortion from {}", frequency_words(hz.round()))),
            );
            facts.extend(advice.safe_from_hz.map(|hz| format!("nothing below {}", frequency_words(hz))));
            hint(ui, &format!("{}.", facts.join(", ")));
        }
        None => hint(ui, "Set it up, and the advice for this channel stands here."),
    }
    hint(
        ui,
        "Drag the rings, or type. Dashed: the driver. Solid: the filter. Dotted: both together. The corridor is the slope both together should follow: that of the filter, unless you choose another.",
    );
    if let Some(limits) = limits {
        hint(ui, &bands_words(limits, channel));
    }
}

/// Where a crossover begins: at the advice, or else at the end of the speaker's safe band.
fn first_crossover(state: &State, tune: &ChannelTune, pass: Pass) -> Crossover {
    let advice = state.voicing.advice.iter().find(|a| a.channel == tune.name);
    if let Some(advised) = advice.and_then(|a| a.crossovers.iter().find(|c| c.pass == pass)) {
        return *advised;
    }
    let map = &state.draft.sheet.channels.channels;
    let band_hz = map.iter().find(|c| c.name == tune.name).map_or((20.0, 20_000.0), |c| c.safe_band_hz);
    let usable_hz = advice.map_or(band_hz, |a| a.usable_hz);
    let frequency_hz = match pass {
        Pass::High => band_hz.0.max(usable_hz.0),
        Pass::Low => band_hz.1.min(usable_hz.1),
    };
    let limits = state.draft.sheet.limits.as_ref();
    let (family, order) = limits.map_or((CrossoverFamily::LinkwitzRiley, USUAL_ORDER), |it| {
        it.crossover_within(USUAL_ORDER, it.bands_left(tune))
    });
    Crossover { pass, family, order, frequency_hz }
}

/// What crossovers cost, in words.
fn bands_words(limits: &Limits, channel: &ChannelTune) -> String {
    if limits.crossovers_take_bands {
        format!(
            "This processor builds crossovers from its bands: they take {} of {}.",
            limits.bands_of_crossovers(&channel.crossovers),
            limits.bands
        )
    } else {
        "This processor has filters of their own for crossovers: they take no bands.".to_owned()
    }
}

/// The orders of `family` that the processor has and that fit beside what the channel has, `own` given up.
fn orders(
    limits: Option<&Limits>,
    family: CrossoverFamily,
    channel: &ChannelTune,
    own: &Crossover,
) -> Vec<u8> {
    let Some(limits) = limits else { return every_order(family) };
    let room = limits.bands_left(channel) + limits.bands_of_crossovers(&[*own]);
    let fits = |order: &u8| !limits.crossovers_take_bands || stages_of(family, *order) <= room;
    limits.crossover_orders(family).into_iter().filter(fits).collect()
}

fn one(
    ui: &mut Ui,
    limits: Option<&Limits>,
    channel: &ChannelTune,
    index: usize,
    crossover: &Crossover,
    out: &mut Vec<Command>,
) {
    let t = tokens(ui);
    let name = &channel.name;
    let word = if crossover.pass == Pass::High { "High-pass" } else { "Low-pass" };
    let of = |what: &str| format!("{what} of {} of {name}", word.to_lowercase());
    let mut new = *crossover;
    ui.horizontal(|ui| {
        ui.add_sized([76.0, 20.0], Label::new(plain(word, Size::Body, t.quiet)));
        figure(ui, &of("Frequency"), &mut new.frequency_hz, "Hz", 10.0..=20_000.0, 0, 120.0);
        let orders = |family| orders(limits, family, channel, crossover);
        let families: Vec<CrossoverFamily> =
            CrossoverFamily::ALL.into_iter().filter(|family| !orders(*family).is_empty()).collect();
        let words: Vec<String> = families.iter().map(ToString::to_string).collect();
        let picked = pick_small(ui, &of("Shape"), &crossover.family.to_string(), &words, 136.0);
        if let Some(family) = picked.and_then(|i| families.get(i)) {
            new.family = *family;
            let nearest = orders(*family).into_iter().min_by_key(|order| order.abs_diff(new.order));
            new.order = nearest.unwrap_or(new.order);
        }
        let orders = orders(crossover.family);
        let slopes: Vec<String> = orders.iter().map(|order| slope_words(*order)).collect();
        let picked = pick_small(ui, &of("Slope"), &slope_words(crossover.order), &slopes, 112.0);
        if let Some(order) = picked.and_then(|i| orders.get(i)) {
            new.order = *order;
        }
        let remove = TuneEdit::RemoveCrossover(name.clone(), index);
        action(ui, Command::Voicing(VoicingCommand::Edit(remove)), true, out).accessible_name(of("Remove"));
    });
    if new != *crossover {
        out.push(Command::Voicing(VoicingCommand::Edit(TuneEdit::Crossover(name.clone(), index, new))));
    }
}

pub(super) fn slope_words(order: u8) -> String {
    format!("{} dB/oct", 6 * u32::from(order))
}

pub(super) fn every_order(family: CrossoverFamily) -> Vec<u8> {
    match family {
        CrossoverFamily::LinkwitzRiley => vec![2, 4, 6, 8],
        CrossoverFamily::Butterworth | CrossoverFamily::Bessel => (1..=8).collect(),
    }
}

/// What a protected speaker would suffer with these crossovers.
fn danger(channel: &Channel, tune: &ChannelTune) -> Option<String> {
    let safe_hz = channel.safe_frequency_hz?;
    let words = match tune.crossovers.iter().find(|c| c.pass == Pass::High) {
        None => "it has no high-pass".to_owned(),
        Some(high) if high.frequency_hz < safe_hz => {
            format!("its high-pass is at {}", frequency_words(high.frequency_hz))
        }
        Some(_) => return None,
    };
    Some(format!("{}: {words}, and it may be hurt below {}.", channel.name, frequency_words(safe_hz)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tweeter_without_a_high_pass_is_named() {
        let channel: Channel = serde_json::from_value(serde_json::json!({
            "name": "tweeter", "output": 1, "role": "tweeter", "side": "left", "place": "front",
            "safe_band_hz": [3000.0, 20000.0], "safe_frequency_hz": 2500.0
        }))
        .unwrap();
        let mut tune = ChannelTune::default();
        assert!(danger(&channel, &tune).unwrap().contains("no high-pass"));
        let high = Crossover {
            pass: Pass::High,
            family: CrossoverFamily::LinkwitzRiley,
            order: 4,
            frequency_hz: 2000.0,
        };
        tune.crossovers = vec![high];
        assert!(danger(&channel, &tune).unwrap().contains("at 2 kHz"));
        tune.crossovers[0].frequency_hz = 3000.0;
        assert_eq!(danger(&channel, &tune), None);
    }
}
