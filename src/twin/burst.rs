//! Bursts: several thousand samples in one go, kept in the board's memory until they have been read.

use super::sensors::Sensors;
use super::spec::VibrationSpec;
use super::vibration::Vibration;
use super::{Plant, STEP_US};
use crate::time::Instant;
use rand::{Rng, RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Samples of one burst.
pub(super) const BURST_LENGTH: usize = 4096;
/// Nominal rate in Hz, and how far off its clock may be, in millionths.
pub(super) const BURST_RATE: u32 = 10_000;
pub(super) const BURST_PPM: u32 = 50;

/// What a burst may hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Sources {
    /// The three phase currents, as the firmware's converter reads them.
    pub currents: bool,
    /// The accelerometer's two axes.
    pub vibration: bool,
    /// The resolver's two signals.
    pub resolver: bool,
}

/// The channels of a burst: three currents, axial, radial, sine, cosine.
pub(super) const CHANNELS: usize = 7;

/// The memory: filled from the moment of its trigger on.
#[derive(Debug, Clone, Default)]
pub(super) struct Memory {
    pub trigger: Option<Instant>,
    pub sources: Sources,
    samples: usize,
    counts: [Vec<i16>; CHANNELS],
}

impl Memory {
    /// Forgets what there was and begins anew.
    pub fn start(&mut self, now: Instant, sources: Sources) {
        *self = Memory { trigger: Some(now), sources, ..Memory::default() };
        for (wanted, channels) in
            [(sources.currents, 0..3), (sources.vibration, 3..5), (sources.resolver, 5..7)]
        {
            for counts in &mut self.counts[channels] {
                counts.reserve(if wanted { BURST_LENGTH } else { 0 });
            }
        }
    }

    /// Samples taken so far.
    pub fn samples(&self) -> usize {
        self.samples
    }

    /// Whether a burst is being taken.
    pub fn captures(&self) -> bool {
        self.trigger.is_some() && self.samples < BURST_LENGTH
    }

    /// The counts of one channel; empty if it was not chosen.
    pub fn channel(&self, channel: usize) -> &[i16] {
        &self.counts[channel]
    }
}

/// The accelerometer and the clock of the bursts.
#[derive(Debug, Clone)]
pub(super) struct Digitiser {
    pub spec: VibrationSpec,
    vibration: Option<Vibration>,
    noise: Xoshiro256PlusPlus,
}

impl Digitiser {
    /// Idle.
    pub fn new(spec: &VibrationSpec, seed: u64) -> Digitiser {
        let noise = Xoshiro256PlusPlus::seed_from_u64(seed ^ 0x6275_7273);
        Digitiser { spec: spec.clone(), vibration: None, noise }
    }

    /// Takes one sample of everything chosen into the memory. Called once per step of the plant; the digitiser's own clock
    /// is a little off, so that its samples drift away from the steps.
    pub fn sample(
        &mut self,
        memory: &mut Memory,
        plant: &Plant,
        sensors: &Sensors,
        gates: bool,
        currents: [i16; 3],
    ) {
        let nominal = 1e-6 * STEP_US as f64;
        let period = nominal / (1.0 + 1e-6 * self.spec.clock_ppm);
        if memory.sources.currents {
            currents.into_iter().enumerate().for_each(|(i, count)| memory.counts[i].push(count));
        }
        if memory.sources.vibration {
            let fresh = memory.samples == 0;
            let vibration = match self.vibration.take() {
                Some(vibration) if !fresh => vibration,
                _ => Vibration::begin(&self.spec, plant, period, self.noise.random()),
            };
            let vibration = self.vibration.insert(vibration);
            for (i, acceleration) in vibration.sample(plant).into_iter().enumerate() {
                let read = acceleration + self.spec.noise * gauss(&mut self.noise);
                memory.counts[3 + i].push(converted(read / self.spec.per_count()));
            }
        }
        if memory.sources.resolver {
            let late = (memory.samples + 1) as f64 * (period - nominal);
            for (i, count) in sensors.resolver_at(plant, late, gates, &mut self.noise).into_iter().enumerate()
            {
                memory.counts[5 + i].push(count);
            }
        }
        memory.samples += 1;
    }
}

fn gauss(noise: &mut impl Rng) -> f64 {
    StandardNormal.sample(noise)
}

fn converted(counts: f64) -> i16 {
    counts.round().clamp(f64::from(i16::MIN), f64::from(i16::MAX)) as i16
}
