//! No torque goes on after a stop without an alarm, by the twin's truth: whatever the board says of itself.
//!
//! A board that says that it is off and drives on is believed at first: nothing on the wire tells it from one that is off. The
//! shaft does, in time. By then the run must have been on its way to ending as not confirmed, or as tripped.

use super::evidence::{Evidence, Moment, Told};
use super::{Breach, Rule};
use crate::outcome::Cause;
use crate::plan::Plan;
use crate::time::{Duration, Instant};
use crate::twin::{Truth, TruthRow};

/// For how long the torque must go on to count: longer than the current loops take, and than ten rows of the truth log.
const GOES_ON: Duration = Duration::from_millis(100);

/// Until a shaft and its coupling no longer swing after the torque went off, and for the filters of a reading (common practice:
/// a second is ample on a bench).
const SWINGS: f64 = 1.0;

/// How long after a stop a torque that goes on at a speed in rad/s may stay unnoticed. What the plan lets a stop take, the
/// board's own command timeout, and what it takes to see on the shaft that it does not coast: two turns of the slowest, since the mean over
/// one is what counts, and twice the time in which the slowest coast loses four times the uncertainty of the speed. No longer
/// than rest may take, after which an alarm comes by itself.
pub(super) fn noticed_within(plan: &Plan, speed: f64) -> Duration {
    let (channel, _) = plan.stop.speed;
    let turns = 2.0 * plan.stop.slowing.turn / speed.abs().max(1e-3);
    let coasts = 2.0 * 4.0 * plan.channels[channel].u * plan.stop.coast_max;
    let seen = (turns + coasts + SWINGS).min(plan.stop.at_rest_within.secs_f64());
    plan.stop.not_driven_within + plan.drive.command_timeout + Duration::from_secs_f64(seen)
}

/// Whether the gates switch while the board says that they are off.
pub(super) fn lies(truth: &Truth) -> bool {
    truth.gates && !truth.state.may_drive()
}

/// Whether such gates turn no shaft: no current, speed or power then tells the board from one that is off.
pub(super) fn hides(plan: &Plan, truth: &Truth) -> bool {
    lies(truth) && !driven(plan, truth)
}

/// Every stop whose torque in truth goes on for longer than may stay unnoticed, in a run that ended neither as not confirmed
/// nor as tripped.
pub(super) fn drives_on(evidence: &Evidence<'_>, breaches: &mut Vec<Breach>) {
    if matches!(evidence.ended.cause, Cause::NotConfirmed | Cause::Tripped) {
        return;
    }
    let mut driven = false;
    for (index, moment) in evidence.moments.iter().enumerate() {
        if driven && !moment.stops.is_empty() {
            driven = false;
            if let Some((since, row)) = torque_after(evidence, &evidence.moments[index..]) {
                let found = format!(
                    "the stop was at {}, and the torque is {:.2} Nm at {:.1} rad/s since {since}; the run ended as {:?}",
                    moment.at, row.torque, row.speed, evidence.ended.cause
                );
                breaches.push(Breach { rule: Rule::DrivesOn, at: row.t, found });
                return;
            }
        }
        driven |= moment.told.iter().any(|told| told.enables());
    }
}

/// Since when and with what torque the shaft is driven that a stop, the first of the moments, should have left alone; until
/// something is enabled again.
fn torque_after(evidence: &Evidence<'_>, moments: &[Moment]) -> Option<(Instant, Truth)> {
    let plan = evidence.plan;
    let stop = moments.first()?.at;
    let again = moments.iter().find(|m| m.told.iter().copied().any(Told::enables));
    let until = again.map_or(Instant::NEVER, |m| m.at);
    let rows = evidence.truth.iter().map(|row: &TruthRow| row.truth);
    let mut since = None;
    for row in rows.skip_while(|row| row.t <= stop).take_while(|row| row.t < until) {
        let late = row.t > stop + noticed_within(plan, row.speed);
        if !(late && driven(plan, &row)) {
            since = None;
            continue;
        }
        let since = *since.get_or_insert(row.t);
        if row.t - since >= GOES_ON {
            return Some((since, row));
        }
    }
    None
}

/// Whether the machine turns its shaft, faster than counts as rest, by more than half of the least that drags on it: a torque that
/// does not is no more than noise of the loops, and at rest no speed shows it.
fn driven(plan: &Plan, row: &Truth) -> bool {
    let (channel, limit) = plan.stop.speed;
    let turns = row.speed.abs() > limit + 4.0 * plan.channels[channel].u;
    row.gates && turns && row.torque * row.speed.signum() > 0.5 * plan.stop.gain.drag
}

#[cfg(test)]
mod tests {
    use super::super::tests::ground;
    use super::*;
    use std::f64::consts::TAU;

    /// By hand for the demo files: 250 ms and 100 ms, 1 s, two turns behind 2.2:1 and 3.9:1, and 8 x 0.6 rpm (0.0628 rad/s) over the slowest coast.
    #[test]
    fn the_time_follows_from_the_plan() {
        let plan = ground().plan;
        let coasts = 8.0 * (0.6 * TAU / 60.0) * plan.stop.coast_max;
        for (rpm, turns) in [(200.0, 5.148), (-600.0, 1.716), (30.0, 34.32)] {
            let within = noticed_within(&plan, rpm * TAU / 60.0).secs_f64();
            assert!((within - (1.35 + turns + coasts)).abs() < 1e-5, "{rpm} rpm: {within} s");
        }
        assert!((noticed_within(&plan, 0.0).secs_f64() - 40.35).abs() < 1e-6, "no longer than rest may take");
    }
}
