//! `twin`: the simulated controller on a pseudo-terminal.

use super::load::{beside, demo_rig, demo_unit, read, resolve_texts};
use super::rehearse::parse_faults;
use super::{Early, say};
use crate::outcome::Cause;
use crate::rehearsal::twin_spec;
use crate::shell::child::{FURTHER, READY, STOOD_STILL, own_session};
use crate::shell::clock::Clock;
use crate::shell::pty::Pty;
use crate::shell::serve::{Device, Service, TruthLine, truth_header};
use crate::time::{Duration, Instant};
use crate::twin::{Direction, FaultSetting, LinkFaults, TruthRow, Twin};
use crate::units::{parse_quantity, parse_unit};
use std::collections::VecDeque;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::os::fd::AsFd;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Below this the shaft counts as at rest when the twin decides whether it may end, rad/s.
const AT_REST: f64 = 0.5;

/// How often it says that it stood still, at most: all of it together fits a pipe that nobody empties (64 KiB on Linux), so
/// that a runner that stands still itself never holds it up.
const SAID_MAX: u32 = 1000;

/// What may be said on standard input.
const TURN_HELP: &str = "a turn by hand such as `turn 1 turn within 9 s`, or `turn -90 deg within 2 s`";

/// A suite that lets a rig and a unit be resolved when nothing is to be driven.
const NO_SUITE: &str = include_str!("../../suites/first-spin.toml");

/// Arguments of `twin`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The rig; the demo rig if absent.
    #[arg(long, value_name = "FILE", requires = "unit")]
    rig: Option<PathBuf>,
    /// The unit; the demo unit if absent.
    #[arg(long, value_name = "FILE")]
    unit: Option<PathBuf>,
    /// A suite whose hand-driven segments say how a simulated person works the pedal; a foot off it if absent.
    #[arg(long, value_name = "FILE")]
    suite: Option<PathBuf>,
    /// The firmware build that the controller runs.
    #[arg(long, value_name = "LABEL")]
    build: Option<String>,
    /// Seed of everything random.
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// A fault to plant; repeatable.
    #[arg(long = "fault", value_name = "NAME[=SEVERITY][@ONSET]")]
    faults: Vec<String>,
    /// A symbolic link to make to the pseudo-terminal.
    #[arg(long, value_name = "PATH")]
    link_path: Option<PathBuf>,
    /// Where to keep the truth log.
    #[arg(long, value_name = "FILE", default_value = "truth.csv")]
    truth: PathBuf,
    /// Found a session of its own, and end when standard input closes: how `run` starts it.
    #[arg(long, hide = true)]
    own_session: bool,
}

pub(super) fn run(args: Args) -> Result<Cause, Early> {
    let io = |what: &str| {
        let what = what.to_string();
        move |e: std::io::Error| Early::new(Cause::NotMade, format!("{what}: {e}"))
    };
    if args.own_session {
        own_session().map_err(io("no session of its own"))?;
    }
    let rig = args.rig.as_deref().map_or_else(|| Ok(demo_rig()), |p| read(p, "rig"))?;
    let unit = args.unit.as_deref().map_or_else(|| Ok(demo_unit()), |p| read(p, "unit"))?;
    let no_suite = || Ok(("first-spin.toml".to_string(), NO_SUITE.to_string()));
    let suite = args.suite.as_deref().map_or_else(no_suite, |p| read(p, "suite"))?;
    let path = args.suite.clone().unwrap_or_default();
    let loaded =
        resolve_texts(&rig, &unit, &suite, &|written| beside(&path, written), args.build.as_deref())?;
    let faults = parse_faults(&args.faults)?;
    let spec = twin_spec(&loaded.rig, &loaded.unit, &loaded.plan, args.seed)
        .map_err(|e| Early::new(Cause::FilesInvalid, e))?;

    let pty = Pty::open(args.link_path.as_deref()).map_err(io("no pseudo-terminal"))?;
    let mut truth = BufWriter::new(
        File::create(&args.truth).map_err(io(&format!("the truth log {}", args.truth.display())))?,
    );
    truth.write_all(truth_header(TruthRow::CSV_HEADER).as_bytes()).map_err(io("the truth log"))?;
    let links = &loaded.plan.links;
    let further = links[1..].iter().map(|_| Pty::open(None)).collect::<std::io::Result<Vec<Pty>>>();
    let further = further.map_err(io("no pseudo-terminal"))?;
    further.iter().for_each(|port| say::out(format_args!("{FURTHER}{}\n", port.shown_path().display())));
    say::out(format_args!("{READY}{}\n", pty.shown_path().display()));
    if !args.own_session {
        say::out(format_args!(
            "SIMULATED controller of {}; truth log {}; Ctrl-C ends it; `turn 1 turn within 9 s` turns its shaft by hand\n",
            loaded.plan.rig,
            args.truth.display()
        ));
    }
    let stop = Arc::new(AtomicBool::new(false));
    if !args.own_session {
        end_on_signal(Arc::clone(&stop)).map_err(io("signals"))?;
    }
    let clock = Clock::start();
    let stdin = std::io::stdin();
    let mut service = Service::new(&pty, &links[0], clock, &stop);
    let lines = further.iter().zip(&links[1..]);
    service.further = lines.map(|(port, link)| (port, link.baud, link.frame.bits())).collect();
    service.runner = Some(stdin.as_fd());
    service.goes_on = !args.own_session;
    let mut device = Served::new(Twin::new(spec, args.seed, &faults), links.len(), args.seed, &faults);
    device.tells = args.own_session.then_some(clock.began_monotonic());
    service.serve(&mut device, &mut truth).map_err(io("serving the pseudo-terminal"))?;
    Ok(Cause::Passed)
}

fn end_on_signal(stop: Arc<AtomicBool>) -> std::io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let mut signals = {
        let _inside = runtime.enter();
        crate::shell::signals::Signals::catch()?
    };
    std::thread::Builder::new().name("signals".into()).spawn(move || {
        runtime.block_on(signals.next());
        stop.store(true, Ordering::Relaxed);
    })?;
    Ok(())
}

/// Reads what a hand at the shaft is to do, such as `turn 1 turn within 9 s`: angle in rad, forward above zero, and how long
/// it may take.
fn turn_of(line: &str) -> Option<(f64, Duration)> {
    let (angle, within) = line.strip_prefix("turn ")?.split_once(" within ")?;
    let (angle, within) = (parse_quantity(angle.trim()).ok()?, parse_quantity(within.trim()).ok()?);
    let fits = angle.unit.kind == parse_unit("turn").ok()?.kind && within.unit.text == "s";
    (fits && angle.si.is_finite() && within.si > 0.0).then(|| (angle.si, Duration::from_secs_f64(within.si)))
}

/// The twin with its lines' faults, as a device to serve.
struct Served {
    twin: Twin,
    lines: Vec<FaultyLine>,
    now: Instant,
    /// The begin of a line from whoever started it.
    said: Vec<u8>,
    /// CLOCK_MONOTONIC at its zero in microseconds, if whoever started it wants to know when it stood still.
    tells: Option<i64>,
    told: u32,
}

/// The faults of one link, and bytes on their way to the controller and back, delayed by them.
struct FaultyLine {
    inward: LinkFaults,
    outward: LinkFaults,
    to_twin: VecDeque<(Instant, Vec<u8>)>,
    to_runner: VecDeque<(Instant, Vec<u8>)>,
}

impl Served {
    fn new(twin: Twin, links: usize, seed: u64, faults: &[FaultSetting]) -> Served {
        let line = |_| FaultyLine {
            inward: LinkFaults::new(seed, Direction::ToDevice, faults),
            outward: LinkFaults::new(seed, Direction::FromDevice, faults),
            to_twin: VecDeque::new(),
            to_runner: VecDeque::new(),
        };
        let lines = (0..links).map(line).collect();
        Served { twin, lines, now: Instant::ZERO, said: Vec::new(), tells: None, told: 0 }
    }

    /// Hands on what has come through the lines by `now`, and takes what the controller answers.
    fn hand_on(&mut self, now: Instant) {
        for (port, line) in self.lines.iter_mut().enumerate() {
            while let Some((at, bytes)) = line.to_twin.pop_front_if(|(at, _)| *at <= now) {
                self.now = self.now.max(at);
                self.twin.receive_at(self.now, port, &bytes);
            }
        }
        self.twin.advance(now);
        self.now = now;
        for (port, line) in self.lines.iter_mut().enumerate() {
            while let Some(bytes) = self.twin.transmit_at(port) {
                line.to_runner.extend(line.outward.pass(now, bytes));
            }
        }
    }
}

impl Device for Served {
    fn receive(&mut self, now: Instant, bytes: &[u8]) {
        self.receive_at(now, 0, bytes);
    }

    fn receive_at(&mut self, now: Instant, port: usize, bytes: &[u8]) {
        if let Some(line) = self.lines.get_mut(port) {
            line.to_twin.extend(line.inward.pass(now, bytes.to_vec()));
        }
        self.hand_on(now);
    }

    fn advance(&mut self, now: Instant) {
        self.hand_on(now);
    }

    fn transmit(&mut self) -> Option<Vec<u8>> {
        self.transmit_at(0)
    }

    fn transmit_at(&mut self, port: usize) -> Option<Vec<u8>> {
        let (_, bytes) = self.lines.get_mut(port)?.to_runner.pop_front_if(|(at, _)| *at <= self.now)?;
        Some(bytes)
    }

    fn drain_truth(&mut self) -> Vec<TruthLine> {
        let line = |row: TruthRow| {
            let mut csv = Vec::new();
            row.csv(&mut csv);
            TruthLine { at: row.truth.t, csv, happened: row.event.is_some() }
        };
        self.twin.drain_truth().into_iter().map(line).collect()
    }

    fn is_at_rest(&self) -> bool {
        let truth = self.twin.truth();
        !truth.gates && truth.speed.abs() < AT_REST
    }

    fn stood_still(&mut self, from: Instant, to: Instant) {
        if let Some(zero) = self.tells.filter(|_| self.told < SAID_MAX) {
            self.told += 1;
            say::out(format_args!("{STOOD_STILL}{} {}\n", zero + from.micros(), zero + to.micros()));
        }
    }

    fn told(&mut self, now: Instant, bytes: &[u8]) {
        for byte in bytes {
            if *byte != b'\n' {
                self.said.push(*byte);
                continue;
            }
            let line = String::from_utf8_lossy(&std::mem::take(&mut self.said)).trim().to_string();
            match turn_of(&line) {
                Some((angle, lasting)) => self.twin.turn_by_hand(now, angle, lasting),
                None if line.is_empty() => {}
                None => say::err(format_args!("`{line}`: expected {TURN_HELP}")),
            }
        }
    }
}
