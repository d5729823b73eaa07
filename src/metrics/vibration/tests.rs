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

/// a = 2 pi f v for a sine: what is put in as velocity comes out, on a line of the spectrum or between two, on the edges
/// too.
#[test]
fn a_sine_has_the_velocity_that_it_was_made_of() {
    for f in [10.0, 10.2, 13.0, 13.4, 25.0, 100.0, 123.456, 900.0, 999.7, 1000.0] {
        near(shaking(&[(f, 2.8)], 1.0).measured(ID).value * 1e3, 2.8, 0.01);
    }
    // The run-up's bursts hold eight turns of their low edge: 1200 rpm turn 20 times a second.
    for f in [20.0, 20.5, 21.0] {
        let course = |t: f64| 2.8e-3 * 2.0_f64.sqrt() * TAU * f * (TAU * f * t + f).cos();
        let mut bench =
            Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0).burst(1.0, 10_000.0, 4096, &[("x", "m/s2", &course)]);
        bench.given.add("frequencies", Value::Range(20.0, 1000.0), "");
        let found = bench.measured(ID);
        near(found.value * 1e3, 2.8, 0.01);
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

/// White acceleration of density D has the mean square D / (4 pi^2) (1/low - 1/high); the interval holds that of the band
/// with the two steps of half a hertz beyond either edge, and for the band alone it errs upwards.
#[test]
fn noise_has_the_velocity_of_its_density() {
    let density: f64 = 0.01 / 2500.0;
    let truth = |low: f64, high: f64| (density * (1.0 / low - 1.0 / high)).sqrt() / TAU;
    let mut under = 0;
    let held = (0..100)
        .filter(|seed| {
            let found = Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0)
                .burst_noisy(1.0, 5000.0, 10_000, &[("x", "m/s2", &|_| 0.0)], 0.1, *seed)
                .measured(ID);
            under += usize::from(found.value + 2.0 * found.u < truth(10.0, 1000.0));
            (found.value - truth(9.0, 1001.0)).abs() <= 2.0 * found.u
        })
        .count();
    println!("held {held} of 100, {under} too small");
    // 2.3 of 100 with a standard deviation of 1.5: two above.
    assert!(under <= 5, "{under} of 100 too small");
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
    let volts = Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0).burst(1.0, 5000.0, 5000, &[("x", "V", &|t| t)]);
    volts.refuses(ID, "is a voltage and no acceleration");
    let mut still =
        Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0).burst(1.0, 5000.0, 5000, &[("x", "m/s2", &|_| 0.0)]);
    still.refuses(
        ID,
        "all 5000 samples of `x` in the burst at 1.000 s are the same: no sensor at work is so still",
    );
    // One count up and down, above the band: no figure, but what a count may hide at the low edge is doubt of it.
    let waveform = &mut still.columns.bursts[0].channels[0];
    waveform.scale = 0.01;
    waveform.raw.iter_mut().enumerate().for_each(|(i, count)| *count = (i % 2) as i16);
    let found = still.measured(ID);
    near(found.value, 0.0, 1e-12);
    assert!(found.u >= 0.01 / 12.0_f64.sqrt() / (TAU * 10.0), "{found:?}");
    assert_eq!(found.note.as_deref(), Some("no larger than the converter's rounding"));
}
