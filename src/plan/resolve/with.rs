//! Demands that stand at a value beside the profile's, the rates of those that bring their own, and optional polls.

use super::context::{Context, a, head};
use super::profiles::ROUNDING;
use super::scope::{Demand, Scope};
use super::torque::Moves;
use super::withstand;
use crate::diag::Diag;
use crate::files::rig::Sets;
use crate::files::suite;
use crate::units::{number_text, parse_unit};

/// The demands under `with` of a test whose profile is for the demand `moved`: index and value, SI.
pub(super) fn standing(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    test: &suite::Test,
    moved: usize,
) -> Option<Vec<(usize, f64)>> {
    let mut standing = Vec::new();
    let before = ctx.diags.len();
    for (name, value) in test.with.iter() {
        let names: Vec<&str> = scope.demands.iter().map(|d| d.name.value.as_str()).collect();
        let Some(index) = ctx.look_up("a demand of the rig", name, &names) else { continue };
        let demand = scope.demands[index];
        if index == moved {
            let message = format!("{} is moved by the profile of this test", ctx.said(name.at));
            ctx.refuse(Diag::at(name.at, message).help("take it out"));
            continue;
        }
        if !matches!(demand.file.sets.value, Sets::ForcedAngle | Sets::AlignmentCurrent | Sets::CurrentLimit)
        {
            let message = format!(
                "{} sets {}: only a profile moves that, or the runner itself",
                ctx.said(name.at),
                ctx.said(demand.file.sets.at)
            );
            ctx.refuse(Diag::at(name.at, message).other(demand.file.sets.at, "what it sets"));
            continue;
        }
        let why = format!("for `{}`", name.value);
        let Some(si) = ctx.quantity(value, demand.kind, &why, demand.name.at) else { continue };
        if let [low, high] = demand.file.range.as_slice()
            && (si < low.si - ROUNDING * low.si.abs() || si > high.si + ROUNDING * high.si.abs())
        {
            let end = if si < low.si { low.at } else { high.at };
            let message = format!(
                "{} lies outside of the range of the demand, which ends at {}",
                ctx.said(value.at),
                ctx.said(end)
            );
            ctx.refuse(Diag::at(value.at, message).other(end, "the limit"));
        } else if matches!(demand.file.sets.value, Sets::AlignmentCurrent | Sets::CurrentLimit)
            && let Some((most, end)) = withstand::current_most(ctx)
            && si.abs() > most * (1.0 + ROUNDING)
        {
            let message = format!("{} {} {}", ctx.said(value.at), withstand::ABOVE_ALL, ctx.said(end));
            ctx.refuse(Diag::at(value.at, message).other(end, "the limit"));
        }
        standing.push((index, si));
    }
    (ctx.diags.len() == before).then_some(standing)
}

/// A forced angle and an alignment current bring their own rate. The field must not outrun the rig's speed limit.
pub(super) fn own_rate(ctx: &mut Context<'_>, demand: Demand<'_>) -> Option<Moves> {
    let file = demand.file;
    let Some(rate) = &file.rate else {
        let message = format!("a profile moves {}, and it has no `rate`", ctx.named("demand", demand.name));
        let example = demand.kind.per_second().name();
        ctx.refuse(Diag::at(demand.name.at, message).help(format!("add `rate`, {}", a(&example))));
        return None;
    };
    let why = format!("for the rate of `{}`", demand.name.value);
    let si = ctx.quantity(rate, demand.kind.per_second(), &why, demand.name.at)?;
    let (pairs, limit) = (&ctx.unit.machine.pole_pairs, &ctx.rig.limits.speed);
    let speed = si / f64::from(pairs.value.max(1));
    if file.sets.value == Sets::ForcedAngle && speed > limit.si * (1.0 + ROUNDING) && !ctx.is_wrong(limit.at)
    {
        let rpm = parse_unit("rpm").map_or(speed, |unit| unit.from_si(speed));
        let message = format!(
            "a field that turns by {} takes a shaft of {} pole pairs to {} rpm, above the rig's limit {}",
            ctx.said(rate.at),
            ctx.said(pairs.at),
            number_text(rpm.ceil()),
            ctx.said(limit.at)
        );
        ctx.refuse(Diag::at(rate.at, message).other(limit.at, "the limit"));
    }
    Some(Moves { rate: (si, rate.at), step: None })
}

/// Every optional poll that the suite names is one.
pub(super) fn check_polls(ctx: &mut Context<'_>) {
    let (rig, suite) = (ctx.rig, ctx.suite);
    let polls = || rig.link.iter().flat_map(|(_, link)| &link.poll);
    let names: Vec<&str> = polls().map(|p| p.name.value.as_str()).collect();
    for wanted in &suite.poll {
        let Some(index) = ctx.look_up("a poll of the rig", wanted, &names) else { continue };
        let Some(poll) = polls().nth(index) else { continue };
        if poll.optional != Some(true) {
            let message = format!("{} is polled anyway ({})", ctx.said(wanted.at), ctx.cite(head(poll.at)));
            ctx.refuse(Diag::at(wanted.at, message).other(head(poll.at), "").help("take it out"));
        }
    }
}
