//! Made-up records for the tests of the metrics.

use super::{Given, Measured, Refusal, Value, View, find};
use crate::columns::{Burst, Columns, DemandSeries, LinkSeries, Series, Span, Waveform};
use crate::units::parse_unit;
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Name, unit and course of a channel of a burst.
pub type Signal<'s> = (&'s str, &'s str, &'s dyn Fn(f64) -> f64);

/// One channel `x`, one demand `d`, one link `l` and a span.
#[derive(Debug, Clone)]
pub struct Bench {
    pub columns: Columns,
    pub span: Span,
    pub band: Option<f64>,
    pub given: Given,
}

impl Bench {
    /// Samples `f` every `dt` from `from` on, past the end of a span from 0 to `t1`; all in SI.
    pub fn new(unit: &str, from: f64, dt: f64, t1: f64, f: impl Fn(f64) -> f64) -> Bench {
        // One sample lies past the end; the span is longer by a nanosecond, so that rounding leaves out none.
        let count = ((t1 - from) / dt).round() as usize + 2;
        let t: Vec<f64> = (0..count).map(|i| from + dt * i as f64).collect();
        let v = t.iter().map(|t| f(*t)).collect();
        let unit = parse_unit(unit).expect("a unit");
        let x = Series {
            name: "x".into(),
            unit: unit.clone(),
            u: 0.0,
            u_t: vec![0.0; count],
            t,
            v,
            lost: vec![],
            missed: vec![],
        };
        let d = DemandSeries { name: "d".into(), unit, t: vec![from], v: vec![0.0] };
        let l = LinkSeries { name: "l".into(), t: vec![], round_trip: vec![], missed: vec![] };
        let columns = Columns { series: vec![x], demands: vec![d], links: vec![l], ..Columns::default() };
        let name = "span".to_string();
        let span =
            Span { test: 0, segment: None, name, t0: 0.0, t1: t1 + 1e-9, complete: true, from: 0.0, to: 0.0 };
        Bench { columns, span, band: None, given: Given::default() }
    }

    /// Adds a channel sampled at the same moments as `x`.
    pub fn add(&mut self, name: &str, unit: &str, f: impl Fn(f64) -> f64) {
        let x = &self.columns.series[0];
        let v = x.t.iter().map(|t| f(*t)).collect();
        let unit = parse_unit(unit).expect("a unit");
        let series = Series { name: name.into(), unit, u: 0.0, v, ..x.clone() };
        self.columns.series.push(series);
    }

    /// Gives a name under a key.
    pub fn given_name(mut self, key: &'static str, name: &str) -> Bench {
        self.given.add(key, Value::Name(name.into()), name);
        self
    }

    /// Adds a burst of `n` samples from `t0` on.
    pub fn burst(self, t0: f64, rate: f64, n: usize, channels: &[Signal<'_>]) -> Bench {
        self.burst_noisy(t0, rate, n, channels, 0.0, 0)
    }

    /// The same with independent normal noise of standard deviation `s` on every channel. The converter has 16 bits
    /// for a little more than the largest value.
    pub fn burst_noisy(
        mut self,
        t0: f64,
        rate: f64,
        n: usize,
        channels: &[Signal<'_>],
        s: f64,
        seed: u64,
    ) -> Bench {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
        let channels = channels.iter().map(|(name, unit, f)| {
            let values: Vec<f64> = (0..n)
                .map(|i| {
                    let z: f64 = StandardNormal.sample(&mut random);
                    f(t0 + i as f64 / rate) + s * z
                })
                .collect();
            let scale = values.iter().map(|v| v.abs()).fold(1e-9, f64::max) / 32_000.0;
            Waveform {
                name: (*name).into(),
                unit: parse_unit(unit).expect("a unit"),
                scale,
                offset: 0.0,
                u_offset: 0.0,
                u_scale: 0.0,
                ends: (i16::MIN, i16::MAX),
                raw: values.iter().map(|v| (v / scale).round() as i16).collect(),
            }
        });
        let burst = Burst {
            name: "b".into(),
            t0: (t0 * 1e6).round() as i64,
            u_t0: 0.0,
            laid: crate::columns::Laid::Triggered,
            rate,
            u_rate: 0.0,
            gates: None,
            channels: channels.collect(),
        };
        self.columns.bursts.push(burst);
        self
    }

    /// Frames of the demand; the span goes from the value before it to the last.
    pub fn told(mut self, frames: &[(f64, f64)]) -> Bench {
        let (t, v): (Vec<f64>, Vec<f64>) = frames.iter().copied().unzip();
        let before = frames.iter().take_while(|(t, _)| *t < 0.0).last();
        self.span.from = before.or(frames.first()).map_or(0.0, |(_, v)| *v);
        self.span.to = v.last().copied().unwrap_or(0.0);
        self.columns.demands[0].t = t;
        self.columns.demands[0].v = v;
        self
    }

    pub fn band(mut self, band: f64) -> Bench {
        self.band = Some(band);
        self
    }

    /// The channel's standard uncertainty, and that of the moments.
    pub fn uncertain(mut self, u: f64, u_t: f64) -> Bench {
        self.x().u = u;
        self.x().u_t.fill(u_t);
        self
    }

    /// Adds independent normal noise of standard deviation `s`.
    pub fn noisy(mut self, s: f64, seed: u64) -> Bench {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
        for v in &mut self.x().v {
            let z: f64 = StandardNormal.sample(&mut random);
            *v += s * z;
        }
        self
    }

    pub fn x(&mut self) -> &mut Series {
        &mut self.columns.series[0]
    }

    pub fn figure(&self, id: &str) -> Result<Measured, Refusal> {
        let metric = find(id).unwrap_or_else(|| panic!("no metric {id}"));
        let of = if metric.subject() == super::Subject::Link { "l" } else { "x" };
        metric.compute(&self.view(of))
    }

    pub fn view<'a>(&'a self, of: &'a str) -> View<'a> {
        View {
            columns: &self.columns,
            of,
            against: "d",
            span: &self.span,
            band: self.band,
            given: &self.given,
        }
    }

    pub fn measured(&self, id: &str) -> Measured {
        self.figure(id).unwrap_or_else(|refusal| panic!("{id}: {}", refusal.why))
    }

    /// Asserts that the metric refuses, and says `part`.
    pub fn refuses(&self, id: &str, part: &str) {
        let refusal = self.figure(id).expect_err(part);
        assert!(refusal.why.contains(part), "{id}: `{}` does not say `{part}`", refusal.why);
    }
}

pub fn near(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance, "{found} is not {expected} within {tolerance}");
}
