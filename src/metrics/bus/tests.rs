use crate::metrics::Value;
use crate::metrics::numeric::{joined, noise};
use crate::metrics::samples::{Bench, near};
use std::f64::consts::PI;

/// 155 V with 0.5 V of ripple at 100 Hz that gives way by 6 V from 1 s on.
fn sagging(ripple: f64) -> Bench {
    Bench::new("V", 0.0, 0.001, 4.0, |t| {
        155.0 + ripple * (2.0 * PI * 100.0 * t).sin() - if (1.0..3.0).contains(&t) { 6.0 } else { 0.0 }
    })
}

#[test]
fn sag_is_the_level_before_load_minus_the_lowest_sample() {
    near(sagging(0.0).measured("bus_sag").value, 6.0, 1e-12);
    // Median of whole turns is the middle; the lowest sample has the ripple's trough: 6 + 0.5 sin(72°).
    near(sagging(0.5).measured("bus_sag").value, 6.0 + 0.5 * (0.4 * PI).sin(), 1e-9);
    let found = sagging(0.0).noisy(0.1, 4).measured("bus_sag");
    assert_eq!(found.n, 4001);
    // One sample's noise, to the accuracy of an estimate from 4000 differences and two steps of 6 V in it.
    near(found.u, 0.1 * (1.0 + 72.0 / (2.0 * 4000.0 * 0.01_f64)).sqrt(), 0.02);
    // A common offset of the channel cancels.
    assert_eq!(sagging(0.0).noisy(0.1, 4).uncertain(0.5, 0.0).measured("bus_sag").u, found.u);
}

#[test]
fn the_first_window_is_a_fifth_of_a_second_or_nine_samples() {
    // Load from 0.15 s on: the median of 0 to 0.2 s still is the level before it, that of a longer window is not.
    let early = |dt: f64, from: f64| Bench::new("V", 0.0, dt, 4.0, |t| if t < from { 155.0 } else { 150.0 });
    near(early(0.001, 0.15).measured("bus_sag").value, 5.0, 1e-12);
    near(early(0.001, 0.09).measured("bus_sag").value, 0.0, 1e-12);
    // Nine samples at 50 ms reach to 0.4 s.
    near(early(0.05, 0.24).measured("bus_sag").value, 5.0, 1e-12);
    near(early(0.05, 0.19).measured("bus_sag").value, 0.0, 1e-12);
    early(0.125, 0.1).refuses("bus_sag", "25 % of `span`: at most 20 % may be");
}

#[test]
fn a_bus_that_only_rises_has_no_sag_and_says_so() {
    let found =
        Bench::new("V", 0.0, 0.001, 4.0, |t| if t < 0.001 { 156.0 } else { 155.0 }).measured("bus_sag");
    assert_eq!(
        (found.value, found.note.as_deref()),
        (0.0, Some("no sag: the lowest sample is 0 V above the first level"))
    );
    let mut bench = sagging(0.0);
    bench.x().v[7] = f64::NAN;
    bench.refuses("bus_sag", "1 of 4001 samples");
    Bench::new("V", 0.0, 0.5, 4.0, |_| 155.0).refuses("bus_sag", "9, at least 18 are needed");
}

/// Median of the first window and noise of one sample: sqrt(pi/2) times the uncertainty of its mean.
#[test]
fn the_level_before_load_is_uncertain_itself() {
    let mut bench = Bench::new("V", 0.0, 0.02, 4.0, |t| if t < 0.5 { 155.0 } else { 150.0 });
    for (i, v) in bench.x().v.iter_mut().take(11).enumerate() {
        *v += [0.0, 0.4, 0.5, -0.2][i % 4];
    }
    let v = bench.x().v.clone();
    let before = (0.5 * PI / 11.0).sqrt() * noise(&v[..11]);
    let found = bench.measured("bus_sag");
    // Two values lie a tenth apart.
    near(found.u, joined([before, noise(&v[..201]), 0.1 / 12.0_f64.sqrt()]), 1e-9);
    assert!(before > 0.1 * found.u, "the level before load matters here");
}

/// A reading that never changes has no noise, but it was rounded: within what the channel declares.
#[test]
fn a_bus_that_stands_still_is_known_no_better_than_its_rounding() {
    let found = Bench::new("V", 0.0, 0.001, 4.0, |_| 155.0).uncertain(0.5, 0.0).measured("bus_sag");
    assert_eq!(found.value, 0.0);
    near(found.u, 0.5 / 12.0_f64.sqrt(), 1e-12);
    let coarse = Bench::new("V", 0.0, 0.001, 4.0, |t| if t < 2.0 { 155.0 } else { 154.0 });
    assert!(coarse.measured("bus_sag").u > 1.0 / 12.0_f64.sqrt());
}

/// 155 V on 4.7 mF with a load of 5 A: a sawtooth of I / (2 f C) = 10.64 V at 100 Hz (the upper bound of a capacitor's ripple), of which
/// polls every 5 ms meet the same two points for ever. Between two of them 5 A take 5 x 5 ms / 4.7 mF = 5.32 V. Whatever point of the
/// ripple they keep step with, the figure and twice its uncertainty reach the true lowest.
#[test]
fn what_the_capacitor_loses_between_two_samples_counts() {
    let height: f64 = 5.0 / (2.0 * 50.0 * 4.7e-3);
    let under_load = |phase: f64| {
        let bus = move |t: f64| {
            if t < 1.0 { 155.0 } else { 155.0 - height * ((t + phase) * 100.0).rem_euclid(1.0) }
        };
        let mut bench = Bench::new("V", 0.0, 0.005, 4.0, bus);
        bench.add("i", "A", |t| if t < 0.9 { 0.0 } else { 5.0 });
        bench
    };
    for step in 0..20 {
        let phase = 0.25e-3 + f64::from(step) * 0.5e-3;
        let without = under_load(phase).measured("bus_sag");
        let mut bench = under_load(phase).given_name("current", "i");
        bench.given.add("capacitance", Value::Range(4.7e-3, 5.0e-3), "4.7 mF to 5 mF");
        let found = bench.measured("bus_sag");
        near(found.value - without.value, 0.5 * 5.0 * 0.005 / 4.7e-3, 1e-9);
        assert!(
            found.value + 2.0 * found.u >= height,
            "{phase}: {} u {}, in truth {height}",
            found.value,
            found.u
        );
    }
    // At its worst the samples alone miss half of it.
    let least = (0..20)
        .map(|i| under_load(0.25e-3 + f64::from(i) * 0.5e-3).measured("bus_sag").value)
        .fold(f64::MAX, f64::min);
    assert!(least < 0.6 * height, "{least} of {height}");
    under_load(0.0).given_name("current", "i").refuses("bus_sag", "together or not at all");
}
