//! What the factory did, and what we undid.

use dsp::factory::AllPass;
use dsp::verdict::Verdict;
use garage::entry::gain_words;
use garage::finding::{CleanVolume, Combine, Finding, Sum, VolumeShape};

use crate::Document;
use crate::flow::{DOUBT, Flow, NOTE, Style, TOLD};
use crate::picture::{curves_svg, sum_board};
use crate::words;

const PICTURE_HEIGHT: f32 = 112.0;
const LABELS: f32 = 92.0;

/// Only for a visit that looked into it.
pub fn write(flow: &mut Flow<'_>, document: &Document) {
    let Some(finding) = &document.finding else { return };
    flow.heading("What the factory did, and what we undid", 40.0);
    for output in &finding.outputs {
        flow.entry(&words::sentence_case(&output.name), LABELS, TOLD, &output.sentence);
        flow.y += 1.0;
    }
    volume(flow, finding);
    joined(flow, finding);
    if let Some(number) = finding.tune {
        flow.paragraph(NOTE, &format!("The settings that undo it are tune {number} of the visit."));
    }
    pictures(flow, finding);
    let style = if finding.verdict == Verdict::Good { NOTE } else { Style { ink: DOUBT.ink, ..NOTE } };
    for words in gathered(finding) {
        flow.paragraph(style, &words);
    }
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
        flow.entry(&words::sentence_case(&sum.name), LABELS, TOLD, &told.join(" "));
        flow.y += 1.0;
    }
}

fn part(part: &Combine) -> String {
    let turned = if part.invert { ", turned over" } else { "" };
    let delay_ms = (part.delay_ms * 1000.0).round() / 1000.0;
    format!("{} ({}, {delay_ms} ms{turned})", part.name, gain_words(part.gain_db))
}

/// The all-passes that bring every output to one phase.
fn turned(parts: &[Combine]) -> Option<String> {
    let words = |it: &AllPass| {
        let q = it.q.map_or_else(String::new, |q| format!(", Q {:.2}", q));
        format!("{}{q}", words::frequency(it.frequency_hz))
    };
    let told: Vec<String> = parts
        .iter()
        .filter(|part| !part.all_pass.is_empty())
        .map(|part| {
            let all: Vec<String> = part.all_pass.iter().map(words).collect();
            format!("{} by {}", part.name, all.join(" and "))
        })
        .collect();
    (!told.is_empty())
        .then(|| format!("So that all turn their phase alike, all-passes were added: {}.", told.join("; ")))
}

/// Side by side where there are two.
fn pictures(flow: &mut Flow<'_>, finding: &Finding) {
    let draw = |flow: &mut Flow<'_>, sum: &Sum| {
        let mut board = sum_board(sum, finding.simulated);
        board.size = (f64::from(flow.width()), f64::from(PICTURE_HEIGHT));
        let svg = curves_svg(&board);
        flow.picture(PICTURE_HEIGHT, svg);
    };
    flow.space(6.0);
    match finding.sums.as_slice() {
        [] => {}
        [one] => draw(flow, one),
        several => {
            flow.need(PICTURE_HEIGHT);
            flow.in_columns(2, |flow| several.iter().for_each(|sum| draw(flow, sum)));
        }
    }
    flow.y += 4.0;
}

/// Remarks that nothing above has told, each once: what holds for several outputs is said of all of them together.
fn gathered(finding: &Finding) -> Vec<String> {
    let told = ["The factory signal is", "A second recording"];
    let mut said: Vec<(Vec<String>, String)> = Vec::new();
    for remark in finding.remarks.iter().filter(|it| told.iter().all(|begin| !it.starts_with(begin))) {
        let of_an_output =
            remark.split_once(": ").filter(|(name, _)| finding.outputs.iter().any(|it| it.name == *name));
        let (names, words) = of_an_output
            .map_or((Vec::new(), remark.as_str()), |(name, words)| (vec![name.to_owned()], words));
        match said.iter_mut().find(|(_, other)| other == words) {
            Some((others, _)) => others.extend(names),
            None => said.push((names, words.to_owned())),
        }
    }
    let whole = |(names, words): (Vec<String>, String)| {
        let ended = if words.ends_with(['.', '!', '?']) { words } else { format!("{words}.") };
        words::sentence_case(&if names.is_empty() { ended } else { format!("{}: {ended}", names.join(", ")) })
    };
    said.into_iter().map(whole).collect()
}
