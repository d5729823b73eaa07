//! What the scenario tests share: the demo files resolved, and a rehearsal with everything it said.
#![allow(dead_code, missing_docs)]

use spinproof::diag::{Sources, render_all};
use spinproof::engine::{Output, Step};
use spinproof::files;
use spinproof::plan::{Plan, resolve};
use spinproof::record::{Event, Record, What};
use spinproof::rehearsal::{Bench, Ended, rehearse, twin_spec};
use spinproof::results::{Results, evaluate};
use spinproof::twin::{FaultSetting, TruthRow};
use std::sync::Arc;

pub const RIG: &str = include_str!("../../fixtures/demo/rig.toml");
pub const UNIT: &str = include_str!("../../fixtures/demo/unit.toml");
pub const SMALL_SIGNAL: &str = include_str!("../../suites/small-signal.toml");
pub const FIRST_SPIN: &str = include_str!("../../suites/first-spin.toml");

pub struct Loaded {
    pub rig: files::rig::Rig,
    pub unit: files::unit::Unit,
    pub plan: Arc<Plan>,
}

pub fn load(rig: &str, unit: &str, suite: &str, build: Option<&str>) -> Loaded {
    let mut sources = Sources::default();
    let (r, mut diags) = files::load::read_rig(&mut sources, "rig.toml", rig);
    let (u, more) = files::load::read_unit(&mut sources, "unit.toml", unit);
    diags.extend(more);
    let (s, more) = files::load::read_suite(&mut sources, "suite.toml", suite);
    diags.extend(more);
    assert!(diags.is_empty(), "{}", render_all(&diags, &sources, false));
    if let Some(suite) = &s {
        add_cycles(&mut sources, suite);
    }
    let (r, u, s) = (r.expect("a rig"), u.expect("a unit"), s.expect("a suite"));
    match resolve(&sources, &r, &u, &s, build) {
        Ok(plan) => Loaded { rig: r, unit: u, plan: Arc::new(plan) },
        Err(diags) => panic!("{}", render_all(&diags, &sources, false)),
    }
}

/// What the suite refers to is looked for beside the suites of the project.
fn add_cycles(sources: &mut Sources, suite: &files::suite::Suite) {
    for written in suite.cycles() {
        let path = format!("{}/suites/{}", env!("CARGO_MANIFEST_DIR"), written.value);
        let read = std::fs::read_to_string(&path).map(|text| (path, text)).map_err(|e| e.to_string());
        sources.add_beside(suite.at.file, written, read);
    }
}

pub struct Rehearsed {
    pub loaded: Loaded,
    pub ended: Ended,
    pub steps: Vec<Step>,
    pub records: Vec<Record>,
    pub results: Results,
    pub truth: Vec<TruthRow>,
}

impl Rehearsed {
    pub fn events(&self) -> impl Iterator<Item = &Event> {
        self.results.events.iter()
    }

    pub fn find(&self, test: impl Fn(&What) -> bool) -> Option<&Event> {
        self.events().find(|e| test(&e.what))
    }

    pub fn story(&self) -> String {
        self.events().map(|e| format!("{} {:?}\n", e.at, e.what)).collect()
    }
}

pub fn run(suite: &str, build: Option<&str>, seed: u64, faults: &[&str]) -> Rehearsed {
    run_bench(load(RIG, UNIT, suite, build), seed, faults, |_| {})
}

pub fn run_bench(loaded: Loaded, seed: u64, faults: &[&str], with: impl FnOnce(&mut Bench)) -> Rehearsed {
    let faults: Vec<FaultSetting> =
        faults.iter().map(|f| FaultSetting::parse(f).unwrap_or_else(|e| panic!("{f}: {e}"))).collect();
    let spec = twin_spec(&loaded.rig, &loaded.unit, &loaded.plan, seed).expect("a twin for the demo rig");
    let mut bench = Bench::new(spec, seed, &faults);
    with(&mut bench);
    let mut steps = Vec::new();
    let ended =
        rehearse(&loaded.plan, &mut bench, &mut |_, _| (true, "assumed in a test".into()), &mut |step| {
            steps.push(step)
        });
    let records: Vec<Record> = steps
        .iter()
        .flat_map(|s| &s.outputs)
        .filter_map(|(_, o)| match o {
            Output::Record(record) => Some(record.clone()),
            _ => None,
        })
        .collect();
    let results = evaluate(&loaded.plan, &records);
    Rehearsed { ended, results, truth: bench.twin.drain_truth(), loaded, steps, records }
}

/// The demo rig with a torque demand, the steepest change of it, and the controller's own speed limit known as one.
pub fn torque_rig() -> String {
    let changes = [
        ("speed_step = \"100 rpm\"", "speed_step = \"100 rpm\"\ntorque_rate = \"4 Nm/s\""),
        (
            "send = \"CONF:SPE:LIM?\"\nexpect = \"{value}\"",
            "send = \"CONF:SPE:LIM?\"\nexpect = \"{value}\"\nlimits = \"shaft speed\"\nunit = \"rpm\"",
        ),
        (
            "[demand.pump]",
            "[demand.torque]\nsets = \"torque\"\nlink = \"board\"\nsend = \"SOUR:TORQ {value:.2};*OPC?\"\n\
             expect = \"1\"\nunit = \"Nm\"\nevery = \"20 ms\"\nrange = [\"0 Nm\", \"90 Nm\"]\nrest = \"0 Nm\"\n\n\
             [demand.pump]",
        ),
    ];
    changes.iter().fold(RIG.to_string(), |rig, (from, to)| {
        assert!(rig.contains(from), "{from}");
        rig.replacen(from, to, 1)
    })
}
