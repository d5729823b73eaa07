//! Asking a Python script for another opinion.

use serde_json::Value;
use std::io::Write;
use std::process::{Command, Stdio};

/// Runs a script of `tests` with one record a line on its standard input; what it prints, one record a line. Fails,
/// with how to mend it, where Python or a package is missing.
pub fn ask(script: &str, records: &[Value]) -> Vec<Value> {
    let mut python = Command::new("python3")
        .arg(format!("{}/tests/{script}", env!("CARGO_MANIFEST_DIR")))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("python3 must be on the path");
    let lines: String = records.iter().map(|record| format!("{record}\n")).collect();
    // A script that died early closes the pipe; what it said on its way out is shown below. The answers are short
    // and wait in the pipe until everything is asked.
    let written = python.stdin.take().expect("stdin is piped").write_all(lines.as_bytes());
    let output = python.wait_with_output().expect("the script ends");
    assert!(
        output.status.success() && written.is_ok(),
        "no opinion from {script}; install what it needs with\n    python3 -m pip install -r tests/requirements.txt\n\
         and see what python3 said:\n{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let text = String::from_utf8_lossy(&output.stdout);
    text.lines()
        .map(|line| serde_json::from_str(line).expect("the script prints a JSON record a line"))
        .collect()
}
