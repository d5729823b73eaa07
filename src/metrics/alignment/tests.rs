//! Against closed forms.

use crate::metrics::Value;
use crate::metrics::samples::Bench;
use std::f64::consts::TAU;

/// Seconds at each position, and how many.
const EACH: f64 = 1.0;

/// A bench whose demand climbs by sixths of a turn and comes down again, two spans of eight positions, and an angle that
/// reads `angle(demand, climbing)`.
fn stairs(angle: impl Fn(f64, bool) -> f64) -> Bench {
    let told = |t: f64| {
        let stair = (t / EACH).floor().clamp(0.0, 15.0);
        let up = if stair < 8.0 { stair } else { 15.0 - stair };
        up * TAU / 6.0
    };
    let read = |t: f64| angle(told(t), t < 8.0 * EACH).rem_euclid(TAU);
    let mut bench = Bench::new("rad electrical", 0.005, 0.01, 16.0 * EACH + 0.005, read);
    let frames: Vec<f64> = (0..800).map(|i| f64::from(i) * 0.02).collect();
    bench.columns.demands[0].v = frames.iter().map(|t| told(*t)).collect();
    bench.columns.demands[0].t = frames;
    let part = |t0: f64, t1: f64, segment: usize| {
        let segment = Some(segment);
        crate::columns::Span { t0, t1, segment, ..bench.span.clone() }
    };
    let (up, down) = (part(0.0, 7.999, 0), part(8.001, 15.99, 1));
    bench.columns.spans = vec![up, down.clone()];
    bench.span = down;
    bench.given.add("before", Value::Segment(0), "up");
    bench
}

/// Rotor 5 degrees behind on the way up and 5 on the way down, resolver 20 degrees ahead (and across the seam of the
/// turn, and near half a turn): the middle of both is the offset.
#[test]
fn the_offset_is_the_middle_of_both_approaches() {
    for offset in [20.0_f64, -58.5, 179.0, 0.3] {
        let lag = 5f64.to_radians();
        let bench = stairs(|told, up| told + offset.to_radians() + if up { -lag } else { lag });
        let found = bench.figure("alignment_offset").expect("a figure");
        let apart = (found.value - offset.to_radians() + 3.0).rem_euclid(TAU) - 3.0;
        assert!(apart.abs() < 1e-9, "{offset}: {}", found.value.to_degrees());
        // Half of half the difference of the two, taken as uniform: 2.5 degrees over sqrt(3).
        assert!((found.u - 2.5f64.to_radians() / 3.0_f64.sqrt()).abs() < 1e-9, "{}", found.u.to_degrees());
        assert_eq!(found.n, 16);
    }
}

/// A field that turns the other way round leaves the positions spread over the turn: no offset, but minus one.
#[test]
fn swapped_phases_have_no_offset_but_a_slope_of_minus_one() {
    let bench = stairs(|told, _| -told + 0.4);
    let refusal = bench.figure("alignment_offset").expect_err("no figure");
    assert!(refusal.why.contains("do not agree"), "{}", refusal.why);
    let ramp = |sign: f64| {
        let mut bench =
            Bench::new("rad electrical", 0.0, 0.01, 8.0, |t| (sign * 2.0 * t + 1.0).rem_euclid(TAU));
        bench.columns.demands[0].t = (0..400).map(|i| f64::from(i) * 0.02).collect();
        bench.columns.demands[0].v = (0..400).map(|i| f64::from(i) * 0.04).collect();
        bench.figure("follow_slope").expect("a slope")
    };
    for sign in [1.0, -1.0] {
        let found = ramp(sign);
        // Frames hold their value for 20 ms: up to 40 mrad of residual on a way of 16 rad.
        assert!((found.value - sign).abs() < 2e-3 && found.u < 5e-3, "{found:?}");
    }
    let stuck = ramp(0.0);
    assert!(stuck.value.abs() < 1e-9, "{stuck:?}");
}

/// Three pole pairs and one turn by hand give three turns of the angle; 1.02 turns 2 % more; the uncertainty is that of
/// the mark, 0.03 turn over sqrt(3).
#[test]
fn a_turn_by_hand_is_counted_with_its_sense() {
    let turned = |turns: f64| {
        let mut bench = Bench::new("deg electrical", 0.0, 0.01, 10.0, |t| {
            (1.0 - (t * TAU / 20.0).cos()) * 0.5 * turns * TAU
        });
        for v in &mut bench.columns.series[0].v {
            *v = v.rem_euclid(TAU);
        }
        bench.given.add("turned", Value::Range(0.97 * TAU, 1.03 * TAU), "");
        bench.given.add("turn", Value::Range(3.0, 3.0), "electrical");
        bench.figure("turn_ratio")
    };
    for (turns, ratio) in [(3.0, 1.0), (-3.0, -1.0), (3.06, 1.02), (4.0, 4.0 / 3.0)] {
        let found = turned(turns).expect("a ratio");
        assert!((found.value - ratio).abs() < 1e-4, "{turns}: {found:?}");
        assert!((found.u / found.value.abs() - 0.03 / 3.0_f64.sqrt()).abs() < 1e-3, "{found:?}");
    }
    let refusal = turned(600.0).expect_err("too quick");
    assert!(refusal.why.contains("which way round"), "{}", refusal.why);
}

/// The mean of a constant is that constant; its uncertainty is the channel's where nothing scatters.
#[test]
fn a_mean_has_the_channels_uncertainty() {
    let mut bench = Bench::new("A", 0.0, 0.01, 4.0, |_| 1.25);
    bench.columns.series[0].u = 0.1;
    let found = bench.figure("mean_level").expect("a mean");
    assert!((found.value - 1.25).abs() < 1e-12 && (found.u - 0.1).abs() < 1e-3, "{found:?}");
}
