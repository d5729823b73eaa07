//! The parts of a plan: links, channels, demands, guards, tests.

use super::{Check, Profile, Quiet, Window};
use crate::expr::Expr;
use crate::files::rig::{Role, Sets, SupplyKind, SupplySetting};
use crate::metrics::{Given, Metric};
use crate::record::Grade;
use crate::states::DriveState;
use crate::time::Duration;
use crate::units::Unit;
use crate::wire::{Counted, Pattern, Template};

/// The supply of the bench.
#[derive(Debug, Clone)]
pub struct Supply {
    /// What makes the direct voltage.
    pub kind: SupplyKind,
    /// Whether this program can switch it.
    pub setting: SupplySetting,
    /// What a person must switch off.
    pub switch_off: String,
    /// How long to wait after that.
    pub discharge: Duration,
}

/// A serial connection.
#[derive(Debug, Clone)]
pub struct Link {
    /// Name in the rig file.
    pub name: String,
    /// "twin" or a device path.
    pub port: String,
    /// Whether the rig file declares a machine behind the port.
    pub machine: bool,
    /// Line rate in baud.
    pub baud: u32,
    /// Data bits, parity, stop bits.
    pub frame: Frame,
    /// What ends a line, both ways.
    pub ends_with: Vec<u8>,
    /// How long a reply may take after the request's last byte has left.
    pub reply_within: Duration,
    /// How long to wait after opening.
    pub settle: Duration,
    /// Lines that may come unasked.
    pub unsolicited: Vec<Pattern>,
    /// How the controller says who it is.
    pub identity: Option<Exchange>,
    /// Settings to read back.
    pub settings: Vec<Setting>,
    /// Longest line that a reply may be, in bytes; longer ones are garbage.
    pub line_max: usize,
    /// Share of the line's capacity that polls and heartbeat use: out and in, 0 to 1.
    pub load: (f64, f64),
}

/// How characters go over the line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Frame {
    /// Data bits, 7 or 8.
    pub data_bits: u8,
    /// Parity: 'N', 'E' or 'O'.
    pub parity: char,
    /// Stop bits, 1 or 2.
    pub stop_bits: u8,
}

impl Frame {
    /// Bits on the line per byte: start, data, parity, stop.
    pub fn bits(self) -> u32 {
        1 + u32::from(self.data_bits) + u32::from(self.parity != 'N') + u32::from(self.stop_bits)
    }
}

impl Link {
    /// Time that `bytes` take on the line.
    pub fn line_time(&self, bytes: usize) -> Duration {
        Duration::from_secs_f64(bytes as f64 * f64::from(self.frame.bits()) / f64::from(self.baud))
    }
}

/// A request and the pattern of its reply. The request has its terminator.
#[derive(Debug, Clone)]
pub struct Exchange {
    /// Bytes to send, terminator included.
    pub send: Vec<u8>,
    /// Pattern of the reply.
    pub expect: Pattern,
}

/// One setting.
#[derive(Debug, Clone)]
pub struct Setting {
    /// Name.
    pub name: String,
    /// How to read it; `{value}` is a field of the pattern.
    pub exchange: Exchange,
    /// The text that must stand there.
    pub must_be: Option<String>,
    /// The highest value that it may have, if something rests on that.
    pub at_most: Option<SettingMax>,
}

/// The highest value of a setting.
#[derive(Debug, Clone, PartialEq)]
pub struct SettingMax {
    /// The value, SI.
    pub si: f64,
    /// Unit of the value read.
    pub unit: Unit,
    /// Where it comes from, in words with numbers.
    pub why: String,
}

/// A poll group.
#[derive(Debug, Clone)]
pub struct Group {
    /// Name.
    pub name: String,
    /// Index of the link.
    pub link: usize,
    /// Period.
    pub every: Duration,
    /// Request and reply.
    pub exchange: Exchange,
    /// For each field of the reply, the channel that takes it.
    pub fields: Vec<Option<usize>>,
}

/// A sort of burst: samples that the controller captures by a clock of its own, to be read afterwards.
#[derive(Debug, Clone)]
pub struct Burst {
    /// Name.
    pub name: String,
    /// Index of the link.
    pub link: usize,
    /// What starts it.
    pub start: Exchange,
    /// How many samples there are: `{count}` in the reply.
    pub count: Option<Exchange>,
    /// Samples per channel.
    pub samples: usize,
    /// Most samples in one reply.
    pub chunk: usize,
    /// Bytes of the longest piece, its request and its reply.
    pub piece_bytes: usize,
    /// Samples per second, by the controller's clock.
    pub rate: f64,
    /// Standard uncertainty of the rate, as a ratio to it.
    pub u_rate: f64,
    /// Its channels.
    pub channels: Vec<BurstChannel>,
}

impl Burst {
    /// How long it takes from the trigger to the last sample, in s.
    pub fn length(&self) -> f64 {
        self.samples as f64 / self.rate
    }
}

/// A channel of a burst.
#[derive(Debug, Clone)]
pub struct BurstChannel {
    /// Name.
    pub name: String,
    /// The request for a piece: numbers `{offset}` and `{count}`.
    pub read: Counted,
    /// Unit for people, and the kind.
    pub unit: Unit,
    /// SI per count.
    pub scale: f64,
    /// Standard uncertainty of one value that is common to all (type B), SI.
    pub u: f64,
    /// Relative standard uncertainty of the scale.
    pub u_scale: f64,
    /// Lowest and highest count of the converter.
    pub ends: (i16, i16),
}

/// Something in the unit that comes so many times per turn of the machine's shaft.
#[derive(Debug, Clone, PartialEq)]
pub struct Turning {
    /// What: "mesh 1", "drive end: outer race".
    pub name: String,
    /// How often per turn.
    pub per_turn: f64,
    /// A rolling bearing's: it slips by 1 to 2 % (common practice).
    pub slips: bool,
}

impl Turning {
    pub(super) fn new(name: impl Into<String>, per_turn: f64, slips: bool) -> Turning {
        Turning { name: name.into(), per_turn, slips }
    }
}

/// A channel.
#[derive(Debug, Clone)]
pub struct Channel {
    /// Name.
    pub name: String,
    /// Unit on the wire, and for people.
    pub unit: Unit,
    /// What it measures, where the engine needs to know.
    pub role: Option<Role>,
    /// Plausible range, SI.
    pub range: (f64, f64),
    /// Standard uncertainty, SI.
    pub u: f64,
    /// How old its newest value may get while driven; `Duration::from_micros(i64::MAX)` if never stale.
    pub stale: Duration,
    /// Where it comes from.
    pub source: Source,
    /// How it is known: measured from a reading, inferred if derived.
    pub grade: Grade,
    /// Name of the unit it belongs to, of several on one rig.
    pub belongs_to: String,
}

/// Where a channel's values come from.
#[derive(Debug, Clone)]
pub enum Source {
    /// A field of a reply.
    Wire {
        /// Index of the group.
        group: usize,
        /// Index of the field in the group's reply.
        field: usize,
        /// Calibration: SI = unit.to_si(gain x reading) + offset.
        gain: f64,
        /// Calibration offset in SI.
        offset: f64,
        /// How the text becomes a number.
        reading: Reading,
    },
    /// An expression over earlier channels and demands.
    Derived(Expr),
}

/// How the text of a field becomes the number recorded.
#[derive(Debug, Clone, PartialEq)]
pub enum Reading {
    /// A decimal number.
    Number,
    /// A CiA 402 status word, decimal or 0x hexadecimal.
    StatusWord,
    /// Words for states; recorded as the state's code.
    States(Vec<(String, DriveState)>),
    /// Words for numbers.
    Words(Vec<(String, f64)>),
}

/// A demand.
#[derive(Debug, Clone)]
pub struct Demand {
    /// Name.
    pub name: String,
    /// What it sets.
    pub sets: Sets,
    /// Index of the link.
    pub link: usize,
    /// Frame with `{value}`; the terminator is in it.
    pub send: Template,
    /// Pattern of the reply, if there is one.
    pub expect: Option<Pattern>,
    /// Unit on the wire.
    pub unit: Unit,
    /// How often it is sent again.
    pub every: Duration,
    /// Lowest and highest value, SI.
    pub range: (f64, f64),
    /// Value outside profiles, SI.
    pub rest: f64,
    /// Name of the unit it belongs to.
    pub belongs_to: String,
}

/// How the controller is enabled.
#[derive(Debug, Clone)]
pub struct Drive {
    /// The controller's own command timeout.
    pub command_timeout: Duration,
    /// How long a step may take.
    pub within: Duration,
    /// Steps that clear a fault.
    pub reset: Vec<Step>,
    /// Steps that enable.
    pub enable: Vec<Step>,
    /// The channel that tells the state.
    pub state: usize,
}

/// A step of enabling or resetting.
#[derive(Debug, Clone)]
pub struct Step {
    /// Index of the link.
    pub link: usize,
    /// Bytes, terminator included.
    pub send: Vec<u8>,
    /// Pattern of the reply, if there is one.
    pub expect: Option<Pattern>,
    /// State that must be seen next.
    pub reaches: Option<DriveState>,
}

/// What must hold before anything turns.
#[derive(Debug, Clone)]
pub struct Ready {
    /// How long the channels are watched.
    pub observe: Duration,
    /// How long the proof stays good.
    pub valid_for: Duration,
    /// Share of replies that may be lost.
    pub loss_max: f64,
    /// Longest round trip.
    pub round_trip_max: Duration,
    /// Windows that every sample of the watch must lie in.
    pub windows: Vec<Window>,
    /// What is looked at more closely.
    pub checks: Vec<Check>,
    /// The watch with the gates on, where there is one.
    pub quiet: Option<Quiet>,
    /// What a person is asked.
    pub questions: Vec<Question>,
    /// Guards that this rig has not, by the name of their pre-check; printed with the grade *absent*.
    pub absent: Vec<String>,
}

/// A question.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Question {
    /// Id in the answers file.
    pub id: String,
    /// The question; "yes" is the safe answer.
    pub ask: String,
}

/// A trip.
#[derive(Debug, Clone)]
pub struct Trip {
    /// Name.
    pub name: String,
    /// Index of the channel.
    pub channel: usize,
    /// What trips.
    pub when: Crossing,
    /// How long it must last.
    pub lasting: Duration,
    /// Why the limit stands where it does.
    pub why: Option<String>,
}

/// What a trip watches. Values in SI.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Crossing {
    /// Above a level.
    Above(f64),
    /// Below a level.
    Below(f64),
    /// Rising faster than so much per second, over the length of time.
    RisesFaster(f64, Duration),
    /// Falling faster than so much per second (a positive number), over the length of time.
    FallsFaster(f64, Duration),
}

/// A test.
#[derive(Debug, Clone)]
pub struct Test {
    /// Name.
    pub name: String,
    /// A sentence or two.
    pub about: Option<String>,
    /// Index of the demand that the profile is for.
    pub demand: usize,
    /// Other demands that stand at a value while the profile runs: index and value, SI.
    pub with: Vec<(usize, f64)>,
    /// What a person is to do during a segment: index of the segment and the words.
    pub asks: Vec<(usize, String)>,
    /// What a person must set before the pre-checks.
    pub operator: Vec<OperatorStep>,
    /// The profile.
    pub profile: Profile,
    /// What a person at the pedal does, one for each hand-driven segment of the profile, in order.
    pub by_hand: Vec<ByHand>,
    /// Bursts that are taken: index of the sort, index of the segment (`None`: all of the profile).
    pub bursts: Vec<(usize, Option<usize>)>,
    /// What must be true.
    pub criteria: Vec<Criterion>,
}

/// What a person at the pedal does in a hand-driven segment.
#[derive(Debug, Clone, PartialEq)]
pub struct ByHand {
    /// Index of the segment.
    pub segment: usize,
    /// What they are asked to do.
    pub ask: String,
    /// How it is rehearsed: time in s since the segment began, travel from 0 to 1; their times rise.
    pub rehearsed: Vec<(f64, f64)>,
}

impl Test {
    /// What is demanded of a demand at `since` after the profile began, SI; `None` of one that the test leaves at rest.
    pub fn demanded(&self, demand: usize, since: Duration) -> Option<f64> {
        if demand == self.demand {
            return Some(self.profile.demand_at(since));
        }
        self.with.iter().find(|(index, _)| *index == demand).map(|(_, value)| *value)
    }
}

/// Something that a person sets.
#[derive(Debug, Clone, PartialEq)]
pub struct OperatorStep {
    /// Id in the answers file.
    pub id: String,
    /// What to do.
    pub ask: String,
    /// Index of the channel that shows it.
    pub channel: usize,
    /// Lowest value, SI.
    pub low: f64,
    /// Highest value, SI.
    pub high: f64,
    /// How long it may take.
    pub within: Duration,
    /// Standard uncertainty of the person's meter, SI, if one is to be read.
    pub meter: Option<f64>,
}

/// What must be true of a test.
#[derive(Debug, Clone)]
pub struct Criterion {
    /// The metric.
    pub metric: &'static dyn Metric,
    /// Name of the channel or link it is of.
    pub of: String,
    /// Name of the demand it is held against, for tracking metrics.
    pub against: String,
    /// Index of the segment; `None` for the whole profile.
    pub over: Option<usize>,
    /// Lowest value allowed, SI.
    pub low: Option<f64>,
    /// Highest value allowed, SI.
    pub high: Option<f64>,
    /// Unit in which the limit was written.
    pub unit: Unit,
    /// Half-width of a band, SI.
    pub band: Option<f64>,
    /// What it gives under the metric's other keys.
    pub given: Given,
    /// Why the limit stands where it does.
    pub why: Option<String>,
}
