//! From text to a rig, a unit, a suite or answers, with every mistake reported at once.

use super::read::{Definitions, Field, Reader};
use super::rig::Rig;
use super::suite::{Answers, Suite};
use super::syntax::syntax;
use super::table::Keys;
use super::unit::Unit;
use crate::diag::{Diag, FileId, Sources};
use serde_json::json;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What a file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Role {
    /// The bench.
    Rig,
    /// The drive unit under test.
    Unit,
    /// Tests in order.
    Suite,
    /// A person's answers.
    Answers,
}

impl Role {
    /// Every role.
    pub const ALL: [Role; 4] = [Role::Rig, Role::Unit, Role::Suite, Role::Answers];

    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Role::Rig => "rig",
            Role::Unit => "unit",
            Role::Suite => "suite",
            Role::Answers => "answers",
        }
    }

    /// The keys that only such a file has.
    fn telling(self) -> &'static [&'static str] {
        match self {
            Role::Rig => &["supply", "link"],
            Role::Unit => &["machine"],
            Role::Suite => &["test"],
            Role::Answers => &["answer"],
        }
    }

    fn keys(self) -> Vec<&'static str> {
        match self {
            Role::Rig => Rig::keys(),
            Role::Unit => Unit::keys(),
            Role::Suite => Suite::keys(),
            Role::Answers => Answers::keys(),
        }
    }
}

/// Reads a rig file. The messages are in the order of the file.
///
/// There is a rig as well as messages only if a further check of it can find further mistakes, and
/// not these again; it must not be driven.
pub fn read_rig(sources: &mut Sources, name: &str, text: &str) -> (Option<Rig>, Vec<Diag>) {
    read(Role::Rig, sources, name, text)
}

/// Reads a unit file; see [`read_rig`].
pub fn read_unit(sources: &mut Sources, name: &str, text: &str) -> (Option<Unit>, Vec<Diag>) {
    read(Role::Unit, sources, name, text)
}

/// Reads a suite file; see [`read_rig`].
pub fn read_suite(sources: &mut Sources, name: &str, text: &str) -> (Option<Suite>, Vec<Diag>) {
    read(Role::Suite, sources, name, text)
}

/// Reads an answers file; see [`read_rig`].
pub fn read_answers(sources: &mut Sources, name: &str, text: &str) -> (Option<Answers>, Vec<Diag>) {
    read(Role::Answers, sources, name, text)
}

/// What a file is, as its content says: by a table that only one role has, or else by the keys it has in
/// common with one role more than with any other.
pub fn guess_role(text: &str) -> Option<Role> {
    guess(DeTable::parse_recoverable(text).0.get_ref())
}

/// The JSON Schema of a role (draft 2020-12), from the field tables that read it.
pub fn json_schema(role: Role) -> serde_json::Value {
    let mut definitions = Definitions::new();
    let root = match role {
        Role::Rig => Rig::schema(&mut definitions),
        Role::Unit => Unit::schema(&mut definitions),
        Role::Suite => Suite::schema(&mut definitions),
        Role::Answers => Answers::schema(&mut definitions),
    };
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": format!("urn:spinproof:{}:1", role.word()),
        "title": format!("spinproof {} file", role.word()),
        "$ref": root["$ref"],
        "$defs": definitions,
    })
}

fn read<T: Field>(role: Role, sources: &mut Sources, name: &str, text: &str) -> (Option<T>, Vec<Diag>) {
    let file = sources.add(name, text);
    let (tree, errors) = DeTable::parse_recoverable(text);
    let syntax = syntax(file, text, &tree, &errors);
    if let Some(diag) = not_for_us(role, file, text, tree.get_ref()) {
        return (None, vec![diag]);
    }
    let mut reader = Reader::new(file, text);
    let value = T::read(&Spanned::new(tree.span(), DeValue::Table(tree.into_inner())), &mut reader);
    let Reader { diags, mut missing, .. } = reader;
    if !syntax.allows_missing() {
        missing.clear();
    }
    let mut all: Vec<Diag> =
        diags.into_iter().chain(missing).filter(|diag| new_beside(diag, &syntax)).collect();
    let value = value.filter(|_| syntax.sound);
    all.extend(syntax.diags);
    all.sort_by_key(|diag| diag.place.as_ref().map(|(place, _)| (place.start, place.end)));
    (value, all)
}

fn new_beside(diag: &Diag, syntax: &super::syntax::Syntax) -> bool {
    diag.place.as_ref().is_none_or(|(place, _)| syntax.allows(*place))
}

/// A file of another role or of another format: everything else that could be said would be noise.
fn not_for_us(role: Role, file: FileId, text: &str, tree: &DeTable<'_>) -> Option<Diag> {
    let mut reader = Reader::new(file, text);
    if let Some(version) = tree.get("schema").filter(|v| v.get_ref().as_integer().is_some())
        && super::read::FormatVersion::read(version, &mut reader).is_none()
    {
        return reader.diags.pop();
    }
    let found = guess(tree).filter(|found| *found != role)?;
    let (key, _) = tree
        .iter()
        .filter(|(key, _)| found.keys().contains(&key.get_ref().as_ref()))
        .filter(|(key, _)| !role.keys().contains(&key.get_ref().as_ref()))
        .min_by_key(|(key, _)| key.span().start)?;
    let message = format!("found {} file, expected {} file", article(found), article(role));
    let help = format!("`{}` belongs to {} file", key.get_ref(), article(found));
    Some(Diag::at(reader.place(key.span()), message).help(help))
}

fn article(role: Role) -> String {
    crate::units::with_article(role.word()).replace("an unit", "a unit")
}

fn guess(tree: &DeTable<'_>) -> Option<Role> {
    let told: Vec<Role> = Role::ALL
        .into_iter()
        .filter(|role| role.telling().iter().any(|key| tree.contains_key(*key)))
        .collect();
    match told.as_slice() {
        [role] => return Some(*role),
        [] => {}
        _ => return None,
    }
    let common = |role: Role| role.keys().into_iter().filter(|key| tree.contains_key(*key)).count();
    let mut counts: Vec<(usize, Role)> = Role::ALL.into_iter().map(|role| (common(role), role)).collect();
    counts.sort();
    match counts.as_slice() {
        [.., (second, _), (first, role)] if first > second => Some(*role),
        _ => None,
    }
}
