//! A float32 WAV that grows while it is being recorded and stays readable at every moment.

use std::fs::{File, OpenOptions};
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::header::{self, Note};
use super::write::{fits, sync_folder_of};
use super::{Encoding, WavError, shown};

/// Streams interleaved samples to a float32 WAV.
///
/// About once a second of sound the samples are put on the disk and only then counted in the header, so after a crash
/// any reader finds a valid file. What came after the last count is found by [`super::read`], which says that the
/// recording was cut off.
#[derive(Debug)]
pub struct Recorder {
    path: PathBuf,
    out: BufWriter<File>,
    channels: u16,
    rate_hz: u32,
    frames: u64,
    counted: u64,
    closed: bool,
}

impl Recorder {
    /// Starts a recording of `channels` channels; `frames_expected` (0 when not known) is checked against the 4 GiB of
    /// RIFF before anything is written.
    ///
    /// # Errors
    /// The file exists, cannot be made, or could not hold what is expected.
    pub fn create(
        path: impl Into<PathBuf>,
        rate_hz: u32,
        channels: usize,
        frames_expected: u64,
    ) -> Result<Self, WavError> {
        let path = path.into();
        let channels = fits(&path, rate_hz, channels, frames_expected, Encoding::Float32)?;
        let system = |cause| WavError::System { doing: "write", path: shown(&path), cause };
        let file = OpenOptions::new().write(true).create_new(true).open(&path).map_err(system)?;
        let mut out = BufWriter::with_capacity(1 << 16, file);
        out.write_all(&header::make(Encoding::Float32, channels, rate_hz, 0, Note::Open))
            .and_then(|()| out.flush())
            .map_err(system)?;
        sync_folder_of(&path);
        Ok(Self { path, out, channels, rate_hz, frames: 0, counted: 0, closed: false })
    }

    /// The file being written.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Frames written so far.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Appends whole frames of interleaved samples; a rest that is no whole frame is not written.
    ///
    /// # Errors
    /// The disk is full or gone, or the file would exceed 4 GiB; what was written before stays readable.
    pub fn write(&mut self, interleaved: &[f32]) -> Result<(), WavError> {
        let width = usize::from(self.channels);
        let more = interleaved.len() / width;
        fits(&self.path, self.rate_hz, width, self.frames + more as u64, Encoding::Float32)?;
        self.append(interleaved, more * width).map_err(|cause| self.system(cause))
    }

    fn append(&mut self, interleaved: &[f32], samples: usize) -> io::Result<()> {
        for sample in interleaved.iter().take(samples) {
            self.out.write_all(&sample.to_le_bytes())?;
        }
        self.frames += samples as u64 / u64::from(self.channels);
        if self.frames - self.counted >= u64::from(self.rate_hz) {
            self.count(Note::Open)?;
        }
        Ok(())
    }

    /// Puts the samples on the disk, then their number in the header.
    fn count(&mut self, note: Note) -> io::Result<()> {
        self.out.flush()?;
        self.out.get_ref().sync_data()?;
        let bytes = self.frames * u64::from(self.channels) * u64::from(Encoding::Float32.bytes());
        let header = header::make(Encoding::Float32, self.channels, self.rate_hz, bytes as u32, note);
        self.out.seek(SeekFrom::Start(0))?;
        self.out.write_all(&header)?;
        self.out.seek(SeekFrom::End(0))?;
        self.out.get_ref().sync_data()?;
        self.counted = self.frames;
        Ok(())
    }

    /// Closes the recording and gives the frames it holds.
    ///
    /// # Errors
    /// The disk's refusal; what reached the disk stays readable.
    pub fn finish(mut self) -> Result<u64, WavError> {
        self.closed = true;
        self.count(Note::Closed).map_err(|cause| self.system(cause))?;
        Ok(self.frames)
    }

    fn system(&self, cause: io::Error) -> WavError {
        WavError::System { doing: "write", path: shown(&self.path), cause }
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        if !self.closed {
            // Left unfinished on the way out of an error: keep what is there, marked as cut off.
            let _ = self.count(Note::Open);
        }
    }
}
