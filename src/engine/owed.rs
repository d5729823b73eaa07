//! Replies that are still owed: to requests that were given up, overtaken by a stop frame, or answered by a line that was no
//! reply. Each of them may still come, and must not be taken for the reply to the next request.

use super::link::{Purpose, expectation};
use crate::plan::Plan;
use crate::time::Instant;

/// One reply that may still come.
#[derive(Debug, Clone, Copy)]
pub(super) struct Debt {
    pub purpose: Purpose,
    /// When its request was sent.
    pub sent: Instant,
    /// Nobody waits for it any longer than this.
    until: Instant,
}

/// The replies that are owed on one link, one entry for each request: two of one shape may come.
#[derive(Debug, Default)]
pub(super) struct Owed(Vec<Debt>);

impl Owed {
    /// Notes that the reply to a request may come until a moment; nothing is owed where none is expected.
    pub(super) fn add(&mut self, plan: &Plan, link: usize, purpose: Purpose, sent: Instant, until: Instant) {
        if expectation(plan, link, purpose).is_some() {
            self.0.push(Debt { purpose, sent, until });
        }
    }

    /// The oldest debt that a line fits and that `may` be meant: by its index, and when its request was sent.
    pub(super) fn oldest(
        &self,
        plan: &Plan,
        link: usize,
        line: &[u8],
        may: impl Fn(Purpose) -> bool,
    ) -> Option<(usize, Instant)> {
        let fits = |debt: &Debt| {
            may(debt.purpose) && expectation(plan, link, debt.purpose).is_some_and(|e| e.fits(line))
        };
        let fitting = self.0.iter().enumerate().filter(|(_, debt)| fits(debt));
        fitting.map(|(index, debt)| (index, debt.sent)).min_by_key(|(_, sent)| *sent)
    }

    /// The reply has come.
    pub(super) fn settle(&mut self, index: usize) {
        self.0.remove(index);
    }

    /// Forgets what did not come in its time. Until a request is sent they are kept: what comes then is known as late.
    pub(super) fn forget(&mut self, now: Instant) {
        self.0.retain(|debt| debt.until > now);
    }

    pub(super) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Until when a request must wait, if its reply could not be told from one that is owed. An acknowledgement of a stop frame that
    /// cannot be taken for the reply holds nothing up: what proves the stop must not wait for a board that acknowledges none.
    pub(super) fn holds(&self, plan: &Plan, link: usize, purpose: Purpose, now: Instant) -> Option<Instant> {
        let passes = |debt: &Debt| {
            matches!(debt.purpose, Purpose::Stop(_)) && tells_apart(plan, link, debt.purpose, purpose)
        };
        self.0.iter().filter(|debt| debt.until > now && !passes(debt)).map(|debt| debt.until).max()
    }

    /// Until when anything is owed.
    pub(super) fn until(&self, now: Instant) -> Option<Instant> {
        self.0.iter().map(|debt| debt.until).filter(|until| *until > now).max()
    }
}

/// Whether the acknowledgement of a stop frame, which must be one fixed text, can be told from the reply to another request.
pub(super) fn tells_apart(plan: &Plan, link: usize, stop: Purpose, other: Purpose) -> bool {
    let Purpose::Stop(index) = stop else { return false };
    let Some(pattern) = plan.stop.frames[index].expect.as_ref() else { return true };
    let fixed = pattern.fields().is_empty();
    fixed && expectation(plan, link, other).is_some_and(|e| !e.fits(pattern.text().as_bytes()))
}
