//! The measuring chain against systems it has never seen.

mod rig;
mod smoke;
