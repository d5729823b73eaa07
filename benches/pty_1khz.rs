//! 1 kHz of requests and eight-channel replies over a pseudo-terminal, through the real port, drive
//! and server, against a device in a process of its own. Prints what was lost and missed, and how
//! late requests left beside a bare timer's lateness on the same machine.
//!
//! `cargo bench --bench pty_1khz -- SECONDS` (60 if not given).

#[path = "../tests/shell/support.rs"]
mod support;

use spinproof::engine::{Input, Output};
use spinproof::outcome::Cause;
use spinproof::shell::child::{READY, TwinChild, own_session};
use spinproof::shell::clock::Clock;
use spinproof::shell::drive::{Machine, Numbered};
use spinproof::shell::operator::Operator;
use spinproof::shell::port::Port;
use spinproof::shell::pty::Pty;
use spinproof::shell::run::{Setup, run};
use spinproof::shell::serve::{Device, Service, TruthLine};
use spinproof::time::{Duration, Instant};
use std::collections::VecDeque;
use std::ffi::OsString;
use std::os::fd::AsFd;
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex};

const BAUD: u32 = 3_000_000;
const PERIOD: Duration = Duration::from_millis(1);
/// A reply that is this late is lost.
const PATIENCE: Duration = Duration::from_millis(15);
const REQUEST: &[u8] = b"MEAS:DRIV?\n";
const REPLY: &[u8] = b"0x0027,+1199.97,+003.214,+155.031,+001.208,+041.37,+033.92,+021.0512\n";

fn main() {
    let args: Vec<String> = std::env::args().collect();
    if args.iter().any(|a| a == "--serve") {
        return serve();
    }
    let seconds: i64 = args.iter().find_map(|a| a.parse().ok()).unwrap_or(60);
    let figures = measure(seconds);
    let slots = seconds * 1000;
    println!(
        "pty at {BAUD} baud, {} bytes out, {} bytes in, every {PERIOD}, {seconds} s",
        REQUEST.len(),
        REPLY.len()
    );
    println!("  replies {} of {slots} slots", figures.round_trip.len());
    println!("  lost {}, malformed {}", figures.lost, figures.malformed);
    println!("  missed slots {} ({:.3} %)", figures.missed, 100.0 * figures.missed as f64 / slots as f64);
    show("  request lateness", figures.late);
    show("  round trip", figures.round_trip);
    show("  bare timer lateness", bare_timer(seconds.min(20)));
}

fn show(name: &str, mut values: Vec<i64>) {
    values.sort_unstable();
    let at =
        |share: f64| values.get(((values.len() as f64 * share) as usize).min(values.len().saturating_sub(1)));
    let text = |share| at(share).map_or("-".to_string(), |v| v.to_string());
    println!("{name} p50/p99/p99.9/max: {}/{}/{}/{} us", text(0.5), text(0.99), text(0.999), text(1.0));
}

#[derive(Debug, Default)]
struct Figures {
    late: Vec<i64>,
    round_trip: Vec<i64>,
    lost: usize,
    missed: i64,
    malformed: usize,
}

/// Asks in each slot unless the last reply is still out.
struct Poller {
    due: Instant,
    end: Instant,
    asked: Option<Instant>,
    line: Vec<u8>,
    out: VecDeque<Output>,
    figures: Arc<Mutex<Figures>>,
}

impl Machine for Poller {
    fn handle(&mut self, now: Instant, input: Input) {
        let mut figures = self.figures.lock().expect("nobody panics with it");
        match input {
            Input::Bytes { bytes, .. } => {
                for byte in bytes {
                    self.line.push(byte);
                    if byte == b'\n' {
                        let line = std::mem::take(&mut self.line);
                        match self.asked.take() {
                            Some(asked) if line == REPLY => figures.round_trip.push((now - asked).micros()),
                            _ => figures.malformed += 1,
                        }
                    }
                }
            }
            Input::Deadline if now >= self.end => {
                let (cause, why) = (Cause::Passed, "time is up".to_string());
                self.out.push_back(Output::Finished { cause, why });
            }
            Input::Deadline if now >= self.due => {
                let passed = (now - self.due).micros() / PERIOD.micros();
                figures.missed += passed;
                self.due += PERIOD * passed;
                if self.asked.is_some_and(|asked| now - asked > PATIENCE) {
                    self.asked = None;
                    figures.lost += 1;
                }
                if self.asked.is_none() {
                    figures.late.push((now - self.due).micros());
                    self.asked = Some(now);
                    self.out.push_back(support::send(REQUEST));
                } else {
                    figures.missed += 1;
                }
                self.due += PERIOD;
            }
            Input::Deadline => {}
            other => panic!("unexpected {other:?}"),
        }
        self.out.push_back(support::wake(self.due));
    }
    fn poll(&mut self) -> Option<Output> {
        self.out.pop_front()
    }
}

fn measure(seconds: i64) -> Figures {
    let figures = Arc::new(Mutex::new(Figures::default()));
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let me = std::env::current_exe().expect("a path");
        let log = std::env::temp_dir().join(format!("pty_1khz.{}.log", std::process::id()));
        let mut twin = TwinChild::start(&me, &[OsString::from("--serve")], &log).await.expect("a device");
        let plan = Arc::new(support::plan(BAUD));
        let ports = vec![Port::open(&plan.links[0], twin.port()).expect("it opens")];
        let poller = Poller {
            due: Instant::ZERO + PERIOD,
            end: Instant::from_micros(seconds * 1_000_000),
            asked: None,
            line: Vec::new(),
            out: VecDeque::new(),
            figures: Arc::clone(&figures),
        };
        let setup = Setup {
            plan,
            machine: Numbered::new(poller),
            recorder: support::Memory::default(),
            ports,
            operator: Operator::Simulated,
            clock: Clock::start(),
            simulated: true,
        };
        let ending = run(setup, Some(&mut twin)).await.expect("it starts");
        assert_eq!(ending.last_resort, None, "{}", ending.why);
        twin.finish().await.expect("it ends");
        std::fs::remove_file(log).expect("it was there");
    });
    std::mem::take(&mut *figures.lock().expect("nobody panics with it"))
}

/// How late a thread wakes that does nothing but sleep to the same deadlines, with the same timer
/// slack as the engine's thread.
fn bare_timer(seconds: i64) -> Vec<i64> {
    rustix::thread::set_current_timer_slack(std::num::NonZeroU64::new(1)).expect("allowed to every thread");
    let clock = Clock::start();
    let mut late = Vec::new();
    for slot in 1..=seconds * 1000 {
        let due = Instant::ZERO + PERIOD * slot;
        std::thread::sleep(clock.until(due));
        late.push((clock.now() - due).micros());
    }
    late
}

#[derive(Default)]
struct Answers {
    line: Vec<u8>,
    out: Vec<u8>,
}

impl Device for Answers {
    fn receive(&mut self, _: Instant, bytes: &[u8]) {
        for byte in bytes {
            self.line.push(*byte);
            if *byte == b'\n' && std::mem::take(&mut self.line) == REQUEST {
                self.out.extend_from_slice(REPLY);
            }
        }
    }
    fn advance(&mut self, _: Instant) {}
    fn transmit(&mut self) -> Option<Vec<u8>> {
        (!self.out.is_empty()).then(|| std::mem::take(&mut self.out))
    }
    fn drain_truth(&mut self) -> Vec<TruthLine> {
        Vec::new()
    }
    fn is_at_rest(&self) -> bool {
        true
    }
}

fn serve() {
    own_session().expect("a session of its own");
    let pty = Pty::open(None).expect("a pty");
    println!("{READY}{}", pty.shown_path().display());
    let (stop, stdin) = (AtomicBool::new(false), std::io::stdin());
    let mut service = Service::new(&pty, &support::link(BAUD), Clock::start(), &stop);
    service.runner = Some(stdin.as_fd());
    service.serve(&mut Answers::default(), &mut std::io::sink()).expect("it serves");
}
