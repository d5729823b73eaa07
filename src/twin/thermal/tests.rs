use super::super::spec::TwinSpec;
use super::*;

fn thermal(change: impl Fn(&mut ThermalSpec, &mut CoolingSpec)) -> Thermal {
    let TwinSpec { mut thermal, mut cooling, .. } = TwinSpec::demo();
    change(&mut thermal, &mut cooling);
    Thermal::new(thermal, cooling)
}

/// Runs with constant losses in W for `seconds`.
fn heat(thermal: &mut Thermal, watt: Heat, pump: f64, dt: f64, seconds: f64) {
    let each = Heat {
        copper: watt.copper * dt,
        iron: watt.iron * dt,
        friction: watt.friction * dt,
        windage: watt.windage * dt,
        inverter: watt.inverter * dt,
    };
    for _ in 0..(seconds / dt).round() as usize {
        thermal.step_of(dt, &each, pump);
    }
}

const LOSSES: Heat = Heat { copper: 800.0, iron: 300.0, friction: 150.0, windage: 20.0, inverter: 600.0 };

/// First order: 63.212 % at tau = C/G, and P/G in the end (textbook closed form). The
/// inverter on a loop so large that its temperature stays.
#[test]
fn a_node_rises_to_63_percent_at_tau_and_settles_at_power_over_conductance() {
    let mut thermal = thermal(|_, c| c.volume = 1e4);
    heat(&mut thermal, Heat::default(), 0.8, THERMAL_STEP, 5.0);
    let s = thermal.spec;
    let conductance = s.inverter_to_coolant * thermal.convection.1;
    let tau = s.inverter_capacity / conductance;
    let watt = Heat { inverter: 500.0, ..Heat::default() };
    heat(&mut thermal, watt, 0.8, tau / 2000.0, tau);
    let end = 500.0 / conductance;
    let share = (thermal.inverter() - s.ambient) / end;
    assert!((share - 0.63212).abs() < 1e-4, "{share}");
    heat(&mut thermal, watt, 0.8, tau / 2000.0, 20.0 * tau);
    let rise = (thermal.inverter() - thermal.coolant_back()) / end;
    assert!((rise - 1.0).abs() < 1e-3, "{rise}");
}

/// Resistances in series: with the casing's way shut, all heat goes through the water, and every rise is a sum of P/G
/// (Fourier's law, by hand). Q = m' cp dT for the two halves of the loop.
#[test]
fn steady_states_meet_the_closed_forms_within_a_thousandth() {
    let mut thermal = thermal(|t, c| {
        (t.iron_to_casing, t.casing_to_ambient, c.hoses) = (0.0, 9.0, 0.0);
    });
    heat(&mut thermal, LOSSES, 0.8, 0.25, 40_000.0);
    let (s, c) = (thermal.spec, thermal.cooling);
    let all = LOSSES.copper + LOSSES.iron + LOSSES.windage + LOSSES.inverter;
    let stator = all - LOSSES.inverter;
    let carried = thermal.pump.flow() * c.density * c.specific_heat;
    let share = thermal.convection.1;
    let cold = all / c.radiator;
    let hot = cold + all / carried;
    let iron = hot + stator / (s.iron_to_coolant * share);
    let magnets = iron + (s.rotor_share * LOSSES.iron + LOSSES.windage) / s.magnet_to_iron;
    for (name, got, expected) in [
        ("cold", thermal.coolant(), cold),
        ("hot", thermal.coolant_back(), hot),
        ("iron", thermal.iron(), iron),
        ("winding", thermal.winding(), iron + LOSSES.copper / s.winding_to_iron),
        ("magnets", thermal.magnets(), magnets),
        ("inverter", thermal.inverter(), hot + LOSSES.inverter / (s.inverter_to_coolant * share)),
        ("casing", thermal.casing(), LOSSES.friction / s.casing_to_ambient),
    ] {
        let rise = got - s.ambient;
        assert!((rise / expected - 1.0).abs() < 1e-3, "{name}: {rise} K, not {expected} K");
    }
    let [_, lost] = thermal.held_and_lost();
    assert!(lost > 0.0);
}

/// Q = m' cp dT: 8 L/min and 5 K of 50/50 ethylene glycol (1067 kg/m³, 3.4 kJ/kgK) carry 2.42 kW (handbook figures).
#[test]
fn coolant_carries_its_heat_at_five_kelvin() {
    let mut thermal = thermal(|t, c| (t.iron_to_casing, c.radiator, c.hoses) = (0.0, 400.0, 0.0));
    heat(&mut thermal, Heat::default(), 0.8, THERMAL_STEP, 10.0);
    let to_eight = 8e-3 / 60.0 / thermal.pump.flow();
    let watt = Heat { inverter: 2418.5 / to_eight, ..Heat::default() };
    heat(&mut thermal, watt, 0.8, 0.25, 5_000.0);
    let rise = thermal.coolant_back() - thermal.coolant();
    assert!((rise / 5.0 - 1.0).abs() < 1e-3, "{rise} K");
}

/// Adiabatic: 2152 W into 10 kg of copper at 385 J/kgK heats it at 0.559 K/s (textbook).
#[test]
fn the_first_second_is_adiabatic() {
    let mut thermal = thermal(|t, _| (t.winding_capacity, t.winding_to_iron) = (10.0 * 385.0, 0.5));
    heat(&mut thermal, Heat { copper: 2152.0, ..Heat::default() }, 0.0, THERMAL_STEP, 1.0);
    let rise = thermal.winding() - thermal.spec.ambient;
    assert!((rise - 0.559).abs() < 1e-3, "{rise}");
}

#[test]
fn standing_coolant_takes_a_few_percent_of_the_heat() {
    for (pump, primed) in [(0.0, 1.0), (1.0, 0.0)] {
        let mut thermal = thermal(|_, _| {});
        thermal.pump.primed = primed;
        heat(&mut thermal, Heat { inverter: 10.0, ..Heat::default() }, pump, 0.25, 80_000.0);
        let rise = thermal.inverter() - thermal.coolant_back();
        let expected = 10.0 / (thermal.spec.inverter_to_coolant * thermal.spec.still_share);
        assert!((rise / expected - 1.0).abs() < 1e-3, "{rise} K");
    }
}

/// (k+t2)/(k+t1) = R2/R1 with k = 235: 18.0 -> 23.0 mOhm from 20 °C is 90.83 °C (IEC 60034-1).
#[test]
fn copper_resistance_follows_the_resistance_method() {
    let hot = thermal(|t, _| t.ambient = ZERO_CELSIUS + 90.83);
    assert!((18.0 * hot.resistance_ratio() - 23.0).abs() < 1e-3, "{}", 18.0 * hot.resistance_ratio());
}

/// Heat in, heat held and heat gone to the room, each added up apart, leave nothing over at any step; and against a run
/// at a sixteenth of the step the temperatures close in with the square of it.
#[test]
fn the_heat_balance_closes_and_the_step_matters_less_as_it_halves() {
    let run = |dt: f64| {
        let mut thermal = thermal(|_, _| {});
        // The pump settles first: its lag is not what is looked at.
        heat(&mut thermal, Heat::default(), 0.8, 0.05, 20.0);
        heat(&mut thermal, LOSSES, 0.8, dt, 60.0);
        let put_in = 60.0 * (800.0 + 300.0 + 150.0 + 20.0 + 600.0);
        let [held, lost] = thermal.held_and_lost();
        (thermal.nodes, (put_in - held - lost).abs() / put_in)
    };
    let (fine, _) = run(0.05 / 16.0);
    let error = |dt: f64| -> f64 {
        let (nodes, residual) = run(dt);
        assert!(residual < 1e-9, "{residual} at {dt} s");
        nodes.iter().zip(&fine).map(|(a, b)| (a - b).abs()).sum()
    };
    let [whole, half] = [0.4, 0.2].map(error);
    assert!(half < 0.35 * whole, "{whole} K, {half} K");
}
