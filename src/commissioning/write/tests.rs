//! Texts before and after, and what a person wrote must be in both.

use super::super::unit::tests::resistance;
use super::*;
use crate::files::load::{read_rig, read_suite};
use crate::plan::resolve;
use crate::units::parse_unit;

const UNIT: &str = include_str!("../../../fixtures/demo/unit.toml");
const LINE: &str = "resistance = [\"17 mOhm\", \"19 mOhm\"]";
const OURS: &str = "[spinproof: measured 18.04 mOhm, standard uncertainty 0.12 (SIMULATED, rung `resistance`, dc_resistance); \
                    before: 17 mOhm to 19 mOhm]";

/// 18.043 - 2 x 0.12 = 17.803 and 18.283; to 0.01, away from the middle: 17.8 and 18.29.
fn measured() -> [Found; 1] {
    [resistance(18.043, 0.12)]
}

/// The demo unit with another line for the resistance, written back once.
fn after(line: &str) -> String {
    assert_eq!(UNIT.matches(LINE).count(), 1);
    write_back(&UNIT.replace(LINE, line), &measured()).expect("a file")
}

fn range(text: &str) -> [f64; 2] {
    let (unit, diags) = read_unit(&mut Sources::default(), "unit.toml", text);
    assert!(diags.is_empty(), "{diags:?}\n{text}");
    said(&unit.expect("a unit"), "resistance").expect("a resistance")
}

#[test]
fn only_what_was_measured_changes_however_it_was_written() {
    for (line, expected) in [
        (LINE, format!("resistance = [\"17.8 mOhm\", \"18.29 mOhm\"] # {OURS}")),
        ("resistance = \"18 mOhm\"", format!("resistance = [\"17.8 mOhm\", \"18.29 mOhm\"] # {OURS}")),
        (
            "resistance = [\n    \"17 mOhm\",\n    \"19 mOhm\",\n]",
            format!("resistance = [\n    \"17.8 mOhm\",\n    \"18.29 mOhm\",\n] # {OURS}"),
        ),
        (
            "resistance = [ # by hand\n    \"17 mOhm\", # four-wire, cold\n    '19 mOhm' # warm\n    ] # both",
            format!(
                "resistance = [ # by hand\n    \"17.8 mOhm\", # four-wire, cold\n    \"18.29 mOhm\" # warm\n    ] # both {OURS}"
            ),
        ),
        (
            "resistance   =   [\"17 mOhm\",\"19 mOhm\"]\t#cold",
            format!("resistance   =   [\"17.8 mOhm\",\"18.29 mOhm\"]\t#cold {OURS}"),
        ),
    ] {
        let new = after(line);
        assert_eq!(new, UNIT.replace(LINE, &expected), "{line}");
        let [low, high] = range(&new);
        assert!((low - 17.8e-3).abs() < 1e-9 && (high - 18.29e-3).abs() < 1e-9, "{line}");
    }
}

/// Each of these begins, holds or ends like something that could be taken for the room's own.
#[test]
fn a_persons_remark_is_kept_however_often_it_is_measured() {
    for remark in [
        "# measured four-wire at 20 °C by Ann, 2026-11-03; phase c reads 18.9",
        "# phase c has a patched lug, do not exceed 60 A",
        "# of phase a, 20 C # by ohmmeter #3",
        "# before: 17 mOhm; spinproof said so",
        "# [spinproof: without an end",
    ] {
        let mut text = UNIT.replace(LINE, &format!("{LINE} {remark}"));
        for value in [18.0, 18.2, 18.4] {
            text = write_back(&text, &[resistance(value, 0.1)]).expect("a file");
            let line = text.lines().find(|l| l.starts_with("resistance")).expect("the line");
            assert!(line.contains(remark), "{line}");
            assert_eq!(line.matches("[spinproof: measured ").count(), 1, "{line}");
            assert!(line.contains(&format!("measured {value}")), "{line}");
        }
    }
    // Both before and behind ours.
    let once = after(&format!("{LINE} # cold")).replace(OURS, &format!("{OURS}, checked by Ann"));
    let twice = write_back(&once, &[resistance(18.2, 0.1)]).expect("a file");
    assert!(twice.contains("# cold, checked by Ann [spinproof: measured 18.20 mOhm"), "{twice}");
}

/// An inline table holds no remark: one would swallow the rest of the line.
#[test]
fn an_inline_table_and_dotted_keys_are_written_to() {
    let (head, rest) = UNIT.split_once("[rotor]\n").expect("a rotor");
    let (_, rest) = rest.split_once("\n\n").expect("what follows");
    let top = head.split_once("[controller]").expect("a controller");
    let inertia = Found {
        place: ("rotor", "inertia"),
        unit: parse_unit("kg m2").expect("a unit"),
        ..resistance(0.03, 0.001)
    };
    let others = "friction = [\"0.6 Nm\", \"1.0 Nm\"], drag = \"0.004 Nm s/rad\" } # as built";
    let of = |rotor: &str| format!("{}{rotor}\n[controller]{}\n{rest}", top.0, top.1);
    let text = of(&format!("rotor = {{ inertia = \"0.03 kg m2\", {others}"));
    let new = write_back(&text, std::slice::from_ref(&inertia)).expect("a file");
    assert_eq!(new, of(&format!("rotor = {{ inertia = [\"0.028 kg m2\", \"0.032 kg m2\"], {others}")));
    range(&new);
    let dotted =
        of("rotor.inertia = \"0.03 kg m2\"\nrotor.friction = \"1 Nm\"\nrotor.drag = \"0.004 Nm s/rad\"");
    let new = write_back(&dotted, &[inertia]).expect("a file");
    assert!(
        new.contains("\nrotor.inertia = [\"0.028 kg m2\", \"0.032 kg m2\"] # [spinproof: measured 0.0300"),
        "{new}"
    );
    range(&new);
}

#[test]
fn ends_of_lines_stay_as_they_were() {
    let crlf = UNIT.replace('\n', "\r\n");
    let new = write_back(&crlf, &measured()).expect("a file");
    assert_eq!(new, after(LINE).replace('\n', "\r\n"));
    let marked = format!("\u{feff}{UNIT}");
    assert_eq!(write_back(&marked, &measured()).expect("a file"), format!("\u{feff}{}", after(LINE)));
    // Lines of both sorts, and a last one that nothing ends.
    let mixed = "[machine]\r\nresistance = \"18 mOhm\"\nx = 1\r\ny = 2";
    let new = write_back(mixed, &measured()).expect("a file");
    let ours = format!("[machine]\r\nresistance = [\"17.8 mOhm\", \"18.29 mOhm\"] # {OURS}\nx = 1\r\ny = 2");
    assert_eq!(new, ours);
    let last = write_back("[machine]\nresistance = \"18 mOhm\" # old", &measured()).expect("a file");
    assert!(last.ends_with(&format!("# old {OURS}")), "{last}");
}

/// A name of a rung may hold anything; a remark has one line and one end.
#[test]
fn a_rungs_name_does_not_end_the_remark() {
    let odd = Found { rung: "a] b\n[c\"".into(), ..resistance(18.0, 0.1) };
    let once = write_back(UNIT, std::slice::from_ref(&odd)).expect("a file");
    assert_eq!(once.lines().count(), UNIT.lines().count());
    range(&once);
    assert_eq!(write_back(&once, &[odd]).expect("a file"), once, "nothing of the older remark is left");
}

#[test]
fn a_file_without_the_key_is_left_alone() {
    let error = write_back("schema = 1", &measured()).expect_err("no key");
    assert!(error.to_string().contains("no `resistance` under [machine]"));
}

/// What could not be written is told before anything is measured, and every way to write a range can be.
#[test]
fn a_file_that_cannot_be_written_back_to_is_told_at_once() {
    let mut sources = Sources::default();
    let (rig, _) = read_rig(&mut sources, "rig.toml", include_str!("../../../fixtures/demo/rig.toml"));
    let (unit, _) = read_unit(&mut sources, "unit.toml", UNIT);
    let (suite, _) =
        read_suite(&mut sources, "suite.toml", include_str!("../../../suites/commissioning.toml"));
    let (rig, unit, suite) = (rig.expect("a rig"), unit.expect("a unit"), suite.expect("a suite"));
    let plan = resolve(&sources, &rig, &unit, &suite, None).expect("a plan");
    for text in [
        UNIT.to_string(),
        UNIT.replace('\n', "\r\n"),
        UNIT.replace(LINE, "resistance = [\n\"17 mOhm\",\n\"19 mOhm\"]"),
    ] {
        writable(&text, &unit, &plan).expect("it can be written");
    }
    // Not the file that was read: a key that is not there, and one that is no figure.
    for (line, part) in
        [("", "has no `resistance` under [machine]"), ("resistance.low = 1", "has no `resistance`")]
    {
        let error = writable(&UNIT.replace(LINE, line), &unit, &plan).expect_err(part).to_string();
        assert!(error.starts_with("what is measured could not be written into the unit file"), "{error}");
        assert!(error.contains(part), "{error}");
    }
}
