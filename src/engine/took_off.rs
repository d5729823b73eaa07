//! What took the torque off at a stop: the stop frame, or the board's own command timeout, which runs out as well once no demand is sent
//! any more. A frame that does nothing looks like a good one until nothing but the frame can have done it.
//!
//! Three stretches of time are held against each other, each between its earliest and its latest end. The torque went off between the
//! latest moment at which a sample surely found the drive on and the latest at which the first one that found it off can have been taken.
//! The frame works from when it was sent until `[reaction] controller` after the board had acknowledged it. The command timeout is over
//! between its length after the last demand that the board surely had, and its length after the last that it may have had. What only one
//! of the two can have done, it did; what either can have done is said to be open.

use super::core::Core;
use super::link::{Purpose, expectation};
use crate::files::rig::Sets;
use crate::outcome::Cause;
use crate::plan::{Plan, Source, Valued, state_of};
use crate::record::{By, What};
use crate::states::DriveState;
use crate::time::{Duration, Instant};

/// How far a board's command timeout may be off what the rig file says, as a part of it: one over this (from memory: oscillators
/// without a crystal, and boards that look at their timers every few milliseconds).
const TIMEOUT_OFF_BY: i64 = 10;

/// How many samples in a row must show a fault: a flipped bit makes one.
const FAULTS_IN_A_ROW: u32 = 3;

/// What the engine knows of one stop; of demands and enabling since the stop before.
#[derive(Debug, Default)]
pub(super) struct TookOff {
    /// For each demand that keeps a board from its command timeout, what was sent of it.
    fed: Vec<(usize, Fed)>,
    /// When the newest enabling step was handed to a link.
    enabled: Option<Instant>,
    /// The latest moment at which a sample surely found the drive on.
    on: Option<Instant>,
    /// The newest sample, if it found the drive off before the first stop frame: when it was asked for, the latest that it was taken.
    off_before: Option<(Instant, Instant, DriveState)>,
    /// The frames of this stop that have been sent.
    frames: Vec<(usize, Sent)>,
    /// The first sample since then that found the drive off: the latest that it was taken.
    off: Option<Instant>,
    said: bool,
    /// Nothing shows that a frame took the torque off, and none was acknowledged.
    unsure: Option<String>,
    faults: Faults,
}

/// A demand.
#[derive(Debug, Clone, Copy)]
struct Fed {
    /// When the newest was sent of those that the board surely had.
    surely: Instant,
    /// The latest at which the board can have had the newest.
    latest: Instant,
    newest: Instant,
}

/// A stop frame.
#[derive(Debug, Clone, Copy)]
struct Sent {
    first: Instant,
    /// When the board had it at the latest: acknowledged, or as long after it was sent as a reply may take.
    had: Instant,
    acknowledged: bool,
}

/// States seen since the first stop frame.
#[derive(Debug, Default)]
struct Faults {
    seen: u32,
    in_a_row: u32,
    shown: bool,
    /// The test was to end so: its command timeout put the board into fault.
    wanted: bool,
}

/// One sample of the drive's state.
#[derive(Debug, Clone, Copy)]
struct Sample {
    asked: Instant,
    earliest: Instant,
    latest: Instant,
    state: Option<DriveState>,
    /// Whether the phase current of the same reply, if it has one, lets the drive be off.
    no_current: bool,
}

impl TookOff {
    /// A stop begins, or begins again.
    pub(super) fn begin(&mut self) {
        self.frames.clear();
        self.off = None;
        self.said = false;
        self.faults = Faults::default();
    }

    /// A fault that is seen from here on in this stop is what the test was for.
    pub(super) fn expect_fault(&mut self) {
        self.faults.wanted = true;
    }

    /// A frame was handed to its link.
    pub(super) fn sent(&mut self, plan: &Plan, now: Instant, link: usize, purpose: Purpose, bytes: usize) {
        let gone = now + plan.links[link].line_time(bytes);
        let answers = expectation(plan, link, purpose).is_some();
        let had = gone + plan.links[link].reply_within;
        match purpose {
            Purpose::Enable(_) => {
                self.enabled = Some(now);
                self.on = None;
                // Those of the stop before are over: what is off from now on and before another frame is off by itself.
                self.frames.clear();
                self.off = None;
                self.off_before = None;
                self.unsure = None;
            }
            Purpose::Demand(demand) if plan.demands[demand].sets != Sets::Pump => {
                let fed = Fed { surely: now, latest: had, newest: now };
                match self.fed.iter_mut().find(|(known, _)| *known == demand) {
                    Some((_, old)) if answers => *old = Fed { surely: old.surely, ..fed },
                    Some((_, old)) => *old = fed,
                    None => self.fed.push((demand, fed)),
                }
            }
            Purpose::Stop(frame) if self.frames.iter().all(|(known, _)| *known != frame) => {
                self.frames.push((frame, Sent { first: now, had, acknowledged: false }));
            }
            _ => {}
        }
    }

    /// A reply came to what was sent at a moment.
    pub(super) fn answered(&mut self, now: Instant, sent: Instant, purpose: Purpose) {
        match purpose {
            Purpose::Demand(demand) => {
                for (_, fed) in self.fed.iter_mut().filter(|(known, _)| *known == demand) {
                    fed.surely = fed.surely.max(sent);
                    if fed.newest == sent {
                        fed.latest = fed.latest.min(now);
                    }
                }
            }
            Purpose::Stop(frame) => {
                self.unsure = None;
                for (_, known) in
                    self.frames.iter_mut().filter(|(known, s)| *known == frame && !s.acknowledged)
                {
                    (known.had, known.acknowledged) = (now, true);
                }
            }
            _ => {}
        }
    }

    fn sampled(&mut self, sample: Sample) {
        let Some(state) = sample.state else { return };
        let first = self.first();
        if state.may_drive() {
            self.on = self.on.max(Some(sample.earliest));
            self.off_before = None;
            self.off = None;
        } else if first.is_none_or(|first| sample.latest <= first) {
            self.off_before = Some((sample.asked, sample.latest, state));
        } else if sample.no_current && first.is_some_and(|first| sample.asked > first) {
            self.off = self.off.or(Some(sample.latest));
        }
        if first.is_some_and(|first| sample.asked > first) {
            self.faults.take(state);
        }
    }

    /// When the first stop frame of this stop was sent.
    fn first(&self) -> Option<Instant> {
        self.frames.iter().map(|(_, sent)| sent.first).min()
    }

    /// The earliest and the latest moment at which the board's command timeout is over; `None` if no demand was sent.
    fn due(&self, plan: &Plan) -> Option<(Instant, Instant)> {
        let timeout = plan.drive.command_timeout;
        let off = Duration::from_micros(timeout.micros() / TIMEOUT_OFF_BY);
        let surely = self.fed.iter().map(|(_, fed)| fed.surely).min()?;
        let latest = self.fed.iter().map(|(_, fed)| fed.latest).max()?;
        // Enabling is a sign of life for some boards and for others not.
        let latest = self.enabled.map_or(latest, |enabled| latest.max(enabled));
        Some((surely + timeout - off, latest + timeout + off))
    }

    /// Whether the drive was off, by the newest sample, before its command timeout can have been over: how long, in words.
    pub(super) fn off_too_soon(&self, plan: &Plan) -> Option<String> {
        let (_, latest, state) = self.off_before?;
        let (due, _) = self.due(plan)?;
        let last = self.fed.iter().map(|(_, fed)| fed.newest).max()?;
        (latest < due).then(|| {
            format!(
                "the drive is `{}` {} after the last demand, and its command timeout of {} cannot be over before {}: something \
                 else took the torque off",
                state.words(),
                shown(latest - last),
                plan.drive.command_timeout,
                shown(due - last),
            )
        })
    }

    /// Why a run must not pass although samples show that nothing drives, and the name that this goes by as a trip.
    pub(super) fn spoils(&self) -> Option<(&'static str, String)> {
        if let Some(why) = &self.unsure {
            return Some((STOP_FRAME, why.clone()));
        }
        let faults = &self.faults;
        let ended = faults.shown || (faults.seen > 0 && faults.in_a_row == faults.seen);
        (ended && !faults.wanted).then(|| {
            let why = "the drive ended in `fault`, and the test was to end without one; read the board's own error, and find what it \
                       reacts to before you drive it again";
            ("drive state", why.into())
        })
    }

    /// Whether a stop frame should be tried again, although samples show that nothing drives.
    pub(super) fn is_unsure(&self) -> bool {
        self.unsure.is_some()
    }
}

impl Faults {
    fn take(&mut self, state: DriveState) {
        self.seen += 1;
        let fault = matches!(state, DriveState::Fault | DriveState::FaultReactionActive);
        self.in_a_row = if fault { self.in_a_row + 1 } else { 0 };
        self.shown |= self.in_a_row >= FAULTS_IN_A_ROW;
    }
}

/// The name of a stop frame's failure as a trip.
pub(super) const STOP_FRAME: &str = "stop frame";

/// What was found out of one stop.
#[derive(Debug)]
pub(super) struct Found {
    by: By,
    finding: bool,
    /// Earliest and latest moment at which the torque went off.
    went: (Instant, Instant),
    words: String,
}

impl Core {
    /// Notes the drive's state of a reply, if it has one, with the phase current of the same reply.
    pub(super) fn watch_state(
        &mut self,
        plan: &Plan,
        asked: Instant,
        (from, to): (Instant, Instant),
        values: &[Valued],
    ) {
        // A reply that is there sooner than its bytes could be, as rehearsed lines have it, was sampled when it came.
        let (earliest, latest) = (from.min(to.max(asked)), to.max(asked));
        let read = |wanted: usize| {
            values.iter().find(|valued| valued.channel == wanted).and_then(|valued| valued.si)
        };
        let Some(state) = read(plan.drive.state) else { return };
        let current = plan.stop.current.and_then(|(channel, limit)| Some(read(channel)?.abs() <= limit));
        let no_current = current.unwrap_or(true);
        self.took_off.sampled(Sample { asked, earliest, latest, state: state_of(state), no_current });
    }

    /// Says once for each stop what took the torque off, now that samples show that nothing drives; the words, if it is a finding.
    pub(super) fn say_what_took_off(&mut self, now: Instant) -> Option<String> {
        let plan = self.plan.clone();
        let first = self.took_off.first()?;
        let found = self.took_off.find(&plan)?;
        let after = |moment: Instant| (moment - first).micros();
        let between = (after(found.went.0), after(found.went.1));
        let (by, finding, words) = (found.by, found.finding, found.words);
        self.event(now, What::TookOff { by, finding, between, found: words.clone() });
        finding.then_some(words)
    }

    /// A pass that is none: says so as a trip.
    pub(super) fn spoilt_pass(&mut self, now: Instant) -> Option<(Cause, String)> {
        let (trip, found) = self.took_off.spoils()?;
        let why = format!("{trip}: {found}");
        self.event(now, What::Trip { trip: trip.into(), found, sampled: now.micros() });
        Some((Cause::Tripped, why))
    }
}

impl TookOff {
    /// What took the torque off, once, where there was any and a sample shows it off.
    fn find(&mut self, plan: &Plan) -> Option<Found> {
        let first = self.first()?;
        if self.said || (self.enabled.is_none() && self.on.is_none()) {
            return None;
        }
        let enabled = self.enabled.unwrap_or(Instant::ZERO);
        let found = match self.off_before.filter(|(asked, ..)| *asked > enabled) {
            Some((_, latest, state)) => self.before(latest, state),
            None => self.judge(plan, first, self.off?),
        };
        let acknowledged = self.frames.iter().any(|(_, sent)| sent.acknowledged);
        let answers = plan.stop.frames.iter().any(|frame| frame.expect.is_some());
        self.unsure = (found.by == By::Unknown && answers && !acknowledged).then(|| {
            format!("{}; no stop frame was acknowledged, so nothing shows that one did it", found.words)
        });
        self.said = true;
        // The next stop has nothing to take off, unless something is enabled before it.
        (self.enabled, self.on) = (None, None);
        self.fed.clear();
        Some(found)
    }

    /// The drive was off before any stop frame.
    fn before(&self, latest: Instant, state: DriveState) -> Found {
        let how = if self.on.is_some() {
            "the board had taken the torque off by itself"
        } else {
            "it had not been on"
        };
        let words = format!("the drive was `{}` before the first stop frame: {how}", state.words());
        Found { by: By::Before, finding: false, went: (self.on.unwrap_or(latest).min(latest), latest), words }
    }

    fn judge(&self, plan: &Plan, first: Instant, off: Instant) -> Found {
        let stop = Judged { first, off, on: self.on, ..self.judged(plan) };
        let timeout = stop.due.is_none_or(|(from, to)| off >= from && stop.on.is_none_or(|on| on <= to));
        let frame = stop.on.is_none_or(|on| on < stop.works_by + stop.poll);
        let late = stop.allowed.is_some() && stop.on.is_some_and(|on| on > stop.works_by);
        let sooner = stop.due.is_some_and(|(from, _)| off < from);
        let (by, finding, words) = match (frame, timeout) {
            (_, false) if late && (frame || sooner) => (By::Frame, true, stop.late()),
            (true, false) => (By::Frame, false, stop.in_time()),
            // Not in the time of a poll after it had to work, where nobody declares how long that may take.
            (false, false) if sooner => (By::Frame, false, stop.in_time()),
            (false, false) => (By::Neither, true, stop.neither(plan)),
            (false, true) if stop.due.is_some() => (By::CommandTimeout, true, stop.by_timeout(plan)),
            (_, true) => (By::Unknown, false, stop.open(plan)),
        };
        let from = stop.on.map_or(first, |on| on.max(first)).min(off);
        Found { by, finding, went: (from, off), words }
    }

    /// What of a stop is known from its frames.
    fn judged(&self, plan: &Plan) -> Judged {
        let all = plan.stop.frames.len() == self.frames.len();
        let had =
            self.frames.iter().map(|(_, sent)| sent.had).max().filter(|_| all).unwrap_or(Instant::NEVER);
        let poll = match plan.channels[plan.drive.state].source {
            Source::Wire { group, .. } => plan.groups[group].every,
            Source::Derived(_) => Duration::ZERO,
        };
        let allowed = plan.stop.reaction.map(|reaction| reaction.controller);
        Judged {
            first: Instant::ZERO,
            had,
            acknowledged: all && self.frames.iter().all(|(_, sent)| sent.acknowledged),
            works_by: if had == Instant::NEVER { had } else { had + allowed.unwrap_or(Duration::ZERO) },
            allowed,
            poll,
            due: self.due(plan),
            on: None,
            off: Instant::ZERO,
        }
    }
}

/// One stop, held against itself.
struct Judged {
    first: Instant,
    /// When the board had every frame at the latest.
    had: Instant,
    acknowledged: bool,
    /// When the frames must have worked.
    works_by: Instant,
    /// What `[reaction] controller` allows.
    allowed: Option<Duration>,
    /// How often the drive's state is asked for.
    poll: Duration,
    /// When the command timeout is over.
    due: Option<(Instant, Instant)>,
    /// The latest moment at which the drive was surely on, and the latest at which it was first found off.
    on: Option<Instant>,
    off: Instant,
}

impl Judged {
    fn after(&self, moment: Instant) -> String {
        shown((moment - self.first).max(Duration::ZERO))
    }

    /// When it went off, after the first stop frame.
    fn went(&self) -> String {
        match self.on.filter(|on| *on > self.first) {
            Some(on) => format!(
                "between {} and {} after it was sent",
                self.after(on.min(self.off)),
                self.after(self.off)
            ),
            None => format!("within {} after it was sent", self.after(self.off)),
        }
    }

    fn timeout(&self, plan: &Plan) -> String {
        let Some((from, to)) = self.due else {
            return "no demand was sent that its command timeout counts from".into();
        };
        let over = format!("the command timeout of {} is over", plan.drive.command_timeout);
        format!("{over} between {} and {} after it", self.after(from), self.after(to))
    }

    fn in_time(&self) -> String {
        let allowed = self.allowed.map_or("`[reaction] controller` is not declared".into(), |allowed| {
            format!("`[reaction] controller` allows {allowed} from when the board has it")
        });
        let sooner = match self.due {
            Some((from, _)) if self.off < from => {
                format!("sooner than the command timeout, {} at the earliest", self.after(from))
            }
            _ => "and the command timeout had been over before without taking it off".into(),
        };
        format!("the stop frame took the torque off {}, {sooner}; {allowed}", self.went())
    }

    fn late(&self) -> String {
        let on = self.on.unwrap_or(self.first);
        let had =
            if self.acknowledged { "the board had acknowledged it" } else { "the board must have had it" };
        format!(
            "the stop frame took the torque off too late, {}: the drive was still on {} after {had}, and `[reaction] controller` \
             allows {}",
            self.went(),
            shown(on - self.had),
            self.allowed.unwrap_or(Duration::ZERO),
        )
    }

    /// That the frame did nothing, and by when it should have.
    fn did_nothing(&self) -> String {
        let on = self.on.map_or(String::new(), |on| {
            format!("the drive was still on {} after the first stop frame", self.after(on))
        });
        let had = if self.acknowledged {
            ", which the board had acknowledged by"
        } else {
            ", and it was not acknowledged within"
        };
        format!("{on}{had} {}", self.after(self.had))
    }

    fn by_timeout(&self, plan: &Plan) -> String {
        format!(
            "the board's own command timeout took the torque off, and not the stop frame: {}, and off at {}; {}",
            self.did_nothing(),
            self.after(self.off),
            self.timeout(plan),
        )
    }

    fn neither(&self, plan: &Plan) -> String {
        format!(
            "neither the stop frame nor the command timeout took the torque off in its time: {}, and off at {}; {}",
            self.did_nothing(),
            self.after(self.off),
            self.timeout(plan),
        )
    }

    fn open(&self, plan: &Plan) -> String {
        let seen = self
            .on
            .filter(|on| *on > self.first)
            .map_or("no sample shows it still on after that".into(), |on| {
                format!("the last sample that shows it on is of {} after it", self.after(on))
            });
        format!(
            "it cannot be told whether the stop frame or the board's command timeout took the torque off: the first sample that shows it \
             off may be of {} after the first stop frame, {seen}, and {}; the state is asked for every {}",
            self.after(self.off),
            self.timeout(plan),
            self.poll,
        )
    }
}

/// A length of time to a tenth of a millisecond.
fn shown(time: Duration) -> String {
    format!("{:.1} ms", time.micros() as f64 / 1e3)
}
