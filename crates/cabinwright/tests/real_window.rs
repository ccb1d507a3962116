//! The program in a real window on a private screen: from an empty garage to the written report, by keyboard alone.
//!
//! Starts its own Xvfb and ends it by its process id. What the program does is seen from outside, in the garage.

#![expect(clippy::unwrap_used, clippy::panic, reason = "helpers of a test")]

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// A child that is ended when the test is, however it ends.
struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

struct Screen {
    display: String,
    _server: Ended,
}

impl Screen {
    fn open() -> Self {
        let (reader, writer) = std::io::pipe().unwrap();
        // Xvfb picks a free number itself and says which on this pipe.
        let server = Command::new("Xvfb")
            .args(["-displayfd", "1", "-screen", "0", "1280x800x24", "-nolisten", "tcp"])
            .stdout(writer)
            .stderr(Stdio::null())
            .spawn();
        let Ok(server) = server else {
            panic!("Xvfb is missing: install the packages xvfb and xdotool, or run `cargo xtask setup`");
        };
        let server = Ended(server);
        let mut line = String::new();
        std::io::BufRead::read_line(&mut std::io::BufReader::new(reader), &mut line).unwrap();
        Self { display: format!(":{}", line.trim()), _server: server }
    }

    fn xdotool(&self, args: &[&str]) -> String {
        let done = Command::new("xdotool").args(args).env("DISPLAY", &self.display).output();
        let Ok(done) = done else { panic!("xdotool is missing: install the package xdotool") };
        String::from_utf8_lossy(&done.stdout).trim().to_owned()
    }

    fn key(&self, keys: &str) {
        self.xdotool(&["key", "--clearmodifiers", keys]);
        // The window takes a key per frame, and a frame without a graphics card takes a while.
        std::thread::sleep(Duration::from_millis(300));
    }
}

fn until<T>(what: &str, seconds: u64, mut look: impl FnMut() -> Option<T>) -> T {
    let end = Instant::now() + Duration::from_secs(seconds);
    while Instant::now() < end {
        if let Some(found) = look() {
            return found;
        }
        std::thread::sleep(Duration::from_millis(200));
    }
    panic!("waited {seconds} s for {what}");
}

fn only_visit(garage: &Path) -> Option<PathBuf> {
    let car = std::fs::read_dir(garage.join("cars")).ok()?.flatten().next()?.path();
    Some(std::fs::read_dir(car.join("visits")).ok()?.flatten().next()?.path())
}

fn count(folder: &Path, ending: &str) -> usize {
    let Ok(list) = std::fs::read_dir(folder) else { return 0 };
    list.flatten().filter(|entry| entry.file_name().to_string_lossy().ends_with(ending)).count()
}

#[test]
#[ignore = "has not passed yet: the keys sent to the window outrun its work on a busy machine"]
fn from_an_empty_garage_to_a_saved_report() {
    let folder = tempfile::tempdir().unwrap();
    let garage = folder.path().join("garage");
    let screen = Screen::open();
    let _window = Ended(
        Command::new(env!("CARGO_BIN_EXE_cabinwright"))
            .env("DISPLAY", &screen.display)
            .env("XDG_RUNTIME_DIR", folder.path())
            .env_remove("WAYLAND_DISPLAY")
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap(),
    );
    let id = until("the window", 60, || {
        Some(screen.xdotool(&["search", "--name", "Cabinwright"])).filter(|id| !id.is_empty())
    });
    screen.xdotool(&["windowfocus", "--sync", &id]);
    std::thread::sleep(Duration::from_secs(1));

    // The first field of the page has the keyboard as soon as the page is there.
    screen.xdotool(&["type", "--delay", "60", &garage.display().to_string()]);
    screen.key("Return");
    until("the garage", 30, || garage.join("garage.json").is_file().then_some(()));
    std::thread::sleep(Duration::from_secs(1));
    // The keyboard is at the new car's name; the chips follow: a real car, then the virtual ones.
    screen.xdotool(&["type", "--delay", "60", "Test car"]);
    screen.key("Tab");
    screen.key("Tab");
    screen.key("space");
    // Away from the chip, so that Enter means the next step.
    screen.key("Escape");
    screen.key("Return");
    let visit = until("the first visit", 30, || only_visit(&garage));

    screen.key("2");
    let takes = visit.join("takes");
    screen.key("Return");
    until("the factory signal", 120, || (count(&takes, ".json") >= 2).then_some(()));
    // While the window works a key is refused, so it is pressed until it is taken.
    until("the finding", 120, || {
        screen.key("Return");
        std::thread::sleep(Duration::from_secs(2));
        visit.join("finding.json").is_file().then_some(())
    });
    let before = count(&takes, ".json");
    until("the undoing", 120, || {
        screen.key("Return");
        std::thread::sleep(Duration::from_secs(2));
        (count(&takes, ".json") >= before + 2).then_some(())
    });

    screen.key("3");
    // Two channels and two sides at each of nine positions.
    let start = count(&takes, ".json");
    for position in 1..=9 {
        screen.key("space");
        until("a position", 120, || (count(&takes, ".json") >= start + 4 * position).then_some(()));
        // The curves are made again after each position; a key pressed meanwhile would be refused.
        std::thread::sleep(Duration::from_secs(3));
    }
    screen.key("4");
    let tunes = visit.join("tunes");
    let undoing = count(&tunes, ".json");
    until("a tune", 240, || {
        screen.key("Return");
        std::thread::sleep(Duration::from_secs(2));
        (count(&tunes, ".json") > undoing).then_some(())
    });
    screen.key("Return");
    std::thread::sleep(Duration::from_secs(2));
    screen.key("5");
    let start = count(&takes, ".json");
    for position in 1..=9 {
        screen.key("space");
        until("a proof take", 120, || (count(&takes, ".json") >= start + 2 * position).then_some(()));
        std::thread::sleep(Duration::from_secs(3));
    }
    let report = visit.join("report").join("report.pdf");
    until("the report", 240, || {
        screen.key("Return");
        std::thread::sleep(Duration::from_secs(2));
        report.is_file().then_some(())
    });
    assert!(visit.join("proof.json").is_file());
    assert!(std::fs::read(&report).unwrap().starts_with(b"%PDF"));
}
