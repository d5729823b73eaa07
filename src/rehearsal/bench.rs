//! The simulated unit and rig that fit a rig and a unit file.

use crate::files::read::Ranged;
use crate::files::rig::Rig;
use crate::files::unit::Unit;
use crate::plan::Plan;
use crate::twin::{BUILDS, TwinSpec, find_build};
use crate::units::{Form, Kind};
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Why there can be no twin for these files.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct TwinError(String);

/// The spec of the twin for a rig, a unit and a build (the sound one if none is asked for). Where the
/// unit file gives a range, the seed draws from it: salvage comes without a data sheet, and a suite
/// must hold for every unit within the nameplate.
///
/// Errors if the rig has no `[twin]`, if not exactly one link goes to the twin, or if the twin has no
/// such build.
pub fn twin_spec(rig: &Rig, unit: &Unit, plan: &Plan, seed: u64) -> Result<TwinSpec, TwinError> {
    let Some(bench) = &rig.twin else {
        return Err(TwinError(format!(
            "the rig `{}` does not describe its simulated self: add a [twin] table, as in the demo rig",
            plan.rig
        )));
    };
    if plan.links.len() != 1 {
        return Err(TwinError(format!(
            "the twin serves one link and the rig has {}: rehearse with a rig whose board has one link",
            plan.links.len()
        )));
    }
    let volts_rms = rms_volts(&bench.transformer.unit.kind);
    if !volts_rms {
        return Err(TwinError(format!(
            "`transformer = \"{}\"` is no voltage (rms): write it like \"110 V rms\"",
            bench.transformer.value
        )));
    }
    let mut chance = Xoshiro256PlusPlus::seed_from_u64(seed);
    let mut spec = TwinSpec::demo();
    if let Some(label) = &plan.build {
        spec.build = find_build(label).ok_or_else(|| {
            let known: Vec<&str> = BUILDS.iter().map(|b| b.label).collect();
            TwinError(format!("the twin has no build `{label}`; it has {}", known.join(", ")))
        })?;
    }
    spec.identity.model.clone_from(&plan.model);
    spec.identity.serial.clone_from(&plan.serial);
    let (machine, rotor, thermal) = (&unit.machine, &unit.rotor, &unit.thermal);
    spec.machine.pole_pairs = machine.pole_pairs.value;
    spec.machine.flux_linkage = draw(&mut chance, &machine.flux_linkage);
    spec.machine.resistance = draw(&mut chance, &machine.resistance);
    spec.machine.inductance_d = draw(&mut chance, &machine.inductance_d);
    spec.machine.inductance_q = draw(&mut chance, &machine.inductance_q);
    spec.rotor.inertia = draw(&mut chance, &rotor.inertia);
    spec.rotor.friction = draw(&mut chance, &rotor.friction);
    // Breaking away takes a little more than going on turning (common practice).
    spec.rotor.breakaway = 1.125 * spec.rotor.friction;
    spec.rotor.drag = draw(&mut chance, &rotor.drag);
    spec.thermal.ambient = bench.ambient.si;
    spec.thermal.winding_capacity = draw(&mut chance, &thermal.winding_capacity);
    let winding_to_coolant = draw(&mut chance, &thermal.winding_to_coolant);
    spec.thermal.split_winding_to_coolant(winding_to_coolant);
    spec.thermal.inverter_capacity = draw(&mut chance, &thermal.inverter_capacity);
    spec.thermal.inverter_to_coolant = draw(&mut chance, &thermal.inverter_to_coolant);
    spec.supply.transformer = bench.transformer.si;
    spec.supply.frequency = bench.frequency.si;
    spec.supply.source_resistance = bench.source_resistance.si;
    spec.supply.bleeder = bench.bleeder.si;
    spec.supply.capacitance = draw(&mut chance, &rig.supply.capacitance);
    spec.limits.command_timeout = plan.drive.command_timeout;
    Ok(spec)
}

fn draw<K>(chance: &mut Xoshiro256PlusPlus, range: &Ranged<K>) -> f64 {
    if range.high > range.low { chance.random_range(range.low..=range.high) } else { range.low }
}

fn rms_volts(kind: &Kind) -> bool {
    kind.form == Form::Rms && kind.name() == "voltage (rms)"
}
