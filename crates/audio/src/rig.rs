//! The interface that every rig serves, real or simulated.

use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering};

/// One device as a rig lists it.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceFacts {
    /// The name to ask for it by.
    pub name: String,
    /// What the system says about it, in words; may be empty.
    pub description: String,
    /// Output channels, 0 for an input.
    pub output_channels: u16,
    /// Input channels, 0 for an output.
    pub input_channels: u16,
    /// Rates it offers, ascending.
    pub rates_hz: Vec<u32>,
    /// True for a device that exists only in a simulation.
    pub simulated: bool,
}

/// What to play and what to record.
#[derive(Debug, Clone)]
pub struct TakeOrder {
    /// Sample rate of playing and recording.
    pub rate_hz: u32,
    /// What leaves the output, one entry per driven output channel; none at all only records, for `tail_s`.
    pub play: Vec<PlayedChannel>,
    /// Input channels to keep, counted from 0, in the order of the recording's channels.
    pub record_inputs: Vec<u16>,
    /// Silence recorded after the stimulus has been played.
    pub tail_s: f64,
    /// The float32 WAV that grows while recording; it must not exist.
    pub recording: PathBuf,
    /// No output sample exceeds this, whatever the stimulus holds; 0 or less.
    pub ceiling_dbfs: f64,
}

/// What to record while something else plays: nothing leaves this rig.
#[derive(Debug, Clone)]
pub struct ListenOrder {
    /// Sample rate of the recording.
    pub rate_hz: u32,
    /// Input channels to keep, counted from 0, in the order of the recording's channels.
    pub record_inputs: Vec<u16>,
    /// The recording ends here at the latest; up to ten minutes.
    pub longest_s: f64,
    /// The float32 WAV that grows while recording; it must not exist.
    pub recording: PathBuf,
}

impl ListenOrder {
    /// The same as a take that plays nothing.
    pub fn as_take(&self) -> TakeOrder {
        TakeOrder {
            rate_hz: self.rate_hz,
            play: Vec::new(),
            record_inputs: self.record_inputs.clone(),
            tail_s: self.longest_s,
            recording: self.recording.clone(),
            ceiling_dbfs: 0.0,
        }
    }
}

/// Whether whoever follows a recording wants more of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wanted {
    /// Go on.
    More,
    /// End it here.
    Enough,
}

/// Follows a recording as it grows: takes interleaved frames of the recorded inputs, each once and in order.
///
/// It may take its time: what comes meanwhile waits, up to some seconds.
pub type Ear<'a> = dyn FnMut(&[f32]) -> Wanted + Send + 'a;

/// The signal for one output channel.
#[derive(Debug, Clone)]
pub struct PlayedChannel {
    /// Output channel, counted from 0.
    pub output: u16,
    /// Samples from −1 to 1, already faded and within the channel's safe band.
    pub samples: std::sync::Arc<Vec<f32>>,
}

/// How one take went.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct TakeFacts {
    /// Frames in the recording.
    pub frames: u64,
    /// Largest sample of each recorded input.
    pub peak_dbfs: Vec<f64>,
    /// Samples at full scale, per recorded input.
    pub clipped_samples: Vec<u64>,
    /// Frames known to be lost; any at all spoils the take.
    pub lost_frames: u64,
    /// The take was stopped before the stimulus ended.
    pub stopped: bool,
    /// The frame of the recording that was being heard when Stop was asked for, as well as it is known.
    pub stop_asked_at_frame: Option<u64>,
    /// What was noticed besides, one plain sentence each: where frames were lost, what the driver reported.
    pub remarks: Vec<String>,
    /// True when the recording was simulated.
    pub simulated: bool,
    /// Name of the output device.
    pub output: String,
    /// Name of the input device.
    pub input: String,
}

/// Progress of a take, shared with whoever watches it; reading and stopping never block.
#[derive(Debug, Default)]
pub struct Watch {
    stop: AtomicBool,
    played_per_mille: AtomicU32,
    peaks_bits: [AtomicU32; WATCHED_INPUTS],
    /// A bit for each input.
    clipped: AtomicU32,
    recorded_frames: AtomicU64,
}

/// Recorded inputs whose levels a watch tells apart; what comes on more is not shown live.
pub const WATCHED_INPUTS: usize = 32;

impl Watch {
    /// Asks for silence; heard within 50 ms on a real device.
    pub fn stop(&self) {
        self.stop.store(true, Ordering::Release);
    }

    /// True once [`Watch::stop`] was called.
    pub fn stopping(&self) -> bool {
        self.stop.load(Ordering::Acquire)
    }

    /// Share of the stimulus played, 0 to 1.
    pub fn progress(&self) -> f64 {
        f64::from(self.played_per_mille.load(Ordering::Relaxed)) / 1000.0
    }

    /// Sets the share of the stimulus played, 0 to 1.
    pub fn set_progress(&self, share: f64) {
        self.played_per_mille.store((share.clamp(0.0, 1.0) * 1000.0) as u32, Ordering::Relaxed);
    }

    /// Largest recorded sample of the latest block over all inputs, 0 to 1 and above when one exceeds full scale.
    pub fn peak(&self) -> f32 {
        (0..WATCHED_INPUTS).map(|input| self.peak_of(input)).fold(0.0, f32::max)
    }

    /// The same of one input, counted from 0 within the recording.
    pub fn peak_of(&self, input: usize) -> f32 {
        self.peaks_bits.get(input).map_or(0.0, |bits| f32::from_bits(bits.load(Ordering::Relaxed)))
    }

    /// True once an input, counted from 0 within the recording, has touched full scale.
    pub fn clipped(&self, input: usize) -> bool {
        input < WATCHED_INPUTS && self.clipped.load(Ordering::Relaxed) & (1 << input) != 0
    }

    /// Sets the largest sample of the latest block for each input, and whether the input has touched full scale.
    pub fn set_inputs(&self, inputs: impl IntoIterator<Item = (f32, bool)>) {
        for (input, (peak, clipped)) in inputs.into_iter().take(WATCHED_INPUTS).enumerate() {
            self.peaks_bits[input].store(peak.to_bits(), Ordering::Relaxed);
            self.clipped.fetch_or(u32::from(clipped) << input, Ordering::Relaxed);
        }
    }

    /// Frames recorded so far.
    pub fn recorded_frames(&self) -> u64 {
        self.recorded_frames.load(Ordering::Relaxed)
    }

    /// Sets the frames recorded so far.
    pub fn set_recorded_frames(&self, frames: u64) {
        self.recorded_frames.store(frames, Ordering::Relaxed);
    }
}

/// Why a rig could not do what was asked; sorted by what helps.
#[derive(Debug, thiserror::Error)]
pub enum RigError {
    /// Choose another device.
    #[error("no {direction} device is called \"{name}\"; there are: {known}")]
    NoSuchDevice {
        /// "output" or "input".
        direction: &'static str,
        /// The name asked for.
        name: String,
        /// The names there are.
        known: String,
    },
    /// Choose another rate.
    #[error("{device} does not run at {asked_hz} Hz; it offers {offered}")]
    WrongRate {
        /// The device.
        device: String,
        /// The rate asked for.
        asked_hz: u32,
        /// The rates on offer.
        offered: String,
    },
    /// Choose another channel.
    #[error("{device} has no {direction} channel {asked}; it has {count}")]
    NoSuchChannel {
        /// The device.
        device: String,
        /// "output" or "input".
        direction: &'static str,
        /// Counted from 1.
        asked: u16,
        /// How many there are.
        count: u16,
    },
    /// Plug it in again; what was recorded is kept.
    #[error("{device} vanished while {doing}; what was recorded until then is kept in {kept}")]
    DeviceLost {
        /// The device.
        device: String,
        /// What was going on.
        doing: &'static str,
        /// The partial recording.
        kept: String,
    },
    /// The order itself is wrong.
    #[error("{0}")]
    BadOrder(String),
    /// The recording could not be written.
    #[error("cannot write {path}: {cause}; make room or choose another place, then take it again")]
    Disk {
        /// The recording.
        path: String,
        /// The system's words.
        cause: String,
    },
    /// Anything a driver says that has no better name here.
    #[error("{device}: {cause}")]
    Device {
        /// The device.
        device: String,
        /// The driver's words.
        cause: String,
    },
}

/// Something that plays and records: a pair of devices, or a simulated car.
pub trait Rig: Send {
    /// The devices this rig can use.
    fn devices(&self) -> Result<Vec<DeviceFacts>, RigError>;

    /// Plays and records; returns when the tail is recorded, on stop, or on the first error.
    ///
    /// A take with lost frames is returned, not refused: its facts say that it is spoiled.
    fn take(&mut self, order: &TakeOrder, watch: &Watch) -> Result<TakeFacts, RigError>;

    /// Records without opening any output; returns when `ear` has enough, at the longest time, on stop, or on the first
    /// error. A device that vanishes and lost frames are treated as in [`Rig::take`].
    fn listen(
        &mut self,
        order: &ListenOrder,
        ear: &mut Ear<'_>,
        watch: &Watch,
    ) -> Result<TakeFacts, RigError>;
}
