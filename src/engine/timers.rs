//! Named deadlines. The trace says which one fired.

use super::Timer;
use crate::time::Instant;

/// The deadlines that are set.
#[derive(Debug, Default)]
pub(super) struct Timers {
    set: Vec<(Timer, Instant)>,
}

impl Timers {
    /// Sets a deadline, in place of the one of the same name.
    pub(super) fn set(&mut self, timer: Timer, at: Instant) {
        match self.set.iter_mut().find(|(t, _)| *t == timer) {
            Some((_, old)) => *old = at,
            None => self.set.push((timer, at)),
        }
    }

    /// Sets a deadline or clears it.
    pub(super) fn set_or_clear(&mut self, timer: Timer, at: Option<Instant>) {
        match at {
            Some(at) => self.set(timer, at),
            None => self.clear(timer),
        }
    }

    /// Clears a deadline.
    pub(super) fn clear(&mut self, timer: Timer) {
        self.set.retain(|(t, _)| *t != timer);
    }

    /// The earliest deadline; of several at one moment the first by name.
    pub(super) fn next(&self) -> Option<(Instant, Timer)> {
        self.set.iter().map(|(timer, at)| (*at, *timer)).min()
    }

    /// The earliest moment among the deadlines that match.
    pub(super) fn first(&self, which: impl Fn(Timer) -> bool) -> Option<Instant> {
        self.set.iter().filter(|(timer, _)| which(*timer)).map(|(_, at)| *at).min()
    }

    /// Takes the earliest deadline that is due, with the moment it was set for.
    pub(super) fn take_due(&mut self, now: Instant) -> Option<(Instant, Timer)> {
        let due = self.next().filter(|(at, _)| *at <= now)?;
        self.clear(due.1);
        Some(due)
    }
}
