//! One message to the user.

/// How a message is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    /// It worked.
    Done,
    /// It worked, with a doubt.
    Doubt,
    /// It did not work.
    Failed,
}

/// A line at the foot of the window; it stays until it is put away or the next comes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Notice {
    /// How it is meant.
    pub tone: Tone,
    /// What is wrong, where, and what would be right; or what was done.
    pub words: String,
}

impl Notice {
    /// It worked.
    pub fn done(words: impl Into<String>) -> Self {
        Self { tone: Tone::Done, words: words.into() }
    }

    /// It worked, with a doubt.
    pub fn doubt(words: impl Into<String>) -> Self {
        Self { tone: Tone::Doubt, words: words.into() }
    }

    /// It did not work.
    pub fn failed(words: impl Into<String>) -> Self {
        Self { tone: Tone::Failed, words: words.into() }
    }
}
