//! The first state: who is the controller, what are its settings, and what does the person say?

use super::Output;
use super::State;
use super::asking::{Asking, Judged, of_identity, of_setting};
use super::core::{Core, Notice};
use super::link::Purpose;
use super::operating::Operating;
use super::watching::on_by_itself;
use super::winding::WindingDown;
use crate::outcome::Cause;
use crate::record::{Grade, What};
use crate::time::Instant;
use std::collections::VecDeque;

/// Identifying the controller.
#[derive(Debug)]
pub(super) struct Identifying {
    asking: Asking,
    /// Whether all of it was said.
    said: bool,
    questions: VecDeque<usize>,
}

impl Identifying {
    pub(super) fn new(core: &Core) -> Identifying {
        let questions = (0..core.plan.ready.questions.len()).collect();
        Identifying { asking: Asking::new(&core.plan, Instant::ZERO), said: false, questions }
    }

    pub(super) fn on(mut self, core: &mut Core, now: Instant, notice: Notice) -> State {
        match notice {
            Notice::Started => self.next(core, now),
            Notice::Reply { link, purpose, fields } if self.asking.asks(link, purpose) => {
                self.asking.answered(&core.plan, link, purpose, &fields);
                match self.judge(core, now, purpose) {
                    Ok(()) => self.next(core, now),
                    Err(why) => refuse(core, now, why),
                }
            }
            Notice::Failed { link, purpose, line } if self.asking.asks(link, purpose) => {
                if self.asking.again(now) {
                    return self.next(core, now);
                }
                let why = self.asking.unanswered(&core.plan, line.as_deref());
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
            | Notice::Failed { .. }
            | Notice::RowLost
            | Notice::Fired(_)
            | Notice::Typed { .. }
            | Notice::Listening { .. }
            | Notice::Key(_)
            | Notice::Due(_) => State::Identifying(self),
        }
    }

    fn next(mut self, core: &mut Core, now: Instant) -> State {
        if self.asking.ask(core, now) {
            return State::Identifying(self);
        }
        if !std::mem::replace(&mut self.said, true) {
            core.again.first(now, self.asking.said.clone());
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

    /// Says what was said last, and whether it may be driven.
    fn judge(&self, core: &mut Core, now: Instant, purpose: Purpose) -> Result<(), String> {
        let plan = core.plan.clone();
        let said = &self.asking.said;
        if let (Purpose::Setting(_), Some((link, index, value))) = (purpose, said.settings.last()) {
            let (of, name) = (&plan.links[*link], plan.links[*link].settings[*index].name.clone());
            core.event(now, What::Setting { link: of.name.clone(), name, value: value.clone() });
            for Judged { name, holds, found } in of_setting(&plan, *link, *index, value) {
                pre_check(core, now, name, holds, Grade::Measured, found.clone());
                if !holds {
                    return Err(format!("{name}: {found}"));
                }
            }
        } else if let Some((link, fields)) = said.identities.last() {
            let judged = of_identity(&plan, fields);
            core.event(now, What::Identity { link: plan.links[*link].name.clone(), fields: fields.clone() });
            let found = judged.clone().unwrap_or_else(|wrong| wrong);
            pre_check(core, now, "identity and build", judged.is_ok(), Grade::Measured, found);
            return judged.map(|_| ()).map_err(|wrong| format!("identity and build: {wrong}"));
        }
        Ok(())
    }

    fn conclude_settings(&self, core: &mut Core, now: Instant) {
        let Some(sha256) = self.asking.said.sha256(&core.plan) else {
            pre_check(core, now, "settings", true, Grade::Absent, "no setting is read back".into());
            return;
        };
        let found = format!("{} read, SHA-256 {}…", self.asking.said.settings.len(), &sha256[..12]);
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

fn refuse(core: &mut Core, now: Instant, why: String) -> State {
    WindingDown::begin(core, now, None, Some((Cause::Refused, why)))
}

fn pre_check(core: &mut Core, now: Instant, name: &str, holds: bool, grade: Grade, found: String) {
    core.event(now, What::PreCheck { name: name.into(), holds, grade, found, test: 0 });
}
