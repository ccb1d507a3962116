//! What the factory did to the signal: each output explained as a product of known filters.
//!
//! The level is explained first (band edges, equaliser bands), then the phase that is left (delay, polarity,
//! all-passes), then both together. A response that no such product explains is reported with less confidence
//! rather than forced.

mod bands;
mod edges;
mod excess;
mod fit;
mod level;
mod model;
mod response;
mod shape;

pub mod channel;
pub mod clean;
pub mod combine;
pub mod link;
pub mod phase;
pub mod quiet;
pub mod side;
pub mod split;

pub use model::{AllPass, ChannelModel, DB_PER_NEPER, Taps};
pub use response::LineResponse;
