//! A board whose answers a test decides, and the engine driven against it.

use super::common::{RIG, UNIT, load};
use spinproof::engine::{Engine, Input, Output, StopReason};
use spinproof::outcome::Cause;
use spinproof::plan::Plan;
use spinproof::record::{Event, Record, Stage, What};
use spinproof::time::{Duration, Instant};
use std::ops::Range;
use std::sync::Arc;

pub const SUITE: &str = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"120 rpm\", rate = \"120 rpm/s\" }, { hold = \"1 s\" }]\ncriterion = []\n";

/// What is left of a speed after a while without torque, rpm: it falls by 300 rpm/s, as the demo unit does where it rubs most. By hand:
/// 1.0 Nm on 0.032 kg m2 are 31 rad/s2.
pub fn coasting(from: f64, since: Duration) -> f64 {
    (from - 300.0 * since.secs_f64().max(0.0)).max(0.0)
}

/// A board whose answers a test decides.
pub struct Board {
    pub state: u16,
    pub speed: f64,
    pub demand: f64,
    /// When the speed was made last.
    pub moved: Instant,
    /// What a test changes before each reply: the moment, the request, the board.
    pub script: Box<Script>,
    /// What a person with a meter types.
    pub meter: &'static str,
    /// How long it takes for a reply.
    pub late: Duration,
    /// What stands in a request whose reply takes longer, when, and how long.
    pub slow: Option<(&'static str, Range<Instant>, Duration)>,
    /// From when and for how long the runner stands still; what has come by then it finds afterwards.
    pub frozen: Option<(Instant, Duration)>,
    /// When the link takes no bytes once; it works again after that.
    pub lost: Instant,
    /// Whether somebody answers what is asked.
    pub answered: bool,
    /// How long after they are called for keys are read; never if `None`.
    pub keys: Option<Duration>,
}

/// A reply other than the sound one, an empty one for silence.
pub type Script = dyn FnMut(Instant, &str, &mut Seen) -> Option<String>;

/// What the script may look at and set.
pub struct Seen {
    pub state: u16,
    pub speed: f64,
}

impl Board {
    pub fn new(script: impl FnMut(Instant, &str, &mut Seen) -> Option<String> + 'static) -> Board {
        Board {
            state: 0x40,
            speed: 0.0,
            demand: 0.0,
            moved: Instant::ZERO,
            script: Box::new(script),
            meter: "",
            late: Duration::from_millis(1),
            slow: None,
            frozen: None,
            lost: Instant::NEVER,
            answered: true,
            keys: None,
        }
    }

    /// When the runner comes to see what happens at a moment.
    pub fn seen(&self, at: Instant) -> Instant {
        match self.frozen {
            Some((from, lasting)) if at >= from => at.max(from + lasting),
            _ => at,
        }
    }

    /// When the reply to a request comes.
    pub fn replies_at(&self, now: Instant, request: &str) -> Instant {
        match &self.slow {
            Some((slow, when, takes)) if request.contains(*slow) && when.contains(&now) => now + *takes,
            _ => now + self.late,
        }
    }

    /// The sound answer, unless the script has another; an empty one is silence.
    pub fn answer(&mut self, now: Instant, request: &str) -> String {
        if request.contains(";:") {
            let replies: Vec<String> = request.split(";:").map(|part| self.answer(now, part)).collect();
            // One silence makes all of it one.
            return if replies.iter().any(String::is_empty) { String::new() } else { replies.join(";") };
        }
        // Without torque it coasts: a shaft that stood at once would not be believed.
        self.speed = if self.state == 0x27 { self.demand } else { coasting(self.speed, now - self.moved) };
        self.moved = now;
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
        if self.state == 0x27 {
            self.speed = self.demand;
        }
        match request {
            "*IDN?" => "Hollin Clough Motors,HC-7 controller,HC7-0042,1.4.0".into(),
            "CONF:COMM:TIM?" => "100".into(),
            "CONF:PED:RATE?" => "300".into(),
            "CONF:VOLT:LIM?" => "210".into(),
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

pub struct Ended {
    pub cause: Cause,
    pub why: String,
    pub events: Vec<Event>,
}

impl Ended {
    pub fn stages(&self, wanted: Stage) -> Vec<bool> {
        let confirmed = |e: &Event| match &e.what {
            What::Stage { stage, confirmed, .. } if *stage == wanted => Some(*confirmed),
            _ => None,
        };
        self.events.iter().filter_map(confirmed).collect()
    }

    /// When the first event of a kind was.
    pub fn when(&self, test: impl Fn(&What) -> bool) -> Instant {
        self.events.iter().find(|e| test(&e.what)).expect("such an event").at
    }

    pub fn count(&self, test: impl Fn(&What) -> bool) -> usize {
        self.events.iter().filter(|e| test(&e.what)).count()
    }
}

/// Drives the engine until it finishes; replies come 1 ms after their request. `stop_at` is Ctrl-C.
pub fn drive(board: Board, stop_at: Option<Instant>) -> Ended {
    drive_on(RIG, board, stop_at)
}

pub fn drive_on(rig: &str, board: Board, stop_at: Option<Instant>) -> Ended {
    drive_plan(rig, SUITE, board, stop_at)
}

pub fn drive_suite(suite: &str, board: Board) -> Ended {
    drive_plan(RIG, suite, board, None)
}

pub fn drive_plan(rig: &str, suite: &str, board: Board, stop_at: Option<Instant>) -> Ended {
    drive_unit(rig, UNIT, suite, board, stop_at)
}

pub fn drive_unit(rig: &str, unit: &str, suite: &str, board: Board, stop_at: Option<Instant>) -> Ended {
    drive_resolved(load(rig, unit, suite, None).plan, board, stop_at)
}

/// The same of a plan that no files give, since `check` refuses them.
pub fn drive_changed(rig: &str, suite: &str, board: Board, change: impl Fn(&mut Plan)) -> Ended {
    let mut plan = (*load(rig, UNIT, suite, None).plan).clone();
    change(&mut plan);
    drive_resolved(Arc::new(plan), board, None)
}

fn drive_resolved(plan: Arc<Plan>, mut board: Board, stop_at: Option<Instant>) -> Ended {
    let mut engine = Engine::new(plan);
    let (mut wake, mut stop_at) = (Instant::ZERO, stop_at.unwrap_or(Instant::NEVER));
    let mut replies: Vec<(Instant, usize, Vec<u8>)> = Vec::new();
    let mut keys_at = Instant::NEVER;
    let mut events = Vec::new();
    loop {
        let reply = replies.first().map_or(Instant::NEVER, |(at, _, _)| *at);
        let now = board.seen(wake.min(reply).min(stop_at).min(board.lost).min(keys_at));
        assert!(now < Instant::ZERO + Duration::from_millis(120_000), "it must end by itself");
        let mut inputs = vec![if stop_at <= now {
            stop_at = Instant::NEVER;
            Input::Stop(StopReason::Operator("Ctrl-C".into()))
        } else if board.lost <= now {
            board.lost = Instant::NEVER;
            Input::LinkLost { link: 0, why: "it took no bytes".into() }
        } else if keys_at <= now {
            keys_at = Instant::NEVER;
            Input::Listening { by: "in a test".into(), person: true }
        } else if reply <= now {
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
                        for request in String::from_utf8(bytes).unwrap().lines().filter(|l| !l.is_empty()) {
                            let reply = board.answer(now, request);
                            if !reply.is_empty() {
                                replies.push((
                                    board.replies_at(now, request),
                                    link,
                                    format!("{reply}\n").into(),
                                ));
                            }
                        }
                    }
                    Output::WakeAt(at, _) => wake = at.max(now),
                    Output::Ask { .. } if !board.answered => {}
                    Output::Ask { id, .. } => {
                        inputs.push(Input::Answer { id, yes: true, by: "a test".into(), person: true })
                    }
                    Output::AskValue { id, .. } => {
                        let (text, by) = (board.meter.to_string(), "a test".into());
                        inputs.push(Input::Typed { id, text, by, person: true });
                    }
                    Output::Record(Record::Event(event)) => events.push(event),
                    Output::Listen { on: true } => keys_at = board.keys.map_or(Instant::NEVER, |k| now + k),
                    Output::Record(_) | Output::Listen { .. } => {}
                    Output::Finished { cause, why } => return Ended { cause, why, events },
                }
            }
        }
    }
}

pub fn at(ms: i64) -> Instant {
    Instant::ZERO + Duration::from_millis(ms)
}

/// What the drive group reads: state, speed, phase current, bus, bus current.
pub fn reads(request: &str, state: u16, speed: f64, current: f64) -> Option<String> {
    (request == "MEAS:DRIV?").then(|| format!("{state},{speed},{current},155.0,0.1"))
}

/// Whether a segment began, by index.
pub fn began(index: usize) -> impl Fn(&What) -> bool {
    move |w| matches!(w, What::SegmentBegan { segment, .. } if *segment == index)
}

pub fn driven(what: &What) -> bool {
    matches!(what, What::SegmentBegan { .. })
}
