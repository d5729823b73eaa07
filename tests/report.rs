//! The documents of made-up runs: what they say, that they are sound, and that they are always the same.

#![allow(clippy::unwrap_used)]

#[path = "report/fixture.rs"]
mod fixture;

use fixture::{
    Run, at, cut, cut_before_driving, cut_in_second_test, driven_again, failing, not_confirmed, passing,
    refused, tripped, with_bursts, with_soak,
};
use quick_xml::Reader;
use quick_xml::events::Event;
use spinproof::columns::Waveform;
use spinproof::metrics::Value;
use spinproof::outcome::Cause;
use spinproof::record::{Stage, What};
use spinproof::report::{Panel, Report, html, json, junit, terminal};
use spinproof::trace::RunKind;
use std::io::Write;
use std::process::{Command, Stdio};

fn all() -> [(&'static str, Run); 6] {
    [
        ("passing", passing()),
        ("failing", failing()),
        ("tripped", tripped()),
        ("refused", refused()),
        ("cut", cut()),
        ("not_confirmed", not_confirmed()),
    ]
}

/// Every text of every document of a report.
fn documents(report: &Report) -> [String; 5] {
    [
        html(report).unwrap(),
        junit(report).unwrap(),
        terminal(report, false),
        terminal(report, true),
        json(report).unwrap(),
    ]
}

// ---- JUnit XML ----

#[test]
fn junit_of_each_outcome_stays_as_it_is() {
    for (name, run) in all() {
        insta::assert_snapshot!(format!("junit_{name}"), junit(&run.report()).unwrap());
    }
}

/// The published schema stands in fixtures/junit with its source and licence.
fn assert_valid(xml: &str) {
    let schema = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/junit/junit-10.xsd");
    let mut child = Command::new("xmllint")
        .args(["--noout", "--schema", schema, "-"])
        .stdin(Stdio::piped())
        .stderr(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .expect("xmllint runs; install it with: apt-get install libxml2-utils");
    child.stdin.take().expect("it was piped").write_all(xml.as_bytes()).expect("xmllint reads");
    let output = child.wait_with_output().expect("xmllint ends");
    assert!(output.status.success(), "{}\n{xml}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn junit_validates_against_the_published_schema() {
    for (_, mut run) in all() {
        assert_valid(&junit(&run.report()).unwrap());
        make_hostile(&mut run);
        assert_valid(&junit(&run.report()).unwrap());
    }
}

/// Attributes of all elements of a name.
fn attributes(xml: &str, element: &str, attribute: &str) -> Vec<Option<String>> {
    let mut reader = Reader::from_str(xml);
    let mut found = Vec::new();
    loop {
        match reader.read_event().expect("well formed") {
            Event::Eof => return found,
            Event::Start(e) | Event::Empty(e) if e.name().as_ref() == element => {
                found.push(
                    e.attributes()
                        .map(|a| a.expect("well formed"))
                        .find(|a| a.key.as_ref() == attribute)
                        .map(|a| quick_xml::escape::unescape(&a.value).expect("well formed").into_owned()),
                );
            }
            _ => {}
        }
    }
}

#[test]
fn junit_counts_are_those_of_its_cases() {
    for (name, run) in all() {
        let xml = junit(&run.report()).unwrap();
        let count = |attribute: &str| attributes(&xml, "testsuite", attribute)[0].clone().unwrap();
        for (attribute, element) in
            [("tests", "testcase"), ("failures", "failure"), ("errors", "error"), ("skipped", "skipped")]
        {
            let cases = attributes(&xml, element, "name").len();
            assert_eq!(count(attribute), cases.to_string(), "{attribute} of {name}");
        }
    }
}

#[test]
fn a_failure_is_a_criterion_and_an_error_is_a_run() {
    // Run, failures, errors, skipped: counted by hand from the fixtures.
    let expected = [
        ("passing", 0, 0, 0),
        ("failing", 3, 0, 0),
        ("tripped", 0, 1, 7),
        ("refused", 0, 1, 11),
        ("cut", 0, 2, 8),
        ("not_confirmed", 0, 2, 8),
    ];
    for ((name, run), (same, failures, errors, skipped)) in all().into_iter().zip(expected) {
        assert_eq!(name, same);
        let xml = junit(&run.report()).unwrap();
        let n = |element: &str| attributes(&xml, element, "message").len();
        assert_eq!((n("failure"), n("error"), n("skipped")), (failures, errors, skipped), "{name}");
    }
}

/// A folder of a run that never came to its first test must not look merely skipped.
#[test]
fn a_run_that_was_not_made_is_an_error_though_no_test_began() {
    let mut run = passing();
    // The stop that every way out goes through was shown, and the engine had its last word.
    let last = run.events.iter().rposition(|e| matches!(e.what, What::StopBegan { .. })).unwrap();
    run.events.drain(..last);
    run.events.retain(|e| !matches!(e.what, What::TestEnded { .. }));
    run.columns = Default::default();
    run.verdicts.clear();
    (run.cause, run.why) = (Cause::NotMade, "no controller answers on board".into());
    let xml = junit(&run.report()).unwrap();
    assert_eq!(
        attributes(&xml, "error", "message"),
        [Some("could not be made: no controller answers on board".into())]
    );
    assert_valid(&xml);
}

#[test]
fn times_have_three_decimals_and_the_timestamp_is_the_begin_of_the_run() {
    for (name, run) in all() {
        let xml = junit(&run.report()).unwrap();
        let times =
            attributes(&xml, "testcase", "time").into_iter().chain(attributes(&xml, "testsuite", "time"));
        for time in times {
            let time = time.expect("every case has a time");
            assert_eq!(time.split_once('.').expect("a point").1.len(), 3, "{time} in {name}");
        }
        let timestamp = attributes(&xml, "testsuite", "timestamp");
        assert_eq!(timestamp, [Some("2026-11-25T09:14:03.25Z".into())]);
        assert_eq!(attributes(&xml, "testsuite", "hostname"), [None]);
    }
}

#[test]
fn a_begin_that_cannot_be_read_leaves_no_timestamp() {
    let mut run = passing();
    run.info.began_utc = "yesterday".into();
    let xml = junit(&run.report()).unwrap();
    assert_eq!(attributes(&xml, "testsuite", "timestamp"), [None]);
    assert_valid(&xml);
}

// ---- the terminal ----

#[test]
fn the_terminal_text_of_each_outcome_stays_as_it_is() {
    for (name, run) in all() {
        insta::assert_snapshot!(format!("terminal_{name}"), terminal(&run.report(), false));
    }
}

#[test]
fn no_line_of_the_terminal_text_is_longer_than_80_columns() {
    for (name, run) in all() {
        for line in terminal(&run.report(), false).lines() {
            assert!(line.chars().count() <= 80, "{name}: {line}");
        }
    }
}

#[test]
fn colour_adds_escapes_and_changes_nothing_else() {
    for (name, run) in all() {
        let report = run.report();
        let coloured = terminal(&report, true);
        assert!(coloured.contains("\x1b["), "{name}");
        let stripped = ["\x1b[1;32m", "\x1b[1;31m", "\x1b[0m"].iter().fold(coloured, |t, e| t.replace(e, ""));
        assert_eq!(stripped, terminal(&report, false), "{name}");
    }
}

// ---- HTML ----

/// What stands between two marks, the first time.
fn between<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    let start = text.find(from).unwrap_or_else(|| panic!("no {from}"));
    let end = text[start..].find(to).unwrap_or_else(|| panic!("no {to} after {from}"));
    &text[start..start + end + to.len()]
}

#[test]
fn the_parts_of_the_page_that_bear_its_structure_stay_as_they_are() {
    for (name, run) in all() {
        let page = html(&run.report()).unwrap();
        let verdict = between(&page, "<section class=\"verdict", "</section>");
        let criteria = between(&page, "<table class=\"criteria\">", "</table>");
        insta::assert_snapshot!(format!("html_{name}"), format!("{verdict}\n{criteria}"));
    }
}

/// The style sheet's rules, as selectors and declarations, with those that stand within a condition such as `@media print`.
fn rules(style: &str) -> Vec<(String, String)> {
    let mut rules = Vec::new();
    let mut selectors = String::new();
    let mut rest = style;
    while let Some(at) = rest.find(['{', '}']) {
        let (before, opens) = (rest[..at].trim(), rest[at..].starts_with('{'));
        if opens {
            selectors = before.to_string();
        } else if !before.is_empty() {
            rules.push((selectors.clone(), before.to_string()));
        }
        rest = &rest[at + 1..];
    }
    rules
}

/// A sheet of paper on which TRIPPED stands without its reason is worth nothing: no rule that hides, on paper or on a
/// screen, names a class that stands in the outcome block.
#[test]
fn nothing_of_the_outcome_is_hidden_on_paper_or_screen() {
    for (name, run) in all() {
        let page = html(&run.report()).unwrap();
        let style = between(&page, "<style>", "</style>");
        let hides = |(_, what): &(String, String)| {
            ["display:none", "visibility:hidden", "clip-path", "opacity:0"]
                .iter()
                .any(|way| what.contains(way))
        };
        let hiding: Vec<(String, String)> = rules(style).into_iter().filter(hides).collect();
        assert!(
            hiding.iter().any(|(who, _)| who.contains(".readout")),
            "{name}: the rule of the print is read"
        );
        let verdict = between(&page, "<section class=\"verdict", "</section>");
        assert!(verdict.contains("class=\"why\""), "{name}");
        let classes = verdict.split("class=\"").skip(1).filter_map(|rest| rest.split('"').next());
        let names: Vec<&str> =
            classes.flat_map(str::split_whitespace).chain(["section", "div", "p"]).collect();
        for (selectors, what) in &hiding {
            // What a selector is of stands last in it.
            for of in selectors.split(',').filter_map(|s| s.split([' ', '>', '+']).next_back()) {
                let mut of = of.split(':').next().unwrap_or(of).split('.').filter(|n| !n.is_empty());
                let hidden = of.all(|n| names.contains(&n));
                assert!(!hidden, "{selectors}{{{what}}} hides a part of the outcome of {name}");
            }
        }
    }
}

#[test]
fn the_page_loads_nothing() {
    for (name, mut run) in all() {
        make_hostile(&mut run);
        let page = html(&run.report()).unwrap();
        for load in ["http://", "https://", "<script src", "<link", "<img", "<iframe", "@import", "url("] {
            let found = page.find(load).map(|i| &page[i.saturating_sub(40)..(i + 60).min(page.len())]);
            assert_eq!(found, None, "{load} in {name}");
        }
        assert!(page.contains("default-src 'none'"));
    }
}

#[test]
fn each_criterion_stands_on_the_page_with_its_value_limit_and_answer() {
    for (name, run) in all() {
        let report = run.report();
        let page = html(&report).unwrap();
        for c in report.tests.iter().flat_map(|t| &t.criteria) {
            let row = between(&page, &format!("<span class=\"metric\">{}<", c.metric), "</tr>");
            for text in [&c.value_text, &c.limit, &c.answer, &c.of, &c.margin_text] {
                assert!(row.contains(text.as_str()), "{text} of {} in {name}", c.text);
            }
        }
    }
}

/// A bar is drawn in shapes that differ without colour, and says in words what it shows.
#[test]
fn each_margin_bar_has_a_text_alternative_with_value_limit_margin_and_standing() {
    let mut bars = 0;
    for (name, run) in all() {
        let report = run.report();
        let page = html(&report).unwrap();
        let rows = report.tests.iter().flat_map(|t| &t.criteria).filter(|c| c.bar.is_some());
        for c in rows {
            bars += 1;
            let (value, limit, margin) = (&c.value_text, &c.limit, &c.margin_text);
            let told = format!(
                "role=\"img\" aria-label=\"Value {value}, limit {limit}, margin {margin}: {}\"",
                c.standing
            );
            assert!(page.contains(&told), "{told} in {name}");
        }
    }
    assert!(bars > 10, "{bars} bars");
}

/// What a chart shows stands in words beside it, and each line carries its name and unit for the readout.
#[test]
fn each_panel_has_a_text_alternative_and_each_line_its_name_and_unit() {
    let report = passing().report();
    let page = html(&report).unwrap();
    let tests = report.tests.iter().filter_map(|t| t.figure.as_ref());
    let panels: Vec<_> = report.figures.iter().chain(tests).flat_map(|f| &f.panels).collect();
    assert!(panels.len() >= 10, "{} panels", panels.len());
    for panel in panels {
        assert!(page.contains(&format!("role=\"img\" aria-label=\"{}\"", panel.told)), "{}", panel.told);
        for line in &panel.lines {
            assert!(panel.told.contains(&format!("{} from ", line.name)), "{}: {}", line.name, panel.told);
            let bears = format!("data-name=\"{}\" data-unit=\"{}\"", line.name, line.unit);
            assert!(page.contains(&bears), "{bears}");
        }
    }
    let speed = &report.figures[0].panels[0].told;
    assert!(
        speed.contains("demand from 0 to 1200") && speed.contains("trip level overspeed: 1900 rpm"),
        "{speed}"
    );
    let page = html(&tripped().report()).unwrap();
    assert!(page.contains("class=\"mark trip\" data-what=\"trip: "), "the cursor finds the trip");
}

/// Both are pale and wide: on grey paper, and for an eye that takes colours for greys, only their shape tells them apart.
#[test]
fn the_predicted_band_and_the_demand_differ_in_more_than_colour() {
    use spinproof::predicted::{ChannelBand, Predicted, TestBand};
    let speed = ChannelBand {
        name: "speed".into(),
        rise: false,
        step_s: 1.0,
        low: vec![Some(0.0); 8],
        high: vec![Some(20.0); 8],
    };
    let tests = vec![TestBand { channels: vec![speed] }];
    let predicted = Predicted { schema: 1, shape: 20, calibration: 19, widened: 0.0, tests };
    let page = html(&passing().report_beside(Some(&predicted))).unwrap();
    let legend = between(&page, "<p class=\"legend\"><b>Demand and measured", "</p>");
    let key = |name: &str| {
        let before = legend.split(&format!("</svg>{name}")).next().unwrap();
        between(&before[before.rfind("<path").unwrap()..], "d=\"", "/>").to_string()
    };
    assert_ne!(key("speed predicted"), key("demand"));
    // What its key shows the band has: a rim, and strokes from one to the other.
    assert!(key("speed predicted").contains("zM5 1v6M9 1v6"), "{legend}");
    let band = between(&page, "<path class=\"predicted p8\"", "/>");
    assert!(band.split_once('Z').is_some_and(|(_, hatch)| hatch.matches('V').count() > 50), "{band}");
    let style = between(&page, "<style>", "</style>");
    let drawn = rules(style).into_iter().filter(|(who, _)| who.split(',').any(|s| s.contains(".predicted")));
    let drawn: Vec<String> = drawn.map(|(_, what)| what).collect();
    assert!(drawn.iter().any(|what| what.contains("stroke:#")), "{drawn:?}");
    assert!(!drawn.iter().any(|what| what.contains("stroke:none")), "{drawn:?}");
}

/// A rig may read one current in mA and another in A rms: one panel has one scale, and every number on it is on that.
#[test]
fn every_line_of_a_panel_is_told_in_the_unit_in_which_it_is_drawn() {
    let mut run = passing();
    let currents =
        |report: &Report| report.figures[0].panels.iter().find(|p| p.title == "Currents").unwrap().clone();
    let told =
        |panel: &Panel, name: &str| panel.told.split("; ").find(|t| t.contains(name)).unwrap().to_string();
    let before = told(&currents(&run.report()), "bus_current");
    let milli = spinproof::units::parse_unit("mA").unwrap();
    run.columns.series.iter_mut().find(|s| s.name == "bus_current").unwrap().unit = milli;
    let panel = currents(&run.report());
    assert_eq!(told(&panel, "bus_current"), before, "the same current");
    let units: Vec<&str> = panel.lines.iter().map(|l| l.unit.as_str()).collect();
    assert_eq!((panel.unit.as_str(), &units[..]), ("A rms", &["A rms", "A"][..]));
}

/// While the shaft coasts no demand is in force, and nothing can be off from it.
#[test]
fn no_error_is_drawn_where_no_demand_is_in_force() {
    use spinproof::plan::Shape;
    let error = |run: &Run| {
        let report = run.report();
        let figure = report.tests[0].figure.clone().unwrap();
        figure.panels.into_iter().find(|p| p.title.starts_with("Error")).unwrap().high
    };
    let mut run = passing();
    let down = run.columns.spans.iter().find(|s| s.test == 0 && s.segment == Some(2)).unwrap().clone();
    let speed = run.columns.series.iter_mut().find(|s| s.name == "speed").unwrap();
    let away = speed.t.iter().zip(speed.v.iter_mut()).filter(|(t, _)| **t > down.t0 && **t < down.t1);
    away.for_each(|(_, v)| *v += 100.0);
    assert!(error(&run) > 500.0, "100 rad/s are 955 rpm: {}", error(&run));
    for shape in
        [Shape::Coast { below: None }, Shape::Watch { turned: None }, Shape::Silence, Shape::StopFrame]
    {
        run.plan.tests[0].profile.segments[2].shape = shape;
        assert!(error(&run) < 500.0, "{shape:?}: {}", error(&run));
    }
}

/// Begin, row and length of every stroke of a map that is at least as dark as `level`.
fn strokes(panel: &Panel, level: u8) -> Vec<(f64, f64, f64)> {
    let dark = panel.shades.iter().filter(|s| s.level >= level);
    let strokes = dark.flat_map(|s| s.path.split('M').skip(1));
    strokes
        .map(|stroke| {
            let (begin, length) = stroke.split_once('h').unwrap();
            let (x, y) = begin.split_once(' ').unwrap();
            (x.parse().unwrap(), y.parse().unwrap(), length.parse().unwrap())
        })
        .collect()
}

/// 4 turns and 700 Hz stand where the fixture put them: the order climbs along its line, the resonance stays.
#[test]
fn bursts_over_speed_make_a_spectrum_and_a_map() {
    let report = with_bursts().report();
    let figure = report.figures.iter().find(|f| f.title == "Bursts of axial").expect("a figure");
    let [spectrum, map] = &figure.panels[..] else { panic!("{} panels", figure.panels.len()) };
    assert_eq!((spectrum.lines.len(), spectrum.unit.as_str(), figure.unit), (2, "m/s2 peak", "Hz"));
    // 20 turns a second of order 4 are 80 Hz, 5 are 20 Hz; two columns wide is what a burst of 0.41 s tells apart.
    for (at, near) in [("at 1200 rpm", 80.0), ("at 300 rpm", 20.0)] {
        let told = spectrum.told.split("; ").find(|t| t.contains(at)).expect("told");
        let found: f64 = told.split("near ").nth(1).unwrap().trim_end_matches(" Hz").parse().unwrap();
        assert!((found - near).abs() < 4.0, "{told}");
        let peak: f64 = told.split("line is ").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
        // Hann's window lets a line between two of the transform fall by 15 % at most (handbook value, from memory).
        assert!(peak > 1.69 && peak < 2.02, "{told}");
    }
    let hertz = |x: f64| figure.t0 + x / 1200.0 * (figure.t1 - figure.t0);
    let darkest = strokes(map, 5);
    assert_eq!(darkest.len(), 4, "one order at four speeds: {darkest:?}");
    for (x, y, length) in darkest {
        let speed = map.high * (1.0 - y / 1000.0);
        let order = speed / 60.0 * 4.0;
        assert!(
            hertz(x) - 6.0 < order && order < hertz(x + length) + 6.0,
            "{order} Hz at {speed} rpm, drawn from {} Hz",
            hertz(x)
        );
    }
    let stays = strokes(map, 4).into_iter().filter(|(x, _, l)| hertz(*x) < 702.0 && hertz(x + l) > 698.0);
    assert_eq!(stays.count(), 4, "the resonance at four speeds");
    // For a current the spectrum is enough; without bursts there is neither.
    let current = report.figures.iter().find(|f| f.title == "Bursts of current_a").expect("a figure");
    assert_eq!(current.panels.len(), 1);
    assert!(passing().report().figures.iter().all(|f| f.unit == "s"));
    let page = html(&report).unwrap();
    assert!(page.contains("<path class=\"s5\"") && page.contains("order 1</span>"), "it is on the page");
}

/// The unit's gears and bearings are marked by name where acceleration is shown, of a current only what the field does.
#[test]
fn what_turns_in_the_unit_is_marked_by_its_name() {
    let report = with_bursts().report();
    let marks = |title: &str| -> Vec<(String, f64)> {
        let figure = report.figures.iter().find(|f| f.title == title).expect("a figure");
        let hertz = |at: f64| at / 100.0 * figure.t1;
        figure.marks.iter().map(|m| (m.text.clone(), hertz(m.at))).collect()
    };
    let axial = marks("Bursts of axial");
    // At 1200 rpm, 20 turns a second: the fixture's field 4, mesh 20 and outer race 3.585 times a turn.
    for (name, expected) in
        [("order 1", 20.0), ("electrical 1", 80.0), ("mesh 1", 400.0), ("outer race", 71.7)]
    {
        let found =
            axial.iter().find(|(text, _)| text == name).unwrap_or_else(|| panic!("{name}: {axial:?}"));
        assert!((found.1 - expected).abs() < 0.5, "{found:?}");
    }
    let current = marks("Bursts of current_a");
    assert!(current.iter().all(|(text, _)| text.starts_with("order") || text.starts_with("electrical")));
}

/// Sine 5 % larger than cosine: the ellipse is drawn, and errs by the textbook's 1.40 degrees.
#[test]
fn a_resolver_is_drawn_with_its_ellipse_and_what_it_errs() {
    let mut run = with_bursts();
    let wave = run.columns.bursts[3].channels[0].clone();
    let turn = |i: usize| std::f64::consts::TAU * 80.0 * i as f64 * 1e-4;
    for (name, course) in [("sine", 1.05), ("cosine", 0.0)] {
        let value = |i: usize| if course > 0.0 { course * turn(i).sin() } else { turn(i).cos() };
        let raw = (0..4096).map(|i| (value(i) * 1e3).round() as i16).collect();
        let unit = spinproof::units::Unit::one();
        run.columns.bursts[3].channels.push(Waveform { name: name.into(), unit, raw, ..wave.clone() });
    }
    let mut criterion = run.plan.tests[0].criteria[0].clone();
    criterion.metric = spinproof::metrics::find("resolver_error").unwrap();
    criterion.of = "sine".into();
    criterion.given.add("with", Value::Name("cosine".into()), "cosine");
    run.plan.tests[0].criteria.push(criterion);
    let report = run.report();
    let [round] = &report.rounds[..] else { panic!("{} pictures", report.rounds.len()) };
    assert_eq!(round.title, "Resolver: sine against cosine");
    // 5 % are asin(0.05 / 2.05) = 1.398 degrees; what the counts of the fixture round away is a hundredth.
    let errs = round.about.split("errs by up to ").nth(1).and_then(|t| t.split('°').next()).unwrap();
    assert!((errs.parse::<f64>().unwrap() - 1.398).abs() < 0.012, "{}", round.about);
    let square = round.square.as_ref().unwrap();
    // 181 points of a closed curve, the first where cosine is largest: right of the middle, at half height.
    assert_eq!(square.curve.matches('L').count(), 180);
    assert!(square.curve.starts_with("M9"), "{}", &square.curve[..12]);
    assert!(square.dots.matches('M').count() > 400);
    let page = html(&report).unwrap();
    assert!(page.contains("class=\"square\"") && page.contains(&square.told), "it is on the page");
    assert!(page.contains("data-name=\"by the ellipse\"") && page.contains("data-name=\"measured\""));
    // Without a turn there is nothing to draw, and that is said.
    run.columns.bursts[3].channels.retain(|c| c.name != "cosine");
    let report = run.report();
    assert!(report.rounds[0].square.is_none() && report.rounds[0].about.contains("has no channel `cosine`"));
    assert!(html(&report).unwrap().contains("No picture: "));
}

#[test]
fn bursts_that_cannot_be_drawn_are_said_and_not_left_out_in_silence() {
    let mut run = with_bursts();
    run.columns.bursts[0].channels[0].raw[7] = i16::MAX;
    let report = run.report();
    let axial = report.figures.iter().find(|f| f.title == "Bursts of axial").expect("a figure");
    assert!(axial.about.contains("1 burst left out") && axial.about.contains("clipped"), "{}", axial.about);
    run.columns.series.retain(|s| s.name != "speed");
    let page = html(&run.report()).unwrap();
    assert!(page.contains("No spectrum: channel `speed` is not in the record."));
    run.columns.bursts.iter_mut().for_each(|b| b.rate = f64::NAN);
    assert!(html(&run.report()).unwrap().contains("No spectrum: "));
}

/// The curve is that which the fixture was made from; a record that tells no time constant has no such figure.
#[test]
fn a_temperature_that_bends_is_drawn_with_its_fit_and_forecast() {
    let report = with_soak().report();
    let fits: Vec<_> = report.figures.iter().filter(|f| f.title.starts_with("Fit and forecast")).collect();
    assert_eq!(fits.len(), 1, "the winding alone");
    let figure = fits[0];
    assert_eq!(figure.title, "Fit and forecast: winding over soak");
    let (end, rest) = figure.about.split_once(" °C ± ").expect("an end");
    let end: f64 = end.rsplit(' ').next().unwrap().parse().unwrap();
    let tau = rest.split("time constant of ").nth(1).unwrap().split(' ').next().unwrap();
    let tau: f64 = tau.parse().unwrap();
    assert!((end - 60.0).abs() < 0.2 && (tau - 200.0).abs() < 3.0, "{}", figure.about);
    // Five time constants are 1000 s: the forecast goes there.
    assert!((figure.t1 - 1000.0).abs() < 15.0, "{}", figure.t1);
    let panel = &figure.panels[0];
    let names: Vec<&str> = panel.lines.iter().map(|l| l.name.as_str()).collect();
    assert_eq!(names, ["measured", "fit", "forecast", "end of the fit"]);
    // 60 - 40 exp(-3) is 58.0: where the fit ends and the forecast begins.
    assert!(panel.told.contains("; forecast from 58.0"), "{}", panel.told);
    assert!(passing().report().figures.iter().all(|f| !f.title.starts_with("Fit")));
}

/// An hour's run: twelve lines of 800 columns with noise on each, whatever was sampled.
#[test]
fn an_hours_run_stays_under_a_megabyte() {
    let mut run = with_bursts();
    let stretch = 3600.0 / 63.0;
    for series in &mut run.columns.series {
        series.t.iter_mut().chain(&mut series.lost).for_each(|t| *t *= stretch);
        let (t, v) = (series.t.clone(), series.v.clone());
        let between = |i: usize, k: usize| t[i] + (t[i + 1] - t[i]) * k as f64 / 50.0;
        series.t =
            (0..t.len() - 1).flat_map(|i| (0..50).map(move |k| (i, k))).map(|(i, k)| between(i, k)).collect();
        series.v = (0..v.len() - 1)
            .flat_map(|i| (0..50).map(move |k| (i, k)))
            .map(|(i, k)| v[i] + (k % 3) as f64)
            .collect();
    }
    for demand in &mut run.columns.demands {
        demand.t.iter_mut().for_each(|t| *t *= stretch);
    }
    for span in &mut run.columns.spans {
        (span.t0, span.t1) = (span.t0 * stretch, span.t1 * stretch);
    }
    let page = html(&run.report()).unwrap();
    assert!(page.len() < 1_000_000, "{} bytes", page.len());
    println!("{} bytes for {} samples of speed", page.len(), run.columns.series[0].t.len());
}

/// Tags are opened and closed in order: the page without style and script reads as XML does.
#[test]
fn tags_of_the_page_are_balanced() {
    for (name, mut run) in all() {
        make_hostile(&mut run);
        let page = html(&run.report()).unwrap();
        let page = page.replace(between(&page, "<style>", "</style>"), "");
        let page = page.replace(between(&page, "<script>", "</script>"), "");
        let mut reader = Reader::from_str(&page);
        loop {
            match reader.read_event() {
                Ok(Event::Eof) => break,
                Ok(_) => {}
                Err(error) => panic!("{name}: {error} at byte {}", reader.buffer_position()),
            }
        }
    }
}

#[test]
fn a_run_of_a_minute_fits_in_a_small_file() {
    let page = html(&passing().report()).unwrap();
    assert!(page.len() < 200_000, "{} bytes", page.len());
    assert!(page.contains("<path class=\"line p9\" d=\"M"), "the demand is drawn");
    assert!(page.contains("<path class=\"line p2\" d=\"M"), "the third temperature is drawn");
}

/// Puts text that is markup, ends a CDATA section, or moves a cursor wherever a person or a controller
/// may put text.
fn make_hostile(run: &mut Run) {
    let bad = "<img src=x onerror=1>]]>\"'&\u{1b}[2J\u{0}\u{FFFE}</script><a href=javascript:1>";
    let put = |text: &mut String| text.push_str(bad);
    for text in [
        &mut run.plan.unit,
        &mut run.plan.serial,
        &mut run.plan.suite,
        &mut run.plan.rig,
        &mut run.plan.model,
    ] {
        put(text);
    }
    put(&mut run.plan.supply.switch_off);
    run.plan.ready.absent.push(bad.into());
    for channel in &mut run.plan.channels {
        put(&mut channel.name);
    }
    for series in &mut run.columns.series {
        put(&mut series.name);
    }
    for test in &mut run.plan.tests {
        put(&mut test.name);
        test.about = Some(bad.into());
        test.profile.segments.iter_mut().for_each(|s| put(&mut s.name));
        for criterion in &mut test.criteria {
            put(&mut criterion.of);
            criterion.why = Some(bad.into());
        }
    }
    for trip in &mut run.plan.trips {
        put(&mut trip.name);
        trip.why = Some(bad.into());
    }
    run.columns.spans.iter_mut().for_each(|s| put(&mut s.name));
    run.info.files.iter_mut().for_each(|f| put(&mut f.name));
    run.info.faults.push(bad.into());
    run.cuts.push(bad.into());
    put(&mut run.why);
    for verdict in run.verdicts.iter_mut().flatten() {
        match &mut verdict.measured {
            Ok(measured) => measured.note = Some(bad.into()),
            Err(refusal) => put(&mut refusal.why),
        }
    }
    for event in &mut run.events {
        match &mut event.what {
            What::Identity { fields, .. } => fields.iter_mut().for_each(|(name, text)| {
                put(name);
                put(text);
            }),
            What::Setting { value, .. } => put(value),
            What::PreCheck { found, .. } | What::Trip { found, .. } | What::Stage { found, .. } => put(found),
            What::StopBegan { reason } => put(reason),
            What::LinkLost { why, .. } => put(why),
            _ => {}
        }
    }
}

#[test]
fn hostile_text_is_shown_and_never_markup() {
    for (name, mut run) in all() {
        make_hostile(&mut run);
        let report = run.report();
        let page = html(&report).unwrap();
        assert!(!page.contains("<img"), "{name}");
        assert_eq!(page.matches("</script>").count(), 1, "{name}");
        assert!(!page.contains("<a href"), "{name}");
        assert!(page.contains("&#60;img src=x onerror=1&#62;") || page.contains("&lt;img src=x"), "{name}");
        let text = terminal(&report, false);
        assert!(!text.contains('\x1b') && !text.contains('\0'), "{name}");
    }
}

// ---- all of them ----

#[test]
fn the_same_evidence_gives_the_same_bytes() {
    for ((name, one), (_, two)) in all().into_iter().zip(all()) {
        assert_eq!(documents(&one.report()), documents(&two.report()), "{name}");
    }
}

#[test]
fn a_simulation_is_called_one_in_every_document() {
    for kind in [RunKind::Rehearsal, RunKind::Twin] {
        let mut run = passing();
        run.info.kind = kind;
        let report = run.report();
        assert!(html(&report).unwrap().contains("<b>Simulated</b>"));
        assert!(junit(&report).unwrap().contains("<property name=\"kind\" value=\"simulated\"/>"));
        assert!(terminal(&report, false).contains("SIMULATED"));
        assert!(json(&report).unwrap().contains("\"simulated\": \""));
    }
    // Of a pseudo-terminal the files say so, and nobody knows: it is labelled, and nothing is said to have stood still.
    let mut run = passing();
    run.info.kind = RunKind::Pty;
    let report = run.report();
    assert!(html(&report).unwrap().contains("<b>Simulated</b>"));
    assert!(!html(&report).unwrap().contains("Nothing real turned"));
    assert!(junit(&report).unwrap().contains("<property name=\"kind\" value=\"simulated\"/>"));
    assert!(terminal(&report, false).contains("SIMULATED"));
    assert!(!terminal(&report, false).contains("nothing real turned"));
    let report = tripped().report();
    assert!(!html(&report).unwrap().contains("Simulated"));
    assert!(junit(&report).unwrap().contains("<property name=\"kind\" value=\"real\"/>"));
    assert!(!terminal(&report, false).contains("SIMULATED"));
}

#[test]
fn a_bus_not_shown_low_is_called_live_with_what_to_do() {
    for (name, run) in all() {
        let report = run.report();
        for text in [html(&report).unwrap(), junit(&report).unwrap(), terminal(&report, false)] {
            for words in [
                "BUS LIVE",
                "turn the transformer to zero and pull its plug",
                "wait at least 60 s",
                "measure with your own meter before you touch anything",
                "lock the isolator off",
                "until the shaft stands",
                "rated for the bus",
                "known source before and after",
                "each pole to earth",
            ] {
                // Where a line of the terminal breaks is no matter.
                let text = text.replace("\n!! ", " ");
                assert!(text.contains(words), "{words} in {name}");
            }
        }
    }
}

#[test]
fn nothing_is_ever_called_safe_to_touch_nor_a_stop_by_software_an_emergency_stop() {
    for (name, run) in all() {
        for text in documents(&run.report()) {
            let text = text.to_lowercase();
            assert!(!text.contains("safe to touch") && !text.contains("safe to open"), "{name}");
        }
        assert!(html(&run.report()).unwrap().contains("A stop by software is not an emergency stop"));
    }
}

#[test]
fn the_json_form_keeps_the_order_of_its_keys_and_holds_no_samples() {
    let text = json(&failing().report()).unwrap();
    let keys: Vec<&str> = text
        .lines()
        .filter_map(|line| line.strip_prefix("  \"").and_then(|l| l.split_once('"')))
        .map(|(key, _)| key)
        .collect();
    let expected = [
        "schema",
        "headline",
        "identity",
        "before",
        "warnings",
        "tests",
        "hazards",
        "pre_checks",
        "guards",
        "safe_state",
        "events",
        "unsolicited",
        "links",
        "computer",
        "settings",
        "settings_sha256",
        "files",
        "cautions",
    ];
    assert_eq!(keys, expected);
    let value: serde_json::Value = serde_json::from_str(&text).unwrap();
    let criterion = &value["tests"][1]["criteria"][2];
    assert_eq!(criterion["metric"], "settling_time");
    assert_eq!(criterion["value"], 1.994);
    assert_eq!(criterion["u_expanded"], 0.022);
    assert_eq!(criterion["met"], false);
    assert_eq!(criterion["standing"], "conditional pass: inside by less than U");
    assert!(text.len() < 60_000, "{} bytes", text.len());
}

/// Only a confirmed last stage takes the warning away, and a later reading above the limit, a new
/// test or a new stop bring it back.
#[test]
fn only_a_bus_shown_low_at_the_end_is_not_called_live() {
    let low = |run: &mut Run| {
        for event in &mut run.events {
            if let What::Stage { stage: Stage::DeEnergised, confirmed, .. } = &mut event.what {
                *confirmed = true;
            }
        }
        let bus = run.columns.series.iter_mut().find(|s| s.name == "bus").unwrap();
        for (t, v) in bus.t.iter().zip(bus.v.iter_mut()) {
            *v = if *t > 63.0 { 12.0 } else { *v };
        }
    };
    let live = |run: &Run| run.report().warnings.iter().any(|w| w.title == "BUS LIVE");
    let mut run = passing();
    low(&mut run);
    assert!(!live(&run));
    let bus = run.columns.series.iter_mut().find(|s| s.name == "bus").unwrap();
    bus.t.push(63.9);
    bus.v.push(61.0);
    assert!(live(&run), "it rose again");
    let mut run = passing();
    low(&mut run);
    let mut again = run.events[0].clone();
    again.at = run.events.last().unwrap().at;
    again.what = What::TestBegan { test: 0 };
    run.events.push(again);
    assert!(live(&run), "another test began");
}

#[test]
fn a_stop_that_samples_did_not_confirm_is_told_first() {
    let report = not_confirmed().report();
    assert_eq!(report.warnings[0].title, "SAFE STATE NOT CONFIRMED");
    assert!(report.warnings[0].lines[0].contains("treat the machine as driven"));
    // A run that was cut while it was driven has no stop at all.
    let report = cut().report();
    assert_eq!(report.warnings[0].title, "SAFE STATE NOT CONFIRMED");
    assert!(report.safe_state.driven_since_stop && !report.safe_state.not_driven);
    assert!(report.warnings[0].lines[0].contains("without a stop"));
    assert!(!terminal(&report, false).contains("not driven: confirmed"), "the stop before is no proof");
    // Where nothing was driven there is nothing to confirm.
    let report = refused().report();
    assert!(report.safe_state.not_driven && !report.safe_state.was_driven);
    assert_eq!(report.warnings[0].title, "BUS LIVE");
}

/// What was sent a moment before the cut is not on the disk: what the record does not say is not known.
#[test]
fn a_record_that_does_not_reach_the_end_proves_nothing_of_how_the_machine_was_left() {
    for (name, run) in
        [("before driving", cut_before_driving()), ("in the second test", cut_in_second_test())]
    {
        let report = run.report();
        let safe = &report.safe_state;
        assert!(!safe.not_driven && !safe.at_rest && !safe.de_energised, "{name}: {safe:?}");
        assert_eq!(report.warnings[0].title, "SAFE STATE NOT CONFIRMED", "{name}");
        let text = terminal(&report, false);
        assert!(text.contains("hard-wired emergency stop"), "{name}: {text}");
        for claim in
            ["Nothing was driven", "Not driven: confirmed", "not driven: confirmed", "At rest: confirmed"]
        {
            assert!(!text.contains(claim), "{claim} {name}: {text}");
        }
        let page = html(&report).unwrap();
        let summary = between(&page, "<p class=\"summary\">", "</p>");
        assert!(summary.contains("Treat") && !summary.contains(": confirmed"), "{name}: {summary}");
        assert!(junit(&report).unwrap().contains("treat the machine as driven"), "{name}");
    }
    // So does one with a part missing: the stop may have been taken back in it.
    let mut run = passing();
    run.cuts = vec!["3 records are in no stream".into()];
    let report = run.report();
    assert!(!report.safe_state.not_driven && !report.safe_state.at_rest);
    assert!(!terminal(&report, false).contains("not driven: confirmed"));
    let told = report.warnings.last().unwrap();
    assert!(told.lines[0].contains("missing"), "{told:?}");
    assert!(!told.lines[0].contains("after it"), "it goes on after the gap: {told:?}");
}

/// Each stage that samples did not show is told, also where this program drove nothing: a shaft may coast from a run before.
#[test]
fn a_stage_that_samples_did_not_show_is_never_overridden() {
    let not_shown = |which: Stage| {
        let mut run = refused();
        for event in &mut run.events {
            if let What::Stage { stage, confirmed, found } = &mut event.what
                && *stage == which
            {
                (*confirmed, *found) = (false, "found by a sample".into());
            }
        }
        run.report()
    };
    let report = not_shown(Stage::AtRest);
    assert!(report.safe_state.not_driven && !report.safe_state.at_rest);
    assert_eq!(report.warnings[0].title, "NOT SHOWN AT REST");
    assert!(
        report.warnings[0].lines.contains(&"Found: found by a sample.".to_string()),
        "{:?}",
        report.warnings[0]
    );
    assert!(report.safe_state.summary.contains("Treat the shaft as turning"));
    let report = not_shown(Stage::NotDriven);
    assert!(!report.safe_state.not_driven && !report.safe_state.was_driven);
    // Nothing was driven by this program, which is no alarm of its own: the run ended for another reason.
    assert_eq!(report.warnings[0].title, "NOT SHOWN TO BE OFF");
}

/// The engine counts the machine as driven from its enabling frame on, and a state that says so may never have come.
#[test]
fn a_stop_that_nobody_confirmed_is_one_of_a_driven_machine() {
    let mut run = refused();
    run.events.retain(|e| !matches!(e.what, What::Stage { .. }));
    run.cause = Cause::NotConfirmed;
    let report = run.report();
    assert!(report.safe_state.was_driven && !report.safe_state.not_driven && !report.safe_state.at_rest);
    let text = terminal(&report, false);
    assert!(!text.contains("Nothing was driven") && text.contains("Treat the machine as driven"), "{text}");
}

/// The drive came back on during the stop: the stop goes on, and all that was found in it is told.
#[test]
fn a_drive_that_comes_back_on_during_a_stop_does_not_end_it() {
    let report = driven_again().report();
    let safe = &report.safe_state;
    assert!(!safe.driven_since_stop && !safe.not_driven && !safe.at_rest, "{safe:?}");
    let stop = safe.stops.last().unwrap();
    assert_eq!((stop.stages[0].confirmed, stop.frames), (Some(true), 3));
    assert!(stop.stages[0].found.contains("`operation enabled` again"), "{stop:?}");
    assert!(safe.summary.contains("At rest: NOT confirmed"), "{}", safe.summary);
    let text = terminal(&report, false);
    assert!(text.contains("Found: speed 312 rpm") && !text.contains("without a stop"), "{text}");
    // Some boards pass through a quick stop, in which the gates still switch.
    let mut run = passing();
    let began = run.events.iter().rposition(|e| matches!(e.what, What::StopBegan { .. })).unwrap();
    let moment = run.events[began].at.secs_f64();
    run.events.insert(began + 1, at(moment, What::State { state: "quick stop active".into() }));
    let report = run.report();
    assert!(
        !report.safe_state.driven_since_stop && report.safe_state.not_driven && report.safe_state.at_rest
    );
    assert!(report.safe_state.summary.contains("At rest: confirmed"), "{}", report.safe_state.summary);
}

/// The profile of the last test ran to its end and the stop after it was not confirmed, or only late.
#[test]
fn a_test_whose_stop_went_wrong_is_not_passed() {
    for (cause, why) in [
        (Cause::NotConfirmed, "samples did not confirm `not driven`"),
        (Cause::Tripped, "not driven was confirmed only late"),
    ] {
        let mut run = passing();
        (run.cause, run.why) = (cause, why.into());
        let last = run.events.len() - 1;
        run.events[last].what = What::Finished { cause, why: why.into() };
        let report = run.report();
        let outcomes: Vec<_> = report.tests.iter().map(|t| t.outcome.cause).collect();
        assert_eq!(outcomes, [Some(Cause::Passed), Some(Cause::Passed), Some(cause)]);
        assert_eq!(report.tests[2].outcome.why, why);
        let xml = junit(&report).unwrap();
        let errors = attributes(&xml, "error", "message");
        assert!(errors.iter().flatten().any(|m| m.contains(why)), "{errors:?}");
    }
}

/// The rig file's own reason for a limit stands wherever what crossed it stands.
#[test]
fn a_trip_is_told_with_the_reason_for_its_limit() {
    let report = tripped().report();
    let why = "the capacitor is being pumped up";
    assert_eq!(report.headline.besides, [format!("why the limit stands there: {why}")]);
    assert_eq!(report.tests[1].outcome.why, format!("bus_high: bus 185.4 V, limit 185 V ({why})"));
    let page = html(&report).unwrap();
    assert!(between(&page, "<section class=\"verdict", "</section>").contains(why));
    assert!(page.contains(&format!("<p class=\"why\">bus_high: bus 185.4 V, limit 185 V ({why}).</p>")));
    let errors = attributes(&junit(&report).unwrap(), "error", "message");
    assert!(errors.iter().flatten().any(|m| m.contains(why)), "{errors:?}");
    let text = terminal(&report, false);
    assert_eq!(text.replace('\n', " ").matches("pumped up").count(), 2, "of the test and at the end: {text}");
    // What the record says is as it was.
    assert_eq!(report.headline.why, tripped().why);
}

/// The tripped run with another trip, on a rig that reads its emergency-stop loop.
fn tripped_by(trip: &str, found: &str) -> Run {
    let mut run = tripped();
    let mut channel = run.plan.channels[0].clone();
    (channel.name, channel.unit) = ("stop_loop".into(), spinproof::units::Unit::one());
    channel.role = Some(spinproof::files::rig::Role::EmergencyStopLoop);
    run.plan.channels.push(channel);
    let mut on_loop = run.plan.trips[0].clone();
    (on_loop.name, on_loop.channel) = ("stop_loop".into(), run.plan.channels.len() - 1);
    run.plan.trips.push(on_loop);
    for event in &mut run.events {
        if let What::Trip { trip: name, found: what, .. } = &mut event.what {
            (*name, *what) = (trip.into(), found.into());
        }
    }
    run.why = format!("{trip}: {found}");
    run
}

#[test]
fn where_to_look_first_depends_on_what_the_trip_watched() {
    use spinproof::outcome::Blame;
    let rows = [
        ("stop_loop", Blame::Operator, "whoever is at the bench"),
        ("bus_low", Blame::Rig, "its supply"),
        ("bus_high", Blame::Rig, "its build braked"),
        ("bus stale", Blame::Rig, "links"),
        ("bus plausible", Blame::Rig, "its supply"),
        ("stop_loop plausible", Blame::Rig, "links"),
        ("demand speed acknowledged", Blame::Rig, "links"),
        ("overspeed", Blame::Unit, "firmware build"),
        ("winding plausible", Blame::Unit, "firmware build"),
        ("drive state", Blame::Unit, "firmware build"),
        ("command timeout", Blame::Unit, "firmware build"),
        ("stop frame", Blame::Rig, "`send` under [safe_state]"),
    ];
    for (trip, blame, word) in rows {
        let report = tripped_by(trip, "what was found").report();
        let headline = &report.headline;
        assert_eq!(headline.blame, blame, "{trip}");
        assert!(headline.look.contains(word), "{trip}: {}", headline.look);
        assert_eq!(headline.exit_code, 5, "{trip}");
        assert!(
            terminal(&report, false).replace('\n', " ").ends_with(&format!("{} ", headline.look)),
            "{trip}"
        );
    }
    // A second trip while the machine winds down has not ended the run.
    let mut run = tripped_by("overspeed", "what was found");
    let first = run.events.iter().position(|e| matches!(e.what, What::Trip { .. })).unwrap();
    let later = What::Trip { trip: "bus_high".into(), found: "186 V".into(), sampled: 0 };
    run.events.insert(first + 2, at(23.0, later));
    assert_eq!(run.report().headline.blame, Blame::Unit);
}

/// A run that this computer spoilt says so in every document, and points at nothing on the bench.
#[test]
fn what_this_computer_is_to_blame_for_says_so_in_every_document() {
    use spinproof::outcome::Blame;
    use spinproof::record::Process;
    for (process, named) in
        [(Process::Runner, ""), (Process::Twin, ", seen in the process of the simulated board")]
    {
        let mut run = tripped_by("drive state", "the drive is `fault`, expected `operation enabled`");
        let words = format!("this computer stood still for 148 ms (12.301 s to 12.449 s{named})");
        run.cause = Cause::NotMade;
        run.why = format!("{words}; {}", run.why);
        let (from, to) = (12_301_000, 12_449_000);
        let last = run.events.pop().unwrap();
        run.events.push(at(12.449, What::StoodStill { process, from, to }));
        run.events.push(at(23.0, What::BlamesComputer { process, from, to }));
        run.events.push(at(23.0, What::Lateness { worst: 147_900, at: to, bound: 5000, over: 2 }));
        run.events.push(last);
        let report = run.report();
        let headline = &report.headline;
        assert_eq!(
            (headline.word.as_str(), headline.blame, headline.exit_code),
            ("not run", Blame::Computer, 3)
        );
        assert!(headline.look.starts_with("look first at this computer"), "{}", headline.look);
        let flat = |text: String| text.split_whitespace().collect::<Vec<_>>().join(" ");
        let xml = junit(&report).unwrap();
        for document in
            [terminal(&report, false), html(&report).unwrap(), json(&report).unwrap(), xml.clone()]
        {
            let document = flat(document);
            assert!(document.contains(&words), "{document}");
            for blames in ["look first at the unit", "look first at the rig"] {
                assert!(!document.contains(blames), "{document}");
            }
        }
        assert!(xml.contains("<error ") && !xml.contains("<failure "), "{xml}");
        assert_eq!(report.computer.blamed.as_deref(), Some(words.as_str()));
        assert_eq!((report.computer.stood_still.len(), report.computer.late_worst_s), (1, Some(0.1479)));
    }
}

/// The loop is asked for less often than the drive, which loses its torque by the same contact: the drive's state is seen
/// first, and whoever pressed the button is not the unit's fault.
#[test]
fn an_open_emergency_stop_loop_is_in_the_headline_whatever_was_seen_first() {
    let with_loop = |samples: &[(f64, f64)]| {
        let mut run = tripped_by("drive state", "the drive is `fault`, expected `operation enabled`");
        let mut series = run.columns.series[0].clone();
        (series.name, series.unit) = ("stop_loop".into(), spinproof::units::Unit::one());
        series.t = samples.iter().map(|(t, _)| *t).collect();
        series.v = samples.iter().map(|(_, v)| *v).collect();
        run.columns.series.push(series);
        run
    };
    // The stop of the fixture begins at 12.0 + 1.6 + 9.21 = 22.81 s.
    let report = with_loop(&[(22.7, 1.0), (22.9, 0.0), (23.0, 0.0)]).report();
    let words = "the emergency-stop loop was open: `stop_loop` read 0 at 23.000 s";
    assert_eq!(report.headline.besides, [words]);
    assert!(report.headline.look.contains("whoever is at the bench"), "{}", report.headline.look);
    assert_eq!((report.headline.exit_code, report.headline.word.as_str()), (5, "tripped"));
    for text in documents(&report) {
        assert!(
            text.replace('\n', " ").to_lowercase().contains("the emergency-stop loop was open: "),
            "{text}"
        );
    }
    let told = |run: Run| !run.report().headline.besides.is_empty();
    assert!(!told(with_loop(&[(22.7, 0.0)])), "nothing was read after the stop");
    assert!(!told(with_loop(&[(22.9, 0.0), (23.0, 1.0)])), "it is closed again");
    assert!(!told(with_loop(&[(22.9, 1.0), (23.0, f64::NAN)])), "what is no number says nothing");
    assert!(told(with_loop(&[(22.9, 0.0), (23.0, f64::NAN)])), "nor does it close the loop");
    assert!(!told(with_loop(&[])));
    // Who presses because the shaft runs away, or after the stop, has not caused it.
    let mut run = with_loop(&[(22.9, 1.0), (23.4, 0.0)]);
    let headline = run.report().headline;
    assert_eq!(
        headline.besides,
        ["the emergency-stop loop was opened after the stop: `stop_loop` read 0 at 23.400 s"]
    );
    assert!(headline.look.contains("firmware build"), "{}", headline.look);
    for event in &mut run.events {
        if let What::Trip { trip, .. } = &mut event.what {
            *trip = "overspeed".into();
        }
    }
    run.why = run.why.replace("drive state", "overspeed");
    run.columns.series.last_mut().unwrap().v = vec![0.0, 0.0];
    let headline = run.report().headline;
    assert!(headline.besides[0].contains("was open: ") && headline.look.contains("firmware build"));
    // Whatever ended the run: an emergency stop may take the board's own supply away.
    let mut run = with_loop(&[(22.9, 0.0)]);
    (run.cause, run.why) = (Cause::NotConfirmed, "no sample has come".into());
    let report = run.report();
    assert!(report.headline.besides[0].contains("was open"));
    assert!(report.headline.look.contains("the rig"), "{}", report.headline.look);
}

#[test]
fn a_cut_run_says_so_and_when_its_last_record_is() {
    let report = cut().report();
    let told = report.headline.cut.as_ref().expect("it was cut");
    assert_eq!(told.last_record_s, 19.24);
    for text in [html(&report).unwrap(), terminal(&report, false), junit(&report).unwrap()] {
        assert!(text.contains("last record is at 19.240 s"), "{text}");
    }
    assert!(passing().report().headline.cut.is_none());
}

#[test]
fn what_is_not_measured_is_never_met() {
    let mut run = passing();
    // A verdict that claims to be met without a number, and one that is missing.
    if let Ok(measured) = &mut run.verdicts[0][0].measured {
        measured.value = f64::NAN;
    }
    run.verdicts[2].pop();
    let report = run.report();
    let nan = &report.tests[0].criteria[0];
    assert_eq!((nan.met, nan.value, nan.answer.as_str()), (false, None, "NOT MEASURED"));
    let missing = report.tests[2].criteria.last().unwrap();
    assert_eq!((missing.met, missing.answer.as_str()), (false, "NOT MEASURED"));
    assert_eq!(report.headline.counts.not_measured, 2);
    assert_eq!(report.tests[0].outcome.word, "failed");
}

#[test]
fn a_guard_that_the_rig_has_not_is_printed_as_absent() {
    let report = passing().report();
    let absent: Vec<&str> =
        report.pre_checks.iter().filter(|c| c.grade == "absent").map(|c| c.name.as_str()).collect();
    assert_eq!(absent, ["coolant flow", "vibration"]);
    assert!(report.pre_checks.iter().all(|c| (c.grade == "absent") == c.holds.is_none()), "it holds nothing");
    assert!(terminal(&report, false).contains("coolant flow, vibration"));
    assert_eq!(html(&report).unwrap().matches("<b>absent</b>").count(), 2);
}

/// A pre-check that could tell nothing has refused, whatever its grade; and who is not the unit that the file names has not
/// held as its serial number.
#[test]
fn a_guard_that_refused_is_told_as_refused() {
    let mut run = refused();
    for event in &mut run.events {
        match &mut event.what {
            What::PreCheck { name, holds, .. } if name == "coolant flow" || name == "identity and build" => {
                *holds = false
            }
            _ => {}
        }
    }
    let report = run.report();
    let check = report.pre_checks.iter().find(|c| c.name == "coolant flow").unwrap();
    assert_eq!((check.grade.as_str(), check.holds), ("absent", Some(false)));
    for guard in ["coolant moving", "serial read back", "build read back"] {
        let row = report.guard_rows.iter().find(|r| r.name == guard).unwrap();
        assert_eq!(row.stood, "REFUSED", "{row:?}");
    }
    assert!(junit(&report).unwrap().contains("name=\"guard: coolant flow\" value=\"absent, REFUSED\""));
    let row = |run: Run| run.report().guard_rows.into_iter().find(|r| r.name == "serial read back").unwrap();
    assert_eq!(row(passing()).stood, "held");
    // Nothing was held against the file: nothing has held.
    let mut run = passing();
    run.events.retain(|e| !matches!(e.what, What::PreCheck { .. }));
    assert_eq!(row(run).stood, "not shown");
}

/// The guards have a section of their own: those that cap rungs first, each with grade, cap and answer.
#[test]
fn the_guards_stand_by_themselves_with_grade_and_cap() {
    for (name, run) in [("passing", passing()), ("refused", refused())] {
        let page = html(&run.report()).unwrap();
        let section = between(&page, "<table class=\"guards\">", "</section>");
        insta::assert_snapshot!(format!("html_guards_{name}"), section);
    }
    let report = passing().report();
    let row =
        |name: &str| report.guard_rows.iter().find(|r| r.name == name).unwrap_or_else(|| panic!("no {name}"));
    let coolant = row("coolant moving");
    assert!(
        coolant.absent && coolant.caps == "caps at first spin" && coolant.stood == "not shown",
        "{coolant:?}"
    );
    let vibration = row("vibration");
    assert!(vibration.absent && vibration.caps.is_empty(), "{vibration:?}");
    // Every guard once, those that are one pre-check of a capping guard under that guard's name.
    let mut names: Vec<&str> = report.guard_rows.iter().map(|r| r.name.as_str()).collect();
    let all = names.len();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), all);
    // On a phone each cell says what it is.
    let page = html(&report).unwrap();
    let section = between(&page, "<table class=\"guards\">", "</table>");
    for label in ["Grade", "Ladder"] {
        assert_eq!(section.matches(&format!("data-label=\"{label}\"")).count(), all);
    }
}

#[test]
fn broken_columns_do_not_break_the_page() {
    let mut run = passing();
    for (i, series) in run.columns.series.iter_mut().enumerate() {
        let n = series.v.len();
        series.v[n / 2] = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e308][i % 4];
        series.v[n / 3] = -1e308;
    }
    run.columns.spans[0].t1 = f64::NAN;
    let page = html(&run.report()).unwrap();
    assert!(!page.contains("NaN") && !page.contains("inf%"));
    let mut empty = passing();
    empty.columns = Default::default();
    assert!(html(&empty.report()).unwrap().contains("passed"));
}

/// Writes every document of every run into a folder, to be looked at:
/// `SPINPROOF_LOOK=folder cargo test --test report -- --ignored`.
#[test]
#[ignore = "writes files to be looked at by a person"]
fn documents_to_look_at() {
    let folder = std::env::var("SPINPROOF_LOOK").expect("SPINPROOF_LOOK names a folder");
    for (name, run) in all().into_iter().chain([("bursts", with_bursts()), ("soak", with_soak())]) {
        let report = run.report();
        let write = |ending: &str, text: String| {
            std::fs::write(format!("{folder}/{name}.{ending}"), text).expect("the folder can be written to");
        };
        write("html", html(&report).unwrap());
        write("xml", junit(&report).unwrap());
        write("txt", terminal(&report, false));
        write("json", json(&report).unwrap());
    }
}

/// Each of these has hurt somebody: none may fall out of the list.
#[test]
fn the_cautions_name_what_hurts() {
    let report = passing().report();
    let text: String = report.cautions.iter().map(|c| format!("{}: {}\n", c.what, c.text)).collect();
    for words in [
        "guard over every open flange",
        "Bolt the unit down",
        "Magnets",
        "stay hot",
        "your own meter",
        "keep the plug in your hand or lock the isolator off",
        "Wait until the shaft stands",
        "rated for the bus, proved on a known source before and after",
        "pole to pole, and each pole to earth",
        "autotransformer isolates nothing",
        "isolated USB",
        "fuse made for direct current",
        "type B",
        "not an emergency stop",
        "in reach",
        "Do not work alone",
        "Local codes and licensed practice decide",
    ] {
        assert!(text.contains(words), "{words}");
    }
    assert!(!text.to_lowercase().contains("safe to touch"));
}
