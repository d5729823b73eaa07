//! Tests of the twin as a whole: physics against closed forms, driving, and the line.

mod bursts;
mod driving;
mod heat;
mod liars;
mod line;
mod pedal;
mod physics;
mod wiring;

use super::*;
use std::f64::consts::TAU;

const RPM: f64 = TAU / 60.0;

/// A person or program at the other end of the line: sends, keeps the heartbeat, looks at the truth.
struct Bench {
    twin: Twin,
    now: Instant,
    rows: Vec<TruthRow>,
}

impl Bench {
    fn new(spec: TwinSpec, faults: &[&str]) -> Bench {
        let faults: Vec<FaultSetting> =
            faults.iter().map(|f| FaultSetting::parse(f).expect("a fault")).collect();
        let mut bench = Bench { twin: Twin::new(spec, 11, &faults), now: Instant::ZERO, rows: Vec::new() };
        bench.wait(0.1);
        bench
    }

    fn wait(&mut self, seconds: f64) {
        self.now += crate::time::Duration::from_secs_f64(seconds);
        self.twin.advance(self.now);
        self.rows.extend(self.twin.drain_truth());
    }

    /// Sends a message and returns what comes back, without the last terminator.
    fn say(&mut self, message: &str) -> String {
        self.twin.receive(self.now, format!("{message}\n").as_bytes());
        self.rows.extend(self.twin.drain_truth());
        let bytes = self.twin.transmit().unwrap_or_default();
        let text = String::from_utf8(bytes).expect("text");
        text.strip_suffix('\n').unwrap_or(&text).to_string()
    }

    /// Through the states to driving.
    fn enable(&mut self) {
        for word in [6, 7, 15] {
            assert_eq!(self.say(&format!("CONT:WORD {word};*OPC?")), "1");
            self.wait(0.001);
        }
        assert_eq!(self.twin.truth().state, crate::states::DriveState::OperationEnabled);
    }

    /// Demands `rpm` of the time since the call every 20 ms; hands the truth each millisecond.
    fn follow(&mut self, seconds: f64, rpm: impl Fn(f64) -> f64, mut look: impl FnMut(f64, f64, &Truth)) {
        for i in 0..(seconds * 1000.0).round() as usize {
            let t = i as f64 * 1e-3;
            if i % 20 == 0 {
                assert_eq!(self.say(&format!("SOUR:SPE {:.1};*OPC?", rpm(t))), "1");
            }
            self.wait(0.001);
            look(t, rpm(t), &self.twin.truth());
        }
    }

    /// The numbers of a reply, commas between.
    fn numbers(&mut self, query: &str) -> Vec<f64> {
        self.say(query).split(',').map(|n| n.parse().expect("a number")).collect()
    }

    fn events(&self) -> Vec<(i64, &str)> {
        self.rows.iter().filter_map(|r| Some((r.truth.t.micros(), r.event.as_deref()?))).collect()
    }
}
