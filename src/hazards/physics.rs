//! The formulas, each written from its textbook form and shared with no other room. SI throughout; speeds are mechanical
//! unless said otherwise, currents and voltages peak of a phase unless said otherwise.

use std::f64::consts::{SQRT_2, TAU};

/// Speed in rad/s of one turn a minute.
pub(super) const RPM: f64 = TAU / 60.0;

/// Kelvin at 0 °C.
pub(super) const ZERO_CELSIUS: f64 = 273.15;

/// Largest phase voltage that an inverter makes of a bus: the inner circle of the hexagon of its states (textbook, space
/// vectors), less what its switches keep.
pub(super) fn phase_voltage_max(bus: f64, drop: f64) -> f64 {
    (bus / 3f64.sqrt() - drop).max(0.0)
}

/// Phase voltage that a speed takes with a current across the magnets alone: resistance in line with the EMF, reactance square to
/// it (textbook phasor diagram with i_d = 0).
pub(super) fn phase_voltage_needed(
    poles: f64,
    flux: f64,
    lq: f64,
    resistance: f64,
    speed: f64,
    iq: f64,
) -> f64 {
    let electrical = poles * speed;
    (electrical * flux + resistance * iq).hypot(electrical * lq * iq)
}

/// EMF between two lines, peak: sqrt 3 times that of a phase.
pub(super) fn emf_line(poles: f64, flux: f64, speed: f64) -> f64 {
    3f64.sqrt() * poles * flux * speed
}

/// The speed at which the EMF between two lines is `voltage`.
pub(super) fn speed_of_emf(poles: f64, flux: f64, voltage: f64) -> f64 {
    voltage / emf_line(poles, flux, 1.0)
}

/// Torque of a current given along and across the magnets, amplitude-invariant (textbook).
pub(super) fn torque(poles: f64, flux: f64, saliency: f64, id: f64, iq: f64) -> f64 {
    1.5 * poles * (flux * iq - saliency * id * iq)
}

/// The largest torque of a current whatever its angle. `saliency` is `Lq - Ld`, of either sign. At the best angle the
/// derivative of the torque by the angle is zero: `2 s I x^2 + psi x - s I = 0` for x, the sine of the angle by which the current
/// leads the q axis.
pub(super) fn torque_max(poles: f64, flux: f64, saliency: f64, current: f64) -> f64 {
    let lead = sine_of_most(flux, saliency.abs() * current);
    torque(poles, flux, saliency.abs(), -current * lead, current * (1.0 - lead * lead).max(0.0).sqrt())
}

/// The x between 0 and 1 at which `a sqrt(1 - x^2) + b x sqrt(1 - x^2)` is largest, for a above and b not below zero.
pub(super) fn sine_of_most(a: f64, b: f64) -> f64 {
    if b == 0.0 { 0.0 } else { (-a + (a * a + 8.0 * b * b).sqrt()) / (4.0 * b) }
}

/// Kinetic energy.
pub(super) fn kinetic(inertia: f64, speed: f64) -> f64 {
    0.5 * inertia * speed * speed
}

/// Energy of the windings with a current: 3/4 of it, for three phases that carry `L i^2 / 2` each, of which the squares of the
/// currents sum up to 3/2 of that of the peak.
pub(super) fn in_windings(inductance: f64, current: f64) -> f64 {
    0.75 * inductance * current * current
}

/// Voltage of a capacitor at `from` after so much energy more.
pub(super) fn charged(capacitance: f64, from: f64, energy: f64) -> f64 {
    (from * from + 2.0 * energy / capacitance).max(0.0).sqrt()
}

/// Energy that takes a capacitor from one voltage to another.
pub(super) fn room(capacitance: f64, from: f64, to: f64) -> f64 {
    0.5 * capacitance * (to * to - from * from)
}

/// Resistance of copper at `t` in K, from that at 20 °C: 235 K below 0 °C it would vanish (IEC 60034-1, from memory).
pub(super) fn copper_at(resistance: f64, t: f64) -> f64 {
    let celsius = t - ZERO_CELSIUS;
    resistance * (235.0 + celsius) / (235.0 + 20.0)
}

/// Heating rate of a winding that gives nothing away, K/s, with the field turning: `3 I^2 R / C`, all phases alike.
pub(super) fn heating_turning(current_rms: f64, resistance: f64, capacity: f64) -> f64 {
    3.0 * current_rms * current_rms * resistance / capacity
}

/// The same of the worst phase at standstill: one phase carries the peak all the time, and has a third of the copper.
pub(super) fn heating_standing(current_peak: f64, resistance: f64, capacity: f64) -> f64 {
    current_peak * current_peak * resistance / (capacity / 3.0)
}

/// Heating rate of an inverter's plate that gives nothing away, K/s, below the leg that carries the peak all the time: its third
/// of the plate takes that leg's loss. Turning it is less by sqrt 2.
pub(super) fn heating_inverter(current_rms: f64, drop: f64, capacity: f64) -> f64 {
    SQRT_2 * current_rms * drop / (capacity / 3.0)
}

/// Current in the mains, rms, for a power drawn behind a bridge and its capacitor. The current comes in short pulses: its power
/// factor is 0.55 to 0.7 *(common practice)*; the lower end is taken.
pub(super) fn mains_current(power: f64, mains: f64) -> f64 {
    power / (0.55 * mains)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `got` is within a few units of the last digit that is printed in `expected`.
    fn close(got: f64, expected: f64, last_digit: f64) {
        assert!((got - expected).abs() <= 0.51 * last_digit, "{got}, expected {expected}");
    }

    /// A machine whose parameters are published with PyPI `gym-electric-motor`: p 3, 65.65 mWb, Ld 0.37, Lq 1.2 mH. The figures are
    /// arithmetic on the textbook formulas.
    #[test]
    fn a_published_machine_gives_its_figures() {
        let (p, psi, saliency) = (3.0, 65.65e-3, 1.2e-3 - 0.37e-3);
        close(torque(p, psi, saliency, 0.0, 100.0), 29.54, 0.01);
        close(torque(p, psi, saliency, -100.0, 200.0), 133.79, 0.01);
        close(phase_voltage_max(155.0, 0.0) / (p * psi) / RPM, 4339.0, 1.0);
        close(speed_of_emf(p, psi, 155.0) / RPM, 4339.0, 1.0);
        close(emf_line(p, psi, 1000.0 * RPM), 35.72, 0.01);
        close(phase_voltage_needed(p, psi, 1.2e-3, 18e-3, 4339.0 * RPM, 0.0), 155.0 / 3f64.sqrt(), 0.1);
    }

    /// The largest torque is found again by trying every angle in steps of a thousandth of a degree.
    #[test]
    fn no_angle_of_the_current_gives_more_than_the_largest_torque() {
        for (saliency, current) in [(0.83e-3, 200.0), (0.0, 50.0), (-0.4e-3, 120.0), (0.45e-3, 24.0)] {
            let (p, psi) = (3.0, 65.65e-3);
            let best = (-90_000..=90_000)
                .map(|i| (f64::from(i) / 1000.0).to_radians())
                .map(|a| torque(p, psi, saliency, -current * a.sin(), current * a.cos()))
                .fold(0.0, f64::max);
            let found = torque_max(p, psi, saliency, current);
            assert!((found / best - 1.0).abs() < 1e-8, "{saliency} {current}: {found} {best}");
        }
    }

    /// 0.02 kg m2 at 3000 rpm, 987 J into 4.7 mF from 155 V, and 100 rpm of overshoot (arithmetic on 1/2 J w^2 and 1/2 C V^2).
    #[test]
    fn what_turns_pumps_up_the_bus() {
        let at_speed = kinetic(0.02, 3000.0 * RPM);
        close(at_speed, 987.0, 1.0);
        close(charged(4.7e-3, 155.0, at_speed), 666.0, 1.0);
        let overshoot = kinetic(0.02, 3100.0 * RPM) - at_speed;
        close(overshoot, 67.0, 1.0);
        close(charged(4.7e-3, 155.0, overshoot), 229.0, 1.0);
        close(room(4.7e-3, 155.0, charged(4.7e-3, 155.0, overshoot)), overshoot, 1e-9);
    }

    /// 200 A rms, 17.93 mOhm, 10 kg of copper at 385 J/(kg K): 2152 W, 0.559 K/s, at standstill 1.118 K/s (arithmetic on
    /// 3 I^2 R / (m c)); 23.0 mOhm from 18.0 at 20 °C is 90.83 °C by the resistance method of IEC 60034-1.
    #[test]
    fn copper_heats_as_its_loss_and_mass_say() {
        close(3.0 * 200.0 * 200.0 * 17.93e-3, 2152.0, 1.0);
        close(heating_turning(200.0, 17.93e-3, 3850.0), 0.559, 1e-3);
        close(heating_standing(200.0 * SQRT_2, 17.93e-3, 3850.0), 1.118, 1e-3);
        close(copper_at(18.0e-3, ZERO_CELSIUS + 90.83), 23.0e-3, 1e-5);
    }

    /// Turning, three phases share what one leg at standstill gives a third of the plate: by hand, 100 A rms at 2 V are 600 W into
    /// 900 J/K, 0.667 K/s, and sqrt 2 times as much at standstill.
    #[test]
    fn an_inverter_heats_quickest_below_the_leg_that_stands() {
        close(heating_inverter(100.0, 2.0, 900.0), 0.6667 * SQRT_2, 1e-4);
    }

    /// 230 V, 1265 W, power factor 0.55: 10 A.
    #[test]
    fn the_mains_carry_more_than_the_power_says() {
        close(mains_current(1265.0, 230.0), 10.0, 0.01);
    }
}
