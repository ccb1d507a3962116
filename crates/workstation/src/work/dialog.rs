//! The system's own file dialog, which may be missing or never answer. Nobody waits for it: a path field stands beside
//! every button that asks.

use rfd::FileDialog;

use super::{Event, Mouth, Question};

/// Asks on a thread of its own, so that a dialog that hangs holds up nothing.
pub fn ask(question: Question, mouth: Mouth) {
    let ears = mouth.clone();
    let started = std::thread::Builder::new().name("dialog".into()).spawn(move || {
        let picked = match question {
            Question::Garage => FileDialog::new().set_title("Garage folder").pick_folder(),
            Question::Calibration => FileDialog::new().set_title("Microphone calibration").pick_file(),
            Question::Report => FileDialog::new().set_title("Report").set_file_name("report.pdf").save_file(),
        };
        match picked {
            Some(path) => ears.say(Event::Picked(question, path)),
            // Cancelled and missing look the same.
            None => {
                ears.say(Event::Failed("no file was chosen; the path can also be typed in the field".into()))
            }
        }
    });
    if started.is_err() {
        mouth.say(Event::Failed("no file dialog could be opened; type the path in the field".into()));
    }
}
