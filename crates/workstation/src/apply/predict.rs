//! The prediction follows every edit in the same frame.

use std::sync::Arc;

use dsp::tune::Tune;

use crate::state::State;
use crate::work::predict;

/// Makes the voicing board's curves and figures again from takes, draft and target.
pub fn again(state: &mut State) {
    let Some(curves) = state.curves.clone() else { return };
    super::voicing::compare(state);
    let scope = state.voicing.scope.clone();
    let tune = state.draft.tune.clone().unwrap_or_default();
    let bare = bare(&tune);
    let target = state.draft.sheet.target.as_ref();
    let page = &mut state.voicing;
    match (predict(&curves, &bare, &scope, target), predict(&curves, &tune, &scope, target)) {
        (Ok(before), Ok(after)) => {
            page.error_before = before.error;
            page.error_predicted = after.error;
            page.predicted =
                state.draft.tune.is_some().then(|| (Arc::new(after.curve), after.target_level_db));
            page.before = Some((Arc::new(before.curve), before.target_level_db));
            page.fault = None;
        }
        (Err(fault), _) | (_, Err(fault)) => page.fault = Some(fault),
    }
}

/// The tune without what voicing adds: only the crossovers that keep the speakers safe.
fn bare(tune: &Tune) -> Tune {
    let mut bare = tune.clone();
    for channel in &mut bare.channels {
        channel.gain_db = 0.0;
        channel.delay_ms = 0.0;
        channel.polarity = dsp::tune::Polarity::Normal;
        channel.sections.clear();
        channel.biquads.clear();
        channel.fir = None;
    }
    bare
}
