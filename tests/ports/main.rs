//! A port with a machine declared behind it, from the first refusal to the rung that a commissioning opens, over a
//! pseudo-terminal that another program relays. What moved is judged by the truth log of the twin at its far end.
//!
//! The whole commissioning, in real time: `cargo test --test ports whole -- --ignored --nocapture`.
#![allow(clippy::unwrap_used)]

mod bench;
#[path = "../common/today.rs"]
mod today;

use bench::{Relay, Restarting, Twin, alone, desk, first_rungs, rig, with_a_person};
use std::path::Path;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// One test at a time: what is in real time shares two cores with nobody.
static ALONE: Mutex<()> = Mutex::new(());

fn by_itself() -> MutexGuard<'static, ()> {
    // Twins, lines and runs before anything else on this machine, where it lets us; what is started inherits it.
    let _ = rustix::process::setpriority_process(None, -15);
    ALONE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// How often what a busy machine disturbed may begin again: late replies refuse or trip a bench, as they should.
const BEGINS_MAX: usize = 6;

const FILES: [&str; 6] = ["--rig", "rig.toml", "--unit", "unit.toml", "--build", "1.4.0"];
const HASTE: [&str; 2] = ["--no-rehearsal", "a test in real time"];

fn words<'a>(parts: &[&[&'a str]]) -> Vec<&'a str> {
    parts.concat()
}

/// Does something while the rig asks nobody anything.
fn with_no_questions(dir: &Path, what: impl FnOnce()) {
    let asked = std::fs::read_to_string(dir.join("rig.toml")).unwrap();
    let lines = asked.lines().filter(|line| !line.contains("{ id = \"") && !line.starts_with("seen = "));
    let quiet = lines.collect::<Vec<_>>().join("\n");
    assert!(quiet.contains("question = [\n]"));
    std::fs::write(dir.join("rig.toml"), quiet).unwrap();
    what();
    std::fs::write(dir.join("rig.toml"), asked).unwrap();
}

/// A serial line with nothing at its far end: whoever opens it is refused by silence, exit code 3.
#[test]
fn a_machine_is_not_opened_while_anything_is_missing_and_each_refusal_says_what() {
    let _alone = by_itself();
    let temp = desk();
    let dir = temp.path();
    let pty = spinproof::shell::pty::Pty::open(None).unwrap();
    let answers = ["--answers", "answers.toml"];
    let run = |more: &[&str]| alone(dir, &words(&[&["run", "nudge.toml"], &FILES, more]));
    let refused = |made: &bench::Made, part: &str| {
        assert!(made.code == Some(4) && made.said.contains(part), "{part}: {:?} {}", made.code, made.said);
    };
    rig(dir, pty.path(), "", true);
    refused(&run(&words(&[&answers, &HASTE])), "the rung first spin is closed: commissioning has not passed");
    refused(
        &run(&words(&[&answers, &["--off-ladder", "a test"]])),
        "--off-ladder is not for a port with a machine behind it",
    );
    refused(&run(&HASTE), "there is neither a terminal nor an answers file");
    // A bench that somebody has to stay beside: the file alone stops nothing, at a terminal or not.
    rig(dir, pty.path(), "", false);
    refused(&run(&answers), "an answers file alone");
    refused(
        &with_a_person(dir, &words(&[&["run", "nudge.toml"], &FILES, &answers]), None),
        "an answers file alone stops nothing",
    );
    // The same of commissioning, which needs no rung below it.
    let commission = |more: &[&str]| alone(dir, &words(&[&["commission"], &FILES, more]));
    refused(&commission(&answers), "an answers file alone");
    rig(dir, pty.path(), "", true);
    // In one run it would go on to closed loop, whatever the resolver has shown.
    let at_once = words(&[&["run", "commissioning.toml"], &FILES, &answers, &HASTE]);
    refused(&alone(dir, &at_once), "climb rung by rung");
    // Who is asked nothing has answered for nothing.
    let unasked = words(&[&["run", "nudge.toml"], &FILES, &HASTE]);
    let nobody = "questions in the rig's [ready]";
    with_no_questions(dir, || refused(&with_a_person(dir, &unasked, None), nobody));
    // Nor has who is asked by the suite alone: that there is oil says nothing of a guard.
    let oil = "\n[[question]]\nid = \"oil\"\nask = \"Is there oil in the gearbox?\"\n";
    let nudge = std::fs::read_to_string(dir.join("nudge.toml")).unwrap();
    std::fs::write(dir.join("asks.toml"), nudge + oil).unwrap();
    let by_suite = words(&[&["run", "asks.toml"], &FILES, &HASTE]);
    with_no_questions(dir, || refused(&with_a_person(dir, &by_suite, None), nobody));
    // One of its tests is not a commissioning, whatever it calls itself.
    first_rungs(dir, "rungs.toml", &["gates off"]);
    let one = words(&[&["run", "rungs.toml"], &FILES, &answers, &HASTE]);
    refused(&alone(dir, &one), "climb rung by rung");
    // A rehearsal that does not pass: the criterion is nothing that any shaft can do.
    let hard = std::fs::read_to_string(dir.join("rungs.toml")).unwrap();
    std::fs::write(dir.join("hard.toml"), hard.replace("at_most = \"10 mrad", "at_most = \"0.001 mrad"))
        .unwrap();
    refused(
        &commission(&words(&[&answers, &["--suite", "hard.toml"]])),
        "the rehearsal before the run did not pass",
    );
    assert_eq!(commission(&words(&[&answers, &["--no-rehearsal", " "]])).code, Some(2), "a reason in words");
    let text = std::fs::read_to_string(dir.join("rig.toml")).unwrap();
    let weak = text.replace("guard = \"1.2 kJ\"", "guard = \"10 J\"");
    assert_ne!(weak, text);
    std::fs::write(dir.join("rig.toml"), weak).unwrap();
    refused(&commission(&answers), "forbid");
    // Nothing was sent, nothing was begun, and nothing is remembered.
    assert_eq!(rustix::io::read(pty.master(), &mut [0; 64]), Err(rustix::io::Errno::AGAIN), "no byte");
    let left = std::fs::read_dir(dir.join("runs"))
        .map_or(0, |runs| runs.flatten().filter(|e| e.path().is_dir() && e.file_name() != "bands").count());
    assert_eq!(left, 0, "no folder for what was not begun");
}

#[test]
fn a_commissioning_over_a_relayed_port_opens_the_next_rung_and_a_failed_one_does_not() {
    let _alone = by_itself();
    let temp = desk();
    let dir = temp.path();
    first_rungs(dir, "rungs.toml", &["turned by hand", "resistance", "stop frame, at rest"]);
    climb(dir, "rungs.toml");
}

#[test]
#[ignore = "minutes of real time: cargo test --test ports whole -- --ignored --nocapture"]
fn the_whole_commissioning_over_a_relayed_port() {
    let _alone = by_itself();
    let temp = desk();
    climb(temp.path(), "commissioning.toml");
}

/// A person at a terminal commissions the unit behind a port with a machine behind it, and then spins it.
fn climb(dir: &Path, suite: &str) {
    let twin = Twin::start(dir);
    let relay = Relay::to(&twin.port, dir);
    rig(dir, &relay.near, "", false);
    let hand = twin.hand();
    let commission = |out: &str, more: &[&str], hand| {
        let out = format!("runs/{out}");
        let args = [&["commission", "--suite", suite, "--out", &out], &FILES[..], &HASTE, more];
        with_a_person(dir, &words(&args), hand)
    };
    let nudge = |more: &[&str]| with_a_person(dir, &words(&[&["run", "nudge.toml"], &FILES, more]), None);
    // Nobody turns the shaft: the rung is not passed, and nothing opens.
    let (failed, by) = again(|out| commission(out, &[], None), &[4, 5], dir, "failed");
    let closed = || {
        let closed = nudge(&HASTE);
        assert_eq!(closed.code, Some(4), "{}", closed.said);
        let told = format!("commissioning is closed by {by} (");
        assert!(closed.said.contains(&told), "{told}: {}", closed.said);
    };
    assert_eq!(failed.code, Some(1), "{}", failed.said);
    assert!(failed.said.contains("`turned by hand`: failed"), "{}", failed.said);
    closed();

    // Somebody does.
    let before = std::fs::read_to_string(dir.join("unit.toml")).unwrap();
    let (passed, by) = again(|out| commission(out, &["--write"], Some(&hand)), &[4, 5], dir, "passed");
    assert_eq!(passed.code, Some(0), "{}", passed.said);
    assert!(!passed.said.contains("SIMULATED"), "a machine is behind it: {}", passed.said);
    let after = std::fs::read_to_string(dir.join("unit.toml")).unwrap();
    assert!(
        before != after && after.contains("# [spinproof: measured") && !after.contains("SIMULATED"),
        "{after}"
    );
    let kept = dir.join("runs").join(&by);
    assert_eq!(std::fs::read_to_string(kept.join("files/unit-after.toml")).unwrap(), after);

    if suite != "commissioning.toml" {
        closed();
        part_counts_as_whole(dir, &kept, &passed.said);
    }
    // What it wrote back does not close it, here and when the index is made again.
    for _ in 0..2 {
        let ladder = alone(dir, &words(&[&["ladder"], &FILES[..4]])).said;
        assert!(
            ladder.contains(&format!("passed by {by} (commissioning")) && !ladder.contains("SIMULATED"),
            "{ladder}"
        );
        assert_eq!(alone(dir, &["runs", "--rebuild"]).code, Some(0));
    }
    std::fs::write(dir.join("unit.toml"), &before).unwrap();
    closed();
    std::fs::write(dir.join("unit.toml"), &after).unwrap();

    // The rung is open: it is rehearsed, and spun.
    let (spun, spun_in) = again(|out| nudge(&["--out", &format!("runs/{out}")]), &[4, 5], dir, "spun");
    assert_eq!(spun.code, Some(0), "{}", spun.said);
    for part in [&format!("Opened by: commissioning passed in {by}"), "Rehearsal before: passed"] {
        assert!(spun.said.contains(part), "{part}: {}", spun.said);
    }
    let spun_in = dir.join("runs").join(spun_in);
    assert!(!spun.said.contains("SIMULATED"), "{}", spun.said);
    let info = std::fs::read_to_string(spun_in.join("run.json")).unwrap();
    assert!(info.contains("\"kind\": \"bench\""), "{info}");
    let junit = std::fs::read_to_string(spun_in.join("junit.xml")).unwrap();
    assert!(junit.contains("<property name=\"kind\" value=\"real\"/>"), "{junit}");
    drop(relay);
    // Gates went on only after a hand had turned the shaft, and off as often as on.
    let events = twin.finish();
    let hand_at = events.iter().position(|e| e.contains("hand")).expect("a hand");
    let on: Vec<usize> = (0..events.len()).filter(|i| events[*i].starts_with("gates on")).collect();
    assert!(on.len() >= 2 && on.iter().all(|i| *i > hand_at), "{events:?}");
    assert_eq!(events.iter().filter(|e| e.starts_with("gates off")).count(), on.len(), "{events:?}");
}

/// A part of a commissioning opens nothing, and says so. The test goes on as if it had been the whole, which takes minutes.
fn part_counts_as_whole(dir: &Path, folder: &Path, said: &str) {
    assert!(said.contains("is a part of a commissioning and opens nothing"), "{said}");
    assert!(said.contains("the command timeout turning, by a silence"), "{said}");
    let kept = folder.join("commissioning.json");
    let mut json: serde_json::Value = serde_json::from_slice(&std::fs::read(&kept).unwrap()).unwrap();
    assert!(json.as_object_mut().unwrap().remove("lacks").is_some());
    std::fs::write(&kept, json.to_string()).unwrap();
    assert_eq!(alone(dir, &["runs", "--rebuild"]).code, Some(0));
}

/// Makes it again while it ends with one of `codes`, in folders of names of their own, since the index remembers each; the last
/// of them and its folder's name.
fn again(
    make: impl Fn(&str) -> bench::Made,
    codes: &[i32],
    dir: &Path,
    folder: &str,
) -> (bench::Made, String) {
    let (mut made, mut name) = (make(folder), folder.to_string());
    for n in 1..BEGINS_MAX {
        if !made.code.is_some_and(|code| codes.contains(&code)) {
            break;
        }
        println!("begun again: {}", made.said.lines().rev().take(6).collect::<Vec<_>>().join(" / "));
        // A hand that was at the shaft lets go before long; until then the next one would be refused for it.
        std::thread::sleep(std::time::Duration::from_secs(6));
        let _ = std::fs::rename(dir.join("runs").join(&name), dir.join(format!("disturbed-{name}")));
        name = format!("{folder}-{n}");
        made = make(&name);
    }
    (made, name)
}

/// Guards by wires of their own and an answers file, nobody at a terminal; the board restarts at every rung.
#[test]
fn a_board_that_restarts_when_its_port_opens_is_commissioned_where_the_rig_waits_for_it() {
    let _alone = by_itself();
    let temp = desk();
    let dir = temp.path();
    first_rungs(dir, "rungs.toml", &["gates off"]);
    let one = std::fs::read_to_string(dir.join("rungs.toml")).unwrap();
    let test = one.find("[[test]]").unwrap();
    let twice =
        format!("{one}\n{}", one[test..].replace("name = \"gates off\"", "name = \"gates off again\""));
    std::fs::write(dir.join("rungs.toml"), twice).unwrap();
    let twin = Twin::start(dir);
    let board = Restarting::before(&twin.port);
    let commission = |out: &str| {
        let out = format!("runs/{out}");
        let args = ["commission", "--suite", "rungs.toml", "--answers", "answers.toml", "--out", &out];
        alone(dir, &words(&[&args, &FILES, &HASTE]))
    };
    rig(dir, &board.near, "", true);
    let made = commission("hasty");
    assert_eq!(made.code, Some(3), "{}", made.said);
    assert!(made.said.contains("`settle = \"2 s\"`"), "{}", made.said);
    assert_eq!(board.restarts(), 1);
    rig(dir, &board.near, "settle = \"2 s\"", true);
    let (made, _) = again(commission, &[4, 5], dir, "patient");
    assert_eq!(made.code, Some(0), "{}", made.said);
    assert!(!made.said.contains("SIMULATED"), "{}", made.said);
    assert!(board.restarts() >= 3, "once a rung: {}", board.restarts());
    drop(board);
    assert!(twin.finish().is_empty(), "with the gates off nothing moves");
}
