//! FIR taps on a joined signal, for what its bands leave.

use dsp::correct::left_alone;
use dsp::curve::log_grid_hz;
use dsp::filter::ChannelFilter;
use dsp::limits::{Limits, PreRinging};
use dsp::spectrum::{Bins, Complex};
use dsp::system::{Aim, Scene, Speaker, System, taps};
use dsp::tune::{ChannelTune, Tune};
use garage::finding::Sum;

use super::flat;
use crate::error::JobError;
use crate::voicing::fit_target;

/// A line is known bin by bin: only what no tap resolves is smoothed away.
const SMOOTHING_PER_OCTAVE: f64 = 24.0;

/// Gives `channel`, which undoes `sum` by its bands, taps for what they leave, and `sum` what is then expected of it; true
/// where there was anything worth a file.
///
/// The factory's filters have least phase, and so have those that undo them: such taps delay nothing and ring ahead of
/// nothing. They raise no frequency by more, together with the bands, than the limits' largest gain, and nothing outside
/// the band that is judged.
///
/// # Errors
/// A channel with a filter that cannot be.
pub(crate) fn tap(sum: &mut Sum, channel: &mut ChannelTune, limits: &Limits) -> Result<bool, JobError> {
    let (Some(flatness), Some(&lowest_hz), Some(&highest_hz)) =
        (&mut sum.flatness, sum.before.frequency_hz.first(), sum.before.frequency_hz.last())
    else {
        return Ok(false);
    };
    let span_hz = (flatness.from_hz, flatness.to_hz);
    let hz = Bins::standard().frequency_hz.clone();
    let level = |f: &f64| sum.before.level_at_db(f.clamp(lowest_hz, highest_hz)).unwrap_or(0.0);
    let heard = hz.iter().map(|f| Complex::from(dsp::decibel::amplitude_of(level(f)))).collect();
    let system = System {
        frequency_hz: hz,
        speakers: vec![Speaker { name: channel.name.clone(), heard: vec![vec![heard]] }],
        scenes: vec![Scene { places: 1, weight: 1.0, level: 0 }],
        smoothing_per_octave: SMOOTHING_PER_OCTAVE,
    };
    let grid = log_grid_hz(20.0, 20_000f64.min(0.45 * limits.sample_rate_hz), 48.0);
    let regions = left_alone(&sum.before, &flat(), limits, span_hz.0, span_hz.1).unwrap_or_default();
    let trusted = |f: &f64| {
        let left = regions.iter().any(|it| (it.from_hz..=it.to_hz).contains(f));
        if left { 0.0 } else { 1.0 }
    };
    let trust = vec![grid.iter().map(trusted).collect()];
    let aim = Aim { level_db: vec![0.0; grid.len()], frequency_hz: grid, spans_hz: vec![span_hz] };
    let at_once = PreRinging { longest_ms: 0.0, ..limits.pre_ringing };
    let limits = Limits { pre_ringing: at_once, ..limits.clone() };
    channel.fir = None;
    let tune =
        Tune { sample_rate_hz: limits.sample_rate_hz, channels: vec![channel.clone()], ..Tune::default() };
    let Some(made) = taps(&system, &aim, &trust, &tune, &limits, &|| true) else { return Ok(false) };
    channel.fir = made.tune.channels.into_iter().next().and_then(|it| it.fir);
    let filter = ChannelFilter::new(channel, limits.sample_rate_hz)
        .map_err(|error| JobError::Input(format!("{}: {error}", channel.name)))?;
    let predicted = filter.predict(&sum.before);
    if let Some((_, rms_db)) = fit_target(&predicted, &flat(), span_hz.0, span_hz.1) {
        flatness.rms_db_after = rms_db;
    }
    sum.predicted = Some(predicted);
    Ok(true)
}

#[cfg(test)]
mod tests {
    use super::super::plain_limits;
    use super::*;
    use dsp::curve::Curve;
    use dsp::tune::{Section, SectionKind};
    use garage::finding::Flatness;

    /// A signal bent by three bells that no band undoes yet.
    fn bent(from_hz: f64) -> Sum {
        let bell =
            |frequency_hz, gain_db, q| Section { kind: SectionKind::Peaking, frequency_hz, gain_db, q };
        let sections = vec![bell(300.0, 5.0, 2.0), bell(1_200.0, -6.0, 2.0), bell(5_000.0, -14.0, 1.5)];
        let bent = ChannelTune { sections, ..ChannelTune::default() };
        let grid = log_grid_hz(15.0, 18_000.0, 48.0);
        let levels = ChannelFilter::new(&bent, 48_000.0).unwrap().levels_db(&grid);
        let flatness = Flatness { from_hz, to_hz: 16_000.0, ..Flatness::default() };
        let before = Curve::of_levels(grid, levels);
        Sum { name: "left".into(), before, flatness: Some(flatness), ..Sum::default() }
    }

    fn gain_db(channel: &ChannelTune, hz: f64) -> f64 {
        ChannelFilter::new(channel, 48_000.0).unwrap().levels_db(&[hz])[0]
    }

    #[test]
    fn taps_flatten_without_delay_and_bounded() {
        let limits = Limits { fir_taps: 2048, ..plain_limits() };
        let (mut sum, mut channel) =
            (bent(40.0), ChannelTune { name: "left".into(), ..ChannelTune::default() });
        assert!(tap(&mut sum, &mut channel, &limits).unwrap());
        let after_db = sum.flatness.unwrap().rms_db_after;
        let before_db = fit_target(&sum.before, &flat(), 40.0, 16_000.0).unwrap().1;
        assert!(after_db < 0.35 * before_db, "{before_db} {after_db}");
        let fir = channel.fir.as_ref().unwrap();
        assert!(fir.iter().all(|tap| tap.abs() <= fir[0].abs()), "no delay: the first tap is the largest");
        // 14 dB are asked at 5 kHz, where the limits give 9; the slack is what taps may stand above their room by.
        assert!((8.0..9.3).contains(&gain_db(&channel, 5_000.0)), "{}", gain_db(&channel, 5_000.0));
    }

    #[test]
    fn nothing_is_raised_where_the_factory_passes_nothing_and_too_few_taps_do_nothing() {
        let limits = Limits { fir_taps: 2048, ..plain_limits() };
        let mut channel = ChannelTune { name: "left".into(), ..ChannelTune::default() };
        let mut sum = bent(800.0);
        // Below 800 Hz it falls away: a boost there would be one of noise.
        let points = sum.before.frequency_hz.iter().zip(&mut sum.before.level_db);
        points.filter(|(hz, _)| **hz < 800.0).for_each(|(hz, db)| *db -= 24.0 * (800.0 / hz).log2());
        assert!(tap(&mut sum, &mut channel, &limits).unwrap());
        let below = log_grid_hz(20.0, 600.0, 12.0).into_iter().map(|hz| gain_db(&channel, hz));
        let most_db = below.fold(f64::MIN, f64::max);
        assert!(most_db < 0.5, "{most_db}");
        let few = Limits { fir_taps: 32, ..plain_limits() };
        assert!(!tap(&mut bent(40.0), &mut channel, &few).unwrap());
        assert_eq!(channel.fir, None);
    }
}
