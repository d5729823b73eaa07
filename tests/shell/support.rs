//! Stand-ins for tests of the shell: a small plan, a machine that does as told, a recorder in memory,
//! and the far side of a pseudo-terminal.
#![allow(dead_code, reason = "each of the targets that share this file uses a part of it")]

use spinproof::engine::{Input, Logged, Machine, Output, Timer};
use spinproof::files::rig::{Role, Sets, SupplyKind, SupplySetting};
use spinproof::files::suite::Rule;
use spinproof::outcome::Cause;
use spinproof::plan::*;
use spinproof::record::{Event, Grade, LoggedInput, Record, What};
use spinproof::shell::clock::Clock;
use spinproof::shell::keep::{Keep, Recorder};
use spinproof::shell::operator::Operator;
use spinproof::shell::port::Port;
use spinproof::shell::pty::Pty;
use spinproof::shell::run::Setup;
use spinproof::time::{Duration, Instant};
use spinproof::units::parse_unit;
use spinproof::wire::Template;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex};

/// What the stop frame of [`plan`] is: it begins with a terminator.
pub const STOP: &[u8] = b"\nCONT:WORD 0\n";

/// A link at so many baud, 8N1.
pub fn link(baud: u32) -> Link {
    Link {
        name: "board".into(),
        port: "twin".into(),
        machine: false,
        baud,
        frame: Frame { data_bits: 8, parity: 'N', stop_bits: 1 },
        ends_with: b"\n".to_vec(),
        reply_within: Duration::from_millis(15),
        settle: Duration::ZERO,
        unsolicited: Vec::new(),
        identity: None,
        settings: Vec::new(),
        line_max: 200,
        load: (0.1, 0.1),
    }
}

fn channel(name: &str, unit: &str, role: Role, field: usize) -> Channel {
    Channel {
        name: name.into(),
        unit: parse_unit(unit).expect("a unit of the table"),
        role: Some(role),
        range: (-1e3, 1e3),
        u: 0.1,
        stale: Duration::from_millis(60),
        source: Source::Wire { group: 0, field, gain: 1.0, offset: 0.0, reading: Reading::Number },
        grade: Grade::Measured,
        belongs_to: "HC7-0042".into(),
    }
}

/// One link, a speed, a bus, a speed demand, one test of two segments, one question.
pub fn plan(baud: u32) -> Plan {
    let rpm = parse_unit("rpm").expect("a unit of the table");
    let exchange = Exchange {
        send: b"MEAS?\n".to_vec(),
        expect: spinproof::wire::Pattern::parse("{speed},{bus}").expect("a good pattern"),
    };
    let corner = |ms, value| (Duration::from_millis(ms), value);
    let segment =
        |name: &str, kind, corners| Segment { name: name.into(), kind, corners, shape: Shape::Straight };
    let segments = vec![
        segment("up", "ramp", vec![corner(0, 0.0), corner(1000, 10.0)]),
        segment("hold", "hold", vec![corner(1000, 10.0), corner(2000, 10.0)]),
    ];
    let test = Test {
        name: "crawl".into(),
        about: None,
        demand: 0,
        with: Vec::new(),
        asks: Vec::new(),
        operator: Vec::new(),
        profile: Profile { segments },
        by_hand: Vec::new(),
        bursts: Vec::new(),
        criteria: Vec::new(),
    };
    Plan {
        recordings: Vec::new(),
        turning: Vec::new(),
        rig: "bench".into(),
        unit: "HC-7".into(),
        serial: "HC7-0042".into(),
        model: "HC-7 controller".into(),
        suite: "first spin".into(),
        build: Some("b1".into()),
        supply: Supply {
            kind: SupplyKind::RectifiedMains,
            setting: SupplySetting::HandSet,
            switch_off: "turn the transformer to zero and pull its plug".into(),
            discharge: Duration::from_millis(60_000),
        },
        links: vec![link(baud)],
        groups: vec![Group {
            name: "drive".into(),
            link: 0,
            every: Duration::from_millis(5),
            exchange,
            fields: vec![Some(0), Some(1)],
        }],
        bursts: Vec::new(),
        channels: vec![
            channel("speed", "rpm", Role::ShaftSpeed, 0),
            channel("bus", "V", Role::BusVoltage, 1),
        ],
        demands: vec![Demand {
            name: "speed".into(),
            sets: Sets::ShaftSpeed,
            link: 0,
            send: Template::parse("SOUR:SPE {value:.1}", b"\n").expect("a good template"),
            expect: None,
            unit: rpm,
            every: Duration::from_millis(20),
            range: (0.0, 200.0),
            rest: 0.0,
            belongs_to: "HC7-0042".into(),
        }],
        drive: Drive {
            command_timeout: Duration::from_millis(100),
            within: Duration::from_millis(500),
            reset: Vec::new(),
            enable: Vec::new(),
            state: 0,
        },
        stop: Stop {
            frames: vec![StopFrame { link: 0, bytes: STOP.to_vec(), expect: None }],
            every: Duration::from_millis(20),
            not_driven_within: Duration::from_millis(250),
            current: None,
            at_rest_within: Duration::from_millis(40_000),
            speed: (0, 0.8),
            bus: (1, 60.0),
            speed_change_max: f64::INFINITY,
            gain: Gain { torque: (0.0, 0.0), current_max: 0.0, driven: 0.0, drag: 0.0, inertia: 1.0 },
            bus_fall_max: f64::INFINITY,
            coast_max: 0.0,
            slowing: Slowing {
                blind: None,
                drag: None,
                inertia: 1.0,
                turn: std::f64::consts::TAU,
                reaction: Duration::ZERO,
                settles: Duration::ZERO,
                assumed: false,
            },
            holding: Holding { least: f64::INFINITY, shorted: false, emf: 0.0 },
            reaction: None,
            run_down: RunDown::unknown(),
        },
        ready: Ready {
            observe: Duration::from_millis(1000),
            valid_for: Duration::from_millis(5000),
            loss_max: 0.005,
            round_trip_max: Duration::from_millis(12),
            windows: Vec::new(),
            questions: vec![Question {
                id: "guards".into(),
                ask: "Is everything that turns behind a guard?".into(),
            }],
            checks: Vec::new(),
            quiet: None,
            absent: Vec::new(),
        },
        trips: Vec::new(),
        tests: vec![test],
        rung: None,
        assembly: None,
        late_max: Duration::from_millis(5),
        rule: Rule::Guarded,
    }
}

/// A machine made of a closure: it takes each input and pushes outputs.
pub struct Fake<F> {
    act: F,
    out: VecDeque<Output>,
}

impl<F: FnMut(Instant, Input, &mut VecDeque<Output>) + Send> Fake<F> {
    pub fn new(act: F) -> Logged<Fake<F>> {
        Logged::of(Fake { act, out: VecDeque::new() })
    }
}

impl<F: FnMut(Instant, Input, &mut VecDeque<Output>) + Send> Machine for Fake<F> {
    fn handle(&mut self, now: Instant, input: Input) {
        (self.act)(now, input, &mut self.out);
    }
    fn poll(&mut self) -> Option<Output> {
        self.out.pop_front()
    }
}

pub fn send(bytes: &[u8]) -> Output {
    Output::Send { link: 0, bytes: bytes.to_vec() }
}

pub fn wake(at: Instant) -> Output {
    Output::WakeAt(at, Timer::Heartbeat(0))
}

pub fn finished(cause: Cause, why: &str) -> Output {
    Output::Finished { cause, why: why.into() }
}

pub fn note(at: Instant, text: &str) -> Output {
    Output::Record(Record::Event(Event { at, what: What::Note { text: text.into() } }))
}

/// Keeps everything in memory; fails on the input of number `fails_at` and on all after it.
#[derive(Debug, Clone, Default)]
pub struct Memory {
    pub kept: Arc<Mutex<Vec<Keep>>>,
    pub fails_at: Option<u64>,
    /// Whether there is no room for the last of it.
    pub fails_at_end: bool,
}

impl Memory {
    pub fn inputs(&self) -> Vec<LoggedInput> {
        let kept = self.kept.lock().expect("no test panics while it holds this");
        kept.iter()
            .filter_map(|k| if let Keep::Input(input) = k { Some(input.clone()) } else { None })
            .collect()
    }

    fn keep(&self, what: Keep) {
        self.kept.lock().expect("no test panics while it holds this").push(what);
    }
}

impl Recorder for Memory {
    fn input(&mut self, input: &LoggedInput) -> anyhow::Result<()> {
        if self.fails_at.is_some_and(|seq| input.seq >= seq) {
            anyhow::bail!("no space left on device");
        }
        self.keep(Keep::Input(input.clone()));
        Ok(())
    }
    fn record(&mut self, seq: u64, record: &Record) -> anyhow::Result<()> {
        self.keep(Keep::Record(seq, record.clone()));
        Ok(())
    }
    fn tick(&mut self, _: Instant) -> anyhow::Result<()> {
        Ok(())
    }
    fn finish(self) -> anyhow::Result<()> {
        anyhow::ensure!(!self.fails_at_end, "no space left on device");
        self.keep(Keep::End);
        Ok(())
    }
}

/// Everything for a run over `pty` with a fake machine.
pub fn setup<M>(pty: &Pty, machine: Logged<M>, recorder: Memory) -> Setup<M, Memory> {
    let plan = Arc::new(plan(460_800));
    let port = Port::open(&plan.links[0], pty.path()).expect("the pty opens");
    Setup {
        plan,
        machine,
        recorder,
        ports: vec![port],
        operator: Operator::Simulated,
        clock: Clock::start(),
        simulated: true,
    }
}

/// Reads from the far side until `enough` says so of all that came, or for ten seconds: an upper
/// bound for a test that fails, not a figure.
pub fn read_until(pty: &Pty, enough: impl Fn(&[u8]) -> bool) -> Vec<u8> {
    let end = std::time::Instant::now() + std::time::Duration::from_secs(10);
    let mut all = Vec::new();
    let mut buffer = [0; 4096];
    while !enough(&all) && std::time::Instant::now() < end {
        match rustix::io::read(pty.master(), &mut buffer) {
            Ok(count) => all.extend_from_slice(&buffer[..count]),
            Err(_) => std::thread::sleep(std::time::Duration::from_millis(1)),
        }
    }
    all
}

/// How often `part` stands in `all`.
pub fn count(all: &[u8], part: &[u8]) -> usize {
    all.windows(part.len()).filter(|w| *w == part).count()
}
