//! Whole alignments in simulated cabins: a subwoofer behind and a midbass in front, by image sources and recursive
//! filters, with the best alignment of each cabin found by trying them all.

mod simulated;

use dsp::align::{Confidence, Options, Speaker, align};
use dsp::limits::DelayRange;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use simulated::{BUTTERWORTH_4, Cabin, Section, asked, between, normal};

const RATE_HZ: f64 = 12_000.0;
const LENGTH: usize = 8192;

/// Responses `[position]` of one driver with noise 40 dB below its energy.
fn driver(
    cabin: &Cabin,
    source_m: [f64; 3],
    offsets_m: &[[f64; 3]],
    (low_hz, high_hz): (f64, f64),
    sign: f64,
    delay_s: f64,
    rng: &mut ChaCha8Rng,
) -> Vec<Vec<f64>> {
    let images = cabin.images(source_m, 24.0);
    offsets_m
        .iter()
        .map(|&offset_m| {
            let mut x = cabin.impulse(&images, offset_m, LENGTH, RATE_HZ, delay_s);
            for q in BUTTERWORTH_4 {
                Section::pass(low_hz, q, true, RATE_HZ).run(&mut x);
                Section::pass(high_hz, q, false, RATE_HZ).run(&mut x);
            }
            let noise = (x.iter().map(|v| v * v).sum::<f64>() / 1e4 / LENGTH as f64).sqrt();
            x.iter().map(|v| sign * v + noise * normal(rng)).collect()
        })
        .collect()
}

/// Level of the sum over 40 to 160 Hz, mean power over log frequency in dB, mean over positions; `of_levels` takes the
/// mean of levels instead.
fn sum_db(
    main: &[Vec<(f64, f64)>],
    sub: &[Vec<(f64, f64)>],
    hz: &[f64],
    delay_s: f64,
    sign: f64,
    of_levels: bool,
) -> f64 {
    let per_position = main.iter().zip(sub).map(|(m, s)| {
        let powers = hz.iter().zip(m.iter().zip(s)).map(|(f, (m, s))| {
            let (sin, cos) = (-std::f64::consts::TAU * f * delay_s).sin_cos();
            (m.0 + sign * (s.0 * cos - s.1 * sin)).powi(2) + (m.1 + sign * (s.0 * sin + s.1 * cos)).powi(2)
        });
        if of_levels {
            powers.map(|p| 10.0 * p.log10()).sum::<f64>() / hz.len() as f64
        } else {
            10.0 * (powers.sum::<f64>() / hz.len() as f64).log10()
        }
    });
    per_position.sum::<f64>() / main.len() as f64
}

/// The transform at each frequency, by its definition.
fn at(impulses: &[Vec<f64>], hz: &[f64]) -> Vec<Vec<(f64, f64)>> {
    impulses
        .iter()
        .map(|x| {
            hz.iter()
                .map(|f| {
                    let step = -std::f64::consts::TAU * f / RATE_HZ;
                    x.iter().enumerate().fold((0.0, 0.0), |(re, im), (n, v)| {
                        let (sin, cos) = (step * n as f64).sin_cos();
                        (re + v * cos, im + v * sin)
                    })
                })
                .collect()
        })
        .collect()
}

fn options(delay: Option<DelayRange>) -> Options {
    Options {
        rate_hz: RATE_HZ,
        processor_rate_hz: 48_000.0,
        temperature_c: 20.0,
        delay,
        join_subwoofers: true,
    }
}

#[test]
fn a_subwoofer_adds_up_with_the_midbass() {
    let (seed, cabins) = (asked("SEED", 8), asked("TRIALS", 40));
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let hz: Vec<f64> = (0..=24).map(|i| 40.0 * 2f64.powf(f64::from(i) / 12.0)).collect();
    // [metric] -> losses at the measured positions, and at others
    let mut lost = [[Vec::new(), Vec::new()], [Vec::new(), Vec::new()]];
    for _ in 0..cabins {
        let cabin = Cabin::random(&mut rng, (0.6, 0.9));
        let [length, width, _] = cabin.size_m;
        let offsets_m: Vec<[f64; 3]> = (0..18)
            .map(|_| {
                [
                    between(&mut rng, -0.12, 0.12),
                    between(&mut rng, -0.15, 0.15),
                    between(&mut rng, -0.08, 0.08),
                ]
            })
            .collect();
        let crossover_hz = between(&mut rng, 60.0, 100.0);
        let sign = if between(&mut rng, 0.0, 1.0) < 0.5 { 1.0 } else { -1.0 };
        let (delay_main_s, delay_sub_s) = (0.005, between(&mut rng, 0.002, 0.010));
        let source_main_m = [0.4, 0.1, 0.3];
        let source_sub_m = [length - 0.2, between(&mut rng, 0.2, width - 0.2), 0.25];
        let main =
            driver(&cabin, source_main_m, &offsets_m, (crossover_hz, 3000.0), 1.0, delay_main_s, &mut rng);
        let sub = driver(&cabin, source_sub_m, &offsets_m, (22.0, crossover_hz), sign, delay_sub_s, &mut rng);
        let speaker = |name: &str, x: &[Vec<f64>]| Speaker { name: name.into(), impulses: x[..9].to_vec() };
        let alignment =
            align(&[speaker("midbass", &main), speaker("subwoofer", &sub)], options(None)).unwrap();
        let [m, s] = &alignment.channels[..] else { panic!("two channels went in") };
        assert!(m.delay_ms.min(s.delay_ms) == 0.0);
        let set_s = 1e-3 * (s.delay_ms - m.delay_ms);
        let set_sign = if s.invert != m.invert { -1.0 } else { 1.0 };
        let gains = [m, s].map(|c| 10f64.powf(c.gain_db / 20.0));
        let scaled = |x: &[Vec<f64>], gain: f64| -> Vec<Vec<f64>> {
            x.iter().map(|p| p.iter().map(|v| v * gain).collect()).collect()
        };
        let (main_at, sub_at) = (at(&scaled(&main, gains[0]), &hz), at(&scaled(&sub, gains[1]), &hz));
        // The plausible delays: 6 ms around the true distance of the two signals.
        let true_s = delay_main_s - delay_sub_s
            + (simulated::distance(source_main_m, cabin.head_m)
                - simulated::distance(source_sub_m, cabin.head_m))
                / 343.2;
        for (metric, lost) in lost.iter_mut().enumerate() {
            for (lost, range) in lost.iter_mut().zip([0..9, 9..18]) {
                let level = |d: f64, g: f64| {
                    sum_db(&main_at[range.clone()], &sub_at[range.clone()], &hz, d, g, metric == 1)
                };
                let best = (-120..=120)
                    .flat_map(|i| [1.0, -1.0].map(|g| level(true_s + 5e-5 * f64::from(i), g)))
                    .fold(f64::NEG_INFINITY, f64::max);
                lost.push(best - level(set_s, set_sign));
            }
        }
    }
    for (metric, lost) in ["power", "levels"].iter().zip(&mut lost) {
        for (where_, lost) in ["measured", "other"].iter().zip(lost) {
            lost.sort_by(f64::total_cmp);
            let (median, worst) = (lost[cabins / 2], lost[cabins - 1]);
            let words = format!(
                "{metric}, {where_} positions: lost {median:.3} dB at the median, {worst:.2} at worst"
            );
            println!("{words}");
            // Asked for: 0.1 and 0.6 at the measured positions, 0.05 and 0.5 more elsewhere.
            let (median_limit, worst_limit) = if *where_ == "measured" { (0.1, 0.6) } else { (0.15, 1.1) };
            assert!(median <= median_limit && worst <= worst_limit, "seed {seed}: {words}");
        }
    }
}

/// A plain full-range pulse.
fn pulse(at: f64, strength: f64) -> Vec<f64> {
    let mut x = vec![0.0; 4096];
    simulated::add_pulse(&mut x, at, strength, 48, 0.92);
    for q in BUTTERWORTH_4 {
        Section::pass(100.0, q, true, RATE_HZ).run(&mut x);
    }
    x
}

#[test]
fn positions_must_agree_on_a_polarity() {
    let speaker = |name: &str, strengths: &[f64]| Speaker {
        name: name.into(),
        impulses: strengths.iter().map(|strength| pulse(60.0, *strength)).collect(),
    };
    let speakers = [
        speaker("sound", &[1.0; 6]),
        speaker("divided", &[1.0, 1.0, -1.0, -1.0, -1.0, -1.0]),
        speaker("turned", &[-1.0, -1.0, -1.0, -1.0, -1.0, 1.0]),
    ];
    let alignment = align(&speakers, options(None)).unwrap();
    let inverted: Vec<bool> = alignment.channels.iter().map(|channel| channel.invert).collect();
    assert_eq!(inverted, [false, false, true], "{:?}", alignment.remarks);
    // A reflection close by divides the positions of a sound speaker too: nothing is said of it.
    assert!(alignment.remarks.iter().all(|it| !it.contains("divided")), "{:?}", alignment.remarks);
}

#[test]
fn delays_land_on_the_processors_steps() {
    // Two pulses, 1.234 ms apart, the second half as loud.
    let near = pulse(48.0, 1.0);
    let far = pulse(48.0 + 1.234e-3 * RATE_HZ, -0.5);
    let speakers =
        [("near", near), ("far", far)].map(|(name, x)| Speaker { name: name.into(), impulses: vec![x] });
    let delay = DelayRange { max: 20.0, step: Some(0.02) };
    let alignment = align(&speakers, options(Some(delay))).unwrap();
    let [near, far] = &alignment.channels[..] else { panic!("two channels went in") };
    assert_eq!((near.delay_ms, far.delay_ms), (1.24, 0.0));
    assert!((near.delay_cm - 1.24e-3 * 34_320.0).abs() < 1e-6 && (near.delay_samples - 59.52).abs() < 1e-6);
    assert!((near.arrival_ms - 4.0).abs() < 0.005, "{}", near.arrival_ms);
    assert!((far.distance_m - (4.0 + 1.234) * 0.3432).abs() < 0.002);
    assert!((near.gain_db + 6.02).abs() < 0.05 && far.gain_db == 0.0);
    assert!(!near.invert && far.invert);
    assert_eq!(near.confidence, Confidence::High);
    let short = align(&speakers, options(Some(DelayRange { max: 0.5, step: Some(0.02) }))).unwrap();
    assert_eq!(short.channels[0].delay_ms, 0.5);
    assert!(short.remarks.iter().any(|r| r.contains("1.23")), "{:?}", short.remarks);
}

#[test]
fn what_cannot_be_aligned_is_refused_by_name() {
    let speaker = |name: &str, impulses: Vec<Vec<f64>>| Speaker { name: name.into(), impulses };
    assert!(align(&[], options(None)).is_err());
    let mut good = vec![0.0; 2048];
    good[100] = 1.0;
    let odd = [speaker("a", vec![good.clone(); 2]), speaker("b", vec![good.clone()])];
    assert!(align(&odd, options(None)).unwrap_err().to_string().contains("b 1, a 2"));
    for (bad, words) in
        [(vec![0.0; 2048], "silent"), (vec![1.0; 100], "100 samples"), (vec![f64::NAN; 2048], "finite")]
    {
        let error = align(&[speaker("a", vec![good.clone()]), speaker("tweeter", vec![bad])], options(None))
            .unwrap_err();
        let line = error.to_string();
        assert!(line.contains("tweeter, position 1") && line.contains(words), "{line}");
    }
}
