//! Pre-checks: every channel is watched for a while, and only what holds throughout gives the proof
//! without which nothing is driven.

mod awake;
mod closer;
mod pulse;
mod quiet;
mod supply;

pub(super) use self::pulse::HeatPulse;
pub(super) use self::quiet::{Leave, Quiet};

use self::awake::Awake;
use self::closer::{Closer, Seen, window_holds};
use super::State;
use super::Timer;
use super::against::{self, Evidence};
use super::core::{Core, Notice};
use super::driving::Driving;
use super::link::Purpose;
use super::watching::on_by_itself;
use super::winding::WindingDown;
use crate::outcome::Cause;
use crate::plan::{When, Window};
use crate::record::{Grade, What};
use crate::states::DriveState;
use crate::time::{Duration, Instant};

/// Proof that the pre-checks of one test held. Made only here, used once, and it expires.
#[derive(Debug)]
pub(super) struct Proof {
    test: usize,
    expires: Instant,
}

impl Proof {
    /// The test it is for.
    pub(super) fn test(&self) -> usize {
        self.test
    }

    /// Leave to enable with the first frame that does, if the proof is still good.
    pub(super) fn redeem(self, now: Instant) -> Result<Enabling, String> {
        match now <= self.expires {
            true => Ok(Enabling { until: self.expires }),
            false => Err(expired(self.expires, now)),
        }
    }
}

/// Leave to enable: until when the first frame that does may leave. It may have to wait for its line.
#[derive(Debug)]
pub(super) struct Enabling {
    until: Instant,
}

impl Enabling {
    /// Why the first frame may not leave any more, if it may not.
    pub(super) fn refuses(&self, now: Instant) -> Option<String> {
        (now > self.until).then(|| expired(self.until, now))
    }
}

fn expired(at: Instant, now: Instant) -> String {
    format!("the pre-checks held, but expired {} before anything was enabled (`valid_for`)", now - at)
}
/// Name of the pre-check on replies.
const LINK_QUALITY: &str = "link quality";

/// Watching before a test.
#[derive(Debug)]
pub(super) struct PreChecking {
    test: usize,
    since: Instant,
    windows: Windows,
    closer: Closer,
    rows: u32,
    lost: u32,
    round_trip_max: Duration,
    resetting: Option<usize>,
    reset_tried: bool,
    /// How often the watch began afresh after a possible restart.
    renewed: u32,
    awake: Awake,
}

/// How often the watch begins afresh after a possible restart. A line that is disturbed all the time looks like many, and is
/// judged by how many replies it loses.
const RENEWED_MAX: u32 = 3;

/// How long to wait for answers before looking again whether they are there.
const LOOK_AGAIN: Duration = Duration::from_millis(10);

impl PreChecking {
    /// Begins the watch of a test that has begun.
    pub(super) fn begin(core: &mut Core, now: Instant, test: usize) -> State {
        let mut state = PreChecking {
            test,
            since: now,
            windows: Windows::new(core, test),
            closer: Closer::new(core, Vec::new()),
            rows: 0,
            lost: 0,
            round_trip_max: Duration::ZERO,
            resetting: None,
            reset_tried: false,
            renewed: 0,
            awake: Awake::default(),
        };
        core.ask_before(now, test);
        state.watch(core, now);
        State::PreChecking(state)
    }

    fn watch(&mut self, core: &mut Core, now: Instant) {
        self.since = now;
        self.windows = Windows::new(core, self.test);
        // Only before the first test is a unit that stood for long still as it stood.
        let cold = (self.test == 0).then_some(When::ColdSoak);
        self.closer = Closer::new(core, cold.into_iter().chain([When::GatesOff]).collect());
        self.awake.begin();
        core.guard.arm(now);
        core.power.gates_off(now);
        core.timers.set(Timer::Watch, now + core.plan.ready.observe);
    }

    pub(super) fn on(mut self, core: &mut Core, now: Instant, notice: Notice) -> State {
        match notice {
            Notice::Row { group, asked } => {
                // At once, not at the end of the watch: a run that was killed may have left it on.
                if let Some(firing) = on_by_itself(core, now) {
                    return self.refuse(core, now, format!("drive at rest: {}", firing.found));
                }
                if let Evidence::Against(why) = against::look(core, now) {
                    return self.refuse(core, now, why);
                }
                self.row(core, now, group, asked);
                self.awake.row(&core.plan, asked, now);
                if core.state.is_some_and(|(s, _)| s == DriveState::Fault) && !self.reset_tried {
                    self.reset_tried = true;
                    return self.reset_step(core, now, 0);
                }
                State::PreChecking(self)
            }
            Notice::RowLost => {
                self.rows += 1;
                self.lost += 1;
                State::PreChecking(self)
            }
            Notice::Reply { purpose: Purpose::Reset(index), .. } if self.resetting == Some(index) => {
                self.reset_step(core, now, index + 1)
            }
            Notice::Failed { purpose: Purpose::Reset(_), .. } => {
                self.refuse(core, now, "the controller did not acknowledge the fault reset".into())
            }
            Notice::Due(Timer::Watch) => self.conclude(core, now),
            // A board that begins is silent for a while; the watch begins afresh after it.
            Notice::Fired(firing) if core.waits_for_answers(&firing) => State::PreChecking(self),
            Notice::Fired(firing) => {
                let why = format!("{} would trip: {}", firing.trip, firing.found);
                let explained = core.late.explains_one(&core.plan, &firing.trip).is_some();
                self.refuse_late(core, now, &firing.trip, explained, why)
            }
            Notice::Ends(cause, why) => self.end(core, now, cause, why),
            Notice::Started
            | Notice::Reply { .. }
            | Notice::Failed { .. }
            | Notice::Due(_)
            | Notice::Typed { .. }
            | Notice::Listening { .. }
            | Notice::Key(_)
            | Notice::Answer { .. } => State::PreChecking(self),
        }
    }

    /// Sends the next step of a fault reset, or watches afresh after the last.
    fn reset_step(mut self, core: &mut Core, now: Instant, index: usize) -> State {
        match core.plan.drive.reset.get(index) {
            Some(step) => {
                self.resetting = Some(index);
                let link = step.link;
                core.ask(link, Purpose::Reset(index));
            }
            None => {
                self.resetting = None;
                (self.rows, self.lost, self.round_trip_max) = (0, 0, Duration::ZERO);
                self.watch(core, now);
            }
        }
        State::PreChecking(self)
    }

    fn row(&mut self, core: &mut Core, now: Instant, group: usize, asked: Instant) {
        if asked < self.since {
            return;
        }
        core.learn_zero(group);
        self.rows += 1;
        self.round_trip_max = self.round_trip_max.max(now - asked);
        self.closer.row(core, group, asked - self.since);
        self.windows.row(core, group);
    }

    fn conclude(mut self, core: &mut Core, now: Instant) -> State {
        let plan = core.plan.clone();
        if core.again.is_open() {
            core.timers.set(Timer::Watch, now + LOOK_AGAIN);
            return State::PreChecking(self);
        }
        // What was seen before a restart was another board's. How many replies were lost goes on to count.
        if self.renewed < RENEWED_MAX && core.again.spoilt_since(self.since).is_some() {
            self.renewed += 1;
            self.watch(core, now);
            return State::PreChecking(self);
        }
        let (good, _) = self.link_quality(core);
        let excused = !good && self.link_is_excused(core, now);
        if excused && self.awake.may_watch_again() {
            return self.watch_again(core, now);
        }
        let mut refused: Vec<String> = Vec::new();
        let mut note = |core: &mut Core, name: &str, holds: bool, grade: Grade, found: String| {
            if !holds {
                refused.push(format!("{name}: {found}"));
            }
            core.event(now, What::PreCheck { name: name.into(), holds, grade, found, test: self.test });
        };
        let (holds, found) = self.link_quality(core);
        note(core, LINK_QUALITY, holds, Grade::Measured, found);
        let (holds, found) = drive_resting(core);
        note(core, "drive at rest", holds, Grade::Measured, found);
        for (window, seen) in &self.windows.seen {
            let (holds, found) = window_holds(core, window, seen);
            note(core, &window.name, holds, plan.channels[window.channel].grade, found);
        }
        for absent in &plan.ready.absent {
            note(core, absent, true, Grade::Absent, "this rig has no way to tell".into());
        }
        refused.extend(self.closer.conclude(core, now, self.test));
        if !refused.is_empty() {
            let why = refused.join("; ");
            if excused && refused.len() == 1 {
                return self.refuse_late(core, now, LINK_QUALITY, true, why);
            }
            return self.refuse(core, now, why);
        }
        core.power.end_watch(now);
        let proof = Proof { test: self.test, expires: now + plan.ready.valid_for };
        Driving::begin(core, now, proof)
    }

    fn link_quality(&self, core: &Core) -> (bool, String) {
        let ready = &core.plan.ready;
        let loss = f64::from(self.lost) / f64::from(self.rows.max(1));
        let holds = self.rows > 0 && loss <= ready.loss_max && self.round_trip_max <= ready.round_trip_max;
        let found = format!(
            "{} of {} replies lost, longest round trip {} (allowed {} % and {})",
            self.lost,
            self.rows,
            self.round_trip_max,
            crate::units::number_text(ready.loss_max * 100.0),
            ready.round_trip_max
        );
        (holds, found)
    }

    fn refuse(self, core: &mut Core, now: Instant, why: String) -> State {
        self.end(core, now, Cause::Refused, why)
    }

    fn end(self, core: &mut Core, now: Instant, cause: Cause, why: String) -> State {
        core.timers.clear(Timer::Watch);
        WindingDown::begin(core, now, Some(self.test), Some((cause, why)))
    }
}

/// What was seen of each window's channel: before the proof, and from it until something is told to turn.
#[derive(Debug)]
pub(super) struct Windows {
    seen: Vec<(Window, Seen)>,
}

impl Windows {
    /// Those of a test, by its index; nothing seen yet.
    pub(super) fn new(core: &Core, test: usize) -> Windows {
        Windows { seen: core.plan.windows(test).into_iter().map(|w| (w, Seen::NOTHING)).collect() }
    }

    /// Takes the values of a row.
    pub(super) fn row(&mut self, core: &Core, group: usize) {
        let fields = &core.plan.groups[group].fields;
        for (window, seen) in &mut self.seen {
            if fields.contains(&Some(window.channel))
                && let Some((_, _, value)) = core.values.latest(window.channel)
            {
                seen.add(value);
            }
        }
    }

    /// Those that held in the proof and no longer do, in words.
    pub(super) fn no_longer_hold(&self, core: &Core) -> Vec<String> {
        let seen = self.seen.iter().filter(|(_, seen)| seen.n > 0);
        seen.filter_map(|(window, seen)| {
            let (holds, found) = window_holds(core, window, seen);
            let words = || format!("{} held in the pre-checks and no longer does: {found}", window.name);
            (!holds).then(words)
        })
        .collect()
    }
}

fn drive_resting(core: &Core) -> (bool, String) {
    match core.state {
        Some((state, _)) => {
            let holds = !state.may_drive() && state != DriveState::Fault;
            (holds, format!("the controller says `{}`", state.words()))
        }
        None => (false, "the controller did not say its state".into()),
    }
}
