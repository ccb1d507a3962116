//! The rig's health, as the top bar says it.

/// What stands in the top bar.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RigLine {
    /// Name of the output device, or nothing chosen.
    pub output: Option<String>,
    /// Name of the microphone and whether its calibration is there.
    pub microphone: Option<(String, bool)>,
    /// Peak of the latest block or take.
    pub peak_dbfs: Option<f64>,
    /// The peak is that of what is being recorded now.
    pub live: bool,
    /// The input touched full scale.
    pub clipped: bool,
    /// All of it is simulated.
    pub simulated: bool,
    /// Something is sounding.
    pub sounding: bool,
}

impl RigLine {
    /// `out: USB interface`.
    pub fn output_words(&self) -> String {
        format!("out: {}", self.output.as_deref().unwrap_or("not chosen"))
    }

    /// `mic: M-214, calibrated`.
    pub fn microphone_words(&self) -> String {
        match &self.microphone {
            None => "mic: not chosen".into(),
            Some((name, true)) => format!("mic: {name}, calibrated"),
            Some((name, false)) => format!("mic: {name}, no calibration"),
        }
    }

    /// `−12 dBFS`, `clipped`, or a dash.
    pub fn level_words(&self) -> String {
        match (self.clipped, self.peak_dbfs) {
            (true, _) => "clipped".into(),
            (false, Some(peak)) if peak.is_finite() => format!("{} dBFS", crate::board::signed(peak, 0)),
            _ => "– dBFS".into(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bar_says_what_is_missing() {
        let bare = RigLine::default();
        assert_eq!(bare.output_words(), "out: not chosen");
        assert_eq!(bare.microphone_words(), "mic: not chosen");
        assert_eq!(bare.level_words(), "– dBFS");
        let full = RigLine {
            output: Some("USB interface".into()),
            microphone: Some(("M-214".into(), true)),
            peak_dbfs: Some(-12.2),
            ..RigLine::default()
        };
        assert_eq!(full.microphone_words(), "mic: M-214, calibrated");
        assert_eq!(full.level_words(), "−12 dBFS");
    }
}
