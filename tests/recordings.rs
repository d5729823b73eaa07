//! A recording made beside a run: laid in its time or not, kept in its folder, and refused in words where it cannot tell.
#![allow(clippy::unwrap_used)]

mod common;

use common::{RIG, UNIT, load, run_bench};
use spinproof::columns::Burst;
use spinproof::metrics::Refusal;
use spinproof::plan::{Began, Plan, bursts_of_wav};
use spinproof::results::evaluate_with;
use spinproof::twin::TruthRow;
use std::f64::consts::TAU;
use std::io::Cursor;
use std::path::Path;
use std::process::Command;

const RATE: u32 = 8000;
/// What full scale stands for in the rig below, m/s2.
const FULL: f64 = 50.0;

fn rig() -> String {
    let recording = "[recording.casing]\nabout = \"accelerometer on the casing, through a sound card\"\npiece = \"0.5 s\"\n\
        channel = [{ name = \"casing\", track = 2, full_scale = \"50 m/s2\", scale_uncertainty = \"5 %\" }]\n\n[twin]\n";
    RIG.replacen("[twin]\n", recording, 1)
}

const SUITE: &str = r#"
schema = 1
name = "recorded"
[[test]]
name = "hold"
profile = [
    { ramp = "600 rpm", rate = "200 rpm/s", name = "up" },
    { hold = "6 s", name = "hold" },
    { ramp = "0 rpm", rate = "200 rpm/s" },
]
[[test.criterion]]
metric = "order_amplitude"
of = "casing"
over = "hold"
speed = "speed"
order = "3"
at_most = "2 m/s2 peak"
why = "the test puts 1.5 m/s2 there"
[[test.criterion]]
metric = "vibration_velocity"
of = "casing"
over = "hold"
frequencies = ["20 Hz", "1 kHz"]
at_most = "9 mm/s rms"
why = "the test puts 5.6 mm/s there"
[[test.criterion]]
metric = "vibration_velocity"
of = "casing"
frequencies = ["20 Hz", "1 kHz"]
at_most = "12 mm/s rms"
why = "all of the recording: on the way up the same is up to 10.6 mm/s at 16 Hz, two steps of half a second below the band"
"#;

/// A stereo file of 24 bits that begins `begin` s after the run did: 1.5 m/s2 three times a turn of the shaft, as the truth
/// log has its angle, on the second track; nothing on the first.
fn wav(truth: &[TruthRow], begin: f64, lasting: f64) -> Vec<u8> {
    let (mut turned, mut before) = (0.0, truth[0].truth.angle);
    let mut course = Vec::new();
    for row in truth {
        let step = row.truth.angle - before;
        turned += (step + TAU / 2.0).rem_euclid(TAU) - TAU / 2.0;
        before = row.truth.angle;
        course.push((row.truth.t.secs_f64(), turned));
    }
    let at = |t: f64| {
        let next = course.partition_point(|(x, _)| *x <= t).clamp(1, course.len() - 1);
        let ((t0, a0), (t1, a1)) = (course[next - 1], course[next]);
        if t1 > t0 { a0 + (a1 - a0) * ((t - t0) / (t1 - t0)).clamp(0.0, 1.0) } else { a1 }
    };
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: RATE,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut file = Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut file, spec).unwrap();
    for i in 0..(lasting * f64::from(RATE)) as usize {
        let value = 1.5 * (3.0 * at(begin + i as f64 / f64::from(RATE))).sin();
        writer.write_sample(0).unwrap();
        writer.write_sample((value / FULL * 8_388_608.0).round() as i32).unwrap();
    }
    writer.finalize().unwrap();
    file.into_inner()
}

fn recorded(plan: &Plan, file: &[u8], began: Option<Began>) -> Vec<Burst> {
    bursts_of_wav(&plan.recordings[0], file, began).expect("a recording")
}

#[test]
fn a_recording_is_as_good_as_its_place_in_time() {
    let run = run_bench(load(&rig(), UNIT, SUITE, None), 1, &[], |_| {});
    let plan = &run.loaded.plan;
    let file = wav(&run.truth, 2.0, 9.0);
    let verdicts = |bursts: Vec<Burst>| {
        let results = evaluate_with(plan, &run.records, bursts);
        let verdicts = results.verdicts[0].iter().map(|v| v.measured.clone());
        (results.columns, verdicts.collect::<Vec<_>>())
    };
    let why = |m: &Result<_, Refusal>| {
        m.as_ref().map(|_: &spinproof::metrics::Measured| ()).expect_err("no").why.clone()
    };

    let (columns, laid) = verdicts(recorded(plan, &file, Some(Began { at: 2.0, u: 0.02 })));
    let order = laid[0].as_ref().unwrap();
    // The scale is uncertain by 5 %; half a per cent is what an angle known to 10 ms loses.
    assert!((order.value - 1.5).abs() < 0.0075 && (0.074..0.1).contains(&order.u), "{order:?}");
    // 1.5 m/s2 peak at 30 Hz are 1.5/(2 pi 30)/sqrt 2 = 5.63 mm/s rms.
    let velocity = laid[1].as_ref().unwrap();
    assert!((velocity.value * 1e3 - 5.627).abs() < 0.06, "{velocity:?}");
    let hold = columns.spans.iter().find(|s| s.name == "hold" && s.segment.is_some()).unwrap();
    let inside = columns.bursts_within("casing", hold.t0, hold.t1).count();
    assert!((10..=12).contains(&inside), "{inside} pieces of half a second in 6 s");

    // Nobody said when it began: what needs no place in time is measured, the rest refuses.
    let (_, unknown) = verdicts(recorded(plan, &file, None));
    assert!(why(&unknown[0]).contains("nobody said when recording `casing` began"), "{}", why(&unknown[0]));
    assert!(why(&unknown[1]).contains("what of it lies within `hold` is not known"), "{}", why(&unknown[1]));
    let whole = unknown[2].as_ref().unwrap();
    // The loudest piece lies on the way up, where the same acceleration is more velocity the slower it turns: at 20 Hz, where the
    // band begins, 1.5/(2 pi 20)/sqrt 2 = 8.44 mm/s, and two steps of 2 Hz below it, from where on lines count, 10.55 mm/s.
    assert!((8.4..10.6).contains(&(whole.value * 1e3)), "{whole:?}");
    assert!(whole.note.as_ref().unwrap().contains("of its recording"), "{whole:?}");

    // Told within 4 s: no piece is surely in the 6 s of the hold.
    let (_, vague) = verdicts(recorded(plan, &file, Some(Began { at: 2.0, u: 4.0 })));
    assert!(why(&vague[0]).contains("no burst with `casing` lies within `hold`"), "{}", why(&vague[0]));
    // Not given at all.
    let (_, none) = verdicts(Vec::new());
    assert!(none.iter().all(Result::is_err));
}

fn spinproof(arguments: &[&str]) -> (Option<i32>, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_spinproof")).args(arguments).output().unwrap();
    let text = [out.stdout, out.stderr].concat();
    (out.status.code(), String::from_utf8_lossy(&text).into_owned())
}

/// Kept with its hash and read from the folder ever after; what cannot be used is told and changes nothing.
#[test]
fn a_recording_becomes_part_of_its_run_folder() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name).display().to_string();
    std::fs::write(at("rig.toml"), rig()).unwrap();
    std::fs::write(at("unit.toml"), UNIT).unwrap();
    std::fs::write(at("suite.toml"), SUITE).unwrap();
    let (suite, rig, unit, folder) = (at("suite.toml"), at("rig.toml"), at("unit.toml"), at("run"));
    let (code, text) = spinproof(&["rehearse", &suite, "--rig", &rig, "--unit", &unit, "--out", &folder]);
    assert_eq!(code, Some(1), "nothing was recorded, so nothing is met: {text}");
    assert!(text.contains("recording `casing` is not in it: spinproof report"), "{text}");

    let run = run_bench(load(&self::rig(), UNIT, SUITE, None), 1, &[], |_| {});
    std::fs::write(at("take.wav"), wav(&run.truth, 2.0, 9.0)).unwrap();
    std::fs::write(at("text.wav"), "no wave").unwrap();
    let given = format!("casing={}", at("take.wav"));
    let before = std::fs::read(Path::new(&folder).join("run.json")).unwrap();
    for (arguments, part) in [
        (vec!["--recording", "other=x.wav"], "`other` is no recording of the rig; it has casing"),
        (vec!["--recording", "casing"], "expected NAME=FILE"),
        (vec!["--recording", "casing=/nowhere.wav"], "/nowhere.wav cannot be read"),
        (vec!["--recording", &format!("casing={}", at("text.wav"))], "is no WAV file"),
        (vec!["--recording", &given, "--recording-began", "casing=2"], "expected NAME=TIME,UNCERTAINTY"),
        (vec!["--recording-began", "casing=2s,1s"], "goes with `--recording casing=FILE`"),
    ] {
        let (code, text) = spinproof(&[vec!["report", folder.as_str()], arguments].concat());
        assert!(code == Some(2) && text.contains(part), "{code:?} `{text}` does not say `{part}`");
    }
    assert_eq!(std::fs::read(Path::new(&folder).join("run.json")).unwrap(), before, "nothing was changed");

    let began = ["--recording", given.as_str(), "--recording-began", "casing=2 s,0.02 s"];
    let (code, text) = spinproof(&[&["report", folder.as_str()][..], &began].concat());
    assert_eq!(code, Some(0), "{text}");
    let info = std::fs::read_to_string(Path::new(&folder).join("run.json")).unwrap();
    assert!(info.contains("files/take.wav") && info.contains("\"role\": \"recording\""), "{info}");
    let page = std::fs::read_to_string(Path::new(&folder).join("report.html")).unwrap();
    assert!(page.contains("take.wav") && page.contains("Bursts of casing"));
    // From the folder alone, and to the byte.
    std::fs::remove_file(at("take.wav")).unwrap();
    let (code, text) = spinproof(&["report", &folder]);
    assert_eq!(code, Some(0), "{text}");
    assert_eq!(std::fs::read_to_string(Path::new(&folder).join("report.html")).unwrap(), page);
    let (code, text) = spinproof(&["report", &folder, "--recording", &given]);
    assert!(code == Some(2) && text.contains("holds recording `casing` already"), "{text}");
    // The index made again knows what the recording has shown.
    let index = || spinproof::archive::Index::existing(dir.path()).unwrap().unwrap().all().unwrap();
    let known = index();
    assert_eq!(known[0].outcome, Some(spinproof::outcome::Cause::Passed));
    let (code, text) = spinproof(&["runs", &dir.path().display().to_string(), "--rebuild"]);
    assert_eq!(code, Some(0), "{text}");
    assert_eq!(index(), known);
    // Changed afterwards, it is no longer that run's.
    std::fs::write(Path::new(&folder).join("files/take.wav"), "other").unwrap();
    let (code, text) = spinproof(&["report", &folder]);
    assert!(code == Some(3) && text.contains("was changed after the run"), "{code:?} {text}");
}
