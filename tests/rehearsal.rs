//! Whole suites against the twin on a virtual clock.

mod common;

use common::{FIRST_SPIN, SMALL_SIGNAL, run};
use spinproof::engine::replay;
use spinproof::outcome::Cause;
use spinproof::record::{Grade, Record, RowStatus, What};
use spinproof::time::Instant;
use spinproof::twin::TruthRow;

#[test]
fn the_first_spin_of_a_sound_unit_passes() {
    let run = run(FIRST_SPIN, None, 1, &[]);
    for (test, verdicts) in run.loaded.plan.tests.iter().zip(&run.results.verdicts) {
        for (criterion, verdict) in test.criteria.iter().zip(verdicts) {
            println!("{} {} {:?}", test.name, criterion.metric.id(), verdict);
        }
    }
    assert_eq!(run.results.cause, Cause::Passed, "{}\n{}", run.results.why, run.story());
}

/// Half a minute of bursts at a steady 600 rpm.
const BURSTS: &str = r#"
schema = 1
name = "bursts"
[[test]]
name = "hold"
profile = [
    { ramp = "600 rpm", rate = "200 rpm/s" },
    { hold = "6 s", name = "hold" },
    { ramp = "0 rpm", rate = "200 rpm/s" },
]
burst = [{ take = "phase", over = "hold" }]
[[test.criterion]]
metric = "reply_loss"
of = "board"
at_most = "0.5 %"
why = "bursts must leave the polls their slots"
[[test.criterion]]
metric = "order_amplitude"
of = "current_a"
over = "hold"
speed = "speed"
order = "1"
turn = "electrical"
at_least = "0 A peak"
why = "the test holds it against the truth"
"#;

/// The bursts of a run that came whole: number and counts.
fn whole_bursts(run: &common::Rehearsed) -> Vec<(u32, Vec<i16>)> {
    let mut bursts: std::collections::BTreeMap<u32, Vec<i16>> = Default::default();
    for record in &run.records {
        if let Record::Chunk(chunk) = record {
            let counts = bursts.entry(chunk.number).or_default();
            assert_eq!(counts.len(), chunk.offset as usize, "pieces come in order and once");
            counts.extend(&chunk.counts);
        }
    }
    bursts.into_iter().filter(|(_, counts)| counts.len() == 4096).collect()
}

#[test]
fn bursts_are_read_between_the_polls_and_hold_what_the_phase_carried() {
    let run = common::run(BURSTS, None, 3, &[]);
    assert_eq!(run.ended.cause, Cause::Passed, "{}", run.story());
    // A phase of a steady turning machine carries a sine of the field's frequency with the amplitude of the
    // current's vector: the truth log has that vector. The largest of several bursts is told.
    let figure = run.results.verdicts[0][1].measured.clone().expect("it was measured");
    let held = |row: &&TruthRow| (6.0..9.0).contains(&row.truth.t.secs_f64());
    let truth: Vec<f64> =
        run.truth.iter().filter(held).map(|r| r.truth.current_d.hypot(r.truth.current_q)).collect();
    let mean = truth.iter().sum::<f64>() / truth.len() as f64;
    let spread = (truth.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / truth.len() as f64).sqrt();
    assert!(
        (figure.value - mean).abs() < 2.0 * figure.u + spread,
        "{} A, {} A in truth, spread {spread} A",
        figure.value,
        mean
    );
    let bursts = whole_bursts(&run);
    assert_eq!(run.results.columns.bursts.len(), bursts.len());
    // 0.41 s to capture and some 64 pieces 5 ms apart to read.
    assert!(bursts.len() >= 6, "{} bursts in 6 s", bursts.len());
    // The stop abandons what is under way, and the line is then quiet for a while: only until there.
    let stop = run.find(|w| matches!(w, What::StopBegan { .. })).map_or(Instant::NEVER, |e| e.at);
    let missed = |r: &&Record| matches!(r, Record::Row(row) if row.status == RowStatus::Missed && row.t_request < stop);
    assert_eq!(run.records.iter().filter(missed).count(), 0, "no poll gave way to a burst");
    for (number, counts) in &bursts {
        let triggered = run.find(|w| matches!(w, What::BurstTriggered { number: n, .. } if n == number));
        let Some(What::BurstTriggered { t, u, .. }) = triggered.map(|e| &e.what) else {
            panic!("no trigger")
        };
        assert!(*u < 1000.0 && *t > 0, "{t} us, {u} us");
        // Four pole pairs at 10 turns a second: 40 periods a second, by the correlation with a sine and a cosine.
        let power = |frequency: f64| {
            let (mut s, mut c) = (0.0, 0.0);
            for (i, count) in counts.iter().enumerate() {
                let angle = std::f64::consts::TAU * frequency * i as f64 * 1e-4;
                s += f64::from(*count) * angle.sin();
                c += f64::from(*count) * angle.cos();
            }
            s.hypot(c) * 2.0 / counts.len() as f64
        };
        let loudest = (1..400).map(|f| f64::from(f) * 0.5).max_by(|a, b| power(*a).total_cmp(&power(*b)));
        assert!((loudest.unwrap_or(0.0) - 40.0).abs() <= 1.0, "{loudest:?} Hz");
    }
}

#[test]
fn a_bad_line_costs_bursts_but_never_makes_one_up() {
    let sound = common::run(BURSTS, None, 3, &[]);
    let run = common::run(BURSTS, None, 3, &["link-flip=0.05@4 s", "link-drop=0.05@4 s"]);
    let bursts = whole_bursts(&run);
    assert!(
        bursts.len() < whole_bursts(&sound).len() && !bursts.is_empty(),
        "{}\n{}",
        bursts.len(),
        run.story()
    );
}

/// Sine, chirp, cycle, repeat and coast, each with its own criterion; the coast is proved to be one: no demand is
/// sent while it lasts, and the drive is never enabled.
#[test]
fn the_small_signal_suite_passes_and_its_coast_is_one() {
    let run = run(SMALL_SIGNAL, None, 1, &[]);
    for (test, verdicts) in run.loaded.plan.tests.iter().zip(&run.results.verdicts) {
        for (criterion, verdict) in test.criteria.iter().zip(verdicts) {
            assert!(criterion.why.is_some(), "{} has a reason", criterion.metric.id());
            println!("{} {} {:?}", test.name, criterion.metric.id(), verdict);
        }
    }
    assert_eq!(run.results.cause, Cause::Passed, "{}\n{}", run.results.why, run.story());
    let spans = &run.results.columns.spans;
    let coast = spans.iter().find(|s| s.name == "coast").expect("the coast was run");
    assert!(coast.complete && coast.t1 - coast.t0 < 39.0, "it ended at its speed, {} s", coast.t1 - coast.t0);
    let demand = run.results.columns.demands.iter().find(|d| d.name == "speed").expect("the demand");
    assert!(!demand.t.iter().any(|t| *t > coast.t0 && *t < coast.t1), "no demand while it coasts");
    let speed = run.results.columns.series("speed").expect("the speed");
    let end = speed.t.iter().rposition(|t| *t < coast.t1).expect("a sample");
    assert!(speed.v[end] < 60.0 * std::f64::consts::TAU / 60.0, "{} rad/s", speed.v[end]);
}

/// A rehearsal has nobody with a meter: the step holds by the reading alone, and says that no meter was read.
#[test]
fn an_operator_step_is_rehearsed_without_a_meter_and_says_so() {
    let suite = SMALL_SIGNAL.replacen(
        "profile = [",
        "operator = [{ id = \"raise\", ask = \"Raise the supply.\", of = \"bus\", between = [\"150 V\", \"165 V\"], \
         within = \"2 min\", meter = \"0.5 V\" }]\nprofile = [",
        1,
    );
    let run = run(&suite, None, 1, &[]);
    assert_eq!(run.results.cause, Cause::Passed, "{}\n{}", run.results.why, run.story());
    let step = run.find(|w| matches!(w, What::PreCheck { name, .. } if name == "operator step raise"));
    let Some(What::PreCheck { holds, grade, found, .. }) = step.map(|e| &e.what) else { panic!("no step") };
    assert!(*holds && *grade == Grade::Absent && found.contains("no meter was read"), "{found}");
    let inputs: Vec<_> = run.steps.iter().map(|s| s.input.clone()).collect();
    let (_, difference) = replay(run.loaded.plan.clone(), &inputs);
    assert_eq!(difference, None, "what was typed is replayed");
}

const VIBRATION: &str = include_str!("../suites/vibration-runup.toml");

/// Criteria that were not met, as metric and channel.
fn unmet(run: &common::Rehearsed) -> Vec<(&'static str, String)> {
    let tests = run.loaded.plan.tests.iter().zip(&run.results.verdicts);
    let all = tests.flat_map(|(t, v)| t.criteria.iter().zip(v));
    all.filter(|(_, v)| !v.met).map(|(c, _)| (c.metric.id(), c.of.clone())).collect()
}

/// A shim left out shows itself in what follows the field along the shaft, and in nothing that follows the shaft
/// across it; unbalance the other way round; a worn bearing at its own order. (A loud one also lifts the velocity
/// over all frequencies, which tells nobody what is wrong: only the orders are held here.)
#[test]
fn what_shakes_is_told_by_what_it_follows() {
    for (fault, expected) in [
        (None, vec![]),
        (Some("axial-shim-missing"), vec!["axial: order 1 turn electrical"]),
        (Some("unbalance"), vec!["radial: order 1"]),
        (Some("bearing-worn"), vec!["radial: order 3.585 slip 0.02"]),
    ] {
        let faults: Vec<&str> = fault.into_iter().collect();
        let run = run(VIBRATION, None, 11, &faults);
        let criteria = run.loaded.plan.tests[0].criteria.iter().zip(&run.results.verdicts[0]);
        let orders: Vec<String> = criteria
            .filter(|(c, v)| c.metric.id() == "order_amplitude" && !v.met)
            .map(|(c, _)| {
                let keys = c.given.texts().filter(|(key, _)| *key != "speed");
                let keys: Vec<String> = keys.map(|(key, text)| format!("{key} {text}")).collect();
                format!("{}: {}", c.of, keys.join(" "))
            })
            .collect();
        assert_eq!(orders, expected, "{fault:?}\n{}", run.results.why);
    }
}

/// The amplitude that gives the missing shim away grows with speed.
#[test]
fn a_missing_shim_is_louder_the_faster_it_turns() {
    let amplitude = |top: &str| {
        let suite = VIBRATION.replace("stairs = \"1500 rpm\"", &format!("stairs = \"{top}\""));
        let run = run(&suite, None, 12, &["axial-shim-missing"]);
        let criteria = &run.loaded.plan.tests[0].criteria;
        let at = criteria.iter().position(|c| c.metric.id() == "order_amplitude" && c.of == "axial");
        run.results.verdicts[0][at.expect("the criterion")].measured.clone().expect("it was measured").value
    };
    let [slow, middle, fast] = ["600 rpm", "900 rpm", "1500 rpm"].map(amplitude);
    assert!(slow < middle && middle < fast, "{slow} {middle} {fast}");
}

/// A resolver that hangs while the shaft still stands: no reading falls, and what ends the run is that the speed lacks.
#[test]
fn a_resolver_that_hangs_at_rest_is_tripped_on() {
    let run = run(FIRST_SPIN, None, 13, &["resolver-stuck@3 s"]);
    assert_eq!(run.ended.cause, Cause::Tripped, "{}", run.ended.why);
    let trip = run.find(|w| matches!(w, What::Trip { trip, .. } if trip == "stall"));
    assert!(trip.is_some(), "{}", run.story());
}

/// The hour against the brake, and what a pump does to it that dies once the pre-checks have seen it sound.
#[test]
fn a_heat_soak_tells_a_dying_pump() {
    let rig = include_str!("../fixtures/brake-bench/rig.toml");
    let soak = include_str!("../suites/heat-soak.toml");
    // With its pump dying the unit heats in two ways within the quarter of an hour: no forecast stands then either.
    let dying = vec!["time_constant", "final_temperature", "rise_over_coolant", "rise_over_coolant"];
    for (fault, expected) in [(None, vec![]), (Some("pump-dying@10 s"), dying)] {
        let faults: Vec<&str> = fault.into_iter().collect();
        let run = common::run_bench(common::load(rig, common::UNIT, soak, None), 1, &faults, |_| {});
        for (criterion, verdict) in run.loaded.plan.tests[0].criteria.iter().zip(&run.results.verdicts[0]) {
            println!("{} of {}: {:?}", criterion.metric.id(), criterion.of, verdict.measured);
        }
        let unmet: Vec<&str> = unmet(&run).into_iter().map(|(id, _)| id).collect();
        assert_eq!(unmet, expected, "{fault:?}\n{}", run.results.why);
    }
}
