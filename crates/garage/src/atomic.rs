//! Writing so that a crash, a full disk or a pulled cable leaves the old file or the new one, never half of either.

use std::fs::{self, File, OpenOptions, Permissions};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use crate::fault::{Fault, FormatError};

/// Start of the names of files that are being written; a crash can leave one behind and `garage check` names it.
pub const TEMPORARY_PREFIX: &str = ".unfinished-";

/// Replaces `path` with `bytes`: written to a temporary name in the same folder, synced, renamed, folder synced.
///
/// # Errors
/// [`Fault::Unwritable`]; the file that was there before is untouched.
pub fn write(path: &Path, bytes: &[u8]) -> Result<(), FormatError> {
    write_with(path, |out| out.write_all(bytes))
}

/// As [`write()`], but never replaces.
///
/// # Errors
/// [`Fault::AlreadyThere`] when `path` exists, [`Fault::Unwritable`] otherwise.
pub fn write_new(path: &Path, bytes: &[u8]) -> Result<(), FormatError> {
    write_new_with(path, |out| out.write_all(bytes))
}

/// As [`write()`], for content that is produced piece by piece.
///
/// # Errors
/// [`Fault::Unwritable`], also for an error that `fill` returns.
pub fn write_with(
    path: &Path,
    fill: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> Result<(), FormatError> {
    replace(path, fill).map_err(|error| FormatError::whole(path, Fault::Unwritable(error)))
}

/// As [`write_new`], for content that is produced piece by piece.
///
/// # Errors
/// [`Fault::AlreadyThere`] when `path` exists, [`Fault::Unwritable`] otherwise.
pub fn write_new_with(
    path: &Path,
    fill: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> Result<(), FormatError> {
    let placed = temporary(path, fill).and_then(|(file, folder)| {
        file.persist_noclobber(path).map_err(|error| error.error)?;
        sync_folder(&folder)
    });
    placed.map_err(|error| {
        let there = error.kind() == io::ErrorKind::AlreadyExists;
        FormatError::whole(path, if there { Fault::AlreadyThere } else { Fault::Unwritable(error) })
    })
}

fn replace(path: &Path, fill: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> io::Result<()> {
    if let Ok(facts) = fs::metadata(path) {
        if facts.is_dir() {
            return Err(io::Error::new(io::ErrorKind::IsADirectory, "it is a folder"));
        }
        // A terminal, a pipe or a device takes the bytes; renaming over it would destroy it.
        if !facts.is_file() {
            let mut out = BufWriter::new(OpenOptions::new().write(true).open(path)?);
            fill(&mut out)?;
            return out.flush();
        }
    }
    // A link stays a link: the file it points to is replaced.
    let target = fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
    let (file, folder) = temporary(&target, fill)?;
    file.persist(&target).map_err(|error| error.error)?;
    sync_folder(&folder)
}

/// A filled, synced file with a temporary name beside `path`, and the folder it is in.
fn temporary(
    path: &Path,
    fill: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> io::Result<(tempfile::NamedTempFile, PathBuf)> {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder.to_owned(),
        _ => PathBuf::from("."),
    };
    let mut builder = tempfile::Builder::new();
    builder.prefix(TEMPORARY_PREFIX);
    let permissions = ordinary_permissions();
    if let Some(permissions) = permissions {
        builder.permissions(permissions);
    }
    let mut file = builder.tempfile_in(&folder)?;
    {
        let mut out = BufWriter::new(file.as_file_mut());
        fill(&mut out)?;
        out.flush()?;
    }
    file.as_file().sync_all()?;
    Ok((file, folder))
}

/// What any new file gets, before the user's mask; temporary files are private unless told otherwise.
#[cfg(unix)]
fn ordinary_permissions() -> Option<Permissions> {
    use std::os::unix::fs::PermissionsExt;
    Some(Permissions::from_mode(0o666))
}

#[cfg(not(unix))]
fn ordinary_permissions() -> Option<Permissions> {
    None
}

#[cfg(unix)]
fn sync_folder(folder: &Path) -> io::Result<()> {
    match File::open(folder)?.sync_all() {
        // Some network file systems cannot sync a folder; the rename itself has happened.
        Err(error) if error.kind() == io::ErrorKind::InvalidInput => Ok(()),
        other => other,
    }
}

#[cfg(not(unix))]
fn sync_folder(_folder: &Path) -> io::Result<()> {
    // Folders cannot be opened for syncing there; the file itself is synced.
    let _: fn(&Path) -> io::Result<File> = File::open;
    Ok(())
}
