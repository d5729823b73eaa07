//! The watch with the gates on: enabled by the proof of the first watch, at the demand's rest value, nothing told to turn.
//! What holds throughout gives the leave without which no profile is driven.

use super::super::core::Core;
use super::Windows;
use super::closer::Closer;
use crate::plan::When;
use crate::time::{Duration, Instant};

/// Leave to drive the profile. Made only here, used once.
#[derive(Debug)]
pub(in crate::engine) struct Leave(());

/// Watching, the gates on.
#[derive(Debug)]
pub(in crate::engine) struct Quiet {
    since: Instant,
    closer: Closer,
}

impl Quiet {
    /// Begins the watch of a drive that is enabled; when it is over, if the rig has one at all.
    pub(in crate::engine) fn begin(core: &Core, now: Instant) -> (Quiet, Duration) {
        let length = core.plan.ready.quiet.map_or(Duration::ZERO, |q| q.settle + q.observe);
        (Quiet { since: now, closer: Closer::new(core, vec![When::GatesOn]) }, length)
    }

    /// Takes a row; one asked for before the gates were on says nothing.
    pub(in crate::engine) fn row(&mut self, core: &Core, group: usize, asked: Instant) {
        if asked >= self.since {
            self.closer.row(core, group, asked - self.since);
        }
    }

    /// The watch is over: leave, or why not. What the first watch proved must `still` hold.
    pub(in crate::engine) fn conclude(
        self,
        core: &mut Core,
        now: Instant,
        test: usize,
        still: &Windows,
    ) -> Result<Leave, String> {
        let mut refused = self.closer.conclude(core, now, test);
        refused.extend(still.no_longer_hold(core));
        if refused.is_empty() { Ok(Leave(())) } else { Err(refused.join("; ")) }
    }
}
