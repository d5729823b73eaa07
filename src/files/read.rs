//! Reading values from TOML: every mistake is noted at its place and reading goes on.
//!
//! [`Field`] is implemented here for the plain types, for lists ([`Vec`]), for what may be absent
//! ([`Option`]), for what carries its place ([`At`]) and for named entries ([`Named`]); for quantities in
//! [`quantity`](super::quantity); for tables, words and choices by the macros of the room.

use crate::diag::{Diag, FileId, Place};
use crate::units::{self, Quantity};
use serde_json::json;
use std::collections::BTreeMap;
use toml::Spanned;
use toml::de::DeValue;

pub(super) use super::macros::{choice, table, words};
pub use super::quantity::*;
pub(super) use super::table::TableRule;
pub use crate::diag::suggestion;

/// Where a reader collects its messages.
#[derive(Debug)]
pub struct Reader<'t> {
    /// The file being read.
    pub file: FileId,
    /// Everything found wrong in what is written.
    pub diags: Vec<Diag>,
    /// Everything found missing. Kept apart, because after a mistake of syntax what is missing may only
    /// have been lost to it.
    pub missing: Vec<Diag>,
    text: &'t str,
}

impl<'t> Reader<'t> {
    /// A reader of the file `file` with the text `text`.
    pub fn new(file: FileId, text: &'t str) -> Self {
        Reader { file, diags: Vec::new(), missing: Vec::new(), text }
    }

    /// Notes a mistake at `place` and returns nothing, so that it can end a `match` arm.
    pub fn wrong<T>(&mut self, place: Place, message: impl Into<String>, help: Option<String>) -> Option<T> {
        self.diags.push(Diag::at(place, message).help_opt(help));
        None
    }

    /// The place of `span` in this file.
    pub fn place(&self, span: std::ops::Range<usize>) -> Place {
        Place::new(self.file, span)
    }

    /// Where a message about a whole table points: at its header, at the bracket that opens it, at the key
    /// that made it, or, for the whole file, at the first line that says something.
    pub(super) fn header(&self, table: Place) -> Place {
        let text = &self.text[table.start.min(self.text.len())..];
        if table.start == 0 && table.end == 0 {
            let line = text.split_inclusive('\n').map(str::trim_end);
            let mut start = 0;
            for line in line {
                let said = line.trim_start_matches(['\u{feff}', ' ', '\t']);
                if !said.is_empty() && !said.starts_with('#') {
                    start = said.as_ptr() as usize - text.as_ptr() as usize;
                    return Place { start, end: start + said.len(), ..table };
                }
            }
            return Place { start, end: start, ..table };
        }
        if text.starts_with('{') { Place { end: table.start + 1, ..table } } else { table }
    }
}

/// Definitions that a JSON Schema refers to, by name.
pub type Definitions = BTreeMap<String, serde_json::Value>;

/// A value that can be read from TOML with every mistake reported, and described by JSON Schema.
pub trait Field: Sized {
    /// Reads the value; on a mistake notes it and returns `None`.
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self>;

    /// What stands for the value when the key is absent; `None` if the key is required.
    fn absent() -> Option<Self> {
        None
    }

    /// The JSON Schema of the value.
    fn schema(definitions: &mut Definitions) -> serde_json::Value;

    /// How a value is written, for messages: a blank for a number, all words of a choice. None of it may be usable as it
    /// stands unless it is the only thing that can be meant: a message is pasted. `None` if there is no such form.
    fn example() -> Option<String> {
        None
    }
}

/// A value with the place where it was written.
#[derive(Debug, Clone, PartialEq)]
pub struct At<T> {
    /// The value.
    pub value: T,
    /// Where it was written.
    pub at: Place,
}

impl<T> std::ops::Deref for At<T> {
    type Target = T;
    fn deref(&self) -> &T {
        &self.value
    }
}

impl<T: Field> Field for At<T> {
    fn example() -> Option<String> {
        T::example()
    }
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        let at = reader.place(value.span());
        T::read(value, reader).map(|value| At { value, at })
    }
    fn schema(definitions: &mut Definitions) -> serde_json::Value {
        T::schema(definitions)
    }
}

impl<T: Field> Field for Option<T> {
    fn example() -> Option<String> {
        T::example()
    }
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        T::read(value, reader).map(Some)
    }
    fn absent() -> Option<Self> {
        Some(None)
    }
    fn schema(definitions: &mut Definitions) -> serde_json::Value {
        T::schema(definitions)
    }
}

impl<T: Field> Field for Vec<T> {
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        let Some(items) = value.get_ref().as_array() else {
            return mismatch(value, reader, "a list");
        };
        let read: Vec<Option<T>> = items.iter().map(|item| T::read(item, reader)).collect();
        read.into_iter().collect()
    }
    fn absent() -> Option<Self> {
        Some(Vec::new())
    }
    fn schema(definitions: &mut Definitions) -> serde_json::Value {
        json!({"type": "array", "items": T::schema(definitions)})
    }
}

/// Named entries in the order of the file, such as `[channel.speed]`.
#[derive(Debug, Clone, PartialEq)]
pub struct Named<T>(pub Vec<(At<String>, T)>);

impl<T> Named<T> {
    /// The entry of that name.
    pub fn get(&self, name: &str) -> Option<&T> {
        self.0.iter().find(|(n, _)| n.value == name).map(|(_, entry)| entry)
    }

    /// The entries with their names, in the order of the file.
    pub fn iter(&self) -> impl Iterator<Item = &(At<String>, T)> {
        self.0.iter()
    }
}

impl<T: Field> Field for Named<T> {
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        let Some(table) = value.get_ref().as_table() else {
            return mismatch(value, reader, "a table of named entries");
        };
        let mut entries: Vec<(&Spanned<_>, &Spanned<DeValue<'_>>)> = table.iter().collect();
        entries.sort_by_key(|(key, _)| key.span().start);
        let mut read = Vec::new();
        for (key, value) in entries {
            let name = At { value: key.get_ref().to_string(), at: reader.place(key.span()) };
            read.push(T::read(value, reader).map(|entry| (name, entry)));
        }
        read.into_iter().collect::<Option<Vec<_>>>().map(Named)
    }
    fn absent() -> Option<Self> {
        Some(Named(Vec::new()))
    }
    fn schema(definitions: &mut Definitions) -> serde_json::Value {
        json!({"type": "object", "additionalProperties": T::schema(definitions)})
    }
}

impl Field for String {
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        match value.get_ref().as_str() {
            Some(text) => Some(text.to_string()),
            None => mismatch(value, reader, "a text in quotes"),
        }
    }
    fn schema(_: &mut Definitions) -> serde_json::Value {
        json!({"type": "string"})
    }
}

impl Field for bool {
    fn example() -> Option<String> {
        Some("true | false".into())
    }
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        match value.get_ref().as_bool() {
            Some(yes) => Some(yes),
            None => mismatch(value, reader, "true or false"),
        }
    }
    fn schema(_: &mut Definitions) -> serde_json::Value {
        json!({"type": "boolean"})
    }
}

/// The version of the file format, which is 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FormatVersion;

impl Field for FormatVersion {
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        let Some(number) = value.get_ref().as_integer() else {
            return mismatch(value, reader, "the number 1");
        };
        if number.as_str() == "1" {
            return Some(FormatVersion);
        }
        let message = format!("this file has the format {}, expected format 1", number.as_str());
        let help = "this program reads `schema = 1`; a later program may have written this file";
        reader.wrong(reader.place(value.span()), message, Some(help.into()))
    }
    fn schema(_: &mut Definitions) -> serde_json::Value {
        json!({"const": 1})
    }
    fn example() -> Option<String> {
        Some("1".into())
    }
}

impl Field for u32 {
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        let number =
            value.get_ref().as_integer().and_then(|i| u32::from_str_radix(i.as_str(), i.radix()).ok());
        match number {
            Some(number) => Some(number),
            None => mismatch(value, reader, "a whole number from 0 to 4294967295"),
        }
    }
    fn schema(_: &mut Definitions) -> serde_json::Value {
        json!({"type": "integer", "minimum": 0, "maximum": u32::MAX})
    }
}

impl Field for f64 {
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        let number = match value.get_ref() {
            DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok().map(|i| i as f64),
            DeValue::Float(f) => f.as_str().parse::<f64>().ok().filter(|f| f.is_finite()),
            _ => None,
        };
        match number {
            Some(number) => Some(number),
            None => mismatch(value, reader, "a finite number"),
        }
    }
    fn schema(_: &mut Definitions) -> serde_json::Value {
        json!({"type": "number"})
    }
}

/// What a quantity looks like before its unit is read.
pub(super) const QUANTITY_PATTERN: &str =
    r"^\s*[+-]?(\d[\d_]*\.?[\d_]*|\.\d[\d_]*)([eE][+-]?\d+)?\s*[^\d\s.]*.*$";

/// Further from zero than any quantity of a bench in SI units, or nearer to it and not zero: a slip of the pen, and what is worked out
/// with it may be without bound.
fn is_absurd(si: f64) -> bool {
    si.abs() > 1e15 || (si != 0.0 && si.abs() < 1e-15)
}

/// A quantity whose kind is decided by something else in the files (a channel's unit): the plan
/// checks it.
impl Field for Quantity {
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        let Some(text) = value.get_ref().as_str() else {
            return mismatch(value, reader, "a quantity in quotes, as \"__ V\"");
        };
        match units::parse_quantity(text) {
            Ok(quantity) if is_absurd(quantity.si) => {
                let help = "write a quantity that a bench can have, such as \"155 V\"".to_string();
                reader.wrong(reader.place(value.span()), format!("`{text}` is beyond all use"), Some(help))
            }
            Ok(quantity) => Some(quantity),
            Err(error) => reader.wrong(reader.place(value.span()), error.message, error.help),
        }
    }
    fn schema(_: &mut Definitions) -> serde_json::Value {
        json!({"type": "string", "pattern": QUANTITY_PATTERN})
    }
}

impl Field for units::Unit {
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        let Some(text) = value.get_ref().as_str() else {
            return mismatch(value, reader, "a unit in quotes, such as \"rpm\"");
        };
        match units::parse_unit(text) {
            Ok(unit) => Some(unit),
            Err(error) => reader.wrong(reader.place(value.span()), error.message, error.help),
        }
    }
    fn schema(_: &mut Definitions) -> serde_json::Value {
        json!({"type": "string"})
    }
}

/// Notes that a value has the wrong TOML type.
pub(super) fn mismatch<T>(value: &Spanned<DeValue<'_>>, reader: &mut Reader, expected: &str) -> Option<T> {
    let found = match value.get_ref() {
        DeValue::String(text) => format!("the text \"{}\"", short(text)),
        DeValue::Integer(number) => format!("the number {}", short(number.as_str())),
        DeValue::Float(number) => format!("the number {}", short(number.as_str())),
        DeValue::Boolean(yes) => yes.to_string(),
        DeValue::Datetime(_) => "a date".into(),
        DeValue::Array(_) => "a list".into(),
        DeValue::Table(_) => "a table".into(),
    };
    // A list or a table may be long: the message points at where it begins.
    let place = reader.place(value.span());
    let place = match value.get_ref() {
        DeValue::Array(items) if !items.first().is_some_and(|item| item.span() == value.span()) => {
            Place { end: place.end.min(place.start + 1), ..place }
        }
        DeValue::Table(_) => reader.header(place),
        _ => place,
    };
    reader.wrong(place, format!("found {found}, expected {expected}"), None)
}

/// `1 entry`, `3 entries`
pub(super) fn entries(count: usize) -> String {
    if count == 1 { "1 entry".into() } else { format!("{count} entries") }
}

/// A text that may be long, as far as a message has room for it.
fn short(text: &str) -> String {
    match text.char_indices().nth(40) {
        Some((end, _)) => format!("{}...", &text[..end]),
        None => text.to_string(),
    }
}
