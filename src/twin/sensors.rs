//! From the truth to counts: converters with offset, gain, noise and steps.

use super::plant::Plant;
use super::spec::SensorSpec;
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;
use std::f64::consts::TAU;

/// Largest count of a 12 bit converter.
pub(super) const COUNT_MAX: f64 = 4095.0;
/// Count of zero for a converter that reads both ways.
pub(super) const COUNT_ZERO: f64 = 2048.0;
/// Reference of the pedal's converter, V.
pub(super) const PEDAL_FULL: f64 = 5.0;
/// Kelvin per temperature count.
pub(super) const TEMPERATURE_COUNT: f64 = 0.1;

/// Whole turns added to a resolver angle so that no offset and no noise takes it below zero.
const TURNS_LIFT: u32 = 1024;

/// What the firmware sees every 100 µs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct FastCounts {
    /// Three phase currents.
    pub phase: [u16; 3],
    /// Electrical angle.
    pub resolver: u32,
}

/// What the firmware sees every millisecond.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct BusCounts {
    /// Bus voltage.
    pub voltage: u16,
    /// Bus current.
    pub current: u16,
}

/// What the firmware sees every 10 ms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct SlowCounts {
    /// Winding, inverter and coolant in tenths of a kelvin.
    pub temperatures: [i32; 3],
    /// Pedal track.
    pub pedal: u16,
}

/// The sensors and their noise.
#[derive(Debug, Clone)]
pub(super) struct Sensors {
    pub spec: SensorSpec,
    /// Whether the loop of the hard-wired emergency stop is closed.
    pub stop_loop_closed: bool,
    /// Share of the winding temperature that hangs at a value, and that value in K.
    stuck: Option<(f64, f64)>,
    pole_pairs: f64,
    noise: Xoshiro256PlusPlus,
}

impl Sensors {
    /// Sound sensors with noise from `seed`.
    pub fn new(spec: SensorSpec, pole_pairs: u32, seed: u64) -> Sensors {
        Sensors {
            spec,
            stop_loop_closed: true,
            stuck: None,
            pole_pairs: f64::from(pole_pairs),
            noise: Xoshiro256PlusPlus::seed_from_u64(seed),
        }
    }

    /// Lets a share of the winding's reading hang at `at` in K.
    pub fn stick_winding(&mut self, share: f64, at: f64) {
        self.stuck = Some((share, at));
    }

    /// Phase currents and angle.
    pub fn fast(&mut self, plant: &Plant, gates: bool) -> FastCounts {
        let Sensors { spec: s, noise, .. } = self;
        let scale = COUNT_ZERO / s.current_full;
        let current = plant.phase_currents();
        let phase = std::array::from_fn(|i| {
            let read = current[i] * (1.0 + s.current_gain[i]) + s.current_offset[i];
            convert((read + s.current_noise * near_gauss(noise)) * scale + COUNT_ZERO)
        });
        let sd = if gates { s.resolver_noise + s.resolver_noise_gates } else { s.resolver_noise };
        let angle = self.pole_pairs * plant.angle() + s.resolver_offset + sd * near_gauss(noise);
        let counts = 1u32 << s.resolver_bits;
        let turns = angle * (1.0 / TAU);
        // Far enough above zero to round by cutting off; the mask is the modulo.
        let lifted = (turns + f64::from(TURNS_LIFT)) * f64::from(counts) + 0.5;
        FastCounts { phase, resolver: (lifted as u64 & u64::from(counts - 1)) as u32 }
    }

    /// Bus voltage and current.
    pub fn bus(&mut self, plant: &Plant) -> BusCounts {
        let Sensors { spec: s, noise, .. } = self;
        let voltage = plant.supply.bus() + s.bus_offset + s.bus_noise * gauss(noise);
        let current = plant.bus_current() + s.bus_current_offset + s.bus_current_noise * gauss(noise);
        BusCounts {
            voltage: convert(voltage * COUNT_MAX / s.bus_full),
            current: convert(current * COUNT_ZERO / s.bus_current_full + COUNT_ZERO),
        }
    }

    /// Temperatures (given in K: winding, inverter, coolant) and pedal.
    pub fn slow(&mut self, mut temperatures: [f64; 3]) -> SlowCounts {
        let Sensors { spec: s, noise, .. } = self;
        if let Some((share, at)) = self.stuck {
            temperatures[0] += share * (at - temperatures[0]);
        }
        let temperatures = std::array::from_fn(|i| {
            let read = temperatures[i] + s.temperature_offset[i] + s.temperature_noise * gauss(noise);
            (read / TEMPERATURE_COUNT).round() as i32
        });
        let volts = s.pedal_rest + s.pedal * (s.pedal_pressed - s.pedal_rest) + s.pedal_noise * gauss(noise);
        SlowCounts { temperatures, pedal: convert(volts * COUNT_MAX / PEDAL_FULL) }
    }
}

fn gauss(noise: &mut Xoshiro256PlusPlus) -> f64 {
    StandardNormal.sample(noise)
}

/// Noise of mean 0 and standard deviation 1 for the 10 kHz samples, made from one draw: the sum of four uniform
/// numbers, which ends at 3.5 standard deviations. A true Gaussian would take a tenth of a rehearsal's time.
fn near_gauss(noise: &mut Xoshiro256PlusPlus) -> f64 {
    let bits = noise.next_u64();
    let sum = (bits & 0xFFFF) + (bits >> 16 & 0xFFFF) + (bits >> 32 & 0xFFFF) + (bits >> 48);
    // Four times the mean and twice the standard deviation of a uniform 16 bit number.
    (sum as f64 - 131_070.0) * (1.0 / 37_837.225)
}

/// A 12 bit converter: the nearest count, held at its ends.
fn convert(counts: f64) -> u16 {
    (counts + 0.5).clamp(0.0, COUNT_MAX) as u16
}

#[cfg(test)]
mod tests {
    use super::super::spec::TwinSpec;
    use super::*;

    #[test]
    fn a_converter_takes_the_nearest_count_and_stops_at_its_ends() {
        for (counts, expected) in
            [(0.0, 0), (0.49, 0), (0.5, 1), (2048.4, 2048), (4095.4, 4095), (9e9, 4095), (-5.0, 0)]
        {
            assert_eq!(convert(counts), expected, "{counts}");
        }
    }

    #[test]
    fn counts_scatter_around_the_truth_as_the_spec_says() {
        let spec = TwinSpec::demo();
        let plant = Plant::new(&spec, 0.3);
        let mut sensors = Sensors::new(spec.sensors, spec.machine.pole_pairs, 7);
        let n = 20_000;
        let (mut sum, mut square) = (0.0, 0.0);
        for _ in 0..n {
            let count = f64::from(sensors.fast(&plant, false).resolver);
            sum += count;
            square += count * count;
        }
        let mean = sum / f64::from(n);
        let sd = (square / f64::from(n) - mean * mean).sqrt();
        let counts = f64::from(1u32 << spec.sensors.resolver_bits) / TAU;
        // A uniform step adds a variance of 1/12 to that of the noise.
        let sd_expected = ((spec.sensors.resolver_noise * counts).powi(2) + 1.0 / 12.0).sqrt();
        let mean_expected = (4.0 * 0.3 + spec.sensors.resolver_offset) * counts;
        assert!((mean - mean_expected).abs() < 5.0 * sd / f64::from(n).sqrt(), "{mean} {mean_expected}");
        assert!((sd / sd_expected - 1.0).abs() < 0.03, "{sd} {sd_expected}");
    }

    #[test]
    fn noise_has_mean_zero_and_a_standard_deviation_of_one() {
        let mut noise = Xoshiro256PlusPlus::seed_from_u64(3);
        let n = 200_000;
        let drawn: Vec<f64> = (0..n).map(|_| near_gauss(&mut noise)).collect();
        let mean = drawn.iter().sum::<f64>() / f64::from(n);
        let square = drawn.iter().map(|x| x * x).sum::<f64>() / f64::from(n);
        // Five standard deviations of either figure: 1/sqrt(n), and sqrt((kurtosis - 1)/n) with 2.7.
        assert!(mean.abs() < 5.0 / f64::from(n).sqrt(), "{mean}");
        assert!((square - 1.0).abs() < 5.0 * (1.7 / f64::from(n)).sqrt(), "{square}");
    }

    #[test]
    fn a_stuck_sensor_no_longer_follows() {
        let spec = TwinSpec::demo();
        let mut sensors = Sensors::new(spec.sensors, 4, 1);
        sensors.stick_winding(1.0, 300.0);
        let cold = sensors.slow([300.0; 3]);
        let hot = sensors.slow([400.0; 3]);
        assert!((hot.temperatures[0] - cold.temperatures[0]).abs() < 5);
        assert!(hot.temperatures[1] - cold.temperatures[1] > 990);
    }
}
