//! Messages that point into a file: what was found, what was expected, where, how to mend it.

use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet, renderer::DecorStyle};
use std::ops::Range;

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

    /// Line of a place, counted from 1.
    pub fn line(&self, place: Place) -> usize {
        let text = self.get(place.file).text.as_bytes();
        1 + text[..place.start.min(text.len())].iter().filter(|b| **b == b'\n').count()
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

    /// The message as a person reads it, with the lines of the files it speaks of.
    pub fn render(&self, sources: &Sources, colour: bool) -> String {
        let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
        let renderer = renderer.decor_style(DecorStyle::Ascii);
        let mut group = Group::with_title(Level::ERROR.primary_title(self.message.as_str()));
        let snippet = |place: &Place, label: &str, kind: AnnotationKind| {
            let source = sources.get(place.file);
            let end = place.end.min(source.text.len());
            let mut annotation = kind.span(place.start.min(end)..end);
            if !label.is_empty() {
                annotation = annotation.label(label.to_string());
            }
            (source, annotation)
        };
        match (&self.place, &self.other) {
            (Some((a, a_label)), Some((b, b_label))) if a.file == b.file => {
                let (source, first) = snippet(a, a_label, AnnotationKind::Primary);
                let (_, second) = snippet(b, b_label, AnnotationKind::Context);
                group = group.element(
                    Snippet::source(&source.text).path(&source.name).annotation(first).annotation(second),
                );
            }
            (place, other) => {
                for (place, kind) in [(place, AnnotationKind::Primary), (other, AnnotationKind::Context)] {
                    if let Some((p, label)) = place {
                        let (source, annotation) = snippet(p, label, kind);
                        group = group
                            .element(Snippet::source(&source.text).path(&source.name).annotation(annotation));
                    }
                }
            }
        }
        if let Some(help) = &self.help {
            group = group.element(Level::HELP.message(help.as_str()));
        }
        renderer.render(&[group])
    }
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
