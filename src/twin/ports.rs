//! Further ports of the simulated board: each has a line, an input, an error queue and a burst memory of its own in front of the one
//! firmware, so that a burst on one does not hold up what is said on another.

use super::burst::Digitiser;
use super::device::Device;
use super::spec::TwinSpec;
use super::{Twin, burst};
use crate::time::Instant;

/// A port beside the first.
#[derive(Debug, Clone)]
pub(super) struct Port {
    device: Device,
    digitiser: Digitiser,
}

impl Port {
    /// Those beside the first; each hears its own noise.
    pub fn further(spec: &TwinSpec, seed: u64) -> Vec<Port> {
        let port = |number: usize| Port {
            device: Device::new(&spec.identity, spec.build.label),
            digitiser: Digitiser::new(&spec.vibration, seed ^ (number as u64) << 32),
        };
        (1..spec.ports.max(1)).map(port).collect()
    }
}

impl Twin {
    /// Takes bytes at a port, 0 being the first, whose last bit arrived at `now`. A port that is not there takes nothing.
    pub fn receive_at(&mut self, now: Instant, port: usize, bytes: &[u8]) {
        if port == 0 {
            return self.receive(now, bytes);
        }
        self.advance(now);
        if let Some(port) = self.further.get_mut(port - 1) {
            port.device.receive(now, bytes, &mut self.firmware);
        }
        self.hear_firmware(now);
    }

    /// All bytes ready to be sent at a port; lines that nobody asked for come at the first.
    pub fn transmit_at(&mut self, port: usize) -> Option<Vec<u8>> {
        match port {
            0 => self.transmit(),
            _ => self.further.get_mut(port - 1)?.device.transmit(),
        }
    }

    /// Every port has begun again with this build; the first says so.
    pub(super) fn restart_ports(&mut self, build: &str) {
        self.device.restart(build, true);
        self.further.iter_mut().for_each(|port| port.device.restart(build, false));
    }

    /// One sample for each further port that captures a burst.
    pub(super) fn capture_further(&mut self, gates: bool) {
        let Twin { further, plant, sensors, firmware, .. } = self;
        for Port { device, digitiser } in further.iter_mut().filter(|p| p.device.burst.captures()) {
            let memory: &mut burst::Memory = &mut device.burst;
            digitiser.sample(memory, plant, sensors, gates, firmware.readings.phase_counts);
        }
    }

    /// What shakes in the unit has changed: every accelerometer feels it.
    pub(super) fn feel_further(&mut self) {
        for port in &mut self.further {
            port.digitiser.spec = self.digitiser.spec.clone();
        }
    }
}
