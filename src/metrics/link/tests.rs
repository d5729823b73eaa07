use crate::metrics::samples::{Bench, near};

/// Round trips of 1, 2, 3 ... ms, one request every 10 ms; those of the list are lost.
fn polled(n: usize, lost: impl Fn(usize) -> bool) -> Bench {
    let mut bench = Bench::new("V", 0.0, 0.1, 0.01 * n as f64, |_| 0.0);
    let link = &mut bench.columns.links[0];
    link.t = (0..n).map(|i| 0.01 * i as f64).collect();
    // In no order of size, so that sorting is needed.
    link.round_trip = (0..n).map(|i| (!lost(i)).then(|| 1e-3 * (1 + (i * 7) % n) as f64)).collect();
    bench
}

/// Nearest rank: of 1..=1000 ms the median is the 500th, the 99 % quantile the 990th. Intervals at two sigma: ranks
/// 468 and 533 (500 ± 2 sqrt(250) = 31.6, and one for the discreteness) and 990 ± 2 sqrt(9.9) = 6.3, the exact binomial within one rank of it.
#[test]
fn quantiles_of_round_trips_are_nearest_ranks_with_binomial_intervals() {
    let found = polled(1000, |_| false).measured("round_trip_p50");
    near(found.value, 0.500, 1e-12);
    near(found.u, 0.5 * 0.033, 1e-9);
    assert_eq!((found.n, found.note), (1000, None));
    let found = polled(1000, |_| false).measured("round_trip_p99");
    near(found.value, 0.990, 1e-12);
    near(found.u, 0.5 * 0.0063, 0.6e-3);
}

/// A clock of whole microseconds: two moments, each uniform over one, 1 us / sqrt(6).
#[test]
fn equal_round_trips_keep_the_resolution_of_the_clock() {
    let mut bench = polled(500, |_| false);
    bench.columns.links[0].round_trip.fill(Some(0.002));
    near(bench.measured("round_trip_p99").u, 1e-6 / 6.0_f64.sqrt(), 1e-15);
}

#[test]
fn a_lost_reply_counts_as_longer_than_any() {
    // The longest two of 1000 lost: rank 990 of all requests is still the 990th.
    let two = polled(1000, |i| (1 + (i * 7) % 1000) > 998);
    let found = two.measured("round_trip_p99");
    near(found.value, 0.990, 1e-12);
    assert_eq!(found.note.as_deref(), Some("2 lost replies count as longer than any"));
    // Losing the fastest ones moves the quantile up.
    let fast = polled(1000, |i| (1 + (i * 7) % 1000) <= 2);
    near(fast.measured("round_trip_p99").value, 0.992, 1e-12);
    let many = polled(1000, |i| i % 50 == 0);
    many.refuses("round_trip_p99", "20 of 1000 replies were lost: the 99 % quantile");
    many.measured("round_trip_p50");
    // The quantile itself, rank 990, is known of 995 replies; the upper end of its interval is not.
    polled(1000, |i| (1 + (i * 7) % 1000) > 995).refuses("round_trip_p99", "5 of 1000 replies were lost");
    polled(376, |_| false).refuses("round_trip_p99", "376 requests are too few");
    polled(377, |_| false).measured("round_trip_p99");
    let mut bench = polled(500, |_| false);
    bench.columns.links[0].round_trip[3] = Some(f64::NAN);
    bench.refuses("round_trip_p50", "not a number");
}

#[test]
fn losses_are_a_share_with_an_uncertainty_even_at_none() {
    let none = polled(1000, |_| false).measured("reply_loss");
    assert_eq!((none.value, none.n, none.note.as_deref()), (0.0, 1000, Some("0 of 1000 requests")));
    // Jeffreys: 2.594 / n at 97.7 %, halved.
    near(none.u, 0.5 * 2.594e-3, 1e-5);
    let some = polled(1000, |i| i % 10 == 0).measured("reply_loss");
    near(some.value, 0.1, 1e-12);
    // Beta(100.5, 900.5) at 97.725 % is 0.12017 (SciPy 1.17); the normal approximation would give 0.0095.
    near(some.u, 0.5 * 0.02017, 5e-6);
    polled(19, |_| false).refuses("reply_loss", "link `l` has 19 requests in `span`, at least 20 are needed");
}

#[test]
fn slots_missed_are_a_share_of_all_slots() {
    let mut bench = polled(90, |_| false);
    bench.columns.links[0].missed = (0..10).map(|i| 0.05 * f64::from(i)).collect();
    let found = bench.measured("slots_missed");
    near(found.value, 0.1, 1e-12);
    assert_eq!((found.n, found.note.as_deref()), (100, Some("10 of 100 slots")));
    // Outside the span nothing counts.
    bench.columns.links[0].missed = vec![-0.1, 0.91, 55.0];
    assert_eq!(bench.measured("slots_missed").value, 0.0);
    bench.span.t1 = 0.5;
    assert_eq!(bench.measured("reply_loss").n, 51);
}

#[test]
fn links_that_are_not_there_or_spans_that_were_cut_are_refused() {
    for id in ["round_trip_p50", "round_trip_p99", "reply_loss", "slots_missed"] {
        let mut bench = polled(500, |_| false);
        bench.span.complete = false;
        bench.refuses(id, "`span` was cut after 5.000 s");
        bench.span.complete = true;
        bench.columns.links[0].name = "other".into();
        bench.refuses(id, "link `l` is not in the record");
    }
}
