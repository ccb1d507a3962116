//! The sound card rig: an output and an input of the system, often two devices with two clocks.
//!
//! The callbacks copy and count, nothing else (`stream`); a writer thread streams the recording to its file
//! (`writer`); the thread that asked for the take watches over both (`take`).

mod beat;
mod devices;
mod hush;
mod stream;
mod take;
mod writer;

pub(crate) use take::sound_only;

use crate::rig::{DeviceFacts, Ear, ListenOrder, Rig, RigError, TakeFacts, TakeOrder, Wanted, Watch};
use devices::{Direction, Found};

/// Frames per block asked of the device: under load only large blocks were free of gaps, and latency does not matter.
pub const BLOCK_FRAMES: u32 = 4096;

/// Which devices to use; a name is one that [`list`] gives, or its description.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct CardChoice {
    /// Output device; the system's default when left out.
    pub output: Option<String>,
    /// Input device; the system's default when left out.
    pub input: Option<String>,
    /// Channels to open the output with; the fewest that reach the asked ones when left out.
    pub output_channels: Option<u16>,
    /// Channels to open the input with; the fewest that reach the asked ones when left out.
    pub input_channels: Option<u16>,
}

impl CardChoice {
    /// The devices of these names; an empty name is the system's default.
    pub fn named(output: &str, input: &str) -> Self {
        let name = |name: &str| (!name.is_empty()).then(|| name.to_owned());
        Self { output: name(output), input: name(input), ..Self::default() }
    }
}

/// An output and an input device of this computer.
pub struct CardRig {
    host: cpal::Host,
    choice: CardChoice,
    /// None on a computer that has an input only: it can listen.
    output: Option<Found>,
    input: Found,
    loudest_dbfs: Option<f64>,
}

/// Lists the sound devices of this computer that can be opened.
///
/// # Errors
/// The sound system itself cannot be reached.
pub fn list() -> Result<Vec<DeviceFacts>, RigError> {
    devices::list(&devices::host()?)
}

impl CardRig {
    /// Finds the devices; nothing is opened yet.
    ///
    /// # Errors
    /// The sound system cannot be reached, or has no device of that name.
    pub fn open(choice: CardChoice) -> Result<Self, RigError> {
        let host = devices::host()?;
        let output = match devices::find(&host, choice.output.as_deref(), Direction::Output) {
            Err(RigError::NoSuchDevice { .. }) if choice.output.is_none() => None,
            found => Some(found?),
        };
        let input = devices::find(&host, choice.input.as_deref(), Direction::Input)?;
        Ok(Self { host, choice, output, input, loudest_dbfs: None })
    }

    /// Name of the output device; empty where there is none.
    pub fn output(&self) -> &str {
        self.output.as_ref().map_or("", |output| &output.name)
    }

    /// Name of the input device.
    pub fn input(&self) -> &str {
        &self.input.name
    }
}

impl Rig for CardRig {
    fn devices(&self) -> Result<Vec<DeviceFacts>, RigError> {
        devices::list(&self.host)
    }

    fn take(&mut self, order: &TakeOrder, watch: &Watch) -> Result<TakeFacts, RigError> {
        hush::hush();
        if self.output.is_none() && !order.play.is_empty() {
            // One may have been plugged in since.
            self.output = Some(devices::find(&self.host, None, Direction::Output)?);
        }
        let devices = (self.output.as_ref(), &self.input);
        let ear = &mut |_: &[f32]| Wanted::More;
        let played = take::run(devices, &self.choice, self.loudest_dbfs, order, ear, watch)?;
        if let Some(peak_dbfs) = played.signal_peak_dbfs
            && !played.facts.stopped
        {
            self.loudest_dbfs = Some(self.loudest_dbfs.map_or(peak_dbfs, |loudest| loudest.max(peak_dbfs)));
        }
        Ok(played.facts)
    }

    fn listen(
        &mut self,
        order: &ListenOrder,
        ear: &mut Ear<'_>,
        watch: &Watch,
    ) -> Result<TakeFacts, RigError> {
        hush::hush();
        let played = take::run((None, &self.input), &self.choice, None, &order.as_take(), ear, watch)?;
        Ok(played.facts)
    }
}
