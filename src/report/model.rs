//! The report model: texts and numbers, nothing left to look up.

mod figure;

use super::rounds::Round;
use crate::guards::Guard;
use crate::outcome::{Blame, Cause, JunitKind};
use crate::record::By;
use crate::trace::FileUsed;
pub use figure::*;
use serde::Serialize;

/// One run, told. Serialises with its keys in this order.
#[derive(Debug, Clone, Serialize)]
pub struct Report {
    /// Version of the JSON form; 1.
    pub schema: u32,
    /// The outcome in a few words.
    pub headline: Headline,
    /// What was tested, with what, on what.
    pub identity: Identity,
    /// What was known before anything was sent: rung, rehearsal, predicted band.
    pub before: Vec<super::BeforeRow>,
    /// What a person at the bench must know before anything else.
    pub warnings: Vec<Warning>,
    /// The tests of the suite in order, also those not attempted.
    pub tests: Vec<TestReport>,
    /// The hazards of the plan, judged from the files before anything was sent.
    pub hazards: Vec<super::HazardRow>,
    /// What was looked at before anything turned; guards that the rig has not come last.
    pub pre_checks: Vec<PreCheckRow>,
    /// Every guard with its grade over the whole run; absent ones last.
    pub guards: Vec<Guard>,
    /// The same for the eye, with what each lets the ladder do. Not part of the JSON form: that has the guards.
    #[serde(skip)]
    pub guard_rows: Vec<super::GuardRow>,
    /// How the run came to rest and what proves it.
    pub safe_state: SafeState,
    /// Trips, stops, stages, lost links and remarks, in order of time.
    pub events: Vec<EventLine>,
    /// Number of lines that nobody asked for.
    pub unsolicited: usize,
    /// Quality of the links.
    pub links: Vec<super::LinkRow>,
    /// The computer that the run was made on.
    pub computer: super::Computer,
    /// Settings as read back from the controller.
    pub settings: Vec<SettingRow>,
    /// SHA-256 over the settings; absent if they were not all read.
    pub settings_sha256: Option<String>,
    /// Files as used.
    pub files: Vec<FileUsed>,
    /// Where a person can be hurt.
    pub cautions: Vec<Caution>,
    /// Charts of the whole run; those of a test stand with the test. Not part of the JSON form: the
    /// samples are in the trace.
    #[serde(skip)]
    pub figures: Vec<Figure>,
    /// Square pictures with a chart each; not part of the JSON form either.
    #[serde(skip)]
    pub rounds: Vec<Round>,
}

/// The outcome in a few words.
#[derive(Debug, Clone, Serialize)]
pub struct Headline {
    /// What ended the run.
    pub cause: Cause,
    /// A word or two.
    pub word: String,
    /// What that means.
    pub means: String,
    /// How it came about in this run, with numbers; may be empty.
    pub why: String,
    /// What belongs beside that: that the emergency-stop loop was open, and why the limit that was crossed stands where it
    /// does.
    pub besides: Vec<String>,
    /// Where to look first.
    pub blame: Blame,
    /// The same in words; empty if there is nothing to look for.
    pub look: String,
    /// Exit code of the process.
    pub exit_code: u8,
    /// Present if nothing real turned: what it was instead.
    pub simulated: Option<String>,
    /// Present if the record does not reach the end of the run, or lacks a part of it.
    pub cut: Option<Cut>,
    /// Criteria, counted.
    pub counts: Counts,
}

/// A record that does not reach the end of its run, or lacks a part of it.
#[derive(Debug, Clone, Serialize)]
pub struct Cut {
    /// Moment of the last thing recorded, in seconds since the run began.
    pub last_record_s: f64,
    /// What is missing, in words.
    pub what: Vec<String>,
}

/// Criteria, counted.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Counts {
    /// All of the suite.
    pub criteria: usize,
    /// Met.
    pub met: usize,
    /// Measured and not met.
    pub not_met: usize,
    /// Not measured in a test that ran to its end: counts as not met.
    pub not_measured: usize,
    /// Not reached, since the test did not run to its end or was not attempted.
    pub not_reached: usize,
}

/// What was tested, with what, on what.
#[derive(Debug, Clone, Serialize)]
pub struct Identity {
    /// Type of the unit.
    pub unit: String,
    /// Serial number of the unit.
    pub serial: String,
    /// Model of the controller that the unit file asks for.
    pub controller: String,
    /// Firmware build as the controller said it; as asked for if it said nothing.
    pub build: Option<String>,
    /// Whether the controller itself said the build.
    pub build_read_back: bool,
    /// Name of the suite.
    pub suite: String,
    /// Name of the rig.
    pub rig: String,
    /// The supply, in words.
    pub supply: String,
    /// Against what the run was made: "rehearsal", "twin", "pty", "bench".
    pub kind: String,
    /// Seed of everything random in a simulation.
    pub seed: Option<u64>,
    /// Faults planted in a simulation.
    pub faults: Vec<String>,
    /// Decision rule, in words.
    pub rule: String,
    /// Version of spinproof.
    pub spinproof: String,
    /// UTC at the begin, RFC 3339.
    pub began_utc: String,
    /// UTC at the end, RFC 3339; absent if the run was cut.
    pub ended_utc: Option<String>,
    /// Length of the run in seconds; absent if the run was cut.
    pub length_s: Option<f64>,
    /// What each controller said of itself: link, then name and text.
    pub answers: Vec<(String, Vec<(String, String)>)>,
}

/// Something that a person at the bench must know.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Warning {
    /// In capitals: `BUS LIVE`.
    pub title: String,
    /// What was found and what to do, in order.
    pub lines: Vec<String>,
}

/// How a test came out.
#[derive(Debug, Clone, Serialize)]
pub struct Outcome {
    /// `None`: not attempted.
    pub cause: Option<Cause>,
    /// A word or two.
    pub word: String,
    /// Why, with numbers; may be empty.
    pub why: String,
    /// How its run is counted in JUnit XML; whether criteria are met is counted apart.
    pub run: JunitKind,
}

/// One test.
#[derive(Debug, Clone, Serialize)]
pub struct TestReport {
    /// Name.
    pub name: String,
    /// A sentence or two.
    pub about: Option<String>,
    /// The profile in words, one entry per segment.
    pub profile: Vec<String>,
    /// How it came out.
    pub outcome: Outcome,
    /// Begin in seconds since the run began; absent if not attempted.
    pub began_s: Option<f64>,
    /// Length in seconds, as far as it got; 0 if not attempted.
    pub length_s: f64,
    /// The criteria.
    pub criteria: Vec<CriterionRow>,
    /// Remarks of the metrics and refusals, each with the criterion it belongs to.
    pub notes: Vec<String>,
    /// Demand against measured, and the error.
    #[serde(skip)]
    pub figure: Option<Figure>,
}

/// One criterion with its verdict. Numbers are in `unit`, differences in `unit_of_difference`.
#[derive(Debug, Clone, Serialize)]
pub struct CriterionRow {
    /// The whole criterion in words: `tracking_rms of speed over crawl: at most 6 rpm`.
    pub text: String,
    /// Id of the metric.
    pub metric: String,
    /// Version of the metric.
    pub version: u32,
    /// Channel or link.
    pub of: String,
    /// Segment; absent for the whole profile.
    pub over: Option<String>,
    /// The limit in words: `at most 6 rpm`.
    pub limit: String,
    /// Lowest value allowed.
    pub low: Option<f64>,
    /// Highest value allowed.
    pub high: Option<f64>,
    /// Unit of value and limits.
    pub unit: String,
    /// Unit of uncertainty and margin: the same, but K for °C.
    pub unit_of_difference: String,
    /// The figure; absent if there is none or it is not a finite number.
    pub value: Option<f64>,
    /// Expanded uncertainty (k = 2).
    pub u_expanded: Option<f64>,
    /// Value and expanded uncertainty as printed: `1.32 ± 0.41 rpm`; "not measured" without a figure.
    pub value_text: String,
    /// Number of samples.
    pub n: Option<usize>,
    /// How the figure stands to its limit, in the words of ILAC-G8.
    pub standing: String,
    /// Whether the criterion counts as met under the suite's rule.
    pub met: bool,
    /// Whether it could be judged at all: false if its test did not get that far.
    pub reached: bool,
    /// Met, not met, not measured, not reached: as printed.
    pub answer: String,
    /// Distance to the nearest limit, positive inside.
    pub margin: Option<f64>,
    /// The same with its unit, signed; empty without a figure.
    pub margin_text: String,
    /// Why there is no figure.
    pub refused: Option<String>,
    /// A remark of the metric.
    pub note: Option<String>,
    /// Why the limit stands where it does.
    pub why: Option<String>,
    /// The figure drawn against its limits.
    #[serde(skip)]
    pub bar: Option<Bar>,
}

/// A figure drawn against its limits. All in per cent of the bar's width, 0 to 100.
#[derive(Debug, Clone, PartialEq)]
pub struct Bar {
    /// Begin and width of what is allowed.
    pub allowed: (f64, f64),
    /// The limits.
    pub limits: Vec<f64>,
    /// Begin and width of value ± U.
    pub spread: (f64, f64),
    /// The value.
    pub value: f64,
}

/// One pre-check over all tests.
#[derive(Debug, Clone, Serialize)]
pub struct PreCheckRow {
    /// Name.
    pub name: String,
    /// How it is known: measured, inferred, confirmed by a person, absent.
    pub grade: String,
    /// Whether it held each time; `None` for an absent guard.
    pub holds: Option<bool>,
    /// What was found each time.
    pub found: Vec<CheckFound>,
}

/// What a pre-check found before one test.
#[derive(Debug, Clone, Serialize)]
pub struct CheckFound {
    /// Name of the test.
    pub test: String,
    /// Whether it held.
    pub holds: bool,
    /// In words with numbers.
    pub found: String,
}

/// How the run came to rest and what proves it.
#[derive(Debug, Clone, Serialize)]
pub struct SafeState {
    /// Whether this program ever let the machine be driven, or an unconfirmed stop makes it count so.
    pub was_driven: bool,
    /// Whether the record ends while the machine was driven: no stop follows.
    pub driven_since_stop: bool,
    /// Whether the last stop was confirmed by samples asked for after its last frame. True as well if
    /// nothing was driven and no sample says otherwise; never if the record is not whole.
    pub not_driven: bool,
    /// Whether the shaft was shown at rest after the last stop, or never driven and not shown to turn; never if the record
    /// is not whole.
    pub at_rest: bool,
    /// Whether the bus was shown below its limit at the end.
    pub de_energised: bool,
    /// Last reading of the bus: volts and seconds since the run began.
    pub bus_last: Option<(f64, f64)>,
    /// In a sentence, for the head of the section.
    pub summary: String,
    /// Whether the record ends with the last stop: no test has begun since.
    pub ends_with_stop: bool,
    /// Every stop in order.
    pub stops: Vec<StopProof>,
}

/// One stop.
#[derive(Debug, Clone, Serialize)]
pub struct StopProof {
    /// When it was demanded, in seconds.
    pub at_s: f64,
    /// Test during which, if any.
    pub test: Option<String>,
    /// Why.
    pub reason: String,
    /// Number of stop frames sent.
    pub frames: usize,
    /// What took the torque off; absent where there was none, or where no sample shows it off.
    pub torque_off: Option<TorqueOff>,
    /// The stages in order: not driven, at rest, de-energised.
    pub stages: Vec<StageProof>,
}

/// What took the torque off at a stop.
#[derive(Debug, Clone, Serialize)]
pub struct TorqueOff {
    /// Which of what can have done it.
    pub by: By,
    /// Whether it is a finding: the stop frame did nothing, or was too late.
    pub finding: bool,
    /// When it went off, in seconds after the first stop frame: not before, and at the latest.
    pub between_s: (f64, f64),
    /// In words with numbers.
    pub found: String,
}

/// One stage of a stop.
#[derive(Debug, Clone, Serialize)]
pub struct StageProof {
    /// Which, as printed.
    pub stage: String,
    /// Confirmed or not; `None` if the record says nothing of it.
    pub confirmed: Option<bool>,
    /// What was found.
    pub found: String,
    /// When, in seconds.
    pub at_s: Option<f64>,
}

/// Something that happened.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EventLine {
    /// When, in seconds since the run began.
    pub at_s: f64,
    /// What sort, as printed: "trip", "stop", "stage".
    pub sort: String,
    /// In words.
    pub text: String,
    /// Whether a reader should not miss it.
    pub grave: bool,
}

/// One setting as read back.
#[derive(Debug, Clone, Serialize)]
pub struct SettingRow {
    /// Link.
    pub link: String,
    /// Name.
    pub name: String,
    /// Text read; `None` if it was not read.
    pub value: Option<String>,
    /// Text that had to stand there.
    pub must_be: Option<String>,
}

/// Where a person can be hurt.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Caution {
    /// By what.
    pub what: String,
    /// What to know and to do.
    pub text: String,
}
