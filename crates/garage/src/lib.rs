//! Cars, visits, takes and tunes on disk, and the file formats.
//!
//! A garage is a plain folder. Every file is written to a temporary name, synced and renamed; every reader answers a
//! bad file with one line that names the file, the place, what is wrong and what would be right. Nothing here knows
//! sound, screens or the time of day.

pub mod archive;
pub mod atomic;
pub mod car;
pub mod channels;
pub mod check;
pub mod conditions;
pub mod entry;
pub mod error;
pub mod fault;
pub mod finding;
pub mod folder;
pub mod formats;
pub mod lock;
pub mod proof;
pub mod rig;
mod rules;
pub mod slug;
pub mod take;
pub mod tune_record;
pub mod visit;

pub use car::Car;
pub use channels::{Channel, ChannelMap, Role, Side};
pub use conditions::{Condition, Conditions};
pub use error::{GarageError, Listing};
pub use fault::{Fault, FormatError, Invalid, Place};
pub use finding::Finding;
pub use folder::{CarFolder, Garage, GarageRecord, OpenTake, VisitFolder};
pub use proof::Proof;
pub use rig::{Calibration, Microphone, RigRecord, Simulation};
pub use take::{TakeKind, TakeRecord};
pub use tune_record::{Reason, TuneNote, TuneRecord};
pub use visit::{Position, Stage, StageState, Stages, Visit};
