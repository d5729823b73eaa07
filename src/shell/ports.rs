//! `spinproof ports`: which serial ports there are, what is known of them, and which cannot be used.
//!
//! No port is opened for it: opening raises the modem lines, and many boards reset on that.

use crate::shell::latency::{Latency, TERMINALS};
use rustix::fs::Access;
use serialport::{SerialPortInfo, SerialPortType};
use std::fmt::Write;
use std::path::Path;

/// A port as listed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// Device path.
    pub path: String,
    /// What is known of it, in words.
    pub known: String,
    /// Why it cannot be opened, as far as that shows without opening it.
    pub obstacle: Option<String>,
}

/// The serial ports of this machine, by path. Pseudo-terminals are not among them.
///
/// # Errors
/// The system does not tell.
pub fn list() -> std::io::Result<Vec<Listed>> {
    // `serialport` panics where the kernel shows no terminals at all, as in some containers.
    if !Path::new(TERMINALS).is_dir() {
        return Ok(Vec::new());
    }
    let mut ports = serialport::available_ports()?;
    ports.retain(|port| !port.port_name.starts_with("/dev/pts/"));
    ports.sort_by(|a, b| a.port_name.cmp(&b.port_name));
    Ok(ports.into_iter().map(listed).collect())
}

fn listed(port: SerialPortInfo) -> Listed {
    let mut known = describe(&port.port_type);
    let latency = Latency::of(Path::new(TERMINALS), Path::new(&port.port_name));
    if let Some(words) = latency.and_then(|latency| latency.words()) {
        known += &format!("; {words}");
    }
    let obstacle = obstacle(Path::new(&port.port_name));
    Listed { path: port.port_name, known, obstacle }
}

/// The list as printed, with a newline at the end of each line.
pub fn text(ports: &[Listed]) -> String {
    if ports.is_empty() {
        return "no serial port was found; plug the adapter in and look again, or run against the twin\n"
            .to_string();
    }
    let width = ports.iter().map(|p| p.path.chars().count()).max().unwrap_or(0);
    let mut text = String::new();
    for port in ports {
        // Writing to a string does not fail.
        let _ = write!(text, "{:width$}  {}", port.path, port.known);
        let _ = match &port.obstacle {
            Some(why) => writeln!(text, "; cannot be opened: {why}"),
            None => writeln!(text),
        };
    }
    text
}

fn describe(kind: &SerialPortType) -> String {
    match kind {
        SerialPortType::UsbPort(usb) => {
            let mut text = format!("USB {:04x}:{:04x}", usb.vid, usb.pid);
            let parts = [("", &usb.manufacturer), ("", &usb.product), ("serial ", &usb.serial_number)];
            for (label, part) in parts {
                if let Some(part) = part {
                    let _ = write!(text, ", {label}{part}");
                }
            }
            text
        }
        SerialPortType::PciPort => "built in".to_string(),
        SerialPortType::BluetoothPort => {
            "Bluetooth: too slow and too jumpy to stop a machine over".to_string()
        }
        SerialPortType::Unknown => "nothing more is known".to_string(),
    }
}

fn obstacle(path: &Path) -> Option<String> {
    if rustix::fs::access(path, Access::READ_OK | Access::WRITE_OK).is_err() {
        return Some("this user may not read and write it; join the group `dialout`".to_string());
    }
    holder_of(path).map(|holder| format!("in use by {holder}"))
}

/// Who has the device open, as "name (process 123)", as far as this user may see: `/proc` shows the
/// descriptors of one's own processes, and root sees all. This process does not count.
pub(crate) fn holder_of(path: &Path) -> Option<String> {
    let wanted = rustix::fs::stat(path).ok()?.st_rdev;
    let me = std::process::id().to_string();
    for process in std::fs::read_dir("/proc").ok()?.flatten() {
        let pid = process.file_name();
        let Some(pid) = pid.to_str().filter(|p| p.bytes().all(|b| b.is_ascii_digit()) && **p != *me) else {
            continue;
        };
        let Ok(descriptors) = std::fs::read_dir(process.path().join("fd")) else {
            continue;
        };
        let holds = descriptors.flatten().any(|fd| {
            rustix::fs::stat(fd.path()).is_ok_and(|s| {
                s.st_rdev == wanted && rustix::fs::FileType::from_raw_mode(s.st_mode).is_char_device()
            })
        });
        if holds {
            let name = std::fs::read_to_string(process.path().join("comm")).unwrap_or_default();
            let name = if name.trim().is_empty() { "a program" } else { name.trim() };
            return Some(format!("{name} (process {pid})"));
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use serialport::UsbPortInfo;

    #[test]
    fn no_ports_are_said_in_words() {
        assert!(text(&[]).starts_with("no serial port was found"));
    }

    #[test]
    fn a_usb_adapter_shows_all_that_is_known_and_an_obstacle_its_reason() {
        let usb = UsbPortInfo {
            vid: 0x1209,
            pid: 0x0001,
            serial_number: Some("A1".into()),
            manufacturer: Some("Hollin Clough".into()),
            product: None,
        };
        let ports = [
            Listed {
                path: "/dev/ttyUSB0".into(),
                known: describe(&SerialPortType::UsbPort(usb)),
                obstacle: None,
            },
            Listed {
                path: "/dev/ttyS0".into(),
                known: describe(&SerialPortType::PciPort),
                obstacle: Some("in use by cat (process 7)".into()),
            },
        ];
        assert_eq!(
            text(&ports),
            "/dev/ttyUSB0  USB 1209:0001, Hollin Clough, serial A1\n\
             /dev/ttyS0    built in; cannot be opened: in use by cat (process 7)\n"
        );
    }

    #[test]
    fn pseudo_terminals_are_not_listed() {
        let pty = crate::shell::pty::Pty::open(None).expect("a pty");
        let ports = list().expect("a list");
        assert!(ports.iter().all(|p| Path::new(&p.path) != pty.path()), "{ports:?}");
    }
}
