//! Every screen in both sizes and themes, for somebody to look at: written only where `CABINWRIGHT_LOOK` names a folder.

mod common;

use common::head_unit::{probing, undone_by_taps};
use common::{sample, wavy, window};
use eframe::egui::vec2;
use workstation::stages::Stage;
use workstation::state::{ByHand, Leaf, Overlay, State};

#[test]
fn screens_to_look_at() {
    let Ok(folder) = std::env::var("CABINWRIGHT_LOOK") else { return };
    let folder = std::path::Path::new(&folder);
    std::fs::create_dir_all(folder).unwrap();
    let only = std::env::var("CABINWRIGHT_ONLY").unwrap_or_default();
    let mut screens: Vec<(String, State)> =
        Stage::ALL.into_iter().map(|stage| (stage.name().to_lowercase(), sample(stage))).collect();
    screens.push(("garage".into(), State::default()));
    screens.push(("keys".into(), State { overlay: Overlay::Keys, ..sample(Stage::Cabin) }));
    screens.push(("customer".into(), State { overlay: Overlay::Customer, ..sample(Stage::Handover) }));
    for stage in [Stage::Cabin, Stage::Handover] {
        let mut real = sample(stage);
        let open = real.open.as_mut().unwrap();
        (open.car.simulated, open.visit.simulated) = (false, false);
        if stage == Stage::Handover {
            real.open.as_mut().unwrap().proof = None;
        }
        screens.push((format!("real-{}", stage.name().to_lowercase()), real));
    }
    screens.push(("source-outputs".into(), probing(false)));
    screens.push(("source-recording".into(), probing(true)));
    let mut by_hand = sample(Stage::Source);
    by_hand.source.plan = Some(by_hand.signal().unwrap().parts.clone());
    by_hand.source.sum = Some(wavy(0.0, 3.5, 0.0, 20.0, 20_000.0).into());
    by_hand.source.reworked = Some(ByHand {
        expected: wavy(0.0, 0.3, 0.0, 20.0, 20_000.0).into(),
        undo: wavy(0.0, -2.5, 0.0, 20.0, 20_000.0).into(),
        off_db: 0.6,
    });
    screens.push(("source-by-hand".into(), by_hand));
    screens.push(("source-taps".into(), undone_by_taps()));
    let mut listed = undone_by_taps();
    listed.open.as_mut().unwrap().car.simulated = false;
    listed.open.as_mut().unwrap().visit.simulated = false;
    screens.push(("source-taps-listed".into(), listed));
    let mut typing = sample(Stage::Handover);
    typing.handover.typing = true;
    screens.push(("entry".into(), typing));
    let mut loading = sample(Stage::Handover);
    loading.handover.typing = true;
    for saved in std::sync::Arc::make_mut(&mut loading.open.as_mut().unwrap().tunes) {
        saved.tune.channels.iter_mut().for_each(|it| it.fir = Some(vec![0.0, 1.0]));
    }
    screens.push(("entry-taps".into(), loading));
    let mut tapped = sample(Stage::Voicing);
    tapped.draft.sheet.limits = Some(common::limits_with_taps());
    let tune = tapped.draft.tune.as_mut().unwrap();
    tune.channels.iter_mut().for_each(|it| it.fir = Some([vec![0.0; 240], vec![1.0, 0.1]].concat()));
    screens.push(("taps".into(), tapped));
    for leaf in Leaf::ALL {
        let mut state = sample(Stage::Voicing);
        state.voicing.leaf = leaf;
        screens.push((format!("leaf-{}", leaf.name().to_lowercase()), state));
    }
    for (name, state) in screens.into_iter().filter(|(name, _)| name.contains(&only)) {
        for (size, dark) in [(vec2(1280.0, 800.0), false), (vec2(1920.0, 1080.0), true)] {
            let state = state.clone();
            let mut harness = window(size, dark, move || state.clone());
            harness.run();
            let theme = if dark { "dark" } else { "light" };
            harness.render().unwrap().save(folder.join(format!("{name}-{theme}.png"))).unwrap();
        }
    }
}
