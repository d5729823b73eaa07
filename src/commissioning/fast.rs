//! How fast the shaft may be told to turn before anything about it is known.

use crate::files::rig::{Limiting, Rig, Sets};
use crate::files::unit::Unit as UnitFile;
use crate::plan::{Plan, Segment, Test};
use crate::units::{number_text, parse_unit};

/// Highest speed of any rung as a share of the highest speed of the unit: what turns away at that speed is still slow
/// enough to be caught (the design's own bound for commissioning).
pub const SPEED_SHARE: f64 = 0.05;

/// The tests of a plan that may turn the shaft beyond [`SPEED_SHARE`] of the highest speed of the unit, each in words: by a speed
/// that is demanded or that the fully pressed pedal asks for, by a field that takes the rotor with it, or by a torque, which
/// nothing but the board's own limit holds.
pub fn too_fast(plan: &Plan, rig: &Rig, unit: &UnitFile) -> Vec<String> {
    let limit = SPEED_SHARE * unit.machine.speed_max.si;
    let bound = format!("commissioning stays below 5 % of the unit's highest speed: {} rpm", rpm(limit));
    let found = |t: &Test| {
        let beyond = |speed: f64| speed.is_nan() || speed.abs() > limit * (1.0 + 1e-9);
        match plan.demands[t.demand].sets {
            Sets::ShaftSpeed if beyond(t.profile.top()) => {
                Some(format!("demands {} rpm, {bound}", rpm(t.profile.top())))
            }
            Sets::SpeedAtFullPedal if beyond(t.profile.top()) => {
                Some(format!("lets the fully pressed pedal ask for {} rpm, {bound}", rpm(t.profile.top())))
            }
            Sets::ForcedAngle => {
                let rate = t.profile.segments.iter().map(steepest).fold(0.0, f64::max);
                let pairs = unit.machine.pole_pairs.value;
                let speed = rate / f64::from(pairs.max(1));
                let at = degrees(rate);
                beyond(speed).then(|| {
                    format!(
                        "turns the field at {at} deg/s electrical, which takes a shaft of {pairs} pole pairs to {} rpm, {bound}",
                        rpm(speed)
                    )
                })
            }
            Sets::Torque => match rig.limited(Limiting::ShaftSpeed) {
                Some((own, _)) if beyond(own) => Some(format!(
                    "sets a torque, and the board's own limit holds the speed at {} rpm, {bound}",
                    rpm(own)
                )),
                Some(_) => None,
                None => Some(format!(
                    "sets a torque, and nothing that is read back holds the speed, {bound}: read the board's own limit back in a \
                     setting with `limits = \"shaft speed\"`, `unit = \"rpm\"` and the value that it `must_be`, or demand a speed"
                )),
            },
            _ => None,
        }
    };
    plan.tests.iter().filter_map(|t| found(t).map(|words| format!("test `{}` {words}", t.name))).collect()
}

/// The steepest change of a demand within a segment, SI per second; without end at a jump.
fn steepest(segment: &Segment) -> f64 {
    if let Some(swing) = segment.swing() {
        return swing.slope();
    }
    let steps = segment.corners.windows(2).filter(|w| w[0].1 != w[1].1);
    steps.map(|w| (w[1].1 - w[0].1).abs() / (w[1].0 - w[0].0).secs_f64()).fold(0.0, f64::max)
}

fn rpm(si: f64) -> String {
    parse_unit("rpm").map_or(String::new(), |u| number_text(u.from_si(si).round()))
}

fn degrees(si: f64) -> String {
    parse_unit("deg electrical").map_or(String::new(), |u| number_text(u.from_si(si).round()))
}
