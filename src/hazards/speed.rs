//! Speed against the bus: what the inverter can drive, and what the magnets make of the shaft's turning once the gates are off.

use super::braking::{declared_or_tripped, unbounded};
use super::case::{Case, at_least, at_most, either, fitting, largest, rpm, shown};
use super::finding::Finding;
use super::physics::{copper_at, emf_line, phase_voltage_max, phase_voltage_needed, speed_of_emf};
use super::turning::Piece;
use crate::diag::Diag;

const LIMIT: &str = "voltage limit";
const EMF: &str = "EMF against the bus";
const RATING: &str = "EMF against the ratings";

/// What the switches keep of a phase voltage where the unit file does not say, V (*common practice*: 1 to 2 V a device).
const DROP: f64 = 2.0;

impl Case<'_> {
    /// Largest torque that a piece of a test takes, Nm: what is demanded, or else acceleration of the largest inertia, and
    /// everything that drags.
    pub(super) fn torque_needed(&self, piece: &Piece) -> f64 {
        if let Some(torque) = piece.torque {
            return torque;
        }
        let rotor = &self.unit.rotor;
        let fast = piece.speed.0.abs().max(piece.speed.1.abs());
        let rise = piece.speed.1.abs() - piece.speed.0.abs();
        let accelerates = if piece.lasts > 0.0 { (rise / piece.lasts).max(0.0) } else { 0.0 };
        self.inertia().1 * accelerates + rotor.friction.high + rotor.drag.high * fast + self.load().1
    }

    /// Current across the magnets for a torque, A peak, no more than the controller's limit.
    pub(super) fn current_for(&self, torque: f64) -> f64 {
        let m = &self.unit.machine;
        let of = torque / (1.5 * f64::from(m.pole_pairs.value) * m.flux_linkage.low);
        of.min(self.current().0)
    }

    /// Phase resistance of the hottest winding that is allowed, Ohm.
    pub(super) fn resistance_hot(&self) -> f64 {
        copper_at(self.unit.machine.resistance.high, self.unit.thermal.winding_max.si)
    }
}

/// The lowest bus must make the phase voltage that each speed takes; beyond it the speed loop has nothing left, and only a
/// weakened field would go on.
pub(super) fn voltage_limit(case: &Case<'_>) -> Finding {
    if case.coupling().is_some_and(|shaft| shaft.holds.is_none()) {
        return super::missing(
            case,
            LIMIT,
            "the rig does not say which torque is coupled to the shaft",
            "add `holds` to [shaft], as `holds = [\"__ Nm\", \"__ Nm\"]`",
        );
    }
    let m = &case.unit.machine;
    let poles = f64::from(m.pole_pairs.value);
    let drop = case.unit.thermal.inverter_drop.as_ref().map_or(DROP, |d| d.high);
    let needed = |speed: f64, torque: f64| {
        let iq = case.current_for(torque);
        phase_voltage_needed(
            poles,
            m.flux_linkage.high,
            m.inductance_q.high,
            case.resistance_hot(),
            speed,
            iq,
        )
    };
    // Test, speed, torque, where it was written; by the share of what the bus makes.
    let mut worst: Option<(f64, usize, f64, f64, crate::diag::Place)> = None;
    for (index, test) in case.tests() {
        let available = phase_voltage_max(case.bus(index).0.0, drop);
        for piece in case.pieces(test).iter().filter(|p| !p.coasts) {
            let (speed, torque) = (piece.speed.0.abs().max(piece.speed.1.abs()), case.torque_needed(piece));
            let share = needed(speed, torque) / available;
            if worst.is_none_or(|(most, ..)| share > most || share.is_nan()) {
                worst = Some((share, index, speed, torque, case.written(index, piece.segment)));
            }
        }
    }
    let Some((_, index, speed, torque, at)) = worst else {
        return Finding::none(LIMIT, "no speed is demanded");
    };
    let (bus, bus_at) = case.bus(index).0;
    let (value, limit) = (needed(speed, torque), phase_voltage_max(bus, drop));
    let told = format!(
        "{} on the way to {} with {} takes {} of phase voltage, {} make {}",
        rpm(speed),
        case.said(at),
        shown(torque, "Nm"),
        shown(value, "V"),
        case.said(bus_at),
        shown(limit, "V"),
    );
    Finding::held(LIMIT, value, limit, told, |message| {
        let fits = largest(speed, |s| needed(s, torque) <= limit);
        let bus = 3f64.sqrt() * (value + drop);
        let slower = fitting(fits, "rpm", |rpm| format!("{rpm} or less fits"));
        let help = either(slower, Some(format!("a bus of at least {} fits", at_least(bus, "V"))));
        let help = help.unwrap_or_default();
        Diag::at(at, message).other(bus_at, "the lowest bus").help(help)
    })
}

/// At the highest speed demanded, overshoot included, the EMF must stay below the lowest bus: above it the diodes of the
/// inverter rectify as soon as the gates are off, and torque off would brake and pump.
pub(super) fn emf_below_bus(case: &Case<'_>) -> Finding {
    let m = &case.unit.machine;
    let poles = f64::from(m.pole_pairs.value);
    let mut worst: Option<(f64, usize, f64, f64, crate::diag::Place)> = None;
    for (index, test) in case.tests() {
        let (bus, bus_at) = case.bus(index).0;
        let fast = |p: &Piece| p.speed.0.abs().max(p.speed.1.abs());
        let pieces = case.pieces(test);
        // Of several as fast the first, which got there.
        let faster = |p: &Piece, most: &Piece| fast(p) > fast(most) || fast(p).is_nan();
        let Some(piece) = pieces.iter().reduce(|most, p| if faster(p, most) { p } else { most }) else {
            continue;
        };
        let speed = fast(piece);
        let declared = case.rig.speed_loop.is_some();
        // Without a speed that is demanded there is nothing to get beyond: the pieces are all that the shaft does.
        let overshoot = if declared || case.speed_tests().any(|(i, _)| i == index) {
            if !declared && case.rig.reaction.is_none() {
                return super::reach::missing_reaction(case, EMF);
            }
            let Some((over, _)) = declared_or_tripped(case, index, speed) else {
                return unbounded(case, EMF, bus_at);
            };
            over
        } else {
            0.0
        };
        let share = emf_line(poles, m.flux_linkage.high, speed + overshoot) / bus;
        if worst.is_none_or(|(most, ..)| share > most || share.is_nan()) {
            worst = Some((share, index, speed, overshoot, case.written(index, piece.segment)));
        }
    }
    let Some((_, index, speed, overshoot, at)) = worst else {
        return Finding::none(EMF, "no speed is demanded");
    };
    let (bus, bus_at) = case.bus(index).0;
    let value = emf_line(poles, m.flux_linkage.high, speed + overshoot);
    let told = format!(
        "{} with {} of overshoot makes {} between lines with {}, lowest bus {}",
        case.said(at),
        rpm(overshoot),
        shown(value, "V"),
        case.said(m.flux_linkage.at),
        case.said(bus_at),
    );
    Finding::held(EMF, value, bus, told, |message| {
        let fits = speed_of_emf(poles, m.flux_linkage.high, bus) - overshoot;
        let help = format!(
            "with the gates off the inverter's diodes would rectify it: {} or less fits, or a bus of at least {}",
            at_most(fits, "rpm"),
            at_least(value, "V")
        );
        Diag::at(at, message).other(bus_at, "the lowest bus").help(help)
    })
}

/// At the furthest that the speed runs away, the EMF must stay below what capacitor and machine stand, whatever the
/// controller does with the field.
pub(super) fn emf_below_ratings(case: &Case<'_>) -> Finding {
    let m = &case.unit.machine;
    let poles = f64::from(m.pole_pairs.value);
    if case.rig.supply.rated.is_none() {
        return missing_rating(case, RATING);
    }
    if case.rig.reaction.is_none() {
        return super::reach::missing_reaction(case, RATING);
    }
    let (limit, limit_at) = case.rating();
    if let Some(missing) = case.missing_drives(RATING) {
        return missing;
    }
    // A coupling that breaks holds nothing.
    let Some(speed) = case.furthest(case.current().0, case.broken()) else {
        let message = "no trip bounds how far the speed runs away, and with it the EMF".to_string();
        return Finding::forbidden(
            RATING,
            case.undeclared(message).other(limit_at, "the limit").help("see `runaway`"),
        );
    };
    let value = emf_line(poles, m.flux_linkage.high, speed);
    let told = format!(
        "{}, as far as the rotor alone runs away, makes {} between lines with {}, limit {}",
        rpm(speed),
        shown(value, "V"),
        case.said(m.flux_linkage.at),
        case.said(limit_at),
    );
    Finding::held(RATING, value, limit, told, |message| {
        let fits = speed_of_emf(poles, m.flux_linkage.high, limit);
        let help = format!(
            "keep what the speed can reach at {} or less: a lower trip, a smaller current limit or a shorter reaction",
            at_most(fits, "rpm")
        );
        Diag::at(m.flux_linkage.at, message).other(limit_at, "the limit").help(help)
    })
}

/// The finding of a hazard that takes the capacitor's rating, on a rig that does not declare it.
pub(super) fn missing_rating(case: &Case<'_>, hazard: &'static str) -> Finding {
    super::missing(
        case,
        hazard,
        "the rig does not say what its DC-link capacitor is rated for",
        "add `rated` to [supply], as printed on the capacitor",
    )
}
