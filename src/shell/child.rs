//! The twin as a process of its own, in a session of its own: what kills the runner leaves it alive,
//! so that its own command timeout can be seen to act.

use std::ffi::OsString;
use std::fs::File;
use std::io;
use std::os::fd::AsFd;
use std::path::{Path, PathBuf};
use std::process::{ExitStatus, Stdio};
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, BufReader, Lines};
use tokio::process::{Child, ChildStdin, ChildStdout, Command};

/// What the child says on its standard output once its port is there: this, then the path.
pub const READY: &str = "ready ";

/// What it says before that of each port beside the first, in their order.
pub const FURTHER: &str = "further port ";

/// What it says afterwards each time that it stood still: this, then from when and until when, CLOCK_MONOTONIC in
/// microseconds.
pub const STOOD_STILL: &str = "stood still ";

/// How long the child may take to get ready.
const READY_WITHIN: Duration = Duration::from_secs(10);

/// How long it may take to end by itself after the runner has let go: it may linger half a minute
/// until its machine is at rest. After that it is told to, then made to.
const ENDS_WITHIN: Duration = Duration::from_secs(35);
const ENDS_WHEN_TOLD_WITHIN: Duration = Duration::from_secs(2);

/// Why there is no twin.
#[derive(Debug, thiserror::Error)]
pub enum ChildError {
    /// The program could not be started.
    #[error("the twin could not be started as `{program}`: {why}")]
    Start {
        /// The program.
        program: String,
        /// What the system says.
        why: io::Error,
    },
    /// It ended before it was ready.
    #[error("the twin ended before it was ready ({status}); it says: {says}")]
    Ended {
        /// How it ended.
        status: ExitStatus,
        /// The end of what it wrote to its log.
        says: String,
    },
    /// It did not get ready.
    #[error("the twin was not ready within {} s; it says: {says}", READY_WITHIN.as_secs())]
    NotReady {
        /// The end of what it wrote to its log.
        says: String,
    },
    /// Something about pipes and processes.
    #[error("the twin cannot be talked to: {0}")]
    Io(#[from] io::Error),
}

/// What a running twin says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Word {
    /// It did nothing for a while; CLOCK_MONOTONIC in microseconds.
    StoodStill {
        /// From when.
        from: i64,
        /// Until when.
        to: i64,
    },
    /// It ended; how, in words.
    Ended(String),
}

/// A running twin.
#[derive(Debug)]
pub struct TwinChild {
    child: Child,
    /// Its end of this pipe closes when the runner is gone, however it went.
    runner: Option<ChildStdin>,
    /// `None` once it says nothing more.
    says: Option<Lines<BufReader<ChildStdout>>>,
    port: PathBuf,
    further: Vec<PathBuf>,
}

impl TwinChild {
    /// Starts `program` with `args`, which must make it call [`own_session`] and print
    /// [`READY`] with the path of its port. What it has to say goes to the file `log`.
    ///
    /// # Errors
    /// It does not start, or is not ready in time; then nothing is left running.
    pub async fn start(program: &Path, args: &[OsString], log: &Path) -> Result<TwinChild, ChildError> {
        let said = File::create(log)?;
        let started = Command::new(program)
            .args(args)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(said)
            .kill_on_drop(false)
            .spawn();
        let mut child =
            started.map_err(|why| ChildError::Start { program: program.display().to_string(), why })?;
        let runner = child.stdin.take();
        let stdout = child.stdout.take().ok_or_else(|| io::Error::other("its output is not connected"))?;
        let mut lines = BufReader::new(stdout).lines();
        let ready = async {
            let mut further = Vec::new();
            while let Some(line) = lines.next_line().await? {
                if let Some(path) = line.strip_prefix(FURTHER) {
                    further.push(PathBuf::from(path));
                }
                if let Some(path) = line.strip_prefix(READY) {
                    return Ok(Some((PathBuf::from(path), further)));
                }
            }
            Ok::<_, io::Error>(None)
        };
        let outcome = tokio::time::timeout(READY_WITHIN, ready).await;
        if let Ok(Ok(Some((port, further)))) = outcome {
            return Ok(TwinChild { child, runner, says: Some(lines), port, further });
        }
        drop(runner);
        // Nothing has been driven yet, so it can be ended at once.
        let _ = child.start_kill();
        let status = child.wait().await?;
        let says = last_words(log);
        match outcome {
            Err(_) => Err(ChildError::NotReady { says }),
            Ok(Err(why)) => Err(ChildError::Io(why)),
            Ok(Ok(_)) => Err(ChildError::Ended { status, says }),
        }
    }

    /// The device to open, for the rig's first link.
    pub fn port(&self) -> &Path {
        &self.port
    }

    /// Somebody to say beside the line what a hand does to the shaft; the twin does not end before it has let go as well.
    ///
    /// # Errors
    /// No descriptor is left.
    pub fn hand(&self) -> io::Result<Option<File>> {
        let held = self.runner.as_ref().map(|runner| runner.as_fd().try_clone_to_owned());
        Ok(held.transpose()?.map(File::from))
    }

    /// The device to open for a link of the rig, by its index; `None` if the twin has no such port.
    pub fn port_of(&self, link: usize) -> Option<&Path> {
        match link {
            0 => Some(&self.port),
            _ => self.further.get(link - 1).map(PathBuf::as_path),
        }
    }

    /// The process, while it has not been waited for.
    pub fn process(&self) -> Option<u32> {
        self.child.id()
    }

    /// Waits for what it says, or for its end, which should not come during a run. Nothing is lost if this is dropped while it
    /// waits.
    pub async fn heard(&mut self) -> Word {
        while let Some(says) = &mut self.says {
            match says.next_line().await {
                Ok(Some(line)) => {
                    if let Some(word) = stood_still(&line) {
                        return word;
                    }
                }
                Ok(None) | Err(_) => self.says = None,
            }
        }
        Word::Ended(match self.child.wait().await {
            Ok(status) => format!("the twin ended ({status})"),
            Err(why) => format!("the twin cannot be waited for: {why}"),
        })
    }

    /// Lets go of it and waits until it has finished its truth log and ended. One that does not end
    /// is told to, and then made to.
    ///
    /// # Errors
    /// It cannot be waited for.
    pub async fn finish(mut self) -> io::Result<ExitStatus> {
        drop(self.runner.take());
        if let Ok(status) = tokio::time::timeout(ENDS_WITHIN, self.child.wait()).await {
            return status;
        }
        let pid =
            self.child.id().and_then(|id| i32::try_from(id).ok()).and_then(rustix::process::Pid::from_raw);
        if let Some(pid) = pid {
            rustix::process::kill_process(pid, rustix::process::Signal::TERM)?;
        }
        if let Ok(status) = tokio::time::timeout(ENDS_WHEN_TOLD_WITHIN, self.child.wait()).await {
            return status;
        }
        self.child.kill().await?;
        self.child.wait().await
    }
}

/// Reads what a twin says of its own lateness; nothing of any other line.
fn stood_still(line: &str) -> Option<Word> {
    let (from, to) = line.strip_prefix(STOOD_STILL)?.split_once(' ')?;
    Some(Word::StoodStill { from: from.parse().ok()?, to: to.parse().ok()? })
}

/// Called by the twin's process as its first act: from here on no Ctrl-C of the runner's terminal
/// and no closing of it reaches this process.
///
/// # Errors
/// It leads a group of processes already, so that it cannot found a session.
pub fn own_session() -> io::Result<()> {
    rustix::process::setsid()?;
    Ok(())
}

/// The end of a log, on one line.
fn last_words(log: &Path) -> String {
    let text =
        std::fs::read(log).map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).unwrap_or_default();
    let lines: Vec<&str> = text.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    if lines.is_empty() { "nothing".to_string() } else { lines[lines.len().saturating_sub(3)..].join(" / ") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_twin_says_that_it_stood_still_and_anything_else_is_passed_over() {
        assert_eq!(stood_still("stood still 12 160"), Some(Word::StoodStill { from: 12, to: 160 }));
        for line in ["stood still 12", "stood still a b", "ready /dev/pts/3", ""] {
            assert_eq!(stood_still(line), None, "{line}");
        }
    }
}
