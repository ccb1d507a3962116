//! Predictions quick enough to follow a number while it is typed.

use dsp::curve::Curve;
use dsp::target::Target;
use dsp::tune::Tune;
use job::voicing::{self, Scope};

use super::Curves;
use crate::state::ScopeView;

/// A prediction and its distance from the target.
pub struct Predicted {
    /// Averaged over positions, with its interval.
    pub curve: Curve,
    /// Distance from the target with the half-width of its interval.
    pub error: Option<(f64, Option<f64>)>,
    /// Level of the target's zero line on the curve's scale.
    pub target_level_db: f64,
}

/// What `tune` makes of `scope`; a sentence when nothing can be said.
pub fn predict(
    curves: &Curves,
    tune: &Tune,
    scope: &ScopeView,
    target: Option<&Target>,
) -> Result<Predicted, String> {
    let scope = scope_of(scope);
    let made = voicing::predict(curves, tune, &scope).map_err(|fault| fault.to_string())?;
    let (from_hz, to_hz) = voicing::heard_band(curves, &scope);
    let error = target.and_then(|target| {
        voicing::target_error(&made.positions, voicing::average_of, target, from_hz, to_hz)
    });
    Ok(Predicted {
        curve: within(&made.average, from_hz, to_hz),
        error: error.map(|error| (error.value, error.half_width_95)),
        target_level_db: error.map_or(0.0, |error| error.target_level_db),
    })
}

/// The part of a curve that rests on takes; beyond the speakers' bands there is nothing to show.
pub fn within(curve: &Curve, from_hz: f64, to_hz: f64) -> Curve {
    let inside = |hz: &f64| (from_hz..=to_hz).contains(hz);
    let kept = |values: &Vec<f64>| -> Vec<f64> {
        let pairs = curve.frequency_hz.iter().zip(values);
        pairs.filter(|(hz, _)| inside(hz)).map(|(_, value)| *value).collect()
    };
    Curve {
        frequency_hz: kept(&curve.frequency_hz),
        level_db: kept(&curve.level_db),
        phase_deg: None,
        spread_db: curve.spread_db.as_ref().map(kept),
        snr_db: None,
    }
}

/// The job's word for what is on the screen.
pub fn scope_of(scope: &ScopeView) -> Scope {
    match scope {
        ScopeView::Channel(name) => Scope::Channel(name.clone()),
        ScopeView::Side(side) => Scope::Side(*side),
        ScopeView::Whole => Scope::Whole,
    }
}
