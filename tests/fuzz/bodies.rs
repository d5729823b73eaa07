//! What any bytes must not break. Each body is run by a fuzz target of this folder and, with few cases, by the
//! ordinary tests (`tests/fuzz_bodies.rs`).
#![allow(dead_code, missing_docs, clippy::unwrap_used)]

use spinproof::diag::{Diag, Sources, render_all};
use spinproof::engine::{Engine, Input, Output, StopReason};
use spinproof::expr::{Expr, Operand};
use spinproof::files::cycle::read_cycle;
use spinproof::files::load::{read_answers, read_rig, read_suite, read_unit};
use spinproof::files::{rig::Rig, suite::Suite, unit::Unit};
use spinproof::plan::{Plan, resolve};
use spinproof::record::Record;
use spinproof::time::{Duration, Instant};
use spinproof::trace::read_streams;
use spinproof::units::{parse_quantity, parse_unit};
use spinproof::wire::scpi::{block, definite_length_block, parse_message};
use spinproof::wire::{Counted, Line, LineReader, Pattern, Template};
use std::sync::{Arc, OnceLock};

const RIG: &str = include_str!("../../fixtures/demo/rig.toml");
const UNIT: &str = include_str!("../../fixtures/demo/unit.toml");
const SUITE: &str = include_str!("../../suites/first-spin.toml");
const CYCLE: &str = "t_s,speed_rpm\n0,0\n2,600\n4.5,600\n6,120\n8,0\n";

/// The sound files as they are read: rig, unit, suite.
fn sound() -> &'static (Sources, Rig, Unit, Suite) {
    static SOUND: OnceLock<(Sources, Rig, Unit, Suite)> = OnceLock::new();
    SOUND.get_or_init(|| {
        let mut sources = Sources::default();
        let rig = read_rig(&mut sources, "rig.toml", RIG).0.unwrap();
        let unit = read_unit(&mut sources, "unit.toml", UNIT).0.unwrap();
        let suite = read_suite(&mut sources, "suite.toml", SUITE).0.unwrap();
        (sources, rig, unit, suite)
    })
}

/// Lines do not depend on how the bytes come, hold no terminator outside a block, and are not too long.
pub fn line_reader(data: &[u8]) {
    let [ends, max, bytes @ ..] = data else { return };
    let ends: &[u8] = if ends.is_multiple_of(2) { b"\n" } else { b"\r\n" };
    let max = usize::from(*max) + 1;
    let lines = |piece: usize| {
        let mut reader = LineReader::new(ends, max);
        bytes.chunks(piece).for_each(|chunk| reader.push(chunk));
        std::iter::from_fn(|| reader.next_line()).collect::<Vec<Line>>()
    };
    let whole = lines(bytes.len().max(1));
    for piece in [1, 2, 7] {
        assert_eq!(lines(piece), whole, "in pieces of {piece}");
    }
    for line in &whole {
        let (Line::Whole(bytes) | Line::TooLong(bytes)) = line;
        assert!(bytes.len() <= max + ends.len() + 1, "{} bytes, {max} allowed", bytes.len());
    }
}

/// Messages and blocks of IEEE 488.2: a block that is written is read again.
pub fn scpi(data: &[u8]) {
    let (units, error) = parse_message(data);
    for unit in &units {
        let _ = (unit.number(), unit.numbers::<2>(), unit.is("MEASure:DRIVe"), unit.is("*IDN"), unit.path());
    }
    if let Some(error) = error {
        assert_ne!(error.code, 0);
    }
    let _ = block(data);
    let mut written = Vec::new();
    definite_length_block(data, &mut written);
    if data.len() < 1_000_000 {
        assert_eq!(block(&written), Some(data));
    }
}

/// Templates and patterns: whatever is taken encodes, and fits what is made from it.
pub fn patterns(data: &[u8]) {
    let [split, number @ ..] = data else { return };
    let (head, tail) = number.split_at(usize::from(*split).min(number.len()));
    let (text, line) = (String::from_utf8_lossy(head), tail);
    let value = f64::from_bits(tail.iter().take(8).fold(0, |n, b| n << 8 | u64::from(*b)));
    if let Ok(template) = Template::parse(&text, b"\n") {
        let bytes = template.encode(value);
        assert_eq!(bytes.last(), Some(&b'\n'));
        let _ = template.rounded(value);
    }
    if let Ok(counted) = Counted::parse(&text, &["offset", "count"], b"\n") {
        counted.encode(&[usize::from(*split), tail.len()]);
    }
    if let Ok(pattern) = Pattern::parse(&text) {
        if let Some(fields) = pattern.fit(line) {
            assert_eq!(fields.len(), pattern.fields().len());
        }
        let _ = (pattern.fit(head), pattern.length_max(16));
    }
}

/// Files of every kind, as they are and after an edit of a sound one: every message has a place and can be shown.
pub fn files(data: &[u8]) {
    let [role, rest @ ..] = data else { return };
    let text = match role / 8 % 2 {
        0 => String::from_utf8_lossy(rest).into_owned(),
        _ => edited([RIG, UNIT, SUITE, CYCLE][usize::from(*role) % 4], rest),
    };
    let (mut sources, mut rig, mut unit, mut suite) = sound().clone();
    let (taken, diags) = match role % 4 {
        0 => {
            let (read, diags) = read_rig(&mut sources, "edited.toml", &text);
            (read.map(|read| rig = read).is_some(), diags)
        }
        1 => {
            let (read, diags) = read_unit(&mut sources, "edited.toml", &text);
            (read.map(|read| unit = read).is_some(), diags)
        }
        2 => {
            let (read, diags) = read_suite(&mut sources, "edited.toml", &text);
            (read.map(|read| suite = read).is_some(), diags)
        }
        _ => {
            let (_, diags) = read_answers(&mut sources, "answers.toml", &text);
            shown(&sources, &diags);
            let file = sources.add("cycle.csv", text.as_str());
            let (table, diags) = read_cycle(file, &text);
            assert!(table.is_some() == diags.is_empty(), "a table or a reason");
            (false, diags)
        }
    };
    assert!(taken || role % 4 == 3 || !diags.is_empty(), "not taken, without a word");
    shown(&sources, &diags);
    if taken && let Err(diags) = resolve(&sources, &rig, &unit, &suite, None) {
        assert!(!diags.is_empty(), "refused without a word");
        shown(&sources, &diags);
    }
}

/// The first messages: each is drawn by itself, and drawing hundreds would take all the time.
fn shown(sources: &Sources, diags: &[Diag]) {
    if !diags.is_empty() {
        assert!(!render_all(&diags[..diags.len().min(4)], sources, false).is_empty());
    }
}

/// A sound text with some of its characters taken out and others put in.
fn edited(text: &str, data: &[u8]) -> String {
    let mut chars: Vec<char> = text.chars().collect();
    for edit in data.chunks(4).take(16) {
        let [high, low, out, put] = [0, 1, 2, 3].map(|i| edit.get(i).copied().unwrap_or(0));
        let at = (usize::from(high) << 8 | usize::from(low)) % chars.len().max(1);
        let end = (at + usize::from(out) % 24).min(chars.len());
        chars.splice(at..end, (put != 0).then(|| char::from(put)));
    }
    chars.into_iter().collect()
}

/// Expressions and quantities: what is taken has a value or none.
pub fn expressions(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    let kind = |unit: &str| parse_unit(unit).unwrap().kind;
    let known = |name: &str| match name {
        "speed" => Some((Operand::Channel(0), kind("rpm"))),
        "bus" => Some((Operand::Channel(1), kind("V"))),
        "winding" => Some((Operand::Channel(2), kind("°C"))),
        "demand.speed" => Some((Operand::Demand(0), kind("rpm"))),
        _ => None,
    };
    match Expr::parse(&text, &known) {
        Ok(expr) => {
            let mut memory = expr.memory();
            for i in 0..20 {
                let value = |operand: Operand| match operand {
                    Operand::Channel(2) if i == 3 => None,
                    Operand::Channel(c) => Some(if i == 5 { f64::NAN } else { (c * i) as f64 - 3.0 }),
                    Operand::Demand(_) => Some(1e300),
                };
                let _ = expr.eval(&mut memory, 0.01 * (i * i % 7) as f64, &value);
            }
        }
        Err(error) => assert!(text.get(error.span.clone()).is_some(), "{error:?} in {text:?}"),
    }
    let _ = (parse_quantity(&text), parse_unit(&text));
}

/// A sound trace, small, and what it holds.
fn sound_trace() -> &'static Vec<(String, Vec<u8>)> {
    static TRACE: OnceLock<Vec<(String, Vec<u8>)>> = OnceLock::new();
    TRACE.get_or_init(|| {
        let plan = plan();
        let dir = std::env::temp_dir().join(format!("spinproof-fuzz-{}", std::process::id()));
        std::fs::create_dir_all(dir.join("trace")).unwrap();
        let mut writer = spinproof::trace::Writer::hurried(&dir, &spinproof::plan::layout(plan)).unwrap();
        let mut engine = spinproof::engine::Logged::new(plan.clone());
        let mut now = Instant::ZERO;
        for input in 0..60 {
            now += Duration::from_millis(20);
            let input = match input % 3 {
                0 => Input::Deadline,
                1 => Input::Bytes { link: 0, bytes: b"a,HC-7 controller,HC7-0042,1.4.0\n".to_vec() },
                _ => Input::Bytes { link: 0, bytes: b"100\n".to_vec() },
            };
            let step = engine.handle(now, input);
            writer.input(&step.input).unwrap();
            for (seq, output) in &step.outputs {
                if let (Some(seq), Output::Record(record)) = (seq, output) {
                    writer.record(*seq, record).unwrap();
                }
            }
        }
        writer.finish().unwrap();
        let files = std::fs::read_dir(dir.join("trace")).unwrap().map(|entry| {
            let path = entry.unwrap().path();
            (path.file_name().unwrap().to_string_lossy().into_owned(), std::fs::read(&path).unwrap())
        });
        let mut files: Vec<(String, Vec<u8>)> = files.collect();
        files.sort();
        std::fs::remove_dir_all(&dir).unwrap();
        files
    })
}

/// A trace that was cut, flipped, or never was one: rows that come back are rows that were written, and where one is
/// missing something is said.
pub fn trace(data: &[u8]) {
    let [which, rest @ ..] = data else { return };
    let sound = sound_trace();
    let mut files = sound.clone();
    let at = usize::from(*which) % files.len();
    if *which >= 200 {
        files[at].1 = rest.to_vec();
    }
    for edit in rest.chunks(4) {
        let [op, high, low, value] = [0, 1, 2, 3].map(|i| edit.get(i).copied().unwrap_or(0));
        let bytes = &mut files[at].1;
        let place = (usize::from(high) << 8 | usize::from(low)) % bytes.len().max(1);
        match op % 4 {
            0 if !bytes.is_empty() => bytes[place] ^= value,
            1 => bytes.truncate(place),
            2 if !bytes.is_empty() => bytes[place] = 0,
            _ => bytes.extend(vec![value; usize::from(low)]),
        }
    }
    let Ok(whole) = read_streams(sound.clone()) else { panic!("the sound trace is read") };
    let Ok(found) = read_streams(files) else { return };
    // NaN is not equal to itself; the text of a record is.
    let text = |r: &(u64, spinproof::record::Record)| format!("{r:?}");
    let known: std::collections::HashSet<String> = whole.records.iter().map(text).collect();
    for record in &found.records {
        assert!(known.contains(&text(record)), "a record that was never written: {record:?}");
    }
    assert!(found.inputs.iter().all(|i| whole.inputs.contains(i)), "an input that was never written");
    if found.records.len() < whole.records.len() || found.inputs.len() < whole.inputs.len() {
        assert!(!found.cut.is_empty(), "something is missing and nothing is said");
    }
}

pub fn plan() -> &'static Arc<Plan> {
    static PLAN: OnceLock<Arc<Plan>> = OnceLock::new();
    PLAN.get_or_init(|| {
        let (sources, rig, unit, suite) = sound();
        Arc::new(resolve(sources, rig, unit, suite, None).unwrap())
    })
}

/// The engine under any inputs at any times, after so many sound answers that each phase can be the first that is
/// disturbed: it never panics, tells no speed outside the rig's range and none at all after a stop but rest, sends nothing
/// after its end, and ends after a stop within what its stages are given. On a link that it has, a stop is answered by a stop
/// frame, and no run ends whose last word to the board was not one, if it ever enabled it.
pub fn engine(data: &[u8]) {
    let [begin, data @ ..] = data else { return };
    let mut board = Board::new();
    board.answer_well(usize::from(*begin) * 4);
    let mut data = data.iter().copied();
    while let Some(op) = data.next() {
        let mut next = || data.next().unwrap_or(0);
        match op % 16 {
            // A board that answers as it should, fast or late.
            0..=5 => board.answer(next(), 1591),
            6 => board.answer(next(), u16::from(next()) * 8),
            7 | 8 => board.wake(),
            9 | 10 => {
                board.now += Duration::from_micros(i64::from(next()) * i64::from(next()) * 40);
                board.feed(Input::Deadline);
            }
            11 => {
                let length = usize::from(next() % 32);
                let bytes = (0..length).map(|_| next()).collect();
                board.feed(Input::Bytes { link: 0, bytes });
            }
            12 => board.feed(Input::Bytes { link: 0, bytes: b"# chatter\n".repeat(usize::from(next())) }),
            13 if next() > 200 => board.stop(),
            14 if next() > 250 => board.feed(Input::LinkLost { link: 0, why: "fuzzed".into() }),
            _ => {
                let (id, by) = (board.asked.pop().unwrap_or_default(), "fuzzed".to_string());
                board.feed(Input::Answer { id, yes: next() < 250, by, person: false });
            }
        }
    }
    board.stop();
    let bound = board.now + plan().stop.at_rest_within + Duration::from_millis(2000);
    for _ in 0..100_000 {
        if board.finished {
            break;
        }
        assert!(board.wake.is_some(), "it neither ends nor wants to be woken");
        board.wake();
    }
    assert!(board.finished, "it does not end");
    assert!(board.now <= bound, "it ended at {}, expected by {bound}", board.now);
}

/// Whether the gates are told to be on after so many sound answers, or what the engine said last.
pub fn driven(times: usize) -> Result<(), String> {
    let mut board = Board::new();
    board.answer_well(times);
    let Board { now, word, said, .. } = board;
    if word & 0x0F == 0x0F { Ok(()) } else { Err(format!("at {now} it said last: {said}")) }
}

struct Board {
    engine: Engine,
    now: Instant,
    wake: Option<Instant>,
    request: Vec<u8>,
    asked: Vec<String>,
    word: u16,
    /// Told something of enabling, and no stop frame since.
    on: bool,
    lost: bool,
    stopped: bool,
    finished: bool,
    said: String,
}

impl Board {
    fn new() -> Board {
        Board {
            engine: Engine::new(plan().clone()),
            now: Instant::ZERO,
            wake: None,
            request: Vec::new(),
            asked: Vec::new(),
            word: 0,
            on: false,
            lost: false,
            stopped: false,
            finished: false,
            said: String::new(),
        }
    }

    /// Begins, and gives so many sound answers or as many as are wanted.
    fn answer_well(&mut self, times: usize) {
        self.feed(Input::Deadline);
        for _ in 0..times {
            if self.finished {
                break;
            } else if let Some(id) = self.asked.pop() {
                self.feed(Input::Answer { id, yes: true, by: "fuzzed".into(), person: false });
            } else if self.request.is_empty() {
                self.wake();
            } else {
                self.answer(10, 1591);
            }
        }
    }

    fn wake(&mut self) {
        self.now = self.now.max(self.wake.unwrap_or(self.now));
        self.feed(Input::Deadline);
    }

    fn stop(&mut self) {
        let (ended, already) = (self.finished, self.stopped);
        self.feed(Input::Stop(StopReason::Operator("fuzzed".into())));
        self.stopped = true;
        assert!(ended || already || self.lost || !self.on, "a stop was demanded, and no stop frame was sent");
    }

    /// Answers the newest request; the drive's state follows its control word unless told otherwise.
    fn answer(&mut self, late: u8, status: u16) {
        self.now += Duration::from_micros(500 + 20 * i64::from(late));
        let request = String::from_utf8_lossy(&self.request).trim().to_string();
        let state = match self.word {
            _ if status != 1591 => status,
            6 => 0x21,
            7 => 0x23,
            15 => 1591,
            _ => 0x40,
        };
        let line = match request.as_str() {
            "*IDN?" => "Hollin Clough Motors,HC-7 controller,HC7-0042,1.4.0".into(),
            "CONF:CURR:LIM?" => "24.0".into(),
            "CONF:PED:RATE?" => "300".into(),
            "CONF:VOLT:LIM?" => "210".into(),
            "MEAS:PED?;:MEAS:SUPP?" => "0.5,0.5,0.750,0.375,1;110.2".into(),
            "MEAS:RES?" => "0.0,1.0,1.0,1.50".into(),
            "CONF:SPE:LIM?" => "2000.0".into(),
            "CONF:COMM:TIM?" => "100".into(),
            "MEAS:DRIV?" => format!("{state},0.00,0.10,155.00,0.20"),
            "MEAS:SLOW?;:MEAS:COOL?" => "25.0,25.0,20.0,0.5,1;1.95,3750,7.90,20.0".into(),
            _ => "1".into(),
        };
        self.request.clear();
        self.feed(Input::Bytes { link: 0, bytes: format!("{line}\n").into_bytes() });
    }

    fn feed(&mut self, input: Input) {
        let stopping = self.stopped;
        self.lost |= matches!(input, Input::LinkLost { .. });
        self.engine.handle(self.now, input);
        while let Some(output) = self.engine.poll() {
            assert!(!self.finished, "{output:?} after the end");
            match output {
                Output::Send { bytes, .. } => {
                    if plan().stop.frames.iter().any(|frame| frame.bytes == bytes) {
                        self.on = false;
                    }
                    for line in bytes.split(|b| *b == b'\n') {
                        for unit in parse_message(line).0.iter().filter(|u| !u.query) {
                            if unit.is("SOURce:SPEed") {
                                let rpm = unit.number().unwrap();
                                assert!((0.0..=2000.0).contains(&rpm), "{rpm} rpm");
                                assert!(!stopping, "a demand of {rpm} rpm after the stop");
                            } else if unit.is("CONTrol:WORD") {
                                self.word = unit.number().unwrap() as u16;
                                let enables = self.word & 0x06 == 0x06;
                                assert!(!stopping || !enables, "enabled after the stop");
                                self.on |= enables;
                            }
                        }
                    }
                    self.request = bytes;
                }
                Output::WakeAt(at, _) => self.wake = Some(at),
                Output::Ask { id, .. } | Output::AskValue { id, .. } => self.asked.push(id),
                Output::Finished { .. } => {
                    self.finished = true;
                    assert!(
                        !self.on || self.lost,
                        "it ended, and no stop frame came after what had enabled the drive"
                    );
                }
                Output::Record(Record::Event(event)) => self.said = format!("{:?}", event.what),
                Output::Record(_) | Output::Listen { .. } => {}
            }
        }
    }
}
