//! The simulated car as a rig: orders in, recordings and facts out.

use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use audio::rig::{DeviceFacts, Ear, ListenOrder, Rig, RigError, TakeFacts, TakeOrder, Wanted, Watch};
use audio::wav::{Recorder, WavError};

use crate::car::VirtualCar;
use crate::recording::Recording;

/// Frames between two looks at the watch.
const BLOCK: usize = 1024;

/// A way to change the car while somebody else owns the rig; what is changed counts from the next take.
#[derive(Debug, Clone)]
pub struct CarHandle(Arc<Mutex<VirtualCar>>);

impl CarHandle {
    /// Looks at the car or changes it.
    pub fn edit<R>(&self, change: impl FnOnce(&mut VirtualCar) -> R) -> R {
        change(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

/// A simulated car behind the interface of a sound card.
///
/// One device plays and records. Its outputs are [`VirtualCar::outputs`], its inputs [`VirtualCar::inputs`].
#[derive(Debug, Clone)]
pub struct VirtualRig {
    car: CarHandle,
    paced: bool,
}

impl VirtualRig {
    /// The rig in `car`, faster than real time.
    pub fn new(car: VirtualCar) -> Self {
        Self { car: CarHandle(Arc::new(Mutex::new(car))), paced: false }
    }

    /// Takes as long over a take as a real card.
    #[must_use]
    pub fn in_real_time(self) -> Self {
        Self { paced: true, ..self }
    }

    /// A handle that can change the car from elsewhere.
    pub fn handle(&self) -> CarHandle {
        self.car.clone()
    }
}

fn device_name(car: &VirtualCar) -> String {
    format!("{} (simulated)", car.scenario().title)
}

fn facts_of(car: &VirtualCar) -> DeviceFacts {
    let count = |names: Vec<String>| u16::try_from(names.len()).unwrap_or(u16::MAX);
    DeviceFacts {
        name: device_name(car),
        description: "a simulated car".into(),
        output_channels: count(car.outputs()),
        input_channels: count(car.inputs()),
        rates_hz: car.scenario().recorder.rates_hz.clone(),
        simulated: true,
    }
}

fn check(device: &DeviceFacts, order: &TakeOrder) -> Result<(), RigError> {
    if !device.rates_hz.contains(&order.rate_hz) {
        let offered = device.rates_hz.iter().map(|rate| format!("{rate} Hz")).collect::<Vec<_>>().join(", ");
        return Err(RigError::WrongRate { device: device.name.clone(), asked_hz: order.rate_hz, offered });
    }
    let outputs = order.play.iter().map(|played| ("output", played.output, device.output_channels));
    let inputs = order.record_inputs.iter().map(|&input| ("input", input, device.input_channels));
    for (direction, index, count) in outputs.chain(inputs) {
        if index >= count {
            let asked = index.saturating_add(1);
            return Err(RigError::NoSuchChannel { device: device.name.clone(), direction, asked, count });
        }
    }
    audio::safety::check(order)?;
    if order.recording.exists() {
        return Err(RigError::BadOrder(format!(
            "{} is already there; a recording is never replaced",
            order.recording.display()
        )));
    }
    Ok(())
}

impl Rig for VirtualRig {
    fn devices(&self) -> Result<Vec<DeviceFacts>, RigError> {
        Ok(vec![self.car.edit(|car| facts_of(car))])
    }

    fn take(&mut self, order: &TakeOrder, watch: &Watch) -> Result<TakeFacts, RigError> {
        check(&self.car.edit(|car| facts_of(car)), order)?;
        let (car, take) = self.next();
        let recording = car.record(order, take);
        let longest = recording.frames();
        self.kept(&car, order, &recording, longest, &mut |_| Wanted::More, watch)
    }

    fn listen(
        &mut self,
        order: &ListenOrder,
        ear: &mut Ear<'_>,
        watch: &Watch,
    ) -> Result<TakeFacts, RigError> {
        let as_take = order.as_take();
        check(&self.car.edit(|car| facts_of(car)), &as_take)?;
        let (car, take) = self.next();
        let recording = car.overhear(order, take);
        let longest = (order.longest_s * f64::from(order.rate_hz)) as usize;
        let facts = self.kept(&car, &as_take, &recording, longest, ear, watch)?;
        Ok(TakeFacts { output: String::new(), ..facts })
    }
}

impl VirtualRig {
    /// The car as it is for the next take, and the number of that.
    fn next(&self) -> (VirtualCar, u64) {
        self.car.edit(|car| {
            let now = car.clone();
            let take = car.takes;
            car.takes += 1;
            car.scheduled.clear();
            // The control stays where it was turned to.
            car.volume = std::mem::take(&mut car.turns).last().map_or(car.volume, |turn| turn.1);
            (now, take)
        })
    }

    /// Writes a recording, with silence after it up to `longest` frames, until `ear` has enough.
    fn kept(
        &self,
        car: &VirtualCar,
        order: &TakeOrder,
        recording: &Recording,
        longest: usize,
        ear: &mut Ear<'_>,
        watch: &Watch,
    ) -> Result<TakeFacts, RigError> {
        let device = device_name(car);
        // A device that vanished has no silence after it.
        let longest = if recording.unplugged { recording.frames() } else { longest };
        let Written { frames, ended } = write(order, recording, longest, ear, watch, self.paced)?;
        let stopped = ended == Ended::Stopped;
        if recording.unplugged && ended == Ended::AtTheEnd {
            let kept = order.recording.display().to_string();
            return Err(RigError::DeviceLost { device, doing: "recording", kept });
        }
        let kept: Vec<&[f32]> =
            recording.channels.iter().map(|channel| &channel[..frames.min(channel.len())]).collect();
        let peak = |channel: &&[f32]| channel.iter().fold(0f32, |most, s| most.max(s.abs()));
        Ok(TakeFacts {
            frames: frames as u64,
            peak_dbfs: kept.iter().map(|channel| audio::safety::dbfs(f64::from(peak(channel)))).collect(),
            clipped_samples: kept
                .iter()
                .map(|channel| channel.iter().filter(|sample| is_clipped(sample)).count() as u64)
                .collect(),
            lost_frames: recording.lost_frames,
            stopped,
            simulated: true,
            output: device.clone(),
            input: device,
            stop_asked_at_frame: stopped.then_some(frames as u64),
            remarks: recording.remarks.clone(),
        })
    }
}

fn is_clipped(sample: &f32) -> bool {
    sample.abs() >= 1.0
}

fn disk(path: &Path, error: WavError) -> RigError {
    let cause = match error {
        WavError::System { cause, .. } => cause.to_string(),
        other => other.to_string(),
    };
    RigError::Disk { path: path.display().to_string(), cause }
}

/// Why a recording ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Ended {
    AtTheEnd,
    Enough,
    Stopped,
}

struct Written {
    frames: usize,
    ended: Ended,
}

/// Lets the recording grow on disk.
fn write(
    order: &TakeOrder,
    recording: &Recording,
    longest: usize,
    ear: &mut Ear<'_>,
    watch: &Watch,
    paced: bool,
) -> Result<Written, RigError> {
    let path = &order.recording;
    let inputs = recording.channels.len();
    let mut file =
        Recorder::create(path, order.rate_hz, inputs, longest as u64).map_err(|error| disk(path, error))?;
    let mut block = Vec::with_capacity(BLOCK * inputs);
    let mut clipped = vec![false; inputs];
    let begun = Instant::now();
    let (mut frames, mut ended) = (0, Ended::AtTheEnd);
    while frames < longest {
        if watch.stopping() {
            ended = Ended::Stopped;
            break;
        }
        let end = (frames + BLOCK).min(longest);
        let sample = |channel: &Vec<f32>, frame: usize| channel.get(frame).copied().unwrap_or(0.0);
        block.clear();
        block.extend(
            (frames..end).flat_map(|frame| recording.channels.iter().map(move |it| sample(it, frame))),
        );
        file.write(&block).map_err(|error| disk(path, error))?;
        frames = end;
        let of = |input: usize| block.iter().skip(input).step_by(inputs);
        let peaks = clipped.iter_mut().enumerate().map(|(input, clipped)| {
            *clipped |= of(input).any(is_clipped);
            (of(input).fold(0f32, |most, sample| most.max(sample.abs())), *clipped)
        });
        watch.set_inputs(peaks);
        watch.set_recorded_frames(frames as u64);
        watch.set_progress(frames as f64 / longest as f64);
        if ear(&block) == Wanted::Enough {
            ended = Ended::Enough;
            break;
        }
        if paced {
            let due = Duration::from_secs_f64(frames as f64 / f64::from(order.rate_hz));
            std::thread::sleep(due.saturating_sub(begun.elapsed()));
        }
    }
    file.finish().map_err(|error| disk(path, error))?;
    Ok(Written { frames, ended })
}
