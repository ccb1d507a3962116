//! The voicing stage, and the draft that undo walks through.

use std::sync::Arc;

use audio::rig::Watch;
use dsp::curve::Curve;
use dsp::tune::{ChannelTune, LeftAlone, Tune};
use garage::Side;
use job::voicing::{CrossoverAdvice, Joint, SeatShare, TuneComparison, has_taps};

use super::{Asked, Sheet, State};

/// All that the user edits.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Draft {
    /// The job card.
    pub sheet: Sheet,
    /// The tune being shaped; none before the first proposal.
    pub tune: Option<Tune>,
    /// Its taps were made for other bands than it has now.
    pub taps_are_old: bool,
}

impl Draft {
    /// Puts `tune` in place of what was there; taps that stay where something else changed are old.
    pub fn put(&mut self, tune: Tune) {
        let stay = |was: &Tune| {
            let firs = |tune: &Tune| tune.channels.iter().map(|it| it.fir.clone()).collect::<Vec<_>>();
            has_taps(&tune) && firs(was) == firs(&tune)
        };
        let old = |was: &Tune| stay(was) && (self.taps_are_old || !same_settings(was, &tune));
        self.taps_are_old = self.tune.as_ref().is_some_and(old);
        self.tune = Some(tune);
    }
}

/// What a proposal or a prediction is about.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum ScopeView {
    /// One channel alone.
    Channel(String),
    /// All that is heard when one side plays.
    Side(Side),
    /// Both sides playing the same.
    #[default]
    Whole,
}

impl ScopeView {
    /// As it stands on a chip, where what surrounds it says the rest.
    pub fn short(&self) -> String {
        match self {
            Self::Side(side) => super::cabin::side_word(*side).to_owned(),
            other => other.name(),
        }
    }

    /// In full.
    pub fn name(&self) -> String {
        match self {
            Self::Channel(name) => name.clone(),
            Self::Side(side) => format!("{} side", super::cabin::side_word(*side)),
            Self::Whole => "whole".into(),
        }
    }
}

/// What a sentence of the proposal is about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// The channel.
    pub subject: String,
    /// The sentence.
    pub words: String,
}

/// What lies under the board.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Leaf {
    /// Level, delay, polarity and filters of a channel.
    #[default]
    Settings,
    /// A channel's crossovers against what was measured.
    Crossovers,
    /// How the bands add over delay.
    Joins,
    /// Kept tunes and what changed between two.
    Tunes,
    /// The target's points.
    Target,
    /// Two seats with a weight between them.
    Seats,
}

impl Leaf {
    /// In working order.
    pub const ALL: [Self; 6] =
        [Self::Settings, Self::Crossovers, Self::Joins, Self::Tunes, Self::Target, Self::Seats];

    /// As it stands on its chip.
    pub fn name(self) -> &'static str {
        match self {
            Self::Settings => "Settings",
            Self::Crossovers => "Crossovers",
            Self::Joins => "Joins",
            Self::Tunes => "Tunes",
            Self::Target => "Target",
            Self::Seats => "Two seats",
        }
    }
}

/// Two tunes side by side: the newer is the draft where it has no number.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Compared {
    /// Number of the older.
    pub older: Option<u32>,
    /// Number of the newer.
    pub newer: Option<u32>,
    /// What changed.
    pub found: Option<Arc<TuneComparison>>,
}

/// Two front seats.
#[derive(Debug, Clone, PartialEq)]
pub struct Seats {
    /// The visit that holds the other seat's takes.
    pub other: String,
    /// Weight of this visit's seat, 0 to 1.
    pub weight: f64,
    /// What this and the other seat gain or pay, once the tune is shared.
    pub found: Option<(SeatShare, SeatShare)>,
}

impl Default for Seats {
    fn default() -> Self {
        // The driver hears the car every day.
        Self { other: String::new(), weight: 0.6, found: None }
    }
}

/// The stage.
#[derive(Debug, Clone, Default)]
pub struct VoicingPage {
    /// What lies under the board.
    pub leaf: Leaf,
    /// What the board shows.
    pub scope: ScopeView,
    /// The channel whose settings are listed.
    pub channel: Option<String>,
    /// The scope with nothing in the processor but its crossovers, and the level where the target fits it best.
    pub before: Option<(Arc<Curve>, f64)>,
    /// The scope with the draft in the processor, and the level where the target fits it best.
    pub predicted: Option<(Arc<Curve>, f64)>,
    /// Distance from the target before, with the half-width of its interval.
    pub error_before: Option<(f64, Option<f64>)>,
    /// The same as predicted.
    pub error_predicted: Option<(f64, Option<f64>)>,
    /// Why something cannot be predicted.
    pub fault: Option<String>,
    /// Regions left alone, from the last proposal.
    pub left_alone: Vec<LeftAlone>,
    /// What the last proposal says.
    pub said: Vec<Said>,
    /// How the bands were joined, from the last set-up or join.
    pub joints: Arc<Vec<Joint>>,
    /// The tune that came with the joints.
    pub joined: Option<Arc<Tune>>,
    /// Where to cross each channel, and what that rests on.
    pub advice: Arc<Vec<CrossoverAdvice>>,
    /// Two seats with a weight between them.
    pub seats: Seats,
    /// Two tunes side by side.
    pub compared: Compared,
    /// The correction does not follow while the target is shaped.
    pub still: bool,
    /// A new correction that is being worked out for the target.
    pub following: Option<Asked>,
    /// Stops what is being worked out, where that is taps.
    pub tapping: Option<Arc<Watch>>,
    /// How many were asked for: each has its number, and an answer to another question is not taken.
    pub asked: u64,
    /// The tune that is in the processor.
    pub in_processor: Option<u32>,
}

impl VoicingPage {
    /// True where the joints were worked out for other settings than those of `tune`.
    pub fn joints_are_stale(&self, tune: Option<&Tune>) -> bool {
        self.joined.as_ref().zip(tune).is_some_and(|(joined, tune)| !same_settings(joined, tune))
    }
}

/// Said of taps that stayed where a hand changed something else.
pub const OLD_TAPS: &str = "The taps were made for other settings; Propose makes them again.";

impl State {
    /// What is to be known of taps that do not belong to the settings beside them.
    pub fn old_taps(&self) -> Option<&'static str> {
        let page = &self.voicing;
        self.draft.taps_are_old.then_some(match (&page.tapping, page.following) {
            (Some(_), _) => "The taps are still those of the settings before; new ones are being made.",
            (None, Some(_)) => {
                "The taps are still those of the settings before; new ones are made when the hand rests."
            }
            (None, None) => OLD_TAPS,
        })
    }
}

/// True where nothing of what a processor holds differs.
fn same_settings(one: &Tune, other: &Tune) -> bool {
    let same = |(a, b): (&ChannelTune, &ChannelTune)| {
        (&a.name, a.gain_db, a.delay_ms, a.polarity) == (&b.name, b.gain_db, b.delay_ms, b.polarity)
            && a.crossovers == b.crossovers
            && a.sections == b.sections
            && a.fir == b.fir
    };
    one.channels.len() == other.channels.len() && one.channels.iter().zip(&other.channels).all(same)
}
