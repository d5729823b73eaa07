use super::super::plant::{PERIOD, Plant, torque};
use super::*;

/// Parameters published with the PyPI package `gym-electric-motor`: p 3, psi 65.65 mWb,
/// Ld 0.37 mH, Lq 1.2 mH.
fn published() -> MachineSpec {
    MachineSpec {
        pole_pairs: 3,
        flux_linkage: 65.65e-3,
        resistance: 18e-3,
        inductance_d: 0.37e-3,
        inductance_q: 1.2e-3,
        flux_per_kelvin: 0.0,
        iron_hysteresis: 0.0,
        iron_eddy: 0.0,
    }
}

/// T = 1.5 p (psi iq + (Ld-Lq) id iq): (0, 100) -> 29.54 Nm, (-100, 200) -> 133.79 Nm.
/// Both worked out by hand: 4.5 x 65.65 mWb x 100 A; 4.5 x (65.65 + 83) mWb x 200 A.
#[test]
fn torque_agrees_with_the_published_machine() {
    for (i_d, i_q, expected) in [(0.0, 100.0, 29.54), (-100.0, 200.0, 133.79)] {
        let got = torque(&published(), 65.65e-3, i_d, i_q);
        assert!((got - expected).abs() < 0.01, "({i_d}, {i_q}): {got} Nm, not {expected} Nm");
    }
}

/// A supply that keeps its voltage: next to no resistance, DC-like through a huge capacitor.
fn stiff(bus: f64) -> SupplySpec {
    SupplySpec {
        transformer: bus / std::f64::consts::SQRT_2,
        crest: std::f64::consts::SQRT_2,
        frequency: 50.0,
        source_resistance: 1e-3,
        diode_drop: 0.0,
        capacitance: 100.0,
        bleeder: 1e9,
    }
}

fn frictionless(machine: MachineSpec, inertia: f64) -> TwinSpec {
    let mut spec = TwinSpec::demo();
    spec.machine = machine;
    spec.rotor = RotorSpec { inertia, friction: 0.0, breakaway: 0.0, drag: 0.0, windage: 0.0 };
    spec.supply = stiff(155.0);
    spec
}

/// A voltage of length Vdc/sqrt3 that runs with the rotor along q takes the published machine to
/// 4339 rpm on 155 V, and no further (derived: Vdc/sqrt3 = p w psi).
#[test]
fn no_load_speed_is_where_the_magnets_meet_the_voltage_limit() {
    let mut plant = Plant::new(&frictionless(published(), 0.01), 0.0);
    for _ in 0..30_000 {
        // Always a volt more than the magnets: in the end the inverter cannot follow.
        let voltage = above_emf(&plant, 1.0);
        plant.advance(Some(voltage));
    }
    let rpm = plant.speed() / RPM;
    assert!((rpm / 4339.0 - 1.0).abs() < 1e-3, "{rpm} rpm");
}

/// A voltage along q, turned ahead to the middle of the coming period.
fn along_q(plant: &Plant, volts: f64) -> [f64; 2] {
    in_stator_axes(plant, [0.0, volts])
}

/// A voltage along q by `lead` above the EMF, with the current along d held at zero.
fn above_emf(plant: &Plant, lead: f64) -> [f64; 2] {
    let m = &plant.machine;
    let omega = f64::from(m.pole_pairs) * plant.speed();
    let [_, i_q] = plant.current();
    in_stator_axes(plant, [-omega * m.inductance_q * i_q, omega * m.flux_linkage + lead])
}

fn in_stator_axes(plant: &Plant, [d, q]: [f64; 2]) -> [f64; 2] {
    let pairs = f64::from(plant.machine.pole_pairs);
    let (s, c) = (pairs * (plant.angle() + 0.5 * PERIOD * plant.speed())).sin_cos();
    [c * d - s * q, s * d + c * q]
}

/// EMF 35.72 V line to line, peak, per 1000 rpm (published machine): the voltage that lets the
/// spinning plant without current is the EMF.
#[test]
fn emf_per_thousand_rpm_agrees_with_the_published_machine() {
    for rpm in [-1000.0, 100.0, 1000.0, 4000.0] {
        // A large inertia stands for a drive that spins the machine.
        let mut plant = Plant::new(&frictionless(published(), 1e6), 0.7);
        plant.spin(rpm * RPM);
        let (mut low, mut high) = (-200.0, 200.0);
        for _ in 0..60 {
            let volts = 0.5 * (low + high);
            let mut tried = plant.clone();
            tried.advance(Some(along_q(&tried, volts)));
            if tried.current()[1] > 0.0 { high = volts } else { low = volts }
        }
        let per_thousand = low * 3f64.sqrt() / rpm * 1000.0;
        assert!((per_thousand / 35.72 - 1.0).abs() < 1e-3, "{rpm} rpm: {per_thousand} V");
    }
}

/// J dw/dt = -(Tc + b w): at rest after J/b ln(1 + b w0/Tc) (textbook closed form).
#[test]
fn a_coasting_rotor_stops_when_the_closed_form_says() {
    let mut spec = TwinSpec::demo();
    spec.rotor.windage = 0.0;
    (spec.machine.iron_hysteresis, spec.machine.iron_eddy) = (0.0, 0.0);
    let mut plant = Plant::new(&spec, 0.0);
    let start = spin_up(&mut plant, 1200.0 * RPM);
    let r = spec.rotor;
    let expected = r.inertia / r.drag * (1.0 + r.drag * start / r.friction).ln();
    let mut steps = 0;
    while plant.speed() > 0.0 {
        plant.advance(None);
        steps += 1;
    }
    let seconds = f64::from(steps) * PERIOD;
    assert!((seconds / expected - 1.0).abs() < 1e-3, "{seconds} s, not {expected} s");
    for _ in 0..1000 {
        plant.advance(None);
        assert_eq!(plant.speed(), 0.0, "friction holds it and does not chatter");
    }
}

/// Spins up by a voltage along q until `speed` is passed, then lets the current die out.
fn spin_up(plant: &mut Plant, speed: f64) -> f64 {
    while plant.speed() < speed {
        plant.advance(Some(above_emf(plant, 1.0)));
    }
    while plant.current() != [0.0; 2] {
        plant.advance(None);
    }
    plant.speed()
}

#[test]
fn breakaway_friction_holds_the_rotor_until_torque_exceeds_it() {
    let mut spec = frictionless(published(), 0.03);
    (spec.rotor.friction, spec.rotor.breakaway) = (0.8, 1.0);
    let per_ampere = torque(&published(), 65.65e-3, 0.0, 1.0);
    for (torque_held, turns) in [(0.95, false), (1.05, true)] {
        let mut plant = Plant::new(&spec, 0.0);
        // At rest the voltage along q is all resistance in the end.
        let volts = torque_held / per_ampere * spec.machine.resistance;
        for _ in 0..10_000 {
            if plant.speed() == 0.0 {
                plant.advance(Some(along_q(&plant, volts)));
            }
        }
        assert_eq!(plant.speed() > 0.0, turns, "{torque_held} Nm");
    }
}

/// Line-line peak of the EMF above the bus: the diodes conduct although the gates are off, and the
/// rotor is braked into the capacitor; below it nothing flows. Equal inductances here: a salient machine
/// that generates once goes on doing so some way below (known as its hysteresis; from memory).
#[test]
fn gates_off_brake_only_while_the_emf_exceeds_the_bus() {
    let mut spec = frictionless(MachineSpec { inductance_q: 0.37e-3, ..published() }, 0.03);
    spec.supply.capacitance = 4.7e-3;
    let mut plant = Plant::new(&spec, 0.0);
    spin_up(&mut plant, 4000.0 * RPM);
    let before = plant.speed();
    for _ in 0..5000 {
        plant.advance(None);
    }
    assert_eq!(plant.speed(), before, "4000 rpm is below the published 4339 rpm for 155 V");
    let softer = SupplySpec { capacitance: 0.1, ..stiff(100.0) };
    plant.supply = super::super::supply::Supply::new(softer, PERIOD);
    for _ in 0..20_000 {
        plant.advance(None);
    }
    let rpm = plant.speed() / RPM;
    // The bus over the EMF constant of 35.72 V per 1000 rpm, and the diodes' drop on top.
    let least = plant.supply.bus() / 35.72 * 1000.0;
    assert!((least..1.03 * least).contains(&rpm), "{rpm} rpm, not just above {least} rpm");
    assert!(plant.supply.bus() > 100.5, "the rotor's energy went into the capacitor");
}

/// Each loss has a formula of its own; what the balance leaves unexplained must come from the
/// step alone and shrink with it.
#[test]
fn the_energy_balance_closes_better_as_the_step_halves() {
    let residual = |substeps: u32| {
        let mut spec = TwinSpec::demo();
        spec.substeps = substeps;
        let mut plant = Plant::new(&spec, 0.0);
        let start = plant.energy();
        // It speeds up, then coasts, then brakes: copper, inverter, friction, ripple and the way back all take part.
        for i in 0..12_000 {
            let lead = match i {
                0..6_000 => Some(0.5),
                6_000..8_000 => None,
                _ => Some(-0.3),
            };
            let voltage = lead.map(|lead| above_emf(&plant, lead));
            plant.advance(voltage);
        }
        let energy = plant.energy();
        let through = energy.source - start.source + start.capacitor - energy.capacitor;
        assert!(through > 50.0, "enough energy to speak of: {through} J");
        energy.residual_since(&start).abs() / through
    };
    let [one, two, four] = [1, 2, 4].map(residual);
    assert!(one < 5e-3, "{one}");
    assert!(two < 0.6 * one && four < 0.6 * two, "{one} {two} {four}");
}

/// P = T 2 pi n / 60 and no loss made twice: in the steady state the supply gives what friction,
/// copper, inverter and bleeder take.
#[test]
fn steady_driving_draws_what_the_losses_add_up_to() {
    let mut bench = Bench::new(TwinSpec::demo(), &[]);
    bench.enable();
    bench.follow(6.0, |t| (t * 400.0).min(1000.0), |_, _, _| {});
    let start = bench.twin.truth();
    bench.follow(2.0, |_| 1000.0, |_, _, _| {});
    let end = bench.twin.truth();
    let (a, b) = (start.energy, end.energy);
    let shaft = (b.friction - a.friction) + (b.drag - a.drag) + (b.windage - a.windage);
    let r = TwinSpec::demo().rotor;
    let omega = 1000.0 * RPM;
    let expected = (r.friction + r.drag * omega + r.windage * omega * omega) * omega * 2.0;
    assert!((shaft / expected - 1.0).abs() < 2e-3, "{shaft} J, not {expected} J");
    let residual = b.residual_since(&a).abs() / (b.source - a.source);
    assert!(residual < 5e-3, "{residual}");
}

/// R is proportional to 235 + t (IEC 60034-1, from memory): the same current at 90.83 °C instead of
/// 20 °C loses 23/18 as much in the copper.
#[test]
fn a_hot_winding_loses_more_in_the_copper() {
    let lost = |celsius: f64| {
        let mut spec = TwinSpec::demo();
        spec.thermal.ambient = 273.15 + celsius;
        // Weaker magnets would need more current: that is another test's.
        spec.machine.flux_per_kelvin = 0.0;
        let mut bench = Bench::new(spec, &[]);
        bench.enable();
        bench.follow(4.0, |t| (200.0 * t).min(400.0), |_, _, _| {});
        let start = bench.twin.truth().energy.copper;
        bench.follow(2.0, |_| 400.0, |_, _, _| {});
        bench.twin.truth().energy.copper - start
    };
    let ratio = lost(90.83) / lost(20.0);
    assert!((ratio / (23.0 / 18.0) - 1.0).abs() < 5e-3, "{ratio}");
}
