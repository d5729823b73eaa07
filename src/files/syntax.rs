//! Mistakes of TOML syntax in our own words, and how much of the tree can be trusted after them.

use crate::diag::{Diag, FileId, Place};
use crate::units::parse_quantity;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What the mistakes of syntax in a file are, and what may be said about its content beside them.
pub(super) struct Syntax {
    /// Messages, at most one for a line.
    pub(super) diags: Vec<Diag>,
    /// Bytes about whose content nothing can be said: what follows from the mistakes.
    doubtful: Vec<Range<usize>>,
    /// Whether keys were lost, so that nothing can be called missing.
    lossy: bool,
    /// Whether the tree is what was meant in spite of the mistakes.
    pub(super) sound: bool,
}

impl Syntax {
    /// Whether a message about what is written at `place` says something new.
    pub(super) fn allows(&self, place: Place) -> bool {
        !self.doubtful.iter().any(|range| place.start <= range.end && range.start <= place.end)
    }

    /// Whether something can be called missing.
    pub(super) fn allows_missing(&self) -> bool {
        !self.lossy
    }
}

/// Puts the parser's errors into words. `tree` is what the parser recovered.
pub(super) fn syntax(
    file: FileId,
    text: &str,
    tree: &Spanned<DeTable<'_>>,
    errors: &[toml::de::Error],
) -> Syntax {
    let mut found: Vec<(Range<usize>, &str)> = errors
        .iter()
        .map(|error| (error.span().unwrap_or(text.len()..text.len()), error.message()))
        .map(|(span, message)| (span.start.min(text.len())..span.end.min(text.len()), message))
        .collect();
    found.sort_by_key(|(span, _)| span.start);
    let mut result = Syntax { diags: Vec::new(), doubtful: Vec::new(), lossy: false, sound: true };
    if let Some(open) = never_closed(tree, &found) {
        never_closed_message(file, text, open, &mut found, &mut result);
    }
    let mut line_said = None;
    let mut torn = false;
    for (span, message) in &found {
        let line = line_of(text, span.start);
        // What looks written twice after a header was lost is not.
        if line_said.as_ref() == Some(&line) || (torn && *message == "duplicate key") {
            continue;
        }
        if *message == "duplicate key"
            && let Some(single) = single_header(text, &line)
        {
            if result.allows(Place::new(file, single.clone())) {
                let name = &text[single.clone()];
                let diag = Diag::at(
                    Place::new(file, single.clone()),
                    format!("`{name}` is one table, and a list below"),
                );
                let diag = diag.label("one").other(Place::new(file, trimmed(text, &line)), "one of a list");
                result.diags.push(diag.help(format!("write [{name}] for each")));
                result.doubtful.push(single);
                result.sound = false;
            }
            continue;
        }
        let said = say(text, span, message, &line);
        let mut diag = Diag::at(Place::new(file, said.span.clone()), said.message).help_opt(said.help);
        if *message == "duplicate key"
            && let Some(before) = written_before(text, said.span.clone())
        {
            diag = diag.label("here again").other(Place::new(file, before), "first here");
        }
        result.doubtful.push(match said.spoils {
            Spoils::Value => said.span,
            Spoils::Line | Spoils::Key => line.clone(),
            Spoils::Rest => line.start..text.len(),
        });
        result.sound &= said.spoils == Spoils::Value;
        torn |= said.spoils == Spoils::Rest;
        result.lossy |= matches!(said.spoils, Spoils::Key | Spoils::Rest);
        // Several values without quotes may stand in one line, each its own mistake.
        line_said = (!matches!(said.spoils, Spoils::Value)).then_some(line);
        result.diags.push(diag);
    }
    result
}

/// How far a mistake reaches.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Spoils {
    /// Only this value.
    Value,
    /// Something in this line, but its key is known.
    Line,
    /// A key of this line is not known.
    Key,
    /// Everything from this line on.
    Rest,
}

struct Said {
    span: Range<usize>,
    message: String,
    help: Option<String>,
    spoils: Spoils,
}

/// A piece of a line without the remark at its end: from the first `#` that is not within quotes.
fn without_remark(piece: &str) -> &str {
    let mut quoted = false;
    let end = piece.find(|c| {
        quoted ^= c == '"';
        c == '#' && !quoted
    });
    &piece[..end.unwrap_or(piece.len())]
}

/// One error of the parser in our words. `line` is the line of its begin.
fn say(text: &str, span: &Range<usize>, message: &str, line: &Range<usize>) -> Said {
    let written = text.get(span.clone()).unwrap_or("");
    let rest = without_remark(text.get(span.start..line.end).unwrap_or("")).trim_end();
    let to_end = span.start..span.start + rest.len();
    let said = |span: Range<usize>, message: String, help: Option<String>, spoils: Spoils| Said {
        span,
        message,
        help,
        spoils,
    };
    let starts = |parts: &[&str]| parts.iter().any(|part| message.starts_with(part));
    match message {
        _ if starts(&["string values must be quoted"]) => unquoted(text, span, line),
        "duplicate key" => said(
            span.clone(),
            format!("`{written}` is written twice"),
            Some("keep one of them, or give each its own name".into()),
            Spoils::Value,
        ),
        _ if starts(&["invalid basic string", "invalid literal string", "invalid multi-line"]) => {
            let start =
                text[line.start..span.start].rfind(['"', '\'']).map_or(line.start, |i| line.start + i);
            let help = "end it with the quote it begins with, in the same line";
            said(start..span.start, "this text is not closed".into(), Some(help.into()), Spoils::Line)
        }
        // The parser takes any bare word with the first letter of true or false for one of them.
        _ if starts(&["invalid boolean"]) => match written.to_lowercase().as_str() {
            word @ ("true" | "false") => said(
                span.clone(),
                format!("`{written}` is neither true nor false"),
                Some(format!("write {word}")),
                Spoils::Value,
            ),
            _ => Said { spoils: Spoils::Line, ..unquoted(text, span, line) },
        },
        _ if starts(&["missing comma", "extra assignment between"]) => {
            let spoils = if message.contains("array elements") { Spoils::Line } else { Spoils::Rest };
            said(to_end, "a comma is missing before this".into(), None, spoils)
        }
        _ if starts(&["extra comma"]) => {
            said(span.clone(), "there is one comma too many".into(), None, Spoils::Value)
        }
        _ if starts(&["unexpected key or value, expected newline"]) => {
            let help = (rest == ",").then(|| "a line of its own ends without a comma".to_string());
            said(to_end, format!("found `{rest}`, expected the end of the line"), help, Spoils::Line)
        }
        _ if starts(&["unclosed table", "unclosed array table"]) => {
            let bracket = if message.contains("array") { "]]" } else { "]" };
            let help = format!("end it with `{bracket}`");
            said(line.clone(), "this header is not closed".into(), Some(help), Spoils::Rest)
        }
        _ if starts(&["key with no value", "invalid unquoted key", "unquoted keys cannot be empty"]) => {
            let whole = text[line.clone()].trim();
            let help = match whole {
                _ if whole.starts_with("//") => "a remark begins with `#`",
                _ if whole.starts_with('[') => "a header is a name in brackets, such as [limits]",
                _ => "a line is `key = value`, a header such as [limits], or a remark after `#`",
            };
            said(
                trimmed(text, line),
                "expected a key, `=` and a value".into(),
                Some(help.into()),
                Spoils::Key,
            )
        }
        _ if starts(&["missing escaped value"]) => said(
            span.start.saturating_sub(1).max(line.start)..span.end,
            "this backslash stands for nothing known".into(),
            Some("write \\\\ for a backslash, or put the text in single quotes".into()),
            Spoils::Line,
        ),
        _ if starts(&["extra `=`"]) => {
            said(span.clone(), "there is one `=` too many".into(), None, Spoils::Line)
        }
        _ if starts(&["missing value"]) => {
            said(trimmed(text, line), "there is no value after the `=`".into(), None, Spoils::Line)
        }
        _ if starts(&["unexpected leading zero", "invalid ", "unexpected "]) => {
            said(to_end, message.to_lowercase(), None, Spoils::Line)
        }
        _ => said(to_end, message.to_lowercase(), None, Spoils::Rest),
    }
}

/// A value that should stand in quotes: the slip that everybody makes with a quantity.
fn unquoted(text: &str, span: &Range<usize>, line: &Range<usize>) -> Said {
    let written = text.get(span.clone()).unwrap_or("").trim_end();
    let span = span.start..span.start + written.len();
    if written.is_empty() {
        let message = "there is no value after the `=`".to_string();
        return Said { span: trimmed(text, line), message, help: None, spoils: Spoils::Line };
    }
    if text[span.end..].trim_start_matches([' ', '\t']).starts_with('=') {
        let message = "a comma is missing in this".to_string();
        return Said { span, message, help: None, spoils: Spoils::Rest };
    }
    let bare = written.trim_matches(['“', '”', '„', '‘', '’', '«', '»']);
    let message = match (bare == written, parse_quantity(written).is_ok()) {
        (false, _) => format!("`{written}` stands in typographic quotes"),
        (true, true) => format!("the quantity `{written}` stands without quotes"),
        (true, false) => format!("`{written}` stands without quotes"),
    };
    Said { span, message, help: Some(format!("write \"{bare}\"")), spoils: Spoils::Value }
}

/// The outermost list or inline table that is open until the end of the file.
fn never_closed(tree: &Spanned<DeTable<'_>>, found: &[(Range<usize>, &str)]) -> Option<usize> {
    let at = found
        .iter()
        .filter(|(_, message)| {
            message.starts_with("unclosed array, ") || message.starts_with("unclosed inline table")
        })
        .map(|(span, _)| span.start)
        .max()?;
    let mut open = None;
    outermost(tree.get_ref(), at, &mut open);
    open
}

/// The first byte of the earliest value that reaches to `end`.
fn outermost(table: &DeTable<'_>, end: usize, open: &mut Option<usize>) {
    for value in table.values() {
        outermost_value(value, end, open);
    }
}

fn outermost_value(value: &Spanned<DeValue<'_>>, end: usize, open: &mut Option<usize>) {
    let span = value.span();
    match value.get_ref() {
        DeValue::Array(items) => {
            if span.end >= end && open.is_none_or(|open| span.start < open) {
                *open = Some(span.start);
            }
            items.iter().for_each(|item| outermost_value(item, end, open));
        }
        DeValue::Table(table) => {
            if span.end >= end && open.is_none_or(|open| span.start < open) {
                *open = Some(span.start);
            }
            outermost(table, end, open);
        }
        _ => {}
    }
}

/// Says that what opens at `open` is never closed, or that a text inside it is not, and takes
/// out the errors that follow from it.
fn never_closed_message(
    file: FileId,
    text: &str,
    open: usize,
    found: &mut Vec<(Range<usize>, &str)>,
    result: &mut Syntax,
) {
    result.lossy = true;
    result.sound = false;
    result.doubtful.push(open..text.len());
    let quote = found.iter().find(|(span, message)| {
        span.start >= open && (message.starts_with("invalid basic") || message.starts_with("invalid literal"))
    });
    if let Some(quote) = quote.cloned() {
        found.retain(|(span, _)| span.start < open);
        found.push(quote);
        return;
    }
    found.retain(|(span, _)| span.start < open);
    let (what, bracket) = if text[open..].starts_with('{') { ("table", "}") } else { ("list", "]") };
    let diag =
        Diag::at(Place::new(file, open..(open + 1).min(text.len())), format!("this {what} is not closed"));
    result.diags.push(diag.help(format!("end it with `{bracket}`")));
}

/// Where the key or the header at `span` was written before: a line that begins alike, before it; for a
/// key, in the same table.
fn written_before(text: &str, span: Range<usize>) -> Option<Range<usize>> {
    let line = line_of(text, span.start);
    let alike = |line: &str| -> String {
        let line = line.trim();
        match line.starts_with('[') {
            true => line.split('#').next().unwrap_or(line).trim().to_string(),
            false => line.split('=').next().unwrap_or(line).trim().to_string(),
        }
    };
    let sought = alike(text.get(line.clone())?);
    let is_header = sought.starts_with('[');
    let mut end = line.start;
    while end > 0 {
        let before = line_of(text, end - 1);
        let content = text.get(before.clone())?;
        if alike(content) == sought {
            return Some(trimmed(text, &before));
        }
        if !is_header && content.trim_start().starts_with('[') {
            return None;
        }
        end = before.start;
    }
    None
}

/// Where `[name]` stands, if `line` is a header `[[name]]`.
fn single_header(text: &str, line: &Range<usize>) -> Option<Range<usize>> {
    let header = text[line.clone()].split('#').next()?.trim();
    let single = header.strip_prefix('[')?.strip_suffix(']')?;
    if !single.starts_with('[') {
        return None;
    }
    let mut start = 0;
    for line in text.split_inclusive('\n') {
        if line.split('#').next().is_some_and(|content| content.trim() == single) {
            return Some(trimmed(text, &(start..start + line.split('#').next().map_or(0, str::len))));
        }
        start += line.len();
    }
    None
}

/// The line of a byte, without its end.
fn line_of(text: &str, at: usize) -> Range<usize> {
    let bytes = text.as_bytes();
    let at = at.min(bytes.len());
    let start = bytes[..at].iter().rposition(|b| *b == b'\n').map_or(0, |i| i + 1);
    let end = bytes[at..].iter().position(|b| *b == b'\n').map_or(bytes.len(), |i| at + i);
    start..end
}

/// What stands in a line, without the space around it.
fn trimmed(text: &str, line: &Range<usize>) -> Range<usize> {
    let content = &text[line.clone()];
    let start = line.start + content.len() - content.trim_start().len();
    start..start + content.trim().len()
}
