//! From files to a plan: everything looked up, converted and held against everything else.
//!
//! Each part of this room notes what it finds wrong and goes on with what it can still tell, so that
//! all mistakes come at once; what rests on something already found wrong is passed over in
//! silence, so that each comes once. Indices are those of the files until the end.

mod assembly;
mod budget;
mod bursts;
mod by_hand;
mod channels;
mod closer;
mod context;
mod coupled;
mod criteria;
mod cycles;
mod demands;
mod derived;
mod discharge;
mod fresh;
mod links;
mod moves;
mod operands;
mod operator;
mod profiles;
mod pulse;
mod quiet;
mod ready;
mod recordings;
mod run_down;
mod scope;
mod slowing;
mod stop;
mod stop_words;
mod swings;
#[cfg(test)]
mod tests;
mod times;
mod torque;
mod trial;
mod trips;
mod turning;
mod with;
mod withstand;

use super::Plan;
use crate::diag::{Diag, Sources};
use crate::files::rig::Rig;
use crate::files::suite::{Rule, Suite};
use crate::files::unit::Unit;
use context::Context;

/// Resolves the three files of a run into a plan. `build` is the firmware build that the controller
/// must show, if one is asked for.
///
/// # Errors
/// Every mistake in the files and between them, each once, in the order rig, unit, suite and then
/// of the lines; messages cite both places.
pub fn resolve(
    sources: &Sources,
    rig: &Rig,
    unit: &Unit,
    suite: &Suite,
    build: Option<&str>,
) -> Result<Plan, Vec<Diag>> {
    let suite = &suite.after_heat_pulse(rig);
    let whole = rig;
    let rig = &rig.used_by(suite);
    let mut ctx = Context { sources, rig, unit, suite, diags: Vec::new() };
    let plan = plan(&mut ctx, build);
    stop_words::check(&mut ctx, whole);
    let mut diags = ctx.diags;
    if diags.is_empty() {
        // A part is missing only where a mistake has been noted, or where a file breaks a rule that its
        // reader enforces: then it was not read by that reader.
        return plan
            .ok_or_else(|| vec![Diag::general("a file breaks a rule of its own tables; read it again")]);
    }
    diags.sort_by_key(|d| d.place.as_ref().map(|(p, _)| (rank(p.file, rig, unit, suite), p.start)));
    Err(diags)
}

/// Rig first, then unit, then suite, then what the suite refers to, in that order.
fn rank(file: crate::diag::FileId, rig: &Rig, unit: &Unit, suite: &Suite) -> usize {
    if file == rig.at.file {
        0
    } else if file == unit.at.file {
        1
    } else if file == suite.at.file {
        2
    } else {
        3 + file.0
    }
}

fn plan(ctx: &mut Context<'_>, build: Option<&str>) -> Option<Plan> {
    with::check_polls(ctx);
    times::check(ctx);
    times::check_limits(ctx);
    discharge::check(ctx);
    let mut scope = scope::Scope::new(ctx);
    scope.check_names(ctx);
    scope.check_nameplate(ctx);
    let wires = links::wires(ctx, &scope);
    links::check_identity(ctx, &wires, build);
    let channels = channels::channels(ctx, &mut scope, &wires);
    let demands = demands::demands(ctx, &scope, &wires);
    let links = budget::links(ctx, &scope, &wires, &demands);
    let bursts = bursts::bursts(ctx, &scope, &wires);
    let recordings = recordings::recordings(ctx, &scope);
    let turning = turning::turning(ctx);
    let drive = demands::drive(ctx, &scope, &wires);
    let supply = stop::supply(ctx);
    let stop = stop::stop(ctx, &scope, &wires);
    times::check_reaction(ctx);
    let trips = trips::trips(ctx, &scope, &channels, &wires);
    let ready = ready::ready(ctx, &scope, &wires);
    fresh::check(ctx, &scope, &channels, &wires);
    let tests = profiles::tests(ctx, &scope);
    let rig = ctx.rig;
    torque::check_settings(ctx, &scope);
    withstand::check(ctx, &scope);
    coupled::check(ctx);
    let mut plan = Plan {
        rig: rig.name.value.clone(),
        unit: ctx.unit.name.value.clone(),
        serial: ctx.unit.serial.value.clone(),
        model: ctx.unit.controller.model.value.clone(),
        suite: ctx.suite.name.value.clone(),
        build: build.map(str::to_string),
        supply,
        links: links?,
        groups: wires.groups(&scope)?,
        drive: drive?,
        stop: stop?,
        ready: ready?,
        trips: trips.into_iter().collect::<Option<_>>()?,
        bursts: bursts.into_iter().collect::<Option<_>>()?,
        recordings: recordings?,
        turning,
        channels: channels.list.into_iter().collect::<Option<_>>()?,
        demands: demands.into_iter().collect::<Option<_>>()?,
        tests: tests.into_iter().collect::<Option<_>>()?,
        late_max: times::late_max(ctx),
        rung: ctx.suite.rung.as_ref().map(|r| r.value),
        assembly: assembly::number(ctx),
        rule: ctx.suite.rule.as_ref().map_or(Rule::Guarded, |r| r.value),
    };
    torque::bind(ctx, &scope, &mut plan);
    withstand::bind(ctx, &scope, &mut plan);
    Some(renumbered(plan, &channels.plan_index))
}

/// Puts the plan's own indices of channels in place of those of the file. Expressions and channels
/// have theirs already.
fn renumbered(mut plan: Plan, plan_index: &[usize]) -> Plan {
    let groups = plan.groups.iter_mut().flat_map(|g| g.fields.iter_mut().flatten());
    let trips = plan.trips.iter_mut().map(|t| &mut t.channel);
    for way in plan.ready.checks.iter_mut().flat_map(|c| &mut c.ways) {
        way.renumber(plan_index);
    }
    let windows = plan.ready.windows.iter_mut().map(|w| &mut w.channel);
    let stop = [&mut plan.stop.speed.0, &mut plan.stop.bus.0, &mut plan.drive.state];
    let operator = plan.tests.iter_mut().flat_map(|t| &mut t.operator).map(|s| &mut s.channel);
    let current = plan.stop.current.iter_mut().map(|(channel, _)| channel);
    let run_down = &mut plan.stop.run_down;
    let second = run_down.second_speed.iter_mut();
    let meters = run_down.power.meters.iter_mut().flat_map(|m| m.voltage.iter_mut().chain([&mut m.flow]));
    let stop = stop.into_iter().chain(current).chain(second).chain(meters);
    for channel in groups.chain(trips).chain(windows).chain(stop).chain(operator) {
        *channel = plan_index[*channel];
    }
    plan
}
