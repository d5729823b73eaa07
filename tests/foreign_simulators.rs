//! The twin's machine beside two other simulators, PyPI `gym-electric-motor` and `motulator`, on equal parameters.

mod python;

use spinproof::twin::{LoadSpec, MachineSpec, RotorSpec, SupplySpec, TwinSpec, drive_bare};

/// What both agree within, as a share of the largest value of each quantity.
const WITHIN: f64 = 2e-3;
/// Length of a trajectory in periods of 100 µs, and how many of them lie between two looks.
const PERIODS: usize = 4000;
const LOOK: usize = 10;

/// The machine published with `gym-electric-motor`; its resistance eight times as large, so that open-loop voltages drive it
/// at all (as it is, the reluctance torque of so large currents holds it); drag and windage ours.
fn spec() -> TwinSpec {
    let mut spec = TwinSpec::demo();
    spec.machine = MachineSpec {
        pole_pairs: 3,
        flux_linkage: 65.65e-3,
        flux_per_kelvin: 0.0,
        resistance: 144e-3,
        inductance_d: 0.37e-3,
        inductance_q: 1.2e-3,
        iron_hysteresis: 0.0,
        iron_eddy: 0.0,
    };
    spec.rotor = RotorSpec { inertia: 0.03883, friction: 0.0, breakaway: 0.0, drag: 0.01, windage: 1e-4 };
    spec.load = LoadSpec::Free;
    // A supply that gives every voltage asked for.
    spec.supply = SupplySpec {
        crest: std::f64::consts::SQRT_2,
        transformer: 400.0,
        frequency: 50.0,
        source_resistance: 1e-3,
        diode_drop: 0.0,
        capacitance: 100.0,
        bleeder: 1e9,
    };
    spec
}

/// Jumps of voltage along d and q: it starts from rest, is driven on, weakened, braked and let go.
const VOLTAGES: &[(f64, f64, f64)] =
    &[(0.0, 0.0, 10.0), (0.1, -5.0, 25.0), (0.2, -20.0, 40.0), (0.3, -5.0, 20.0), (0.35, 0.0, 0.0)];

fn voltage(t: f64) -> [f64; 2] {
    let (_, d, q) = VOLTAGES.iter().rev().find(|(from, _, _)| *from <= t + 1e-9).expect("from zero on");
    [*d, *q]
}

#[test]
fn trajectories_agree_with_two_other_simulators() {
    let spec = spec();
    let ours: Vec<[f64; 3]> = drive_bare(&spec, PERIODS, voltage)
        .into_iter()
        .skip(LOOK - 1)
        .step_by(LOOK)
        .map(|row| [row.current_d, row.current_q, row.speed])
        .collect();
    let times: Vec<f64> = (1..=PERIODS / LOOK).map(|i| (i * LOOK) as f64 * 1e-4).collect();
    let theirs = ask(&spec, &times);
    for package in ["gym-electric-motor", "motulator"] {
        let rows: Vec<[f64; 3]> =
            serde_json::from_value(theirs[package]["rows"].clone()).expect("rows of three");
        assert_eq!(rows.len(), ours.len(), "{package}");
        for (i, name) in ["current along d", "current along q", "speed"].into_iter().enumerate() {
            let largest = rows.iter().map(|r| r[i].abs()).fold(0.0, f64::max);
            let apart = rows.iter().zip(&ours).map(|(a, b)| (a[i] - b[i]).abs()).fold(0.0, f64::max);
            println!(
                "{package} {}: {name} at most {:.4} % of {largest:.1} apart",
                theirs[package]["version"],
                100.0 * apart / largest
            );
            assert!(largest > 30.0, "{package}: {name} moves enough to be compared: {largest}");
            assert!(apart < WITHIN * largest, "{package}: {name} is {apart} of {largest} apart");
        }
    }
}

/// Asks both.
fn ask(spec: &TwinSpec, times: &[f64]) -> serde_json::Value {
    let (m, r) = (&spec.machine, &spec.rotor);
    let record = serde_json::json!({
        "machine": {
            "p": m.pole_pairs, "psi": m.flux_linkage, "r": m.resistance, "ld": m.inductance_d, "lq": m.inductance_q,
        },
        "rotor": {"j": r.inertia, "drag": r.drag, "windage": r.windage},
        "voltages": VOLTAGES,
        "times": times,
    });
    python::ask("foreign_simulators.py", &[record]).remove(0)
}
