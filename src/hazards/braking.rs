//! Energy that has no way back: what a ramp down and a pulled-back overshoot put into the DC link.

use super::case::{Case, at_most, either, fitting, largest, rpm, shown};
use super::finding::Finding;
use super::physics::{charged, kinetic, room};
use super::reach::Way;
use super::turning::Piece;
use crate::diag::{Diag, Place};

const BRAKING: &str = "braking";
const OVERSHOOT: &str = "overshoot";
const TAKES_BACK: &str = "the supply takes energy back";

/// The most that a profile leaves in the DC link, J, and the segment where it does.
#[derive(Debug, Clone, Copy, Default)]
struct Returned {
    energy: f64,
    segment: usize,
}

impl Case<'_> {
    /// Follows the energy that the DC link holds more than the supply gave it. Falling, the largest inertia gives; what the least
    /// drag takes in the meantime does not come back. Rising, the smallest inertia takes. Losses of copper and inverter are not
    /// counted on. `slower` stretches every fall in time.
    fn returned(&self, pieces: &[Piece], slower: f64) -> Returned {
        let ((light, heavy), held) = (self.inertia(), self.load().0);
        let rotor = &self.unit.rotor;
        let (mut energy, mut most) = (0.0, Returned::default());
        let coupled = self.coupling().is_some();
        for piece in pieces.iter().filter(|p| !p.coasts) {
            let (from, to) = (piece.speed.0.abs(), piece.speed.1.abs());
            let falls = to < from;
            let lasts = piece.lasts * if falls { slower } else { 1.0 };
            let mean = 0.5 * (from + to);
            let drag = (rotor.friction.low + held + rotor.drag.low * mean) * mean * lasts;
            let change = if falls {
                kinetic(heavy, from) - kinetic(heavy, to)
            } else {
                kinetic(light, from) - kinetic(light, to)
            };
            // What is coupled may turn the shaft against a torque that is demanded for as long as it is.
            let turned = piece.torque.filter(|_| coupled).map_or(0.0, |torque| torque * mean * lasts);
            // At which speed it does is not known, so that no drag is counted on then.
            let taken = if turned > 0.0 { 0.0 } else { drag };
            energy = f64::max(0.0, energy + change + turned - taken);
            if energy > most.energy {
                most = Returned { energy, segment: piece.segment };
            }
        }
        most
    }

    /// The DC link after so much energy from the highest bus of a test, V.
    fn pumped(&self, test: usize, energy: f64) -> f64 {
        charged(self.rig.supply.capacitance.low, self.bus(test).1.0, energy)
    }

    /// Energy of an overshoot at a speed that is pulled back, J: the drag is not counted on.
    fn pulled_back(&self, speed: f64, overshoot: f64) -> f64 {
        let inertia = self.inertia().1;
        kinetic(inertia, speed + overshoot) - kinetic(inertia, speed)
    }
}

/// Every fall that is steeper than the least drag brakes, and braking pumps up the bus.
pub(super) fn planned(case: &Case<'_>) -> Finding {
    if case.takes_back() {
        return Finding::none(BRAKING, TAKES_BACK);
    }
    if case.pedal_unbounded() {
        return super::missing(
            case,
            BRAKING,
            "the rig does not say how steeply the board takes the speed down when the pedal is let go of",
            "read it back in a setting with `limits = \"pedal rate\"`, `unit = \"rpm/s\"` and the value that it `must_be`",
        );
    }
    let (limit, limit_at) = case.bus_limit();
    let found = case.tests().map(|(index, test)| {
        let pieces = case.pieces(test);
        let most = case.returned(&pieces, 1.0);
        (case.pumped(index, most.energy), index, most, pieces)
    });
    let Some((value, index, most, pieces)) = found.max_by(|a, b| a.0.total_cmp(&b.0)) else {
        return Finding::none(BRAKING, "no speed is demanded");
    };
    let at = case.written(index, most.segment);
    let (_, (bus, bus_at)) = case.bus(index);
    let told = format!(
        "{} come back up to {} of test `{}`, at least drag: {} on {} make {} of {}, limit {}",
        shown(most.energy, "J"),
        case.said(at),
        case.plan.tests[index].name,
        shown(bus, "V"),
        case.said(case.rig.supply.capacitance.at),
        shown(value, "V"),
        case.said(bus_at),
        case.said(limit_at),
    );
    Finding::held(BRAKING, value, limit, told, |message| {
        let share =
            largest(1.0, |k| k > 0.0 && case.pumped(index, case.returned(&pieces, 1.0 / k).energy) <= limit);
        let slope = |p: &Piece| {
            if p.lasts > 0.0 { (p.speed.0.abs() - p.speed.1.abs()) / p.lasts } else { f64::INFINITY }
        };
        let falls = pieces.iter().filter(|p| p.segment == most.segment && p.speed.1.abs() < p.speed.0.abs());
        let steepest = falls.map(slope).fold(0.0, f64::max);
        let help = if share > 0.0 && steepest.is_finite() {
            format!(
                "nothing takes this energy back: a fall of {} or less fits, or a coast",
                at_most(share * steepest, "rpm/s")
            )
        } else {
            "nothing takes this energy back: use a coast".to_string()
        };
        Diag::at(at, message).other(limit_at, "the limit").help(help)
    })
}

/// The overshoot of a sound build on top of what the profile leaves.
pub(super) fn overshoot(case: &Case<'_>) -> Finding {
    if case.takes_back() {
        return Finding::none(OVERSHOOT, TAKES_BACK);
    }
    if case.rig.speed_loop.is_none() && case.rig.reaction.is_none() {
        return super::reach::missing_reaction(case, OVERSHOOT);
    }
    let (limit, limit_at) = case.bus_limit();
    let mut worst: Option<(f64, usize, f64, f64, Place)> = None;
    for (index, test) in case.speed_tests() {
        let Some((speed, at)) = top(case, index) else { continue };
        let Some((over, declared)) = declared_or_tripped(case, index, speed) else {
            return unbounded(case, OVERSHOOT, limit_at);
        };
        let energy = case.pulled_back(speed, over) + case.returned(&case.pieces(test), 1.0).energy;
        let value = case.pumped(index, energy);
        if worst.is_none_or(|(most, ..)| value > most || value.is_nan()) {
            worst = Some((value, index, over, energy, declared.unwrap_or(at)));
        }
    }
    let Some((value, index, over, energy, declared)) = worst else {
        return Finding::none(OVERSHOOT, "no speed is demanded");
    };
    let (speed, at) = top(case, index).unwrap_or((0.0, declared));
    let ((_, _), (bus, _)) = case.bus(index);
    let told = format!(
        "{} beyond {} ({}) are {} when it is pulled back: {} on {} becomes {}, limit {}",
        rpm(over),
        case.said(at),
        if declared == at { "until a trip has ended it".to_string() } else { case.said(declared) },
        shown(energy, "J"),
        shown(bus, "V"),
        case.said(case.rig.supply.capacitance.at),
        shown(value, "V"),
        case.said(limit_at),
    );
    Finding::held(OVERSHOOT, value, limit, told, |message| {
        let spare =
            room(case.rig.supply.capacitance.low, bus, limit) - (energy - case.pulled_back(speed, over));
        let fits = largest(over, |o| case.pulled_back(speed, o) <= spare);
        let slower = largest(speed, |s| case.pulled_back(s, over) <= spare);
        let undeclared =
            if declared == at { "say in [speed_loop] how far a sound build overshoots: " } else { "" };
        let smaller =
            fitting(fits, "rpm", |rpm| format!("{undeclared}an overshoot of {rpm} fits at this speed"));
        let slower = fitting(slower, "rpm", |rpm| format!("{rpm} fits with this overshoot"));
        let help = either(smaller, slower).filter(|_| spare > 0.0).unwrap_or_else(|| {
            "the profile's own braking is too much already, without any overshoot: make its falls slower, or let it coast"
                .to_string()
        });
        Diag::at(at, message).other(limit_at, "the limit").help(help)
    })
}

/// The fastest of a test without sign, rad/s, and where it was written.
fn top(case: &Case<'_>, index: usize) -> Option<(f64, Place)> {
    let pieces = case.pieces(&case.plan.tests[index]);
    let fast = |p: &Piece| p.speed.0.abs().max(p.speed.1.abs());
    // Of several as fast the first, which got there.
    let driven = pieces.iter().filter(|p| !p.coasts);
    let piece = driven.reduce(|most, p| if fast(p) > fast(most) { p } else { most })?;
    Some((fast(piece), case.written(index, piece.segment)))
}

/// The finding of a hazard that takes how far the speed gets beyond its demand, where nothing bounds that.
pub(super) fn unbounded(case: &Case<'_>, hazard: &'static str, limit_at: Place) -> Finding {
    let message =
        "neither `overshoot` in [speed_loop] nor a trip bounds how far the speed gets beyond its demand";
    let diag = case.undeclared(message.to_string()).other(limit_at, "the limit");
    Finding::forbidden(hazard, diag.help("add a trip on the shaft speed, or `[speed_loop]`"))
}

/// The declared overshoot with its place, or how far the speed gets until a trip has ended it.
pub(super) fn declared_or_tripped(case: &Case<'_>, test: usize, speed: f64) -> Option<(f64, Option<Place>)> {
    if let Some(known) = &case.rig.speed_loop {
        return Some((known.overshoot.si.abs(), Some(known.overshoot.at)));
    }
    let test = &case.plan.tests[test];
    let way = if test.profile.top() < 0.0 { Way::Backward } else { Way::Forward };
    let reach = case.reach(test, way, case.current().0, case.coupled())?;
    Some(((reach.speed - speed).max(0.0), None))
}
