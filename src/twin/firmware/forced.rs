//! What commissioning asks of a controller: a current at an angle that it is told, whatever the resolver says, a limit on
//! the current of the speed loop, and what its current loops see.

use super::{FILTER_BUS, Firmware, PERIOD};
use crate::states::DriveState;
use crate::time::Instant;
use std::f64::consts::TAU;

/// Rate at which the alignment current is followed, A/s: a rotor far from the angle is pulled, not thrown.
const CURRENT_RATE: f64 = 40.0;

/// What the current loops follow.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in super::super) enum Mode {
    /// The speed loop, at the resolver's angle.
    Speed,
    /// What is told, at the angle that is told.
    Forced,
}

/// State of that mode, of the told limit, and of the readings in the axes of the current loops.
#[derive(Debug, Clone)]
pub(super) struct Forced {
    mode: Mode,
    /// Angle as told, electrical turns.
    angle: f64,
    /// Current as told and as followed, A peak.
    told: f64,
    current: f64,
    /// Most current of the speed loop as told, A peak, and when.
    most: Option<(f64, Instant)>,
    /// Newest currents (A) and voltages (V) along d and q in the axes in use.
    pub newest: [f64; 4],
    /// The same through the filter of readings.
    axes: [f64; 4],
    /// Phase currents through that filter, A.
    phases: [f64; 3],
}

impl Forced {
    pub fn new() -> Forced {
        Forced {
            mode: Mode::Speed,
            angle: 0.0,
            told: 0.0,
            current: 0.0,
            most: None,
            newest: [0.0; 4],
            axes: [0.0; 4],
            phases: [0.0; 3],
        }
    }

    /// The angle in electrical turns and the current along it in A for the coming period; `None` if the speed loop rules.
    pub fn demand(&mut self) -> Option<(f64, f64)> {
        if self.mode == Mode::Speed {
            return None;
        }
        let step = CURRENT_RATE * PERIOD;
        self.current += (self.told - self.current).clamp(-step, step);
        Some((self.angle, self.current))
    }

    /// The state has changed; `drove`: the gates have just gone off.
    pub fn enter(&mut self, drove: bool) {
        (self.told, self.current, self.newest) = (0.0, 0.0, [0.0; 4]);
        if drove {
            self.most = None;
        }
    }

    /// The most current of the speed loop, A peak.
    pub fn most(&self, own: f64) -> f64 {
        self.most.map_or(own, |(most, _)| most.min(own))
    }
}

impl Firmware {
    /// Chooses what rules; while the gates are on only what rules already can be chosen.
    pub fn choose(&mut self, mode: Mode) -> bool {
        if self.gates() {
            return self.forced.mode == mode;
        }
        self.forced.mode = mode;
        true
    }

    /// Whether the speed loop rests because a forced angle rules.
    pub(super) fn is_forced(&self) -> bool {
        self.forced.mode == Mode::Forced
    }

    /// Takes a forced angle in electrical rad; it feeds the command timeout.
    pub fn set_forced_angle(&mut self, now: Instant, angle: f64) {
        self.forced.angle = (angle / TAU).rem_euclid(1.0);
        self.demand_at = now;
    }

    /// Takes an alignment current in A peak, within its limit.
    pub fn set_alignment_current(&mut self, current: f64) {
        self.forced.told = current;
    }

    /// Takes the most current of the speed loop in A peak. Told with the gates off it waits for them to go on, for no
    /// longer than demands may stay away; when they go off again it is over.
    pub fn set_current_limit(&mut self, now: Instant, most: f64) {
        self.forced.most = Some((most, now));
    }

    /// A told limit that nobody has told lately has nothing to do with what begins now.
    pub(super) fn forget_old_limit(&mut self, now: Instant) {
        let patience = self.limits.command_timeout;
        self.forced.most = self.forced.most.filter(|(_, at)| now - *at <= patience);
    }

    /// A query has come: in one build that feeds the command timeout, which is its mistake.
    pub fn queried(&mut self, now: Instant) {
        if self.build.queries_feed {
            self.demand_at = now;
        }
    }

    /// 1 kHz: readings of the current loops and phases.
    pub(super) fn look_at_axes(&mut self) {
        let scale = self.amperes_per_count();
        let counts = self.readings.phase_counts;
        let f = &mut self.forced;
        for (slow, newest) in f.axes.iter_mut().zip(f.newest) {
            *slow += FILTER_BUS * (newest - *slow);
        }
        for (slow, count) in f.phases.iter_mut().zip(counts) {
            *slow += FILTER_BUS * (f64::from(count) * scale - *slow);
        }
    }

    /// A quick stop at a forced angle has no speed to bring down: it takes the gates off.
    pub(super) fn forced_step(&mut self, now: Instant) {
        if self.state == DriveState::QuickStopActive {
            self.enter(now, DriveState::SwitchOnDisabled);
            self.tell("gates off: quick stop done".into(), None);
        }
    }

    /// Electrical angle as the tracking loop has it, in turns from 0 to 1.
    pub fn electrical_angle(&self) -> f64 {
        self.angle
    }

    /// Currents in A peak and voltages in V peak along d and q, in the axes that the current loops use.
    pub fn axes(&self) -> [f64; 4] {
        self.forced.axes
    }

    /// Currents of the three phases in A.
    pub fn phases(&self) -> [f64; 3] {
        self.forced.phases
    }
}
