//! Where the program's words go: files, a terminal, pipes; each can be full from the start, or close.

use crate::table::Phase;
use rustix::fs::{Mode, OFlags};
use spinproof::shell::pty::Pty;
use std::fs::File;
use std::io::{PipeReader, Read};
use std::os::fd::{AsFd, OwnedFd};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

pub enum Outlet {
    /// Nobody can be asked there.
    Files(PathBuf),
    /// A terminal for all three; read from unless it is blocked.
    Terminal {
        pty: Option<Pty>,
        path: PathBuf,
        said: Arc<Mutex<Vec<u8>>>,
        reads: Arc<AtomicBool>,
        session: bool,
    },
    /// A pipe for output and errors; the ends that read and write.
    Pipe { reader: Option<PipeReader>, writer: Mutex<Option<std::io::PipeWriter>> },
}

impl Outlet {
    pub fn of(fault: &str, phase: Phase, dir: &Path) -> Outlet {
        match fault {
            "blocked pipes" | "closed pipes" => {
                let (reader, writer) = std::io::pipe().expect("a pipe");
                if fault == "blocked pipes" {
                    rustix::io::ioctl_fionbio(&writer, true).expect("a pipe");
                    fill(&writer);
                    rustix::io::ioctl_fionbio(&writer, false).expect("a pipe");
                }
                Outlet::Pipe { reader: Some(reader), writer: Mutex::new(Some(writer)) }
            }
            "blocked terminal" => Outlet::terminal(true, false),
            "closed terminal" => Outlet::terminal(false, true),
            _ if phase == Phase::Questions => Outlet::terminal(false, false),
            _ => Outlet::Files(dir.to_path_buf()),
        }
    }

    fn terminal(blocked: bool, session: bool) -> Outlet {
        let pty = Pty::open(None).expect("a pty");
        let path = pty.path().to_path_buf();
        let master = pty.master().try_clone_to_owned().expect("a handle");
        if blocked {
            let flags = OFlags::WRONLY | OFlags::NOCTTY | OFlags::NONBLOCK;
            fill(rustix::fs::open(&path, flags, Mode::empty()).expect("ours"));
        }
        let said = Arc::new(Mutex::new(Vec::new()));
        let reads = Arc::new(AtomicBool::new(!blocked));
        let (keep, on) = (Arc::clone(&said), Arc::clone(&reads));
        std::thread::spawn(move || read_all(&master, &keep, &on));
        Outlet::Terminal { pty: Some(pty), path, said, reads, session }
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
            Outlet::Terminal { pty, reads, .. } => {
                // The reader's handle has to go too, or the terminal stays.
                reads.store(false, Ordering::Relaxed);
                std::thread::sleep(std::time::Duration::from_millis(20));
                *pty = None;
            }
            Outlet::Pipe { reader, .. } => *reader = None,
        }
    }

    /// Somebody reads again.
    pub fn unblock(&mut self) {
        match self {
            Outlet::Terminal { pty: Some(_), reads, .. } => reads.store(true, Ordering::Relaxed),
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

fn fill(fd: impl AsFd) {
    while rustix::io::write(&fd, &[b' '; 256]).is_ok() {}
    while rustix::io::write(&fd, b" ").is_ok() {}
}

/// Reads what comes while `on`; ends for good once it was on and is off again.
fn read_all(master: &OwnedFd, keep: &Mutex<Vec<u8>>, on: &AtomicBool) {
    let mut buffer = [0; 4096];
    let mut was_on = false;
    loop {
        let is_on = on.load(Ordering::Relaxed);
        if was_on && !is_on {
            return;
        }
        was_on |= is_on;
        if is_on {
            match rustix::io::read(master, &mut buffer) {
                Ok(count) => keep.lock().expect("nobody panicked").extend_from_slice(&buffer[..count]),
                Err(rustix::io::Errno::AGAIN) => {}
                Err(_) => return,
            }
        }
        std::thread::sleep(std::time::Duration::from_millis(2));
    }
}
