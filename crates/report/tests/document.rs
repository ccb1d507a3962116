//! The document as a reader of PDF sees it. All cars and figures are invented.
#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod invented;

use std::path::Path;
use std::process::Command;

use dsp::verdict::Verdict;
use garage::channels::Place;
use garage::take::{Clock, Heard, ONE_OUTPUT, Recorded};
use garage::{Channel, Role, Side, TakeKind, TakeRecord};
use invented::{document, long_tune, proved};
use report::{Document, write_pdf};

/// What a tool of poppler-utils says about a file.
fn told_by(tool: &str, options: &[&str], file: &Path, rest: &[&str]) -> String {
    let output = Command::new(tool)
        .args(options)
        .arg(file)
        .args(rest)
        .output()
        .unwrap_or_else(|error| panic!("{tool} cannot be run ({error}); install poppler-utils"));
    assert!(output.status.success(), "{tool}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// The text of each page.
fn pages(document: &Document) -> Vec<String> {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("report.pdf");
    let written = write_pdf(document, &file).unwrap();
    let text = told_by("pdftotext", &["-layout"], &file, &["-"]);
    let pages: Vec<String> = text.split_terminator('\u{c}').map(str::to_owned).collect();
    assert_eq!(pages.len(), written.pages);
    pages
}

/// With every run of white space as one space, since lines may break anywhere.
fn whole(document: &Document) -> String {
    pages(document).join(" ").split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn a_proved_visit_says_all_a_colleague_needs_in_at_most_four_pages() {
    let pages = pages(&proved());
    assert!((2..=4).contains(&pages.len()), "{} pages", pages.len());
    let text = whole(&proved());
    for words in [
        "Corvane Estate",
        "from 6.1 to 1.9 dB off the target, ±0.5",
        "Nearer to the target by 4.2 ±0.5 dB",
        "What was done, and why",
        "What was left alone, and why",
        "a 82 Hz to 96 Hz",
        "What the factory did, and what we undid",
        "Entry sheet",
        "Band 1, peaking",
        "1250 Hz",
        "Linkwitz-Riley",
        "inverted",
        "M-214",
        "taken off every response",
        "Cautions",
        "predicted",
    ] {
        assert!(text.contains(words), "no \"{words}\" in:\n{text}");
    }
    assert!(!text.contains('{') && !text.contains("rms_error_db"), "raw records in the text");
}

#[test]
fn every_typeface_is_embedded() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("report.pdf");
    write_pdf(&proved(), &file).unwrap();
    let table = told_by("pdffonts", &[], &file, &[]);
    let fonts: Vec<&str> = table.lines().skip(2).collect();
    assert!(!fonts.is_empty());
    for font in fonts {
        assert!(font.contains("B612"), "{font}");
        // Columns from the right: object, generation, uni, sub, emb.
        assert_eq!(font.split_whitespace().rev().nth(4), Some("yes"), "not embedded: {font}");
    }
}

#[test]
fn what_was_simulated_says_so_on_every_page() {
    let mut simulated = proved();
    simulated.car.simulated = true;
    for page in pages(&simulated) {
        assert!(page.contains("SIMULATED: made with a virtual car"), "{page}");
    }
    assert!(!whole(&proved()).contains("SIMULATED"));
}

#[test]
fn every_page_carries_car_date_and_number() {
    let pages = pages(&proved());
    for (i, page) in pages.iter().enumerate() {
        assert!(page.contains("Corvane Estate · 2026-03-14"), "{page}");
        assert!(page.contains(&format!("{} of {}", i + 1, pages.len())), "{page}");
    }
}

#[test]
fn a_difference_within_its_uncertainty_is_not_called_better() {
    let mut document = proved();
    let proof = document.proof.as_mut().unwrap();
    for side in &mut proof.sides {
        side.errors.after = Some(garage::proof::Distance { rms_error_db: 5.9, half_width_db: 0.4 });
    }
    let text = whole(&document);
    assert!(text.contains("not distinguishable"), "{text}");
    assert!(!text.contains("Nearer"), "{text}");
}

#[test]
fn a_visit_without_proof_or_tune_says_so_in_words() {
    let text = whole(&document());
    for words in [
        "No proof has been taken yet",
        "No settings have been saved yet",
        "There are no settings to type in yet",
    ] {
        assert!(text.contains(words), "no \"{words}\" in:\n{text}");
    }
    assert!(!text.contains("What the factory did"));
}

#[test]
fn a_long_tune_flows_over_pages_and_loses_no_line() {
    let mut document = proved();
    document.tune = Some(long_tune());
    let text = whole(&document);
    for channel in 1..=12 {
        assert!(text.contains(&format!("Output {channel:02}")), "channel {channel}");
    }
    // A long sheet leaves out the word "Band" and the comma.
    let bands = text.matches(" peaking").count();
    assert_eq!(bands, 12 * 31, "bands on the sheet");
    assert!(text.contains("continued"));
}

#[test]
fn long_names_and_foreign_letters_do_no_harm() {
    let mut document = proved();
    document.car.name = "Corvane ".repeat(40) + "車 " + &"x".repeat(300);
    document.visit.seat = "seat\u{0}with\ncontrol".into();
    let pages = pages(&document);
    assert!(pages.iter().all(|page| page.contains("2026-03-14")));
    // The beginning of that remark: its lines break in a narrow column, beside other columns.
    assert!(pages.join(" ").contains("Letters that the"));
}

#[test]
fn pictures_carry_the_ticks_of_the_trade() {
    let document = proved();
    let proof = document.proof.as_ref().unwrap();
    let svg = report::picture::proof_svg(&proof.sides[0], &proof.target, true);
    for tick in ["20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"] {
        assert!(svg.contains(&format!(">{tick}</text>")), "no tick {tick}");
    }
    for name in ["before", "predicted", "after", "target ±3", "SIMULATED"] {
        assert!(svg.contains(&format!(">{name}</text>")), "no {name}");
    }
    assert!(!svg.contains("NaN") && !svg.contains("inf"));
}

/// A take as `visit` records keep it.
fn take(
    kind: TakeKind,
    subject: &str,
    label: Option<&str>,
    verdict: Verdict,
    recorded: Vec<Recorded>,
) -> TakeRecord {
    TakeRecord {
        id: "0001".into(),
        kind,
        made_at: jiff::Timestamp::UNIX_EPOCH,
        subject: Some(subject.into()),
        position: None,
        label: label.map(str::to_owned),
        stimulus: serde_json::Value::Null,
        driven: Vec::new(),
        recorded,
        output: String::new(),
        input: String::new(),
        microphone: String::new(),
        clock: Clock::default(),
        tune: None,
        peak_dbfs: Vec::new(),
        verdict,
        remarks: Vec::new(),
        superseded_by: None,
        recording_sha256: None,
        simulated: false,
    }
}

#[test]
fn outputs_recorded_by_themselves_are_told() {
    let line = |heard, name: &str| Recorded { input: 1, heard, name: Some(format!("head unit {name}")) };
    let mut document = proved();
    assert!(!whole(&document).contains("One output at a time"));
    let recorded = vec![line(Heard::Reference, "front left"), line(Heard::Line, "front right")];
    document.takes = vec![take(TakeKind::Source, "front right", Some(ONE_OUTPUT), Verdict::Good, recorded)];
    let text = whole(&document);
    let words =
        "One output at a time while the head unit played by itself, 1 recording; front left stayed connected";
    assert!(text.contains(words), "{text}");
}

#[test]
fn a_dead_channel_has_one_line_on_the_entry_sheet() {
    let mut document = proved();
    let name = document.tune.as_ref().unwrap().tune.channels[0].name.clone();
    document.car.channel_map.channels.push(Channel {
        name: name.clone(),
        output: 1,
        role: Role::FullRange,
        side: Side::Left,
        place: Place::Front,
        safe_band_hz: (60.0, 20_000.0),
        safe_frequency_hz: None,
        note: String::new(),
    });
    let boxes = |text: &str| text.matches("Polarity").count();
    let before = boxes(&whole(&document));
    document.takes = vec![take(TakeKind::Cabin, &name, None, Verdict::Retake, Vec::new())];
    let text = whole(&document);
    assert!(
        text.contains("is dead: nothing of it was heard at the one position where it was taken"),
        "{text}"
    );
    assert_eq!(boxes(&text), before - 1, "its lines are still there");
}
