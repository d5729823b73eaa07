//! Nonlinear least squares (Levenberg and Marquardt) with an uncertainty that neighbours which resemble
//! each other cannot talk small.

use super::numeric::{correlation, freedom, lag1, median, student, sum};

/// A fitted curve of `P` parameters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit<const P: usize> {
    /// The parameters.
    pub p: [f64; P],
    /// Their covariance, scaled by the residuals.
    pub covariance: [[f64; P]; P],
    /// Sum of the squared residuals (whitened, where a correlation was given).
    pub squares: f64,
}

/// A fitted curve whose uncertainty allows for correlated residuals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correlated<const P: usize> {
    /// Parameters, and their covariance such that U = 2u is Student's interval.
    pub fit: Fit<P>,
    /// Correlation of neighbouring residuals, freed of its small-sample bias.
    pub rho: f64,
    /// How many independent samples they count for.
    pub n_effective: f64,
    /// Standard deviation of what is new in each sample.
    pub innovation: f64,
}

/// Value of a curve at one place and its derivatives by the parameters.
pub type Curve<'c, const P: usize> = &'c dyn Fn(&[f64; P], f64) -> (f64, [f64; P]);

/// Steps after which a fit is given up.
const STEPS_MAX: usize = 500;

/// Relative change of every parameter and of the sum of squares at which a fit has arrived.
const ARRIVED: f64 = 1e-10;

/// Smallest pivot of the scaled normal matrix: below it the data do not tell the parameters apart.
const PIVOT_MIN: f64 = 1e-13;

/// Fits by least squares from `start`. `None` where it does not arrive, where the data do not tell the
/// parameters apart, or where there are no more points than parameters: never a figure that is only where the
/// search happened to end.
pub fn least_squares<const P: usize>(
    x: &[f64],
    y: &[f64],
    start: [f64; P],
    curve: Curve<'_, P>,
) -> Option<Fit<P>> {
    let phi = vec![0.0; x.len().saturating_sub(1)];
    search(x, y, start, curve, &phi)
}

/// As [`least_squares`], then once more with the residuals' first-order autoregression taken out, as
/// [`trend`](super::numeric::trend) does for a line; `white` is the variance of each sample that its neighbours are
/// known not to share.
pub fn correlated_squares<const P: usize>(
    x: &[f64],
    y: &[f64],
    start: [f64; P],
    curve: Curve<'_, P>,
    white: f64,
) -> Option<Correlated<P>> {
    let plain = least_squares(x, y, start, curve)?;
    let n = x.len() as f64;
    let residuals: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - curve(&plain.p, *x).0).collect();
    let shared = if plain.squares > n * white { 1.0 - n * white / plain.squares } else { 1.0 };
    let rho = correlation(lag1(&residuals) / shared, P as f64, n);
    let steps: Vec<f64> = x.windows(2).map(|w| w[1] - w[0]).collect();
    let step = median(&steps);
    if step <= 0.0 || steps.iter().any(|d| *d < 0.0) {
        return None;
    }
    let phi: Vec<f64> = steps.iter().map(|d| rho.powf((d / step).max(0.01))).collect();
    let mut fit = search(x, y, plain.p, curve, &phi)?;
    let widened = student(freedom(n, rho)).powi(2);
    fit.covariance.iter_mut().flatten().for_each(|c| *c *= widened);
    let scale = (fit.squares / (n - P as f64)).sqrt();
    let n_effective = n * (1.0 - rho) / (1.0 + rho);
    Some(Correlated { fit, rho, n_effective, innovation: scale * (1.0 - rho * rho).sqrt() })
}

/// Normal equations at a point: J'J, J'r and r'r of the rows whitened by the correlation `phi` of each
/// sample with the one before it.
struct Normal<const P: usize> {
    matrix: [[f64; P]; P],
    gradient: [f64; P],
    squares: f64,
    /// Sum of the squares of the values themselves: what rounding is held against.
    total: f64,
}

fn normal<const P: usize>(
    x: &[f64],
    y: &[f64],
    p: &[f64; P],
    curve: Curve<'_, P>,
    phi: &[f64],
) -> Option<Normal<P>> {
    let mut normal = Normal { matrix: [[0.0; P]; P], gradient: [0.0; P], squares: 0.0, total: 0.0 };
    let mut squares = Vec::with_capacity(x.len());
    let mut before: Option<(f64, [f64; P])> = None;
    for (i, (x, y)) in x.iter().zip(y).enumerate() {
        let (value, slopes) = curve(p, *x);
        let now = (y - value, slopes);
        let (mut r, mut j) = now;
        if let (Some((r0, j0)), true) = (before, i > 0) {
            let phi = phi[i - 1];
            let scale = (1.0 - phi * phi).sqrt();
            r = (r - phi * r0) / scale;
            j.iter_mut().zip(j0).for_each(|(j, j0)| *j = (*j - phi * j0) / scale);
        }
        before = Some(now);
        squares.push(r * r);
        for a in 0..P {
            normal.gradient[a] += j[a] * r;
            for b in 0..P {
                normal.matrix[a][b] += j[a] * j[b];
            }
        }
    }
    normal.squares = sum(squares);
    normal.total = y.iter().map(|y| y * y).sum();
    let finite = normal.squares.is_finite() && normal.matrix.iter().flatten().all(|m| m.is_finite());
    finite.then_some(normal)
}

fn search<const P: usize>(
    x: &[f64],
    y: &[f64],
    start: [f64; P],
    curve: Curve<'_, P>,
    phi: &[f64],
) -> Option<Fit<P>> {
    if x.len() <= P || x.len() != y.len() {
        return None;
    }
    let (mut p, mut damping) = (start, 1e-3);
    let mut here = normal(x, y, &p, curve, phi)?;
    for _ in 0..STEPS_MAX {
        let mut damped = here.matrix;
        (0..P).for_each(|i| damped[i][i] *= 1.0 + damping);
        let step = solve(damped, here.gradient);
        let next = step.map(|step| std::array::from_fn(|i| p[i] + step[i]));
        let there = next.as_ref().and_then(|next| normal(x, y, next, curve, phi));
        match (step, next, there) {
            (Some(step), Some(next), Some(there)) if there.squares <= here.squares => {
                let small = (0..P).all(|i| step[i].abs() <= ARRIVED * p[i].abs().max(f64::MIN_POSITIVE));
                let gained = here.squares - there.squares;
                let still = gained <= ARRIVED * ARRIVED * here.squares;
                (p, here) = (next, there);
                damping = (damping * 0.2).max(1e-12);
                if small || still && newton_is_small(&here) {
                    break;
                }
            }
            // Rounding leaves no smaller sum of squares to be found: the place is the smallest one.
            _ if newton_is_small(&here) => break,
            _ => {
                damping *= 5.0;
                if damping > 1e12 {
                    return None;
                }
            }
        }
    }
    polished(x, y, p, curve, phi)
}

/// Two undamped steps from the bottom: the sum of squares is flat to rounding there, the parameters are not.
/// `None` where the steps are not small, that is where the search ended elsewhere.
fn polished<const P: usize>(
    x: &[f64],
    y: &[f64],
    mut p: [f64; P],
    curve: Curve<'_, P>,
    phi: &[f64],
) -> Option<Fit<P>> {
    let mut here = normal(x, y, &p, curve, phi)?;
    for _ in 0..2 {
        if !newton_is_small(&here) {
            return None;
        }
        let step = solve(here.matrix, here.gradient)?;
        p = std::array::from_fn(|i| p[i] + step[i]);
        here = normal(x, y, &p, curve, phi)?;
    }
    arrived(p, &here, x.len())
}

/// Whether an undamped step could not lower the sum of squares any more but for rounding: this is its bottom, and
/// not a plain into which the search crept, from which such a step leads far.
fn newton_is_small<const P: usize>(here: &Normal<P>) -> bool {
    solve(here.matrix, here.gradient).is_some_and(|step| {
        let gain: f64 = (0..P).map(|i| step[i] * here.gradient[i]).sum();
        gain <= 1e-10 * here.squares || gain <= 1e-24 * here.total
    })
}

fn arrived<const P: usize>(p: [f64; P], here: &Normal<P>, n: usize) -> Option<Fit<P>> {
    let scale = here.squares / (n - P) as f64;
    let mut covariance = [[0.0; P]; P];
    for (i, row) in covariance.iter_mut().enumerate() {
        let unit = std::array::from_fn(|j| f64::from(u8::from(i == j)));
        *row = solve(here.matrix, unit)?.map(|c| c * scale);
    }
    Some(Fit { p, covariance, squares: here.squares })
}

/// Solves a symmetric positive system by Cholesky after scaling its diagonal to one; `None` where it is
/// singular to rounding.
pub fn solve<const P: usize>(matrix: [[f64; P]; P], right: [f64; P]) -> Option<[f64; P]> {
    let scale: [f64; P] = std::array::from_fn(|i| matrix[i][i].sqrt());
    if scale.iter().any(|s| !(s.is_finite() && *s > 0.0)) {
        return None;
    }
    let mut low = [[0.0; P]; P];
    for i in 0..P {
        for j in 0..=i {
            let done: f64 = (0..j).map(|k| low[i][k] * low[j][k]).sum();
            let left = matrix[i][j] / (scale[i] * scale[j]) - done;
            if i == j {
                if left.is_nan() || left <= PIVOT_MIN {
                    return None;
                }
                low[i][i] = left.sqrt();
            } else {
                low[i][j] = left / low[j][j];
            }
        }
    }
    let mut z = [0.0; P];
    for i in 0..P {
        let done: f64 = (0..i).map(|k| low[i][k] * z[k]).sum();
        z[i] = (right[i] / scale[i] - done) / low[i][i];
    }
    let mut solution = [0.0; P];
    for i in (0..P).rev() {
        let done: f64 = (i + 1..P).map(|k| low[k][i] * solution[k]).sum();
        solution[i] = (z[i] - done) / low[i][i];
    }
    Some(std::array::from_fn(|i| solution[i] / scale[i]))
}

#[cfg(test)]
mod tests;
