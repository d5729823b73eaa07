//! Criteria and profiles in words, and verdicts as rows.

use super::model::{Bar, CriterionRow};
use super::words;
use crate::plan::{Criterion, Plan, Segment, Shape, Swing, Test};
use crate::units::Unit;
use crate::verdict::{Standing, Verdict};

/// One criterion with its verdict. `began` and `complete` are of its test; without a verdict a
/// criterion is not measured.
pub(super) fn row(
    plan: &Plan,
    test: &Test,
    criterion: &Criterion,
    verdict: Option<&Verdict>,
    began: bool,
    complete: bool,
) -> CriterionRow {
    let unit = &criterion.unit;
    let measured = verdict.and_then(|v| v.measured.as_ref().ok());
    let finite = measured.filter(|m| m.value.is_finite());
    let standing = verdict.map_or(Standing::NotMeasured, |v| v.standing);
    // A test that ended early may leave criteria open; what was measured before stands.
    let reached = began && (complete || finite.is_some());
    let met = verdict.is_some_and(|v| v.met) && finite.is_some() && reached;
    let u_expanded = finite.map(|m| 2.0 * m.u).filter(|u| u.is_finite());
    let margin = finite.and(verdict).and_then(|v| v.margin).filter(|m| m.is_finite());
    let over = criterion.over.and_then(|s| test.profile.segments.get(s)).map(|s| s.name.clone());
    let limit = limit_text(criterion);
    CriterionRow {
        text: criterion_text(plan, criterion, over.as_deref(), &limit),
        metric: criterion.metric.id().into(),
        version: criterion.metric.version(),
        of: criterion.of.clone(),
        over,
        limit,
        low: criterion.low.map(|si| words::tidy(unit.from_si(si))),
        high: criterion.high.map(|si| words::tidy(unit.from_si(si))),
        unit: words::unit_text(unit),
        unit_of_difference: words::difference_unit_text(unit),
        value: finite.map(|m| words::tidy(unit.from_si(m.value))),
        u_expanded: u_expanded.map(|u| words::tidy(unit.difference_from_si(u))),
        value_text: value_text(unit, measured.map(|m| (m.value, 2.0 * m.u)), began),
        n: measured.map(|m| m.n),
        standing: if reached { standing_words(standing) } else { "not reached" }.into(),
        answer: answer(met, reached, finite.is_some()).into(),
        met,
        reached,
        margin: margin.map(|m| words::tidy(unit.difference_from_si(m))),
        margin_text: margin
            .map_or_else(String::new, |m| words::signed_difference(unit, m, u_expanded.unwrap_or(0.0))),
        refused: refused(verdict, measured.is_some() && finite.is_none(), began, complete),
        note: measured.and_then(|m| m.note.clone()),
        why: criterion.why.clone(),
        bar: finite.and_then(|m| bar(criterion, m.value, u_expanded.unwrap_or(0.0))),
    }
}

fn value_text(unit: &Unit, measured: Option<(f64, f64)>, began: bool) -> String {
    match measured {
        Some((value, u)) => words::value_and_spread(unit, value, u),
        None if began => "not measured".into(),
        None => "not attempted".into(),
    }
}

fn answer(met: bool, reached: bool, measured: bool) -> &'static str {
    match (met, reached, measured) {
        (true, ..) => "met",
        (false, false, _) => "not reached",
        (false, true, true) => "NOT MET",
        (false, true, false) => "NOT MEASURED",
    }
}

fn refused(verdict: Option<&Verdict>, not_finite: bool, began: bool, complete: bool) -> Option<String> {
    match verdict {
        // That a test was not attempted is said once, with the test.
        Some(_) if !began => None,
        Some(verdict) => match &verdict.measured {
            Err(refusal) => Some(refusal.why.clone()),
            Ok(_) => not_finite.then(|| "the figure is not a finite number".to_string()),
        },
        None => complete.then(|| "no verdict was made".to_string()),
    }
}

fn standing_words(standing: Standing) -> &'static str {
    match standing {
        Standing::Pass => "pass",
        Standing::ConditionalPass => "conditional pass: inside by less than U",
        Standing::ConditionalFail => "conditional fail: outside by less than U",
        Standing::Fail => "fail",
        Standing::NotMeasured => "not measured",
    }
}

fn criterion_text(plan: &Plan, criterion: &Criterion, over: Option<&str>, limit: &str) -> String {
    let of = if criterion.of.is_empty() { String::new() } else { format!(" of {}", criterion.of) };
    let over = over.map_or_else(String::new, |name| format!(" over {name}"));
    let band =
        criterion.band.map_or_else(String::new, |si| format!(" into ±{}", band_text(plan, criterion, si)));
    let given: String = criterion.given.texts().map(|(key, text)| format!(", {key} {text}")).collect();
    format!("{}{of}{over}{band}{given}: {limit}", criterion.metric.id())
}

/// The band is a difference in the channel's unit; the limit may be in another (a settling time).
fn band_text(plan: &Plan, criterion: &Criterion, si: f64) -> String {
    let channel = plan.channels.iter().find(|c| c.name == criterion.of);
    let unit = channel.map_or(&criterion.unit, |c| &c.unit);
    let plain = Unit { offset: 0.0, ..unit.clone() };
    words::with_unit(&words::exact_number(&plain, si), &words::difference_unit_text(unit))
}

fn limit_text(criterion: &Criterion) -> String {
    let unit = &criterion.unit;
    match (criterion.low, criterion.high) {
        (Some(low), Some(high)) => {
            format!("{} to {}", words::exact_number(unit, low), words::exact(unit, high))
        }
        (Some(low), None) => format!("at least {}", words::exact(unit, low)),
        (None, Some(high)) => format!("at most {}", words::exact(unit, high)),
        (None, None) => "no limit".into(),
    }
}

/// The figure drawn against its limits: an axis with a quarter of room beyond the outermost mark.
fn bar(criterion: &Criterion, value: f64, u: f64) -> Option<Bar> {
    let limits: Vec<f64> =
        [criterion.low, criterion.high].into_iter().flatten().filter(|l| l.is_finite()).collect();
    if limits.is_empty() {
        return None;
    }
    let zero = (limits.len() == 1 && !criterion.unit.kind.absolute).then_some(0.0);
    let marks = limits.iter().copied().chain(zero).chain([value - u, value + u]);
    let (low, high) = marks.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), m| (l.min(m), h.max(m)));
    let room = 0.15 * (high - low);
    if !(room.is_finite() && room > 0.0) {
        return None;
    }
    let begin = if zero.is_some() && low == 0.0 { 0.0 } else { low - room };
    let end = if zero.is_some() && high == 0.0 { 0.0 } else { high + room };
    let at = |v: f64| ((v - begin) / (end - begin) * 100.0).clamp(0.0, 100.0);
    let from = criterion.low.map_or(0.0, at);
    let to = criterion.high.map_or(100.0, at);
    Some(Bar {
        allowed: (from, (to - from).max(0.0)),
        limits: limits.into_iter().map(at).collect(),
        spread: (at(value - u), at(value + u) - at(value - u)),
        value: at(value),
    })
}

/// The profile in words, one entry per segment.
pub(super) fn profile(plan: &Plan, test: &Test) -> Vec<String> {
    let unit = plan.demands.get(test.demand).map_or_else(Unit::one, |d| d.unit.clone());
    test.profile.segments.iter().map(|segment| segment_words(&unit, segment)).collect()
}

fn segment_words(unit: &Unit, segment: &Segment) -> String {
    let (Some(first), Some(last)) = (segment.corners.first(), segment.corners.last()) else {
        return segment.name.clone();
    };
    let lasts = (last.0 - first.0).secs_f64();
    let time = words::with_unit(&crate::units::number_text((lasts * 1e3).round() / 1e3), "s");
    let to = words::exact(unit, last.1);
    if let Some(swing) = segment.swing() {
        return named(segment, &swing_words(unit, swing, segment.kind, &time));
    }
    let what = match segment.kind {
        "hold" => format!("hold {to} for {time}"),
        "ramp" => format!("ramp to {to} in {time}"),
        "step" => format!("step to {to}, held for {time}"),
        "stairs" => {
            let stairs = segment
                .corners
                .windows(2)
                .filter(|pair| pair[0].1 == pair[1].1 && pair[1].0 > pair[0].0)
                .count();
            format!("{} to {to} in {time}", words::count(stairs, "stair", "stairs"))
        }
        "by hand" => format!("driven by hand for {time}, up to {to} at full pedal"),
        "watch" => match segment.shape {
            Shape::Watch { turned: Some(angle) } => {
                format!("watch with the torque off for {time}, turned by hand through {} turns", turns(angle))
            }
            _ => format!("watch with the torque off for {time}"),
        },
        "silence" => format!("no demand sent for {time}: the controller must switch itself off"),
        "stop frame" => format!(
            "the stop frame sent once while the demands go on for {time}: it must take the torque off"
        ),
        "cycle" => format!(
            "cycle of {} to {to} in {time}",
            words::count(segment.corners.len() - 1, "point", "points")
        ),
        "coast" => match segment.shape {
            Shape::Coast { below: Some(speed) } => {
                format!(
                    "coast with the torque off until below {}, for {time} at most",
                    words::exact(&rpm(), speed)
                )
            }
            _ => format!("coast with the torque off for {time}"),
        },
        other => format!("{other} to {to} in {time}"),
    };
    named(segment, &what)
}

/// Turns of the shaft in an angle in rad.
fn turns(angle: f64) -> String {
    crate::units::number_text((angle / std::f64::consts::TAU * 1e3).round() / 1e3)
}

/// Speeds that end a coast are said in revolutions per minute, whatever the demand's unit is.
fn rpm() -> Unit {
    crate::units::parse_unit("rpm").unwrap_or_else(|_| Unit::one())
}

fn swing_words(unit: &Unit, swing: Swing, kind: &str, time: &str) -> String {
    let amplitude =
        words::with_unit(&crate::units::number_text(unit.difference_from_si(swing.amplitude)), &unit.text);
    let around = words::exact(unit, swing.around);
    let (from, to) = swing.frequency;
    let hertz = crate::units::number_text;
    let frequency = if from == to {
        format!("at {} Hz", hertz(from))
    } else {
        format!("from {} Hz to {} Hz", hertz(from), hertz(to))
    };
    let cycles = words::count(swing.cycles as usize, "cycle", "cycles");
    format!("{kind} of {amplitude} around {around} {frequency}, {cycles} in {time}")
}

/// What a segment does, with its name where the suite gives one.
fn named(segment: &Segment, what: &str) -> String {
    let named = !segment.name.starts_with(segment.kind);
    if named { format!("{}: {what}", segment.name) } else { what.to_string() }
}
