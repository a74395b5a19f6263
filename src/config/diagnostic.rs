//! Faults and warnings of a configuration, shown as a compiler shows them: file, line, caret.
//!
//! A [`Diagnostic`] keeps byte ranges and shares the text they point into, so that it can be drawn
//! whenever somebody wants to see it, with or without colour. The picture itself is drawn by
//! `annotate-snippets`. What is wrong is decided elsewhere.

use std::fmt;
use std::ops::Range;
use std::sync::Arc;

use annotate_snippets::{
    AnnotationKind, Element, Group, Level as Drawn, Origin, Renderer, Snippet,
};

/// How many diagnostics of one file are drawn; the rest is counted.
const SHOWN: usize = 100;

/// A file's name and text, shared by all that point into it.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Source {
    /// The name as shown in front of the line number.
    pub(super) name: String,
    /// The text.
    pub(super) text: String,
}

/// What the file says, cut when it is long; the caret shows where it stands anyway.
pub(super) fn shortened(text: &str) -> String {
    const SHOWN_CHARS: usize = 40;
    match text.char_indices().nth(SHOWN_CHARS) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text.to_owned(),
    }
}

/// How bad a [`Diagnostic`] is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Level {
    /// The configuration can be used, and is probably not what was meant.
    Warning,
    /// The configuration cannot be used.
    Fault,
}

/// A stretch of the file and what is to be said about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Place {
    /// Bytes of the text.
    pub(super) span: Range<usize>,
    /// What is written beside the caret; may be empty.
    pub(super) label: String,
}

/// One fault or warning with the places it concerns.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Diagnostic {
    source: Arc<Source>,
    level: Level,
    message: String,
    places: Vec<Place>,
    help: Option<String>,
}

impl Diagnostic {
    /// A diagnostic without a place; [`Diagnostic::at`] adds them, the main one first.
    pub(super) fn new(source: &Arc<Source>, level: Level, message: impl Into<String>) -> Self {
        let message = message.into();
        Self { source: Arc::clone(source), level, message, places: Vec::new(), help: None }
    }

    /// Marks a stretch of the text; ranges are clamped to it, so that any range is fine.
    pub(super) fn at(mut self, span: Range<usize>, label: impl Into<String>) -> Self {
        let text = &self.source.text;
        let start = text.floor_char_boundary(span.start.min(text.len()));
        let end = text.ceil_char_boundary(span.end.clamp(start, text.len()));
        self.places.push(Place { span: start..end, label: label.into() });
        self
    }

    /// Says what to do about it.
    pub(super) fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    /// Whether it is a fault or a warning.
    #[must_use]
    pub const fn level(&self) -> Level {
        self.level
    }

    /// What is wrong, with key, value and bound; lower case, no full stop.
    #[must_use]
    pub fn message(&self) -> &str {
        &self.message
    }

    /// What to do about it, where one thing is likely.
    #[must_use]
    pub fn advice(&self) -> Option<&str> {
        self.help.as_deref()
    }

    /// The lines it marks, counted from 1, the main one first; none for the whole file.
    #[must_use]
    pub fn lines(&self) -> Vec<usize> {
        let before = |place: &Place| &self.source.text.as_bytes()[..place.span.start];
        let line = |place| 1 + before(place).iter().filter(|byte| **byte == b'\n').count();
        self.places.iter().map(line).collect()
    }

    /// The picture with ANSI colours, for a terminal.
    #[must_use]
    pub fn coloured(&self) -> String {
        self.draw(&Renderer::styled())
    }

    fn draw(&self, renderer: &Renderer) -> String {
        let level = match self.level {
            Level::Warning => Drawn::WARNING,
            Level::Fault => Drawn::ERROR,
        };
        let group = Group::with_title(level.primary_title(self.message.as_str()));
        let mut group = group.element(self.picture());
        if let Some(help) = &self.help {
            group = group.element(Drawn::HELP.message(help.as_str()));
        }
        renderer.render(&[group])
    }

    /// The marked lines, or the file's name alone. Only the lines from the first to the last place
    /// are handed on, so that drawing many faults of a long file stays cheap.
    fn picture(&self) -> Element<'_> {
        let Source { name, text } = self.source.as_ref();
        let spans = || self.places.iter().map(|place| &place.span);
        let Some((first, last)) =
            spans().map(|span| span.start).min().zip(spans().map(|span| span.end).max())
        else {
            return Origin::path(name.as_str()).into();
        };
        let start = text[..first].rfind('\n').map_or(0, |at| at + 1);
        let rest = text[last..].lines().next().unwrap_or_default();
        let end = last + rest.len();
        let line = 1 + text.as_bytes()[..start].iter().filter(|byte| **byte == b'\n').count();
        let mut kind = AnnotationKind::Primary;
        let mut snippet = Snippet::source(&text[start..end]).path(name.as_str()).line_start(line);
        for Place { span, label } in &self.places {
            let annotation = kind.span(span.start - start..span.end - start);
            let label = (!label.is_empty()).then_some(label.as_str());
            snippet = snippet.annotation(annotation.label(label));
            kind = AnnotationKind::Context;
        }
        snippet.into()
    }
}

impl fmt::Display for Diagnostic {
    /// The picture without colour.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.draw(&Renderer::plain()))
    }
}

/// Everything that was found in a file that cannot be used: at least one fault, then warnings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Diagnosis {
    name: String,
    diagnostics: Vec<Diagnostic>,
}

impl Diagnosis {
    /// All diagnostics: faults before warnings, each in the order of the file.
    #[must_use]
    pub fn diagnostics(&self) -> &[Diagnostic] {
        &self.diagnostics
    }

    /// The faults alone, in the order of the file.
    pub fn faults(&self) -> impl Iterator<Item = &Diagnostic> {
        self.diagnostics.iter().filter(|diagnostic| diagnostic.level == Level::Fault)
    }

    /// All pictures with ANSI colours, for a terminal.
    #[must_use]
    pub fn coloured(&self) -> String {
        self.join(Diagnostic::coloured)
    }

    fn join(&self, picture: impl Fn(&Diagnostic) -> String) -> String {
        let mut parts: Vec<String> = self.diagnostics.iter().take(SHOWN).map(picture).collect();
        let hidden = self.diagnostics.len().saturating_sub(SHOWN);
        if hidden > 0 {
            parts.push(format!("and {hidden} more"));
        }
        let faults = self.faults().count();
        let plural = if faults == 1 { "" } else { "s" };
        parts.push(format!("{}: {faults} fault{plural}", self.name));
        parts.join("\n\n")
    }
}

impl fmt::Display for Diagnosis {
    /// All pictures without colour, then the count of faults.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.join(Diagnostic::to_string))
    }
}

impl std::error::Error for Diagnosis {}

/// Collects what is found while a file is read.
#[derive(Debug)]
pub(super) struct Findings {
    source: Arc<Source>,
    diagnostics: Vec<Diagnostic>,
}

impl Findings {
    /// Nothing found yet in this text.
    pub(super) fn new(name: &str, text: &str) -> Self {
        let source = Arc::new(Source { name: name.to_owned(), text: text.to_owned() });
        Self { source, diagnostics: Vec::new() }
    }

    /// The text all of it points into.
    pub(super) fn source(&self) -> &Arc<Source> {
        &self.source
    }

    /// Adds one.
    pub(super) fn push(&mut self, diagnostic: Diagnostic) {
        self.diagnostics.push(diagnostic);
    }

    /// Faults so far.
    pub(super) fn fault_count(&self) -> usize {
        self.diagnostics.iter().filter(|diagnostic| diagnostic.level == Level::Fault).count()
    }

    /// What was made of the file, with the warnings, when there is no fault; else the diagnosis.
    pub(super) fn conclude<T>(self, made: Option<T>) -> Result<(T, Vec<Diagnostic>), Diagnosis> {
        match made {
            Some(made) if self.fault_count() == 0 => Ok((made, self.in_order().diagnostics)),
            _ => Err(self.give_up()),
        }
    }

    /// The diagnosis of a file that cannot be used.
    ///
    /// Whoever makes nothing of a file has said why; if that was ever forgotten, the diagnosis
    /// still holds a fault.
    pub(super) fn give_up(mut self) -> Diagnosis {
        if self.fault_count() == 0 {
            let message = "no settings can be made of the file";
            self.push(Diagnostic::new(&self.source, Level::Fault, message));
        }
        let Self { source, diagnostics } = self.in_order();
        Diagnosis { name: source.name.clone(), diagnostics }
    }

    fn in_order(mut self) -> Self {
        let start = |diagnostic: &Diagnostic| diagnostic.places.first().map(|at| at.span.start);
        self.diagnostics.sort_by_key(|one| (std::cmp::Reverse(one.level), start(one)));
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(span: Range<usize>, expected: &str) {
        let source =
            Arc::new(Source { name: "a.toml".to_owned(), text: "x = 1\nµ = 2\r\n".to_owned() });
        let diagnostic = Diagnostic::new(&source, Level::Fault, "wrong").at(span, "here");
        assert_eq!(diagnostic.to_string(), expected);
    }

    #[test]
    fn the_caret_stands_under_the_value_with_file_and_line() {
        let expected = "error: wrong\n --> a.toml:1:5\n  |\n1 | x = 1\n  |     ^ here";
        check(4..5, expected);
        let expected = "error: wrong\n --> a.toml:2:5\n  |\n2 | µ = 2\n  |     ^ here";
        check(11..12, expected);
    }

    #[test]
    fn a_range_inside_a_character_or_past_the_end_is_clamped() {
        let expected = "error: wrong\n --> a.toml:2:1\n  |\n2 | µ = 2\n  | ^ here";
        check(7..7, expected);
        let expected = "error: wrong\n --> a.toml:3:1\n  |\n3 |\n  | ^ here";
        check(usize::MAX - 1..usize::MAX, expected);
    }

    #[test]
    fn colours_are_escape_sequences_and_the_plain_picture_has_none() {
        let source = Arc::new(Source { name: "a.toml".to_owned(), text: "x = 1".to_owned() });
        let diagnostic = Diagnostic::new(&source, Level::Warning, "odd").at(4..5, "");
        assert!(diagnostic.coloured().contains("\u{1b}["));
        assert!(!diagnostic.to_string().contains('\u{1b}'));
    }

    #[test]
    fn what_concerns_the_whole_file_names_the_file() {
        let source = Arc::new(Source { name: "a.toml".to_owned(), text: String::new() });
        let diagnostic = Diagnostic::new(&source, Level::Warning, "empty");
        assert_eq!(diagnostic.to_string(), "warning: empty\n--> a.toml");
    }

    #[test]
    fn past_a_hundred_diagnostics_the_rest_is_counted() {
        let mut findings = Findings::new("a.toml", "x = 1");
        for _ in 0..103 {
            let source = Arc::clone(findings.source());
            findings.push(Diagnostic::new(&source, Level::Fault, "wrong").at(0..1, ""));
        }
        let diagnosis = findings.conclude(Some(())).unwrap_err();
        let text = diagnosis.to_string();
        assert!(text.ends_with("and 3 more\n\na.toml: 103 faults"), "{text}");
        assert_eq!(diagnosis.faults().count(), 103);
    }
}
