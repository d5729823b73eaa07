//! What a trace must give back, and what it must survive.

mod damage;
mod folder;
mod full_disk;
mod round_trip;

use super::sink::Sink;
use super::writer::Writer;
use crate::outcome::Cause;
use crate::record::*;
use crate::time::Instant;
use crate::trace::codec::{Trace, decode};
use std::io;
use std::sync::{Arc, Mutex};

/// A disk in memory: every append kept as a piece of its own, so that a test knows where batches end.
#[derive(Clone, Default)]
struct Disk(Arc<Mutex<State>>);

#[derive(Default)]
struct State {
    files: Vec<(String, Vec<Vec<u8>>)>,
    /// Bytes that still fit; `None` for any number.
    room: Option<usize>,
    /// Whether cutting back fails as well.
    broken: bool,
    syncs: usize,
}

struct MemorySink {
    disk: Disk,
    index: usize,
}

impl Disk {
    fn writer(&self, layout: &Layout) -> Writer {
        let sink = |name: &str| {
            let mut state = self.0.lock().expect("no test panics while it holds the disk");
            state.files.push((name.into(), Vec::new()));
            let sink = MemorySink { disk: self.clone(), index: state.files.len() - 1 };
            Ok(Box::new(sink) as Box<dyn Sink>)
        };
        Writer::with_sinks(layout, sink).expect("the disk has room for the heads")
    }

    fn state(&self) -> std::sync::MutexGuard<'_, State> {
        self.0.lock().expect("no test panics while it holds the disk")
    }

    fn files(&self) -> Vec<(String, Vec<u8>)> {
        self.state().files.iter().map(|(name, pieces)| (name.clone(), pieces.concat())).collect()
    }

    /// Appends made to a stream so far, its head included.
    fn pieces(&self, name: &str) -> usize {
        self.state().files.iter().find(|(n, _)| n == name).expect(name).1.len()
    }

    fn read(&self) -> Trace {
        decode(self.files()).expect("the schema is ours")
    }
}

impl Sink for MemorySink {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut state = self.disk.state();
        let fits = state.room.unwrap_or(usize::MAX).min(bytes.len());
        if let Some(room) = &mut state.room {
            *room -= fits;
        }
        // As a disk does it: what fits is written before the error comes.
        state.files[self.index].1.push(bytes[..fits].to_vec());
        if fits < bytes.len() { Err(io::ErrorKind::StorageFull.into()) } else { Ok(()) }
    }

    fn cut_back(&mut self, length: u64) -> io::Result<()> {
        let mut state = self.disk.state();
        if state.broken {
            return Err(io::Error::other("the disk is gone"));
        }
        let torn = state.files[self.index].1.pop().map_or(0, |piece| piece.len());
        if let Some(room) = &mut state.room {
            *room += torn;
        }
        assert_eq!(
            state.files[self.index].1.concat().len() as u64,
            length,
            "cut back to the last whole message"
        );
        Ok(())
    }

    fn sync(&mut self) -> io::Result<()> {
        self.disk.state().syncs += 1;
        Ok(())
    }
}

fn quantity(name: &str, unit: &str, kind: &str) -> QuantityLayout {
    QuantityLayout { name: name.into(), unit: unit.into(), kind: kind.into() }
}

fn layout() -> Layout {
    Layout {
        groups: vec![
            GroupLayout {
                name: "drive".into(),
                link: "board".into(),
                fields: vec![
                    Some(quantity("speed", "rpm", "speed")),
                    None,
                    Some(quantity("bus", "V", "voltage")),
                ],
            },
            GroupLayout {
                name: "slow one".into(),
                link: "board".into(),
                fields: vec![Some(quantity("winding", "°C", "temperature"))],
            },
        ],
        demands: vec![quantity("speed", "rpm", "speed"), quantity("pump", "%", "number")],
        links: vec!["board".into(), "supply".into()],
        bursts: vec![BurstLayout {
            name: "phase".into(),
            rate: 1e4,
            u_rate: 1e-4,
            samples: 4,
            channels: vec![BurstChannelLayout { quantity: quantity("a", "A", "current"), scale: 0.1953125 }],
        }],
        run: None,
    }
}

fn at(micros: i64) -> Instant {
    Instant::from_micros(micros)
}

fn row(group: usize, t: i64, values: &[Option<f64>]) -> Record {
    Record::Row(Row {
        group,
        t_request: at(t - 900),
        t_reply: at(t),
        t_sample: at(t - 450),
        u_sample: 259.8,
        values: values.to_vec(),
        status: if values.iter().all(Option::is_none) { RowStatus::Lost } else { RowStatus::Ok },
    })
}

fn sent(t: i64, demand: usize, value: f64) -> Record {
    Record::Sent(Sent { at: at(t), demand, value })
}

fn chunk(t: i64, offset: u32, counts: &[i16]) -> Record {
    Record::Chunk(Chunk { at: at(t), burst: 0, number: 3, channel: 0, offset, counts: counts.into() })
}

fn event(t: i64, what: What) -> Record {
    Record::Event(Event { at: at(t), what })
}

fn input(seq: u64, t: i64, payload: &[u8]) -> LoggedInput {
    LoggedInput {
        seq,
        at: at(t),
        kind: 0,
        link: 1,
        payload: payload.into(),
        outputs: seq.wrapping_mul(0x9E37_79B9_7F4A_7C15),
    }
}

/// One entry of a run.
#[derive(Debug, Clone)]
enum Entry {
    Record(Record),
    Input(LoggedInput),
}

/// A short run with something of everything, numbered from 0.
fn short_run() -> Vec<Entry> {
    let mut entries = Vec::new();
    for i in 0..14i64 {
        let t = 1000 + i * 40_000;
        entries.push(Entry::Input(input(entries.len() as u64, t, format!("{i},1.5\n").as_bytes())));
        entries.push(Entry::Record(row(0, t, &[Some(100.0 * i as f64), None, Some(155.25)])));
        if i % 5 == 0 {
            entries.push(Entry::Record(row(1, t + 10, &[Some(25.0 + i as f64)])));
            entries.push(Entry::Record(sent(t + 20, (i % 2) as usize, 10.5 * i as f64)));
        }
        if i % 6 == 0 {
            entries.push(Entry::Record(chunk(t + 25, i as u32, &[i as i16, -1, i16::MIN])));
        }
        if i % 11 == 0 {
            entries.push(Entry::Record(event(t + 30, What::Note { text: format!("mark {i}") })));
        }
    }
    entries.push(Entry::Record(event(600_000, What::StopBegan { reason: "profile ended".into() })));
    entries.push(Entry::Record(event(700_000, What::Finished { cause: Cause::Passed, why: "done".into() })));
    entries
}

fn write(writer: &mut Writer, seq: u64, entry: &Entry) -> io::Result<()> {
    match entry {
        Entry::Record(record) => writer.record(seq, record),
        Entry::Input(input) => writer.input(input),
    }
}

/// Writes a run whole and closes it.
fn record(layout: &Layout, entries: &[Entry]) -> Disk {
    let disk = Disk::default();
    let mut writer = disk.writer(layout);
    for (seq, entry) in entries.iter().enumerate() {
        write(&mut writer, seq as u64, entry).expect("the entry fits the layout");
    }
    writer.finish().expect("the disk has room");
    disk
}

/// A record as text in which two are equal only if every bit of them is: NaN is not NaN otherwise.
fn bits(record: &Record) -> String {
    let hex = |v: f64| format!("{:016x}", v.to_bits());
    match record {
        Record::Row(r) => {
            let values: Vec<_> = r.values.iter().map(|v| v.map(hex)).collect();
            let times = (r.t_request, r.t_reply, r.t_sample);
            format!("{} {times:?} {} {values:?} {:?}", r.group, hex(r.u_sample), r.status)
        }
        Record::Sent(s) => format!("{:?} {} {}", s.at, s.demand, hex(s.value)),
        Record::Event(e) => format!("{e:?}"),
        Record::Chunk(c) => format!("{c:?}"),
    }
}

/// What an entry must come back as.
fn entry_bits(entry: &Entry) -> String {
    match entry {
        Entry::Record(record) => bits(record),
        Entry::Input(input) => format!("{input:?}"),
    }
}

/// Everything in a trace by sequence number.
fn by_seq(trace: &Trace) -> Vec<(u64, String)> {
    let mut all: Vec<_> = trace.records.iter().map(|(seq, record)| (*seq, bits(record))).collect();
    all.extend(trace.inputs.iter().map(|input| (input.seq, format!("{input:?}"))));
    all.sort();
    all
}
