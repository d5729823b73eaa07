//! What the simulated shaft drives, held against what the rig says is coupled to the real one: a rehearsal of another load
//! proves nothing.

use super::context::Context;
use super::profiles::ROUNDING;
use crate::diag::{Diag, Place};
use crate::files::read::{Q, Ranged};
use crate::files::rig::{Coupled, LoadKind};

/// Refuses what nothing coupled can be, and a load of `[twin]` that is not what `[shaft]` says: neither may count where the
/// other says something else.
pub(super) fn check(ctx: &mut Context<'_>) {
    check_shaft(ctx);
    let rig = ctx.rig;
    let (Some(shaft), Some(twin)) = (&rig.shaft, &rig.twin) else { return };
    let Some(load) = &twin.load else { return };
    let coupled = match load.value {
        LoadKind::Free => Coupled::Nothing,
        LoadKind::FrictionBrake => Coupled::Brake,
        LoadKind::SecondMachine => Coupled::Machine,
    };
    if coupled != shaft.coupled.value {
        let message = format!(
            "the simulated shaft drives {}, but what is coupled is {}",
            ctx.said(load.at),
            ctx.said(shaft.coupled.at)
        );
        let help = "take the load out of [twin]: it then drives what [shaft] says";
        ctx.refuse(Diag::at(load.at, message).other(shaft.coupled.at, "what is coupled").help(help));
        return;
    }
    if coupled == Coupled::Nothing {
        return;
    }
    agree(ctx, twin.load_torque.as_ref(), shaft.holds.as_ref(), "the torque that is taken up");
    if coupled == Coupled::Machine {
        agree(ctx, twin.load_inertia.as_ref(), shaft.inertia.as_ref(), "the inertia of what is coupled");
    }
}

/// A torque below zero would count for the other side, what holds for what turns; and only a machine drives. An inertia has been
/// refused by its reader.
fn check_shaft(ctx: &mut Context<'_>) {
    let Some(shaft) = &ctx.rig.shaft else { return };
    let holds = shaft.holds.as_ref().map(|h| (h.low, h.at, "holds"));
    let drives = shaft.drives.as_ref().map(|d| (d.si, d.at, "drives"));
    for (least, at, key) in holds.into_iter().chain(drives) {
        // The lower end: the other is no lower.
        if least < 0.0 {
            let message =
                format!("`{key}` of [shaft] is {}, and goes below zero, expected no less", ctx.said(at));
            ctx.refuse(
                Diag::at(at, message).help("write how much it is at most and at least, without a sign"),
            );
        }
    }
    if let Some(drives) = shaft.drives.as_ref().filter(|_| shaft.coupled.value != Coupled::Machine) {
        let message = format!(
            "`drives` is {}, but what is coupled is {}, and only a machine drives",
            ctx.said(drives.at),
            ctx.said(shaft.coupled.at)
        );
        let help = "take it out, or say `coupled = \"machine\"`";
        ctx.refuse(Diag::at(drives.at, message).other(shaft.coupled.at, "what is coupled").help(help));
    }
}

/// Refuses a figure of the simulated load that lies outside of the same one of the real load.
fn agree<K>(ctx: &mut Context<'_>, simulated: Option<&Q<K>>, real: Option<&Ranged<K>>, what: &str) {
    let (Some(simulated), Some(real)) = (simulated, real) else { return };
    let (low, high) = (real.low - ROUNDING * real.low.abs(), real.high + ROUNDING * real.high.abs());
    if (low..=high).contains(&simulated.si) {
        return;
    }
    let at: Place = real.at;
    let message = format!("{} of the simulated load is not {what}, {}", ctx.said(simulated.at), ctx.said(at));
    let help = "write one that lies within, or take the load out of [twin]: it then drives what [shaft] says";
    ctx.refuse(Diag::at(simulated.at, message).other(at, "what [shaft] says").help(help));
}
