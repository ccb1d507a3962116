//! Every way a file can be bad, and the one line that answers it.
#![allow(clippy::panic, reason = "a failed check is a panic here")]

mod common;

use std::fs;
use std::path::Path;

use dsp::curve::Curve;
use garage::formats::document::{self, Document};
use garage::formats::{channel_map, curve_csv, limits, mic_calibration, stimulus_sidecar, target, tune};
use garage::{Car, Fault, FormatError, TakeRecord, Visit, atomic};

const AT: &str = "some/file";

/// The message names the file and says every one of `words`, on one line.
fn says<T>(read: Result<T, FormatError>, words: &[&str]) {
    let Err(error) = read else { panic!("was read, though {words:?} was expected") };
    let line = error.to_string();
    assert!(line.starts_with(AT) && !line.contains('\n'), "{line}");
    for word in words {
        assert!(line.contains(word), "\"{word}\" is missing in: {line}");
    }
}

fn at() -> &'static Path {
    Path::new(AT)
}

#[test]
fn curves() {
    let head = "frequency_hz,level_db\n";
    for (rows, words) in [
        ("20,1\n20,2\n", ["line 3", "20 Hz is there twice", "once"]),
        ("20,1\n10,2\n", ["line 3", "10 Hz comes after 20 Hz", "rise"]),
        ("-20,1\n30,2\n", ["line 2", "-20 Hz", "greater than zero"]),
        ("0,1\n30,2\n", ["line 2", "0 Hz", "greater than zero"]),
        ("20,NaN\n30,2\n", ["line 2", "\"NaN\" is not a number", "finite"]),
        ("20,1\n30,inf\n", ["line 3", "\"inf\" is not a number", "finite"]),
        ("20,\n30,2\n", ["line 2", "\"\" is not a number", "finite"]),
        ("20,1,5\n30,2\n", ["line 2", "3 values for 2 columns", "decimal mark"]),
        ("20,1\n30", ["line 3", "1 values for 2 columns", "one value for each column"]),
        ("20,1\n", ["has 1 frequencies", "at least two", ""]),
        ("", ["has 0 frequencies", "at least two", ""]),
    ] {
        says(curve_csv::parse(format!("{head}{rows}").as_bytes(), at()), &words);
    }
    says(curve_csv::parse(b"", at()), &["is empty", "frequency_hz,level_db"]);
    says(curve_csv::parse(b" \r\n \n", at()), &["is empty"]);
    says(
        curve_csv::parse(b"20,1\n30,2\n", at()),
        &["line 1", "starts with \"20,1\"", "frequency_hz,level_db"],
    );
    says(curve_csv::parse(b"frequency_hz;level_db\n20;1\n", at()), &["line 1", "frequency_hz;level_db"]);
    says(curve_csv::parse(b"frequency_hz,level_db,colour\n20,1,2\n", at()), &["line 1", "\"colour\""]);
    says(curve_csv::parse(b"frequency_hz,level_db,snr_db,snr_db\n", at()), &["line 1", "snr_db twice"]);
    says(
        curve_csv::parse(b"frequency_hz,level_db,spread_db\n20,1,-1\n30,1,1\n", at()),
        &["line 2", "negative"],
    );
    says(curve_csv::parse(&common::wav(), at()), &["is a WAV recording", "frequency_hz,level_db"]);
    says(curve_csv::parse(b"\x7fELF\0\0", at()), &["is a binary file"]);
    says(curve_csv::parse(b"\xff\xfef\0r\0", at()), &["is UTF-16 text", "UTF-8"]);
    says(curve_csv::parse(b"frequency_hz,level_db\n20,1\xb0\n", at()), &["is not UTF-8 text"]);
    // Columns in another order, a byte-order mark and another system's line ends are fine.
    let text = b"\xef\xbb\xbffrequency_hz,level_db,snr_db,phase_deg\r\n20, 1, 40,-90\r\n30,2,41,90\r\n";
    let curve = curve_csv::parse(text, at()).unwrap();
    assert_eq!((curve.snr_db.unwrap()[1], curve.phase_deg.unwrap()[0]), (41.0, -90.0));
}

#[test]
fn calibrations() {
    let read = |text: &str| mic_calibration::parse(text.as_bytes(), at());
    let good = Curve::of_levels(vec![20.5, 1000.0], vec![-1.5, 0.0]);
    for text in [
        "20.5 -1.5\n1000 0\n",
        "20.5\t-1.5\r\n1000\t0\r\n",
        "Sensitivity -32 dB at 1 kHz\n\"Hz\",\"dB\"\n20.5,-1.5\n1000,0",
        "20.5, -1.5\n1000, 0\n",
        "20,5;-1,5\n1000;0;\n",
        "20,5\t-1,5\n1000\t0\n",
        "20,5 -1,5\n1000 0,0\n",
        "20,5, -1,5\n1000, 0\n",
        "# none\n\n  2.05e1   \u{2212}1.5  \n+1000 0\n",
        "20.5 -1.5\r1000 0\r",
        "\u{feff}20.5 -1.5\n1000 0\n* end",
    ] {
        assert_eq!(read(text).map_err(|it| it.to_string()), Ok(good.clone()), "{text:?}");
    }
    assert_eq!(read("20 1 -90\n30 2 -80").unwrap().phase_deg, Some(vec![-90.0, -80.0]));
    // Letters of an old encoding in a comment do no harm.
    assert!(mic_calibration::parse(b"* 0\xb0 on axis\n20 1\n30 2\n", at()).is_ok());
    for (text, words) in [
        ("20 1\n1,000 0.5\n", ["line 2", "both , and .", "nothing between thousands"]),
        ("900 1\n1,000 0\n", ["line 2", "1 Hz comes after 900 Hz", "rise"]),
        ("20,0,1,5\n30,0,1,5\n", ["line 1", "both separate and mark decimals", "semicolon"]),
        ("20 1\n30 2 3\n", ["line 2", "3 columns where the lines before have 2", "same columns"]),
        ("20 1\r\n30 2\r\n30 2\r\n", ["line 3", "30 Hz is there twice", "once"]),
        ("20 nan\n30 1\n", ["line 1", "\"nan\" is not a number", "finite"]),
        ("20Hz 1\n30Hz 1\n", ["line 1", "\"20Hz\" is not a number", "without units"]),
        ("0 1\n30 1\n", ["line 1", "0 Hz", "greater than zero"]),
        ("20\n30\n", ["line 1", "has 1 columns", "Hz and dB"]),
        ("20 1\n", ["has one frequency", "at least two", ""]),
        ("nothing here\n", ["without a line of numbers", "microphone calibration", ""]),
    ] {
        says(read(text), &words);
    }
    says(mic_calibration::parse(&common::wav(), at()), &["is a WAV recording"]);
    says(read(""), &["is empty"]);
}

#[test]
fn targets() {
    let read = |text: &str| target::parse(text.as_bytes(), at());
    assert!(read(r#"{"name":"Warm","points":[[20,8],[1000,0]],"tolerance_db":3}"#).is_ok());
    for (text, words) in [
        (
            r#"{"name":"a","points":[[20,8]],"tolerance_db":3}"#,
            ["field points", "has 1 points", "at least two"],
        ),
        (
            r#"{"name":"a","points":[[200,8],[20,0]],"tolerance_db":3}"#,
            ["points[1]", "20 Hz comes after 200 Hz", "rise"],
        ),
        (
            r#"{"name":"a","points":[[20,8],[20,0]],"tolerance_db":3}"#,
            ["points[1]", "20 Hz is there twice", "once"],
        ),
        (
            r#"{"name":"a","points":[[-20,8],[20,0]],"tolerance_db":3}"#,
            ["points[0]", "-20 Hz", "greater than zero"],
        ),
        (
            r#"{"name":"a","points":[[20,8],[40,0]],"tolerance_db":-3}"#,
            ["tolerance_db", "-3 dB", "zero or more"],
        ),
        (
            r#"{"name":"a","points":[[20,8],[40,null]],"tolerance_db":3}"#,
            ["points[1][1]", "null", "expected a target"],
        ),
        (
            r#"{"name":"a","points":[[20,8],[40,1e999]],"tolerance_db":3}"#,
            ["line 1", "out of range", "expected a target"],
        ),
        (
            r#"{"name":"a","points":[[20,8],[40,NaN]],"tolerance_db":3}"#,
            ["line 1", "is not JSON", "expected a target"],
        ),
        (
            r#"{"name":"a","points":[[20,8],[40,1]]}"#,
            ["missing field `tolerance_db`", "expected a target", ""],
        ),
        (
            r#"{"name":"a","name":"b","points":[[20,8],[40,1]],"tolerance_db":3}"#,
            ["\"name\" is there twice", "", ""],
        ),
        (r#"{"name":"a","points":[[20,8],[40,"#, ["ends in the middle", "restore it from a copy", ""]),
        ("[1,2]", ["JSON of another kind", "expected a target", ""]),
        (r#"{"format":"cabinwright-tune","version":1}"#, ["cabinwright-tune", "expected a target", ""]),
        (
            r#"{"format":"cabinwright-target","version":2,"name":"a"}"#,
            ["version 2", "newer program", "left as it is"],
        ),
    ] {
        says(read(text), &words);
    }
}

#[test]
fn processor_limits() {
    let right = r#"{"sample_rate_hz":48000,"bands":10,"kinds":["peaking"],"gain_db":{"min":-15,"max":6,"step":0.5},"q":{"min":0.3,"max":10},"frequency_hz":{"min":20,"max":20000,"per_octave":24},"delay_ms":{"max":20,"step":0.01},"fir_taps":0}"#;
    assert!(limits::parse(right.as_bytes(), at()).is_ok());
    let with_crossovers = |order: u8| {
        let kinds = format!(r#"{{"crossovers":[{{"family":"linkwitz_riley","orders":[{order}]}}],"#);
        limits::parse(right.replacen('{', &kinds, 1).as_bytes(), at())
    };
    assert!(with_crossovers(4).is_ok());
    says(with_crossovers(3), &["crossovers[0].orders", "even"]);
    let span = r#"{"min":20,"max":20000,"per_octave":24}"#;
    assert!(limits::parse(right.replace(span, r#"{"list":[25,40,63]}"#).as_bytes(), at()).is_ok());
    for (from, to, words) in [
        ("48000", "0", ["sample_rate_hz", "0 Hz is no sample rate"]),
        (r#""min":-15"#, r#""min":15"#, ["gain_db", "min 15 is above max 6"]),
        (r#""step":0.5"#, r#""step":0"#, ["gain_db.step", "greater than zero"]),
        (
            r#""fir_taps":0"#,
            r#""pre_ringing":{"longest_ms":30,"loudest_db":-30}"#,
            ["pre_ringing.longest_ms", "0 to 20 ms"],
        ),
        (
            r#""fir_taps":0"#,
            r#""pre_ringing":{"longest_ms":5,"loudest_db":30}"#,
            ["pre_ringing.loudest_db", "-120 to -20"],
        ),
        (
            r#""fir_taps":0"#,
            r#""pre_ringing":{"longest_ms":5,"loudest":-30}"#,
            ["pre_ringing.loudest", "is not known here"],
        ),
        (r#""min":0.3"#, r#""min":0"#, ["q.min", "greater than zero"]),
        (r#""max":20000"#, r#""max":24000"#, ["frequency_hz", "not below half the sample rate"]),
        (span, r#"{"list":[63,40]}"#, ["frequency_hz.list[1]", "40 Hz comes after 63 Hz"]),
        (span, r#"{"list":[]}"#, ["frequency_hz.list", "is empty"]),
        (span, r#"{"low":20}"#, ["frequency_hz", "neither a list nor a min and a max"]),
        (span, r#"{"min":"20","max":200}"#, ["frequency_hz", "not a number"]),
        (r#""step":0.5"#, r#""stepp":0.5"#, ["gain_db.stepp", "passed over"]),
        ("fir_taps", "fir_tap", ["field fir_tap", "did you mean fir_taps?"]),
        (r#"["peaking"]"#, "[]", ["kinds", "is empty"]),
        (r#"["peaking"]"#, r#"["bell"]"#, ["kinds[0]", "unknown variant `bell`"]),
        (r#""bands":10"#, r#""bands":-1"#, ["bands", "a whole number"]),
        (r#""bands":10"#, r#""bands":100000"#, ["bands", "at most 512"]),
    ] {
        let text = right.replace(from, to);
        assert_ne!(text, right, "{from}");
        says(limits::parse(text.as_bytes(), at()), &words);
    }
}

#[test]
fn tunes() {
    let right = document::to_text(&common::tune(), at()).unwrap();
    let edited = |path: &str, value: serde_json::Value| {
        let mut tune: serde_json::Value = serde_json::from_str(&right).unwrap();
        *tune.pointer_mut(path).unwrap() = value;
        tune::parse(tune.to_string().as_bytes(), at())
    };
    let channel = serde_json::from_str::<serde_json::Value>(&right).unwrap()["channels"][0].clone();
    for (path, value, words) in [
        ("/sample_rate_hz", 0.into(), ["sample_rate_hz", "0 Hz is no sample rate"]),
        ("/channels", serde_json::json!([]), ["channels", "at least one"]),
        ("/channels", serde_json::json!([channel, channel]), ["channels[1].name", "there twice"]),
        ("/channels/0/delay_ms", (-1).into(), ["channels[0].delay_ms", "zero or more"]),
        ("/channels/0/sections/0/q", 0.into(), ["channels[0].sections[0].q", "greater than zero"]),
        (
            "/channels/0/sections/0/frequency_hz",
            (-63).into(),
            ["sections[0].frequency_hz", "greater than zero"],
        ),
        (
            "/channels/0/sections/0/frequency_hz",
            30_000.into(),
            ["sections[0].frequency_hz", "half the sample rate"],
        ),
        ("/channels/0/sections/0/gain_db", 3.into(), ["channels[0].biquads[0]", "must be the same filter"]),
        ("/channels/0/sections/0/kind", "bell".into(), ["sections[0].kind", "unknown variant `bell`"]),
        ("/channels/0/sections/0/gain_db", serde_json::Value::Null, ["sections[0].gain_db", "null"]),
        ("/channels/0/biquads/0/a", serde_json::json!([1, -2.1, 1.2]), ["biquads[0]", "unstable"]),
        ("/channels/0/biquads/0/a", serde_json::json!([2, 0, 0]), ["biquads[0]", "a[0] is 2"]),
        (
            "/channels/0/biquads",
            serde_json::json!([channel["biquads"][0], channel["biquads"][0]]),
            ["biquads", "2 entries for 1"],
        ),
        ("/channels/0/fir", serde_json::json!([]), ["channels[0].fir", "null for none"]),
        (
            "/left_alone",
            serde_json::json!([{"from_hz":90,"to_hz":80,"reason":"x"}]),
            ["left_alone[0]", "runs backwards"],
        ),
        ("/version", 2.into(), ["version 2", "newer program"]),
        ("/version", "1".into(), ["version", "no whole number"]),
        ("/format", "cabinwright-visit".into(), ["cabinwright-visit", "expected a tune"]),
    ] {
        says(edited(path, value), &words);
    }
    let no_gain = right.replace("\"gain_db\": -6.5,", "");
    says(tune::parse(no_gain.as_bytes(), at()), &["sections[0].gain_db", "is missing", "needs its gain"]);
    says(tune::parse(&right.as_bytes()[..right.len() / 2], at()), &["ends in the middle"]);
    says(tune::parse(b"{}", at()), &["without a \"format\"", "cabinwright-tune"]);
}

#[test]
fn channel_maps() {
    let right = document::to_text(&common::car().channel_map, at()).unwrap();
    assert_eq!(channel_map::parse(right.as_bytes(), at()).unwrap(), common::car().channel_map);
    for (from, to, words) in [
        ("\"output\": 1", "\"output\": 0", ["channels[0].output", "counted from 1"]),
        ("\"safe_frequency_hz\": 2500.0", "\"note\": \"\"", ["safe_frequency_hz", "missing on a tweeter"]),
        (
            "\"safe_frequency_hz\": 2500.0",
            "\"safe_frequency_hz\": 3000.0",
            ["safe_band_hz", "below the safe frequency"],
        ),
        ("20000.0", "200.0", ["safe_band_hz", "runs backwards"]),
        ("front left tweeter", " ", ["channels[0].name", "is empty"]),
    ] {
        let text = right.replace(from, to);
        assert_ne!(text, right, "{from}");
        says(channel_map::parse(text.as_bytes(), at()), &words);
    }
}

#[test]
fn sidecars() {
    let folder = tempfile::tempdir().unwrap();
    let wav = folder.path().join("sweep.wav");
    let path = stimulus_sidecar::path_beside(&wav);
    let recipe = serde_json::json!({"kind": "sweep", "seconds": 10.5});
    stimulus_sidecar::write(&path, &recipe).unwrap();
    assert_eq!(stimulus_sidecar::read(&path).unwrap(), recipe);
    let newer = br#"{"format":"cabinwright-stimulus","version":9,"kind":"sweep"}"#;
    says(stimulus_sidecar::parse(newer, at()), &["version 9", "newer program"]);
    says(stimulus_sidecar::parse(br#"{"kind":"sweep"}"#, at()), &["without a \"format\"", "stimulus"]);
    says(stimulus_sidecar::parse(&common::wav(), at()), &["is a WAV recording"]);
}

#[test]
fn old_records_are_brought_up_to_date_and_newer_ones_left_alone() {
    fn old<T: Document>(text: &str) -> T {
        document::parse(text.as_bytes(), at()).unwrap()
    }
    let car: Car = old(include_str!("samples/car-version-0.json"));
    assert_eq!(car.description, "five doors, factory amplifier under the seat");
    assert_eq!(car.channel_map.channels.len(), 2);
    let take: TakeRecord = old(include_str!("samples/take-version-0.json"));
    assert_eq!(take.subject.as_deref(), Some("front left woofer"));
    let visit: Visit = old(include_str!("samples/visit-version-0.json"));
    assert_eq!((visit.number, visit.positions.len(), visit.conditions.temperature_c), (1, 9, Some(19.5)));

    let root = tempfile::tempdir().unwrap();
    let (_, mut open) = common::filled(root.path(), 0);
    let file = open.path().join("visit.json");
    let newer = fs::read_to_string(&file).unwrap().replace("\"version\": 1", "\"version\": 7");
    fs::write(&file, &newer).unwrap();
    let error = open.update(|visit| visit.tuner = "Ada".to_owned()).unwrap_err();
    assert!(error.to_string().contains("version 7"), "{error}");
    assert_eq!(fs::read_to_string(&file).unwrap(), newer);
}

#[test]
fn numbers_that_are_none_are_never_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("file");
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let mut curve = common::curve();
        curve.level_db[1] = bad;
        assert!(curve_csv::write(&path, &curve).is_err());
        assert!(mic_calibration::write(&path, &curve).is_err());
        let mut tune = common::tune();
        tune.channels[0].gain_db = bad;
        assert!(tune::write(&path, &tune).is_err());
        let mut take = common::take();
        take.clock.skew_ppm = Some(bad);
        assert!(document::write(&path, &take).is_err());
    }
    assert!(!path.exists());
}

#[test]
fn writing_replaces_as_a_whole_or_not_at_all() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("file");
    atomic::write(&path, b"old").unwrap();
    let broken = atomic::write_with(&path, |out| {
        out.write_all(b"half of the n")?;
        Err(std::io::Error::other("the cable was pulled"))
    });
    assert!(broken.unwrap_err().to_string().contains("the cable was pulled"));
    assert_eq!(fs::read(&path).unwrap(), b"old");
    assert!(matches!(atomic::write_new(&path, b"new").unwrap_err().fault, Fault::AlreadyThere));
    atomic::write(&path, b"new").unwrap();
    assert_eq!(fs::read(&path).unwrap(), b"new");
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "no temporary file is left");
    assert!(atomic::write(&folder.path().join("no/such/folder/file"), b"x").is_err());
    assert!(atomic::write(folder.path(), b"x").is_err());
}

#[cfg(unix)]
#[test]
fn links_stay_links_and_other_programs_may_read() {
    use std::os::unix::fs::{PermissionsExt, symlink};
    let folder = tempfile::tempdir().unwrap();
    let (path, link) = (folder.path().join("file"), folder.path().join("link"));
    atomic::write(&path, b"old").unwrap();
    symlink(&path, &link).unwrap();
    atomic::write(&link, b"new").unwrap();
    assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
    assert_eq!(fs::read(&path).unwrap(), b"new");
    // As any new file: readable by others where the user's mask allows it.
    let plain = folder.path().join("plain");
    fs::write(&plain, b"").unwrap();
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&path), mode(&plain));
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_said_and_loses_nothing() {
    let error = atomic::write(Path::new("/dev/full"), b"x").unwrap_err();
    assert!(
        error.to_string().contains("No space left") && error.to_string().contains("nothing was changed"),
        "{error}"
    );
}

#[test]
fn folders_and_missing_files_are_said() {
    let folder = tempfile::tempdir().unwrap();
    let error = curve_csv::read(folder.path()).unwrap_err();
    assert!(error.to_string().contains("cannot be read"), "{error}");
    assert!(curve_csv::read(&folder.path().join("none")).unwrap_err().is_missing());
}
