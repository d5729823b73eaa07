//! The engine's thread: it receives, feeds, drains, and sleeps to the engine's own deadline.

use crate::engine::{Engine, Input, Logged, Output, Step, StopReason};
use crate::outcome::Cause;
use crate::record::{LoggedInput, Record};
use crate::shell::clock::{Clock, wake_sharply};
use crate::shell::keep::Keep;
use crate::shell::last_resort::EngineGuard;
use crate::shell::operator::Asked;
use crate::shell::port::{Handle, WRITE_WITHIN, WriteError};
use crate::shell::progress::Teller;
use crate::time::Instant;
use sha2::{Digest, Sha256};
use std::collections::VecDeque;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender};
use std::thread::JoinHandle;
use std::time::Duration;

/// The longest sleep, so that the last-resort thread hears a beat.
const SLEEP_MAX: Duration = Duration::from_millis(100);

/// An input and the moment it came.
#[derive(Debug)]
pub struct Message {
    /// When it came.
    pub at: Instant,
    /// What came.
    pub input: Input,
}

/// Where everything for the engine goes.
pub type Inbox = Sender<Message>;

/// What the shell drives: the engine, or a stand-in of its shape.
pub trait Machine: Send {
    /// Takes one input; `now` never goes back.
    fn handle(&mut self, now: Instant, input: Input);
    /// The next thing to do, if any.
    fn poll(&mut self) -> Option<Output>;
}

impl Machine for Engine {
    fn handle(&mut self, now: Instant, input: Input) {
        Engine::handle(self, now, input);
    }
    fn poll(&mut self) -> Option<Output> {
        Engine::poll(self)
    }
}

/// A machine that keeps account of its inputs.
pub trait Accounted: Send {
    /// Hands in one input and drains the outputs.
    fn step(&mut self, now: Instant, input: Input) -> Step;
}

impl Accounted for Logged {
    fn step(&mut self, now: Instant, input: Input) -> Step {
        self.handle(now, input)
    }
}

/// A machine whose inputs and records share one run-wide numbering, for machines that keep no
/// account themselves.
#[derive(Debug)]
pub struct Numbered<M> {
    machine: M,
    next: u64,
}

impl<M: Machine> Numbered<M> {
    /// Counts from 0.
    pub fn new(machine: M) -> Numbered<M> {
        Numbered { machine, next: 0 }
    }

    fn number(&mut self) -> u64 {
        let number = self.next;
        self.next += 1;
        number
    }
}

impl<M: Machine> Accounted for Numbered<M> {
    fn step(&mut self, now: Instant, input: Input) -> Step {
        let (kind, link, payload) = flatten(&input);
        let seq = self.number();
        self.machine.handle(now, input);
        let mut hash = Sha256::new();
        let mut outputs = Vec::new();
        while let Some(output) = self.machine.poll() {
            hash.update(format!("{output:?}\n"));
            let seq = matches!(output, Output::Record(_)).then(|| self.number());
            outputs.push((seq, output));
        }
        let hash = hash.finalize();
        let first = hash.iter().take(8).fold(0, |sum, byte| sum << 8 | u64::from(*byte));
        Step { input: LoggedInput { seq, at: now, kind, link, payload, outputs: first }, outputs }
    }
}

/// Kind, link and payload of an input as [`LoggedInput`] keeps them.
fn flatten(input: &Input) -> (u8, u16, Vec<u8>) {
    let narrow = |link: usize| u16::try_from(link).unwrap_or(u16::MAX);
    match input {
        Input::Bytes { link, bytes } => (0, narrow(*link), bytes.clone()),
        Input::LinkLost { link, why } => (1, narrow(*link), why.clone().into_bytes()),
        Input::Deadline => (2, 0, Vec::new()),
        Input::Stop(StopReason::Operator(why)) => (3, 0, format!("operator\n{why}").into_bytes()),
        Input::Stop(StopReason::Trouble(why)) => (3, 0, format!("trouble\n{why}").into_bytes()),
        Input::Typed { id, text, by, .. } => (5, 0, format!("{id}\n{by}\n{text}").into_bytes()),
        Input::Answer { id, yes, by, .. } => {
            (4, 0, format!("{id}\n{}\n{by}", if *yes { "yes" } else { "no" }).into_bytes())
        }
    }
}

/// What the engine's thread needs.
#[derive(Debug)]
pub struct Drive<A> {
    /// The engine with its log.
    pub machine: A,
    /// The run's clock.
    pub clock: Clock,
    /// Where inputs come from.
    pub inbox: Receiver<Message>,
    /// One handle per link of the plan, in its order.
    pub links: Vec<Handle>,
    /// To the recorder; never waited for.
    pub keep: Sender<Keep>,
    /// To the terminal; never waited for.
    pub teller: Teller,
    /// Questions to the operator.
    pub asks: Sender<Asked>,
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
}

impl<A: Accounted> Drive<A> {
    /// Runs the engine to its end. `None`: the last-resort stop has taken over, and nothing more was
    /// put out.
    pub fn run(self) -> Option<Settled> {
        wake_sharply();
        self.guard.fire_on_panic();
        let links = self.links.into_iter().map(|handle| Line { handle, lost: false }).collect();
        let mut turn = Turn {
            machine: self.machine,
            clock: self.clock,
            links,
            keep: self.keep,
            teller: self.teller,
            asks: self.asks,
            last: Instant::ZERO,
            deadline: None,
            lost: VecDeque::new(),
        };
        let mut arrivals = Arrivals { inbox: self.inbox, held: None, closed: false };
        let mut next = Some(Message { at: Instant::ZERO, input: Input::Deadline });
        loop {
            self.guard.beat();
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

/// The inbox, looked at in the order in which things happened.
#[derive(Debug)]
struct Arrivals {
    inbox: Receiver<Message>,
    held: Option<Message>,
    closed: bool,
}

impl Arrivals {
    /// The next input: a message, or the deadline once it has come. What came before the deadline
    /// goes first even if the thread woke late; what came after it waits for it. So no flood of
    /// messages puts a deadline off. `None` after a sleep without either.
    fn next(&mut self, clock: &Clock, deadline: Option<Instant>) -> Option<Message> {
        if self.held.is_none() {
            self.held = self.inbox.try_recv().ok();
        }
        let now = clock.now();
        let due = deadline.filter(|at| *at <= now);
        match (self.held.take(), due) {
            (Some(message), Some(at)) if message.at > at => {
                self.held = Some(message);
                Some(Message { at: now, input: Input::Deadline })
            }
            (Some(message), _) => Some(message),
            (None, Some(_)) => Some(Message { at: now, input: Input::Deadline }),
            (None, None) => {
                self.sleep(clock, deadline.map_or(SLEEP_MAX, |at| clock.until(at).min(SLEEP_MAX)))
            }
        }
    }

    fn sleep(&mut self, clock: &Clock, longest: Duration) -> Option<Message> {
        if self.closed {
            std::thread::sleep(longest);
            return None;
        }
        match self.inbox.recv_timeout(longest) {
            Ok(message) => {
                self.held = Some(message);
                None
            }
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => {
                self.closed = true;
                let why = "the rest of the program is gone".to_string();
                Some(Message { at: clock.now(), input: Input::Stop(StopReason::Trouble(why)) })
            }
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
struct Turn<A> {
    machine: A,
    clock: Clock,
    links: Vec<Line>,
    keep: Sender<Keep>,
    teller: Teller,
    asks: Sender<Asked>,
    last: Instant,
    deadline: Option<Instant>,
    lost: VecDeque<Message>,
}

impl<A: Accounted> Turn<A> {
    /// Feeds one input and does what comes out; the end if that came out.
    fn feed(&mut self, message: Message, guard: &EngineGuard) -> Option<Settled> {
        if matches!(message.input, Input::Deadline) {
            self.deadline = None;
        }
        self.last = self.last.max(message.at);
        let step = self.machine.step(self.last, message.input);
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
        // A recorder that is gone has said so by itself, as a stop.
        let _ = self.keep.send(Keep::Input(step.input));
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
                Output::Finished { cause, why } => end = Some(Settled { cause, why }),
            }
        }
        end
    }

    fn record(&mut self, seq: u64, record: Record) {
        self.teller.tell(&record);
        let _ = self.keep.send(Keep::Record(seq, record));
    }

    fn send(&mut self, link: usize, bytes: &[u8]) {
        let line = &mut self.links[link];
        let within = if line.lost { Duration::ZERO } else { WRITE_WITHIN };
        let Err(error) = line.handle.write_all(bytes, within) else {
            return;
        };
        if !line.lost {
            line.lost = true;
            let input = Input::LinkLost { link, why: WriteError::to_string(&error) };
            self.lost.push_back(Message { at: self.clock.now(), input });
        }
    }
}

/// Starts a thread whose panic becomes a stop: an orderly one, since the engine is still alive.
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
        if std::panic::catch_unwind(std::panic::AssertUnwindSafe(work)).is_err() {
            let why = StopReason::Trouble(format!("panic in the thread `{who}`"));
            // An engine that is gone needs no stop any more.
            let _ = inbox.send(Message { at: clock.now(), input: Input::Stop(why) });
        }
    })
}
