//! How fast the twin runs on one core: nanoseconds per 100 µs step, and times real time.
//!
//! `cargo bench --bench twin_speed`. Rows: at rest with the gates off; driving with heartbeats;
//! driving with the demo rig's polls as well. Counted in processor time of the thread, so that
//! other work on the machine disturbs it little.

use spinproof::time::Instant;
use spinproof::twin::{Twin, TwinSpec};
use std::hint::black_box;

/// Simulated seconds per row.
const SECONDS: i64 = 60;
/// Each row is run so often; the median is printed beside the fastest.
const REPEATS: usize = 5;

fn main() {
    println!("{SECONDS} s simulated, median and fastest of {REPEATS}");
    row("at rest, gates off", at_rest);
    row("driving, no polls", || driving(false));
    row("driving, demo polls", || driving(true));
}

fn row(name: &str, run: impl Fn() -> Twin) {
    let mut nanos: Vec<f64> = (0..REPEATS)
        .map(|_| {
            let start = processor_nanos();
            black_box(run());
            (processor_nanos() - start) / (SECONDS as f64 * 1e4)
        })
        .collect();
    nanos.sort_by(f64::total_cmp);
    let median = nanos[REPEATS / 2];
    let times = 1e5 / median;
    println!("{name:<22} {median:>7.1} ns per step, fastest {:>7.1}; {times:>6.0} x real time", nanos[0]);
}

fn processor_nanos() -> f64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    time.tv_sec as f64 * 1e9 + time.tv_nsec as f64
}

fn at_rest() -> Twin {
    let mut twin = Twin::new(TwinSpec::demo(), 1, &[]);
    twin.advance(Instant::from_micros(SECONDS * 1_000_000));
    twin
}

fn driving(polls: bool) -> Twin {
    let mut twin = Twin::new(TwinSpec::demo(), 1, &[]);
    let mut say = |micros: i64, message: &str| {
        twin.receive(Instant::from_micros(micros), message.as_bytes());
        black_box(twin.transmit());
        black_box(twin.drain_truth());
    };
    say(50_000, "SOUR:PUMP 80;:CONT:WORD 6;WORD 7;WORD 15;*OPC?\n");
    for millis in 51..SECONDS * 1000 {
        let micros = millis * 1000;
        if millis % 20 == 0 {
            let rpm = (millis as f64 * 0.15).min(1200.0);
            say(micros, &format!("SOUR:SPE {rpm:.1};*OPC?\n"));
        }
        if polls && millis % 5 == 0 {
            say(micros + 100, "MEAS:DRIV?\n");
        }
        if polls && millis % 100 == 0 {
            say(micros + 200, "MEAS:SLOW?\n");
        }
    }
    assert!(twin.truth().gates, "the drive must not have stopped");
    twin
}
