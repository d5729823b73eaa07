use super::*;
use crate::states::DriveState;
use crate::time::Duration;

fn build(label: &str) -> TwinSpec {
    TwinSpec { build: find_build(label).expect("a build"), ..TwinSpec::demo() }
}

#[test]
fn a_ramp_with_heartbeats_is_followed_and_held() {
    let mut bench = Bench::new(TwinSpec::demo(), &[]);
    bench.enable();
    let (mut ramp, mut hold) = (0f64, 0f64);
    let mut square = 0.0;
    bench.follow(
        7.0,
        |t| (150.0 * t).min(600.0),
        |t, demand, truth| {
            let error = truth.speed / RPM - demand;
            if t < 4.0 {
                ramp = ramp.max(error.abs());
            } else if t > 5.0 {
                hold = hold.max(error.abs());
                square += error * error / 2000.0;
            }
        },
    );
    assert!(ramp < 20.0, "ramp: {ramp} rpm");
    assert!(hold < 3.0, "hold: {hold} rpm");
    assert!(square.sqrt() < 1.5, "hold: {} rpm rms", square.sqrt());
}

/// Overshoot of a step from 600 to 680 rpm, in % of the step, and whether it settled to 8 rpm
/// within 2 s.
fn step_response(spec: TwinSpec) -> (f64, bool, f64) {
    let mut bench = Bench::new(spec, &[]);
    bench.enable();
    bench.follow(7.0, |t| (150.0 * t).min(600.0), |_, _, _| {});
    let (mut top, mut late, mut most) = (0f64, 0f64, 0f64);
    bench.follow(
        4.0,
        |_| 680.0,
        |t, _, truth| {
            top = top.max(truth.speed / RPM);
            most = most.max(truth.current_q.abs());
            if t > 2.0 {
                late = late.max((truth.speed / RPM - 680.0).abs());
            }
        },
    );
    ((top - 680.0) / 0.8, late < 8.0, most)
}

#[test]
fn the_sound_build_steps_with_little_overshoot() {
    let (overshoot, settled, _) = step_response(TwinSpec::demo());
    assert!((0.0..15.0).contains(&overshoot), "{overshoot} %");
    assert!(settled);
}

#[test]
fn the_build_that_winds_up_overshoots_far_and_saturates() {
    let spec = build("1.5.0-rc1");
    let (overshoot, _, most) = step_response(spec.clone());
    assert!(overshoot > 40.0, "{overshoot} %");
    assert!(most > 0.95 * spec.limits.current, "{most} A");
    let guarded = Build { windup_guard: true, ..spec.build };
    let (with_guard, _, _) = step_response(TwinSpec { build: guarded, ..spec });
    assert!(with_guard < overshoot - 5.0, "the guard takes part of it: {with_guard} % of {overshoot} %");
}

/// The worst ends of the demo unit's nameplate ranges.
#[test]
fn the_sound_build_drives_every_unit_within_the_nameplate() {
    for (inertia, friction, drag, flux) in
        [(0.028, 0.6, 0.003, 67e-3), (0.032, 1.0, 0.006, 63e-3), (0.028, 1.0, 0.006, 67e-3)]
    {
        let mut spec = TwinSpec::demo();
        spec.rotor = RotorSpec { inertia, friction, breakaway: 1.15 * friction, drag, ..spec.rotor };
        spec.machine.flux_linkage = flux;
        let (overshoot, settled, _) = step_response(spec);
        assert!((0.0..20.0).contains(&overshoot) && settled, "{inertia} {friction}: {overshoot} %");
    }
}

#[test]
fn withheld_demands_take_the_gates_off_within_the_timeout_and_a_step() {
    let mut bench = Bench::new(TwinSpec::demo(), &[]);
    bench.enable();
    bench.follow(2.0, |t| 150.0 * t, |_, _, _| {});
    bench.say("SOUR:SPE 300");
    let last = bench.now;
    while bench.now - last < Duration::from_millis(300) {
        // Everything but a demand: none of it keeps the drive going.
        bench.say("MEAS:DRIV?;*OPC?;:SOUR:PUMP 80;:SOUR:SPE?;:CONT:WORD 15");
        bench.wait(0.005);
    }
    let row = bench.rows.iter().find(|r| r.event.as_deref() == Some("gates off: command timeout"));
    let row = row.expect("the timeout is in the truth log");
    let after = (row.truth.t - last).micros();
    assert!((100_000..=100_100).contains(&after), "{after} us");
    assert!(!row.truth.gates && row.truth.state == DriveState::Fault);
    assert!(bench.twin.truth().current_q == 0.0);
    assert_eq!(bench.say("SYST:ERR?"), "101,\"command timeout\"");
}

#[test]
fn the_build_without_a_timeout_drives_on_and_admits_it() {
    let mut bench = Bench::new(build("1.5.0-rc2"), &[]);
    assert_eq!(bench.say("CONF:COMM:TIM?"), "0");
    bench.enable();
    bench.follow(2.0, |t| 150.0 * t, |_, _, _| {});
    bench.wait(2.0);
    let truth = bench.twin.truth();
    assert!(truth.gates && (truth.speed / RPM - 297.0).abs() < 5.0, "{truth:?}");
}

#[test]
fn control_word_zero_takes_the_gates_off_at_once_and_the_rotor_coasts() {
    let mut bench = Bench::new(TwinSpec::demo(), &[]);
    bench.enable();
    bench.follow(3.0, |t| (200.0 * t).min(500.0), |_, _, _| {});
    assert_eq!(bench.say("CONT:WORD 0;*OPC?"), "1");
    let stop = bench.now.micros();
    assert_eq!(bench.events().last(), Some(&(stop, "gates off: control word 0")));
    bench.wait(0.01);
    let truth = bench.twin.truth();
    assert!(!truth.gates && truth.current_q == 0.0 && truth.speed > 480.0 * RPM, "{truth:?}");
    bench.wait(10.0);
    assert_eq!(bench.twin.truth().speed, 0.0);
    let reading = bench.say("MEAS:DRIV?");
    let current: f64 = reading.split(',').nth(2).expect("a current").parse().expect("a number");
    assert!(current < 0.6, "{current} A");
}

/// A turning rotor is caught at its own speed: enabling must not jerk.
#[test]
fn enabling_while_coasting_begins_from_the_speed_there_is() {
    let mut bench = Bench::new(TwinSpec::demo(), &[]);
    bench.enable();
    bench.follow(3.0, |t| (200.0 * t).min(500.0), |_, _, _| {});
    bench.say("CONT:WORD 0");
    bench.wait(0.2);
    let mut most = 0f64;
    for word in [6, 7, 15] {
        bench.say(&format!("CONT:WORD {word}"));
    }
    for _ in 0..20 {
        bench.say("SOUR:SPE 450");
        bench.wait(0.001);
        most = most.max(bench.twin.truth().current_q.abs());
    }
    assert!(most < 15.0, "{most} A");
}

#[test]
fn quick_stop_slows_down_and_ends_with_the_gates_off() {
    let mut bench = Bench::new(TwinSpec::demo(), &[]);
    bench.enable();
    bench.follow(3.0, |t| (200.0 * t).min(300.0), |_, _, _| {});
    bench.say("CONT:WORD 2");
    assert_eq!(bench.twin.truth().state, DriveState::QuickStopActive);
    bench.wait(3.0);
    assert_eq!(bench.twin.truth().state, DriveState::SwitchOnDisabled);
    assert!(bench.events().iter().any(|(_, e)| *e == "gates off: quick stop done"));
}

/// One row per fault: what the truth log and the readings show of it while driving at 400 rpm.
#[test]
fn faults_show_where_they_should() {
    let drive = |faults: &[&str]| {
        let mut bench = Bench::new(TwinSpec::demo(), faults);
        bench.say("SOUR:PUMP 80");
        bench.enable();
        let mut ripple = (f64::MAX, f64::MIN);
        bench.follow(
            5.0,
            |t| (200.0 * t).min(400.0),
            |t, _, truth| {
                if t > 4.0 {
                    ripple = (ripple.0.min(truth.bus), ripple.1.max(truth.bus));
                }
            },
        );
        (bench, ripple.1 - ripple.0)
    };
    let (mut sound, sound_ripple) = drive(&[]);
    let slow = |bench: &mut Bench, field: usize| -> f64 {
        bench.say("MEAS:SLOW?").split(',').nth(field).expect("a field").parse().expect("a number")
    };
    let iq = |bench: &Bench| bench.twin.truth().current_q;

    let (bench, _) = drive(&["weak-magnets"]);
    assert!((iq(&bench) / iq(&sound) - 1.0 / 0.85).abs() < 0.1, "{} {}", iq(&bench), iq(&sound));
    let (bench, _) = drive(&["high-friction"]);
    assert!(iq(&bench) > 2.5 * iq(&sound), "{} A", iq(&bench));
    let (_, ripple) = drive(&["rectifier-leg-dead"]);
    assert!(ripple > 1.5 * sound_ripple, "{ripple} V, sound {sound_ripple} V");
    let (bench, _) = drive(&["bus-low@1 s"]);
    assert!(bench.twin.truth().bus < 110.0, "{} V", bench.twin.truth().bus);
    let (mut bench, _) = drive(&["pedal-off-rest"]);
    assert!((slow(&mut bench, 3) - 12.0).abs() < 0.5 && slow(&mut sound, 3).abs() < 0.5);
    let (bench, _) = drive(&["resolver-offset"]);
    assert!(bench.twin.truth().current_d.abs() > 0.2 * iq(&bench), "{:?}", bench.twin.truth());
    let (mut bench, _) = drive(&["resolver-noise"]);
    let noise = |bench: &mut Bench| {
        let mut square = 0.0;
        bench.follow(0.4, |_| 400.0, |_, _, _| {});
        for _ in 0..200 {
            bench.say("SOUR:SPE 400");
            bench.wait(0.002);
            let text = bench.say("MEAS:DRIV?");
            let rpm: f64 = text.split(',').nth(1).expect("a speed").parse().expect("a number");
            square += (rpm - 400.0).powi(2) / 200.0;
        }
        square.sqrt()
    };
    let (sound_noise, unbonded) = (noise(&mut sound), noise(&mut bench));
    assert!(unbonded > 5.0 * sound_noise, "{unbonded} rpm, sound {sound_noise} rpm");
    let (mut bench, _) = drive(&["current-offset@1 s"]);
    bench.say("CONT:WORD 0");
    bench.wait(0.1);
    let text = bench.say("MEAS:DRIV?");
    let current: f64 = text.split(',').nth(2).expect("a current").parse().expect("a number");
    assert!((current - 8.0 / 3f64.sqrt()).abs() < 0.3, "{current} A with the gates off");
}

#[test]
fn an_open_stop_loop_takes_torque_off_whatever_the_firmware_wants() {
    // The onset lies between two looks of the firmware at the loop.
    let mut bench = Bench::new(TwinSpec::demo(), &["stop-loop-open@2.0003 s"]);
    bench.enable();
    bench.follow(1.88, |t| 150.0 * t, |_, _, _| {});
    assert!(bench.twin.truth().gates);
    bench.say("SOUR:SPE 280");
    bench.wait(0.05);
    let onset = bench.rows.iter().find(|r| r.event.as_deref() == Some("onset of stop-loop-open"));
    let truth = onset.expect("the onset is logged").truth;
    assert!(!truth.gates && truth.state == DriveState::OperationEnabled, "{truth:?}");
    assert_eq!(bench.twin.truth().state, DriveState::Fault);
    assert!(bench.events().iter().any(|(_, e)| e.ends_with(": stop loop open")), "{:?}", bench.events());
    // A reset does not help while the loop is open: driving stays refused.
    for word in [128, 6, 7, 15] {
        bench.say(&format!("CONT:WORD {word}"));
        bench.wait(0.005);
        assert!(!bench.twin.truth().gates, "after {word}");
    }
}

/// One row per limit: set it so that driving must cross it, and what the firmware then says.
#[test]
fn the_firmware_keeps_its_own_limits() {
    let ambient = TwinSpec::demo().thermal.ambient;
    type Set = fn(&mut LimitSpec, f64);
    let rows: &[(&str, Set)] = &[
        ("overcurrent", |l, _| l.overcurrent = 4.0),
        ("winding too hot", |l, ambient| l.winding = ambient - 5.0),
        ("inverter too hot", |l, ambient| l.inverter = ambient - 5.0),
        ("bus too high", |l, _| l.bus_high = 150.0),
        ("bus too low", |l, _| l.bus_low = 170.0),
        ("overspeed", |l, _| l.speed = 100.0 * RPM),
    ];
    for (words, set) in rows {
        let mut spec = TwinSpec::demo();
        set(&mut spec.limits, ambient);
        let mut bench = Bench::new(spec, &[]);
        for word in [6, 7, 15] {
            bench.say(&format!("CONT:WORD {word}"));
            bench.wait(0.002);
        }
        for i in 0..100 {
            bench.say(&format!("SOUR:SPE {}", (20 * i).min(100)));
            if *words == "overspeed" && i == 50 {
                // Something outside turns the shaft faster than the firmware would.
                bench.twin.plant.spin(120.0 * RPM);
            }
            bench.wait(0.02);
        }
        let truth = bench.twin.truth();
        assert!(!truth.gates && truth.state == DriveState::Fault, "{words}: {:?}", bench.events());
        let told = bench.events().iter().any(|(_, e)| e.ends_with(&format!(": {words}")));
        assert!(told, "{words}: {:?}", bench.events());
    }
}

/// On a bus of 74 to 83 V the magnets reach the voltage limit below 1600 rpm: the machine goes no faster,
/// and comes back at once when it is told to (the loops have not wound up).
#[test]
fn at_the_voltage_limit_it_goes_no_faster_and_comes_back_at_once() {
    let mut spec = TwinSpec::demo();
    spec.supply.transformer = 60.0;
    let mut bench = Bench::new(spec.clone(), &[]);
    bench.enable();
    let (mut bus, mut speed) = (0.0, 0.0);
    bench.follow(
        8.0,
        |t| (400.0 * t).min(2200.0),
        |t, _, truth| {
            if t >= 7.0 {
                bus += truth.bus / 1000.0;
                speed += truth.speed / 1000.0;
            }
        },
    );
    // Means over whole waves of the ripple; the firmware uses 97 % of what it sees.
    let most = bus / 3f64.sqrt() / spec.machine.flux_linkage / 4.0;
    assert!((0.95..1.0).contains(&(speed / most)), "{speed} of {most} rad/s");
    let mut late = 0f64;
    // Below what the valleys of the ripple still allow.
    bench.follow(
        2.0,
        |_| 1450.0,
        |t, _, truth| {
            if t > 0.8 {
                late = late.max((truth.speed / RPM - 1450.0).abs());
            }
        },
    );
    assert!(late < 10.0, "{late} rpm");
}

/// The voltage is put out 1.5 periods after the angle was read; at the speeds of the van that is half
/// a radian, and the firmware must turn it ahead by as much.
#[test]
fn current_stays_under_control_at_the_speeds_of_the_van() {
    let mut spec = TwinSpec::demo();
    spec.supply.transformer = 280.0;
    spec.limits.bus_high = 450.0;
    spec.limits.speed = 9000.0 * RPM;
    let mut bench = Bench::new(spec, &[]);
    bench.twin.plant.spin(7000.0 * RPM);
    bench.wait(0.1);
    bench.enable();
    let (mut d, mut q) = (0f64, 0f64);
    bench.follow(
        0.5,
        |t| if t < 0.2 { 6900.0 } else { 7000.0 },
        |t, _, truth| {
            if t > 0.1 {
                d = d.max(truth.current_d.abs());
                q = q.max(truth.current_q.abs());
            }
        },
    );
    assert!(bench.twin.truth().gates, "{:?}", bench.events());
    assert!(q > 10.0 && d < 0.1 * q, "d {d} A, q {q} A");
}

/// A resolver offset beyond 90 electrical degrees is positive feedback: the machine runs away from
/// its demand until the controller's own limits end it (common practice).
#[test]
fn a_resolver_wrong_by_more_than_a_quarter_turn_runs_away_until_a_limit_ends_it() {
    let mut bench = Bench::new(TwinSpec::demo(), &["resolver-offset=8"]);
    bench.enable();
    for _ in 0..200 {
        if bench.twin.truth().gates {
            bench.say("SOUR:SPE 60");
        }
        bench.wait(0.02);
    }
    let fast = bench.rows.iter().map(|r| r.truth.speed.abs()).fold(0.0, f64::max) / RPM;
    assert!(fast > 1000.0, "{fast} rpm");
    assert_eq!(bench.twin.truth().state, DriveState::Fault);
}

#[test]
fn without_coolant_the_inverter_heats_faster() {
    let rise = |faults: &[&str]| {
        let mut spec = TwinSpec::demo();
        // A load of 10 Nm makes losses that can be told apart within a minute.
        (spec.rotor.friction, spec.rotor.breakaway) = (10.0, 10.0);
        let mut bench = Bench::new(spec, faults);
        bench.say("SOUR:PUMP 80");
        bench.enable();
        bench.follow(60.0, |t| (100.0 * t).min(300.0), |_, _, _| {});
        bench.twin.truth().inverter - TwinSpec::demo().thermal.ambient
    };
    let (sound, dry) = (rise(&[]), rise(&["no-coolant"]));
    assert!(dry > 2.0 * sound, "{dry} K, sound {sound} K");
}
