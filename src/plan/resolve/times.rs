//! What must be usable before anything is held against it: limits above zero, and a reaction that a stop leaves time for.

use super::context::{Context, head, length};
use crate::diag::Diag;
use crate::time::Duration;

/// Notes every limit of the rig that allows nothing.
pub(super) fn check_limits(ctx: &mut Context<'_>) {
    let limits = &ctx.rig.limits;
    for (si, at) in [(limits.speed.si, limits.speed.at), (limits.bus.si, limits.bus.at)]
        .into_iter()
        .chain(limits.speed_step.as_ref().map(|s| (s.si, s.at)))
    {
        if si <= 0.0 {
            let message = format!("the limit {} is not above zero", ctx.said(at));
            ctx.refuse(Diag::at(at, message));
        }
    }
}

/// How late this program may handle a deadline of its own, where the rig does not declare it: a scheduler's turn or two on a
/// computer that is busy (common practice).
const LATE_MAX: Duration = Duration::from_millis(5);

/// How late this program may handle a deadline of its own until this computer counts as one that stood still: what the rig
/// declares for it, and no more than a quarter of the controller's command timeout, so that what explains a timeout is seen.
pub(super) fn late_max(ctx: &Context<'_>) -> Duration {
    let declared = ctx.rig.reaction.as_ref().map(|reaction| length(&reaction.runner));
    let quarter = Duration::from_micros(length(&ctx.rig.drive.command_timeout).micros() / 4);
    declared.unwrap_or(LATE_MAX).min(quarter)
}

/// Notes a suite without a test.
pub(super) fn check(ctx: &mut Context<'_>) {
    let suite = ctx.suite;
    if suite.test.is_empty() {
        ctx.refuse(Diag::at(head(suite.at), "the suite has no test").help("add a [[test]] with a profile"));
    }
}

/// Notes a reaction that is longer than a stop may take until it is confirmed: each stop would be alarmed, and what is worked out from
/// such a reaction is worth nothing.
pub(super) fn check_reaction(ctx: &mut Context<'_>) {
    let (Some(reaction), within) = (&ctx.rig.reaction, &ctx.rig.safe_state.not_driven_within) else { return };
    let sum = reaction.runner.si + reaction.adapter.si + reaction.controller.si;
    if sum <= within.si || ctx.is_wrong(within.at) {
        return;
    }
    let parts = [&reaction.runner, &reaction.adapter, &reaction.controller];
    let Some(longest) = parts.into_iter().max_by(|a, b| a.si.total_cmp(&b.si)) else { return };
    let message = format!(
        "the reaction is {} in all, most of it {}, but a stop must be confirmed within {}",
        Duration::from_secs_f64(sum),
        ctx.said(longest.at),
        ctx.said(within.at),
    );
    let help = format!("the three parts of [reaction] together are {} at most", within.text);
    ctx.refuse(Diag::at(longest.at, message).other(within.at, "confirmed within").help(help));
}
