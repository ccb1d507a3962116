//! The folder of a garage, and those inside it.

mod car;
mod garage;
mod takes;
mod tunes;
mod visit;

pub use car::CarFolder;
pub(crate) use car::{CAR_FILE, VISITS};
pub(crate) use garage::{CARS, GARAGE_FILE, free_folder};
pub use garage::{Garage, GarageRecord};
pub use takes::OpenTake;
pub(crate) use takes::{CLAIM, digest, has_ending};
pub use visit::VisitFolder;
pub(crate) use visit::{CACHE, FINDING_FILE, PROOF_FILE, REPORT, TAKES, TUNES, VISIT_FILE};

use std::ffi::OsStr;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::atomic::TEMPORARY_PREFIX;
use crate::error::GarageError;

/// Entries of `folder` sorted by name, without hidden ones; none when the folder is not there.
pub(crate) fn entries(folder: &Path) -> Result<Vec<PathBuf>, GarageError> {
    let listing = match fs::read_dir(folder) {
        Ok(listing) => listing,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(cause) => return Err(GarageError::folder(folder, "listing", cause)),
    };
    let mut paths = Vec::new();
    for entry in listing {
        let entry = entry.map_err(|cause| GarageError::folder(folder, "listing", cause))?;
        if !entry.file_name().as_encoded_bytes().starts_with(b".") {
            paths.push(entry.path());
        }
    }
    paths.sort();
    Ok(paths)
}

/// The folders in `folder`, sorted by name.
pub(crate) fn folders(folder: &Path) -> Result<Vec<PathBuf>, GarageError> {
    Ok(entries(folder)?.into_iter().filter(|path| path.is_dir()).collect())
}

/// The number that a file name starts with, as `0007.wav` and `12.json` do.
pub(crate) fn number_of(path: &Path) -> Option<u32> {
    path.file_stem().and_then(OsStr::to_str)?.parse().ok()
}

/// The last part of a path as text.
pub(crate) fn name_of(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

/// A new folder that appears under `path` complete or not at all: `fill` writes into a temporary one.
pub(crate) fn make_folder(
    path: &Path,
    fill: impl FnOnce(&Path) -> Result<(), GarageError>,
) -> Result<(), GarageError> {
    let parent = path.parent().unwrap_or(Path::new("."));
    fs::create_dir_all(parent).map_err(|cause| GarageError::folder(parent, "making the folder", cause))?;
    let failed = |cause| GarageError::folder(path, "making the folder", cause);
    let mut builder = tempfile::Builder::new();
    builder.prefix(TEMPORARY_PREFIX);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(fs::Permissions::from_mode(0o777));
    }
    let unfinished = builder.tempdir_in(parent).map_err(failed)?;
    fill(unfinished.path())?;
    if path.exists() {
        return Err(failed(io::Error::from(io::ErrorKind::AlreadyExists)));
    }
    fs::rename(unfinished.path(), path).map_err(failed)?;
    // The folder is in its place; there is nothing left to clear away.
    let _ = unfinished.keep();
    Ok(())
}

/// The names for an error message: "a, b, c" or "none yet".
pub(crate) fn known(names: impl IntoIterator<Item = String>) -> String {
    let names: Vec<String> = names.into_iter().collect();
    match names.len() {
        0 => "none yet".to_owned(),
        1..=12 => names.join(", "),
        n => format!("{} … {} ({n})", names[0], names[n - 1]),
    }
}
