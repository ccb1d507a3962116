//! `cabinwright garage`

use std::fmt::Write as _;
use std::path::PathBuf;

use garage::Garage;
use garage::archive;
use garage::check::check;
use serde::Serialize;

use crate::face::{Face, Failure, Outcome};

/// Lists, checks, exports or imports what the garage holds.
///
/// A garage is a plain folder of cars, visits, recordings and tunes. Copy it, sync it or back it up with whatever the
/// shop uses.
#[derive(clap::Args)]
pub struct Args {
    #[command(subcommand)]
    what: What,
}

#[derive(clap::Subcommand)]
enum What {
    /// Names every car and its visits.
    List(At),
    /// Reads every record and recording again and names what is damaged; changes nothing.
    ///
    /// Exit 2 when anything is damaged. What interrupted work left behind is named too, but does no harm.
    Check(At),
    /// Packs the garage, or some of its cars, into one .tar file.
    Export(Export),
    /// Brings cars and visits from such a file into the garage; what is there is never replaced.
    Import(Import),
}

#[derive(clap::Args)]
struct At {
    /// The garage's folder.
    #[arg(long, value_name = "DIR", default_value = ".")]
    garage: PathBuf,
}

#[derive(clap::Args)]
struct Export {
    #[command(flatten)]
    at: At,
    /// A car to pack, by its folder or its name; give it more than once for more. All of them when left out.
    #[arg(long = "car", value_name = "NAME")]
    cars: Vec<String>,
    /// The archive to write.
    #[arg(long, value_name = "FILE.tar")]
    out: PathBuf,
}

#[derive(clap::Args)]
struct Import {
    #[command(flatten)]
    at: At,
    /// The archive to read.
    #[arg(long, value_name = "FILE.tar")]
    from: PathBuf,
}

/// Runs the command.
pub fn run(args: Args, face: &Face) -> Result<Outcome, Failure> {
    match args.what {
        What::List(at) => list(&at, face),
        What::Check(at) => run_check(&at, face),
        What::Export(order) => export(&order, face),
        What::Import(order) => import(&order, face),
    }
}

#[derive(Serialize)]
struct List {
    garage: String,
    cars: Vec<ListedCar>,
    damaged: Vec<String>,
}

#[derive(Serialize)]
struct ListedCar {
    folder: String,
    name: String,
    simulated: bool,
    visits: Vec<ListedVisit>,
}

#[derive(Serialize)]
struct ListedVisit {
    folder: PathBuf,
    date: String,
    number: u32,
    takes: usize,
    tunes: usize,
}

fn list(at: &At, face: &Face) -> Result<Outcome, Failure> {
    let garage = Garage::open(&at.garage)?;
    let mut answer = List { garage: garage.name().to_owned(), cars: Vec::new(), damaged: Vec::new() };
    let cars = garage.cars()?;
    answer.damaged.extend(cars.damaged.iter().map(ToString::to_string));
    for car in &cars.found {
        let visits = car.visits()?;
        answer.damaged.extend(visits.damaged.iter().map(ToString::to_string));
        let mut listed = Vec::new();
        for visit in &visits.found {
            let (takes, tunes) = (visit.takes()?, visit.tunes()?);
            answer.damaged.extend(takes.damaged.iter().chain(&tunes.damaged).map(ToString::to_string));
            listed.push(ListedVisit {
                folder: visit.path().to_owned(),
                date: visit.record().date.to_string(),
                number: visit.record().number,
                takes: takes.found.len(),
                tunes: tunes.found.len(),
            });
        }
        let folder = car.path().file_name().map(|it| it.to_string_lossy().into_owned()).unwrap_or_default();
        let record = car.record();
        answer.cars.push(ListedCar {
            folder,
            name: record.name.clone(),
            simulated: record.simulated,
            visits: listed,
        });
    }
    face.answer(list_words(&answer), &answer)?;
    Ok(Outcome::Done)
}

fn list_words(list: &List) -> String {
    let mut words = format!("{}: {}", list.garage, counted(list.cars.len(), "car"));
    for car in &list.cars {
        let simulated = if car.simulated { "  SIMULATED" } else { "" };
        let _ = write!(words, "\n{} ({}){simulated}", car.name, car.folder);
        for visit in &car.visits {
            let _ = write!(
                words,
                "\n  {}, number {}: {}, {}  {}",
                visit.date,
                visit.number,
                counted(visit.takes, "take"),
                counted(visit.tunes, "tune"),
                visit.folder.display()
            );
        }
    }
    append(&mut words, "Damaged", &list.damaged);
    words
}

fn run_check(at: &At, face: &Face) -> Result<Outcome, Failure> {
    let report = check(&at.garage, |path| face.progress(path.display()))?;
    face.progress_done();
    let mut words = format!(
        "Read {}, {}, {} and {}.",
        counted(report.cars, "car"),
        counted(report.visits, "visit"),
        counted(report.takes, "take"),
        counted(report.tunes, "tune")
    );
    append(&mut words, "Damaged", &report.damaged);
    append(&mut words, "Left by interrupted work", &report.left_over);
    if report.damaged.is_empty() {
        words.push_str("\nNothing is damaged.");
    }
    face.answer(words, &report)?;
    match report.damaged.as_slice() {
        [] => Ok(Outcome::Done),
        [only] => Err(Failure::new(only)),
        [first, rest @ ..] => {
            Err(Failure::new(format_args!("{first} (and {} more, listed above)", rest.len())))
        }
    }
}

fn export(order: &Export, face: &Face) -> Result<Outcome, Failure> {
    face.may_write(&order.out)?;
    let garage = Garage::open(&order.at.garage)?;
    let packed = archive::export(&garage, &order.cars, &order.out, face.force, |path| {
        face.progress(path.display());
    })?;
    face.progress_done();
    let words = format!(
        "Packed {} into {}: {} files, {:.1} MB.",
        counted(packed.cars.len(), "car"),
        order.out.display(),
        packed.files,
        packed.bytes as f64 / 1e6
    );
    face.answer(words, &packed)?;
    Ok(Outcome::Done)
}

fn import(order: &Import, face: &Face) -> Result<Outcome, Failure> {
    let brought = archive::import_into(&order.at.garage, "Garage", &order.from)?;
    let mut words = format!(
        "Brought in {} and {} of cars that were here.",
        counted(brought.cars.len(), "new car"),
        counted(brought.visits.len(), "visit")
    );
    append(&mut words, "Already here, left as they are", &brought.already_there);
    append(&mut words, "Damaged in the archive, brought in as they are", &brought.damaged);
    face.answer(words, &brought)?;
    Ok(Outcome::Done)
}

fn append(words: &mut String, heading: &str, lines: &[String]) {
    if !lines.is_empty() {
        let _ = write!(words, "\n{heading}:");
    }
    for line in lines {
        let _ = write!(words, "\n  {line}");
    }
}

fn counted(n: usize, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}
