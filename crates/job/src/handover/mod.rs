//! Handover: is it better, by how much, how sure are we, what was done?

pub mod changes;
