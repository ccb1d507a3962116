//! A simulated car behind the same interface as a sound card.
