//! What happened, test by test, out of the events.

use super::Evidence;
use super::criteria;
use super::model::{Counts, CriterionRow, Cut, EventLine, Headline, Outcome, TestReport};
use super::{computer, tripped, words};
use crate::outcome::{Cause, JunitKind};
use crate::record::{A_REPLY_LOST, Event, What};
use crate::time::Instant;
use crate::trace::RunKind;

/// The events sorted by test.
#[derive(Debug)]
pub(super) struct Story {
    tests: Vec<TestStory>,
    last_record_s: f64,
    finished: bool,
}

#[derive(Debug, Default, Clone)]
struct TestStory {
    began: Option<Instant>,
    ended: Option<Instant>,
    complete: bool,
    trips: Vec<String>,
    refused: Vec<String>,
    last: Instant,
}

impl TestStory {
    /// Keeps the first word of each trip: it may fire again while the machine winds down.
    fn trip(&mut self, name: &str, told: String) {
        let name = format!("{name}: ");
        if !self.trips.iter().any(|t| t.starts_with(&name)) {
            self.trips.push(told);
        }
    }
}

/// Sorts the events.
pub(super) fn tell(evidence: &Evidence<'_>) -> Story {
    let mut tests = vec![TestStory::default(); evidence.plan.tests.len()];
    let mut current: Option<usize> = None;
    let mut finished = false;
    for event in evidence.events {
        match &event.what {
            What::TestBegan { test } if *test < tests.len() => {
                current = Some(*test);
                tests[*test].began = Some(event.at);
            }
            What::Finished { .. } => finished = true,
            _ => {}
        }
        let Some(test) = current.map(|t| &mut tests[t]) else { continue };
        test.last = event.at;
        match &event.what {
            What::Trip { trip, found, .. } => test.trip(trip, tripped::with_why(evidence.plan, trip, found)),
            What::PreCheck { name, holds: false, found, .. } => test.refused.push(format!("{name}: {found}")),
            What::TestEnded { complete, .. } => {
                test.ended = Some(event.at);
                test.complete = *complete;
                current = None;
            }
            _ => {}
        }
    }
    Story { tests, last_record_s: last_record(evidence), finished }
}

/// Moment of the last thing recorded, in seconds.
fn last_record(evidence: &Evidence<'_>) -> f64 {
    let columns = evidence.columns;
    let event = evidence.events.last().map(|e| e.at.secs_f64());
    let series = columns.series.iter().filter_map(|s| s.t.last().copied());
    let demands = columns.demands.iter().filter_map(|d| d.t.last().copied());
    let links = columns.links.iter().filter_map(|l| l.t.last().copied());
    let moments = event.into_iter().chain(series).chain(demands).chain(links);
    words::tidy(moments.filter(|t| t.is_finite()).fold(0.0, f64::max))
}

impl Story {
    /// Index of the test that was going at that moment.
    pub(super) fn test_at(&self, at: Instant) -> Option<usize> {
        self.tests.iter().position(|t| {
            t.began.is_some_and(|began| began <= at) && t.ended.map_or(t.last >= at, |ended| at <= ended)
        })
    }

    /// Whether the engine had its last word.
    pub(super) fn finished(&self) -> bool {
        self.finished
    }

    /// Present if the record does not reach the end of the run, or lacks a part.
    pub(super) fn cut(&self, evidence: &Evidence<'_>) -> Option<Cut> {
        let mut what = Vec::new();
        if !self.finished {
            what.push("The run did not come to its own end: it was cut.".to_string());
        } else if evidence.run.ended.is_none() && evidence.cuts.is_empty() {
            what.push("Nobody closed the record.".to_string());
        }
        what.extend(evidence.cuts.iter().map(|cut| words::sentence(cut)));
        (!what.is_empty()).then_some(Cut { last_record_s: self.last_record_s, what })
    }
}

/// The tests in the order of the suite.
pub(super) fn tests(evidence: &Evidence<'_>, story: &Story) -> Vec<TestReport> {
    let none = Vec::new();
    evidence
        .plan
        .tests
        .iter()
        .zip(&story.tests)
        .enumerate()
        .map(|(index, (test, told))| {
            let verdicts = evidence.verdicts.get(index).unwrap_or(&none);
            let ran = told.began.is_some() && told.complete;
            let criteria: Vec<CriterionRow> = test
                .criteria
                .iter()
                .enumerate()
                .map(|(i, criterion)| {
                    criteria::row(evidence.plan, test, criterion, verdicts.get(i), told.began.is_some(), ran)
                })
                .collect();
            let end = told.ended.unwrap_or(told.last);
            TestReport {
                name: test.name.clone(),
                about: test.about.clone(),
                profile: criteria::profile(evidence.plan, test),
                outcome: outcome(evidence, story, index, &criteria),
                began_s: told.began.map(Instant::secs_f64),
                length_s: told.began.map_or(0.0, |began| (end - began).secs_f64().max(0.0)),
                notes: notes(&criteria),
                figure: told.began.and_then(|_| super::charts::test_figure(evidence, index)),
                criteria,
            }
        })
        .collect()
}

fn outcome(evidence: &Evidence<'_>, story: &Story, index: usize, criteria: &[CriterionRow]) -> Outcome {
    let told = &story.tests[index];
    let of = |cause: Cause, why: String, run: JunitKind| Outcome {
        cause: Some(cause),
        word: cause.row().headline.into(),
        why,
        run,
    };
    if told.began.is_none() {
        let why = "the run ended before it".to_string();
        return Outcome { cause: None, word: "not attempted".into(), why, run: JunitKind::Skipped };
    }
    // The stop after a profile that ran to its end belongs to its test: one that went wrong ends the run.
    let last = story.tests.iter().rposition(|t| t.began.is_some()) == Some(index);
    let went_wrong = last && matches!(evidence.cause, Cause::NotConfirmed | Cause::Tripped | Cause::Refused);
    if told.complete && !went_wrong {
        let open = criteria.iter().filter(|c| !c.met).count();
        return match open {
            0 => of(Cause::Passed, String::new(), JunitKind::Pass),
            _ => {
                let why =
                    format!("{open} of {} not met", words::count(criteria.len(), "criterion", "criteria"));
                of(Cause::CriterionFailed, why, JunitKind::Pass)
            }
        };
    }
    if let Some(word) = not_run(evidence).filter(|_| last) {
        return Outcome {
            word: word.into(),
            ..of(evidence.cause, evidence.why.clone(), evidence.cause.row().junit)
        };
    }
    // An unconfirmed stop outranks what led to it; otherwise the test's own events come first.
    let (cause, why) = match evidence.cause {
        Cause::NotConfirmed => (Cause::NotConfirmed, first_of(&told.trips, &evidence.why)),
        _ if !told.trips.is_empty() => (Cause::Tripped, told.trips.join("; ")),
        _ if !told.refused.is_empty() => (Cause::Refused, told.refused.join("; ")),
        _ if told.ended.is_none() && !story.finished => {
            let why = "the record ends within this test".to_string();
            let run = Cause::NotMade.row().junit;
            return Outcome { cause: Some(Cause::NotMade), word: "cut".into(), why, run };
        }
        Cause::Passed | Cause::CriterionFailed => (Cause::NotMade, "it did not run to its end".to_string()),
        cause => (cause, evidence.why.clone()),
    };
    let open = last.then(|| tripped::loop_open(evidence)).flatten();
    let why = open.map_or(why.clone(), |open| format!("{why}; {open}"));
    of(cause, why, cause.row().junit)
}

/// The word for a run that this computer is to blame for: it says nothing of the unit or the rig.
fn not_run(evidence: &Evidence<'_>) -> Option<&'static str> {
    computer::blamed(evidence).map(|_| "not run")
}

fn first_of(trips: &[String], why: &str) -> String {
    if trips.is_empty() { why.to_string() } else { format!("{}; {why}", trips.join("; ")) }
}

fn notes(criteria: &[CriterionRow]) -> Vec<String> {
    let mut notes = Vec::new();
    for criterion in criteria {
        for text in criterion.refused.iter().chain(&criterion.note) {
            let subject = criterion.text.split(':').next().unwrap_or(&criterion.text);
            notes.push(format!("{subject}: {text}"));
        }
    }
    notes
}

/// The outcome in a few words.
pub(super) fn headline(evidence: &Evidence<'_>, story: &Story, tests: &[TestReport]) -> Headline {
    let row = evidence.cause.row();
    let mut counts = Counts::default();
    for criterion in tests.iter().flat_map(|t| &t.criteria) {
        counts.criteria += 1;
        match (criterion.met, criterion.reached, criterion.value) {
            (true, ..) => counts.met += 1,
            (false, false, _) => counts.not_reached += 1,
            (false, true, None) => counts.not_measured += 1,
            (false, true, Some(_)) => counts.not_met += 1,
        }
    }
    let simulated = match evidence.run.kind {
        RunKind::Rehearsal => Some("rehearsal: simulated controller and rig on a virtual clock"),
        RunKind::Twin => Some("simulated controller and rig behind a pseudo-terminal, in real time"),
        RunKind::Pty => Some("a pseudo-terminal, and the rig file declares no machine behind it"),
        RunKind::Bench => None,
    };
    let (blame, look) = tripped::look(evidence);
    Headline {
        cause: evidence.cause,
        word: not_run(evidence).unwrap_or(row.headline).into(),
        means: row.means.into(),
        why: evidence.why.clone(),
        besides: tripped::besides(evidence),
        blame,
        look: look.into(),
        exit_code: row.exit_code,
        simulated: simulated.map(String::from),
        cut: story.cut(evidence),
        counts,
    }
}

/// Trips, stops, stages, lost links, strange lines and remarks.
pub(super) fn event_lines(evidence: &Evidence<'_>) -> Vec<EventLine> {
    let name = |test: usize| evidence.plan.tests.get(test).map_or("?", |t| t.name.as_str()).to_string();
    let mut lines: Vec<EventLine> = evidence.events.iter().filter_map(|event| line(event, &name)).collect();
    lines.extend(super::predicted::events(evidence));
    lines.extend(super::links::strange_lines(evidence));
    // Stable: what was recorded at one moment stays in its order.
    lines.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    lines
}

fn line(event: &Event, name: &dyn Fn(usize) -> String) -> Option<EventLine> {
    let (sort, text, grave) = match &event.what {
        What::TestBegan { test } => ("test", format!("{} begins with its pre-checks", name(*test)), false),
        What::TestEnded { test, complete } => {
            let how = if *complete { "complete" } else { "not complete" };
            ("test", format!("{} ended, {how}", name(*test)), !complete)
        }
        What::PreCheck { name: check, holds: false, found, test, .. } => {
            ("pre-check", format!("{check} refused before {}: {found}", name(*test)), true)
        }
        What::Trip { trip, found, sampled } => {
            let sampled = words::seconds(Instant::from_micros(*sampled).secs_f64());
            ("trip", format!("{trip}: {found} (sampled at {sampled})"), true)
        }
        What::Marked { test } => ("mark", format!("heard something in {}", name(*test)), false),
        What::OperatorStep { id, ask, .. } => ("operator", format!("{id}: {ask}"), false),
        What::TorqueOff { test, found } => {
            ("coast", format!("torque off in {}: {found}", name(*test)), false)
        }
        What::TookOff { finding, found, .. } => ("torque off", found.clone(), *finding),
        What::SwitchedOff { test, found } => ("silence", format!("{}: {found}", name(*test)), false),
        What::StopFrameProved { test, found, .. } => {
            ("stop frame", format!("{}: {found}", name(*test)), false)
        }
        What::StopBegan { reason } => ("stop", reason.clone(), false),
        What::Stage { stage, confirmed, found } => {
            let how = if *confirmed { "confirmed" } else { "NOT confirmed" };
            let grave = !confirmed && *stage != crate::record::Stage::DeEnergised;
            ("stage", format!("{}: {how}: {found}", stage.words()), grave)
        }
        // Answers that are as at first after single replies that were lost: the table of links counts those.
        What::AskedAgain { because, same: true, .. } if because.contains(A_REPLY_LOST) => return None,
        What::PossibleRestart { found } => ("restart", format!("{found}: possible restart"), false),
        What::AskedAgain { because, same, found } => {
            ("restart", format!("{because}; identity and settings asked again: {found}"), !same)
        }
        What::LinkLost { link, why } => ("link lost", format!("{link}: {why}"), true),
        What::Finished { cause, why } => {
            let why = if why.is_empty() { String::new() } else { format!(": {why}") };
            ("end", format!("{}{why}", engine_word(*cause)), false)
        }
        What::Note { text } => ("note", text.clone(), false),
        what => computer::line(what)?,
    };
    Some(EventLine { at_s: event.at.secs_f64(), sort: sort.into(), text, grave })
}

/// The engine does not know the criteria: for it a run that was made has not yet passed.
fn engine_word(cause: Cause) -> &'static str {
    if cause == Cause::Passed { "the run was made" } else { cause.row().headline }
}
