//! House rules that a machine can check: pure rooms stay pure, nothing imports upward, files stay short.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// Rooms in the order in which data flows. A room may use itself and what is listed for it.
const MAY_USE: &[(&str, &[&str])] = &[
    ("units", &["diag"]),
    ("time", &[]),
    ("outcome", &[]),
    ("states", &[]),
    ("diag", &[]),
    ("record", &["time", "outcome"]),
    ("columns", &["units"]),
    ("files", &["units", "diag", "states"]),
    ("expr", &["units", "diag"]),
    ("wire", &["units", "time", "states"]),
    ("metrics", &["units", "columns"]),
    ("plan", &["files", "expr", "units", "time", "diag", "record", "states", "wire", "metrics", "columns"]),
    ("hazards", &["plan", "files", "units", "time", "diag", "expr"]),
    ("engine", &["plan", "wire", "record", "units", "time", "outcome", "states", "files"]),
    ("trace", &["record", "time", "plan", "outcome"]),
    ("guards", &["plan", "record"]),
    ("verdict", &["metrics", "files", "units"]),
    ("evidence", &["outcome", "record", "files", "plan", "trace", "metrics", "time", "units"]),
    ("archive", &["evidence", "outcome", "record", "files", "trace"]),
    ("predicted", &["columns"]),
    ("results", &["columns", "metrics", "outcome", "plan", "record", "verdict"]),
    (
        "report",
        &[
            "verdict",
            "metrics",
            "columns",
            "plan",
            "record",
            "outcome",
            "units",
            "time",
            "trace",
            "files",
            "results",
            "states",
            "hazards",
            "predicted",
            "guards",
            "evidence",
        ],
    ),
    ("commissioning", &["results", "plan", "verdict", "outcome", "record", "units", "files", "diag"]),
    ("twin", &["wire", "units", "time", "states"]),
    ("rehearsal", &["engine", "twin", "plan", "record", "outcome", "time", "files", "units"]),
    // It judges by the twin's truth and by the bytes on the wire: of the engine it takes inputs and outputs only.
    (
        "storm",
        &[
            "rehearsal",
            "engine",
            "twin",
            "plan",
            "record",
            "outcome",
            "time",
            "files",
            "units",
            "results",
            "verdict",
            "metrics",
            "columns",
            "states",
            "wire",
            "expr",
        ],
    ),
];

/// Rooms that may do I/O or read a clock, beside which none may.
const IMPURE: &[&str] = &["shell", "cli", "trace/store", "archive"];

/// What a pure room may not name, with the reason given when it does.
const FORBIDDEN: &[&str] = &[
    "tokio",
    "std::fs",
    "std::net",
    "std::process",
    "std::thread",
    "std::env",
    "std::io::std",
    "SystemTime",
    "time::Instant::now",
    "Instant::now(",
    "serialport",
    "rustix",
    "indicatif",
    "println!",
    "eprintln!",
];

const LINES_MAX: usize = 500;

fn sources() -> Vec<(String, String)> {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    let mut folders: Vec<PathBuf> = vec![src.clone()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).expect("src can be listed") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") && !is_test(&path) {
                let name = path.strip_prefix(&src).expect("below src").display().to_string();
                files.push((name, fs::read_to_string(&path).expect("a source file")));
            }
        }
    }
    files.sort();
    assert!(files.len() > 20, "the walk found the sources");
    files
}

/// A room's own tests may do what they like.
fn is_test(path: &Path) -> bool {
    path.components().any(|c| c.as_os_str() == "tests")
        || path.ends_with("tests.rs")
        || path.ends_with("testing.rs")
}

fn room(name: &str) -> &str {
    name.split('/').next().unwrap_or(name).trim_end_matches(".rs")
}

/// The code of a file without its comments and without its tests.
fn code(text: &str) -> String {
    // A module that is only named there stands in a file of its own, and code may follow it.
    let text = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or(text);
    text.lines().filter(|l| !l.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n")
}

#[test]
fn pure_rooms_name_no_clock_no_thread_and_no_file() {
    let mut found = Vec::new();
    for (name, text) in sources() {
        if IMPURE.iter().any(|room| name.starts_with(room)) || name == "main.rs" {
            continue;
        }
        for (number, line) in code(&text).lines().enumerate() {
            for word in FORBIDDEN.iter().filter(|w| line.contains(**w)) {
                found.push(format!("{name}: `{word}` in line {} of its code: {}", number + 1, line.trim()));
            }
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}

#[test]
fn no_room_imports_upward() {
    let may_use: BTreeMap<&str, &[&str]> = MAY_USE.iter().copied().collect();
    let mut found = Vec::new();
    for (name, text) in sources() {
        let here = room(&name);
        let Some(allowed) = may_use.get(here) else {
            assert!(["shell", "cli", "main", "lib"].contains(&here), "{name}: no rule for this room");
            continue;
        };
        for piece in code(&text).split("crate::").skip(1) {
            let used = piece.split(|c: char| !c.is_alphanumeric() && c != '_').next().unwrap_or("");
            if used != here && !allowed.contains(&used) && may_use.contains_key(used)
                || ["shell", "cli"].contains(&used)
            {
                found.push(format!("{name} uses {used}"));
            }
        }
    }
    found.dedup();
    assert!(found.is_empty(), "{}", found.join("\n"));
}

#[test]
fn files_stay_short() {
    let long: Vec<String> = sources()
        .iter()
        .map(|(name, text)| (name, text.lines().count()))
        .filter(|(_, lines)| *lines > LINES_MAX)
        .map(|(name, lines)| format!("{name}: {lines} lines, {LINES_MAX} allowed"))
        .collect();
    assert!(long.is_empty(), "{}", long.join("\n"));
}

/// `println!` and its like panic where the output is closed: `cli/say.rs` and the screen pass over what cannot be told.
#[test]
fn nothing_prints_past_what_may_be_closed() {
    let words = ["print!(", "println!(", "dbg!("];
    let mut found = Vec::new();
    for (name, text) in sources() {
        for line in code(&text).lines().filter(|line| words.iter().any(|w| line.contains(w))) {
            found.push(format!("{name}: {}", line.trim()));
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}

/// Where faults are described and brought about: on physics, sensors and wires.
const KNOW_FAULTS: &[&str] = &["twin/faults.rs", "twin/wire_faults.rs"];

/// A fault changes a parameter, a sensor or a wire, never an output: neither another room nor the rest of the twin knows one
/// by its name. `twin/mod.rs` only hands them on at their onset.
#[test]
fn only_the_faults_file_knows_the_names_of_faults() {
    let mut found = Vec::new();
    for (name, text) in sources() {
        if KNOW_FAULTS.contains(&name.as_str()) {
            continue;
        }
        let code = code(&text);
        for fault in spinproof::twin::FaultName::all().map(|f| f.text()) {
            if code.contains(&format!("\"{fault}\"")) {
                found.push(format!("{name} names the fault {fault}"));
            }
        }
        if code.contains("FaultName::") {
            found.push(format!("{name} tells faults apart"));
        }
        let within = name.starts_with("twin/") && name != "twin/mod.rs";
        if within && (code.contains("FaultName") || code.contains("FaultSetting")) {
            found.push(format!("{name} knows of faults"));
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}
