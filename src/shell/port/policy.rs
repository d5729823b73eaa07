//! Which ports are opened, and what must have been shown before. Everything that may open one asks here.
//!
//! Whatever the rig file says, a serial device has a machine behind it. A pseudo-terminal has one if the file declares it:
//! a relay can carry a line over a network into one.

use super::{PortError, PortTrouble, trouble_of, trouble_of_io};
use crate::plan::Link;
use std::path::PathBuf;

/// Major numbers of the slave side of pseudo-terminals (Linux `Documentation/admin-guide/devices.txt`,
/// "Unix98 PTY slaves").
const PTY_MAJORS: std::ops::RangeInclusive<u32> = 136..=143;

/// What a link's port is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PortKind {
    /// The twin, started by this program.
    Twin,
    /// A pseudo-terminal with no machine declared behind it, by its resolved path.
    Pty(PathBuf),
    /// A port with a machine behind it, by its resolved path.
    Machine(PathBuf),
}

/// What must have been shown before a port with a machine behind it is opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Need {
    /// Every hazard of the plan was judged, and none forbids it.
    Hazards,
    /// The rig file declares how long a stop takes.
    Reaction,
    /// The guards are answered for by a person at a terminal, or act by wires of their own.
    Guards,
    /// The ladder is enforced, and the rung is open.
    Rung,
    /// A rehearsal passed, or somebody said why there is none.
    Rehearsal,
}

impl Need {
    /// All of them, the cheapest to show first.
    pub const ALL: [Need; 5] = [Need::Hazards, Need::Reaction, Need::Guards, Need::Rung, Need::Rehearsal];

    /// What is missing and how to mend it.
    fn missing(self) -> &'static str {
        match self {
            Need::Hazards => {
                "the hazards of this plan are not shown to fit; `spinproof check` with rig, unit and suite says which"
            }
            Need::Reaction => {
                "the rig file does not declare how long a stop takes; measure it on this bench and add `[reaction]` with \
                 `runner`, `adapter` and `controller`, each at its longest"
            }
            Need::Guards => {
                "nobody at a terminal answers for the guards, and an answers file alone stops nothing; run it from a \
                 terminal without --answers and with questions in the rig's [ready], or declare under [hard_wired] in the rig `unattended = true` with \
                 contactor, guard switch and thermal cut-out"
            }
            Need::Rung => {
                "its rung is not shown to be open; climb from the lowest rung that is closed (`spinproof ladder`)"
            }
            Need::Rehearsal => {
                "no rehearsal with the parameters of rig and unit passed; let it be made, or say why there is none with \
                 --no-rehearsal REASON"
            }
        }
    }
}

/// What has been shown so far.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Shown(Vec<(Need, bool)>);

impl Shown {
    /// Says whether something was shown; the newest word counts.
    pub fn say(&mut self, need: Need, holds: bool) {
        self.0.retain(|(said, _)| *said != need);
        self.0.push((need, holds));
    }

    /// The first that is known not to hold: no need to go on and ask for the rest.
    fn failed(&self) -> Option<Need> {
        Need::ALL.into_iter().find(|need| self.0.contains(&(*need, false)))
    }

    /// The first that is not shown, whether it failed or was never looked at.
    fn missing(&self) -> Option<Need> {
        Need::ALL.into_iter().find(|need| !self.0.contains(&(*need, true)))
    }
}

/// What a link's port is; nothing is opened for it.
///
/// # Errors
/// A port that does not exist, or is no serial device.
pub fn look_at(link: &Link) -> Result<PortKind, PortError> {
    kind_of(&link.port, link.machine).map_err(|error| error.on(&link.name))
}

/// The one place where it is decided whether the port of a link may be opened.
///
/// # Errors
/// A port with a machine behind it for which anything of [`Need::ALL`] is not shown: the first that is missing.
pub fn may_open(link: &Link, kind: &PortKind, shown: &Shown) -> Result<(), PortError> {
    refused(link, kind, shown.missing())
}

/// As [`may_open`], before everything has been looked at: refuses what cannot be opened any more.
///
/// # Errors
/// As for [`may_open`], for what is known not to hold.
pub fn may_yet_open(link: &Link, kind: &PortKind, shown: &Shown) -> Result<(), PortError> {
    refused(link, kind, shown.failed())
}

fn refused(link: &Link, kind: &PortKind, missing: Option<Need>) -> Result<(), PortError> {
    match (kind, missing) {
        (PortKind::Twin | PortKind::Pty(_), _) | (PortKind::Machine(_), None) => Ok(()),
        (PortKind::Machine(_), Some(need)) => {
            Err(PortError::new(&link.port, PortTrouble::Closed(need.missing())).on(&link.name))
        }
    }
}

fn kind_of(port: &str, machine: bool) -> Result<PortKind, PortError> {
    if port == "twin" {
        return Ok(PortKind::Twin);
    }
    let path = std::fs::canonicalize(port).map_err(|e| PortError::new(port, trouble_of_io(&e)))?;
    let stat = rustix::fs::stat(&path).map_err(|e| PortError::new(port, trouble_of(e)))?;
    let is_device = rustix::fs::FileType::from_raw_mode(stat.st_mode).is_char_device();
    let (major, minor) = (rustix::fs::major(stat.st_rdev), rustix::fs::minor(stat.st_rdev));
    if !is_device || !may_be_terminal(major, minor) {
        return Err(PortError::new(port, PortTrouble::NotSerial));
    }
    let is_slave = PTY_MAJORS.contains(&major) && path.starts_with("/dev/pts");
    Ok(if is_slave && !machine { PortKind::Pty(path) } else { PortKind::Machine(path) })
}

/// Whether the kernel counts a device among its terminals, as it does serial ports; yes where it does not say.
fn may_be_terminal(major: u32, minor: u32) -> bool {
    let subsystem = std::fs::read_link(format!("/sys/dev/char/{major}:{minor}/subsystem"));
    subsystem.map_or(true, |path| path.file_name() == Some("tty".as_ref()))
}
