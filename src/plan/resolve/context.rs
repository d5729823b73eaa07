//! What every part of the resolver shares: the files, the messages so far, and the few questions
//! that are asked again and again.

use crate::diag::{Diag, Place, Sources};
use crate::files::read::{At, Q, suggestion};
use crate::files::rig::Rig;
use crate::files::suite::Suite;
use crate::files::unit::Unit;
use crate::plan::Exchange;
use crate::time::Duration;
use crate::units::{Kind, Quantity};
use crate::wire::{Pattern, PatternError, Template};
use std::ops::Range;

/// The files and the messages so far.
pub(super) struct Context<'a> {
    pub sources: &'a Sources,
    pub rig: &'a Rig,
    pub unit: &'a Unit,
    pub suite: &'a Suite,
    pub diags: Vec<Diag>,
}

impl<'a> Context<'a> {
    pub fn refuse(&mut self, diag: Diag) {
        self.diags.push(diag);
    }

    /// Whether something has been found wrong at exactly this place: what rests on it is then not
    /// held against anything, so that each mistake gives one message.
    pub fn is_wrong(&self, at: Place) -> bool {
        self.diags.iter().any(|d| d.place.as_ref().is_some_and(|(p, _)| *p == at))
    }

    /// A place as messages cite it: `rig, line 4`.
    pub fn cite(&self, at: Place) -> String {
        let file = if at.file == self.rig.at.file {
            "rig"
        } else if at.file == self.unit.at.file {
            "unit"
        } else if at.file == self.suite.at.file {
            "suite"
        } else {
            let name = &self.sources.get(at.file).name;
            name.rsplit(['/', '\\']).next().unwrap_or(name)
        };
        format!("{file}, line {}", self.sources.line(at))
    }

    /// What stands at a place with where it stands: `` `2000 rpm` (rig, line 4) ``.
    pub fn said(&self, at: Place) -> String {
        match self.sources.text(at).trim_matches(['"', '\'']) {
            "" => format!("the empty text ({})", self.cite(at)),
            text => format!("`{text}` ({})", self.cite(at)),
        }
    }

    /// A named thing with where it stands: `` channel `speed` (rig, line 62) ``.
    pub fn named(&self, what: &str, name: &At<String>) -> String {
        format!("{what} `{}` ({})", name.value, self.cite(name.at))
    }

    /// The SI value of a quantity that must be of the kind `expected`, `why` being the reason with
    /// its place: "for the range of `speed`".
    pub fn quantity(&mut self, q: &At<Quantity>, expected: Kind, why: &str, other: Place) -> Option<f64> {
        if q.unit.kind == expected {
            return Some(q.si);
        }
        let message = format!(
            "{} is {}, expected {} {why} ({})",
            self.said(q.at),
            a(&q.unit.kind.name()),
            a(&expected.name()),
            self.cite(other),
        );
        let help = expected.blank().map(|e| format!("write it as \"{e}\""));
        self.refuse(Diag::at(q.at, message).other(other, "").help_opt(help));
        None
    }

    /// Two ends of a range of the kind `expected`, the lower first. The reader of the files gives two.
    pub fn range(
        &mut self,
        ends: &[At<Quantity>],
        expected: Kind,
        why: &str,
        other: &At<String>,
    ) -> Option<(f64, f64)> {
        let [low, high] = ends else { return None };
        let values =
            (self.quantity(low, expected, why, other.at), self.quantity(high, expected, why, other.at));
        let (Some(from), Some(to)) = values else { return None };
        if from >= to {
            let message = format!(
                "{} is not below {}, expected the lower end first",
                self.said(low.at),
                self.said(high.at)
            );
            self.refuse(Diag::at(low.at, message).other(high.at, ""));
            return None;
        }
        Some((from, to))
    }

    /// Index of the name that `wanted` stands for; notes a mistake with the nearest name if there is
    /// none.
    pub fn look_up(&mut self, what: &str, wanted: &At<String>, names: &[&str]) -> Option<usize> {
        let found = names.iter().position(|n| *n == wanted.value);
        if found.is_none() {
            let message = format!("{} is not {what}", self.said(wanted.at));
            self.refuse(Diag::at(wanted.at, message).help(suggestion(&wanted.value, names.iter().copied())));
        }
        found
    }

    /// Notes a second use of something that may stand only once.
    pub fn twice(&mut self, what: &str, second: Place, first: Place) {
        let message = format!("{what} {} stands already at {}", self.said(second), self.cite(first));
        self.refuse(Diag::at(second, message).other(first, "the first"));
    }

    /// Notes a name that cannot be used: names become fields of patterns, names in expressions and
    /// names of files in the run folder.
    pub fn name(&mut self, what: &str, name: &At<String>) {
        let mut chars = name.chars();
        let good =
            chars.next().is_some_and(char::is_alphabetic) && chars.all(|c| c.is_alphanumeric() || c == '_');
        if !good {
            let message = format!("{} is no name for {}", self.said(name.at), a(what));
            self.refuse(
                Diag::at(name.at, message)
                    .help("a name begins with a letter and has letters, digits and `_`"),
            );
        }
    }

    /// What is sent as it stands, `ends` appended.
    pub fn fixed(&mut self, text: &At<String>, ends: &[u8]) -> Option<Vec<u8>> {
        let template = self.template(text, ends)?;
        if template.has_value() {
            let message =
                format!("{} has a {{value}}, but there is no value to send here", self.said(text.at));
            self.refuse(Diag::at(text.at, message).help("braces themselves are written `{{` and `}}`"));
            return None;
        }
        Some(template.encode(0.0))
    }

    /// A template, `ends` appended.
    pub fn template(&mut self, text: &At<String>, ends: &[u8]) -> Option<Template> {
        self.one_line(text, ends)?;
        if text.trim().is_empty() {
            self.refuse(Diag::at(text.at, format!("{} sends nothing", self.said(text.at))));
            return None;
        }
        Template::parse(text, ends).map_err(|e| self.pattern_error(text, e)).ok()
    }

    /// A pattern of replies on a link whose lines end with `ends`.
    pub fn pattern(&mut self, text: &At<String>, ends: &[u8]) -> Option<Pattern> {
        self.one_line(text, ends)?;
        if text.trim().is_empty() {
            self.refuse(Diag::at(text.at, format!("{} expects nothing", self.said(text.at))));
            return None;
        }
        Pattern::parse(text).map_err(|e| self.pattern_error(text, e)).ok()
    }

    /// A request and its reply.
    pub fn exchange(&mut self, send: &At<String>, expect: &At<String>, ends: &[u8]) -> Option<Exchange> {
        let (send, expect) = (self.fixed(send, ends), self.pattern(expect, ends));
        Some(Exchange { send: send?, expect: expect? })
    }

    /// The place of a few bytes of a text. The text begins one byte after its quote; where the
    /// quotes hold escapes, bytes cannot be matched and the whole text is meant.
    pub fn within(&self, text: &At<String>, span: Range<usize>) -> Place {
        let raw = self.sources.text(text.at);
        let plain =
            raw.len() == text.value.len() + 2 && raw.get(1..raw.len() - 1) == Some(text.value.as_str());
        if !plain || span.end > text.value.len() {
            return text.at;
        }
        let start = text.at.start + 1;
        Place { start: start + span.start, end: start + span.end, ..text.at }
    }

    /// The place of a field of a pattern.
    pub fn field(&self, text: &At<String>, field: &str) -> Place {
        let braced = format!("{{{field}}}");
        match text.value.find(&braced) {
            Some(start) => self.within(text, start..start + braced.len()),
            None => text.at,
        }
    }

    pub fn pattern_error(&mut self, text: &At<String>, error: PatternError) {
        let at = self.within(text, error.span);
        let message = format!("{} ({})", error.message, self.cite(at));
        self.refuse(Diag::at(at, message));
    }

    fn one_line(&mut self, text: &At<String>, ends: &[u8]) -> Option<()> {
        let bytes = text.value.as_bytes();
        if !bytes.windows(ends.len().max(1)).any(|w| w == ends) {
            return Some(());
        }
        let message = format!("{} holds the end of a line, expected one line without it", self.said(text.at));
        self.refuse(Diag::at(text.at, message).help("the link's `ends_with` is appended to what is sent"));
        None
    }
}

/// A length of time that has been checked to be usable.
pub(super) fn length<K>(q: &Q<K>) -> Duration {
    Duration::from_secs_f64(q.si)
}

/// The name with its article.
pub(super) fn a(name: &str) -> String {
    let article =
        if name.starts_with(['a', 'e', 'i', 'o', 'u']) && !name.starts_with("unit") { "an" } else { "a" };
    format!("{article} {name}")
}

/// The first byte of a table: a message about the whole of it points there.
pub(super) fn head(at: Place) -> Place {
    Place { end: at.end.min(at.start + 1), ..at }
}
