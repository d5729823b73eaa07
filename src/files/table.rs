//! Reading a table: its keys, what they have to do with each other, and the JSON Schema of it.

use super::read::{Field, Reader, entries, mismatch};
use crate::diag::{Diag, Place, near_miss, suggestion};
use serde_json::{Value, json};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What the keys of one table have to do with each other.
#[derive(Debug, Clone, Copy)]
pub(super) enum TableRule {
    /// Exactly one of these keys is there.
    OneOf(&'static [&'static str]),
    /// The key is there exactly when one of the others is.
    With(&'static str, &'static [&'static str]),
    /// The list has two entries, if it is there.
    Pair(&'static str),
    /// The key is there, although its type would not demand it.
    Needed(&'static str),
    /// What is found along the path (`*` stands for every name) is written once only: such as
    /// `["link", "*", "poll", "name"]`, the "poll name". Lists are looked through without a step of their own.
    Distinct(&'static [&'static str], &'static str),
}

/// A table that knows its keys.
pub(super) trait Keys {
    /// Every key, in the order of the definition.
    fn keys() -> Vec<&'static str>;
}

/// A table being read.
pub(super) struct TableReader<'v, 'i> {
    table: &'v DeTable<'i>,
    at: Place,
    name: &'static str,
    /// Keys that are absent, and what stands in their place: a key most likely misspelled.
    meant: Vec<(&'static str, &'v Spanned<DeValue<'i>>)>,
    /// Keys that are absent without such a one, and what to write.
    absent: Vec<(&'static str, String)>,
    /// Keys that must be there.
    needed: Vec<&'static str>,
}

impl<'v, 'i> TableReader<'v, 'i> {
    /// Begins to read a table that may have `keys`; notes every other key.
    pub(super) fn new(
        value: &'v Spanned<DeValue<'i>>,
        name: &'static str,
        keys: &[&'static str],
        reader: &mut Reader,
    ) -> Option<Self> {
        let at = reader.place(value.span());
        let Some(table) = value.get_ref().as_table() else {
            return mismatch(value, reader, "a table");
        };
        let mut new =
            TableReader { table, at, name, meant: Vec::new(), absent: Vec::new(), needed: Vec::new() };
        new.unknown_keys(keys, reader);
        Some(new)
    }

    pub(super) fn at(&self) -> Place {
        self.at
    }

    /// Reads one key. `doc` is what the field table says about it.
    pub(super) fn field<T: Field>(
        &mut self,
        key: &'static str,
        doc: &[&str],
        reader: &mut Reader,
    ) -> Option<T> {
        let key = plain(key);
        let misspelled = || self.meant.iter().find(|(meant, _)| *meant == key).map(|(_, value)| *value);
        if let Some(value) = self.table.get(key).or_else(misspelled) {
            return T::read(value, reader);
        }
        self.absent.push((key, advice(key, T::example(), doc)));
        let default = T::absent();
        if default.is_none() {
            self.needed.push(key);
        }
        default
    }

    /// Notes missing keys and keys that do not go together; `None` if the table cannot be used, because what
    /// it means is not known.
    pub(super) fn finish(mut self, rules: &[TableRule], reader: &mut Reader) -> Option<()> {
        let mut sound = true;
        for rule in rules {
            if let TableRule::Needed(key) = rule {
                self.needed.push(key);
            }
        }
        for (key, help) in self.absent.iter().filter(|(key, _)| self.needed.contains(key)) {
            let message = format!("`{key}` is missing from this {}", self.name);
            reader.missing.push(Diag::at(reader.header(self.at), message).help(help.as_str()));
            sound = false;
        }
        // A key that was misspelled is not missing as well: one mistake, one message.
        let there =
            |key: &str| self.table.contains_key(key) || self.meant.iter().any(|(meant, _)| *meant == key);
        // The first rule about presence that is broken speaks for all: the others would say the same.
        if let Some(diag) = rules.iter().find_map(|rule| self.presence(rule, &there, reader)) {
            reader.missing.push(diag);
            sound = false;
        }
        for rule in rules {
            let found = self.content(rule, reader);
            sound &= found.is_empty();
            reader.diags.extend(found);
        }
        sound.then_some(())
    }

    /// Notes every key that is not among `keys`, and which absent key it most likely was meant to be.
    fn unknown_keys(&mut self, keys: &[&'static str], reader: &mut Reader) {
        let mut unknown: Vec<_> =
            self.table.iter().filter(|(key, _)| !keys.contains(&key.get_ref().as_ref())).collect();
        unknown.sort_by_key(|(key, _)| key.span().start);
        for (key, value) in unknown {
            let found = key.get_ref().as_ref();
            let free = keys.iter().copied().filter(|key| {
                !self.table.contains_key(*key) && !self.meant.iter().any(|(meant, _)| meant == key)
            });
            let near = near_miss(found, free);
            let help = match near {
                Some(near) => format!("did you mean `{near}`?"),
                None => suggestion(found, keys.iter().copied()),
            };
            self.meant.extend(near.map(|near| (near, value)));
            let message = format!("unknown key `{found}` in this {}", self.name);
            reader.diags.push(Diag::at(reader.place(key.span()), message).help(help));
        }
    }

    /// A message if the rule says that a key must be there, or must not.
    fn presence(&self, rule: &TableRule, there: &dyn Fn(&str) -> bool, reader: &Reader) -> Option<Diag> {
        match rule {
            TableRule::OneOf(keys) => {
                let found: Vec<&str> = keys.iter().copied().filter(|key| there(key)).collect();
                let mut places: Vec<Place> = found.iter().filter_map(|key| self.key(key, reader)).collect();
                places.sort_by_key(|place| place.start);
                match (found.as_slice(), places.as_slice()) {
                    ([_], _) => None,
                    ([], _) => {
                        let message = format!("this {} has none of {}", self.name, listed(keys));
                        Some(Diag::at(reader.header(self.at), message).help("give exactly one of them"))
                    }
                    (several, [first, second, ..]) => {
                        let message = format!("this {} has {} at once", self.name, listed(several));
                        let diag = Diag::at(*second, message).label("and this").other(*first, "this");
                        Some(diag.help("give only one of them"))
                    }
                    // One of several is misspelled, and that is said already.
                    _ => None,
                }
            }
            TableRule::With(key, others) => {
                let other = others.iter().find(|other| there(other));
                match (there(key), other) {
                    (false, Some(other)) => {
                        let message = format!("`{other}` needs `{key}` beside it");
                        let help = self.absent.iter().find(|(absent, _)| absent == key);
                        Some(
                            Diag::at(self.key(other, reader)?, message)
                                .help_opt(help.map(|(_, help)| help.clone())),
                        )
                    }
                    (true, None) => {
                        let message = format!("`{key}` has nothing to do in this {}", self.name);
                        let help = format!("it goes with {}", listed(others));
                        Some(Diag::at(self.key(key, reader)?, message).help(help))
                    }
                    _ => None,
                }
            }
            _ => None,
        }
    }

    /// Messages if the rule says something about what is written.
    fn content(&self, rule: &TableRule, reader: &Reader) -> Vec<Diag> {
        match rule {
            TableRule::Pair(key) => {
                let list = self.table.get(*key).and_then(|v| Some((v, v.get_ref().as_array()?.len())));
                match list {
                    Some((value, found)) if found != 2 => {
                        let message =
                            format!("found {}, expected the lowest and the highest", entries(found));
                        vec![Diag::at(reader.place(value.span()), message)]
                    }
                    _ => Vec::new(),
                }
            }
            TableRule::Distinct(path, what) => {
                let mut found = Vec::new();
                along(self.table, path, &mut found);
                found.sort_by_key(|value| value.span().start);
                repeated(&found, what, reader)
            }
            _ => Vec::new(),
        }
    }

    fn key(&self, key: &str, reader: &Reader) -> Option<Place> {
        self.table.get_key_value(key).map(|(key, _)| reader.place(key.span()))
    }
}

/// Everything that is found along a path.
fn along<'v, 'i>(table: &'v DeTable<'i>, path: &[&str], found: &mut Vec<&'v Spanned<DeValue<'i>>>) {
    let Some((step, rest)) = path.split_first() else { return };
    for (key, value) in table {
        if *step != "*" && *step != key.get_ref().as_ref() {
            continue;
        }
        match value.get_ref() {
            DeValue::Table(table) => along(table, rest, found),
            DeValue::Array(items) => {
                items.iter().filter_map(|item| item.get_ref().as_table()).for_each(|t| along(t, rest, found));
            }
            _ if rest.is_empty() => found.push(value),
            _ => {}
        }
    }
}

/// A message for each text that stands there a second time.
fn repeated(found: &[&Spanned<DeValue<'_>>], what: &str, reader: &Reader) -> Vec<Diag> {
    let mut diags = Vec::new();
    for (index, value) in found.iter().enumerate() {
        let Some(text) = value.get_ref().as_str() else { continue };
        let before = found[..index].iter().find(|other| other.get_ref().as_str() == Some(text));
        if let Some(before) = before {
            let message = format!("the {what} `{text}` is given twice");
            let diag = Diag::at(reader.place(value.span()), message).label("here again");
            diags.push(diag.other(reader.place(before.span()), "first here").help("give each its own"));
        }
    }
    diags
}

/// What to write for a key that is missing.
fn advice(key: &str, example: Option<String>, doc: &[&str]) -> String {
    let doc = sentence(doc);
    let doc = doc.trim_end_matches('.');
    // The first word goes to lower case unless it is an abbreviation.
    let mut letters = doc.chars();
    let doc: String = match (letters.next(), letters.next()) {
        (Some(a), Some(b)) if b.is_lowercase() => a.to_lowercase().chain([b]).chain(letters).collect(),
        _ => doc.to_string(),
    };
    match example {
        Some(example) => format!("add `{key} = {example}`: {doc}"),
        None => format!("add `{key}`: {doc}"),
    }
}

/// The lines of a doc comment as one text.
pub(super) fn sentence(doc: &[&str]) -> String {
    doc.iter().map(|line| line.trim()).collect::<Vec<_>>().join(" ")
}

/// `` `a`, `b` and `c` ``
pub(super) fn listed(keys: &[&str]) -> String {
    let quoted: Vec<String> = keys.iter().map(|key| format!("`{key}`")).collect();
    match quoted.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} and {last}", rest.join(", ")),
        _ => quoted.join(""),
    }
}

/// `r#for` is written `for`.
pub(super) fn plain(key: &'static str) -> &'static str {
    key.strip_prefix("r#").unwrap_or(key)
}

/// Adds to the schema of a table what its rules say, as far as JSON Schema can.
pub(super) fn rules_schema(rules: &[TableRule], table: &mut Value) {
    let has = |key: &&str| json!({"required": [key]});
    let mut all = Vec::new();
    for rule in rules {
        match rule {
            TableRule::OneOf(keys) => all.push(json!({"oneOf": keys.iter().map(has).collect::<Vec<_>>()})),
            TableRule::With(key, others) => all.push(json!({
                "if": {"anyOf": others.iter().map(has).collect::<Vec<_>>()},
                "then": has(key),
                "else": {"not": has(key)},
            })),
            TableRule::Pair(key) => {
                table["properties"][key]["minItems"] = 2.into();
                table["properties"][key]["maxItems"] = 2.into();
            }
            TableRule::Needed(key) => all.push(has(key)),
            TableRule::Distinct(..) => {}
        }
    }
    if !all.is_empty() {
        table["allOf"] = all.into();
    }
}

/// Which of the tables of a choice is written here: its index, or nothing after a message. `keys` tells
/// each by its key, `fields` are all its keys: where `step` is there, `hold` may be a part of it.
pub(super) fn chosen(
    value: &Spanned<DeValue<'_>>,
    name: &str,
    keys: &[&str],
    fields: &[Vec<&'static str>],
    reader: &mut Reader,
) -> Option<usize> {
    let Some(table) = value.get_ref().as_table() else {
        return mismatch(value, reader, "a table");
    };
    let there: Vec<usize> = (0..keys.len()).filter(|i| table.contains_key(keys[*i])).collect();
    let part_of_another =
        |i: usize| there.iter().any(|other| *other != i && fields[*other].contains(&keys[i]));
    let found: Vec<usize> = there.iter().copied().filter(|i| !part_of_another(*i)).collect();
    match found.as_slice() {
        [one] => Some(*one),
        [] => {
            let mut slips: Vec<_> = table
                .iter()
                .filter(|(key, _)| !fields.iter().flatten().any(|known| *known == key.get_ref().as_ref()))
                .filter_map(|(key, _)| Some((key, near_miss(key.get_ref(), keys.iter().copied())?)))
                .collect();
            slips.sort_by_key(|(key, _)| key.span().start);
            if let Some((key, near)) = slips.first() {
                let message = format!("unknown key `{}` in this {name}", key.get_ref());
                let help = format!("did you mean `{near}`?");
                return reader.wrong(reader.place(key.span()), message, Some(help));
            }
            let message = format!("this {name} does not say what it is");
            let help = format!("give it one of the keys {}", listed(keys));
            let place = reader.header(reader.place(value.span()));
            reader.missing.push(Diag::at(place, message).help(help));
            None
        }
        several => {
            let names: Vec<&str> = several.iter().map(|i| keys[*i]).collect();
            let message = format!("this {name} is {} at once", listed(&names));
            let help = "write one table for each".to_string();
            let place = reader.header(reader.place(value.span()));
            reader.wrong(place, message, Some(help))
        }
    }
}

/// The schema of a table from its fields: key, description, schema, and whether the key must be there.
pub(super) fn table_schema(doc: &str, fields: Vec<(&'static str, String, Value, bool)>) -> Value {
    let mut properties = serde_json::Map::new();
    let mut required = Vec::new();
    for (key, doc, mut schema, needed) in fields {
        schema["description"] = doc.into();
        properties.insert(key.into(), schema);
        if needed {
            required.push(key);
        }
    }
    json!({
        "type": "object",
        "description": doc,
        "properties": properties,
        "required": required,
        "additionalProperties": false,
    })
}

/// `rig.Step`: two files may each have a table of one name.
pub(super) fn definition_name(module: &str, name: &str) -> String {
    format!("{}.{name}", module.rsplit("::").next().unwrap_or(module))
}
