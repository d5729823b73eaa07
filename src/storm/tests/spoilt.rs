//! The engine with a defect around it, for the judge to see.

use super::super::*;
use crate::engine::{Input, Output};
use crate::files::rig::Sets;
use crate::plan::When;
use crate::record::{By, Event, Record, RowStatus, Stage, What};
use std::collections::{HashMap, VecDeque};

/// What is wrong with a machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Defect {
    /// It does not hear the operator.
    Deaf,
    /// It never sends a stop frame.
    NoStopFrame,
    /// Its stop frame waits for the next input.
    SlowStopFrame,
    /// It believes in every sample of the bus that it is 155 V.
    BusBelieved,
    /// It tells the controller one rpm more.
    Bold,
    /// It takes every answer for a yes.
    YesToAll,
    /// It keeps but 99 of 100 rows.
    Forgetful,
    /// It writes the demand, near enough, where the speed should stand.
    Flattering,
    /// It calls the stop confirmed as soon as it is demanded.
    Trusting,
    /// It never says that it has finished.
    Endless,
    /// It hears bytes only while nothing is driven.
    DeafAtSpeed,
    /// Once the drive is on its way to being enabled it takes the shaft for still.
    Hasty,
    /// It stops quickly, under control, instead of taking the torque off.
    Braking,
    /// When a run has ended it begins another with pre-checks of its own.
    GoesOn,
    /// It calls every run passed.
    SaysPassed,
    /// It sends each stop frame but once.
    StopsOnce,
    /// It sends a stop frame and ends, unconfirmed.
    GivesUp,
    /// It calls every stop unconfirmed.
    SaysNotConfirmed,
    /// Its pre-checks refuse nothing but what has a window.
    Unchecked,
    /// It does not watch with the gates on.
    Unwatched,
    /// It tells a demand other than the shaft speed a twentieth more.
    Lavish,
    /// It records five rpm more than it tells.
    Misquoting,
    /// It believes every reading, however quickly it fell, and does not look at the mains.
    Gullible,
    /// It ends, unconfirmed and without a word to anybody, when a link is lost.
    Resigned,
    /// It says of every stop that the board's command timeout made it.
    Modest,
    /// It does not ask whether a demand other than the shaft speed was taken.
    Unasked,
    /// It asks for no setting.
    NoSettings,
    /// It asks who the board is and what is set but once, and answers itself ever after.
    Remembers,
}

/// The engine with a defect around it.
pub(super) struct Spoilt {
    /// The question for a setting or an identity that is open, and every answer so far.
    asked: Option<Vec<u8>>,
    remembered: HashMap<Vec<u8>, Vec<u8>>,
    plan: Arc<Plan>,
    engine: Engine,
    stopped: bool,
    defect: Defect,
    held: VecDeque<Output>,
    ready: VecDeque<Output>,
    rows: u32,
    demand: f64,
    enabling: bool,
    driven: bool,
    now: Instant,
}

impl Spoilt {
    pub(super) fn of(ground: &Ground, defect: Defect) -> Spoilt {
        let mut plan = Plan::clone(&ground.plan);
        match defect {
            Defect::Unchecked => plan.ready.checks.clear(),
            Defect::Gullible => {
                (plan.stop.speed_change_max, plan.stop.bus_fall_max) = (f64::INFINITY, f64::INFINITY);
                plan.ready.checks.clear();
            }
            Defect::Unwatched => {
                plan.ready.quiet = None;
                plan.ready.checks.retain(|check| check.when != When::GatesOn);
            }
            Defect::Unasked => plan.demands.iter_mut().for_each(|d| {
                if !matches!(d.sets, Sets::ShaftSpeed | Sets::Pump) {
                    d.expect = None;
                }
            }),
            Defect::NoSettings => plan.links.iter_mut().for_each(|link| link.settings.clear()),
            _ => {}
        }
        Spoilt {
            asked: None,
            remembered: HashMap::new(),
            plan: ground.plan.clone(),
            engine: Engine::new(Arc::new(plan)),
            stopped: false,
            defect,
            held: VecDeque::new(),
            ready: VecDeque::new(),
            rows: 0,
            demand: 0.0,
            enabling: false,
            driven: false,
            now: Instant::ZERO,
        }
    }

    /// Spoils what follows a stop, and demands other than the shaft speed; gives back what is none of these.
    fn spoil_further(&mut self, output: Output) -> Option<Output> {
        let plan = self.plan.clone();
        let stops = |bytes: &[u8]| evidence::is_stop(&plan, 0, bytes);
        match (self.defect, output) {
            (Defect::StopsOnce, Output::Send { bytes, .. }) if self.stopped && stops(&bytes) => {}
            (Defect::GivesUp, Output::Send { .. }) if self.stopped => {}
            (Defect::StopsOnce | Defect::GivesUp, Output::Send { link, bytes }) if self.driven => {
                self.stopped |= stops(&bytes);
                self.ready.push_back(Output::Send { link, bytes });
                if self.stopped && self.defect == Defect::GivesUp {
                    let (cause, why) = (Cause::NotConfirmed, "given up".into());
                    self.ready.push_back(Output::Finished { cause, why });
                }
            }
            (Defect::Braking, Output::Send { link, bytes }) if stops(&bytes) => {
                let quick = String::from_utf8_lossy(&bytes).replace("WORD 0", "WORD 2").into_bytes();
                self.ready.push_back(Output::Send { link, bytes: quick });
            }
            (Defect::GoesOn, Output::Finished { .. }) if !std::mem::replace(&mut self.stopped, true) => {
                let mut plan = Plan::clone(&self.plan);
                plan.tests.truncate(1);
                self.engine = Engine::new(Arc::new(plan));
                self.engine.handle(self.now, Input::Deadline);
            }
            (Defect::SaysPassed, Output::Finished { why, .. }) => {
                self.ready.push_back(Output::Finished { cause: Cause::Passed, why });
            }
            (Defect::SaysNotConfirmed, Output::Finished { why, .. }) => {
                self.ready.push_back(Output::Finished { cause: Cause::NotConfirmed, why });
            }
            (Defect::Modest, Output::Record(Record::Event(Event { at, what: What::TookOff { .. } }))) => {
                let (by, found) = (By::CommandTimeout, "modesty".into());
                let what = What::TookOff { by, finding: true, between: (0, 0), found };
                self.ready.push_back(Output::Record(Record::Event(Event { at, what })));
            }
            (Defect::Misquoting, Output::Record(Record::Sent(mut sent))) => {
                sent.value += if sent.value > 0.0 { 5.0 * std::f64::consts::TAU / 60.0 } else { 0.0 };
                self.ready.push_back(Output::Record(Record::Sent(sent)));
            }
            (Defect::Resigned, _) if self.stopped => {}
            (Defect::Remembers, Output::Send { link, bytes }) if asks(&plan, link, &bytes) => {
                match self.remembered.get(&bytes).cloned() {
                    Some(bytes) => self.engine.handle(self.now, Input::Bytes { link, bytes }),
                    None => {
                        self.asked = Some(bytes.clone());
                        self.ready.push_back(Output::Send { link, bytes });
                    }
                }
            }
            (Defect::Lavish, Output::Send { link, bytes }) => {
                let bytes = beside_the_speed(bytes, |number, rest| format!("{:.2};{rest}", 1.05 * number));
                self.ready.push_back(Output::Send { link, bytes });
            }
            (Defect::Unasked, Output::Send { link, bytes }) => {
                let bytes = beside_the_speed(bytes, |number, _| format!("{number:.2}\n"));
                self.ready.push_back(Output::Send { link, bytes });
            }
            (_, output) => return Some(output),
        }
        None
    }

    fn spoil(&mut self, output: Output) {
        let plan = self.plan.clone();
        let stops = |bytes: &[u8]| evidence::is_stop(&plan, 0, bytes);
        match (self.defect, output) {
            (Defect::NoStopFrame, Output::Send { bytes, .. }) if stops(&bytes) => {}
            (Defect::SlowStopFrame, Output::Send { link, bytes }) if stops(&bytes) => {
                self.held.push_back(Output::Send { link, bytes });
            }
            (Defect::Bold, Output::Send { link, bytes }) => {
                let text = String::from_utf8(bytes).expect("the demo rig sends text");
                let more = text.strip_prefix("SOUR:SPE ").and_then(|rest| {
                    let (rpm, rest) = rest.split_once(';')?;
                    let rpm: f64 = rpm.parse().ok().filter(|rpm| *rpm > 0.0)?;
                    Some(format!("SOUR:SPE {:.1};{rest}", rpm + 1.0))
                });
                self.ready.push_back(Output::Send { link, bytes: more.unwrap_or(text).into_bytes() });
            }
            (Defect::Trusting, Output::Send { link, bytes }) if stops(&bytes) => {
                self.ready.push_back(Output::Send { link, bytes });
                let what = What::Stage { stage: Stage::NotDriven, confirmed: true, found: "trust".into() };
                self.ready.push_back(Output::Record(Record::Event(Event { at: self.now, what })));
            }
            (Defect::Endless, Output::Finished { .. }) => {}
            (Defect::Forgetful, Output::Record(Record::Row(row))) => {
                self.rows += 1;
                if !self.rows.is_multiple_of(100) {
                    self.ready.push_back(Output::Record(Record::Row(row)));
                }
            }
            (Defect::Flattering, Output::Record(Record::Row(mut row))) => {
                if row.group == 0 && row.status == RowStatus::Ok {
                    // Two rpm off: an error of nought would have no usable uncertainty.
                    row.values[1] = Some(self.demand * 60.0 / std::f64::consts::TAU + 2.0);
                }
                self.ready.push_back(Output::Record(Record::Row(row)));
            }
            (_, output) => {
                if let Output::Record(Record::Sent(sent)) = &output
                    && sent.demand == 0
                {
                    self.demand = sent.value;
                }
                if let Output::Send { bytes, .. } = &output {
                    self.enabling |= evidence::told(bytes).iter().any(|t| t.enables());
                    self.driven |= evidence::told(bytes).iter().any(|t| t.switches_on());
                }
                self.ready.push_back(output);
            }
        }
    }
}

impl Machine for Spoilt {
    fn handle(&mut self, now: Instant, input: Input) {
        self.now = now;
        self.ready.append(&mut self.held);
        let input = match (self.defect, input) {
            (Defect::Deaf, Input::Stop(_)) => Input::Deadline,
            (Defect::Resigned, lost @ Input::LinkLost { .. }) if !self.stopped => {
                self.stopped = true;
                let (cause, why) = (Cause::NotConfirmed, "the link was lost".into());
                self.ready.push_back(Output::Finished { cause, why });
                lost
            }
            (Defect::DeafAtSpeed, Input::Bytes { link, bytes }) if self.driven => {
                // The status word and the speed as they should be, whatever they are.
                Input::Bytes { link, bytes: read_of_the_drive(bytes, |fields| fields[0] = "1591") }
            }
            (Defect::Hasty, Input::Bytes { link, bytes }) if self.enabling => {
                Input::Bytes { link, bytes: read_of_the_drive(bytes, |fields| fields[1] = "0.00") }
            }
            (Defect::BusBelieved, Input::Bytes { link, bytes }) => {
                let calm = |fields: &mut [&str]| {
                    if fields[3].parse::<f64>().is_ok_and(|bus| bus > 50.0) {
                        fields[3] = "155.00";
                    }
                };
                Input::Bytes { link, bytes: read_of_the_drive(bytes, calm) }
            }
            (Defect::Remembers, Input::Bytes { link, bytes }) => {
                if let Some(asked) = self.asked.take() {
                    self.remembered.insert(asked, bytes.clone());
                }
                Input::Bytes { link, bytes }
            }
            (Defect::YesToAll, Input::Answer { id, by, person, .. }) => {
                Input::Answer { id, yes: true, by, person }
            }
            (_, input) => input,
        };
        self.engine.handle(now, input);
        while let Some(output) = self.engine.poll() {
            if let Some(output) = self.spoil_further(output) {
                self.spoil(output);
            }
        }
    }

    fn poll(&mut self) -> Option<Output> {
        self.ready.pop_front()
    }
}

/// Whether bytes ask for a setting or for who the board is.
fn asks(plan: &Plan, link: usize, bytes: &[u8]) -> bool {
    let link = &plan.links[link];
    let bytes = bytes.strip_prefix(link.ends_with.as_slice()).unwrap_or(bytes);
    let identity = link.identity.as_ref().is_some_and(|identity| identity.send == bytes);
    identity || link.settings.iter().any(|setting| setting.exchange.send == bytes)
}

/// A reply with the state, speed, phase current, bus and bus current with some of it changed; any other as it is.
fn read_of_the_drive(bytes: Vec<u8>, change: impl FnOnce(&mut [&str])) -> Vec<u8> {
    let text = String::from_utf8_lossy(&bytes).into_owned();
    let fields = text.strip_suffix('\n').map(|line| line.split(',').collect::<Vec<_>>());
    match fields.filter(|f| f.len() == 5 && !f[0].contains('.')) {
        Some(mut fields) => {
            change(&mut fields);
            (fields.join(",") + "\n").into_bytes()
        }
        None => bytes,
    }
}

/// A frame that tells a forced angle, a current for it or a limit, rewritten from its number and what follows; any other as it is.
fn beside_the_speed(bytes: Vec<u8>, rewrite: impl Fn(f64, &str) -> String) -> Vec<u8> {
    let text = String::from_utf8_lossy(&bytes).into_owned();
    let other = ["SOUR:ANGL ", "SOUR:ALIG:CURR ", "SOUR:CURR:LIM "].iter().find_map(|word| {
        let (number, rest) = text.strip_prefix(word)?.split_once(';')?;
        Some(format!("{word}{}", rewrite(number.parse().ok()?, rest)).into_bytes())
    });
    other.unwrap_or(bytes)
}
