use crate::metrics::numeric::{joined, line, noise, resolution};
use crate::metrics::samples::{Bench, near};
use std::f64::consts::PI;

/// A ripple of `height` (five whole turns) on a slow drift.
fn rippling(height: f64) -> Bench {
    Bench::new("rpm", 0.0, 0.005, 4.0, |t| 125.0 + 0.5 * t + height * (2.0 * PI * 1.25 * t).sin())
        .told(&[(-1.0, 125.0), (1.0, 125.0)])
}

/// A sine of k whole turns tilts its own least-squares line by -6 A / (pi k T): its first trough, 0.35 T before the
/// middle for k = 5, lies A (1 + 6 x 0.35 / (5 pi)) = 1.13369 A from the line. The tilt moves the
/// trough a little and 801 samples sum the sine a little differently: 1e-3 A.
#[test]
fn ripple_is_the_largest_deviation_from_the_drift() {
    let one = rippling(0.8).measured("steady_ripple");
    near(one.value, 0.8 * 1.13369, 8e-4);
    // The drift does not count: without it the figure is the same, without removing it would be 1.8.
    let mut flat = rippling(0.8);
    flat.x().t.clone().iter().enumerate().for_each(|(i, t)| flat.x().v[i] -= 0.5 * t);
    near(flat.measured("steady_ripple").value, one.value, 1e-9);
    near(rippling(1.6).measured("steady_ripple").value, 2.0 * one.value, 1e-9);
    assert_eq!(one.n, 801);
}

#[test]
fn one_spike_is_what_ripple_reports() {
    let mut bench = Bench::new("rpm", 0.0, 0.005, 4.0, |_| 125.0).told(&[(-1.0, 125.0)]);
    bench.x().v[400] = 122.0;
    // The spike pulls the line itself by 3/801.
    near(bench.measured("steady_ripple").value, 3.0 * (1.0 - 1.0 / 801.0), 1e-4);
    // Noise s and the resolution of the reading, here 3: joined with 3/sqrt(12).
    let u = bench.measured("steady_ripple").u;
    let noise = (2.0 * 9.0 / (2.0 * 800.0_f64)).sqrt();
    near(u, (noise * noise + 9.0 / 12.0).sqrt(), 1e-3);
}

#[test]
fn a_reading_that_stands_still_keeps_the_rounding_of_its_declared_uncertainty() {
    let bench = Bench::new("rpm", 0.0, 0.01, 2.0, |_| 50.0).told(&[(-1.0, 50.0)]).uncertain(0.06, 0.0);
    let found = bench.measured("steady_ripple");
    assert_eq!(found.value, 0.0);
    near(found.u, 0.06 / 12.0_f64.sqrt(), 1e-12);
}

#[test]
fn the_tail_of_a_ramp_is_left_out_and_a_late_change_refused() {
    let told = |late: f64| {
        Bench::new("rpm", 0.0, 0.005, 4.0, |t| if t < 0.3 { 90.0 } else { 100.0 }).told(&[
            (-0.02, 100.0),
            (late - 0.001, 95.0),
            (late, 100.0),
        ])
    };
    // The samples before the last frame do not count.
    assert!(told(0.39).measured("steady_ripple").value < 1e-9);
    assert!(told(0.2).measured("steady_ripple").value > 5.0);
    told(0.41).refuses("steady_ripple", "changed as late as 0.410 s into `span`");
    let mut pump = told(0.39);
    let mut other = pump.columns.demands[0].clone();
    other.name = "pump".into();
    other.t = vec![0.0, 2.0];
    other.v = vec![0.8, 0.5];
    pump.columns.demands.push(other);
    pump.refuses("steady_ripple", "demand `pump` changed as late as 2.000 s");
}

#[test]
fn spans_that_are_not_steady_or_whole_are_refused() {
    Bench::new("rpm", 0.0, 0.005, 4.0, |t| t)
        .told(&[(-1.0, 0.0), (0.0, 10.0)])
        .refuses("steady_ripple", "the demand changes");
    let mut bench = rippling(1.0);
    bench.x().v[3] = f64::INFINITY;
    bench.refuses("steady_ripple", "1 of 801 samples of `x` in `span` are not a number");
    bench.span.complete = false;
    bench.refuses("steady_ripple", "was cut");
    Bench::new("rpm", 0.0, 0.5, 4.0, |t| t).refuses("steady_ripple", "9, at least 10 are needed");
}

/// The line's own uncertainty at the sample counts: most at either end, where it is twice that of the mean.
#[test]
fn the_line_is_uncertain_itself() {
    let mut bench = Bench::new("rpm", 0.0, 0.25, 4.0, |_| 125.0).told(&[(-1.0, 125.0)]).noisy(0.3, 2);
    bench.x().v[0] += 2.0;
    let (t, v) = (bench.x().t[..17].to_vec(), bench.x().v[..17].to_vec());
    let fit = line(&t, &v).expect("a line");
    let rounding = resolution(&v).expect("different values") / 12.0_f64.sqrt();
    let found = bench.measured("steady_ripple");
    near(found.value, (v[0] - fit.at(0.0)).abs(), 1e-12);
    near(found.u, joined([noise(&v), fit.u_at(0.0), rounding]), 1e-12);
    assert!(fit.u_at(0.0) > 0.3 * found.u, "the line matters here");
}
