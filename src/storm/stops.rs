//! The stop is demanded within its deadline once its cause could be known. What could be known is worked out here
//! from the bytes that came in, the plan's limits and the clock, with nothing of the engine or its guard.
//!
//! A cause is not forgotten with its stop: nothing may be enabled after it, and a run that had one has not passed.
//!
//! For what comes with bytes or from outside the deadline is nought: the frame leaves at the same moment of the virtual
//! clock. For what comes with time (a value too old, a demand not acknowledged) it is the limit itself, the period
//! of the demand where that is what looks, and as much as the rehearsed surroundings let a wake-up be late.

use super::demands::rounding;
use super::evidence::{Course, Evidence, Moment, Told, What};
use super::listen::{Asked, Heard, Sample};
use super::{Breach, Rule};
use crate::expr::{Memory, Operand};
use crate::files::rig::Sets;
use crate::outcome::Cause;
use crate::plan::{Crossing, Plan, Segment, Shape, Source, Trip};
use crate::time::{Duration, Instant};

/// Samples out of the plausible range in a row before a sensor must be disbelieved.
const IMPLAUSIBLE: u32 = 2;

pub(super) fn too_late(
    evidence: &Evidence<'_>,
    lines: &[Heard],
    samples: &[Sample],
    breaches: &mut Vec<Breach>,
) {
    let mut judge = Judge::new(evidence);
    let (mut line, mut sample) = (0, 0);
    for (index, moment) in evidence.moments.iter().enumerate() {
        let now = moment.at;
        let mut cause = judge.overdue(now);
        while let Some(heard) = lines.get(line).filter(|h| h.moment == index) {
            line += 1;
            judge.hear(heard);
        }
        while let Some(known) = samples.get(sample).filter(|s| s.moment == index) {
            sample += 1;
            cause = cause.or(judge.take(known));
        }
        // In a silence the drive is expected to switch itself off.
        let mut lasting = cause.clone().filter(|_| judge.driven && !judge.in_silence(now));
        let outside = match moment.input {
            What::Stop => Some(String::from("somebody demanded a stop")),
            // It may take bytes again: stop frames are tried on it as well.
            What::Lost(link) => Some(format!("link {link} was lost")),
            _ => None,
        };
        if let Some(found) = outside {
            (cause, lasting) = (cause.or(Some(found.clone())), Some(found));
        }
        judge.ends = judge.ends.take().or(lasting.map(|found| (now, found)));
        if !moment.stops.is_empty() && judge.ends.is_none() && judge.driven && judge.before_the_end(now) {
            let found = String::from("a stop was sent before the profile can have ended");
            judge.ends = Some((now, found));
        }
        let stopped = judge.stops_with(moment);
        if let What::Lost(link) = moment.input {
            judge.lost[link] = true;
        }
        if let Some(cause) = cause.filter(|_| judge.driven && !stopped) {
            breaches.push(Breach { rule: Rule::LateStop, at: now, found: cause });
            return;
        }
        if !moment.stops.is_empty() {
            judge.stopped(now);
        }
        moment.told.iter().for_each(|told| judge.told(now, *told));
        if let Some((since, found)) = judge.ends.as_ref().filter(|_| moment.told.iter().any(|t| t.enables()))
        {
            let found = format!("the controller was enabled again, and at {since} {found}");
            breaches.push(Breach { rule: Rule::WentOn, at: now, found });
            return;
        }
    }
    at_the_end(&judge, breaches);
}

/// What a run must not have ended with.
fn at_the_end(judge: &Judge<'_>, breaches: &mut Vec<Breach>) {
    let evidence = judge.evidence;
    if let Some((since, found)) = judge.ends.as_ref().filter(|_| evidence.ended.cause == Cause::Passed) {
        let found = format!("the run ended as passed, and at {since} {found}");
        breaches.push(Breach { rule: Rule::WentOn, at: evidence.ended.at, found });
    }
    if judge.driven && !judge.lost.iter().any(|l| *l) {
        let found = "the run ended without a stop frame after the last frame that enables".into();
        breaches.push(Breach { rule: Rule::LateStop, at: evidence.ended.at, found });
    }
}

struct Judge<'e> {
    evidence: &'e Evidence<'e>,
    plan: &'e Plan,
    /// A frame that enables has been sent, and no stop frame since.
    driven: bool,
    /// Since when.
    since: Instant,
    /// When a demand off its rest value was first sent since.
    turning: Option<Instant>,
    course: Course,
    /// The first cause that ends the run.
    ends: Option<(Instant, String)>,
    /// Whether each demand is being told, and when what was last acknowledged of it had been sent.
    telling: Vec<bool>,
    acknowledged: Vec<Instant>,
    /// What was last told of each demand, SI.
    demands: Vec<Option<f64>>,
    lost: Vec<bool>,
    /// Samples in a row whose status word is not that of an enabled drive.
    not_enabled: u32,
    newest: Vec<Option<(Instant, f64)>>,
    implausible: Vec<u32>,
    crossing: Vec<Option<Instant>>,
    past: Vec<Vec<(Instant, f64)>>,
    memories: Vec<Memory>,
}

impl<'e> Judge<'e> {
    fn new(evidence: &'e Evidence<'e>) -> Judge<'e> {
        let plan = evidence.plan;
        let memory = |c: &crate::plan::Channel| match &c.source {
            Source::Derived(expr) => expr.memory(),
            Source::Wire { .. } => Memory::default(),
        };
        Judge {
            evidence,
            plan,
            driven: false,
            since: Instant::ZERO,
            turning: None,
            course: Course::new(plan),
            ends: None,
            telling: vec![false; plan.demands.len()],
            acknowledged: vec![Instant::ZERO; plan.demands.len()],
            demands: vec![None; plan.demands.len()],
            lost: vec![false; plan.links.len()],
            not_enabled: 0,
            newest: vec![None; plan.channels.len()],
            implausible: vec![0; plan.channels.len()],
            crossing: vec![None; plan.trips.len()],
            past: vec![Vec::new(); plan.trips.len()],
            memories: plan.channels.iter().map(memory).collect(),
        }
    }

    /// An acknowledgement tells of the controller when it was told, no later, whenever the runner came to hear of it.
    fn hear(&mut self, heard: &Heard) {
        if let Some((sent, Asked::Demand(demand))) = heard.answers {
            self.acknowledged[demand] = self.acknowledged[demand].max(sent);
        }
    }

    /// Whether a stop frame was sent on every link that has one and is not lost.
    fn stops_with(&self, moment: &Moment) -> bool {
        self.plan.stop.frames.iter().all(|f| self.lost[f.link] || moment.stops.contains(&f.link))
    }

    fn stopped(&mut self, now: Instant) {
        // The pump is told on, but for a silence, in which nothing is.
        let silent = self.in_silence(now);
        for (telling, demand) in self.telling.iter_mut().zip(&self.plan.demands) {
            *telling &= demand.sets == Sets::Pump && !silent;
        }
        self.course.stopped(now);
        self.driven = false;
        self.turning = None;
        self.demands.fill(None);
    }

    fn told(&mut self, now: Instant, told: Told) {
        self.course.told(now, told);
        if told.enables() && !self.driven {
            self.driven = true;
            self.since = now;
            self.crossing.fill(None);
            self.not_enabled = 0;
        }
        let Told::Demand(sets, number, decimals) = told else { return };
        let Some(index) = self.plan.demands.iter().position(|d| d.sets == sets) else { return };
        let demand = &self.plan.demands[index];
        self.demands[index] = Some(demand.unit.to_si(number));
        if !std::mem::replace(&mut self.telling[index], true) {
            self.acknowledged[index] = now;
        }
        let off_rest = (number - demand.unit.from_si(demand.rest)).abs() > rounding(decimals);
        if self.driven && !matches!(sets, Sets::Pump | Sets::CurrentLimit) && off_rest {
            self.turning.get_or_insert(now);
        }
    }

    /// Whether neither the profile of the test that is driven can be over nor the torque be taken off by it.
    fn before_the_end(&self, now: Instant) -> bool {
        let Some((on, Some(test))) = self.course.test() else { return true };
        let quiet = self.plan.ready.quiet.map_or(Duration::ZERO, |q| q.settle + q.observe);
        let profile = &self.plan.tests[test].profile;
        let takes_off = |s: &&Segment| s.coasts() || matches!(s.shape, Shape::Silence | Shape::StopFrame);
        let off = profile.segments.iter().find(takes_off);
        let end = off.and_then(|s| s.corners.first()).map_or(profile.length(), |(begin, _)| *begin);
        now < on + quiet + end
    }

    /// Whether the silence of the test that is driven may have begun.
    fn in_silence(&self, now: Instant) -> bool {
        let Some((on, Some(test))) = self.course.test() else { return false };
        let quiet = self.plan.ready.quiet.map_or(Duration::ZERO, |q| q.settle + q.observe);
        let segments = &self.plan.tests[test].profile.segments;
        let silence = segments.iter().find(|s| s.shape == Shape::Silence).and_then(|s| s.corners.first());
        silence.is_some_and(|(begin, _)| now >= on + quiet + *begin)
    }

    /// What time alone should have made known by now.
    fn overdue(&self, now: Instant) -> Option<String> {
        if !self.driven {
            return None;
        }
        let around = &self.evidence.around;
        let past = |due: Instant| now > around.reaches(due + around.latest(due));
        for (index, channel) in self.plan.channels.iter().enumerate() {
            let wire = matches!(channel.source, Source::Wire { .. });
            let newest = self.newest[index].map_or(self.since, |(at, _)| at);
            if wire && channel.stale < Duration::from_millis(1_000_000) && past(newest + channel.stale) {
                return Some(format!("{} is {} old, {} allowed", channel.name, now - newest, channel.stale));
            }
        }
        if self.in_silence(now) {
            return None;
        }
        let told = self.plan.demands.iter().zip(&self.acknowledged).zip(&self.telling);
        let told = told.filter(|((demand, _), telling)| **telling && demand.expect.is_some());
        told.map(|(told, _)| told).find_map(|(demand, acknowledged)| {
            let patience = self.plan.drive.command_timeout.max(demand.every * 3) + demand.every;
            past(*acknowledged + patience)
                .then(|| format!("no demand of {} was acknowledged for {}", demand.name, now - *acknowledged))
        })
    }

    /// Takes a sample and says what in it should have brought the stop.
    fn take(&mut self, sample: &Sample) -> Option<String> {
        let plan = self.plan;
        let mut cause = None;
        for (channel, value) in sample.values(plan) {
            self.newest[channel] = Some((sample.known, value));
            if channel == plan.drive.state {
                cause = cause.or(self.state(sample, value));
                continue;
            }
            let (low, high) = plan.channels[channel].range;
            let plausible = value >= low && value <= high;
            self.implausible[channel] = if plausible { 0 } else { self.implausible[channel] + 1 };
            if self.implausible[channel] >= IMPLAUSIBLE {
                let name = &plan.channels[channel].name;
                cause = cause.or(Some(format!("{name} read {value} (SI) for the second time")));
            }
            cause = cause.or(self.trips(sample, channel, value));
        }
        for (channel, derived) in plan.channels.iter().enumerate() {
            let Source::Derived(expr) = &derived.source else { continue };
            let (newest, demands) = (&self.newest, &self.demands);
            let get = |operand: Operand| match operand {
                Operand::Channel(c) => newest[c].map(|(_, v)| v),
                Operand::Demand(d) => demands[d],
            };
            let fresh = expr.operands().iter().any(
                |o| matches!(o, Operand::Channel(c) if newest[*c].is_some_and(|(at, _)| at == sample.known)),
            );
            if !fresh {
                continue;
            }
            let value = expr.eval(&mut self.memories[channel], sample.known.secs_f64(), &get);
            if let Some(value) = value {
                self.newest[channel] = Some((sample.known, value));
                cause = cause.or(self.trips(sample, channel, value));
            }
        }
        cause
    }

    /// Once a demand off rest has gone out, the drive must say that it is enabled (CiA 402: status word under mask 6F
    /// is 27). In a silence a sample that was asked for before it says nothing: there can be one of these.
    fn state(&mut self, sample: &Sample, word: f64) -> Option<String> {
        let enabled = (0.0..=65535.0).contains(&word) && word.fract() == 0.0 && word as u32 & 0x6F == 0x27;
        let turning = self.turning.is_some_and(|since| sample.asked > since);
        self.not_enabled = if turning && !enabled { self.not_enabled + 1 } else { 0 };
        let enough = if self.in_silence(sample.known) { 2 } else { 1 };
        (self.not_enabled >= enough).then(|| format!("the status word is {word}, not operation enabled"))
    }

    fn trips(&mut self, sample: &Sample, channel: usize, value: f64) -> Option<String> {
        let mut cause = None;
        for (index, trip) in self.plan.trips.iter().enumerate().filter(|(_, t)| t.channel == channel) {
            let crossed = match trip.when {
                Crossing::Above(limit) => value > limit,
                Crossing::Below(limit) => value < limit,
                Crossing::RisesFaster(limit, over) => self.rises(index, sample.known, value, over) > limit,
                Crossing::FallsFaster(limit, over) => -self.rises(index, sample.known, value, over) > limit,
            };
            if !crossed {
                self.crossing[index] = None;
                continue;
            }
            let since = *self.crossing[index].get_or_insert(sample.known);
            // The sample was taken after it was asked for: by then the crossing had surely lasted so long.
            if sample.asked - since >= trip.lasting || trip.lasting == Duration::ZERO {
                cause = cause.or(Some(words(trip, value)));
            }
        }
        cause
    }

    /// The slope that the samples of the window surely have: the lesser of the two halves' mean slopes where both
    /// have one sign. A straight line through all of them is at least as steep wherever the rise is steady.
    fn rises(&mut self, trip: usize, at: Instant, value: f64, over: Duration) -> f64 {
        let past = &mut self.past[trip];
        past.push((at, value));
        past.retain(|(t, _)| at - *t <= over + Duration::from_millis(200));
        let (first, last) = (past[0], past[past.len() - 1]);
        if last.0 - first.0 < over {
            return 0.0;
        }
        let middle = past[past.len() / 2];
        let slope = |a: (Instant, f64), b: (Instant, f64)| (b.1 - a.1) / (b.0 - a.0).secs_f64();
        let (early, late) = (slope(first, middle), slope(middle, last));
        // A tenth of margin: neither this nor a least-squares line is the truth.
        if early * late > 0.0 { 0.9 * if early.abs() < late.abs() { early } else { late } } else { 0.0 }
    }
}

fn words(trip: &Trip, value: f64) -> String {
    format!("trip {} at {value} (SI)", trip.name)
}
