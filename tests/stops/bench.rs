//! One cell: a twin in a process and a session of its own, a line in our hands, the program as a person starts it.

use crate::ahead;
use crate::disk::Disk;
use crate::judge;
use crate::line::{Line, Manner};
use crate::outlet::Outlet;
use crate::table::{Cell, Phase};
use rustix::process::{Pid, Signal, kill_process};
use spinproof::shell::clock::monotonic_micros;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

pub const PROGRAM: &str = env!("CARGO_BIN_EXE_spinproof");
pub const ROOT: &str = env!("CARGO_MANIFEST_DIR");

/// Upper bounds for a test that fails, no figures.
const PATIENCE: Duration = Duration::from_secs(90);

/// The hold sends its demand for 1500 ms, every 20 ms: so many, less some that a busy machine may have left out.
const TOP_WHOLE: usize = 70;

/// Exit codes of a run that could not be made, was refused or has tripped.
const NOT_MADE: i32 = 3;
const REFUSED: i32 = 4;
const TRIPPED: i32 = 5;

/// How faults end whose outlet takes nothing from the first word on.
const BLOCKED: &str = "blocked from the start";

/// Why a cell has no result.
pub enum Trouble {
    /// The fault was never brought about: the machine was too busy for the bench's own limits.
    NotReached(String),
    /// What is required did not come about.
    Broken(String),
}

impl From<String> for Trouble {
    fn from(what: String) -> Trouble {
        Trouble::Broken(what)
    }
}

impl From<&str> for Trouble {
    fn from(what: &str) -> Trouble {
        Trouble::Broken(what.into())
    }
}

/// A twin of its own.
pub struct Twin {
    child: Child,
    /// It ends when this closes and its shaft is at rest.
    held: Option<ChildStdin>,
    pub port: PathBuf,
    pub truth: PathBuf,
}

impl Twin {
    pub fn start(dir: &Path, name: &str) -> Twin {
        let truth = dir.join(name);
        let mut child = ahead::in_turn(PROGRAM)
            .args(["twin", "--own-session", "--truth"])
            .arg(&truth)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the twin starts");
        let mut said = BufReader::new(child.stdout.take().expect("piped"));
        let mut line = String::new();
        said.read_line(&mut line).expect("it says where it is");
        let port = PathBuf::from(line.trim().strip_prefix("ready ").expect("ready"));
        Twin { held: child.stdin.take(), child, port, truth }
    }

    /// Lets go of it and waits until it has ended by itself.
    pub fn finish(&mut self) -> Result<(), String> {
        drop(self.held.take());
        wait(&mut self.child).map(drop).ok_or_else(|| "the twin did not end".to_string())
    }
}

impl Drop for Twin {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// How it ended; `None` if it did not.
pub fn wait(child: &mut Child) -> Option<ExitStatus> {
    let end = Instant::now() + PATIENCE;
    while Instant::now() < end {
        if let Some(status) = child.try_wait().expect("it is our child") {
            return Some(status);
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    None
}

/// What was found in a cell that holds.
pub struct Found {
    pub exit: i32,
    /// How long the gates stayed on after the fault, microseconds.
    pub stayed: Option<i64>,
}

struct Bench<'a> {
    cell: &'a Cell,
    dir: &'a Path,
    out: PathBuf,
    disk: Option<Disk>,
    twin: Twin,
    /// The controller that takes the place of the first.
    second: Option<Twin>,
    line: Line,
    outlet: Outlet,
    runner: Child,
    ready_to_report: bool,
}

/// Whether what a cell needs can be made on this machine: full and read-only disks are small file systems of their own,
/// which only root may mount, and not in every container.
pub fn can_be_made(cell: &Cell, mounts: bool) -> bool {
    mounts || !matches!(cell.row.fault.as_str(), "disk full" | "disk read-only")
}

/// Whether this machine lets us mount.
pub fn mounts(dir: &Path) -> bool {
    Disk::try_mount(dir.join("probe"), "size=1m").is_some()
}

/// Runs one cell in a folder of its own.
pub fn run(cell: &Cell, dir: &Path) -> Result<Found, Trouble> {
    let twin = Twin::start(dir, "truth.csv");
    let line = Line::to(&twin.port);
    let fault = cell.row.fault.as_str();
    let mut disk = None;
    let mut out = dir.join("run");
    if fault == "folder without permission" {
        use std::os::unix::fs::PermissionsExt;
        let locked = dir.join("locked");
        std::fs::create_dir(&locked).expect("room");
        std::fs::set_permissions(&locked, PermissionsExt::from_mode(0o500)).expect("ours");
        out = locked.join("run");
    }
    match fault {
        "disk full" => disk = Some(Disk::mount(dir.join("disk"), "size=3m")),
        "disk read-only" => disk = Some(Disk::mount(dir.join("disk"), "size=3m,ro")),
        _ => {}
    }
    if let Some(disk) = &disk {
        out = disk.0.join("run");
        if cell.phase == Phase::Start && fault == "disk full" {
            disk.fill();
        }
    }
    let started = monotonic_micros();
    let (runner, outlet) = start(cell, dir, &out, &line);
    let mut bench =
        Bench { cell, dir, out, disk, twin, second: None, line, outlet, runner, ready_to_report: false };
    let result = bench.go(started).map_err(|trouble| match trouble {
        Trouble::NotReached(why) => bench.ended_by_itself(why),
        broken => broken,
    });
    if result.is_err() {
        let _ = bench.runner.kill();
        let _ = bench.runner.wait();
    }
    result
}

/// Starts the program, with the fault that is there from the start.
fn start(cell: &Cell, dir: &Path, out: &Path, line: &Line) -> (Child, Outlet) {
    use std::os::unix::fs::PermissionsExt;
    let rig = include_str!("../../fixtures/demo/rig.toml")
        .replace("port = \"twin\"", &format!("port = \"{}\"", line.path().display()));
    std::fs::write(dir.join("rig.toml"), rig).expect("room");
    let fault = cell.row.fault.as_str();
    let outlet = Outlet::of(fault, cell.phase, dir);
    let mut words: Vec<String> = Vec::new();
    if let Some(limit) = fault.strip_prefix("handles at most ") {
        words.extend(["prlimit".into(), format!("--nofile={limit}")]);
    }
    let mut program = PathBuf::from(PROGRAM);
    if fault == "folder without permission" {
        // A copy where everybody may go: the folder of the build need not be such a place. 65534 is `nobody`.
        program = dir.join("spinproof");
        std::fs::copy(PROGRAM, &program).expect("room");
        std::fs::set_permissions(line.path(), PermissionsExt::from_mode(0o666)).expect("ours");
        words.extend(["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"].map(String::from));
    }
    if outlet.wants_session() {
        words.extend(["setsid", "--ctty"].map(String::from));
    }
    words.push(program.display().to_string());
    let mut command = Command::new(&words[0]);
    command
        .args(&words[1..])
        .current_dir(dir)
        .args(["run", "--off-ladder", "the board is a program", "--no-rehearsal", "the board is a program"])
        .args([&format!("{ROOT}/fixtures/stops/suite.toml"), "--rig"])
        .arg(dir.join("rig.toml"))
        .args(["--unit", &format!("{ROOT}/fixtures/demo/unit.toml"), "--build", "1.4.0", "--out"])
        .arg(out);
    if cell.phase != Phase::Questions {
        command.arg("--answers").arg(answers(dir));
    }
    if let Some(thread) = fault.strip_prefix("panic in ") {
        command.env("SPINPROOF_PLANTED_PANIC", format!("{thread}={}", dir.join("now").display()));
    }
    outlet.connect(&mut command);
    if fault.ends_with(BLOCKED) {
        outlet.block();
    }
    (command.spawn().expect("the program starts"), outlet)
}

/// The answers of the matrix, given today.
pub fn answers(dir: &Path) -> PathBuf {
    let text = include_str!("../../fixtures/stops/answers.toml").replace("EXPIRES", &crate::today::expires());
    let path = dir.join("answers.toml");
    std::fs::write(&path, text).expect("room");
    path
}

impl Bench<'_> {
    fn go(&mut self, started: i64) -> Result<Found, Trouble> {
        let fault_at = if self.cell.phase == Phase::Start {
            if self.cell.row.fault.ends_with(BLOCKED) {
                std::thread::sleep(Duration::from_millis(500));
                self.signal(Signal::TERM);
            }
            started
        } else {
            self.reach()?;
            let now = monotonic_micros();
            self.inject();
            now
        };
        let exit = self.end()?;
        self.twin.finish()?;
        if let Some(second) = &mut self.second {
            second.finish()?;
        }
        let said = || self.outlet.said();
        let whole = self.line.heard().at_the_top >= TOP_WHOLE;
        let limits = !whole || matches!(exit, REFUSED | TRIPPED);
        if self.cell.row.goes_on && self.cell.row.exit != [0, REFUSED, TRIPPED] && limits {
            // Refused or tripped by the bench's own limits after the fault, which the fault is no cause of. One that is
            // trips each time, and the cell is never reached.
            return Err(Trouble::NotReached(format!("the run did not go on: exit {exit}\n{}", said())));
        }
        if !self.cell.row.exit.contains(&exit) {
            return Err(format!("exit {exit}, allowed {:?}\n{}", self.cell.row.exit, said()).into());
        }
        // A controller that was taken away has no say after that.
        let judged = if self.cell.row.fault == "controller resets" {
            &self.second.as_ref().ok_or("no second controller")?.truth
        } else {
            &self.twin.truth
        };
        let stayed = judge::gates(self.cell, fault_at, &judge::truth(judged))
            .map_err(|e| format!("{e}\nexit {exit}\n{}", said()))?;
        self.reported(exit)?;
        Ok(Found { exit, stayed })
    }

    /// A run that the bench's own limits end before its fault is begun again; but it, too, must have ended as one does that they
    /// end: with their exit code, and the gates off, by a stop frame or, on a machine that lets nobody run, by the timeout.
    fn ended_by_itself(&mut self, why: String) -> Trouble {
        let judged = (|| {
            let exit = self.end()?;
            self.twin.finish()?;
            let truth = judge::truth(&self.twin.truth);
            if !matches!(exit, NOT_MADE | REFUSED | TRIPPED) {
                return Err(Trouble::Broken(format!("exit {exit}, not by the bench's own limits")));
            }
            judge::left_off(&truth)?;
            Ok(())
        })();
        match judged {
            Ok(()) => Trouble::NotReached(why),
            Err(Trouble::NotReached(found) | Trouble::Broken(found)) => {
                Trouble::Broken(format!("{found}: {why}"))
            }
        }
    }

    fn signal(&self, signal: Signal) {
        let pid = i32::try_from(self.runner.id()).ok().and_then(Pid::from_raw).expect("a process");
        // One that has ended already is the next step's business.
        let _ = kill_process(pid, signal);
    }

    /// Waits until the run is in the phase of the cell.
    fn reach(&mut self) -> Result<(), Trouble> {
        let end = Instant::now() + PATIENCE;
        let phase = self.cell.phase;
        while !self.is_in(phase) {
            let ended = self.runner.try_wait().expect("our child");
            // A stop frame before the profile's end: the bench has tripped by itself.
            let heard = self.line.heard();
            let early = heard.stops > 0 && heard.at_the_top < TOP_WHOLE;
            if ended.is_some() || early || Instant::now() > end {
                let what = format!("{phase:?} was not reached, {ended:?}\n{}", self.outlet.said());
                return Err(Trouble::NotReached(what));
            }
            std::thread::sleep(Duration::from_millis(2));
        }
        // One that trips at the very end of its profile winds down for that, and not for what the cell is about.
        let tripped = self.outlet.said().contains("  TRIP `");
        if tripped {
            return Err(Trouble::NotReached(format!(
                "{phase:?} was reached by a trip\n{}",
                self.outlet.said()
            )));
        }
        Ok(())
    }

    fn is_in(&mut self, phase: Phase) -> bool {
        let heard = self.line.heard();
        let top = heard.at_the_top;
        match phase {
            Phase::Start => true,
            Phase::Questions => self.outlet.said().contains("[yes/no]"),
            // 5 ms apart: a fifth of a second into them.
            Phase::PreChecks => heard.polls > 40,
            Phase::Ramp => heard.demand > 60.0,
            Phase::Hold => top > 20,
            Phase::WindingDown => top >= TOP_WHOLE && heard.stops > 0,
            Phase::Reporting => {
                if !self.ready_to_report && top > 0 {
                    // Writing to a pipe that nobody reads holds the program up in its reports.
                    let fifo = self.out.join("junit.xml");
                    let mode = rustix::fs::Mode::from_raw_mode(0o600);
                    rustix::fs::mknodat(rustix::fs::CWD, fifo, rustix::fs::FileType::Fifo, mode, 0)
                        .expect("a named pipe");
                    self.ready_to_report = true;
                }
                let info = std::fs::read_to_string(self.out.join("run.json")).unwrap_or_default();
                let info: serde_json::Value = serde_json::from_str(&info).unwrap_or_default();
                !info["ended"].is_null() && top >= TOP_WHOLE
            }
        }
    }

    fn inject(&mut self) {
        let nap = |ms| std::thread::sleep(Duration::from_millis(ms));
        let fault = self.cell.row.fault.as_str();
        match fault {
            "SIGKILL" => self.signal(Signal::KILL),
            "SIGTERM" => self.signal(Signal::TERM),
            "blocked terminal" | "blocked pipes" => {
                self.outlet.block();
                nap(50);
                self.signal(Signal::TERM);
            }
            "SIGHUP" => self.signal(Signal::HUP),
            "SIGINT" => self.signal(Signal::INT),
            "SIGQUIT" => self.signal(Signal::QUIT),
            "SIGTSTP" => self.signal(Signal::TSTP),
            "SIGINT twice" => {
                self.signal(Signal::INT);
                nap(20);
                self.signal(Signal::INT);
            }
            "SIGSTOP for 2 s" => {
                self.signal(Signal::STOP);
                nap(2000);
                self.signal(Signal::CONT);
                if self.cell.phase == Phase::Questions {
                    nap(200);
                    self.signal(Signal::TERM);
                }
            }
            "closed pipes" | "closed terminal" => self.outlet.close(),
            "port vanishes" => self.line.set(Manner::Gone),
            "line cut" => self.line.set(Manner::Cut),
            "line cut for 300 ms" => {
                self.line.set(Manner::Cut);
                nap(300);
                self.line.set(Manner::Through);
            }
            "controller resets" => {
                let _ = self.twin.child.kill();
                let second = Twin::start(self.dir, "truth-2.csv");
                self.line.join(&second.port);
                self.second = Some(second);
            }
            "chatter" => self.line.set(Manner::Chatter),
            "babble" => self.line.set(Manner::Babble),
            "replies 120 ms late" => self.line.set(Manner::Late(120_000)),
            "disk full" => self.disk.as_ref().expect("mounted").fill(),
            "no handle left" => {
                let pid = self.runner.id().to_string();
                let limited = Command::new("prlimit").args(["--pid", &pid, "--nofile=3"]).status();
                assert!(limited.is_ok_and(|s| s.success()), "prlimit (util-linux) is needed");
            }
            "folder gone" => {
                std::fs::rename(&self.out, self.dir.join("elsewhere")).expect("a run folder");
            }
            _ if fault.starts_with("panic in ") => {
                std::fs::write(self.dir.join("now"), "").expect("room");
                // The thread of the questions does nothing until there is a next one.
                self.outlet.type_in(b"yes\n");
            }
            other => panic!("the table has a fault that the bench does not know: {other}"),
        }
    }

    /// Waits for the end of the program; 100 and the signal's number if a signal ended it.
    fn end(&mut self) -> Result<i32, Trouble> {
        use std::os::unix::process::ExitStatusExt;
        let end = Instant::now() + PATIENCE;
        let status = loop {
            if let Some(status) = self.runner.try_wait().expect("our child") {
                break status;
            }
            if Instant::now() > end {
                return Err(format!("the program did not end\n{}", self.outlet.said()).into());
            }
            if self.ready_to_report {
                drain(&self.out.join("junit.xml"));
            }
            // A blocked terminal holds up nothing but the last words: whoever looks at it again gets them.
            if self.out.join("report.json").exists() {
                self.outlet.unblock();
            }
            std::thread::sleep(Duration::from_millis(5));
        };
        status
            .code()
            .or_else(|| status.signal().map(|s| 100 + s))
            .ok_or_else(|| format!("no exit code: {status}").into())
    }

    /// Whether `report` reads the folder as it should.
    fn reported(&mut self, exit: i32) -> Result<(), Trouble> {
        if let Some(disk) = self.disk.as_ref().filter(|d| d.0.join("filler").exists()) {
            disk.empty();
        }
        if self.ready_to_report {
            // Gone already if the program had not been held up by it.
            let _ = std::fs::remove_file(self.out.join("junit.xml"));
        }
        let elsewhere = self.dir.join("elsewhere");
        let out = if elsewhere.exists() { &elsewhere } else { &self.out };
        let output = Command::new(PROGRAM).arg("report").arg(out).output().expect("it starts");
        let code = output.status.code().unwrap_or(-1);
        if self.cell.row.report.contains(&code) {
            return Ok(());
        }
        let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        let allowed = &self.cell.row.report;
        let said = self.outlet.said();
        let what =
            format!("exit {exit}, then `report` {code}, allowed {allowed:?}\n{out}{err}\n----\n{said}");
        // As in `go`, where the exit does not tell.
        let limits = self.cell.row.goes_on && matches!(code, REFUSED | TRIPPED);
        Err(if limits { Trouble::NotReached(what) } else { Trouble::Broken(what) })
    }
}

/// Takes what is in a named pipe, if there is one.
fn drain(fifo: &Path) {
    use rustix::fs::{Mode, OFlags};
    let is_pipe = std::fs::symlink_metadata(fifo).is_ok_and(|m| {
        rustix::fs::FileType::from_raw_mode(std::os::unix::fs::MetadataExt::mode(&m)).is_fifo()
    });
    if !is_pipe {
        return;
    }
    let Ok(fd) = rustix::fs::open(fifo, OFlags::RDONLY | OFlags::NONBLOCK, Mode::empty()) else { return };
    let mut buffer = [0; 65_536];
    let mut came = false;
    for _ in 0..200 {
        match rustix::io::read(&fd, &mut buffer) {
            Ok(0) if came => return,
            Ok(count) => came |= count > 0,
            Err(_) => {}
        }
        std::thread::sleep(Duration::from_millis(1));
    }
}
