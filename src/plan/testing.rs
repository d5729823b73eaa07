//! What the tests of this room and of those that rest on it share: the demo files, changed or not, resolved.

use super::{Plan, resolve};
use crate::diag::{Diag, Sources};
use crate::files::load::{read_rig, read_suite, read_unit};
use crate::record::{Row, RowStatus};
use crate::time::Instant;

pub(crate) const RIG: &str = include_str!("../../fixtures/demo/rig.toml");
pub(crate) const UNIT: &str = include_str!("../../fixtures/demo/unit.toml");
pub(crate) const SUITE: &str = include_str!("../../suites/first-spin.toml");

/// Tables that the suites of these tests may refer to, from `120 rpm`.
pub(super) const TABLES: &[(&str, &str)] = &[
    ("good.csv", "t_s,speed_rpm\n0,120\n2,400\n5,400\n7,120\n"),
    ("late.csv", "t_s,speed_rpm\n1,120\n2,200\n"),
    ("high.csv", "t_s,speed_rpm\n0,120\n9,2100\n20,120\n"),
    ("steep.csv", "t_ms,speed_rpm\n0,120\n500,420\n9000,120\n"),
    ("away.csv", "t_s,speed_rpm\n0,300\n9,120\n"),
    ("volts.csv", "t_s,bus_V\n0,120\n9,120\n"),
    ("torn.csv", "t_s,speed_rpm\n0,120\n9,x\n"),
];

/// Reads and resolves three texts; all messages of both.
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
    let (rig, mut diags) = read_rig(&mut sources, "rig.toml", rig);
    let (unit, of_unit) = read_unit(&mut sources, "unit.toml", unit);
    let (suite, of_suite) = read_suite(&mut sources, "suite.toml", suite);
    diags.extend(of_unit.into_iter().chain(of_suite));
    for written in suite.iter().flat_map(|s| s.cycles()) {
        let table = |(name, text): &(&str, &str)| (name.to_string(), text.to_string());
        let found = TABLES.iter().find(|(name, _)| *name == written.value).map(table);
        let of = written.at.file;
        sources.add_beside(of, written, found.ok_or("there is none".into()));
    }
    let (Some(rig), Some(unit), Some(suite)) = (rig, unit, suite) else { return (sources, Err(diags)) };
    match resolve(&sources, &rig, &unit, &suite, build) {
        Ok(plan) if diags.is_empty() => (sources, Ok(plan)),
        Ok(_) => (sources, Err(diags)),
        Err(of_plan) => {
            diags.extend(of_plan);
            (sources, Err(diags))
        }
    }
}

/// The plan of three texts that are right.
pub(crate) fn plan_of(rig: &str, unit: &str, suite: &str) -> Plan {
    let (sources, plan) = resolved(rig, unit, suite);
    plan.unwrap_or_else(|diags| panic!("{}", rendered(&sources, &diags)))
}

pub(super) fn rendered(sources: &Sources, diags: &[Diag]) -> String {
    diags.iter().map(|d| d.render(sources, false)).collect::<Vec<_>>().join("\n\n")
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

pub(crate) fn ms(t: i64) -> Instant {
    Instant::from_micros(1000 * t)
}
