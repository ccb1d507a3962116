//! System packages: which are needed, which are missing, and how they come onto the machine.

use std::path::Path;
use std::process::{Command, Stdio};

/// Needed to compile.
pub const BUILD: &[&str] = &["pkg-config", "libasound2-dev"];

/// Needed to open the window.
pub const WINDOW: &[&str] = &[
    "libgl1",
    "libegl1",
    "libgl1-mesa-dri",
    "libxkbcommon-x11-0",
    "libx11-xcb1",
    "libxcursor1",
    "libxi6",
    "libxrandr2",
];

/// Needed by the tests: a private sound server, a private display, a reader of PDF pages.
pub const TESTS: &[&str] = &[
    "pulseaudio",
    "pulseaudio-utils",
    "libasound2-plugins",
    "xvfb",
    "xdotool",
    "x11-utils",
    "imagemagick",
    "mesa-vulkan-drivers",
    "poppler-utils",
];

/// Makes sure that every package of `groups` is there, or says plainly what the user has to install.
///
/// On Debian and its relatives what is missing is installed, through `sudo` when not root. Nothing that is
/// installed already is ever removed for it. Elsewhere the names are printed and the work goes on: the
/// build itself will say what it cannot find.
pub fn ensure(groups: &[&[&'static str]]) -> Result<(), String> {
    let wanted = groups.iter().flat_map(|group| group.iter().copied());
    if !is_debian_like() {
        let names: Vec<_> = wanted.collect();
        println!(
            "xtask: this is not Debian or a relative; make sure that these (Debian's names) are installed:"
        );
        println!("       {}", names.join(" "));
        return Ok(());
    }
    let missing: Vec<_> = wanted.filter(|name| !is_installed(name)).collect();
    if missing.is_empty() {
        return Ok(());
    }
    println!("xtask: installing {}", missing.join(" "));
    let by_hand = format!("install them by hand: apt-get install {}", missing.join(" "));
    apt_get(&["update", "-qq"]).map_err(|why| format!("{why}; {by_hand}"))?;
    // A machine that runs another sound server keeps it: apt stops rather than remove anything.
    let mut install = vec!["install", "--yes", "--no-install-recommends", "--no-remove", "-qq"];
    install.extend(&missing);
    apt_get(&install).map_err(|why| format!("{why}; {by_hand}"))
}

fn is_debian_like() -> bool {
    let release = std::fs::read_to_string("/etc/os-release").unwrap_or_default();
    release
        .lines()
        .filter(|line| line.starts_with("ID=") || line.starts_with("ID_LIKE="))
        .any(|line| line.contains("debian"))
}

fn is_installed(package: &str) -> bool {
    Command::new("dpkg-query")
        .args(["--show", "--showformat=${db:Status-Status}", package])
        .stderr(Stdio::null())
        .output()
        .is_ok_and(|answer| answer.stdout == b"installed")
}

fn apt_get(args: &[&str]) -> Result<(), String> {
    let mut command = if is_root() {
        Command::new("apt-get")
    } else if Path::new("/usr/bin/sudo").exists() {
        let mut sudo = Command::new("sudo");
        sudo.args(["--preserve-env=DEBIAN_FRONTEND", "apt-get"]);
        sudo
    } else {
        return Err("neither root nor sudo is at hand".into());
    };
    command.args(args).env("DEBIAN_FRONTEND", "noninteractive");
    let status = command.status().map_err(|error| format!("apt-get does not start: {error}"))?;
    if status.success() { Ok(()) } else { Err(format!("apt-get {} failed", args[0])) }
}

fn is_root() -> bool {
    Command::new("id").arg("-u").output().is_ok_and(|answer| answer.stdout.trim_ascii() == b"0")
}
