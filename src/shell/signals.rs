//! Signals: each is a stop, and none is a way out without one. A runner that is suspended watches nothing, so what would
//! suspend it (Ctrl-Z) stops too.

use std::io;
use tokio::signal::unix::{Signal, SignalKind, signal};

/// The signals that mean a stop, caught from now on for as long as the process lives. Ctrl-Z and Ctrl-\ are among them:
/// who presses them wants the machine to stop, and a program that sleeps or is dead cannot see to it.
#[derive(Debug)]
pub struct Signals {
    interrupt: Signal,
    terminate: Signal,
    hang_up: Signal,
    quit: Signal,
    suspend: Signal,
}

impl Signals {
    /// Catches them; call it within a tokio runtime and before anything turns.
    ///
    /// # Errors
    /// What the system says.
    pub fn catch() -> io::Result<Signals> {
        Ok(Signals {
            interrupt: signal(SignalKind::interrupt())?,
            terminate: signal(SignalKind::terminate())?,
            hang_up: signal(SignalKind::hangup())?,
            quit: signal(SignalKind::quit())?,
            suspend: signal(SignalKind::from_raw(rustix::process::Signal::TSTP.as_raw()))?,
        })
    }

    /// Waits for the next one and says which, in words.
    pub async fn next(&mut self) -> &'static str {
        tokio::select! {
            _ = self.interrupt.recv() => "SIGINT (Ctrl-C)",
            _ = self.terminate.recv() => "SIGTERM",
            _ = self.hang_up.recv() => "SIGHUP (the terminal was closed)",
            _ = self.quit.recv() => "SIGQUIT (Ctrl-\\)",
            _ = self.suspend.recv() => "SIGTSTP (Ctrl-Z)",
        }
    }
}
