use crate::metrics::samples::{Bench, near};
use std::f64::consts::TAU;

/// 155 V with a sawtooth of 10.64 V from peak to peak (I / 2 f C at 5 A, 50 Hz, 4.7 mF: the upper bound of a capacitor's ripple)
/// and a slow drift.
fn sawtooth(frequency: f64) -> impl Fn(f64) -> f64 {
    move |t| 155.0 + 0.5 * t + 10.64 * (0.5 - (t * frequency + 0.123).fract())
}

/// Sampled at 8 kHz for 0.4 s, with noise; the samples next to the corner miss it by up to one in 80, which U allows for.
#[test]
fn a_capacitors_ripple_has_its_height_and_twice_the_mains_frequency() {
    let bench = Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0).burst_noisy(
        1.0,
        8000.0,
        3200,
        &[("x", "V", &sawtooth(100.0))],
        0.05,
        3,
    );
    let found = bench.measured("bus_ripple");
    assert!((found.value - 10.64).abs() <= 2.0 * found.u && found.u < 0.2, "{found:?}");
    near(bench.measured("bus_ripple_frequency").value, 100.0, 0.05);
    assert!(found.note.is_some_and(|n| n == "strongest at 100.0 Hz"));
}

/// One leg of the bridge is dead: ripple at the mains' own frequency.
#[test]
fn a_dead_leg_shows_as_half_the_frequency() {
    let bench = Bench::new("V", 0.0, 0.001, 2.0, sawtooth(50.0));
    near(bench.measured("bus_ripple_frequency").value, 50.0, 0.05);
    near(bench.measured("bus_ripple").value, 10.64, 0.6);
    // Weaker every second time: the strongest is 100 Hz, but the height is that of both.
    let uneven = |t: f64| 155.0 + 3.0 * (TAU * 100.0 * t).sin() + 1.0 * (TAU * 50.0 * t).sin();
    let found = Bench::new("V", 0.0, 0.0005, 2.0, uneven).measured("bus_ripple");
    assert!(found.value > 6.5 && found.value < 8.0, "{found:?}");
}

/// A sine in noise: frequency within U for about 95 of 100, U by the bound of Cramer and Rao.
#[test]
fn the_interval_of_the_frequency_holds_the_truth() {
    let held = (0..200)
        .filter(|seed| {
            let found = Bench::new("V", 0.0, 0.001, 1.0, |t| 155.0 + 2.0 * (TAU * 99.7 * t).sin())
                .noisy(0.5, *seed)
                .measured("bus_ripple_frequency");
            (found.value - 99.7).abs() <= 2.0 * found.u
        })
        .count();
    println!("held {held} of 200");
    assert!((182..=200).contains(&held), "{held}");
}

#[test]
fn noise_alone_is_no_ripple_and_slow_sampling_sees_none() {
    let noise = Bench::new("V", 0.0, 0.001, 2.0, |_| 155.0).noisy(0.1, 4);
    let found = noise.measured("bus_ripple");
    assert!(found.value < 0.6, "{found:?}");
    for id in ["bus_ripple", "bus_ripple_frequency"] {
        Bench::new("V", 0.0, 0.005, 4.0, sawtooth(100.0)).refuses(id, "is sampled at 200 Hz");
        let mut bench = Bench::new("V", 0.0, 0.001, 2.0, sawtooth(100.0));
        bench.x().v[50] = f64::NAN;
        bench.refuses(id, "1 of 2001 samples");
    }
}

/// Polled at 1 kHz: 1 V from peak to peak for 6 s and then 20 V for 4 s. The greater part is not the whole.
#[test]
fn ripple_that_grows_late_is_found() {
    let late = |t: f64| 155.0 + if t < 6.0 { 0.5 } else { 10.0 } * (TAU * 100.3 * t).sin();
    let found = Bench::new("V", 0.0, 0.001, 10.0, late).measured("bus_ripple");
    // Ten samples a period: the crest falls between two of them.
    assert!((found.value - 20.0).abs() <= 2.0 * found.u && found.value > 17.0, "{found:?}");
    let note = found.note.expect("a note");
    assert!(note.contains("largest of 25 pieces, at "), "{note}");
    assert_eq!(found.n, 10_001);
    let even = |t: f64| 155.0 + 0.5 * (TAU * 100.3 * t).sin();
    let found = Bench::new("V", 0.0, 0.001, 10.0, even).measured("bus_ripple");
    assert!((found.value - 1.0).abs() <= 2.0 * found.u, "{found:?}");
}

/// 3.0 V at 100 Hz beside 3.1 V at 400 Hz: 11.76 V from peak to peak, which no stretch of 5 ms shows. Nor does one of
/// 40 ms show two periods of 15 Hz.
#[test]
fn a_slower_part_beside_the_strongest_is_seen_whole() {
    let both = |t: f64| 155.0 + 3.0 * (TAU * 100.0 * t).sin() + 3.1 * (TAU * 400.0 * t).sin();
    let truth = {
        let ends = (0..100_000).map(|i| both(i as f64 * 1e-7));
        let ends = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(x), h.max(x)));
        ends.1 - ends.0
    };
    near(truth, 11.76, 0.01);
    let of = |course: &dyn Fn(f64) -> f64| {
        let bench = Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0);
        bench.burst_noisy(1.0, 8000.0, 3200, &[("x", "V", course)], 0.02, 3).measured("bus_ripple")
    };
    let found = of(&both);
    assert!((found.value - truth).abs() <= 2.0 * found.u && found.u < 0.8, "{found:?}");
    let slow = |t: f64| 155.0 + 3.0 * (TAU * 15.0 * t).sin() + 4.0 * (TAU * 400.0 * t).sin();
    let found = of(&slow);
    assert!((found.value - 14.0).abs() <= 2.0 * found.u && found.value > 13.0, "{found:?}");
}

/// Steps of 0.5 V: the largest and the smallest sample are rounded.
#[test]
fn rounding_is_doubt_of_the_ripple() {
    let bench = |step: f64| {
        Bench::new("V", 0.0, 0.001, 2.0, move |t| {
            155.0 + step * ((2.0 * (TAU * 100.3 * t).sin()) / step).round()
        })
    };
    let found = bench(0.5).measured("bus_ripple");
    assert!(found.u >= 0.5 * (2.0 / 12.0_f64).sqrt() && (found.value - 4.0).abs() <= 2.0 * found.u);
    let still = Bench::new("V", 0.0, 0.001, 2.0, |_| 155.0).uncertain(0.5, 0.0).measured("bus_ripple");
    assert!(still.u >= 0.5 * (2.0 / 12.0_f64).sqrt(), "{still:?}");
}
