//! The unit file: the drive unit under test.

use super::read::*;
use crate::units::Quantity;

table! {
    /// A drive unit under test.
    pub struct Unit as "unit" {
        /// Version of the file format.
        schema: At<FormatVersion>,
        /// Type of the unit.
        name: At<String>,
        /// Serial number of this one.
        serial: At<String>,
        /// A sentence or two about it.
        about: Option<String>,
        /// The controller board that drives it.
        controller: Controller,
        /// The machine's nameplate; every value may be a range.
        machine: Machine,
        /// What turns.
        rotor: Rotor,
        /// What heats.
        thermal: Thermal,
        /// The state of assembly; needed where a real unit climbs the ladder.
        assembly: Option<Assembly>,
        /// Ratios of the gear stages from the machine to the wheel.
        gear: Vec<f64>,
        /// Teeth of the gear stages from the machine to the wheel.
        gear_stage: Vec<GearStage>,
        /// Rolling bearings on the machine's shaft, the one nearest to the accelerometer first.
        bearing: Vec<Bearing>,
    }
}

table! {
    /// The state of assembly: what was passed holds for it alone.
    pub struct Assembly as "state of assembly" {
        /// Raise it by one whenever the unit has been opened: 1 for the first time it was closed.
        number: At<u32>,
        /// The day on which it was closed, such as "2026-11-20".
        closed: Option<At<String>>,
    }
}

table! {
    /// One gear stage.
    pub struct GearStage as "gear stage" {
        /// Teeth of the wheel that drives.
        pinion: At<u32>,
        /// Teeth of the wheel that is driven.
        wheel: At<u32>,
    }
}

table! {
    /// A rolling bearing.
    pub struct Bearing as "bearing" {
        /// Where it sits.
        place: String,
        /// Number of balls or rollers.
        balls: At<u32>,
        /// Diameter of a ball over that of the circle of their centres.
        ball_to_pitch: f64,
        /// Contact angle; zero if absent.
        contact_angle: Option<Q<Angle>>,
    }
}

table! {
    /// The controller board.
    pub struct Controller as "controller" {
        /// Model, as its identity says it.
        model: At<String>,
        /// Highest phase current it may be asked for.
        current_max: At<Quantity>,
    }
}

table! {
    /// The machine's nameplate.
    pub struct Machine as "machine" {
        /// Pole pairs.
        pole_pairs: At<u32>,
        /// Peak flux linkage of the magnets, per phase.
        flux_linkage: Ranged<FluxLinkage>,
        /// Resistance of one phase at 20 °C.
        resistance: Ranged<Resistance>,
        /// Inductance along the magnets.
        inductance_d: Ranged<Inductance>,
        /// Inductance across the magnets.
        inductance_q: Ranged<Inductance>,
        /// Highest speed of the shaft.
        speed_max: Q<Speed>,
        /// Highest bus voltage.
        bus_max: Q<Voltage>,
        /// Largest torque of the shaft while windings or inverter are shorted in any way, as its maker or a calculation with saturation
        /// says; worked out without saturation if absent, which is far too much for some.
        torque_shorted_max: Option<Q<Torque>>,
    }
}

table! {
    /// What turns, referred to the machine's shaft.
    pub struct Rotor as "rotor" {
        /// Inertia of rotor and gears.
        inertia: Ranged<Inertia>,
        /// Friction that does not depend on speed.
        friction: Ranged<Torque>,
        /// Drag proportional to speed.
        drag: Ranged<Drag>,
    }
}

table! {
    /// What heats: one node each for winding and inverter, both to the coolant.
    pub struct Thermal as "thermal data" {
        /// Highest winding temperature.
        winding_max: Q<Temperature>,
        /// Heat capacity of the winding.
        winding_capacity: Ranged<HeatCapacity>,
        /// Conductance from winding to coolant.
        winding_to_coolant: Ranged<Conductance>,
        /// Highest inverter temperature.
        inverter_max: Q<Temperature>,
        /// Heat capacity of the inverter's heatsink.
        inverter_capacity: Ranged<HeatCapacity>,
        /// Conductance from inverter to coolant.
        inverter_to_coolant: Ranged<Conductance>,
        /// Loss of one phase of the inverter, switching included, over its rms current, from the smallest current to the largest.
        inverter_drop: Option<Ranged<Voltage>>,
        /// How much later than the winding's copper and the inverter's switches their sensors get warm.
        sensor_lag: Option<Q<Time>>,
    }
}
