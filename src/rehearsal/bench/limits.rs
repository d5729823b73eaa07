//! What the simulated controller is set to: wide enough for the bench, and never tighter than on the demo bench. A limit that a
//! board may not have must not be what saves a rehearsal.

use super::TwinError;
use crate::files::read::At;
use crate::files::rig::{Limiting, Rig, Sets};
use crate::files::unit::Unit;
use crate::plan::{Plan, Test};
use crate::twin::TwinSpec;
use crate::units::{Form, Quantity};

/// Limits of speed and bus over the rig's: above both, so that the runner's own trips come first. The lowest bus while driving
/// over the lower end of the window before a run. Together they give the demo bench 2200 rpm, 210 V and 60 V.
const ABOVE_SPEED: f64 = 1.1;
const ABOVE_BUS: f64 = 1.05;
const BELOW_BUS: f64 = 3.0 / 7.0;

/// How far below the unit's highest temperatures of winding and inverter the controller stops, K.
const BELOW_WINDING: f64 = 10.0;
const BELOW_INVERTER: f64 = 5.0;

/// Largest voltage of the bus converter over the highest bus, at least.
const CONVERTER: f64 = 1.25;

/// What rounding on the wire may add to a torque, Nm, and to a current, A.
const ROUNDING: f64 = 0.005;

/// Sets the controller's limits by rig, unit and plan.
///
/// Errors on a current limit of another kind, and where a test asks for more than they allow: its demand would not be taken, and
/// the rehearsal would end with a command timeout.
pub(super) fn set(rig: &Rig, unit: &Unit, plan: &Plan, spec: &mut TwinSpec) -> Result<(), TwinError> {
    let limits = &mut spec.limits;
    limits.command_timeout = plan.drive.command_timeout;
    // The plan demands no speed beyond the unit's.
    limits.speed = limits.speed.max((ABOVE_SPEED * rig.limits.speed.si).min(unit.machine.speed_max.si));
    limits.bus_high = limits.bus_high.max(ABOVE_BUS * rig.limits.bus.si);
    // What a rig reads back its board has.
    if let Some((own, _)) = rig.limited(Limiting::BusVoltage) {
        limits.bus_high = own;
    }
    if let Some((rate, _)) = rig.limited(Limiting::PedalRate) {
        limits.pedal_rate = rate;
    }
    limits.bus_low = limits.bus_low.min(BELOW_BUS * rig.supply.bus.low);
    limits.winding = unit.thermal.winding_max.si - BELOW_WINDING;
    limits.inverter = unit.thermal.inverter_max.si - BELOW_INVERTER;
    spec.sensors.bus_full = spec.sensors.bus_full.max(CONVERTER * limits.bus_high);
    if let Some(limit) = rig.twin.as_ref().and_then(|t| t.current_limit.as_ref()) {
        limit_current(limit, spec)?;
    }
    for test in &plan.tests {
        within(plan, test, spec)?;
    }
    Ok(())
}

fn limit_current(limit: &At<Quantity>, spec: &mut TwinSpec) -> Result<(), TwinError> {
    let kind = &limit.unit.kind;
    if kind.form != Form::Peak || kind.name() != "current (peak)" {
        return Err(TwinError(format!(
            "`current_limit = \"{}\"` is no current (peak): write it as \"__ A peak\"",
            limit.value
        )));
    }
    spec.limits.current = limit.si;
    // The gates must not go off at what may be asked for: current loops overshoot.
    spec.limits.overcurrent = spec.limits.overcurrent.max(1.5 * limit.si);
    Ok(())
}

/// Refuses a test whose demands the simulated controller would not take.
fn within(plan: &Plan, test: &Test, spec: &TwinSpec) -> Result<(), TwinError> {
    let machine = &spec.machine;
    let per_ampere = 1.5 * f64::from(machine.pole_pairs) * machine.flux_linkage;
    let moved = (test.demand, test.profile.top());
    for (demand, value) in std::iter::once(moved).chain(test.with.iter().copied()) {
        let demand = &plan.demands[demand];
        let (most, why) = match demand.sets {
            Sets::Torque => (per_ampere * spec.limits.current, "its current limit gives"),
            Sets::CurrentLimit => (spec.limits.current, "its own limit is"),
            Sets::AlignmentCurrent => (spec.limits.alignment, "it aligns with at most"),
            _ => continue,
        };
        if value.abs() > most + ROUNDING {
            let said = |si: f64| demand.unit.from_si(si);
            let mend = match demand.sets {
                Sets::AlignmentCurrent => "ask for less in the suite",
                _ => {
                    "raise `current_limit` in the rig's [twin] to what the controller has, or ask for less in the suite"
                }
            };
            return Err(TwinError(format!(
                "test `{}` asks for {} {:.2} {}, which the simulated controller does not take, for {why} {:.2} {}: {mend}",
                test.name,
                demand.name,
                said(value),
                demand.unit.text,
                said(most),
                demand.unit.text
            )));
        }
    }
    Ok(())
}
