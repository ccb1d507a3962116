//! Where the workers meet the procedures; they are being joined.

use dsp::curve::Curve;
use dsp::target::Target;
use dsp::tune::Tune;

use super::{DiskOrder, Event, Mouth, SoundOrder, ThinkOrder, Worker};
use crate::state::ScopeView;

/// Every take of the cabin.
#[derive(Debug, Clone, Default)]
pub struct Curves;

/// A prediction and its distance from the target.
pub struct Predicted {
    /// Averaged over positions.
    pub curve: Curve,
    /// Distance from the target with the half-width of its interval.
    pub error: Option<(f64, Option<f64>)>,
    /// Level of the target's zero line.
    pub target_level_db: f64,
}

/// What the tune does to the takes.
pub fn predict(_: &Curves, _: &Tune, _: &ScopeView, _: Option<&Target>) -> Result<Predicted, String> {
    Err("not joined to the procedures yet".into())
}

/// Records.
pub struct Disk;
/// The rig.
#[derive(Default)]
pub struct Bench;
/// The analysis.
pub struct Thinker;

fn not_yet(mouth: &Mouth) {
    mouth.say(Event::Failed("not joined to the procedures yet".into()));
}

impl Worker for Disk {
    type Order = DiskOrder;
    fn work(&mut self, order: DiskOrder, mouth: &Mouth) {
        if !matches!(order, DiskOrder::Devices) {
            not_yet(mouth);
        }
    }
}

impl Worker for Bench {
    type Order = SoundOrder;
    fn work(&mut self, _: SoundOrder, mouth: &Mouth) {
        not_yet(mouth);
    }
}

impl Worker for Thinker {
    type Order = ThinkOrder;
    fn work(&mut self, _: ThinkOrder, mouth: &Mouth) {
        not_yet(mouth);
    }
}
