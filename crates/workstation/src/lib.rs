//! The window.
