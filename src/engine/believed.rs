//! Whether the shaft or the bus can have changed as quickly as they read. A sensor that dies reads zero, and zero is what proves
//! a stop: such a fall ends the run, and no sample of that channel proves anything any more.

use super::guard::{Firing, show};
use crate::plan::{Plan, Source};
use crate::time::Instant;

/// How many samples in a row must be closer to where the reading fell to than to where it was: a flipped digit is one.
const FALLEN_IN_A_ROW: u32 = 3;

/// By how many standard uncertainties two readings of what stands still may lie apart.
const APART: f64 = 4.0;

/// Follows the readings of one channel, without their sign.
#[derive(Debug)]
pub(super) struct Believed {
    channel: usize,
    /// The fastest that it can fall, SI a second.
    fall_max: f64,
    /// The newest reading that can be, and when it was asked for.
    base: Option<(Instant, f64)>,
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
            .map(|(channel, fall_max)| Believed { channel, fall_max, base: None, jump: None, doubt: None })
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
        let value = value.abs();
        let Some((base_asked, base)) = self.base else {
            self.base = Some((asked, value));
            return None;
        };
        let jump = match self.jump.take() {
            Some(jump) if (value - jump.to).abs() < (value - base).abs() => {
                Some(Jump { in_a_row: jump.in_a_row + 1, ..jump })
            }
            _ => {
                // The two samples lie no further apart than from the first request to the second reply.
                let apart = now - base_asked;
                let described = &plan.channels[channel];
                let most = self.fall_max * apart.secs_f64() + APART * described.u;
                let fell = (value < base - most).then(|| {
                    format!(
                        "{} fell from {} to {} within {apart}, faster than anything could bring it down: it is not believed",
                        described.name,
                        show(described, base),
                        show(described, value),
                    )
                });
                (fell.is_some() || value > base + most).then_some(Jump { to: value, in_a_row: 1, fell })
            }
        };
        match jump {
            Some(jump) if jump.in_a_row < FALLEN_IN_A_ROW => self.jump = Some(jump),
            Some(Jump { fell: Some(found), .. }) => {
                self.doubt = Some(found.clone());
                let trip = format!("{} believed", plan.channels[channel].name);
                return Some(Firing { trip, found, sampled: asked });
            }
            _ => self.base = Some((asked, value)),
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
    use crate::diag::Sources;
    use crate::files::load::{read_rig, read_suite, read_unit};
    use crate::plan::resolve;

    fn demo() -> Plan {
        let mut sources = Sources::default();
        let rig =
            read_rig(&mut sources, "rig", include_str!("../../fixtures/demo/rig.toml")).0.expect("a rig");
        let unit =
            read_unit(&mut sources, "unit", include_str!("../../fixtures/demo/unit.toml")).0.expect("a unit");
        let suite = include_str!("../../suites/first-spin.toml");
        let suite = read_suite(&mut sources, "suite", suite).0.expect("a suite");
        resolve(&sources, &rig, &unit, &suite, None).expect("a plan")
    }

    /// By hand: 31.42 rad/s may fall by no more than 0.7 rad/s within 7 ms at 100 rad/s2, and by its uncertainty.
    fn follow(values: &[(i64, f64)]) -> (usize, Believed) {
        let plan = demo();
        let channel = plan.stop.speed.0;
        let mut believed = Believed { channel, fall_max: 100.0, base: None, jump: None, doubt: None };
        let fired = values.iter().filter(|(ms, value)| {
            let asked = Instant::from_micros(ms * 1000);
            let now = Instant::from_micros(ms * 1000 + 2000);
            believed.value(&plan, channel, (asked, now), *value).is_some()
        });
        (fired.count(), believed)
    }

    #[test]
    fn a_reading_that_dies_is_not_believed_and_stays_so() {
        let (fired, believed) = follow(&[(0, 31.4), (5, 31.4), (10, 0.0), (15, 0.0), (20, 0.0), (4000, 0.0)]);
        assert_eq!(fired, 1);
        let doubt = believed.doubt.expect("doubted");
        assert!(doubt.contains("fell from 299.85 rpm to 0.00 rpm within 7 ms"), "{doubt}");
    }

    #[test]
    fn a_flipped_digit_a_gap_and_what_can_be_are_believed() {
        // Two wrong ones in a row, of which no third comes.
        assert_eq!(follow(&[(0, 31.4), (5, 0.0), (10, 0.1), (15, 31.4), (20, 31.3)]).0, 0);
        // One that reads far too much, and three as before.
        assert_eq!(follow(&[(0, 31.4), (5, 800.0), (10, 31.4), (15, 31.4), (20, 31.4), (25, 31.4)]).0, 0);
        // Half a second without a sample may bring it down by 50 rad/s.
        assert_eq!(follow(&[(0, 31.4), (500, 0.0), (505, 0.0), (510, 0.0)]).0, 0);
        // 90 rad/s2 for a third of a second.
        let falls: Vec<(i64, f64)> = (0..70).map(|i| (i * 5, (31.4 - 0.45 * i as f64).max(0.0))).collect();
        assert_eq!(follow(&falls).0, 0);
        // What rises for good is where it is believed to be from then on.
        let rises = [(0, 0.0), (5, 90.0), (10, 90.1), (15, 90.2), (20, 90.0), (25, 90.0), (30, 89.9)];
        assert_eq!(follow(&rises).0, 0);
    }
}
