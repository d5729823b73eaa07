//! Asking the controller who it is and what its settings are: one question after the other, each again if no reply comes.
//! The same asking serves the first state and every later moment at which the board may have restarted.

use super::core::Core;
use super::link::Purpose;
use super::rows::printable;
use crate::plan::{Plan, Reading, SettingMax};
use crate::time::{Duration, Instant};
use crate::units::rounded_text;
use sha2::{Digest, Sha256};
use std::collections::VecDeque;
use std::fmt::Write;

/// How often a question to the controller is put before it counts as silent: boards that reset when
/// the port opens swallow the first.
const TRIES: u32 = 3;

/// How long a question may wait behind polls, so that no value gets stale while all settings are read on a slow line.
const UNHURRIED: Duration = Duration::from_millis(50);

/// Name of the pre-check that a torque demand on a free shaft rests on.
const CONTROLLERS_LIMIT: &str = "controller's own limit";

/// What the controllers said of themselves.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Said {
    /// Index of the link and the named fields of its identity.
    pub identities: Vec<(usize, Vec<(String, String)>)>,
    /// Index of the link, index of the setting, the text read.
    pub settings: Vec<(usize, usize, String)>,
}

impl Said {
    /// SHA-256 over `link/name=value\n` lines in the order of the plan, in lower-case hexadecimal; `None` without a setting.
    pub(super) fn sha256(&self, plan: &Plan) -> Option<String> {
        let mut hash = Sha256::new();
        for (link, setting, value) in &self.settings {
            let link = &plan.links[*link];
            hash.update(format!("{}/{}={value}\n", link.name, link.settings[*setting].name));
        }
        let mut sha256 = String::new();
        for byte in hash.finalize() {
            // Writing to a String cannot fail.
            let _ = write!(sha256, "{byte:02x}");
        }
        (!self.settings.is_empty()).then_some(sha256)
    }

    /// What differs from what was said at `first`, in words, each with the link, the old and the new text.
    pub(super) fn differences(&self, plan: &Plan, first: &Said) -> Vec<String> {
        let mut found = Vec::new();
        let mut note = |link: usize, name: &str, was: &str, is: &str| {
            if was != is {
                found.push(format!("link {}: {name} was `{was}`, is `{is}`", plan.links[link].name));
            }
        };
        for ((link, was), (_, is)) in first.identities.iter().zip(&self.identities) {
            was.iter().zip(is).for_each(|((name, was), (_, is))| note(*link, name, was, is));
        }
        for ((link, setting, was), (_, _, is)) in first.settings.iter().zip(&self.settings) {
            note(*link, &plan.links[*link].settings[*setting].name, was, is);
        }
        found
    }

    /// Why what was said may not be driven, whatever was said before.
    pub(super) fn refused(&self, plan: &Plan) -> Vec<String> {
        let identities = self.identities.iter().filter_map(|(_, fields)| of_identity(plan, fields).err());
        let settings = self.settings.iter().flat_map(|(l, s, value)| of_setting(plan, *l, *s, value));
        identities.chain(settings.filter(|c| !c.holds).map(|c| c.found)).collect()
    }
}

/// What a setting comes to.
pub(super) struct Judged {
    /// Name of the pre-check.
    pub name: &'static str,
    pub holds: bool,
    pub found: String,
}

/// Holds an identity against the unit file and the build asked for; in words either way.
pub(super) fn of_identity(plan: &Plan, fields: &[(String, String)]) -> Result<String, String> {
    let field = |name: &str| fields.iter().find(|(n, _)| n == name).map(|(_, v)| v.as_str());
    let mut wrong = Vec::new();
    for (name, wanted) in
        [("model", Some(&plan.model)), ("serial", Some(&plan.serial)), ("build", plan.build.as_ref())]
    {
        if let (Some(found), Some(wanted)) = (field(name), wanted)
            && found != wanted
        {
            wrong.push(format!("{name} is `{found}`, expected `{wanted}`"));
        }
    }
    let all = || fields.iter().map(|(n, v)| format!("{n} {v}")).collect::<Vec<_>>().join(", ");
    if wrong.is_empty() { Ok(all()) } else { Err(wrong.join("; ")) }
}

/// Holds a setting against what it must be and what it may be at most.
pub(super) fn of_setting(plan: &Plan, link: usize, index: usize, value: &str) -> Vec<Judged> {
    let setting = &plan.links[link].settings[index];
    let mut judged = Vec::new();
    if let Some(must_be) = setting.must_be.as_ref().filter(|must_be| *must_be != value) {
        let found = format!("{} is `{value}`, must be `{must_be}`", setting.name);
        judged.push(Judged { name: "settings", holds: false, found });
    } else if let Some(max) = &setting.at_most {
        let (holds, found) = below(&setting.name, value, max);
        judged.push(Judged { name: CONTROLLERS_LIMIT, holds, found });
    }
    judged
}

/// Whether a setting is a number above zero and no higher than it may be. A limit of zero or below is none on
/// many boards, so it is not trusted (common practice).
fn below(name: &str, value: &str, max: &SettingMax) -> (bool, String) {
    let number = Reading::Number.read(value).filter(|n| n.is_finite() && *n > 0.0);
    let Some(number) = number else {
        return (false, format!("{name} is `{value}`, expected a number above zero"));
    };
    let highest = rounded_text(&max.unit, max.si, None);
    let found = format!("{name} is {value} {}, at most {highest} {}: {}", max.unit, max.unit, max.why);
    (max.unit.to_si(number) <= max.si, found)
}

/// Asking every identity and every setting once.
#[derive(Debug)]
pub(super) struct Asking {
    work: VecDeque<(usize, Purpose)>,
    tries: u32,
    /// Until then an answer is waited for, however often it was asked for.
    patient_until: Instant,
    /// What has been said so far.
    pub said: Said,
}

impl Asking {
    /// Everything there is to ask. An answer that does not come is asked for until a moment, and a few times in any case.
    pub(super) fn new(plan: &Plan, patient_until: Instant) -> Asking {
        let mut work = VecDeque::new();
        for (index, link) in plan.links.iter().enumerate() {
            if link.identity.is_some() {
                work.push_back((index, Purpose::Identity));
            }
            work.extend((0..link.settings.len()).map(|s| (index, Purpose::Setting(s))));
        }
        Asking { work, tries: 0, patient_until, said: Said::default() }
    }

    /// Puts the next question; false if there is none.
    pub(super) fn ask(&self, core: &mut Core, now: Instant) -> bool {
        let Some((link, purpose)) = self.work.front() else { return false };
        core.links[*link].ask_by(*purpose, now + UNHURRIED);
        true
    }

    /// Whether this is the question that waits for its reply.
    pub(super) fn asks(&self, link: usize, purpose: Purpose) -> bool {
        self.work.front() == Some(&(link, purpose))
    }

    /// Whether anything has been said yet.
    pub(super) fn has_begun(&self) -> bool {
        self.said != Said::default()
    }

    /// Takes the fields of the reply to the question.
    pub(super) fn answered(&mut self, plan: &Plan, link: usize, purpose: Purpose, fields: &[String]) {
        self.work.pop_front();
        self.tries = 0;
        if let Purpose::Setting(index) = purpose {
            let names = plan.links[link].settings[index].exchange.expect.fields();
            let position = names.iter().position(|f| f == "value");
            let value = position.and_then(|p| fields.get(p)).cloned().unwrap_or_default();
            self.said.settings.push((link, index, value));
        } else {
            let identity = plan.links[link].identity.as_ref();
            let names = identity.map(|e| e.expect.fields().to_vec()).unwrap_or_default();
            let named = names.into_iter().zip(fields.iter().cloned()).filter(|(n, _)| n != "_").collect();
            self.said.identities.push((link, named));
        }
    }

    /// No fitting reply came: whether the question is to be put again.
    pub(super) fn again(&mut self, now: Instant) -> bool {
        self.tries += 1;
        self.tries < TRIES || now < self.patient_until
    }

    /// Why the question has no answer, in words.
    pub(super) fn unanswered(&self, plan: &Plan, line: Option<&[u8]>) -> String {
        let Some((link, purpose)) = self.work.front() else { return String::new() };
        let link = &plan.links[*link];
        let asked = match purpose {
            Purpose::Setting(index) => &link.settings[*index].exchange.send,
            _ => match &link.identity {
                Some(identity) => &identity.send,
                None => &link.ends_with,
            },
        };
        let asked = String::from_utf8_lossy(asked).trim().to_string();
        let settle = if link.settle == Duration::ZERO {
            " A board that restarts when its port opens needs `settle = \"2 s\"` in the link's table."
        } else {
            ""
        };
        match line {
            Some(line) => format!(
                "link {}: the reply to `{asked}` was `{}`, which does not fit the rig file's pattern: is this the board the rig file describes, at this baud rate?{settle}",
                link.name,
                printable(line)
            ),
            None => format!(
                "link {}: no reply to `{asked}` within {} ({} tries): is the board powered and is {} its port at {} Bd?{settle}",
                link.name, link.reply_within, self.tries, link.port, link.baud
            ),
        }
    }
}
