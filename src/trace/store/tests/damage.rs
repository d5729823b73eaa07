use super::*;
use crate::trace::codec::{Cut, CutKind};
use rand::{RngExt, SeedableRng};
use std::collections::BTreeMap;

/// Pieces of each stream as they were appended, with the number of rows read once each is there.
fn pieces(disk: &Disk) -> Vec<(String, Vec<Vec<u8>>)> {
    disk.state().files.clone()
}

fn rows_alone(name: &str, bytes: &[u8]) -> usize {
    let trace = decode(vec![(name.to_string(), bytes.to_vec())]).expect("the schema is ours");
    trace.records.len() + trace.inputs.len()
}

/// A stream and one other beside it, which says what the columns are when the first one's head is cut.
/// Two streams and not all: in a test build each decoding costs a tenth of a millisecond a stream.
fn with_witness(files: &[(String, Vec<u8>)], which: usize) -> Vec<(String, Vec<u8>)> {
    let witness = usize::from(which == 0);
    vec![files[which].clone(), files[witness].clone()]
}

/// What was passed over of the streams that are there.
fn cuts(trace: Trace) -> Vec<Cut> {
    trace.cut.into_iter().filter(|cut| cut.why != CutKind::Missing).collect()
}

#[test]
fn cut_at_any_byte_all_whole_batches_come_back() {
    let disk = record(&layout(), &short_run());
    let files = disk.files();
    let mut tried = 0;
    for (which, (name, pieces)) in pieces(&disk).iter().enumerate() {
        let mut ends = vec![0];
        ends.extend(pieces.iter().scan(0, |sum, piece| {
            *sum += piece.len();
            Some(*sum)
        }));
        let two = with_witness(&files, which);
        let whole = by_seq(&decode(two.clone()).expect("the schema is ours"));
        let length = two[0].1.len();
        let rows: Vec<usize> = ends.iter().map(|end| rows_alone(name, &two[0].1[..*end])).collect();
        assert!(rows.len() >= 4 && rows.is_sorted(), "nothing, a head, batches and an end mark: {rows:?}");
        for keep in 0..length {
            let mut two = two.clone();
            two[0].1.truncate(keep);
            let trace = decode(two).expect("the schema is ours");
            let last = ends.iter().rposition(|end| *end <= keep).expect("the first end is 0");
            let lost = rows[rows.len() - 1] - rows[last];
            let found = by_seq(&trace);
            assert_eq!(found.len(), whole.len() - lost, "{name} cut at {keep} of {length}");
            assert!(found.iter().all(|entry| whole.binary_search(entry).is_ok()));
            let (at, bytes) = (ends[last] as u64, (keep - ends[last]) as u64);
            let why = if bytes == 0 { CutKind::NoEnd } else { CutKind::Torn };
            let expected = Cut { stream: format!("trace/{name}"), at, bytes, why };
            assert_eq!(cuts(trace), [expected], "{name} cut at {keep} of {length}");
            tried += 1;
        }
    }
    assert_eq!(tried, files.iter().map(|(_, bytes)| bytes.len()).sum::<usize>());
}

#[test]
fn all_streams_cut_at_once_still_give_what_is_whole() {
    let disk = record(&layout(), &short_run());
    let whole = by_seq(&disk.read());
    for share in 0..=100 {
        let mut files = disk.files();
        for (_, bytes) in &mut files {
            bytes.truncate(bytes.len() * share / 100);
        }
        let trace = decode(files).expect("the schema is ours");
        assert!(by_seq(&trace).iter().all(|entry| whole.binary_search(entry).is_ok()));
        assert_eq!(trace.cut.is_empty(), share == 100);
    }
}

/// 6000 places drawn with a fixed seed; one, two or three bits within four bytes.
#[test]
fn flipped_bits_never_give_a_wrong_row_and_never_go_unnoticed_where_a_row_is_lost() {
    let disk = record(&layout(), &short_run());
    let files = disk.files();
    let whole: BTreeMap<u64, String> = by_seq(&disk.read()).into_iter().collect();
    let in_two: Vec<usize> = (0..files.len())
        .map(|which| by_seq(&decode(with_witness(&files, which)).expect("the schema is ours")).len())
        .collect();
    let mut random = rand_xoshiro::Xoshiro256PlusPlus::seed_from_u64(20_261_125);
    let (mut noticed, mut refused) = (0, 0);
    for round in 0..6000 {
        let which = random.random_range(0..files.len());
        let mut two = with_witness(&files, which);
        let bytes = &mut two[0].1;
        let place = random.random_range(0..bytes.len() - 4);
        for _ in 0..=round % 3 {
            bytes[place + random.random_range(0..4)] ^= 1 << random.random_range(0..8u8);
        }
        let Ok(trace) = decode(two) else {
            refused += 1;
            continue;
        };
        let found = by_seq(&trace);
        for (seq, entry) in &found {
            assert_eq!(whole.get(seq), Some(entry), "round {round}");
        }
        let cuts = cuts(trace);
        assert!(found.len() == in_two[which] || !cuts.is_empty(), "round {round} lost rows without a word");
        noticed += usize::from(!cuts.is_empty());
    }
    // Not every byte matters: there is padding, and two heads against each other have no majority. Most do.
    assert!(noticed > 3000, "{noticed} of 6000 noticed");
    assert!(refused < 20, "{refused} of 6000 taken for a newer schema");
}

#[test]
fn a_page_of_zeros_within_a_batch_is_not_read_as_readings_of_zero() {
    let entries: Vec<_> =
        (0..100).map(|i| Entry::Record(row(0, i * 1000, &[Some(1500.0), Some(7.0), Some(155.0)]))).collect();
    let disk = record(&layout(), &entries);
    let whole = by_seq(&disk.read());
    let files = disk.files();
    let which = files.iter().position(|(name, _)| name == "poll-drive.arrows").expect("the layout has it");
    let length = files[which].1.len();
    for start in (0..length).step_by(256) {
        let mut files = files.clone();
        files[which].1[start..(start + 512).min(length)].fill(0);
        let trace = decode(files).expect("the schema is ours");
        assert!(!trace.cut.is_empty(), "zeros from {start}");
        assert!(by_seq(&trace).iter().all(|entry| whole.binary_search(entry).is_ok()), "zeros from {start}");
    }
}

#[test]
fn zeros_at_the_end_are_a_cut_and_not_an_end() {
    let disk = record(&layout(), &short_run());
    for (closed, lost) in [(true, 0), (false, 0), (false, 40)] {
        let mut files = disk.files();
        let bytes = &mut files[1].1;
        let end_mark = 8;
        if !closed {
            bytes.truncate(bytes.len() - end_mark - lost);
        }
        bytes.resize(bytes.len() + 4096, 0);
        let cut = decode(files).expect("the schema is ours").cut;
        let last = cut.last().expect("something was passed over");
        match (closed, lost) {
            // An end mark with anything behind it is no end.
            (true, _) => assert_eq!((last.bytes, &last.why), (4096 + 8, &CutKind::Torn)),
            (false, 0) => assert_eq!((last.bytes, &last.why), (4096, &CutKind::Zeros)),
            _ => assert!(cut.iter().any(|c| matches!(c.why, CutKind::Damaged(_))), "{cut:?}"),
        }
    }
}

#[test]
fn a_damaged_length_costs_one_batch_and_not_the_rest() {
    let disk = record(&layout(), &short_run());
    let pieces = pieces(&disk);
    let (name, inputs) = &pieces[0];
    assert!(inputs.len() >= 4, "a head, two batches and an end mark");
    let mut files = disk.files();
    files[0].1[inputs[0].len() + 5] ^= 0x40;
    let trace = decode(files).expect("the schema is ours");
    let first_batch = rows_alone(name, &inputs[..2].concat());
    assert_eq!(trace.inputs.len(), disk.read().inputs.len() - first_batch);
    assert_eq!(trace.cut.len(), 1);
    assert_eq!((trace.cut[0].at, trace.cut[0].bytes), (inputs[0].len() as u64, inputs[1].len() as u64));
}

#[test]
fn a_damaged_head_is_outvoted_by_the_other_streams() {
    let disk = record(&layout(), &short_run());
    for which in 0..disk.files().len() {
        let mut files = disk.files();
        let head = pieces(&disk)[which].1[0].len();
        files[which].1[..head].fill(0xA5);
        let trace = decode(files).expect("the schema is ours");
        assert_eq!(by_seq(&trace), by_seq(&disk.read()));
        assert_eq!(trace.cut.len(), 1);
    }
}

#[test]
fn a_missing_stream_is_named_and_the_others_are_read() {
    let disk = record(&layout(), &short_run());
    let mut files = disk.files();
    let (name, _) = files.remove(3);
    let trace = decode(files).expect("the schema is ours");
    assert_eq!(trace.cut.len(), 1);
    assert_eq!(
        (trace.cut[0].stream.as_str(), &trace.cut[0].why),
        (&*format!("trace/{name}"), &CutKind::Missing)
    );
    assert_eq!(trace.inputs.len(), 14);
    assert!(!trace.gaps().is_empty());
}

#[test]
fn empty_and_foreign_streams_are_no_reason_to_panic() {
    for bytes in [&b""[..], b"ARROW1\0\0", &[0; 1000], &[0xFF; 1000], b"\xFF\xFF\xFF\xFF\0\0\0\0"] {
        let trace = decode(vec![("events.arrows".into(), bytes.to_vec())]).expect("no schema at all");
        assert_eq!((trace.records.len(), trace.cut.len()), (0, 1));
    }
}
