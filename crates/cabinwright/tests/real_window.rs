//! The program in a real window on a private screen: from an empty garage to the written report, by keyboard alone.
//!
//! Starts its own Xvfb and ends it by its process id. What the program does is seen from outside: in the garage's
//! files, and in the window's own name, which says where the work is and ends in dots while a worker is busy. Nothing
//! is timed: a key is sent when the window is free, and what it should bring about is waited for.
//!
//! `CABINWRIGHT_LOOK=FOLDER` keeps a picture of each step, for somebody to look at.

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

/// A private display.
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
            panic!("Xvfb is missing: install the packages xvfb and xdotool, or run `cargo xtask test`");
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
}

/// The program's window.
struct Window {
    screen: Screen,
    id: String,
    _program: Ended,
}

/// Far beyond the longest step, also on two busy cores: only a window that is stuck gets here.
const PATIENCE: Duration = Duration::from_secs(200);
/// Longer than a frame takes on a machine that has other work.
const FRAME: Duration = Duration::from_millis(500);
/// A key that shows no effect for this long while the window is free is sent again.
const LOST: Duration = Duration::from_secs(20);
const LOOK_EVERY: Duration = Duration::from_millis(100);

impl Window {
    /// Opens the program and waits until its first frame is on the screen.
    fn open(run_folder: &Path) -> Self {
        let screen = Screen::open();
        let program = Command::new(env!("CARGO_BIN_EXE_cabinwright"))
            .env("DISPLAY", &screen.display)
            .env("XDG_RUNTIME_DIR", run_folder)
            .env("LIBGL_ALWAYS_SOFTWARE", "1")
            .env_remove("WAYLAND_DISPLAY")
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        let program = Ended(program.unwrap());
        let end = Instant::now() + PATIENCE;
        let id = loop {
            // A window becomes visible with its first frame; from then on its first field has the keyboard.
            let found = screen.xdotool(&["search", "--onlyvisible", "--name", "Cabinwright"]);
            match found.lines().next() {
                Some(id) => break id.to_owned(),
                None => assert!(Instant::now() < end, "the window never came"),
            }
            std::thread::sleep(LOOK_EVERY);
        };
        // Without a window manager nobody else gives the window the keyboard.
        screen.xdotool(&["windowfocus", "--sync", &id]);
        Self { screen, id, _program: program }
    }

    /// Where the work is, in the window's own words.
    fn name(&self) -> String {
        self.screen.xdotool(&["getwindowname", &self.id])
    }

    fn is_free(&self) -> bool {
        !self.name().contains('…')
    }

    /// Sends `key`, and waits for a frame: of two Tabs that share one, only one moves the focus.
    fn key(&self, key: &str) {
        self.screen.xdotool(&["key", "--clearmodifiers", key]);
        std::thread::sleep(FRAME);
    }

    fn type_words(&self, words: &str) {
        self.screen.xdotool(&["type", "--delay", "40", words]);
    }

    /// Waits until `done`, then until the window is free.
    fn until(&self, what: &str, done: impl Fn(&Self) -> bool) {
        self.wait(None, what, done);
    }

    /// Sends `key`, and again whenever the window has been free for a while and `done` has not come about.
    fn press_until(&self, key: &str, what: &str, done: impl Fn(&Self) -> bool) {
        self.wait(Some(key), what, done);
    }

    fn wait(&self, key: Option<&str>, what: &str, done: impl Fn(&Self) -> bool) {
        let end = Instant::now() + PATIENCE;
        let mut pressed: Option<Instant> = None;
        loop {
            let free = self.is_free();
            if free && done(self) {
                return self.look(what);
            }
            if free
                && let Some(key) = key
                && pressed.is_none_or(|at| at.elapsed() > LOST)
            {
                self.key(key);
                pressed = Some(Instant::now());
            }
            if !free && pressed.is_some() {
                pressed = Some(Instant::now());
            }
            if Instant::now() > end {
                self.look("stuck");
                panic!("{what} never came about; the window is called {:?}", self.name());
            }
            std::thread::sleep(LOOK_EVERY);
        }
    }

    /// Enter takes the next step, whatever it is, until `done`.
    fn steps_until(&self, what: &str, done: impl Fn(&Self) -> bool) {
        let end = Instant::now() + PATIENCE;
        while !(self.is_free() && done(self)) {
            if self.is_free() {
                self.key("Return");
            }
            // Enter is ignored while the window is busy: a press too many costs nothing.
            std::thread::sleep(Duration::from_secs(1));
            if Instant::now() > end {
                self.look("stuck");
                panic!("{what} never came about; the window is called {:?}", self.name());
            }
        }
        self.look(what);
    }

    fn look(&self, what: &str) {
        let Ok(folder) = std::env::var("CABINWRIGHT_LOOK") else { return };
        // The frame that follows the name.
        std::thread::sleep(Duration::from_millis(400));
        let file = Path::new(&folder).join(format!("real-{}.png", what.replace(' ', "-")));
        let _ = Command::new("import")
            .args(["-window", "root"])
            .arg(file)
            .env("DISPLAY", &self.screen.display)
            .status();
    }
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
fn from_an_empty_garage_to_a_saved_report() {
    let folder = tempfile::tempdir().unwrap();
    let garage = folder.path().join("garage");
    let window = Window::open(folder.path());

    // The first field of the page has the keyboard as soon as the page is there.
    window.type_words(&garage.display().to_string());
    window.press_until("Return", "garage", |w| w.name().starts_with("All cars"));
    assert!(garage.join("garage.json").is_file());
    // Now the new car's name has it; the chips follow: a real car, then the virtual ones.
    window.type_words("Test car");
    window.key("Tab");
    window.key("Tab");
    window.key("space");
    // Away from the chip, so that Enter means the next step.
    window.key("Escape");
    window.press_until("Return", "intake", |w| w.name().starts_with("Test car · Intake"));
    let visit = only_visit(&garage).unwrap();
    let car = std::fs::read_to_string(visit.ancestors().nth(2).unwrap().join("car.json")).unwrap();
    assert!(car.contains("\"simulated\": true"), "{car}");

    let (takes, tunes, report) = (visit.join("takes"), visit.join("tunes"), visit.join("report"));
    window.press_until("2", "source", |w| w.name().contains("Source"));
    // The factory's signal, what was done to it, and the signal again with the undoing.
    window.steps_until("finding", |_| report.join("finding.json").is_file());
    window.steps_until("cabin", |w| w.name().contains("Cabin,"));
    let start = count(&takes, ".json");
    assert!(start >= 2, "{start} takes of the source");

    // Two channels and two sides at each of nine positions.
    for position in 1..=9 {
        let all = start + 4 * position;
        window.press_until("space", &format!("position {position}"), |_| count(&takes, ".json") >= all);
    }
    window.until("cabin done", |w| w.name().contains("Cabin, done"));

    let undoing = count(&tunes, ".json");
    window.press_until("4", "voicing", |w| w.name().contains("Voicing"));
    window.steps_until("tune", |_| count(&tunes, ".json") > undoing);
    window.steps_until("handover", |w| w.name().contains("Handover"));

    let start = count(&takes, ".json");
    for position in 1..=9 {
        let all = start + 2 * position;
        window.press_until("space", &format!("proof {position}"), |_| count(&takes, ".json") >= all);
    }
    let document = report.join("report.pdf");
    window.steps_until("report", |_| document.is_file());
    window.until("handover done", |w| w.name().contains("Handover, done"));
    assert!(report.join("proof.json").is_file());
    assert!(std::fs::read(&document).unwrap().starts_with(b"%PDF"));
}
