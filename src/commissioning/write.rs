//! The text of a unit file with what was measured in place of what was known before. Everything else stays as it is, to the byte:
//! a person's remarks, the layout, the ends of lines.

use super::RungError;
use super::unit::{Found, places, said, to_be_found};
use crate::diag::Sources;
use crate::files::load::read_unit;
use crate::files::unit::Unit as UnitFile;
use crate::plan::Plan;
use std::ops::Range;
use toml_edit::{Document, Item, Value};

/// Begin and end of the part of a remark that is this room's own: what stands outside is a person's.
const OWN: (&str, char) = ("[spinproof: ", ']');

/// The text of a unit file with what was found. By what a figure is known, and what was known before, stands in a remark
/// behind it; an inline table has no room for one.
///
/// Errors if the text is no TOML, or has no such key.
pub fn write_back(text: &str, found: &[Found]) -> Result<String, RungError> {
    let file = Document::parse(text).map_err(|e| RungError(e.to_string()))?;
    let mut edits: Vec<(Range<usize>, String)> = Vec::new();
    for place in places(found) {
        let ((table, key), [low, high]) = (place.key(), place.ends());
        let under = file.as_table().get(table);
        let value = under.and_then(|under| under.get(key)).and_then(Item::as_value);
        let (Some(under), Some(value), Some(span)) = (under, value, value.and_then(Value::span)) else {
            return Err(RungError(format!("the unit file has no `{key}` under [{table}]")));
        };
        match two(value) {
            // What stands between the two, remarks and ends of lines, stays.
            Some(ends) => edits.extend(ends.into_iter().zip([low, high].map(|end| format!("\"{end}\"")))),
            None => edits.push((span.clone(), format!("[\"{low}\", \"{high}\"]"))),
        }
        if !under.is_inline_table() {
            let rest = rest_of_line(text, span.end);
            let new = remarked(&text[rest.clone()], &place.remark());
            edits.push((rest, new));
        }
    }
    edits.sort_by_key(|(at, _)| at.start);
    let mut new = text.to_string();
    edits.into_iter().rev().for_each(|(at, with)| new.replace_range(at, &with));
    Ok(new)
}

/// Where the two ends of a range stand; `None` of a value that is no list of two.
fn two(value: &Value) -> Option<[Range<usize>; 2]> {
    let list = value.as_array().filter(|list| list.len() == 2)?;
    Some([list.get(0)?.span()?, list.get(1)?.span()?])
}

/// From a place to the end of its line, without what ends the line.
fn rest_of_line(text: &str, from: usize) -> Range<usize> {
    let line = text[from..].split('\n').next().unwrap_or_default();
    from..from + line.trim_end_matches('\r').len()
}

/// What stands behind a value, with the room's own remark in place of an older one.
fn remarked(rest: &str, remark: &str) -> String {
    let own = format!("{}{remark}{}", OWN.0, OWN.1);
    let Some((space, said)) = rest.split_once('#') else { return format!(" # {own}") };
    let kept = without_own(said);
    if kept.trim().is_empty() { format!("{space}# {own}") } else { format!("{space}#{kept} {own}") }
}

/// A remark without the room's own part, which holds no bracket; one that nothing ends is a person's.
fn without_own(said: &str) -> String {
    let (mut kept, mut rest) = (String::new(), said);
    while let Some((before, from)) = rest.split_once(OWN.0) {
        match from.split_once(['[', OWN.1]) {
            Some((own, after)) if from[own.len()..].starts_with(OWN.1) => {
                kept.push_str(before.trim_end());
                rest = after;
            }
            _ => {
                kept.push_str(before);
                kept.push_str(OWN.0);
                rest = from;
            }
        }
    }
    kept.push_str(rest);
    kept.trim_end().to_string()
}

/// Whether what a plan may measure can be written into a unit file, before anything is measured.
///
/// Errors if it cannot, or if what would stand there would not be read again.
pub fn writable(text: &str, file: &UnitFile, plan: &Plan) -> Result<(), RungError> {
    let cannot = |why: String| {
        RungError(format!(
            "what is measured could not be written into the unit file: {why}; write it as the two ends in a list"
        ))
    };
    let probes = to_be_found(plan, file);
    let new = write_back(text, &probes).map_err(|error| cannot(error.to_string()))?;
    let (read, _) = read_unit(&mut Sources::default(), "unit.toml", &new);
    for place in places(&probes) {
        let (table, key) = place.key();
        let (now, must) = (read.as_ref().and_then(|read| said(read, key)), place.span_si());
        let same = |a: f64, b: f64| (a - b).abs() <= 1e-6 * b.abs();
        if !now.is_some_and(|now| same(now[0], must[0]) && same(now[1], must[1])) {
            return Err(cannot(format!("`{key}` under [{table}] would not be read again as written")));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests;
