//! What the engine emits and the trace stores. Leaf types: numbers, texts and moments.

use crate::time::Instant;
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

/// Why a burst is given up that the plan wants no longer: its segment ended before it was whole.
pub const NO_LONGER_WANTED: &str = "it was not whole when its segment ended";

/// Why identity and settings are asked again after a single reply that was lost; it says nothing that every line does not.
pub const A_REPLY_LOST: &str = "a reply was lost with the drive off";

/// What happened. Indices are those of the plan; times in microseconds since the run began.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
pub enum What {
    /// The controller said who it is.
    Identity {
        /// Link name.
        link: String,
        /// Named fields of the reply: maker, model, serial, build.
        fields: Vec<(String, String)>,
    },
    /// A setting was read back.
    Setting {
        /// Link name.
        link: String,
        /// Setting name.
        name: String,
        /// The text read.
        value: String,
    },
    /// All settings were read; SHA-256 over `link/name=value\n` lines in the order of the plan.
    SettingsHash {
        /// Lower-case hexadecimal.
        sha256: String,
    },
    /// Something came that may have been a restart of the board: identity and settings are asked again before anything is
    /// enabled. One event for all that comes until they are answered.
    PossibleRestart {
        /// What came, in words: the line, the silence, the state.
        found: String,
    },
    /// Identity and settings were asked again because of a possible restart.
    AskedAgain {
        /// What came, in words.
        because: String,
        /// Whether all answers are those of the first time.
        same: bool,
        /// What the answers are, or how they differ, in words.
        found: String,
    },
    /// A pre-check was evaluated.
    PreCheck {
        /// Name of the pre-check.
        name: String,
        /// Whether it holds.
        holds: bool,
        /// How it is known.
        grade: Grade,
        /// What was found, in words with numbers.
        found: String,
        /// Index of the test before which it ran.
        test: usize,
    },
    /// No demand was sent, and the controller switched itself off.
    SwitchedOff {
        /// Index of the test.
        test: usize,
        /// What was seen and after how long.
        found: String,
    },
    /// The stop frame was sent once while the demands went on: it took the torque off, and the torque stayed off.
    StopFrameProved {
        /// Index of the test.
        test: usize,
        /// What was seen and after how long.
        found: String,
        /// From the frame to torque off: no less, and no more, in microseconds.
        took: (i64, i64),
        /// What the controller took of it by itself, no less, in microseconds.
        controller: i64,
    },
    /// A person is asked to set something.
    OperatorStep {
        /// Index of the test.
        test: usize,
        /// Operator step id.
        id: String,
        /// What to do, and what is waited for.
        ask: String,
    },
    /// A question was put to the operator.
    Asked {
        /// Question id.
        id: String,
    },
    /// The operator answered.
    Answered {
        /// Question id.
        id: String,
        /// Whether the answer was yes.
        yes: bool,
        /// Who answered, as far as known.
        by: String,
    },
    /// The state of the drive changed.
    State {
        /// The state in words.
        state: String,
    },
    /// A test began: its pre-checks.
    TestBegan {
        /// Index of the test.
        test: usize,
    },
    /// A segment of the profile began.
    SegmentBegan {
        /// Index of the test.
        test: usize,
        /// Index of the segment.
        segment: usize,
    },
    /// The profile ran to its end.
    ProfileEnded {
        /// Index of the test.
        test: usize,
    },
    /// A coast: samples asked for after the last stop frame show that nothing drives.
    TorqueOff {
        /// Index of the test.
        test: usize,
        /// What was found, in words with numbers.
        found: String,
    },
    /// The person at the pedal marked a moment: "I heard something".
    Marked {
        /// Index of the test.
        test: usize,
    },
    /// A trip fired.
    Trip {
        /// Name of the trip.
        trip: String,
        /// In words with numbers: what was measured, what the limit is.
        found: String,
        /// Moment of the sample that fired it, in microseconds.
        sampled: i64,
    },
    /// A stop was demanded.
    StopBegan {
        /// Why, in words.
        reason: String,
    },
    /// A stop frame was handed to a link.
    StopSent {
        /// Link name.
        link: String,
    },
    /// A stage of the safe state was reached, or given up.
    Stage {
        /// Which.
        stage: Stage,
        /// Whether samples asked for after the last stop frame confirm it.
        confirmed: bool,
        /// What was found, in words with numbers.
        found: String,
    },
    /// What took the torque off at a stop, said once samples show that nothing drives.
    TookOff {
        /// Which of what can have done it.
        by: By,
        /// Whether it is a finding: the frame did nothing, or was too late.
        #[serde(default)]
        finding: bool,
        /// When the torque went off, in microseconds after the first stop frame: not before, and at the latest.
        #[serde(default)]
        between: (i64, i64),
        /// What was found, in words with numbers.
        found: String,
    },
    /// A burst was triggered: the controller captures samples at its own rate from here on.
    BurstTriggered {
        /// Index of the sort of burst.
        burst: usize,
        /// Which burst of the run, from 0.
        number: u32,
        /// Estimated moment of the trigger in microseconds: the middle of what request and reply leave open.
        t: i64,
        /// Standard uncertainty of it in microseconds (uniform over what is left open).
        u: f64,
    },
    /// A burst was given up; what was read of it stays. One that was only [no longer wanted](NO_LONGER_WANTED) is not
    /// missing from anything.
    BurstLost {
        /// Index of the sort of burst.
        burst: usize,
        /// Which burst of the run.
        number: u32,
        /// Why, in words.
        why: String,
    },
    /// A line that nobody asked for.
    Unsolicited {
        /// Link name.
        link: String,
        /// The line, unprintable bytes escaped.
        text: String,
    },
    /// The reply to a request that had been given up: it was too slow, or a stop went first.
    Late {
        /// Link name.
        link: String,
        /// The line, unprintable bytes escaped and cut to 120 characters.
        text: String,
    },
    /// Bytes that fit no reply.
    Garbage {
        /// Link name.
        link: String,
        /// The line, unprintable bytes escaped and cut to 120 characters.
        text: String,
    },
    /// The link is gone.
    LinkLost {
        /// Link name.
        link: String,
        /// Why, as far as known.
        why: String,
    },
    /// The test ended and the machine was brought to rest, or as far as it went.
    TestEnded {
        /// Index of the test.
        test: usize,
        /// Whether the profile ran to its end and nothing tripped.
        complete: bool,
    },
    /// The run ended.
    Finished {
        /// The cause, as far as the engine knows it (criteria come later).
        cause: crate::outcome::Cause,
        /// In words.
        why: String,
    },
    /// A remark of the shell: anchors of time, recorder trouble.
    Note {
        /// In words.
        text: String,
    },
    /// A process of ours on this computer did nothing for longer than the plan allows.
    StoodStill {
        /// Which.
        process: Process,
        /// From when, in microseconds: the runner's deadline was due, or the twin's physics stood.
        from: i64,
        /// Until when, in microseconds: it was handled.
        to: i64,
    },
    /// What ended the run is put down to this computer: one of its processes stood still.
    BlamesComputer {
        /// Which.
        process: Process,
        /// From when, in microseconds.
        from: i64,
        /// Until when, in microseconds.
        to: i64,
    },
    /// How late the runner's own deadlines were handled, at the end of the run; absent if none was late.
    Lateness {
        /// The worst, in microseconds.
        worst: i64,
        /// When that was handled, in microseconds.
        at: i64,
        /// From which lateness on it counts as standing still, in microseconds.
        bound: i64,
        /// How many deadlines were later than that.
        over: u32,
    },
}

/// A process of ours, on the computer that the run is made on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Process {
    /// This program.
    Runner,
    /// The twin that this program started.
    Twin,
}

/// That this computer stood still, in words: `this computer stood still for 148 ms (12.301 s to 12.449 s)`. Moments in
/// microseconds since the run began.
pub fn stood_still(process: Process, from: i64, to: i64) -> String {
    let ms = (to - from + 500) / 1000;
    let (from, to) = (Instant::from_micros(from), Instant::from_micros(to));
    let of = match process {
        Process::Runner => "",
        Process::Twin => ", seen in the process of the simulated board",
    };
    format!("this computer stood still for {ms} ms ({from} to {to}{of})")
}

/// What can take the torque off at a stop.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum By {
    /// The stop frame.
    Frame,
    /// The board's own command timeout, since no demand was sent any more.
    CommandTimeout,
    /// Something before the first stop frame: the board by itself, or it had not been on.
    Before,
    /// Neither the frame nor the command timeout in its time.
    Neither,
    /// The samples do not tell.
    Unknown,
}

impl By {
    /// As printed.
    pub fn words(self) -> &'static str {
        match self {
            By::Frame => "stop frame",
            By::CommandTimeout => "command timeout of the board",
            By::Before => "off before the stop",
            By::Neither => "neither stop frame nor command timeout",
            By::Unknown => "cannot be told",
        }
    }
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
