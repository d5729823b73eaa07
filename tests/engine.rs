//! The engine alone, against a scripted board: what it must refuse, and what it must not believe.
#![allow(clippy::unwrap_used)]

mod common;

use common::{RIG, UNIT, load, torque_rig};
use spinproof::engine::{Engine, Input, Output, StopReason};
use spinproof::outcome::Cause;
use spinproof::record::{Event, Grade, Record, Stage, What};
use spinproof::time::{Duration, Instant};

const SUITE: &str = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"120 rpm\", rate = \"120 rpm/s\" }, { hold = \"1 s\" }]\ncriterion = []\n";

/// A board whose answers a test decides.
struct Board {
    state: u16,
    speed: f64,
    demand: f64,
    /// What a test changes before each reply: the moment, the request, the board.
    script: Box<Script>,
    /// What a person with a meter types.
    meter: &'static str,
    /// How long it takes for a reply.
    late: Duration,
    /// From when and for how long the runner stands still; what has come by then it finds afterwards.
    frozen: Option<(Instant, Duration)>,
}

/// A reply other than the sound one, an empty one for silence.
type Script = dyn FnMut(Instant, &str, &mut Seen) -> Option<String>;

/// What the script may look at and set.
struct Seen {
    state: u16,
    speed: f64,
}

impl Board {
    fn new(script: impl FnMut(Instant, &str, &mut Seen) -> Option<String> + 'static) -> Board {
        Board {
            state: 0x40,
            speed: 0.0,
            demand: 0.0,
            script: Box::new(script),
            meter: "",
            late: Duration::from_millis(1),
            frozen: None,
        }
    }

    /// When the runner comes to see what happens at a moment.
    fn seen(&self, at: Instant) -> Instant {
        match self.frozen {
            Some((from, lasting)) if at >= from => at.max(from + lasting),
            _ => at,
        }
    }

    /// The sound answer, unless the script has another; an empty one is silence.
    fn answer(&mut self, now: Instant, request: &str) -> String {
        if request.contains(";:") {
            let replies: Vec<String> = request.split(";:").map(|part| self.answer(now, part)).collect();
            // One silence makes all of it one.
            return if replies.iter().any(String::is_empty) { String::new() } else { replies.join(";") };
        }
        let mut seen = Seen { state: self.state, speed: self.speed };
        let scripted = (self.script)(now, request, &mut seen);
        (self.state, self.speed) = (seen.state, seen.speed);
        if let Some(reply) = scripted {
            return reply;
        }
        if let Some(word) = request.strip_prefix("CONT:WORD ") {
            self.state = match word.trim_end_matches(";*OPC?") {
                "6" => 0x21,
                "7" => 0x23,
                "15" => 0x27,
                _ => 0x40,
            };
        }
        if let Some(demand) = request.strip_prefix("SOUR:SPE ") {
            self.demand = demand.trim_end_matches(";*OPC?").parse().unwrap();
        }
        self.speed = if self.state == 0x27 { self.demand } else { 0.0 };
        match request {
            "*IDN?" => "Hollin Clough Motors,HC-7 controller,HC7-0042,1.4.0".into(),
            "CONF:COMM:TIM?" => "100".into(),
            "CONF:PED:RATE?" => "300".into(),
            "MEAS:DRIV?" => format!("{},{},1.0,155.0,0.1", self.state, self.speed),
            "MEAS:SLOW?" => "20.0,20.0,20.0,0.0,1".into(),
            "MEAS:COOL?" => "1.95,3750,7.90,20.0".into(),
            "MEAS:PED?" => "0.0,0.0,0.750,0.375,1".into(),
            "MEAS:SUPP?" => "110.2".into(),
            "MEAS:RES?" => "0.0,1.0,1.0,1.50".into(),
            _ => "1".into(),
        }
    }
}

struct Ended {
    cause: Cause,
    why: String,
    events: Vec<Event>,
}

impl Ended {
    fn stages(&self, wanted: Stage) -> Vec<bool> {
        let confirmed = |e: &Event| match &e.what {
            What::Stage { stage, confirmed, .. } if *stage == wanted => Some(*confirmed),
            _ => None,
        };
        self.events.iter().filter_map(confirmed).collect()
    }

    /// When the first event of a kind was.
    fn when(&self, test: impl Fn(&What) -> bool) -> Instant {
        self.events.iter().find(|e| test(&e.what)).expect("such an event").at
    }

    fn count(&self, test: impl Fn(&What) -> bool) -> usize {
        self.events.iter().filter(|e| test(&e.what)).count()
    }
}

/// Drives the engine until it finishes; replies come 1 ms after their request. `stop_at` is Ctrl-C.
fn drive(board: Board, stop_at: Option<Instant>) -> Ended {
    drive_on(RIG, board, stop_at)
}

fn drive_on(rig: &str, board: Board, stop_at: Option<Instant>) -> Ended {
    drive_plan(rig, SUITE, board, stop_at)
}

fn drive_suite(suite: &str, board: Board) -> Ended {
    drive_plan(RIG, suite, board, None)
}

fn drive_plan(rig: &str, suite: &str, mut board: Board, stop_at: Option<Instant>) -> Ended {
    let plan = load(rig, UNIT, suite, None).plan;
    let mut engine = Engine::new(plan);
    let (mut wake, mut stop_at) = (Instant::ZERO, stop_at.unwrap_or(Instant::NEVER));
    let mut replies: Vec<(Instant, Vec<u8>)> = Vec::new();
    let mut events = Vec::new();
    loop {
        let reply = replies.first().map_or(Instant::NEVER, |(at, _)| *at);
        let now = board.seen(wake.min(reply).min(stop_at));
        assert!(now < Instant::ZERO + Duration::from_millis(120_000), "it must end by itself");
        let mut inputs = vec![if stop_at <= now {
            stop_at = Instant::NEVER;
            Input::Stop(StopReason::Operator("Ctrl-C".into()))
        } else if reply <= now {
            Input::Bytes { link: 0, bytes: replies.remove(0).1 }
        } else {
            wake = Instant::NEVER;
            Input::Deadline
        }];
        while let Some(input) = inputs.pop() {
            engine.handle(now, input);
            while let Some(output) = engine.poll() {
                match output {
                    Output::Send { bytes, .. } => {
                        for request in String::from_utf8(bytes).unwrap().lines().filter(|l| !l.is_empty()) {
                            let reply = board.answer(now, request);
                            if !reply.is_empty() {
                                replies.push((now + board.late, format!("{reply}\n").into()));
                            }
                        }
                    }
                    Output::WakeAt(at, _) => wake = at.max(now),
                    Output::Ask { id, .. } => {
                        inputs.push(Input::Answer { id, yes: true, by: "a test".into(), person: true })
                    }
                    Output::AskValue { id, .. } => {
                        let (text, by) = (board.meter.to_string(), "a test".into());
                        inputs.push(Input::Typed { id, text, by, person: true });
                    }
                    Output::Record(Record::Event(event)) => events.push(event),
                    Output::Record(_) | Output::Listen { .. } => {}
                    Output::Finished { cause, why } => return Ended { cause, why, events },
                }
            }
        }
    }
}

fn at(ms: i64) -> Instant {
    Instant::ZERO + Duration::from_millis(ms)
}

#[test]
fn a_sound_board_is_driven_stopped_and_proved() {
    let ended = drive(Board::new(|_, _, _| None), None);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    assert_eq!((ended.stages(Stage::NotDriven), ended.stages(Stage::AtRest)), (vec![true], vec![true]));
    assert_eq!(ended.stages(Stage::DeEnergised), [false], "155 V on a hand-set supply");
}

/// One reading that is no number, early in the watch, with sound ones after it.
#[test]
fn a_reading_that_is_no_number_is_not_forgotten_by_the_pre_checks() {
    let mut spoilt = false;
    let board = Board::new(move |now, request, _| {
        let nan = request == "MEAS:DRIV?" && now > at(100) && !std::mem::replace(&mut spoilt, now > at(100));
        nan.then(|| "64,0.0,1.0,NAN,0.1".into())
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("bus in window"), "{}", ended.why);
    assert_eq!(ended.count(|w| matches!(w, What::SegmentBegan { .. })), 0, "nothing was driven");
}

/// The same for each quantity that is looked at more closely: one reading that is no number, sound ones before and after it.
#[test]
fn one_reading_that_is_no_number_spoils_a_closer_look() {
    for (asked, reply, name) in [
        ("MEAS:COOL?", "1.95,3750,NAN,20.0", "coolant moving"),
        ("MEAS:COOL?", "1.95,NAN,7.90,20.0", "coolant moving"),
        ("MEAS:PED?", "0.0,NAN,0.750,0.375,1", "pedal tracks alike"),
        ("MEAS:SUPP?", "NAN", "bus as the mains let it be"),
        ("MEAS:RES?", "0.0,1.0,NAN,1.50", "resolver signals"),
        ("MEAS:RES?", "0.0,1.0,1.0,NAN", "resolver quiet, gates off"),
    ] {
        let mut spoilt = false;
        let board = Board::new(move |now, request, _| {
            let nan = request == asked && now > at(700) && !std::mem::replace(&mut spoilt, now > at(700));
            nan.then(|| reply.into())
        });
        let ended = drive(board, None);
        assert_eq!(ended.cause, Cause::Refused, "{reply}: {}", ended.why);
        assert!(ended.why.contains(name), "{reply}: {}", ended.why);
        assert_eq!(ended.count(|w| matches!(w, What::SegmentBegan { .. })), 0, "nothing was driven");
    }
}

/// Noise with the gates on is no number once: enabled, but no profile, and the stop is proved.
#[test]
fn one_reading_that_is_no_number_spoils_the_watch_with_the_gates_on() {
    let mut spoilt = false;
    let board = Board::new(move |now, request, seen| {
        let watched = seen.state == 0x27 && now > at(1250);
        let nan = request == "MEAS:RES?" && watched && !std::mem::replace(&mut spoilt, watched);
        nan.then(|| "0.0,1.0,1.0,NAN".into())
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("resolver quiet, gates on"), "{}", ended.why);
    assert_eq!(ended.count(|w| matches!(w, What::SegmentBegan { .. })), 0, "no profile");
    assert_eq!(ended.stages(Stage::NotDriven), [true]);
}

#[test]
fn a_board_that_ignores_the_stop_is_not_confirmed() {
    let board = Board::new(|_, request, _| request.starts_with("CONT:WORD 0").then(|| "1".into()));
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert_eq!(ended.stages(Stage::NotDriven), [false]);
    assert!(ended.count(|w| matches!(w, What::StopSent { .. })) > 10, "it goes on demanding");
}

#[test]
fn a_board_that_goes_silent_at_speed_is_tripped_for_and_not_confirmed() {
    let board = Board::new(|now, _, _| (now > at(2500)).then(String::new));
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert!(ended.why.contains("acknowledged"), "{}", ended.why);
    assert!(ended.count(|w| matches!(w, What::StopSent { .. })) > 10, "it goes on demanding");
}

/// The drive comes back on while the shaft still turns: it is stopped again, and the end is no pass.
#[test]
fn a_drive_that_comes_back_on_while_coasting_is_stopped_again() {
    let mut stopped: Option<Instant> = None;
    let mut back = false;
    let board = Board::new(move |now, request, seen| {
        if request.starts_with("CONT:WORD 0") {
            stopped = stopped.or(Some(now));
            seen.state = 0x40;
            return Some("1".into());
        }
        let since = stopped.map(|s| now - s)?;
        if since > Duration::from_millis(100)
            && !std::mem::replace(&mut back, since > Duration::from_millis(100))
        {
            seen.state = 0x27;
        }
        let speed = if since < Duration::from_millis(400) { 100.0 } else { 0.0 };
        (request == "MEAS:DRIV?").then(|| format!("{},{speed},1.0,155.0,0.1", seen.state))
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("again"), "{}", ended.why);
    assert_eq!(ended.stages(Stage::NotDriven), [true, false, true]);
}

/// Ctrl-C at any moment ends stopped, and where it was driven, proved.
#[test]
fn a_stop_at_any_moment_ends_stopped_and_proved() {
    for ms in [0, 1, 5, 500, 1004, 1010, 1500, 2500, 2900] {
        let ended = drive(Board::new(|_, _, _| None), Some(at(ms)));
        assert_eq!(ended.cause, Cause::Stopped, "at {ms} ms: {}", ended.why);
        assert_eq!(ended.stages(Stage::NotDriven), [true], "at {ms} ms");
    }
}

/// A first stop frame that is lost is repeated, and the proof rests on samples asked for after the last.
#[test]
fn a_lost_stop_frame_is_repeated_until_the_board_obeys() {
    let mut lost = 0;
    let board = Board::new(move |_, request, _| {
        lost += i32::from(request.starts_with("CONT:WORD 0"));
        (request.starts_with("CONT:WORD 0") && lost <= 2).then(String::new)
    });
    let ended = drive(board, Some(at(2500)));
    assert_eq!(ended.cause, Cause::Stopped, "{}", ended.why);
    assert!(ended.count(|w| matches!(w, What::StopSent { .. })) >= 3);
    assert_eq!(ended.stages(Stage::NotDriven), [true]);
}

/// What the drive group reads: state, speed, phase current, bus, bus current.
fn reads(request: &str, state: u16, speed: f64, current: f64) -> Option<String> {
    (request == "MEAS:DRIV?").then(|| format!("{state},{speed},{current},155.0,0.1"))
}

#[test]
fn a_phase_current_that_stays_is_no_proof() {
    let mut stopped = false;
    let board = Board::new(move |_, request, _| {
        stopped |= request.starts_with("CONT:WORD 0");
        if stopped { reads(request, 0x40, 0.0, 5.0) } else { None }
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert!(
        ended
            .events
            .iter()
            .any(|e| matches!(&e.what, What::Stage { found, .. } if found.contains("5.00 A rms")))
    );
}

/// Every other sample is slow for 300 ms: at rest is three in a row, so not before that.
#[test]
fn at_rest_needs_three_slow_samples_in_a_row() {
    let (mut stopped, mut flip) = (None, false);
    let board = Board::new(move |now, request, _| {
        if request.starts_with("CONT:WORD 0") {
            stopped = stopped.or(Some(now));
        }
        let since = now - stopped?;
        flip = !flip;
        let speed = if flip && since < Duration::from_millis(300) { 100.0 } else { 0.0 };
        reads(request, 0x40, speed, 0.0)
    });
    let ended = drive(board, Some(at(2500)));
    let rest = ended.when(|w| matches!(w, What::Stage { stage: Stage::AtRest, confirmed: true, .. }));
    assert!(rest > at(2800), "at rest at {rest}");
}

/// The speed comes by a poll of its own and was slow before the stop already: only what was asked for after the
/// last stop frame counts towards rest.
#[test]
fn a_speed_asked_for_before_the_stop_is_no_proof_of_rest() {
    use std::sync::{Arc, Mutex};
    let shaft = "[[link.board.poll]]\nname = \"shaft\"\nevery = \"50 ms\"\nsend = \"MEAS:SHAF?\"\nexpect = \"{speed}\"\n\n";
    let rig = RIG.replace("{state},{speed},", "{state},{_},").replacen(
        "[channel.state]",
        &format!("{shaft}[channel.state]"),
        1,
    );
    let asked: Arc<Mutex<Vec<Instant>>> = Arc::default();
    let seen = Arc::clone(&asked);
    let board = Board::new(move |now, request, _| {
        let mut asked = seen.lock().unwrap();
        if request.starts_with("CONT:WORD 0") {
            asked.clear();
        }
        (request == "MEAS:SHAF?").then(|| {
            asked.push(now);
            "0".to_string()
        })
    });
    let ended = drive_on(&rig, board, Some(at(2500)));
    let rest = ended.when(|w| matches!(w, What::Stage { stage: Stage::AtRest, confirmed: true, .. }));
    let before = asked.lock().unwrap().iter().filter(|t| **t < rest).count();
    assert!(before >= 3, "at rest after {before} samples");
}

#[test]
fn a_drive_that_is_on_already_is_refused() {
    let board = Board::new(|_, request, _| reads(request, 0x27, 0.0, 0.0));
    let ended = drive(board, None);
    assert!(ended.why.contains("drive at rest"), "{}", ended.why);
    assert_eq!(ended.count(|w| matches!(w, What::SegmentBegan { .. })), 0, "nothing was driven");
}

#[test]
fn one_sample_above_a_level_trips() {
    let mut once = false;
    let board = Board::new(move |now, request, _| {
        let now = now > at(2000) && request == "MEAS:DRIV?" && !std::mem::replace(&mut once, now > at(2000));
        if now { reads(request, 0x27, 1950.0, 1.0) } else { None }
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("overspeed"), "{}", ended.why);
}

/// The trip on phase current lasts 15 ms: two samples 5 ms apart do not fire it, seven do.
#[test]
fn a_trip_with_a_length_of_time_lets_a_short_crossing_pass() {
    for (ms, cause) in [(8, Cause::Passed), (35, Cause::Tripped)] {
        let board = Board::new(move |now, request, seen| {
            let high = now > at(2000) && now < at(2000 + ms);
            if high { reads(request, seen.state, seen.speed, 100.0) } else { None }
        });
        let ended = drive(board, None);
        assert_eq!(ended.cause, cause, "{ms} ms: {}", ended.why);
    }
}

/// A lost reply keeps the line quiet until 2.53 s or so: a stop does not wait for that.
#[test]
fn a_stop_frame_goes_out_at_once_while_the_line_is_quiet() {
    let mut lost = false;
    let board = Board::new(move |now, request, _| {
        let lose = request == "MEAS:DRIV?" && now > at(2440) && !std::mem::replace(&mut lost, now > at(2440));
        lose.then(String::new)
    });
    let ended = drive(board, Some(at(2500)));
    assert_eq!(ended.when(|w| matches!(w, What::StopSent { .. })), at(2500));
}

#[test]
fn a_drive_that_switches_itself_off_at_speed_trips() {
    let board = Board::new(|now, request, seen| {
        if now > at(2000) && now < at(2200) { reads(request, 0x40, seen.speed, 0.0) } else { None }
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("expected `operation enabled`"), "{}", ended.why);
}

#[test]
fn another_controller_than_the_unit_file_says_is_refused() {
    let board = Board::new(|_, request, _| {
        (request == "*IDN?").then(|| "Hollin Clough Motors,HC-7 controller,HC7-0099,1.4.0".into())
    });
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("`HC7-0099`, expected `HC7-0042`"), "{}", ended.why);
}

/// A rig that reads the state, or the current, only with the slow group: the fast group's samples after
/// the stop are no proof as long as that one was asked for before it.
#[test]
fn nothing_asked_for_before_the_stop_is_proof() {
    // A poll under way when the stop comes keeps the line quiet: one of three moments has none.
    for (moved, ms) in [
        ("state", 931),
        ("state", 932),
        ("state", 933),
        ("phase_current", 931),
        ("phase_current", 932),
        ("phase_current", 933),
    ] {
        let rig = RIG
            .replace(&format!("{{{moved}}},"), "{_},")
            .replace("{stop_loop};", &format!("{{stop_loop}},{{{moved}}};"));
        let board = Board::new(move |_, request, seen| match (request, moved) {
            ("MEAS:DRIV?", "state") => Some("0,0,1.0,155.0,0.1".into()),
            ("MEAS:DRIV?", _) => Some(format!("{},0,1.0,155.0,0.1", seen.state)),
            ("MEAS:SLOW?", "state") => Some(format!("20.0,20.0,20.0,0.0,1,{}", seen.state)),
            ("MEAS:SLOW?", _) => Some("20.0,20.0,20.0,0.0,1,1.0".into()),
            _ => None,
        });
        // The slow group is asked at 0.9 s and again at 1.0 s.
        let ended = drive_on(&rig, board, Some(at(ms)));
        assert_eq!(ended.cause, Cause::Stopped, "{moved}: {}", ended.why);
        let proved =
            ended.when(|w| matches!(w, What::Stage { stage: Stage::NotDriven, confirmed: true, .. }));
        assert!(proved > at(980), "{moved}: proved at {proved}");
    }
}

// ---- coasting: as safe as winding down ----

const COAST: &str = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"120 rpm\", rate = \"120 rpm/s\" }, { coast = \"5 s\", below = \"60 rpm\" }]\ncriterion = []\n";

/// Whether a segment began, by index.
fn began(index: usize) -> impl Fn(&What) -> bool {
    move |w| matches!(w, What::SegmentBegan { segment, .. } if *segment == index)
}

fn torque_off(what: &What) -> bool {
    matches!(what, What::TorqueOff { .. })
}

/// A board whose shaft runs down at 40 rpm/s from 120 rpm once the first stop frame came.
fn running_down(mut also: impl FnMut(Duration, &str, &mut Seen) -> Option<String> + 'static) -> Board {
    let mut stopped: Option<Instant> = None;
    Board::new(move |now, request, seen| {
        if request.starts_with("CONT:WORD 0") {
            stopped = stopped.or(Some(now));
        }
        let since = now - stopped?;
        if let Some(reply) = also(since, request, seen) {
            return Some(reply);
        }
        reads(request, seen.state, (120.0 - 40.0 * since.secs_f64()).max(0.0), 0.0)
    })
}

#[test]
fn a_coast_is_torque_off_proved_and_watched_until_its_speed() {
    let ended = drive_suite(COAST, running_down(|_, _, _| None));
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let (coast, off) = (ended.when(began(1)), ended.when(torque_off));
    assert!(off > coast && off - coast < Duration::from_millis(100), "proved at {off}");
    assert!(ended.when(|w| matches!(w, What::StopSent { .. })) == coast, "stop frames at once");
    // Below 60 rpm after 1.5 s, and three samples of that.
    let over = ended.when(|w| matches!(w, What::ProfileEnded { .. })) - coast;
    assert!((1500..1540).contains(&(over.micros() / 1000)), "over after {over}");
    assert_eq!((ended.stages(Stage::NotDriven), ended.stages(Stage::AtRest)), (vec![true], vec![true]));
}

/// The demand is not sent any more, so nothing derived from it can trip; the pump's goes on.
#[test]
fn while_coasting_no_demand_is_sent_but_the_pumps() {
    let sent = std::rc::Rc::new(std::cell::RefCell::new(Vec::new()));
    let log = sent.clone();
    let board = running_down(move |since, request, _| {
        log.borrow_mut().push((since, request.to_string()));
        None
    });
    let ended = drive_suite(COAST, board);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let sent = sent.borrow();
    assert!(!sent.iter().any(|(_, r)| r.starts_with("SOUR:SPE")), "a speed was demanded");
    assert!(sent.iter().filter(|(_, r)| r.starts_with("SOUR:PUMP")).count() > 2, "the pump stays on");
}

#[test]
fn a_coast_ends_after_its_time_if_the_shaft_is_not_slow_by_then() {
    let ended = drive_suite(
        COAST,
        running_down(|since, request, seen| {
            let speed = if since < Duration::from_millis(6000) { 100.0 } else { 0.0 };
            reads(request, seen.state, speed, 0.0)
        }),
    );
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let over = ended.when(|w| matches!(w, What::ProfileEnded { .. })) - ended.when(began(1));
    assert_eq!(over, Duration::from_millis(5000));
}

#[test]
fn a_drive_that_comes_back_on_during_a_coast_trips() {
    let ended = drive_suite(
        COAST,
        running_down(|since, request, _| {
            let back = (500..600).contains(&(since.micros() / 1000));
            if back { reads(request, 0x27, 100.0, 0.0) } else { None }
        }),
    );
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("again while coasting"), "{}", ended.why);
    assert_eq!(ended.count(|w| matches!(w, What::ProfileEnded { .. })), 0);
}

/// The phase current does not go: the coast is broken off after the 250 ms that the rig allows, and the stop that
/// follows cannot be confirmed either.
#[test]
fn a_coast_that_is_not_proved_to_be_one_trips() {
    let ended = drive_suite(COAST, running_down(|_, request, seen| reads(request, seen.state, 100.0, 5.0)));
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert_eq!(ended.count(torque_off), 0);
    let tripped = ended.when(|w| matches!(w, What::Trip { trip, .. } if trip == "torque off"));
    assert_eq!(tripped - ended.when(began(1)), Duration::from_millis(250));
}

#[test]
fn trips_are_watched_while_coasting() {
    let ended = drive_suite(
        COAST,
        running_down(|since, request, _| {
            let hot = since > Duration::from_millis(500) && request == "MEAS:SLOW?";
            hot.then(|| "20.0,90.0,20.0,0.0,1".into())
        }),
    );
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("inverter_hot"), "{}", ended.why);
}

/// A coast's stop frame that is lost is repeated, like that of a stop.
#[test]
fn a_lost_stop_frame_of_a_coast_is_repeated() {
    let mut lost = 0;
    let ended = drive_suite(
        COAST,
        running_down(move |_, request, _| {
            lost += i32::from(request.starts_with("CONT:WORD 0"));
            (request.starts_with("CONT:WORD 0") && lost <= 2).then(String::new)
        }),
    );
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let coast = ended.when(began(1));
    let frames = ended.events.iter().filter(|e| matches!(e.what, What::StopSent { .. }));
    assert!(frames.filter(|e| e.at < coast + Duration::from_millis(250)).count() >= 3);
}

/// Ctrl-C during a coast is a stop like any other.
#[test]
fn a_stop_during_a_coast_ends_stopped_and_proved() {
    // The coast begins about 2.4 s after the start: 1 s of watching, the enabling, 0.4 s of watching with the gates on, 1 s of
    // ramp.
    for ms in [2450, 2500, 2900, 3400] {
        let ended = drive_plan(RIG, COAST, running_down(|_, _, _| None), Some(at(ms)));
        assert!(ended.when(began(1)) < at(ms), "the coast had begun");
        assert_eq!(ended.cause, Cause::Stopped, "at {ms} ms: {}", ended.why);
        assert_eq!(ended.stages(Stage::NotDriven), [true], "at {ms} ms");
    }
}

// ---- torque on a free shaft: only below the controller's own limit ----

const TORQUE: &str = "schema = 1\nname = \"push\"\n[[test]]\nname = \"push\"\ndemand = \"torque\"\n\
    profile = [{ ramp = \"2 Nm\", rate = \"2 Nm/s\" }, { hold = \"1 s\" }]\ncriterion = []\n";

/// A board whose own speed limit reads as `limit`.
fn limited(limit: &'static str) -> Board {
    Board::new(move |_, request, _| (request == "CONF:SPE:LIM?").then(|| limit.into()))
}

fn driven(what: &What) -> bool {
    matches!(what, What::SegmentBegan { .. })
}

/// The plan allows 1947.5 rpm (`tests/profiles.rs` has it worked by hand).
#[test]
fn a_torque_is_demanded_only_where_the_controllers_own_limit_fits() {
    for (limit, fits) in [("1947", true), ("800.0", true), ("1948", false), ("2200.0", false)] {
        let ended = drive_plan(&torque_rig(), TORQUE, limited(limit), None);
        let expected = if fits { Cause::Passed } else { Cause::Refused };
        assert_eq!(ended.cause, expected, "{limit}: {}", ended.why);
        assert_eq!(ended.count(driven) > 0, fits, "{limit}");
        let said = ended.events.iter().find_map(|e| match &e.what {
            What::PreCheck { name, holds, found, .. }
                if name == "controller's own limit" && found.contains("speed limit") =>
            {
                Some((*holds, found))
            }
            _ => None,
        });
        let (holds, found) = said.expect("a pre-check of its own");
        assert_eq!(holds, fits, "{found}");
        assert!(found.contains("at most 1947 rpm") && found.contains("gain on a free shaft"), "{found}");
    }
}

/// Many boards mean "no limit" by zero; one that answers nonsense is not trusted either.
#[test]
fn a_limit_that_is_none_is_refused() {
    for limit in ["0", "-1", "NAN", "9.91E37", "off", "inf"] {
        let ended = drive_plan(&torque_rig(), TORQUE, limited(limit), None);
        assert_eq!(ended.cause, Cause::Refused, "{limit}: {}", ended.why);
        assert_eq!(ended.count(driven), 0, "{limit}");
    }
}

/// While a torque is demanded the speed demand is silent: two demands would fight each other.
#[test]
fn only_the_tests_own_demand_is_sent() {
    let sent = std::rc::Rc::new(std::cell::RefCell::new(Vec::new()));
    let log = sent.clone();
    let board = Board::new(move |_, request, _| {
        log.borrow_mut().push(request.to_string());
        (request == "CONF:SPE:LIM?").then(|| "1800".into())
    });
    let ended = drive_plan(&torque_rig(), TORQUE, board, None);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let sent = sent.borrow();
    assert!(!sent.iter().any(|r| r.starts_with("SOUR:SPE")));
    assert!(sent.iter().any(|r| r == "SOUR:TORQ 2.00;*OPC?"), "the ramp got to its end");
}

/// The bus after the stop: 56 V in every sample, or in every other one, as a flipped bit would make of 156 V.
#[test]
fn one_low_sample_of_the_bus_is_no_proof_that_it_is_dead() {
    for (low, confirmed) in [([true, true], true), ([true, false], false), ([false, true], false)] {
        let (mut driven, mut count) = (false, 0);
        let board = Board::new(move |_, request, seen| {
            driven |= seen.state == 0x27;
            if request != "MEAS:DRIV?" || !driven || seen.state == 0x27 {
                return None;
            }
            count += 1;
            Some(format!("{},0.0,0.0,{},0.0", seen.state, if low[count % 2] { 56.0 } else { 156.0 }))
        });
        let ended = drive(board, None);
        assert_eq!(ended.stages(Stage::DeEnergised), [confirmed], "{low:?}: {}", ended.why);
    }
}

#[test]
fn an_overspeed_trips_under_torque_too() {
    let board = Board::new(move |now, request, seen| {
        if request == "CONF:SPE:LIM?" {
            return Some("1800".into());
        }
        if now > at(2000) && seen.state == 0x27 { reads(request, seen.state, 1950.0, 1.0) } else { None }
    });
    let ended = drive_plan(&torque_rig(), TORQUE, board, None);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("overspeed"), "{}", ended.why);
}

// ---- operator steps: asked for, watched, cross-checked ----

const RAISE: &str = "schema = 1\nname = \"raised\"\n[[test]]\nname = \"one\"\n\
    operator = [{ id = \"raise\", ask = \"Raise the supply.\", of = \"bus\", between = [\"150 V\", \"160 V\"], \
    within = \"20 s\", meter = \"0.4 V\" }]\n\
    profile = [{ ramp = \"120 rpm\", rate = \"120 rpm/s\" }]\ncriterion = []\n";

/// A board whose bus a person raises: the volts at each moment.
fn raised(meter: &'static str, mut bus: impl FnMut(Instant) -> f64 + 'static) -> Board {
    let board = Board::new(move |now, request, seen| {
        (request == "MEAS:DRIV?" && seen.state == 0x40).then(|| format!("64,0.0,0.0,{:.2},0.0", bus(now)))
    });
    Board { meter, ..board }
}

/// Whether the operator step held, how it is known and what was found.
fn step_of(ended: &Ended) -> Option<(bool, Grade, String)> {
    ended.events.iter().find_map(|e| match &e.what {
        What::PreCheck { name, holds, grade, found, .. } if name == "operator step raise" => {
            Some((*holds, *grade, found.clone()))
        }
        _ => None,
    })
}

/// The bus is at 20 V until 3 s: too low trips nothing while a person is turning it up, and the pre-checks begin
/// only when it has been in its window for as long as they watch, one second.
#[test]
fn the_pre_checks_wait_until_a_person_has_raised_the_supply() {
    let ended = drive_plan(RIG, RAISE, raised("155", |now| if now < at(3000) { 20.0 } else { 155.0 }), None);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let (holds, grade, found) = step_of(&ended).expect("the step");
    assert!(holds && grade == Grade::Confirmed, "{found}");
    let asked = ended.when(|w| matches!(w, What::Asked { id } if id == "raise"));
    assert!((4000..4030).contains(&(asked.micros() / 1000)), "asked for the meter at {asked}");
    let watched = ended.when(|w| matches!(w, What::PreCheck { name, .. } if name == "bus in window"));
    assert!(watched >= asked + Duration::from_millis(1000), "watched until {watched}");
}

/// Worked by hand: channel 0.5 V, meter 0.4 V: 2 x sqrt(0.25 + 0.16) = 1.2806 V may lie between them. The bus is
/// 155.00 V.
#[test]
fn meter_and_reading_must_agree_within_their_joint_uncertainty() {
    for (typed, holds) in [
        ("153.72", true),
        ("156.28 V", true),
        ("0.15372 kV", true),
        ("153.71", false),
        ("156.29", false),
        ("15.5", false),
        ("-155", false),
    ] {
        let ended = drive_plan(RIG, RAISE, raised(typed, |_| 155.0), None);
        let (held, grade, found) = step_of(&ended).expect("the step");
        assert_eq!((held, grade), (holds, Grade::Confirmed), "{typed}: {found}");
        assert!(found.contains("allowed (k = 2)"), "{found}");
        assert_eq!(ended.cause, if holds { Cause::Passed } else { Cause::Refused }, "{}", ended.why);
        assert_eq!(ended.count(driven) > 0, holds, "{typed}");
    }
}

#[test]
fn a_meter_value_that_is_none_is_asked_for_three_times_and_then_refused() {
    for typed in ["", "about 155", "155 A", "nan"] {
        let ended = drive_plan(RIG, RAISE, raised(typed, |_| 155.0), None);
        assert_eq!(ended.cause, Cause::Refused, "{typed}: {}", ended.why);
        assert_eq!(ended.count(|w| matches!(w, What::Asked { id } if id == "raise")), 3, "{typed}");
        assert_eq!(ended.count(driven), 0);
    }
}

#[test]
fn an_operator_step_that_is_not_done_in_time_is_refused() {
    let ended = drive_plan(RIG, RAISE, raised("155", |_| 20.0), None);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("bus 20.00 V after 20 s"), "{}", ended.why);
    // It is not enough to pass through the window: one sample in four is outside.
    let mut n = 0;
    let wavering = move |_| {
        n += 1;
        if n % 4 == 0 { 149.0 } else { 155.0 }
    };
    let ended = drive_plan(RIG, RAISE, raised("155", wavering), None);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
}

#[test]
fn raising_the_supply_too_far_ends_it() {
    let ended = drive_plan(RIG, RAISE, raised("155", |now| if now < at(2000) { 20.0 } else { 190.0 }), None);
    assert_eq!(ended.cause, Cause::Refused, "{}", ended.why);
    assert!(ended.why.contains("bus_high would trip"), "{}", ended.why);
    assert_eq!(ended.count(driven), 0);
}

/// Ctrl-C while a person is asked is a stop like any other.
#[test]
fn a_stop_during_an_operator_step_ends_stopped_and_proved() {
    let ended = drive_plan(RIG, RAISE, raised("155", |_| 20.0), Some(at(2500)));
    assert_eq!(ended.cause, Cause::Stopped, "{}", ended.why);
    assert_eq!(ended.stages(Stage::NotDriven), [true]);
}

/// Turned by hand: the drive stays off.
const WATCH: &str = "schema = 1\nname = \"watch\"\n[[test]]\nname = \"one\"\n\
    profile = [{ watch = \"2 s\", ask = \"Turn it.\" }, { watch = \"1 s\", name = \"after\" }]\ncriterion = []\n";

/// Demands stop while it turns.
const SILENCE: &str = "schema = 1\nname = \"silence\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"60 rpm\", rate = \"120 rpm/s\" }, { hold = \"1 s\" }, { silence = \"400 ms\" }]\ncriterion = []\n";

fn passed_on(request: &str, log: &std::rc::Rc<std::cell::RefCell<Vec<String>>>) {
    log.borrow_mut().push(request.to_string());
}

#[test]
fn watching_enables_nothing_and_demands_nothing() {
    let log = std::rc::Rc::new(std::cell::RefCell::new(Vec::new()));
    let seen = log.clone();
    let ended = drive_suite(
        WATCH,
        Board::new(move |_, request, _| {
            passed_on(request, &seen);
            None
        }),
    );
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    assert_eq!(ended.when(began(1)) - ended.when(began(0)), Duration::from_millis(2000));
    assert_eq!(ended.count(|w| matches!(w, What::OperatorStep { ask, .. } if ask == "Turn it.")), 1);
    let log = log.borrow();
    let driving =
        |r: &&String| r.starts_with("SOUR:SPE") || r.starts_with("CONT:WORD") && *r != "CONT:WORD 0;*OPC?";
    assert_eq!(log.iter().find(driving), None, "nothing was told to turn");
    assert!(log.iter().any(|r| r.starts_with("SOUR:PUMP")), "the pump runs");
}

#[test]
fn a_drive_that_comes_on_by_itself_while_watched_trips() {
    let mut since = None;
    let ended = drive_suite(
        WATCH,
        Board::new(move |now, request, seen| {
            let since = now - *since.get_or_insert(now);
            let on = (2000..2100).contains(&(since.micros() / 1000));
            (on && request == "MEAS:DRIV?")
                .then(|| format!("{},0,1.0,155.0,0.1", if on { 0x27 } else { seen.state }))
        }),
    );
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("nobody enabled it"), "{}", ended.why);
}

#[test]
fn trips_are_watched_while_the_shaft_is_watched() {
    let mut since = None;
    let ended = drive_suite(
        WATCH,
        Board::new(move |now, request, _| {
            let since = now - *since.get_or_insert(now);
            let hot = since > Duration::from_millis(2000) && request == "MEAS:SLOW?";
            hot.then(|| "20.0,90.0,20.0,0.0,1".into())
        }),
    );
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("inverter_hot"), "{}", ended.why);
}

/// A board that goes on as if nothing had happened is stopped by frames at the end of the silence.
#[test]
fn a_board_that_never_times_out_is_stopped_after_the_silence() {
    let log = std::rc::Rc::new(std::cell::RefCell::new(Vec::new()));
    let seen = log.clone();
    let ended = drive_suite(
        SILENCE,
        Board::new(move |now, request, _| {
            seen.borrow_mut().push((now, request.to_string()));
            None
        }),
    );
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.starts_with("command timeout: the drive is `operation enabled`"), "{}", ended.why);
    let (silent, over) = (ended.when(began(2)), ended.when(|w| matches!(w, What::StopBegan { .. })));
    assert_eq!(over - silent, Duration::from_millis(400));
    let log = log.borrow();
    let demanded = log.iter().filter(|(at, r)| *at > silent && *at < over && r.starts_with("SOUR:"));
    assert_eq!(demanded.count(), 0, "no demand in the silence, the pump's neither");
    assert!(log.iter().any(|(at, r)| *at > silent && *at < over && r == "MEAS:DRIV?"), "the polls go on");
    assert!(log.iter().any(|(at, r)| *at == over && r == "CONT:WORD 0;*OPC?"), "stop frames at once");
    assert!(log.iter().any(|(at, r)| *at > over && r.starts_with("SOUR:PUMP")), "the pump is told again");
    assert_eq!(ended.count(|w| matches!(w, What::ProfileEnded { .. })), 0, "and the test is not complete");
}

/// A board that switches itself off passes, and a state asked for before the silence is no proof of it.
#[test]
fn a_board_that_times_out_in_the_silence_passes() {
    let mut told: Option<Instant> = None;
    let ended = drive_suite(
        SILENCE,
        Board::new(move |now, request, seen| {
            if request.starts_with("SOUR:SPE") {
                told = Some(now);
            }
            let timed_out =
                told.is_some_and(|told| now - told > Duration::from_millis(100)) && seen.state == 0x27;
            if timed_out {
                seen.state = 0x08;
            }
            None
        }),
    );
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let after = ended.when(|w| matches!(w, What::SwitchedOff { .. })) - ended.when(began(2));
    assert!((80..130).contains(&(after.micros() / 1000)), "seen after {after}");
}

/// A board that needs longer for a reply than the fastest poll has between two: the slower polls still get their turn.
#[test]
fn a_board_slower_than_the_fastest_poll_starves_none_of_the_others() {
    for late in [7, 12] {
        let mut board = Board::new(|_, _, _| None);
        board.late = Duration::from_millis(late);
        let ended = drive(board, None);
        assert_eq!(ended.cause, Cause::Passed, "{late} ms: {}", ended.why);
    }
}

/// On a board that is slower than its demands come round no poll gets a turn. That ends as a value that is too old, and the
/// words say why it is.
#[test]
fn a_board_slower_than_its_demands_is_told_by_name() {
    let mut board = Board::new(|_, _, _| None);
    board.late = Duration::from_millis(25);
    let ended = drive(board, None);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    for words in
        ["ms allowed", "never got its turn: the last reply took 25 ms", "`drive` is asked for every 5 ms"]
    {
        assert!(ended.why.contains(words), "{words}: {}", ended.why);
    }
    // A board that says nothing more at all is another matter, and nothing is said of turns.
    let silent = Board::new(|now, _, _| (now > at(300)).then(String::new));
    let ended = drive(silent, None);
    assert!(ended.why.contains("ms allowed") && !ended.why.contains("turn"), "{}", ended.why);
}

/// A runner that stood still finds an old acknowledgement: it says that the controller was there when it was told, not that
/// it has been told in the meantime.
#[test]
fn an_acknowledgement_found_late_is_as_old_as_its_demand() {
    for start in 3000..3020 {
        let mut board = Board::new(|_, _, _| None);
        board.frozen = Some((at(start), Duration::from_millis(112)));
        let ended = drive(board, None);
        assert_eq!(ended.cause, Cause::Tripped, "frozen at {start} ms: {}", ended.why);
        assert!(ended.why.contains("has not acknowledged `speed`"), "{}", ended.why);
    }
}

/// While no demand is sent every trip counts: the silence is not waited out.
#[test]
fn trips_are_watched_in_the_silence() {
    let mut told: Option<Instant> = None;
    let ended = drive_suite(
        SILENCE,
        Board::new(move |now, request, seen| {
            if request.starts_with("SOUR:SPE") {
                told = Some(now);
            }
            let silent =
                told.is_some_and(|told| now - told > Duration::from_millis(40)) && seen.state == 0x27;
            (silent && request == "MEAS:DRIV?").then(|| format!("39,{},1.0,190.0,0.1", seen.speed))
        }),
    );
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("bus_high"), "{}", ended.why);
    let after = ended.when(|w| matches!(w, What::StopBegan { .. })) - ended.when(began(2));
    assert!(after < Duration::from_millis(100), "stopped after {after}");
}

/// A stop that is confirmed only after its time is no ordinary end, even of a profile that ran to its own.
#[test]
fn a_late_confirmation_is_no_ordinary_end() {
    let mut first: Option<Instant> = None;
    let ended = drive(
        Board::new(move |now, request, _| {
            if request != "CONT:WORD 0;*OPC?" {
                return None;
            }
            let since = now - *first.get_or_insert(now);
            (since < Duration::from_millis(400)).then(|| "1".into())
        }),
        None,
    );
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("confirmed only late"), "{}", ended.why);
    assert_eq!(ended.stages(Stage::NotDriven), [false, true]);
}
