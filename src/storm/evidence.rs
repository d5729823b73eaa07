//! What a storm leaves to judge by: the bytes on the wire both ways, what came from outside, the records, and the
//! twin's truth.

use super::draw::Storm;
use crate::engine::{Output, Step};
use crate::files::rig::Sets;
use crate::plan::{Plan, Shape};
use crate::record::{LoggedInput, Record};
use crate::rehearsal::{Ended, Surroundings};
use crate::time::{Duration, Instant};
use crate::twin::TruthRow;
use crate::wire::scpi::parse_message;

/// What came to the runner.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum What {
    /// Bytes came in on a link.
    Heard(usize, Vec<u8>),
    /// A link was lost.
    Lost(usize),
    /// Somebody demanded a stop.
    Stop,
    /// A deadline or an answer: of what it brought about only the bytes sent count.
    Other,
}

/// One input and what was sent on it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Moment {
    pub at: Instant,
    pub input: What,
    pub sent: Vec<(usize, Vec<u8>)>,
    /// Everything that was told the controller with it.
    pub told: Vec<Told>,
    /// The links on which a stop frame of the plan was sent with it.
    pub stops: Vec<usize>,
}

/// Everything to judge by.
#[derive(Debug)]
pub(super) struct Evidence<'p> {
    pub plan: &'p Plan,
    pub storm: &'p Storm,
    pub around: Surroundings,
    pub moments: Vec<Moment>,
    pub records: Vec<Record>,
    pub inputs: Vec<LoggedInput>,
    pub truth: Vec<TruthRow>,
    pub ended: Ended,
}

/// A step of the engine as a moment; its records are kept apart.
pub(super) fn moment(plan: &Plan, step: Step, records: &mut Vec<Record>) -> Moment {
    let LoggedInput { at, kind, link, payload, .. } = step.input;
    let input = match kind {
        0 => What::Heard(usize::from(link), payload),
        1 => What::Lost(usize::from(link)),
        3 => What::Stop,
        _ => What::Other,
    };
    let mut sent = Vec::new();
    for (_, output) in step.outputs {
        match output {
            Output::Send { link, bytes } => sent.push((link, bytes)),
            Output::Record(record) => records.push(record),
            Output::WakeAt(..)
            | Output::Ask { .. }
            | Output::AskValue { .. }
            | Output::Listen { .. }
            | Output::Finished { .. } => {}
        }
    }
    let told = sent.iter().flat_map(|(_, bytes)| told(bytes)).collect();
    let stops = sent.iter().filter(|(link, bytes)| is_stop(plan, *link, bytes)).map(|(link, _)| *link);
    let stops = stops.collect();
    Moment { at, input, sent, told, stops }
}

/// Whether bytes are a stop frame of the plan, to the byte: another word that takes the gates off in the end, such as a
/// quick stop, brakes, and a stop must not.
pub(super) fn is_stop(plan: &Plan, link: usize, bytes: &[u8]) -> bool {
    plan.stop.frames.iter().any(|frame| frame.link == link && frame.bytes == bytes)
}

/// What a frame tells the controller, in the words that the twin's board understands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Told {
    /// What is set, the number in the board's unit for it, and how many decimals it was written with.
    Demand(Sets, f64, usize),
    /// A control word of CiA 402.
    Word(u16),
}

impl Told {
    /// Whether it is on the way to switching on: bit 1, *enable voltage*, and bit 2, *no quick stop*, are set (CiA 402, from
    /// memory).
    pub fn enables(self) -> bool {
        matches!(self, Told::Word(word) if word & 0x06 == 0x06)
    }

    /// Whether it switches the gates on: bits 0 to 3 are set.
    pub fn switches_on(self) -> bool {
        matches!(self, Told::Word(word) if word & 0x0F == 0x0F)
    }
}

/// The words of the twin's board for what can be demanded of it.
const DEMANDS: [(&str, Sets); 7] = [
    ("SOURce:SPEed", Sets::ShaftSpeed),
    ("SOURce:TORQue", Sets::Torque),
    ("SOURce:PEDal", Sets::SpeedAtFullPedal),
    ("SOURce:ANGLe", Sets::ForcedAngle),
    ("SOURce:ALIGnment:CURRent", Sets::AlignmentCurrent),
    ("SOURce:CURRent:LIMit", Sets::CurrentLimit),
    ("SOURce:PUMP", Sets::Pump),
];

/// Everything that bytes sent tell the controller; each line feed ends a message.
pub(super) fn told(bytes: &[u8]) -> Vec<Told> {
    let mut told = Vec::new();
    for line in bytes.split(|b| *b == b'\n') {
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        for unit in parse_message(line).0.iter().filter(|u| !u.query) {
            let Ok(number) = unit.number() else { continue };
            if let Some((_, sets)) = DEMANDS.iter().find(|(word, _)| unit.is(word)) {
                let decimals = unit.parameters[0].split_once('.').map_or(0, |(_, d)| d.len());
                told.push(Told::Demand(*sets, number, decimals));
            } else if unit.is("CONTrol:WORD") && (0.0..=65535.0).contains(&number) {
                told.push(Told::Word(number as u16));
            }
        }
    }
    told
}

/// Which test of the plan is being driven, as the bytes sent have it. A test that only watches is never switched on.
#[derive(Debug)]
pub(super) struct Course {
    driven: Vec<usize>,
    /// For each of them how long after the gates are on its stop frame may be on trial at the earliest, if it is at all.
    trials: Vec<Option<Duration>>,
    begun: usize,
    on: Option<Instant>,
    /// The stop frame of this test is on trial: the demands go on after it.
    tried: bool,
}

impl Course {
    pub fn new(plan: &Plan) -> Course {
        let driven = plan.tests.iter().enumerate().filter(|(_, test)| !test.profile.watches());
        let driven: Vec<usize> = driven.map(|(index, _)| index).collect();
        let quiet = plan.ready.quiet.map_or(Duration::ZERO, |q| q.settle + q.observe);
        let trial = |test: &usize| {
            let segments = &plan.tests[*test].profile.segments;
            let trial = segments.iter().find(|s| s.shape == Shape::StopFrame)?;
            trial.corners.first().map(|(begin, _)| quiet + *begin)
        };
        Course { trials: driven.iter().map(trial).collect(), driven, begun: 0, on: None, tried: false }
    }

    /// Something was told at a moment.
    pub fn told(&mut self, at: Instant, told: Told) {
        if told.switches_on() && (self.on.is_none() || self.tried) {
            self.on = Some(at);
            self.begun += 1;
            self.tried = false;
        }
    }

    /// A stop frame was sent. The demands of a test go on after the one that is on trial, and after no other.
    pub fn stopped(&mut self, at: Instant) {
        let trial = self.begun.checked_sub(1).and_then(|test| self.trials.get(test).copied().flatten());
        let on_trial = self.on.zip(trial).is_some_and(|(on, begin)| at >= on + begin);
        if on_trial && !std::mem::replace(&mut self.tried, true) {
            return;
        }
        (self.on, self.tried) = (None, false);
    }

    /// Index of the test that is next to be switched on, if there is one.
    pub fn next(&self) -> Option<usize> {
        self.driven.get(self.begun).copied()
    }

    /// When the gates were told to switch on, and the index of the test that is driven since; a machine that switches on more
    /// often than the plan has tests has none.
    pub fn test(&self) -> Option<(Instant, Option<usize>)> {
        Some((self.on?, self.driven.get(self.begun - 1).copied()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: CiA 402's control words (06, 07, 0F, 00, 02, 80) and the frames of the demo rig.
    #[test]
    fn frames_tell_what_a_board_understands() {
        for (frame, sets, number, decimals) in [
            ("SOUR:SPE 120.5;*OPC?\n", Sets::ShaftSpeed, 120.5, 1),
            ("SOUR:TORQ -2\n", Sets::Torque, -2.0, 0),
            ("SOUR:PED 200.0;*OPC?\n", Sets::SpeedAtFullPedal, 200.0, 1),
            ("SOUR:ANGL 60.00;*OPC?\n", Sets::ForcedAngle, 60.0, 2),
            ("SOUR:ALIG:CURR 20.00;*OPC?\n", Sets::AlignmentCurrent, 20.0, 2),
            ("SOUR:CURR:LIM 6.00;*OPC?\n", Sets::CurrentLimit, 6.0, 2),
            ("MEAS:DRIV?\nSOUR:PUMP 80\n", Sets::Pump, 80.0, 0),
        ] {
            assert_eq!(told(frame.as_bytes()), [Told::Demand(sets, number, decimals)], "{frame}");
        }
        assert_eq!(told(b"\nCONT:WORD 0;*OPC?\n"), [Told::Word(0)]);
        assert_eq!(told(b"MEAS:DRIV?\n"), []);
        for (word, enables, on) in [
            (0x06, true, false),
            (0x07, true, false),
            (0x0F, true, true),
            (0x00, false, false),
            (0x02, false, false),
            (0x80, false, false),
        ] {
            let told = Told::Word(word);
            assert_eq!((told.enables(), told.switches_on()), (enables, on), "{word:02X}");
        }
    }
}
