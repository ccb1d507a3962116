//! The one place through which every sound passes on its way to a device.

use std::sync::Arc;

use super::{
    LARGEST_STEP_DB, LEAD_IN_DROP_DB, LEAD_IN_PAUSE_S, LEAD_IN_S, QUIET_START_DBFS, check_play, dbfs,
    largest, peak_of_dbfs,
};
use crate::rig::{PlayedChannel, RigError};

const LEAD_IN_FADE_S: f64 = 0.05;
const STOP_FADE_S: f64 = 0.005;

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
    /// [`RigError::BadOrder`] when a signal must not be heard: see [`check`](super::check).
    pub fn new(
        rate_hz: u32,
        play: &[PlayedChannel],
        ceiling_dbfs: f64,
        loudest_dbfs: Option<f64>,
    ) -> Result<Self, RigError> {
        check_play(rate_hz, play, ceiling_dbfs)?;
        let rate = f64::from(rate_hz);
        let signal_frames = play.iter().map(|line| line.samples.len() as u64).max().unwrap_or(0);
        let peak = play.iter().map(|line| largest(&line.samples)).fold(0.0, f32::max);
        let familiar_dbfs = loudest_dbfs
            .map_or(QUIET_START_DBFS, |loudest| (loudest + LARGEST_STEP_DB).max(QUIET_START_DBFS));
        let lead_in = if dbfs(f64::from(peak)) > familiar_dbfs + 0.01 {
            let audible =
                |line: &PlayedChannel| line.samples.iter().position(|sample| sample.abs() > 0.001 * peak);
            let from = play.iter().filter_map(audible).min().unwrap_or(0) as u64;
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
            lines: play.iter().map(|line| (line.output, Arc::clone(&line.samples))).collect(),
            signal_frames,
            ceiling: peak_of_dbfs(ceiling_dbfs) as f32,
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

#[cfg(test)]
mod tests {
    use super::super::tests::{line, sweep};
    use super::*;

    fn render(player: &mut Player, frames: usize) -> Vec<f32> {
        (0..frames)
            .map(|_| {
                let mut heard = 0.0;
                player.frame(|_, sample| heard = sample);
                heard
            })
            .collect()
    }

    #[test]
    fn a_quiet_take_is_played_as_it_is() {
        let signal = sweep(100.0, 10_000.0, 1.0, 0.02, 0.1);
        let mut player = Player::new(48_000, &[line(0, signal.clone())], -6.0, None).unwrap();
        assert_eq!(player.lead_in_frames(), 0);
        assert_eq!(render(&mut player, signal.len()), signal);
        assert!(render(&mut player, 100).iter().all(|x| *x == 0.0));
    }

    #[test]
    fn a_loud_take_is_announced_quietly_and_then_played_as_it_is() {
        let signal = sweep(100.0, 10_000.0, 4.0, 0.02, 0.4);
        let mut player = Player::new(48_000, &[line(0, signal.clone())], -6.0, None).unwrap();
        let lead_in = player.lead_in_frames() as usize;
        assert_eq!(lead_in, ((LEAD_IN_S + LEAD_IN_PAUSE_S) * 48_000.0) as usize);
        let announced = render(&mut player, lead_in);
        assert!((0.03..=0.0401).contains(&largest(&announced)), "{}", largest(&announced));
        assert!(announced[0].abs() < 1e-6 && announced[47_999].abs() < 1e-4);
        assert_eq!(render(&mut player, signal.len()), signal);
        let familiar = Player::new(48_000, &[line(0, signal)], -6.0, Some(-12.0)).unwrap();
        assert_eq!(familiar.lead_in_frames(), 0, "a level near the last needs no announcement");
    }

    #[test]
    fn stop_fades_within_five_milliseconds_for_good() {
        let signal = sweep(1_000.0, 10_000.0, 2.0, 0.02, 0.1);
        let mut player = Player::new(48_000, &[line(0, signal)], -6.0, None).unwrap();
        render(&mut player, 20_000);
        player.stop();
        let after = render(&mut player, 70_000);
        assert!(after[..200].iter().any(|x| x.abs() > 0.01), "it was cut, not faded");
        assert!(after[240..].iter().all(|x| *x == 0.0));
    }
}
