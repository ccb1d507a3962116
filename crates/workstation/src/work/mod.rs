//! Named threads for everything that takes time; a frame only sends orders and picks up events.

mod analysis;
mod bench;
mod dialog;
mod order;
mod predict;
mod records;
mod room;

pub use job::cabin::CabinCurves as Curves;
pub use order::{DiskOrder, Event, Levels, Order, Question, Sound, SoundOrder, Think, ThinkOrder, Tuned};
pub use predict::{predict, within};

use std::sync::mpsc::{Receiver, Sender, channel};

use eframe::egui::Context;

/// The workers and the channel they answer on.
pub struct Workers {
    disk: Sender<DiskOrder>,
    sound: Sender<SoundOrder>,
    think: Sender<ThinkOrder>,
    answers: Sender<Event>,
    events: Receiver<Event>,
    ctx: Context,
}

impl Workers {
    /// Starts a thread each for disk, rig and analysis. They end when the window does.
    pub fn start(ctx: &Context) -> Self {
        let (answers, events) = channel();
        let mouth = Mouth { answers: answers.clone(), ctx: ctx.clone() };
        Self {
            disk: room::open("disk", mouth.clone(), records::Records),
            sound: room::open("sound", mouth.clone(), bench::Bench::default()),
            think: room::open("analysis", mouth, analysis::Analysis),
            answers,
            events,
            ctx: ctx.clone(),
        }
    }

    /// Hands an order to its worker.
    pub fn send(&self, order: Order) {
        let sent = match order {
            Order::Disk(order) => self.disk.send(order).is_ok(),
            Order::Sound(order) => self.sound.send(order).is_ok(),
            Order::Think(order) => self.think.send(order).is_ok(),
            Order::Ask(question) => {
                dialog::ask(question, Mouth { answers: self.answers.clone(), ctx: self.ctx.clone() });
                true
            }
        };
        if !sent {
            let _ = self
                .answers
                .send(Event::Failed("a worker has ended; close the window and open it again".into()));
        }
    }

    /// The next answer, if there is one.
    pub fn next(&self) -> Option<Event> {
        self.events.try_recv().ok()
    }
}

/// Says an event and wakes the window.
#[derive(Clone)]
pub struct Mouth {
    answers: Sender<Event>,
    ctx: Context,
}

impl Mouth {
    /// Puts `event` where the next frame finds it.
    pub fn say(&self, event: Event) {
        // The window may be gone already; then nobody listens.
        let _ = self.answers.send(event);
        self.ctx.request_repaint();
    }
}

/// Somebody who works in a room of their own.
pub trait Worker: Send + 'static {
    /// What can be asked.
    type Order: Send + 'static;

    /// Does it, saying events as they come.
    fn work(&mut self, order: Self::Order, mouth: &Mouth);
}

/// Folds line breaks: a message is one line.
fn one_line(words: &str) -> String {
    words.split_whitespace().collect::<Vec<_>>().join(" ")
}
