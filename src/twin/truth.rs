//! The truth log: what really happened, for judging what the runner saw and did.

use super::plant::Energy;
use crate::states::DriveState;
use crate::time::Instant;
use std::borrow::Cow;

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
    /// Inverter temperature, K.
    pub inverter: f64,
    /// Coolant temperature, K.
    pub coolant: f64,
    /// Energies since the start.
    pub energy: Energy,
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
}

impl TruthRow {
    /// Column names of [`TruthRow::csv`].
    pub const CSV_HEADER: &'static str = "t_us,event,state,gates,demand_rad_per_s,pump,speed_rad_per_s,\
         torque_nm,current_d_a,current_q_a,bus_v,bus_current_a,winding_k,inverter_k,coolant_k";

    /// The row as comma-separated values; events hold no commas.
    pub fn csv(&self) -> String {
        let t = &self.truth;
        format!(
            "{},{},{},{},{:.4},{:.3},{:.5},{:.4},{:.4},{:.4},{:.4},{:.4},{:.4},{:.4},{:.4}",
            t.t.micros(),
            self.event.as_deref().unwrap_or(""),
            t.state.words(),
            u8::from(t.gates),
            t.demand_speed,
            t.demand_pump,
            t.speed,
            t.torque,
            t.current_d,
            t.current_q,
            t.bus,
            t.bus_current,
            t.winding,
            t.inverter,
            t.coolant,
        )
    }
}
