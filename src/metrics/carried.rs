//! The angle of the shaft from the resolver, where a burst holds its two signals beside what is looked at.
//!
//! The speed's samples say how far the shaft turned only as well as they are dense and true; the resolver says it at
//! each sample of the burst itself. Its angle is noisy, so it corrects the integral of the speed by the mean of their
//! difference around each sample: what is quicker than a turn is left to the speed, what is slower to the resolver.

use super::bursts::channel;
use super::numeric::deviation;
use super::orders::turns;
use super::resolver::angle_within_ellipse;
use super::window::{refuse, seconds};
use super::{Refusal, View};
use crate::columns::{Burst, Series};

/// How far the resolver's turns per turn of the shaft may be from a whole number, as a share.
const WHOLE: f64 = 0.05;

/// An angle and how well it is known.
pub(super) struct Carried {
    /// Turns of the shaft at each sample, from zero on.
    pub angle: Vec<f64>,
    /// Relative standard uncertainty of the turns over the burst.
    pub u: f64,
}

/// The angle by the channels that the view gives as `sine` and `cosine`; `None` where it gives neither.
pub(super) fn carried(view: &View<'_>, burst: &Burst, speed: &Series) -> Result<Option<Carried>, Refusal> {
    let (sine, cosine) = match (view.name("sine"), view.name("cosine")) {
        (Ok(sine), Ok(cosine)) => (sine, cosine),
        (Err(_), Err(_)) => return Ok(None),
        _ => return refuse("`sine` and `cosine` are given together or not at all"),
    };
    let by_speed = turns(burst, speed)?;
    let electrical = angle_within_ellipse(&channel(burst, sine)?.values(), &channel(burst, cosine)?.values())
        .map_err(|why| Refusal { why })?;
    let n = by_speed.len();
    let total = by_speed[n - 1];
    let ratio = electrical[n - 1] / total;
    let pairs = ratio.abs().round();
    if pairs < 1.0 || (ratio.abs() / pairs - 1.0).abs() > WHOLE {
        return refuse(format!(
            "the resolver turns {:.3} times a turn of the shaft by `{}` in the burst at {}: expected a whole number",
            ratio.abs(),
            speed.name,
            seconds(burst.ends().0)
        ));
    }
    let beside: Vec<f64> =
        electrical.iter().zip(&by_speed).map(|(e, s)| e / pairs.copysign(ratio) - s).collect();
    let window = ((n as f64 / total) as usize).clamp(1, n);
    let course = moving_mean(&beside, window);
    let angle: Vec<f64> = by_speed.iter().zip(&course).map(|(s, c)| s + c - course[0]).collect();
    if angle.windows(2).any(|w| w[1] < w[0]) {
        return refuse(format!("the resolver is too noisy in the burst at {}", seconds(burst.ends().0)));
    }
    let noise: Vec<f64> = beside.iter().zip(&course).map(|(b, c)| b - c).collect();
    // Both ends of the course are means of half a window.
    let u = deviation(&noise) * 2.0 / (window as f64).sqrt() / angle[n - 1];
    Ok(Some(Carried { angle, u }))
}

/// Mean of up to `window` values around each.
fn moving_mean(values: &[f64], window: usize) -> Vec<f64> {
    let sums: Vec<f64> = std::iter::once(0.0)
        .chain(values.iter().scan(0.0, |sum, v| {
            *sum += v;
            Some(*sum)
        }))
        .collect();
    let half = window / 2;
    (0..values.len())
        .map(|i| {
            let (from, to) = (i.saturating_sub(half), (i + half + 1).min(values.len()));
            (sums[to] - sums[from]) / (to - from) as f64
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::samples::{Bench, near};
    use super::super::{Measured, Refusal, Value, find};
    use std::f64::consts::TAU;

    /// 20 turns a second that wobble by 3 % nine times a second; the speed is sampled every 0.1 s only, and wrong by a
    /// share. Order 20 is there with 0.5 m/s2.
    fn bench(wrong: f64, sense: f64) -> Bench {
        let speed = move |t: f64| TAU * 20.0 * (1.0 + 0.03 * (TAU * 9.0 * t).cos()) * (1.0 + wrong);
        let angle = |t: f64| 20.0 * t + 20.0 * 0.03 * (TAU * 9.0 * t).sin() / (TAU * 9.0);
        let mut bench = Bench::new("rpm", 0.0, 0.1, 10.0, speed).given_name("speed", "x").burst(
            1.0,
            8000.0,
            8000,
            &[
                ("axial", "m/s2", &|t| 0.5 * (TAU * 20.0 * angle(t)).sin()),
                ("sine", "V", &|t| 0.9 * (sense * TAU * 4.0 * angle(t) + 0.4).sin() + 0.02),
                ("cosine", "V", &|t| (sense * TAU * 4.0 * angle(t) + 0.4).cos()),
            ],
        );
        bench.given.add("order", Value::Range(20.0, 20.0), "20");
        bench
    }

    fn amplitude(bench: &Bench) -> Result<Measured, Refusal> {
        find("order_amplitude").expect("a metric").compute(&bench.view("axial"))
    }

    fn by_resolver(bench: Bench) -> Bench {
        bench.given_name("sine", "sine").given_name("cosine", "cosine")
    }

    /// What the speed's samples cannot tell the resolver can, whichever way it counts and though its ellipse is 10 % flat.
    #[test]
    fn the_resolver_knows_what_is_between_the_samples_of_the_speed() {
        let by_speed = amplitude(&bench(0.0, 1.0)).expect("a figure");
        assert!(by_speed.value < 0.4, "smeared by the wobble: {}", by_speed.value);
        for sense in [1.0, -1.0] {
            let found = amplitude(&by_resolver(bench(0.0, sense))).expect("a figure");
            near(found.value, 0.5, 0.02);
            let found = amplitude(&by_resolver(bench(0.02, sense))).expect("a figure");
            near(found.value, 0.5, 0.02);
        }
    }

    #[test]
    fn a_resolver_that_does_not_fit_the_shaft_is_refused() {
        let why = amplitude(&by_resolver(bench(0.1, 1.0))).expect_err("3.6 turns").why;
        assert!(
            why.contains("times a turn of the shaft") && why.contains("expected a whole number"),
            "{why}"
        );
        let why = amplitude(&bench(0.0, 1.0).given_name("sine", "sine")).expect_err("half of it").why;
        assert!(why.contains("together or not at all"), "{why}");
        let why = amplitude(&bench(0.0, 1.0).given_name("sine", "sine").given_name("cosine", "z"));
        assert!(why.expect_err("no such channel").why.contains("has no channel `z`"));
    }
}
