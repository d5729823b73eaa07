//! The engine with a log of its inputs: enough to feed a fresh engine the same and to see whether it
//! does the same.

use super::{Engine, Input, Output, StopReason, Timer};
use crate::plan::Plan;
use crate::record::{LoggedInput, Record, Row};
use crate::time::Instant;
use sha2::{Digest, Sha256};
use std::sync::Arc;

/// What takes inputs and gives outputs: the engine, or a stand-in of its shape in a test.
pub trait Machine {
    /// Takes one input; `now` never goes back.
    fn handle(&mut self, now: Instant, input: Input);
    /// The next thing to do, if any.
    fn poll(&mut self) -> Option<Output>;
}

impl Machine for Engine {
    fn handle(&mut self, now: Instant, input: Input) {
        Engine::handle(self, now, input);
    }
    fn poll(&mut self) -> Option<Output> {
        Engine::poll(self)
    }
}

/// An engine that numbers and logs what goes in and what comes out.
#[derive(Debug)]
pub struct Logged<M = Engine> {
    machine: M,
    seq: u64,
    /// The bytes of the outputs of one input; kept for its room.
    bytes: Vec<u8>,
    /// Looks at the records, if anybody wants to.
    gate: Option<Gate>,
    /// What the gate refused.
    refused: Option<StopReason>,
}

/// Looks at each record and may refuse what the controller has said of itself. Its word comes back as an input, so that
/// a replay needs no gate.
pub struct Gate(pub Look);

/// Gives the words of a refusal.
pub type Look = Box<dyn FnMut(&Record) -> Option<String> + Send>;

impl std::fmt::Debug for Gate {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Gate")
    }
}

/// One input and everything that came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// The input as logged.
    pub input: LoggedInput,
    /// The outputs in order; records with their run-wide sequence number.
    pub outputs: Vec<(Option<u64>, Output)>,
}

/// Where a replay differs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Difference {
    /// Sequence number of the input.
    pub seq: u64,
    /// Its moment.
    pub at: Instant,
    /// In words.
    pub what: String,
}

impl Logged {
    /// A fresh engine.
    pub fn new(plan: Arc<Plan>) -> Logged {
        Logged::of(Engine::new(plan))
    }
}

impl<M: Machine> Logged<M> {
    /// Counts from 0.
    pub fn of(machine: M) -> Logged<M> {
        Logged { machine, seq: 0, bytes: Vec::new(), gate: None, refused: None }
    }

    /// With a gate that looks at every record.
    pub fn with_gate(self, gate: Option<Gate>) -> Logged<M> {
        Logged { gate, ..self }
    }

    /// The stop that the gate demands, once. Feed it before any other input.
    pub fn take_refusal(&mut self) -> Option<Input> {
        self.refused.take().map(Input::Stop)
    }

    /// Feeds one input and drains every output.
    pub fn handle(&mut self, now: Instant, input: Input) -> Step {
        let (kind, link, payload) = encode(&input);
        let seq = self.next_seq();
        self.machine.handle(now, input);
        let mut outputs = Vec::new();
        self.bytes.clear();
        while let Some(output) = self.machine.poll() {
            append(&mut self.bytes, &output);
            if let (Some(Gate(look)), Output::Record(record)) = (&mut self.gate, &output)
                && let Some(why) = look(record)
            {
                self.refused.get_or_insert(StopReason::Refused(why));
            }
            let seq = matches!(output, Output::Record(_)).then(|| self.next_seq());
            outputs.push((seq, output));
        }
        let digest = Sha256::digest(&self.bytes);
        let mut first = [0; 8];
        first.copy_from_slice(&digest[..8]);
        let input = LoggedInput { seq, at: now, kind, link, payload, outputs: u64::from_be_bytes(first) };
        Step { input, outputs }
    }

    fn next_seq(&mut self) -> u64 {
        self.seq += 1;
        self.seq - 1
    }
}

/// Feeds logged inputs to a fresh engine. Returns how many were fed, and the first input after which
/// its outputs were not those of the log.
pub fn replay(plan: Arc<Plan>, inputs: &[LoggedInput]) -> (usize, Option<Difference>) {
    replay_with(plan, inputs, |_| None)
}

/// The same, with every step shown to somebody who may say in words that it differs.
pub fn replay_with(
    plan: Arc<Plan>,
    inputs: &[LoggedInput],
    mut look: impl FnMut(&Step) -> Option<String>,
) -> (usize, Option<Difference>) {
    let mut engine = Logged::new(plan);
    for (fed, logged) in inputs.iter().enumerate() {
        let difference = |what: String| Some(Difference { seq: logged.seq, at: logged.at, what });
        let Some(input) = decode(logged) else {
            return (fed, difference(format!("input {} cannot be read", logged.seq)));
        };
        let step = engine.handle(logged.at, input);
        if step.input.seq != logged.seq {
            return (fed, difference(format!("the input has number {} here", step.input.seq)));
        }
        if step.input.outputs != logged.outputs {
            let outputs: Vec<String> = step.outputs.iter().map(|(_, o)| format!("{o:?}")).collect();
            return (fed, difference(format!("the outputs differ; here they are: {}", outputs.join("; "))));
        }
        if let Some(what) = look(&step) {
            return (fed, difference(what));
        }
    }
    (inputs.len(), None)
}

/// What a text and who said it is about, in one payload: a list of JSON, which parts them whatever stands in them.
fn list<const N: usize>(texts: [&str; N]) -> Vec<u8> {
    serde_json::Value::from(texts.to_vec()).to_string().into_bytes()
}

fn encode(input: &Input) -> (u8, u16, Vec<u8>) {
    match input {
        // The plan has fewer links than fit 16 bits.
        Input::Bytes { link, bytes } => (0, *link as u16, bytes.clone()),
        Input::LinkLost { link, why } => (1, *link as u16, why.clone().into_bytes()),
        Input::Deadline => (2, 0, Vec::new()),
        Input::Stop(StopReason::Operator(why)) => (3, 0, why.clone().into_bytes()),
        Input::Stop(StopReason::Trouble(why)) => (3, 1, why.clone().into_bytes()),
        Input::Stop(StopReason::Refused(why)) => (3, 2, why.clone().into_bytes()),
        Input::Answer { id, yes, by, person } => {
            (4, u16::from(*yes) | u16::from(*person) << 1, list([id, by]))
        }
        Input::Typed { id, text, by, person } => (5, u16::from(*person), list([id, by, text])),
        Input::TwinStoodStill { from, to } => {
            (8, 0, [from, to].iter().flat_map(|t| t.micros().to_be_bytes()).collect())
        }
        Input::PortHeld { link } => (9, *link as u16, Vec::new()),
        Input::Key { key } => (6, 0, vec![*key]),
        Input::Listening { by, person } => (7, u16::from(*person), by.clone().into_bytes()),
    }
}

fn decode(logged: &LoggedInput) -> Option<Input> {
    let text = || String::from_utf8(logged.payload.clone()).ok();
    let link = usize::from(logged.link);
    Some(match (logged.kind, logged.link) {
        (0, _) => Input::Bytes { link, bytes: logged.payload.clone() },
        (1, _) => Input::LinkLost { link, why: text()? },
        (2, _) => Input::Deadline,
        (3, 0) => Input::Stop(StopReason::Operator(text()?)),
        (3, 1) => Input::Stop(StopReason::Trouble(text()?)),
        (3, 2) => Input::Stop(StopReason::Refused(text()?)),
        (4, bits) => {
            let [id, by] = serde_json::from_slice(&logged.payload).ok()?;
            Input::Answer { id, yes: bits & 1 != 0, by, person: bits & 2 != 0 }
        }
        (5, person) => {
            let [id, by, text] = serde_json::from_slice(&logged.payload).ok()?;
            Input::Typed { id, text, by, person: person == 1 }
        }
        (6, _) => Input::Key { key: *logged.payload.first()? },
        (8, _) => {
            let (from, to) = logged.payload.split_first_chunk()?;
            let micros = |bytes: &[u8; 8]| Instant::from_micros(i64::from_be_bytes(*bytes));
            Input::TwinStoodStill { from: micros(from), to: micros(to.try_into().ok()?) }
        }
        (9, _) => Input::PortHeld { link },
        (7, person) => Input::Listening { by: text()?, person: person == 1 },
        _ => return None,
    })
}

/// Whether two records are the same to the last bit.
pub fn same(a: &Record, b: &Record) -> bool {
    let bytes = |record: &Record| {
        let mut bytes = Vec::new();
        append(&mut bytes, &Output::Record(record.clone()));
        bytes
    };
    bytes(a) == bytes(b)
}

/// Every output in bytes that depend neither on the machine nor on how the source names things: a tag of its own each, and the form in
/// which the trace keeps it.
fn append(bytes: &mut Vec<u8>, output: &Output) {
    match output {
        Output::Send { link, bytes: sent } => {
            bytes.push(0);
            number(bytes, *link as u64);
            block(bytes, sent);
        }
        Output::Record(Record::Row(row)) => append_row(bytes, row),
        Output::Record(Record::Sent(sent)) => {
            bytes.push(2);
            moment(bytes, sent.at);
            number(bytes, sent.demand as u64);
            number(bytes, sent.value.to_bits());
        }
        Output::Record(Record::Event(event)) => {
            bytes.push(3);
            moment(bytes, event.at);
            stored(bytes, &event.what);
        }
        Output::WakeAt(at, timer) => {
            bytes.push(4);
            moment(bytes, *at);
            let (kind, index) = named(*timer);
            bytes.push(kind);
            number(bytes, index as u64);
        }
        Output::Ask { id, ask } => {
            bytes.push(5);
            [id, ask].into_iter().for_each(|text| block(bytes, text.as_bytes()));
        }
        Output::Finished { cause, why } => {
            bytes.push(6);
            stored(bytes, cause);
            block(bytes, why.as_bytes());
        }
        Output::Record(Record::Chunk(chunk)) => {
            bytes.push(7);
            moment(bytes, chunk.at);
            for part in [chunk.burst as u64, u64::from(chunk.number), chunk.channel as u64] {
                number(bytes, part);
            }
            number(bytes, u64::from(chunk.offset));
            number(bytes, chunk.counts.len() as u64);
            chunk.counts.iter().for_each(|count| bytes.extend(count.to_be_bytes()));
        }
        Output::Listen { on } => bytes.extend([8, u8::from(*on)]),
        Output::AskValue { id, ask, unit } => {
            bytes.push(9);
            [id, ask, unit].into_iter().for_each(|text| block(bytes, text.as_bytes()));
        }
    }
}

fn append_row(bytes: &mut Vec<u8>, row: &Row) {
    bytes.extend([1, row.status.code()]);
    number(bytes, row.group as u64);
    for at in [row.t_request, row.t_reply, row.t_sample] {
        moment(bytes, at);
    }
    number(bytes, row.u_sample.to_bits());
    number(bytes, row.values.len() as u64);
    for value in &row.values {
        bytes.push(u8::from(value.is_some()));
        number(bytes, value.unwrap_or(0.0).to_bits());
    }
}

fn number(bytes: &mut Vec<u8>, number: u64) {
    bytes.extend(number.to_be_bytes());
}

fn moment(bytes: &mut Vec<u8>, at: Instant) {
    bytes.extend(at.micros().to_be_bytes());
}

/// With its length, so that two of them cannot be parted in another way.
fn block(bytes: &mut Vec<u8>, of: &[u8]) {
    number(bytes, of.len() as u64);
    bytes.extend(of);
}

/// As the trace keeps it: its names are those of the file format, and stay when the source renames what it calls them.
fn stored(bytes: &mut Vec<u8>, value: &impl serde::Serialize) {
    // What the trace keeps has texts, numbers and lists alone, and JSON holds all of them.
    block(bytes, &serde_json::to_vec(value).unwrap_or_default());
}

/// A deadline by numbers of its own, which are never given to another.
fn named(timer: Timer) -> (u8, usize) {
    match timer {
        Timer::Poll(group) => (0, group),
        Timer::Reply(link) => (1, link),
        Timer::Heartbeat(demand) => (2, demand),
        Timer::Step => (3, 0),
        Timer::Watch => (4, 0),
        Timer::Profile => (5, 0),
        Timer::Burst => (6, 0),
        Timer::Stale => (7, 0),
        Timer::StopFrame => (8, 0),
        Timer::Stage => (9, 0),
    }
}

#[cfg(test)]
mod tests;
