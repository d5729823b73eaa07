//! Messages that point into a file: what was found, what was expected, where, how to mend it.

use annotate_snippets::{Annotation, AnnotationKind, Group, Level, Renderer, Snippet, renderer::DecorStyle};
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
}

impl Sources {
    /// Adds a file and returns its index.
    pub fn add(&mut self, name: impl Into<String>, text: impl Into<String>) -> FileId {
        self.files.push(Source { name: name.into(), text: text.into() });
        FileId(self.files.len() - 1)
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
        let mut group = Group::with_title(Level::ERROR.primary_title(self.message.as_str()));
        let places = [(&self.place, AnnotationKind::Primary), (&self.other, AnnotationKind::Context)];
        let mut marks: Vec<(FileId, Annotation<'_>)> = Vec::new();
        for (place, kind) in places {
            if let Some((place, label)) = place {
                let mut mark = kind.span(sources.visible(*place));
                if !label.is_empty() {
                    mark = mark.label(label.as_str());
                }
                marks.push((place.file, mark));
            }
        }
        while let Some((file, _)) = marks.first() {
            let file = *file;
            let of_file = marks.extract_if(.., |(f, _)| *f == file).map(|(_, mark)| mark);
            let source = sources.get(file);
            let snippet = Snippet::source(source.text.as_str()).path(source.name.as_str());
            group = group.element(snippet.fold(true).annotations(of_file));
        }
        if let Some(help) = &self.help {
            group = group.element(Level::HELP.message(help.as_str()));
        }
        renderer.render(&[group])
    }
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

/// The known word that `found` most likely was meant to be: a slip or two away, the more the longer it is.
pub fn near_miss<'a>(found: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let found = found.to_lowercase();
    known
        .into_iter()
        .map(|word| (strsim::damerau_levenshtein(&word.to_lowercase(), &found), word))
        .filter(|(distance, word)| *distance <= 1 + word.chars().count() / 4)
        .filter(|(distance, word)| *distance < word.chars().count())
        .min()
        .map(|(_, word)| word)
}
