//! With what it was measured.

use garage::visit::CheckKind;
use garage::{Microphone, RigRecord};

use crate::Document;
use crate::flow::{DOUBT, Flow, NOTE, Style};
use crate::words;

const LABELS: f32 = 52.0;

/// Devices, microphone and its calibration, checks, takes.
pub fn write(flow: &mut Flow<'_>, document: &Document) {
    flow.heading("Rig and calibration", 40.0);
    match &document.visit.rig {
        Some(rig) => devices(flow, rig),
        None => flow.paragraph(NOTE, "No devices were written down."),
    }
    match &document.visit.microphone {
        Some(microphone) => heard_with(flow, microphone),
        None => flow.paragraph(Style { ink: DOUBT.ink, ..NOTE }, "No microphone was written down."),
    }
    if !document.takes.is_empty() {
        flow.entry("Takes", LABELS, NOTE, &takes(document));
    }
    for (kind, name) in [
        (CheckKind::Rig, "Rig check"),
        (CheckKind::Noise, "Noise check"),
        (CheckKind::RollCall, "Roll call"),
        (CheckKind::Entry, "Entry check"),
    ] {
        if let Some(check) = document.visit.latest_check(kind) {
            let mut text = words::verdict(check.verdict).to_owned();
            for remark in &check.remarks {
                text.push_str("; ");
                text.push_str(remark.trim_end_matches('.'));
            }
            flow.entry(name, LABELS, NOTE, &text);
        }
    }
}

fn devices(flow: &mut Flow<'_>, rig: &RigRecord) {
    flow.entry("Output", LABELS, NOTE, &rig.output);
    let reference = rig.reference_input.map(|input| format!(", time reference on input {input}"));
    flow.entry(
        "Input",
        LABELS,
        NOTE,
        &format!(
            "{}, microphone on input {}{}",
            rig.input,
            rig.microphone_input,
            reference.unwrap_or_default()
        ),
    );
    let minus = |level: f64| format!("{level:.1}").replace('-', "\u{2212}");
    flow.entry(
        "Level",
        LABELS,
        NOTE,
        &format!(
            "stimuli at {} dBFS, never above {} dBFS, {} Hz",
            minus(rig.level_dbfs),
            minus(rig.ceiling_dbfs),
            rig.rate_hz
        ),
    );
    if let Some(simulation) = &rig.simulation {
        let text = format!("virtual car \u{201C}{}\u{201D}, seed {}", simulation.scenario, simulation.seed);
        flow.entry("Simulated", LABELS, NOTE, &text);
    }
}

fn heard_with(flow: &mut Flow<'_>, microphone: &Microphone) {
    flow.entry("Microphone", LABELS, NOTE, &microphone.name);
    match &microphone.calibration {
        Some(calibration) => {
            let curve = &calibration.curve;
            let ends = curve.frequency_hz.first().zip(curve.frequency_hz.last());
            let over = ends.map(|(from, to)| {
                format!(", {} over {}", words::count(curve.len(), "point"), words::band(*from, *to))
            });
            let text = format!("{}{}, taken off every response", calibration.file, over.unwrap_or_default());
            flow.entry("Calibration", LABELS, NOTE, &text);
        }
        None => flow.entry(
            "Calibration",
            LABELS,
            Style { ink: DOUBT.ink, ..NOTE },
            "none: the microphone's own response is in every curve",
        ),
    }
    let loudness =
        microphone.full_scale_db_spl.map_or("not calibrated; levels are relative".to_owned(), |level| {
            format!("full scale is {level:.1} dB SPL")
        });
    flow.entry("Sound level", LABELS, NOTE, &loudness);
}

fn takes(document: &Document) -> String {
    let skews: Vec<f64> = document.takes.iter().filter_map(|take| take.clock.skew_ppm).collect();
    let mut text = words::count(document.takes.len(), "take");
    let widest = skews.iter().copied().max_by(|a, b| a.abs().total_cmp(&b.abs()));
    if let Some(skew) = widest {
        let skew = format!("{skew:+.1}").replace('-', "\u{2212}");
        text.push_str(&format!("; clocks apart by up to {skew} ppm, taken out"));
    }
    text
}
