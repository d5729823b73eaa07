//! What the tests of this room share: the demo files, changed or not, resolved.

use super::{Plan, resolve};
use crate::diag::{Diag, FileId, Sources};
use crate::files::read::{Field, Reader};
use crate::files::{rig::Rig, suite::Suite, unit::Unit};
use crate::record::{Row, RowStatus};
use crate::time::Instant;
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
    let (read, diags) = try_read(sources, name, text);
    assert!(diags.is_empty(), "{}", rendered(sources, &diags));
    read.unwrap_or_else(|| panic!("{name} is not TOML"))
}

/// Reads what may not even fit its schema.
pub(super) fn try_read<T: Field>(sources: &mut Sources, name: &str, text: &str) -> (Option<T>, Vec<Diag>) {
    let file: FileId = sources.add(name, text);
    let Ok(table) = DeTable::parse(text) else { return (None, Vec::new()) };
    let span = table.span();
    let value = Spanned::new(span, DeValue::Table(table.into_inner()));
    let mut reader = Reader { file, diags: Vec::new() };
    (T::read(&value, &mut reader), reader.diags)
}

/// A reply of a group: asked for at `t` ms, answered 2 ms later, sampled in the middle.
pub(super) fn row(group: usize, t: i64, values: &[Option<f64>]) -> Row {
    Row {
        group,
        t_request: ms(t),
        t_reply: ms(t + 2),
        t_sample: ms(t + 1),
        u_sample: 577.0,
        values: values.to_vec(),
        status: RowStatus::Ok,
    }
}

/// A request that brought no values, asked for at `t` ms and given up 15 ms later.
pub(super) fn row_without(group: usize, t: i64, status: RowStatus) -> Row {
    Row { status, t_reply: ms(t + 15), values: Vec::new(), ..row(group, t, &[]) }
}

pub(super) fn ms(t: i64) -> Instant {
    Instant::from_micros(1000 * t)
}
