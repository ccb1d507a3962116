//! The program: opens the window, or runs one command.

mod commands;
mod face;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

use face::{Face, Failure, Outcome};

/// Measures a car's sound from the driver's seat, finds out what the factory did to it, and works out the
/// settings that put it right. Without a command it opens the window.
#[derive(Parser)]
#[command(name = "cabinwright", version, max_term_width = 100)]
struct Program {
    /// Print one JSON document on standard output and nothing else.
    #[arg(long, global = true)]
    json: bool,
    /// Replace files that are already there.
    #[arg(long, global = true)]
    force: bool,
    #[command(subcommand)]
    command: Option<Command>,
}

#[derive(Subcommand)]
enum Command {
    Demo(commands::demo::Args),
    Devices(commands::devices::Args),
    Stimulus(commands::stimulus::Args),
    Measure(commands::measure::Args),
    Response(commands::response::Args),
    Average(commands::average::Args),
    Source(commands::source::Args),
    Correct(commands::correct::Args),
    Align(commands::align::Args),
    Apply(commands::apply::Args),
    RollCall(commands::roll_call::Args),
    EntryCheck(commands::entry_check::Args),
    Noise(commands::noise::Args),
    Report(commands::report::Args),
    Garage(commands::garage::Args),
}

fn run(program: Program) -> Result<Outcome, Failure> {
    let face = Face { json: program.json, force: program.force };
    match program.command {
        None => commands::window::run(&face),
        Some(Command::Demo(args)) => commands::demo::run(args, &face),
        Some(Command::Devices(args)) => commands::devices::run(args, &face),
        Some(Command::Stimulus(args)) => commands::stimulus::run(args, &face),
        Some(Command::Measure(args)) => commands::measure::run(args, &face),
        Some(Command::Response(args)) => commands::response::run(args, &face),
        Some(Command::Average(args)) => commands::average::run(args, &face),
        Some(Command::Source(args)) => commands::source::run(args, &face),
        Some(Command::Correct(args)) => commands::correct::run(args, &face),
        Some(Command::Align(args)) => commands::align::run(args, &face),
        Some(Command::Apply(args)) => commands::apply::run(args, &face),
        Some(Command::RollCall(args)) => commands::roll_call::run(args, &face),
        Some(Command::EntryCheck(args)) => commands::entry_check::run(args, &face),
        Some(Command::Noise(args)) => commands::noise::run(args, &face),
        Some(Command::Report(args)) => commands::report::run(args, &face),
        Some(Command::Garage(args)) => commands::garage::run(args, &face),
    }
}

/// What the option parser has to say, in one line; help and version are answers, not failures.
fn usage(error: &clap::Error) -> ExitCode {
    if !error.use_stderr() {
        return if error.print().is_ok() { ExitCode::SUCCESS } else { ExitCode::from(2) };
    }
    if error.kind() == clap::error::ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand {
        eprintln!(
            "cabinwright: this command needs another word after it, which says what to do; --help lists them"
        );
        return ExitCode::from(2);
    }
    let text = error.render().to_string();
    let said = text.split("Usage:").next().unwrap_or(&text);
    let before_usage = said.split("For more information").next().unwrap_or(said);
    eprintln!(
        "cabinwright: {}; --help shows what there is",
        Failure::new(before_usage.trim_start_matches("error: "))
    );
    ExitCode::from(2)
}

fn main() -> ExitCode {
    let program = match Program::try_parse() {
        Ok(program) => program,
        Err(error) => return usage(&error),
    };
    match run(program) {
        Ok(Outcome::Done) => ExitCode::SUCCESS,
        Ok(Outcome::TakeAgain) => ExitCode::from(3),
        Err(failure) => {
            eprintln!("cabinwright: {failure}");
            ExitCode::from(2)
        }
    }
}
