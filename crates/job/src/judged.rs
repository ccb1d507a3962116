//! What every procedure hands back.

use dsp::verdict::Verdict;
use serde::Serialize;

/// A result with what there is to say about it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Judged<T> {
    /// What was found.
    #[serde(flatten)]
    pub result: T,
    /// How far to trust it.
    pub verdict: Verdict,
    /// Each reason for the verdict and each thing worth knowing, in plain words.
    pub remarks: Vec<String>,
}

impl<T> Judged<T> {
    /// A result that nothing speaks against.
    pub fn good(result: T) -> Self {
        Self { result, verdict: Verdict::Good, remarks: Vec::new() }
    }

    /// Adds a remark; the verdict becomes the worse of the two.
    pub fn note(&mut self, verdict: Verdict, words: impl Into<String>) {
        self.verdict = self.verdict.max(verdict);
        self.remarks.push(words.into());
    }
}
