//! No demand above the plan for a single frame, judged by the bytes sent.

use super::evidence::{Course, Evidence, Told};
use super::{Breach, Rule};
use crate::files::rig::Sets;
use crate::plan::{HEAT_PULSE_TEST, Profile, Segment, Shape};
use crate::time::{Duration, Instant};

/// Each demand frame against what the plan demands of the test that is driven. The judge does not know when the engine holds
/// the profile for begun: not before the watch with the gates on can be over, and not later than the drive may take to
/// follow and that watch takes, the wake-up at the end of each as late as the surroundings let it be.
pub(super) fn above_the_plan(evidence: &Evidence<'_>, breaches: &mut Vec<Breach>) {
    let mut course = Course::new(evidence.plan);
    for moment in &evidence.moments {
        if !moment.stops.is_empty() {
            course.stopped(moment.at);
        }
        for &told in &moment.told {
            course.told(moment.at, told);
            let Told::Demand(sets, number, decimals) = told else { continue };
            if let Some(found) = beyond(evidence, &course, moment.at, (sets, number, decimals)) {
                breaches.push(Breach { rule: Rule::AboveThePlan, at: moment.at, found });
                return;
            }
        }
    }
}

/// What is wrong with a demand frame, if anything is.
fn beyond(
    evidence: &Evidence<'_>,
    course: &Course,
    at: Instant,
    (sets, number, decimals): (Sets, f64, usize),
) -> Option<String> {
    let plan = evidence.plan;
    let Some(index) = plan.demands.iter().position(|d| d.sets == sets) else {
        return Some(format!("a frame told {number} for {sets:?}, which the plan does not set"));
    };
    let demand = &plan.demands[index];
    let (low, high) = allowed(evidence, index, course, at);
    let (low, high) = (demand.unit.from_si(low), demand.unit.from_si(high));
    let rounding = rounding(decimals);
    let within = (low - rounding..=high + rounding).contains(&number);
    let (name, unit) = (&demand.name, &demand.unit);
    (!within).then(|| format!("a frame told {name} {number} {unit} where the plan has {low:.2} to {high:.2}"))
}

/// Half of the last decimal, and what arithmetic may add.
pub(super) fn rounding(decimals: usize) -> f64 {
    0.5 * 10f64.powi(-(decimals as i32)) + 1e-9
}

/// Lowest and highest value (SI) that a demand may have at a moment.
fn allowed(evidence: &Evidence<'_>, index: usize, course: &Course, at: Instant) -> (f64, f64) {
    let plan = evidence.plan;
    let rest = plan.demands[index].rest;
    if plan.demands[index].sets == Sets::CurrentLimit {
        // In force before anything is enabled, and never more than that; after a stop it may be at rest again.
        let test = course.test().map_or(course.next(), |(_, test)| test);
        let limit = test.and_then(|test| plan.limit_in(test, index)).unwrap_or(rest);
        return if course.test().is_some() { (limit, limit) } else { (rest.min(limit), rest.max(limit)) };
    }
    let Some((on, Some(number))) = course.test() else { return (rest, rest) };
    let test = &plan.tests[number];
    let quiet = plan.ready.quiet.map_or(Duration::ZERO, |q| q.settle + q.observe);
    let latest = at - on - quiet;
    if latest < Duration::ZERO {
        return (rest, rest);
    }
    let frozen = evidence.around.frozen.map_or(Duration::ZERO, |(_, lasting)| lasting);
    let earliest = latest - plan.drive.within - evidence.around.latest(at) * 2 - frozen;
    // The heat pulse is told the angle at which the rotor stands, which may be any.
    if number == HEAT_PULSE_TEST && plan.heat_pulse().is_some_and(|pulse| pulse.demand == index) {
        return plan.demands[index].range;
    }
    if index == test.demand {
        return reach(&test.profile, earliest, latest, rest);
    }
    let beside = test.with.iter().find(|(demand, _)| *demand == index).map_or(rest, |(_, value)| *value);
    if earliest > Duration::ZERO { (beside, beside) } else { (rest.min(beside), rest.max(beside)) }
}

/// Lowest and highest value of a profile between two moments since its begin, the rest value before it included.
fn reach(profile: &Profile, from: Duration, to: Duration, rest: f64) -> (f64, f64) {
    let mut reach = if from <= Duration::ZERO { (rest, rest) } else { (f64::INFINITY, f64::NEG_INFINITY) };
    let mut take = |value: f64| reach = (reach.0.min(value), reach.1.max(value));
    let from = from.micros().max(0);
    let to = to.micros();
    for segment in &profile.segments {
        let Some((first, last)) = ends(segment) else { continue };
        if first > to || last < from {
            continue;
        }
        if let Shape::Swing(swing) = segment.shape {
            take(swing.around - swing.amplitude);
            take(swing.around + swing.amplitude);
            continue;
        }
        for pair in segment.corners.windows(2) {
            let ((t0, v0), (t1, v1)) = ((pair[0].0.micros(), pair[0].1), (pair[1].0.micros(), pair[1].1));
            if t0 > to || t1 < from {
                continue;
            }
            for t in [from.clamp(t0, t1), to.clamp(t0, t1)] {
                let share = if t1 > t0 { (t - t0) as f64 / (t1 - t0) as f64 } else { 1.0 };
                take((1.0 - share) * v0 + share * v1);
            }
            // A jump is both of its ends.
            if t0 == t1 {
                take(v0);
            }
        }
    }
    // After its end a profile's last value stands until the stop.
    if let Some((last, value)) = profile.segments.last().and_then(|s| s.corners.last())
        && last.micros() <= to
    {
        take(*value);
    }
    reach
}

fn ends(segment: &Segment) -> Option<(i64, i64)> {
    Some((segment.corners.first()?.0.micros(), segment.corners.last()?.0.micros()))
}
