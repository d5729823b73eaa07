//! Bursts against scripted devices: on a link of their own, and while the shaft coasts. Neither may hold up what stops
//! the unit or what watches it.
#![allow(clippy::unwrap_used)]

mod common;

use common::{RIG, UNIT, load};
use spinproof::engine::{Engine, Input, Output, StopReason};
use spinproof::outcome::Cause;
use spinproof::record::{Chunk, Event, Record, RowStatus, Stage, What};
use spinproof::time::{Duration, Instant};
use std::sync::Arc;

/// The demo rig with an accelerometer's own recorder on a second link: no poll, no demand, no stop frame goes there.
fn two_links() -> String {
    let recorder = "[link.recorder]\nport = \"/dev/ttyUSB1\"\nbaud = 115200\nreply_within = \"900 ms\"\n\
        [[link.recorder.burst]]\nname = \"casing\"\nstart = { send = \"INIT:BURS VIBR;*OPC?\", expect = \"1\" }\n\
        samples = 4096\nchunk = 4096\nrate = \"10 kHz\"\n\
        channel = [{ name = \"casing_axial\", read = \"READ:BURS:VIBR:AXI? {offset},{count}\", scale = \"0.005 m/s2\" }]\n\n\
        [twin]\n";
    assert!(RIG.contains("\n[twin]\n"));
    RIG.replacen("[twin]\n", recorder, 1)
}

const HOLD: &str = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"120 rpm\", rate = \"120 rpm/s\" }, { hold = \"5 s\", name = \"hold\" }]\n\
    burst = [{ take = \"casing\", over = \"hold\" }]\ncriterion = []\n";

const COAST: &str = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"120 rpm\", rate = \"120 rpm/s\" }, { coast = \"5 s\", below = \"60 rpm\", name = \"down\" }]\n\
    burst = [{ take = \"phase\", over = \"down\" }]\ncriterion = []\n";

/// The demo rig with a wheel on the shaft, so that it runs down at 40 rpm/s: 0.6 Nm on 0.143 kg m2.
fn with_wheel(rig: &str) -> String {
    format!("{rig}\n[shaft]\ncoupled = \"brake\"\ninertia = \"0.15 kg m2\"\n")
}

/// A sound board, a recorder, and the time their bytes take on their lines.
struct Devices {
    state: u16,
    demand: f64,
    /// When the first stop frame came: from then on the shaft runs down at 40 rpm/s.
    stopped: Option<Instant>,
    from: f64,
    /// The drive comes back on after so long without torque.
    back_on: Option<Duration>,
    /// The recorder never answers.
    silent_recorder: bool,
}

impl Default for Devices {
    fn default() -> Devices {
        Devices { state: 0x40, demand: 0.0, stopped: None, from: 0.0, back_on: None, silent_recorder: false }
    }
}

impl Devices {
    fn answer(&mut self, now: Instant, link: usize, request: &str) -> Vec<u8> {
        let piece = request.strip_prefix("READ:BURS:").and_then(|r| r.split_once("? "));
        if let Some((_, count)) = piece.and_then(|(_, numbers)| numbers.split_once(',')) {
            let bytes = 2 * count.parse::<usize>().unwrap();
            let head = format!("#{}{bytes}", bytes.to_string().len());
            return if link == 1 && self.silent_recorder {
                Vec::new()
            } else {
                [head.into_bytes(), vec![0; bytes], vec![b'\n']].concat()
            };
        }
        if let Some(word) = request.strip_prefix("CONT:WORD ") {
            assert_eq!(link, 0, "only the board is told what to do");
            self.state = match word.trim_end_matches(";*OPC?") {
                "6" => 0x21,
                "7" => 0x23,
                "15" => 0x27,
                _ => 0x40,
            };
            if self.state == 0x40 && self.stopped.is_none() {
                (self.stopped, self.from) = (Some(now), self.demand);
            }
        }
        if let Some(demand) = request.strip_prefix("SOUR:SPE ") {
            self.demand = demand.trim_end_matches(";*OPC?").parse().unwrap();
        }
        let since = self.stopped.map(|at| now - at);
        if self.back_on.is_some_and(|after| since.is_some_and(|s| s > after)) {
            self.state = 0x27;
        }
        let speed = match since {
            Some(since) => (self.from - 40.0 * since.secs_f64()).max(0.0),
            None if self.state == 0x27 => self.demand,
            None => 0.0,
        };
        let reply = match request {
            "*IDN?" => "Hollin Clough Motors,HC-7 controller,HC7-0042,1.4.0".into(),
            "CONF:COMM:TIM?" => "100".into(),
            "MEAS:DRIV?" => format!("{},{speed:.2},0.0,155.0,0.1", self.state),
            "MEAS:SLOW?;:MEAS:COOL?" => "20.0,20.0,20.0,0.0,1;1.95,3750,7.90,20.0".into(),
            "CONF:PED:RATE?" => "300".into(),
            "CONF:VOLT:LIM?" => "210".into(),
            "MEAS:PED?;:MEAS:SUPP?" => "0.0,0.0,0.750,0.375,1;110.2".into(),
            "MEAS:RES?" => "0.0,1.0,1.0,1.50".into(),
            "READ:BURS:COUN?" => "4096".into(),
            _ => "1".to_string(),
        };
        format!("{reply}\n").into_bytes()
    }
}

struct Ended {
    cause: Cause,
    why: String,
    events: Vec<Event>,
    chunks: Vec<Chunk>,
    missed: usize,
    rows: usize,
    /// Everything that went out: when, on which link, what.
    sent: Vec<(Instant, usize, String)>,
}

impl Ended {
    fn when(&self, test: impl Fn(&What) -> bool) -> Instant {
        self.events.iter().find(|e| test(&e.what)).expect("such an event").at
    }

    fn stages(&self, wanted: Stage) -> Vec<bool> {
        let confirmed = |e: &Event| match &e.what {
            What::Stage { stage, confirmed, .. } if *stage == wanted => Some(*confirmed),
            _ => None,
        };
        self.events.iter().filter_map(confirmed).collect()
    }
}

fn began(index: usize) -> impl Fn(&What) -> bool {
    move |w| matches!(w, What::SegmentBegan { segment, .. } if *segment == index)
}

fn at(ms: i64) -> Instant {
    Instant::ZERO + Duration::from_millis(ms)
}

/// Drives a plan until it finishes. Every byte takes its time on the line of its link, both ways.
fn drive(rig: &str, suite: &str, mut devices: Devices, mut stop_at: Instant) -> Ended {
    let plan = load(&with_wheel(rig), UNIT, suite, None).plan;
    let mut engine = Engine::new(Arc::clone(&plan));
    let mut wake = Instant::ZERO;
    let mut free = vec![Instant::ZERO; plan.links.len()];
    let mut replies: Vec<(Instant, usize, Vec<u8>)> = Vec::new();
    let mut ended = Ended {
        cause: Cause::NotMade,
        why: String::new(),
        events: Vec::new(),
        chunks: Vec::new(),
        missed: 0,
        rows: 0,
        sent: Vec::new(),
    };
    loop {
        replies.sort_by_key(|(at, link, _)| (*at, *link));
        let reply = replies.first().map_or(Instant::NEVER, |(at, ..)| *at);
        let now = wake.min(reply).min(stop_at);
        assert!(now < at(120_000), "it must end by itself");
        let mut inputs = vec![if now == stop_at {
            stop_at = Instant::NEVER;
            Input::Stop(StopReason::Operator("Ctrl-C".into()))
        } else if now == reply {
            let (_, link, bytes) = replies.remove(0);
            Input::Bytes { link, bytes }
        } else {
            wake = Instant::NEVER;
            Input::Deadline
        }];
        while let Some(input) = inputs.pop() {
            engine.handle(now, input);
            while let Some(output) = engine.poll() {
                match output {
                    Output::Send { link, bytes } => {
                        let line = &plan.links[link];
                        let text = String::from_utf8(bytes).unwrap();
                        ended.sent.push((now, link, text.clone()));
                        for request in text.lines().filter(|l| !l.is_empty()) {
                            let heard = now + line.line_time(request.len() + 1);
                            let reply = devices.answer(heard, link, request);
                            if !reply.is_empty() {
                                free[link] = heard.max(free[link]) + line.line_time(reply.len());
                                replies.push((free[link], link, reply));
                            }
                        }
                    }
                    Output::WakeAt(at, _) => wake = at.max(now),
                    Output::Ask { id, .. } => {
                        inputs.push(Input::Answer { id, yes: true, by: "a test".into(), person: true })
                    }
                    Output::AskValue { .. } => unreachable!("no operator step here"),
                    Output::Record(Record::Event(event)) => ended.events.push(event),
                    Output::Record(Record::Chunk(chunk)) => ended.chunks.push(chunk),
                    Output::Record(Record::Row(row)) => match row.status {
                        RowStatus::Missed => ended.missed += 1,
                        _ => ended.rows += 1,
                    },
                    Output::Record(_) | Output::Listen { .. } => {}
                    Output::Finished { cause, why } => {
                        return Ended { cause, why, ..ended };
                    }
                }
            }
        }
    }
}

/// The recorder's reply of 8 kB takes 0.7 s of its line. A stop in the middle of it goes to the board at once, is
/// proved as quickly as without, and what comes late from the recorder is taken for nothing.
#[test]
fn a_reply_on_the_recorders_link_holds_up_no_stop_on_the_boards() {
    let quiet = HOLD.replace("burst = [{ take = \"casing\", over = \"hold\" }]\n", "");
    for ms in [3300, 3600, 3900, 4100, 4500] {
        let with = drive(&two_links(), HOLD, Devices::default(), at(ms));
        let without = drive(&two_links(), &quiet, Devices::default(), at(ms));
        let asked = with.sent.iter().any(|(t, link, _)| *link == 1 && *t < at(ms));
        assert!(asked && without.sent.iter().all(|(.., text)| !text.contains("BURS")), "at {ms} ms");
        for ended in [&with, &without] {
            assert_eq!(ended.cause, Cause::Stopped, "{}", ended.why);
            assert_eq!(ended.when(|w| matches!(w, What::StopSent { .. })), at(ms), "at once");
            assert_eq!(ended.stages(Stage::NotDriven), [true]);
        }
        let proved = |e: &Ended| e.when(|w| matches!(w, What::Stage { stage: Stage::NotDriven, .. }));
        assert_eq!(proved(&with), proved(&without), "proved as quickly, stopped at {ms} ms");
        let stop_went_to: Vec<usize> = with
            .sent
            .iter()
            .filter(|(_, _, text)| text.contains("CONT:WORD 0"))
            .map(|(_, link, _)| *link)
            .collect();
        assert!(!stop_went_to.is_empty() && stop_went_to.iter().all(|link| *link == 0));
        assert!(with.chunks.iter().all(|c| c.at <= at(ms)), "no piece is taken after the stop");
        assert!(!with.sent.iter().any(|(t, link, _)| *link == 1 && *t > at(ms)), "nothing more is asked");
    }
}

/// All through the bursts the board is polled as if there were none: not one slot is missed.
#[test]
fn bursts_on_a_link_of_their_own_cost_the_polls_nothing() {
    let with = drive(&two_links(), HOLD, Devices::default(), Instant::NEVER);
    let quiet = HOLD.replace("burst = [{ take = \"casing\", over = \"hold\" }]\n", "");
    let without = drive(&two_links(), &quiet, Devices::default(), Instant::NEVER);
    assert_eq!((with.cause, without.cause), (Cause::Passed, Cause::Passed), "{} {}", with.why, without.why);
    assert!(with.chunks.len() >= 3, "{} bursts in 5 s", with.chunks.len());
    assert_eq!((with.rows, with.missed), (without.rows, without.missed));
}

/// A recorder that says nothing is no trip: its bursts are lost and said to be, the board's run goes on.
#[test]
fn a_recorder_that_falls_silent_costs_its_bursts_and_no_more() {
    let devices = Devices { silent_recorder: true, ..Devices::default() };
    let ended = drive(&two_links(), HOLD, devices, Instant::NEVER);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    assert!(ended.chunks.is_empty());
    assert!(ended.events.iter().any(|e| matches!(e.what, What::BurstLost { .. })), "it is said");
}

/// Bursts of a coast begin once the torque is proved off. The stop frames, the proof, the samples and the end of the
/// coast come when they come without bursts, to the microsecond.
#[test]
fn bursts_of_a_coast_delay_neither_its_proof_nor_its_watch() {
    let quiet = COAST.replace("burst = [{ take = \"phase\", over = \"down\" }]\n", "");
    let with = drive(RIG, COAST, Devices::default(), Instant::NEVER);
    let without = drive(RIG, &quiet, Devices::default(), Instant::NEVER);
    for ended in [&with, &without] {
        assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    }
    let off = with.when(|w| matches!(w, What::TorqueOff { .. }));
    let bursts = with.sent.iter().filter(|(.., text)| text.contains("BURS"));
    let first = bursts.map(|(t, ..)| *t).min().expect("bursts were asked for");
    assert!(first >= off, "a burst was begun at {first}, before the proof at {off}");
    assert!(with.chunks.len() > 20, "{} pieces", with.chunks.len());
    let kinds: [fn(&What) -> bool; 3] = [
        |w| matches!(w, What::StopSent { .. }),
        |w| matches!(w, What::TorqueOff { .. }),
        |w| matches!(w, What::ProfileEnded { .. }),
    ];
    for kind in kinds {
        assert_eq!(with.when(kind), without.when(kind));
    }
    let stop = |e: &Ended| e.when(|w| matches!(w, What::StopBegan { .. }));
    let polls = |e: &Ended| {
        let asked = e.sent.iter().filter(|(t, _, text)| text.contains("MEAS:DRIV?") && *t < stop(e));
        asked.map(|(t, ..)| *t).collect::<Vec<_>>()
    };
    assert_eq!(polls(&with), polls(&without), "the same polls at the same moments until the stop");
    // A piece under way when the coast ends is abandoned, and the line is then quiet for up to two reply times
    // of 40 ms: the proof of the stop after it may come later by that, never by the burst.
    let proved = |e: &Ended| e.when(|w| matches!(w, What::Stage { stage: Stage::NotDriven, .. })) - stop(e);
    assert!(proved(&with) <= proved(&without) + Duration::from_millis(85), "{}", proved(&with));
}

/// A drive that comes back on while pieces of a burst are read is stopped as at any other time.
#[test]
fn a_drive_that_comes_back_on_during_the_bursts_of_a_coast_trips() {
    let devices = || Devices { back_on: Some(Duration::from_millis(800)), ..Devices::default() };
    let ended = drive(RIG, COAST, devices(), Instant::NEVER);
    assert!(ended.why.contains("again while coasting"), "{}", ended.why);
    let trip = ended.when(|w| matches!(w, What::Trip { .. }));
    let back = ended.when(began(1)) + Duration::from_millis(800);
    assert!(trip > back && trip - back < Duration::from_millis(10), "{}", trip - back);
    assert!(ended.chunks.iter().any(|c| c.at > ended.when(began(1))), "bursts were being read");
    let quiet = COAST.replace("burst = [{ take = \"phase\", over = \"down\" }]\n", "");
    let without = drive(RIG, &quiet, devices(), Instant::NEVER);
    assert_eq!(trip, without.when(|w| matches!(w, What::Trip { .. })), "as soon as without");
}

/// Without a segment a burst is of what is driven: a coast that is to be heard is named.
#[test]
fn bursts_all_through_a_test_end_where_its_coast_begins() {
    let ended = drive(
        RIG,
        &COAST.replace("take = \"phase\", over = \"down\"", "take = \"phase\""),
        Devices::default(),
        Instant::NEVER,
    );
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let coast = ended.when(began(1));
    assert!(ended.sent.iter().any(|(t, _, text)| text.contains("BURS") && *t < coast));
    assert!(!ended.sent.iter().any(|(t, _, text)| text.contains("BURS") && *t > coast));
}
