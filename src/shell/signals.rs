//! Signals: each is a stop, and none is a way out without one. A runner that is suspended watches nothing, so what would
//! suspend it (Ctrl-Z) stops too.

use std::io;
use std::task::Poll;
use tokio::signal::unix::{Signal, SignalKind, signal};

/// The signals that mean a stop, caught from now on for as long as the process lives. Ctrl-Z and Ctrl-\ are among them:
/// who presses them wants the machine to stop, and a program that sleeps or is dead cannot see to it.
///
/// Those of a limit and those that a person sends by hand are caught for the same reason: uncaught they end the process, last
/// resort and all, with the shaft at speed. A file beyond its largest size is an error of writing then, and that is a stop.
#[derive(Debug)]
pub struct Signals {
    caught: Vec<(Signal, &'static str)>,
}

/// Their numbers, and what a person reads.
fn stops() -> [(SignalKind, &'static str); 11] {
    let raw = |signal: rustix::process::Signal| SignalKind::from_raw(signal.as_raw());
    [
        (SignalKind::interrupt(), "SIGINT (Ctrl-C)"),
        (SignalKind::terminate(), "SIGTERM"),
        (SignalKind::hangup(), "SIGHUP (the terminal was closed)"),
        (SignalKind::quit(), "SIGQUIT (Ctrl-\\)"),
        (raw(rustix::process::Signal::TSTP), "SIGTSTP (Ctrl-Z)"),
        (SignalKind::user_defined1(), "SIGUSR1"),
        (SignalKind::user_defined2(), "SIGUSR2"),
        (SignalKind::alarm(), "SIGALRM"),
        (raw(rustix::process::Signal::POWER), "SIGPWR (the power fails)"),
        (raw(rustix::process::Signal::XCPU), "SIGXCPU (the limit of processor time)"),
        (raw(rustix::process::Signal::XFSZ), "SIGXFSZ (the limit of a file's size)"),
    ]
}

impl Signals {
    /// Catches them; call it within a tokio runtime and before anything turns.
    ///
    /// # Errors
    /// What the system says.
    pub fn catch() -> io::Result<Signals> {
        let catch = |(kind, words)| Ok((signal(kind)?, words));
        Ok(Signals { caught: stops().into_iter().map(catch).collect::<io::Result<_>>()? })
    }

    /// Waits for the next one and says which, in words.
    pub async fn next(&mut self) -> &'static str {
        std::future::poll_fn(|cx| {
            let come = self
                .caught
                .iter_mut()
                .find_map(|(signal, words)| signal.poll_recv(cx).is_ready().then_some(*words));
            come.map_or(Poll::Pending, Poll::Ready)
        })
        .await
    }
}
