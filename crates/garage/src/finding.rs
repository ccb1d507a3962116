//! What the factory did to the signal, and how it is undone.

use dsp::curve::Curve;
use dsp::factory::{AllPass, Taps};
use dsp::tune::ChannelTune;
use dsp::verdict::Verdict;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use crate::fault::Invalid;
use crate::formats::document::Document;
use crate::rules;

/// The findings of the source stage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// When it was worked out.
    pub made_at: Timestamp,
    /// Each output of the head unit.
    pub outputs: Vec<OutputFinding>,
    /// The full-range signals there are: each side's joined one, or each output that carries everything by itself.
    #[serde(default)]
    pub sums: Vec<Sum>,
    /// The tune that undoes it: one channel for each sum, of the same name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tune: Option<u32>,
    /// The way that sums and tune go.
    #[serde(default)]
    pub way: Way,
    /// Those of the remarks that belong to it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub way_remarks: Vec<String>,
    /// What is lost of music that both sides carry alike, where they do not turn alike, rms; nothing where there are no two.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lost_between_db: Option<f64>,
    /// The other way, where the processor has taps and they change anything.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub other_way: Option<Box<OtherWay>>,
    /// How the shape changes with the volume step; empty where one step was recorded.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub loudness: Vec<VolumeShape>,
    /// The highest clean volume, at each tone that was played while it was turned up.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub clean_volume: Vec<CleanVolume>,
    /// Whether it can be relied on.
    pub verdict: Verdict,
    /// Reasons and doubts.
    #[serde(default)]
    pub remarks: Vec<String>,
    /// True when simulated.
    #[serde(default)]
    pub simulated: bool,
}

/// How the factory is undone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Way {
    /// By bands alone, all-passes among them where the processor has any.
    #[default]
    Bands,
    /// By bands, and FIR taps for what they leave.
    Taps,
}

/// The way that was not taken, kept to be chosen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OtherWay {
    /// Its signals, as in [`Finding::sums`].
    pub sums: Vec<Sum>,
    /// What undoes them: a channel for each, of the same name.
    pub undo: Vec<ChannelTune>,
    /// As [`Finding::lost_between_db`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lost_between_db: Option<f64>,
    /// What is to be said of it.
    #[serde(default)]
    pub remarks: Vec<String>,
}

/// What a way costs and gives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figures {
    /// Mean over the signals of how far from flat each is expected, rms.
    pub off_db: f64,
    /// What is lost of music that both sides carry alike, rms; 0 where there are no two sides.
    pub lost_between_db: f64,
    /// What taps delay everything by.
    pub delay_ms: f64,
}

impl Figures {
    fn of(sums: &[Sum], lost_between_db: Option<f64>) -> Self {
        let off_db = sums.iter().filter_map(|sum| Some(sum.flatness?.rms_db_after)).sum::<f64>();
        let taps = sums.iter().flat_map(|sum| &sum.parts).filter_map(|part| part.fir.as_ref());
        Self {
            off_db: off_db / sums.len().max(1) as f64,
            lost_between_db: lost_between_db.unwrap_or(0.0),
            delay_ms: taps.map(Taps::delay_ms).fold(0.0, f64::max),
        }
    }
}

impl OtherWay {
    /// What it costs and gives.
    pub fn figures(&self) -> Figures {
        Figures::of(&self.sums, self.lost_between_db)
    }
}

/// What was found on one output.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutputFinding {
    /// The output.
    pub name: String,
    /// What the factory did to it, in one plain sentence.
    pub sentence: String,
    /// Its response.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub curve: Option<Curve>,
}

/// A full-range signal, as it came and undone.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Sum {
    /// "left", "right", "joined", or the output that carries it alone.
    pub name: String,
    /// What it is joined from; empty where one output carries it alone.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parts: Vec<Combine>,
    /// As it came.
    pub before: Curve,
    /// What is expected of it with the undo.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub predicted: Option<Curve>,
    /// What a second recording showed with the undo typed in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measured: Option<Curve>,
    /// How flat each of them is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flatness: Option<Flatness>,
}

/// What a tone told while the volume was turned up step by step.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CleanVolume {
    /// The tone.
    pub frequency_hz: f64,
    /// The output it was heard on; empty where that was not said.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub output: String,
    /// Distortion up to which a step counts as clean.
    pub limit_percent: f64,
    /// The last clean step; none when the first one is not clean.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub highest: Option<String>,
    /// The step after it; none when every step is clean.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next: Option<String>,
    /// Every step that was heard, in that order.
    pub steps: Vec<ToneStep>,
}

impl CleanVolume {
    /// The step of that label.
    pub fn step(&self, volume: Option<&String>) -> Option<&ToneStep> {
        self.steps.iter().find(|step| Some(&step.volume) == volume)
    }
}

/// A tone at one volume step.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ToneStep {
    /// The step's label.
    pub volume: String,
    /// Level of the tone; 0 dBFS is a sine that just fills the recording's range.
    pub level_dbfs: f64,
    /// Its harmonics over it.
    pub thd_percent: f64,
    /// All that is not the tone over all.
    pub thd_n_percent: f64,
}

/// The shape at one volume step against the loudest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VolumeShape {
    /// The step's label.
    pub volume: String,
    /// `[frequency_hz, db]`, 0 dB at 1 kHz.
    pub response: Vec<[f64; 2]>,
    /// Level at 1 kHz under the loudest step.
    pub below_loudest_db: f64,
}

/// How one output enters the sum.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Combine {
    /// The output.
    pub name: String,
    /// Its gain.
    pub gain_db: f64,
    /// Its delay.
    pub delay_ms: f64,
    /// Turned over.
    pub invert: bool,
    /// All-passes added, so that all outputs turn alike.
    #[serde(default)]
    pub all_pass: Vec<AllPass>,
    /// Taps that turn its own all-passes back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fir: Option<Taps>,
}

/// Flatness of the joined signal, rms about its mean.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Flatness {
    /// Lower edge of the band.
    pub from_hz: f64,
    /// Upper edge.
    pub to_hz: f64,
    /// As it came.
    pub rms_db_before: f64,
    /// Undone, as predicted.
    pub rms_db_after: f64,
    /// Undone, as measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rms_db_measured: Option<f64>,
}

impl Way {
    /// The one that is not this.
    pub fn other(self) -> Self {
        match self {
            Self::Bands => Self::Taps,
            Self::Taps => Self::Bands,
        }
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Bands => "bands alone",
            Self::Taps => "bands and taps",
        }
    }
}

impl Finding {
    /// The signals of one way; none where it is not known.
    pub fn sums_of(&self, way: Way) -> &[Sum] {
        match &self.other_way {
            _ if way == self.way => &self.sums,
            Some(other) => &other.sums,
            None => &[],
        }
    }

    /// Every output that enters a sum through taps, with the sum's name, in the order their files are counted.
    pub fn tapped_parts(&self) -> impl Iterator<Item = (&str, &Combine, &Taps)> {
        let parts = self.sums.iter().flat_map(|sum| sum.parts.iter().map(move |part| (sum, part)));
        parts.filter_map(|(sum, part)| Some((sum.name.as_str(), part, part.fir.as_ref()?)))
    }

    /// What the way taken costs and gives.
    pub fn figures(&self) -> Figures {
        Figures::of(&self.sums, self.lost_between_db)
    }

    /// The sum called `name`.
    pub fn sum(&self, name: &str) -> Option<&Sum> {
        self.sums.iter().find(|sum| sum.name == name)
    }

    /// True where outputs are joined, so that the processor's inputs have to be mixed.
    pub fn is_joined(&self) -> bool {
        self.sums.iter().any(|sum| !sum.parts.is_empty())
    }
}

impl Document for Finding {
    const FORMAT: &'static str = "cabinwright-finding";
    const VERSION: u64 = 2;
    const RIGHT: &'static str = "the source finding of a visit";

    /// The first version knew one sum, and let what was measured take the place of what was predicted.
    fn migrate(from: u64, fields: &mut Map<String, Value>) {
        if from != 1 {
            return;
        }
        let mut sum = Map::new();
        let parts = fields.remove("combine").unwrap_or_else(|| Value::Array(Vec::new()));
        let joined = parts.as_array().is_some_and(|parts| !parts.is_empty());
        let first = fields.get("outputs").and_then(|outputs| outputs.get(0)?.get("name").cloned());
        let name = first.filter(|_| !joined).unwrap_or_else(|| "joined".into());
        sum.insert("name".into(), name);
        sum.insert("parts".into(), parts);
        for (was, is) in [("before", "before"), ("undone", "predicted"), ("flatness", "flatness")] {
            if let Some(value) = fields.remove(was) {
                sum.insert(is.into(), value);
            }
        }
        if sum.contains_key("before") {
            fields.insert("sums".into(), Value::Array(vec![Value::Object(sum)]));
        }
    }

    fn validate(&self) -> Result<(), Invalid> {
        rules::distinct(self.outputs.iter().map(|it| it.name.as_str()), |i| format!("outputs[{i}].name"))?;
        for (i, output) in self.outputs.iter().enumerate() {
            if let Some(curve) = &output.curve {
                rules::curve(&format!("outputs[{i}].curve"), curve)?;
            }
        }
        let other = self.other_way.iter().map(|it| ("other_way.sums", &it.sums));
        for (at, sums) in std::iter::once(("sums", &self.sums)).chain(other) {
            rules::distinct(sums.iter().map(|it| it.name.as_str()), |i| format!("{at}[{i}].name"))?;
            for (i, sum) in sums.iter().enumerate() {
                sum.validate(&format!("{at}[{i}]"))?;
            }
        }
        for (i, step) in self.loudness.iter().enumerate() {
            rules::finite(format!("loudness[{i}].below_loudest_db"), step.below_loudest_db)?;
            for [frequency_hz, db] in &step.response {
                rules::finite(format!("loudness[{i}].response"), frequency_hz + db)?;
            }
        }
        for (i, tone) in self.clean_volume.iter().enumerate() {
            rules::finite(format!("clean_volume[{i}].frequency_hz"), tone.frequency_hz)?;
            for (j, step) in tone.steps.iter().enumerate() {
                let at = format!("clean_volume[{i}].steps[{j}]");
                rules::finite(at, step.level_dbfs + step.thd_percent + step.thd_n_percent)?;
            }
        }
        Ok(())
    }
}

impl Sum {
    fn validate(&self, at: &str) -> Result<(), Invalid> {
        for (i, part) in self.parts.iter().enumerate() {
            rules::finite(format!("{at}.parts[{i}].gain_db"), part.gain_db)?;
            rules::not_negative(format!("{at}.parts[{i}].delay_ms"), part.delay_ms, "ms")?;
            if let Some(fir) = &part.fir {
                rules::sample_rate(&format!("{at}.parts[{i}].fir.rate_hz"), fir.rate_hz)?;
                rules::taps(&format!("{at}.parts[{i}].fir.taps"), &fir.taps)?;
            }
        }
        rules::curve(&format!("{at}.before"), &self.before)?;
        for (name, curve) in [("predicted", &self.predicted), ("measured", &self.measured)] {
            if let Some(curve) = curve {
                rules::curve(&format!("{at}.{name}"), curve)?;
            }
        }
        match &self.flatness {
            Some(flatness) => rules::band(&format!("{at}.flatness"), (flatness.from_hz, flatness.to_hz)),
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::formats::document;

    fn first_version(outputs: &str, combine: &str) -> Finding {
        let curve = r#"{"frequency_hz":[20.0,20000.0],"level_db":[1.0,2.0]}"#;
        let text = format!(
            r#"{{"format":"cabinwright-finding","version":1,"made_at":"2026-03-14T09:45:00Z","outputs":{outputs},
            "combine":{combine},"before":{curve},"undone":{curve},"tune":1,"verdict":"good",
            "flatness":{{"from_hz":30,"to_hz":18000,"rms_db_before":4.9,"rms_db_after":0.4}}}}"#
        );
        document::parse(text.as_bytes(), std::path::Path::new("finding.json")).unwrap()
    }

    /// What a visit of the first version holds is not lost: its one sum, with the joining where there was one.
    #[test]
    fn the_first_version_becomes_one_sum() {
        let alone = first_version(r#"[{"name":"front left","sentence":""}]"#, "[]");
        assert_eq!(alone.sums[0].name, "front left");
        assert!(!alone.is_joined());
        assert_eq!(alone.sums[0].predicted, Some(alone.sums[0].before.clone()));
        assert_eq!(alone.sums[0].flatness.unwrap().rms_db_after, 0.4);
        let part = r#"[{"name":"low","gain_db":-1.5,"delay_ms":0.2,"invert":true}]"#;
        let joined = first_version(r#"[{"name":"low","sentence":""}]"#, part);
        assert_eq!((joined.sums[0].name.as_str(), joined.is_joined()), ("joined", true));
        assert!(joined.sums[0].parts[0].invert);
    }
}
