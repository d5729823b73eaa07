//! The report as one HTML file: no network, no fonts from elsewhere, readable without scripts, on
//! a phone, on A4 paper and in greyscale.
//!
//! All text is escaped by the template engine; a content security policy lets nothing load and no script
//! run but the report's own, should an escape ever be forgotten.

use super::model::{Band, CriterionRow, Figure, Mark, PreCheckRow, Report, StageProof, TestReport};
use super::words;
use crate::outcome::{Cause, JunitKind};
use askama::Template;
use sha2::{Digest, Sha256};
use std::borrow::Borrow;

const STYLE: &str = include_str!("templates/report.css");
const SCRIPT: &str = include_str!("templates/report.js");

/// The whole file.
///
/// # Errors
/// Those of the template engine, which has none of its own when writing into memory.
pub fn html(report: &Report) -> askama::Result<String> {
    let page = Page { report, style: STYLE, script: SCRIPT, script_hash: script_hash(SCRIPT) };
    Ok(words::characters(&page.render()?))
}

#[derive(Template)]
#[template(path = "report.html", config = "src/report/askama.toml")]
struct Page<'a> {
    report: &'a Report,
    style: &'static str,
    script: &'static str,
    script_hash: String,
}

impl Page<'_> {
    fn why(&self) -> String {
        let headline = &self.report.headline;
        if headline.why.is_empty() { self.sentence(&headline.means) } else { self.stopped(&headline.why) }
    }

    fn counts(&self) -> String {
        let counts = &self.report.headline.counts;
        let mut parts = vec![format!("{} of {} criteria met", counts.met, counts.criteria)];
        let rest = [
            (counts.not_met, "not met"),
            (counts.not_measured, "not measured"),
            (counts.not_reached, "not reached"),
        ];
        parts.extend(rest.iter().filter(|(n, _)| *n > 0).map(|(n, what)| format!("{n} {what}")));
        format!("{}. Exit code {}.", parts.join(", "), self.report.headline.exit_code)
    }

    fn look(&self) -> String {
        self.sentence(&self.report.headline.look)
    }

    /// For the template.
    fn sentence(&self, phrase: &str) -> String {
        words::sentence(phrase)
    }

    /// The same.
    fn stopped(&self, phrase: &str) -> String {
        words::stopped(phrase)
    }

    /// Date and time to the second, as people write them; as recorded if it has another shape.
    fn began(&self) -> String {
        let identity = &self.report.identity;
        if identity.kind == "rehearsal" {
            return "on a virtual clock".into();
        }
        let text = identity.began_utc.as_str();
        match (text.get(..10), text.get(10..11), text.get(11..19)) {
            (Some(date), Some("T"), Some(time)) => format!("{date} {time}"),
            _ => text.to_string(),
        }
    }

    fn has_trips(&self, figure: &Figure) -> bool {
        figure.marks.iter().any(|m| m.trip)
    }

    /// Marks with the row, of three from the top, in which their names have room; those without room have their
    /// stroke alone, and the cursor names them. A stroke goes down from its name and crosses none below it.
    fn apart<'f>(&self, figure: &'f Figure) -> Vec<(usize, &'f Mark)> {
        let mut ends = [f64::NEG_INFINITY; 3];
        let mut shown = Vec::new();
        for mark in &figure.marks {
            if let Some(row) = (0..ends.len()).find(|row| ends[*row..].iter().all(|end| mark.at >= *end)) {
                // A letter on a phone is some 2.2 % of the width.
                ends[row] = mark.at + 2.2 * mark.text.chars().count() as f64 + 1.5;
                shown.push((row, mark));
            }
        }
        shown
    }

    /// Whether a name is too long for its band: on a screen or sheet, and on a phone. Per cent of
    /// width taken as 8.4 and 3 pixels, a letter as 6.5.
    fn band_class(&self, band: &Band) -> &'static str {
        let needs = band.name.chars().count() as f64 * 6.5 + 4.0;
        match (band.width * 8.4 < needs, band.width * 3.0 < needs) {
            (true, _) => "tight",
            (false, true) => "slim",
            (false, false) => "",
        }
    }

    fn build(&self) -> String {
        let identity = &self.report.identity;
        match (&identity.build, identity.build_read_back) {
            (Some(build), true) => build.clone(),
            (Some(build), false) => format!("{build} (asked for; not read back)"),
            (None, _) => "not read back".into(),
        }
    }

    fn against(&self) -> String {
        let identity = &self.report.identity;
        let kind = match identity.kind.as_str() {
            "rehearsal" => "rehearsal (simulated)",
            "twin" => "twin (simulated)",
            "pty" => "a device behind a pseudo-terminal (simulated)",
            _ => "the bench",
        };
        identity.seed.map_or_else(|| kind.to_string(), |seed| format!("{kind}, seed {seed}"))
    }

    fn length(&self) -> String {
        match (self.report.identity.length_s, &self.report.headline.cut) {
            (Some(length), _) => words::seconds(length),
            (None, Some(cut)) => format!("cut; last record at {}", words::seconds(cut.last_record_s)),
            (None, None) => "not recorded".into(),
        }
    }

    fn tag(&self, test: &TestReport) -> &'static str {
        match (test.outcome.run, test.outcome.cause) {
            (JunitKind::Skipped, _) => "none",
            (_, Some(Cause::Passed)) => "good",
            _ => "bad",
        }
    }

    /// What follows the metric: ` of speed over step into ±8 rpm`.
    fn subject<'c>(&self, criterion: &'c CriterionRow) -> &'c str {
        let text = criterion.text.strip_prefix(&criterion.metric).unwrap_or(&criterion.text);
        text.strip_suffix(&criterion.limit).and_then(|t| t.strip_suffix(": ")).unwrap_or(text)
    }

    /// The standing where it says more than the answer does.
    fn standing<'c>(&self, criterion: &'c CriterionRow) -> &'c str {
        if criterion.value.is_some() { &criterion.standing } else { "" }
    }

    /// What a bar shows, for those who do not see it.
    fn bar_told(&self, c: &CriterionRow) -> String {
        let margin =
            if c.margin_text.is_empty() { String::new() } else { format!(", margin {}", c.margin_text) };
        format!("Value {}, limit {}{margin}: {}", c.value_text, c.limit, c.standing)
    }

    fn stage_word(&self, stage: &StageProof) -> &'static str {
        match stage.confirmed {
            Some(true) => "confirmed",
            Some(false) => "NOT confirmed",
            None => "not recorded",
        }
    }

    fn stage_class(&self, stage: &StageProof) -> &'static str {
        match stage.confirmed {
            Some(true) => "yes",
            Some(false) => "no",
            None => "none",
        }
    }

    fn frames(&self, n: &usize) -> String {
        words::count(*n, "stop frame", "stop frames")
    }

    fn seconds(&self, s: impl Borrow<f64>) -> String {
        words::seconds(*s.borrow())
    }

    /// Each thing found once; with the names of the tests where it differs between them.
    fn found(&self, check: &PreCheckRow) -> Vec<String> {
        let same = check.found.windows(2).all(|pair| pair[0].found == pair[1].found);
        let shown = if same { &check.found[..check.found.len().min(1)] } else { &check.found[..] };
        let line = |f: &super::model::CheckFound| {
            let text = if same { f.found.clone() } else { format!("{}: {}", f.test, f.found) };
            if f.holds || check.found.len() == 1 { text } else { format!("{text} (REFUSED)") }
        };
        shown.iter().map(line).collect()
    }

    /// Per cent for a style; never anything but a finite number.
    fn pct(&self, value: impl Borrow<f64>) -> String {
        let value = *value.borrow();
        let value = if value.is_finite() { value.clamp(0.0, 100.0) } else { 0.0 };
        format!("{value:.2}")
    }
}

/// The hash by which the content security policy knows the script: base64 as in RFC 4648.
fn script_hash(script: &str) -> String {
    const ALPHABET: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let digest = Sha256::digest(script.as_bytes());
    let mut text = String::from("sha256-");
    for chunk in digest.chunks(3) {
        let bits = chunk.iter().fold(0u32, |bits, b| bits << 8 | u32::from(*b)) << (8 * (3 - chunk.len()));
        for i in 0..4 {
            let sextet = (bits >> (18 - 6 * i) & 0x3F) as usize;
            text.push(if i <= chunk.len() { char::from(ALPHABET[sextet]) } else { '=' });
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SHA-256 of "abc" from FIPS 180-4, in base64 (from memory of its hexadecimal form, ba7816bf...15ad).
    #[test]
    fn the_hash_of_a_script_is_base64_of_its_sha_256() {
        assert_eq!(script_hash("abc"), "sha256-ungWv48Bz+pBQUDeXa4iI7ADYaOWF3qctBD/YfIAFa0=");
    }
}
