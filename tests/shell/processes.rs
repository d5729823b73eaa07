//! Signals, SIGKILL and the twin's life, with processes of their own: this test program, started
//! again to play the part of a runner or of a twin.

use crate::support::*;
use spinproof::engine::{Input, StopReason};
use spinproof::outcome::Cause;
use spinproof::shell::child::{self, ChildError, TwinChild};
use spinproof::shell::clock::Clock;
use spinproof::shell::port::Port;
use spinproof::shell::pty::Pty;
use spinproof::shell::run::{Setup, run};
use spinproof::shell::serve::{Device, Service, TruthLine, truth_header};
use spinproof::time::{Duration, Instant};
use std::ffi::OsString;
use std::io::Write;
use std::os::fd::AsFd;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// The folder in which the parts of a test meet; it also tells a helper that it was meant.
const FOLDER: &str = "SPINPROOF_TEST_FOLDER";
/// How a part behaves.
const MANNER: &str = "SPINPROOF_TEST_MANNER";

fn folder() -> PathBuf {
    PathBuf::from(std::env::var_os(FOLDER).expect("started by its test, which sets the folder"))
}

fn helper_args(name: &str) -> Vec<OsString> {
    ["--exact", name, "--ignored", "--nocapture"].map(OsString::from).to_vec()
}

fn me() -> PathBuf {
    std::env::current_exe().expect("a path")
}

/// Waits for something that must come; half a minute is an upper bound for a test that fails.
fn wait_for<T>(what: &str, mut come: impl FnMut() -> Option<T>) -> T {
    let end = std::time::Instant::now() + std::time::Duration::from_secs(30);
    loop {
        if let Some(value) = come() {
            return value;
        }
        assert!(std::time::Instant::now() < end, "{what} did not come within half a minute");
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
}

fn read(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap_or_default()
}

/// A controller in miniature: "on" drives, "off" does not, and 100 ms without a word end the
/// driving; then it turns for another 300 ms.
#[derive(Default)]
struct Mini {
    now: Instant,
    driven: bool,
    heard: Instant,
    undriven: Instant,
    /// What has come of a line: bytes come as they pass on the wire, a line in any number of pieces.
    line: Vec<u8>,
    truth: Vec<TruthLine>,
}

impl Mini {
    fn set(&mut self, driven: bool, why: &str) {
        if self.driven != driven {
            self.driven = driven;
            self.undriven = self.now;
            let csv = format!("{},{why}", u8::from(driven));
            self.truth.push(TruthLine { at: self.now, csv: csv.into_bytes(), happened: true });
        }
    }
}

impl Device for Mini {
    fn receive(&mut self, now: Instant, bytes: &[u8]) {
        self.advance(now);
        self.heard = now;
        for byte in bytes {
            if *byte != b'\n' {
                self.line.push(*byte);
                continue;
            }
            match std::mem::take(&mut self.line).as_slice() {
                b"on" => self.set(true, "on"),
                b"CONT:WORD 0" => self.set(false, "off"),
                _ => {}
            }
        }
    }
    fn advance(&mut self, now: Instant) {
        self.now = now;
        if now - self.heard > Duration::from_millis(100) {
            self.set(false, "command timeout");
        }
    }
    fn transmit(&mut self) -> Option<Vec<u8>> {
        None
    }
    fn drain_truth(&mut self) -> Vec<TruthLine> {
        std::mem::take(&mut self.truth)
    }
    fn is_at_rest(&self) -> bool {
        !self.driven && self.now - self.undriven > Duration::from_millis(300)
    }
}

/// The twin's part.
#[test]
#[ignore = "a helper: started as a process of its own by the tests of this file"]
fn helper_twin() {
    let folder = folder();
    child::own_session().expect("a session of its own");
    if std::env::var(MANNER).as_deref() == Ok("dies") {
        eprintln!("the twin has no demo rig");
        std::process::exit(3);
    }
    let pty = Pty::open(None).expect("a pty");
    let mut truth = std::fs::File::create(folder.join("truth.csv")).expect("a log");
    truth.write_all(truth_header("driven,why").as_bytes()).expect("written");
    // The harness of the tests writes to the same line; a line of its own begins with a newline.
    println!("\n{}{}", child::READY, pty.shown_path().display());
    let (plan, stop) = (plan(460_800), AtomicBool::new(false));
    let stdin = std::io::stdin();
    let mut service = Service::new(&pty, &plan.links[0], Clock::start(), &stop);
    service.runner = Some(stdin.as_fd());
    service.serve(&mut Mini::default(), &mut truth).expect("it serves");
    std::fs::write(folder.join("twin-ended"), "").expect("written");
}

/// The runner's part: starts the twin and drives it until it is stopped, then winds down for a
/// second. `crate::support::STOP` goes out first.
#[test]
#[ignore = "a helper: started as a process of its own by the tests of this file"]
fn helper_runner() {
    let folder = folder();
    let manner = std::env::var(MANNER);
    let mut rest = None;
    let machine = Fake::new(move |now, input, out| {
        if let Input::Stop(StopReason::Operator(why)) = input {
            out.push_back(send(STOP));
            assert_eq!(rest, None, "the engine hears of the stop once");
            rest = Some((now + Duration::from_millis(1000), why));
        }
        match &rest {
            Some((at, why)) if now >= *at => out.push_back(finished(Cause::Stopped, why)),
            Some(_) => {}
            None => out.push_back(send(b"on\n")),
        }
        if manner.as_deref() == Ok("talks") {
            out.push_back(note(now, &"a long story ".repeat(100)));
        }
        // 200 kB of story are more than any pipe takes.
        if manner.as_deref() == Ok("panics") {
            out.push_back(note(now, &"a long story ".repeat(100)));
            assert!(now < Instant::from_micros(2_000_000), "planted in the engine");
        }
        out.push_back(wake(now + Duration::from_millis(10)));
    });
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let ending = runtime.block_on(async {
        let log = folder.join("twin.log");
        let mut twin =
            TwinChild::start(&me(), &helper_args("processes::helper_twin"), &log).await.expect("a twin");
        std::fs::write(folder.join("twin-process"), twin.process().expect("it runs").to_string())
            .expect("written");
        let plan = Arc::new(plan(460_800));
        let ports = vec![Port::open(&plan.links[0], twin.port()).expect("it opens")];
        let setup = Setup {
            plan,
            machine,
            recorder: Memory::default(),
            ports,
            operator: spinproof::shell::operator::Operator::Simulated,
            clock: Clock::start(),
            simulated: true,
        };
        let ending = run(setup, Some(&mut twin)).await.expect("it starts");
        let status = twin.finish().await.expect("it ends");
        format!("{:?}|{}|{:?}|{:?}|{status}", ending.cause, ending.why, ending.last_resort, ending.twin_ended)
    });
    std::fs::write(folder.join("ending"), ending).expect("written");
    // The harness would report to a terminal that may be blocked.
    std::process::exit(0);
}

fn start_runner(folder: &Path) -> Child {
    let log = std::fs::File::create(folder.join("runner.log")).expect("a log");
    start_runner_with(folder, "", log.into())
}

fn start_runner_with(folder: &Path, manner: &str, stderr: Stdio) -> Child {
    let runner = Command::new(me())
        .env(MANNER, manner)
        .args(helper_args("processes::helper_runner"))
        .env(FOLDER, folder)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(stderr)
        .spawn()
        .expect("it starts");
    wait_for("driving", || read(&folder.join("truth.csv")).contains(",1,on").then_some(()));
    runner
}

fn kill(process: u32, signal: rustix::process::Signal) {
    let pid = rustix::process::Pid::from_raw(process as i32).expect("a process");
    rustix::process::kill_process(pid, signal).expect("it is there");
}

#[test]
fn each_signal_is_one_orderly_stop_and_a_second_one_changes_nothing() {
    use rustix::process::Signal;
    for (signal, words, again) in [
        (Signal::INT, "SIGINT (Ctrl-C)", true),
        (Signal::TERM, "SIGTERM", false),
        (Signal::HUP, "SIGHUP (the terminal was closed)", true),
        (Signal::USR1, "SIGUSR1", false),
        (Signal::XFSZ, "SIGXFSZ (the limit of a file's size)", false),
    ] {
        let folder = tempfile::tempdir().expect("a folder");
        let mut runner = start_runner(folder.path());
        kill(runner.id(), signal);
        if again {
            wait_for("the stop", || read(&folder.path().join("truth.csv")).contains(",0,").then_some(()));
            kill(runner.id(), Signal::INT);
            wait_for("the note", || {
                read(&folder.path().join("runner.log"))
                    .contains("the stop is already under way")
                    .then_some(())
            });
        }
        let status = runner.wait().expect("it ends");
        let log = read(&folder.path().join("runner.log"));
        assert!(status.success(), "{log}");
        let ending = read(&folder.path().join("ending"));
        assert_eq!(ending, format!("Stopped|{words}|None|None|exit status: 0"));
        let truth = read(&folder.path().join("truth.csv"));
        assert!(truth.contains(",0,off") && !truth.contains("timeout"), "by the stop frame: {truth}");
        assert!(folder.path().join("twin-ended").exists());
    }
}

#[test]
fn a_killed_runner_leaves_the_twin_to_time_out_and_no_process_behind() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut runner = start_runner(folder.path());
    let twin = read(&folder.path().join("twin-process"));
    runner.kill().expect("SIGKILL");
    runner.wait().expect("it is dead");
    assert!(Path::new("/proc").join(&twin).exists(), "the twin outlives the runner");
    wait_for("the end of the twin", || folder.path().join("twin-ended").exists().then_some(()));
    let truth = read(&folder.path().join("truth.csv"));
    assert!(truth.trim_end().ends_with(",0,command timeout"), "its own timeout took the torque off: {truth}");
    assert!(!folder.path().join("ending").exists(), "the runner had no say any more");
    wait_for("no process", || {
        let stat = read(&Path::new("/proc").join(&twin).join("stat"));
        // An orphan that has ended is collected by the system, not by us.
        (stat.is_empty() || stat.contains(") Z ")).then_some(())
    });
}

/// While the runner is stopped the controller must time out; when it goes on, the last resort does
/// not take its absence for a hang.
#[test]
fn a_runner_that_is_stopped_and_goes_on_lets_the_controller_time_out_and_does_not_fire() {
    use rustix::process::Signal;
    let folder = tempfile::tempdir().expect("a folder");
    let mut runner = start_runner(folder.path());
    kill(runner.id(), Signal::STOP);
    wait_for("the timeout", || {
        read(&folder.path().join("truth.csv")).contains("command timeout").then_some(())
    });
    // Longer than the engine may go without a beat.
    std::thread::sleep(spinproof::shell::last_resort::BEATLESS * 2);
    kill(runner.id(), Signal::CONT);
    kill(runner.id(), Signal::TERM);
    assert!(runner.wait().expect("it ends").success(), "{}", read(&folder.path().join("runner.log")));
    assert_eq!(read(&folder.path().join("ending")), "Stopped|SIGTERM|None|None|exit status: 0");
}

/// A pipe that nobody reads stands for a terminal stopped with Ctrl-S.
#[test]
fn a_blocked_terminal_does_not_hold_up_the_stop() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut runner = start_runner_with(folder.path(), "talks", Stdio::piped());
    // At a hundred stories a second the pipe is full long before this is over.
    std::thread::sleep(std::time::Duration::from_secs(2));
    kill(runner.id(), rustix::process::Signal::TERM);
    assert!(runner.wait().expect("it ends").success());
    assert_eq!(read(&folder.path().join("ending")), "Stopped|SIGTERM|None|None|exit status: 0");
    let truth = read(&folder.path().join("truth.csv"));
    assert!(
        truth.contains(",0,off") && !truth.contains("timeout"),
        "by the stop frame, heard whole: {truth}"
    );
}

/// The message of a panic cannot be printed then: the last resort must not wait for it.
#[test]
fn a_panic_of_the_engine_fires_the_last_resort_even_with_a_blocked_terminal() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut runner = start_runner_with(folder.path(), "panics", Stdio::piped());
    assert!(runner.wait().expect("it ends").success());
    let ending = read(&folder.path().join("ending"));
    assert!(
        ending.starts_with("NotConfirmed|panic in the engine's thread; the last-resort stop sent 5"),
        "{ending}"
    );
    let truth = read(&folder.path().join("truth.csv"));
    assert!(truth.trim_end().ends_with(",0,off"), "by the stop frame, before any timeout: {truth}");
}

/// The engine has the link's loss from its reader; the run says besides how the twin ended.
#[test]
fn a_twin_that_dies_during_a_run_is_told() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut runner = start_runner(folder.path());
    let twin: u32 = read(&folder.path().join("twin-process")).parse().expect("a process");
    kill(twin, rustix::process::Signal::KILL);
    wait_for("the note", || {
        read(&folder.path().join("runner.log")).contains("the twin ended (signal: 9").then_some(())
    });
    kill(runner.id(), rustix::process::Signal::TERM);
    assert!(runner.wait().expect("it ends").success(), "{}", read(&folder.path().join("runner.log")));
    let ending = read(&folder.path().join("ending"));
    assert!(ending.contains("Some(\"the twin ended (signal: 9 (SIGKILL))\")"), "{ending}");
}

#[test]
fn a_twin_that_cannot_start_says_why() {
    let folder = tempfile::tempdir().expect("a folder");
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let log = folder.path().join("twin.log");
    // The environment of this process is shared by its tests: it is set on the way, by `env`.
    let mut args: Vec<OsString> = [format!("{FOLDER}={}", folder.path().display()), format!("{MANNER}=dies")]
        .map(OsString::from)
        .to_vec();
    args.push(me().into());
    args.extend(helper_args("processes::helper_twin"));
    let error = runtime.block_on(TwinChild::start(Path::new("env"), &args, &log)).expect_err("it dies");
    assert!(matches!(error, ChildError::Ended { .. }), "{error:?}");
    let text = error.to_string();
    assert!(text.contains("exit status: 3") && text.contains("the twin has no demo rig"), "{text}");
    let missing = runtime
        .block_on(TwinChild::start(Path::new("/no/such/program"), &[], &log))
        .expect_err("there is none");
    assert!(missing.to_string().contains("could not be started as `/no/such/program`"), "{missing}");
}

/// Nothing is driven yet when a twin does not get ready, so it is ended at once.
#[test]
fn a_twin_that_does_not_get_ready_is_ended() {
    let folder = tempfile::tempdir().expect("a folder");
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let script = format!("echo $$ > {}/twin-process; exec sleep 60", folder.path().display());
    let args = ["-c".into(), OsString::from(script)];
    let log = folder.path().join("twin.log");
    let error = runtime.block_on(TwinChild::start(Path::new("sh"), &args, &log)).expect_err("not ready");
    assert!(matches!(error, ChildError::NotReady { .. }), "{error:?}");
    let process = read(&folder.path().join("twin-process"));
    assert!(!Path::new("/proc").join(process.trim()).exists(), "it was ended and collected");
}

/// A twin may say more than that it is ready.
#[test]
fn the_ready_line_is_found_among_other_lines() {
    let folder = tempfile::tempdir().expect("a folder");
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let args = ["-c", "echo hello; echo ready /dev/pts/99; cat"].map(OsString::from);
    runtime.block_on(async {
        let twin = TwinChild::start(Path::new("sh"), &args, &folder.path().join("log")).await.expect("ready");
        assert_eq!(twin.port(), Path::new("/dev/pts/99"));
        // `cat` ends when its input does: letting go is all it takes.
        assert!(twin.finish().await.expect("it ends").success());
    });
}
