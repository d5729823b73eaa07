//! What the tests of this room share: the demo files, changed or not, resolved.

use super::{Plan, resolve};
use crate::diag::{Diag, FileId, Sources};
use crate::files::read::{Field, Reader};
use crate::files::{rig::Rig, suite::Suite, unit::Unit};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

pub(super) const RIG: &str = include_str!("../../fixtures/demo/rig.toml");
pub(super) const UNIT: &str = include_str!("../../fixtures/demo/unit.toml");
pub(super) const SUITE: &str = include_str!("../../suites/first-spin.toml");

/// Resolves three texts. Panics if one of them does not even fit its schema.
pub(super) fn resolved(rig: &str, unit: &str, suite: &str) -> (Sources, Result<Plan, Vec<Diag>>) {
    resolved_for(rig, unit, suite, None)
}

/// The same for a build.
pub(super) fn resolved_for(
    rig: &str,
    unit: &str,
    suite: &str,
    build: Option<&str>,
) -> (Sources, Result<Plan, Vec<Diag>>) {
    let mut sources = Sources::default();
    let rig: Rig = read(&mut sources, "rig.toml", rig);
    let unit: Unit = read(&mut sources, "unit.toml", unit);
    let suite: Suite = read(&mut sources, "suite.toml", suite);
    let plan = resolve(&sources, &rig, &unit, &suite, build);
    (sources, plan)
}

/// The plan of three texts that are right.
pub(super) fn plan_of(rig: &str, unit: &str, suite: &str) -> Plan {
    let (sources, plan) = resolved(rig, unit, suite);
    plan.unwrap_or_else(|diags| panic!("{}", rendered(&sources, &diags)))
}

pub(super) fn rendered(sources: &Sources, diags: &[Diag]) -> String {
    diags.iter().map(|d| d.render(sources, false)).collect::<Vec<_>>().join("\n\n")
}

fn read<T: Field>(sources: &mut Sources, name: &str, text: &str) -> T {
    let file: FileId = sources.add(name, text);
    let table = DeTable::parse(text).unwrap_or_else(|e| panic!("{name}: {e}"));
    let span = table.span();
    let value = Spanned::new(span, DeValue::Table(table.into_inner()));
    let mut reader = Reader { file, diags: Vec::new() };
    let read = T::read(&value, &mut reader);
    assert!(reader.diags.is_empty(), "{}", rendered(sources, &reader.diags));
    read.expect("a reader without messages has read the file")
}
