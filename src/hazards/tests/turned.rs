//! How far something gets, worked out by hand: what a trip sees late.

use super::{FIRST_SPIN, RIG, UNIT, changed, judged};
use crate::hazards::{Answer, Finding};

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
    let (silent, quick) = (again(""), again("stale = \"46 ms\"\n"));
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
