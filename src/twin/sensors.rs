//! From the truth to counts: converters with offset, gain, noise and steps.

use super::plant::Plant;
use super::resolver::Resolver;
use super::rotation::turned;
use super::spec::SensorSpec;
use super::thermal::Thermal;
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
/// Largest pump current of the converter, A.
pub(super) const PUMP_CURRENT_FULL: f64 = 10.0;
/// Volts rms in a count of the meter at the transformer.
pub(super) const MAINS_COUNT: f64 = 0.05;
/// Radians per second in a count of the pump's tacho: 10 rpm.
pub(super) const TACHO_COUNT: f64 = 10.0 * TAU / 60.0;
/// Cubic metres per second in a count of the flow meter: 0.02 L/min.
pub(super) const FLOW_COUNT: f64 = 0.02e-3 / 60.0;

/// What the input of a temperature sensor with a negative coefficient makes of an open wire, K: it looks as cold as
/// the table goes.
const OPEN_READS: f64 = super::spec::ZERO_CELSIUS - 55.0;

/// Counts of a resolver signal at its nominal amplitude: four fifths of a signed 12 bit converter.
pub(super) const RESOLVER_NOMINAL: f64 = 1638.0;

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
    /// Winding, inverter, coolant given and coolant given back, in tenths of a kelvin.
    pub temperatures: [i32; 4],
    /// Sine and cosine of the resolver.
    pub resolver: [i16; 2],
    /// Both pedal tracks.
    pub pedal: [u16; 2],
    /// Current of the coolant pump's motor.
    pub pump_current: u16,
    /// Tacho of the coolant pump.
    pub pump_tacho: u16,
    /// Flow meter, where there is one.
    pub flow: Option<u16>,
    /// Output of the transformer.
    pub mains: u16,
}

/// Wires that are either live or not, looked at every millisecond.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Wires {
    /// The hard-wired stop loop.
    pub stop_loop_closed: bool,
    /// The gate drivers' own ready line.
    pub drivers_ready: bool,
}

/// The sensors and their noise.
#[derive(Debug, Clone)]
pub(super) struct Sensors {
    pub spec: SensorSpec,
    /// Whether the loop of the hard-wired emergency stop is closed.
    pub stop_loop_closed: bool,
    /// Share of the winding temperature that hangs at a value, and that value in K.
    stuck: (f64, f64),
    /// What a foot presses, 0 to 1.
    pub pressed: f64,
    /// Share of the way to an open wire that the winding sensor's contact has gone.
    pub winding_open: f64,
    /// Share of the way to an open wire that the divider of the bus has gone.
    pub bus_open: f64,
    /// Whether the resolver's converter hangs, and its newest count.
    pub resolver_hangs: bool,
    angle: u32,
    pole_pairs: f64,
    resolver: Resolver,
    /// Counts per ampere.
    count_scale: f64,
    /// Noise of the resolver angle while the gates switch, and what each volt of the bus adds, sd in rad.
    noise_gates: f64,
    noise_per_volt: f64,
    noise: Xoshiro256PlusPlus,
    /// Noise of the pump and of the second pedal track: apart, so that it disturbs no other.
    noise_beside: Xoshiro256PlusPlus,
}

impl Sensors {
    /// Sound sensors with noise from `seed`.
    pub fn new(spec: SensorSpec, pole_pairs: u32, seed: u64) -> Sensors {
        let mut sensors = Sensors {
            spec,
            count_scale: 0.0,
            noise_gates: 0.0,
            noise_per_volt: 0.0,
            stop_loop_closed: true,
            stuck: (0.0, 0.0),
            winding_open: 0.0,
            bus_open: 0.0,
            resolver_hangs: false,
            angle: 0,
            pressed: 0.0,
            pole_pairs: f64::from(pole_pairs),
            resolver: Resolver::new(&spec),
            noise: Xoshiro256PlusPlus::seed_from_u64(seed),
            noise_beside: Xoshiro256PlusPlus::seed_from_u64(seed ^ 0x7075_6D70),
        };
        sensors.refresh();
        sensors
    }

    /// Lets a share of the winding's reading hang at what it reads now, if more of it does than before. `winding` is its
    /// temperature in K.
    pub fn stick_winding(&mut self, share: f64, winding: f64) {
        if share > self.stuck.0 {
            self.stuck = (share, self.hung(winding));
        }
    }

    /// What the sensor in the winding tells of its temperature in K: a part of it may hang.
    fn hung(&self, winding: f64) -> f64 {
        let (share, at) = self.stuck;
        if share > 0.0 { winding + share * (at - winding) } else { winding }
    }

    /// Takes over what has been changed in the spec.
    pub fn refresh(&mut self) {
        let s = &self.spec;
        self.resolver = Resolver::new(s);
        self.count_scale = COUNT_ZERO / s.current_full;
        self.noise_gates = s.resolver_noise + s.resolver_noise_gates;
        self.noise_per_volt = s.resolver_noise_unbonded * (1.0 - s.casing_bond);
    }

    /// Noise of the resolver angle, sd in electrical rad: switching gates couple into the cable, the more so the
    /// less the casing is bonded and the higher the bus.
    fn resolver_noise(&self, bus: f64, gates: bool) -> f64 {
        let noise =
            if gates { self.noise_gates + self.noise_per_volt * bus } else { self.spec.resolver_noise };
        // A weak signal has the same noise beside it.
        noise / self.spec.resolver_excitation
    }

    /// Sine and cosine of the resolver in counts, `late` s after the plant's step, with noise on each from `noise`.
    pub fn resolver_at(
        &self,
        plant: &Plant,
        late: f64,
        gates: bool,
        noise: &mut Xoshiro256PlusPlus,
    ) -> [i16; 2] {
        let sd = self.resolver_noise(plant.supply.bus(), gates);
        let electrical = turned(plant.sine_cosine(), self.pole_pairs * plant.speed() * late);
        self.resolver.signals(electrical).map(|signal| {
            let counts = self.spec.resolver_excitation * (signal + sd * gauss(noise)) * RESOLVER_NOMINAL;
            counts.round().clamp(-2048.0, 2047.0) as i16
        })
    }

    /// Phase currents and angle.
    pub fn fast(&mut self, plant: &Plant, gates: bool) -> FastCounts {
        let sd = self.resolver_noise(plant.supply.bus(), gates);
        let scale = self.count_scale;
        let Sensors { spec: s, noise, .. } = self;
        let current = plant.phase_currents();
        let ([first, second], [third, of_angle]) = (near_gauss(noise), near_gauss(noise));
        let of_phase = [first, second, third];
        let phase = std::array::from_fn(|i| {
            let read = current[i] * (1.0 + s.current_gain[i]) + s.current_offset[i];
            convert((read + s.current_noise * of_phase[i]) * scale + COUNT_ZERO)
        });
        let truth = self.pole_pairs * plant.angle();
        let angle = self.resolver.angle(truth, plant.sine_cosine()) + sd * of_angle;
        let counts = 1u32 << s.resolver_bits;
        let turns = angle * (1.0 / TAU);
        // Far enough above zero to round by cutting off; the mask is the modulo.
        let lifted = (turns + f64::from(TURNS_LIFT)) * f64::from(counts) + 0.5;
        if !self.resolver_hangs {
            self.angle = (lifted as u64 & u64::from(counts - 1)) as u32;
        }
        FastCounts { phase, resolver: self.angle }
    }

    /// Bus voltage and current.
    pub fn bus(&mut self, plant: &Plant) -> BusCounts {
        let Sensors { spec: s, noise, bus_open, .. } = self;
        let voltage = plant.supply.bus() * (1.0 - *bus_open) * (1.0 + s.bus_gain)
            + s.bus_offset
            + s.bus_noise * gauss(noise);
        let current = plant.bus_current() + s.bus_current_offset + s.bus_current_noise * gauss(noise);
        BusCounts {
            voltage: convert(voltage * COUNT_MAX / s.bus_full),
            current: convert(current * COUNT_ZERO / s.bus_current_full + COUNT_ZERO),
        }
    }

    /// Temperatures, resolver signals, pedal and coolant pump.
    pub fn slow(&mut self, thermal: &Thermal, plant: &Plant, gates: bool) -> SlowCounts {
        let mut resolver_noise = self.noise_beside.clone();
        let resolver = self.resolver_at(plant, 0.0, gates, &mut resolver_noise);
        self.noise_beside = resolver_noise;
        let mut winding = self.hung(thermal.winding());
        winding += self.winding_open * (OPEN_READS - winding);
        let Sensors { spec: s, noise, noise_beside: beside, pressed, .. } = self;
        let temperature = |i: usize, truth: f64, noise: &mut Xoshiro256PlusPlus| {
            let read = truth + s.temperature_offset[i] + s.temperature_noise * gauss(noise);
            (read / TEMPERATURE_COUNT).round() as i32
        };
        let temperatures = [
            temperature(0, winding, noise),
            temperature(1, thermal.inverter(), noise),
            temperature(2, thermal.coolant(), noise),
            temperature(3, thermal.coolant_back(), beside),
        ];
        let track = |i: usize, noise: &mut Xoshiro256PlusPlus| {
            let pressed = (s.pedal + *pressed).min(1.0) + s.pedal_apart[i];
            let volts = s.pedal_rest[i] + pressed * (s.pedal_pressed[i] - s.pedal_rest[i]);
            convert((volts + s.pedal_noise * gauss(noise)) * COUNT_MAX / PEDAL_FULL)
        };
        let pedal = [track(0, noise), track(1, beside)];
        let pump = &thermal.pump;
        let mut unsteady = |truth: f64, sd: f64| {
            (truth * (1.0 + pump.unsteady() * gauss(beside)) + sd * gauss(beside)).max(0.0)
        };
        let mains = plant.supply.mains() * (1.0 + s.mains_gain);
        let (pump_current, pump_tacho) = (
            convert(unsteady(pump.current(), s.pump_current_noise) * COUNT_MAX / PUMP_CURRENT_FULL),
            convert(unsteady(pump.speed(), 0.0) / TACHO_COUNT),
        );
        let flow = s.flow_meter.then(|| convert(unsteady(pump.flow(), 0.0) / FLOW_COUNT));
        SlowCounts {
            temperatures,
            resolver,
            pedal,
            pump_current,
            pump_tacho,
            flow,
            mains: convert((mains + s.mains_noise * gauss(beside)) / MAINS_COUNT),
        }
    }
}

fn gauss(noise: &mut Xoshiro256PlusPlus) -> f64 {
    StandardNormal.sample(noise)
}

/// Two figures of mean 0 and standard deviation 1 for the 10 kHz samples, made from one draw: each the sum of four uniform
/// bytes, which ends at 3.45 standard deviations and knows steps of 0.007. A true Gaussian would take a tenth of a
/// rehearsal's time.
#[inline]
fn near_gauss(noise: &mut Xoshiro256PlusPlus) -> [f64; 2] {
    const BYTES: u64 = 0x00FF_00FF_00FF_00FF;
    let bits = noise.next_u64();
    let twos = (bits & BYTES) + (bits >> 8 & BYTES);
    let fours = twos + (twos >> 16);
    // Four times the mean and twice the standard deviation of a uniform byte.
    [fours & 0xFFFF, fours >> 32 & 0xFFFF].map(|sum| (sum as f64 - 510.0) * (1.0 / 147.800_541))
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
        let mut spec = TwinSpec::demo();
        let s = &mut spec.sensors;
        (s.resolver_imbalance, s.resolver_quadrature, s.resolver_shift) = (0.0, 0.0, [0.0; 2]);
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
        let drawn: Vec<f64> = (0..n / 2).flat_map(|_| near_gauss(&mut noise)).collect();
        let together = drawn.chunks(2).map(|pair| pair[0] * pair[1]).sum::<f64>() / f64::from(n / 2);
        assert!(together.abs() < 5.0 / f64::from(n / 2).sqrt(), "a pair has nothing in common: {together}");
        let mean = drawn.iter().sum::<f64>() / f64::from(n);
        let square = drawn.iter().map(|x| x * x).sum::<f64>() / f64::from(n);
        // Five standard deviations of either figure: 1/sqrt(n), and sqrt((kurtosis - 1)/n) with 2.7.
        assert!(mean.abs() < 5.0 / f64::from(n).sqrt(), "{mean}");
        assert!((square - 1.0).abs() < 5.0 * (1.7 / f64::from(n)).sqrt(), "{square}");
    }

    #[test]
    fn a_stuck_sensor_no_longer_follows_and_an_open_one_looks_cold() {
        let spec = TwinSpec::demo();
        let at = |ambient: f64| {
            Thermal::new(super::super::spec::ThermalSpec { ambient, ..spec.thermal }, spec.cooling)
        };
        let plant = Plant::new(&spec, 0.3);
        let mut sensors = Sensors::new(spec.sensors, 4, 1);
        sensors.stick_winding(1.0, 300.0);
        let cold = sensors.slow(&at(300.0), &plant, false);
        let hot = sensors.slow(&at(400.0), &plant, false);
        assert!((hot.temperatures[0] - cold.temperatures[0]).abs() < 5);
        assert!(hot.temperatures[1] - cold.temperatures[1] > 990);
        // A milder onset later does not loosen it.
        sensors.stick_winding(0.05, 400.0);
        let still = sensors.slow(&at(400.0), &plant, false);
        assert!((still.temperatures[0] - cold.temperatures[0]).abs() < 5, "{}", still.temperatures[0]);
        sensors.winding_open = 1.0;
        let open = sensors.slow(&at(400.0), &plant, false).temperatures[0];
        assert!((open - 2182).abs() < 10, "{open} tenths of a kelvin");
    }
}
