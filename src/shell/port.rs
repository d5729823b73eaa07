//! A serial port as the shell uses it: opened and set up through `serialport`, read and written by the engine's thread,
//! with a bound on how long writing may take.
//!
//! A port is opened twice. `serialport` opens it for exclusive use, sets line rate and frame, and
//! holds it so to the end. Bytes go over a descriptor of our own that never blocks: a blocking write
//! to a port that takes no bytes would hang the engine, whatever a poll before it has promised.
//!
//! Which ports are opened at all is decided in one place, [`may_open`]. What opening does: exclusive use (TIOCEXCL and a
//! lock), line rate and frame read back, the modem lines left alone where that can be, `settle` waited for, and what
//! came until then (a board's greeting) thrown away. Identification asks three times.

mod error;
mod policy;

pub use error::{PortError, PortTrouble, WriteError};
pub use policy::{Need, PortKind, Shown, look_at, may_open, may_yet_open};

use crate::plan::{Frame, Link};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;
use serialport::{DataBits, Parity, SerialPort, StopBits, TTYPort};
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant as StdInstant};

/// How long a write may wait for the port to take bytes; then the link counts as lost. It is half of
/// the 100 ms after which the demo controller stops by itself (common practice: boards differ).
pub const WRITE_WITHIN: Duration = Duration::from_millis(50);

/// How far a driver's line rate may be off before it counts as another rate. Two ends that differ by
/// more than a few per cent misread the last bits of a character (common practice).
const BAUD_TOLERANCE: f64 = 0.02;

/// Whether a port has been opened by this process.
static OPENED: AtomicBool = AtomicBool::new(false);

/// Whether this process has opened a port: from then on nobody can tell what the board was told.
pub fn was_opened() -> bool {
    OPENED.load(Ordering::Relaxed)
}

/// An open port. While it lives no other program that asks nicely gets the port.
#[derive(Debug)]
pub struct Port {
    /// Never read or written: it keeps the port set up and exclusive, and frees it when dropped.
    _held: TTYPort,
    handle: Handle,
}

impl Port {
    /// Opens the device at `path` with the line rate and frame of `link`, waits for the link to
    /// settle and throws away what came until then.
    ///
    /// # Errors
    /// One message: what, where, how to mend it.
    pub fn open(link: &Link, path: &Path) -> Result<Port, PortError> {
        let failed = |trouble| PortError::new(path.display().to_string(), trouble).on(&link.name);
        if link.baud == 0 {
            return Err(failed(PortTrouble::Baud { asked: 0, got: None }));
        }
        // First ours: its error numbers tell apart what `serialport` lumps together.
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
        let fd = rustix::fs::open(path, flags, Mode::empty()).map_err(|e| failed(trouble_of(e)))?;
        if !rustix::termios::isatty(&fd) {
            return Err(failed(PortTrouble::NotSerial));
        }
        OPENED.store(true, Ordering::Relaxed);
        leave_modem_lines(&fd).map_err(|e| failed(trouble_of(e)))?;
        let held = builder(link, path).open_native().map_err(|e| failed(trouble_of_serial(&e, link.baud)))?;
        let got = held.baud_rate().map_err(|e| failed(trouble_of_serial(&e, link.baud)))?;
        if (f64::from(got) / f64::from(link.baud) - 1.0).abs() > BAUD_TOLERANCE {
            return Err(failed(PortTrouble::Baud { asked: link.baud, got: Some(got) }));
        }
        std::thread::sleep(link.settle.to_std());
        rustix::termios::tcflush(&fd, rustix::termios::QueueSelector::IOFlush)
            .map_err(|e| failed(trouble_of(e)))?;
        Ok(Port { _held: held, handle: Handle { fd } })
    }

    /// A handle of one's own on the same port.
    ///
    /// # Errors
    /// No descriptor is left.
    pub fn handle(&self) -> std::io::Result<Handle> {
        self.handle.try_clone()
    }
}

/// The driver raises DTR and RTS when a port opens, and drops them when the last handle closes: that second edge, and
/// the rise at the next opening, restart many boards (common practice). Without HUPCL they stay as they are, so that a
/// board restarts at most once.
fn leave_modem_lines(fd: &OwnedFd) -> Result<(), Errno> {
    let mut settings = rustix::termios::tcgetattr(fd)?;
    settings.control_modes.remove(rustix::termios::ControlModes::HUPCL);
    rustix::termios::tcsetattr(fd, rustix::termios::OptionalActions::Now, &settings)
}

fn builder(link: &Link, path: &Path) -> serialport::SerialPortBuilder {
    let Frame { data_bits, parity, stop_bits } = link.frame;
    serialport::new(path.to_string_lossy(), link.baud)
        .data_bits(if data_bits == 7 { DataBits::Seven } else { DataBits::Eight })
        .parity(match parity {
            'E' => Parity::Even,
            'O' => Parity::Odd,
            _ => Parity::None,
        })
        .stop_bits(if stop_bits == 2 { StopBits::Two } else { StopBits::One })
        .exclusive(true)
}

/// A descriptor on an open port that never blocks for longer than told.
#[derive(Debug)]
pub struct Handle {
    fd: OwnedFd,
}

impl Handle {
    /// Another one on the same port.
    ///
    /// # Errors
    /// No descriptor is left.
    pub fn try_clone(&self) -> std::io::Result<Handle> {
        Ok(Handle { fd: self.fd.try_clone()? })
    }

    /// Hands all bytes to the port, in one go where it takes them so. Waits at most `within` for it
    /// to take more; with no time at all it writes what goes at once.
    ///
    /// # Errors
    /// The port is gone, or took no byte for so long. Some bytes may have left.
    pub fn write_all(&self, bytes: &[u8], within: Duration) -> Result<(), WriteError> {
        self.put(bytes, within).map(|_| ())
    }

    /// The same; says whether the port kept the caller waiting.
    ///
    /// # Errors
    /// As for [`Handle::write_all`].
    pub fn put(&self, bytes: &[u8], within: Duration) -> Result<bool, WriteError> {
        let mut waited = false;
        let end = StdInstant::now() + within;
        let mut rest = bytes;
        while !rest.is_empty() {
            match rustix::io::write(&self.fd, rest) {
                Ok(taken) => rest = &rest[taken..],
                Err(Errno::INTR) => {}
                Err(Errno::AGAIN) => {
                    let left = end.saturating_duration_since(StdInstant::now());
                    if left.is_zero() {
                        return Err(WriteError::Blocked { left: rest.len(), of: bytes.len(), within });
                    }
                    wait(&self.fd, PollFlags::OUT, left).map_err(WriteError::Gone)?;
                    waited = true;
                }
                Err(errno) => return Err(WriteError::Gone(errno)),
            }
        }
        Ok(waited)
    }

    /// Takes what has come. `Ok(0)`: nothing has.
    ///
    /// # Errors
    /// The port is gone.
    pub fn take(&self, buffer: &mut [u8]) -> Result<usize, Errno> {
        match rustix::io::read(&self.fd, buffer) {
            // A terminal in raw mode gives nothing only once it has been hung up; without a byte it
            // says AGAIN.
            Ok(0) => Err(Errno::IO),
            Ok(count) => Ok(count),
            Err(Errno::AGAIN | Errno::INTR) => Ok(0),
            Err(errno) => Err(errno),
        }
    }
}

/// For waiting until bytes have come.
impl AsFd for Handle {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.fd.as_fd()
    }
}

/// Waits until the descriptor is ready or in trouble (the call after tells which), or the time is up.
fn wait(fd: impl AsFd, what: PollFlags, within: Duration) -> Result<(), Errno> {
    let timeout = Timespec { tv_sec: within.as_secs() as i64, tv_nsec: i64::from(within.subsec_nanos()) };
    match poll(&mut [PollFd::new(&fd, what)], Some(&timeout)) {
        Ok(_) | Err(Errno::INTR) => Ok(()),
        Err(errno) => Err(errno),
    }
}

fn trouble_of(errno: Errno) -> PortTrouble {
    match errno {
        Errno::NOENT | Errno::NODEV | Errno::NXIO | Errno::NOTDIR => PortTrouble::Missing,
        Errno::BUSY => PortTrouble::InUse,
        Errno::ACCESS | Errno::PERM => PortTrouble::NoPermission,
        Errno::ISDIR | Errno::NOTTY => PortTrouble::NotSerial,
        // A UART that was never there answers every question with an I/O error.
        Errno::IO => PortTrouble::NotSerial,
        other => PortTrouble::Other(other.to_string()),
    }
}

fn trouble_of_io(error: &std::io::Error) -> PortTrouble {
    Errno::from_io_error(error).map_or_else(|| PortTrouble::Other(error.to_string()), trouble_of)
}

fn trouble_of_serial(error: &serialport::Error, baud: u32) -> PortTrouble {
    use serialport::ErrorKind;
    match error.kind() {
        ErrorKind::NoDevice => PortTrouble::InUse,
        ErrorKind::Io(std::io::ErrorKind::PermissionDenied) => PortTrouble::NoPermission,
        ErrorKind::Io(std::io::ErrorKind::NotFound) => PortTrouble::Missing,
        ErrorKind::InvalidInput => PortTrouble::Baud { asked: baud, got: None },
        // The driver refuses settings with "invalid argument"; the frame is checked by the plan, so
        // what is left is the rate.
        _ if error.to_string().contains("Invalid argument") => PortTrouble::Baud { asked: baud, got: None },
        _ => PortTrouble::Other(error.to_string()),
    }
}

#[cfg(test)]
mod tests;
