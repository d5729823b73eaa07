//! What can be wrong with a port, in one message each: what, where, how to mend it.

use crate::outcome::Cause;
use crate::shell::ports::holder_of;
use rustix::io::Errno;
use std::fmt;
use std::time::Duration;

/// What is wrong with a port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PortTrouble {
    /// There is no such device.
    Missing,
    /// Another program has it.
    InUse,
    /// This user may not open it.
    NoPermission,
    /// It is a file, a folder, or a device without a line.
    NotSerial,
    /// The port cannot do the line rate.
    Baud {
        /// The rate of the rig file.
        asked: u32,
        /// The nearest that the port does, if it says so.
        got: Option<u32>,
    },
    /// A machine is behind it, and something that must be shown first is not: what, and how to mend it.
    Closed(&'static str),
    /// What the system said.
    Other(String),
}

/// A port that cannot be used. Its text is one sentence for the person at the bench.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PortError {
    /// Path as the rig file gives it.
    pub port: String,
    /// Name of the link, where known.
    pub link: Option<String>,
    /// What is wrong.
    pub trouble: PortTrouble,
    /// Who has it, as "name (process 123)", where that can be seen.
    holder: Option<String>,
}

impl PortError {
    pub(super) fn new(port: impl Into<String>, trouble: PortTrouble) -> PortError {
        let port = port.into();
        let holder = (trouble == PortTrouble::InUse).then(|| holder_of(port.as_ref())).flatten();
        PortError { port, link: None, trouble, holder }
    }

    /// Says to which link the port belongs.
    pub fn on(mut self, link: &str) -> PortError {
        self.link = Some(link.to_string());
        self
    }

    /// The row of the table of outcomes: a port that stays closed is refused, anything else means that the run
    /// could not be made.
    pub fn cause(&self) -> Cause {
        if matches!(self.trouble, PortTrouble::Closed(_)) { Cause::Refused } else { Cause::NotMade }
    }
}

impl std::error::Error for PortError {}

impl fmt::Display for PortError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(link) = &self.link {
            write!(f, "link `{link}`: ")?;
        }
        write!(f, "port `{}` ", self.port)?;
        match &self.trouble {
            PortTrouble::Missing => {
                write!(f, "does not exist; plug the adapter in, or take a port that `spinproof ports` lists")
            }
            PortTrouble::InUse => match &self.holder {
                Some(holder) => write!(f, "is in use by {holder}; end that program first"),
                None => write!(f, "is in use by another program; end that program first"),
            },
            PortTrouble::NoPermission => write!(
                f,
                "may not be opened by this user; serial ports mostly belong to the group `dialout`: \
                 join it with `sudo usermod -aG dialout $USER`, then log in again"
            ),
            PortTrouble::NotSerial => {
                write!(f, "is not a serial device; take a port that `spinproof ports` lists")
            }
            PortTrouble::Baud { asked, got: None } => {
                write!(
                    f,
                    "does not take {asked} baud; set `baud` in the rig file to a rate that board and port share"
                )
            }
            PortTrouble::Baud { asked, got: Some(got) } => write!(
                f,
                "does {got} baud where {asked} baud was asked for; set `baud` in the rig file to a rate that board and port share"
            ),
            PortTrouble::Closed(missing) => write!(f, "has a machine behind it and stays closed: {missing}"),
            PortTrouble::Other(why) => {
                write!(f, "cannot be opened: {why}; `spinproof ports` shows what is known of it")
            }
        }
    }
}

/// Why bytes did not go out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum WriteError {
    /// The port takes nothing.
    #[error("the port took {} of {of} bytes in {} ms and then no more: nobody reads at the other end", .of - .left, .within.as_millis())]
    Blocked {
        /// Bytes not taken.
        left: usize,
        /// Bytes in all.
        of: usize,
        /// How long was waited.
        within: Duration,
    },
    /// The port is gone.
    #[error("the port is gone ({0})")]
    Gone(Errno),
}
