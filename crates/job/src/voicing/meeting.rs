//! Where two bands meet: every position, each side playing alone and both together, through the tune.

use dsp::curve::log_grid_hz;
use dsp::filter::ChannelFilter;
use dsp::spectrum::{Bins, Complex};
use dsp::system::join::{self, Into, Meeting, Way, Why};
use dsp::tune::{Pass, Tune};
use garage::Side;

use super::join::{Joint, RunnerUp};
use super::system::heard;
use crate::cabin::CabinCurves;
use crate::error::JobError;
use crate::source::side_name;

/// An octave to either side of the crossover both are heard.
const REGION_OCTAVES: f64 = 1.0;
/// Points of a meeting.
const POINTS_PER_OCTAVE: f64 = 24.0;
const PICTURE_POINTS: usize = 121;

/// Two bands as they meet.
pub(super) struct Place {
    pub meeting: Meeting,
    /// What each place of the meeting is called.
    names: Vec<String>,
    pub lower: Vec<String>,
    pub upper: Vec<String>,
    frequency_hz: f64,
    pub region_hz: (f64, f64),
}

impl Default for Place {
    fn default() -> Self {
        Self {
            meeting: Meeting { frequency_hz: Vec::new(), fixed: Vec::new(), moved: Vec::new() },
            names: Vec::new(),
            lower: Vec::new(),
            upper: Vec::new(),
            frequency_hz: 0.0,
            region_hz: (0.0, 0.0),
        }
    }
}

impl Place {
    /// Adds a channel and those it meets; nothing where they do not meet: no takes, no crossover, no common region, or
    /// another region than its mate's.
    pub fn add(
        &mut self,
        cabin: &CabinCurves,
        tune: &Tune,
        lower: &str,
        upper: &[&str],
        positions: &[String],
    ) -> Result<(), JobError> {
        let Some(low) = cabin.channel(lower) else { return Ok(()) };
        let above: Vec<_> = upper.iter().filter_map(|name| cabin.channel(name)).collect();
        let edge = |name: &str, pass: Pass| {
            let channel = tune.channels.iter().find(|it| it.name == name)?;
            channel.slope(pass).map(|it| it.frequency_hz)
        };
        let high_passes: Vec<f64> = upper.iter().filter_map(|name| edge(name, Pass::High)).collect();
        let Some(high_pass_hz) = high_passes.iter().copied().reduce(f64::max) else { return Ok(()) };
        let frequency_hz = (edge(lower, Pass::Low).unwrap_or(high_pass_hz) * high_pass_hz).sqrt();
        let reach = REGION_OCTAVES.exp2();
        let from_hz = above
            .iter()
            .map(|it| it.band_hz.0)
            .chain([low.band_hz.0, frequency_hz / reach])
            .fold(0.0, f64::max);
        let to_hz = low.band_hz.1.min(frequency_hz * reach);
        if above.is_empty() || to_hz < 1.2 * from_hz {
            return Ok(());
        }
        let bins = &Bins::standard().frequency_hz;
        let mut at: Vec<usize> = log_grid_hz(from_hz, to_hz, POINTS_PER_OCTAVE)
            .into_iter()
            .map(|f| bins.partition_point(|b| *b < f).min(bins.len() - 1))
            .collect();
        at.dedup();
        let frequencies: Vec<f64> = at.iter().map(|&k| bins[k]).collect();
        let filter = |name: &str| -> Result<Vec<Complex>, JobError> {
            let Some(channel) = tune.channels.iter().find(|it| it.name == name) else {
                return Ok(vec![Complex::new(1.0, 0.0); frequencies.len()]);
            };
            let filter = ChannelFilter::new(channel, tune.sample_rate_hz)
                .map_err(|error| JobError::Input(format!("tune, channel \"{name}\": {error}")))?;
            Ok(filter.responses(&frequencies))
        };
        let through = |places: Vec<Vec<Complex>>, filter: &[Complex]| -> Vec<Vec<Complex>> {
            let one = |place: Vec<Complex>| at.iter().zip(filter).map(|(&k, h)| place[k] * h).collect();
            places.into_iter().map(one).collect()
        };
        // A subwoofer meets left and right: each side playing alone counts, and both together.
        let of_its_own = |side: &Side| above.iter().any(|it| it.side == *side);
        let mut sides: Vec<Side> =
            [Side::Left, Side::Right, Side::Both].into_iter().filter(of_its_own).collect();
        if sides.len() > 1 && !sides.contains(&Side::Both) {
            sides.push(Side::Both);
        }
        let low_filter = filter(lower)?;
        if self.lower.is_empty() {
            self.meeting.frequency_hz.clone_from(&frequencies);
            (self.frequency_hz, self.region_hz) = (frequency_hz, (from_hz, to_hz));
        } else if self.meeting.frequency_hz != frequencies {
            return Ok(());
        }
        self.lower.push(lower.to_owned());
        self.upper.extend(above.iter().map(|it| it.name.clone()));
        // In a pair a place is one ear of one speaker; its name says which.
        let spoken = |position: &String, side: Side| match side {
            Side::Both => position.clone(),
            _ => format!("{position}, {}", side_name(side)),
        };
        for side in sides {
            let moved = through(heard(cabin, low, side, positions), &low_filter);
            let mut fixed = vec![vec![Complex::new(0.0, 0.0); at.len()]; positions.len()];
            for channel in &above {
                let share = through(heard(cabin, channel, side, positions), &filter(&channel.name)?);
                for (sum, share) in fixed.iter_mut().zip(share) {
                    sum.iter_mut().zip(share).for_each(|(sum, share)| *sum += share);
                }
            }
            if moved.len() != fixed.len() {
                continue;
            }
            self.meeting.moved.extend(moved);
            self.meeting.fixed.extend(fixed);
            self.names.extend(positions.iter().map(|it| spoken(it, side)));
        }
        Ok(())
    }

    /// The joint in words and figures.
    ///
    /// `better` says why a runner-up that loses less is not taken.
    pub fn joint(&self, found: &join::Join, window_s: f64, rate_hz: f64, better: &str) -> Joint {
        let best = &found.best;
        let name = |place: usize| self.names.get(place).cloned().unwrap_or_default();
        let runner_up = found.runner_up.map(|(way, why)| RunnerUp {
            delay_ms: 1e3 * (way.delay_s - best.delay_s),
            turned_over: way.invert != best.invert,
            lost_db: way.lost_db,
            worst_lost_db: way.worst_lost_db,
            why: match why {
                Why::CyclesAway(periods) => format!(
                    "it is {:.1} of a period {} and loses {:.1} dB more",
                    periods.abs(),
                    if periods < 0.0 { "early" } else { "late" },
                    (way.lost_db - best.lost_db).max(0.0)
                ),
                Why::DipAt { place, by_db } => {
                    format!("it leaves a dip {by_db:.1} dB deeper at {}", name(place))
                }
                Why::Less if way.lost_db < best.lost_db => {
                    format!("it loses {:.1} dB less here, {better}", best.lost_db - way.lost_db)
                }
                Why::Less => format!("it loses {:.1} dB more", way.lost_db - best.lost_db),
            },
        });
        let as_it_was = self.meeting.over_delay(
            &Way { delay_s: 0.0, invert: false, all_pass: None, ..*best },
            rate_hz,
            0.0,
            1,
        );
        Joint {
            lower: self.lower.clone(),
            upper: self.upper.clone(),
            frequency_hz: self.frequency_hz,
            region_hz: self.region_hz,
            delay_ms: 1e3 * best.delay_s,
            inverted: best.invert,
            all_pass: best.all_pass.map(|(into, section)| match into {
                Into::Moved => (self.lower.clone(), section),
                Into::Fixed => (self.upper.clone(), section),
            }),
            lost_db: best.lost_db,
            lost_before_db: as_it_was.as_set_db.first().map_or(0.0, |db| -db),
            worst_lost_db: best.worst_lost_db,
            worst_position: name(best.worst_place),
            runner_up,
            picture: self.meeting.over_delay(best, rate_hz, 1.2 * window_s, PICTURE_POINTS),
        }
    }
}
