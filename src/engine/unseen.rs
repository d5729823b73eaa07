//! How fast the shaft may be although none is read. A sensor that was dead before anything turned reads no fall, and nothing that was
//! faster: while a speed is told and none is read, the shaft may gain all that the current limit gives it.

use crate::time::{Duration, Instant};

/// By how many times what counts as rest a speed must be told until none read is strange: a shaft breaks away a little later than
/// it is told to.
const STRANGE: f64 = 4.0;

/// Follows what speed is told, and whether any is read.
#[derive(Debug, Default)]
pub(super) struct Unseen {
    /// The newest speed told, rad/s, without its sign.
    told: f64,
    /// Since when one is told and none is read.
    since: Option<Instant>,
    /// Whether one was told meanwhile at which a sound shaft turns.
    strange: bool,
}

impl Unseen {
    /// A speed is told, rad/s.
    pub(super) fn told(&mut self, speed: f64) {
        self.told = speed.abs();
    }

    /// The newest speed told, rad/s, without its sign.
    pub(super) fn told_now(&self) -> f64 {
        self.told
    }

    /// Takes a reading, rad/s; up to `limit` it is none.
    pub(super) fn read(&mut self, now: Instant, speed: f64, limit: f64) {
        if speed > limit || (self.told <= limit && !self.strange) {
            (self.since, self.strange) = (None, false);
        } else if self.told > limit {
            self.since.get_or_insert(now);
            self.strange |= self.told >= STRANGE * limit;
        }
    }

    /// Rest was shown, whatever was told before.
    pub(super) fn rest_shown(&mut self) {
        *self = Unseen::default();
    }

    /// When a shaft whose torque is off since a moment is at rest for certain; `gain_max`: the most that it can have gained, rad/s2;
    /// `coast_max`: the longest that it coasts for each rad/s, s. `None` if that is never.
    pub(super) fn at(&self, torque_off: Instant, gain_max: f64, coast_max: f64) -> Option<Instant> {
        let Some(since) = self.since.filter(|_| self.strange) else { return Some(torque_off) };
        let gained = (torque_off - since).secs_f64() * gain_max;
        let coasts = if gained > 0.0 { gained * coast_max } else { 0.0 };
        // Longer than a day is never.
        (coasts < 86_400.0).then(|| torque_off + Duration::from_micros((coasts * 1e6) as i64))
    }

    /// Why no speed read shows none, in words, if it does not.
    pub(super) fn strange(&self) -> Option<&'static str> {
        self.strange.then_some(
            "no speed was read while one was demanded: the shaft is stuck and never turned, or its speed sensor is dead and \
             the shaft may still coast",
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMIT: f64 = 0.84;

    fn ms(ms: i64) -> Instant {
        Instant::from_micros(1000 * ms)
    }

    /// Readings 5 ms apart, each told and read, rad/s.
    fn follow(of: impl IntoIterator<Item = (f64, f64)>) -> Unseen {
        let mut unseen = Unseen::default();
        for (i, (told, read)) in of.into_iter().enumerate() {
            unseen.told(told);
            unseen.read(ms(5 * i as i64), read, LIMIT);
        }
        unseen
    }

    /// By hand: told more than 0.84 rad/s from 1 s on (0.01 rad/s a reading from 580 ms on), never seen to turn, the torque off at
    /// 3 s: 2 s of 300 rad/s2 are 600 rad/s, which coast for 30 s at 0.05 s for each.
    #[test]
    fn a_shaft_that_was_never_seen_to_turn_may_be_as_fast_as_the_current_makes_it() {
        let mut unseen = follow((0..600).map(|i| (0.01 * f64::from(i - 116).max(0.0), 0.0)));
        unseen.told(0.0);
        unseen.read(ms(3010), 0.0, LIMIT);
        let at = unseen.at(ms(3005), 300.0, 0.05).expect("some time");
        assert_eq!((at - ms(3005)).micros() / 1000, 30_000);
        assert_eq!(unseen.at(ms(3005), 300.0, f64::INFINITY), None);
        assert!(unseen.strange().is_some());
        unseen.rest_shown();
        assert_eq!(unseen.at(ms(3005), 300.0, 0.05), Some(ms(3005)));
    }

    #[test]
    fn one_that_follows_late_turns_slowly_or_ends_at_rest_is_seen() {
        // 40 ms behind a step.
        let late = follow((0..40).map(|i| (30.0, if i < 8 { 0.0 } else { 30.0 })));
        assert_eq!(late.at(ms(200), 300.0, 0.05), Some(ms(200)));
        // Told less than what a sound one breaks away at.
        assert_eq!(follow([(3.0, 0.0); 100]).at(ms(500), 300.0, 0.05), Some(ms(500)));
        // Told nothing any more, and read none.
        let ends =
            follow((0..200).map(|i| {
                (f64::max(10.0 - 0.1 * f64::from(i), 0.0), f64::max(9.0 - 0.1 * f64::from(i), 0.0))
            }));
        assert_eq!(ends.at(ms(1000), 300.0, 0.05), Some(ms(1000)));
        // Backwards is as strange.
        assert!(follow([(-30.0, 0.0); 4]).strange().is_some());
    }
}
