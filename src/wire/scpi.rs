//! IEEE 488.2/SCPI syntax from the controller's side: program messages into commands, errors into
//! their published numbers, bytes into definite-length blocks.
//!
//! Sans-I/O: a message is one line without its terminator. The numbers and texts of errors are
//! those of SCPI-99, volume 2, chapter 21 (from memory; `0` and `-113` checked against a public copy).

/// A number of the SCPI error list; its text is fixed by the standard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("{code},\"{text}\"")]
pub struct ScpiError {
    /// Number: zero none, -100s command, -200s execution, -300s device, -400s query errors;
    /// positive numbers are the device's own.
    pub code: i16,
    /// Text.
    pub text: &'static str,
}

macro_rules! errors {
    ($($name:ident = $code:literal, $text:literal;)*) => {
        impl ScpiError {
            $(#[doc = concat!("`", $code, "`: ", $text, ".")]
            pub const $name: ScpiError = ScpiError { code: $code, text: $text };)*
        }
    };
}

errors! {
    NONE = 0, "No error";
    INVALID_CHARACTER = -101, "Invalid character";
    SYNTAX = -102, "Syntax error";
    DATA_TYPE = -104, "Data type error";
    PARAMETER_NOT_ALLOWED = -108, "Parameter not allowed";
    MISSING_PARAMETER = -109, "Missing parameter";
    MNEMONIC_TOO_LONG = -112, "Program mnemonic too long";
    UNDEFINED_HEADER = -113, "Undefined header";
    NUMERIC_DATA = -120, "Numeric data error";
    SUFFIX_NOT_ALLOWED = -138, "Suffix not allowed";
    INVALID_STRING = -151, "Invalid string data";
    SETTINGS_CONFLICT = -221, "Settings conflict";
    OUT_OF_RANGE = -222, "Data out of range";
    ILLEGAL_PARAMETER = -224, "Illegal parameter value";
    STALE_DATA = -230, "Data corrupt or stale";
    QUEUE_OVERFLOW = -350, "Queue overflow";
    INPUT_OVERRUN = -363, "Input buffer overrun";
}

impl ScpiError {
    /// Bit of the standard event status register (IEEE 488.2) that the error sets.
    pub fn event_bit(self) -> u8 {
        match self.code {
            -199..=-100 => 0x20,
            -299..=-200 => 0x10,
            -499..=-400 => 0x04,
            0 => 0,
            _ => 0x08,
        }
    }
}

/// Deepest header: mnemonics one below the other.
const DEPTH_MAX: usize = 6;
/// Longest mnemonic (IEEE 488.2).
const MNEMONIC_MAX: usize = 12;

/// One command or query of a message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unit<'m> {
    path: [&'m str; DEPTH_MAX],
    depth: usize,
    /// Whether it is a common command: `*IDN?`.
    pub common: bool,
    /// Whether it asks.
    pub query: bool,
    /// Parameters as written, white space around each taken away.
    pub parameters: Vec<&'m str>,
}

impl Unit<'_> {
    /// Mnemonics from the root down, as written.
    pub fn path(&self) -> &[&str] {
        &self.path[..self.depth]
    }

    /// Whether the header is that of `pattern`, written as in the standard: `MEASure:DRIVe` takes
    /// the long form and the short one (its capitals), in any case; `[:NEXT]` may be left out;
    /// `*IDN` is a common command. The question mark is not part of the pattern.
    pub fn is(&self, pattern: &str) -> bool {
        if let Some(name) = pattern.strip_prefix('*') {
            return self.common && self.path[0].eq_ignore_ascii_case(name);
        }
        let mut path = self.path().iter();
        let mut next = path.next();
        for node in pattern.split(':') {
            // `SYSTem:ERRor[:NEXT]` splits into `SYSTem`, `ERRor[`, `NEXT]`.
            let optional = node.ends_with(']');
            let node = node.trim_end_matches(['[', ']']);
            match next {
                Some(mnemonic) if mnemonic_is(mnemonic, node) => next = path.next(),
                _ if optional => {}
                _ => return false,
            }
        }
        !self.common && next.is_none()
    }

    /// The only parameter as a decimal or `#H`, `#Q`, `#B` number.
    pub fn number(&self) -> Result<f64, ScpiError> {
        match self.numbers::<1>()? {
            [number] => Ok(number),
        }
    }

    /// Exactly `N` numbers.
    pub fn numbers<const N: usize>(&self) -> Result<[f64; N], ScpiError> {
        if self.parameters.len() < N {
            return Err(ScpiError::MISSING_PARAMETER);
        }
        if self.parameters.len() > N {
            return Err(ScpiError::PARAMETER_NOT_ALLOWED);
        }
        let mut numbers = [0.0; N];
        for (number, text) in numbers.iter_mut().zip(&self.parameters) {
            *number = parse_number(text)?;
        }
        Ok(numbers)
    }
}

/// Whether a mnemonic or a word given as a parameter is the long or short form of a node such as `MEASure`.
pub fn mnemonic_is(mnemonic: &str, node: &str) -> bool {
    let short = node.bytes().take_while(|b| !b.is_ascii_lowercase()).count();
    mnemonic.eq_ignore_ascii_case(node) || mnemonic.eq_ignore_ascii_case(&node[..short])
}

/// Reads a program message: the units up to the first that is not well-formed, and what was wrong
/// with that one. What follows a malformed unit is not looked at, so that no half-understood
/// message is carried out further than it was understood.
pub fn parse_message(line: &[u8]) -> (Vec<Unit<'_>>, Option<ScpiError>) {
    let mut units = Vec::new();
    let Ok(line) = std::str::from_utf8(line) else {
        return (units, Some(ScpiError::INVALID_CHARACTER));
    };
    if line.bytes().any(|b| !(b.is_ascii_graphic() || b == b' ' || b == b'\t')) {
        return (units, Some(ScpiError::INVALID_CHARACTER));
    }
    if line.trim().is_empty() {
        return (units, None);
    }
    let mut above: ([&str; DEPTH_MAX], usize) = ([""; DEPTH_MAX], 0);
    for text in split_outside_quotes(line, b';') {
        let unit = match text {
            Ok(text) => parse_unit(text.trim(), &above),
            Err(error) => Err(error),
        };
        match unit {
            Ok(unit) => {
                // The next header starts beside this one; common commands do not move the place.
                if !unit.common {
                    above = (unit.path, unit.depth - 1);
                }
                units.push(unit);
            }
            Err(error) => return (units, Some(error)),
        }
    }
    (units, None)
}

fn parse_unit<'m>(text: &'m str, above: &([&'m str; DEPTH_MAX], usize)) -> Result<Unit<'m>, ScpiError> {
    let end = text.find([' ', '\t']).unwrap_or(text.len());
    let (header, rest) = text.split_at(end);
    let (header, query) = match header.strip_suffix('?') {
        Some(header) => (header, true),
        None => (header, false),
    };
    let mut unit = Unit { path: [""; DEPTH_MAX], depth: 0, common: false, query, parameters: Vec::new() };
    if let Some(name) = header.strip_prefix('*') {
        unit.common = true;
        unit.path[0] = mnemonic(name)?;
        unit.depth = 1;
    } else {
        let relative = match header.strip_prefix(':') {
            Some(absolute) => absolute,
            None => {
                (unit.path, unit.depth) = *above;
                header
            }
        };
        for name in relative.split(':') {
            if unit.depth == DEPTH_MAX {
                return Err(ScpiError::UNDEFINED_HEADER);
            }
            unit.path[unit.depth] = mnemonic(name)?;
            unit.depth += 1;
        }
    }
    if !rest.trim().is_empty() {
        for parameter in split_outside_quotes(rest, b',') {
            let parameter = parameter?.trim();
            if parameter.is_empty() {
                return Err(ScpiError::SYNTAX);
            }
            unit.parameters.push(parameter);
        }
    }
    Ok(unit)
}

/// A letter, then letters, digits or underscores; at most twelve.
fn mnemonic(text: &str) -> Result<&str, ScpiError> {
    if text.len() > MNEMONIC_MAX {
        return Err(ScpiError::MNEMONIC_TOO_LONG);
    }
    let sound = text.starts_with(|c: char| c.is_ascii_alphabetic())
        && text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_');
    if sound { Ok(text) } else { Err(ScpiError::SYNTAX) }
}

/// Pieces between separators that do not stand in quotes; an error for a quote that never ends.
fn split_outside_quotes(text: &str, separator: u8) -> impl Iterator<Item = Result<&str, ScpiError>> {
    let mut rest = Some(text);
    std::iter::from_fn(move || {
        let piece = rest?;
        let mut quote = None;
        for (i, b) in piece.bytes().enumerate() {
            match quote {
                Some(q) if q == b => quote = None,
                Some(_) => {}
                None if b == b'"' || b == b'\'' => quote = Some(b),
                None if b == separator => {
                    rest = Some(&piece[i + 1..]);
                    return Some(Ok(&piece[..i]));
                }
                None => {}
            }
        }
        rest = None;
        Some(if quote.is_some() { Err(ScpiError::INVALID_STRING) } else { Ok(piece) })
    })
}

fn parse_number(text: &str) -> Result<f64, ScpiError> {
    for (prefixes, radix) in [(["#H", "#h"], 16), (["#Q", "#q"], 8), (["#B", "#b"], 2)] {
        if let Some(digits) = prefixes.iter().find_map(|p| text.strip_prefix(p)) {
            let whole = digits.bytes().all(|b| b.is_ascii_hexdigit());
            let number = u32::from_str_radix(digits, radix).ok().filter(|_| whole);
            return number.map(f64::from).ok_or(ScpiError::NUMERIC_DATA);
        }
    }
    if !text.starts_with(|c: char| c.is_ascii_digit() || matches!(c, '+' | '-' | '.')) {
        return Err(ScpiError::DATA_TYPE);
    }
    let numeric = |b: u8| b.is_ascii_digit() || matches!(b, b'+' | b'-' | b'.' | b'e' | b'E');
    if let Some(at) = text.bytes().position(|b| !numeric(b)) {
        let number = text[..at].trim_end().parse::<f64>();
        return Err(if number.is_ok() { ScpiError::SUFFIX_NOT_ALLOWED } else { ScpiError::NUMERIC_DATA });
    }
    match text.parse::<f64>() {
        Ok(number) if number.is_finite() => Ok(number),
        _ => Err(ScpiError::NUMERIC_DATA),
    }
}

/// Appends a definite-length block (IEEE 488.2): `#`, one digit that counts the digits that
/// follow, those digits with the number of bytes, the bytes.
///
/// Panics for a billion bytes or more, which the one digit cannot announce.
pub fn definite_length_block(bytes: &[u8], out: &mut Vec<u8>) {
    let length = bytes.len().to_string();
    assert!(length.len() <= 9, "a definite-length block holds less than a billion bytes");
    out.extend_from_slice(format!("#{}{length}", length.len()).as_bytes());
    out.extend_from_slice(bytes);
}

/// The bytes of a line that is one definite-length block and nothing else; `None` if it is not.
pub fn block(line: &[u8]) -> Option<&[u8]> {
    let [b'#', digit @ b'1'..=b'9', rest @ ..] = line else { return None };
    let (length, bytes) = rest.split_at_checked(usize::from(digit - b'0'))?;
    let length: usize = std::str::from_utf8(length).ok()?.parse().ok()?;
    (bytes.len() == length && rest[0] != b'+').then_some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Message as text: paths joined by `:`, `?` for queries, parameters in brackets, `|` between
    /// units, the error's number at the end.
    fn shown(message: &str) -> String {
        let (units, error) = parse_message(message.as_bytes());
        let mut parts: Vec<String> = units
            .iter()
            .map(|u| {
                let star = if u.common { "*" } else { "" };
                let ask = if u.query { "?" } else { "" };
                let mut text = format!("{star}{}{ask}", u.path().join(":"));
                if !u.parameters.is_empty() {
                    text += &format!("[{}]", u.parameters.join("|"));
                }
                text
            })
            .collect();
        parts.extend(error.map(|e| e.code.to_string()));
        parts.join(" ")
    }

    /// One row: message, what it means. Rules of IEEE 488.2 and SCPI-99 volume 1, from memory.
    #[test]
    fn messages_are_taken_apart() {
        for (message, expected) in [
            ("*IDN?", "*IDN?"),
            ("SOUR:SPE 600.0;*OPC?", "SOUR:SPE[600.0] *OPC?"),
            ("SOUR:SPE 1;PUMP 2", "SOUR:SPE[1] SOUR:PUMP[2]"),
            ("SOUR:SPE 1;:SOUR:PUMP 2", "SOUR:SPE[1] SOUR:PUMP[2]"),
            ("SOUR:SPE 1;*OPC?;PUMP?", "SOUR:SPE[1] *OPC? SOUR:PUMP?"),
            (":MEAS:DRIV?", "MEAS:DRIV?"),
            ("  MEAS:DRIV?  ", "MEAS:DRIV?"),
            ("READ:BURS:CURR? 0 , 64", "READ:BURS:CURR?[0|64]"),
            ("A:B \"x;y,z\",2;C?", "A:B[\"x;y,z\"|2] A:C?"),
            ("", ""),
            ("   ", ""),
            ("A:B;;C", "A:B -102"),
            ("A::B", "-102"),
            ("?", "-102"),
            ("1A", "-102"),
            ("A 1,,2", "-102"),
            ("ABCDEFGHIJKLM", "-112"),
            ("A:B:C:D:E:F:G", "-113"),
            ("A 'x", "-151"),
            ("A\u{7}", "-101"),
            ("Ä", "-101"),
        ] {
            assert_eq!(shown(message), expected, "{message}");
        }
    }

    #[test]
    fn headers_match_in_long_and_short_form_and_nothing_between() {
        for (message, pattern, expected) in [
            ("MEAS:DRIV?", "MEASure:DRIVe", true),
            ("measure:drive?", "MEASure:DRIVe", true),
            ("Meas:Drive?", "MEASure:DRIVe", true),
            ("MEASU:DRIV?", "MEASure:DRIVe", false),
            ("MEAS?", "MEASure:DRIVe", false),
            ("MEAS:DRIV:X?", "MEASure:DRIVe", false),
            ("SYST:ERR?", "SYSTem:ERRor[:NEXT]", true),
            ("SYST:ERR:NEXT?", "SYSTem:ERRor[:NEXT]", true),
            ("SYST:ERR:COUN?", "SYSTem:ERRor[:NEXT]", false),
            ("*idn?", "*IDN", true),
            ("IDN?", "*IDN", false),
            ("*MEAS", "MEASure", false),
        ] {
            let (units, _) = parse_message(message.as_bytes());
            assert_eq!(units[0].is(pattern), expected, "{message} {pattern}");
        }
    }

    #[test]
    fn numbers_are_read_or_refused_by_their_number() {
        for (text, expected) in [
            ("600", Ok(600.0)),
            ("-1.5e2", Ok(-150.0)),
            (".5", Ok(0.5)),
            ("#H0F", Ok(15.0)),
            ("#q17", Ok(15.0)),
            ("#B1111", Ok(15.0)),
            ("#HXY", Err(-120)),
            ("#H+1", Err(-120)),
            ("600 RPM", Err(-138)),
            ("inf", Err(-104)),
            ("NaN", Err(-104)),
            ("1e999", Err(-120)),
            ("1-", Err(-120)),
            ("1,2", Err(-108)),
            ("", Err(-109)),
        ] {
            let message = format!("A {text}");
            let (units, _) = parse_message(message.as_bytes());
            assert_eq!(units[0].number().map_err(|e| e.code), expected, "{text}");
        }
    }

    /// IEEE 488.2: `#` digit-count length bytes.
    #[test]
    fn blocks_carry_their_length() {
        for (length, head) in [(0, "#10"), (2, "#12"), (10, "#210"), (256, "#3256")] {
            let mut out = Vec::new();
            definite_length_block(&vec![0xA5; length], &mut out);
            assert_eq!(&out[..head.len()], head.as_bytes());
            assert_eq!(out.len(), head.len() + length);
            assert_eq!(block(&out), Some(&out[head.len()..]));
        }
    }

    #[test]
    fn what_is_not_one_whole_block_is_none() {
        for line in
            ["", "#", "#0ab", "#2", "#1", "#12a", "#12abc", "#1+a", "#x1a", "12", "#9", " #12ab", "#2+1a"]
        {
            assert_eq!(block(line.as_bytes()), None, "{line}");
        }
        assert_eq!(block(b"#12a\n"), Some(b"a\n".as_slice()));
    }

    proptest! {
        #[test]
        fn garbage_never_panics(line in proptest::collection::vec(any::<u8>(), 0..80)) {
            let (units, _) = parse_message(&line);
            for unit in &units {
                let _ = (unit.is("SYSTem:ERRor[:NEXT]"), unit.number(), unit.numbers::<2>());
            }
        }

        #[test]
        fn near_messages_never_panic(line in "[A-C*:;?,'\"#0-9 .+e-]{0,40}") {
            let (units, _) = parse_message(line.as_bytes());
            for unit in &units {
                let _ = (unit.is("A:B[:C]"), unit.number(), unit.numbers::<2>());
            }
        }
    }
}
