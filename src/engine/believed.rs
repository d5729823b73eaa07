//! Whether the shaft or the bus can have changed as quickly as they read. A sensor that dies reads zero, and zero is what proves
//! a stop: such a fall ends the run, and no sample of that channel proves anything any more.

use super::guard::{Firing, show};
use crate::plan::{Plan, Source};
use crate::time::Instant;
use std::collections::VecDeque;

/// How many samples in a row must be closer to where the reading fell to than to where it was: a flipped digit is one.
/// Some: noise that swings as far swings back.
const FALLEN_IN_A_ROW: u32 = 6;

/// The lowest of how many readings that can be is what a fall counts from: one that noise has lifted is not where the shaft was.
const BASE: usize = 10;

/// By how many standard uncertainties two readings of what stands still may lie apart.
const APART: f64 = 4.0;

/// Follows the readings of one channel, along the way in which it turned: one that comes back with the other sign fell through zero.
#[derive(Debug)]
pub(super) struct Believed {
    channel: usize,
    /// The fastest that it can fall, SI a second.
    fall_max: f64,
    /// The newest readings that can be, oldest first, and when each was asked for.
    base: VecDeque<(Instant, f64)>,
    jump: Option<Jump>,
    /// Why it is not believed any more.
    doubt: Option<String>,
}

/// A reading that lies further from the one before than it can.
#[derive(Debug)]
struct Jump {
    to: f64,
    in_a_row: u32,
    /// What is said of a fall; a reading that rises may be a shaft that runs away, which is the trips' to see.
    fell: Option<String>,
}

impl Believed {
    /// The channels that prove a stop.
    pub(super) fn all(plan: &Plan) -> Vec<Believed> {
        let stop = &plan.stop;
        let proves = [(stop.speed.0, stop.speed_change_max), (stop.bus.0, stop.bus_fall_max)];
        // What is derived may be put together from samples of several moments.
        let read =
            |(channel, _): &(usize, f64)| matches!(plan.channels[*channel].source, Source::Wire { .. });
        proves
            .into_iter()
            .filter(read)
            .map(|(channel, fall_max)| Believed {
                channel,
                fall_max,
                base: VecDeque::new(),
                jump: None,
                doubt: None,
            })
            .collect()
    }

    /// Takes a value (SI) that was asked for at one moment and read at another, and says if it fell further than it can have.
    pub(super) fn value(
        &mut self,
        plan: &Plan,
        channel: usize,
        (asked, now): (Instant, Instant),
        value: f64,
    ) -> Option<Firing> {
        if channel != self.channel || value.is_nan() || self.doubt.is_some() {
            return None;
        }
        // One reading may be the highest that noise makes, and all others lie below it.
        let Some((base_asked, _)) = self.base.back().copied().filter(|_| self.base.len() == BASE) else {
            self.base.push_back((asked, value));
            return None;
        };
        let way = 1f64.copysign(self.base.iter().map(|(_, v)| v).sum());
        let base = self.base.iter().map(|(_, v)| v * way).fold(f64::INFINITY, f64::min);
        let along = value * way;
        let jump = match self.jump.take() {
            Some(jump) if (along - jump.to).abs() < (along - base).abs() => {
                Some(Jump { in_a_row: jump.in_a_row + 1, ..jump })
            }
            _ => {
                // The two samples lie no further apart than from the first request to the second reply.
                let apart = now - base_asked;
                let described = &plan.channels[channel];
                let most = self.fall_max * apart.secs_f64() + APART * described.u;
                // What stood and now turns the other way has not fallen.
                let towards_rest = along.abs() < base || base > most;
                let fell = (along < base - most && towards_rest).then(|| {
                    format!(
                        "{} fell from {} to {} within {apart}, faster than anything could bring it down: it is not believed",
                        described.name,
                        show(described, base * way),
                        show(described, value),
                    )
                });
                (fell.is_some() || along.abs() > base.abs() + most).then_some(Jump {
                    to: along,
                    in_a_row: 1,
                    fell,
                })
            }
        };
        match jump {
            Some(jump) if jump.in_a_row < FALLEN_IN_A_ROW => self.jump = Some(jump),
            Some(Jump { fell: Some(found), .. }) => {
                self.doubt = Some(found.clone());
                let trip = format!("{} believed", plan.channels[channel].name);
                return Some(Firing { trip, found, sampled: asked });
            }
            rises => {
                if rises.is_some() {
                    self.base.clear();
                }
                if self.base.len() == BASE {
                    self.base.pop_front();
                }
                self.base.push_back((asked, value));
            }
        }
        None
    }

    /// Why a channel is not believed, if it is not.
    pub(super) fn doubt(&self, channel: usize) -> Option<&str> {
        self.doubt.as_deref().filter(|_| channel == self.channel)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::testing::{RIG, SUITE, UNIT, plan_of};
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    use rand_xoshiro::Xoshiro256PlusPlus;

    /// By hand: 31.42 rad/s may fall by no more than 0.7 rad/s within the 7 ms of two samples and a reply at 100 rad/s2, and by four
    /// times its uncertainty, 0.25 rad/s.
    fn follow(fall_max: f64, values: &[(i64, f64)]) -> (usize, Believed) {
        let plan = plan_of(RIG, UNIT, SUITE);
        let channel = plan.stop.speed.0;
        let mut believed = Believed { channel, fall_max, base: VecDeque::new(), jump: None, doubt: None };
        let fired = values.iter().filter(|(ms, value)| {
            let asked = Instant::from_micros(ms * 1000);
            let now = Instant::from_micros(ms * 1000 + 2000);
            believed.value(&plan, channel, (asked, now), *value).is_some()
        });
        (fired.count(), believed)
    }

    /// Readings 5 ms apart, after as many of 31.4 rad/s as a fall counts from.
    fn follow_all(values: &[f64]) -> (usize, Believed) {
        let all = [31.4; BASE].iter().chain(values).enumerate();
        let timed: Vec<(i64, f64)> = all.map(|(i, v)| (5 * i as i64, *v)).collect();
        follow(100.0, &timed)
    }

    #[test]
    fn a_reading_that_dies_is_not_believed_and_stays_so() {
        let dies = [31.4, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0];
        let (fired, believed) = follow_all(&dies);
        assert_eq!(fired, 1);
        let doubt = believed.doubt.expect("doubted");
        assert!(doubt.contains("fell from 299.85 rpm to 0.00 rpm within 7 ms"), "{doubt}");
        assert_eq!(follow_all(&dies[..6]).0, 0, "five may be noise");
        // The other way round, at once or next to nothing.
        for other in [-31.0, -9.0, -0.0, 5e-324] {
            assert_eq!(follow_all(&[other; 8]).0, 1, "{other}");
        }
        // What stood may begin to turn either way.
        for turns in [90.0, -90.0] {
            let timed: Vec<(i64, f64)> =
                (0..40).map(|i| (5 * i, if i < 15 { 0.01 } else { turns })).collect();
            assert_eq!(follow(100.0, &timed).0, 0, "{turns}");
        }
    }

    #[test]
    fn a_flipped_digit_a_gap_and_what_can_be_are_believed() {
        // Wrong ones in a row, of which no sixth comes.
        assert_eq!(follow_all(&[31.4, 0.0, 0.1, 0.0, 0.0, 0.1, 31.4, 31.3]).0, 0);
        // One that reads far too much, and as before.
        assert_eq!(follow_all(&[31.4, 800.0, 31.4, 31.4, 31.4, 31.4, 31.4, 31.4, 31.4]).0, 0);
        // Half a second without a sample may bring it down by 50 rad/s.
        let before = (0..BASE as i64).map(|i| (5 * i, 31.4));
        let gap: Vec<(i64, f64)> = before.chain((0..10).map(|i| (600 + 5 * i, 0.0))).collect();
        assert_eq!(follow(100.0, &gap).0, 0);
        // 90 rad/s2 for a third of a second.
        let falls: Vec<f64> = (0..80).map(|i| f64::max(31.4 - 0.45 * f64::from(i), 0.0)).collect();
        assert_eq!(follow_all(&falls).0, 0);
        // What rises for good is where it is believed to be from then on.
        let rises = [[90.0; 12], [89.9; 12]].concat();
        assert_eq!(follow_all(&rises).0, 0);
        // 8 rad/s of noise about 60, ten thousand times, where 800 rad/s2 can be.
        let mut noise = Xoshiro256PlusPlus::seed_from_u64(5);
        let noisy: Vec<(i64, f64)> = (0..10_000)
            .map(|i| (5 * i, 60.0 + 8.0 * Distribution::<f64>::sample(&StandardNormal, &mut noise)))
            .collect();
        assert_eq!(follow(800.0, &noisy).0, 0);
    }
}
