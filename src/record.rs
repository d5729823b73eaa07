//! What the engine emits and the trace stores. Leaf types: numbers, texts and moments.

mod event;

use crate::time::Instant;
pub use event::*;
use serde::{Deserialize, Serialize};

/// One poll: the request, its reply, and what stood in it.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Index of the poll group in the plan.
    pub group: usize,
    /// When the request was handed to the link.
    pub t_request: Instant,
    /// When the last byte of the reply was taken from the link; when it was given up, if lost.
    pub t_reply: Instant,
    /// Estimated moment of sampling: the middle of what request and reply leave open.
    pub t_sample: Instant,
    /// Standard uncertainty of `t_sample` in microseconds (uniform over what is left open).
    pub u_sample: f64,
    /// One value per field of the reply, as read, in the unit on the wire and before calibration.
    /// `None`: nothing was read. NaN: the controller said so.
    pub values: Vec<Option<f64>>,
    /// What became of the request.
    pub status: RowStatus,
}

/// What became of a request.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RowStatus {
    /// A reply that fits the pattern.
    Ok,
    /// No reply in time.
    Lost,
    /// A reply that does not fit the pattern.
    Malformed,
    /// It was not sent at its slot, since the link was still busy.
    Missed,
}

impl RowStatus {
    /// As a small number, for the trace.
    pub fn code(self) -> u8 {
        match self {
            RowStatus::Ok => 0,
            RowStatus::Lost => 1,
            RowStatus::Malformed => 2,
            RowStatus::Missed => 3,
        }
    }

    /// The status of that number.
    pub fn from_code(code: u8) -> Option<RowStatus> {
        [RowStatus::Ok, RowStatus::Lost, RowStatus::Malformed, RowStatus::Missed]
            .get(usize::from(code))
            .copied()
    }
}

/// A demand as it was handed to the link.
#[derive(Debug, Clone, PartialEq)]
pub struct Sent {
    /// When.
    pub at: Instant,
    /// Index of the demand in the plan.
    pub demand: usize,
    /// The value in SI units, as rounded into the frame.
    pub value: f64,
}

/// A piece of a burst: consecutive samples of one of its channels, as read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chunk {
    /// When the last byte of it was taken from the link.
    pub at: Instant,
    /// Index of the sort of burst in the plan.
    pub burst: usize,
    /// Which burst of the run, from 0; see [`What::BurstTriggered`].
    pub number: u32,
    /// Index of the channel of the burst.
    pub channel: usize,
    /// Index of the first sample.
    pub offset: u32,
    /// Raw counts, before scale.
    pub counts: Vec<i16>,
}

/// Something that happened.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// When.
    #[serde(skip)]
    pub at: Instant,
    /// What.
    #[serde(flatten)]
    pub what: What,
}

/// How a guard is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Grade {
    /// By a sensor for it.
    Measured,
    /// From other quantities.
    Inferred,
    /// By a person who said so.
    Confirmed,
    /// Not at all.
    Absent,
}

impl Grade {
    /// As printed.
    pub fn words(self) -> &'static str {
        match self {
            Grade::Measured => "measured",
            Grade::Inferred => "inferred",
            Grade::Confirmed => "confirmed by a person",
            Grade::Absent => "absent",
        }
    }
}

/// A stage of the safe state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// No torque: state and phase current say so.
    NotDriven,
    /// The shaft stands still.
    AtRest,
    /// The bus is below its limit.
    DeEnergised,
}

impl Stage {
    /// As printed.
    pub fn words(self) -> &'static str {
        match self {
            Stage::NotDriven => "not driven",
            Stage::AtRest => "at rest",
            Stage::DeEnergised => "de-energised",
        }
    }
}

/// Anything the engine wants kept.
#[derive(Debug, Clone, PartialEq)]
pub enum Record {
    /// A poll.
    Row(Row),
    /// A demand frame.
    Sent(Sent),
    /// An event.
    Event(Event),
    /// A piece of a burst.
    Chunk(Chunk),
}

/// One input of the engine as logged: enough to feed it again.
#[derive(Debug, Clone, PartialEq)]
pub struct LoggedInput {
    /// Run-wide sequence number, from 0.
    pub seq: u64,
    /// The moment handed to the engine.
    pub at: Instant,
    /// Which input: 0 bytes, 1 link lost, 2 deadline, 3 stop, 4 answer, 5 typed, 6 key, 7 keys are read, 8 the twin stood
    /// still, 9 a port took no bytes.
    pub kind: u8,
    /// Index of the link, or 0.
    pub link: u16,
    /// Bytes, or the text of the input.
    pub payload: Vec<u8>,
    /// First eight bytes of the SHA-256 over all outputs drained after this input.
    pub outputs: u64,
}

/// What the indices in records and inputs stand for: enough for a trace to explain itself.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Layout {
    /// Poll groups, in the order of the plan.
    pub groups: Vec<GroupLayout>,
    /// Demands, in the order of the plan.
    pub demands: Vec<QuantityLayout>,
    /// Names of the links, in the order of the plan.
    pub links: Vec<String>,
    /// Sorts of bursts, in the order of the plan.
    pub bursts: Vec<BurstLayout>,
    /// The mark of the run, the same in each of its streams and in no other's; absent in traces from before there was one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub run: Option<String>,
}

/// One sort of burst.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BurstLayout {
    /// Name of the burst.
    pub name: String,
    /// Samples per second, by the controller's own clock.
    pub rate: f64,
    /// Standard uncertainty of the rate, as a ratio to it.
    pub u_rate: f64,
    /// Samples per channel.
    pub samples: u32,
    /// Its channels, in the order of the plan; a value in SI is count times scale.
    pub channels: Vec<BurstChannelLayout>,
}

/// One channel of a burst.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BurstChannelLayout {
    /// Name, unit for people, kind of quantity.
    pub quantity: QuantityLayout,
    /// SI per count.
    pub scale: f64,
}

/// One poll group.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GroupLayout {
    /// Name of the group.
    pub name: String,
    /// Name of the link that it is polled on.
    pub link: String,
    /// For each field of the reply the channel that takes it, if one does.
    pub fields: Vec<Option<QuantityLayout>>,
}

/// One channel or demand.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct QuantityLayout {
    /// Name of the channel or demand.
    pub name: String,
    /// Unit on the wire, as text; empty for a plain number.
    pub unit: String,
    /// Kind of the quantity in words: "speed", "temperature difference".
    pub kind: String,
}
