use super::super::spec::{RotorSpec, TwinSpec};
use super::*;

const RPM: f64 = TAU / 60.0;
const PERIOD: f64 = 1e-4;

/// A machine on a flywheel that keeps its speed, with the vibration of the demo changed as wished.
fn spinning(rpm: f64, change: impl Fn(&mut VibrationSpec)) -> (VibrationSpec, Plant) {
    let mut spec = TwinSpec::demo();
    spec.rotor = RotorSpec { inertia: 1e9, friction: 0.0, breakaway: 0.0, drag: 0.0, windage: 0.0 };
    change(&mut spec.vibration);
    let mut plant = Plant::new(&spec, 0.4);
    plant.spin(rpm * RPM);
    (spec.vibration, plant)
}

/// Samples of one burst: along the shaft and across it.
fn burst(rpm: f64, change: impl Fn(&mut VibrationSpec)) -> [Vec<f64>; 2] {
    let (spec, mut plant) = spinning(rpm, change);
    let mut vibration = Vibration::begin(&spec, &plant, PERIOD, 0.3);
    let mut samples = [Vec::new(), Vec::new()];
    for _ in 0..4096 {
        let both = vibration.sample(&plant);
        plant.advance(None);
        (0..2).for_each(|i| samples[i].push(both[i]));
    }
    samples
}

/// Amplitude at a frequency in Hz, by a window that lets little of its neighbours in.
fn amplitude(samples: &[f64], hertz: f64) -> f64 {
    let n = samples.len() as f64;
    let mut sums = [0.0; 3];
    for (i, sample) in samples.iter().enumerate() {
        let window = 1.0 - (TAU * (i as f64 + 0.5) / n).cos();
        let (s, c) = (TAU * hertz * PERIOD * i as f64).sin_cos();
        sums[0] += window * sample * s;
        sums[1] += window * sample * c;
        sums[2] += window;
    }
    2.0 * sums[0].hypot(sums[1]) / sums[2]
}

/// Amplitude of a driven oscillator: F / sqrt((k - m w²)² + (c w)²), acceleration w² times that (any textbook). From
/// rest, long after the beginning: below, at and above its own 60 Hz. The force is held within a step, which takes
/// (w step/2)²/6 of it.
#[test]
fn an_oscillator_swings_as_far_as_the_closed_form_says() {
    let spec = TwinSpec::demo().vibration;
    for hertz in [20.0, 60.0, 150.0, 400.0] {
        let mut oscillator =
            Oscillator::new(spec.casing_mass, spec.casing_stiffness, spec.casing_damping, 0.5 * PERIOD);
        let omega = TAU * hertz;
        let force = |step: f64| 31.0 * (omega * 0.5 * PERIOD * step).cos();
        let mut samples = Vec::new();
        for i in 0..24_000u32 {
            oscillator.advance(force(f64::from(i) + 0.5));
            if i % 2 == 1 && i >= 24_000 - 8192 {
                samples.push(oscillator.acceleration(force(f64::from(i) + 1.0)));
            }
        }
        let stiff = spec.casing_stiffness - spec.casing_mass * omega * omega;
        let damped = 2.0 * spec.casing_damping * (spec.casing_stiffness * spec.casing_mass).sqrt() * omega;
        let expected = omega * omega * 31.0 / stiff.hypot(damped);
        let got = amplitude(&samples, hertz);
        assert!((got / expected - 1.0).abs() < 1e-3, "{hertz} Hz: {got} m/s², not {expected} m/s²");
    }
}

#[test]
fn a_burst_begins_in_the_steady_state() {
    let [axial, radial] = burst(1200.0, |v| (v.bearing_blow, v.mesh, v.unbalance) = (0.0, 0.0, 2e-3));
    for (samples, hertz) in [(&axial, 80.0), (&radial, 20.0)] {
        let (first, last) = (amplitude(&samples[..2048], hertz), amplitude(&samples[2048..], hertz));
        assert!((first / last - 1.0).abs() < 2e-3, "{hertz} Hz: {first} and then {last} m/s²");
    }
}

/// The stack as a closed form: F w² / |k - m w² + i c w|, its stiffness as the clearance leaves it. The amplitude follows the
/// electrical order, grows with speed, and is all but gone with the shim in place; unbalance changes nothing of it,
/// and the shim nothing of the unbalance.
#[test]
fn a_missing_shim_shows_at_the_electrical_order_and_grows_with_speed() {
    let quiet = |v: &mut VibrationSpec| (v.bearing_blow, v.mesh) = (0.0, 0.0);
    let loose = |v: &mut VibrationSpec| {
        quiet(v);
        v.stack_clearance = 0.3e-3;
    };
    let spec = TwinSpec::demo().vibration;
    let mut before = 0.0;
    for rpm in [600.0, 1000.0, 1400.0, 1800.0] {
        let (first, electrical) = (rpm / 60.0, 4.0 * rpm / 60.0);
        let omega = TAU * electrical;
        let stiffness = spec.stack_stiffness / (1.0 + 0.3e-3 / spec.stack_ease);
        let damped = 2.0 * spec.stack_damping * (stiffness * spec.stack_mass).sqrt() * omega;
        let expected =
            omega * omega * spec.axial_pull / (stiffness - spec.stack_mass * omega * omega).hypot(damped);
        let [axial, radial] = burst(rpm, loose);
        let got = amplitude(&axial, electrical);
        assert!((got / expected - 1.0).abs() < 5e-3, "{rpm} rpm: {got} m/s², not {expected} m/s²");
        assert!(got > 1.5 * before, "{rpm} rpm: {got} m/s², {before} m/s² at the speed before");
        before = got;
        let [sound_axial, sound_radial] = burst(rpm, quiet);
        assert!(amplitude(&sound_axial, electrical) < 0.1 * got);
        let unbalance = |samples: &[f64]| amplitude(samples, first);
        assert!((unbalance(&radial) / unbalance(&sound_radial) - 1.0).abs() < 0.05);
        let [heavy_axial, heavy_radial] = burst(rpm, |v| {
            quiet(v);
            v.unbalance = 2e-3;
        });
        assert!(unbalance(&heavy_radial) > 30.0 * unbalance(&sound_radial));
        let change = amplitude(&heavy_axial, electrical) / amplitude(&sound_axial, electrical);
        assert!((change - 1.0).abs() < 0.05, "{rpm} rpm: {change}");
    }
}

/// Mesh at 20 teeth and at 20 teeth over 2.2, balls over the outer race at their order: geometry by hand, 3.5848 with
/// n 9 and d/D 0.20338, less 1 % of slip. Blows show as an envelope of the seat's ringing.
#[test]
fn gears_and_bearing_show_at_the_orders_of_their_geometry() {
    let [_, radial] = burst(1200.0, |v| v.bearing_blow = 0.0);
    let floor = amplitude(&radial, 311.0);
    for order in [20.0, 20.0 / 2.2] {
        assert!(amplitude(&radial, 20.0 * order) > 20.0 * floor, "order {order}");
    }
    let [_, radial] = burst(1200.0, |v| (v.mesh, v.bearing_blow) = (0.0, 4e-6));
    let envelope: Vec<f64> = radial.iter().map(|a| a.abs()).collect();
    let mean = envelope.iter().sum::<f64>() / envelope.len() as f64;
    let envelope: Vec<f64> = envelope.iter().map(|a| a - mean).collect();
    let at = |order: f64| amplitude(&envelope, 20.0 * order);
    let outer = 0.5 * 9.0 * (1.0 - 0.20338) * 0.99;
    assert!(at(outer) > 5.0 * at(outer + 0.5) && at(outer) > 5.0 * at(outer - 0.5));
}
