//! How long a reading of no speed must last to show a shaft at rest: as long as one coasts at its slowest that was as fast as was read
//! shortly before. A sensor that dies reads zero at once; a shaft is a while on its way.

use crate::time::{Duration, Instant};
use std::collections::VecDeque;

/// How far before a reading of no speed is looked for what was faster. A shaft that coasts is no longer fast by then, and no
/// tracking filter of a dead sensor takes as long.
const BEFORE: Duration = Duration::from_millis(100);

/// Follows the speed, whatever its sign. Of each three readings in a row the lowest counts: a flipped digit is no speed.
#[derive(Debug, Default)]
pub(super) struct Rested {
    newest: [f64; 3],
    recent: VecDeque<(Instant, f64)>,
    /// Since when it reads no speed, and the fastest that was read shortly before, rad/s.
    low: Option<(Instant, f64)>,
}

impl Rested {
    /// Takes a reading, rad/s; up to `limit` it is none. Gives the speed that counts, without its sign.
    pub(super) fn read(&mut self, now: Instant, speed: f64, limit: f64) -> Option<f64> {
        if speed.is_nan() {
            return None;
        }
        self.newest.rotate_left(1);
        self.newest[2] = speed.abs();
        let speed = self.newest.iter().copied().fold(f64::INFINITY, f64::min);
        // The newest of those from before stays: a poll may be slower, or replies lost.
        while self.recent.get(1).is_some_and(|(at, _)| now - *at > BEFORE) {
            self.recent.pop_front();
        }
        self.recent.push_back((now, speed));
        let fastest = self.recent.iter().map(|(_, v)| *v).fold(0.0, f64::max);
        self.low = if speed > limit { None } else { self.low.or(Some((now, fastest))) };
        Some(speed)
    }

    /// When a shaft whose torque is off since a moment is at rest for certain; `coast_max`: the longest that it coasts for each
    /// rad/s, s. `None` as long as it reads a speed.
    pub(super) fn at(&self, torque_off: Instant, coast_max: f64) -> Option<Instant> {
        let (since, fastest) = self.low?;
        let coasts = if fastest > 0.0 { fastest * coast_max } else { 0.0 };
        // Longer than a day is never.
        (coasts < 86_400.0).then(|| since.max(torque_off) + Duration::from_micros((coasts * 1e6) as i64))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(ms: i64) -> Instant {
        Instant::from_micros(1000 * ms)
    }

    /// Readings 5 ms apart, rad/s, with a limit of 0.84.
    fn follow(speeds: impl IntoIterator<Item = f64>) -> Rested {
        let mut rested = Rested::default();
        for (i, speed) in speeds.into_iter().enumerate() {
            rested.read(ms(5 * i as i64), speed, 0.84);
        }
        rested
    }

    /// The demo unit by hand: 0.032 kg m2 and 0.6 Nm coast 53.3 ms for each rad/s at most.
    const COASTS: f64 = 0.032 / 0.6;

    #[test]
    fn a_reading_that_dies_shows_rest_when_the_shaft_is_there() {
        // 23.47 rad/s until 50 ms, then nothing: rest for certain 1.2517 s later.
        let rested = follow((0..40).map(|i| if i <= 10 { 23.47 } else { 0.0 }));
        let at = rested.at(Instant::ZERO, COASTS).expect("it reads none");
        assert_eq!((at - ms(55)).micros() / 1000, 1251);
        // The torque may go off later than the sensor died.
        let at = rested.at(ms(1000), COASTS).expect("it reads none");
        assert_eq!((at - ms(1000)).micros() / 1000, 1251);
        // In a tracking filter it takes some 20 ms to die.
        let slowly = follow((0..40).map(|i| if i <= 10 { 23.47 } else { 23.47 * 0.3f64.powi(i - 10) }));
        assert!(slowly.at(Instant::ZERO, COASTS).expect("none") - ms(50) > Duration::from_millis(1251));
    }

    /// Read four times a second, or not at all for so long.
    #[test]
    fn what_was_read_before_a_gap_counts() {
        let mut rested = Rested::default();
        for (at, speed) in [(0, 20.0), (250, 20.0), (500, 20.0), (750, 0.0), (1000, 0.0), (1250, 0.0)] {
            rested.read(ms(at), speed, 0.84);
        }
        assert_eq!((rested.at(Instant::ZERO, COASTS).expect("none") - ms(750)).micros() / 1000, 1066);
    }

    #[test]
    fn a_shaft_that_coasts_is_at_rest_soon_and_one_that_stood_at_once() {
        // 27 rad/s2: 2.7 rad/s faster a tenth of a second before, 0.19 s.
        let coasts = follow((0..400).map(|i| f64::max(20.0 - 0.135 * f64::from(i), 0.0)));
        let (low, at) = (coasts.low.expect("low").0, coasts.at(Instant::ZERO, COASTS).expect("at rest"));
        assert!((180..=200).contains(&((at - low).micros() / 1000)), "{}", at - low);
        let stood = follow([0.3; 40]);
        assert_eq!(stood.at(Instant::ZERO, COASTS), Some(Instant::ZERO));
        assert_eq!(follow([0.0; 40]).at(Instant::ZERO, f64::INFINITY), Some(Instant::ZERO));
    }

    #[test]
    fn flipped_digits_are_no_speed_and_a_speed_is_no_rest() {
        let flipped = follow((0..40).map(|i| if i == 20 || i == 21 { 838.0 } else { 0.0 }));
        assert_eq!(flipped.at(Instant::ZERO, COASTS), Some(Instant::ZERO));
        let turns = follow((0..40).map(|i| if i < 30 { 0.0 } else { 5.0 }));
        assert_eq!(turns.at(Instant::ZERO, COASTS), None);
        assert_eq!(follow([5.0, 5.0, 5.0, 0.0]).at(Instant::ZERO, f64::INFINITY), None);
    }
}
