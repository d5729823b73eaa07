//! The stop is demanded within its deadline once its cause could be known. What could be known is worked out here
//! from the bytes that came in, the plan's limits and the clock, with nothing of the engine or its guard.
//!
//! For what comes with bytes or from outside the deadline is nought: the frame leaves at the same moment of the virtual
//! clock. For what comes with time (a value too old, a demand not acknowledged) it is the limit itself, the period
//! of the demand where that is what looks, and as much as the rehearsed surroundings let a wake-up be late.

use super::evidence::{Evidence, Told, What};
use super::listen::{Asked, Heard, Sample};
use super::{Breach, Rule};
use crate::expr::{Memory, Operand};
use crate::files::rig::Sets;
use crate::plan::{Crossing, Plan, Source, Trip};
use crate::time::{Duration, Instant};
use std::f64::consts::TAU;

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
            // It tells of the controller when it was told, no later, whenever the runner came to hear of it.
            if let Some((sent, Asked::Demand(_))) = heard.answers {
                judge.acknowledged = judge.acknowledged.max(sent);
            }
        }
        while let Some(known) = samples.get(sample).filter(|s| s.moment == index) {
            sample += 1;
            cause = cause.or(judge.take(known));
        }
        if moment.input == What::Stop {
            cause = cause.or(Some("somebody demanded a stop".into()));
        }
        if let What::Lost(link) = moment.input {
            judge.lost[link] = true;
        }
        let was_driven = judge.driven;
        let mut stopped = false;
        for &told in &moment.told {
            stopped |= told.stops();
            judge.told(now, told);
        }
        let reachable = evidence.plan.stop.frames.iter().any(|f| !judge.lost[f.link]);
        if let Some(cause) = cause.filter(|_| was_driven && !stopped && reachable) {
            breaches.push(Breach { rule: Rule::LateStop, at: now, found: cause });
            return;
        }
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
    first_demand: Option<Instant>,
    acknowledged: Instant,
    lost: Vec<bool>,
    demand: Option<f64>,
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
            first_demand: None,
            acknowledged: Instant::ZERO,
            lost: vec![false; plan.links.len()],
            demand: None,
            newest: vec![None; plan.channels.len()],
            implausible: vec![0; plan.channels.len()],
            crossing: vec![None; plan.trips.len()],
            past: vec![Vec::new(); plan.trips.len()],
            memories: plan.channels.iter().map(memory).collect(),
        }
    }

    fn told(&mut self, now: Instant, told: Told) {
        if told.stops() {
            self.driven = false;
            (self.turning, self.first_demand, self.demand) = (None, None, None);
        } else if told.enables() && !self.driven {
            self.driven = true;
            self.since = now;
            self.crossing.fill(None);
        }
        if let Told::Speed(rpm, _) = told {
            self.demand = Some(rpm * TAU / 60.0);
            if self.first_demand.is_none() {
                self.first_demand = Some(now);
                self.acknowledged = now;
            }
            if self.driven && rpm != 0.0 {
                self.turning.get_or_insert(now);
            }
        }
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
        let demand = self.plan.demands.iter().find(|d| d.sets == Sets::ShaftSpeed && d.expect.is_some())?;
        let patience = self.plan.drive.command_timeout.max(demand.every * 3) + demand.every;
        self.first_demand?;
        past(self.acknowledged + patience)
            .then(|| format!("no demand was acknowledged for {}", now - self.acknowledged))
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
            let (newest, demand) = (&self.newest, self.demand);
            let get = |operand: Operand| match operand {
                Operand::Channel(c) => newest[c].map(|(_, v)| v),
                Operand::Demand(d) => demand.filter(|_| plan.demands[d].sets == Sets::ShaftSpeed),
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
    /// is 27).
    fn state(&self, sample: &Sample, word: f64) -> Option<String> {
        let enabled = (0.0..=65535.0).contains(&word) && word.fract() == 0.0 && word as u32 & 0x6F == 0x27;
        let turning = self.turning.is_some_and(|since| sample.asked > since);
        (turning && !enabled).then(|| format!("the status word is {word}, not operation enabled"))
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
