use crate::columns::LostBurst;
use crate::metrics::samples::{Bench, Signal};
use std::f64::consts::TAU;

const TURNING: [Signal<'_>; 2] =
    [("x", "V", &|t| (TAU * 20.0 * t).sin()), ("c", "V", &|t| (TAU * 20.0 * t).cos())];

#[test]
fn bursts_that_cannot_be_used_are_refused() {
    let id = "resolver_radius";
    let empty = || Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0).given_name("with", "c");
    empty().refuses(id, "no burst with `x` lies within `span`");
    let good = || empty().burst(1.0, 1000.0, 500, &TURNING);
    good().measured(id);
    // A burst that begins within and ends beyond the span is none of it.
    let mut late = good();
    late.span.t1 = 1.3;
    late.refuses(id, "no burst with `x`");
    let mut clipped = good();
    let end = clipped.columns.bursts[0].channels[0].ends.1;
    clipped.columns.bursts[0].channels[0].raw[17] = end;
    clipped.refuses(id, "1 of 500 samples of `x` in the burst at 1.000 s stand at an end");
    let mut torn = good();
    torn.columns.bursts[0].channels[1].raw.pop();
    torn.refuses(id, "of no use: `c` has 499 samples where others have 500");
    let mut other = good();
    other.columns.bursts[0].channels.pop();
    other.refuses(id, "has no channel `c`");
    let mut cut = good();
    cut.span.complete = false;
    cut.refuses(id, "was cut");
}

/// The cable of a sensor is off: all counts are the same, and every figure of it would be nought without a doubt.
#[test]
fn a_sensor_that_stands_still_is_refused() {
    let ids = ["resolver_radius", "resolver_error", "resolver_offset", "angle_noise", "bus_ripple"];
    for id in ids {
        let mut bench = Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0)
            .given_name("with", "c")
            .burst(1.0, 1000.0, 500, &TURNING)
            .burst(2.0, 1000.0, 500, &TURNING);
        bench.measured(id);
        for count in [0, 1234] {
            bench.columns.bursts[1].channels[0].raw.fill(count);
            bench.refuses(id, "all 500 samples of `x` in the burst at 2.000 s are the same");
        }
        // One count of difference is all that can be asked.
        bench.columns.bursts[1].channels[0].raw[3] = 1235;
        let dead = bench.figure(id).err().is_some_and(|r| r.why.contains("are the same"));
        assert!(!dead, "{id}");
    }
}

/// The one that did not come may have been the worst.
#[test]
fn a_burst_that_was_lost_is_refused_with_its_reason() {
    let lost = |name: &str, t: f64| LostBurst {
        name: "b".into(),
        channels: vec![name.into()],
        t,
        why: "no reply, 3 times in a row".into(),
    };
    for id in ["resolver_radius", "resolver_error", "angle_noise", "bus_ripple"] {
        let mut bench = Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0)
            .given_name("with", "c")
            .burst(1.0, 1000.0, 500, &TURNING);
        // Another channel, and another time.
        bench.columns.lost_bursts = vec![lost("y", 2.0), lost("x", 10.5), lost("x", -0.1)];
        bench.measured(id);
        bench.columns.lost_bursts.push(lost("x", 2.0));
        bench.refuses(id, "burst `b` at 2.000 s within `span` was lost: no reply, 3 times in a row");
    }
}
