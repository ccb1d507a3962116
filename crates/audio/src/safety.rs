//! What stands between every generator and a loudspeaker: the ceiling, the fades, the quiet start, Stop, and the lowest
//! frequency a channel may be given.
//!
//! The limits here are common practice among people who test loudspeakers, with no published source.

use std::sync::Arc;

use crate::rig::{RigError, TakeOrder};

/// How long a signal may take to be inaudible after Stop.
pub const STOP_WITHIN_MS: f64 = 50.0;
/// The loudest peak a rig starts with; what is louder is announced by a quiet lead-in.
pub const QUIET_START_DBFS: f64 = -20.0;
/// A take this much louder than all before it is announced too.
pub const LARGEST_STEP_DB: f64 = 10.0;
/// How much quieter than the take its lead-in is.
pub const LEAD_IN_DROP_DB: f64 = 20.0;
/// Length of the lead-in and of the silence after it.
pub const LEAD_IN_S: f64 = 1.0;
/// Silence between lead-in and take, long enough that no lead-in is heard in the recording.
pub const LEAD_IN_PAUSE_S: f64 = 0.6;
const LEAD_IN_FADE_S: f64 = 0.05;
const STOP_FADE_S: f64 = 0.005;
/// Within this time from its start and end a signal stays below half of its peak.
const FADE_LEAST_S: f64 = 0.000_5;
/// The first and last sample, relative to the peak.
const EDGE_MOST: f32 = 0.01;
const LONGEST_TAIL_S: f64 = 600.0;

/// Level of a peak from 0 to 1 in dB below full scale; silence is −200.
pub fn dbfs(peak: f64) -> f64 {
    20.0 * peak.max(1e-10).log10()
}

/// Peak of a level in dB below full scale.
pub fn peak_of_dbfs(level_dbfs: f64) -> f64 {
    10f64.powf(level_dbfs / 20.0)
}

/// Refuses an order that must not reach a device, before a sound is made.
///
/// Every signal is finite, fades in and out, and stays under the ceiling; no output or input is named twice; there is
/// something to record.
///
/// # Errors
/// [`RigError::BadOrder`] with one line that says what would be right.
pub fn check(order: &TakeOrder) -> Result<(), RigError> {
    let bad = |words: String| Err(RigError::BadOrder(words));
    if order.ceiling_dbfs.is_nan() || order.ceiling_dbfs > 0.0 {
        return bad(format!("a ceiling of {} dBFS cannot be kept; give 0 or less", order.ceiling_dbfs));
    }
    if !(0.0..=LONGEST_TAIL_S).contains(&order.tail_s) {
        return bad(format!("a tail of {} s; give 0 to {LONGEST_TAIL_S} s", order.tail_s));
    }
    if order.play.is_empty() && order.tail_s <= 0.0 {
        return bad("nothing is played and no time is given to record; give one of them".into());
    }
    if order.record_inputs.is_empty() {
        return bad("no input is recorded; name at least one".into());
    }
    if let Some(twice) = twice(order.record_inputs.iter().copied()) {
        return bad(format!("input {} is named twice", twice + 1));
    }
    if let Some(twice) = twice(order.play.iter().map(|line| line.output)) {
        return bad(format!("output {} is given two signals", twice + 1));
    }
    for line in &order.play {
        check_signal(&line.samples, line.output + 1, order)?;
    }
    Ok(())
}

fn twice(mut channels: impl Iterator<Item = u16>) -> Option<u16> {
    let mut seen = std::collections::BTreeSet::new();
    channels.find(|channel| !seen.insert(*channel))
}

fn check_signal(samples: &[f32], output: u16, order: &TakeOrder) -> Result<(), RigError> {
    let bad = |words: String| Err(RigError::BadOrder(words));
    if let Some(frame) = samples.iter().position(|sample| !sample.is_finite()) {
        return bad(format!("sample {frame} for output {output} is no finite number"));
    }
    let peak = largest(samples);
    let peak_dbfs = dbfs(f64::from(peak));
    // A hundredth of a decibel absorbs the rounding of a signal that was scaled to the ceiling exactly.
    if peak_dbfs > order.ceiling_dbfs + 0.01 {
        return bad(format!(
            "the signal for output {output} peaks at {peak_dbfs:.1} dBFS, over the ceiling of {:.1} dBFS; lower its level",
            order.ceiling_dbfs
        ));
    }
    let edge = ((FADE_LEAST_S * f64::from(order.rate_hz)) as usize).min(samples.len());
    let ends = [
        (samples.get(..edge), samples.first(), "begins"),
        (samples.get(samples.len() - edge..), samples.last(), "ends"),
    ];
    for (near, outermost, word) in ends {
        let abrupt = outermost.is_some_and(|sample| sample.abs() > EDGE_MOST * peak)
            || near.is_some_and(|near| largest(near) > 0.5 * peak);
        if peak > 0.0 && abrupt {
            return bad(format!(
                "the signal for output {output} {word} abruptly; fade it over at least 1 ms"
            ));
        }
    }
    Ok(())
}

fn largest(samples: &[f32]) -> f32 {
    samples.iter().fold(0.0, |peak, sample| peak.max(sample.abs()))
}

/// Renders an order frame by frame for the device: lead-in, signal, silence; never over the ceiling; silent after Stop.
///
/// Made to be driven from an audio callback: it allocates nothing and cannot fail.
#[derive(Debug)]
pub struct Player {
    lines: Vec<(u16, Arc<Vec<f32>>)>,
    signal_frames: u64,
    ceiling: f32,
    lead_in: LeadIn,
    at: u64,
    stop_fade_frames: u64,
    stop_at: Option<u64>,
}

#[derive(Debug, Clone, Copy, Default)]
struct LeadIn {
    /// Where in the signal the lead-in is taken from: its first audible sample.
    from: u64,
    frames: u64,
    fade: u64,
    pause: u64,
    gain: f32,
}

impl Player {
    /// `loudest_dbfs` is the loudest peak this rig has played so far; it decides whether a lead-in is needed.
    ///
    /// # Errors
    /// As [`check`].
    pub fn new(order: &TakeOrder, loudest_dbfs: Option<f64>) -> Result<Self, RigError> {
        check(order)?;
        let rate = f64::from(order.rate_hz);
        let signal_frames = order.play.iter().map(|line| line.samples.len() as u64).max().unwrap_or(0);
        let peak = order.play.iter().map(|line| largest(&line.samples)).fold(0.0, f32::max);
        let familiar_dbfs = loudest_dbfs
            .map_or(QUIET_START_DBFS, |loudest| (loudest + LARGEST_STEP_DB).max(QUIET_START_DBFS));
        let lead_in = if dbfs(f64::from(peak)) > familiar_dbfs + 0.01 {
            let audible = |line: &crate::rig::PlayedChannel| {
                line.samples.iter().position(|sample| sample.abs() > 0.001 * peak)
            };
            let from = order.play.iter().filter_map(audible).min().unwrap_or(0) as u64;
            LeadIn {
                from,
                frames: ((LEAD_IN_S * rate) as u64).min(signal_frames - from),
                fade: (LEAD_IN_FADE_S * rate) as u64,
                pause: (LEAD_IN_PAUSE_S * rate) as u64,
                gain: peak_of_dbfs(-LEAD_IN_DROP_DB) as f32,
            }
        } else {
            LeadIn::default()
        };
        Ok(Self {
            lines: order.play.iter().map(|line| (line.output, Arc::clone(&line.samples))).collect(),
            signal_frames,
            ceiling: peak_of_dbfs(order.ceiling_dbfs) as f32,
            lead_in,
            at: 0,
            stop_fade_frames: ((STOP_FADE_S * rate) as u64).max(1),
            stop_at: None,
        })
    }

    /// Frames before the signal itself: lead-in and pause, or none.
    pub fn lead_in_frames(&self) -> u64 {
        self.lead_in.frames + self.lead_in.pause
    }

    /// Frames of the signal, without what comes before.
    pub fn signal_frames(&self) -> u64 {
        self.signal_frames
    }

    /// Frames rendered so far, lead-in included; goes on counting through the silence after the signal.
    pub fn rendered_frames(&self) -> u64 {
        self.at
    }

    /// Fades to silence from the next frame on, for good.
    pub fn stop(&mut self) {
        self.stop_at.get_or_insert(self.at);
    }

    /// Calls `put(output channel, sample)` for every driven output, then moves on by one frame.
    pub fn frame(&mut self, mut put: impl FnMut(u16, f32)) {
        let stop_gain = match self.stop_at {
            None => 1.0,
            Some(stop_at) => {
                1.0 - (self.at - stop_at).min(self.stop_fade_frames) as f32 / self.stop_fade_frames as f32
            }
        };
        let (position, gain) = self.position();
        if let Some(position) = position {
            for (output, samples) in &self.lines {
                let sample = samples.get(position).copied().unwrap_or(0.0);
                put(*output, (sample * gain * stop_gain).clamp(-self.ceiling, self.ceiling));
            }
        }
        self.at += 1;
    }

    /// Which sample of the signal is due, and how loud.
    fn position(&self) -> (Option<usize>, f32) {
        let LeadIn { from, frames, fade, pause, gain } = self.lead_in;
        if self.at < frames {
            let from_edge = self.at.min(frames - self.at).min(fade);
            let rise = from_edge as f32 / fade.max(1) as f32;
            return (Some((from + self.at) as usize), gain * rise * rise * (3.0 - 2.0 * rise));
        }
        match self.at.checked_sub(frames + pause) {
            Some(position) if position < self.signal_frames => (Some(position as usize), 1.0),
            _ => (None, 0.0),
        }
    }
}
