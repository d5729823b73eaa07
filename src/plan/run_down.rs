//! What a shaft without torque does, and what the bus shows of a drive that says it is off.

use crate::time::Duration;

/// How fast a shaft runs down by itself at most, and what holds it at a speed.
#[derive(Debug, Clone)]
pub struct RunDown {
    /// The fastest fall without torque: at no speed, rad/s2, and what each rad/s adds, 1/s.
    pub fastest: (f64, f64),
    /// Highest voltage between two leads for each rad/s, V: where it is above the bus, the diodes of the inverter brake.
    pub emf: f64,
    /// The fastest fall of a shaft that follows its demand, rad/s2.
    pub follows: f64,
    /// How far the speed of a sound build gets beyond its demand, rad/s.
    pub overshoot: f64,
    /// From a stop frame's first byte until it has taken the torque off at the latest.
    pub reaction: Duration,
    /// Friction, lowest and highest, Nm.
    pub friction: (f64, f64),
    /// Drag for each rad/s, lowest and highest, Nm s.
    pub drag: (f64, f64),
    /// Another channel that reads the speed of the same shaft by a way of its own.
    pub second_speed: Option<usize>,
    /// What reads the power that flows into the bus.
    pub power: BusPower,
}

impl RunDown {
    /// Of a shaft of which nothing is known: it may fall as fast as it likes.
    pub fn unknown() -> RunDown {
        RunDown {
            fastest: (f64::INFINITY, 0.0),
            emf: 0.0,
            follows: f64::INFINITY,
            overshoot: 0.0,
            reaction: Duration::ZERO,
            friction: (0.0, f64::INFINITY),
            drag: (0.0, 0.0),
            second_speed: None,
            power: BusPower::default(),
        }
    }

    /// The fastest fall without torque at a speed, rad/s2.
    pub fn fastest_at(&self, speed: f64) -> f64 {
        self.fastest.0 + self.fastest.1 * speed.abs()
    }

    /// Power that holds a free shaft at a speed, lowest and highest, W.
    pub fn holding(&self, speed: f64) -> (f64, f64) {
        let speed = speed.abs();
        let of = |friction: f64, drag: f64| (friction + drag * speed) * speed;
        (of(self.friction.0, self.drag.0), of(self.friction.1, self.drag.1))
    }
}

/// What reads the power that flows into the bus.
#[derive(Debug, Clone)]
pub struct PowerMeter {
    /// The channel of the voltage; `None` where the other reads power.
    pub voltage: Option<usize>,
    /// The channel of the current, or of the power.
    pub flow: usize,
}

/// The meters of a rig, and the capacitor that takes some of what flows.
#[derive(Debug, Clone, Default)]
pub struct BusPower {
    /// Each is judged alone.
    pub meters: Vec<PowerMeter>,
    /// Capacitance of the DC link, lowest and highest, F.
    pub capacitance: (f64, f64),
}
