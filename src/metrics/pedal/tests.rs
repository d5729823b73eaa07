use super::{lasting_level, longest};
use crate::metrics::Value;
use crate::metrics::samples::{Bench, near};
use proptest::prelude::*;

/// Tracks every millisecond for 2 s, the second apart by `by` from 1 s on for `length`.
fn tracks(by: f64, length: f64) -> Bench {
    let mut bench = Bench::new("%", 0.0, 0.001, 2.0, |_| 0.4);
    // Half a millisecond before and behind: between samples the record is straight.
    bench.add("y", "%", move |t| if (0.99949..0.9995 + length - 1e-5).contains(&t) { 0.4 - by } else { 0.4 });
    bench.given.add("with", Value::Name("y".into()), "y");
    bench
}

/// Student-competition rule: apart by more than 10 % of travel for more than 100 ms. 10.0 % for ever: no; 10.1 % for
/// 99 ms: no; for 101 ms: yes.
#[test]
fn tracks_apart_count_only_while_they_last() {
    near(tracks(0.100, 5.0).measured("pedal_apart").value, 0.100, 1e-12);
    let short = tracks(0.101, 0.099).measured("pedal_apart").value;
    assert!(short < 0.1, "{short}");
    let long = tracks(0.101, 0.101).measured("pedal_apart").value;
    assert!(long > 0.1, "{long}");
    assert_eq!(tracks(0.0, 1.0).measured("pedal_apart").value, 0.0);
    // The sign does not matter.
    near(tracks(-0.3, 0.5).measured("pedal_apart").value, 0.3, 1e-12);
    let mut bench = tracks(0.101, 0.099);
    bench.given.add("lasting", Value::Range(0.05, 0.05), "50 ms");
    near(bench.measured("pedal_apart").value, 0.101, 1e-12);
}

#[test]
fn the_uncertainty_joins_both_tracks() {
    let mut bench = tracks(0.0, 1.0);
    bench.columns.series[0].u = 0.003;
    bench.columns.series[1].u = 0.004;
    near(bench.measured("pedal_apart").u, 0.005, 1e-12);
}

#[test]
fn sampling_too_coarse_for_the_time_is_refused() {
    let mut bench = Bench::new("%", 0.0, 0.06, 2.0, |_| 0.4);
    bench.add("y", "%", |_| 0.4);
    bench.given.add("with", Value::Name("y".into()), "y");
    bench.refuses("pedal_apart", "no sample of `x` for 0.060 s after");
    let mut bench = tracks(0.1, 1.0);
    bench.columns.series[1].v[7] = f64::NAN;
    bench.refuses("pedal_apart", "1 of 2001 samples of `y`");
    Bench::new("%", 0.0, 0.01, 2.0, |_| 0.4).refuses("pedal_apart", "`with` is not given");
}

/// Every 40 ms for 20 s, the tracks 40 % apart for 0.35 s. Nine replies in a row are lost meanwhile: few of 500, but all
/// that mattered. So are the first of a span.
#[test]
fn tracks_that_part_while_replies_are_lost_are_not_taken_for_one() {
    let parted = |from: f64| {
        let mut bench = Bench::new("%", 0.0, 0.04, 20.0, |_| 0.4);
        bench.add("y", "%", move |t| if (from..from + 0.35).contains(&t) { 0.0 } else { 0.4 });
        bench.given.add("with", Value::Name("y".into()), "y");
        bench
    };
    assert!(parted(10.0).measured("pedal_apart").value > 0.39);
    for (from, at) in [(10.0, "after 9.960 s"), (0.0, "after 0.000 s")] {
        let mut bench = parted(from);
        for series in &mut bench.columns.series {
            let gone = series.within(from - 0.001, from + 0.34);
            assert_eq!(gone.len(), 9);
            series.lost = series.t[gone.clone()].to_vec();
            series.v.drain(gone.clone());
            series.u_t.drain(gone.clone());
            series.t.drain(gone);
        }
        bench.refuses("pedal_apart", at);
    }
}

proptest! {
    /// The level lasts as long as asked, and a little more of it does not.
    #[test]
    fn the_level_is_the_largest_that_lasts(v in prop::collection::vec(0.0..1.0_f64, 20..60), lasting in 0.5..9.0_f64) {
        let t: Vec<f64> = (0..v.len()).map(|i| i as f64).collect();
        let level = lasting_level(&t, &v, lasting);
        prop_assert!(longest(&t, &v, level - 1e-9) >= lasting - 1e-6);
        prop_assert!(longest(&t, &v, level + 1e-6) < lasting);
    }
}
