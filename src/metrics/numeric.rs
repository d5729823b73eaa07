//! Small numeric helpers that the families of metrics share: sums that do not lose digits, lines,
//! ranks, and uncertainties that stay honest when neighbouring samples resemble each other.

use statrs::distribution::{Beta, Binomial, ContinuousCDF, DiscreteCDF, Normal, StudentsT};

/// Probability inside two standard uncertainties of a normal quantity. Every interval that a metric
/// turns into a standard uncertainty is taken at this level and halved, so that U = 2u is the interval.
pub const TWO_SIGMA: f64 = 0.954_499_736_103_642;

/// Nearest to one that a lag-1 correlation is taken to be: beyond this it cannot be told from a walk.
const CORRELATION_MAX: f64 = 0.999;

/// Sum with Neumaier's compensation for the digits that each addition loses.
pub fn sum(values: impl IntoIterator<Item = f64>) -> f64 {
    let (mut sum, mut lost) = (0.0_f64, 0.0_f64);
    for x in values {
        let next = sum + x;
        lost += if sum.abs() >= x.abs() { (sum - next) + x } else { (x - next) + sum };
        sum = next;
    }
    sum + lost
}

/// Arithmetic mean; NaN for no values.
pub fn mean(values: &[f64]) -> f64 {
    sum(values.iter().copied()) / values.len() as f64
}

/// Standard deviation with n - 1, in two passes; NaN below two values.
pub fn deviation(values: &[f64]) -> f64 {
    let m = mean(values);
    let squares = sum(values.iter().map(|x| (x - m).powi(2)));
    if values.len() < 2 { f64::NAN } else { (squares / (values.len() - 1) as f64).sqrt() }
}

/// Median; NaN for no values.
pub fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let half = sorted.len() / 2;
    match sorted.len() {
        0 => f64::NAN,
        n if n % 2 == 1 => sorted[half],
        _ => 0.5 * (sorted[half - 1] + sorted[half]),
    }
}

/// Autocorrelation at lag 1: products of neighbouring deviations over the sum of squares, n terms in
/// the denominator (NIST StRD definition). Zero where all values are equal.
pub fn lag1(values: &[f64]) -> f64 {
    let m = mean(values);
    let squares = sum(values.iter().map(|x| (x - m).powi(2)));
    let products = sum(values.windows(2).map(|w| (w[0] - m) * (w[1] - m)));
    if squares > 0.0 { products / squares } else { 0.0 }
}

/// Standard deviation of the part that changes from sample to sample, from successive differences
/// (von Neumann): a slow movement of the quantity itself hardly enters. Zero below two values.
pub fn noise(values: &[f64]) -> f64 {
    if values.len() < 2 {
        return 0.0;
    }
    let squares = sum(values.windows(2).map(|w| (w[1] - w[0]).powi(2)));
    (squares / (2 * (values.len() - 1)) as f64).sqrt()
}

/// Square root of the sum of squares.
pub fn joined<const N: usize>(parts: [f64; N]) -> f64 {
    sum(parts.iter().map(|x| x * x)).sqrt()
}

/// Standard uncertainty (type A) of the mean of values whose neighbours resemble each other as in a
/// first-order autoregression: s / sqrt(n) times sqrt((1 + rho) / (1 - rho)), widened by Student's factor for
/// the effective degrees of freedom. Zero where all values are equal.
pub fn mean_uncertainty(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    if values.len() < 2 {
        return f64::INFINITY;
    }
    // E(r1) = rho - (1 + 4 rho) / n about a fitted mean (Marriott and Pope 1954, from memory).
    let rho = correlation(lag1(values), 1.0, n);
    deviation(values) * ((1.0 + rho) / (1.0 - rho) / n).sqrt() * student(freedom(n, rho))
}

/// `r` freed of its small-sample bias -(p + (p + 3) rho) / n, kept between none and almost one. A negative
/// correlation is taken as none, which makes the uncertainty larger.
pub(super) fn correlation(r: f64, parameters: f64, n: f64) -> f64 {
    let free = (n - parameters - 3.0).max(1.0);
    ((n * r + parameters) / free).clamp(0.0, CORRELATION_MAX)
}

/// Effective degrees of freedom of an uncertainty that rests on an estimated scale (relative variance
/// 1/2n) and an estimated correlation ((1 + rho) / n (1 - rho) by way of 1 / (1 - rho)): GUM G.4.2 turned round.
pub(super) fn freedom(n: f64, rho: f64) -> f64 {
    0.5 / (0.5 / n + (1.0 + rho) / (n * (1.0 - rho)))
}

/// Half of the Student factor at [`TWO_SIGMA`]: a scale times this is a standard uncertainty whose U = 2u
/// is Student's interval (GUM G.3).
pub(super) fn student(freedom: f64) -> f64 {
    0.5 * student_factor(TWO_SIGMA, freedom.max(1.0))
}

/// A straight line `level + slope (t - centre)` by least squares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Mean of the times.
    pub centre: f64,
    /// Value of the line at the centre.
    pub level: f64,
    /// Slope.
    pub slope: f64,
    /// Standard deviation of the residuals with n - 2.
    pub residual: f64,
    /// Standard uncertainty of the level for independent residuals.
    pub u_level: f64,
    /// Standard uncertainty of the slope for independent residuals; level and slope are uncorrelated.
    pub u_slope: f64,
}

impl Line {
    /// Value of the line at `t`.
    pub fn at(&self, t: f64) -> f64 {
        self.level + self.slope * (t - self.centre)
    }

    /// Standard uncertainty of the line at `t` for independent residuals.
    pub fn u_at(&self, t: f64) -> f64 {
        joined([self.u_level, self.u_slope * (t - self.centre)])
    }
}

/// Fits a line; `None` below three points or where all times are equal.
pub fn line(t: &[f64], y: &[f64]) -> Option<Line> {
    let n = t.len().min(y.len());
    let (t, y) = (&t[..n], &y[..n]);
    if n < 3 {
        return None;
    }
    let (centre, level) = (mean(t), mean(y));
    let squares = sum(t.iter().map(|x| (x - centre).powi(2)));
    if squares <= 0.0 {
        return None;
    }
    let slope = sum(t.iter().zip(y).map(|(x, v)| (x - centre) * (v - level))) / squares;
    let left = sum(t.iter().zip(y).map(|(x, v)| ((v - level) - slope * (x - centre)).powi(2)));
    let residual = (left / (n - 2) as f64).sqrt();
    let u_level = residual / (n as f64).sqrt();
    Some(Line { centre, level, slope, residual, u_level, u_slope: residual / squares.sqrt() })
}

/// A slope whose uncertainty allows for neighbours that resemble each other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Slope.
    pub slope: f64,
    /// Its standard uncertainty (type A), such that U = 2u is Student's interval.
    pub u_slope: f64,
    /// Correlation of neighbours, freed of its small-sample bias.
    pub rho: f64,
    /// How many independent samples they count for.
    pub n_effective: f64,
    /// Standard deviation of what is new in each sample.
    pub innovation: f64,
}

/// Slope by least squares after removing a first-order autoregression (generalised least squares).
///
/// The correlation is estimated from the residuals of the plain line, freed of its bias
/// E(r1) = rho - (2 + 5 rho) / n about a fitted line (Marriott and Pope 1954, extended to a trend; from
/// memory), and taken to fade as rho^(dt / median dt), so gaps in sampling are allowed for. `None` below
/// eight points or where times do not ascend.
///
/// `white` is the variance of each sample that its neighbours are known not to share (rounding): it is taken
/// out of the residuals' sum of squares, or the correlation would come out too small.
pub fn trend(t: &[f64], y: &[f64], white: f64) -> Option<Trend> {
    let plain = line(t, y)?;
    let n = t.len().min(y.len());
    let steps: Vec<f64> = t[..n].windows(2).map(|w| w[1] - w[0]).collect();
    let step = median(&steps);
    if n < 8 || step <= 0.0 || steps.iter().any(|d| *d < 0.0) {
        return None;
    }
    let residuals: Vec<f64> = t.iter().zip(y).map(|(x, v)| v - plain.at(*x)).collect();
    let squares = sum(residuals.iter().map(|r| r * r));
    let shared = if squares > n as f64 * white { 1.0 - n as f64 * white / squares } else { 1.0 };
    let rho = correlation(lag1(&residuals) / shared, 2.0, n as f64);
    // Columns of the whitened problem: one, time about the centre, residual of the plain line.
    let mut rows = vec![(1.0, t[0] - plain.centre, residuals[0])];
    for (i, d) in steps.iter().enumerate() {
        let phi = rho.powf((d / step).max(0.01));
        let scale = (1.0 - phi * phi).sqrt();
        let (before, now) = (t[i] - plain.centre, t[i + 1] - plain.centre);
        let left = residuals[i + 1] - phi * residuals[i];
        rows.push(((1.0 - phi) / scale, (now - phi * before) / scale, left / scale));
    }
    let total = |f: fn(&(f64, f64, f64)) -> f64| sum(rows.iter().map(f));
    let (s11, s12, s22) = (total(|r| r.0 * r.0), total(|r| r.0 * r.1), total(|r| r.1 * r.1));
    let (s13, s23) = (total(|r| r.0 * r.2), total(|r| r.1 * r.2));
    let determinant = s11 * s22 - s12 * s12;
    let level = (s22 * s13 - s12 * s23) / determinant;
    let slope = (s11 * s23 - s12 * s13) / determinant;
    let squares = sum(rows.iter().map(|r| (r.2 - level * r.0 - slope * r.1).powi(2)));
    let scale = (squares / (n - 2) as f64).sqrt();
    let u_slope = scale * (s11 / determinant).sqrt() * student(freedom(n as f64, rho));
    Some(Trend {
        slope: plain.slope + slope,
        u_slope,
        rho,
        n_effective: n as f64 * (1.0 - rho) / (1.0 + rho),
        innovation: scale * (1.0 - rho * rho).sqrt(),
    })
}

/// Smallest step between two different values: the resolution, if the values stand on a grid. `None`
/// where all values are equal.
pub fn resolution(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    // Values that differ only in the last digits of their conversion to SI are the same reading.
    let steps = sorted.windows(2).map(|w| w[1] - w[0]).filter(|d| *d > 1e-12 * (1.0 + sorted[0].abs()));
    steps.min_by(f64::total_cmp)
}

/// Ranks (from 1) of the order statistics between which the quantile `p` lies with [`TWO_SIGMA`]
/// probability, from the binomial distribution; a rank of 0 or n + 1 says that there are too few values.
pub fn quantile_ranks(p: f64, n: usize) -> (usize, usize) {
    let Ok(binomial) = Binomial::new(p, n as u64) else { return (0, n + 1) };
    let tail = 0.5 * (1.0 - TWO_SIGMA);
    // The quantile lies below the r-th value if fewer than r of the n values do.
    let below = |r: usize| binomial.cdf(r as u64 - 1);
    let low = first_rank(n, |r| below(r) > tail) - 1;
    let high = first_rank(n, |r| below(r) >= 1.0 - tail);
    (low, high)
}

/// First rank of 1 to `n` at which `holds` becomes true for good; n + 1 if it never does.
fn first_rank(n: usize, holds: impl Fn(usize) -> bool) -> usize {
    let (mut low, mut high) = (1, n + 1);
    while low < high {
        let middle = low + (high - low) / 2;
        if holds(middle) { high = middle } else { low = middle + 1 }
    }
    low
}

/// Nearest rank (from 1) of the quantile `p` of `n` values: the smallest that leaves at least the share
/// `p` at or below it.
pub fn nearest_rank(p: f64, n: usize) -> usize {
    ((p * n as f64 - 1e-9).ceil() as usize).clamp(1, n.max(1))
}

/// Standard uncertainty of a share of `k` in `n`: half of the larger arm of the interval of [`TWO_SIGMA`]
/// probability from Jeffreys' prior, Beta(k + 1/2, n - k + 1/2); positive even where `k` is zero.
pub fn share_uncertainty(k: usize, n: usize) -> f64 {
    let Ok(beta) = Beta::new(k as f64 + 0.5, n.saturating_sub(k) as f64 + 0.5) else { return f64::INFINITY };
    let tail = 0.5 * (1.0 - TWO_SIGMA);
    let share = k as f64 / n as f64;
    let low = if k == 0 { 0.0 } else { invert(0.0, share, |x| beta.cdf(x) - tail) };
    let high = if k == n { 1.0 } else { invert(share, 1.0, |x| beta.cdf(x) - (1.0 - tail)) };
    0.5 * (high - share).max(share - low)
}

/// Half-width factor of a two-sided interval of probability `p` at `nu` >= 1 degrees of freedom (Student); the
/// normal factor for infinite `nu`. At most 1e6.
pub fn student_factor(p: f64, nu: f64) -> f64 {
    if nu.is_infinite() {
        return Normal::standard().inverse_cdf(0.5 + 0.5 * p);
    }
    let Ok(t) = StudentsT::new(0.0, 1.0, nu) else { return f64::INFINITY };
    invert(0.0, 1e6, |x| t.cdf(x) - (0.5 + 0.5 * p))
}

/// Where the ascending `f` crosses zero between `low` and `high`, by halving. The library's own inverse of the beta
/// distribution did not end for extreme degrees of freedom; this ends after 100 halvings whatever `f` does.
fn invert(mut low: f64, mut high: f64, f: impl Fn(f64) -> f64) -> f64 {
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if f(middle) < 0.0 { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests;
