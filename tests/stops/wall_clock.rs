//! A step of the wall clock must not matter to a run. The clock of this machine cannot be stepped in a test without
//! disturbing everything else on it, and a time namespace shifts CLOCK_MONOTONIC and CLOCK_BOOTTIME alone (Linux
//! `time_namespaces(7)`), so the proof is of another kind: the wall clock is read in three places, none of which times
//! anything, and every wait is on CLOCK_MONOTONIC.

use std::path::Path;

/// File, what reads the wall clock there, how often, and what for.
const READS: [(&str, &str, usize); 3] = [
    // A fresh seed.
    ("cli/storm.rs", "SystemTime", 1),
    // `Clock::start`: the UTC anchor of a run; `utc_now`: the name of the folder and the moment of the end.
    ("shell/clock.rs", "now_utc()", 2),
    // Whether the answers file still holds, before anything is opened.
    ("cli/run.rs", "now_utc()", 1),
];

#[test]
fn the_wall_clock_is_read_for_names_and_anchors_alone() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut found = Vec::new();
    walk(&src, &mut |path, text| {
        let name = path.strip_prefix(&src).unwrap().display().to_string();
        // A test module that is only named stands in a file of its own, and code may follow it.
        let code = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or(text);
        for word in ["now_utc()", "now_local()", "SystemTime", "ClockId::Realtime"] {
            let times = code.matches(word).count();
            if times > 0 {
                found.push((name.clone(), word, times));
            }
        }
    });
    found.sort();
    let mut expected: Vec<_> = READS.iter().map(|(f, w, n)| (f.to_string(), *w, *n)).collect();
    expected.sort();
    assert_eq!(found, expected);
}

fn walk(folder: &Path, see: &mut impl FnMut(&Path, &str)) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            walk(&path, see);
        } else if path.extension().is_some_and(|e| e == "rs") {
            see(&path, &std::fs::read_to_string(&path).unwrap());
        }
    }
}
