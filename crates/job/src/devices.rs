//! What this computer can play and record with.

use std::fmt;

use audio::card;
use audio::rig::{DeviceFacts, RigError};
use serde::Serialize;

/// The sound devices, in the order the system names them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Devices {
    /// Each device that can be opened now.
    pub devices: Vec<Device>,
}

/// One sound device.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Device {
    /// What to ask for it by.
    pub name: String,
    /// What the system says about it.
    pub description: String,
    /// Output channels, 0 when it only records.
    pub output_channels: u16,
    /// Input channels, 0 when it only plays.
    pub input_channels: u16,
    /// Rates on offer, ascending.
    pub rates_hz: Vec<u32>,
    /// True for a device that exists only in a simulation.
    pub simulated: bool,
}

impl From<DeviceFacts> for Device {
    fn from(facts: DeviceFacts) -> Self {
        let DeviceFacts { name, description, output_channels, input_channels, rates_hz, simulated } = facts;
        Self { name, description, output_channels, input_channels, rates_hz, simulated }
    }
}

/// Lists the sound devices that can be opened now; none at all is an empty list, not an error.
///
/// # Errors
/// The sound system itself cannot be reached.
pub fn list() -> Result<Devices, RigError> {
    Ok(Devices { devices: card::list()?.into_iter().map(Device::from).collect() })
}

impl fmt::Display for Devices {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.devices.is_empty() {
            return write!(
                f,
                "No sound device can be opened. Plug one in, or close the program that holds it."
            );
        }
        let width = |of: fn(&Device) -> &str| {
            self.devices.iter().map(|device| of(device).chars().count()).max().unwrap_or(0)
        };
        let (names, words) = (width(|device| &device.name), width(|device| &device.description));
        write!(f, "{:names$}  {:words$}  out   in  rates (kHz)", "device", "")?;
        for Device { name, description, output_channels, input_channels, rates_hz, .. } in &self.devices {
            let rates: Vec<String> =
                rates_hz.iter().map(|rate| (f64::from(*rate) / 1000.0).to_string()).collect();
            write!(
                f,
                "\n{name:names$}  {description:words$}  {output_channels:3}  {input_channels:3}  {}",
                rates.join(" ")
            )?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_lines_up() {
        let device = |name: &str, description: &str| Device {
            name: name.into(),
            description: description.into(),
            output_channels: 2,
            input_channels: 10,
            rates_hz: vec![44_100, 48_000],
            simulated: false,
        };
        let table =
            Devices { devices: vec![device("a", "one"), device("interface", "a long one")] }.to_string();
        assert_eq!(
            table,
            "device                 out   in  rates (kHz)\n\
             a          one           2   10  44.1 48\n\
             interface  a long one    2   10  44.1 48"
        );
        assert!(Devices { devices: vec![] }.to_string().contains("No sound device"));
    }
}
