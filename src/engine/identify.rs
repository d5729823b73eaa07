//! The first state: who is the controller, what are its settings, and what does the person say?

use super::Output;
use super::State;
use super::core::{Core, Notice};
use super::link::Purpose;
use super::operating::Operating;
use super::watching::on_by_itself;
use super::winding::WindingDown;
use crate::outcome::Cause;
use crate::plan::{Reading, SettingMax};
use crate::record::{Grade, What};
use crate::time::Instant;
use crate::units::rounded_text;
use sha2::{Digest, Sha256};
use std::collections::VecDeque;
use std::fmt::Write;

/// How often a question to the controller is put before it counts as silent: boards that reset when
/// the port opens swallow the first.
const TRIES: u32 = 3;

/// Identifying the controller.
#[derive(Debug)]
pub(super) struct Identifying {
    work: VecDeque<(usize, Purpose)>,
    tries: u32,
    settings: Sha256,
    settings_read: usize,
    questions: VecDeque<usize>,
}

impl Identifying {
    pub(super) fn new(core: &Core) -> Identifying {
        let mut work = VecDeque::new();
        for (index, link) in core.plan.links.iter().enumerate() {
            if link.identity.is_some() {
                work.push_back((index, Purpose::Identity));
            }
            work.extend((0..link.settings.len()).map(|s| (index, Purpose::Setting(s))));
        }
        let questions = (0..core.plan.ready.questions.len()).collect();
        Identifying { work, tries: 0, settings: Sha256::new(), settings_read: 0, questions }
    }

    pub(super) fn on(mut self, core: &mut Core, now: Instant, notice: Notice) -> State {
        match notice {
            Notice::Started => self.next(core, now),
            Notice::Reply { link, purpose: Purpose::Identity, fields } => {
                match identity(core, now, link, &fields) {
                    Ok(()) => self.advance(core, now),
                    Err(why) => refuse(core, now, why),
                }
            }
            Notice::Reply { link, purpose: Purpose::Setting(index), fields } => {
                match self.setting(core, now, link, index, &fields) {
                    Ok(()) => self.advance(core, now),
                    Err(why) => refuse(core, now, why),
                }
            }
            Notice::Failed { link, purpose, line } => {
                self.tries += 1;
                if self.tries < TRIES {
                    core.ask(link, purpose);
                    return State::Identifying(self);
                }
                let why = unanswered(core, link, purpose, line.as_deref());
                WindingDown::begin(core, now, None, Some((Cause::NotMade, why)))
            }
            // A run that was killed may have left it on, and somebody is about to look at what turns.
            Notice::Row { .. } => match on_by_itself(core, now) {
                Some(firing) => refuse(core, now, format!("drive at rest: {}", firing.found)),
                None => State::Identifying(self),
            },
            Notice::Answer { id, yes, by, person } => self.answer(core, now, &id, yes, by, person),
            Notice::Ends(cause, why) => WindingDown::begin(core, now, None, Some((cause, why))),
            Notice::Reply { .. }
            | Notice::RowLost
            | Notice::Fired(_)
            | Notice::Typed { .. }
            | Notice::Listening { .. }
            | Notice::Key(_)
            | Notice::Due(_) => State::Identifying(self),
        }
    }

    fn advance(mut self, core: &mut Core, now: Instant) -> State {
        self.work.pop_front();
        self.tries = 0;
        self.next(core, now)
    }

    fn next(mut self, core: &mut Core, now: Instant) -> State {
        if let Some((link, purpose)) = self.work.front() {
            core.ask(*link, *purpose);
            return State::Identifying(self);
        }
        let plan = core.plan.clone();
        if let Some(question) = self.questions.front().map(|q| &plan.ready.questions[*q]) {
            core.start_polling(now);
            core.event(now, What::Asked { id: question.id.clone() });
            core.out.push_back(Output::Ask { id: question.id.clone(), ask: question.ask.clone() });
            return State::Identifying(self);
        }
        self.conclude_settings(core, now);
        Operating::begin(core, now, 0)
    }

    fn setting(
        &mut self,
        core: &mut Core,
        now: Instant,
        link: usize,
        index: usize,
        fields: &[String],
    ) -> Result<(), String> {
        let plan = core.plan.clone();
        let (link, setting) = (&plan.links[link], &plan.links[link].settings[index]);
        let position = setting.exchange.expect.fields().iter().position(|f| f == "value");
        let value = position.map_or_else(String::new, |p| fields[p].clone());
        self.settings.update(format!("{}/{}={value}\n", link.name, setting.name));
        self.settings_read += 1;
        core.event(
            now,
            What::Setting { link: link.name.clone(), name: setting.name.clone(), value: value.clone() },
        );
        if let Some(must_be) = setting.must_be.as_ref().filter(|must_be| **must_be != value) {
            let found = format!("{} is `{value}`, must be `{must_be}`", setting.name);
            pre_check(core, now, "settings", false, Grade::Measured, found.clone());
            return Err(format!("settings: {found}"));
        }
        let Some(max) = &setting.at_most else { return Ok(()) };
        let (holds, found) = below(&setting.name, &value, max);
        pre_check(core, now, CONTROLLERS_LIMIT, holds, Grade::Measured, found.clone());
        if holds { Ok(()) } else { Err(format!("{CONTROLLERS_LIMIT}: {found}")) }
    }

    fn conclude_settings(&mut self, core: &mut Core, now: Instant) {
        if self.settings_read == 0 {
            pre_check(core, now, "settings", true, Grade::Absent, "no setting is read back".into());
            return;
        }
        let mut sha256 = String::new();
        for byte in std::mem::take(&mut self.settings).finalize() {
            // Writing to a String cannot fail.
            let _ = write!(sha256, "{byte:02x}");
        }
        let found = format!("{} read, SHA-256 {}…", self.settings_read, &sha256[..12]);
        core.event(now, What::SettingsHash { sha256 });
        pre_check(core, now, "settings", true, Grade::Measured, found);
    }

    fn answer(
        mut self,
        core: &mut Core,
        now: Instant,
        id: &str,
        yes: bool,
        by: String,
        person: bool,
    ) -> State {
        let plan = core.plan.clone();
        let asked = self.questions.front().map(|q| &plan.ready.questions[*q]);
        let Some(question) = asked.filter(|q| q.id == id) else {
            return State::Identifying(self);
        };
        core.event(now, What::Answered { id: id.into(), yes, by: by.clone() });
        let word = if yes { "yes" } else { "no" };
        let found = format!("“{}” {word}, {by}", question.ask);
        let grade = if person { Grade::Confirmed } else { Grade::Absent };
        pre_check(core, now, &format!("question {id}"), yes, grade, found);
        if !yes {
            return refuse(core, now, format!("question {id} was answered with no"));
        }
        if person {
            core.confirmed.insert(id.into());
        }
        self.questions.pop_front();
        self.next(core, now)
    }
}

/// Name of the pre-check that a torque demand on a free shaft rests on.
const CONTROLLERS_LIMIT: &str = "controller's own limit";

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

fn refuse(core: &mut Core, now: Instant, why: String) -> State {
    WindingDown::begin(core, now, None, Some((Cause::Refused, why)))
}

fn pre_check(core: &mut Core, now: Instant, name: &str, holds: bool, grade: Grade, found: String) {
    core.event(now, What::PreCheck { name: name.into(), holds, grade, found, test: 0 });
}

/// Holds the identity against the unit file and the build asked for.
fn identity(core: &mut Core, now: Instant, link: usize, fields: &[String]) -> Result<(), String> {
    let plan = core.plan.clone();
    let names = plan.links[link].identity.as_ref().map(|e| e.expect.fields().to_vec()).unwrap_or_default();
    let fields: Vec<(String, String)> =
        names.into_iter().zip(fields.iter().cloned()).filter(|(n, _)| n != "_").collect();
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
    let found = if wrong.is_empty() {
        fields.iter().map(|(n, v)| format!("{n} {v}")).collect::<Vec<_>>().join(", ")
    } else {
        wrong.join("; ")
    };
    core.event(now, What::Identity { link: plan.links[link].name.clone(), fields });
    let holds = wrong.is_empty();
    pre_check(core, now, "identity and build", holds, Grade::Measured, found.clone());
    if holds { Ok(()) } else { Err(format!("identity and build: {found}")) }
}

fn unanswered(core: &Core, link: usize, purpose: Purpose, line: Option<&[u8]>) -> String {
    let link = &core.plan.links[link];
    let asked = match purpose {
        Purpose::Setting(index) => &link.settings[index].exchange.send,
        _ => match &link.identity {
            Some(identity) => &identity.send,
            None => &link.ends_with,
        },
    };
    let asked = String::from_utf8_lossy(asked).trim().to_string();
    let settle = if link.settle == crate::time::Duration::ZERO {
        " A board that restarts when its port opens needs `settle = \"2 s\"` in the link's table."
    } else {
        ""
    };
    match line {
        Some(line) => format!(
            "link {}: the reply to `{asked}` was `{}`, which does not fit the rig file's pattern: is this the board the rig file describes, at this baud rate?{settle}",
            link.name,
            super::rows::printable(line)
        ),
        None => format!(
            "link {}: no reply to `{asked}` within {} ({TRIES} tries): is the board powered and is {} its port at {} Bd?{settle}",
            link.name, link.reply_within, link.port, link.baud
        ),
    }
}
