//! Cabin: what reaches the seat from each speaker?

mod curves;
mod take;

pub use curves::{CabinCurves, ChannelCurves, Feed, PositionCurve, curves};
pub use take::{CabinTake, take};
pub(crate) use take::{judge_and_keep, position_of};
