//! FIR taps for every channel of a system at once, after its bands.
//!
//! What the sum still lacks is given to the channels by their share in it: where two play the same, both get the same,
//! and where taps leave the phase as it is the sum changes by just that. What one channel's taps do to the others'
//! share is found by doing it a few times over, on the sum as it is with the taps that were made.

use super::{Aim, System};
use crate::correct::{BoundedTaps, bounded_taps, latency_samples, pre_ringing_db};
use crate::curve::running_mean;
use crate::filter::{ChannelFilter, taps_responses};
use crate::limits::{Limits, PreRinging};
use crate::spectrum::Complex;
use crate::tune::{ChannelTune, Tune};

/// Taps in every channel of a tune.
#[derive(Debug, Clone, PartialEq)]
pub struct Tapped {
    /// The tune with them; all delay alike, so that channels stay aligned. A channel they do nothing for only waits.
    pub tune: Tune,
    /// Rms distance from the aim without taps.
    pub before_db: f64,
    /// The same with them; less.
    pub after_db: f64,
    /// Every channel comes this much later.
    pub latency_ms: f64,
    /// The loudest of what rings ahead of the sound in any octave of any channel, against the sound; −∞ where nothing does.
    pub pre_ringing_db: f64,
    /// Channels whose level the taps change.
    pub used: Vec<String>,
}

/// Fewer resolve nothing that bands do not.
pub const FEWEST_TAPS: usize = 64;
const ROUNDS: usize = 6;
/// What taps may raise beyond their room, and how often less is asked of them for it.
const OVER_ROOM_DB: f64 = 0.2;
const TRIES: usize = 5;
/// The lowest frequency from which phase is tried to be left as it is.
const LINEAR_FROM_HZ: f64 = 100.0;
/// Taps are as narrow as positions a hand's breadth apart agree on (common practice, no source).
const NARROWEST_OCTAVES: f64 = 1.0 / 6.0;
/// Less is not worth loading a file for, in one channel and in all.
const CHANNEL_WORTH_DB: f64 = 0.01;
const WORTH_DB: f64 = 0.05;
/// Less is not worth a delay and a file for every channel.
const LATENCY_WORTH_DB: f64 = 0.02;
/// A channel with less than this share of the power where it would be changed is hardly changed.
const LITTLE_SHARE: f64 = 0.05;

impl System {
    /// Makes the taps of a tune part of what is heard of each channel; what is moved then is the rest.
    pub fn hold_taps(&mut self, tune: &Tune) {
        for speaker in &mut self.speakers {
            let settings = tune.channels.iter().find(|it| it.name == speaker.name);
            let Some(taps) = settings.and_then(|it| it.fir.as_ref()) else { continue };
            let response = taps_responses(taps, tune.sample_rate_hz, &self.frequency_hz);
            for place in speaker.heard.iter_mut().flatten() {
                place.iter_mut().zip(&response).for_each(|(h, taps)| *h *= taps);
            }
        }
    }
}

/// Works out taps for what `tune`, which has none, leaves of `aim`.
///
/// `trust` says for each scene and point of the aim how much of a difference to correct, 0 to 1. Taps and bands of a
/// channel together raise nothing by more than the limits' largest gain. Taps of least phase throughout delay nothing:
/// others are taken only where they come nearer by 0.02 dB. `None` where the limits have too few taps, or none come
/// nearer by 0.05 dB, or once `wanted` says that nobody waits for them any more; it is asked before each round of work.
pub fn taps(
    system: &System,
    aim: &Aim,
    trust: &[Vec<f64>],
    tune: &Tune,
    limits: &Limits,
    wanted: &dyn Fn() -> bool,
) -> Option<Tapped> {
    // Taps belong to the tune, whatever rate the limits have come to since.
    let limits = &Limits { sample_rate_hz: tune.sample_rate_hz, ..limits.clone() };
    let at_once = PreRinging { longest_ms: 0.0, ..limits.pre_ringing };
    let least = taps_within(system, aim, trust, tune, limits, at_once, wanted);
    if limits.pre_ringing.longest_ms <= 0.0 {
        return least;
    }
    let waiting = taps_within(system, aim, trust, tune, limits, limits.pre_ringing, wanted);
    match (least, waiting) {
        _ if !wanted() => None,
        (Some(least), Some(waiting)) if waiting.after_db < least.after_db - LATENCY_WORTH_DB => Some(waiting),
        (Some(least), _) => Some(least),
        (None, waiting) => waiting,
    }
}

fn taps_within(
    system: &System,
    aim: &Aim,
    trust: &[Vec<f64>],
    tune: &Tune,
    limits: &Limits,
    bound: PreRinging,
    wanted: &dyn Fn() -> bool,
) -> Option<Tapped> {
    let count = limits.fir_taps;
    if count < FEWEST_TAPS || aim.frequency_hz.len() < 2 {
        return None;
    }
    let base = system.gains(tune)?;
    let before_db = system.error_of(aim, &base);
    let latency = latency_samples(bound, limits.sample_rate_hz, count);
    let mut waits = vec![0.0; latency + 1];
    waits[latency] = 1.0;
    let work = Work {
        shares: shares(system, aim, &base),
        room_db: system.speakers.iter().map(|it| room_db(&it.name, tune, limits, aim)).collect(),
        reach: reach(limits, latency, aim),
        system,
        aim,
        trust,
        limits,
        bound,
    };
    let with = |all: &[Vec<f64>]| -> Vec<Vec<Complex>> {
        base.iter().zip(all).map(|(base, taps)| work.through(base, taps)).collect()
    };
    let mut wanted_db = vec![vec![0.0; aim.frequency_hz.len()]; system.speakers.len()];
    let mut gains = base.clone();
    let mut best: Option<(f64, Vec<Vec<f64>>)> = None;
    for _ in 0..ROUNDS {
        if !wanted() {
            return None;
        }
        wanted_db = work.better(&gains, &wanted_db);
        let all = work.made(&wanted_db);
        gains = with(&all);
        let error_db = system.error_of(aim, &gains);
        if best.as_ref().is_none_or(|it| error_db < it.0) {
            best = Some((error_db, all));
        }
    }
    let (mut after_db, mut all) = best?;
    let mut used = Vec::new();
    for c in 0..all.len() {
        let kept = std::mem::replace(&mut all[c], waits.clone());
        let without_db = system.error_of(aim, &with(&all));
        if without_db < after_db + CHANNEL_WORTH_DB {
            after_db = without_db;
        } else {
            all[c] = kept;
            used.push(system.speakers[c].name.clone());
        }
    }
    if used.is_empty() || after_db > before_db - WORTH_DB {
        return None;
    }
    let loudest = all.iter().map(|taps| pre_ringing_db(taps, latency, limits.sample_rate_hz));
    let mut tapped = Tapped {
        tune: tune.clone(),
        before_db,
        after_db,
        latency_ms: 1e3 * latency as f64 / limits.sample_rate_hz,
        pre_ringing_db: loudest.fold(f64::NEG_INFINITY, f64::max),
        used,
    };
    for channel in &mut tapped.tune.channels {
        let own = system.speaker(&channel.name).filter(|_| tapped.used.contains(&channel.name));
        channel.fir = own.map(|c| all[c].clone()).or_else(|| (latency > 0).then(|| waits.clone()));
    }
    Some(tapped)
}

struct Work<'a> {
    system: &'a System,
    aim: &'a Aim,
    trust: &'a [Vec<f64>],
    limits: &'a Limits,
    bound: PreRinging,
    /// `[scene][speaker][point]`: the speaker's part of the power, as if all added by power.
    shares: Vec<Vec<Vec<f64>>>,
    /// `[speaker][point]`: what may be added to the bands.
    room_db: Vec<Vec<f64>>,
    /// How much of what is wanted so many taps can do, at each point.
    reach: Vec<f64>,
}

impl Work<'_> {
    fn through(&self, base: &[Complex], taps: &[f64]) -> Vec<Complex> {
        let response = taps_responses(taps, self.limits.sample_rate_hz, &self.system.frequency_hz);
        base.iter().zip(response).map(|(g, taps)| g * taps).collect()
    }

    /// Taps for one channel. So many resolve only so much: where they come out above `room_db`, less is asked of them.
    fn within_room(&self, wanted_db: &[f64], room_db: &[f64], from_hz: f64) -> BoundedTaps {
        let Limits { sample_rate_hz, fir_taps, .. } = *self.limits;
        let hz = &self.aim.frequency_hz;
        let mut wanted_db = wanted_db.to_vec();
        let mut tries = 0;
        loop {
            let made = bounded_taps(hz, &wanted_db, sample_rate_hz, fir_taps, self.bound, from_hz);
            let over_db: Vec<f64> = taps_responses(&made.taps, sample_rate_hz, hz)
                .iter()
                .zip(room_db)
                .map(|(h, room)| (20.0 * h.norm().log10() - room).max(0.0))
                .collect();
            tries += 1;
            if tries > TRIES || over_db.iter().all(|db| *db < OVER_ROOM_DB) {
                return made;
            }
            // A step too far each time, so that it ends.
            wanted_db.iter_mut().zip(&over_db).for_each(|(wanted, over)| *wanted -= 1.5 * over);
        }
    }

    /// Taps for every channel, all with their phase left from one frequency on: beside a channel of another phase
    /// they would no longer add as joined.
    fn made(&self, wanted_db: &[Vec<f64>]) -> Vec<Vec<f64>> {
        let mut from_hz = LINEAR_FROM_HZ;
        loop {
            let all: Vec<BoundedTaps> =
                wanted_db.iter().zip(&self.room_db).map(|it| self.within_room(it.0, it.1, from_hz)).collect();
            let highest_hz = all.iter().map(|it| it.linear_from_hz).fold(from_hz, f64::max);
            if all.iter().all(|it| it.linear_from_hz >= highest_hz) {
                return all.into_iter().map(|it| it.taps).collect();
            }
            from_hz = highest_hz;
        }
    }

    /// `[speaker][point]`: what each is wanted to do, seen what `gains` with taps for `wanted_db` do.
    fn better(&self, gains: &[Vec<Complex>], wanted_db: &[Vec<f64>]) -> Vec<Vec<f64>> {
        let hz = &self.aim.frequency_hz;
        let away_db = self.system.away_db(self.aim, gains);
        let most = self.system.scenes.iter().map(|it| it.weight).fold(f64::MIN_POSITIVE, f64::max);
        let inside =
            |scene: usize, f: f64| self.aim.spans_hz.get(scene).is_none_or(|it| (it.0..=it.1).contains(&f));
        let of_one = |c: usize, wanted: &Vec<f64>| {
            let raw: Vec<f64> = (0..hz.len())
                .map(|i| {
                    let (mut sum, mut total) = (0.0, LITTLE_SHARE);
                    for (s, scene) in self.system.scenes.iter().enumerate().filter(|(s, _)| inside(*s, hz[i]))
                    {
                        let share = self.shares[s][c][i] * scene.weight / most;
                        let trust = self.trust.get(s).and_then(|it| it.get(i)).copied().unwrap_or(1.0);
                        // Without its own taps the sum would be off by this.
                        sum += share * trust * (away_db[s * hz.len() + i] - wanted[i]);
                        total += share;
                    }
                    -sum / total * self.reach[i]
                })
                .collect();
            let smooth = running_mean(
                hz,
                &raw,
                NARROWEST_OCTAVES,
                self.limits.sample_rate_hz / self.limits.fir_taps as f64,
            );
            let least_db = self.limits.gain_db.min.min(0.0);
            smooth.iter().zip(&self.room_db[c]).map(|(db, room)| db.clamp(least_db, *room)).collect()
        };
        wanted_db.iter().enumerate().map(|(c, wanted)| of_one(c, wanted)).collect()
    }
}

fn shares(system: &System, aim: &Aim, gains: &[Vec<Complex>]) -> Vec<Vec<Vec<f64>>> {
    let alone = |scene: usize, c: usize| -> Vec<f64> {
        let heard = system.speakers[c].heard.get(scene).map_or(&[][..], Vec::as_slice);
        let places: Vec<Vec<Complex>> =
            heard.iter().map(|place| place.iter().zip(&gains[c]).map(|(h, g)| h * g).collect()).collect();
        system.smooth(&system.mean_power(&places), &aim.frequency_hz)
    };
    (0..system.scenes.len())
        .map(|scene| {
            let mut all: Vec<Vec<f64>> = (0..system.speakers.len()).map(|c| alone(scene, c)).collect();
            for i in 0..aim.frequency_hz.len() {
                let total: f64 = all.iter().map(|it| it[i].max(0.0)).sum();
                all.iter_mut().for_each(|it| it[i] = it[i].max(0.0) / total.max(f64::MIN_POSITIVE));
            }
            all
        })
        .collect()
}

/// What a channel's bands leave of the limits' largest gain.
fn room_db(name: &str, tune: &Tune, limits: &Limits, aim: &Aim) -> Vec<f64> {
    let sections = tune.channels.iter().find(|it| it.name == name).map(|it| it.sections.clone());
    let bands = ChannelTune { sections: sections.unwrap_or_default(), ..ChannelTune::default() };
    let most_db = limits.gain_db.max.max(0.0);
    match ChannelFilter::new(&bands, tune.sample_rate_hz) {
        Ok(filter) => filter
            .levels_db(&aim.frequency_hz)
            .into_iter()
            .map(|db| (most_db - db).clamp(0.0, most_db))
            .collect(),
        Err(_) => vec![0.0; aim.frequency_hz.len()],
    }
}

/// Nothing below the frequency of which two periods fit behind the main tap, all from an octave above.
fn reach(limits: &Limits, latency: usize, aim: &Aim) -> Vec<f64> {
    let after = limits.fir_taps.saturating_sub(latency).max(1) as f64;
    let from_hz = 2.0 * limits.sample_rate_hz / after;
    aim.frequency_hz.iter().map(|f| (f / from_hz).log2().clamp(0.0, 1.0)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::limits::{Frequencies, Range};
    use crate::spectrum::Bins;
    use crate::system::Speaker;
    use crate::system::fixtures::heard_at_two_places;
    use crate::tune::{Crossover, CrossoverFamily, Pass, Section, SectionKind};

    fn limits(fir_taps: usize) -> Limits {
        Limits {
            sample_rate_hz: 48_000.0,
            bands: 0,
            kinds: Vec::new(),
            gain_db: Range { min: -15.0, max: 6.0, step: None },
            q: Range { min: 0.3, max: 10.0, step: None },
            frequency_hz: Frequencies::Span { min: 20.0, max: 20_000.0, per_octave: None },
            delay_ms: None,
            fir_taps,
            pre_ringing: PreRinging::default(),
            crossovers: Vec::new(),
            crossovers_take_bands: false,
        }
    }

    /// Three speakers that cross at 60 Hz and 2 kHz (closed form: their sum is an all-pass); the upper two have a bell
    /// each, of which the low-pass and the high-pass know nothing.
    fn car() -> (System, Aim, Tune) {
        let hz = &Bins::standard().frequency_hz;
        let crossover = |pass, frequency_hz| Crossover {
            pass,
            family: CrossoverFamily::LinkwitzRiley,
            order: 4,
            frequency_hz,
        };
        let channel =
            |name: &str, crossovers| ChannelTune { name: name.into(), crossovers, ..ChannelTune::default() };
        let channels = vec![
            channel("subwoofer", vec![crossover(Pass::Low, 60.0)]),
            channel("woofer", vec![crossover(Pass::High, 60.0), crossover(Pass::Low, 2000.0)]),
            channel("tweeter", vec![crossover(Pass::High, 2000.0)]),
        ];
        let bell =
            |frequency_hz, gain_db| Section { kind: SectionKind::Peaking, frequency_hz, gain_db, q: 3.0 };
        let heard = |sections: Vec<Section>| {
            let bent = ChannelTune { sections, ..ChannelTune::default() };
            let filter = ChannelFilter::new(&bent, 48_000.0).unwrap();
            vec![vec![filter.responses(hz), filter.responses(hz)]]
        };
        let speakers = [vec![], vec![bell(500.0, 5.0)], vec![bell(6000.0, -4.0)]]
            .into_iter()
            .zip(&channels)
            .map(|(bells, channel)| Speaker { name: channel.name.clone(), heard: heard(bells) })
            .collect();
        let (system, aim) = heard_at_two_places(speakers);
        (system, aim, Tune { sample_rate_hz: 48_000.0, channels, ..Tune::default() })
    }

    #[test]
    fn taps_take_what_the_bands_left_with_or_without_a_wait() {
        let (system, aim, tune) = car();
        let limits = limits(1024);
        for (longest_ms, latency) in [(5.0, 240), (0.0, 0)] {
            let bound = PreRinging { longest_ms, ..PreRinging::default() };
            let made = taps_within(&system, &aim, &[], &tune, &limits, bound, &|| true).unwrap();
            assert!(
                made.after_db < 0.3 * made.before_db,
                "{longest_ms}: {} {}",
                made.before_db,
                made.after_db
            );
            assert!((made.after_db - system.error_db(&aim, &made.tune)).abs() < 1e-9);
            assert!(made.pre_ringing_db <= bound.loudest_db && made.latency_ms == longest_ms);
            assert_eq!(made.used, ["woofer", "tweeter"]);
            let main = |taps: &Vec<f64>| {
                (0..taps.len()).max_by(|a, b| taps[*a].abs().total_cmp(&taps[*b].abs())).unwrap()
            };
            let mains: Vec<Option<usize>> =
                made.tune.channels.iter().map(|it| it.fir.as_ref().map(main)).collect();
            // The subwoofer has nothing to correct: it waits with the others, or has no taps.
            let subwoofer = (latency > 0).then_some(latency);
            assert_eq!(mains, [subwoofer, Some(latency), Some(latency)]);
        }
    }

    #[test]
    fn no_taps_where_there_are_too_few_or_nothing_is_trusted_or_nobody_waits() {
        let (system, aim, tune) = car();
        assert!(taps(&system, &aim, &[], &tune, &limits(32), &|| true).is_none());
        let nothing = vec![vec![0.0; aim.frequency_hz.len()]];
        assert!(taps(&system, &aim, &nothing, &tune, &limits(1024), &|| true).is_none());
        assert!(taps(&system, &aim, &[], &tune, &limits(1024), &|| true).is_some());
        assert!(taps(&system, &aim, &[], &tune, &limits(1024), &|| false).is_none());
    }

    /// Held taps are heard as if they were set.
    #[test]
    fn held_taps_are_heard() {
        let (mut system, aim, tune) = car();
        let made = taps(&system, &aim, &[], &tune, &limits(1024), &|| true).unwrap();
        let set_db = system.error_db(&aim, &made.tune);
        system.hold_taps(&made.tune);
        assert!((system.error_db(&aim, &tune) - set_db).abs() < 1e-9);
    }
}
