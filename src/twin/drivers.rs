//! The gate drivers' own over-temperature shutdown: hardware that acts by itself, whatever the firmware wants.

use super::spec::InverterSpec;

/// The shutdown of the gate drivers.
#[derive(Debug, Clone)]
pub(super) struct GateDrivers {
    shutdown: f64,
    ready_below: f64,
    shut: bool,
}

impl GateDrivers {
    /// Cool and ready.
    pub fn new(spec: &InverterSpec) -> GateDrivers {
        let ready_below = spec.driver_shutdown - spec.driver_recovery;
        GateDrivers { shutdown: spec.driver_shutdown, ready_below, shut: false }
    }

    /// Whether they let the gates switch; also what their ready line says.
    pub fn ready(&self) -> bool {
        !self.shut
    }

    /// Looks at the temperature of the drivers in K.
    pub fn feel(&mut self, temperature: f64) {
        self.shut = temperature >= if self.shut { self.ready_below } else { self.shutdown };
    }
}

#[cfg(test)]
mod tests {
    use super::super::spec::TwinSpec;
    use super::*;

    #[test]
    fn drivers_shut_down_when_hot_and_stay_so_until_they_have_cooled() {
        let spec = TwinSpec::demo().inverter;
        let mut drivers = GateDrivers::new(&spec);
        for (below, ready) in
            [(30.0, true), (0.1, true), (0.0, false), (14.9, false), (15.1, true), (0.1, true)]
        {
            drivers.feel(spec.driver_shutdown - below);
            assert_eq!(drivers.ready(), ready, "{below} K below the shutdown");
        }
    }
}
