//! Several speakers that play as one: how their bands join, and all settings refined together.

pub mod join;
