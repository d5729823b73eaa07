//! Staleness: what guards rest on must be watched for coming at all, and a limit that the polls
//! cannot keep would be broken by construction.

use super::channels::Channels;
use super::context::{Context, length};
use super::links::Wires;
use super::scope::Scope;
use crate::diag::Diag;
use crate::files::rig::Role;
use crate::time::Duration;

pub(super) fn check(ctx: &mut Context<'_>, scope: &Scope<'_>, channels: &Channels, wires: &Wires<'_>) {
    for index in 0..scope.channels.len() {
        check_limit(ctx, scope, channels, wires, index);
    }
    for index in 0..scope.channels.len() {
        let channel = scope.channels[index];
        if channel.file.stale.is_some() || channel.file.derived.is_some() {
            continue;
        }
        let Some(reason) = needed(ctx, scope, channels, index) else { continue };
        let message = format!("{} has no `stale`, but {reason}", ctx.named("channel", channel.name));
        let help =
            "say how old its newest value may get while the machine is driven, such as `stale = \"60 ms\"`";
        ctx.refuse(Diag::at(channel.name.at, message).help(help));
    }
}

/// A value is at its oldest just before the next reply: one period and one whole wait for a reply.
fn check_limit(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    channels: &Channels,
    wires: &Wires<'_>,
    index: usize,
) {
    let channel = scope.channels[index];
    let Some(stale) = &channel.file.stale else { return };
    let oldest = channels.groups_of(index, scope, wires).into_iter().map(|group| {
        let poll = &wires.polls[group];
        let wait = &scope.links[poll.link].file.reply_within;
        (length(&poll.file.every) + length(wait), poll, wait)
    });
    let Some((oldest, poll, wait)) = oldest.max_by_key(|(oldest, _, _)| *oldest) else { return };
    let known = [stale.at, poll.file.every.at, wait.at].iter().all(|at| !ctx.is_wrong(*at));
    if known && length(stale) <= oldest {
        let message = format!(
            "`{}` may get {} old, but a poll every {} and a reply within {} make it {oldest}",
            channel.name.value,
            ctx.said(stale.at),
            ctx.said(poll.file.every.at),
            ctx.said(wait.at),
        );
        let help = format!("allow more than {oldest}, or poll `{}` more often", poll.file.name.value);
        ctx.refuse(Diag::at(stale.at, message).other(poll.file.every.at, "polled").help(help));
    }
}

/// Why a measured channel must be watched for staleness, if it must.
fn needed(ctx: &Context<'_>, scope: &Scope<'_>, channels: &Channels, index: usize) -> Option<String> {
    let role = scope.channels[index].file.measures.as_ref().map(|m| m.value);
    let always =
        [Role::DriveState, Role::ShaftSpeed, Role::BusVoltage, Role::PhaseCurrent, Role::EmergencyStopLoop];
    if let Some(role) = role.filter(|r| always.contains(r)) {
        return Some(format!("stops rest on the {}", role.word()));
    }
    let roles =
        |i: usize| scope.channels[i].file.measures.as_ref().is_some_and(|m| always.contains(&m.value));
    let rests = |i: usize| channels.rests_on[i].contains(&index);
    if let Some(i) = (0..scope.channels.len()).find(|i| roles(*i) && rests(*i)) {
        return Some(format!("stops rest on {}", ctx.named("channel", scope.channels[i].name)));
    }
    let trips = ctx.rig.trip.iter().chain(ctx.suite.trip.iter());
    for (name, trip) in trips {
        let watched = scope.channels.iter().position(|c| c.name.value == trip.channel.value);
        if watched.is_some_and(rests) {
            return Some(format!("{} rests on it", ctx.named("trip", name)));
        }
    }
    None
}

/// The longest period with its wait of the groups that a measured channel stands in.
pub(super) fn period_of(
    scope: &Scope<'_>,
    wires: &Wires<'_>,
    channel: usize,
) -> Option<(Duration, Duration)> {
    let (group, _) = wires.place_of(scope.channels[channel].name)?;
    let poll = &wires.polls[group];
    Some((length(&poll.file.every), length(&scope.links[poll.link].file.reply_within)))
}
