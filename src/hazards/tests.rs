//! Files with figures of the bench, changed in one place: what fits, what is refused, and with which words.

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
