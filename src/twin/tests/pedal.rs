use super::*;
use crate::states::DriveState;

/// A bench whose simulated person works the pedal through these points after the drive is handed over.
fn bench(points: &[(f64, f64)], faults: &[&str]) -> Bench {
    let pedal = vec![PedalProgram { points: points.to_vec() }];
    Bench::new(TwinSpec { pedal, ..TwinSpec::demo() }, faults)
}

/// Hands the drive over with so much speed at full pedal, and looks every millisecond.
fn by_hand(bench: &mut Bench, full: f64, seconds: f64, mut look: impl FnMut(f64, &Truth)) {
    bench.say("SOUR:PED 0");
    bench.enable();
    for i in 0..(seconds * 1000.0).round() as usize {
        if i % 20 == 0 {
            assert_eq!(bench.say(&format!("SOUR:PED {full:.1};*OPC?")), "1");
        }
        bench.wait(0.001);
        look(i as f64 * 1e-3, &bench.twin.truth());
    }
}

/// Half of the travel is half of the speed at full pedal, reached no faster than the controller's own rate, and whoever
/// lifts the foot coasts: no torque brakes.
#[test]
fn the_pedal_sets_the_speed_and_lifting_it_coasts() {
    let mut bench = bench(&[(0.5, 0.0), (0.6, 0.5), (6.0, 0.5), (6.1, 0.0)], &[]);
    let (mut held, mut steepest, mut braking, mut before, mut later) = (Vec::new(), 0f64, 0f64, 0.0, 0.0);
    by_hand(&mut bench, 800.0, 8.0, |t, truth| {
        if (4.5..6.0).contains(&t) {
            held.push(truth.speed / RPM);
        }
        if t < 4.0 && ((t * 1000.0).round() as usize).is_multiple_of(100) {
            steepest = steepest.max((truth.speed / RPM - before) / 0.1);
            before = truth.speed / RPM;
        }
        if t > 6.3 {
            braking = braking.min(truth.torque);
        }
        if (6.9..7.0).contains(&t) {
            later = truth.speed / RPM;
        }
    });
    let mean = held.iter().sum::<f64>() / held.len() as f64;
    // The two tracks are read with 0.06 and 0.11 % of noise, and the lower of them counts.
    assert!((mean - 400.0).abs() < 3.0, "{mean} rpm");
    // 300 rpm/s is its setting; a loop that has fallen behind catches up a little faster.
    assert!((250.0..360.0).contains(&steepest), "{steepest} rpm/s");
    // Offsets of 0.12 A and noise of 0.25 A in the current sensors are some 0.1 Nm at 0.39 Nm/A.
    assert!(braking > -0.2, "{braking} Nm");
    // 0.8 Nm of friction and 0.0045 Nm s/rad of drag on 0.03 kg m2 take some 310 rpm off in a second: 0.9 s after the foot was
    // lifted about 110 rpm are left.
    assert!((60.0..180.0).contains(&later), "{later} rpm");
}

/// A foot that is on the pedal before the drive is handed over asks for nothing until it has been lifted once.
#[test]
fn a_pedal_that_has_not_been_seen_released_is_not_followed() {
    let mut fastest = [0f64; 2];
    let mut pressed = bench(&[(0.0, 0.4), (3.0, 0.4), (3.1, 0.0), (3.3, 0.0), (3.4, 0.4), (6.0, 0.4)], &[]);
    by_hand(&mut pressed, 600.0, 6.0, |t, truth| {
        let part = usize::from(t > 3.3);
        fastest[part] = fastest[part].max(truth.speed / RPM);
    });
    assert!(fastest[0] < 1.0 && fastest[1] > 200.0, "{fastest:?} rpm");
}

/// More than 10 % apart for more than 100 ms take the torque away (a student-competition rule); the drive stays on.
#[test]
fn tracks_that_come_apart_take_the_torque_away() {
    let mut bench = bench(&[(0.2, 0.0), (0.3, 0.5), (60.0, 0.5)], &["pedal-tracks-apart@5 s"]);
    let mut torque = (0f64, 0f64);
    by_hand(&mut bench, 600.0, 7.0, |t, truth| {
        if (3.5..4.5).contains(&t) {
            torque.0 = torque.0.max(truth.torque);
        } else if t > 5.3 {
            torque.1 = torque.1.max(truth.torque);
        }
    });
    // As above: 0.1 Nm are the current sensors' own.
    assert!(torque.0 > 0.5 && torque.1 < 0.2, "{torque:?} Nm");
    assert_eq!(bench.twin.truth().state, DriveState::OperationEnabled);
}

/// The command timeout, the speed limit and the current limit hold whoever drives.
#[test]
fn by_hand_the_controllers_own_limits_hold() {
    let mut bench = bench(&[(0.2, 0.0), (0.3, 1.0), (60.0, 1.0)], &[]);
    assert_eq!(bench.say("SOUR:PED 2300;:SYST:ERR?"), "-222,\"Data out of range\"");
    assert_eq!(bench.say("SOUR:PED -1;:SYST:ERR?"), "-222,\"Data out of range\"");
    let mut most = 0f64;
    by_hand(&mut bench, 600.0, 4.0, |_, truth| most = most.max(truth.current_q));
    assert!(most < 24.0 * 1.2, "{most} A");
    assert_eq!(
        bench.say("SOUR:SPE 100;:SYST:ERR?"),
        "-221,\"Settings conflict\"",
        "not while driving by hand"
    );
    bench.wait(0.2);
    assert_eq!(bench.twin.truth().state, DriveState::Fault);
    assert!(bench.events().iter().any(|(_, e)| *e == "gates off: command timeout"), "{:?}", bench.events());
}

fn by_torque(bench: &mut Bench, torque: f64, seconds: f64, mut look: impl FnMut(f64, &Truth)) {
    bench.say("SOUR:TORQ 0");
    bench.enable();
    for i in 0..(seconds * 1000.0).round() as usize {
        if i % 20 == 0 {
            assert_eq!(bench.say(&format!("SOUR:TORQ {torque:.2};*OPC?")), "1");
        }
        bench.wait(0.001);
        look(i as f64 * 1e-3, &bench.twin.truth());
    }
}

/// Newton's law as the outside value: the torque told, less what friction takes, over the inertia. The machine gives
/// 1.5 p psi iq (surface-magnet part of the textbook equation: d current is held at zero).
#[test]
fn a_torque_demand_gives_that_torque_and_the_speed_limit_holds_it() {
    let mut bench = Bench::new(TwinSpec::demo(), &[]);
    let (mut torque, mut n) = (0.0, 0);
    let mut speeds = [0.0; 2];
    by_torque(&mut bench, 3.0, 1.5, |t, truth| {
        if (0.5..1.0).contains(&t) {
            torque += truth.torque;
            n += 1;
        }
        if (t - 0.5).abs() < 5e-4 {
            speeds[0] = truth.speed;
        } else if (t - 1.0).abs() < 5e-4 {
            speeds[1] = truth.speed;
        }
    });
    let mean = torque / f64::from(n);
    // Current sensors are off by up to 0.3 % and 0.1 A of 8 A.
    assert!((mean / 3.0 - 1.0).abs() < 0.02, "{mean} Nm");
    let (spec, machine) = (TwinSpec::demo().rotor, TwinSpec::demo().machine);
    let middle = 0.5 * (speeds[0] + speeds[1]);
    let field = f64::from(machine.pole_pairs) * middle / TAU;
    let iron = (machine.iron_hysteresis * field + machine.iron_eddy * field * field) / middle;
    let held = spec.friction + spec.drag * middle + spec.windage * middle * middle + iron;
    let expected = (mean - held) / spec.inertia;
    let gained = (speeds[1] - speeds[0]) / 0.5;
    assert!((gained / expected - 1.0).abs() < 0.02, "{gained} and {expected} rad/s2");

    let mut bench = Bench::new(TwinSpec::demo(), &[]);
    let mut fastest = 0f64;
    by_torque(&mut bench, 5.0, 8.0, |_, truth| fastest = fastest.max(truth.speed / RPM));
    assert!((2100.0..2200.0).contains(&fastest), "its own limit of 2200 rpm holds it: {fastest} rpm");
    assert_eq!(bench.twin.truth().state, DriveState::OperationEnabled);
    assert_eq!(bench.say("SOUR:TORQ 9.5;:SYST:ERR?"), "-222,\"Data out of range\"");
    assert_eq!(bench.say("SOUR:TORQ?"), "5.00");
}
