//! How one channel follows another, such as the speed what the pedal asks for.

use super::numeric::{correlation, joined, lag1, mean, noise, sum};
use super::operand::{Operand, Takes};
use super::window::{Window, other, refuse, samples, seconds};
use super::{Direction, Entry, Measured, Refusal, Subject, View, duration};
use crate::units::Kind;

/// Fewest samples of either channel.
const FOLLOW_MIN: usize = 50;

/// Largest lag that is looked for, as a share of the span.
const LAG_SHARE: f64 = 0.2;

/// Steps in which the lag is first looked for.
const STEPS: usize = 400;

/// Share of the variance that following must explain: less is not following.
const EXPLAINED: f64 = 0.8;

pub(super) const RMS: Entry = Entry {
    id: "follow_rms",
    version: 1,
    about: "root mean square over the span of channel minus the one under `with`, told at the same moments by straight \
            lines between samples; uncertainty from both channels, their noise, and a shift of their moments against \
            each other; refuses cut spans, missing samples, and fewer than 50",
    direction: Direction::LowerIsBetter,
    subject: Subject::Channel,
    kind: Kind::difference,
    needs_band: false,
    operands: &[Operand::needed("with", Takes::Channel(|of| of), "the channel that is followed")],
    compute: rms,
};

pub(super) const LAG: Entry = Entry {
    id: "follow_lag",
    about: "how much later the channel does what the one under `with` did: the shift, up to a fifth of the span, that \
            leaves the least squares between the two; uncertainty from what is left (as a first-order autoregression) \
            over how fast they moved, and from both channels' moments; refuses cut spans, missing samples, fewer than \
            50, a shift at the end of what is looked for, and a channel that does not follow (less than 80 % of its \
            variance explained)",
    kind: |_| duration(),
    compute: lag,
    ..RMS
};

fn both<'a>(view: &View<'a>) -> Result<(Window<'a>, Window<'a>), Refusal> {
    Ok((samples(view, FOLLOW_MIN)?, other(view, "with", FOLLOW_MIN)?))
}

/// Differences of the channel from the other `late` s earlier, and how fast the other then moved.
fn differences(of: &Window<'_>, with: &Window<'_>, late: f64) -> (Vec<f64>, Vec<f64>) {
    let (first, last) = (with.t[0], with.t[with.n() - 1]);
    let mut found = (Vec::new(), Vec::new());
    for (t, v) in of.t.iter().zip(of.v) {
        if let Some(other) = with.at(t - late) {
            let (a, b) = ((t - late - 0.02).max(first), (t - late + 0.02).min(last));
            let slope = match (with.at(a), with.at(b)) {
                (Some(va), Some(vb)) if b > a => (vb - va) / (b - a),
                _ => 0.0,
            };
            found.0.push(v - other);
            found.1.push(slope);
        }
    }
    found
}

/// As `tracking_rms`, against a channel: an offset common to all samples enters twice the mean and, near a mean of zero, by
/// its own square; a shift of the moments by the products with the slope; noise averages out.
fn rms(view: &View<'_>) -> Result<Measured, Refusal> {
    let (of, with) = both(view)?;
    let (e, slope) = differences(&of, &with, 0.0);
    let n = e.len() as f64;
    if e.len() < FOLLOW_MIN {
        return refuse(format!("the two channels are known together at {} moments", e.len()));
    }
    let rms = (sum(e.iter().map(|e| e * e)) / n).sqrt();
    let u = joined([of.series.u, with.series.u]);
    if rms == 0.0 {
        return Ok(Measured { value: 0.0, u, n: e.len(), note: None });
    }
    let s = noise(&e);
    let offset = joined([2.0 * mean(&e) * u, 2.0_f64.sqrt() * u * u]);
    let shift =
        2.0 / n * sum(e.iter().zip(&slope).map(|(e, d)| e * d)) * joined([of.u_time(), with.u_time()]);
    let scatter = 2.0 * s / n.sqrt() * joined([rms, s / 2.0_f64.sqrt()]);
    Ok(Measured { value: rms, u: joined([offset, shift, scatter]) / (2.0 * rms), n: e.len(), note: None })
}

fn lag(view: &View<'_>) -> Result<Measured, Refusal> {
    let (of, with) = both(view)?;
    let most = LAG_SHARE * (view.span.t1 - view.span.t0);
    // The same samples for every shift: those that even the largest leaves something to be held against.
    let begin = with.t[0] + most;
    let of = of.part(begin, f64::INFINITY);
    let left = |late: f64| {
        let (e, _) = differences(&of, &with, late);
        sum(e.iter().map(|e| e * e)) / e.len().max(1) as f64
    };
    let step = most / STEPS as f64;
    let squares: Vec<f64> = (0..=STEPS).map(|i| left(i as f64 * step)).collect();
    let best = (0..=STEPS).min_by(|a, b| squares[*a].total_cmp(&squares[*b])).unwrap_or(0);
    if best == STEPS {
        return refuse(format!("the shift is longer than {}, a fifth of the span", seconds(most)));
    }
    let late = narrowed(&left, (best as f64 - 1.0).max(0.0) * step, (best as f64 + 1.0) * step);
    let (e, slope) = differences(&of, &with, late);
    let n = e.len() as f64;
    let centre = mean(of.v);
    let spread = sum(of.v.iter().map(|v| (v - centre).powi(2))) / of.n().max(1) as f64;
    let rest = sum(e.iter().map(|e| e * e)) / n.max(1.0);
    if e.len() < FOLLOW_MIN || rest > (1.0 - EXPLAINED) * spread {
        let share = if spread > 0.0 { 100.0 * (1.0 - rest / spread).max(0.0) } else { 0.0 };
        return refuse(format!(
            "`{}` does not follow `{}`: {share:.0} % of its variance is explained, at least {:.0} % are needed",
            of.series.name,
            with.series.name,
            100.0 * EXPLAINED
        ));
    }
    let rho = correlation(lag1(&e), 1.0, n);
    let moved = sum(slope.iter().map(|d| d * d));
    let fit = (rest / moved * (1.0 + rho) / (1.0 - rho)).sqrt();
    let u = joined([fit, of.u_time(), with.u_time()]);
    Ok(Measured { value: late, u, n: e.len(), note: None })
}

/// The least of a function with one valley between two ends, by thirds.
fn narrowed(f: &dyn Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    for _ in 0..40 {
        let (a, b) = (low + (high - low) / 3.0, high - (high - low) / 3.0);
        if f(a) < f(b) { high = b } else { low = a }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests;
