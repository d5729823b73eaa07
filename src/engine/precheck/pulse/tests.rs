use super::*;
use rand::SeedableRng;
use rand_distr::{Distribution, Normal};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Samples every 0.1 s.
fn sampled(from: f64, to: f64, of: impl Fn(f64) -> f64) -> Vec<(f64, f64)> {
    let n = ((to - from) * 10.0).round() as usize;
    (0..n).map(|i| from + i as f64 / 10.0).map(|t| (t, of(t))).collect()
}

const HEATED: f64 = 30.0;

/// A body of first order (textbook): heated from 0 s for 30 s towards `to` with the time constant `tau`, then let alone.
fn body(tau: f64, to: f64) -> impl Fn(f64) -> f64 {
    move |t| {
        let warmed = |t: f64| to * (1.0 - (-t / tau).exp());
        match t {
            t if t <= 0.0 => 0.0,
            t if t <= HEATED => warmed(t),
            t => warmed(HEATED) * (-(t - HEATED) / tau).exp(),
        }
    }
}

fn left_of(curve: impl Fn(f64) -> f64, resolution: f64) -> Result<Left, String> {
    let (before, peak, after) =
        (sampled(-15.0, 0.0, &curve), sampled(27.0, 30.0, &curve), sampled(57.0, 60.0, &curve));
    share_left(&before, &peak, &after, resolution)
}

/// What is left between two windows 30 s apart of one exponential decay is exp(-30/tau) of what stood in the first, had that decayed
/// too; the first still rises, which the closed form of both means says: by hand, over 27 to 29.9 s and 57 to 59.9 s.
#[test]
fn a_body_of_first_order_leaves_what_its_time_constant_says() {
    for tau in [15.0f64, 22.5, 43.0, 300.0] {
        let geometric = |t0: f64| {
            // Sum of exp(-t/tau) over 30 samples 0.1 s apart: a geometric series.
            let q = (-0.1 / tau).exp();
            (-t0 / tau).exp() * (1.0 - q.powi(30)) / (1.0 - q) / 30.0
        };
        let peak = 1.0 - geometric(27.0);
        let after = (1.0 - (-HEATED / tau).exp()) * geometric(27.0);
        let left = left_of(body(tau, 1.4), 0.01).expect("a share");
        assert!((left.share - after / peak).abs() < 1e-9, "{tau}: {left:?}, {}", after / peak);
    }
    let still = left_of(|t| 0.05 * t.clamp(0.0, HEATED), 0.01).expect("a share");
    assert!((still.share - 1.0).abs() < 0.06, "{still:?}");
}

/// A drift that goes on is not taken for heat, and a warm body that cools is taken for one that keeps more, not less.
#[test]
fn a_drift_never_makes_what_is_left_seem_less() {
    let sound = left_of(body(22.5, 1.4), 0.1).expect("a share");
    let straight = left_of(|t| body(22.5, 1.4)(t) - 0.02 * t, 0.1).expect("a share");
    assert!((straight.share - sound.share).abs() < 1e-9, "{straight:?} {sound:?}");
    // 2 K too warm before, cooling like everything else.
    let warm = left_of(|t| body(22.5, 1.4)(t) + 2.0 * (-(t + 15.0) / 22.5).exp(), 0.1).expect("a share");
    assert!(warm.share > sound.share + 0.2, "{warm:?}");
    // Still coolant, and 20 K of an earlier run that go into it at 1.2 W/K of 900 J/K.
    let still = left_of(|t| 0.06 * t.clamp(0.0, HEATED) + 20.0 * (-(t + 15.0) / 750.0).exp(), 0.1);
    assert!(still.as_ref().is_ok_and(|l| l.share > 0.9), "{still:?}");
}

/// Monte Carlo (JCGM 101): the share scatters as its uncertainty says where noise is all there is.
#[test]
fn the_share_scatters_as_its_uncertainty_says() {
    let curve = body(22.5, 1.4);
    let noise = Normal::new(0.0, 0.08).expect("a distribution");
    let mut random = Xoshiro256PlusPlus::seed_from_u64(77);
    let mut shares = Vec::new();
    let mut u = Vec::new();
    for _ in 0..2000 {
        let mut noisy = |from, to| -> Vec<(f64, f64)> {
            let clean = sampled(from, to, &curve);
            clean.into_iter().map(|(t, y)| (t, y + noise.sample(&mut random))).collect()
        };
        let (before, peak, after) = (noisy(-15.0, 0.0), noisy(27.0, 30.0), noisy(57.0, 60.0));
        let left = share_left(&before, &peak, &after, 0.0).expect("a share");
        shares.push(left.share);
        u.push(left.u);
    }
    let n = shares.len() as f64;
    let mean = shares.iter().sum::<f64>() / n;
    let sd = (shares.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let told = u.iter().sum::<f64>() / n;
    // The standard deviation of 2000 is known to 1.6 %, the linear propagation of a quotient with 5 % adds about as much.
    assert!((told / sd - 1.0).abs() < 0.06, "{told} told, {sd} seen");
}

/// Noise alone, and what is no number, are no heat pulse.
#[test]
fn what_is_too_little_or_no_number_tells_nothing() {
    let told = left_of(|t| 0.03 * (7.0 * t).sin(), 0.1);
    assert!(told.as_ref().is_err_and(|why| why.contains("too little")), "{told:?}");
    assert!(left_of(|_| 0.0, 0.1).is_err());
    let spoilt = left_of(|t| if (28.0..28.1).contains(&t) { f64::NAN } else { body(22.5, 1.4)(t) }, 0.1);
    assert!(spoilt.is_err(), "{spoilt:?}");
    let spoilt = left_of(|t| if t > 58.0 { f64::NAN } else { body(22.5, 1.4)(t) }, 0.1).expect("a rise");
    assert!(spoilt.share.is_nan());
    assert!(share_left(&[], &[(0.0, 1.0)], &[(1.0, 1.0)], 0.1).is_err());
}
