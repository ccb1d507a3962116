//! Bad input to every command: exit 2, one line that names what is wrong, and nothing lost.
#![expect(clippy::unwrap_used, reason = "a test may stop where it stands")]

mod common;

use std::path::Path;

use common::cabinwright;

/// Files that are wrong in every way a file can be.
fn spoiled(at: &Path) {
    std::fs::write(at.join("empty"), "").unwrap();
    std::fs::write(at.join("words.txt"), "this is a letter, not a measurement\n").unwrap();
    std::fs::write(at.join("half.json"), r#"{"name":"Warm","points":[[20,8],[60"#).unwrap();
    std::fs::write(at.join("other.json"), r#"{"format":"somebody-else","version":3}"#).unwrap();
    std::fs::write(at.join("newer.json"), r#"{"format":"cabinwright-tune","version":99}"#).unwrap();
    std::fs::write(at.join("nan.csv"), "frequency_hz,level_db\n20,NaN\n40,1\n").unwrap();
    std::fs::write(at.join("back.csv"), "frequency_hz,level_db\n40,1\n20,2\n").unwrap();
    std::fs::write(at.join("noise.wav"), [0x52, 0x49, 0x46, 0x46, 9, 9, 9, 9, 1, 2, 3]).unwrap();
    std::fs::write(at.join("good.csv"), "frequency_hz,level_db\n20,1\n200,2\n2000,3\n20000,1\n").unwrap();
    std::fs::write(at.join("target.json"), r#"{"name":"t","points":[[20,0],[20000,0]],"tolerance_db":3}"#)
        .unwrap();
    std::fs::write(
        at.join("limits.json"),
        r#"{"sample_rate_hz":48000,"bands":5,"kinds":["peaking"],"gain_db":{"min":-15,"max":6},"q":{"min":0.3,"max":10},"frequency_hz":{"min":20,"max":20000}}"#,
    )
    .unwrap();
    let limits = std::fs::read_to_string(at.join("limits.json")).unwrap();
    std::fs::write(at.join("boost.json"), limits.replace("-15", "3")).unwrap();
    std::fs::write(at.join("fine.json"), limits.replace("20000}", r#"20000,"per_octave":1e9}"#)).unwrap();
    std::fs::write(at.join("coarse.json"), limits.replace("10}", r#"0.4,"step":0.25}"#)).unwrap();
    std::fs::write(
        at.join("slip.json"),
        r#"{"format":"cabinwright-tune","version":1,"sample_rate_hz":48000,"channels":[{"name":"left","polarty":"inverted"}]}"#,
    )
    .unwrap();
    std::fs::write(at.join("loud.csv"), "frequency_hz,level_db\n20,1e300\n200,-1e300\n").unwrap();
}

/// `(arguments, what the one line must name)`.
const CASES: &[(&[&str], &[&str])] = &[
    (&["demo", "--scenario", "no-such-car"], &["no-such-car", "plain-front"]),
    (&["average", "not-there.csv", "--out", "o.csv"], &["not-there.csv"]),
    (&["average", "empty", "--out", "o.csv"], &["empty"]),
    (&["average", "words.txt", "--out", "o.csv"], &["words.txt"]),
    (&["average", "nan.csv", "--out", "o.csv"], &["nan.csv"]),
    (&["average", "back.csv", "--out", "o.csv"], &["back.csv"]),
    (&["noise", "--capture", "not-there.wav"], &["not-there.wav"]),
    (&["noise", "--capture", "noise.wav"], &["noise.wav"]),
    (&["noise", "--capture", "empty"], &["empty"]),
    (&["align", "--impulse", "left=noise.wav"], &["noise.wav"]),
    (&["align", "--impulse", "left=not-there.wav"], &["not-there.wav"]),
    (
        &["correct", "--response", "not-there.csv", "--target", "target.json", "--limits", "limits.json"],
        &["not-there.csv"],
    ),
    (
        &["correct", "--response", "nan.csv", "--target", "target.json", "--limits", "limits.json"],
        &["nan.csv"],
    ),
    (
        &["correct", "--response", "good.csv", "--target", "half.json", "--limits", "limits.json"],
        &["half.json"],
    ),
    (
        &["correct", "--response", "good.csv", "--target", "target.json", "--limits", "other.json"],
        &["other.json"],
    ),
    (&["apply", "--tune", "newer.json", "--in", "noise.wav", "--out", "o.wav"], &["newer.json", "99"]),
    (&["apply", "--tune", "other.json", "--in", "noise.wav", "--out", "o.wav"], &["other.json"]),
    (&["stimulus", "sweep", "--low-hz", "500", "--high-hz", "100", "--out", "o.wav"], &["Hz"]),
    (&["stimulus", "sweep", "--rate", "48000", "--high-hz", "30000", "--out", "o.wav"], &["30000"]),
    (&["response", "--stimulus", "not-there.wav", "--capture", "noise.wav"], &["not-there"]),
    (&["response", "--stimulus", "noise.wav", "--capture", "noise.wav"], &["noise"]),
    (
        &["roll-call", "--map", "half.json", "--stimulus", "noise.wav", "--capture", "noise.wav"],
        &["half.json"],
    ),
    (&["entry-check", "--tune", "half.json", "--take", "left=good.csv"], &["half.json"]),
    (&["report", "--visit", "not-there", "--out", "o.pdf"], &["not-there"]),
    (&["measure", "--visit", "not-there", "--channel", "left", "--position", "P1"], &["not-there"]),
    (&["measure", "--visit", "not-there", "--head-unit", "left"], &["not-there"]),
    (
        &["measure", "--visit", "not-there", "--head-unit", "left", "--stays", "right:0"],
        &["--stays", "front left:1"],
    ),
    (&["measure", "--visit", "not-there", "--head-unit", "left", "--channel", "left"], &["--channel"]),
    (&["source", "--stimulus", "not-there.wav", "--capture", "left=noise.wav", "--out", "o"], &["not-there"]),
    (&["garage", "list", "--garage", "not-there"], &["not-there"]),
    (
        &["correct", "--response", "good.csv", "--target", "target.json", "--limits", "boost.json"],
        &["boost.json", "gain_db", "holds 0"],
    ),
    (
        &["correct", "--response", "good.csv", "--target", "target.json", "--limits", "fine.json"],
        &["fine.json", "per_octave"],
    ),
    (
        &["correct", "--response", "good.csv", "--target", "target.json", "--limits", "coarse.json"],
        &["coarse.json", "field q", "multiple of 0.25"],
    ),
    (
        &["correct", "--response", "loud.csv", "--target", "target.json", "--limits", "limits.json"],
        &["loud.csv", "line 2", "1000 dB"],
    ),
    (
        &[
            "correct",
            "--response",
            "good.csv",
            "--target",
            "target.json",
            "--limits",
            "limits.json",
            "--keep",
        ],
        &["--response", "--keep"],
    ),
    (
        &["apply", "--tune", "slip.json", "--in", "noise.wav", "--out", "o.wav"],
        &["polarty", "did you mean polarity"],
    ),
    (
        &["stimulus", "pink", "--seconds", "600", "--channels", "64", "--out", "o.wav"],
        &["samples in all channels"],
    ),
    (
        &[
            "stimulus",
            "roll-call",
            "--channels",
            "2",
            "--band",
            "1:20-200",
            "--band",
            "1:30-300",
            "--out",
            "o.wav",
        ],
        &["how often one channel is called"],
    ),
    (
        &[
            "source",
            "--stimulus",
            "noise.wav",
            "--capture",
            "left=noise.wav",
            "--fir-taps",
            "99999999999",
            "--out",
            "o",
        ],
        &["--fir-taps", "1048576"],
    ),
    (
        &[
            "source",
            "--stimulus",
            "noise.wav",
            "--capture",
            "left=a.wav",
            "--capture",
            "left=b.wav",
            "--out",
            "o",
        ],
        &["left", "twice"],
    ),
];

#[test]
fn every_command_names_what_is_wrong_in_one_line() {
    let dir = tempfile::tempdir().unwrap();
    spoiled(dir.path());
    for (args, named) in CASES {
        cabinwright(dir.path(), args).refused(named);
        let json: Vec<&str> = args.iter().copied().chain(["--json"]).collect();
        cabinwright(dir.path(), &json).refused(named);
    }
    assert!(
        !dir.path().join("o.csv").exists() && !dir.path().join("o.wav").exists(),
        "nothing half-made is left"
    );
}

/// A file that is there stays as it is without `--force`.
#[test]
fn nothing_is_overwritten_unasked() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    spoiled(at);
    std::fs::write(at.join("kept"), "do not touch").unwrap();
    let cases: &[&[&str]] = &[
        &["stimulus", "sweep", "--seconds", "1", "--out", "kept"],
        &["average", "good.csv", "--out", "kept"],
        &[
            "correct",
            "--response",
            "good.csv",
            "--target",
            "target.json",
            "--limits",
            "limits.json",
            "--out",
            "kept",
        ],
    ];
    for args in cases {
        cabinwright(at, args).refused(&["kept", "--force"]);
        assert_eq!(std::fs::read_to_string(at.join("kept")).unwrap(), "do not touch");
    }
}

/// What the option parser refuses is one line and exit 2 too.
#[test]
fn an_unknown_option_is_refused_by_name() {
    let dir = tempfile::tempdir().unwrap();
    let run = cabinwright(dir.path(), &["average", "--metod", "power"]);
    assert_eq!(run.code, 2);
    assert!(run.stderr.contains("--metod"), "{}", run.stderr);
    assert_eq!(run.stdout, "");
}

/// Every reader, given every kind of wrong file: exit 2 and one line that names the file.
#[test]
fn every_reader_refuses_every_kind_of_wrong_file() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    spoiled(at);
    cabinwright(at, &["stimulus", "sweep", "--seconds", "1", "--out", "sweep.wav"]).done();
    let wrong: &[(&str, Vec<u8>)] = &[
        ("wrong.empty", Vec::new()),
        ("wrong.blank", b" \r\n\n".to_vec()),
        ("wrong.binary", (0..=255_u8).cycle().take(3000).collect()),
        ("wrong.utf16", b"\xff\xfe{\0}\0".to_vec()),
        ("wrong.half", br#"{"format":"cabinwright-tune","version":1,"sam"#.to_vec()),
        (
            "wrong.newer",
            br#"{"format":"cabinwright-tune","version":99,"sample_rate_hz":48000,"channels":[]}"#.to_vec(),
        ),
        ("wrong.foreign", br#"{"format":"somebody-else","version":1}"#.to_vec()),
        ("wrong.nan", br#"{"name":"a","points":[[20,NaN],[40,1e999]],"tolerance_db":3}"#.to_vec()),
        ("wrong.list", b"[[[[]]]]".to_vec()),
        ("wrong.deep", vec![b'['; 20_000]),
        ("wrong.csv", b"frequency_hz,level_db\n20,inf\n40,1\n".to_vec()),
        ("wrong.riff", b"RIFF\xff\xff\xff\xffWAVEfmt \x10\0\0\0".to_vec()),
    ];
    let readers: &[&[&str]] = &[
        &["average", "FILE", "--out", "o.csv"],
        &[
            "correct",
            "--response",
            "FILE",
            "--target",
            "target.json",
            "--limits",
            "limits.json",
            "--out",
            "o.json",
        ],
        &[
            "correct",
            "--response",
            "good.csv",
            "--target",
            "FILE",
            "--limits",
            "limits.json",
            "--out",
            "o.json",
        ],
        &[
            "correct",
            "--response",
            "good.csv",
            "--target",
            "target.json",
            "--limits",
            "FILE",
            "--out",
            "o.json",
        ],
        &["apply", "--tune", "FILE", "--in", "sweep.wav", "--out", "o.wav"],
        &["apply", "--tune", "tune.json", "--in", "FILE", "--out", "o.wav"],
        &["response", "--stimulus", "sweep.wav", "--capture", "FILE", "--out", "o"],
        &["response", "--stimulus", "sweep.wav", "--capture", "sweep.wav", "--mic-cal", "FILE", "--out", "o"],
        &["noise", "--capture", "FILE"],
        &["align", "--impulse", "left=FILE", "--out", "o"],
        &["roll-call", "--map", "FILE", "--stimulus", "sweep.wav", "--capture", "sweep.wav"],
        &["entry-check", "--tune", "FILE", "--take", "left=good.csv"],
        &["entry-check", "--tune", "tune.json", "--take", "left=FILE"],
        &["garage", "import", "--garage", "o", "--from", "FILE"],
    ];
    cabinwright(
        at,
        &[
            "correct",
            "--response",
            "good.csv",
            "--target",
            "target.json",
            "--limits",
            "limits.json",
            "--out",
            "tune.json",
        ],
    )
    .done();
    for (name, bytes) in wrong {
        std::fs::write(at.join(name), bytes).unwrap();
        for reader in readers {
            let args: Vec<String> = reader.iter().map(|word| word.replace("FILE", name)).collect();
            let run = cabinwright(at, &args).refused(&[name]);
            assert!(run.stderr.chars().count() < 900, "{}", run.stderr);
        }
    }
    for made in ["o", "o.csv", "o.json", "o.wav"] {
        assert!(!at.join(made).exists(), "{made} is left half-made");
    }
}

/// What is quoted from a file cannot command the terminal, and stays short.
#[test]
fn foreign_bytes_are_escaped_and_cut() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    spoiled(at);
    let long = "y".repeat(5000);
    for (name, text) in [
        ("row.csv", format!("frequency_hz,level_db\n20,\u{1b}[31m\u{7}{long}\n30,1\n")),
        ("head.csv", format!("\u{1b}[2J\u{202e}{long}\n20,1\n")),
        ("format.json", format!(r#"{{"format":"\u001b[2J{long}","version":1}}"#)),
        ("kind.json", format!(r#"{{"sample_rate_hz":48000,"bands":1,"kinds":["\u001b[2J{long}"]}}"#)),
        ("twice.json", format!(r#"{{"\u001b[2J{long}":1,"\u001b[2J{long}":2}}"#)),
    ] {
        std::fs::write(at.join(name), text).unwrap();
        let (response, limits) =
            if name.ends_with("csv") { (name, "limits.json") } else { ("good.csv", name) };
        let run = cabinwright(
            at,
            &["correct", "--response", response, "--target", "target.json", "--limits", limits],
        )
        .refused(&[name]);
        let line = run.stderr.trim_end();
        assert!(line.chars().count() < 700, "{} characters: {line}", line.chars().count());
        assert!(!line.chars().any(|c| c.is_control() || c == '\u{202e}'), "{line:?}");
    }
}
