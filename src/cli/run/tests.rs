//! What opens a port and what does not, and how a run is closed.

use super::*;

/// The demo rig's files with other words in them.
fn loaded(change: impl Fn(&str) -> String, suite: &str) -> Loaded {
    let (rig, unit) = (super::super::load::demo_rig(), super::super::load::demo_unit());
    let (rig, suite) = ((rig.0, change(&rig.1)), ("suite".to_string(), suite.to_string()));
    let loaded = super::super::load::resolve_texts(&rig, &unit, &suite, &|_| Err("no file".into()), None);
    loaded.map_err(|early| early.text).expect("it resolves")
}

const NUDGE: &str = include_str!("../../../fixtures/nudge.toml");

/// Who says that there is oil in the gearbox has not said that anybody is behind a guard.
#[test]
fn a_question_of_the_suite_answers_for_no_guard_of_the_bench() {
    let asks = format!("{NUDGE}\n[[question]]\nid = \"oil\"\nask = \"Is there oil in the gearbox?\"\n");
    let asks_nothing = |rig: &str| {
        let kept = rig.lines().filter(|l| !l.contains("{ id = \"") && !l.starts_with("seen = "));
        kept.collect::<Vec<_>>().join("\n")
    };
    let quiet = loaded(asks_nothing, &asks);
    assert_eq!(quiet.plan.ready.questions.len(), 1, "the suite's own");
    assert!(!answered_for(&Operator::Terminal, true, &quiet));
    assert!(answered_for(&Operator::Terminal, true, &loaded(str::to_string, &asks)));
}

/// A name that follows an adapter leads elsewhere once the adapter is another.
#[test]
fn a_port_that_leads_elsewhere_than_when_it_was_looked_at_is_not_opened() {
    let dir = tempfile::tempdir().expect("a folder");
    let name = dir.path().join("by-id");
    let ptys = [(); 2].map(|()| crate::shell::pty::Pty::open(None).expect("a pty"));
    let lead = |to: usize| {
        let _ = std::fs::remove_file(&name);
        std::os::unix::fs::symlink(ptys[to].path(), &name).expect("a link");
    };
    let port = format!("port = \"{}\"\nbehind = \"machine\"", name.display());
    let plan = loaded(|rig| rig.replace("port = \"twin\"", &port), NUDGE).plan;
    lead(0);
    let before = look_at_all(&plan).map_err(|early| early.text).expect("ports");
    same_ports(&plan, &before).map_err(|early| early.text).expect("the same");
    lead(1);
    let early = same_ports(&plan, &before).expect_err("another");
    let [was, is] = [0, 1].map(|i| ptys[i].path().display());
    assert!(early.text.contains(&format!("led to {was} when")), "{}", early.text);
    assert!(
        early.cause == Cause::Refused && early.text.contains(&format!("leads to {is} now")),
        "{}",
        early.text
    );
    let _ = std::fs::remove_file(&name);
    assert_eq!(same_ports(&plan, &before).expect_err("gone").cause, Cause::NotMade);
}

/// What could not be kept is told in run.json, and such a run has no end there: nothing passes on the rest of it.
#[test]
fn a_run_whose_recorder_failed_has_no_end_and_says_why() {
    let dir = tempfile::tempdir().expect("a folder");
    let folder = RunFolder::create(Some(dir.path()), "short", "").expect("a run folder");
    let begun = serde_json::json!({
        "schema": 1, "spinproof": "", "kind": "twin", "faults": [], "began_utc": "", "began_monotonic": 0, "files": [],
    });
    for recorded in [Ok(()), Err("no space left on device".to_string())] {
        let mut info: RunInfo = serde_json::from_value(begun.clone()).expect("run.json");
        let ending = Ending {
            cause: Cause::Passed,
            why: "every test ran to its end".into(),
            finished: None,
            last_resort: None,
            recorded: recorded.clone(),
            twin_ended: None,
        };
        close(&folder, &mut info, &Clock::start(), &ending).map_err(|early| early.text).expect("written");
        let info = RunFolder::open(dir.path()).expect("a run").info;
        assert_eq!((info.ended.is_some(), info.unrecorded), (recorded.is_ok(), recorded.err()));
    }
}
