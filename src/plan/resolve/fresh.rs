//! Staleness: what guards rest on must be watched for coming at all, and a limit that the polls
//! cannot keep would be broken by construction.

use super::channels::Channels;
use super::context::{Context, length};
use super::links::Wires;
use super::scope::Scope;
use crate::diag::Diag;
use crate::files::read::{At, Q, Time};
use crate::files::rig::Role;
use crate::time::Duration;

pub(super) fn check(ctx: &mut Context<'_>, scope: &Scope<'_>, channels: &Channels, wires: &Wires<'_>) {
    for group in 0..wires.polls.len() {
        check_group(ctx, scope, channels, wires, group);
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

/// How old a value gets on a sound board of which one reply was lost, in whole milliseconds: its poll comes round; the reply is waited
/// for and then, since it may still come, for as long again; the next goes out then, or when the poll comes round once more, and its
/// reply may take the whole wait. Every other reply comes, so that other polls cost no more than their time on the line.
fn oldest(wires: &Wires<'_>, group: usize, every: Duration, wait: Duration) -> Duration {
    let poll = &wires.polls[group];
    let link = wires.links[poll.link].link.as_ref().filter(|link| link.baud > 0);
    let request = poll.exchange.as_ref().map_or(0, |exchange| exchange.send.len());
    let out = link.map_or(Duration::ZERO, |link| link.line_time(request));
    let micros = (every + every.max(out + wait * 2) + out + wait).micros();
    Duration::from_millis((micros + 999) / 1000)
}

/// A value is at its oldest just before the next reply after one that was lost.
/// If no channel of a poll can be kept fresh, the poll is at fault and gets the one message.
fn check_group(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    channels: &Channels,
    wires: &Wires<'_>,
    group: usize,
) {
    let poll = &wires.polls[group];
    let (every, wait) = (&poll.file.every, &scope.links[poll.link].file.reply_within);
    if ctx.is_wrong(every.at) || ctx.is_wrong(wait.at) {
        return;
    }
    let oldest = oldest(wires, group, length(every), length(wait));
    // A derived channel gets as old as the slowest poll that it rests on.
    let slowest = |c: usize| {
        let groups = channels.groups_of(c, scope, wires);
        groups.into_iter().max_by_key(|g| length(&wires.polls[*g].file.every))
    };
    let limits: Vec<(&At<String>, &Q<Time>)> = (0..scope.channels.len())
        .filter(|c| slowest(*c) == Some(group))
        .filter_map(|c| Some((scope.channels[c].name, scope.channels[c].file.stale.as_ref()?)))
        .filter(|(_, stale)| !ctx.is_wrong(stale.at))
        .collect();
    let kept = limits.iter().filter(|(_, stale)| length(stale) >= oldest).count();
    let broken: Vec<_> = limits.iter().filter(|(_, stale)| length(stale) < oldest).collect();
    let whole = kept == 0 && broken.len() > 1;
    let reported = if whole { &broken[..1] } else { &broken[..] };
    for (name, stale) in reported {
        let message = format!(
            "`{}` may get {} old, but with one reply lost a poll every {} and a reply within {} make it {oldest}",
            name.value,
            ctx.said(stale.at),
            ctx.said(every.at),
            ctx.said(wait.at),
        );
        let shorter = if length(every) > length(wait) * 2 {
            format!("poll `{}` more often", poll.file.name.value)
        } else {
            "wait less long for a reply".into()
        };
        let help = format!("write `stale = \"{oldest}\"` or more, or {shorter}");
        let (at, other) = if whole { (every.at, stale.at) } else { (stale.at, every.at) };
        ctx.refuse(Diag::at(at, message).other(other, "").help(help));
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
