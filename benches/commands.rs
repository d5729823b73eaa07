//! How long whole commands take, as a person waits for them, held to one core.
//!
//! `cargo bench --bench commands`. Rows: `check` of the demo files and both suites; `rehearse` of each
//! suite, trace and documents included, with its length on the virtual clock over the time it took.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

/// Each command is run so often, the rows by turns: a machine that slows down slows all of them.
const REPEATS: usize = 15;

struct Row {
    name: &'static str,
    args: &'static [&'static str],
    rehearsal: bool,
}

const ROWS: &[Row] = &[
    Row {
        name: "check",
        args: &[
            "check",
            "fixtures/demo/rig.toml",
            "fixtures/demo/unit.toml",
            "suites/first-spin.toml",
            "suites/ramp-tracking.toml",
        ],
        rehearsal: false,
    },
    Row { name: "first-spin", args: &["rehearse", "suites/first-spin.toml"], rehearsal: true },
    Row { name: "ramp-tracking", args: &["rehearse", "suites/ramp-tracking.toml"], rehearsal: true },
];

fn main() {
    one_core();
    let temp = tempfile::tempdir().expect("a temporary folder");
    let mut took = vec![Vec::new(); ROWS.len()];
    let mut lengths = vec![0.0; ROWS.len()];
    for repeat in 0..REPEATS {
        for (i, row) in ROWS.iter().enumerate() {
            let out = temp.path().join(format!("{repeat}-{i}"));
            let mut command = Command::new(env!("CARGO_BIN_EXE_spinproof"));
            command.args(row.args).current_dir(env!("CARGO_MANIFEST_DIR")).stdout(Stdio::null());
            if row.rehearsal {
                command.arg("--out").arg(&out);
            }
            let start = Instant::now();
            let status = command.status().expect("the program starts");
            took[i].push(start.elapsed().as_secs_f64());
            assert!(status.success(), "{} ended with {status}", row.name);
            if row.rehearsal {
                lengths[i] = length(&out);
            }
        }
    }
    println!("one core, median and fastest of {REPEATS}");
    for ((row, took), length) in ROWS.iter().zip(&mut took).zip(lengths) {
        took.sort_by(f64::total_cmp);
        let (median, fastest) = (took[REPEATS / 2], took[0]);
        print!("{:<14} {:>7.1} ms, fastest {:>7.1} ms", row.name, 1e3 * median, 1e3 * fastest);
        if row.rehearsal {
            print!(
                "; {length:.2} s on its clock: {:.0} x real time, fastest {:.0}",
                length / median,
                length / fastest
            );
        }
        println!();
    }
}

/// Seconds on the virtual clock, as the run folder says.
fn length(dir: &Path) -> f64 {
    let text = std::fs::read_to_string(dir.join("run.json")).expect("run.json");
    let info: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    info["ended"][1].as_i64().expect("the end in microseconds") as f64 * 1e-6
}

/// This process and its children stay on the last core.
fn one_core() {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let mut set = rustix::thread::CpuSet::new();
    set.set(cores - 1);
    rustix::thread::sched_setaffinity(None, &set).expect("a core of its own");
}
