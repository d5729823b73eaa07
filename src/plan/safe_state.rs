//! The safe state of a plan: what takes the torque off, what proves it, and how fast the shaft and the bus can change.

use crate::time::Duration;
use crate::wire::Pattern;

/// The safe state.
#[derive(Debug, Clone)]
pub struct Stop {
    /// Frames that take the torque off, encoded: terminator first (to flush a half-sent line), then
    /// the command and its terminator.
    pub frames: Vec<StopFrame>,
    /// How often they are repeated until not driven is confirmed.
    pub every: Duration,
    /// How long the controller may take from the last byte of a stop frame to gates off; `None` if the rig declares no reaction.
    pub controller: Option<Duration>,
    /// Deadline for not driven.
    pub not_driven_within: Duration,
    /// Channel and limit (SI) of the phase current; `None` if there is no such channel.
    pub current: Option<(usize, f64)>,
    /// Deadline for rest.
    pub at_rest_within: Duration,
    /// Channel and limit (SI) of the speed.
    pub speed: (usize, f64),
    /// Channel and limit (SI) of the bus.
    pub bus: (usize, f64),
    /// The fastest that the shaft's speed can change, rad/s2, whatever the controller does: what reads faster is not believed.
    pub speed_change_max: f64,
    /// What brings the shaft to speed.
    pub gain: Gain,
    /// The fastest that the bus can fall, V/s.
    pub bus_fall_max: f64,
    /// The longest that the shaft coasts by itself for each rad/s, s.
    pub coast_max: f64,
    /// What the rig says of a stop; `None` if it says nothing.
    pub reaction: Option<Reaction>,
}

/// How long a stop frame takes on its way, as the rig declares it, each part at its longest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reaction {
    /// What the adapter holds it back.
    pub adapter: Duration,
    /// From its last byte to torque off.
    pub controller: Duration,
}

/// What brings a shaft to speed at most, whatever the angle of the current.
#[derive(Debug, Clone)]
pub struct Gain {
    /// Torque for each A peak, Nm, and for each of them squared.
    pub torque: (f64, f64),
    /// The most current that there is, A peak.
    pub current_max: f64,
    /// What else drives it, Nm.
    pub driven: f64,
    /// The least that drags on it, Nm.
    pub drag: f64,
    /// The least inertia, kg m2.
    pub inertia: f64,
}

impl Gain {
    /// All that drives it under a current limit, A peak; Nm.
    pub fn drives(&self, limit: f64) -> f64 {
        let current = limit.min(self.current_max);
        current * (self.torque.0 + self.torque.1 * current) + self.driven
    }

    /// The most speed gained in a second, rad/s2, under a current limit, A peak.
    pub fn at(&self, limit: f64) -> f64 {
        ((self.drives(limit) - self.drag) / self.inertia).max(0.0)
    }
}

/// A stop frame.
#[derive(Debug, Clone)]
pub struct StopFrame {
    /// Index of the link.
    pub link: usize,
    /// Bytes.
    pub bytes: Vec<u8>,
    /// Pattern of the reply, if there is one.
    pub expect: Option<Pattern>,
}
