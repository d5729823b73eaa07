//! `runs`: what the index remembers; made again from the run folders if asked to.

use super::index::{entry_of, unusable};
use super::whole::entry_of_whole;
use super::{Early, say};
use crate::archive::{Index, IndexError, held, unlisted};
use crate::evidence::Entry;
use crate::outcome::{Cause, LadderEffect};
use crate::shell::clock::utc_now;
use crate::trace::RunKind;
use std::path::PathBuf;

/// Arguments of `runs`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The folder that holds the run folders and their index.
    #[arg(default_value = "runs")]
    runs: PathBuf,
    /// Make the index again from the run folders; what it knows of runs whose folder is gone is kept.
    #[arg(long)]
    rebuild: bool,
    /// With --rebuild: forget a run whose folder is gone and whose date lies ahead, made under a clock that was wrong; repeatable.
    #[arg(long = "drop", value_name = "NAME", requires = "rebuild")]
    drops: Vec<String>,
}

pub(super) fn run(args: &Args) -> Result<Cause, Early> {
    if args.rebuild {
        return rebuild(args);
    }
    let Some(index) = Index::existing(&args.runs).map_err(unusable)? else {
        let text = format!(
            "{} holds no run index; `spinproof runs {} --rebuild` makes one from the run folders",
            args.runs.display(),
            args.runs.display()
        );
        return Err(Early::new(Cause::NotMade, text));
    };
    for entry in index.all().map_err(unusable)? {
        say::line(line(&entry));
    }
    for name in unlisted(&index, &args.runs).map_err(unusable)? {
        say::line(format_args!(
            "{name}  not in the index: `spinproof runs {} --rebuild`",
            args.runs.display()
        ));
    }
    Ok(Cause::Passed)
}

/// Reads every run folder, and the old index for what the folders no longer show. A folder that cannot be read is told, and the
/// index is made without it unless the old one knows that its run closes a rung.
fn rebuild(args: &Args) -> Result<Cause, Early> {
    let not_made = |e: &dyn std::fmt::Display| Early::new(Cause::NotMade, e);
    let names = held(&args.runs).map_err(|e| not_made(&format!("{}: {e}", args.runs.display())))?;
    let old = remembered(args)?;
    let mut entries = Vec::new();
    let mut lost = Vec::new();
    for name in &names {
        let dir = args.runs.join(name);
        match entry_of_whole(&dir).and_then(|entry| entry.map_or_else(|| entry_of(&dir), Ok)) {
            Ok(entry) => entries.push(entry),
            Err(early) => lost.push(format!("{name}: {}", early.text)),
        }
    }
    let told = keep_what_is_gone(args, &names, old, &mut entries, &utc_now())?;
    Index::rebuild(&args.runs, &entries).map_err(unusable)?;
    told.iter().for_each(say::line);
    say::line(format_args!(
        "{} of {} runs in the index of {}",
        names.len() - lost.len(),
        names.len(),
        args.runs.display()
    ));
    if lost.is_empty() {
        return Ok(Cause::Passed);
    }
    // They stay unlisted, and a real run refuses to begin beside a folder that nobody could read.
    Err(not_made(&format!("not read, and not in the index:\n{}", lost.join("\n"))))
}

/// What the old index knows, as far as it can be understood; of one that cannot be read at all that is said.
///
/// Errors if another process keeps it, or the system refuses: what it knows is not given up for that.
fn remembered(args: &Args) -> Result<Vec<Entry>, Early> {
    let known = Index::existing(&args.runs).and_then(|index| index.map(|i| i.understood()).transpose());
    let lost = |what: &dyn std::fmt::Display| {
        say::err(format_args!("lost with the old index, unless its folder is still there: {what}"));
    };
    match known {
        Ok(known) => {
            let (entries, wrong) = known.unwrap_or_default();
            wrong.iter().for_each(|what| lost(what));
            Ok(entries)
        }
        Err(error @ (IndexError::Damaged { .. } | IndexError::Newer { .. })) => {
            lost(&error);
            Ok(Vec::new())
        }
        Err(error) => Err(unusable(error)),
    }
}

/// Adds to the entries that the folders gave those that only the old index knows; what is told of each. `now`: UTC.
///
/// Errors if a folder holds another run than the old index knows by its name, or if what is to be dropped may not be: nothing
/// is changed then.
fn keep_what_is_gone(
    args: &Args,
    names: &[String],
    old: Vec<Entry>,
    entries: &mut Vec<Entry>,
    now: &str,
) -> Result<Vec<String>, Early> {
    may_be_dropped(args, names, &old, now)?;
    let (mut told, mut twice) = (Vec::new(), Vec::new());
    for known in old {
        let words = line(&known);
        let rehearsed = |entry: &Entry| entry.kind == RunKind::Rehearsal;
        if let Some(at) = entries.iter().position(|e| e.folder == known.folder) {
            if known.same_run(&entries[at]) || rehearsed(&known) {
                continue;
            }
            if rehearsed(&entries[at]) {
                told.push(format!("kept, and not the rehearsal that its folder holds now: {words}"));
                entries[at] = known;
            } else {
                twice.push(format!("{words}\n  and its folder holds: {}", line(&entries[at])));
            }
        } else if names.contains(&known.folder) {
            // Nobody can read it any more; what closes a rung must not be lost with the folder.
            if known.effect() == LadderEffect::Closes {
                told.push(format!("kept, though its folder cannot be read: {words}"));
                entries.push(known);
            }
        } else if args.drops.contains(&known.folder) {
            told.push(format!("dropped, since its date lies ahead and its folder is gone: {words}"));
        } else if let Some(moved) = entries.iter().find(|e| !rehearsed(e) && known.same_run(e)) {
            told.push(format!("moved, now {}: {words}", moved.folder));
        } else {
            told.push(format!("kept, though its folder is gone: {words}"));
            entries.push(known);
        }
    }
    if twice.is_empty() {
        return Ok(told);
    }
    let text = format!(
        "the index knows another run by the name of a folder: {}\nneither may be lost: give the folder another name, then make \
         the index again",
        twice.join("\n")
    );
    Err(Early::new(Cause::Refused, text))
}

/// Only a run that this machine's clock says is yet to come, and of which nothing is left, may be dropped.
fn may_be_dropped(args: &Args, names: &[String], old: &[Entry], now: &str) -> Result<(), Early> {
    for name in &args.drops {
        let why = match old.iter().find(|e| e.folder == *name) {
            None => "the index knows no such run".to_string(),
            Some(_) if names.contains(name) => {
                format!("its folder is there: move it away from {} first", args.runs.display())
            }
            Some(known) if known.began_utc.as_str() <= now => format!(
                "it began at {}, and this machine's clock says {now}: only what is dated ahead is dropped",
                known.began_utc
            ),
            Some(_) => continue,
        };
        return Err(Early::new(Cause::Refused, format!("--drop {name}: {why}")));
    }
    Ok(())
}

fn line(entry: &Entry) -> String {
    format!("{}  {}", entry.folder, entry.words())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evidence::Standing;
    use std::slice::from_ref;

    const NOW: &str = "2026-11-28T08:00:00.000000Z";

    fn entry(folder: &str, day: &str, outcome: Cause) -> Entry {
        Entry {
            folder: folder.into(),
            began_utc: format!("{day}T08:00:00.000000Z"),
            kind: RunKind::Bench,
            suite: "first-spin".into(),
            suite_sha256: String::new(),
            rung: None,
            standing: Standing {
                serial: "HC7-0042".into(),
                assembly: Some(1),
                unit_sha256: String::new(),
                rig_sha256: String::new(),
                build: None,
                settings: None,
            },
            outcome: Some(outcome),
            grades: Vec::new(),
            off_ladder: false,
            controller_us: Some(1_500),
        }
    }

    fn rehearsal(folder: &str) -> Entry {
        Entry { kind: RunKind::Rehearsal, ..entry(folder, "1970-01-01", Cause::Passed) }
    }

    /// What is in the index afterwards, and what is told; `names` are all folders, `found` what those gave that could be read.
    fn made_again(
        names: &[&str],
        found: &[Entry],
        old: &[Entry],
        drops: &[&str],
    ) -> Result<(Vec<Entry>, String), String> {
        let owned = |names: &[&str]| names.iter().map(ToString::to_string).collect::<Vec<String>>();
        let args = Args { runs: "runs".into(), rebuild: true, drops: owned(drops) };
        let mut entries = found.to_vec();
        keep_what_is_gone(&args, &owned(names), old.to_vec(), &mut entries, NOW)
            .map(|told| (entries, told.join("\n")))
            .map_err(|early| early.text)
    }

    #[test]
    fn what_the_folders_no_longer_show_is_kept_and_named() {
        let failed = entry("last", "2026-11-26", Cause::CriterionFailed);
        let passed = entry("first", "2026-11-25", Cause::Passed);
        let old = [failed.clone(), passed.clone(), rehearsal("nightly")];
        // Every folder is gone.
        let (entries, told) = made_again(&[], &[], &old, &[]).expect("made again");
        assert_eq!(entries, old);
        assert_eq!(told.matches("kept, though its folder is gone: ").count(), 3, "{told}");
        assert!(told.contains("last  first-spin (no rung): failed; HC7-0042 assembly 1"), "{told}");
        // One can be read, and says more than the index did; one was given another name.
        let known = Entry { outcome: Some(Cause::Tripped), ..failed.clone() };
        let moved = Entry { folder: "old-first".into(), ..passed };
        let found = [known.clone(), moved.clone(), rehearsal("nightly")];
        let (entries, told) =
            made_again(&["last", "nightly", "old-first"], &found, &old, &[]).expect("made again");
        assert_eq!(entries, found);
        assert!(told.starts_with("moved, now old-first: first") && told.lines().count() == 1, "{told}");
        // A folder that nobody can read takes no failure with it, and leaves no pass.
        let (entries, told) = made_again(&["last", "first"], &[], &old[..2], &[]).expect("made again");
        assert_eq!(entries, [failed]);
        assert!(told.contains("kept, though its folder cannot be read: last"), "{told}");
    }

    #[test]
    fn of_two_runs_of_one_name_neither_is_lost() {
        let failed = entry("last", "2026-11-26", Cause::CriterionFailed);
        let other = entry("last", "2026-11-27", Cause::Passed);
        let why = made_again(&["last"], from_ref(&other), from_ref(&failed), &[]).expect_err("refused");
        assert!(
            why.contains("2026-11-26") && why.contains("2026-11-27") && why.contains("another name"),
            "{why}"
        );
        // A rehearsal is nothing that could be lost.
        let (entries, told) =
            made_again(&["last"], &[rehearsal("last")], from_ref(&failed), &[]).expect("made");
        assert!(entries == [failed] && told.contains("not the rehearsal that its folder holds"), "{told}");
        let (entries, told) =
            made_again(&["last"], from_ref(&other), &[rehearsal("last")], &[]).expect("made");
        assert_eq!((entries, told), (vec![other], String::new()));
    }

    /// Its clock was ahead, and nothing is left of it; a clock that is behind must not make a failure such a run by itself.
    #[test]
    fn only_what_is_dated_ahead_is_dropped_and_only_by_name() {
        let ahead = entry("ahead", "2038-01-19", Cause::CriterionFailed);
        let old = [entry("last", "2026-11-26", Cause::CriterionFailed), ahead.clone()];
        let (entries, told) = made_again(&[], &[], &old, &[]).expect("made again");
        assert!(entries == old && !told.contains("dropped"), "{told}");
        let (entries, told) = made_again(&[], &[], &old, &["ahead"]).expect("made again");
        assert_eq!(entries, old[..1]);
        assert!(told.contains("dropped, since its date lies ahead and its folder is gone: ahead"), "{told}");
        for (names, found, drop, word) in [
            (&[][..], &[][..], "last", "only what is dated ahead is dropped"),
            (&["ahead"], from_ref(&ahead), "ahead", "its folder is there: move it away from runs first"),
            (&["ahead"], &[], "ahead", "its folder is there"),
            (&[], &[], "none", "the index knows no such run"),
        ] {
            let why = made_again(names, found, &old, &[drop]).expect_err(word);
            assert!(why.contains(word), "{why}");
        }
    }
}
