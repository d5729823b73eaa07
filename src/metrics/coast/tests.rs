use crate::columns::Span;
use crate::metrics::Value;
use crate::metrics::samples::{Bench, near};

const RPM: f64 = std::f64::consts::TAU / 60.0;

/// Runge and Kutta's fourth order in steps of 1 ms: a coast-down from `w0` with J dw/dt = -(a + b w + c w^2), sampled every
/// 5 ms, to rest at the latest.
fn coasting(w0: f64, drag: [f64; 3], inertia: f64, length: f64) -> Bench {
    let slope = |w: f64| if w > 0.0 { -(drag[0] + drag[1] * w + drag[2] * w * w) / inertia } else { 0.0 };
    let (mut w, mut all, dt) = (w0, vec![], 0.001);
    for i in 0..(length / dt) as usize + 10 {
        if i % 5 == 0 {
            all.push(w);
        }
        let k1 = slope(w);
        let k2 = slope(w + 0.5 * dt * k1);
        let k3 = slope(w + 0.5 * dt * k2);
        let k4 = slope(w + dt * k3);
        w = (w + dt / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4)).max(0.0);
    }
    Bench::new("rpm", 0.0, 0.005, length, |t| all[((t / 0.005).round() as usize).min(all.len() - 1)])
}

fn given(mut bench: Bench, key: &'static str, low: f64, high: f64) -> Bench {
    bench.given.add(key, Value::Range(low, high), "");
    bench
}

const DRAG: [f64; 3] = [0.8, 0.0045, 2.0e-5];
const J: f64 = 0.03;

fn usual() -> Bench {
    given(coasting(1500.0 * RPM, DRAG, J, 4.0), "inertia", J, J)
}

/// Exponential: w0 exp(-b t / J) with viscous drag alone, w0 - a t / J with Coulomb friction alone (closed forms).
#[test]
fn the_parts_are_found_alone_and_together() {
    let exponential = Bench::new("rpm", 0.0, 0.005, 8.0, |t| 150.0 * (-0.01 * t / 0.03_f64).exp());
    let exponential = given(exponential, "inertia", J, J);
    near(exponential.measured("coast_viscous").value, 0.01, 1e-7);
    near(exponential.measured("coast_coulomb").value, 0.0, 1e-5);
    let straight = given(Bench::new("rpm", 0.0, 0.005, 4.0, |t| 150.0 - 0.9 / J * t), "inertia", J, J);
    near(straight.measured("coast_coulomb").value, 0.9, 1e-9);
    near(straight.measured("coast_windage").value, 0.0, 1e-9);
    near(usual().measured("coast_coulomb").value, DRAG[0], 1e-3);
    near(usual().measured("coast_viscous").value, DRAG[1], 1e-4);
    near(usual().measured("coast_windage").value, DRAG[2], 1e-6);
    // Turning the other way.
    let mut back = usual();
    back.x().v.iter_mut().for_each(|v| *v = -*v);
    near(back.measured("coast_coulomb").value, DRAG[0], 1e-3);
}

#[test]
fn drag_at_a_speed_and_inertia_are_two_sides_of_one_coast_down() {
    let w = 1000.0 * RPM;
    let torque = DRAG[0] + DRAG[1] * w + DRAG[2] * w * w;
    let at = given(usual(), "at_speed", w, w);
    near(at.measured("coast_drag").value / torque, 1.0, 1e-4);
    let at = given(at, "drag_torque", torque, torque);
    near(at.measured("coast_inertia").value / J, 1.0, 1e-4);
    // Two ends of an inertia are uniform: 0.028 to 0.032 is 0.03 with 0.002 / sqrt(3).
    let wide = given(given(coasting(1500.0 * RPM, DRAG, J, 4.0), "inertia", 0.028, 0.032), "at_speed", w, w);
    near(wide.measured("coast_drag").u / torque, 0.002 / 3.0_f64.sqrt() / J, 1e-4);
}

/// With noise of 1 rpm the truth lies within U of 95 % for about 95 of 100 coast-downs.
#[test]
fn the_interval_holds_the_truth() {
    let w = 1000.0 * RPM;
    let torque = DRAG[0] + DRAG[1] * w + DRAG[2] * w * w;
    let mut held = [0; 2];
    for seed in 0..200 {
        let bench = given(usual().noisy(RPM, seed), "at_speed", w, w);
        let truths = [("coast_drag", torque), ("coast_coulomb", DRAG[0])];
        for (i, (id, truth)) in truths.into_iter().enumerate() {
            let found = bench.measured(id);
            held[i] += u32::from((found.value - truth).abs() <= 1.96 * found.u);
        }
    }
    println!("held {held:?} of 200");
    assert!(held.iter().all(|h| (180..=199).contains(h)), "{held:?}");
}

/// J = added d2 / (d1 - d2): 0.02 kg m2 added to 0.03.
#[test]
fn an_added_inertia_tells_the_one_that_was_there() {
    let alone = coasting(1500.0 * RPM, DRAG, J, 4.0);
    let with = coasting(1500.0 * RPM, DRAG, J + 0.02, 6.0);
    let mut bench = alone.clone();
    // The second coast-down follows 10 s later in the same record.
    let later = with.columns.series[0].clone();
    bench.x().t.extend(later.t.iter().map(|t| t + 10.0));
    bench.x().v.extend(&later.v);
    bench.x().u_t.extend(&later.u_t);
    let first = Span { segment: Some(0), name: "alone".into(), ..alone.span.clone() };
    bench.columns.spans = vec![first];
    bench.span = Span { segment: Some(1), t0: 10.0, t1: 16.0 + 1e-9, ..with.span.clone() };
    let mut bench = given(given(bench, "added_inertia", 0.02, 0.02), "at_speed", 1000.0 * RPM, 1000.0 * RPM);
    bench.given.add("before", Value::Segment(0), "alone");
    near(bench.measured("coast_inertia_added").value / J, 1.0, 1e-3);
    bench.columns.spans[0].complete = false;
    bench.refuses("coast_inertia_added", "`alone` did not run to its end");
    bench.columns.spans.clear();
    bench.refuses("coast_inertia_added", "was not run");
}

#[test]
fn what_does_not_coast_is_refused() {
    let id = "coast_coulomb";
    given(coasting(1500.0 * RPM, DRAG, J, 0.5), "inertia", J, J).refuses(id, "must fall to 0.7");
    given(
        Bench::new("rpm", 0.0, 0.005, 4.0, |t| 150.0 - 20.0 * t + if t > 3.0 { 90.0 } else { 0.0 }),
        "inertia",
        J,
        J,
    )
    .refuses(id, "goes from");
    let bump = |t: f64| 150.0 - 30.0 * t + 30.0 * (-(t - 2.2_f64).powi(2) / 0.02).exp();
    given(Bench::new("rpm", 0.0, 0.005, 4.0, bump), "inertia", J, J).refuses(id, "rises on the way");
    coasting(1500.0 * RPM, DRAG, J, 4.0).refuses(id, "`inertia` is not given");
    given(Bench::new("K", 0.0, 0.005, 4.0, |t| 150.0 - 30.0 * t), "inertia", J, J)
        .refuses(id, "no speed of a shaft");
    let at = given(usual(), "at_speed", 1900.0 * RPM, 1900.0 * RPM);
    at.refuses("coast_drag", "1900 rpm was not coasted through: from 1");
    let mut bench = usual();
    bench.x().v[3] = f64::NAN;
    bench.refuses(id, "are not a number");
}
