//! Torque demands. On a free shaft a torque is an acceleration without an end: the runner's own trip comes late
//! by a whole reaction, so something faster must hold the speed. That is the controller's own speed limit, read
//! back before anything turns.

use super::context::{Context, head, length};
use super::scope::{Demand, Scope};
use crate::diag::Diag;
use crate::files::read::{At, Q, Speed, SpeedRate, Voltage};
use crate::files::rig::{self, Coupled, Limiting, Sets};
use crate::files::suite;
use crate::plan::{Plan, SettingMax};
use crate::time::Duration;
use crate::units::{number_text, parse_unit};

/// The rig's setting that is the controller's own speed limit, and how high it may be.
struct Backstop {
    link: usize,
    setting: usize,
    max: SettingMax,
}

/// Whether the demand of a test sets a torque on a shaft that nothing else holds.
fn on_free_shaft(ctx: &Context<'_>, demand: &rig::Demand) -> bool {
    let coupled = ctx.rig.shaft.as_ref().map_or(Coupled::Nothing, |s| s.coupled.value);
    demand.sets.value == Sets::Torque && coupled == Coupled::Nothing
}

/// Refuses a test whose torque nothing would hold. `largest` is the largest torque demanded, Nm.
pub(super) fn check(
    ctx: &mut Context<'_>,
    scope: &Scope<'_>,
    file: &suite::Test,
    demand: Demand<'_>,
    largest: f64,
) {
    let Some(wanted) = file.demand.as_ref().filter(|_| on_free_shaft(ctx, demand.file)) else { return };
    let Some((_, _, setting)) = setting(scope) else {
        let message = format!(
            "{} sets {} on a free shaft, and no setting of the rig is the controller's own speed limit: nothing would hold the speed",
            ctx.said(wanted.at),
            ctx.said(demand.file.sets.at),
        );
        let help = "read it back in a setting with `limits = \"shaft speed\"` and its `unit`, or say under [shaft] what is coupled";
        ctx.refuse(Diag::at(wanted.at, message).other(demand.file.sets.at, "what it sets").help(help));
        return;
    };
    let (limit, inertia) = (&ctx.rig.limits.speed, &ctx.unit.rotor.inertia);
    let gain = gain(ctx, scope, largest);
    if gain < limit.si || ctx.is_wrong(limit.at) {
        return;
    }
    let message = format!(
        "{} of {} accelerate a free shaft of {} by {} within the {} that a stop may take: above the rig's limit {}",
        shown(largest, "Nm"),
        ctx.said(wanted.at),
        ctx.said(inertia.at),
        shown(gain, "rpm"),
        reaction(ctx, scope),
        ctx.said(limit.at),
    );
    let help =
        format!("with this reaction the torque must stay below {}", shown(largest * limit.si / gain, "Nm"));
    ctx.refuse(
        Diag::at(wanted.at, message).other(setting.name.at, "its own limit could not help").help(help),
    );
}

/// Puts the highest value that the controller's own speed limit may have into the plan.
pub(super) fn bind(ctx: &Context<'_>, scope: &Scope<'_>, plan: &mut Plan) {
    let tests = plan.tests.iter().filter(|t| on_free_shaft(ctx, scope.demands[t.demand].file));
    let largest = tests.map(|t| t.profile.top().abs()).fold(0.0, f64::max);
    if largest == 0.0 {
        return;
    }
    if let Some(Backstop { link, setting, max }) = backstop(ctx, scope, largest) {
        plan.links[link].settings[setting].at_most = Some(max);
    }
}

/// "Fits" means: even from the controller's own limit, the largest torque on the smallest inertia gains no more
/// within one reaction than is left to the rig's limit. Friction is not counted on.
fn backstop(ctx: &Context<'_>, scope: &Scope<'_>, largest: f64) -> Option<Backstop> {
    let (link, index, setting) = setting(scope)?;
    let unit = setting.unit.as_ref()?.value.clone();
    let limit = &ctx.rig.limits.speed;
    let gain = gain(ctx, scope, largest);
    let why = format!(
        "{} less {} that {} gain on a free shaft of {} within {}",
        ctx.said(limit.at),
        shown(gain, "rpm"),
        shown(largest, "Nm"),
        ctx.said(ctx.unit.rotor.inertia.at),
        reaction(ctx, scope),
    );
    Some(Backstop { link, setting: index, max: SettingMax { si: limit.si - gain, unit, why } })
}

fn setting<'a>(scope: &Scope<'a>) -> Option<(usize, usize, &'a rig::Setting)> {
    let all = scope.links.iter().enumerate();
    all.flat_map(|(l, link)| link.file.setting.iter().enumerate().map(move |(s, setting)| (l, s, setting)))
        .find(|(_, _, setting)| setting.limits.as_ref().is_some_and(|l| l.value == Limiting::ShaftSpeed))
}

/// Speed gained within one reaction, rad/s: torque over the smallest inertia, for as long.
fn gain(ctx: &Context<'_>, scope: &Scope<'_>, torque: f64) -> f64 {
    torque / ctx.unit.rotor.inertia.low * reaction(ctx, scope).secs_f64()
}

/// How long the speed may be too high before the torque is off: the period of the poll that reads it, its trip's
/// `for`, and two round trips as long as the pre-check of the link lets them be when it measures them.
fn reaction(ctx: &Context<'_>, scope: &Scope<'_>) -> Duration {
    let speed = scope.with_role(rig::Role::ShaftSpeed).map(|s| scope.channels[s].name.value.as_str());
    let field = format!("{{{}}}", speed.unwrap_or_default());
    let polls = scope.links.iter().flat_map(|l| &l.file.poll).filter(|p| p.expect.contains(&field));
    let every = polls.map(|p| length(&p.every)).max().unwrap_or(Duration::ZERO);
    let trips = ctx.rig.trip.iter().chain(ctx.suite.trip.iter()).map(|(_, t)| t);
    let overspeed = trips.filter(|t| t.above.is_some() && Some(t.channel.value.as_str()) == speed);
    let lasting = overspeed.map(|t| t.r#for.as_ref().map_or(Duration::ZERO, length)).min();
    every + lasting.unwrap_or(Duration::ZERO) + length(&ctx.rig.ready.round_trip) * 2
}

fn shown(si: f64, unit: &str) -> String {
    let Ok(unit) = parse_unit(unit) else { return String::new() };
    let number = (unit.from_si(si) * 10.0).ceil() / 10.0;
    format!("{} {unit}", number_text(number))
}

/// Steepest change and largest sudden change of a demand, SI, with where they were written.
#[derive(Debug, Clone, Copy)]
pub(super) struct Moves {
    pub rate: (f64, crate::diag::Place),
    /// `None` where no step is allowed.
    pub step: Option<(f64, crate::diag::Place)>,
}

/// How a demand may move. A torque never steps: what steps is felt by gears and couplings.
pub(super) fn moves(ctx: &mut Context<'_>, test: &suite::Test, demand: Demand<'_>) -> Option<Moves> {
    let limits = &ctx.rig.limits;
    if matches!(demand.file.sets.value, Sets::ForcedAngle | Sets::AlignmentCurrent) {
        return super::with::own_rate(ctx, demand);
    }
    if demand.file.sets.value != Sets::Torque {
        let step = |s: &Q<Speed>| (s.si, s.at);
        let rate = (limits.speed_rate.si, limits.speed_rate.at);
        return Some(Moves { rate, step: limits.speed_step.as_ref().map(step) });
    }
    if let Some(rate) = &limits.torque_rate {
        return Some(Moves { rate: (rate.si, rate.at), step: None });
    }
    let at: &At<String> = test.demand.as_ref()?;
    let message = format!(
        "{} sets a torque, and the rig's limits ({}) have no `torque_rate`",
        ctx.said(at.at),
        ctx.cite(head(limits.at))
    );
    let diag = Diag::at(at.at, message).other(head(limits.at), "");
    ctx.refuse(diag.help("add the steepest change that is allowed, as `torque_rate = \"__ Nm/s\"`"));
    None
}

/// A setting that limits something says in which unit, and one limits each.
pub(super) fn check_settings(ctx: &mut Context<'_>, scope: &Scope<'_>) {
    let mut known: Vec<&At<Limiting>> = Vec::new();
    for setting in scope.links.iter().flat_map(|l| &l.file.setting) {
        let (Some(limits), Some(unit)) = (&setting.limits, &setting.unit) else { continue };
        if let Some(first) = known.iter().find(|k| k.value == limits.value) {
            ctx.twice("the setting that limits", limits.at, first.at);
        }
        known.push(limits);
        let wanted = match limits.value {
            Limiting::ShaftSpeed => crate::files::read::kind_of::<Speed>(),
            Limiting::PedalRate => crate::files::read::kind_of::<SpeedRate>(),
            Limiting::BusVoltage => crate::files::read::kind_of::<Voltage>(),
        };
        if unit.kind != wanted {
            let message = format!(
                "the unit {} is of {}, and the setting limits {}",
                ctx.said(unit.at),
                super::context::a(&unit.kind.name()),
                ctx.said(limits.at)
            );
            ctx.refuse(Diag::at(unit.at, message).other(limits.at, ""));
        }
    }
    check_bus_limit(ctx);
}

/// A board that takes the torque off at a bus which the window before a run allows cannot be driven there.
fn check_bus_limit(ctx: &mut Context<'_>) {
    let (Some((own, at)), window) = (ctx.rig.limited(Limiting::BusVoltage), &ctx.rig.supply.bus) else {
        return;
    };
    // A window above the rig's own limit is told where that is looked at.
    if own <= window.high && window.high <= ctx.rig.limits.bus.si {
        let message = format!(
            "at {} the board takes the torque off by itself, and the bus may be as high before a run: {}",
            ctx.said(at),
            ctx.said(window.at)
        );
        let help = "lower the upper end of the window, or raise the board's limit and what must be read back";
        ctx.refuse(Diag::at(at, message).other(window.at, "the window").help(help));
    }
}
