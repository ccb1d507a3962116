//! What a quality gate says.

use serde::{Deserialize, Serialize};

/// How far a result can be trusted; ordered, so that `max` is the worse of two.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// Nothing found against it.
    #[default]
    Good,
    /// It holds within its stated interval; the remarks say what limits it.
    Usable,
    /// Not to be built on; the remarks say what to change before the next try.
    Retake,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_worse_of_two_is_the_larger() {
        assert_eq!(Verdict::Good.max(Verdict::Retake), Verdict::Retake);
        assert_eq!(Verdict::Usable.max(Verdict::Good), Verdict::Usable);
    }
}
