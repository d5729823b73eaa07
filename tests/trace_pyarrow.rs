//! A trace opened by another reader of Arrow, the PyPI package `pyarrow`.

use spinproof::record::{
    BurstChannelLayout, BurstLayout, Chunk, Event, GroupLayout, Layout, LoggedInput, QuantityLayout, Record,
    Row, RowStatus, Sent, What,
};
use spinproof::time::Instant;
use spinproof::trace::Writer;
use std::path::Path;
use std::process::Command;

#[test]
fn another_reader_finds_the_same_columns_metadata_and_values() {
    let temp = tempfile::tempdir().expect("a temporary folder");
    write_sample(temp.path());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/pyarrow_reads.py");
    let output = Command::new("python3").arg(script).arg(temp.path()).output().expect(
        "python3 must be on the path: install it (on Debian: apt install python3 python3-pip), then \
         python3 -m pip install -r tests/requirements.txt",
    );
    assert!(
        output.status.success(),
        "the Python package `pyarrow` does not read the trace as it should; if it is missing, install it with\n    \
         python3 -m pip install -r tests/requirements.txt\nand see what python3 said:\n{}",
        String::from_utf8_lossy(&output.stderr)
    );
    println!("{}", String::from_utf8_lossy(&output.stdout).trim());
}

fn quantity(name: &str, unit: &str, kind: &str) -> QuantityLayout {
    QuantityLayout { name: name.into(), unit: unit.into(), kind: kind.into() }
}

/// The figures in here are those that the script expects.
fn write_sample(dir: &Path) {
    let group = |name: &str, fields| GroupLayout { name: name.into(), link: "board".into(), fields };
    let layout = Layout {
        groups: vec![
            // A channel may bear the name of a column that is there already.
            group(
                "drive",
                vec![Some(quantity("speed", "rpm", "speed")), None, Some(quantity("seq", "V", "voltage"))],
            ),
            group("slow one", vec![Some(quantity("winding", "°C", "temperature"))]),
        ],
        demands: vec![quantity("speed", "rpm", "speed")],
        links: vec!["board".into()],
        bursts: vec![BurstLayout {
            name: "phase".into(),
            rate: 1e4,
            u_rate: 5e-5,
            samples: 3,
            channels: vec![BurstChannelLayout { quantity: quantity("a", "A", "current"), scale: 0.1953125 }],
        }],
        run: None,
    };
    let at = Instant::from_micros;
    let row = |group, t, values: Vec<Option<f64>>, status| {
        Record::Row(Row {
            group,
            t_request: at(t - 900),
            t_reply: at(t),
            t_sample: at(t - 450),
            u_sample: 259.75,
            values,
            status,
        })
    };
    let mut records: Vec<Record> = (0..250)
        .map(|i| {
            let speed = if i == 7 { f64::NAN } else { 10.0 * f64::from(i) };
            let second = (i % 2 == 1).then_some(-1.5);
            row(0, 1000 + 1000 * i64::from(i), vec![Some(speed), second, Some(155.0)], RowStatus::Ok)
        })
        .collect();
    records.push(row(1, 2000, vec![Some(21.5)], RowStatus::Ok));
    records.push(row(1, 102_000, vec![None], RowStatus::Lost));
    for (number, counts) in [(0, vec![1i16, -1, i16::MIN]), (1, vec![i16::MAX, 0])] {
        let chunk = Chunk { at: at(2500), burst: 0, number, channel: 0, offset: 64, counts };
        records.push(Record::Chunk(chunk));
    }
    records.push(Record::Sent(Sent { at: at(2000), demand: 0, value: 62.5 }));
    let trip =
        What::Trip { trip: "überspeed".into(), found: "2001 rpm, limit 2000 rpm".into(), sampled: 2600 };
    records.push(Record::Event(Event { at: at(3000), what: trip }));
    records.push(Record::Event(Event { at: at(3100), what: What::StopBegan { reason: "trip".into() } }));

    let mut writer = Writer::create(dir, &layout).expect("there is room");
    for (seq, record) in records.iter().enumerate() {
        writer.record(seq as u64, record).expect("it fits the layout");
    }
    let payload = b"0,\xff\x00\n".to_vec();
    let seq = records.len() as u64;
    let input = LoggedInput { seq, at: at(4000), kind: 0, link: 0, payload, outputs: u64::MAX };
    writer.input(&input).expect("it fits the layout");
    writer.finish().expect("there is room");
}
