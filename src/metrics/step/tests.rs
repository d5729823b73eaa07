use crate::metrics::numeric::{mean_uncertainty, noise, trend};
use crate::metrics::samples::{Bench, near};

const ZETA: f64 = 0.5;
const OMEGA: f64 = 10.0;

/// Unit step response of a second-order system (textbook closed form).
fn second_order(t: f64) -> f64 {
    if t <= 0.0 {
        return 0.0;
    }
    let root = (1.0 - ZETA * ZETA).sqrt();
    let phase = OMEGA * root * t;
    1.0 - (-ZETA * OMEGA * t).exp() * (phase.cos() + ZETA / root * phase.sin())
}

/// The step at 0 from `low` to `high`, sampled every `dt` with the moments shifted by `shift`.
fn stepped(dt: f64, shift: f64, low: f64, high: f64) -> Bench {
    Bench::new("rad/s", -0.6 + shift, dt, 3.0, |t| low + (high - low) * second_order(t))
        .told(&[(-1.0, low), (0.0, high)])
}

/// Textbook closed form, zeta 0.5: exp(-pi zeta / sqrt(1 - zeta^2)) = 16.3034 %. The parabola misses the peak by at
/// most its third-order term, h^3 f''' / 15.6: for h = 5, 10, 20, 40 ms, where f''' is at most 1.2 wn^3 e^-1.8
/// = 200 / s^3, that is 2e-6, 1.3e-5, 1e-4, 8e-4; the settled end adds its tail, e^-11 = 1.4e-5.
#[test]
fn overshoot_of_a_second_order_step_meets_the_closed_form_at_any_sampling() {
    for (dt, tolerance) in [(0.005, 2e-5), (0.010, 3e-5), (0.020, 1.2e-4), (0.040, 8.2e-4)] {
        for shift in [0.0, 0.25, 0.6] {
            for (low, high) in [(0.0, 1.0), (60.0, 68.0), (68.0, 60.0), (5.0, -5.0)] {
                let found = stepped(dt, shift * dt, low, high).measured("overshoot");
                near(found.value, 0.163034, tolerance);
                assert!(found.u <= 10.0 * tolerance && found.u > 0.0, "u {} at dt {dt}", found.u);
                assert!(
                    (found.value - 0.163034).abs() <= 3.0 * found.u + 1e-6,
                    "{} u {}",
                    found.value,
                    found.u
                );
                assert_eq!(found.note, None);
            }
        }
    }
}

/// Without the parabola the largest sample falls short by more than the tolerance above.
#[test]
fn the_parabola_matters_at_coarse_sampling() {
    let bench = stepped(0.040, 0.5 * 0.040, 0.0, 1.0);
    let largest = bench.columns.series[0].v.iter().copied().fold(0.0, f64::max) - 1.0;
    assert!(0.163034 - largest > 1e-3, "{largest}");
}

/// Last exits of the 2 % and 5 % bands, solved from the closed form: 0.807635 s and 0.5289 s, not 4 / (zeta wn) = 0.8 s.
/// A straight line between samples misses a curve by h^2 f'' / 8, by the slope at the exit in time: f'' is at most
/// 100 e^-4 = 1.8 / s^2 at 2 % with a slope of about 0.15 / s: 1.5 h^2; at 5 %, 7 / s^2 by 0.57 / s: 1.5 h^2.
/// The settled end's own error, 1e-5, adds 1e-4 s.
#[test]
fn settling_of_a_second_order_step_meets_the_closed_form() {
    for dt in [0.005, 0.010, 0.020] {
        for shift in [0.0, 0.3, 0.7] {
            for (low, high) in [(0.0, 1.0), (68.0, 60.0)] {
                for (share, expected, last_digit) in [(0.02, 0.807635, 5e-7), (0.05, 0.5289, 5e-5)] {
                    let height: f64 = high - low;
                    let bench = stepped(dt, shift * dt, low, high).band(share * height.abs());
                    let found = bench.measured("settling_time");
                    near(found.value, expected, 1.5 * dt * dt + 1e-4 + last_digit);
                    let error = (found.value - expected).abs();
                    assert!(error <= 2.0 * found.u + last_digit + 1e-4, "{error} u {}", found.u);
                    assert!(found.u <= 3.0 * dt * dt + 3e-3, "u {} at dt {dt}", found.u);
                }
            }
        }
    }
}

/// 300 noisy steps: the mean error is within what the metric says of it, and U = 2u holds the truth in most.
#[test]
fn the_uncertainty_of_a_noisy_step_holds_the_truth() {
    for (id, truth) in [("overshoot", 0.163034), ("settling_time", 0.5289)] {
        let (mut inside, mut sharp) = (0, 0);
        for seed in 0..300 {
            let found = stepped(0.005, 0.002, 0.0, 10.0).band(0.5).noisy(0.05, seed).measured(id);
            inside += usize::from((found.value - truth).abs() <= 2.0 * found.u);
            sharp += usize::from(found.u < 0.12 * truth);
        }
        println!("{id}: {inside} inside and {sharp} sharp of 300");
        assert!(inside >= 280, "{id}: {inside} of 300 inside");
        // Where the next swing nearly leaves the band again the figure may jump to it, and u says so.
        assert!(sharp >= 270, "{id}: {sharp} of 300 sharp");
    }
}

/// First order: no overshoot; last exit of the 2 % band at 3.9120 tau, that is ln 50, after the step.
#[test]
fn a_first_order_step_settles_after_3_9_time_constants_without_overshoot() {
    let tau = 0.1;
    let bench =
        Bench::new("rad/s", -0.6, 0.01, 3.0, |t| if t > 0.0 { 8.0 * (1.0 - (-t / tau).exp()) } else { 0.0 })
            .told(&[(-1.0, 0.0), (0.0, 8.0)])
            .band(0.02 * 8.0);
    near(bench.measured("settling_time").value, 3.9120 * tau, 2e-4);
    let overshoot = bench.measured("overshoot");
    near(overshoot.value, 0.0, 1e-6);
    let noisy = bench.noisy(0.02, 7).measured("overshoot");
    assert_eq!(noisy.note.as_deref(), Some("no larger than the noise of the settled end"));
    assert!(noisy.value < 0.012 && noisy.value <= 3.0 * noisy.u, "{} u {}", noisy.value, noisy.u);
}

/// After a ramp the time counts from the moment its end was told: a first-order lag leaves a ramp of
/// slope s by s tau, which decays to a band b in tau ln(s tau / b).
#[test]
fn settling_after_a_ramp_counts_from_the_end_of_the_ramp() {
    let (tau, slope, ramp) = (0.1, 20.0, 0.4);
    let lagging = |t: f64| if t > 0.0 { slope * (t - tau * (1.0 - (-t / tau).exp())) } else { 0.0 };
    let response = |t: f64| lagging(t) - lagging(t - ramp);
    let mut frames = vec![(-1.0, 0.0), (-0.02, 0.0)];
    frames.extend((0..=20).map(|i| (0.02 * f64::from(i), slope * 0.02 * f64::from(i))));
    let bench = Bench::new("rad/s", -0.6, 0.005, 2.4, response).told(&frames).band(0.2);
    let at_end = 8.0 - response(ramp);
    near(bench.measured("settling_time").value, tau * (at_end / 0.2_f64).ln(), 3e-4);
    near(bench.measured("overshoot").value, 0.0, 1e-6);
}

/// A ramp that is followed so closely that the response is inside the band from the first sample on.
#[test]
fn a_response_that_never_leaves_the_band_settles_at_once() {
    let mut frames = vec![(-1.0, 0.0)];
    frames.extend((0..=20).map(|i| (0.02 * f64::from(i), 0.05 * f64::from(i))));
    let close = Bench::new("rad/s", -0.596, 0.01, 2.4, |t| (2.5 * t).clamp(0.0, 1.0)).told(&frames);
    let found = close.band(0.1).measured("settling_time");
    assert_eq!(found.value, 0.0);
    // Samples lie 4 ms after each hundredth of a second: the first one after 0.4 s comes 4 ms later.
    near(found.u, 0.004 / 3.0_f64.sqrt(), 1e-12);
}

/// A band as wide as the change holds every response, the one that never came too.
#[test]
fn a_band_that_nothing_could_leave_is_refused() {
    stepped(0.01, 0.004, 0.0, 1.0).band(0.999).measured("settling_time");
    for band in [1.0, 2.0] {
        stepped(0.01, 0.004, 0.0, 1.0).band(band).refuses("settling_time", "no narrower than the change");
    }
}

/// From 600 to 680 rpm and no answer, half of one, one to another level, or one from another level: the response
/// settles at once and goes beyond nothing, but it is no answer.
#[test]
fn a_step_that_is_not_answered_has_no_figure() {
    let rpm = std::f64::consts::TAU / 60.0;
    let from_to = |low: f64, high: f64| {
        Bench::new("rpm", -0.6, 0.01, 3.0, move |t| rpm * (low + (high - low) * second_order(t)))
            .told(&[(-1.0, 600.0 * rpm), (0.0, 680.0 * rpm)])
            .band(8.0 * rpm)
    };
    for id in ["overshoot", "settling_time"] {
        from_to(600.0, 680.0).measured(id);
        from_to(600.0, 600.0).refuses(id, "rpm the way of the demand: too little");
        from_to(600.0, 600.0).noisy(0.2 * rpm, 5).refuses(id, "too little against noise");
        from_to(600.0, 640.0).refuses(id, "went 40.00 rpm where the demand went 80.00 rpm");
        from_to(500.0, 680.0).refuses(id, "went 180.0 rpm where the demand went 80.00 rpm");
        // An offset of 10 rpm: more than a tenth of the change, unless the channel declares as much.
        from_to(610.0, 690.0).refuses(id, "10.00 rpm beside the demand of 680.0 rpm: at most 8.0");
        from_to(610.0, 690.0).uncertain(1.5 * rpm, 0.0).measured(id);
        // The edges of what is an answer.
        from_to(606.0, 674.0).measured(id);
        from_to(614.0, 676.0).refuses(id, "at most 20 % off may be");
    }
}

#[test]
fn uncertainty_of_the_moments_enters_settling() {
    let plain = stepped(0.005, 0.0, 0.0, 1.0).band(0.05).measured("settling_time");
    let blurred = stepped(0.005, 0.0, 0.0, 1.0).band(0.05).uncertain(0.0, 0.003).measured("settling_time");
    near(blurred.u.powi(2) - plain.u.powi(2), 0.003_f64.powi(2), 1e-12);
    // An offset common to all samples cancels in both figures.
    for id in ["overshoot", "settling_time"] {
        let plain = stepped(0.005, 0.0, 0.0, 1.0).band(0.05).measured(id);
        assert_eq!(stepped(0.005, 0.0, 0.0, 1.0).band(0.05).uncertain(0.3, 0.0).measured(id).u, plain.u);
    }
}

#[test]
fn steps_that_carry_no_figure_are_refused_with_numbers() {
    let good = || stepped(0.01, 0.0, 0.0, 1.0).band(0.02);
    for id in ["overshoot", "settling_time"] {
        // Nine frames of a ramp, a second of rest, and the rest of the way in one jump.
        let mut rested: Vec<(f64, f64)> =
            (0..9).map(|i| (0.02 * f64::from(i), 0.1 * f64::from(i + 1))).collect();
        rested.insert(0, (-1.0, 0.0));
        rested.push((1.2, 1.0));
        good().told(&rested).refuses(id, "more than one stroke in `span`: 10 changes");
        let both = |bench: Bench, part: &str| bench.refuses(id, part);
        both(good().told(&[(-1.0, 1.0), (0.0, 1.0)]), "does not go from one value to another");
        both(good().told(&[(-1.0, 0.0), (0.0, 0.5), (1.0, 0.5), (1.5, 1.0)]), "more than one stroke");
        both(good().told(&[(-1.0, 0.0), (0.0, 1.2), (0.1, 1.0)]), "more than one stroke");
        both(good().told(&[(-1.0, 0.0), (2.95, 1.0)]), "0.050 s before the end of `span`");
        let mut told_otherwise = good();
        told_otherwise.span.to = 2.0;
        both(told_otherwise, "ended `span` at 1.000 rad/s instead of 2.000 rad/s");
        let mut cut = good();
        cut.span.complete = false;
        both(cut, "was cut after 3.000 s");
        // A first-order lag of 1 s: e^-2.25 - e^-3 = 5.6 % over the last 0.75 s.
        let slow = Bench::new("rad/s", -0.6, 0.01, 3.0, |t| 1.0 - (-t.max(0.0)).exp())
            .told(&[(-1.0, 0.0), (0.0, 1.0)])
            .band(0.02);
        both(slow, "has not settled: it still drifts by 0.05");
        let swinging =
            Bench::new(
                "rad/s",
                -0.6,
                0.01,
                3.0,
                |t| if t > 0.0 { 1.0 + 0.3 * (20.0 * t).sin() } else { 0.0 },
            )
            .told(&[(-1.0, 0.0), (0.0, 1.0)])
            .band(0.02);
        both(swinging, "has not settled: over the last");
        let mut holed = good();
        holed.x().v[200] = f64::NAN;
        both(holed, "1 of 301 samples of `x` in `span` are not a number");
        let mut other = good();
        other.columns.demands[0].unit = crate::units::parse_unit("A").expect("a unit");
        both(other, "cannot be held against demand `d`, a current");
    }
    let mut spiked = Bench::new("rad/s", -0.6, 0.01, 3.0, |t| match t {
        t if t < -0.001 => 0.0,
        t if t < 0.015 => 1.5,
        _ => 1.0,
    })
    .told(&[(-1.0, 0.0), (0.0, 1.0)]);
    spiked.refuses("overshoot", "comes 2 samples after the change of demand, at least 4");
    spiked.x().v[30] = f64::NAN;
    spiked.refuses("overshoot", "1 of 50 samples of `x` before the change of demand are not a number");
    good().told(&[(0.0, 0.0), (0.001, 1.0)]).refuses("overshoot", "no level before the change of demand");
    stepped(0.2, 0.0, 0.0, 1.0).refuses("overshoot", "at least 16 are needed");
    // The channel goes the other way, or not at all.
    good().told(&[(-1.0, 1.0), (0.0, 0.0)]).refuses("overshoot", "too little");
    let idle = Bench::new("rad/s", -0.6, 0.01, 3.0, |_| 0.5).told(&[(-1.0, 0.0), (0.0, 1.0)]);
    idle.noisy(0.01, 3).refuses("overshoot", "too little");
}

#[test]
fn settling_that_is_not_seen_is_a_lower_bound_and_refused() {
    stepped(0.01, 0.0, 0.0, 1.0).refuses("settling_time", "no band above zero");
    stepped(0.01, 0.0, 0.0, 1.0).band(f64::NAN).refuses("settling_time", "no band above zero");
    stepped(0.01, 0.0, 0.0, 1.0).band(0.03).noisy(0.03, 1).refuses("settling_time", "only be a lower bound");
    stepped(0.01, 0.0, 0.0, 1.0).band(0.1).noisy(0.03, 1).refuses("settling_time", "too close to the noise");
}

/// One stray sample in the settled end, far outside the band: nobody knows how long that goes on.
#[test]
fn an_exit_in_the_settled_end_is_a_lower_bound() {
    let mut bench = stepped(0.01, 0.0, 0.0, 1.0).band(0.02);
    let stray = bench.x().t.partition_point(|t| *t < 2.6);
    bench.x().v[stray] += 0.05;
    bench.refuses("settling_time", "still outside ±0.02000 rad/s at 2.6");
}

/// Overshoot O = (peak - top) / (top - base): by the rule of error propagation the base enters by O / amplitude and
/// the top by (1 + O) / amplitude. Slow wiggles make the levels uncertain and hardly touch the noise.
#[test]
fn levels_enter_the_uncertainty_of_overshoot_by_their_sensitivities() {
    let wiggle = |t: f64| 0.02 * (40.0 * t).sin() + 0.01 * (23.0 * t).cos();
    let bench = |base: bool, top: bool| {
        let mut bench = stepped(0.001, 0.0005, 0.0, 1.0);
        let series = bench.x();
        for (t, v) in series.t.iter().zip(&mut series.v) {
            if (base && *t < 0.0) || (top && *t >= 2.25) {
                *v += wiggle(*t);
            }
        }
        bench
    };
    let plain = bench(false, false).measured("overshoot");
    let part = |t0: f64, t1: f64| {
        let mut bench = bench(true, true);
        let (range, series) = (bench.x().within(t0, t1), bench.x().clone());
        (series.t[range.clone()].to_vec(), series.v[range].to_vec())
    };
    let found = bench(true, false).measured("overshoot");
    let (t, v) = part(-0.5, -1e-9);
    let drift = crate::metrics::numeric::line(&t, &v).expect("a line").slope.abs() * 0.5;
    let u_base = (mean_uncertainty(&v).powi(2) + (drift / 12.0_f64.sqrt()).powi(2)).sqrt();
    near(found.u, (plain.u.powi(2) + (found.value * u_base).powi(2)).sqrt(), 0.01 * found.u);
    let found = bench(false, true).measured("overshoot");
    let (t, v) = part(2.25, 3.0);
    let drift = trend(&t, &v, 0.0).expect("a trend").slope.abs() * 0.75;
    let u_top = (mean_uncertainty(&v).powi(2) + (drift / 12.0_f64.sqrt()).powi(2)).sqrt();
    let expected = ((1.0 + found.value) * u_top).hypot(noise(&v));
    near(found.u, expected, 0.02 * expected);
}

fn window<'a>(bench: &'a Bench, t1: f64) -> crate::metrics::window::Window<'a> {
    let view = bench.view("x");
    crate::metrics::window::samples(&view, 1).expect("whole").part(0.0, t1)
}

/// A parabola of curvature 2 between samples h apart bends by h^2 2 / 8 from a straight line, uniform.
#[test]
fn the_bend_between_two_samples_is_allowed_for() {
    let bench = Bench::new("V", 0.0, 0.1, 2.0, |t| (t - 2.0) * (t - 2.0));
    near(super::sag_between(&window(&bench, 2.0), 0.0, 0.5), 0.01 * 2.0 / 8.0 / 3.0_f64.sqrt(), 1e-12);
    // Samples at 1.2 and 1.3 s have 0.64 and 0.49: the line crosses 0.5 at 1.2 + 0.1 x 14 / 15.
    let exit = super::last_exit(&window(&bench, 2.0), 0.0, 0.5).expect("an exit");
    near(exit.t.expect("a next sample"), 1.2 + 0.1 * 14.0 / 15.0, 1e-12);
    // Third differences of t^3 are 6 h^3.
    let cubes: Vec<f64> = (0..9).map(|i| (0.1 * f64::from(i)).powi(3)).collect();
    near(super::bend(&cubes, 4), 6e-3 / (9.0 * 3.0_f64.sqrt()) / 3.0_f64.sqrt(), 1e-12);
}

/// White noise on a drift too small to refuse: the level may be wrong by half of the drift either way, uniform.
#[test]
fn what_is_left_of_a_drift_makes_the_level_uncertain() {
    let bench = Bench::new("V", 0.0, 0.005, 1.0, |t| 1.0 + 0.009 * t).noisy(0.01, 8);
    let tail = window(&bench, 1.0);
    let level = super::settled(&tail, 1.0).unwrap_or_else(|refusal| panic!("{}", refusal.why));
    let drift = trend(tail.t, tail.v, 0.0).expect("a trend").slope * 1.0;
    near(level.u, mean_uncertainty(tail.v).hypot(drift / 12.0_f64.sqrt()), 1e-9);
    assert!(level.u > 1.2 * mean_uncertainty(tail.v), "the drift matters here");
    near(level.value, crate::metrics::numeric::mean(tail.v), 1e-12);
}
