//! Which ports this version opens. Everything that may open one asks here.

use super::{PortError, PortTrouble, trouble_of, trouble_of_io};
use std::path::PathBuf;

/// Major numbers of the slave side of pseudo-terminals (Linux `Documentation/admin-guide/devices.txt`,
/// "Unix98 PTY slaves").
const PTY_MAJORS: std::ops::RangeInclusive<u32> = 136..=143;

/// What a link's port is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PortKind {
    /// The twin, started by this program.
    Twin,
    /// A pseudo-terminal, by its resolved path.
    Pty(PathBuf),
    /// Any other serial device, by its resolved path: something real may turn behind it.
    Real(PathBuf),
}

/// Says whether a link's port may be opened, and what it is.
///
/// # Errors
/// A port that does not exist or is no device, and what [`may_open`] refuses.
pub fn admitted(port: &str) -> Result<PortKind, PortError> {
    let kind = kind_of(port)?;
    may_open(port, &kind)?;
    Ok(kind)
}

/// The one place where it is decided whether a port of this kind may be opened. `port` is as the rig file gives it.
///
/// # Errors
/// Every real port: those stay closed until every cell of the matrix of stops has held, again and again, and a board has
/// been commissioned over one.
pub fn may_open(port: &str, kind: &PortKind) -> Result<(), PortError> {
    match kind {
        PortKind::Twin | PortKind::Pty(_) => Ok(()),
        PortKind::Real(_) => Err(PortError::new(port, PortTrouble::Real)),
    }
}

fn kind_of(port: &str) -> Result<PortKind, PortError> {
    if port == "twin" {
        return Ok(PortKind::Twin);
    }
    let path = std::fs::canonicalize(port).map_err(|e| PortError::new(port, trouble_of_io(&e)))?;
    let stat = rustix::fs::stat(&path).map_err(|e| PortError::new(port, trouble_of(e)))?;
    if !rustix::fs::FileType::from_raw_mode(stat.st_mode).is_char_device() {
        return Err(PortError::new(port, PortTrouble::NotSerial));
    }
    let is_slave = PTY_MAJORS.contains(&rustix::fs::major(stat.st_rdev)) && path.starts_with("/dev/pts");
    Ok(if is_slave { PortKind::Pty(path) } else { PortKind::Real(path) })
}
