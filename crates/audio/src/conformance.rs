//! One suite of checks for everything that calls itself a rig, a sound card or a simulation.
//!
//! A [`Bench`] lends a rig whose chosen output is heard, electrically and at unity gain, on its chosen input, and can make
//! it misbehave. [`run`] puts the rig through its paces and reports each check by name.

use std::path::Path;
use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant};

use crate::rig::{ListenOrder, PlayedChannel, Rig, RigError, TakeFacts, TakeOrder, Wanted, Watch};
use crate::safety::{STOP_WITHIN_MS, dbfs};
use crate::wav::{self, Wav};

/// How a rig can be made to misbehave during its next take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fault {
    /// The device vanishes this long after the take began.
    Unplug {
        /// Seconds.
        at_s: f64,
    },
    /// Sound is lost for a while, on the way out or in.
    Gap {
        /// Seconds after the take began.
        at_s: f64,
        /// Length in milliseconds.
        length_ms: f64,
    },
    /// The recording clock is off; positive when it is fast.
    Clock {
        /// Parts per million.
        skew_ppm: f64,
    },
}

/// Lends a rig to the suite, in real time.
pub trait Bench {
    /// A fresh rig without faults.
    fn rig(&mut self) -> Box<dyn Rig>;
    /// Makes the next take of the next rig suffer; false when this bench has no way to.
    fn inflict(&mut self, fault: Fault) -> bool;
    /// Undoes what was inflicted.
    fn mend(&mut self);
    /// A rate the rig runs at.
    fn rate_hz(&self) -> u32;
    /// Output to play on and input that hears it at unity gain, counted from 0.
    fn loop_back(&self) -> (u16, u16);
    /// Lets something outside the next rig play `signal`, once, within five seconds from now; gives the input that hears
    /// it, at whatever level.
    fn play_elsewhere(&mut self, signal: Vec<f32>) -> u16;
    /// Whether takes are simulated.
    fn simulated(&self) -> bool;
}

/// How one check came out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Verdict {
    /// The rig behaves.
    Passed,
    /// It does not; why.
    Failed(String),
    /// The bench cannot make this happen, so nothing is known.
    NotPossibleHere,
}

type Answer = Result<Verdict, String>;
type Check<'a> = fn(&mut Suite<'a>) -> Answer;
/// Whether a refusal is of the right kind.
type Right = fn(&RigError) -> bool;

/// Runs every check; recordings go to `folder`, which should be empty.
pub fn run(bench: &mut dyn Bench, folder: &Path) -> Vec<(&'static str, Verdict)> {
    let checks: [(&str, Check<'_>); 17] = [
        ("a take is recorded whole, at its level", Suite::whole),
        ("without a signal it only records", Suite::only_records),
        ("Stop silences at once and is said", Suite::stops),
        ("Stop before the start makes no sound", Suite::stopped_before),
        ("a wrong rate is refused", Suite::wrong_rate),
        ("a wrong channel is refused", Suite::wrong_channel),
        ("nothing passes the ceiling", Suite::ceiling),
        ("a signal with a bad sample is refused", Suite::bad_sample),
        ("a recording is never replaced", Suite::never_replaced),
        ("a gap spoils the take and is said", Suite::gap),
        ("a clock that is off is no gap", Suite::clock),
        ("listening hears what plays elsewhere, and ends when there is enough", Suite::listens),
        ("listening ends at its longest time", Suite::listens_no_longer),
        ("Stop ends listening and is said", Suite::stops_listening),
        ("what cannot be listened to is refused", Suite::refuses_to_listen),
        // Last, because a real device may come back changed.
        ("a device that vanishes while listening is said and the recording kept", Suite::unplug_listening),
        ("a vanished device is said and the recording kept", Suite::unplug),
    ];
    let mut suite = Suite { bench, folder, count: 0 };
    checks
        .into_iter()
        .map(|(name, check)| {
            let verdict = check(&mut suite).unwrap_or_else(Verdict::Failed);
            suite.bench.mend();
            (name, verdict)
        })
        .collect()
}

const TONE_HZ: f64 = 1000.0;
const TONE_DBFS: f64 = -20.0;
const TONE_S: f64 = 2.0;
const TAIL_S: f64 = 0.4;
/// A busy computer loses sound honestly; a take that says so is taken again this often.
const TRIES: usize = 4;

struct Suite<'a> {
    bench: &'a mut dyn Bench,
    folder: &'a Path,
    count: usize,
}

fn require(truth: bool, words: impl FnOnce() -> String) -> Result<(), String> {
    if truth { Ok(()) } else { Err(words()) }
}

impl Suite<'_> {
    fn order(&mut self, seconds: f64) -> TakeOrder {
        self.count += 1;
        let rate_hz = self.bench.rate_hz();
        let (output, input) = self.bench.loop_back();
        let frames = (seconds * f64::from(rate_hz)) as usize;
        let play = if frames == 0 {
            Vec::new()
        } else {
            vec![PlayedChannel { output, samples: Arc::new(tone(frames, f64::from(rate_hz))) }]
        };
        TakeOrder {
            rate_hz,
            play,
            record_inputs: vec![input],
            tail_s: TAIL_S,
            recording: self.folder.join(format!("{}.wav", self.count)),
            ceiling_dbfs: -12.0,
        }
    }

    /// A take without faults, and its recording.
    fn sound_take(&mut self, seconds: f64) -> Result<(TakeOrder, TakeFacts, Wav), String> {
        let mut said = Vec::new();
        for _ in 0..TRIES {
            let order = self.order(seconds);
            let watch = Watch::default();
            let facts = self.bench.rig().take(&order, &watch).map_err(|error| error.to_string())?;
            if facts.lost_frames > 0 {
                said = facts.remarks;
                continue;
            }
            require(order.play.is_empty() || watch.progress() > 0.99, || {
                format!("progress ended at {}", watch.progress())
            })?;
            let recording = wav::read(&order.recording).map_err(|error| error.to_string())?;
            require(recording.doubts.is_empty(), || format!("{:?}", recording.doubts))?;
            require(recording.frames() as u64 == facts.frames, || {
                format!("{} frames in {facts:?}", recording.frames())
            })?;
            return Ok((order, facts, recording));
        }
        Err(format!("{TRIES} takes in a row say that frames were lost: {}", said.join("; ")))
    }

    fn refused(&mut self, order: &TakeOrder, right: Right) -> Answer {
        let existed = order.recording.exists();
        match self.bench.rig().take(order, &Watch::default()) {
            Ok(facts) => Err(format!("it was accepted: {facts:?}")),
            Err(error) if !right(&error) => Err(format!("the wrong kind of refusal: {error:?}")),
            Err(error) if error.to_string().contains('\n') => Err(format!("more than one line: {error}")),
            Err(_) if order.recording.exists() != existed => Err("a refused take left a file".into()),
            Err(_) => Ok(Verdict::Passed),
        }
    }

    fn whole(&mut self) -> Answer {
        let (order, facts, recording) = self.sound_take(TONE_S)?;
        let rate = f64::from(order.rate_hz);
        require(recording.rate_hz == order.rate_hz && recording.channels.len() == 1, || {
            "wrong shape".into()
        })?;
        let least = ((TONE_S + TAIL_S) * rate * 0.999) as usize;
        require(recording.frames() >= least, || format!("{} frames, {least} expected", recording.frames()))?;
        require(recording.seconds() < TONE_S + TAIL_S + 2.0, || format!("{} s", recording.seconds()))?;
        let peak_dbfs = facts.peak_dbfs.first().copied().unwrap_or(f64::NAN);
        // The crest of a sampled tone may fall between samples: 0.02 dB at 48 samples a period.
        require((peak_dbfs - TONE_DBFS).abs() < 0.1, || {
            format!("{TONE_DBFS} dBFS came back as {peak_dbfs:.2} dBFS")
        })?;
        let heard = recording.channels.first().map_or(0, |x| x.iter().filter(|x| x.abs() > 0.01).count())
            as f64
            / rate;
        require(heard > 0.9 * TONE_S * 0.93, || format!("only {heard:.2} s of the tone were heard"))?;
        require(facts.simulated == self.bench.simulated(), || "wrong about being simulated".into())?;
        require(!facts.stopped && facts.clipped_samples == [0], || format!("{facts:?}"))?;
        Ok(Verdict::Passed)
    }

    fn only_records(&mut self) -> Answer {
        let (order, _, recording) = self.sound_take(0.0)?;
        let asked = TAIL_S * f64::from(order.rate_hz) * 0.999;
        require(recording.frames() as f64 >= asked, || {
            format!("{} frames for {asked:.0}", recording.frames())
        })?;
        Ok(Verdict::Passed)
    }

    fn stops(&mut self) -> Answer {
        let order = self.order(8.0);
        let mut rig = self.bench.rig();
        let watch = Watch::default();
        let (facts, took) = thread::scope(|scope| {
            let take = scope.spawn(|| rig.take(&order, &watch));
            let began = Instant::now();
            while watch.progress() < 0.15 && !take.is_finished() && began.elapsed() < Duration::from_secs(20)
            {
                thread::sleep(Duration::from_millis(1));
            }
            watch.stop();
            let stopped = Instant::now();
            (take.join(), stopped.elapsed())
        });
        let facts = facts.map_err(|_| "it panicked")?.map_err(|error| error.to_string())?;
        require(facts.stopped, || "it does not say that it was stopped".into())?;
        require(took < Duration::from_secs(3), || format!("it returned {took:?} after Stop"))?;
        let recording = wav::read(&order.recording).map_err(|error| error.to_string())?;
        require(recording.seconds() < 7.0, || format!("{} s were recorded", recording.seconds()))?;
        let last =
            recording.channels.first().and_then(|x| x.iter().rposition(|x| x.abs() > 0.001)).unwrap_or(0);
        let asked = facts.stop_asked_at_frame.ok_or("it does not say when Stop was asked for")?;
        let ms = (last as f64 - asked as f64) / f64::from(order.rate_hz) * 1e3;
        require(ms <= STOP_WITHIN_MS, || format!("heard for {ms:.0} ms after Stop"))?;
        Ok(Verdict::Passed)
    }

    fn stopped_before(&mut self) -> Answer {
        let order = self.order(TONE_S);
        let watch = Watch::default();
        watch.stop();
        let facts = self.bench.rig().take(&order, &watch).map_err(|error| error.to_string())?;
        require(facts.stopped, || "it does not say that it was stopped".into())?;
        let loudest = facts.peak_dbfs.first().copied().unwrap_or(f64::NEG_INFINITY);
        require(loudest < -60.0, || format!("something at {loudest:.0} dBFS was heard"))?;
        Ok(Verdict::Passed)
    }

    fn wrong_rate(&mut self) -> Answer {
        let mut order = self.order(TONE_S);
        order.rate_hz = 12_345;
        self.refused(
            &order,
            |error| matches!(error, RigError::WrongRate { offered, .. } if !offered.is_empty()),
        )
    }

    fn wrong_channel(&mut self) -> Answer {
        let right = |error: &RigError| matches!(error, RigError::NoSuchChannel { asked: 1000, .. });
        let mut order = self.order(TONE_S);
        if let Some(line) = order.play.first_mut() {
            line.output = 999;
        }
        self.refused(&order, right)?;
        let mut order = self.order(TONE_S);
        order.record_inputs = vec![999];
        self.refused(&order, right)
    }

    fn ceiling(&mut self) -> Answer {
        let mut order = self.order(TONE_S);
        order.ceiling_dbfs = TONE_DBFS - 20.0;
        match self.bench.rig().take(&order, &Watch::default()) {
            Err(RigError::BadOrder(_)) => {}
            Err(error) => return Err(format!("the wrong kind of refusal: {error}")),
            Ok(facts) => {
                let peak_dbfs = facts.peak_dbfs.first().copied().unwrap_or(f64::NAN);
                require(peak_dbfs <= order.ceiling_dbfs + 0.1, || {
                    format!("{peak_dbfs:.1} dBFS passed the ceiling")
                })?;
            }
        }
        let mut order = self.order(TONE_S);
        order.ceiling_dbfs = 1.0;
        self.refused(&order, |error| matches!(error, RigError::BadOrder(_)))
    }

    fn bad_sample(&mut self) -> Answer {
        let mut order = self.order(TONE_S);
        for line in &mut order.play {
            let mut samples = line.samples.as_ref().clone();
            if let Some(sample) = samples.get_mut(4711) {
                *sample = f32::NAN;
            }
            line.samples = Arc::new(samples);
        }
        self.refused(&order, |error| matches!(error, RigError::BadOrder(_)))
    }

    fn never_replaced(&mut self) -> Answer {
        let order = self.order(TONE_S);
        std::fs::write(&order.recording, b"precious").map_err(|error| error.to_string())?;
        self.refused(&order, |error| matches!(error, RigError::BadOrder(_) | RigError::Disk { .. }))?;
        let left = std::fs::read(&order.recording).map_err(|error| error.to_string())?;
        require(left == b"precious", || "the file that was there is changed".into())?;
        Ok(Verdict::Passed)
    }

    fn gap(&mut self) -> Answer {
        if !self.bench.inflict(Fault::Gap { at_s: 2.0, length_ms: 600.0 }) {
            return Ok(Verdict::NotPossibleHere);
        }
        let order = self.order(2.0 * TONE_S);
        let facts = self.bench.rig().take(&order, &Watch::default()).map_err(|error| error.to_string())?;
        require(facts.lost_frames > 0, || format!("not noticed: {facts:?}"))?;
        Ok(Verdict::Passed)
    }

    fn clock(&mut self) -> Answer {
        for skew_ppm in [-400.0, 300.0] {
            if !self.bench.inflict(Fault::Clock { skew_ppm }) {
                return Ok(Verdict::NotPossibleHere);
            }
            let (order, _, recording) = self.sound_take(2.0 * TONE_S)?;
            let measured =
                recording.channels.first().and_then(|x| skew_of_tone_ppm(x, f64::from(order.rate_hz)));
            let measured = measured.ok_or("no tone was heard")?;
            // Phase over one second at 1 kHz: a thousandth of a turn is one ppm.
            require((measured - skew_ppm).abs() < 5.0, || {
                format!("{skew_ppm} ppm came out as {measured:.1} ppm")
            })?;
            self.bench.mend();
        }
        Ok(Verdict::Passed)
    }

    fn listen_order(&mut self, longest_s: f64) -> ListenOrder {
        let TakeOrder { rate_hz, record_inputs, recording, .. } = self.order(0.0);
        ListenOrder { rate_hz, record_inputs, longest_s, recording }
    }

    /// A recording must hold what the ear was given, and no more than a second after it had enough.
    fn listens(&mut self) -> Answer {
        let mut said = Vec::new();
        for _ in 0..TRIES {
            let mut order = self.listen_order(30.0);
            let rate = f64::from(order.rate_hz);
            let input = self.bench.play_elsewhere(tone((TONE_S * rate) as usize, rate));
            order.record_inputs = vec![input];
            let (mut heard, mut loud, mut loudest) = (Vec::new(), 0, 0f32);
            let watch = Watch::default();
            let mut ear = |frames: &[f32]| {
                heard.extend_from_slice(frames);
                loudest = frames.iter().fold(loudest, |most, x| most.max(x.abs()));
                // By its own loudest: nobody knows the level that another plays at.
                loud += frames.iter().filter(|x| x.abs() > (0.3 * loudest).max(0.001)).count();
                if loud as f64 > 0.5 * rate { Wanted::Enough } else { Wanted::More }
            };
            let facts =
                self.bench.rig().listen(&order, &mut ear, &watch).map_err(|error| error.to_string())?;
            self.bench.mend();
            if facts.lost_frames > 0 {
                said = facts.remarks;
                continue;
            }
            require(loud as f64 > 0.5 * rate, || format!("it ended before there was enough: {facts:?}"))?;
            let recording = wav::read(&order.recording).map_err(|error| error.to_string())?;
            require(recording.frames() as u64 == facts.frames, || format!("{} frames", recording.frames()))?;
            require(!facts.stopped, || "it says that it was stopped".into())?;
            let same = recording.channels.first().is_some_and(|kept| {
                kept.len() >= heard.len()
                    && kept.iter().zip(&heard).all(|(kept, heard)| *kept as f32 == *heard)
            });
            require(same, || "the ear was given something else than was recorded".into())?;
            let more_s = (recording.frames() - heard.len()) as f64 / rate;
            require(more_s < 1.0, || format!("{more_s:.2} s were recorded after there was enough"))?;
            require(facts.simulated == self.bench.simulated(), || "wrong about being simulated".into())?;
            return Ok(Verdict::Passed);
        }
        Err(format!("{TRIES} recordings in a row say that frames were lost: {}", said.join("; ")))
    }

    fn listens_no_longer(&mut self) -> Answer {
        let order = self.listen_order(0.6);
        let mut ear = |_: &[f32]| Wanted::More;
        let facts = self
            .bench
            .rig()
            .listen(&order, &mut ear, &Watch::default())
            .map_err(|error| error.to_string())?;
        let seconds = facts.frames as f64 / f64::from(order.rate_hz);
        require((0.599..1.6).contains(&seconds), || format!("{seconds:.2} s were recorded"))?;
        require(!facts.stopped, || "it says that it was stopped".into())?;
        Ok(Verdict::Passed)
    }

    fn stops_listening(&mut self) -> Answer {
        let order = self.listen_order(20.0);
        let mut rig = self.bench.rig();
        let watch = Watch::default();
        let mut ear = |_: &[f32]| {
            if watch.recorded_frames() > u64::from(order.rate_hz) / 2 {
                watch.stop();
            }
            Wanted::More
        };
        let facts = rig.listen(&order, &mut ear, &watch).map_err(|error| error.to_string())?;
        require(facts.stopped, || "it does not say that it was stopped".into())?;
        let seconds = facts.frames as f64 / f64::from(order.rate_hz);
        require(seconds < 4.0, || format!("{seconds:.2} s were recorded"))?;
        Ok(Verdict::Passed)
    }

    fn refuses_to_listen(&mut self) -> Answer {
        let (mut deaf, mut elsewhere, mut forever) =
            (self.listen_order(1.0), self.listen_order(1.0), self.listen_order(1.0));
        deaf.record_inputs.clear();
        elsewhere.record_inputs = vec![999];
        forever.longest_s = 1e6;
        let cases: [(ListenOrder, Right); 3] = [
            (deaf, |error| matches!(error, RigError::BadOrder(_))),
            (elsewhere, |error| matches!(error, RigError::NoSuchChannel { asked: 1000, .. })),
            (forever, |error| matches!(error, RigError::BadOrder(_))),
        ];
        for (order, right) in cases {
            let mut ear = |_: &[f32]| Wanted::More;
            match self.bench.rig().listen(&order, &mut ear, &Watch::default()) {
                Ok(facts) => return Err(format!("it was accepted: {facts:?}")),
                Err(error) if !right(&error) => return Err(format!("the wrong kind of refusal: {error:?}")),
                Err(_) if order.recording.exists() => return Err("a refused recording left a file".into()),
                Err(_) => {}
            }
        }
        Ok(Verdict::Passed)
    }

    fn unplug_listening(&mut self) -> Answer {
        if !self.bench.inflict(Fault::Unplug { at_s: 1.5 }) {
            return Ok(Verdict::NotPossibleHere);
        }
        let order = self.listen_order(12.0);
        let mut ear = |_: &[f32]| Wanted::More;
        let answer = self.bench.rig().listen(&order, &mut ear, &Watch::default());
        lost_and_kept(answer, &order.recording)
    }

    fn unplug(&mut self) -> Answer {
        if !self.bench.inflict(Fault::Unplug { at_s: 2.0 }) {
            return Ok(Verdict::NotPossibleHere);
        }
        let order = self.order(4.0 * TONE_S);
        let answer = self.bench.rig().take(&order, &Watch::default());
        lost_and_kept(answer, &order.recording)
    }
}

/// The device was lost, and what was recorded until then is there.
fn lost_and_kept(answer: Result<TakeFacts, RigError>, recording: &Path) -> Answer {
    let error = match answer {
        Ok(facts) => return Err(format!("not noticed: {facts:?}")),
        Err(error) => error,
    };
    require(matches!(error, RigError::DeviceLost { .. }), || format!("the wrong kind of error: {error:?}"))?;
    let kept = wav::read(recording).map_err(|error| error.to_string())?;
    require(kept.seconds() > 0.5, || format!("only {:.2} s were kept", kept.seconds()))?;
    Ok(Verdict::Passed)
}

fn tone(frames: usize, rate_hz: f64) -> Vec<f32> {
    let fade = 0.02 * rate_hz;
    let peak = 10f64.powf(TONE_DBFS / 20.0);
    (0..frames)
        .map(|n| {
            let edge = (n.min(frames - 1 - n) as f64 / fade).min(1.0);
            let rise = 0.5 - 0.5 * (std::f64::consts::PI * edge).cos();
            (peak * rise * (std::f64::consts::TAU * TONE_HZ * n as f64 / rate_hz).sin()) as f32
        })
        .collect()
}

/// How much slower than played a recorded tone turns, from its phase in two stretches half a second apart, in ppm.
fn skew_of_tone_ppm(recorded: &[f64], rate_hz: f64) -> Option<f64> {
    let start = recorded.iter().position(|x| dbfs(x.abs()) > TONE_DBFS - 6.0)?;
    let length = rate_hz as usize;
    let phase = |from: usize| {
        let turn = std::f64::consts::TAU * TONE_HZ / rate_hz;
        let stretch = recorded.get(from..from + length)?;
        // A raised-cosine weight keeps the image of the tone from leaning on the phase.
        let sum = stretch.iter().enumerate().fold((0.0, 0.0), |(re, im), (n, x)| {
            let weight = 0.5 - 0.5 * (std::f64::consts::TAU * n as f64 / length as f64).cos();
            let angle = turn * (from + n) as f64;
            (re + weight * x * angle.cos(), im - weight * x * angle.sin())
        });
        Some(f64::atan2(sum.1, sum.0))
    };
    let apart = length / 2;
    let first = phase(start + length / 4)?;
    let moved = phase(start + length / 4 + apart)? - first;
    let turns = moved / std::f64::consts::TAU;
    let turns = turns - turns.round();
    Some(-turns * rate_hz / TONE_HZ / apart as f64 * 1e6)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_skew_of_a_stretched_tone_is_read_off() {
        for skew_ppm in [-400.0, 0.0, 250.0] {
            let rate = 48_000.0 * (1.0 + skew_ppm * 1e-6);
            let tone: Vec<f64> = (0..150_000)
                .map(|n| 0.1 * (std::f64::consts::TAU * TONE_HZ * f64::from(n) / rate).sin())
                .collect();
            let measured = skew_of_tone_ppm(&tone, 48_000.0).expect("a tone");
            assert!((measured - skew_ppm).abs() < 0.5, "{skew_ppm} came out as {measured}");
        }
    }
}
