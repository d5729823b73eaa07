//! Recordings given beside a run: kept in its folder, and read from there ever after.

use super::Early;
use super::load::Loaded;
use crate::columns::Burst;
use crate::outcome::Cause;
use crate::plan::{Began, bursts_of_wav};
use crate::trace::{FileUsed, OpenRun, RecordingBegan, RunFolder};
use crate::units::parse_quantity;
use std::path::{Path, PathBuf};

/// Role of a recording in a run folder.
const ROLE: &str = "recording";

/// Arguments about recordings.
#[derive(Debug, clap::Args)]
#[group(id = "recordings_made")]
pub(super) struct Args {
    /// A recording of the rig, such as casing=take7.wav: copied into the run folder; repeatable.
    #[arg(long = "recording", value_name = "NAME=FILE")]
    recordings: Vec<String>,
    /// When a recording began in the run's time and the standard uncertainty of that, such as
    /// casing=-2.5s,0.2s; without it what needs to know refuses.
    #[arg(long = "recording-began", value_name = "NAME=TIME,UNCERTAINTY", allow_hyphen_values = true)]
    began: Vec<String>,
}

/// Copies what is given into the run folder and writes it into `run.json`. A recording that the folder holds stays: what a
/// run's results rest on is not changed afterwards.
pub(super) fn keep(dir: &Path, open: OpenRun, loaded: &Loaded, args: &Args) -> Result<OpenRun, Early> {
    let wrong = |text: String| Early::new(Cause::FilesInvalid, text);
    let not_made = |e: &dyn std::fmt::Display| Early::new(Cause::NotMade, e);
    let known: Vec<&str> = loaded.plan.recordings.iter().map(|r| r.name.as_str()).collect();
    let mut given: Vec<(&str, PathBuf, Vec<u8>)> = Vec::new();
    for text in &args.recordings {
        let (name, file) = text.split_once('=').ok_or_else(|| {
            wrong(format!("`--recording {text}`: expected NAME=FILE, such as casing=take7.wav"))
        })?;
        if !known.contains(&name) {
            let known = if known.is_empty() { "none".into() } else { known.join(", ") };
            return Err(wrong(format!("`{name}` is no recording of the rig; it has {known}")));
        }
        let held = open.files.iter().any(|f| f.used.role == ROLE && f.used.written.as_deref() == Some(name));
        if held || given.iter().any(|(n, ..)| *n == name) {
            return Err(wrong(format!(
                "the run folder holds recording `{name}` already, and results never change their ground: copy the folder first"
            )));
        }
        let bytes = std::fs::read(file)
            .map_err(|e| wrong(format!("recording `{name}`: {file} cannot be read: {e}")))?;
        given.push((name, file.into(), bytes));
    }
    let began = args.began.iter().map(|text| parse_began(text)).collect::<Result<Vec<_>, _>>()?;
    if let Some(began) = began.iter().find(|b| given.iter().all(|(name, ..)| *name != b.name)) {
        return Err(wrong(format!(
            "`--recording-began {}=...` goes with `--recording {}=FILE`",
            began.name, began.name
        )));
    }
    if given.is_empty() {
        return Ok(open);
    }
    // A file that cannot be used is told before anything is kept.
    for (name, _, bytes) in &given {
        bursts_of(loaded, &began, name, bytes).map_err(wrong)?;
    }
    let folder = RunFolder::at(dir);
    let mut info = open.info;
    for (name, path, bytes) in &given {
        let file =
            path.file_name().map_or_else(|| format!("{name}.wav"), |f| f.to_string_lossy().into_owned());
        let used = folder.keep(ROLE, &file, bytes).map_err(|e| not_made(&e))?;
        info.files.push(FileUsed { written: Some((*name).to_string()), ..used });
    }
    info.recordings.extend(began);
    folder.write_info(&info).map_err(|e| not_made(&e))?;
    RunFolder::open(dir).map_err(|e| not_made(&e))
}

/// The bursts of all recordings in a run folder, and the names of those that the rig has and the folder has not.
pub(super) fn bursts(open: &OpenRun, loaded: &Loaded) -> Result<(Vec<Burst>, Vec<String>), Early> {
    let (mut bursts, mut missing) = (Vec::new(), Vec::new());
    for recording in &loaded.plan.recordings {
        let name = &recording.name;
        let file = open.files.iter().find(|f| f.used.role == ROLE && f.used.written.as_ref() == Some(name));
        match file {
            Some(file) => bursts.extend(
                bursts_of(loaded, &open.info.recordings, name, &file.bytes)
                    .map_err(|e| Early::new(Cause::NotMade, e))?,
            ),
            None => missing.push(name.clone()),
        }
    }
    Ok((bursts, missing))
}

fn bursts_of(
    loaded: &Loaded,
    began: &[RecordingBegan],
    name: &str,
    wav: &[u8],
) -> Result<Vec<Burst>, String> {
    let recording = loaded.plan.recordings.iter().find(|r| r.name == name);
    let recording = recording.ok_or_else(|| format!("`{name}` is no recording of the rig"))?;
    let began = began.iter().find(|b| b.name == name).map(|b| Began { at: b.at, u: b.u });
    bursts_of_wav(recording, wav, began)
}

/// `casing=-2.5s,0.2s`.
fn parse_began(text: &str) -> Result<RecordingBegan, Early> {
    let parsed = || {
        let (name, times) = text.split_once('=')?;
        let (at, u) = times.split_once(',')?;
        let second = parse_quantity("1 s").ok()?.unit.kind;
        let time = |t: &str| parse_quantity(t.trim()).ok().filter(|q| q.unit.kind == second).map(|q| q.si);
        let (at, u) = (time(at)?, time(u)?);
        (u > 0.0).then(|| RecordingBegan { name: name.into(), at, u })
    };
    parsed().ok_or_else(|| {
        let text = format!(
            "`--recording-began {text}`: expected NAME=TIME,UNCERTAINTY with two times, the second above zero, such as \
             casing=-2.5s,0.2s"
        );
        Early::new(Cause::FilesInvalid, text)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_begin_is_a_time_and_its_doubt() {
        let began = parse_began("casing=-2.5s,200 ms").expect("a begin");
        assert_eq!((began.name.as_str(), began.at, began.u), ("casing", -2.5, 0.2));
        for text in ["casing", "casing=1s", "casing=1s,0s", "casing=1V,1s", "casing=1s,-1s", "=,"] {
            let early = parse_began(text).expect_err(text);
            assert!(early.text.contains("NAME=TIME,UNCERTAINTY"), "{text}");
        }
    }
}
