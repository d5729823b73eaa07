//! The engine's thread: it receives, feeds, drains, and sleeps to the engine's own deadline.

use crate::engine::{Input, Logged, Machine, Output, StopReason};
use crate::outcome::Cause;
use crate::record::Record;
use crate::shell::arrivals::{Arrivals, Inbox, InboxEnd, Message};
use crate::shell::clock::{Clock, wake_sharply};
use crate::shell::keep::{Hand, Keep};
use crate::shell::last_resort::EngineGuard;
use crate::shell::on_panic;
use crate::shell::operator::Asked;
use crate::shell::planted;
use crate::shell::port::{Handle, WRITE_WITHIN, WriteError};
use crate::shell::priority::{Place, take};
use crate::shell::progress::Teller;
use crate::time::Instant;
use std::collections::VecDeque;
use std::sync::mpsc::Sender;
use std::thread::JoinHandle;
use std::time::Duration;

/// What the engine's thread needs.
#[derive(Debug)]
pub struct Drive<M> {
    /// The engine with its log.
    pub machine: Logged<M>,
    /// The run's clock.
    pub clock: Clock,
    /// Where inputs of other threads come from.
    pub inbox: InboxEnd,
    /// One handle per link of the plan, in its order, to write to.
    pub links: Vec<Handle>,
    /// And one to read from.
    pub read_from: Vec<Handle>,
    /// To the recorder; never waited for.
    pub keep: Hand,
    /// To the terminal; never waited for.
    pub teller: Teller,
    /// Questions to the operator.
    pub asks: Sender<Asked>,
    /// Whether keys are wanted.
    pub listen: Sender<bool>,
    /// Held until the engine has settled.
    pub guard: EngineGuard,
}

/// How the engine ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settled {
    /// As far as the engine knows.
    pub cause: Cause,
    /// In words.
    pub why: String,
    /// When, on the run's clock.
    pub at: Instant,
}

impl<M: Machine> Drive<M> {
    /// Runs the engine to its end. `None`: the last-resort stop has taken over, and nothing more was
    /// put out.
    pub fn run(self) -> Option<Settled> {
        wake_sharply();
        // Whether that is allowed was looked at, and said, before the run.
        take(Place::Engine);
        let _first = self.guard.fire_on_panic();
        let links = self.links.into_iter().map(|handle| Line { handle, lost: false }).collect();
        let mut turn = Turn {
            machine: self.machine,
            clock: self.clock,
            links,
            keep: self.keep,
            unkept: false,
            teller: self.teller,
            asks: self.asks,
            listen: self.listen,
            last: Instant::ZERO,
            deadline: None,
            lost: VecDeque::new(),
        };
        let mut arrivals = Arrivals::new(self.inbox, self.read_from);
        let mut next = Some(Message { at: Instant::ZERO, input: Input::Deadline });
        loop {
            self.guard.beat();
            planted::panic_if_asked("engine");
            if self.guard.fired() {
                return None;
            }
            if let Some(settled) = next.take().and_then(|message| turn.feed(message, &self.guard)) {
                return self.guard.settled().then_some(settled);
            }
            next = turn.lost.pop_front().or_else(|| arrivals.next(&turn.clock, turn.deadline));
        }
    }
}

#[derive(Debug)]
struct Line {
    handle: Handle,
    /// Once a link has taken no bytes it is tried without waiting: stop frames may still get through.
    lost: bool,
}

#[derive(Debug)]
struct Turn<M> {
    machine: Logged<M>,
    clock: Clock,
    links: Vec<Line>,
    keep: Hand,
    /// Whether a stop was demanded because the recorder is too far behind.
    unkept: bool,
    teller: Teller,
    asks: Sender<Asked>,
    listen: Sender<bool>,
    last: Instant,
    deadline: Option<Instant>,
    lost: VecDeque<Message>,
}

impl<M: Machine> Turn<M> {
    /// Feeds one input and does what comes out; the end if that came out.
    fn feed(&mut self, message: Message, guard: &EngineGuard) -> Option<Settled> {
        if matches!(message.input, Input::Deadline) {
            self.deadline = None;
        }
        self.last = self.last.max(message.at);
        let step = self.machine.handle(self.last, message.input);
        let mut end = None;
        // Bytes go out first: whatever else comes out of this input can wait for a few microseconds.
        for (_, output) in &step.outputs {
            if let Output::Send { link, bytes } = output {
                if guard.fired() {
                    return None;
                }
                self.send(*link, bytes);
            }
        }
        if let Some(input) = self.machine.take_refusal() {
            // Before anything that has come meanwhile: what is refused must not be driven.
            self.lost.push_front(Message { at: self.last, input });
        }
        self.keep.over(Keep::Input(step.input));
        if !self.unkept
            && let Some(why) = self.keep.too_far_behind(self.last)
        {
            self.unkept = true;
            self.lost.push_back(Message { at: self.last, input: Input::Stop(why) });
        }
        for (seq, output) in step.outputs {
            match output {
                Output::Send { .. } => {}
                Output::Record(record) => self.record(seq.unwrap_or_default(), record),
                Output::WakeAt(at, _) => self.deadline = Some(at),
                Output::AskValue { id, ask, unit } => {
                    // As for questions: the engine's own deadline ends what nobody answers.
                    let _ = self.asks.send(Asked { id, ask, unit: Some(unit) });
                }
                Output::Ask { id, ask } => {
                    // Without anybody to ask, the question stays open and the operator may stop.
                    let _ = self.asks.send(Asked { id, ask, unit: None });
                }
                Output::Listen { on } => {
                    // Without anybody who reads keys the engine hands nothing over.
                    let _ = self.listen.send(on);
                }
                Output::Finished { cause, why } => end = Some(Settled { cause, why, at: self.last }),
            }
        }
        end
    }

    fn record(&mut self, seq: u64, record: Record) {
        self.teller.tell(&record);
        self.keep.over(Keep::Record(seq, record));
    }

    fn send(&mut self, link: usize, bytes: &[u8]) {
        let line = &mut self.links[link];
        let within = if line.lost { Duration::ZERO } else { WRITE_WITHIN };
        let (held, error) = match line.handle.put(bytes, within) {
            Ok(held) => (held, None),
            Err(error) => (matches!(error, WriteError::Blocked { .. }), Some(error)),
        };
        if held {
            // What is late after this is late for the port's sake.
            let input = Input::PortHeld { link };
            self.lost.push_back(Message { at: self.clock.now(), input });
        }
        if let Some(error) = error.filter(|_| !line.lost) {
            line.lost = true;
            let input = Input::LinkLost { link, why: WriteError::to_string(&error) };
            self.lost.push_back(Message { at: self.clock.now(), input });
        }
    }
}

/// Starts a thread whose panic becomes a stop: an orderly one, since the engine is still alive. The stop is demanded
/// before the panic's message is printed.
///
/// # Errors
/// The system starts no more threads.
pub fn spawn_watched(
    name: &str,
    clock: Clock,
    inbox: Inbox,
    work: impl FnOnce() + Send + 'static,
) -> std::io::Result<JoinHandle<()>> {
    let who = name.to_string();
    std::thread::Builder::new().name(who.clone()).spawn(move || {
        let _first = on_panic::first(move || {
            let why = StopReason::Trouble(format!("panic in the thread `{who}`"));
            // An engine that is gone needs no stop any more.
            let _ = inbox.send(Message { at: clock.now(), input: Input::Stop(why) });
        });
        // The stop is demanded by now; nothing is left to do with the panic.
        let _ = std::panic::catch_unwind(std::panic::AssertUnwindSafe(work));
    })
}
