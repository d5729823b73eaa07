//! Broken files: each mistake gives one message, at its place, and the JSON Schema agrees.

use Schema::{Blind, NotToml, Refuses};
use proptest::prelude::*;
use spinproof::diag::{Diag, Sources, render_all};
use spinproof::files::load::Role::{self, Answers, Rig, Suite, Unit};
use spinproof::files::load::{guess_role, json_schema, read_answers, read_rig, read_suite, read_unit};
use std::io::Write;
use std::process::{Command, Stdio};

const RIG: &str = include_str!("../fixtures/demo/rig.toml");
const UNIT: &str = include_str!("../fixtures/demo/unit.toml");
const SUITE: &str = include_str!("../suites/first-spin.toml");
const TEN: &str = include_str!("../fixtures/broken/ten-mistakes.toml");
const ANSWERS: &str = r#"schema = 1
unit_serial = "HC7-0042"
build = "1.4.2"
answered_by = "A. Person"
expires = "2026-11-25T18:00:00Z"

[answer]
guards = "yes"
mount = "yes"
"#;

/// What the JSON Schema of the role says about a broken text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Schema {
    /// It is not even TOML.
    NotToml,
    /// The schema refuses it.
    Refuses,
    /// The schema takes it: JSON Schema knows no units, no order of values, no distinct names.
    Blind,
}

/// What is replaced in the sound file of a role, by what; the line of the message counted from the replaced
/// text; the text it marks; the message; what the schema says.
type Row = (Role, &'static str, &'static str, i64, &'static str, &'static str, Schema);

#[rustfmt::skip]
const ROWS: &[Row] = &[
    (Rig, "baud = 460800", "baud = fast",
     0, "fast", "`fast` stands without quotes", NotToml),
    (Rig, "baud = 460800", r#"baud = "fast""#,
     0, r#""fast""#, r#"found the text "fast", expected a whole number from 0 to 4294967295"#, Refuses),
    (Rig, "baud = 460800", "baud = -1",
     0, "-1", "found the number -1, expected a whole number from 0 to 4294967295", Refuses),
    (Rig, "baud = 460800", "bad = 460800",
     0, "bad", "unknown key `bad` in this link", Refuses),
    (Rig, "baud = 460800\n", "",
     -2, "[link.board]", "`baud` is missing from this link", Refuses),
    (Rig, r#"every = "5 ms""#, "every = 5 ms",
     0, "5 ms", "the quantity `5 ms` stands without quotes", NotToml),
    (Rig, r#"every = "5 ms""#, "every = 5",
     0, "5", r#"found the number 5, expected a duration in quotes, as "__ ms""#, Refuses),
    (Rig, r#"every = "5 ms""#, r#"every = "5 V""#,
     0, r#""5 V""#, "`5 V` is a voltage, expected a duration", Blind),
    (Rig, r#"every = "5 ms""#, r#"every = "0 ms""#,
     0, r#""0 ms""#, "`0 ms` is not above zero, expected a duration that is", Blind),
    (Rig, r#"every = "5 ms""#, r#"every = "5 msec""#,
     0, r#""5 msec""#, "`msec` is not a unit known here", Blind),
    (Rig, r#"every = "5 ms""#, "every = ",
     0, "every =", "there is no value after the `=`", NotToml),
    (Rig, r#"every = "5 ms""#, r#"every = "5 ms"#,
     0, r#""5 ms"#, "this text is not closed", NotToml),
    (Rig, r#"every = "5 ms""#, "every = “5 ms”",
     0, "“5 ms”", "`“5 ms”` stands in typographic quotes", NotToml),
    (Rig, r#"every = "5 ms""#, r#"every: "5 ms""#,
     0, r#"every: "5 ms""#, "expected a key, `=` and a value", NotToml),
    (Rig, r#"every = "5 ms""#, r#"every = "5 ms","#,
     0, ",", "found `,`, expected the end of the line", NotToml),
    (Rig, r#"every = "5 ms""#, "every = \"5 ms\"\nevery = \"6 ms\"",
     1, "every", "`every` is written twice", NotToml),
    (Rig, "[limits]", "[limits",
     0, "[limits", "this header is not closed", NotToml),
    (Rig, "[limits]", "[limit]",
     0, "limit", "unknown key `limit` in this rig", Refuses),
    (Rig, "[limits]", "[supply]\n[limits]",
     0, "supply", "`supply` is written twice", NotToml),
    (Rig, r#"bus = ["140 V", "165 V"]"#, r#"bus = ["140 V" "165 V"]"#,
     0, r#""165 V"]"#, "a comma is missing before this", NotToml),
    (Rig, r#"bus = ["140 V", "165 V"]"#, r#"bus = ["140 V", "165 V""#,
     0, "[", "this list is not closed", NotToml),
    (Rig, r#"bus = ["140 V", "165 V"]"#, r#"bus = ["140 V"]"#,
     0, r#"["140 V"]"#, "found 1 entry, expected the two ends of a range", Refuses),
    (Rig, r#"bus = ["140 V", "165 V"]"#, r#"bus = ["165 V", "140 V"]"#,
     0, r#"["165 V", "140 V"]"#, "the range runs from `165 V` down to `140 V`", Blind),
    (Rig, r#"range = ["-8000 rpm", "8000 rpm"]"#, r#"range = ["-8000 rpm"]"#,
     0, r#"["-8000 rpm"]"#, "found 1 entry, expected the lowest and the highest", Refuses),
    (Rig, "range = [\"-450 rpm\", \"2000 rpm\"]\n", "",
     -7, "[demand.speed]", "`range` is missing from this demand", Refuses),
    (Rig, "status_word = true", "status_word = True",
     0, "True", "`True` is neither true nor false", NotToml),
    (Rig, "status_word = true", "status_word = 1",
     0, "1", "found the number 1, expected true or false", Refuses),
    (Rig, r#"kind = "rectified mains""#, r#"kind = "mains""#,
     0, r#""mains""#, "`mains` is not a word known here", Refuses),
    (Rig, r#"reaches = "switched on""#, r#"reaches = "switchd on""#,
     0, r#""switchd on""#, "`switchd on` is not a state of CiA 402", Refuses),
    (Rig, "schema = 1\n", "",
     0, r#"name = "Hollin Clough bench""#, "`schema` is missing from this rig", Refuses),
    (Rig, "schema = 1\n", "schema = 2\n",
     0, "2", "this file has the format 2, expected format 1", Refuses),
    (Rig, "schema = 1\n", "schema = \"1\"\n",
     0, r#""1""#, r#"found the text "1", expected the number 1"#, Refuses),
    (Rig, "schema = 1\n", "machine = 1\nschema = 1\n",
     0, "machine", "unknown key `machine` in this rig", Refuses),
    (Rig, "rises_faster = \"4 K/s\"\nover = \"2 s\"", r#"rises_faster = "4 K/s""#,
     0, "rises_faster", "`rises_faster` needs `over` beside it", Refuses),
    (Rig, r#"above = "1750 rpm""#, "above = \"1750 rpm\"\nover = \"2 s\"",
     1, "over", "`over` has nothing to do in this trip", Refuses),
    (Rig, "above = \"1750 rpm\"\n", "",
     -2, "[trip.overspeed]", "this trip has none of `above`, `below`, `rises_faster` and `falls_faster`", Refuses),
    (Rig, r#"above = "1750 rpm""#, "above = \"1750 rpm\"\nbelow = \"2 rpm\"",
     1, "below", "this trip has `above` and `below` at once", Refuses),
    (Rig, r#"name = "slow""#, r#"name = "drive""#,
     0, r#""drive""#, "the poll name `drive` is given twice", Blind),
    (Rig, r#"id = "mount""#, r#"id = "guards""#,
     0, r#""guards""#, "the question id `guards` is given twice", Blind),
    (Rig, r#"send = [{ link = "board", send"#, r#"send = [{ lnk = "board", send"#,
     0, "lnk", "unknown key `lnk` in this stop frame", Refuses),
    (Rig, r#"send = [{ link = "board", send = "CONT:WORD 0;*OPC?", expect = "1" }]"#, r#"send = "CONT""#,
     0, r#""CONT""#, r#"found the text "CONT", expected a list"#, Refuses),
    (Rig, "[twin]", "[[twin]]",
     0, "[[twin]]", "found a list, expected a table", Refuses),
    (Unit, "gear = [2.2, 3.9]", r#"gear = [2.2, "x"]"#,
     0, r#""x""#, r#"found the text "x", expected a finite number"#, Refuses),
    (Unit, "pole_pairs = 4", "pole_pairs = 4.5",
     0, "4.5", "found the number 4.5, expected a whole number from 0 to 4294967295", Refuses),
    (Unit, "[machine]", "[machin]",
     0, "machin", "unknown key `machin` in this unit", Refuses),
    (Unit, r#"inertia = ["0.028 kg m2", "0.032 kg m2"]"#, r#"inertia = "0.03 kg m""#,
     0, r#""0.03 kg m""#, "`0.03 kg m` is a quantity in kg m, expected an inertia", Blind),
    (Unit, r#"winding_max = "150 °C""#, r#"winding_max = "150 K""#,
     0, r#""150 K""#, "`150 K` is a temperature difference, expected a temperature", Blind),
    (Unit, r#"serial = "HC7-0042""#, "serial = 42",
     0, "42", "found the number 42, expected a text in quotes", Refuses),
    (Unit, r#"serial = "HC7-0042""#, "serial = 2026-01-01",
     0, "2026-01-01", "found a date, expected a text in quotes", Refuses),
    (Suite, r#"{ hold = "4 s", name = "crawl" }"#, r#"{ hld = "4 s", name = "crawl" }"#,
     0, "hld", "unknown key `hld` in this segment", Refuses),
    (Suite, r#"{ hold = "4 s", name = "crawl" }"#, r#"{ name = "crawl" }"#,
     0, "{", "this segment does not say what it is", Refuses),
    (Suite, r#"{ hold = "4 s", name = "crawl" }"#, r#"{ hold = "4 s", ramp = "3 rpm", rate = "3 rpm/s" }"#,
     0, "{", "this segment is `hold` and `ramp` at once", Refuses),
    (Suite, r#"{ hold = "4 s", name = "crawl" }"#, r#"{ hold = "4 s", name = "crawl }"#,
     0, r#""crawl },"#, "this text is not closed", NotToml),
    (Suite, r#"{ hold = "4 s", name = "crawl" }"#, r#"{ hold = "4 s" name = "crawl" }"#,
     0, r#"name = "crawl" },"#, "a comma is missing before this", NotToml),
    (Suite, r#"{ hold = "4 s", name = "crawl" }"#, r#"{ hold = "4 s", name = "crawl" "#,
     -2, "[", "this list is not closed", NotToml),
    (Suite, r#"{ hold = "4 s", name = "crawl" }"#, r#"{ hold = 4 s, name = "crawl" }"#,
     0, "4 s", "the quantity `4 s` stands without quotes", NotToml),
    (Suite, r#"{ hold = "4 s", name = "crawl" }"#, r#""crawl""#,
     0, r#""crawl""#, r#"found the text "crawl", expected a table"#, Refuses),
    (Suite, r#"{ ramp = "120 rpm", rate = "60 rpm/s", name"#, r#"{ ramp = "120 rpm", name"#,
     0, "{", "this ramp has none of `rate` and `lasting`", Refuses),
    (Suite, r#"{ ramp = "120 rpm", rate = "60 rpm/s", name"#, r#"{ ramp = "120 rpm", rte = "60 rpm/s", name"#,
     0, "rte", "unknown key `rte` in this ramp", Refuses),
    (Suite, r#"{ ramp = "120 rpm", rate = "60 rpm/s", name"#, r#"{ ramp = "120 rpm", rate = "60 rpm/s", lasting = "2 s", name"#,
     0, "lasting", "this ramp has `rate` and `lasting` at once", Refuses),
    (Suite, r#"{ hold = "4 s", name = "crawl" }"#, r#"{ sine = "9 rpm", cycles = 2, name = "crawl" }"#,
     0, "{", "this sine has none of `frequency` and `period`", Refuses),
    (Suite, r#"{ hold = "4 s", name = "crawl" }"#, r#"{ sine = "9 rpm", frequency = "1 Hz", cycles = 2, lasting = "2 s", name = "crawl" }"#,
     0, "lasting", "this sine has `cycles` and `lasting` at once", Refuses),
    (Suite, r#"{ hold = "4 s", name = "crawl" }"#, r#"{ chirp = "9 rpm", from = "1 Hz", to = "2 s", lasting = "9 s", name = "crawl" }"#,
     0, r#""2 s""#, "`2 s` is a duration, expected a frequency", Blind),
    (Suite, r#"{ hold = "4 s", name = "crawl" }"#, r#"{ chirp = "9 rpm", from = "1 Hz", to = "2 Hz", lasting = "9 s", sweep = "log", name = "crawl" }"#,
     0, r#""log""#, "`log` is not a word known here", Refuses),
    (Suite, r#"{ hold = "4 s", name = "crawl" }"#, r#"{ repeat = 2, name = "crawl" }"#,
     0, "name", "unknown key `name` in this repeat", Refuses),
    (Suite, r#"{ hold = "4 s", name = "crawl" }"#, r#"{ repeat = 2, of = [{ hold = "4", name = "crawl" }] }"#,
     0, r#""4""#, "`4` is a number, expected a duration", Blind),
    (Suite, r#"{ hold = "4 s", name = "crawl" }"#, r#"{ repeat = 2, of = [{ hold = "4 s", name = "crawl" }, { hold = "4 s", name = "crawl" }] }"#,
     0, r#""crawl""#, "the segment name `crawl` is given twice", Blind),
    (Suite, r#"{ hold = "4 s", name = "crawl" }"#, r#"{ cycle = "a.csv", coast = "9 s", name = "crawl" }"#,
     0, "{", "this segment is `cycle` and `coast` at once", Refuses),
    (Suite, r#"name = "climb""#, r#"name = "crawl""#,
     0, r#""crawl""#, "the test name `crawl` is given twice", Blind),
    (Suite, "name = \"down\" },\n]\n\n[[test.criterion]]\nmetric = \"tracking_rms\"", "name = \"up\" },\n]\n\n[[test.criterion]]\nmetric = \"tracking_rms\"",
     0, r#""up""#, "the segment name `up` is given twice", Blind),
    (Suite, r#"at_most = "6 rpm""#, r#"at_mots = "6 rpm""#,
     0, "at_mots", "unknown key `at_mots` in this criterion", Refuses),
    (Suite, "at_most = \"6 rpm\"\n", "",
     -4, "[[test.criterion]]", "this criterion has none of `at_most`, `at_least` and `between`", Refuses),
    (Suite, r#"at_most = "6 rpm""#, "at_most = \"6 rpm\"\nat_least = \"1 rpm\"",
     1, "at_least", "this criterion has `at_most` and `at_least` at once", Refuses),
    (Suite, r#"between = ["-5 rpm", "5 rpm"]"#, r#"between = ["-5 rpm"]"#,
     0, r#"["-5 rpm"]"#, "found 1 entry, expected the lowest and the highest", Refuses),
    (Suite, r#"rule = "guarded""#, r#"rule = "Guarded""#,
     0, r#""Guarded""#, "`Guarded` is not a word known here", Refuses),
    (Suite, r#"rung = "first spin""#, r#"rung = "first-spin""#,
     0, r#""first-spin""#, "`first-spin` is not a word known here", Refuses),
    (Unit, "[assembly]\nnumber = 1", "[assembly]",
     0, "[assembly]", "`number` is missing from this state of assembly", Refuses),
    (Suite, r#"rule = "guarded""#, "rule = 'guarded",
     0, "'guarded", "this text is not closed", NotToml),
    (Suite, r#"metric = "bus_sag""#, r#"// metric = "bus_sag""#,
     0, r#"// metric = "bus_sag""#, "expected a key, `=` and a value", NotToml),
    (Suite, "[[test]]\nname = \"crawl\"", "[[test]\nname = \"crawl\"",
     0, "[[test]", "this header is not closed", NotToml),
    (Suite, "[[test]]\nname = \"crawl\"", "[test]\nname = \"crawl\"",
     0, "[test]", "`[test]` is one table, and a list below", NotToml),
    (Answers, "expires = \"2026-11-25T18:00:00Z\"", "expires = 2026-11-25T18:00:00Z",
     0, "2026-11-25T18:00:00Z", "found a date, expected a text in quotes", Refuses),
    (Answers, "guards = \"yes\"", "guards = true",
     0, "true", "found true, expected a text in quotes", Refuses),
    (Answers, "guards = \"yes\"", "mount = \"yes\"",
     1, "mount", "`mount` is written twice", NotToml),
    (Answers, "build = \"1.4.2\"\n", "",
     -2, "schema = 1", "`build` is missing from this answers file", Refuses),
];

fn sound(role: Role) -> &'static str {
    match role {
        Rig => RIG,
        Unit => UNIT,
        Suite => SUITE,
        Answers => ANSWERS,
    }
}

fn broken(row: &Row) -> String {
    assert!(sound(row.0).contains(row.1), "{:?} is not in the sound file", row.1);
    sound(row.0).replacen(row.1, row.2, 1)
}

/// Whether there is a value, the messages, and the sources that they point into.
fn read(role: Role, text: &str) -> (bool, Vec<Diag>, Sources) {
    let mut sources = Sources::default();
    let (value, diags) = match role {
        Rig => parts(read_rig(&mut sources, "rig.toml", text)),
        Unit => parts(read_unit(&mut sources, "unit.toml", text)),
        Suite => parts(read_suite(&mut sources, "suite.toml", text)),
        Answers => parts(read_answers(&mut sources, "answers.toml", text)),
    };
    (value, diags, sources)
}

fn parts<T>((value, diags): (Option<T>, Vec<Diag>)) -> (bool, Vec<Diag>) {
    (value.is_some(), diags)
}

/// Line, marked text and message of each.
fn found(diags: &[Diag], sources: &Sources) -> Vec<(usize, String, String)> {
    let place = |diag: &Diag| diag.place.as_ref().expect("a message about a file has a place").0;
    let one = |diag: &Diag| {
        (sources.line(place(diag)), sources.text(place(diag)).to_string(), diag.message.clone())
    };
    diags.iter().map(one).collect()
}

#[test]
fn sound_files_are_read_without_a_word() {
    for role in Role::ALL {
        let (value, diags, sources) = read(role, sound(role));
        assert!(value && diags.is_empty(), "{}", render_all(&diags, &sources, false));
        assert_eq!(guess_role(sound(role)), Some(role));
    }
}

#[test]
fn each_mistake_gives_one_message_at_its_place() {
    for row in ROWS {
        let (role, old, new, below, marked, message, _) = row;
        let text = broken(row);
        let edited = 1 + text[..sound(*role).find(old).expect("checked")].matches('\n').count() as i64;
        let (_, diags, sources) = read(*role, &text);
        let line = usize::try_from(edited + below).expect("a line of the file");
        assert_eq!(found(&diags, &sources), [(line, marked.to_string(), message.to_string())], "{new:?}");
    }
    assert!(ROWS.len() >= 70);
}

#[test]
fn mistakes_in_one_file_are_all_reported_and_in_order() {
    // Mistakes of the rows that keep the rest of the file readable, all at once.
    for role in [Rig, Unit, Suite] {
        let mut text = sound(role).to_string();
        let mut expected = Vec::new();
        for row in ROWS.iter().filter(|row| row.0 == role && row.6 != NotToml) {
            let (_, old, new, below, _, message, _) = row;
            let lines = old.matches('\n').count() == new.matches('\n').count();
            // Each sound text once, and nothing that hides the others (another role, another format).
            let alone = *message != "this file has the format 2, expected format 1";
            if lines && alone && *below == 0 && text.matches(old).count() == sound(role).matches(old).count()
            {
                text = text.replacen(old, new, 1);
                expected.push(*message);
            }
        }
        let (_, diags, sources) = read(role, &text);
        let mut messages: Vec<&str> = diags.iter().map(|diag| diag.message.as_str()).collect();
        let lines: Vec<usize> = found(&diags, &sources).iter().map(|(line, _, _)| *line).collect();
        assert!(lines.is_sorted(), "{lines:?}");
        messages.sort();
        expected.sort();
        assert!(expected.len() >= 5, "{role:?}: {expected:?}");
        assert_eq!(messages, expected, "{role:?}");
    }
}

#[test]
fn ten_planted_mistakes_give_ten_messages() {
    let (_, diags, sources) = read(Rig, TEN);
    let found: Vec<(usize, &str)> = diags
        .iter()
        .map(|diag| (sources.line(diag.place.as_ref().expect("a place").0), diag.message.as_str()))
        .collect();
    let expected = [
        "`handset` is not a word known here",
        "the range runs from `165 V` down to `140 V`",
        "the quantity `4.7 mF` stands without quotes",
        "`2000 V` is a voltage, expected a speed",
        "unknown key `baudrate` in this link",
        "the poll name `drive` is given twice",
        "found 1 entry, expected the lowest and the highest",
        "`within` is missing from this drive",
        "this trip has `above` and `below` at once",
        "`rises_faster` needs `over` beside it",
    ];
    let planted: Vec<usize> = (1..=10)
        .map(|n| 1 + TEN.lines().position(|line| line.contains(&format!("# {n}: "))).expect("ten remarks"))
        .collect();
    let expected: Vec<(usize, &str)> = planted.into_iter().zip(expected).collect();
    assert_eq!(found, expected);
    let text = render_all(&diags, &sources, false);
    assert!(text.ends_with("\n10 mistakes in 1 file\n"), "{text}");
}

#[test]
fn a_file_of_another_kind_or_format_gets_one_message() {
    let rows = [
        (Rig, SUITE, "found a suite file, expected a rig file"),
        (Suite, RIG, "found a rig file, expected a suite file"),
        (Unit, ANSWERS, "found an answers file, expected a unit file"),
        (Answers, UNIT, "found a unit file, expected an answers file"),
        (Rig, "schema = 3\nfuture = true\n", "this file has the format 3, expected format 1"),
    ];
    for (role, text, message) in rows {
        let (value, diags, _) = read(role, text);
        assert!(!value);
        assert_eq!(diags.iter().map(|d| d.message.as_str()).collect::<Vec<_>>(), [message]);
    }
    assert_eq!(guess_role("schema = 1\nname = \"x\"\n"), None);
    assert_eq!(guess_role("rotor = 1\nthermal = 2\n"), Some(Unit));
    assert_eq!(guess_role("machine = 1\ntest = 2\n"), None);
    assert_eq!(guess_role("= = ["), None);
}

#[test]
fn an_empty_file_misses_what_every_file_of_its_kind_has() {
    let (value, diags, sources) = read(Suite, "# nothing but a remark\n");
    assert!(!value);
    let messages: Vec<String> = found(&diags, &sources).into_iter().map(|(_, _, message)| message).collect();
    assert_eq!(messages, ["`schema` is missing from this suite", "`name` is missing from this suite"]);
}

/// The order of named entries is the order of the file, although TOML tables have none.
#[test]
fn named_entries_keep_the_order_of_the_file() {
    let mut sources = Sources::default();
    let rig = read_rig(&mut sources, "rig.toml", RIG).0.expect("the demo rig is sound");
    let names: Vec<&str> = rig.trip.iter().map(|(name, _)| name.value.as_str()).collect();
    let in_file: Vec<&str> =
        RIG.lines().filter_map(|line| line.strip_prefix("[trip.")?.strip_suffix(']')).collect();
    assert_eq!(names, in_file);
    assert!(!names.is_sorted());
    let (name, _) = rig.channel.iter().next().expect("channels");
    assert_eq!(sources.text(name.at), "state");
}

/// A JSON Schema validator of somebody else takes the sound files and refuses the broken ones that JSON Schema can
/// tell. It is Python's: a validator in Rust would add 34 crates to every test build.
#[test]
fn the_json_schema_agrees_with_the_reader() {
    let mut cases: Vec<(Role, String, &str)> =
        Role::ALL.into_iter().map(|role| (role, sound(role).to_string(), "taken")).collect();
    cases.push((Rig, TEN.to_string(), "not TOML"));
    cases.push((Rig, TEN.replace("4.7 mF ", "\"4.7 mF\" "), "refused"));
    for row in ROWS {
        let expected = match row.6 {
            NotToml => "not TOML",
            Refuses => "refused",
            Blind => "taken",
        };
        cases.push((row.0, broken(row), expected));
    }
    let answers = ask_validator(&cases);
    assert_eq!(answers.len(), cases.len());
    let wrong: Vec<String> = cases
        .iter()
        .zip(&answers)
        .enumerate()
        .filter(|(_, ((_, _, expected), answer))| expected != answer)
        .map(|(i, ((role, _, expected), answer))| {
            let row = i.checked_sub(6).map(|i| ROWS[i].2);
            format!("{role:?} {row:?}: {answer}, expected {expected}")
        })
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

fn ask_validator(cases: &[(Role, String, &str)]) -> Vec<String> {
    let schemas: serde_json::Map<String, serde_json::Value> =
        Role::ALL.into_iter().map(|role| (role.word().to_string(), json_schema(role))).collect();
    let cases: Vec<_> =
        cases.iter().map(|(role, text, _)| serde_json::json!({"role": role.word(), "text": text})).collect();
    let given = serde_json::json!({"schemas": schemas, "cases": cases}).to_string();
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/schema_agrees.py");
    let mut python = Command::new("python3")
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python3 with the package jsonschema checks the schemas");
    let mut input = python.stdin.take().expect("it was piped");
    input.write_all(given.as_bytes()).expect("the script reads all of it");
    drop(input);
    let output = python.wait_with_output().expect("the script ends");
    assert!(output.status.success(), "the script needs python3 and its package jsonschema");
    serde_json::from_slice(&output.stdout).expect("a list of answers")
}

#[test]
fn messages_look_like_this() {
    let (_, diags, sources) = read(Rig, TEN);
    insta::assert_snapshot!(render_all(&diags, &sources, false), @r#"
    error: `handset` is not a word known here
     --> rig.toml:7:11
      |
    7 | setting = "handset"                                         # 1: not a word known here
      |           ^^^^^^^^^
      |
      = help: did you mean `hand-set`?

    error: the range runs from `165 V` down to `140 V`
     --> rig.toml:8:7
      |
    8 | bus = ["165 V", "140 V"]                                    # 2: upper end first
      |       ^^^^^^^^^^^^^^^^^^
      |
      = help: write the lower end first

    error: the quantity `4.7 mF` stands without quotes
     --> rig.toml:9:15
      |
    9 | capacitance = 4.7 mF                                        # 3: a quantity without quotes
      |               ^^^^^^
      |
      = help: write "4.7 mF"

    error: `2000 V` is a voltage, expected a speed
      --> rig.toml:14:9
       |
    14 | speed = "2000 V"                                            # 4: a voltage where a speed belongs
       |         ^^^^^^^^
       |
       = help: write it as "__ rpm"

    error: unknown key `baudrate` in this link
      --> rig.toml:20:1
       |
    20 | baudrate = 115200                                           # 5: unknown key
       | ^^^^^^^^
       |
       = help: did you mean `baud`?

    error: the poll name `drive` is given twice
      --> rig.toml:30:8
       |
    24 | name = "drive"
       |        ------- first here
    ...
    30 | name = "drive"                                              # 6: the name of another poll
       |        ^^^^^^^ here again
       |
       = help: give each its own

    error: found 1 entry, expected the lowest and the highest
      --> rig.toml:42:9
       |
    42 | range = ["-8000 rpm"]                                       # 7: one end of a range
       |         ^^^^^^^^^^^^^

    error: `within` is missing from this drive
      --> rig.toml:69:1
       |
    69 | [drive]                                                     # 8: `within` is missing
       | ^^^^^^^
       |
       = help: add `within = "__ ms"`: how long a step may take to reach its state

    error: this trip has `above` and `below` at once
      --> rig.toml:92:1
       |
    91 | above = "1900 rpm"
       | ----- this
    92 | below = "-1900 rpm"                                         # 9: two limits in one trip
       | ^^^^^ and this
       |
       = help: give only one of them

    error: `rises_faster` needs `over` beside it
      --> rig.toml:96:1
       |
    96 | rises_faster = "4 K/s"                                      # 10: without `over`
       | ^^^^^^^^^^^^
       |
       = help: add `over = "__ ms"`: length of time over which the rate is taken

    10 mistakes in 1 file
    "#);
}

proptest! {
    /// Cutting, doubling and changing what stands in a sound file never stops the reader or the renderer, and
    /// a file is either sound or there is a message.
    #[test]
    fn no_change_of_a_file_stops_the_reader(
        role in prop::sample::select(Role::ALL.to_vec()),
        edits in prop::collection::vec((any::<prop::sample::Index>(), 0usize..12, edit()), 1..6),
    ) {
        let mut text = sound(role).to_string();
        for (at, length, new) in edits {
            let start = text.floor_char_boundary(at.index(text.len() + 1));
            let end = text.ceil_char_boundary((start + length).min(text.len()));
            text.replace_range(start..end, &new);
        }
        read_and_render(role, &text)?;
    }

    #[test]
    fn no_text_stops_the_reader(
        role in prop::sample::select(Role::ALL.to_vec()),
        bytes in prop::collection::vec(any::<u8>(), 0..200),
        text in "[\\[\\]{}=\"'#.,a-e0-9 \n\r\u{e4}-]{0,120}",
    ) {
        read_and_render(role, &String::from_utf8_lossy(&bytes))?;
        read_and_render(role, &text)?;
    }
}

/// What a change puts in: marks of the syntax, words of the files, anything.
fn edit() -> impl Strategy<Value = String> {
    let marks = vec![
        "",
        "\"",
        "'",
        "[",
        "]",
        "{",
        "}",
        "=",
        ",",
        "\n",
        "\r\n",
        "#",
        ".",
        "[[",
        "]]",
        "\\",
        "\"\"\"",
        "\u{0}",
        "é",
        "[link.board]\n",
        "[[test]]\n",
        "every = 5 ms\n",
        "rate",
        "hold",
        "over",
        "-1",
        "1e999",
        "true",
        "{ x = ",
    ];
    prop_oneof![
        4 => prop::sample::select(marks).prop_map(String::from),
        1 => "\\PC{0,6}",
    ]
}

fn read_and_render(role: Role, text: &str) -> Result<(), TestCaseError> {
    let (value, diags, sources) = read(role, text);
    prop_assert!(value || !diags.is_empty());
    for diag in &diags {
        let (place, _) = diag.place.as_ref().expect("a message about a file has a place");
        prop_assert!(place.start <= place.end && place.end <= text.len(), "{:?}", diag);
    }
    let keys: Vec<_> = diags.iter().map(|d| (&d.message, &d.place)).collect();
    for (i, key) in keys.iter().enumerate() {
        prop_assert!(!keys[..i].contains(key), "twice: {key:?}");
    }
    render_all(&diags, &sources, false);
    guess_role(text);
    Ok(())
}
