//! What the factory did, and what we undid.

use dsp::curve::Curve;
use dsp::factory::AllPass;
use dsp::verdict::Verdict;
use garage::TakeRecord;
use garage::entry::gain_words;
use garage::finding::{CleanVolume, Combine, Figures, Finding, Sum, VolumeShape};
use garage::take::{Heard, ONE_OUTPUT};

use crate::Document;
use crate::flow::{DOUBT, Flow, NOTE, Style, TOLD};
use crate::picture::{curves_svg, sum_board};
use crate::words;

const PICTURE_HEIGHT: f32 = 84.0;
const LABELS: f32 = 92.0;

/// Only for a visit that looked into it.
pub fn write(flow: &mut Flow<'_>, document: &Document) {
    let Some(finding) = &document.finding else { return };
    flow.heading("What the factory did, and what we undid", 40.0);
    let outputs = finding.outputs.iter().map(|it| (it.name.clone(), it.sentence.clone()));
    told_once(flow, outputs.collect());
    if let Some(told) = recorded(document, finding) {
        flow.entry("Recorded", LABELS, TOLD, &told);
    }
    volume(flow, finding);
    joined(flow, finding);
    if let Some(number) = finding.tune {
        let mut told = format!("Those that undo it are tune {number} of the visit.");
        if let Some(words) = by_which_means(finding) {
            told.push_str(&format!(" {words}"));
        }
        flow.entry("Settings", LABELS, TOLD, &told);
    }
    pictures(flow, finding);
    let style = if finding.verdict == Verdict::Good { NOTE } else { Style { ink: DOUBT.ink, ..NOTE } };
    for words in gathered(finding) {
        flow.paragraph(style, &words);
    }
}

/// How the outputs came to be known, where each was recorded by itself.
fn recorded(document: &Document, finding: &Finding) -> Option<String> {
    let alone = |take: &&TakeRecord| {
        take.label.as_deref() == Some(ONE_OUTPUT)
            && take.verdict != Verdict::Retake
            && take.made_at <= finding.made_at
    };
    let takes: Vec<&TakeRecord> = document.takes.iter().filter(alone).collect();
    let stayed = takes.iter().flat_map(|take| &take.recorded).find(|it| it.heard == Heard::Reference);
    let stayed = stayed.and_then(|it| it.name.as_deref()).map_or_else(String::new, |name| {
        let name = name.strip_prefix("head unit ").unwrap_or(name);
        format!("; {name} stayed connected in every recording and gave them one time")
    });
    let count = words::count(takes.len(), "recording");
    (!takes.is_empty())
        .then(|| format!("One output at a time while the head unit played by itself, {count}{stayed}."))
}

/// Where it is clean, and what it does to the shape.
fn volume(flow: &mut Flow<'_>, finding: &Finding) {
    if finding.clean_volume.is_empty() && finding.loudness.is_empty() {
        return;
    }
    flow.y += 2.0;
    let mut told: Vec<String> = finding.clean_volume.iter().map(clean).collect();
    // Labels that are no numbers have no order of their own.
    let highest = finding.clean_volume.iter().map(|it| it.highest.as_ref()?.parse::<u32>().ok());
    let lowest = highest.collect::<Option<Vec<u32>>>().and_then(|all| all.into_iter().min());
    if let (Some(lowest), true) = (lowest, finding.clean_volume.iter().any(|it| it.next.is_some())) {
        told.push(format!("Up to volume {lowest} everything is clean."));
    }
    told.extend(shape(&finding.loudness));
    flow.entry("Volume", LABELS, TOLD, &told.join(" "));
}

/// One tone, in a sentence.
fn clean(tone: &CleanVolume) -> String {
    let hz = words::frequency(tone.frequency_hz);
    let percent = |label: Option<&String>| tone.step(label).map_or(0.0, |step| step.thd_percent);
    match (&tone.highest, &tone.next) {
        (Some(highest), Some(next)) => format!(
            "A tone of {hz} is clean up to step {highest} ({:.1} % distortion); step {next} has {:.1} %.",
            percent(Some(highest)),
            percent(Some(next))
        ),
        (Some(highest), None) => format!("A tone of {hz} is clean at every step up to {highest}."),
        (None, _) => format!("A tone of {hz} is clean at no step that was played."),
    }
}

/// The softest step's largest change against the loudest.
fn shape(steps: &[VolumeShape]) -> Option<String> {
    let loudest = steps.iter().max_by(|a, b| a.below_loudest_db.total_cmp(&b.below_loudest_db))?;
    let softest = steps.iter().min_by(|a, b| a.below_loudest_db.total_cmp(&b.below_loudest_db))?;
    let [hz, db] = softest.response.iter().max_by(|a, b| a[1].abs().total_cmp(&b[1].abs()))?;
    (softest.volume != loudest.volume && db.abs() >= 0.5).then(|| {
        format!(
            "At step {} the factory bends {} by {} against step {}.",
            softest.volume,
            words::frequency(hz.round()),
            gain_words((db * 10.0).round() / 10.0),
            loudest.volume
        )
    })
}

/// How outputs were joined, how far from flat the result was, and is.
fn joined(flow: &mut Flow<'_>, finding: &Finding) {
    flow.y += 2.0;
    let mut entries = Vec::new();
    for sum in &finding.sums {
        let mut told = Vec::new();
        if !sum.parts.is_empty() {
            let parts: Vec<String> = sum.parts.iter().map(part).collect();
            told.push(format!("Joined from {}.", parts.join("; ")));
            told.extend(turned(&sum.parts));
        }
        if let Some(flatness) = sum.flatness {
            let measured = flatness.rms_db_measured.map_or_else(
                || "it was not recorded with the undo yet".to_owned(),
                |db| format!("a second recording shows {db:.1} dB"),
            );
            told.push(format!(
                "It strays from flat by {:.1} dB (rms, {}) as it came, {:.1} dB are expected with the undo, and {measured}.",
                flatness.rms_db_before,
                words::band(flatness.from_hz, flatness.to_hz),
                flatness.rms_db_after
            ));
        }
        entries.push((sum.name.clone(), told.join(" ")));
    }
    told_once(flow, entries);
}

/// What is undone by, where there was a choice, and what the other way would have left.
fn by_which_means(finding: &Finding) -> Option<String> {
    let other = finding.other_way.as_ref()?;
    let told = |Figures { off_db, lost_between_db, .. }| match finding.lost_between_db {
        Some(_) => {
            format!("{off_db:.2} dB off flat and {lost_between_db:.2} dB lost where both sides play the same")
        }
        None => format!("{off_db:.2} dB off flat"),
    };
    let taken = finding.figures();
    let delay = match taken.delay_ms {
        ms if ms > 0.0 => format!(" Everything comes {ms:.1} ms later for it."),
        _ => String::new(),
    };
    Some(format!(
        "It is undone by {}: {} are expected (rms), where {} would leave {}.{delay}",
        finding.way.words(),
        told(taken),
        finding.way.other().words(),
        told(other.figures())
    ))
}

/// An entry for each name; those of which the same is said share one.
fn told_once(flow: &mut Flow<'_>, entries: Vec<(String, String)>) {
    let mut shared: Vec<(String, String)> = Vec::new();
    for (name, words) in entries {
        match shared.iter_mut().find(|(_, other)| *other == words) {
            Some((names, _)) => names.push_str(&format!(", {name}")),
            None => shared.push((name, words)),
        }
    }
    for (names, words) in shared {
        flow.entry(&words::sentence_case(&names), LABELS, TOLD, &words);
        flow.y += 1.0;
    }
}

fn part(part: &Combine) -> String {
    let turned = if part.invert { ", turned over" } else { "" };
    let delay_ms = (part.delay_ms * 1000.0).round() / 1000.0;
    let taps = part.fir.as_ref().map_or_else(String::new, |fir| {
        format!(", its all-pass turned back by {} taps, {:.1} ms late", fir.taps.len(), fir.delay_ms())
    });
    format!("{} ({}, {delay_ms} ms{turned}{taps})", part.name, gain_words(part.gain_db))
}

/// The all-passes that bring every output to one phase, each with the outputs that get it.
fn turned(parts: &[Combine]) -> Option<String> {
    let mut distinct: Vec<AllPass> = Vec::new();
    for it in parts.iter().flat_map(|part| &part.all_pass) {
        if !distinct.contains(it) {
            distinct.push(*it);
        }
    }
    let words = |it: &AllPass| {
        let q = it.q.map_or_else(String::new, |q| format!(" with Q {q:.2}"));
        let without: Vec<&str> =
            parts.iter().filter(|part| !part.all_pass.contains(it)).map(|part| part.name.as_str()).collect();
        let on =
            if without.is_empty() { "all of them".into() } else { format!("all but {}", without.join(", ")) };
        format!("an all-pass at {}{q} on {on}", words::frequency(it.frequency_hz))
    };
    let told: Vec<String> = distinct.iter().map(words).collect();
    (!told.is_empty()).then(|| format!("So that all turn their phase alike: {}.", told.join("; ")))
}

/// Side by side where there are two.
fn pictures(flow: &mut Flow<'_>, finding: &Finding) {
    let draw = |flow: &mut Flow<'_>, sum: &Sum| {
        let mut board = sum_board(sum, finding.simulated);
        board.size = (f64::from(flow.width()), f64::from(PICTURE_HEIGHT));
        let svg = curves_svg(&board);
        flow.picture(PICTURE_HEIGHT, svg);
    };
    let mut drawn: Vec<&Sum> = Vec::new();
    let mut alike = Vec::new();
    for sum in &finding.sums {
        match drawn.iter().find(|other| look_alike(other, sum)) {
            Some(other) => alike.push(format!("{} looks like {}", sum.name, other.name)),
            None => drawn.push(sum),
        }
    }
    flow.space(6.0);
    match drawn.as_slice() {
        [] => {}
        [one] => draw(flow, one),
        several => {
            flow.need(PICTURE_HEIGHT);
            flow.in_columns(2, |flow| several.iter().for_each(|sum| draw(flow, sum)));
        }
    }
    if !alike.is_empty() {
        flow.indented(30.0, NOTE, &words::sentence_case(&format!("{}.", alike.join(", "))));
    }
    flow.y += 4.0;
}

/// Curves that nobody could tell apart in a picture: no point of any of them differs by more than this.
const ALIKE_DB: f64 = 0.7;

fn look_alike(a: &Sum, b: &Sum) -> bool {
    let near = |a: &Curve, b: &Curve| {
        let points = a.frequency_hz.iter().zip(&a.level_db).filter(|(hz, _)| (30.0..16_000.0).contains(*hz));
        points.filter_map(|(hz, db)| Some((b.level_at_db(*hz)? - db).abs())).all(|apart| apart < ALIKE_DB)
    };
    let both = |a: &Option<Curve>, b: &Option<Curve>| match (a, b) {
        (Some(a), Some(b)) => near(a, b),
        (None, None) => true,
        _ => false,
    };
    near(&a.before, &b.before) && both(&a.predicted, &b.predicted) && both(&a.measured, &b.measured)
}

/// How a remark about two neighbours goes on.
const TURNED: &str = " join only with one of them turned over, as the slopes found there are made for";

fn words_of_a_joint(words: &str) -> bool {
    words.starts_with(TURNED)
}

/// Remarks that nothing above has told, each once: what holds for several outputs is said of all of them together.
fn gathered(finding: &Finding) -> Vec<String> {
    let told = ["The factory signal is", "A second recording"];
    let mut said: Vec<(Vec<String>, String)> = Vec::new();
    for remark in finding.remarks.iter().filter(|it| told.iter().all(|begin| !it.starts_with(begin))) {
        let of_an_output =
            remark.split_once(": ").filter(|(name, _)| finding.outputs.iter().any(|it| it.name == *name));
        let of_a_joint = remark.find(TURNED).map(|at| remark.split_at(at));
        let (names, words) = of_an_output
            .or(of_a_joint)
            .map_or((Vec::new(), remark.as_str()), |(name, words)| (vec![name.to_owned()], words));
        match said.iter_mut().find(|(_, other)| other == words) {
            Some((others, _)) => others.extend(names),
            None => said.push((names, words.to_owned())),
        }
    }
    let whole = |(names, words): (Vec<String>, String)| {
        let ended = if words.ends_with(['.', '!', '?']) { words } else { format!("{words}.") };
        let said = match names.as_slice() {
            [] => ended,
            _ if words_of_a_joint(&ended) => format!("{}{ended}", names.join("; ")),
            _ => format!("{}: {ended}", names.join(", ")),
        };
        words::sentence_case(&said)
    };
    said.into_iter().map(whole).collect()
}
