//! What every command shares: how it speaks, how it ends, how it refuses to overwrite.

use std::fmt::{self, Display};
use std::io::{IsTerminal, Write};
use std::path::Path;

/// How the user asked to be answered.
pub struct Face {
    /// One JSON document on standard output and nothing else.
    pub json: bool,
    /// Files that are there may be replaced.
    pub force: bool,
}

/// How a command that ran to its end came out.
#[derive(Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Exit 0.
    Done,
    /// Exit 3: it measured, but a quality gate says take it again.
    TakeAgain,
}

/// One line for standard error and exit 2: what is wrong, where, and what would be right.
#[derive(Debug)]
pub struct Failure(String);

impl Failure {
    /// From anything with words; line breaks are folded so that it stays one line, and nothing in it commands the
    /// terminal.
    pub fn new(words: impl Display) -> Self {
        let folded = words.to_string().split_whitespace().collect::<Vec<_>>().join(" ");
        Self(
            folded
                .chars()
                .map(|c| if c.is_control() { c.escape_default().to_string() } else { c.to_string() })
                .collect(),
        )
    }
}

impl Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl<E: std::error::Error> From<E> for Failure {
    fn from(error: E) -> Self {
        Self::new(error)
    }
}

impl Face {
    /// Prints the document with `--json`, the words without.
    pub fn answer(&self, words: impl Display, document: &impl serde::Serialize) -> Result<(), Failure> {
        let mut out = std::io::stdout().lock();
        let written = if self.json {
            let text = serde_json::to_string_pretty(document).map_err(Failure::new)?;
            writeln!(out, "{text}")
        } else {
            writeln!(out, "{words}")
        };
        match written {
            // A reader that has seen enough (`| head`) is not a failure.
            Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => Err(Failure::new(error)),
            _ => Ok(()),
        }
    }

    /// Refuses a path that exists unless `--force` was given.
    pub fn may_write(&self, path: &Path) -> Result<(), Failure> {
        if self.force || !path.exists() {
            return Ok(());
        }
        Err(Failure::new(format_args!(
            "{} is already there; give another name, or --force to replace it",
            path.display()
        )))
    }

    /// Shows progress on standard error when that is a terminal and JSON was not asked for.
    pub fn progress(&self, words: impl Display) {
        let mut err = std::io::stderr();
        if !self.json && err.is_terminal() {
            let _ = write!(err, "\r\x1b[2K{words}");
            let _ = err.flush();
        }
    }

    /// Clears the progress line.
    pub fn progress_done(&self) {
        self.progress("");
    }
}
