use crate::metrics::Value;
use crate::metrics::samples::{Bench, near};
use std::f64::consts::TAU;

/// A channel that does what another did `late` s before, and `off` more.
fn follower(late: f64, off: f64) -> Bench {
    let foot = |t: f64| 30.0 + 20.0 * (TAU * 0.2 * t).sin();
    let mut bench = Bench::new("rad/s", 0.0, 0.005, 20.0, move |t| foot(t - late) + off);
    bench.add("y", "rad/s", foot);
    bench.given.add("with", Value::Name("y".into()), "y");
    bench
}

/// A shift of a sine of amplitude A by d is a difference of amplitude 2 A sin(pi f d), whose root mean square over whole
/// periods is that over the root of two (textbook identity).
#[test]
fn a_shift_and_an_offset_come_out_as_they_are() {
    near(follower(0.1, 0.0).measured("follow_lag").value, 0.1, 1e-4);
    near(follower(0.0, 0.0).measured("follow_lag").value, 0.0, 1e-4);
    near(follower(1.5, 0.0).measured("follow_lag").value, 1.5, 1e-4);
    let expected = 40.0 * (TAU / 2.0 * 0.2 * 0.1).sin() / 2.0_f64.sqrt();
    near(follower(0.1, 0.0).measured("follow_rms").value, expected, 2e-3 * expected);
    near(follower(0.0, 2.5).measured("follow_rms").value, 2.5, 1e-9);
}

/// First-order lag of time constant tau: a ramp is followed slope x tau late (textbook), and so is any slow movement.
#[test]
fn a_slow_movement_is_followed_a_time_constant_late() {
    let (tau, w) = (0.15, TAU * 0.1);
    let mut bench = Bench::new("rad/s", 0.0, 0.005, 20.0, move |t| {
        20.0 / (1.0 + (w * tau).powi(2)).sqrt() * (w * t - (w * tau).atan()).sin()
    });
    bench.add("y", "rad/s", move |t| 20.0 * (w * t).sin());
    bench.given.add("with", Value::Name("y".into()), "y");
    let lag = bench.measured("follow_lag");
    near(lag.value, (w * tau).atan() / w, 2e-3);
    assert!(lag.u < 0.02, "{}", lag.u);
}

#[test]
fn who_does_not_follow_is_refused() {
    let mut bench = follower(0.1, 0.0);
    bench.columns.series[0].v.iter_mut().enumerate().for_each(|(i, v)| *v = (i % 7) as f64);
    bench.refuses("follow_lag", "`x` does not follow `y`");
    // 4.4 s of a period of 5 s: nothing within the 4 s that are tried fits better than their end.
    follower(4.4, 0.0).refuses("follow_lag", "the shift is longer than 4.000 s");
    Bench::new("rad/s", 0.0, 0.01, 2.0, |_| 0.4).refuses("follow_rms", "`with` is not given");
}

#[test]
fn the_uncertainty_holds_both_offsets() {
    let mut bench = follower(0.0, 2.5);
    (bench.columns.series[0].u, bench.columns.series[1].u) = (0.3, 0.4);
    // Mean 2.5 and an offset of 0.5 on it: du = 0.5, with its own square 0.5 x 0.25 / 2.5 x sqrt(1/2) beside.
    let u = bench.measured("follow_rms").u;
    assert!((0.5..0.51).contains(&u), "{u}");
}
