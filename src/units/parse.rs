//! From text to units and quantities.

use super::table::UNIT_SYMBOLS;
use super::{Across, Dim, Form, Kind, Quantity, Unit};

/// Why a text is not a quantity. `message` says what was found and what was expected.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{message}")]
pub struct UnitError {
    /// What was found, what was expected.
    pub message: String,
    /// How to mend it, where that can be told.
    pub help: Option<String>,
}

impl UnitError {
    fn new(message: String, help: Option<String>) -> Self {
        UnitError { message, help }
    }
}

/// Reads a quantity as people write it: `"300 rpm/s"`, `"-40 °C"`, `"200 A rms"`, `"0.5"`.
///
/// Errors if there is no number, the number is not finite, or the unit is unknown.
pub fn parse_quantity(text: &str) -> Result<Quantity, UnitError> {
    let text = text.trim();
    let end = number_end(text);
    let number: f64 = text[..end].replace('_', "").parse().map_err(|_| {
        UnitError::new(
            format!("`{text}` does not begin with a number"),
            Some("write a number and a unit, as \"__ V\"".into()),
        )
    })?;
    if !number.is_finite() {
        return Err(UnitError::new(format!("`{text}` is not a finite number"), None));
    }
    let unit = parse_unit(&text[end..])?;
    let si = unit.to_si(number);
    match si.is_finite() {
        true => Ok(Quantity { si, unit }),
        false => Err(UnitError::new(format!("`{text}` is not a finite number"), None)),
    }
}

fn number_end(text: &str) -> usize {
    let bytes = text.as_bytes();
    let mut i = 0;
    if matches!(bytes.first(), Some(b'+' | b'-')) {
        i = 1;
    }
    while i < bytes.len() && (bytes[i].is_ascii_digit() || bytes[i] == b'.' || bytes[i] == b'_') {
        i += 1;
    }
    if i < bytes.len() && matches!(bytes[i], b'e' | b'E') {
        let mut j = i + 1;
        if matches!(bytes.get(j), Some(b'+' | b'-')) {
            j += 1;
        }
        if matches!(bytes.get(j), Some(b) if b.is_ascii_digit()) {
            while matches!(bytes.get(j), Some(b) if b.is_ascii_digit()) {
                j += 1;
            }
            i = j;
        }
    }
    i
}

/// Reads a unit: `"rpm/s"`, `"kg m2"`, `"A rms"`, `"rpm electrical"`; empty is the number one.
///
/// Errors if a symbol is unknown or °C is combined with another unit.
pub fn parse_unit(text: &str) -> Result<Unit, UnitError> {
    let mut unit = Unit::one();
    let mut celsius = false;
    let mut symbols = 0;
    for word in text.split_whitespace() {
        if apply_qualifier(&mut unit.kind, word) {
            continue;
        }
        for (index, part) in word.split('/').enumerate() {
            for factor in part.split(['*', '·']) {
                let (scale, dim, power) = factor_of(factor, text)?;
                let power = if index == 0 { power } else { -power };
                celsius |= matches!(factor, "°C" | "degC");
                symbols += 1;
                unit.scale *= scale.powi(i32::from(power));
                unit.kind.dim = unit.kind.dim.joined(dim, power).ok_or_else(|| beyond(text))?;
            }
        }
    }
    if !(unit.scale.is_finite() && unit.scale > 0.0) {
        return Err(beyond(text));
    }
    if celsius {
        if symbols > 1 {
            return Err(UnitError::new(
                format!("`{}` combines °C with another unit", text.trim()),
                Some("a difference or a rate of temperature is written in K, such as \"0.5 K/min\"".into()),
            ));
        }
        unit.kind.absolute = true;
        unit.offset = 273.15;
    }
    unit.text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    // The number one needs no unit behind it.
    if unit.text == "1" {
        unit.text.clear();
    }
    Ok(unit)
}

fn beyond(text: &str) -> UnitError {
    UnitError::new(format!("`{}` is a power beyond all units", text.trim()), None)
}

fn apply_qualifier(kind: &mut Kind, word: &str) -> bool {
    match word {
        "rms" => kind.form = Form::Rms,
        "peak" => kind.form = Form::Peak,
        "line" => kind.across = Across::Line,
        "phase" => kind.across = Across::Phase,
        "electrical" => kind.electrical = true,
        "mechanical" => kind.electrical = false,
        _ => return false,
    }
    true
}

/// Words that people write for a unit, without their plural s, and its symbol.
const IN_WORDS: &[(&str, &str)] = &[
    ("sec", "s"),
    ("second", "s"),
    ("msec", "ms"),
    ("usec", "us"),
    ("minute", "min"),
    ("hour", "h"),
    ("day", "d"),
    ("c", "°C"),
    ("celsiu", "°C"),
    ("degree", "deg"),
    ("volt", "V"),
    ("amp", "A"),
    ("ampere", "A"),
    ("ohm", "Ohm"),
    ("watt", "W"),
    ("hertz", "Hz"),
    ("baud", "Bd"),
    ("percent", "%"),
    ("rev", "turn"),
];

/// Scale, dimension and exponent of one factor such as `m2` or `s-1`.
fn factor_of(factor: &str, whole: &str) -> Result<(f64, Dim, i8), UnitError> {
    // The Greek letter and the micro sign look the same, and so do the ohm sign and the letter omega.
    let factor = &*factor.replace('μ', "µ").replace('\u{2126}', "Ω");
    let look = |symbol: &str| UNIT_SYMBOLS.iter().find(|(s, _, _)| *s == symbol);
    if let Some((_, scale, dim)) = look(factor) {
        return Ok((*scale, *dim, 1));
    }
    let split = factor.trim_end_matches(|c: char| c.is_ascii_digit()).trim_end_matches(['-', '^']);
    let exponent = factor[split.len()..].trim_start_matches('^').parse::<i8>().ok();
    if let (Some((_, scale, dim)), Some(power @ -4..=4)) = (look(split), exponent) {
        return Ok((*scale, *dim, power));
    }
    let whole = whole.trim();
    let inside = if factor == whole { String::new() } else { format!(" in `{whole}`") };
    let in_words = IN_WORDS.iter().find(|(word, _)| *word == factor.to_lowercase().trim_end_matches('s'));
    let near = in_words
        .map(|(_, symbol)| *symbol)
        .or_else(|| crate::diag::near_miss(factor, UNIT_SYMBOLS.iter().map(|(symbol, _, _)| *symbol)));
    Err(UnitError::new(
        format!("`{factor}`{inside} is not a unit known here"),
        near.map(|symbol| format!("did you mean `{symbol}`?")),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One row per case: text, SI value, kind as the trade names it.
    #[test]
    fn quantities_as_people_write_them() {
        let rows = [
            ("300 rpm/s", 31.41592653589793, "speed rate"),
            ("155 V", 155.0, "voltage"),
            ("0.5 K/min", 0.5 / 60.0, "temperature rate"),
            ("20 ms", 0.02, "duration"),
            ("-40 °C", 233.15, "temperature"),
            ("40 K", 40.0, "temperature difference"),
            ("200 A rms", 200.0, "current (rms)"),
            ("90 V rms line", 90.0, "line voltage (rms)"),
            ("2400 rpm electrical", 251.32741228718345, "electrical speed"),
            ("0.02 kg m2", 0.02, "inertia"),
            ("1.5e-3 kg*m2", 0.0015, "inertia"),
            ("8 L/min", 8e-3 / 60.0, "flow"),
            ("1_000 rpm", 104.71975511965977, "speed"),
            ("5 %", 0.05, "number"),
            ("0.5", 0.5, "number"),
            ("4.7mF", 4.7e-3, "capacitance"),
        ];
        for (text, si, name) in rows {
            let q = parse_quantity(text).unwrap_or_else(|e| panic!("{text}: {e}"));
            assert!((q.si - si).abs() <= 1e-12 * si.abs(), "{text}: {} is not {si}", q.si);
            assert_eq!(q.unit.kind.name(), name, "{text}");
        }
    }

    #[test]
    fn what_is_not_a_quantity_says_why() {
        for (text, part) in [
            ("fast", "does not begin with a number"),
            ("3 furlong", "is not a unit known here"),
            ("1 °C/min", "combines °C"),
            ("inf V", "does not begin with a number"),
        ] {
            let e = parse_quantity(text).expect_err(text);
            assert!(e.message.contains(part), "{text}: {}", e.message);
        }
        assert_eq!(parse_quantity("3 RPM").expect_err("RPM").help.as_deref(), Some("did you mean `rpm`?"));
    }

    #[test]
    fn powers_beyond_all_units_are_refused() {
        for text in
            [&["m4"; 40].join(" "), &["1 GOhm4"; 1].join(" ").repeat(9), &["ns4"; 10].join("*"), "1e308 krpm"]
        {
            let text = if text.starts_with('1') { text.to_string() } else { format!("1 {text}") };
            assert!(parse_quantity(&text).is_err(), "{text}");
        }
    }

    #[test]
    fn every_symbol_is_known_once_and_reads_back() {
        for (index, (symbol, scale, dim)) in UNIT_SYMBOLS.iter().enumerate() {
            assert!(UNIT_SYMBOLS[..index].iter().all(|(other, _, _)| other != symbol), "{symbol} twice");
            let unit = parse_unit(symbol).expect(symbol);
            assert_eq!((unit.scale, unit.kind.dim), (*scale, *dim), "{symbol}");
        }
        for (word, symbol) in IN_WORDS {
            assert!(parse_unit(symbol).is_ok() && parse_unit(word).is_err(), "{word}");
        }
    }

    #[test]
    fn words_for_units_lead_to_their_symbol() {
        for (text, symbol) in
            [("5 sec", "s"), ("5 volts", "V"), ("80 C", "°C"), ("80 Celsius", "°C"), ("3 Ohms", "Ohm")]
        {
            let help = parse_quantity(text).expect_err(text).help;
            assert_eq!(help, Some(format!("did you mean `{symbol}`?")), "{text}");
        }
    }

    #[test]
    fn letters_that_look_alike_are_taken_alike() {
        for (a, b) in [("3 \u{b5}s", "3 \u{3bc}s"), ("3 k\u{3a9}", "3 k\u{2126}")] {
            assert_eq!(parse_quantity(a).expect(a).si, parse_quantity(b).expect(b).si);
        }
    }

    #[test]
    fn a_quantity_prints_as_it_was_written() {
        for text in ["300 rpm/s", "155.5 V", "0.001 s", "-40 °C", "200 A rms", "123456 rpm"] {
            assert_eq!(parse_quantity(text).expect(text).to_string(), text);
        }
    }
}
