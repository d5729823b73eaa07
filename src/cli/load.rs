//! From paths to a plan, with every mistake shown.

use super::{Early, Files, say};
use crate::diag::{Diag, Sources, render_all};
use crate::files::load::{read_answers, read_rig, read_suite, read_unit};
use crate::files::rig::Rig;
use crate::files::suite::{Answers, Suite};
use crate::files::unit::Unit;
use crate::hazards::{self, Case, Finding};
use crate::outcome::Cause;
use crate::plan::{Plan, resolve};
use std::path::Path;
use std::sync::Arc;

/// The demo rig, so that the first command works anywhere.
const DEMO_RIG: (&str, &str) = ("demo rig.toml", include_str!("../../fixtures/demo/rig.toml"));
/// The demo unit.
const DEMO_UNIT: (&str, &str) = ("demo unit.toml", include_str!("../../fixtures/demo/unit.toml"));

/// Files and what they resolve to.
#[derive(Clone)]
pub(super) struct Loaded {
    pub rig: Rig,
    pub unit: Unit,
    pub plan: Arc<Plan>,
    /// The hazards of the plan, judged.
    pub hazards: Vec<Finding>,
    /// What forbids it where nothing real turns, and where something may: messages as a person reads them.
    forbids: [Option<String>; 2],
    /// As used, for the run folder.
    pub texts: Vec<Text>,
}

impl Loaded {
    /// Refuses what hazards forbid, before any byte is sent, and prints what could not be judged. `real`: something real may turn.
    pub(super) fn allowed(&self, real: bool) -> Result<(), Early> {
        if let Some(text) = &self.forbids[usize::from(real)] {
            return Err(Early::new(Cause::Refused, text));
        }
        for warning in hazards::warnings(&self.hazards) {
            say::err(format_args!("{warning}"));
        }
        Ok(())
    }
}

/// What hazards forbid, as a person reads it; nothing if they forbid nothing.
pub(super) fn forbidden(sources: &Sources, diags: &[Diag]) -> Option<String> {
    if diags.is_empty() {
        return None;
    }
    let colour = say::colours(&std::io::stderr());
    let texts: Vec<String> = diags.iter().map(|d| d.render(sources, colour)).collect();
    let count =
        if diags.len() == 1 { "1 hazard forbids".into() } else { format!("{} hazards forbid", diags.len()) };
    Some(format!("{}\n\n{count} this plan; nothing was sent", texts.join("\n\n")))
}

/// A file as used.
#[derive(Clone)]
pub(super) struct Text {
    pub role: &'static str,
    /// The name to keep it under.
    pub name: String,
    pub text: String,
    /// What the suite calls it, of a file that the suite refers to.
    pub written: Option<String>,
}

impl Text {
    /// A file with a role of its own.
    pub(super) fn of(role: &'static str, text: &str) -> Text {
        Text { role, name: format!("{role}.toml"), text: text.into(), written: None }
    }
}

/// Finds a file that the suite refers to by what it calls it: name and text, or why not.
pub(super) type Beside<'a> = &'a dyn Fn(&str) -> Result<(String, String), String>;

/// Reads and resolves; every mistake is in the error's text.
pub(super) fn load(files: &Files) -> Result<Loaded, Early> {
    if files.rig.is_some() && files.unit.is_none() {
        let text = "--rig without --unit: the demo unit belongs to the demo rig; give --unit FILE as well";
        return Err(Early::new(Cause::FilesInvalid, text));
    }
    let suite = read(&files.suite, "suite")?;
    let rig = with_demo(files.rig.as_deref(), "rig", demo_rig)?;
    let unit = with_demo(files.unit.as_deref(), "unit", demo_unit)?;
    resolve_texts(&rig, &unit, &suite, &|written| beside(&files.suite, written), files.build.as_deref())
}

/// Reads a file whose path counts from the suite's.
pub(super) fn beside(suite: &Path, written: &str) -> Result<(String, String), String> {
    let path = suite.parent().unwrap_or(Path::new("")).join(written);
    let text = std::fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))?;
    Ok((path.display().to_string(), text))
}

/// Adds the tables that a suite refers to, right or wrong: the plan tells.
pub(super) fn add_cycles(sources: &mut Sources, suite: &Suite, beside: Beside<'_>) -> Vec<Text> {
    let mut texts = Vec::new();
    for written in suite.cycles() {
        let found = beside(written);
        if let Ok((name, text)) = &found {
            let written = Some(written.value.clone());
            texts.push(Text { role: "cycle", name: name.clone(), text: text.clone(), written });
        }
        sources.add_beside(suite.at.file, written, found);
    }
    texts
}

/// Resolves texts with the names they go by in messages.
pub(super) fn resolve_texts(
    rig: &(String, String),
    unit: &(String, String),
    suite: &(String, String),
    beside: Beside<'_>,
    build: Option<&str>,
) -> Result<Loaded, Early> {
    let mut sources = Sources::default();
    let (r, mut diags) = read_rig(&mut sources, &rig.0, &rig.1);
    let (u, more) = read_unit(&mut sources, &unit.0, &unit.1);
    diags.extend(more);
    let (s, more) = read_suite(&mut sources, &suite.0, &suite.1);
    diags.extend(more);
    let cycles = s.as_ref().map(|s| add_cycles(&mut sources, s, beside)).unwrap_or_default();
    let (r, u, s): (Rig, Unit, Suite) = match (r, u, s) {
        (Some(r), Some(u), Some(s)) if diags.is_empty() => (r, u, s),
        _ => return Err(invalid(&sources, &diags)),
    };
    let plan = resolve(&sources, &r, &u, &s, build).map_err(|diags| invalid(&sources, &diags))?;
    let hazards = hazards::judge(&Case { sources: &sources, rig: &r, unit: &u, suite: &s, plan: &plan });
    let forbids = [false, true].map(|real| forbidden(&sources, &hazards::refusals(&hazards, real)));
    let mut texts = vec![Text::of("rig", &rig.1), Text::of("unit", &unit.1), Text::of("suite", &suite.1)];
    texts.extend(cycles);
    Ok(Loaded { rig: r, unit: u, plan: Arc::new(plan), hazards, forbids, texts })
}

/// Reads a file as text.
pub(super) fn read(path: &Path, role: &str) -> Result<(String, String), Early> {
    match std::fs::read_to_string(path) {
        Ok(text) => Ok((path.display().to_string(), text)),
        Err(error) => {
            let text = format!("the {role} file {} cannot be read: {error}", path.display());
            Err(Early::new(Cause::FilesInvalid, text))
        }
    }
}

/// The demo rig: name and text.
pub(super) fn demo_rig() -> (String, String) {
    (DEMO_RIG.0.into(), DEMO_RIG.1.into())
}

/// The demo unit: name and text.
pub(super) fn demo_unit() -> (String, String) {
    (DEMO_UNIT.0.into(), DEMO_UNIT.1.into())
}

/// Reads an answers file.
pub(super) fn answers(path: &Path) -> Result<(Answers, String), Early> {
    let (name, text) = read(path, "answers")?;
    let mut sources = Sources::default();
    match read_answers(&mut sources, &name, &text) {
        (Some(answers), diags) if diags.is_empty() => Ok((answers, text)),
        (_, diags) => Err(invalid(&sources, &diags)),
    }
}

fn with_demo(
    path: Option<&Path>,
    role: &str,
    demo: fn() -> (String, String),
) -> Result<(String, String), Early> {
    path.map_or_else(|| Ok(demo()), |path| read(path, role))
}

/// The error for files that are wrong, every message rendered.
pub(super) fn invalid(sources: &Sources, diags: &[Diag]) -> Early {
    Early::new(Cause::FilesInvalid, render_all(diags, sources, say::colours(&std::io::stderr())))
}
