//! The machinery of the field tables: one definition of a table gives the struct, the reader that
//! reports every mistake with its place, and the JSON Schema.

use crate::diag::{Diag, FileId, Place};
use crate::units::{self, Kind, Quantity};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use std::marker::PhantomData;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Where a reader collects its messages.
#[derive(Debug)]
pub struct Reader {
    /// The file being read.
    pub file: FileId,
    /// Everything found wrong so far.
    pub diags: Vec<Diag>,
}

impl Reader {
    /// Notes a mistake at `span` and returns nothing, so that it can end a `match` arm.
    pub fn wrong<T>(&mut self, place: Place, message: impl Into<String>, help: Option<String>) -> Option<T> {
        self.diags.push(Diag::at(place, message).help_opt(help));
        None
    }

    fn place(&self, span: std::ops::Range<usize>) -> Place {
        Place::new(self.file, span)
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
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        let at = reader.place(value.span());
        T::read(value, reader).map(|value| At { value, at })
    }
    fn schema(definitions: &mut Definitions) -> serde_json::Value {
        T::schema(definitions)
    }
}

impl<T: Field> Field for Option<T> {
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

/// A quantity whose kind is decided by something else in the files (a channel's unit): the plan
/// checks it.
impl Field for Quantity {
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        let Some(text) = value.get_ref().as_str() else {
            return mismatch(value, reader, "a quantity in quotes, such as \"155 V\"");
        };
        match units::parse_quantity(text) {
            Ok(quantity) => Some(quantity),
            Err(error) => reader.wrong(reader.place(value.span()), error.message, error.help),
        }
    }
    fn schema(_: &mut Definitions) -> serde_json::Value {
        json!({"type": "string", "description": "a number and a unit, such as \"155 V\""})
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
        json!({"type": "string", "description": "a unit, such as \"rpm\" or \"A rms\""})
    }
}

/// A marker for a kind of quantity that a field always has.
pub trait KindTag: std::fmt::Debug + Clone {
    /// A quantity of the kind, as one writes it; the kind itself is read from it.
    const EXAMPLE: &'static str;
    /// Whether zero and negative values make no sense.
    const POSITIVE: bool = false;
}

/// A quantity of the kind `K`, in SI, with its place and the text as written.
#[derive(Debug, Clone, PartialEq)]
pub struct Q<K> {
    /// Value in SI units.
    pub si: f64,
    /// As written: `"300 rpm/s"` without the quotes.
    pub text: String,
    /// Where it was written.
    pub at: Place,
    kind: PhantomData<K>,
}

/// The kind of the example of a tag.
pub fn kind_of<K: KindTag>() -> Kind {
    // The examples are constants of this crate and a test reads every one of them.
    units::parse_quantity(K::EXAMPLE).map(|q| q.unit.kind).unwrap_or_default()
}

impl<K: KindTag> Field for Q<K> {
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        let quantity = Quantity::read(value, reader)?;
        let at = reader.place(value.span());
        let expected = kind_of::<K>();
        let text = value.get_ref().as_str().unwrap_or_default().to_string();
        if quantity.unit.kind != expected {
            return reader.wrong(
                at,
                format!("`{text}` is a {}, expected a {}", quantity.unit.kind.name(), expected.name()),
                Some(format!("write it like \"{}\"", K::EXAMPLE)),
            );
        }
        if K::POSITIVE && quantity.si <= 0.0 {
            return reader.wrong(at, format!("`{text}` is not above zero"), None);
        }
        Some(Q { si: quantity.si, text, at, kind: PhantomData })
    }
    fn schema(_: &mut Definitions) -> serde_json::Value {
        json!({"type": "string", "description": format!("a {}, such as \"{}\"", kind_of::<K>().name(), K::EXAMPLE)})
    }
}

/// A nameplate value: one quantity, or the two ends between which it is known to lie.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranged<K> {
    /// Lower end in SI.
    pub low: f64,
    /// Upper end in SI; equal to the lower end if one value was written.
    pub high: f64,
    /// Where it was written.
    pub at: Place,
    kind: PhantomData<K>,
}

impl<K> Ranged<K> {
    /// The middle of the range.
    pub fn middle(&self) -> f64 {
        0.5 * (self.low + self.high)
    }
}

impl<K: KindTag> Field for Ranged<K> {
    fn read(value: &Spanned<DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        let at = reader.place(value.span());
        let (low, high) = match value.get_ref() {
            DeValue::Array(items) if items.len() == 2 => {
                let low = Q::<K>::read(&items[0], reader);
                let high = Q::<K>::read(&items[1], reader);
                (low?, high?)
            }
            DeValue::Array(_) => return mismatch(value, reader, "two ends of a range"),
            _ => {
                let q = Q::<K>::read(value, reader)?;
                (q.clone(), q)
            }
        };
        if low.si > high.si {
            return reader.wrong(
                at,
                format!("the range runs from `{}` down to `{}`", low.text, high.text),
                Some("write the lower end first".into()),
            );
        }
        Some(Ranged { low: low.si, high: high.si, at, kind: PhantomData })
    }
    fn schema(definitions: &mut Definitions) -> serde_json::Value {
        let one = Q::<K>::schema(definitions);
        json!({"anyOf": [one, {"type": "array", "items": one, "minItems": 2, "maxItems": 2}]})
    }
}

/// The kinds that fields of the files always have.
macro_rules! kind_tags {
    ($($(#[doc = $doc:literal])* $name:ident = $example:literal, positive: $positive:literal;)*) => {
        $($(#[doc = $doc])* #[derive(Debug, Clone, Copy, PartialEq, Eq)] pub enum $name {}
        impl KindTag for $name {
            const EXAMPLE: &'static str = $example;
            const POSITIVE: bool = $positive;
        })*
        #[cfg(test)]
        pub(crate) const KIND_EXAMPLES: &[&str] = &[$($example),*];
    };
}

kind_tags! {
    /// A length of time above zero.
    Time = "20 ms", positive: true;
    /// A mechanical speed.
    Speed = "600 rpm", positive: false;
    /// A change of speed in time, above zero.
    SpeedRate = "300 rpm/s", positive: true;
    /// A voltage.
    Voltage = "155 V", positive: false;
    /// A current.
    Current = "20 A", positive: false;
    /// A temperature on a scale.
    Temperature = "60 °C", positive: false;
    /// A resistance above zero.
    Resistance = "18 mOhm", positive: true;
    /// An inductance above zero.
    Inductance = "0.37 mH", positive: true;
    /// A capacitance above zero.
    Capacitance = "4.7 mF", positive: true;
    /// A flux linkage above zero.
    FluxLinkage = "65 mWb", positive: true;
    /// An inertia above zero.
    Inertia = "0.02 kg m2", positive: true;
    /// A torque.
    Torque = "12 Nm", positive: false;
    /// Drag proportional to speed.
    Drag = "0.01 Nm s/rad", positive: true;
    /// A heat capacity above zero.
    HeatCapacity = "900 J/K", positive: true;
    /// A thermal conductance above zero.
    Conductance = "12 W/K", positive: true;
    /// A frequency above zero.
    Frequency = "100 Hz", positive: true;
    /// A plain number.
    Number = "0.5", positive: false;
}

/// Notes that a value has the wrong TOML type.
pub(super) fn mismatch<T>(value: &Spanned<DeValue<'_>>, reader: &mut Reader, expected: &str) -> Option<T> {
    let found = match value.get_ref() {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    };
    let place = reader.place(value.span());
    reader.wrong(place, format!("found {found}, expected {expected}"), None)
}

/// A table being read: which keys were asked for.
pub(super) struct TableReader<'v, 'i> {
    table: &'v DeTable<'i>,
    at: Place,
    name: &'static str,
    asked: BTreeSet<&'static str>,
}

impl<'v, 'i> TableReader<'v, 'i> {
    pub(super) fn new(
        value: &'v Spanned<DeValue<'i>>,
        name: &'static str,
        reader: &mut Reader,
    ) -> Option<Self> {
        let at = reader.place(value.span());
        match value.get_ref().as_table() {
            Some(table) => Some(TableReader { table, at, name, asked: BTreeSet::new() }),
            None => mismatch(value, reader, "a table"),
        }
    }

    pub(super) fn at(&self) -> Place {
        self.at
    }

    pub(super) fn field<T: Field>(&mut self, key: &'static str, reader: &mut Reader) -> Option<T> {
        let key = plain(key);
        self.asked.insert(key);
        match self.table.get(key) {
            Some(value) => T::read(value, reader),
            None => T::absent().or_else(|| {
                reader.wrong(self.header(), format!("`{key}` is missing from this {}", self.name), None)
            }),
        }
    }

    /// The first line of the table: a message about a whole table points there.
    fn header(&self) -> Place {
        Place { end: self.at.end.min(self.at.start + 1), ..self.at }
    }

    pub(super) fn finish(&self, reader: &mut Reader) {
        let mut unknown: Vec<_> =
            self.table.iter().filter(|(key, _)| !self.asked.contains(key.get_ref().as_ref())).collect();
        unknown.sort_by_key(|(key, _)| key.span().start);
        for (key, _) in unknown {
            let found = key.get_ref().as_ref();
            reader.diags.push(
                Diag::at(reader.place(key.span()), format!("unknown key `{found}` in this {}", self.name))
                    .help(suggestion(found, self.asked.iter().copied())),
            );
        }
    }
}

/// `r#for` is written `for`.
pub(super) fn plain(key: &'static str) -> &'static str {
    key.strip_prefix("r#").unwrap_or(key)
}

pub use crate::diag::suggestion;

/// Defines a table of a file: the struct, its reader and its JSON Schema from one list of fields.
macro_rules! table {
    ($(#[doc = $doc:literal])* pub struct $name:ident as $words:literal {
        $($(#[doc = $field_doc:literal])* $field:ident: $ty:ty,)*
    }) => {
        $(#[doc = $doc])*
        #[derive(Debug, Clone, PartialEq)]
        pub struct $name {
            /// Where the table stands.
            pub at: $crate::diag::Place,
            $($(#[doc = $field_doc])* pub $field: $ty,)*
        }

        impl $crate::files::read::Field for $name {
            fn read(
                value: &toml::Spanned<toml::de::DeValue<'_>>,
                reader: &mut $crate::files::read::Reader,
            ) -> Option<Self> {
                let mut table = $crate::files::read::TableReader::new(value, $words, reader)?;
                $(let $field = table.field::<$ty>(stringify!($field), reader);)*
                table.finish(reader);
                Some($name { at: table.at(), $($field: $field?,)* })
            }

            fn schema(definitions: &mut $crate::files::read::Definitions) -> serde_json::Value {
                let name = stringify!($name);
                if !definitions.contains_key(name) {
                    definitions.insert(name.into(), serde_json::Value::Null);
                    #[allow(unused_mut)]
                    let mut properties = serde_json::Map::new();
                    #[allow(unused_mut)]
                    let mut required: Vec<&str> = Vec::new();
                    $({
                        let key = $crate::files::read::plain(stringify!($field));
                        let mut schema = <$ty as $crate::files::read::Field>::schema(definitions);
                        let doc: &[&str] = &[$($field_doc.trim()),*];
                        if schema.get("$ref").is_none() {
                            schema["description"] = doc.join(" ").into();
                        }
                        properties.insert(key.into(), schema);
                        if <$ty as $crate::files::read::Field>::absent().is_none() {
                            required.push(key);
                        }
                    })*
                    let doc: &[&str] = &[$($doc.trim()),*];
                    definitions.insert(name.into(), serde_json::json!({
                        "type": "object",
                        "description": doc.join(" "),
                        "properties": properties,
                        "required": required,
                        "additionalProperties": false,
                    }));
                }
                serde_json::json!({"$ref": format!("#/$defs/{name}")})
            }
        }
    };
}

/// Defines an enumeration of words: `"hand-set"` and the like.
macro_rules! words {
    ($(#[doc = $doc:literal])* pub enum $name:ident {
        $($(#[doc = $word_doc:literal])* $variant:ident = $word:literal,)*
    }) => {
        $(#[doc = $doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum $name { $($(#[doc = $word_doc])* $variant,)* }

        impl $name {
            /// Every variant with the word for it.
            pub const WORDS: &'static [(&'static str, $name)] = &[$(($word, $name::$variant)),*];

            /// The word that a file uses for it.
            pub fn word(self) -> &'static str {
                match self { $($name::$variant => $word,)* }
            }
        }

        impl $crate::files::read::Field for $name {
            fn read(
                value: &toml::Spanned<toml::de::DeValue<'_>>,
                reader: &mut $crate::files::read::Reader,
            ) -> Option<Self> {
                let text = <String as $crate::files::read::Field>::read(value, reader)?;
                match Self::WORDS.iter().find(|(word, _)| *word == text) {
                    Some((_, found)) => Some(*found),
                    None => {
                        let place = $crate::diag::Place::new(reader.file, value.span());
                        let help = $crate::files::read::suggestion(&text, Self::WORDS.iter().map(|(w, _)| *w));
                        reader.wrong(place, format!("`{text}` is not a word known here"), Some(help))
                    }
                }
            }

            fn schema(_: &mut $crate::files::read::Definitions) -> serde_json::Value {
                let words: Vec<&str> = Self::WORDS.iter().map(|(w, _)| *w).collect();
                serde_json::json!({"type": "string", "enum": words})
            }
        }
    };
}

/// Defines a choice of tables told apart by the one key that only they have.
macro_rules! choice {
    ($(#[doc = $doc:literal])* pub enum $name:ident as $words:literal {
        $($(#[doc = $variant_doc:literal])* $variant:ident($ty:ty) by $key:literal,)*
    }) => {
        $(#[doc = $doc])*
        #[derive(Debug, Clone, PartialEq)]
        pub enum $name { $($(#[doc = $variant_doc])* $variant($ty),)* }

        impl $crate::files::read::Field for $name {
            fn read(
                value: &toml::Spanned<toml::de::DeValue<'_>>,
                reader: &mut $crate::files::read::Reader,
            ) -> Option<Self> {
                let place = $crate::diag::Place::new(reader.file, value.span());
                let keys: &[&str] = &[$($key),*];
                let Some(table) = value.get_ref().as_table() else {
                    return $crate::files::read::mismatch(value, reader, "a table");
                };
                let found: Vec<&str> = keys.iter().copied().filter(|k| table.contains_key(*k)).collect();
                match found.as_slice() {
                    $([$key] => <$ty as $crate::files::read::Field>::read(value, reader).map($name::$variant),)*
                    [] => reader.wrong(place, format!("this {} has no key that says what it is", $words),
                        Some(format!("one of: {}", keys.join(", ")))),
                    several => reader.wrong(place, format!("this {} is several at once: {}", $words, several.join(", ")),
                        Some("write one table for each".into())),
                }
            }

            fn schema(definitions: &mut $crate::files::read::Definitions) -> serde_json::Value {
                let any: Vec<serde_json::Value> = vec![$(<$ty as $crate::files::read::Field>::schema(definitions)),*];
                serde_json::json!({"oneOf": any})
            }
        }
    };
}

pub(super) use {choice, table, words};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_example_of_every_kind_is_a_quantity() {
        for example in KIND_EXAMPLES {
            units::parse_quantity(example).unwrap_or_else(|e| panic!("{example}: {e}"));
        }
    }
}
