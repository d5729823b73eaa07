//! A run folder that somebody has changed, or is writing: what is told of it, and what is not.

use super::{SHORT, bench, command, json, spinproof, text, xml_is_valid};
use spinproof::record::{Record, What};
use std::path::{Path, PathBuf};
use std::process::Command;

/// The folder of a rehearsal of three seconds, `name` in `temp`, of the demo unit with another serial if one is given.
fn rehearsed(temp: &Path, name: &str, serial: Option<&str>) -> PathBuf {
    let suite = temp.join("suite.toml");
    std::fs::write(&suite, SHORT).unwrap();
    let demo = |of: &str| {
        std::fs::read_to_string(format!("{}/fixtures/demo/{of}.toml", env!("CARGO_MANIFEST_DIR"))).unwrap()
    };
    let unit = demo("unit");
    let known = unit.lines().find_map(|l| l.strip_prefix("serial = ")).unwrap().to_string();
    let unit = serial.map_or(unit.clone(), |s| unit.replace(&known, &format!("\"{s}\"")));
    let (rig_file, unit_file, dir) =
        (temp.join("rig.toml"), temp.join(format!("{name}-unit.toml")), temp.join(name));
    std::fs::write(&rig_file, demo("rig")).unwrap();
    std::fs::write(&unit_file, unit).unwrap();
    let path = |p: &Path| p.to_str().unwrap().to_string();
    let (suite, rig, unit, out) = (path(&suite), path(&rig_file), path(&unit_file), path(&dir));
    let made = spinproof(&["rehearse", &suite, "--rig", &rig, "--unit", &unit, "--out", &out]);
    assert_eq!(made.status.code(), Some(0), "{}", text(&made));
    dir
}

fn of(command: &str, dir: &Path) -> (Option<i32>, String) {
    let output = spinproof(&[command, dir.to_str().unwrap()]);
    (output.status.code(), text(&output))
}

#[test]
fn the_trace_of_another_unit_is_not_that_of_this_one() {
    let _alone = bench();
    let temp = tempfile::tempdir().unwrap();
    let (mine, other) = (rehearsed(temp.path(), "mine", None), rehearsed(temp.path(), "other", Some("0042")));
    std::fs::remove_dir_all(mine.join("trace")).unwrap();
    let copied = Command::new("cp").arg("-r").arg(other.join("trace")).arg(&mine).status().unwrap();
    assert!(copied.success());
    for command in ["report", "replay"] {
        let (code, told) = of(command, &mine);
        assert_eq!(code, Some(3), "{told}");
        assert!(told.contains("has the serial `0042`") && told.contains("from another run"), "{told}");
    }
}

/// Rehearses the same files again, with something else that is drawn or wrong; how it ended.
fn again(temp: &Path, name: &str, more: &[&str]) -> (PathBuf, Option<i32>) {
    let dir = temp.join(name);
    let path = |p: &Path| p.to_str().unwrap().to_string();
    let (suite, rig, unit) = ("suite.toml", "rig.toml", "mine-unit.toml");
    let [suite, rig, unit] = [suite, rig, unit].map(|name| path(&temp.join(name)));
    let made = ["rehearse", &suite, "--rig", &rig, "--unit", &unit, "--out", &path(&dir)];
    let code = spinproof(&[&made, more].concat()).status.code();
    (dir, code)
}

fn put_trace(from: &Path, to: &Path) {
    std::fs::remove_dir_all(to.join("trace")).unwrap();
    assert!(Command::new("cp").arg("-r").arg(from.join("trace")).arg(to).status().unwrap().success());
}

/// Files, columns, numbers, serial and build are the same in both: what tells is the end, and the mark of each stream.
#[test]
fn the_trace_of_another_run_of_the_same_suite_is_not_that_of_this_one() {
    let _alone = bench();
    let temp = tempfile::tempdir().unwrap();
    let passed = rehearsed(temp.path(), "mine", None);
    let (refused, code) = again(temp.path(), "refused", &["--fault", "pedal-off-rest"]);
    assert_eq!(code, Some(4));
    let own = temp.path().join("own");
    assert!(Command::new("cp").arg("-r").arg(&refused).arg(&own).status().unwrap().success());
    put_trace(&passed, &refused);
    for command in ["report", "replay"] {
        let (code, told) = of(command, &refused);
        assert_eq!(code, Some(3), "{told}");
        assert!(
            told.contains("run.json says that the run ended after") && told.contains("(refused)"),
            "{told}"
        );
    }
    let index = spinproof::archive::Index::existing(temp.path()).unwrap().unwrap().all().unwrap();
    let outcomes: Vec<_> = index.iter().map(|entry| entry.outcome).collect();
    assert_eq!(outcomes.iter().flatten().filter(|o| **o == spinproof::outcome::Cause::Passed).count(), 1);

    // A folder from before the end stood in run.json: the run was over by then, and the trace goes on.
    let without = |dir: &Path| {
        let mut info = json(&dir.join("run.json"));
        assert!(info.as_object_mut().unwrap().remove("finished").is_some());
        std::fs::write(dir.join("run.json"), info.to_string()).unwrap();
    };
    without(&refused);
    let (code, told) = of("report", &refused);
    assert!(code == Some(3) && told.contains("run.json says that the run was over after"), "{told}");
    without(&own);
    assert_eq!(of("report", &own).0, Some(4), "and by itself it is what it was");
    // Nor did the streams bear a mark then.
    let unmarked = |dir: &Path| {
        let trace = spinproof::trace::read(dir).unwrap();
        std::fs::remove_dir_all(dir.join("trace")).unwrap();
        let layout = spinproof::record::Layout { run: None, ..trace.layout };
        let mut writer = spinproof::trace::Writer::hurried(dir, &layout).unwrap();
        trace.inputs.iter().for_each(|input| writer.input(input).unwrap());
        trace.records.iter().for_each(|(seq, record)| writer.record(*seq, record).unwrap());
        writer.finish().unwrap();
    };
    unmarked(&own);
    assert_eq!(of("report", &own).0, Some(4));

    // Two runs that passed: whatever is the same in both, the mark is not.
    let (other, code) = again(temp.path(), "other", &["--seed", "2"]);
    assert_eq!(code, Some(0));
    let finished = json(&passed.join("run.json"))["finished"].clone();
    put_trace(&passed, &other);
    change_info(&other, "finished", finished);
    let (code, told) = of("report", &other);
    assert!(code == Some(3) && told.contains("bears the mark of another run"), "{told}");
    unmarked(&other);
    let (code, told) = of("report", &other);
    assert!(code == Some(3) && told.contains("bears no mark of a run"), "{told}");
    // One stream of two: what the others agree on is not its own.
    let (third, _) = again(temp.path(), "third", &["--seed", "3"]);
    std::fs::copy(passed.join("trace/demands.arrows"), third.join("trace/demands.arrows")).unwrap();
    let (code, told) = of("report", &third);
    assert_eq!(code, Some(3), "{told}");
}

#[test]
fn a_stream_of_another_run_is_seen() {
    let _alone = bench();
    let temp = tempfile::tempdir().unwrap();
    let mine = rehearsed(temp.path(), "mine", None);
    let file = |name: &str| mine.join("trace").join(name);
    // Of the same rig, and all its numbers stand once in the run already.
    let stream = std::fs::read(file("poll-drive.arrows")).unwrap();
    let whole = std::fs::read(file("inputs.arrows")).unwrap();
    std::fs::write(file("inputs.arrows"), &stream).unwrap();
    let (code, told) = of("report", &mine);
    assert_ne!(code, Some(0), "{told}");
    std::fs::write(file("inputs.arrows"), &whole).unwrap();
    assert_eq!(of("report", &mine).0, Some(0));

    // A poll stream cut off: what is left is the same, and not all is there.
    std::fs::write(file("poll-drive.arrows"), &stream[..stream.len() / 2]).unwrap();
    let (code, told) = of("replay", &mine);
    assert_eq!(code, Some(0), "{told}");
    assert!(told.contains("records that come of them are not in the trace"), "{told}");
}

/// A rehearsal of the same files with other noise has the same columns and the same inputs at first; its samples are others.
#[test]
fn a_replay_holds_every_record_against_the_trace() {
    let _alone = bench();
    let temp = tempfile::tempdir().unwrap();
    let mine = rehearsed(temp.path(), "mine", None);
    let (code, told) = of("replay", &mine);
    assert!(code == Some(0) && told.contains("every output as recorded\n"), "{told}");
    let suite = temp.path().join("suite.toml");
    let other = temp.path().join("other");
    let arguments = ["rehearse", suite.to_str().unwrap(), "--out", other.to_str().unwrap(), "--seed", "77"];
    assert_eq!(spinproof(&arguments).status.code(), Some(0));
    let name = "trace/poll-drive.arrows";
    std::fs::copy(other.join(name), mine.join(name)).unwrap();
    let (code, told) = of("replay", &mine);
    // Either its numbers collide with those of another stream, or a record differs: never *as recorded*.
    assert!(matches!(code, Some(1 | 3)), "{told}");
    assert!(!told.contains("every output as recorded\n"), "{told}");
}

#[test]
fn a_run_that_is_being_written_is_not_reported() {
    let _alone = bench();
    let temp = tempfile::tempdir().unwrap();
    let mine = rehearsed(temp.path(), "mine", None);
    let held = std::fs::File::open(&mine).unwrap();
    held.try_lock().unwrap();
    let (code, told) = of("report", &mine);
    assert_eq!(code, Some(3), "{told}");
    assert!(told.contains("wait until that has ended"), "{told}");
    drop(held);
    assert_eq!(of("report", &mine).0, Some(0));
}

/// What the runner noted of an unconfirmed stop outweighs a trace that looks passed.
#[test]
fn an_unconfirmed_stop_is_reported_as_such_whatever_the_trace_says() {
    let _alone = bench();
    let temp = tempfile::tempdir().unwrap();
    let dir = rehearsed(temp.path(), "run", None);
    let path = dir.to_str().unwrap();
    let info = std::fs::read_to_string(dir.join("run.json")).unwrap();
    let noted = info.replacen('{', "{\n  \"unconfirmed\": \"the last-resort stop fired\",", 1);
    std::fs::write(dir.join("run.json"), noted).unwrap();
    let output = spinproof(&["report", path]);
    assert_eq!(output.status.code(), Some(7), "{}", text(&output));
    assert!(text(&output).contains("NOT CONFIRMED"), "{}", text(&output));
    assert!(std::fs::read_to_string(dir.join("junit.xml")).unwrap().contains("<error"));
    xml_is_valid(&dir);
}

/// A trace cut short: what is whole is read, the run is reported as cut, nothing is passed.
#[test]
fn a_truncated_trace_is_reported_as_cut() {
    let _alone = bench();
    let temp = tempfile::tempdir().unwrap();
    let dir = rehearsed(temp.path(), "run", None);
    let path = dir.to_str().unwrap();
    for entry in std::fs::read_dir(dir.join("trace")).unwrap() {
        let stream = entry.unwrap().path();
        let bytes = std::fs::read(&stream).unwrap();
        std::fs::write(&stream, &bytes[..bytes.len() * 2 / 3]).unwrap();
    }
    let output = spinproof(&["report", path]);
    assert_eq!(output.status.code(), Some(7), "nobody knows how it was left: {}", text(&output));
    assert!(text(&output).contains("breaks off within a batch"), "{}", text(&output));
    xml_is_valid(&dir);
    let replay = spinproof(&["replay", path]);
    assert_eq!(replay.status.code(), Some(0), "{}", text(&replay));
    assert!(text(&replay).contains("identical"), "what is left is replayed: {}", text(&replay));
    assert!(text(&replay).contains("breaks off within a batch"), "and said to be cut: {}", text(&replay));
}

/// Writes the trace of a run folder again without what `lost` names, as a recorder that had no room for it would have.
fn record_without(dir: &Path, lost: impl Fn(&Record) -> bool) {
    let trace = spinproof::trace::read(dir).unwrap();
    std::fs::remove_dir_all(dir.join("trace")).unwrap();
    // Its layout bears the mark of its run.
    let mut writer = spinproof::trace::Writer::hurried(dir, &trace.layout).unwrap();
    trace.inputs.iter().for_each(|input| writer.input(input).unwrap());
    let kept = trace.records.iter().filter(|(_, record)| !lost(record));
    kept.for_each(|(seq, record)| writer.record(*seq, record).unwrap());
    writer.finish().unwrap();
}

/// Puts one member of run.json in the place of another.
fn change_info(dir: &Path, key: &str, value: serde_json::Value) {
    let mut info = json(&dir.join("run.json"));
    info[key] = value;
    std::fs::write(dir.join("run.json"), info.to_string()).unwrap();
}

/// A change of a run folder: what it is, a word of what is told of it, and the change itself.
type Damage = (&'static str, &'static str, fn(&Path));

fn damages() -> [Damage; 6] {
    [
        ("one bit", "is damaged", |dir| {
            let streams = std::fs::read_dir(dir.join("trace")).unwrap().map(|e| e.unwrap().path());
            let of_a_poll = |p: &PathBuf| p.file_name().unwrap().to_string_lossy().starts_with("poll-");
            let stream = streams.filter(of_a_poll).max_by_key(|p| p.metadata().unwrap().len()).unwrap();
            let mut bytes = std::fs::read(&stream).unwrap();
            let middle = bytes.len() / 2;
            bytes[middle] ^= 1;
            std::fs::write(&stream, bytes).unwrap();
        }),
        ("one row of a poll", "is in no stream", |dir| {
            let seen = std::cell::Cell::new(0);
            record_without(dir, |record| poll(record) && seen.replace(seen.get() + 1) == 2);
        }),
        ("the polls of half a second", "are in no stream", |dir| record_without(dir, poll)),
        ("the begin of the test", "is in no stream", |dir| record_without(dir, began)),
        ("nobody closed it", "without closing the trace", |dir| {
            change_info(dir, "ended", serde_json::Value::Null)
        }),
        ("a recorder that failed", "no space left on device", |dir| {
            change_info(dir, "ended", serde_json::Value::Null);
            change_info(dir, "unrecorded", "no space left on device".into());
        }),
    ]
}

/// A poll of the first half second.
fn poll(record: &Record) -> bool {
    matches!(record, Record::Row(row) if row.t_request.secs_f64() < 0.5)
}

fn began(record: &Record) -> bool {
    matches!(record, Record::Event(e) if matches!(e.what, What::TestBegan { .. }))
}

/// What is missing may have been the worst of the run: whatever else the record says, nothing has passed, for the report, for
/// the index, and for the index made again. In each of these the engine's last word is there, and it is that all went well.
#[test]
fn a_record_that_is_not_whole_is_never_passed() {
    let _alone = bench();
    let temp = tempfile::tempdir().unwrap();
    for (name, words, change) in damages() {
        let home = temp.path().join(name);
        std::fs::create_dir(&home).unwrap();
        let dir = rehearsed(&home, "run", None);
        let path = dir.to_str().unwrap();
        change(&dir);
        let output = spinproof(&["report", path]);
        let said = text(&output).split_whitespace().collect::<Vec<_>>().join(" ");
        assert_eq!(output.status.code(), Some(7), "{name}: {said}");
        assert!(said.contains(words) && said.contains("SAFE STATE NOT CONFIRMED"), "{name}: {said}");
        let xml = std::fs::read_to_string(dir.join("junit.xml")).unwrap();
        assert!(xml.contains("<error") && xml.contains("the record is not whole"), "{name}: {xml}");
        xml_is_valid(&dir);
        let index = || spinproof::archive::Index::existing(&home).unwrap().unwrap().all().unwrap();
        let known = index();
        assert_eq!((known.len(), known[0].outcome), (1, None), "{name}: its rung is closed");
        let rebuilt = spinproof(&["runs", home.to_str().unwrap(), "--rebuild"]);
        assert_eq!(rebuilt.status.code(), Some(0), "{}", text(&rebuilt));
        assert_eq!(index(), known, "{name}");
    }
}

/// Nothing of the last report is lost to a disk that has no room for the next.
#[test]
fn a_report_that_does_not_fit_leaves_the_last_one_whole() {
    let _alone = bench();
    let temp = tempfile::tempdir().unwrap();
    let dir = rehearsed(temp.path(), "run", None);
    let documents =
        || ["junit.xml", "report.html", "report.json"].map(|name| std::fs::read(dir.join(name)).unwrap());
    let before = documents();
    // No file grows beyond 64 kB: room for the index and for two of the documents.
    assert!(before[1].len() > 65_536 && before[0].len() < 65_536, "{}", before[1].len());
    let program = command(&[]).get_program().to_owned();
    let output = Command::new("sh")
        .args(["-c", "trap '' XFSZ; ulimit -f 128; exec \"$0\" report \"$1\""])
        .args([program.as_os_str(), dir.as_os_str()])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3), "{}", text(&output));
    assert!(text(&output).contains("report.html cannot be written"), "{}", text(&output));
    assert!(documents() == before, "they are as they were");
    let left = std::fs::read_dir(&dir)
        .unwrap()
        .filter(|e| e.as_ref().unwrap().path().extension().is_some_and(|e| e == "new"));
    assert_eq!(left.count(), 0, "nothing is left beside them");
}
