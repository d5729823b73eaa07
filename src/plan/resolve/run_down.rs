//! How a shaft without torque runs down, and the meters of the bus: what a drive that says it is off is held against.

use super::context::{Context, a, length};
use super::scope::{Scope, plain};
use crate::diag::Diag;
use crate::files::read::{At, Current, Power, Speed, Voltage, kind_of};
use crate::files::rig::{Role, SupplyMeter};
use crate::plan::{BusPower, PowerMeter, RunDown};
use crate::time::Duration;
use crate::units::Kind;

/// By how many times the steepest ramp of a rig a drive that follows its demand may fall: a loop that overshoots is steeper.
const FOLLOWS: f64 = 2.0;

/// How the shaft runs down: every figure at the end that makes it faster.
pub(super) fn run_down(ctx: &mut Context<'_>, scope: &Scope<'_>) -> RunDown {
    let second_speed = second_speed(ctx, scope);
    let power = power(ctx, scope);
    let (rig, rotor, machine) = (ctx.rig, &ctx.unit.rotor, &ctx.unit.machine);
    let shaft = rig.shaft.as_ref();
    let held = shaft.and_then(|s| s.holds.as_ref()).map_or(0.0, |h| h.high);
    let driven = shaft.and_then(|s| s.drives.as_ref()).map_or(0.0, |d| d.si);
    // What is coupled may come off with its inertia: the rotor's own is the least that turns.
    let inertia = rotor.inertia.low;
    let reaction = match &rig.reaction {
        Some(r) => length(&r.runner) + length(&r.adapter) + length(&r.controller),
        None => length(&rig.safe_state.not_driven_within),
    };
    RunDown {
        fastest: ((rotor.friction.high + held + driven) / inertia, rotor.drag.high / inertia),
        // Between two leads the peak is root 3 times that of a phase (any textbook).
        emf: 3f64.sqrt() * f64::from(machine.pole_pairs.value) * machine.flux_linkage.high,
        follows: FOLLOWS * rig.limits.speed_rate.si,
        overshoot: rig.speed_loop.as_ref().map_or(0.0, |s| s.overshoot.si),
        reaction: reaction.max(Duration::ZERO),
        friction: (rotor.friction.low, rotor.friction.high),
        drag: (rotor.drag.low, rotor.drag.high),
        second_speed,
        power,
    }
}

/// The second channel of the shaft's speed, by its index in the file.
fn second_speed(ctx: &mut Context<'_>, scope: &Scope<'_>) -> Option<usize> {
    let file = ctx.rig.safe_state.second_speed.as_ref()?;
    let index = channel(ctx, scope, file, kind_of::<Speed>(), "for the speed of the shaft")?;
    if scope.with_role(Role::ShaftSpeed) == Some(index) {
        let message = format!("{} is the channel that measures the shaft speed itself", ctx.said(file.at));
        let help = "name a channel of another sensor or link, or take it out";
        ctx.refuse(Diag::at(file.at, message).other(scope.channels[index].name.at, "").help(help));
    }
    Some(index)
}

/// All meters: the two channels with the roles of the bus, and what the supply's own table names.
fn power(ctx: &mut Context<'_>, scope: &Scope<'_>) -> BusPower {
    let supply = &ctx.rig.supply;
    let bus = scope.with_role(Role::BusVoltage);
    let own = scope.with_role(Role::BusCurrent).zip(bus);
    let mut meters: Vec<PowerMeter> =
        own.map(|(flow, bus)| PowerMeter { voltage: Some(bus), flow }).into_iter().collect();
    meters.extend(supply.meter.iter().filter_map(|file| meter(ctx, scope, file, bus)));
    BusPower { meters, capacitance: (supply.capacitance.low, supply.capacitance.high) }
}

fn meter(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    file: &SupplyMeter,
    bus: Option<usize>,
) -> Option<PowerMeter> {
    if let Some(power) = &file.power {
        let flow = channel(ctx, scope, power, kind_of::<Power>(), "for the power of the supply")?;
        return Some(PowerMeter { voltage: None, flow });
    }
    let current = file.current.as_ref()?;
    let flow = channel(ctx, scope, current, kind_of::<Current>(), "for the current of the supply");
    let voltage = match &file.voltage {
        Some(v) => channel(ctx, scope, v, kind_of::<Voltage>(), "for the voltage of the supply"),
        None => bus,
    };
    Some(PowerMeter { voltage: Some(voltage?), flow: flow? })
}

/// The index of a named channel of this kind.
fn channel(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    name: &At<String>,
    kind: Kind,
    why: &str,
) -> Option<usize> {
    let index = ctx.look_up("a channel of the rig", name, &scope.channel_names())?;
    let found = scope.channels[index].kind?;
    if found != kind && plain(found) != kind {
        let message =
            format!("{} is {}, expected {} {why}", ctx.said(name.at), a(&found.name()), a(&kind.name()));
        ctx.refuse(Diag::at(name.at, message).other(scope.channels[index].name.at, ""));
        return None;
    }
    Some(index)
}
