//! What all states share: links, timers, values, guard, heartbeat, outputs. Inputs become notices; states give them a meaning.

mod inputs;

use super::again::Again;
use super::burst::Bursts;
use super::guard::{Firing, Guard};
use super::lateness::{Lateness, Suspect};
use super::link::{Heard, HostLink, Purpose, fields};
use super::no_current::Zero;
use super::power::Power;
use super::precheck::{Enabling, HeatPulse};
use super::rows::{poll_values, printable};
use super::slowing::Slowing;
use super::timers::Timers;
use super::took_off::TookOff;
use super::{Output, Timer};
use crate::files::rig::Sets;
use crate::outcome::Cause;
use crate::plan::{Group, Plan, Valued, Values};
use crate::record::{Event, Record, RowStatus, Sent, What};
use crate::states::DriveState;
use crate::time::{Duration, Instant};
use std::collections::{BTreeSet, VecDeque};
use std::sync::Arc;

/// What a state gets to hear.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Notice {
    /// The first input.
    Started,
    /// A reply to anything but a poll.
    Reply { link: usize, purpose: Purpose, fields: Vec<String> },
    /// Anything but a poll got no fitting reply; the line that came instead, if one came.
    Failed { link: usize, purpose: Purpose, line: Option<Vec<u8>> },
    /// A poll came back with values; when it was asked.
    Row { group: usize, asked: Instant },
    /// A poll was lost.
    RowLost,
    /// The guard wants the safe state.
    Fired(Firing),
    /// A deadline of the state's own.
    Due(Timer),
    /// A link is gone, or a stop came from outside: with what the run ends.
    Ends(Cause, String),
    /// The operator typed what a meter shows.
    Typed { id: String, text: String, by: String, person: bool },
    /// Keys are read.
    Listening { by: String, person: bool },
    /// A key was pressed.
    Key(u8),
    /// The operator answered.
    Answer { id: String, yes: bool, by: String, person: bool },
}

/// The shared part.
#[derive(Debug)]
pub(super) struct Core {
    pub plan: Arc<Plan>,
    pub out: VecDeque<Output>,
    pub timers: Timers,
    pub guard: Guard,
    pub values: Values,
    /// Newest state of the drive and when it was asked for.
    pub state: Option<(DriveState, Instant)>,
    /// Whether an enabling step has ever been handed to a link.
    pub driven: bool,
    /// The same since the present test began: only then can a speed be that of a drive.
    pub enabled: bool,
    /// What the phase current reads with the gates off.
    pub zero: Zero,
    /// Whether the speed falls as it must, since the torque was said to be off.
    pub slowing: Option<Slowing>,
    /// When the stop frame was handed to a link after which what proves the stop must be asked for: the newest, but for those that were
    /// only sent again because it was time and nothing had been heard of what proves it.
    pub stop_sent: Option<Instant>,
    /// Leave for the first frame that enables, until that has left.
    pub enabling: Option<Enabling>,
    /// Whether the stop frames that leave next are such.
    stop_counts: bool,
    /// The moment for which the stop frames that are due were due.
    stop_due: Instant,
    /// What of the newest stop took the torque off.
    pub took_off: TookOff,
    /// How late this computer is.
    pub late: Lateness,
    pub bursts: Bursts,
    pub again: Again,
    /// Whether keys are wanted.
    pub listening: bool,
    /// Questions that a person said yes to.
    pub confirmed: BTreeSet<String>,
    /// What the heat pulse has shown so far.
    pub pulse: HeatPulse,
    /// What the bus shows of a drive that says it is off.
    pub power: Power,
    pub links: Vec<HostLink>,
    flushed: Vec<bool>,
    polling: bool,
    beating: Vec<Option<Beat>>,
    /// The test that is driven, and since when its profile runs.
    pub profile: Option<(usize, Option<Instant>)>,
    woken: Option<(Instant, Timer)>,
    pub scratch: Vec<Valued>,
}

#[derive(Debug, Clone, Copy)]
struct Beat {
    acknowledged: Instant,
}

impl Core {
    pub(super) fn new(plan: Arc<Plan>) -> Core {
        Core {
            out: VecDeque::new(),
            timers: Timers::default(),
            guard: Guard::new(&plan),
            values: Values::new(&plan),
            state: None,
            driven: false,
            enabled: false,
            zero: Zero::default(),
            slowing: None,
            stop_sent: None,
            enabling: None,
            stop_counts: true,
            stop_due: Instant::ZERO,
            took_off: TookOff::default(),
            late: Lateness::default(),
            bursts: Bursts::default(),
            again: Again::new(plan.links.len()),
            listening: false,
            confirmed: BTreeSet::new(),
            pulse: HeatPulse::default(),
            power: Power::new(&plan),
            links: (0..plan.links.len()).map(|i| HostLink::new(&plan, i)).collect(),
            flushed: vec![false; plan.links.len()],
            polling: false,
            beating: vec![None; plan.demands.len()],
            profile: None,
            woken: None,
            scratch: Vec::new(),
            plan,
        }
    }

    // ---- what states do -------------------------------------------------------------------

    pub(super) fn event(&mut self, now: Instant, what: What) {
        self.out.push_back(Output::Record(Record::Event(Event { at: now, what })));
    }

    pub(super) fn ask(&mut self, link: usize, purpose: Purpose) {
        self.links[link].ask(purpose);
    }

    /// Takes back waiting requests of a link that match.
    pub(super) fn cancel(&mut self, link: usize, drop: impl Fn(Purpose) -> bool) {
        self.links[link].cancel(drop);
    }

    /// A test begins: polls and pump run, nothing turns.
    pub(super) fn begin_test(&mut self, now: Instant, test: usize) {
        self.event(now, What::TestBegan { test });
        self.enabled = self.state.is_some_and(|(state, _)| state.may_drive());
        self.slowing = None;
        self.guard.test_begins();
        self.start_polling(now);
        self.tell_pumps(now);
    }

    /// Sends the pump's demand again and again.
    pub(super) fn tell_pumps(&mut self, now: Instant) {
        let plan = Arc::clone(&self.plan);
        let pumps = plan.demands.iter().enumerate().filter(|(_, d)| d.sets == Sets::Pump);
        pumps.for_each(|(demand, _)| self.start_heartbeat(now, demand));
    }

    /// Starts polling every group; the first request of each goes out at once.
    pub(super) fn start_polling(&mut self, now: Instant) {
        if !std::mem::replace(&mut self.polling, true) {
            for group in 0..self.plan.groups.len() {
                self.timers.set(Timer::Poll(group), now);
            }
        }
    }

    /// Starts sending a demand again and again; the first frame goes out at once.
    pub(super) fn start_heartbeat(&mut self, now: Instant, demand: usize) {
        if self.beating[demand].is_none() {
            self.beating[demand] = Some(Beat { acknowledged: now });
            self.timers.set(Timer::Heartbeat(demand), now);
        }
    }

    /// Stops sending a demand.
    pub(super) fn stop_heartbeat(&mut self, demand: usize) {
        self.beating[demand] = None;
        self.timers.clear(Timer::Heartbeat(demand));
        let link = self.plan.demands[demand].link;
        self.links[link].cancel(|p| p == Purpose::Demand(demand));
    }

    /// The profile of a test begins.
    pub(super) fn start_profile(&mut self, now: Instant, test: usize) {
        self.profile = Some((test, Some(now)));
        self.refresh_demand(test);
    }

    /// Sends the profile's demand out of turn: at the begin of a segment.
    pub(super) fn refresh_demand(&mut self, test: usize) {
        let demand = self.plan.tests[test].demand;
        self.links[self.plan.demands[demand].link].ask(Purpose::Demand(demand));
    }

    /// No profile any more: demands go back to their rest values when next sent, and what was told
    /// before the stop is no longer in force. A proof by older stop frames counts no more.
    fn end_profile(&mut self) {
        self.profile = None;
        self.enabling = None;
        self.stop_sent = None;
        self.guard.unseen.told(0.0);
        self.guard.standing.told_nothing();
        self.guard.fall.stop();
        self.values.on_stop();
    }

    /// Puts the stop frames at the head of every line. `first`: what is under way is abandoned.
    pub(super) fn stop(&mut self, now: Instant, first: bool) {
        let plan = Arc::clone(&self.plan);
        self.take_bursts(now, &[]);
        if first {
            self.again.abandon();
            for link in &mut self.links {
                link.abandon(&plan, now);
            }
        }
        self.stop_counts = true;
        for (index, frame) in plan.stop.frames.iter().enumerate() {
            self.links[frame.link].ask(Purpose::Stop(index));
        }
    }

    /// The stop frames once, and nothing else: the demands go on. They don't cut anything short, so that no quiet time hides
    /// what they do. A proof by older frames counts no more.
    pub(super) fn frames_once(&mut self, now: Instant) {
        self.stop_sent = None;
        self.stop(now, false);
    }

    /// The way to no torque, the same for a stop and for a coast: no profile, no demand but the pump's, stop
    /// frames at the head of every line, and a deadline for the proof.
    pub(super) fn torque_off(&mut self, now: Instant) {
        self.end_profile();
        self.took_off.begin();
        self.listen(false);
        for timer in [Timer::Step, Timer::Watch, Timer::Profile] {
            self.timers.clear(timer);
        }
        let plan = Arc::clone(&self.plan);
        for (index, demand) in plan.demands.iter().enumerate() {
            if demand.sets != Sets::Pump {
                self.stop_heartbeat(index);
            }
        }
        self.stop(now, true);
        self.start_polling(now);
        self.timers.set(Timer::StopFrame, now + plan.stop.every);
        self.timers.set(Timer::Stage, now + plan.stop.not_driven_within);
    }

    /// Sends the stop frames again, and waits for the next time: on the grid that began with the stop, whatever the lines are busy with.
    ///
    /// Stop frames are all alike and turn nothing on. What was asked for after one of them therefore proves as much when another has
    /// left since; only a board that has answered, and is not off, must show it after this one.
    pub(super) fn repeat_stop(&mut self, now: Instant) {
        let answered = self.stop_is_answered();
        self.stop(now, false);
        self.stop_counts = answered;
        let every = self.plan.stop.every;
        let mut next = self.stop_due + every;
        while next <= now {
            next += every;
        }
        self.timers.set(Timer::StopFrame, next);
    }

    /// Whether all that proves the stop has been asked for after the stop frame, and has come.
    fn stop_is_answered(&self) -> bool {
        let Some(sent) = self.stop_sent else { return true };
        let since = |asked: Instant| asked > sent;
        let current = self.plan.stop.current.and_then(|(channel, _)| self.values.latest(channel));
        self.state.is_some_and(|(_, asked)| since(asked))
            && (self.plan.stop.current.is_none() || current.is_some_and(|(_, asked, _)| since(asked)))
    }

    /// Nothing more is sent or waited for.
    pub(super) fn finish(&mut self) {
        self.polling = false;
        self.timers = Timers::default();
        self.guard.disarm();
        self.links.iter_mut().for_each(|l| l.cancel(|_| true));
    }

    // ---- after the states have decided ----------------------------------------------------

    /// Sends what may be sent, then asks to be woken at the next deadline.
    pub(super) fn settle(&mut self, now: Instant) {
        let plan = Arc::clone(&self.plan);
        // It waited for its line longer than its proof is good for: it does not leave, and whoever waits for it refuses.
        if self.enabling.as_ref().is_some_and(|enabling| enabling.refuses(now).is_some()) {
            self.links.iter_mut().for_each(|l| l.cancel(|p| matches!(p, Purpose::Enable(_))));
        }
        self.ask_if_due(now);
        for link in 0..self.links.len() {
            let free_until = self.free_until(&plan, link);
            while let Some(purpose) = self.links[link].next_request(&plan, now, free_until) {
                self.send(&plan, now, link, purpose);
            }
            let deadline = self.links[link].deadline(&plan, now);
            self.timers.set_or_clear(Timer::Reply(link), deadline);
        }
        self.timers.set_or_clear(Timer::Stale, self.guard.stale_at(&plan));
        let next = self.timers.next();
        if next != self.woken {
            self.woken = next;
            if let Some((at, timer)) = next {
                self.out.push_back(Output::WakeAt(at, timer));
            }
        }
    }

    fn send(&mut self, plan: &Plan, now: Instant, link: usize, purpose: Purpose) {
        if matches!(purpose, Purpose::Stop(_) | Purpose::Enable(_) | Purpose::Reset(_)) {
            self.again.frame_sent(now);
        }
        let bytes = match purpose {
            Purpose::Stop(index) => {
                if self.stop_counts || self.stop_sent.is_none() {
                    self.stop_sent = Some(now);
                }
                self.guard.fall.stop_sent(now);
                self.event(now, What::StopSent { link: plan.links[link].name.clone() });
                plan.stop.frames[index].bytes.clone()
            }
            Purpose::Demand(index) => self.demand_frame(plan, now, index),
            Purpose::Enable(index) => {
                self.driven = true;
                self.enabling = None;
                self.enabled = true;
                self.slowing = None;
                plan.drive.enable[index].send.clone()
            }
            Purpose::Reset(index) => plan.drive.reset[index].send.clone(),
            Purpose::Identity => match &plan.links[link].identity {
                // A terminator before the first: whatever a board took for a half-sent line is over.
                Some(identity) if !std::mem::replace(&mut self.flushed[link], true) => {
                    [plan.links[link].ends_with.as_slice(), &identity.send].concat()
                }
                Some(identity) => identity.send.clone(),
                None => return,
            },
            Purpose::Setting(index) => plan.links[link].settings[index].exchange.send.clone(),
            Purpose::Poll(index) => plan.groups[index].exchange.send.clone(),
            Purpose::BurstStart(index) => plan.bursts[index].start.send.clone(),
            Purpose::BurstCount(index) => match &plan.bursts[index].count {
                Some(count) => count.send.clone(),
                None => return,
            },
            Purpose::BurstRead(index) => self.burst_request(plan, index),
        };
        self.links[link].sent(plan, now, purpose, bytes.len());
        self.took_off.sent(plan, now, link, purpose, bytes.len());
        self.out.push_back(Output::Send { link, bytes });
    }

    fn demand_frame(&mut self, plan: &Plan, now: Instant, index: usize) -> Vec<u8> {
        let demand = &plan.demands[index];
        if self.profile.is_some_and(|(test, _)| plan.tests[test].demand == index) {
            self.late.told(now);
        }
        let si = match self.profile {
            Some((test, Some(since))) => self.pulse.demanded(plan, test, index, now - since),
            at_rest => at_rest.and_then(|(test, _)| plan.limit_in(test, index)).unwrap_or(demand.rest),
        };
        let number = demand.send.rounded(demand.unit.from_si(si.clamp(demand.range.0, demand.range.1)));
        let sent = Sent { at: now, demand: index, value: demand.unit.to_si(number) };
        self.values.on_sent(&sent);
        self.guard.standing.told(plan, index, sent.value);
        if demand.sets == Sets::ShaftSpeed {
            self.guard.unseen.told(sent.value);
            self.guard.fall.demand(now, sent.value);
        }
        self.out.push_back(Output::Record(Record::Sent(sent)));
        demand.send.encode(number)
    }
}
