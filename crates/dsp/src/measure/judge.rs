//! What speaks against a measurement, in plain words, with what to do about it.

use super::deconvolve::around;
use super::facts::BandSnr;
use super::level;
use super::transfer::Transfer;
use super::window::Heard;
use crate::bands::{Band, Width};
use crate::stimulus::SweepShape;
use crate::verdict::Verdict;

/// Signal and noise of one third-octave band.
pub(super) struct JudgedBand {
    band: Band,
    level_db: f64,
    snr_db: f64,
    /// Half-width of the 95 % interval over 1/12 octave, the middle of the band's points.
    spread_db: f64,
}

/// Smoothing at which the interval is judged.
const JUDGED_PER_OCTAVE: f64 = 12.0;
/// An interval up to this is good.
const GOOD_DB: f64 = 0.7;
/// An interval beyond this is of no use for setting anything.
const USELESS_DB: f64 = 3.0;
/// Bands this far below the strongest lie outside what the channel is meant to play.
const PLAYS_WITHIN_DB: f64 = 25.0;

/// The third-octave bands of a response that is known up to `top_hz`.
pub(super) fn bands(transfer: &Transfer, shape: &SweepShape, top_hz: f64) -> Vec<JudgedBand> {
    let bands = Band::within(Width::ThirdOctave, shape.low_hz, shape.high_hz);
    let centres_hz = bands.iter().map(|band| band.exact_hz).collect();
    let whole = level::curve(transfer, centres_hz, 3.0, 0.0, top_hz);
    let grid_hz = crate::curve::log_grid_hz(shape.low_hz, top_hz, 36.0);
    let fine = level::curve(transfer, grid_hz, JUDGED_PER_OCTAVE, 0.0, top_hz);
    let (snr_db, fine_spread_db) = (whole.snr_db.unwrap_or_default(), fine.spread_db.unwrap_or_default());
    let judged = bands.into_iter().enumerate().map(|(i, band)| {
        let points = fine.frequency_hz.iter().zip(&fine_spread_db);
        let mut spreads: Vec<f64> = points
            .filter(|(hz, _)| (band.lower_hz..=band.upper_hz).contains(hz))
            .map(|(_, spread)| *spread)
            .collect();
        spreads.sort_by(f64::total_cmp);
        JudgedBand {
            band,
            level_db: whole.level_db[i],
            snr_db: snr_db.get(i).copied().unwrap_or(0.0),
            spread_db: spreads.get(spreads.len() / 2).copied().unwrap_or(0.0),
        }
    });
    judged.collect()
}

/// Phase among noise tells an arrival in bands this far above it (about 0.3 rad; set by simulation).
const TELLS_ARRIVAL_DB: f64 = 10.0;

/// From where to where an arrival is read: the measured band less its edges, as far as it is heard clearly. All of it
/// where no octave is.
pub(super) fn clear_hz(bands: &[JudgedBand], shape: &SweepShape) -> (f64, f64) {
    let (low_hz, high_hz) = (1.1 * shape.low_hz, 0.96 * shape.high_hz);
    let clear = |b: &JudgedBand| b.snr_db >= TELLS_ARRIVAL_DB;
    let (Some(first), Some(last)) = (bands.iter().position(clear), bands.iter().rposition(clear)) else {
        return (low_hz, high_hz);
    };
    let from_hz = if first == 0 { low_hz } else { bands[first].band.lower_hz };
    let to_hz = if last + 1 == bands.len() { high_hz } else { bands[last].band.upper_hz };
    if to_hz >= 2.0 * from_hz { (from_hz, to_hz) } else { (low_hz, high_hz) }
}

/// The bands' signal-to-noise ratios as the facts give them.
pub(super) fn snr(bands: &[JudgedBand]) -> Vec<BandSnr> {
    bands
        .iter()
        .map(|b| BandSnr { band_hz: b.band.nominal_hz, db: (b.snr_db * 10.0).round() / 10.0 })
        .collect()
}

/// True where the response stands above its noise in at least one band.
pub(super) fn stands_out(bands: &[JudgedBand]) -> bool {
    bands.iter().any(|b| b.snr_db > 6.0)
}

/// What noise does to the response.
pub(super) fn noise(bands: &[JudgedBand], peak_dbfs: f64) -> Option<(Verdict, String)> {
    let strongest = bands.iter().map(|b| b.level_db).fold(f64::NEG_INFINITY, f64::max);
    let played: Vec<&JudgedBand> =
        bands.iter().filter(|b| b.level_db > strongest - PLAYS_WITHIN_DB).collect();
    let poor: Vec<&&JudgedBand> = played.iter().filter(|b| b.spread_db > GOOD_DB).collect();
    let (first, last) = (poor.first()?, poor.last()?);
    let useless = played.iter().filter(|b| b.spread_db > USELESS_DB).count();
    let worst = poor.iter().map(|b| b.spread_db).fold(0.0, f64::max);
    let verdict = if 3 * useless > played.len() { Verdict::Retake } else { Verdict::Usable };
    let where_hz = if first.band == last.band {
        format!("around {} Hz", first.band.nominal_hz)
    } else {
        format!("between {:.0} and {:.0} Hz", first.band.lower_hz, last.band.upper_hz)
    };
    let advice = if peak_dbfs < -30.0 {
        "the recording is soft: turn the input up or play louder"
    } else {
        "play louder, use a longer sweep or more repeats, or wait for quiet"
    };
    let words = format!(
        "Noise leaves the level {where_hz} uncertain by up to ±{worst:.1} dB (95 %, 1/12 octave); {advice}."
    );
    Some((verdict, words))
}

/// A sound this far above the noise, over the whole band while the sweep lasts, leaves no doubt anywhere.
const CLEAR_DB: f64 = 26.0;

/// How far the sweep stands above the noise, as one hears it: power against power, before any averaging over time.
pub(super) fn loudness(
    transfer: &Transfer,
    shape: &SweepShape,
    gate_energy: f64,
) -> Option<(Verdict, String)> {
    let gate_s = gate_energy / f64::from(transfer.rate_hz);
    let (mut signal, mut noise) = (0.0, 0.0);
    let swept_hz = |t_s: f64| shape.low_hz * (shape.high_hz / shape.low_hz).powf(t_s / shape.seconds);
    let (from_hz, to_hz) =
        (1.1 * swept_hz(shape.fade_in_s), 0.9 * swept_hz(shape.seconds - shape.fade_out_s));
    for (k, (h, n)) in transfer.bins.iter().zip(&transfer.noise).enumerate() {
        let hz = k as f64 * transfer.spacing_hz;
        // Without the fades, where the sweep is weaker than its formula and noise looks stronger than it was.
        if (from_hz..=to_hz).contains(&hz) {
            let played = shape.spectrum_s(hz).powi(2);
            signal += h.norm_sqr() * played / shape.seconds;
            noise += n * played / gate_s;
        }
    }
    let snr_db = 10.0 * (signal / noise.max(f64::MIN_POSITIVE)).log10();
    (snr_db < CLEAR_DB).then(|| {
        let words = format!(
            "The sweep stands only {snr_db:.0} dB above the noise; the result holds within its interval, and {:.0} dB louder would make it sure.",
            CLEAR_DB - snr_db + 3.0
        );
        (Verdict::Usable, words)
    })
}

/// Share of a response's energy that a car, and any room, gives within 60 ms.
const COMPACT: f64 = 0.25;

/// True where the response is spread over time as no car spreads it: the recording is of another stimulus.
pub(super) fn smeared(heard: &Heard, direct: i64) -> bool {
    let rate = heard.frames_per_s;
    let frames = |seconds: f64| (seconds * rate) as i64;
    let Some((_, cyclic)) = heard.repeats.first() else { return false };
    let mean_power = |from: i64, to: i64| {
        (from..to).map(|n| around(cyclic, direct + n).powi(2)).sum::<f64>() / (to - from).max(1) as f64
    };
    // What noise there is lies as densely in the middle of the ring as anywhere.
    let middle = cyclic.len() as i64 / 2;
    let noise = mean_power(middle - frames(0.05), middle + frames(0.05));
    let energy = |from_s: f64, to_s: f64| {
        let (from, to) = (frames(from_s), frames(to_s));
        ((mean_power(from, to) - noise) * (to - from) as f64).max(0.0)
    };
    let (early, all) = (energy(-0.02, 0.06), energy(-0.1, 0.5));
    let noise_energy = noise * frames(0.6) as f64;
    // Under noise nothing can be said.
    all > noise_energy && early < COMPACT * all
}

/// Clipping of a recording within `span` samples: runs of samples that all stand at the same ceiling.
///
/// At full scale two samples in a row are enough. Below it (a limiter or an amplifier before the converter) only runs
/// that a rounded peak would not give count: the samples beside them must drop away steeply.
pub(super) fn clipped(samples: &[f64]) -> bool {
    let peak = samples.iter().fold(0.0f64, |m, x| m.max(x.abs()));
    if peak < 1e-3 {
        return false;
    }
    let ceiling = peak * (1.0 - 1e-6);
    let full_scale = (0.999..=1.0 + 1e-6).contains(&peak);
    let (mut runs, mut length) = (0usize, 0usize);
    let mut before = 0.0f64;
    for (n, x) in samples.iter().enumerate() {
        if x.abs() >= ceiling {
            if length == 0 {
                before = n.checked_sub(1).and_then(|m| samples.get(m)).map_or(0.0, |v| v.abs());
            }
            length += 1;
            continue;
        }
        let steep = peak - before.max(x.abs()) > 4.0 / 32_768.0;
        if (full_scale && length >= 2) || (length >= 3 && steep) {
            runs += 1;
        }
        length = 0;
    }
    runs >= if full_scale { 1 } else { 4 }
}
