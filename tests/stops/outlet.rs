//! Where the program's words go: files, a terminal, pipes; each can be full from the start or later, or close.

use crate::table::Phase;
use rustix::fs::{Mode, OFlags};
use spinproof::shell::pty::Pty;
use std::fs::File;
use std::io::{PipeReader, Read};
use std::os::fd::{AsFd, AsRawFd, OwnedFd};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// How often a terminal is looked at.
const READ_EVERY: Duration = Duration::from_millis(2);

pub enum Outlet {
    /// Nobody can be asked there.
    Files(PathBuf),
    /// A terminal for all three; read from unless it is blocked, until it has gone.
    Terminal {
        pty: Option<Pty>,
        path: PathBuf,
        said: Arc<Mutex<Vec<u8>>>,
        reads: Arc<Mutex<bool>>,
        gone: Arc<AtomicBool>,
        session: bool,
    },
    /// A pipe for output and errors; the ends that read and write. Nobody reads it: it holds more than a run says.
    Pipe { reader: Option<PipeReader>, writer: Mutex<Option<std::io::PipeWriter>> },
}

impl Outlet {
    pub fn of(fault: &str, phase: Phase, dir: &Path) -> Outlet {
        match fault {
            "blocked pipes" | "closed pipes" | "pipes blocked from the start" => {
                let (reader, writer) = std::io::pipe().expect("a pipe");
                Outlet::Pipe { reader: Some(reader), writer: Mutex::new(Some(writer)) }
            }
            "blocked terminal" | "terminal blocked from the start" => Outlet::terminal(false),
            "closed terminal" => Outlet::terminal(true),
            _ if phase == Phase::Questions => Outlet::terminal(false),
            _ => Outlet::Files(dir.to_path_buf()),
        }
    }

    fn terminal(session: bool) -> Outlet {
        let pty = Pty::open(None).expect("a pty");
        let path = pty.path().to_path_buf();
        let master = pty.master().try_clone_to_owned().expect("a handle");
        let said = Arc::new(Mutex::new(Vec::new()));
        let (reads, gone) = (Arc::new(Mutex::new(true)), Arc::new(AtomicBool::new(false)));
        let (keep, on, off) = (Arc::clone(&said), Arc::clone(&reads), Arc::clone(&gone));
        std::thread::spawn(move || read_all(&master, &keep, &on, &off));
        Outlet::Terminal { pty: Some(pty), path, said, reads, gone, session }
    }

    /// Nobody reads any more, and nothing more goes in: a terminal stopped with Ctrl-S, a pipe that is full.
    pub fn block(&self) {
        let flags = OFlags::WRONLY | OFlags::NOCTTY | OFlags::NONBLOCK;
        match self {
            Outlet::Files(_) => {}
            Outlet::Terminal { path, reads, .. } => {
                // Once this is ours, nobody is in the middle of a read that would make room again.
                *reads.lock().expect("nobody panicked") = false;
                fill(rustix::fs::open(path, flags, Mode::empty()).expect("ours"));
            }
            Outlet::Pipe { reader, .. } => {
                // Opened anew: not waiting is then ours alone, and not what the program has in its hands.
                let end = reader.as_ref().expect("nobody reads it yet").as_raw_fd();
                let path = format!("/proc/self/fd/{end}");
                fill(rustix::fs::open(path, flags, Mode::empty()).expect("ours"));
            }
        }
    }

    /// Whether it is to be the controlling terminal of a session, so that closing it hangs up.
    pub fn wants_session(&self) -> bool {
        matches!(self, Outlet::Terminal { session: true, .. })
    }

    pub fn connect(&self, command: &mut Command) {
        match self {
            Outlet::Files(dir) => {
                let file = |name: &str| Stdio::from(File::create(dir.join(name)).expect("room"));
                command.stdin(Stdio::null()).stdout(file("stdout")).stderr(file("stderr"));
            }
            Outlet::Terminal { path, .. } => {
                let end = || {
                    let flags = OFlags::RDWR | OFlags::NOCTTY;
                    Stdio::from(rustix::fs::open(path, flags, Mode::empty()).expect("ours"))
                };
                command.stdin(end()).stdout(end()).stderr(end());
            }
            Outlet::Pipe { writer, .. } => {
                let writer = writer.lock().expect("nobody panicked").take().expect("connected once");
                command.stdin(Stdio::null()).stdout(writer.try_clone().expect("a handle")).stderr(writer);
            }
        }
    }

    /// Types on the terminal, if there is one.
    pub fn type_in(&self, keys: &[u8]) {
        if let Outlet::Terminal { pty: Some(pty), .. } = self {
            rustix::io::write(pty.master(), keys).expect("the terminal takes it");
        }
    }

    /// The far end goes away.
    pub fn close(&mut self) {
        match self {
            Outlet::Files(_) => {}
            Outlet::Terminal { pty, gone, .. } => {
                // The reader's handle has to go too, or the terminal stays.
                gone.store(true, Ordering::Relaxed);
                std::thread::sleep(READ_EVERY * 10);
                *pty = None;
            }
            Outlet::Pipe { reader, .. } => *reader = None,
        }
    }

    /// Somebody reads again.
    pub fn unblock(&mut self) {
        match self {
            Outlet::Terminal { pty: Some(_), reads, .. } => {
                *reads.lock().expect("nobody panicked") = true;
            }
            Outlet::Pipe { reader, .. } => {
                if let Some(mut reader) = reader.take() {
                    std::thread::spawn(move || std::io::copy(&mut reader.by_ref(), &mut std::io::sink()));
                }
            }
            _ => {}
        }
    }

    /// What the program has said so far, as far as anybody heard it.
    pub fn said(&self) -> String {
        match self {
            Outlet::Files(dir) => ["stdout", "stderr"]
                .map(|name| std::fs::read(dir.join(name)).unwrap_or_default())
                .map(|bytes| String::from_utf8_lossy(&bytes).into_owned())
                .concat(),
            Outlet::Terminal { said, .. } => {
                String::from_utf8_lossy(&said.lock().expect("nobody panicked")).into_owned()
            }
            Outlet::Pipe { .. } => "(nobody read the pipe)".into(),
        }
    }
}

/// Writes until nothing more goes in. The kernel hands a terminal's bytes on some time later, which makes room again: full is
/// what stays full.
fn fill(fd: impl AsFd) {
    loop {
        let mut went_in = false;
        while rustix::io::write(&fd, &[b' '; 256]).is_ok() {
            went_in = true;
        }
        while rustix::io::write(&fd, b" ").is_ok() {
            went_in = true;
        }
        if !went_in {
            return;
        }
        std::thread::sleep(READ_EVERY * 5);
    }
}

/// Reads what comes while `on`, until `gone`.
fn read_all(master: &OwnedFd, keep: &Mutex<Vec<u8>>, on: &Mutex<bool>, gone: &AtomicBool) {
    let mut buffer = [0; 4096];
    while !gone.load(Ordering::Relaxed) {
        let on = on.lock().expect("nobody panicked");
        if *on {
            match rustix::io::read(master, &mut buffer) {
                Ok(count) => keep.lock().expect("nobody panicked").extend_from_slice(&buffer[..count]),
                Err(rustix::io::Errno::AGAIN) => {}
                Err(_) => return,
            }
        }
        drop(on);
        std::thread::sleep(READ_EVERY);
    }
}
