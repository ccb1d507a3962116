//! Properties of the WAV reader and writer over random signals and random damage. A failing case prints its seed and is
//! shrunk to the smallest.

#[path = "../../../tests/fuzz/checks/wav.rs"]
mod check;

use audio::wav::{self, IntegerBits};
use proptest::prelude::*;

/// A valid file, to be damaged: header fields of every kind and a few samples.
fn some_wav() -> impl Strategy<Value = Vec<u8>> {
    let codes = prop_oneof![Just(1u16), Just(3), Just(0xFFFE), Just(7), any::<u16>()];
    let bits = prop_oneof![Just(8u16), Just(16), Just(24), Just(32), Just(64), any::<u16>()];
    let rates = prop_oneof![Just(48_000u32), Just(8_000), Just(192_000), any::<u32>()];
    let sizes = prop_oneof![Just(None), Just(Some(0u32)), Just(Some(u32::MAX)), any::<u32>().prop_map(Some)];
    (codes, 0u16..12, rates, bits, sizes, prop::collection::vec(any::<u8>(), 0..400)).prop_map(
        |(code, channels, rate_hz, bits, size, data)| {
            let frame = channels.wrapping_mul(bits.div_ceil(8));
            let mut bytes = b"RIFF\xFF\0\0\0WAVEfmt ".to_vec();
            bytes.extend(if code == 0xFFFE { 40u32 } else { 16 }.to_le_bytes());
            bytes.extend(code.to_le_bytes());
            bytes.extend(channels.to_le_bytes());
            bytes.extend(rate_hz.to_le_bytes());
            bytes.extend([0; 4]);
            bytes.extend(frame.to_le_bytes());
            bytes.extend(bits.to_le_bytes());
            if code == 0xFFFE {
                bytes.extend([22, 0, 0, 0, 0, 0, 0, 0, 3, 0]);
                bytes.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71]);
            }
            bytes.extend(b"data");
            bytes.extend(size.unwrap_or(data.len() as u32).to_le_bytes());
            bytes.extend(data);
            bytes
        },
    )
}

fn some_signal(largest: f64) -> impl Strategy<Value = Vec<Vec<f64>>> {
    (1usize..6, 1usize..300).prop_flat_map(move |(channels, frames)| {
        prop::collection::vec(prop::collection::vec(-largest..=largest, frames), channels)
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn any_bytes_get_an_answer(data in prop::collection::vec(any::<u8>(), 0..300)) {
        check::fuzz(&data);
    }

    #[test]
    fn any_header_gets_an_answer(data in some_wav()) {
        check::fuzz(&data);
    }

    #[test]
    fn any_damage_gets_an_answer(data in some_wav(), at in any::<prop::sample::Index>(), byte: u8, cut in any::<prop::sample::Index>()) {
        let mut data = data;
        let at = at.index(data.len());
        data[at] = byte;
        data.truncate(cut.index(data.len() + 1));
        check::fuzz(&data);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn float32_comes_back_as_rounded_once(signal in some_signal(4.0), rate_hz in 8_000u32..=192_000) {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let path = dir.path().join("signal.wav");
        wav::write_f32(&path, rate_hz, &signal).expect("a signal that fits");
        let read = wav::read(&path).expect("what was written");
        let rounded: Vec<Vec<f64>> = signal.iter().map(|channel| channel.iter().map(|x| f64::from(*x as f32)).collect()).collect();
        prop_assert_eq!((read.rate_hz, read.channels, read.doubts), (rate_hz, rounded, vec![]));
    }

    #[test]
    fn integers_come_back_within_the_dither(signal in some_signal(1.0)) {
        let dir = tempfile::tempdir().expect("a temporary folder");
        for (bits, step) in [(IntegerBits::Sixteen, 2f64.powi(-15)), (IntegerBits::TwentyFour, 2f64.powi(-23))] {
            let path = dir.path().join("signal.wav");
            wav::write_integer(&path, 48_000, &signal, bits).expect("a signal that fits");
            let read = wav::read(&path).expect("what was written");
            for (sent, got) in signal.iter().flatten().zip(read.channels.iter().flatten()) {
                // Half a step of rounding, one of dither, and one more where full scale has no step.
                prop_assert!((sent - got).abs() <= 2.5 * step, "{sent} came back as {got}");
            }
        }
    }

    #[test]
    fn a_file_cut_anywhere_keeps_every_whole_frame(signal in some_signal(1.0), cut in any::<prop::sample::Index>()) {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let path = dir.path().join("signal.wav");
        wav::write_f32(&path, 48_000, &signal).expect("a signal that fits");
        let whole = std::fs::read(&path).expect("the file");
        let frame = 4 * signal.len();
        let start = whole.len() - frame * signal[0].len();
        let cut = start + cut.index(whole.len() - start);
        match wav::decode(&whole[..cut], "cut.wav") {
            Ok(read) => {
                prop_assert_eq!(read.frames(), (cut - start) / frame);
                prop_assert!(!read.doubts.is_empty());
            }
            Err(error) => prop_assert!(cut - start < frame, "{error}"),
        }
    }
}
