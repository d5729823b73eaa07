//! How far the speed runs away: from where a trip sees it, for as long as it takes to get the torque off.

use super::case::{BEYOND, Case, at_most, fitting, largest, rpm, shown};
use super::finding::Finding;
use crate::diag::{Diag, Place};
use crate::expr::{Memory, Operand};
use crate::files::rig::{self, Coupled, Role, Sets};
use crate::plan::{Crossing, Source, StopFrame, Test, Trip};

const RUNAWAY: &str = "runaway";

/// The furthest that the speed gets.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reach {
    /// Speed without sign, rad/s, when the torque is off.
    pub speed: f64,
    /// The speed at which the trip fires at last, rad/s, and how much more it may be for the speed's uncertainty (k = 2).
    level: f64,
    u: f64,
    /// How long from there to torque off, s.
    latency: f64,
    /// Where the trip was written.
    at: Place,
}

/// What the torque has to bring up to speed, at its least.
#[derive(Debug, Clone, Copy)]
pub(super) struct Turns {
    /// Inertia, kg m².
    inertia: f64,
    /// Torque that something holds against it, Nm; below zero if something turns it further.
    held: f64,
}

/// Which way the shaft turns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Way {
    /// As demands above zero.
    Forward,
    /// The other way.
    Backward,
}

impl Way {
    pub const BOTH: [Way; 2] = [Way::Forward, Way::Backward];

    fn sign(self) -> f64 {
        if self == Way::Forward { 1.0 } else { -1.0 }
    }

    fn word(self) -> &'static str {
        if self == Way::Forward { "above" } else { "below" }
    }
}

impl Case<'_> {
    /// All that turns, with what is coupled holding against it. A machine that may drive does not hold meanwhile.
    pub(super) fn coupled(&self) -> Turns {
        if self.driven_by().is_some() {
            self.let_go()
        } else {
            Turns { held: self.load().0, ..self.let_go() }
        }
    }

    /// All that turns, with nothing that holds: a brake that lets go, or a machine that turns it further.
    pub(super) fn let_go(&self) -> Turns {
        Turns { inertia: self.inertia().0, held: -self.driven_by().map_or(0.0, |(torque, _)| torque) }
    }

    /// Most torque with which what is coupled may turn the shaft, Nm, and where it was written.
    fn driven_by(&self) -> Option<(f64, Place)> {
        self.coupling()?.drives.as_ref().map(|drives| (drives.si, drives.at))
    }

    /// The finding of a hazard that takes how far the shaft is turned, on a rig with a machine coupled that does not say how hard
    /// it may turn it.
    pub(super) fn missing_drives(&self, hazard: &'static str) -> Option<Finding> {
        let machine = self.coupling().is_some_and(|shaft| shaft.coupled.value == Coupled::Machine);
        (machine && self.driven_by().is_none()).then(|| {
            super::missing(
                self,
                hazard,
                "a machine is coupled to the shaft, and the rig does not say with which torque it may turn it",
                "add `drives` to [shaft], as `drives = \"__ Nm\"`: the most that it makes, whatever goes wrong with it",
            )
        })
    }

    /// The rotor alone: a coupling that breaks takes its inertia away as well, and what is left is lighter.
    pub(super) fn broken(&self) -> Turns {
        Turns { inertia: self.unit.rotor.inertia.low, held: 0.0 }
    }

    /// How long it may take from a value that crosses a trip to torque off, s. However many replies are late or lost, a newer value
    /// is there within the channel's staleness, or that itself stops the run; with a `for` the value that confirms it may come
    /// as late again. Then what the rig declares, and the stop frames on the line, each behind the longest frame that may have
    /// been handed to its port just before. `None` if it declares nothing.
    pub(super) fn latency(&self, trip: &Trip) -> Option<f64> {
        let reaction = self.rig.reaction.as_ref()?;
        let lasting = trip.lasting.secs_f64();
        let seen = self.seen_within(trip.channel) * if lasting > 0.0 { 2.0 } else { 1.0 };
        let on_line = |(link, bytes): (usize, usize)| self.plan.links[link].line_time(bytes).secs_f64();
        let frames = &self.plan.stop.frames;
        let stop: f64 = frames.iter().map(|f| on_line((f.link, f.bytes.len()))).sum();
        let first = |(i, f): &(usize, &StopFrame)| frames.iter().position(|g| g.link == f.link) == Some(*i);
        let links = frames.iter().enumerate().filter(first).map(|(_, f)| f.link);
        let before: f64 = links.map(|link| on_line((link, self.plan.longest_frame(link)))).sum();
        Some(
            seen + lasting
                + before
                + stop
                + reaction.runner.si
                + reaction.adapter.si
                + reaction.controller.si,
        )
    }

    /// The longest that a channel's newest value may be old, s: its staleness, counted from the middle between request and reply, and
    /// half of the longest time between these, since it may be as old as its request; or that of the worst that it is derived from.
    /// What a derived channel says of its own age nothing holds it to. A value that may get as old as it likes is never seen.
    fn seen_within(&self, channel: usize) -> f64 {
        let channel = &self.plan.channels[channel];
        match &channel.source {
            Source::Wire { .. } if channel.stale.micros() == i64::MAX => f64::INFINITY,
            Source::Wire { group, .. } => {
                let link = &self.plan.links[self.plan.groups[*group].link];
                channel.stale.secs_f64() + 0.5 * link.reply_within.secs_f64()
            }
            // How late one is that remembers the past, such as a mean, is not known: it is not counted on.
            Source::Derived(expr) if expr.memory() != Memory::default() => f64::INFINITY,
            Source::Derived(expr) => {
                let operands = expr.operands().into_iter();
                let used = operands.filter_map(|o| {
                    if let Operand::Channel(c) = o { Some(self.seen_within(c)) } else { None }
                });
                used.fold(0.0, f64::max)
            }
        }
    }

    /// The highest speed for the length of a stop, rad/s, and where it stands: what the rig says that everything which turns
    /// stands, or else the limit of its suites; never more than the unit's own.
    pub(super) fn overspeed(&self) -> (f64, Place) {
        let declared = self.rig.withstand.as_ref().and_then(|w| w.overspeed.as_ref());
        let (rig, unit) = (declared.unwrap_or(&self.rig.limits.speed), &self.unit.machine.speed_max);
        if unit.si < rig.si { (unit.si, unit.at) } else { (rig.si, rig.at) }
    }

    /// Whether a trip fires at a steady speed while one demand, by its index, stands at a value. `None` if it watches something else, or remembers the past.
    pub(super) fn fires(&self, trip: &Trip, speed: f64, demand: Option<(usize, f64)>) -> Option<bool> {
        let watched = self.plan.channel_with(Role::ShaftSpeed)?;
        let value = if trip.channel == watched {
            speed
        } else {
            let Source::Derived(expr) = &self.plan.channels[trip.channel].source else { return None };
            let known = |operand: Operand| match operand {
                Operand::Channel(c) if c == watched => Some(speed),
                Operand::Demand(d) => demand.filter(|(index, _)| *index == d).map(|(_, value)| value),
                _ => None,
            };
            if expr.memory() != Memory::default() {
                return None;
            }
            expr.eval(&mut Memory::default(), 0.0, &known)?
        };
        match trip.when {
            Crossing::Above(level) => Some(value > level),
            Crossing::Below(level) => Some(value < level),
            Crossing::RisesFaster(..) | Crossing::FallsFaster(..) => None,
        }
    }

    /// The speed at which a trip fires at last, rad/s without sign, while `demand` is in force; `None` if it never does. It is
    /// looked for from the demand outwards: below it the shaft is on its way, and a trip on how far it is off may well fire
    /// there.
    pub(super) fn level(&self, trip: &Trip, way: Way, demand: Option<(usize, f64)>) -> Option<f64> {
        let base = demand.map_or(0.0, |(_, value)| (way.sign() * value).clamp(0.0, BEYOND));
        let silent = |over: f64| self.fires(trip, way.sign() * (base + over), demand) == Some(false);
        if silent(BEYOND) || self.fires(trip, way.sign() * (base + BEYOND), demand).is_none() {
            return None;
        }
        Some(base + largest(BEYOND, silent))
    }

    /// Where a trip was written: that of its limit.
    pub(super) fn trip_at(&self, index: usize) -> Option<Place> {
        // By its name: the plan is made of the rig as the suite uses it, and leaves trips out.
        let name = &self.plan.trips.get(index)?.name;
        let trip: &rig::Trip = self.rig.trip.get(name).or_else(|| self.suite.trip.get(name))?;
        let limits = [&trip.above, &trip.below, &trip.rises_faster, &trip.falls_faster];
        limits.into_iter().flatten().map(|q| q.at).next()
    }

    /// The furthest that the speed gets in a test with the largest torque of a current in A peak: of the trips the one that
    /// stops it first. `None` if no trip does, or if no reaction is declared.
    pub(super) fn reach(&self, test: &Test, way: Way, current: f64, turns: Turns) -> Option<Reach> {
        let acceleration = ((self.torque_of(current) - turns.held) / turns.inertia).max(0.0);
        let sets = self.plan.demands[test.demand].sets;
        let speed_demand = matches!(sets, Sets::ShaftSpeed | Sets::SpeedAtFullPedal);
        let profile = &test.profile;
        let values = profile.segments.iter().flat_map(|s| s.corners.iter().map(|(_, v)| *v));
        let swings = profile.segments.iter().filter_map(|s| s.swing()).flat_map(|s| s.reach());
        let furthest = values.chain(swings).map(|v| v * way.sign()).fold(0.0, f64::max) * way.sign();
        let demand = speed_demand.then_some((test.demand, furthest));
        let u = self.plan.channel_with(Role::ShaftSpeed).map_or(0.0, |c| 2.0 * self.plan.channels[c].u);
        let trips = self.plan.trips.iter().enumerate().filter_map(|(index, trip)| {
            let (level, latency) = (self.level(trip, way, demand)?, self.latency(trip)?);
            let speed = level + u + acceleration * latency;
            Some(Reach { speed, level, u, latency, at: self.trip_at(index)? })
        });
        trips.min_by(|a, b| a.speed.total_cmp(&b.speed))
    }

    /// The furthest of all tests and both ways, rad/s; `None` if nothing bounds it.
    pub(super) fn furthest(&self, current: f64, turns: Turns) -> Option<f64> {
        let mut furthest: f64 = 0.0;
        for test in &self.plan.tests {
            for way in Way::BOTH {
                furthest = furthest.max(self.reach(test, way, current, turns)?.speed);
            }
        }
        Some(furthest)
    }
}

/// From the level of the trip the largest torque of the controller's current limit accelerates the smallest inertia for one
/// reaction: the speed then must be below what rig and unit stand for that long.
pub(super) fn judge(case: &Case<'_>) -> Finding {
    let Some(_) = &case.rig.reaction else { return missing_reaction(case, RUNAWAY) };
    if let Some(missing) = case.missing_drives(RUNAWAY) {
        return missing;
    }
    let (current, current_at) = case.current();
    let turns = case.coupled();
    let (limit, limit_at) = case.overspeed();
    let mut worst: Option<Reach> = None;
    for test in &case.plan.tests {
        for way in Way::BOTH {
            let Some(reach) = case.reach(test, way, current, turns) else {
                return unbounded(case, test, way);
            };
            if worst.is_none_or(|w| reach.speed > w.speed) {
                worst = Some(reach);
            }
        }
    }
    let Some(worst) = worst else { return Finding::none(RUNAWAY, "nothing is driven") };
    let pushed =
        case.driven_by().map_or_else(String::new, |(_, at)| format!(" and what drives, {},", case.said(at)));
    let told = format!(
        "from {} at the trip {} the {} of {}{pushed} gain {} on an inertia of {} within {}, until the torque is off: {}, limit {}",
        rpm(worst.level + worst.u),
        case.said(worst.at),
        shown(case.torque_of(current), "Nm"),
        case.said(current_at),
        rpm(worst.speed - worst.level - worst.u),
        shown(case.inertia().0, "kg m2"),
        shown(worst.latency, "ms"),
        rpm(worst.speed),
        case.said(limit_at),
    );
    Finding::held(RUNAWAY, worst.speed, limit, told, |message| {
        let trip = worst.level - (worst.speed - limit);
        let bounded = |c: f64| case.furthest(c, turns).is_some_and(|s| s <= limit);
        let lower = fitting(largest(current, bounded), "A peak", |current| current).filter(|_| bounded(0.0));
        let help = match (trip > 0.0, lower) {
            (true, Some(current)) => {
                format!("a trip at {} or lower fits, or a current limit of {current}", at_most(trip, "rpm"))
            }
            (true, None) => format!("a trip at {} or lower fits", at_most(trip, "rpm")),
            (false, Some(current)) => format!("with this reaction only a current limit of {current} fits"),
            (false, None) => "with this reaction no trip and no current limit is low enough".to_string(),
        };
        Diag::at(worst.at, message).other(limit_at, "the limit").help(help)
    })
}

/// The finding of a test that no trip ends one way.
fn unbounded(case: &Case<'_>, test: &Test, way: Way) -> Finding {
    let (limit, limit_at) = case.overspeed();
    let message = format!(
        "no trip ends a speed {} every demand of test `{}`: nothing bounds how far it runs away",
        way.word(),
        test.name
    );
    let level = if way == Way::Forward { rpm(0.8 * limit) } else { "-60 rpm".into() };
    let help = format!("add a trip on the shaft speed, such as `{} = \"{level}\"`", way.word());
    Finding::forbidden(RUNAWAY, case.undeclared(message).other(limit_at, "the limit").help(help))
}

/// The finding of a hazard that takes the reaction, on a rig that does not declare it.
pub(super) fn missing_reaction(case: &Case<'_>, hazard: &'static str) -> Finding {
    super::missing(
        case,
        hazard,
        "the rig does not say how long it takes from a crossed trip to torque off",
        "add `[reaction]` with `runner`, `adapter` and `controller`, each at its longest",
    )
}
