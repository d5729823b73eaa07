//! A hand that turns the shaft: from rest to rest through an angle, as smoothly as hands do, and never quite to the mark.

use std::f64::consts::TAU;

/// Stiffness in Nm/rad and damping in Nm s/rad with which the hand follows where it wants to be.
const STIFFNESS: f64 = 200.0;
const DAMPING: f64 = 5.0;
/// The most that a hand gives at the shaft, Nm.
const TORQUE_MAX: f64 = 25.0;

/// A hand at work.
#[derive(Debug, Clone)]
pub(super) struct Hand {
    /// How far, rad, and for how long, s.
    angle: f64,
    lasting: f64,
    /// How long it has been at it, s, and how far it has come, rad.
    since: f64,
    turned: f64,
}

impl Hand {
    /// A hand that turns through `angle` in rad within `lasting` s.
    pub fn new(angle: f64, lasting: f64) -> Hand {
        Hand { angle, lasting, since: 0.0, turned: 0.0 }
    }

    /// Torque in Nm for the coming step of `step` s at a speed in rad/s; `None` when it lets go.
    pub fn torque(&mut self, speed: f64, step: f64) -> Option<f64> {
        self.since += step;
        self.turned += speed * step;
        if self.since > self.lasting {
            return None;
        }
        // A cycloid: speed and acceleration begin and end at zero.
        let share = self.since / self.lasting;
        let wanted = self.angle * (share - (TAU * share).sin() / TAU);
        let pace = self.angle / self.lasting * (1.0 - (TAU * share).cos());
        let torque = STIFFNESS * (wanted - self.turned) + DAMPING * (pace - speed);
        Some(torque.clamp(-TORQUE_MAX, TORQUE_MAX))
    }
}
