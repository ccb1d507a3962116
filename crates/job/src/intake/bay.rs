//! Is the bay quiet enough, third-octave by third-octave, for the level that will be played?

use audio::rig::Watch;
use dsp::bands::{Band, Width};
use dsp::spectrum::{RealTransform, fast_length};
use dsp::verdict::Verdict;
use dsp::weighting::Weighting;
use garage::TakeKind;
use garage::visit::CheckKind;
use serde::Serialize;

use super::rig_check::keep;
use crate::error::JobError;
use crate::gates;
use crate::judged::Judged;
use crate::plan::SweepPlan;
use crate::workplace::{Wish, Workplace};

/// The noise of the bay.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BayCheck {
    /// Third-octaves from 25 Hz to 16 kHz.
    pub bands: Vec<BayBand>,
    /// A-weighted level: of sound where the microphone's sensitivity is known, of the recording otherwise.
    pub a_weighted_db: f64,
    /// Level of the sweep at the seat that the check is made for, on the same scale.
    pub planned_db: f64,
    /// True when levels are dB SPL; dBFS otherwise.
    pub calibrated: bool,
}

/// One third-octave.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BayBand {
    /// Nominal mid-band frequency.
    pub band_hz: f64,
    /// Noise in it.
    pub level_db: f64,
    /// Level the sweep must have at the seat for a clear response in this band.
    pub needed_db: f64,
}

/// Long enough for the lowest third-octave to settle within a decibel.
const LISTEN_S: f64 = 4.0;
/// A sweep of this level at the seat is loud and still within the safe eight hours.
const PLANNED_DB_SPL: f64 = 80.0;
/// Without a calibration: a sweep that peaks well below full scale.
const PLANNED_DBFS: f64 = -20.0;
/// A response this far above the noise is right within a few hundredths of a decibel.
const WANTED_SNR_DB: f64 = 30.0;
const BAND_HZ: (f64, f64) = (25.0, 16_000.0);

/// Listens to the bay and holds its noise against the planned sweep; keeps the outcome in the visit.
///
/// # Errors
/// A rig that fails.
pub fn check_bay(place: &mut Workplace, watch: &Watch) -> Result<Judged<BayCheck>, JobError> {
    let recorded = place.ears()?.into_iter().take(1).collect();
    let taken = place.record(
        Wish {
            kind: TakeKind::Noise,
            subject: None,
            position: None,
            label: None,
            recipe: None,
            driven: Vec::new(),
            recorded,
            tune: None,
            tail_s: LISTEN_S,
        },
        watch,
    )?;
    let wav = audio::wav::read(&taken.open.recording)?;
    let samples = wav.channels.first().map_or(&[][..], Vec::as_slice);
    let full_scale_db = place.folder.record().microphone.as_ref().and_then(|it| it.full_scale_db_spl);
    let check = of_noise(samples, f64::from(wav.rate_hz), full_scale_db, &place.plan);
    let mut judged = Judged::good(check);
    for finding in gates::recording(&taken.facts, 0).into_iter().filter(|it| it.gate != gates::Gate::Level) {
        judged.note(finding.verdict, finding.words);
    }
    judge(&mut judged);
    let mut taken = taken;
    taken.record.verdict = judged.verdict;
    taken.record.remarks.clone_from(&judged.remarks);
    place.keep(taken)?;
    keep(place, CheckKind::Noise, &judged)?;
    Ok(judged)
}

/// Levels of a recording of noise. A sine at full scale reads `full_scale_db` on its rms, hence the 3 dB.
fn of_noise(samples: &[f64], rate_hz: f64, full_scale_db: Option<f64>, plan: &SweepPlan) -> BayCheck {
    let offset_db = full_scale_db.unwrap_or(0.0) + 10.0 * 2f64.log10();
    let plan_fft = RealTransform::new(fast_length(samples.len().max(2)));
    let spacing_hz = rate_hz / plan_fft.length() as f64;
    // Mean square per bin: two sides of the spectrum, as many samples as were recorded.
    let scale = 2.0 / (samples.len().max(1) as f64 * plan_fft.length() as f64);
    let power: Vec<f64> = plan_fft.forward(samples).iter().map(|bin| bin.norm_sqr() * scale).collect();
    let weighted: f64 = power
        .iter()
        .enumerate()
        .skip(1)
        .map(|(k, p)| p * dsp::decibel::power_of(Weighting::A.level_db(k as f64 * spacing_hz)))
        .sum();
    let bands = Band::centred_within(Width::ThirdOctave, BAND_HZ.0, BAND_HZ.1.min(0.4 * rate_hz))
        .into_iter()
        .map(|band| {
            let level_db = dsp::decibel::of_power(band.power(&power, spacing_hz).max(1e-20)) + offset_db;
            BayBand {
                band_hz: band.nominal_hz,
                level_db,
                needed_db: level_db + WANTED_SNR_DB - gain_db(&band, plan),
            }
        })
        .collect();
    BayCheck {
        bands,
        a_weighted_db: dsp::decibel::of_power(weighted.max(1e-20)) + offset_db,
        planned_db: if full_scale_db.is_some() { PLANNED_DB_SPL } else { PLANNED_DBFS },
        calibrated: full_scale_db.is_some(),
    }
}

/// What a sweep gains over noise in a band: its time in the band times the band's width, and its repeats (the
/// time–bandwidth product of a matched filter; G. Turin, IRE Trans. Information Theory 6(3), 1960; from memory).
fn gain_db(band: &Band, plan: &SweepPlan) -> f64 {
    let octaves = (20_000.0_f64 / 20.0).log2();
    let in_band_s = plan.seconds / octaves * (band.upper_hz / band.lower_hz).log2();
    let product = in_band_s * (band.upper_hz - band.lower_hz) * plan.repeats as f64;
    10.0 * product.max(1.0).log10()
}

/// Bands that may fall short before the bay is called unfit.
const FEW: usize = 3;

fn judge(judged: &mut Judged<BayCheck>) {
    let check = &judged.result;
    let unit = if check.calibrated { "dB SPL" } else { "dBFS" };
    let short: Vec<BayBand> =
        check.bands.iter().copied().filter(|it| it.needed_db > check.planned_db).collect();
    let Some(worst) = short.iter().copied().max_by(|a, b| a.needed_db.total_cmp(&b.needed_db)) else {
        return;
    };
    let over_db = worst.needed_db - check.planned_db;
    let verdict = if short.len() > FEW && over_db > 10.0 { Verdict::Retake } else { Verdict::Usable };
    let words = format!(
        "{} third-octave{} too noisy for a sweep of {:.0} {unit} at the seat, most of all {} Hz, by {over_db:.0} dB: switch off \
         fans and compressors, close the bay, or take {:.0} times as many repeats.",
        short.len(),
        if short.len() == 1 { " is" } else { "s are" },
        check.planned_db,
        worst.band_hz,
        10f64.powf(over_db / 10.0).ceil()
    );
    judged.note(verdict, words);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sine reads the same in its band, weighted at 1 kHz, and on the meter: A-weighting is 0 dB there (IEC 61672-1).
    #[test]
    fn a_tone_reads_its_own_level() {
        let rate_hz = 48_000.0;
        let samples: Vec<f64> = (0..192_000)
            .map(|n| 0.01 * (std::f64::consts::TAU * 1000.0 * f64::from(n) / rate_hz).sin())
            .collect();
        let check = of_noise(&samples, rate_hz, Some(120.0), &SweepPlan::default());
        // 0.01 of full scale is 40 dB below 120 dB SPL. Band edges and the transform's length cost some thousandths.
        let band = check.bands.iter().find(|it| it.band_hz == 1000.0).unwrap();
        assert!((band.level_db - 80.0).abs() < 0.05, "{}", band.level_db);
        assert!((check.a_weighted_db - 80.0).abs() < 0.05, "{}", check.a_weighted_db);
    }

    #[test]
    fn a_quiet_bay_is_good_and_a_noisy_one_is_not() {
        let band = |needed_db| BayBand { band_hz: 63.0, level_db: 30.0, needed_db };
        let judged_of = |needed: &[f64]| {
            let bands = needed.iter().map(|&it| band(it)).collect();
            let mut judged =
                Judged::good(BayCheck { bands, a_weighted_db: 30.0, planned_db: 80.0, calibrated: true });
            judge(&mut judged);
            judged.verdict
        };
        assert_eq!(judged_of(&[50.0, 60.0]), Verdict::Good);
        assert_eq!(judged_of(&[50.0, 85.0]), Verdict::Usable);
        assert_eq!(judged_of(&[95.0, 95.0, 95.0, 95.0]), Verdict::Retake);
    }
}
