//! The resolver's signals for a report to draw: sine against cosine with the ellipse through them, and what the angle
//! errs over a turn.

use super::super::Refusal;
use super::super::bursts::{channel, moment, sound};
use super::super::numeric::mean;
use super::super::window::refuse;
use super::{SAMPLES, beside, fitted, unwrapped};
use crate::columns::{Burst, Columns};
use std::f64::consts::{PI, TAU};

/// Most points of the picture.
const POINTS: usize = 600;
/// Steps of the ellipse and of its error over a turn.
const STEPS: usize = 180;
/// Parts of a turn over which measured errors are averaged.
const PARTS: usize = 60;

/// One burst of a resolver.
#[derive(Debug, Clone, PartialEq)]
pub struct ResolverPicture {
    /// When the burst began, as a reader reads it.
    pub began: String,
    /// Electrical turns in it.
    pub turns: f64,
    /// Cosine and sine of samples spread over the burst, in the channel's SI unit.
    pub points: Vec<(f64, f64)>,
    /// Cosine and sine along the ellipse, closed.
    pub ellipse: Vec<(f64, f64)>,
    /// Electrical angle in rad, 0 to a turn, and the error that the ellipse makes there, rad; the mean left out.
    pub error: Vec<(f64, f64)>,
    /// The same as measured: mean over parts of a turn of what the angle is beside a cubic in time. It knows
    /// nothing of the ellipse. Empty where the burst has less than ten turns.
    pub measured: Vec<(f64, f64)>,
}

/// The picture of the burst with the most turns. Refuses where no burst gives an ellipse, with the reason of the last.
pub fn resolver_picture(columns: &Columns, sine: &str, cosine: &str) -> Result<ResolverPicture, Refusal> {
    let mut best: Option<ResolverPicture> = None;
    let mut why = format!("no burst with `{sine}` is in the record");
    for burst in columns.bursts_of(sine) {
        match picture(burst, sine, cosine) {
            Ok(picture) if best.as_ref().is_none_or(|b| picture.turns > b.turns) => best = Some(picture),
            Ok(_) => {}
            Err(refusal) => why = refusal.why,
        }
    }
    best.map_or_else(|| refuse(why), Ok)
}

fn picture(burst: &Burst, sine: &str, cosine: &str) -> Result<ResolverPicture, Refusal> {
    sound(burst)?;
    let (sine, cosine) = (channel(burst, sine)?.values(), channel(burst, cosine)?.values());
    if sine.len() < SAMPLES {
        return refuse(format!("a burst has {} samples, at least {SAMPLES} are needed", sine.len()));
    }
    let (ellipse, _) = fitted(&sine, &cosine).map_err(|why| Refusal { why })?;
    let (angle, fastest) = unwrapped(&sine, &cosine);
    let turns = (angle[angle.len() - 1] - angle[0]).abs() / TAU;
    let measured = if turns >= 10.0 && fastest < 0.5 * PI { by_part(&angle) } else { Vec::new() };
    let step = TAU / STEPS as f64;
    let errors = ellipse.errors(STEPS);
    let stride = sine.len().div_ceil(POINTS);
    Ok(ResolverPicture {
        began: moment(burst),
        turns,
        points: cosine.iter().copied().zip(sine.iter().copied()).step_by(stride).collect(),
        ellipse: (0..=STEPS).map(|i| ellipse.at(step * i as f64)).collect(),
        error: (0..=STEPS).map(|i| (step * i as f64, errors[i % STEPS])).collect(),
        measured,
    })
}

/// What is left of the angle beside its course in time, averaged over each part of a turn.
fn by_part(angle: &[f64]) -> Vec<(f64, f64)> {
    let Some((left, _)) = beside::<4>(angle) else { return Vec::new() };
    let mut parts: Vec<Vec<f64>> = vec![Vec::new(); PARTS];
    for (angle, left) in angle.iter().zip(&left) {
        let turn = (angle / TAU).rem_euclid(1.0);
        parts[((turn * PARTS as f64) as usize).min(PARTS - 1)].push(*left);
    }
    let middle = |i: usize| TAU * (i as f64 + 0.5) / PARTS as f64;
    let filled = parts.iter().enumerate().filter(|(_, part)| !part.is_empty());
    let means: Vec<(f64, f64)> = filled.map(|(i, part)| (middle(i), mean(part))).collect();
    let offset = mean(&means.iter().map(|(_, e)| *e).collect::<Vec<_>>());
    means.into_iter().map(|(at, e)| (at, e - offset)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrics::samples::{Bench, near};

    /// Sine larger by 5 %: a/(2+a) rad = 1.398 deg at second order (textbook), zero at 0, largest at an eighth of a turn, by
    /// the ellipse and by what is measured beside the course in time alike.
    #[test]
    fn the_error_drawn_is_that_of_the_textbook_by_both_ways() {
        let angle = |t: f64| TAU * (40.0 * t + 3.0 * t * t);
        let bench = Bench::new("rpm", 0.0, 0.005, 10.0, |_| 10.0).burst(
            1.0,
            10_000.0,
            4096,
            &[("sine", "V", &|t| 1.05 * angle(t).sin()), ("cosine", "V", &|t| angle(t).cos())],
        );
        let picture = resolver_picture(&bench.columns, "sine", "cosine").expect("a picture");
        near(picture.turns, 40.0 * 0.4095 + 3.0 * (1.4095f64.powi(2) - 1.0), 0.1);
        for (at, error) in &picture.error {
            near(error.to_degrees(), 1.398 * (2.0 * at).sin(), 0.02);
        }
        assert_eq!(picture.measured.len(), PARTS);
        for (at, error) in &picture.measured {
            // A part of a turn averages over 6 deg; the few turns of a burst do not end where they began.
            near(error.to_degrees(), 1.398 * (2.0 * at).sin(), 0.12);
        }
        assert!(picture.points.len() <= POINTS && picture.ellipse.len() == STEPS + 1);
        assert!(resolver_picture(&bench.columns, "sine", "x").is_err());
        let still = Bench::new("rpm", 0.0, 0.005, 10.0, |_| 0.0).burst(
            1.0,
            10_000.0,
            4096,
            &[("sine", "V", &|t| (0.5 * t).sin()), ("cosine", "V", &|t| (0.5 * t).cos())],
        );
        let why = resolver_picture(&still.columns, "sine", "cosine").expect_err("nearly at rest").why;
        assert!(why.contains("parts of a turn were not seen"), "{why}");
    }
}
