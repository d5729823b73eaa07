//! What every metric of a channel asks first: are the samples of the span whole enough to speak of?

use super::numeric::{median, resolution};
use super::{Refusal, View};
use crate::columns::{DemandSeries, Series, Span};
use crate::units::{Unit, number_text, rounded_text};

/// Largest share of the samples asked for that may be missing.
const MISSING_MAX: f64 = 0.05;
/// Share of the slots for which the line may have had no room: they are missing evenly, as from a slower poll, and with more of
/// them it is not the poll any more that the suite relies on.
const MISSED_MAX: f64 = 0.25;

/// Largest part of the span that may pass without a sample, where samples usually come much closer.
const GAP_MAX: f64 = 0.1;

/// Fewest values under which the spread of something is spoken of.
pub const SAMPLES_MIN: usize = 10;

/// The samples of a channel inside a span: at least as many as asked for, all finite, few missing.
#[derive(Debug, Clone, Copy)]
pub struct Window<'a> {
    /// The channel.
    pub series: &'a Series,
    /// Moments, seconds.
    pub t: &'a [f64],
    /// Standard uncertainty of each moment, seconds.
    pub u_t: &'a [f64],
    /// Values, SI.
    pub v: &'a [f64],
}

impl<'a> Window<'a> {
    /// The samples within `t0..=t1`; no more checks than the whole window has passed.
    pub fn part(&self, t0: f64, t1: f64) -> Window<'a> {
        let start = self.t.partition_point(|t| *t < t0);
        let end = self.t.partition_point(|t| *t <= t1).max(start);
        Window {
            series: self.series,
            t: &self.t[start..end],
            u_t: &self.u_t[start..end],
            v: &self.v[start..end],
        }
    }

    /// Largest standard uncertainty of a moment, seconds.
    pub fn u_time(&self) -> f64 {
        self.u_t.iter().copied().fold(0.0, f64::max)
    }

    /// Value at `t`, linear between samples; `None` before the first and after the last.
    pub fn at(&self, t: f64) -> Option<f64> {
        let next = self.t.partition_point(|x| *x < t);
        let (t1, v1) = (*self.t.get(next)?, self.v[next]);
        if t1 == t {
            return Some(v1);
        }
        let (t0, v0) = (self.t[next.checked_sub(1)?], self.v[next - 1]);
        Some(v0 + (v1 - v0) * (t - t0) / (t1 - t0))
    }

    /// Number of samples.
    pub fn n(&self) -> usize {
        self.t.len()
    }
}

/// Standard uncertainty of one value from rounding to the reading's resolution, uniform. A reading that never changed
/// cannot tell its resolution: the channel's declared uncertainty bounds it.
pub fn rounding(window: &Window<'_>) -> f64 {
    resolution(window.v).unwrap_or(window.series.u) / 12.0_f64.sqrt()
}

/// A refusal.
pub fn refuse<T>(why: impl Into<String>) -> Result<T, Refusal> {
    Err(Refusal { why: why.into() })
}

/// The channel of the view, with its declared uncertainty usable.
pub fn channel<'a>(view: &View<'a>) -> Result<&'a Series, Refusal> {
    let Some(series) = view.columns.series(view.of) else {
        return refuse(format!("channel `{}` is not in the record", view.of));
    };
    if !series.u.is_finite() || series.u < 0.0 {
        return refuse(format!("channel `{}` declares no usable uncertainty: {}", view.of, series.u));
    }
    if series.t.len() != series.v.len() || series.t.len() != series.u_t.len() {
        let (t, u_t, v) = (series.t.len(), series.u_t.len(), series.v.len());
        return refuse(format!(
            "channel `{}` has {t} moments, {u_t} uncertainties of them and {v} values",
            view.of
        ));
    }
    Ok(series)
}

/// The samples of the view's channel inside its span. Refuses a span that was cut, fewer than `least`
/// samples, any sample that is not a finite number, more than 5 % missing, more than a quarter of the slots missed, moments
/// that run backwards, and a stretch without samples of more than a tenth of the span.
pub fn samples<'a>(view: &View<'a>, least: usize) -> Result<Window<'a>, Refusal> {
    whole(view.span)?;
    let series = channel(view)?;
    window(series, view.span, view.span.t0, least)
}

/// As [`samples`], of the channel named under `key`.
pub fn other<'a>(view: &View<'a>, key: &str, least: usize) -> Result<Window<'a>, Refusal> {
    let view = View { of: view.name(key)?, ..*view };
    samples(&view, least)
}

/// Moments of `a` at which `b` can be told too, with both values.
pub fn paired(a: &Window<'_>, b: &Window<'_>) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
    let (mut t, mut left, mut right) = (vec![], vec![], vec![]);
    for (at, v) in a.t.iter().zip(a.v) {
        if let Some(other) = b.at(*at) {
            t.push(*at);
            left.push(*v);
            right.push(other);
        }
    }
    (t, left, right)
}

/// As [`samples`], for the part of the span from `t0` on.
pub fn window<'a>(series: &'a Series, span: &Span, t0: f64, least: usize) -> Result<Window<'a>, Refusal> {
    let (name, t1) = (&series.name, span.t1);
    let range = series.within(t0, t1);
    let n = range.len();
    let lost = series.lost_within(t0, t1);
    if n < least {
        return refuse(format!(
            "too few samples of `{name}` in `{}`: {n}, at least {least} are needed",
            span.name
        ));
    }
    let window =
        Window { series, t: &series.t[range.clone()], u_t: &series.u_t[range.clone()], v: &series.v[range] };
    let bad = window.v.iter().filter(|v| !v.is_finite()).count();
    if bad > 0 {
        return refuse(format!("{bad} of {n} samples of `{name}` in `{}` are not a number", span.name));
    }
    if window.t.iter().chain(window.u_t).any(|t| !t.is_finite()) || window.u_t.iter().any(|u| *u < 0.0) {
        return refuse(format!(
            "a moment of `{name}` in `{}` or its uncertainty is not a usable number",
            span.name
        ));
    }
    if lost as f64 > MISSING_MAX * (n + lost) as f64 {
        return refuse(format!(
            "{lost} of {} samples of `{name}` in `{}` are missing, at most {} % may be",
            n + lost,
            span.name,
            number_text(100.0 * MISSING_MAX)
        ));
    }
    let missed = series.missed_within(t0, t1);
    let due = n + lost + missed;
    if missed as f64 > MISSED_MAX * due as f64 {
        return refuse(format!(
            "{missed} of {due} slots of `{name}` in `{}` were missed, at most {} % may be: the line has no room for its polls",
            span.name,
            number_text(100.0 * MISSED_MAX)
        ));
    }
    gaps(&window, span, t0)?;
    Ok(window)
}

fn gaps(window: &Window<'_>, span: &Span, t0: f64) -> Result<(), Refusal> {
    let moments: Vec<f64> = [t0].into_iter().chain(window.t.iter().copied()).chain([span.t1]).collect();
    let steps: Vec<f64> = moments.windows(2).map(|w| w[1] - w[0]).collect();
    if steps.iter().any(|d| *d < 0.0) {
        return refuse(format!("the moments of `{}` run backwards in `{}`", window.series.name, span.name));
    }
    let longest = steps.iter().copied().fold(0.0, f64::max);
    let length = span.t1 - t0;
    if longest > GAP_MAX * length && longest > 5.0 * median(&steps) {
        return refuse(format!(
            "no sample of `{}` for {} of the {} of `{}`",
            window.series.name,
            seconds(longest),
            seconds(length),
            span.name
        ));
    }
    Ok(())
}

/// Refuses a span that was cut or has no length.
pub fn whole(span: &Span) -> Result<(), Refusal> {
    // Written so that a NaN is refused as well.
    let long = span.t1 - span.t0 > 0.0;
    match (span.complete, long) {
        (true, true) => Ok(()),
        (false, _) => refuse(format!("`{}` was cut after {}", span.name, seconds(span.t1 - span.t0))),
        (true, false) => refuse(format!("`{}` has no length", span.name)),
    }
}

/// The demand of the view; refuses where there is none or where it cannot be held against the channel.
pub fn demand<'a>(view: &View<'a>, series: &Series) -> Result<&'a DemandSeries, Refusal> {
    let Some(demand) = view.columns.demands.iter().find(|d| d.name == view.against) else {
        return refuse(format!("demand `{}` is not in the record", view.against));
    };
    let (is, must) = (series.unit.kind, demand.unit.kind);
    if is != must {
        return refuse(format!(
            "`{}` is a {} and cannot be held against demand `{}`, a {}",
            series.name,
            is.name(),
            demand.name,
            must.name()
        ));
    }
    if demand.v.iter().any(|v| !v.is_finite()) {
        return refuse(format!("demand `{}` is not a number everywhere", demand.name));
    }
    Ok(demand)
}

/// A value in the unit that a person wants to read.
pub fn value_text(unit: &Unit, si: f64) -> String {
    with_unit(&rounded_text(unit, si, None), &unit.text)
}

/// A difference of two values in the unit that a person wants to read: kelvin for a temperature.
pub fn difference_text(unit: &Unit, si: f64) -> String {
    let plain = Unit { offset: 0.0, ..unit.clone() };
    let text = if unit.kind.absolute { "K" } else { &unit.text };
    with_unit(&rounded_text(&plain, si, None), text)
}

/// A length of time to the millisecond.
pub fn seconds(s: f64) -> String {
    format!("{s:.3} s")
}

fn with_unit(number: &str, unit: &str) -> String {
    if unit.is_empty() { number.into() } else { format!("{number} {unit}") }
}
