//! The plan: files resolved. SI units, indices instead of names, deadlines, link budgets; nothing
//! optional that matters and no unit strings to interpret.
//!
//! *Resolved* means: every name in a rig, unit and suite file has been looked up and stands here as
//! an index; every quantity has been held against the kind of what it is for and stands here in SI;
//! every text to be sent is encoded with its terminator, and every pattern is read; whatever one
//! file says has been held against what the others allow, and each serial line has been shown to
//! carry what is asked of it. [`resolve`] reports all mistakes at once, each once, and gives a plan
//! only if there is none: whoever holds a [`Plan`] need not ask again. It never looks at the
//! physics of the machine (that is another room's task) and it proves nothing about the real rig:
//! for that there are the pre-checks.
//!
//! The same plan feeds the engine's guards and the columns made from a trace, through [`Values`],
//! so that a trip and a report cannot see different values.

mod assemble;
mod bursts;
mod checks;
mod layout;
mod longest;
mod parts;
mod profile;
mod recordings;
mod resolve;
mod run_down;
mod safe_state;
mod summary;
mod swing;
#[cfg(test)]
pub(crate) mod testing;
mod values;

pub use assemble::columns;
pub use checks::{Check, HEAT_PULSE_TEST, Mains, Prediction, Pulse, Quiet, Way, When, Window};
pub use layout::layout;
pub use parts::*;
pub use profile::{Profile, Segment, Shape};
pub use recordings::{Began, RecordedChannel, Recording, bursts_of_wav};
pub use resolve::resolve;
pub use run_down::{BusPower, PowerMeter, RunDown};
pub use safe_state::{Gain, Holding, Reaction, Slowing, Stop, StopFrame};
pub use summary::summary;
pub use swing::{Sweep, Swing};
pub use values::{Valued, Values, state_of};

use crate::files::rig::{Role, Sets};
use crate::files::suite::{Rule, Rung};
use crate::time::{Duration, Instant};

/// Everything a run needs to know.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Name of the rig.
    pub rig: String,
    /// Type of the unit.
    pub unit: String,
    /// Serial number of the unit.
    pub serial: String,
    /// Controller model that the identity must show.
    pub model: String,
    /// Name of the suite.
    pub suite: String,
    /// Firmware build that the identity must show, if one was asked for.
    pub build: Option<String>,
    /// The supply.
    pub supply: Supply,
    /// Serial connections.
    pub links: Vec<Link>,
    /// Poll groups of all links.
    pub groups: Vec<Group>,
    /// Bursts of all links.
    pub bursts: Vec<Burst>,
    /// Recordings that may be given beside the run.
    pub recordings: Vec<Recording>,
    /// What turns in the unit, and where it is heard.
    pub turning: Vec<Turning>,
    /// Channels, measured first, then derived in an order in which each uses only earlier ones.
    pub channels: Vec<Channel>,
    /// Demands.
    pub demands: Vec<Demand>,
    /// How the controller is enabled.
    pub drive: Drive,
    /// The safe state.
    pub stop: Stop,
    /// What must hold before anything turns.
    pub ready: Ready,
    /// Limits watched on every sample: rig's first, then the suite's.
    pub trips: Vec<Trip>,
    /// The rung of the suite; `None` if it does not say: it then counts as the highest.
    pub rung: Option<Rung>,
    /// Number of the state of assembly, if the unit file says it.
    pub assembly: Option<u32>,
    /// The tests, in order.
    pub tests: Vec<Test>,
    /// How late this program may handle a deadline of its own; later, this computer stood still.
    pub late_max: Duration,
    /// The decision rule.
    pub rule: Rule,
}

impl Plan {
    /// How long after its slot the values of a poll are wanted at the latest: before the first of them is half as old as it
    /// may get.
    pub fn wanted_within(&self, group: usize) -> Duration {
        /// For values that never get too old, in us: after all that do.
        const NEVER: i64 = 3_600_000_000;
        let group = &self.groups[group];
        let stale = group.fields.iter().flatten().map(|channel| self.channels[*channel].stale.micros()).min();
        let half = Duration::from_micros(stale.unwrap_or(NEVER).min(NEVER) / 2);
        (half - group.every).max(Duration::ZERO)
    }

    /// Which current limit a test lets a demand stand at, SI, for as long as it is driven; `None` of any other demand.
    pub fn limit_in(&self, test: usize, demand: usize) -> Option<f64> {
        let limits = self.demands[demand].sets == Sets::CurrentLimit;
        let with = self.tests[test].with.iter().find(|(index, _)| limits && *index == demand);
        with.map(|(_, value)| *value)
    }

    /// How soon after its stop frame the drive must be off in a test, so that the frame did it: by then the command timeout,
    /// which the last demand before the frame has started, can't be over.
    pub fn stop_frame_window(&self, test: usize) -> Duration {
        let test = &self.tests[test];
        let told = test.with.iter().map(|(demand, _)| *demand).chain([test.demand]);
        let slowest = told.map(|demand| self.demands[demand].every).max().unwrap_or(Duration::ZERO);
        (self.drive.command_timeout - slowest).max(Duration::ZERO)
    }

    /// The current limit that a test lets stand, A peak; without end if it sets none.
    pub fn current_in(&self, test: Option<usize>) -> f64 {
        let limit = |(index, demand): (usize, &Demand)| {
            Some(self.limit_in(test?, index)? * demand.unit.kind.form.peak())
        };
        self.demands.iter().enumerate().filter_map(limit).fold(f64::INFINITY, f64::min)
    }

    /// Whether a test has a person at the pedal.
    pub fn is_by_hand(&self, test: usize) -> bool {
        self.tests.get(test).is_some_and(|t| !t.by_hand.is_empty())
    }

    /// The heat pulse before the suite's own tests.
    pub fn heat_pulse(&self) -> Option<&Pulse> {
        let ways = self.ready.checks.iter().flat_map(|c| &c.ways);
        ways.filter_map(|way| if let Way::Pulse(pulse) = way { Some(pulse) } else { None }).next()
    }

    /// Index of the channel with a role.
    pub fn channel_with(&self, role: Role) -> Option<usize> {
        self.channels.iter().position(|c| c.role == Some(role))
    }

    /// The latest moment at which the run can still be going if nothing hangs, for a progress bar:
    /// the sum of operator steps, profiles, watches and coast-downs as deadlines allow.
    pub fn length_estimate(&self) -> Instant {
        let enabling = self.drive.within * self.drive.enable.len() as i64;
        let quiet = self.ready.quiet.map_or(Duration::ZERO, |q| q.settle + q.observe);
        let per_test = self.ready.observe + quiet + enabling + self.stop.at_rest_within;
        let total = self.tests.iter().fold(Duration::ZERO, |sum, t| {
            let operator = t.operator.iter().fold(Duration::ZERO, |sum, s| sum + s.within * 2);
            sum + per_test + operator + t.profile.length()
        });
        Instant::ZERO + total
    }
}
