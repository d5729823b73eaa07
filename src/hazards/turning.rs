//! What the shaft does at worst in a test, in pieces short enough to be taken as straight, whatever the test demands.

use super::case::{BEYOND, Case};
use super::reach::Way;
use crate::files::rig::{Limiting, Sets};
use crate::plan::{Shape, Test};

/// A piece of a test.
#[derive(Debug, Clone, Copy)]
pub(super) struct Piece {
    /// Speed at its begin and at its end, rad/s.
    pub speed: (f64, f64),
    /// How long it takes, s; zero for a jump.
    pub lasts: f64,
    /// Torque that is demanded, Nm; `None` where it follows from the speed.
    pub torque: Option<f64>,
    /// Whether the torque is off.
    pub coasts: bool,
    /// Index of its segment.
    pub segment: usize,
}

/// Pieces per straight line that moves, and per cycle of a swing.
const LINE: usize = 64;
/// Most pieces of one swing. One of more cycles is laid finely at its begin and at its end, where a sweep is fastest, and
/// coarsely between them: samples a cycle apart would see no swing at all.
const SWING_MAX: usize = 100_000;

impl Case<'_> {
    /// A test in pieces; none of one that demands nothing that turns the shaft.
    pub(super) fn pieces(&self, test: &Test) -> Vec<Piece> {
        let lines = lines(test);
        match self.plan.demands[test.demand].sets {
            Sets::ShaftSpeed => lines,
            Sets::SpeedAtFullPedal => self.by_pedal(lines),
            Sets::Torque => self.by_torque(test, &lines),
            Sets::ForcedAngle | Sets::AlignmentCurrent => self.by_field(test, &lines),
            Sets::Pump | Sets::CurrentLimit => Vec::new(),
        }
    }

    /// Whoever works a pedal may press it down all the time, and let go of it when the shaft is fastest: the board takes the
    /// speed down as steeply as it does, which [`Case::pedal_unbounded`] asks for.
    fn by_pedal(&self, mut lines: Vec<Piece>) -> Vec<Piece> {
        let fast = |p: &Piece| p.speed.1.abs();
        let top = lines.iter().max_by(|a, b| fast(a).total_cmp(&fast(b))).copied();
        let (Some(last), Some(rate)) = (top, self.pedal_rate()) else { return lines };
        let lasts = fast(&last) / rate;
        let line = (0..LINE).map(|i| {
            let at = |i: usize| last.speed.1 * (1.0 - i as f64 / LINE as f64);
            (at(i), at(i + 1))
        });
        lay(&mut lines, line, lasts / LINE as f64, (false, last.segment));
        lines
    }

    /// Whether a pedal is worked whose board takes the speed down nobody knows how steeply.
    pub(super) fn pedal_unbounded(&self) -> bool {
        let by_pedal = |t: &Test| self.plan.demands[t.demand].sets == Sets::SpeedAtFullPedal;
        self.pedal_rate().is_none() && self.plan.tests.iter().any(by_pedal)
    }

    /// The steepest that the board itself changes the speed which a pedal asks for, rad/s2: a setting that must have that value.
    pub(super) fn pedal_rate(&self) -> Option<f64> {
        self.rig.limited(Limiting::PedalRate).map(|(rate, _)| rate)
    }

    /// A torque turns a free shaft for as long as it is demanded, the smallest inertia, against no drag, as far as no trip
    /// fires; a torque the other way brakes all of that first. What is coupled may turn it as fast as no trip fires from the
    /// first.
    fn by_torque(&self, test: &Test, lines: &[Piece]) -> Vec<Piece> {
        let most = |way: Way| self.reach(test, way, self.current().0, self.coupled()).map(|r| r.speed);
        let (forward, backward) = (most(Way::Forward), most(Way::Backward));
        let coupled = self.coupling().is_some();
        if coupled && (forward.is_none() || backward.is_none()) {
            // Nothing bounds it, or nobody knows what does: `runaway` says so.
            return Vec::new();
        }
        let (forward, backward) = (forward.unwrap_or(BEYOND), backward.unwrap_or(BEYOND));
        let mut pieces = Vec::new();
        let mut speed = 0.0;
        for line in lines {
            let torque = if line.coasts { 0.0 } else { 0.5 * (line.speed.0 + line.speed.1) };
            let piece = |speed, lasts| Piece { speed, lasts, torque: Some(torque.abs()), ..*line };
            if coupled {
                let fast = forward.max(backward);
                pieces.push(piece((fast, fast), line.lasts));
                continue;
            }
            if torque * speed < 0.0 {
                pieces.push(piece((speed, 0.0), 0.0));
                speed = 0.0;
            }
            let next = (speed + torque / self.inertia().0 * line.lasts).clamp(-backward, forward);
            pieces.push(piece((speed, next), line.lasts));
            speed = next;
        }
        pieces
    }

    /// A current at an angle of its own pulls the rotor after it: by half a turn of the field at most, which on the least inertia
    /// makes a speed that is pulled back again, and along with it at twice its speed at most, as an undamped swing does.
    fn by_field(&self, test: &Test, lines: &[Piece]) -> Vec<Piece> {
        let poles = f64::from(self.unit.machine.pole_pairs.value);
        let torque = self.torque_of(self.current().0);
        let pulled = (4.0 * torque / (poles * self.inertia().0)).sqrt();
        let Some(first) = lines.first() else { return Vec::new() };
        let piece = |speed, lasts, of: &Piece| Piece { speed, lasts, torque: Some(torque), ..*of };
        let mut pieces = vec![piece((0.0, pulled), 0.0, first), piece((pulled, 0.0), 0.0, first)];
        if self.plan.demands[test.demand].sets == Sets::AlignmentCurrent {
            return pieces;
        }
        for line in lines.iter().filter(|line| line.lasts > 0.0) {
            let speed = 2.0 * (line.speed.1 - line.speed.0) / line.lasts / poles;
            pieces.extend([
                piece((0.0, speed), 0.0, line),
                piece((speed, speed), line.lasts, line),
                piece((speed, 0.0), 0.0, line),
            ]);
        }
        pieces
    }
}

/// The profile of a test in pieces, with the value of its demand for the speed.
fn lines(test: &Test) -> Vec<Piece> {
    let mut pieces = Vec::new();
    for (segment, s) in test.profile.segments.iter().enumerate() {
        let of = (s.coasts(), segment);
        if let Shape::Swing(swing) = s.shape {
            let lasts = swing.length().secs_f64();
            let wanted = ((swing.cycles * LINE as f64).min(1e15) as usize).max(LINE);
            let fine = lasts * (SWING_MAX / 2) as f64 / wanted as f64;
            let parts = if wanted <= SWING_MAX {
                vec![(0.0, lasts, wanted)]
            } else {
                vec![
                    (0.0, fine, SWING_MAX / 2),
                    (fine, lasts - 2.0 * fine, LINE),
                    (lasts - fine, fine, SWING_MAX / 2),
                ]
            };
            for (from, lasts, n) in parts {
                let at = |i: usize| swing.at(from + lasts * i as f64 / n as f64);
                lay(&mut pieces, (0..n).map(|i| (at(i), at(i + 1))), lasts / n as f64, of);
            }
            continue;
        }
        for pair in s.corners.windows(2) {
            let ((t0, v0), (t1, v1)) = (pair[0], pair[1]);
            let lasts = (t1 - t0).secs_f64();
            let n = if v0 == v1 || lasts == 0.0 { 1 } else { LINE };
            let at = |i: usize| v0 + (v1 - v0) * i as f64 / n as f64;
            lay(&mut pieces, (0..n).map(|i| (at(i), at(i + 1))), lasts / n as f64, of);
        }
    }
    pieces
}

/// Lays lines of one length in time, each from a speed to another. One that goes through zero is two: it falls first, and
/// gives back what it had, and rises then.
fn lay(
    pieces: &mut Vec<Piece>,
    lines: impl Iterator<Item = (f64, f64)>,
    lasts: f64,
    (coasts, segment): (bool, usize),
) {
    for (from, to) in lines {
        let piece = |speed, share: f64| Piece { speed, lasts: lasts * share, torque: None, coasts, segment };
        if from * to < 0.0 {
            let falls = from / (from - to);
            pieces.extend([piece((from, 0.0), falls), piece((0.0, to), 1.0 - falls)]);
        } else {
            pieces.push(piece((from, to), 1.0));
        }
    }
}
