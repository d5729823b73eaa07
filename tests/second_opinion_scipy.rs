//! Metrics beside another route to the same figure, by NumPy and SciPy.

mod python;

use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;
use serde_json::{Value as Json, json};
use spinproof::columns::{Burst, Columns, Series, Span, Waveform};
use spinproof::metrics::{Given, Value, View, find};
use spinproof::units::parse_unit;
use std::f64::consts::TAU;

/// Every case asked of one process: starting SciPy takes longer than all of them.
#[test]
fn scipy_comes_to_the_same_figures_by_other_routes() {
    let (mut records, mut checks): (Vec<Json>, Vec<Check>) = (vec![], vec![]);
    for (record, check) in [exponential(), velocity(), order(), ellipse(), coast()] {
        records.push(record);
        checks.push(check);
    }
    let answers = python::ask("second_opinion_scipy.py", &records);
    assert_eq!(answers.len(), checks.len());
    for (answer, check) in answers.iter().zip(checks) {
        for (key, ours, tolerance) in check {
            let theirs = answer[key].as_f64().unwrap_or_else(|| panic!("no {key} in {answer}"));
            println!("{key}: ours {ours}, theirs {theirs}, SciPy {}", answer["version"]);
            assert!((ours - theirs).abs() <= tolerance, "{key}: {ours}, SciPy {theirs}, allowed {tolerance}");
        }
    }
}

/// Key of the answer, our figure, and how far apart they may be.
type Check = Vec<(&'static str, f64, f64)>;

/// Both minimise a sum of squares over the same samples; ours whitens the residuals first, which moves the minimum by a
/// small part of its uncertainty where they are white already. A tenth of U.
fn exponential() -> (Json, Check) {
    let mut random = noise(1);
    let t: Vec<f64> = (0..=900).map(f64::from).collect();
    let y: Vec<f64> = t.iter().map(|t| 350.0 - 55.0 * (-t / 260.0).exp() + 0.1 * random()).collect();
    let bench = Bench::of_series("°C", &t, &y);
    let (tau, end) = (bench.figure("time_constant"), bench.figure("final_temperature"));
    let check = vec![("tau", tau.0, 0.2 * tau.1), ("final", end.0, 0.2 * end.1)];
    (json!({"case": "exponential", "t": t, "y": y}), check)
}

/// A band-pass of sixth order against sharp edges: nothing lies near them here. Its ripple and the ends of the record: 1 %.
fn velocity() -> (Json, Check) {
    let rate = 6400.0;
    let a = |t: f64| {
        3.0 * (TAU * 47.3 * t).sin() + 9.0 * (TAU * 212.0 * t + 0.4).sin() + 0.8 * (TAU * 21.7 * t).cos()
    };
    let bench = Bench::of_bursts(rate, 12_800, &[("x", "m/s2", &a)], 0.0);
    let ours = bench.figure("vibration_velocity").0;
    let record =
        json!({"case": "velocity", "a": bench.burst_values(0), "rate": rate, "low": 10.0, "high": 1000.0});
    (record, vec![("rms", ours, 0.01 * ours)])
}

/// The spline's error at 20 samples a turn of the order and the angle between samples: 0.2 %.
fn order() -> (Json, Check) {
    let rate = 8000.0;
    let n = |t: f64| 20.0 + 6.0 * t;
    let angle = |t: f64| 20.0 * t + 3.0 * t * t;
    let x = |t: f64| 0.7 * (TAU * 4.0 * angle(t)).sin() + 1.1 * (TAU * angle(t)).cos();
    let mut bench = Bench::of_bursts(rate, 8000, &[("x", "m/s2", &x)], 0.0);
    let t: Vec<f64> = (0..=300).map(|i| f64::from(i) * 0.005).collect();
    let speed: Vec<f64> = t.iter().map(|t| TAU * n(*t)).collect();
    bench.columns.series.push(series("speed", "rad/s", &t, &speed));
    bench.given.add("speed", Value::Name("speed".into()), "speed");
    bench.given.add("order", Value::Range(4.0, 4.0), "4");
    let ours = bench.figure("order_amplitude").0;
    let record = json!({
        "case": "order", "x": bench.burst_values(0), "rate": rate, "speed_t": t, "speed": speed, "order": 4
    });
    (record, vec![("amplitude", ours, 0.002 * ours)])
}

/// Algebraic against geometric distance: their difference is of the order of the noise squared, 1e-4, and of U.
fn ellipse() -> (Json, Check) {
    let sine = |t: f64| 0.02 + 1.06 * (TAU * 30.0 * t + 0.03).sin();
    let cosine = |t: f64| -0.01 + (TAU * 30.0 * t).cos();
    let mut bench = Bench::of_bursts(5000.0, 1000, &[("x", "V", &sine), ("c", "V", &cosine)], 0.005);
    bench.given.add("with", Value::Name("c".into()), "c");
    let (imbalance, quadrature) = (bench.figure("resolver_imbalance"), bench.figure("resolver_quadrature"));
    let record = json!({"case": "ellipse", "sine": bench.burst_values(0), "cosine": bench.burst_values(1)});
    (
        record,
        vec![
            ("imbalance", imbalance.0, 0.5 * imbalance.1 + 1e-4),
            ("quadrature", quadrature.0, 0.5 * quadrature.1 + 1e-4),
        ],
    )
}

/// The integral's regression against the solver's trajectories, in noise of 0.05 rad/s: half of U.
fn coast() -> (Json, Check) {
    let (drag, inertia) = ([0.8, 0.0045, 2.0e-5], 0.03);
    let mut random = noise(4);
    let (mut w, mut all) = (157.0_f64, vec![]);
    // Euler's steps of 10 us: within 1e-4 rad/s of the solution.
    for i in 0..=400_000_u32 {
        if i % 1000 == 0 {
            all.push(w);
        }
        w -= 1e-5 * (drag[0] + drag[1] * w + drag[2] * w * w) / inertia;
        if w < 16.5 {
            break;
        }
    }
    let t: Vec<f64> = (0..all.len()).map(|i| 0.01 * i as f64).collect();
    let w: Vec<f64> = all.iter().map(|w| w + 0.05 * random()).collect();
    let mut bench = Bench::of_series("rad/s", &t, &w);
    bench.given.add("inertia", Value::Range(inertia, inertia), "");
    let parts = ["coast_coulomb", "coast_viscous", "coast_windage"].map(|id| bench.figure(id));
    let check = ["a", "b", "c"].into_iter().zip(parts).map(|(key, part)| (key, part.0, part.1)).collect();
    (json!({"case": "coast", "t": t, "w": w, "inertia": inertia}), check)
}

/// A record of one channel `x` or one burst, with a span over all of it.
struct Bench {
    columns: Columns,
    span: Span,
    given: Given,
}

impl Bench {
    fn of_series(unit: &str, t: &[f64], v: &[f64]) -> Bench {
        let columns = Columns { series: vec![series("x", unit, t, v)], ..Columns::default() };
        Bench { columns, span: span(t[t.len() - 1]), given: Given::default() }
    }

    fn of_bursts(rate: f64, n: usize, channels: &[Signal<'_>], s: f64) -> Bench {
        let mut random = noise(7);
        let channels = channels.iter().map(|(name, unit, f)| {
            let values: Vec<f64> = (0..n).map(|i| f(i as f64 / rate) + s * random()).collect();
            let scale = values.iter().map(|v| v.abs()).fold(0.0, f64::max) / 32_000.0;
            Waveform {
                name: (*name).into(),
                unit: parse_unit(unit).expect("a unit"),
                scale,
                offset: 0.0,
                u_offset: 0.0,
                u_scale: 0.0,
                ends: (i16::MIN, i16::MAX),
                raw: values.iter().map(|v| (v / scale).round() as i16).collect(),
            }
        });
        let channels = channels.collect();
        let name = "b".to_string();
        let burst = Burst {
            name,
            t0: 0,
            u_t0: 0.0,
            laid: spinproof::columns::Laid::Triggered,
            rate,
            u_rate: 0.0,
            gates: None,
            channels,
        };
        let columns = Columns { bursts: vec![burst], ..Columns::default() };
        Bench { columns, span: span(n as f64 / rate), given: Given::default() }
    }

    fn burst_values(&self, channel: usize) -> Vec<f64> {
        self.columns.bursts[0].channels[channel].values()
    }

    /// Value and standard uncertainty.
    fn figure(&self, id: &str) -> (f64, f64) {
        let view = View {
            columns: &self.columns,
            of: "x",
            against: "x",
            span: &self.span,
            band: None,
            given: &self.given,
        };
        let found = find(id).expect("a metric").compute(&view);
        let found = found.unwrap_or_else(|refusal| panic!("{id}: {}", refusal.why));
        (found.value, found.u)
    }
}

/// Name, unit and course of a channel of a burst.
type Signal<'s> = (&'s str, &'s str, &'s dyn Fn(f64) -> f64);

fn series(name: &str, unit: &str, t: &[f64], v: &[f64]) -> Series {
    let unit = parse_unit(unit).expect("a unit");
    let (t, u_t, v) = (t.to_vec(), vec![0.0; t.len()], v.to_vec());
    Series { name: name.into(), unit, u: 0.0, t, u_t, v, lost: vec![], missed: vec![] }
}

fn span(t1: f64) -> Span {
    let name = "span".to_string();
    Span { test: 0, segment: None, name, t0: 0.0, t1: t1 + 1e-9, complete: true, from: 0.0, to: 0.0 }
}

fn noise(seed: u64) -> impl FnMut() -> f64 {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
    move || StandardNormal.sample(&mut random)
}
