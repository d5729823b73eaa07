//! Profiles as a suite writes them: held against another program, and what the schema says of them.
#![allow(clippy::unwrap_used)]

mod common;
mod python;

use common::{RIG, UNIT, load, torque_rig};
use spinproof::diag::{Sources, render_all};
use spinproof::files::load::{read_rig, read_suite, read_unit};
use spinproof::plan::{Profile, resolve};
use spinproof::time::Duration;

const RPM: f64 = std::f64::consts::TAU / 60.0;

fn profile(segments: &str) -> Profile {
    let suite = format!(
        "schema = 1\nname = \"one\"\n[[test]]\nname = \"one\"\nprofile = [{segments}]\ncriterion = []\n"
    );
    load(RIG, UNIT, &suite, None).plan.tests[0].profile.clone()
}

/// Sweeps up and down, both ways, and a sine, beside `scipy.signal.chirp`. A whole number of cycles is chosen, so
/// that both last as long: 30 s at a mean of 1 Hz; logarithmic between 0.5 and 2 Hz the mean is 1.5/ln 4 Hz, and 30
/// cycles last 20 ln 4 s. The times of the profile are whole microseconds: at 2 Hz the phase is off by 1.3e-5 at
/// most, of an amplitude of 20 rpm by 2.6e-4 rpm.
#[test]
fn swings_agree_with_another_program() {
    let logarithmic = 20.0 * 4f64.ln();
    for (from, to, lasting, method) in [
        (0.5, 1.5, 30.0, "linear"),
        (1.5, 0.5, 30.0, "linear"),
        (0.5, 2.0, logarithmic, "logarithmic"),
        (2.0, 0.5, logarithmic, "logarithmic"),
        (1.0, 1.0, 30.0, "linear"),
    ] {
        let chirp = format!(
            "{{ ramp = \"600 rpm\", rate = \"200 rpm/s\" }}, {{ chirp = \"20 rpm\", from = \"{from} Hz\", \
             to = \"{to} Hz\", lasting = \"{lasting:.9} s\", sweep = \"{method}\" }}"
        );
        let profile = profile(&chirp);
        let begin = 3.0;
        assert!((profile.length().secs_f64() - begin - lasting).abs() < 2e-6, "{}", profile.length());
        let t: Vec<f64> = (0..(lasting * 50.0) as usize).map(|i| 0.02 * i as f64 + 0.005).collect();
        let record =
            serde_json::json!({"t": t, "from": from, "to": to, "lasting": lasting, "method": method});
        let theirs = python::ask("chirp_scipy.py", &[record]).remove(0);
        let mut worst: f64 = 0.0;
        for (t, theirs) in t.iter().zip(theirs.as_array().unwrap()) {
            let ours = profile.demand_at(Duration::from_secs_f64(begin + t)) / RPM;
            worst = worst.max((ours - 600.0 - 20.0 * theirs.as_f64().unwrap()).abs());
        }
        assert!(worst < 3e-4, "{method} {from} to {to} Hz: {worst} rpm apart");
    }
}

/// A chirp whose cycles do not fit its length goes on to the end of the last: 0.1 to 0.35 Hz in 10 s are 2.25
/// cycles, and three take 13.333 s.
#[test]
fn a_chirp_goes_on_until_its_last_cycle_is_whole() {
    let profile = profile(
        "{ ramp = \"600 rpm\", rate = \"200 rpm/s\" }, \
         { chirp = \"20 rpm\", from = \"0.1 Hz\", to = \"0.35 Hz\", lasting = \"10 s\" }",
    );
    assert_eq!(profile.segments[1].length(), Duration::from_micros(13_333_333));
    assert_eq!(profile.segments[1].to(), 600.0 * RPM);
    let near_end = profile.demand_at(Duration::from_micros(16_333_332));
    assert!((near_end / RPM - 600.0).abs() < 1e-3, "{near_end}");
}

const TORQUE: &str = "schema = 1\nname = \"push\"\n[[test]]\nname = \"push\"\ndemand = \"torque\"\n\
    profile = [{ ramp = \"2 Nm\", rate = \"2 Nm/s\" }, { hold = \"1 s\" }, { ramp = \"0 Nm\", rate = \"2 Nm/s\" }]\n\
    criterion = []\n";

/// The messages about a rig and a suite, with their help.
fn refused(rig: &str, suite: &str) -> Vec<(String, String)> {
    let mut sources = Sources::default();
    let (rig, mut diags) = read_rig(&mut sources, "rig.toml", rig);
    let (unit, more) = read_unit(&mut sources, "unit.toml", UNIT);
    diags.extend(more);
    let (suite, more) = read_suite(&mut sources, "suite.toml", suite);
    diags.extend(more);
    assert!(diags.is_empty(), "{}", render_all(&diags, &sources, false));
    let plan = resolve(&sources, &rig.unwrap(), &unit.unwrap(), &suite.unwrap(), None);
    let diags = plan.err().unwrap_or_default();
    diags.into_iter().map(|d| (d.message, d.help.unwrap_or_default())).collect()
}

/// Worked by hand: 2 Nm on the smallest inertia of 0.028 kg m2 are 71.43 rad/s2. A stop may take a poll of 5 ms and
/// two round trips of 36 ms: 77 ms, in which 5.5 rad/s = 52.5 rpm are gained. 2000 rpm less that are 1947.5 rpm.
#[test]
fn a_torque_on_a_free_shaft_needs_the_controllers_own_limit_and_room_above_it() {
    let rig = torque_rig();
    let plan = load(&rig, UNIT, TORQUE, None).plan;
    let limit = plan.links[0].settings.iter().find(|s| s.name.starts_with("speed limit")).unwrap();
    let max = limit.at_most.as_ref().expect("the plan binds it");
    assert!((max.si / RPM - (2000.0 - 2.0 / 0.028 * 0.077 / RPM)).abs() < 1e-6, "{}", max.si / RPM);
    // The other that is bound is the current limit, which the hazards rest on.
    let bound = |plan: &spinproof::plan::Plan| {
        let bound = plan.links[0].settings.iter().filter(|s| s.at_most.is_some());
        bound.map(|s| s.name.clone()).collect::<Vec<_>>()
    };
    assert_eq!(bound(&plan), ["current limit, A peak", "speed limit, rpm"]);

    // A suite that demands no torque binds nothing.
    let plan = load(&rig, UNIT, common::FIRST_SPIN, None).plan;
    assert_eq!(bound(&plan), ["current limit, A peak"]);

    let without = rig.replace("limits = \"shaft speed\"\nunit = \"rpm\"\n", "");
    let found = refused(&without, TORQUE);
    assert!(
        matches!(found.as_slice(), [(m, _)] if m.contains("no setting of the rig is the controller's own speed limit")),
        "{found:?}"
    );

    // 80 Nm gain 80/0.028 x 0.077 = 220 rad/s = 2100.8 rpm; 80 x 2000/2100.8 = 76.16 Nm would just not be too much.
    let hard = TORQUE.replace("\"2 Nm\"", "\"80 Nm\"");
    let found = refused(&rig, &hard);
    assert!(
        matches!(found.as_slice(), [(m, h)] if m.contains("by 2100.9 rpm within the 77 ms") && h.contains("76.2 Nm")),
        "{found:?}"
    );

    let coupled = format!("{without}\n[shaft]\ncoupled = \"brake\"\n");
    assert_eq!(refused(&coupled, &hard), [], "with a brake on the shaft nothing runs away");
    let free = format!("{without}\n[shaft]\ncoupled = \"nothing\"\n");
    assert_eq!(refused(&free, TORQUE).len(), 1, "said to be free is free");
}

#[test]
fn a_torque_moves_by_ramps_no_steeper_than_the_rig_allows() {
    let rig = torque_rig();
    for (from, to, expected) in [
        (
            "rate = \"2 Nm/s\" }, { hold",
            "rate = \"5 Nm/s\" }, { hold",
            "is above the rig's limit `4 Nm/s` (rig, line 20)",
        ),
        ("{ hold = \"1 s\" }", "{ step = \"3 Nm\", hold = \"1 s\" }", "a torque moves by ramps"),
        (
            "{ hold = \"1 s\" }",
            "{ sine = \"1 Nm\", frequency = \"2 Hz\", cycles = 2 }",
            "rises by up to 12.6 Nm/s",
        ),
    ] {
        let found = refused(&rig, &TORQUE.replacen(from, to, 1));
        assert!(matches!(found.as_slice(), [(m, _)] if m.contains(expected)), "{to}: {found:?}");
    }
    let found = refused(&rig.replace("\"90 Nm\"", "\"1 Nm\""), TORQUE);
    let expected = "`2 Nm` (suite, line 6) is above the range of the demand, which ends at `1 Nm`";
    assert!(matches!(found.as_slice(), [(m, _)] if m.contains(expected)), "{found:?}");
    let found = refused(&rig.replace("torque_rate = \"4 Nm/s\"\n", ""), TORQUE);
    assert!(matches!(found.as_slice(), [(m, _)] if m.contains("have no `torque_rate`")), "{found:?}");
    let found = refused(
        &rig.replace("every = \"20 ms\"\nrange = [\"0 Nm\"", "every = \"60 ms\"\nrange = [\"0 Nm\""),
        TORQUE,
    );
    assert!(found.iter().any(|(m, _)| m.contains("`torque` is sent every `60 ms`")), "{found:?}");
}
