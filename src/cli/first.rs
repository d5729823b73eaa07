//! The rehearsal before a run: with the middle of every range it must pass, and with drawn parameters it says where the
//! channels should run.

use super::load::Loaded;
use super::{Early, say};
use crate::engine::Output;
use crate::files::rig::Role;
use crate::outcome::Cause;
use crate::plan::{Criterion, Plan, Source};
use crate::predicted::{CALIBRATION, Curves, Grid, GridChannel, Predicted, SHAPE, curves, predict};
use crate::record::Record;
use crate::rehearsal::{Bench, TwinError, nominal_spec, rehearse, twin_spec};
use crate::results::evaluate;
use crate::shell::parallel::in_parallel;
use crate::trace::{FileUsed, RunFolder};
use crate::twin::{TwinSpec, find_build};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Seeds of the drawn units begin here: nobody counts as far by hand, so a run's own seed is none of them.
const FIRST_SEED: u64 = 0x5EED_0000_0000;

/// What the rehearsals gave.
#[derive(Debug, Default)]
pub(super) struct First {
    /// For run.json: how it went, in words.
    pub rehearsal: Option<String>,
    /// For run.json: how the band was made, or why not.
    pub band: Option<String>,
    /// The band, as JSON.
    pub bytes: Option<Vec<u8>>,
}

impl First {
    /// None was made, and why.
    pub(super) fn none(why: &str) -> First {
        First { rehearsal: None, band: Some(why.into()), bytes: None }
    }

    /// Keeps the band in a run folder.
    pub(super) fn keep(&self, folder: &RunFolder) -> std::io::Result<Option<FileUsed>> {
        self.bytes.as_ref().map(|bytes| folder.keep("band", "band.json", bytes)).transpose()
    }
}

/// Rehearses before a run.
///
/// Errors if the twin cannot be made or the rehearsal does not pass: the run is refused.
pub(super) fn rehearse_first(loaded: &Loaded, home: &Path) -> Result<First, Early> {
    let (plan, of_build) = plan_for_twin(&loaded.plan);
    let refused = |what: String| {
        let help = "mend the suite or the files, or say why there is none with --no-rehearsal REASON";
        Early::new(Cause::Refused, format!("the rehearsal before the run {what}; {help}"))
    };
    let spec = nominal_spec(&loaded.rig, &loaded.unit, &plan)
        .map_err(|e| refused(format!("cannot be made: {e}")))?;
    say::err(format_args!("rehearsing with the middle of every range of the unit file"));
    let (judged, left_out) = without_recordings(&plan);
    let nominal = evaluate(&judged, &records(&plan, spec, FIRST_SEED));
    if nominal.cause != Cause::Passed {
        let row = nominal.cause.row();
        return Err(refused(format!("did not pass: {} ({})", row.headline, nominal.why)));
    }
    let mut rehearsal = format!("passed with the middle of every range of the unit file{of_build}");
    if !left_out.is_empty() {
        let left_out = format!(
            "left out of that, since they rest on a recording made beside the run: {}",
            left_out.join("; ")
        );
        say::err(format_args!("rehearsal: {left_out}"));
        rehearsal += &format!("; {left_out}");
    }
    let (band, bytes) = match band(loaded, &plan, home) {
        Ok(bytes) => {
            let text = format!(
                "from {SHAPE} and {CALIBRATION} rehearsals with parameters drawn from the ranges of the unit file: a sound \
                 unit within them stays inside it throughout in at least {CALIBRATION} of {} runs; temperatures count from \
                 the start of each test",
                CALIBRATION + 1
            );
            (text, Some(bytes))
        }
        Err(why) => {
            say::err(format_args!("no predicted band: {why}"));
            (format!("not made: {why}"), None)
        }
    };
    Ok(First { rehearsal: Some(rehearsal), band: Some(band), bytes })
}

/// The plan as the twin can play it: a build that it does not know is played by its sound one, and that is said.
fn plan_for_twin(plan: &Arc<Plan>) -> (Arc<Plan>, String) {
    match &plan.build {
        Some(build) if find_build(build).is_none() => {
            let known = Plan { build: None, ..Plan::clone(plan) };
            (Arc::new(known), format!(" and the twin's sound build, since the twin does not know `{build}`"))
        }
        _ => (Arc::clone(plan), String::new()),
    }
}

/// The plan without the criteria that rest on a recording, and what they are: a rehearsal records nothing beside itself, and
/// what is not measured is never passed.
fn without_recordings(plan: &Plan) -> (Plan, Vec<String>) {
    let recorded: Vec<&str> =
        plan.recordings.iter().flat_map(|r| &r.channels).map(|channel| channel.name.as_str()).collect();
    // Under `before` stands a segment, which may be called as a channel is.
    let rests = |c: &Criterion| {
        let mut given = c.given.texts().filter(|(key, _)| *key != "before");
        recorded.contains(&c.of.as_str()) || given.any(|(_, text)| recorded.contains(&text))
    };
    let (mut judged, mut left_out) = (plan.clone(), Vec::new());
    for test in &mut judged.tests {
        let out = test.criteria.iter().filter(|c| rests(c));
        left_out.extend(out.map(|c| format!("{}: {} of {}", test.name, c.metric.id(), c.of)));
        test.criteria.retain(|c| !rests(c));
    }
    (judged, left_out)
}

fn records(plan: &Arc<Plan>, spec: TwinSpec, seed: u64) -> Vec<Record> {
    let mut bench = Bench::new(spec, seed, &[]);
    let mut records: Vec<Record> = Vec::new();
    rehearse(plan, &mut bench, &mut |_, _| (true, "assumed: rehearsal before the run".into()), &mut |step| {
        records.extend(step.outputs.into_iter().filter_map(|(_, output)| match output {
            Output::Record(record) => Some(record),
            _ => None,
        }));
    });
    records
}

/// The band as JSON, from the cache beside the runs or made now.
fn band(loaded: &Loaded, plan: &Arc<Plan>, home: &Path) -> Result<Vec<u8>, String> {
    let path = home.join("bands").join(format!("{}.json", key(loaded)));
    if let Ok(bytes) = std::fs::read(&path)
        && serde_json::from_slice::<Predicted>(&bytes).is_ok()
    {
        return Ok(bytes);
    }
    let grid = grid(plan);
    let runs = drawn(loaded, plan, &grid)?;
    let predicted = predict(&grid, &runs).ok_or("too few rehearsals")?;
    let bytes = serde_json::to_vec(&predicted).map_err(|e| e.to_string())?;
    if let Err(error) = keep(&path, &bytes) {
        say::err(format_args!("the band is not kept for the next run: {}: {error}", path.display()));
    }
    Ok(bytes)
}

fn keep(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    std::fs::create_dir_all(path.parent().unwrap_or(Path::new(".")))?;
    let beside = path.with_extension(format!("{}.new", std::process::id()));
    std::fs::write(&beside, bytes)?;
    std::fs::rename(&beside, path)
}

fn drawn(loaded: &Loaded, plan: &Arc<Plan>, grid: &Grid) -> Result<Vec<Curves>, String> {
    let n = SHAPE + CALIBRATION;
    let one = |i: usize| -> Result<Curves, String> {
        let seed = FIRST_SEED + 1 + i as u64;
        let spec = twin_spec(&loaded.rig, &loaded.unit, plan, seed).map_err(|e: TwinError| e.to_string())?;
        let results = evaluate(plan, &records(plan, spec, seed));
        curves(grid, &results.columns).map_err(|test| {
            let name = plan.tests.get(test).map_or("?", |t| t.name.as_str());
            format!(
                "a drawn unit did not run `{name}` to its end: {} ({})",
                results.cause.row().headline,
                results.why
            )
        })
    };
    let told = |done: usize| {
        if done.is_multiple_of(5) || done == n {
            say::err(format_args!("rehearsing drawn units: {done} of {n}"));
        }
    };
    in_parallel(n, one, told).into_iter().collect()
}

/// What is predicted: every polled channel but the state of the drive.
fn grid(plan: &Plan) -> Grid {
    let channel = |c: &crate::plan::Channel| {
        let Source::Wire { group, .. } = &c.source else { return None };
        (c.role != Some(Role::DriveState)).then(|| GridChannel {
            name: c.name.clone(),
            period: plan.groups[*group].every.secs_f64(),
            u: c.u,
            rise: c.unit.kind.absolute,
        })
    };
    Grid {
        lengths: plan.tests.iter().map(|t| t.profile.length().secs_f64()).collect(),
        channels: plan.channels.iter().filter_map(channel).collect(),
    }
}

/// What the band depends on: the files, the build and this program.
fn key(loaded: &Loaded) -> String {
    let mut hash = Sha256::new();
    for text in &loaded.texts {
        if ["rig", "unit", "suite", "cycle"].contains(&text.role) {
            hash.update(format!("{} {}\n", text.role, text.text.len()));
            hash.update(&text.text);
        }
    }
    hash.update(format!(
        "build {:?}\n{SHAPE} {CALIBRATION} {}\n",
        loaded.plan.build,
        env!("CARGO_PKG_VERSION")
    ));
    // Two programs of one version differ in when and how long they were built.
    let program: Option<PathBuf> = std::env::current_exe().ok();
    if let Some(meta) = program.and_then(|p| std::fs::metadata(p).ok()) {
        hash.update(format!("{} {:?}\n", meta.len(), meta.modified().ok()));
    }
    hash.finalize().iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::super::load::{demo_rig, demo_unit, resolve_texts};
    use super::*;

    /// The recorded casing, of itself, as an operand, and beside a channel that is polled.
    const SUITE: &str = r#"
schema = 1
name = "recorded"
[[test]]
name = "crawl"
profile = [
    { ramp = "60 rpm", rate = "200 rpm/s" },
    { hold = "500 ms", name = "hold" },
    { ramp = "0 rpm", rate = "200 rpm/s" },
]
[[test.criterion]]
metric = "vibration_velocity"
of = "casing"
frequencies = ["20 Hz", "1 kHz"]
at_most = "9 mm/s rms"
[[test.criterion]]
metric = "tracking_rms"
of = "speed"
over = "hold"
at_most = "60 rpm"
"#;

    fn loaded(limit: &str) -> Loaded {
        let recording = "[recording.casing]\npiece = \"0.5 s\"\n\
            channel = [{ name = \"casing\", track = 1, full_scale = \"50 m/s2\", scale_uncertainty = \"5 %\" }]\n\n[twin]\n";
        let (name, rig) = demo_rig();
        let rig = (name, rig.replacen("[twin]\n", recording, 1));
        let suite = ("suite".to_string(), SUITE.replace("60 rpm\"\n", &format!("{limit}\"\n")));
        resolve_texts(&rig, &demo_unit(), &suite, &|_| Err("no file".into()), None)
            .map_err(|early| early.text)
            .expect("it resolves")
    }

    /// What is recorded beside the run is not there in a rehearsal: it is left out by name, and all else is held.
    #[test]
    fn a_criterion_on_a_recording_does_not_refuse_the_run_it_is_for() {
        let home = tempfile::tempdir().expect("a folder");
        let first = |loaded: &Loaded| rehearse_first(loaded, home.path()).map_err(|early| early.text);
        let good = loaded("60 rpm");
        assert_eq!(without_recordings(&good.plan).1, ["crawl: vibration_velocity of casing"]);
        let told = first(&good).expect("it passes").rehearsal.expect("it was made");
        assert!(
            told.contains("left out of that") && told.ends_with("crawl: vibration_velocity of casing"),
            "{told}"
        );
        let why = first(&loaded("0.001 rpm")).expect_err("what a rehearsal measures is held");
        assert!(why.contains("1 criterion not met (crawl: tracking_rms of speed)"), "{why}");
    }
}
