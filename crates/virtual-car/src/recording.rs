//! From what arrives at the inputs to what the recorder keeps: its clock, its noise, its mishaps.

use audio::rig::{ListenOrder, TakeOrder};

use crate::car::VirtualCar;
use crate::chance::{Chance, Purpose};
use crate::head_unit::Fidelity;
use crate::level::{add, factor};
use crate::scenario::{Event, ScriptedEvent};
use crate::sound::Played;
use crate::weather;

/// Each take starts later by a share of this that nobody knows.
const START_JITTER_S: f64 = 0.02;

/// Between these times from the start of a recording somebody presses play.
const BEGINS_S: (f64, f64) = (1.2, 2.0);
/// What is simulated after the player has ended.
const AFTER_S: f64 = 12.0;

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

impl Recording {
    /// Frames that every input has.
    pub fn frames(&self) -> usize {
        self.channels.iter().map(Vec::len).min().unwrap_or(0)
    }
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
        let played = Played { rate_hz, frames, signals, take, by_itself: false };
        let lead = lead_s * rate_hz;
        self.keep(played, lead, &order.record_inputs, &events)
    }

    /// Records `order` while the head unit plays its stick by itself, as take number `take`: up to a little after its end,
    /// whatever the longest time. Nothing else sounds.
    pub(crate) fn overhear(&self, order: &ListenOrder, take: u64) -> Recording {
        let rate_hz = f64::from(order.rate_hz);
        let events = self.events_of(take);
        let mut chance = Chance::new(self.seed, take, Purpose::Take, 0);
        let begins = ((BEGINS_S.0 + (BEGINS_S.1 - BEGINS_S.0) * chance.uniform()) * rate_hz) as usize;
        let sides = self.stick.iter().flat_map(|stick| {
            let step = f64::from(stick.rate_hz) / rate_hz;
            stick.sides.iter().map(move |side| {
                let frames = (side.len() as f64 / step) as usize;
                let at = |n: usize| self.reader.read(side, n as f64 * step);
                std::iter::repeat_n(0.0, begins).chain((0..frames).map(at)).collect::<Vec<f64>>()
            })
        });
        let signals: Vec<(usize, Vec<f64>)> = sides.enumerate().collect();
        let ends = signals.iter().map(|(_, side)| side.len()).max().unwrap_or(0);
        let longest = (order.longest_s * rate_hz) as usize;
        let frames = longest.min(ends + (AFTER_S * rate_hz) as usize);
        let mut car = self.clone();
        for turn in &mut car.turns {
            turn.0 += begins as f64 / rate_hz;
        }
        let played = Played { rate_hz, frames, signals, take, by_itself: true };
        car.keep(played, 0.0, &order.record_inputs, &events)
    }

    /// What the recorder makes of `played`, having begun `lead` samples before it.
    fn keep(&self, played: Played, lead: f64, inputs: &[u16], events: &[ScriptedEvent]) -> Recording {
        let Played { rate_hz, frames, take, .. } = played;
        let inputs: Vec<usize> = inputs.iter().map(|&input| usize::from(input)).collect();
        let places = self.clock(lead, frames, rate_hz, events);
        let mut channels: Vec<Vec<f32>> = self.listen(&played, &inputs, Fidelity::Real, |input, signal| {
            let mut kept: Vec<f64> = places.iter().map(|&at| self.reader.read(&signal, at)).collect();
            self.disturb(input, &mut kept, rate_hz, take, events);
            kept.into_iter().map(|s| s.clamp(-1.0, 1.0) as f32).collect()
        });
        let (lost_frames, remarks, unplugged) = mishaps(events, rate_hz, &mut channels);
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
fn mishaps(events: &[ScriptedEvent], rate_hz: f64, channels: &mut [Vec<f32>]) -> (u64, Vec<String>, bool) {
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
