//! What was tested, with what, and what was looked at before: facts that need no judgement.

use super::Evidence;
use super::model::{CheckFound, Identity, PreCheckRow, SettingRow};
use crate::files::rig::{SupplyKind, SupplySetting};
use crate::files::suite::Rule;
use crate::plan::{Plan, Supply};
use crate::record::{Grade, What};
use crate::trace::RunKind;

/// What was tested, with what, on what.
pub(super) fn identity(evidence: &Evidence<'_>) -> Identity {
    let Evidence { plan, run, .. } = evidence;
    let answers: Vec<(String, Vec<(String, String)>)> = evidence
        .events
        .iter()
        .filter_map(|e| match &e.what {
            What::Identity { link, fields } => Some((link.clone(), fields.clone())),
            _ => None,
        })
        .collect();
    let said =
        answers.iter().flat_map(|(_, f)| f).find(|(name, _)| name == "build").map(|(_, text)| text.clone());
    let asked = run.build.clone().or_else(|| plan.build.clone());
    Identity {
        unit: plan.unit.clone(),
        serial: plan.serial.clone(),
        controller: plan.model.clone(),
        build_read_back: said.is_some(),
        build: said.or(asked),
        suite: plan.suite.clone(),
        rig: plan.rig.clone(),
        supply: supply_words(&plan.supply),
        kind: kind_word(run.kind).into(),
        seed: run.seed,
        faults: run.faults.clone(),
        rule: rule_words(plan.rule).into(),
        spinproof: run.spinproof.clone(),
        began_utc: run.began_utc.clone(),
        ended_utc: run.ended.as_ref().map(|(utc, _)| utc.clone()),
        length_s: run.ended.as_ref().map(|(_, micros)| *micros as f64 / 1e6),
        answers,
    }
}

/// The word that files and folders use.
fn kind_word(kind: RunKind) -> &'static str {
    match kind {
        RunKind::Rehearsal => "rehearsal",
        RunKind::Twin => "twin",
        RunKind::Pty => "pty",
        RunKind::Bench => "bench",
    }
}

fn supply_words(supply: &Supply) -> String {
    let kind = match supply.kind {
        SupplyKind::RectifiedMains => "rectified mains",
        SupplyKind::BenchSupply => "bench supply",
        SupplyKind::Battery => "battery",
    };
    let setting = match supply.setting {
        SupplySetting::HandSet => "set by hand",
        SupplySetting::Switched => "switched by this program",
    };
    format!("{kind}, {setting}")
}

fn rule_words(rule: Rule) -> &'static str {
    match rule {
        Rule::Guarded => "guarded: met only if the value with its U (k = 2) is inside the limit",
        Rule::Simple => "simple: met if the value is inside the limit",
    }
}

/// What was looked at before anything turned, by name; absent guards last.
pub(super) fn pre_checks(evidence: &Evidence<'_>) -> Vec<PreCheckRow> {
    let mut rows: Vec<PreCheckRow> = Vec::new();
    for event in evidence.events {
        let What::PreCheck { name, holds, grade, found, test } = &event.what else { continue };
        let test = evidence.plan.tests.get(*test).map_or_else(|| "?".to_string(), |t| t.name.clone());
        // A guard that is absent holds nothing, whatever let the run go on without it; what could tell nothing may refuse.
        let answer = (*grade != Grade::Absent || !*holds).then_some(*holds);
        let found = CheckFound { test, holds: *holds, found: found.clone() };
        match rows.iter_mut().find(|r| r.name == *name && r.grade == grade.words()) {
            Some(row) => {
                row.holds = match (row.holds, answer) {
                    (Some(false), _) | (_, Some(false)) => Some(false),
                    (before, now) => before.and(now),
                };
                row.found.push(found);
            }
            None => rows.push(PreCheckRow {
                name: name.clone(),
                grade: grade.words().into(),
                holds: answer,
                found: vec![found],
            }),
        }
    }
    for name in &evidence.plan.ready.absent {
        if !rows.iter().any(|r| r.name == *name) {
            let grade = Grade::Absent.words().into();
            rows.push(PreCheckRow { name: name.clone(), grade, holds: None, found: Vec::new() });
        }
    }
    rows.sort_by_key(|row| row.holds.is_none());
    rows
}

/// Settings in the order of the plan, each with the last text read.
pub(super) fn settings(evidence: &Evidence<'_>) -> Vec<SettingRow> {
    let read = |link: &str, name: &str| {
        evidence.events.iter().rev().find_map(|e| match &e.what {
            What::Setting { link: l, name: n, value } if l == link && n == name => Some(value.clone()),
            _ => None,
        })
    };
    let Plan { links, .. } = evidence.plan;
    links
        .iter()
        .flat_map(|link| link.settings.iter().map(move |setting| (link, setting)))
        .map(|(link, setting)| SettingRow {
            link: link.name.clone(),
            name: setting.name.clone(),
            value: read(&link.name, &setting.name),
            must_be: setting.must_be.clone(),
        })
        .collect()
}

/// Hash of the settings as last read.
pub(super) fn settings_hash(evidence: &Evidence<'_>) -> Option<String> {
    evidence.events.iter().rev().find_map(|e| match &e.what {
        What::SettingsHash { sha256 } => Some(sha256.clone()),
        _ => None,
    })
}
