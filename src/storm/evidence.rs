//! What a storm leaves to judge by: the bytes on the wire both ways, what came from outside, the records, and the
//! twin's truth.

use super::draw::Storm;
use crate::engine::{Output, Step};
use crate::plan::Plan;
use crate::record::{LoggedInput, Record};
use crate::rehearsal::{Ended, Surroundings};
use crate::time::Instant;
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
pub(super) fn moment(step: Step, records: &mut Vec<Record>) -> Moment {
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
    Moment { at, input, sent, told }
}

/// What a frame tells the controller, in the words that the twin's board understands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Told {
    /// A speed in rpm, and how many decimals it was written with.
    Speed(f64, usize),
    /// A control word of CiA 402.
    Word(u16),
}

impl Told {
    /// Whether it takes the torque off or stops quickly: bit 1, *enable voltage*, or bit 2, *no quick stop*, is
    /// clear (CiA 402, from memory).
    pub fn stops(self) -> bool {
        matches!(self, Told::Word(word) if word & 0x06 != 0x06)
    }

    /// Whether it is on the way to switching on: both bits are set.
    pub fn enables(self) -> bool {
        matches!(self, Told::Word(word) if word & 0x06 == 0x06)
    }

    /// Whether it switches the gates on: bits 0 to 3 are set.
    pub fn switches_on(self) -> bool {
        matches!(self, Told::Word(word) if word & 0x0F == 0x0F)
    }
}

/// Everything that bytes sent tell the controller; each line feed ends a message.
pub(super) fn told(bytes: &[u8]) -> Vec<Told> {
    let mut told = Vec::new();
    for line in bytes.split(|b| *b == b'\n') {
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        for unit in parse_message(line).0.iter().filter(|u| !u.query) {
            let Ok(number) = unit.number() else { continue };
            if unit.is("SOURce:SPEed") {
                let decimals = unit.parameters[0].split_once('.').map_or(0, |(_, d)| d.len());
                told.push(Told::Speed(number, decimals));
            } else if unit.is("CONTrol:WORD") && (0.0..=65535.0).contains(&number) {
                told.push(Told::Word(number as u16));
            }
        }
    }
    told
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: CiA 402's control words (06, 07, 0F, 00, 02, 80) and the frames of the demo rig.
    #[test]
    fn frames_tell_what_a_board_understands() {
        assert_eq!(told(b"SOUR:SPE 120.5;*OPC?\n"), [Told::Speed(120.5, 1)]);
        assert_eq!(told(b"\nCONT:WORD 0;*OPC?\n"), [Told::Word(0)]);
        assert_eq!(told(b"MEAS:DRIV?\nSOUR:PUMP 80\n"), []);
        for (word, stops, enables, on) in [
            (0x06, false, true, false),
            (0x07, false, true, false),
            (0x0F, false, true, true),
            (0x00, true, false, false),
            (0x02, true, false, false),
            (0x80, true, false, false),
        ] {
            let told = Told::Word(word);
            assert_eq!(
                (told.stops(), told.enables(), told.switches_on()),
                (stops, enables, on),
                "{word:02X}"
            );
        }
    }
}
