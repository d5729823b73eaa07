//! The truth log: what really happened, for judging what the runner saw and did.

use super::plant::Energy;
use crate::states::DriveState;
use crate::time::{Duration, Instant};
use crate::units::push_decimals;
use std::borrow::Cow;

/// What is set in the controller, as it is and not as it is read back. SI units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settings {
    /// Build that runs.
    pub build: &'static str,
    /// Largest current of the speed loop, A peak.
    pub current: f64,
    /// Largest alignment current, A peak.
    pub alignment: f64,
    /// Largest speed, rad/s.
    pub speed: f64,
    /// Steepest change of speed that the pedal may ask for, rad/s2.
    pub pedal_rate: f64,
    /// Command timeout; zero if there is none.
    pub command_timeout: Duration,
    /// Bus above which the gates go off, V.
    pub bus_high: f64,
}

/// What really is, at one moment. SI units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    /// When.
    pub t: Instant,
    /// State of the drive.
    pub state: DriveState,
    /// Whether the gates switch.
    pub gates: bool,
    /// Speed demand that the firmware holds, rad/s.
    pub demand_speed: f64,
    /// Pump demand that the firmware holds, 0 to 1.
    pub demand_pump: f64,
    /// What a foot presses of the pedal, 0 to 1.
    pub pedal: f64,
    /// Shaft speed, rad/s.
    pub speed: f64,
    /// Shaft angle, rad, 0 to one turn.
    pub angle: f64,
    /// Torque of the machine, Nm.
    pub torque: f64,
    /// Current along the magnets, A peak.
    pub current_d: f64,
    /// Current across the magnets, A peak.
    pub current_q: f64,
    /// Bus voltage, V.
    pub bus: f64,
    /// Current from the DC link into the inverter, A.
    pub bus_current: f64,
    /// Current out of the rectifier, A.
    pub source_current: f64,
    /// Winding temperature, K.
    pub winding: f64,
    /// Stator iron temperature, K.
    pub iron: f64,
    /// Magnet temperature, K.
    pub magnets: f64,
    /// Temperature of casing and oil, K.
    pub casing: f64,
    /// Inverter temperature, K.
    pub inverter: f64,
    /// Gate driver temperature, K.
    pub drivers: f64,
    /// Temperature of the coolant that the unit is given, K.
    pub coolant: f64,
    /// Temperature of the coolant that it gives back, K.
    pub coolant_back: f64,
    /// Coolant flow, m³/s.
    pub flow: f64,
    /// Heat in the unit and its coolant above ambient, J.
    pub heat_held: f64,
    /// Heat that has gone to the room since the start, J.
    pub heat_lost: f64,
    /// Energies since the start.
    pub energy: Energy,
    /// What is set in the controller.
    pub settings: Settings,
    /// How often the controller has restarted.
    pub restarts: u32,
}

impl Truth {
    /// Phase current, A rms.
    pub fn phase_current(&self) -> f64 {
        self.current_d.hypot(self.current_q) / std::f64::consts::SQRT_2
    }
}

/// One row of the truth log: every 10 ms, and at each change of gates or state with its words.
#[derive(Debug, Clone, PartialEq)]
pub struct TruthRow {
    /// What was true.
    pub truth: Truth,
    /// What happened: "gates on: control word 15", "gates off: command timeout",
    /// "fault: stop loop open", "onset of bus-low".
    pub event: Option<Cow<'static, str>>,
    /// Lowest bus voltage since the row before, V: a row every 10 ms always finds the same point of the mains' ripple.
    pub bus_low: f64,
    /// Highest bus voltage since the row before, V.
    pub bus_high: f64,
}

impl TruthRow {
    /// Column names of [`TruthRow::csv`].
    pub const CSV_HEADER: &'static str = "t_us,event,state,gates,demand_rad_per_s,pump,speed_rad_per_s,\
         torque_nm,current_d_a,current_q_a,bus_v,bus_current_a,winding_k,inverter_k,coolant_k,pedal";

    /// Appends the row as comma-separated values, without a line end; events hold no commas.
    pub fn csv(&self, out: &mut Vec<u8>) {
        let t = &self.truth;
        push_decimals(out, t.t.micros() as f64, 0);
        for text in [self.event.as_deref().unwrap_or(""), t.state.words(), if t.gates { "1" } else { "0" }] {
            out.push(b',');
            out.extend_from_slice(text.as_bytes());
        }
        for (number, decimals) in [
            (t.demand_speed, 4),
            (t.demand_pump, 3),
            (t.speed, 5),
            (t.torque, 4),
            (t.current_d, 4),
            (t.current_q, 4),
            (t.bus, 4),
            (t.bus_current, 4),
            (t.winding, 4),
            (t.inverter, 4),
            (t.coolant, 4),
            (t.pedal, 4),
        ] {
            out.push(b',');
            push_decimals(out, number, decimals);
        }
    }
}
