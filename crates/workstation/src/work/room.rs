//! A thread that takes orders one after another and outlives a worker's panic.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::{Sender, channel};

use super::{Event, Mouth, Worker};

/// Starts a thread called `name`; it ends when the sender is dropped.
pub fn open<W: Worker>(name: &'static str, mouth: Mouth, mut worker: W) -> Sender<W::Order> {
    let (orders, inbox) = channel::<W::Order>();
    let ears = mouth.clone();
    let started = std::thread::Builder::new().name(name.into()).spawn(move || {
        for order in inbox {
            // A fault in one order must not take the others with it, nor leave the window waiting for an answer.
            let done = catch_unwind(AssertUnwindSafe(|| worker.work(order, &ears)));
            if done.is_err() {
                ears.say(Event::Failed(format!(
                    "the {name} worker stumbled over this; nothing was lost, try again"
                )));
            }
        }
    });
    if let Err(error) = started {
        mouth.say(Event::Failed(format!("cannot start the {name} worker: {error}")));
    }
    orders
}
