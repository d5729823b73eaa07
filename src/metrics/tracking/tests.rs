use crate::metrics::samples::{Bench, near};

/// First-order lag of `tau` behind a ramp of `slope`, told every 10 ms, once the transient is over.
fn lagging(slope: f64, tau: f64, dt: f64) -> Bench {
    let frames: Vec<(f64, f64)> = (-10..=405).map(|i| 0.01 * f64::from(i)).map(|t| (t, slope * t)).collect();
    Bench::new("rad/s", 0.0, dt, 4.0, |t| slope * (t - tau)).told(&frames)
}

/// First-order: a ramp is followed slope x tau late (textbook). The frames stand for 10 ms, so the demand in
/// force at a sample is up to one frame old: with samples right on the frames it is exact.
#[test]
fn a_lag_of_first_order_follows_a_ramp_late_by_slope_times_tau() {
    let bench = lagging(15.0, 0.04, 0.02);
    near(bench.measured("tracking_mean").value, -15.0 * 0.04, 0.15 / 2.0);
    let bench = lagging(-15.0, 0.04, 0.02);
    near(bench.measured("tracking_mean").value, 15.0 * 0.04, 0.15 / 2.0);
}

/// Demand 0, channel as listed: the figures by hand.
#[test]
fn figures_of_a_short_record_are_what_arithmetic_says() {
    let list = [1.0, -2.0, 3.0, -4.0, 1.0, 1.0, 0.0, 0.0, 2.0, 1.0, 2.0, 99.0];
    let bench = |demand: f64| {
        let mut bench = Bench::new("V", 0.0, 0.1, 1.0, |_| 0.0).told(&[(-1.0, demand)]);
        bench.x().v = list.to_vec();
        bench
    };
    near(bench(0.0).measured("tracking_mean").value, 5.0 / 11.0, 1e-12);
    near(bench(0.0).measured("tracking_rms").value, (41.0_f64 / 11.0).sqrt(), 1e-12);
    near(bench(0.0).measured("tracking_max").value, 4.0, 1e-12);
    near(bench(1.0).measured("tracking_mean").value, 5.0 / 11.0 - 1.0, 1e-12);
    near(bench(1.0).measured("tracking_max").value, 5.0, 1e-12);
    assert_eq!(bench(0.0).measured("tracking_rms").n, 11);
}

/// The demand is the one that stood at the sample's moment: a frame counts from when it was sent.
#[test]
fn the_demand_is_what_had_been_told_by_then() {
    let bench = Bench::new("V", 0.0, 0.1, 1.0, |_| 5.0).told(&[(-1.0, 5.0), (0.55, 7.0)]);
    near(bench.measured("tracking_mean").value, -2.0 * 5.0 / 11.0, 1e-12);
    near(bench.measured("tracking_max").value, 2.0, 1e-12);
}

/// An offset of all samples does not average out; noise does; moments enter by the slope.
#[test]
fn uncertainties_join_as_the_gum_says() {
    let still =
        |u: f64, u_t: f64| Bench::new("V", 0.0, 0.01, 4.0, |_| 3.0).told(&[(-1.0, 2.0)]).uncertain(u, u_t);
    for id in ["tracking_mean", "tracking_max"] {
        near(still(0.3, 0.1).measured(id).u, 0.3, 1e-12);
    }
    // rms of 1 V from an offset alone: first order u, second order u^2 sqrt(2) / 2.
    near(still(0.3, 0.1).measured("tracking_rms").u, (0.09_f64 + 0.09 * 0.09 / 2.0).sqrt(), 1e-12);
    // Nothing to be seen: the offset is all there is.
    let nothing = Bench::new("V", 0.0, 0.01, 4.0, |_| 2.0).told(&[(-1.0, 2.0)]).uncertain(0.3, 0.0);
    assert_eq!(nothing.measured("tracking_rms").u, 0.3);
    // A ramp of 15 V/s with moments uncertain by 2 ms: 30 mV in each figure, joined with the noise the steady
    // ramp looks like (15 V/s x 10 ms / sqrt(2) per sample).
    let ramp = |u_t: f64| lagging(15.0, 0.04, 0.01).uncertain(0.0, u_t);
    for id in ["tracking_mean", "tracking_max", "tracking_rms"] {
        let (with, without) = (ramp(0.002).measured(id).u, ramp(0.0).measured(id).u);
        near((with * with - without * without).sqrt(), 0.030, 1e-4);
    }
    let noisy = |n: f64| Bench::new("V", 0.0, 4.0 / n, 4.0, |_| 2.0).told(&[(-1.0, 2.0)]).noisy(0.2, 9);
    near(noisy(400.0).measured("tracking_mean").u, 0.2 / 20.0, 0.001);
    near(noisy(400.0).measured("tracking_max").u, 0.2, 0.02);
    // rms of pure noise: s / sqrt(2 n) for its own square and s / sqrt(n) for what it stands on.
    near(noisy(400.0).measured("tracking_rms").u, 0.2 / 20.0 * 1.5_f64.sqrt(), 0.001);
}

#[test]
fn tracking_that_cannot_be_told_is_refused_with_numbers() {
    for id in ["tracking_mean", "tracking_max", "tracking_rms"] {
        let good = || Bench::new("V", 0.0, 0.01, 4.0, |_| 3.0).told(&[(-1.0, 2.0)]);
        good().measured(id);
        good().told(&[(0.105, 2.0)]).refuses(id, "no demand `d` had been sent at 11 of 401 samples");
        let mut bench = good();
        bench.columns.demands[0].name = "other".into();
        bench.refuses(id, "demand `d` is not in the record");
        let mut bench = good();
        bench.columns.demands[0].unit = crate::units::parse_unit("rpm").expect("a unit");
        bench.refuses(id, "`x` is a voltage and cannot be held against demand `d`, a speed");
        let mut bench = good();
        bench.columns.demands[0].v[0] = f64::NAN;
        bench.refuses(id, "demand `d` is not a number everywhere");
        let mut bench = good();
        bench.x().v[10] = f64::NAN;
        bench.x().v[400] = f64::NAN;
        bench.refuses(id, "2 of 401 samples of `x` in `span` are not a number");
        // Outside the span it does not matter.
        let mut bench = good();
        bench.x().v[401] = f64::NAN;
        bench.measured(id);
    }
}

/// A gap counts once it is both a tenth of the span and far longer than the samples usually come.
#[test]
fn gaps_that_matter_are_told_from_those_that_do_not() {
    let without = |dt: f64, t1: f64, from: usize, to: usize| {
        let mut bench = Bench::new("V", 0.0, dt, t1, |_| 3.0).told(&[(-1.0, 2.0)]);
        let series = bench.x();
        for list in [&mut series.t, &mut series.u_t, &mut series.v] {
            list.drain(from..to);
        }
        bench
    };
    without(0.01, 4.0, 100, 135).measured("tracking_rms");
    without(0.01, 4.0, 100, 145).refuses("tracking_rms", "no sample of `x` for 0.460 s of the 4.000 s");
    without(0.1, 0.95, 0, 0).measured("tracking_rms");
    // At either end as well.
    without(0.01, 4.0, 0, 50).refuses("tracking_rms", "no sample of `x` for 0.500 s");
    without(0.01, 4.0, 350, 402).refuses("tracking_rms", "no sample of `x` for 0.510 s");
}
