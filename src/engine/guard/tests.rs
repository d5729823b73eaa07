use super::*;
use crate::plan::testing::{RIG, SUITE, UNIT, ms, plan_of};

fn channel(plan: &Plan, name: &str) -> usize {
    plan.channels.iter().position(|c| c.name == name).expect("a channel")
}

/// Takes a value that was asked for, sampled and read at one moment.
fn read(guard: &mut Guard, plan: &Plan, channel: usize, t: i64, value: f64) -> Option<Firing> {
    guard.value(plan, channel, (ms(t), ms(t), ms(t)), value)
}

/// A value that came in time makes a channel fresh again: the next silence is found as the first was.
#[test]
fn a_channel_that_has_come_back_gets_stale_again() {
    let plan = plan_of(RIG, UNIT, SUITE);
    let mut guard = Guard::new(&plan);
    guard.arm(ms(0));
    let first = guard.stale(&plan, ms(181)).expect("one is stale").0;
    assert_ne!(guard.stale(&plan, ms(181)).map(|(index, _)| index), Some(first), "it is called so once");
    read(&mut guard, &plan, first, 200, 0.0);
    let stale_again = |guard: &mut Guard, t| {
        std::iter::from_fn(|| guard.stale(&plan, ms(t))).any(|(index, _)| index == first)
    };
    assert!(!stale_again(&mut guard, 370));
    assert!(stale_again(&mut guard, 381));
    // What is no number is no news.
    read(&mut guard, &plan, first, 400, f64::NAN);
    assert!(!stale_again(&mut guard, 700), "still the same silence");
}

/// How long a trip has been crossed counts from the arming at the earliest: what went before was another watch.
#[test]
fn arming_begins_every_trip_afresh() {
    let plan = plan_of(RIG, UNIT, SUITE);
    let current = channel(&plan, "phase_current");
    let mut guard = Guard::new(&plan);
    // 60 A rms for 15 ms trips; crossed at 0 and 10 ms, the watch begins at 12 ms.
    assert_eq!(read(&mut guard, &plan, current, 0, 100.0), None);
    assert_eq!(read(&mut guard, &plan, current, 10, 100.0), None);
    guard.arm(ms(12));
    assert_eq!(read(&mut guard, &plan, current, 20, 100.0), None);
    assert_eq!(read(&mut guard, &plan, current, 34, 100.0), None);
    assert!(read(&mut guard, &plan, current, 35, 100.0).is_some());
}

/// One corrupted digit is no broken sensor, however often it comes; two in a row are.
#[test]
fn only_implausible_samples_in_a_row_count() {
    let plan = plan_of(RIG, UNIT, SUITE);
    let bus_current = channel(&plan, "bus_current");
    let mut guard = Guard::new(&plan);
    for t in 0..20 {
        let value = if t % 2 == 0 { 500.0 } else { 1.0 };
        assert_eq!(read(&mut guard, &plan, bus_current, 5 * t, value), None, "sample {t}");
    }
    assert_eq!(read(&mut guard, &plan, bus_current, 200, f64::NAN), None);
    let firing = read(&mut guard, &plan, bus_current, 205, -500.0).expect("the second in a row");
    assert_eq!(firing.trip, "bus_current plausible");
}
