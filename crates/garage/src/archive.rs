//! A garage, or some of its cars, in one file: a tar archive that any system can open.

use std::fs::{self, File};
use std::io::{self, BufReader, Write};
use std::path::{Component, Path, PathBuf};

use serde::Serialize;
use tar::{Archive, Builder, EntryType, HeaderMode};

use crate::atomic;
use crate::car::Car;
use crate::check::check;
use crate::error::GarageError;
use crate::folder::{
    CACHE, CAR_FILE, CARS, CLAIM, GARAGE_FILE, Garage, GarageRecord, VISITS, entries, folders, free_folder,
    has_ending, name_of,
};
use crate::formats::document;
use crate::lock::{LOCK_FILE, WriteLock};

/// What went into an archive.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Exported {
    /// Folders of the cars.
    pub cars: Vec<String>,
    /// Files in it.
    pub files: u64,
    /// Their bytes.
    pub bytes: u64,
}

/// What came out of an archive.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Imported {
    /// Folders of new cars.
    pub cars: Vec<String>,
    /// `car/visit` of new visits of cars that were there.
    pub visits: Vec<String>,
    /// `car/visit` that were there already and stayed as they were.
    pub already_there: Vec<String>,
    /// Files in the archive that are damaged; they came in as they are.
    pub damaged: Vec<String>,
}

/// Writes an archive of the cars named, or of all when none is; never replaces a file unless `replace` says so.
///
/// Caches, locks and takes in progress stay out.
///
/// # Errors
/// A car that is not there, an archive that is there already, the system's reason.
pub fn export(
    garage: &Garage,
    cars: &[String],
    out: &Path,
    replace: bool,
    mut progress: impl FnMut(&Path),
) -> Result<Exported, GarageError> {
    let mut chosen = Vec::new();
    if cars.is_empty() {
        chosen = folders(&garage.root().join(CARS))?;
    }
    for name in cars {
        chosen.push(garage.car(name)?.path().to_owned());
    }
    let mut files = vec![garage.root().join(GARAGE_FILE)];
    for car in &chosen {
        collect(car, &mut files)?;
    }
    let mut exported =
        Exported { cars: chosen.iter().map(|car| name_of(car)).collect(), ..Exported::default() };
    let fill = |to: &mut dyn Write| -> io::Result<()> {
        let mut builder = Builder::new(to);
        builder.mode(HeaderMode::Deterministic);
        for path in &files {
            progress(path);
            let inside = path.strip_prefix(garage.root()).map_err(io::Error::other)?;
            exported.bytes += fs::metadata(path)?.len();
            exported.files += 1;
            builder.append_path_with_name(path, inside)?;
        }
        builder.finish()
    };
    if replace { atomic::write_with(out, fill) } else { atomic::write_new_with(out, fill) }?;
    Ok(exported)
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) -> Result<(), GarageError> {
    for path in entries(folder)? {
        if path.is_dir() {
            if name_of(&path) != CACHE {
                collect(&path, files)?;
            }
        } else if !has_ending(&path, CLAIM) {
            files.push(path);
        }
    }
    Ok(())
}

/// Brings the cars and visits of an archive into the garage. What is there stays as it is.
///
/// A car that is there already, with the same name, gets the visits it does not have; a different car in a folder of
/// the same name comes in beside it. Everything is unpacked and read before the first folder is moved into place.
///
/// # Errors
/// An archive that is none, ends early, or holds anything but a garage; a busy garage; the system's reason. The garage
/// is then as it was.
pub fn import(garage: &Garage, archive: &Path) -> Result<Imported, GarageError> {
    let root = garage.root();
    let unpacked = tempfile::Builder::new()
        .prefix(atomic::TEMPORARY_PREFIX)
        .tempdir_in(root)
        .map_err(|cause| GarageError::folder(root, "unpacking", cause))?;
    unpack(archive, unpacked.path())?;
    let inside = unpacked.path();
    if !inside.join(GARAGE_FILE).exists() {
        return Err(not_ours(archive, "holds no garage.json"));
    }
    document::read::<GarageRecord>(&inside.join(GARAGE_FILE))?;
    // Named by their place in the archive, not by the folder they were unpacked into.
    let prefix = format!("{}/", inside.display());
    let damaged = check(inside, |_| ())?.damaged.iter().map(|line| line.replace(&prefix, "")).collect();
    let mut imported = Imported { damaged, ..Imported::default() };

    let _lock = WriteLock::take(root)?;
    for car in folders(&inside.join(CARS))? {
        let name = name_of(&car);
        let here = root.join(CARS).join(&name);
        if here.exists() && same_car(&car, &here) {
            for visit in folders(&car.join(VISITS))? {
                let label = format!("{name}/{}", name_of(&visit));
                let place = here.join(VISITS).join(name_of(&visit));
                if place.exists() {
                    imported.already_there.push(label);
                } else {
                    move_folder(&visit, &place)?;
                    imported.visits.push(label);
                }
            }
        } else {
            let place = free_folder(&root.join(CARS), &name);
            move_folder(&car, &place)?;
            imported.cars.push(name_of(&place));
        }
    }
    Ok(imported)
}

/// As [`import`], into a garage that is made when there is none; it is taken away again when the archive is no good.
///
/// # Errors
/// As [`import`] and [`Garage::open_or_create`].
pub fn import_into(root: &Path, name: &str, archive: &Path) -> Result<Imported, GarageError> {
    let (had_folder, had_garage) = (root.exists(), root.join(GARAGE_FILE).exists());
    let imported = import(&Garage::open_or_create(root, name)?, archive);
    if imported.is_err() && !had_garage {
        // A folder that has got something in it meanwhile is not empty, and stays.
        let _ = fs::remove_dir(root.join(CARS));
        let _ = fs::remove_file(root.join(GARAGE_FILE));
        let _ = fs::remove_file(root.join(LOCK_FILE));
        if !had_folder {
            let _ = fs::remove_dir(root);
        }
    }
    imported
}

fn same_car(one: &Path, other: &Path) -> bool {
    let name = |folder: &Path| document::read::<Car>(&folder.join(CAR_FILE)).map(|car| car.name).ok();
    name(one).is_some_and(|it| Some(it) == name(other))
}

fn move_folder(from: &Path, to: &Path) -> Result<(), GarageError> {
    let parent = to.parent().unwrap_or(Path::new("."));
    fs::create_dir_all(parent)
        .and_then(|()| fs::rename(from, to))
        .map_err(|cause| GarageError::folder(to, "moving the imported folder into place", cause))
}

fn unpack(archive: &Path, into: &Path) -> Result<(), GarageError> {
    let damaged = |error: io::Error| GarageError::Archive {
        path: archive.to_owned(),
        wrong: format!("cannot be unpacked ({error})"),
        right: "give a .tar file that `garage export` wrote, whole; the garage is as it was",
    };
    let mut reader = Archive::new(BufReader::new(File::open(archive).map_err(damaged)?));
    for entry in reader.entries().map_err(damaged)? {
        let mut entry = entry.map_err(damaged)?;
        let path = entry.path().map_err(damaged)?.into_owned();
        match entry.header().entry_type() {
            EntryType::Directory => continue,
            EntryType::Regular => {}
            _ => return Err(not_ours(archive, &format!("holds a link or device, {}", path.display()))),
        }
        if !belongs(&path) {
            return Err(not_ours(archive, &format!("holds {}", path.display())));
        }
        let place = into.join(&path);
        if let Some(folder) = place.parent() {
            fs::create_dir_all(folder).map_err(damaged)?;
        }
        let mut file = File::create_new(&place).map_err(damaged)?;
        let copied = io::copy(&mut entry, &mut file).map_err(damaged)?;
        if copied != entry.size() {
            return Err(damaged(io::Error::from(io::ErrorKind::UnexpectedEof)));
        }
        file.sync_all().map_err(damaged)?;
    }
    Ok(())
}

/// Only plain names, only where a garage keeps its files.
fn belongs(path: &Path) -> bool {
    let mut parts = Vec::new();
    for part in path.components() {
        match part {
            Component::Normal(name) => parts.push(name),
            _ => return false,
        }
    }
    match parts.as_slice() {
        [file] => *file == GARAGE_FILE,
        [cars, _, _, ..] => *cars == CARS,
        _ => false,
    }
}

fn not_ours(archive: &Path, wrong: &str) -> GarageError {
    GarageError::Archive {
        path: archive.to_owned(),
        wrong: format!("{wrong}, so it is no archive of a garage"),
        right: "give a .tar file that `garage export` wrote; the garage is as it was",
    }
}
