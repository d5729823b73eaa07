//! The pre-checks: windows for channels, questions for a person, and what this rig has not.

use super::closer;
use super::context::{Context, head, length};
use super::links::Wires;
use super::scope::{Channel, Scope};
use crate::diag::Diag;
use crate::files::read::At;
use crate::files::rig::{Question as Asked, Role};
use crate::plan::{Question, Ready, Window};

/// How many rows of the slowest poll the watch must see: fewer would say nothing of noise or losses.
const ROWS_MIN: i64 = 5;

/// Resolves the pre-checks; channels by their index in the file.
pub(super) fn ready(ctx: &mut Context<'_>, scope: &Scope<'_>, wires: &Wires<'_>) -> Option<Ready> {
    let file = &ctx.rig.ready;
    check_watch(ctx, wires);
    check_validity(ctx);
    check_link_quality(ctx, scope);
    let pedal = pedal(ctx, scope);
    let questions = questions(ctx);
    let closer = closer::closer(ctx, scope, wires);
    let absent = [absent(scope), closer.absent].concat();
    Some(Ready {
        observe: length(&file.observe),
        valid_for: length(&file.valid_for),
        loss_max: file.loss.si,
        round_trip_max: length(&file.round_trip),
        windows: windows(ctx, scope, pedal?),
        checks: closer.checks,
        quiet: closer.quiet,
        questions,
        absent,
    })
}

fn check_watch(ctx: &mut Context<'_>, wires: &Wires<'_>) {
    let observe = &ctx.rig.ready.observe;
    let Some(slowest) = wires.polls.iter().max_by_key(|p| length(&p.file.every)) else { return };
    let every = &slowest.file.every;
    let known = !ctx.is_wrong(observe.at) && !ctx.is_wrong(every.at);
    if known && length(observe) < length(every) * ROWS_MIN {
        let message = format!(
            "watching for {} sees fewer than {ROWS_MIN} rows of `{}`, polled every {}",
            ctx.said(observe.at),
            slowest.file.name.value,
            ctx.said(every.at),
        );
        let help = format!("watch for at least {}", length(every) * ROWS_MIN);
        ctx.refuse(Diag::at(observe.at, message).other(every.at, "the slowest poll").help(help));
    }
}

/// The proof must outlast enabling, or no test could ever begin.
fn check_validity(ctx: &mut Context<'_>) {
    let valid_for = &ctx.rig.ready.valid_for;
    let drive = &ctx.rig.drive;
    let enabling = length(&drive.within) * drive.enable.len() as i64;
    let known = !ctx.is_wrong(valid_for.at) && !ctx.is_wrong(drive.within.at);
    if known && length(valid_for) <= enabling {
        let message = format!(
            "the proof is good for {}, but {} steps of enabling may take {} each, {enabling} in all",
            ctx.said(valid_for.at),
            drive.enable.len(),
            ctx.said(drive.within.at),
        );
        let help = format!("let it be good for more than {enabling}");
        ctx.refuse(Diag::at(valid_for.at, message).other(drive.within.at, "for each step").help(help));
    }
}

fn check_link_quality(ctx: &mut Context<'_>, scope: &Scope<'_>) {
    let file = &ctx.rig.ready;
    if !(0.0..1.0).contains(&file.loss.si) {
        let message =
            format!("{} is no share of replies, expected from 0 % to below 100 %", ctx.said(file.loss.at));
        ctx.refuse(Diag::at(file.loss.at, message));
    }
    let longest = scope.links.iter().map(|l| &l.file.reply_within).max_by_key(|r| length(r));
    let Some(longest) = longest else { return };
    let known = !ctx.is_wrong(file.round_trip.at) && !ctx.is_wrong(longest.at);
    if known && length(&file.round_trip) > length(longest) {
        let message = format!(
            "a round trip of {} can never be seen: a reply is given up after {}",
            ctx.said(file.round_trip.at),
            ctx.said(longest.at),
        );
        ctx.refuse(
            Diag::at(file.round_trip.at, message)
                .other(longest.at, "given up here")
                .help("ask for a shorter one"),
        );
    }
}

/// The limit of a released pedal; there must be one exactly if there is a pedal.
fn pedal(ctx: &mut Context<'_>, scope: &Scope<'_>) -> Option<Option<(usize, f64)>> {
    let file = &ctx.rig.ready;
    match (scope.with_role(Role::Pedal), &file.pedal) {
        (None, None) => Some(None),
        (Some(index), Some(limit)) => {
            let channel = scope.channels[index];
            let why = format!("for the travel of `{}`", channel.name.value);
            Some(Some((index, ctx.quantity(limit, channel.kind?, &why, channel.name.at)?)))
        }
        (None, Some(limit)) => {
            let message = format!("{} needs a channel that measures the pedal", ctx.said(limit.at));
            ctx.refuse(
                Diag::at(limit.at, message).help("add `measures = \"pedal\"` to a channel, or take it out"),
            );
            None
        }
        (Some(index), None) => {
            let name = scope.channels[index].name;
            let message = format!(
                "the pre-checks ({}) have no `pedal`, but {} measures it",
                ctx.cite(file.at),
                ctx.named("channel", name),
            );
            ctx.refuse(
                Diag::at(head(file.at), message)
                    .other(name.at, "")
                    .help("say up to which travel it counts as released"),
            );
            None
        }
    }
}

fn windows(ctx: &Context<'_>, scope: &Scope<'_>, pedal: Option<(usize, f64)>) -> Vec<Window> {
    let file = &ctx.rig.ready;
    let mut windows = Vec::new();
    let mut add = |name: String, channel: usize, low: f64, high: f64| {
        windows.push(Window { name, channel, low, high });
    };
    for (index, channel) in scope.channels.iter().enumerate() {
        match channel.file.measures.as_ref().map(|m| m.value) {
            Some(Role::BusVoltage) => {
                add("bus in window".into(), index, ctx.rig.supply.bus.low, ctx.rig.supply.bus.high);
            }
            Some(
                role @ (Role::WindingTemperature | Role::InverterTemperature | Role::CoolantTemperature),
            ) => {
                add(format!("{} plausible", role.word()), index, file.temperature.low, file.temperature.high)
            }
            Some(Role::ShaftSpeed) => add("shaft at rest".into(), index, -file.speed.si, file.speed.si),
            Some(Role::EmergencyStopLoop) => {
                add("emergency-stop loop closed".into(), index, 0.5, f64::INFINITY);
            }
            Some(Role::Pedal) => {
                if let Some((index, limit)) = pedal {
                    add("pedal at rest".into(), index, f64::NEG_INFINITY, limit);
                }
            }
            Some(Role::DriveState) => {}
            _ => {
                if let Some((low, high)) = declared_range(channel) {
                    add(format!("{} plausible", channel.name.value), index, low, high);
                }
            }
        }
    }
    windows
}

fn declared_range(channel: &Channel<'_>) -> Option<(f64, f64)> {
    match channel.file.range.as_slice() {
        [low, high] => Some((low.si, high.si)),
        _ => None,
    }
}

/// Guards that a bench may have and this one has not, beside those of the closer checks.
fn absent(scope: &Scope<'_>) -> Vec<String> {
    let mut absent = Vec::new();
    for role in [Role::EmergencyStopLoop, Role::Pedal, Role::PhaseCurrent] {
        if scope.with_role(role).is_none() {
            absent.push(role.word().to_string());
        }
    }
    absent
}

/// The questions of the rig, then those of the suite; every id once.
fn questions(ctx: &mut Context<'_>) -> Vec<Question> {
    let mut ids: Vec<&At<String>> = Vec::new();
    let mut questions = Vec::new();
    for Asked { id, ask, .. } in ctx.rig.ready.question.iter().chain(&ctx.suite.question) {
        match ids.iter().find(|i| i.value == id.value) {
            Some(first) => ctx.twice("question", id.at, first.at),
            None => ids.push(id),
        }
        if ask.trim().is_empty() {
            let message = format!("question {} asks nothing", ctx.said(id.at));
            ctx.refuse(Diag::at(ask.at, message));
        }
        questions.push(Question { id: id.value.clone(), ask: ask.value.clone() });
    }
    questions
}
