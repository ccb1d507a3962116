//! Runs the program as a user does.

#![allow(
    dead_code,
    clippy::expect_used,
    clippy::panic,
    reason = "shared by tests that each use a part of it, and a test fails by panicking"
)]

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::Command;

/// What came of one run.
pub struct Run {
    pub code: i32,
    pub stdout: String,
    pub stderr: String,
    said: String,
}

impl Run {
    /// The run must have ended with exit 0; everything it said otherwise.
    #[track_caller]
    pub fn done(self) -> Self {
        assert_eq!(self.code, 0, "{}\n{}\n{}", self.said, self.stdout, self.stderr);
        self
    }

    /// Exit 2 and one line on standard error that holds every one of `named`; nothing on standard output.
    #[track_caller]
    pub fn refused(self, named: &[&str]) -> Self {
        assert_eq!(self.code, 2, "{} should have been refused\n{}\n{}", self.said, self.stdout, self.stderr);
        assert_eq!(
            self.stderr.trim_end().lines().count(),
            1,
            "{}: one line, not\n{}",
            self.said,
            self.stderr
        );
        assert_eq!(self.stdout, "", "{}", self.said);
        for name in named {
            assert!(self.stderr.contains(name), "{}: \"{name}\" is not in\n{}", self.said, self.stderr);
        }
        self
    }

    /// Standard output as the one JSON document it must be.
    #[track_caller]
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.stdout)
            .unwrap_or_else(|error| panic!("{}: {error}\n{}", self.said, self.stdout))
    }
}

/// Runs the program in `dir` with `args`.
pub fn cabinwright<S: AsRef<OsStr>>(dir: &Path, args: &[S]) -> Run {
    let out = Command::new(env!("CARGO_BIN_EXE_cabinwright"))
        .args(args)
        .current_dir(dir)
        .output()
        .expect("the program starts");
    let words: Vec<_> = args.iter().map(|a| a.as_ref().to_string_lossy().into_owned()).collect();
    Run {
        code: out.status.code().unwrap_or(-1),
        stdout: String::from_utf8(out.stdout).expect("standard output is UTF-8"),
        stderr: String::from_utf8(out.stderr).expect("standard error is UTF-8"),
        said: format!("cabinwright {}", words.join(" ")),
    }
}

/// The root of the workspace.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}
