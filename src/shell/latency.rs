//! How long a USB adapter holds bytes back before it hands them to the computer.
//!
//! Some adapters collect what the board says and send it only when a buffer is full or a timer has run out; 16 ms is
//! the usual setting (common practice), and it comes on top of every reply: 60 polls a second at most, and a trip that
//! is seen up to 16 ms late. The Linux driver of such adapters shows the timer in milliseconds as `latency_timer`
//! below the device (from memory of the driver `ftdi_sio`).

use std::path::{Path, PathBuf};

/// Where the kernel lists terminals.
pub(super) const TERMINALS: &str = "/sys/class/tty";

/// An adapter's timer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Latency {
    /// As set, in milliseconds.
    pub ms: u32,
    /// Where it is set.
    pub setting: PathBuf,
}

impl Latency {
    /// The timer of a port, if it has one that can be seen. `terminals` is where the kernel lists them.
    pub(super) fn of(terminals: &Path, port: &Path) -> Option<Latency> {
        let port = std::fs::canonicalize(port).unwrap_or_else(|_| port.to_path_buf());
        let setting = terminals.join(port.file_name()?).join("device/latency_timer");
        let ms = std::fs::read_to_string(&setting).ok()?.trim().parse().ok()?;
        Some(Latency { ms, setting })
    }

    /// What a person should know of it; nothing of the shortest setting.
    pub(super) fn words(&self) -> Option<String> {
        let Latency { ms, setting } = self;
        (*ms > 1).then(|| {
            format!(
                "holds replies back for up to {ms} ms, so that every trip is seen that much later: \
                 `echo 1 | sudo tee {}` sets 1 ms until it is unplugged",
                setting.display()
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_timer_is_found_below_the_device_and_only_a_long_one_is_worth_words() {
        let sys = tempfile::tempdir().expect("a folder");
        let device = sys.path().join("ttyUSB7/device");
        std::fs::create_dir_all(&device).expect("a folder");
        let port = Path::new("/dev/ttyUSB7");
        assert_eq!(Latency::of(sys.path(), port), None);
        for (text, ms, told) in [("16\n", 16, true), ("1\n", 1, false)] {
            std::fs::write(device.join("latency_timer"), text).expect("a file");
            let latency = Latency::of(sys.path(), port).expect("there is one");
            assert_eq!((latency.ms, latency.words().is_some()), (ms, told));
        }
        std::fs::write(device.join("latency_timer"), "soon").expect("a file");
        assert_eq!(Latency::of(sys.path(), port), None);
    }
}
