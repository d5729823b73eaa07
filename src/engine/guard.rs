//! What is watched while anything may turn: trips on every sample, plausibility, staleness.

use super::believed::Believed;
use super::fall::Fall;
use super::rested::Rested;
use super::standing::Standing;
use super::unseen::Unseen;
use crate::plan::{Channel, Crossing, Plan, Source, Trip};
use crate::time::{Duration, Instant};
use crate::units::{number_text, quantity_text};
use std::collections::VecDeque;

/// How many samples in a row must be implausible before the sensor is disbelieved: one corrupted
/// digit is not a broken sensor, and the level trips see every sample anyway.
const IMPLAUSIBLE_IN_A_ROW: u32 = 2;

/// Why the guard wants the safe state.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Firing {
    /// Name of the trip.
    pub trip: String,
    /// What was measured and what the limit is.
    pub found: String,
    /// Moment of the sample.
    pub sampled: Instant,
}

/// The guard.
#[derive(Debug)]
pub(super) struct Guard {
    trips: Vec<Watched>,
    implausible: Vec<u32>,
    newest: Vec<Option<Instant>>,
    /// Channels that were called stale and have not come back since.
    told: Vec<bool>,
    armed_at: Option<Instant>,
    believed: Vec<Believed>,
    rested: Rested,
    pub unseen: Unseen,
    pub standing: Standing,
    /// Index of the channel of the speed.
    speed: usize,
    pub fall: Fall,
    /// Whether the second reading of the speed was seen to turn in this test.
    pub second_turns: bool,
    /// The board has just begun: it says zero of everything before it has measured anything.
    pub begun: bool,
}

#[derive(Debug, Default)]
struct Watched {
    since: Option<Instant>,
    past: VecDeque<(Instant, f64)>,
}

impl Guard {
    pub(super) fn new(plan: &Plan) -> Guard {
        Guard {
            trips: plan.trips.iter().map(|_| Watched::default()).collect(),
            implausible: vec![0; plan.channels.len()],
            newest: vec![None; plan.channels.len()],
            told: vec![false; plan.channels.len()],
            armed_at: None,
            believed: Believed::all(plan),
            rested: Rested::default(),
            unseen: Unseen::default(),
            standing: Standing::new(plan),
            speed: plan.stop.speed.0,
            fall: Fall::new(),
            second_turns: false,
            begun: false,
        }
    }

    /// Starts watching for staleness; a channel that never came counts from here.
    pub(super) fn arm(&mut self, now: Instant) {
        self.armed_at = Some(now);
        self.told.fill(false);
        self.trips.iter_mut().for_each(|w| w.since = None);
    }

    /// A test begins: what was seen of the shaft in the one before says nothing of this one.
    pub(super) fn test_begins(&mut self) {
        self.fall.test_begins();
        self.second_turns = false;
    }

    /// Stops watching for staleness.
    pub(super) fn disarm(&mut self) {
        self.armed_at = None;
    }

    /// Takes one value (SI) of a channel, asked for, sampled and read at these moments, and says what it fires.
    pub(super) fn value(
        &mut self,
        plan: &Plan,
        channel: usize,
        (asked, at, now): (Instant, Instant, Instant),
        value: f64,
    ) -> Option<Firing> {
        // What is no number is no news.
        if !value.is_nan() {
            self.newest[channel] = Some(at);
            self.told[channel] = false;
        }
        let mut firing = None;
        for (trip, watched) in plan.trips.iter().zip(&mut self.trips) {
            if trip.channel == channel {
                firing = firing.or(watched.value(plan, trip, at, value));
            }
        }
        let (speed, limit) = plan.stop.speed;
        if channel == speed
            && !self.begun
            && let Some(seen) = self.rested.read(now, value, limit)
        {
            self.unseen.read(now, seen, limit);
        }
        firing = firing.or(self.after_a_stop(plan, channel, (asked, now), value));
        for believed in self.believed.iter_mut().filter(|_| !self.begun) {
            firing = firing.or(believed.value(plan, channel, (asked, now), value));
        }
        let told = (channel == speed).then(|| self.unseen.told_now());
        firing = firing.or(self.standing.value(plan, channel, at, value, told));
        firing.or_else(|| self.plausible(&plan.channels[channel], channel, at, value))
    }

    /// What the guard of a shaft without torque makes of a value.
    fn after_a_stop(
        &mut self,
        plan: &Plan,
        channel: usize,
        (asked, now): (Instant, Instant),
        value: f64,
    ) -> Option<Firing> {
        let (speed, limit) = plan.stop.speed;
        if channel == plan.stop.bus.0 {
            self.fall.bus(value);
        }
        if plan.stop.run_down.second_speed == Some(channel) {
            self.second_turns |= value.abs() > limit;
        }
        if channel != speed || self.begun {
            return None;
        }
        let found = self.fall.value(plan, (asked, now), value)?;
        Some(Firing { trip: format!("{} believed", plan.channels[channel].name), found, sampled: asked })
    }

    /// When a shaft whose torque is off since a moment is at rest for certain, by what was read of its speed and what a test told it.
    pub(super) fn at_rest(&self, plan: &Plan, test: Option<usize>, torque_off: Instant) -> Option<Instant> {
        let stop = &plan.stop;
        if self.fall.is_open() {
            return None;
        }
        let unseen = self.unseen.at(torque_off, stop.gain.at(plan.current_in(test)), stop.coast_max)?;
        self.rested.at(torque_off, stop.coast_max).map(|at| at.max(unseen))
    }

    /// Why no value of a channel proves anything, if its reading fell as nothing can.
    pub(super) fn doubt(&self, channel: usize) -> Option<&str> {
        let fell = self.fall.doubt().filter(|_| channel == self.speed);
        fell.or_else(|| self.believed.iter().find_map(|believed| believed.doubt(channel)))
    }

    fn plausible(&mut self, channel: &Channel, index: usize, at: Instant, value: f64) -> Option<Firing> {
        let (low, high) = channel.range;
        if value >= low && value <= high {
            self.implausible[index] = 0;
            return None;
        }
        self.implausible[index] += 1;
        (self.implausible[index] >= IMPLAUSIBLE_IN_A_ROW).then(|| Firing {
            trip: format!("{} plausible", channel.name),
            found: format!(
                "{} read {}, plausible are {} to {}",
                channel.name,
                show(channel, value),
                show(channel, low),
                show(channel, high)
            ),
            sampled: at,
        })
    }

    /// When the next channel gets stale, if nothing comes.
    pub(super) fn stale_at(&self, plan: &Plan) -> Option<Instant> {
        (0..plan.channels.len()).filter_map(|i| self.limit_of_age(plan, i)).map(|(_, at)| at).min()
    }

    /// The first channel that is stale now and was not called so before, by its index.
    pub(super) fn stale(&mut self, plan: &Plan, now: Instant) -> Option<(usize, Firing)> {
        let (index, newest) = (0..plan.channels.len())
            .filter_map(|i| {
                self.limit_of_age(plan, i).filter(|(_, at)| *at <= now).map(|(newest, _)| (i, newest))
            })
            .next()?;
        self.told[index] = true;
        let channel = &plan.channels[index];
        let firing = Firing {
            trip: format!("{} stale", channel.name),
            found: format!(
                "the newest value of {} is {} ms old, {} ms allowed",
                channel.name,
                (now - newest).micros() / 1000,
                channel.stale.micros() / 1000
            ),
            sampled: newest,
        };
        Some((index, firing))
    }

    /// The moment a read channel counts from, and when it will be stale.
    fn limit_of_age(&self, plan: &Plan, index: usize) -> Option<(Instant, Instant)> {
        let channel = &plan.channels[index];
        let read = matches!(channel.source, Source::Wire { .. }) && !self.told[index];
        let armed = self.armed_at.filter(|_| read)?;
        let newest = self.newest[index].unwrap_or(armed).max(armed);
        let at = newest + channel.stale;
        (at < Instant::NEVER).then_some((newest, at))
    }
}

impl Watched {
    fn value(&mut self, plan: &Plan, trip: &Trip, at: Instant, value: f64) -> Option<Firing> {
        // It says nothing, neither for what has lasted so far nor against it.
        if value.is_nan() {
            return None;
        }
        let channel = &plan.channels[trip.channel];
        // The words are made only for a trip that fires: this runs on every sample.
        let (crossed, rate) = match trip.when {
            Crossing::Above(limit) => (value > limit, 0.0),
            Crossing::Below(limit) => (value < limit, 0.0),
            Crossing::RisesFaster(limit, over) => {
                self.rate(at, value, over).map_or((false, 0.0), |rate| (rate > limit, rate))
            }
            Crossing::FallsFaster(limit, over) => {
                self.rate(at, value, over).map_or((false, 0.0), |rate| (-rate > limit, -rate))
            }
        };
        if !crossed {
            self.since = None;
            return None;
        }
        let since = *self.since.get_or_insert(at);
        if at - since < trip.lasting {
            return None;
        }
        let lasting =
            if trip.lasting > Duration::ZERO { format!(" for {}", at - since) } else { String::new() };
        Some(Firing {
            trip: trip.name.clone(),
            found: format!("{}: {}{lasting}", channel.name, found(channel, trip, value, rate)),
            sampled: at,
        })
    }

    /// Least-squares slope per second over the past `over`; `None` until that much past is there.
    fn rate(&mut self, at: Instant, value: f64, over: Duration) -> Option<f64> {
        if !value.is_finite() {
            return None;
        }
        self.past.push_back((at, value));
        // One sample beyond the window stays, so that the past covers all of it.
        while self.past.len() > 2 && at - self.past[1].0 >= over {
            self.past.pop_front();
        }
        if at - self.past.front()?.0 < over {
            return None;
        }
        let n = self.past.len() as f64;
        let seconds = |t: Instant| (t - at).secs_f64();
        let t_mean = self.past.iter().map(|(t, _)| seconds(*t)).sum::<f64>() / n;
        let v_mean = self.past.iter().map(|(_, v)| *v).sum::<f64>() / n;
        let (mut tv, mut tt) = (0.0, 0.0);
        for (t, v) in &self.past {
            let dt = seconds(*t) - t_mean;
            tv += dt * (v - v_mean);
            tt += dt * dt;
        }
        (tt > 0.0).then(|| tv / tt)
    }
}

/// What was measured and the limit that it crossed; `rate` per second where the trip is for one.
fn found(channel: &Channel, trip: &Trip, value: f64, rate: f64) -> String {
    match trip.when {
        Crossing::Above(limit) => format!("{} above {}", show(channel, value), show_limit(channel, limit)),
        Crossing::Below(limit) => format!("{} below {}", show(channel, value), show_limit(channel, limit)),
        Crossing::RisesFaster(limit, over) => rate_text(channel, "rising", rate, limit, over),
        Crossing::FallsFaster(limit, over) => rate_text(channel, "falling", rate, limit, over),
    }
}

/// A channel's value as people read it: `612.4 rpm`.
pub(super) fn show(channel: &Channel, si: f64) -> String {
    let u = Some(channel.u).filter(|u| *u > 0.0);
    quantity_text(&channel.unit, si, u)
}

fn show_limit(channel: &Channel, si: f64) -> String {
    format!("{} {}", number_text(channel.unit.from_si(si)), channel.unit).trim_end().to_string()
}

fn rate_text(channel: &Channel, way: &str, rate: f64, limit: f64, over: Duration) -> String {
    let per_second = |r: f64| number_text((channel.unit.difference_from_si(r) * 1e3).round() / 1e3);
    let unit = if channel.unit.kind.absolute { "K".into() } else { channel.unit.text.clone() };
    format!("{way} at {} {unit}/s over {over}, limit {} {unit}/s", per_second(rate), per_second(limit))
}

#[cfg(test)]
mod tests;
