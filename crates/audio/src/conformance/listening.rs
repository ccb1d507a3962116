//! Hearing what another plays.

use super::tone::tone;
use super::{Answer, Fault, Right, Suite, TONE_S, TRIES, Verdict, lost_and_kept, require};
use crate::rig::{ListenOrder, RigError, TakeOrder, Wanted, Watch};
use crate::wav;

impl Suite<'_> {
    fn listen_order(&mut self, longest_s: f64) -> ListenOrder {
        let TakeOrder { rate_hz, record_inputs, recording, .. } = self.order(0.0);
        ListenOrder { rate_hz, record_inputs, longest_s, recording }
    }

    /// A recording must hold what the ear was given, and no more than a second after it had enough.
    pub(super) fn listens(&mut self) -> Answer {
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

    pub(super) fn listens_no_longer(&mut self) -> Answer {
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

    pub(super) fn stops_listening(&mut self) -> Answer {
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

    pub(super) fn refuses_to_listen(&mut self) -> Answer {
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

    pub(super) fn unplug_listening(&mut self) -> Answer {
        if !self.bench.inflict(Fault::Unplug { at_s: 1.5 }) {
            return Ok(Verdict::NotPossibleHere);
        }
        let order = self.listen_order(12.0);
        let mut ear = |_: &[f32]| Wanted::More;
        let answer = self.bench.rig().listen(&order, &mut ear, &Watch::default());
        lost_and_kept(answer, &order.recording)
    }
}
