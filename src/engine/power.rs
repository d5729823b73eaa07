//! The power that flows into the bus, on whichever link it is read. A drive that says it is off and takes more than the board took
//! before anything was enabled is not off, whatever it says.

use super::guard::{Guard, show};
use crate::plan::{Plan, PowerMeter, Values};
use crate::time::{Duration, Instant};

/// Over which time a mean is taken, or a multiple of it: ten half waves of 50 Hz, twelve of 60 Hz.
const WINDOW: Duration = Duration::from_millis(100);

/// Fewest samples of a mean.
const SAMPLES_MIN: u32 = 2;

/// How many means in a row must be too high: a capacitor that was sagged is full again within one.
const IN_A_ROW: u32 = 3;

/// Coverage factor: about 95 % (JCGM 100, k = 2).
const COVERAGE: f64 = 2.0;

/// How much of a sensor's uncertainty the difference of two of its readings may still be off. Its zero of the day is in both; half
/// of the uncertainty is taken for what drifts and for its gain (an assumption: a file does not part the two).
const LEFT: f64 = 0.5;

/// What is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    /// Something may drive: nothing is learnt or judged.
    Idle,
    /// The gates are off: what the board takes is learnt, and held against what it took before.
    GatesOff,
    /// The gates are on, and nothing is told to turn.
    GatesOn,
    /// The drive says that it is off.
    Judged,
}

/// All meters of the bus; each is judged alone.
#[derive(Debug)]
pub(super) struct Power {
    phase: Phase,
    since: Instant,
    meters: Vec<Meter>,
}

#[derive(Debug)]
struct Meter {
    of: PowerMeter,
    window: Window,
    /// Mean voltage of the window before, V.
    volts_before: Option<f64>,
    /// Means of the watch at hand, W.
    means: Vec<f64>,
    own: Option<Own>,
    newest: Option<Instant>,
    judged: u32,
    above: u32,
    /// The newest mean that was judged, and what it may be, W.
    last: (f64, f64),
}

/// What the board takes without torque.
#[derive(Debug, Clone, Copy)]
struct Own {
    /// W.
    power: f64,
    /// Standard deviation of the means, W.
    scatter: f64,
    /// V; 1 where power is read as such.
    volts: f64,
}

/// A mean that is being taken.
#[derive(Debug, Clone, Copy, Default)]
struct Window {
    from: Option<Instant>,
    length: Duration,
    power: f64,
    volts: f64,
    n: u32,
}

impl Power {
    pub(super) fn new(plan: &Plan) -> Power {
        let meter = |of: &PowerMeter| Meter {
            of: of.clone(),
            window: Window::default(),
            volts_before: None,
            means: Vec::new(),
            own: None,
            newest: None,
            judged: 0,
            above: 0,
            last: (0.0, 0.0),
        };
        // A sensor of which nobody knows how far it may be off shows nothing.
        let known = |of: &&PowerMeter| plan.channels[of.flow].u > 0.0;
        let meters = plan.stop.run_down.power.meters.iter().filter(known).map(meter).collect();
        Power { phase: Phase::Idle, since: Instant::ZERO, meters }
    }

    fn enter(&mut self, now: Instant, phase: Phase) {
        (self.phase, self.since) = (phase, now);
        for meter in &mut self.meters {
            (meter.window, meter.volts_before, meter.newest) = (Window::default(), None, None);
            meter.means.clear();
            (meter.judged, meter.above) = (0, 0);
        }
    }

    /// The watch with the gates off begins.
    pub(super) fn gates_off(&mut self, now: Instant) {
        self.enter(now, Phase::GatesOff);
    }

    /// The watch with the gates on begins.
    pub(super) fn gates_on(&mut self, now: Instant) {
        self.enter(now, Phase::GatesOn);
    }

    /// The watch at hand is over: what it has shown is what the board takes.
    pub(super) fn end_watch(&mut self, now: Instant) {
        let on = self.phase == Phase::GatesOn;
        for meter in self.meters.iter_mut().filter(|m| !m.means.is_empty()) {
            let n = meter.means.len() as f64;
            let power = meter.means.iter().sum::<f64>() / n;
            let square = meter.means.iter().map(|p| (p - power).powi(2)).sum::<f64>();
            let scatter = (square / (n - 1.0).max(1.0)).sqrt();
            let volts = meter.volts_before.unwrap_or(1.0);
            let now = Own { power, scatter, volts };
            meter.own = Some(match meter.own.filter(|_| on) {
                Some(off) => Own { power: off.power.max(power), scatter: off.scatter.max(scatter), volts },
                None => now,
            });
        }
        self.enter(now, Phase::Idle);
    }

    /// The drive says that it is off: from now on what flows is held against what the board takes.
    pub(super) fn judge(&mut self, now: Instant) {
        self.enter(now, Phase::Judged);
    }

    /// Takes the values of a row.
    pub(super) fn row(&mut self, plan: &Plan, values: &Values, guard: &Guard, group: usize) {
        let (phase, since) = (self.phase, self.since);
        if phase == Phase::Idle {
            return;
        }
        for meter in &mut self.meters {
            if !values.resting_on(plan, group).any(|channel| channel == meter.of.flow) {
                continue;
            }
            let Some((at, asked, flow)) = values.latest(meter.of.flow) else { continue };
            let volts = match meter.of.voltage {
                Some(channel) if guard.doubt(channel).is_some() => None,
                Some(channel) => values.latest(channel).map(|(_, _, volts)| volts),
                None => Some(1.0),
            };
            // What is no number says nothing.
            let Some(volts) = volts.filter(|v| (v * flow).is_finite() && asked >= since) else { continue };
            meter.sample(plan, phase, at, volts, flow);
        }
    }

    /// What speaks against a drive that says it is off, in words.
    pub(super) fn against(&self, plan: &Plan) -> Option<String> {
        let meter = self.meters.iter().find(|m| m.above >= IN_A_ROW)?;
        let board = meter.own?;
        let (power, allowed) = meter.last;
        Some(format!(
            "{} shows {:.0} W into the bus for {}, the board took {:.0} W before it was enabled, and more than {:.0} W \
             is a drive that is on",
            meter.words(plan),
            power,
            meter.window.length * i64::from(IN_A_ROW),
            board.power,
            allowed,
        ))
    }

    /// Whether every meter that can say anything has been heard for long enough.
    pub(super) fn is_complete(&self, plan: &Plan, now: Instant) -> bool {
        let silent = |m: &Meter| {
            let patience = plan.channels[m.of.flow].stale.clamp(PATIENCE.0, PATIENCE.1);
            now - m.newest.unwrap_or(self.since) > patience
        };
        let done = |m: &Meter| m.judged >= IN_A_ROW && m.above == 0;
        self.phase != Phase::Judged || self.meters.iter().all(|m| m.own.is_none() || done(m) || silent(m))
    }

    /// What the meters can see of a drive that holds a speed (rad/s) although it says that it is off, in words.
    pub(super) fn sees(&self, plan: &Plan, speed: f64) -> String {
        let run_down = &plan.stop.run_down;
        if run_down.power.meters.is_empty() {
            return "no bus power is read".into();
        }
        let least = self.meters.iter().filter_map(|m| m.own.map(|l| m.allowance(plan, l, l.volts, l.power)));
        let least = least.fold(f64::INFINITY, f64::min);
        if least.is_infinite() {
            return "bus power shows nothing: it was not read with its uncertainty before anything was enabled".into();
        }
        let shows = format!("bus power shows no drive above {least:.0} W");
        let (channel, limit) = plan.stop.speed;
        if speed.abs() <= limit {
            return shows;
        }
        let (low, high) = run_down.holding(speed);
        format!(
            "{shows}; holding {} takes {low:.0} W to {high:.0} W",
            show(&plan.channels[channel], speed.abs())
        )
    }
}

/// How long it takes at most until all meters are heard.
pub(super) const TAKES: Duration = Duration::from_millis(10_000);

/// Shortest and longest time without a sample after which a meter is not waited for.
const PATIENCE: (Duration, Duration) = (Duration::from_millis(500), Duration::from_millis(5000));

impl Meter {
    fn sample(&mut self, plan: &Plan, phase: Phase, at: Instant, volts: f64, flow: f64) {
        self.newest = Some(at);
        let from = *self.window.from.get_or_insert(at);
        self.window.length = self.window.length.max(WINDOW);
        if at - from >= self.window.length {
            if self.window.n >= SAMPLES_MIN {
                self.close(plan, phase);
            }
            let window = &mut self.window;
            let mut begin = window.from.unwrap_or(at);
            while at - begin >= window.length {
                if window.n > 0 {
                    // Too few samples came: a longer mean of whole half waves.
                    window.length = window.length + WINDOW;
                } else {
                    begin += window.length;
                }
            }
            window.from = Some(begin);
        }
        self.window.power += volts * flow;
        self.window.volts += volts;
        self.window.n += 1;
    }

    /// A mean is whole.
    fn close(&mut self, plan: &Plan, phase: Phase) {
        let Window { from, length, power, volts, n } = self.window;
        let (power, volts) = (power / f64::from(n), volts / f64::from(n));
        // What a capacitor that is being charged takes is no drive's. A bus that falls gives: whether that flows through the sensor
        // nobody knows, and it is not counted.
        let (low, high) = plan.stop.run_down.power.capacitance;
        let before = self.volts_before.filter(|_| self.of.voltage.is_some());
        let charged = before.map_or(0.0, |v| (0.5 * (volts * volts - v * v) / length.secs_f64()).max(0.0));
        if matches!(phase, Phase::GatesOff | Phase::GatesOn) {
            self.means.push(power - low * charged);
        }
        if matches!(phase, Phase::GatesOff | Phase::Judged)
            && let Some(board) = self.own
            && self.volts_before.is_some()
        {
            // A bleeder takes more from a bus that is higher.
            let own = board.power * (volts / board.volts).powi(2).clamp(1.0, MORE_MAX);
            let own = if board.power > 0.0 { own } else { board.power };
            let power = power - high * charged;
            let allowed = own + self.allowance(plan, board, volts, power);
            self.last = (power, allowed);
            self.judged += 1;
            self.above = if power > allowed { self.above + 1 } else { 0 };
        }
        self.volts_before = Some(volts);
        let from = from.map(|from| from + length);
        self.window = Window { from, length, ..Window::default() };
    }

    /// By how much a mean may be above what was learnt, W.
    fn allowance(&self, plan: &Plan, board: Own, volts: f64, power: f64) -> f64 {
        let u = |channel: usize| plan.channels[channel].u;
        let zero = LEFT * volts * u(self.of.flow);
        let gain = self.of.voltage.map_or(0.0, |channel| power / volts.max(1.0) * u(channel));
        COVERAGE * zero.hypot(gain).hypot(board.scatter)
    }

    fn words(&self, plan: &Plan) -> String {
        format!("`{}`", plan.channels[self.of.flow].name)
    }
}

/// By how many times what the board takes may grow with the bus.
const MORE_MAX: f64 = 4.0;
