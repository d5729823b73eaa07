//! What turns, and what holds it: the energy that a guard must contain, and the torque that the mount must hold.

use super::case::{Case, at_least, at_most, largest, rpm, shown};
use super::finding::Finding;
use super::physics::kinetic;
use crate::diag::Diag;

const GUARD: &str = "turning energy";
const MOUNT: &str = "reaction mount";

impl Case<'_> {
    /// How far everything that turns runs away with nothing that holds it, rad/s, with its largest inertia, kg m²: all of it while a
    /// brake lets go, or the rotor alone, lighter and faster. `None` if no trip bounds it.
    pub(super) fn runs_away(&self) -> Option<Vec<(f64, f64)>> {
        let current = self.current().0;
        let both = [(self.let_go(), self.inertia().1), (self.broken(), self.unit.rotor.inertia.high)];
        both.into_iter().map(|(turns, mass)| Some((self.furthest(current, turns)?, mass))).collect()
    }
}

/// The energy of everything that turns, as fast as it can run away with nothing coupled to hold it, must be what the guard contains.
pub(super) fn guard(case: &Case<'_>) -> Finding {
    let Some(guard) = case.rig.withstand.as_ref().and_then(|w| w.guard.as_ref()) else {
        return super::missing(
            case,
            GUARD,
            "the rig does not say which energy its guard contains",
            "add `guard` to [withstand], as `guard = \"__ J\"`: what its maker or its calculation says",
        );
    };
    if case.coupling().is_some_and(|shaft| shaft.inertia.is_none()) {
        return super::missing(
            case,
            GUARD,
            "the rig does not say which inertia is coupled to the shaft",
            "add `inertia` to [shaft], as `inertia = [\"__ kg m2\", \"__ kg m2\"]`",
        );
    }
    if case.rig.reaction.is_none() {
        return super::reach::missing_reaction(case, GUARD);
    }
    if let Some(missing) = case.missing_drives(GUARD) {
        return missing;
    }
    let inertia = &case.unit.rotor.inertia;
    let most = case
        .runs_away()
        .and_then(|all| all.into_iter().max_by(|a, b| kinetic(a.1, a.0).total_cmp(&kinetic(b.1, b.0))));
    let Some((speed, mass)) = most else {
        let message = "no trip bounds how far the speed runs away, and with it the energy".to_string();
        return Finding::forbidden(GUARD, Diag::at(guard.at, message).help("see `runaway`"));
    };
    let value = kinetic(mass, speed);
    let told = format!(
        "{} at {}, as far as it runs away with nothing that holds, with an inertia of {} from {}; the guard contains {}",
        shown(value, "J"),
        rpm(speed),
        shown(mass, "kg m2"),
        case.said(inertia.at),
        case.said(guard.at),
    );
    Finding::held(GUARD, value, guard.si, told, |message| {
        let fits = (2.0 * guard.si / mass).sqrt();
        let help =
            format!("it contains this inertia at {} or less: lower trip and profile", at_most(fits, "rpm"));
        Diag::at(inertia.at, message).other(guard.at, "what it contains").help(help)
    })
}

/// The casing pushes back with the torque of the shaft: the mount must hold the largest that the controller makes, and that of
/// windings or an inverter that are shorted at speed, whatever of them is, of which no controller knows anything.
pub(super) fn mount(case: &Case<'_>) -> Finding {
    let Some(mount) = case.rig.withstand.as_ref().and_then(|w| w.mount.as_ref()) else {
        return super::missing(
            case,
            MOUNT,
            "the rig does not say which torque its reaction mount holds",
            "add `mount` to [withstand], as `mount = \"__ Nm\"`",
        );
    };
    let (current, at) = case.current();
    let torque = |current: f64| case.torque_of(current).max(case.torque_shorted(current));
    let value = torque(current);
    let how = if case.torque_shorted(current) < value {
        String::new()
    } else {
        let (speed, at) = case.overspeed();
        match &case.unit.machine.torque_shorted_max {
            Some(known) => format!(" if the windings or the inverter are shorted ({})", case.cite(known.at)),
            None => {
                format!(" if the windings or the inverter are shorted at {} ({})", rpm(speed), case.cite(at))
            }
        }
    };
    let most = match value.is_finite() {
        true => format!("up to {}", shown(value, "Nm")),
        false => "more than any mount holds".to_string(),
    };
    let told = format!("{} make {most}{how}; the mount holds {}", case.said(at), case.said(mount.at));
    Finding::held(MOUNT, value, mount.si, told, |message| {
        // What saturation takes off is for whoever knows the iron to say.
        let known = "; or say `torque_shorted_max` in the unit's [machine], from its maker or a calculation with saturation";
        let help = if value.is_infinite() {
            format!(
                "one switch stuck on would lift the flux of the windings turn by turn: at a lower `overspeed` resistance ends that, \
                 or inductances as much current leaves them, nearer to each other{known}"
            )
        } else if torque(0.0) < mount.si {
            // Above zero: without any current it holds.
            let fits = largest(current, |c| torque(c) <= mount.si);
            format!("a current limit of {} or less fits{known}", at_most(fits, "A peak"))
        } else {
            let alone = at_least(torque(0.0), "Nm");
            format!(
                "the magnets alone make up to {alone} in a short circuit: no current limit is low enough, a lower `overspeed` may be{known}"
            )
        };
        Diag::at(at, message).other(mount.at, "what it holds").help(help)
    })
}
