//! The reader: one thread per port, since two readers of one port take each other's bytes.

use super::Handle;
use crate::engine::Input;
use crate::shell::clock::{Clock, go_before_others};
use crate::shell::drive::{Inbox, Message, spawn_watched};
use crate::shell::planted;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// How long a reader waits before it looks whether the run is over.
pub const READ_WITHIN: Duration = Duration::from_millis(100);

/// Starts the reader of a link. It stamps each chunk when it has it and passes it on as it came:
/// split, merged, late. When the port is gone it says so once and ends.
///
/// # Errors
/// The system starts no more threads.
pub fn spawn_reader(
    link: usize,
    handle: Handle,
    clock: Clock,
    inbox: Inbox,
    over: Arc<AtomicBool>,
) -> std::io::Result<std::thread::JoinHandle<()>> {
    let who = format!("reader {link}");
    spawn_watched(&who.clone(), clock, inbox.clone(), move || {
        // Said once, by the engine's thread.
        go_before_others();
        let mut buffer = [0; 4096];
        while !over.load(Ordering::Relaxed) {
            planted::panic_if_asked(&who);
            let input = match handle.read(&mut buffer, READ_WITHIN) {
                Ok(0) => continue,
                Ok(count) => Input::Bytes { link, bytes: buffer[..count].to_vec() },
                Err(errno) => Input::LinkLost { link, why: format!("the port is gone ({errno})") },
            };
            let gone = matches!(input, Input::LinkLost { .. });
            let listening = inbox.send(Message { at: clock.now(), input }).is_ok();
            if gone || !listening {
                return;
            }
        }
    })
}
