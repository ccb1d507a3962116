//! What a finding asks to be typed into the processor ahead of its channels.

use dsp::tune::{ChannelTune, Tune};
use garage::finding::{Combine, Finding};
use garage::{ChannelMap, Side};
use virtual_car::scenario::{AllPass, InputMix};
use virtual_car::{InputPart, InputStage, InputSum};

use super::{SIDES, Signal};
use crate::error::JobError;
use crate::workplace::Workplace;

/// A channel that plays both sides takes half of each.
const HALF_DB: f64 = -6.0;

/// Types into the virtual processor's inputs what `signal` needs: nothing, or the undoing of the visit's finding where
/// there is one. At a real processor the tuner does it.
pub(crate) fn enter(place: &Workplace, signal: Signal) -> Result<(), JobError> {
    if !place.rig.is_simulated() {
        return Ok(());
    }
    let finding = match signal {
        Signal::AsItCame => None,
        Signal::Undone => place.folder.finding()?,
    };
    let Some((finding, number)) = finding.and_then(|it| it.tune.map(|number| (it, number))) else {
        return place.rig.enter_undo(None);
    };
    let tune = place.folder.tune(number)?.tune;
    if finding.is_joined() {
        place.rig.enter_input_stage(&input_stage(&finding, &tune, &place.folder.car().channel_map))
    } else {
        place.rig.enter_undo(Some(&tune))
    }
}

/// The sums that the channel of `side` takes, with what each goes in at.
pub(super) fn route(finding: &Finding, side: Side) -> Vec<(&str, f64)> {
    let taken = SIDES.into_iter().filter(|(own, _)| side == Side::Both || *own == side);
    let gain_db = if side == Side::Both { HALF_DB } else { 0.0 };
    taken.filter(|(_, name)| finding.sum(name).is_some()).map(|(_, name)| (name, gain_db)).collect()
}

fn input_stage(finding: &Finding, tune: &Tune, map: &ChannelMap) -> InputStage {
    let sums = finding.sums.iter().map(|sum| {
        let settings = tune.channels.iter().find(|channel| channel.name == sum.name);
        InputSum {
            name: sum.name.clone(),
            parts: sum.parts.iter().map(part).collect(),
            settings: settings.cloned().unwrap_or_else(ChannelTune::default),
            tune_rate_hz: tune.sample_rate_hz,
        }
    });
    let mix = |(name, gain_db): (&str, f64)| InputMix { output: name.to_owned(), gain_db, invert: false };
    let routes = map
        .channels
        .iter()
        .map(|channel| (channel.name.clone(), route(finding, channel.side).into_iter().map(mix).collect()));
    InputStage { sums: sums.collect(), routes: routes.collect() }
}

fn part(part: &Combine) -> InputPart {
    let all_pass = |it: &dsp::factory::AllPass| AllPass {
        order: u32::from(it.order),
        frequency_hz: it.frequency_hz,
        q: it.q.unwrap_or(std::f64::consts::FRAC_1_SQRT_2),
    };
    InputPart {
        output: part.name.clone(),
        gain_db: part.gain_db,
        delay_ms: part.delay_ms,
        invert: part.invert,
        all_passes: part.all_pass.iter().map(all_pass).collect(),
        taps: part.fir.as_ref().map(|fir| fir.taps.clone()),
        taps_rate_hz: part.fir.as_ref().map_or(0.0, |fir| fir.rate_hz),
    }
}
