//! 1 kHz of requests and ten-channel replies over a pseudo-terminal: the program's own `run` with its engine,
//! trace and all, against the twin in a process of its own. Prints what was lost and missed, and how late
//! requests left beside a bare timer's lateness on the same machine, before and after.
//!
//! `cargo bench --bench pty_1khz -- SECONDS` (60 if not given).

use spinproof::record::{Record, RowStatus, What};
use spinproof::shell::clock::Clock;
use spinproof::time::{Duration, Instant};
use spinproof::trace::read;
use std::process::{Command, Stdio};

const PERIOD: Duration = Duration::from_millis(1);
/// How long the bare timer runs each time.
const BARE_SECONDS: i64 = 15;

/// One poll a millisecond that asks for everything the board has.
const RIG: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/thousand/rig.toml");

fn suite(seconds: i64) -> String {
    // Two seconds up, two seconds down.
    format!(
        "schema = 1\nname = \"a thousand a second\"\n[[test]]\nname = \"hold\"\nprofile = [\n\
         {{ ramp = \"300 rpm\", rate = \"150 rpm/s\", name = \"up\" }},\n{{ hold = \"{} s\", name = \"hold\" }},\n\
         {{ ramp = \"0 rpm\", rate = \"150 rpm/s\", name = \"down\" }},\n]\n[[test.criterion]]\nmetric = \"tracking_rms\"\n\
         of = \"speed\"\nover = \"hold\"\nat_most = \"20 rpm\"\nwhy = \"it turned\"\n",
        (seconds - 4).max(1)
    )
}

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let seconds: i64 = args.iter().find_map(|a| a.parse().ok()).unwrap_or(60);
    let temp = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| temp.path().join(name);
    std::fs::write(path("suite.toml"), suite(seconds)).expect("room");
    let before = bare_timer(BARE_SECONDS);
    let run = Command::new(env!("CARGO_BIN_EXE_spinproof"))
        .arg("run")
        .arg(path("suite.toml"))
        .arg("--rig")
        .arg(RIG)
        .arg("--unit")
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/demo/unit.toml"))
        .arg("--out")
        .arg(path("run"))
        .stdin(Stdio::null())
        .output()
        .expect("the program starts");
    let after = bare_timer(BARE_SECONDS);
    if !run.status.success() {
        println!("{}{}", String::from_utf8_lossy(&run.stdout), String::from_utf8_lossy(&run.stderr));
    }
    let figures = Figures::of(&path("run"));
    println!("pty at 3 Mbaud, a request and ten values each ms, `run` ended with {}", run.status);
    println!("  slots {} over {:.1} s, replies {}", figures.slots, figures.seconds, figures.round_trip.len());
    println!("  lost {}, malformed {}", figures.lost, figures.malformed);
    println!(
        "  missed slots {} ({:.3} %)",
        figures.missed,
        100.0 * figures.missed as f64 / figures.slots as f64
    );
    show("  request after its slot", figures.late);
    show("  request to reply", figures.round_trip);
    for (when, late) in [("before", before), ("after", after)] {
        println!("  a bare timer, {when}, passed over {:.3} % of its slots", passed(&late));
        show("  its lateness", late);
    }
}

fn show(name: &str, mut values: Vec<i64>) {
    values.sort_unstable();
    let last = values.len().saturating_sub(1);
    let at =
        |share: f64| values.get(((values.len() as f64 * share) as usize).min(last)).copied().unwrap_or(-1);
    println!("{name} p50/p99/p99.9/max: {}/{}/{}/{} us", at(0.5), at(0.99), at(0.999), at(1.0));
}

#[derive(Default)]
struct Figures {
    seconds: f64,
    slots: usize,
    lost: usize,
    malformed: usize,
    missed: usize,
    late: Vec<i64>,
    round_trip: Vec<i64>,
}

impl Figures {
    /// From the trace, while the tests ran: rows between the begin of the test and the begin of the stop.
    fn of(dir: &std::path::Path) -> Figures {
        let trace = read(dir).expect("the trace");
        let mut figures = Figures::default();
        let (mut began, mut ended) = (None, Instant::NEVER);
        for (_, record) in &trace.records {
            match record {
                Record::Event(event) if matches!(event.what, What::StopBegan { .. }) => ended = event.at,
                Record::Event(event) if matches!(event.what, What::TestBegan { .. }) => {
                    began = Some(event.at)
                }
                Record::Row(row) => {
                    let Some(began) = began.filter(|_| row.t_request < ended) else { continue };
                    figures.slots += 1;
                    figures.seconds = (row.t_reply - began).secs_f64();
                    match row.status {
                        RowStatus::Ok => {
                            figures.late.push(row.t_request.micros().rem_euclid(PERIOD.micros()));
                            figures.round_trip.push((row.t_reply - row.t_request).micros());
                        }
                        RowStatus::Lost => figures.lost += 1,
                        RowStatus::Malformed => figures.malformed += 1,
                        RowStatus::Missed => figures.missed += 1,
                    }
                }
                _ => {}
            }
        }
        from_the_grid(&mut figures.late);
        figures
    }
}

/// The slots stand on a grid of whole milliseconds that the trace does not tell. Requests crowd just after it:
/// it lies where the fullest 50 us begin.
fn from_the_grid(late: &mut [i64]) {
    const CROWD: i64 = 50;
    let mut seen = late.to_vec();
    seen.sort_unstable();
    let around: Vec<i64> = seen.iter().copied().chain(seen.iter().map(|t| t + PERIOD.micros())).collect();
    let crowd = |i: usize| around[i..].partition_point(|t| *t < around[i] + CROWD);
    let Some(grid) = (0..seen.len()).max_by_key(|i| crowd(*i)).map(|i| around[i]) else { return };
    late.iter_mut().for_each(|t| *t = (*t - grid).rem_euclid(PERIOD.micros()));
}

/// Slots that a timer this late would have missed, in per cent.
fn passed(late: &[i64]) -> f64 {
    let slots: i64 = late.iter().map(|t| t / PERIOD.micros()).sum();
    100.0 * slots as f64 / late.len() as f64
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
