//! Watching: the drive is never enabled, and the shaft is watched at rest or while a person turns it. The pre-checks
//! held before it as before driving, and every trip counts.

use super::State;
use super::Timer;
use super::core::{Core, Notice};
use super::guard::Firing;
use super::winding::WindingDown;
use crate::record::What;
use crate::time::{Duration, Instant};

/// Watching a test whose torque stays off.
#[derive(Debug)]
pub(super) struct Watching {
    test: usize,
    since: Instant,
    segment: usize,
}

impl Watching {
    /// Begins the first segment. Who calls has redeemed the proof of the pre-checks.
    pub(super) fn begin(core: &mut Core, now: Instant, test: usize) -> State {
        let state = Watching { test, since: now, segment: 0 };
        state.begin_segment(core, now);
        State::Watching(state)
    }

    fn begin_segment(&self, core: &mut Core, now: Instant) {
        let plan = core.plan.clone();
        let (test, segment) = (self.test, self.segment);
        let planned = &plan.tests[test];
        core.event(now, What::SegmentBegan { test, segment });
        for (_, ask) in planned.asks.iter().filter(|(at, _)| *at == segment) {
            let id = planned.profile.segments[segment].name.clone();
            core.event(now, What::OperatorStep { test, id, ask: ask.clone() });
        }
        let wanted = planned.bursts.iter().filter(|(_, over)| over.is_none_or(|s| s == segment));
        core.take_bursts(now, &wanted.map(|(burst, _)| *burst).collect::<Vec<usize>>());
        let end = planned.profile.segments[segment].corners.last().map_or(Duration::ZERO, |(t, _)| *t);
        core.timers.set(Timer::Profile, self.since + end);
    }

    pub(super) fn on(mut self, core: &mut Core, now: Instant, notice: Notice) -> State {
        match notice {
            Notice::Row { .. } => match on_by_itself(core, now) {
                Some(firing) => WindingDown::tripped(core, now, self.test, firing),
                None => State::Watching(self),
            },
            Notice::Due(Timer::Profile) => {
                self.segment += 1;
                if self.segment < core.plan.tests[self.test].profile.segments.len() {
                    self.begin_segment(core, now);
                    return State::Watching(self);
                }
                core.event(now, What::ProfileEnded { test: self.test });
                WindingDown::begin(core, now, Some(self.test), None)
            }
            Notice::Fired(firing) => WindingDown::tripped(core, now, self.test, firing),
            Notice::Ends(cause, why) => WindingDown::begin(core, now, Some(self.test), Some((cause, why))),
            Notice::Started
            | Notice::Reply { .. }
            | Notice::Failed { .. }
            | Notice::RowLost
            | Notice::Due(_)
            | Notice::Typed { .. }
            | Notice::Listening { .. }
            | Notice::Key(_)
            | Notice::Answer { .. } => State::Watching(self),
        }
    }
}

/// A drive that is on although this engine never enabled it.
pub(super) fn on_by_itself(core: &Core, now: Instant) -> Option<Firing> {
    let (state, _) = core.state.filter(|(state, _)| state.may_drive())?;
    let found = format!("the drive is `{}`, and nobody enabled it", state.words());
    Some(Firing { trip: "drive state".into(), found, sampled: now })
}
