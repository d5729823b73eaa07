//! Bursts: blocks of samples with a clock of their own, as the converter gave them.

use crate::units::Unit;

/// What is known of where a burst lies in the run's time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Laid {
    /// The runner triggered it: its moment is known as well as that of a reply.
    Triggered,
    /// A person said when its recording began: known within `u_t0`, which may be large.
    Told,
    /// Nobody knows: `t0` counts from the begin of its recording, and nothing else of the run can be held
    /// against it.
    Unknown,
}

/// A block of samples of one or more channels, taken at one steady rate.
#[derive(Debug, Clone, PartialEq)]
pub struct Burst {
    /// Name of the burst as the rig file has it.
    pub name: String,
    /// Moment of the first sample in microseconds since the run began.
    pub t0: i64,
    /// What that moment rests on.
    pub laid: Laid,
    /// Standard uncertainty of that moment in microseconds.
    pub u_t0: f64,
    /// Samples per second of each channel.
    pub rate: f64,
    /// Standard uncertainty of the rate in parts per million.
    pub u_rate: f64,
    /// Whether the inverter's gates were switching while it was taken; `None` if nobody knows.
    pub gates: Option<bool>,
    /// What was sampled, all at the same moments.
    pub channels: Vec<Waveform>,
}

/// One channel of a burst: SI value = `scale` x count + `offset`.
#[derive(Debug, Clone, PartialEq)]
pub struct Waveform {
    /// Name of the channel.
    pub name: String,
    /// Unit in which a person wants to read it; its kind says what was measured.
    pub unit: Unit,
    /// SI per count.
    pub scale: f64,
    /// SI value of count zero.
    pub offset: f64,
    /// Standard uncertainty of the offset, SI.
    pub u_offset: f64,
    /// Relative standard uncertainty of the scale (0.01 is 1 %).
    pub u_scale: f64,
    /// Lowest and highest count of the converter: a sample there or beyond may have been clipped.
    pub ends: (i16, i16),
    /// The counts.
    pub raw: Vec<i16>,
}

/// A burst that was begun and did not come whole.
#[derive(Debug, Clone, PartialEq)]
pub struct LostBurst {
    /// Name of the burst as the rig file has it.
    pub name: String,
    /// Names of its channels.
    pub channels: Vec<String>,
    /// Moment of its trigger in seconds since the run began; of its being given up, where it was never triggered.
    pub t: f64,
    /// Why, in words.
    pub why: String,
}

impl Burst {
    /// Number of samples of each channel.
    pub fn len(&self) -> usize {
        self.channels.first().map_or(0, |c| c.raw.len())
    }

    /// Whether there is no sample at all.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Whether it lies within `t0..=t1`, in seconds since the run began. Where a person said when its recording began,
    /// for 19 in 20: a margin of twice the standard uncertainty is left at both ends.
    pub fn lies_within(&self, t0: f64, t1: f64) -> bool {
        let margin = if self.laid == Laid::Told { 2e-6 * self.u_t0 } else { 0.0 };
        let (begin, end) = self.ends();
        self.laid != Laid::Unknown && begin - margin >= t0 && end + margin <= t1
    }

    /// Moment of sample `i` in seconds since the run began.
    pub fn t(&self, i: usize) -> f64 {
        self.t0 as f64 * 1e-6 + i as f64 / self.rate
    }

    /// Moments of the first and the last sample in seconds since the run began.
    pub fn ends(&self) -> (f64, f64) {
        (self.t(0), self.t(self.len().saturating_sub(1)))
    }

    /// How long it is in seconds: samples over rate.
    pub fn length(&self) -> f64 {
        self.len() as f64 / self.rate
    }

    /// The channel of that name.
    pub fn channel(&self, name: &str) -> Option<&Waveform> {
        self.channels.iter().find(|c| c.name == name)
    }

    /// What makes it unusable, in words; `None` if it is sound.
    pub fn flaw(&self) -> Option<String> {
        if !(self.rate.is_finite() && self.rate > 0.0) {
            return Some(format!("its rate is {} Hz", self.rate));
        }
        let usable = |u: f64| u.is_finite() && u >= 0.0;
        if !usable(self.u_rate) || !usable(self.u_t0) {
            return Some("its clock has no usable uncertainty".into());
        }
        let n = self.len();
        self.channels.iter().find_map(|c| {
            if c.raw.len() != n {
                return Some(format!("`{}` has {} samples where others have {n}", c.name, c.raw.len()));
            }
            let scaled = c.scale.is_finite() && c.scale != 0.0 && c.offset.is_finite();
            let sound = scaled && usable(c.u_offset) && usable(c.u_scale) && c.ends.0 < c.ends.1;
            (!sound).then(|| format!("`{}` has no usable scale, uncertainty or range of counts", c.name))
        })
    }
}

impl Waveform {
    /// The values in SI.
    pub fn values(&self) -> Vec<f64> {
        self.raw.iter().map(|count| self.scale * f64::from(*count) + self.offset).collect()
    }

    /// Standard uncertainty of one value from rounding to a count (uniform), SI.
    pub fn rounding(&self) -> f64 {
        self.scale.abs() / 12.0_f64.sqrt()
    }

    /// Whether all counts are the same.
    pub fn stands(&self) -> bool {
        self.raw.windows(2).all(|w| w[0] == w[1])
    }

    /// How many samples stand at an end of the converter's range.
    pub fn clipped(&self) -> usize {
        self.raw.iter().filter(|count| **count <= self.ends.0 || **count >= self.ends.1).count()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::parse_unit;

    fn burst() -> Burst {
        let unit = parse_unit("m/s2").expect("a unit");
        let axial = Waveform {
            name: "axial".into(),
            unit,
            scale: 0.01,
            offset: -0.5,
            u_offset: 0.02,
            u_scale: 0.02,
            ends: (-2048, 2047),
            raw: vec![0, 150, -2048, 2047],
        };
        let radial = Waveform { name: "radial".into(), raw: vec![1, 2, 3, 4], ..axial.clone() };
        Burst {
            name: "vibration".into(),
            t0: 2_500_000,
            laid: Laid::Triggered,
            u_t0: 40.0,
            rate: 8000.0,
            u_rate: 50.0,
            gates: Some(true),
            channels: vec![axial, radial],
        }
    }

    #[test]
    fn counts_become_values_at_moments() {
        let burst = burst();
        let axial = burst.channel("axial").expect("a channel");
        assert_eq!(axial.values(), [-0.5, 1.0, -20.98, 19.97]);
        assert_eq!((axial.clipped(), burst.len()), (2, 4));
        assert_eq!(burst.ends(), (2.5, 2.500375));
        assert_eq!(burst.length(), 0.0005);
        assert!(burst.flaw().is_none() && burst.channel("x").is_none());
        assert!((axial.rounding() - 0.01 / 12.0_f64.sqrt()).abs() < 1e-15 && !axial.stands());
        assert!(Waveform { raw: vec![7; 4], ..axial.clone() }.stands());
    }

    /// Said to begin at 2.5 s within 10 ms: for 19 in 20 it lies within what is 20 ms wider at either end.
    #[test]
    fn what_a_person_said_is_given_its_margin() {
        let inside = |laid, u_t0, t0, t1| Burst { laid, u_t0, ..burst() }.lies_within(t0, t1);
        assert!(inside(Laid::Triggered, 40.0, 2.5, 2.501) && !inside(Laid::Triggered, 40.0, 2.501, 3.0));
        assert!(inside(Laid::Told, 10_000.0, 2.479, 2.521) && !inside(Laid::Told, 10_000.0, 2.481, 2.521));
        assert!(!inside(Laid::Told, 10_000.0, 2.479, 2.52) && !inside(Laid::Unknown, 0.0, 0.0, 9.0));
    }

    #[test]
    fn an_unusable_burst_says_why() {
        let flaw = |change: fn(&mut Burst)| {
            let mut burst = burst();
            change(&mut burst);
            burst.flaw().expect("a flaw")
        };
        assert!(flaw(|b| b.rate = 0.0).contains("rate is 0 Hz"));
        assert!(flaw(|b| b.rate = f64::NAN).contains("rate is NaN Hz"));
        assert!(flaw(|b| b.u_rate = f64::NAN).contains("clock"));
        assert!(
            flaw(|b| b.channels[1].raw.truncate(3)).contains("`radial` has 3 samples where others have 4")
        );
        assert!(flaw(|b| b.channels[0].scale = 0.0).contains("`axial` has no usable scale"));
        assert!(flaw(|b| b.channels[0].u_scale = -1.0).contains("uncertainty"));
        assert!(flaw(|b| b.channels[0].ends = (5, 5)).contains("range of counts"));
    }
}
