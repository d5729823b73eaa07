//! The twin: a simulated drive unit, controller and rig, with the same bytes on the wire as the
//! real ones.
//!
//! Pure: the time is an argument. [`Twin::receive`] and [`Twin::advance`] bring the physics up to
//! a moment in steps of 100 µs from zero on, whatever the moments asked for, so that equal specs,
//! seeds, faults and inputs give equal bytes and equal truth. Who calls paces the line.
//!
//! From the inside out: plant (machine, inverter, rotor), supply and thermal are physics; sensors
//! make counts of them; the firmware sees nothing but counts; the device puts words on the line.
//!
//! Left simple on purpose: dead time and device drops cost power but no voltage; the pump runs from a supply of its own and
//! gives no heat to the coolant; the radiator's fan is always on; the sensors of winding and inverter get warm with them, whatever
//! lag the unit file declares, so that a trip on either comes that much earlier than on a bench; the firmware knows the machine as it
//! is drawn, so that every drawn unit is as well tuned as the nominal one.

mod bare;
mod builds;
mod burst;
mod coolant;
mod demo;
mod device;
mod drive;
mod drivers;
mod faults;
mod firmware;
mod geometry;
mod hand;
mod person;
mod plant;
mod ports;
mod resolver;
mod rotation;
mod sensors;
mod spec;
mod supply;
#[cfg(test)]
mod tests;
mod thermal;
mod told;
mod truth;
mod vibration;
mod wire_faults;

pub use bare::{BareRow, drive_bare};
pub use builds::{BUILDS, Build, find_build};
pub use faults::{FaultError, FaultName, FaultSetting, every_fault};
pub use geometry::{BearingSpec, GearStage};
pub use person::PedalProgram;
pub use plant::Energy;
pub use spec::{
    CoolingSpec, Identity, InverterSpec, LimitSpec, LoadSpec, MachineSpec, RotorSpec, SensorSpec, SupplySpec,
    ThermalSpec, TwinSpec, VibrationSpec,
};
pub use truth::{Settings, Truth, TruthRow};
pub use wire_faults::{Direction, LinkFaults};

use crate::time::{Duration, Instant};
use burst::Digitiser;
use device::Device;
use drivers::GateDrivers;
use faults::World;
use firmware::Firmware;
use hand::Hand;
use person::Person;
use plant::Plant;
use ports::Port;
use sensors::{Sensors, Wires};
use std::borrow::Cow;
use thermal::{Heat, Thermal};

/// Microseconds of one step.
const STEP_US: i64 = 100;
/// Temperature at which the magnets' flux is known, K.
const MAGNETS_KNOWN: f64 = spec::ZERO_CELSIUS + 20.0;
/// Steps from power-on until the controller takes commands.
const BOOT_STEPS: i64 = 200;

/// A simulated unit on a simulated rig.
#[derive(Debug, Clone)]
pub struct Twin {
    plant: Plant,
    thermal: Thermal,
    drivers: GateDrivers,
    sensors: Sensors,
    person: Person,
    digitiser: Digitiser,
    firmware: Firmware,
    device: Device,
    further: Vec<Port>,
    hand: Option<Hand>,
    /// Faults whose onset lies ahead, the next one last.
    ahead: Vec<FaultSetting>,
    /// Steps done since zero.
    steps: i64,
    /// Heat set free up to the last thermal step.
    heat: Heat,
    /// Lowest and highest bus since the newest row of the log, V.
    bus_seen: (f64, f64),
    log: Vec<TruthRow>,
}

impl Twin {
    /// A twin at rest at time zero, its bus charged. The faults' link part is not done here: see
    /// [`LinkFaults`]. The seed decides the noise and where the rotor stands.
    pub fn new(spec: TwinSpec, seed: u64, faults: &[FaultSetting]) -> Twin {
        // A multiple of the golden angle: seeds next to each other stand well apart.
        let angle = (seed as f64 * 2.399_963).rem_euclid(std::f64::consts::TAU);
        let mut ahead: Vec<FaultSetting> = faults.iter().copied().filter(|f| !f.name.on_link()).collect();
        ahead.sort_by_key(|f| std::cmp::Reverse(f.onset));
        let mut twin = Twin {
            plant: Plant::new(&spec, angle),
            thermal: Thermal::new(spec.thermal, spec.cooling),
            drivers: GateDrivers::new(&spec.inverter),
            sensors: Sensors::new(spec.sensors, spec.machine.pole_pairs, seed),
            person: Person::new(&spec.pedal),
            digitiser: Digitiser::new(&spec.vibration, seed),
            firmware: Firmware::new(&spec),
            device: Device::new(&spec.identity, spec.build.label),
            further: Port::further(&spec, seed),
            hand: None,
            ahead,
            steps: 0,
            heat: Heat::default(),
            bus_seen: (f64::INFINITY, f64::NEG_INFINITY),
            log: Vec::new(),
        };
        twin.suffer_what_is_due();
        twin.plant.warm(twin.thermal.resistance_ratio(), twin.thermal.magnets() - MAGNETS_KNOWN);
        twin.plant.supply.settle();
        let (fast, bus) = (twin.sensors.fast(&twin.plant, false), twin.sensors.bus(&twin.plant));
        let slow = twin.sensors.slow(&twin.thermal, &twin.plant, false);
        twin.firmware.prime(&fast, bus, &slow);
        twin.note(Instant::ZERO, None);
        twin
    }

    /// Takes bytes whose last bit arrived at `now`.
    pub fn receive(&mut self, now: Instant, bytes: &[u8]) {
        self.advance(now);
        self.device.receive(now, bytes, &mut self.firmware);
        self.hear_firmware(now);
    }

    /// Brings everything up to `now`: all whole steps that end by then.
    pub fn advance(&mut self, now: Instant) {
        while (self.steps + 1) * STEP_US <= now.micros() {
            self.step();
        }
    }

    /// A hand turns the shaft by `angle` in rad, forward above zero, within `lasting`, beginning now. It does not hit the
    /// mark: it stops up to 5 degrees short or beyond, by where the rotor happens to stand.
    pub fn turn_by_hand(&mut self, now: Instant, angle: f64, lasting: Duration) {
        self.advance(now);
        let miss = 5f64.to_radians() * (7.0 * self.plant.angle()).sin();
        self.note(now, Some("a hand turns the shaft".into()));
        self.hand = Some(Hand::new(angle + miss, lasting.secs_f64()));
    }

    /// All bytes ready to be sent, replies and lines that nobody asked for; `None` if there are
    /// none. Ask after each `receive` and `advance`.
    pub fn transmit(&mut self) -> Option<Vec<u8>> {
        self.device.transmit()
    }

    /// What really is, after the last whole step.
    pub fn truth(&self) -> Truth {
        self.truth_at(self.now())
    }

    /// The truth log since the last call, in order of time.
    pub fn drain_truth(&mut self) -> Vec<TruthRow> {
        std::mem::take(&mut self.log)
    }

    /// One step of 100 µs: physics, then what the firmware makes of it.
    fn step(&mut self) {
        let gates = self.gates();
        if let Some(hand) = &mut self.hand {
            let torque = hand.torque(self.plant.speed(), STEP_US as f64 * 1e-6);
            self.plant.hand = torque.unwrap_or(0.0);
            self.hand = self.hand.take().filter(|_| torque.is_some());
        }
        self.plant.advance(gates.then(|| self.firmware.voltage()));
        self.see_bus();
        self.steps += 1;
        let now = self.now();
        if self.ahead.last().is_some_and(|f| f.onset <= now) {
            self.suffer_what_is_due();
        }
        if self.steps == BOOT_STEPS && !self.firmware.defects.boots() {
            self.firmware.boot(now);
        }
        let counts = self.sensors.fast(&self.plant, gates);
        self.firmware.fast(now, &counts);
        if self.device.burst.captures() {
            let currents = self.firmware.readings.phase_counts;
            self.digitiser.sample(&mut self.device.burst, &self.plant, &self.sensors, gates, currents);
        }
        self.capture_further(gates);
        if self.steps % 10 == 0 {
            let bus = self.sensors.bus(&self.plant);
            let wires = Wires {
                stop_loop_closed: self.sensors.stop_loop_closed,
                drivers_ready: self.drivers.ready(),
            };
            self.firmware.medium(now, bus, wires);
        }
        if self.steps % 100 == 0 {
            self.slow_step();
            if self.firmware.events.is_empty() {
                self.note(now, None);
            }
        }
        if !self.firmware.events.is_empty() {
            self.hear_firmware(now);
        }
    }

    /// Heat, temperatures and pedal, every 10 ms.
    fn slow_step(&mut self) {
        let gates = self.gates();
        let heat = self.plant.heat();
        self.thermal.step(&heat.since(&self.heat), self.firmware.pump());
        self.heat = heat;
        self.drivers.feel(self.thermal.drivers());
        self.plant.warm(self.thermal.resistance_ratio(), self.thermal.magnets() - MAGNETS_KNOWN);
        let handed_over = self.firmware.handed_over();
        self.sensors.pressed = self.person.press(self.now().secs_f64(), handed_over);
        let counts = self.sensors.slow(&self.thermal, &self.plant, gates);
        self.firmware.slow(&counts);
    }

    fn suffer_what_is_due(&mut self) {
        let now = self.now();
        self.plant.close_books();
        while let Some(fault) = self.ahead.pop_if(|f| f.onset <= now) {
            let Twin { plant, sensors, thermal, digitiser, firmware, .. } = self;
            World { now, plant, sensors, thermal, vibration: &mut digitiser.spec, firmware }.suffer(&fault);
            self.note(now, Some(format!("onset of {}", fault.name.text()).into()));
        }
        self.sensors.refresh();
        self.feel_further();
    }

    /// Tells the truth log and the line what the firmware has just done.
    fn hear_firmware(&mut self, now: Instant) {
        if let Some(build) = self.firmware.restarted() {
            self.restart_ports(build);
        }
        for event in std::mem::take(&mut self.firmware.events) {
            if let Some(trouble) = event.trouble {
                let (number, words) = trouble.number_and_words();
                self.device.tell_fault(number, words);
            }
            self.note(now, Some(event.words));
        }
    }

    /// The hard-wired loop and the gate drivers take the gates off by themselves, whatever the firmware wants.
    fn gates(&self) -> bool {
        self.firmware.gates() && self.sensors.stop_loop_closed && self.drivers.ready()
    }

    fn now(&self) -> Instant {
        Instant::from_micros(self.steps * STEP_US)
    }

    fn note(&mut self, t: Instant, event: Option<Cow<'static, str>>) {
        let truth = self.truth_at(t);
        self.see_bus();
        let (bus_low, bus_high) = self.bus_seen;
        self.bus_seen = (truth.bus, truth.bus);
        self.log.push(TruthRow { truth, event, bus_low, bus_high });
    }

    fn see_bus(&mut self) {
        let bus = self.plant.supply.bus();
        self.bus_seen = (self.bus_seen.0.min(bus), self.bus_seen.1.max(bus));
    }

    fn truth_at(&self, t: Instant) -> Truth {
        let [current_d, current_q] = self.plant.current();
        let thermal = &self.thermal;
        let [heat_held, heat_lost] = thermal.held_and_lost();
        Truth {
            t,
            state: self.firmware.state(),
            gates: self.gates(),
            demand_speed: self.firmware.demand(),
            demand_pump: self.firmware.pump(),
            pedal: self.sensors.pressed,
            speed: self.plant.speed(),
            angle: self.plant.angle(),
            torque: self.plant.torque(),
            current_d,
            current_q,
            bus: self.plant.supply.bus(),
            bus_current: self.plant.bus_current(),
            source_current: self.plant.supply.source_current(),
            winding: thermal.winding(),
            iron: thermal.iron(),
            magnets: thermal.magnets(),
            casing: thermal.casing(),
            inverter: thermal.inverter(),
            drivers: thermal.drivers(),
            coolant: thermal.coolant(),
            coolant_back: thermal.coolant_back(),
            flow: thermal.pump.flow(),
            heat_held,
            heat_lost,
            energy: self.plant.energy(),
            settings: self.firmware.settings(),
            restarts: self.firmware.defects.restarts(),
        }
    }
}
