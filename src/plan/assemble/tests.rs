//! Records worked out by hand, and the columns they must become.

use super::*;
use crate::plan::testing::*;
use crate::record::Chunk;

const RPM: f64 = std::f64::consts::TAU / 60.0;

fn event(t: i64, what: What) -> Record {
    Record::Event(Event { at: ms(t), what })
}

fn began(t: i64, test: usize, segment: usize) -> Record {
    event(t, What::SegmentBegan { test, segment })
}

fn stop(t: i64) -> Record {
    event(t, What::StopBegan { reason: "trip".into() })
}

fn drive(t: i64, speed: f64) -> Record {
    Record::Row(row(0, t, &[Some(39.0), Some(speed), Some(1.0), Some(155.0), Some(1.5)]))
}

fn without(t: i64, status: RowStatus) -> Record {
    Record::Row(row_without(0, t, status))
}

/// Name, begin and end in ms, complete.
fn spans(records: &[Record]) -> Vec<(String, i64, i64, bool)> {
    let plan = plan_of(RIG, UNIT, SUITE);
    let millis = |t: f64| (t * 1000.0).round() as i64;
    let spans = columns(&plan, records).spans;
    spans.iter().map(|s| (s.name.clone(), millis(s.t0), millis(s.t1), s.complete)).collect()
}

fn span(name: &str, t0: i64, t1: i64, complete: bool) -> (String, i64, i64, bool) {
    (name.into(), t0, t1, complete)
}

#[test]
fn rows_become_series_with_their_losses_and_links_with_their_round_trips() {
    let plan = plan_of(RIG, UNIT, SUITE);
    let records = [
        drive(0, 60.0),
        Record::Sent(Sent { at: ms(4), demand: 0, value: 50.0 * RPM }),
        drive(5, 60.0),
        without(10, RowStatus::Lost),
        without(25, RowStatus::Missed),
        drive(30, f64::NAN),
        without(35, RowStatus::Malformed),
    ];
    let columns = columns(&plan, &records);
    let speed = columns.series("speed").expect("speed");
    assert_eq!(speed.t, [0.001, 0.006, 0.031]);
    assert_eq!(speed.u_t, [577.0 * 1e-6; 3]);
    assert_eq!((&speed.lost[..], &speed.missed[..]), (&[0.010, 0.035][..], &[0.025][..]));
    assert_eq!((speed.v[0], speed.v[2].is_nan()), (60.0 * RPM, true));
    assert!((speed.u - 0.6 * RPM).abs() < 1e-12);
    assert_eq!(speed.unit.text, "rpm");
    let error = columns.series("speed_error").expect("speed_error");
    assert_eq!(
        (error.t.as_slice(), error.lost.as_slice()),
        ([0.006, 0.031].as_slice(), [0.010, 0.035].as_slice())
    );
    assert!((error.v[0] - 10.0 * RPM).abs() < 1e-12);
    let link = &columns.links[0];
    assert_eq!((link.name.as_str(), link.missed.as_slice()), ("board", [0.025].as_slice()));
    assert_eq!(link.t, [0.0, 0.005, 0.010, 0.030, 0.035]);
    assert_eq!(link.round_trip, [Some(0.002), Some(0.002), None, Some(0.002), None]);
    assert_eq!(columns.demands[0].at(1.0), Some(50.0 * RPM));
    assert_eq!(columns.demands[0].at(0.003), None);
    assert!(columns.series("winding").expect("winding").t.is_empty());
}

#[test]
fn a_profile_that_ran_to_its_end_is_complete_with_all_its_segments() {
    let plan = plan_of(RIG, UNIT, SUITE);
    let records = [
        event(0, What::TestBegan { test: 0 }),
        began(1000, 0, 0),
        began(3000, 0, 1),
        began(7000, 0, 2),
        event(9000, What::ProfileEnded { test: 0 }),
        stop(9000),
        event(12_000, What::TestEnded { test: 0, complete: true }),
    ];
    let expected = [
        span("crawl", 1000, 9000, true),
        span("up", 1000, 3000, true),
        span("crawl", 3000, 7000, true),
        span("down", 7000, 9000, true),
    ];
    assert_eq!(spans(&records), expected);
    let spans = columns(&plan, &records).spans;
    let ends: Vec<(Option<usize>, f64, f64)> = spans.iter().map(|s| (s.segment, s.from, s.to)).collect();
    let top = 120.0 * RPM;
    let close = |a: f64, b: f64| (a - b).abs() < 1e-9;
    assert!(
        ends.iter()
            .zip([(None, 0.0, 0.0), (Some(0), 0.0, top), (Some(1), top, top), (Some(2), top, 0.0)])
            .all(|(got, expected)| got.0 == expected.0
                && close(got.1, expected.1)
                && close(got.2, expected.2)),
        "{ends:?}"
    );
}

#[test]
fn what_a_stop_cuts_is_not_complete() {
    let records = [
        began(1000, 1, 0),
        began(5000, 1, 1),
        stop(6000),
        event(9000, What::TestEnded { test: 1, complete: false }),
    ];
    let expected =
        [span("climb", 1000, 6000, false), span("up", 1000, 5000, true), span("hold", 5000, 6000, false)];
    assert_eq!(spans(&records), expected);
}

#[test]
fn a_trace_that_was_cut_ends_its_spans_with_its_last_record() {
    let records = [began(1000, 0, 0), drive(1200, 5.0)];
    let expected = [span("crawl", 1000, 1202, false), span("up", 1000, 1202, false)];
    assert_eq!(spans(&records), expected);
}

#[test]
fn tests_that_follow_each_other_do_not_run_into_each_other() {
    let records = [
        began(1000, 0, 0),
        began(2000, 1, 0),
        event(3000, What::Finished { cause: crate::outcome::Cause::Stopped, why: "Ctrl-C".into() }),
    ];
    let expected = [
        span("crawl", 1000, 2000, false),
        span("up", 1000, 2000, false),
        span("climb", 2000, 3000, false),
        span("up", 2000, 3000, false),
    ];
    assert_eq!(spans(&records), expected);
}

#[test]
fn no_records_give_empty_columns_with_every_name() {
    let plan = plan_of(RIG, UNIT, SUITE);
    let columns = columns(&plan, &[]);
    assert_eq!((columns.series.len(), columns.demands.len(), columns.links.len()), (22, 2, 1));
    assert!(columns.spans.is_empty());
}

/// A burst that came whole, one that could not be read, one of which a piece is missing, one that never began, and one that
/// was under way when its segment ended: the first is a burst, the next three are lost, the last is neither.
#[test]
fn bursts_that_did_not_come_whole_are_kept_as_lost() {
    let plan = plan_of(RIG, UNIT, SUITE);
    let sort = plan.bursts.iter().position(|b| b.name == "phase").expect("a burst");
    let triggered =
        |number: u32, t: i64| event(t, What::BurstTriggered { burst: sort, number, t: 1000 * t, u: 40.0 });
    let lost =
        |number: u32, t: i64, why: &str| event(t, What::BurstLost { burst: sort, number, why: why.into() });
    let piece = |number: u32, t: i64, offset: usize| {
        let counts = vec![7; plan.bursts[sort].chunk];
        Record::Chunk(Chunk { at: ms(t), burst: sort, number, channel: 0, offset: offset as u32, counts })
    };
    let pieces = |number: u32, t: i64| {
        let offsets = (0..plan.bursts[sort].samples).step_by(plan.bursts[sort].chunk);
        offsets.map(|offset| piece(number, t, offset)).collect::<Vec<_>>()
    };
    let torn = [triggered(2, 3000), piece(2, 3100, 0), piece(2, 3100, 2 * plan.bursts[sort].chunk)];
    let records: Vec<Record> = [triggered(0, 1000)]
        .into_iter()
        .chain(pieces(0, 1500))
        .chain([triggered(1, 2000), piece(1, 2500, 0), lost(1, 2700, "no reply, 3 times in a row")])
        .chain(torn)
        .chain([lost(3, 4000, "a block of another length came, 3 times in a row")])
        .chain([triggered(4, 5000), piece(4, 5500, 0), lost(4, 5600, crate::record::NO_LONGER_WANTED)])
        .collect();
    let columns = columns(&plan, &records);
    assert_eq!(columns.bursts.iter().map(|b| b.t0).collect::<Vec<_>>(), [1_000_000]);
    let found: Vec<(f64, &str)> = columns.lost_bursts.iter().map(|b| (b.t, b.why.as_str())).collect();
    assert_eq!(
        found,
        [
            (2.0, "no reply, 3 times in a row, given up at 2.700 s"),
            (3.0, "not all of its pieces are in the record"),
            (4.0, "a block of another length came, 3 times in a row, given up at 4.000 s"),
        ]
    );
    assert!(columns.lost_bursts.iter().all(|b| b.name == "phase" && b.channels == ["current_a"]));
    let within = |t0, t1| columns.lost_burst_within("current_a", t0, t1).map(|b| b.t);
    assert_eq!((within(0.0, 9.0), within(2.5, 9.0), within(4.5, 9.0)), (Some(2.0), Some(3.0), None));
    assert!(columns.lost_burst_within("axial", 0.0, 9.0).is_none());
}
