//! Whether the speed falls as that of a shaft that nothing drives. A board that says *off* may lie; what is off gets no faster, and
//! no slower than friction brakes it.
//!
//! What gears, couplings and weight do to the speed comes again with each turn of the slowest shaft. So its mean over one such turn
//! counts, and two of those means are compared. On a shaft that brakes by `a` or more all the time, `w + a t` never rises; its mean over a
//! window never rises either as the window moves on. The mean of `a t` over a window is `a` times the middle of it: the mean speed must
//! have fallen by `a` times what lies between the two middles.

use super::core::Core;
use super::guard::show;
use crate::plan::{Channel, Plan};
use crate::time::{Duration, Instant};
use std::collections::VecDeque;

/// The middle one of so many readings in a row counts: two flipped digits are no speed.
const MIDDLE_OF: usize = 5;

/// How many means are kept for each turn, at most.
const MEANS_PER_TURN: f64 = 8.0;

/// How many means are kept; then every other one goes, and the oldest stay.
const MEANS: usize = 64;

/// How often the time of the slowest coast must have passed until a shaft that still turns is driven.
const COASTS: f64 = 2.0;

/// By how many times the uncertainty of a difference the slowest coast must fall until a fall is shown.
const SHOWN: f64 = 4.0;

/// What the speed shows.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Slows {
    /// Nothing yet.
    Open,
    /// It falls as it must.
    Falls,
    /// Something drives the shaft: what was seen, in words.
    Driven(String),
}

/// The mean speed over a turn of the slowest shaft.
#[derive(Debug, Clone, Copy)]
struct Mean {
    /// The middle of the turn, s after the torque was said to be off.
    middle: f64,
    /// rad/s, with the sign of its direction.
    speed: f64,
    /// How long the turn took, s.
    lasted: f64,
}

/// A moment of the shaft.
#[derive(Debug, Clone, Copy)]
struct Moment {
    /// s after the torque was said to be off.
    t: f64,
    /// How far the machine's shaft has turned since it is followed, rad.
    angle: f64,
}

/// Follows the speed from the moment on at which the torque is said to be off.
#[derive(Debug)]
pub(super) struct Slowing {
    off: Instant,
    /// From when on the readings follow what the shaft does.
    from: Instant,
    asked: Option<Instant>,
    /// The newest readings and their moments.
    newest: VecDeque<(Instant, f64)>,
    /// The first speed that counts and its moment; the newest one.
    first: Option<(f64, f64)>,
    speed: f64,
    /// The past turn of the slowest shaft.
    turn: VecDeque<Moment>,
    means: Vec<Mean>,
    /// Where the shaft was when the slowest coast was over.
    rest: Option<Moment>,
    shown: Slows,
}

impl Slowing {
    /// A follower from `off` on, when a sample has said that the torque is off.
    pub(super) fn begin(plan: &Plan, sent: Instant, off: Instant) -> Slowing {
        let slowing = &plan.stop.slowing;
        Slowing {
            off,
            from: off.max(sent + slowing.reaction) + slowing.settles,
            asked: None,
            newest: VecDeque::new(),
            first: None,
            speed: 0.0,
            turn: VecDeque::new(),
            means: Vec::new(),
            rest: None,
            shown: Slows::Open,
        }
    }

    /// Looks at the newest reading of the speed; what all of them show.
    pub(super) fn look(&mut self, core: &Core) -> Slows {
        let (channel, _) = core.plan.stop.speed;
        let Some((at, asked, speed)) = core.values.latest(channel) else { return Slows::Open };
        let usable = asked > self.from && self.asked != Some(asked) && core.guard.doubt(channel).is_none();
        if usable && speed.is_finite() && core.plan.stop.slowing.blind.is_none() {
            self.asked = Some(asked);
            self.read(&core.plan, at, speed);
        }
        self.shown.clone()
    }

    /// How long a second judgement takes from now on at most: a turn and what means are apart, or the time of the slowest coast, and what
    /// lies before either.
    pub(super) fn takes(plan: &Plan, speed: f64) -> Duration {
        let slowing = &plan.stop.slowing;
        let speed = speed.abs();
        let turns = slowing.turn / speed * (1.0 + 2.0 / MEANS_PER_TURN);
        let coasts = slowing.settles.secs_f64() + COASTS * slowing.rests_after(speed);
        let least = plan.stop.at_rest_within.secs_f64();
        let judged = if speed > 0.0 { turns.min(coasts).min(least) } else { 0.0 };
        plan.stop.not_driven_within + slowing.reaction + slowing.settles + Duration::from_secs_f64(judged)
    }

    /// The newest speed that counts, rad/s.
    pub(super) fn speed(&self) -> f64 {
        self.speed
    }

    fn read(&mut self, plan: &Plan, at: Instant, speed: f64) {
        self.newest.push_back((at, speed));
        if self.newest.len() < MIDDLE_OF {
            return;
        }
        let mut speeds: Vec<f64> = self.newest.iter().map(|(_, v)| *v).collect();
        speeds.sort_by(f64::total_cmp);
        let t = (self.newest[MIDDLE_OF / 2].0 - self.off).secs_f64();
        self.newest.pop_front();
        self.turned(t, speeds[MIDDLE_OF / 2], plan.stop.slowing.turn);
        if matches!(self.shown, Slows::Driven(_)) {
            return;
        }
        let u = uncertainty(plan);
        let found = self.still_turns(plan, u).or_else(|| {
            let mean = self.mean(plan.stop.slowing.turn)?;
            let found = self.held(plan, mean, u);
            self.keep(mean);
            found
        });
        if let Some(words) = found {
            self.shown = Slows::Driven(words);
        } else if self.speed.abs() <= plan.stop.speed.1 {
            // Rest is shown elsewhere; what is this slow is not driven any more.
            self.shown = Slows::Falls;
        }
    }

    /// The shaft has had this speed at this moment.
    fn turned(&mut self, t: f64, speed: f64, turn: f64) {
        let angle =
            self.turn.back().map_or(0.0, |last| last.angle + 0.5 * (self.speed + speed) * (t - last.t));
        self.speed = speed;
        self.first.get_or_insert((t, speed));
        self.turn.push_back(Moment { t, angle });
        while self.turn.len() > 2 && (angle - self.turn[1].angle).abs() >= turn {
            self.turn.pop_front();
        }
    }

    /// The mean speed over the past turn of the slowest shaft, once there was one.
    fn mean(&self, turn: f64) -> Option<Mean> {
        let (before, after, now) = (self.turn.front()?, self.turn.get(1)?, self.turn.back()?);
        let turned = now.angle - before.angle;
        if turned.abs() < turn {
            return None;
        }
        let begin = now.angle - turn.copysign(turned);
        let span = after.angle - before.angle;
        let share = if span == 0.0 { 0.0 } else { ((begin - before.angle) / span).clamp(0.0, 1.0) };
        let began = before.t + share * (after.t - before.t);
        let lasted = now.t - began;
        (lasted > 0.0).then(|| Mean {
            middle: 0.5 * (now.t + began),
            speed: turn.copysign(turned) / lasted,
            lasted,
        })
    }

    fn keep(&mut self, mean: Mean) {
        let apart = |last: &Mean| mean.middle - last.middle >= mean.lasted / MEANS_PER_TURN;
        if !self.means.last().is_none_or(apart) {
            return;
        }
        if self.means.len() == MEANS {
            let mut index = 0;
            self.means.retain(|_| {
                index += 1;
                index % 2 == 1
            });
        }
        self.means.push(mean);
    }

    /// What is wrong with the newest mean beside those before it, in words.
    fn held(&mut self, plan: &Plan, now: Mean, u: f64) -> Option<String> {
        let slowing = &plan.stop.slowing;
        let rest = plan.stop.speed.1;
        if self.speed.abs() <= rest {
            return None;
        }
        let fall = slowing.fall(self.speed.abs().min(now.speed.abs()));
        for before in &self.means {
            let apart = now.middle - before.middle;
            if apart < now.lasted / MEANS_PER_TURN || now.speed * before.speed <= 0.0 {
                continue;
            }
            let lost = fall.unwrap_or(0.0) * apart;
            let (was, is) = (before.speed.abs(), now.speed.abs());
            if is > (was - lost).max(rest) + 2.0 * u {
                let channel = &plan.channels[plan.stop.speed.0];
                return Some(held_words(channel, (was, is), apart, fall.map(|_| lost.min(was))));
            }
            if lost >= SHOWN * u || (fall.is_none() && was - is > 2.0 * u) {
                self.shown = Slows::Falls;
            }
        }
        None
    }

    /// A shaft that turns long after the slowest coast from its first speed was over is driven.
    fn still_turns(&mut self, plan: &Plan, u: f64) -> Option<String> {
        let (slowing, rest) = (&plan.stop.slowing, plan.stop.speed.1);
        let (began, first) = self.first?;
        let newest = *self.turn.back()?;
        let settles = slowing.settles.secs_f64();
        let coasts = slowing.rests_after(first.abs() + 2.0 * u);
        let over = began + coasts + settles;
        if newest.t < over {
            return None;
        }
        let at_rest = *self.rest.get_or_insert(newest);
        let watched = newest.t - at_rest.t;
        if watched < ((COASTS - 1.0) * coasts).max(settles) || self.speed.abs() <= rest {
            return None;
        }
        let mean = ((newest.angle - at_rest.angle) / watched).abs();
        let channel = &plan.channels[plan.stop.speed.0];
        (mean > rest + 2.0 * u).then(|| {
            format!(
                "the shaft still turned, at {} on the mean, {} after torque off: the slowest coast from {} is over in {}",
                show(channel, mean),
                seconds(newest.t),
                show(channel, first.abs()),
                seconds(coasts),
            )
        })
    }
}

/// Standard uncertainty of the difference of two mean speeds, rad/s. What a file declares may be common to all readings of one mean,
/// as the steps of a coarse reading are, so that it is not less for more of them. One that is not declared is what rest allows.
fn uncertainty(plan: &Plan) -> f64 {
    let (channel, rest) = plan.stop.speed;
    let declared = plan.channels[channel].u;
    let single = if declared > 0.0 { declared } else { 0.5 * rest };
    single * std::f64::consts::SQRT_2
}

/// `lost`: what the slowest coast would have lost, if that is known.
fn held_words(channel: &Channel, (was, is): (f64, f64), apart: f64, lost: Option<f64>) -> String {
    let most = 2.0 * channel.u;
    let how = if is > was + most {
        "rose"
    } else if is >= was - most {
        "was held"
    } else {
        "fell too slowly"
    };
    let but = match lost {
        Some(lost) => format!("the slowest coast would have lost {}", show(channel, lost)),
        None => "a shaft that nothing drives gets no faster".into(),
    };
    format!(
        "the speed {how} with the torque said to be off: its mean over a turn of the slowest shaft went from {} to {} in {}, {but}",
        show(channel, was),
        show(channel, is),
        seconds(apart),
    )
}

fn seconds(t: f64) -> String {
    format!("{} s", crate::units::number_text((t * 100.0).round() / 100.0))
}
