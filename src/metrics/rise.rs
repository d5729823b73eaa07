//! How fast a channel rises, with an uncertainty that neighbouring samples cannot talk small.

use super::numeric::{joined, resolution, trend};
use super::window::{Window, refuse, samples, seconds};
use super::{Direction, Entry, Measured, Refusal, Subject, View};
use crate::units::Kind;

pub(super) const RATE: Entry = Entry {
    id: "rise_rate",
    version: 1,
    about: "slope of a straight line through the span by generalised least squares, per second; uncertainty by Student with \
            residuals taken as a first-order autoregression, joined with resolution and moments (an offset cancels, a gain \
            error does not and is not known here); refuses cut spans, missing samples, fewer than 20 samples, and a \
            reading that never changes without a declared uncertainty",
    direction: Direction::LowerIsBetter,
    subject: Subject::Channel,
    kind: Kind::per_second,
    needs_band: false,
    operands: &[],
    compute: rate,
};

/// Fewest samples.
const RATE_MIN: usize = 20;

/// Effective samples below which the uncertainty is only rough itself.
const EFFECTIVE_MIN: f64 = 5.0;

fn rate(view: &View<'_>) -> Result<Measured, Refusal> {
    let samples = samples(view, RATE_MIN)?;
    let length = samples.t[samples.n() - 1] - samples.t[0];
    let step = step(&samples)?;
    let fitted = |white: f64| match trend(samples.t, samples.v, white) {
        Some(fit) => Ok(fit),
        None => refuse(format!(
            "no line fits `{}`: its {} samples span {}",
            view.of,
            samples.n(),
            seconds(length)
        )),
    };
    let fades = fades(fitted(0.0)?.innovation, step);
    // As far as noise blurs the steps, rounding is noise of its own in each sample (Sheppard's correction).
    let fit = fitted((1.0 - fades) * step * step / 12.0)?;
    // Errors within ±q/2 change a least-squares slope by 1.5 q/T at most: q/2 times the sum of the absolute
    // weights, 3/T. Taken as uniform, as far as noise does not blur the steps.
    let rounding = 1.5 * step / length / 3.0_f64.sqrt() * fades;
    // Independent errors of the moments are in the residuals; what the first and the last have apart is not.
    let shift = fit.slope * 2.0_f64.sqrt() * samples.u_time() / length;
    let note = (fit.n_effective < EFFECTIVE_MIN).then(|| {
        format!(
            "neighbouring samples are so alike that {} count for {:.1}: the uncertainty is rough",
            samples.n(),
            fit.n_effective
        )
    });
    Ok(Measured { value: fit.slope, u: joined([fit.u_slope, rounding, shift]), n: samples.n(), note })
}

/// The resolution of the reading.
fn step(samples: &Window<'_>) -> Result<f64, Refusal> {
    let series = samples.series;
    match resolution(samples.v) {
        Some(step) => Ok(step),
        // It never changed, so it cannot tell its resolution; the declared uncertainty bounds it.
        None if series.u > 0.0 => Ok(series.u * 12.0_f64.sqrt()),
        None => refuse(format!(
            "all {} samples of `{}` are the same and it declares no uncertainty: a rate cannot be told from a reading that \
             is stuck",
            samples.n(),
            series.name
        )),
    }
}

/// How much of the rounding error is left in the mean of readings that noise of standard deviation s spreads
/// over steps of q: exp(-2 pi^2 s^2 / q^2), the first harmonic of the rounding error under a normal distribution.
pub(super) fn fades(innovation: f64, step: f64) -> f64 {
    // The innovation holds the rounding's own scatter q^2 / 12.
    let blur = (innovation.powi(2) / (step * step) - 1.0 / 12.0).max(0.0);
    (-2.0 * std::f64::consts::PI.powi(2) * blur).exp()
}

#[cfg(test)]
mod tests;
