//! No demand above the plan for a single frame, and nothing enabled that is not ready. Judged by the bytes sent.

use super::evidence::{Evidence, Told};
use super::listen::Sample;
use super::{Breach, Rule, Trouble};
use crate::files::rig::Sets;
use crate::plan::{Profile, Segment, Shape};
use crate::time::{Duration, Instant};
use std::f64::consts::TAU;

/// Each demand frame against the profile as the plan has it. The judge does not know when the engine holds the
/// profile for begun: not before the frame that switches the gates on, and not later than the drive may take to follow it and
/// the watch with the gates on takes, the wake-up at the end of each as late as the surroundings let it be.
pub(super) fn above_the_plan(evidence: &Evidence<'_>, breaches: &mut Vec<Breach>) {
    let plan = evidence.plan;
    let Some(demand) = plan.demands.iter().find(|d| d.sets == Sets::ShaftSpeed) else { return };
    // A frame on its way out while the runner is frozen was written before; what is written after waits.
    let mut on: Option<Instant> = None;
    let mut tests = 0;
    for moment in &evidence.moments {
        for &told in &moment.told {
            match told {
                told if told.switches_on() => {
                    on = Some(moment.at);
                    tests += 1;
                }
                told if told.stops() => on = None,
                Told::Speed(rpm, decimals) => {
                    let rounding = 0.5 * 10f64.powi(-(decimals as i32)) + 1e-9;
                    let (low, high) = match on.and_then(|on| Some((on, plan.tests.get(tests - 1)?))) {
                        Some((on, test)) => {
                            let since = moment.at - on;
                            let quiet = plan.ready.quiet.map_or(Duration::ZERO, |q| q.settle + q.observe);
                            let slack = plan.drive.within + quiet + evidence.around.latest(moment.at) * 2;
                            let frozen =
                                evidence.around.frozen.map_or(Duration::ZERO, |(_, lasting)| lasting);
                            reach(&test.profile, since - slack - frozen, since, demand.rest)
                        }
                        None => (demand.rest, demand.rest),
                    };
                    let (low, high) = (low * 60.0 / TAU - rounding, high * 60.0 / TAU + rounding);
                    if !(low..=high).contains(&rpm) {
                        let found =
                            format!("a frame told {rpm} rpm where the plan has {low:.2} to {high:.2} rpm");
                        breaches.push(Breach { rule: Rule::AboveThePlan, at: moment.at, found });
                        return;
                    }
                }
                Told::Word(_) => {}
            }
        }
    }
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

/// No frame on the way to switching on after a question was answered with no, nor while a sample of the watch lay
/// outside a window that the rig declares; and from the first such frame until the gates are on no sample outside of one
/// without a stop.
pub(super) fn not_ready(evidence: &Evidence<'_>, samples: &[Sample], breaches: &mut Vec<Breach>) {
    let plan = evidence.plan;
    let no = evidence.storm.troubles.iter().any(|t| matches!(t, Trouble::No(_)));
    let outside = |s: &Sample| {
        s.values(plan).find_map(|(channel, value)| {
            let window = plan.ready.windows.iter().find(|w| w.channel == channel)?;
            (!(window.low..=window.high).contains(&value))
                .then(|| format!("`{}` at {value} (SI)", window.name))
        })
    };
    // When the gates were last told to go off, the watch for the next test had not begun.
    let (mut enabled, mut on) = (false, false);
    let mut sample = 0;
    for (index, moment) in evidence.moments.iter().enumerate() {
        let mut now_outside = None;
        while let Some(known) = samples.get(sample).filter(|s| s.moment == index) {
            sample += 1;
            now_outside = now_outside.or(outside(known));
        }
        for &told in &moment.told {
            if told.enables() && !enabled {
                enabled = true;
                if no {
                    let found =
                        "the controller was enabled after a question had been answered with no".into();
                    breaches.push(Breach { rule: Rule::NotReady, at: moment.at, found });
                    return;
                }
                let since = moment.at - plan.ready.observe;
                if let Some(window) = samples[..sample].iter().filter(|s| s.asked >= since).find_map(outside)
                {
                    let found = format!("the controller was enabled with {window}");
                    breaches.push(Breach { rule: Rule::NotReady, at: moment.at, found });
                    return;
                }
            } else if told.stops() {
                (enabled, on) = (false, false);
            }
            on |= told.switches_on();
        }
        if let Some(window) = now_outside.filter(|_| enabled && !on) {
            let found = format!("the controller stayed on its way to being enabled with {window}");
            breaches.push(Breach { rule: Rule::NotReady, at: moment.at, found });
            return;
        }
    }
}
