//! Braking that nobody planned, worked out by hand.

use super::{BRAKE, FIRST_SPIN, RIG, UNIT, changed, judged, suite, told};
use crate::hazards::{Answer, Finding};

const OWN: &str = "must_be = \"210\"\nlimits = \"bus voltage\"\nunit = \"V\"\n";

fn faulty(rig: &str, suite: &str) -> Finding {
    let (_, findings) = judged(rig, UNIT, suite);
    findings.into_iter().find(|f| f.hazard == "faulty braking").expect("judged")
}

/// Volts of the DC link as the finding's margin tells them, of a limit of 400 V.
fn volts(finding: &Finding) -> f64 {
    400.0 * (1.0 - finding.margin.expect("a figure"))
}

/// By hand: 24 A peak make at most 9.770 Nm (every angle is tried in `physics`); the trip at 1750 rpm is seen within 180 ms and half of
/// the 40 ms that a reply may take, and the torque is off 23 ms and a stop frame of 18 bytes behind a request of 28, of 10 bits at
/// 460800 baud, later: 0.2240 s, in which 0.028 kg m2 gain 746 rpm: 2498 rpm with 1.2 rpm of uncertainty, 261.6 rad/s, 2555 W. The
/// board's own 210 V, 1 V off, 2 ms of that, 5.11 J, and 3/4 x 0.75 mH x 24^2 = 0.324 J of the windings:
/// sqrt(211^2 + 2 x 5.435 / 4.7e-3) = 216.4 V.
#[test]
fn the_boards_own_limit_ends_it_as_worked_out_by_hand() {
    let found = faulty(RIG, FIRST_SPIN);
    assert_eq!(found.answer, Answer::Fits);
    assert!((volts(&found) - 216.4).abs() < 0.1, "{} {}", volts(&found), found.told);
}

/// Without it the trip at 185 V comes first, 1 V and 0.2240 s late: 572.7 J, sqrt(186^2 + 2 x 572.7 / 4.7e-3) = 527.5 V.
#[test]
fn without_it_the_trip_on_the_bus_comes_too_late() {
    let found = faulty(&changed(RIG, OWN, ""), FIRST_SPIN);
    assert_eq!(found.answer, Answer::Refused);
    assert!((volts(&found) - 527.5).abs() < 0.5, "{} {}", volts(&found), found.told);
}

/// With a capacitor of 1 F all that turns, 1095 J (the row of the guard), is less than the board's own limit lets through:
/// sqrt(165^2 + 2 x 1095 / 1) = 171.5 V. Something that is coupled may turn it on, and no energy bounds that.
#[test]
fn all_that_turns_bounds_it_unless_something_turns_it_on() {
    let huge = |rig: &str| changed(rig, "capacitance = \"4.7 mF\"", "capacitance = \"1 F\"");
    let found = faulty(&huge(RIG), FIRST_SPIN);
    assert!((volts(&found) - 171.5).abs() < 0.1, "{} {}", volts(&found), found.told);
    let coupled = faulty(&huge(BRAKE), &suite("heat-soak"));
    assert!(volts(&coupled) > 185.0, "{} {}", volts(&coupled), coupled.told);
}

/// By hand: with 100 mH along and across the magnets 24 A make 9.648 Nm, which get to 2488 rpm, 260.6 rad/s, 1086.3 J; the windings hold
/// 3/4 x 0.1 x 24^2 = 43.2 J more: sqrt(165^2 + 2 x 1129.5 / 1) = 171.7 V, where it would be 171.46 V without them.
#[test]
fn what_the_windings_hold_comes_on_top_of_all_that_turns() {
    let unit = changed(UNIT, "inductance_d = \"0.30 mH\"", "inductance_d = \"100 mH\"");
    let unit = changed(&unit, "inductance_q = \"0.75 mH\"", "inductance_q = \"100 mH\"");
    let rig = changed(RIG, "capacitance = \"4.7 mF\"", "capacitance = \"1 F\"");
    let (_, findings) = judged(&rig, &unit, FIRST_SPIN);
    let found = findings.into_iter().find(|f| f.hazard == "faulty braking").expect("judged");
    assert!((volts(&found) - 171.71).abs() < 0.03, "{} {}", volts(&found), found.told);
}

/// A supply that takes energy back may lose its contactor or its fuse while it does.
#[test]
fn a_supply_that_takes_energy_back_may_be_lost() {
    let battery = changed(RIG, "kind = \"rectified mains\"\n", "kind = \"battery\"\n");
    let battery = changed(&battery, "[ready.supply]\nmains = \"mains\"\n", "");
    assert_eq!(faulty(&battery, FIRST_SPIN).answer, Answer::Fits);
    let (_, findings) = judged(&changed(&battery, OWN, ""), UNIT, FIRST_SPIN);
    let refused: Vec<&str> =
        findings.iter().filter(|f| f.answer == Answer::Refused).map(|f| f.hazard).collect();
    assert_eq!(refused, ["faulty braking"], "{}", told(&findings));
}

/// Half a volt above what fits is refused, and what is said to fit fits.
#[test]
fn the_limit_that_is_said_to_fit_fits() {
    let own = |volts: &str| faulty(&changed(RIG, OWN, &OWN.replace("210", volts)), FIRST_SPIN);
    let refused = own("450");
    let help = refused.diag.expect("refused").help.expect("a mend");
    let fits: f64 = help
        .split(" V or less")
        .next()
        .and_then(|t| t.rsplit(' ').next())
        .and_then(|t| t.parse().ok())
        .expect(&help);
    assert_eq!(own(&format!("{fits}")).answer, Answer::Fits, "{help}");
    assert_eq!(own(&format!("{}", fits + 1.0)).answer, Answer::Refused, "{help}");
}
