//! The commissioning rungs against the twin: a sound unit climbs them all, and each thing that is wired wrongly is
//! caught at its rung, before the shaft turns faster than a twentieth of the highest speed of the unit.

mod common;

use common::{Rehearsed, UNIT, load, run_bench};
use spinproof::commissioning::{Found, found, points_at, rungs, too_fast, write_back};
use spinproof::outcome::Cause;
use spinproof::record::What;
use std::f64::consts::TAU;

static RIG: std::sync::LazyLock<&'static str> = std::sync::LazyLock::new(|| read("fixtures/demo/rig.toml"));
static SUITE: std::sync::LazyLock<&'static str> =
    std::sync::LazyLock::new(|| read("suites/commissioning.toml"));

fn read(path: &str) -> &'static str {
    let path = format!("{}/{path}", env!("CARGO_MANIFEST_DIR"));
    Box::leak(std::fs::read_to_string(path).expect("a file of the project").into_boxed_str())
}

/// 5 % of the 9000 rpm that the demo unit may do.
const FASTEST: f64 = 450.0;

/// Climbs the rungs with a rig until one is not passed; name and run of each.
fn climb(rig: &str, build: Option<&str>, seed: u64, faults: &[&str]) -> Vec<(String, Rehearsed)> {
    let mut climbed = Vec::new();
    for (name, suite) in rungs(&SUITE).expect("rungs") {
        let run = run_bench(load(rig, UNIT, &suite, build), seed, faults, |_| {});
        let passed = run.results.cause == Cause::Passed;
        climbed.push((name, run));
        if !passed {
            break;
        }
    }
    climbed
}

/// Highest speed in the truth, rpm.
fn fastest(climbed: &[(String, Rehearsed)]) -> f64 {
    let speeds = climbed.iter().flat_map(|(_, run)| run.truth.iter().map(|r| r.truth.speed.abs()));
    speeds.fold(0.0, f64::max) * 60.0 / TAU
}

fn words(run: &Rehearsed) -> String {
    points_at(&run.loaded.plan, &run.results).join("\n")
}

fn measured_on(run: &Rehearsed) -> Vec<Found> {
    found(&run.loaded.plan, &run.loaded.unit, &run.results, true)
}

fn fast(rig: &str, suite: &str) -> Vec<String> {
    let loaded = load(rig, UNIT, suite, None);
    too_fast(&loaded.plan, &loaded.rig, &loaded.unit)
}

/// Of the hand-driven tests one lets the fully pressed pedal ask for 600 rpm.
#[test]
fn a_twentieth_of_the_highest_speed_bounds_a_pedal_too() {
    let told = fast(&RIG, read("suites/pedal.toml"));
    assert!(matches!(&told[..], [one] if one.contains("600 rpm")), "{told:?}");
}

/// 4 pole pairs: 450 rpm of the shaft are 1800 rpm of the field, which is 10,800 deg/s electrical; 13,000 are 541.7 rpm.
#[test]
fn a_twentieth_of_the_highest_speed_bounds_a_field_that_is_turned() {
    let rig = RIG.replacen("rate = \"400 deg/s electrical\"", "rate = \"20000 deg/s electrical\"", 1);
    assert_ne!(rig, **RIG);
    let suite = |rate: &str| {
        let from = "rate = \"360 deg/s electrical\", name = \"back\"";
        assert!(SUITE.contains(from));
        SUITE.replacen(from, &format!("rate = \"{rate} deg/s electrical\", name = \"back\""), 1)
    };
    assert_eq!(fast(&rig, &suite("10800")), [""; 0]);
    let told = fast(&rig, &suite("13000"));
    let words = "test `slow open loop` turns the field at 13000 deg/s electrical, which takes a shaft of 4 pole pairs to 542 rpm";
    assert!(matches!(&told[..], [one] if one.contains(words) && one.contains("450 rpm")), "{told:?}");
}

/// A torque has no end to its speed but the board's own limit, and that counts only as what must be read back.
#[test]
fn a_twentieth_of_the_highest_speed_bounds_a_torque_by_the_boards_own_limit() {
    let suite = "schema = 1\nname = \"torque\"\nrung = \"commissioning\"\n[[test]]\nname = \"push\"\ndemand = \"torque\"\n\
                 profile = [{ hold = \"1 s\" }, { ramp = \"1 Nm\", rate = \"1 Nm/s\" }]\n";
    let limit = "limits = \"shaft speed\"\n";
    let read_back = |must: &str| common::torque_rig().replacen(limit, &format!("{limit}{must}"), 1);
    for (must, words) in [
        ("", Some("nothing that is read back holds the speed")),
        ("must_be = \"1500\"\n", Some("the board's own limit holds the speed at 1500 rpm")),
        ("must_be = \"450\"\n", None),
    ] {
        let told = fast(&read_back(must), suite);
        match words {
            None => assert_eq!(told, [""; 0]),
            Some(words) => assert!(matches!(&told[..], [one] if one.contains(words)), "{must}: {told:?}"),
        }
    }
}

/// The commands as a person runs them, in a folder of their own.
fn commission(dir: &std::path::Path, args: &[&str]) -> (Option<i32>, String) {
    use assert_cmd::cargo::CommandCargoExt;
    let mut command = std::process::Command::cargo_bin("spinproof").expect("the program");
    let command = command.current_dir(dir).arg("commission").args(args).stdin(std::process::Stdio::null());
    let output = command.output().expect("it runs");
    let text = [output.stdout, output.stderr].map(|text| String::from_utf8_lossy(&text).into_owned());
    (output.status.code(), text.concat())
}

/// A hazard of the last rung alone, which brakes hard above a small capacitor, is told before the first is climbed, on the virtual
/// clock and in real time, and no folder is left.
#[test]
fn what_forbids_the_last_rung_is_told_before_the_first() {
    let temp = tempfile::tempdir().expect("a folder");
    let write = |name: &str, text: &str| std::fs::write(temp.path().join(name), text).expect("a file");
    let changed = |text: &str, from: &str, to: &str| {
        assert!(text.contains(from), "{from}");
        text.replacen(from, to, 1)
    };
    let rig = changed(&RIG, "capacitance = \"4.7 mF\"", "capacitance = \"4.0 mF\"");
    write("rig.toml", &changed(&rig, "speed_rate = \"400 rpm/s\"", "speed_rate = \"2000 rpm/s\""));
    let up = "    { ramp = \"380 rpm\", rate = \"60 rpm/s\" },\n";
    let hard = changed(&SUITE, up, &format!("{up}    {{ ramp = \"60 rpm\", rate = \"2000 rpm/s\" }},\n{up}"));
    write("hard.toml", &hard);
    write("below.toml", &hard[..hard.rfind("[[test]]\n").expect("the last test")]);
    write("unit.toml", UNIT);
    let files = |suite| ["--suite", suite, "--rig", "rig.toml", "--unit", "unit.toml", "--out", "out"];
    for more in [&["--rehearse"][..], &["--no-rehearsal", "a test"]] {
        let (code, said) = commission(temp.path(), &[&files("hard.toml"), more].concat());
        assert_eq!(code, Some(4), "{said}");
        assert!(said.contains("1 hazard forbids this plan; nothing was sent"), "{said}");
        assert!(!said.contains("rung 1 of"), "{said}");
        assert!(!temp.path().join("out").exists(), "no folder is left");
    }
    let (code, said) = commission(temp.path(), &[&files("below.toml"), &["--rehearse"][..]].concat());
    assert_eq!(code, Some(0), "the rungs below it are allowed: {said}");
}

/// Every rung passes with magnets that have lost 15 % of their flux: what a unit file expects is not a rung's business. It is
/// said before anything is written back.
#[test]
fn weak_magnets_are_told_when_they_are_measured() {
    let climbed = climb(&RIG, None, 3, &["weak-magnets"]);
    let told: Vec<String> =
        climbed.iter().flat_map(|(_, run)| measured_on(run)).filter_map(|m| m.differs()).collect();
    assert!(
        matches!(&told[..], [one] if one.starts_with("machine.flux_linkage was 63 mWb to 67 mWb")),
        "{told:?}"
    );
}

/// Every rung passes, and what is measured agrees with the truth within three standard uncertainties.
#[test]
fn a_sound_unit_climbs_every_rung_and_is_measured() {
    for seed in [1, 2] {
        let climbed = climb(&RIG, None, seed, &[]);
        let (name, last) = climbed.last().expect("a rung");
        assert_eq!(
            last.results.cause,
            Cause::Passed,
            "seed {seed}, {name}: {}\n{}",
            last.results.why,
            last.story()
        );
        assert_eq!(climbed.len(), rungs(&SUITE).expect("rungs").len());
        assert!(fastest(&climbed) < FASTEST, "{} rpm", fastest(&climbed));
        assert_eq!(fast(&RIG, &SUITE), [""; 0]);
        let spec =
            spinproof::rehearsal::twin_spec(&last.loaded.rig, &last.loaded.unit, &last.loaded.plan, seed)
                .expect("a twin");
        let measured: Vec<_> = climbed.iter().flat_map(|(_, r)| measured_on(r)).collect();
        assert_eq!(measured.iter().find_map(|m| m.differs()), None, "seed {seed}");
        let hysteresis = spec.machine.iron_hysteresis * f64::from(spec.machine.pole_pairs) / TAU;
        for (key, truth) in [
            ("resistance", 1e3 * spec.machine.resistance),
            ("flux_linkage", 1e3 * spec.machine.flux_linkage),
            ("inertia", spec.rotor.inertia),
            // What coasts down feels the hysteresis of the iron as friction.
            ("friction", spec.rotor.friction + hysteresis),
        ] {
            let one = measured
                .iter()
                .find(|f| f.place.1 == key)
                .unwrap_or_else(|| panic!("{key} was not measured"));
            println!("seed {seed} {key}: {} u {} truth {truth}", one.value, one.u);
            assert!(
                (one.value - truth).abs() < 3.0 * one.u,
                "{key}: {} (u {}), truth {truth}",
                one.value,
                one.u
            );
            assert!(one.u < 0.15 * truth, "{key} is known well enough to be of use: {} of {truth}", one.u);
        }
        let new = write_back(UNIT, &measured).expect("a file");
        load(&RIG, &new, &SUITE, None);
    }
}

/// The whole suite counts; without any test that closed loop rests on it is a part, which says what it does not show.
#[test]
fn a_suite_without_what_closed_loop_rests_on_is_a_part_of_a_commissioning() {
    use spinproof::evidence::lacks;
    let of = |suite: &str| lacks(&load(&RIG, UNIT, suite, None).plan);
    let without = |suite: &str, name: &str| {
        let start = suite.find(&format!("[[test]]\nname = \"{name}\"\n")).expect("the test");
        let end = suite[start + 1..].find("[[test]]").expect("one after it") + start + 1;
        format!("{}{}", &suite[..start], &suite[end..])
    };
    assert_eq!(of(&SUITE), [""; 0]);
    for (names, missing) in [
        (&["turned by hand"][..], &["turn_ratio"][..]),
        (&["alignment"], &["alignment_offset"]),
        (&["alignment", "slow open loop"], &["follow_slope", "alignment_offset"]),
        (&["stop frame, at rest"], &["the stop frame at rest, by"]),
        (&["command timeout, at rest"], &["the command timeout at rest, by"]),
        (&["stop frame"], &["the stop frame turning, by"]),
        (&["command timeout"], &["the command timeout turning, by"]),
    ] {
        let suite = names.iter().fold(SUITE.to_string(), |suite, name| without(&suite, name));
        let lacks = of(&suite);
        assert_eq!(lacks.len(), missing.len(), "{names:?}: {lacks:?}");
        assert!(lacks.iter().zip(missing).all(|(one, word)| one.contains(word)), "{names:?}: {lacks:?}");
    }
}

/// A criterion counts by what its limits rule out, whatever it is called. With each of these suites a reversed resolver, phases
/// that are swapped, an offset of 180 degrees (measured as -180), a board that never times out or a shaft that stands still
/// would pass the criterion.
#[test]
fn a_criterion_that_lets_the_fault_pass_shows_nothing() {
    use spinproof::evidence::lacks;
    let ratio = "turn = \"electrical\"\nbetween = [\"0.9\", \"1.1\"]";
    let up = "over = \"up\"\nbetween = [\"0.9\", \"1.1\"]";
    let slow = |way: &str| format!("over = \"{way}\"\nbetween = [\"0.97\", \"1.03\"]");
    let offset = "between = [\"-12 deg electrical\", \"12 deg electrical\"]";
    let zero = "of = \"phase_a\"\nover = \"rest\"\nbetween = [\"-2 A\", \"2 A\"]";
    let noise = "over = \"rest\"\nat_most = \"10 mrad electrical\"";
    let crawl = "over = \"crawl\"\nbetween = [\"-5 rpm\", \"5 rpm\"]";
    let to = |from: &str, limit: &str| {
        let at = from.find("between").or(from.find("at_most")).expect("a limit");
        format!("{}{limit}", &from[..at])
    };
    let of = |changes: &[(&str, String)]| {
        let suite = changes.iter().fold(SUITE.to_string(), |suite, (from, to)| {
            assert!(suite.contains(from), "{from}");
            suite.replacen(from, to, 1)
        });
        lacks(&load(&RIG, UNIT, &suite, None).plan)
    };
    let slopes = |limit: &str| {
        [(up, to(up, limit))].into_iter().chain(["forward", "back"].map(|way| {
            let from: &'static str = Box::leak(slow(way).into_boxed_str());
            (from, to(from, limit))
        }))
    };
    let rows: Vec<(Vec<(&str, String)>, &str)> = vec![
        (
            vec![(ratio, to(ratio, "at_most = \"1.1\""))],
            "the resolver's sense: `turn_ratio` of `angle` in test `turned by hand` has no lower limit above 0",
        ),
        (vec![(ratio, to(ratio, "at_least = \"0\""))], "the resolver's sense: "),
        (vec![(ratio, to(ratio, "between = [\"-1.1\", \"1.1\"]"))], "the resolver's sense: "),
        (
            vec![(
                "turned = [\"0.97 turn\", \"1.03 turn\"]",
                "turned = [\"-1.03 turn\", \"-0.97 turn\"]".into(),
            )],
            "the way that its `turned` says",
        ),
        (
            slopes("at_most = \"1.1\"").collect(),
            "the order of the phases: `follow_slope` of `angle` in test `alignment` has no lower limit above 0",
        ),
        (
            vec![(offset, "at_most = \"12 deg electrical\"".into())],
            "the resolver's offset: `alignment_offset` of `angle` in test `alignment` does not have both limits",
        ),
        (vec![(offset, "at_least = \"-12 deg electrical\"".into())], "the resolver's offset: "),
        (
            vec![(offset, "between = [\"-12 deg electrical\", \"90 deg electrical\"]".into())],
            "the resolver's offset: ",
        ),
        (
            vec![("silence = \"160 ms\"", "silence = \"10 s\"".into())],
            "the command timeout at rest: test `command timeout, at rest` with its silence of 10 s lets a drive pass",
        ),
        (
            vec![(AT_REST, AT_REST.replace("20 A peak", "2 A peak"))],
            "the stop frame at rest: test `stop frame, at rest` has an alignment current of 2 A peak, and up to 2.12 A peak counts",
        ),
        (
            vec![(AT_REST, AT_REST.replace("hold = \"2 s\"", "hold = \"90 ms\""))],
            "the stop frame at rest: test `stop frame, at rest` does not hold its demand",
        ),
        (
            vec![("stop_frame = \"200 ms\"", "silence = \"160 ms\"".into())],
            "the stop frame at rest, by a segment `stop_frame`",
        ),
        (
            vec![(zero, to(zero, "at_most = \"2 A\""))],
            "`mean_level` of `phase_a` in test `gates off`: it may be off on either side",
        ),
        (
            vec![(zero, to(zero, "between = [\"-400 A\", \"400 A\"]"))],
            "hold all that `phase_a` may read, -400 A to 400 A",
        ),
        (
            vec![(noise, to(noise, "at_most = \"2000 mrad electrical\""))],
            "hold all that `angle_noise` may read",
        ),
        (
            vec![("at_most = \"12 rpm\"", "at_least = \"0.001 rpm\"".into())],
            "`steady_ripple` of `speed` in test `gates on, no current`: it has no upper limit",
        ),
        (
            vec![(crawl, to(crawl, "at_most = \"5 rpm\""))],
            "`tracking_mean` of `speed` in test `closed loop`: it may be off on either side",
        ),
        (
            vec![(crawl, to(crawl, "between = [\"-60 rpm\", \"60 rpm\"]"))],
            "a shaft that stands still passes: keep its limits within the 60 rpm",
        ),
    ];
    for (changes, words) in rows {
        let lacks = of(&changes);
        assert!(matches!(&lacks[..], [one] if one.contains(words)), "{words}: {lacks:#?}");
    }
    // A proof that turns faster than another test, which makes one after it too late as well.
    let faster = of(&[(TURNING, TURNING.replace("60 rpm", "80 rpm"))]);
    assert!(
        faster[0].starts_with(
            "the stop frame turning: test `stop frame` turns at 80 rpm, and test `closed loop` at 60 rpm"
        ),
        "{faster:?}"
    );
    // What is wide and still rules the fault out is enough, and one of several that does.
    for change in [
        (ratio, to(ratio, "at_least = \"0.1\"")),
        (up, to(up, "at_most = \"1.1\"")),
        (offset, "between = [\"-89 deg electrical\", \"89 deg electrical\"]".into()),
        ("silence = \"160 ms\"", "silence = \"245 ms\"".into()),
        (crawl, to(crawl, "between = [\"-59 rpm\", \"59 rpm\"]")),
    ] {
        assert_eq!(of(std::slice::from_ref(&change)), [""; 0], "{change:?}");
    }
}

/// Shafts that are stiff and sound: the rungs that a rotor which sticks could fail, and what is measured in the last. Of 2 Nm and more
/// 6 A do not start every one in closed loop, and the last criterion ends there.
#[test]
fn a_stiff_shaft_climbs_and_is_measured() {
    for (friction, seed) in [("1.05", 1), ("1.5", 1), ("1.8", 3)] {
        let from = "friction = [\"0.6 Nm\", \"1.0 Nm\"]";
        assert!(UNIT.contains(from));
        let unit = UNIT.replace(from, &format!("friction = \"{friction} Nm\""));
        for (name, suite) in rungs(&SUITE).expect("rungs") {
            if !["alignment", "slow open loop", "closed loop", "what it is"].contains(&name.as_str()) {
                continue;
            }
            let run = run_bench(load(&RIG, &unit, &suite, None), seed, &[], |_| {});
            assert_eq!(run.results.cause, Cause::Passed, "{friction} Nm, {name}: {}", words(&run));
            let spec =
                spinproof::rehearsal::twin_spec(&run.loaded.rig, &run.loaded.unit, &run.loaded.plan, seed);
            let spec = spec.expect("a twin");
            let hysteresis = spec.machine.iron_hysteresis * f64::from(spec.machine.pole_pairs) / TAU;
            for one in measured_on(&run).iter().filter(|one| one.place.0 == "rotor") {
                let truth = match one.place.1 {
                    "friction" => spec.rotor.friction + hysteresis,
                    _ => spec.rotor.inertia,
                };
                println!("{friction} Nm, {}: {} u {} truth {truth}", one.place.1, one.value, one.u);
                assert!((one.value - truth).abs() < 3.0 * one.u, "{friction} Nm: {one:?}, truth {truth}");
                assert!(one.u < 0.1 * truth, "{friction} Nm: {one:?} is of use");
            }
            assert_eq!(measured_on(&run).len(), if name == "what it is" { 3 } else { 0 }, "{name}");
        }
    }
}

const AT_REST: &str =
    "with = { alignment_current = \"20 A peak\" }\nprofile = [\n    { hold = \"2 s\" },\n    { stop_frame";
const TURNING: &str =
    "{ ramp = \"60 rpm\", rate = \"40 rpm/s\" },\n    { hold = \"1 s\" },\n    { stop_frame";

/// The proofs come in the order of their hazard: at rest before anything turns by its resolver, turning before anything turns faster.
#[test]
fn a_proof_that_comes_too_late_shows_nothing() {
    use spinproof::evidence::lacks;
    let cut = |suite: &str, name: &str| {
        let start = suite.find(&format!("[[test]]\nname = \"{name}\"\n")).expect("the test");
        let end = suite[start + 1..].find("[[test]]").expect("one after it") + start + 1;
        (suite[start..end].to_string(), format!("{}{}", &suite[..start], &suite[end..]))
    };
    for (name, words) in [
        (
            "stop frame, at rest",
            "the stop frame at rest: test `stop frame, at rest` comes after test `closed loop`",
        ),
        (
            "command timeout, at rest",
            "the command timeout at rest: test `command timeout, at rest` comes after",
        ),
        (
            "stop frame",
            "the stop frame turning: test `stop frame` comes after test `what it is`, which turns at 380 rpm",
        ),
        (
            "command timeout",
            "the command timeout turning: test `command timeout` comes after test `what it is`",
        ),
    ] {
        let (proof, rest) = cut(&SUITE, name);
        let lacks = lacks(&load(&RIG, UNIT, &format!("{rest}\n{proof}"), None).plan);
        assert!(matches!(&lacks[..], [one] if one.starts_with(words)), "{name}: {lacks:#?}");
    }
}

/// Frames that leave the torque on: a query, the last step of enabling, a word that is acknowledged and does nothing for the torque, and
/// what a demand says. On the unit that is sound otherwise each ends at the first rung that relies on nothing else, at rest.
#[test]
fn a_stop_frame_that_does_nothing_is_caught_at_rest() {
    for frame in ["*OPC?", "CONT:WORD 15;*OPC?", "*CLS;*OPC?", "SOUR:PUMP 80;*OPC?"] {
        let mut climbed = Vec::new();
        for (name, suite) in rungs(&SUITE).expect("rungs") {
            let mut loaded = load(&RIG, UNIT, &suite, None);
            // Past what `check` knows of frames: the frame is what counts here.
            let plan = std::sync::Arc::make_mut(&mut loaded.plan);
            plan.stop.frames[0].bytes = format!("\n{frame}\n").into_bytes();
            let run = run_bench(loaded, 3, &[], |_| {});
            let passed = run.results.cause == Cause::Passed;
            climbed.push((name, run));
            // Each rung before it may find at its own stop that the timeout did the work, which ends a commissioning there. As if
            // nothing had been found below:
            if !passed && climbed.last().is_some_and(|(name, _)| name == "stop frame, at rest") {
                break;
            }
        }
        for (name, below) in &climbed[..climbed.len() - 1] {
            let found = words(below).contains("command timeout took the torque off, and not the stop frame");
            let cause = below.results.cause;
            assert!(
                cause == Cause::Passed || cause == Cause::Tripped && found,
                "{frame}: {name}: {}",
                words(below)
            );
        }
        let (name, last) = climbed.last().expect("a rung");
        let said = words(last);
        assert_eq!(name, "stop frame, at rest", "{frame}: {said}\n{}", last.story());
        assert_eq!(last.results.cause, Cause::Tripped, "{frame}: {said}");
        assert!(
            said.contains(&format!("the stop frame `{frame}` of [safe_state] does not do its work")),
            "{said}"
        );
        let sent = last.find(|w| matches!(w, What::StopSent { .. })).expect("a frame").at;
        let trip =
            last.find(|w| matches!(w, What::Trip { trip, .. } if trip == "stop frame")).expect("a trip").at;
        let off =
            last.truth.iter().find(|r| r.truth.t > sent && !r.truth.gates).expect("the gates go off").truth.t;
        println!(
            "{frame}: {name}: tripped {} after the frame, gates off {} after it; fastest {:.0} rpm, in the last rung {:.1}",
            trip - sent,
            off - sent,
            fastest(&climbed),
            fastest(&climbed[climbed.len() - 1..])
        );
        assert!((trip - sent).micros() <= 61_000, "{frame}: tripped {} after the frame", trip - sent);
        // The heartbeat stops with the trip: the command timeout takes them off, 100 ms after the last demand.
        assert!((off - trip).micros() < 110_000, "{frame}: off {} after the trip", off - trip);
        assert!(fastest(&climbed) < FASTEST, "{frame}: {} rpm", fastest(&climbed));
    }
}

/// What is seen of a stop frame must be told from the command timeout: 100 ms less the 40 ms between two demands are 60 ms, and a poll
/// every 5 ms with a reply within 60 ms is seen after 65 ms.
#[test]
fn a_rig_that_cannot_tell_the_stop_frame_from_the_command_timeout_is_refused() {
    use spinproof::diag::Sources;
    use spinproof::files::load::{read_rig, read_suite, read_unit};
    let messages = |rig: &str| {
        let mut sources = Sources::default();
        let read = (
            read_rig(&mut sources, "rig.toml", rig).0.expect("a rig"),
            read_unit(&mut sources, "unit.toml", UNIT).0.expect("a unit"),
            read_suite(&mut sources, "suite.toml", *SUITE).0.expect("a suite"),
        );
        let refused = spinproof::plan::resolve(&sources, &read.0, &read.1, &read.2, None).err();
        refused.map_or(Vec::new(), |diags| diags.into_iter().map(|d| d.message).collect::<Vec<String>>())
    };
    let with =
        |within: &str| RIG.replacen("reply_within = \"40 ms\"", &format!("reply_within = \"{within}\""), 1);
    let ours = |rig: &str| {
        messages(rig).into_iter().filter(|m| m.contains("nothing would tell")).collect::<Vec<_>>()
    };
    assert_eq!(ours(&with("54 ms")), [""; 0]);
    let told = ours(&with("60 ms"));
    assert_eq!(told.len(), 2, "at rest and turning: {told:?}");
    assert!(
        told[0].contains("off only after 65 ms") && told[0].contains("off 60 ms after the frame"),
        "{}",
        told[0]
    );
}

/// What is measured of a frame that works: it holds the truth, at rest as turning.
#[test]
fn the_time_of_the_stop_frame_is_measured() {
    let all = rungs(&SUITE).expect("rungs");
    for (name, suite) in all.iter().filter(|(name, _)| name.starts_with("stop frame")) {
        for seed in [1, 2, 3] {
            let run = run_bench(load(&RIG, UNIT, suite, None), seed, &[], |_| {});
            assert_eq!(run.results.cause, Cause::Passed, "{name}: {}", run.story());
            let kept = run.find(|w| matches!(w, What::StopFrameProved { .. })).expect("it is kept");
            let What::StopFrameProved { took: (least, most), controller, found, .. } = &kept.what else {
                panic!("{kept:?}")
            };
            let sent = run.find(|w| matches!(w, What::StopSent { .. })).expect("a frame").at;
            let off = run.truth.iter().find(|r| r.truth.t > sent && !r.truth.gates).expect("off").truth.t;
            let took = (off - sent).micros();
            println!("{name} {seed}: {found}; in truth {took} us");
            assert!(
                *least <= took && took <= *most,
                "{name}: {took} us in truth, {least} to {most} us measured"
            );
            assert!(*most < 60_000 && *controller <= 2_000, "{name}: {most} us, controller {controller} us");
            let demands = run.results.columns.demands.iter().filter(|d| d.name != "pump");
            let after: usize = demands.flat_map(|d| &d.t).filter(|t| **t > off.secs_f64()).count();
            assert!(after >= 9, "{name}: {after} demands after the torque was off");
        }
    }
}

/// One row: faults, the rung that is not passed, and a piece of what it points at.
#[test]
fn each_wrong_wiring_is_caught_at_its_rung() {
    let rows: &[(&[&str], &str, &str)] = &[
        // The pre-checks refuse an offset that would hide whether the torque is off; the rung measures a smaller one.
        (&["current-offset"], "gates off", "current sensors at zero: phase_current between"),
        (&["current-offset=0.5"], "gates off", "current sensors at zero: phase_current between"),
        (&["current-offset=0.25"], "gates off", "the current sensor behind `phase_a` reads 2."),
        (&["resolver-reversed"], "turned by hand", "the resolver is reversed"),
        (&["casing-unbonded"], "gates on, no current", "resolver quiet, gates on"),
        (&["phases-swapped"], "alignment", "two phases are swapped"),
        (&["phases-swapped", "resolver-reversed"], "turned by hand", "the resolver is reversed"),
        (&["resolver-offset=1"], "alignment", "the resolver's offset is wrong by 2"),
        (&["resolver-offset=3"], "alignment", "the resolver's offset is wrong by 6"),
        (&["resolver-offset=6"], "alignment", "the resolver's offset is wrong by 12"),
        (&["resolver-offset=9"], "alignment", "the polarity is wrong"),
    ];
    for (faults, rung, expected) in rows {
        let climbed = climb(&RIG, None, 3, faults);
        let (name, last) = climbed.last().expect("a rung");
        let said = words(last);
        println!("{faults:?}: {name}: {said}; fastest {:.0} rpm", fastest(&climbed));
        assert_eq!(name, rung, "{faults:?}: {said}\n{}", last.story());
        assert!(said.contains(expected), "{faults:?}: {said}");
        assert!(fastest(&climbed) < FASTEST, "{faults:?}: {} rpm", fastest(&climbed));
    }
}

/// The rung of the closed loop by itself, as if nothing had been caught below it: positive feedback is ended by the
/// wrong-way trips long before it is fast.
#[test]
fn a_wrong_direction_is_tripped_at_once_in_closed_loop() {
    for (rung, faults) in [
        ("closed loop", "resolver-offset=6"),
        ("closed loop", "resolver-offset=9"),
        ("closed loop", "phases-swapped"),
        ("closed loop", "resolver-reversed"),
        ("both directions", "resolver-offset=6"),
        ("both directions", "resolver-offset=9"),
    ] {
        for seed in [1, 4] {
            let all = rungs(&SUITE).expect("rungs");
            let suite = &all.iter().find(|(name, _)| name == rung).expect("the rung").1;
            let run = run_bench(load(&RIG, UNIT, suite, None), seed, &[faults], |_| {});
            let climbed = [(rung.to_string(), run)];
            let run = &climbed[0].1;
            println!(
                "{rung} {faults} {seed}: {:?} {}; {:.0} rpm",
                run.results.cause,
                run.results.why,
                fastest(&climbed)
            );
            assert!(
                matches!(run.results.cause, Cause::Tripped | Cause::CriterionFailed),
                "{faults}: {}",
                run.story()
            );
            assert!(fastest(&climbed) < FASTEST, "{faults}: {} rpm", fastest(&climbed));
        }
    }
}

/// A build whose timeout is off says so, and is refused before anything turns. One that says it is on and never times
/// out is caught by silence, and stopped by frames.
#[test]
fn a_command_timeout_that_does_not_work_is_caught() {
    let honest = climb(&RIG, Some("1.5.0-rc2"), 1, &[]);
    let (name, last) = honest.last().expect("a rung");
    assert_eq!((name.as_str(), last.results.cause), ("gates off", Cause::Refused));
    assert!(last.results.why.contains("command timeout, ms is `0`"), "{}", last.results.why);

    let unasked = RIG.replacen("must_be = \"100\"\n", "", 1);
    let (name, climbed) = climb(&RIG, Some("1.5.0-rc4"), 1, &[]).pop().expect("a rung");
    assert_eq!((name.as_str(), climbed.results.cause), ("command timeout, at rest", Cause::Tripped));
    let all = rungs(&SUITE).expect("rungs");
    let turning = &all.iter().find(|(name, _)| name == "command timeout").expect("the rung").1;
    let at_rest = &all.iter().find(|(name, _)| name == "command timeout, at rest").expect("the rung").1;
    for (suite, rig, build) in [
        (at_rest, unasked.as_str(), "1.5.0-rc2"),
        (turning, unasked.as_str(), "1.5.0-rc2"),
        (at_rest, *RIG, "1.5.0-rc4"),
        (turning, *RIG, "1.5.0-rc4"),
    ] {
        let run = run_bench(load(rig, UNIT, suite, Some(build)), 1, &[], |_| {});
        assert_eq!(run.results.cause, Cause::Tripped, "{build}: {}\n{}", run.results.why, run.story());
        assert!(words(&run).contains("does not switch itself off"), "{build}: {}", words(&run));
        let trip = run
            .find(|w| matches!(w, What::Trip { trip, .. } if trip == "command timeout"))
            .expect("a trip")
            .at;
        let off =
            run.truth.iter().find(|r| r.truth.t > trip && !r.truth.gates).expect("the gates go off").truth.t;
        assert!((off - trip).micros() < 10_000, "off {} after the trip, by the stop frames", off - trip);
    }
    for suite in [at_rest, turning] {
        switches_itself_off(suite);
    }
}

/// The silence of a sound build ends by its own timeout.
fn switches_itself_off(suite: &str) {
    let run = run_bench(load(&RIG, UNIT, suite, None), 1, &[], |_| {});
    assert_eq!(run.results.cause, Cause::Passed, "{}", run.story());
    let seen = run.find(|w| matches!(w, What::SwitchedOff { .. })).expect("it switched itself off");
    let event = run.truth.iter().find(|r| r.event.as_deref().is_some_and(|e| e.contains("command timeout")));
    let really = event.expect("by its own timeout").truth.t;
    assert!((seen.at - really).micros() < 45_000, "seen {} after it happened", seen.at - really);
    let sent =
        |t: f64| run.results.columns.demands.iter().any(|d| d.t.iter().any(|at| (t - 0.09..t).contains(at)));
    assert!(!sent(really.secs_f64()), "no demand of any kind was sent in the 90 ms before");
}

/// Nothing is enabled and no demand of the drive is sent while the shaft is turned by hand; it turns, and stops.
#[test]
fn by_hand_the_drive_stays_off() {
    let all = rungs(&SUITE).expect("rungs");
    let suite = &all.iter().find(|(name, _)| name == "turned by hand").expect("the rung").1;
    let run = run_bench(load(&RIG, UNIT, suite, None), 5, &[], |_| {});
    assert_eq!(run.results.cause, Cause::Passed, "{}", run.story());
    assert!(run.truth.iter().all(|r| !r.truth.gates), "the gates never went on");
    let sent =
        run.results.columns.demands.iter().filter(|d| d.name != "pump").map(|d| d.t.len()).sum::<usize>();
    assert_eq!(sent, 0, "no demand but the pump's");
    let asked = run.find(|w| matches!(w, What::OperatorStep { ask, .. } if ask.contains("by hand")));
    assert!(asked.is_some(), "the person was asked");
    let (inputs, plan) =
        (run.steps.iter().map(|s| s.input.clone()).collect::<Vec<_>>(), run.loaded.plan.clone());
    assert_eq!(spinproof::engine::replay(plan, &inputs).1, None, "it replays");
}

/// Another setting of the controller gives another hash, the same gives the same: the run keeps both text and hash.
#[test]
fn other_settings_have_another_hash() {
    let all = rungs(&SUITE).expect("rungs");
    let hash = |limit: Option<&str>| {
        let twin = limit.map_or(String::new(), |l| format!("current_limit = \"{l}\"\n"));
        let rig = RIG.replacen("[twin]\n", &format!("[twin]\n{twin}"), 1);
        let run = run_bench(load(&rig, UNIT, &all[0].1, None), 1, &[], |_| {});
        let event = run.find(|w| matches!(w, What::SettingsHash { .. })).expect("a hash");
        let What::SettingsHash { sha256 } = &event.what else { panic!("{event:?}") };
        sha256.clone()
    };
    assert_eq!(hash(None), hash(None));
    assert_ne!(hash(None), hash(Some("20 A peak")));
}
