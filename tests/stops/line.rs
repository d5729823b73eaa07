//! The serial line between the runner and the twin, in the hands of the test: it lets bytes through, and can be
//! cut, slowed, flooded or torn out. What the runner sends tells in which phase it is, whatever it says of itself.

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode as FileMode, OFlags};
use spinproof::shell::clock::monotonic_micros;
use spinproof::shell::pty::Pty;
use std::collections::VecDeque;
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard};

/// What the line does with bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Manner {
    Through,
    /// Nothing passes, either way.
    Cut,
    /// Replies come so many microseconds late.
    Late(i64),
    /// Lines that nobody asked for, as many as the line takes, between the replies.
    Chatter,
    /// Bytes without sense, as many as the line takes, within the replies as well.
    Babble,
    /// The runner's port is gone.
    Gone,
}

/// What the line has seen and what it is to do.
struct Shared {
    manner: Manner,
    /// Another controller to talk to.
    other: Option<OwnedFd>,
    heard: Heard,
    over: bool,
}

/// What the runner has said so far. Counted as it comes: looking through all of it again and again, with the pump kept
/// waiting, made the line so late that the bench tripped.
#[derive(Debug, Clone, Copy, Default)]
pub struct Heard {
    /// Polls of the drive.
    pub polls: usize,
    /// The newest speed demand, rpm.
    pub demand: f64,
    /// Speed demands at the top, 299 rpm and above.
    pub at_the_top: usize,
    /// Stop frames.
    pub stops: usize,
}

impl Heard {
    fn line(&mut self, line: &str) {
        if line == "MEAS:DRIV?" {
            self.polls += 1;
        } else if let Some(demand) = line.strip_prefix("SOUR:SPE ") {
            self.demand = demand.split(';').next().and_then(|d| d.parse().ok()).unwrap_or(0.0);
            self.at_the_top += usize::from(self.demand > 299.0);
        } else if line.starts_with("CONT:WORD 0;") {
            self.stops += 1;
        }
    }
}

pub struct Line {
    shared: Arc<Mutex<Shared>>,
    path: PathBuf,
    thread: Option<std::thread::JoinHandle<()>>,
}

/// The end that the runner's bytes come out of.
struct Near {
    fd: OwnedFd,
    /// The pseudo-terminal it belongs to, if it is ours.
    _pty: Option<Pty>,
}

impl Line {
    pub fn to(twin: &Path) -> Line {
        let pty = Pty::open(None).expect("a pty");
        let path = pty.path().to_path_buf();
        let fd = pty.master().try_clone_to_owned().expect("a handle");
        let line = Line::pumped(Near { fd, _pty: Some(pty) }, path);
        line.join(twin);
        line
    }

    /// A line that comes out at a descriptor which does not block; the runner finds it at `path`. No controller yet.
    pub fn over(fd: OwnedFd, path: PathBuf) -> Line {
        Line::pumped(Near { fd, _pty: None }, path)
    }

    fn pumped(near: Near, path: PathBuf) -> Line {
        let shared = Shared { manner: Manner::Through, other: None, heard: Heard::default(), over: false };
        let shared = Arc::new(Mutex::new(shared));
        let mine = Arc::clone(&shared);
        let thread = std::thread::spawn(move || {
            crate::ahead::in_real_time();
            Pump::new(near, mine).run();
        });
        Line { shared, path, thread: Some(thread) }
    }

    /// Where the runner finds it.
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn lock(&self) -> MutexGuard<'_, Shared> {
        self.shared.lock().expect("the pump did not panic")
    }

    pub fn set(&self, manner: Manner) {
        self.lock().manner = manner;
    }

    /// Joins the runner to another controller from now on.
    pub fn join(&self, twin: &Path) {
        self.lock().other = Some(open(twin));
    }

    /// What the runner has said so far.
    pub fn heard(&self) -> Heard {
        self.lock().heard
    }
}

impl Drop for Line {
    fn drop(&mut self) {
        self.lock().over = true;
        if let Some(thread) = self.thread.take() {
            thread.join().expect("the pump did not panic");
        }
    }
}

/// Opens a terminal without ever waiting for it.
pub fn open(path: &Path) -> OwnedFd {
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    rustix::fs::open(path, flags, FileMode::empty()).expect("it opens")
}

struct Pump {
    near: Option<Near>,
    twin: Option<OwnedFd>,
    shared: Arc<Mutex<Shared>>,
    half: Vec<u8>,
    late: VecDeque<(i64, Vec<u8>)>,
    flooded: i64,
    babble: u8,
}

/// What 460 800 baud carry in a millisecond, a start and a stop bit to each byte.
const BYTES_A_MS: i64 = 46;

impl Pump {
    fn new(near: Near, shared: Arc<Mutex<Shared>>) -> Pump {
        Pump {
            near: Some(near),
            twin: None,
            shared,
            half: Vec::new(),
            late: VecDeque::new(),
            flooded: 0,
            babble: 1,
        }
    }

    fn run(mut self) {
        let mut buffer = [0; 4096];
        loop {
            let manner = {
                let mut shared = self.shared.lock().expect("the test did not panic with it");
                if shared.over {
                    return;
                }
                if let Some(other) = shared.other.take() {
                    self.twin = Some(other);
                }
                shared.manner
            };
            if manner == Manner::Gone {
                self.near = None;
            }
            self.wait();
            let now = monotonic_micros();
            if let Some(count) = self.near.as_ref().and_then(|n| rustix::io::read(&n.fd, &mut buffer).ok()) {
                self.note(&buffer[..count]);
                if manner != Manner::Cut
                    && let Some(twin) = &self.twin
                {
                    // A line without flow control: what nobody takes is lost.
                    let _ = rustix::io::write(twin, &buffer[..count]);
                }
            }
            if let Some(count) = self.twin.as_ref().and_then(|t| rustix::io::read(t, &mut buffer).ok())
                && manner != Manner::Cut
            {
                let by = if let Manner::Late(by) = manner { by } else { 0 };
                self.late.push_back((now + by, buffer[..count].to_vec()));
            }
            self.flood(now, manner);
            while let Some((_, bytes)) = self.late.pop_front_if(|(due, _)| *due <= now) {
                self.to_runner(&bytes);
            }
        }
    }

    fn wait(&self) {
        let mut fds = Vec::new();
        if let Some(near) = &self.near {
            fds.push(PollFd::new(&near.fd, PollFlags::IN));
        }
        if let Some(twin) = &self.twin {
            fds.push(PollFd::new(twin, PollFlags::IN));
        }
        let short = Timespec { tv_sec: 0, tv_nsec: 2_000_000 };
        let ready = poll(&mut fds, Some(&short));
        // A hung-up end is always ready: no reason to spin.
        if ready.is_ok() && fds.iter().any(|fd| fd.revents().contains(PollFlags::HUP)) {
            std::thread::sleep(std::time::Duration::from_millis(1));
        }
    }

    fn note(&mut self, bytes: &[u8]) {
        for byte in bytes {
            if *byte != b'\n' {
                self.half.push(*byte);
                continue;
            }
            let line = String::from_utf8_lossy(&std::mem::take(&mut self.half)).into_owned();
            self.shared.lock().expect("the test did not panic with it").heard.line(&line);
        }
    }

    fn flood(&mut self, now: i64, manner: Manner) {
        let due = (now - self.flooded).min(20_000) * BYTES_A_MS / 1000;
        if due < BYTES_A_MS {
            return;
        }
        self.flooded = now;
        match manner {
            Manner::Chatter => {
                for _ in 0..due / 16 {
                    self.to_runner(b"# nobody asked\n");
                }
            }
            Manner::Babble => {
                let bytes: Vec<u8> = (0..due)
                    .map(|_| {
                        self.babble = self.babble.wrapping_mul(5).wrapping_add(29);
                        self.babble
                    })
                    .collect();
                self.to_runner(&bytes);
            }
            _ => {}
        }
    }

    fn to_runner(&self, bytes: &[u8]) {
        if let Some(near) = &self.near {
            let _ = rustix::io::write(&near.fd, bytes);
        }
    }
}
