//! A bench as a stranger sees it: a twin in a process of its own, a line made by another program, and a person who
//! answers, turns the shaft and is the only one to say so.
#![allow(clippy::unwrap_used)]

use super::today;
use rustix::fs::{Mode, OFlags};
use rustix::termios::ioctl_tiocnxcl;
use spinproof::shell::pty::Pty;
use std::io::{BufRead, BufReader, Write};
use std::os::fd::{AsFd, OwnedFd};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, ExitStatus, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

pub const PROGRAM: &str = env!("CARGO_BIN_EXE_spinproof");
const ROOT: &str = env!("CARGO_MANIFEST_DIR");

/// An upper bound for a test that fails, no figure.
const PATIENCE: Duration = Duration::from_secs(900);

/// A twin of its own.
pub struct Twin {
    child: Child,
    held: Arc<Mutex<Option<ChildStdin>>>,
    _says: BufReader<ChildStdout>,
    pub port: PathBuf,
    truth: PathBuf,
}

impl Twin {
    pub fn start(dir: &Path) -> Twin {
        let truth = dir.join("truth.csv");
        let mut child = Command::new(PROGRAM)
            .args(["twin", "--own-session", "--truth"])
            .arg(&truth)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the twin starts");
        let mut says = BufReader::new(child.stdout.take().unwrap());
        let mut line = String::new();
        says.read_line(&mut line).unwrap();
        let port = PathBuf::from(line.trim().strip_prefix("ready ").expect("ready"));
        let held = Arc::new(Mutex::new(child.stdin.take()));
        Twin { child, held, _says: says, port, truth }
    }

    /// Whoever stands beside it: a hand at its shaft.
    pub fn hand(&self) -> impl Fn(&str) + Send + 'static {
        let held = Arc::clone(&self.held);
        move |line| {
            if let Some(stdin) = held.lock().unwrap().as_mut() {
                writeln!(stdin, "{line}").unwrap();
            }
        }
    }

    /// Lets go of it, and what its truth log says of gates and hands, in order.
    pub fn finish(mut self) -> Vec<String> {
        drop(self.held.lock().unwrap().take());
        wait(&mut self.child).expect("the twin ends");
        let log = std::fs::read_to_string(&self.truth).unwrap();
        let column = log.lines().next().unwrap().split(',').position(|c| c == "event").unwrap();
        let events = log.lines().skip(1).filter_map(|l| l.splitn(column + 1, ',').nth(column));
        let events = events.map(|e| e.trim_matches('"').to_string());
        events.filter(|e| e.starts_with("gates ") || e.contains("hand")).collect()
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
        if let Some(status) = child.try_wait().unwrap() {
            return Some(status);
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    None
}

/// A line that `socat` carries from a pseudo-terminal of its own to the twin's. The near end is held open, as a socket
/// behind a relay would be: the line stays up between two runs. Exclusive mode then outlasts who set it, so it is taken away.
pub struct Relay {
    socat: Child,
    over: Arc<AtomicBool>,
    pub near: PathBuf,
}

impl Relay {
    pub fn to(twin: &Path, dir: &Path) -> Relay {
        let near = dir.join("board");
        let socat = Command::new("socat")
            .arg(format!("PTY,link={},raw,echo=0", near.display()))
            .arg(format!("FILE:{},raw,echo=0", twin.display()))
            .spawn()
            .expect("socat is needed: apt-get install socat");
        let end = Instant::now() + Duration::from_secs(30);
        while !near.exists() {
            assert!(Instant::now() < end, "socat makes no terminal");
            std::thread::sleep(Duration::from_millis(5));
        }
        let held = rustix::fs::open(&near, OFlags::RDWR | OFlags::NOCTTY, Mode::empty()).unwrap();
        let over = Arc::new(AtomicBool::new(false));
        let told = Arc::clone(&over);
        std::thread::spawn(move || {
            while !told.load(Ordering::Relaxed) {
                let _ = ioctl_tiocnxcl(&held);
                std::thread::sleep(Duration::from_millis(20));
            }
        });
        Relay { socat, over, near }
    }
}

impl Drop for Relay {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        let _ = self.socat.kill();
        let _ = self.socat.wait();
    }
}

/// How a run ended, and all that was said.
pub struct Made {
    pub code: Option<i32>,
    pub said: String,
}

/// The program with nobody at a terminal.
pub fn alone(dir: &Path, args: &[&str]) -> Made {
    let output = Command::new(PROGRAM).current_dir(dir).args(args).stdin(Stdio::null()).output().unwrap();
    let said = [output.stdout, output.stderr].map(|o| String::from_utf8_lossy(&o).into_owned()).concat();
    Made { code: output.status.code(), said }
}

/// The program at a terminal, and a person who says yes to every question and, with a hand to do it, turns the shaft
/// when asked to.
pub fn with_a_person(dir: &Path, args: &[&str], hand: Option<&dyn Fn(&str)>) -> Made {
    let pty = Pty::open(None).unwrap();
    let open = || Stdio::from(open(pty.path()));
    let mut child = Command::new(PROGRAM)
        .current_dir(dir)
        .args(args)
        .stdin(open())
        .stdout(open())
        .stderr(open())
        .spawn()
        .unwrap();
    let (mut said, mut answered, mut turned) = (Vec::new(), 0, 0);
    let end = Instant::now() + PATIENCE;
    let mut ended = None;
    loop {
        let mut buffer = [0; 4096];
        match rustix::io::read(pty.master(), &mut buffer) {
            Ok(count) if count > 0 => said.extend(&buffer[..count]),
            _ if ended.is_some() => break,
            _ => {
                ended = child.try_wait().unwrap();
                assert!(Instant::now() < end, "{}", String::from_utf8_lossy(&said));
                std::thread::sleep(Duration::from_millis(5));
            }
        }
        let text = String::from_utf8_lossy(&said);
        while answered < text.matches("[yes/no] ").count() {
            rustix::io::write(pty.master(), b"yes\n").unwrap();
            answered += 1;
        }
        while turned < text.matches("PLEASE: Turn").count() {
            if let Some(hand) = hand {
                hand("turn 1 turn within 4 s");
            }
            turned += 1;
        }
    }
    Made { code: ended.unwrap().code(), said: String::from_utf8_lossy(&said).into_owned() }
}

fn open(path: &Path) -> OwnedFd {
    rustix::fs::open(path, OFlags::RDWR | OFlags::NOCTTY, Mode::empty()).unwrap()
}

/// A board that restarts whenever somebody opens its port: it greets, and what it is told within a second is lost. A
/// pseudo-terminal has no modem lines: what is seen is that somebody opens it.
pub struct Restarting {
    over: Arc<AtomicBool>,
    restarts: Arc<Mutex<usize>>,
    thread: Option<std::thread::JoinHandle<()>>,
    pub near: PathBuf,
}

impl Restarting {
    pub fn before(twin: &Path) -> Restarting {
        use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let near = PathBuf::from(ptsname(&master, Vec::new()).unwrap().into_string().unwrap());
        rustix::io::ioctl_fionbio(&master, true).unwrap();
        // Opened and closed once: from here on the master says that nobody is there.
        drop(open(&near));
        let far =
            rustix::fs::open(twin, OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK, Mode::empty()).unwrap();
        let (over, restarts) = (Arc::new(AtomicBool::new(false)), Arc::new(Mutex::new(0)));
        let (told, count) = (Arc::clone(&over), Arc::clone(&restarts));
        let thread = std::thread::spawn(move || {
            while !told.load(Ordering::Relaxed) {
                if is_open(&master) {
                    *count.lock().unwrap() += 1;
                    restart(&master, &far);
                    while is_open(&master) && !told.load(Ordering::Relaxed) {
                        carry(&master, &far);
                        carry(&far, &master);
                        std::thread::sleep(Duration::from_micros(200));
                    }
                }
                std::thread::sleep(Duration::from_millis(1));
            }
        });
        Restarting { over, restarts, thread: Some(thread), near }
    }

    pub fn restarts(&self) -> usize {
        *self.restarts.lock().unwrap()
    }
}

impl Drop for Restarting {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        let _ = self.thread.take().map(std::thread::JoinHandle::join);
    }
}

fn restart(master: &OwnedFd, far: &OwnedFd) {
    let begun = Instant::now();
    let mut lost = [0; 4096];
    let _ = rustix::io::write(master, b"\x00\xff\x80bootloader 3\r\nHC-7 contr");
    // Who closes it and opens it again has it restart from the begin.
    while begun.elapsed() < Duration::from_secs(1) {
        if !is_open(master) {
            return;
        }
        let _ = rustix::io::read(master, &mut lost);
        let _ = rustix::io::read(far, &mut lost);
        std::thread::sleep(Duration::from_millis(5));
    }
    let _ = rustix::io::write(master, b"oller is up\r\n");
}

fn carry(from: impl AsFd, to: impl AsFd) {
    let mut buffer = [0; 4096];
    let Ok(count) = rustix::io::read(from, &mut buffer) else { return };
    let mut rest = &buffer[..count];
    while !rest.is_empty() {
        match rustix::io::write(&to, rest) {
            Ok(taken) => rest = &rest[taken..],
            Err(rustix::io::Errno::AGAIN) => std::thread::yield_now(),
            Err(_) => return,
        }
    }
}

fn is_open(master: &OwnedFd) -> bool {
    use rustix::event::{PollFd, PollFlags, Timespec, poll};
    let mut fds = [PollFd::new(master, PollFlags::IN)];
    let at_once = Timespec { tv_sec: 0, tv_nsec: 0 };
    poll(&mut fds, Some(&at_once)).is_ok() && !fds[0].revents().contains(PollFlags::HUP)
}

/// The demo bench with a machine declared behind this port; with somebody beside it, or guards by wires of their own.
pub fn rig(dir: &Path, port: &Path, more: &str, unattended: bool) {
    let here = format!("port = \"{}\"\nbehind = \"machine\"\n{more}", port.display());
    let rig = include_str!("../../fixtures/demo/rig.toml").replace("port = \"twin\"", &here);
    assert!(rig.contains("unattended = true"));
    let rig = rig.replace("unattended = true", &format!("unattended = {unattended}"));
    std::fs::write(dir.join("rig.toml"), rig).unwrap();
}

/// A folder with unit, a short suite, answers to it and to a commissioning.
pub fn desk() -> tempfile::TempDir {
    let temp = tempfile::tempdir().unwrap();
    let dir = temp.path();
    let read = |name: &str| std::fs::read_to_string(format!("{ROOT}/{name}")).unwrap();
    std::fs::write(dir.join("unit.toml"), read("fixtures/demo/unit.toml")).unwrap();
    std::fs::write(dir.join("nudge.toml"), read("fixtures/nudge.toml")).unwrap();
    std::fs::write(dir.join("commissioning.toml"), read("suites/commissioning.toml")).unwrap();
    let more = ["isolation", "insulation", "fuse", "oil", "second"];
    let more: String = more.iter().map(|id| format!("{id} = \"yes\"\n")).collect();
    std::fs::write(
        dir.join("answers.toml"),
        read("fixtures/stops/answers.toml").replace("EXPIRES", &today::expires()) + &more,
    )
    .unwrap();
    temp
}

/// The first rungs of the commissioning suite, with less waiting, in a file of their own.
pub fn first_rungs(dir: &Path, name: &str, rungs: &[&str]) {
    let whole = std::fs::read_to_string(dir.join("commissioning.toml")).unwrap();
    let mut parts = whole.split("[[test]]\n");
    let mut text = parts.next().unwrap().to_string();
    let tests: Vec<&str> = parts.collect();
    for rung in rungs {
        let head = format!("name = \"{rung}\"\n");
        let test = tests.iter().find(|t| t.starts_with(&head)).expect("a rung of the suite");
        text += "[[test]]\n";
        text += &test
            .replace("watch = \"3 s\"", "watch = \"1 s\"")
            .replace("watch = \"12 s\"", "watch = \"5 s\"");
    }
    std::fs::write(dir.join(name), text).unwrap();
}
