use crate::metrics::samples::{Bench, Signal, near};
use std::f64::consts::TAU;

const DEGREE: f64 = TAU / 360.0;

/// A burst of 2000 samples over 7.3 turns: cosine with offset `x0`, sine larger by `a`, skewed by `skew` and with offset `y0`.
fn turning(a: f64, skew: f64, x0: f64, y0: f64, noise: f64) -> Bench {
    turning_from(a, skew, x0, y0, noise, 1)
}

fn turning_from(a: f64, skew: f64, x0: f64, y0: f64, noise: f64, seed: u64) -> Bench {
    let phi = |t: f64| TAU * 73.0 * t;
    let sine = |t: f64| y0 + (1.0 + a) * (phi(t) + skew).sin();
    let cosine = |t: f64| x0 + phi(t).cos();
    Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0).given_name("with", "c").burst_noisy(
        1.0,
        20_000.0,
        2000,
        &[("x", "V", &sine), ("c", "V", &cosine)],
        noise,
        seed,
    )
}

/// Sine larger by 5 % makes a/(2+a) = 1.398 deg at second order (the small form a/2 would be 1.432); an offset of 0.01 makes 0.573
/// deg at first order; 1 deg of quadrature makes 0.5 deg at second order beside a mean of 0.5 (arithmetic on the angle's
/// formula).
#[test]
fn the_angle_error_is_that_of_the_ellipse() {
    near(turning(0.05, 0.0, 0.0, 0.0, 0.0).measured("resolver_error").value / DEGREE, 1.398, 0.001);
    near(turning(0.0, 0.0, 0.01, 0.0, 0.0).measured("resolver_error").value / DEGREE, 0.573, 0.001);
    near(turning(0.0, 0.0, 0.0, 0.01, 0.0).measured("resolver_error").value / DEGREE, 0.573, 0.001);
    near(turning(0.0, DEGREE, 0.0, 0.0, 0.0).measured("resolver_error").value / DEGREE, 0.5, 0.001);
    assert!(turning(0.0, 0.0, 0.0, 0.0, 0.0).measured("resolver_error").value < 0.003 * DEGREE);
}

#[test]
fn imbalance_quadrature_offset_and_radius_are_told_apart() {
    let bench = turning(0.05, 2.0 * DEGREE, 0.03, -0.04, 0.0);
    near(bench.measured("resolver_imbalance").value, 0.05, 1e-4);
    near(bench.measured("resolver_quadrature").value / DEGREE, 2.0, 0.01);
    near(bench.measured("resolver_offset").value, 0.05 / 1.025, 1e-4);
    near(turning(0.0, 0.0, 0.0, 0.0, 0.0).measured("resolver_radius").value, 1.0, 1e-4);
    let smaller = turning(-0.05, -DEGREE, 0.0, 0.0, 0.0);
    near(smaller.measured("resolver_imbalance").value, -0.05, 1e-4);
    near(smaller.measured("resolver_quadrature").value / DEGREE, -1.0, 0.01);
}

/// With noise of 1 % of the radius the truth lies within U of about 95 %.
#[test]
fn the_interval_holds_the_truth() {
    let mut held = [0; 2];
    for seed in 0..200 {
        let bench = turning_from(0.05, 0.0, 0.0, 0.0, 0.01, seed);
        for (i, (id, truth)) in
            [("resolver_imbalance", 0.05), ("resolver_quadrature", 0.0)].into_iter().enumerate()
        {
            let found = bench.measured(id);
            held[i] += u32::from((found.value - truth).abs() <= 2.0 * found.u);
        }
    }
    println!("held {held:?} of 200");
    assert!(held.iter().all(|h| (184..=200).contains(h)), "{held:?}");
}

/// Noise of s on both signals is noise of s / radius across, that is of the angle; at rest, turning, and turning with a bad
/// ellipse.
#[test]
fn angle_noise_is_what_is_neither_motion_nor_ellipse() {
    for bench in [turning(0.0, 0.0, 0.0, 0.0, 0.004), turning(0.05, DEGREE, 0.01, 0.0, 0.004)] {
        let found = bench.measured("angle_noise");
        near(found.value, 0.004, 0.05 * 0.004);
        near(found.u, 0.004 / (2.0 * 2000.0_f64).sqrt(), 0.1 * found.u);
    }
    let still = Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0).given_name("with", "c").burst_noisy(
        1.0,
        20_000.0,
        2000,
        &[("x", "V", &|_| 0.6), ("c", "V", &|_| 0.8)],
        0.002,
        5,
    );
    near(still.measured("angle_noise").value, 0.002, 0.05 * 0.002);
    near(still.measured("resolver_radius").value, 1.0, 1e-3);
    still.refuses("resolver_error", "the signals draw a cloud");
}

#[test]
fn noise_with_gates_off_is_of_the_last_burst_that_was_so() {
    let at_rest: [Signal<'_>; 2] = [("x", "V", &|_| 0.6), ("c", "V", &|_| 0.8)];
    let base = || Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0).given_name("with", "c");
    let mut bench = base()
        .burst_noisy(-5.0, 20_000.0, 2000, &at_rest, 0.001, 5)
        .burst_noisy(1.0, 20_000.0, 2000, &at_rest, 0.004, 6)
        .burst_noisy(2.0, 20_000.0, 2000, &at_rest, 0.003, 7);
    bench.refuses("angle_noise_gates_off", "was taken with the gates off");
    for (burst, gates) in bench.columns.bursts.iter_mut().zip([false, true, true]) {
        burst.gates = Some(gates);
    }
    near(bench.measured("angle_noise_gates_off").value, 0.001, 1e-4);
    let on = bench.measured("angle_noise");
    near(on.value, 0.004, 4e-4);
    assert!(on.note.is_some_and(|n| n == "largest of 2 bursts, at 1.000 s"));
}

#[test]
fn too_fast_and_too_few_are_refused() {
    let fast = Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0).given_name("with", "c").burst(
        1.0,
        1000.0,
        500,
        &[("x", "V", &|t| (TAU * 300.0 * t).sin()), ("c", "V", &|t| (TAU * 300.0 * t).cos())],
    );
    fast.refuses("angle_noise", "from sample to sample");
    let few = Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0).given_name("with", "c").burst(
        1.0,
        1000.0,
        50,
        &[("x", "V", &|t| (TAU * 30.0 * t).sin()), ("c", "V", &|t| (TAU * 30.0 * t).cos())],
    );
    for id in ["angle_noise", "resolver_radius", "resolver_error"] {
        few.refuses(id, "50 samples, at least 64");
    }
}

/// A quiet burst at rest does not answer for one that is too fast to be read: mere noise looks like that.
#[test]
fn a_burst_whose_angle_cannot_be_followed_is_not_passed_over() {
    let bench = Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0).given_name("with", "c").burst_noisy(
        1.0,
        1000.0,
        500,
        &[("x", "V", &|_| 0.6), ("c", "V", &|_| 0.8)],
        0.001,
        3,
    );
    bench.measured("angle_noise");
    let noise = bench.burst_noisy(2.0, 1000.0, 500, &[("x", "V", &|_| 0.0), ("c", "V", &|_| 0.0)], 0.3, 4);
    noise.refuses("angle_noise", "deg from sample to sample in the burst at 2.000 s");
}

/// Twelve bits for four times the signal: each figure is doubtful by what a point is rounded to, over the radius.
#[test]
fn rounding_is_doubt_of_every_figure_of_the_resolver() {
    let step = 0.002;
    let mut bench = turning(0.0, 0.0, 0.0, 0.0, 0.0);
    for channel in &mut bench.columns.bursts[0].channels {
        let values = channel.values();
        channel.raw = values.iter().map(|v| (v / step).round() as i16).collect();
        channel.scale = step;
    }
    let rounding = step * (2.0 / 12.0_f64).sqrt();
    let ids = ["resolver_imbalance", "resolver_quadrature", "resolver_offset", "resolver_error"];
    for id in ids.into_iter().chain(["resolver_radius", "angle_noise"]) {
        let found = bench.measured(id);
        assert!(found.u >= 0.999 * rounding && found.u < 2.0 * rounding, "{id}: {found:?}");
    }
}
