//! Driving: the controller is enabled step by step, watched at rest with the gates on, then the profile runs. Needs the
//! proof to enable, and leave from that watch to run the profile.

use super::State;
use super::Timer;
use super::coasting::Coasting;
use super::core::{Core, Notice};
use super::guard::Firing;
use super::lateness::Suspect;
use super::link::Purpose;
use super::precheck::{Leave, Proof, Quiet, Windows};
use super::proving::Proving;
use super::silent::Silent;
use super::watching::Watching;
use super::winding::WindingDown;
use crate::outcome::Cause;
use crate::plan::Shape;
use crate::record::What;
use crate::states::DriveState;
use crate::time::{Duration, Instant};

/// Driving a test.
#[derive(Debug)]
pub(super) struct Driving {
    test: usize,
    /// Until the first frame that enables.
    proof: Option<Proof>,
    /// What was proved must still hold until something is told to turn.
    still: Windows,
    /// When it was proved: a restart after that makes the proof void.
    proved: Instant,
    phase: Phase,
}

#[derive(Debug)]
enum Phase {
    /// Keys are asked for before a person is handed the drive; whether they are read.
    Calling { read: bool },
    /// A step of enabling: which, when it left, whether it was acknowledged.
    Enabling { step: usize, sent: Instant, acknowledged: bool },
    /// Enabled, at the demand's rest value: watched before anything is told to turn.
    Quiet(Quiet),
    /// The profile: since when, and which segment.
    Running { since: Instant, segment: usize },
}

impl Driving {
    /// Begins enabling: the demand's rest value is sent again and again from here on.
    pub(super) fn begin(core: &mut Core, now: Instant, proof: Proof) -> State {
        let test = proof.test();
        if core.plan.tests[test].profile.watches() {
            return Watching::begin(core, now, test);
        }
        // What limits the demand is told before it. A current limit stands at the test's value before anything is enabled: at rest
        // it is zero, which some boards take for none.
        core.profile = Some((test, None));
        let plan = core.plan.clone();
        plan.tests[test].with.iter().for_each(|(demand, _)| core.start_heartbeat(now, *demand));
        core.start_heartbeat(now, plan.tests[test].demand);
        let (still, proof) = (Windows::new(core, test), Some(proof));
        if plan.is_by_hand(test) {
            core.listen(true);
            core.timers.set(Timer::Step, now + plan.drive.within);
            let phase = Phase::Calling { read: false };
            return State::Driving(Driving { test, proof, still, proved: now, phase });
        }
        let phase = Phase::Calling { read: true };
        Driving { test, proof, still, proved: now, phase }.enable(core, now, 0)
    }

    pub(super) fn on(mut self, core: &mut Core, now: Instant, notice: Notice) -> State {
        match notice {
            Notice::Reply { purpose: Purpose::Enable(index), .. } => {
                if let Phase::Enabling { step, acknowledged, .. } = &mut self.phase
                    && *step == index
                {
                    *acknowledged = true;
                }
                self.look(core, now)
            }
            Notice::Failed { purpose: Purpose::Enable(index), .. } => {
                let step = String::from_utf8_lossy(&core.plan.drive.enable[index].send).trim().to_string();
                self.end(core, now, Cause::NotMade, format!("the controller did not acknowledge `{step}`"))
            }
            Notice::Listening { by, person } if matches!(self.phase, Phase::Calling { read: false }) => {
                core.heard_keys(now, self.test, &by, person);
                self.phase = Phase::Calling { read: true };
                self.look(core, now)
            }
            Notice::Key(key) => self.key(core, now, key),
            Notice::Row { group, asked } => {
                if !matches!(self.phase, Phase::Running { .. }) {
                    self.still.row(core, group);
                }
                match &mut self.phase {
                    Phase::Quiet(quiet) => quiet.row(core, group, asked),
                    Phase::Running { segment, .. } => {
                        if let Err(why) = core.pulse_row(self.test, *segment, group) {
                            return self.end(core, now, Cause::Refused, why);
                        }
                    }
                    // With the gates on the watch tells better what it is.
                    Phase::Calling { .. } | Phase::Enabling { .. }
                        if !core.state.is_some_and(|(s, _)| s.may_drive()) =>
                    {
                        if let Some(why) = self.still.no_longer_hold(core).into_iter().next() {
                            return self.end(core, now, Cause::Refused, why);
                        }
                    }
                    Phase::Calling { .. } | Phase::Enabling { .. } => {}
                }
                self.look(core, now)
            }
            Notice::Due(Timer::Watch) => self.watched(core, now),
            Notice::Due(Timer::Step) => self.step_overdue(core, now),
            Notice::Due(Timer::Profile) => self.segment(core, now),
            Notice::Fired(firing) => WindingDown::tripped(core, now, self.test, firing),
            Notice::Ends(cause, why) => self.end(core, now, cause, why),
            Notice::Started
            | Notice::Reply { .. }
            | Notice::Failed { .. }
            | Notice::RowLost
            | Notice::Due(_)
            | Notice::Typed { .. }
            | Notice::Listening { .. }
            | Notice::Answer { .. } => State::Driving(self),
        }
    }

    /// Sends a step of enabling, or begins the profile after the last.
    fn enable(mut self, core: &mut Core, now: Instant, step: usize) -> State {
        let plan = core.plan.clone();
        let Some(next) = plan.drive.enable.get(step) else {
            return self.watch(core, now);
        };
        // Here and not before: keys may have been called for since it was made.
        if let Some(proof) = self.proof.take() {
            match proof.redeem(now) {
                Ok(enabling) => core.enabling = Some(enabling),
                Err(why) => return self.end(core, now, Cause::Refused, why),
            }
        }
        self.phase = Phase::Enabling { step, sent: now, acknowledged: false };
        core.ask(next.link, Purpose::Enable(step));
        core.timers.set(Timer::Step, now + plan.drive.within);
        State::Driving(self)
    }

    /// A row came in or a step was acknowledged: has the state been reached, is it still there?
    fn look(self, core: &mut Core, now: Instant) -> State {
        let plan = core.plan.clone();
        if matches!(self.phase, Phase::Calling { .. } | Phase::Enabling { .. }) {
            if let Some(found) = core.again.spoilt_since(self.proved) {
                let why = format!("{found}: a possible restart, after which the pre-checks count no more");
                return self.end(core, now, Cause::Refused, why);
            }
            // A reply was lost: what the board says of itself is asked again before the next frame.
            if core.again.is_open() {
                return State::Driving(self);
            }
        }
        match self.phase {
            Phase::Calling { read: true } => self.enable(core, now, 0),
            Phase::Calling { read: false } => State::Driving(self),
            Phase::Enabling { step, sent, acknowledged } => {
                let reached = match plan.drive.enable[step].reaches {
                    Some(wanted) => core.state.is_some_and(|(s, asked)| s == wanted && asked > sent),
                    None => true,
                };
                if acknowledged && reached { self.enable(core, now, step + 1) } else { State::Driving(self) }
            }
            Phase::Quiet(_) | Phase::Running { .. } => match core.state {
                Some((DriveState::OperationEnabled, _)) => State::Driving(self),
                state => {
                    let found = state.map_or("unknown", |(s, _)| s.words());
                    if let Some((_, asked)) = state {
                        core.late.suspect("drive state", Suspect::Off { asked, handled: now });
                    }
                    let firing = Firing {
                        trip: "drive state".into(),
                        found: format!("the drive is `{found}`, expected `operation enabled`"),
                        sampled: now,
                    };
                    WindingDown::tripped(core, now, self.test, firing)
                }
            },
        }
    }

    pub(super) fn test(&self) -> usize {
        self.test
    }

    fn step_overdue(self, core: &mut Core, now: Instant) -> State {
        if matches!(self.phase, Phase::Calling { .. }) {
            let why = format!(
                "nobody reads keys within {}: who drives by hand could not stop",
                core.plan.drive.within
            );
            return self.end(core, now, Cause::Refused, why);
        }
        let Phase::Enabling { step, .. } = self.phase else { return State::Driving(self) };
        if let Some(why) = core.enabling.take().and_then(|enabling| enabling.refuses(now)) {
            return self.end(core, now, Cause::Refused, why);
        }
        let wanted = core.plan.drive.enable[step].reaches.map_or("its acknowledgement", DriveState::words);
        let found = core.state.map_or("unknown", |(s, _)| s.words());
        let why = format!(
            "enabling: the drive is `{found}`, expected `{wanted}` within {}",
            core.plan.drive.within
        );
        self.end(core, now, Cause::NotMade, why)
    }

    /// Enabled: is it quiet with the gates on?
    fn watch(mut self, core: &mut Core, now: Instant) -> State {
        core.timers.clear(Timer::Step);
        let (quiet, length) = Quiet::begin(core, now);
        self.phase = Phase::Quiet(quiet);
        core.power.gates_on(now);
        if length == Duration::ZERO {
            return self.watched(core, now);
        }
        core.timers.set(Timer::Watch, now + length);
        State::Driving(self)
    }

    fn watched(self, core: &mut Core, now: Instant) -> State {
        let Driving { test, proof, still, proved, phase: Phase::Quiet(quiet) } = self else {
            return State::Driving(self);
        };
        match quiet.conclude(core, now, test, &still) {
            Ok(leave) => {
                core.power.end_watch(now);
                Driving { test, proof, still, proved, phase: Phase::Running { since: now, segment: 0 } }
                    .run(core, now, leave)
            }
            Err(why) => {
                let begun = (Cause::Refused, why);
                WindingDown::begin(core, now, Some(test), Some(begun))
            }
        }
    }

    fn run(self, core: &mut Core, now: Instant, _: Leave) -> State {
        if let Err(why) = core.begin_pulse(self.test) {
            return self.end(core, now, Cause::Refused, why);
        }
        core.start_profile(now, self.test);
        self.begin_segment(core, now, 0);
        State::Driving(self)
    }

    /// The next segment begins, or the profile is over.
    fn segment(mut self, core: &mut Core, now: Instant) -> State {
        let Phase::Running { since, segment } = self.phase else { return State::Driving(self) };
        let next = segment + 1;
        let planned = &core.plan.tests[self.test].profile.segments;
        if planned.get(next).is_some_and(|s| s.coasts()) {
            return Coasting::begin(core, now, self.test, next);
        }
        if planned.get(next).is_some_and(|s| s.shape == Shape::Silence) {
            return Silent::begin(core, now, self.test, next);
        }
        if planned.get(next).is_some_and(|s| s.shape == Shape::StopFrame) {
            return Proving::begin(core, now, self.test, next);
        }
        if next < planned.len() {
            self.phase = Phase::Running { since, segment: next };
            self.begin_segment(core, now, next);
            core.refresh_demand(self.test);
            return State::Driving(self);
        }
        core.event(now, What::ProfileEnded { test: self.test });
        WindingDown::begin(core, now, Some(self.test), None)
    }

    fn begin_segment(&self, core: &mut Core, now: Instant, segment: usize) {
        let Phase::Running { since, .. } = self.phase else { return };
        core.event(now, What::SegmentBegan { test: self.test, segment });
        core.take_bursts_of(now, self.test, segment);
        let corners = &core.plan.tests[self.test].profile.segments[segment].corners;
        let end = corners.last().map_or(Duration::ZERO, |(t, _)| *t);
        core.timers.set(Timer::Profile, since + end);
    }

    pub(super) fn end(self, core: &mut Core, now: Instant, cause: Cause, why: String) -> State {
        WindingDown::begin(core, now, Some(self.test), Some((cause, why)))
    }
}
