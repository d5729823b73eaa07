//! Profiles as a suite writes them: held against another program, and what the schema says of them.
#![allow(clippy::unwrap_used)]

mod common;

use common::{RIG, UNIT, load};
use spinproof::plan::Profile;
use spinproof::time::Duration;
use std::io::Write;
use std::process::{Command, Stdio};

const RPM: f64 = std::f64::consts::TAU / 60.0;

fn profile(segments: &str) -> Profile {
    let suite = format!(
        "schema = 1\nname = \"one\"\n[[test]]\nname = \"one\"\nprofile = [{segments}]\ncriterion = []\n"
    );
    load(RIG, UNIT, &suite, None).plan.tests[0].profile.clone()
}

/// Asks a Python script, with one record on its standard input. Fails, with how to mend it, where it cannot.
fn ask(script: &str, record: &serde_json::Value) -> serde_json::Value {
    let script = format!("{}/tests/{script}", env!("CARGO_MANIFEST_DIR"));
    let mut python = Command::new("python3")
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("python3 must be on the path");
    // A script that died early closes the pipe; what it said on its way out is shown below.
    let written = python.stdin.take().unwrap().write_all(record.to_string().as_bytes());
    let output = python.wait_with_output().unwrap();
    assert!(
        output.status.success() && written.is_ok(),
        "no second opinion; install it with\n    python3 -m pip install -r tests/requirements.txt\n{}",
        String::from_utf8_lossy(&output.stderr)
    );
    serde_json::from_slice(&output.stdout).unwrap()
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
        let theirs = ask("chirp_scipy.py", &record);
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
