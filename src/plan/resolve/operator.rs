//! Operator steps: of which channel, into which window, and with which meter.

use super::context::{Context, length};
use super::scope::Scope;
use crate::diag::Diag;
use crate::files::suite;
use crate::plan::OperatorStep;

/// Resolves the operator steps of a test; channels by their index in the file.
pub(super) fn steps(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    test: &suite::Test,
) -> Option<Vec<OperatorStep>> {
    let steps: Vec<Option<OperatorStep>> = test.operator.iter().map(|s| step(ctx, scope, s)).collect();
    steps.into_iter().collect()
}

fn step(ctx: &mut Context<'_>, scope: &Scope<'_>, file: &suite::OperatorStep) -> Option<OperatorStep> {
    let questions = ctx.rig.ready.question.iter().chain(&ctx.suite.question);
    // Both stand in the answers file.
    if let Some(first) = questions.map(|q| &q.id).find(|id| id.value == file.id.value) {
        ctx.twice("the id", file.id.at, first.at);
    }
    let index = ctx.look_up("a channel of the rig", &file.of, &scope.channel_names())?;
    let channel = scope.channels[index];
    if channel.is_state || channel.file.derived.is_some() {
        let message = format!("{} is not read from the board as a number", ctx.said(file.of.at));
        ctx.refuse(Diag::at(file.of.at, message).other(channel.name.at, ""));
        return None;
    }
    let (low, high) =
        ctx.range(&file.between, channel.kind?, &format!("for `{}`", file.of.value), channel.name)?;
    if length(&file.within) <= length(&ctx.rig.ready.observe) {
        let observe = ctx.rig.ready.observe.at;
        let message = format!(
            "{} is no longer than the watch that must see it there, {}",
            ctx.said(file.within.at),
            ctx.said(observe)
        );
        ctx.refuse(Diag::at(file.within.at, message).other(observe, ""));
    }
    let meter = match &file.meter {
        None => None,
        Some(meter) => {
            let why = format!("for the uncertainty of a meter of `{}`", file.of.value);
            let u = ctx.quantity(meter, channel.kind?.difference(), &why, channel.name.at)?;
            if u <= 0.0 {
                let message = format!("the meter's uncertainty {} is not above zero", ctx.said(meter.at));
                ctx.refuse(
                    Diag::at(meter.at, message).help("half of what its data sheet allows is near enough"),
                );
            }
            if channel.file.uncertainty.is_none() {
                let message = format!(
                    "a meter beside {} needs the channel's standard uncertainty, and {} has none",
                    ctx.said(file.of.at),
                    ctx.named("channel", channel.name),
                );
                ctx.refuse(
                    Diag::at(file.of.at, message).other(channel.name.at, "").help("add `uncertainty`"),
                );
            }
            Some(u)
        }
    };
    Some(OperatorStep {
        id: file.id.value.clone(),
        ask: file.ask.clone(),
        channel: index,
        low,
        high,
        within: length(&file.within),
        meter,
    })
}
