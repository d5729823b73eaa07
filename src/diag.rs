//! Messages that point into a file: what was found, what was expected, where, how to mend it.

use annotate_snippets::{Annotation, AnnotationKind, Group, Level, Renderer, Snippet, renderer::DecorStyle};
use std::borrow::Cow;
use std::collections::BTreeSet;
use std::ops::Range;

/// Columns that a rendered message may take; said here, so that it depends on no terminal.
const TERM_WIDTH: usize = 120;

/// Index of a file in [`Sources`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct FileId(pub usize);

/// A place in a file: byte range.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Place {
    /// Which file.
    pub file: FileId,
    /// First byte.
    pub start: usize,
    /// One past the last byte.
    pub end: usize,
}

impl Place {
    /// The bytes `span` of `file`.
    pub fn new(file: FileId, span: Range<usize>) -> Self {
        Place { file, start: span.start, end: span.end }
    }
}

/// A file as read: the name shown in messages, and the text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// Path as the person gave it.
    pub name: String,
    /// The whole text.
    pub text: String,
}

/// All files that messages may point into.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Sources {
    files: Vec<Source>,
    beside: Vec<Beside>,
}

/// A file that another refers to: by which text, and which file it is or why it cannot be read.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Beside {
    of: FileId,
    written: String,
    file: Result<FileId, String>,
}

impl Sources {
    /// Adds a file and returns its index.
    pub fn add(&mut self, name: impl Into<String>, text: impl Into<String>) -> FileId {
        self.files.push(Source { name: name.into(), text: text.into() });
        FileId(self.files.len() - 1)
    }

    /// Adds a file, as its name and text, that the file `of` refers to by the text `written`; or why it
    /// cannot be read, in words.
    pub fn add_beside(&mut self, of: FileId, written: &str, file: Result<(String, String), String>) {
        let file = file.map(|(name, text)| self.add(name, text));
        self.beside.push(Beside { of, written: written.into(), file });
    }

    /// The file that `of` refers to by the text `written`, or why it is not here.
    ///
    /// # Errors
    /// The reason in words, as [`Sources::add_beside`] got it.
    pub fn beside(&self, of: FileId, written: &str) -> Result<FileId, &str> {
        match self.beside.iter().find(|b| b.of == of && b.written == written) {
            Some(Beside { file, .. }) => file.as_ref().copied().map_err(String::as_str),
            None => Err("it was not given"),
        }
    }

    /// The file of that index.
    pub fn get(&self, file: FileId) -> &Source {
        &self.files[file.0]
    }

    /// Line of a place's first byte, counted from 1.
    pub fn line(&self, place: Place) -> usize {
        let text = self.get(place.file).text.as_bytes();
        1 + text[..place.start.min(text.len())].iter().filter(|b| **b == b'\n').count()
    }

    /// The place of the bytes `span` of the text that is written in quotes at `place`; the place itself if
    /// the text has escapes, so that its bytes are not those of the file.
    pub fn inside(&self, place: Place, text: &str, span: Range<usize>) -> Place {
        let written = self.text(place);
        let quote = if written.starts_with("\"\"\"") || written.starts_with("'''") { 3 } else { 1 };
        match written.get(quote..written.len().saturating_sub(quote)) {
            Some(content) if content == text && span.start <= span.end && span.end <= text.len() => {
                let start = place.start + quote;
                Place { start: start + span.start, end: start + span.end, ..place }
            }
            _ => place,
        }
    }

    /// The bytes of a place that can be drawn: inside the file, on the borders of characters.
    fn visible(&self, place: Place) -> Range<usize> {
        let text = self.get(place.file).text.as_str();
        let start = text.floor_char_boundary(place.start);
        let end = text.ceil_char_boundary(place.end.max(start));
        start..end
    }

    /// The text at a place.
    pub fn text(&self, place: Place) -> &str {
        self.get(place.file).text.get(place.start..place.end).unwrap_or("")
    }
}

/// One message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Diag {
    /// What was found and what was expected, in one lower-case phrase.
    pub message: String,
    /// Where, with a short label (may be empty).
    pub place: Option<(Place, String)>,
    /// The other place that it does not fit, with a label.
    pub other: Option<(Place, String)>,
    /// How to mend it.
    pub help: Option<String>,
}

impl Diag {
    /// A message at a place.
    pub fn at(place: Place, message: impl Into<String>) -> Self {
        Diag { message: message.into(), place: Some((place, String::new())), other: None, help: None }
    }

    /// A message about no place in particular.
    pub fn general(message: impl Into<String>) -> Self {
        Diag { message: message.into(), place: None, other: None, help: None }
    }

    /// Adds a label at the place itself.
    pub fn label(mut self, label: impl Into<String>) -> Self {
        if let Some((_, text)) = &mut self.place {
            *text = label.into();
        }
        self
    }

    /// Adds the other place.
    pub fn other(mut self, place: Place, label: impl Into<String>) -> Self {
        self.other = Some((place, label.into()));
        self
    }

    /// Adds how to mend it.
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    /// Adds how to mend it, if there is something to say.
    pub fn help_opt(mut self, help: Option<String>) -> Self {
        self.help = help;
        self
    }

    /// The message as a person reads it, with the lines of the files it speaks of and no others.
    ///
    /// Without `colour` it is plain text that depends on nothing but its arguments. Any place will
    /// do: one that reaches beyond its file or into a character is drawn as far as it is sensible.
    pub fn render(&self, sources: &Sources, colour: bool) -> String {
        let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
        let renderer = renderer.decor_style(DecorStyle::Ascii).term_width(TERM_WIDTH);
        let mut group = Group::with_title(Level::ERROR.primary_title(printable(&self.message)));
        let places = [(&self.place, AnnotationKind::Primary), (&self.other, AnnotationKind::Context)];
        let mut marks: Vec<(FileId, Annotation<'_>)> = Vec::new();
        for (place, kind) in places {
            if let Some((place, label)) = place {
                let mut mark = kind.span(sources.visible(*place));
                if !label.is_empty() {
                    mark = mark.label(printable(label));
                }
                marks.push((place.file, mark));
            }
        }
        while let Some((file, _)) = marks.first() {
            let file = *file;
            let of_file = marks.extract_if(.., |(f, _)| *f == file).map(|(_, mark)| mark);
            let source = sources.get(file);
            let snippet = Snippet::source(printable(&source.text)).path(printable(&source.name));
            group = group.element(snippet.fold(true).annotations(of_file));
        }
        if let Some(help) = &self.help {
            group = group.element(Level::HELP.message(printable(help)));
        }
        renderer.render(&[group])
    }
}

/// The text with each control character but tab and line ends as one that has no power over a terminal,
/// and as long, so that places stay what they are.
fn printable(text: &str) -> Cow<'_, str> {
    let harmful = |c: char| c.is_ascii_control() && !matches!(c, '\t' | '\n' | '\r');
    // The control characters of Latin 1, two bytes each, include another way to begin an escape sequence.
    let wide = |c: char| ('\u{80}'..='\u{9f}').contains(&c);
    if !text.contains(|c| harmful(c) || wide(c)) {
        return Cow::Borrowed(text);
    }
    text.chars()
        .map(|c| {
            if harmful(c) {
                '?'
            } else if wide(c) {
                '¿'
            } else {
                c
            }
        })
        .collect()
}

/// All messages as a person reads them, and a last line that counts them: `3 mistakes in 2 files`.
/// Empty if there are none.
pub fn render_all(diags: &[Diag], sources: &Sources, colour: bool) -> String {
    if diags.is_empty() {
        return String::new();
    }
    let mut text = String::new();
    for diag in diags {
        text.push_str(&diag.render(sources, colour));
        text.push_str("\n\n");
    }
    let files: BTreeSet<FileId> = diags.iter().filter_map(|d| Some(d.place.as_ref()?.0.file)).collect();
    let count = |n: usize, word: &str| format!("{n} {word}{}", if n == 1 { "" } else { "s" });
    text.push_str(&count(diags.len(), "mistake"));
    if !files.is_empty() {
        text.push_str(&format!(" in {}", count(files.len(), "file")));
    }
    text.push('\n');
    text
}

/// "did you mean ...?" for a near miss, the list of what is known otherwise.
pub fn suggestion<'a>(found: &str, known: impl IntoIterator<Item = &'a str>) -> String {
    let known: Vec<&str> = known.into_iter().collect();
    match near_miss(found, known.iter().copied()) {
        Some(near) => format!("did you mean `{near}`?"),
        None if known.is_empty() => "nothing is known here".into(),
        None => format!("known here: {}", known.join(", ")),
    }
}

/// The known word that `found` most likely was meant to be: a slip or two away, the more the longer it
/// is, or the same word with an end too many or too few.
pub fn near_miss<'a>(found: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let found = found.to_lowercase();
    let away = |word: &str| {
        let word = word.to_lowercase();
        let length = word.chars().count();
        let distance = strsim::damerau_levenshtein(&word, &found);
        if distance < length && distance <= 1 + length / 4 {
            return Some(distance);
        }
        let begins = word.starts_with(&found) || found.starts_with(&word);
        (begins && length.min(found.chars().count()) >= 3).then_some(distance)
    };
    known.into_iter().filter_map(|word| Some((away(word)?, word))).min().map(|(_, word)| word)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn place(sources: &Sources, file: FileId, text: &str) -> Place {
        let start = sources.get(file).text.find(text).expect("the text is in the file");
        Place::new(file, start..start + text.len())
    }

    #[test]
    fn two_places_in_two_files_are_both_shown() {
        let mut sources = Sources::default();
        let suite = sources.add("suite.toml", "schema = 1\nname = \"x\"\nramp = \"9000 rpm\"\n");
        let rig = sources.add("rig.toml", "schema = 1\n\n[limits]\nspeed = \"6000 rpm\"\n");
        let diag = Diag::at(place(&sources, suite, "\"9000 rpm\""), "`9000 rpm` is above the rig's limit")
            .label("asked for here")
            .other(place(&sources, rig, "\"6000 rpm\""), "the limit")
            .help("stay at or below 6000 rpm");
        insta::assert_snapshot!(diag.render(&sources, false), @r#"
        error: `9000 rpm` is above the rig's limit
         --> suite.toml:3:8
          |
        3 | ramp = "9000 rpm"
          |        ^^^^^^^^^^ asked for here
          |
         ::: rig.toml:4:9
          |
        4 | speed = "6000 rpm"
          |         ---------- the limit
          |
          = help: stay at or below 6000 rpm
        "#);
    }

    #[test]
    fn two_places_in_one_long_file_fold_what_lies_between() {
        let mut sources = Sources::default();
        let lines: String = (1..=5000).map(|n| format!("key{n} = {n}\n")).collect();
        let file = sources.add("long.toml", lines);
        let diag = Diag::at(place(&sources, file, "key4000"), "`key4000` does not go with `key7`")
            .other(place(&sources, file, "key7 "), "this one");
        let text = diag.render(&sources, false);
        assert!(text.lines().count() < 20, "{text}");
        insta::assert_snapshot!(text, @r"
        error: `key4000` does not go with `key7`
            --> long.toml:4000:1
             |
           7 | key7 = 7
             | ----- this one
        ...
        4000 | key4000 = 4000
             | ^^^^^^^
        ");
    }

    #[test]
    fn messages_are_counted_at_the_end() {
        let mut sources = Sources::default();
        let a = sources.add("a.toml", "x = 1\r\ny = 2\r\n");
        let b = sources.add("b.toml", "z = 3");
        let diags = [
            Diag::at(place(&sources, a, "y"), "first"),
            Diag::at(Place::new(b, 5..5), "second, at the end of the file"),
            Diag::general("third, about no place"),
        ];
        insta::assert_snapshot!(render_all(&diags, &sources, false), @r"
        error: first
         --> a.toml:2:1
          |
        2 | y = 2
          | ^

        error: second, at the end of the file
         --> b.toml:1:6
          |
        1 | z = 3
          |      ^

        error: third, about no place

        3 mistakes in 2 files
        ");
        assert_eq!(render_all(&[], &sources, false), "");
        assert!(render_all(&diags[..1], &sources, false).ends_with("1 mistake in 1 file\n"));
        assert!(render_all(&diags[2..], &sources, false).ends_with("1 mistake\n"));
        assert!(!render_all(&diags, &sources, false).contains('\u{1b}'));
        assert!(render_all(&diags, &sources, true).contains('\u{1b}'));
    }

    /// A file cannot reach the terminal with control sequences of its own.
    #[test]
    fn control_characters_of_a_file_are_not_passed_on() {
        let mut sources = Sources::default();
        let file = sources.add("a.toml\u{1b}[2J", "x = \"\u{1b}[31m\u{7}\u{9b}\"\n");
        let diag =
            Diag::at(Place::new(file, 4..9), "`\u{1b}[31m` is wrong").label("\u{1b}[1m").help("\u{1b}[0m");
        let text = diag.render(&sources, false);
        assert!(text.replace('\n', "").chars().all(|c| !c.is_control()));
        assert!(text.starts_with("error: `?[31m` is wrong\n"), "{text}");
    }

    #[test]
    fn a_place_inside_a_text_is_found_unless_it_has_escapes() {
        let mut sources = Sources::default();
        let file = sources.add("a.toml", "a = \"speed - x\"\nb = 'speed - x'\nc = \"sp\\u0065ed - x\"\n");
        for line in ["\"speed - x\"", "'speed - x'"] {
            let whole = place(&sources, file, line);
            assert_eq!(sources.text(sources.inside(whole, "speed - x", 8..9)), "x");
            let end = sources.inside(whole, "speed - x", 9..9);
            assert_eq!((end.start, end.end), (whole.end - 1, whole.end - 1));
        }
        let escaped = place(&sources, file, "\"sp\\u0065ed - x\"");
        assert_eq!(sources.inside(escaped, "speed - x", 8..9), escaped);
    }

    #[test]
    fn a_near_miss_is_a_slip_and_not_another_word() {
        let known = ["every", "send", "expect", "baud"];
        let rows = [
            ("evry", Some("every")),
            ("Every", Some("every")),
            ("epxect", Some("expect")),
            ("baudrate", Some("baud")),
            ("exp", Some("expect")),
            ("about", None),
            ("x", None),
            ("", None),
        ];
        for (found, near) in rows {
            assert_eq!(near_miss(found, known), near, "{found}");
        }
        assert_eq!(suggestion("x", known), "known here: every, send, expect, baud");
        assert_eq!(suggestion("x", []), "nothing is known here");
    }

    proptest! {
        #[test]
        fn any_place_in_any_text_is_drawn(
            text in "(\\PC|[\r\n\t\u{0}äß°€𝄞\u{feff}\u{200b}]){0,40}",
            a in 0usize..80, b in 0usize..80, c in 0usize..80, d in 0usize..80,
            label in "\\PC{0,8}",
        ) {
            let mut sources = Sources::default();
            let file = sources.add("x.toml", text.as_str());
            let other = sources.add("y.toml", text.as_str());
            for second in [file, other] {
                let diag = Diag::at(Place::new(file, a..b), "wrong")
                    .label(label.as_str())
                    .other(Place::new(second, c..d), label.as_str());
                let rendered = render_all(std::slice::from_ref(&diag), &sources, false);
                prop_assert_eq!(&rendered, &render_all(std::slice::from_ref(&diag), &sources, false));
                prop_assert!(rendered.starts_with("error: wrong\n"));
                prop_assert!(rendered.chars().all(|c| c == '\n' || !c.is_control()), "{:?}", rendered);
            }
        }
    }
}
