//! The controller's end of the line: SCPI syntax in front of the firmware.

mod forced;

use super::burst::{BURST_LENGTH, BURST_PPM, BURST_RATE, Memory, Sources};
use super::firmware::{Firmware, Mode, Readings};
use super::sensors::{COUNT_ZERO, RESOLVER_NOMINAL};
use super::spec::{Identity, ZERO_CELSIUS};
use super::told::Told;
use crate::time::Instant;
use crate::units::push_decimals;
use crate::wire::scpi::{ScpiError, Unit, definite_length_block, mnemonic_is, parse_message};
use std::collections::VecDeque;
use std::f64::consts::TAU;
use std::io::Write;

/// Longest message the input buffer holds, in bytes.
const LINE_MAX: usize = 256;
/// Errors that the queue holds.
const ERRORS_MAX: usize = 16;
/// Room made for a reply, in bytes; longer ones make more.
const REPLY_ROOM: usize = 64;
/// Most samples in one reply, so that a reply stays short: 256 bytes.
const BURST_CHUNK: usize = 128;

/// Channels of a burst and how one asks for their counts.
const CHANNEL_HEADERS: [(usize, &str); 8] = [
    (0, "READ:BURSt:CURRent"),
    (0, "READ:BURSt:CURRent:A"),
    (1, "READ:BURSt:CURRent:B"),
    (2, "READ:BURSt:CURRent:C"),
    (3, "READ:BURSt:VIBRation:AXIal"),
    (4, "READ:BURSt:VIBRation:RADial"),
    (5, "READ:BURSt:RESolver:SINE"),
    (6, "READ:BURSt:RESolver:COSine"),
];

/// How SCPI writes that there is no number (SCPI-99, from memory).
const NOT_A_NUMBER: &str = "9.91E37";

/// Input buffer, error queue, event register, burst memory.
#[derive(Debug, Clone)]
pub(super) struct Device {
    identification: String,
    input: Vec<u8>,
    overrun: bool,
    output: Vec<u8>,
    errors: VecDeque<ScpiError>,
    events: u8,
    event_enable: u8,
    service_enable: u8,
    pub burst: Memory,
}

type Reply = Result<(), ScpiError>;

impl Device {
    /// As after power-on.
    pub fn new(identity: &Identity, build: &str) -> Device {
        let Identity { maker, model, serial } = identity;
        let identification = format!("{maker},{model},{serial},{build}");
        Device { identification, ..Device::bare() }
    }

    fn bare() -> Device {
        Device {
            identification: String::new(),
            input: Vec::with_capacity(LINE_MAX),
            overrun: false,
            output: Vec::new(),
            errors: VecDeque::with_capacity(ERRORS_MAX),
            events: 0x80,
            event_enable: 0,
            service_enable: 0,
            burst: Memory::default(),
        }
    }

    /// Takes bytes off the line. The input takes no blocks, so a line feed ends a message whatever
    /// came before it: a bare one flushes a half-sent line.
    pub fn receive(&mut self, now: Instant, bytes: &[u8], firmware: &mut Firmware) {
        if firmware.defects.boots() {
            return;
        }
        for byte in bytes {
            if *byte == b'\n' {
                let mut line = std::mem::take(&mut self.input);
                if std::mem::take(&mut self.overrun) {
                    self.push_error(ScpiError::INPUT_OVERRUN);
                } else {
                    self.message(now, line.strip_suffix(b"\r").unwrap_or(&line), firmware);
                }
                line.clear();
                self.input = line;
            } else if self.input.len() < LINE_MAX {
                self.input.push(*byte);
            } else {
                self.overrun = true;
            }
        }
    }

    /// Everything that waits to be sent.
    pub fn transmit(&mut self) -> Option<Vec<u8>> {
        (!self.output.is_empty()).then(|| std::mem::replace(&mut self.output, Vec::with_capacity(REPLY_ROOM)))
    }

    /// Puts an error into the queue; the last place tells of those that found none.
    pub fn push_error(&mut self, error: ScpiError) {
        self.events |= error.event_bit();
        if self.errors.len() < ERRORS_MAX {
            self.errors.push_back(error);
        } else if let Some(last) = self.errors.back_mut() {
            *last = ScpiError::QUEUE_OVERFLOW;
        }
    }

    /// A fault: an error of the device's own, and a line that nobody asked for.
    pub fn tell_fault(&mut self, number: i16, words: &'static str) {
        self.push_error(ScpiError { code: number, text: words });
        self.output.extend_from_slice(format!("# fault: {words}\n").as_bytes());
    }

    /// The processor has begun again with this build: nothing is left of what was said before, and the port that `speaks` puts
    /// out its banner.
    pub fn restart(&mut self, build: &str, speaks: bool) {
        let identification = self.identification.rsplit_once(',').map_or("", |(board, _)| board);
        let identification = format!("{identification},{build}");
        *self = Device {
            identification,
            input: std::mem::take(&mut self.input),
            output: std::mem::take(&mut self.output),
            ..Device::bare()
        };
        self.input.clear();
        self.output.clear();
        if speaks {
            self.output.extend_from_slice(format!("build {build} starts\n").as_bytes());
        }
    }

    fn message(&mut self, now: Instant, line: &[u8], firmware: &mut Firmware) {
        let (units, error) = parse_message(line);
        let start = self.output.len();
        for unit in &units {
            let before = self.output.len();
            if unit.query && before > start {
                self.output.push(b';');
            }
            let written = self.output.len();
            let done =
                if unit.query { self.ask(unit, firmware) } else { self.carry_out(now, unit, firmware) };
            let answered = unit.query && done.is_ok();
            if answered {
                firmware.queried(now);
            }
            if !answered {
                self.output.truncate(if unit.query { before } else { written });
            }
            if let Err(error) = done {
                self.push_error(error);
                // A command error spoils the rest of the message; an execution error does not.
                if error.event_bit() == 0x20 {
                    break;
                }
            }
        }
        if let Some(error) = error {
            self.push_error(error);
        }
        if self.output.len() > start {
            self.output.push(b'\n');
        }
    }

    fn carry_out(&mut self, now: Instant, unit: &Unit, firmware: &mut Firmware) -> Reply {
        if unit.is("SOURce:SPEed") {
            let demand = unit.number()? * TAU / 60.0;
            // Half a hundredth of an rpm is what rounding on the wire may add.
            if demand.abs() > firmware.limits().speed + 0.005 * TAU / 60.0 {
                return Err(ScpiError::OUT_OF_RANGE);
            }
            follow(now, firmware, Told::Speed(demand))?;
        } else if unit.is("SOURce:TORQue") {
            let torque = unit.number()?;
            // What the current limit allows when nothing is hot; half a hundredth is what rounding may add.
            let most = firmware.torque_most() / firmware.derating().max(f64::MIN_POSITIVE);
            if torque.abs() > most + 0.005 {
                return Err(ScpiError::OUT_OF_RANGE);
            }
            follow(now, firmware, Told::Torque(torque))?;
        } else if unit.is("SOURce:PEDal") {
            // The speed that the fully pressed pedal asks for.
            let full = unit.number()? * TAU / 60.0;
            if !(0.0..=firmware.limits().speed + 0.005 * TAU / 60.0).contains(&full) {
                return Err(ScpiError::OUT_OF_RANGE);
            }
            follow(now, firmware, Told::Pedal(full))?;
        } else if let Some(done) = forced::carry_out(now, unit, firmware) {
            return done;
        } else if unit.is("SOURce:PUMP") {
            let percent = unit.number()?;
            if !(0.0..=100.0).contains(&percent) {
                return Err(ScpiError::OUT_OF_RANGE);
            }
            firmware.set_pump(percent / 100.0);
        } else if unit.is("CONTrol:WORD") {
            firmware.control(now, whole(unit.number()?, u16::MAX)?);
        } else if unit.is("INITiate:BURSt") {
            self.burst.start(now, chosen(unit)?);
        } else if unit.common {
            return self.common_command(now, unit, firmware);
        } else {
            return Err(ScpiError::UNDEFINED_HEADER);
        }
        Ok(())
    }

    /// The mandatory common commands of IEEE 488.2.
    fn common_command(&mut self, now: Instant, unit: &Unit, firmware: &mut Firmware) -> Reply {
        if unit.is("*ESE") {
            self.event_enable = whole(unit.number()?, 255)? as u8;
            return Ok(());
        }
        if unit.is("*SRE") {
            self.service_enable = whole(unit.number()?, 255)? as u8;
            return Ok(());
        }
        none(unit)?;
        if unit.is("*RST") {
            firmware.reset(now);
            self.burst = Memory::default();
        } else if unit.is("*CLS") {
            self.errors.clear();
            self.events = 0;
        } else if unit.is("*OPC") {
            self.events |= 0x01;
        } else if !unit.is("*WAI") {
            return Err(ScpiError::UNDEFINED_HEADER);
        }
        Ok(())
    }

    fn ask(&mut self, unit: &Unit, firmware: &Firmware) -> Reply {
        if unit.is("MEASure:DRIVe") {
            self.drive_line(unit, firmware)
        } else if unit.is("MEASure:SLOW") {
            self.slow_line(unit, firmware)
        } else if unit.is("MEASure:COOLing") {
            self.cooling_line(unit, firmware)
        } else if unit.is("MEASure:RESolver") {
            self.resolver_line(unit, firmware)
        } else if unit.is("MEASure:FIELd") {
            self.field_line(unit, firmware)
        } else if unit.is("MEASure:PEDal") {
            self.pedal_line(unit, firmware)
        } else if unit.is("MEASure:SUPPly") {
            // Output of the transformer, V rms.
            none(unit)?;
            self.numbers(&[(firmware.readings.mains, 2)]);
            Ok(())
        } else if unit.common {
            self.common_query(unit)
        } else if let Some((channel, _)) = CHANNEL_HEADERS.iter().find(|(_, header)| unit.is(header)) {
            self.burst_block(unit, *channel)
        } else {
            self.setting(unit, firmware)
        }
    }

    fn drive_line(&mut self, unit: &Unit, firmware: &Firmware) -> Reply {
        none(unit)?;
        let [status, speed, current, bus, bus_current] = firmware.drive_figures();
        self.numbers(&[(status, 0), (rpm(speed), 2), (current, 2), (bus, 2), (bus_current, 2)]);
        Ok(())
    }

    fn slow_line(&mut self, unit: &Unit, firmware: &Firmware) -> Reply {
        none(unit)?;
        let r = &firmware.readings;
        let [winding, inverter, coolant, _] = r.temperatures.map(|t| t - ZERO_CELSIUS);
        let closed = f64::from(u8::from(r.stop_loop_closed));
        self.numbers(&[(winding, 1), (inverter, 1), (coolant, 1), (100.0 * r.pedal[0], 1), (closed, 0)]);
        Ok(())
    }

    /// Pump current in A, its speed in rpm, flow in L/min (SCPI's "not a number" without a meter), coolant that
    /// comes back in °C.
    fn cooling_line(&mut self, unit: &Unit, firmware: &Firmware) -> Reply {
        none(unit)?;
        let r = &firmware.readings;
        self.numbers(&[(r.pump_current, 2), (rpm(r.pump_speed), 0)]);
        match r.flow {
            Some(flow) => self.write(format_args!(",{:.2},", flow * 60e3))?,
            None => self.write(format_args!(",{NOT_A_NUMBER},"))?,
        }
        self.numbers(&[(r.temperatures[3] - ZERO_CELSIUS, 1)]);
        Ok(())
    }

    /// Sine and cosine as shares of their nominal amplitude, their radius, and the noise of the angle in electrical mrad
    /// rms as the tracking loop sees it.
    fn resolver_line(&mut self, unit: &Unit, firmware: &Firmware) -> Reply {
        none(unit)?;
        let Readings { resolver: [sine, cosine], angle_square, .. } = firmware.readings;
        let noise = 1e3 * TAU * angle_square.sqrt();
        self.numbers(&[(sine, 4), (cosine, 4), (sine.hypot(cosine), 4), (noise, 2)]);
        Ok(())
    }

    /// Both tracks in % and in V, and whether they agree.
    fn pedal_line(&mut self, unit: &Unit, firmware: &Firmware) -> Reply {
        none(unit)?;
        let Readings { pedal: [one, two], pedal_volts: [volts_one, volts_two], .. } = firmware.readings;
        let agree = f64::from(u8::from(firmware.pedal_agrees()));
        self.numbers(&[(100.0 * one, 1), (100.0 * two, 1), (volts_one, 3), (volts_two, 3), (agree, 0)]);
        Ok(())
    }

    /// Numbers with their decimals, commas between.
    fn numbers(&mut self, numbers: &[(f64, usize)]) {
        for (i, (number, decimals)) in numbers.iter().enumerate() {
            if i > 0 {
                self.output.push(b',');
            }
            push_decimals(&mut self.output, *number, *decimals);
        }
    }

    fn setting(&mut self, unit: &Unit, firmware: &Firmware) -> Reply {
        none(unit)?;
        if unit.is("CONTrol:WORD") {
            self.write(format_args!("{}", firmware.word()))
        } else if unit.is("STATus:WORD") {
            self.write(format_args!("{}", firmware.status_word()))
        } else if unit.is("STATus:DERating") {
            // Percent of the current limit that heat leaves.
            self.write(format_args!("{:.0}", 100.0 * firmware.derating()))
        } else if unit.is("STATus:DRIVers") {
            // The gate drivers' ready line.
            self.write(format_args!("{}", u8::from(firmware.readings.drivers_ready)))
        } else if unit.is("SOURce:SPEed") {
            self.write(format_args!("{:.2}", rpm(firmware.demand())))
        } else if unit.is("SOURce:TORQue") {
            let torque = if let Told::Torque(torque) = firmware.told() { torque } else { 0.0 };
            self.write(format_args!("{torque:.2}"))
        } else if unit.is("SOURce:PEDal") {
            let full = if let Told::Pedal(full) = firmware.told() { full } else { 0.0 };
            self.write(format_args!("{:.2}", rpm(full)))
        } else if unit.is("SOURce:PUMP") {
            self.write(format_args!("{:.0}", 100.0 * firmware.pump()))
        } else if unit.is("READ:BURSt:TRIGger") {
            // The board's own clock: microseconds since power-on.
            let trigger = self.burst.trigger.ok_or(ScpiError::STALE_DATA)?;
            self.write(format_args!("{}", trigger.micros()))
        } else if unit.is("READ:BURSt:COUNt") {
            let count = self.burst.samples();
            self.write(format_args!("{count}"))
        } else if unit.is("CONFigure:BURSt") {
            // Rate in Hz, length, most per reply, amperes per count.
            let scale = firmware.amperes_per_count();
            self.write(format_args!("{BURST_RATE},{BURST_LENGTH},{BURST_CHUNK},{scale:.6}"))
        } else if unit.is("CONFigure:BURSt:CURRent") {
            self.burst_facts(firmware.amperes_per_count())
        } else if unit.is("CONFigure:BURSt:VIBRation") {
            self.burst_facts(firmware.acceleration_per_count())
        } else if unit.is("CONFigure:BURSt:RESolver") {
            self.burst_facts(1.0 / RESOLVER_NOMINAL)
        } else if unit.is("SYSTem:ERRor[:NEXT]") {
            let error = self.errors.pop_front().unwrap_or(ScpiError::NONE);
            self.write(format_args!("{error}"))
        } else if unit.is("SYSTem:ERRor:COUNt") {
            let count = self.errors.len();
            self.write(format_args!("{count}"))
        } else if unit.is("SYSTem:VERSion") {
            self.write(format_args!("1999.0"))
        } else {
            self.limit(unit, firmware)
        }
    }

    /// What the board limits by itself.
    fn limit(&mut self, unit: &Unit, firmware: &Firmware) -> Reply {
        let limits = firmware.limits();
        if unit.is("CONFigure:PEDal:RATE") {
            // Steepest change of speed that the pedal may ask for, rpm/s.
            self.write(format_args!("{:.0}", rpm(limits.pedal_rate)))
        } else if unit.is("CONFigure:CURRent:LIMit") {
            self.write(format_args!("{:.1}", limits.current))
        } else if unit.is("CONFigure:ALIGnment:CURRent:LIMit") {
            self.write(format_args!("{:.1}", limits.alignment))
        } else if unit.is("CONFigure:SPEed:LIMit") {
            self.write(format_args!("{:.1}", rpm(limits.speed)))
        } else if unit.is("CONFigure:COMMand:TIMeout") {
            self.write(format_args!("{}", firmware.command_timeout().micros() / 1000))
        } else if unit.is("CONFigure:VOLTage:LIMit") {
            // Of the DC link: the gates go off above it.
            self.write(format_args!("{:.0}", limits.bus_high))
        } else {
            Err(ScpiError::UNDEFINED_HEADER)
        }
    }

    fn common_query(&mut self, unit: &Unit) -> Reply {
        none(unit)?;
        if unit.is("*OPC") {
            self.write(format_args!("1"))
        } else if unit.is("*IDN") {
            self.output.extend_from_slice(self.identification.as_bytes());
            Ok(())
        } else if unit.is("*ESR") {
            let events = std::mem::take(&mut self.events);
            self.write(format_args!("{events}"))
        } else if unit.is("*ESE") {
            let enable = self.event_enable;
            self.write(format_args!("{enable}"))
        } else if unit.is("*SRE") {
            let enable = self.service_enable;
            self.write(format_args!("{enable}"))
        } else if unit.is("*STB") {
            // Bit 2 error queue, bit 5 event summary, bit 6 service wanted.
            let errors = if self.errors.is_empty() { 0 } else { 0x04 };
            let events = if self.events & self.event_enable == 0 { 0 } else { 0x20 };
            let service = if (errors | events) & self.service_enable == 0 { 0 } else { 0x40 };
            self.write(format_args!("{}", errors | events | service))
        } else if unit.is("*TST") {
            self.write(format_args!("0"))
        } else {
            Err(ScpiError::UNDEFINED_HEADER)
        }
    }

    /// Rate in Hz, how far off it may be in millionths, length, most per reply, and SI units per count.
    fn burst_facts(&mut self, scale: f64) -> Reply {
        self.write(format_args!("{BURST_RATE},{BURST_PPM},{BURST_LENGTH},{BURST_CHUNK},{scale:.9}"))
    }

    fn burst_block(&mut self, unit: &Unit, channel: usize) -> Reply {
        let [offset, count] = unit.numbers::<2>()?;
        let offset = usize::from(whole(offset, BURST_LENGTH as u16)?);
        let count = usize::from(whole(count, BURST_CHUNK as u16)?);
        let counts = self.burst.channel(channel).get(offset..offset + count).ok_or(ScpiError::STALE_DATA)?;
        let bytes: Vec<u8> = counts.iter().flat_map(|c| c.to_be_bytes()).collect();
        definite_length_block(&bytes, &mut self.output);
        Ok(())
    }

    fn write(&mut self, text: std::fmt::Arguments) -> Reply {
        self.output.write_fmt(text).expect("writing into memory cannot fail");
        Ok(())
    }
}

/// The sources that `INITiate:BURSt` names; the phase currents if it names none.
fn chosen(unit: &Unit) -> Result<Sources, ScpiError> {
    let mut sources = Sources { currents: unit.parameters.is_empty(), ..Sources::default() };
    for word in &unit.parameters {
        let source = [
            ("CURRent", &mut sources.currents),
            ("VIBRation", &mut sources.vibration),
            ("RESolver", &mut sources.resolver),
        ]
        .into_iter()
        .find(|(name, _)| mnemonic_is(word, name));
        match source {
            Some((_, wanted)) => *wanted = true,
            None => return Err(ScpiError::ILLEGAL_PARAMETER),
        }
    }
    Ok(sources)
}

/// Hands a demand on; while driving, one of another sort is refused.
fn follow(now: Instant, firmware: &mut Firmware, told: Told) -> Reply {
    if firmware.choose(Mode::Speed) && firmware.tell_demand(now, told) {
        Ok(())
    } else {
        Err(ScpiError::SETTINGS_CONFLICT)
    }
}

fn rpm(speed: f64) -> f64 {
    speed * 60.0 / TAU
}

fn none(unit: &Unit) -> Reply {
    if unit.parameters.is_empty() { Ok(()) } else { Err(ScpiError::PARAMETER_NOT_ALLOWED) }
}

/// A whole number from 0 to `most`.
fn whole(number: f64, most: u16) -> Result<u16, ScpiError> {
    let fits = number.fract() == 0.0 && (0.0..=f64::from(most)).contains(&number);
    if fits { Ok(number as u16) } else { Err(ScpiError::OUT_OF_RANGE) }
}

// The phase counts are centred and fit a signed 16 bit number.
const _: () = assert!(COUNT_ZERO < 32768.0);
