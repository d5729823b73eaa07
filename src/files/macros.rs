//! One definition of a table gives the struct, the reader and the JSON Schema.
//!
//! ```text
//! table! {
//!     /// The demand moves steadily to a value.          docs of the struct; the schema's description
//!     pub struct Ramp as "ramp" {                        "ramp" is its name in messages
//!         /// Where to.                                  docs of the field; also the help if it is missing
//!         ramp: At<Quantity>,                            a key that must be there
//!         /// How fast; this or `lasting`.
//!         rate: Option<At<Quantity>>,                    a key that may be absent
//!         ...
//!     }
//!     rules: [TableRule::OneOf(&["rate", "lasting"])]    what keys have to do with each other
//! }
//! ```
//!
//! `words!` defines an enumeration of words, `choice!` a choice of tables.

/// Defines a table of a file: the struct, its reader and its JSON Schema from one list of fields.
macro_rules! table {
    ($(#[doc = $doc:literal])* pub struct $name:ident as $words:literal {
        $($(#[doc = $field_doc:literal])* $field:ident: $ty:ty,)*
    }
    $(rules: [$($rule:expr),* $(,)?])?
    ) => {
        $(#[doc = $doc])*
        #[derive(Debug, Clone, PartialEq)]
        pub struct $name {
            /// Where the table stands.
            pub at: $crate::diag::Place,
            $($(#[doc = $field_doc])* pub $field: $ty,)*
        }

        impl $crate::files::table::Keys for $name {
            fn keys() -> Vec<&'static str> {
                vec![$($crate::files::table::plain(stringify!($field))),*]
            }
        }

        impl $crate::files::read::Field for $name {
            fn read(
                value: &toml::Spanned<toml::de::DeValue<'_>>,
                reader: &mut $crate::files::read::Reader,
            ) -> Option<Self> {
                let mut table = $crate::files::table::TableReader::new(
                    value,
                    $words,
                    &<Self as $crate::files::table::Keys>::keys(),
                    reader,
                )?;
                $(let $field = table.field::<$ty>(stringify!($field), &[$($field_doc),*], reader);)*
                let at = table.at();
                table.finish(&[$($($rule),*)?], reader)?;
                Some($name { at, $($field: $field?,)* })
            }

            fn schema(definitions: &mut $crate::files::read::Definitions) -> serde_json::Value {
                let name = $crate::files::table::definition_name(module_path!(), stringify!($name));
                if !definitions.contains_key(&name) {
                    // A placeholder first: a table may contain itself.
                    definitions.insert(name.clone(), serde_json::Value::Null);
                    let fields = vec![$((
                        $crate::files::table::plain(stringify!($field)),
                        $crate::files::table::sentence(&[$($field_doc),*]),
                        <$ty as $crate::files::read::Field>::schema(definitions),
                        <$ty as $crate::files::read::Field>::absent().is_none(),
                    )),*];
                    let doc = $crate::files::table::sentence(&[$($doc),*]);
                    let mut table = $crate::files::table::table_schema(&doc, fields);
                    $crate::files::table::rules_schema(&[$($($rule),*)?], &mut table);
                    definitions.insert(name.clone(), table);
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
                        let place = reader.place(value.span());
                        let help = $crate::files::read::suggestion(&text, Self::WORDS.iter().map(|(w, _)| *w));
                        reader.wrong(place, format!("`{text}` is not a word known here"), Some(help))
                    }
                }
            }

            fn schema(_: &mut $crate::files::read::Definitions) -> serde_json::Value {
                let words: Vec<&str> = Self::WORDS.iter().map(|(w, _)| *w).collect();
                serde_json::json!({"type": "string", "enum": words})
            }

            fn example() -> Option<String> {
                let words: Vec<String> = Self::WORDS.iter().map(|(word, _)| format!("\"{word}\"")).collect();
                Some(words.join(" | "))
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
                let keys: &[&str] = &[$($key),*];
                let fields = [$(<$ty as $crate::files::table::Keys>::keys()),*];
                let chosen = $crate::files::table::chosen(value, $words, keys, &fields, reader)?;
                match keys[chosen] {
                    $($key => <$ty as $crate::files::read::Field>::read(value, reader).map($name::$variant),)*
                    _ => None,
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
