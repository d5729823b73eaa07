//! What the controller has been told to follow: a speed, a torque, or the pedal; and what becomes of it.

use super::firmware::Readings;

/// Travel below which the pedal counts as released, as a share: its sensor rests within this (common practice).
const RELEASED: f64 = 0.03;

/// What is followed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Told {
    /// A speed in rad/s.
    Speed(f64),
    /// A torque in Nm.
    Torque(f64),
    /// The pedal; fully pressed it asks for this speed in rad/s, at least 0.
    Pedal(f64),
}

impl Told {
    /// The same, told nothing yet.
    pub fn at_rest(self) -> Told {
        match self {
            Told::Speed(_) => Told::Speed(0.0),
            Told::Torque(_) => Told::Torque(0.0),
            Told::Pedal(_) => Told::Pedal(0.0),
        }
    }

    /// Whether it is of the same sort.
    pub fn is_like(self, other: Told) -> bool {
        std::mem::discriminant(&self) == std::mem::discriminant(&other)
    }
}

/// What the firmware makes of the pedal.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Foot {
    /// Seen released since the gates went on, tracks agreeing: only then is the pedal followed.
    trusted: bool,
    /// What it asks for, 0 to 1.
    pub asks: f64,
}

impl Foot {
    /// 100 Hz: the lower of the two tracks counts. Tracks that were apart for too long take the torque away until the pedal
    /// has been released with both agreeing.
    pub fn look(&mut self, readings: &Readings, agree: bool) {
        let [one, two] = readings.pedal;
        let (low, high) = (one.min(two), one.max(two));
        if !agree {
            self.trusted = false;
        } else if high < RELEASED {
            self.trusted = true;
        }
        self.asks = if self.trusted && low >= RELEASED { low.min(1.0) } else { 0.0 };
    }
}
