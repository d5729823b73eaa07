//! Numbers and moments as a reader wants them.

use crate::outcome::Blame;
use crate::units::{Unit, number_text, rounded_text};

/// `2.140 s`.
pub(super) fn seconds(s: f64) -> String {
    format!("{s:.3} s")
}

/// The unit as printed: nothing for the number one.
pub(super) fn unit_text(unit: &Unit) -> String {
    if unit.text == "1" { String::new() } else { unit.text.clone() }
}

/// The symbol of `unit` with what `of` says besides: `A` of a direct current on a scale in `A rms`.
pub(super) fn unit_in_form(unit: &Unit, of: &Unit) -> String {
    let says = |word: &&str| ["rms", "peak", "line", "phase", "electrical", "mechanical"].contains(word);
    let symbol = unit.text.split(' ').filter(|word| !says(word));
    let text: Vec<&str> = symbol.chain(of.text.split(' ').filter(says)).collect();
    unit_text(&Unit { text: text.join(" "), ..unit.clone() })
}

/// The unit of a difference of two values in `unit`: K where the values are in °C.
pub(super) fn difference_unit_text(unit: &Unit) -> String {
    if unit.kind.absolute { "K".into() } else { unit_text(unit) }
}

/// `text unit`, or the text alone if there is no unit.
pub(super) fn with_unit(text: &str, unit: &str) -> String {
    if unit.is_empty() { text.to_string() } else { format!("{text} {unit}") }
}

/// An SI value in `unit`, as a file would write it: `6 rpm`. For plan values, which are exact.
pub(super) fn exact(unit: &Unit, si: f64) -> String {
    with_unit(&exact_number(unit, si), &unit_text(unit))
}

/// The number alone. A conversion to SI and back leaves dust in the last places; at the size of
/// a limit nobody writes more than nine digits.
pub(super) fn exact_number(unit: &Unit, si: f64) -> String {
    let number = unit.from_si(si);
    let dust = (unit.offset / unit.scale).abs().max(number.abs()) * 1e-12;
    number_text(if number.abs() <= dust { 0.0 } else { number })
}

/// A value with its expanded uncertainty: `1.32 ± 0.41 rpm`. Two significant digits of the
/// uncertainty decide the decimals of both.
pub(super) fn value_and_spread(unit: &Unit, value_si: f64, u_si: f64) -> String {
    if !value_si.is_finite() {
        return "not a number".into();
    }
    let known = u_si.is_finite() && u_si > 0.0;
    let value = rounded_text(unit, value_si, known.then_some(u_si));
    let symbol = unit_text(unit);
    if !known {
        return with_unit(&format!("{value} (U not known)"), &symbol);
    }
    let decimals = value.split_once('.').map_or(0, |(_, d)| d.len());
    let spread = unit.difference_from_si(u_si).abs();
    if unit.kind.absolute {
        return format!("{value} {symbol} ± {spread:.decimals$} K");
    }
    with_unit(&format!("{} ± {spread:.decimals$}", unsigned_zero(value)), &symbol)
}

/// A signed distance with the decimals of its uncertainty: `+4.68 rpm`.
pub(super) fn signed_difference(unit: &Unit, si: f64, u_si: f64) -> String {
    if !si.is_finite() {
        return String::new();
    }
    let number = unit.difference_from_si(si);
    let plain = Unit { offset: 0.0, ..unit.clone() };
    // A long way off, the last places of the uncertainty tell nothing: four digits do.
    let (by_u, by_size) = (
        rounded_text(&plain, si, (u_si.is_finite() && u_si > 0.0).then_some(u_si)),
        rounded_text(&plain, si, None),
    );
    let text = if by_size.len() < by_u.len() { by_size } else { by_u };
    let sign = if number > 0.0 { "+" } else { "" };
    let digits = unsigned_zero(text).replace('-', "−");
    with_unit(&format!("{sign}{digits}"), &difference_unit_text(unit))
}

/// `-0.0` reads as a mistake.
fn unsigned_zero(text: String) -> String {
    if text.starts_with('-') && text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.')) {
        text.trim_start_matches('-').to_string()
    } else {
        text
    }
}

/// Text in characters that XML 1.0 and HTML can hold: others become U+FFFD (production `Char` of XML
/// 1.0, fifth edition, from memory).
pub(super) fn characters(text: &str) -> String {
    let allowed = |c: char| matches!(c, '\t' | '\n' | '\r' | '\u{20}'..='\u{D7FF}' | '\u{E000}'..='\u{FFFD}' | '\u{10000}'..='\u{10FFFF}');
    text.chars().map(|c| if allowed(c) { c } else { '\u{FFFD}' }).collect()
}

/// The number without the dust of a conversion to SI and back: twelve significant digits.
pub(super) fn tidy(number: f64) -> f64 {
    // Rust reads every number that it writes; one that is not finite stays as it is.
    format!("{number:.11e}").parse().unwrap_or(number)
}

/// `3 tests`, `1 test`.
pub(super) fn count(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// Where to look first, as advice; empty if there is nothing to look for.
pub(super) fn look(blame: Blame) -> &'static str {
    match blame {
        Blame::Nobody => "",
        Blame::Unit => "look first at the unit or its firmware build",
        Blame::Rig => "look first at the rig, its wiring and its links",
        Blame::Files => "look first at the files",
        Blame::Operator => "ask the person at the bench",
        Blame::Computer => {
            "look first at this computer: end what else it works on, or allow spinproof real-time priority, and run again"
        }
    }
}

/// A phrase with a capital at its begin and a full stop at its end.
pub(super) fn sentence(phrase: &str) -> String {
    let mut chars = phrase.trim().chars();
    let Some(first) = chars.next() else { return String::new() };
    stopped(&first.to_uppercase().chain(chars).collect::<String>())
}

/// With a full stop. No capital: such a phrase may begin with the name of a channel or trip.
pub(super) fn stopped(phrase: &str) -> String {
    let text = phrase.trim();
    if text.is_empty() || text.ends_with(['.', '!', '?']) { text.to_string() } else { format!("{text}.") }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::units::parse_unit;

    /// Two digits of the uncertainty decide the decimals: GUM 7.2.6, from memory.
    #[test]
    fn value_and_uncertainty_share_their_decimals() {
        let rows = [
            ("rpm", 1.3217, 0.4067, "1.32 ± 0.41 rpm"),
            ("rpm", -0.004, 0.41, "0.00 ± 0.41 rpm"),
            ("%", 16.3034, 2.54, "16.3 ± 2.5 %"),
            ("V", 152.27, 12.0, "152 ± 12 V"),
        ];
        for (unit, value, spread, expected) in rows {
            let unit = parse_unit(unit).unwrap();
            let text = value_and_spread(&unit, unit.to_si(value), unit.difference_to_si(spread));
            assert_eq!(text, expected);
        }
    }

    #[test]
    fn a_temperature_has_its_uncertainty_and_margin_in_kelvin() {
        let unit = parse_unit("°C").unwrap();
        assert_eq!(value_and_spread(&unit, unit.to_si(61.24), 1.6), "61.2 °C ± 1.6 K");
        assert_eq!(signed_difference(&unit, 8.76, 1.6), "+8.8 K");
    }

    #[test]
    fn a_limit_reads_as_it_was_written() {
        for (unit, number, expected) in
            [("rpm", 40.0, "40 rpm"), ("%", 0.5, "0.5 %"), ("°C", 0.0, "0 °C"), ("K/min", 6.0, "6 K/min")]
        {
            let unit = parse_unit(unit).unwrap();
            assert_eq!(exact(&unit, unit.to_si(number)), expected);
        }
    }

    #[test]
    fn nothing_that_is_no_number_is_printed_as_one() {
        let unit = parse_unit("V").unwrap();
        assert_eq!(value_and_spread(&unit, f64::NAN, 1.0), "not a number");
        assert_eq!(value_and_spread(&unit, 5.0, f64::NAN), "5.000 (U not known) V");
        assert_eq!(signed_difference(&unit, f64::INFINITY, 1.0), "");
    }
}
