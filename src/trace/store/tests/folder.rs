use super::*;
use crate::trace::{FileUsed, FolderError, Held, RunFolder, RunInfo, RunKind, TraceError, read};
use std::fs;
use std::path::Path;

const NOW: &str = "2026-11-25T14:25:31.123456Z";

fn info(files: Vec<FileUsed>) -> RunInfo {
    RunInfo {
        schema: 1,
        spinproof: "0.1.0".into(),
        kind: RunKind::Rehearsal,
        build: Some("hc7-1.4.2".into()),
        seed: Some(u64::MAX),
        faults: vec!["a-fault=0.5@3s".into()],
        began_utc: NOW.into(),
        ended: Some((NOW.into(), 90_000_000)),
        finished: None,
        unconfirmed: None,
        unrecorded: None,
        before: Default::default(),
        began_monotonic: 0,
        files,
        recordings: Vec::new(),
    }
}

/// A run folder with two files and a `run.json`.
fn made(dir: &Path) -> RunFolder {
    let folder = RunFolder::create(Some(&dir.join("run")), "First spin", NOW).expect("it is new");
    let rig = folder.keep("rig", "rigs/bench.toml", b"schema = 1\n").expect("it can be written");
    let unit = folder.keep("unit", "units/bench.toml", b"schema = 1 # unit\n").expect("it can be written");
    folder.write_info(&info(vec![rig, unit])).expect("it can be written");
    folder
}

#[test]
fn a_run_folder_comes_back_as_it_was_made() {
    let temp = tempfile::tempdir().expect("a temporary folder");
    let folder = made(temp.path());
    let run = RunFolder::open(folder.path()).expect("it was just made");
    let names: Vec<_> = run.files.iter().map(|f| (f.used.role.as_str(), f.used.name.as_str())).collect();
    assert_eq!(names, [("rig", "files/bench.toml"), ("unit", "files/bench-2.toml")]);
    assert_eq!(run.files[1].bytes, b"schema = 1 # unit\n");
    assert_eq!(run.info, info(run.files.iter().map(|f| f.used.clone()).collect()));
    assert!(!folder.path().join("run.json.new").exists());
}

/// FIPS 180-2, appendix B.1, from memory: the digest of "abc".
#[test]
fn the_digest_is_the_published_sha256() {
    let temp = tempfile::tempdir().expect("a temporary folder");
    let folder = RunFolder::create(Some(temp.path()), "s", NOW).expect("an empty folder may be used");
    let used = folder.keep("suite", "abc", b"abc").expect("it can be written");
    assert_eq!(used.sha256, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
}

#[test]
fn no_folder_is_used_twice() {
    let temp = tempfile::tempdir().expect("a temporary folder");
    let name = super::super::folder::default_name("First spin!", NOW);
    assert_eq!(name, "20261125T142531Z-first-spin");
    assert_eq!(
        super::super::folder::default_name("../..", "2026-11-25T14:25:31Z"),
        "20261125T142531Z-unnamed"
    );
    for expected in [name.clone(), format!("{name}-2"), format!("{name}-3")] {
        let made = super::super::folder::fresh(&temp.path().join("runs"), &name).expect("there is room");
        assert_eq!(made, temp.path().join("runs").join(expected));
    }
    let error = RunFolder::create(Some(temp.path()), "s", NOW).expect_err("it is not empty");
    assert_eq!(error.kind(), io::ErrorKind::AlreadyExists);
    assert!(error.to_string().contains("not empty"), "{error}");
}

#[test]
fn a_folder_that_is_not_as_it_was_is_refused_with_the_reason() {
    let run_json = "run.json";
    let spoil_text = |from: &'static str, to: &'static str| {
        move |dir: &Path| {
            let text = fs::read_to_string(dir.join(run_json)).expect("it was made");
            assert!(text.contains(from), "{text}");
            fs::write(dir.join(run_json), text.replace(from, to)).expect("it can be written");
        }
    };
    type Spoil = Box<dyn Fn(&Path)>;
    let rows: Vec<(&str, Spoil)> = vec![
        (
            "is not the folder of a run",
            Box::new(|d| fs::remove_file(d.join("run.json")).expect("it was made")),
        ),
        ("cannot understand", Box::new(|d| fs::write(d.join("run.json"), "{").expect("it can be written"))),
        ("it has no schema number", Box::new(spoil_text("\"schema\": 1", "\"schema\": \"1\""))),
        (
            "has schema 2, expected 1 or older",
            Box::new(spoil_text("\"schema\": 1", "\"schema\": 2, \"new\": []")),
        ),
        ("missing field `kind`", Box::new(spoil_text("\"kind\"", "\"kin\""))),
        (
            "the rig file of this run",
            Box::new(|d| fs::remove_file(d.join("files/bench.toml")).expect("it was made")),
        ),
        (
            "was changed after the run",
            Box::new(|d| fs::write(d.join("files/bench.toml"), "x").expect("it is there")),
        ),
        ("lies outside of the folder", Box::new(spoil_text("files/bench.toml", "../run/run.json"))),
        ("lies outside of the folder", Box::new(spoil_text("files/bench.toml", "/etc/hostname"))),
    ];
    for (phrase, spoil) in rows {
        let temp = tempfile::tempdir().expect("a temporary folder");
        let folder = made(temp.path());
        spoil(folder.path());
        let error = RunFolder::open(folder.path()).expect_err(phrase);
        assert!(error.to_string().contains(phrase), "expected `{phrase}`, found `{error}`");
    }
    let nowhere = RunFolder::open(Path::new("/nowhere/at/all")).expect_err("there is none");
    assert!(matches!(nowhere, FolderError::NotARun { .. }));
}

#[test]
fn run_json_is_written_whole_or_not_at_all() {
    let temp = tempfile::tempdir().expect("a temporary folder");
    let folder = made(temp.path());
    let before = fs::read(folder.path().join("run.json")).expect("it was made");
    // A folder in the way of the new file stands for a disk that cannot take it.
    fs::create_dir(folder.path().join("run.json.new")).expect("there is room");
    let error = folder.write_info(&info(Vec::new())).expect_err("it cannot be written");
    assert!(error.to_string().contains("run.json"), "{error}");
    assert_eq!(fs::read(folder.path().join("run.json")).expect("it still stands"), before);
}

#[test]
fn a_trace_on_a_disk_comes_back_and_is_never_written_over() {
    let temp = tempfile::tempdir().expect("a temporary folder");
    let missing = read(temp.path()).expect_err("there is none");
    assert!(matches!(missing, TraceError::Missing { .. }));
    let entries = short_run();
    let mut writer = Writer::create(temp.path(), &layout()).expect("there is room");
    for (seq, entry) in entries.iter().enumerate() {
        write(&mut writer, seq as u64, entry).expect("it fits");
    }
    let again = Writer::create(temp.path(), &layout()).err().expect("it is there already");
    assert_eq!(again.kind(), io::ErrorKind::AlreadyExists);
    // The stop at the end of the short run closed every batch: all is there before the end.
    let early = read(temp.path()).expect("it can be read");
    assert_eq!((early.records.len() + early.inputs.len(), early.cut.len()), (entries.len(), 6));
    writer.finish().expect("there is room");
    let trace = read(temp.path()).expect("it can be read");
    assert_eq!(by_seq(&trace), by_seq(&record(&layout(), &entries).read()));
    assert_eq!(trace.cut, []);
}

#[test]
fn a_newer_schema_is_named() {
    let temp = tempfile::tempdir().expect("a temporary folder");
    Writer::create(temp.path(), &layout()).expect("there is room").finish().expect("there is room");
    let path = temp.path().join("trace/events.arrows");
    let bytes = fs::read(&path).expect("it was made");
    // A flatbuffer string is its length, its bytes and a zero.
    let version = b"\x01\0\0\x001\0";
    let place =
        bytes.windows(version.len()).position(|w| w == version).expect("the version is in the metadata");
    let mut newer = bytes.clone();
    newer[place + 4] = b'2';
    fs::write(&path, newer).expect("there is room");
    let error = read(temp.path()).expect_err("it is newer");
    assert!(error.to_string().contains("events.arrows has schema 2, expected 1 or older"), "{error}");
}

#[test]
fn a_folder_that_is_held_is_let_go_of_again() {
    let temp = tempfile::tempdir().expect("a temporary folder");
    let folder = made(temp.path());
    let held = Held::take(folder.path()).expect("nobody has it");
    assert!(matches!(Held::take(folder.path()), Err(FolderError::Held { .. })));
    drop(held);
    assert!(Held::take(folder.path()).is_ok());
    assert!(matches!(Held::take(&temp.path().join("none")), Err(FolderError::NotARun { .. })));
}
