//! What the plan draws from the mains, against its fuse: a fuse that goes at speed takes the bus away.

use super::case::{Case, at_least, at_most, largest, rpm, shown};
use super::finding::Finding;
use super::physics::mains_current;
use crate::diag::{Diag, Place};
use crate::files::rig::SupplyKind;

const MAINS: &str = "mains current";

impl Case<'_> {
    /// Power at the DC link for a speed and a torque, W: shaft, copper as hot as allowed, inverter.
    fn power(&self, speed: f64, torque: f64) -> Option<f64> {
        let drop = self.unit.thermal.inverter_drop.as_ref()?.high;
        let peak = self.current_for(torque);
        let copper = 1.5 * peak * peak * self.resistance_hot();
        Some(torque * speed + copper + 3.0 * drop * peak / std::f64::consts::SQRT_2)
    }
}

/// The most that a profile draws, at the lowest mains voltage, must be what the fuse carries.
pub(super) fn judge(case: &Case<'_>) -> Finding {
    let withstand = case.rig.withstand.as_ref();
    let declared = withstand.and_then(|w| Some((w.mains.first()?, w.fuse.as_ref()?)));
    let Some((mains, fuse)) = declared else {
        if case.rig.supply.kind.value != SupplyKind::RectifiedMains {
            return Finding::none(MAINS, "the supply limits its own current");
        }
        return super::missing(
            case,
            MAINS,
            "the rig does not say which mains and which fuse feed its rectifier",
            "add `mains` and `fuse` to [withstand], as `mains = [\"__ V rms\", \"__ V rms\"]` and `fuse = \"__ A rms\"`",
        );
    };
    if case.unit.thermal.inverter_drop.is_none() {
        let why = "the unit does not say what its inverter loses";
        return super::missing(case, MAINS, why, "add `inverter_drop` to the unit's [thermal]");
    }
    let mut worst: Option<(f64, f64, f64, Place)> = None;
    for (index, test) in case.tests() {
        for piece in case.pieces(test).iter().filter(|p| !p.coasts) {
            let speed = piece.speed.0.abs().max(piece.speed.1.abs());
            let torque = case.torque_needed(piece);
            let power = case.power(speed, torque).unwrap_or(f64::INFINITY);
            if worst.is_none_or(|(most, ..)| power > most || power.is_nan()) {
                worst = Some((power, speed, torque, case.written(index, piece.segment)));
            }
        }
    }
    let Some((power, speed, torque, at)) = worst else { return Finding::none(MAINS, "no speed is demanded") };
    let value = mains_current(power, mains.si);
    let told = format!(
        "{} with {} on the way to {} draw {}, {} from {} behind a bridge; the fuse carries {}",
        rpm(speed),
        shown(torque, "Nm"),
        case.said(at),
        shown(power, "W"),
        shown(value, "A rms"),
        case.said(mains.at),
        case.said(fuse.at),
    );
    Finding::held(MAINS, value, fuse.si, told, |message| {
        let draws = |s: f64| mains_current(case.power(s, torque).unwrap_or(f64::INFINITY), mains.si);
        let help = if draws(0.0) <= fuse.si {
            let fits = largest(speed, |s| draws(s) <= fuse.si);
            format!(
                "{} with this torque fits, or a fuse of at least {}",
                at_most(fits, "rpm"),
                at_least(value, "A rms")
            )
        } else {
            format!("a fuse of at least {} fits", at_least(value, "A rms"))
        };
        Diag::at(at, message).other(fuse.at, "the fuse").help(help)
    })
}
