//! What can go wrong with a garage as a whole.

use std::io;
use std::path::PathBuf;

use crate::fault::FormatError;

/// Why something could not be done in a garage; sorted by what helps.
#[derive(Debug, thiserror::Error)]
pub enum GarageError {
    /// Mend, restore or move the file.
    #[error(transparent)]
    Format(#[from] FormatError),
    /// Wait.
    #[error("another program is writing to the garage {}; wait until it is done, then try again", path.display())]
    Busy {
        /// The garage.
        path: PathBuf,
    },
    /// Open it again.
    #[error("{} was changed by another program since it was opened; open it again, so that neither change is lost", path.display())]
    Changed {
        /// The file.
        path: PathBuf,
    },
    /// Give the right folder.
    #[error("{} is no {expected}: it has no {file}; give the folder of a {expected}", path.display())]
    NotThat {
        /// The folder.
        path: PathBuf,
        /// "garage", "car" or "visit".
        expected: &'static str,
        /// The file that would make it one.
        file: &'static str,
    },
    /// Give another folder.
    #[error("{} holds other files; give a new or empty folder for a garage", path.display())]
    NotEmpty {
        /// The folder.
        path: PathBuf,
    },
    /// Choose among those that are there.
    #[error("{} has no {what} \"{name}\"; there is {known}", path.display())]
    NoSuch {
        /// Where it was looked for.
        path: PathBuf,
        /// "car", "visit", "take", "tune".
        what: &'static str,
        /// As asked.
        name: String,
        /// What there is.
        known: String,
    },
    /// The system's reason.
    #[error("{}: {doing} failed ({cause}); nothing that was there is lost", path.display())]
    Folder {
        /// The file or folder.
        path: PathBuf,
        /// What was tried.
        doing: &'static str,
        /// The system's words.
        cause: io::Error,
    },
    /// Anything about an archive.
    #[error("{}: {wrong}; {right}", path.display())]
    Archive {
        /// The archive.
        path: PathBuf,
        /// What is wrong.
        wrong: String,
        /// What would be right.
        right: &'static str,
    },
}

impl GarageError {
    pub(crate) fn folder(path: impl Into<PathBuf>, doing: &'static str, cause: io::Error) -> Self {
        Self::Folder { path: path.into(), doing, cause }
    }
}

/// What could be read, and what could not.
#[derive(Debug)]
pub struct Listing<T> {
    /// In order.
    pub found: Vec<T>,
    /// Each damaged file.
    pub damaged: Vec<FormatError>,
}

impl<T> Default for Listing<T> {
    fn default() -> Self {
        Self { found: Vec::new(), damaged: Vec::new() }
    }
}

impl<T> Listing<T> {
    pub(crate) fn push(&mut self, read: Result<T, FormatError>) {
        match read {
            Ok(item) => self.found.push(item),
            Err(error) => self.damaged.push(error),
        }
    }
}
