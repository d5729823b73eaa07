//! Rectified mains into a capacitor: twice-mains ripple, sag, and no way back.

use super::spec::SupplySpec;
use std::f64::consts::{FRAC_PI_2, PI, SQRT_2, TAU};

/// Energies in J since the start, each from a formula of its own.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct SupplyEnergy {
    /// Out of the transformer.
    pub source: f64,
    /// Lost in source resistance and diodes.
    pub source_loss: f64,
    /// Lost in the bleeder.
    pub bleeder: f64,
}

/// Transformer, full bridge, capacitor and bleeder.
#[derive(Debug, Clone)]
pub(super) struct Supply {
    spec: SupplySpec,
    /// Where the tops of the sine are cut off, as a share of its own peak: 1 for a sine.
    flat: f64,
    /// How well the leg of the second half wave conducts, as a share of the whole way from the mains: 1 sound, 0 dead.
    second_half: f64,
    step: f64,
    /// The mains in the middle of the coming step as a unit vector, and its turn per step.
    wave: [f64; 2],
    turn: [f64; 2],
    /// What the step's equation is made of, 1/Ohm: capacitor 2C/step, bleeder, source.
    conductances: [f64; 3],
    /// One over the sum of the first two, and of all three, Ohm.
    resistance_alone: f64,
    resistance_joined: f64,
    bus: f64,
    source_current: f64,
    energy: SupplyEnergy,
}

impl Supply {
    /// A supply switched on long ago without load: the capacitor is at its peak. `step` in s.
    pub fn new(spec: SupplySpec, step: f64) -> Supply {
        let omega = TAU * spec.frequency;
        let conductances = [2.0 * spec.capacitance / step, 1.0 / spec.bleeder, 1.0 / spec.source_resistance];
        let mut supply = Supply {
            spec,
            flat: flat_from(spec.crest),
            second_half: 1.0,
            step,
            wave: vector(0.5 * omega * step),
            turn: vector(omega * step),
            conductances,
            resistance_alone: 1.0 / (conductances[0] + conductances[1]),
            resistance_joined: 1.0 / (conductances[0] + conductances[1] + conductances[2]),
            bus: 0.0,
            source_current: 0.0,
            energy: SupplyEnergy::default(),
        };
        supply.settle();
        supply
    }

    /// Puts the capacitor at the peak that the transformer gives without load.
    pub fn settle(&mut self) {
        self.bus = (self.spec.crest * self.spec.transformer - 2.0 * self.spec.diode_drop).max(0.0);
    }

    /// Voltage of the DC link in V.
    pub fn bus(&self) -> f64 {
        self.bus
    }

    /// Output of the transformer in V rms.
    pub fn mains(&self) -> f64 {
        self.spec.transformer
    }

    /// Current out of the rectifier in A, never negative.
    pub fn source_current(&self) -> f64 {
        self.source_current
    }

    /// Energies since the start.
    pub fn energy(&self) -> SupplyEnergy {
        self.energy
    }

    /// Energy in the capacitor in J.
    pub fn stored(&self) -> f64 {
        0.5 * self.spec.capacitance * self.bus * self.bus
    }

    /// Scales the transformer's output.
    pub fn scale_transformer(&mut self, by: f64) {
        self.spec.transformer *= by;
    }

    /// Leaves the leg of the second half wave only this share of its conductance; none that it has lost comes back.
    pub fn weaken_second_half(&mut self, share: f64) {
        self.second_half = self.second_half.min(share);
    }

    /// One step with `load` in A drawn from the capacitor (negative: pumped into it).
    ///
    /// Kirchhoff's current law at the capacitor, C dv/dt = i_rectifier - v/R - load, by the
    /// trapezoidal rule; the rectifier conducts one way only.
    pub fn step(&mut self, load: f64) {
        let transformer =
            self.spec.crest * self.spec.transformer * self.wave[0].abs().min(self.flat) / self.flat;
        let open = transformer - 2.0 * self.spec.diode_drop;
        let [capacitor, bleeder, mut source] = self.conductances;
        let (mut joined, mut resistance) = (self.resistance_joined, self.spec.source_resistance);
        if self.wave[0] < 0.0 && self.second_half < 1.0 {
            source *= self.second_half;
            resistance /= self.second_half;
            joined = 1.0 / (capacitor + bleeder + source);
        }
        let held = capacitor * self.bus - load;
        let mut middle = held * self.resistance_alone;
        let mut current = 0.0;
        if open > middle {
            middle = (held + source * open) * joined;
            // Never negative: with the source joined in, the middle lies between its old place and `open`.
            current = source * (open - middle);
        }
        // The diodes of the inverter keep the capacitor from being charged the wrong way round.
        self.bus = (2.0 * middle - self.bus).max(0.0);
        self.source_current = current;
        if current > 0.0 {
            let drops = current * resistance + 2.0 * self.spec.diode_drop;
            self.energy.source += transformer * current * self.step;
            self.energy.source_loss += drops * current * self.step;
        }
        self.energy.bleeder += middle * middle * bleeder * self.step;
        self.turn_wave();
    }

    fn turn_wave(&mut self) {
        let [s, c] = self.wave;
        let [ts, tc] = self.turn;
        let (s, c) = (s * tc + c * ts, c * tc - s * ts);
        // One step of Newton's method keeps the vector's length at one.
        let unit = 1.5 - 0.5 * (s * s + c * c);
        self.wave = [s * unit, c * unit];
    }
}

/// Where a sine must be cut off for its peak to be `crest` times its rms: between a square wave (1) and the sine itself.
/// With the tops cut at sin b the mean square is (2 b - sin 2b)/(2 pi) + (1 - 2 b/pi) sin² b (integrated by hand).
fn flat_from(crest: f64) -> f64 {
    if crest >= SQRT_2 {
        return 1.0;
    }
    let (mut low, mut high) = (1e-3, FRAC_PI_2);
    for _ in 0..60 {
        let b = 0.5 * (low + high);
        let cut = b.sin();
        let square = (b - 0.5 * (2.0 * b).sin() + (PI - 2.0 * b) * cut * cut) / PI;
        if cut * cut < crest * crest * square { low = b } else { high = b }
    }
    (0.5 * (low + high)).sin()
}

fn vector(angle: f64) -> [f64; 2] {
    let (s, c) = angle.sin_cos();
    [s, c]
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEP: f64 = 1e-4;

    fn ideal(transformer: f64) -> SupplySpec {
        SupplySpec {
            transformer,
            crest: SQRT_2,
            frequency: 50.0,
            source_resistance: 1e-3,
            diode_drop: 0.0,
            capacitance: 4.7e-3,
            bleeder: 1e9,
        }
    }

    /// Runs for `seconds` at a constant load and returns the bus at each step of the last 100 ms.
    fn run(supply: &mut Supply, load: f64, seconds: f64) -> Vec<f64> {
        let steps = (seconds / STEP).round() as usize;
        let mut bus = Vec::new();
        for i in 0..steps {
            supply.step(load);
            if i + 1000 >= steps {
                bus.push(supply.bus());
            }
        }
        bus
    }

    fn peak_to_peak(bus: &[f64]) -> f64 {
        bus.iter().fold(f64::MIN, |a, b| a.max(*b)) - bus.iter().fold(f64::MAX, |a, b| a.min(*b))
    }

    /// Textbook bridge: peak sqrt2 V without load; 110 V -> 155.6 V, 230 V -> 325.3 V.
    #[test]
    fn an_unloaded_capacitor_sits_at_the_peak_of_the_mains() {
        for (rms, peak) in [(110.0, 155.6), (230.0, 325.3)] {
            let mut supply = Supply::new(ideal(rms), STEP);
            supply.bus = 0.0;
            let bus = run(&mut supply, 0.0, 0.5);
            let last = bus[bus.len() - 1];
            assert!((last - peak).abs() < 0.1, "{rms} V rms: {last} V, not {peak} V");
        }
    }

    /// Flat-topped mains, crest factor 1.37 at 109.6 V rms: the capacitor sits at 150.2 V, and the wave keeps its rms.
    #[test]
    fn flat_tops_keep_the_rms_and_lower_the_peak() {
        let flat = flat_from(1.37);
        let n = 100_000;
        let square = (0..n).map(|i| (TAU * f64::from(i) / f64::from(n)).sin().abs().min(flat).powi(2));
        let rms = (square.sum::<f64>() / f64::from(n)).sqrt();
        assert!((flat / rms - 1.37).abs() < 1e-4, "{}", flat / rms);
        let mut supply = Supply::new(SupplySpec { crest: 1.37, ..ideal(109.6) }, STEP);
        supply.bus = 0.0;
        let bus = run(&mut supply, 0.0, 0.5);
        assert!((bus[bus.len() - 1] - 1.37 * 109.6).abs() < 0.1, "{} V", bus[bus.len() - 1]);
    }

    /// Textbook bridge: mean 0.9003 V; 110 V -> 99.0 V, 230 V -> 207.1 V. With next to no capacitor
    /// and a resistive load the bus is the rectified sine itself.
    #[test]
    fn without_a_capacitor_the_mean_is_nine_tenths_of_the_rms() {
        for (rms, mean) in [(110.0, 99.0), (230.0, 207.1)] {
            let spec = SupplySpec { capacitance: 1e-9, bleeder: 100.0, ..ideal(rms) };
            let mut supply = Supply::new(spec, STEP);
            let mut sum = 0.0;
            for _ in 0..10_000 {
                // The trapezoidal rule rings on so small a capacitor: the source carries the mean.
                supply.step(0.0);
                sum += supply.source_current() * 100.0;
            }
            let got = sum / 10_000.0;
            assert!((got - mean).abs() < 0.1, "{rms} V rms: mean {got} V, not {mean} V");
        }
    }

    /// I/(2 f C) bounds the ripple: 5 A, 50 Hz, 4.7 mF -> 10.64 Vpp (textbook). The rows beside it
    /// come from a simulation of our own outside this program: explicit Euler at 1 us in Python.
    #[test]
    fn ripple_stays_under_the_constant_current_bound_at_twice_mains() {
        for (source_resistance, expected) in [(0.1, 8.908), (0.3, 8.273), (0.5, 7.870)] {
            let mut supply = Supply::new(SupplySpec { source_resistance, ..ideal(109.6) }, STEP);
            let bus = run(&mut supply, 5.0, 2.0);
            let ripple = peak_to_peak(&bus);
            assert!(ripple < 10.64, "{ripple} Vpp");
            assert!((ripple / expected - 1.0).abs() < 5e-3, "{ripple} Vpp, not {expected} Vpp");
            assert_eq!(minima(&bus), 10, "100 ms hold ten half waves");
        }
    }

    /// Ripple at the mains frequency instead of twice that: one leg of the bridge is dead.
    #[test]
    fn a_dead_leg_halves_the_ripple_frequency() {
        let spec = SupplySpec { source_resistance: 0.3, ..ideal(109.6) };
        let mut supply = Supply::new(spec, STEP);
        supply.weaken_second_half(0.0);
        let bus = run(&mut supply, 5.0, 2.0);
        assert_eq!(minima(&bus), 5, "100 ms hold five whole waves");
        assert!(peak_to_peak(&bus) > 10.64, "one pulse a period ripples more");
        // Dead is dead: a milder onset after it does not bring the leg back.
        supply.weaken_second_half(0.95);
        assert_eq!(minima(&run(&mut supply, 5.0, 2.0)), 5);
    }

    /// A leg that has lost a twentieth of its conductance is next to sound at any load: half waves carry nearly the same charge.
    /// (A voltage lower by as much would never reach the capacitor at light load: the leg would seem dead.)
    #[test]
    fn a_weak_leg_is_a_resistance_in_its_half_wave() {
        let spec = SupplySpec { source_resistance: 0.3, ..ideal(109.6) };
        let share = |left: f64, load: f64| {
            let mut supply = Supply::new(spec, STEP);
            supply.weaken_second_half(left);
            run(&mut supply, load, 1.0);
            let mut charge = [0.0; 2];
            for _ in 0..10_000 {
                let second = usize::from(supply.wave[0] < 0.0);
                supply.step(load);
                charge[second] += supply.source_current();
            }
            charge[1] / charge[0]
        };
        for load in [0.5, 5.0, 20.0] {
            assert!((share(1.0, load) - 1.0).abs() < 1e-3, "{load} A: {}", share(1.0, load));
            let (weak, worse) = (share(0.95, load), share(0.2, load));
            assert!((0.9..0.999).contains(&weak) && worse < 0.8 * weak, "{load} A: {weak} {worse}");
            assert_eq!(share(0.0, load), 0.0, "{load} A");
        }
    }

    /// What the source gave under a load of 5 A is in its losses, the bleeder, the load and the link.
    fn balances(mut supply: Supply) {
        let (before, mut load) = (supply.stored(), 0.0);
        for _ in 0..20_000 {
            let v0 = supply.bus();
            supply.step(5.0);
            load += 5.0 * 0.5 * (v0 + supply.bus()) * STEP;
        }
        let e = supply.energy();
        let residual = e.source - e.source_loss - e.bleeder - load - (supply.stored() - before);
        assert!(residual.abs() < 1e-9 * e.source, "{residual} J of {} J", e.source);
    }

    /// What a weak leg turns to heat is in the balance.
    #[test]
    fn a_weak_leg_keeps_the_balance() {
        let spec = SupplySpec { source_resistance: 0.3, bleeder: 1e3, ..ideal(112.0) };
        let mut supply = Supply::new(spec, STEP);
        supply.weaken_second_half(0.3);
        balances(supply);
    }

    fn minima(bus: &[f64]) -> usize {
        bus.windows(3).filter(|w| w[1] < w[0] && w[1] <= w[2]).count()
    }

    /// 0.02 kg m² at 3000 rpm = 987 J; into 4.7 mF from 155 V -> 666 V (energy conservation).
    #[test]
    fn what_comes_back_pumps_the_capacitor_up() {
        let mut supply = Supply::new(ideal(155.0 / SQRT_2), STEP);
        let mut left: f64 = 0.5 * 0.02 * (3000.0 * TAU / 60.0f64).powi(2);
        while left > 0.0 {
            let power = left.min(0.1) / STEP;
            supply.step(-power / supply.bus());
            left -= 0.1;
        }
        assert!((supply.bus() - 666.0).abs() < 1.0, "{} V", supply.bus());
        let bus = run(&mut supply, 0.0, 1.0);
        assert!(bus[bus.len() - 1] > 660.0, "the rectifier has no way back");
    }

    /// t = RC ln(V0/V): RC 45 s, 600 -> 50 V in 111.82 s (published capacitor-discharge figure).
    #[test]
    fn the_bleeder_discharges_as_the_logarithm_says() {
        let spec = SupplySpec { capacitance: 4.5e-3, bleeder: 10e3, ..ideal(600.0 / SQRT_2) };
        let mut supply = Supply::new(spec, STEP);
        supply.scale_transformer(0.0);
        let mut steps = 0;
        while supply.bus() > 50.0 {
            supply.step(0.0);
            steps += 1;
        }
        let seconds = f64::from(steps) * STEP;
        assert!((seconds - 111.82).abs() < 0.02, "{seconds} s");
    }

    #[test]
    fn energy_into_the_link_is_accounted_for() {
        let spec = SupplySpec { source_resistance: 0.3, diode_drop: 0.8, bleeder: 1e3, ..ideal(112.0) };
        let supply = Supply::new(spec, STEP);
        balances(supply);
    }
}
