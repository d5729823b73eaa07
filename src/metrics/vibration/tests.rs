use crate::metrics::Value;
use crate::metrics::samples::{Bench, near};
use std::f64::consts::TAU;

const ID: &str = "vibration_velocity";

/// Acceleration of sines of so many mm/s rms at so many Hz, for `length` seconds at 5 kHz.
fn shaking(parts: &[(f64, f64)], length: f64) -> Bench {
    let course = |t: f64| -> f64 {
        parts.iter().map(|(f, v)| v * 1e-3 * 2.0_f64.sqrt() * TAU * f * (TAU * f * t + f).cos()).sum()
    };
    Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0).burst(
        1.0,
        5000.0,
        (5000.0 * length) as usize,
        &[("x", "m/s2", &course)],
    )
}

/// a = 2 pi f v for a sine: what is put in as velocity comes out, on a line of the spectrum or between two, near the low
/// edge too.
#[test]
fn a_sine_has_the_velocity_that_it_was_made_of() {
    for f in [13.0, 13.4, 25.0, 100.0, 123.456, 900.0] {
        near(shaking(&[(f, 2.8)], 1.0).measured(ID).value * 1e3, 2.8, 0.01);
    }
    // Independent sines add in squares: 3, 4 and 12 make 13.
    let found = shaking(&[(40.0, 3.0), (160.0, 4.0), (480.0, 12.0)], 2.0).measured(ID);
    near(found.value * 1e3, 13.0, 0.02);
    assert!(found.u < 0.05 * found.value, "{found:?}");
}

/// ISO 20816 takes 10 Hz to 1 kHz: what lies outside does not count. 6 x electrical may lie above.
#[test]
fn what_lies_outside_the_band_does_not_count() {
    near(shaking(&[(5.0, 9.0), (100.0, 2.8), (1500.0, 9.0)], 2.0).measured(ID).value * 1e3, 2.8, 0.02);
    let mut bench = shaking(&[(100.0, 2.8), (1500.0, 4.0)], 2.0);
    bench.given.add("frequencies", Value::Range(1200.0, 1800.0), "");
    near(bench.measured(ID).value * 1e3, 4.0, 0.02);
}

/// White acceleration of density D has the mean square D / (4 pi^2) (1/low - 1/high); the interval holds it.
#[test]
fn noise_has_the_velocity_of_its_density() {
    let density: f64 = 0.01 / 2500.0;
    let truth = (density * (1.0 / 10.0 - 1.0 / 1000.0)).sqrt() / TAU;
    let held = (0..100)
        .filter(|seed| {
            let found = Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0)
                .burst_noisy(1.0, 5000.0, 10_000, &[("x", "m/s2", &|_| 0.0)], 0.1, *seed)
                .measured(ID);
            (found.value - truth).abs() <= 2.0 * found.u
        })
        .count();
    println!("held {held} of 100");
    // 95.45 of 100 with a standard deviation of 2.1: two below.
    assert!(held >= 91, "held {held} of 100");
}

#[test]
fn the_scale_is_doubt_of_the_velocity() {
    let mut bench = shaking(&[(100.0, 2.8)], 2.0);
    let bare = bench.measured(ID);
    bench.columns.bursts[0].channels[0].u_scale = 0.05;
    near(bench.measured(ID).u, bare.u.hypot(0.05 * bare.value), 1e-9);
}

#[test]
fn what_is_no_such_vibration_is_refused() {
    shaking(&[(100.0, 2.8)], 0.7).refuses(ID, "0.700 s long: 8 turns of 10 Hz take 0.800 s");
    let mut bench = shaking(&[(100.0, 2.8)], 1.0);
    bench.given.add("frequencies", Value::Range(10.0, 2500.0), "");
    bench.refuses(ID, "sampled at 5000 Hz: a band up to 2500 Hz needs 6250");
    let volts = Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0).burst(1.0, 5000.0, 5000, &[("x", "V", &|_| 1.0)]);
    volts.refuses(ID, "is a voltage and no acceleration");
    let still = Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0).burst(1.0, 5000.0, 5000, &[("x", "m/s2", &|_| 0.0)]);
    near(still.measured(ID).value, 0.0, 1e-12);
}
