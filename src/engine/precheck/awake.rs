//! A watch in which this computer stood still shows nothing of the link: it begins again, a few times, before it refuses.

use super::{LINK_QUALITY, PreChecking, State};
use crate::engine::core::Core;
use crate::engine::lateness::Suspect;
use crate::outcome::Cause;
use crate::plan::Plan;
use crate::record::{What, stood_still};
use crate::time::Instant;

/// How often a watch may begin again: a computer that stands still in each of four is no computer to drive a machine from.
const AGAIN_MAX: u32 = 3;

/// What a watch knows of its own computer.
#[derive(Debug, Default)]
pub(super) struct Awake {
    again: u32,
    /// Replies that took longer than allowed: asked for and handled.
    slow: Vec<(Instant, Instant)>,
}

impl Awake {
    /// A watch begins.
    pub(super) fn begin(&mut self) {
        self.slow.clear();
    }

    /// A reply to a poll came.
    pub(super) fn row(&mut self, plan: &Plan, asked: Instant, now: Instant) {
        if now - asked > plan.ready.round_trip_max {
            self.slow.push((asked, now));
        }
    }

    pub(super) fn may_watch_again(&self) -> bool {
        self.again < AGAIN_MAX
    }
}

impl PreChecking {
    /// Whether the link would have been good enough had nobody of ours stood still.
    pub(super) fn link_is_excused(&self, core: &Core, now: Instant) -> bool {
        let ready = &core.plan.ready;
        // A watch for most of which nobody of ours was there has shown nothing.
        if self.rows == self.lost {
            return core.late.stood(self.since, now) * 2 >= now - self.since;
        }
        let slow = self.awake.slow.iter().filter(|(asked, _)| *asked >= self.since);
        let excused =
            |(asked, now): &(Instant, Instant)| core.late.excuses(*asked, *now, ready.round_trip_max);
        let Some((_, unexcused)) = core.late.losses_since(self.since, ready.round_trip_max) else {
            return false;
        };
        let loss = f64::from(unexcused) / f64::from(self.rows.max(1));
        self.rows > self.lost && loss <= ready.loss_max && slow.clone().all(excused)
    }

    /// Watches afresh: nothing of the watch before counts.
    pub(super) fn watch_again(mut self, core: &mut Core, now: Instant) -> State {
        self.awake.again += 1;
        let longest = core.late.longest(self.since, now);
        let why =
            longest.map_or_else(String::new, |s| stood_still(s.process, s.from.micros(), s.to.micros()));
        core.event(now, What::Note { text: format!("{why}: the watch of the pre-checks begins again") });
        // What this computer lost says nothing of the line.
        (self.rows, self.lost, self.round_trip_max) = (0, 0, crate::time::Duration::ZERO);
        self.watch(core, now);
        State::PreChecking(self)
    }

    /// Refuses what this computer may be to blame for, or watches again.
    pub(super) fn refuse_late(
        self,
        core: &mut Core,
        now: Instant,
        name: &str,
        explained: bool,
        why: String,
    ) -> State {
        if explained && self.awake.may_watch_again() {
            return self.watch_again(core, now);
        }
        if explained && name == LINK_QUALITY {
            core.late.suspect(name, Suspect::Replies { since: self.since });
        }
        core.late.refused(name);
        self.end(core, now, Cause::Refused, why)
    }
}
