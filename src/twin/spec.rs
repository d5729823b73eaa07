//! Every number of the simulated unit, controller and rig, in SI units; ranges are drawn already.

use super::builds::{Build, SOUND};
use crate::time::Duration;
use std::f64::consts::TAU;

/// Kelvin at 0 °C.
pub(super) const ZERO_CELSIUS: f64 = 273.15;

/// Everything that the twin is made of. Two twins with equal specs, seeds, faults and inputs send
/// equal bytes.
#[derive(Debug, Clone, PartialEq)]
pub struct TwinSpec {
    /// What `*IDN?` answers, without the build.
    pub identity: Identity,
    /// Firmware build.
    pub build: Build,
    /// The machine.
    pub machine: MachineSpec,
    /// What turns.
    pub rotor: RotorSpec,
    /// The inverter.
    pub inverter: InverterSpec,
    /// Mains, rectifier and DC link.
    pub supply: SupplySpec,
    /// Heat and where it goes.
    pub thermal: ThermalSpec,
    /// What the firmware can see.
    pub sensors: SensorSpec,
    /// Limits as set in the controller.
    pub limits: LimitSpec,
    /// Plant steps per 100 µs period of the firmware, at least 1. More steps only make the
    /// integration finer; the firmware stays at 10 kHz.
    pub substeps: u32,
}

/// Who made the controller.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    /// Maker.
    pub maker: String,
    /// Model.
    pub model: String,
    /// Serial number.
    pub serial: String,
}

/// Permanent-magnet machine in rotor axes, amplitude-invariant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MachineSpec {
    /// Pole pairs, at least 1.
    pub pole_pairs: u32,
    /// Flux linkage of the magnets, peak, in Wb.
    pub flux_linkage: f64,
    /// Phase resistance at 20 °C in Ohm.
    pub resistance: f64,
    /// Inductance along the magnets in H.
    pub inductance_d: f64,
    /// Inductance across the magnets in H.
    pub inductance_q: f64,
}

/// Inertia and what holds it back.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RotorSpec {
    /// Moment of inertia in kg m².
    pub inertia: f64,
    /// Coulomb friction while turning, in Nm.
    pub friction: f64,
    /// Friction that must be overcome to start from rest, in Nm; at least `friction`.
    pub breakaway: f64,
    /// Drag that grows with speed, in Nm s/rad.
    pub drag: f64,
    /// Drag that grows with the square of speed, in Nm s²/rad².
    pub windage: f64,
}

/// Inverter losses; they are drawn from the DC link and heat the inverter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct InverterSpec {
    /// Constant part of a device's voltage drop, in V.
    pub drop: f64,
    /// Resistive part of a device's voltage drop, in Ohm.
    pub resistance: f64,
    /// Switching energy per volt of bus, ampere and period, in J/(V A).
    pub switching: f64,
    /// Switching frequency in Hz.
    pub switching_frequency: f64,
}

/// Rectified mains behind a hand-set transformer, and the DC link.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SupplySpec {
    /// Output of the transformer, V rms.
    pub transformer: f64,
    /// Mains frequency in Hz.
    pub frequency: f64,
    /// Resistance of transformer and mains in Ohm, above 0.
    pub source_resistance: f64,
    /// Voltage drop of one rectifier diode in V; two conduct at a time.
    pub diode_drop: f64,
    /// DC link capacitance in F.
    pub capacitance: f64,
    /// Bleeder across the DC link in Ohm.
    pub bleeder: f64,
}

/// Two nodes that give their heat to a coolant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ThermalSpec {
    /// Temperature of the room, of the coolant and of everything at the start, in K.
    pub ambient: f64,
    /// Heat capacity of the winding in J/K.
    pub winding_capacity: f64,
    /// Conductance from the winding to moving coolant in W/K.
    pub winding_to_coolant: f64,
    /// Heat capacity of the inverter in J/K.
    pub inverter_capacity: f64,
    /// Conductance from the inverter to moving coolant in W/K.
    pub inverter_to_coolant: f64,
    /// Share of the conductances that remains when the coolant stands still.
    pub still_share: f64,
    /// Pump demand from which on the conductances are as given, as a share of full.
    pub pump_enough: f64,
}

/// Converters and their errors. `sd` is a standard deviation of white noise per sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SensorSpec {
    /// Largest phase current of the 12 bit converter, either way, in A.
    pub current_full: f64,
    /// Offsets of the three current sensors in A.
    pub current_offset: [f64; 3],
    /// Gain errors of the three current sensors (0.01 reads 1 % too much).
    pub current_gain: [f64; 3],
    /// Noise of a current sensor, sd in A.
    pub current_noise: f64,
    /// Bits of the resolver-to-digital converter, per electrical turn.
    pub resolver_bits: u32,
    /// Error of the resolver's mounting and adjustment, electrical rad.
    pub resolver_offset: f64,
    /// Noise of the resolver angle with gates off, sd in electrical rad.
    pub resolver_noise: f64,
    /// What switching gates add to that noise, sd in electrical rad.
    pub resolver_noise_gates: f64,
    /// Largest bus voltage of the 12 bit converter in V.
    pub bus_full: f64,
    /// Offset of the bus voltage in V.
    pub bus_offset: f64,
    /// Noise of the bus voltage, sd in V.
    pub bus_noise: f64,
    /// Largest bus current of the 12 bit converter, either way, in A.
    pub bus_current_full: f64,
    /// Offset of the bus current in A.
    pub bus_current_offset: f64,
    /// Noise of the bus current, sd in A.
    pub bus_current_noise: f64,
    /// Offsets of winding, inverter and coolant temperature in K.
    pub temperature_offset: [f64; 3],
    /// Noise of a temperature, sd in K; counts are 0.1 K apart.
    pub temperature_noise: f64,
    /// Pedal position, 0 released to 1 pressed.
    pub pedal: f64,
    /// Voltage of the pedal track at rest, of 5 V.
    pub pedal_rest: f64,
    /// Voltage of the pedal track fully pressed, of 5 V.
    pub pedal_pressed: f64,
    /// Noise of the pedal track, sd in V.
    pub pedal_noise: f64,
}

/// Limits that the controller keeps by itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitSpec {
    /// Largest current that the speed loop may ask for, A peak.
    pub current: f64,
    /// Phase current at which the gates go off, A peak.
    pub overcurrent: f64,
    /// Largest speed that may be demanded, rad/s; 10 % more is a fault.
    pub speed: f64,
    /// Rate at which the speed demand is followed at most, rad/s².
    pub speed_rate: f64,
    /// Rate of a quick stop, rad/s².
    pub quick_stop_rate: f64,
    /// Highest winding temperature in K.
    pub winding: f64,
    /// Highest inverter temperature in K.
    pub inverter: f64,
    /// Highest bus voltage in V.
    pub bus_high: f64,
    /// Lowest bus voltage while driving in V.
    pub bus_low: f64,
    /// How long the controller drives without a new demand.
    pub command_timeout: Duration,
}

impl TwinSpec {
    /// The demo rig and unit: the middle of each range of the demo files, with figures of our own
    /// for what a nameplate does not say.
    pub fn demo() -> TwinSpec {
        TwinSpec {
            identity: Identity {
                maker: "Hollin Clough Motors".into(),
                model: "HC-7 controller".into(),
                serial: "HC7-0042".into(),
            },
            build: SOUND,
            machine: MachineSpec {
                pole_pairs: 4,
                flux_linkage: 65e-3,
                resistance: 18e-3,
                inductance_d: 0.30e-3,
                inductance_q: 0.75e-3,
            },
            rotor: RotorSpec { inertia: 0.03, friction: 0.8, breakaway: 0.9, drag: 0.0045, windage: 1e-6 },
            inverter: InverterSpec {
                drop: 0.8,
                resistance: 3e-3,
                switching: 2e-7,
                switching_frequency: 10e3,
            },
            supply: SupplySpec {
                transformer: 112.0,
                frequency: 50.0,
                source_resistance: 0.3,
                diode_drop: 0.8,
                capacitance: 4.7e-3,
                bleeder: 10e3,
            },
            thermal: ThermalSpec {
                ambient: ZERO_CELSIUS + 20.0,
                winding_capacity: 3850.0,
                winding_to_coolant: 25.0,
                inverter_capacity: 900.0,
                inverter_to_coolant: 40.0,
                still_share: 0.03,
                pump_enough: 0.6,
            },
            sensors: SensorSpec::bench(),
            limits: LimitSpec::bench(),
            substeps: 1,
        }
    }
}

impl SensorSpec {
    /// Sound sensors of an ordinary controller board: small offsets, a converter step of noise.
    pub fn bench() -> SensorSpec {
        SensorSpec {
            current_full: 400.0,
            current_offset: [0.1, -0.12, 0.05],
            current_gain: [0.003, -0.002, 0.001],
            current_noise: 0.25,
            resolver_bits: 12,
            resolver_offset: 0.01,
            resolver_noise: 1.5e-3,
            resolver_noise_gates: 1.0e-3,
            bus_full: 500.0,
            bus_offset: 0.1,
            bus_noise: 0.15,
            bus_current_full: 100.0,
            bus_current_offset: 0.03,
            bus_current_noise: 0.1,
            temperature_offset: [0.2, -0.1, 0.1],
            temperature_noise: 0.04,
            pedal: 0.0,
            pedal_rest: 0.75,
            pedal_pressed: 4.25,
            pedal_noise: 2e-3,
        }
    }
}

impl LimitSpec {
    /// What the controller is set to on the bench: far below what the unit does in the van.
    pub fn bench() -> LimitSpec {
        LimitSpec {
            current: 24.0,
            overcurrent: 120.0,
            speed: 2200.0 * TAU / 60.0,
            speed_rate: 5000.0 * TAU / 60.0,
            quick_stop_rate: 150.0 * TAU / 60.0,
            winding: ZERO_CELSIUS + 140.0,
            inverter: ZERO_CELSIUS + 95.0,
            bus_high: 210.0,
            bus_low: 60.0,
            command_timeout: Duration::from_millis(100),
        }
    }
}
