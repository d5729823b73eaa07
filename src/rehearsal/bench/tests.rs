use super::*;
use crate::diag::{Sources, render_all};
use crate::files::load::{read_rig, read_suite, read_unit};
use crate::plan::resolve;
use std::f64::consts::TAU;

const RIG: &str = include_str!("../../../fixtures/demo/rig.toml");
const UNIT: &str = include_str!("../../../fixtures/demo/unit.toml");
const SUITE: &str = include_str!("../../../suites/first-spin.toml");

/// The twin of the demo files with lines added to the rig's last table, and the unit changed as wished.
fn spec(lines: &str, unit: impl Fn(String) -> String) -> Result<TwinSpec, TwinError> {
    let last = RIG.lines().rfind(|line| line.starts_with('['));
    assert_eq!(last, Some("[twin]"));
    of(&format!("{RIG}\n{lines}\n"), &unit(UNIT.to_string()), SUITE)
}

fn of(rig: &str, unit: &str, suite: &str) -> Result<TwinSpec, TwinError> {
    let mut sources = Sources::default();
    let rig = &rig.replace("discharge = \"60 s\"", "discharge = \"20000 s\"");
    let rig = read_rig(&mut sources, "rig.toml", rig).0.expect("a rig");
    let unit = read_unit(&mut sources, "unit.toml", unit).0.expect("a unit");
    let suite = read_suite(&mut sources, "suite.toml", suite).0.expect("a suite");
    let plan = match resolve(&sources, &rig, &unit, &suite, None) {
        Ok(plan) => plan,
        Err(diags) => panic!("{}", render_all(&diags, &sources, false)),
    };
    twin_spec(&rig, &unit, &plan, 1)
}

/// A text with each first in place of each second, which must be there.
fn changed(text: &str, changes: &[(&str, &str)]) -> String {
    changes.iter().fold(text.to_string(), |text, (from, to)| {
        assert!(text.contains(from), "{from}");
        text.replacen(from, to, 1)
    })
}

/// One row: lines of the rig, then the load and the inertia with it, or a piece of the message.
#[test]
fn the_rig_says_what_the_shaft_drives() {
    const MACHINE: &str = "load = \"second machine\"\nload_torque = \"40 Nm\"\nload_drag = \"0.2 Nm s/rad\"";
    let machine = LoadSpec::Machine { per_speed: 0.2, torque_max: 40.0 };
    let brake = LoadSpec::Brake { torque: 3.0 };
    type Row<'r> = (String, Result<(LoadSpec, f64), &'r str>);
    let rows: &[Row] = &[
        ("".into(), Ok((LoadSpec::Free, 0.0))),
        ("load = \"free\"".into(), Ok((LoadSpec::Free, 0.0))),
        ("load = \"friction brake\"\nload_torque = \"3 Nm\"".into(), Ok((brake, 0.0))),
        (format!("{MACHINE}\nload_inertia = \"0.01 kg m2\""), Ok((machine, 0.01))),
        ("load = \"friction brake\"".into(), Err("needs `load_torque`")),
        ("load = \"second machine\"\nload_torque = \"40 Nm\"".into(), Err("needs `load_drag`")),
        ("current_limit = \"200 A rms\"".into(), Err("no current (peak)")),
        // What is coupled enters without a word in [twin], and what both say counts once.
        ("[shaft]\ncoupled = \"nothing\"\ninertia = \"0.05 kg m2\"".into(), Ok((LoadSpec::Free, 0.05))),
        ("[shaft]\ncoupled = \"brake\"".into(), Ok((LoadSpec::Free, 0.0))),
        (
            "[shaft]\ncoupled = \"brake\"\nholds = \"3 Nm\"\ninertia = \"0.05 kg m2\"".into(),
            Ok((brake, 0.05)),
        ),
        ("[shaft]\ncoupled = \"machine\"\nholds = \"3 Nm\"".into(), Ok((brake, 0.0))),
        (
            "load = \"friction brake\"\nload_torque = \"3 Nm\"\n[shaft]\ncoupled = \"brake\"\n\
             holds = [\"2 Nm\", \"4 Nm\"]\ninertia = \"0.05 kg m2\""
                .into(),
            Ok((brake, 0.05)),
        ),
        (
            format!(
                "{MACHINE}\nload_inertia = \"0.01 kg m2\"\n[shaft]\ncoupled = \"machine\"\n\
                 inertia = [\"0.005 kg m2\", \"0.02 kg m2\"]"
            ),
            Ok((machine, 0.01)),
        ),
        (format!("{MACHINE}\n[shaft]\ncoupled = \"machine\"\ninertia = \"0.05 kg m2\""), Ok((machine, 0.05))),
    ];
    for (lines, expected) in rows {
        match (spec(lines, |unit| unit), expected) {
            (Ok(got), Ok(expected)) => assert_eq!((got.load, got.coupled_inertia), *expected, "{lines}"),
            (Err(e), Err(part)) => assert!(e.to_string().contains(part), "{lines}: {e}"),
            (got, expected) => panic!("{lines}: {got:?}, expected {expected:?}"),
        }
    }
}

/// A range of what is coupled is drawn from, and leaves every other draw where it was.
#[test]
fn what_is_coupled_is_drawn_last() {
    let plain = spec("", |unit| unit).expect("a twin");
    let lines = "[shaft]\ncoupled = \"brake\"\nholds = [\"2 Nm\", \"4 Nm\"]\ninertia = [\"0.01 kg m2\", \"0.09 kg m2\"]";
    let drawn = spec(lines, |unit| unit).expect("a twin");
    let LoadSpec::Brake { torque } = drawn.load else { panic!("{:?}", drawn.load) };
    assert!((2.0..=4.0).contains(&torque) && torque != 2.0, "{torque}");
    assert!((0.01..=0.09).contains(&drawn.coupled_inertia) && drawn.coupled_inertia != 0.01);
    assert_eq!(TwinSpec { load: plain.load, coupled_inertia: 0.0, ..drawn }, plain);
}

/// The demo bench has what its figures were chosen for, to the last bit: its rehearsals are what they were.
#[test]
fn the_demo_bench_has_the_limits_and_the_inverter_of_its_twin() {
    let drawn = spec("", |unit| unit).expect("a twin");
    let demo = TwinSpec::demo();
    assert_eq!(drawn.limits, demo.limits);
    assert_eq!(drawn.inverter, demo.inverter);
    assert_eq!(drawn.sensors.bus_full, demo.sensors.bus_full);
}

/// One row: changes of the rig and of the unit; speed in rpm, highest and lowest bus in V, winding and inverter in °C.
#[test]
fn the_limits_are_wide_enough_for_the_bench() {
    let faster = [("speed = \"2000 rpm\"", "speed = \"6000 rpm\"")];
    let higher = [
        ("bus = \"200 V\"", "bus = \"380 V\""),
        ("above = \"185 V\"", "above = \"360 V\""),
        ("[\"-5 V\", \"250 V\"]", "[\"-5 V\", \"450 V\"]"),
        ("[\"140 V\", \"165 V\"]", "[\"300 V\", \"340 V\"]"),
        // The board says nothing of a limit of its own.
        ("must_be = \"210\"\nlimits = \"bus voltage\"\nunit = \"V\"\n", ""),
    ];
    let own = [("must_be = \"210\"", "must_be = \"230\""), ("must_be = \"300\"", "must_be = \"250\"")];
    let lower = [
        ("bus = \"200 V\"", "bus = \"70 V\""),
        ("[\"140 V\", \"165 V\"]", "[\"42 V\", \"54 V\"]"),
        ("de_energised_bus = \"60 V\"", "de_energised_bus = \"20 V\""),
        ("above = \"185 V\"", "above = \"65 V\""),
        ("below = \"110 V\"", "below = \"30 V\""),
    ];
    let slow = [("speed_max = \"9000 rpm\"", "speed_max = \"6300 rpm\"")];
    let cooler = [
        ("winding_max = \"150 °C\"", "winding_max = \"130 °C\""),
        ("inverter_max = \"100 °C\"", "inverter_max = \"90 °C\""),
    ];
    type Row<'r> = (&'r [(&'r str, &'r str)], &'r [(&'r str, &'r str)], [f64; 5]);
    let rows: &[Row] = &[
        (&[], &[], [2200.0, 210.0, 60.0, 140.0, 95.0]),
        (&faster, &[], [6600.0, 210.0, 60.0, 140.0, 95.0]),
        (&faster, &slow, [6300.0, 210.0, 60.0, 140.0, 95.0]),
        (&higher, &[], [2200.0, 399.0, 60.0, 140.0, 95.0]),
        (&own, &[], [2200.0, 230.0, 60.0, 140.0, 95.0]),
        (&lower, &[], [2200.0, 210.0, 18.0, 140.0, 95.0]),
        (&[], &cooler, [2200.0, 210.0, 60.0, 120.0, 85.0]),
    ];
    for (rig, unit, expected) in rows {
        let spec = of(&changed(RIG, rig), &changed(UNIT, unit), SUITE).expect("a twin");
        let l = &spec.limits;
        let got = [l.speed * 60.0 / TAU, l.bus_high, l.bus_low, l.winding - 273.15, l.inverter - 273.15];
        assert!(
            got.iter().zip(expected).all(|(g, e)| (g - e).abs() < 1e-6),
            "{got:?}, expected {expected:?}"
        );
    }
    let pedal = of(&changed(RIG, &own), UNIT, SUITE).expect("a twin").limits.pedal_rate;
    assert!((pedal * 60.0 / TAU - 250.0).abs() < 1e-6, "{pedal}");
    // A bus that the converter could not show would trip nothing.
    let wide = [
        ("bus = \"200 V\"", "bus = \"600 V\""),
        ("rated = \"400 V\"", "rated = \"700 V\""),
        ("must_be = \"210\"", "must_be = \"650\""),
    ];
    let spec = of(&changed(RIG, &wide), UNIT, SUITE).expect("a twin");
    assert!(spec.sensors.bus_full > spec.limits.bus_high, "{} V", spec.limits.bus_high);
}

/// Loss of a phase over its rms current: the lower end without current, close under the upper one at the largest.
#[test]
fn the_inverter_loses_what_the_unit_file_says() {
    // Three legs, each a sine of that rms current: mean of its size 2 sqrt 2/pi of it (any textbook).
    let loss = |spec: &TwinSpec, rms: f64, bus: f64| {
        let i = &spec.inverter;
        let mean = rms * 2.0 * SQRT_2 / std::f64::consts::PI;
        3.0 * ((i.drop + i.switching * i.switching_frequency * bus) * mean + i.resistance * rms * rms)
    };
    let with = |drop: &str, max: &str| {
        spec("", |unit| changed(&unit, &[("[\"1 V\", \"1.6 V\"]", drop), ("250 A peak", max)]))
            .expect("a twin")
    };
    let big = with("[\"3 V\", \"4 V\"]", "250 A peak");
    assert!((loss(&big, 111.0, 152.5) / 1160.0 - 1.0).abs() < 0.03, "{} W", loss(&big, 111.0, 152.5));
    for (spec, low, high, largest) in [
        (&big, 3.0, 4.0, 250.0 / SQRT_2),
        (&with("\"1.3 V\"", "250 A peak"), 1.3, 1.3, 250.0 / SQRT_2),
        (&with("[\"1 V\", \"2 V\"]", "40 A rms"), 1.0, 2.0, 40.0),
    ] {
        let drop = |rms: f64| loss(spec, rms, 152.5) / (3.0 * rms);
        assert!((drop(1e-3) / low - 1.0).abs() < 0.01, "{} V", drop(1e-3));
        assert!((drop(largest) / high - 1.0).abs() < 0.07, "{} V", drop(largest));
    }
}

/// What the controller would not take ends with a message instead of a command timeout.
#[test]
fn a_demand_beyond_the_simulated_controller_is_refused_with_words() {
    let with = |limit: &str| {
        let rig = changed(
            RIG,
            &[
                (
                    "range = [\"0 A peak\", \"24 A peak\"]\nrest = \"0 A peak\"\n\n[twin]",
                    "range = [\"0 A peak\", \"90 A peak\"]\nrest = \"0 A peak\"\n\n[twin]",
                ),
                // Or the plan would not let the suite ask for as much.
                ("at_most = \"24 A peak\"", "at_most = \"60 A peak\""),
            ],
        );
        let suite = changed(
            SUITE,
            &[("name = \"crawl\"", "name = \"crawl\"\nwith = { current_limit = \"60 A peak\" }")],
        );
        of(&format!("{rig}\n{limit}\n"), UNIT, &suite)
    };
    let error = with("").expect_err("it is refused").to_string();
    assert!(
        error.contains("test `crawl` asks for current_limit 60.00 A peak") && error.contains("24.00 A peak"),
        "{error}"
    );
    assert!(error.contains("raise `current_limit` in the rig's [twin]"), "{error}");
    assert!(with("current_limit = \"60 A peak\"").is_ok());
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
    let other = |unit: String| {
        unit.replace("pinion = 20\nwheel = 44", "pinion = 17\nwheel = 44").replace("balls = 9", "balls = 8")
    };
    let spec = spec("", other).expect("a twin");
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
