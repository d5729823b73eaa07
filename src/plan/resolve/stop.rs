//! The supply and the safe state.

use super::context::{Context, head, length};
use super::demands::check_within;
use super::links::Wires;
use super::run_down;
use super::scope::Scope;
use super::slowing;
use super::withstand;
use crate::diag::Diag;
use crate::files::read::At;
use crate::files::rig::{self, Role, Sets};
use crate::plan::{Gain, Reaction, Stop, StopFrame, Supply};

/// Highest direct voltage that may be called de-energised: the upper limit of voltage class A,
/// 60 V DC (UN R100, ISO 6469-3).
const DE_ENERGISED_MAX_V: f64 = 60.0;

/// Highest speed that may be called rest: one turn a second, 60 rpm (common practice: slow enough to
/// follow a mark with the eye).
const REST_MAX: f64 = std::f64::consts::TAU;

/// Resolves the supply and holds its window against rig and unit.
pub(super) fn supply(ctx: &mut Context<'_>) -> Supply {
    let file = &ctx.rig.supply;
    let (rig_limit, unit_limit) = (&ctx.rig.limits.bus, &ctx.unit.machine.bus_max);
    let limit = if rig_limit.si <= unit_limit.si { rig_limit } else { unit_limit };
    let bus = &file.bus;
    if bus.low == bus.high || bus.low <= 0.0 {
        let message = format!("{} is no window for the bus, expected two ends above zero", ctx.said(bus.at));
        ctx.refuse(Diag::at(bus.at, message).help("write it as [\"__ V\", \"__ V\"]"));
    } else if bus.high > limit.si {
        let whose =
            if limit.at.file == ctx.rig.at.file { "the rig's limit" } else { "what the unit stands," };
        let message = format!("{} reaches above {whose} {}", ctx.said(bus.at), ctx.said(limit.at));
        ctx.refuse(
            Diag::at(bus.at, message).other(limit.at, "the limit").help("lower the upper end of the window"),
        );
    }
    if file.switch_off.trim().is_empty() {
        let message = format!("{} tells nobody what to switch off", ctx.said(file.switch_off.at));
        let help = "say what takes the energy away: \"turn the transformer to zero and pull its plug\"";
        ctx.refuse(Diag::at(file.switch_off.at, message).help(help));
    }
    Supply {
        kind: file.kind.value,
        setting: file.setting.value,
        switch_off: file.switch_off.value.clone(),
        discharge: length(&file.discharge),
    }
}

/// Resolves the safe state; channels by their index in the file.
pub(super) fn stop(ctx: &mut Context<'_>, scope: &Scope<'_>, wires: &Wires<'_>) -> Option<Stop> {
    let file = &ctx.rig.safe_state;
    let frames: Vec<Option<StopFrame>> = file.send.iter().map(|f| frame(ctx, scope, wires, f)).collect();
    check_frames(ctx, scope);
    let current = current(ctx, scope);
    check_current(ctx);
    check_rest(ctx, scope);
    check_de_energised(ctx);
    let gain = gain(ctx);
    let (speed_change_max, bus_fall_max) = changes(ctx, &gain);
    check_within(ctx, scope, wires, "not driven within", &file.not_driven_within, Role::DriveState);
    Some(Stop {
        frames: frames.into_iter().collect::<Option<_>>()?,
        every: length(&file.every),
        not_driven_within: length(&file.not_driven_within),
        current: current?,
        at_rest_within: length(&file.at_rest_within),
        speed: (scope.with_role(Role::ShaftSpeed)?, file.at_rest_speed.si),
        bus: (scope.with_role(Role::BusVoltage)?, file.de_energised_bus.si),
        speed_change_max,
        gain,
        bus_fall_max,
        coast_max: coast_max(ctx),
        reaction: ctx.rig.reaction.as_ref().map(|reaction| Reaction {
            adapter: length(&reaction.adapter),
            controller: length(&reaction.controller),
        }),
        slowing: slowing::slowing(ctx),
        holding: slowing::holding(ctx, scope),
        run_down: run_down::run_down(ctx, scope),
    })
}

/// A stop frame begins with a terminator: whatever line was half sent is ended by it.
fn frame(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    wires: &Wires<'_>,
    file: &rig::StopFrame,
) -> Option<StopFrame> {
    let link = ctx.look_up("a link of the rig", &file.link, &scope.link_names());
    let ends = link.map_or(b"\n".as_slice(), |l| &wires.links[l].ends_with);
    let line = ctx.fixed(&file.send, ends);
    let expect = file.expect.as_ref().map(|e| ctx.pattern(e, ends));
    Some(StopFrame {
        link: link?,
        bytes: [ends, &line?].concat(),
        expect: match expect {
            Some(expect) => Some(expect?),
            None => None,
        },
    })
}

/// Whoever is told to turn must also be told to stop.
fn check_frames(ctx: &mut Context<'_>, scope: &Scope<'_>) {
    let driving = scope.demands.iter().filter(|d| d.file.sets.value != Sets::Pump);
    for link in driving.map(|d| &d.file.link) {
        check_frame(ctx, scope, link);
    }
}

fn check_frame(ctx: &mut Context<'_>, scope: &Scope<'_>, link: &At<String>) {
    let file = &ctx.rig.safe_state;
    let known = scope.links.iter().any(|l| l.name.value == link.value);
    let unknown_frame = file.send.iter().any(|f| ctx.is_wrong(f.link.at));
    if known && !unknown_frame && !file.send.iter().any(|f| f.link.value == link.value) {
        let message = format!(
            "no frame of the safe state ({}) goes to link {}, which is told to turn",
            ctx.cite(file.at),
            ctx.said(link.at),
        );
        ctx.refuse(
            Diag::at(head(file.at), message)
                .other(link.at, "told to turn here")
                .help("add a frame that takes the torque off"),
        );
    }
}

/// The limit of the phase current: there must be one exactly if there is a channel for it.
fn current(ctx: &mut Context<'_>, scope: &Scope<'_>) -> Option<Option<(usize, f64)>> {
    let file = &ctx.rig.safe_state;
    match (scope.with_role(Role::PhaseCurrent), &file.not_driven_current) {
        (None, None) => Some(None),
        (Some(index), Some(limit)) => {
            let channel = scope.channels[index];
            let why = format!("for the current of `{}`", channel.name.value);
            let value = ctx.quantity(limit, channel.kind?, &why, channel.name.at)?;
            if value <= 0.0 {
                let message = format!("{} is not above zero: it could not be confirmed", ctx.said(limit.at));
                ctx.refuse(Diag::at(limit.at, message));
            }
            Some(Some((index, value)))
        }
        (None, Some(limit)) => {
            let message = format!("{} needs a channel that measures the phase current", ctx.said(limit.at));
            ctx.refuse(
                Diag::at(limit.at, message)
                    .help("add `measures = \"phase current\"` to a channel, or take it out"),
            );
            None
        }
        // A current that flows without a drive is asked for nothing.
        (Some(_), None) if slowing::shorted(ctx) => Some(None),
        (Some(index), None) => {
            let name = scope.channels[index].name;
            let message = format!(
                "the safe state ({}) has no `not_driven_current`, but {} measures the phase current",
                ctx.cite(file.at),
                ctx.named("channel", name),
            );
            ctx.refuse(
                Diag::at(head(file.at), message)
                    .other(name.at, "")
                    .help("say below which current it counts as not driven"),
            );
            None
        }
    }
}

/// What counts as no current must be little against what may flow: a free rotor turns with a few per cent of a board's limit.
const NOT_DRIVEN_SHARE: f64 = 0.1;

/// A limit that a drive which is on could meet would prove nothing.
fn check_current(ctx: &mut Context<'_>) {
    let (Some(limit), Some((most, board))) =
        (&ctx.rig.safe_state.not_driven_current, withstand::current_most(ctx))
    else {
        return;
    };
    let peak = limit.si * limit.unit.kind.form.peak();
    if most <= 0.0 || peak <= NOT_DRIVEN_SHARE * most * (1.0 + 1e-12) || ctx.is_wrong(limit.at) {
        return;
    }
    let message = format!(
        "{} counts as not driven, and a drive that is on may have less: it is more than a tenth of the current limit {}",
        ctx.said(limit.at),
        ctx.said(board),
    );
    let help = "say what flows with the gates off, and what the sensor may be off";
    ctx.refuse(Diag::at(limit.at, message).other(board, "the current limit").help(help));
}

/// How many times as fast as figured something must change before its reading is not believed.
const CHANGE_MARGIN: f64 = 2.0;

/// All torque that the controller's current limit may make, and what else drives the shaft, on the least inertia.
fn gain(ctx: &Context<'_>) -> Gain {
    let (m, rotor) = (&ctx.unit.machine, &ctx.unit.rotor);
    let saliency = (m.inductance_q.high - m.inductance_d.low)
        .abs()
        .max((m.inductance_d.high - m.inductance_q.low).abs());
    // Whatever the current's angle: all of it across the magnets and all of it on both axes.
    let for_each = 1.5 * f64::from(m.pole_pairs.value);
    let drives = ctx.rig.shaft.as_ref().and_then(|s| s.drives.as_ref()).map_or(0.0, |d| d.si);
    Gain {
        torque: (for_each * m.flux_linkage.high, for_each * saliency),
        // One that is no current is noted elsewhere, and there is no plan then.
        current_max: withstand::current_most(ctx).map_or(0.0, |(most, _)| most),
        driven: drives,
        drag: rotor.friction.low,
        inertia: rotor.inertia.low,
    }
}

/// The fastest that the shaft's speed changes, rad/s2, and that the bus falls, V/s: all that brings it to speed and everything that
/// drags on the least inertia, and all of the controller's current out of the least capacitance.
fn changes(ctx: &Context<'_>, gain: &Gain) -> (f64, f64) {
    let (rig, rotor) = (ctx.rig, &ctx.unit.rotor);
    let held = rig.shaft.as_ref().and_then(|s| s.holds.as_ref()).map_or(0.0, |h| h.high);
    let drag = rotor.friction.high + rotor.drag.high * ctx.unit.machine.speed_max.si + held;
    let speed = CHANGE_MARGIN * (gain.drives(f64::INFINITY) + drag) / gain.inertia;
    (speed, CHANGE_MARGIN * gain.current_max / rig.supply.capacitance.low)
}

/// The longest that the shaft coasts for each rad/s, s: the largest inertia of all that turns, and of what drags the least friction
/// alone.
fn coast_max(ctx: &Context<'_>) -> f64 {
    let coupled = ctx.rig.shaft.as_ref().and_then(|s| s.inertia.as_ref()).map_or(0.0, |i| i.high);
    let rotor = &ctx.unit.rotor;
    (rotor.inertia.high + coupled) / rotor.friction.low
}

/// Rest must be slow, and more than the sensor's own uncertainty.
fn check_rest(ctx: &mut Context<'_>, scope: &Scope<'_>) {
    for limit in [&ctx.rig.safe_state.at_rest_speed, &ctx.rig.ready.speed] {
        let channel = scope.with_role(Role::ShaftSpeed).map(|i| scope.channels[i]);
        let u = channel.and_then(|c| c.file.uncertainty.as_ref()).filter(|u| u.unit.kind == limit_kind());
        if limit.si > REST_MAX * (1.0 + 1e-12) || limit.si <= 0.0 {
            let message =
                format!("{} is no rest, expected a speed above zero and up to 60 rpm", ctx.said(limit.at));
            ctx.refuse(Diag::at(limit.at, message));
        } else if let Some(u) = u.filter(|u| limit.si < 2.0 * u.si) {
            let message = format!(
                "{} could not be told from rest: it is below twice the uncertainty {}",
                ctx.said(limit.at),
                ctx.said(u.at),
            );
            ctx.refuse(Diag::at(limit.at, message).other(u.at, "the uncertainty"));
        }
    }
}

fn limit_kind() -> crate::units::Kind {
    crate::files::read::kind_of::<crate::files::read::Speed>()
}

fn check_de_energised(ctx: &mut Context<'_>) {
    let limit = &ctx.rig.safe_state.de_energised_bus;
    let window = &ctx.rig.supply.bus;
    if limit.si > DE_ENERGISED_MAX_V || limit.si <= 0.0 {
        let message =
            format!("{} is not de-energised, expected above zero and up to 60 V", ctx.said(limit.at));
        ctx.refuse(Diag::at(limit.at, message));
    } else if limit.si >= window.low && !ctx.is_wrong(window.at) {
        let message = format!(
            "{} counts as de-energised, but a live bus may be as low as that: {}",
            ctx.said(limit.at),
            ctx.said(window.at),
        );
        ctx.refuse(Diag::at(limit.at, message).other(window.at, "the live window"));
    }
}
