//! A suite against the twin on a virtual clock: the identical engine, the same bytes through the same
//! decoder, and the line's time for every one of them.

mod bench;
mod surroundings;

pub use bench::{TwinError, nominal_spec, twin_spec};
pub use surroundings::Surroundings;

use crate::engine::{Engine, Input, Logged, Machine, Output, Step, StopReason};
use crate::outcome::Cause;
use crate::plan::{Plan, Shape};
use crate::record::{Event, Record, What};
use crate::time::{Duration, Instant};
use crate::twin::{Direction, FaultSetting, LinkFaults, Twin, TwinSpec};
use std::cmp::Reverse;
use std::collections::{BinaryHeap, VecDeque};
use std::sync::Arc;
use surroundings::Lateness;

/// What the controller needs to work out a reply. The pseudo-terminal's twin needs its process's own
/// time instead.
const ANSWERING: Duration = Duration::from_micros(150);

/// No rehearsal goes on longer than this beyond what its profiles need: the engine has deadlines for
/// everything, so this is a defect's end, not a suite's.
const BEYOND: Duration = Duration::from_millis(600_000);

/// How a rehearsal ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ended {
    /// The engine's word.
    pub cause: Cause,
    /// In words.
    pub why: String,
    /// When, on the virtual clock.
    pub at: Instant,
}

/// The simulated end of the links.
#[derive(Debug)]
pub struct Bench {
    /// The simulated controller and rig.
    pub twin: Twin,
    /// What happens to bytes on their way to the controller.
    pub out: LinkFaults,
    /// What happens to bytes on their way back.
    pub back: LinkFaults,
    /// The same on the links beside the first: out and back.
    further: Vec<[LinkFaults; 2]>,
    /// An operator who stops the run at a moment, to rehearse that too.
    pub stop_at: Option<Instant>,
    /// Keys that somebody presses, each at its moment, in order; they reach the engine only while it wants keys.
    pub keys: VecDeque<(Instant, u8)>,
    /// What happens around it.
    pub around: Surroundings,
    lateness: Lateness,
}

impl Bench {
    /// A simulated bench with its faults; everything random in it comes from the seed.
    pub fn new(spec: TwinSpec, seed: u64, faults: &[FaultSetting]) -> Bench {
        let line = |way| LinkFaults::new(seed, way, faults);
        Bench {
            further: (1..spec.ports)
                .map(|_| [Direction::ToDevice, Direction::FromDevice].map(line))
                .collect(),
            twin: Twin::new(spec, seed, faults),
            out: line(Direction::ToDevice),
            back: line(Direction::FromDevice),
            stop_at: None,
            keys: VecDeque::new(),
            around: Surroundings::default(),
            lateness: Lateness::new(seed),
        }
    }
}

/// Bytes on their way.
#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Flight {
    at: Instant,
    /// Keeps the order of bytes that arrive together.
    number: u64,
    to_engine: bool,
    link: usize,
    bytes: Vec<u8>,
}

/// One direction of the line of one link: when it is free again.
#[derive(Debug, Clone, Copy, Default)]
struct Line {
    out: Instant,
    back: Instant,
}

/// Runs a plan against the twin. Every step of the engine goes to `sink`; questions go to `answer`.
pub fn rehearse(
    plan: &Arc<Plan>,
    bench: &mut Bench,
    answer: &mut dyn FnMut(&str, &str) -> (bool, String),
    sink: &mut dyn FnMut(Step),
) -> Ended {
    rehearse_with(Engine::new(plan.clone()), plan, bench, answer, sink)
}

/// The same with a machine in the engine's place: a test shows with a spoilt one that its judge sees what is wrong.
pub fn rehearse_with<M: Machine>(
    machine: M,
    plan: &Arc<Plan>,
    bench: &mut Bench,
    answer: &mut dyn FnMut(&str, &str) -> (bool, String),
    sink: &mut dyn FnMut(Step),
) -> Ended {
    Rehearsal {
        plan: plan.clone(),
        engine: Logged::of(machine),
        lines: vec![Line::default(); plan.links.len()],
        flights: BinaryHeap::new(),
        number: 0,
        wake: Some(Instant::ZERO),
        listening: false,
        unplugged: false,
    }
    .run(bench, answer, sink)
}

struct Rehearsal<M> {
    plan: Arc<Plan>,
    engine: Logged<M>,
    lines: Vec<Line>,
    flights: BinaryHeap<Reverse<Flight>>,
    number: u64,
    wake: Option<Instant>,
    listening: bool,
    unplugged: bool,
}

impl<M: Machine> Rehearsal<M> {
    fn run(
        mut self,
        bench: &mut Bench,
        answer: &mut dyn FnMut(&str, &str) -> (bool, String),
        sink: &mut dyn FnMut(Step),
    ) -> Ended {
        let limit = self.plan.length_estimate() + BEYOND;
        loop {
            let flight = self.flights.peek().map_or(Instant::NEVER, |Reverse(f)| f.at);
            let key = bench.keys.front().map_or(Instant::NEVER, |(at, _)| bench.around.reaches(*at));
            let stop = bench.stop_at.map_or(Instant::NEVER, |at| bench.around.reaches(at));
            let unplugged = bench
                .around
                .unplugged
                .filter(|_| !self.unplugged)
                .map(|(at, link)| (bench.around.reaches(at), link));
            let gone = unplugged.map_or(Instant::NEVER, |(at, _)| at);
            let now = flight.min(self.wake.unwrap_or(Instant::NEVER)).min(stop).min(key).min(gone);
            if now > limit {
                let why = "the rehearsal did not end by itself: this is a defect of the runner".into();
                return Ended { cause: Cause::NotMade, why, at: limit };
            }
            let mut inputs = Vec::new();
            if bench.stop_at.is_some() && stop == now {
                bench.stop_at = None;
                inputs.push(Input::Stop(StopReason::Operator("stopped by the rehearsed operator".into())));
            } else if key == now {
                let pressed = bench.keys.pop_front().filter(|_| self.listening);
                inputs.extend(pressed.map(|(_, key)| Input::Key { key }));
            } else if let Some((_, link)) = unplugged.filter(|(at, _)| *at == now) {
                self.unplugged = true;
                inputs.push(Input::LinkLost { link, why: "the adapter was unplugged (rehearsed)".into() });
            } else if flight == now {
                match self.flights.pop() {
                    Some(Reverse(f)) if f.to_engine => {
                        inputs.push(Input::Bytes { link: f.link, bytes: f.bytes })
                    }
                    Some(Reverse(f)) => self.at_device(now, f, bench),
                    None => {}
                }
            } else {
                self.wake = None;
                inputs.push(Input::Deadline);
            }
            while let Some(input) = inputs.pop() {
                let step = self.engine.handle(now, input);
                let ended = self.outputs(now, &step, bench, answer, &mut inputs);
                sink(step);
                if let Some((cause, why)) = ended {
                    bench.twin.advance(now);
                    return Ended { cause, why, at: now };
                }
            }
        }
    }

    /// Bytes have reached the controller: it answers, and the answer sets out on the line.
    fn at_device(&mut self, now: Instant, flight: Flight, bench: &mut Bench) {
        bench.twin.receive_at(now, flight.link, &flight.bytes);
        let ready = now + ANSWERING;
        for link in 0..self.lines.len() {
            while let Some(bytes) = bench.twin.transmit_at(link) {
                let line = &mut self.lines[link].back;
                let start = ready.max(*line);
                *line = start + self.plan.links[link].line_time(bytes.len());
                let arrives = *line;
                self.fly(arrives, true, link, bytes, bench);
            }
        }
    }

    fn outputs(
        &mut self,
        now: Instant,
        step: &Step,
        bench: &mut Bench,
        answer: &mut dyn FnMut(&str, &str) -> (bool, String),
        inputs: &mut Vec<Input>,
    ) -> Option<(Cause, String)> {
        let mut ended = None;
        for (_, output) in &step.outputs {
            match output {
                Output::Send { link, bytes } => {
                    let line = &mut self.lines[*link].out;
                    let start = now.max(*line);
                    *line = start + self.plan.links[*link].line_time(bytes.len());
                    let arrives = *line;
                    self.fly(arrives, false, *link, bytes.clone(), bench);
                }
                Output::WakeAt(at, _) => {
                    self.wake = Some(bench.lateness.comes(&bench.around, (*at).max(now)))
                }
                Output::Ask { id, ask } => {
                    let (yes, by) = answer(id, ask);
                    inputs.push(Input::Answer { id: id.clone(), yes, by, person: false });
                }
                // Nobody stands at a simulated bench with a meter.
                Output::AskValue { id, ask, .. } => {
                    let (_, by) = answer(id, ask);
                    inputs.push(Input::Typed { id: id.clone(), text: String::new(), by, person: false });
                }
                Output::Listen { on } => {
                    self.listening = *on;
                    if *on {
                        let by = "from a script: rehearsed".to_string();
                        inputs.push(Input::Listening { by, person: false });
                    }
                }
                Output::Finished { cause, why } => ended = Some((*cause, why.clone())),
                Output::Record(record) => self.lend_a_hand(now, record, bench),
            }
        }
        ended
    }

    /// Who is asked to turn the shaft does: within four fifths of the time, after which it is left alone.
    fn lend_a_hand(&self, now: Instant, record: &Record, bench: &mut Bench) {
        let Record::Event(Event { what: What::SegmentBegan { test, segment }, .. }) = record else { return };
        let segment = &self.plan.tests[*test].profile.segments[*segment];
        if let Shape::Watch { turned: Some(angle) } = segment.shape {
            let lasting = Duration::from_micros(segment.length().micros() / 5 * 4);
            bench.twin.turn_by_hand(now, angle, lasting);
        }
    }

    fn fly(&mut self, at: Instant, to_engine: bool, link: usize, bytes: Vec<u8>, bench: &mut Bench) {
        let further = link.checked_sub(1).and_then(|i| bench.further.get_mut(i));
        let faults = match (further, to_engine) {
            (Some([out, _]), false) => out,
            (Some([_, back]), true) => back,
            (None, false) => &mut bench.out,
            (None, true) => &mut bench.back,
        };
        for (at, bytes) in faults.pass(at, bytes) {
            if !bench.around.passes(link, at) {
                continue;
            }
            let at = if to_engine { bench.around.reaches(at) } else { at };
            self.number += 1;
            self.flights.push(Reverse(Flight { at, number: self.number, to_engine, link, bytes }));
        }
    }
}
