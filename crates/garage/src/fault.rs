//! What can be wrong with a file, where, and what would be right.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

/// Longest part of a message that may quote a file.
const LONGEST_QUOTED: usize = 240;

/// Words that may hold what stands in a file: fit for one line of a terminal, and cut where they would fill it.
///
/// Control characters and those that turn the direction of writing are escaped, so that a file cannot command the
/// terminal it is shown on.
pub fn quotable(words: &str) -> String {
    let mut shown = String::new();
    for (number, c) in words.chars().enumerate() {
        if number == LONGEST_QUOTED {
            shown.push('…');
            break;
        }
        if c.is_control()
            || matches!(c, '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}')
        {
            shown.extend(c.escape_default());
        } else {
            shown.push(c);
        }
    }
    shown
}

/// A file that could not be read or written.
#[derive(Debug, thiserror::Error)]
#[error("{}{place}: {fault}", path.display())]
pub struct FormatError {
    /// The file.
    pub path: PathBuf,
    /// Where in it.
    pub place: Place,
    /// What is wrong, and what would be right.
    pub fault: Fault,
}

/// Where in a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// The file as a whole.
    Whole,
    /// A line, counted from 1.
    Line(u64),
    /// A field of a JSON document, such as `points[3][0]`.
    Field(String),
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Whole => Ok(()),
            Self::Line(line) => write!(f, ", line {line}"),
            Self::Field(field) => write!(f, ", field {}", quotable(field)),
        }
    }
}

/// What is wrong with a file, sorted by what helps.
#[derive(Debug, thiserror::Error)]
pub enum Fault {
    /// The system does not let us read it.
    #[error("cannot be read ({0}); give a file that is there and may be read")]
    Unreadable(io::Error),
    /// The system does not let us write it; what was there before is still there.
    #[error(
        "cannot be written ({0}); nothing was changed; give a file in a folder that is there, may be written and has room"
    )]
    Unwritable(io::Error),
    /// A file of that name is there and must not be replaced.
    #[error("is already there; it was left as it is; give another name")]
    AlreadyThere,
    /// Nothing in it.
    #[error("is empty; expected {right}")]
    Empty {
        /// What belongs there.
        right: String,
    },
    /// Far larger than any honest file of its kind.
    #[error("is larger than {largest_mib} MiB; expected {right}")]
    TooLarge {
        /// The largest that is read.
        largest_mib: u64,
        /// What belongs there.
        right: String,
    },
    /// Not text at all, or text in another encoding.
    #[error("{wrong}; expected UTF-8 text: {right}")]
    NotText {
        /// What it looks like.
        wrong: &'static str,
        /// What belongs there.
        right: String,
    },
    /// It stops in the middle.
    #[error(
        "ends in the middle, as if writing was interrupted; restore it from a copy, or make it again; expected {right}"
    )]
    HalfWritten {
        /// What belongs there.
        right: String,
    },
    /// A file of another kind.
    #[error("is {}; expected {right}", quotable(found))]
    Foreign {
        /// What it says it is.
        found: String,
        /// What belongs there.
        right: String,
    },
    /// From a later program.
    #[error(
        "is version {found} of {format}, this program knows up to {known}; it was left as it is; open it with a newer program"
    )]
    Newer {
        /// The kind of file.
        format: &'static str,
        /// Its version.
        found: u64,
        /// The newest version known here.
        known: u64,
    },
    /// The content breaks a rule.
    #[error("{}; {}", quotable(wrong), right)]
    Invalid {
        /// What is wrong.
        wrong: String,
        /// What would be right.
        right: String,
    },
}

/// A broken rule in the content of a record, before it is known which file it is in.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{field}: {wrong}; {right}")]
pub struct Invalid {
    /// The field.
    pub field: String,
    /// What is wrong.
    pub wrong: String,
    /// What would be right.
    pub right: String,
}

impl Invalid {
    /// From words.
    pub fn new(field: impl Into<String>, wrong: impl Into<String>, right: impl Into<String>) -> Self {
        Self { field: field.into(), wrong: wrong.into(), right: right.into() }
    }

    /// The same rule in a field deeper down: `inside` goes before the field's name.
    pub(crate) fn within(mut self, inside: &str) -> Self {
        self.field =
            if self.field.is_empty() { inside.to_owned() } else { format!("{inside}.{}", self.field) };
        self
    }
}

impl FormatError {
    /// A fault of the file as a whole.
    pub fn whole(path: &Path, fault: Fault) -> Self {
        Self { path: path.to_owned(), place: Place::Whole, fault }
    }

    /// A broken rule on a line.
    pub fn on_line(path: &Path, line: u64, wrong: impl Into<String>, right: impl Into<String>) -> Self {
        let fault = Fault::Invalid { wrong: wrong.into(), right: right.into() };
        Self { path: path.to_owned(), place: Place::Line(line), fault }
    }

    /// A broken rule in a field.
    pub fn in_field(path: &Path, invalid: Invalid) -> Self {
        let place = if invalid.field.is_empty() { Place::Whole } else { Place::Field(invalid.field) };
        Self {
            path: path.to_owned(),
            place,
            fault: Fault::Invalid { wrong: invalid.wrong, right: invalid.right },
        }
    }

    /// True when the system says there is no such file.
    pub fn is_missing(&self) -> bool {
        matches!(&self.fault, Fault::Unreadable(error) if error.kind() == io::ErrorKind::NotFound)
    }
}
