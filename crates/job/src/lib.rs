//! The five stages as procedures; what the window and the command line both call.

pub mod judged;
