//! What is judged of tests that demand something else than a speed.

use super::*;

fn found(findings: &[Finding], hazard: &str) -> Finding {
    findings.iter().find(|f| f.hazard == hazard).expect(hazard).clone()
}

fn torque_rig() -> String {
    let rig = changed(RIG, "speed_step = \"100 rpm\"", "speed_step = \"100 rpm\"\ntorque_rate = \"4 Nm/s\"");
    let rig = changed(
        &rig,
        "send = \"CONF:SPE:LIM?\"\nexpect = \"{value}\"",
        "send = \"CONF:SPE:LIM?\"\nexpect = \"{value}\"\nlimits = \"shaft speed\"\nunit = \"rpm\"",
    );
    changed(
        &rig,
        "[demand.pump]",
        "[demand.torque]\nsets = \"torque\"\nlink = \"board\"\nsend = \"SOUR:TORQ {value:.2};*OPC?\"\nexpect = \"1\"\n\
         unit = \"Nm\"\nevery = \"20 ms\"\nrange = [\"-90 Nm\", \"90 Nm\"]\nrest = \"0 Nm\"\n\n[demand.pump]",
    )
}

fn by_torque(profile: &str) -> String {
    format!(
        "schema = 1\nname = \"torque\"\n[[test]]\nname = \"torque\"\ndemand = \"torque\"\nprofile = [{profile}]\ncriterion = []\n"
    )
}

/// By hand: 1 Nm in half a second, for a second, and down to -1 Nm in a second: 0.25 + 1 + 0.25 Nm s turn the least inertia,
/// 0.028 kg m2, at 53.57 rad/s, which on the largest, 0.032 kg m2, is 45.92 J when the torque turns round; with it
/// sqrt(165^2 + 2 x 45.92 / 4.7e-3) = 216.2 V.
#[test]
fn a_torque_that_turns_round_brakes_what_it_has_turned() {
    let there = "{ ramp = \"1 Nm\", rate = \"2 Nm/s\" }, { hold = \"1 s\" }";
    let back = format!("{there}, {{ ramp = \"-1 Nm\", rate = \"2 Nm/s\" }}");
    let (_, findings) = judged(&torque_rig(), UNIT, &by_torque(&back));
    let braking = found(&findings, "braking");
    let volts = (165f64 * 165.0 + 0.032 * (1.5f64 / 0.028).powi(2) / 4.7e-3).sqrt();
    assert!((volts - 216.2).abs() < 0.1, "{volts}");
    let margin = braking.margin.expect("a figure");
    assert!(((1.0 - margin) * 200.0 - volts).abs() < 0.2, "{}", braking.told);
    assert_eq!(braking.answer, Answer::Refused, "{}", braking.told);

    let off = format!("{there}, {{ ramp = \"0 Nm\", rate = \"2 Nm/s\" }}");
    let (_, findings) = judged(&torque_rig(), UNIT, &by_torque(&off));
    assert_eq!(found(&findings, "braking").answer, Answer::Fits, "{}", told(&findings));
}

/// A torque held for long turns a free shaft as fast as its trip lets it, and a bus that is too low for the EMF of that speed
/// would be braked against as soon as the torque is off.
#[test]
fn a_torque_turns_the_shaft_as_fast_as_no_trip_fires() {
    let long =
        "{ ramp = \"1 Nm\", rate = \"2 Nm/s\" }, { hold = \"30 s\" }, { ramp = \"0 Nm\", rate = \"2 Nm/s\" }";
    let strong = changed(UNIT, "[\"63 mWb\", \"67 mWb\"]", "[\"63 mWb\", \"160 mWb\"]");
    let (_, findings) = judged(&torque_rig(), &strong, &by_torque(long));
    for hazard in ["EMF against the bus", "voltage limit"] {
        assert_eq!(found(&findings, hazard).answer, Answer::Refused, "{}", told(&findings));
    }
    let short = "{ ramp = \"1 Nm\", rate = \"2 Nm/s\" }, { ramp = \"0 Nm\", rate = \"2 Nm/s\" }";
    // While it coasts nothing turns it further.
    let coasts = "{ ramp = \"1 Nm\", rate = \"2 Nm/s\" }, { coast = \"30 s\" }";
    for profile in [short, coasts] {
        let (_, findings) = judged(&torque_rig(), &strong, &by_torque(profile));
        assert_eq!(found(&findings, "EMF against the bus").answer, Answer::Fits, "{}", told(&findings));
    }
}

/// What is coupled may turn the shaft against a torque for as long as it lasts.
#[test]
fn a_torque_against_what_is_coupled_brakes_all_the_time() {
    let rig = changed(
        &torque_rig(),
        "[twin]",
        "[shaft]\ncoupled = \"machine\"\nholds = \"0 Nm\"\ninertia = \"0.05 kg m2\"\n\n[twin]",
    );
    let backwards = "[trip.backwards]\nchannel = \"speed\"\nbelow = \"-60 rpm\"\n\n[trip.bus_high]";
    let rig = changed(&rig, "[trip.bus_high]", backwards);
    let held =
        "{ ramp = \"-1 Nm\", rate = \"2 Nm/s\" }, { hold = \"5 s\" }, { ramp = \"0 Nm\", rate = \"2 Nm/s\" }";
    let (_, findings) = judged(&rig, UNIT, &by_torque(held));
    assert_eq!(found(&findings, "braking").answer, Answer::Refused, "{}", told(&findings));
}

/// A field that is turned by a demand pulls the rotor along: quick enough, and it is the EMF that forbids it.
#[test]
fn a_forced_angle_turns_the_shaft_as_fast_as_it_moves() {
    let rig = changed(RIG, "rate = \"400 deg/s electrical\"", "rate = \"40000 deg/s electrical\"");
    let quick = changed(
        &suite("commissioning"),
        "rate = \"360 deg/s electrical\"",
        "rate = \"40000 deg/s electrical\"",
    );
    let (_, findings) = judged(&rig, UNIT, &quick);
    let slow = judged(RIG, UNIT, &suite("commissioning")).1;
    let margin = |findings: &[Finding]| found(findings, "EMF against the bus").margin.expect("a figure");
    assert!(margin(&findings) < 0.0 && margin(&slow) > 0.7, "{}\n{}", told(&findings), told(&slow));
}

/// Letting go of a pedal brakes as steeply as the board takes the speed down, and nobody knows that if it is not read back.
#[test]
fn letting_go_of_a_pedal_brakes() {
    let pedal = suite("pedal");
    let known = "must_be = \"300\"\nlimits = \"pedal rate\"\nunit = \"rpm/s\"\n";
    let of = |to: &str| found(&judged(&changed(RIG, known, to), UNIT, &pedal).1, "braking");
    let steep = of("must_be = \"3000\"\nlimits = \"pedal rate\"\nunit = \"rpm/s\"\n");
    assert_eq!(steep.answer, Answer::Refused, "{}", steep.told);
    for to in ["must_be = \"300\"\n", "limits = \"pedal rate\"\nunit = \"rpm/s\"\n"] {
        assert_eq!(of(to).answer, Answer::NotJudged, "{to}");
    }
    let slow = found(&judged(RIG, UNIT, &pedal).1, "braking");
    assert_eq!(slow.answer, Answer::Fits, "{}", slow.told);
}

/// What is coupled and says neither its inertia nor its torque counts as nothing nowhere.
#[test]
fn what_is_coupled_must_say_what_it_is() {
    for (shaft, unjudged) in [
        ("holds = [\"0 Nm\", \"5 Nm\"]\n", vec!["turning energy"]),
        ("inertia = \"0.01 kg m2\"\n", vec!["voltage limit"]),
        ("", vec!["voltage limit", "turning energy"]),
    ] {
        let rig = changed(RIG, "[twin]", &format!("[shaft]\ncoupled = \"brake\"\n{shaft}\n[twin]"));
        let (_, findings) = judged(&rig, UNIT, FIRST_SPIN);
        let found: Vec<&str> =
            findings.iter().filter(|f| f.answer == Answer::NotJudged).map(|f| f.hazard).collect();
        assert_eq!(found, unjudged, "{shaft}{}", told(&findings));
    }
}

/// How late a mean of the past is, nobody knows: its trip is not counted on.
#[test]
fn a_trip_on_what_remembers_the_past_is_not_counted_on() {
    let rig = changed(RIG, "[channel.winding]\nmeasures = \"winding temperature\"\n", "[channel.winding]\n");
    let rig = changed(&rig, "channel = \"winding\"", "channel = \"winding_mean\"");
    let of = |derived: &str| {
        let mean = format!(
            "[channel.winding_mean]\nmeasures = \"winding temperature\"\nderived = \"{derived}\"\nunit = \"°C\"\n\n[twin]"
        );
        let hot = changed(UNIT, "winding_capacity = \"3850 J/K\"", "winding_capacity = \"10 J/K\"");
        found(&judged(&changed(&rig, "[twin]", &mean), &hot, FIRST_SPIN).1, "winding").answer
    };
    assert_eq!(of("max(winding, winding)"), Answer::Fits);
    assert_eq!(of("lowpass(winding, '10 s')"), Answer::Refused);
}
