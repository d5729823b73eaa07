//! Coasting: the torque is off, the pump stays on and the shaft runs down while it is watched. It goes the
//! same way as a stop, and like a stop it must be proved: by samples asked for after the last stop frame.

use super::State;
use super::Timer;
use super::against::{self, Evidence};
use super::core::{Core, Notice};
use super::guard::Firing;
use super::took_off::STOP_FRAME;
use super::winding::{Flows, Low, WindingDown, doubt_not_driven, proof_not_driven};
use crate::outcome::Cause;
use crate::plan::Shape;
use crate::record::What;
use crate::time::Instant;

/// Coasting, the last segment of a test.
#[derive(Debug)]
pub(super) struct Coasting {
    test: usize,
    segment: usize,
    below: Option<f64>,
    began: Instant,
    not_driven: bool,
    slow: Low,
    flows: Flows,
}

impl Coasting {
    /// Takes the torque off.
    pub(super) fn begin(core: &mut Core, now: Instant, test: usize, segment: usize) -> State {
        let plan = core.plan.clone();
        let segment_plan = &plan.tests[test].profile.segments[segment];
        let below = match segment_plan.shape {
            Shape::Coast { below } => below,
            _ => None,
        };
        core.event(now, What::SegmentBegan { test, segment });
        core.slowing = None;
        core.torque_off(now);
        core.timers.set(Timer::Profile, now + segment_plan.length());
        let (slow, flows) = (Low::default(), Flows::default());
        let (began, not_driven) = (now, false);
        State::Coasting(Coasting { test, segment, below, began, not_driven, slow, flows })
    }

    pub(super) fn on(self, core: &mut Core, now: Instant, notice: Notice) -> State {
        match notice {
            Notice::Row { group, .. } => {
                if let Err(why) = core.pulse_row(self.test, self.segment, group) {
                    return WindingDown::begin(core, now, Some(self.test), Some((Cause::Refused, why)));
                }
                self.look(core, now)
            }
            Notice::Due(Timer::StopFrame) => {
                if !self.not_driven {
                    core.repeat_stop(now);
                }
                State::Coasting(self)
            }
            Notice::Due(Timer::Stage) => {
                let found = format!("{} after {}", doubt_not_driven(core), now - self.began);
                WindingDown::tripped(
                    core,
                    now,
                    self.test,
                    Firing { trip: "torque off".into(), found, sampled: now },
                )
            }
            Notice::Due(Timer::Profile) => self.over(core, now),
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
            | Notice::Answer { .. } => State::Coasting(self),
        }
    }

    /// A row came in: is the torque off, and still off; is the shaft slow enough?
    fn look(mut self, core: &mut Core, now: Instant) -> State {
        if !self.not_driven {
            let Some(found) = proof_not_driven(core) else { return State::Coasting(self) };
            self.not_driven = true;
            core.follow_slowing(now);
            core.timers.clear(Timer::StopFrame);
            core.timers.clear(Timer::Stage);
            let found = format!("{found}; {}", against::blind_to(core));
            core.event(now, What::TorqueOff { test: self.test, found });
            against::begin(core, now);
            if let Some(found) = core.say_what_took_off(now) {
                let firing = Firing { trip: STOP_FRAME.into(), found, sampled: now };
                return WindingDown::tripped(core, now, self.test, firing);
            }
            // Not before: until the torque is proved off the line is for stop frames and samples alone.
            core.take_bursts_of(now, self.test, self.segment);
        } else if let Some((state, _)) = core.state.filter(|(state, _)| state.may_drive()) {
            let found = format!("the drive is `{}` again while coasting", state.words());
            return self.drives_again(core, now, "drive state", found);
        } else if let Some(current) = self.flows.look(core) {
            let found = format!("phase current {current} flows again while coasting");
            return self.drives_again(core, now, "phase current", found);
        } else if let Evidence::Against(found) = against::look(core, now) {
            // The stop that follows rests on the word of the same board no more.
            let firing = Firing { trip: "torque off".into(), found, sampled: now };
            return WindingDown::doubted(core, now, self.test, firing);
        }
        if self.below.is_some_and(|below| self.slow.look(core, core.plan.stop.speed.0, below).is_some()) {
            return self.over(core, now);
        }
        State::Coasting(self)
    }

    fn drives_again(self, core: &mut Core, now: Instant, trip: &str, found: String) -> State {
        WindingDown::tripped(core, now, self.test, Firing { trip: trip.into(), found, sampled: now })
    }

    /// The speed was reached, or the time is over.
    fn over(self, core: &mut Core, now: Instant) -> State {
        core.event(now, What::ProfileEnded { test: self.test });
        WindingDown::begin(core, now, Some(self.test), None)
    }
}
