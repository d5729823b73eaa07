//! Orders: how much of a vibration comes so many times per turn. The Fourier integral is taken over the angle of the
//! shaft instead of over time: each sample counts for the angle that it stands for. That is resampling to equal angles
//! without the error of an interpolation, and speed may change during a burst.

use super::bursts::{bursts, channel, largest, moment, sound};
use super::numeric::{joined, line, median, student};
use super::operand::{Operand, Takes};
use super::window::{refuse, seconds};
use super::{Direction, Entry, Measured, Refusal, Subject, View};
use crate::columns::{Burst, Laid, Series};
use crate::units::{Dim, Form, Kind};
use std::f64::consts::TAU;

pub(super) const AMPLITUDE: Entry = Entry {
    id: "order_amplitude",
    version: 2,
    about: "peak amplitude of what comes `order` times per turn, by the Fourier integral over the angle of the shaft \
            (Hann's window over whole turns), the angle being the integral of the speed's samples, led by the \
            resolver where the burst holds its `sine` and `cosine` too; with `slip`, the \
            largest within that share of the order, as rolling bearings need; of several bursts in the span the \
            largest; uncertainty from the orders beside it, the scale, rounding of the converter, and the doubt of \
            the speed; refuses if any burst is clipped, stands still, was lost, is sampled at less than 2.5 times the \
            order, or leaves it too uncertain; passes over bursts of fewer than four turns, or four turns of the \
            order; refuses speed that is not known all the time or changes its sign",
    direction: Direction::LowerIsBetter,
    subject: Subject::Burst,
    kind: |of| Kind { form: Form::Peak, ..of.difference() },
    needs_band: false,
    operands: &[
        Operand::needed("speed", Takes::Channel(|_| speed_kind()), "the channel of the shaft's speed"),
        Operand::needed("order", Takes::Quantity, "how often per turn"),
        Operand::optional("turn", Takes::Turn, "\"mechanical\" or \"electrical\"; mechanical if absent"),
        Operand::optional(
            "slip",
            Takes::Quantity,
            "how far the order may be off, as a share; none if absent",
        ),
        Operand::optional(
            "sine",
            Takes::Waveform(|_| Kind::default()),
            "the resolver's sine in the same burst",
        ),
        Operand::optional("cosine", Takes::Waveform(|_| Kind::default()), "the resolver's cosine in it"),
    ],
    compute: |view| largest(view, |burst| Ok(hear(view, burst)?.map(|line| line.figure))),
};

pub(super) const GROWTH: Entry = Entry {
    id: "order_growth",
    version: 2,
    about: "with which power of speed the amplitude of `order_amplitude` grows over the bursts of the span: slope of \
            a straight line through the logarithms of both; 2 for unbalance far below resonance; uncertainty from \
            the line (Student); refuses as `order_amplitude` does, fewer than four bursts that stand out of the \
            noise, and speeds that differ by less than half",
    direction: Direction::Neither,
    kind: |_| Kind::default(),
    compute: growth,
    ..AMPLITUDE
};

/// Fewest turns, of the shaft and of the order.
const TURNS: f64 = 4.0;
/// Samples a turn of the order, at least.
const PER_TURN: f64 = 2.5;
/// Steps in which an order is searched, in parts of what the window tells apart; a line midway loses a thousandth.
const SEARCH_STEP: f64 = 0.1;
/// Most steps of a search either way.
const SEARCH_MAX: f64 = 300.0;
/// What an order beside the line has for noise of standard deviation 1: the median of its magnitude (Rayleigh).
const RAYLEIGH_MEDIAN: f64 = 1.177_41;

const fn speed_kind() -> Kind {
    let dim = Dim { mass: 0, length: 0, time: -1, current: 0, temperature: 0, angle: 1 };
    let across = crate::units::Across::Plain;
    Kind { dim, absolute: false, electrical: false, form: Form::Plain, across }
}

/// The median of eight places, neighbours alike, is itself off by a fifth: what makes twice the noise hold 95.45 % of errors
/// (simulated with 3000 records: 92.7 % without, 95.5 % with it).
const FEW: f64 = 1.17;

/// One order of one burst.
struct Line {
    figure: Measured,
    /// Mean speed, rad/s.
    speed: f64,
    /// Standard deviation of the amplitude from noise.
    noise: f64,
}

/// Standard deviation of the noise in an amplitude, by the orders beside what is searched.
fn beside(block: &Block, order: f64, reach: f64, whole: f64) -> f64 {
    let amplitudes: Vec<f64> = [3.3, 4.3, 5.3, 6.3]
        .iter()
        .flat_map(|bins| [order + (reach + bins) / whole, order - (reach + bins) / whole])
        .filter(|o| *o * whole > 2.0)
        .map(|o| block.amplitude(o))
        .collect();
    median(&amplitudes) / RAYLEIGH_MEDIAN
}

fn hear(view: &View<'_>, burst: &Burst) -> Result<Result<Line, String>, Refusal> {
    sound(burst)?;
    let wave = channel(burst, view.of)?;
    let series = speed_of(view)?;
    let carried = super::carried::carried(view, burst, series)?;
    let (angle, u_speed) = match carried {
        Some(carried) => (carried.angle, Some(carried.u)),
        None => (turns(burst, series)?, None),
    };
    let per_turn = view.range("turn").map_or(1.0, |(turns, _)| turns);
    let order = view.known("order")?.value * per_turn;
    let slip = view.range("slip").map_or(0.0, |(slip, _)| slip);
    if order.is_nan() || order <= 0.0 || !(0.0..0.5).contains(&slip) {
        return refuse("an order must be above zero and its slip a share below a half");
    }
    let whole = angle.last().copied().unwrap_or(0.0).floor();
    let speed = TAU * angle.last().copied().unwrap_or(0.0) / (burst.length() - 1.0 / burst.rate);
    if whole < TURNS || whole * order < TURNS {
        return Ok(Err(format!("{whole} whole turns in a burst: {TURNS} of shaft and order are needed")));
    }
    let fastest = angle.windows(2).map(|w| w[1] - w[0]).fold(0.0, f64::max);
    if fastest * order * PER_TURN > 1.0 {
        // Not passed over: the fastest burst is the one that a limit is meant for.
        return refuse(format!(
            "order {order:.3} comes faster than {PER_TURN} samples show in the burst at {}",
            moment(burst)
        ));
    }
    let block = Block::new(&wave.values(), &angle, 0, whole);
    // The resolver's samples have the burst's own moments: where they stand in the run does not matter then.
    let doubt = u_speed
        .unwrap_or_else(|| (series.u / speed).hypot(drift(&angle, burst.length()) * 1e-6 * burst.u_t0));
    let reach = (slip + 2.0 * doubt) * order * whole;
    let steps = if slip == 0.0 && reach < SEARCH_STEP { 0.0 } else { (reach / SEARCH_STEP).ceil() };
    if steps > SEARCH_MAX {
        return refuse(format!(
            "order {order:.3} is uncertain by {reach:.0} of what {whole} turns tell apart: the burst at {} is too long for it",
            moment(burst)
        ));
    }
    let around = |k: f64| block.amplitude(order + k * SEARCH_STEP / whole);
    let value = (-(steps as i64)..=steps as i64).map(|k| around(k as f64)).fold(0.0, f64::max);
    let noise = beside(&block, order, reach, whole);
    // Hann's window lets an amplitude off by b steps fall by (pi^2/6 - 1) b^2.
    let off = if steps > 0.0 { 0.5 * SEARCH_STEP } else { doubt * order * whole };
    let loss = value * (std::f64::consts::PI.powi(2) / 6.0 - 1.0) * off * off;
    // The largest of several places is lifted by noise: by up to s sqrt(2 ln m), taken as uniform.
    let places = (2.0 * reach).max(1.0);
    let chosen = noise * (2.0 * places.ln()).sqrt() / 3.0_f64.sqrt();
    // What is smaller than a count may be rounded away altogether, and the noise beside it with it.
    let u = joined([FEW * noise, chosen, value * wave.u_scale, loss, wave.rounding()]);
    let rpm = speed * 60.0 / TAU;
    let weak = if value < 3.0 * noise { ", no larger than the noise beside it" } else { "" };
    let figure = Measured { value, u, n: block.len(), note: Some(format!("at {rpm:.0} rpm{weak}")) };
    Ok(Ok(Line { figure, speed, noise }))
}

fn growth(view: &View<'_>) -> Result<Measured, Refusal> {
    let (mut speeds, mut amplitudes) = (vec![], vec![]);
    for burst in bursts(view)? {
        if let Ok(line) = hear(view, burst)?
            && line.figure.value > 3.0 * line.noise
        {
            speeds.push(line.speed.ln());
            amplitudes.push(line.figure.value.ln());
        }
    }
    let ends = speeds.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(*x), h.max(*x)));
    if speeds.len() < 4 || ends.1 - ends.0 < 1.5_f64.ln() {
        return refuse(format!(
            "the order stands out of the noise in {} bursts: four are needed, at speeds that differ by half",
            speeds.len()
        ));
    }
    let Some(fit) = line(&speeds, &amplitudes) else { return refuse("the bursts are all at one speed") };
    let n = speeds.len();
    let u = fit.u_slope * student((n - 2) as f64);
    Ok(Measured { value: fit.slope, u, n, note: None })
}

/// How fast the speed changes during a burst, as a share of its mean per second: what makes a doubt of the burst's moment
/// one of its speed. The speeds of its two halves lie half its length apart.
fn drift(angle: &[f64], length: f64) -> f64 {
    let n = angle.len() - 1;
    let (first, last) = (angle[n / 2] - angle[0], angle[n] - angle[n - n / 2]);
    let mean = 0.5 * (first + last);
    ((last - first) / (mean * 0.5 * length)).abs()
}

/// The speed's channel of the view, with its uncertainty.
fn speed_of<'a>(view: &View<'a>) -> Result<&'a Series, Refusal> {
    super::window::channel(&View { of: view.name("speed")?, ..*view })
}

/// Angle of the shaft in turns at each sample of a burst, from zero on, whichever way it turns: the integral of the
/// speed, straight between its samples.
pub fn turns(burst: &Burst, speed: &Series) -> Result<Vec<f64>, Refusal> {
    if burst.laid == Laid::Unknown {
        return refuse(format!(
            "nobody said when recording `{}` began: the speed of `{}` at its moments is not known",
            burst.name, speed.name
        ));
    }
    let (begin, end) = burst.ends();
    let first = speed.t.partition_point(|t| *t <= begin).saturating_sub(1);
    let last = speed.t.partition_point(|t| *t < end).min(speed.t.len().saturating_sub(1));
    let (t, v) = (speed.t.get(first..=last).unwrap_or(&[]), speed.v.get(first..=last).unwrap_or(&[]));
    let covered = t.len() > 1 && t[0] <= begin && t[t.len() - 1] >= end;
    let longest = t.windows(2).map(|w| w[1] - w[0]).fold(0.0, f64::max);
    if !covered || longest > 0.25 * (end - begin).max(0.08) {
        return refuse(format!(
            "`{}` is not known all through the burst at {}: its samples are up to {} apart",
            speed.name,
            seconds(begin),
            seconds(longest)
        ));
    }
    let sense = v[0].signum();
    if v.iter().any(|v| v.is_nan() || v * sense <= 0.0) {
        return refuse(format!(
            "`{}` is not above zero all through the burst at {}",
            speed.name,
            seconds(begin)
        ));
    }
    let (mut at, mut k, mut angle) = (begin, 0, Vec::with_capacity(burst.len()));
    let mut turned = 0.0;
    let value = |k: usize, x: f64| (v[k] + (v[k + 1] - v[k]) * (x - t[k]) / (t[k + 1] - t[k])) * sense / TAU;
    for i in 0..burst.len() {
        let to = burst.t(i);
        while k + 2 < t.len() && t[k + 1] < to {
            turned += (t[k + 1] - at) * 0.5 * (value(k, at) + value(k, t[k + 1]));
            at = t[k + 1];
            k += 1;
        }
        turned += (to - at) * 0.5 * (value(k, at) + value(k, to));
        at = to;
        angle.push(turned);
    }
    Ok(angle)
}

/// Samples of some whole turns, weighted for the Fourier integral over the angle.
struct Block {
    angle: Vec<f64>,
    weighted: Vec<f64>,
    sum: f64,
}

impl Block {
    /// The samples from `first` on over `whole` turns.
    fn new(values: &[f64], angle: &[f64], first: usize, whole: f64) -> Block {
        let zero = angle[first];
        let end = first + angle[first..].partition_point(|a| a - zero < whole);
        let near = |i: usize| angle[(i + 1).min(angle.len() - 1)] - angle[i.saturating_sub(1).max(first)];
        let weights: Vec<f64> = (first..end)
            .map(|i| (0.5 - 0.5 * (TAU * (angle[i] - zero) / whole).cos()) * 0.5 * near(i))
            .collect();
        let sum: f64 = weights.iter().sum();
        let middle = weights.iter().zip(&values[first..end]).map(|(w, v)| w * v).sum::<f64>() / sum;
        let weighted = weights.iter().zip(&values[first..end]).map(|(w, v)| w * (v - middle)).collect();
        Block { angle: angle[first..end].to_vec(), weighted, sum }
    }

    fn len(&self) -> usize {
        self.angle.len()
    }

    /// Peak amplitude of an order.
    fn amplitude(&self, order: f64) -> f64 {
        let (mut re, mut im) = (0.0, 0.0);
        for (angle, value) in self.angle.iter().zip(&self.weighted) {
            let turn = order * angle;
            let (s, c) = (TAU * (turn - turn.floor())).sin_cos();
            re += value * c;
            im += value * s;
        }
        2.0 * f64::hypot(re, im) / self.sum
    }
}

/// Amplitudes of some orders over one stretch of whole turns.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretch {
    /// Index of its first sample.
    pub first: usize,
    /// Number of its samples.
    pub len: usize,
    /// Peak amplitude of each order asked for, in the values' unit.
    pub amplitudes: Vec<f64>,
}

/// Order tracking: amplitudes of `orders` over stretches of `whole` turns one after another. `angle` is that of the
/// shaft in turns at each value, never falling. What is left over at the end is not looked at.
pub fn track(values: &[f64], angle: &[f64], whole: usize, orders: &[f64]) -> Vec<Stretch> {
    let (mut first, mut stretches) = (0, vec![]);
    let n = values.len().min(angle.len());
    while whole > 0 && first < n && angle[n - 1] - angle[first] >= whole as f64 {
        let block = Block::new(&values[..n], &angle[..n], first, whole as f64);
        let amplitudes = orders.iter().map(|order| block.amplitude(*order)).collect();
        stretches.push(Stretch { first, len: block.len(), amplitudes });
        first += block.len().max(1);
    }
    stretches
}

/// Orders at which a rolling bearing speaks, per turn of the shaft, from its geometry: outer ring at rest, no slip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BearingOrders {
    /// A fault of the outer race is passed by a ball so often.
    pub outer_race: f64,
    /// A fault of the inner race is passed by a ball so often.
    pub inner_race: f64,
    /// A ball turns about itself so often; a fault of it strikes a race twice each time.
    pub ball_spin: f64,
    /// The cage goes round so often.
    pub cage: f64,
}

/// Orders of a bearing with `balls` balls of a diameter that is `ratio` of the pitch diameter, at a contact angle in rad
/// (textbook kinematics of rolling without slip; 1 to 2 % of slip is *common practice*).
pub fn bearing_orders(balls: u32, ratio: f64, contact: f64) -> BearingOrders {
    let c = ratio * contact.cos();
    let half = 0.5 * f64::from(balls);
    BearingOrders {
        outer_race: half * (1.0 - c),
        inner_race: half * (1.0 + c),
        ball_spin: 0.5 / ratio * (1.0 - c * c),
        cage: 0.5 * (1.0 - c),
    }
}

#[cfg(test)]
mod tests;
