//! What a rung that is not passed points at, in the words of the trade, out of its figures and trips.

use crate::outcome::Cause;
use crate::plan::{Criterion, Plan};
use crate::record::What;
use crate::results::Results;
use crate::units::{Dim, Unit, parse_unit, rounded_text};
use crate::verdict::Verdict;

/// Ratio beyond which a sense is told to be the wrong one, and below which nothing moved.
const CLEAR: f64 = 0.5;
const NOTHING: f64 = 0.2;
/// Offset from which on the polarity is said to be wrong, electrical rad.
const OPPOSITE: f64 = 150.0 * std::f64::consts::PI / 180.0;

/// What the results of one rung point at, the plainest first: figures before trips, since a trip says only that
/// something went wrong. Empty for a rung that passed.
pub fn points_at(plan: &Plan, results: &Results) -> Vec<String> {
    if results.cause == Cause::Passed {
        return Vec::new();
    }
    let unmet = plan.tests.iter().zip(&results.verdicts).flat_map(|(t, v)| t.criteria.iter().zip(v));
    let mut found: Vec<String> =
        unmet.filter(|(_, v)| !v.met).filter_map(|(criterion, verdict)| figure(criterion, verdict)).collect();
    for event in &results.events {
        if let What::Trip { trip, found: seen, .. } = &event.what {
            let line = tripped(plan, trip, seen);
            if !found.contains(&line) {
                found.push(line);
            }
        }
    }
    if found.is_empty() {
        found.push(results.why.clone());
    }
    found
}

fn figure(criterion: &Criterion, verdict: &Verdict) -> Option<String> {
    let (of, id) = (&criterion.of, criterion.metric.id());
    let measured = match &verdict.measured {
        Ok(measured) => measured,
        // What was not run says nothing; what refused to be a figure does.
        Err(refusal) if refusal.why == "it was not run" || refusal.why.contains("did not run to its end") => {
            return None;
        }
        Err(refusal) => return Some(format!("{id} of `{of}` has no figure: {}", refusal.why)),
    };
    let (value, u) = (measured.value, measured.u);
    let figure = format!("{} {}", rounded_text(&criterion.unit, value, Some(u)), criterion.unit);
    let doubt = rounded_text(&Unit { offset: 0.0, ..criterion.unit.clone() }, u, Some(u));
    let shown = format!("{}, standard uncertainty {doubt}", figure.trim_end());
    Some(match id {
        "turn_ratio" if value < -CLEAR => format!(
            "the resolver is reversed: turned forward by hand, `{of}` goes backwards ({shown}): swap one pair of its wires"
        ),
        "turn_ratio" if value.abs() < NOTHING => {
            format!(
                "`{of}` stays where it is ({shown}): the shaft was not turned, or the resolver gives no signal"
            )
        }
        "turn_ratio" => format!(
            "`{of}` turns {shown} times as often as the pole pairs of the unit file say: resolver and machine do not go together, or the shaft was turned by another angle"
        ),
        "follow_slope" if value < -CLEAR => format!(
            "two phases are swapped: the rotor turns against the field ({shown}), and by hand the resolver's sense was right"
        ),
        "follow_slope" if value.abs() < NOTHING => {
            format!(
                "the rotor does not follow the field ({shown}): it is held, or a phase carries no current"
            )
        }
        "follow_slope" => format!("the rotor slips behind the field ({shown}): something holds it"),
        // Inside its limits, and not by as much as it is uncertain.
        "alignment_offset"
            if criterion.low <= Some(value) && criterion.high.is_none_or(|high| value <= high) =>
        {
            format!(
                "where the rotor comes to rest tells the resolver's offset to no better than {shown}: something holds it back from the field"
            )
        }
        "alignment_offset" => offset(value, &shown),
        "mean_level" if is_current(&criterion.unit.kind.dim) => format!(
            "the current sensor behind `{of}` reads {shown} where nothing flows: its zero is off, or its wire"
        ),
        "steady_ripple" | "mean_level" => {
            format!("`{of}` is unquiet or off: {shown}{}", because(criterion))
        }
        "dc_resistance" => format!(
            "the resistance of a phase is {shown}: a bad joint, a shorted turn, or a scale that is wrong"
        ),
        "tracking_mean" => {
            format!("`{of}` is {shown} from what is told at tiny current: a wrong offset, or something rubs")
        }
        _ => format!("{id} of `{of}` is {shown}{}", because(criterion)),
    })
}

fn offset(value: f64, shown: &str) -> String {
    let polarity = if value.abs() > OPPOSITE {
        "; near half a turn the polarity is wrong: of the magnets' count, of the current sensors, or of the resolver's excitation"
    } else {
        ""
    };
    let degrees = parse_unit("deg electrical").map_or(0.0, |u| u.from_si(value));
    format!(
        "the resolver's offset is wrong by {degrees:.0} electrical degrees ({shown}){polarity}; beyond 90 the speed loop runs away"
    )
}

fn tripped(plan: &Plan, trip: &str, seen: &str) -> String {
    if trip == "command timeout" {
        return format!(
            "the controller does not switch itself off when the demands stop: {seen}. A runner that hangs would leave it driving; do not go on with this build"
        );
    }
    if trip == "stop frame" {
        let frames: Vec<String> = plan
            .stop
            .frames
            .iter()
            .map(|f| format!("`{}`", String::from_utf8_lossy(&f.bytes).trim()))
            .collect();
        return format!(
            "the stop frame {} of [safe_state] does not do its work: {seen}. Look first at `send` in the rig file, then at this build; do \
             not go on: no stop of this program can be relied on",
            frames.join(", ")
        );
    }
    let why = plan.trips.iter().find(|t| t.name == trip).and_then(|t| t.why.clone());
    format!("{trip} tripped: {seen}{}", why.map_or(String::new(), |w| format!(" ({w})")))
}

fn because(criterion: &Criterion) -> String {
    criterion.why.as_ref().map_or(String::new(), |why| format!(" ({why})"))
}

fn is_current(dim: &Dim) -> bool {
    *dim == Dim { current: 1, ..Dim::default() }
}
