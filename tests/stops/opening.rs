//! A port opened as a real one is: through a pair of terminals that another program made, and with a board that
//! restarts when its port opens, as boards do that see DTR rise. A pseudo-terminal has no DTR: the stand-in restarts when
//! somebody opens it, greets, and is deaf for a second.

use crate::bench::{PROGRAM, ROOT, Twin, answers, wait};
use crate::judge::truth;
use crate::line::{Line, open};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use spinproof::shell::clock::monotonic_micros;
use std::io::{BufRead, BufReader};
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};

/// Starts `run` over a port, with more in the link's table.
fn start(dir: &Path, port: &Path, more: &str) -> Child {
    // As in the matrix, where the machine lets us.
    let _ = rustix::process::setpriority_process(None, -15);
    let here = format!("port = \"{}\"\n{more}", port.display());
    let rig = include_str!("../../fixtures/demo/rig.toml").replace("port = \"twin\"", &here);
    std::fs::write(dir.join("rig.toml"), rig).unwrap();
    Command::new(PROGRAM)
        .current_dir(dir)
        .args(["run", &format!("{ROOT}/fixtures/stops/suite.toml"), "--rig", "rig.toml", "--out", "run"])
        .args(["--unit", &format!("{ROOT}/fixtures/demo/unit.toml"), "--build", "1.4.0"])
        .arg("--answers")
        .arg(answers(dir))
        .args(["--off-ladder", "the board is a program", "--no-rehearsal", "the board is a program"])
        .stdin(Stdio::null())
        .stdout(std::fs::File::create(dir.join("stdout")).unwrap())
        .stderr(std::fs::File::create(dir.join("stderr")).unwrap())
        .spawn()
        .unwrap()
}

fn said(dir: &Path) -> String {
    ["stdout", "stderr"].map(|name| std::fs::read_to_string(dir.join(name)).unwrap_or_default()).concat()
}

/// What the truth log says of the gates, in order.
fn gates(log: &Path) -> Vec<String> {
    truth(log).into_iter().map(|t| t.event).filter(|e| e.starts_with("gates ")).collect()
}

/// Exit code, what was said, and the gates, of the first run that was neither refused nor tripped: a machine that is
/// busy otherwise fails the bench's own pre-checks or limits, as it should, and such a run is made again.
fn not_refused(
    mut run: impl FnMut() -> (Option<i32>, String, Vec<String>),
) -> (Option<i32>, String, Vec<String>) {
    let _alone = crate::alone();
    let mut made = run();
    for _ in 1..crate::BEGINS_MAX {
        if !matches!(made.0, Some(4 | 5)) {
            break;
        }
        made = run();
    }
    made
}

#[test]
fn a_run_over_a_pair_of_terminals_made_by_socat_ends_passed() {
    let (code, said, gates) = not_refused(over_socat);
    assert_eq!(code, Some(0), "{said}");
    assert_eq!(gates, ["gates on: control word 15", "gates off: control word 0"]);
}

fn over_socat() -> (Option<i32>, String, Vec<String>) {
    let temp = tempfile::tempdir().unwrap();
    let mut socat = Command::new("socat")
        .args(["-d", "-d", "pty,raw,echo=0", "pty,raw,echo=0"])
        .stderr(Stdio::piped())
        .spawn()
        .expect("socat is needed: apt-get install socat");
    let mut ends: Vec<PathBuf> = BufReader::new(socat.stderr.take().unwrap())
        .lines()
        .map_while(Result::ok)
        .filter_map(|line| Some(PathBuf::from(line.split_once("PTY is ")?.1)))
        .take(2)
        .collect();
    let (far, near) = (ends.pop().unwrap(), ends.pop().unwrap());
    let mut twin = Twin::start(temp.path(), "truth.csv");
    let line = Line::over(open(&far), near);
    line.join(&twin.port);
    let status = wait(&mut start(temp.path(), line.path(), "")).expect("it ends");
    twin.finish().unwrap();
    drop(line);
    let _ = socat.kill();
    socat.wait().unwrap();
    (status.code(), said(temp.path()), gates(&twin.truth))
}

/// A terminal that nobody has open at the near end.
fn unopened() -> (OwnedFd, PathBuf) {
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    grantpt(&master).unwrap();
    unlockpt(&master).unwrap();
    let name = ptsname(&master, Vec::new()).unwrap();
    let path = PathBuf::from(name.into_string().unwrap());
    rustix::io::ioctl_fionbio(&master, true).unwrap();
    // Opened and closed once: from here on the master says that nobody is there.
    drop(rustix::fs::open(&path, OFlags::RDWR | OFlags::NOCTTY, Mode::empty()).unwrap());
    (master, path)
}

fn is_open(master: &OwnedFd) -> bool {
    let mut fds = [PollFd::new(master, PollFlags::IN)];
    let at_once = Timespec { tv_sec: 0, tv_nsec: 0 };
    poll(&mut fds, Some(&at_once)).is_ok() && !fds[0].revents().contains(PollFlags::HUP)
}

/// Runs against the board that restarts; exit code, what was said, and the gates.
fn against_a_board_that_restarts(more: &str) -> (Option<i32>, String, Vec<String>) {
    let temp = tempfile::tempdir().unwrap();
    let (master, path) = unopened();
    let over = AtomicBool::new(false);
    let (status, gates) = std::thread::scope(|scope| {
        let (over, dir) = (&over, temp.path());
        let near = path.clone();
        let board = scope.spawn(move || {
            while !is_open(&master) && !over.load(Ordering::Relaxed) {
                std::thread::sleep(std::time::Duration::from_millis(1));
            }
            let opened = monotonic_micros();
            let mut greeted = false;
            let mut buffer = [0; 4096];
            while monotonic_micros() - opened < 1_000_000 {
                // It boots: what it is told is lost.
                let _ = rustix::io::read(&master, &mut buffer);
                if !greeted && monotonic_micros() - opened > 200_000 {
                    greeted = true;
                    let _ = rustix::io::write(&master, b"\x00\xff\x80bootloader 3\r\nHC-7 contr");
                }
                std::thread::sleep(std::time::Duration::from_millis(5));
            }
            let _ = rustix::io::write(&master, b"oller is up\r\n");
            let mut twin = Twin::start(dir, "truth.csv");
            let line = Line::over(master, near);
            line.join(&twin.port);
            while !over.load(Ordering::Relaxed) {
                std::thread::sleep(std::time::Duration::from_millis(10));
            }
            drop(line);
            twin.finish().unwrap();
            gates(&twin.truth)
        });
        let status = wait(&mut start(dir, &path, more));
        over.store(true, Ordering::Relaxed);
        (status, board.join().unwrap())
    });
    (status.expect("it ends").code(), said(temp.path()), gates)
}

#[test]
fn a_board_that_restarts_when_its_port_opens_is_waited_for() {
    let (code, said, gates) = not_refused(|| against_a_board_that_restarts("settle = \"2 s\""));
    assert_eq!(code, Some(0), "{said}");
    assert_eq!(gates, ["gates on: control word 15", "gates off: control word 0"]);
}

#[test]
fn without_settle_a_board_that_restarts_is_not_driven_and_the_message_says_what_to_write() {
    let (code, said, gates) = not_refused(|| against_a_board_that_restarts(""));
    assert_eq!(code, Some(3), "{said}");
    assert!(said.contains("`*IDN?`") && said.contains("`settle = \"2 s\"`"), "{said}");
    assert!(gates.is_empty(), "{gates:?}");
}
