//! Winding down: torque off, coast, pump stays on; and the proof, stage by stage, by samples that
//! were asked for after the last stop frame.

use super::against::{self, Evidence};
use super::core::{Core, Notice};
use super::guard::{Firing, show};
use super::lateness::Suspect;
use super::no_current::{Shows, shows};
use super::operating::Operating;
use super::rest::Rest;
use super::slowing::{Slowing, Slows};
use super::took_off::STOP_FRAME;
use super::{Output, State, Timer};
use crate::outcome::Cause;
use crate::plan::{Mains, Way};
use crate::record::{Stage, What};
use crate::states::DriveState;
use crate::time::Instant;
use std::collections::BTreeSet;

/// How many samples in a row must show a shaft slower, or a bus lower, than a limit: a flipped bit makes one.
pub(super) const LOW_IN_A_ROW: u32 = 3;

/// The name of a proof that came late, among what this computer may be to blame for.
const LATE: &str = "not driven in time";

/// Counts low samples in a row, each asked for after the last stop frame and each once.
#[derive(Debug, Default)]
pub(super) struct Low {
    count: u32,
    asked: Option<Instant>,
}

impl Low {
    /// Looks at the newest value of a channel; the value once enough samples in a row are no more than `limit` (SI),
    /// whatever their sign.
    pub(super) fn look(&mut self, core: &Core, channel: usize, limit: f64) -> Option<f64> {
        let (_, asked, value) = core.values.latest(channel)?;
        if core.stop_sent.is_none_or(|sent| asked <= sent) || self.asked == Some(asked) {
            return None;
        }
        if core.guard.doubt(channel).is_some() {
            self.count = 0;
            return None;
        }
        self.asked = Some(asked);
        self.count = if value.abs() <= limit { self.count + 1 } else { 0 };
        self.is_shown().then_some(value)
    }

    fn is_shown(&self) -> bool {
        self.count >= LOW_IN_A_ROW
    }
}

/// Counts samples in a row of a phase current that flows although nothing drives.
#[derive(Debug, Default)]
pub(super) struct Flows(u32);

impl Flows {
    /// The phase current, in words, once so many samples in a row are above what proves that nothing drives: then the word
    /// of the controller is worth nothing.
    pub(super) fn look(&mut self, core: &Core) -> Option<String> {
        let (channel, limit) = core.plan.stop.current?;
        let (_, asked, current) = core.values.latest(channel)?;
        let flows = core.stop_sent.is_some_and(|sent| asked > sent)
            && !current.is_nan()
            && matches!(shows(core, (channel, limit), current), Shows::Driven(_));
        self.0 = if flows { self.0 + 1 } else { 0 };
        (self.0 >= LOW_IN_A_ROW).then(|| show(&core.plan.channels[channel], current))
    }
}

/// Winding down.
#[derive(Debug)]
pub(super) struct WindingDown {
    test: Option<usize>,
    /// Why, if not the profile's ordinary end.
    cause: Option<(Cause, String)>,
    began: Instant,
    not_driven: Option<Instant>,
    alarmed: bool,
    /// Why the controller's word that it is off is worth nothing any more, if evidence contradicted it.
    doubted: Option<String>,
    rest: Rest,
    bus: Low,
    flows: Flows,
    tripped: BTreeSet<String>,
}

impl WindingDown {
    /// Demands the stop. `cause` is `None` after a profile that ran to its end.
    pub(super) fn begin(
        core: &mut Core,
        now: Instant,
        test: Option<usize>,
        cause: Option<(Cause, String)>,
    ) -> State {
        let reason = cause.as_ref().map_or("the profile has ended".to_string(), |(_, why)| why.clone());
        core.event(now, What::StopBegan { reason });
        core.torque_off(now);
        State::WindingDown(WindingDown {
            test,
            cause,
            began: now,
            not_driven: None,
            alarmed: false,
            doubted: None,
            rest: Rest::default(),
            bus: Low::default(),
            flows: Flows::default(),
            tripped: BTreeSet::new(),
        })
    }

    /// Demands the stop of a test that a trip ends.
    pub(super) fn tripped(core: &mut Core, now: Instant, test: usize, firing: Firing) -> State {
        let why = format!("{}: {}", firing.trip, firing.found);
        let sampled = firing.sampled.micros();
        core.late.fired(&firing.trip);
        core.event(now, What::Trip { trip: firing.trip, found: firing.found, sampled });
        WindingDown::begin(core, now, Some(test), Some((Cause::Tripped, why)))
    }

    /// The same where evidence in a coast contradicts what the controller says: the stop is proved by evidence or not at all.
    pub(super) fn doubted(core: &mut Core, now: Instant, test: usize, firing: Firing) -> State {
        let why = firing.found.clone();
        let takes = against::takes(core);
        core.slowing = None;
        match WindingDown::tripped(core, now, test, firing) {
            State::WindingDown(state) => {
                stage(core, now, Stage::NotDriven, false, why.clone());
                against::begin(core, now);
                core.timers.set(Timer::Stage, now + takes);
                State::WindingDown(WindingDown { doubted: Some(why), ..state })
            }
            other => other,
        }
    }

    pub(super) fn on(mut self, core: &mut Core, now: Instant, notice: Notice) -> State {
        match notice {
            Notice::Row { .. } => self.look(core, now),
            Notice::Due(Timer::StopFrame) => {
                if self.not_driven.is_none() || self.wants_an_answer(core, now) {
                    core.repeat_stop(now);
                }
                State::WindingDown(self)
            }
            Notice::Due(Timer::Stage) => self.overdue(core, now),
            Notice::Fired(firing) => {
                if self.tripped.insert(firing.trip.clone()) {
                    let why = format!("{}: {}", firing.trip, firing.found);
                    let sampled = firing.sampled.micros();
                    core.late.fired(&firing.trip);
                    core.event(now, What::Trip { trip: firing.trip, found: firing.found, sampled });
                    self.cause.get_or_insert((Cause::Tripped, format!("while winding down: {why}")));
                    self.once_more(core, now);
                }
                State::WindingDown(self)
            }
            Notice::Ends(cause, why) => {
                self.cause.get_or_insert((cause, why));
                self.once_more(core, now);
                State::WindingDown(self)
            }
            Notice::Started
            | Notice::Reply { .. }
            | Notice::Failed { .. }
            | Notice::RowLost
            | Notice::Due(_)
            | Notice::Typed { .. }
            | Notice::Listening { .. }
            | Notice::Key(_)
            | Notice::Answer { .. } => State::WindingDown(self),
        }
    }

    /// A row came in: which stages does it prove?
    fn look(mut self, core: &mut Core, now: Instant) -> State {
        if self.not_driven.is_none() {
            let Some(mut found) = proof_not_driven(core) else { return State::WindingDown(self) };
            core.follow_slowing(now);
            // The controller's word alone is no proof any more.
            if self.doubted.is_some() {
                match against::look(core, now) {
                    Evidence::Open => return State::WindingDown(self),
                    Evidence::Against(again) => return self.still_driven(core, now, again),
                    Evidence::Agrees => found += ", and what was measured since shows no torque",
                }
            }
            self.not_driven = Some(now);
            core.timers.clear(Timer::StopFrame);
            let late = if self.alarmed {
                format!(" (late: {} after the stop)", now - self.began)
            } else {
                String::new()
            };
            let blind = against::blind_to(core);
            stage(core, now, Stage::NotDriven, true, format!("{found}{late}; {blind}"));
            against::begin(core, now);
            self.took_off(core, now);
            core.timers.set(Timer::Stage, self.began + core.plan.stop.at_rest_within);
        } else if let Some((state, _)) = core.state.filter(|(state, _)| state.may_drive()) {
            let why = format!("the drive is `{}` again after it was not driven", state.words());
            return self.drives_again(core, now, why);
        } else if let Some(current) = self.flows.look(core) {
            let why = format!("phase current {current} flows again after it was not driven");
            return self.drives_again(core, now, why);
        } else if let Evidence::Against(why) = against::look(core, now) {
            return self.contradicted(core, now, why);
        }
        // A board that has just begun says zero of everything before it has measured anything.
        if core.state.is_none_or(|(state, _)| state == DriveState::NotReady) {
            (self.rest, self.bus) = (Rest::default(), Low::default());
            return State::WindingDown(self);
        }
        let (channel, limit) = core.plan.stop.bus;
        // Said once the shaft is at rest: a hand-set supply is a person's to turn down, and is not waited for.
        let low = self.bus.look(core, channel, limit).is_some() && mains_on(core).is_none();
        // What a possible restart left is asked before an ordinary end: what was shown is of the board that was asked first. A run
        // that ends for a cause of its own enables nothing more, and a bad line may never bring the answers.
        if self.cause.is_none() && core.again.is_open() {
            return State::WindingDown(self);
        }
        let off = self.not_driven.unwrap_or(now);
        let rests = self.rest.look(core, now, self.test, off, low);
        if let Some(found) = rests.filter(|_| !self.wants_an_answer(core, now)) {
            stage(core, now, Stage::AtRest, true, found);
            core.guard.unseen.rest_shown();
            return self.conclude(core, now, true);
        }
        State::WindingDown(self)
    }

    /// Says what took the torque off. A stop that its frame did not make in its time is no ordinary end: nothing else stops a drive whose
    /// demands go on.
    fn took_off(&mut self, core: &mut Core, now: Instant) {
        if let Some(found) = core.say_what_took_off(now)
            && self.cause.is_none()
        {
            let why = format!("{STOP_FRAME}: {found}");
            core.event(now, What::Trip { trip: STOP_FRAME.into(), found, sampled: now.micros() });
            self.cause = Some((Cause::Tripped, why));
        }
        if self.wants_an_answer(core, now) {
            core.stop(now, false);
            core.timers.set(Timer::StopFrame, now + core.plan.stop.every);
        }
    }

    /// Whether stop frames go on, since none was acknowledged and something else may have taken the torque off: only as long as the proof
    /// itself may take.
    fn wants_an_answer(&self, core: &Core, now: Instant) -> bool {
        core.took_off.is_unsure() && now < self.began + core.plan.stop.not_driven_within
    }

    /// Something is wrong after the drive was confirmed off: a stop frame costs nothing.
    fn once_more(&self, core: &mut Core, now: Instant) {
        if self.not_driven.is_some() {
            core.stop(now, false);
        }
    }

    /// Evidence speaks against the proof: the stop begins again, and what the controller says proves no more. Twice
    /// is enough.
    fn contradicted(mut self, core: &mut Core, now: Instant, why: String) -> State {
        if self.doubted.is_some() {
            return self.still_driven(core, now, why);
        }
        let takes = against::takes(core);
        self.doubted = Some(why.clone());
        let state = self.drives_again(core, now, why);
        against::begin(core, now);
        core.timers.set(Timer::Stage, now + takes);
        state
    }

    /// It still is not after the stop was demanded again: nothing this program can do is left.
    fn still_driven(mut self, core: &mut Core, now: Instant, why: String) -> State {
        let first = self.doubted.clone().unwrap_or_default();
        stage(core, now, Stage::NotDriven, false, format!("{why}, after the stop was repeated"));
        self.cause.get_or_insert((Cause::Tripped, first));
        self.not_driven = None;
        self.conclude(core, now, false)
    }

    /// The drive came back on after it was confirmed off: the stop begins again, and this is no ordinary
    /// end whatever follows.
    fn drives_again(mut self, core: &mut Core, now: Instant, why: String) -> State {
        stage(core, now, Stage::NotDriven, false, why.clone());
        core.late.fired("driven again");
        self.cause.get_or_insert((Cause::Tripped, why));
        self.not_driven = None;
        self.rest = Rest::default();
        self.bus = Low::default();
        self.flows = Flows::default();
        core.took_off.begin();
        core.slowing = None;
        core.stop(now, true);
        core.timers.set(Timer::StopFrame, now + core.plan.stop.every);
        // As long as at first, however late it is. The next proof is held against the old deadline, so that it ends.
        core.timers.set(Timer::Stage, now + core.plan.stop.not_driven_within);
        State::WindingDown(self)
    }

    /// The deadline of a stage is past.
    fn overdue(mut self, core: &mut Core, now: Instant) -> State {
        let plan = core.plan.clone();
        if self.not_driven.is_some() {
            let (channel, limit) = plan.stop.speed;
            let found = match (core.guard.doubt(channel), core.values.latest(channel)) {
                _ if self.cause.is_none() && core.again.is_open() => {
                    "the board has not said who it is since a possible restart".into()
                }
                (None, _) if self.rest.against(core).is_some() => self.rest.against(core).unwrap_or_default(),
                (Some(doubt), _) => doubt.to_string(),
                (None, None) => "no speed was read".into(),
                (None, Some((_, _, v))) if v.abs() <= limit => {
                    let shown = show(&plan.channels[channel], v);
                    let why = core
                        .guard
                        .unseen
                        .strange()
                        .unwrap_or("not for as long as a shaft as fast as was read before may coast");
                    format!("{shown}, and {why}")
                }
                (None, Some((_, _, v))) => {
                    let shown = |si| show(&plan.channels[channel], si);
                    format!("{} is not below {}", shown(v), shown(limit))
                }
            };
            stage(core, now, Stage::AtRest, false, format!("{found} after {}", now - self.began));
            return self.conclude(core, now, false);
        }
        if let Some(why) = self.doubted.clone() {
            let found =
                "what was measured did not show that nothing is driven, after the stop was repeated".into();
            stage(core, now, Stage::NotDriven, false, found);
            self.cause.get_or_insert((Cause::Tripped, why));
            return self.conclude(core, now, false);
        }
        if !self.alarmed {
            self.alarmed = true;
            let link = plan.stop.frames.first().map_or(0, |frame| frame.link);
            let allowed = plan.stop.not_driven_within;
            core.late.suspect(LATE, Suspect::Silence { link, since: self.began, until: now, allowed });
            core.late.fired(LATE);
            let found = format!("{} after {}", doubt_not_driven(core), now - self.began);
            stage(core, now, Stage::NotDriven, false, found);
            if core.driven {
                // Torque may still be on: go on demanding it off until the shaft should be at rest.
                core.timers.set(Timer::Stage, self.began + plan.stop.at_rest_within);
                return State::WindingDown(self);
            }
        }
        self.conclude(core, now, false)
    }

    fn conclude(mut self, core: &mut Core, now: Instant, at_rest: bool) -> State {
        for timer in [Timer::StopFrame, Timer::Stage] {
            core.timers.clear(timer);
        }
        self.cause = self.cause.take().or_else(|| core.spoilt_pass(now));
        if let Some(test) = self.test {
            core.event(now, What::TestEnded { test, complete: self.cause.is_none() });
        }
        let confirmed = self.not_driven.is_some() && at_rest;
        let missing = if self.not_driven.is_none() { Stage::NotDriven } else { Stage::AtRest };
        let missing = format!("samples did not confirm `{}`", missing.words());
        let outcome = match self.cause {
            _ if core.driven && !confirmed => {
                let first = self.cause.map_or(String::new(), |(_, why)| format!(" ({why})"));
                Some((Cause::NotConfirmed, missing + &first))
            }
            // Nothing was driven, but what was to be shown was not.
            None if !confirmed => Some((Cause::Refused, missing)),
            // A confirmation that came late is no ordinary end.
            None if self.alarmed => Some((Cause::Tripped, "not driven was confirmed only late".into())),
            cause => cause,
        };
        let next = self.test.map(|t| t + 1).filter(|t| *t < core.plan.tests.len());
        match (outcome, next) {
            (None, Some(test)) => Operating::begin(core, now, test),
            (outcome, _) => {
                let (cause, why) = outcome.unwrap_or((Cause::Passed, "every test ran to its end".into()));
                de_energised(core, now, &self.bus);
                let (cause, why) = core.put_down(now, cause, why);
                core.note_lateness(now);
                core.event(now, What::Finished { cause, why: why.clone() });
                core.finish();
                core.out.push_back(Output::Finished { cause, why });
                State::Settled
            }
        }
    }
}

fn stage(core: &mut Core, now: Instant, stage: Stage, confirmed: bool, found: String) {
    core.event(now, What::Stage { stage, confirmed, found });
}

/// What proves that nothing drives: the drive's state and the phase current, both from samples asked
/// for after the last stop frame.
pub(super) fn proof_not_driven(core: &Core) -> Option<String> {
    let sent = core.stop_sent?;
    let (state, asked) = core.state?;
    if asked <= sent || state.may_drive() {
        return None;
    }
    let mut found = format!("the drive is `{}`", state.words());
    if let Some((channel, limit)) = core.plan.stop.current {
        let (_, asked, current) = core.values.latest(channel)?;
        // A current that is no number proves nothing.
        if asked <= sent || current.is_nan() {
            return None;
        }
        match shows(core, (channel, limit), current) {
            Shows::Driven(_) => return None,
            Shows::Off(words) | Shows::Nothing(words) => found += &format!(", phase current {words}"),
        }
    }
    if let Some(why) = &core.plan.stop.slowing.blind {
        found += &format!("; the speed proves nothing: {why}");
    }
    Some(found)
}

impl Core {
    /// The torque is said to be off: the speed is followed from here on, unless it is already or nothing was enabled.
    pub(super) fn follow_slowing(&mut self, now: Instant) {
        if let (true, None, Some(sent)) = (self.enabled, &self.slowing, self.stop_sent) {
            self.slowing = Some(Slowing::begin(&self.plan, sent, now));
        }
    }

    /// What the speed shows since then.
    pub(super) fn slows(&mut self) -> Slows {
        let Some(mut slowing) = self.slowing.take() else { return Slows::Open };
        let shows = slowing.look(self);
        self.slowing = Some(slowing);
        shows
    }
}

/// Why there is no such proof.
pub(super) fn doubt_not_driven(core: &Core) -> String {
    let Some(sent) = core.stop_sent else { return "no stop frame could be sent".into() };
    match core.state {
        Some((state, asked)) if asked > sent => {
            let current = core.plan.stop.current.and_then(|(channel, _)| {
                let (_, _, value) = core.values.latest(channel)?;
                Some(format!(", phase current {}", show(&core.plan.channels[channel], value)))
            });
            format!("the drive is `{}`{}", state.words(), current.unwrap_or_default())
        }
        _ => "no sample asked for after the last stop frame has come".into(),
    }
}

/// The last stage is stated, never waited for: a hand-set supply is a person's to turn down.
fn de_energised(core: &mut Core, now: Instant, seen: &Low) {
    let (channel, limit) = core.plan.stop.bus;
    let plan = core.plan.clone();
    let shown = |value| show(&plan.channels[channel], value);
    let (confirmed, found) = match core.values.latest(channel) {
        Some((_, asked, bus)) if core.stop_sent.is_some_and(|sent| asked > sent) => {
            let found = format!("bus {}, limit {}", shown(bus), shown(limit));
            let against = core.guard.doubt(channel).map(str::to_string).or_else(|| mains_on(core));
            if let Some(against) = against.filter(|_| bus <= limit) {
                (false, format!("{found}, but {against}"))
            } else if bus <= limit && !seen.is_shown() {
                (false, format!("{found}, but not in {LOW_IN_A_ROW} samples in a row"))
            } else {
                (seen.is_shown(), found)
            }
        }
        _ => (false, "the bus was not read after the last stop frame".into()),
    };
    stage(core, now, Stage::DeEnergised, confirmed, found);
}

/// The mains, in words, as long as they read too high for a bus that is low: a capacitor behind a bridge that they feed is not
/// de-energised, whatever it reads.
fn mains_on(core: &Core) -> Option<String> {
    let ways = core.plan.ready.checks.iter().flat_map(|check| &check.ways);
    let predicted = ways.filter_map(|way| if let Way::Predicted(p) = way { Some(p) } else { None });
    for prediction in predicted {
        let Mains::Read(channel) = prediction.mains else { continue };
        let Some((_, _, mains)) = core.values.latest(channel) else {
            return Some(format!("{} was not read", core.plan.channels[channel].name));
        };
        if prediction.crest.0 * mains - prediction.diodes.1 > core.plan.stop.bus.1 {
            let described = &core.plan.channels[channel];
            return Some(format!("{} still reads {}", described.name, show(described, mains)));
        }
    }
    None
}
