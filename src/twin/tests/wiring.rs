use super::super::plant::Plant;
use super::*;
use crate::states::DriveState;

/// Two thirds of a step away or more from where it should be, or given up by the firmware.
fn fails_to_follow(fault: &str) -> bool {
    let mut bench = Bench::new(TwinSpec::demo(), &[fault]);
    bench.enable();
    let mut worst = 0f64;
    for i in 0..150 {
        if bench.twin.truth().gates {
            bench.say(&format!("SOUR:SPE {}", (2 * i).min(150)));
        }
        bench.wait(0.02);
        worst = worst.max((bench.twin.truth().speed / RPM - f64::from(2 * i.min(75))).abs());
    }
    worst > 100.0 || bench.twin.truth().state == DriveState::Fault
}

#[test]
fn a_reversed_resolver_or_swapped_phases_do_not_follow_and_a_sound_unit_does() {
    for (fault, fails) in [("resolver-reversed", true), ("phases-swapped", true), ("pedal-off-rest", false)] {
        assert_eq!(fails_to_follow(fault), fails, "{fault}");
    }
}

/// Turned by hand, gates off: the sense shows by the sign of the speed alone.
#[test]
fn a_reversed_resolver_turns_backwards_when_turned_by_hand() {
    for (faults, sign) in [(vec![], 1.0), (vec!["resolver-reversed"], -1.0)] {
        let mut bench = Bench::new(TwinSpec::demo(), &faults);
        bench.twin.plant.spin(60.0 * RPM);
        bench.wait(0.05);
        let speed = bench.numbers("MEAS:DRIV?")[1];
        assert!(speed * sign > 20.0, "{speed} rpm");
    }
}

/// Radius near one; noise small with the gates off, and with them on only while the casing is bonded (common practice). The
/// noise of an unbonded casing goes with the bus.
#[test]
fn gates_on_noise_needs_a_loose_bond() {
    let noise = |faults: &[&str], transformer: f64, gates: bool| {
        let mut spec = TwinSpec::demo();
        spec.supply.transformer = transformer;
        let mut bench = Bench::new(spec, faults);
        if gates {
            bench.enable();
            bench.follow(1.0, |_| 0.0, |_, _, _| {});
        } else {
            bench.wait(1.0);
        }
        let line = bench.numbers("MEAS:RES?");
        assert!((line[2] - 1.0).abs() < if faults.is_empty() { 0.02 } else { 0.3 }, "radius {}", line[2]);
        line[3]
    };
    let (off, on) = (noise(&[], 112.0, false), noise(&[], 112.0, true));
    assert!((1.2..2.5).contains(&off) && (1.8..4.0).contains(&on), "{off} {on} mrad");
    let loose = ["casing-unbonded"];
    assert!(noise(&loose, 112.0, false) < 2.5, "nothing switches");
    let unbonded = noise(&loose, 112.0, true);
    assert!((45.0..75.0).contains(&unbonded), "{unbonded} mrad");
    let half = noise(&loose, 57.0, true);
    assert!((half / unbonded - 0.5).abs() < 0.1, "{half} of {unbonded} mrad");
}

/// A joint of R in one lead of a machine at rest: with a voltage along that phase 1.5 (Rs + 2/3 R) i is all there is
/// (Kirchhoff with a free star point), and the energies still balance.
#[test]
fn a_bad_joint_takes_two_thirds_of_its_resistance() {
    let mut spec = TwinSpec::demo();
    (spec.rotor.friction, spec.rotor.breakaway) = (1e3, 1e3);
    let mut plant = Plant::new(&spec, 0.0);
    plant.joint = 0.3;
    let start = plant.energy();
    for _ in 0..20_000 {
        plant.advance(Some([2.0, 0.0]));
    }
    let [a, b, c] = plant.phase_currents();
    let expected = 2.0 / (0.018 + 2.0 / 3.0 * 0.3);
    assert!((a / expected - 1.0).abs() < 1e-3 && (b - c).abs() < 1e-6, "{a} {b} {c} A");
    let energy = plant.energy();
    let residual = energy.residual_since(&start).abs() / (energy.copper - start.copper);
    assert!(residual < 2e-3, "{residual}");
}

/// Whatever the joint, the currents stay those of the resistances once they have settled, and never leave what voltage and
/// resistance allow by more than a swing: 10 V over 0.5 Ohm, with inductances of 30 uH whose L/R is far less than a step.
#[test]
fn no_joint_is_so_bad_that_the_currents_run_away() {
    for severity in [1.0, 3.0, 31.0, 100.0] {
        for inductance in [30e-6, 0.3e-3] {
            let mut spec = TwinSpec::demo();
            (spec.rotor.friction, spec.rotor.breakaway) = (1e3, 1e3);
            (spec.machine.resistance, spec.machine.inductance_d) = (0.5, inductance);
            spec.machine.inductance_q = inductance;
            let mut plant = Plant::new(&spec, 0.7);
            plant.joint = 0.3 * severity;
            let mut most = 0f64;
            for _ in 0..5_000 {
                plant.advance(Some([10.0, 0.0]));
                let [d, q] = plant.current();
                most = most.max(d.hypot(q));
            }
            let expected = 10.0 / (0.5 + 2.0 / 3.0 * plant.joint);
            let [a, b, c] = plant.phase_currents();
            assert!((a / expected - 1.0).abs() < 1e-3 && (b - c).abs() < 1e-6, "{severity}: {a} {b} {c} A");
            assert!(most < 40.0, "{severity}, {inductance} H: {most} A");
        }
    }
    // And with the loops closed around it, at speed.
    let mut bench = Bench::new(TwinSpec::demo(), &["weak-phase=100@0.5 s"]);
    bench.enable();
    let mut most = 0f64;
    bench.follow(1.0, |_| 60.0, |_, _, truth| most = most.max(truth.current_d.hypot(truth.current_q)));
    assert!(most < 150.0, "{most} A");
}

/// What is coupled turns with the rotor: left alone at 600 rpm with twice the inertia it loses speed half as fast.
#[test]
fn what_is_coupled_turns_with_the_shaft() {
    let lost = |coupled_inertia: f64| {
        let spec = TwinSpec { coupled_inertia, ..TwinSpec::demo() };
        let mut plant = Plant::new(&spec, 0.0);
        plant.spin(600.0 * RPM);
        for _ in 0..1_000 {
            plant.advance(None);
        }
        600.0 * RPM - plant.speed()
    };
    let ratio = lost(0.0) / lost(TwinSpec::demo().rotor.inertia);
    assert!((ratio - 2.0).abs() < 0.02, "{ratio}");
}

/// A second onset of a fault, milder than the first, mends nothing.
#[test]
fn a_milder_onset_heals_no_fault() {
    let left = |fault: &str| {
        let (first, second) = (format!("{fault}=1@0.2 s"), format!("{fault}=0.05@0.4 s"));
        let mut bench = Bench::new(TwinSpec::demo(), &[&first, &second]);
        bench.wait(0.5);
        let Twin { thermal, sensors, .. } = &bench.twin;
        match fault {
            "no-coolant" => thermal.pump.fill,
            "coolant-air-locked" => thermal.pump.primed,
            "pump-dying" => 1.0 - thermal.pump.wear,
            "open-winding-sensor" => 1.0 - sensors.winding_open,
            _ => sensors.spec.casing_bond,
        }
    };
    for fault in ["no-coolant", "coolant-air-locked", "pump-dying", "open-winding-sensor", "casing-unbonded"]
    {
        assert_eq!(left(fault), 0.0, "{fault}");
    }
}

/// A brake takes its torque at any speed, a second machine in proportion to speed up to its largest: power is torque times
/// speed.
#[test]
fn loads_take_their_torque_out_of_the_shaft() {
    let machine = LoadSpec::Machine { per_speed: 0.1, torque_max: 4.0 };
    for (load, torque) in [
        (LoadSpec::Brake { torque: 3.0 }, 3.0),
        (machine, 0.1 * 300.0 * RPM),
        (LoadSpec::Machine { per_speed: 1.0, torque_max: 4.0 }, 4.0),
    ] {
        let mut bench = Bench::new(TwinSpec { load, ..TwinSpec::demo() }, &[]);
        bench.enable();
        bench.follow(4.0, |t| (200.0 * t).min(300.0), |_, _, _| {});
        let before = bench.twin.truth().energy;
        bench.follow(1.0, |_| 300.0, |_, _, _| {});
        let taken = bench.twin.truth().energy.load - before.load;
        assert!((taken / (torque * 300.0 * RPM) - 1.0).abs() < 5e-3, "{load:?}: {taken} J");
    }
    let mut bench = Bench::new(TwinSpec { load: LoadSpec::Brake { torque: 30.0 }, ..TwinSpec::demo() }, &[]);
    bench.enable();
    bench.follow(1.0, |t| 100.0 * t, |_, _, _| {});
    assert_eq!(bench.twin.truth().speed, 0.0, "more than the current limit can turn");
}
