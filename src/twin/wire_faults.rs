//! A seeded line that drops, flips, splits, delays and falls silent; for either direction.

use super::faults::{FaultName, FaultSetting};
use crate::time::{Duration, Instant};
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Which way the bytes go; each way has chances of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// From the runner to the controller.
    ToDevice,
    /// From the controller to the runner.
    FromDevice,
}

/// One direction of a faulty line.
#[derive(Debug, Clone)]
pub struct LinkFaults {
    faults: Vec<FaultSetting>,
    chance: Xoshiro256PlusPlus,
    /// Nothing overtakes what was sent before.
    delivered: Instant,
}

impl LinkFaults {
    /// A line that suffers those of `faults` that are on the link, with chances drawn from `seed`.
    pub fn new(seed: u64, direction: Direction, faults: &[FaultSetting]) -> LinkFaults {
        let mut chance = Xoshiro256PlusPlus::seed_from_u64(seed ^ 0x6C69_6E6B);
        if direction == Direction::FromDevice {
            chance.jump();
        }
        let faults = faults.iter().copied().filter(|f| f.name.on_link()).collect();
        LinkFaults { faults, chance, delivered: Instant::ZERO }
    }

    /// What becomes of `bytes` that would arrive at `now`: pieces in order with their moments, never
    /// before `now` and never before an earlier piece.
    pub fn pass(&mut self, now: Instant, mut bytes: Vec<u8>) -> Vec<(Instant, Vec<u8>)> {
        if self.faults.is_empty() {
            return vec![(now, bytes)];
        }
        let mut at = now;
        let mut split = None;
        for i in 0..self.faults.len() {
            let FaultSetting { name, severity, onset } = self.faults[i];
            if now < onset {
                continue;
            }
            match name {
                FaultName::LinkSilence if now - onset < Duration::from_secs_f64(5.0 * severity) => {
                    return Vec::new();
                }
                FaultName::LinkDrop => bytes.retain(|_| !self.chance.random_bool(odds(5e-4 * severity))),
                FaultName::LinkFlip => self.flip(&mut bytes, odds(2e-4 * severity)),
                FaultName::LinkSplit if bytes.len() > 1 && self.chance.random_bool(odds(0.3 * severity)) => {
                    let place = self.chance.random_range(1..bytes.len());
                    split = Some((place, self.between(1e-3, 4e-3)));
                }
                FaultName::LinkDelay => at += self.between(6e-3 * severity, 10e-3 * severity),
                _ => {}
            }
        }
        let mut pieces = Vec::new();
        if let Some((place, later)) = split.filter(|(place, _)| *place < bytes.len()) {
            let rest = bytes.split_off(place);
            self.deliver(at, bytes, &mut pieces);
            self.deliver(at + later, rest, &mut pieces);
        } else {
            self.deliver(at, bytes, &mut pieces);
        }
        pieces
    }

    fn deliver(&mut self, at: Instant, bytes: Vec<u8>, pieces: &mut Vec<(Instant, Vec<u8>)>) {
        if !bytes.is_empty() {
            self.delivered = self.delivered.max(at);
            pieces.push((self.delivered, bytes));
        }
    }

    fn flip(&mut self, bytes: &mut [u8], odds: f64) {
        for byte in bytes {
            if self.chance.random_bool(odds) {
                *byte ^= 1 << self.chance.random_range(0..8);
            }
        }
    }

    fn between(&mut self, least: f64, most: f64) -> Duration {
        Duration::from_secs_f64(least + (most - least) * self.chance.random::<f64>())
    }
}

fn odds(probability: f64) -> f64 {
    probability.clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(fault: &str, seed: u64) -> LinkFaults {
        let faults = [FaultSetting::parse(fault).expect(fault)];
        LinkFaults::new(seed, Direction::ToDevice, &faults)
    }

    fn at(millis: i64) -> Instant {
        Instant::from_micros(millis * 1000)
    }

    #[test]
    fn a_sound_line_changes_nothing() {
        let mut sound = LinkFaults::new(1, Direction::ToDevice, &[]);
        assert_eq!(sound.pass(at(3), b"abc".to_vec()), [(at(3), b"abc".to_vec())]);
        let mut later = line("link-silence@5 s", 1);
        assert_eq!(later.pass(at(4999), b"abc".to_vec()).len(), 1);
    }

    #[test]
    fn silence_lasts_five_seconds_times_its_severity() {
        let mut silent = line("link-silence=2@1 s", 1);
        for (millis, passes) in [(999, true), (1000, false), (10_999, false), (11_000, true)] {
            assert_eq!(!silent.pass(at(millis), b"abc".to_vec()).is_empty(), passes, "{millis} ms");
        }
    }

    /// Chances of a binomial count: within five standard deviations of the mean.
    #[test]
    fn bytes_are_lost_and_bits_flipped_as_often_as_described() {
        let n = 200_000;
        let sent = vec![b'U'; n];
        let within = |count: usize, p: f64| {
            let (mean, sd) = (n as f64 * p, (n as f64 * p * (1.0 - p)).sqrt());
            assert!((count as f64 - mean).abs() < 5.0 * sd, "{count}, mean {mean}");
        };
        let got = line("link-drop=4", 5).pass(at(0), sent.clone());
        within(n - got[0].1.len(), 2e-3);
        let got = line("link-flip=10", 5).pass(at(0), sent);
        let flipped: Vec<u8> = got[0].1.iter().map(|b| b ^ b'U').filter(|b| *b != 0).collect();
        within(flipped.len(), 2e-3);
        assert!(flipped.iter().all(|b| b.count_ones() == 1));
    }

    #[test]
    fn pieces_keep_their_order_and_their_bytes() {
        let faults: Vec<FaultSetting> =
            ["link-split=2", "link-delay"].iter().map(|f| FaultSetting::parse(f).expect(f)).collect();
        let mut line = LinkFaults::new(9, Direction::FromDevice, &faults);
        let (mut last, mut bytes, mut pieces) = (Instant::ZERO, Vec::new(), 0);
        for i in 0..500 {
            for (when, piece) in line.pass(at(i), b"0123456789".to_vec()) {
                assert!(when >= last && when >= at(i + 6), "{when:?} after {last:?}");
                last = when;
                bytes.extend(piece);
                pieces += 1;
            }
        }
        assert_eq!(bytes, b"0123456789".repeat(500));
        assert!(pieces > 700, "{pieces} pieces");
    }

    #[test]
    fn the_same_seed_does_the_same_and_the_two_directions_differ() {
        let faults = [FaultSetting::parse("link-flip=100").expect("a fault")];
        let run = |direction| LinkFaults::new(3, direction, &faults).pass(at(0), vec![0; 2000]);
        assert_eq!(run(Direction::ToDevice), run(Direction::ToDevice));
        assert_ne!(run(Direction::ToDevice), run(Direction::FromDevice));
    }
}
