//! Writing a WAV file whole: under a temporary name, synced, then renamed.

use std::fs::{File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::header::{self, Note};
use super::{Encoding, GIB, HIGHEST_RATE_HZ, LOWEST_RATE_HZ, WavError, shown};

/// Word lengths that head units play.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum IntegerBits {
    /// 16 bits: every head unit.
    Sixteen,
    /// 24 bits.
    TwentyFour,
}

/// Writes float32 at `rate_hz`, one entry of `channels` per channel, full scale 1.0.
///
/// The file appears under its name only when it is complete and on the disk; an existing file is replaced.
///
/// # Errors
/// No channels or samples, unequal lengths, a sample that is not finite as float32, a rate outside 8 to 192 kHz, more
/// than 4 GiB (all found before anything is written), or the system's refusal.
pub fn write_f32(path: impl AsRef<Path>, rate_hz: u32, channels: &[Vec<f64>]) -> Result<(), WavError> {
    let path = path.as_ref();
    let signal = Signal::check(path, rate_hz, channels, Encoding::Float32, f64::from(f32::MAX))?;
    signal.write(path, |out, sample| out.write_all(&(sample as f32).to_le_bytes()))
}

/// Writes integers with triangular dither of two steps' width, for players that take nothing else.
///
/// The dither makes the rounding error independent of the signal, up to its second moment (Lipshitz, Wannamaker and
/// Vanderkooy, "Quantization and dither: a theoretical survey", JAES 40(5), 1992). It is the same in every run, so a
/// file can be made again bit for bit.
///
/// # Errors
/// As [`write_f32`], and any sample beyond full scale: it would clip.
pub fn write_integer(
    path: impl AsRef<Path>,
    rate_hz: u32,
    channels: &[Vec<f64>],
    bits: IntegerBits,
) -> Result<(), WavError> {
    let path = path.as_ref();
    let (encoding, bits) = match bits {
        IntegerBits::Sixteen => (Encoding::Int16, 16u32),
        IntegerBits::TwentyFour => (Encoding::Int24, 24),
    };
    let signal = Signal::check(path, rate_hz, channels, encoding, 1.0)?;
    let scale = f64::from(1u32 << (bits - 1));
    let mut noise = ChaCha8Rng::seed_from_u64(0);
    signal.write(path, |out, sample| {
        let dither = noise.random::<f64>() - noise.random::<f64>();
        let steps = (sample * scale + dither).round().clamp(-scale, scale - 1.0) as i32;
        match encoding {
            Encoding::Int16 => out.write_all(&(steps as i16).to_le_bytes()),
            _ => {
                let [a, b, c, _] = steps.to_le_bytes();
                out.write_all(&[a, b, c])
            }
        }
    })
}

/// A signal that fits its file.
struct Signal<'a> {
    rate_hz: u32,
    channels: &'a [Vec<f64>],
    count: u16,
    frames: usize,
    data_bytes: u32,
    encoding: Encoding,
}

impl<'a> Signal<'a> {
    fn check(
        path: &Path,
        rate_hz: u32,
        channels: &'a [Vec<f64>],
        encoding: Encoding,
        largest: f64,
    ) -> Result<Self, WavError> {
        let bad = |what: String| WavError::BadSignal { path: shown(path), what };
        let frames = channels.first().map_or(0, Vec::len);
        if frames == 0 {
            return Err(bad("there are no samples to write".into()));
        }
        if let Some(other) = channels.iter().find(|channel| channel.len() != frames) {
            return Err(bad(format!("its channels differ in length: {frames} and {} samples", other.len())));
        }
        for (index, channel) in channels.iter().enumerate() {
            if let Some(frame) = channel.iter().position(|sample| sample.is_nan() || sample.abs() > largest) {
                let value = channel.get(frame).copied().unwrap_or(f64::NAN);
                let wrong = if value.is_finite() {
                    "beyond full scale; lower the level"
                } else {
                    "not a finite number"
                };
                return Err(bad(format!("sample {frame} of channel {} is {value}: {wrong}", index + 1)));
            }
        }
        let count = fits(path, rate_hz, channels.len(), frames as u64, encoding)?;
        let data_bytes = frames as u64 * u64::from(count) * u64::from(encoding.bytes());
        Ok(Self { rate_hz, channels, count, frames, data_bytes: data_bytes as u32, encoding })
    }

    fn write(
        &self,
        path: &Path,
        mut put: impl FnMut(&mut BufWriter<&File>, f64) -> io::Result<()>,
    ) -> Result<(), WavError> {
        replace(path, |file| {
            let mut out = BufWriter::with_capacity(1 << 16, file);
            out.write_all(&header::make(
                self.encoding,
                self.count,
                self.rate_hz,
                self.data_bytes,
                Note::None,
            ))?;
            let mut readers: Vec<_> = self.channels.iter().map(|channel| channel.iter()).collect();
            for _ in 0..self.frames {
                for sample in readers.iter_mut().filter_map(Iterator::next) {
                    put(&mut out, *sample)?;
                }
            }
            if self.data_bytes % 2 == 1 {
                out.write_all(&[0])?;
            }
            out.flush()
        })
        .map_err(|cause| WavError::System { doing: "write", path: shown(path), cause })
    }
}

/// Refuses what RIFF cannot hold before anything is written; gives the channel count back.
pub(super) fn fits(
    path: &Path,
    rate_hz: u32,
    channels: usize,
    frames: u64,
    encoding: Encoding,
) -> Result<u16, WavError> {
    let bad = |what: String| WavError::BadSignal { path: shown(path), what };
    if !(LOWEST_RATE_HZ..=HIGHEST_RATE_HZ).contains(&rate_hz) {
        return Err(bad(format!("{rate_hz} Hz is outside {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz")));
    }
    let most = usize::from(u16::MAX / encoding.bytes());
    if channels == 0 || channels > most {
        return Err(bad(format!("{channels} channels; a WAV file holds 1 to {most}")));
    }
    let bytes = frames.saturating_mul(channels as u64 * u64::from(encoding.bytes()));
    if bytes > header::most_data_bytes() {
        return Err(WavError::TooLarge {
            path: shown(path),
            needed_gib: bytes as f64 / GIB,
            most_gib: header::most_data_bytes() as f64 / GIB,
        });
    }
    Ok(channels as u16)
}

/// Fills a temporary file beside `path`, syncs it, and gives it its name.
fn replace(path: &Path, fill: impl FnOnce(&File) -> io::Result<()>) -> io::Result<()> {
    let temporary = temporary_beside(path);
    let file = OpenOptions::new().write(true).create_new(true).open(&temporary)?;
    let done = fill(&file).and_then(|()| file.sync_all()).and_then(|()| std::fs::rename(&temporary, path));
    if let Err(cause) = done {
        let _ = std::fs::remove_file(&temporary);
        return Err(cause);
    }
    sync_folder_of(path);
    Ok(())
}

fn temporary_beside(path: &Path) -> PathBuf {
    static COUNT: AtomicU32 = AtomicU32::new(0);
    let mut name = std::ffi::OsString::from(".");
    name.push(path.file_name().unwrap_or_default());
    name.push(format!(".{}-{}.part", std::process::id(), COUNT.fetch_add(1, Ordering::Relaxed)));
    path.with_file_name(name)
}

/// Makes the name itself durable, where the system can; where it cannot, the content already is.
pub(super) fn sync_folder_of(path: &Path) {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let _ = File::open(folder).and_then(|folder| folder.sync_all());
}
