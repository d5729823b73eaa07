//! A reading that stands still to the last digit where it had noise is as old as its last change. What counts as standing still
//! is held against what that channel did before, in this run, with the gates on.
//!
//! The rule. Between two changes a channel repeats its value in a *run*: once where it is read as often as the board samples it,
//! twenty times where a board that refreshes at 10 Hz is asked at 200 Hz. If a run may end at each sample with the same
//! probability, the longest of M runs is about as long as one in M is, and a run k times as long is as rare as M^-k. A run
//! is too long from the smallest k on at which that is one in a million million. The channel must also have stood still for longer than
//! the rig lets its values get old: what is younger is no older than a reply may be.
//!
//! The probability must not depend on where the reading stands between two digits. So a channel is held to that only while its noise
//! is as large as two of its digits, seen in its newest changes, most of which go back and forth: a ramp, a settling loop and a
//! reading in coarse steps do not. Zero is the value of clamps and dead bands and is never held to it.
//!
//! A speed without noise is known by its demand: a reading that has always moved before its demand had moved by so much stands still
//! when that has moved by several times as much.
//!
//! Nothing is learnt or judged with the gates off, where noise rightly goes away.

use crate::time::{Duration, Instant};

/// So many changes must be known, and of as many newest ones it is asked whether they are noise.
const CHANGES: u32 = 32;

/// So many of the newest changes must go against the one before them: two in three do in noise of which each sample is new,
/// one in two where it drifts.
const REVERSALS: u32 = 12;

/// How many digits noise must swing over until it may not hide between two of them: a Gaussian of so wide a mean step repeats
/// a value in at most three of ten samples, wherever it stands.
const DIGITS: f64 = 2.0;

/// How rare a run must be, in powers of ten: at 1,000 samples a second one in some 30 years of driving.
const RARE: f64 = 12.0;

/// Fewer samples alike than this are no run.
const ALIKE_MIN: u32 = 12;

/// By how many times what it once stood still for a demand must move, and how many moves must be known.
const MOVED: f64 = 4.0;
const MOVES: u32 = 8;

/// What was seen of one series of readings.
#[derive(Debug, Clone, Default)]
pub(super) struct Follow {
    value: Option<f64>,
    /// When the first sample of the present run was taken, and how many there are.
    since: Instant0,
    alike: u32,
    rising: Option<bool>,
    /// Whether the newest changes went against the one before, the newest in the lowest bit.
    reversed: u32,
    /// Runs that have ended, and the longest of them.
    runs: u32,
    longest: u32,
    /// The smallest change, and the mean size of those that went back.
    digit: Option<f64>,
    swing: f64,
    /// Lowest and highest demand during the present run; the widest during a run that ended, and how many there were.
    demand: Option<(f64, f64)>,
    moved: f64,
    moves: u32,
}

/// A moment that begins at zero.
#[derive(Debug, Clone, Copy)]
struct Instant0(Instant);

impl Default for Instant0 {
    fn default() -> Self {
        Instant0(Instant::ZERO)
    }
}

/// A reading that stands still although it should not.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Still {
    /// The value that is repeated.
    pub value: f64,
    /// For how long.
    pub lasting: Duration,
    /// In how many samples.
    pub samples: u32,
    /// The longest run before.
    pub longest: u32,
    /// By how much its demand has moved meanwhile, where that tells it.
    pub moved: Option<f64>,
}

impl Follow {
    /// Takes a sample of a moment, with the demand that it follows if it follows one. A run of samples that was too long and ends
    /// with this one is given back.
    pub(super) fn sample(&mut self, at: Instant, value: f64, demand: Option<f64>) -> Option<Still> {
        let Some(before) = self.value else {
            self.begin(at, value, demand);
            return None;
        };
        // The demand of the sample that ends a run is part of what it moved by: a reading that moves with each sample has runs of one.
        if let (Some((low, high)), Some(demand)) = (&mut self.demand, demand) {
            (*low, *high) = (low.min(demand), high.max(demand));
        }
        if value == before {
            self.alike += 1;
            return None;
        }
        let ended = self.still(at, Duration::ZERO);
        self.runs += 1;
        // A run that was too long is no measure of others.
        if ended.is_none() {
            self.longest = self.longest.max(self.alike);
            let moved = self.demand.map_or(0.0, |(low, high)| high - low);
            if moved > 0.0 {
                (self.moved, self.moves) = (self.moved.max(moved), self.moves + 1);
            }
        }
        let (step, rising) = ((value - before).abs(), value > before);
        let back = self.rising.is_some_and(|r| r != rising);
        if back {
            self.swing = if self.swing == 0.0 { step } else { self.swing + (step - self.swing) / 16.0 };
        }
        self.digit = Some(self.digit.map_or(step, |d| d.min(step)));
        self.reversed = self.reversed << 1 | u32::from(back);
        self.rising = Some(rising);
        self.begin(at, value, demand);
        ended
    }

    fn begin(&mut self, at: Instant, value: f64, demand: Option<f64>) {
        (self.value, self.since, self.alike) = (Some(value), Instant0(at), 1);
        self.demand = demand.map(|d| (d, d));
    }

    /// The gates were off: what comes next is another run.
    pub(super) fn pause(&mut self) {
        (self.value, self.rising) = (None, None);
    }

    /// Whether the newest changes go back and forth.
    pub(super) fn is_noisy(&self) -> bool {
        self.runs >= CHANGES && self.reversed.count_ones() >= REVERSALS
    }

    /// The present run, if it is too long and has lasted for longer than `allowed`.
    pub(super) fn still(&self, now: Instant, allowed: Duration) -> Option<Still> {
        let value = self.value.filter(|v| *v != 0.0)?;
        let lasting = now - self.since.0;
        if lasting <= allowed || self.alike < ALIKE_MIN {
            return None;
        }
        let digit = self.digit.unwrap_or(f64::INFINITY);
        let noise = self.is_noisy() && self.swing >= DIGITS * digit && self.alike > self.at_most();
        let moved = self.demand.map_or(0.0, |(low, high)| high - low);
        let follows = self.moves >= MOVES && moved > MOVED * self.moved;
        let moved = follows.then_some(moved).filter(|_| !noise);
        let Follow { alike: samples, longest, .. } = *self;
        (noise || follows).then_some(Still { value, lasting, samples, longest, moved })
    }

    /// How many samples alike may be chance.
    fn at_most(&self) -> u32 {
        times(self.runs).saturating_mul(self.longest.max(1))
    }
}

/// By how many times the longest of so many runs another may be longer: the smallest k with M^-k at most as rare as wanted.
fn times(runs: u32) -> u32 {
    (RARE / f64::from(runs.max(2)).log10()).ceil() as u32
}

/// What was seen of a whole reply: it stands still when all that is in it does.
#[derive(Debug, Clone, Default)]
pub(super) struct Reply {
    values: Vec<Option<u64>>,
    since: Instant0,
    alike: u32,
    runs: u32,
    longest: u32,
}

/// How many values of a reply must go back and forth until the reply as a whole is held to change: each by itself may be too
/// coarse to be held to it.
const TOGGLING: usize = 3;

impl Reply {
    /// Takes the values of a reply; `toggling`: how many of them go back and forth.
    pub(super) fn sample(&mut self, at: Instant, values: &[Option<f64>]) {
        let same = self.values.len() == values.len()
            && self.values.iter().zip(values).all(|(a, b)| *a == b.map(f64::to_bits));
        if same {
            self.alike += 1;
            return;
        }
        if !self.values.is_empty() {
            (self.runs, self.longest) = (self.runs + 1, self.longest.max(self.alike));
        }
        self.values = values.iter().map(|v| v.map(f64::to_bits)).collect();
        (self.since, self.alike) = (Instant0(at), 1);
    }

    /// The gates were off.
    pub(super) fn pause(&mut self) {
        self.values.clear();
    }

    /// How long the reply has been the same, in how many samples, and the most before, if that is twice as much as chance allows.
    pub(super) fn still(
        &self,
        now: Instant,
        allowed: Duration,
        toggling: usize,
    ) -> Option<(Duration, u32, u32)> {
        let lasting = now - self.since.0;
        let at_most = times(self.runs).saturating_mul(2 * self.longest.max(1));
        let judged = toggling >= TOGGLING && self.runs >= CHANGES && lasting > allowed;
        (judged && self.alike > at_most.max(ALIKE_MIN)).then_some((lasting, self.alike, self.longest))
    }
}

#[cfg(test)]
mod tests;
