//! Columns as figures: panels above one time axis.

use super::Evidence;
use super::model::{Band, Figure, Level, Line, Mark, Panel};
use super::plot::{self, Points, Range};
use super::predicted;
use super::words;
use crate::columns::{Columns, DemandSeries, Series, Span};
use crate::files::rig::{Role, Sets};
use crate::plan::{Channel, Crossing, Plan, Shape};
use crate::record::What;
use crate::units::Unit;

/// Columns of a figure: more than a screen or a sheet of paper shows of it.
pub(super) const COLUMNS: usize = 800;

/// Figures of the whole run.
pub(super) fn figures(evidence: &Evidence<'_>) -> Vec<Figure> {
    let Some(time) = whole_time(evidence.columns) else { return Vec::new() };
    let plan = evidence.plan;
    let mut panels = Vec::new();
    for (title, roles) in [
        ("Speed", &[Role::ShaftSpeed][..]),
        ("Bus voltage", &[Role::BusVoltage]),
        ("Currents", &[Role::BusCurrent, Role::PhaseCurrent]),
        ("Temperatures", &[Role::WindingTemperature, Role::InverterTemperature, Role::CoolantTemperature]),
    ] {
        let channels: Vec<usize> = (0..plan.channels.len())
            .filter(|i| plan.channels[*i].role.is_some_and(|r| roles.contains(&r)))
            .collect();
        let demand = (roles[0] == Role::ShaftSpeed).then(|| speed_demand(plan)).flatten();
        panels.extend(panel(evidence, title, &channels, demand, time));
    }
    let bands = bands(evidence.columns.spans.iter().filter(|s| s.segment.is_none()), time);
    (!panels.is_empty())
        .then(|| figure("The whole run".into(), time, bands, panels, evidence))
        .into_iter()
        .collect()
}

/// Demand against measured, and the error, of one test; `None` if nothing was driven.
pub(super) fn test_figure(evidence: &Evidence<'_>, test: usize) -> Option<Figure> {
    let columns = evidence.columns;
    let spans = || columns.spans.iter().filter(move |s| s.test == test);
    let begin = spans().map(|s| s.t0).filter(|t| t.is_finite()).fold(f64::INFINITY, f64::min);
    let end = spans().map(|s| s.t1).filter(|t| t.is_finite()).fold(f64::NEG_INFINITY, f64::max);
    // A little of what came before and after: enough to see how it was left; more after a trip.
    let share = if spans().all(|s| s.complete) { 0.06 } else { 0.25 };
    let time = Range::new(begin - 0.02 * (end - begin), end + share * (end - begin))?;
    let plan = evidence.plan;
    let demand = plan.tests.get(test)?.demand;
    let follows = plan.demands.get(demand).and_then(|d| role_of(d.sets)).and_then(|r| plan.channel_with(r));
    let channels: Vec<usize> = follows.into_iter().collect();
    let by_hand = plan.is_by_hand(test);
    let title = if by_hand { "At full pedal, and measured" } else { "Demand and measured" };
    let mut panels: Vec<Panel> = panel(evidence, title, &channels, Some(demand), time).into_iter().collect();
    if by_hand {
        // What the full pedal may ask for is no demand that anything could be off from.
        let pedal: Vec<usize> = plan.channel_with(Role::Pedal).into_iter().collect();
        panels.extend(panel(evidence, "Pedal", &pedal, None, time));
    } else {
        panels.extend(error_panel(evidence, follows, demand, spans().find(|s| s.segment.is_none()), time));
    }
    if panels.is_empty() {
        return None;
    }
    let bands = bands(spans().filter(|s| s.segment.is_some()), time);
    Some(figure(plan.tests[test].name.clone(), time, bands, panels, evidence))
}

fn figure(
    title: String,
    time: Range,
    bands: Vec<Band>,
    panels: Vec<Panel>,
    evidence: &Evidence<'_>,
) -> Figure {
    let ticks = plot::across(time, 8);
    let marks = marks(evidence, time);
    let about = String::new();
    Figure { title, unit: "s", t0: time.low, t1: time.high, about, ticks, bands, marks, panels }
}

fn whole_time(columns: &Columns) -> Option<Range> {
    let ends = |t: &[f64]| [t.first().copied(), t.last().copied()];
    let moments =
        columns.series.iter().flat_map(|s| ends(&s.t)).chain(columns.demands.iter().flat_map(|d| ends(&d.t)));
    let finite = moments.flatten().filter(|t| t.is_finite());
    let (low, high) = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), t| (l.min(t), h.max(t)));
    Range::new(low, high)
}

fn role_of(sets: Sets) -> Option<Role> {
    match sets {
        Sets::ShaftSpeed | Sets::SpeedAtFullPedal => Some(Role::ShaftSpeed),
        Sets::Torque => Some(Role::Torque),
        Sets::Pump | Sets::ForcedAngle | Sets::AlignmentCurrent | Sets::CurrentLimit => None,
    }
}

fn speed_demand(plan: &Plan) -> Option<usize> {
    plan.demands.iter().position(|d| d.sets == Sets::ShaftSpeed)
}

/// Draws each channel and tells its ends; the moments at which a value of any was lost.
fn channel_lines(
    series: &[(&Channel, &Series)],
    scale: &Unit,
    range: Range,
    time: Range,
    (lines, told): (&mut Vec<Line>, &mut Vec<String>),
) -> Vec<f64> {
    let mut lost = Vec::new();
    for (i, (_, s)) in series.iter().enumerate() {
        let v: Vec<f64> = s.v.iter().map(|v| scale.from_si(*v)).collect();
        let (name, unit) = on_scale(&s.name, &s.unit, scale);
        told.extend(from_to(&name, v[s.within(time.low, time.high)].iter().copied(), range));
        let points = Points { t: &s.t, v: &v, lost: &s.lost, stands: false };
        lines.push(Line {
            name,
            unit,
            pattern: (i % 4) as u8,
            path: plot::line(points, time, range, COLUMNS),
        });
        lost.extend_from_slice(&s.lost);
    }
    lost
}

/// Name and unit of a channel's line on a panel's scale: whatever the channel's own unit is, every number beside the line is on
/// that scale.
fn on_scale(name: &str, own: &Unit, scale: &Unit) -> (String, String) {
    let unit = words::unit_in_form(scale, own);
    let name = if unit == words::unit_text(scale) { name.to_string() } else { format!("{name} ({unit})") };
    (name, unit)
}

/// One panel with the channels and, below them, a demand; `None` if there is nothing to draw.
fn panel(
    evidence: &Evidence<'_>,
    title: &str,
    channels: &[usize],
    demand: Option<usize>,
    time: Range,
) -> Option<Panel> {
    let plan = evidence.plan;
    let demand = demand.and_then(|d| demand_series(evidence, d)).filter(|d| any_within(&d.t, time));
    let series: Vec<(&Channel, &Series)> = channels
        .iter()
        .filter_map(|i| plan.channels.get(*i))
        .filter_map(|c| evidence.columns.series(&c.name).map(|s| (c, s)))
        .filter(|(_, s)| any_within(&s.t, time))
        .collect();
    let unit = series.first().map(|(_, s)| s.unit.clone()).or_else(|| demand.map(|d| d.unit.clone()))?;
    let shown = |s: &Series| s.within(time.low, time.high);
    let values = series.iter().flat_map(|(_, s)| s.v[shown(s)].iter().copied());
    let demanded = demand.into_iter().flat_map(|d| within(&d.t, &d.v, time));
    let bands: Vec<_> = series.iter().map(|(_, s)| predicted::behind(evidence, s)).collect();
    let banded = bands.iter().flat_map(|b| predicted::values(b, time, &unit));
    let data = data_range(values.chain(demanded).map(|v| unit.from_si(v)).chain(banded).collect(), &unit)?;
    let levels = levels(evidence, channels, &unit, data);
    let range = with_levels(data, &levels)?;
    let mut lines = Vec::new();
    let mut told = Vec::new();
    // First, so that everything else lies above them.
    for ((_, s), bands) in series.iter().zip(&bands) {
        lines.extend(predicted::area(&s.name, bands, time, range, &unit));
    }
    if let Some(d) = demand {
        let v: Vec<f64> = d.v.iter().map(|v| unit.from_si(*v)).collect();
        told.extend(from_to("demand", within(&d.t, &v, time), range));
        let points = Points { t: &d.t, v: &v, lost: &[], stands: true };
        let name = "demand".to_string();
        let unit = words::unit_text(&unit);
        lines.push(Line { name, unit, pattern: 9, path: plot::line(points, time, range, COLUMNS) });
    }
    let mut lost = channel_lines(&series, &unit, range, time, (&mut lines, &mut told));
    lost.sort_by(f64::total_cmp);
    told.extend(levels.iter().map(|(.., text)| format!("trip level {text}")));
    if !lost.is_empty() {
        told.push(words::count(lost.len(), "value lost", "values lost"));
    }
    let unit = words::unit_text(&unit);
    Some(Panel {
        title: title.into(),
        told: told_of(title, &unit, time, &told),
        unit,
        log: false,
        shades: Vec::new(),
        low: range.low,
        high: range.high,
        ticks: plot::upright(range, 6),
        levels: drawn_levels(levels, range),
        lines,
        lost: plot::strokes(&lost, time, COLUMNS),
    })
}

/// `speed from 0 to 1204`; `None` without a finite value.
pub(super) fn from_to(name: &str, values: impl Iterator<Item = f64>, range: Range) -> Option<String> {
    let finite = values.filter(|v| v.is_finite());
    let (low, high) = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    (low <= high).then(|| format!("{name} from {} to {}", plot::short(low, range), plot::short(high, range)))
}

/// What a panel holds, in words.
pub(super) fn told_of(title: &str, unit: &str, time: Range, told: &[String]) -> String {
    let of = if unit.is_empty() { String::new() } else { format!(" in {unit}") };
    let (from, to) = (words::seconds(time.low), words::seconds(time.high));
    format!("{title}{of}, {from} to {to}: {}", told.join("; "))
}

/// The stretches of a test in which no demand is in force, or none is sent: nothing can be off from it there.
fn undemanded(evidence: &Evidence<'_>, test: usize) -> Vec<(f64, f64)> {
    let segments = evidence.plan.tests.get(test).map_or(&[][..], |t| &t.profile.segments);
    let free = |s: &&Span| {
        let segment = s.segment.and_then(|i| segments.get(i));
        let off =
            |s: &crate::plan::Segment| s.undemanded() || matches!(s.shape, Shape::Silence | Shape::StopFrame);
        s.test == test && segment.is_some_and(off)
    };
    evidence.columns.spans.iter().filter(free).map(|s| (s.t0, s.t1)).collect()
}

/// Measured less demand while the profile ran and a demand was in force.
fn error_panel(
    evidence: &Evidence<'_>,
    channel: Option<usize>,
    demand: usize,
    span: Option<&Span>,
    time: Range,
) -> Option<Panel> {
    let series = evidence.columns.series(&evidence.plan.channels.get(channel?)?.name)?;
    let demand = demand_series(evidence, demand)?;
    let span = span?;
    let shown = series.within(span.t0, span.t1);
    let unit = &series.unit;
    let t = &series.t[shown.clone()];
    let free = undemanded(evidence, span.test);
    let demanded =
        |t: f64| demand.at(t).filter(|_| !free.iter().any(|(from, to)| (*from..=*to).contains(&t)));
    let v: Vec<f64> = t
        .iter()
        .zip(&series.v[shown])
        .map(|(t, v)| demanded(*t).map_or(f64::NAN, |d| unit.difference_from_si(v - d)))
        .collect();
    if v.iter().all(|v| v.is_nan()) {
        return None;
    }
    let range = Range::around(v.iter().copied().chain([0.0]))?;
    let points = Points { t, v: &v, lost: &series.lost, stands: false };
    let path = plot::line(points, time, range, COLUMNS);
    let title = "Error (measured less demand)";
    let told: Vec<String> = from_to("error", v.iter().copied(), range).into_iter().collect();
    Some(Panel {
        title: title.into(),
        told: told_of(title, &words::difference_unit_text(unit), time, &told),
        unit: words::difference_unit_text(unit),
        log: false,
        shades: Vec::new(),
        low: range.low,
        high: range.high,
        ticks: plot::upright(range, 5),
        lines: vec![Line { name: "error".into(), unit: words::difference_unit_text(unit), pattern: 0, path }],
        levels: Vec::new(),
        lost: String::new(),
    })
}

/// The range of values in the panel's unit. A degree more or less, or a few per cent of a voltage, is not blown up to
/// the height of a panel.
fn data_range(values: Vec<f64>, unit: &Unit) -> Option<Range> {
    let finite = values.iter().map(|v| v.abs()).filter(|v| v.is_finite());
    let least = if unit.kind.absolute { 5.0 } else { 0.04 * finite.fold(0.0, f64::max) };
    Some(Range::around(values.into_iter())?.at_least(least))
}

/// Levels as they are drawn in a panel of that range.
pub(super) fn drawn_levels(levels: Vec<(f64, bool, String)>, range: Range) -> Vec<Level> {
    let drawn = |(v, below, text)| Level { at: (1.0 - range.share(v)) * 100.0, text, below };
    levels.into_iter().map(drawn).collect()
}

/// Trip levels of the channels that are near enough to be drawn, or that fired: value on the panel's
/// scale, whether it trips below, text.
pub(super) fn levels(
    evidence: &Evidence<'_>,
    channels: &[usize],
    unit: &Unit,
    data: Range,
) -> Vec<(f64, bool, String)> {
    let fired = |name: &str| {
        evidence.events.iter().any(|e| matches!(&e.what, What::Trip { trip, .. } if trip == name))
    };
    let near = (data.low - 0.6 * data.length())..=(data.high + 0.6 * data.length());
    let mut levels = Vec::new();
    for trip in evidence.plan.trips.iter().filter(|t| channels.contains(&t.channel)) {
        let (level, below) = match trip.when {
            Crossing::Above(level) => (level, false),
            Crossing::Below(level) => (level, true),
            Crossing::RisesFaster(..) | Crossing::FallsFaster(..) => continue,
        };
        let channel = &evidence.plan.channels[trip.channel];
        let value = unit.from_si(level);
        // Channels of one panel may differ in unit: a level is drawn only on the panel's own scale.
        if channel.unit.kind == unit.kind && (fired(&trip.name) || near.contains(&value)) {
            levels.push((value, below, format!("{}: {}", trip.name, words::exact(&channel.unit, level))));
        }
    }
    levels
}

/// Room for the levels and, beyond them, for their names.
pub(super) fn with_levels(data: Range, levels: &[(f64, bool, String)]) -> Option<Range> {
    let values = levels.iter().map(|(v, ..)| *v);
    let (low, high) = values.fold((data.low, data.high), |(l, h), v| (l.min(v), h.max(v)));
    let room = 0.17 * (high - low);
    levels.iter().try_fold(data, |range, (level, below, _)| match below {
        true => Range::new(range.low.min(level - room), range.high),
        false => Range::new(range.low, range.high.max(level + room)),
    })
}

fn demand_series<'a>(evidence: &Evidence<'a>, demand: usize) -> Option<&'a DemandSeries> {
    let name = &evidence.plan.demands.get(demand)?.name;
    evidence.columns.demands.iter().find(|d| d.name == *name)
}

fn any_within(t: &[f64], time: Range) -> bool {
    t.iter().any(|t| *t >= time.low && *t <= time.high)
}

fn within<'a>(t: &'a [f64], v: &'a [f64], time: Range) -> impl Iterator<Item = f64> + 'a {
    t.iter().zip(v).filter(move |(t, _)| **t >= time.low && **t <= time.high).map(|(_, v)| *v)
}

pub(super) fn bands<'a>(spans: impl Iterator<Item = &'a Span>, time: Range) -> Vec<Band> {
    spans
        .filter(|s| s.t0.is_finite() && s.t1.is_finite() && s.t1 > s.t0)
        .enumerate()
        .map(|(i, s)| {
            let left = time.share(s.t0) * 100.0;
            let width = time.share(s.t1) * 100.0 - left;
            Band { left, width, name: s.name.clone(), shaded: i % 2 == 0 }
        })
        .collect()
}

fn marks(evidence: &Evidence<'_>, time: Range) -> Vec<Mark> {
    let mut marks = Vec::new();
    for event in evidence.events {
        let (text, trip) = match &event.what {
            What::Trip { trip, .. } => (format!("trip: {trip}"), true),
            What::StopBegan { .. } => ("stop".to_string(), false),
            What::Marked { .. } => ("heard".to_string(), false),
            What::LinkLost { link, .. } => (format!("link lost: {link}"), true),
            _ => continue,
        };
        let at = event.at.secs_f64();
        if at >= time.low && at <= time.high {
            marks.push(Mark { at: time.share(at) * 100.0, text, trip });
        }
    }
    // Where the record of a cut run ends.
    if let Some(whole) = whole_time(evidence.columns).filter(|_| evidence.run.ended.is_none())
        && whole.high <= time.high
        && whole.high >= time.low
    {
        marks.push(Mark { at: time.share(whole.high) * 100.0, text: "record ends".into(), trip: true });
    }
    marks
}
