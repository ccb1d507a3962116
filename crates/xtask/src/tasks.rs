//! The tasks themselves: each makes sure of its packages, then runs cargo.

use std::env;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use crate::packages::{self, BUILD, TESTS, WINDOW};

/// The whole job on the virtual car, then the window on what it left behind.
pub fn demo(args: &[String]) -> Result<(), String> {
    packages::ensure(&[BUILD, WINDOW])?;
    run(&mut cargo(&["build", "--package", "cabinwright"]))?;
    let out = root().join("target/demo");
    run(program().args(["demo", "--force", "--out"]).arg(&out).args(args))?;
    println!("xtask: the visit, the pictures and the report are in {}", out.display());
    if env::var_os("DISPLAY").is_none() && env::var_os("WAYLAND_DISPLAY").is_none() {
        println!("xtask: there is no display here, so the window stays closed");
        return Ok(());
    }
    run(program().env("CABINWRIGHT_GARAGE", out.join("garage")))
}

/// The invented cars of `demo-sessions/`, and how far the work on each has got.
const SESSIONS: [(&str, &str); 3] =
    [("plain-front", "short"), ("active-two-way", "begun"), ("wiring-faults", "begun")];

/// Makes `demo-sessions/garage` again: every car by a demo of its own, then all of them packed into one garage.
pub fn demo_sessions() -> Result<(), String> {
    packages::ensure(&[BUILD])?;
    run(&mut cargo(&["build", "--workspace"]))?;
    let sessions = root().join("demo-sessions/garage");
    if sessions.exists() {
        std::fs::remove_dir_all(&sessions)
            .map_err(|error| format!("{} cannot be replaced ({error})", sessions.display()))?;
    }
    for (scenario, extent) in SESSIONS {
        let out = root().join("target/demo-sessions").join(scenario);
        let made = ["demo", "--force", "--scenario", scenario, "--extent", extent, "--out"];
        run(program().args(made).arg(&out))?;
        // Packing leaves out what can be worked out again.
        let packed = out.join("car.tar");
        run(program()
            .args(["garage", "export", "--force", "--garage"])
            .arg(out.join("garage"))
            .arg("--out")
            .arg(&packed))?;
        run(program().args(["garage", "import", "--from"]).arg(&packed).arg("--garage").arg(&sessions))?;
    }
    println!("xtask: open them with CABINWRIGHT_GARAGE={}", sessions.display());
    Ok(())
}

/// Every test of the workspace.
pub fn test(args: &[String]) -> Result<(), String> {
    packages::ensure(&[BUILD, WINDOW, TESTS])?;
    if has_nextest() {
        run(cargo(&["nextest", "run", "--workspace", "--no-fail-fast"]).args(args))?;
        // nextest does not run the examples in the documentation.
        run(&mut cargo(&["test", "--quiet", "--workspace", "--doc"]))
    } else {
        run(cargo(&["test", "--workspace", "--no-fail-fast"]).args(args))
    }
}

/// Speed as ratios against a reference run beside it.
pub fn bench() -> Result<(), String> {
    packages::ensure(&[BUILD])?;
    for (package, example) in benches() {
        run(&mut cargo(&["run", "--quiet", "--release", "--package", &package, "--example", &example]))?;
    }
    Ok(())
}

/// Formatting, lints and documentation.
pub fn lint() -> Result<(), String> {
    packages::ensure(&[BUILD])?;
    run(&mut cargo(&["fmt", "--all", "--check"]))?;
    run(&mut cargo(&["clippy", "--workspace", "--all-targets", "--", "--deny", "warnings"]))?;
    run(cargo(&["doc", "--workspace", "--no-deps"]).env("RUSTDOCFLAGS", "--deny warnings"))
}

/// Every `crates/*/examples/bench_*.rs`, as (package, example), in the order of their names.
fn benches() -> Vec<(String, String)> {
    let names_in = |folder: PathBuf| -> Vec<String> {
        let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
        let mut names: Vec<_> = entries.filter_map(|entry| entry.file_name().into_string().ok()).collect();
        names.sort();
        names
    };
    let crates = root().join("crates");
    names_in(crates.clone())
        .into_iter()
        .flat_map(|package| {
            let files = names_in(crates.join(&package).join("examples"));
            files.into_iter().filter_map(move |file| {
                let example = file.strip_suffix(".rs").filter(|name| name.starts_with("bench_"))?;
                Some((package.clone(), example.to_owned()))
            })
        })
        .collect()
}

/// The workspace's folder, found from where this crate was built.
fn root() -> PathBuf {
    let here = env::var_os("CARGO_MANIFEST_DIR").map_or_else(|| PathBuf::from("crates/xtask"), PathBuf::from);
    here.ancestors().nth(2).unwrap_or(Path::new(".")).to_owned()
}

fn program() -> Command {
    let target = env::var_os("CARGO_TARGET_DIR").map_or_else(|| root().join("target"), PathBuf::from);
    let mut command =
        Command::new(target.join("debug").join(format!("cabinwright{}", env::consts::EXE_SUFFIX)));
    command.current_dir(root());
    command
}

fn cargo(args: &[&str]) -> Command {
    let mut command = Command::new(env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    command.args(args).current_dir(root());
    command
}

fn has_nextest() -> bool {
    cargo(&["nextest", "--version"])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success())
}

fn run(command: &mut Command) -> Result<(), String> {
    let shown = shown(command);
    println!("xtask: {shown}");
    let status = command.status().map_err(|error| format!("{shown} does not start: {error}"))?;
    if status.success() { Ok(()) } else { Err(format!("{shown} failed ({status})")) }
}

fn shown(command: &Command) -> String {
    let words = std::iter::once(command.get_program()).chain(command.get_args());
    let mut words: Vec<_> = words.map(|word| word.to_string_lossy().into_owned()).collect();
    if let Some(name) = Path::new(&words[0]).file_name() {
        words[0] = name.to_string_lossy().into_owned();
    }
    words.join(" ")
}
