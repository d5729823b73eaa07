//! Where a commissioning proves the stop frame and the command timeout: at rest on an alignment current, before anything turns by
//! its resolver, and turning, as slowly as anything does. What a segment is called shows nothing.

use crate::files::rig::Sets;
use crate::plan::{Plan, Segment, Shape, Source, Test};
use crate::time::Duration;
use crate::units::{number_text, parse_unit};

/// How the shaft stands when the proof begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Place {
    AtRest,
    Turning,
}

/// What is proved: which shape of a segment does it, its name, and how it is written.
const PROOFS: [(Shape, &str, &str); 2] = [
    (Shape::StopFrame, "the stop frame", "a segment `stop_frame`"),
    (Shape::Silence, "the command timeout", "a silence"),
];

/// Room for what is lost in the conversion of a written quantity to SI.
const ROUNDING: f64 = 1e-9;

/// The proofs that the plan has not: a commissioning has each of them in both places, in the order of their hazard.
pub(super) fn not_proved(plan: &Plan) -> Vec<String> {
    let places = [Place::AtRest, Place::Turning];
    let all = places.into_iter().flat_map(|place| PROOFS.iter().map(move |proof| (place, proof)));
    all.filter_map(|(place, proof)| lacks(plan, place, proof)).collect()
}

/// Why a proof is not there, in words with the fix; `None` if one of the plan's tests is it.
fn lacks(plan: &Plan, place: Place, (shape, what, written): &(Shape, &str, &str)) -> Option<String> {
    let (where_, how) = match place {
        Place::AtRest => ("at rest", "after a hold at a forced angle with an `alignment_current`"),
        Place::Turning => ("turning", "after a hold at the lowest speed that any test turns at"),
    };
    let of = |test: &Test| test.profile.segments.iter().position(|s| s.shape == *shape);
    let tried = plan.tests.iter().enumerate().filter(|(_, test)| is_at(plan, test, place));
    let answers: Vec<Result<(), String>> = tried
        .filter_map(|(index, test)| {
            let segment = of(test)?;
            Some(judged(plan, (index, test), segment, place).map_err(|why| (test, why)))
        })
        .map(|answer| answer.map_err(|(test, why)| format!("test `{}` {why}", test.name)))
        .collect();
    match answers.first() {
        None => Some(format!("{what} {where_}, by {written} {how}")),
        Some(Err(why)) if answers.iter().all(Result::is_err) => Some(format!("{what} {where_}: {why}")),
        Some(_) => None,
    }
}

/// Whether a test is of one of the two places, by the demand that it moves.
fn is_at(plan: &Plan, test: &Test, place: Place) -> bool {
    match plan.demands[test.demand].sets {
        Sets::ForcedAngle | Sets::AlignmentCurrent => place == Place::AtRest,
        Sets::ShaftSpeed => place == Place::Turning,
        _ => false,
    }
}

/// Whether a proof shows what it is for; else why not.
fn judged(plan: &Plan, (index, test): (usize, &Test), segment: usize, place: Place) -> Result<(), String> {
    held_before(plan, test, segment)?;
    if test.profile.segments[segment].shape == Shape::Silence {
        short_enough(plan, test.profile.segments[segment].length())?;
    }
    match place {
        Place::AtRest => flows(plan, test, segment).and_then(|()| before_the_resolver(plan, index)),
        Place::Turning => slowest_first(plan, index, test.profile.segments[segment].from().abs()),
    }
}

/// The demand stands for longer than the command timeout before the proof: that shows that these demands feed it.
fn held_before(plan: &Plan, test: &Test, segment: usize) -> Result<(), String> {
    let before = segment.checked_sub(1).map(|before| &test.profile.segments[before]);
    let stands =
        |s: &&Segment| s.shape == Shape::Straight && s.corners.windows(2).all(|pair| pair[0].1 == pair[1].1);
    let timeout = plan.drive.command_timeout;
    match before.filter(stands) {
        Some(hold) if hold.length() > timeout => Ok(()),
        _ => Err(format!(
            "does not hold its demand for more than the command timeout of {timeout} right before: add a `hold`"
        )),
    }
}

/// A silence shows a timeout if it ends before a drive that takes twice as long is seen to have kept its own.
fn short_enough(plan: &Plan, length: Duration) -> Result<(), String> {
    let timeout = plan.drive.command_timeout;
    let longest = timeout * 2 + seen_after(plan);
    if length <= longest {
        return Ok(());
    }
    Err(format!(
        "with its silence of {length} lets a drive pass that takes nearly as long to switch itself off; the rig says {timeout}: \
         no more than {longest}"
    ))
}

/// How long a change of the drive's state may go unseen: one period of its poll and one whole wait for a reply.
fn seen_after(plan: &Plan) -> Duration {
    match plan.channels[plan.drive.state].source {
        Source::Wire { group, .. } => {
            plan.groups[group].every + plan.links[plan.groups[group].link].reply_within
        }
        Source::Derived(_) => Duration::ZERO,
    }
}

/// As much current flows as takes away the proof that nothing drives: where none flows there is nothing to take off.
fn flows(plan: &Plan, test: &Test, segment: usize) -> Result<(), String> {
    let peak = |demand: usize, si: f64| si.abs() * plan.demands[demand].unit.kind.form.peak();
    let aligning = |demand: usize| plan.demands[demand].sets == Sets::AlignmentCurrent;
    let beside = test.with.iter().filter(|(demand, _)| aligning(*demand)).map(|(d, si)| peak(*d, *si));
    let moved = aligning(test.demand).then(|| peak(test.demand, test.profile.segments[segment].from()));
    let current = beside.chain(moved).fold(0.0, f64::max);
    let off = plan
        .stop
        .current
        .map_or(0.0, |(channel, limit)| limit * plan.channels[channel].unit.kind.form.peak());
    if current > off {
        return Ok(());
    }
    let amperes = |peak: f64| {
        parse_unit("A peak").map_or(String::new(), |unit| {
            format!("{} A peak", number_text((unit.from_si(peak) * 100.0).round() / 100.0))
        })
    };
    Err(format!(
        "has an alignment current of {}, and up to {} counts as torque off: demand more, so that there is something to take off",
        amperes(current),
        amperes(off)
    ))
}

/// At rest first: a test that turns the shaft by its resolver comes later.
fn before_the_resolver(plan: &Plan, index: usize) -> Result<(), String> {
    let turns = |t: &&Test| {
        let sets = plan.demands[t.demand].sets;
        matches!(sets, Sets::ShaftSpeed | Sets::Torque | Sets::SpeedAtFullPedal) && !t.profile.watches()
    };
    match plan.tests[..index].iter().find(turns) {
        None => Ok(()),
        Some(test) => {
            Err(format!("comes after test `{}`, which turns the shaft: move it before that", test.name))
        }
    }
}

/// Turning at the lowest speed, and before anything turns faster.
fn slowest_first(plan: &Plan, index: usize, speed: f64) -> Result<(), String> {
    if speed == 0.0 {
        return Err("does not turn: ramp up before its proof".into());
    }
    let speeds =
        plan.tests.iter().enumerate().filter(|(_, t)| plan.demands[t.demand].sets == Sets::ShaftSpeed);
    let tops = speeds
        .map(|(i, t)| (i, t, t.profile.top().abs()))
        .filter(|(_, t, top)| *top > 0.0 && !t.profile.watches());
    let rpm = |si: f64| {
        parse_unit("rpm")
            .map_or(String::new(), |unit| format!("{} rpm", number_text(unit.from_si(si).round())))
    };
    for (i, test, top) in tops {
        if top < speed * (1.0 - ROUNDING) {
            return Err(format!(
                "turns at {}, and test `{}` at {}: turn no faster",
                rpm(speed),
                test.name,
                rpm(top)
            ));
        }
        if i < index && top > speed * (1.0 + ROUNDING) {
            return Err(format!(
                "comes after test `{}`, which turns at {}: move it before that",
                test.name,
                rpm(top)
            ));
        }
    }
    Ok(())
}
