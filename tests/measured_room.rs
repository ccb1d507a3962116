//! A measured room instead of a made one: its published impulse response is played into the measuring chain.
//!
//! `tests/measured/living_room.wav`: a living room, from OpenAIR (public domain), as shipped in the source
//! distribution of the Python package `acoustics` 0.2.6. Its own noise floor lies only 20 to 30 dB below the direct
//! sound, so the response has to be found inside a noisy tail, as in a cabin.
#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a test may stop where it stands")]

mod common;

use std::path::Path;

use common::{cabinwright, root};
use realfft::RealFftPlanner;

const RATE_HZ: u32 = 44_100;
/// The recorder starts this much before the player.
const LEAD: usize = 30_011;

fn read(path: &Path) -> (u32, Vec<Vec<f64>>) {
    let wav = hound::WavReader::open(path).unwrap();
    let spec = wav.spec();
    let all: Vec<f64> = wav.into_samples::<f32>().map(|s| f64::from(s.unwrap())).collect();
    let count = usize::from(spec.channels);
    (spec.sample_rate, (0..count).map(|c| all.iter().skip(c).step_by(count).copied().collect()).collect())
}

fn write(path: &Path, channels: &[&[f64]]) {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: RATE_HZ,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut wav = hound::WavWriter::create(path, spec).unwrap();
    for n in 0..channels[0].len() {
        for channel in channels {
            wav.write_sample(channel[n] as f32).unwrap();
        }
    }
    wav.finalize().unwrap();
}

fn spectrum(signal: &[f64], length: usize) -> Vec<realfft::num_complex::Complex<f64>> {
    let plan = RealFftPlanner::<f64>::new().plan_fft_forward(length);
    let mut padded = signal.to_vec();
    padded.resize(length, 0.0);
    let mut out = plan.make_output_vec();
    plan.process(&mut padded, &mut out).unwrap();
    out
}

fn convolve(a: &[f64], b: &[f64]) -> Vec<f64> {
    let length = (a.len() + b.len()).next_power_of_two();
    let mut product: Vec<_> =
        spectrum(a, length).iter().zip(spectrum(b, length)).map(|(x, y)| x * y).collect();
    let plan = RealFftPlanner::<f64>::new().plan_fft_inverse(length);
    let mut out = plan.make_output_vec();
    plan.process(&mut product, &mut out).unwrap();
    out.truncate(a.len() + b.len() - 1);
    out.iter().map(|x| x / length as f64).collect()
}

/// Noise with the spectrum of the room's own floor: its last 0.4 s, convolved with seeded white noise.
fn floor_noise(room: &[f64], length: usize, seed: u64) -> Vec<f64> {
    use rand::{RngExt, SeedableRng};
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let white: Vec<f64> = (0..length).map(|_| random.random_range(-1.0..1.0)).collect();
    let tail = &room[room.len() - RATE_HZ as usize * 2 / 5..];
    let mut noise = convolve(&white, tail);
    noise.truncate(length);
    noise
}

fn rms(x: &[f64]) -> f64 {
    (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt()
}

/// Mean power of the whole response over 1/12 octave around `at_hz`, in dB: the plain sum over bins.
fn true_level_db(power: &[f64], spacing_hz: f64, at_hz: f64) -> f64 {
    let ratio = (0.5_f64 / 12.0).exp2();
    let from = (at_hz / ratio / spacing_hz).round() as usize;
    let to = (at_hz * ratio / spacing_hz).round() as usize;
    10.0 * (power[from..=to].iter().sum::<f64>() / (to - from + 1) as f64).log10()
}

#[test]
fn a_published_room_is_measured_through_its_own_noise() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    let (rate, room) = read(&root().join("tests/measured/living_room.wav"));
    assert_eq!(rate, RATE_HZ);
    let room = &room[0];
    cabinwright(
        at,
        &[
            "stimulus",
            "sweep",
            "--rate",
            "44100",
            "--low-hz",
            "20",
            "--high-hz",
            "20000",
            "--seconds",
            "6",
            "--level-dbfs",
            "-12",
            "--markers",
            "--out",
            "s.wav",
        ],
    )
    .done();
    let (_, stimulus) = read(&at.join("s.wav"));
    let stimulus = &stimulus[0];

    // A recorder that starts early, hears the room on input 1 and the player on input 2, 40 dB above the noise.
    let heard = convolve(stimulus, room);
    let length = LEAD + heard.len() + RATE_HZ as usize;
    let seed = 20_260_301;
    let noise = floor_noise(room, length, seed);
    let scale = rms(&heard) / rms(&noise) * 10f64.powf(-40.0 / 20.0);
    let mut microphone: Vec<f64> = noise.iter().map(|n| n * scale).collect();
    let mut reference = vec![0.0; length];
    for (n, x) in heard.iter().enumerate() {
        microphone[LEAD + n] += x;
    }
    for (n, x) in stimulus.iter().enumerate() {
        reference[LEAD + n] += x;
    }
    // Head-room: the loudest sample of the room's sum must fit a float recording that is not called clipped.
    let peak = microphone.iter().fold(0.0_f64, |m, x| m.max(x.abs()));
    let gain = (0.5 / peak).min(1.0);
    microphone.iter_mut().for_each(|x| *x *= gain);
    write(&at.join("c.wav"), &[&microphone, &reference]);

    cabinwright(
        at,
        &[
            "response",
            "--stimulus",
            "s.wav",
            "--capture",
            "c.wav",
            "--input-channel",
            "1",
            "--reference-channel",
            "2",
            "--smoothing",
            "12",
            "--window-ms",
            // The file lasts 0.89 s, and its floor at 50 Hz lasts as long: all of it has to lie where the window is flat,
            // the first two thirds. A window of 900 ms fades half of that floor out, which is 3.7 dB at 51 Hz.
            "1400",
            "--out",
            "out",
        ],
    )
    .done();

    let facts: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(at.join("out/c.facts.json")).unwrap()).unwrap();
    let direct = room.iter().enumerate().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())).unwrap().0;
    let direct_ms = direct as f64 / f64::from(RATE_HZ) * 1000.0;
    // The file begins in the middle of its first arrival: from sample 8 on a broad pulse of three quarters of the largest
    // sample, which itself comes 67 samples later and is sharper. What arrives first is the sound's beginning, so the
    // answer has to lie from the first sample on and no later than the largest one; two samples for either end.
    let arrival_ms = facts["arrival_ms"].as_f64().unwrap();
    let slack_ms = 2.0 / 44.1;
    assert!(
        (-slack_ms..=direct_ms + slack_ms).contains(&arrival_ms),
        "arrival {arrival_ms} ms, largest sample at {direct_ms} ms"
    );
    let skew = facts["clock_skew_ppm"].as_f64().unwrap();
    assert!(skew.abs() < 0.01, "both ran on one clock, yet the skew is {skew} ppm");

    let length = 131_072;
    let power: Vec<f64> = spectrum(room, length).iter().map(|h| h.norm_sqr() * gain * gain).collect();
    let spacing_hz = f64::from(RATE_HZ) / length as f64;
    let mut csv = csv_rows(&at.join("out/c.response.csv"));
    csv.retain(|row| (50.0..16_000.0).contains(&row[0]));
    assert!(csv.len() > 100);
    let errors: Vec<(f64, f64)> =
        csv.iter().map(|row| (row[0], row[1] - true_level_db(&power, spacing_hz, row[0]))).collect();
    let (worst_hz, worst_db) = errors.iter().copied().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())).unwrap();
    let rms_db = rms(&errors.iter().map(|e| e.1).collect::<Vec<_>>());
    println!(
        "measured room: rms error {rms_db:.3} dB, worst {worst_db:+.2} dB at {worst_hz:.0} Hz, seed {seed}"
    );
    // At 40 dB below the sweep as a whole this floor, which falls with frequency, stands only some 20 dB under the
    // room's narrow dips: a few tenths there, hundredths elsewhere.
    assert!(rms_db < 0.1, "rms {rms_db} dB, seed {seed}");
    assert!(worst_db.abs() < 1.0, "{worst_db} dB at {worst_hz} Hz, seed {seed}");
}

fn csv_rows(path: &Path) -> Vec<Vec<f64>> {
    let text = std::fs::read_to_string(path).expect("the response is written");
    text.lines()
        .skip(1)
        .map(|line| line.split(',').map(|cell| cell.parse().unwrap_or(f64::NAN)).collect())
        .collect()
}
