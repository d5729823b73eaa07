//! Boards that lie: what they do and what they say of it.

use super::*;
use crate::states::DriveState;

/// Driven at 300 rpm for some seconds since 0.1 s.
fn at_300(faults: &[&str]) -> Bench {
    let mut bench = Bench::new(TwinSpec::demo(), faults);
    bench.enable();
    bench.follow(2.0, |t| (300.0 * t).min(300.0), |_, _, _| {});
    bench
}

fn rpm(bench: &Bench) -> f64 {
    bench.twin.truth().speed / RPM
}

/// The state that the board reports (CiA 402: 40 under mask 4F is *switch on disabled*, 27 under 6F *operation enabled*).
fn says_off(bench: &mut Bench) -> bool {
    bench.numbers("MEAS:DRIV?")[0] as u32 & 0x4F == 0x40
}

fn stop(bench: &mut Bench) {
    assert_eq!(bench.say("CONT:WORD 0;*OPC?"), "1");
}

#[test]
fn stuck_gates_hold_the_last_demand_while_the_board_says_off() {
    let mut bench = at_300(&["gates-stuck-on"]);
    stop(&mut bench);
    for _ in 0..40 {
        bench.wait(0.05);
        assert!(says_off(&mut bench) && bench.twin.truth().gates);
        assert!((rpm(&bench) - 300.0).abs() < 5.0, "{} rpm", rpm(&bench));
    }
    let mut sound = at_300(&[]);
    stop(&mut sound);
    sound.wait(2.0);
    assert!(!sound.twin.truth().gates && rpm(&sound) < 100.0, "{} rpm", rpm(&sound));
}

#[test]
fn stuck_gates_go_off_at_last_or_speed_up() {
    let mut bench = at_300(&["gates-stuck-on=0.05"]);
    stop(&mut bench);
    bench.wait(0.49);
    assert!(bench.twin.truth().gates);
    bench.wait(0.02);
    assert!(!bench.twin.truth().gates);
    assert!(bench.events().iter().any(|(_, words)| words.starts_with("gates off: at last")));
    let mut faster = at_300(&["gates-stuck-on=2"]);
    stop(&mut faster);
    faster.wait(5.0);
    assert!((rpm(&faster) - 500.0).abs() < 15.0, "{} rpm, 300 + 5 x 40 expected", rpm(&faster));
}

/// The loop of the emergency stop and the gate drivers need no firmware.
#[test]
fn the_hard_wired_loop_takes_stuck_gates_off() {
    let mut bench = at_300(&["gates-stuck-on", "stop-loop-open@3 s"]);
    stop(&mut bench);
    bench.wait(0.8);
    assert!(bench.twin.truth().gates);
    bench.wait(0.2);
    assert!(!bench.twin.truth().gates);
}

#[test]
fn gates_come_back_on_and_every_off_takes_them_off_again() {
    let mut bench = at_300(&["comes-back-on"]);
    for _ in 0..2 {
        stop(&mut bench);
        bench.wait(0.39);
        assert!(!bench.twin.truth().gates, "off at first");
        bench.wait(0.02);
        assert!(bench.twin.truth().gates && says_off(&mut bench));
    }
    bench.wait(3.0);
    assert!((rpm(&bench) - 300.0).abs() < 5.0, "it goes back to the last demand: {} rpm", rpm(&bench));
}

#[test]
fn an_ignored_stop_is_acknowledged_and_the_command_timeout_works() {
    let mut bench = at_300(&["stop-ignored"]);
    for i in 0..100 {
        stop(&mut bench);
        assert_eq!(bench.say("SOUR:SPE 300.0;*OPC?"), "1");
        bench.wait(0.02);
        assert_eq!(bench.twin.truth().state, DriveState::OperationEnabled, "frame {i}");
    }
    bench.say("*RST");
    // The last demand was 20 ms before, and the timeout is 100 ms.
    bench.wait(0.07);
    stop(&mut bench);
    assert!(bench.twin.truth().gates);
    bench.wait(0.02);
    assert_eq!(bench.twin.truth().state, DriveState::Fault);
    assert!(bench.events().iter().any(|(_, words)| *words == "gates off: command timeout"));
    let mut for_a_while = at_300(&["stop-ignored=0.005"]);
    stop(&mut for_a_while);
    for_a_while.wait(0.06);
    assert!(for_a_while.twin.truth().gates);
    stop(&mut for_a_while);
    assert!(!for_a_while.twin.truth().gates, "50 ms after the first");
}

#[test]
fn frozen_telemetry_stays_to_the_digit_until_it_thaws() {
    let mut bench = at_300(&["telemetry-frozen=0.1@2.5 s"]);
    bench.follow(0.5, |_| 300.0, |_, _, _| {});
    let frozen = bench.say("MEAS:DRIV?");
    let radius = bench.say("MEAS:RES?");
    bench.follow(0.7, |t| 300.0 - 300.0 * t, |_, _, _| {});
    assert_eq!(bench.say("MEAS:DRIV?"), frozen);
    assert_ne!(bench.say("MEAS:RES?"), radius, "only what is reported of the drive is frozen");
    assert!(rpm(&bench) < 200.0);
    bench.follow(0.3, |_| 90.0, |_, _, _| {});
    let thawed = bench.numbers("MEAS:DRIV?");
    assert!((thawed[1] - rpm(&bench)).abs() < 3.0, "{thawed:?}, {} rpm", rpm(&bench));
}

#[test]
fn a_constant_current_and_a_lost_speed_are_reported_while_the_loops_know_better() {
    let mut bench = at_300(&["current-constant=0.8", "speed-lost"]);
    for _ in 0..20 {
        let read = bench.numbers("MEAS:DRIV?");
        assert_eq!((read[1].abs(), read[2]), (0.0, 0.8));
        bench.follow(0.02, |_| 300.0, |_, _, _| {});
    }
    assert!((rpm(&bench) - 300.0).abs() < 5.0, "{} rpm", rpm(&bench));
    let share = at_300(&["speed-lost=0.5"]).numbers("MEAS:DRIV?")[1];
    assert!((share - 150.0).abs() < 3.0, "{share} rpm");
}

#[test]
fn the_sign_of_the_speed_turns_over_at_its_moment_or_at_the_stop() {
    for (fault, before, driven, stopped) in [
        ("speed-sign-turns@2.2 s", 1.0, -1.0, -1.0),
        ("speed-sign-turns=0.45@2.2 s", 1.0, 0.1, 0.1),
        ("speed-sign-turns-at-stop", 1.0, 1.0, -1.0),
        ("speed-sign-turns-at-stop=0.45@2.2 s", 1.0, 1.0, 0.1),
    ] {
        let mut bench = at_300(&[fault]);
        let ratio = |bench: &mut Bench| bench.numbers("MEAS:DRIV?")[1] / rpm(bench);
        let first = ratio(&mut bench);
        bench.follow(0.2, |_| 300.0, |_, _, _| {});
        let second = ratio(&mut bench);
        stop(&mut bench);
        let third = ratio(&mut bench);
        for (found, expected) in [(first, before), (second, driven), (third, stopped)] {
            assert!((found - expected).abs() < 0.02, "{fault}: {found}, {expected} expected");
        }
    }
}

#[test]
fn a_board_that_restarts_is_silent_and_comes_back_with_other_settings() {
    let mut bench = at_300(&["board-restarts@2.2 s"]);
    let (identity, limit) = (bench.say("*IDN?"), bench.numbers("CONF:VOLT:LIM?")[0]);
    assert_eq!(bench.say("CONF:COMM:TIM?"), "100");
    bench.follow(0.08, |_| 300.0, |_, _, _| {});
    bench.wait(0.05);
    let truth = bench.twin.truth();
    assert_eq!((truth.state, truth.gates, truth.restarts), (DriveState::NotReady, false, 1));
    assert_eq!(bench.say("MEAS:DRIV?"), "build 1.3.2 starts");
    assert_eq!(bench.say("CONT:WORD 6;*OPC?"), "", "nothing is heard while it boots");
    bench.wait(0.3);
    assert!(says_off(&mut bench) && !bench.twin.truth().gates);
    let build = identity.rsplit_once(',').expect("four fields").0.to_string() + ",1.3.2";
    assert_eq!(bench.say("*IDN?"), build);
    assert_eq!(bench.say("CONF:COMM:TIM?"), "0");
    assert!((bench.numbers("CONF:VOLT:LIM?")[0] - 1.1 * limit).abs() < 1.0);
    bench.enable();
    bench.wait(1.0);
    assert!(bench.twin.truth().gates, "there is no command timeout any more");
    let settings = bench.twin.truth().settings;
    assert_eq!((settings.build, settings.command_timeout.micros()), ("1.3.2", 0));
}

#[test]
fn a_mild_restart_changes_nothing_but_the_state() {
    let mut bench = at_300(&["board-restarts=0.2@2.15 s"]);
    let before = bench.twin.truth().settings;
    let identity = bench.say("*IDN?");
    bench.follow(0.04, |_| 300.0, |_, _, _| {});
    bench.wait(0.1);
    assert_eq!(bench.say("*IDN?"), format!("build {} starts\n{identity}", before.build));
    assert_eq!((bench.twin.truth().settings, bench.twin.truth().restarts), (before, 1));
    bench.enable();
}
