//! How good the resolver is: the ellipse that its two signals draw, the angle error that comes of it, and
//! the noise of the angle.

use super::bursts::{Heard, bursts, channel, largest, moment, sound};
use super::fit::solve;
use super::numeric::{deviation, joined, lag1, mean, mean_uncertainty};
use super::operand::{Operand, Takes};
use super::window::refuse;
use super::{Direction, Entry, Measured, Refusal, Subject, View};
use crate::columns::Burst;
use crate::units::{Dim, Form, Kind};
use std::f64::consts::{PI, TAU};

pub(super) const IMBALANCE: Entry = Entry {
    id: "resolver_imbalance",
    version: 2,
    about: "amplitude of the sine over that of the cosine (under `with`), minus one, from the ellipse that fits the \
            burst by least squares; of several bursts the largest; uncertainty by leaving out a tenth of the burst \
            at a time (jackknife, Student) and from rounding of the converter; what the two scales do not share is \
            not in it; refuses if any burst is clipped, stands still or was lost; passes over bursts that are short of \
            64 samples or miss a sixteenth of a turn of the signals",
    direction: Direction::Neither,
    subject: Subject::Burst,
    kind: |_| Kind::default(),
    needs_band: false,
    operands: &[COSINE],
    compute: |view| ellipses(view, |e| e.a / e.b - 1.0),
};

pub(super) const QUADRATURE: Entry = Entry {
    id: "resolver_quadrature",
    version: 2,
    about: "how far the two signals are from being a quarter of a turn apart, positive where the sine leads by too \
            little; found and refused as `resolver_imbalance`",
    kind: |_| electrical(Form::Plain),
    compute: |view| ellipses(view, |e| e.skew),
    ..IMBALANCE
};

pub(super) const OFFSET: Entry = Entry {
    id: "resolver_offset",
    version: 2,
    about: "distance of the ellipse's centre from zero over its mean radius; found and refused as \
            `resolver_imbalance`",
    direction: Direction::LowerIsBetter,
    compute: |view| ellipses(view, |e| e.x0.hypot(e.y0) / (0.5 * (e.a + e.b))),
    ..IMBALANCE
};

pub(super) const ERROR: Entry = Entry {
    id: "resolver_error",
    version: 2,
    about: "largest error over a turn of the angle atan2(sine, cosine) that imbalance, quadrature and offsets of the \
            ellipse make, its mean left out (the angle's zero is adjusted anyway): a/(2+a) for a sine larger by a, \
            half a quadrature error, an offset over the radius; found and refused as `resolver_imbalance`",
    direction: Direction::LowerIsBetter,
    kind: |_| electrical(Form::Plain),
    compute: |view| ellipses(view, Ellipse::error),
    ..IMBALANCE
};

pub(super) const RADIUS: Entry = Entry {
    id: "resolver_radius",
    version: 2,
    about: "mean of the root of sine squared plus cosine squared, at rest or turning: what excitation and wiring \
            leave of the signals; of several bursts the smallest; uncertainty from scatter whose neighbours resemble \
            each other and from the scale, offset and rounding; refuses bursts that are clipped, stand still, were \
            lost or are short of 64 samples",
    direction: Direction::HigherIsBetter,
    kind: Kind::difference,
    compute: radius,
    ..IMBALANCE
};

pub(super) const NOISE: Entry = Entry {
    id: "angle_noise",
    version: 2,
    about: "standard deviation (rms) of the angle atan2(sine, cosine) beside a cubic in time and, where it turns, \
            what the ellipse does at the first two orders; of several bursts in the span the largest; uncertainty \
            from the number of samples that count (neighbours resemble each other) and rounding of the converter; \
            refuses if any burst is clipped, stands still, was lost, or turns by more than a quarter of a turn from \
            sample to sample; passes over bursts short of 64 samples",
    direction: Direction::LowerIsBetter,
    kind: |_| electrical(Form::Rms),
    compute: |view| largest(view, |burst| angle_noise(view, burst)),
    ..IMBALANCE
};

pub(super) const NOISE_GATES_OFF: Entry = Entry {
    id: "angle_noise_gates_off",
    version: 2,
    about: "as `angle_noise`, of the last burst before the end of the span that was taken while the gates were not \
            switching: what the resolver and its cable do without the inverter; refuses as `angle_noise`, and where \
            there is no such burst",
    compute: gates_off,
    ..NOISE
};

const COSINE: Operand =
    Operand::needed("with", Takes::Waveform(|of| of), "the channel of the cosine in the same burst");

/// Fewest samples.
const SAMPLES: usize = 64;
/// Sectors of a turn that must all be seen.
const SECTORS: usize = 16;
/// Scatter of the radius, in parts of it, beyond which the points are a cloud and no ring.
const CLOUD: f64 = 0.25;
/// Pieces of a burst of which one at a time is left out.
const PIECES: usize = 10;
/// Half of Student's factor for 95.45 % at nine degrees of freedom (2.32; tables of the GUM, from memory).
const STUDENT_NINE: f64 = 1.16;

fn electrical(form: Form) -> Kind {
    Kind { dim: Dim { angle: 1, ..Dim::default() }, electrical: true, form, ..Kind::default() }
}

/// Cosine x = x0 + b cos(phi), sine y = y0 + a sin(phi + skew).
#[derive(Debug, Clone, Copy)]
struct Ellipse {
    x0: f64,
    y0: f64,
    a: f64,
    b: f64,
    skew: f64,
}

impl Ellipse {
    /// Cosine and sine at an angle in rad.
    fn at(&self, phi: f64) -> (f64, f64) {
        (self.x0 + self.b * phi.cos(), self.y0 + self.a * (phi + self.skew).sin())
    }

    /// Errors of the angle over a turn in equal steps, without their mean, rad.
    fn errors(&self, steps: usize) -> Vec<f64> {
        let errors = (0..steps).map(|i| {
            let phi = TAU * i as f64 / steps as f64;
            let (x, y) = self.at(phi);
            wrapped(y.atan2(x) - phi)
        });
        let errors: Vec<f64> = errors.collect();
        let middle = mean(&errors);
        errors.iter().map(|e| e - middle).collect()
    }

    /// Largest error of the angle over a turn without its mean, rad.
    fn error(&self) -> f64 {
        self.errors(720).iter().map(|e| e.abs()).fold(0.0, f64::max)
    }
}

/// To between minus and plus half a turn.
fn wrapped(angle: f64) -> f64 {
    angle - TAU * (angle / TAU).round()
}

/// The two signals of a burst in SI.
struct Signals {
    sine: Vec<f64>,
    cosine: Vec<f64>,
    /// Standard uncertainty of a point of the two from rounding to counts.
    rounding: f64,
}

/// Sine and cosine of a burst, or why it is passed over.
fn signals(view: &View<'_>, burst: &Burst) -> Result<Result<Signals, String>, Refusal> {
    sound(burst)?;
    let (y, x) = (channel(burst, view.of)?, channel(burst, view.name("with")?)?);
    if y.raw.len() < SAMPLES {
        return Ok(Err(format!("a burst has {} samples, at least {SAMPLES} are needed", y.raw.len())));
    }
    let rounding = y.rounding().hypot(x.rounding());
    Ok(Ok(Signals { sine: y.values(), cosine: x.values(), rounding }))
}

fn ellipses(view: &View<'_>, figure: fn(&Ellipse) -> f64) -> Result<Measured, Refusal> {
    largest(view, |burst| Ok(signals(view, burst)?.and_then(|signals| ellipse(&signals, figure))))
}

/// The figure of the ellipse through all samples, its uncertainty from leaving out each tenth.
fn ellipse(signals: &Signals, figure: fn(&Ellipse) -> f64) -> Heard {
    let (best, without) = fitted(&signals.sine, &signals.cosine)?;
    let without: Vec<f64> = without.iter().map(figure).collect();
    let k = without.len() as f64;
    let scatter = STUDENT_NINE * deviation(&without) * (k - 1.0) / k.sqrt();
    // Every figure of the ellipse is one of its lengths over its radius, or an angle.
    let u = scatter.hypot(signals.rounding / (0.5 * (best.a + best.b)));
    Ok(Measured { value: figure(&best), u, n: signals.sine.len(), note: None })
}

/// The ellipse through all samples, and those without each tenth.
fn fitted(sine: &[f64], cosine: &[f64]) -> Result<(Ellipse, Vec<Ellipse>), String> {
    let n = sine.len();
    let middle = |v: &[f64]| {
        let (low, high) =
            v.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(*x), h.max(*x)));
        0.5 * (low + high)
    };
    let centre = (middle(cosine), middle(sine));
    let points: Vec<(f64, f64)> =
        cosine.iter().zip(sine).map(|(x, y)| (x - centre.0, y - centre.1)).collect();
    let size = points.iter().map(|(x, y)| x.hypot(*y)).fold(0.0, f64::max);
    let mut seen = [false; SECTORS];
    for (x, y) in &points {
        let turn = y.atan2(*x) / TAU + 0.5;
        seen[((turn * SECTORS as f64) as usize).min(SECTORS - 1)] = true;
    }
    let missing = seen.iter().filter(|s| !**s).count();
    if missing > 0 || size <= 0.0 {
        return Err(format!(
            "{missing} of {SECTORS} parts of a turn were not seen: the ellipse needs them all"
        ));
    }
    let radii: Vec<f64> = points.iter().map(|(x, y)| x.hypot(*y)).collect();
    if deviation(&radii) > CLOUD * mean(&radii) {
        return Err(
            "not all parts of a turn were seen: the signals draw a cloud, as noise at rest does".into()
        );
    }
    let scaled: Vec<(f64, f64)> = points.iter().map(|(x, y)| (x / size, y / size)).collect();
    let pieces: Vec<Sums> = scaled.chunks(n.div_ceil(PIECES)).map(Sums::of).collect();
    let whole = pieces.iter().fold(Sums::default(), |all, piece| all.with(piece, 1.0));
    let unscaled = |sums: &Sums| {
        sums.ellipse().map(|e| Ellipse {
            x0: e.x0 * size + centre.0,
            y0: e.y0 * size + centre.1,
            a: e.a * size,
            b: e.b * size,
            skew: e.skew,
        })
    };
    let Some(best) = unscaled(&whole) else { return Err("the signals draw no ellipse".into()) };
    let without: Option<Vec<Ellipse>> =
        pieces.iter().map(|piece| unscaled(&whole.with(piece, -1.0))).collect();
    let without = without.ok_or("the signals draw no ellipse without a tenth of them")?;
    Ok((best, without))
}

/// Sums for a x^2 + b xy + c y^2 + d x + e y = 1 by least squares.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    matrix: [[f64; 5]; 5],
    right: [f64; 5],
}

impl Sums {
    fn of(points: &[(f64, f64)]) -> Sums {
        let mut sums = Sums::default();
        for (x, y) in points {
            let row = [x * x, x * y, y * y, *x, *y];
            for (i, p) in row.iter().enumerate() {
                sums.right[i] += p;
                row.iter().zip(&mut sums.matrix[i]).for_each(|(q, m)| *m += p * q);
            }
        }
        sums
    }

    fn with(mut self, other: &Sums, sign: f64) -> Sums {
        for (mine, theirs) in self.matrix.iter_mut().flatten().zip(other.matrix.iter().flatten()) {
            *mine += sign * theirs;
        }
        self.right.iter_mut().zip(other.right).for_each(|(mine, theirs)| *mine += sign * theirs);
        self
    }

    /// The conic about its centre is q (a' x^2 + ...) = 1; the inverse of that matrix is M M' of the
    /// point (b cos phi, a sin(phi + skew)) = M (cos phi, sin phi): b^2 and a^2 on, a b sin(skew) off the diagonal.
    fn ellipse(&self) -> Option<Ellipse> {
        let [a, b, c, d, e] = solve(self.matrix, self.right)?;
        let four = 4.0 * a * c - b * b;
        if four.is_nan() || four <= 0.0 {
            return None;
        }
        let (x0, y0) = ((b * e - 2.0 * c * d) / four, (b * d - 2.0 * a * e) / four);
        let level = 1.0 + a * x0 * x0 + b * x0 * y0 + c * y0 * y0;
        let inverse = |term: f64| 4.0 * level * term / four;
        let (xx, yy, xy) = (inverse(c), inverse(a), inverse(-0.5 * b));
        let sound = xx > 0.0 && yy > 0.0;
        sound.then(|| Ellipse { x0, y0, a: yy.sqrt(), b: xx.sqrt(), skew: (xy / (xx * yy).sqrt()).asin() })
    }
}

fn radius(view: &View<'_>) -> Result<Measured, Refusal> {
    // The smallest is the largest of the negatives.
    let found = smallest(view)?;
    Ok(Measured { value: -found.value, ..found })
}

fn smallest(view: &View<'_>) -> Result<Measured, Refusal> {
    let mut least: Option<Measured> = None;
    for burst in bursts(view)? {
        let Signals { sine, cosine, rounding } = signals(view, burst)?.map_err(|why| Refusal { why })?;
        let radii: Vec<f64> = sine.iter().zip(&cosine).map(|(y, x)| x.hypot(*y)).collect();
        let value = mean(&radii);
        let (sine, cosine) = (channel(burst, view.of)?, channel(burst, view.name("with")?)?);
        let scale = value * sine.u_scale.max(cosine.u_scale);
        let offset = sine.u_offset.max(cosine.u_offset);
        let u = joined([mean_uncertainty(&radii), scale, offset, rounding]);
        if least.as_ref().is_none_or(|l| value < -l.value) {
            least = Some(Measured { value: -value, u, n: radii.len(), note: None });
        }
    }
    least.ok_or_else(|| Refusal { why: format!("no burst with `{}`", view.of) })
}

fn gates_off(view: &View<'_>) -> Result<Measured, Refusal> {
    let before = view.columns.bursts_within(view.of, f64::NEG_INFINITY, view.span.t1);
    let Some(burst) = before.filter(|b| b.gates == Some(false)).last() else {
        return refuse(format!("no burst with `{}` was taken with the gates off", view.of));
    };
    angle_noise(view, burst)?.map_err(|why| Refusal { why })
}

fn angle_noise(view: &View<'_>, burst: &Burst) -> Result<Heard, Refusal> {
    let Signals { sine, cosine, rounding } = match signals(view, burst)? {
        Ok(signals) => signals,
        Err(why) => return Ok(Err(why)),
    };
    let (angle, fastest) = unwrapped(&sine, &cosine);
    if fastest > 0.5 * PI {
        // Not passed over: a burst of mere noise looks like this, and so does the fastest one.
        return refuse(format!(
            "the angle goes by {:.0} deg from sample to sample in the burst at {}: which way cannot be told",
            fastest.to_degrees(),
            moment(burst)
        ));
    }
    let turns = (angle[angle.len() - 1] - angle[0]).abs() / TAU;
    let left = if turns >= 1.0 { beside::<8>(&angle) } else { beside::<4>(&angle) };
    let Some((left, parameters)) = left else { return refuse("the angle's course cannot be fitted") };
    let n = left.len() as f64;
    let value = (left.iter().map(|r| r * r).sum::<f64>() / (n - parameters)).sqrt();
    // The variance of n values of a first-order autoregression counts as n (1 - rho^2) / (1 + rho^2) values.
    let rho = lag1(&left).clamp(0.0, 0.99);
    let scatter = value * ((1.0 + rho * rho) / (1.0 - rho * rho) / (2.0 * n)).sqrt();
    let radius = mean(&sine.iter().zip(&cosine).map(|(y, x)| y.hypot(*x)).collect::<Vec<_>>());
    let u = scatter.hypot(rounding / radius);
    Ok(Ok(Measured { value, u, n: left.len(), note: None }))
}

/// The angle of the signals without its jumps at whole turns, rad, and its largest step.
fn unwrapped(sine: &[f64], cosine: &[f64]) -> (Vec<f64>, f64) {
    let mut angle: Vec<f64> = Vec::with_capacity(sine.len());
    let mut fastest: f64 = 0.0;
    for (y, x) in sine.iter().zip(cosine) {
        let now = y.atan2(*x);
        let before = angle.last().copied().unwrap_or(now);
        let step = wrapped(now - before);
        fastest = fastest.max(step.abs());
        angle.push(before + step);
    }
    (angle, fastest)
}

/// What is left of the angle beside a cubic in time and, with eight parameters, sine and cosine of the angle and its
/// double.
fn beside<const P: usize>(angle: &[f64]) -> Option<(Vec<f64>, f64)> {
    let n = angle.len();
    let row = |i: usize| -> [f64; P] {
        let x = 2.0 * i as f64 / (n - 1) as f64 - 1.0;
        let (s, c) = angle[i].sin_cos();
        let all = [
            1.0,
            x,
            0.5 * (3.0 * x * x - 1.0),
            0.5 * (5.0 * x * x - 3.0) * x,
            s,
            c,
            2.0 * s * c,
            c * c - s * s,
        ];
        std::array::from_fn(|k| all[k])
    };
    let (mut matrix, mut right) = ([[0.0; P]; P], [0.0; P]);
    for (i, y) in angle.iter().enumerate() {
        let row = row(i);
        for (k, p) in row.iter().enumerate() {
            right[k] += p * y;
            row.iter().zip(&mut matrix[k]).for_each(|(q, m)| *m += p * q);
        }
    }
    let p = solve(matrix, right)?;
    let left = (0..n).map(|i| angle[i] - row(i).iter().zip(p).map(|(r, p)| r * p).sum::<f64>()).collect();
    Some((left, P as f64))
}

/// The electrical angle in turns from zero on, without what the ellipse does to it. Why not, in words.
pub(super) fn angle_within_ellipse(sine: &[f64], cosine: &[f64]) -> Result<Vec<f64>, String> {
    let (e, _) = fitted(sine, cosine)?;
    let (skew, upright) = e.skew.sin_cos();
    let round = |(y, x): (&f64, &f64)| {
        let (x, y) = ((x - e.x0) / e.b, (y - e.y0) / e.a);
        ((y - x * skew) / upright, x)
    };
    let (sine, cosine): (Vec<f64>, Vec<f64>) = sine.iter().zip(cosine).map(round).unzip();
    let (angle, fastest) = unwrapped(&sine, &cosine);
    if fastest > 0.5 * PI {
        return Err(format!(
            "the angle goes by {:.0} deg from sample to sample: which way cannot be told",
            fastest.to_degrees()
        ));
    }
    Ok(angle.iter().map(|a| (a - angle[0]) / TAU).collect())
}

mod picture;

pub use picture::{ResolverPicture, resolver_picture};

#[cfg(test)]
mod tests;
