//! Winding and inverter, each a node that gives its heat to the coolant.

use super::spec::ThermalSpec;

/// Length of a thermal step in s.
pub(super) const THERMAL_STEP: f64 = 10e-3;

/// Temperature coefficient of copper as IEC 60034-1 writes it (from memory): R is proportional to
/// k + t with k = 235 and t in °C.
const COPPER: f64 = 235.0;

/// The thermal network. Temperatures in K.
#[derive(Debug, Clone)]
pub(super) struct Thermal {
    spec: ThermalSpec,
    winding: f64,
    inverter: f64,
    /// Share of the coolant's flow that the circuit lets through: 1 sound, 0 empty.
    circuit: f64,
    flow: Option<f64>,
    share: f64,
    decay_winding: f64,
    decay_inverter: f64,
}

impl Thermal {
    /// Everything at ambient, the pump at rest.
    pub fn new(spec: ThermalSpec) -> Thermal {
        let mut thermal = Thermal {
            spec,
            winding: spec.ambient,
            inverter: spec.ambient,
            circuit: 1.0,
            flow: None,
            share: 0.0,
            decay_winding: 0.0,
            decay_inverter: 0.0,
        };
        thermal.set_flow(0.0);
        thermal
    }

    /// Winding temperature in K.
    pub fn winding(&self) -> f64 {
        self.winding
    }

    /// Inverter temperature in K.
    pub fn inverter(&self) -> f64 {
        self.inverter
    }

    /// Coolant temperature in K: held at ambient by a large reservoir.
    pub fn coolant(&self) -> f64 {
        self.spec.ambient
    }

    /// Lets only this share of the flow through.
    pub fn throttle(&mut self, share: f64) {
        self.circuit = share;
        self.flow = None;
    }

    /// Phase resistance over that at 20 °C.
    pub fn resistance_ratio(&self) -> f64 {
        (COPPER + self.winding - super::spec::ZERO_CELSIUS) / (COPPER + 20.0)
    }

    /// One step of [`THERMAL_STEP`] with `copper` and `inverter` heat in J set free within it and
    /// the pump at `pump` (0 to 1). Exact for constant power: C dT/dt = P - G (T - coolant).
    pub fn step(&mut self, copper: f64, inverter: f64, pump: f64) {
        self.set_flow(pump);
        let to = |conductance: f64, heat: f64| {
            self.spec.ambient + heat / THERMAL_STEP / (conductance * self.share)
        };
        let winding_end = to(self.spec.winding_to_coolant, copper);
        let inverter_end = to(self.spec.inverter_to_coolant, inverter);
        self.winding = winding_end + (self.winding - winding_end) * self.decay_winding;
        self.inverter = inverter_end + (self.inverter - inverter_end) * self.decay_inverter;
    }

    fn set_flow(&mut self, pump: f64) {
        if self.flow == Some(pump) {
            return;
        }
        self.flow = Some(pump);
        let moving = (pump / self.spec.pump_enough).clamp(0.0, 1.0) * self.circuit;
        self.share = self.spec.still_share + (1.0 - self.spec.still_share) * moving;
        let decay =
            |conductance: f64, capacity: f64| (-conductance * self.share * THERMAL_STEP / capacity).exp();
        self.decay_winding = decay(self.spec.winding_to_coolant, self.spec.winding_capacity);
        self.decay_inverter = decay(self.spec.inverter_to_coolant, self.spec.inverter_capacity);
    }
}

#[cfg(test)]
mod tests {
    use super::super::spec::TwinSpec;
    use super::*;

    fn heat(thermal: &mut Thermal, watt: f64, pump: f64, seconds: f64) {
        for _ in 0..(seconds / THERMAL_STEP).round() as usize {
            thermal.step(watt * THERMAL_STEP, watt * THERMAL_STEP, pump);
        }
    }

    /// First order: 63.212 % at tau = C/G, and P/G in the end (textbook closed form).
    #[test]
    fn a_node_rises_to_63_percent_at_tau_and_settles_at_power_over_conductance() {
        let spec = TwinSpec::demo().thermal;
        let tau = spec.winding_capacity / spec.winding_to_coolant;
        let mut thermal = Thermal::new(spec);
        heat(&mut thermal, 500.0, 1.0, tau);
        let end = 500.0 / spec.winding_to_coolant;
        let share = (thermal.winding() - spec.ambient) / end;
        assert!((share - 0.63212).abs() < 1e-5, "{share}");
        heat(&mut thermal, 500.0, 1.0, 20.0 * tau);
        assert!(((thermal.winding() - spec.ambient) / end - 1.0).abs() < 1e-3);
        let inverter = (thermal.inverter() - spec.ambient) / (500.0 / spec.inverter_to_coolant);
        assert!((inverter - 1.0).abs() < 1e-3, "{inverter}");
    }

    /// Adiabatic: 2152 W into 10 kg of copper at 385 J/kgK heats it at 0.559 K/s (textbook).
    #[test]
    fn the_first_second_is_adiabatic() {
        let mut spec = TwinSpec::demo().thermal;
        spec.winding_capacity = 10.0 * 385.0;
        let mut thermal = Thermal::new(spec);
        thermal.throttle(0.0);
        heat(&mut thermal, 2152.0, 0.0, 1.0);
        let rise = thermal.winding() - spec.ambient;
        assert!((rise - 0.559).abs() < 1e-3, "{rise}");
    }

    #[test]
    fn standing_coolant_takes_a_few_percent_of_the_heat() {
        let spec = TwinSpec::demo().thermal;
        for (pump, circuit) in [(0.0, 1.0), (1.0, 0.0)] {
            let mut thermal = Thermal::new(spec);
            thermal.throttle(circuit);
            heat(&mut thermal, 10.0, pump, 20_000.0);
            let rise = thermal.inverter() - spec.ambient;
            let expected = 10.0 / (spec.inverter_to_coolant * spec.still_share);
            assert!((rise / expected - 1.0).abs() < 1e-3, "{rise} K");
        }
    }

    /// (k+t2)/(k+t1) = R2/R1 with k = 235: 18.0 -> 23.0 mOhm from 20 °C is 90.83 °C (IEC 60034-1).
    #[test]
    fn copper_resistance_follows_the_resistance_method() {
        let mut spec = TwinSpec::demo().thermal;
        spec.ambient = super::super::spec::ZERO_CELSIUS + 90.83;
        let ratio = Thermal::new(spec).resistance_ratio();
        assert!((18.0 * ratio - 23.0).abs() < 1e-3, "{}", 18.0 * ratio);
    }
}
