use crate::metrics::numeric::trend;
use crate::metrics::samples::{Bench, near};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

/// 0.5 K/min from 20 °C on, one reading in 100 ms for a minute.
fn warming() -> Bench {
    Bench::new("°C", 0.0, 0.1, 60.0, |t| 293.15 + 0.5 / 60.0 * t)
}

#[test]
fn a_straight_rise_has_its_slope() {
    let found = warming().measured("rise_rate");
    near(found.value, 0.5 / 60.0, 1e-12);
    assert_eq!(found.n, 601);
    let mut falling = warming();
    falling.x().v.iter_mut().for_each(|v| *v = 600.0 - *v);
    near(falling.measured("rise_rate").value, -0.5 / 60.0, 1e-12);
    // An offset of the channel cancels in a slope.
    assert_eq!(warming().uncertain(0.8, 0.0).measured("rise_rate").u, found.u);
    // The moments of first and last reading, each uncertain by 30 ms, against 60 s.
    let shifted = warming().uncertain(0.0, 0.03).measured("rise_rate");
    near((shifted.u.powi(2) - found.u.powi(2)).sqrt(), 0.5 / 60.0 * 2.0_f64.sqrt() * 0.03 / 60.0, 1e-9);
}

/// The aim of the metric itself: a first-order autoregression with rho 0.9 on a rise, rounded to 0.1 K as a
/// controller sends it; U's 95 % interval holds the truth in 93 to 97 % of 1,000 series. Seeds 0 to 999.
#[test]
fn the_interval_of_a_rise_covers_the_truth_in_a_thousand_correlated_records() {
    let truth = 0.5 / 60.0;
    for (step, length) in [(0.1, 30.0), (0.1, 60.0), (0.0, 45.0)] {
        let inside = (0..1000).filter(|seed| {
            let mut random = Xoshiro256PlusPlus::seed_from_u64(*seed);
            let mut draw = || -> f64 { StandardNormal.sample(&mut random) };
            let mut x = draw() / (1.0_f64 - 0.81).sqrt();
            let mut bench = Bench::new("°C", 0.0, 0.1, length, |t| 293.15 + truth * t);
            for v in &mut bench.x().v {
                *v += 0.1 * x;
                if step > 0.0 {
                    *v = 273.15 + ((*v - 273.15) / step).round() * step;
                }
                x = 0.9 * x + draw();
            }
            let found = bench.measured("rise_rate");
            (found.value - truth).abs() <= 1.96 * found.u
        });
        let covered = inside.count() as f64 / 1000.0;
        println!("step {step}, {length} s: {covered}");
        assert!((0.93..=0.97).contains(&covered), "step {step}, {length} s: covered {covered}");
    }
}

/// A slow rise read in whole tenths: the rounding dominates, and U holds the truth wherever the steps fall.
#[test]
fn rounding_is_allowed_for_where_noise_does_not_blur_it() {
    for i in 0..200 {
        let truth = 0.002 + 0.0001 * f64::from(i);
        let start = 20.0 + 0.013 * f64::from(i);
        let bench =
            Bench::new("°C", 0.0, 0.1, 20.0, |t| 273.15 + ((start + truth * t) * 10.0).round() / 10.0)
                .uncertain(0.05, 0.0);
        let found = bench.measured("rise_rate");
        assert!((found.value - truth).abs() <= 2.0 * found.u, "{truth}: {} u {}", found.value, found.u);
        // A record with a single step in it counts for few samples; still no more than a few q / T.
        assert!(found.u < 10.0 * 0.1 / 20.0, "{truth}: u {}", found.u);
    }
}

/// A reading that never changes tells no resolution; the declared uncertainty bounds it by q = u sqrt(12):
/// u = 1.5 u sqrt(12) / (T sqrt(3)) = 3 u / T.
#[test]
fn a_reading_that_never_changes_is_as_uncertain_as_its_declaration() {
    let found = Bench::new("°C", 0.0, 0.1, 60.0, |_| 293.15).uncertain(0.2, 0.0).measured("rise_rate");
    assert_eq!(found.value, 0.0);
    near(found.u, 3.0 * 0.2 / 60.0, 1e-12);
    Bench::new("°C", 0.0, 0.1, 60.0, |_| 293.15).refuses("rise_rate", "all 601 samples of `x` are the same");
}

#[test]
fn a_walk_is_said_to_be_rough() {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(5);
    let mut bench = Bench::new("°C", 0.0, 0.1, 30.0, |_| 293.15);
    let mut x = 0.0;
    for v in &mut bench.x().v {
        let z: f64 = StandardNormal.sample(&mut random);
        x += z;
        *v += x;
    }
    let note = bench.measured("rise_rate").note.expect("a remark");
    assert!(note.contains("are so alike that 301 count for"), "{note}");
}

#[test]
fn records_that_carry_no_rate_are_refused_with_numbers() {
    Bench::new("°C", 0.0, 0.5, 9.0, |t| t).refuses("rise_rate", "19, at least 20 are needed");
    let mut bench = warming();
    bench.x().lost = (0..40).map(f64::from).collect();
    bench.refuses("rise_rate", "40 of 641 samples of `x` in `span` are missing, at most 5 % may be");
    bench.x().lost = (0..31).map(f64::from).collect();
    bench.measured("rise_rate");
    let mut bench = warming();
    for series in [bench.x()] {
        for list in [&mut series.t, &mut series.u_t, &mut series.v] {
            list.drain(200..290);
        }
    }
    bench.refuses("rise_rate", "no sample of `x` for 9.100 s of the 60.000 s of `span`");
    let mut bench = warming();
    bench.x().t.swap(10, 20);
    bench.refuses("rise_rate", "run backwards");
    let mut bench = warming();
    bench.x().u = f64::NAN;
    bench.refuses("rise_rate", "declares no usable uncertainty");
    let mut bench = warming();
    bench.x().name = "y".into();
    bench.refuses("rise_rate", "channel `x` is not in the record");
    let mut bench = warming();
    bench.span.t1 = 0.0;
    bench.refuses("rise_rate", "has no length");
}

/// A line with no room for its polls leaves slots out evenly: three of four are another poll than the suite relies on.
#[test]
fn too_many_slots_that_were_missed_are_refused() {
    let mut bench = Bench::new("°C", 0.0, 0.1, 60.0, |t| 293.15 + 0.01 * t);
    bench.x().missed = (0..200).map(|i| 0.3 * f64::from(i) + 0.05).collect();
    bench.measured("rise_rate");
    bench.x().missed = (0..201).map(|i| 0.29 * f64::from(i) + 0.05).collect();
    bench.refuses("rise_rate", "201 of 802 slots of `x` in `span` were missed, at most 25 % may be");
}

/// Where noise blurs the steps, rounding is noise of variance q^2 / 12 of its own (Sheppard) and nothing more.
#[test]
fn blurred_rounding_is_taken_as_noise_of_its_own() {
    let mut bench = warming().noisy(0.1, 12);
    bench.x().v.iter_mut().for_each(|v| *v = 273.15 + ((*v - 273.15) * 10.0).round() / 10.0);
    let mut wander = 0.0;
    let mut random = Xoshiro256PlusPlus::seed_from_u64(2);
    for v in &mut bench.x().v {
        let z: f64 = StandardNormal.sample(&mut random);
        wander = 0.9 * wander + z;
        *v += (wander * 10.0).round() / 10.0;
    }
    let (t, v) = (bench.x().t[..601].to_vec(), bench.x().v[..601].to_vec());
    let told = trend(&t, &v, 0.01 / 12.0).expect("a trend").u_slope;
    near(bench.measured("rise_rate").u / told, 1.0, 1e-6);
    assert!(told > (1.0 + 1e-5) * trend(&t, &v, 0.0).expect("a trend").u_slope);
}
