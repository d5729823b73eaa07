//! How long the bus takes to be low after it was switched off: a person waits for as long as `discharge` says.

use super::context::{Context, head};
use crate::diag::Diag;
use crate::files::rig::Rig;
use crate::units::number_text;

/// What takes the charge where no bleeder is declared, W: balancing resistors and a board's own supply take watts, not tens of
/// them (common practice).
const UNDECLARED_W: f64 = 10.0;

/// Refuses a `discharge` within which the capacitor can't have come below `de_energised_bus`: t = RC ln(V0/V) behind a bleeder
/// (textbook), else what takes ten watts. From the highest bus of the rig, with the largest capacitance.
pub(super) fn check(ctx: &mut Context<'_>) {
    let rig = ctx.rig;
    let file = &rig.supply;
    let (from, low) = (rig.limits.bus.si.max(file.bus.high), rig.safe_state.de_energised_bus.si);
    // What is no limit, no bus or no capacitance is noted elsewhere.
    if !(low > 0.0 && from > low && file.capacitance.low > 0.0) {
        return;
    }
    let capacitance = file.capacitance.high;
    let (needed, why, other) = match bleeder(rig) {
        Some((ohm, at)) => {
            let needed = ohm * capacitance * (from / low).ln();
            (needed, format!("{} on {}", ctx.said(at), ctx.said(file.capacitance.at)), Some(at))
        }
        None => {
            let energy = 0.5 * capacitance * (from * from - low * low);
            let why = format!(
                "no bleeder is declared, and without one {} takes that long at {} W",
                ctx.said(file.capacitance.at),
                number_text(UNDECLARED_W)
            );
            (energy / UNDECLARED_W, why, None)
        }
    };
    if file.discharge.si >= needed * (1.0 - 1e-9) {
        return;
    }
    let (seconds, volts) = (number_text(up(needed)), |v: f64| number_text(v));
    let message = format!(
        "{} is too short: from {} V the bus takes {seconds} s to fall to {} V ({why})",
        ctx.said(file.discharge.at),
        volts(from),
        volts(low)
    );
    let help = match other {
        Some(_) => {
            format!("a person waits for that long before they measure: `discharge = \"{seconds} s\"` fits")
        }
        None => format!(
            "`discharge = \"{seconds} s\"` fits; or say in [supply] which `bleeder` takes the charge sooner, and measure it"
        ),
    };
    let diag = Diag::at(file.discharge.at, message).help(help);
    let diag = if let Some(at) = other {
        diag.other(at, "the bleeder")
    } else {
        diag.other(head(file.at), "no bleeder")
    };
    ctx.refuse(diag);
}

/// The bleeder with its place: the bench's, or that of the simulated bench.
fn bleeder(rig: &Rig) -> Option<(f64, crate::diag::Place)> {
    let simulated = rig.twin.as_ref().map(|twin| &twin.bleeder);
    rig.supply.bleeder.as_ref().or(simulated).map(|bleeder| (bleeder.si, bleeder.at))
}

/// Up to two digits: a wait is no measurement.
fn up(seconds: f64) -> f64 {
    let step = 10f64.powi(seconds.log10().floor() as i32 - 1);
    (seconds / step - 1e-9).ceil() * step
}

#[cfg(test)]
mod tests {
    use crate::plan::testing::{RIG, SUITE, UNIT, resolved};

    fn refused(rig: &str) -> Vec<String> {
        let (_, plan) = resolved(rig, UNIT, SUITE);
        plan.err().unwrap_or_default().into_iter().map(|diag| diag.message).collect()
    }

    /// By hand: 10 kOhm x 4.7 mF x ln(200 V / 60 V) = 56.6 s, and a hundredth of that with 100 Ohm.
    #[test]
    fn a_wait_in_which_the_bleeder_does_not_discharge_the_capacitor_is_refused() {
        let with = |discharge: &str, more: &str| {
            RIG.replace("discharge = \"60 s\"", &format!("discharge = \"{discharge}\"{more}"))
        };
        assert_eq!(refused(&with("57 s", "")), Vec::<String>::new());
        let short = refused(&with("56 s", ""));
        assert_eq!(short.len(), 1, "{short:?}");
        assert!(short[0].contains("from 200 V the bus takes 57 s to fall to 60 V"), "{short:?}");
        let quicker = "\nbleeder = \"100 Ohm\"";
        assert_eq!(refused(&with("0.57 s", quicker)), Vec::<String>::new());
        assert_eq!(refused(&with("0.56 s", quicker)).len(), 1);
    }

    /// By hand: 0.5 x 2.2 mF x (200 V ^2 - 60 V ^2) / 10 W = 4.0 s.
    #[test]
    fn without_a_bleeder_ten_watts_take_the_charge() {
        let rig = include_str!("../../../fixtures/second-bench/rig.toml");
        let with =
            |discharge: &str| rig.replace("discharge = \"30 s\"", &format!("discharge = \"{discharge}\""));
        let about =
            |messages: Vec<String>| messages.iter().filter(|m| m.contains("no bleeder is declared")).count();
        assert_eq!(about(refused(&with("4.1 s"))), 0);
        assert_eq!(about(refused(&with("3.9 s"))), 1);
        assert_eq!(about(refused(&with("20 ms"))), 1);
    }
}
