//! How far something gets, worked out by hand: what a trip sees late, what drives, what is set last.

use super::{FIRST_SPIN, RIG, UNIT, changed, judged, told};
use crate::hazards::{Answer, Finding, refusals};

const LIMIT: f64 = 2600.0;

fn found(findings: &[Finding], hazard: &str) -> Finding {
    findings.iter().find(|f| f.hazard == hazard).expect(hazard).clone()
}

fn of(rig: &str, unit: &str, suite: &str, hazard: &str) -> Finding {
    found(&judged(rig, unit, suite).1, hazard)
}

/// The figure of a finding as its margin tells it, of a limit.
fn figure(finding: &Finding, limit: f64) -> f64 {
    limit * (1.0 - finding.margin.expect("a figure"))
}

/// The engine watches the age of what is read. What a derived channel says of its own age nothing holds it to, so that the trip sees
/// the speed as late as the speed itself may be.
#[test]
fn what_a_derived_channel_says_of_its_own_age_shortens_nothing() {
    let strong = changed(RIG, "at_most = \"24 A peak\"", "at_most = \"60 A peak\"");
    let again = |stale: &str| {
        let channel = format!(
            "[channel.speed_again]\nderived = \"speed\"\nunit = \"rpm\"\n{stale}\n\
             [trip.again]\nchannel = \"speed_again\"\nabove = \"1700 rpm\"\n\n\
             [trip.again_backwards]\nchannel = \"speed_again\"\nbelow = \"-460 rpm\"\n\n[twin]"
        );
        of(&changed(&strong, "[twin]", &channel), UNIT, FIRST_SPIN, "runaway")
    };
    let (silent, quick) = (again(""), again("stale = \"126 ms\"\n"));
    assert_eq!(quick.answer, Answer::Refused, "{}", quick.told);
    assert_eq!(quick.margin, silent.margin, "{}\n{}", quick.told, silent.told);
}

/// A value may be half of `reply_within` older than its age, which counts from the middle between request and reply, and twice that
/// with a `for`: 10 ms longer a wait is 5 ms, in which 9.770 Nm on 0.028 kg m2 gain 16.7 rpm.
#[test]
fn a_value_may_be_as_old_as_its_request() {
    let wait = |text: &str| {
        let rig = changed(RIG, "reply_within = \"40 ms\"", &format!("reply_within = \"{text}\""));
        figure(&of(&rig, UNIT, FIRST_SPIN, "runaway"), LIMIT)
    };
    let gained = wait("50 ms") - wait("40 ms");
    assert!((gained - 16.66).abs() < 0.05, "{gained}");
}

/// A stop frame may find a longer one just handed to the port: a request of 100 bytes more is 2.170 ms of a line of 460800 baud and
/// 10 bits a byte, 7.23 rpm.
#[test]
fn a_stop_frame_may_go_behind_the_longest_other() {
    let asks = |more: &str| {
        let rig = changed(RIG, "send = \"CONT:WORD 128", &format!("send = \"{more}CONT:WORD 128"));
        figure(&of(&rig, UNIT, FIRST_SPIN, "runaway"), LIMIT)
    };
    // 20 bytes and 108 are 100 more than the longest otherwise, `READ:BURS:VIBR:AXI? 4096,64` and its end.
    let gained = asks(&":".repeat(108)) - asks("");
    assert!((gained - 7.23).abs() < 0.01, "{gained}");
}

fn with_machine(lines: &str) -> String {
    changed(RIG, "[twin]", &format!("[shaft]\ncoupled = \"machine\"\n{lines}\n[twin]"))
}

/// By hand: 9.770 Nm and the machine's 10.23 Nm are 20 Nm on 0.028 and 0.012 kg m2, 500 rad/s2; in 224.0 ms they gain 1069.5 rpm,
/// from 1751.2 to 2821 rpm, 295.4 rad/s: 0.044 kg m2 have 1920 J. What it holds as a load it does not hold while it drives.
#[test]
fn what_drives_turns_the_shaft_further() {
    for holds in ["0 Nm", "5 Nm"] {
        let machine = format!("holds = \"{holds}\"\ninertia = \"0.012 kg m2\"\ndrives = \"10.23 Nm\"\n");
        let (_, findings) = judged(&with_machine(&machine), UNIT, FIRST_SPIN);
        let runaway = found(&findings, "runaway");
        assert!((figure(&runaway, LIMIT) - 2820.7).abs() < 1.0, "{}", runaway.told);
        assert_eq!(runaway.answer, Answer::Refused);
        assert!(runaway.told.contains("what drives, `10.23 Nm` (rig, line "), "{}", runaway.told);
        let energy = found(&findings, "turning energy");
        assert!((figure(&energy, 1200.0) - 1920.0).abs() < 2.0, "{}", energy.told);
    }
}

/// A machine can push: one that does not say how hard leaves these without an answer, which no real bench is driven with.
#[test]
fn a_machine_that_does_not_say_how_hard_it_drives_is_not_judged() {
    let rig = with_machine("holds = \"0 Nm\"\ninertia = \"0.002 kg m2\"\n");
    let (_, findings) = judged(&rig, UNIT, FIRST_SPIN);
    let unjudged: Vec<&Finding> = findings.iter().filter(|f| f.answer == Answer::NotJudged).collect();
    let names: Vec<&str> = unjudged.iter().map(|f| f.hazard).collect();
    let expected = ["runaway", "EMF against the ratings", "turning energy", "faulty braking"];
    assert_eq!(names, expected, "{}", told(&findings));
    assert_eq!(refusals(&findings, true).len(), 4);
    let help = unjudged[0].diag.as_ref().and_then(|d| d.help.as_deref()).expect("a mend");
    assert!(help.contains("drives = \"__ Nm\""), "{help}");
}

fn low_bus(overshoot: &str) -> String {
    let rig = changed(RIG, "bus = [\"140 V\", \"165 V\"]", "bus = [\"30 V\", \"165 V\"]");
    let rig = changed(&rig, "de_energised_bus = \"60 V\"", "de_energised_bus = \"20 V\"");
    let rig = changed(&rig, "below = \"110 V\"", "below = \"20 V\"");
    let rig = changed(&rig, "[ready.supply]\nmains = \"mains\"\n", "");
    changed(&rig, "[speed_loop]\novershoot = \"25 rpm\"\n", overshoot)
}

/// A test up to a speed, after steps that set the bus.
fn at_bus(name: &str, speed: &str, steps: &[(&str, &str)]) -> String {
    let step = |(i, (low, high)): (usize, &(&str, &str))| {
        format!(
            "{{ id = \"{name}-{i}\", ask = \"Set it.\", of = \"bus\", between = [\"{low}\", \"{high}\"], within = \"60 s\" }}"
        )
    };
    let steps: Vec<String> = steps.iter().enumerate().map(step).collect();
    format!(
        "[[test]]\nname = \"{name}\"\noperator = [{}]\nprofile = [{{ ramp = \"{speed}\", rate = \"100 rpm/s\" }}, \
         {{ hold = \"2 s\" }}, {{ ramp = \"0 rpm\", rate = \"100 rpm/s\" }}]\ncriterion = []\n",
        steps.join(", ")
    )
}

fn suite_of(tests: &[String]) -> String {
    format!("schema = 1\nname = \"s\"\n{}", tests.concat())
}

/// By hand: 67 mWb of 4 pole pairs make 48.60 mV a rpm between lines: 630 rpm make 30.62 V, above 30 V; 1560 rpm 75.82 V, below 80 V.
/// As a share of the bus the first speed alone is less than the second, and its overshoot more.
#[test]
fn a_quicker_test_does_not_hide_the_overshoot_of_a_slow_one() {
    let rig = low_bus("[speed_loop]\novershoot = \"80 rpm\"\n");
    let slow = at_bus("slow", "550 rpm", &[("30 V", "32 V")]);
    let quick = at_bus("quick", "1480 rpm", &[("80 V", "85 V")]);
    for tests in [vec![slow.clone()], vec![slow.clone(), quick.clone()], vec![quick.clone(), slow.clone()]] {
        let emf = of(&rig, UNIT, &suite_of(&tests), "EMF against the bus");
        assert_eq!(emf.answer, Answer::Refused, "{}", emf.told);
        assert!((figure(&emf, 30.0) - 30.62).abs() < 0.01, "{}", emf.told);
    }
    assert_eq!(of(&rig, UNIT, &suite_of(&[quick]), "EMF against the bus").answer, Answer::Fits);
}

/// Without `[speed_loop]` the speed gets as far as its trip lets it: 2498 rpm make 121.4 V of 140 V. Without a reaction nobody knows how
/// far that is, and without a trip nothing bounds it.
#[test]
fn an_overshoot_that_is_not_declared_is_what_a_trip_lets_through() {
    let silent = changed(RIG, "[speed_loop]\novershoot = \"25 rpm\"\n", "");
    let emf = of(&silent, UNIT, FIRST_SPIN, "EMF against the bus");
    assert!((figure(&emf, 140.0) - 121.4).abs() < 0.1, "{}", emf.told);
    let reaction = "[reaction]\nrunner = \"5 ms\"\nadapter = \"16 ms\" # some USB adapters hold bytes back for that long (common practice)\ncontroller = \"2 ms\"\n";
    let unjudged = of(&changed(&silent, reaction, ""), UNIT, FIRST_SPIN, "EMF against the bus");
    assert_eq!(unjudged.answer, Answer::NotJudged, "{}", unjudged.told);
    let mut for_ever = silent.clone();
    for (trip, next) in [("[trip.reverse]", "[trip.runaway]"), ("[trip.stall]", "[trip.phase_current]")] {
        let (from, to) = (for_ever.find(trip).expect("it"), for_ever.find(next).expect("it"));
        for_ever.replace_range(from..to, "");
    }
    let unbounded = of(&for_ever, UNIT, &suite_of(&[at_bus("back", "-400 rpm", &[])]), "EMF against the bus");
    assert_eq!(unbounded.answer, Answer::Refused, "{}", unbounded.told);
    assert!(unbounded.told.contains("nor a trip bounds"), "{}", unbounded.told);
}

/// Each step takes the place of the one before it: the bus stands where the last has set it, and braking pumps it up from there.
#[test]
fn the_bus_stands_where_the_last_step_has_set_it() {
    let rig = low_bus("[speed_loop]\novershoot = \"25 rpm\"\n");
    let braking =
        |steps: &[(&str, &str)]| of(&rig, UNIT, &suite_of(&[at_bus("one", "500 rpm", steps)]), "overshoot");
    let (low, high) = (("75 V", "85 V"), ("145 V", "155 V"));
    let both = braking(&[low, high]);
    assert!(both.told.contains("155.0 V on"), "{}", both.told);
    assert_eq!(both.margin, braking(&[high]).margin);
    assert!(braking(&[high, low]).told.contains("85.00 V on"));
}

/// What the maker or a calculation with saturation says wins over what linear windings would make, 1.1 kNm.
#[test]
fn a_declared_torque_of_a_short_is_what_the_mount_must_hold() {
    let with = |torque: &str| {
        changed(
            UNIT,
            "bus_max = \"400 V\"",
            &format!("bus_max = \"400 V\"\ntorque_shorted_max = \"{torque}\""),
        )
    };
    let rig = changed(RIG, "mount = \"1.3 kNm\"", "mount = \"200 Nm\"");
    let without = of(&rig, UNIT, FIRST_SPIN, "reaction mount");
    assert_eq!(without.answer, Answer::Refused, "{}", without.told);
    let help = without.diag.and_then(|d| d.help).expect("a mend");
    assert!(help.contains("torque_shorted_max"), "{help}");
    let known = of(&rig, &with("150 Nm"), FIRST_SPIN, "reaction mount");
    assert!(
        (figure(&known, 200.0) - 150.0).abs() < 1e-9 && known.told.contains("unit, line 22"),
        "{}",
        known.told
    );
    assert_eq!(of(&rig, &with("201 Nm"), FIRST_SPIN, "reaction mount").answer, Answer::Refused);
    // Less than the controller makes counts for nothing.
    let little = of(&rig, &with("1 Nm"), FIRST_SPIN, "reaction mount");
    assert!(figure(&little, 200.0) > 9.0, "{}", little.told);
}
