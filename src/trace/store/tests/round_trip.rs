use super::*;
use crate::record::{By, Process};
use proptest::prelude::*;

fn every_event() -> Vec<What> {
    let s = || "täxt \"quoted\"\n\u{0}".to_string();
    vec![
        What::Identity { link: s(), fields: vec![("maker".into(), s()), ("build".into(), "".into())] },
        What::Setting { link: s(), name: s(), value: s() },
        What::SettingsHash { sha256: "00ff".into() },
        What::PreCheck { name: s(), holds: false, grade: Grade::Inferred, found: s(), test: 3 },
        What::Asked { id: s() },
        What::Answered { id: s(), yes: true, by: s() },
        What::State { state: s() },
        What::TestBegan { test: usize::MAX },
        What::SegmentBegan { test: 0, segment: 1 },
        What::ProfileEnded { test: 0 },
        What::Trip { trip: s(), found: s(), sampled: i64::MAX },
        What::StopBegan { reason: s() },
        What::StopSent { link: s() },
        What::Stage { stage: Stage::DeEnergised, confirmed: true, found: s() },
        What::Unsolicited { link: s(), text: s() },
        What::Late { link: s(), text: s() },
        What::Garbage { link: s(), text: s() },
        What::LinkLost { link: s(), why: s() },
        What::TestEnded { test: 0, complete: false },
        What::Finished { cause: Cause::NotConfirmed, why: s() },
        What::Note { text: s() },
        What::TorqueOff { test: 0, found: s() },
        What::SwitchedOff { test: 0, found: s() },
        What::TookOff { by: By::CommandTimeout, finding: true, between: (i64::MIN, i64::MAX), found: s() },
        What::OperatorStep { test: 0, id: s(), ask: s() },
        What::Marked { test: 7 },
        What::BurstTriggered { burst: 1, number: 2, t: i64::MIN, u: 0.1 + 0.2 },
        What::BurstLost { burst: 0, number: u32::MAX, why: s() },
        What::PossibleRestart { found: s() },
        What::AskedAgain { because: s(), same: false, found: s() },
        What::StopFrameProved { test: 3, found: s(), took: (0, i64::MAX), controller: 7 },
        What::StoodStill { process: Process::Runner, from: 1, to: i64::MAX },
        What::BlamesComputer { process: Process::Twin, from: 0, to: 7 },
        What::Lateness { worst: 3, at: 2, bound: 1, over: u32::MAX },
    ]
}

/// A place for each variant: one that is added does not compile here until it has a row above.
fn place(what: &What) -> usize {
    match what {
        What::Identity { .. } => 0,
        What::Setting { .. } => 1,
        What::SettingsHash { .. } => 2,
        What::PreCheck { .. } => 3,
        What::Asked { .. } => 4,
        What::Answered { .. } => 5,
        What::State { .. } => 6,
        What::TestBegan { .. } => 7,
        What::SegmentBegan { .. } => 8,
        What::ProfileEnded { .. } => 9,
        What::Trip { .. } => 10,
        What::StopBegan { .. } => 11,
        What::StopSent { .. } => 12,
        What::Stage { .. } => 13,
        What::Unsolicited { .. } => 14,
        What::Late { .. } => 15,
        What::Garbage { .. } => 16,
        What::LinkLost { .. } => 17,
        What::TestEnded { .. } => 18,
        What::Finished { .. } => 19,
        What::Note { .. } => 20,
        What::TorqueOff { .. } => 21,
        What::SwitchedOff { .. } => 22,
        What::OperatorStep { .. } => 23,
        What::Marked { .. } => 24,
        What::BurstTriggered { .. } => 25,
        What::BurstLost { .. } => 26,
        What::PossibleRestart { .. } => 27,
        What::AskedAgain { .. } => 28,
        What::TookOff { .. } => 29,
        What::StopFrameProved { .. } => 30,
        What::StoodStill { .. } => 31,
        What::BlamesComputer { .. } => 32,
        What::Lateness { .. } => 33,
    }
}

#[test]
fn every_event_comes_back() {
    let events = every_event();
    let mut places: Vec<usize> = events.iter().map(place).collect();
    places.sort();
    assert_eq!(places, Vec::from_iter(0..34), "one row for each variant of `What`");
    let entries: Vec<_> =
        events.into_iter().enumerate().map(|(i, what)| Entry::Record(event(i as i64, what))).collect();
    comes_back(&layout(), &entries);
}

#[test]
fn a_null_is_not_nan_and_no_bit_of_a_number_is_lost() {
    let odd = f64::from_bits(0x7FF8_0000_DEAD_BEEF);
    let values =
        [None, Some(f64::NAN), Some(odd), Some(-0.0), Some(f64::INFINITY), Some(f64::MIN_POSITIVE / 4.0)];
    let entries: Vec<_> = values
        .iter()
        .enumerate()
        .map(|(i, v)| Entry::Record(row(0, i as i64, &[*v, Some(1.0), None])))
        .collect();
    let trace = comes_back(&layout(), &entries);
    let first = |index: usize| match &trace.records[index].1 {
        Record::Row(row) => row.values[0],
        _ => panic!("only rows were written"),
    };
    assert_eq!(first(0), None);
    assert!(first(1).is_some_and(f64::is_nan));
    assert_eq!(first(2).map(f64::to_bits), Some(odd.to_bits()));
}

#[test]
fn the_order_of_the_run_is_told_again_across_streams() {
    let entries = short_run();
    let trace = comes_back(&layout(), &entries);
    assert!(trace.records.is_sorted_by_key(|(seq, _)| *seq));
    let order: Vec<_> = trace.records.iter().map(|(_, record)| bits(record)).collect();
    let expected: Vec<_> = entries.iter().filter(|e| matches!(e, Entry::Record(_))).map(entry_bits).collect();
    assert_eq!(order, expected);
    assert_eq!(trace.layout, layout());
}

#[test]
fn two_recordings_of_one_run_are_equal_byte_for_byte() {
    assert_eq!(record(&layout(), &short_run()).files(), record(&layout(), &short_run()).files());
}

#[test]
fn a_batch_is_closed_by_number_by_age_and_at_each_stop() {
    let disk = Disk::default();
    let mut writer = disk.writer(&layout());
    let mut seq = 0..;
    let mut put = |writer: &mut Writer, record: Record| {
        writer.record(seq.next().expect("the numbers do not run out"), &record).expect("the disk has room");
    };
    let drive = |disk: &Disk| disk.pieces("poll-drive.arrows");
    let value = [Some(1.0), None, None];
    for i in 0..99 {
        put(&mut writer, row(0, 1000 + i, &value));
    }
    assert_eq!(drive(&disk), 1, "99 rows wait");
    put(&mut writer, row(0, 2000, &value));
    assert_eq!(drive(&disk), 2, "100 rows are a batch");
    put(&mut writer, row(0, 10_000, &value));
    writer.tick(at(259_999)).expect("the disk has room");
    assert_eq!(drive(&disk), 2, "249.999 ms is not old enough");
    writer.tick(at(260_000)).expect("the disk has room");
    assert_eq!(drive(&disk), 3, "250 ms is");
    put(&mut writer, row(0, 300_000, &value));
    put(&mut writer, sent(550_000, 0, 1.0));
    assert_eq!(drive(&disk), 4, "another stream's record tells the time as well");
    put(&mut writer, row(0, 560_000, &value));
    let syncs = disk.state().syncs;
    put(&mut writer, event(561_000, What::StopSent { link: "board".into() }));
    assert_eq!((drive(&disk), disk.state().syncs), (4, syncs), "a repeated stop frame is no stop");
    put(&mut writer, event(562_000, What::StopBegan { reason: "trip".into() }));
    assert_eq!(drive(&disk), 5, "a stop closes every stream");
    assert_eq!(disk.pieces("events.arrows"), 2, "with the stop in it");
    assert_eq!(disk.state().syncs, syncs + 6, "and waits for the disk");
    drop(writer);
    assert_eq!(disk.read().records.len(), 106, "without any end");
}

#[test]
fn what_does_not_fit_the_layout_is_refused_and_harms_nothing() {
    let disk = Disk::default();
    let mut writer = disk.writer(&layout());
    let good = row(1, 10, &[Some(1.0)]);
    writer.record(5, &good).expect("it fits");
    for (record, seq, phrase) in [
        (row(2, 10, &[None]), 6, "poll group 2 where the layout has 2"),
        (row(1, 10, &[None, None]), 6, "a row of 2 values in a group of 1 fields"),
        (sent(10, 2, 0.0), 6, "demand 2 where the layout has 2"),
        (chunk_of(1, 0), 6, "burst 1 where the layout has 1"),
        (chunk_of(0, 1), 6, "channel 1 of burst 0 in the stream of burst 0 of 1 channels"),
        (good.clone(), 5, "sequence number 5 after 5"),
    ] {
        let error = writer.record(seq, &record).expect_err(phrase);
        assert_eq!(error.kind(), io::ErrorKind::InvalidInput);
        assert!(error.to_string().contains(phrase), "{error}");
    }
    writer.record(6, &good).expect("it fits");
    writer.finish().expect("the disk has room");
    let trace = disk.read();
    assert_eq!((trace.records.len(), trace.cut.len()), (2, 0));
    assert_eq!(trace.gaps(), std::slice::from_ref(&(0..5)));
}

fn chunk_of(burst: usize, channel: usize) -> Record {
    Record::Chunk(Chunk { at: at(10), burst, number: 0, channel, offset: 0, counts: vec![1] })
}

#[test]
fn names_that_a_file_cannot_have_get_files_of_their_own() {
    let group = |name: &str| GroupLayout {
        name: name.into(),
        link: String::new(),
        fields: ["seq", "check", "a", "a"].iter().map(|n| Some(quantity(n, "", "number"))).collect(),
    };
    let names = ["a/b", "a b", "A-b", "../x", "", "é", "con.txt"];
    let layout = Layout { groups: names.iter().map(|n| group(n)).collect(), ..Layout::default() };
    let values = [Some(1.0), None, Some(3.0), Some(4.0)];
    let entries: Vec<_> = (0..names.len()).map(|g| Entry::Record(row(g, 0, &values))).collect();
    comes_back(&layout, &entries);
    let files = record(&layout, &entries).files();
    let polls: Vec<_> = files.iter().skip(3).map(|(name, _)| name.as_str()).collect();
    let expected = ["a-b", "a-b-2", "A-b-3", "x", "unnamed", "unnamed-2", "con-txt"];
    assert_eq!(polls, expected.map(|n| format!("poll-{n}.arrows")));
}

fn comes_back(layout: &Layout, entries: &[Entry]) -> Trace {
    let trace = record(layout, entries).read();
    assert_eq!(trace.cut, [], "a closed trace is whole");
    assert_eq!(trace.gaps(), [], "no number of the run's sequence is missing");
    let expected: Vec<_> = entries.iter().enumerate().map(|(i, e)| (i as u64, entry_bits(e))).collect();
    assert_eq!(by_seq(&trace), expected);
    trace
}

fn any_value() -> impl Strategy<Value = Option<f64>> {
    prop_oneof![
        Just(None),
        any::<u64>().prop_map(|bits| Some(f64::from_bits(bits))),
        any::<f64>().prop_map(Some)
    ]
}

fn any_text() -> impl Strategy<Value = String> {
    prop_oneof!["[a-z _]{0,8}", any::<String>()]
}

fn any_layout() -> impl Strategy<Value = Layout> {
    let quantity = || {
        (any_text(), any_text(), any_text()).prop_map(|(name, unit, kind)| QuantityLayout {
            name,
            unit,
            kind,
        })
    };
    let fields = proptest::collection::vec(proptest::option::of(quantity()), 0..5);
    let group =
        (any_text(), any_text(), fields).prop_map(|(name, link, fields)| GroupLayout { name, link, fields });
    let groups = proptest::collection::vec(group, 1..4);
    let demands = proptest::collection::vec(quantity(), 1..3);
    (groups, demands, proptest::collection::vec(any_text(), 0..3))
        .prop_map(|(groups, demands, links)| Layout { groups, demands, links, bursts: Vec::new(), run: None })
}

fn any_entry(layout: &Layout) -> impl Strategy<Value = Entry> + use<> {
    let layout = layout.clone();
    let groups = layout.groups.len();
    let row = (0..groups, any::<[i64; 3]>(), any_value(), 0..4u8, proptest::collection::vec(any_value(), 5))
        .prop_map(move |(group, [t_request, t_reply, t_sample], u, status, mut values)| {
            values.truncate(layout.groups[group].fields.len());
            Entry::Record(Record::Row(Row {
                group,
                t_request: at(t_request),
                t_reply: at(t_reply),
                t_sample: at(t_sample),
                u_sample: u.unwrap_or(0.0),
                values,
                status: RowStatus::from_code(status).expect("0 to 3 are statuses"),
            }))
        });
    let sent =
        (any::<i64>(), any::<u64>()).prop_map(|(t, value)| Entry::Record(sent(t, 0, f64::from_bits(value))));
    let event = (any::<i64>(), 0..22usize, any_text()).prop_map(|(t, kind, text)| {
        let what = if kind == 19 { What::Note { text } } else { every_event().swap_remove(kind) };
        Entry::Record(event(t, what))
    });
    let payload = proptest::collection::vec(any::<u8>(), 0..40);
    let input = (any::<i64>(), any::<u8>(), any::<u16>(), payload, any::<u64>()).prop_map(
        |(t, kind, link, payload, outputs)| {
            Entry::Input(LoggedInput { seq: 0, at: at(t), kind, link, payload, outputs })
        },
    );
    prop_oneof![4 => row, 1 => sent, 1 => event, 2 => input]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whatever_is_written_comes_back(
        (layout, mut entries) in any_layout().prop_flat_map(|layout| {
            let entries = proptest::collection::vec(any_entry(&layout), 0..250);
            (Just(layout), entries)
        })
    ) {
        for (seq, entry) in entries.iter_mut().enumerate() {
            if let Entry::Input(input) = entry {
                input.seq = seq as u64;
            }
        }
        comes_back(&layout, &entries);
    }
}
