//! FIR taps after the bands, for every channel at once.

use audio::rig::Watch;
use dsp::correct::{left_alone, trust};
use dsp::limits::Limits;
use dsp::system::{Tapped, taps as taps_for};
use dsp::target::Target;
use dsp::tune::Tune;
use garage::Reason;

use super::align::refresh;
use super::predict::{Scope, predict};
use super::propose::heard_band;
use super::system::{aim_of, scenes, seats_as_system};
use crate::cabin::CabinCurves;
use crate::error::JobError;

/// Works out taps for what the bands of `tune` leave, or takes them out where they are not worth loading.
///
/// What is left alone on the sum of a side stays so, and what is not known well is corrected in part. Nothing comes of it
/// where the limits have too few taps, or where taps would come no nearer by 0.05 dB.
///
/// # Errors
/// No takes; a tune with a filter that cannot be.
pub fn tap(
    cabin: &CabinCurves,
    tune: &Tune,
    target: &Target,
    limits: &Limits,
) -> Result<Option<Tapped>, JobError> {
    tap_seats(&[(cabin, 1.0)], tune, target, limits, &Watch::default())
}

/// The same for several seats, each with its weight; stopped by the watch.
pub(super) fn tap_seats(
    seats: &[(&CabinCurves, f64)],
    tune: &Tune,
    target: &Target,
    limits: &Limits,
    watch: &Watch,
) -> Result<Option<Tapped>, JobError> {
    let Some((first, _)) = seats.first() else {
        return Err(JobError::not_yet("no seat was measured", "take its positions in Cabin first"));
    };
    if limits.fir_taps == 0 {
        return Ok(None);
    }
    let tune = without_taps(tune);
    let system = seats_as_system(seats);
    let aim = aim_of(first, target, seats.len());
    let mut trusted = Vec::new();
    for (seat, _) in seats {
        for (side, _) in scenes(first) {
            trusted.push(trust_in(seat, &tune, &Scope::Side(side), target, limits, &aim.frequency_hz)?);
        }
    }
    let made = taps_for(&system, &aim, &trusted, &tune, limits, &|| !watch.stopping());
    if watch.stopping() {
        return Err(JobError::Stopped);
    }
    let Some(mut made) = made else { return Ok(None) };
    refresh(&mut made.tune)?;
    Ok(Some(made))
}

/// The tune with no taps in it; channels stay aligned, because all taps of a tune delay alike.
pub fn without_taps(tune: &Tune) -> Tune {
    let mut without = tune.clone();
    without.channels.iter_mut().for_each(|channel| channel.fir = None);
    without
}

/// True where a tune has taps.
pub fn has_taps(tune: &Tune) -> bool {
    tune.channels.iter().any(|channel| channel.fir.is_some())
}

/// What is said where taps would not come near enough.
pub const NO_TAPS: &str =
    "Taps would come less than 0.05 dB nearer to the target than the bands do: none were made.";

/// How much of a scope's distance from the target to correct, at each frequency.
fn trust_in(
    cabin: &CabinCurves,
    tune: &Tune,
    scope: &Scope,
    target: &Target,
    limits: &Limits,
    hz: &[f64],
) -> Result<Vec<f64>, JobError> {
    let curve = predict(cabin, tune, scope)?.average;
    let ends = curve.frequency_hz.first().zip(curve.frequency_hz.last());
    let (low_hz, high_hz) = heard_band(cabin, scope);
    let (from_hz, to_hz) = ends.map_or((low_hz, high_hz), |(a, b)| (low_hz.max(*a), high_hz.min(*b)));
    // A band too short to say anything about is left.
    let Ok(regions) = left_alone(&curve, target, limits, from_hz, to_hz) else {
        return Ok(vec![0.0; hz.len()]);
    };
    let at = |f: &f64| {
        let left = regions.iter().any(|it| (it.from_hz..=it.to_hz).contains(f));
        if left { 0.0 } else { trust(curve.spread_at_db(*f).unwrap_or(0.0)) }
    };
    Ok(hz.iter().map(at).collect())
}

/// What taps do, in a sentence.
pub fn reason(tapped: &Tapped) -> Reason {
    let Tapped { before_db, after_db, latency_ms, pre_ringing_db, used, .. } = tapped;
    let count = used.len();
    let channels = if count == 1 { "one channel".to_owned() } else { format!("{count} channels") };
    let mut words = format!(
        "Taps in {channels}, after the bands, bring the expected distance from the target from {before_db:.2} to \
         {after_db:.2} dB."
    );
    if *latency_ms > 0.0 {
        words.push_str(&format!(
            " All channels come {latency_ms:.2} ms later, alike, so they stay aligned: load a file for every channel."
        ));
    }
    if pre_ringing_db.is_finite() {
        words.push_str(&format!(
            " What rings ahead of the sound is {:.0} dB below it or less.",
            -pre_ringing_db.ceil()
        ));
    }
    Reason { subject: "taps".into(), words }
}
