//! A second opinion on the hazards: what they refuse is rehearsed all the same, and the twin, which shares no formula with them,
//! then goes beyond the limit; what they let pass at its edge does not.
#![allow(clippy::unwrap_used)]

mod common;
#[path = "common/today.rs"]
mod today;

use common::{FIRST_SPIN, RIG, UNIT, load, run_bench};
use spinproof::diag::Sources;
use spinproof::files::load::{read_rig, read_suite, read_unit};
use spinproof::hazards::{Answer, Case, Finding, judge};
use spinproof::outcome::Cause;
use spinproof::plan::resolve;

const RPM: f64 = std::f64::consts::TAU / 60.0;

fn finding(rig: &str, unit: &str, suite: &str, hazard: &str) -> Finding {
    let mut sources = Sources::default();
    let r = read_rig(&mut sources, "rig.toml", rig).0.unwrap();
    let u = read_unit(&mut sources, "unit.toml", unit).0.unwrap();
    let s = read_suite(&mut sources, "suite.toml", suite).0.unwrap();
    let plan = resolve(&sources, &r, &u, &s, None).unwrap();
    let case = Case { sources: &sources, rig: &r, unit: &u, suite: &s, plan: &plan };
    judge(&case).into_iter().find(|f| f.hazard == hazard).unwrap()
}

/// The number before a unit in a text.
fn figure(text: &str, unit: &str) -> f64 {
    let before = text.split(&format!(" {unit}")).next().unwrap();
    before.rsplit(' ').next().unwrap().parse().unwrap()
}

fn changed(text: &str, changes: &[(&str, &str)]) -> String {
    changes.iter().fold(text.to_string(), |text, (from, to)| {
        assert!(text.contains(from), "{from}");
        text.replacen(from, to, 1)
    })
}

fn down_at(rate: f64) -> String {
    format!(
        "schema = 1\nname = \"down\"\n[[test]]\nname = \"down\"\nprofile = [\n\
         {{ ramp = \"1200 rpm\", rate = \"200 rpm/s\", name = \"up\" }},\n{{ hold = \"2 s\", name = \"top\" }},\n\
         {{ ramp = \"0 rpm\", rate = \"{rate} rpm/s\", name = \"down\" }},\n]\n\
         criterion = [{{ metric = \"tracking_rms\", of = \"speed\", at_most = \"900 rpm\", why = \"any will do\" }}]\n"
    )
}

/// A heavy rotor with little drag, on a rig whose trip on the bus does not spare it. The twin's magnets, iron and copper take some of
/// the energy that hazards do not count on, so its bus stays below theirs.
#[test]
fn a_ramp_down_that_hazards_refuse_pumps_the_twins_bus_beyond_the_limit() {
    let unit = changed(
        UNIT,
        &[
            ("inertia = [\"0.028 kg m2\", \"0.032 kg m2\"]", "inertia = \"0.06 kg m2\""),
            ("friction = [\"0.6 Nm\", \"1.0 Nm\"]", "friction = \"0.6 Nm\""),
            ("drag = [\"0.003 Nm s/rad\", \"0.006 Nm s/rad\"]", "drag = \"0.003 Nm s/rad\""),
        ],
    );
    let rig = changed(RIG, &[("above = \"185 V\"", "above = \"185 V\"\nfor = \"9 s\"")]);
    let highest = |suite: &str| {
        let run = run_bench(load(&rig, &unit, suite, None), 1, &[], |_| {});
        (run.truth.iter().map(|row| row.truth.bus).fold(0.0, f64::max), run.ended.cause)
    };
    let steep = down_at(400.0);
    let refused = finding(&rig, &unit, &steep, "braking");
    assert_eq!(refused.answer, Answer::Refused, "{}", refused.told);
    let (bus, _) = highest(&steep);
    assert!(bus > 200.0, "the twin's bus got to {bus} V only");

    let fits = down_at(figure(&refused.diag.unwrap().help.unwrap(), "rpm/s"));
    let fitting = finding(&rig, &unit, &fits, "braking");
    assert_eq!(fitting.answer, Answer::Fits, "{}", fitting.told);
    let (bus, cause) = highest(&fits);
    assert!(bus <= 200.0 && cause == Cause::Passed, "{bus} V, {cause:?}");
}

/// A resolver turned by half an electrical turn is positive feedback: the shaft runs away backwards. With a line that is late the twin
/// gets no further than hazards say, with a small current limit and with a large one, which they refuse. The proof goes one way: the twin's
/// speed loop has not built up all of its current when the trip fires, and hazards count on all of it from the first moment.
#[test]
fn the_twin_runs_away_no_further_than_hazards_say() {
    let unit = changed(
        UNIT,
        &[
            ("inertia = [\"0.028 kg m2\", \"0.032 kg m2\"]", "inertia = \"0.028 kg m2\""),
            ("flux_linkage = [\"63 mWb\", \"67 mWb\"]", "flux_linkage = \"67 mWb\""),
            ("friction = [\"0.6 Nm\", \"1.0 Nm\"]", "friction = \"0.6 Nm\""),
        ],
    );
    let furthest = |rig: &str| {
        // From then on, while the profile begins and before the wrong-way trip could fire, each way takes 11 to 18 ms.
        let faults = ["resolver-offset=9", "link-delay=1.8@1.6s"];
        let run = run_bench(load(rig, &unit, FIRST_SPIN, None), 1, &faults, |_| {});
        let speed = run.truth.iter().map(|row| row.truth.speed.abs()).fold(0.0, f64::max) / RPM;
        (speed, run.ended)
    };
    let fitting = finding(RIG, &unit, FIRST_SPIN, "runaway");
    assert_eq!(fitting.answer, Answer::Fits, "{}", fitting.told);
    let said = (1.0 - fitting.margin.unwrap()) * 2600.0;
    let (speed, ended) = furthest(RIG);
    assert!(ended.cause == Cause::Tripped, "{ended:?}");
    assert!(speed > 300.0 && speed < said, "{speed} rpm, hazards say {said} rpm");

    let strong = changed(
        RIG,
        &[
            ("at_most = \"24 A peak\"", "at_most = \"200 A peak\""),
            ("ambient = \"20 °C\"", "ambient = \"20 °C\"\ncurrent_limit = \"200 A peak\""),
        ],
    );
    let refused = finding(&strong, &unit, FIRST_SPIN, "runaway");
    assert_eq!(refused.answer, Answer::Refused, "{}", refused.told);
    let (faster, ended) = furthest(&strong);
    let said = (1.0 - refused.margin.unwrap()) * 2600.0;
    assert!(ended.cause == Cause::Tripped, "{ended:?}");
    assert!(
        faster > 2.0 * speed && faster < said,
        "{faster} rpm, with 24 A {speed} rpm, hazards say {said} rpm"
    );
}

/// The program with the demo files changed and written out.
fn spinproof(command: &[&str], rig: &str, dir: &std::path::Path) -> std::process::Output {
    let path = dir.join("rig.toml");
    std::fs::write(&path, rig).unwrap();
    let files: &[&str] = match command[0] {
        "check" => &["fixtures/demo/unit.toml", "suites/first-spin.toml", path.to_str().unwrap()],
        _ => {
            &["suites/first-spin.toml", "--unit", "fixtures/demo/unit.toml", "--rig", path.to_str().unwrap()]
        }
    };
    std::process::Command::new(env!("CARGO_BIN_EXE_spinproof"))
        .args(command)
        .args(files)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .stdin(std::process::Stdio::null())
        .output()
        .unwrap()
}

/// Refused before any byte is sent: exit code 4, both places, what would fit, and no run folder.
#[test]
fn check_run_and_rehearse_refuse_what_hazards_forbid() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("run");
    let rig = changed(RIG, &[("guard = \"1.2 kJ\"", "guard = \"500 J\"")]);
    let line = rig.lines().position(|l| l.starts_with("guard = \"500 J\"")).expect("it stands there") + 1;
    let at = format!("rig.toml:{line}");
    for command in [
        &["check"][..],
        &["run", "--out", out.to_str().unwrap()],
        &["rehearse", "--out", out.to_str().unwrap()],
    ] {
        let output = spinproof(command, &rig, dir.path());
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(4), "{command:?} {said}");
        for words in [
            "turning energy",
            "unit.toml:24",
            &at,
            "rpm or less",
            "1 hazard forbids this plan; nothing was sent",
        ] {
            assert!(said.contains(words), "{command:?}: `{words}` is not in\n{said}");
        }
        assert!(!out.exists());
    }
    let output = spinproof(&["check"], RIG, dir.path());
    assert_eq!(output.status.code(), Some(0));
    assert!(String::from_utf8_lossy(&output.stdout).contains("hazards: 15 of 15 fit; the tightest is"));
}

/// What is not declared is printed for the twin, and refuses a rig that is not simulated.
#[test]
fn a_rig_that_is_not_simulated_declares_what_it_stands() {
    let dir = tempfile::tempdir().unwrap();
    let silent = changed(RIG, &[("mount = \"1.3 kNm\" # one switch stuck on at that speed\n", "")]);
    let output = spinproof(&["check"], &silent, dir.path());
    assert_eq!(output.status.code(), Some(0));
    assert!(String::from_utf8_lossy(&output.stdout).contains("hazard not judged: reaction mount"));
    let real = changed(&silent, &[("port = \"twin\"", "port = \"/dev/ttyUSB0\"")]);
    let output = spinproof(&["check"], &real, dir.path());
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(4), "{said}");
    assert!(said.contains("reaction mount: the rig does not say") && said.contains("add `mount`"), "{said}");
}

/// Nobody at a terminal and every answer in a file: what cannot be asked must be there by wires of its own. The cautions come before
/// anything is sent to what may be real.
#[test]
fn an_answers_file_alone_does_not_make_a_run_unattended() {
    let dir = tempfile::tempdir().unwrap();
    let pty = spinproof::shell::pty::Pty::open(None).unwrap();
    let port = format!("port = \"{}\"", pty.path().display());
    let answers = dir.path().join("answers.toml");
    let ids = ["guards", "mount", "bond", "coolant", "stop"].map(|id| format!("{id} = \"yes\"\n")).concat();
    std::fs::write(
        &answers,
        format!(
            "schema = 1\nunit_serial = \"HC7-0042\"\nbuild = \"1.4.0\"\nassembly = 1\nanswered_by = \"a test\"\nexpires = \"{}\"\n[answer]\n{ids}",
            today::expires()
        ),
    )
    .unwrap();
    let out = dir.path().join("run");
    let command = [
        "run",
        "--build",
        "1.4.0",
        "--off-ladder",
        "a test",
        "--no-rehearsal",
        "a test",
        "--answers",
        answers.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
    ];
    let attended = changed(RIG, &[("port = \"twin\"", &port), ("unattended = true", "unattended = false")]);
    let output = spinproof(&command, &attended, dir.path());
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(4), "{said}");
    assert!(said.contains("an answers file alone does not stop anything"), "{said}");
    assert!(!out.exists() && !said.contains("People can be hurt here"));
    // Declared, it goes on to the port, where nobody answers.
    let output = spinproof(&command, &changed(RIG, &[("port = \"twin\"", &port)]), dir.path());
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(3), "{said}");
    assert!(said.contains("People can be hurt here") && said.contains("Mains-referenced bus"), "{said}");
}

/// The heat pulse of a rig is judged like a test of the suite: with trips that are silent while no speed is demanded nothing bounds
/// a shaft that runs away in it, and what is said of the suite's own tests points at those.
#[test]
fn a_heat_pulse_is_judged_like_a_test() {
    let pulse = "seen = \"coolant\"\n[ready.coolant.heat_pulse]\ncurrent = \"24 A peak\"\nof = \"inverter\"\nangle = \"angle\"\n\
         before = \"30 s\"\nheat = \"30 s\"\nwait = \"30 s\"\nleft = \"60 %\"\nresolution = \"0.1 K\"\n";
    let silent = changed(RIG, &[("seen = \"coolant\"\n", pulse)]);
    let found = finding(&silent, UNIT, FIRST_SPIN, "runaway");
    assert_eq!(found.answer, Answer::Refused);
    let message = found.diag.expect("a message").message;
    assert!(message.contains("coolant by a heat pulse"), "{message}");
    let trip = "[trip.backwards]\nchannel = \"speed\"\nbelow = \"-60 rpm\"\n\n[trip.runaway]";
    let watched = changed(&silent, &[("[trip.runaway]", trip)]);
    let (alone, with) = (RIG.to_string(), watched);
    assert_eq!(finding(&with, UNIT, FIRST_SPIN, "runaway").answer, Answer::Fits);
    // The pulse pulls the rotor to the field, and what it gave comes back: a little, and within the limit.
    let braking = |rig: &str| finding(rig, UNIT, FIRST_SPIN, "braking");
    assert!(braking(&with).answer == Answer::Fits && braking(&with).margin < braking(&alone).margin);
    for hazard in ["voltage limit", "overshoot"] {
        let of = |rig: &str| finding(rig, UNIT, FIRST_SPIN, hazard);
        assert_eq!(of(&with).margin, of(&alone).margin, "{hazard}");
    }
    // A minute and a half more at the current limit heats further.
    let inverter = |rig: &str| finding(rig, UNIT, FIRST_SPIN, "inverter").margin.expect("a margin");
    assert!(inverter(&with) < inverter(&alone));
}

/// A plan leaves trips of the rig out that its suite has no use for: the place of one of the suite's own stays its own.
#[test]
fn the_place_of_a_trip_of_the_suite_is_its_own() {
    let suite = format!("{FIRST_SPIN}\n[trip.low]\nchannel = \"speed\"\nabove = \"1310 rpm\"\n");
    let told = finding(RIG, UNIT, &suite, "runaway").told;
    assert!(told.contains("`1310 rpm` (suite, line "), "{told}");
}
