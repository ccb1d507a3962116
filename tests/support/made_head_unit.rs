//! A made head unit of two outputs that plays a stimulus into the private card while somebody else listens.

use std::path::Path;
use std::thread::JoinHandle;
use std::time::Duration;

use audio::card::{CardChoice, CardRig};
use audio::rig::{PlayedChannel, Rig, TakeOrder, Watch};
use dsp::tune::{ChannelTune, Crossover, CrossoverFamily, Pass, Polarity, Tune};

/// Plays the left side of `stimulus` (at 48 kHz) two seconds from now: on the first output its part below 400 Hz, on the
/// second what is above, 1.5 ms late and turned over; Linkwitz-Riley of fourth order. `folder` is for its own files.
pub fn plays(stimulus: &Path, folder: &Path) -> JoinHandle<()> {
    let half = |name: &str, pass, delay_ms, polarity| {
        let family = CrossoverFamily::LinkwitzRiley;
        let crossovers = vec![Crossover { pass, family, order: 4, frequency_hz: 400.0 }];
        let name = name.to_owned();
        let channel =
            ChannelTune { name: name.clone(), delay_ms, polarity, crossovers, ..ChannelTune::default() };
        let tune = Tune { sample_rate_hz: 48_000.0, channels: vec![channel], ..Tune::default() };
        let (file, wav) = (folder.join(format!("{name}.json")), folder.join(format!("{name}.wav")));
        garage::formats::tune::write(&file, &tune).expect("a tune is written");
        job::apply::apply_files(&file, stimulus, &wav).expect("the stimulus goes through it");
        let mut sides = audio::wav::read(&wav).expect("it is read").channels;
        sides.swap_remove(0).into_iter().map(|x| x as f32).collect::<Vec<f32>>()
    };
    let outputs =
        [half("low", Pass::Low, 0.0, Polarity::Normal), half("high", Pass::High, 1.5, Polarity::Inverted)];
    let order = TakeOrder {
        rate_hz: 48_000,
        play: outputs
            .into_iter()
            .zip(0..)
            .map(|(samples, output)| PlayedChannel { output, samples: samples.into() })
            .collect(),
        record_inputs: vec![0],
        tail_s: 0.1,
        recording: folder.join("what-it-heard-itself.wav"),
        ceiling_dbfs: -6.0,
    };
    let _ = std::fs::remove_file(&order.recording);
    std::thread::spawn(move || {
        std::thread::sleep(Duration::from_secs(2));
        let mut rig = CardRig::open(CardChoice::named("bench_out", "bench_in")).expect("the private card");
        rig.take(&order, &Watch::default()).expect("it plays");
    })
}
