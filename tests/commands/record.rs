//! A run folder that somebody has changed, or is writing: what is told of it, and what is not.

use super::{SHORT, bench, spinproof, text};
use std::path::{Path, PathBuf};

/// A rehearsal of three seconds in `dir`, of the demo unit with another serial if one is given.
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
    let copied =
        std::process::Command::new("cp").arg("-r").arg(other.join("trace")).arg(&mine).status().unwrap();
    assert!(copied.success());
    for command in ["report", "replay"] {
        let (code, told) = of(command, &mine);
        assert_eq!(code, Some(3), "{told}");
        assert!(told.contains("has the serial `0042`") && told.contains("from another run"), "{told}");
    }
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
