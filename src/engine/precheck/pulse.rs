//! The heat pulse: what a current through the shaft at rest leaves behind, and what follows of the coolant.
//!
//! A straight line through the temperature before is taken away, so that a drift is neither taken for heat nor for its going;
//! a drift that fades makes what is left seem more, never less. What is left is a share of the rise: neither the size of the
//! heat nor the sensor's offset or gain comes into it.

use super::super::core::Core;
use super::closer::Found;
use crate::plan::{HEAT_PULSE_TEST, Plan, Pulse};
use crate::record::Grade;
use crate::time::{Duration, Instant};

/// Coverage factor: about 95 % (JCGM 100, k = 2).
const COVERAGE: f64 = 2.0;

/// A rise must be this many times its uncertainty: a share of less has no use.
const RISE_MIN: f64 = 5.0;

/// How many samples in a row must show a shaft that turns.
const TURNING_IN_A_ROW: u32 = 3;

/// Segments of the test that are looked at.
const BEFORE: usize = 0;
const HEAT: usize = 2;
const WAIT: usize = 3;

/// What was seen during the heat pulse: moments in s, temperatures in K.
#[derive(Debug, Default)]
pub(in crate::engine) struct HeatPulse {
    /// Where the rotor stood when it began, electrical rad.
    angle: Option<f64>,
    before: Vec<(f64, f64)>,
    heat: Vec<(f64, f64)>,
    wait: Vec<(f64, f64)>,
    /// When the newest was sampled.
    newest: Option<Instant>,
    turning: u32,
}

impl HeatPulse {
    /// What is demanded (SI) at `since` after the profile of a test began: as the test says, but for the angle of the heat pulse.
    /// That is where the rotor stands: a current along it makes no torque, and one that is a little off pulls the shaft into
    /// line and no further, for it does not turn with it.
    pub(in crate::engine) fn demanded(
        &self,
        plan: &Plan,
        test: usize,
        demand: usize,
        since: Duration,
    ) -> f64 {
        let pulsed = plan.heat_pulse().filter(|p| test == HEAT_PULSE_TEST && p.demand == demand);
        let told = match pulsed {
            Some(_) => self.angle,
            None => plan.tests[test].demanded(demand, since),
        };
        told.unwrap_or(plan.demands[demand].rest)
    }
}

impl Core {
    /// The profile of a test is about to begin: if it is the heat pulse, where does the rotor stand?
    pub(in crate::engine) fn begin_pulse(&mut self, test: usize) -> Result<(), String> {
        let Some(pulse) = self.plan.heat_pulse().copied().filter(|_| test == HEAT_PULSE_TEST) else {
            return Ok(());
        };
        match self.values.latest(pulse.angle) {
            Some((_, _, angle)) if angle.is_finite() => {
                self.pulse = HeatPulse { angle: Some(angle), ..HeatPulse::default() };
                Ok(())
            }
            _ => {
                let name = &self.plan.channels[pulse.angle].name;
                Err(format!("heat pulse: {name} does not say where the rotor stands"))
            }
        }
    }

    /// Takes a row of a segment of the heat pulse. Errors if the shaft turns.
    pub(in crate::engine) fn pulse_row(
        &mut self,
        test: usize,
        segment: usize,
        group: usize,
    ) -> Result<(), String> {
        let Some(pulse) = self.plan.heat_pulse().copied().filter(|_| test == HEAT_PULSE_TEST) else {
            return Ok(());
        };
        let (speed, limit) = self.plan.stop.speed;
        let fields = &self.plan.groups[group].fields;
        let latest = |channel: usize| self.values.latest(channel).filter(|_| fields.contains(&Some(channel)));
        let (rpm, read) = (latest(speed), latest(pulse.channel));
        if let Some((_, _, rpm)) = rpm {
            let turns = rpm.is_nan() || rpm.abs() > limit;
            self.pulse.turning = if turns { self.pulse.turning + 1 } else { 0 };
            if self.pulse.turning >= TURNING_IN_A_ROW {
                return Err("heat pulse: the shaft turns, and nothing was told to turn it: the angle of the rotor is not what it reads".into());
            }
        }
        if let Some((at, _, value)) = read {
            let seen = match segment {
                BEFORE => &mut self.pulse.before,
                HEAT => &mut self.pulse.heat,
                WAIT => &mut self.pulse.wait,
                _ => return Ok(()),
            };
            seen.push((at.secs_f64(), value));
            self.pulse.newest = Some(at);
        }
        Ok(())
    }
}

/// Whether what is left of the rise is shown to be no more than moving coolant leaves.
pub(super) fn holds(core: &Core, pulse: &Pulse, now: Instant) -> Found {
    let seen = &core.pulse;
    let edge = pulse.edge.secs_f64();
    let told = share_left(&seen.before, last(&seen.heat, edge), last(&seen.wait, edge), pulse.resolution);
    match told {
        Ok(told) => {
            let most = told.share + COVERAGE * told.u;
            // Shown to be little enough: NaN is not.
            let holds = most <= pulse.left;
            let age = seen.newest.map_or(Duration::ZERO, |at| now - at);
            let found = format!(
                "{:.0} % ± {:.0} % (k = 2) of a rise of {:.2} K were left {:.0} s ago (allowed {:.0} %)",
                100.0 * told.share,
                100.0 * COVERAGE * told.u,
                told.rise,
                age.secs_f64(),
                100.0 * pulse.left,
            );
            Found { holds, grade: Grade::Measured, found }
        }
        Err(found) => Found { holds: false, grade: Grade::Absent, found },
    }
}

/// The samples of the last so many seconds.
fn last(seen: &[(f64, f64)], edge: f64) -> &[(f64, f64)] {
    let from = seen.last().map_or(0.0, |(t, _)| t - edge);
    &seen[seen.partition_point(|(t, _)| *t < from)..]
}

/// What is left of a rise, as a share of it.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Left {
    share: f64,
    /// Standard uncertainty of the share.
    u: f64,
    /// K.
    rise: f64,
}

fn mean(of: impl ExactSizeIterator<Item = f64>) -> f64 {
    let n = of.len() as f64;
    of.sum::<f64>() / n
}

/// The share of the rise from `before` to `peak` that is left in `after`; each of samples (s, K). Noise is what the samples before
/// scatter about their straight line (ordinary least squares); on top of it each level may be off by what the step of the reading
/// hides, a rectangular distribution (JCGM 100, 4.3.7), which no mean makes less. Uncertainties by propagation (JCGM 100, 5.1),
/// with what both ends share of the line.
fn share_left(
    before: &[(f64, f64)],
    peak: &[(f64, f64)],
    after: &[(f64, f64)],
    resolution: f64,
) -> Result<Left, String> {
    if before.len() < 3 || peak.is_empty() || after.is_empty() {
        return Err("the heat pulse was not seen from its begin to its end".into());
    }
    let n = before.len() as f64;
    let (t0, y0) = (mean(before.iter().map(|p| p.0)), mean(before.iter().map(|p| p.1)));
    let spread: f64 = before.iter().map(|(t, _)| (t - t0).powi(2)).sum();
    let slope = before.iter().map(|(t, y)| (t - t0) * (y - y0)).sum::<f64>() / spread;
    let line = |t: f64| y0 + slope * (t - t0);
    let s2 = before.iter().map(|(t, y)| (y - line(*t)).powi(2)).sum::<f64>() / (n - 2.0);
    let step = resolution * resolution / 12.0;
    let level = |of: &[(f64, f64)]| {
        let (t, y) = (mean(of.iter().map(|p| p.0)), mean(of.iter().map(|p| p.1)));
        (t, y - line(t), s2 / of.len() as f64 + step)
    };
    let ((t_peak, rise, v_peak), (t_after, left, v_after)) = (level(peak), level(after));
    let (v_line, v_slope) = (s2 / n + step, (s2 + step) / spread);
    let u_rise = (v_peak + v_line + (t_peak - t0).powi(2) * v_slope).sqrt();
    if rise.is_nan() || rise < RISE_MIN * u_rise {
        return Err(format!(
            "the heat pulse raised the temperature by {rise:.2} K ± {:.2} K (k = 2), too little to tell from nothing",
            COVERAGE * u_rise
        ));
    }
    let share = left / rise;
    let lever = t_after - t0 - share * (t_peak - t0);
    let variance =
        v_after + share * share * v_peak + (1.0 - share).powi(2) * v_line + lever * lever * v_slope;
    Ok(Left { share, u: variance.sqrt() / rise, rise })
}

#[cfg(test)]
mod tests;
