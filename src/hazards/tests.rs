//! Files with figures of the bench, changed in one place: what fits, what is refused, and with which words.

mod demanded;
mod faulty;
mod turned;

use super::{Answer, Case, Finding, judge};
use crate::diag::Sources;
use crate::files::load::{read_rig, read_suite, read_unit};
use crate::plan::resolve;

const RIG: &str = include_str!("../../fixtures/demo/rig.toml");
const UNIT: &str = include_str!("../../fixtures/demo/unit.toml");
const BRAKE: &str = include_str!("../../fixtures/brake-bench/rig.toml");
const SECOND_RIG: &str = include_str!("../../fixtures/second-bench/rig.toml");
const SECOND_UNIT: &str = include_str!("../../fixtures/second-bench/unit.toml");
const FIRST_SPIN: &str = include_str!("../../suites/first-spin.toml");

fn suite(name: &str) -> String {
    let path = format!("{}/suites/{name}.toml", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(&path).expect(&path)
}

/// Reads, resolves and judges three texts that resolve.
fn judged(rig: &str, unit: &str, suite: &str) -> (Sources, Vec<Finding>) {
    let mut sources = Sources::default();
    // How long a person waits is held against the capacitor by the plan, and no matter of these tests.
    let rig = &rig.replace("discharge = \"60 s\"", "discharge = \"20000 s\"");
    let (r, a) = read_rig(&mut sources, "rig.toml", rig);
    let (u, b) = read_unit(&mut sources, "unit.toml", unit);
    let (s, c) = read_suite(&mut sources, "suite.toml", suite);
    let diags: Vec<_> = a.into_iter().chain(b).chain(c).collect();
    assert!(diags.is_empty(), "{}", crate::diag::render_all(&diags, &sources, false));
    let (r, u, s) = (r.expect("a rig"), u.expect("a unit"), s.expect("a suite"));
    for written in s.cycles() {
        let path = format!("{}/suites/{}", env!("CARGO_MANIFEST_DIR"), written.value);
        let found = std::fs::read_to_string(&path).map(|text| (path, text)).map_err(|e| e.to_string());
        sources.add_beside(s.at.file, written, found);
    }
    let plan = match resolve(&sources, &r, &u, &s, None) {
        Ok(plan) => plan,
        Err(diags) => panic!("{}", crate::diag::render_all(&diags, &sources, false)),
    };
    let case = Case { sources: &sources, rig: &r, unit: &u, suite: &s, plan: &plan };
    let findings = judge(&case);
    (sources, findings)
}

fn told(findings: &[Finding]) -> String {
    let line = |f: &Finding| {
        let help = f.diag.as_ref().and_then(|d| d.help.clone()).unwrap_or_default();
        format!("{} {:?} {:?}: {}\n      {help}\n", f.hazard, f.answer, f.margin, f.told)
    };
    findings.iter().map(line).collect()
}

#[test]
fn every_suite_of_the_project_may_be_driven_on_its_bench() {
    let mut all = Vec::new();
    for entry in std::fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/suites")).expect("suites") {
        let path = entry.expect("an entry").path();
        if path.extension().is_some_and(|e| e == "toml") {
            all.push(path.file_stem().expect("a name").to_string_lossy().to_string());
        }
    }
    assert!(all.len() >= 5, "{all:?}");
    for name in all {
        let rig = if name == "heat-soak" { BRAKE } else { RIG };
        let (_, findings) = judged(rig, UNIT, &suite(&name));
        println!("{name}\n{}", told(&findings));
        assert!(findings.iter().all(|f| f.answer == Answer::Fits), "{name}\n{}", told(&findings));
    }
    let (_, findings) = judged(SECOND_RIG, SECOND_UNIT, FIRST_SPIN);
    println!("second\n{}", told(&findings));
    assert!(findings.iter().all(|f| f.answer == Answer::Fits), "second bench\n{}", told(&findings));
}

const ROWS: &str = include_str!("../../fixtures/broken/hazard-rows.toml");

/// A text with its first `from` replaced.
fn changed(text: &str, from: &str, to: &str) -> String {
    assert!(text.contains(from), "{from}");
    text.replacen(from, to, 1)
}

/// Each row of the file: one change, the hazards that refuse it, and the first message to the letter.
#[test]
fn each_change_is_refused_by_its_hazards_in_these_words() {
    let rows: toml::Table = ROWS.parse().expect("the rows are TOML");
    let rows = rows["row"].as_array().expect("rows");
    let mut wrong = Vec::new();
    for row in rows {
        let text = |key: &str| row[key].as_str().expect(key);
        let of = |file: &str, demo: &str| {
            if text("file") == file { changed(demo, text("from"), text("to")) } else { demo.to_string() }
        };
        let (sources, findings) = judged(&of("rig", RIG), &of("unit", UNIT), &of("suite", FIRST_SPIN));
        let refused: Vec<&Finding> = findings.iter().filter(|f| f.answer == Answer::Refused).collect();
        let names: Vec<&str> = refused.iter().map(|f| f.hazard).collect();
        let expected: Vec<&str> =
            row["refused"].as_array().expect("refused").iter().map(|n| n.as_str().expect("a name")).collect();
        let diag = refused.first().and_then(|f| f.diag.clone());
        let line = |place: &Option<(crate::diag::Place, String)>| {
            place.as_ref().map_or(0, |(p, _)| sources.line(*p) as i64)
        };
        let as_expected = diag.as_ref().is_some_and(|d| {
            d.message == text("message")
                && d.help.as_deref() == Some(text("help"))
                && line(&d.place) == row["line"].as_integer().expect("line")
                && line(&d.other) == row["other"].as_integer().expect("other")
        });
        if names != expected || !as_expected {
            let found = diag.map(|d| {
                format!(
                    "refused = {names:?}\nmessage = '''{}'''\nline = {}\nother = {}\nhelp = '''{}'''",
                    d.message,
                    line(&d.place),
                    line(&d.other),
                    d.help.clone().unwrap_or_default()
                )
            });
            wrong.push(format!(
                "from = '''{}'''\nto = '''{}'''\n{}",
                text("from"),
                text("to"),
                found.unwrap_or_default()
            ));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
    assert!(rows.len() >= 15, "{} rows", rows.len());
}

/// What a rig or unit does not declare leaves these hazards without an answer: printed where nothing real turns, and forbidden
/// where something may.
#[test]
fn what_is_not_declared_is_not_judged() {
    let reaction = "[reaction]\nrunner = \"5 ms\"\nadapter = \"16 ms\" # some USB adapters hold bytes back for that long (common practice)\ncontroller = \"2 ms\"\n";
    let rows: &[(&str, &str, &[&str])] = &[
        ("rig", reaction, &["runaway", "EMF against the ratings", "turning energy", "faulty braking"]),
        ("rig", "rated = \"400 V\"", &["EMF against the ratings", "faulty braking"]),
        ("rig", "guard = \"1.2 kJ\"\n", &["turning energy"]),
        ("rig", "mount = \"1.3 kNm\" # one switch stuck on at that speed\n", &["reaction mount"]),
        (
            "rig",
            "mains = [\"216 V rms\", \"253 V rms\"] # 230 V, +10 % and -6 %\nfuse = \"10 A rms\"\n",
            &["mains current"],
        ),
        (
            "unit",
            "inverter_drop = [\"1 V\", \"1.6 V\"] # loss of a phase over its rms current, switching included\n",
            &["inverter", "coolant stops", "mains current"],
        ),
        ("unit", "sensor_lag = \"5 s\"\n", &["coolant stops"]),
    ];
    for (file, cut, expected) in rows {
        let of =
            |name: &str, demo: &str| if *file == name { changed(demo, cut, "") } else { demo.to_string() };
        let (_, findings) = judged(&of("rig", RIG), &of("unit", UNIT), FIRST_SPIN);
        let unjudged: Vec<&str> =
            findings.iter().filter(|f| f.answer == Answer::NotJudged).map(|f| f.hazard).collect();
        assert_eq!(unjudged, *expected, "{cut}\n{}", told(&findings));
        assert!(super::refusals(&findings, false).is_empty(), "{cut}");
        assert_eq!(super::refusals(&findings, true).len(), expected.len(), "{cut}");
        assert_eq!(super::warnings(&findings).len(), expected.len(), "{cut}");
    }
}

/// A bench supply limits its own current, and a battery takes back what braking gives; a rectifier does neither.
#[test]
fn the_supply_decides_what_has_a_way_back() {
    let down = changed(
        FIRST_SPIN,
        r#"{ ramp = "0 rpm", rate = "200 rpm/s", name = "down" }"#,
        r#"{ ramp = "0 rpm", rate = "400 rpm/s", name = "down" }"#,
    );
    for (kind, more, refused) in [
        ("rectified mains", "", true),
        ("bench supply", "", true),
        ("bench supply", "takes_back = true\n", false),
        ("battery", "", false),
        ("battery", "takes_back = false\n", true),
    ] {
        let rig = changed(RIG, "kind = \"rectified mains\"\n", &format!("kind = \"{kind}\"\n{more}"));
        // What the mains let the bus be is predicted of a rectifier alone.
        let rig = match kind {
            "rectified mains" => rig,
            _ => changed(&rig, "[ready.supply]\nmains = \"mains\"\n", ""),
        };
        let (_, findings) = judged(&rig, UNIT, &down);
        let braking = findings.iter().find(|f| f.hazard == "braking").expect("judged");
        assert_eq!(braking.answer == Answer::Refused, refused, "{kind} {more}{}", told(&findings));
    }
}

/// By hand: 400 rpm/s are 41.89 rad/s2 on 0.032 kg m2, 1.340 Nm, of which the least drag takes 0.6 Nm and 0.003 Nm s/rad; from
/// 1200 rpm (125.7 rad/s) the rest gives (0.7404 x 125.66^2/2 - 0.003 x 125.66^3/3) / 41.89 = 92.2 J as far as all of the fall
/// brakes; 165 V on 4.7 mF become sqrt(165^2 + 2 x 92.2 / 4.7e-3) = 257.8 V.
#[test]
fn braking_energy_is_as_worked_out_by_hand() {
    let alpha = 400.0 * super::physics::RPM;
    let w: f64 = 1200.0 * super::physics::RPM;
    let energy = ((0.032 * alpha - 0.6) * w * w / 2.0 - 0.003 * w.powi(3) / 3.0) / alpha;
    let volts = (165f64 * 165.0 + 2.0 * energy / 4.7e-3).sqrt();
    assert!((energy - 92.2).abs() < 0.1 && (volts - 257.8).abs() < 0.1, "{energy} J, {volts} V");
    let down = changed(
        FIRST_SPIN,
        r#"{ ramp = "0 rpm", rate = "200 rpm/s", name = "down" }"#,
        r#"{ ramp = "0 rpm", rate = "400 rpm/s", name = "down" }"#,
    );
    let (_, findings) = judged(RIG, UNIT, &down);
    let braking = findings.iter().find(|f| f.hazard == "braking").expect("judged");
    let margin = braking.margin.expect("a figure");
    assert!(((1.0 - margin) * 200.0 - volts).abs() < 0.05, "{} {volts}", braking.told);
}

/// What a fall has left in the link a rise takes again, and the lightest rotor takes least. By hand, at 400 rpm/s: from 1200 to 600 rpm
/// the heaviest leaves 63.2 J; to 700 rpm the lightest takes 20.0 J and the least drag 13.7 J; to 0 rpm the heaviest leaves 38.1 J more.
#[test]
fn a_rise_takes_what_the_lightest_rotor_takes() {
    let alpha = 400.0 * super::physics::RPM;
    let speed = |rpm: f64| rpm * super::physics::RPM;
    let between = |to: f64, from: f64, power: i32| speed(from).powi(power) - speed(to).powi(power);
    let drag =
        |to: f64, from: f64| (0.6 * between(to, from, 2) / 2.0 + 0.003 * between(to, from, 3) / 3.0) / alpha;
    let fall = |to: f64, from: f64| 0.032 * between(to, from, 2) / 2.0 - drag(to, from);
    let rise = 0.028 * between(600.0, 700.0, 2) / 2.0 + drag(600.0, 700.0);
    let energy = fall(600.0, 1200.0) - rise + fall(0.0, 700.0);
    assert!((energy - 67.6).abs() < 0.1, "{energy} J");
    let volts = (165f64 * 165.0 + 2.0 * energy / 4.7e-3).sqrt();
    let down = changed(
        FIRST_SPIN,
        r#"{ ramp = "0 rpm", rate = "200 rpm/s", name = "down" }"#,
        r#"{ ramp = "600 rpm", rate = "400 rpm/s" }, { ramp = "700 rpm", rate = "400 rpm/s" }, { ramp = "0 rpm", rate = "400 rpm/s", name = "down" }"#,
    );
    let (_, findings) = judged(RIG, UNIT, &down);
    let braking = findings.iter().find(|f| f.hazard == "braking").expect("judged");
    let margin = braking.margin.expect("a figure");
    assert!(((1.0 - margin) * 200.0 - volts).abs() < 0.05, "{} {volts}", braking.told);
}

/// A trip that looks at speed less demand sees a shaft that stands; one that remembers the past is not counted on.
#[test]
fn a_stall_is_seen_only_by_a_trip_without_memory() {
    let hot = changed(UNIT, "winding_capacity = \"3850 J/K\"", "winding_capacity = \"15 J/K\"");
    let standing = |rig: &str| {
        let (_, findings) = judged(rig, &hot, FIRST_SPIN);
        findings.into_iter().find(|f| f.hazard == "winding at standstill").expect("judged")
    };
    let (from, to) = (RIG.find("[trip.stall]").expect("it"), RIG.find("[trip.phase_current]").expect("it"));
    let without = standing(&format!("{}{}", &RIG[..from], &RIG[to..]));
    let with = standing(RIG);
    let filtered = standing(&changed(
        RIG,
        "derived = \"speed - demand.speed\"",
        "derived = \"lowpass(speed - demand.speed, '1 s')\"",
    ));
    assert!(with.margin > without.margin, "{}\n{}", with.told, without.told);
    assert_eq!(filtered.margin, without.margin);
}

mod worse_ends {
    use super::*;
    use proptest::prelude::*;

    /// Nameplate ranges of the demo files with what stands before and behind a number, and the ends of the sound range.
    const RANGES: &[(&str, &str, &str, f64, f64)] = &[
        (
            "unit",
            "flux_linkage = [\"63 mWb\", \"67 mWb\"]",
            "flux_linkage = [\"{} mWb\", \"{} mWb\"]",
            40.0,
            110.0,
        ),
        (
            "unit",
            "resistance = [\"17 mOhm\", \"19 mOhm\"]",
            "resistance = [\"{} mOhm\", \"{} mOhm\"]",
            5.0,
            300.0,
        ),
        ("unit", "inductance_d = \"0.30 mH\"", "inductance_d = [\"{} mH\", \"{} mH\"]", 0.1, 0.6),
        ("unit", "inductance_q = \"0.75 mH\"", "inductance_q = [\"{} mH\", \"{} mH\"]", 0.4, 4.0),
        (
            "unit",
            "inertia = [\"0.028 kg m2\", \"0.032 kg m2\"]",
            "inertia = [\"{} kg m2\", \"{} kg m2\"]",
            0.012,
            0.09,
        ),
        ("unit", "friction = [\"0.6 Nm\", \"1.0 Nm\"]", "friction = [\"{} Nm\", \"{} Nm\"]", 0.1, 4.0),
        (
            "unit",
            "drag = [\"0.003 Nm s/rad\", \"0.006 Nm s/rad\"]",
            "drag = [\"{} Nm s/rad\", \"{} Nm s/rad\"]",
            0.0001,
            0.03,
        ),
        ("unit", "winding_capacity = \"3850 J/K\"", "winding_capacity = [\"{} J/K\", \"{} J/K\"]", 8.0, 90.0),
        ("unit", "inverter_drop = [\"1 V\", \"1.6 V\"]", "inverter_drop = [\"{} V\", \"{} V\"]", 0.5, 100.0),
        ("rig", "bus = [\"140 V\", \"165 V\"]", "bus = [\"{} V\", \"{} V\"]", 112.0, 184.0),
        ("rig", "capacitance = \"4.7 mF\"", "capacitance = [\"{} mF\", \"{} mF\"]", 0.3, 9.0),
    ];

    fn with_range(index: usize, low: f64, high: f64) -> Vec<Finding> {
        let (file, from, to, ..) = RANGES[index];
        let to = to.replacen("{}", &format!("{low:.6}"), 1).replacen("{}", &format!("{high:.6}"), 1);
        let of =
            |name: &str, demo: &str| if file == name { changed(demo, from, &to) } else { demo.to_string() };
        let steep = changed(
            FIRST_SPIN,
            r#"{ ramp = "0 rpm", rate = "200 rpm/s", name = "down" }"#,
            r#"{ ramp = "0 rpm", rate = "230 rpm/s", name = "down" }"#,
        );
        judged(&of("rig", RIG), &of("unit", UNIT), &steep).1
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(40))]
        /// A range that holds another never passes where that one is refused, and leaves no more margin. The margin of the heating
        /// hazards is left out: with a worse end they change from fitting by themselves to being caught by their trip.
        #[test]
        fn a_wider_range_never_passes_where_a_narrower_is_refused(
            index in 0..RANGES.len(),
            mut cuts in proptest::array::uniform4(0.0..1.0f64),
        ) {
            cuts.sort_by(f64::total_cmp);
            let (_, _, _, least, most) = RANGES[index];
            let at = |share: f64| least * (most / least).powf(share);
            let narrow = with_range(index, at(cuts[1]), at(cuts[2]));
            let wide = with_range(index, at(cuts[0]), at(cuts[3]));
            for (narrow, wide) in narrow.iter().zip(&wide) {
                prop_assert!(
                    narrow.answer != Answer::Refused || wide.answer == Answer::Refused,
                    "{}\n{}", narrow.told, wide.told
                );
                let heats = matches!(narrow.hazard, "winding" | "inverter");
                if let (false, Some(n), Some(w)) = (heats, narrow.margin, wide.margin) {
                    prop_assert!(w <= n + 1e-9, "{}: {w} {n}\n{}\n{}", wide.hazard, narrow.told, wide.told);
                }
            }
        }
    }

    /// The ranges above reach from plans that every hazard lets pass to plans that one refuses: the property is about something.
    #[test]
    fn the_ranges_reach_both_answers() {
        for (index, (_, from, _, least, most)) in RANGES.iter().enumerate() {
            // The window of the bus needs two ends, and the trips on the bus keep it where nothing is refused.
            if from.starts_with("bus") {
                continue;
            }
            let middle = (least * most).sqrt();
            let ends = [
                with_range(index, *least, *least),
                with_range(index, *most, *most),
                with_range(index, middle, middle),
            ];
            let refused = ends.iter().filter(|f| f.iter().any(|f| f.answer == Answer::Refused)).count();
            let blind = from.starts_with("resistance") || from.starts_with("inductance_d");
            assert!(blind || (1..3).contains(&refused), "{from}: {refused}");
        }
    }
}

/// Whoever holds the help's figure for the truth is right: what it says fits is judged to fit, and what is a little beyond is not.
#[test]
fn what_is_said_to_fit_fits() {
    let figure = |help: &str, unit: &str| -> f64 {
        let before = help.split(&format!(" {unit}")).next().expect("the unit");
        before.rsplit(' ').next().expect("a number").parse().expect(help)
    };
    let refused = |rig: &str, suite: &str, hazard: &str| {
        let (_, findings) = judged(rig, UNIT, suite);
        let found = findings.into_iter().find(|f| f.hazard == hazard).expect(hazard);
        found.diag.map(|d| d.help.expect("help"))
    };
    let down = r#"{ ramp = "0 rpm", rate = "200 rpm/s", name = "down" }"#;
    let steeper = |rate: f64| {
        changed(
            FIRST_SPIN,
            down,
            &format!("{{ ramp = \"0 rpm\", rate = \"{rate} rpm/s\", name = \"down\" }}"),
        )
    };
    let rate = figure(&refused(RIG, &steeper(400.0), "braking").expect("refused"), "rpm/s");
    assert!(refused(RIG, &steeper(rate), "braking").is_none(), "{rate}");
    assert!(refused(RIG, &steeper(rate * 1.02), "braking").is_some(), "{rate}");

    let limited = |a: f64| changed(RIG, "at_most = \"24 A peak\"", &format!("at_most = \"{a} A peak\""));
    let current = figure(&refused(&limited(90.0), FIRST_SPIN, "runaway").expect("refused"), "A peak");
    assert!(refused(&limited(current), FIRST_SPIN, "runaway").is_none(), "{current}");
    assert!(refused(&limited(current * 1.02), FIRST_SPIN, "runaway").is_some(), "{current}");

    let vibration = suite("vibration-runup");
    let trip = |rpm: f64| changed(RIG, "above = \"1750 rpm\"", &format!("above = \"{rpm} rpm\""));
    let quick = |rpm: f64| changed(&trip(rpm), "above = \"250 rpm\"", "above = \"900 rpm\"");
    let level = figure(&refused(&quick(1950.0), &vibration, "runaway").expect("refused"), "rpm or lower");
    assert!(refused(&quick(level), &vibration, "runaway").is_none(), "{level}");
    assert!(refused(&quick(level * 1.02), &vibration, "runaway").is_some(), "{level}");

    let over = |rpm: f64| changed(RIG, "overshoot = \"25 rpm\"", &format!("overshoot = \"{rpm} rpm\""));
    let beyond = figure(&refused(&over(90.0), FIRST_SPIN, "overshoot").expect("refused"), "rpm fits");
    assert!(refused(&over(beyond), FIRST_SPIN, "overshoot").is_none(), "{beyond}");
    assert!(refused(&over(beyond * 1.02), FIRST_SPIN, "overshoot").is_some(), "{beyond}");
}

/// Each slipped through once: a trip on how far the speed is off in either sense, which fires at standstill as well; a coupling
/// that breaks and takes its inertia away; swings sampled a whole number of cycles apart; a step through zero.
#[test]
fn what_a_coarse_look_does_not_see_is_refused_all_the_same() {
    let of = |profile: &str| {
        format!("schema = 1\nname = \"s\"\n[[test]]\nname = \"one\"\nprofile = [{profile}]\ncriterion = []\n")
    };
    let steep = changed(RIG, "speed_rate = \"400 rpm/s\"", "speed_rate = \"4000 rpm/s\"");
    let swings = |cycles: u32| {
        of(&format!(
            "{{ ramp = \"1000 rpm\", rate = \"100 rpm/s\" }}, \
             {{ sine = \"300 rpm\", frequency = \"2 Hz\", cycles = {cycles} }}"
        ))
    };
    let step =
        of("{ ramp = \"450 rpm\", rate = \"100 rpm/s\" }, { step = \"-450 rpm\" }, { hold = \"1 s\" }");
    let either = changed(RIG, "\"speed - demand.speed\"", "\"abs(speed - demand.speed)\"");
    let brake = changed(BRAKE, "inertia = \"0.001 kg m2\"", "inertia = \"0.05 kg m2\"");
    let rows = [
        (
            changed(&either, "guard = \"1.2 kJ\"", "guard = \"1 kJ\""),
            FIRST_SPIN.to_string(),
            "turning energy",
        ),
        (changed(&brake, "guard = \"7 kJ\"", "guard = \"4 kJ\""), suite("heat-soak"), "turning energy"),
        (steep.clone(), swings(20), "braking"),
        (steep, swings(50_000), "braking"),
        (changed(RIG, "speed_step = \"100 rpm\"", "speed_step = \"900 rpm\""), step, "braking"),
    ];
    for (rig, suite, hazard) in rows {
        let (_, findings) = judged(&rig, UNIT, &suite);
        let found = findings.iter().find(|f| f.hazard == hazard).expect(hazard);
        assert_eq!(found.answer, Answer::Refused, "{}\n{suite}", found.told);
    }
}
