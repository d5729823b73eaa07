//! The documents of made-up runs: what they say, that they are sound, and that they are always the same.

#[path = "report/fixture.rs"]
mod fixture;

use fixture::{Run, cut, failing, not_confirmed, passing, refused, tripped};
use spinproof::report::{html, json, junit, terminal};

fn all() -> [(&'static str, Run); 6] {
    [
        ("passing", passing()),
        ("failing", failing()),
        ("tripped", tripped()),
        ("refused", refused()),
        ("cut", cut()),
        ("not_confirmed", not_confirmed()),
    ]
}

/// Writes every document of every run into a folder, to be looked at:
/// `SPINPROOF_LOOK=folder cargo test --test report -- --ignored`.
#[test]
#[ignore = "writes files to be looked at by a person"]
fn documents_to_look_at() {
    let folder = std::env::var("SPINPROOF_LOOK").expect("SPINPROOF_LOOK names a folder");
    for (name, run) in all() {
        let report = run.report();
        let write = |ending: &str, text: String| {
            std::fs::write(format!("{folder}/{name}.{ending}"), text).expect("the folder can be written to");
        };
        write("html", html(&report).unwrap());
        write("xml", junit(&report).unwrap());
        write("txt", terminal(&report, false));
        write("json", json(&report).unwrap());
    }
}
