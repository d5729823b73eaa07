//! What a bench withstands: the kinds of those figures, and the controller's current limit as a setting that the
//! pre-checks hold against what it may be.

use super::context::Context;
use super::scope::{Scope, plain};
use crate::diag::{Diag, Place};
use crate::files::read::{Current, Voltage, kind_of};
use crate::plan::{Plan, SettingMax};
use crate::units::{Form, Kind};

/// Refuses quantities of another kind, and a current limit that no setting shows.
pub(super) fn check(ctx: &mut Context<'_>, scope: &Scope<'_>) {
    if let Some(withstand) = &ctx.rig.withstand {
        let rms = |kind: Kind| Kind { form: Form::Rms, ..kind };
        let at = withstand.at;
        if let [low, high] = withstand.mains.as_slice() {
            let of = [low, high].map(|v| {
                ctx.quantity(v, rms(kind_of::<Voltage>()), "for the mains", super::context::head(at))
            });
            if let [Some(from), Some(to)] = of
                && (from <= 0.0 || from > to)
            {
                let message = format!(
                    "the mains from {} to {}: expected two voltages above zero, the lower first",
                    ctx.said(low.at),
                    ctx.said(high.at)
                );
                ctx.refuse(Diag::at(low.at, message).other(high.at, ""));
            }
        }
        if let Some(fuse) = &withstand.fuse {
            ctx.quantity(fuse, rms(kind_of::<Current>()), "for the fuse", super::context::head(at));
        }
    }
    let Some(current) = &ctx.rig.current else { return };
    let names: Vec<&str> = settings(scope).map(|(_, _, name)| name).collect();
    ctx.look_up("a setting of a link", &current.setting, &names);
    for (at, kind) in [(current.unit.at, current.unit.kind), (current.at_most.at, current.at_most.unit.kind)]
    {
        if plain(kind) != kind_of::<Current>() || kind.form == Form::Plain {
            let found = super::context::a(&kind.name());
            let message = format!("{} is {found}, expected a current (peak) or (rms)", ctx.said(at));
            ctx.refuse(Diag::at(at, message).help("write it as \"__ A peak\""));
            return;
        }
    }
    if current.at_most.si <= 0.0 {
        let message = format!("{} is not above zero", ctx.said(current.at_most.at));
        ctx.refuse(Diag::at(current.at_most.at, message));
    }
}

/// Words for a current above [`current_most`], before where that was written.
pub(super) const ABOVE_ALL: &str = "is above the current that all hazards rest on,";

/// The most current that the hazards count on, A peak, and where it was written: no suite may ask for more. `None` if it is no
/// current, which is noted elsewhere.
pub(super) fn current_most(ctx: &Context<'_>) -> Option<(f64, Place)> {
    let most = ctx.rig.current.as_ref().map_or(&ctx.unit.controller.current_max, |c| &c.at_most);
    let known = plain(most.unit.kind) == kind_of::<Current>() && most.unit.kind.form != Form::Plain;
    (known && !ctx.is_wrong(most.at)).then_some((most.si * most.unit.kind.form.peak(), most.at))
}

/// Puts the highest value that the controller's current limit may have into the plan.
pub(super) fn bind(ctx: &Context<'_>, scope: &Scope<'_>, plan: &mut Plan) {
    let Some(current) = &ctx.rig.current else { return };
    let Some((link, index, _)) = settings(scope).find(|(_, _, name)| *name == current.setting.value) else {
        return;
    };
    // A limit in other words than those read: what is peak in one is sqrt 2 times what is rms in the other.
    let to_form = current.at_most.unit.kind.form.peak() / current.unit.kind.form.peak();
    plan.links[link].settings[index].at_most = Some(SettingMax {
        si: current.at_most.si * to_form,
        unit: current.unit.value.clone(),
        why: format!("{}, which the hazards rest on", ctx.said(current.at_most.at)),
    });
}

fn settings<'a>(scope: &Scope<'a>) -> impl Iterator<Item = (usize, usize, &'a str)> {
    let links: Vec<_> = scope.links.iter().map(|l| l.file).collect();
    links.into_iter().enumerate().flat_map(|(l, link)| {
        link.setting.iter().enumerate().map(move |(s, set)| (l, s, set.name.value.as_str()))
    })
}
