//! The engine: a pure state machine. One input, then drain the outputs; the time is an argument.

mod again;
mod against;
mod asking;
mod believed;
mod burst;
mod coasting;
mod core;
mod driving;
mod fall;
mod frozen;
mod guard;
mod hand;
mod identify;
mod lateness;
mod link;
mod logged;
mod no_current;
mod operating;
mod owed;
mod power;
mod precheck;
mod proving;
mod reading;
mod rest;
mod rested;
mod rows;
mod silent;
mod slowing;
mod standing;
mod timers;
mod took_off;
mod unseen;
mod watching;
mod winding;

use self::coasting::Coasting;
use self::core::{Core, Notice};
use self::driving::Driving;
pub use self::hand::MARK_KEY;
use self::identify::Identifying;
use self::operating::Operating;
use self::precheck::PreChecking;
use self::proving::Proving;
use self::silent::Silent;
use self::watching::Watching;
use self::winding::WindingDown;
use crate::outcome::Cause;
use crate::plan::Plan;
use crate::record::Record;
use crate::time::Instant;
pub use logged::{Difference, Gate, Logged, Machine, Step, replay, replay_with, same};
use std::sync::Arc;

/// What happens to the engine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Input {
    /// Bytes came in on a link.
    Bytes {
        /// Index of the link.
        link: usize,
        /// As they came: split, merged, late.
        bytes: Vec<u8>,
    },
    /// A link is gone.
    LinkLost {
        /// Index of the link.
        link: usize,
        /// Why.
        why: String,
    },
    /// The moment asked for by [`Output::WakeAt`] has come (or any later one).
    Deadline,
    /// Stop, now.
    Stop(StopReason),
    /// The operator typed what a meter shows.
    Typed {
        /// Operator step id.
        id: String,
        /// As typed.
        text: String,
        /// Who typed it, as for answers.
        by: String,
        /// Whether a person did.
        person: bool,
    },
    /// Keys are read from here on, as asked for by [`Output::Listen`].
    Listening {
        /// Where: "at the terminal", "rehearsed".
        by: String,
        /// Whether a person can press them.
        person: bool,
    },
    /// The twin that runs on this computer did nothing from a moment on until another, as it says.
    TwinStoodStill {
        /// From when.
        from: Instant,
        /// Until when.
        to: Instant,
    },
    /// A port took no bytes until now and kept this program waiting: lateness that is the link's.
    PortHeld {
        /// Index of the link.
        link: usize,
    },
    /// A key was pressed.
    Key {
        /// Its byte, or the first of several.
        key: u8,
    },
    /// The operator answered a question.
    Answer {
        /// Question id.
        id: String,
        /// Whether yes.
        yes: bool,
        /// Who answered: "at the terminal", "answers file of ...", "assumed: simulated".
        by: String,
        /// Whether a person did; an answer assumed for a simulated rig confirms nothing.
        person: bool,
    },
}

/// Why a stop is demanded from outside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum StopReason {
    /// The operator: Ctrl-C, SIGTERM, SIGHUP; in words.
    Operator(String),
    /// The runner itself cannot go on: recorder full, panic elsewhere; in words.
    Trouble(String),
    /// The runner refuses what the controller has said of itself, before anything is driven; in words.
    Refused(String),
}

/// A named deadline; the trace says which one fired.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Timer {
    /// The next poll of a group.
    Poll(usize),
    /// A reply is overdue on a link.
    Reply(usize),
    /// The next demand frame.
    Heartbeat(usize),
    /// A step of enabling must have reached its state.
    Step,
    /// The pre-check's watch is over.
    Watch,
    /// The profile's next segment or its end.
    Profile,
    /// A burst should be whole.
    Burst,
    /// A channel gets stale.
    Stale,
    /// The next stop frame.
    StopFrame,
    /// A stage of the safe state must be reached.
    Stage,
}

/// What the engine wants done, in order.
#[derive(Debug, Clone, PartialEq)]
pub enum Output {
    /// Put these bytes on a link.
    Send {
        /// Index of the link.
        link: usize,
        /// All of them, in one go.
        bytes: Vec<u8>,
    },
    /// Keep this.
    Record(Record),
    /// Hand in [`Input::Deadline`] at this moment; replaces the one before.
    WakeAt(Instant, Timer),
    /// Put this question to the operator.
    Ask {
        /// Question id.
        id: String,
        /// The question.
        ask: String,
    },
    /// Have the operator type what a meter shows.
    AskValue {
        /// Operator step id.
        id: String,
        /// What is asked.
        ask: String,
        /// Unit of the value.
        unit: String,
    },
    /// Read keys from here on, or no more.
    Listen {
        /// Whether to.
        on: bool,
    },
    /// It is over; nothing follows.
    Finished {
        /// As far as the engine knows: criteria come later.
        cause: Cause,
        /// In words.
        why: String,
    },
}

/// The engine.
#[derive(Debug)]
pub struct Engine {
    core: Core,
    state: State,
    notices: Vec<Notice>,
}

/// The states. Each consumes itself: what it was is gone when the next begins.
#[derive(Debug)]
enum State {
    Idle,
    Identifying(Identifying),
    Operating(Operating),
    PreChecking(PreChecking),
    Driving(Driving),
    Coasting(Coasting),
    Silent(Silent),
    Proving(Proving),
    Watching(Watching),
    WindingDown(WindingDown),
    Settled,
}

impl Engine {
    /// An engine at rest; the first input (a [`Input::Deadline`] at zero) starts it.
    pub fn new(plan: Arc<Plan>) -> Engine {
        Engine { core: Core::new(plan), state: State::Idle, notices: Vec::new() }
    }

    /// Takes one input. Drain [`Engine::poll`] before the next. `now` never goes back.
    pub fn handle(&mut self, now: Instant, input: Input) {
        let mut notices = std::mem::take(&mut self.notices);
        if matches!(self.state, State::Idle) {
            self.state = State::Identifying(Identifying::new(&self.core));
            notices.push(Notice::Started);
        }
        if matches!(self.state, State::Settled) {
            return;
        }
        match input {
            Input::PortHeld { .. } => self.core.late.held(now),
            _ => self.core.look_at_lateness(now),
        }
        // Whatever came, what is overdue is overdue: a flood of bytes cannot put a deadline off.
        match input {
            Input::Bytes { link, bytes } => self.core.bytes(now, link, &bytes, &mut notices),
            Input::LinkLost { link, why } => self.core.link_lost(now, link, why, &mut notices),
            Input::Deadline | Input::PortHeld { .. } => {}
            Input::TwinStoodStill { from, to } => self.core.twin_stood_still(now, from, to),
            Input::Stop(StopReason::Operator(why)) => notices.push(Notice::Ends(Cause::Stopped, why)),
            Input::Stop(StopReason::Trouble(why)) => notices.push(Notice::Ends(Cause::NotMade, why)),
            Input::Stop(StopReason::Refused(why)) => notices.push(Notice::Ends(Cause::Refused, why)),
            Input::Typed { id, text, by, person } => notices.push(Notice::Typed { id, text, by, person }),
            Input::Listening { by, person } => notices.push(Notice::Listening { by, person }),
            Input::Key { key } => notices.push(Notice::Key(key)),
            Input::Answer { id, yes, by, person } => notices.push(Notice::Answer { id, yes, by, person }),
        }
        self.core.deadlines(now, &mut notices);
        for notice in notices.drain(..) {
            let state = std::mem::replace(&mut self.state, State::Settled);
            self.state = match state {
                State::Idle | State::Settled => State::Settled,
                State::Identifying(state) => state.on(&mut self.core, now, notice),
                State::Operating(state) => state.on(&mut self.core, now, notice),
                State::PreChecking(state) => state.on(&mut self.core, now, notice),
                State::Driving(state) => state.on(&mut self.core, now, notice),
                State::Coasting(state) => state.on(&mut self.core, now, notice),
                State::Silent(state) => state.on(&mut self.core, now, notice),
                State::Proving(state) => state.on(&mut self.core, now, notice),
                State::Watching(state) => state.on(&mut self.core, now, notice),
                State::WindingDown(state) => state.on(&mut self.core, now, notice),
            };
        }
        self.notices = notices;
        if !matches!(self.state, State::Settled) {
            self.core.settle(now);
        }
    }

    /// The next thing to do, if any.
    pub fn poll(&mut self) -> Option<Output> {
        self.core.out.pop_front()
    }
}
