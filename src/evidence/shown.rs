//! What the criteria of a commissioning show. A metric's name shows nothing: its limits do, by what they rule out.

use crate::files::rig::Sets;
use crate::metrics::Direction;
use crate::plan::{Criterion, Plan, Segment, Shape, Test};
use crate::units::{Unit, number_text, parse_unit};
use std::f64::consts::FRAC_PI_2;

/// Whether a criterion shows what it is for; else what its limits let pass, and how to mend it.
type Shows = fn(&Plan, &Test, &Criterion) -> Result<(), String>;

/// The things that closed loop rests on, each by a metric.
const THINGS: [(&str, &str, Shows); 3] = [
    ("the resolver's sense", "turn_ratio", sense),
    ("the order of the phases", "follow_slope", order),
    ("the resolver's offset", "alignment_offset", offset),
];

/// What closed loop rests on and the plan does not show: a commissioning shows it all.
pub(super) fn not_for_closed_loop(plan: &Plan) -> Vec<String> {
    let mut lacks = Vec::new();
    for (what, id, shows) in THINGS {
        let answers: Vec<Result<(), String>> =
            criteria(plan).filter(|(_, c)| c.metric.id() == id).map(|(t, c)| shows(plan, t, c)).collect();
        match answers.first() {
            None => lacks.push(format!("{what}, by a criterion {id}")),
            Some(Err(why)) if answers.iter().all(Result::is_err) => lacks.push(format!("{what}: {why}")),
            Some(_) => {}
        }
    }
    lacks
}

/// The criteria whose limits rule out nothing that they are there to rule out, whatever else is shown.
pub(super) fn not_by_limits(plan: &Plan) -> Vec<String> {
    let others = criteria(plan).filter(|(_, c)| THINGS.iter().all(|(_, id, _)| *id != c.metric.id()));
    others
        .filter_map(|(test, c)| {
            lets_pass(plan, test, c).map(|why| format!("anything by {}: {why}", said(test, c)))
        })
        .collect()
}

fn criteria(plan: &Plan) -> impl Iterator<Item = (&Test, &Criterion)> {
    plan.tests.iter().flat_map(|t| t.criteria.iter().map(move |c| (t, c)))
}

fn said(test: &Test, c: &Criterion) -> String {
    format!("`{}` of `{}` in test `{}`", c.metric.id(), c.of, test.name)
}

/// The segments that a criterion is over.
fn over<'a>(test: &'a Test, c: &Criterion) -> &'a [Segment] {
    c.over.map_or(&test.profile.segments[..], |i| &test.profile.segments[i..=i])
}

/// Whether only figures above nothing are allowed; NaN is none.
fn above_nothing(c: &Criterion) -> bool {
    c.low.is_some_and(|low| low > 0.0)
}

/// A reversed resolver turns backwards, and only a hand shows it: what the drive turns by itself it also counts by itself.
fn sense(_: &Plan, test: &Test, c: &Criterion) -> Result<(), String> {
    if !above_nothing(c) {
        return Err(format!(
            "{} has no lower limit above 0, and a reversed resolver gives -1: say `between = [\"0.9\", \"1.1\"]`",
            said(test, c)
        ));
    }
    let by_hand: f64 = over(test, c)
        .iter()
        .map(|s| if let Shape::Watch { turned: Some(turned) } = s.shape { turned } else { 0.0 })
        .sum();
    let watched = over(test, c).iter().all(|s| matches!(s.shape, Shape::Watch { .. }));
    let alike =
        c.given.range("turned").is_some_and(|(low, high)| low * by_hand > 0.0 && high * by_hand > 0.0);
    if watched && alike {
        return Ok(());
    }
    Err(format!(
        "{} is not over a watch in which a person turns the shaft the way that its `turned` says: no other turning shows the sense",
        said(test, c)
    ))
}

/// Two phases swapped turn the rotor against the field.
fn order(plan: &Plan, test: &Test, c: &Criterion) -> Result<(), String> {
    if !above_nothing(c) {
        return Err(format!(
            "{} has no lower limit above 0, and two swapped phases give -1: say `between = [\"0.9\", \"1.1\"]`",
            said(test, c)
        ));
    }
    forced(plan, test, c)
}

/// Torque goes as the cosine of the offset: from a quarter turn on it has the other sign, and the speed loop runs away.
fn offset(plan: &Plan, test: &Test, c: &Criterion) -> Result<(), String> {
    let within = |limit: Option<f64>| limit.is_some_and(|limit| limit.abs() < FRAC_PI_2 * (1.0 - 1e-9));
    if !(within(c.low) && within(c.high)) {
        return Err(format!(
            "{} does not have both limits within 90 electrical degrees, from where on the torque has the other sign: say \
             `between = [\"-12 deg electrical\", \"12 deg electrical\"]`",
            said(test, c)
        ));
    }
    forced(plan, test, c)
}

/// What is held against a field must be: in closed loop the field is where the resolver says.
fn forced(plan: &Plan, test: &Test, c: &Criterion) -> Result<(), String> {
    if plan.demands[test.demand].sets == Sets::ForcedAngle {
        return Ok(());
    }
    Err(format!("{} is not of a test that moves a forced angle", said(test, c)))
}

/// What a criterion lets pass that it must not, in words with the mend; `None` if nothing of the kind.
fn lets_pass(plan: &Plan, test: &Test, c: &Criterion) -> Option<String> {
    match c.metric.direction() {
        Direction::LowerIsBetter if c.high.is_none() => return Some("it has no upper limit: add one".into()),
        Direction::HigherIsBetter if c.low.is_none() => return Some("it has no lower limit: add one".into()),
        _ => {}
    }
    match c.metric.id() {
        "mean_level" => level(plan, c),
        "tracking_mean" | "tracking_rms" | "tracking_max" => tracking(plan, test, c),
        _ => None,
    }
}

/// The level of what may read on either side of nothing, such as a current that should be none, is off on either side.
fn level(plan: &Plan, c: &Criterion) -> Option<String> {
    let (least, most) = plan.channels.iter().find(|channel| channel.name == c.of)?.range;
    if least < 0.0 && (c.low.is_none() || c.high.is_none()) {
        return Some("it may be off on either side of nothing and has one limit: say `between`".into());
    }
    let all = c.low.is_none_or(|low| low <= least) && c.high.is_none_or(|high| high >= most);
    all.then(|| {
        format!(
            "its limits hold all that `{}` may read, {} to {}: narrow them",
            c.of,
            text(&c.unit, least),
            text(&c.unit, most)
        )
    })
}

/// A shaft that stands still is as far from what is told as it was told to turn, and one that turns the other way twice that.
fn tracking(plan: &Plan, test: &Test, c: &Criterion) -> Option<String> {
    if c.metric.id() == "tracking_mean" && (c.low.is_none() || c.high.is_none()) {
        return Some("it may be off on either side and has one limit: say `between`".into());
    }
    if plan.demands[test.demand].sets != Sets::ShaftSpeed {
        return None;
    }
    let corners = over(test, c).iter().flat_map(|s| &s.corners);
    let told = corners.map(|(_, v)| v.abs()).fold(0.0, f64::max);
    let beyond = |limit: Option<f64>| limit.is_some_and(|limit| limit.abs() >= told * (1.0 - 1e-9));
    (told > 0.0 && (beyond(c.low) || beyond(c.high))).then(|| {
        let rpm = parse_unit("rpm").map_or(String::new(), |rpm| text(&rpm, told));
        format!("a shaft that stands still passes: keep its limits within the {rpm} that are told")
    })
}

fn text(unit: &Unit, si: f64) -> String {
    format!("{} {unit}", number_text(unit.from_si(si)))
}
