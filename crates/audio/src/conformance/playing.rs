//! Playing and recording at once.

use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant};

use super::tone::{TONE_DBFS, skew_of_tone_ppm};
use super::{Answer, Fault, Suite, TAIL_S, TONE_S, Verdict, lost_and_kept, require};
use crate::rig::{RigError, Watch};
use crate::safety::STOP_WITHIN_MS;
use crate::wav;

impl Suite<'_> {
    pub(super) fn whole(&mut self) -> Answer {
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

    pub(super) fn only_records(&mut self) -> Answer {
        let (order, _, recording) = self.sound_take(0.0)?;
        let asked = TAIL_S * f64::from(order.rate_hz) * 0.999;
        require(recording.frames() as f64 >= asked, || {
            format!("{} frames for {asked:.0}", recording.frames())
        })?;
        Ok(Verdict::Passed)
    }

    pub(super) fn stops(&mut self) -> Answer {
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

    pub(super) fn stopped_before(&mut self) -> Answer {
        let order = self.order(TONE_S);
        let watch = Watch::default();
        watch.stop();
        let facts = self.bench.rig().take(&order, &watch).map_err(|error| error.to_string())?;
        require(facts.stopped, || "it does not say that it was stopped".into())?;
        let loudest = facts.peak_dbfs.first().copied().unwrap_or(f64::NEG_INFINITY);
        require(loudest < -60.0, || format!("something at {loudest:.0} dBFS was heard"))?;
        Ok(Verdict::Passed)
    }

    pub(super) fn wrong_rate(&mut self) -> Answer {
        let mut order = self.order(TONE_S);
        order.rate_hz = 12_345;
        self.refused(
            &order,
            |error| matches!(error, RigError::WrongRate { offered, .. } if !offered.is_empty()),
        )
    }

    pub(super) fn wrong_channel(&mut self) -> Answer {
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

    pub(super) fn ceiling(&mut self) -> Answer {
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

    pub(super) fn bad_sample(&mut self) -> Answer {
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

    pub(super) fn never_replaced(&mut self) -> Answer {
        let order = self.order(TONE_S);
        std::fs::write(&order.recording, b"precious").map_err(|error| error.to_string())?;
        self.refused(&order, |error| matches!(error, RigError::BadOrder(_) | RigError::Disk { .. }))?;
        let left = std::fs::read(&order.recording).map_err(|error| error.to_string())?;
        require(left == b"precious", || "the file that was there is changed".into())?;
        Ok(Verdict::Passed)
    }

    pub(super) fn gap(&mut self) -> Answer {
        if !self.bench.inflict(Fault::Gap { at_s: 2.0, length_ms: 600.0 }) {
            return Ok(Verdict::NotPossibleHere);
        }
        let order = self.order(2.0 * TONE_S);
        let facts = self.bench.rig().take(&order, &Watch::default()).map_err(|error| error.to_string())?;
        require(facts.lost_frames > 0, || format!("not noticed: {facts:?}"))?;
        Ok(Verdict::Passed)
    }

    pub(super) fn clock(&mut self) -> Answer {
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

    pub(super) fn unplug(&mut self) -> Answer {
        if !self.bench.inflict(Fault::Unplug { at_s: 2.0 }) {
            return Ok(Verdict::NotPossibleHere);
        }
        let order = self.order(4.0 * TONE_S);
        let answer = self.bench.rig().take(&order, &Watch::default());
        lost_and_kept(answer, &order.recording)
    }
}
