//! Every number of the simulated unit, controller and rig, in SI units; ranges are drawn already.

use super::builds::Build;
use super::geometry::{BearingSpec, GearStage, mesh_orders};
use super::person::PedalProgram;
use crate::time::Duration;

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
    /// What it drives.
    pub load: LoadSpec,
    /// Moment of inertia of what is coupled to the shaft, in kg m². The firmware's author was told of the rotor alone.
    pub coupled_inertia: f64,
    /// The inverter.
    pub inverter: InverterSpec,
    /// Mains, rectifier and DC link.
    pub supply: SupplySpec,
    /// Heat and where it goes.
    pub thermal: ThermalSpec,
    /// Coolant loop.
    pub cooling: CoolingSpec,
    /// What moves beside the shaft, and who feels it.
    pub vibration: VibrationSpec,
    /// What the firmware can see.
    pub sensors: SensorSpec,
    /// Limits as set in the controller.
    pub limits: LimitSpec,
    /// How a person works the pedal, one program for each time that the drive is handed over to them.
    pub pedal: Vec<PedalProgram>,
    /// Ports of the board, at least 1: each link of the rig goes to one.
    pub ports: usize,
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
    /// Share of the flux that the magnets lose per kelvin above 20 °C.
    pub flux_per_kelvin: f64,
    /// Phase resistance at 20 °C in Ohm.
    pub resistance: f64,
    /// Inductance along the magnets in H.
    pub inductance_d: f64,
    /// Inductance across the magnets in H.
    pub inductance_q: f64,
    /// Iron loss by hysteresis with the magnets' flux alone, in W per Hz of electrical frequency.
    pub iron_hysteresis: f64,
    /// Iron loss by eddy currents with the magnets' flux alone, in W per Hz².
    pub iron_eddy: f64,
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

/// What the shaft drives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LoadSpec {
    /// Nothing.
    Free,
    /// A brake of constant friction.
    Brake {
        /// Torque in Nm.
        torque: f64,
    },
    /// A second machine on a resistor: torque grows with speed up to its largest.
    Machine {
        /// Torque per speed in Nm s/rad.
        per_speed: f64,
        /// Largest torque in Nm.
        torque_max: f64,
    },
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
    /// Temperature in K at which the gate drivers shut down by themselves.
    pub driver_shutdown: f64,
    /// How far they must cool down before they are ready again, in K.
    pub driver_recovery: f64,
}

/// Rectified mains behind a hand-set transformer, and the DC link.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SupplySpec {
    /// Output of the transformer, V rms.
    pub transformer: f64,
    /// Peak of the mains over their rms: the root of two for a sine, less where the tops are flat.
    pub crest: f64,
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

/// Seven nodes: winding, stator iron, magnets, casing with its oil, inverter, and the coolant before and after
/// the radiator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ThermalSpec {
    /// Temperature of the room and of everything at the start, in K.
    pub ambient: f64,
    /// Heat capacity of the winding in J/K.
    pub winding_capacity: f64,
    /// Conductance from the winding to the stator iron in W/K.
    pub winding_to_iron: f64,
    /// Heat capacity of the stator iron in J/K.
    pub iron_capacity: f64,
    /// Conductance from the stator iron to coolant that moves as rated, in W/K.
    pub iron_to_coolant: f64,
    /// Conductance from the stator iron to the casing in W/K.
    pub iron_to_casing: f64,
    /// Heat capacity of the magnets and the rotor iron in J/K.
    pub magnet_capacity: f64,
    /// Conductance across the air gap in W/K.
    pub magnet_to_iron: f64,
    /// Share of the iron loss that is set free in the rotor.
    pub rotor_share: f64,
    /// Heat capacity of the casing and its oil in J/K.
    pub casing_capacity: f64,
    /// Conductance from the casing to the room in W/K.
    pub casing_to_ambient: f64,
    /// Heat capacity of the inverter in J/K.
    pub inverter_capacity: f64,
    /// Conductance from the inverter to coolant that moves as rated, in W/K.
    pub inverter_to_coolant: f64,
    /// How much hotter than the inverter's plate the gate drivers get per watt of inverter loss, in K/W.
    pub driver_rise: f64,
    /// Share of the conductances to the coolant that remains when it stands still.
    pub still_share: f64,
}

impl ThermalSpec {
    /// Splits the conductance in W/K from winding to rated coolant, which is all that a nameplate knows:
    /// five sevenths of the way's resistance lie between copper and iron, the rest between iron and coolant
    /// (*common practice*: the slot insulation is the larger part).
    pub fn split_winding_to_coolant(&mut self, whole: f64) {
        self.winding_to_iron = whole * 7.0 / 5.0;
        self.iron_to_coolant = whole * 7.0 / 2.0;
    }
}

/// Pump, circuit and radiator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoolingSpec {
    /// Volume of the loop in m³, half of it before the radiator and half after.
    pub volume: f64,
    /// Density of the coolant in kg/m³.
    pub density: f64,
    /// Specific heat of the coolant in J/(kg K).
    pub specific_heat: f64,
    /// Flow in m³/s at which the conductances to the coolant are as given.
    pub flow_rated: f64,
    /// Pressure of the pump at full speed against a closed valve, in Pa.
    pub pump_head: f64,
    /// What the pump's inside takes of it, in Pa/(m³/s)².
    pub pump_resistance: f64,
    /// What the circuit takes, in Pa/(m³/s)².
    pub circuit_resistance: f64,
    /// Current of the pump's motor for its own friction, in A.
    pub pump_idle_current: f64,
    /// Current on top of it at full speed and full flow, in A.
    pub pump_load_current: f64,
    /// How much slower than without load the pump turns at that current, as a share.
    pub pump_slip: f64,
    /// Time constant of the pump's speed in s.
    pub pump_lag: f64,
    /// Speed of the pump without load at full demand, rad/s.
    pub pump_speed: f64,
    /// Conductance from the coolant to the room in the radiator, its fan on, in W/K.
    pub radiator: f64,
    /// Conductance from either half of the loop to the room through hoses, in W/K.
    pub hoses: f64,
}

/// Masses on springs, what drives them, and an accelerometer: its axial axis on the stator's ring, its radial one on the
/// casing above the rotor.
#[derive(Debug, Clone, PartialEq)]
pub struct VibrationSpec {
    /// Mass of the stator stack in kg.
    pub stack_mass: f64,
    /// Stiffness that holds it along the shaft with all shims in place, in N/m.
    pub stack_stiffness: f64,
    /// Its damping as a share of critical.
    pub stack_damping: f64,
    /// Axial clearance that a missing shim leaves, in m: 0 with all in place.
    pub stack_clearance: f64,
    /// Clearance at which half of the stiffness is left, in m.
    pub stack_ease: f64,
    /// Pull along the shaft that turns with the poles, amplitude in N.
    pub axial_pull: f64,
    /// Mass of the whole unit in kg.
    pub casing_mass: f64,
    /// Stiffness of its mounts in N/m.
    pub casing_stiffness: f64,
    /// Their damping as a share of critical.
    pub casing_damping: f64,
    /// Unbalance of the rotor in kg m.
    pub unbalance: f64,
    /// Force on the casing at six times the electrical frequency, in N per A across the magnets.
    pub ripple: f64,
    /// Gear stages from the machine to the wheel.
    pub gears: Vec<GearStage>,
    /// Force of a mesh without load in N, and what each Nm of the machine's torque adds in N.
    pub mesh: f64,
    /// See `mesh`.
    pub mesh_per_torque: f64,
    /// Bearing of the rotor.
    pub bearing: BearingSpec,
    /// Share by which its balls slip.
    pub bearing_slip: f64,
    /// Speed in m/s that a blow of a ball against the worn race gives it, per rad/s of the shaft.
    pub bearing_blow: f64,
    /// Mass of the bearing's seat in kg, its stiffness in N/m, its damping as a share of critical.
    pub race_mass: f64,
    /// See `race_mass`.
    pub race_stiffness: f64,
    /// See `race_mass`.
    pub race_damping: f64,
    /// Share of either direction's motion that is felt in the other.
    pub across: f64,
    /// Largest acceleration of the 16 bit accelerometer, either way, in m/s².
    pub full: f64,
    /// Its noise, sd in m/s² per sample.
    pub noise: f64,
    /// How much faster than nominal the clock of the bursts runs, in millionths.
    pub clock_ppm: f64,
}

impl VibrationSpec {
    /// Acceleration in m/s² of one count.
    pub(super) fn per_count(&self) -> f64 {
        self.full / 32_768.0
    }

    /// Teeth that mesh per turn of the machine's shaft, one figure per stage.
    pub(super) fn mesh_orders(&self) -> impl Iterator<Item = f64> + '_ {
        mesh_orders(&self.gears)
    }
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
    /// How much larger the sine signal is than the cosine signal, as a share.
    pub resolver_imbalance: f64,
    /// How far the cosine signal is from a right angle to the sine signal, rad.
    pub resolver_quadrature: f64,
    /// Offsets of the sine and the cosine signal, as shares of their amplitude.
    pub resolver_shift: [f64; 2],
    /// Whether one pair of its wires is the wrong way round: it then turns backwards.
    pub resolver_reversed: bool,
    /// Its excitation as a share of what it should be: both signals go with it.
    pub resolver_excitation: f64,
    /// Noise of the resolver angle with gates off, sd in electrical rad.
    pub resolver_noise: f64,
    /// What switching gates add to that noise, sd in electrical rad.
    pub resolver_noise_gates: f64,
    /// What they add with the casing not bonded at all, sd in electrical rad per volt of bus.
    pub resolver_noise_unbonded: f64,
    /// How well the casing is bonded to the inverter: 1 well, 0 not at all.
    pub casing_bond: f64,
    /// Largest bus voltage of the 12 bit converter in V.
    pub bus_full: f64,
    /// Offset of the bus voltage in V.
    pub bus_offset: f64,
    /// Gain error of its divider (0.01 reads 1 % too much).
    pub bus_gain: f64,
    /// Noise of the bus voltage, sd in V.
    pub bus_noise: f64,
    /// Largest bus current of the 12 bit converter, either way, in A.
    pub bus_current_full: f64,
    /// Offset of the bus current in A.
    pub bus_current_offset: f64,
    /// Noise of the bus current, sd in A.
    pub bus_current_noise: f64,
    /// Offsets of winding, inverter, coolant and returning coolant temperature in K.
    pub temperature_offset: [f64; 4],
    /// Noise of a temperature, sd in K; counts are 0.1 K apart.
    pub temperature_noise: f64,
    /// Where the pedal rests, 0 released to 1 pressed; what a foot presses comes on top.
    pub pedal: f64,
    /// How far each track stands away from it, as a share of travel.
    pub pedal_apart: [f64; 2],
    /// Voltages of the two tracks at rest, of 5 V; the second has half the slope.
    pub pedal_rest: [f64; 2],
    /// Voltages of the two tracks fully pressed, of 5 V.
    pub pedal_pressed: [f64; 2],
    /// Noise of a pedal track, sd in V.
    pub pedal_noise: f64,
    /// Noise of the pump current, sd in A, besides that of the pump.
    pub pump_current_noise: f64,
    /// Gain error of the meter at the transformer's output, and its noise, sd in V rms.
    pub mains_gain: f64,
    /// See `mains_gain`.
    pub mains_noise: f64,
    /// Whether the rig has a flow meter.
    pub flow_meter: bool,
}

/// Limits that the controller keeps by itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitSpec {
    /// Largest current that the speed loop may ask for, A peak.
    pub current: f64,
    /// Largest alignment current that may be told, A peak.
    pub alignment: f64,
    /// Phase current at which the gates go off, A peak.
    pub overcurrent: f64,
    /// Largest speed that may be demanded, rad/s; 10 % more is a fault.
    pub speed: f64,
    /// Rate at which the speed demand is followed at most, rad/s².
    pub speed_rate: f64,
    /// Rate at which the speed that the pedal asks for is followed at most, rad/s².
    pub pedal_rate: f64,
    /// Rate of a quick stop, rad/s².
    pub quick_stop_rate: f64,
    /// Highest winding temperature in K.
    pub winding: f64,
    /// Highest inverter temperature in K.
    pub inverter: f64,
    /// From how far below the highest winding or inverter temperature on the current is cut back, in K; at the
    /// highest nothing is left.
    pub derate_over: f64,
    /// Highest bus voltage in V.
    pub bus_high: f64,
    /// Lowest bus voltage while driving in V.
    pub bus_low: f64,
    /// How long the controller drives without a new demand.
    pub command_timeout: Duration,
}
