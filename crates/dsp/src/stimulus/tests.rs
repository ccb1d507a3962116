use super::*;

fn sweep_recipe() -> Recipe {
    let plan = Sweep::usual(20.0, 20_000.0, 2.0, 2, Markers::Ends);
    Recipe { rate_hz: 48_000, channels: 2, level_dbfs: -6.0, signal: Signal::Sweep(Sweep { on: 2, ..plan }) }
}

#[test]
fn the_same_recipe_gives_the_same_samples_also_through_json() {
    let steps = Steps {
        on: 1,
        frequency_hz: 1000.0,
        from_dbfs: -30.0,
        step_db: 3.0,
        tone_s: 0.5,
        fade_s: 0.02,
        gap_s: 0.3,
    };
    let pink = Pink { on: 1, low_hz: 20.0, high_hz: 20_000.0, seconds: 1.0, fade_s: 0.05, seed: 7 };
    let calls = RollCall::usual(&[(1, 80.0, 18_000.0), (2, 2500.0, 18_000.0)], 0.8);
    let of = |level_dbfs, signal| Recipe { rate_hz: 48_000, channels: 2, level_dbfs, signal };
    for recipe in [
        sweep_recipe(),
        of(-20.0, Signal::Pink(pink)),
        of(-6.0, Signal::Steps(steps)),
        of(-12.0, Signal::RollCall(calls)),
    ] {
        let again: Recipe = serde_json::from_str(&serde_json::to_string(&recipe).unwrap()).unwrap();
        assert_eq!(again, recipe);
        let rendered = recipe.render().unwrap();
        assert_eq!(again.render().unwrap(), rendered);
        assert!(rendered.channels.iter().all(|c| c.len() == recipe.frames()));
        let peak = rendered.channels.iter().flatten().fold(0.0f64, |m, x| m.max(x.abs()));
        assert!(peak > 0.05 && peak <= 1.0, "{peak}");
    }
}

#[test]
fn only_the_chosen_channel_sounds_and_it_begins_and_ends_in_silence() {
    let rendered = sweep_recipe().render().unwrap();
    assert!(rendered.channels[0].iter().all(|x| *x == 0.0));
    let signal = &rendered.channels[1];
    let peak = signal.iter().fold(0.0f64, |m, x| m.max(x.abs()));
    assert!((20.0 * peak.log10() + 6.0).abs() < 0.01, "{peak}");
    assert!(signal[..24_000].iter().all(|x| *x == 0.0));
    assert!(signal[signal.len() - 24_000..].iter().all(|x| *x == 0.0));
}

/// Reference values: `tests/reference/sweeps.json` (Farina 2000; Novák, Lotton and Simon 2015).
#[test]
fn sweeps_agree_with_the_published_formulas() {
    let text = include_str!("../../../../tests/reference/sweeps.json");
    let table: serde_json::Value = serde_json::from_str(text).unwrap();
    let cases = table["cases"].as_array().unwrap();
    assert!(cases.len() >= 2);
    for case in cases {
        let number = |key: &str| case[key].as_f64().unwrap();
        let shape = SweepShape::synchronised(number("f1"), number("f2"), number("T"));
        // Closed forms on both sides: only rounding separates them.
        assert!((shape.rate_s() / number("L_sync_s") - 1.0).abs() < 1e-12);
        assert!((shape.seconds / number("T_sync_s") - 1.0).abs() < 1e-12);
        for order in 2..=5 {
            let expected = case["sync_harmonic_advance_s"][order.to_string()].as_f64().unwrap();
            assert!((shape.harmonic_advance_s(order) - expected).abs() < 1e-12);
        }
        for share in ["0.25", "0.5", "0.75"] {
            let expected = case["inst_freq_at_frac"][share].as_f64().unwrap();
            let at_s = shape.time_of_s(expected);
            assert!((at_s / shape.seconds - share.parse::<f64>().unwrap()).abs() < 1e-9, "{share}");
        }
    }
}

/// Novák 2015, equation 51: away from its ends the magnitude follows ½ √(L/f).
#[test]
fn the_spectrum_falls_by_three_decibels_per_octave() {
    let shape = SweepShape::synchronised(20.0, 20_000.0, 5.0);
    let samples: Vec<f64> = (0..250_000).map(|n| shape.at(f64::from(n) / 48_000.0)).collect();
    for hz in [100.0, 1000.0, 5000.0] {
        let level = crate::spectrum::response_at(&samples, 48_000.0, hz).norm() / 48_000.0;
        // The Fresnel ripple of a faded five-second sweep stays within 1 %.
        assert!((level / shape.spectrum_s(hz) - 1.0).abs() < 0.01, "{hz} Hz: {level}");
    }
}

#[test]
fn a_marker_spares_what_the_sweep_spares() {
    for (low_hz, high_hz) in [(2000.0, 20_000.0), (20.0, 200.0), (20.0, 20_000.0), (5000.0, 20_000.0)] {
        let marker = MarkerShape::within(low_hz, high_hz);
        assert!(marker.low_hz >= low_hz && marker.high_hz <= high_hz && marker.high_hz > 1.9 * marker.low_hz);
    }
}

#[test]
fn a_protected_speaker_gets_nothing_below_its_band() {
    let recipe = Recipe {
        rate_hz: 48_000,
        channels: 1,
        level_dbfs: 0.0,
        signal: Signal::Sweep(Sweep::usual(2500.0, 20_000.0, 4.0, 1, Markers::Ends)),
    };
    let samples = &recipe.render().unwrap().channels[0];
    let plan = crate::spectrum::RealTransform::new(crate::spectrum::fast_length(samples.len()));
    let spectrum = plan.forward(samples);
    let spacing_hz = 48_000.0 / plan.length() as f64;
    let power = |from: f64, to: f64| -> f64 {
        spectrum[(from / spacing_hz) as usize..(to / spacing_hz) as usize].iter().map(|x| x.norm_sqr()).sum()
    };
    // −40 dB an octave down: no more than the speaker's own protection would let pass of music.
    let below_db = 10.0 * (power(1.0, 1250.0) / power(2500.0, 20_000.0)).log10();
    assert!(below_db < -40.0, "{below_db}");
}

#[test]
fn pink_noise_has_equal_power_in_every_octave() {
    let pink = Pink { on: 1, low_hz: 20.0, high_hz: 20_000.0, seconds: 4.0, fade_s: 0.0, seed: 3 };
    let recipe = Recipe { rate_hz: 48_000, channels: 1, level_dbfs: -20.0, signal: Signal::Pink(pink) };
    let samples = &recipe.render().unwrap().channels[0];
    let rms_db = 10.0 * (samples.iter().map(|x| x * x).sum::<f64>() / samples.len() as f64).log10();
    assert!((rms_db + 20.0).abs() < 1e-9);
    let spectrum = crate::spectrum::RealTransform::new(samples.len()).forward(samples);
    let octave = |from: usize| -> f64 { spectrum[4 * from..8 * from].iter().map(|x| x.norm_sqr()).sum() };
    for from in [40, 400, 4000] {
        // The sum of 1/k over an octave differs from ln 2 by at most 1/(4·from).
        assert!((octave(from) / octave(1000) - 1.0).abs() < 0.5 / from as f64, "{from}");
    }
}

#[test]
fn steps_rise_by_equal_steps_and_stop_at_the_level_asked_for() {
    let steps = Steps {
        on: 1,
        frequency_hz: 1000.0,
        from_dbfs: -12.0,
        step_db: 5.0,
        tone_s: 0.2,
        fade_s: 0.01,
        gap_s: 0.1,
    };
    assert_eq!(steps.levels_dbfs(-2.0), [-12.0, -7.0, -2.0]);
    assert_eq!(steps.levels_dbfs(-3.0), [-12.0, -7.0]);
    let recipe =
        Recipe { rate_hz: 48_000, channels: 1, level_dbfs: -2.0, signal: Signal::Steps(steps.clone()) };
    let samples = &recipe.render().unwrap().channels[0];
    for (i, level) in [-12.0, -7.0, -2.0].into_iter().enumerate() {
        let start = steps.start(i, 48_000);
        let peak = samples[start..start + 9600].iter().fold(0.0f64, |m, x| m.max(x.abs()));
        assert!((20.0 * peak.log10() - level).abs() < 0.01);
    }
}

#[test]
fn a_recipe_that_cannot_be_played_says_what_would_be_right() {
    let mut recipe = sweep_recipe();
    recipe.rate_hz = 32_000;
    let words = recipe.render().unwrap_err().to_string();
    assert!(words.contains("20000") && words.contains("16000"), "{words}");
    let mut recipe = sweep_recipe();
    recipe.channels = 1;
    assert!(recipe.check().unwrap_err().to_string().contains("channel"));
    let mut recipe = sweep_recipe();
    recipe.level_dbfs = f64::NAN;
    assert!(recipe.check().is_err());
}

/// Both sides get the sweeps and markers, each side its own sweep 12 dB softer, and neither sounds in the quiet.
#[test]
fn sides_sound_together_then_alone_then_not_at_all() {
    let plan = Sweep { sides: Some(Sides::USUAL), ..Sweep::usual(20.0, 20_000.0, 1.0, 2, Markers::Ends) };
    let line = plan.timeline(48_000);
    let recipe = Recipe { rate_hz: 48_000, channels: 2, level_dbfs: -6.0, signal: Signal::Sweep(plan) };
    let rendered = recipe.render().unwrap();
    assert_eq!(rendered.channels[0].len(), line.frames);
    let alone = line.alone.unwrap();
    let peak = |channel: usize, from: usize, to: usize| {
        rendered.channels[channel][from..to].iter().fold(0.0f64, |m, x| m.max(x.abs()))
    };
    assert_eq!(rendered.channels[0][..alone.left], rendered.channels[1][..alone.left]);
    let softer = 10f64.powf(-18.0 / 20.0);
    for (sounding, from, to) in [(0, alone.left, alone.right), (1, alone.right, alone.quiet.start)] {
        assert!((peak(sounding, from, to) / softer - 1.0).abs() < 1e-3);
        assert_eq!(peak(1 - sounding, from, to), 0.0);
    }
    assert_eq!(
        peak(0, alone.quiet.start, alone.quiet.end).max(peak(1, alone.quiet.start, alone.quiet.end)),
        0.0
    );
    assert!(line.markers[1] >= alone.quiet.end);
    let mono = Recipe { channels: 1, ..recipe };
    assert!(mono.render().is_err());
}
