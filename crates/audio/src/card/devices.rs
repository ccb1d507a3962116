//! Finding devices and the way to open them.

use cpal::traits::{DeviceTrait, HostTrait};
use cpal::{BufferSize, SampleFormat, StreamConfig, SupportedBufferSize, SupportedStreamConfigRange};

use super::BLOCK_FRAMES;
use crate::rig::{DeviceFacts, RigError};
use crate::wav::{HIGHEST_RATE_HZ, LOWEST_RATE_HZ};

/// Rates that devices are asked for; anything between would be converted by the system unseen.
const RATES_HZ: [u32; 13] =
    [8_000, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000];
const _: () = assert!(RATES_HZ[0] == LOWEST_RATE_HZ && RATES_HZ[12] == HIGHEST_RATE_HZ);
/// Formats from the best to the least.
const FORMATS: [SampleFormat; 4] =
    [SampleFormat::F32, SampleFormat::I32, SampleFormat::I24, SampleFormat::I16];
/// Counts that have a standard speaker map; others are used only where the device has no choice.
const USUAL_CHANNELS: [u16; 5] = [2, 4, 6, 8, 1];
/// Plug-ins of the system that look like devices and are none; "jack" is noisy where its server is not running.
const NOT_DEVICES: [&str; 9] =
    ["null", "lavrate", "samplerate", "speexrate", "speex", "upmix", "vdownmix", "oss", "jack"];
const DEFAULT_NAME: &str = "default";

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Direction {
    Output,
    Input,
}

impl Direction {
    pub fn word(self) -> &'static str {
        match self {
            Self::Output => "output",
            Self::Input => "input",
        }
    }
}

/// A device that was found by name.
#[derive(Clone)]
pub(super) struct Found {
    pub name: String,
    pub device: cpal::Device,
    pub direction: Direction,
}

/// How to open a device for an order.
#[derive(Debug, Clone, Copy)]
pub(super) struct Opening {
    pub config: StreamConfig,
    pub format: SampleFormat,
}

pub(super) fn host() -> Result<cpal::Host, RigError> {
    super::hush::hush();
    let host = cpal::default_host();
    // Asking for the list once shows whether the sound system answers at all.
    host.devices()
        .map_err(|error| RigError::Device { device: "the sound system".into(), cause: error.to_string() })?;
    Ok(host)
}

/// The name a device is asked for by: the system's own where people type it, else its words.
fn name_of(device: &cpal::Device) -> String {
    let words = device.to_string();
    match device.id() {
        Ok(id) if cfg!(target_os = "linux") => id.id().to_owned(),
        _ => words,
    }
}

fn usable(host: &cpal::Host) -> Result<Vec<cpal::Device>, RigError> {
    let all = host
        .devices()
        .map_err(|error| RigError::Device { device: "the sound system".into(), cause: error.to_string() })?;
    Ok(all.filter(|device| !NOT_DEVICES.contains(&name_of(device).as_str())).collect())
}

pub(super) fn list(host: &cpal::Host) -> Result<Vec<DeviceFacts>, RigError> {
    super::hush::hush();
    let mut listed = Vec::new();
    for device in usable(host)? {
        let outputs = ranges(&device, Direction::Output).unwrap_or_default();
        let inputs = ranges(&device, Direction::Input).unwrap_or_default();
        let most = |ranges: &[SupportedStreamConfigRange]| {
            ranges.iter().map(|range| range.channels()).max().unwrap_or(0)
        };
        let facts = DeviceFacts {
            name: name_of(&device),
            description: device.to_string(),
            output_channels: most(&outputs),
            input_channels: most(&inputs),
            rates_hz: RATES_HZ
                .into_iter()
                .filter(|&rate| {
                    let offers = |ranges: &[SupportedStreamConfigRange]| {
                        ranges.is_empty() || ranges.iter().any(|range| offers_rate(range, rate))
                    };
                    offers(&outputs) && offers(&inputs)
                })
                .collect(),
            simulated: false,
        };
        if facts.output_channels > 0 || facts.input_channels > 0 {
            listed.push(facts);
        }
    }
    Ok(listed)
}

/// What a device can do in one direction; nothing at all when it cannot be opened now.
fn ranges(
    device: &cpal::Device,
    direction: Direction,
) -> Result<Vec<SupportedStreamConfigRange>, cpal::Error> {
    let all: Vec<_> = match direction {
        Direction::Output if device.supports_output() => device.supported_output_configs()?.collect(),
        Direction::Input if device.supports_input() => device.supported_input_configs()?.collect(),
        _ => Vec::new(),
    };
    Ok(all.into_iter().filter(|range| FORMATS.contains(&range.sample_format())).collect())
}

fn offers_rate(range: &SupportedStreamConfigRange, rate_hz: u32) -> bool {
    (range.min_sample_rate()..=range.max_sample_rate()).contains(&rate_hz)
}

pub(super) fn find(host: &cpal::Host, name: Option<&str>, direction: Direction) -> Result<Found, RigError> {
    let candidates: Vec<_> = usable(host)?
        .into_iter()
        .filter(|device| match direction {
            Direction::Output => device.supports_output(),
            Direction::Input => device.supports_input(),
        })
        .collect();
    let wanted = name.unwrap_or(DEFAULT_NAME);
    let by_name = candidates.iter().find(|device| name_of(device) == wanted);
    let by_words = || candidates.iter().find(|device| device.to_string().eq_ignore_ascii_case(wanted));
    let by_default = || match (name, direction) {
        (Some(_), _) => None,
        (None, Direction::Output) => host.default_output_device(),
        (None, Direction::Input) => host.default_input_device(),
    };
    let device =
        by_name.or_else(by_words).cloned().or_else(by_default).ok_or_else(|| RigError::NoSuchDevice {
            direction: direction.word(),
            name: wanted.to_owned(),
            known: match candidates.iter().map(name_of).collect::<Vec<_>>().join(", ") {
                none if none.is_empty() => "none".into(),
                known => known,
            },
        })?;
    Ok(Found { name: name_of(&device), device, direction })
}

impl Found {
    /// Chooses channels, format and block for a rate and the highest channel asked for (counted from 0).
    pub fn opening(&self, rate_hz: u32, highest: u16, channels: Option<u16>) -> Result<Opening, RigError> {
        let ranges = ranges(&self.device, self.direction).map_err(|error| self.trouble(&error))?;
        if ranges.is_empty() {
            return Err(RigError::Device {
                device: self.name.clone(),
                cause: format!("it has no {} that can be opened now", self.direction.word()),
            });
        }
        let most = ranges.iter().map(|range| range.channels()).max().unwrap_or(0);
        let wide_enough = |count: u16| count > highest && channels.is_none_or(|fixed| fixed == count);
        if !ranges.iter().any(|range| wide_enough(range.channels())) {
            return Err(RigError::NoSuchChannel {
                device: self.name.clone(),
                direction: self.direction.word(),
                asked: highest.saturating_add(1),
                count: channels.map_or(most, |fixed| fixed.min(most)),
            });
        }
        let at_rate: Vec<_> = ranges.iter().filter(|range| offers_rate(range, rate_hz)).collect();
        if !RATES_HZ.contains(&rate_hz) || at_rate.is_empty() {
            let offered =
                RATES_HZ.iter().filter(|&&rate| ranges.iter().any(|range| offers_rate(range, rate)));
            return Err(RigError::WrongRate {
                device: self.name.clone(),
                asked_hz: rate_hz,
                offered: offered.map(|rate| format!("{rate} Hz")).collect::<Vec<_>>().join(", "),
            });
        }
        let order = |count: u16| {
            let place =
                USUAL_CHANNELS.iter().position(|&usual| usual == count).unwrap_or(USUAL_CHANNELS.len());
            (place, count)
        };
        let best = at_rate.iter().filter(|range| wide_enough(range.channels())).min_by_key(|range| {
            (order(range.channels()), FORMATS.iter().position(|format| *format == range.sample_format()))
        });
        let Some(best) = best else {
            return Err(RigError::WrongRate {
                device: self.name.clone(),
                asked_hz: rate_hz,
                offered: "that rate only with fewer channels".into(),
            });
        };
        let block = match best.buffer_size() {
            SupportedBufferSize::Range { min, max } => BLOCK_FRAMES.clamp(*min, (*max).max(*min)),
            SupportedBufferSize::Unknown => BLOCK_FRAMES,
        };
        Ok(Opening {
            config: StreamConfig {
                channels: best.channels(),
                sample_rate: rate_hz,
                buffer_size: BufferSize::Fixed(block),
            },
            format: best.sample_format(),
        })
    }

    /// Whether the device can be opened and made ready now.
    pub fn opens(&self, rate_hz: u32) -> bool {
        let Ok(Opening { config, format }) = self.opening(rate_hz, 0, None) else { return false };
        match self.direction {
            Direction::Output => {
                self.device.build_output_stream_raw(config, format, |_, _| {}, |_| {}, None).is_ok()
            }
            Direction::Input => {
                self.device.build_input_stream_raw(config, format, |_, _| {}, |_| {}, None).is_ok()
            }
        }
    }

    pub fn trouble(&self, error: &cpal::Error) -> RigError {
        RigError::Device { device: self.name.clone(), cause: error.to_string() }
    }
}
