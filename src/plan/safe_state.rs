//! The safe state of a plan: what takes the torque off, what proves it, and how fast the shaft and the bus can change.

use super::RunDown;
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
    /// How the speed must fall once the torque is off.
    pub slowing: Slowing,
    /// What the phase current can show of a drive.
    pub holding: Holding,
    /// How it runs down, and what else shows whether it is driven.
    pub run_down: RunDown,
}

/// How long a stop frame takes on its way, as the rig declares it, each part at its longest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reaction {
    /// What the adapter holds it back.
    pub adapter: Duration,
    /// From its last byte to torque off.
    pub controller: Duration,
}

/// How the speed of a shaft that nothing drives must fall: the slowest coast that unit and rig allow.
#[derive(Debug, Clone)]
pub struct Slowing {
    /// Why the speed shows nothing of what drives, in words; `None` if it does.
    pub blind: Option<String>,
    /// The least that drags on the machine's shaft, Nm, and what grows with its speed, Nm s/rad. `None` if no file gives a range:
    /// then no more is known than that nothing gets faster.
    pub drag: Option<(f64, f64)>,
    /// The largest inertia of all that turns, kg m2.
    pub inertia: f64,
    /// Angle of the machine's shaft for one turn of the slowest shaft, rad.
    pub turn: f64,
    /// From the last byte of a stop frame until no torque is left: adapter and controller.
    pub reaction: Duration,
    /// From then on until the reading follows a shaft that no longer swings.
    pub settles: Duration,
    /// Whether `settles` is assumed.
    pub assumed: bool,
}

impl Slowing {
    /// How fast the speed falls at least, rad/s2, as long as it is not below `speed`, rad/s. `None` if that is not known.
    pub fn fall(&self, speed: f64) -> Option<f64> {
        self.drag.map(|(constant, growing)| (constant + growing * speed.max(0.0)) / self.inertia)
    }

    /// How long the slowest coast takes from a speed, rad/s, to rest, s; infinite if that is not known. What grows with the speed is
    /// not counted on: near rest there is none of it.
    pub fn rests_after(&self, speed: f64) -> f64 {
        match self.drag {
            Some((constant, _)) if constant > 0.0 => speed * self.inertia / constant,
            _ => f64::INFINITY,
        }
    }
}

/// What a phase current shows of a drive that should be off.
#[derive(Debug, Clone)]
pub struct Holding {
    /// The least current that keeps a unit of the file's ranges turning, SI in the form of the channel: a drive that is on may have as
    /// little.
    pub least: f64,
    /// Whether the stop shorts the windings: then current flows as long as they turn, and shows no drive.
    pub shorted: bool,
    /// The highest EMF between two lines for each rad/s of the shaft, V: above the bus it drives current through the diodes.
    pub emf: f64,
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
