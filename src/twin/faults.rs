//! Faults as data: name, severity, onset. Each changes a physical parameter, a sensor, a wire or the controller's
//! firmware, never an output.

use super::firmware::{FOR_GOOD, Firmware};
use super::plant::Plant;
use super::sensors::Sensors;
use super::spec::VibrationSpec;
use super::thermal::Thermal;
use crate::time::{Duration, Instant};
use crate::units::{Dim, parse_quantity};
use std::f64::consts::TAU;
use std::fmt;

/// What can be wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum FaultName {
    /// The coolant loop is empty.
    NoCoolant,
    /// The coolant is there, but the pump runs in an air bubble and moves none of it.
    CoolantAirLocked,
    /// The coolant pump is worn: less than half the flow, more current for it, unsteady.
    PumpDying,
    /// One leg of the rectifier bridge is dead: one half wave is missing.
    RectifierLegDead,
    /// The magnets have lost 15 % of their flux.
    WeakMagnets,
    /// Friction is four times what it was.
    HighFriction,
    /// A shim is missing: the stator stack may move along the shaft by 0.3 mm.
    AxialShimMissing,
    /// The rotor is out of balance by 2 kg mm.
    Unbalance,
    /// A bearing's outer race is worn: balls knock on it, and it rubs a little.
    BearingWorn,
    /// The winding sensor hangs at what it read at the onset.
    StuckWindingSensor,
    /// The winding sensor's wire is open.
    OpenWindingSensor,
    /// The winding sensor reads 8 K too much.
    WindingSensorOff,
    /// The first phase's current sensor reads 8 A too much.
    CurrentOffset,
    /// The resolver is turned by 20 electrical degrees.
    ResolverOffset,
    /// The resolver's sine wires are the wrong way round: it turns backwards.
    ResolverReversed,
    /// The screen of the resolver's cable floats: switching gates put 60 mrad of noise on it.
    ResolverNoise,
    /// The resolver's excitation has lost 40 %: both signals are weak.
    ResolverWeak,
    /// Hum from the mains is on the resolver's cable, gates or not: 20 mrad.
    ResolverHum,
    /// The resolver's converter hangs at the angle of the onset: the shaft seems to stand.
    ResolverStuck,
    /// The casing is not bonded: switching gates put noise on the resolver that grows with the bus, 60 mrad at 155 V.
    CasingUnbonded,
    /// The second and third phase's leads are swapped.
    PhasesSwapped,
    /// A bad joint in the first phase's lead: 0.3 Ohm.
    WeakPhase,
    /// The pedal rests at 12 % of its travel.
    PedalOffRest,
    /// The second pedal track reads 15 % of travel more than the first.
    PedalTracksApart,
    /// The loop of the hard-wired emergency stop is open.
    StopLoopOpen,
    /// The transformer gives 35 % less.
    BusLow,
    /// The divider of the bus voltage is off: it reads 6 % too little.
    BusSensorOff,
    /// The wire of the bus divider is open: it reads nothing.
    BusSensorOpen,
    /// The drive says that it is off, and its gates and loops go on with the last demand, for 10 s times a severity below 1,
    /// from 1 on for good; beyond 1 it speeds up as well, by 40 rpm/s for each 1 more.
    GatesStuckOn,
    /// 0.4 s after each off the gates come back on with the last demand, while the drive says that it is off.
    ComesBackOn,
    /// A command that takes the torque off is acknowledged and not carried out, for 10 s times a severity below 1 from the first
    /// on, from 1 on for good. The command timeout works.
    StopIgnored,
    /// What is reported of the drive (state, speed, current, bus) stays as it is, for 10 s times a severity below 1, from 1 on
    /// for good.
    TelemetryFrozen,
    /// The phase current is reported as 1 A rms, whatever it is.
    CurrentConstant,
    /// The speed is reported as zero, while the controller knows angle and speed and goes on controlling.
    SpeedLost,
    /// The speed is reported with the wrong sign: the severity of 0.45 makes it a tenth, 1 turns it over.
    SpeedSignTurns,
    /// The same from the first off after the onset.
    SpeedSignTurnsAtStop,
    /// The board restarts: a banner, nothing heard for 0.3 s, the drive off. From severity 0.5 on with another build and bus limit,
    /// from 1 on without a command timeout.
    BoardRestarts,
    /// Single bytes get lost on the line: 5 in 10 000.
    LinkDrop,
    /// Single bits get flipped on the line: in 2 of 10 000 bytes.
    LinkFlip,
    /// Three of ten pieces come in two parts, 1 to 4 ms apart.
    LinkSplit,
    /// Everything comes 8 ms late, give or take 2 ms.
    LinkDelay,
    /// Nothing passes for 5 s.
    LinkSilence,
}

/// Every fault with its name in files and on the command line.
const NAMES: &[(&str, FaultName)] = &[
    ("no-coolant", FaultName::NoCoolant),
    ("coolant-air-locked", FaultName::CoolantAirLocked),
    ("pump-dying", FaultName::PumpDying),
    ("rectifier-leg-dead", FaultName::RectifierLegDead),
    ("weak-magnets", FaultName::WeakMagnets),
    ("high-friction", FaultName::HighFriction),
    ("axial-shim-missing", FaultName::AxialShimMissing),
    ("unbalance", FaultName::Unbalance),
    ("bearing-worn", FaultName::BearingWorn),
    ("stuck-winding-sensor", FaultName::StuckWindingSensor),
    ("open-winding-sensor", FaultName::OpenWindingSensor),
    ("winding-sensor-off", FaultName::WindingSensorOff),
    ("current-offset", FaultName::CurrentOffset),
    ("resolver-offset", FaultName::ResolverOffset),
    ("resolver-reversed", FaultName::ResolverReversed),
    ("resolver-noise", FaultName::ResolverNoise),
    ("resolver-weak", FaultName::ResolverWeak),
    ("resolver-hum", FaultName::ResolverHum),
    ("resolver-stuck", FaultName::ResolverStuck),
    ("casing-unbonded", FaultName::CasingUnbonded),
    ("phases-swapped", FaultName::PhasesSwapped),
    ("weak-phase", FaultName::WeakPhase),
    ("pedal-off-rest", FaultName::PedalOffRest),
    ("pedal-tracks-apart", FaultName::PedalTracksApart),
    ("stop-loop-open", FaultName::StopLoopOpen),
    ("bus-low", FaultName::BusLow),
    ("bus-sensor-off", FaultName::BusSensorOff),
    ("bus-sensor-open", FaultName::BusSensorOpen),
    ("gates-stuck-on", FaultName::GatesStuckOn),
    ("comes-back-on", FaultName::ComesBackOn),
    ("stop-ignored", FaultName::StopIgnored),
    ("telemetry-frozen", FaultName::TelemetryFrozen),
    ("current-constant", FaultName::CurrentConstant),
    ("speed-lost", FaultName::SpeedLost),
    ("speed-sign-turns", FaultName::SpeedSignTurns),
    ("speed-sign-turns-at-stop", FaultName::SpeedSignTurnsAtStop),
    ("board-restarts", FaultName::BoardRestarts),
    ("link-drop", FaultName::LinkDrop),
    ("link-flip", FaultName::LinkFlip),
    ("link-split", FaultName::LinkSplit),
    ("link-delay", FaultName::LinkDelay),
    ("link-silence", FaultName::LinkSilence),
];

/// A fault as set: what, how bad, from when on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FaultSetting {
    /// What is wrong.
    pub name: FaultName,
    /// How bad: 0 not at all, 1 as its description says, more is worse.
    pub severity: f64,
    /// From when on.
    pub onset: Instant,
}

/// Why a text is not a fault setting.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{message}")]
pub struct FaultError {
    /// What was found, what was expected.
    pub message: String,
    /// How to mend it.
    pub help: Option<String>,
}

impl FaultName {
    /// Every fault, in the order of their descriptions.
    pub fn all() -> impl Iterator<Item = FaultName> {
        NAMES.iter().map(|(_, name)| *name)
    }

    /// The name as written in files and on the command line.
    pub fn text(self) -> &'static str {
        NAMES.iter().find(|(_, name)| *name == self).map_or("", |(text, _)| text)
    }

    /// Whether it acts on the bytes of a link, not on the unit or the rig.
    pub fn on_link(self) -> bool {
        use FaultName as F;
        matches!(self, F::LinkDrop | F::LinkFlip | F::LinkSplit | F::LinkDelay | F::LinkSilence)
    }
}

/// Every fault, for whoever draws among all of them and knows none.
pub fn every_fault() -> Vec<FaultName> {
    FaultName::all().collect()
}

impl FaultSetting {
    /// Reads `NAME`, `NAME=SEVERITY`, `NAME@ONSET` or `NAME=SEVERITY@ONSET`, such as
    /// `bus-low=0.5@3 s`. Severity 1 and onset at once are taken where nothing is said.
    ///
    /// Errors on an unknown name (with the nearest one), a severity that is not a number from 0 to
    /// 100, and an onset that is not a duration.
    pub fn parse(text: &str) -> Result<FaultSetting, FaultError> {
        let (rest, onset) = match text.split_once('@') {
            Some((rest, onset)) => (rest, parse_onset(onset)?),
            None => (text, Instant::ZERO),
        };
        let (name, severity) = match rest.split_once('=') {
            Some((name, severity)) => (name, parse_severity(severity)?),
            None => (rest, 1.0),
        };
        Ok(FaultSetting { name: parse_name(name.trim())?, severity, onset })
    }
}

/// As [`FaultSetting::parse`] reads it.
impl fmt::Display for FaultSetting {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}={}@{} s", self.name.text(), self.severity, self.onset.secs_f64())
    }
}

fn parse_name(text: &str) -> Result<FaultName, FaultError> {
    if let Some((_, name)) = NAMES.iter().find(|(known, _)| *known == text) {
        return Ok(*name);
    }
    let near = NAMES
        .iter()
        .map(|(known, _)| (strsim::damerau_levenshtein(known, text), *known))
        .min()
        .filter(|(distance, known)| *distance <= known.len() / 3);
    let help = match near {
        Some((_, known)) => format!("did you mean `{known}`?"),
        None => {
            let all: Vec<&str> = NAMES.iter().map(|(known, _)| *known).collect();
            format!("there are {}", all.join(", "))
        }
    };
    Err(FaultError { message: format!("`{text}` is not a fault"), help: Some(help) })
}

fn parse_severity(text: &str) -> Result<f64, FaultError> {
    let severity = text.trim().parse::<f64>().ok().filter(|s| (0.0..=100.0).contains(s));
    severity.ok_or_else(|| FaultError {
        message: format!("severity `{}` is not a number from 0 to 100", text.trim()),
        help: Some("1 is the fault as described; 0.5 half as bad".into()),
    })
}

fn parse_onset(text: &str) -> Result<Instant, FaultError> {
    let help = Some("write when it begins after the start, such as `bus-low@3 s`".to_string());
    let quantity = parse_quantity(text.trim())
        .map_err(|e| FaultError { message: format!("onset: {e}"), help: help.clone() })?;
    let duration = Dim { time: 1, ..Dim::default() };
    if quantity.unit.kind.dim != duration || quantity.si < 0.0 {
        let message = format!("onset `{}` is not a duration", text.trim());
        return Err(FaultError { message, help });
    }
    Ok(Instant::from_secs_f64(quantity.si))
}

/// How much faster the demand of gates that are stuck on gets, for each severity beyond 1: 40 rpm/s.
const SPEEDS_UP: f64 = 40.0 * TAU / 60.0;
/// The build that runs after a restart with other settings.
const OTHER_BUILD: &str = "1.3.2";

/// How long it lasts: 10 s times a severity below 1, else for good.
fn lasting(severity: f64) -> Duration {
    if severity < 1.0 { Duration::from_secs_f64(10.0 * severity) } else { FOR_GOOD }
}

/// What a fault may lay its hands on: physics, sensors, and what may be broken in the firmware.
pub(super) struct World<'t> {
    pub now: Instant,
    pub plant: &'t mut Plant,
    pub sensors: &'t mut Sensors,
    pub thermal: &'t mut Thermal,
    pub vibration: &'t mut VibrationSpec,
    pub firmware: &'t mut Firmware,
}

impl World<'_> {
    /// Brings a fault about, once, at its onset. A second onset makes nothing better: what is a share of something takes the
    /// worse of the two. Faults on the link do nothing here.
    pub fn suffer(&mut self, fault: &FaultSetting) {
        let severity = fault.severity;
        let left = (1.0 - severity).max(0.0);
        match fault.name {
            FaultName::NoCoolant => self.thermal.pump.fill = self.thermal.pump.fill.min(left),
            FaultName::CoolantAirLocked => {
                self.thermal.pump.primed = self.thermal.pump.primed.min(left);
            }
            FaultName::PumpDying => self.thermal.pump.wear = self.thermal.pump.wear.max(severity),
            FaultName::RectifierLegDead => self.plant.supply.weaken_second_half(left),
            FaultName::WeakMagnets => {
                self.plant.machine.flux_linkage *= (1.0 - 0.15 * severity).max(0.0);
            }
            FaultName::HighFriction => {
                self.plant.rotor.friction *= 1.0 + 3.0 * severity;
                self.plant.rotor.breakaway *= 1.0 + 3.0 * severity;
            }
            FaultName::AxialShimMissing => self.vibration.stack_clearance += 0.3e-3 * severity,
            FaultName::Unbalance => self.vibration.unbalance += 2e-3 * severity,
            FaultName::BearingWorn => {
                self.vibration.bearing_blow += 4e-6 * severity;
                self.plant.rotor.friction *= 1.0 + 0.1 * severity;
                self.plant.rotor.breakaway *= 1.0 + 0.1 * severity;
            }
            FaultName::StuckWindingSensor => {
                self.sensors.stick_winding(severity.min(1.0), self.thermal.winding());
            }
            FaultName::OpenWindingSensor => {
                self.sensors.winding_open = self.sensors.winding_open.max(severity.min(1.0));
            }
            FaultName::WindingSensorOff => self.sensors.spec.temperature_offset[0] += 8.0 * severity,
            FaultName::CurrentOffset => self.sensors.spec.current_offset[0] += 8.0 * severity,
            FaultName::ResolverOffset => {
                self.sensors.spec.resolver_offset += 20f64.to_radians() * severity;
            }
            FaultName::ResolverNoise => self.sensors.spec.resolver_noise_gates += 60e-3 * severity,
            FaultName::ResolverReversed => self.sensors.spec.resolver_reversed |= severity > 0.0,
            FaultName::ResolverWeak => {
                self.sensors.spec.resolver_excitation *= (1.0 - 0.4 * severity).max(0.02);
            }
            FaultName::ResolverHum => self.sensors.spec.resolver_noise += 20e-3 * severity,
            FaultName::ResolverStuck => self.sensors.resolver_hangs |= severity > 0.0,
            FaultName::CasingUnbonded => {
                self.sensors.spec.casing_bond = self.sensors.spec.casing_bond.min(left);
            }
            FaultName::PhasesSwapped => self.plant.swapped |= severity > 0.0,
            FaultName::WeakPhase => self.plant.joint += 0.3 * severity,
            FaultName::PedalOffRest => {
                self.sensors.spec.pedal = (self.sensors.spec.pedal + 0.12 * severity).min(1.0);
            }
            FaultName::PedalTracksApart => self.sensors.spec.pedal_apart[1] += 0.15 * severity,
            FaultName::StopLoopOpen => self.sensors.stop_loop_closed &= severity == 0.0,
            FaultName::BusSensorOff => self.sensors.spec.bus_gain -= 0.06 * severity,
            FaultName::BusSensorOpen => {
                self.sensors.bus_open = self.sensors.bus_open.max(severity.min(1.0));
            }
            FaultName::BusLow => self.plant.supply.scale_transformer((1.0 - 0.35 * severity).max(0.0)),
            FaultName::LinkDrop
            | FaultName::LinkFlip
            | FaultName::LinkSplit
            | FaultName::LinkDelay
            | FaultName::LinkSilence => {}
            _ => self.spoil_firmware(fault.name, severity),
        }
    }

    /// The same of what is broken in the firmware.
    fn spoil_firmware(&mut self, name: FaultName, severity: f64) {
        let (now, firmware) = (self.now, &mut *self.firmware);
        if severity == 0.0 {
            return;
        }
        match name {
            FaultName::GatesStuckOn => {
                firmware.defects.stay_on(lasting(severity), SPEEDS_UP * (severity - 1.0).max(0.0));
            }
            FaultName::ComesBackOn => firmware.defects.come_back(Duration::from_secs_f64(0.4 * severity)),
            FaultName::StopIgnored => firmware.defects.ignore_stops(lasting(severity)),
            FaultName::TelemetryFrozen => firmware.freeze(now, lasting(severity)),
            FaultName::CurrentConstant => firmware.defects.report_current(severity),
            FaultName::SpeedLost => firmware.defects.report_speed((1.0 - severity).max(0.0), false),
            FaultName::SpeedSignTurns => firmware.defects.report_speed(1.0 - 2.0 * severity, false),
            FaultName::SpeedSignTurnsAtStop => firmware.defects.report_speed(1.0 - 2.0 * severity, true),
            FaultName::BoardRestarts => {
                firmware.restart(now, Duration::from_secs_f64(0.3 * severity), |firmware| {
                    if severity >= 0.5 {
                        firmware.run_other_build(OTHER_BUILD);
                        firmware.set_bus_limit(1.1 * firmware.limits().bus_high);
                    }
                    if severity >= 1.0 {
                        firmware.end_command_timeout();
                    }
                });
            }
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One row: text, severity and onset in s, or a piece of the message or help.
    #[test]
    fn settings_are_read_as_people_write_them() {
        type Row<'r> = (&'r str, Result<(&'r str, f64, f64), &'r str>);
        let rows: &[Row] = &[
            ("no-coolant", Ok(("no-coolant", 1.0, 0.0))),
            ("bus-low=0.5@3 s", Ok(("bus-low", 0.5, 3.0))),
            ("bus-low@250 ms", Ok(("bus-low", 1.0, 0.25))),
            ("link-drop = 2 @ 1 min", Ok(("link-drop", 2.0, 60.0))),
            ("no-colant", Err("did you mean `no-coolant`?")),
            ("wizard", Err("there are no-coolant,")),
            ("bus-low=lots", Err("severity `lots`")),
            ("bus-low=-1", Err("severity `-1`")),
            ("bus-low=NaN", Err("severity `NaN`")),
            ("bus-low@3 V", Err("not a duration")),
            ("bus-low@-3 s", Err("not a duration")),
            ("bus-low@soon", Err("onset: ")),
        ];
        for (text, expected) in rows {
            match (FaultSetting::parse(text), expected) {
                (Ok(got), Ok((name, severity, onset))) => {
                    assert_eq!(got.name.text(), *name);
                    assert_eq!((got.severity, got.onset.secs_f64()), (*severity, *onset), "{text}");
                    assert_eq!(FaultSetting::parse(&got.to_string()), Ok(got));
                }
                (Err(e), Err(part)) => {
                    let said = format!("{e}; {}", e.help.clone().unwrap_or_default());
                    assert!(said.contains(part), "{text}: {said}");
                }
                (got, expected) => panic!("{text}: {got:?}, expected {expected:?}"),
            }
        }
    }

    #[test]
    fn every_fault_has_a_name_of_its_own() {
        let names: std::collections::BTreeSet<&str> = FaultName::all().map(FaultName::text).collect();
        assert_eq!(names.len(), FaultName::all().count());
        assert_eq!(FaultName::all().filter(|f| f.on_link()).count(), 5);
    }
}
