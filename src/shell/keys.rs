//! Keys of the person at the pedal: single presses while the drive is theirs, and the terminal given back as it was.
//!
//! The terminal hands over keys one by one, unechoed, only while the engine wants them. Ctrl-C stays a signal. It is given
//! back by this thread, and by whoever drops the run, should this thread be gone.

use crate::engine::{Input, StopReason};
use crate::shell::arrivals::{Inbox, Message};
use crate::shell::clock::Clock;
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::process::getpgrp;
use rustix::termios::{
    InputModes, LocalModes, OptionalActions, SpecialCodeIndex, Termios, tcgetattr, tcgetpgrp, tcsetattr,
};
use std::io;
use std::os::fd::{AsFd, BorrowedFd};
use std::sync::mpsc::{Receiver, TryRecvError};
use std::sync::{Arc, Mutex, PoisonError};

/// How soon the thread notices that keys are wanted no more.
const NOTICED_WITHIN: Timespec = Timespec { tv_sec: 0, tv_nsec: 50_000_000 };

/// First byte of what arrow and function keys send: one key, several bytes.
const ESCAPE: u8 = 0x1B;

/// A terminal whose keys may be taken one by one; clones share what it was before.
#[derive(Debug)]
pub struct Terminal<F> {
    fd: Arc<F>,
    before: Arc<Mutex<Option<Termios>>>,
}

impl<F> Clone for Terminal<F> {
    fn clone(&self) -> Terminal<F> {
        Terminal { fd: Arc::clone(&self.fd), before: Arc::clone(&self.before) }
    }
}

impl<F: AsFd> Terminal<F> {
    /// A terminal as it is.
    pub fn new(fd: F) -> Terminal<F> {
        Terminal { fd: Arc::new(fd), before: Arc::default() }
    }

    /// Keys one by one from here on, without echo. What was typed before is thrown away.
    fn take(&self) -> io::Result<()> {
        let before = tcgetattr(&self.fd)?;
        let mut modes = before.clone();
        modes.local_modes.remove(LocalModes::ICANON | LocalModes::ECHO | LocalModes::IEXTEN);
        // Ctrl-S is a key that stops, not one that freezes the screen.
        modes.input_modes.remove(InputModes::IXON);
        modes.special_codes[SpecialCodeIndex::VMIN] = 1;
        modes.special_codes[SpecialCodeIndex::VTIME] = 0;
        self.kept().get_or_insert(before);
        Ok(tcsetattr(&self.fd, OptionalActions::Flush, &modes)?)
    }

    /// The terminal as it was, if it was taken; keys that nobody read are thrown away. In the background it is left to the
    /// shell, which would stop a program that changes it from there.
    pub fn give_back(&self) {
        let Some(before) = self.kept().take() else { return };
        let in_background = tcgetpgrp(&self.fd).is_ok_and(|foreground| foreground != getpgrp());
        if !in_background {
            // A terminal that is gone needs nothing.
            let _ = tcsetattr(&self.fd, OptionalActions::Flush, &before);
        }
    }

    fn kept(&self) -> std::sync::MutexGuard<'_, Option<Termios>> {
        self.before.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The keys' thread: reads them while they are wanted, until the engine is gone.
pub fn watch<F: AsFd>(terminal: &Terminal<F>, wanted: &Receiver<bool>, clock: &Clock, inbox: &Inbox) {
    let give_back = GiveBack(terminal);
    let send = |input: Input| inbox.send(Message { at: clock.now(), input }).is_ok();
    while let Ok(on) = wanted.recv() {
        if !on {
            continue;
        }
        let stop = match terminal.take() {
            Ok(()) if send(Input::Listening { by: "at the terminal".into(), person: true }) => {
                read(terminal.fd.as_fd(), wanted, &send)
                    .err()
                    .map(|e| StopReason::Operator(format!("the terminal gives no more keys: {e}")))
            }
            Ok(()) => return,
            Err(e) => Some(StopReason::Trouble(format!("no keys can be read from the terminal: {e}"))),
        };
        give_back.0.give_back();
        if stop.is_some_and(|reason| !send(Input::Stop(reason))) {
            return;
        }
    }
}

/// Gives the terminal back however the thread ends.
struct GiveBack<'t, F: AsFd>(&'t Terminal<F>);

impl<F: AsFd> Drop for GiveBack<'_, F> {
    fn drop(&mut self) {
        self.0.give_back();
    }
}

/// Sends key by key until they are wanted no more, or the engine is gone.
fn read(fd: BorrowedFd<'_>, wanted: &Receiver<bool>, send: &dyn Fn(Input) -> bool) -> io::Result<()> {
    let mut bytes = [0; 64];
    loop {
        match wanted.try_recv() {
            Ok(true) | Err(TryRecvError::Empty) => {}
            Ok(false) | Err(TryRecvError::Disconnected) => return Ok(()),
        }
        match poll(&mut [PollFd::new(&fd, PollFlags::IN)], Some(&NOTICED_WITHIN)) {
            Ok(0) | Err(rustix::io::Errno::INTR) => continue,
            Ok(_) => {}
            Err(e) => return Err(e.into()),
        }
        let n = rustix::io::read(fd, &mut bytes)?;
        if n == 0 {
            return Err(io::Error::new(io::ErrorKind::UnexpectedEof, "it was closed"));
        }
        for key in keys(&bytes[..n]) {
            if !send(Input::Key { key }) {
                return Ok(());
            }
        }
    }
}

/// One byte per key: what follows an escape in the same piece belongs to it.
fn keys(bytes: &[u8]) -> impl Iterator<Item = u8> {
    let end = bytes.iter().position(|b| *b == ESCAPE).map_or(bytes.len(), |at| at + 1);
    bytes[..end].iter().copied()
}

#[cfg(test)]
mod tests;
