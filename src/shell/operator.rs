//! Questions to the person at the bench: typed on the terminal, taken from an answers file, or
//! assumed where nothing real turns.

use crate::engine::Input;
use crate::files::suite::Answers;
use crate::plan::{Plan, Question};
use crate::shell::clock::Clock;
use crate::shell::drive::{Inbox, Message};
use crate::shell::port::PortKind;
use crate::shell::progress::Screen;
use ::time::OffsetDateTime;
use ::time::format_description::well_known::Rfc3339;
use std::collections::BTreeMap;
use std::io::{BufRead, Write};
use std::sync::mpsc::Receiver;

/// A question of the engine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Asked {
    /// Question id.
    pub id: String,
    /// The question.
    pub ask: String,
}

/// Who answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Operator {
    /// A person at the terminal.
    Terminal,
    /// An answers file, checked: id to yes or no, and who answered.
    File {
        /// Answers by question id.
        answers: BTreeMap<String, bool>,
        /// "answers file of ...".
        by: String,
    },
    /// Nobody: the rig is simulated and nothing real turns.
    Simulated,
}

/// Why there is nobody to answer, as one sentence each.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoAnswer {
    /// No terminal and no answers file.
    #[error(
        "the rig asks {count} question{} before anything turns, and there is neither a terminal nor an answers file; \
         run it from a terminal, or write an answers file (schema, unit_serial, build, answered_by, expires, and \
         under [answer] \"yes\" or \"no\" for {ids}) and pass it with --answers",
        if *count == 1 { "" } else { "s" }
    )]
    Nobody {
        /// How many questions.
        count: usize,
        /// Their ids.
        ids: String,
    },
    /// The answers are about another unit.
    #[error("the answers are for unit `{found}`, and this is unit `{expected}`; answer anew for this unit")]
    Unit {
        /// Serial number in the answers.
        found: String,
        /// Serial number in the unit file.
        expected: String,
    },
    /// The answers are about another build.
    #[error(
        "the answers are for build `{found}`, and the run is for build `{expected}`; answer anew for this build"
    )]
    Build {
        /// Build in the answers.
        found: String,
        /// Build asked for.
        expected: String,
    },
    /// The run does not say which build it is for.
    #[error(
        "the answers are for build `{found}`, and the run does not say its build; pass --build {found} if it is that one"
    )]
    BuildOpen {
        /// Build in the answers.
        found: String,
    },
    /// The answers hold no longer.
    #[error("the answers ceased to hold at {expires}, and it is {now}; look again and answer anew")]
    Expired {
        /// When, as written.
        expires: String,
        /// UTC now.
        now: String,
    },
    /// The expiry cannot be read.
    #[error("`expires = \"{found}\"` is no moment; write it as in \"2026-11-25T18:00:00Z\"")]
    Expiry {
        /// As written.
        found: String,
    },
    /// A question without an answer.
    #[error("the answers say nothing about {ids}; add them under [answer]")]
    Unanswered {
        /// Ids of the questions.
        ids: String,
    },
    /// An answer that is neither yes nor no.
    #[error("the answer to `{id}` is `{found}`; write \"yes\" or \"no\"")]
    Neither {
        /// Question id.
        id: String,
        /// As written.
        found: String,
    },
}

/// Chooses who answers. An answers file counts before a terminal. For the twin yes is assumed, since nothing
/// real is behind a guard there; for anything else nothing is.
///
/// # Errors
/// Every reason why nobody can answer, at once.
pub fn choose(
    plan: &Plan,
    kinds: &[PortKind],
    answers: Option<&Answers>,
    has_terminal: bool,
    now: OffsetDateTime,
) -> Result<Operator, Vec<NoAnswer>> {
    if let Some(answers) = answers {
        return from_file(plan, answers, now);
    }
    let all_twin = !kinds.is_empty() && kinds.iter().all(|kind| *kind == PortKind::Twin);
    match (has_terminal, all_twin) {
        (_, true) => Ok(Operator::Simulated),
        (true, false) => Ok(Operator::Terminal),
        (false, false) if plan.ready.questions.is_empty() => Ok(Operator::Terminal),
        (false, false) => {
            let questions = &plan.ready.questions;
            Err(vec![NoAnswer::Nobody { count: questions.len(), ids: list(questions.iter()) }])
        }
    }
}

fn from_file(plan: &Plan, answers: &Answers, now: OffsetDateTime) -> Result<Operator, Vec<NoAnswer>> {
    let mut wrong = Vec::new();
    if answers.unit_serial.value != plan.serial {
        wrong
            .push(NoAnswer::Unit { found: answers.unit_serial.value.clone(), expected: plan.serial.clone() });
    }
    let found = answers.build.value.clone();
    match &plan.build {
        None => wrong.push(NoAnswer::BuildOpen { found }),
        Some(build) if *build != found => wrong.push(NoAnswer::Build { found, expected: build.clone() }),
        Some(_) => {}
    }
    let expires = answers.expires.value.clone();
    match OffsetDateTime::parse(&expires, &Rfc3339) {
        Err(_) => wrong.push(NoAnswer::Expiry { found: expires }),
        Ok(moment) if moment <= now => {
            // A moment in UTC formats as RFC 3339 for every year from 0 to 9999.
            let now = now.format(&Rfc3339).unwrap_or_else(|_| now.to_string());
            wrong.push(NoAnswer::Expired { expires, now });
        }
        Ok(_) => {}
    }
    let mut known = BTreeMap::new();
    for (id, answer) in answers.answer.iter() {
        match answer.value.as_str() {
            "yes" => known.insert(id.value.clone(), true),
            "no" => known.insert(id.value.clone(), false),
            other => {
                wrong.push(NoAnswer::Neither { id: id.value.clone(), found: other.to_string() });
                // It was answered, if badly: one message is enough.
                known.insert(id.value.clone(), false)
            }
        };
    }
    let open: Vec<&Question> = plan.ready.questions.iter().filter(|q| !known.contains_key(&q.id)).collect();
    if !open.is_empty() {
        wrong.push(NoAnswer::Unanswered { ids: list(open.into_iter()) });
    }
    let by = format!("answers file of {}, holds until {}", answers.answered_by.value, answers.expires.value);
    if wrong.is_empty() { Ok(Operator::File { answers: known, by }) } else { Err(wrong) }
}

fn list<'a>(questions: impl Iterator<Item = &'a Question>) -> String {
    questions.map(|q| format!("`{}`", q.id)).collect::<Vec<_>>().join(", ")
}

/// The questions' thread: answers what the engine asks until the engine is gone.
pub fn answer_all(
    operator: &Operator,
    screen: &Screen,
    clock: &Clock,
    asks: &Receiver<Asked>,
    inbox: &Inbox,
) {
    while let Ok(Asked { id, ask }) = asks.recv() {
        let (yes, by) = match operator {
            Operator::Terminal => {
                let answer = screen
                    .suspend(|| type_answer(&ask, &mut std::io::stdin().lock(), &mut std::io::stderr()));
                match answer {
                    Ok(yes) => (yes, "at the terminal".to_string()),
                    Err(why) => (false, format!("nobody: {why}")),
                }
            }
            Operator::File { answers, by } => (answers.get(&id).copied().unwrap_or(false), by.clone()),
            Operator::Simulated => (true, "assumed: simulated".to_string()),
        };
        let person = *operator != Operator::Simulated;
        let input = Input::Answer { id, yes, by, person };
        if inbox.send(Message { at: clock.now(), input }).is_err() {
            return;
        }
    }
}

/// Puts a question and reads the answer: "yes" in full is yes, an empty line asks again, anything
/// else is no.
fn type_answer(ask: &str, from: &mut impl BufRead, to: &mut impl Write) -> std::io::Result<bool> {
    loop {
        write!(to, "{ask} [yes/no] ")?;
        to.flush()?;
        let mut line = String::new();
        if from.read_line(&mut line)? == 0 {
            return Err(std::io::Error::new(std::io::ErrorKind::UnexpectedEof, "the terminal is closed"));
        }
        match line.trim() {
            "" => {}
            typed => return Ok(typed.eq_ignore_ascii_case("yes")),
        }
    }
}

#[cfg(test)]
mod tests;
