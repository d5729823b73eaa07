//! What must be true of a shaft that nothing drives: how fast its speed falls at least, and which phase current would keep it turning.

use super::context::{Context, length};
use super::scope::Scope;
use crate::files::rig::{Coupled, Role, Shaft, Windings};
use crate::files::unit::Unit;
use crate::plan::{Holding, Slowing};
use crate::time::Duration;
use crate::units::Form;
use std::f64::consts::TAU;

/// How long a reading may show what was before the torque went off where the rig does not say it. Filters of a few hertz and
/// the swings of a coupling are over by then (common practice).
const SETTLES: Duration = Duration::from_millis(300);

/// The slowest coast that unit and rig allow: the largest inertia of all that turns, and the least drag. A brake may let go, so
/// what is coupled drags on nothing here.
pub(super) fn slowing(ctx: &Context<'_>) -> Slowing {
    let (rotor, shaft) = (&ctx.unit.rotor, ctx.rig.shaft.as_ref());
    let coupled = shaft.and_then(|s| s.inertia.as_ref()).map_or(0.0, |i| i.high);
    // One figure without its two ends says nothing of the least.
    let least = |low: f64, high: f64| if low < high { low.max(0.0) } else { 0.0 };
    let constant = least(rotor.friction.low, rotor.friction.high);
    let growing = least(rotor.drag.low, rotor.drag.high);
    let reaction = ctx.rig.reaction.as_ref();
    let settles = ctx.rig.safe_state.speed_settles.as_ref();
    Slowing {
        blind: shaft.and_then(blind),
        drag: (constant > 0.0 || growing > 0.0).then_some((constant, growing)),
        inertia: rotor.inertia.high + coupled,
        turn: TAU * slowest(ctx.unit),
        reaction: reaction.map_or(Duration::ZERO, |r| length(&r.adapter) + length(&r.controller)),
        settles: settles.map_or(SETTLES, length),
        assumed: settles.is_none(),
    }
}

/// Turns of the machine's shaft for one of the slowest shaft; 1 without gears. The file may say ratios, teeth, or both.
fn slowest(unit: &Unit) -> f64 {
    let longest = |stages: &mut dyn Iterator<Item = f64>| {
        let mut ratio = 1.0;
        stages.fold(1.0, |most: f64, stage| {
            ratio *= stage;
            most.max(ratio)
        })
    };
    let teeth = unit.gear_stage.iter().map(|s| f64::from(s.wheel.value) / f64::from(s.pinion.value));
    let by_teeth = longest(&mut teeth.filter(|ratio| ratio.is_finite()));
    longest(&mut unit.gear.iter().copied()).max(by_teeth)
}

/// Why the speed shows nothing of what drives, in words, if something else may drive the shaft.
fn blind(shaft: &Shaft) -> Option<String> {
    let may_drive =
        shaft.coupled.value == Coupled::Machine && shaft.drives.as_ref().is_none_or(|d| d.si > 0.0);
    if may_drive {
        return Some("the machine that is coupled may drive the shaft".into());
    }
    (shaft.unbalanced == Some(true)).then(|| "weight out of balance may drive the shaft".into())
}

/// Whether the stop shorts the windings.
pub(super) fn shorted(ctx: &Context<'_>) -> bool {
    ctx.rig.safe_state.windings.as_ref().is_some_and(|w| w.value == Windings::Shorted)
}

/// The least current that keeps the lightest, least rubbing unit turning, with the strongest magnets and the best angle.
pub(super) fn holding(ctx: &Context<'_>, scope: &Scope<'_>) -> Holding {
    let m = &ctx.unit.machine;
    let form = scope.with_role(Role::PhaseCurrent).and_then(|i| scope.channels[i].kind).map(|kind| kind.form);
    let poles = f64::from(m.pole_pairs.value);
    let saliency = (m.inductance_q.high - m.inductance_d.low)
        .abs()
        .max((m.inductance_d.high - m.inductance_q.low).abs());
    let peak = current_that_holds(1.5 * poles, m.flux_linkage.high, saliency, ctx.unit.rotor.friction.low);
    Holding {
        least: peak / form.map_or(1.0, Form::peak),
        shorted: shorted(ctx),
        emf: 3f64.sqrt() * poles * m.flux_linkage.high,
    }
}

/// The least current, A peak, that makes so much torque, Nm, at its best angle. A current that leads the magnets' axis by a makes
/// `k I cos a (psi + s I sin a)`, with k as 1.5 times the pole pairs, psi as the magnets' flux and s as the saliency. It is largest
/// where its derivative is zero: `2 s I x^2 + psi x - s I = 0`, x the sine of a. More current makes more, so halving finds it.
fn current_that_holds(k: f64, flux: f64, saliency: f64, torque: f64) -> f64 {
    let most = |current: f64| {
        let (b, c) = (flux, saliency * current);
        let x = if c > 0.0 { ((b * b + 8.0 * c * c).sqrt() - b) / (4.0 * c) } else { 0.0 };
        k * current * (1.0 - x * x).sqrt() * (b + c * x)
    };
    // The magnets alone make this torque: more than needed where the saliency helps.
    let (mut low, mut high) = (0.0, torque / (k * flux));
    if !high.is_finite() {
        return 0.0;
    }
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if most(middle) < torque { low = middle } else { high = middle }
    }
    high
}

#[cfg(test)]
mod tests {
    use crate::plan::testing::{RIG, SUITE, UNIT, plan_of};
    use crate::units::parse_unit;
    use std::f64::consts::{SQRT_2, TAU};

    const SECOND: &str = include_str!("../../../fixtures/second-bench/unit.toml");

    /// By hand, the saliency being nothing at such currents. The demo unit: 0.6 Nm / (1.5 x 4 x 67 mWb) = 1.4925 A peak, 1.055 A rms. The
    /// second bench's: 0.5 Nm / (6 x 70 mWb) = 1.1905 A peak, 0.842 A rms. The EMF: sqrt 3 x 4 x 67 mWb = 0.4642 V s.
    #[test]
    fn the_current_that_holds_a_unit_is_as_worked_out_by_hand() {
        let demo = plan_of(RIG, UNIT, SUITE).stop.holding;
        assert!((demo.least - 1.055).abs() < 1e-3, "{}", demo.least);
        assert!((demo.emf - 0.4642).abs() < 1e-4, "{}", demo.emf);
        assert!(!demo.shorted);
        let rotor = SECOND.replace("HC7-0051", "HC7-0042").replace("bench board two", "HC-7 controller");
        let rotor = rotor.replace("20 A peak", "250 A peak");
        let second = plan_of(RIG, &rotor, SUITE).stop.holding;
        assert!((second.least - 0.842).abs() < 1e-3, "{}", second.least);
        // Where the reluctance makes all of the torque, sin a = cos a: 6 x 0.5 x 0.5 H x I^2 = 6 Nm at 2 A.
        let found = super::current_that_holds(6.0, 1e-6, 0.5, 6.0);
        assert!((found - 2.0).abs() < 1e-3, "{found}");
        assert_eq!(super::current_that_holds(6.0, 0.067, 0.0, 0.6), 0.6 / (6.0 * 0.067));
        let _ = (SQRT_2, parse_unit("A rms"));
    }

    /// By hand: 0.6 Nm on 0.032 kg m2 are 18.75 rad/s2, 179 rpm/s, and 0.003 Nm s/rad at 20 rad/s add 1.875 rad/s2. The slowest shaft
    /// turns once in 2.2 x 3.9 = 8.58 turns of the machine's.
    #[test]
    fn the_slowest_coast_is_as_worked_out_by_hand() {
        let slowing = plan_of(RIG, UNIT, SUITE).stop.slowing;
        assert!((slowing.fall(0.0).expect("known") - 18.75).abs() < 1e-9);
        assert!((slowing.fall(20.0).expect("known") - 20.625).abs() < 1e-9);
        assert!((slowing.turn - 8.58 * TAU).abs() < 1e-9, "{}", slowing.turn);
        assert!((slowing.rests_after(21.0) - 1.12).abs() < 1e-9, "{}", slowing.rests_after(21.0));
        assert_eq!((slowing.reaction.micros(), slowing.settles.micros()), (18_000, 300_000));
        assert!(slowing.assumed && slowing.blind.is_none());
    }

    /// A kilogram square metre at the demo unit's least friction: 0.6 Nm / 1.032 kg m2 are 0.58 rad/s2, 6 rpm/s.
    #[test]
    fn what_is_coupled_falls_as_slowly_as_its_inertia_makes_it() {
        let shaft = |lines: &str| format!("{RIG}\n[shaft]\n{lines}\n");
        let heavy = plan_of(&shaft("coupled = \"brake\"\ninertia = \"1 kg m2\""), UNIT, SUITE).stop.slowing;
        assert!((heavy.fall(0.0).expect("known") - 0.6 / 1.032).abs() < 1e-9);
        for (lines, words) in [
            ("coupled = \"machine\"\ndrives = \"5 Nm\"", Some("the machine that is coupled")),
            ("coupled = \"machine\"", Some("the machine that is coupled")),
            ("coupled = \"machine\"\ndrives = \"0 Nm\"", None),
            ("coupled = \"nothing\"\nunbalanced = true", Some("weight out of balance")),
            ("coupled = \"nothing\"\nunbalanced = false", None),
        ] {
            let blind = plan_of(&shaft(lines), UNIT, SUITE).stop.slowing.blind;
            assert_eq!(
                blind.as_deref().map(|b| words.is_some_and(|w| b.starts_with(w))),
                words.map(|_| true),
                "{lines}"
            );
        }
    }

    /// A single figure is no range: what rubs least is then not known, and of the speed only a rise counts.
    #[test]
    fn a_drag_without_a_range_bounds_no_coast() {
        let single = UNIT.replace("[\"0.6 Nm\", \"1.0 Nm\"]", "\"0.8 Nm\"");
        let viscous = plan_of(RIG, &single, SUITE).stop.slowing;
        assert_eq!((viscous.drag, viscous.rests_after(20.0)), (Some((0.0, 0.003)), f64::INFINITY));
        let both = single.replace("[\"0.003 Nm s/rad\", \"0.006 Nm s/rad\"]", "\"0.004 Nm s/rad\"");
        let none = plan_of(RIG, &both, SUITE).stop.slowing;
        assert_eq!((none.drag, none.fall(20.0)), (None, None));
    }
}
