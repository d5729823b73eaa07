use crate::metrics::Value;
use crate::metrics::samples::{Bench, near};

/// Outlet `x`, inlet `y` and flow `f` of 8 L/min, every 100 ms for 20 s.
fn loop_of(outlet: impl Fn(f64) -> f64, inlet: f64) -> Bench {
    let mut bench = Bench::new("°C", 0.0, 0.1, 20.0, outlet);
    bench.add("y", "°C", move |_| inlet);
    bench.add("f", "L/min", |_| 8e-3 / 60.0);
    bench.given.add("with", Value::Name("y".into()), "y");
    bench
}

fn filled(mut bench: Bench, density: (f64, f64), specific: (f64, f64)) -> Bench {
    bench.given.add("flow", Value::Name("f".into()), "f");
    bench.given.add("density", Value::Range(density.0, density.1), "");
    bench.given.add("specific_heat", Value::Range(specific.0, specific.1), "");
    bench
}

/// Q = m' cp dT at 8 L/min and 5 K: 2.42 kW with 50/50 ethylene glycol (1067 kg/m3, 3.4 kJ/kgK), 2.79 kW with
/// water (handbook values 1000 kg/m3 and 4.186 kJ/kgK; from memory).
#[test]
fn heat_is_flow_times_capacity_times_difference() {
    let hot = |_: f64| 318.15;
    let glycol = filled(loop_of(hot, 313.15), (1067.0, 1067.0), (3400.0, 3400.0));
    let found = glycol.measured("coolant_heat");
    near(found.value, 2.42e3, 5.0);
    assert_eq!(found.n, 201);
    near(
        filled(loop_of(hot, 313.15), (1000.0, 1000.0), (4186.0, 4186.0)).measured("coolant_heat").value,
        2.79e3,
        5.0,
    );
    // The warmer side at the inlet: heat goes into the drive.
    assert!(
        filled(loop_of(hot, 319.15), (1000.0, 1000.0), (4186.0, 4186.0)).measured("coolant_heat").value < 0.0
    );
}

/// Each part alone, by the partial derivatives of flow x density x specific heat x difference; then joined.
#[test]
fn the_uncertainty_of_heat_joins_its_factors() {
    let base = || loop_of(|_| 318.15, 313.15);
    let q = 1067.0 * 3400.0 * 8e-3 / 60.0 * 5.0;
    let range = filled(base(), (1057.0, 1077.0), (3400.0, 3400.0)).measured("coolant_heat");
    near(range.u, q * 10.0 / 3.0_f64.sqrt() / 1067.0, 1e-6);
    let specific = filled(base(), (1067.0, 1067.0), (3300.0, 3500.0)).measured("coolant_heat");
    near(specific.u, q * 100.0 / 3.0_f64.sqrt() / 3400.0, 1e-6);
    let mut bench = filled(base(), (1067.0, 1067.0), (3400.0, 3400.0));
    bench.columns.series[0].u = 0.1;
    bench.columns.series[1].u = 0.1;
    near(bench.measured("coolant_heat").u, q / 5.0 * 0.1 * 2.0_f64.sqrt(), 1e-6);
    bench.columns.series[2].u = 0.02 * 8e-3 / 60.0;
    near(bench.measured("coolant_heat").u, q * (0.0004 + 0.0008_f64).sqrt(), 1e-6);
}

#[test]
fn heat_without_its_parts_is_refused() {
    loop_of(|_| 318.15, 313.15).refuses("coolant_heat", "`flow` is not given");
    let mut bench = filled(loop_of(|_| 318.15, 313.15), (1000.0, 1000.0), (4186.0, 4186.0));
    bench.columns.series[2].v[3] = f64::NAN;
    bench.refuses("coolant_heat", "1 of 201 samples of `f`");
    let mut bench = filled(loop_of(|_| 318.15, 313.15), (1000.0, 1000.0), (4186.0, 4186.0));
    bench.columns.series.truncate(2);
    bench.refuses("coolant_heat", "channel `f` is not in the record");
    let mut bench = filled(loop_of(|_| 318.15, 313.15), (1000.0, 1000.0), (4186.0, 4186.0));
    bench.columns.series[2].v.fill(0.0);
    bench.columns.series[2].u = 1e-6;
    let note = bench.measured("coolant_heat").note.expect("a note");
    assert!(note.contains("no larger than its own uncertainty"), "{note}");
}

#[test]
fn a_rise_is_taken_from_the_last_tenth() {
    // 10 K up to 18 s, 30 K from then on; the coolant at 20 °C.
    let mut bench = loop_of(|t| if t < 17.95 { 303.15 } else { 323.15 }, 293.15);
    bench.columns.series[0].u = 0.3;
    bench.columns.series[1].u = 0.4;
    let found = bench.measured("rise_over_coolant");
    near(found.value, 30.0, 1e-9);
    near(found.u, 0.5, 1e-9);
    assert!(found.note.is_none() && found.n == 20, "{found:?}");
}

/// IEC 60034-1, edition 12: thermal equilibrium is under 2 K/h.
#[test]
fn a_rise_that_still_moves_is_no_equilibrium_and_refused() {
    let at = |per_hour: f64| loop_of(move |t| 323.15 + per_hour / 3600.0 * t, 293.15);
    assert!(at(1.9).measured("rise_over_coolant").note.is_none());
    at(2.5).refuses("rise_over_coolant", "`x` still moves by 2.5 K/h at the end of `span`");
    at(-2.5).refuses("rise_over_coolant", "`x` still moves by 2.5 K/h");
    // Coolant that warms up makes less of a rise as well.
    let mut warming = loop_of(|_| 323.15, 293.15);
    let y = &mut warming.columns.series[1];
    y.v.iter_mut().zip(&y.t).for_each(|(v, t)| *v += 9.0 / 3600.0 * t);
    warming.refuses("rise_over_coolant", "`y` still moves by 9.0 K/h");
    // A test cut short: 5 minutes of a body whose rise of 40 K comes with a time constant of 300 s, in steps of 0.1 K.
    let mut short =
        Bench::new("°C", 0.0, 0.1, 300.0, |t| 293.15 + 40.0 * (1.0 - (-t / 300.0).exp())).noisy(0.05, 4);
    short.add("y", "°C", |_| 293.15);
    short.given.add("with", Value::Name("y".into()), "y");
    for v in &mut short.x().v {
        *v = 273.15 + ((*v - 273.15) * 10.0).round() / 10.0;
    }
    short.refuses("rise_over_coolant", "no thermal equilibrium: `x` still moves by");
    let mut bench = Bench::new("°C", 0.0, 0.3, 20.0, |_| 323.15);
    bench.add("y", "°C", |_| 293.15);
    bench.given.add("with", Value::Name("y".into()), "y");
    bench.refuses("rise_over_coolant", "6 samples of `x` in the last tenth");
}
