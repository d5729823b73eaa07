//! The demo files resolve; changed in one place, they give one message.

use crate::diag::{Diag, Place, Sources};
use crate::files::load::{read_rig, read_suite, read_unit};
use crate::files::rig::Role;
use crate::plan::testing::*;
use crate::plan::{Crossing, Plan, resolve};
use crate::time::Duration;
use crate::units::parse_quantity;

const ROWS: &str = include_str!("../../../fixtures/broken/cross-rows.toml");
const PROFILE_ROWS: &str = include_str!("../../../fixtures/broken/profile-rows.toml");
const CLOSER_ROWS: &str = include_str!("../../../fixtures/broken/closer-rows.toml");
const STOP_ROWS: &str = include_str!("../../../fixtures/broken/stop-rows.toml");
const TEN_RIG: &str = include_str!("../../../fixtures/broken/ten-cross-rig.toml");
const TEN_SUITE: &str = include_str!("../../../fixtures/broken/ten-cross.toml");

fn si(text: &str) -> f64 {
    parse_quantity(text).expect(text).si
}

fn line(sources: &Sources, place: &Option<(Place, String)>) -> i64 {
    place.as_ref().map_or(0, |(p, _)| sources.line(*p) as i64)
}

/// As `file:line`.
fn found_at(sources: &Sources, diag: &Diag) -> String {
    let file = diag.place.as_ref().map_or("", |(p, _)| &sources.get(p.file).name);
    format!("{file}:{}", line(sources, &diag.place))
}

#[test]
fn a_plan_can_be_shared_between_threads() {
    fn shared<T: Send + Sync>() {}
    shared::<Plan>();
}

/// Each row of the file: one mistake, exactly one message, its text and both lines.
#[test]
fn every_mistake_gives_one_message_that_names_both_places() {
    let tables = [ROWS, PROFILE_ROWS, CLOSER_ROWS, STOP_ROWS]
        .map(|rows| rows.parse::<toml::Table>().expect("the rows are TOML"));
    let rows: Vec<_> = tables.iter().flat_map(|t| t["row"].as_array().expect("rows")).collect();
    assert!(rows.len() >= 50, "{} rows", rows.len());
    let mut wrong = Vec::new();
    for row in rows {
        let text = |key: &str| row[key].as_str().expect(key);
        let change = |file: &str, demo: &str| {
            if file != text("file") {
                return demo.to_string();
            }
            assert!(demo.contains(text("from")), "{} is not in the {file}", text("from"));
            demo.replacen(text("from"), text("to"), 1)
        };
        let (sources, plan) = resolved(&change("rig", RIG), &change("unit", UNIT), &change("suite", SUITE));
        let diags = plan.err().unwrap_or_default();
        let as_expected = matches!(diags.as_slice(), [d] if d.message == text("message")
            && line(&sources, &d.place) == row["line"].as_integer().expect("line")
            && line(&sources, &d.other) == row["other"].as_integer().expect("other")
            && row.get("help").is_none_or(|help| help.as_str() == d.help.as_deref()));
        if !as_expected {
            wrong.push(format!("{} -> {}\n{}", text("from"), text("to"), rendered(&sources, &diags)));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}

/// The registry of metrics and the table of the file name the same keys.
#[test]
fn every_key_of_a_metric_can_be_written_in_a_criterion() {
    let schema = crate::files::load::json_schema(crate::files::load::Role::Suite);
    let tables = schema["$defs"].as_object().expect("definitions");
    let criterion = tables.values().find(|t| !t["properties"]["metric"].is_null()).expect("the criterion");
    for metric in crate::metrics::catalogue() {
        for operand in metric.operands() {
            assert!(!criterion["properties"][operand.key].is_null(), "{}: {}", metric.id(), operand.key);
        }
    }
}

#[test]
fn ten_mistakes_give_ten_messages_in_the_order_of_the_files() {
    let (sources, plan) = resolved(TEN_RIG, UNIT, TEN_SUITE);
    let diags = plan.expect_err("ten mistakes");
    let found: Vec<String> = diags.iter().map(|d| found_at(&sources, d)).collect();
    let expected = [
        "rig.toml:25",
        "rig.toml:66",
        "rig.toml:93",
        "rig.toml:133",
        "rig.toml:162",
        "rig.toml:218",
        "suite.toml:11",
        "suite.toml:17",
        "suite.toml:49",
        "suite.toml:64",
    ];
    assert_eq!(found, expected, "{}", rendered(&sources, &diags));
}

/// With an escape in the text its bytes cannot be matched with the file's: the whole text is shown.
#[test]
fn a_mistake_in_a_pattern_is_shown_at_its_bytes() {
    for (texts, shown) in [
        (r##"["# {_}", "! {code"]"##, "{code"),
        (r##"["# {_}", '! {code']"##, "{code"),
        (r##"["# {_}", "\u0021 {code"]"##, r#""\u0021 {code""#),
    ] {
        let rig = RIG.replacen(r##"["# {_}"]"##, texts, 1);
        let (sources, plan) = resolved(&rig, UNIT, SUITE);
        let diags = plan.expect_err(texts);
        let (place, _) = diags[0].place.as_ref().expect("a place");
        assert_eq!((diags.len(), sources.text(*place)), (1, shown));
    }
}

#[test]
fn a_build_can_be_asked_for_only_where_the_identity_shows_it() {
    let (_, plan) = resolved_for(RIG, UNIT, SUITE, Some("1.4.2"));
    assert_eq!(plan.expect("the demo shows its build").build.as_deref(), Some("1.4.2"));
    let rig = RIG.replacen("{serial},{build}", "{serial},{_}", 1);
    assert!(resolved(&rig, UNIT, SUITE).1.is_ok(), "without a build to ask for there is nothing to show");
    let (_, plan) = resolved_for(&rig, UNIT, SUITE, Some("1.4.2"));
    let diags = plan.expect_err("the build is not shown");
    assert_eq!(
        (diags.len(), diags[0].message.as_str()),
        (1, "build `1.4.2` is asked for, but no link has an identity with {build}")
    );
}

/// By hand, bytes a second: out 200 x 11 + 10 x 23 + 50 x 22 + 2 x 20 + 25 x 22 + 20 x 10 = 4320, in (12 to a field) 200 x 65 +
/// 10 x 117 + 50 x 2 + 2 x 2 + 25 x 78 + 20 x 52 = 17264; 10 bits each at 460800 baud are 46080 a second.
#[test]
fn the_load_of_the_demo_link_is_as_worked_out_by_hand() {
    let link = &plan_of(RIG, UNIT, SUITE).links[0];
    assert!((link.load.0 - 4320.0 / 46080.0).abs() < 1e-12, "{:?}", link.load);
    assert!((link.load.1 - 17264.0 / 46080.0).abs() < 1e-12, "{:?}", link.load);
    // Four texts of an identity and three commas.
    assert_eq!(link.line_max, 4 * 72 + 3);
}

/// 7E2: start, seven data bits, parity and two stop bits are 11 bits; 10/11 of the bytes get through.
#[test]
fn the_frame_counts_in_the_load() {
    let rig = RIG.replacen("baud = 460800", "baud = 460800\nframe = \"7E2\"", 1);
    let link = &plan_of(&rig, UNIT, SUITE).links[0];
    assert_eq!(link.frame.bits(), 11);
    assert!((link.load.0 - 4320.0 * 11.0 / 460_800.0).abs() < 1e-12, "{:?}", link.load);
}

/// A request of 480 bytes takes 10.4 ms and its reply another 2.5 ms: more than 10 ms, half of 20 ms.
#[test]
fn an_exchange_longer_than_half_the_heartbeat_is_refused() {
    let long = format!("send = \"MEAS:SLOW? {}\"", "x".repeat(468));
    let rig = RIG.replacen("send = \"MEAS:SLOW?;:MEAS:COOL?\"", &long, 1).replacen(
        "every = \"100 ms\"",
        "every = \"200 ms\"",
        1,
    );
    let (sources, plan) = resolved(&rig, UNIT, SUITE);
    let diags = plan.expect_err("too long");
    let expected = "poll `slow` (rig, line 52) and its reply take 13 ms at 460800 baud, longer than half the heartbeat 10 ms (rig, line 134)";
    assert_eq!((diags.len(), diags[0].message.as_str()), (1, expected), "{}", rendered(&sources, &diags));
}

#[test]
fn pre_checks_have_their_windows_and_say_what_is_absent() {
    let plan = plan_of(RIG, UNIT, SUITE);
    let window = |name: &str| {
        let window = plan.ready.windows.iter().find(|w| w.name == name).unwrap_or_else(|| panic!("{name}"));
        (plan.channels[window.channel].name.as_str(), window.low, window.high)
    };
    let (cold, warm) = (si("5 °C"), si("45 °C"));
    assert_eq!(window("bus in window"), ("bus", 140.0, 165.0));
    assert_eq!(window("winding temperature plausible"), ("winding", cold, warm));
    assert_eq!(window("inverter temperature plausible"), ("inverter", cold, warm));
    assert_eq!(window("coolant temperature plausible"), ("coolant", cold, warm));
    assert_eq!(window("pedal at rest"), ("pedal", f64::NEG_INFINITY, 0.03));
    assert_eq!(window("shaft at rest"), ("speed", -si("8 rpm"), si("8 rpm")));
    assert_eq!(window("emergency-stop loop closed"), ("stop_loop", 0.5, f64::INFINITY));
    assert_eq!(window("bus_current plausible"), ("bus_current", -100.0, 100.0));
    assert_eq!(plan.ready.absent, ["temperatures alike after a cold soak"]);
}

#[test]
fn a_rig_without_pedal_and_stop_loop_says_so() {
    let gone = [
        "measures = \"pedal\"\n",
        "pedal = \"3 %\"\n",
        "measures = \"emergency-stop loop\"\n",
        "[ready.pedal_tracks]\nsecond = \"pedal_second\"\napart = \"5 %\"\n",
        "[ready.supply]\nmains = \"mains\"\n",
    ];
    let rig = gone.iter().fold(RIG.to_string(), |rig, lines| rig.replacen(lines, "", 1));
    let plan = plan_of(&rig, UNIT, SUITE);
    let absent = [
        "emergency-stop loop",
        "pedal",
        "bus as the mains let it be",
        "pedal tracks alike",
        "temperatures alike after a cold soak",
    ];
    assert_eq!(plan.ready.absent, absent);
}

#[test]
fn a_suite_that_declares_a_cold_soak_needs_a_rig_that_says_how_alike() {
    let rig = RIG.replacen("[ready.cold_soak]\napart = \"2 K\"\n", "", 1);
    let suite = SUITE.replacen("schema = 1", "schema = 1\ncold_soak = true", 1);
    let (sources, plan) = resolved(&rig, UNIT, &suite);
    let diags = plan.expect_err("not said");
    let expected = "the suite declares a cold soak (suite, line 2), but the rig's pre-checks (rig, line 168) do not say how alike \
                    temperatures then are";
    assert_eq!((diags.len(), diags[0].message.as_str()), (1, expected), "{}", rendered(&sources, &diags));
    assert!(plan_of(RIG, UNIT, &suite).ready.absent.is_empty(), "the demo rig has every guard");
}

#[test]
fn what_is_sent_has_its_terminator_and_stop_frames_begin_with_one() {
    let rig = RIG.replacen("reply_within", "ends_with = \"\\r\\n\"\nreply_within", 1);
    let plan = plan_of(&rig, UNIT, SUITE);
    assert_eq!(plan.stop.frames[0].bytes, b"\r\nCONT:WORD 0;*OPC?\r\n");
    assert_eq!(plan.groups[0].exchange.send, b"MEAS:DRIV?\r\n");
    assert_eq!(plan.drive.enable[2].send, b"CONT:WORD 15;*OPC?\r\n");
    assert_eq!(plan.demands[0].send.encode(600.0), b"SOUR:SPE 600.0;*OPC?\r\n");
    assert_eq!(plan.links[0].identity.as_ref().expect("identity").send, b"*IDN?\r\n");
}

#[test]
fn trips_are_in_si_and_those_of_the_rig_come_first() {
    let suite =
        SUITE.replacen("[[test]]", "[trip.warm]\nchannel = \"coolant\"\nabove = \"60 °C\"\n\n[[test]]", 1);
    let plan = plan_of(RIG, UNIT, &suite);
    let trip = |name: &str| plan.trips.iter().find(|t| t.name == name).unwrap_or_else(|| panic!("{name}"));
    assert_eq!(trip("overspeed").when, Crossing::Above(si("1750 rpm")));
    assert_eq!(trip("reverse").when, Crossing::Below(si("-60 rpm")));
    assert_eq!(plan.channels[trip("reverse").channel].name, "below_demand");
    assert_eq!(trip("reverse").lasting, Duration::from_millis(20));
    assert_eq!(trip("inverter_heating").when, Crossing::RisesFaster(4.0, Duration::from_millis(2000)));
    assert_eq!(plan.channels[trip("runaway").channel].name, "speed_error");
    assert_eq!(plan.trips.last().map(|t| t.name.as_str()), Some("warm"));
}

/// `b` is derived from `a`, which stands after it in the file, and both before the measured ones.
#[test]
fn derived_channels_come_after_what_they_use() {
    let derived = "[channel.b]\nunit = \"rpm\"\nderived = \"a - speed\"\n\n[channel.a]\nunit = \"rpm\"\nderived = \"2 * speed\"\n\n";
    let rig = RIG.replacen("[channel.state]", &format!("{derived}[channel.state]"), 1);
    let plan = plan_of(&rig, UNIT, SUITE);
    let index = |name: &str| plan.channels.iter().position(|c| c.name == name).expect(name);
    assert_eq!((index("state"), index("stop_loop")), (0, 9));
    assert!(index("a") < index("b") && index("a") > 9);
    assert_eq!(plan.channel_with(Role::ShaftSpeed), Some(index("speed")));
    assert_eq!(plan.stop.speed.0, index("speed"));
    assert_eq!(plan.groups[0].fields[1], Some(index("speed")));
    let window = plan.ready.windows.iter().find(|w| w.name == "bus in window").expect("bus");
    assert_eq!(window.channel, index("bus"));
}

#[test]
fn the_summary_says_it_in_a_few_lines() {
    let expected = "\
first spin on Hollin Clough bench: HC-7 HC7-0042
link board: twin at 460800 baud, 4 polls, busy 46.8 % of the time (9.4 % out, 37.5 % in)
test crawl: 8.0 s, up to 120.0 rpm, 2 criteria
test climb: 17.5 s, up to 680.0 rpm, 4 criteria
test stairs: 28.0 s, up to 1200 rpm, 4 criteria
22 channels, 4 of them derived; 12 trips; 5 questions before each run
guards absent: temperatures alike after a cold soak
after a stop the speed falls by 179.0 rpm/s or more; means over 8.58 turns of the machine's shaft count, from 318 ms on (assumed: no `speed_settles`)
after a stop the phase current proves something from 0.80 A rms and what it reads with the gates off to 1.06 A rms, which hold the lightest unit; from there to the limit 1.50 A rms it proves nothing
";
    assert_eq!(crate::plan::summary(&plan_of(RIG, UNIT, SUITE)), expected);
}

/// Takes out every line and puts other values into it: whatever still fits the schemas is resolved or
/// refused with messages that can be shown, and nothing panics.
#[test]
fn no_change_of_a_line_makes_the_resolver_panic() {
    let others = ["\"\"", "\"{value}\"", "\"0 rpm\"", "\"1e30 s\"", "\"state\""];
    let (mut taken, mut refused) = (0, 0);
    for (which, demo) in [RIG, UNIT, SUITE].into_iter().enumerate() {
        let lines: Vec<&str> = demo.lines().collect();
        for at in 0..lines.len() {
            let value = lines[at].split_once(" = ").map(|(key, _)| key);
            let changed = others.iter().filter_map(|o| value.map(|key| format!("{key} = {o}")));
            for new in changed.chain([String::new()]) {
                let mut text: Vec<&str> = lines.clone();
                text[at] = &new;
                let mut texts = [RIG.to_string(), UNIT.to_string(), SUITE.to_string()];
                texts[which] = text.join("\n");
                match resolved(&texts[0], &texts[1], &texts[2]) {
                    (_, Ok(_)) => taken += 1,
                    (sources, Err(diags)) => {
                        assert!(!diags[0].render(&sources, false).is_empty());
                        refused += 1;
                    }
                }
            }
        }
    }
    assert!(taken > 100 && refused > 300, "{taken} taken, {refused} refused");
}

/// The reader of the files has each trip with exactly one limit; a rig that did not come from it is
/// refused all the same.
#[test]
fn a_rig_that_breaks_a_rule_of_its_tables_is_refused() {
    let mut sources = Sources::default();
    let (rig, unit, suite) = (
        read_rig(&mut sources, "rig.toml", RIG).0,
        read_unit(&mut sources, "unit.toml", UNIT).0,
        read_suite(&mut sources, "suite.toml", SUITE).0,
    );
    let (mut rig, unit, suite) = (rig.expect("rig"), unit.expect("unit"), suite.expect("suite"));
    let hot = &mut rig.trip.0.iter_mut().find(|(name, _)| name.value == "winding_hot").expect("the trip").1;
    hot.below = hot.above.clone();
    let diags = resolve(&sources, &rig, &unit, &suite, None).expect_err("two limits");
    assert_eq!(diags.len(), 1, "{}", rendered(&sources, &diags));
}

/// The hazards rest on one current, the highest that the controller's own limit may have on this bench, or that the board may be asked
/// for at all: no suite and no heat pulse asks for more, in whatever words. 24 A rms are 33.94 A peak.
#[test]
fn no_more_current_is_demanded_than_the_hazards_rest_on() {
    let wide = RIG.replace("range = [\"0 A peak\", \"24 A peak\"]", "range = [\"0 A peak\", \"900 A peak\"]");
    let limit = |a: &str| {
        format!("demand = \"speed\"\nwith = {{ current_limit = \"{a}\" }}\nprofile = [{{ hold = \"1 s\" }}]")
    };
    let fixed = |a: &str| {
        format!(
            "demand = \"forced_angle\"\nwith = {{ alignment_current = \"{a}\" }}\nprofile = [{{ hold = \"1 s\" }}]"
        )
    };
    let profile = |a: &str| {
        format!(
            "demand = \"alignment_current\"\nprofile = [{{ ramp = \"{a}\", rate = \"20 A/s peak\" }}, {{ hold = \"1 s\" }}]"
        )
    };
    let demanded: [&dyn Fn(&str) -> String; 3] = [&limit, &fixed, &profile];
    let none = "[current]\nsetting = \"current limit, A peak\"\nunit = \"A peak\"\nat_most = \"24 A peak\"\n";
    for (rig, most, fits, beyond) in [
        (wide.clone(), "`24 A peak` (rig, line 408)", "24 A peak", "24.1 A peak"),
        (
            wide.replace("at_most = \"24 A peak\"", "at_most = \"24 A rms\""),
            "`24 A rms` (rig, line 408)",
            "33.9 A peak",
            "34 A peak",
        ),
        (wide.replace(none, ""), "`250 A peak` (unit, line 12)", "250 A peak", "251 A peak"),
    ] {
        for of in demanded {
            let suite = |a: &str| {
                format!("schema = 1\nname = \"s\"\n[[test]]\nname = \"t\"\n{}\ncriterion = []\n", of(a))
            };
            let (sources, plan) = resolved(&rig, UNIT, &suite(fits));
            assert!(plan.is_ok(), "{}", rendered(&sources, &plan.err().unwrap_or_default()));
            let (_, plan) = resolved(&rig, UNIT, &suite(beyond));
            let words: Vec<String> = plan.err().unwrap_or_default().into_iter().map(|d| d.message).collect();
            let expected = format!("is above the current that all hazards rest on, {most}");
            assert!(words.len() == 1 && words[0].ends_with(&expected), "{expected}: {words:?}");
        }
    }
    let pulse = |a: &str| {
        let lines = "of = \"inverter\"\nangle = \"angle\"\nbefore = \"30 s\"\nheat = \"30 s\"\nwait = \"30 s\"\nleft = \"60 %\"\nresolution = \"0.1 K\"";
        let to = format!("seen = \"coolant\"\n[ready.coolant.heat_pulse]\ncurrent = \"{a}\"\n{lines}\n");
        let (_, plan) = resolved(&wide.replace("seen = \"coolant\"\n", &to), UNIT, SUITE);
        plan.err().unwrap_or_default().into_iter().map(|d| d.message).collect::<Vec<_>>()
    };
    assert!(pulse("24 A peak").is_empty(), "{:?}", pulse("24 A peak"));
    assert!(pulse("200 A peak").iter().any(|m| m.contains("is above the current that all hazards rest on")));
}
