//! From the last byte of a reply that crosses a trip to the first byte of the stop frame, seen from the board's side
//! of a pseudo-terminal, at a poll a millisecond: the program's own threads and engine. Interleaved with a bare echo,
//! a thread that reads a byte and writes it back, over a second pseudo-terminal of the same kind (two readers of one
//! would take each other's bytes). Once with the machine left alone, once with a busy loop on every core, and once
//! with every reply held back for 16 ms, as a USB adapter's latency timer may.
//!
//! Both sides have the same priority: the echo takes the engine's place, real time where the system allows it. The board's
//! own side goes before both, so that its waking is no part of either. What is aimed at is the median of the ratios, each of
//! one repeat.
//!
//! `cargo bench --bench reaction -- REACTIONS REPEATS` (2000 and 5 if not given).

#[path = "../tests/common/unrecorded.rs"]
mod unrecorded;

use spinproof::diag::Sources;
use spinproof::engine::{Engine, Input, Logged, Machine, Output};
use spinproof::files::load::{read_rig, read_suite, read_unit};
use spinproof::plan::{Plan, resolve};
use spinproof::shell::clock::{Clock, monotonic_micros};
use spinproof::shell::operator::Operator;
use spinproof::shell::port::Port;
use spinproof::shell::priority::{Place, take};
use spinproof::shell::pty::Pty;
use spinproof::shell::run::{Setup, run};
use spinproof::time::{Duration, Instant};
use std::collections::VecDeque;
use std::io::{Read, Write};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use unrecorded::Nothing;

const STOP: &[u8] = b"CONT:WORD 0;";

fn plan() -> Arc<Plan> {
    let rig = include_str!("../fixtures/thousand/rig.toml");
    let unit = include_str!("../fixtures/demo/unit.toml");
    let suite = "schema = 1\nname = \"reaction\"\n[[test]]\nname = \"hold\"\nprofile = [\n\
                 { ramp = \"300 rpm\", rate = \"300 rpm/s\", name = \"up\" },\n{ hold = \"600 s\", name = \"hold\" },\n]\n\
                 criterion = []\n";
    let mut sources = Sources::default();
    let (rig, mut diags) = read_rig(&mut sources, "rig", rig);
    let (unit, more) = read_unit(&mut sources, "unit", unit);
    diags.extend(more);
    let (suite, more) = read_suite(&mut sources, "suite", suite);
    diags.extend(more);
    let (Some(rig), Some(unit), Some(suite)) = (rig, unit, suite) else {
        panic!("{}", spinproof::diag::render_all(&diags, &sources, false));
    };
    match resolve(&sources, &rig, &unit, &suite, None) {
        Ok(plan) => Arc::new(plan),
        Err(diags) => panic!("{}", spinproof::diag::render_all(&diags, &sources, false)),
    }
}

/// The engine, which after each stop frame is put back to where it drove: a fresh engine is fed the inputs that led
/// there, and its clock runs on from there. So a run gives thousands of reactions.
struct Again {
    plan: Arc<Plan>,
    engine: Engine,
    led_here: Vec<(Instant, Input)>,
    /// When, on the engine's clock, that was.
    kept_at: Option<Instant>,
    /// By how much the engine's clock is behind.
    behind: Duration,
    wake: Option<Output>,
    demands: u32,
    put_back: bool,
    out: VecDeque<Output>,
}

impl Again {
    fn of(plan: &Arc<Plan>) -> Again {
        Again {
            plan: Arc::clone(plan),
            engine: Engine::new(Arc::clone(plan)),
            led_here: Vec::new(),
            kept_at: None,
            behind: Duration::ZERO,
            wake: None,
            demands: 0,
            put_back: false,
            out: VecDeque::new(),
        }
    }

    fn put(&mut self, output: Output) {
        self.out.push_back(match output {
            Output::WakeAt(at, timer) => Output::WakeAt(at + self.behind, timer),
            other => other,
        });
    }
}

impl Machine for Again {
    fn handle(&mut self, now: Instant, input: Input) {
        if std::mem::take(&mut self.put_back) {
            // What came in between belongs to the stop that is over.
            return self.put_back(now);
        }
        let at = now - self.behind;
        let is_reply = matches!(input, Input::Bytes { .. });
        if self.kept_at.is_none() {
            self.led_here.push((at, input.clone()));
        }
        self.engine.handle(at, input);
        let (mut sent, mut stopped) = (false, false);
        while let Some(output) = self.engine.poll() {
            match &output {
                Output::Send { bytes, .. } => {
                    sent = true;
                    self.demands += u32::from(bytes.starts_with(b"SOUR:SPE"));
                    stopped |= bytes.windows(STOP.len()).any(|w| w == STOP);
                }
                Output::WakeAt(..) if self.kept_at.is_none() => self.wake = Some(output.clone()),
                _ => {}
            }
            self.put(output);
        }
        if self.kept_at.is_none() && self.demands > 20 && is_reply && !sent {
            self.kept_at = Some(at);
        }
        if stopped && self.kept_at.is_some() {
            // Putting it back takes milliseconds: not before the stop frame is out.
            self.put_back = true;
            if let Some(Output::WakeAt(_, timer)) = self.wake {
                self.out.push_back(Output::WakeAt(now + Duration::from_millis(1), timer));
            }
        }
    }

    fn poll(&mut self) -> Option<Output> {
        self.out.pop_front()
    }
}

impl Again {
    /// Back to where it drove, its clock with it.
    fn put_back(&mut self, now: Instant) {
        if let Some(kept_at) = self.kept_at {
            self.engine = Engine::new(Arc::clone(&self.plan));
            for (at, input) in &self.led_here {
                self.engine.handle(*at, input.clone());
                while self.engine.poll().is_some() {}
            }
            self.behind = now - kept_at;
            if let Some(wake) = self.wake.clone() {
                self.put(wake);
            }
        }
    }
}

/// Microseconds of each reaction and each echo.
#[derive(Default)]
struct Times {
    reaction: Vec<i64>,
    echo: Vec<i64>,
    /// Stops that no crossing brought about, as on a machine that is busy.
    others: u32,
}

/// The board's side: answers line by line, and now and then with a bus far above its trip.
struct Board<'a> {
    pty: &'a Pty,
    echo: &'a Pty,
    half: Vec<u8>,
    state: u32,
    demand: String,
    polls: u32,
    /// Polls until the next reply that crosses the trip; another number each time.
    until: u32,
    hold: std::time::Duration,
    crossed: Option<i64>,
    times: Times,
}

impl Board<'_> {
    fn measure(&mut self, count: usize) -> Times {
        let mut buffer = [0; 4096];
        self.times = Times::default();
        while self.times.reaction.len() < count {
            wait(self.pty);
            let Ok(got) = rustix::io::read(self.pty.master(), &mut buffer) else { continue };
            let now = monotonic_micros();
            self.half.extend_from_slice(&buffer[..got]);
            if self.state == 39 && self.half.windows(STOP.len()).any(|w| w == STOP) {
                // The engine goes on as if it had not stopped, and so does the board.
                match self.crossed.take() {
                    Some(crossed) => self.times.reaction.push(now - crossed),
                    None => self.times.others += 1,
                }
                self.polls = 0;
                self.until = 10 + (self.until * 7 + 3) % 13;
                self.half.clear();
                continue;
            }
            while let Some(end) = self.half.iter().position(|b| *b == b'\n') {
                let line: Vec<u8> = self.half.drain(..=end).collect();
                let line = String::from_utf8_lossy(&line[..end]).into_owned();
                self.answer(&line);
            }
        }
        std::mem::take(&mut self.times)
    }

    fn answer(&mut self, line: &str) {
        let reply = if line.starts_with("MEAS:") {
            self.polls += 1;
            let crosses = self.state == 39 && self.polls == self.until;
            if self.state == 39 && self.polls == self.until / 2 {
                self.echo();
            }
            let bus = if crosses { "999.0" } else { "156.5" };
            let reply = format!("{},{},0.30,{bus},0.20;20.0,20.0,20.0,0.0,1\n", self.state, self.demand);
            let before = monotonic_micros();
            std::thread::sleep(self.hold);
            if crosses {
                // As the board sees it: its last byte left before any adapter held it.
                self.crossed = Some(if self.hold.is_zero() { monotonic_micros() } else { before });
            }
            reply
        } else if line == "*IDN?" {
            "Hollin Clough Motors,HC-7 controller,HC7-0042,1.4.0\n".into()
        } else if line == "CONF:COMM:TIM?" {
            "100\n".into()
        } else if line == "CONF:CURR:LIM?" {
            "24.0\n".into()
        } else if let Some(word) = line.strip_prefix("CONT:WORD ") {
            self.state = match word.split(';').next() {
                Some("6") => 33,
                Some("7") => 35,
                Some("15") => 39,
                _ => 64,
            };
            self.polls = 0;
            "1\n".into()
        } else if let Some(demand) = line.strip_prefix("SOUR:SPE ") {
            self.demand = demand.split(';').next().unwrap_or("0").into();
            "1\n".into()
        } else if line.is_empty() {
            return;
        } else {
            "1\n".into()
        };
        // What the line does not take is lost, as on a real one.
        let _ = rustix::io::write(self.pty.master(), reply.as_bytes());
    }

    fn echo(&mut self) {
        let began = monotonic_micros();
        let _ = rustix::io::write(self.echo.master(), b"x");
        loop {
            wait(self.echo);
            if matches!(rustix::io::read(self.echo.master(), &mut [0; 16]), Ok(1..)) {
                break;
            }
        }
        self.times.echo.push(monotonic_micros() - began);
    }
}

fn wait(pty: &Pty) {
    use rustix::event::{PollFd, PollFlags, Timespec, poll};
    let most = Timespec { tv_sec: 1, tv_nsec: 0 };
    let _ = poll(&mut [PollFd::from_borrowed_fd(pty.master(), PollFlags::IN)], Some(&most));
}

/// A busy loop on every core, in processes of their own.
fn busy() -> Vec<Child> {
    let cores = std::thread::available_parallelism().map_or(2, usize::from);
    (0..cores)
        .map(|_| {
            Command::new("sh")
                // It ends with this program, however that ends.
                .args(["-c", "while kill -0 $0 2>/dev/null; do i=0; while [ $i -lt 100000 ]; do i=$((i+1)); done; done"])
                .arg(std::process::id().to_string())
                .stdin(Stdio::null())
                .spawn()
                .expect("a shell")
        })
        .collect()
}

/// p50, p99, p99.9 and the maximum.
fn shares(mut values: Vec<i64>) -> [i64; 4] {
    values.sort_unstable();
    let last = values.len().saturating_sub(1);
    [0.5, 0.99, 0.999, 1.0]
        .map(|share| values.get(((values.len() as f64 * share) as usize).min(last)).copied().unwrap_or(-1))
}

fn median(mut of: Vec<i64>) -> i64 {
    of.sort_unstable();
    of[of.len() / 2]
}

fn report(name: &str, repeats: Vec<Times>) {
    let mut all: [Vec<[i64; 4]>; 2] = Default::default();
    for times in repeats {
        let others = times.others;
        let (reaction, echo) = (shares(times.reaction), shares(times.echo));
        println!("  {name}: reaction {reaction:?}, bare echo {echo:?} us; {others} stops for another cause");
        all[0].push(reaction);
        all[1].push(echo);
    }
    let medians =
        all.each_ref().map(|rows| [0, 1, 2, 3].map(|i| median(rows.iter().map(|r| r[i]).collect())));
    let ratio = [0, 1, 2, 3].map(|i| format!("{:.2}", medians[0][i] as f64 / medians[1][i].max(1) as f64));
    println!(
        "{name}, medians, p50/p99/p99.9/max: reaction {:?} us, bare echo {:?} us, ratio {ratio:?}",
        medians[0], medians[1]
    );
    let ratios =
        all[0].iter().zip(&all[1]).map(|(reaction, echo)| reaction[2] as f64 / echo[2].max(1) as f64);
    let mut ratios: Vec<f64> = ratios.collect();
    ratios.sort_unstable_by(f64::total_cmp);
    let middle = ratios.get(ratios.len() / 2).copied().unwrap_or(f64::NAN);
    let each: Vec<String> = ratios.iter().map(|ratio| format!("{ratio:.2}")).collect();
    println!("{name}, ratio of p99.9 of each repeat: {}; median {middle:.2}, aim 2 at most", each.join(" "));
}

/// Starts the busy loops when asked to: a process has the policy of the thread that starts it, and a busy loop in real time
/// would leave nothing to measure.
fn on_demand() -> impl Fn() -> Vec<Child> {
    let (ask, asked) = std::sync::mpsc::channel::<()>();
    let (give, given) = std::sync::mpsc::channel();
    std::thread::spawn(move || asked.iter().try_for_each(|()| give.send(busy())));
    move || {
        ask.send(()).expect("the thread waits");
        given.recv().expect("the thread answers")
    }
}

fn main() {
    let numbers: Vec<usize> = std::env::args().filter_map(|a| a.parse().ok()).collect();
    let reactions = numbers.first().copied().unwrap_or(2000);
    let repeats = numbers.get(1).copied().unwrap_or(5);
    let plan = plan();
    let board_pty = Pty::open(None).expect("a pty");
    let echo_pty = Pty::open(None).expect("a pty");
    let port = Port::open(&plan.links[0], board_pty.path()).expect("it opens");
    let mut echo =
        std::fs::OpenOptions::new().read(true).write(true).open(echo_pty.path()).expect("it opens");
    std::thread::spawn(move || {
        let real_time = take(Place::Engine);
        println!("real-time priority: {}", if real_time { "yes" } else { "no, refused" });
        let mut byte = [0; 1];
        while echo.read_exact(&mut byte).is_ok() && echo.write_all(&byte).is_ok() {}
    });
    let busy = on_demand();
    std::thread::spawn(move || {
        take(Place::LastResort);
        let mut board = Board {
            pty: &board_pty,
            echo: &echo_pty,
            half: Vec::new(),
            state: 64,
            demand: "0".into(),
            polls: 0,
            // The first comes once the engine has kept where it drove.
            until: 1000,
            hold: std::time::Duration::ZERO,
            crossed: None,
            times: Times::default(),
        };
        board.measure(20);
        report("machine left alone", (0..repeats).map(|_| board.measure(reactions)).collect());
        let mut loops = busy();
        report("every core busy", (0..repeats).map(|_| board.measure(reactions)).collect());
        for one in &mut loops {
            let _ = one.kill();
            let _ = one.wait();
        }
        board.hold = std::time::Duration::from_millis(16);
        report("replies held 16 ms", (0..repeats).map(|_| board.measure(reactions / 10)).collect());
        std::process::exit(0);
    });
    let setup = Setup {
        machine: Logged::of(Again::of(&plan)),
        recorder: Nothing,
        ports: vec![port],
        plan,
        operator: Operator::Simulated,
        clock: Clock::start(),
        simulated: true,
    };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let ending = runtime.block_on(run(setup, None));
    println!("the run ended before the measurement did: {ending:?}");
    std::process::exit(1);
}
