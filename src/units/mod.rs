//! Quantities as people write them, and SI inside.
//!
//! A quantity has a dimension and a *kind*: an absolute temperature is not a temperature
//! difference, an electrical speed not a mechanical one, a peak not an rms, line not phase.

mod parse;
mod table;

pub use parse::{UnitError, parse_quantity, parse_unit};
pub use table::UNIT_SYMBOLS;

use std::fmt;

/// Exponents of the base dimensions. The angle is one of them, so that a speed is not a frequency.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Dim {
    /// kilogram
    pub mass: i8,
    /// metre
    pub length: i8,
    /// second
    pub time: i8,
    /// ampere
    pub current: i8,
    /// kelvin
    pub temperature: i8,
    /// radian
    pub angle: i8,
}

impl Dim {
    /// The dimension of `self * other^times`; `None` if an exponent leaves the range of an `i8`.
    pub fn joined(self, other: Dim, times: i8) -> Option<Dim> {
        let join = |a: i8, b: i8| b.checked_mul(times).and_then(|b| a.checked_add(b));
        Some(Dim {
            mass: join(self.mass, other.mass)?,
            length: join(self.length, other.length)?,
            time: join(self.time, other.time)?,
            current: join(self.current, other.current)?,
            temperature: join(self.temperature, other.temperature)?,
            angle: join(self.angle, other.angle)?,
        })
    }
}

/// Peak, root mean square, or neither said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Form {
    /// Not an alternating quantity, or its instantaneous value.
    #[default]
    Plain,
    /// Root mean square.
    Rms,
    /// Peak of the alternating quantity.
    Peak,
}

/// Between lines, to the star point, or neither said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Across {
    /// Not a quantity of a three-phase system.
    #[default]
    Plain,
    /// Line to line.
    Line,
    /// Phase to star point, or in one phase.
    Phase,
}

/// What sort of quantity it is: dimension plus what the dimension cannot tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Kind {
    /// Exponents of the base dimensions.
    pub dim: Dim,
    /// A temperature on a scale (°C), as against a difference (K).
    pub absolute: bool,
    /// An electrical angle, speed or frequency, as against a mechanical one.
    pub electrical: bool,
    /// Peak or rms.
    pub form: Form,
    /// Line or phase.
    pub across: Across,
}

/// A unit: how a number on paper becomes SI, `si = number * scale + offset`.
#[derive(Debug, Clone, PartialEq)]
pub struct Unit {
    /// As it was written, tidied: `rpm/s`, `A rms`.
    pub text: String,
    /// Dimension and kind.
    pub kind: Kind,
    /// SI per unit.
    pub scale: f64,
    /// SI value of zero on the unit's scale; other than 0 only for °C.
    pub offset: f64,
}

/// A number with its unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Quantity {
    /// The value in SI units (K, rad/s, V, ...).
    pub si: f64,
    /// The unit it was written in.
    pub unit: Unit,
}

impl Unit {
    /// The number one.
    pub fn one() -> Unit {
        Unit { text: String::new(), kind: Kind::default(), scale: 1.0, offset: 0.0 }
    }

    /// SI value of `number` in this unit.
    pub fn to_si(&self, number: f64) -> f64 {
        number * self.scale + self.offset
    }

    /// The number in this unit of an SI value.
    pub fn from_si(&self, si: f64) -> f64 {
        (si - self.offset) / self.scale
    }

    /// SI value of a *difference* of `number` in this unit (no offset): for uncertainties.
    pub fn difference_to_si(&self, number: f64) -> f64 {
        number * self.scale
    }

    /// The number in this unit of an SI *difference*: for uncertainties.
    pub fn difference_from_si(&self, si: f64) -> f64 {
        si / self.scale
    }
}

impl Kind {
    /// The kind of a difference of two values of this kind: the same, but a difference of two
    /// temperatures is not a temperature on the scale.
    pub fn difference(self) -> Kind {
        Kind { absolute: false, ..self }
    }

    /// The kind per second: of a rate.
    pub fn per_second(self) -> Kind {
        let mut kind = self.difference();
        kind.dim.time -= 1;
        kind
    }

    /// The name the trade gives it (`speed`, `temperature difference`), or its dimension.
    pub fn name(&self) -> String {
        table::kind_name(self)
    }

    /// A quantity of this kind as one would write it, for messages: `"300 rpm/s"`.
    pub fn example(&self) -> Option<&'static str> {
        table::kind_example(self)
    }
}

/// The quantity in the unit it was written in: `300 rpm/s`.
impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", number_text(self.unit.from_si(self.si)))?;
        if !self.unit.text.is_empty() {
            write!(f, " {}", self.unit.text)?;
        }
        Ok(())
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

/// `a speed`, `an inertia`: the name of a kind with its article, for messages.
pub fn with_article(name: &str) -> String {
    let article = if name.starts_with(['a', 'e', 'i', 'o', 'u']) { "an" } else { "a" };
    format!("{article} {name}")
}

/// A number with at most nine significant digits and no trailing zeros, so that a conversion to SI
/// and back shows what was written.
pub fn number_text(number: f64) -> String {
    if !number.is_finite() || number == 0.0 {
        return if number == 0.0 { "0".into() } else { format!("{number}") };
    }
    let digits = (8 - number.abs().log10().floor() as i32).clamp(0, 17) as usize;
    let text = format!("{number:.digits$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}

/// `value` in `unit` rounded for a reader, given its standard uncertainty in SI: two significant
/// digits of the uncertainty decide the decimals (GUM 7.2.6, from memory); four significant digits of the
/// value where there is none.
pub fn rounded_text(unit: &Unit, si: f64, u_si: Option<f64>) -> String {
    let value = unit.from_si(si);
    let significant = |x: f64, n: i32| (n - 1 - x.abs().log10().floor() as i32).clamp(0, 12) as usize;
    let decimals = match u_si.map(|u| unit.difference_from_si(u).abs()) {
        Some(u) if u > 0.0 && u.is_finite() => significant(u, 2),
        _ if value != 0.0 && value.is_finite() => significant(value, 4),
        _ => 0,
    };
    format!("{value:.decimals$}")
}
