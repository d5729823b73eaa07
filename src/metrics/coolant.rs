//! What the coolant does: how far a part is above it, and what heat it carries away.

use super::numeric::{joined, mean, mean_uncertainty, noise, trend};
use super::operand::{Operand, Takes};
use super::window::{SAMPLES_MIN, Window, other, paired, refuse, samples};
use super::{Direction, Entry, Measured, Refusal, Subject, View};
use crate::units::{Dim, Kind};

pub(super) const RISE_OVER: Entry = Entry {
    id: "rise_over_coolant",
    version: 1,
    about: "mean over the last tenth of the span of the channel minus the one under `with`, told at the same moments \
            by straight lines between samples; uncertainty from both channels, taken as independent, and from \
            scatter whose neighbours resemble each other; refuses cut spans, missing samples, fewer than 10 samples of \
            that tenth, and while either still moves by more than 2 K/h (thermal equilibrium of IEC 60034-1): what \
            still rises is less than it will be",
    direction: Direction::LowerIsBetter,
    subject: Subject::Channel,
    kind: Kind::difference,
    needs_band: false,
    operands: &[Operand::needed("with", Takes::Channel(|of| of), "the channel of the coolant's temperature")],
    compute: rise_over,
};

pub(super) const HEAT: Entry = Entry {
    id: "coolant_heat",
    version: 1,
    about: "heat that the coolant carries away: mean over the span of flow x density x specific heat x (outlet minus \
            inlet), the channel being the outlet and `with` the inlet; what the coolant itself stores is not in it; \
            uncertainty from flow, both temperatures (taken as independent), the ends given for density and specific \
            heat (uniform) and scatter; refuses cut spans and missing samples of any of the three",
    direction: Direction::Neither,
    subject: Subject::Channel,
    kind: |_| Kind { dim: Dim { mass: 1, length: 2, time: -3, ..Dim::default() }, ..Kind::default() },
    needs_band: false,
    operands: &[
        Operand::needed("with", Takes::Channel(|of| of), "the channel of the inlet's temperature"),
        Operand::needed("flow", Takes::Channel(|_| flow()), "the channel of the coolant's flow"),
        Operand::needed("density", Takes::Quantity, "density of the coolant, one value or two ends"),
        Operand::needed("specific_heat", Takes::Quantity, "its specific heat, one value or two ends"),
    ],
    compute: heat,
};

/// Part of the span at its end that a rise is taken from.
const END_SHARE: f64 = 0.1;

/// Largest drift at thermal equilibrium, K/s: 2 K/h (IEC 60034-1, edition 12).
const EQUILIBRIUM: f64 = 2.0 / 3600.0;

/// The kind of a volume flow.
const fn flow() -> Kind {
    let dim = Dim { length: 3, time: -1, mass: 0, current: 0, temperature: 0, angle: 0 };
    let plain = crate::units::Form::Plain;
    Kind { dim, absolute: false, electrical: false, form: plain, across: crate::units::Across::Plain }
}

fn rise_over(view: &View<'_>) -> Result<Measured, Refusal> {
    let (hot, cool) = (samples(view, SAMPLES_MIN)?, other(view, "with", SAMPLES_MIN)?);
    let span = view.span;
    let tail = hot.part(span.t1 - END_SHARE * (span.t1 - span.t0), span.t1);
    let (t, above, below) = paired(&tail, &cool);
    if t.len() < SAMPLES_MIN {
        return refuse(format!(
            "{} samples of `{}` in the last tenth of `{}` while `{}` is known, at least {SAMPLES_MIN} are needed",
            t.len(),
            view.of,
            span.name,
            cool.series.name
        ));
    }
    let rise: Vec<f64> = above.iter().zip(&below).map(|(a, b)| a - b).collect();
    let moves =
        |v: &[f64]| trend(&t, v, 0.0).map_or(f64::INFINITY, |fit| fit.slope.abs() - 2.0 * fit.u_slope);
    for (name, v) in [(view.of, &above), (&cool.series.name, &below)] {
        let drift = moves(v);
        if drift > EQUILIBRIUM {
            return refuse(format!(
                "no thermal equilibrium: `{name}` still moves by {:.1} K/h at the end of `{}`, 2 K/h would be",
                drift * 3600.0,
                span.name
            ));
        }
    }
    let u = joined([hot.series.u, cool.series.u, mean_uncertainty(&rise)]);
    Ok(Measured { value: mean(&rise), u, n: rise.len(), note: None })
}

fn heat(view: &View<'_>) -> Result<Measured, Refusal> {
    let outlet = samples(view, SAMPLES_MIN)?;
    let (inlet, flow) = (other(view, "with", SAMPLES_MIN)?, other(view, "flow", SAMPLES_MIN)?);
    let (density, specific) = (view.known("density")?, view.known("specific_heat")?);
    let (t, out, into) = paired(&outlet, &inlet);
    let flows: Vec<Option<f64>> = t.iter().map(|t| flow.at(*t)).collect();
    let rows: Vec<(f64, f64)> =
        flows.iter().zip(out.iter().zip(&into)).filter_map(|(f, (o, i))| f.map(|f| (f, o - i))).collect();
    if rows.len() < SAMPLES_MIN {
        return refuse(format!(
            "flow and both temperatures are known together at {} moments of `{}`, at least {SAMPLES_MIN} are needed",
            rows.len(),
            view.span.name
        ));
    }
    let product: Vec<f64> = rows.iter().map(|(f, d)| f * d).collect();
    let (f, d) = (mean_of(&rows, |r| r.0), mean_of(&rows, |r| r.1));
    let carried = density.value * specific.value;
    let value = carried * mean(&product);
    let u = joined([
        value * density.u / density.value,
        value * specific.u / specific.value,
        carried * d * flow.series.u,
        carried * f * joined([outlet.series.u, inlet.series.u]),
        carried * mean_uncertainty(&product),
    ]);
    let note = still(&flow, f).then(|| "the flow is no larger than its own uncertainty".to_string());
    Ok(Measured { value, u, n: rows.len(), note })
}

fn mean_of(rows: &[(f64, f64)], f: fn(&(f64, f64)) -> f64) -> f64 {
    mean(&rows.iter().map(f).collect::<Vec<_>>())
}

fn still(flow: &Window<'_>, mean: f64) -> bool {
    mean.abs() <= 2.0 * joined([flow.series.u, noise(flow.v) / (flow.n() as f64).sqrt()])
}

#[cfg(test)]
mod tests;
