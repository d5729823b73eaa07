//! From a trace to verdicts: columns, metrics, and what ended the run. Pure; `run` and `report` call
//! the same.

use crate::columns::{Burst, Columns, Span};
use crate::metrics::{Refusal, View};
use crate::outcome::{Cause, LadderEffect};
use crate::plan::{Criterion, Plan, columns};
use crate::record::{Event, Record, What};
use crate::verdict::{Verdict, judge};

/// What a trace says.
#[derive(Debug, Clone)]
pub struct Results {
    /// Everything measured.
    pub columns: Columns,
    /// What happened.
    pub events: Vec<Event>,
    /// Per test, per criterion.
    pub verdicts: Vec<Vec<Verdict>>,
    /// What ended the run, criteria included.
    pub cause: Cause,
    /// In words.
    pub why: String,
    /// Whether anybody said how it ended: a trace that was cut does not.
    pub ended: bool,
    /// Whether a criterion was measured and not met.
    pub failed: bool,
    /// What the record lacks, in words; empty if it is whole.
    pub missing: Vec<String>,
}

/// Computes everything from the records in their recorded order.
pub fn evaluate(plan: &Plan, records: &[Record]) -> Results {
    evaluate_with(plan, records, Vec::new())
}

/// The same with what was recorded beside the run.
pub fn evaluate_with(plan: &Plan, records: &[Record], recorded: Vec<Burst>) -> Results {
    let mut columns = columns(plan, records.iter());
    columns.bursts.extend(recorded);
    columns.bursts.sort_by_key(|b| b.t0);
    let events: Vec<Event> = records
        .iter()
        .filter_map(|r| match r {
            Record::Event(event) => Some(event.clone()),
            _ => None,
        })
        .collect();
    let verdicts: Vec<Vec<Verdict>> = plan
        .tests
        .iter()
        .enumerate()
        .map(|(test, t)| t.criteria.iter().map(|c| verdict(plan, &columns, test, c)).collect())
        .collect();
    let (cause, why) = cause(plan, &events, &verdicts);
    let ended = events.iter().any(|e| matches!(e.what, What::Finished { .. }));
    let failed = verdicts.iter().flatten().any(was_failed);
    Results { columns, events, verdicts, cause, why, ended, failed, missing: Vec::new() }
}

impl Results {
    /// Nothing passes on a record that is not whole: what is missing may have been the worst of it. `missing`: what, in
    /// words.
    pub fn with_missing(mut self, missing: Vec<String>) -> Results {
        if let (Cause::Passed, Some(first)) = (self.cause, missing.first()) {
            self.cause = Cause::NotMade;
            self.why = format!("the record is not whole, and nothing passes on a part of it: {first}");
        }
        self.missing = missing;
        self
    }

    /// What the runner found beside the engine goes before everything that the trace says.
    pub fn with_unconfirmed(mut self, unconfirmed: Option<&String>) -> Results {
        if let Some(why) = unconfirmed {
            self.cause = Cause::NotConfirmed;
            self.why.clone_from(why);
            self.ended = true;
        }
        self
    }

    /// What the run counts as in the run index: nothing for one that was cut or whose record is not whole, whatever a report
    /// calls it. It may have gone in the worst way, and its rung stays closed. A criterion that was measured and not met
    /// closes it as well, however the run ended after that.
    pub fn outcome(&self) -> Option<Cause> {
        let ladder = self.cause.row().ladder;
        match ladder {
            _ if !self.ended => None,
            LadderEffect::Closes => Some(self.cause),
            LadderEffect::Keeps if self.failed => Some(Cause::CriterionFailed),
            _ => self.missing.is_empty().then_some(self.cause),
        }
    }
}

fn verdict(plan: &Plan, columns: &Columns, test: usize, criterion: &Criterion) -> Verdict {
    let span = columns.spans.iter().find(|s| s.test == test && s.segment == criterion.over);
    let measured = match span {
        Some(span) if span.complete => criterion.metric.compute(&view(columns, criterion, span)),
        Some(span) => Err(Refusal { why: format!("`{}` did not run to its end", span.name) }),
        None => Err(Refusal { why: "it was not run".into() }),
    };
    judge(plan.rule, criterion.low, criterion.high, measured)
}

fn view<'a>(columns: &'a Columns, criterion: &'a Criterion, span: &'a Span) -> View<'a> {
    View {
        columns,
        of: &criterion.of,
        against: &criterion.against,
        span,
        band: criterion.band,
        given: &criterion.given,
    }
}

fn was_failed(verdict: &Verdict) -> bool {
    !verdict.met && verdict.measured.is_ok()
}

/// What ended the run: the engine's word, then the criteria. A trace without the engine's last word
/// was cut.
fn cause(plan: &Plan, events: &[Event], verdicts: &[Vec<Verdict>]) -> (Cause, String) {
    let finished = events.iter().rev().find_map(|e| match &e.what {
        What::Finished { cause, why } => Some((*cause, why.clone())),
        _ => None,
    });
    let Some((cause, why)) = finished else {
        return (Cause::NotMade, "the run was cut: the trace ends before the engine did".into());
    };
    if cause == Cause::Passed {
        return not_met(plan, verdicts, |v| !v.met)
            .map_or((cause, why), |unmet| (Cause::CriterionFailed, unmet));
    }
    // What ended it has no word on the unit; what was measured before has.
    let failed = not_met(plan, verdicts, was_failed).filter(|_| cause.row().ladder == LadderEffect::Keeps);
    match failed {
        Some(failed) => (cause, format!("{why}; before that {failed}")),
        None => (cause, why),
    }
}

/// The criteria of which that is true, counted and named; `None` without any.
fn not_met(plan: &Plan, verdicts: &[Vec<Verdict>], is: impl Fn(&Verdict) -> bool) -> Option<String> {
    let named: Vec<String> = plan
        .tests
        .iter()
        .zip(verdicts)
        .flat_map(|(t, v)| t.criteria.iter().zip(v).map(move |(c, v)| (t, c, v)))
        .filter(|(_, _, v)| is(v))
        .map(|(t, c, _)| format!("{}: {} of {}", t.name, c.metric.id(), c.of))
        .collect();
    match &named[..] {
        [] => None,
        [one] => Some(format!("1 criterion not met ({one})")),
        more => Some(format!("{} criteria not met ({})", more.len(), more.join("; "))),
    }
}
