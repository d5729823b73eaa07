//! Whether the resolver says where the rotor is: its sense, how often it turns, and how far it is off from where a
//! current along the field pulls the magnets.

use super::numeric::{deviation, joined, mean, mean_uncertainty, resolution, student_factor};
use super::operand::{Operand, Takes};
use super::window::{Window, demand, difference_text, refuse, samples};
use super::{Direction, Entry, Measured, Refusal, Subject, View};
use crate::columns::{DemandSeries, Span};
use crate::units::{Dim, Kind};
use std::f64::consts::{PI, TAU};

pub(super) const MEAN_LEVEL: Entry = Entry {
    id: "mean_level",
    version: 1,
    about: "mean of the samples; uncertainty from their scatter (neighbours resemble each other), the resolution and \
            the channel; refuses cut spans and missing samples",
    direction: Direction::Neither,
    subject: Subject::Channel,
    kind: |kind| kind,
    needs_band: false,
    operands: &[],
    compute: mean_level,
};

pub(super) const TURN_RATIO: Entry = Entry {
    id: "turn_ratio",
    version: 1,
    about: "how far an electrical angle goes on, with its sign, over how far it must when the shaft is turned through \
            `turned`, forward above zero, with as many `turn`s in a turn of the shaft: 1 if sense and pole pairs are \
            right, -1 if the sense is wrong; uncertainty from the ends given for `turned` (uniform) and the channel; \
            refuses cut spans, missing samples, a channel that is no electrical angle, steps between samples beyond a \
            third of a turn",
    kind: |_| Kind::default(),
    operands: &[
        Operand::needed("turned", Takes::Quantity, "how far the shaft is turned, one value or two ends"),
        Operand::needed("turn", Takes::Turn, "\"electrical\" for the pole pairs of the unit file"),
    ],
    compute: turn_ratio,
    ..MEAN_LEVEL
};

pub(super) const FOLLOW_SLOPE: Entry = Entry {
    id: "follow_slope",
    version: 1,
    about: "slope of an electrical angle over the angle that the field is told, by least squares: 1 if the rotor \
            follows and the resolver turns as the field does, -1 if it turns the other way round, 0 if it stays; \
            uncertainty from the largest residual over half of the way that the demand goes (uniform), which also \
            holds what the rotor hangs behind by friction; refuses cut spans, missing samples, a channel that is no \
            electrical angle, a demand that moves by less than a radian, steps between samples beyond a third of a turn",
    subject: Subject::Tracked,
    kind: |_| Kind::default(),
    compute: follow_slope,
    ..MEAN_LEVEL
};

pub(super) const ALIGNMENT_OFFSET: Entry = Entry {
    id: "alignment_offset",
    version: 1,
    about: "what an electrical angle reads beyond the angle that the field is told, at rest at positions approached \
            from below (the segment under `before`) and from above: the circular mean of each, and the middle of both, in \
            which the lag by friction cancels; uncertainty from the scatter of the positions (Student), half of half \
            the difference of the two approaches (uniform) and the channel; refuses cut spans, missing samples, fewer \
            than 6 positions of half a second either way, positions that do not agree (resultant below 0.95), a \
            channel that is no electrical angle",
    subject: Subject::Tracked,
    kind: Kind::difference,
    operands: &[Operand::needed("before", Takes::Segment, "the positions approached from the other side")],
    compute: alignment_offset,
    ..MEAN_LEVEL
};

/// Fewest samples of any of these.
const SAMPLES: usize = 20;
/// Fewest positions either way, and how long the field must rest at one, s.
const POSITIONS: usize = 6;
const REST: f64 = 0.5;
/// Length of the mean of unit vectors below which directions do not agree: 0.95 is a circular standard deviation of
/// sqrt(-2 ln 0.95) = 18 degrees (Mardia, textbook of directional statistics; from memory).
const AGREED: f64 = 0.95;
/// Step between samples beyond which it cannot be told which way round the angle went.
const STEP_MAX: f64 = TAU / 3.0;

fn mean_level(view: &View<'_>) -> Result<Measured, Refusal> {
    let all = samples(view, SAMPLES)?;
    let rounding = resolution(all.v).unwrap_or(all.series.u) / 12.0_f64.sqrt();
    let u = joined([mean_uncertainty(all.v), rounding / (all.n() as f64).sqrt(), all.series.u]);
    Ok(Measured { value: mean(all.v), u, n: all.n(), note: None })
}

/// An angle as it goes on, from its values within one turn.
fn unwrapped(all: &Window<'_>) -> Result<Vec<f64>, Refusal> {
    let angle = Dim { angle: 1, ..Dim::default() };
    if all.series.unit.kind.dim != angle || !all.series.unit.kind.electrical {
        let kind = all.series.unit.kind.name();
        return refuse(format!("`{}` is a {kind} and no electrical angle", all.series.name));
    }
    let mut angles = Vec::with_capacity(all.n());
    let mut at = all.v[0];
    angles.push(at);
    for pair in all.v.windows(2) {
        let step = wrapped(pair[1] - pair[0]);
        if step.is_nan() || step.abs() > STEP_MAX {
            return refuse(format!(
                "`{}` goes on by {} between two samples: it cannot be told which way round",
                all.series.name,
                difference_text(&all.series.unit, step)
            ));
        }
        at += step;
        angles.push(at);
    }
    Ok(angles)
}

/// An angle from -pi to pi.
fn wrapped(angle: f64) -> f64 {
    (angle + PI).rem_euclid(TAU) - PI
}

fn turn_ratio(view: &View<'_>) -> Result<Measured, Refusal> {
    let all = samples(view, SAMPLES)?;
    let angles = unwrapped(&all)?;
    let (turned, pairs) = (view.known("turned")?, view.known("turn")?.value);
    let wanted = turned.value * pairs;
    if wanted == 0.0 || !wanted.is_finite() {
        return refuse("`turned` is no way to go");
    }
    let gone = angles[angles.len() - 1] - angles[0];
    let value = gone / wanted;
    let u = joined([value * turned.u / turned.value, 2.0_f64.sqrt() * all.series.u / wanted]);
    Ok(Measured { value, u, n: all.n(), note: None })
}

fn follow_slope(view: &View<'_>) -> Result<Measured, Refusal> {
    let all = samples(view, SAMPLES)?;
    let angles = unwrapped(&all)?;
    let told = demand(view, all.series)?;
    let pairs: Vec<(f64, f64)> =
        all.t.iter().zip(&angles).filter_map(|(t, angle)| Some((told.at(*t)?, *angle))).collect();
    let (low, high) =
        pairs.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), (x, _)| (l.min(*x), h.max(*x)));
    let way = high - low;
    if way.is_nan() || way < 1.0 {
        return refuse(format!("demand `{}` hardly moves", told.name));
    }
    let n = pairs.len() as f64;
    let centre = pairs.iter().map(|(x, _)| x).sum::<f64>() / n;
    let level = pairs.iter().map(|(_, y)| y).sum::<f64>() / n;
    let squares: f64 = pairs.iter().map(|(x, _)| (x - centre).powi(2)).sum();
    let value = pairs.iter().map(|(x, y)| (x - centre) * (y - level)).sum::<f64>() / squares;
    let worst = pairs.iter().map(|(x, y)| (y - level - value * (x - centre)).abs()).fold(0.0, f64::max);
    let u = worst / (0.5 * way) / 3.0_f64.sqrt();
    Ok(Measured { value, u, n: pairs.len(), note: None })
}

/// Mean direction of angles and the length of the mean of their unit vectors.
fn direction(angles: &[f64]) -> (f64, f64) {
    let n = angles.len() as f64;
    let (s, c) = angles.iter().fold((0.0, 0.0), |(s, c), a| (s + a.sin(), c + a.cos()));
    (s.atan2(c), s.hypot(c) / n)
}

/// What the angle reads beyond the demand at each position, over the later half of the time at it.
fn positions(view: &View<'_>, span: &Span) -> Result<Vec<f64>, Refusal> {
    let all = samples(&View { span, ..*view }, SAMPLES)?;
    unwrapped(&all)?;
    let told = demand(&View { span, ..*view }, all.series)?;
    let mut found = Vec::new();
    for (t0, t1, at) in rests(told, span) {
        let late = all.part(0.5 * (t0 + t1), t1);
        let beyond: Vec<f64> = late.v.iter().map(|v| wrapped(v - at)).collect();
        if !beyond.is_empty() {
            found.push(direction(&beyond).0);
        }
    }
    if found.len() < POSITIONS {
        return refuse(format!(
            "the field rests at {} positions in `{}`, at least {POSITIONS} are needed",
            found.len(),
            span.name
        ));
    }
    Ok(found)
}

/// Where the demand stays the same for long enough: from, to, and its value.
fn rests(told: &DemandSeries, span: &Span) -> Vec<(f64, f64, f64)> {
    let mut found = Vec::new();
    let mut begin: Option<(f64, f64)> = None;
    for (t, v) in told.t.iter().zip(&told.v).filter(|(t, _)| **t >= span.t0 && **t <= span.t1) {
        match begin {
            Some((_, at)) if at == *v => {}
            _ => {
                found.extend(begin.map(|(t0, at)| (t0, *t, at)));
                begin = Some((*t, *v));
            }
        }
    }
    found.extend(begin.map(|(t0, at)| (t0, span.t1, at)));
    found.retain(|(t0, t1, _)| t1 - t0 >= REST);
    found
}

fn alignment_offset(view: &View<'_>) -> Result<Measured, Refusal> {
    let (one, other) = (positions(view, view.segment("before")?)?, positions(view, view.span)?);
    let ((up, r_up), (down, r_down)) = (direction(&one), direction(&other));
    let agreed = r_up.min(r_down);
    if agreed.is_nan() || agreed < AGREED {
        return refuse(format!(
            "the positions of `{}` do not agree with those of the field (resultant {agreed:.2}, at least {AGREED}): the \
             rotor does not follow, or the other way round",
            view.of
        ));
    }
    let lag = 0.5 * wrapped(up - down);
    let value = wrapped(down + lag);
    let scatter = |angles: &[f64], middle: f64| {
        let off: Vec<f64> = angles.iter().map(|a| wrapped(a - middle)).collect();
        let n = off.len() as f64;
        let wide = 0.5 * student_factor(super::numeric::TWO_SIGMA, n - 1.0);
        wide * deviation(&off) / n.sqrt()
    };
    let u_scatter = 0.5 * joined([scatter(&one, up), scatter(&other, down)]);
    let u = joined([u_scatter, 0.5 * lag.abs() / 3.0_f64.sqrt(), series_u(view)?]);
    let unit = &super::window::channel(view)?.unit;
    let note = Some(format!("{} of lag by friction either way", difference_text(unit, lag.abs())));
    Ok(Measured { value, u, n: one.len() + other.len(), note })
}

fn series_u(view: &View<'_>) -> Result<f64, Refusal> {
    Ok(super::window::channel(view)?.u)
}

#[cfg(test)]
mod tests;
