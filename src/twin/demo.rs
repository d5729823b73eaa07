//! The demo rig and unit as the twin has them: invented, as everything of the scenario.

use super::builds::SOUND;
use super::geometry::{BearingSpec, GearStage};
use super::spec::{
    CoolingSpec, Identity, InverterSpec, LimitSpec, LoadSpec, MachineSpec, RotorSpec, SensorSpec, SupplySpec,
    ThermalSpec, TwinSpec, VibrationSpec, ZERO_CELSIUS,
};
use crate::time::Duration;
use std::f64::consts::TAU;

/// Cubic metres per second in a litre per minute.
const LITRE_PER_MINUTE: f64 = 1e-3 / 60.0;

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
                flux_per_kelvin: 1.1e-3,
                iron_hysteresis: 0.15,
                iron_eddy: 2.5e-3,
            },
            rotor: RotorSpec { inertia: 0.03, friction: 0.8, breakaway: 0.9, drag: 0.0045, windage: 1e-6 },
            load: LoadSpec::Free,
            coupled_inertia: 0.0,
            inverter: InverterSpec {
                drop: 0.8,
                resistance: 3e-3,
                switching: 2e-7,
                switching_frequency: 10e3,
                driver_shutdown: ZERO_CELSIUS + 115.0,
                driver_recovery: 15.0,
            },
            supply: SupplySpec {
                transformer: 112.0,
                crest: std::f64::consts::SQRT_2,
                frequency: 50.0,
                source_resistance: 0.3,
                diode_drop: 0.8,
                capacitance: 4.7e-3,
                bleeder: 10e3,
            },
            thermal: ThermalSpec::bench(),
            cooling: CoolingSpec::bench(),
            vibration: VibrationSpec::bench(),
            sensors: SensorSpec::bench(),
            limits: LimitSpec::bench(),
            pedal: Vec::new(),
            ports: 1,
            substeps: 1,
        }
    }
}

impl ThermalSpec {
    /// A unit of some 60 kg. Copper 385 J/(kg K), iron 460, aluminium 900, oil 2000 (handbook figures).
    pub fn bench() -> ThermalSpec {
        ThermalSpec {
            ambient: ZERO_CELSIUS + 20.0,
            winding_capacity: 3850.0,
            winding_to_iron: 35.0,
            iron_capacity: 6900.0,
            iron_to_coolant: 87.5,
            iron_to_casing: 6.0,
            magnet_capacity: 4100.0,
            magnet_to_iron: 5.0,
            rotor_share: 0.1,
            casing_capacity: 14_000.0,
            casing_to_ambient: 9.0,
            inverter_capacity: 900.0,
            inverter_to_coolant: 40.0,
            driver_rise: 0.02,
            still_share: 0.03,
        }
    }
}

impl CoolingSpec {
    /// 3 L of water and ethylene glycol half and half (1067 kg/m³, 3.4 kJ/(kg K): handbook figures) and a cheap pump:
    /// about 8 L/min at the 80 % that the demo rig asks for.
    pub fn bench() -> CoolingSpec {
        let full = 10.3 * LITRE_PER_MINUTE;
        let resistance = 35e3 / (full * full);
        CoolingSpec {
            volume: 3e-3,
            density: 1067.0,
            specific_heat: 3400.0,
            flow_rated: 8.0 * LITRE_PER_MINUTE,
            pump_head: 35e3,
            pump_resistance: 0.2 * resistance,
            circuit_resistance: 0.8 * resistance,
            pump_idle_current: 0.5,
            pump_load_current: 2.6,
            pump_slip: 0.08,
            pump_lag: 0.4,
            pump_speed: 5000.0 * TAU / 60.0,
            radiator: 180.0,
            hoses: 1.0,
        }
    }
}

impl VibrationSpec {
    /// A stack of 12 kg that sits at 900 Hz, a unit of 45 kg on mounts at 60 Hz, a rotor of 15 kg balanced to G2.5 at
    /// 9000 rpm (39.8 g mm by ISO 21940-11), a bearing 6205, an accelerometer of 16 g.
    pub fn bench() -> VibrationSpec {
        let stiffness = |mass: f64, hertz: f64| mass * (TAU * hertz).powi(2);
        VibrationSpec {
            stack_mass: 12.0,
            stack_stiffness: stiffness(12.0, 900.0),
            stack_damping: 0.03,
            stack_clearance: 0.0,
            stack_ease: 20e-6,
            axial_pull: 60.0,
            casing_mass: 45.0,
            casing_stiffness: stiffness(45.0, 60.0),
            casing_damping: 0.08,
            unbalance: 39.8e-6,
            ripple: 0.3,
            gears: vec![GearStage { pinion: 20, wheel: 44 }, GearStage { pinion: 20, wheel: 78 }],
            mesh: 3.0,
            mesh_per_torque: 0.5,
            bearing: BearingSpec { balls: 9, ratio: 0.20338, contact: 0.0 },
            bearing_slip: 0.01,
            bearing_blow: 4e-8,
            race_mass: 1.5,
            race_stiffness: stiffness(1.5, 2900.0),
            race_damping: 0.04,
            across: 0.1,
            full: 16.0 * 9.806_65,
            noise: 0.04,
            clock_ppm: 23.0,
        }
    }
}

impl SensorSpec {
    /// Sound sensors of an ordinary controller board: small offsets, a converter step of noise.
    pub const fn bench() -> SensorSpec {
        SensorSpec {
            current_full: 400.0,
            current_offset: [0.1, -0.12, 0.05],
            current_gain: [0.003, -0.002, 0.001],
            current_noise: 0.25,
            resolver_bits: 12,
            resolver_offset: 0.01,
            resolver_imbalance: 4e-3,
            resolver_quadrature: 2e-3,
            resolver_shift: [1e-3, -5e-4],
            resolver_reversed: false,
            resolver_excitation: 1.0,
            resolver_noise: 1.5e-3,
            resolver_noise_gates: 1.0e-3,
            // 60 mrad at the bench's 155 V.
            resolver_noise_unbonded: 60e-3 / 155.0,
            casing_bond: 1.0,
            bus_full: 500.0,
            bus_offset: 0.1,
            bus_gain: 0.0,
            bus_noise: 0.15,
            bus_current_full: 100.0,
            bus_current_offset: 0.03,
            bus_current_noise: 0.1,
            temperature_offset: [0.2, -0.1, 0.1, -0.05],
            temperature_noise: 0.04,
            pedal: 0.0,
            pedal_apart: [0.0; 2],
            pedal_rest: [0.75, 0.375],
            pedal_pressed: [4.25, 2.125],
            pedal_noise: 2e-3,
            pump_current_noise: 0.01,
            mains_gain: 2e-3,
            mains_noise: 0.1,
            flow_meter: true,
        }
    }
}

impl LimitSpec {
    /// What the controller is set to on the bench: far below what the unit does in the van.
    pub fn bench() -> LimitSpec {
        LimitSpec {
            current: 24.0,
            alignment: 24.0,
            overcurrent: 120.0,
            speed: 2200.0 * TAU / 60.0,
            speed_rate: 5000.0 * TAU / 60.0,
            pedal_rate: 300.0 * TAU / 60.0,
            quick_stop_rate: 150.0 * TAU / 60.0,
            winding: ZERO_CELSIUS + 140.0,
            inverter: ZERO_CELSIUS + 95.0,
            derate_over: 20.0,
            bus_high: 210.0,
            bus_low: 60.0,
            command_timeout: Duration::from_millis(100),
        }
    }
}
