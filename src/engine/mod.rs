//! The engine: a pure state machine. One input, then drain the outputs; the time is an argument.

use crate::outcome::Cause;
use crate::plan::Plan;
use crate::record::Record;
use crate::time::Instant;
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
    /// The operator answered a question.
    Answer {
        /// Question id.
        id: String,
        /// Whether yes.
        yes: bool,
        /// Who answered: "at the terminal", "answers file of ...", "assumed in rehearsal".
        by: String,
    },
}

/// Why a stop is demanded from outside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum StopReason {
    /// The operator: Ctrl-C, SIGTERM, SIGHUP; in words.
    Operator(String),
    /// The runner itself cannot go on: recorder full, panic elsewhere; in words.
    Trouble(String),
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
    /// A channel gets stale.
    Stale,
    /// A trip's `for` is over.
    Lasting,
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
    _plan: Arc<Plan>,
}

impl Engine {
    /// An engine at rest; the first input (a `Deadline` at zero) starts it.
    pub fn new(plan: Arc<Plan>) -> Engine {
        Engine { _plan: plan }
    }

    /// Takes one input. Drain [`Engine::poll`] before the next.
    pub fn handle(&mut self, now: Instant, input: Input) {
        let _ = (now, input);
        todo!()
    }

    /// The next thing to do, if any.
    pub fn poll(&mut self) -> Option<Output> {
        todo!()
    }
}
