//! Temperatures with the exponential fitted through them and where it leads: only where the metrics give
//! both its time constant and its end.

use super::Evidence;
use super::charts::{COLUMNS, drawn_levels, from_to, levels, told_of, with_levels};
use super::model::{Figure, Line, Panel};
use super::plot::{self, Points, Range};
use super::words;
use crate::columns::{Series, Span};
use crate::files::rig::Role;
use crate::metrics::{Given, Measured, View, find};
use crate::plan::Plan;
use crate::units::{Unit, parse_unit};

/// The longest segment is looked at without being asked for if it lasts as long, seconds.
const WORTH_A_LOOK: f64 = 60.0;
/// How far ahead, in time constants from the begin, and at most in lengths of the record.
const AHEAD: f64 = 5.0;
const AHEAD_MOST: f64 = 1.5;
/// Points of the curve.
const POINTS: usize = 200;

/// A fitted exponential.
struct Fit {
    tau: Measured,
    end: Measured,
    /// How far the curve is from its end at the begin of the span, SI.
    change: f64,
}

/// One figure for each temperature and span to which an exponential could be fitted.
pub(super) fn figures(evidence: &Evidence<'_>) -> Vec<Figure> {
    let wanted = wanted(evidence);
    wanted.into_iter().filter_map(|(channel, span)| figure(evidence, channel, span)).collect()
}

/// What criteria ask for, then every temperature over the longest segment.
fn wanted<'a>(evidence: &Evidence<'a>) -> Vec<(usize, &'a Span)> {
    let plan = evidence.plan;
    let spans = &evidence.columns.spans;
    let mut wanted: Vec<(usize, &Span)> = Vec::new();
    let mut add = |pair: (usize, &'a Span)| {
        if !wanted.iter().any(|w| w.0 == pair.0 && std::ptr::eq(w.1, pair.1)) {
            wanted.push(pair);
        }
    };
    for (i, test) in plan.tests.iter().enumerate() {
        let asked = ["time_constant", "final_temperature"];
        for criterion in test.criteria.iter().filter(|c| asked.iter().any(|id| c.metric.id().starts_with(id)))
        {
            let channel = plan.channels.iter().position(|c| c.name == criterion.of);
            let span = spans.iter().find(|s| s.test == i && s.segment == criterion.over);
            if let (Some(channel), Some(span)) = (channel, span) {
                add((channel, span));
            }
        }
    }
    let whole = spans.iter().filter(|s| s.segment.is_some() && s.complete && s.t1 - s.t0 >= WORTH_A_LOOK);
    if let Some(longest) = whole.max_by(|a, b| (a.t1 - a.t0).total_cmp(&(b.t1 - b.t0))) {
        temperatures(plan).for_each(|channel| add((channel, longest)));
    }
    wanted
}

fn temperatures(plan: &Plan) -> impl Iterator<Item = usize> {
    let roles = [Role::WindingTemperature, Role::InverterTemperature, Role::CoolantTemperature];
    (0..plan.channels.len()).filter(move |i| plan.channels[*i].role.is_some_and(|r| roles.contains(&r)))
}

fn fit(evidence: &Evidence<'_>, series: &Series, span: &Span) -> Option<Fit> {
    let given = Given::default();
    let columns = evidence.columns;
    let view = View { columns, of: &series.name, against: "", span, band: None, given: &given };
    let measured = |id: &str| find(id)?.compute(&view).ok().filter(|m| m.value.is_finite());
    let (tau, end) = (measured("time_constant")?, measured("final_temperature")?);
    if tau.value <= 0.0 {
        return None;
    }
    // With time constant and end given, the height of the curve is a straight line through zero: least squares.
    let shown = series.within(span.t0, span.t1);
    let pairs = series.t[shown.clone()].iter().zip(&series.v[shown]).filter(|(_, v)| v.is_finite());
    let (dot, square) = pairs.fold((0.0, 0.0), |(dot, square), (t, v)| {
        let left = (-(t - span.t0) / tau.value).exp();
        (dot + left * (v - end.value), square + left * left)
    });
    let change = dot / square;
    change.is_finite().then_some(Fit { tau, end, change })
}

/// A line of the figure: name, pattern, times, values in the unit of the figure.
type Part<'a> = (&'a str, u8, &'a [f64], &'a [f64]);

fn told_parts(parts: &[Part<'_>], trips: &[(f64, bool, String)], range: Range) -> Vec<String> {
    let ranges = parts.iter().filter_map(|(name, _, _, v)| from_to(name, v.iter().copied(), range));
    ranges.chain(trips.iter().map(|(.., text)| format!("trip level {text}"))).collect()
}

fn figure(evidence: &Evidence<'_>, channel: usize, span: &Span) -> Option<Figure> {
    let named = evidence.plan.channels.get(channel)?;
    let series = evidence.columns.series(&named.name)?;
    let fit = fit(evidence, series, span)?;
    let unit = &series.unit;
    let (length, tau) = (span.t1 - span.t0, fit.tau.value);
    let until = (span.t0 + AHEAD * tau).clamp(span.t1, span.t1 + AHEAD_MOST * length);
    let time = Range::new(span.t0, until)?;
    let shown = series.within(span.t0, span.t1);
    let measured: Vec<f64> = series.v[shown.clone()].iter().map(|v| unit.from_si(*v)).collect();
    let curve = |from: f64, to: f64| -> (Vec<f64>, Vec<f64>) {
        let t = (0..=POINTS).map(|i| from + (to - from) * i as f64 / POINTS as f64);
        t.map(|t| (t, unit.from_si(fit.end.value + fit.change * (-(t - span.t0) / tau).exp()))).unzip()
    };
    let (fitted, ahead) = (curve(span.t0, span.t1), curve(span.t1, until));
    let ends = [-2.0, 0.0, 2.0].map(|k| unit.from_si(fit.end.value + k * fit.end.u));
    let drawn = measured.iter().chain(&fitted.1).chain(&ahead.1).chain(&ends).copied();
    let data = Range::around(drawn)?.at_least(5.0);
    let trips = levels(evidence, &[channel], unit, data);
    let range = with_levels(data, &trips)?;
    let flat = ([time.low, time.high], [ends[1]; 2]);
    let parts: [Part<'_>; 4] = [
        ("measured", 0, &series.t[shown], &measured),
        ("fit", 1, &fitted.0, &fitted.1),
        ("forecast", 2, &ahead.0, &ahead.1),
        ("end of the fit", 3, &flat.0, &flat.1),
    ];
    let unit_text = words::unit_text(unit);
    let lines = parts.map(|(name, pattern, t, v)| {
        let path = plot::line(Points { t, v, lost: &[], stands: false }, time, range, COLUMNS);
        Line { name: name.into(), unit: unit_text.clone(), pattern, path }
    });
    let told = told_parts(&parts, &trips, range);
    let panel = Panel {
        title: named.name.clone(),
        told: told_of(&named.name, &unit_text, time, &told),
        unit: unit_text,
        low: range.low,
        high: range.high,
        log: false,
        ticks: plot::upright(range, 6),
        lines: lines.into(),
        shades: Vec::new(),
        levels: drawn_levels(trips, range),
        lost: String::new(),
    };
    Some(Figure {
        title: format!("Fit and forecast: {} over {}", named.name, span.name),
        unit: "s",
        t0: time.low,
        t1: time.high,
        about: about(unit, &fit),
        ticks: plot::across(time, 8),
        bands: super::charts::bands(std::iter::once(span), time),
        marks: Vec::new(),
        panels: vec![panel],
    })
}

fn about(unit: &Unit, fit: &Fit) -> String {
    let second = parse_unit("s").unwrap_or_else(|_| Unit::one());
    let tau = words::value_and_spread(&second, fit.tau.value, 2.0 * fit.tau.u);
    let end = words::value_and_spread(unit, fit.end.value, 2.0 * fit.end.u);
    let note = fit.end.note.as_ref().map_or_else(String::new, |note| format!(" {}", words::sentence(note)));
    format!("Ends at {end} with a time constant of {tau} (k = 2), if the load stays as it was.{note}")
}
