//! What the mains let the bus be: an interval, with the uncertainty of what it is made from.

use super::super::core::Core;
use super::closer::{Found, Seen, mean_of};
use crate::engine::guard::show;
use crate::plan::{Mains, Prediction};
use crate::record::Grade;

/// Coverage factor: about 95 % (JCGM 100, k = 2).
const COVERAGE: f64 = 2.0;

/// Lowest and highest bus in V that mains between `low` and `high` V rms let be. A capacitor behind a bridge sits at the
/// peak of the mains less the diodes in the way (any textbook): at most that of the highest crest behind ideal diodes, at
/// least that of the lowest behind those that take most.
fn interval(low: f64, high: f64, crest: (f64, f64), diodes: (f64, f64)) -> (f64, f64) {
    (crest.0 * low - diodes.1, crest.1 * high - diodes.0)
}

/// Holds the mean of the bus against the interval; both ends give way by the joint uncertainty of bus and mains reading.
pub(super) fn holds(core: &Core, prediction: &Prediction, seen: &[Seen]) -> Found {
    let bus_channel = &core.plan.channels[prediction.bus];
    let bus = match mean_of(core, prediction.bus, &seen[0]) {
        Ok(bus) => bus,
        Err(found) => return Found { holds: false, grade: Grade::Absent, found },
    };
    let (ends, u_mains, from) = match prediction.mains {
        Mains::Read(channel) => {
            let mains = match mean_of(core, channel, &seen[1]) {
                Ok(mains) => mains,
                Err(found) => return Found { holds: false, grade: Grade::Absent, found },
            };
            let channel = &core.plan.channels[channel];
            ((mains, mains), channel.u, format!("mains {}", show(channel, mains)))
        }
        Mains::Set(low, high) => ((low, high), 0.0, format!("mains set to {low} V to {high} V rms")),
    };
    let (low, high) = interval(ends.0, ends.1, prediction.crest, prediction.diodes);
    let joint = |crest: f64| COVERAGE * bus_channel.u.hypot(crest * u_mains);
    let (low, high) = (low - joint(prediction.crest.0), high + joint(prediction.crest.1));
    // NaN lies in no interval.
    let holds = bus >= low && bus <= high;
    let grade = match prediction.mains {
        Mains::Read(_) => Grade::Measured,
        Mains::Set(..) => Grade::Inferred,
    };
    let found = format!(
        "bus {} in the mean, {from} let it be {low:.1} V to {high:.1} V (k = 2)",
        show(bus_channel, bus)
    );
    Found { holds, grade, found }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::SQRT_2;

    /// Textbook bridge: 110 V rms give 155.6 V at most; 155 V need 109.6 V rms with ideal diodes and an unloaded sine, 111.0 V
    /// with two drops of 1 V; flat-topped mains of crest 1.37 and two such drops give 148 V at 109.6 V rms.
    #[test]
    fn the_two_ideal_ends_are_those_of_the_textbook() {
        let of =
            |volts: f64, crest: f64, diodes: f64| interval(volts, volts, (crest, crest), (diodes, diodes)).0;
        for (volts, crest, diodes, bus) in [
            (110.0, SQRT_2, 0.0, 155.6),
            (230.0, SQRT_2, 0.0, 325.3),
            (109.6, SQRT_2, 0.0, 155.0),
            (111.0, SQRT_2, 2.0, 155.0),
            (109.6, 1.37, 2.0, 148.2),
        ] {
            let got = of(volts, crest, diodes);
            assert!((got - bus).abs() < 0.06, "{volts} V rms: {got} V, not {bus} V");
        }
        let (low, high) = interval(109.6, 111.0, (1.37, SQRT_2), (0.0, 2.0));
        assert!((low - 148.15).abs() < 0.01 && (high - 156.98).abs() < 0.01, "{low} V to {high} V");
    }
}
