//! The ladder: what opens it and what closes it.

use super::*;
use crate::files::suite::Rung;
use crate::outcome::Cause;
use crate::record::Grade;
use crate::time::Duration;
use crate::trace::RunKind;

fn now() -> Standing {
    Standing {
        serial: "HC7-0042".into(),
        assembly: Some(3),
        unit_sha256: "aaaaaaaaaaaa".into(),
        rig_sha256: "bbbbbbbbbbbb".into(),
        build: Some("1.4.0".into()),
        settings: Some("cccccccccccc".into()),
    }
}

fn guards() -> Vec<(String, Grade)> {
    let names = ["coolant moving", "emergency-stop loop closed", "settings", "serial", "build"];
    names.map(|n| (n.to_string(), Grade::Measured)).to_vec()
}

fn run(day: u32, rung: Rung, outcome: Cause) -> Entry {
    Entry {
        folder: format!("run-{day:02}"),
        began_utc: format!("2026-11-{day:02}T08:00:00.000000Z"),
        kind: RunKind::Bench,
        suite: rung.word().into(),
        suite_sha256: "dddddddddddd".into(),
        rung: Some(rung),
        standing: now(),
        outcome: Some(outcome),
        grades: guards(),
        off_ladder: false,
        controller_us: Some(1_500),
    }
}

fn said(text: &Option<String>) -> Told {
    Told::Said(text.clone())
}

fn stands(now: &Standing, class: Class, runs: &[Entry]) -> Ladder {
    ladder(now, (&said(&now.build), &said(&now.settings)), class, &guards(), runs)
}

/// Commissioning, first spin and ramp passed, in this order.
fn three() -> Vec<Entry> {
    let rungs = [Rung::Commissioning, Rung::FirstSpin, Rung::Ramp];
    rungs.iter().zip(1..).map(|(rung, day)| run(day, *rung, Cause::Passed)).collect()
}

#[test]
fn a_rung_opens_when_all_below_have_passed() {
    let ladder = stands(&now(), Class::Bench, &three());
    let missing: Vec<usize> = Rung::WORDS.iter().map(|(_, r)| ladder.missing(*r).len()).collect();
    assert_eq!(missing, [0, 0, 0, 0, 1, 2], "{ladder:?}");
    let opened: Vec<String> = ladder.opened_by(Rung::RunUp).into_iter().map(|o| o.folder).collect();
    assert_eq!(opened, ["run-01", "run-02", "run-03"]);
    assert_eq!(ladder.next().map(|s| s.rung), Some(Rung::RunUp));
    // A rung left out below closes all above it.
    let gap = [three()[0].clone(), three()[2].clone()];
    assert_eq!(stands(&now(), Class::Bench, &gap).missing(Rung::RunUp), ["first spin has not passed"]);
    // The order in which they are read does not matter.
    let mut turned = three();
    turned.reverse();
    assert_eq!(stands(&now(), Class::Bench, &turned), ladder);
}

/// One change each, and the words that say which.
#[test]
fn every_change_closes_what_was_passed_and_is_named() {
    type Change = fn(&mut Standing);
    let rows: &[(&str, Change)] = &[
        ("the unit was opened: state of assembly 3, now 4", |s| s.assembly = Some(4)),
        ("the unit was opened: state of assembly 3, now 2", |s| s.assembly = Some(2)),
        ("the unit file does not say the state of assembly", |s| s.assembly = None),
        ("the unit file has changed (SHA-256 aaaaaaaa…, now eeeeeeee…)", |s| {
            s.unit_sha256 = "eeeeeeeeee".into()
        }),
        ("the rig file has changed (SHA-256 bbbbbbbb…, now eeeeeeee…)", |s| {
            s.rig_sha256 = "eeeeeeeeee".into()
        }),
        ("another build: 1.4.0, now 1.5.0", |s| s.build = Some("1.5.0".into())),
        ("another build: 1.4.0, now not told", |s| s.build = None),
        ("other settings (SHA-256 cccccccc…, now eeeeeeee…)", |s| s.settings = Some("eeeeeeeeee".into())),
        ("other settings (SHA-256 cccccccc…, now not told)", |s| s.settings = None),
    ];
    for (words, change) in rows {
        let mut changed = now();
        change(&mut changed);
        let missing = stands(&changed, Class::Bench, &three()).missing(Rung::FirstSpin);
        assert_eq!(missing, [format!("commissioning passed in run-01, but {words}")]);
    }
    let mut other = now();
    other.serial = "HC7-0043".into();
    let missing = stands(&other, Class::Bench, &three()).missing(Rung::FirstSpin);
    assert_eq!(missing, ["commissioning has not passed"]);
}

/// What the controller has not said yet is not held against a pass; what it never told is.
#[test]
fn build_and_settings_count_once_they_are_told() {
    let early = ladder(&now(), (&Told::NotYet, &Told::NotYet), Class::Bench, &guards(), &three());
    assert!(early.missing(Rung::RunUp).is_empty());
    let mut runs = three();
    runs[0].standing.settings = None;
    assert_eq!(stands(&now(), Class::Bench, &runs).missing(Rung::FirstSpin).len(), 1);
}

#[test]
fn a_failure_closes_its_rung_and_those_above_until_they_pass_again() {
    for (cause, closes) in [
        (Cause::CriterionFailed, true),
        (Cause::Tripped, true),
        (Cause::NotConfirmed, true),
        (Cause::Stopped, false),
        (Cause::NotMade, false),
        (Cause::Refused, false),
    ] {
        let mut runs = three();
        runs.push(run(4, Rung::FirstSpin, cause));
        let missing = stands(&now(), Class::Bench, &runs).missing(Rung::RunUp);
        if !closes {
            assert!(missing.is_empty(), "{cause:?}: {missing:?}");
            continue;
        }
        let how = cause.row().headline;
        assert_eq!(
            missing,
            ["first spin", "ramp"].map(|r| format!("{r} is closed by run-04 (first spin: {how})"))
        );
        runs.push(run(5, Rung::FirstSpin, Cause::Passed));
        assert_eq!(
            stands(&now(), Class::Bench, &runs).missing(Rung::RunUp).len(),
            1,
            "ramp is to be climbed again"
        );
        runs.push(run(6, Rung::Ramp, Cause::Passed));
        assert!(stands(&now(), Class::Bench, &runs).missing(Rung::RunUp).is_empty());
    }
}

#[test]
fn a_failure_with_other_files_closes_too_but_not_one_of_another_build_or_assembly() {
    let after = |change: fn(&mut Standing)| {
        let mut runs = three();
        let mut failed = run(4, Rung::Commissioning, Cause::Tripped);
        change(&mut failed.standing);
        runs.push(failed);
        stands(&now(), Class::Bench, &runs).missing(Rung::RunUp).len()
    };
    assert_eq!(after(|s| s.rig_sha256 = "eeee".into()), 3);
    assert_eq!(after(|s| s.settings = None), 3);
    assert_eq!(after(|s| s.build = None), 3, "what is not known counts as the same");
    assert_eq!(after(|s| s.build = Some("1.5.0-rc1".into())), 0);
    assert_eq!(after(|s| s.assembly = Some(2)), 0);
}

#[test]
fn a_run_of_which_nobody_knows_the_end_closes_its_rung() {
    let mut runs = three();
    runs.push(Entry { outcome: None, ..run(4, Rung::Ramp, Cause::Passed) });
    let missing = stands(&now(), Class::Bench, &runs).missing(Rung::RunUp);
    assert_eq!(missing, ["ramp is closed by run-04 (ramp: nobody knows how it ended)"]);
}

#[test]
fn a_simulated_run_opens_nothing_for_a_real_unit() {
    for kind in [RunKind::Rehearsal, RunKind::Twin, RunKind::Pty] {
        let runs: Vec<Entry> = three().into_iter().map(|r| Entry { kind, ..r }).collect();
        let missing = stands(&now(), Class::Bench, &runs).missing(Rung::FirstSpin);
        assert_eq!(missing, ["commissioning has not passed"], "{kind:?}");
        let own = stands(&now(), Class::of(kind), &runs).missing(Rung::FirstSpin);
        assert_eq!(
            own.is_empty(),
            kind != RunKind::Rehearsal,
            "a rehearsal has no date, so no ladder: {kind:?}"
        );
    }
}

#[test]
fn a_run_with_the_ladder_left_aside_opens_nothing() {
    let mut runs = three();
    runs[0].off_ladder = true;
    let missing = stands(&now(), Class::Bench, &runs).missing(Rung::FirstSpin);
    assert_eq!(
        missing,
        [
            "commissioning passed in run-01, but it was a part of a commissioning only, or the ladder was left aside"
        ]
    );
}

/// A commissioning of a program that did not ask for the stop frame counts no more, and no other rung is asked for it.
#[test]
fn a_commissioning_without_a_proved_stop_frame_opens_nothing() {
    let mut runs = three();
    runs.iter_mut().for_each(|run| run.controller_us = None);
    let missing = stands(&now(), Class::Bench, &runs).missing(Rung::RunUp);
    assert!(
        matches!(&missing[..], [one] if one.starts_with("commissioning passed in run-01, but its stop frame was not proved")),
        "{missing:?}"
    );
    // Of its rungs only those that prove it know it, and the slowest counts.
    let mut rungs = nine();
    rungs.iter_mut().for_each(|rung| rung.controller_us = None);
    assert_eq!(whole(&climbed(Some(Cause::Passed)), &rungs).expect("it has begun").controller_us, None);
    (rungs[2].controller_us, rungs[6].controller_us) = (Some(900), Some(400));
    assert_eq!(whole(&climbed(Some(Cause::Passed)), &rungs).expect("it has begun").controller_us, Some(900));
}

/// `run` says that the controller took 1.5 ms: with what is declared now, and by whom.
#[test]
fn a_controller_that_was_slower_than_is_declared_is_told() {
    let us = Duration::from_micros;
    let now = now();
    let known = said(&now.build);
    let told =
        |declared, build: &Told, class| slower_than_declared(us(declared), (&now, build), class, &three());
    assert_eq!(told(1_500, &known, Class::Bench), None);
    let words = told(1_499, &known, Class::Bench).expect("it is told");
    assert!(words.contains("at least 1.5 ms") && words.contains("under [reaction] `controller`"), "{words}");
    assert!(told(1_499, &Told::NotYet, Class::Bench).is_some(), "what is not known counts as the same");
    let another = Told::Said(Some("1.5.0".into()));
    assert_eq!(told(0, &another, Class::Bench), None, "another build may be quicker");
    assert_eq!(told(0, &known, Class::Twin), None, "a twin tells nothing of a bench");
}

#[test]
fn a_suite_that_does_not_say_its_rung_counts_as_the_highest() {
    let mut silent = run(4, Rung::Full, Cause::Passed);
    silent.rung = None;
    assert_eq!(silent.counts_as(), Rung::Full);
    let ladder = stands(&now(), Class::Bench, &three());
    let climb = climb(&ladder, None, true);
    assert_eq!((climb.rung.as_str(), climb.said, climb.missing.len()), ("full", false, 2));
}

/// Guard, grade, the rung that it caps at.
#[test]
fn grades_cap_rungs() {
    use Grade::{Absent, Confirmed, Inferred, Measured};
    let rows = [
        ("coolant moving", Measured, None),
        ("coolant moving", Inferred, Some(Rung::Heat)),
        ("coolant moving", Confirmed, Some(Rung::RunUp)),
        ("coolant moving", Absent, Some(Rung::FirstSpin)),
        ("emergency-stop loop closed", Confirmed, Some(Rung::RunUp)),
        ("emergency-stop loop closed", Absent, Some(Rung::FirstSpin)),
        ("settings", Absent, Some(Rung::FirstSpin)),
        ("serial", Absent, Some(Rung::FirstSpin)),
        ("build", Absent, Some(Rung::FirstSpin)),
    ];
    for (guard, grade, expected) in rows {
        let mut grades = guards();
        grades.iter_mut().find(|(n, _)| n == guard).expect("a guard of the list").1 = grade;
        let caps = cap(&grades);
        assert_eq!(caps.first().map(|c| c.rung), expected, "{guard} {grade:?}");
        // A guard that is not named at all is absent.
        grades.retain(|(n, _)| n != guard);
        assert_eq!(cap(&grades).first().map(|c| c.rung), Some(Rung::FirstSpin), "{guard}");
    }
    // The better of two that stand for the same guard counts.
    let mut two = guards();
    two.push(("coolant flow".into(), Absent));
    assert!(cap(&two).is_empty());
}

/// A unit file of before the unit was opened comes back: what was passed then opens nothing again.
#[test]
fn an_old_unit_file_opens_nothing_again() {
    let mut runs = three();
    let opened = Standing { assembly: Some(4), ..now() };
    runs.push(Entry { standing: opened, ..run(9, Rung::FirstSpin, Cause::Tripped) });
    let missing = stands(&now(), Class::Bench, &runs).missing(Rung::FirstSpin);
    assert!(matches!(&missing[..], [one] if one.contains("there is a run of 4")), "{missing:?}");
}

/// A pass with a guard too weak for its rung opens nothing, whatever was expected of the guard before the run.
#[test]
fn a_pass_with_a_guard_too_weak_opens_nothing() {
    let mut runs = three();
    runs[2].grades[0].1 = Grade::Absent;
    let missing = stands(&now(), Class::Bench, &runs).missing(Rung::RunUp);
    assert_eq!(
        missing,
        ["ramp passed in run-03, but its guard coolant moving was absent, which caps at first spin"]
    );
    // And a rig whose guards are too weak cannot climb on.
    let mut weak = guards();
    weak[0].1 = Grade::Confirmed;
    let known = now();
    let rungs = ladder(&known, (&said(&known.build), &said(&known.settings)), Class::Bench, &weak, &three());
    assert!(rungs.missing(Rung::RunUp).is_empty());
    assert!(rungs.missing(Rung::Heat).iter().any(|m| m.contains("confirmed by a person: it caps at run-up")));
}

/// Nine rungs of a commissioning, all passed; by itself each opens nothing.
fn nine() -> Vec<Entry> {
    (1..=9)
        .map(|n| Entry {
            folder: format!("0{n}"),
            off_ladder: true,
            ..run(n, Rung::Commissioning, Cause::Passed)
        })
        .collect()
}

fn climbed(ended: Option<Cause>) -> Whole {
    Whole {
        folder: "climbed".into(),
        suite_sha256: "suite".into(),
        rungs: 9,
        ended,
        unit_after: None,
        lacks: Vec::new(),
    }
}

/// Whether the first spin is open after this entry.
fn opens(entry: &Entry) -> bool {
    stands(&now(), Class::Bench, std::slice::from_ref(entry)).missing(Rung::FirstSpin).is_empty()
}

#[test]
fn a_commissioning_opens_the_next_rung_when_every_rung_of_it_has_passed() {
    let entry = whole(&climbed(Some(Cause::Passed)), &nine()).expect("it has begun");
    assert_eq!((entry.folder.as_str(), entry.suite_sha256.as_str()), ("climbed", "suite"));
    assert_eq!((&entry.began_utc, entry.outcome), (&nine()[0].began_utc, Some(Cause::Passed)));
    assert!(opens(&entry));
    for rung in nine() {
        assert!(!opens(&rung), "a rung by itself opens nothing");
    }
    assert_eq!(whole(&climbed(None), &[]), None, "nothing has begun");
    let part = Whole { lacks: vec!["the command timeout".into()], ..climbed(Some(Cause::Passed)) };
    assert!(!opens(&whole(&part, &nine()).expect("it has begun")), "a part of it opens nothing");
}

/// One change each, and what the whole then counts as.
#[test]
fn a_commissioning_that_is_not_whole_opens_nothing() {
    type Change = fn(&mut Vec<Entry>);
    let rows: &[(&str, Option<Cause>, Change, Option<Cause>)] = &[
        ("cut", None, |_| {}, None),
        ("a rung missing", Some(Cause::Passed), |r| drop(r.pop()), None),
        ("a rung missing, and said so", Some(Cause::Refused), |r| drop(r.pop()), Some(Cause::Refused)),
        (
            "a rung failed",
            Some(Cause::Passed),
            |r| r[4].outcome = Some(Cause::CriterionFailed),
            Some(Cause::CriterionFailed),
        ),
        (
            "a rung tripped",
            Some(Cause::Tripped),
            |r| r[8].outcome = Some(Cause::Tripped),
            Some(Cause::Tripped),
        ),
        ("the end of a rung unknown", Some(Cause::Passed), |r| r[8].outcome = None, None),
        ("other settings", Some(Cause::Passed), |r| r[3].standing.settings = Some("e".into()), None),
        (
            "other settings, refused",
            Some(Cause::Refused),
            |r| r[8].standing.settings = None,
            Some(Cause::Refused),
        ),
        ("another build", Some(Cause::Passed), |r| r[3].standing.build = None, None),
        ("another unit file", Some(Cause::Passed), |r| r[3].standing.unit_sha256 = "e".into(), None),
        ("another assembly", Some(Cause::Passed), |r| r[3].standing.assembly = Some(4), None),
        ("half of it simulated", Some(Cause::Passed), |r| r[3].kind = RunKind::Twin, None),
    ];
    for (name, ended, change, expected) in rows {
        let mut rungs = nine();
        change(&mut rungs);
        let entry = whole(&climbed(*ended), &rungs).expect("it has begun");
        assert_eq!(entry.outcome, *expected, "{name}");
        assert!(!opens(&entry), "{name}");
        // A pass from before is closed by what is a failure, or of which nobody knows the end, and by nothing else.
        let before = Entry {
            folder: "before".into(),
            began_utc: "2026-10-01T08:00:00Z".into(),
            ..run(1, Rung::Commissioning, Cause::Passed)
        };
        let open = stands(&now(), Class::Bench, &[before, entry.clone()]).missing(Rung::FirstSpin).is_empty();
        assert_eq!(open, entry.effect() == crate::outcome::LadderEffect::Keeps, "{name}");
    }
}

#[test]
fn what_a_commissioning_writes_back_does_not_close_its_own_rung_and_any_other_change_does() {
    let whole_of = |ended, after: &str| {
        whole(&Whole { unit_after: Some(after.into()), ..climbed(Some(ended)) }, &nine())
            .expect("it has begun")
    };
    let missing = |unit: &str, entry: &Entry| {
        let now = Standing { unit_sha256: unit.into(), ..now() };
        stands(&now, Class::Bench, std::slice::from_ref(entry)).missing(Rung::FirstSpin)
    };
    let entry = whole_of(Cause::Passed, "written back");
    assert!(missing("written back", &entry).is_empty());
    for changed in [now().unit_sha256.as_str(), "changed by hand since"] {
        let why = missing(changed, &entry).join("\n");
        assert!(why.contains("the unit file has changed"), "{why}");
    }
    assert!(!missing("written back", &whole_of(Cause::Refused, "written back")).is_empty());
}

#[test]
fn a_guard_of_a_commissioning_is_as_good_as_in_its_worst_rung() {
    let mut rungs = nine();
    rungs[2].grades[0].1 = Grade::Confirmed;
    rungs[6].grades.remove(1);
    let grades = whole(&climbed(Some(Cause::Passed)), &rungs).expect("it has begun").grades;
    assert_eq!(
        grades.iter().map(|(_, g)| *g).collect::<Vec<_>>(),
        [Grade::Confirmed, Grade::Absent, Grade::Measured, Grade::Measured, Grade::Measured]
    );
}
