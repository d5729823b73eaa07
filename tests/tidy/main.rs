//! House rules that a machine can check: pure rooms stay pure, nothing imports upward, files stay short. They are held
//! against the syntax tree (`names.rs`), tokens inside macros included.

mod names;

use names::{Name, names};
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

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

/// What a pure room may not name, nor anything below it.
const FORBIDDEN: &[&str] = &[
    "tokio",
    "serialport",
    "rustix",
    "indicatif",
    "rusqlite",
    "thread_priority",
    "std::*",
    "crate::*",
    "std::env",
    "std::fs",
    "std::net",
    "std::os",
    "std::process",
    "std::thread",
    "std::sync::mpsc",
    "std::io::stdin",
    "std::io::stdout",
    "std::io::stderr",
    "std::io::Stdin",
    "std::io::Stdout",
    "std::io::Stderr",
    "std::time::*",
    "std::time::Instant",
    "std::time::SystemTime",
    "std::time::UNIX_EPOCH",
    "core::*",
    "hound::WavReader::open",
    "hound::WavWriter::create",
    // A run that is drawn from anything but its seed can't be made again.
    "rand::rng",
    "rand::random",
    "rand::rngs::OsRng",
    "rand::rngs::SysRng",
];

/// What a pure room may not name, whatever stands before it: clocks, the surroundings, files by a path's own methods, printing.
const FORBIDDEN_ANYWHERE: &[&str] = &[
    ".exists",
    ".try_exists",
    ".is_file",
    ".is_dir",
    ".is_symlink",
    ".metadata",
    ".symlink_metadata",
    ".canonicalize",
    ".read_dir",
    ".read_link",
    ".elapsed",
    "now_utc",
    "now_local",
    "from_os_rng",
    "try_from_os_rng",
    "env!",
    "option_env!",
    "include!",
    "print!",
    "println!",
    "eprint!",
    "eprintln!",
    "dbg!",
    "#[path]",
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

/// What is called like a forbidden method and is none.
const EXCEPT: &[(&str, &str)] = &[
    // Of a schema of Arrow, not of a file.
    ("trace/codec/decode.rs", ".metadata"),
];

/// Where a file stands below the crate: `engine/winding.rs` is `["engine", "winding"]`.
fn module(name: &str) -> Vec<String> {
    let path = name.trim_end_matches(".rs").trim_end_matches("/mod");
    path.split('/').filter(|part| !["lib", "main"].contains(part)).map(String::from).collect()
}

/// Every source file with what it names, read once for all tests.
fn named() -> &'static [(String, Vec<Name>)] {
    static NAMED: OnceLock<Vec<(String, Vec<Name>)>> = OnceLock::new();
    let read = |(name, text): (String, String)| {
        let found = names(&text, &module(&name)).unwrap_or_else(|e| panic!("{name}: {e}"));
        (name, found)
    };
    NAMED.get_or_init(|| sources().into_iter().map(read).collect())
}

/// What of the names in a pure room is forbidden.
fn impure(name: &str, names: &[Name]) -> Vec<String> {
    let forbidden = |n: &&Name| {
        let anywhere = FORBIDDEN_ANYWHERE.contains(&n.last()) && !EXCEPT.contains(&(name, n.last()));
        anywhere || FORBIDDEN.iter().any(|path| n.is_within(path))
    };
    names.iter().filter(forbidden).map(|n| format!("{name}:{}: `{}`", n.line, n.path)).collect()
}

/// Which rooms a file uses that it may not.
fn upward(name: &str, names: &[Name], allowed: &[&str]) -> Vec<String> {
    let may_use: BTreeMap<&str, &[&str]> = MAY_USE.iter().copied().collect();
    let here = room(name);
    let used =
        names.iter().filter_map(|n| Some((n.line, n.path.strip_prefix("crate::")?.split("::").next()?)));
    let is_wrong = |used: &str| {
        ["shell", "cli"].contains(&used)
            || used != here && may_use.contains_key(used) && !allowed.contains(&used)
    };
    used.filter(|(_, used)| is_wrong(used))
        .map(|(line, used)| format!("{name}:{line}: uses {used}"))
        .collect()
}

#[test]
fn pure_rooms_name_no_clock_no_thread_and_no_file() {
    let pure = |name: &str| name != "main.rs" && !IMPURE.iter().any(|room| name.starts_with(room));
    let found: Vec<String> =
        named().iter().filter(|(name, _)| pure(name)).flat_map(|(name, names)| impure(name, names)).collect();
    assert!(found.is_empty(), "{}", found.join("\n"));
}

#[test]
fn no_room_imports_upward() {
    let may_use: BTreeMap<&str, &[&str]> = MAY_USE.iter().copied().collect();
    let mut found = Vec::new();
    for (name, names) in named() {
        let here = room(name);
        match may_use.get(here) {
            Some(allowed) => found.extend(upward(name, names, allowed)),
            None => assert!(["shell", "cli", "main", "lib"].contains(&here), "{name}: no rule for this room"),
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}

/// Each way in which a file may say it: none is passed over.
#[test]
fn what_a_pure_room_may_not_name_is_found_however_it_is_written() {
    let ways = [
        "use std::{fs, thread};",
        "use std::fs as f;",
        "use std::{self as s}; fn a() { s::fs::read(\"x\"); }",
        "use std as s; fn a() { s::thread::sleep(d); }",
        "extern crate std as s; fn a() { s::process::exit(1); }",
        "use std::*; fn a() { fs::read(\"x\"); }",
        "use std::{io::{self, stdin}};",
        "use std::io; fn a() { io::stdout(); }",
        "use std::time; fn a() -> time::Instant { time::Instant::now() }",
        "use std::time::{Duration, SystemTime as Clock};",
        "fn a() { ::std::env::var(\"HOME\"); }",
        "fn a(x: &std::fs::File) {}",
        "fn a() { let t = <std::time::Instant>::now(); }",
        "fn a() { vec![std::fs::read(\"x\")]; }",
        "macro_rules! m { () => { use std::{fs, fmt}; } }",
        "macro_rules! m { () => { std::thread::yield_now() } }",
        "fn a() { assert!(p.exists()); }",
        "fn a(p: &std::path::Path) -> bool { p.is_file() }",
        "fn a() { println!(\"x\"); }",
        "use std::println as say; fn a() { say!(\"x\"); }",
        "fn a() { matches!(1, _ if { eprintln!(\"x\"); true }); }",
        "mod inner { pub fn a() { std::fs::read(\"x\"); } }",
        "#[path = \"../shell/clock.rs\"] mod clock;",
        "include!(\"../shell/clock.rs\");",
        "fn a() { time::OffsetDateTime::now_utc(); }",
    ];
    for text in ways {
        let names = names(text, &["engine".into(), "winding".into()]).expect("it is Rust");
        assert!(!impure("engine/winding.rs", &names).is_empty(), "not found: {text}");
    }
    let fine = "use crate::time::Instant; use std::time::Duration; // std::fs\n/// std::thread\nfn a() { let s = \"std::fs\"; }
        #[cfg(test)] mod tests { use std::fs; }";
    let names = names(fine, &["engine".into()]).expect("it is Rust");
    assert_eq!(impure("engine/mod.rs", &names), Vec::<String>::new());
}

/// The same of what lies upward.
#[test]
fn an_import_upward_is_found_however_it_is_written() {
    let ways = [
        "use crate::shell::run;",
        "use crate::{plan, report::{html}};",
        "use crate as c; fn a() { c::cli::main(); }",
        "use super::super::shell::clock;",
        "fn a() { super::super::twin::Twin::new(); }",
        "use super::super as up; fn a() { up::report::html(); }",
        "fn a() { assert!(crate::storm::run()); }",
        "macro_rules! m { () => { $crate::report::html() } }",
        "mod inner { use super::super::super::trace; }",
    ];
    for text in ways {
        let names = names(text, &["engine".into(), "winding".into()]).expect("it is Rust");
        assert!(!upward("engine/winding.rs", &names, &["plan"]).is_empty(), "not found: {text}");
    }
    let fine =
        names("use super::core::Core; use crate::plan::{self, Plan};", &["engine".into(), "winding".into()]);
    assert_eq!(upward("engine/winding.rs", &fine.expect("it is Rust"), &["plan"]), Vec::<String>::new());
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

/// `println!` and its like panic where the output is closed: `cli/say.rs` and the screen pass over what can't be printed.
#[test]
fn nothing_prints_past_what_may_be_closed() {
    let words = ["print!", "println!", "eprint!", "eprintln!", "dbg!"];
    let mut found = Vec::new();
    for (name, names) in named() {
        let prints = names.iter().filter(|n| words.contains(&n.last()));
        found.extend(prints.map(|n| format!("{name}:{}: {}", n.line, n.path)));
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}

/// Where faults are described and brought about: on physics, sensors and wires.
const KNOW_FAULTS: &[&str] = &["twin/faults.rs", "twin/wire_faults.rs"];

/// A fault changes a parameter, a sensor or a wire, never an output: neither another room nor the rest of the twin knows one
/// by its name. `twin/mod.rs` only hands them on at their onset.
#[test]
fn only_the_faults_file_knows_the_names_of_faults() {
    let faults: Vec<String> = spinproof::twin::FaultName::all().map(|f| format!("{:?}", f.text())).collect();
    let mut found = Vec::new();
    for (name, names) in named() {
        if KNOW_FAULTS.contains(&name.as_str()) {
            continue;
        }
        let within = name.starts_with("twin/") && name != "twin/mod.rs";
        for n in names {
            let at = format!("{name}:{}", n.line);
            let segments: Vec<&str> = n.path.split("::").collect();
            if faults.contains(&n.path) {
                found.push(format!("{at} names the fault {}", n.path));
            }
            if segments.iter().rev().skip(1).any(|s| *s == "FaultName") {
                found.push(format!("{at} tells faults apart"));
            }
            if within && segments.iter().any(|s| ["FaultName", "FaultSetting"].contains(s)) {
                found.push(format!("{at} knows of faults"));
            }
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}
