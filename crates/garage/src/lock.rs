//! One writer at a time: two programs on one garage.

use std::fs::{File, TryLockError};
use std::path::Path;
use std::time::Duration;

use crate::error::GarageError;

/// The file that is locked while something is written; it stays, empty.
pub const LOCK_FILE: &str = "garage.lock";

/// Writing a record takes milliseconds; a program that holds the lock longer is copying a whole garage.
const TRIES: u32 = 100;
const PAUSE: Duration = Duration::from_millis(20);

/// Held while writing; released when dropped, and by the system when the program dies.
#[derive(Debug)]
pub struct WriteLock {
    _file: File,
}

impl WriteLock {
    /// Waits up to two seconds for the garage at `root`.
    ///
    /// # Errors
    /// [`GarageError::Busy`] when another program keeps it.
    pub fn take(root: &Path) -> Result<Self, GarageError> {
        let path = root.join(LOCK_FILE);
        let file = File::options()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .map_err(|cause| GarageError::folder(&path, "opening the lock", cause))?;
        for _ in 0..TRIES {
            match file.try_lock() {
                Ok(()) => return Ok(Self { _file: file }),
                Err(TryLockError::WouldBlock) => std::thread::sleep(PAUSE),
                // A share that cannot lock is still usable by one program; numbering never collides either way.
                Err(TryLockError::Error(cause)) if cause.kind() == std::io::ErrorKind::Unsupported => {
                    return Ok(Self { _file: file });
                }
                Err(TryLockError::Error(cause)) => return Err(GarageError::folder(&path, "locking", cause)),
            }
        }
        Err(GarageError::Busy { path: root.to_owned() })
    }
}
