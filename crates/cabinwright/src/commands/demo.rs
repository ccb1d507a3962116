//! `cabinwright demo`

use std::fmt::Write;
use std::path::PathBuf;

use audio::rig::Watch;
use garage::Simulation;
use job::demo::{DemoOrder, Figure, Summary};

use crate::face::{Face, Failure, Outcome};

/// Does the whole job on the virtual car: a visit with all its takes, a tune, a proof, pictures, and the report.
///
/// Nothing in it was measured in a real car, and everything it writes says SIMULATED. The same scenario and seed give
/// the same figures every time. Afterwards any other command can be tried on the files in OUT/garage.
#[derive(clap::Args)]
pub struct Args {
    /// The folder to write into: OUT/garage, OUT/report.pdf, OUT/summary.json and OUT/pictures.
    #[arg(long, value_name = "DIR", default_value = "cabinwright-demo")]
    out: PathBuf,
    /// Which invented car; a name that is not there lists those that are.
    #[arg(long, value_name = "NAME", default_value = "plain-front")]
    scenario: String,
    /// Seed of everything random: noise, scattering, latencies.
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// How much of the job.
    #[arg(long, value_enum, default_value_t)]
    extent: Extent,
}

/// How much of the job a demo does.
#[derive(Clone, Copy, Default, clap::ValueEnum)]
enum Extent {
    /// All of it, nine positions: some 200 to 400 MB.
    #[default]
    Whole,
    /// All of it with the shortest sweeps at four positions: some 12 MB.
    Short,
    /// The rig check and every channel at the first position; the rest is left to do.
    Begun,
}

/// Runs the command.
pub fn run(args: Args, face: &Face) -> Result<Outcome, Failure> {
    let garage = args.out.join("garage");
    let summary_file = args.out.join("summary.json");
    let report_file = args.out.join("report.pdf");
    for path in [&garage, &summary_file, &report_file] {
        face.may_write(path)?;
    }
    let scenarios = job::rig::scenarios();
    if !scenarios.iter().any(|it| it.name == args.scenario) {
        let known: Vec<&str> = scenarios.iter().map(|it| it.name.as_str()).collect();
        return Err(Failure::new(format_args!(
            "--scenario {}: there is no such invented car; there are: {}",
            args.scenario,
            known.join(", ")
        )));
    }
    if garage.exists() {
        remove_demo_garage(&garage)?;
    }
    let order = DemoOrder {
        garage: garage.clone(),
        simulation: Simulation { scenario: args.scenario.clone(), seed: args.seed },
        extent: match args.extent {
            Extent::Whole => job::demo::Extent::Whole,
            Extent::Short => job::demo::Extent::Short,
            Extent::Begun => job::demo::Extent::Begun,
        },
    };
    let judged = job::demo::run(&order, &mut |words| face.progress(words), &Watch::default());
    face.progress_done();
    let judged = judged?;
    let document = report::gather(&garage.join(&judged.result.visit))?;
    report::write_pdf(&document, &report_file)?;
    report::write_pictures(&document, &args.out.join("pictures"))?;
    let text = serde_json::to_string_pretty(&judged.result)?;
    garage::atomic::write(&summary_file, format!("{text}\n").as_bytes())?;
    face.answer(words(&judged.result, &judged.remarks, &args.out), &judged)?;
    Ok(Outcome::Done)
}

/// With `--force`: only a garage of an earlier demo is replaced, never one with real work in it.
fn remove_demo_garage(path: &std::path::Path) -> Result<(), Failure> {
    let opened = garage::Garage::open(path)?;
    let cars = opened.cars()?;
    if !cars.damaged.is_empty() || cars.found.iter().any(|car| !car.record().simulated) {
        return Err(Failure::new(format_args!(
            "{} holds cars that are not simulated; give another --out",
            path.display()
        )));
    }
    std::fs::remove_dir_all(path)
        .map_err(|error| Failure::new(format_args!("{}: cannot be replaced: {error}", path.display())))
}

fn words(summary: &Summary, remarks: &[String], out: &std::path::Path) -> String {
    let mut text = format!(
        "SIMULATED: {} (seed {}), {}.\n",
        summary.scenario,
        summary.seed,
        if summary.tune.is_some() {
            "the whole job from intake to handover"
        } else {
            "a visit that has begun"
        }
    );
    let figure = |it: Figure| format!("{:.1} ± {:.1} dB", it.value, it.half_width_95);
    let maybe = |it: Option<Figure>| it.map_or_else(|| "not measured".to_owned(), figure);
    for side in summary.sides.iter().chain(&summary.whole) {
        let _ = writeln!(
            text,
            "{}: {} off the target before, {} predicted, {} after ({}; {:.0} to {:.0} Hz, {} positions)",
            side.side,
            figure(side.rms_error_db_before),
            maybe(side.rms_error_db_predicted),
            maybe(side.rms_error_db_after),
            side.change,
            side.band_hz.0,
            side.band_hz.1,
            side.positions
        );
    }
    for sentence in &summary.sentences {
        let _ = writeln!(text, "{sentence}");
    }
    for remark in remarks {
        let _ = writeln!(text, "note: {remark}");
    }
    let _ = write!(text, "Everything is in {}.", out.display());
    text
}
