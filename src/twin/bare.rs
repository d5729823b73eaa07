//! The machine alone, without controller, noise or heat: for holding its equations against other simulators.

use super::plant::{PERIOD, Plant};
use super::rotation::{sine_cosine, turned};
use super::spec::TwinSpec;
use std::f64::consts::TAU;

/// The machine after a period of 100 µs. SI units, currents in A peak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BareRow {
    /// Time since the start, s.
    pub t: f64,
    /// Current along the magnets, A.
    pub current_d: f64,
    /// Current across the magnets, A.
    pub current_q: f64,
    /// Shaft speed, rad/s.
    pub speed: f64,
}

/// Drives machine, rotor and load of a spec from rest for a number of periods of 100 µs, each with the voltage in rotor
/// axes (d and q, in V) that `voltage` gives for its beginning in s; the inverter holds it within what the bus allows.
pub fn drive_bare(spec: &TwinSpec, periods: usize, voltage: impl Fn(f64) -> [f64; 2]) -> Vec<BareRow> {
    let mut plant = Plant::new(spec, 0.0);
    let pairs = f64::from(spec.machine.pole_pairs);
    let mut row = |i: usize| {
        let [d, q] = voltage(PERIOD * i as f64);
        // Into stator axes as they stand in the middle of the period.
        let now = sine_cosine(pairs * plant.angle() / TAU);
        let [s, c] = turned(now, 0.5 * PERIOD * pairs * plant.speed());
        plant.advance(Some([c * d - s * q, s * d + c * q]));
        let [current_d, current_q] = plant.current();
        BareRow { t: PERIOD * (i + 1) as f64, current_d, current_q, speed: plant.speed() }
    };
    (0..periods).map(&mut row).collect()
}
