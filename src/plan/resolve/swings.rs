//! Sines and chirps: held against what rig and unit allow before they are laid.

use super::context::{Context, length};
use super::profiles::{Layer, ROUNDING};
use super::scope::Scope;
use crate::diag::{Diag, Place};
use crate::files::read::{At, Frequency, Q};
use crate::files::suite::{self, Segment};
use crate::plan::swing::mean_frequency;
use crate::plan::{Sweep, Swing};
use crate::units::{Quantity, Unit, number_text, parse_unit};
use std::f64::consts::TAU;

/// How many frames each cycle needs. A frame holds its value until the next: ten in a cycle make stairs whose
/// fundamental has sinc(1/10) = 98.4 % of the amplitude (derived); with fewer it is no sine any more.
const FRAMES_PER_CYCLE: f64 = 10.0;

/// The longest that a segment may last: 30 days, as any length of time in a file.
const LONGEST_S: f64 = 30.0 * 86_400.0;

/// What a segment says, whichever of the two it is.
struct Written<'a> {
    amplitude: &'a At<Quantity>,
    around: Option<&'a At<Quantity>>,
    frequency: (f64, f64),
    /// The highest frequency, Hz, and where it was written.
    fastest: (f64, Place),
    sweep: Sweep,
    cycles: f64,
}

impl Layer<'_> {
    /// Lays a sine or a chirp; `None` if it is not right.
    pub(super) fn swing(
        &mut self,
        ctx: &mut Context<'_>,
        scope: &Scope<'_>,
        segment: &Segment,
        name: String,
    ) -> Option<()> {
        let (kind, written) = match segment {
            Segment::Sine(sine) => ("sine", sine_written(ctx, sine)?),
            Segment::Chirp(chirp) => ("chirp", chirp_written(chirp)),
            _ => return None,
        };
        let demand = self.demand;
        let why = format!("for an amplitude of `{}`", demand.name.value);
        let amplitude = ctx.quantity(written.amplitude, demand.kind.difference(), &why, demand.name.at)?;
        if amplitude <= 0.0 {
            let message = format!("the amplitude {} is not above zero", ctx.said(written.amplitude.at));
            ctx.refuse(Diag::at(written.amplitude.at, message));
            return None;
        }
        self.check_slope(ctx, &written);
        self.check_frames(ctx, &written);
        let around = match written.around {
            Some(around) => {
                ctx.quantity(around, demand.kind, &format!("for `{}`", demand.name.value), demand.name.at)?
            }
            None if self.known => self.course.value(),
            None => return None,
        };
        self.check_reach(ctx, scope, &written, around);
        let phase = self.phase(ctx, &written, around)?;
        let Written { frequency, sweep, cycles, .. } = written;
        let swing = Swing { around, amplitude, phase, frequency, sweep, cycles };
        if swing.length().secs_f64() > LONGEST_S {
            let message = format!("{} cycles take longer than 30 days", number_text(cycles));
            ctx.refuse(Diag::at(written.fastest.1, message));
            return None;
        }
        self.course.swing(name, kind, swing);
        Some(())
    }

    /// Both ends of the swing lie within what rig, unit, demand and trips allow.
    fn check_reach(&self, ctx: &mut Context<'_>, scope: &Scope<'_>, written: &Written<'_>, around: f64) {
        let swing = written.amplitude;
        let found = [around + swing.si, around - swing.si]
            .into_iter()
            .find_map(|end| Some((end, self.beyond(ctx, scope, end)?)));
        let Some((end, (limit, words))) = found else { return };
        let mut room = f64::INFINITY;
        let mut open = false;
        for bound in self.bounds(ctx, scope) {
            let this = (bound.ends.1 - around).min(around - bound.ends.0);
            open = if this < room { bound.open } else { open || this == room && bound.open };
            room = room.min(this);
        }
        let shown = |si: f64| Quantity { si, unit: swing.unit.clone() };
        let message = format!(
            "the amplitude {} around {} reaches `{}`, which {words} {}",
            ctx.said(swing.at),
            written.around.map_or(format!("`{}`", shown(around)), |a| ctx.said(a.at)),
            shown(end),
            ctx.said(limit),
        );
        let help = match (room > 0.0, open) {
            (true, false) => format!("the largest amplitude that fits is {}", fitting(&swing.unit, room)),
            (true, true) => format!("it must stay below {}", fitting(&swing.unit, room)),
            (false, _) => "swing around a value within the limits".into(),
        };
        ctx.refuse(Diag::at(swing.at, message).other(limit, "the limit").help(help));
    }

    /// The steepest slope of a sine is amplitude times 2 pi times frequency; and no frame may step further
    /// from the one before than a step may be high.
    fn check_slope(&self, ctx: &mut Context<'_>, written: &Written<'_>) {
        let swing = written.amplitude;
        let (fastest, at) = written.fastest;
        let slope = swing.si * TAU * fastest;
        let (limit, limit_at) = self.moves.rate;
        if slope > limit * (1.0 + ROUNDING) && !ctx.is_wrong(limit_at) {
            let (rate, unit) = (swing.unit.difference_from_si(slope), &swing.unit.text);
            let message = format!(
                "the amplitude {} at {} rises by up to {} {unit}/s (amplitude x 2 pi x frequency), above the rig's limit {}",
                ctx.said(swing.at),
                ctx.said(at),
                number_text((rate * 10.0).round() / 10.0),
                ctx.said(limit_at),
            );
            let help = format!(
                "at this frequency the largest amplitude that fits is {}, with this amplitude the highest frequency is {}",
                fitting(&swing.unit, limit / (TAU * fastest)),
                fitting(&hertz(), limit / (TAU * swing.si)),
            );
            ctx.refuse(Diag::at(swing.at, message).other(limit_at, "the limit").help(help));
            return;
        }
        let Some((limit, limit_at)) = self.moves.step else { return };
        let every = &self.demand.file.every;
        let step = 2.0 * swing.si * (0.5 * TAU * fastest * length(every).secs_f64()).sin().abs();
        if step > limit * (1.0 + ROUNDING) && !ctx.is_wrong(limit_at) && !ctx.is_wrong(every.at) {
            let message = format!(
                "the amplitude {} at {} moves by up to {} from one demand to the next, {} later: above the rig's limit {}",
                ctx.said(swing.at),
                ctx.said(at),
                number_text(swing.unit.difference_from_si(step).round()),
                ctx.said(every.at),
                ctx.said(limit_at),
            );
            let help = format!(
                "the largest amplitude that fits is {}",
                fitting(&swing.unit, swing.si * limit / step)
            );
            ctx.refuse(Diag::at(swing.at, message).other(limit_at, "the limit").help(help));
        }
    }

    fn check_frames(&self, ctx: &mut Context<'_>, written: &Written<'_>) {
        let every = &self.demand.file.every;
        let (fastest, at) = written.fastest;
        let frames = 1.0 / (fastest * length(every).secs_f64());
        if frames * (1.0 + ROUNDING) >= FRAMES_PER_CYCLE || ctx.is_wrong(every.at) {
            return;
        }
        let message = format!(
            "a cycle of {} has {} demands, one every {}, expected at least {FRAMES_PER_CYCLE}",
            ctx.said(at),
            number_text((frames * 10.0).floor() / 10.0),
            ctx.said(every.at),
        );
        let highest = 1.0 / (FRAMES_PER_CYCLE * length(every).secs_f64());
        let help = format!("the highest frequency that fits is {}", fitting(&hertz(), highest));
        ctx.refuse(Diag::at(at, message).other(every.at, "how often it is sent").help(help));
    }

    /// The phase at which the swing passes, rising, the value where the demand stands.
    fn phase(&self, ctx: &mut Context<'_>, written: &Written<'_>, around: f64) -> Option<f64> {
        if !self.known {
            return None;
        }
        let (from, swing) = (self.course.value(), written.amplitude);
        let share = (from - around) / swing.si;
        if share.abs() <= 1.0 + ROUNDING {
            return Some(share.clamp(-1.0, 1.0).asin());
        }
        let at = written.around.map_or(swing.at, |a| a.at);
        let message = format!(
            "the demand stands at `{}`, which a swing of {} around {} does not reach",
            Quantity { si: from, unit: swing.unit.clone() },
            ctx.said(swing.at),
            ctx.said(at),
        );
        ctx.refuse(Diag::at(at, message).other(swing.at, "").help("ramp to where the swing begins"));
        None
    }
}

fn sine_written<'a>(ctx: &mut Context<'_>, sine: &'a suite::Sine) -> Option<Written<'a>> {
    let (hz, at) = match (&sine.frequency, &sine.period) {
        (Some(f), _) => (f.si, f.at),
        (None, Some(period)) => (1.0 / period.si, period.at),
        // The reader of the files gives exactly one of the two.
        (None, None) => return None,
    };
    let cycles = match (&sine.cycles, &sine.lasting) {
        (Some(cycles), _) if cycles.value == 0 => {
            let message = format!("{} cycles swing nothing, expected at least 1", ctx.said(cycles.at));
            ctx.refuse(Diag::at(cycles.at, message));
            return None;
        }
        (Some(cycles), _) => f64::from(cycles.value),
        (None, Some(lasting)) => {
            let cycles = hz * lasting.si;
            let whole = cycles.round();
            if whole < 1.0 || (cycles - whole).abs() > 1e-6 * whole {
                let message = format!(
                    "{} hold {} cycles of {}, expected a whole number: a sine ends where it began",
                    ctx.said(lasting.at),
                    number_text((cycles * 1e3).round() / 1e3),
                    ctx.said(at),
                );
                let help = format!("give `cycles = {}` instead of `lasting`", number_text(cycles.ceil()));
                ctx.refuse(Diag::at(lasting.at, message).other(at, "").help(help));
                return None;
            }
            whole
        }
        (None, None) => return None,
    };
    Some(Written {
        amplitude: &sine.sine,
        around: sine.around.as_ref(),
        frequency: (hz, hz),
        fastest: (hz, at),
        sweep: Sweep::Linear,
        cycles,
    })
}

fn chirp_written(chirp: &suite::Chirp) -> Written<'_> {
    let sweep = match chirp.sweep.as_ref().map(|s| s.value) {
        None | Some(suite::Sweep::Linear) => Sweep::Linear,
        Some(suite::Sweep::Logarithmic) => Sweep::Logarithmic,
    };
    let (from, to): (&Q<Frequency>, &Q<Frequency>) = (&chirp.from, &chirp.to);
    let frequency = (from.si, to.si);
    let fastest = if from.si > to.si { from } else { to };
    // As long as asked for, and on to the end of the last cycle: it ends where it began.
    let cycles = (mean_frequency(frequency, sweep) * chirp.lasting.si - 1e-6).ceil().max(1.0);
    Written {
        amplitude: &chirp.chirp,
        around: chirp.around.as_ref(),
        frequency,
        fastest: (fastest.si, fastest.at),
        sweep,
        cycles,
    }
}

/// A largest value as it is shown: four digits, rounded down, so that it fits when it is copied.
fn fitting(unit: &Unit, si: f64) -> String {
    let number = unit.difference_from_si(si);
    let step = 10f64.powi(number.abs().log10().floor() as i32 - 3);
    format!("`{} {unit}`", number_text((number / step * (1.0 + ROUNDING)).floor() * step))
}

fn hertz() -> Unit {
    parse_unit("Hz").unwrap_or_else(|_| Unit::one())
}
