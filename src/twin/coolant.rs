//! Pump and coolant circuit: how fast the coolant moves, and what the pump draws for it.

use super::spec::CoolingSpec;

/// Share of the head that a pump worn out (wear 1) has left, and how much more its bearings rub.
const WORN_HEAD: f64 = 0.2;
const WORN_RUB: f64 = 1.2;
/// Unsteadiness of current and speed, sd as a share of them: new, and added by wear.
const UNSTEADY: f64 = 0.01;
const WORN_UNSTEADY: f64 = 0.12;

/// Pump and circuit.
#[derive(Debug, Clone)]
pub(super) struct Pump {
    spec: CoolingSpec,
    /// How worn the pump is: 0 new, 1 nearly dead, more is worse.
    pub wear: f64,
    /// Share of liquid in what the pump takes in: 1 sound, 0 air.
    pub primed: f64,
    /// Share of the loop that holds coolant at all.
    pub fill: f64,
    /// Speed as a share of that without load at full demand.
    speed: f64,
    flow: f64,
    current: f64,
}

impl Pump {
    /// At rest, the circuit full.
    pub fn new(spec: CoolingSpec) -> Pump {
        Pump { spec, wear: 0.0, primed: 1.0, fill: 1.0, speed: 0.0, flow: 0.0, current: 0.0 }
    }

    /// Flow in m³/s.
    pub fn flow(&self) -> f64 {
        self.flow
    }

    /// Current of the motor in A.
    pub fn current(&self) -> f64 {
        self.current
    }

    /// Speed in rad/s.
    pub fn speed(&self) -> f64 {
        self.speed * self.spec.pump_speed
    }

    /// Standard deviation of the fluctuations of current and speed, as a share of either.
    pub fn unsteady(&self) -> f64 {
        UNSTEADY + WORN_UNSTEADY * self.wear
    }

    /// One step of `dt` in s with a demand from 0 to 1.
    ///
    /// A centrifugal pump: its head goes with the square of speed and of flow, the circuit takes the square of
    /// flow (affinity laws, any handbook), H n² - k Q² = R Q²; air in the impeller takes head and load away.
    pub fn step(&mut self, demand: f64, dt: f64) {
        let s = &self.spec;
        let liquid = self.primed * self.fill;
        let head = s.pump_head * (1.0 - (1.0 - WORN_HEAD) * self.wear).max(0.0) * liquid * liquid;
        let full = (s.pump_head / (s.pump_resistance + s.circuit_resistance)).sqrt();
        self.flow = self.speed * (head / (s.pump_resistance + s.circuit_resistance)).sqrt();
        // A motor's torque is its current; half of the impeller's is there without flow.
        let load =
            liquid * self.speed * self.speed * (0.5 + 0.5 * self.flow / (full * self.speed).max(1e-12));
        let rub = if demand > 0.0 { 1.0 + WORN_RUB * self.wear } else { 0.0 };
        self.current = s.pump_idle_current * rub + s.pump_load_current * load;
        let slip = s.pump_slip * self.current / (s.pump_idle_current + s.pump_load_current);
        let to = (demand - slip).max(0.0);
        self.speed += (to - self.speed) * dt / s.pump_lag;
    }
}

#[cfg(test)]
mod tests {
    use super::super::spec::TwinSpec;
    use super::*;

    fn run(change: impl Fn(&mut Pump), demand: f64) -> Pump {
        let mut pump = Pump::new(TwinSpec::demo().cooling);
        change(&mut pump);
        for _ in 0..1000 {
            pump.step(demand, 10e-3);
        }
        pump
    }

    const LITRES: f64 = 60e3;

    /// The curve at its working point: H n² = (k + R) Q² (affinity laws).
    #[test]
    fn flow_is_where_pump_and_circuit_meet() {
        let s = TwinSpec::demo().cooling;
        for demand in [0.3, 0.8, 1.0] {
            let pump = run(|_| {}, demand);
            let n = pump.speed() / s.pump_speed;
            let left = s.pump_head * n * n - s.pump_resistance * pump.flow().powi(2);
            let taken = s.circuit_resistance * pump.flow().powi(2);
            assert!((left / taken - 1.0).abs() < 1e-3, "{left} Pa, {taken} Pa at {demand}");
        }
        let litres = run(|_| {}, 0.8).flow() * LITRES;
        assert!((litres / 8.0 - 1.0).abs() < 0.05, "{litres} L/min at the demo rig's 80 %");
    }

    /// Common practice: a dying pump gives less water and is noisier; here it also draws more than its flow is worth. Air in
    /// the impeller lets it run light and fast.
    #[test]
    fn wear_and_air_tell_themselves_apart() {
        let sound = run(|_| {}, 0.8);
        let worn = run(|p| p.wear = 1.0, 0.8);
        assert!(worn.flow() < 0.5 * sound.flow() && worn.unsteady() > 5.0 * sound.unsteady());
        let per_litre = |p: &Pump| p.current() / p.flow();
        assert!(per_litre(&worn) > 1.5 * per_litre(&sound));
        assert!(worn.current() > sound.current(), "{} {}", worn.current(), sound.current());
        let locked = run(|p| p.primed = 0.0, 0.8);
        assert_eq!(locked.flow(), 0.0);
        assert!(locked.current() < 0.4 * sound.current() && locked.speed() > 1.02 * sound.speed());
        let off = run(|_| {}, 0.0);
        assert!(off.flow() < 1e-9 && off.current() < 1e-9);
    }
}
