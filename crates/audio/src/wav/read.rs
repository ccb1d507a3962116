//! Reading a WAV file into numbers.

use std::fs::File;
use std::io::{BufReader, Cursor, ErrorKind, Read, Seek, SeekFrom};
use std::path::Path;

use super::{Doubt, Encoding, GIB, Wav, WavError, header, shown};

/// Samples over all channels that are read at most: 4 GiB as `f64`.
const MOST_SAMPLES: u64 = 1 << 29;

/// Reads a WAV file: 16, 24 or 32-bit integer, 32 or 64-bit float, any channel count, 8 to 192 kHz.
///
/// Integers of `n` bits are divided by 2^(n−1), so that full scale is 1.0. A file that ends early, or a recording that
/// was cut off, gives what is there and says so in [`Wav::doubts`].
///
/// # Errors
/// One line naming the file: it cannot be opened, is something else, is damaged, has no samples, is stored in a way that
/// is not read here, or holds a sample that is not a finite number.
pub fn read(path: impl AsRef<Path>) -> Result<Wav, WavError> {
    let path = path.as_ref();
    let system = |cause| WavError::System { doing: "read", path: shown(path), cause };
    let kind = std::fs::metadata(path).map_err(system)?;
    if !kind.is_file() {
        // Opening a pipe would wait for a writer that may never come.
        return Err(WavError::Foreign {
            path: shown(path),
            found: if kind.is_dir() { "is a folder" } else { "is not an ordinary file" }.into(),
        });
    }
    let file = File::open(path).map_err(system)?;
    read_from(&mut BufReader::with_capacity(1 << 16, file), kind.len(), path)
}

/// Reads a WAV that is in memory; `path` is only named in errors.
///
/// # Errors
/// As [`read`].
pub fn decode(bytes: &[u8], path: impl AsRef<Path>) -> Result<Wav, WavError> {
    read_from(&mut Cursor::new(bytes), bytes.len() as u64, path.as_ref())
}

fn read_from(source: &mut (impl Read + Seek), length: u64, path: &Path) -> Result<Wav, WavError> {
    let system = |cause| WavError::System { doing: "read", path: shown(path), cause };
    let layout = header::find(source, length, path)?;
    let frame_bytes = layout.frame_bytes();
    let there = length.saturating_sub(layout.data_start);
    let bytes = layout.promised.map_or(there, |promised| promised.min(there));
    let samples = bytes / u64::from(layout.encoding.bytes());
    if samples > MOST_SAMPLES {
        let gib = |samples: u64| samples as f64 * 8.0 / GIB;
        return Err(WavError::TooLarge {
            path: shown(path),
            needed_gib: gib(samples),
            most_gib: gib(MOST_SAMPLES),
        });
    }

    source.seek(SeekFrom::Start(layout.data_start)).map_err(system)?;
    let frames = usize::try_from(bytes / frame_bytes).unwrap_or(usize::MAX);
    let mut channels = vec![Vec::new(); usize::from(layout.channels)];
    for channel in &mut channels {
        channel.try_reserve_exact(frames).map_err(|_| WavError::TooLarge {
            path: shown(path),
            needed_gib: samples as f64 * 8.0 / GIB,
            most_gib: 0.0,
        })?;
    }
    let mut block = vec![0; frame_bytes as usize * (16_384 / frame_bytes as usize).max(1)];
    let mut left = frames * frame_bytes as usize;
    while left > 0 {
        let wanted = left.min(block.len());
        let Some(block) = block.get_mut(..wanted) else { break };
        match source.read_exact(block) {
            Ok(()) => {}
            Err(cause) if cause.kind() == ErrorKind::UnexpectedEof => break,
            Err(cause) => return Err(system(cause)),
        }
        unpack(block, layout.encoding, &mut channels);
        left -= wanted;
    }

    let found = channels.first().map_or(0, Vec::len);
    if found == 0 {
        return Err(WavError::Empty { path: shown(path) });
    }
    let rate = f64::from(layout.rate_hz);
    if layout.encoding.is_float() {
        refuse_non_finite(&channels, rate, path)?;
    }
    let found_s = found as f64 / rate;
    let mut doubts = Vec::new();
    match layout.promised {
        None => doubts.push(Doubt::Unfinished { found_s }),
        Some(promised) if promised / frame_bytes > found as u64 => {
            doubts.push(Doubt::Truncated { promised_s: (promised / frame_bytes) as f64 / rate, found_s });
        }
        Some(_) => {}
    }
    if bytes % frame_bytes != 0 {
        doubts.push(Doubt::PartialFrame);
    }
    Ok(Wav { rate_hz: layout.rate_hz, channels, encoding: layout.encoding, doubts })
}

/// Appends whole frames to the channels.
fn unpack(block: &[u8], encoding: Encoding, channels: &mut [Vec<f64>]) {
    let width = usize::from(encoding.bytes());
    for frame in block.chunks_exact(width * channels.len()) {
        for (channel, sample) in channels.iter_mut().zip(frame.chunks_exact(width)) {
            channel.push(number(sample, encoding));
        }
    }
}

fn number(sample: &[u8], encoding: Encoding) -> f64 {
    match (encoding, sample) {
        (Encoding::Int16, &[a, b]) => f64::from(i16::from_le_bytes([a, b])) / f64::from(1u32 << 15),
        (Encoding::Int24, &[a, b, c]) => f64::from(i32::from_le_bytes([0, a, b, c])) / f64::from(1u32 << 31),
        (Encoding::Int32, &[a, b, c, d]) => {
            f64::from(i32::from_le_bytes([a, b, c, d])) / f64::from(1u32 << 31)
        }
        (Encoding::Float32, &[a, b, c, d]) => f64::from(f32::from_le_bytes([a, b, c, d])),
        (Encoding::Float64, &[a, b, c, d, e, f, g, h]) => f64::from_le_bytes([a, b, c, d, e, f, g, h]),
        // Widths and encodings agree by construction; a mismatch must not pass for silence.
        _ => f64::NAN,
    }
}

/// Full scale is 1, and some write integers as they are; what is beyond is damage.
const LOUDEST: f64 = 1e10;

fn refuse_non_finite(channels: &[Vec<f64>], rate_hz: f64, path: &Path) -> Result<(), WavError> {
    let first = channels
        .iter()
        .enumerate()
        .filter_map(|(index, channel)| {
            channel.iter().position(|x| !(0.0..=LOUDEST).contains(&x.abs())).map(|frame| (frame, index))
        })
        .min();
    let Some((frame, index)) = first else { return Ok(()) };
    let value = channels.get(index).and_then(|channel| channel.get(frame)).copied().unwrap_or(f64::NAN);
    Err(WavError::NotFinite {
        path: shown(path),
        channel: index + 1,
        frame: frame as u64,
        at_s: frame as f64 / rate_hz,
        value: if value.is_finite() { format!("{value:e}") } else { value.to_string() },
    })
}
