//! `check`: files read and held against each other; no port is touched.

use super::load::{add_cycles, beside, demo_rig, demo_unit, forbidden, invalid, read};
use super::{Early, say};
use crate::diag::{Diag, Sources};
use crate::evidence::opens_nothing;
use crate::files::load::{self, Role};
use crate::files::{rig, suite, unit};
use crate::hazards::{self, Case};
use crate::metrics;
use crate::outcome::Cause;
use crate::plan::{resolve, summary};
use crate::units::Unit;
use std::path::{Path, PathBuf};

/// Arguments of `check`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Files in any order: a rig, a unit, suites, answers. Without a rig the demo rig and unit are used.
    #[arg(value_name = "FILE", required_unless_present_any = ["schema", "metrics"])]
    files: Vec<PathBuf>,
    /// Print the JSON Schema of a kind of file instead.
    #[arg(long, value_name = "KIND", conflicts_with = "files")]
    schema: Option<String>,
    /// List the metrics that criteria can use instead.
    #[arg(long, conflicts_with_all = ["files", "schema"])]
    metrics: bool,
    /// The firmware build to check for.
    #[arg(long, value_name = "LABEL")]
    build: Option<String>,
}

pub(super) fn run(args: &Args) -> Result<Cause, Early> {
    if let Some(word) = &args.schema {
        let Some(role) = Role::ALL.into_iter().find(|r| r.word() == word) else {
            let known: Vec<&str> = Role::ALL.iter().map(|r| r.word()).collect();
            let text = format!("`{word}` is no kind of file; there are {}", known.join(", "));
            return Err(Early::new(Cause::FilesInvalid, text));
        };
        say::out(format_args!("{:#}\n", load::json_schema(role)));
        return Ok(Cause::Passed);
    }
    if args.metrics {
        say::out(metric_list());
        return Ok(Cause::Passed);
    }
    check(args)
}

fn check(args: &Args) -> Result<Cause, Early> {
    let mut sources = Sources::default();
    let mut diags: Vec<Diag> = Vec::new();
    let mut texts = Vec::new();
    for path in &args.files {
        texts.push(read(path, "given")?);
    }
    let given: Vec<Option<Role>> = texts.iter().map(|(_, text)| load::guess_role(text)).collect();
    if !given.contains(&Some(Role::Rig)) {
        texts.push(demo_rig());
        if !given.contains(&Some(Role::Unit)) {
            texts.push(demo_unit());
        }
    }
    let Read { rigs, units, suites } = read_all(&texts, &mut sources, &mut diags);
    let (mut summaries, mut refused) = (Vec::new(), Vec::<Diag>::new());
    if let ([rig], [unit]) = (rigs.as_slice(), units.as_slice()) {
        for suite in &suites {
            match resolve(&sources, rig, unit, suite, args.build.as_deref()) {
                Ok(plan) => {
                    let case = Case { sources: &sources, rig, unit, suite, plan: &plan };
                    let (text, forbids) = judged(&case);
                    let new: Vec<Diag> = forbids.into_iter().filter(|d| !refused.contains(d)).collect();
                    refused.extend(new);
                    summaries.push(text);
                }
                Err(more) => {
                    diags.extend(more.into_iter().filter(|d| !diags.contains(d)).collect::<Vec<_>>())
                }
            }
        }
    } else if rigs.len() > 1 || units.len() > 1 {
        diags.push(Diag::general("more than one rig or unit: check one pair at a time"));
    } else if diags.is_empty() {
        diags.push(Diag::general("a rig is checked together with its unit: give both files"));
    }
    if !diags.is_empty() {
        return Err(invalid(&sources, &diags));
    }
    if let Some(text) = forbidden(&sources, &refused) {
        return Err(Early::new(Cause::Refused, text));
    }
    say::out(summaries.join("\n"));
    say::out(format_args!(
        "{} in order\n",
        if texts.len() == 1 { "1 file".into() } else { format!("{} files", texts.len()) }
    ));
    Ok(Cause::Passed)
}

/// What the files hold, by kind.
#[derive(Default)]
struct Read {
    rigs: Vec<rig::Rig>,
    units: Vec<unit::Unit>,
    suites: Vec<suite::Suite>,
}

/// Reads every file by its kind; answers are only looked through.
fn read_all(texts: &[(String, String)], sources: &mut Sources, diags: &mut Vec<Diag>) -> Read {
    let mut read = Read::default();
    for (name, text) in texts {
        match load::guess_role(text) {
            Some(Role::Rig) => collect(&mut read.rigs, diags, load::read_rig(sources, name, text)),
            Some(Role::Unit) => collect(&mut read.units, diags, load::read_unit(sources, name, text)),
            Some(Role::Suite) => {
                let before = read.suites.len();
                collect(&mut read.suites, diags, load::read_suite(sources, name, text));
                if let Some(suite) = read.suites.get(before) {
                    add_cycles(sources, suite, &|written| beside(Path::new(name), written));
                }
            }
            Some(Role::Answers) => {
                collect(&mut Vec::new(), diags, load::read_answers(sources, name, text));
            }
            None => diags.push(Diag::general(format!("{name} is none of the known kinds of file")).help(
                "a rig has [supply], a unit has [machine], a suite has [[test]], answers have [answer]",
            )),
        }
    }
    read
}

/// A suite in a few lines with its hazards, and what forbids it.
fn judged(case: &Case<'_>) -> (String, Vec<Diag>) {
    let found = hazards::judge(case);
    let warnings: String = hazards::warnings(&found).iter().map(|w| format!("{w}\n")).collect();
    let opens_nothing = opens_nothing(case.plan).map_or_else(String::new, |told| format!("note: {told}\n"));
    let text = summary(case.plan) + &opens_nothing + &hazards::summary(&found) + &warnings;
    (text, hazards::refusals(&found, hazards::is_real(case.plan)))
}

fn collect<T>(into: &mut Vec<T>, diags: &mut Vec<Diag>, (read, more): (Option<T>, Vec<Diag>)) {
    into.extend(read);
    diags.extend(more);
}

fn metric_list() -> String {
    let mut text = String::new();
    for metric in metrics::catalogue() {
        let kind = metric.kind(Unit::one().kind).name();
        let of = match metric.subject() {
            metrics::Subject::Link => format!("of a link, a {kind}"),
            metrics::Subject::Tracked => "of a channel against the test's demand".into(),
            metrics::Subject::Channel => "of a channel".into(),
            metrics::Subject::Burst => "of a channel of a burst".into(),
            metrics::Subject::Waveform => "of a channel of a burst or one polled often".into(),
        };
        let band = if metric.needs_band() { "; needs a band" } else { "" };
        text +=
            &format!("{} (version {}), {of}{band}\n    {}\n", metric.id(), metric.version(), metric.about());
        for operand in metric.operands() {
            let must = if operand.needed { "needs" } else { "takes" };
            text += &format!("    {must} `{}`: {}\n", operand.key, operand.about);
        }
    }
    text
}
