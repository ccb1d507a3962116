use super::*;
use crate::limits::Range;

fn limits() -> Limits {
    Limits {
        sample_rate_hz: 48_000.0,
        bands: 10,
        kinds: vec![SectionKind::Peaking, SectionKind::LowShelf, SectionKind::HighShelf],
        gain_db: Range { min: -15.0, max: 6.0, step: Some(0.5) },
        q: Range { min: 0.3, max: 10.0, step: Some(0.1) },
        frequency_hz: Frequencies::Span { min: 20.0, max: 20_000.0, per_octave: Some(24.0) },
        delay_ms: None,
        fir_taps: 0,
        pre_ringing: crate::limits::PreRinging::default(),
        crossovers: Vec::new(),
        crossovers_take_bands: false,
    }
}

fn flat() -> Target {
    Target { name: "flat".into(), points: vec![(20.0, 0.0), (20_000.0, 0.0)], tolerance_db: 3.0 }
}

fn quick() -> Options {
    Options { from_hz: 30.0, to_hz: 16_000.0, effort: Effort::Quick, ..Options::default() }
}

/// A response made of sections.
fn bent(sections: &[Section]) -> Curve {
    let hz = log_grid_hz(20.0, 20_000.0, 48.0);
    let level = |&f: &f64| sections.iter().map(|s| 20.0 * s.response(f, 48_000.0).norm().log10()).sum();
    let level_db = hz.iter().map(level).collect();
    Curve::of_levels(hz, level_db)
}

fn bell(frequency_hz: f64, gain_db: f64, q: f64) -> Section {
    Section { kind: SectionKind::Peaking, frequency_hz, gain_db, q }
}

const BUMPS: [(f64, f64, f64); 5] =
    [(45.0, 8.0, 2.0), (120.0, -4.0, 3.0), (400.0, 5.0, 1.0), (1_600.0, -5.0, 2.0), (6_000.0, 7.0, 1.5)];

fn bumpy() -> Curve {
    bent(&BUMPS.map(|(f, g, q)| bell(f, g, q)))
}

#[test]
fn bumps_made_of_bells_are_taken_away() {
    let proposal = propose(&bumpy(), &flat(), &limits(), &quick()).unwrap();
    assert!(proposal.predicted.rms_error_db_before > 2.0);
    // Ten bands against five bells: what is left is the rounding to half a decibel.
    assert!(proposal.predicted.rms_error_db_after < 0.25, "{:?}", proposal.predicted);
    assert!(proposal.left_alone.is_empty(), "{:?}", proposal.left_alone);
}

#[test]
fn every_band_is_a_setting_the_processor_has() {
    let mut graphic = limits();
    graphic.frequency_hz =
        Frequencies::List { list: vec![31.5, 63.0, 125.0, 250.0, 500.0, 1e3, 2e3, 4e3, 8e3] };
    for limits in [limits(), graphic] {
        let proposal = propose(&bumpy(), &flat(), &limits, &quick()).unwrap();
        assert!(!proposal.sections.is_empty() && proposal.sections.len() <= limits.bands);
        let whole = |x: f64| (x - x.round()).abs() < 1e-4;
        for (i, s) in proposal.sections.iter().enumerate() {
            assert!(whole(s.gain_db / 0.5) && (-15.0..=6.0).contains(&s.gain_db), "{s:?}");
            assert!(whole(s.q / 0.1) && (0.3..=10.0).contains(&s.q), "{s:?}");
            match &limits.frequency_hz {
                Frequencies::List { list } => {
                    assert!(list.iter().any(|f| (f - s.frequency_hz).abs() < 1e-6), "{s:?}");
                    let shared = proposal.sections[i + 1..].iter().any(|o| o.frequency_hz == s.frequency_hz);
                    assert!(!shared, "two bands on one slider");
                }
                Frequencies::Span { .. } => assert!(whole((s.frequency_hz / 1000.0).log2() * 24.0), "{s:?}"),
            }
        }
    }
}

#[test]
fn only_the_shape_of_the_target_counts() {
    let mut raised = bumpy();
    raised.level_db.iter_mut().for_each(|x| *x += 90.0);
    let (a, b) = (
        propose(&bumpy(), &flat(), &limits(), &quick()).unwrap(),
        propose(&raised, &flat(), &limits(), &quick()).unwrap(),
    );
    assert!((a.predicted.rms_error_db_after - b.predicted.rms_error_db_after).abs() < 0.02);
    assert!((b.target_level_db - a.target_level_db - 90.0).abs() < 0.2);
}

#[test]
fn what_is_predicted_is_what_the_filters_do() {
    let proposal = propose(&bumpy(), &flat(), &limits(), &quick()).unwrap();
    let tune = tune_of(&proposal, &limits(), "left").unwrap();
    let filter = &tune.filters().unwrap()[0];
    let after = filter.predict(&bumpy());
    let grid = log_grid_hz(30.0, 16_000.0, 48.0);
    let error = error_on(&grid, &after, &flat());
    let rms = plain_rms(&error, &vec![0.0; grid.len()]);
    // The curve is interpolated once before and once after the filter.
    assert!((rms - proposal.predicted.rms_error_db_after).abs() < 0.005, "{rms} {:?}", proposal.predicted);
    assert_eq!(tune.channels[0].biquads.len(), proposal.sections.len());
}

fn reasons(proposal: &Proposal, at_hz: f64) -> Vec<&str> {
    let over = |left: &&LeftAlone| (left.from_hz..=left.to_hz).contains(&at_hz);
    proposal.left_alone.iter().filter(over).map(|left| left.reason.as_str()).collect()
}

#[test]
fn noise_and_disagreement_are_left_alone() {
    let mut curve = bumpy();
    let inside = |f: &f64, low: f64, high: f64| (low..high).contains(f);
    let hz = curve.frequency_hz.clone();
    curve.snr_db = Some(hz.iter().map(|f| if inside(f, 30.0, 60.0) { 2.0 } else { 40.0 }).collect());
    curve.spread_db = Some(hz.iter().map(|f| if inside(f, 5e3, 7e3) { 9.0 } else { 1.0 }).collect());
    let proposal = propose(&curve, &flat(), &limits(), &quick()).unwrap();
    assert!(reasons(&proposal, 45.0)[0].contains("noise"));
    assert!(reasons(&proposal, 6_000.0)[0].contains("disagree"));
    let tune = tune_of(&proposal, &limits(), "left").unwrap();
    let change = tune.filters().unwrap()[0].levels_db(&[45.0]);
    assert!(change[0].abs() < 2.0, "the 8 dB bump under the noise is not chased: {change:?}");
}

/// A comb's notch: 1 + a·exp(−jωτ) with a near 1 has narrow deep dips at odd multiples of 1/(2τ).
fn combed(echo: f64, delay_s: f64) -> Curve {
    use std::f64::consts::PI;
    let hz = log_grid_hz(20.0, 20_000.0, 96.0);
    let h = |f: f64| {
        rustfft::num_complex::Complex64::from(1.0)
            + echo * rustfft::num_complex::Complex64::cis(-2.0 * PI * f * delay_s)
    };
    let level_db = hz.iter().map(|&f| 20.0 * h(f).norm().log10()).collect();
    let phase_deg = hz.iter().map(|&f| h(f).arg().to_degrees()).collect();
    Curve { level_db, phase_deg: Some(phase_deg), frequency_hz: hz, ..Curve::default() }
}

#[test]
fn a_stronger_echo_is_told_by_its_phase() {
    let only_low = Options { to_hz: 1_500.0, ..quick() };
    // The first notch of a 0.7 ms echo is at 714 Hz; |1 − a| is the same for both echoes up to level.
    let beyond = propose(&combed(1.25, 0.7e-3), &flat(), &limits(), &only_low).unwrap();
    assert!(reasons(&beyond, 714.0).iter().any(|r| r.contains("cancelling")), "{:?}", beyond.left_alone);
    let within = propose(&combed(0.8, 0.7e-3), &flat(), &limits(), &only_low).unwrap();
    assert!(!reasons(&within, 714.0).iter().any(|r| r.contains("cancelling")), "{:?}", within.left_alone);
}

#[test]
fn a_narrow_deep_dip_and_the_end_of_the_range_are_left_alone() {
    let high_pass = Section { kind: SectionKind::HighPass, frequency_hz: 3_000.0, gain_db: 0.0, q: 0.7 };
    let curve = bent(&[bell(7_000.0, -18.0, 30.0), high_pass, high_pass]);
    let proposal = propose(&curve, &flat(), &limits(), &quick()).unwrap();
    assert!(
        reasons(&proposal, 7_000.0).iter().any(|r| r.contains("too narrow")),
        "{:?}",
        proposal.left_alone
    );
    assert!(reasons(&proposal, 500.0).iter().any(|r| r.contains("below the speaker")));
    let tune = tune_of(&proposal, &limits(), "tweeter").unwrap();
    let levels = tune.filters().unwrap()[0].levels_db(&[40.0, 500.0]);
    assert!(levels.iter().all(|x| *x < 1.5), "no boost below the tweeter's range: {levels:?}");
}

#[test]
fn bands_together_stay_within_the_boost_and_say_what_is_missing() {
    let curve = bent(&[bell(300.0, -16.0, 1.5)]);
    let limits = Limits { bands: 2, ..limits() };
    let proposal = propose(&curve, &flat(), &limits, &quick()).unwrap();
    let tune = tune_of(&proposal, &limits, "left").unwrap();
    assert!(tune.headroom_db < 6.8, "{}", tune.headroom_db);
    assert!(reasons(&proposal, 300.0).iter().any(|r| r.contains("more boost")), "{:?}", proposal.left_alone);
}

#[test]
fn taps_take_what_bands_leave() {
    let mut limits = limits();
    limits.bands = 3;
    // Bells alone leave the taps enough to do; a sharp shelf is worth two of them.
    limits.kinds = vec![SectionKind::Peaking];
    limits.fir_taps = 2048;
    let bands = propose(&bumpy(), &flat(), &limits, &quick()).unwrap();
    for kind in [FirKind::MinimumPhase, FirKind::LinearPhase] {
        let options = Options { fir: Some(kind), ..quick() };
        let both = propose(&bumpy(), &flat(), &limits, &options).unwrap();
        assert_eq!(both.fir.as_ref().unwrap().len(), 2048);
        let share = both.predicted.rms_error_db_after / bands.predicted.rms_error_db_after;
        // 2048 taps resolve about 25 Hz and linear phase is cut to ± 20 ms: the bass bells stay in part.
        assert!(share < 0.7, "{kind:?}: {share} of {:?}", bands.predicted);
    }
}

#[test]
fn bad_questions_are_refused_in_words() {
    let outside = Options { from_hz: 10.0, ..quick() };
    assert!(matches!(propose(&bumpy(), &flat(), &limits(), &outside), Err(CorrectError::Range { .. })));
    let mut hollow = bumpy();
    hollow.level_db[3] = f64::NAN;
    assert!(propose(&hollow, &flat(), &limits(), &quick()).is_err());
    let mut poor = limits();
    poor.kinds = vec![SectionKind::AllPass];
    assert!(matches!(propose(&bumpy(), &flat(), &poor, &quick()), Err(CorrectError::Limits(_))));
    assert!(propose(&Curve::default(), &flat(), &limits(), &quick()).is_err());
}

/// A sharp step between two levels tempts to a steep shelf; asked to be gentle, every shelf rises or falls all the way.
#[test]
fn shelves_are_as_gentle_as_asked() {
    let step = Section { kind: SectionKind::HighShelf, frequency_hz: 700.0, gain_db: 6.0, q: 3.0 };
    let steepest = |shelf_q_max: f64| {
        let limits = Limits { kinds: vec![SectionKind::HighShelf], bands: 2, ..limits() };
        let proposal =
            propose(&bent(&[step]), &flat(), &limits, &Options { shelf_q_max, ..quick() }).unwrap();
        proposal.sections.iter().map(|it| it.q).fold(0.0, f64::max)
    };
    assert!(steepest(f64::INFINITY) > 2.0);
    // The nearest step of 0.1.
    assert!(steepest(crate::filter::GENTLE_SHELF_Q) < 0.71);
}
