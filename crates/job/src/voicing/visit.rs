//! The whole stage on visits, without a window: for the seat of one, or for that and another's.

use std::path::{Path, PathBuf};

use audio::rig::Watch;
use dsp::limits::Limits;
use dsp::target::Target;
use dsp::tune::Tune;
use garage::formats::{limits, target};
use garage::{Reason, VisitFolder};
use serde::Serialize;

use super::save::save_tune;
use super::seats::{TwoSeats, two_seats};
use super::set_up::{SetUp, Wish, set_up};
use crate::cabin;
use crate::error::JobError;
use crate::judged::Judged;
use crate::workplace::WorkClock;

/// Which visits, and what is given besides.
#[derive(Debug, Clone, PartialEq)]
pub struct VisitOrder {
    /// The visit with the first seat's takes.
    pub visit: PathBuf,
    /// The visit with another seat's takes, and the first seat's weight, 0 to 1.
    pub other_seat: Option<(PathBuf, f64)>,
    /// A target file in place of the visit's.
    pub target: Option<PathBuf>,
    /// A limits file in place of the visit's.
    pub limits: Option<PathBuf>,
    /// Leave the processor's taps empty.
    pub no_taps: bool,
    /// Keep the tune in the first visit under its next number.
    pub keep: bool,
}

/// A tune for a visit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Voicing {
    /// For one seat, or for two.
    #[serde(flatten)]
    pub made: Made,
    /// Its number in the visit, where it was kept.
    pub number: Option<u32>,
    /// It rests on simulated takes.
    pub simulated: bool,
    /// What was done and why.
    #[serde(skip)]
    pub reasons: Vec<Reason>,
}

/// For whom a tune was made.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Made {
    /// The seat of the visit.
    OneSeat(Box<SetUp>),
    /// That seat and another.
    TwoSeats(Box<TwoSeats>),
}

impl Made {
    /// The settings to type in.
    pub fn tune(&self) -> &Tune {
        match self {
            Self::OneSeat(made) => &made.tune,
            Self::TwoSeats(made) => &made.shared,
        }
    }
}

/// Sets a visit up from its takes: what the window's one button does, or its two seats.
///
/// # Errors
/// A folder that is no visit, no takes, no target or limits, and as [`set_up`] and [`two_seats`].
pub fn set_up_visit(order: &VisitOrder, watch: &Watch) -> Result<Judged<Voicing>, JobError> {
    let folder = VisitFolder::open(&order.visit)?;
    let (target, limits) = (target_of(&folder, order)?, limits_of(&folder, order)?);
    let map = folder.car().channel_map.clone();
    let temperature_c = folder.record().conditions.temperature_c;
    let wish = Wish { temperature_c, no_taps: order.no_taps, ..Wish::default() };
    let Judged { result: first, verdict: of_takes, remarks: mut said } = curves_of(&folder, watch)?;
    let (made, reasons, verdict, remarks) = match &order.other_seat {
        None => {
            let made = set_up(&first, &map, &target, &limits, &wish)?;
            let reasons = made.result.reasons.clone();
            (Made::OneSeat(Box::new(made.result)), reasons, made.verdict, made.remarks)
        }
        Some((other, weight)) => {
            let second = curves_at_other_seat(&folder, other, watch)?;
            said.extend(second.remarks.into_iter().map(|words| format!("Other seat: {words}")));
            let second = second.result;
            let made = two_seats(&first, &second, &map, &target, &limits, *weight, &wish)?;
            let reasons = made.result.reasons.clone();
            (Made::TwoSeats(Box::new(made.result)), reasons, made.verdict, made.remarks)
        }
    };
    let title = if order.other_seat.is_some() { "Two seats" } else { "Set up" };
    let number = if order.keep {
        Some(save_tune(&folder, &mut WorkClock::System, made.tune(), title, reasons.clone(), None)?)
    } else {
        None
    };
    let result = Voicing { made, number, simulated: first.simulated, reasons };
    said.extend(remarks);
    Ok(Judged { result, verdict: verdict.max(of_takes), remarks: said })
}

/// The takes of `other`, a visit of the same car at another seat.
///
/// # Errors
/// A folder that is no visit or one of another car, the visit itself, no takes.
pub fn curves_at_other_seat(
    folder: &VisitFolder,
    other: &Path,
    watch: &Watch,
) -> Result<Judged<cabin::CabinCurves>, JobError> {
    let second = VisitFolder::open(other)?;
    if second.path() == folder.path() {
        return Err(JobError::Input(format!(
            "{} is the visit itself; name another visit of the car, with the takes of its other seat",
            other.display()
        )));
    }
    if second.car().name != folder.car().name {
        return Err(JobError::Input(format!(
            "{} is a visit of {}; name one of {}",
            other.display(),
            second.car().name,
            folder.car().name
        )));
    }
    curves_of(&second, watch)
}

fn curves_of(folder: &VisitFolder, watch: &Watch) -> Result<Judged<cabin::CabinCurves>, JobError> {
    let curves = cabin::curves(folder, watch)?;
    if curves.result.channels.is_empty() {
        return Err(JobError::not_yet(
            format!("{} has no takes at the seat", folder.path().display()),
            "take its positions with `measure`, or in Cabin",
        ));
    }
    Ok(curves)
}

fn target_of(folder: &VisitFolder, order: &VisitOrder) -> Result<Target, JobError> {
    if let Some(file) = &order.target {
        return Ok(target::read(file)?);
    }
    folder.record().target.clone().ok_or_else(|| {
        JobError::not_yet(
            format!("{} has no target", folder.path().display()),
            "choose one in Intake, or give --target",
        )
    })
}

fn limits_of(folder: &VisitFolder, order: &VisitOrder) -> Result<Limits, JobError> {
    if let Some(file) = &order.limits {
        return Ok(limits::read(file)?);
    }
    folder.record().limits.clone().ok_or_else(|| {
        JobError::not_yet(
            format!("{} has no limits of its processor", folder.path().display()),
            "choose them in Intake, or give --limits",
        )
    })
}
