//! A simulated person at the pedal: presses it as a program says, each time the drive is handed over.

use std::collections::VecDeque;

/// How the pedal is worked after the drive is handed over: time in s since then, travel from 0 to 1, straight
/// between the points; before the first as the first, after the last as the last.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PedalProgram {
    /// Points, their times rising.
    pub points: Vec<(f64, f64)>,
}

impl PedalProgram {
    /// Travel at `t` s, 0 to 1; 0 without points.
    pub fn at(&self, t: f64) -> f64 {
        let next = self.points.partition_point(|(at, _)| *at <= t);
        let before = next.checked_sub(1).map(|i| self.points[i]);
        match (before, self.points.get(next).copied()) {
            (Some((t0, v0)), Some((t1, v1))) => v0 + (t - t0) / (t1 - t0) * (v1 - v0),
            (Some((_, v)), None) | (None, Some((_, v))) => v,
            (None, None) => 0.0,
        }
    }
}

/// One program for each time that the drive is handed over, in order; after the last the foot stays off.
#[derive(Debug, Clone)]
pub(super) struct Person {
    ahead: VecDeque<PedalProgram>,
    /// The program at work, and since when in s; `None` while the drive is not handed over.
    at_work: Option<(PedalProgram, f64)>,
}

impl Person {
    /// Somebody with their foot off the pedal.
    pub fn new(programs: &[PedalProgram]) -> Person {
        Person { ahead: programs.iter().cloned().collect(), at_work: None }
    }

    /// Travel at `now` in s, 0 to 1. Who is handed the drive begins; who is no longer lifts the foot at once.
    pub fn press(&mut self, now: f64, handed_over: bool) -> f64 {
        if !handed_over {
            self.at_work = None;
            return 0.0;
        }
        let ahead = &mut self.ahead;
        let (program, since) =
            self.at_work.get_or_insert_with(|| (ahead.pop_front().unwrap_or_default(), now));
        program.at(now - *since)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_time_the_drive_is_handed_over_the_next_program_begins() {
        let up = PedalProgram { points: vec![(1.0, 0.0), (3.0, 0.5)] };
        let flat = PedalProgram { points: vec![(0.0, 0.2), (1.0, 0.2)] };
        let mut person = Person::new(&[up, flat]);
        let rows = [
            (5.0, false, 0.0),
            (6.0, true, 0.0),
            (8.0, true, 0.25),
            (20.0, true, 0.5),
            (21.0, false, 0.0),
            (22.0, true, 0.2),
            (30.0, false, 0.0),
            (31.0, true, 0.0),
        ];
        for (now, handed_over, pressed) in rows {
            assert_eq!(person.press(now, handed_over), pressed, "at {now} s");
        }
    }
}
