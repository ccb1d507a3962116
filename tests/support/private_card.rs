//! A sound card for tests, without hardware: a private PulseAudio with null sinks, reached through ALSA's pulse plug-in.
//!
//! What is played on `bench_out` is heard on `bench_in`, sample for sample; `spare_out` and `spare_in` are a second,
//! separate pair. Nothing of the user's own sound system is touched. The environment of a process cannot be changed
//! safely while it runs, so a test starts itself again as a child that finds the card in its environment.

use std::fmt::Write as _;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Debian packages the private card needs.
const PACKAGES: &str = "pulseaudio pulseaudio-utils libasound2-plugins";
const INSIDE: &str = "CABINWRIGHT_PRIVATE_CARD";
const UP_WITHIN: Duration = Duration::from_secs(20);

/// A private card; it ends when dropped.
pub struct PrivateCard {
    daemon: Child,
    folder: tempfile::TempDir,
}

/// Runs `body` in a child process in which a private card is the only sound card.
///
/// `test` is the full name of the calling test. Cards are used one at a time on a machine, so that tests which run side
/// by side do not starve each other.
pub fn with_private_card(test: &str, rate_hz: u32, channels: u16, body: impl FnOnce()) {
    if std::env::var_os(INSIDE).is_some() {
        return body();
    }
    let lock = std::fs::File::create(std::env::temp_dir().join("cabinwright-private-card.lock"))
        .expect("a lock file");
    lock.lock().expect("waiting for the other sound tests");
    let card = PrivateCard::start(rate_hz, channels);
    let mut child = Command::new(std::env::current_exe().expect("the test's own path"));
    child.args([test, "--exact", "--nocapture", "--test-threads=1"]).env(INSIDE, "1");
    card.lend_to(&mut child);
    let out = child.output().expect("starting the test again with a card");
    let words = String::from_utf8_lossy(&out.stdout);
    eprintln!("{words}{}", String::from_utf8_lossy(&out.stderr));
    assert!(words.contains("1 passed") || !out.status.success(), "no test is called {test}");
    assert!(
        out.status.success(),
        "{test} failed on the private card at {rate_hz} Hz with {channels} channels"
    );
}

impl PrivateCard {
    /// Starts a card of 2, 4 or 8 channels.
    pub fn start(rate_hz: u32, channels: u16) -> Self {
        let folder =
            tempfile::Builder::new().prefix("cabinwright-card").tempdir().expect("a temporary folder");
        let dir = folder.path();
        for name in ["run", "home"] {
            std::fs::create_dir(dir.join(name)).expect("a folder for the sound server");
        }
        write(dir, "daemon.pa", &modules(dir, rate_hz, channels));
        write(dir, "daemon.conf", &daemon_conf(rate_hz, channels));
        write(dir, "client.conf", "autospawn = no\n");
        write(dir, "asound.conf", ASOUND);
        let daemon = Command::new("pulseaudio")
            .arg("-n")
            .arg("-F")
            .arg(dir.join("daemon.pa"))
            // It ends by itself a minute after its last client, should the test be killed.
            .args([
                "--daemonize=no",
                "--use-pid-file=no",
                "--exit-idle-time=60",
                "--realtime=no",
                "--high-priority=no",
            ])
            .arg(format!("--log-target=file:{}", dir.join("log").display()))
            .env("HOME", dir.join("home"))
            .env("XDG_RUNTIME_DIR", dir.join("run"))
            .env("PULSE_RUNTIME_PATH", dir.join("run"))
            .env("PULSE_CONFIG", dir.join("daemon.conf"))
            .env("DBUS_SESSION_BUS_ADDRESS", "disabled:")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        let daemon = daemon.unwrap_or_else(|error| {
            panic!("the sound tests need a private sound server ({error}): install {PACKAGES}, or run `cargo xtask test`")
        });
        let mut card = Self { daemon, folder };
        card.wait_until_up();
        card
    }

    fn wait_until_up(&mut self) {
        let began = Instant::now();
        while began.elapsed() < UP_WITHIN {
            let mut pactl = Command::new("pactl");
            self.lend_to(&mut pactl);
            let sources = pactl.args(["list", "short", "sources"]).output();
            let sources =
                sources.unwrap_or_else(|error| panic!("pactl is missing ({error}): install {PACKAGES}"));
            if String::from_utf8_lossy(&sources.stdout).contains("spare_microphone") {
                return;
            }
            if let Ok(Some(status)) = self.daemon.try_wait() {
                panic!("the private sound server ended with {status}: {}", self.log());
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        panic!("the private sound server did not come up within {UP_WITHIN:?}: {}", self.log());
    }

    fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }

    /// Makes this the only sound card that a command sees.
    pub fn lend_to(&self, command: &mut Command) {
        let dir = self.folder.path();
        command
            .env("PULSE_SERVER", format!("unix:{}", dir.join("socket").display()))
            .env("PULSE_CLIENTCONFIG", dir.join("client.conf"))
            .env("ALSA_CONFIG_PATH", dir.join("asound.conf"))
            .env("CABINWRIGHT_CARD_PID", self.daemon.id().to_string());
    }
}

impl Drop for PrivateCard {
    fn drop(&mut self) {
        let _ = self.daemon.kill();
        let _ = self.daemon.wait();
    }
}

/// Pulls the plug of a pair, from within [`with_private_card`].
#[allow(dead_code, reason = "not every test file pulls plugs")]
pub fn unplug(pair: &str) {
    let listed =
        Command::new("pactl").args(["list", "short", "modules"]).output().expect("pactl lists the modules");
    let words = String::from_utf8_lossy(&listed.stdout).into_owned();
    let sink = words
        .lines()
        .find(|line| line.contains("module-null-sink") && line.contains(&format!("sink_name={pair}_speaker")))
        .and_then(|line| line.split_whitespace().next())
        .unwrap_or_else(|| panic!("no pair {pair} in {words}"));
    let done = Command::new("pactl").args(["unload-module", sink]).status().expect("pactl unloads a module");
    assert!(done.success(), "the plug of {pair} could not be pulled");
}

/// Plugs a pair in again after [`unplug`].
#[allow(dead_code, reason = "not every test file pulls plugs")]
pub fn plug(pair: &str, rate_hz: u32, channels: u16) {
    for module in pair_modules(pair, rate_hz, channels) {
        let done = Command::new("pactl")
            .arg("load-module")
            .args(module.split_whitespace())
            .stdout(Stdio::null())
            .status();
        assert!(done.expect("pactl loads a module").success(), "{module}");
    }
}

/// Halts a speaker for a while and with it the microphone that hears it, as a card that chokes does.
///
/// The server stays awake: after a freeze of the whole server the ALSA plug-in sometimes gives its stream up for good,
/// which is a lost device and no gap.
#[allow(dead_code, reason = "not every test file chokes a card")]
pub fn choke(pair: &str, time: Duration) {
    let suspend = |state: &str| {
        let done = Command::new("pactl").args(["suspend-sink", &format!("{pair}_speaker"), state]).status();
        assert!(done.expect("pactl suspends a sink").success(), "suspend-sink {pair} {state}");
    };
    suspend("1");
    std::thread::sleep(time);
    suspend("0");
}

/// Freezes the whole sound system for a while, as a computer that is far too busy does.
#[allow(dead_code, reason = "not every test file freezes the card")]
pub fn freeze(time: Duration) {
    let pid = std::env::var("CABINWRIGHT_CARD_PID").expect("inside with_private_card");
    let signal = |name: &str| {
        let done = Command::new("kill").args([name, &pid]).status().expect("kill sends a signal");
        assert!(done.success(), "kill {name} {pid}");
    };
    signal("-STOP");
    std::thread::sleep(time);
    signal("-CONT");
}

fn write(dir: &Path, name: &str, text: &str) {
    std::fs::write(dir.join(name), text).expect("a configuration file");
}

fn speaker_map(channels: u16) -> &'static str {
    match channels {
        2 => "front-left,front-right",
        4 => "front-left,front-right,rear-left,rear-right",
        8 => "front-left,front-right,rear-left,rear-right,front-center,lfe,side-left,side-right",
        other => panic!("there is no standard speaker map for {other} channels"),
    }
}

fn modules(dir: &Path, rate_hz: u32, channels: u16) -> String {
    let mut text = format!(
        "load-module module-native-protocol-unix auth-anonymous=1 socket={}\n",
        dir.join("socket").display()
    );
    for module in ["bench", "spare"].iter().flat_map(|pair| pair_modules(pair, rate_hz, channels)) {
        let _ = writeln!(text, "load-module {module}");
    }
    text + "set-default-sink bench_speaker\nset-default-source bench_microphone\n"
}

/// The speaker of a pair and the microphone that hears it.
fn pair_modules(pair: &str, rate_hz: u32, channels: u16) -> [String; 2] {
    let map = speaker_map(channels);
    // norewinds keeps an idle sink from rendering two seconds ahead, which would stall the start of every stream.
    [
        format!(
            "module-null-sink sink_name={pair}_speaker norewinds=1 format=float32le rate={rate_hz} channels={channels} \
             channel_map={map}"
        ),
        format!(
            "module-remap-source source_name={pair}_microphone master={pair}_speaker.monitor channels={channels} \
             channel_map={map} master_channel_map={map} remix=no"
        ),
    ]
}

fn daemon_conf(rate_hz: u32, channels: u16) -> String {
    format!(
        "default-sample-format = float32le\ndefault-sample-rate = {rate_hz}\nalternate-sample-rate = {rate_hz}\n\
         default-sample-channels = {channels}\ndefault-channel-map = {}\nflat-volumes = no\nrescue-streams = no\n\
         enable-remixing = no\nenable-memfd = no\nenable-shm = no\n",
        speaker_map(channels)
    )
}

const ASOUND: &str = r#"
pcm.!default { type pulse  hint { show on description "Default (private card)" } }
ctl.!default { type pulse }
pcm.bench_out { type pulse  device bench_speaker  hint { show on description "Bench output" } }
pcm.bench_in { type pulse  device bench_microphone  hint { show on description "Bench input" } }
pcm.spare_out { type pulse  device spare_speaker  hint { show on description "Spare output" } }
pcm.spare_in { type pulse  device spare_microphone  hint { show on description "Spare input" } }
"#;
