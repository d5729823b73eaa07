//! Response to one stroke of the demand: find the levels first, then what lies beyond and outside them
//! (the order of IEC 60469 / IEEE 181, from memory).

use super::numeric::{joined, line, mean, mean_uncertainty, noise, trend};
use super::window::{self, Window, channel, difference_text, refuse, samples, seconds, value_text};
use super::{Direction, Entry, Measured, Refusal, Subject, View, duration};
use crate::units::Kind;

pub(super) const OVERSHOOT: Entry = Entry {
    id: "overshoot",
    version: 1,
    about: "how far the response to one step or ramp goes beyond its settled end, in % of the amplitude between the levels \
            measured just before and at the end, the peak by a parabola through the largest sample and its \
            neighbours; uncertainty from noise, levels and drift (an offset and a gain error cancel); refuses spans \
            without a single change of demand, no steady level before it, an end that has not settled, too few samples, \
            a response that is not within a fifth of the demanded change, and an end more than a tenth of it beside the \
            demand (the channel's own uncertainty allowed for)",
    direction: Direction::LowerIsBetter,
    subject: Subject::Tracked,
    kind: |_| Kind::default(),
    needs_band: false,
    operands: &[],
    compute: overshoot,
};

pub(super) const SETTLING_TIME: Entry = Entry {
    id: "settling_time",
    version: 1,
    about: "time from the moment the demand reached its final value to the last exit of the band around the settled \
            end, linear between samples; uncertainty from how far the exit moves when the band does by the noise, and \
            from the moments; refuses as `overshoot` does, a band as wide as the demanded change, and where the last \
            exit is so late that the figure would only be a lower bound",
    kind: |_| duration(),
    needs_band: true,
    operands: &[],
    compute: settling_time,
    ..OVERSHOOT
};

/// Share of the time after the demand reached its final value that is taken as the settled end.
const END_SHARE: f64 = 0.25;
/// Fewest samples of the settled end.
const END_MIN: usize = 16;
/// Drift over the settled end that is refused, in parts of the demanded change, once it is also beyond
/// three of its own standard uncertainties.
const DRIFT_MAX: f64 = 0.01;
/// Standard deviation about the settled end that is refused, in parts of the demanded change.
const SWING_MAX: f64 = 0.1;
/// How far the response may be from the demanded change, in parts of it, to be an answer to it: a step half answered
/// neither overshoots nor leaves the band.
const ANSWER_OFF: f64 = 0.2;
/// How far the settled end may lie beside the demand, in parts of the demanded change, beyond what the channel's
/// own uncertainty explains.
const END_OFF: f64 = 0.1;
/// Longest stretch before the change that the level before it is taken from, seconds.
const BASE_LENGTH: f64 = 0.5;
/// Fewest samples of the level before the change.
const BASE_MIN: usize = 8;
/// Fewest samples from the change to the peak: with fewer a parabola does not stand for the curve.
const RISE_MIN: usize = 4;

/// One movement of the demand from one value to another, as told to the controller.
struct Stroke {
    from: f64,
    to: f64,
    /// When it first moved, seconds.
    start: f64,
    /// When it reached its final value, seconds.
    reached: f64,
    /// Since when it had stood before, seconds.
    stood_since: f64,
}

/// A level found in samples.
struct Level {
    value: f64,
    /// Type A with drift; an offset of the channel is left out, since only differences of levels are used.
    u: f64,
    n: usize,
}

/// The response after the change.
struct Response<'a> {
    stroke: Stroke,
    /// Samples from the first movement of the demand on.
    after: Window<'a>,
    base: Level,
    top: Level,
    /// From the one level to the other, positive the way of the demand.
    amplitude: f64,
    /// Begin of the settled end, seconds.
    end: f64,
    /// Standard deviation of the noise of one sample.
    noise: f64,
}

fn response<'a>(view: &View<'a>) -> Result<Response<'a>, Refusal> {
    let all = samples(view, END_MIN)?;
    let stroke = stroke(view, &all)?;
    let t1 = view.span.t1;
    let end = t1 - END_SHARE * (t1 - stroke.reached);
    let tail = all.part(end, t1);
    if tail.n() < END_MIN {
        return refuse(format!(
            "the demand reached its final value {} before the end of `{}`: {} samples of a settled end, at least {END_MIN} \
             are needed",
            seconds(t1 - stroke.reached),
            view.span.name,
            tail.n()
        ));
    }
    let top = settled(&tail, (stroke.to - stroke.from).abs())?;
    let base = base(view, &stroke)?;
    let amplitude = (stroke.to - stroke.from).signum() * (top.value - base.value);
    let noise = noise(tail.v);
    let response = Response { after: all.part(stroke.start, t1), base, top, amplitude, end, noise, stroke };
    answered(&response)?;
    Ok(response)
}

/// Refuses a response that is no answer to the change of demand: hardly above its noise, not as large as was asked
/// for, or settled somewhere else.
fn answered(response: &Response<'_>) -> Result<(), Refusal> {
    let Response { stroke, after, base, top, amplitude, noise, .. } = response;
    let (series, change) = (after.series, (stroke.to - stroke.from).abs());
    let (name, unit) = (&series.name, &series.unit);
    let u_amplitude = joined([base.u, top.u]);
    if *amplitude <= 5.0 * u_amplitude || *amplitude <= 5.0 * noise {
        return refuse(format!(
            "`{name}` went {} the way of the demand: too little against noise {} to be an amplitude",
            difference_text(unit, *amplitude),
            difference_text(unit, noise.max(u_amplitude))
        ));
    }
    if (amplitude - change).abs() > ANSWER_OFF * change {
        return refuse(format!(
            "`{name}` went {} where the demand went {}: it did not answer the change of demand, at most {:.0} % off may be",
            difference_text(unit, *amplitude),
            difference_text(unit, change),
            100.0 * ANSWER_OFF
        ));
    }
    let (off, most) = ((top.value - stroke.to).abs(), END_OFF * change + 2.0 * joined([top.u, series.u]));
    if off > most {
        return refuse(format!(
            "`{name}` settled at {}, {} beside the demand of {}: at most {} may be",
            value_text(unit, top.value),
            difference_text(unit, off),
            value_text(unit, stroke.to),
            difference_text(unit, most)
        ));
    }
    Ok(())
}

/// Finds the single movement of the demand in the span, or says why there is none.
fn stroke(view: &View<'_>, all: &Window<'_>) -> Result<Stroke, Refusal> {
    let (span, demand) = (view.span, window::demand(view, all.series)?);
    let first = demand.t.partition_point(|t| *t < span.t0);
    let last = demand.t.partition_point(|t| *t <= span.t1);
    let from = first.checked_sub(1).map_or(span.from, |i| demand.v[i]);
    let inside = first..last;
    let before = |i: usize| if i == first { from } else { demand.v[i - 1] };
    let changes: Vec<usize> = inside.filter(|i| demand.v[*i] != before(*i)).collect();
    let (Some(&start), Some(&reached), true) = (changes.first(), changes.last(), span.from != span.to) else {
        return refuse(format!(
            "demand `{}` does not go from one value to another in `{}`",
            demand.name, span.name
        ));
    };
    let to = demand.v[reached];
    let planned = (span.to - span.from).abs();
    if (to - span.to).abs() > 0.02 * planned {
        let unit = &demand.unit;
        return refuse(format!(
            "demand `{}` ended `{}` at {} instead of {}",
            demand.name,
            span.name,
            value_text(unit, to),
            value_text(unit, span.to)
        ));
    }
    // A move the other way or a rest in between is more than one stroke; a slow ramp may repeat a frame.
    let sign = (to - from).signum();
    let one_way = (start..=reached).all(|i| (demand.v[i] - before(i)) * sign >= 0.0);
    let longest = changes.windows(2).map(|w| demand.t[w[1]] - demand.t[w[0]]).fold(0.0, f64::max);
    let usual = (demand.t[reached] - demand.t[start]) / (changes.len() - 1).max(1) as f64;
    let few_with_rest = changes.len() <= 3 && reached - start + 1 > changes.len();
    if !one_way || few_with_rest || longest > 3.0 * usual {
        return refuse(format!(
            "demand `{}` moves in more than one stroke in `{}`: {} changes from {} to {}",
            demand.name,
            span.name,
            changes.len(),
            value_text(&demand.unit, from),
            value_text(&demand.unit, to)
        ));
    }
    // The demand had stood since its last change before; frames that repeat it do not count.
    let stood_since = (1..start).rev().find(|i| demand.v[*i] != demand.v[i - 1]).map_or(0, |i| i);
    let stood_since = if start == 0 { f64::INFINITY } else { demand.t[stood_since] };
    Ok(Stroke { from, to, start: demand.t[start], reached: demand.t[reached], stood_since })
}

/// The level of the settled end; refuses while it drifts beyond its noise or still swings.
fn settled(tail: &Window<'_>, amplitude: f64) -> Result<Level, Refusal> {
    let unit = &tail.series.unit;
    let (Some(trend), Some(fit)) = (trend(tail.t, tail.v, 0.0), line(tail.t, tail.v)) else {
        return refuse(format!(
            "no line fits the {} samples of the settled end of `{}`",
            tail.n(),
            tail.series.name
        ));
    };
    let length = tail.t[tail.n() - 1] - tail.t[0];
    let (drift, u_drift) = ((trend.slope * length).abs(), trend.u_slope * length);
    let explained = 3.0 * u_drift;
    if drift > DRIFT_MAX * amplitude && drift > explained {
        return refuse(format!(
            "`{}` has not settled: it still drifts by {} over the last {}, noise explains {}",
            tail.series.name,
            difference_text(unit, drift),
            seconds(length),
            difference_text(unit, explained)
        ));
    }
    if fit.residual > SWING_MAX * amplitude {
        return refuse(format!(
            "`{}` has not settled: over the last {} it scatters by {} (standard deviation) after a change of demand by {}",
            tail.series.name,
            seconds(length),
            difference_text(unit, fit.residual),
            difference_text(unit, amplitude)
        ));
    }
    // What is left of a drift may be the level's error: uniform over half of it either way.
    let u = joined([mean_uncertainty(tail.v), 0.5 * drift / 3.0_f64.sqrt()]);
    Ok(Level { value: mean(tail.v), u, n: tail.n() })
}

/// The level just before the change, from samples taken while the demand stood.
fn base(view: &View<'_>, stroke: &Stroke) -> Result<Level, Refusal> {
    let series = channel(view)?;
    let from = (stroke.start - BASE_LENGTH).max(stroke.stood_since);
    let start = series.t.partition_point(|t| *t < from);
    let end = series.t.partition_point(|t| *t < stroke.start);
    let values = series.v.get(start..end).unwrap_or(&[]);
    if values.len() < BASE_MIN {
        return refuse(format!(
            "no level before the change of demand: {} samples of `{}` while the demand stood before it, at least {BASE_MIN} \
             are needed",
            values.len(),
            series.name
        ));
    }
    let bad = values.iter().filter(|v| !v.is_finite()).count();
    if bad > 0 {
        let n = values.len();
        return refuse(format!(
            "{bad} of {n} samples of `{}` before the change of demand are not a number",
            series.name
        ));
    }
    let drift =
        line(&series.t[start..end], values).map_or(0.0, |fit| fit.slope * (stroke.start - from).abs());
    // What moves before the change is no level: half of its drift either way, uniform.
    let u = joined([mean_uncertainty(values), 0.5 * drift / 3.0_f64.sqrt()]);
    Ok(Level { value: mean(values), u, n: values.len() })
}

fn overshoot(view: &View<'_>) -> Result<Measured, Refusal> {
    let response = response(view)?;
    let Response { stroke, after, base, top, amplitude, noise, .. } = &response;
    let sign = (stroke.to - stroke.from).signum();
    let heights: Vec<f64> = after.v.iter().map(|v| sign * (v - top.value)).collect();
    let largest = (0..heights.len()).max_by(|a, b| heights[*a].total_cmp(&heights[*b])).unwrap_or(0);
    let beyond = heights[largest] > 3.0 * noise;
    if beyond && largest + 1 < RISE_MIN {
        return refuse(format!(
            "the peak of `{}` comes {} samples after the change of demand, at least {RISE_MIN} are needed to see its shape",
            after.series.name,
            largest + 1
        ));
    }
    let peak = vertex(after.t, &heights, largest).max(0.0);
    let value = peak / amplitude;
    let rivals = heights.iter().filter(|h| **h >= heights[largest] - 2.0 * noise).count() as f64;
    let chosen = chosen(*noise, rivals);
    let u =
        joined([*noise, chosen, bend(&heights, largest), (1.0 + value) * top.u, value * base.u]) / amplitude;
    let note = (!beyond).then(|| "no larger than the noise of the settled end".to_string());
    Ok(Measured { value, u, n: base.n + after.n(), note })
}

/// Standard uncertainty from having taken the largest of n samples that noise could have put first: it is too
/// high by up to s sqrt(2 ln n), which is not corrected but taken as uniform.
fn chosen(noise: f64, rivals: f64) -> f64 {
    noise * (2.0 * rivals.ln()).sqrt() / 3.0_f64.sqrt()
}

/// Height of the parabola through sample `i` and its neighbours; the sample itself at either end.
fn vertex(t: &[f64], h: &[f64], i: usize) -> f64 {
    if i == 0 || i + 1 >= h.len() {
        return h[i];
    }
    let (a, b) = (t[i - 1] - t[i], t[i + 1] - t[i]);
    let (left, right) = ((h[i - 1] - h[i]) / a, (h[i + 1] - h[i]) / b);
    let curvature = (right - left) / (b - a);
    let slope = left - curvature * a;
    if curvature < 0.0 { h[i] - slope * slope / (4.0 * curvature) } else { h[i] }
}

/// Standard uncertainty of a parabola between its three points: h^3 f''' / (9 sqrt(3)) at most, the third
/// derivative from the third differences at hand, taken as uniform.
fn bend(h: &[f64], i: usize) -> f64 {
    let around = &h[i.saturating_sub(2)..(i + 3).min(h.len())];
    let third = around.windows(4).map(|w| (w[3] - 3.0 * w[2] + 3.0 * w[1] - w[0]).abs()).fold(0.0, f64::max);
    third / (9.0 * 3.0_f64.sqrt()) / 3.0_f64.sqrt()
}

fn settling_time(view: &View<'_>) -> Result<Measured, Refusal> {
    let Some(band) = view.band.filter(|b| b.is_finite() && *b > 0.0) else {
        return refuse("no band above zero is given to settle into");
    };
    let response = response(view)?;
    let Response { stroke, after, top, end, noise, .. } = &response;
    let unit = &after.series.unit;
    let change = (stroke.to - stroke.from).abs();
    if band >= change {
        return refuse(format!(
            "the band of ±{} is no narrower than the change of demand by {}: nothing could leave it",
            difference_text(unit, band),
            difference_text(unit, change)
        ));
    }
    let late = after.part(stroke.reached, view.span.t1);
    // Noise, level and the bend between samples move the edge of the band against the curve.
    let blur = joined([*noise, top.u, sag_between(&late, top.value, band)]);
    let exit = |band: f64| last_exit(&late, top.value, band).map_or(Some(stroke.reached), |exit| exit.t);
    let bound = |t: f64| {
        refuse(format!(
            "`{}` was still outside ±{} at {}, where it should have settled: the figure would only be a lower bound",
            late.series.name,
            difference_text(unit, band),
            seconds(t - stroke.reached)
        ))
    };
    let value = match exit(band) {
        None => return bound(view.span.t1),
        Some(t) if t > *end => return bound(t),
        Some(t) => t - stroke.reached,
    };
    let narrow = |blur: f64| (band > blur).then(|| exit(band - blur)).flatten().filter(|t| t <= end);
    let wide = |blur: f64| exit(band + blur).unwrap_or(stroke.reached);
    let Some(narrow) = narrow(blur) else {
        return refuse(format!(
            "the band of ±{} is too close to the noise of {} to tell the last exit of `{}`",
            difference_text(unit, band),
            difference_text(unit, blur),
            late.series.name
        ));
    };
    let at = stroke.reached + value;
    let moved = (narrow - at).max(at - wide(blur)).max(blur * dwell(&late, top.value, band));
    // Never seen outside: it may have been until the first sample.
    let unseen = if value > 0.0 { 0.0 } else { (late.t[0] - stroke.reached) / 3.0_f64.sqrt() };
    Ok(Measured { value, u: joined([moved, late.u_time(), unseen]), n: late.n() + top.n, note: None })
}

/// The last sample outside a band.
struct Exit {
    index: usize,
    /// When the line to the next sample crosses the edge; `None` if there is no next sample.
    t: Option<f64>,
}

/// Where the samples last left the band; `None` if they never were outside.
fn last_exit(late: &Window<'_>, level: f64, band: f64) -> Option<Exit> {
    let index = late.v.iter().rposition(|v| (v - level).abs() > band)?;
    let edge = level + band * (late.v[index] - level).signum();
    let t = late.v.get(index + 1).map(|next| {
        late.t[index] + (late.t[index + 1] - late.t[index]) * (edge - late.v[index]) / (next - late.v[index])
    });
    Some(Exit { index, t })
}

/// Seconds per unit of level at the last exit, from a line through six samples: two noisy neighbours alone may
/// look steeper than the curve is. Zero where the samples never left the band.
fn dwell(late: &Window<'_>, level: f64, band: f64) -> f64 {
    let Some(Exit { index: i, .. }) = last_exit(late, level, band) else { return 0.0 };
    let around = i.saturating_sub(2)..(i + 4).min(late.n());
    line(&late.t[around.clone()], &late.v[around]).map_or(0.0, |fit| 1.0 / fit.slope.abs())
}

/// Standard uncertainty of a straight line between the two samples at the last exit: h^2 f'' / 8 at most, the
/// second derivative from the second differences at hand, taken as uniform.
fn sag_between(late: &Window<'_>, level: f64, band: f64) -> f64 {
    let Some(Exit { index: i, .. }) = last_exit(late, level, band) else { return 0.0 };
    let around = &late.v[i.saturating_sub(1)..(i + 3).min(late.n())];
    let second = around.windows(3).map(|w| (w[2] - 2.0 * w[1] + w[0]).abs()).fold(0.0, f64::max);
    second / 8.0 / 3.0_f64.sqrt()
}

#[cfg(test)]
mod tests;
