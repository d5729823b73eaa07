//! The report as plain text for a terminal of 80 columns, for the end of a run.

use super::model::{CriterionRow, Report, TestReport, Warning};
use crate::record::Grade;

const WIDTH: usize = 80;

/// The summary, with a newline at its end. `colour` adds ANSI escapes and changes no character; the text
/// of names and replies is stripped of control characters either way.
pub fn terminal(report: &Report, colour: bool) -> String {
    let mut page = Page { text: String::new(), colour };
    let identity = &report.identity;
    page.wrapped(
        "",
        &format!("{}: {} {} on {}", identity.suite, identity.unit, identity.serial, identity.rig),
    );
    if let Some(simulated) = &report.headline.simulated {
        let seed = identity.seed.map_or_else(String::new, |seed| format!(", seed {seed}"));
        // Of a pseudo-terminal the files say so, and nobody knows.
        let turned = if identity.kind == "pty" { "" } else { ", nothing real turned" };
        page.wrapped("", &format!("SIMULATED{turned} ({simulated}{seed})"));
        if !identity.faults.is_empty() {
            page.wrapped("", &format!("Faults planted: {}", identity.faults.join(", ")));
        }
    }
    for row in &report.before {
        page.wrapped("", &format!("{}: {}", row.what, row.text));
    }
    page.blank();
    for test in &report.tests {
        page.test(test);
    }
    page.blank();
    page.wrapped("Safe state  ", &report.safe_state.summary);
    // What was shown of a stop is no more than that if something came after it, or may have.
    let shown = report.safe_state.ends_with_stop && report.headline.cut.is_none();
    if let Some(stop) = report.safe_state.stops.last().filter(|_| shown) {
        if let Some(off) = &stop.torque_off {
            page.wrapped("            ", &format!("torque off by: {}: {}", off.by.words(), off.found));
        }
        for stage in &stop.stages {
            let how = match stage.confirmed {
                Some(true) => "confirmed",
                Some(false) => "NOT confirmed",
                None => "not recorded",
            };
            page.wrapped("            ", &format!("{}: {how}: {}", stage.stage, stage.found));
        }
    }
    page.guards(report);
    page.absent(report);
    page.hazards(report);
    for warning in &report.warnings {
        page.warning(warning);
    }
    page.headline(report);
    page.text
}

/// Text as it grows.
struct Page {
    text: String,
    colour: bool,
}

/// How a piece of text stands out.
#[derive(Clone, Copy)]
enum Weight {
    Good,
    Bad,
}

impl Page {
    fn test(&mut self, test: &TestReport) {
        let passed = test.outcome.cause == Some(crate::outcome::Cause::Passed);
        let why = if test.outcome.why.is_empty() { String::new() } else { format!(": {}", test.outcome.why) };
        let before = format!("{}  ", test.name);
        let start = self.text.len() + printable(&before).len();
        self.wrapped(&before, &format!("{}{why}", test.outcome.word));
        self.weigh(start, &test.outcome.word, if passed { Weight::Good } else { Weight::Bad });
        for criterion in &test.criteria {
            self.criterion(criterion);
        }
    }

    fn criterion(&mut self, criterion: &CriterionRow) {
        let answer = format!("  {:<13} ", criterion.answer);
        let start = self.text.len() + 2;
        let subject =
            criterion.text.strip_suffix(&format!(": {}", criterion.limit)).unwrap_or(&criterion.text);
        let mut found = format!("{}, {}", criterion.value_text, criterion.limit);
        if !criterion.margin_text.is_empty() {
            found += &format!(", margin {}", criterion.margin_text);
        }
        if criterion.standing.starts_with("conditional") {
            found += &format!(", {}", criterion.standing);
        }
        let one_line = format!("{subject}  {found}");
        if answer.len() + one_line.chars().count() <= WIDTH {
            self.wrapped(&answer, &one_line);
        } else {
            self.wrapped(&answer, subject);
            self.wrapped("                ", &found);
        }
        if let Some(refused) = &criterion.refused {
            self.wrapped("                ", refused);
        }
        self.weigh(start, &criterion.answer, if criterion.met { Weight::Good } else { Weight::Bad });
    }

    /// How each guard that stood was known.
    fn guards(&mut self, report: &Report) {
        for grade in [Grade::Measured, Grade::Inferred, Grade::Confirmed] {
            let names: Vec<&str> = report
                .guards
                .iter()
                .filter(|g| g.holds && g.grade == grade)
                .map(|g| g.name.as_str())
                .collect();
            if !names.is_empty() {
                self.wrapped("Guards      ", &format!("{}: {}", grade.words(), names.join(", ")));
            }
        }
    }

    fn absent(&mut self, report: &Report) {
        let absent: Vec<&str> =
            report.pre_checks.iter().filter(|c| c.holds.is_none()).map(|c| c.name.as_str()).collect();
        if !absent.is_empty() {
            self.wrapped(
                "Absent      ",
                &format!("guards that nobody and nothing stood for: {}", absent.join(", ")),
            );
        }
    }

    fn hazards(&mut self, report: &Report) {
        for hazard in report.hazards.iter().filter(|h| h.answer != "fits") {
            self.wrapped("Hazard      ", &format!("{} {}: {}", hazard.hazard, hazard.answer, hazard.told));
        }
    }

    fn warning(&mut self, warning: &Warning) {
        self.blank();
        let title = self.weighted(&format!("!! {}", warning.title), Weight::Bad);
        self.text += &title;
        self.text.push('\n');
        for line in &warning.lines {
            self.wrapped("!! ", line);
        }
    }

    fn headline(&mut self, report: &Report) {
        let headline = &report.headline;
        self.blank();
        let passed = headline.exit_code == 0;
        let word = headline.word.to_uppercase();
        let word = self.weighted(&word, if passed { Weight::Good } else { Weight::Bad });
        self.text += &word;
        self.text.push('\n');
        let why = if headline.why.is_empty() { &headline.means } else { &headline.why };
        self.wrapped("", why);
        for besides in &headline.besides {
            self.wrapped("", besides);
        }
        let counts = &headline.counts;
        let mut parts = vec![format!("{} of {} criteria met", counts.met, counts.criteria)];
        for (n, what) in [
            (counts.not_met, "not met"),
            (counts.not_measured, "not measured"),
            (counts.not_reached, "not reached"),
        ] {
            if n > 0 {
                parts.push(format!("{n} {what}"));
            }
        }
        self.wrapped("", &parts.join(", "));
        if !headline.look.is_empty() {
            self.wrapped("", &headline.look);
        }
    }

    /// Gives weight to the words that stand at a place, as far as the line goes on with them. They are found by their place: a
    /// test may be called as its outcome is. The escapes take no room on the line, so they come after it was broken.
    fn weigh(&mut self, at: usize, words: &str, weight: Weight) {
        let tail = self.text.split_off(at);
        let there = tail.chars().zip(words.chars()).take_while(|(found, wanted)| found == wanted);
        let length = there.map(|(found, _)| found.len_utf8()).sum();
        let (word, rest) = tail.split_at(length);
        self.text = format!("{}{}{rest}", self.text, self.weighted(word, weight));
    }

    fn weighted(&self, text: &str, weight: Weight) -> String {
        match (self.colour, weight) {
            (false, _) => text.to_string(),
            (true, Weight::Good) => format!("\x1b[1;32m{text}\x1b[0m"),
            (true, Weight::Bad) => format!("\x1b[1;31m{text}\x1b[0m"),
        }
    }

    fn blank(&mut self) {
        self.text.push('\n');
    }

    /// Puts `text` after `before`, broken at spaces to the width, further lines under the first.
    fn wrapped(&mut self, before: &str, text: &str) {
        let before = printable(before);
        let margin =
            " ".repeat(if before.starts_with("!!") { 0 } else { before.chars().count().min(WIDTH / 2) });
        let margin = if before.starts_with("!!") { before.clone() } else { margin };
        let mut line = before;
        let mut empty = true;
        for word in printable(text).split(' ').filter(|w| !w.is_empty()) {
            if !empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
                self.text += line.trim_end();
                self.text.push('\n');
                line = margin.clone();
                empty = true;
            }
            if !empty {
                line.push(' ');
            }
            line += word;
            empty = false;
        }
        self.text += line.trim_end();
        self.text.push('\n');
    }
}

/// Without control characters: a controller's reply must not move the cursor.
fn printable(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '\u{FFFD}' } else { c }).collect()
}
