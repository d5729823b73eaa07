//! Whether the speed can have fallen as it reads after the torque is off. A shaft without torque has only its own drag: what reads a
//! tenth, or turns the other way, from one sample to the next is no shaft. Such a reading shows no rest.

use super::guard::show;
use crate::plan::{Plan, Source};
use crate::time::{Duration, Instant};
use std::collections::VecDeque;

/// How many readings a fall counts from. The slowest of them is where the shaft was: one that noise has lifted is not.
const BASE: usize = 10;

/// Fewest of them that a fall can count from.
const BASE_MIN: usize = 6;

/// How many readings in a row must lie too low: noise swings back, and a flipped digit is one.
const IN_A_ROW: u32 = 6;

/// By how many standard uncertainties two readings of what stands still may lie apart.
const APART: f64 = 4.0;

/// By how many times as fast as the files say a shaft may run down in all.
const STIFF: f64 = 1.25;

/// For how long on top it may: two samples that lie side by side say little of a rate.
const JOLT: Duration = Duration::from_millis(50);

/// How long a tracking filter takes to come to where the shaft is, after the torque has gone or a board has begun anew.
const SETTLES: Duration = Duration::from_millis(100);

/// Below how many times what counts as rest nothing is judged: cogging stops and rocks a shaft that is slow.
const NEAR_REST: f64 = 4.0;

/// For how long before a stop a demand counts: a shaft follows later.
const DEMANDS_FOR: Duration = Duration::from_millis(200);

/// Follows the speed of a shaft from before a stop on, with its sign.
#[derive(Debug)]
pub(super) struct Fall {
    /// Speed demands, rad/s without sign, the newest and those of shortly before.
    demands: VecDeque<(Instant, f64)>,
    /// The newest readings with the torque on, and when each was asked for.
    before: VecDeque<(Instant, f64)>,
    /// When the newest sample was asked for that says that the drive may drive.
    on: Option<Instant>,
    off: Option<Off>,
    /// The newest three readings of the bus, V.
    bus: [f64; 3],
    /// Until when readings of a board that has just begun say nothing.
    begun: Instant,
    doubt: Option<String>,
}

/// The torque is being taken off.
#[derive(Debug, Default)]
struct Off {
    /// When the first stop frame left.
    frame: Option<Instant>,
    /// The newest readings that can be, after the torque was off and the filter came to rest.
    since: VecDeque<(Instant, f64)>,
    low: u32,
}

impl Fall {
    pub(super) fn new() -> Fall {
        Fall {
            demands: VecDeque::new(),
            before: VecDeque::new(),
            on: None,
            off: None,
            bus: [f64::INFINITY; 3],
            begun: Instant::ZERO,
            doubt: None,
        }
    }

    /// A test begins.
    pub(super) fn test_begins(&mut self) {
        self.demands.clear();
        self.before.clear();
        (self.on, self.off) = (None, None);
    }

    /// A speed is demanded, rad/s.
    pub(super) fn demand(&mut self, now: Instant, speed: f64) {
        while self.demands.get(1).is_some_and(|(at, _)| now - *at > DEMANDS_FOR) {
            self.demands.pop_front();
        }
        self.demands.push_back((now, speed.abs()));
    }

    /// A stop is demanded; a coast that ends in one has been off for longer. What a hand has turned a hand may stop.
    pub(super) fn stop(&mut self) {
        if self.on.is_some() {
            self.off.get_or_insert_default();
        }
    }

    /// A stop frame leaves.
    pub(super) fn stop_sent(&mut self, now: Instant) {
        if let Some(off) = &mut self.off {
            off.frame.get_or_insert(now);
        }
    }

    /// The drive says that it may drive.
    pub(super) fn on(&mut self, asked: Instant) {
        self.on = Some(asked);
    }

    /// The board has just begun, and has measured nothing yet.
    pub(super) fn begun(&mut self, now: Instant) {
        self.begun = now + SETTLES * 2;
        self.off.iter_mut().for_each(|off| off.since.clear());
    }

    /// Takes a reading of the bus, V.
    pub(super) fn bus(&mut self, volts: f64) {
        if !volts.is_nan() {
            self.bus.rotate_left(1);
            self.bus[2] = volts.abs();
        }
    }

    /// Why the speed is not believed, if it is not.
    pub(super) fn doubt(&self) -> Option<&str> {
        self.doubt.as_deref()
    }

    /// Whether the newest readings lie too low, and it is not sure yet whether they stay there.
    pub(super) fn is_open(&self) -> bool {
        self.off.as_ref().is_some_and(|off| off.low > 0)
    }

    /// The fastest that was read before the stop, rad/s.
    pub(super) fn fastest_before(&self) -> f64 {
        self.before.iter().map(|(_, v)| v.abs()).fold(0.0, f64::max)
    }

    /// Takes a reading, rad/s, that was asked for at one moment and read at another; says in words if it fell further than it can have.
    pub(super) fn value(
        &mut self,
        plan: &Plan,
        (asked, now): (Instant, Instant),
        speed: f64,
    ) -> Option<String> {
        let read = matches!(plan.channels[plan.stop.speed.0].source, Source::Wire { .. });
        if !read || speed.is_nan() || self.doubt.is_some() || now < self.begun {
            return None;
        }
        let reaction = plan.stop.run_down.reaction;
        let frame = self.off.as_ref().and_then(|off| off.frame);
        let Some(frame) = frame.filter(|_| self.on.is_none_or(|on| asked > on)) else {
            // With the torque on it goes where the drive takes it.
            self.off.iter_mut().for_each(|off| (off.low, off.since) = (0, VecDeque::new()));
            keep(&mut self.before, asked, speed);
            return None;
        };
        let effect = frame.max(self.on.unwrap_or(frame)) + reaction;
        let from_before = self.fell_from_before(plan, now, effect, speed);
        let (from, most) = match from_before.or_else(|| self.fell_since(plan, now, speed)) {
            Some(fell) => fell,
            None => {
                let off = self.off.as_mut()?;
                off.low = 0;
                if asked > effect + SETTLES {
                    keep(&mut off.since, asked, speed);
                }
                return None;
            }
        };
        let off = self.off.as_mut()?;
        off.low += 1;
        if off.low < IN_A_ROW {
            return None;
        }
        let channel = &plan.channels[plan.stop.speed.0];
        let found = format!(
            "{} fell from {} to {} within {} after the stop, and without torque this shaft falls by no more than {} in that \
             time: it is not believed",
            channel.name,
            show(channel, from.1),
            show(channel, speed),
            now - from.0,
            show(channel, most),
        );
        self.doubt = Some(found.clone());
        Some(found)
    }

    /// Whether it lies lower than a shaft can that was as fast as before the stop: from where and by how much it can have fallen.
    fn fell_from_before(
        &self,
        plan: &Plan,
        now: Instant,
        effect: Instant,
        speed: f64,
    ) -> Option<((Instant, f64), f64)> {
        let run_down = &plan.stop.run_down;
        let base = Base::of(&self.before)?;
        let coast = self.coast(plan, base.fastest);
        // What brakes until the stop frame is obeyed is a drive that follows its demand; of one that has no speed demand, or one that
        // is far below, all of its torque.
        let lowest = self.demands.iter().map(|(_, speed)| *speed).fold(f64::INFINITY, f64::min);
        let follows = lowest.is_finite() && lowest >= base.slowest - run_down.overshoot;
        let brakes = if follows { run_down.follows } else { plan.stop.speed_change_max };
        let braked = (effect.min(now) - base.asked).max(Duration::ZERO).secs_f64();
        let coasted = (now - effect.max(base.asked)).max(Duration::ZERO).secs_f64();
        let most = (brakes + coast) * braked + STIFF * coast * coasted;
        base.is_below(plan, speed, most)
    }

    /// The same of a reading that was believed after the torque was off.
    fn fell_since(&self, plan: &Plan, now: Instant, speed: f64) -> Option<((Instant, f64), f64)> {
        let base = Base::of(&self.off.as_ref()?.since)?;
        let apart = now - base.asked;
        let most = self.coast(plan, base.fastest) * (STIFF * apart.secs_f64() + apart.min(JOLT).secs_f64());
        base.is_below(plan, speed, most)
    }

    /// The fastest fall without torque at a speed, rad/s2. Where the magnets give more than the bus the diodes brake.
    fn coast(&self, plan: &Plan, speed: f64) -> f64 {
        // Windings that the stop shorts brake as hard as they can.
        if plan.stop.holding.shorted {
            return f64::INFINITY;
        }
        // Weight out of balance turns the shaft, or holds it back.
        if plan.stop.slowing.blind.is_some() {
            return plan.stop.speed_change_max;
        }
        let mut bus = self.bus;
        bus.sort_by(f64::total_cmp);
        if plan.stop.run_down.emf * speed >= bus[1] {
            return plan.stop.speed_change_max;
        }
        plan.stop.run_down.fastest_at(speed).min(plan.stop.speed_change_max)
    }
}

fn keep(readings: &mut VecDeque<(Instant, f64)>, asked: Instant, speed: f64) {
    if readings.len() == BASE {
        readings.pop_front();
    }
    readings.push_back((asked, speed));
}

/// What a fall counts from.
struct Base {
    asked: Instant,
    /// Which way it turns: 1 or -1.
    way: f64,
    slowest: f64,
    fastest: f64,
}

impl Base {
    fn of(readings: &VecDeque<(Instant, f64)>) -> Option<Base> {
        let (asked, _) = *readings.back().filter(|_| readings.len() >= BASE_MIN)?;
        let way = 1f64.copysign(readings.iter().map(|(_, v)| v).sum());
        let along = || readings.iter().map(|(_, v)| v * way);
        let (slowest, fastest) = (along().fold(f64::INFINITY, f64::min), along().fold(0.0, f64::max));
        Some(Base { asked, way, slowest, fastest })
    }

    fn is_below(&self, plan: &Plan, speed: f64, most: f64) -> Option<((Instant, f64), f64)> {
        let (channel, rest) = plan.stop.speed;
        // Noise that was there before may be there again.
        let most = most + APART * plan.channels[channel].u + (self.fastest - self.slowest);
        let fell = self.slowest >= NEAR_REST * rest && speed * self.way < self.slowest - most;
        fell.then_some(((self.asked, self.slowest * self.way), most))
    }
}
