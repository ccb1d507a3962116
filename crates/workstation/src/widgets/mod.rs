//! The few controls that every screen is made of. Each has a name that can be heard and is at least 36 high.

mod button;
mod card;
mod chip;
mod field;
mod mark;
mod words;

pub use button::{action, focus_ring, primary, quiet};
pub use card::card;
pub use chip::chip;
pub use field::{begin_here, figure, line, pick, pick_small};
pub use mark::{Mark, mark};
pub use words::{caution, hint, pair, remark, verdict_words};
