//! The file as written: TOML with the place of every key and value.
//!
//! [`Written`] holds the parsed text and collects what is found while it is read. A [`Section`] is
//! one table of it and remembers which keys were asked for, so that the keys the program knows are
//! listed in one place only, the code that reads them: whatever nobody asked for is unknown, and is
//! compared with what was asked for and is not there. A [`Field`] is one value; its readers name
//! the key, the value as written and the bound in every fault.
//!
//! All of it goes on after a fault: a reader returns `None` and the fault is on record.

use std::cell::RefCell;
use std::ops::Range;

use toml::Spanned;
use toml::de::DeTable;

use super::bounds::Bounds;
use super::diagnostic::{Diagnostic, Findings, Level, shortened};
use super::field::Field;
use super::spelling::nearest;

/// Syntax faults shown of one file; later ones are often only consequences of earlier ones.
const SYNTAX_FAULTS: usize = 20;

/// A parsed file.
#[derive(Debug)]
pub(super) struct Tree<'t>(Spanned<DeTable<'t>>);

impl<'t> Tree<'t> {
    /// Parses the text; `None` when it is no TOML, with the faults in `findings`.
    pub(super) fn parse(text: &'t str, findings: &mut Findings) -> Option<Self> {
        let (root, errors) = DeTable::parse_recoverable(text);
        let mut lines = Vec::new();
        for error in errors {
            let span = error.span().unwrap_or_default();
            let before = &text.as_bytes()[..span.start.min(text.len())];
            let line = before.iter().filter(|byte| **byte == b'\n').count();
            if lines.contains(&line) || lines.len() == SYNTAX_FAULTS {
                continue;
            }
            lines.push(line);
            let message = format!("no valid TOML: {}", error.message());
            findings.push(Diagnostic::new(findings.source(), Level::Fault, message).at(span, ""));
        }
        lines.is_empty().then_some(Self(root))
    }

    /// Puts key paths and their labels on a diagnostic, see [`Written::say`].
    pub(super) fn locate(
        &self,
        mut diagnostic: Diagnostic,
        places: &[(&str, &str)],
        help: Option<&str>,
    ) -> Diagnostic {
        let mut shown: Vec<Range<usize>> = Vec::new();
        for (path, label) in places {
            let span = find(self.0.get_ref(), path).filter(|span| !shown.contains(span));
            if let Some(span) = span {
                diagnostic = diagnostic.at(span.clone(), *label);
                shown.push(span);
            }
        }
        match help {
            Some(help) => diagnostic.help(help),
            None => diagnostic,
        }
    }
}

/// A parsed file and what was found in it.
#[derive(Debug)]
pub(super) struct Written<'t> {
    tree: Tree<'t>,
    findings: RefCell<Findings>,
    read: RefCell<Vec<Read>>,
    /// The file that explains every key.
    example: &'static str,
}

/// What a finished section leaves for [`Written::conclude`].
#[derive(Debug)]
struct Read {
    title: String,
    header: Option<Range<usize>>,
    asked: Vec<&'static str>,
    absent: Vec<&'static str>,
    missing: Vec<Vec<&'static str>>,
    unknown: Vec<(String, Range<usize>)>,
}

impl<'t> Written<'t> {
    /// Starts reading a parsed file.
    pub(super) fn new(tree: Tree<'t>, findings: Findings) -> Self {
        let (findings, read) = (RefCell::new(findings), RefCell::new(Vec::new()));
        Self { tree, findings, read, example: "config/bench-phantom.toml" }
    }

    /// Another file explains the keys of this one.
    pub(super) const fn explained_by(mut self, example: &'static str) -> Self {
        self.example = example;
        self
    }

    /// The file's top level.
    pub(super) fn top(&self) -> Section<'_, 't> {
        let title = "the file".to_owned();
        Section::new(self, String::new(), title, None, Some(self.tree.0.get_ref()))
    }

    /// A fault at the first path, with the others shown beside it, and their labels.
    pub(super) fn fault(&self, message: impl Into<String>, places: &[(&str, &str)]) {
        self.say(Level::Fault, message, places, None);
    }

    /// A warning at the first path, with the others shown beside it, and their labels.
    pub(super) fn warn(&self, message: impl Into<String>, places: &[(&str, &str)], help: &str) {
        self.say(Level::Warning, message, places, Some(help));
    }

    /// A diagnostic at key paths such as `bands.broadband_hz[1]`; a path that is not in the file is
    /// shown at its table, and at the file when that is not there either.
    pub(super) fn say(
        &self,
        level: Level,
        message: impl Into<String>,
        places: &[(&str, &str)],
        help: Option<&str>,
    ) {
        let mut findings = self.findings.borrow_mut();
        let diagnostic = Diagnostic::new(findings.source(), level, message);
        findings.push(self.tree.locate(diagnostic, places, help));
    }

    /// A stretch of the text.
    pub(super) fn excerpt(&self, span: Range<usize>) -> String {
        let findings = self.findings.borrow();
        findings.source().text.get(span).unwrap_or_default().to_owned()
    }

    /// Faults so far, those of [`Written::conclude`] not counted.
    pub(super) fn fault_count(&self) -> usize {
        self.findings.borrow().fault_count()
    }

    /// Judges the keys nobody asked for and those that are not there, and gives back all that was
    /// found. A key that is only misspelt is one fault, not two.
    pub(super) fn conclude(self) -> Findings {
        let (mut findings, example) = (self.findings.into_inner(), self.example);
        let sections = self.read.into_inner();
        for section in &sections {
            let mut missing = section.missing.clone();
            for (key, span) in &section.unknown {
                let help = advise(key, section, &sections, &mut missing);
                let message = format!("unknown key `{}` in {}", shortened(key), section.title);
                let diagnostic = Diagnostic::new(findings.source(), Level::Fault, message);
                findings.push(diagnostic.at(span.clone(), "unknown key").help(help));
            }
            // Keys that are missing for themselves are one fault, alternatives one each.
            let (alone, either): (Vec<_>, Vec<_>) =
                missing.into_iter().partition(|group| group.len() == 1);
            let alone = alone.concat();
            let lacks =
                (!alone.is_empty()).then(|| section.lacks((&alone, "and"), example, &findings));
            let either =
                either.iter().map(|group| section.lacks((group, "or"), example, &findings));
            let lacks: Vec<_> = lacks.into_iter().chain(either).collect();
            lacks.into_iter().for_each(|diagnostic| findings.push(diagnostic));
        }
        findings
    }
}

impl Read {
    /// The keys, all or one of them, should have been there.
    fn lacks(
        &self,
        (keys, conjunction): (&[&str], &str),
        example: &str,
        findings: &Findings,
    ) -> Diagnostic {
        let quoted = keys.iter().map(|key| match self.header {
            Some(_) => format!("`{key}`"),
            None => format!("`[{key}]`"),
        });
        let mut quoted: Vec<String> = quoted.collect();
        let last = quoted.pop().unwrap_or_default();
        let (listed, verb) = match quoted.is_empty() {
            true => (last, "is"),
            false => (format!("{} {conjunction} {last}", quoted.join(", ")), "are"),
        };
        let verb = if conjunction == "or" { "is" } else { verb };
        let message = format!("{listed} {verb} missing in {}", self.title);
        let diagnostic = Diagnostic::new(findings.source(), Level::Fault, message)
            .help(format!("there is no default; {example} explains every key"));
        match &self.header {
            Some(header) => diagnostic.at(header.clone(), "missing in this table"),
            None => diagnostic,
        }
    }
}

/// What to do about an unknown key: the missing key it probably is, which then is no longer
/// missing; another key that is not there; the table that does know it; or the list of known keys.
fn advise(
    key: &str,
    section: &Read,
    sections: &[Read],
    missing: &mut Vec<Vec<&'static str>>,
) -> String {
    let wanted = nearest(key, missing.iter().flatten().copied());
    if let Some(meant) = wanted.or_else(|| nearest(key, section.absent.iter().copied())) {
        missing.retain(|group| !group.contains(&meant));
        return format!("did you mean `{meant}`?");
    }
    match sections.iter().find(|other| other.asked.contains(&key)) {
        Some(other) => format!("`{key}` is a key of {}", other.title),
        None => format!("known in {}: {}", section.title, section.asked.join(", ")),
    }
}

/// The place of a path, or of the innermost part of it that is in the file.
fn find(root: &DeTable<'_>, path: &str) -> Option<Range<usize>> {
    let mut found = None;
    let mut table = Some(root);
    for part in path.split('.') {
        let (key, indices) = part.split_once('[').unwrap_or((part, ""));
        let Some(mut value) = table.and_then(|table| table.get(key)) else { break };
        found = Some(value.span());
        for index in indices.split(['[', ']']).filter(|index| !index.is_empty()) {
            let element = index.parse::<usize>().ok().and_then(|index| {
                value.get_ref().as_array().and_then(|elements| elements.get(index))
            });
            let Some(element) = element else { return found };
            value = element;
            found = Some(value.span());
        }
        table = value.get_ref().as_table();
    }
    found
}

/// One table of the file, or one that should have been there.
#[derive(Debug)]
pub(super) struct Section<'w, 't> {
    written: &'w Written<'t>,
    path: String,
    title: String,
    header: Option<Range<usize>>,
    table: Option<&'w DeTable<'t>>,
    asked: RefCell<Vec<&'static str>>,
    missing: RefCell<Vec<Vec<&'static str>>>,
}

impl<'w, 't> Section<'w, 't> {
    /// The table of that path.
    pub(super) fn of(
        written: &'w Written<'t>,
        path: &str,
        header: Range<usize>,
        table: &'w DeTable<'t>,
    ) -> Self {
        Self::new(written, path.to_owned(), title(path), Some(header), Some(table))
    }

    /// A table and the place it is shown at.
    fn new(
        written: &'w Written<'t>,
        path: String,
        title: String,
        header: Option<Range<usize>>,
        table: Option<&'w DeTable<'t>>,
    ) -> Self {
        let (asked, missing) = (RefCell::default(), RefCell::default());
        Self { written, path, title, header, table, asked, missing }
    }

    /// The file it is in.
    pub(super) fn written(&self) -> &'w Written<'t> {
        self.written
    }

    /// The path of one of its keys.
    pub(super) fn path_of(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }

    /// The value of a key that may be left out.
    pub(super) fn optional(&self, key: &'static str) -> Option<Field<'w, 't>> {
        self.asked.borrow_mut().push(key);
        let value = self.table?.get(key)?;
        Some(Field { written: self.written, path: self.path_of(key), value })
    }

    /// What a key that may be left out says: `Some(None)` without it, `None` after a fault in it.
    pub(super) fn maybe<T>(
        &self,
        key: &'static str,
        read: impl FnOnce(&Field<'w, 't>) -> Option<T>,
    ) -> Option<Option<T>> {
        match self.optional(key) {
            Some(field) => read(&field).map(Some),
            None => Some(None),
        }
    }

    /// The value of a key that must be there. In a table that is not there at all, which is a fault
    /// of its own, nothing is missing.
    pub(super) fn required(&self, key: &'static str) -> Option<Field<'w, 't>> {
        let field = self.optional(key);
        if field.is_none() {
            self.miss(vec![key]);
        }
        field
    }

    /// Whether the key is there.
    pub(super) fn has(&self, key: &str) -> bool {
        self.table.is_some_and(|table| table.contains_key(key))
    }

    /// A number that must be there, see [`Field::number`].
    pub(super) fn number(&self, key: &'static str, bounds: Bounds) -> Option<f64> {
        self.required(key)?.number(bounds)
    }

    /// Notes that one of these keys should have been there.
    pub(super) fn miss(&self, keys: Vec<&'static str>) {
        if self.table.is_some() {
            self.missing.borrow_mut().push(keys);
        }
    }

    /// A table that must be there; reads as if nothing were in it when it is not, or is no table.
    pub(super) fn table(&self, key: &'static str) -> Section<'w, 't> {
        match self.required(key) {
            Some(field) => field.section(),
            None => Section::nothing(self.written, &self.path_of(key)),
        }
    }

    /// A table of that path that is not there.
    pub(super) fn nothing(written: &'w Written<'t>, path: &str) -> Self {
        Self::new(written, path.to_owned(), title(path), None, None)
    }

    /// Hands over which keys nobody asked for.
    pub(super) fn finish(self) {
        let asked = self.asked.into_inner();
        let missing = self.missing.into_inner();
        let is_there = |key: &str| self.table.is_some_and(|table| table.contains_key(key));
        let absent = asked.iter().copied().filter(|key| !is_there(key)).collect();
        let unknown = self
            .table
            .into_iter()
            .flatten()
            .filter(|(key, _)| !asked.contains(&key.get_ref().as_ref()))
            .map(|(key, _)| (key.get_ref().to_string(), key.span()))
            .collect();
        let Self { title, header, .. } = self;
        let read = Read { title, header, asked, absent, missing, unknown };
        self.written.read.borrow_mut().push(read);
    }
}

/// How a table of that path is named in a message: as its header, or as a key when it is inline.
fn title(path: &str) -> String {
    match path.split_once('[') {
        Some((name, rest)) if rest.ends_with(']') => format!("[[{name}]]"),
        None if !path.contains('.') => format!("[{path}]"),
        _ => format!("`{path}`"),
    }
}
