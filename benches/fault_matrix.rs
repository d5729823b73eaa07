//! Which fault is found by what: every fault of the twin in several severities over units drawn from the nameplate's
//! ranges, and how often healthy units from other seeds raise an alarm.
//!
//! `cargo bench --bench fault_matrix -- UNITS HEALTHY [BESIDE]` (5 and 40 if not given; the figures in DEVELOPERS.md say
//! which they were made with): so many units at nominal severity, BESIDE of them (all, if not given) at each of the other
//! four. Suites: `first-spin` and `vibration-runup`. The whole of it, fault by severity by suite by what found it, is
//! left as a table in `target/fault_matrix.csv`.

#[path = "../tests/common/mod.rs"]
mod common;

use spinproof::outcome::Cause;
use spinproof::record::What;
use spinproof::twin::FaultName;
use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

const SEVERITIES: [f64; 5] = [0.25, 0.5, 1.0, 1.5, 2.0];
/// The place of the nominal severity among them.
const NOMINAL: usize = 2;
/// Seeds of the healthy units: none of those that limits were looked at with.
const HEALTHY_FROM: u64 = 1_000_000;
const VIBRATION: &str = include_str!("../suites/vibration-runup.toml");
const SUITES: [(&str, &str); 2] = [("first-spin", common::FIRST_SPIN), ("vibration-runup", VIBRATION)];

/// One rehearsal: which suite, which fault, which unit.
#[derive(Clone)]
struct Job {
    suite: usize,
    fault: Option<(FaultName, usize)>,
    seed: u64,
}

fn main() {
    let numbers: Vec<u64> = std::env::args().filter_map(|a| a.parse().ok()).collect();
    let units = numbers.first().copied().unwrap_or(5);
    let healthy = numbers.get(1).copied().unwrap_or(40);
    let beside = numbers.get(2).copied().unwrap_or(units);
    let mut jobs = Vec::new();
    for suite in 0..SUITES.len() {
        for fault in FaultName::all() {
            for severity in 0..SEVERITIES.len() {
                let units = if severity == NOMINAL { units } else { beside };
                jobs.extend((0..units).map(|seed| Job {
                    suite,
                    fault: Some((fault, severity)),
                    seed: 100 + seed,
                }));
            }
        }
        jobs.extend((0..healthy).map(|i| Job { suite, fault: None, seed: HEALTHY_FROM + i }));
    }
    let found = rehearse_all(&jobs);
    println!(
        "{units} units a cell at 1x, {beside} at the other severities, {healthy} healthy units; in per cent of units, by suite"
    );
    match write_table(&jobs, &found) {
        Ok(path) => println!("the whole of it: {path}"),
        Err(error) => println!("the whole of it could not be written: {error}"),
    }
    print!("{:<22}", "fault");
    SEVERITIES.iter().for_each(|s| print!(" {s:>5}x"));
    println!("   found at 1x by");
    for (suite, (name, _)) in SUITES.iter().enumerate() {
        println!("-- {name}");
        for fault in FaultName::all() {
            print!("{:<22}", fault.text());
            for severity in 0..SEVERITIES.len() {
                let cell = of(&jobs, &found, suite, Some((fault, severity)));
                print!(" {:>6.0}", 100.0 * share(&cell));
            }
            println!("   {}", finders(&of(&jobs, &found, suite, Some((fault, NOMINAL)))));
        }
        let alarms = of(&jobs, &found, suite, None);
        println!("healthy: {:.2} % alarms   {}", 100.0 * share(&alarms), finders(&alarms));
    }
    println!("-- either suite, at 1x");
    for fault in FaultName::all() {
        let cells: Vec<_> = (0..SUITES.len()).map(|s| of(&jobs, &found, s, Some((fault, NOMINAL)))).collect();
        let either = (0..units as usize).filter(|i| cells.iter().any(|c| !c[*i].is_empty())).count();
        println!("{:<22} {:>5.0}", fault.text(), 100.0 * either as f64 / units as f64);
    }
}

/// Every share by fault, severity, suite and what found it; lines with nothing found are kept.
fn write_table(jobs: &[Job], found: &[Vec<String>]) -> std::io::Result<&'static str> {
    const PATH: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/target/fault_matrix.csv");
    let mut text = String::from("suite,fault,severity,units,found by,share\n");
    for (suite, (name, _)) in SUITES.iter().enumerate() {
        let faults = FaultName::all().flat_map(|f| (0..SEVERITIES.len()).map(move |s| Some((f, s))));
        for key in faults.chain([None]) {
            let cell = of(jobs, found, suite, key);
            let fault = key.map_or("none", |(fault, _)| fault.text());
            let severity = key.map_or(0.0, |(_, severity)| SEVERITIES[severity]);
            let mut line = |by: &str, share: f64| {
                let units = cell.len();
                // Names of pre-checks have commas in them.
                text.push_str(&format!("{name},{fault},{severity},{units},\"{by}\",{share:.4}\n"));
            };
            line("anything", share(&cell));
            for (by, count) in counts(&cell) {
                line(by, count as f64 / cell.len() as f64);
            }
        }
    }
    std::fs::write(PATH, text)?;
    Ok(PATH)
}

/// What found something in each rehearsal; empty where it passed. All cores.
fn rehearse_all(jobs: &[Job]) -> Vec<Vec<String>> {
    let results = Mutex::new(vec![Vec::new(); jobs.len()]);
    let next = AtomicUsize::new(0);
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..cores {
            scope.spawn(|| {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    let Some(job) = jobs.get(index) else { return };
                    if index.is_multiple_of(500) {
                        eprintln!("{index} of {}", jobs.len());
                    }
                    let found = rehearse(job);
                    results.lock().expect("no thread panics with it")[index] = found;
                }
            });
        }
    });
    results.into_inner().expect("no thread panics with it")
}

fn rehearse(job: &Job) -> Vec<String> {
    let fault = job.fault.map(|(fault, severity)| format!("{}={}", fault.text(), SEVERITIES[severity]));
    let faults: Vec<&str> = fault.iter().map(String::as_str).collect();
    let run = common::run(SUITES[job.suite].1, None, job.seed, &faults);
    let results = &run.results;
    let mut found = Vec::new();
    for event in run.events() {
        match &event.what {
            What::PreCheck { name, holds: false, .. } => found.push(format!("pre-check {name}")),
            What::Trip { trip, .. } => found.push(format!("trip {trip}")),
            _ => {}
        }
    }
    let tests = run.loaded.plan.tests.iter().zip(&results.verdicts);
    for (criterion, verdict) in tests.flat_map(|(t, v)| t.criteria.iter().zip(v)) {
        // What was not reached is no finding of its own.
        if !verdict.met && matches!(results.cause, Cause::CriterionFailed) {
            found.push(format!("{} of {}", criterion.metric.id(), criterion.of));
        }
    }
    if found.is_empty() && results.cause != Cause::Passed {
        found.push(results.cause.row().headline.to_string());
    }
    found
}

fn of(
    jobs: &[Job],
    found: &[Vec<String>],
    suite: usize,
    fault: Option<(FaultName, usize)>,
) -> Vec<Vec<String>> {
    let fits = |job: &&Job| job.suite == suite && job.fault == fault;
    jobs.iter().zip(found).filter(|(job, _)| fits(job)).map(|(_, found)| found.clone()).collect()
}

fn share(cell: &[Vec<String>]) -> f64 {
    cell.iter().filter(|found| !found.is_empty()).count() as f64 / cell.len().max(1) as f64
}

/// How many of a cell each thing found, the most frequent first.
fn counts(cell: &[Vec<String>]) -> Vec<(&str, usize)> {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for name in cell.iter().flatten() {
        *counts.entry(name).or_default() += 1;
    }
    let mut counts: Vec<_> = counts.into_iter().collect();
    counts.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    counts
}

/// The first four of what found it.
fn finders(cell: &[Vec<String>]) -> String {
    let text: Vec<String> = counts(cell)
        .iter()
        .take(4)
        .map(|(name, count)| format!("{name} {:.0}", 100.0 * *count as f64 / cell.len() as f64))
        .collect();
    text.join("; ")
}
