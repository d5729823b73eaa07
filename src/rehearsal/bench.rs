//! The simulated unit and rig that fit a rig and a unit file.

use crate::files::read::Ranged;
use crate::files::rig::{Coupled, LoadKind, Rig, TwinRig};
use crate::files::unit::Unit;
use crate::plan::Plan;
use crate::twin::{BUILDS, BearingSpec, GearStage, LoadSpec, PedalProgram, TwinSpec, find_build};
use crate::units::{Form, Kind};
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use std::f64::consts::SQRT_2;

mod limits;

/// Why there can be no twin for these files.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct TwinError(String);

/// The spec of the twin for a rig, a unit and a build (the sound one if none is asked for). Where the
/// unit file gives a range, the seed draws from it: salvage comes without a data sheet, and a suite
/// must hold for every unit within the nameplate.
///
/// Every link of the rig is a port of the one simulated board. Errors if the rig has no `[twin]`, if the twin has no such build,
/// or if its load lacks what makes it one.
pub fn twin_spec(rig: &Rig, unit: &Unit, plan: &Plan, seed: u64) -> Result<TwinSpec, TwinError> {
    spec(rig, unit, plan, &mut Chance::Drawn(Box::new(Xoshiro256PlusPlus::seed_from_u64(seed))))
}

/// The spec with the middle of every range of the unit file: the nominal unit. Errors as [`twin_spec`].
pub fn nominal_spec(rig: &Rig, unit: &Unit, plan: &Plan) -> Result<TwinSpec, TwinError> {
    spec(rig, unit, plan, &mut Chance::Middle)
}

/// Where in its range a parameter is taken.
enum Chance {
    Drawn(Box<Xoshiro256PlusPlus>),
    Middle,
}

fn spec(rig: &Rig, unit: &Unit, plan: &Plan, chance: &mut Chance) -> Result<TwinSpec, TwinError> {
    let Some(bench) = &rig.twin else {
        return Err(TwinError(format!(
            "the rig `{}` does not describe its simulated self: add a [twin] table, as in the demo rig",
            plan.rig
        )));
    };
    let volts_rms = rms_volts(&bench.transformer.unit.kind);
    if !volts_rms {
        return Err(TwinError(format!(
            "`transformer = \"{}\"` is no voltage (rms): write it as \"__ V rms\"",
            bench.transformer.value
        )));
    }
    let mut spec = TwinSpec::demo();
    if let Some(label) = &plan.build {
        spec.build = find_build(label).ok_or_else(|| no_build(label))?;
    }
    spec.ports = plan.links.len();
    spec.identity.model.clone_from(&plan.model);
    spec.identity.serial.clone_from(&plan.serial);
    let (machine, rotor, thermal) = (&unit.machine, &unit.rotor, &unit.thermal);
    spec.machine.pole_pairs = machine.pole_pairs.value;
    spec.machine.flux_linkage = draw(chance, &machine.flux_linkage);
    spec.machine.resistance = draw(chance, &machine.resistance);
    spec.machine.inductance_d = draw(chance, &machine.inductance_d);
    spec.machine.inductance_q = draw(chance, &machine.inductance_q);
    spec.rotor.inertia = draw(chance, &rotor.inertia);
    spec.rotor.friction = draw(chance, &rotor.friction);
    // Breaking away takes a little more than going on turning (common practice).
    spec.rotor.breakaway = 1.125 * spec.rotor.friction;
    spec.rotor.drag = draw(chance, &rotor.drag);
    spec.thermal.ambient = bench.ambient.si;
    spec.thermal.winding_capacity = draw(chance, &thermal.winding_capacity);
    let winding_to_coolant = draw(chance, &thermal.winding_to_coolant);
    spec.thermal.split_winding_to_coolant(winding_to_coolant);
    spec.thermal.inverter_capacity = draw(chance, &thermal.inverter_capacity);
    spec.thermal.inverter_to_coolant = draw(chance, &thermal.inverter_to_coolant);
    spec.supply.transformer = bench.transformer.si;
    spec.supply.crest = bench.crest.as_ref().map_or(SQRT_2, |c| c.si);
    if !(1.05..=1.415).contains(&spec.supply.crest) {
        return Err(TwinError(format!(
            "`crest = \"{}\"` is no peak over rms of flat-topped mains: expected 1.05 to 1.414, that of a sine",
            spec.supply.crest
        )));
    }
    spec.supply.frequency = bench.frequency.si;
    spec.supply.source_resistance = bench.source_resistance.si;
    spec.supply.bleeder = bench.bleeder.si;
    spec.supply.capacitance = draw(chance, &rig.supply.capacitance);
    inverter(rig, unit, &mut spec);
    limits::set(rig, unit, plan, &mut spec)?;
    // Drawn last: a rig that says nothing of what is coupled leaves all other draws as they are.
    (spec.load, spec.coupled_inertia) = coupled(rig, bench, chance)?;
    spec.sensors.flow_meter = bench.flow_meter.unwrap_or(true);
    geometry(unit, &mut spec);
    let hands = plan.tests.iter().flat_map(|t| &t.by_hand);
    spec.pedal = hands.map(|hand| PedalProgram { points: hand.rehearsed.clone() }).collect();
    Ok(spec)
}

fn no_build(label: &str) -> TwinError {
    let known: Vec<&str> = BUILDS.iter().map(|b| b.label).collect();
    TwinError(format!("the twin has no build `{label}`; it has {}", known.join(", ")))
}

/// Gears and bearing as the unit file has them; a file that says nothing of them leaves the demo unit's.
fn geometry(unit: &Unit, spec: &mut TwinSpec) {
    if !unit.gear_stage.is_empty() {
        let stage =
            |s: &crate::files::unit::GearStage| GearStage { pinion: s.pinion.value, wheel: s.wheel.value };
        spec.vibration.gears = unit.gear_stage.iter().map(stage).collect();
    }
    if let Some(bearing) = unit.bearing.first() {
        spec.vibration.bearing = BearingSpec {
            balls: bearing.balls.value,
            ratio: bearing.ball_to_pitch,
            contact: bearing.contact_angle.as_ref().map_or(0.0, |angle| angle.si),
        };
    }
}

/// Scales the demo unit's inverter until it loses what the unit file says. That is no spread between units: the lower end is
/// the loss over current at the smallest current, the upper one at the largest. The demo unit's 1 V and 1.6 V at 250 A peak
/// and a bus around 152.5 V are what its figures in the twin were chosen for.
fn inverter(rig: &Rig, unit: &Unit, spec: &mut TwinSpec) {
    let Some(drop) = &unit.thermal.inverter_drop else { return };
    let current_max = &unit.controller.current_max;
    let peak = if current_max.unit.kind.form == Form::Rms { SQRT_2 * current_max.si } else { current_max.si };
    let bus = rig.supply.bus.middle();
    spec.inverter.drop *= drop.low;
    if bus > 0.0 {
        spec.inverter.switching *= drop.low * (152.5 / bus);
    }
    if peak > 0.0 {
        spec.inverter.resistance *= (drop.high - drop.low) / (1.6 - 1.0) * (250.0 / peak);
    }
}

/// What the shaft drives, and the inertia of it: what `[twin]` says of its load, and of the rest what `[shaft]` says. The plan
/// has refused files in which the two do not agree.
fn coupled(rig: &Rig, bench: &TwinRig, chance: &mut Chance) -> Result<(LoadSpec, f64), TwinError> {
    let needs = |what: &str| TwinError(format!("the twin's load needs `{what}`"));
    let torque = bench.load_torque.as_ref().map(|t| t.si);
    let shaft = rig.shaft.as_ref();
    let mut inertia = None;
    let load = match bench.load.as_ref().map(|l| l.value) {
        None => match shaft.filter(|s| s.coupled.value != Coupled::Nothing).and_then(|s| s.holds.as_ref()) {
            Some(holds) => LoadSpec::Brake { torque: draw(chance, holds).max(0.0) },
            None => LoadSpec::Free,
        },
        Some(LoadKind::Free) => LoadSpec::Free,
        Some(LoadKind::FrictionBrake) => {
            LoadSpec::Brake { torque: torque.ok_or_else(|| needs("load_torque"))? }
        }
        Some(LoadKind::SecondMachine) => {
            inertia = bench.load_inertia.as_ref().map(|i| i.si);
            LoadSpec::Machine {
                per_speed: bench.load_drag.as_ref().map(|d| d.si).ok_or_else(|| needs("load_drag"))?,
                torque_max: torque.ok_or_else(|| needs("load_torque"))?,
            }
        }
    };
    let of_shaft = shaft.and_then(|s| s.inertia.as_ref());
    let inertia = inertia.or_else(|| of_shaft.map(|i| draw(chance, i)));
    Ok((load, inertia.unwrap_or(0.0)))
}

#[cfg(test)]
mod tests;

fn draw<K>(chance: &mut Chance, range: &Ranged<K>) -> f64 {
    match chance {
        Chance::Drawn(chance) if range.high > range.low => chance.random_range(range.low..=range.high),
        Chance::Drawn(_) => range.low,
        Chance::Middle => 0.5 * (range.low + range.high),
    }
}

fn rms_volts(kind: &Kind) -> bool {
    kind.form == Form::Rms && kind.name() == "voltage (rms)"
}
