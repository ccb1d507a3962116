//! One take on a card, from opening the streams to the facts.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use cpal::traits::StreamTrait;

use super::CardChoice;
use super::beat::Pulse;
use super::devices::{self, Direction, Found, Opening};
use super::stream::{self, Health};
use super::writer::{Switch, Writer, Written};
use crate::rig::{Ear, PlayedChannel, RigError, TakeFacts, TakeOrder, Watch};
use crate::safety::{self, Player, dbfs};
use crate::wav::{Recorder, WavError};

/// How often the take looks at Stop, progress and health.
const TICK: Duration = Duration::from_millis(2);
/// After the last sample left the callback, the device still holds up to two blocks on each side.
const LATENCY_S: f64 = 0.4;
/// What is recorded after Stop, so that the recording shows the silence.
const AFTER_STOP: Duration = Duration::from_millis(300);

pub(super) struct Played {
    pub facts: TakeFacts,
    /// Peak of what was played; none when nothing was.
    pub signal_peak_dbfs: Option<f64>,
}

/// `output` is opened only where the order plays something; `ear` follows what is recorded, and may end an order that
/// plays nothing before its time.
pub(super) fn run(
    (output, input): (Option<&Found>, &Found),
    choice: &CardChoice,
    loudest_dbfs: Option<f64>,
    order: &TakeOrder,
    ear: &mut Ear<'_>,
    watch: &Watch,
) -> Result<Played, RigError> {
    safety::check(order)?;
    let player = Player::new(order.rate_hz, &order.play, order.ceiling_dbfs, loudest_dbfs)?;
    let origin = Instant::now();
    let input_health = Health::new(origin);
    let highest_input = order.record_inputs.iter().copied().max().unwrap_or(0);
    let input_opening = input.opening(order.rate_hz, highest_input, choice.input_channels)?;
    let highest_output = order.play.iter().map(|line| line.output).max();
    let speaking = match output.zip(highest_output) {
        None => None,
        Some((output, highest)) => {
            Some((output, output.opening(order.rate_hz, highest, choice.output_channels)?))
        }
    };
    let lead_in_frames = player.lead_in_frames();
    let signal_frames = player.signal_frames();
    let tail_frames = ((order.tail_s + LATENCY_S) * f64::from(order.rate_hz)) as u64;
    let expected = signal_frames + tail_frames + u64::from(order.rate_hz);

    let (input_stream, ends) = stream::input(input, input_opening, &order.record_inputs, &input_health)?;
    let recorder = Recorder::create(&order.recording, order.rate_hz, order.record_inputs.len(), expected)
        .map_err(disk)?;
    let switch = Switch::default();
    if lead_in_frames > 0 {
        switch.skip_until.store(u64::MAX, Ordering::Release);
    }
    let writer = Writer {
        ends,
        recorder,
        channels: order.record_inputs.len(),
        rate_hz: order.rate_hz,
        origin,
        switch: &switch,
        watch,
        ear,
    };

    let session = Session { output, input, order, watch, switch: &switch, input_health: &input_health };
    thread::scope(|scope| {
        let writing = thread::Builder::new()
            .name("recording".into())
            .spawn_scoped(scope, || writer.run())
            .map_err(|cause| RigError::Device { device: "this computer".into(), cause: cause.to_string() })?;
        let sounded = session.sound(input_stream, speaking, player);
        switch.done.store(true, Ordering::Release);
        let written = match writing.join() {
            Ok(written) => written.map_err(disk),
            Err(_) => Err(RigError::Device {
                device: "this computer".into(),
                cause: "the writer of the recording failed".into(),
            }),
        };
        // A vanished device explains a short file; a full disk explains an ended take.
        let (sounded, written) = match (sounded, written) {
            (Err(lost), Ok(_)) => return Err(lost),
            (_, Err(disk)) => return Err(disk),
            (Ok(sounded), Ok(written)) => (sounded, written),
        };
        session.still_there(speaking)?;
        Ok(session.facts(sounded, &written, lead_in_frames, signal_frames))
    })
}

fn disk(error: WavError) -> RigError {
    match error {
        WavError::System { path, cause, .. } => RigError::Disk { path, cause: cause.to_string() },
        other => RigError::BadOrder(other.to_string()),
    }
}

/// Plays without recording, for a cue; returns when it is over or stopped.
pub(crate) fn sound_only(
    output: Option<&str>,
    rate_hz: u32,
    play: &[PlayedChannel],
    ceiling_dbfs: f64,
    watch: &Watch,
) -> Result<(), RigError> {
    let player = Player::new(rate_hz, play, ceiling_dbfs, None)?;
    let found = devices::find(&devices::host()?, output, Direction::Output)?;
    let highest = play.iter().map(|line| line.output).max().unwrap_or(0);
    let opening = found.opening(rate_hz, highest, None)?;
    let end = player.lead_in_frames() + player.signal_frames() + (LATENCY_S * f64::from(rate_hz)) as u64;
    let health = Health::new(Instant::now());
    let stop = Arc::new(AtomicBool::new(false));
    let (stream, _beats) = stream::output(&found, opening, player, &stop, &health)?;
    stream.play().map_err(|error| found.trouble(&error))?;
    while health.frames() < end && !watch.stopping() {
        if health.ended() {
            return Err(found.trouble(&cpal::ErrorKind::DeviceNotAvailable.into()));
        }
        thread::sleep(TICK);
    }
    Ok(())
}

struct Session<'a> {
    output: Option<&'a Found>,
    input: &'a Found,
    order: &'a TakeOrder,
    watch: &'a Watch,
    switch: &'a Switch,
    input_health: &'a Health,
}

/// How the sounding part of a take went.
struct Sounded {
    stop_asked: Option<Instant>,
    output: Option<(Pulse, u64)>,
}

impl Session<'_> {
    /// Starts the streams and watches them until the tail is recorded, Stop is asked for, or something is lost.
    fn sound(
        &self,
        input_stream: cpal::Stream,
        speaking: Option<(&Found, Opening)>,
        player: Player,
    ) -> Result<Sounded, RigError> {
        input_stream.play().map_err(|error| self.input.trouble(&error))?;
        while self.input_health.frames() == 0 {
            self.check_input()?;
            if self.watch.stopping() {
                return Ok(Sounded { stop_asked: Some(Instant::now()), output: None });
            }
            thread::sleep(TICK);
        }
        let Some((output, opening)) = speaking else {
            return self.listen();
        };

        let lead_in = player.lead_in_frames();
        let signal = player.signal_frames();
        let end = lead_in + signal + ((self.order.tail_s + LATENCY_S) * f64::from(self.order.rate_hz)) as u64;
        let stop = Arc::new(AtomicBool::new(false));
        let origin = Instant::now();
        let health = Health::new(origin);
        let (stream, mut beats) = stream::output(output, opening, player, &stop, &health)?;
        let mut pulse = Pulse::new(self.order.rate_hz, origin);
        stream.play().map_err(|error| output.trouble(&error))?;
        if lead_in > 0 {
            self.switch.skip_until.store(self.input_health.frames() + lead_in, Ordering::Release);
        }
        let mut sounded = Sounded { stop_asked: None, output: None };
        while health.frames() < end && !self.switch.failed.load(Ordering::Acquire) {
            if self.watch.stopping() {
                sounded.stop_asked = Some(Instant::now());
                stop.store(true, Ordering::Release);
                break;
            }
            self.check_input()?;
            self.check(output, &health, "playing")?;
            while let Ok(beat) = beats.pop() {
                pulse.add(beat);
            }
            self.watch.set_progress(health.frames().saturating_sub(lead_in) as f64 / signal.max(1) as f64);
            thread::sleep(TICK);
        }
        // Closing the device drops what it holds: silence comes at once, not after two blocks.
        drop(stream);
        if let Some(asked) = sounded.stop_asked {
            while asked.elapsed() < AFTER_STOP && self.check_input().is_ok() {
                thread::sleep(TICK);
            }
        }
        sounded.output = Some((pulse, health.xruns()));
        drop(input_stream);
        Ok(sounded)
    }

    /// Records without playing.
    fn listen(&self) -> Result<Sounded, RigError> {
        let frames = (self.order.tail_s * f64::from(self.order.rate_hz)) as u64;
        let over =
            || self.switch.failed.load(Ordering::Acquire) || self.switch.enough.load(Ordering::Acquire);
        while self.input_health.frames() < frames && !over() {
            if self.watch.stopping() {
                return Ok(Sounded { stop_asked: Some(Instant::now()), output: None });
            }
            self.check_input()?;
            self.watch.set_progress(self.input_health.frames() as f64 / frames.max(1) as f64);
            thread::sleep(TICK);
        }
        Ok(Sounded { stop_asked: None, output: None })
    }

    fn check_input(&self) -> Result<(), RigError> {
        self.check(self.input, self.input_health, "recording")
    }

    fn check(&self, found: &Found, health: &Health, doing: &'static str) -> Result<(), RigError> {
        if health.ended() {
            return Err(self.lost(found, doing));
        }
        Ok(())
    }

    fn lost(&self, found: &Found, doing: &'static str) -> RigError {
        RigError::DeviceLost {
            device: found.name.clone(),
            doing,
            kept: self.order.recording.display().to_string(),
        }
    }

    /// A device can vanish and its stream be led elsewhere without a word: open it again to see.
    fn still_there(&self, speaking: Option<(&Found, Opening)>) -> Result<(), RigError> {
        if !self.input.opens(self.order.rate_hz) {
            return Err(self.lost(self.input, "recording"));
        }
        if let Some((output, _)) = speaking
            && !output.opens(self.order.rate_hz)
        {
            return Err(self.lost(output, "playing"));
        }
        Ok(())
    }

    fn facts(&self, sounded: Sounded, written: &Written, lead_in: u64, signal: u64) -> Played {
        let rate = f64::from(self.order.rate_hz);
        let mut remarks = Vec::new();
        let mut lost = written.missing.max(self.input_health.overrun_frames());
        if lost > 0 {
            remarks.push(format!("{lost} frames were lost because the computer was too busy to store them"));
        }
        let mut clock_lost = 0;
        for (frame, count) in written.pulse.gaps(u64::MAX) {
            clock_lost += count;
            let at_s = frame.saturating_sub(written.skipped) as f64 / rate;
            remarks
                .push(format!("the input lost about {:.0} ms near {at_s:.1} s", count as f64 / rate * 1e3));
        }
        let mut xruns = self.input_health.xruns();
        if let Some((pulse, output_xruns)) = &sounded.output {
            xruns += output_xruns;
            for (frame, count) in pulse.gaps(lead_in + signal) {
                clock_lost += count;
                let at_s = frame.saturating_sub(lead_in) as f64 / rate;
                remarks.push(format!(
                    "the output paused for about {:.0} ms near {at_s:.1} s",
                    count as f64 / rate * 1e3
                ));
            }
        }
        let hole_frames: u64 = written.holes.iter().map(|(_, frames)| frames).sum();
        for (start, frames) in &written.holes {
            let (at_s, ms) = (*start as f64 / rate, *frames as f64 / rate * 1e3);
            remarks.push(format!(
                "the recording is exactly silent for {ms:.1} ms in the middle of a sound, at {at_s:.2} s"
            ));
        }
        if xruns > 0 {
            remarks.push(format!("the driver reported {xruns} gaps"));
        }
        if written.not_finite > 0 {
            remarks.push(format!("{} samples are not numbers: the driver is at fault", written.not_finite));
        }
        lost += clock_lost.max(hole_frames).max(xruns);
        let peak = self
            .order
            .play
            .iter()
            .flat_map(|line| line.samples.iter())
            .fold(0f32, |peak, x| peak.max(x.abs()));
        Played {
            facts: TakeFacts {
                frames: written.frames,
                peak_dbfs: written.peaks.iter().map(|&peak| dbfs(f64::from(peak))).collect(),
                clipped_samples: written.clipped.clone(),
                lost_frames: lost,
                stopped: sounded.stop_asked.is_some(),
                stop_asked_at_frame: sounded
                    .stop_asked
                    .and_then(|asked| written.pulse.frame_at(asked))
                    .map(|frame| frame.saturating_sub(written.skipped)),
                remarks,
                simulated: false,
                output: self.output.map(|output| output.name.clone()).unwrap_or_default(),
                input: self.input.name.clone(),
            },
            signal_peak_dbfs: sounded.output.is_some().then(|| dbfs(f64::from(peak))),
        }
    }
}
