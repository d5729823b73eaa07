//! Inputs into notices: bytes, deadlines and lost links, before any state gives them a meaning.

use super::*;

impl Core {
    pub(in crate::engine) fn bytes(
        &mut self,
        now: Instant,
        link: usize,
        bytes: &[u8],
        notices: &mut Vec<Notice>,
    ) {
        let plan = Arc::clone(&self.plan);
        self.links[link].push(bytes);
        while let Some(heard) = self.links[link].hear(&plan, now) {
            self.heard(&plan, now, link, heard, notices);
        }
    }

    pub(in crate::engine) fn link_lost(
        &mut self,
        now: Instant,
        link: usize,
        why: String,
        notices: &mut Vec<Notice>,
    ) {
        if self.links[link].is_lost() {
            return;
        }
        self.links[link].lose();
        self.again.give_up();
        let link = self.plan.links[link].name.clone();
        notices.push(Notice::Ends(Cause::NotMade, format!("link {link} was lost: {why}")));
        self.event(now, What::LinkLost { link, why });
    }

    pub(in crate::engine) fn deadlines(&mut self, now: Instant, notices: &mut Vec<Notice>) {
        let plan = Arc::clone(&self.plan);
        // A wake-up whose moment has come is used up: the same deadline set again must be asked for again.
        self.woken = self.woken.filter(|(at, _)| *at > now);
        while let Some((at, timer)) = self.timers.take_due(now) {
            match timer {
                Timer::Poll(group) => self.poll_due(&plan, now, at, group),
                Timer::Reply(link) => {
                    while let Some(heard) = self.links[link].overdue(&plan, now) {
                        self.heard(&plan, now, link, heard, notices);
                    }
                }
                Timer::Heartbeat(demand) => self.heartbeat_due(&plan, now, at, demand, notices),
                Timer::Burst => self.burst_due(),
                Timer::Stale => {
                    if let Some((channel, firing)) = self.guard.stale(&plan, now) {
                        self.suspect_stale(&plan, now, channel, &firing);
                        notices.push(Notice::Fired(self.with_what_starved_it(&plan, now, channel, firing)));
                    }
                }
                Timer::StopFrame => {
                    self.stop_due = at;
                    notices.push(Notice::Due(Timer::StopFrame));
                }
                own => notices.push(Notice::Due(own)),
            }
        }
    }

    /// A slot of a group: asks for its poll. Slots keep their grid; one whose request still waits,
    /// and those that passed while nobody looked, are recorded as missed.
    fn poll_due(&mut self, plan: &Plan, now: Instant, at: Instant, group: usize) {
        let Group { link, every, .. } = plan.groups[group];
        if self.links[link].is_lost() {
            return;
        }
        if !self.links[link].ask_by(Purpose::Poll(group), at + plan.wanted_within(group)) {
            self.row_without_values(plan, now, at, group, RowStatus::Missed);
        }
        let mut next = at + every;
        while next <= now {
            self.row_without_values(plan, now, next, group, RowStatus::Missed);
            next += every;
        }
        self.timers.set(Timer::Poll(group), next);
    }

    fn heartbeat_due(
        &mut self,
        plan: &Plan,
        now: Instant,
        at: Instant,
        demand: usize,
        notices: &mut Vec<Notice>,
    ) {
        let Some(beat) = self.beating[demand] else { return };
        let d = &plan.demands[demand];
        let patience = plan.drive.command_timeout.max(d.every * 3);
        if d.expect.is_some() && now - beat.acknowledged > patience {
            let ms = |t: Duration| t.micros() / 1000;
            let trip = format!("demand {} acknowledged", d.name);
            let (link, since) = (d.link, beat.acknowledged);
            self.late.suspect(&trip, Suspect::Silence { link, since, until: now, allowed: patience });
            notices.push(Notice::Fired(Firing {
                trip,
                found: format!(
                    "the controller has not acknowledged `{}` for {} ms, {} ms allowed",
                    d.name,
                    ms(now - beat.acknowledged),
                    ms(patience)
                ),
                sampled: now,
            }));
        }
        self.links[d.link].ask(Purpose::Demand(demand));
        let mut next = at + d.every;
        while next <= now {
            next += d.every;
        }
        self.timers.set(Timer::Heartbeat(demand), next);
    }

    fn heard(&mut self, plan: &Plan, now: Instant, link: usize, heard: Heard, notices: &mut Vec<Notice>) {
        let name = || plan.links[link].name.clone();
        match heard {
            Heard::Lost { .. } => self.reply_lost(now, link),
            Heard::Reply { .. } | Heard::Late(_) => self.again.replied(link),
            Heard::Malformed { .. } | Heard::Gone { .. } | Heard::Unsolicited(_) | Heard::Garbage(_) => {}
        }
        match heard {
            Heard::Reply { purpose: Purpose::Poll(group), sent, request, reply, line } => {
                let times = (plan.links[link].line_time(request), plan.links[link].line_time(reply));
                let values = poll_values(plan, group, &line);
                self.poll_reply(plan, now, group, sent, times, values, &line, notices);
            }
            Heard::Reply { purpose, sent, request, reply, line } if purpose.is_of_a_burst() => {
                let earliest = (sent + plan.links[link].line_time(request)).min(now);
                let latest = (now - plan.links[link].line_time(reply)).max(earliest);
                self.burst_reply(plan, now, purpose, sent, (earliest, latest), &line);
            }
            Heard::Reply { purpose, sent, line, .. } => {
                self.took_off.answered(now, sent, purpose);
                if let Purpose::Demand(demand) = purpose
                    && let Some(beat) = &mut self.beating[demand]
                {
                    // Not when this was heard: a runner that stood still hears an old reply as if it were new.
                    beat.acknowledged = beat.acknowledged.max(sent);
                }
                let fields = fields(plan, link, purpose, &line);
                if self.said_again(now, (link, purpose), Ok(&fields), notices) {
                    return;
                }
                notices.push(Notice::Reply { link, purpose, fields });
            }
            Heard::Malformed { purpose, sent, line } => {
                self.late.lost(link, sent, now);
                self.event(now, What::Garbage { link: name(), text: printable(&line) });
                self.strange_line(now, link, &line, false);
                match purpose {
                    Purpose::Poll(group) => {
                        self.row_without_values(plan, now, sent, group, RowStatus::Malformed);
                        notices.push(Notice::RowLost);
                    }
                    _ if purpose.is_of_a_burst() => {
                        self.burst_failed(now, purpose, sent, "another reply came than expected")
                    }
                    _ if self.said_again(now, (link, purpose), Err(Some(&line)), notices) => {}
                    _ => notices.push(Notice::Failed { link, purpose, line: Some(line) }),
                }
            }
            Heard::Lost { purpose: Purpose::Poll(group), sent } => {
                self.late.lost(link, sent, now);
                self.row_without_values(plan, now, sent, group, RowStatus::Lost);
                notices.push(Notice::RowLost);
            }
            Heard::Lost { purpose, sent } if purpose.is_of_a_burst() => {
                self.burst_failed(now, purpose, sent, "no reply came")
            }
            Heard::Lost { purpose, sent } => {
                self.late.lost(link, sent, now);
                if !self.said_again(now, (link, purpose), Err(None), notices) {
                    notices.push(Notice::Failed { link, purpose, line: None });
                }
            }
            Heard::Gone { purpose } => notices.push(Notice::Reply { link, purpose, fields: Vec::new() }),
            Heard::Unsolicited(line) => {
                self.event(now, What::Unsolicited { link: name(), text: printable(&line) });
                self.strange_line(now, link, &line, true);
            }
            Heard::Late(line) => self.event(now, What::Late { link: name(), text: printable(&line) }),
            Heard::Garbage(line) => {
                self.event(now, What::Garbage { link: name(), text: printable(&line) });
                self.strange_line(now, link, &line, false);
            }
        }
    }
}
