//! A board that restarts comes back with whatever it has stored: another build, another limit, no command timeout. Before each
//! test, and after whatever may have been a restart, identity and settings are asked again and held against what was said first.
//! Until the answers are in, nothing is enabled.
//!
//! What may have been a restart:
//!
//! - a line that fits nothing, whenever it comes, and a line that the rig allows, unless the board talks all the time;
//! - no reply to [`SILENT`] requests of a link in a row while the drive is off; a single one makes the program ask again as well,
//!   since a microcontroller may be back in less time than one reply may take (common practice), but every line loses one now
//!   and then, so that it spoils nothing that was seen before;
//! - a state of a drive that is off, to which none of our frames led, and *not ready to switch on* at any time.

use super::Timer;
use super::asking::{Asking, Said, of_identity};
use super::core::{Core, Notice};
use super::guard::Firing;
use super::link::Purpose;
use super::rows::printable;
use crate::outcome::Cause;
use crate::plan::{Channel, Plan};
use crate::record::{A_REPLY_LOST, Grade, What};
use crate::states::DriveState;
use crate::time::{Duration, Instant};

/// So many replies of a link that are lost in a row are a silence.
const SILENT: u32 = 3;

/// How long a board may take to answer after it has begun, at least (common practice; from memory).
const BEGINS_WITHIN: Duration = Duration::from_millis(2000);

/// A board from which a line came that its rig allows, within so much time before, talks all the time.
const TALKS: Duration = Duration::from_millis(10_000);

/// For so long what comes meanwhile makes the asking begin once more: a line that is disturbed all the time must not put the answers
/// off for ever.
const DISTURBED: Duration = Duration::from_millis(10_000);

/// What may have been a restart.
#[derive(Debug)]
struct Pending {
    /// In words.
    found: String,
    since: Instant,
    /// Whether it spoils what was seen before, and is in the records.
    spoils: bool,
}

/// What has been asked, and why it is asked again.
#[derive(Debug, Default)]
pub(super) struct Again {
    /// What was said first, and when all of it was there.
    first: Option<(Said, Instant)>,
    asking: Option<Asking>,
    /// The test before whose pre-checks it is asked.
    before: Option<usize>,
    /// What may have been a restart and has had no answer.
    restart: Option<Pending>,
    /// Something came while it was asked: once more from the beginning.
    once_more: bool,
    /// The newest sign of a restart that spoils what was seen before it.
    spoilt: Option<(String, Instant)>,
    /// Link by link: how many replies were lost in a row, and the newest line that the rig allows.
    links: Vec<(u32, Option<Instant>)>,
    /// When a frame that changes the state was handed to a link.
    frame: Option<Instant>,
    /// The newest test that was asked for, for the pre-checks' sake.
    test: usize,
}

impl Again {
    pub(super) fn new(links: usize) -> Again {
        Again { links: vec![(0, None); links], ..Again::default() }
    }

    /// Everything was said for the first time.
    pub(super) fn first(&mut self, now: Instant, said: Said) {
        self.first = Some((said, now));
    }

    /// Whether answers are waited for: nothing may be enabled.
    pub(super) fn is_open(&self) -> bool {
        self.asking.is_some() || self.before.is_some() || self.restart.is_some()
    }

    /// What may have been a restart since a moment, in words, if it spoils what was seen before.
    pub(super) fn spoilt_since(&self, since: Instant) -> Option<&str> {
        self.spoilt.as_ref().filter(|(_, at)| *at > since).map(|(found, _)| found.as_str())
    }

    /// A frame that changes the state was handed to a link.
    pub(super) fn frame_sent(&mut self, now: Instant) {
        self.frame = Some(now);
    }

    /// A reply came on a link.
    pub(super) fn replied(&mut self, link: usize) {
        self.links[link].0 = 0;
    }

    /// A stop goes first: what was being asked is asked again after it.
    pub(super) fn abandon(&mut self) {
        self.asking = None;
    }

    /// Nothing more can be asked.
    pub(super) fn give_up(&mut self) {
        (self.asking, self.before, self.restart) = (None, None, None);
    }
}

impl Core {
    /// Before the pre-checks of a test: asks again, unless it has just been asked for the first time.
    pub(super) fn ask_before(&mut self, now: Instant, test: usize) {
        self.again.test = test;
        let fresh = |at: Instant| now - at <= self.plan.ready.valid_for;
        if self.again.first.as_ref().is_some_and(|(_, at)| test > 0 || !fresh(*at)) {
            self.again.before = Some(test);
        }
    }

    /// A line that nobody asked for, or that fits nothing where a reply was expected.
    pub(super) fn strange_line(&mut self, now: Instant, link: usize, line: &[u8], allowed: bool) {
        let talks = allowed && self.again.links[link].1.is_some_and(|at| now - at < TALKS);
        if allowed {
            self.again.links[link].1 = Some(now);
        }
        let drive = if self.is_off() { "off" } else { "on" };
        let name = &self.plan.links[link].name;
        let found = format!("link {name}: `{}` came with the drive {drive}", printable(line));
        self.may_have_restarted(now, found, !talks);
    }

    /// A reply of a link was lost.
    pub(super) fn reply_lost(&mut self, now: Instant, link: usize) {
        self.again.links[link].0 += 1;
        if !self.is_off() {
            return;
        }
        let name = &self.plan.links[link].name;
        let in_a_row = self.again.links[link].0;
        if in_a_row < SILENT {
            self.may_have_restarted(now, format!("link {name}: {A_REPLY_LOST}"), false);
        } else if in_a_row == SILENT {
            let found = format!("link {name}: no reply to {in_a_row} requests in a row with the drive off");
            self.may_have_restarted(now, found, true);
        }
    }

    /// The state of the drive has changed.
    pub(super) fn state_changed(
        &mut self,
        now: Instant,
        before: Option<DriveState>,
        state: Option<DriveState>,
    ) {
        let Some(before) = before else { return };
        let ours = self.again.frame.is_some_and(|at| now - at <= self.plan.drive.within);
        let on = before.may_drive() || state.is_some_and(DriveState::may_drive);
        // A board that begins gets ready by itself (CiA 402, from memory); that it began was seen before.
        let begins = before == DriveState::NotReady;
        if state == Some(DriveState::NotReady) || !ours && !on && !begins {
            let state = state.map_or("unknown", DriveState::words);
            let found =
                format!("the drive went from `{}` to `{state}`, and nobody asked for it", before.words());
            self.may_have_restarted(now, found, true);
        }
    }

    /// Whether a value is stale because the board may be restarting: nothing is driven, and the answers have a time of their own.
    pub(super) fn waits_for_answers(&self, firing: &Firing) -> bool {
        let stale = |channel: &Channel| firing.trip == format!("{} stale", channel.name);
        self.again.restart.is_some() && self.plan.channels.iter().any(stale)
    }

    fn is_off(&self) -> bool {
        !self.state.is_some_and(|(state, _)| state.may_drive())
    }

    fn may_have_restarted(&mut self, now: Instant, found: String, spoils: bool) {
        if self.again.first.is_none() {
            return;
        }
        if spoils {
            self.again.spoilt = Some((found.clone(), now));
        }
        let pending = self.again.restart.take();
        let since = pending.as_ref().map_or(now, |p| p.since);
        // What has been said so far may be another board's. A board that has said nothing yet is waited for as it is.
        let said = self.again.asking.as_ref().is_some_and(Asking::has_begun);
        self.again.once_more |= said && now - since < DISTURBED;
        // One event for all that comes until it is answered: each line is in the trace by itself.
        let before = pending.as_ref().is_some_and(|p| p.spoils);
        if spoils && !before {
            self.event(now, What::PossibleRestart { found: found.clone() });
        }
        self.again.restart = match pending {
            Some(pending) if pending.spoils || !spoils => Some(pending),
            _ => Some(Pending { found, since, spoils }),
        };
    }

    /// Begins to ask, if it is wanted and nothing else is: a stop is proved first, and what drives is left alone.
    pub(super) fn ask_if_due(&mut self, now: Instant) {
        let wanted = self.again.before.is_some() || self.again.restart.is_some();
        let stopping = self.timers.first(|timer| timer == Timer::StopFrame).is_some();
        if !wanted || self.again.asking.is_some() || stopping || !self.is_off() {
            return;
        }
        let plan = self.plan.clone();
        let settle = plan.links.iter().map(|l| l.settle).max().unwrap_or(Duration::ZERO);
        let asking = Asking::new(&plan, now + settle.max(BEGINS_WITHIN));
        self.again.once_more = false;
        if asking.ask(self, now) {
            self.again.asking = Some(asking);
        } else {
            self.nothing_to_ask(now);
        }
    }

    fn nothing_to_ask(&mut self, now: Instant) {
        if let Some(Pending { found: because, .. }) = self.again.restart.take() {
            let found = "this rig reads neither identity nor settings: nobody knows whether it restarted";
            self.event(now, What::AskedAgain { because, same: false, found: found.into() });
        }
        self.again.give_up();
    }

    /// Takes the reply to a question that was asked again, or that none fitting came; false if nobody has asked again.
    pub(super) fn said_again(
        &mut self,
        now: Instant,
        (link, purpose): (usize, Purpose),
        reply: Result<&[String], Option<&[u8]>>,
        notices: &mut Vec<Notice>,
    ) -> bool {
        let Some(mut asking) = self.again.asking.take() else { return false };
        let plan = self.plan.clone();
        if !asking.asks(link, purpose) {
            self.again.asking = Some(asking);
            return true;
        }
        match reply {
            Ok(fields) => asking.answered(&plan, link, purpose, fields),
            Err(line) if !asking.again(now) => {
                let why = asking.unanswered(&plan, line);
                if let Some(Pending { found: because, .. }) = self.again.restart.take() {
                    self.event(now, What::AskedAgain { because, same: false, found: why.clone() });
                }
                self.again.give_up();
                notices
                    .push(Notice::Ends(Cause::NotMade, format!("identity and settings asked again: {why}")));
                return true;
            }
            Err(_) => {}
        }
        if self.again.once_more {
            self.again.once_more = false;
            asking = Asking::new(&plan, now + BEGINS_WITHIN);
        }
        if asking.ask(self, now) {
            self.again.asking = Some(asking);
        } else {
            self.compare(now, asking.said, notices);
        }
        true
    }

    /// All is said again: is it what was said first?
    fn compare(&mut self, now: Instant, said: Said, notices: &mut Vec<Notice>) {
        let plan = self.plan.clone();
        let Some((first, _)) = self.again.first.clone() else { return };
        let mut wrong = said.differences(&plan, &first);
        wrong.extend(said.refused(&plan));
        let (before, restart) = (self.again.before.take(), self.again.restart.take());
        let same = wrong.is_empty();
        let found = if same { as_at_first(&said, &plan) } else { wrong.join("; ") };
        if let Some(Pending { found: because, .. }) = restart {
            self.event(now, What::AskedAgain { because, same, found: found.clone() });
        }
        if !same {
            self.say_again(now, &said);
        }
        if before.is_some() || !same {
            self.judged_again(now, &first, &said);
        }
        if !same {
            let why = format!("identity and settings asked again: {found}");
            notices.push(Notice::Ends(Cause::Refused, why));
        }
    }

    /// What is said now is kept as well if it is not what was said first: whoever looks at the records must see it.
    fn say_again(&mut self, now: Instant, said: &Said) {
        let plan = self.plan.clone();
        for (link, fields) in &said.identities {
            let link = plan.links[*link].name.clone();
            self.event(now, What::Identity { link, fields: fields.clone() });
        }
        for (link, setting, value) in &said.settings {
            let (link, name) =
                (plan.links[*link].name.clone(), plan.links[*link].settings[*setting].name.clone());
            self.event(now, What::Setting { link, name, value: value.clone() });
        }
        if let Some(sha256) = said.sha256(&plan) {
            self.event(now, What::SettingsHash { sha256 });
        }
    }

    /// The pre-checks of this test that rest on what was said.
    fn judged_again(&mut self, now: Instant, first: &Said, said: &Said) {
        let plan = self.plan.clone();
        let test = self.again.test;
        let mut note = |name: &str, wrong: Vec<String>, right: String| {
            let (name, holds) = (name.to_string(), wrong.is_empty());
            let found = if holds { right } else { wrong.join("; ") };
            self.event(now, What::PreCheck { name, holds, grade: Grade::Measured, found, test });
        };
        let parts = |said: &Said| {
            let identities = Said { identities: said.identities.clone(), ..Said::default() };
            (identities, Said { settings: said.settings.clone(), ..Said::default() })
        };
        let ((id_first, set_first), (id, set)) = (parts(first), parts(said));
        let wrong = |is: &Said, was: &Said| [is.differences(&plan, was), is.refused(&plan)].concat();
        if !id.identities.is_empty() {
            let words = id.identities.iter().filter_map(|(_, fields)| of_identity(&plan, fields).ok());
            let right = format!("asked again, as at first: {}", words.collect::<Vec<_>>().join("; "));
            note("identity and build", wrong(&id, &id_first), right);
        }
        if let Some(sha256) = set.sha256(&plan) {
            let right = format!("{} read again, as at first: SHA-256 {}…", set.settings.len(), &sha256[..12]);
            note("settings", wrong(&set, &set_first), right);
        }
    }
}

fn as_at_first(said: &Said, plan: &Plan) -> String {
    let settings = said.settings.len();
    let hash = said.sha256(plan).map_or(String::new(), |sha| format!(", SHA-256 {}…", &sha[..12]));
    format!("{} identities and {settings} settings are as at first{hash}", said.identities.len())
}
