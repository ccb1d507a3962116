//! The two streams of a take. Their callbacks copy and count: no locks, no allocation, no files, no words.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use cpal::traits::DeviceTrait;
use cpal::{ErrorKind, FromSample, I24, Sample, SampleFormat, SizedSample};
use rtrb::{Consumer, Producer, RingBuffer};

use super::beat::Beat;
use super::devices::{Found, Opening};
use crate::rig::RigError;
use crate::safety::Player;

/// Sound the ring holds while the disk is busy.
const RING_S: f64 = 8.0;
/// Blocks whose times fit in the ring; at the smallest usual block of 64 frames and 192 kHz that is over a second.
const RING_BLOCKS: usize = 4096;
/// A stream whose callback is silent for this long is lost; the longest block of a slow device is a tenth of it.
const SILENT_FOR: Duration = Duration::from_millis(2_000);
/// A driver reports passing troubles too; one after which no block comes for this long has ended.
const ENDED_AFTER: Duration = Duration::from_millis(400);
const OPEN_WITHIN: Duration = Duration::from_secs(5);

/// What a stream says about itself while it runs.
#[derive(Debug)]
pub(super) struct Health {
    origin: Instant,
    /// Milliseconds after the origin when the last callback ran; 0 before the first.
    last_ms: AtomicU64,
    frames: AtomicU64,
    /// Frames the ring had no room for.
    overrun: AtomicU64,
    xruns: AtomicU64,
    troubled: AtomicBool,
    gone: AtomicBool,
}

impl Health {
    pub fn new(origin: Instant) -> Arc<Self> {
        Arc::new(Self {
            origin,
            last_ms: AtomicU64::new(0),
            frames: AtomicU64::new(0),
            overrun: AtomicU64::new(0),
            xruns: AtomicU64::new(0),
            troubled: AtomicBool::new(false),
            gone: AtomicBool::new(false),
        })
    }

    fn beat(&self, now: Instant, frames: u64) {
        let ms = now.saturating_duration_since(self.origin).as_millis() as u64;
        self.last_ms.store(ms.max(1), Ordering::Relaxed);
        // Whatever the trouble was, it has passed.
        self.troubled.store(false, Ordering::Relaxed);
        self.frames.store(frames, Ordering::Release);
    }

    /// An error costs one store, however many come: an unplugged device can send a quarter of a million a second.
    fn error(&self, error: &cpal::Error) {
        match error.kind() {
            ErrorKind::Xrun => {
                self.xruns.fetch_add(1, Ordering::Relaxed);
            }
            ErrorKind::RealtimeDenied => {}
            ErrorKind::DeviceNotAvailable
            | ErrorKind::DeviceChanged
            | ErrorKind::HostUnavailable
            | ErrorKind::StreamInvalidated => self.gone.store(true, Ordering::Release),
            _ => self.troubled.store(true, Ordering::Release),
        }
    }

    /// The device is gone, or nothing comes from it any more.
    pub fn ended(&self) -> bool {
        let patience = if self.troubled.load(Ordering::Acquire) { ENDED_AFTER } else { SILENT_FOR };
        self.gone.load(Ordering::Acquire) || self.silent_for() > patience
    }

    /// Frames that passed the callback.
    pub fn frames(&self) -> u64 {
        self.frames.load(Ordering::Acquire)
    }

    pub fn overrun_frames(&self) -> u64 {
        self.overrun.load(Ordering::Relaxed)
    }

    pub fn xruns(&self) -> u64 {
        self.xruns.load(Ordering::Relaxed)
    }

    /// Time since the last callback, or since the origin when none came yet.
    fn silent_for(&self) -> Duration {
        self.origin.elapsed().saturating_sub(Duration::from_millis(self.last_ms.load(Ordering::Relaxed)))
    }
}

/// What the callbacks hand to the writer.
pub(super) struct Ends {
    pub samples: Consumer<f32>,
    pub beats: Consumer<Beat>,
}

/// Opens the input; nothing flows until it is played.
pub(super) fn input(
    found: &Found,
    opening: Opening,
    inputs: &[u16],
    health: &Arc<Health>,
) -> Result<(cpal::Stream, Ends), RigError> {
    let capacity = (RING_S * f64::from(opening.config.sample_rate)) as usize * inputs.len();
    let (samples, samples_end) = RingBuffer::new(capacity);
    let (beats, beats_end) = RingBuffer::new(RING_BLOCKS);
    let tap = Tap {
        inputs: inputs.iter().map(|&input| usize::from(input)).collect(),
        width: usize::from(opening.config.channels),
        samples,
        beats,
        health: Arc::clone(health),
        frames: 0,
    };
    let stream = match opening.format {
        SampleFormat::I16 => build_input::<i16>(found, opening, tap),
        SampleFormat::I24 => build_input::<I24>(found, opening, tap),
        SampleFormat::I32 => build_input::<i32>(found, opening, tap),
        _ => build_input::<f32>(found, opening, tap),
    };
    Ok((stream.map_err(|error| found.trouble(&error))?, Ends { samples: samples_end, beats: beats_end }))
}

fn build_input<T>(found: &Found, opening: Opening, mut tap: Tap) -> Result<cpal::Stream, cpal::Error>
where
    T: SizedSample,
    f32: FromSample<T>,
{
    let health = Arc::clone(&tap.health);
    found.device.build_input_stream(
        opening.config,
        move |block: &[T], _: &_| tap.take(block),
        move |error| health.error(&error),
        Some(OPEN_WITHIN),
    )
}

struct Tap {
    inputs: Vec<usize>,
    width: usize,
    samples: Producer<f32>,
    beats: Producer<Beat>,
    health: Arc<Health>,
    frames: u64,
}

impl Tap {
    fn take<T>(&mut self, block: &[T])
    where
        T: Copy,
        f32: FromSample<T>,
    {
        let now = Instant::now();
        let frames = block.len() / self.width;
        let beat = Beat { first_frame: self.frames, frames: frames as u64, at: now };
        self.frames += frames as u64;
        // A block goes in whole or not at all, so that the channels stay in step; its number tells the writer.
        let room = !self.beats.is_full();
        match self.samples.write_chunk_uninit(frames * self.inputs.len()) {
            Ok(chunk) if room => {
                let inputs = &self.inputs;
                chunk.fill_from_iter(block.chunks_exact(self.width).flat_map(|frame| {
                    inputs
                        .iter()
                        .map(|&input| frame.get(input).map_or(0.0, |&sample| f32::from_sample_(sample)))
                }));
                let _ = self.beats.push(beat);
            }
            _ => {
                self.health.overrun.fetch_add(frames as u64, Ordering::Relaxed);
            }
        }
        self.health.beat(now, self.frames);
    }
}

/// Opens the output; nothing sounds until it is played. `stop` silences it for good.
pub(super) fn output(
    found: &Found,
    opening: Opening,
    player: Player,
    stop: &Arc<AtomicBool>,
    health: &Arc<Health>,
) -> Result<(cpal::Stream, Consumer<Beat>), RigError> {
    let (beats, beats_end) = RingBuffer::new(RING_BLOCKS);
    let voice = Voice {
        player,
        width: usize::from(opening.config.channels),
        stop: Arc::clone(stop),
        beats,
        health: Arc::clone(health),
    };
    let stream = match opening.format {
        SampleFormat::I16 => build_output::<i16>(found, opening, voice),
        SampleFormat::I24 => build_output::<I24>(found, opening, voice),
        SampleFormat::I32 => build_output::<i32>(found, opening, voice),
        _ => build_output::<f32>(found, opening, voice),
    };
    Ok((stream.map_err(|error| found.trouble(&error))?, beats_end))
}

fn build_output<T>(found: &Found, opening: Opening, mut voice: Voice) -> Result<cpal::Stream, cpal::Error>
where
    T: SizedSample + FromSample<f32>,
{
    let health = Arc::clone(&voice.health);
    found.device.build_output_stream(
        opening.config,
        move |block: &mut [T], _: &_| voice.fill(block),
        move |error| health.error(&error),
        Some(OPEN_WITHIN),
    )
}

struct Voice {
    player: Player,
    width: usize,
    stop: Arc<AtomicBool>,
    beats: Producer<Beat>,
    health: Arc<Health>,
}

impl Voice {
    fn fill<T>(&mut self, block: &mut [T])
    where
        T: Sample + FromSample<f32>,
    {
        let now = Instant::now();
        let first_frame = self.player.rendered_frames();
        if self.stop.load(Ordering::Acquire) {
            self.player.stop();
        }
        for frame in block.chunks_exact_mut(self.width) {
            frame.fill(T::EQUILIBRIUM);
            self.player.frame(|output, sample| {
                if let Some(place) = frame.get_mut(usize::from(output)) {
                    *place = T::from_sample(sample);
                }
            });
        }
        let rendered = self.player.rendered_frames();
        let _ = self.beats.push(Beat { first_frame, frames: rendered - first_frame, at: now });
        self.health.beat(now, rendered);
    }
}
