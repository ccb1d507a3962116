//! WAV files against a second implementation (hound), against bytes laid out by hand after the published RIFF
//! description, and against every kind of damage.

#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a test fails by panicking")]

use std::path::PathBuf;

use audio::wav::{self, Doubt, Encoding, IntegerBits, Recorder, Wav, WavError};

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().unwrap()
}

fn decode(bytes: &[u8]) -> Result<Wav, WavError> {
    wav::decode(bytes, "x.wav")
}

/// One line, naming the file.
fn complaint(result: Result<Wav, WavError>) -> String {
    let words = result.expect_err("this file must be refused").to_string();
    assert!(words.contains("x.wav"), "names no file: {words}");
    assert!(!words.contains('\n'), "more than one line: {words}");
    words
}

fn riff(chunks: &[(&[u8; 4], Vec<u8>)]) -> Vec<u8> {
    let mut body = b"WAVE".to_vec();
    for (id, content) in chunks {
        body.extend(*id);
        body.extend((content.len() as u32).to_le_bytes());
        body.extend(content);
        if content.len() % 2 == 1 {
            body.push(0);
        }
    }
    [b"RIFF".to_vec(), (body.len() as u32).to_le_bytes().to_vec(), body].concat()
}

fn format(code: u16, channels: u16, rate_hz: u32, bits: u16) -> Vec<u8> {
    let frame = channels * bits.div_ceil(8);
    let mut bytes = Vec::new();
    bytes.extend(code.to_le_bytes());
    bytes.extend(channels.to_le_bytes());
    bytes.extend(rate_hz.to_le_bytes());
    bytes.extend((rate_hz.wrapping_mul(u32::from(frame))).to_le_bytes());
    bytes.extend(frame.to_le_bytes());
    bytes.extend(bits.to_le_bytes());
    bytes
}

fn extensible(code: u16, channels: u16, rate_hz: u32, bits: u16) -> Vec<u8> {
    let mut bytes = format(0xFFFE, channels, rate_hz, bits);
    bytes.extend(22u16.to_le_bytes());
    bytes.extend(bits.to_le_bytes());
    bytes.extend(0u32.to_le_bytes());
    bytes.extend(code.to_le_bytes());
    bytes.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71]);
    bytes
}

fn floats(samples: &[f32]) -> Vec<u8> {
    samples.iter().flat_map(|sample| sample.to_le_bytes()).collect()
}

fn two_seconds(channels: usize) -> Vec<Vec<f64>> {
    (0..channels)
        .map(|channel| {
            (0..2000)
                .map(|n| f64::from((0.3 * ((n * (channel + 1)) as f32 * 0.05).sin()).clamp(-1.0, 1.0)))
                .collect()
        })
        .collect()
}

#[test]
fn integers_of_every_width_have_full_scale_one() {
    let cases: [(u16, Vec<u8>, [f64; 3]); 3] = [
        (
            16,
            [i16::MIN, 0x4000, i16::MAX].iter().flat_map(|x| x.to_le_bytes()).collect(),
            [-1.0, 0.5, 32767.0 / 32768.0],
        ),
        (24, vec![0, 0, 0x80, 0, 0, 0x40, 0xFF, 0xFF, 0x7F], [-1.0, 0.5, 8_388_607.0 / 8_388_608.0]),
        (
            32,
            [i32::MIN, 0x4000_0000, i32::MAX].iter().flat_map(|x| x.to_le_bytes()).collect(),
            [-1.0, 0.5, 2_147_483_647.0 / 2_147_483_648.0],
        ),
    ];
    for (bits, data, expected) in cases {
        for form in [format(1, 1, 48_000, bits), extensible(1, 1, 48_000, bits)] {
            let wav = decode(&riff(&[(b"fmt ", form), (b"data", data.clone())])).unwrap();
            assert_eq!(wav.channels, vec![expected.to_vec()], "{bits} bits");
            assert!(wav.doubts.is_empty(), "{:?}", wav.doubts);
        }
    }
}

#[test]
fn floats_of_both_widths_pass_unchanged_even_beyond_full_scale() {
    let samples = [-2.5f32, 0.0, 1.0e-30, 0.75];
    let single = floats(&samples);
    let double: Vec<u8> = samples.iter().flat_map(|&x| f64::from(x).to_le_bytes()).collect();
    for (bits, data) in [(32, single), (64, double)] {
        for form in [format(3, 2, 192_000, bits), extensible(3, 2, 192_000, bits)] {
            let wav = decode(&riff(&[(b"fmt ", form), (b"data", data.clone())])).unwrap();
            assert_eq!(wav.channels, vec![vec![-2.5, f64::from(1.0e-30f32)], vec![0.0, 0.75]]);
            assert_eq!(wav.rate_hz, 192_000);
        }
    }
}

#[test]
fn hound_reads_what_we_write() {
    let dir = folder();
    for channels in [1, 2, 3, 8, 33] {
        let signal = two_seconds(channels);
        let path = dir.path().join(format!("{channels}.wav"));
        wav::write_f32(&path, 44_100, &signal).unwrap();
        let mut reader = hound::WavReader::open(&path).unwrap();
        assert_eq!(usize::from(reader.spec().channels), channels);
        assert_eq!((reader.spec().sample_rate, reader.spec().bits_per_sample), (44_100, 32));
        let samples: Vec<f32> = reader.samples().map(Result::unwrap).collect();
        assert_eq!(samples.len(), 2000 * channels);
        for (index, sample) in samples.iter().enumerate() {
            assert_eq!(f64::from(*sample), signal[index % channels][index / channels]);
        }
        assert_eq!(wav::read(&path).unwrap().channels, signal);
    }
    for (bits, count) in [(IntegerBits::Sixteen, 16), (IntegerBits::TwentyFour, 24)] {
        // An odd number of odd-sized frames needs the padding byte.
        let signal = vec![two_seconds(1)[0][..1999].to_vec()];
        let path = dir.path().join(format!("integer{count}.wav"));
        wav::write_integer(&path, 48_000, &signal, bits).unwrap();
        assert_eq!(std::fs::metadata(&path).unwrap().len() % 2, 0);
        let mut reader = hound::WavReader::open(&path).unwrap();
        assert_eq!(reader.spec().bits_per_sample, count);
        let scale = f64::from(1u32 << (count - 1));
        let worst = reader
            .samples::<i32>()
            .zip(&signal[0])
            .map(|(got, sent)| (f64::from(got.unwrap()) - sent * scale).abs())
            .fold(0.0, f64::max);
        // Rounding is half a step, the dither at most one.
        assert!(worst <= 1.5 && worst > 0.5, "{worst} steps");
    }
}

#[test]
fn we_read_what_hound_writes() {
    let dir = folder();
    for (bits, sample_format) in [
        (16, hound::SampleFormat::Int),
        (24, hound::SampleFormat::Int),
        (32, hound::SampleFormat::Int),
        (32, hound::SampleFormat::Float),
    ] {
        for channels in [1u16, 2, 6] {
            let path = dir.path().join(format!("{bits}{sample_format:?}{channels}.wav"));
            let spec = hound::WavSpec { channels, sample_rate: 96_000, bits_per_sample: bits, sample_format };
            let mut writer = hound::WavWriter::create(&path, spec).unwrap();
            let scale = 2f64.powi(i32::from(bits) - 1);
            let value = |n: i32| f64::from(n) / 1024.0;
            for n in -600..600 {
                match sample_format {
                    hound::SampleFormat::Int => writer.write_sample((value(n) * scale) as i32).unwrap(),
                    hound::SampleFormat::Float => writer.write_sample(value(n) as f32).unwrap(),
                }
            }
            writer.finalize().unwrap();
            let wav = wav::read(&path).unwrap();
            assert_eq!(wav.channels.len(), usize::from(channels));
            for (index, n) in (-600..600).enumerate() {
                let width = usize::from(channels);
                assert_eq!(wav.channels[index % width][index / width], value(n), "{path:?}");
            }
        }
    }
}

#[test]
fn dither_makes_the_mean_of_many_samples_exact_between_steps() {
    let dir = folder();
    let path = dir.path().join("quiet.wav");
    let level = 0.3 / 32768.0; // a third of a step: without dither it would vanish
    wav::write_integer(&path, 48_000, &[vec![level; 100_000]], IntegerBits::Sixteen).unwrap();
    let read = wav::read(&path).unwrap();
    let mean = read.channels[0].iter().sum::<f64>() / 100_000.0 * 32768.0;
    // Total error of triangular dither: variance 1/4 step² (Lipshitz et al. 1992), so 4 sigma of the mean are 0.0063.
    assert!((mean - 0.3).abs() < 0.0063, "{mean} steps");
    let first = std::fs::read(&path).unwrap();
    wav::write_integer(&path, 48_000, &[vec![level; 100_000]], IntegerBits::Sixteen).unwrap();
    assert_eq!(first, std::fs::read(&path).unwrap(), "the same signal makes the same file");
}

#[test]
fn strange_but_sound_files_are_read() {
    let form = format(1, 1, 8_000, 16);
    let data = vec![1, 0, 2, 0];
    let list = (b"LIST", b"INFOodd".to_vec());
    let wav = decode(&riff(&[list.clone(), (b"fmt ", form.clone()), list, (b"data", data.clone())])).unwrap();
    assert_eq!(wav.channels, vec![vec![1.0 / 32768.0, 2.0 / 32768.0]]);

    // RF64: the size stands in ds64 (EBU Tech 3306).
    let mut ds64 = vec![0; 28];
    ds64[8] = 4;
    let mut bytes = riff(&[(b"ds64", ds64), (b"fmt ", form), (b"data", data)]);
    bytes[..4].copy_from_slice(b"RF64");
    let at = bytes.len() - 8;
    bytes[at..at + 4].copy_from_slice(&u32::MAX.to_le_bytes());
    let wav = decode(&bytes).unwrap();
    assert_eq!((wav.frames(), wav.doubts.len()), (2, 0));
}

#[test]
fn a_file_cut_short_gives_what_is_there_and_a_doubt() {
    let whole = riff(&[(b"fmt ", format(3, 2, 48_000, 32)), (b"data", floats(&[0.5; 96_000]))]);
    let wav = decode(&whole[..44 + 8 * 12_000 + 3]).unwrap();
    assert_eq!(wav.frames(), 12_000);
    assert_eq!(wav.doubts, vec![Doubt::Truncated { promised_s: 1.0, found_s: 0.25 }, Doubt::PartialFrame]);

    for unknown in [0, u32::MAX] {
        let mut streamed = whole.clone();
        streamed[40..44].copy_from_slice(&unknown.to_le_bytes());
        let wav = decode(&streamed).unwrap();
        assert_eq!((wav.frames(), wav.doubts), (48_000, vec![Doubt::Unfinished { found_s: 1.0 }]));
    }
}

#[test]
fn every_cut_and_every_flipped_byte_gives_an_answer() {
    let whole = riff(&[
        (b"fmt ", extensible(3, 2, 48_000, 32)),
        (b"LIST", vec![7; 11]),
        (b"data", floats(&[0.25; 64])),
    ]);
    for length in 0..whole.len() {
        if let Err(error) = decode(&whole[..length]) {
            assert!(!error.to_string().contains('\n'));
        }
    }
    for at in 0..whole.len() {
        for flip in [0x01, 0x80, 0xFF] {
            let mut bent = whole.clone();
            bent[at] ^= flip;
            if let Ok(wav) = decode(&bent) {
                assert!(wav.frames() > 0 && wav.channels.iter().flatten().all(|x| x.is_finite()));
            }
        }
    }
}

#[test]
fn what_is_wrong_is_said() {
    let form = || (b"fmt ", format(1, 1, 48_000, 16));
    let data = || (b"data", vec![0; 8]);
    let cases: [(Vec<u8>, &str); 19] = [
        (vec![], "is an empty file"),
        (b"RIFF".to_vec(), "ends within the first twelve bytes"),
        (b"fLaC and so on and so on".to_vec(), "is FLAC"),
        (b"frequency_hz,level_db\n20,0\n".to_vec(), "is text"),
        (b"{\"format\": 1}".to_vec(), "is JSON"),
        (b"RIFX\0\0\0\0WAVE".to_vec(), "big-endian"),
        (b"RIFF\0\0\0\0AVI ".to_vec(), "holds no WAVE"),
        (riff(&[data()]), "before the description"),
        (riff(&[form()]), "ends before its sound"),
        (riff(&[(b"fmt ", vec![1, 0, 1, 0])]), "needs 16"),
        (riff(&[form(), (b"data", vec![])]), "zero samples"),
        (riff(&[(b"fmt ", format(1, 1, 48_000, 8)), data()]), "8-bit integers"),
        (riff(&[(b"fmt ", format(3, 1, 48_000, 16)), data()]), "16-bit floating point"),
        (riff(&[(b"fmt ", format(7, 1, 48_000, 8)), data()]), "mu-law"),
        (riff(&[(b"fmt ", format(1, 0, 48_000, 16)), data()]), "no channels"),
        (riff(&[(b"fmt ", format(1, 1, 4_000, 16)), data()]), "8000 to 192000 Hz"),
        (riff(&[(b"fmt ", format(1, 1, 384_000, 16)), data()]), "8000 to 192000 Hz"),
        (
            riff(&[(b"fmt ", format(3, 1, 1_000 * 48, 32)), (b"data", floats(&[0.0, f32::NAN, 0.0]))]),
            "sample 1 of channel 1 (at 0.0000 s) is NaN",
        ),
        (
            riff(&[
                (b"fmt ", format(3, 2, 10_000, 32)),
                (b"data", floats(&[0.0, 0.0, 0.0, f32::NEG_INFINITY])),
            ]),
            "sample 1 of channel 2 (at 0.0001 s) is -inf",
        ),
    ];
    for (bytes, part) in cases {
        let words = complaint(decode(&bytes));
        assert!(words.contains(part), "\"{words}\" does not say \"{part}\"");
    }

    let dir = folder();
    let words = wav::read(dir.path()).unwrap_err().to_string();
    assert!(words.contains("is a folder"), "{words}");
    let words = wav::read(dir.path().join("x.wav")).unwrap_err().to_string();
    assert!(words.starts_with("cannot read") && words.contains("x.wav"), "{words}");
}

#[test]
fn an_unfit_signal_is_refused_and_leaves_no_file() {
    let dir = folder();
    let path = dir.path().join("out.wav");
    let refused = |rate_hz, signal: &[Vec<f64>], part: &str| {
        let words = wav::write_f32(&path, rate_hz, signal).unwrap_err().to_string();
        assert!(words.contains(part) && words.contains("out.wav"), "{words}");
    };
    refused(48_000, &[], "no samples");
    refused(48_000, &[vec![]], "no samples");
    refused(48_000, &[vec![0.0; 2], vec![0.0; 3]], "differ in length");
    refused(48_000, &[vec![0.0, f64::NAN]], "sample 1 of channel 1 is NaN");
    refused(48_000, &[vec![1e39]], "full scale");
    refused(7_999, &[vec![0.0]], "8000 to 192000");
    let words =
        wav::write_integer(&path, 48_000, &[vec![1.01]], IntegerBits::Sixteen).unwrap_err().to_string();
    assert!(words.contains("beyond full scale"), "{words}");
    assert!(wav::write_f32(dir.path().join("no/such/out.wav"), 48_000, &[vec![0.0]]).is_err());
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0, "something was left behind");
}

#[test]
fn more_than_four_gibibytes_are_refused_before_anything_is_written() {
    let dir = folder();
    let path = dir.path().join("long.wav");
    let error = Recorder::create(&path, 192_000, 32, 192_000 * 180).unwrap_err();
    assert!(matches!(error, WavError::TooLarge { .. }), "{error}");
    assert!(!path.exists());
}

/// Runs `body` in a child whose files may not grow beyond 200 KiB, as on a disk that is full.
#[cfg(unix)]
fn on_a_full_disk(test: &str, body: impl FnOnce()) {
    const INSIDE: &str = "CABINWRIGHT_DISK_IS_FULL";
    if std::env::var_os(INSIDE).is_some() {
        return body();
    }
    // With the signal ignored, a write beyond the limit fails like one on a full disk. `ulimit` counts 512 bytes.
    let out = std::process::Command::new("sh")
        .args(["-c", "trap '' XFSZ; ulimit -f 400; exec \"$0\" \"$@\""])
        .arg(std::env::current_exe().unwrap())
        .args([test, "--exact", "--nocapture"])
        .env(INSIDE, "1")
        .output()
        .unwrap();
    let words = String::from_utf8_lossy(&out.stdout);
    assert!(
        out.status.success() && words.contains("1 passed"),
        "{words}{}",
        String::from_utf8_lossy(&out.stderr)
    );
}

#[cfg(unix)]
#[test]
fn a_full_disk_keeps_what_was_recorded_and_is_said() {
    on_a_full_disk("a_full_disk_keeps_what_was_recorded_and_is_said", || {
        let dir = folder();
        let path = dir.path().join("take.wav");
        let mut recorder = Recorder::create(&path, 8_000, 1, 0).unwrap();
        let block: Vec<f32> = (0..1000).map(|n| n as f32 * 1e-3).collect();
        let error = (0..1000).find_map(|_| recorder.write(&block).err()).expect("the disk is full");
        assert!(
            error.to_string().starts_with("cannot write") && error.to_string().contains("take.wav"),
            "{error}"
        );
        assert!(recorder.finish().is_err(), "a recording that is cut short was closed as whole");
        let kept = wav::read(&path).unwrap();
        assert!(kept.frames() > 40_000, "{} frames", kept.frames());
        assert!(
            kept.channels[0].iter().enumerate().all(|(n, x)| (x - (n % 1000) as f64 * 1e-3).abs() < 1e-6)
        );
        assert!(matches!(kept.doubts.first(), Some(Doubt::Unfinished { .. })), "{:?}", kept.doubts);
    });
}

#[cfg(unix)]
#[test]
fn a_full_disk_leaves_the_old_file_as_it_was() {
    on_a_full_disk("a_full_disk_leaves_the_old_file_as_it_was", || {
        let dir = folder();
        let path = dir.path().join("take.wav");
        wav::write_f32(&path, 48_000, &[vec![0.25; 100]]).unwrap();
        let error = wav::write_f32(&path, 48_000, &[vec![0.5; 100_000]]).unwrap_err().to_string();
        assert!(error.starts_with("cannot write") && error.contains("take.wav"), "{error}");
        assert_eq!(wav::read(&path).unwrap().channels, vec![vec![0.25; 100]]);
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1, "a half-written file was left behind");
    });
}

#[test]
fn a_growing_recording_is_valid_at_every_moment() {
    let dir = folder();
    let path: PathBuf = dir.path().join("take.wav");
    let mut recorder = Recorder::create(&path, 8_000, 2, 0).unwrap();
    let mut sent = 0u64;
    for block in 0..40u64 {
        let samples: Vec<f32> = (0..2 * 1000).map(|n| ((block * 1000 + n / 2) as f32) * 1e-6).collect();
        recorder.write(&samples).unwrap();
        sent += 1000;
        // Another program sees at most a second less than was sent; ours sees whatever reached the file.
        let theirs = hound::WavReader::open(&path).unwrap();
        assert!(u64::from(theirs.duration()) + 8_000 >= sent, "block {block}");
        if sent >= 16_000 {
            let ours = wav::read(&path).unwrap();
            assert!(ours.frames() as u64 >= u64::from(theirs.duration()));
            assert!(matches!(
                ours.doubts[..],
                [Doubt::Unfinished { .. }] | [Doubt::Unfinished { .. }, Doubt::PartialFrame]
            ));
            for (n, sample) in ours.channels[1].iter().enumerate() {
                assert_eq!(*sample as f32, n as f32 * 1e-6);
            }
        }
    }
    assert_eq!(recorder.finish().unwrap(), sent);
    let wav = wav::read(&path).unwrap();
    assert_eq!((wav.frames() as u64, wav.encoding, wav.doubts.len()), (sent, Encoding::Float32, 0));
    assert_eq!(hound::WavReader::open(&path).unwrap().duration() as u64, sent);
    assert!(Recorder::create(&path, 8_000, 2, 0).is_err(), "a take is never overwritten");
}
