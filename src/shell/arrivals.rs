//! What comes to the engine's thread, and the one wait for all of it: bytes from the ports, messages of other threads,
//! the engine's own deadline.
//!
//! The thread that decides also reads: from the last byte of a reply to the first byte of a stop frame one thread has to
//! wake, as in a bare echo, and not a second one after it.

use crate::engine::{Input, StopReason};
use crate::shell::clock::Clock;
use crate::shell::port::Handle;
use crate::time::Instant;
use rustix::event::{EventfdFlags, PollFd, PollFlags, Timespec, eventfd, poll};
use std::os::fd::{AsFd, OwnedFd};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, TryRecvError, channel};
use std::time::Duration;

/// The longest sleep, so that the last-resort thread hears a beat.
const SLEEP_MAX: Duration = Duration::from_millis(100);

/// An input and the moment it came.
#[derive(Debug)]
pub struct Message {
    /// When it came.
    pub at: Instant,
    /// What came.
    pub input: Input,
}

/// Where everything that other threads have for the engine goes.
#[derive(Debug, Clone)]
pub struct Inbox {
    messages: Sender<Message>,
    bell: Arc<OwnedFd>,
}

/// The engine's end of an [`Inbox`].
#[derive(Debug)]
pub struct InboxEnd {
    messages: Receiver<Message>,
    bell: Arc<OwnedFd>,
}

/// Nobody listens at the other end any more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the engine is gone")]
pub struct Gone;

/// A new inbox.
///
/// # Errors
/// No descriptor is left.
pub fn inbox() -> std::io::Result<(Inbox, InboxEnd)> {
    let bell = Arc::new(eventfd(0, EventfdFlags::NONBLOCK | EventfdFlags::CLOEXEC)?);
    let (send, receive) = channel();
    Ok((Inbox { messages: send, bell: Arc::clone(&bell) }, InboxEnd { messages: receive, bell }))
}

impl Inbox {
    /// Puts a message in and wakes the engine's thread.
    ///
    /// # Errors
    /// The engine is gone.
    pub fn send(&self, message: Message) -> Result<(), Gone> {
        self.messages.send(message).map_err(|_| Gone)?;
        // It refuses only while it rings already.
        let _ = rustix::io::write(&self.bell, &1u64.to_ne_bytes());
        Ok(())
    }
}

#[cfg(test)]
impl InboxEnd {
    /// What came, once it has.
    pub fn recv_timeout(&self, within: Duration) -> Option<Message> {
        self.messages.recv_timeout(within).ok()
    }
}

/// Inputs in the order in which things happened, as far as that can be told.
#[derive(Debug)]
pub(super) struct Arrivals {
    inbox: InboxEnd,
    /// One per link of the plan; none once it is lost.
    links: Vec<Option<Handle>>,
    /// The link that is looked at first: the next one each time, so that none keeps the others waiting.
    first: usize,
    held: Option<Message>,
    /// Bytes have been taken although the deadline had come: it is its turn.
    owed: bool,
    closed: bool,
    buffer: Vec<u8>,
}

impl Arrivals {
    pub fn new(inbox: InboxEnd, links: Vec<Handle>) -> Arrivals {
        Arrivals {
            inbox,
            links: links.into_iter().map(Some).collect(),
            first: 0,
            held: None,
            owed: false,
            closed: false,
            buffer: vec![0; 4096],
        }
    }

    /// The next input: a message, bytes, or the deadline once it has come. A message from before the deadline goes
    /// first even if the thread woke late, and one from after it waits for it; bytes that are there go first once, since
    /// nobody knows when they came. So neither messages nor bytes put a deadline off, nor bytes a message. `None` after a
    /// sleep without any.
    pub fn next(&mut self, clock: &Clock, deadline: Option<Instant>) -> Option<Message> {
        if self.held.is_none() {
            self.held = self.message(clock);
        }
        let now = clock.now();
        let due = deadline.filter(|at| *at <= now);
        let is_due = || Some(Message { at: now, input: Input::Deadline });
        match (self.held.take(), due) {
            (Some(message), Some(at)) if message.at > at => {
                self.held = Some(message);
                is_due()
            }
            (Some(message), _) => Some(message),
            (None, Some(_)) if std::mem::take(&mut self.owed) => is_due(),
            (None, Some(_)) => {
                let bytes = self.wait(clock, Duration::ZERO);
                self.owed = bytes.is_some();
                bytes.or_else(is_due)
            }
            (None, None) => {
                // The bytes put it off after all; the next one gives way again.
                self.owed = false;
                let longest = deadline.map_or(SLEEP_MAX, |at| clock.until(at).min(SLEEP_MAX));
                self.wait(clock, longest)
            }
        }
    }

    /// A message that has come.
    fn message(&mut self, clock: &Clock) -> Option<Message> {
        match self.inbox.messages.try_recv() {
            Ok(message) => Some(message),
            Err(TryRecvError::Disconnected) if !self.closed => {
                self.closed = true;
                let why = "the rest of the program is gone".to_string();
                Some(Message { at: clock.now(), input: Input::Stop(StopReason::Trouble(why)) })
            }
            Err(TryRecvError::Disconnected | TryRecvError::Empty) => None,
        }
    }

    /// Waits for bytes or for the bell, and takes the bytes of one link.
    fn wait(&mut self, clock: &Clock, longest: Duration) -> Option<Message> {
        let count = self.links.len();
        let order: Vec<usize> = (0..count).map(|i| (self.first + i) % count).collect();
        let open = || order.iter().filter_map(|link| Some((*link, self.links[*link].as_ref()?)));
        let mut fds = vec![PollFd::from_borrowed_fd(self.inbox.bell.as_fd(), PollFlags::IN)];
        fds.extend(open().map(|(_, handle)| PollFd::from_borrowed_fd(handle.as_fd(), PollFlags::IN)));
        let timeout =
            Timespec { tv_sec: longest.as_secs() as i64, tv_nsec: i64::from(longest.subsec_nanos()) };
        if poll(&mut fds, Some(&timeout)).is_err() {
            // Interrupted by a signal; whatever else is wrong, the loop goes on to its next deadline.
            return None;
        }
        if !fds[0].revents().is_empty() {
            // What was put in before this is found by the next look into the inbox.
            let _ = rustix::io::read(&self.inbox.bell, &mut [0; 8]);
        }
        let ready =
            open().zip(&fds[1..]).find(|(_, fd)| !fd.revents().is_empty()).map(|((link, _), _)| link)?;
        self.first = (ready + 1) % count;
        self.take(clock, ready)
    }

    /// What has come on a link; its loss, told once.
    fn take(&mut self, clock: &Clock, link: usize) -> Option<Message> {
        let input = match self.links[link].as_ref()?.take(&mut self.buffer) {
            Ok(0) => return None,
            Ok(count) => Input::Bytes { link, bytes: self.buffer[..count].to_vec() },
            Err(errno) => {
                self.links[link] = None;
                Input::LinkLost { link, why: format!("the port is gone ({errno})") }
            }
        };
        Some(Message { at: clock.now(), input })
    }
}

#[cfg(test)]
mod tests;
