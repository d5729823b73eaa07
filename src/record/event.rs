//! What happened: the sorts of events.

use super::*;

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
