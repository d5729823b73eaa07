//! The report as JUnit XML: written by `junit-report`, then finished by one pure step that adds
//! properties and counts and drops what would tell the machine it was made on.
//!
//! One suite with a case for each test's run, one for each criterion, and one for the whole run. A
//! `failure` is a criterion that was not met or not measured, an `error` a run that could not be made or
//! did not end as planned, `skipped` what was not attempted or not reached.

use super::model::{CriterionRow, Report, TestReport};
use super::words;
use crate::guards::Guard;
use crate::outcome::{Cause, JunitKind};
use junit_report::{Duration, OffsetDateTime, ReportBuilder, TestCase, TestCaseBuilder, TestSuite};
use quick_xml::events::{BytesStart, Event};
use quick_xml::{Reader, Writer};
use time::format_description::well_known::Rfc3339;

/// Why there is no XML. Cleaned text gives no cause for it; a writer in memory neither.
#[derive(Debug, thiserror::Error)]
pub enum JunitError {
    /// The first writing.
    #[error("junit xml could not be written: {0}")]
    Write(#[from] junit_report::Error),
    /// The finishing step could not read what was written.
    #[error("junit xml could not be finished: {0}")]
    Read(#[from] quick_xml::Error),
    /// An attribute of what was written could not be read.
    #[error("junit xml could not be finished: {0}")]
    Attribute(#[from] quick_xml::events::attributes::AttrError),
    /// Writing into memory failed.
    #[error("junit xml could not be finished: {0}")]
    Io(#[from] std::io::Error),
}

/// The report as JUnit XML, in UTF-8 with a newline at its end. Times have three decimals; the timestamp
/// is the begin of the run.
///
/// # Errors
/// [`JunitError`]; see there.
pub fn junit(report: &Report) -> Result<String, JunitError> {
    let suite = suite(report);
    let skipped = suite.skipped();
    let mut first = Vec::new();
    ReportBuilder::new().add_testsuite(suite).build().write_xml(&mut first)?;
    finish(&String::from_utf8_lossy(&first), report, skipped)
}

fn suite(report: &Report) -> TestSuite {
    // Its own constructor would read the clock.
    let mut suite = TestSuite {
        name: clean(&report.identity.suite),
        package: String::new(),
        timestamp: began(report).unwrap_or(OffsetDateTime::UNIX_EPOCH),
        hostname: String::new(),
        testcases: Vec::new(),
        system_out: None,
        system_err: None,
    };
    for test in &report.tests {
        let class = class_name(report, test);
        suite.add_testcase(run_case(test, &class));
        suite.add_testcases(test.criteria.iter().map(|c| criterion_case(test, c, &class)));
    }
    suite.add_testcase(whole_run_case(report));
    if !report.warnings.is_empty() {
        let lines: Vec<String> =
            report.warnings.iter().map(|w| format!("{}\n{}", w.title, w.lines.join("\n"))).collect();
        suite.set_system_out(&clean(&lines.join("\n\n")));
    }
    suite
}

fn began(report: &Report) -> Option<OffsetDateTime> {
    OffsetDateTime::parse(&report.identity.began_utc, &Rfc3339).ok()
}

/// `suite.test`, with the dots of the names replaced: readers take them for levels.
fn class_name(report: &Report, test: &TestReport) -> String {
    format!("{}.{}", level(&report.identity.suite), level(&test.name))
}

fn level(name: &str) -> String {
    clean(name).replace('.', "_")
}

fn run_case(test: &TestReport, class: &str) -> TestCase {
    let time = milliseconds(test.length_s);
    let (word, why) = (clean(&test.outcome.word), clean(&joined(&test.outcome.word, &test.outcome.why)));
    let mut case = match test.outcome.run {
        JunitKind::Pass => TestCaseBuilder::success("run", time),
        JunitKind::Skipped => TestCaseBuilder::skipped_with_cause("run", &word, &why),
        JunitKind::Failure => TestCaseBuilder::failure("run", time, &word, &why),
        JunitKind::Error => TestCaseBuilder::error("run", time, &word, &why),
    };
    case.set_classname(class);
    case.build()
}

fn criterion_case(test: &TestReport, criterion: &CriterionRow, class: &str) -> TestCase {
    let name = clean(&criterion.text);
    let found = clean(&found(criterion));
    let mut case = match (criterion.met, criterion.reached) {
        (true, _) => TestCaseBuilder::success(&name, Duration::ZERO),
        (false, true) => {
            let kind = if criterion.value.is_some() { "not met" } else { "not measured" };
            TestCaseBuilder::failure(&name, Duration::ZERO, kind, &found)
        }
        (false, false) => {
            let why = format!("not reached: {}", joined(&test.outcome.word, &test.outcome.why));
            TestCaseBuilder::skipped_with_cause(&name, "not reached", &clean(&why))
        }
    };
    case.set_classname(class);
    if let Some(why) = criterion.why.as_ref().filter(|_| !criterion.met) {
        case.set_trace(&clean(&format!("{found}\nwhy the limit stands there: {why}")));
    }
    if criterion.met {
        case.set_system_out(&found);
    }
    case.build()
}

/// Value, uncertainty, limit, margin and number of samples in a line.
fn found(criterion: &CriterionRow) -> String {
    let mut parts = vec![format!("{}, {}", criterion.value_text, criterion.limit)];
    if !criterion.margin_text.is_empty() {
        parts.push(format!("margin {}", criterion.margin_text));
    }
    if let Some(n) = criterion.n {
        parts.push(format!("n {n}"));
    }
    parts.push(criterion.standing.clone());
    parts.extend(criterion.refused.clone());
    parts.join("; ")
}

/// Carries what belongs to no test: a machine left driven, an error before the first test (such a run must
/// not look merely skipped), and the time that no test took.
fn whole_run_case(report: &Report) -> TestCase {
    let headline = &report.headline;
    let kind = headline.cause.row().junit;
    let told = report.tests.iter().any(|t| t.outcome.run == JunitKind::Error);
    let tests: f64 = report.tests.iter().map(|t| t.length_s).sum();
    let length = report.identity.length_s.or(headline.cut.as_ref().map(|c| c.last_record_s));
    let time = milliseconds(length.unwrap_or(0.0) - tests);
    let why = (kind == JunitKind::Error && !told).then(|| joined(&headline.word, &headline.why));
    let mut case = if !report.safe_state.not_driven {
        let word = Cause::NotConfirmed.row().headline;
        let treat = joined(word, "treat the machine as driven");
        // Said once, and not instead of what ended the run or is missing from its record.
        let why = match headline.cause {
            Cause::NotConfirmed => headline.cut.as_ref().map(|_| headline.why.clone()),
            _ => why,
        };
        let told = why.map_or(treat.clone(), |why| format!("{treat}; {why}"));
        TestCaseBuilder::error("whole run", time, word, &clean(&told))
    } else if let Some(why) = why {
        TestCaseBuilder::error("whole run", time, &clean(&headline.word), &clean(&why))
    } else {
        TestCaseBuilder::success("whole run", time)
    };
    case.set_classname(&level(&report.identity.suite));
    case.build()
}

fn joined(word: &str, why: &str) -> String {
    if why.is_empty() { word.to_string() } else { format!("{word}: {why}") }
}

fn milliseconds(seconds: f64) -> Duration {
    let millis = (seconds.max(0.0) * 1e3).round();
    Duration::milliseconds(if millis.is_finite() { millis as i64 } else { 0 })
}

/// Text that XML 1.0 can hold, also within a CDATA section: its end mark is opened by a space.
fn clean(text: &str) -> String {
    words::characters(text).replace("]]>", "]] >")
}

/// Adds properties and counts, gives times three decimals, drops host and package.
fn finish(xml: &str, report: &Report, skipped: usize) -> Result<String, JunitError> {
    let mut reader = Reader::from_str(xml);
    let mut writer = Writer::new_with_indent(Vec::new(), b' ', 2);
    loop {
        match reader.read_event()? {
            Event::Eof => break,
            Event::Start(element) => {
                let is_suite = element.name().as_ref() == "testsuite";
                writer.write_event(Event::Start(element_finished(&element, report, skipped)?))?;
                if is_suite {
                    properties(&mut writer, report)?;
                }
            }
            Event::Empty(element) => {
                writer.write_event(Event::Empty(element_finished(&element, report, skipped)?))?;
            }
            other => writer.write_event(other)?,
        }
    }
    let mut text = String::from_utf8_lossy(&writer.into_inner()).into_owned();
    text.push('\n');
    Ok(text)
}

fn element_finished(
    element: &BytesStart<'_>,
    report: &Report,
    skipped: usize,
) -> Result<BytesStart<'static>, JunitError> {
    let name = element.name().as_ref().to_string();
    let mut finished = BytesStart::new(name.clone());
    for attribute in element.attributes() {
        let attribute = attribute?;
        match (name.as_str(), attribute.key.as_ref()) {
            ("testsuite", "hostname" | "package") => {}
            // A begin that cannot be read leaves no timestamp rather than a wrong one.
            ("testsuite", "timestamp") if began(report).is_none() => {}
            ("testsuite" | "testcase", "time") => {
                let seconds: f64 = attribute.value.parse().unwrap_or(0.0);
                finished.push_attribute(("time", format!("{seconds:.3}").as_str()));
            }
            ("testsuite", "failures") => {
                finished.push_attribute(attribute);
                finished.push_attribute(("skipped", skipped.to_string().as_str()));
            }
            _ => finished.push_attribute(attribute),
        }
    }
    Ok(finished)
}

/// The grade of a guard, and that it did not hold.
fn guard_words(guard: &Guard) -> String {
    let refused = if guard.refused { ", REFUSED" } else { "" };
    format!("{}{refused}", guard.grade.words())
}

fn properties(writer: &mut Writer<Vec<u8>>, report: &Report) -> Result<(), JunitError> {
    let identity = &report.identity;
    let kind = if report.headline.simulated.is_some() { "simulated" } else { "real" };
    let mut list: Vec<(&str, String)> = vec![
        ("spinproof", identity.spinproof.clone()),
        ("kind", kind.into()),
        ("against", identity.kind.clone()),
        ("unit", identity.unit.clone()),
        ("unit_serial", identity.serial.clone()),
        ("rig", identity.rig.clone()),
        ("rule", identity.rule.clone()),
        ("outcome", report.headline.word.clone()),
    ];
    list.extend(identity.build.clone().map(|b| ("build", b)));
    list.extend(identity.seed.map(|s| ("seed", s.to_string())));
    if !identity.faults.is_empty() {
        list.push(("faults", identity.faults.join(", ")));
    }
    list.extend(report.settings_sha256.clone().map(|h| ("settings_sha256", h)));
    let files: Vec<(String, String)> =
        report.files.iter().map(|f| (format!("{}_sha256", clean(&f.role)), f.sha256.clone())).collect();
    list.extend(files.iter().map(|(name, hash)| (name.as_str(), hash.clone())));
    let before: Vec<(String, String)> = report
        .before
        .iter()
        .map(|row| (row.what.to_lowercase().replace(' ', "_"), row.text.clone()))
        .collect();
    list.extend(before.iter().map(|(name, text)| (name.as_str(), text.clone())));
    let guards: Vec<(String, String)> =
        report.guards.iter().map(|g| (format!("guard: {}", clean(&g.name)), guard_words(g))).collect();
    list.extend(guards.iter().map(|(name, words)| (name.as_str(), words.clone())));
    if report.headline.cut.is_some() {
        list.push(("record", "cut".into()));
    }
    writer.write_event(Event::Start(BytesStart::new("properties")))?;
    for (name, value) in list {
        let mut property = BytesStart::new("property");
        property.push_attribute(("name", name));
        property.push_attribute(("value", clean(&value).as_str()));
        writer.write_event(Event::Empty(property))?;
    }
    writer.write_event(Event::End(quick_xml::events::BytesEnd::new("properties")))?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_xml_cannot_hold_is_replaced() {
        for (text, expected) in [
            ("tab\tand\nline", "tab\tand\nline"),
            ("bell\u{7}", "bell\u{FFFD}"),
            ("nul\0", "nul\u{FFFD}"),
            ("\u{FFFE}\u{FFFF}", "\u{FFFD}\u{FFFD}"),
            ("a]]>b", "a]] >b"),
            ("]]]]>>", "]]]] >>"),
            ("<&\">", "<&\">"),
        ] {
            assert_eq!(clean(text), expected);
        }
    }

    proptest! {
        #[test]
        fn cleaned_text_survives_a_cdata_section(text in any::<String>()) {
            let clean = clean(&text);
            prop_assert!(!clean.contains("]]>"));
            let xml = format!("<a b=\"{}\"><![CDATA[{clean}]]></a>", quick_xml::escape::escape(clean.as_str()));
            let mut reader = Reader::from_str(&xml);
            let mut inside = String::new();
            loop {
                match reader.read_event().expect("well formed") {
                    Event::Eof => break,
                    Event::CData(data) => inside += &data,
                    _ => {}
                }
            }
            prop_assert_eq!(inside, clean);
        }
    }
}
