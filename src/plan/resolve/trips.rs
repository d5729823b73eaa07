//! Trips: what they watch, and whether they can do what they are for.

use super::channels::{Channels, what};
use super::context::{Context, a, length};
use super::links::Wires;
use super::scope::{Channel, Scope};
use crate::diag::{Diag, Place};
use crate::files::read::At;
use crate::files::rig::{self, Role, SupplyKind};
use crate::plan::{Crossing, Trip};
use crate::time::Duration;
use crate::units::Quantity;

/// How many samples a rate must span: two points alone are as much noise as slope.
const SAMPLES_MIN: i64 = 3;

/// Resolves the trips of the rig and then of the suite; channels by their index in the file.
pub(super) fn trips(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    channels: &Channels,
    wires: &Wires<'_>,
) -> Vec<Option<Trip>> {
    for (name, _) in ctx.suite.trip.iter() {
        if let Some((first, _)) = ctx.rig.trip.iter().find(|(n, _)| n.value == name.value) {
            ctx.twice("trip", name.at, first.at);
        }
    }
    let (rig, suite) = (ctx.rig, ctx.suite);
    let trips: Vec<Option<Trip>> = rig
        .trip
        .iter()
        .chain(suite.trip.iter())
        .map(|(n, t)| trip(ctx, scope, channels, wires, n, t))
        .collect();
    check_present(ctx, scope);
    trips
}

fn trip(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    channels: &Channels,
    wires: &Wires<'_>,
    name: &At<String>,
    file: &rig::Trip,
) -> Option<Trip> {
    let index = ctx.look_up("a channel of the rig", &file.channel, &scope.channel_names());
    let limit = condition(file);
    let (index, limit) = (index?, limit?);
    let channel = scope.channels[index];
    if channel.is_state {
        let message = format!(
            "{} is watched by {}, but it is a state and no number",
            ctx.said(file.channel.at),
            ctx.named("trip", name)
        );
        ctx.refuse(Diag::at(file.channel.at, message).other(channel.name.at, ""));
        return None;
    }
    let when = match limit {
        Limit::Above(q) | Limit::Below(q) => {
            let why = format!("as {}", what(ctx, channel));
            let level = level(ctx, q, channel, &why)?;
            check_level(ctx, scope, &limit, q, index);
            if matches!(limit, Limit::Above(_)) { Crossing::Above(level) } else { Crossing::Below(level) }
        }
        Limit::Rises(q, over) | Limit::Falls(q, over) => {
            let rate = rate(ctx, q, channel)?;
            check_span(ctx, scope, channels, wires, index, over);
            let over = length(over);
            if matches!(limit, Limit::Rises(..)) {
                Crossing::RisesFaster(rate, over)
            } else {
                Crossing::FallsFaster(rate, over)
            }
        }
    };
    Some(Trip {
        name: name.value.clone(),
        channel: index,
        when,
        lasting: file.r#for.as_ref().map_or(Duration::ZERO, length),
        why: file.why.clone(),
    })
}

/// The one condition of a trip.
#[derive(Clone, Copy)]
enum Limit<'a> {
    Above(&'a At<Quantity>),
    Below(&'a At<Quantity>),
    Rises(&'a At<Quantity>, &'a crate::files::read::Q<crate::files::read::Time>),
    Falls(&'a At<Quantity>, &'a crate::files::read::Q<crate::files::read::Time>),
}

fn condition(file: &rig::Trip) -> Option<Limit<'_>> {
    match (&file.above, &file.below, &file.rises_faster, &file.falls_faster, &file.over) {
        (Some(q), None, None, None, None) => Some(Limit::Above(q)),
        (None, Some(q), None, None, None) => Some(Limit::Below(q)),
        (None, None, Some(q), None, Some(over)) => Some(Limit::Rises(q, over)),
        (None, None, None, Some(q), Some(over)) => Some(Limit::Falls(q, over)),
        // The reader of the files gives exactly one of the four, and `over` with a rate only.
        _ => None,
    }
}

fn level(ctx: &mut Context<'_>, q: &At<Quantity>, channel: Channel<'_>, why: &str) -> Option<f64> {
    let expected = channel.kind?;
    if q.unit.kind == expected {
        return Some(q.si);
    }
    let message =
        format!("{} is {}, expected {}, {why}", ctx.said(q.at), a(&q.unit.kind.name()), a(&expected.name()));
    let help = expected.blank().map(|e| format!("write it as \"{e}\""));
    ctx.refuse(Diag::at(q.at, message).other(channel.name.at, "").help_opt(help));
    None
}

fn rate(ctx: &mut Context<'_>, q: &At<Quantity>, channel: Channel<'_>) -> Option<f64> {
    let why = format!("for a rate of `{}`", channel.name.value);
    let value = ctx.quantity(q, channel.kind?.per_second(), &why, channel.name.at)?;
    if value <= 0.0 {
        let message = format!("the rate {} is not above zero", ctx.said(q.at));
        ctx.refuse(Diag::at(q.at, message).help("`falls_faster` takes a positive rate as well"));
        return None;
    }
    Some(value)
}

/// A level must lie where the sensor can show it, below what rig and unit stand, and beyond where
/// the run begins.
fn check_level(ctx: &mut Context<'_>, scope: &Scope<'_>, limit: &Limit<'_>, q: &At<Quantity>, index: usize) {
    let channel = scope.channels[index];
    let above = matches!(limit, Limit::Above(_));
    if let [low, high] = channel.file.range.as_slice() {
        let end = if above { high } else { low };
        let outside = if above { q.si >= end.si } else { q.si <= end.si };
        if outside && !ctx.is_wrong(low.at) && !ctx.is_wrong(high.at) {
            let message = format!(
                "{} can never be crossed: it is not inside the range of `{}`, {}",
                ctx.said(q.at),
                channel.name.value,
                ctx.said(end.at),
            );
            ctx.refuse(Diag::at(q.at, message).other(end.at, "the end of the range"));
            return;
        }
    }
    let Some(role) = channel.file.measures.as_ref().map(|m| m.value) else { return };
    if above
        && let Some((stands, whose)) =
            stands(ctx, role).filter(|((si, at), _)| q.si > *si && !ctx.is_wrong(*at))
    {
        let message = format!("{} is above {whose} {}", ctx.said(q.at), ctx.said(stands.1));
        ctx.refuse(Diag::at(q.at, message).other(stands.1, "the limit"));
    } else if let Some((begins, at)) = begins(ctx, role, above) {
        let crossed = if above { q.si <= begins } else { q.si >= begins };
        if crossed && !ctx.is_wrong(at) {
            let message = format!("{} trips where a run may begin: {}", ctx.said(q.at), ctx.said(at));
            ctx.refuse(Diag::at(q.at, message).other(at, "the window before a run"));
        }
    }
}

/// The lowest of what rig and unit stand for a role, with its place and whose it is.
fn stands(ctx: &Context<'_>, role: Role) -> Option<((f64, Place), &'static str)> {
    let (limits, unit) = (&ctx.rig.limits, ctx.unit);
    let lower = |rig: (f64, Place), unit: (f64, Place)| {
        if rig.0 <= unit.0 { (rig, "the rig's limit") } else { (unit, "the unit's limit") }
    };
    match role {
        Role::ShaftSpeed => {
            let max = &unit.machine.speed_max;
            Some(lower((limits.speed.si, limits.speed.at), (max.si, max.at)))
        }
        Role::BusVoltage => {
            let max = &unit.machine.bus_max;
            Some(lower((limits.bus.si, limits.bus.at), (max.si, max.at)))
        }
        Role::WindingTemperature => {
            Some(((unit.thermal.winding_max.si, unit.thermal.winding_max.at), "the unit's limit"))
        }
        Role::InverterTemperature => {
            Some(((unit.thermal.inverter_max.si, unit.thermal.inverter_max.at), "the unit's limit"))
        }
        _ => None,
    }
}

/// The end of the window in which a role must be before a run, on the side of the trip.
fn begins(ctx: &Context<'_>, role: Role, above: bool) -> Option<(f64, Place)> {
    let (bus, ready) = (&ctx.rig.supply.bus, &ctx.rig.ready);
    match role {
        Role::BusVoltage => Some((if above { bus.high } else { bus.low }, bus.at)),
        Role::WindingTemperature | Role::InverterTemperature | Role::CoolantTemperature => {
            let window = &ready.temperature;
            Some((if above { window.high } else { window.low }, window.at))
        }
        Role::ShaftSpeed => Some((if above { ready.speed.si } else { -ready.speed.si }, ready.speed.at)),
        _ => None,
    }
}

fn check_span(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    channels: &Channels,
    wires: &Wires<'_>,
    index: usize,
    over: &crate::files::read::Q<crate::files::read::Time>,
) {
    let groups = channels.groups_of(index, scope, wires);
    let Some(every) = groups.iter().map(|g| &wires.polls[*g].file.every).max_by_key(|e| length(e)) else {
        return;
    };
    let known = !ctx.is_wrong(over.at) && !ctx.is_wrong(every.at);
    if known && length(over) < length(every) * SAMPLES_MIN {
        let message = format!(
            "a rate over {} spans fewer than {SAMPLES_MIN} samples of `{}`, polled every {}",
            ctx.said(over.at),
            scope.channels[index].name.value,
            ctx.said(every.at),
        );
        let help = format!("take it over at least {}", length(every) * SAMPLES_MIN);
        ctx.refuse(Diag::at(over.at, message).other(every.at, "polled").help(help));
    }
}

/// Two trips no rig is without: overspeed, and, where the supply cannot take energy back, a bus that
/// is being pumped up.
fn check_present(ctx: &mut Context<'_>, scope: &Scope<'_>) {
    let pumped = ctx.rig.supply.kind.value != SupplyKind::Battery;
    for (role, needed, example) in [
        (Role::ShaftSpeed, true, "no trip stops an overspeed: none is `above` on"),
        (Role::BusVoltage, pumped, "no trip stops a bus that is being pumped up: none is `above` on"),
    ] {
        let Some(index) = scope.with_role(role).filter(|_| needed) else { continue };
        let name = scope.channels[index].name;
        // A trip whose channel is misspelt has its message already and may be the one.
        let watches = |t: &rig::Trip| {
            t.above.is_some() && (t.channel.value == name.value || ctx.is_wrong(t.channel.at))
        };
        let all: Vec<&(At<String>, rig::Trip)> = ctx.rig.trip.iter().chain(ctx.suite.trip.iter()).collect();
        if !all.iter().any(|(_, t)| watches(t)) {
            let message = format!("{example} {}", ctx.named("channel", name));
            ctx.refuse(Diag::at(name.at, message).help("add [trip.NAME] with `channel`, `above` and why"));
        }
    }
}
