//! Silence: no demand is sent while the polls go on, and the controller's own command timeout must take the torque
//! off. A controller that goes on driving is stopped by frames at once.

use super::State;
use super::Timer;
use super::core::{Core, Notice};
use super::guard::Firing;
use super::winding::WindingDown;
use crate::outcome::Cause;
use crate::record::What;
use crate::states::DriveState;
use crate::time::Instant;

/// Waiting for the controller to switch itself off, in the last segment of a test.
#[derive(Debug)]
pub(super) struct Silent {
    test: usize,
    /// Since when no demand has been sent.
    began: Instant,
}

impl Silent {
    /// Sends no demand from now on, the pump's neither: an engine that hangs sends none of them.
    pub(super) fn begin(core: &mut Core, now: Instant, test: usize, segment: usize) -> State {
        core.event(now, What::SegmentBegan { test, segment });
        core.take_bursts(now, &[]);
        for demand in 0..core.plan.demands.len() {
            core.stop_heartbeat(demand);
        }
        let length = core.plan.tests[test].profile.segments[segment].length();
        core.timers.set(Timer::Profile, now + length);
        State::Silent(Silent { test, began: now })
    }

    pub(super) fn on(self, core: &mut Core, now: Instant, notice: Notice) -> State {
        match notice {
            Notice::Row { .. } => self.look(core, now),
            Notice::Due(Timer::Profile) => {
                let found = format!(
                    "the drive is {} {} after the last demand, its command timeout is {}",
                    core.state.map_or("in no known state".into(), |(s, _)| format!("`{}`", s.words())),
                    now - self.began,
                    core.plan.drive.command_timeout,
                );
                self.trip(core, now, Firing { trip: "command timeout".into(), found, sampled: now })
            }
            Notice::Fired(firing) => self.trip(core, now, firing),
            Notice::Ends(cause, why) => self.end(core, now, Some((cause, why))),
            Notice::Started
            | Notice::Reply { .. }
            | Notice::Failed { .. }
            | Notice::RowLost
            | Notice::Due(_)
            | Notice::Typed { .. }
            | Notice::Listening { .. }
            | Notice::Key(_)
            | Notice::Answer { .. } => State::Silent(self),
        }
    }

    /// A row came in: has the drive switched itself off? Only a state asked for after the last demand tells.
    fn look(self, core: &mut Core, now: Instant) -> State {
        let Some((state, _)) = core.state.filter(|(s, asked)| !s.may_drive() && *asked > self.began) else {
            return State::Silent(self);
        };
        if let Some(found) = core.took_off.off_too_soon(&core.plan) {
            return self.trip(core, now, Firing { trip: "command timeout".into(), found, sampled: now });
        }
        let found = format!("the drive is `{}` {} after the last demand", state.words(), now - self.began);
        core.event(now, What::SwitchedOff { test: self.test, found });
        core.event(now, What::ProfileEnded { test: self.test });
        let ended = self.end(core, now, None);
        // A board whose command timeout ends in `fault` is left there by it: its stop is no fault of its own.
        if state == DriveState::Fault {
            core.took_off.expect_fault();
        }
        ended
    }

    fn trip(self, core: &mut Core, now: Instant, firing: Firing) -> State {
        let state = WindingDown::tripped(core, now, self.test, firing);
        core.tell_pumps(now);
        state
    }

    /// The stop, by frames, whatever the controller did by itself; the pump is told again.
    fn end(self, core: &mut Core, now: Instant, cause: Option<(Cause, String)>) -> State {
        let state = WindingDown::begin(core, now, Some(self.test), cause);
        core.tell_pumps(now);
        state
    }
}
