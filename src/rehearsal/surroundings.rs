//! What happens around a simulated bench: the machine that the runner runs on is busy or stands still, and
//! somebody pulls the adapter.

use crate::time::{Duration, Instant};
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Surroundings; the default is a quiet machine.
#[derive(Debug, Clone, Default)]
pub struct Surroundings {
    /// From when on every wake-up comes late, and by how much at most.
    pub late: Option<(Instant, Duration)>,
    /// From when and for how long the runner is frozen: nothing reaches it, and all that came reaches it
    /// afterwards.
    pub frozen: Option<(Instant, Duration)>,
    /// When a link goes, for good, and which.
    pub unplugged: Option<(Instant, usize)>,
}

impl Surroundings {
    /// The moment at which something that comes at `at` reaches the runner.
    pub fn reaches(&self, at: Instant) -> Instant {
        match self.frozen {
            Some((from, lasting)) if at >= from && at < from + lasting => from + lasting,
            _ => at,
        }
    }

    /// How much later than `at` a wake-up comes at most, the frozen time left out.
    pub fn latest(&self, at: Instant) -> Duration {
        self.late.filter(|(from, _)| at >= *from).map_or(Duration::ZERO, |(_, most)| most)
    }

    /// Whether bytes of a link still pass at `at`.
    pub(super) fn passes(&self, link: usize, at: Instant) -> bool {
        self.unplugged.is_none_or(|(from, gone)| gone != link || at < from)
    }
}

/// How late each wake-up is: uniform from nothing to the most.
#[derive(Debug)]
pub(super) struct Lateness(Xoshiro256PlusPlus);

impl Lateness {
    pub(super) fn new(seed: u64) -> Lateness {
        Lateness(Xoshiro256PlusPlus::seed_from_u64(seed ^ 0x6C61_7465))
    }

    /// When a wake-up that was asked for at `at` comes.
    pub(super) fn comes(&mut self, around: &Surroundings, at: Instant) -> Instant {
        let most = around.latest(at).micros();
        let late = if most > 0 { self.0.random_range(0..=most) } else { 0 };
        around.reaches(at + Duration::from_micros(late))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(t: i64) -> Instant {
        Instant::from_micros(t * 1000)
    }

    #[test]
    fn what_comes_while_the_runner_is_frozen_comes_afterwards() {
        let around =
            Surroundings { frozen: Some((ms(10), Duration::from_millis(5))), ..Surroundings::default() };
        for (at, reaches) in [(9, 9), (10, 15), (14, 15), (15, 15), (16, 16)] {
            assert_eq!(around.reaches(ms(at)), ms(reaches), "{at} ms");
        }
    }

    #[test]
    fn wake_ups_are_late_from_their_onset_on_and_never_early() {
        let most = Duration::from_millis(3);
        let around = Surroundings { late: Some((ms(10), most)), ..Surroundings::default() };
        let mut lateness = Lateness::new(4);
        assert_eq!(lateness.comes(&around, ms(9)), ms(9));
        let late: Vec<i64> = (0..200).map(|_| (lateness.comes(&around, ms(20)) - ms(20)).micros()).collect();
        assert!(late.iter().all(|l| (0..=3000).contains(l)));
        assert!(late.iter().max() > Some(&2800) && late.iter().min() < Some(&200), "{late:?}");
    }

    #[test]
    fn an_unplugged_link_passes_nothing_more() {
        let around = Surroundings { unplugged: Some((ms(10), 1)), ..Surroundings::default() };
        assert!(around.passes(1, ms(9)) && around.passes(0, ms(11)) && !around.passes(1, ms(10)));
    }
}
