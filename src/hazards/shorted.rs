//! The torque of windings or an inverter that are shorted at speed: of all lines, of two of them, or of one switch that is stuck on.
//!
//! All from the textbook equations of a synchronous machine in the axes of its rotor, with inductances that no iron saturates. SI
//! throughout; currents peak of a phase, the flux of a phase as a vector, angles electrical.

use super::physics::sine_of_most;
use std::f64::consts::TAU;

/// Steps in which a turn is searched: a tenth of a degree.
const STEPS: u32 = 3600;

/// A machine whose windings are shorted. Each inductance counts as the end of its range that is worse.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shorted {
    /// Pole pairs.
    pub poles: f64,
    /// Largest flux linkage of the magnets, Wb.
    pub flux: f64,
    /// Inductance along the magnets, lowest and highest, H.
    pub ld: (f64, f64),
    /// The same across them.
    pub lq: (f64, f64),
}

impl Shorted {
    /// The largest torque with all lines shorted, with at most `current` in them just before. Without resistance the flux that
    /// they hold stands still, and the rotor turns past it.
    pub fn all_lines(&self, current: f64) -> f64 {
        self.turned_past(self.held(current))
    }

    /// The largest torque with two lines shorted and the third open, with at most `current` in them just before. Without resistance
    /// the flux of the loop stays `l`; with the magnets at an angle u from square to its axis its current is
    /// `i = (l - psi sin u)/(Ld sin^2 u + Lq cos^2 u)`, and the torque `3/2 p (psi i cos u + (Ld - Lq) i^2 sin u cos u)`. Both parts
    /// count as if they added, which they do where the machine is salient as magnets in the iron make it.
    pub fn two_lines(&self, current: f64) -> f64 {
        let (held, apart) = (self.held(current), self.apart());
        let torque = |u: f64| {
            let (sin, cos) = u.sin_cos();
            let i = (held + self.flux * sin) / (self.ld.0 * sin * sin + self.lq.0 * cos * cos);
            1.5 * self.poles * cos * i * (self.flux + apart * i * sin)
        };
        (0..=STEPS / 4).map(|step| torque(TAU * f64::from(step) / f64::from(STEPS))).fold(0.0, f64::max)
    }

    /// The largest torque with one switch stuck on and the diodes of the other legs, at any speed up to `speed`, rad/s, with at
    /// most `current` in the windings just before and at least `resistance`, Ohm, in each; infinite if nothing bounds it.
    ///
    /// The diodes let no voltage of the other two lines against the stuck one fall below zero: the flux of these two loops can
    /// only grow, and does so while their diode is off, its current zero. Let x and y be the parts of the flux along the axes of
    /// the two windings, and b the angle of the magnets to the axis of the first. Its current, `x g + y h - psi/Ld cos b` with
    /// g and h of b as below, is zero where `x = f(b) + k(b) y`: each loop lifts the other, once a turn each, a third of a turn
    /// apart and two thirds. Between, resistance takes from both what the mean of the inductances lets it. What repeats itself
    /// is `x = f + k y e^-a` with `y = f + k x e^-2a`, a being that of a third of a turn; where a loop gains more by the other
    /// than a third of a turn takes, nothing ends it. Of a machine without saliency and without resistance this is twice the flux
    /// of the magnets, which is proved; with both, the tests hold it against the equations integrated.
    pub fn stuck_on(&self, current: f64, resistance: f64, speed: f64) -> f64 {
        let held = self.held(current);
        let ratio = (self.ld.0 / self.lq.1).min(self.lq.0 / self.ld.1).min(1.0);
        let a = TAU / 3.0 * resistance / (self.poles * speed) * 0.5 * (1.0 / self.ld.1 + 1.0 / self.lq.1);
        let (mut lifted, mut first, mut gain): (f64, f64, f64) = (0.0, 0.0, 0.0);
        for step in 0..STEPS {
            let b = TAU * f64::from(step) / f64::from(STEPS);
            let ((sin, cos), (sin_other, cos_other)) = (b.sin_cos(), (b + TAU / 3.0).sin_cos());
            let g = cos * cos + ratio * sin * sin;
            let k = (cos * cos_other + ratio * sin * sin_other).abs() / g;
            let f = self.flux * cos.max(0.0) / g;
            gain = gain.max(k);
            let repeats = 1.0 - k * k * (-3.0 * a).exp();
            lifted =
                lifted.max(if repeats > 0.0 { f * (1.0 + k * (-a).exp()) / repeats } else { f64::INFINITY });
            // What is held already is moved along the axis of the winding, until its current is zero.
            first = first.max((self.flux * cos.abs() + held * (1.0 - ratio) * (sin * cos).abs()) / g);
        }
        if gain * gain * (-a).exp() >= 1.0 {
            return f64::INFINITY;
        }
        self.turned_past(lifted.max(held.hypot(first)))
    }

    /// The largest flux that windings hold with a current of so many A, whatever its angle, Wb: where the derivative by the angle
    /// is zero, or along the magnets.
    fn held(&self, current: f64) -> f64 {
        let (flux, ld, lq) = (self.flux, self.ld.1, self.lq.1);
        let spread = (lq * lq - ld * ld) * current;
        let cos = if spread > flux * ld { flux * ld / spread } else { 1.0 };
        (flux + ld * current * cos).hypot(lq * current * (1.0 - cos * cos).sqrt())
    }

    /// The largest torque of a rotor that turns past a flux, m, that stands still. With the axes' currents that make such a flux the
    /// torque at an angle u is `3/2 p m (psi/Ld sin u + m k sin u cos u)`, k the difference of 1/Ld and 1/Lq.
    fn turned_past(&self, held: f64) -> f64 {
        let (ld, lq) = (self.ld, self.lq);
        let k = (1.0 / ld.0 - 1.0 / lq.1).abs().max((1.0 / lq.0 - 1.0 / ld.1).abs());
        let (a, b) = (self.flux / ld.0, held * k);
        let x = sine_of_most(a, b);
        1.5 * self.poles * held * (a + b * x) * (1.0 - x * x).max(0.0).sqrt()
    }

    /// Largest difference of the two inductances, H.
    fn apart(&self) -> f64 {
        (self.lq.1 - self.ld.0).abs().max((self.ld.1 - self.lq.0).abs())
    }
}

#[cfg(test)]
mod tests {
    use super::super::physics::{RPM, torque};
    use super::*;

    const POLES: f64 = 3.0;
    const FLUX: f64 = 65.65e-3;

    /// The machine whose parameters are published with PyPI `gym-electric-motor` (p 3, 65.65 mWb, Ld 0.37 mH), with another
    /// inductance across the magnets.
    fn machine(ld: f64, lq: f64) -> Shorted {
        Shorted { poles: POLES, flux: FLUX, ld: (ld, ld), lq: (lq, lq) }
    }

    /// The textbook equations in the axes of the rotor, integrated in steps of a microsecond from each angle of the current: the
    /// published machine shorted at 20 000 rpm comes within a tenth of the bound and never beyond; without saliency and current
    /// it is 3/2 p psi^2 / L.
    #[test]
    fn windings_that_are_shorted_make_no_more_torque_than_the_bound() {
        let (r, speed) = (18e-3, 20_000.0 * RPM);
        let shorted = |ld: f64, lq: f64, current: f64| {
            let mut most: f64 = 0.0;
            for angle in 0..36 {
                let (sin, cos) = (f64::from(angle) * 10.0).to_radians().sin_cos();
                let (mut id, mut iq) = (current * cos, current * sin);
                for _ in 0..3000 {
                    let electrical = POLES * speed;
                    let did = (-r * id + electrical * lq * iq) / ld;
                    let diq = (-r * iq - electrical * (ld * id + FLUX)) / lq;
                    // The step's other half by the slope at its middle.
                    let (mid, miq) = (id + 0.5e-6 * did, iq + 0.5e-6 * diq);
                    id += 1e-6 * (-r * mid + electrical * lq * miq) / ld;
                    iq += 1e-6 * (-r * miq - electrical * (ld * mid + FLUX)) / lq;
                    most = most.max(torque(POLES, FLUX, lq - ld, id, iq).abs());
                }
            }
            most
        };
        for (ld, lq, current) in [(0.37e-3, 1.2e-3, 0.0), (0.37e-3, 1.2e-3, 200.0), (0.6e-3, 0.6e-3, 100.0)] {
            let bound = machine(ld, lq).all_lines(current);
            let share = shorted(ld, lq, current) / bound;
            assert!((0.9..1.0).contains(&share), "{ld} {lq} {current}: {share} of {bound}");
        }
        let round = machine(0.6e-3, 0.6e-3).all_lines(0.0);
        assert!((round / (1.5 * POLES * FLUX * FLUX / 0.6e-3) - 1.0).abs() < 1e-12, "{round}");
    }

    /// Without saliency and current the torque is 3/2 p psi^2/L times (1 + sin u) cos u, largest at 30 degrees: 3/4 of the square
    /// root of 3, 1.299. With saliency, and with 100 A before, the equation of the loop's one current, integrated over one turn from
    /// each angle at 20 000 rpm, comes within a tenth of the bound and never beyond.
    #[test]
    fn two_lines_that_are_shorted_make_no_more_torque_than_the_bound() {
        let share = machine(0.6e-3, 0.6e-3).two_lines(0.0) / (1.5 * POLES * FLUX * FLUX / 0.6e-3);
        assert!((share - 0.75 * 3f64.sqrt()).abs() < 1e-6, "{share}");
        let (r, electrical) = (18e-3, POLES * 20_000.0 * RPM);
        for (ld, lq, current) in [(0.6e-3, 0.6e-3, 100.0), (0.37e-3, 1.11e-3, 0.0), (0.37e-3, 1.11e-3, 100.0)]
        {
            let mut most: f64 = 0.0;
            for start in 0..24 {
                let mut i = current * if start % 2 == 0 { 1.0 } else { -1.0 };
                let mut u = f64::from(start / 2) * TAU / 12.0;
                let step = TAU / 4000.0;
                // The flux of the loop, L(u) i + psi sin u, changes by what the resistance takes alone.
                let slope = |u: f64, i: f64| {
                    let (sin, cos) = u.sin_cos();
                    let (l, grows) = (ld * sin * sin + lq * cos * cos, 2.0 * (ld - lq) * sin * cos);
                    -(r / electrical * i + grows * i + FLUX * cos) / l
                };
                for _ in 0..4000 {
                    let middle = i + 0.5 * step * slope(u, i);
                    i += step * slope(u + 0.5 * step, middle);
                    u += step;
                    let (sin, cos) = u.sin_cos();
                    most = most.max(torque(POLES, FLUX, lq - ld, i * sin, i * cos).abs());
                }
            }
            let bound = machine(ld, lq).two_lines(current);
            let share = most / bound;
            assert!((0.9..1.0).contains(&share), "{ld} {lq} {current}: {most} of {bound}");
        }
    }

    /// The largest torque in `turns` turns with the switch of one line stuck on, from twelve angles of the rotor: the flux in the axes
    /// of the stator, from which each step of half a degree takes the loss of the resistance, and to which the two diodes add just
    /// what keeps their currents from turning negative.
    fn integrated(of: &Shorted, current: f64, resistance: f64, speed: f64, turns: u32) -> f64 {
        let (ld, lq, step) = (of.ld.0, of.lq.0, TAU / 720.0);
        let seconds = step / (of.poles * speed);
        // The axes of the two other windings; currents and flux count along them with the signs of the diodes.
        let axes = [(TAU / 3.0).cos(), (TAU / 3.0).sin()];
        let mut most: f64 = 0.0;
        for start in 0..12 {
            let mut angle = f64::from(start) * TAU / 12.0;
            let lead = f64::from(start % 4) * TAU / 4.0;
            let (mut id, mut iq) = (current * lead.cos(), current * lead.sin());
            let (sin, cos) = angle.sin_cos();
            let (d, q) = (of.flux + ld * id, lq * iq);
            let (mut x, mut y) = (d * cos - q * sin, d * sin + q * cos);
            for _ in 0..720 * turns {
                let (sin, cos) = angle.sin_cos();
                x -= resistance * (id * cos - iq * sin) * seconds;
                y -= resistance * (id * sin + iq * cos) * seconds;
                angle += step;
                let (sin, cos) = angle.sin_cos();
                // The currents of a flux that lies along (x, y).
                let current_of = |x: f64, y: f64| {
                    let (id, iq) = ((x * cos + y * sin) / ld, (y * cos - x * sin) / lq);
                    (id * cos - iq * sin, id * sin + iq * cos)
                };
                let along = |(x, y): (f64, f64), side: f64| x * axes[0] + y * axes[1] * side;
                let now = current_of(x - of.flux * cos, y - of.flux * sin);
                let (b, c) = (along(now, 1.0), along(now, -1.0));
                let (per_b, per_c) = (current_of(axes[0], axes[1]), current_of(axes[0], -axes[1]));
                let (bb, bc, cc) = (along(per_b, 1.0), along(per_b, -1.0), along(per_c, -1.0));
                let (add_b, add_c) = if b >= 0.0 && c >= 0.0 {
                    (0.0, 0.0)
                } else if b < 0.0 && c - bc * b / bb >= 0.0 {
                    (-b / bb, 0.0)
                } else if c < 0.0 && b - bc * c / cc >= 0.0 {
                    (0.0, -c / cc)
                } else {
                    let all = bb * cc - bc * bc;
                    ((bc * c - cc * b) / all, (bc * b - bb * c) / all)
                };
                x += axes[0] * (add_b + add_c);
                y += axes[1] * (add_b - add_c);
                (id, iq) = ((x * cos + y * sin - of.flux) / ld, (y * cos - x * sin) / lq);
                most = most.max(torque(of.poles, of.flux, lq - ld, id, iq).abs());
            }
        }
        most
    }

    /// With 5 % of the reactance as resistance and less (a machine at bench speed), without saliency, with two and a half times and
    /// with three times the inductance across the magnets, the integration comes within a quarter of the bound and never beyond; of
    /// the first within a twentieth, and without resistance to twice what shorted windings make. A short run of a machine at its edge
    /// has not come to its end, hence the quarter.
    #[test]
    fn a_switch_that_is_stuck_on_makes_no_more_torque_than_the_bound() {
        let ld = 0.37e-3;
        // Ratio of the inductances, resistance as a share of the reactance along the magnets, and the least share.
        for (ratio, resistance, least) in [
            (1.0, 0.0, 0.95),
            (1.0, 0.05, 0.9),
            (1.5, 0.05, 0.9),
            (2.5, 0.05, 0.85),
            (3.0, 0.05, 0.75),
            (3.0, 0.1, 0.75),
        ] {
            let (of, speed) = (machine(ld, ratio * ld), 2500.0 * RPM);
            let ohm = resistance * POLES * speed * ld;
            let bound = of.stuck_on(0.0, ohm, speed);
            let share = integrated(&of, 0.0, ohm, speed, 12) / bound;
            assert!((least..1.0).contains(&share), "{ratio} {resistance}: {share} of {bound}");
            // Slower it is less.
            let slower = integrated(&of, 0.0, ohm, 0.4 * speed, 6) / bound;
            assert!(slower < 1.0, "{ratio} {resistance}: {slower} of {bound}");
        }
        let round = machine(ld, ld).stuck_on(0.0, 0.0, 1.0);
        assert!((round / (1.5 * POLES * FLUX * FLUX / ld) - 2.0).abs() < 1e-9, "{round}");
    }

    /// As much current as the magnets' own flux takes, and six times as much, adds what the windings hold: never beyond the bound.
    #[test]
    fn current_before_a_switch_is_stuck_on_counts() {
        let ld = 0.37e-3;
        for ratio in [0.4, 1.0, 1.5, 2.5, 3.0] {
            for times in [1.0, 6.0] {
                let (of, speed) = (machine(ld, ratio * ld), 2500.0 * RPM);
                let (ohm, current) = (0.1 * POLES * speed * ld, times * FLUX / of.held_by());
                let bound = of.stuck_on(current, ohm, speed);
                let share = integrated(&of, current, ohm, speed, 4) / bound;
                assert!((0.4..1.0).contains(&share), "{ratio} {times}: {share} of {bound}");
                assert!(bound > of.stuck_on(0.0, ohm, speed) || times < 2.0);
            }
        }
    }

    /// With more than three times the inductance across the magnets and hardly any resistance each loop gains more by the other than
    /// it loses: twice as many turns make much more, and no figure bounds it.
    #[test]
    fn a_loop_that_gains_more_than_it_loses_is_bounded_by_nothing() {
        let (of, speed) = (machine(0.37e-3, 4.0 * 0.37e-3), 2500.0 * RPM);
        let ohm = 0.02 * POLES * speed * 0.37e-3;
        assert_eq!(of.stuck_on(0.0, ohm, speed), f64::INFINITY);
        assert!(integrated(&of, 0.0, ohm, speed, 8) > 10.0 * integrated(&of, 0.0, ohm, speed, 4));
    }

    impl Shorted {
        /// The larger inductance, H.
        fn held_by(&self) -> f64 {
            self.ld.0.max(self.lq.0)
        }
    }
}
