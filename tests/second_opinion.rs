//! Overshoot and settling time beside those of another program, the PyPI package `control`.

mod python;

use spinproof::columns::{Columns, DemandSeries, Series, Span};
use spinproof::metrics::{Given, View, find};
use spinproof::units::parse_unit;

const ZETA: f64 = 0.5;
const OMEGA: f64 = 10.0;
const BAND: f64 = 0.02;
const LENGTH: f64 = 3.0;

/// Unit step response of a second-order system (textbook closed form).
fn response(t: f64) -> f64 {
    if t <= 0.0 {
        return 0.0;
    }
    let root = (1.0 - ZETA * ZETA).sqrt();
    let phase = OMEGA * root * t;
    1.0 - (-ZETA * OMEGA * t).exp() * (phase.cos() + ZETA / root * phase.sin())
}

/// The same samples to both. The other program does not interpolate: its overshoot falls short of the peak by at most
/// (wd h / 2)^2 / 2 of the swing of 1.163 about the curve's middle (the cosine half a sample from its top), and its
/// settling time is late by less than one sample.
#[test]
fn overshoot_and_settling_agree_with_another_program_within_its_sampling() {
    for dt in [0.002, 0.005, 0.010, 0.020] {
        let t: Vec<f64> = (-100..=(LENGTH / dt) as i32).map(|i| dt * (f64::from(i) + 0.37)).collect();
        let y: Vec<f64> = t.iter().map(|t| response(*t)).collect();
        let ours = |id: &str| figure(id, &t, &y);
        let theirs = ask(&t, &y);
        let said = |key: &str| theirs[key].as_f64().unwrap_or_else(|| panic!("no {key} in {theirs}"));

        let short = ours("overshoot") - said("overshoot");
        let half = OMEGA * (1.0 - ZETA * ZETA).sqrt() * dt / 2.0;
        assert!(
            (-1e-4..=1.163 * half * half / 2.0 + 1e-4).contains(&short),
            "dt {dt}: {short} short of the peak"
        );

        let late = said("settling_time") - ours("settling_time");
        assert!((-3e-4..=dt + 3e-4).contains(&late), "dt {dt}: {late} s late");
        println!(
            "dt {dt}: overshoot {short:.2e} short, settling {late:.2e} s late, control {}",
            theirs["version"]
        );
    }
}

fn figure(id: &str, t: &[f64], y: &[f64]) -> f64 {
    let unit = parse_unit("rad/s").expect("a unit");
    let speed = Series {
        name: "speed".into(),
        unit: unit.clone(),
        u: 0.0,
        t: t.to_vec(),
        u_t: vec![0.0; t.len()],
        v: y.to_vec(),
        lost: vec![],
        missed: vec![],
    };
    let demand = DemandSeries { name: "speed".into(), unit, t: vec![-10.0, 0.0], v: vec![0.0, 1.0] };
    let name = "step".to_string();
    let span = Span { test: 0, segment: None, name, t0: 0.0, t1: LENGTH, complete: true, from: 0.0, to: 1.0 };
    let columns = Columns { series: vec![speed], demands: vec![demand], ..Columns::default() };
    let given = Given::default();
    let view = View {
        columns: &columns,
        of: "speed",
        against: "speed",
        span: &span,
        band: Some(BAND),
        given: &given,
    };
    find(id).expect("a metric").compute(&view).unwrap_or_else(|refusal| panic!("{id}: {}", refusal.why)).value
}

/// Asks the other program about the samples after the step.
fn ask(t: &[f64], y: &[f64]) -> serde_json::Value {
    let start = t.partition_point(|t| *t < 0.0);
    let record = serde_json::json!({"t": t[start..], "y": y[start..], "final": 1.0, "band": BAND});
    python::ask("second_opinion_control.py", &[record]).remove(0)
}
