use super::load::*;
use crate::diag::{Diag, Sources};

const RIG: &str = include_str!("../../fixtures/demo/rig.toml");
const UNIT: &str = include_str!("../../fixtures/demo/unit.toml");
const SUITE: &str = include_str!("../../suites/first-spin.toml");

/// The messages about a text, and the sources that they point into.
fn messages(role: Role, text: &str) -> (Sources, Vec<Diag>) {
    let mut sources = Sources::default();
    let diags = match role {
        Role::Rig => read_rig(&mut sources, "rig.toml", text).1,
        Role::Unit => read_unit(&mut sources, "unit.toml", text).1,
        Role::Suite => read_suite(&mut sources, "suite.toml", text).1,
        Role::Answers => read_answers(&mut sources, "answers.toml", text).1,
    };
    (sources, diags)
}

#[test]
fn probe() {
    let base = |role| match role { Role::Rig => RIG, Role::Unit => UNIT, _ => SUITE };
    let rows = [
        (Role::Rig, "baud = 460800", "baud = fast"),
        (Role::Rig, "baud = 460800", "baud = \"fast\""),
        (Role::Rig, "baud = 460800", "baud = -1"),
        (Role::Rig, "baud = 460800", "bad = 460800"),
        (Role::Rig, "baud = 460800\n", ""),
        (Role::Rig, "every = \"5 ms\"", "every = 5 ms"),
        (Role::Rig, "every = \"5 ms\"", "every = 5"),
        (Role::Rig, "every = \"5 ms\"", "every = \"5 V\""),
        (Role::Rig, "every = \"5 ms\"", "every = \"0 ms\""),
        (Role::Rig, "every = \"5 ms\"", "every = \"5 msec\""),
        (Role::Rig, "every = \"5 ms\"", "every = "),
        (Role::Rig, "every = \"5 ms\"", "every = \"5 ms"),
        (Role::Rig, "every = \"5 ms\"", "every = “5 ms”"),
        (Role::Rig, "every = \"5 ms\"", "every: \"5 ms\""),
        (Role::Rig, "every = \"5 ms\"", "every = \"5 ms\","),
        (Role::Rig, "every = \"5 ms\"", "every = \"5 ms\"\nevery = \"6 ms\""),
        (Role::Rig, "[limits]", "[limits"),
        (Role::Rig, "[limits]", "[limit]"),
        (Role::Rig, "[limits]", "[supply]\n[limits]"),
        (Role::Rig, "bus = [\"140 V\", \"165 V\"]", "bus = [\"140 V\" \"165 V\"]"),
        (Role::Rig, "bus = [\"140 V\", \"165 V\"]", "bus = [\"140 V\", \"165 V\""),
        (Role::Rig, "bus = [\"140 V\", \"165 V\"]", "bus = [\"140 V\"]"),
        (Role::Rig, "bus = [\"140 V\", \"165 V\"]", "bus = [\"165 V\", \"140 V\"]"),
        (Role::Rig, "bus = [\"140 V\", \"165 V\"]", "bus = [140, 165]"),
        (Role::Rig, "range = [\"-8000 rpm\", \"8000 rpm\"]", "range = [\"-8000 rpm\"]"),
        (Role::Rig, "range = [\"0 rpm\", \"2000 rpm\"]\n", ""),
        (Role::Rig, "status_word = true", "status_word = True"),
        (Role::Rig, "status_word = true", "status_word = 1"),
        (Role::Rig, "kind = \"rectified mains\"", "kind = \"mains\""),
        (Role::Rig, "reaches = \"switched on\"", "reaches = \"switchd on\""),
        (Role::Rig, "schema = 1\n", ""),
        (Role::Rig, "schema = 1\n", "schema = 2\n"),
        (Role::Rig, "schema = 1\n", "schema = \"1\"\n"),
        (Role::Rig, "schema = 1\n", "machine = 1\nschema = 1\n"),
        (Role::Rig, "rises_faster = \"4 K/s\"\nover = \"2 s\"", "rises_faster = \"4 K/s\""),
        (Role::Rig, "above = \"1900 rpm\"", "above = \"1900 rpm\"\nover = \"2 s\""),
        (Role::Rig, "above = \"1900 rpm\"\n", ""),
        (Role::Rig, "above = \"1900 rpm\"", "above = \"1900 rpm\"\nbelow = \"2 rpm\""),
        (Role::Rig, "name = \"slow\"", "name = \"drive\""),
        (Role::Rig, "id = \"mount\"", "id = \"guards\""),
        (Role::Rig, "send = [{ link = \"board\", send", "send = [{ lnk = \"board\", send"),
        (Role::Rig, "send = [{ link = \"board\", send = \"CONT:WORD 0;*OPC?\", expect = \"1\" }]", "send = \"CONT\""),
        (Role::Rig, "[twin]", "[[twin]]"),
        (Role::Unit, "gear = [2.2, 3.9]", "gear = [2.2, \"x\"]"),
        (Role::Unit, "pole_pairs = 4", "pole_pairs = 4.5"),
        (Role::Unit, "[machine]", "[machin]"),
        (Role::Unit, "inertia = [\"0.028 kg m2\", \"0.032 kg m2\"]", "inertia = \"0.03 kg m\""),
        (Role::Unit, "winding_max = \"150 °C\"", "winding_max = \"150 K\""),
        (Role::Unit, "serial = \"HC7-0042\"", "serial = 42"),
        (Role::Unit, "serial = \"HC7-0042\"", "serial = 2026-01-01"),
        (Role::Suite, "{ hold = \"4 s\", name = \"crawl\" }", "{ hld = \"4 s\", name = \"crawl\" }"),
        (Role::Suite, "{ hold = \"4 s\", name = \"crawl\" }", "{ name = \"crawl\" }"),
        (Role::Suite, "{ hold = \"4 s\", name = \"crawl\" }", "{ hold = \"4 s\", ramp = \"3 rpm\", rate = \"3 rpm/s\" }"),
        (Role::Suite, "{ hold = \"4 s\", name = \"crawl\" }", "{ hold = \"4 s\", name = \"crawl }"),
        (Role::Suite, "{ hold = \"4 s\", name = \"crawl\" }", "{ hold = \"4 s\" name = \"crawl\" }"),
        (Role::Suite, "{ hold = \"4 s\", name = \"crawl\" }", "{ hold = \"4 s\", name = \"crawl\" "),
        (Role::Suite, "{ hold = \"4 s\", name = \"crawl\" }", "{ hold = 4 s, name = \"crawl\" }"),
        (Role::Suite, "{ hold = \"4 s\", name = \"crawl\" }", "\"crawl\""),
        (Role::Suite, "{ ramp = \"120 rpm\", rate = \"60 rpm/s\", name", "{ ramp = \"120 rpm\", name"),
        (Role::Suite, "{ ramp = \"120 rpm\", rate = \"60 rpm/s\", name", "{ ramp = \"120 rpm\", rte = \"60 rpm/s\", name"),
        (Role::Suite, "{ ramp = \"120 rpm\", rate = \"60 rpm/s\", name", "{ ramp = \"120 rpm\", rate = \"60 rpm/s\", lasting = \"2 s\", name"),
        (Role::Suite, "name = \"climb\"", "name = \"crawl\""),
        (Role::Suite, "name = \"down\" },\n]\n\n[[test.criterion]]\nmetric = \"tracking_rms\"", "name = \"up\" },\n]\n\n[[test.criterion]]\nmetric = \"tracking_rms\""),
        (Role::Suite, "at_most = \"6 rpm\"", "at_mots = \"6 rpm\""),
        (Role::Suite, "at_most = \"6 rpm\"\n", ""),
        (Role::Suite, "at_most = \"6 rpm\"", "at_most = \"6 rpm\"\nat_least = \"1 rpm\""),
        (Role::Suite, "between = [\"-5 rpm\", \"5 rpm\"]", "between = [\"-5 rpm\"]"),
        (Role::Suite, "rule = \"guarded\"", "rule = \"Guarded\""),
        (Role::Suite, "rule = \"guarded\"", "rule = 'guarded"),
        (Role::Suite, "metric = \"bus_sag\"", "// metric = \"bus_sag\""),
        (Role::Suite, "[[test]]\nname = \"crawl\"", "[[test]\nname = \"crawl\""),
        (Role::Suite, "[[test]]\nname = \"crawl\"", "[test]\nname = \"crawl\""),
    ];
    for (role, old, new) in rows {
        assert!(base(role).contains(old), "{old}");
        let text = base(role).replacen(old, new, 1);
        let (sources, diags) = messages(role, &text);
        let edit = sources_line(base(role), old); println!("---");
        for d in &diags {
            let l = d.place.as_ref().map(|(p, _)| (sources.line(*p), sources.text(*p).to_string()));
            println!("M {} \u{1} {:?} \u{1} {:?}", l.as_ref().map_or(0, |l| l.0 as i64 - edit as i64), l.as_ref().map(|l| &l.1).unwrap(), d.message);
        }
    }
}

fn sources_line(text: &str, old: &str) -> usize { 1 + text[..text.find(old).unwrap()].matches('\n').count() }
