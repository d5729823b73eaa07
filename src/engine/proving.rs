//! The stop frame on trial: it is sent once, as a stop sends it, and the demands go on at their last value. The command timeout
//! is fed and helps nobody: what takes the torque off is the frame. It must do so sooner than that timeout could, and no demand
//! may bring the torque back.

use super::State;
use super::Timer;
use super::core::{Core, Notice};
use super::guard::Firing;
use super::link::Purpose;
use super::winding::{Flows, WindingDown, doubt_not_driven, proof_not_driven};
use crate::files::rig::Sets;
use crate::outcome::Cause;
use crate::plan::Plan;
use crate::record::What;
use crate::states::DriveState;
use crate::time::{Duration, Instant};

/// Name of the trip that ends the trial of a frame that does nothing, too little, or too late.
pub(super) const STOP_FRAME: &str = "stop frame";

/// Watching what the stop frame does, in the last segment of a test.
#[derive(Debug)]
pub(super) struct Proving {
    test: usize,
    /// When the first of the frames was handed to its link.
    first: Option<Instant>,
    /// When the newest acknowledgement of a frame came, and how many have come.
    acknowledged: (Instant, usize),
    /// When the newest sample that still showed the drive on was asked for, all frames having left.
    on: Option<Instant>,
    /// What showed that the torque is off, and when that came.
    off: Option<(Instant, String)>,
    flows: Flows,
}

impl Proving {
    /// Sends the stop frames; no heartbeat is stopped.
    pub(super) fn begin(core: &mut Core, now: Instant, test: usize, segment: usize) -> State {
        core.event(now, What::SegmentBegan { test, segment });
        let length = core.plan.tests[test].profile.segments[segment].length();
        core.timers.set(Timer::Profile, now + length);
        core.frames_once(now);
        let (first, on, off, flows) = (None, None, None, Flows::default());
        State::Proving(Proving { test, first, acknowledged: (now, 0), on, off, flows })
    }

    pub(super) fn on(mut self, core: &mut Core, now: Instant, notice: Notice) -> State {
        self.note_sent(core);
        match notice {
            Notice::Row { .. } => self.look(core, now),
            Notice::Reply { purpose: Purpose::Stop(_), .. } => {
                self.acknowledged = (now, self.acknowledged.1 + 1);
                State::Proving(self)
            }
            // A board may refuse a demand while its torque is off, and each refusal makes the line quiet: one tells enough. The
            // frame must act sooner than the timeout that the last demand before it has started, so none is missed.
            Notice::Failed { purpose: Purpose::Demand(_), .. } if self.first.is_some() => {
                stop_telling(core);
                State::Proving(self)
            }
            Notice::Due(Timer::Stage) if self.off.is_none() => self.in_vain(core, now),
            Notice::Due(Timer::Profile) => self.over(core, now),
            Notice::Fired(firing) => WindingDown::tripped(core, now, self.test, firing),
            Notice::Ends(cause, why) => self.end(core, now, Some((cause, why))),
            Notice::Started
            | Notice::Reply { .. }
            | Notice::Failed { .. }
            | Notice::RowLost
            | Notice::Due(_)
            | Notice::Typed { .. }
            | Notice::Listening { .. }
            | Notice::Key(_)
            | Notice::Answer { .. } => State::Proving(self),
        }
    }

    /// Once a frame has left, its time counts.
    fn note_sent(&mut self, core: &mut Core) {
        if let (None, Some(sent)) = (self.first, core.stop_sent) {
            self.first = Some(sent);
            core.timers.set(Timer::Stage, sent + core.plan.stop_frame_window(self.test));
        }
    }

    /// A row came in: what does it show of the torque? Only what was asked for after the frame tells.
    fn look(mut self, core: &mut Core, now: Instant) -> State {
        let Some((state, asked)) = core.state else { return State::Proving(self) };
        let Some(sent) = core.stop_sent.filter(|sent| asked > *sent) else {
            if state.may_drive() {
                return State::Proving(self);
            }
            let found = format!("the drive is `{}` before its stop frame", state.words());
            return self.trip(core, now, "drive state", found);
        };
        if self.off.is_some() {
            return self.still_off(core, now);
        }
        if state.may_drive() {
            self.on = Some(asked);
        }
        // A stop is no fault: what ended in one was ended by something else.
        if matches!(state, DriveState::Fault | DriveState::FaultReactionActive) {
            let found = format!(
                "the drive is `{}` after it, so that something else may have taken the torque off",
                state.words()
            );
            return self.trip(core, now, STOP_FRAME, found);
        }
        let Some(found) = proof_not_driven(core) else { return State::Proving(self) };
        let least = self.controller_took(core, sent);
        if let Some(declared) = core.plan.stop.reaction.map(|r| r.controller).filter(|d| least > *d) {
            let found = format!(
                "the controller took at least {least} from its stop frame to torque off, and the rig says {declared} under \
                 [reaction] `controller`"
            );
            return self.trip(core, now, STOP_FRAME, found);
        }
        self.off = Some((now, found));
        core.timers.clear(Timer::Stage);
        State::Proving(self)
    }

    /// The torque is off and demands still come: is it back?
    fn still_off(mut self, core: &mut Core, now: Instant) -> State {
        let again = match core.state {
            Some((state, _)) if state.may_drive() => Some(format!("the drive is `{}` again", state.words())),
            _ => self.flows.look(core).map(|current| format!("phase current {current} flows again")),
        };
        match again {
            Some(again) => {
                let found = format!("{again} after its stop frame, while the demands go on");
                self.trip(core, now, STOP_FRAME, found)
            }
            None => State::Proving(self),
        }
    }

    /// The least that the controller itself took: from when it had the frames for certain to the newest sample that still showed it
    /// on. It had them when it had acknowledged all, and when line and adapter can't have held them back any longer.
    fn controller_took(&self, core: &Core, sent: Instant) -> Duration {
        let frames = &core.plan.stop.frames;
        let answered = frames.iter().filter(|f| f.expect.is_some()).count();
        let all =
            (answered == frames.len() && self.acknowledged.1 >= answered).then_some(self.acknowledged.0);
        let reaction = core.plan.stop.reaction;
        let arrived = reaction.map(|reaction| sent + on_line(&core.plan) + reaction.adapter);
        match (self.on, all.into_iter().chain(arrived).min()) {
            (Some(on), Some(had)) => (on - had).max(Duration::ZERO),
            _ => Duration::ZERO,
        }
    }

    /// The frame has not taken the torque off in time.
    fn in_vain(self, core: &mut Core, now: Instant) -> State {
        let since = self.first.map_or(Duration::ZERO, |first| now - first);
        let acknowledged = match (
            core.plan.stop.frames.iter().filter(|f| f.expect.is_some()).count(),
            self.acknowledged.1,
        ) {
            (wanted, got) if got < wanted => ", which nothing has acknowledged",
            (0, _) => "",
            _ => ", which was acknowledged",
        };
        let found = format!(
            "{} {since} after its stop frame{acknowledged}; the frame must take the torque off while the demands go on, sooner \
             than the command timeout of {}",
            doubt_not_driven(core),
            core.plan.drive.command_timeout
        );
        self.trip(core, now, STOP_FRAME, found)
    }

    /// The demands have gone on for as long as they should.
    fn over(self, core: &mut Core, now: Instant) -> State {
        let (Some(first), Some(sent), Some((off, shown))) = (self.first, core.stop_sent, &self.off) else {
            return self.in_vain(core, now);
        };
        let least = self.on.map_or(Duration::ZERO, |on| on - sent);
        let (most, controller) = (*off - first, self.controller_took(core, sent));
        let found = format!(
            "{shown}, {least} to {most} after its stop frame, and so it stays while the demands go on; the controller itself took \
             at least {controller}"
        );
        let (took, controller) = ((least.micros(), most.micros()), controller.micros());
        core.event(now, What::StopFrameProved { test: self.test, found, took, controller });
        core.event(now, What::ProfileEnded { test: self.test });
        self.end(core, now, None)
    }

    fn trip(self, core: &mut Core, now: Instant, trip: &str, found: String) -> State {
        WindingDown::tripped(core, now, self.test, Firing { trip: trip.into(), found, sampled: now })
    }

    fn end(self, core: &mut Core, now: Instant, cause: Option<(Cause, String)>) -> State {
        WindingDown::begin(core, now, Some(self.test), cause)
    }
}

/// No demand is sent any more but the pump's.
fn stop_telling(core: &mut Core) {
    for demand in 0..core.plan.demands.len() {
        if core.plan.demands[demand].sets != Sets::Pump {
            core.stop_heartbeat(demand);
        }
    }
}

/// The longest that a stop frame takes on its line.
fn on_line(plan: &Plan) -> Duration {
    let each = plan.stop.frames.iter().map(|f| plan.links[f.link].line_time(f.bytes.len()));
    each.max().unwrap_or(Duration::ZERO)
}
