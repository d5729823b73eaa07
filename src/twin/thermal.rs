//! Where the heat goes: winding and iron, magnets, casing, inverter, coolant before and after the radiator.

use super::coolant::Pump;
use super::spec::{CoolingSpec, ThermalSpec, ZERO_CELSIUS};

/// Length of a thermal step in s.
pub(super) const THERMAL_STEP: f64 = 10e-3;

/// Temperature coefficient of copper as IEC 60034-1 writes it (from memory): R is proportional to
/// k + t with k = 235 and t in °C.
const COPPER: f64 = 235.0;

/// Share of a half loop's heat capacity that is left when it holds nothing but air and wet walls.
const EMPTY: f64 = 0.02;

/// Nodes.
const WINDING: usize = 0;
const IRON: usize = 1;
const MAGNETS: usize = 2;
const CASING: usize = 3;
const INVERTER: usize = 4;
/// Coolant that has been through the unit, on its way to the radiator.
const HOT: usize = 5;
/// Coolant that has been through the radiator.
const COLD: usize = 6;
const NODES: usize = 7;

/// Heat in J, since the start or within a step, by where it is set free.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Heat {
    /// In the winding.
    pub copper: f64,
    /// In the iron.
    pub iron: f64,
    /// In bearings, seals and gears.
    pub friction: f64,
    /// In the air gap.
    pub windage: f64,
    /// In the inverter.
    pub inverter: f64,
}

impl Heat {
    /// What came on top since `before`.
    pub fn since(&self, before: &Heat) -> Heat {
        Heat {
            copper: self.copper - before.copper,
            iron: self.iron - before.iron,
            friction: self.friction - before.friction,
            windage: self.windage - before.windage,
            inverter: self.inverter - before.inverter,
        }
    }
}

/// The thermal network. Temperatures in K.
#[derive(Debug, Clone)]
pub(super) struct Thermal {
    spec: ThermalSpec,
    cooling: CoolingSpec,
    pub pump: Pump,
    nodes: [f64; NODES],
    /// Gate drivers: the inverter's plate and what its loss adds at once.
    drivers: f64,
    /// What has gone to the room since the start, J.
    to_ambient: f64,
    /// Flow for which the convection was worked out, and what came out: share of the conductances.
    convection: (f64, f64),
}

impl Thermal {
    /// Everything at ambient, the pump at rest.
    pub fn new(spec: ThermalSpec, cooling: CoolingSpec) -> Thermal {
        Thermal {
            spec,
            cooling,
            pump: Pump::new(cooling),
            nodes: [spec.ambient; NODES],
            drivers: spec.ambient,
            to_ambient: 0.0,
            convection: (0.0, spec.still_share),
        }
    }

    /// Winding temperature in K.
    pub fn winding(&self) -> f64 {
        self.nodes[WINDING]
    }

    /// Stator iron temperature in K.
    pub fn iron(&self) -> f64 {
        self.nodes[IRON]
    }

    /// Magnet temperature in K.
    pub fn magnets(&self) -> f64 {
        self.nodes[MAGNETS]
    }

    /// Casing and oil temperature in K.
    pub fn casing(&self) -> f64 {
        self.nodes[CASING]
    }

    /// Inverter temperature in K, at its plate.
    pub fn inverter(&self) -> f64 {
        self.nodes[INVERTER]
    }

    /// Gate driver temperature in K.
    pub fn drivers(&self) -> f64 {
        self.drivers
    }

    /// Temperature in K of the coolant that the unit is given.
    pub fn coolant(&self) -> f64 {
        self.nodes[COLD]
    }

    /// Temperature in K of the coolant that the unit gives back.
    pub fn coolant_back(&self) -> f64 {
        self.nodes[HOT]
    }

    /// Phase resistance over that at 20 °C.
    pub fn resistance_ratio(&self) -> f64 {
        (COPPER + self.winding() - ZERO_CELSIUS) / (COPPER + 20.0)
    }

    /// Heat held above ambient, and heat that has gone to the room since the start, both in J.
    pub fn held_and_lost(&self) -> [f64; 2] {
        let held = self.capacities().iter().zip(&self.nodes).map(|(c, t)| c * (t - self.spec.ambient)).sum();
        [held, self.to_ambient]
    }

    /// One step of [`THERMAL_STEP`] with `heat` in J set free within it and the pump at `pump` (0 to 1).
    pub fn step(&mut self, heat: &Heat, pump: f64) {
        self.step_of(THERMAL_STEP, heat, pump);
    }

    /// A step of any length in s: C dT/dt = P - sum G dT by Heun's rule, second order in the step.
    fn step_of(&mut self, dt: f64, heat: &Heat, pump: f64) {
        self.pump.step(pump, dt);
        self.convect();
        let s = &self.spec;
        let mut power = [0.0; NODES];
        power[WINDING] = heat.copper / dt;
        power[IRON] = heat.iron * (1.0 - s.rotor_share) / dt;
        power[MAGNETS] = (heat.iron * s.rotor_share + heat.windage) / dt;
        power[CASING] = heat.friction / dt;
        power[INVERTER] = heat.inverter / dt;
        let capacities = self.capacities();
        let (first, lost) = self.rates(&self.nodes, &power, &capacities);
        let ahead: [f64; NODES] = std::array::from_fn(|i| self.nodes[i] + dt * first[i]);
        let (second, lost_ahead) = self.rates(&ahead, &power, &capacities);
        for i in 0..NODES {
            self.nodes[i] += 0.5 * dt * (first[i] + second[i]);
        }
        self.to_ambient += 0.5 * dt * (lost + lost_ahead);
        self.drivers = self.nodes[INVERTER] + self.spec.driver_rise * power[INVERTER];
    }

    /// K/s of each node, and W that go to the room.
    fn rates(
        &self,
        t: &[f64; NODES],
        power: &[f64; NODES],
        capacities: &[f64; NODES],
    ) -> ([f64; NODES], f64) {
        let s = &self.spec;
        let c = &self.cooling;
        let (flow, share) = (self.pump.flow(), self.convection.1 * self.pump.fill);
        let carried = flow * c.density * c.specific_heat;
        let mut net = *power;
        for (from, to, conductance) in [
            (WINDING, IRON, s.winding_to_iron),
            (IRON, HOT, s.iron_to_coolant * share),
            (MAGNETS, IRON, s.magnet_to_iron),
            (IRON, CASING, s.iron_to_casing),
            (INVERTER, HOT, s.inverter_to_coolant * share),
            // What leaves one half is replaced from the other: the water itself carries the heat.
            (HOT, COLD, carried),
        ] {
            let through = conductance * (t[from] - t[to]);
            net[from] -= through;
            net[to] += through;
        }
        let mut lost = 0.0;
        for (node, conductance) in
            [(CASING, s.casing_to_ambient), (HOT, c.hoses), (COLD, c.hoses + c.radiator * self.pump.fill)]
        {
            let through = conductance * (t[node] - s.ambient);
            net[node] -= through;
            lost += through;
        }
        (std::array::from_fn(|i| net[i] / capacities[i]), lost)
    }

    /// Forced convection in a rough channel: the conductance goes with flow to the power 0.8 (Dittus and Boelter, from
    /// any handbook); a little is left by conduction when nothing moves.
    fn convect(&mut self) {
        let flow = self.pump.flow();
        if flow != self.convection.0 {
            let moving = (flow / self.cooling.flow_rated).powf(0.8);
            self.convection = (flow, self.spec.still_share + (1.0 - self.spec.still_share) * moving);
        }
    }

    /// Heat capacities in J/K.
    fn capacities(&self) -> [f64; NODES] {
        let (s, c) = (&self.spec, &self.cooling);
        let half = 0.5 * c.volume * c.density * c.specific_heat * self.pump.fill.max(EMPTY);
        [
            s.winding_capacity,
            s.iron_capacity,
            s.magnet_capacity,
            s.casing_capacity,
            s.inverter_capacity,
            half,
            half,
        ]
    }
}

#[cfg(test)]
mod tests;
