//! What intake writes down: the part of the car's and the visit's records that the user edits.

use dsp::limits::Limits;
use dsp::target::Target;
use dsp::verdict::Verdict;
use garage::channels::ChannelMap;
use garage::conditions::Conditions;
use garage::rig::{Microphone, RigRecord};
use garage::visit::CheckKind;
use garage::{Car, Visit};

use crate::widgets::Mark;

/// The job card.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sheet {
    /// What the shop calls the car.
    pub name: String,
    /// Make and build, in the tuner's words.
    pub description: String,
    /// What the customer wants.
    pub wishes: String,
    /// Who does the work.
    pub tuner: String,
    /// The seat that this visit is about.
    pub seat: String,
    /// Every processor output and its speaker.
    pub channels: ChannelMap,
    /// Devices.
    pub rig: Option<RigRecord>,
    /// Microphone and calibration.
    pub microphone: Option<Microphone>,
    /// The processor, in the tuner's words.
    pub processor: String,
    /// What the processor can do.
    pub limits: Option<Limits>,
    /// Where the curve should go.
    pub target: Option<Target>,
    /// Checklist and cautions.
    pub conditions: Conditions,
}

impl Sheet {
    /// From the records.
    pub fn of(car: &Car, visit: &Visit) -> Self {
        Self {
            name: car.name.clone(),
            description: car.description.clone(),
            wishes: car.wishes.clone(),
            tuner: visit.tuner.clone(),
            seat: visit.seat.clone(),
            channels: car.channel_map.clone(),
            rig: visit.rig.clone(),
            microphone: visit.microphone.clone(),
            processor: visit.processor.clone(),
            limits: visit.limits.clone(),
            target: visit.target.clone(),
            conditions: visit.conditions.clone(),
        }
    }

    /// Into the car's record.
    pub fn write_car(&self, car: &mut Car) {
        car.name.clone_from(&self.name);
        car.description.clone_from(&self.description);
        car.wishes.clone_from(&self.wishes);
        car.channel_map.clone_from(&self.channels);
    }

    /// Into the visit's record.
    pub fn write_visit(&self, visit: &mut Visit) {
        visit.tuner.clone_from(&self.tuner);
        visit.seat.clone_from(&self.seat);
        visit.rig.clone_from(&self.rig);
        visit.microphone.clone_from(&self.microphone);
        visit.processor.clone_from(&self.processor);
        visit.limits.clone_from(&self.limits);
        visit.target.clone_from(&self.target);
        visit.conditions.clone_from(&self.conditions);
    }
}

/// One line that intake needs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IntakeLine {
    /// What it is.
    pub name: &'static str,
    /// How far it is.
    pub mark: Mark,
    /// What is there, or what is missing.
    pub words: String,
}

/// Every line of the job card with its mark; intake is ready when none is open.
pub fn intake_lines(sheet: &Sheet, visit: Option<&Visit>) -> Vec<IntakeLine> {
    let line = |name, done: bool, there: String, missing: &str| IntakeLine {
        name,
        mark: if done { Mark::Done } else { Mark::Open },
        words: if done { there } else { missing.into() },
    };
    let count = sheet.channels.channels.len();
    let channels_fault = sheet.channels.check().err().map(|fault| fault.to_string());
    let calibrated = sheet.microphone.as_ref().is_some_and(|m| m.calibration.is_some());
    let ticked = sheet.conditions.checklist.iter().chain(&sheet.conditions.cautions);
    let open = ticked.filter(|line| !line.met).count();
    let mut lines = vec![
        line("Car", !sheet.name.is_empty(), sheet.name.clone(), "give it a name"),
        line("Rig", sheet.rig.is_some(), "devices chosen".into(), "choose the devices"),
        IntakeLine {
            name: "Microphone",
            mark: match (&sheet.microphone, calibrated) {
                (None, _) => Mark::Open,
                (Some(_), true) => Mark::Done,
                (Some(_), false) => Mark::Doubt,
            },
            words: match (&sheet.microphone, calibrated) {
                (None, _) => "name it and load its calibration".into(),
                (Some(_), true) => "calibrated".into(),
                (Some(_), false) => "without calibration every result says so".into(),
            },
        },
        match channels_fault {
            Some(fault) => IntakeLine { name: "Channels", mark: Mark::Again, words: fault },
            None => {
                line("Channels", count > 0, format!("{count} with safe bands"), "add the processor's outputs")
            }
        },
        line("Processor", sheet.limits.is_some(), limits_words(sheet.limits.as_ref()), "load its limits"),
        line("Target", sheet.target.is_some(), target_words(sheet.target.as_ref()), "choose a target"),
        line("Conditions", open == 0, "all ticked".into(), &format!("{open} lines to tick")),
    ];
    for (name, kind) in [("Rig check", CheckKind::Rig), ("Bay check", CheckKind::Noise)] {
        let check = visit.and_then(|v| v.latest_check(kind));
        lines.push(IntakeLine {
            name,
            mark: match check.map(|c| c.verdict) {
                None => Mark::Open,
                Some(Verdict::Good) => Mark::Done,
                Some(Verdict::Usable) => Mark::Doubt,
                Some(Verdict::Retake) => Mark::Again,
            },
            words: check.map_or("not made yet".into(), |c| {
                c.remarks
                    .first()
                    .cloned()
                    .unwrap_or_else(|| crate::widgets::verdict_words(c.verdict).1.into())
            }),
        });
    }
    lines
}

/// What a processor can do, in one line.
pub fn limits_words(limits: Option<&Limits>) -> String {
    let Some(limits) = limits else { return "no limits loaded".into() };
    let taps = if limits.fir_taps > 0 { format!(", {} taps", limits.fir_taps) } else { String::new() };
    format!(
        "{} bands, {} to {} dB{taps}",
        limits.bands,
        crate::board::signed(limits.gain_db.min, 0),
        crate::board::signed(limits.gain_db.max, 0)
    )
}

/// A target in one line.
pub fn target_words(target: Option<&Target>) -> String {
    target.map_or("none chosen".into(), |t| format!("{}, ±{:.1} dB", t.name, t.tolerance_db))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_sheet_says_what_is_missing_everywhere() {
        let lines = intake_lines(&Sheet::default(), None);
        let open: Vec<&str> = lines.iter().filter(|l| l.mark == Mark::Open).map(|l| l.name).collect();
        assert_eq!(
            open,
            [
                "Car",
                "Rig",
                "Microphone",
                "Channels",
                "Processor",
                "Target",
                "Conditions",
                "Rig check",
                "Bay check"
            ]
        );
    }

    #[test]
    fn a_microphone_without_calibration_is_a_doubt() {
        let sheet = Sheet { microphone: Some(Microphone::default()), ..Sheet::default() };
        let lines = intake_lines(&sheet, None);
        assert_eq!(lines[2].mark, Mark::Doubt);
        assert_eq!(lines[2].words, "without calibration every result says so");
    }
}
