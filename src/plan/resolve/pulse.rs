//! The heat pulse: its test stands before the suite's own; here is what is looked at and how it is judged.

use super::closer::reading;
use super::context::{Context, a, length};
use super::links::Wires;
use super::scope::Scope;
use crate::diag::Diag;
use crate::files::read::{Temperature, kind_of};
use crate::files::rig::{HeatPulse, Sets};
use crate::plan::{HEAT_PULSE_TEST, Pulse};
use crate::time::Duration;

/// Means are taken over a tenth of the shortest stretch, and this many rows must be in that.
const ROWS_MIN: i64 = 5;

/// The heat pulse that comes before this suite, if there is one.
pub(super) fn pulse(ctx: &mut Context<'_>, scope: &Scope<'_>, wires: &Wires<'_>) -> Option<Pulse> {
    let file = ctx.rig.heat_pulse(ctx.suite)?;
    let stands = ctx.suite.test.get(HEAT_PULSE_TEST).is_some_and(|t| t.at == file.at);
    for sets in [Sets::AlignmentCurrent, Sets::ForcedAngle] {
        if !stands && ctx.rig.demand_that_sets(sets).is_none() {
            let message = format!(
                "the heat pulse of {} needs a demand that sets {}, and the rig has none",
                ctx.said(file.current.at),
                a(sets.word()),
            );
            let help = "without one, know of the coolant by `meter`, `pump` or `seen`";
            ctx.refuse(Diag::at(file.current.at, message).help(help));
        }
    }
    check_figures(ctx, file);
    let (channel, of) = reading(ctx, scope, &file.of)?;
    if of.kind? != kind_of::<Temperature>() {
        let message = format!("{} is {}, expected a temperature", ctx.said(file.of.at), a(&of.kind?.name()));
        ctx.refuse(Diag::at(file.of.at, message).other(of.name.at, ""));
        return None;
    }
    let edge =
        Duration::from_micros([&file.before, &file.heat, &file.wait].map(length).iter().min()?.micros() / 10);
    check_rows(ctx, wires, file, edge, of.name);
    let (angle, of_angle) = reading(ctx, scope, &file.angle)?;
    let demand = scope.demands.iter().position(|d| d.file.sets.value == Sets::ForcedAngle)?;
    if of_angle.kind? != scope.demands[demand].kind {
        let message = format!(
            "{} is {}, expected what {} sets",
            ctx.said(file.angle.at),
            a(&of_angle.kind?.name()),
            ctx.named("demand", scope.demands[demand].name),
        );
        ctx.refuse(Diag::at(file.angle.at, message).other(of_angle.name.at, ""));
        return None;
    }
    stands.then_some(Pulse {
        channel,
        angle,
        demand,
        edge,
        left: file.left.si,
        resolution: file.resolution.si,
    })
}

fn check_figures(ctx: &mut Context<'_>, file: &HeatPulse) {
    if !(file.left.si > 0.0 && file.left.si < 1.0) {
        let message = format!(
            "{} of the rise may be left, expected more than nothing and less than all of it",
            ctx.said(file.left.at)
        );
        let help = "measure what moving coolant leaves, and take the middle between that and the whole";
        ctx.refuse(Diag::at(file.left.at, message).help(help));
    }
    if file.resolution.si <= 0.0 {
        let message = format!("the resolution, {}, is not above zero", ctx.said(file.resolution.at));
        ctx.refuse(
            Diag::at(file.resolution.at, message).help("the smallest step of the reading, as \"__ K\""),
        );
    }
}

fn check_rows(
    ctx: &mut Context<'_>,
    wires: &Wires<'_>,
    file: &HeatPulse,
    edge: Duration,
    of: &crate::files::read::At<String>,
) {
    let Some((group, _)) = wires.place_of(of) else { return };
    let poll = wires.polls[group].file;
    let least = length(&poll.every) * ROWS_MIN * 10;
    for stretch in [&file.before, &file.heat, &file.wait] {
        if length(stretch) >= least || edge >= length(&poll.every) * ROWS_MIN {
            continue;
        }
        if ctx.is_wrong(stretch.at) || ctx.is_wrong(poll.every.at) {
            continue;
        }
        let message = format!(
            "a tenth of {} holds fewer than {ROWS_MIN} rows of `{}`, polled every {}",
            ctx.said(stretch.at),
            poll.name.value,
            ctx.said(poll.every.at),
        );
        let help = format!("give it {least} or more");
        ctx.refuse(Diag::at(stretch.at, message).other(poll.every.at, "the poll").help(help));
    }
}
