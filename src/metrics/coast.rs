//! Coasting down: what drags, and what turns. dw/dt = -(a + b w + c w^2) / J, fitted in its integral
//! w(t) = w0 - (a t + b int w + c int w^2) / J, so that noise is averaged and never differentiated.

use super::fit::{Correlated, correlated_squares};
use super::numeric::{joined, mean, noise};
use super::operand::{Known, Operand, Takes};
use super::window::{Window, refuse, samples, value_text, whole, window};
use super::{Direction, Entry, Measured, Refusal, Subject, View};
use crate::columns::Span;
use crate::units::{Dim, Kind};

pub(super) const DRAG: Entry = Entry {
    id: "coast_drag",
    version: 1,
    about: "drag torque at the speed under `at_speed` from a coast-down: `inertia` times the deceleration that a \
            Coulomb, a viscous and a windage part together give, by least squares on the integral of dw/dt = -(a + b \
            w + c w^2)/J over samples above a tenth of the first speed; uncertainty from the fit (Student, residuals \
            as a first-order autoregression), the channel and the ends given for the inertia (uniform); refuses cut \
            spans, missing samples, fewer than 40, speed that does not fall to 0.7 of the first, speed that rises, a \
            speed outside those coasted through",
    direction: Direction::LowerIsBetter,
    subject: Subject::Channel,
    kind: |_| torque(),
    needs_band: false,
    operands: &[INERTIA, AT_SPEED],
    compute: drag,
};

pub(super) const COULOMB: Entry = Entry {
    id: "coast_coulomb",
    version: 1,
    about: "part of the drag torque of `coast_drag` that does not depend on speed; needs a coast-down to well below \
            half of the first speed to be told from the other parts, or its uncertainty is large; refuses as \
            `coast_drag` does",
    operands: &[INERTIA],
    compute: |view| part(view, 0),
    ..DRAG
};

pub(super) const VISCOUS: Entry = Entry {
    id: "coast_viscous",
    version: 1,
    about: "part of the drag of `coast_drag` that grows with speed, per rad/s; refuses as `coast_drag` does",
    kind: |_| Kind {
        dim: Dim { mass: 1, length: 2, time: -1, angle: -1, ..Dim::default() },
        ..Kind::default()
    },
    operands: &[INERTIA],
    compute: |view| part(view, 1),
    ..DRAG
};

pub(super) const WINDAGE: Entry = Entry {
    id: "coast_windage",
    version: 1,
    about: "part of the drag of `coast_drag` that grows with the square of speed, per (rad/s)^2; refuses as \
            `coast_drag` does",
    kind: |_| Kind { dim: Dim { mass: 1, length: 2, angle: -2, ..Dim::default() }, ..Kind::default() },
    operands: &[INERTIA],
    compute: |view| part(view, 2),
    ..DRAG
};

pub(super) const INERTIA_BY_DRAG: Entry = Entry {
    id: "coast_inertia",
    version: 1,
    about: "inertia of everything that coasts, at the shaft: `drag_torque`, known at the speed under `at_speed` \
            (such as from holding that speed), over the deceleration there; uncertainty from the fit, the channel \
            and the ends given for the torque; refuses as `coast_drag` does",
    direction: Direction::Neither,
    kind: |_| inertia(),
    operands: &[
        Operand::needed("drag_torque", Takes::Quantity, "drag torque at that speed, one value or two ends"),
        AT_SPEED,
    ],
    compute: inertia_by_drag,
    ..DRAG
};

pub(super) const INERTIA_BY_ADDED: Entry = Entry {
    id: "coast_inertia_added",
    version: 1,
    about: "inertia without what was added, from two coast-downs at equal drag: the segment under `before` without \
            and the span with `added_inertia`; J = added x d2 / (d1 - d2) with the decelerations at the speed under \
            `at_speed`; uncertainty from both fits and the ends given; refuses as `coast_drag` does for each, and \
            decelerations that do not differ",
    direction: Direction::Neither,
    kind: |_| inertia(),
    operands: &[
        Operand::needed("before", Takes::Segment, "the coast-down without the added inertia"),
        Operand::needed("added_inertia", Takes::Quantity, "what was added, one value or two ends"),
        AT_SPEED,
    ],
    compute: inertia_by_added,
    ..DRAG
};

const INERTIA: Operand = Operand::needed(
    "inertia",
    Takes::Quantity,
    "inertia of everything that coasts, at the shaft, one value or two ends",
);
const AT_SPEED: Operand =
    Operand::needed("at_speed", Takes::Quantity, "the speed that is meant, within those coasted through");

/// Fewest samples.
pub(super) const SAMPLES: usize = 40;
/// Speed down to which the three parts stand for the drag, in parts of the first: near rest a joint sticks.
pub(super) const LOW_SHARE: f64 = 0.1;
/// Part of the first speed that the last must have fallen below.
const FALL: f64 = 0.7;

const fn torque() -> Kind {
    plain(Dim { mass: 1, length: 2, time: -2, current: 0, temperature: 0, angle: 0 })
}

const fn inertia() -> Kind {
    plain(Dim { mass: 1, length: 2, time: 0, current: 0, temperature: 0, angle: 0 })
}

const fn plain(dim: Dim) -> Kind {
    let (form, across) = (crate::units::Form::Plain, crate::units::Across::Plain);
    Kind { dim, absolute: false, electrical: false, form, across }
}

/// The deceleration of one coast-down as a function of speed.
pub(super) struct Coast {
    /// Speed at the begin, and per second and part of the first speed: a/J, b/J w1, c/J w1^2, all in rad/s^2.
    fit: Correlated<4>,
    /// First speed, to which the parts are scaled, rad/s.
    pub first: f64,
    /// The moment of the first speed, s.
    pub began: f64,
    /// Last speed used, rad/s.
    last: f64,
    /// Standard uncertainty of the channel, rad/s.
    u_speed: f64,
    pub n: usize,
}

impl Coast {
    /// Deceleration at a speed in rad/s^2, and its standard uncertainty.
    pub fn at(&self, speed: f64) -> (f64, f64) {
        let x = speed / self.first;
        let by = [0.0, 1.0, x, x * x];
        let value = (1..4).map(|i| by[i] * self.fit.fit.p[i]).sum();
        let c = &self.fit.fit.covariance;
        let variance: f64 = (1..4).map(|i| (1..4).map(|j| by[i] * by[j] * c[i][j]).sum::<f64>()).sum();
        let slope = (self.fit.fit.p[2] + 2.0 * x * self.fit.fit.p[3]) / self.first;
        (value, joined([variance.max(0.0).sqrt(), slope * self.u_speed]))
    }

    /// One of the three parts of the deceleration, by the power of speed that it grows with, and its uncertainty.
    pub fn part(&self, power: usize) -> (f64, f64) {
        let (p, c) = (&self.fit.fit.p, &self.fit.fit.covariance);
        let scale = self.first.powi(power as i32);
        // An offset of the channel shifts a + b w + c w^2 along w: each part takes a share of the next.
        let next = if power < 2 { (power + 1) as f64 * p[2 + power] / self.first / scale } else { 0.0 };
        let u = joined([c[1 + power][1 + power].sqrt() / scale, next * self.u_speed]);
        (p[1 + power] / scale, u)
    }
}

/// Fits the coast-down in a span.
pub(super) fn coast(view: &View<'_>, span: &Span) -> Result<Coast, Refusal> {
    whole(span)?;
    let all = samples(&View { span, ..*view }, SAMPLES)?;
    if all.series.unit.kind != crate::units::parse_unit("rad/s").map(|u| u.kind).unwrap_or_default() {
        return refuse(format!("`{}` is a {} and no speed of a shaft", view.of, all.series.unit.kind.name()));
    }
    let head = mean(&all.v[..5]);
    let low = LOW_SHARE * head.abs();
    let end =
        all.v.iter().position(|v| v * head.signum() < low).map_or(span.t1, |i| all.t[i.saturating_sub(1)]);
    let used = window(all.series, &Span { t1: end, ..span.clone() }, span.t0, SAMPLES)?;
    let speed: Vec<f64> = used.v.iter().map(|v| v * head.signum()).collect();
    falls(&used, &speed)?;
    let first = mean(&speed[..5]);
    let (linear, square) = integrals(&used, &speed, first);
    let index: Vec<f64> = (0..used.n()).map(|i| i as f64).collect();
    let t0 = used.t[0];
    let curve = |p: &[f64; 4], x: f64| {
        let i = x as usize;
        let by = [1.0, t0 - used.t[i], -linear[i], -square[i]];
        ((0..4).map(|k| p[k] * by[k]).sum(), by)
    };
    let slowing = (first - speed[used.n() - 1]) / (used.t[used.n() - 1] - t0);
    let start = [first, slowing, 0.1 * slowing, 0.1 * slowing];
    let Some(fit) = correlated_squares(&index, &speed, start, &curve, 0.0) else {
        return refuse(format!("no drag of three parts fits `{}` over `{}`", view.of, span.name));
    };
    let last = mean(&speed[used.n() - 5..]);
    let began = mean(&used.t[..5]);
    Ok(Coast { fit, first, began, last, u_speed: used.series.u, n: used.n() })
}

/// Refuses speed that does not fall far enough or rises on the way.
fn falls(used: &Window<'_>, speed: &[f64]) -> Result<(), Refusal> {
    let n = speed.len();
    let (first, last) = (mean(&speed[..5]), mean(&speed[n - 5..]));
    let unit = &used.series.unit;
    if last.is_nan() || first <= 0.0 || last > FALL * first {
        return refuse(format!(
            "`{}` goes from {} to {}: a coast-down must fall to {FALL} of its first speed",
            used.series.name,
            value_text(unit, first),
            value_text(unit, last)
        ));
    }
    let tenths: Vec<f64> = speed.chunks(n.div_ceil(10)).map(mean).collect();
    let doubt = 3.0 * noise(speed) + 2.0 * used.series.u;
    if tenths.windows(2).any(|w| w[1] > w[0] + doubt) {
        return refuse(format!("`{}` rises on the way: it is not coasting", used.series.name));
    }
    Ok(())
}

/// Integrals over time of speed / first and of its square, by trapezoids; the noise's own square is taken out.
fn integrals(used: &Window<'_>, speed: &[f64], first: f64) -> (Vec<f64>, Vec<f64>) {
    let own = noise(speed).powi(2);
    let (mut linear, mut square) = (vec![0.0], vec![0.0]);
    for i in 1..used.n() {
        let dt = used.t[i] - used.t[i - 1];
        let both = |f: &dyn Fn(f64) -> f64| 0.5 * dt * (f(speed[i - 1]) + f(speed[i]));
        linear.push(linear[i - 1] + both(&|w| w / first));
        square.push(square[i - 1] + both(&|w| (w * w - own) / (first * first)));
    }
    (linear, square)
}

/// The speed under `at_speed`, within what was coasted through.
fn at_speed(view: &View<'_>, coast: &Coast) -> Result<f64, Refusal> {
    let speed = view.known("at_speed")?.value.abs();
    let room = 0.02 * coast.first;
    if speed < coast.last - room || speed > coast.first + room {
        let unit = crate::units::parse_unit("rpm").map_err(|e| Refusal { why: e.message })?;
        return refuse(format!(
            "{} was not coasted through: from {} to {}",
            value_text(&unit, speed),
            value_text(&unit, coast.first),
            value_text(&unit, coast.last)
        ));
    }
    Ok(speed)
}

/// An inertia or torque that must be above zero.
fn positive(view: &View<'_>, key: &str) -> Result<Known, Refusal> {
    let known = view.known(key)?;
    if known.value > 0.0 { Ok(known) } else { refuse(format!("`{key}` is not above zero")) }
}

fn drag(view: &View<'_>) -> Result<Measured, Refusal> {
    let (coast, inertia) = (coast(view, view.span)?, positive(view, "inertia")?);
    let (slowing, u) = coast.at(at_speed(view, &coast)?);
    let u = joined([inertia.value * u, inertia.u * slowing]);
    Ok(Measured { value: inertia.value * slowing, u, n: coast.n, note: None })
}

/// One of the three parts, by the power of speed that it grows with.
fn part(view: &View<'_>, power: usize) -> Result<Measured, Refusal> {
    let (coast, inertia) = (coast(view, view.span)?, positive(view, "inertia")?);
    let (value, u) = coast.part(power);
    let u = joined([inertia.value * u, inertia.u * value]);
    let value = inertia.value * value;
    let note = (value.abs() < 2.0 * u).then(|| "no larger than its uncertainty".to_string());
    Ok(Measured { value, u, n: coast.n, note })
}

fn inertia_by_drag(view: &View<'_>) -> Result<Measured, Refusal> {
    let (coast, torque) = (coast(view, view.span)?, positive(view, "drag_torque")?);
    let (slowing, u) = coast.at(at_speed(view, &coast)?);
    if slowing.is_nan() || slowing <= 2.0 * u {
        return refuse("the deceleration there is no larger than its uncertainty");
    }
    let value = torque.value / slowing;
    let u = value * joined([torque.u / torque.value, u / slowing]);
    Ok(Measured { value, u, n: coast.n, note: None })
}

fn inertia_by_added(view: &View<'_>) -> Result<Measured, Refusal> {
    let added = positive(view, "added_inertia")?;
    let (alone, with) = (coast(view, view.segment("before")?)?, coast(view, view.span)?);
    let speed = at_speed(view, &alone).and(at_speed(view, &with))?;
    let ((d1, u1), (d2, u2)) = (alone.at(speed), with.at(speed));
    let apart = d1 - d2;
    if apart.is_nan() || apart <= 2.0 * joined([u1, u2]) {
        return refuse("the added inertia does not slow the coasting down beyond the uncertainty");
    }
    let value = added.value * d2 / apart;
    // dJ/dd1 = -added d2 / apart^2, dJ/dd2 = added d1 / apart^2.
    let u = joined([
        added.u * d2 / apart,
        added.value * d2 / apart.powi(2) * u1,
        added.value * d1 / apart.powi(2) * u2,
    ]);
    Ok(Measured { value, u, n: alone.n + with.n, note: None })
}

#[cfg(test)]
mod tests;
