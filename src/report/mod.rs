//! Reports: one model made from the evidence of a run, and pure renderers of it.
//!
//! [`model`] resolves everything to texts and numbers; [`junit`], [`html`], [`terminal`] and [`json`]
//! only lay them out. No document holds its time of making, a host or a path: the same run folder
//! gives the same bytes.

mod before;
mod cautions;
mod charts;
mod computer;
mod criteria;
mod facts;
mod guards;
mod hazards;
mod heat;
mod html;
mod json;
mod junit;
mod links;
mod marks;
mod model;
mod plot;
mod predicted;
mod rounds;
mod safe;
mod spectra;
mod story;
mod terminal;
mod tripped;
mod words;

pub use before::BeforeRow;
pub use cautions::{cautions, cautions_text};
pub use computer::{Computer, StoodStill};
pub use guards::GuardRow;
pub use hazards::HazardRow;
pub use html::html;
pub use json::json;
pub use junit::{JunitError, junit};
pub use links::LinkRow;
pub use model::{
    Band, Bar, Caution, CheckFound, Counts, CriterionRow, Cut, EventLine, Figure, Headline, Identity, Level,
    Line, Mark, Outcome, Panel, PreCheckRow, Report, SafeState, SettingRow, Shade, StageProof, StopProof,
    TestReport, Tick, Warning,
};
pub use rounds::{Round, Square};
pub use terminal::terminal;

use crate::columns::Columns;
use crate::hazards::Finding;
use crate::outcome::Cause;
use crate::plan::Plan;
use crate::predicted::Predicted;
use crate::record::Event;
use crate::trace::RunInfo;
use crate::verdict::Verdict;

/// Everything that a report is made from. It never needs the hardware.
#[derive(Debug, Clone)]
pub struct Evidence<'a> {
    /// The plan, resolved again from the files in the run folder.
    pub plan: &'a Plan,
    /// What the run folder says about its run.
    pub run: &'a RunInfo,
    /// What happened, in order of time.
    pub events: &'a [Event],
    /// What was measured.
    pub columns: &'a Columns,
    /// Where the channels should run, if that was predicted.
    pub predicted: Option<&'a Predicted>,
    /// The answers: per test of the plan, per criterion. A missing one counts as not measured.
    pub verdicts: &'a [Vec<Verdict>],
    /// What ended the run, criteria included.
    pub cause: Cause,
    /// The same in words, with numbers.
    pub why: String,
    /// The hazards of the plan, judged again from the files in the run folder.
    pub hazards: &'a [Finding],
    /// What is missing from the record: torn streams, a cut run.
    pub cuts: Vec<String>,
}

/// Whether the record does not show that what was driven is off: then this is how the run ended, whatever else is said of it.
pub fn leaves_driven(evidence: &Evidence<'_>) -> bool {
    let story = story::tell(evidence);
    safe::leaves_driven(&safe::proof(evidence, &story), story.cut(evidence).is_none())
}

/// Resolves the evidence to texts and numbers. The same evidence gives the same report.
pub fn model(evidence: &Evidence<'_>) -> Report {
    let story = story::tell(evidence);
    let safe_state = safe::proof(evidence, &story);
    let tests = story::tests(evidence, &story);
    let headline = story::headline(evidence, &story, &tests);
    Report {
        schema: 1,
        headline,
        identity: facts::identity(evidence),
        before: before::rows(evidence),
        warnings: safe::warnings(evidence, &story, &safe_state),
        figures: figures(evidence),
        rounds: rounds::rounds(evidence),
        tests,
        hazards: hazards::rows(evidence),
        pre_checks: facts::pre_checks(evidence),
        guards: crate::guards::guards(evidence.plan, evidence.events),
        guard_rows: guards::rows(evidence),
        safe_state,
        events: story::event_lines(evidence),
        unsolicited: links::unsolicited(evidence),
        links: links::links(evidence),
        computer: computer::computer(evidence),
        settings: facts::settings(evidence),
        settings_sha256: facts::settings_hash(evidence),
        files: evidence.run.files.clone(),
        cautions: cautions::cautions(evidence.plan),
    }
}

/// Charts that stand for the whole run, in the order in which they are shown.
fn figures(evidence: &Evidence<'_>) -> Vec<Figure> {
    let mut figures = charts::figures(evidence);
    figures.extend(heat::figures(evidence));
    figures.extend(spectra::figures(evidence));
    figures
}
