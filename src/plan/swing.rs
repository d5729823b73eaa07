//! Swings: a sine of one frequency, or of one that sweeps from one to another.

use crate::time::Duration;
use std::f64::consts::TAU;

/// A sine of constant amplitude through whole cycles. The formulas are the textbook's closed forms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Swing {
    /// The value that it swings around, SI.
    pub around: f64,
    /// Half of the way from its lowest to its highest value, SI, above 0.
    pub amplitude: f64,
    /// Phase at its begin in radians, from -pi/2 to pi/2: it begins rising.
    pub phase: f64,
    /// Frequency at its begin and at its end, Hz, above 0.
    pub frequency: (f64, f64),
    /// How the frequency gets from one to the other.
    pub sweep: Sweep,
    /// How many cycles.
    pub cycles: f64,
}

/// How a frequency sweeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sweep {
    /// By as many hertz in each second.
    Linear,
    /// By as many octaves in each second.
    Logarithmic,
}

impl Swing {
    /// Its value `t` seconds after its begin, SI.
    pub fn at(&self, t: f64) -> f64 {
        self.around + self.amplitude * (self.phase + TAU * self.turns(t)).sin()
    }

    /// Lowest and highest value, SI.
    pub fn reach(&self) -> [f64; 2] {
        [self.around - self.amplitude, self.around + self.amplitude]
    }

    /// How long it takes.
    pub fn length(&self) -> Duration {
        Duration::from_secs_f64(self.cycles / mean_frequency(self.frequency, self.sweep))
    }

    /// The steepest slope, SI per second: amplitude times 2 pi times the highest frequency.
    pub fn slope(&self) -> f64 {
        self.amplitude * TAU * self.frequency.0.max(self.frequency.1)
    }

    /// Cycles made in the first `t` seconds: the integral of the frequency.
    fn turns(&self, t: f64) -> f64 {
        let (f0, f1) = self.frequency;
        let lasts = self.cycles / mean_frequency(self.frequency, self.sweep);
        match self.sweep {
            _ if f0 == f1 => f0 * t,
            Sweep::Linear => f0 * t + (f1 - f0) * t * t / (2.0 * lasts),
            Sweep::Logarithmic => {
                let growth = (f1 / f0).ln() / lasts;
                f0 * (growth * t).exp_m1() / growth
            }
        }
    }
}

/// Cycles per second of a whole sweep, Hz: the arithmetic or the logarithmic mean of its ends.
pub(super) fn mean_frequency((f0, f1): (f64, f64), sweep: Sweep) -> f64 {
    match sweep {
        _ if f0 == f1 => f0,
        Sweep::Linear => 0.5 * (f0 + f1),
        Sweep::Logarithmic => (f1 - f0) / (f1 / f0).ln(),
    }
}
