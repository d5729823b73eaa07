//! Templates for what is sent and patterns for what comes back.
//!
//! `{name}` in a pattern takes the text up to the next literal; `{_}` passes over one field, whatever stands there but what
//! parts fields. `{value:.1}` in a template becomes the number with one decimal. `{{` and `}}` are braces.

use crate::units::{push_decimals, round_decimals};
use std::ops::Range;

/// Why a template or pattern cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{message}")]
pub struct PatternError {
    /// What was found, what was expected.
    pub message: String,
    /// Bytes of the text that it is about.
    pub span: Range<usize>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Part {
    Literal(String),
    Field { name: String, format: Option<String>, span: Range<usize> },
}

fn parse(text: &str) -> Result<Vec<Part>, PatternError> {
    let mut parts = Vec::new();
    let mut literal = String::new();
    let mut chars = text.char_indices().peekable();
    while let Some((start, c)) = chars.next() {
        match c {
            '{' | '}' if matches!(chars.peek(), Some((_, next)) if *next == c) => {
                chars.next();
                literal.push(c);
            }
            '{' => {
                let Some(length) = text[start..].find('}') else {
                    return Err(PatternError {
                        message: "`{` without `}`; a brace itself is written `{{`".into(),
                        span: start..text.len(),
                    });
                };
                let end = start + length;
                while matches!(chars.peek(), Some((i, _)) if *i <= end) {
                    chars.next();
                }
                let inside = &text[start + 1..end];
                let (name, format) = match inside.split_once(':') {
                    Some((name, format)) => (name.trim(), Some(format.trim().to_string())),
                    None => (inside.trim(), None),
                };
                if name.is_empty() || !name.chars().all(|c| c.is_alphanumeric() || c == '_') {
                    return Err(PatternError {
                        message: format!("`{{{inside}}}` does not name a field"),
                        span: start..end + 1,
                    });
                }
                if !literal.is_empty() {
                    parts.push(Part::Literal(std::mem::take(&mut literal)));
                }
                parts.push(Part::Field { name: name.into(), format, span: start..end + 1 });
            }
            '}' => {
                return Err(PatternError {
                    message: "`}` without `{`; a brace itself is written `}}`".into(),
                    span: start..start + 1,
                });
            }
            _ => literal.push(c),
        }
    }
    if !literal.is_empty() {
        parts.push(Part::Literal(literal));
    }
    Ok(parts)
}

/// What is sent: literal text with at most one number `{value}`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Template {
    before: Vec<u8>,
    value: Option<Decimals>,
    after: Vec<u8>,
}

/// How many decimals a number is sent with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Decimals(usize);

impl Template {
    /// Reads a template and appends `ends_with`.
    ///
    /// Errors on unmatched braces, on a field that is not `{value}`, on more than one, and on a
    /// format other than `.0` to `.9`.
    pub fn parse(text: &str, ends_with: &[u8]) -> Result<Template, PatternError> {
        let mut template = Template { before: Vec::new(), value: None, after: Vec::new() };
        for part in parse(text)? {
            match part {
                Part::Literal(literal) => {
                    let target =
                        if template.value.is_none() { &mut template.before } else { &mut template.after };
                    target.extend_from_slice(literal.as_bytes());
                }
                Part::Field { name, format, span } => {
                    if name != "value" || template.value.is_some() {
                        let message = "a template has one field, `{value}`".to_string();
                        return Err(PatternError { message, span });
                    }
                    template.value = Some(Decimals(match format.as_deref() {
                        None => 3,
                        Some(f) => match f.strip_prefix('.').and_then(|d| d.parse().ok()) {
                            Some(decimals @ 0..=9) => decimals,
                            _ => {
                                let message =
                                    format!("`{f}` is not a format; `.0` to `.9` give the decimals");
                                return Err(PatternError { message, span });
                            }
                        },
                    }));
                }
            }
        }
        template.after.extend_from_slice(ends_with);
        Ok(template)
    }

    /// Whether the template has a `{value}`.
    pub fn has_value(&self) -> bool {
        self.value.is_some()
    }

    /// The bytes for a number in the unit on the wire; a negative zero is sent as zero.
    pub fn encode(&self, number: f64) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(self.before.len() + self.after.len() + 16);
        bytes.extend_from_slice(&self.before);
        if let Some(Decimals(decimals)) = self.value {
            push_decimals(&mut bytes, number, decimals);
        }
        bytes.extend_from_slice(&self.after);
        bytes
    }

    /// The number that `encode` puts on the wire: rounded to the template's decimals.
    pub fn rounded(&self, number: f64) -> f64 {
        self.value.map_or(number, |Decimals(decimals)| round_decimals(number, decimals))
    }
}

/// What is sent with whole numbers in it: `READ? {offset},{count}`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Counted {
    /// What stands before each number, and which number it is.
    before: Vec<(Vec<u8>, usize)>,
    after: Vec<u8>,
}

impl Counted {
    /// Reads a template in which each of `names` stands once, and appends `ends_with`.
    ///
    /// Errors on unmatched braces, on another name, on a name that is lacking or stands twice, and on a format.
    pub fn parse(text: &str, names: &[&str], ends_with: &[u8]) -> Result<Counted, PatternError> {
        let mut counted = Counted { before: Vec::new(), after: Vec::new() };
        for part in parse(text)? {
            match part {
                Part::Literal(literal) => counted.after.extend_from_slice(literal.as_bytes()),
                Part::Field { name, format, span } => {
                    let number = names.iter().position(|n| *n == name);
                    let again = number.is_some_and(|n| counted.before.iter().any(|(_, m)| *m == n));
                    let (Some(number), None, false) = (number, &format, again) else {
                        let wanted: Vec<String> = names.iter().map(|n| format!("{{{n}}}")).collect();
                        let message = format!("each of {} stands here once and plain", wanted.join(", "));
                        return Err(PatternError { message, span });
                    };
                    counted.before.push((std::mem::take(&mut counted.after), number));
                }
            }
        }
        if let Some(lacking) = (0..names.len()).find(|n| counted.before.iter().all(|(_, m)| m != n)) {
            let message = format!("`{{{}}}` is lacking", names[lacking]);
            return Err(PatternError { message, span: 0..text.len() });
        }
        counted.after.extend_from_slice(ends_with);
        Ok(counted)
    }

    /// The bytes for the numbers, in the order of the names.
    pub fn encode(&self, numbers: &[usize]) -> Vec<u8> {
        let mut bytes = Vec::new();
        for (before, number) in &self.before {
            bytes.extend_from_slice(before);
            bytes.extend_from_slice(numbers[*number].to_string().as_bytes());
        }
        bytes.extend_from_slice(&self.after);
        bytes
    }
}

/// What comes back: literal text and fields.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern {
    text: String,
    parts: Vec<Part>,
    fields: Vec<String>,
}

impl Pattern {
    /// Reads a pattern.
    ///
    /// Errors on unmatched braces, on two fields without text between them, on a format, and on a
    /// name used twice.
    pub fn parse(text: &str) -> Result<Pattern, PatternError> {
        let parts = parse(text)?;
        let mut fields: Vec<String> = Vec::new();
        let mut after_field = false;
        for part in &parts {
            match part {
                Part::Literal(_) => after_field = false,
                Part::Field { name, format, span } => {
                    let message = if after_field {
                        "two fields with nothing between them cannot be told apart".to_string()
                    } else if format.is_some() {
                        "a pattern takes what stands there and has no format".to_string()
                    } else if name != "_" && fields.contains(name) {
                        format!("`{{{name}}}` stands here twice")
                    } else {
                        fields.push(name.clone());
                        after_field = true;
                        continue;
                    };
                    return Err(PatternError { message, span: span.clone() });
                }
            }
        }
        Ok(Pattern { text: text.into(), parts, fields })
    }

    /// The pattern as written.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Names of the fields in order; `_` for those passed over.
    pub fn fields(&self) -> &[String] {
        &self.fields
    }

    /// Whether both are alike but for the names of their fields: what fits one then fits the other.
    pub fn is_shaped_like(&self, other: &Pattern) -> bool {
        let same = |(a, b): (&Part, &Part)| match (a, b) {
            (Part::Literal(a), Part::Literal(b)) => a == b,
            (Part::Field { .. }, Part::Field { .. }) => true,
            _ => false,
        };
        self.parts.len() == other.parts.len() && self.parts.iter().zip(&other.parts).all(same)
    }

    /// The texts of the fields if `line` (without its terminator) fits, white space around each
    /// trimmed. A field takes as little as lets the next literal follow; the last takes the rest. What is passed over
    /// holds nothing that parts two fields: a separator too many, as a flipped bit makes one, would move every value
    /// after it by one field, and nobody looks at the text that takes the surplus.
    pub fn fit<'l>(&self, line: &'l [u8]) -> Option<Vec<&'l str>> {
        let line = std::str::from_utf8(line).ok()?;
        let mut rest = line;
        let mut fields = Vec::with_capacity(self.fields.len());
        let mut open = false;
        for part in &self.parts {
            match part {
                Part::Literal(literal) if open => {
                    let at = find(rest, literal)?;
                    fields.push(self.one(fields.len(), &rest[..at])?);
                    rest = &rest[at + literal.len()..];
                    open = false;
                }
                Part::Literal(literal) => rest = rest.strip_prefix(literal.as_str())?,
                Part::Field { .. } => open = true,
            }
        }
        if open {
            fields.push(self.one(fields.len(), rest)?);
            rest = "";
        }
        rest.trim().is_empty().then_some(fields)
    }

    /// The text of a field, if it can be one field alone.
    fn one<'l>(&self, index: usize, text: &'l str) -> Option<&'l str> {
        let several = || self.parted_by().any(|literal| find(text, literal).is_some());
        (self.fields[index] != "_" || !several()).then(|| text.trim())
    }

    /// What stands between two fields.
    fn parted_by(&self) -> impl Iterator<Item = &str> {
        self.parts.windows(3).filter_map(|three| match three {
            [Part::Field { .. }, Part::Literal(literal), Part::Field { .. }] => Some(literal.as_str()),
            _ => None,
        })
    }

    /// The longest line that fits if every field is at most `field_max` bytes long.
    pub fn length_max(&self, field_max: usize) -> usize {
        let literal: usize = self
            .parts
            .iter()
            .map(|p| match p {
                Part::Literal(l) => l.len(),
                Part::Field { .. } => field_max,
            })
            .sum();
        literal
    }
}

/// Where `literal` begins in `text`. Most are one byte long, a comma, for which the general search is slow.
fn find(text: &str, literal: &str) -> Option<usize> {
    match literal.as_bytes() {
        [byte] => text.bytes().position(|b| b == *byte),
        _ => text.find(literal),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fit(pattern: &str, line: &str) -> Option<Vec<String>> {
        let pattern = Pattern::parse(pattern).expect(pattern);
        pattern.fit(line.as_bytes()).map(|f| f.iter().map(|s| s.to_string()).collect())
    }

    /// One row per case: pattern, line, fields joined by `|`, or `-` if it does not fit.
    #[test]
    fn patterns_take_what_stands_there() {
        for (pattern, line, expected) in [
            ("{a},{b}", "1.5,-2", "1.5|-2"),
            ("n {a};i {b}A", "n 12;i 3.25A", "12|3.25"),
            ("{a},{_},{b}", "1, 2 ,3", "1|2|3"),
            ("OK", "OK", ""),
            ("OK", "OK ", ""),
            ("OK", "OKAY", "-"),
            ("{a},{b}", "1", "-"),
            ("{{{a}}}", "{7}", "7"),
            ("{a},{b}", "1,2,3", "1|2,3"),
            ("{a},{b},{_};{c}", "0.5,2,3;4", "0.5|2|3|4"),
            ("{a},{b},{_};{c}", "0,5,2,3;4", "-"),
            ("{a},{_}", "1,2,3", "-"),
            ("{_};{_},{a}", "on, off;1,2", "-"),
            ("# {_}", "# one # two", "one # two"),
            ("T={a}C", "T=21.5", "-"),
            ("{a}", "", ""),
        ] {
            let got = fit(pattern, line).map_or("-".to_string(), |f| f.join("|"));
            assert_eq!(got, expected, "{pattern} on {line}");
        }
    }

    #[test]
    fn patterns_that_differ_in_names_alone_are_shaped_alike() {
        let pattern = |text| Pattern::parse(text).expect(text);
        for (other, alike) in [
            ("{c},{_}", true),
            ("{c};{d}", false),
            ("{c},{d},{e}", false),
            ("{c}", false),
            ("n {c},{d}", false),
            ("{c},{d} V", false),
        ] {
            assert_eq!(pattern("{a},{b}").is_shaped_like(&pattern(other)), alike, "{other}");
        }
    }

    #[test]
    fn templates_send_numbers_with_their_decimals() {
        let t = Template::parse("SOUR:SPE {value:.1}", b"\n").expect("template");
        assert_eq!(t.encode(599.96), b"SOUR:SPE 600.0\n");
        assert_eq!(t.encode(-0.01), b"SOUR:SPE 0.0\n");
        assert!((t.rounded(599.96) - 600.0).abs() < 1e-12);
    }

    #[test]
    fn counted_templates_send_whole_numbers() {
        let names = ["offset", "count"];
        let t = Counted::parse("READ? {count} FROM {offset};", &names, b"\n").expect("template");
        assert_eq!(t.encode(&[128, 64]), b"READ? 64 FROM 128;\n");
        for (text, part) in [
            ("READ? {offset}", "`{count}` is lacking"),
            ("{offset}{offset},{count}", "once"),
            ("{offset:.1},{count}", "plain"),
            ("{x},{offset},{count}", "each of"),
        ] {
            let e = Counted::parse(text, &names, b"").expect_err(text);
            assert!(e.message.contains(part), "{text}: {e}");
        }
    }

    #[test]
    fn what_is_no_pattern_says_where() {
        for (text, part, span) in [
            ("a {b", "without", 2..4),
            ("a }", "without", 2..3),
            ("{a}{b}", "told apart", 3..6),
            ("{a},{a}", "twice", 4..7),
            ("{}", "name", 0..2),
        ] {
            let e = Pattern::parse(text).expect_err(text);
            assert!(e.message.contains(part), "{text}: {e}");
            assert_eq!(e.span, span, "{text}");
        }
    }
}
