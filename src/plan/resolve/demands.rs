//! Demands, and how the controller is enabled.

use super::context::{Context, a, head, length};
use super::fresh;
use super::links::Wires;
use super::scope::{Demand as Named, Scope};
use crate::diag::Diag;
use crate::files::read::{Angle, At, Current, Number, Q, Speed, Time, Torque, kind_of};
use crate::files::rig::{self, Role, Sets};
use crate::plan::{Demand, Drive, Step};
use crate::states::DriveState;
use crate::units::{Form, Kind, Quantity};
use crate::wire::Template;

/// Resolves the demands, in the order of the file.
pub(super) fn demands(ctx: &mut Context<'_>, scope: &Scope<'_>, wires: &Wires<'_>) -> Vec<Option<Demand>> {
    check_roles(ctx, scope);
    for demand in scope.demands.iter().filter(|d| d.file.sets.value != Sets::Pump) {
        check_heartbeat(ctx, *demand);
    }
    scope.demands.iter().map(|named| demand(ctx, scope, wires, *named)).collect()
}

/// Each thing is set by one demand, and one sets the shaft speed.
fn check_roles(ctx: &mut Context<'_>, scope: &Scope<'_>) {
    for (i, demand) in scope.demands.iter().enumerate() {
        let sets = &demand.file.sets;
        if let Some(first) = scope.demands[..i].iter().find(|d| d.file.sets.value == sets.value) {
            ctx.twice("the setting of", sets.at, first.file.sets.at);
        }
    }
    if scope.speed_demand().is_none() {
        let message = "no demand sets the shaft speed: no profile could be driven";
        ctx.refuse(Diag::general(message).help("add [demand.NAME] with `sets = \"shaft speed\"`"));
    }
}

/// One late or lost frame must not make the controller time out.
fn check_heartbeat(ctx: &mut Context<'_>, demand: Named<'_>) {
    let (every, timeout) = (&demand.file.every, &ctx.rig.drive.command_timeout);
    if ctx.is_wrong(every.at) || ctx.is_wrong(timeout.at) || ctx.is_wrong(demand.file.sets.at) {
        return;
    }
    let half = length(timeout).micros() / 2;
    if length(every).micros() > half {
        let message = format!(
            "`{}` is sent every {}, expected at most half the controller's command timeout {}",
            demand.name.value,
            ctx.said(every.at),
            ctx.said(timeout.at),
        );
        let help = format!("send it every {} or more often", crate::time::Duration::from_micros(half));
        ctx.refuse(Diag::at(every.at, message).other(timeout.at, "command timeout").help(help));
    }
}

fn demand(ctx: &mut Context<'_>, scope: &Scope<'_>, wires: &Wires<'_>, named: Named<'_>) -> Option<Demand> {
    let file = named.file;
    let link = ctx.look_up("a link of the rig", &file.link, &scope.link_names());
    let ends = link.map_or(b"\n".as_slice(), |l| &wires.links[l].ends_with);
    let send = ctx.template(&file.send, ends);
    if send.as_ref().is_some_and(|s| !s.has_value()) {
        let message = format!("{} has no {{value}} to demand", ctx.said(file.send.at));
        ctx.refuse(Diag::at(file.send.at, message).help("write {value}, or {value:.1} with one decimal"));
    }
    let expect = file.expect.as_ref().map(|e| ctx.pattern(e, ends));
    let expected = match file.sets.value {
        Sets::ShaftSpeed | Sets::SpeedAtFullPedal => kind_of::<Speed>(),
        Sets::Torque => kind_of::<Torque>(),
        Sets::Pump => kind_of::<Number>(),
        Sets::ForcedAngle => Kind { electrical: true, ..kind_of::<Angle>() },
        Sets::AlignmentCurrent | Sets::CurrentLimit => Kind { form: Form::Peak, ..kind_of::<Current>() },
    };
    if ctx.is_wrong(file.sets.at) {
        return None;
    }
    if named.kind != expected {
        let message = format!(
            "demand `{}` sets {}, but its unit {} is {}",
            named.name.value,
            ctx.said(file.sets.at),
            ctx.said(file.unit.at),
            a(&named.kind.name()),
        );
        ctx.refuse(Diag::at(file.unit.at, message).other(file.sets.at, ""));
        return None;
    }
    let range =
        ctx.range(&file.range, named.kind, &format!("for the range of `{}`", named.name.value), named.name);
    let rest = rest(ctx, named, range);
    if let (Some(send), Some(_)) = (&send, range) {
        file.range.iter().chain([&file.rest]).for_each(|q| check_rounding(ctx, send, file, q));
    }
    if let (Sets::ShaftSpeed | Sets::SpeedAtFullPedal, Some(_)) = (file.sets.value, range) {
        file.range.iter().for_each(|end| check_limit(ctx, end));
    }
    Some(Demand {
        name: named.name.value.clone(),
        sets: file.sets.value,
        link: link?,
        send: send?,
        expect: match expect {
            Some(expect) => Some(expect?),
            None => None,
        },
        unit: file.unit.value.clone(),
        every: length(&file.every),
        range: range?,
        rest: rest?,
        belongs_to: file.belongs_to.as_ref().unwrap_or(&ctx.unit.name).value.clone(),
    })
}

/// The rest value lies in the range, and turns nothing.
fn rest(ctx: &mut Context<'_>, named: Named<'_>, range: Option<(f64, f64)>) -> Option<f64> {
    let rest = &named.file.rest;
    let why = format!("for the rest of `{}`", named.name.value);
    let value = ctx.quantity(rest, named.kind, &why, named.name.at)?;
    if named.file.sets.value != Sets::Pump && value != 0.0 {
        let message = format!(
            "`{}` rests at {}, expected zero: nothing may turn outside a profile",
            named.name.value,
            ctx.said(rest.at)
        );
        ctx.refuse(Diag::at(rest.at, message).other(named.file.sets.at, "what it sets"));
    } else if let Some((low, high)) = range.filter(|(low, high)| value < *low || value > *high) {
        let end = &named.file.range[usize::from(value > high)];
        let side = if value < low { "below" } else { "above" };
        let message = format!(
            "{} is {side} the range of `{}`, {}",
            ctx.said(rest.at),
            named.name.value,
            ctx.said(end.at)
        );
        ctx.refuse(Diag::at(rest.at, message).other(end.at, "the range"));
    }
    Some(value)
}

/// The ends of the range must survive the template's decimals: then no value inside it is rounded
/// to one beyond it.
fn check_rounding(ctx: &mut Context<'_>, send: &Template, file: &rig::Demand, q: &At<Quantity>) {
    let number = file.unit.from_si(q.si);
    let rounded = send.rounded(number);
    if q.unit.kind == file.unit.kind && (rounded - number).abs() > 1e-9 * number.abs().max(1.0) {
        let sent = Quantity { si: file.unit.to_si(rounded), unit: file.unit.value.clone() };
        let message = format!("{} would be sent as `{sent}` by {}", ctx.said(q.at), ctx.said(file.send.at));
        let help = "give the template more decimals, such as {value:.3}, or round the value";
        ctx.refuse(Diag::at(q.at, message).other(file.send.at, "").help(help));
    }
}

fn check_limit(ctx: &mut Context<'_>, end: &At<Quantity>) {
    let limit = &ctx.rig.limits.speed;
    if end.si.abs() > limit.si * (1.0 + 1e-12) && !ctx.is_wrong(limit.at) {
        let message = format!("{} is above the rig's limit {}", ctx.said(end.at), ctx.said(limit.at));
        ctx.refuse(Diag::at(end.at, message).other(limit.at, "the limit"));
    }
}

/// Resolves how the controller is enabled; the state channel by its index in the file.
pub(super) fn drive(ctx: &mut Context<'_>, scope: &Scope<'_>, wires: &Wires<'_>) -> Option<Drive> {
    let file = &ctx.rig.drive;
    let state = scope.with_role(Role::DriveState);
    let reset: Vec<Option<Step>> = file.reset.iter().map(|s| step(ctx, scope, wires, s)).collect();
    let enable: Vec<Option<Step>> = file.enable.iter().map(|s| step(ctx, scope, wires, s)).collect();
    for reaches in file.reset.iter().filter_map(|s| s.reaches.as_ref()).filter(|r| r.value.may_drive()) {
        let message = format!(
            "a step of `reset` reaches {}, expected a state with the gates off",
            ctx.said(reaches.at)
        );
        ctx.refuse(Diag::at(reaches.at, message).help("move the step to `enable`"));
    }
    let last = file.enable.last().and_then(|s| s.reaches.as_ref());
    match last {
        Some(reaches) if reaches.value == DriveState::OperationEnabled => {}
        Some(reaches) => {
            let message = format!(
                "the last step of `enable` reaches {}, expected `operation enabled`",
                ctx.said(reaches.at)
            );
            ctx.refuse(Diag::at(reaches.at, message).help("add the step that switches the gates on"));
        }
        None => {
            let at = file.enable.last().map_or(head(file.at), |s| head(s.at));
            let message = format!("no step of `enable` ({}) ends with `operation enabled`", ctx.cite(at));
            ctx.refuse(Diag::at(at, message).help("add `reaches = \"operation enabled\"` to the last step"));
        }
    }
    for step in file.reset.iter().chain(&file.enable) {
        check_seen(ctx, scope, step);
    }
    check_within(ctx, scope, wires, "a step within", &file.within, Role::DriveState);
    Some(Drive {
        command_timeout: length(&file.command_timeout),
        within: length(&file.within),
        reset: reset.into_iter().collect::<Option<_>>()?,
        enable: enable.into_iter().collect::<Option<_>>()?,
        state: state?,
    })
}

fn step(ctx: &mut Context<'_>, scope: &Scope<'_>, wires: &Wires<'_>, file: &rig::Step) -> Option<Step> {
    let link = ctx.look_up("a link of the rig", &file.link, &scope.link_names());
    let ends = link.map_or(b"\n".as_slice(), |l| &wires.links[l].ends_with);
    let send = ctx.fixed(&file.send, ends);
    let expect = file.expect.as_ref().map(|e| ctx.pattern(e, ends));
    Some(Step {
        link: link?,
        send: send?,
        expect: match expect {
            Some(expect) => Some(expect?),
            None => None,
        },
        reaches: file.reaches.as_ref().map(|r| r.value),
    })
}

/// A state that no word of the board means can never be seen.
fn check_seen(ctx: &mut Context<'_>, scope: &Scope<'_>, step: &rig::Step) {
    let (Some(reaches), Some(channel)) = (&step.reaches, scope.with_role(Role::DriveState)) else { return };
    let channel = scope.channels[channel];
    let states = &channel.file.states;
    // That nothing means "operation enabled" is noted at the channel itself.
    let noted = reaches.value == DriveState::OperationEnabled;
    if states.0.is_empty()
        || noted
        || ctx.is_wrong(channel.name.at)
        || states.iter().any(|(_, s)| s.value == reaches.value)
    {
        return;
    }
    let message = format!(
        "{} is a state that no word of {} means",
        ctx.said(reaches.at),
        ctx.named("channel", channel.name)
    );
    ctx.refuse(
        Diag::at(reaches.at, message)
            .other(channel.name.at, "")
            .help("map the board's word for it in `states`"),
    );
}

/// A deadline that rests on samples must leave time for one to be asked for and to come.
pub(super) fn check_within(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    wires: &Wires<'_>,
    what: &str,
    within: &Q<Time>,
    role: Role,
) {
    let Some(channel) = scope.with_role(role) else { return };
    let Some((every, wait)) = fresh::period_of(scope, wires, channel) else { return };
    if !ctx.is_wrong(within.at) && length(within) <= every + wait {
        let name = scope.channels[channel].name;
        let message = format!(
            "{what} {} cannot be seen: a sample of `{}` may take {}",
            ctx.said(within.at),
            name.value,
            every + wait,
        );
        let help = format!("allow more than {}", every + wait);
        ctx.refuse(Diag::at(within.at, message).other(name.at, "what shows it").help(help));
    }
}
