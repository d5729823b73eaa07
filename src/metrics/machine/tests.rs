//! Against closed forms.

use crate::columns::Span;
use crate::metrics::samples::Bench;
use crate::metrics::{Given, Value};

/// A bench with two spans, 0 to 5 s and 5 to `end`, the second being the one measured.
fn two_spans(unit: &str, end: f64, f: impl Fn(f64) -> f64) -> Bench {
    let mut bench = Bench::new(unit, 0.0, 0.01, end, f);
    let part =
        |t0: f64, t1: f64, segment: usize| Span { t0, t1, segment: Some(segment), ..bench.span.clone() };
    bench.columns.spans = vec![part(0.0, 4.995, 0), part(5.0, end, 1)];
    bench.span = bench.columns.spans[1].clone();
    bench.given = Given::default();
    bench.given.add("before", Value::Segment(0), "before");
    bench
}

/// 17.93 mOhm (the phase of the handbook's adiabatic example) behind a drop of 0.9 V, at 8 and at 20 A: the drop goes.
#[test]
fn a_constant_drop_is_no_resistance() {
    let current = |t: f64| if t < 5.0 { 8.0 } else { 20.0 };
    let mut bench = two_spans("A peak", 10.0, current);
    bench.add("v", "V peak", |t| 0.9 + 17.93e-3 * current(t));
    let bench = bench.given_name("with", "v");
    let found = bench.figure("dc_resistance").expect("a resistance");
    assert!((found.value - 17.93e-3).abs() < 1e-12, "{found:?}");
    let mut noisy = bench.clone();
    (noisy.columns.series[0].u, noisy.columns.series[1].u) = (0.0, 3e-3);
    // 3 mV at either current over 12 A (GUM, sum of squares): 0.354 mOhm.
    let u = noisy.figure("dc_resistance").expect("a resistance").u;
    assert!((u - 3e-3 * 2f64.sqrt() / 12.0).abs() < 1e-9, "{u}");
    let mut flat = bench;
    flat.columns.series[0].v.fill(8.0);
    assert!(flat.figure("dc_resistance").is_err(), "no gain, no resistance");
}

/// 23.0 mOhm at 90.83 °C are 18.0 mOhm at 20 °C (the resistance method's worked figures, as in hazards); 1 K is 1/325.83 of it.
#[test]
fn a_warm_winding_is_brought_to_20_degrees() {
    let current = |t: f64| if t < 5.0 { 8.0 } else { 20.0 };
    let mut bench = two_spans("A peak", 10.0, current);
    bench.add("v", "V peak", |t| 23.0e-3 * current(t));
    bench.add("copper", "°C", |_| 90.83 + 273.15);
    let mut bench = bench.given_name("with", "v").given_name("winding", "copper");
    let found = bench.figure("dc_resistance").expect("a resistance");
    assert!((found.value - 18.0e-3).abs() < 1e-6, "{found:?}");
    (bench.columns.series[0].u, bench.columns.series[1].u, bench.columns.series[2].u) = (0.0, 0.0, 1.0);
    let u = bench.figure("dc_resistance").expect("a resistance").u;
    assert!((u - 18.0e-3 / 325.83).abs() < 1e-8, "{u}");
}

/// psi 65.65 mWb, 3 pole pairs (parameters published with PyPI gym-electric-motor): at 1000 rpm 314.16 rad/s electrical,
/// 20.624 V, and 18 mOhm x 10 A = 0.18 V on top.
#[test]
fn the_flux_is_the_voltage_over_the_electrical_speed() {
    let w = 1000.0 * std::f64::consts::TAU / 60.0;
    let mut bench = Bench::new("V peak", 0.0, 0.01, 5.0, |_| 65.65e-3 * 3.0 * w + 18e-3 * 10.0);
    bench.add("i", "A peak", |_| 10.0);
    bench.add("n", "rpm", |_| w);
    bench.given.add("resistance", Value::Range(18e-3, 18e-3), "18 mOhm");
    bench.given.add("turn", Value::Range(3.0, 3.0), "electrical");
    let bench = bench.given_name("current", "i").given_name("speed", "n");
    let found = bench.figure("linked_flux").expect("a flux");
    assert!((found.value - 65.65e-3).abs() < 1e-12, "{found:?}");
}

/// A held speed of 40 rad/s and a coast-down that comes to rest by a constant drag of `a` Nm on 0.03 kg m2, a sample every 5 ms,
/// and none in the first `quiet` s of it.
fn stiff(a: f64, quiet: f64) -> Bench {
    let (inertia, w0, resistance, current) = (0.03, 40.0, 0.018, 8.0);
    let speed = move |t: f64| if t < 5.0 { w0 } else { (w0 - a / inertia * (t - 5.0)).max(0.0) };
    let mut bench = Bench::new("rpm", 0.0, 0.005, 5.0 + w0 * inertia / a, speed);
    let end = bench.span.t1;
    let part =
        |t0: f64, t1: f64, segment: usize| Span { t0, t1, segment: Some(segment), ..bench.span.clone() };
    bench.columns.spans = vec![part(0.0, 4.9975, 0), part(5.0, end, 1)];
    bench.span = bench.columns.spans[1].clone();
    bench.given = Given::default();
    bench.given.add("before", Value::Segment(0), "before");
    // 1.5 (v i - R i^2) = T w.
    let voltage = (a * w0 / 1.5 + resistance * current * current) / current;
    bench.add("v", "V peak", |_| voltage);
    bench.add("i", "A peak", |_| current);
    for series in &mut bench.columns.series {
        let kept: Vec<usize> =
            (0..series.t.len()).filter(|i| !(4.9975..5.0 + quiet).contains(&series.t[*i])).collect();
        series.t = kept.iter().map(|i| series.t[*i]).collect();
        series.v = kept.iter().map(|i| series.v[*i]).collect();
        series.u_t.truncate(kept.len());
    }
    bench.given.add("resistance", Value::Range(resistance, resistance), "18 mOhm");
    bench.given_name("with", "v").given_name("current", "i")
}

/// After the stop the link is quiet for 82 ms. 1.5 Nm take 40 x 0.03 / 1.5 = 0.8 s to rest, of which that is over a tenth; 3 Nm
/// take 0.4 s, and the first sample comes at 40 - 3 / 0.03 x 0.082 = 31.8 rad/s. Nothing of either is hidden by it.
#[test]
fn a_stiff_shaft_has_a_figure_though_the_link_is_quiet_when_it_begins_to_coast() {
    for a in [0.6, 1.05, 1.5, 2.0, 3.0] {
        let bench = stiff(a, 0.082);
        for (id, expected) in [("holding_inertia", 0.03), ("holding_friction", a)] {
            let found = bench.measured(id);
            assert!((found.value / expected - 1.0).abs() < 2e-3, "{a} Nm, {id}: {found:?}");
        }
    }
}

/// 5 Nm: 40 - 5 / 0.03 x (0.085 + 2 x 0.005) = 24.17 rad/s, of the first five samples, is 39.6 % less, and what is left of it
/// lasts 0.9 x 24.17 x 0.03 / 5 = 0.13 s, 27 samples. With 40, 0.195 s behind the 0.095 s instead of 0.13 s, it would
/// serve 5 x 0.225 / 0.295 = 3.9 Nm (k = 1 of the doubt is a tenth). 5.5 Nm: 22.58 rad/s, 43.5 % less: 5.5 x 0.4 / 0.435 = 5.05 Nm.
#[test]
fn a_shaft_too_stiff_for_its_coast_down_is_refused_as_one() {
    for (a, parts) in [
        (
            5.0,
            [
                "the coast-down is too short for the drag: 5.00 Nm hold 382.0 rpm, 0.095 s after its begin",
                "up to about 3.",
            ],
        ),
        (5.5, ["the coast-down is too short for the drag: 5.50 Nm hold 382.0 rpm", "up to about 5.0"]),
    ] {
        for id in ["holding_inertia", "holding_friction", "holding_drag"] {
            parts.iter().for_each(|part| stiff(a, 0.085).refuses(id, part));
        }
    }
    // Rows that are lost are the line's, whatever the shaft is.
    let mut lossy = stiff(5.0, 0.085);
    lossy.columns.series[0].lost = vec![5.1, 5.11, 5.12, 5.13];
    lossy.refuses("holding_inertia", "too few samples of `x`");
}

/// Held at 40 rad/s, and the coast-down is one from 20: half of the speed was lost, and not by this drag.
#[test]
fn a_coast_down_from_another_speed_is_refused_as_one() {
    let mut bench = stiff(1.0, 0.0);
    for (t, v) in bench.columns.series[0].t.clone().iter().zip(&mut bench.columns.series[0].v) {
        *v *= if *t < 5.0 { 1.0 } else { 0.5 };
    }
    bench.refuses("holding_inertia", "does not begin at the speed held");
}

/// J dw/dt = -(a + b w), which gives w = (w0 + a/b) exp(-b t / J) - a/b; the torque that holds w0 is a + b w0.
#[test]
fn inertia_friction_and_drag_come_from_a_held_speed_and_its_coast_down() {
    let (inertia, a, b, w0) = (0.03, 0.8, 0.02, 40.0);
    let speed = move |t: f64| {
        if t < 5.0 { w0 } else { (w0 + a / b) * (-b * (t - 5.0) / inertia).exp() - a / b }
    };
    let (resistance, current) = (0.018, 2.5);
    // 1.5 (v i - R i^2) = T w.
    let voltage = ((a + b * w0) * w0 / 1.5 + resistance * current * current) / current;
    let mut bench = two_spans("rpm", 5.9, speed);
    bench.add("v", "V peak", |_| voltage);
    bench.add("i", "A peak", |_| current);
    bench.given.add("resistance", Value::Range(resistance, resistance), "18 mOhm");
    let bench = bench.given_name("with", "v").given_name("current", "i");
    for (id, expected) in [("holding_inertia", inertia), ("holding_friction", a), ("holding_drag", b)] {
        let found = bench.figure(id).unwrap_or_else(|r| panic!("{id}: {}", r.why));
        // Trapezoids of 10 ms.
        assert!((found.value / expected - 1.0).abs() < 2e-3, "{id}: {found:?}");
    }
}
