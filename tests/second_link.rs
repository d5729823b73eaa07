//! A rig with a second link, on which bursts have the line for themselves: against the twin, through the commands.
#![allow(clippy::unwrap_used)]

use assert_cmd::cargo::CommandCargoExt;
use std::path::Path;
use std::process::{Command, Output, Stdio};

const RIG: &str = include_str!("../fixtures/demo/rig.toml");
const UNIT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/demo/unit.toml");

/// An accelerometer's own recorder; its line is a quarter as fast as the board's.
const RECORDER: &str = r#"[link.recorder]
port = "twin"
baud = 115200
reply_within = "100 ms"

[[link.recorder.burst]]
name = "casing"
start = { send = "INIT:BURS VIBR;*OPC?", expect = "1" }
count = { send = "READ:BURS:COUN?", expect = "{count}" }
samples = 4096
chunk = 128
rate = "10 kHz"
rate_uncertainty = "0.5 Hz"
channel = [{ name = "casing_axial", read = "READ:BURS:VIBR:AXI? {offset},{count}", scale = "0.00478840332 m/s2", scale_uncertainty = "0.02" }]

[twin]
"#;

/// Bursts of both links over one segment: the recorder's, and the phase current that the board itself captures.
const SUITE: &str = r#"schema = 1
name = "second link"
rung = "first spin"

[[test]]
name = "held"
profile = [
    { ramp = "900 rpm", rate = "200 rpm/s" },
    { hold = "6 s", name = "hold" },
    { ramp = "0 rpm", rate = "200 rpm/s" },
]
burst = [{ take = "casing", over = "hold" }, { take = "phase", over = "hold" }]

[[test.criterion]]
metric = "vibration_velocity"
of = "casing_axial"
over = "hold"
frequencies = ["20 Hz", "1 kHz"]
at_most = "4.5 mm/s rms"
why = "a sound unit shakes less at this speed"

[[test.criterion]]
metric = "order_amplitude"
of = "current_a"
over = "hold"
speed = "speed"
order = "1"
turn = "electrical"
at_least = "0.5 A peak"
why = "the machine is driven: its phases carry the current of the field"
"#;

fn spinproof(args: &[&str]) -> Output {
    let mut command = Command::cargo_bin("spinproof").unwrap();
    command.current_dir(env!("CARGO_MANIFEST_DIR")).args(args).stdin(Stdio::null()).output().unwrap()
}

fn text(output: &Output) -> String {
    format!("{}\n{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// Makes a run by a command and gives back what its report says.
fn made_by(command: &str, dir: &Path) -> serde_json::Value {
    let write = |name: &str, text: &str| {
        let path = dir.join(name);
        std::fs::write(&path, text).unwrap();
        path.to_str().unwrap().to_string()
    };
    assert!(RIG.contains("\n[twin]\n"));
    let rig = write("rig.toml", &RIG.replacen("[twin]\n", RECORDER, 1));
    let suite = write("suite.toml", SUITE);
    let out = dir.join("out").to_str().unwrap().to_string();
    let output = spinproof(&[command, &suite, "--rig", &rig, "--unit", UNIT, "--out", &out, "--seed", "11"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output));
    let replayed = spinproof(&["replay", &out]);
    assert!(text(&replayed).contains("identical"), "{}", text(&replayed));
    let report = std::fs::read_to_string(dir.join("out/report.json")).unwrap();
    serde_json::from_str(&report).unwrap()
}

fn both_links_were_used(report: &serde_json::Value) {
    let criteria = report["tests"][0]["criteria"].as_array().unwrap();
    assert_eq!(criteria.len(), 2);
    for criterion in criteria {
        assert!(criterion["value"].is_number() && criterion["met"] == true, "{criterion}");
    }
    let links = report["links"].as_array().unwrap();
    let names: Vec<&str> = links.iter().map(|link| link["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["board", "recorder"]);
    assert!(links.iter().all(|link| link["garbage"] == 0), "{links:?}");
}

#[test]
fn a_rehearsal_takes_bursts_on_a_link_of_their_own() {
    let temp = tempfile::tempdir().unwrap();
    both_links_were_used(&made_by("rehearse", temp.path()));
}

#[test]
fn a_run_against_the_twins_process_takes_bursts_on_a_link_of_their_own() {
    let temp = tempfile::tempdir().unwrap();
    both_links_were_used(&made_by("run", temp.path()));
    assert!(temp.path().join("out/truth.csv").is_file());
}
