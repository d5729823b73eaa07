//! What an accelerometer feels: a stator stack that may float, a casing on its mounts, gears and a bearing.
//!
//! Driven oscillators, integrated while somebody looks: outside a burst nobody can observe them, so they begin it in the
//! steady state of the speed there is. Their free motion is gone within some tens of milliseconds, in which the
//! speed of a shaft with this inertia hardly changes.

use super::plant::Plant;
use super::rotation::sine_cosine;
use super::spec::VibrationSpec;
use std::f64::consts::TAU;

/// Steps of the oscillators per sample: the free motion is exact at any, the force is held within one.
const PARTS: u32 = 2;

/// A mass on a spring with a damper: m x'' + c x' + k x = F (any textbook).
#[derive(Debug, Clone, Copy)]
struct Oscillator {
    mass: f64,
    damper: f64,
    spring: f64,
    /// Free motion over one step: from displacement and velocity to both.
    free: [[f64; 2]; 2],
    place: f64,
    velocity: f64,
}

impl Oscillator {
    /// At rest; `damping` is the share of critical damping, below 1; `step` in s.
    fn new(mass: f64, spring: f64, damping: f64, step: f64) -> Oscillator {
        let natural = (spring / mass).sqrt();
        let (decay, ringing) = (damping * natural, natural * (1.0 - damping * damping).sqrt());
        let (s, c) = (ringing * step).sin_cos();
        let left = (-decay * step).exp();
        let free = [
            [left * (c + decay / ringing * s), left * s / ringing],
            [-left * natural * natural / ringing * s, left * (c - decay / ringing * s)],
        ];
        Oscillator { mass, damper: 2.0 * mass * decay, spring, free, place: 0.0, velocity: 0.0 }
    }

    /// Adds the steady motion under a force of amplitude `force` in N and phase `turns` that turns with `omega` in rad/s:
    /// the complex amplitude is F / (k - m w² + i c w).
    fn settle(&mut self, force: f64, turns: f64, omega: f64) {
        let (real, imaginary) = (self.spring - self.mass * omega * omega, self.damper * omega);
        let size = force / (real * real + imaginary * imaginary);
        let [s, c] = sine_cosine(turns);
        self.place += size * (real * c + imaginary * s);
        self.velocity += size * omega * (imaginary * c - real * s);
    }

    /// One step under a constant force: free motion about the place where the force alone would hold it.
    fn advance(&mut self, force: f64) {
        let rest = force / self.spring;
        let (x, v) = (self.place - rest, self.velocity);
        self.place = rest + self.free[0][0] * x + self.free[0][1] * v;
        self.velocity = self.free[1][0] * x + self.free[1][1] * v;
    }

    fn acceleration(&self, force: f64) -> f64 {
        (force - self.damper * self.velocity - self.spring * self.place) / self.mass
    }
}

/// A force that turns with the shaft.
#[derive(Debug, Clone, Copy)]
struct Turning {
    order: f64,
    turns: f64,
    force: f64,
}

/// The oscillators during one burst.
#[derive(Debug, Clone)]
pub(super) struct Vibration {
    spec: VibrationSpec,
    step: f64,
    stack: Oscillator,
    casing: Oscillator,
    race: Oscillator,
    /// On the stack, along the shaft.
    axial: Turning,
    /// On the casing: unbalance, torque ripple, one per gear mesh.
    radial: Vec<Turning>,
    /// Balls over the outer race, in turns from mark to mark.
    ball: f64,
    ball_order: f64,
}

impl Vibration {
    /// At the beginning of a burst whose samples are `period` in s apart. `drawn` (0 to 1) says where the teeth and the
    /// balls happen to stand.
    pub fn begin(spec: &VibrationSpec, plant: &Plant, period: f64, drawn: f64) -> Vibration {
        let step = period / f64::from(PARTS);
        // A stack whose shims let go is held by no more than its springs.
        let stiffness = spec.stack_stiffness / (1.0 + spec.stack_clearance / spec.stack_ease);
        let electrical = f64::from(plant.machine.pole_pairs);
        let turns = plant.angle() / TAU;
        let place = |order: f64| (order * turns).rem_euclid(1.0);
        let mut radial = vec![
            Turning { order: 1.0, turns: place(1.0), force: 0.0 },
            Turning { order: 6.0 * electrical, turns: place(6.0 * electrical), force: 0.0 },
        ];
        radial.extend(spec.mesh_orders().map(|order| Turning {
            order,
            turns: (order * drawn).rem_euclid(1.0),
            force: 0.0,
        }));
        let mut vibration = Vibration {
            step,
            stack: Oscillator::new(spec.stack_mass, stiffness, spec.stack_damping, step),
            casing: Oscillator::new(spec.casing_mass, spec.casing_stiffness, spec.casing_damping, step),
            race: Oscillator::new(spec.race_mass, spec.race_stiffness, spec.race_damping, step),
            axial: Turning { order: electrical, turns: place(electrical), force: 0.0 },
            radial,
            ball: drawn,
            ball_order: spec.bearing.outer_order() * (1.0 - spec.bearing_slip),
            spec: spec.clone(),
        };
        vibration.look(plant);
        let omega = plant.speed();
        let Vibration { stack, casing, axial, radial, .. } = &mut vibration;
        stack.settle(axial.force, axial.turns, axial.order * omega);
        radial.iter().for_each(|f| casing.settle(f.force, f.turns, f.order * omega));
        vibration
    }

    /// Goes on by one sample and returns acceleration along the shaft and across it, m/s².
    pub fn sample(&mut self, plant: &Plant) -> [f64; 2] {
        self.look(plant);
        for _ in 0..PARTS {
            self.advance(plant.speed());
        }
        let stack = self.stack.acceleration(self.axial.now(0.0));
        let casing = self.casing.acceleration(self.radial.iter().map(|f| f.now(0.0)).sum());
        let race = self.race.acceleration(0.0);
        let across = self.spec.across;
        [stack + across * (casing + race), casing + race + across * stack]
    }

    /// How large the forces are at this speed, torque and flux.
    fn look(&mut self, plant: &Plant) {
        let (spec, speed) = (&self.spec, plant.speed());
        self.axial.force = spec.axial_pull * plant.flux_share();
        let current = plant.current()[1].abs();
        for (i, force) in self.radial.iter_mut().enumerate() {
            force.force = match i {
                0 => spec.unbalance * speed * speed,
                1 => spec.ripple * current,
                // A gear that stands meshes no teeth.
                _ if speed == 0.0 => 0.0,
                _ => spec.mesh + spec.mesh_per_torque * plant.torque().abs(),
            };
        }
    }

    fn advance(&mut self, speed: f64) {
        let turned = speed * self.step / TAU;
        self.stack.advance(self.axial.now(0.5 * turned));
        self.casing.advance(self.radial.iter().map(|f| f.now(0.5 * turned)).sum());
        self.race.advance(0.0);
        self.axial.turn(turned);
        self.radial.iter_mut().for_each(|f| f.turn(turned));
        self.ball += self.ball_order * turned;
        if !(0.0..1.0).contains(&self.ball) {
            // A ball has run over the mark on the race: a blow as hard as it came.
            self.ball = self.ball.rem_euclid(1.0);
            self.race.velocity += self.spec.bearing_blow * speed;
        }
    }
}

impl Turning {
    /// The force after the shaft has turned on by `by` turns, N.
    fn now(&self, by: f64) -> f64 {
        let turns = self.turns + self.order * by;
        self.force * sine_cosine(if turns < 0.0 { turns + 1.0 } else { turns })[1]
    }

    fn turn(&mut self, by: f64) {
        self.turns = (self.turns + self.order * by).rem_euclid(1.0);
    }
}

#[cfg(test)]
mod tests;
