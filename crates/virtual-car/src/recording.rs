//! From what arrives at the inputs to what the recorder keeps: its clock, its noise, its mishaps.

use audio::rig::TakeOrder;

use crate::car::VirtualCar;
use crate::chance::{Chance, Purpose};
use crate::head_unit::Fidelity;
use crate::level::{add, factor};
use crate::scenario::{Event, ScriptedEvent};
use crate::sound::Played;
use crate::weather;

/// Each take starts later by a share of this that nobody knows.
const START_JITTER_S: f64 = 0.02;

/// What the recorder kept.
pub(crate) struct Recording {
    /// One entry per recorded input.
    pub channels: Vec<Vec<f32>>,
    /// Frames that the recorder knows it lost.
    pub lost_frames: u64,
    /// What the recorder noticed, a sentence each.
    pub remarks: Vec<String>,
    /// The device vanished at the end of `channels`.
    pub unplugged: bool,
}

impl VirtualCar {
    /// Plays and records `order`, whose channels and rate the caller has checked, as take number `take`.
    pub(crate) fn record(&self, order: &TakeOrder, take: u64) -> Recording {
        let rate_hz = f64::from(order.rate_hz);
        let events = self.events_of(take);
        let longest = order.play.iter().map(|played| played.samples.len()).max().unwrap_or(0);
        let mut chance = Chance::new(self.seed, take, Purpose::Take, 0);
        let lead_s = self.scenario.recorder.lead_s + START_JITTER_S * chance.uniform();
        let frames = longest + (order.tail_s.max(0.0) * rate_hz) as usize;
        let ceiling = factor(order.ceiling_dbfs.min(0.0));
        let signals = order
            .play
            .iter()
            .map(|played| {
                let samples = played.samples.iter().map(|&s| f64::from(s).clamp(-ceiling, ceiling));
                (usize::from(played.output), samples.collect())
            })
            .collect();
        let played = Played { rate_hz, frames, signals, take };
        let inputs: Vec<usize> = order.record_inputs.iter().map(|&input| usize::from(input)).collect();
        let arriving = self.listen(&played, &inputs, Fidelity::Real);
        let places = self.clock(lead_s * rate_hz, frames, rate_hz, &events);
        let mut channels: Vec<Vec<f64>> = inputs
            .iter()
            .zip(&arriving)
            .map(|(&input, signal)| {
                let mut kept: Vec<f64> = places.iter().map(|&at| self.reader.read(signal, at)).collect();
                self.disturb(input, &mut kept, rate_hz, take, &events);
                kept
            })
            .collect();
        let (lost_frames, remarks, unplugged) = mishaps(&events, rate_hz, &mut channels);
        let channels = channels
            .into_iter()
            .map(|channel| channel.into_iter().map(|s| s.clamp(-1.0, 1.0) as f32).collect())
            .collect();
        Recording { channels, lost_frames, remarks, unplugged }
    }

    fn events_of(&self, take: u64) -> Vec<ScriptedEvent> {
        let scripted =
            self.scenario.events.iter().filter(|event| event.take.is_none_or(|number| number == take));
        let mut events: Vec<_> = scripted.chain(&self.scheduled).copied().collect();
        events.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        events
    }

    /// Where on the player's clock, in its samples, each recorded frame was sampled.
    fn clock(&self, lead: f64, frames: usize, rate_hz: f64, events: &[ScriptedEvent]) -> Vec<f64> {
        let mut skew_ppm = self.scenario.recorder.clock_skew_ppm;
        let mut errors = events.iter().filter_map(|scripted| match scripted.event {
            Event::ClockError { ppm } => Some((scripted.at_s * rate_hz, ppm)),
            _ => None,
        });
        let mut next = errors.next();
        // Counting from the latest change keeps the rounding of a long sum away.
        let (mut from_frame, mut from_place) = (0.0, -lead);
        let mut places = Vec::with_capacity(frames + lead as usize);
        loop {
            let frame = places.len() as f64;
            while let Some((at, ppm)) = next.filter(|(at, _)| *at <= frame) {
                from_place += (at - from_frame) / (1.0 + skew_ppm * 1e-6);
                (from_frame, skew_ppm, next) = (at, skew_ppm + ppm, errors.next());
            }
            let place = from_place + (frame - from_frame) / (1.0 + skew_ppm * 1e-6);
            if place >= frames as f64 {
                return places;
            }
            places.push(place);
        }
    }

    fn disturb(&self, input: usize, kept: &mut [f64], rate_hz: f64, take: u64, events: &[ScriptedEvent]) {
        let frames = kept.len();
        if input > 0 {
            let chance = Chance::new(self.seed, take, Purpose::Line, input);
            add(kept, &weather::hiss(self.scenario.recorder.line_noise_dbfs, frames, chance), 1.0);
            return;
        }
        let microphone = &self.scenario.microphone;
        let full_scale = microphone.full_scale_db_spl;
        let chance = |purpose| Chance::new(self.seed, take, purpose, 0);
        add(
            kept,
            &weather::idle_cabin(&self.scenario.noise, full_scale, rate_hz, frames, chance(Purpose::Cabin)),
            1.0,
        );
        add(kept, &weather::hiss(microphone.hiss_db_spl - full_scale, frames, chance(Purpose::Hiss)), 1.0);
        for (index, scripted) in events.iter().enumerate() {
            let chance = weather::chance_of_event(self.seed, take, index);
            weather::happen(
                scripted.event,
                (scripted.at_s * rate_hz) as usize,
                full_scale,
                rate_hz,
                kept,
                chance,
            );
        }
    }
}

/// Takes out lost frames, latest first, and cuts at an unplug.
fn mishaps(events: &[ScriptedEvent], rate_hz: f64, channels: &mut [Vec<f64>]) -> (u64, Vec<String>, bool) {
    let (mut lost_frames, mut remarks, mut unplugged) = (0, Vec::new(), false);
    for scripted in events.iter().rev() {
        let at = (scripted.at_s * rate_hz) as usize;
        let (frames, noticed) = match scripted.event {
            Event::DroppedBlock { frames } => (frames, true),
            Event::SilentGap { frames } => (frames, false),
            Event::Unplug => {
                unplugged |= channels.iter().any(|channel| channel.len() > at);
                channels.iter_mut().for_each(|channel| channel.truncate(at));
                continue;
            }
            _ => continue,
        };
        for channel in channels.iter_mut().filter(|channel| channel.len() > at) {
            let end = at.saturating_add(usize::try_from(frames).unwrap_or(usize::MAX)).min(channel.len());
            channel.drain(at..end);
        }
        if noticed {
            lost_frames += frames;
            remarks
                .push(format!("{frames} frames were lost {:.1} s after the recording began", scripted.at_s));
        }
    }
    (lost_frames, remarks, unplugged)
}
