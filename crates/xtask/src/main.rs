//! Chores for people who work on Cabinwright: `cargo xtask demo|demo-sessions|test|bench|lint`.
//!
//! Depends on nothing but the standard library, so that it starts within seconds on a bare machine.

mod packages;
mod tasks;

use std::process::ExitCode;

const USAGE: &str = "\
usage: cargo xtask <task>

  demo [args]   install what is missing, build, do the whole job on the virtual car, open the window
                (arguments go to `cabinwright demo`, for instance --scenario NAME)
  demo-sessions the ready-made visits in demo-sessions/, made again from nothing
  test [args]   install what the tests need and run them all (arguments go to the test runner)
  bench         measure speed as ratios against reference runs beside it
  lint          formatting, clippy and documentation, all without a warning
";

fn main() -> ExitCode {
    let mut args = std::env::args().skip(1);
    let task = args.next().unwrap_or_default();
    let rest: Vec<String> = args.collect();
    let done = match task.as_str() {
        "demo" => tasks::demo(&rest),
        "demo-sessions" => tasks::demo_sessions(),
        "test" => tasks::test(&rest),
        "bench" => tasks::bench(),
        "lint" => tasks::lint(),
        "" | "help" | "--help" | "-h" => {
            println!("{USAGE}");
            Ok(())
        }
        other => Err(format!("there is no task called \"{other}\"\n\n{USAGE}")),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("xtask: {why}");
            ExitCode::FAILURE
        }
    }
}
