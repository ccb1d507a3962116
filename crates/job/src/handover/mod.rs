//! Handover: is it better, by how much, how sure are we, what was done?

pub mod changes;
mod proof;
mod words;

pub use garage::entry::{EntryLine, lines as entry_sheet};
pub use proof::{Crossovers, ProofTake, prove, take};
