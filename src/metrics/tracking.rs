//! How well a channel follows its demand: channel minus what the controller had been told.

use super::numeric::{joined, mean, noise, sum};
use super::window::{SAMPLES_MIN, Window, demand, refuse, samples};
use super::{Direction, Entry, Measured, Refusal, Subject, View};
use crate::units::Kind;

pub(super) const RMS: Entry = Entry {
    id: "tracking_rms",
    version: 1,
    about: "root mean square over the span of channel minus the demand that stood at the sample's moment; \
            uncertainty from the channel (common to all samples), their noise and their moments; refuses cut spans, \
            missing samples, and moments before any demand",
    direction: Direction::LowerIsBetter,
    compute: rms,
    ..MEAN
};

pub(super) const MAX: Entry = Entry {
    id: "tracking_max",
    version: 1,
    about: "largest absolute difference between channel and the demand that stood at the sample's moment; \
            uncertainty from the channel, the noise of one sample and its moment; what happens between two \
            samples is not seen; refuses as `tracking_rms` does",
    direction: Direction::LowerIsBetter,
    compute: max,
    ..MEAN
};

pub(super) const MEAN: Entry = Entry {
    id: "tracking_mean",
    version: 1,
    about: "mean signed difference of channel minus the demand that stood at the sample's moment, positive where \
            the channel is above; uncertainty as for `tracking_rms`; refuses as `tracking_rms` does",
    direction: Direction::Neither,
    subject: Subject::Tracked,
    kind: Kind::difference,
    needs_band: false,
    operands: &[],
    compute: mean_signed,
};

/// Differences between channel and demand, and what makes them uncertain.
struct Errors<'a> {
    window: Window<'a>,
    e: Vec<f64>,
    noise: f64,
}

fn errors<'a>(view: &View<'a>) -> Result<Errors<'a>, Refusal> {
    let window = samples(view, SAMPLES_MIN)?;
    let demand = demand(view, window.series)?;
    let told: Vec<Option<f64>> = window.t.iter().map(|t| demand.at(*t)).collect();
    let before = told.iter().filter(|d| d.is_none()).count();
    if before > 0 {
        let n = window.n();
        return refuse(format!("no demand `{}` had been sent at {before} of {n} samples", demand.name));
    }
    let e = window.v.iter().zip(told.into_iter().flatten()).map(|(v, d)| v - d).collect();
    Ok(Errors { window, e, noise: noise(window.v) })
}

impl Errors<'_> {
    /// How fast the channel moves at each sample, from its neighbours: by it the uncertainty of a moment
    /// becomes one of the value.
    fn slope(&self, i: usize) -> f64 {
        let Window { t, v, .. } = self.window;
        let (a, b) = (i.saturating_sub(1), (i + 1).min(t.len() - 1));
        if t[b] > t[a] { (v[b] - v[a]) / (t[b] - t[a]) } else { 0.0 }
    }

    /// Standard uncertainty of the mean: the channel's own does not average out, a shift common to all
    /// moments enters by the mean slope, noise averages out.
    fn u_mean(&self) -> f64 {
        let Window { series, t, v, .. } = self.window;
        let last = t.len() - 1;
        let slope = if t[last] > t[0] { (v[last] - v[0]) / (t[last] - t[0]) } else { 0.0 };
        joined([series.u, slope * self.window.u_time(), self.noise / (t.len() as f64).sqrt()])
    }

    fn figure(&self, value: f64, u: f64) -> Result<Measured, Refusal> {
        Ok(Measured { value, u, n: self.window.n(), note: None })
    }
}

fn mean_signed(view: &View<'_>) -> Result<Measured, Refusal> {
    let errors = errors(view)?;
    errors.figure(mean(&errors.e), errors.u_mean())
}

/// rms^2 = variance + mean^2. An offset o of all samples changes it by 2 mean o + o^2, hence the second-order
/// term that keeps the uncertainty honest where the mean is near zero (GUM 5.1.2, note, for a normal o); a
/// common shift of the moments and the noise enter through the single errors.
fn rms(view: &View<'_>) -> Result<Measured, Refusal> {
    let errors = errors(view)?;
    let n = errors.e.len() as f64;
    let rms = (sum(errors.e.iter().map(|e| e * e)) / n).sqrt();
    let u = errors.window.series.u;
    if rms == 0.0 {
        return errors.figure(0.0, u);
    }
    let offset = joined([2.0 * mean(&errors.e) * u, 2.0_f64.sqrt() * u * u]);
    let shift = 2.0 / n * sum(errors.e.iter().enumerate().map(|(i, e)| e * errors.slope(i)));
    // Noise of variance s^2 in each of n errors: 2 e s / n each, and 2 s^4 / n for its own square.
    let scatter = 2.0 * errors.noise / n.sqrt() * joined([rms, errors.noise / 2.0_f64.sqrt()]);
    let u = joined([offset, shift * errors.window.u_time(), scatter]) / (2.0 * rms);
    errors.figure(rms, u)
}

fn max(view: &View<'_>) -> Result<Measured, Refusal> {
    let errors = errors(view)?;
    let (worst, error) = errors
        .e
        .iter()
        .map(|e| e.abs())
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .expect("errors() gives at least SAMPLES_MIN samples");
    let shift = errors.slope(worst) * errors.window.u_t[worst];
    errors.figure(error, joined([errors.window.series.u, errors.noise, shift]))
}

#[cfg(test)]
mod tests;
