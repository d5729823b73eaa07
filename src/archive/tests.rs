//! The index: kept, shared, damaged, locked.

use super::*;
use crate::evidence::Standing;
use crate::files::suite::Rung;
use crate::outcome::{Cause, TABLE};
use crate::record::Grade;
use crate::trace::RunKind;

fn entry(folder: &str) -> Entry {
    Entry {
        folder: folder.into(),
        began_utc: "2026-11-20T08:00:00.000000Z".into(),
        kind: RunKind::Bench,
        suite: "first 'spin'; --".into(),
        suite_sha256: "1".into(),
        rung: Some(Rung::FirstSpin),
        standing: Standing {
            serial: "HC7-0042".into(),
            assembly: Some(3),
            unit_sha256: "2".into(),
            rig_sha256: "3".into(),
            build: Some("1.4.0".into()),
            settings: Some("4".into()),
        },
        outcome: Some(Cause::Passed),
        grades: vec![("coolant moving".into(), Grade::Confirmed), ("settings".into(), Grade::Measured)],
        off_ladder: false,
        controller_us: Some(1_500),
    }
}

#[test]
fn what_is_kept_is_read_again_whatever_it_holds() {
    let runs = tempfile::tempdir().expect("a folder");
    let index = Index::open(runs.path()).expect("an index");
    let mut kept = Vec::new();
    for (i, row) in TABLE.iter().enumerate() {
        kept.push(Entry { outcome: Some(row.cause), off_ladder: i % 2 == 0, ..entry(&format!("cause-{i}")) });
    }
    for (i, (_, rung)) in Rung::WORDS.iter().enumerate() {
        kept.push(Entry { rung: Some(*rung), outcome: None, ..entry(&format!("rung-{i}")) });
    }
    for (i, kind) in [RunKind::Rehearsal, RunKind::Twin, RunKind::Pty].into_iter().enumerate() {
        let standing = Standing { assembly: None, build: None, settings: None, ..entry("").standing };
        kept.push(Entry { kind, rung: None, standing, grades: Vec::new(), ..entry(&format!("sort-{i}")) });
    }
    kept.iter().for_each(|e| index.put(e, false).expect("kept"));
    assert_eq!(index.all().expect("read"), kept);
    // The same run again replaces its row.
    kept[0].outcome = Some(Cause::NotConfirmed);
    index.put(&kept[0], true).expect("kept");
    assert_eq!(Index::open(runs.path()).expect("an index").all().expect("read"), kept);
    // Made again from the entries it is the same.
    Index::rebuild(runs.path(), &kept).expect("made again");
    assert_eq!(Index::open(runs.path()).expect("an index").all().expect("read"), kept);
}

#[test]
fn bytes_that_are_no_index_are_said_to_be_damaged_and_mended_by_making_it_again() {
    let runs = tempfile::tempdir().expect("a folder");
    let path = runs.path().join(NAME);
    let damaged = |what: &str| {
        let read = Index::open(runs.path()).and_then(|i| i.all());
        assert!(matches!(read, Err(IndexError::Damaged { .. })), "{what}: {read:?}");
    };
    std::fs::write(
        &path,
        b"this is no index, and it is longer than the head of one would be, by far, so that it is looked at",
    )
    .expect("written");
    damaged("a text");
    Index::rebuild(runs.path(), &[entry("a")]).expect("made again");
    let whole = std::fs::read(&path).expect("read");
    // The head stays; the page that holds the rows is spoilt.
    let mut spoilt = whole.clone();
    spoilt[4096..].fill(0x5A);
    std::fs::write(&path, spoilt).expect("written");
    damaged("a spoilt page");
    std::fs::write(&path, &whole[..whole.len() - 4096]).expect("written");
    damaged("a page cut off");
    // A row that another program has changed: half of an index is none.
    std::fs::write(&path, &whole).expect("written");
    let db = rusqlite::Connection::open(&path).expect("open");
    db.execute("UPDATE run SET outcome = 'splendid'", []).expect("changed");
    drop(db);
    damaged("a word that is none");
    let db = rusqlite::Connection::open(&path).expect("open");
    db.execute_batch("PRAGMA user_version = 9").expect("changed");
    drop(db);
    assert!(matches!(Index::open(runs.path()), Err(IndexError::Newer { found: 9, .. })));
}

/// An index of before the stop frame was asked for is read on; what it does not know of its runs is not known.
#[test]
fn an_index_of_version_1_is_read_and_knows_no_stop_frame() {
    let runs = tempfile::tempdir().expect("a folder");
    Index::open(runs.path()).and_then(|index| index.put(&entry("old"), false)).expect("kept");
    let db = rusqlite::Connection::open(runs.path().join(NAME)).expect("open");
    db.execute_batch("ALTER TABLE run DROP COLUMN controller_us; PRAGMA user_version = 1;").expect("changed");
    drop(db);
    let index = Index::open(runs.path()).expect("an index");
    let old = Entry { controller_us: None, ..entry("old") };
    assert_eq!(index.all().expect("read"), std::slice::from_ref(&old));
    index.put(&entry("new"), false).expect("kept");
    drop(index);
    assert_eq!(Index::open(runs.path()).expect("an index").all().expect("read"), [entry("new"), old]);
}

#[test]
fn a_locked_index_is_said_to_be_locked() {
    let runs = tempfile::tempdir().expect("a folder");
    let index = Index::open(runs.path()).expect("an index");
    let other = rusqlite::Connection::open(runs.path().join(NAME)).expect("open");
    other.execute_batch("BEGIN EXCLUSIVE").expect("locked");
    assert!(matches!(index.put(&entry("a"), false), Err(IndexError::Locked { .. })));
    drop(other);
    index.put(&entry("a"), false).expect("kept");
}

#[test]
fn folders_that_the_index_does_not_know_are_named() {
    let runs = tempfile::tempdir().expect("a folder");
    for (folder, name) in [("a", HELD_NAME), ("b", HELD_NAME), ("bands", "x.json")] {
        std::fs::create_dir(runs.path().join(folder)).expect("made");
        std::fs::write(runs.path().join(folder).join(name), "{}").expect("written");
    }
    let index = Index::open(runs.path()).expect("an index");
    index.put(&entry("a"), false).expect("kept");
    assert_eq!(held(runs.path()).expect("listed"), ["a", "b"]);
    assert_eq!(unlisted(&index, runs.path()).expect("listed"), ["b"]);
    assert!(held(&runs.path().join("none")).expect("listed").is_empty());
}

/// What a run did to the ladder holds, whatever became of its folder: another run of its name does not replace it.
#[test]
fn a_row_is_replaced_by_the_same_run_alone() {
    let runs = tempfile::tempdir().expect("a folder");
    let index = Index::open(runs.path()).expect("an index");
    let failed = Entry { outcome: Some(Cause::CriterionFailed), ..entry("last") };
    index.put(&failed, false).expect("kept");
    let again = Entry { outcome: Some(Cause::Tripped), ..failed.clone() };
    index.put(&again, false).expect("the same run, read again");
    let epoch = || "1970-01-01T00:00:00.000000Z".to_string();
    let rehearsal = Entry { kind: RunKind::Rehearsal, began_utc: epoch(), ..entry("last") };
    let later = Entry { began_utc: "2026-11-20T08:00:00.000001Z".into(), ..entry("last") };
    for other in [later, Entry { kind: RunKind::Twin, ..entry("last") }, rehearsal.clone()] {
        let taken = index.put(&other, false).expect_err("it is another run").to_string();
        for word in
            ["knows last for another run (first 'spin'; -- (first spin): tripped", "name another folder"]
        {
            assert!(taken.contains(word), "{taken}");
        }
        assert!(matches!(index.is_free("last", other.kind), Err(IndexError::Taken { .. })));
        assert_eq!(index.all().expect("read"), std::slice::from_ref(&again));
    }
    // Rehearsals have no date: one of every night may bear the same name, and a run may not.
    let nightly = Entry { folder: "nightly".into(), ..rehearsal };
    for outcome in [Cause::Passed, Cause::Refused] {
        index.is_free("nightly", RunKind::Rehearsal).expect("it is free");
        index.put(&Entry { outcome: Some(outcome), ..nightly.clone() }, true).expect("kept");
    }
    assert!(
        index.is_free("nightly", RunKind::Bench).is_err() && index.put(&entry("nightly"), false).is_err()
    );
    index.is_free("new", RunKind::Bench).expect("nobody knows it");
}

/// A rehearsal that was killed, or goes on, closes nothing; a run does, and one in the place of another as well.
#[test]
fn rehearsals_are_no_business_of_the_index_and_a_run_in_the_place_of_another_is() {
    let runs = tempfile::tempdir().expect("a folder");
    let put = |folder: &str, name: &str, text: &str| {
        let folder = runs.path().join(folder);
        std::fs::create_dir_all(&folder).expect("made");
        std::fs::write(folder.join(name), text).expect("written");
    };
    let told = |kind: &str, began: &str| format!("{{\"kind\": \"{kind}\", \"began_utc\": \"{began}\"}}");
    let began = entry("").began_utc;
    put("killed", HELD_NAME, &told("rehearsal", "1970-01-01T00:00:00.000000Z"));
    put("run", HELD_NAME, &told("bench", &began));
    put("same", HELD_NAME, &told("bench", &began));
    put("brought", HELD_NAME, &told("bench", "2026-11-21T08:00:00.000000Z"));
    // Of a commissioning its first rung that has begun tells.
    let climbed = "{\"schema\": 1, \"spinproof\": \"\", \"rungs\": [\"01\", \"02\"], \"files\": []}";
    for (folder, kind) in [("climbed", "bench"), ("rehearsed", "rehearsal")] {
        put(folder, CLIMBED_NAME, climbed);
        put(&format!("{folder}/01"), HELD_NAME, &told(kind, &began));
    }
    let index = Index::open(runs.path()).expect("an index");
    ["same", "brought", "climbed"].iter().for_each(|name| index.put(&entry(name), false).expect("kept"));
    assert_eq!(unlisted(&index, runs.path()).expect("listed"), ["brought", "run"]);
}
