use super::*;
use crate::outcome::Cause;
use crate::record::{Grade, Row, RowStatus, Sent};
use crate::shell::support::plan;

fn view(simulated: bool) -> View {
    View::new(Arc::new(plan(9600)), simulated)
}

fn event(seconds: f64, what: What) -> Record {
    Record::Event(Event { at: Instant::from_secs_f64(seconds), what })
}

fn row(seconds: f64, values: Vec<Option<f64>>) -> Record {
    let t = Instant::from_secs_f64(seconds);
    let status = RowStatus::Ok;
    Record::Row(Row { group: 0, t_request: t, t_reply: t, t_sample: t, u_sample: 0.0, values, status })
}

#[test]
fn a_simulation_says_so_at_the_top_and_on_the_bar() {
    assert!(
        view(true).opening()[0]
            .starts_with("SIMULATED: nothing real turns. suite `first spin`, 1 test, unit HC-7")
    );
    assert!(view(true).standing().starts_with("SIMULATED"));
    assert!(!view(false).opening()[0].contains("SIMULATED") && !view(false).standing().contains("SIMULATED"));
}

#[test]
fn the_bar_shows_test_segment_state_and_the_newest_values_in_the_units_of_the_rig() {
    let mut view = view(false);
    view.take(&event(0.5, What::TestBegan { test: 0 }));
    view.take(&event(1.0, What::SegmentBegan { test: 0, segment: 1 }));
    view.take(&event(1.0, What::State { state: "operation enabled".into() }));
    assert_eq!(view.standing(), "test 1 of 1 `crawl`, hold, operation enabled");
    let tenth_turn_a_second = 12.566_370_6;
    view.take(&Record::Sent(Sent { at: Instant::from_secs_f64(1.2), demand: 0, value: tenth_turn_a_second }));
    view.take(&row(1.3, vec![Some(118.6), None]));
    assert_eq!(view.readings(usize::MAX), "demand 120 rpm  measured 119 rpm");
    view.take(&row(1.4, vec![None, Some(154.7)]));
    assert_eq!(view.readings(usize::MAX), "demand 120 rpm  measured 119 rpm  bus 155 V");
    // Of a value that does not fit nothing is shown: `bus 15` would be another one.
    assert_eq!(view.readings(40), "demand 120 rpm  measured 119 rpm");
    assert_eq!(view.readings(43), "demand 120 rpm  measured 119 rpm  bus 155 V");
    assert_eq!(view.now(), Instant::from_secs_f64(1.4));
}

/// What was demanded before a stop or a coast is no longer in force, and a shaft that reads a little backwards stands.
#[test]
fn from_a_stop_or_a_coast_on_torque_off_stands_in_place_of_the_demand() {
    let mut plan = plan(9600);
    plan.tests[0].profile.segments[1].shape = Shape::Coast { below: None };
    let pump = crate::plan::Demand { name: "pump".into(), sets: Sets::Pump, ..plan.demands[0].clone() };
    plan.demands.push(pump);
    let mut view = View::new(Arc::new(plan), false);
    let sent = |demand| Record::Sent(Sent { at: Instant::from_secs_f64(1.2), demand, value: 12.566_370_6 });
    let began = |segment| event(2.0, What::SegmentBegan { test: 0, segment });
    view.take(&sent(0));
    view.take(&row(1.3, vec![Some(118.6), None]));
    view.take(&began(0));
    assert_eq!(view.readings(usize::MAX), "demand 120 rpm  measured 119 rpm");
    view.take(&began(1));
    assert_eq!(view.readings(usize::MAX), "torque off  measured 119 rpm");
    // The pump runs on; the next test drives again, until its stop.
    view.take(&sent(1));
    assert!(view.readings(usize::MAX).starts_with("torque off  "));
    view.take(&sent(0));
    assert!(view.readings(usize::MAX).starts_with("demand 120 rpm  "));
    view.take(&event(3.0, What::StopBegan { reason: "SIGTERM".into() }));
    view.take(&row(3.1, vec![Some(-0.3), None]));
    assert_eq!(view.readings(usize::MAX), "torque off  measured 0 rpm");
}

#[test]
fn each_event_that_a_person_must_know_is_a_line_with_its_moment() {
    let mut view = view(false);
    let found = || "12 V".to_string();
    let stage = |stage, confirmed| What::Stage { stage, confirmed, found: found() };
    let check =
        |holds| What::PreCheck { name: "bus".into(), holds, grade: Grade::Measured, found: found(), test: 0 };
    let cases = [
        (check(true), "pre-check `bus` holds (measured): 12 V"),
        (check(false), "pre-check `bus` REFUSED (measured): 12 V"),
        (What::TestBegan { test: 0 }, "test 1 of 1 `crawl`"),
        (What::SegmentBegan { test: 0, segment: 0 }, "segment `up`"),
        (What::Trip { trip: "bus_high".into(), found: found(), sampled: 0 }, "TRIP `bus_high`: 12 V"),
        (What::StopBegan { reason: "SIGTERM".into() }, "STOPPING: SIGTERM"),
        (stage(Stage::NotDriven, true), "not driven: 12 V"),
        (stage(Stage::NotDriven, false), "NOT DRIVEN IS NOT CONFIRMED: 12 V; treat the machine as driven"),
        (stage(Stage::AtRest, false), "REST IS NOT CONFIRMED: 12 V; treat the shaft as turning"),
        (
            stage(Stage::DeEnergised, false),
            "BUS LIVE: 12 V; turn the transformer to zero and pull its plug, wait 60 s, then measure with your own meter",
        ),
        (What::TestEnded { test: 0, complete: false }, "test `crawl` broken off"),
        (What::Finished { cause: Cause::Tripped, why: "bus_high".into() }, "tripped: bus_high"),
    ];
    for (what, expected) in cases {
        assert_eq!(view.take(&event(2.14, what)), [format!("{:>10}  {expected}", "2.140 s")]);
    }
    assert!(view.take(&event(3.0, What::StopSent { link: "board".into() })).is_empty());
    assert!(view.take(&event(3.0, What::Garbage { link: "board".into(), text: "?".into() })).is_empty());
}

#[test]
fn records_of_a_plan_that_does_not_fit_break_nothing() {
    let mut view = view(false);
    let mut odd = row(1.0, vec![Some(1.0); 9]);
    view.take(&odd);
    if let Record::Row(row) = &mut odd {
        row.group = 9;
    }
    view.take(&odd);
    view.take(&event(1.0, What::SegmentBegan { test: 7, segment: 7 }));
    view.take(&event(1.0, What::TestBegan { test: 7 }));
    assert_eq!(view.standing(), "test 8 of 1, identifying");
}
