//! The ladder, the run index and the rehearsal before a run, as a person meets them.
#![allow(clippy::unwrap_used)]

#[path = "ladder/band.rs"]
mod band;
mod common;
#[path = "common/today.rs"]
mod today;

use assert_cmd::cargo::CommandCargoExt;
use spinproof::archive::{Index, NAME};
use spinproof::evidence::{Entry, Standing};
use spinproof::files::suite::Rung;
use spinproof::outcome::Cause;
use spinproof::record::Grade;
use spinproof::trace::RunKind;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Output, Stdio};
use std::sync::{Mutex, PoisonError};

/// One test at a time: runs in real time share two cores with nobody.
static BENCH: Mutex<()> = Mutex::new(());

/// A suite of three seconds.
const SHORT: &str = include_str!("../fixtures/nudge.toml");

fn command(dir: &Path, args: &[&str]) -> Command {
    let mut command = Command::cargo_bin("spinproof").unwrap();
    command.current_dir(dir).args(args).stdin(Stdio::null());
    command
}

fn spinproof(dir: &Path, args: &[&str]) -> Output {
    command(dir, args).output().unwrap()
}

fn text(output: &Output) -> String {
    format!("{}\n{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// A folder with the short suite in it.
fn desk() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("short.toml"), SHORT).unwrap();
    dir
}

fn all(dir: &Path) -> Vec<Entry> {
    Index::existing(&dir.join("runs")).unwrap().unwrap().all().unwrap()
}

#[test]
fn processes_that_write_at_once_are_all_remembered_and_the_index_made_again_is_the_same() {
    let _alone = BENCH.lock().unwrap_or_else(PoisonError::into_inner);
    let dir = desk();
    let runs: Vec<Child> = (1..=6)
        .map(|seed| {
            let mut rehearse = command(dir.path(), &["rehearse", "short.toml", "--seed", &seed.to_string()]);
            rehearse.stdout(Stdio::null()).spawn().unwrap()
        })
        .collect();
    for mut run in runs {
        assert_eq!(run.wait().unwrap().code(), Some(0));
    }
    // One that ends otherwise, and one whose report cannot say more than that it was cut.
    assert_eq!(
        spinproof(dir.path(), &["rehearse", "short.toml", "--fault", "pedal-off-rest"]).status.code(),
        Some(4)
    );
    let kept = all(dir.path());
    assert_eq!(kept.len(), 7);
    assert!(
        kept.iter().all(|e| e.standing.assembly == Some(1) && e.rung == Some(Rung::FirstSpin)),
        "{kept:?}"
    );
    let output = spinproof(dir.path(), &["runs", "--rebuild"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output));
    assert_eq!(all(dir.path()), kept);
    assert!(text(&spinproof(dir.path(), &["runs"])).matches("SIMULATED").count() == 7);
}

#[test]
fn a_damaged_index_is_said_and_loses_no_run() {
    let _alone = BENCH.lock().unwrap_or_else(PoisonError::into_inner);
    let dir = desk();
    assert_eq!(spinproof(dir.path(), &["rehearse", "short.toml"]).status.code(), Some(0));
    let before = all(dir.path());
    let path = dir.path().join("runs").join(NAME);
    std::fs::write(&path, vec![0x5A; 5000]).unwrap();
    let output = spinproof(dir.path(), &["rehearse", "short.toml", "--seed", "2"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output));
    assert!(text(&output).contains("is damaged") && text(&output).contains("--rebuild"), "{}", text(&output));
    assert_eq!(spinproof(dir.path(), &["ladder"]).status.code(), Some(3));
    assert_eq!(spinproof(dir.path(), &["runs", "--rebuild"]).status.code(), Some(0));
    let after = all(dir.path());
    assert_eq!(after.len(), 2);
    assert!(after.contains(&before[0]));
}

#[test]
fn the_ladder_of_the_twin_is_told_and_refused_only_if_asked() {
    let _alone = BENCH.lock().unwrap_or_else(PoisonError::into_inner);
    let dir = desk();
    let ladder = spinproof(dir.path(), &["ladder"]);
    assert_eq!(ladder.status.code(), Some(0), "{}", text(&ladder));
    assert!(text(&ladder).contains("next: commissioning: spinproof commission"), "{}", text(&ladder));
    let output = spinproof(dir.path(), &["run", "short.toml", "--enforce-ladder"]);
    assert_eq!(output.status.code(), Some(4), "{}", text(&output));
    assert!(
        text(&output).contains("the rung first spin is closed: commissioning has not passed"),
        "{}",
        text(&output)
    );
    let output = spinproof(dir.path(), &["run", "short.toml", "--out", "runs/told"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output));
    assert!(
        text(&output).contains("Closed: commissioning has not passed (told, not refused"),
        "{}",
        text(&output)
    );
    let ladder = text(&spinproof(dir.path(), &["ladder"]));
    assert!(ladder.contains("passed by told (short"), "{ladder}");
}

/// The folder of a failure is taken away and its name given to another run, in every way in which one comes by a name.
#[test]
fn a_failure_is_not_forgotten_by_using_the_name_of_its_folder_again() {
    let _alone = BENCH.lock().unwrap_or_else(PoisonError::into_inner);
    let dir = desk();
    let last = dir.path().join("runs/last");
    let made = |args: &[&str]| spinproof(dir.path(), &[args, &["--out", "runs/last"]].concat());
    // A failure as it stays in the index; how a run in real time ends is a matter of how busy the machine is.
    assert_eq!(made(&["rehearse", "short.toml"]).status.code(), Some(0));
    let of_a_run = all(dir.path()).pop().unwrap();
    std::fs::remove_dir_all(dir.path().join("runs")).unwrap();
    let failure = vec![Entry {
        began_utc: "2026-11-20T08:00:00.000000Z".into(),
        kind: RunKind::Twin,
        outcome: Some(Cause::CriterionFailed),
        ..of_a_run
    }];
    Index::open(&dir.path().join("runs")).unwrap().put(&failure[0], false).unwrap();
    let refused_run = ["run", "short.toml", "--enforce-ladder"];
    let by_fault = ["run", "short.toml", "--fault", "pedal-off-rest"];
    for args in [&refused_run[..2], &by_fault, &refused_run, &["rehearse", "short.toml"], &["commission"]] {
        let output = made(args);
        assert_eq!(output.status.code(), Some(4), "{args:?}: {}", text(&output));
        let told = text(&output);
        assert!(
            told.contains("knows last for another run") && told.contains("name another folder"),
            "{told}"
        );
        assert!(!last.exists(), "{args:?}: nothing was begun");
        assert_eq!(all(dir.path()), failure, "{args:?}");
    }
    let output = made(&["commission", "--rehearse"]);
    assert_eq!(output.status.code(), Some(4), "{}", text(&output));
    assert_eq!(all(dir.path()), failure);
    std::fs::remove_dir_all(&last).unwrap();
    // Somebody moves the folder of another run there and reports it, and makes the index again: with it, and with none.
    spinproof(dir.path(), &["run", "short.toml", "--out", "elsewhere/other"]);
    std::fs::rename(dir.path().join("elsewhere/other"), &last).unwrap();
    let output = spinproof(dir.path(), &["report", "runs/last"]);
    assert!(text(&output).contains("knows last for another run"), "{}", text(&output));
    assert_eq!(all(dir.path()), failure);
    assert!(text(&spinproof(dir.path(), &["runs"])).contains("last  not in the index"));
    let rebuild = || spinproof(dir.path(), &["runs", "--rebuild"]);
    let output = rebuild();
    assert_eq!(output.status.code(), Some(4), "{}", text(&output));
    assert!(text(&output).contains("give the folder another name"), "{}", text(&output));
    assert_eq!(all(dir.path()), failure);
    std::fs::remove_dir_all(&last).unwrap();
    let output = rebuild();
    assert_eq!(output.status.code(), Some(0), "{}", text(&output));
    assert!(text(&output).contains("kept, though its folder is gone: last  "), "{}", text(&output));
    assert_eq!(all(dir.path()), failure);
    let ladder = text(&spinproof(dir.path(), &["ladder"]));
    assert!(ladder.contains("first spin is closed by last ("), "{ladder}");
}

#[test]
fn a_rehearsal_that_does_not_pass_refuses_the_run() {
    let _alone = BENCH.lock().unwrap_or_else(PoisonError::into_inner);
    let dir = desk();
    let hard = SHORT.replace("at_most = \"60 rpm\"", "at_most = \"0.001 rpm\"");
    std::fs::write(dir.path().join("hard.toml"), hard).unwrap();
    let output = spinproof(dir.path(), &["run", "hard.toml", "--rehearse-first"]);
    assert_eq!(output.status.code(), Some(4), "{}", text(&output));
    assert!(
        text(&output).contains("did not pass: failed (1 criterion not met (nudge: tracking_rms of speed))"),
        "{}",
        text(&output)
    );
    assert!(!dir.path().join("runs/told").exists());
    assert_eq!(spinproof(dir.path(), &["run", "short.toml", "--no-rehearsal", " "]).status.code(), Some(2));
}

/// The twin as a stranger behind a pseudo-terminal: for `run` it is as good as real.
struct Stranger(Child, PathBuf, #[allow(dead_code)] BufReader<ChildStdout>);

impl Stranger {
    fn start(dir: &Path) -> Stranger {
        let mut child =
            command(dir, &["twin", "--truth", "truth.csv"]).stdout(Stdio::piped()).spawn().unwrap();
        let mut line = String::new();
        let mut said = BufReader::new(child.stdout.take().unwrap());
        said.read_line(&mut line).unwrap();
        // Kept open: it has more to say.
        Stranger(child, PathBuf::from(line.trim().strip_prefix("ready ").unwrap()), said)
    }
}

impl Stranger {
    /// As Ctrl-C does, so that its log is whole.
    fn end(&mut self) {
        let pid = rustix::process::Pid::from_child(&self.0);
        rustix::process::kill_process(pid, rustix::process::Signal::INT).unwrap();
        self.0.wait().unwrap();
    }
}

impl Drop for Stranger {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Yes to every question of the demo rig, today.
fn answers() -> String {
    let ids = ["guards", "mount", "bond", "coolant", "stop"];
    let answers: String = ids.iter().map(|id| format!("{id} = \"yes\"\n")).collect();
    let head =
        "schema = 1\nunit_serial = \"HC7-0042\"\nbuild = \"1.4.0\"\nassembly = 1\nanswered_by = \"a test\"\n";
    format!("{head}expires = \"{}\"\n[answer]\n{answers}", today::expires())
}

fn sha256(text: &str) -> String {
    use sha2::{Digest, Sha256};
    Sha256::digest(text.as_bytes()).iter().map(|b| format!("{b:02x}")).collect()
}

#[test]
fn a_rung_of_a_stranger_opens_only_with_the_settings_that_the_rung_below_had() {
    let _alone = BENCH.lock().unwrap_or_else(PoisonError::into_inner);
    let dir = desk();
    let mut stranger = Stranger::start(dir.path());
    let rig = common::RIG.replace("port = \"twin\"", &format!("port = \"{}\"", stranger.1.display()));
    std::fs::write(dir.path().join("rig.toml"), &rig).unwrap();
    std::fs::write(dir.path().join("unit.toml"), common::UNIT).unwrap();
    std::fs::write(dir.path().join("answers.toml"), answers()).unwrap();
    let run = |out: &str, more: &[&str]| {
        let out = format!("runs/{out}");
        let mut args = vec!["run", "short.toml", "--rig", "rig.toml", "--unit", "unit.toml"];
        args.extend(["--build", "1.4.0", "--answers", "answers.toml", "--out", &out]);
        args.extend(more);
        spinproof(dir.path(), &args)
    };
    // Nothing below has passed.
    let output = run("closed", &[]);
    assert_eq!(output.status.code(), Some(4), "{}", text(&output));
    assert!(
        text(&output).contains("spinproof commission --rig rig.toml --unit unit.toml"),
        "{}",
        text(&output)
    );
    assert!(!dir.path().join("runs/closed").exists(), "no folder for what was not begun");

    // Left aside with a reason: it runs, after a rehearsal, and opens nothing. How such a run ends is no matter here: on a
    // busy machine a reply may be late, and a trip or a pre-check then ends it as it should.
    let begun = |output: &Output| {
        let text = text(output);
        assert!(text.contains("test 1 of 1") && !text.contains(" is closed: "), "{text}");
    };
    let output = run("aside", &["--off-ladder", "a test"]);
    begun(&output);
    assert!(text(&output).contains("Ladder left aside: a test"), "{}", text(&output));
    assert!(text(&output).contains("Rehearsal before: passed"), "{}", text(&output));
    let aside = all(dir.path()).pop().unwrap();
    assert!(aside.off_ladder && aside.standing.settings.is_some() && aside.standing.build.is_some());

    // A commissioning that passed with other settings: only the controller can say so, so it is asked, and then refused.
    let passed = |settings: Option<String>, folder: &str| Entry {
        folder: folder.into(),
        began_utc: "2000-01-01T08:00:00.000000Z".into(),
        suite: "commissioning".into(),
        rung: Some(Rung::Commissioning),
        kind: RunKind::Pty,
        outcome: Some(Cause::Passed),
        off_ladder: false,
        controller_us: Some(1_500),
        grades: vec![("settings".into(), Grade::Measured), ("build".into(), Grade::Measured)],
        suite_sha256: "0".into(),
        standing: Standing {
            settings,
            unit_sha256: sha256(common::UNIT),
            rig_sha256: sha256(&rig),
            ..aside.standing.clone()
        },
    };
    let index = Index::open(&dir.path().join("runs")).unwrap();
    index.put(&passed(Some("f".repeat(64)), "commissioned"), false).unwrap();
    let output = run("other", &["--no-rehearsal", "it was rehearsed a moment ago"]);
    assert_eq!(output.status.code(), Some(4), "{}", text(&output));
    assert!(text(&output).contains("other settings (SHA-256 ffffffff…, now "), "{}", text(&output));
    assert!(
        text(&output).contains("No rehearsal before: it was rehearsed a moment ago"),
        "{}",
        text(&output)
    );
    let replayed = spinproof(dir.path(), &["replay", "runs/other"]);
    assert!(text(&replayed).contains("identical"), "{}", text(&replayed));

    // With these settings it is open, and the report says what opened it.
    index.put(&passed(aside.standing.settings.clone(), "commissioned"), false).unwrap();
    let output = run("open", &[]);
    begun(&output);
    assert!(text(&output).contains("Opened by: commissioning passed in commissioned"), "{}", text(&output));
    let html = std::fs::read_to_string(dir.path().join("runs/open/report.html")).unwrap();
    assert!(html.contains("commissioning passed in commissioned"));
    assert!(dir.path().join("runs/open/files/band.json").is_file(), "the band is kept with the run");

    // A clock set back would put a failure before an older pass.
    let later = Entry { began_utc: "2999-01-01T08:00:00.000000Z".into(), ..passed(None, "later") };
    index.put(&later, false).unwrap();
    let output = run("early", &[]);
    assert_eq!(output.status.code(), Some(4), "{}", text(&output));
    assert!(text(&output).contains("later of this unit began at 2999-01-01"), "{}", text(&output));
    // It was this clock that was ahead then: nothing is left of that run, and somebody says its name.
    let rebuild = |name: &str| spinproof(dir.path(), &["runs", "--rebuild", "--drop", name]);
    assert_eq!(rebuild("commissioned").status.code(), Some(4), "it is not dated ahead");
    let output = rebuild("later");
    assert_eq!(output.status.code(), Some(0), "{}", text(&output));
    for told in
        ["dropped, since its date lies ahead and its folder is gone: later", "folder is gone: commissioned"]
    {
        assert!(text(&output).contains(told), "{}", text(&output));
    }

    // A folder that the index does not know may have closed it.
    std::fs::create_dir(dir.path().join("runs/unknown")).unwrap();
    std::fs::write(dir.path().join("runs/unknown/run.json"), "{}").unwrap();
    let output = run("next", &[]);
    assert_eq!(output.status.code(), Some(4), "{}", text(&output));
    assert!(text(&output).contains("does not know unknown"), "{}", text(&output));

    // The judge of the refused run is the stranger's own log, whole once it has ended: no gate switched.
    stranger.end();
    let info = std::fs::read_to_string(dir.path().join("runs/other/run.json")).unwrap();
    let info: serde_json::Value = serde_json::from_str(&info).unwrap();
    let began = info["began_monotonic"].as_i64().unwrap();
    let ended = began + info["ended"][1].as_i64().unwrap();
    let log = std::fs::read_to_string(dir.path().join("truth.csv")).unwrap();
    let rows = log.lines().skip(1).map(|line| {
        let fields: Vec<&str> = line.split(',').collect();
        (fields[0].parse::<i64>().unwrap(), fields[4] == "1")
    });
    let rows: Vec<(i64, bool)> = rows.collect();
    let during = rows.iter().filter(|(t, _)| *t >= began && *t <= ended);
    assert!(
        rows.last().unwrap().0 > ended && during.clone().count() > 0,
        "the log holds the run: {began} to {ended}"
    );
    assert!(during.clone().all(|(_, gates)| !gates));
}

/// Does something once a run has begun to rehearse, which is after it has read the ladder and looked at its ports; how it ended.
fn run_while(dir: &Path, args: &[&str], change: impl FnOnce()) -> (Option<i32>, String) {
    let mut child = command(dir, args).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    let mut told = BufReader::new(child.stderr.take().unwrap());
    let mut said = String::new();
    while !said.contains("rehearsing with the middle") {
        assert!(told.read_line(&mut said).unwrap() > 0, "{said}");
    }
    change();
    while told.read_line(&mut said).unwrap() > 0 {}
    (child.wait().unwrap().code(), said)
}

/// Nothing is behind these ports: who opens one hears nobody, exit code 3.
#[test]
fn what_changes_while_a_run_is_rehearsed_is_looked_at_again_before_its_ports_open() {
    let _alone = BENCH.lock().unwrap_or_else(PoisonError::into_inner);
    let dir = desk();
    let ptys = [(); 2].map(|()| spinproof::shell::pty::Pty::open(None).unwrap());
    let name = dir.path().join("by-id");
    std::os::unix::fs::symlink(ptys[0].path(), &name).unwrap();
    let rig = common::RIG.replace("port = \"twin\"", &format!("port = \"{}\"", name.display()));
    std::fs::write(dir.path().join("rig.toml"), &rig).unwrap();
    std::fs::write(dir.path().join("unit.toml"), common::UNIT).unwrap();
    std::fs::write(dir.path().join("answers.toml"), answers()).unwrap();
    let index = Index::open(&dir.path().join("runs")).unwrap();
    let put = |folder: &str, day: u32, outcome| {
        let entry = Entry {
            folder: folder.into(),
            began_utc: format!("2000-01-{day:02}T08:00:00.000000Z"),
            kind: RunKind::Pty,
            suite: "commissioning".into(),
            suite_sha256: "0".into(),
            rung: Some(Rung::Commissioning),
            standing: Standing {
                serial: "HC7-0042".into(),
                assembly: Some(1),
                unit_sha256: sha256(common::UNIT),
                rig_sha256: sha256(&rig),
                build: Some("1.4.0".into()),
                settings: None,
            },
            outcome: Some(outcome),
            grades: Vec::new(),
            off_ladder: false,
            controller_us: Some(1_500),
        };
        index.put(&entry, false).unwrap();
    };
    put("passed", 1, Cause::Passed);
    let files = ["--rig", "rig.toml", "--unit", "unit.toml", "--build", "1.4.0", "--answers", "answers.toml"];
    let args = [&["run", "short.toml", "--out", "runs/made"], &files[..]].concat();
    let (code, said) = run_while(dir.path(), &args, || put("tripped", 2, Cause::Tripped));
    assert_eq!(code, Some(4), "{said}");
    assert!(said.contains("commissioning is closed by tripped"), "{said}");
    put("passed again", 3, Cause::Passed);
    let (code, said) = run_while(dir.path(), &args, || {
        std::fs::remove_file(&name).unwrap();
        std::os::unix::fs::symlink(ptys[1].path(), &name).unwrap();
    });
    assert_eq!(code, Some(4), "{said}");
    assert!(said.contains(&format!("leads to {} now", ptys[1].path().display())), "{said}");
    assert!(!dir.path().join("runs/made").exists(), "nothing was begun");
    for pty in &ptys {
        assert_eq!(rustix::io::read(pty.master(), &mut [0; 64]), Err(rustix::io::Errno::AGAIN), "no byte");
    }
}

/// A criterion that was not met in a test that ran to its end is not undone by a stop, a refusal or a lost link after it.
#[test]
fn a_failure_before_a_stop_closes_the_rung_and_the_stop_stays_what_it_is() {
    use spinproof::outcome::LadderEffect;
    use spinproof::record::{Record, What};
    use spinproof::results::evaluate;
    for (limit, closes) in [("6 rpm", false), ("0.001 rpm", true)] {
        let suite = band::crawl().replace("at_most = \"6 rpm\"", &format!("at_most = \"{limit}\""));
        let made = common::run(&suite, None, 1, &[]);
        for cause in [Cause::Stopped, Cause::Refused, Cause::NotMade] {
            let mut records = made.records.clone();
            for record in &mut records {
                if let Record::Event(event) = record
                    && let What::Finished { cause: ended, why } = &mut event.what
                {
                    (*ended, *why) = (cause, "Ctrl-C".into());
                }
            }
            let results = evaluate(&made.loaded.plan, &records);
            assert_eq!(results.cause, cause, "the exit code stays that of what ended it");
            let effect = results.outcome().map(|known| known.row().ladder);
            let expected = if closes { LadderEffect::Closes } else { LadderEffect::Keeps };
            assert_eq!(effect, Some(expected), "{limit}, {cause:?}");
            assert_eq!(results.why.contains("1 criterion not met (crawl: "), closes, "{}", results.why);
            assert!(results.why.starts_with("Ctrl-C"), "{}", results.why);
        }
    }
}

/// A suite that names a rung and asks nothing of a test that drives would pass whatever the unit does.
#[test]
fn a_suite_that_asks_nothing_of_what_it_drives_opens_nothing_and_says_so() {
    let _alone = BENCH.lock().unwrap_or_else(PoisonError::into_inner);
    let dir = desk();
    let asks = SHORT.find("[[test.criterion]]").unwrap();
    std::fs::write(dir.path().join("nothing.toml"), &SHORT[..asks]).unwrap();
    let told = "it does not show anything of test `nudge`, which drives and has no criterion";
    for (file, opens) in [("short.toml", true), ("nothing.toml", false)] {
        let checked = spinproof(dir.path(), &["check", file]);
        assert_eq!(checked.status.code(), Some(0), "{}", text(&checked));
        assert_eq!(text(&checked).contains(told), !opens, "{}", text(&checked));
        let made = spinproof(dir.path(), &["rehearse", file]);
        assert_eq!(made.status.code(), Some(0), "{}", text(&made));
        let entry = all(dir.path()).pop().unwrap();
        assert_eq!(entry.off_ladder, !opens, "{entry:?}");
    }
    // Rungs without a criterion of which something else is the judge, and suites without a rung, as before.
    let lacks =
        |suite: &str| spinproof::evidence::lacks(&common::load(common::RIG, common::UNIT, suite, None).plan);
    let nothing = &SHORT[..asks];
    let silent = nothing.replace("{ ramp = \"0 rpm\", rate = \"60 rpm/s\" }", "{ silence = \"160 ms\" }");
    assert_ne!(silent, nothing);
    for suite in [nothing.replace("rung = \"first spin\"\n", ""), silent] {
        assert_eq!(lacks(&suite), [""; 0], "{suite}");
    }
    assert_eq!(lacks(nothing).len(), 1);
}
