//! What a scenario must satisfy before it is simulated.

use super::{AllPass, Edge, FORMAT, Scenario, ScenarioError, Split, VERSION};
use dsp::tune::Section;

type Checked = Result<(), ScenarioError>;

fn wrong(at: impl Into<String>, wrong: impl Into<String>) -> ScenarioError {
    ScenarioError::Value { at: at.into(), wrong: wrong.into() }
}

fn within(at: &str, value: f64, from: f64, to: f64) -> Checked {
    if (from..=to).contains(&value) {
        return Ok(());
    }
    Err(wrong(at, format!("{value} is outside {from} to {to}")))
}

fn order(at: &str, order: u32) -> Checked {
    if (1..=8).contains(&order) {
        return Ok(());
    }
    Err(wrong(at, format!("order {order} is outside 1 to 8")))
}

fn sections(at: &str, sections: &[Section]) -> Checked {
    for (i, section) in sections.iter().enumerate() {
        within(&format!("{at}[{i}].frequency_hz"), section.frequency_hz, 5.0, 20_000.0)?;
        within(&format!("{at}[{i}].gain_db"), section.gain_db, -40.0, 40.0)?;
        within(&format!("{at}[{i}].q"), section.q, 0.1, 50.0)?;
    }
    Ok(())
}

fn edge(at: &str, edge: Option<Edge>) -> Checked {
    let Some(edge) = edge else { return Ok(()) };
    within(&format!("{at}.frequency_hz"), edge.frequency_hz, 5.0, 22_000.0)?;
    order(at, edge.order)?;
    within(&format!("{at}.q"), edge.q.unwrap_or(1.0), 0.2, 5.0)
}

impl Scenario {
    /// Checks every value that the simulation relies on.
    pub(super) fn check(&self) -> Checked {
        if self.format != FORMAT {
            return Err(wrong("format", format!("\"{}\" is not \"{FORMAT}\"", self.format)));
        }
        if self.version > VERSION {
            return Err(wrong(
                "version",
                format!("{} is newer than this program reads ({VERSION})", self.version),
            ));
        }
        self.check_cabin()?;
        self.check_head_unit()?;
        self.check_channels()?;
        self.check_recording()
    }

    fn inside(&self, at: &str, place_m: [f64; 3]) -> Checked {
        for (axis, name) in ["x", "y", "z"].iter().enumerate() {
            within(&format!("{at}.{name}"), place_m[axis], 0.0, self.cabin.size_m[axis])?;
        }
        Ok(())
    }

    fn check_cabin(&self) -> Checked {
        for size in self.cabin.size_m {
            within("cabin.size_m", size, 0.8, 8.0)?;
        }
        within("cabin.temperature_c", self.cabin.temperature_c, -30.0, 60.0)?;
        within("cabin.scatter_m", self.cabin.scatter_m, 0.0, 0.5)?;
        within("cabin.pressure_rise_db", self.cabin.pressure_rise_db, 0.0, 24.0)?;
        within("cabin.pressure_rise_hz", self.cabin.pressure_rise_hz, 10.0, 200.0)?;
        if self.seats.is_empty() {
            return Err(wrong("seats", "there is none; one at least is needed"));
        }
        for (i, seat) in self.seats.iter().enumerate() {
            self.inside(&format!("seats[{i}].head_m"), seat.head_m)?;
        }
        Ok(())
    }

    fn check_head_unit(&self) -> Checked {
        let unit = &self.head_unit;
        within("head_unit.volume.steps", f64::from(unit.volume.steps), 1.0, 200.0)?;
        within("head_unit.volume.set_to", f64::from(unit.volume.set_to), 0.0, f64::from(unit.volume.steps))?;
        within("head_unit.clip_dbfs", unit.clip_dbfs, -40.0, 20.0)?;
        if let Some(bits) = unit.player_bits {
            within("head_unit.player_bits", f64::from(bits), 8.0, 32.0)?;
        }
        sections("head_unit.equalisation", &unit.equalisation)?;
        for (i, output) in unit.outputs.iter().enumerate() {
            let at = format!("head_unit.outputs[{i}]");
            within(&format!("{at}.delay_ms"), output.delay_ms, 0.0, 100.0)?;
            sections(&format!("{at}.equalisation"), &output.equalisation)?;
            if let Some(hum) = &output.hum {
                within(&format!("{at}.hum.mains_hz"), hum.mains_hz, 40.0, 70.0)?;
                within(&format!("{at}.hum.level_dbfs"), hum.level_dbfs, -160.0, 0.0)?;
            }
            for Split { frequency_hz, order: n, .. } in &output.splits {
                within(&format!("{at}.splits.frequency_hz"), *frequency_hz, 5.0, 20_000.0)?;
                order(&format!("{at}.splits.order"), *n)?;
            }
            for AllPass { frequency_hz, order: n, q } in &output.all_passes {
                within(&format!("{at}.all_passes.frequency_hz"), *frequency_hz, 5.0, 20_000.0)?;
                within(&format!("{at}.all_passes.order"), f64::from(*n), 1.0, 2.0)?;
                within(&format!("{at}.all_passes.q"), *q, 0.1, 20.0)?;
            }
        }
        Ok(())
    }

    fn check_channels(&self) -> Checked {
        if self.channels.is_empty() {
            return Err(wrong("channels", "there is none; one at least is needed"));
        }
        for (i, channel) in self.channels.iter().enumerate() {
            let at = format!("channels[{i}] \"{}\"", channel.name);
            if self.channels[..i].iter().any(|other| other.name == channel.name) {
                return Err(wrong(at, "another channel has the same name"));
            }
            within(&format!("{at}.safe_band_hz"), channel.safe_band_hz.0, 1.0, channel.safe_band_hz.1)?;
            for input in &channel.inputs {
                if !self.head_unit.outputs.iter().any(|output| output.name == input.output) {
                    return Err(wrong(
                        format!("{at}.inputs"),
                        format!("no head-unit output \"{}\"", input.output),
                    ));
                }
            }
            if let Some(other) = &channel.wiring.feeds
                && !self.channels.iter().any(|known| known.name == *other)
            {
                return Err(wrong(format!("{at}.wiring.feeds"), format!("no channel \"{other}\"")));
            }
            for speaker in &channel.speakers {
                self.inside(&format!("{at}.speakers.place_m"), speaker.place_m)?;
                edge(&format!("{at}.speakers.low_edge"), speaker.low_edge)?;
                edge(&format!("{at}.speakers.high_edge"), speaker.high_edge)?;
                sections(&format!("{at}.speakers.resonances"), &speaker.resonances)?;
            }
        }
        Ok(())
    }

    fn check_recording(&self) -> Checked {
        if self.microphone.response.windows(2).any(|pair| pair[0].0 >= pair[1].0) {
            return Err(wrong("microphone.response", "frequencies do not ascend"));
        }
        within("recorder.clock_skew_ppm", self.recorder.clock_skew_ppm, -100_000.0, 100_000.0)?;
        within("recorder.lead_s", self.recorder.lead_s, 0.0, 60.0)?;
        if self.recorder.rates_hz.is_empty() {
            return Err(wrong("recorder.rates_hz", "there is none; one at least is needed"));
        }
        for rate in &self.recorder.rates_hz {
            within("recorder.rates_hz", f64::from(*rate), 8_000.0, 192_000.0)?;
        }
        within("noise.falls_db_per_octave", self.noise.falls_db_per_octave, -6.0, 18.0)?;
        for (i, event) in self.events.iter().enumerate() {
            within(&format!("events[{i}].at_s"), event.at_s, 0.0, 3600.0)?;
        }
        Ok(())
    }
}
