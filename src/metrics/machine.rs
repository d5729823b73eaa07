//! What a machine is, from what its controller's current loops see: resistance, flux of the magnets, and, from a steady
//! speed and the coast-down after it, inertia and drag.
//!
//! Currents and voltages along d and q are peak values of phase quantities, amplitude-invariant, so that the power is
//! 3/2 (v_d i_d + v_q i_q) (any textbook on field-oriented control; IEC 60034 has no words for it).

use super::coast::{self, Coast, coast};
use super::numeric::{joined, mean, mean_uncertainty, median};
use super::operand::{Operand, Takes};
use super::window::{channel, other, refuse, samples, seconds, value_text};
use super::{Direction, Entry, Measured, Refusal, Subject, View};
use crate::columns::Span;
use crate::units::{Dim, Form, Kind, parse_unit, rounded_text};

pub(super) const DC_RESISTANCE: Entry = Entry {
    id: "dc_resistance",
    version: 2,
    about: "resistance of a phase at standstill: what the voltage under `with` gains from the segment `before` to the \
            span, over what the current gains, so that constant drops cancel; with `winding` as copper has it at 20 °C; \
            uncertainty from the scatter of all means and from the channels, each taken as independent at the two \
            currents; refuses cut spans, missing samples, a current that gains less than ten times its uncertainty",
    direction: Direction::Neither,
    subject: Subject::Channel,
    kind: |_| plain(Dim { mass: 1, length: 2, time: -3, current: -2, ..Dim::default() }),
    needs_band: false,
    operands: &[
        Operand::needed("with", Takes::Channel(voltage), "the voltage along the current"),
        Operand::needed("before", Takes::Segment, "the segment with the smaller current"),
        Operand::optional(
            "winding",
            Takes::Channel(|_| temperature()),
            "the channel of the winding's temperature; as warm as the winding is if absent",
        ),
    ],
    compute: dc_resistance,
};

pub(super) const LINKED_FLUX: Entry = Entry {
    id: "linked_flux",
    version: 1,
    about: "flux of the magnets linked with a phase, peak: the voltage across the magnets less `resistance` times the \
            current, over the electrical speed (v_q = R i_q + w psi, with no current along the field); uncertainty \
            from the scatter of the means, the channels and the ends given for the resistance (uniform); refuses cut \
            spans, missing samples, a speed below ten times its uncertainty",
    kind: |_| plain(Dim { mass: 1, length: 2, time: -2, current: -1, ..Dim::default() }),
    operands: &[
        Operand::needed("current", Takes::Channel(current), "the current across the magnets"),
        Operand::needed("speed", Takes::Channel(speed), "the shaft's speed"),
        RESISTANCE,
        Operand::needed("turn", Takes::Turn, "\"electrical\" for the pole pairs of the unit file"),
    ],
    compute: linked_flux,
    ..DC_RESISTANCE
};

pub(super) const HOLDING_INERTIA: Entry = Entry {
    id: "holding_inertia",
    version: 2,
    about: "inertia of everything that turns, at the shaft: the torque that holds the speed of the segment `before`, from \
            the power that the machine takes less its copper loss, over the deceleration at that speed in the \
            coast-down of the span, from behind a gap at its begin or in its first quarter, by which no more than 0.4 of the \
            speed is lost; uncertainty from fit, means, channels and the ends given for the resistance; refuses as \
            `coast_drag` does, a coast-down that is over too soon for its samples, and one that does not begin at the \
            speed held",
    kind: |_| plain(Dim { mass: 1, length: 2, ..Dim::default() }),
    operands: HOLDING,
    compute: |view| holding(view, |_, inertia| inertia),
    ..DC_RESISTANCE
};

pub(super) const HOLDING_FRICTION: Entry = Entry {
    id: "holding_friction",
    version: 2,
    about: "part of the drag torque that does not depend on speed, by `holding_inertia` and its coast-down; refuses as \
            `holding_inertia` does",
    direction: Direction::LowerIsBetter,
    kind: |_| plain(Dim { mass: 1, length: 2, time: -2, ..Dim::default() }),
    compute: |view| holding(view, |coast, inertia| part(coast, inertia, 0)),
    ..HOLDING_INERTIA
};

pub(super) const HOLDING_DRAG: Entry = Entry {
    id: "holding_drag",
    version: 2,
    about: "part of the drag that grows with speed, per rad/s, by `holding_inertia` and its coast-down; needs speeds \
            at which it is a good part of the whole, or its uncertainty is large; refuses as `holding_inertia` does",
    kind: |_| plain(Dim { mass: 1, length: 2, time: -1, angle: -1, ..Dim::default() }),
    compute: |view| holding(view, |coast, inertia| part(coast, inertia, 1)),
    ..HOLDING_FRICTION
};

const RESISTANCE: Operand =
    Operand::needed("resistance", Takes::Quantity, "resistance of a phase, one value or two ends");
const HOLDING: &[Operand] = &[
    Operand::needed("with", Takes::Channel(q_voltage), "the voltage across the magnets"),
    Operand::needed("current", Takes::Channel(q_current), "the current across the magnets"),
    RESISTANCE,
    Operand::needed("before", Takes::Segment, "the segment at a steady speed"),
];

/// Fewest samples of a mean.
const SAMPLES: usize = 20;
/// How many times its uncertainty a divisor must be.
const CLEAR: f64 = 10.0;
/// How far the speed at the begin of the coast-down, to which the fit reaches back, may be from the speed held, as a share.
const SAME_SPEED: f64 = 0.2;
/// How much of its speed the shaft may lose while the link is quiet after the stop, as a share: the fit reaches back over that,
/// its uncertainty grows with it, and beyond this it is the model that speaks and not the samples.
const LOST_MAX: f64 = 0.4;
/// What a coast-down from another speed is refused with.
const OTHER_SPEED: &str = "the coast-down does not begin at the speed held";
/// Part of the coast-down in which a gap is looked for, and how many usual steps it has.
const EARLY: f64 = 0.25;
const GAP: f64 = 5.0;

const fn plain(dim: Dim) -> Kind {
    let (form, across) = (Form::Plain, crate::units::Across::Plain);
    Kind { dim, absolute: false, electrical: false, form, across }
}

const VOLTAGE: Dim = Dim { mass: 1, length: 2, time: -3, current: -1, temperature: 0, angle: 0 };
const CURRENT: Dim = Dim { mass: 0, length: 0, time: 0, current: 1, temperature: 0, angle: 0 };
const SPEED: Dim = Dim { mass: 0, length: 0, time: -1, current: 0, temperature: 0, angle: 1 };

/// A voltage of the same form as the current, and the other way round.
fn voltage(of: Kind) -> Kind {
    Kind { dim: VOLTAGE, ..of }
}

fn current(of: Kind) -> Kind {
    Kind { dim: CURRENT, ..of }
}

fn temperature() -> Kind {
    Kind { absolute: true, ..plain(Dim { temperature: 1, ..Dim::default() }) }
}

fn speed(_: Kind) -> Kind {
    plain(SPEED)
}

fn q_voltage(_: Kind) -> Kind {
    Kind { form: Form::Peak, ..plain(VOLTAGE) }
}

fn q_current(_: Kind) -> Kind {
    Kind { form: Form::Peak, ..plain(CURRENT) }
}

/// A mean and its standard uncertainty, the channel's in it.
#[derive(Clone, Copy)]
struct Level {
    value: f64,
    u: f64,
    n: usize,
}

fn level(view: &View<'_>, span: &Span, key: Option<&str>) -> Result<Level, Refusal> {
    let view = View { span, ..*view };
    let all = match key {
        Some(key) => other(&view, key, SAMPLES)?,
        None => samples(&view, SAMPLES)?,
    };
    let u = joined([mean_uncertainty(all.v), all.series.u]);
    Ok(Level { value: mean(all.v), u, n: all.n() })
}

/// A resistance of copper and its uncertainty at 20 °C, from those at a temperature: it goes as 235 °C and that temperature (IEC
/// 60034-1, from memory).
fn at_20_degrees(value: f64, u: f64, winding: Level) -> (f64, f64) {
    let above = 235.0 + winding.value - 273.15;
    let share = (235.0 + 20.0) / above;
    (value * share, share * joined([u, value * winding.u / above]))
}

fn dc_resistance(view: &View<'_>) -> Result<Measured, Refusal> {
    let low = view.segment("before")?;
    let (i_low, i_high) = (level(view, low, None)?, level(view, view.span, None)?);
    let (v_low, v_high) = (level(view, low, Some("with"))?, level(view, view.span, Some("with"))?);
    let (current, u_current) = (i_high.value - i_low.value, joined([i_high.u, i_low.u]));
    let (voltage, u_voltage) = (v_high.value - v_low.value, joined([v_high.u, v_low.u]));
    if current.is_nan() || current <= CLEAR * u_current {
        return refuse(format!("`{}` hardly gains from `{}` to `{}`", view.of, low.name, view.span.name));
    }
    let warm = voltage / current;
    let u_warm = joined([u_voltage / current, warm * u_current / current]);
    let (value, u) = match view.name("winding") {
        Err(_) => (warm, u_warm),
        Ok(_) => at_20_degrees(warm, u_warm, level(view, view.span, Some("winding"))?),
    };
    Ok(Measured { value, u, n: i_low.n + i_high.n, note: None })
}

fn linked_flux(view: &View<'_>) -> Result<Measured, Refusal> {
    let (v, i) = (level(view, view.span, None)?, level(view, view.span, Some("current"))?);
    let (w, r) = (level(view, view.span, Some("speed"))?, view.known("resistance")?);
    let pairs = view.known("turn")?.value;
    if w.value.is_nan() || w.value.abs() <= CLEAR * w.u {
        return refuse("the shaft hardly turns");
    }
    let electrical = pairs * w.value;
    let value = (v.value - r.value * i.value) / electrical;
    let u = joined([
        v.u / electrical,
        r.u * i.value / electrical,
        r.value * i.u / electrical,
        value * w.u / w.value,
    ]);
    Ok(Measured { value, u, n: v.n, note: None })
}

/// A figure from the torque that holds a speed and the coast-down from it: value and uncertainty of the inertia go in.
fn holding(view: &View<'_>, figure: fn(&Coast, (f64, f64)) -> (f64, f64)) -> Result<Measured, Refusal> {
    let hold = view.segment("before")?;
    let (v, i) = (level(view, hold, Some("with"))?, level(view, hold, Some("current"))?);
    let (w, r) = (level(view, hold, None)?, view.known("resistance")?);
    if w.value.is_nan() || w.value.abs() <= CLEAR * w.u {
        return refuse("the shaft hardly turns");
    }
    let power = 1.5 * (v.value * i.value - r.value * i.value * i.value);
    let torque = power / w.value.abs();
    let u_torque = joined([
        1.5 * v.u * i.value,
        1.5 * (v.value - 2.0 * r.value * i.value) * i.u,
        1.5 * r.u * i.value * i.value,
        power * w.u / w.value,
    ]) / w.value.abs();
    let (span, speed) = (running_down(view)?, w.value.abs());
    long_enough(view, &span, speed, torque)?;
    let coast = coast(view, &span)?;
    let (slowing, u_slowing) = coast.at(speed);
    let begin = coast.first + coast.at(coast.first).0 * (coast.began - view.span.t0);
    if begin.is_nan() || (begin - speed).abs() > SAME_SPEED * speed {
        return refuse(OTHER_SPEED);
    }
    if slowing.is_nan() || slowing <= 2.0 * u_slowing || torque <= 2.0 * u_torque {
        return refuse("torque or deceleration there is no larger than its uncertainty");
    }
    let inertia = torque / slowing;
    let u_inertia = inertia * joined([u_torque / torque, u_slowing / slowing]);
    let (value, u) = figure(&coast, (inertia, u_inertia));
    Ok(Measured { value, u, n: coast.n + v.n, note: None })
}

/// The coast-down from where nothing drives any more: a stop abandons what is under way, and a link that lost a reply is
/// quiet for a while, in which the torque goes off. However stiff the shaft, that takes as long; nothing of it is used.
fn running_down(view: &View<'_>) -> Result<Span, Refusal> {
    let (series, span) = (channel(view)?, view.span);
    let t = &series.t[series.within(span.t0, span.t1)];
    let steps: Vec<f64> = t.windows(2).map(|w| w[1] - w[0]).collect();
    let (usual, early) = (median(&steps), span.t0 + EARLY * (span.t1 - span.t0));
    let moments: Vec<f64> = [span.t0].into_iter().chain(t.iter().copied()).collect();
    let gaps = moments.windows(2).filter(|w| w[0] < early && w[1] - w[0] > GAP * usual);
    let t0 = gaps.map(|w| w[1]).next_back().unwrap_or(span.t0);
    Ok(Span { t0, ..span.clone() })
}

/// Refuses a coast-down that is over too soon, which looks like a bad line and is a stiff shaft. Under a drag that hardly depends
/// on speed what is lost in a length of time goes as the drag, and how long the whole takes as one over it.
fn long_enough(view: &View<'_>, span: &Span, speed: f64, torque: f64) -> Result<(), Refusal> {
    let series = channel(view)?;
    let within = series.within(span.t0, span.t1);
    let (t, v) = (&series.t[within.clone()], &series.v[within]);
    let (there, lost) =
        (v.len(), series.lost_within(span.t0, span.t1) + series.missed_within(span.t0, span.t1));
    if there < 5 || 10 * lost > there || torque.is_nan() || torque <= 0.0 {
        // Nothing that could be said of a drag; where rows are lost it is the line that is looked at.
        return Ok(());
    }
    let first = mean(&v[..5]).abs();
    let n = v.iter().position(|v| v.abs() < coast::LOW_SHARE * first).unwrap_or(there);
    let (late, took) = (mean(&t[..5]) - view.span.t0, t[n.saturating_sub(1)] - t[0]);
    let (gone, step) = ((speed - first) / speed, took / (n.max(2) - 1) as f64);
    // By the drag of the rest it was at this speed when it began to coast.
    let begin = first + (1.0 - coast::LOW_SHARE) * first / took.max(step) * late;
    let serves = if gone > LOST_MAX && (begin - speed).abs() <= SAME_SPEED * speed {
        torque * LOST_MAX / gone
    } else if gone > LOST_MAX {
        return refuse(OTHER_SPEED);
    } else if n < coast::SAMPLES {
        torque * (late + took) / (late + coast::SAMPLES as f64 * step)
    } else {
        return Ok(());
    };
    let nm = parse_unit("Nm").map_err(|e| Refusal { why: e.message })?;
    let drag = |torque: f64| format!("{} Nm", rounded_text(&nm, torque, Some(0.1 * torque)));
    refuse(format!(
        "the coast-down is too short for the drag: {} hold {}, {} after its begin it is {}, and a tenth of that {n} samples \
         later ({}); expected no more than {} % lost by then and {} samples, which serves for a drag of up to about {}: look for \
         what binds, coast from a higher speed, or poll more often",
        drag(torque),
        value_text(&series.unit, speed),
        seconds(late),
        value_text(&series.unit, first),
        seconds(took),
        100.0 * LOST_MAX,
        coast::SAMPLES,
        drag(serves),
    ))
}

/// One of the parts of the drag, by the power of speed that it grows with.
fn part(coast: &Coast, (inertia, u_inertia): (f64, f64), power: usize) -> (f64, f64) {
    let (share, u_share) = coast.part(power);
    (inertia * share, joined([inertia * u_share, u_inertia * share]))
}

#[cfg(test)]
mod tests;
