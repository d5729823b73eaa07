//! The controller's firmware: sees counts, never the truth.
//!
//! 10 kHz: angle and speed from the resolver by a tracking loop, current loops, protection.
//! 1 kHz: bus, speed loop. 100 Hz: temperatures and pedal.

mod defects;
mod forced;
mod loops;

pub(super) use defects::FOR_GOOD;
pub(super) use forced::Mode;

use super::builds::Build;
use super::drive::{Event, Trouble, next_state};
use super::plant::PERIOD;
use super::sensors::{
    BusCounts, COUNT_MAX, COUNT_ZERO, FLOW_COUNT, FastCounts, MAINS_COUNT, PEDAL_FULL, PUMP_CURRENT_FULL,
    RESOLVER_NOMINAL, SlowCounts, TACHO_COUNT, TEMPERATURE_COUNT, Wires,
};
use super::spec::{LimitSpec, MachineSpec, SensorSpec, TwinSpec};
use super::told::{Foot, Told};
use crate::states::DriveState;
use crate::time::{Duration, Instant};
use std::borrow::Cow;
use std::f64::consts::TAU;

/// Natural frequency of the tracking loop in rad/s; its damping is one.
const TRACKING: f64 = 60.0 * TAU;
/// Weight of a new sample in the filters of readings: about 5 ms at 10 kHz and at 1 kHz.
const FILTER_FAST: f64 = 0.02;
const FILTER_BUS: f64 = 0.2;
/// Weight of a new sample in the resolver's noise: about 50 ms at 10 kHz.
const FILTER_ANGLE: f64 = 0.002;
/// Speed above the limit at which the gates go off, as a ratio.
const OVERSPEED: f64 = 1.1;
/// Speed at which a quick stop counts as done, rad/s.
const STOPPED: f64 = 0.5;

/// Share of travel by which the pedal tracks may differ, and for how many looks at 100 Hz: more than 10 % for more than
/// 100 ms is implausible (a student-competition rule).
const TRACKS_APART: f64 = 0.10;
const TRACKS_LOOKS: u32 = 10;

/// What the firmware has made of the counts; in SI.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Readings {
    /// Mean square of the phase currents, A².
    pub current_square: f64,
    pub bus: f64,
    pub bus_current: f64,
    /// Winding, inverter, coolant given, coolant given back in K.
    pub temperatures: [f64; 4],
    /// Sine and cosine of the resolver as shares of their nominal amplitude.
    pub resolver: [f64; 2],
    /// Mean square of what the tracking loop leaves over, turns².
    pub angle_square: f64,
    /// Both tracks, 0 released to 1 pressed, and their voltages.
    pub pedal: [f64; 2],
    pub pedal_volts: [f64; 2],
    /// Current in A and speed in rad/s of the coolant pump; flow in m³/s if there is a meter.
    pub pump_current: f64,
    pub pump_speed: f64,
    pub flow: Option<f64>,
    /// Output of the transformer, V rms.
    pub mains: f64,
    pub stop_loop_closed: bool,
    pub drivers_ready: bool,
    /// Counts of the three phases, zero in the middle.
    pub phase_counts: [i16; 3],
}

/// The firmware's state.
#[derive(Debug, Clone)]
pub(super) struct Firmware {
    pub readings: Readings,
    pub events: Vec<Event>,
    build: Build,
    /// What the author was told about machine, rotor, sensors and limits.
    machine: MachineSpec,
    inertia: f64,
    sensors: SensorSpec,
    acceleration_per_count: f64,
    limits: LimitSpec,
    state: DriveState,
    word: u16,
    told: Told,
    foot: Foot,
    demand_at: Instant,
    pump: f64,
    /// Tracking loop: electrical angle in turns, electrical speed in rad/s.
    angle: f64,
    omega: f64,
    /// Speed loop: demand as followed (rad/s), integral (Nm).
    followed: f64,
    integral: f64,
    /// Current loops: demand along q (A), integrals (V), output in stator axes (V).
    current_q: f64,
    integrals: [f64; 2],
    voltage: [f64; 2],
    /// What the modulator puts out meanwhile: the voltage worked out a period ago.
    put_out: [f64; 2],
    forced: forced::Forced,
    over_current_samples: u32,
    /// Looks in a row at which the pedal tracks were apart.
    tracks_apart: u32,
    /// Share of the current limit that heat leaves.
    derating: f64,
    /// What is broken in the firmware itself.
    pub defects: defects::Defects,
}

impl Firmware {
    /// As after power-on.
    pub fn new(spec: &TwinSpec) -> Firmware {
        Firmware {
            readings: Readings { stop_loop_closed: true, drivers_ready: true, ..Readings::default() },
            events: Vec::with_capacity(4),
            build: spec.build,
            machine: spec.machine,
            inertia: spec.rotor.inertia,
            sensors: spec.sensors,
            acceleration_per_count: spec.vibration.per_count(),
            limits: spec.limits,
            state: DriveState::NotReady,
            word: 0,
            told: Told::Speed(0.0),
            foot: Foot::default(),
            demand_at: Instant::ZERO,
            pump: 0.0,
            angle: 0.0,
            omega: 0.0,
            followed: 0.0,
            integral: 0.0,
            current_q: 0.0,
            integrals: [0.0; 2],
            voltage: [0.0; 2],
            put_out: [0.0; 2],
            forced: forced::Forced::new(),
            over_current_samples: 0,
            tracks_apart: 0,
            derating: 1.0,
            defects: defects::Defects::default(),
        }
    }

    /// State of the drive.
    pub fn state(&self) -> DriveState {
        self.state
    }

    /// Whether the firmware lets the gates switch.
    pub fn gates(&self) -> bool {
        self.state.may_drive() || self.defects.strays()
    }

    /// Voltage for the coming period in stator axes, V: the loops take a period to work one out.
    // The name is the quantity; the field is named for when it was computed.
    #[allow(clippy::misnamed_getters)]
    pub fn voltage(&self) -> [f64; 2] {
        self.put_out
    }

    /// The last control word.
    pub fn word(&self) -> u16 {
        self.word
    }

    /// Status word: the state, bit 4 *voltage enabled*, bit 9 *remote*.
    pub fn status_word(&self) -> u16 {
        let voltage = if self.readings.bus > self.limits.bus_low { 0x10 } else { 0 };
        self.state.code() | voltage | 0x200
    }

    /// Shaft speed as the tracking loop has it, rad/s.
    pub fn speed(&self) -> f64 {
        self.omega / f64::from(self.machine.pole_pairs)
    }

    /// What it follows.
    pub fn told(&self) -> Told {
        self.told
    }

    /// Speed demand in rad/s, the pedal's where that is followed; 0 where a torque is.
    pub fn demand(&self) -> f64 {
        match self.told {
            Told::Speed(speed) => speed,
            Told::Pedal(at_full) => at_full * self.foot.asks,
            Told::Torque(_) => 0.0,
        }
    }

    /// Whether the person at the pedal has the drive.
    pub fn handed_over(&self) -> bool {
        self.state == DriveState::OperationEnabled && matches!(self.told, Told::Pedal(full) if full > 0.0)
    }

    /// Pump demand, 0 to 1.
    pub fn pump(&self) -> f64 {
        self.pump
    }

    /// Limits as set.
    pub fn limits(&self) -> &LimitSpec {
        &self.limits
    }

    /// Share of the current limit that heat leaves, 0 to 1.
    pub fn derating(&self) -> f64 {
        self.derating
    }

    /// Whether the pedal tracks have agreed lately.
    pub fn pedal_agrees(&self) -> bool {
        self.tracks_apart <= TRACKS_LOOKS
    }

    /// Command timeout; zero if it is off.
    pub fn command_timeout(&self) -> Duration {
        if self.build.command_timeout { self.limits.command_timeout } else { Duration::ZERO }
    }

    /// Amperes per count of the phase current converters, as the firmware believes.
    pub fn amperes_per_count(&self) -> f64 {
        self.sensors.current_full / COUNT_ZERO
    }

    /// Acceleration in m/s² per count of the accelerometer, as its data sheet says.
    pub fn acceleration_per_count(&self) -> f64 {
        self.acceleration_per_count
    }

    /// Takes a demand within the limits; it feeds the command timeout. Only demands given while driving count: enabling
    /// starts from zero. False, and nothing is taken, if it is of another sort than what is driven by.
    #[must_use]
    pub fn tell_demand(&mut self, now: Instant, told: Told) -> bool {
        if self.gates() && !self.told.is_like(told) {
            return false;
        }
        self.told = told;
        self.demand_at = now;
        true
    }

    /// Takes a pump demand, 0 to 1.
    pub fn set_pump(&mut self, pump: f64) {
        self.pump = pump;
    }

    /// Takes a control word.
    pub fn control(&mut self, now: Instant, word: u16) {
        let mut reset = word & 0x80 != 0 && self.word & 0x80 == 0;
        let changed = word != self.word;
        self.word = word;
        let (before, drove) = (self.state, self.gates());
        if self.ignores(now, word) {
            if changed {
                self.tell(format!("control word {word} ignored").into(), None);
            }
            return;
        }
        if self.takes_off_again(word) {
            self.enter(now, before);
        }
        // A word is a level, not an edge: one word may lead through more than one state.
        while let Some(state) = next_state(self.state, word, reset) {
            reset = false;
            self.enter(now, state);
        }
        if changed || before != self.state || drove != self.gates() {
            let gates = match (drove, self.gates()) {
                (false, true) => "gates on: ",
                (true, false) => "gates off: ",
                _ => "",
            };
            self.tell(format!("{gates}control word {word}").into(), None);
        }
    }

    /// Gates off and everything to rest, as `*RST` asks; the pump goes on.
    pub fn reset(&mut self, now: Instant) {
        if matches!(self.state, DriveState::Fault | DriveState::NotReady) || self.ignores(now, 0) {
            return;
        }
        let drove = self.gates();
        self.enter(now, DriveState::SwitchOnDisabled);
        let words = if drove && !self.gates() { "gates off: reset" } else { "reset" };
        self.tell(words.into(), None);
    }

    /// Power-on is over.
    pub fn boot(&mut self, now: Instant) {
        self.enter(now, DriveState::SwitchOnDisabled);
        self.tell("ready for commands".into(), None);
    }

    /// 10 kHz.
    pub fn fast(&mut self, now: Instant, counts: &FastCounts) {
        let scale = self.amperes_per_count();
        let [a, b, c] = counts.phase.map(|count| (f64::from(count) - COUNT_ZERO) * scale);
        self.readings.phase_counts = counts.phase.map(|count| (i32::from(count) - COUNT_ZERO as i32) as i16);
        let square = (a * a + b * b + c * c) * (1.0 / 3.0);
        self.readings.current_square += FILTER_FAST * (square - self.readings.current_square);
        self.track(counts.resolver);
        if !self.gates() {
            return;
        }
        if self.command_timed_out(now) {
            return self.fail(now, Trouble::CommandTimeout);
        }
        let limit = self.limits.overcurrent;
        // Gates that do not follow the state follow none of its protection either.
        let over = self.state.may_drive() && (a.abs() > limit || b.abs() > limit || c.abs() > limit);
        self.over_current_samples = if over { self.over_current_samples + 1 } else { 0 };
        if self.over_current_samples > 1 {
            return self.fail(now, Trouble::OverCurrent);
        }
        // Clarke, amplitude-invariant.
        let alpha = (2.0 * a - b - c) * (1.0 / 3.0);
        let beta = (b - c) * (1.0 / 3f64.sqrt());
        self.put_out = self.voltage;
        self.current_loops(alpha, beta);
    }

    /// 1 kHz.
    pub fn medium(&mut self, now: Instant, counts: BusCounts, wires: Wires) {
        let bus = f64::from(counts.voltage) * self.sensors.bus_full / COUNT_MAX;
        let current = (f64::from(counts.current) - COUNT_ZERO) * self.sensors.bus_current_full / COUNT_ZERO;
        self.readings.bus += FILTER_BUS * (bus - self.readings.bus);
        self.readings.bus_current += FILTER_BUS * (current - self.readings.bus_current);
        self.readings.stop_loop_closed = wires.stop_loop_closed;
        self.readings.drivers_ready = wires.drivers_ready;
        self.look_at_defects(now);
        if let Some(trouble) = self.trouble() {
            return self.fail(now, trouble);
        }
        self.look_at_axes();
        if !self.gates() {
            return;
        }
        if self.is_forced() {
            return self.forced_step(now);
        }
        match self.told {
            Told::Torque(torque) if self.state == DriveState::OperationEnabled || self.defects.strays() => {
                self.torque_mode(torque);
            }
            // A foot that is off the pedal, or a pedal that cannot be believed, asks for no torque at once.
            Told::Pedal(_) if self.handed_over() && self.foot.asks == 0.0 => self.torque_mode(0.0),
            _ => self.speed_loop(),
        }
        if self.state == DriveState::QuickStopActive && self.followed == 0.0 && self.speed().abs() < STOPPED {
            self.enter(now, DriveState::SwitchOnDisabled);
            self.tell("gates off: quick stop done".into(), None);
        }
    }

    /// 100 Hz.
    pub fn slow(&mut self, counts: &SlowCounts) {
        let r = &mut self.readings;
        r.temperatures = counts.temperatures.map(|count| f64::from(count) * TEMPERATURE_COUNT);
        r.pedal_volts = counts.pedal.map(|count| f64::from(count) * PEDAL_FULL / COUNT_MAX);
        r.resolver = counts.resolver.map(|count| f64::from(count) / RESOLVER_NOMINAL);
        r.pump_current = f64::from(counts.pump_current) * PUMP_CURRENT_FULL / COUNT_MAX;
        r.pump_speed = f64::from(counts.pump_tacho) * TACHO_COUNT;
        r.mains = f64::from(counts.mains) * MAINS_COUNT;
        r.flow = counts.flow.map(|count| f64::from(count) * FLOW_COUNT);
        let s = &self.sensors;
        r.pedal = std::array::from_fn(|i| {
            (r.pedal_volts[i] - s.pedal_rest[i]) / (s.pedal_pressed[i] - s.pedal_rest[i])
        });
        let apart = (r.pedal[0] - r.pedal[1]).abs() > TRACKS_APART;
        self.tracks_apart = if apart { self.tracks_apart + 1 } else { 0 };
        let agree = self.pedal_agrees();
        self.foot.look(&self.readings, agree);
        let r = &self.readings;
        if self.build.derating {
            let l = &self.limits;
            let left = |limit: f64, read: f64| ((limit - read) / l.derate_over).clamp(0.0, 1.0);
            self.derating = left(l.winding, r.temperatures[0]).min(left(l.inverter, r.temperatures[1]));
        }
    }

    /// Puts the filters at their first readings, as the boot code does.
    pub fn prime(&mut self, fast: &FastCounts, bus: BusCounts, slow: &SlowCounts) {
        self.angle = f64::from(fast.resolver) / f64::from(1u32 << self.sensors.resolver_bits);
        self.readings.bus = f64::from(bus.voltage) * self.sensors.bus_full / COUNT_MAX;
        self.slow(slow);
    }

    /// Second-order tracking loop, damping one: angle error times gain into speed, and into angle.
    fn track(&mut self, counts: u32) {
        let measured = f64::from(counts) / f64::from(1u32 << self.sensors.resolver_bits);
        self.angle += self.omega * (PERIOD / TAU);
        let mut error = measured - self.angle;
        error -= if error > 0.5 { 1.0 } else { 0.0 };
        error += if error < -0.5 { 1.0 } else { 0.0 };
        self.readings.angle_square += FILTER_ANGLE * (error * error - self.readings.angle_square);
        self.omega += TAU * error * TRACKING * TRACKING * PERIOD;
        self.angle += 2.0 * TRACKING * PERIOD * error;
        if self.angle >= 1.0 {
            self.angle -= 1.0;
        } else if self.angle < 0.0 {
            self.angle += 1.0;
        }
    }

    fn command_timed_out(&self, now: Instant) -> bool {
        self.build.command_timeout
            && self.state == DriveState::OperationEnabled
            && now - self.demand_at > self.limits.command_timeout
    }

    /// What forbids driving, looked for in every state that is on its way to driving.
    fn trouble(&self) -> Option<Trouble> {
        let r = &self.readings;
        let drives = self.state.may_drive();
        let ready = matches!(self.state, DriveState::ReadyToSwitchOn | DriveState::SwitchedOn) || drives;
        let found = [
            (!r.stop_loop_closed, Trouble::StopLoop),
            (!r.drivers_ready, Trouble::GateDrivers),
            (r.bus > self.limits.bus_high, Trouble::BusHigh),
            (r.temperatures[0] > self.limits.winding, Trouble::WindingHot),
            (r.temperatures[1] > self.limits.inverter, Trouble::InverterHot),
            (drives && r.bus < self.limits.bus_low, Trouble::BusLow),
            (drives && self.speed().abs() > OVERSPEED * self.limits.speed, Trouble::OverSpeed),
        ];
        found.into_iter().find(|(is, _)| *is && ready).map(|(_, trouble)| trouble)
    }

    fn fail(&mut self, now: Instant, trouble: Trouble) {
        let (_, words) = trouble.number_and_words();
        let drove = self.gates();
        self.enter(now, DriveState::Fault);
        let kind = if drove && !self.gates() { "gates off" } else { "fault" };
        self.tell(format!("{kind}: {words}").into(), Some(trouble));
    }

    fn tell(&mut self, words: Cow<'static, str>, trouble: Option<Trouble>) {
        self.events.push(Event { words, trouble });
    }

    fn enter(&mut self, now: Instant, state: DriveState) {
        let drove = self.gates();
        self.state = state;
        self.defects.entered(now, drove, state.may_drive(), self.told);
        if !(drove && self.gates()) {
            self.rest(now, drove);
        }
    }

    /// Everything that is followed begins anew; `drove`: the gates have just gone off.
    fn rest(&mut self, now: Instant, drove: bool) {
        self.forced.enter(drove);
        self.forget_old_limit(now);
        // Either the gates have just gone off or they may be about to go on: begin from what is.
        self.told = self.told.at_rest();
        self.foot = Foot::default();
        self.demand_at = now;
        self.current_q = 0.0;
        self.integrals = [0.0; 2];
        self.voltage = [0.0; 2];
        self.put_out = [0.0; 2];
        self.over_current_samples = 0;
        self.follow_from_here();
        if self.gates() {
            // Until the loops have run once, the magnets' voltage is what keeps the current at zero.
            let magnets = [0.0, self.omega * self.machine.flux_linkage];
            self.put_out = self.stator_voltage(magnets, 0.5);
            self.voltage = self.stator_voltage(magnets, 1.5);
        }
    }
}
