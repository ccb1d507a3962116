//! The RIFF header: found in a file, or made for one.

use std::io::{ErrorKind, Read, Seek, SeekFrom};
use std::path::Path;

use super::{Encoding, HIGHEST_RATE_HZ, LOWEST_RATE_HZ, WavError, shown};

const CODE_INTEGER: u16 = 1;
const CODE_FLOAT: u16 = 3;
const CODE_EXTENSIBLE: u16 = 0xFFFE;
/// What follows the format code in the sub-format identifier of `WAVE_FORMAT_EXTENSIBLE`.
const SUB_FORMAT_TAIL: [u8; 14] = [0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71];
/// Sizes written by programs that stream and cannot go back, and by RF64 for "see ds64".
const SIZE_UNKNOWN: u32 = u32::MAX;
/// No honest file has more chunks before its sound.
const MOST_CHUNKS: usize = 4096;
/// Our own recordings say in a filler chunk, which every reader skips, whether they were closed.
const RECORDING_NOTE: &[u8; 20] = b"cabinwright take is ";
const NOTE_OPEN: &[u8; 6] = b"open  ";
const NOTE_CLOSED: &[u8; 6] = b"closed";

/// Where the sound lies in a file and how it is stored.
pub(super) struct Layout {
    pub encoding: Encoding,
    pub channels: u16,
    pub rate_hz: u32,
    pub data_start: u64,
    /// Bytes by the header; `None` when the header was never completed.
    pub promised: Option<u64>,
}

impl Layout {
    pub fn frame_bytes(&self) -> u64 {
        u64::from(self.channels) * u64::from(self.encoding.bytes())
    }
}

/// Reads the chunks up to the sound. `length` is the true length of the file.
pub(super) fn find(source: &mut (impl Read + Seek), length: u64, path: &Path) -> Result<Layout, WavError> {
    Finder { source, length, path, at: 0 }.find()
}

struct Finder<'a, S> {
    source: &'a mut S,
    length: u64,
    path: &'a Path,
    at: u64,
}

struct Format {
    encoding: Encoding,
    channels: u16,
    rate_hz: u32,
}

impl<S: Read + Seek> Finder<'_, S> {
    fn find(&mut self) -> Result<Layout, WavError> {
        let wide = self.opening()?;
        let mut wide_data = None;
        let mut format = None;
        let mut left_open = false;
        for _ in 0..MOST_CHUNKS {
            if self.length.saturating_sub(self.at) < 8 {
                return Err(self.damaged(match format {
                    None => "the file ends before the description of its format",
                    Some(_) => "the file ends before its sound begins",
                }));
            }
            let id: [u8; 4] = self.bytes()?;
            let size = u32::from_le_bytes(self.bytes()?);
            let body = self.at;
            match &id {
                b"fmt " => format = Some(self.format(size)?),
                b"ds64" if wide && size >= 16 => {
                    let _riff: [u8; 8] = self.bytes()?;
                    wide_data = Some(u64::from_le_bytes(self.bytes()?));
                }
                b"JUNK" if size as usize == RECORDING_NOTE.len() + NOTE_OPEN.len() => {
                    let note: [u8; 20] = self.bytes()?;
                    let state: [u8; 6] = self.bytes()?;
                    left_open |= &note == RECORDING_NOTE && &state == NOTE_OPEN;
                }
                b"data" => {
                    let Some(Format { encoding, channels, rate_hz }) = format else {
                        return Err(self.damaged("the sound comes before the description of its format"));
                    };
                    let promised = match size {
                        _ if left_open => None,
                        SIZE_UNKNOWN => wide_data,
                        0 if !self.chunk_follows()? => None,
                        size => Some(u64::from(size)),
                    };
                    return Ok(Layout { encoding, channels, rate_hz, data_start: body, promised });
                }
                _ if !id.iter().all(|byte| (0x20..0x7F).contains(byte)) => {
                    return Err(self.damaged(format_args!(
                        "there is no chunk where one should begin, at byte {}",
                        body - 8
                    )));
                }
                _ => {}
            }
            // Chunks are padded to an even length.
            self.go_to(body + u64::from(size) + u64::from(size & 1))?;
        }
        Err(self.damaged(format_args!("no sound within the first {MOST_CHUNKS} chunks")))
    }

    /// Checks the first twelve bytes; true when sizes may stand in a `ds64` chunk.
    fn opening(&mut self) -> Result<bool, WavError> {
        if self.length == 0 {
            return Err(self.foreign("is an empty file"));
        }
        let shown: Vec<u8> = {
            let mut start = Vec::with_capacity(12);
            self.source.by_ref().take(12).read_to_end(&mut start).map_err(|cause| self.system(cause))?;
            self.at = start.len() as u64;
            start
        };
        let wide = match shown.get(..4) {
            Some(b"RIFF") => false,
            Some(b"RF64" | b"BW64") => true,
            Some(b"RIFX") => return Err(self.foreign("is RIFF in big-endian order")),
            _ => return Err(self.foreign(kind_of(&shown))),
        };
        match shown.get(8..12) {
            Some(b"WAVE") => Ok(wide),
            Some(_) => Err(self.foreign("is RIFF, but holds no WAVE")),
            None => Err(self.damaged("it ends within the first twelve bytes")),
        }
    }

    fn format(&mut self, size: u32) -> Result<Format, WavError> {
        if size < 16 {
            return Err(
                self.damaged(format_args!("the description of its format has {size} bytes and needs 16"))
            );
        }
        let mut code = u16::from_le_bytes(self.bytes()?);
        let channels = u16::from_le_bytes(self.bytes()?);
        let rate_hz = u32::from_le_bytes(self.bytes()?);
        let _bytes_per_second: [u8; 4] = self.bytes()?;
        let frame_bytes = u16::from_le_bytes(self.bytes()?);
        let bits = u16::from_le_bytes(self.bytes()?);
        if code == CODE_EXTENSIBLE {
            if size < 40 {
                return Err(self.damaged(format_args!("its extended format has {size} bytes and needs 40")));
            }
            let _length_valid_bits_speakers: [u8; 8] = self.bytes()?;
            code = u16::from_le_bytes(self.bytes()?);
            let tail: [u8; 14] = self.bytes()?;
            if tail != SUB_FORMAT_TAIL {
                return Err(self.unsupported("a private format"));
            }
        }
        let encoding = match (code, bits) {
            (CODE_INTEGER, 16) => Encoding::Int16,
            // Fewer valid bits sit at the top of their container, so full scale stays where it is.
            (CODE_INTEGER, 17..=24) => Encoding::Int24,
            (CODE_INTEGER, 25..=32) => Encoding::Int32,
            (CODE_FLOAT, 32) => Encoding::Float32,
            (CODE_FLOAT, 64) => Encoding::Float64,
            (CODE_INTEGER, _) => return Err(self.unsupported(format_args!("{bits}-bit integers"))),
            (CODE_FLOAT, _) => return Err(self.unsupported(format_args!("{bits}-bit floating point"))),
            (2 | 17, _) => return Err(self.unsupported("compressed sound (ADPCM)")),
            (6, _) => return Err(self.unsupported("compressed sound (A-law)")),
            (7, _) => return Err(self.unsupported("compressed sound (mu-law)")),
            (0x50 | 0x55, _) => return Err(self.unsupported("compressed sound (MPEG)")),
            _ => return Err(self.unsupported(format_args!("format code {code:#06x}"))),
        };
        if channels == 0 {
            return Err(self.damaged("it says it has no channels"));
        }
        if u32::from(frame_bytes) != u32::from(channels) * u32::from(encoding.bytes()) {
            return Err(self.damaged(format_args!(
                "{channels} channels of {bits} bits do not make frames of {frame_bytes} bytes"
            )));
        }
        if !(LOWEST_RATE_HZ..=HIGHEST_RATE_HZ).contains(&rate_hz) {
            return Err(WavError::Unsupported {
                path: shown(self.path),
                found: format!("sound at {rate_hz} Hz"),
                right: format!("WAV at {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"),
            });
        }
        Ok(Format { encoding, channels, rate_hz })
    }

    /// Whether what follows an empty data chunk is another chunk, or the end, rather than sound without a length.
    fn chunk_follows(&mut self) -> Result<bool, WavError> {
        let left = self.length.saturating_sub(self.at);
        if left < 8 {
            return Ok(true);
        }
        let back = self.at;
        let id: [u8; 4] = self.bytes()?;
        let size = u64::from(u32::from_le_bytes(self.bytes()?));
        self.go_to(back)?;
        Ok(id.iter().all(|byte| (0x20..0x7F).contains(byte)) && size + 8 <= left)
    }

    fn bytes<const N: usize>(&mut self) -> Result<[u8; N], WavError> {
        let mut bytes = [0; N];
        match self.source.read_exact(&mut bytes) {
            Ok(()) => {
                self.at += N as u64;
                Ok(bytes)
            }
            Err(cause) if cause.kind() == ErrorKind::UnexpectedEof => {
                Err(self.damaged("the file ends within its header"))
            }
            Err(cause) => Err(self.system(cause)),
        }
    }

    fn go_to(&mut self, at: u64) -> Result<(), WavError> {
        self.source.seek(SeekFrom::Start(at)).map_err(|cause| self.system(cause))?;
        self.at = at;
        Ok(())
    }

    fn system(&self, cause: std::io::Error) -> WavError {
        WavError::System { doing: "read", path: shown(self.path), cause }
    }

    fn foreign(&self, found: impl ToString) -> WavError {
        WavError::Foreign { path: shown(self.path), found: found.to_string() }
    }

    fn damaged(&self, what: impl ToString) -> WavError {
        WavError::Damaged { path: shown(self.path), what: what.to_string() }
    }

    fn unsupported(&self, found: impl ToString) -> WavError {
        WavError::Unsupported {
            path: shown(self.path),
            found: found.to_string(),
            right: "16, 24 or 32-bit integer or 32-bit float WAV".into(),
        }
    }
}

/// Names what a foreign file is, by its first bytes.
fn kind_of(start: &[u8]) -> &'static str {
    match start {
        [b'f', b'L', b'a', b'C', ..] => "is FLAC",
        [b'O', b'g', b'g', b'S', ..] => "is Ogg",
        [b'F', b'O', b'R', b'M', ..] => "is AIFF",
        [b'I', b'D', b'3', ..] | [0xFF, 0xE0..=0xFF, ..] => "is MPEG audio",
        [b'{' | b'[', ..] => "is JSON",
        [0x89, b'P', b'N', b'G', ..] => "is a picture",
        [b'%', b'P', b'D', b'F', ..] => "is a PDF",
        [b'P', b'K', 3, 4, ..] => "is a ZIP archive",
        _ if start.iter().all(|byte| byte.is_ascii_graphic() || byte.is_ascii_whitespace()) => "is text",
        _ => "does not begin with RIFF",
    }
}

/// The header of a recording: nothing, still open, or closed.
#[derive(Clone, Copy)]
pub(super) enum Note {
    None,
    Open,
    Closed,
}

/// Bytes up to the first sample. The caller has made sure that the sizes fit in 32 bits, see [`most_data_bytes`].
pub(super) fn make(encoding: Encoding, channels: u16, rate_hz: u32, data_bytes: u32, note: Note) -> Vec<u8> {
    let code = if encoding.is_float() { CODE_FLOAT } else { CODE_INTEGER };
    let frame_bytes = channels.saturating_mul(encoding.bytes());
    let bits = encoding.bytes() * 8;
    let mut format = Vec::with_capacity(40);
    // Plain codes are for one or two channels of up to 16 bits or float; all else is "extensible".
    let extensible = channels > 2 || matches!(encoding, Encoding::Int24 | Encoding::Int32);
    format.extend(if extensible { CODE_EXTENSIBLE } else { code }.to_le_bytes());
    format.extend(channels.to_le_bytes());
    format.extend(rate_hz.to_le_bytes());
    format.extend(rate_hz.saturating_mul(u32::from(frame_bytes)).to_le_bytes());
    format.extend(frame_bytes.to_le_bytes());
    format.extend(bits.to_le_bytes());
    if extensible {
        format.extend(22u16.to_le_bytes());
        format.extend(bits.to_le_bytes());
        // No speaker positions: the channels are numbered, not placed.
        format.extend(0u32.to_le_bytes());
        format.extend(code.to_le_bytes());
        format.extend(SUB_FORMAT_TAIL);
    } else if encoding.is_float() {
        format.extend(0u16.to_le_bytes());
    }

    let mut body = Vec::with_capacity(HEADER_MOST);
    body.extend(b"WAVE");
    chunk(&mut body, b"fmt ", &format);
    if encoding.is_float() || extensible {
        let frames = data_bytes.checked_div(u32::from(frame_bytes)).unwrap_or(0);
        chunk(&mut body, b"fact", &frames.to_le_bytes());
    }
    let state = match note {
        Note::None => None,
        Note::Open => Some(NOTE_OPEN),
        Note::Closed => Some(NOTE_CLOSED),
    };
    if let Some(state) = state {
        chunk(&mut body, b"JUNK", &[RECORDING_NOTE.as_slice(), state].concat());
    }
    body.extend(b"data");
    body.extend(data_bytes.to_le_bytes());

    let mut header = Vec::with_capacity(HEADER_MOST);
    header.extend(b"RIFF");
    header
        .extend((body.len() as u32).saturating_add(data_bytes).saturating_add(data_bytes & 1).to_le_bytes());
    header.extend(body);
    header
}

fn chunk(out: &mut Vec<u8>, id: &[u8; 4], body: &[u8]) {
    out.extend(id);
    out.extend((body.len() as u32).to_le_bytes());
    out.extend(body);
}

const HEADER_MOST: usize = 128;

/// The most sound one file can hold: RIFF counts in 32 bits, header and padding included.
pub(super) const fn most_data_bytes() -> u64 {
    u32::MAX as u64 - HEADER_MOST as u64
}
