//! Questions to the person at the bench: typed on the terminal, taken from an answers file, or
//! assumed where nothing real turns.

use crate::engine::Input;
use crate::files::suite::Answers;
use crate::plan::Plan;
use crate::shell::arrivals::{Inbox, Message};
use crate::shell::clock::Clock;
use crate::shell::planted;
use crate::shell::port::PortKind;
use crate::shell::progress::Screen;
use crate::units::parse_quantity;
use ::time::format_description::well_known::Rfc3339;
use ::time::{Duration, OffsetDateTime};
use std::collections::BTreeMap;
use std::io::{BufRead, Write};
use std::sync::mpsc::Receiver;

/// How far ahead answers may hold: what was seen yesterday is not known today.
const HOLD_MAX: Duration = Duration::hours(24);

/// A question of the engine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Asked {
    /// Question id.
    pub id: String,
    /// The question.
    pub ask: String,
    /// Unit of the value to type; `None` for yes or no.
    pub unit: Option<String>,
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
        /// What a meter shows, by operator step id.
        typed: BTreeMap<String, String>,
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
         run it from a terminal, or write an answers file (schema, unit_serial, build, assembly, answered_by, expires, and \
         under [answer] \"yes\" or \"no\" for {ids}) and pass it with --answers",
        if *count == 1 { "" } else { "s" }
    )]
    Nobody {
        /// How many questions.
        count: usize,
        /// Their ids.
        ids: String,
    },
    /// A person at the pedal could not stop with a key.
    #[error(
        "{tests} driven by hand, and there is no terminal on which a key could stop it; run it from a terminal, or \
         rehearse it: a rehearsal works the pedal by itself"
    )]
    NoKeys {
        /// Which tests, with their verb.
        tests: String,
    },
    /// Somebody is asked to put their hands on the shaft, and nobody is at a terminal.
    #[error(
        "{tests} asks somebody to turn the shaft by hand, and nobody is at a terminal who could say that their hands are off it \
         again; run it from a terminal, or rehearse it"
    )]
    NoHands {
        /// Which test.
        tests: String,
    },
    /// Somebody has their hands on the shaft, and the next test would switch the gates on.
    #[error(
        "{asks} asks somebody to turn the shaft by hand, and {drives} of the same run would switch the gates on after it; put it \
         last, or into a suite of its own"
    )]
    HandsOn {
        /// The test that asks.
        asks: String,
        /// The test that drives.
        drives: String,
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
    /// The answers are about another state of assembly.
    #[error(
        "the answers are for `assembly = {found}`, and the unit file says `number = {expected}` under [assembly]; the unit was \
         opened between the two: answer anew"
    )]
    Assembly {
        /// Number in the answers.
        found: u32,
        /// Number in the unit file.
        expected: u32,
    },
    /// The answers do not say the state of assembly.
    #[error(
        "the answers do not say for which state of assembly they are, and the unit file says `number = {expected}` under \
         [assembly]; look whether they are for the unit as it is now, then add `assembly = {expected}`"
    )]
    AssemblyOpen {
        /// Number in the unit file.
        expected: u32,
    },
    /// The unit file does not say the state of assembly.
    #[error(
        "the answers are for `assembly = {found}`, and the unit file does not say its state of assembly; add `[assembly]` with \
         `number` there"
    )]
    AssemblyUnknown {
        /// Number in the answers.
        found: u32,
    },
    /// The answers would hold for too long.
    #[error(
        "the answers would hold until {expires}, and it is {now}: they are for one day; look again on the day itself, and let \
         them hold until {latest} at most"
    )]
    Distant {
        /// When, as written.
        expires: String,
        /// UTC now.
        now: String,
        /// The latest that is taken.
        latest: String,
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
    /// A meter value that is no quantity.
    #[error("the meter value of `{id}` is `{found}`; write it as \"__ V\"")]
    NoQuantity {
        /// Operator step id.
        id: String,
        /// As written.
        found: String,
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
    let by_hand = plan.tests.iter().filter(|t| !t.by_hand.is_empty()).map(|t| t.name.as_str());
    let by_hand: Vec<&str> = by_hand.collect();
    if !by_hand.is_empty() && !has_terminal {
        let (one, verb) = if by_hand.len() == 1 { ("test", "is") } else { ("tests", "are") };
        return Err(vec![NoAnswer::NoKeys { tests: format!("{one} {} {verb}", list(by_hand.into_iter())) }]);
    }
    let all_twin = !kinds.is_empty() && kinds.iter().all(|kind| *kind == PortKind::Twin);
    if let Some(why) = hands(plan, has_terminal).filter(|_| !all_twin) {
        return Err(vec![why]);
    }
    if let Some(answers) = answers {
        return from_file(plan, answers, now);
    }
    match (has_terminal, all_twin) {
        (_, true) => Ok(Operator::Simulated),
        (true, false) => Ok(Operator::Terminal),
        (false, false) => {
            let ids = ids(plan);
            if ids.is_empty() {
                return Ok(Operator::Terminal);
            }
            Err(vec![NoAnswer::Nobody { count: ids.len(), ids: list(ids.into_iter()) }])
        }
    }
}

/// Why a test that asks for hands on the shaft may not be made, if it may not. An answers file knows nothing of hands.
fn hands(plan: &Plan, has_terminal: bool) -> Option<NoAnswer> {
    let at = plan.tests.iter().position(|test| !test.asks.is_empty())?;
    let named = |test: &crate::plan::Test| format!("test `{}`", test.name);
    let asks = named(&plan.tests[at]);
    if !has_terminal {
        return Some(NoAnswer::NoHands { tests: asks });
    }
    let drives = plan.tests[at..].iter().find(|test| !test.profile.watches())?;
    Some(NoAnswer::HandsOn { asks, drives: named(drives) })
}

/// Whether somebody at the terminal says that all hands are off the shaft: nobody and nothing else may.
pub fn hands_are_off() -> bool {
    let ask = "Are all hands off the shaft, and is nobody near it? What comes next switches the gates on.";
    type_answer(ask, &mut std::io::stdin().lock(), &mut std::io::stderr()).unwrap_or(false)
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
    wrong.extend(other_assembly(answers.assembly.as_ref().map(|a| a.value), plan.assembly));
    wrong.extend(does_not_hold(&answers.expires.value, now));
    let (mut known, mut typed) = (BTreeMap::new(), BTreeMap::new());
    let meters: Vec<&str> = metered(plan).collect();
    for (id, answer) in answers.answer.iter() {
        if meters.contains(&id.value.as_str()) {
            let found = answer.value.clone();
            if parse_quantity(&found).is_err() {
                wrong.push(NoAnswer::NoQuantity { id: id.value.clone(), found: found.clone() });
            }
            typed.insert(id.value.clone(), found);
            continue;
        }
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
    let open: Vec<&str> =
        ids(plan).into_iter().filter(|id| !known.contains_key(*id) && !typed.contains_key(*id)).collect();
    if !open.is_empty() {
        wrong.push(NoAnswer::Unanswered { ids: list(open.into_iter()) });
    }
    let by = format!("answers file of {}, holds until {}", answers.answered_by.value, answers.expires.value);
    if wrong.is_empty() { Ok(Operator::File { answers: known, typed, by }) } else { Err(wrong) }
}

/// Why answers that say `found` are none for the state of assembly that the unit file says; nothing if they are.
fn other_assembly(found: Option<u32>, expected: Option<u32>) -> Option<NoAnswer> {
    match (found, expected) {
        (Some(found), Some(expected)) if found != expected => Some(NoAnswer::Assembly { found, expected }),
        (None, Some(expected)) => Some(NoAnswer::AssemblyOpen { expected }),
        (Some(found), None) => Some(NoAnswer::AssemblyUnknown { found }),
        (Some(_), Some(_)) | (None, None) => None,
    }
}

/// Why answers that cease to hold at `expires` are none at this moment; nothing if they are.
fn does_not_hold(expires: &str, now: OffsetDateTime) -> Option<NoAnswer> {
    let latest = now + HOLD_MAX;
    // A moment in UTC formats as RFC 3339 for every year from 0 to 9999.
    let text = |moment: OffsetDateTime| moment.format(&Rfc3339).unwrap_or_else(|_| moment.to_string());
    let expires = expires.to_string();
    match OffsetDateTime::parse(&expires, &Rfc3339) {
        Err(_) => Some(NoAnswer::Expiry { found: expires }),
        Ok(moment) if moment <= now => Some(NoAnswer::Expired { expires, now: text(now) }),
        Ok(moment) if moment > latest => {
            Some(NoAnswer::Distant { expires, now: text(now), latest: text(latest) })
        }
        Ok(_) => None,
    }
}

/// Ids of everything that a person answers: questions, then operator steps with a meter.
fn ids(plan: &Plan) -> Vec<&str> {
    plan.ready.questions.iter().map(|q| q.id.as_str()).chain(metered(plan)).collect()
}

fn metered(plan: &Plan) -> impl Iterator<Item = &str> {
    plan.tests.iter().flat_map(|t| &t.operator).filter(|s| s.meter.is_some()).map(|s| s.id.as_str())
}

fn list<'a>(ids: impl Iterator<Item = &'a str>) -> String {
    ids.map(|id| format!("`{id}`")).collect::<Vec<_>>().join(", ")
}

/// The questions' thread: answers what the engine asks until the engine is gone.
pub fn answer_all(
    operator: &Operator,
    screen: &Screen,
    clock: &Clock,
    asks: &Receiver<Asked>,
    inbox: &Inbox,
) {
    while let Ok(Asked { id, ask, unit }) = asks.recv() {
        planted::panic_if_asked("questions");
        if let Some(unit) = unit {
            let input = meter(operator, screen, id, &ask, &unit);
            if inbox.send(Message { at: clock.now(), input }).is_err() {
                return;
            }
            continue;
        }
        let (yes, by) = match operator {
            Operator::Terminal => {
                let answer = screen
                    .suspend(|| type_answer(&ask, &mut std::io::stdin().lock(), &mut std::io::stderr()));
                match answer {
                    Ok(yes) => (yes, "at the terminal".to_string()),
                    Err(why) => (false, format!("nobody: {why}")),
                }
            }
            Operator::File { answers, by, .. } => (answers.get(&id).copied().unwrap_or(false), by.clone()),
            Operator::Simulated => (true, "assumed: simulated".to_string()),
        };
        let person = *operator != Operator::Simulated;
        let input = Input::Answer { id, yes, by, person };
        if inbox.send(Message { at: clock.now(), input }).is_err() {
            return;
        }
    }
}

/// What a meter shows: typed at the terminal, from the answers file, or by nobody.
fn meter(operator: &Operator, screen: &Screen, id: String, ask: &str, unit: &str) -> Input {
    let (text, by) = match operator {
        Operator::Terminal => {
            let typed = screen
                .suspend(|| type_value(ask, unit, &mut std::io::stdin().lock(), &mut std::io::stderr()));
            match typed {
                Ok(text) => (text, "at the terminal".to_string()),
                Err(why) => (String::new(), format!("nobody: {why}")),
            }
        }
        Operator::File { typed, by, .. } => (typed.get(&id).cloned().unwrap_or_default(), by.clone()),
        Operator::Simulated => (String::new(), "assumed: simulated".to_string()),
    };
    Input::Typed { id, text, by, person: *operator != Operator::Simulated }
}

/// Asks for a value and reads a line; an empty one asks again.
fn type_value(
    ask: &str,
    unit: &str,
    from: &mut impl BufRead,
    to: &mut impl Write,
) -> std::io::Result<String> {
    loop {
        write!(to, "{ask} [{unit}] ")?;
        to.flush()?;
        let mut line = String::new();
        if from.read_line(&mut line)? == 0 {
            return Err(std::io::Error::new(std::io::ErrorKind::UnexpectedEof, "the terminal is closed"));
        }
        if !line.trim().is_empty() {
            return Ok(line.trim().to_string());
        }
    }
}

/// Puts a question and reads the answer: "yes" in full is yes, an empty line and a mere "y" ask again, anything
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
            "y" | "Y" => writeln!(to, "in full, please: yes or no")?,
            typed => return Ok(typed.eq_ignore_ascii_case("yes")),
        }
    }
}

#[cfg(test)]
mod tests;
