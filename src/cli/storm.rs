//! `storm`: many rehearsals with faults drawn at random, on all cores; nothing is written to disk.

use super::load::load;
use super::{Early, Files, say};
use crate::outcome::{Cause, TABLE};
use crate::storm::{Acceptance, Always, Breach, Ground, Rule, Series, Storm, Trouble, Weathered, fewest};
use crate::time::{Duration, Instant};
use indicatif::{ProgressBar, ProgressStyle};
use std::collections::{BTreeMap, BTreeSet};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

/// Arguments of `storm`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(flatten)]
    files: Files,
    /// How many.
    #[arg(long, value_name = "N", default_value_t = 100)]
    runs: u64,
    /// Seed that all of them are drawn from; a fresh one, printed, if absent. Storm K of a seed is the same however
    /// many are run on however many cores.
    #[arg(long, value_name = "S")]
    seed: Option<u64>,
    /// A fault that is in every storm, such as bus-low or link-drop=0.5@3s; what is not said of it is drawn.
    #[arg(long, value_name = "NAME[=SEVERITY][@ONSET]")]
    fault: Option<String>,
    /// Nothing else is wrong in any storm than that fault.
    #[arg(long, requires = "fault")]
    alone: bool,
    /// Nothing is wrong in any: sound units within the nameplate, of which each that does not pass is named. Unit K has the seed
    /// S + K, which `rehearse --seed` takes too.
    #[arg(long, conflicts_with = "fault")]
    healthy: bool,
    /// Only storm K, with all that is said of it.
    #[arg(long, value_name = "K", requires = "seed")]
    only: Option<u64>,
    /// Of what is wrong in it keep only these, counted from 0.
    #[arg(long, value_name = "I,J", value_delimiter = ',', requires = "only")]
    keep: Option<Vec<usize>>,
    /// Threads; all cores if absent.
    #[arg(long, value_name = "N")]
    jobs: Option<usize>,
    /// Every so many storms, feed one's inputs to a fresh engine and compare.
    #[arg(long, value_name = "N", default_value_t = 50)]
    again: u64,
}

/// Storms whose troubles are reduced; each costs some more rehearsals.
const REDUCED: usize = 5;

pub(super) fn run(args: &Args) -> Result<Cause, Early> {
    let loaded = load(&args.files)?;
    let ground = Ground { rig: loaded.rig, unit: loaded.unit, plan: loaded.plan };
    let seed = args.seed.unwrap_or_else(fresh_seed);
    let series = series(args)?;
    match args.only {
        Some(index) => only(args, &ground, series, seed, index),
        None => all(args, &ground, series, seed),
    }
}

/// What the storms are, from the command line.
fn series(args: &Args) -> Result<Series, Early> {
    let Some(text) = &args.fault else {
        return Ok(if args.healthy { Series::Sound } else { Series::Drawn });
    };
    Always::parse(text, args.alone).map(Series::Always).map_err(|e| {
        let help = e.help.map_or(String::new(), |h| format!("; {h}"));
        Early::new(Cause::FilesInvalid, format!("--fault {text}: {}{help}", e.message))
    })
}

/// One storm, told in full.
fn only(args: &Args, ground: &Ground, series: Series, seed: u64, index: u64) -> Result<Cause, Early> {
    let mut storm = series.storm(&ground.plan, seed, index);
    if let Some(keep) = &args.keep {
        let kept = keep.iter().map(|i| {
            storm.troubles.get(*i).cloned().ok_or_else(|| {
                let text = format!("--keep {i}: storm {index} has {} troubles, from 0", storm.troubles.len());
                Early::new(Cause::FilesInvalid, text)
            })
        });
        storm.troubles = kept.collect::<Result<Vec<Trouble>, Early>>()?;
    }
    say::line(format_args!("storm {index} of seed {seed}, unit {}", storm.seed));
    storm.troubles.iter().for_each(|t| say::line(format_args!("  {t}")));
    let weathered = weather(ground, &storm, true)?;
    say::line(format_args!("ended {} after {}", weathered.cause.row().headline, weathered.length));
    weathered.breaches.iter().for_each(|b| say::line(format_args!("BROKEN: {b}")));
    Ok(if weathered.breaches.is_empty() { Cause::Passed } else { Cause::CriterionFailed })
}

fn all(args: &Args, ground: &Ground, series: Series, seed: u64) -> Result<Cause, Early> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let jobs = args.jobs.unwrap_or(cores).max(1);
    say::line(format_args!(
        "{} storms of {} from seed {seed} on {jobs} threads",
        args.runs, ground.plan.suite
    ));
    let began = std::time::Instant::now();
    let mut sums = weather_all(args, ground, series, seed, jobs)?;
    let took = began.elapsed().as_secs_f64();
    say::line(format_args!(
        "{} storms in {took:.1} s, {:.3} s each on a core; {:.0} s on the virtual clock",
        args.runs,
        took * jobs as f64 / args.runs.max(1) as f64,
        sums.length.secs_f64()
    ));
    let ends =
        TABLE.iter().filter_map(|row| Some(format!("{} {}", row.headline, sums.ends.get(&row.cause)?)));
    say::line(format_args!("the engine ended them as: {}", ends.collect::<Vec<_>>().join(", ")));
    let not_passed = if args.healthy { say_not_passed(&args.files, &mut sums, seed) } else { 0 };
    let accepted_too_often = say_acceptance(sums.acceptance);
    say::line(format_args!("digest of all outputs {:016x}", sums.digest));
    sums.broken.sort_by_key(|(index, _)| *index);
    for (index, breaches) in sums.broken.iter().take(REDUCED) {
        say_broken(args, ground, series, seed, *index, breaches);
    }
    for (index, breaches) in sums.broken.iter().skip(REDUCED) {
        say::line(format_args!("storm {index}: {}", breaches[0]));
    }
    if sums.broken.is_empty() && !accepted_too_often && not_passed == 0 {
        say::line(format_args!("no rule was broken"));
        return Ok(Cause::Passed);
    }
    say_rules(&sums.broken);
    say::line(format_args!("{} of {} storms broke a rule", sums.broken.len(), args.runs));
    Ok(Cause::CriterionFailed)
}

/// Says of sound units which did not pass, and how many; what is over the criteria too.
fn say_not_passed(files: &Files, sums: &mut Sums, seed: u64) -> usize {
    sums.not_passed.sort_by_key(|(index, ..)| *index);
    for (index, cause, why) in &sums.not_passed {
        let (headline, unit) = (cause.row().headline, seed.wrapping_add(*index));
        say::line(format_args!("{headline}: {why}"));
        say::line(format_args!("  spinproof rehearse {} --seed {unit}", words_of(files)));
    }
    say::line(format_args!("{} of these sound units did not pass", sums.not_passed.len()));
    sums.not_passed.len()
}

/// Says how many storms broke each rule; a storm may have broken several.
fn say_rules(broken: &[(u64, Vec<Breach>)]) {
    let mut counts: BTreeMap<Rule, usize> = BTreeMap::new();
    for (_, breaches) in broken {
        let rules: BTreeSet<Rule> = breaches.iter().map(|b| b.rule).collect();
        rules.into_iter().for_each(|rule| *counts.entry(rule).or_default() += 1);
    }
    for (rule, count) in counts {
        say::line(format_args!("in {count} storms: {}", rule.words()));
    }
}

/// Goes through all storms on so many threads.
fn weather_all(args: &Args, ground: &Ground, series: Series, seed: u64, jobs: usize) -> Result<Sums, Early> {
    let bar = bar(args.runs);
    let next = AtomicU64::new(0);
    let sums = Mutex::new(Ok(Sums::default()));
    std::thread::scope(|scope| {
        for _ in 0..jobs {
            scope.spawn(|| {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    if index >= args.runs {
                        return;
                    }
                    let storm = series.storm(&ground.plan, seed, index);
                    let weathered =
                        weather(ground, &storm, args.again > 0 && index.is_multiple_of(args.again));
                    let mut sums = sums.lock().unwrap_or_else(|poisoned| poisoned.into_inner());
                    match (&mut *sums, weathered) {
                        (Ok(sums), Ok(weathered)) => {
                            bar.inc(1);
                            // At once: who breaks off a long one has not lost what it found.
                            if let Some(breach) = weathered.breaches.first() {
                                bar.suspend(|| say::err(format_args!("storm {index}: {breach}")));
                            }
                            sums.add(index, weathered);
                        }
                        (Ok(_), Err(early)) => {
                            next.store(args.runs, Ordering::Relaxed);
                            *sums = Err(early);
                        }
                        (Err(_), _) => return,
                    }
                }
            });
        }
    });
    bar.finish_and_clear();
    sums.into_inner().unwrap_or_else(|poisoned| poisoned.into_inner())
}

/// How far it is, on standard error if that is a terminal.
fn bar(runs: u64) -> ProgressBar {
    let style = ProgressStyle::with_template("{bar:30} {pos} of {len} storms, {eta} left")
        .expect("the template is a constant with known names");
    ProgressBar::new(runs).with_style(style)
}

/// What all storms add up to, in whatever order they come.
#[derive(Debug, Default)]
struct Sums {
    ends: BTreeMap<Cause, u64>,
    length: Duration,
    acceptance: Acceptance,
    digest: u64,
    broken: Vec<(u64, Vec<Breach>)>,
    not_passed: Vec<(u64, Cause, String)>,
}

impl Sums {
    fn add(&mut self, index: u64, weathered: Weathered) {
        *self.ends.entry(weathered.cause).or_default() += 1;
        self.length = self.length + weathered.length;
        self.acceptance = self.acceptance.and(weathered.acceptance);
        self.digest = self.digest.wrapping_add(weathered.digest ^ index.wrapping_mul(0x9E37_79B9_7F4A_7C15));
        let (called, why) = weathered.called;
        if called != Cause::Passed {
            self.not_passed.push((index, called, why));
        }
        if !weathered.breaches.is_empty() {
            self.broken.push((index, weathered.breaches));
        }
    }
}

/// Goes through a storm; a panic is a broken rule like others.
fn weather(ground: &Ground, storm: &Storm, again: bool) -> Result<Weathered, Early> {
    match catch_unwind(AssertUnwindSafe(|| ground.weather(storm, again))) {
        Ok(weathered) => weathered.map_err(|e| Early::new(Cause::FilesInvalid, e)),
        Err(panic) => {
            let text = panic.downcast_ref::<String>().cloned();
            let text = text.or(panic.downcast_ref::<&str>().map(ToString::to_string));
            let found = text.unwrap_or_else(|| "without words".into());
            Ok(Weathered {
                cause: Cause::NotMade,
                length: Duration::ZERO,
                called: (Cause::NotMade, found.clone()),
                breaches: vec![Breach { rule: Rule::Panic, at: Instant::ZERO, found }],
                acceptance: Acceptance::default(),
                digest: 0,
            })
        }
    }
}

/// Whether more was accepted beyond the limits than the decision rule lets through.
fn say_acceptance(acceptance: Acceptance) -> bool {
    let Acceptance { judged, beyond, accepted, unseen, backwards, .. } = acceptance;
    say::line(format_args!(
        "{judged} verdicts held against the truth; beyond their limit {beyond}, of these accepted {accepted}, where the \
         decision rule lets {:.2} pass in the mean, each by how far beyond its limit the truth lies",
        acceptance.expected()
    ));
    if unseen > 0 {
        say::line(format_args!(
            "{unseen} more passed that are beyond their limit only by the ripple of the mains on the bus, of which polls that \
             keep step with it see one point"
        ));
    }
    if backwards > 0 {
        say::line(format_args!(
            "in {backwards} of them the shaft turned the other way than was read: only a turn by hand tells that"
        ));
    }
    let too_often = acceptance.is_too_much();
    if too_often {
        say::line(format_args!(
            "BROKEN: more was accepted beyond its limit than the decision rule lets through"
        ));
    }
    too_often
}

fn say_broken(args: &Args, ground: &Ground, series: Series, seed: u64, index: u64, breaches: &[Breach]) {
    let storm = series.storm(&ground.plan, seed, index);
    say::line(format_args!("storm {index} of seed {seed}:"));
    breaches.iter().for_each(|b| say::line(format_args!("  BROKEN: {b}")));
    let numbered: Vec<(usize, Trouble)> = storm.troubles.iter().cloned().enumerate().collect();
    numbered.iter().for_each(|(i, t)| say::line(format_args!("  {i}: {t}")));
    let rule = breaches[0].rule;
    let fewest = fewest(&numbered, &mut |some| {
        let troubles = some.iter().map(|(_, t)| t.clone()).collect();
        let weathered = weather(ground, &Storm { troubles, ..storm }, rule == Rule::NotRepeatable);
        weathered.is_ok_and(|w| w.breaches.iter().any(|b| b.rule == rule))
    });
    let kept: Vec<String> = fewest.iter().map(|(i, _)| i.to_string()).collect();
    let words: Vec<String> = fewest.iter().map(|(_, t)| t.to_string()).collect();
    let fewest = if words.is_empty() { "nothing at all".into() } else { words.join("; ") };
    say::line(format_args!("  the fewest that still break it: {fewest}"));
    let fault = args.fault.as_ref().map_or(String::new(), |fault| format!(" --fault {fault}"));
    let what = [(args.alone, " --alone"), (args.healthy, " --healthy")];
    let what: String = what.iter().filter(|(is, _)| *is).map(|(_, word)| *word).collect();
    let files = words_of(&args.files);
    let command = format!("spinproof storm {files}{fault}{what} --seed {seed} --only {index}");
    say::line(format_args!("  {command}"));
    if kept.len() < storm.troubles.len() && !kept.is_empty() {
        say::line(format_args!("  {command} --keep {}", kept.join(",")));
    }
}

/// The files as they are given on the command line.
fn words_of(files: &Files) -> String {
    let option =
        |name: &str, path: &Option<PathBuf>| path.as_ref().map(|path| format!("--{name} {}", path.display()));
    let build = files.build.as_ref().map(|label| format!("--build {label}"));
    let words = [
        Some(files.suite.display().to_string()),
        option("rig", &files.rig),
        option("unit", &files.unit),
        build,
    ];
    words.into_iter().flatten().collect::<Vec<_>>().join(" ")
}

/// From the clock: different each time, and printed.
fn fresh_seed() -> u64 {
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    now.map_or(1, |d| d.as_millis() as u64)
}
