//! Firmware builds: one sound, and release candidates that each break one thing.

/// A firmware image: what its author set, and what its author got wrong.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Build {
    /// Version as `*IDN?` gives it.
    pub label: &'static str,
    /// What is to be known about it, in one line.
    pub about: &'static str,
    /// Proportional gain of the speed loop over inertia, in rad/s.
    pub speed_gain: f64,
    /// Integral gain over proportional gain of the speed loop, in 1/s.
    pub speed_integral: f64,
    /// Share of a new demand that the proportional part sees at once, 0 to 1.
    pub demand_weight: f64,
    /// Whether the speed integrator is held while the current limit holds the torque.
    pub windup_guard: bool,
    /// Whether the command timeout is on.
    pub command_timeout: bool,
    /// Whether any query feeds the command timeout: then a runner that asks but no longer demands never times out.
    pub queries_feed: bool,
    /// Whether the current is cut back as winding or inverter come near their limit.
    pub derating: bool,
}

/// The sound build.
pub(super) const SOUND: Build = Build {
    label: "1.4.0",
    about: "sound",
    speed_gain: 30.0,
    speed_integral: 7.0,
    demand_weight: 0.6,
    windup_guard: true,
    command_timeout: true,
    queries_feed: false,
    derating: true,
};

/// Every build there is.
pub const BUILDS: &[Build] = &[
    SOUND,
    Build {
        label: "1.5.0-rc1",
        about: "integrator wind-up: no guard, and an integral gain far too high",
        speed_integral: 60.0,
        demand_weight: 1.0,
        windup_guard: false,
        ..SOUND
    },
    Build { label: "1.5.0-rc2", about: "command timeout off", command_timeout: false, ..SOUND },
    Build { label: "1.5.0-rc3", about: "derating off", derating: false, ..SOUND },
    Build { label: "1.5.0-rc4", about: "any query feeds the command timeout", queries_feed: true, ..SOUND },
];

/// The build of that label.
pub fn find_build(label: &str) -> Option<Build> {
    BUILDS.iter().copied().find(|b| b.label == label)
}
