//! A window driven by label, as a user would: click, wait for what must come about, fail on any failure told.

#![expect(clippy::unwrap_used, clippy::panic, reason = "what does not come about is a failed test")]

use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use workstation::app::Workstation;
use workstation::state::{State, Tone};

pub type Window = Harness<'static, Option<Workstation>>;

pub fn state(window: &Window) -> &State {
    &window.state().as_ref().unwrap().state
}

pub fn until(window: &mut Window, what: &str, done: impl Fn(&State) -> bool) {
    for _ in 0..6000 {
        window.step();
        if let Some(notice) = state(window).notice.as_ref().filter(|it| it.tone == Tone::Failed) {
            panic!("{what}: {}", notice.words);
        }
        if done(state(window)) {
            return window.run_steps(2);
        }
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    panic!("{what} never came about; the message is {:?}", state(window).notice);
}

pub fn click(window: &mut Window, label: &str) {
    window.get_by_label(label).click();
    window.run_steps(2);
}
