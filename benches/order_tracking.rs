//! Order tracking of 60 s at 50 kHz: how long it takes here, and by SciPy's route. Run with
//! `cargo bench --bench order_tracking`.

use spinproof::columns::{Burst, Series};
use spinproof::metrics::{track, turns};
use spinproof::units::parse_unit;
use std::f64::consts::TAU;
use std::process::Command;
use std::time::Instant;

const RATE: f64 = 50_000.0;
const SECONDS: f64 = 60.0;
const WHOLE: usize = 16;
const ORDERS: [f64; 5] = [1.0, 2.0, 4.0, 24.0, 8.58];

fn main() {
    // From 10 to 40 turns a second: order 4 grows with speed, order 1 with its square.
    let n = (RATE * SECONDS) as usize;
    let speed = |t: f64| 10.0 + 0.5 * t;
    let angle = |t: f64| 10.0 * t + 0.25 * t * t;
    let value = |t: f64| {
        0.05 * speed(t) * (TAU * 4.0 * angle(t)).sin() + 0.002 * speed(t).powi(2) * (TAU * angle(t)).sin()
    };
    let values: Vec<f64> = (0..n).map(|i| value(i as f64 / RATE)).collect();
    let t: Vec<f64> = (0..=(SECONDS / 0.005) as usize).map(|i| i as f64 * 0.005).collect();
    let series = Series {
        name: "speed".into(),
        unit: parse_unit("rad/s").expect("a unit"),
        u: 0.0,
        u_t: vec![0.0; t.len()],
        v: t.iter().map(|t| TAU * speed(*t)).collect(),
        t,
        lost: vec![],
        missed: vec![],
    };
    let channels = vec![spinproof::columns::Waveform {
        name: "axial".into(),
        unit: parse_unit("m/s2").expect("a unit"),
        scale: 1e-3,
        offset: 0.0,
        u_offset: 0.0,
        u_scale: 0.0,
        ends: (i16::MIN, i16::MAX),
        raw: values.iter().map(|v| (v * 1e3) as i16).collect(),
    }];
    let burst = Burst {
        name: "b".into(),
        t0: 0,
        u_t0: 0.0,
        laid: spinproof::columns::Laid::Triggered,
        rate: RATE,
        u_rate: 0.0,
        gates: None,
        channels,
    };
    println!("{n} samples, {} orders, stretches of {WHOLE} turns", ORDERS.len());
    for _ in 0..3 {
        let begun = Instant::now();
        let x = burst.channels[0].values();
        let angle = turns(&burst, &series).expect("the speed is known");
        let rows = track(&x, &angle, WHOLE, &ORDERS);
        let took = begun.elapsed().as_secs_f64();
        let last = rows.last().expect("stretches");
        println!(
            "spinproof: {took:.3} s, {} stretches, the last: {}",
            rows.len(),
            last.amplitudes.iter().map(|a| format!("{a:.4}")).collect::<Vec<_>>().join(" ")
        );
    }
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/benches/order_tracking.py");
    match Command::new("python3").arg(script).status() {
        Ok(status) if status.success() => {}
        other => println!("no SciPy to compare with: {other:?}"),
    }
}
