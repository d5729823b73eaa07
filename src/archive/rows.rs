//! Entries as rows of the index.

use crate::evidence::{Entry, Standing};
use crate::files::suite::Rung;
use crate::outcome::Cause;
use crate::record::Grade;
use crate::trace::RunKind;
use rusqlite::{Connection, OptionalExtension, Row, params};
use serde::Serialize;
use serde::de::DeserializeOwned;

/// The table. Words are those of run.json; what is not known is null.
pub(super) const TABLE: &str = "
CREATE TABLE IF NOT EXISTS run (
    id INTEGER PRIMARY KEY,
    folder TEXT NOT NULL UNIQUE,
    began_utc TEXT NOT NULL,
    kind TEXT NOT NULL,
    simulated INTEGER NOT NULL,
    suite TEXT NOT NULL,
    suite_sha256 TEXT NOT NULL,
    rung TEXT,
    serial TEXT NOT NULL,
    assembly INTEGER,
    unit_sha256 TEXT NOT NULL,
    rig_sha256 TEXT NOT NULL,
    build TEXT,
    settings_sha256 TEXT,
    outcome TEXT,
    grades TEXT NOT NULL,
    off_ladder INTEGER NOT NULL,
    controller_us INTEGER
);";

/// What makes a table of version 1 one of version 2.
pub(super) const SINCE_1: &str = "ALTER TABLE run ADD COLUMN controller_us INTEGER;";

const COLUMNS: &str = "folder, began_utc, kind, simulated, suite, suite_sha256, rung, serial, assembly, unit_sha256, \
     rig_sha256, build, settings_sha256, outcome, grades, off_ladder, controller_us";

/// Keeps an entry. A row is replaced by the same run alone, which its begin and its kind tell; rehearsals have no date, so one
/// replaces another. `false`: the name is that of another run, and what is known of that stays.
pub(super) fn put(db: &Connection, entry: &Entry) -> rusqlite::Result<bool> {
    let standing = &entry.standing;
    let grades = serde_json::to_string(&entry.grades)
        .map_err(|e| rusqlite::Error::ToSqlConversionFailure(e.into()))?;
    // On a conflict the row keeps its id.
    let sql = format!(
        "INSERT INTO run ({COLUMNS}) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17) \
         ON CONFLICT (folder) DO UPDATE SET simulated = ?4, suite = ?5, suite_sha256 = ?6, rung = ?7, \
         serial = ?8, assembly = ?9, unit_sha256 = ?10, rig_sha256 = ?11, build = ?12, \
         settings_sha256 = ?13, outcome = ?14, grades = ?15, off_ladder = ?16, controller_us = ?17 \
         WHERE began_utc = ?2 AND kind = ?3"
    );
    let changed = db.execute(
        &sql,
        params![
            entry.folder,
            entry.began_utc,
            word(&entry.kind),
            entry.kind.simulated(),
            entry.suite,
            entry.suite_sha256,
            entry.rung.map(Rung::word),
            standing.serial,
            standing.assembly,
            standing.unit_sha256,
            standing.rig_sha256,
            standing.build,
            standing.settings,
            entry.outcome.map(|c| word(&c)),
            grades,
            entry.off_ladder,
            entry.controller_us,
        ],
    )?;
    Ok(changed > 0)
}

/// The row of one folder, if there is one.
pub(super) fn of(db: &Connection, folder: &str) -> rusqlite::Result<Option<Result<Entry, String>>> {
    let sql = format!("SELECT {COLUMNS} FROM run WHERE folder = ?1");
    db.query_row(&sql, [folder], |row| Ok(entry(row))).optional()
}

/// Every row in order; one that cannot be understood is said in words.
pub(super) fn all(db: &Connection) -> rusqlite::Result<Vec<Result<Entry, String>>> {
    let mut query = db.prepare(&format!("SELECT {COLUMNS} FROM run ORDER BY began_utc, folder"))?;
    let rows = query.query_map([], |row| Ok(entry(row)))?;
    rows.collect()
}

fn entry(row: &Row<'_>) -> Result<Entry, String> {
    let folder: String = get(row, "folder")?;
    let read = || -> Result<Entry, String> {
        let rung: Option<String> = get(row, "rung")?;
        let rung = rung.map(|r| rung_of(&r).ok_or(format!("rung `{r}`"))).transpose()?;
        let outcome: Option<String> = get(row, "outcome")?;
        let outcome: Option<Cause> = outcome.map(|o| of_word(&o)).transpose()?;
        let kind: RunKind = of_word(&get::<String>(row, "kind")?)?;
        let grades: Vec<(String, Grade)> =
            serde_json::from_str(&get::<String>(row, "grades")?).map_err(|e| e.to_string())?;
        Ok(Entry {
            folder: folder.clone(),
            began_utc: get(row, "began_utc")?,
            kind,
            suite: get(row, "suite")?,
            suite_sha256: get(row, "suite_sha256")?,
            rung,
            standing: Standing {
                serial: get(row, "serial")?,
                assembly: get(row, "assembly")?,
                unit_sha256: get(row, "unit_sha256")?,
                rig_sha256: get(row, "rig_sha256")?,
                build: get(row, "build")?,
                settings: get(row, "settings_sha256")?,
            },
            outcome,
            grades,
            off_ladder: get(row, "off_ladder")?,
            controller_us: get(row, "controller_us")?,
        })
    };
    read().map_err(|what| format!("the row of {folder} cannot be understood: {what}"))
}

fn get<T: rusqlite::types::FromSql>(row: &Row<'_>, column: &str) -> Result<T, String> {
    row.get(column).map_err(|e| format!("{column}: {e}"))
}

fn rung_of(word: &str) -> Option<Rung> {
    Rung::WORDS.iter().find(|(w, _)| *w == word).map(|(_, rung)| *rung)
}

/// The word by which run.json and report.json call it.
fn word<T: Serialize>(value: &T) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(word)) => word,
        other => format!("{other:?}"),
    }
}

fn of_word<T: DeserializeOwned>(word: &str) -> Result<T, String> {
    serde_json::from_value(serde_json::Value::String(word.into())).map_err(|e| e.to_string())
}
