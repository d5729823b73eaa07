use super::*;
use crate::diag::Sources;
use crate::files::load::{read_rig, read_suite, read_unit};
use crate::plan::resolve;

const RIG: &str = include_str!("../../../fixtures/demo/rig.toml");
const UNIT: &str = include_str!("../../../fixtures/demo/unit.toml");
const SUITE: &str = include_str!("../../../suites/first-spin.toml");

/// The twin of the demo files with lines added to the rig's last table, and the unit changed as wished.
fn spec(lines: &str, unit: impl Fn(String) -> String) -> Result<TwinSpec, TwinError> {
    let last = RIG.lines().rfind(|line| line.starts_with('['));
    assert_eq!(last, Some("[twin]"));
    let mut sources = Sources::default();
    let rig = read_rig(&mut sources, "rig.toml", &format!("{RIG}\n{lines}\n")).0.expect("a rig");
    let unit = read_unit(&mut sources, "unit.toml", &unit(UNIT.to_string())).0.expect("a unit");
    let suite = read_suite(&mut sources, "suite.toml", SUITE).0.expect("a suite");
    let plan = resolve(&sources, &rig, &unit, &suite, None).expect("a plan");
    twin_spec(&rig, &unit, &plan, 1)
}

/// One row: lines of the rig, then the load or a piece of the message.
#[test]
fn the_rig_says_what_the_shaft_drives() {
    let rows: &[(&str, Result<LoadSpec, &str>)] = &[
        ("", Ok(LoadSpec::Free)),
        ("load = \"free\"", Ok(LoadSpec::Free)),
        ("load = \"friction brake\"\nload_torque = \"3 Nm\"", Ok(LoadSpec::Brake { torque: 3.0 })),
        (
            "load = \"second machine\"\nload_torque = \"40 Nm\"\nload_drag = \"0.2 Nm s/rad\"\nload_inertia = \"0.01 kg m2\"",
            Ok(LoadSpec::Machine { inertia: 0.01, per_speed: 0.2, torque_max: 40.0 }),
        ),
        ("load = \"friction brake\"", Err("needs `load_torque`")),
        ("load = \"second machine\"\nload_torque = \"40 Nm\"", Err("needs `load_drag`")),
        ("current_limit = \"200 A rms\"", Err("no current (peak)")),
    ];
    for (lines, expected) in rows {
        match (spec(lines, |unit| unit), expected) {
            (Ok(got), Ok(load)) => assert_eq!(got.load, *load, "{lines}"),
            (Err(e), Err(part)) => assert!(e.to_string().contains(part), "{lines}: {e}"),
            (got, expected) => panic!("{lines}: {got:?}, expected {expected:?}"),
        }
    }
}

#[test]
fn the_current_limit_and_the_flow_meter_are_the_rigs() {
    let plain = spec("", |unit| unit).expect("a twin");
    assert_eq!((plain.limits.current, plain.sensors.flow_meter), (24.0, true));
    let set = spec("current_limit = \"200 A peak\"\nflow_meter = false", |unit| unit).expect("a twin");
    assert_eq!((set.limits.current, set.limits.overcurrent, set.sensors.flow_meter), (200.0, 300.0, false));
}

#[test]
fn gears_and_bearing_are_the_units() {
    let changed = |unit: String| {
        unit.replace("pinion = 20\nwheel = 44", "pinion = 17\nwheel = 44").replace("balls = 9", "balls = 8")
    };
    let spec = spec("", changed).expect("a twin");
    assert_eq!(spec.vibration.gears[0], GearStage { pinion: 17, wheel: 44 });
    assert_eq!((spec.vibration.gears.len(), spec.vibration.bearing.balls), (2, 8));
}

/// Range ends of the unit file lead to the twin: whole resistance from copper to coolant is the nameplate's.
#[test]
fn copper_to_coolant_is_what_the_nameplate_says() {
    let thermal = spec("", |unit| unit).expect("a twin").thermal;
    let whole = 1.0 / (1.0 / thermal.winding_to_iron + 1.0 / thermal.iron_to_coolant);
    assert!((whole - 25.0).abs() < 1e-9, "{whole} W/K");
}
