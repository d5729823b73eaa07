//! Whether two lines to a board say the same, however they are spelt.
//!
//! A line may hold several commands, parted by `;` (IEEE 488.2). Case, white space, a leading colon, the long and the short form of a
//! mnemonic and how a number is written make no difference (SCPI-99, volume 1, from memory); a header after `;` may go on from the
//! path of the one before. Words of one letter keep their case: boards are known that start by `S` and stop by `s`.

/// Stands for a number in a template; no file can hold it, since a line with it is no line.
const NUMBER: char = '\u{0}';

/// A line taken apart.
#[derive(Debug, Clone)]
pub struct Said {
    parts: Vec<Part>,
}

/// One command of a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Part {
    /// The header, and the header behind the path of the one before, where it may go on from there.
    headers: Vec<String>,
    parameters: String,
}

impl Said {
    /// Takes apart what is sent, as a rig file writes it: any field in braces stands for a number.
    pub fn of(text: &str) -> Said {
        let text = without_fields(text);
        let has_paths = text.contains(':');
        let mut path = String::new();
        let parts = text.split(';').map(str::trim).filter(|part| !part.is_empty());
        Said { parts: parts.map(|part| Part::of(part, has_paths, &mut path)).collect() }
    }

    /// The commands that set something: those that do not ask.
    pub fn sets(&self) -> impl Iterator<Item = &Part> {
        self.parts.iter().filter(|part| !part.asks())
    }

    /// Whether it asks and sets nothing.
    pub fn only_asks(&self) -> bool {
        self.sets().next().is_none()
    }

    /// Whether one of its commands is, or with the right number may be, the one given.
    pub fn may_say(&self, part: &Part) -> bool {
        self.parts.iter().any(|own| own.may_be(part))
    }

    /// Whether it may say all that another line sets, which must set something.
    pub fn may_say_all_of(&self, other: &Said) -> bool {
        !other.only_asks() && other.sets().all(|part| self.may_say(part))
    }
}

impl Part {
    fn of(part: &str, has_paths: bool, path: &mut String) -> Part {
        let (header, parameters) = part.split_once(char::is_whitespace).unwrap_or((part, ""));
        let folds = folds(part);
        let rooted = header.starts_with(':');
        let header = canonical_header(header.trim_start_matches(':'), has_paths, folds);
        let mut headers = vec![header.clone()];
        if !header.starts_with('*') {
            if !rooted && !path.is_empty() {
                headers.push(format!("{path}{header}"));
            }
            let whole = headers.last().unwrap_or(&header);
            *path = whole.rfind(':').map_or(String::new(), |end| whole[..=end].to_string());
        }
        let parameters: Vec<String> =
            parameters.split(',').map(|p| canonical_parameter(p.trim(), folds)).collect();
        Part { headers, parameters: parameters.join(",") }
    }

    /// Whether it asks.
    pub fn asks(&self) -> bool {
        self.headers[0].ends_with('?')
    }

    /// Whether a number stands in it that is not known yet.
    pub fn has_number(&self) -> bool {
        self.parameters.contains(NUMBER) || self.headers[0].contains(NUMBER)
    }

    /// Whether it is the other, or with the right numbers may be.
    pub fn may_be(&self, other: &Part) -> bool {
        let header = |own: &String| other.headers.iter().any(|o| fits(own, o));
        self.headers.iter().any(header) && fits(&self.parameters, &other.parameters)
    }
}

/// Fields in braces as a number, doubled braces as one.
fn without_fields(text: &str) -> String {
    let mut plain = String::new();
    let mut rest = text;
    while let Some(at) = rest.find(['{', '}']) {
        plain.push_str(&rest[..at]);
        let brace = &rest[at..=at];
        if rest[at + 1..].starts_with(brace) {
            plain.push_str(brace);
            rest = &rest[at + 2..];
        } else {
            let end = rest[at..].find('}').filter(|_| brace == "{").unwrap_or(0);
            plain.push(NUMBER);
            rest = &rest[at + end + 1..];
        }
    }
    plain + rest
}

/// Whether case makes no difference: where there is a word of two letters or more.
fn folds(part: &str) -> bool {
    part.as_bytes().windows(2).any(|pair| pair.iter().all(u8::is_ascii_alphabetic))
}

fn canonical_header(header: &str, has_paths: bool, folds: bool) -> String {
    let header = if folds { header.to_ascii_lowercase() } else { header.to_string() };
    if !has_paths || header.starts_with('*') {
        return header;
    }
    header.split(':').map(short).collect::<Vec<_>>().join(":")
}

/// The short form of a mnemonic: four letters, or three where the fourth is a vowel; a number behind it stays.
fn short(mnemonic: &str) -> String {
    let letters = mnemonic.bytes().take_while(u8::is_ascii_alphabetic).count();
    let vowel = matches!(mnemonic.as_bytes().get(3), Some(b'a' | b'e' | b'i' | b'o' | b'u'));
    let kept = match letters {
        0..=4 => letters,
        _ if vowel => 3,
        _ => 4,
    };
    format!("{}{}", &mnemonic[..kept], &mnemonic[letters..])
}

/// A number in one spelling; anything else with its white space made one blank.
fn canonical_parameter(text: &str, folds: bool) -> String {
    if let Some(number) = number(text) {
        // Adding zero takes the sign from a negative zero.
        return format!("{}", number + 0.0);
    }
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    if folds { text.to_ascii_lowercase() } else { text }
}

/// A decimal number, or one to the base of 16, 8 or 2 (`#H`, `#Q`, `#B` of IEEE 488.2; `0x` as boards of their own words have it).
fn number(text: &str) -> Option<f64> {
    let lower = text.to_ascii_lowercase();
    for (prefix, base) in [("#h", 16), ("0x", 16), ("#q", 8), ("#b", 2)] {
        if let Some(digits) = lower.strip_prefix(prefix) {
            return u32::from_str_radix(digits, base).ok().map(f64::from);
        }
    }
    // `inf` and `nan` are words.
    let begins = lower.starts_with(|c: char| c.is_ascii_digit() || matches!(c, '+' | '-' | '.'));
    lower.parse().ok().filter(|number: &f64| begins && number.is_finite())
}

/// The most numbers that are left open in one command: a piece of a burst has two.
const NUMBERS: usize = 2;

/// Whether a text with numbers left open may be the other; what is left open in the other as well fits.
fn fits(pattern: &str, text: &str) -> bool {
    // Each of them may end anywhere: with more the tries would grow beyond all use.
    if pattern.matches(NUMBER).count() > NUMBERS {
        return false;
    }
    let Some((before, after)) = pattern.split_once(NUMBER) else { return pattern == text };
    let Some(rest) = text.strip_prefix(before) else { return false };
    let is_number = |digits: &str| digits.chars().eq([NUMBER]) || number(digits.trim()).is_some();
    let ends = rest.char_indices().map(|(at, c)| at + c.len_utf8());
    ends.into_iter().any(|end| is_number(&rest[..end]) && fits(after, &rest[end..]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn same(a: &str, b: &str) -> bool {
        Said::of(a).may_say_all_of(&Said::of(b))
    }

    #[test]
    fn one_command_in_two_spellings_is_the_same() {
        for spelling in [
            "CONT:WORD 15",
            "cont:word 15",
            ":CONT:WORD 15",
            "CONTROL:WORD 15",
            "  CONT:WORD   15  ;  *OPC?",
            "CONT:WORD 15.0",
            "CONT:WORD +1.5E1",
            "CONT:WORD #HF",
            "CONT:WORD #B1111",
            "CONT:WORD 0x0f",
            "CONT:WORD?;WORD 15",
            "MEAS:DRIV?;:CONT:WORD 15;:MEAS:SLOW?",
        ] {
            assert!(same(spelling, "CONT:WORD 15;*OPC?"), "{spelling}");
        }
        for other in ["CONT:WORD 0", "CONT:WORD?", "CONT:WORD 150", "WORD 15", "CONT:WORDS:A 15", "CONT:WORD"]
        {
            assert!(!same(other, "CONT:WORD 15;*OPC?"), "{other}");
        }
    }

    #[test]
    fn words_keep_their_length_and_single_letters_their_case() {
        assert!(same("GO ", "go") && same("turn  0", "turn 0"));
        assert!(!same("forget", "forgive") && !same("s", "S") && !same("M0", "m0"));
    }

    #[test]
    fn a_template_may_say_whatever_a_number_makes_of_it() {
        let demand = "SOUR:SPE {value:.1};*OPC?";
        for line in ["SOUR:SPE 0", "sour:speed -12.50;*OPC?", ":SOUR:SPE 1e3"] {
            assert!(same(demand, line), "{line}");
        }
        for line in ["SOUR:SPE MIN", "SOUR:SPE", "SOUR:SPE 1,2", "SOUR:SPE 0;:CONT:WORD 0", "SOUR:SPE?"] {
            assert!(!same(demand, line), "{line}");
        }
        assert!(same("V{value:.0}", "V0") && same("turn {value} rpm", "turn 0.00 rpm"));
        assert!(!same("V{value:.0}", "V") && !same("turn {value} rpm", "turn 0.00"));
        assert!(!same("a{{b}} {value}", "a{{b}} c") && same("a{{b}} {value}", "a{{b}} 3"));
    }

    #[test]
    fn what_only_asks_sets_nothing() {
        assert!(["*OPC?", "*IDN?;*OPC?", "MEAS:DRIV? 1 ;; *opc?"].iter().all(|l| Said::of(l).only_asks()));
        assert!(!["CONT:WORD 0;*OPC?", "off", "*RST"].iter().any(|l| Said::of(l).only_asks()));
    }
}
