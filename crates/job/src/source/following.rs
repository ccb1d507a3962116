//! How far a recording of a head unit is, shared with whoever watches it.

use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};

use dsp::measure::{Heard, ToneHeard};

/// What has been heard of what the head unit plays.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Progress {
    /// Nothing yet.
    #[default]
    Waiting,
    /// The opening marker, and so many sweeps to their ends.
    Sweeps {
        /// Heard to their ends.
        heard: u8,
        /// In the stimulus.
        of: u8,
    },
    /// The tone sounds.
    Tone,
    /// All of it.
    Done,
    /// The closing marker did not come.
    Overdue,
    /// What sounded is over, and no marker was in it.
    Unmarked,
}

impl Progress {
    /// True where nothing more is waited for.
    pub fn is_over(self) -> bool {
        matches!(self, Self::Done | Self::Overdue | Self::Unmarked)
    }

    /// In words.
    pub fn words(self) -> String {
        match self {
            Self::Waiting => "waiting for the first marker".into(),
            Self::Sweeps { heard: 0, .. } => "the first marker is heard".into(),
            Self::Sweeps { heard, of } => format!("heard {heard} of {of} sweeps"),
            Self::Tone => "the tone is heard: turn the volume up a step at a time".into(),
            Self::Done => "done".into(),
            Self::Overdue => "the last marker did not come".into(),
            Self::Unmarked => "the sound is over, and no marker was heard in it".into(),
        }
    }
}

/// Shared by the recording and whoever watches it; nothing in it ever blocks.
#[derive(Debug, Default)]
pub struct Following {
    kind: AtomicU32,
    end: AtomicBool,
}

impl Following {
    /// What has been heard up to now.
    pub fn progress(&self) -> Progress {
        match self.kind.load(Ordering::Relaxed).to_le_bytes() {
            [0, ..] => Progress::Waiting,
            [1, heard, of, _] => Progress::Sweeps { heard, of },
            [2, ..] => Progress::Tone,
            [3, ..] => Progress::Done,
            [4, ..] => Progress::Overdue,
            _ => Progress::Unmarked,
        }
    }

    /// Ends the recording and keeps it: that was all.
    pub fn end(&self) {
        self.end.store(true, Ordering::Release);
    }

    pub(super) fn is_to_end(&self) -> bool {
        self.end.load(Ordering::Acquire)
    }

    pub(super) fn set(&self, progress: Progress) {
        let bytes = match progress {
            Progress::Waiting => [0; 4],
            Progress::Sweeps { heard, of } => [1, heard, of, 0],
            Progress::Tone => [2, 0, 0, 0],
            Progress::Done => [3, 0, 0, 0],
            Progress::Overdue => [4, 0, 0, 0],
            Progress::Unmarked => [5, 0, 0, 0],
        };
        self.kind.store(u32::from_le_bytes(bytes), Ordering::Relaxed);
    }
}

pub(super) fn of_sweeps(heard: Heard, of: usize) -> Progress {
    let small = |number: usize| u8::try_from(number).unwrap_or(u8::MAX);
    match heard {
        Heard::Waiting => Progress::Waiting,
        Heard::Begun { sweeps } => Progress::Sweeps { heard: small(sweeps), of: small(of) },
        Heard::Whole => Progress::Done,
        Heard::Overdue => Progress::Overdue,
        Heard::Unmarked => Progress::Unmarked,
    }
}

pub(super) fn of_tone(heard: ToneHeard) -> Progress {
    match heard {
        ToneHeard::Waiting => Progress::Waiting,
        ToneHeard::Begun => Progress::Tone,
        ToneHeard::Ended => Progress::Done,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_set_is_read() {
        let following = Following::default();
        assert_eq!(following.progress(), Progress::Waiting);
        for progress in [
            Progress::Sweeps { heard: 1, of: 4 },
            Progress::Tone,
            Progress::Done,
            Progress::Overdue,
            Progress::Unmarked,
            Progress::Waiting,
        ] {
            following.set(progress);
            assert_eq!(following.progress(), progress);
        }
    }
}
