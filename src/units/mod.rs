//! Quantities as people write them, and SI inside.
//!
//! A quantity has a dimension and a *kind*: an absolute temperature is not a temperature
//! difference, an electrical speed not a mechanical one, a peak not an rms, line not phase.

mod decimal;
mod parse;
mod table;

pub use decimal::{push_decimals, round_decimals};
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

impl Form {
    /// Peak per unit of the form, for a sine.
    pub fn peak(self) -> f64 {
        if self == Form::Rms { std::f64::consts::SQRT_2 } else { 1.0 }
    }
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

    /// How a quantity of this kind is written, for messages, with a blank for its number: `"__ rpm/s"`.
    pub fn blank(&self) -> Option<String> {
        table::kind_example(self).map(blank)
    }
}

/// A quantity with a blank for its number: what a message shows may be pasted, and a figure that is not the bench's own
/// would then be believed. A blank is refused by every reader.
pub fn blank(quantity: &str) -> String {
    let unit = quantity.trim_start_matches(|c: char| c.is_ascii_digit() || ".+-eE".contains(c));
    format!("__{unit}")
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
/// and back shows what was written. With an exponent where it would be all zeros.
pub fn number_text(number: f64) -> String {
    if !number.is_finite() || number == 0.0 {
        return if number == 0.0 { "0".into() } else { format!("{number}") };
    }
    if !(1e-6..1e15).contains(&number.abs()) {
        let text = format!("{number:.8e}");
        let (digits, exponent) = text.split_once('e').unwrap_or((&text, "0"));
        return format!("{}e{exponent}", digits.trim_end_matches('0').trim_end_matches('.'));
    }
    let digits = (8 - number.abs().log10().floor() as i32).clamp(0, 17) as usize;
    let text = format!("{number:.digits$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}

/// A quantity for a reader: [`rounded_text`] and the unit. What is no number, or is beyond all numbers, is said in words.
pub fn quantity_text(unit: &Unit, si: f64, u_si: Option<f64>) -> String {
    match si {
        si if si.is_nan() => "no number".into(),
        si if si.is_infinite() => "beyond any number".into(),
        si => format!("{} {unit}", rounded_text(unit, si, u_si)).trim_end().to_string(),
    }
}

/// `value` in `unit` rounded for a reader, given its standard uncertainty in SI: two significant
/// digits of the uncertainty decide the last digit (GUM 7.2.6, from memory); four significant digits of
/// the value where there is none, but never less than its whole units.
pub fn rounded_text(unit: &Unit, si: f64, u_si: Option<f64>) -> String {
    let value = unit.from_si(si);
    if !value.is_finite() {
        return format!("{value}");
    }
    let decimals = match u_si.map(|u| unit.difference_from_si(u).abs()) {
        Some(u) if u > 0.0 && u.is_finite() => 1 - exponent(u, 2),
        _ if value != 0.0 => (3 - exponent(value, 4)).max(0),
        _ => 0,
    };
    let digits = decimals.clamp(0, 12) as usize;
    let step = 10f64.powi(-decimals.min(0));
    let rounded = if step > 1.0 { (value / step).round() * step } else { value };
    let text = format!("{rounded:.digits$}");
    // A small negative value may round to nothing: zero has no sign.
    let nothing = text.chars().all(|c| matches!(c, '-' | '0' | '.'));
    if nothing { text.trim_start_matches('-').to_string() } else { text }
}

/// The power of ten of the first digit after rounding to `digits` significant digits: of 0.0996 with two
/// digits it is -1, because that is 0.10.
fn exponent(number: f64, digits: usize) -> i32 {
    let text = format!("{:.*e}", digits - 1, number);
    text.split_once('e').and_then(|(_, exponent)| exponent.parse().ok()).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Value, standard uncertainty, unit, text.
    #[test]
    fn the_uncertainty_decides_the_last_digit() {
        let rows = [
            (50.000838, Some(0.000032), "mm", "50.000838"),
            (12345.0, Some(300.0), "rpm", "12350"),
            (12345.0, Some(3000.0), "rpm", "12300"),
            (1234.567, Some(0.0996), "V", "1234.57"),
            (1234.567, Some(0.0994), "V", "1234.567"),
            (0.5, Some(0.0), "V", "0.5000"),
            (0.5, Some(f64::NAN), "V", "0.5000"),
            (123456.0, None, "rpm", "123456"),
            (1.23456, None, "rpm", "1.235"),
            (0.99996, None, "V", "1.000"),
            (0.0, None, "V", "0"),
            (-0.001, Some(0.1), "V", "0.00"),
            (25.04, Some(0.5), "°C", "25.04"),
            (-0.04, Some(5.0), "°C", "0.0"),
            (f64::NAN, Some(0.1), "V", "NaN"),
            (f64::INFINITY, None, "V", "inf"),
        ];
        for (value, u, unit, text) in rows {
            let unit = parse_unit(unit).expect(unit);
            let u_si = u.map(|u| unit.difference_to_si(u));
            assert_eq!(rounded_text(&unit, unit.to_si(value), u_si), text, "{value} {u:?}");
        }
    }

    #[test]
    fn numbers_show_nine_digits_and_no_zeros_at_the_end() {
        let rows = [
            (0.1 + 0.2, "0.3"),
            (-40.0, "-40"),
            (1500.0, "1500"),
            (123456789.4, "123456789"),
            (1.0 / 3.0, "0.333333333"),
            (1e-9, "1e-9"),
            (-2.5e-12, "-2.5e-12"),
            (6.02214076e23, "6.02214076e23"),
            (0.0, "0"),
            (-0.0, "0"),
        ];
        for (number, text) in rows {
            assert_eq!(number_text(number), text);
        }
    }

    #[test]
    fn names_of_kinds_have_their_article() {
        assert_eq!(with_article("speed"), "a speed");
        assert_eq!(with_article("electrical speed"), "an electrical speed");
    }

    proptest! {
        /// A quantity prints as a text that reads as the same quantity, within the nine digits that it shows.
        #[test]
        fn a_quantity_reads_back_as_it_was_printed(
            mantissa in -1.0f64..1.0, power in -20i32..20,
            symbol in prop::sample::select(UNIT_SYMBOLS.to_vec()),
            mark in prop::sample::select(vec!["", " rms", " peak line", " electrical", " rms phase"]),
        ) {
            let text = format!("{} {}{mark}", mantissa * 10f64.powi(power), symbol.0);
            let written = parse_quantity(&text).expect("a number and a unit");
            let read = parse_quantity(&written.to_string()).expect("what was printed");
            prop_assert_eq!(&read.unit, &written.unit);
            let number = written.unit.from_si(written.si);
            let back = read.unit.from_si(read.si);
            // Half a unit of the ninth digit; on the scale of °C also the rounding of the sum with 273.15.
            let allowed = 5.1e-9 * number.abs() + 1e-12 * written.unit.offset;
            prop_assert!((back - number).abs() <= allowed, "{} {} {}", text, number, back);
        }

        #[test]
        fn any_text_is_a_quantity_or_says_why_not(text in "\\PC{0,20}", number in "[-+0-9.eE_ ]{0,8}") {
            for text in [text.clone(), format!("{number}{text}")] {
                if let Ok(quantity) = parse_quantity(&text) {
                    prop_assert!(quantity.si.is_finite() && quantity.unit.scale > 0.0);
                }
            }
        }

        #[test]
        fn rounding_moves_a_value_by_less_than_its_uncertainty(value in -1e6f64..1e6, u in 1e-6f64..1e6) {
            let text = rounded_text(&Unit::one(), value, Some(u));
            let back: f64 = text.parse().expect("a number");
            // Two digits of u: the step is at most a tenth of u, so rounding moves by at most a twentieth.
            prop_assert!((back - value).abs() <= 0.0501 * u, "{} {}", text, value);
        }
    }
}
