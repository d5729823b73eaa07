//! Where a temperature is going and how fast: one exponential fitted through the record, and beside it the
//! three-point rule, which uses the record in another way.

use super::fit::{correlated_squares, solve};
use super::numeric::{joined, line, mean, mean_uncertainty, noise, resolution, trend};
use super::rise::fades;
use super::window::{Window, difference_text, refuse, samples, seconds, value_text};
use super::{Direction, Entry, Measured, Refusal, Subject, View, duration};

pub(super) const TIME_CONSTANT: Entry = Entry {
    id: "time_constant",
    version: 2,
    about: "time constant of final + (first - final) exp(-t / tau) fitted to the span by nonlinear least squares \
            (Levenberg and Marquardt) with residuals taken as a first-order autoregression; uncertainty by Student \
            from the linearised fit, joined with resolution; where the second half of the span alone gives another \
            tau, the mean of both and from half their difference either way (uniform); says what the three-point rule gives, and where what is \
            left beside the curve wanders, so that one exponential hardly describes the record; refuses cut spans, \
            missing samples, fewer than 30 samples, a change within the noise, a record shorter than one time \
            constant, a tau known to less than a half, and a record whose second half forecasts an end that differs \
            by more than a twentieth of the change: it is no single exponential",
    direction: Direction::Neither,
    kind: |_| duration(),
    compute: |view| Ok(fitted(view)?.time_constant()),
    ..FINAL
};

pub(super) const FINAL: Entry = Entry {
    id: "final_temperature",
    version: 2,
    about: "where the exponential of `time_constant` ends, with the channel's own uncertainty joined to that of the \
            fit and, where the second half of the span alone ends elsewhere, three times the difference: U holds what \
            a part of the body adds that is as slow as the span is long; a forecast, if the load stays, that does \
            not see what is still slower; refuses as `time_constant` does",
    direction: Direction::LowerIsBetter,
    subject: Subject::Channel,
    kind: |of| of,
    needs_band: false,
    operands: &[],
    compute: |view| Ok(fitted(view)?.end()),
};

pub(super) const TIME_CONSTANT_THREE_POINT: Entry = Entry {
    id: "time_constant_three_point",
    version: 2,
    about: "time constant from three levels equally far apart, D / ln((y2 - y1) / (y3 - y2)), each level that of a \
            line through a fifth of the span (an equal stretch of an exponential changes each level in the same \
            ratio, so that no bias is left); uncertainty from the levels by their partial derivatives, and from the \
            second half of the span as `time_constant`; refuses as that does, and levels that do not bend towards an end",
    direction: Direction::Neither,
    kind: |_| duration(),
    compute: |view| Ok(by_three_points(view)?.time_constant()),
    ..FINAL
};

pub(super) const FINAL_THREE_POINT: Entry = Entry {
    id: "final_temperature_three_point",
    version: 2,
    about: "where the exponential through the three levels of `time_constant_three_point` ends, (y2^2 - y1 y3) / (2 \
            y2 - y1 - y3); uncertainty from the levels, the channel, and the second half of the span as \
            `final_temperature`; refuses as `time_constant_three_point` does",
    compute: |view| Ok(by_three_points(view)?.end()),
    ..FINAL
};

/// Fewest samples.
const SAMPLES: usize = 30;
/// Part of the span that each of the three levels is taken from.
const LEVEL_SHARE: f64 = 0.2;
/// Change from the first to the last tenth, in standard deviations of the noise, below which there is nothing to fit.
const CHANGE_MIN: f64 = 10.0;
/// Correlation of neighbours beyond which what is left beside the curve is hardly noise.
const WANDERS: f64 = 0.95;
/// Largest relative uncertainty of a time constant that is worth saying.
const TAU_DOUBT: f64 = 0.5;

/// Standard uncertainties of the second half alone beyond which its end or tau is another than that of the whole.
const APART: f64 = 3.0;
/// How many times the difference of the two ends is a standard uncertainty of the forecast. 2u then holds what a part of the
/// body adds whose time constant is up to the length of the record: by sums of two exponentials the fit falls short by 2.3
/// to 4.2 times the difference, the three-point rule by up to 5 times.
const FORECAST: f64 = 3.0;
/// Largest difference of the two ends, in parts of the change from the first value to the end: beyond that the record tells
/// no end.
const MISFIT_MAX: f64 = 0.05;

/// What both ways give.
struct Exponential {
    tau: f64,
    u_tau: f64,
    /// Value of the curve at the first sample.
    first: f64,
    end: f64,
    /// Without the channel's own uncertainty.
    u_end: f64,
    n: usize,
    note: Option<String>,
}

impl Exponential {
    fn time_constant(self) -> Measured {
        Measured { value: self.tau, u: self.u_tau, n: self.n, note: self.note }
    }

    fn end(self) -> Measured {
        Measured { value: self.end, u: self.u_end, n: self.n, note: self.note }
    }

    /// Value at `t` seconds after the first sample.
    fn at(&self, t: f64) -> f64 {
        self.end + (self.first - self.end) * (-t / self.tau).exp()
    }
}

/// Holds the curve against what the second half of the record alone gives `by` the same way: a body with a slow part
/// beside a quick one looks like one exponential over a short record, but goes on after it. What the two have apart
/// joins the uncertainty; so does the channel's own.
fn tried(
    window: &Window<'_>,
    mut whole: Exponential,
    by: impl Fn(&Window<'_>) -> Option<Exponential>,
) -> Result<Exponential, Refusal> {
    let (begin, stop, unit) = (window.t[0], window.t[window.n() - 1], &window.series.unit);
    let late = window.part(0.5 * (begin + stop), stop);
    let apart = |a: f64, b: f64, u: f64| if (a - b).abs() > APART * u { (a - b).abs() } else { 0.0 };
    let most = MISFIT_MAX * (whole.end - whole.first).abs();
    let (ends, taus) = match by(&late).filter(|half| half.u_end <= most) {
        Some(half) => (apart(whole.end, half.end, half.u_end), half.tau - whole.tau),
        // It moves no more, or straight on: then it leaves the curve.
        None => {
            let left: Vec<f64> = late.t.iter().zip(late.v).map(|(t, v)| v - whole.at(t - begin)).collect();
            let step = resolution(window.v).unwrap_or(0.0);
            let leaves = trend(late.t, &left, 0.0)
                .is_none_or(|fit| fit.slope.abs() > APART * fit.u_slope + step / (stop - late.t[0]));
            if leaves {
                return refuse(format!(
                    "the second half of the record of `{}` leaves the exponential and has no end of its own",
                    window.series.name
                ));
            }
            (0.0, 0.0)
        }
    };
    if ends > most {
        return refuse(format!(
            "`{}` is no single exponential: its end by the second half alone is {} from that by the whole ({}), at most {} \
             may be",
            window.series.name,
            difference_text(unit, ends),
            value_text(unit, whole.end),
            difference_text(unit, most)
        ));
    }
    if ends > 0.0 {
        whole.tau += 0.5 * taus;
        whole.u_tau = joined([whole.u_tau, taus / 12.0_f64.sqrt()]);
    }
    whole.u_end = joined([whole.u_end, FORECAST * ends, window.series.u]);
    Ok(whole)
}

/// The samples, if something moves in them.
fn record<'a>(view: &View<'a>) -> Result<Window<'a>, Refusal> {
    let window = samples(view, SAMPLES)?;
    let tenth = window.n() / 10;
    let (first, last) = (mean(&window.v[..tenth]), mean(&window.v[window.n() - tenth..]));
    let (change, least) = ((last - first).abs(), CHANGE_MIN * noise(window.v));
    if change.is_nan() || change <= least {
        let unit = &window.series.unit;
        return refuse(format!(
            "`{}` changes by {} over `{}`: more than {} is needed against its noise",
            view.of,
            difference_text(unit, change),
            view.span.name,
            difference_text(unit, least)
        ));
    }
    Ok(window)
}

/// final + change exp(-k x) with the logarithm of k as third parameter, so that k stays positive.
fn curve(p: &[f64; 3], x: f64) -> (f64, [f64; 3]) {
    let k = p[2].exp();
    let left = (-k * x).exp();
    (p[0] + p[1] * left, [1.0, left, -p[1] * k * x * left])
}

fn fitted(view: &View<'_>) -> Result<Exponential, Refusal> {
    let window = record(view)?;
    let Some((found, wanders)) = fit(&window) else {
        return refuse(format!(
            "no exponential fits `{}` over `{}`: the fit does not arrive",
            view.of, view.span.name
        ));
    };
    long_enough(&window, found.tau)?;
    let mut found = tried(&window, found, |late| fit(late).map(|(half, _)| half))?;
    if found.u_tau.is_nan() || found.u_tau > TAU_DOUBT * found.tau {
        return refuse(format!(
            "the time constant of `{}` is {} with a standard uncertainty of {}: the record does not tell it",
            view.of,
            seconds(found.tau),
            seconds(found.u_tau)
        ));
    }
    let rule = match three_point(&window) {
        Ok(rule) => format!(
            "the three-point rule gives {} and {}",
            seconds(rule.tau),
            value_text(&window.series.unit, rule.end)
        ),
        Err(_) => "the three-point rule gives nothing".into(),
    };
    found.note = Some(match wanders {
        true => format!("what is left beside the curve wanders, so it is hardly one exponential; {rule}"),
        false => rule,
    });
    Ok(found)
}

/// Refuses a record shorter than one time constant.
fn long_enough(window: &Window<'_>, tau: f64) -> Result<(), Refusal> {
    let length = window.t[window.n() - 1] - window.t[0];
    if length < tau {
        return refuse(format!(
            "the record of `{}` is {} long and the time constant about {}: at least one time constant is needed",
            window.series.name,
            seconds(length),
            seconds(tau)
        ));
    }
    Ok(())
}

/// The exponential by least squares, and whether what is left beside it wanders; `None` where the fit does not arrive.
fn fit(window: &Window<'_>) -> Option<(Exponential, bool)> {
    let (t0, length) = (*window.t.first()?, window.t[window.n() - 1] - window.t[0]);
    let x: Vec<f64> = window.t.iter().map(|t| (t - t0) / length).collect();
    // Values about the first one: a small change on 300 K keeps its digits.
    let base = window.v[0];
    let y: Vec<f64> = window.v.iter().map(|v| v - base).collect();
    let step = resolution(window.v).unwrap_or(0.0);
    let fit = |white: f64| start(&x, &y).and_then(|start| correlated_squares(&x, &y, start, &curve, white));
    let left = fit(0.0).map_or(0.0, |f| if step > 0.0 { fades(f.innovation, step) } else { 0.0 });
    let found = fit((1.0 - left) * step * step / 12.0).filter(|f| f.fit.p[2].is_finite())?;
    let (p, covariance) = (&found.fit.p, &found.fit.covariance);
    let (tau, rounding) = (length / p[2].exp(), left * step / 12.0_f64.sqrt());
    // What rounding leaves shifts the level by that much, and bends the curve by as much of its height.
    let u_tau = tau * joined([covariance[2][2].sqrt(), 2.0 * rounding / p[1].abs()]);
    let u_end = joined([covariance[0][0].sqrt(), rounding]);
    let (first, end) = (base + p[0] + p[1], base + p[0]);
    Some((Exponential { tau, u_tau, first, end, u_end, n: window.n(), note: None }, found.rho > WANDERS))
}

/// The best of a grid of rate constants, the other two parameters by linear least squares.
fn start(x: &[f64], y: &[f64]) -> Option<[f64; 3]> {
    let grid = (0..40).map(|i| 0.05 * 1.25_f64.powi(i));
    let tried = grid.filter_map(|k| {
        let left: Vec<f64> = x.iter().map(|x| (-k * x).exp()).collect();
        let (n, s): (f64, f64) = (x.len() as f64, left.iter().sum());
        let (ss, sy) = (left.iter().map(|l| l * l).sum(), left.iter().zip(y).map(|(l, y)| l * y).sum());
        let p: [f64; 2] = solve([[n, s], [s, ss]], [y.iter().sum(), sy])?;
        let squares: f64 = left.iter().zip(y).map(|(l, y)| (y - p[0] - p[1] * l).powi(2)).sum();
        Some((squares, [p[0], p[1], k.ln()]))
    });
    tried.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, p)| p)
}

/// Level of a line at the middle of a fifth of the record about `centre`.
fn level(window: &Window<'_>, centre: f64) -> Option<f64> {
    let part = fifth(window, centre);
    line(part.t, part.v).map(|fit| fit.at(centre))
}

/// The fifth of the record about `centre`.
fn fifth<'a>(window: &Window<'a>, centre: f64) -> Window<'a> {
    let half = 0.5 * LEVEL_SHARE * (window.t[window.n() - 1] - window.t[0]) * (1.0 + 1e-9);
    window.part(centre - half, centre + half)
}

fn by_three_points(view: &View<'_>) -> Result<Exponential, Refusal> {
    let window = record(view)?;
    let found = three_point(&window)?;
    long_enough(&window, found.tau)?;
    tried(&window, found, |late| three_point(late).ok())
}

/// tau = D / ln(1/q) and end = y3 + (y3 - y2) q / (1 - q), with q = (y3 - y2) / (y2 - y1), the levels being D apart.
fn three_point(window: &Window<'_>) -> Result<Exponential, Refusal> {
    let (begin, stop) = (window.t[0], window.t[window.n() - 1]);
    let half = 0.5 * LEVEL_SHARE * (stop - begin);
    let apart = 0.5 * (stop - begin) - half;
    let centres = [begin + half, begin + half + apart, begin + half + 2.0 * apart];
    let [Some(y1), Some(y2), Some(y3)] = centres.map(|t| level(window, t)) else {
        return refuse("no line fits each fifth: the samples are too far apart");
    };
    let (first, second) = (y2 - y1, y3 - y2);
    let q = second / first;
    let unit = &window.series.unit;
    let straight = || {
        refuse(format!(
            "`{}` changes by {} and then by {} in equal times: that does not bend towards an end",
            window.series.name,
            difference_text(unit, first),
            difference_text(unit, second)
        ))
    };
    if !(q > 0.0 && q < 1.0) {
        return straight();
    }
    let tau = -apart / q.ln();
    let end = y3 + second * q / (1.0 - q);
    // What is left of the record beside the curve makes each level uncertain, noise and misfit alike.
    // A level is that of a line: above the curve at the middle, in the same ratio for each.
    let fades = |t: &f64| (-(t - centres[0]) / tau).exp();
    let part = fifth(window, centres[0]);
    let ratio =
        line(part.t, &part.t.iter().map(fades).collect::<Vec<_>>()).map_or(1.0, |fit| fit.at(centres[0]));
    let there = |t: f64| end + (y1 - end) / ratio * fades(&t);
    // One scatter and one correlation for all three: a fifth alone would tell neither.
    let left: Vec<f64> = centres
        .iter()
        .flat_map(|centre| {
            let part = fifth(window, *centre);
            part.t.iter().zip(part.v).map(|(t, v)| v - there(*t)).collect::<Vec<_>>()
        })
        .collect();
    let u = 3.0_f64.sqrt() * mean_uncertainty(&left);
    // dq of each level.
    let dq = [q / first, -(1.0 + q) / first, 1.0 / first];
    let u_q = u * joined(dq);
    if !(q > 2.0 * u_q && q < 1.0 - 2.0 * u_q) {
        return straight();
    }
    // tau by q is tau / (q ln(1/q)); end by q is second / (1 - q)^2, by y2 and y3 directly -q / (1 - q) and 1 + q / (1 - q).
    let by_q = second / (1.0 - q).powi(2);
    let direct = [0.0, -q / (1.0 - q), 1.0 + q / (1.0 - q)];
    let by = |i: usize| by_q * dq[i] + direct[i];
    let u_end = joined([by(0) * u, by(1) * u, by(2) * u]);
    let u_tau = tau / (q * -q.ln()) * u_q;
    Ok(Exponential { tau, u_tau, first: there(begin), end, u_end, n: window.n(), note: None })
}

#[cfg(test)]
mod tests;
