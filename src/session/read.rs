//! Reading a session folder back, for report, list and comparison.
//!
//! [`SessionFolder`] the folder and its `session.json`; [`sheet`] tables cell by cell, [`pulses`]
//! `pulses.csv` a row at a time, [`spectra`] `spectra.npy` a pulse at a time. What can be large is
//! streamed; every fault names file, line, column and value. A session that was not ended in order has
//! no `session.json`, and the last line of each of its files may be cut off: such a line is left out.

pub mod pulses;
pub mod sheet;
pub mod spectra;

use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::tune::table::{Kind, Table};
pub use pulses::{PulseRow, Pulses};
pub use sheet::{ExposureRow, Sheet, exposures};
pub use spectra::SpectraFile;

/// Largest `session.json` that is read, bytes; it holds a configuration and a line an exposure.
const MOST_ABOUT_BYTES: u64 = 64 << 20;

/// Largest size of a detection level that is believed, dB.
const MOST_DB: f64 = 300.0;

/// Longest line of `events.ndjson` and longest record of a table, bytes.
pub(crate) const MOST_LINE_BYTES: u64 = 1 << 20;

/// Why a session folder cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// There is no such file or folder.
    #[error("{0}: not found")]
    NotFound(String),
    /// It cannot be read.
    #[error("{path}: cannot read: {source}")]
    Unreadable {
        /// The file.
        path: String,
        /// Why.
        source: std::io::Error,
    },
    /// It holds something else than a session has.
    #[error("{path}{place}: {why}")]
    Malformed {
        /// The file.
        path: String,
        /// Line, column or key, each after a comma; may be empty.
        place: String,
        /// What is wrong, with value and bound.
        why: String,
    },
}

impl ReadError {
    pub(crate) fn of_io(path: &str, source: std::io::Error) -> Self {
        match source.kind() {
            std::io::ErrorKind::NotFound => Self::NotFound(path.to_owned()),
            _ => Self::Unreadable { path: path.to_owned(), source },
        }
    }

    pub(crate) fn at(path: &str, place: impl Into<String>, why: impl Into<String>) -> Self {
        Self::Malformed { path: path.to_owned(), place: place.into(), why: why.into() }
    }

    pub(crate) fn at_line(path: &str, line: u64, why: impl Into<String>) -> Self {
        Self::at(path, format!(", line {line}"), why)
    }

    /// Whether the fault lies in what a file holds, not in finding or reading it.
    #[must_use]
    pub const fn is_malformed(&self) -> bool {
        matches!(self, Self::Malformed { .. })
    }
}

/// A session folder that is read.
#[derive(Debug, Clone)]
pub struct SessionFolder {
    path: PathBuf,
    about: Option<Value>,
}

impl SessionFolder {
    /// Whether a folder looks like a session's: it has a pulse table or a `session.json`.
    #[must_use]
    pub fn is_one(path: &Path) -> bool {
        ["pulses.csv", "session.json"].iter().any(|name| path.join(name).is_file())
    }

    /// Opens a folder and reads its `session.json`, if the session was ended in order.
    ///
    /// # Errors
    /// When there is no session, or `session.json` is not one.
    pub fn open(path: &Path) -> Result<Self, ReadError> {
        if !path.join("pulses.csv").is_file() {
            let table = path.join("pulses.csv").display().to_string();
            return Err(ReadError::NotFound(if path.is_dir() {
                table
            } else {
                path.display().to_string()
            }));
        }
        let file = path.join("session.json");
        let about = if file.exists() { Some(about(&file)?) } else { None };
        Ok(Self { path: path.to_owned(), about })
    }

    /// Where it is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// A file in it.
    #[must_use]
    pub fn file(&self, name: &str) -> PathBuf {
        self.path.join(name)
    }

    /// Whether there is a `session.json`.
    #[must_use]
    pub const fn is_told(&self) -> bool {
        self.about.is_some()
    }

    /// Whether the session was ended in order.
    #[must_use]
    pub fn is_finished(&self) -> bool {
        // Sessions of the first versions have no state, and this file only when they were finished.
        let state = self.about.as_ref().map(|about| about["state"].as_str().unwrap_or("finished"));
        state == Some("finished")
    }

    /// A value of `session.json` by its keys; null where there is none.
    #[must_use]
    pub fn about(&self, keys: &[&str]) -> &Value {
        let mut value = self.about.as_ref().unwrap_or(&Value::Null);
        for key in keys {
            value = &value[*key];
        }
        value
    }

    /// A text of `session.json` by its keys; empty where there is none.
    #[must_use]
    pub fn words(&self, keys: &[&str]) -> &str {
        self.about(keys).as_str().unwrap_or_default()
    }

    /// The configuration's text as it was read; empty when unknown.
    #[must_use]
    pub fn configuration(&self) -> &str {
        self.words(&["configuration", "text"])
    }

    /// The configuration as a table; nothing when it is unknown.
    ///
    /// # Errors
    /// When its text is no TOML.
    pub fn settings(&self) -> Result<Option<toml::Table>, ReadError> {
        if self.configuration().is_empty() {
            return Ok(None);
        }
        let file = self.file("session.json").display().to_string();
        self.configuration().parse().map(Some).map_err(|error: toml::de::Error| {
            ReadError::at(&file, ", key configuration.text", error.message())
        })
    }

    /// The pulse table from its first row.
    ///
    /// # Errors
    /// When it cannot be read or a column is missing.
    pub fn pulses(&self) -> Result<Pulses, ReadError> {
        Pulses::open(&self.file("pulses.csv"), self.is_finished())
    }

    /// Adds the pulses of these kinds to a table, their kind as their stage says.
    ///
    /// # Errors
    /// Names the line and column at fault.
    pub fn known_pulses(&self, kinds: &[Kind], table: &mut Table) -> Result<(), ReadError> {
        let mut pulses = self.pulses()?;
        pulses.need_levels()?;
        let mut rows = Vec::new();
        while let Some((row, is_last)) = pulses.next_row()? {
            if let Some(far) = row.contrast_db.0.iter().flatten().find(|db| db.abs() > MOST_DB) {
                let (file, line) = (self.file("pulses.csv"), row.line);
                let why = format!("a detection level is {far:e} dB, must be within ±{MOST_DB}");
                return Err(ReadError::at_line(&file.display().to_string(), line, why));
            }
            if row.pulse.is_some() {
                rows.push(row);
            }
            let kind = rows.last().and_then(|row: &PulseRow| Kind::of(row.stage));
            if is_last {
                if let Some(kind) = kind.filter(|kind| kinds.contains(kind)) {
                    table.take(kind, rows.iter().map(PulseRow::seen));
                }
                rows.clear();
            }
        }
        Ok(())
    }

    /// The exposure table; none when the file is not there.
    ///
    /// # Errors
    /// Names the line and column at fault.
    pub fn exposures(&self) -> Result<Vec<ExposureRow>, ReadError> {
        let file = self.file("exposures.csv");
        if !file.exists() && !self.is_finished() {
            return Ok(Vec::new());
        }
        exposures(&file, self.is_finished())
    }

    /// Hands each event to `take`, in order, with its line.
    ///
    /// # Errors
    /// Names the line that is no event.
    pub fn each_event(&self, mut take: impl FnMut(u64, &Value)) -> Result<(), ReadError> {
        let file = self.file("events.ndjson");
        let path = file.display().to_string();
        let opened = match File::open(&file) {
            Ok(opened) => opened,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound && !self.is_finished() => {
                return Ok(());
            }
            Err(error) => return Err(ReadError::of_io(&path, error)),
        };
        let (mut reader, mut text, mut line) = (BufReader::new(opened), Vec::new(), 0_u64);
        loop {
            text.clear();
            let read = reader.by_ref().take(MOST_LINE_BYTES + 1).read_until(b'\n', &mut text);
            if read.map_err(|error| ReadError::of_io(&path, error))? == 0 {
                return Ok(());
            }
            line += 1;
            let whole = text.last() == Some(&b'\n');
            if !whole && u64::try_from(text.len()).unwrap_or(u64::MAX) > MOST_LINE_BYTES {
                let why = format!("the line is longer than {MOST_LINE_BYTES} bytes");
                return Err(ReadError::at_line(&path, line, why));
            }
            if text.iter().all(u8::is_ascii_whitespace) {
                continue;
            }
            match serde_json::from_slice::<Value>(&text) {
                Ok(event) if event["event"].is_string() => take(line, &event),
                Ok(_) => {
                    return Err(ReadError::at_line(&path, line, "has no text under \"event\""));
                }
                Err(_) if !whole && !self.is_finished() => return Ok(()),
                Err(error) => return Err(ReadError::at_line(&path, line, error.to_string())),
            }
        }
    }

    /// The spectra, where they were written.
    ///
    /// # Errors
    /// When the file is no table of spectra.
    pub fn spectra(&self) -> Result<Option<SpectraFile>, ReadError> {
        let file = self.file("spectra.npy");
        if !file.exists() {
            return Ok(None);
        }
        SpectraFile::open(&file, self.is_finished()).map(Some)
    }
}

fn about(file: &Path) -> Result<Value, ReadError> {
    let path = file.display().to_string();
    let io = |error| ReadError::of_io(&path, error);
    let mut bytes = Vec::new();
    let opened = File::open(file).map_err(io)?;
    opened.take(MOST_ABOUT_BYTES + 1).read_to_end(&mut bytes).map_err(io)?;
    if u64::try_from(bytes.len()).unwrap_or(u64::MAX) > MOST_ABOUT_BYTES {
        let why = format!("the file is longer than {MOST_ABOUT_BYTES} bytes");
        return Err(ReadError::at(&path, "", why));
    }
    let value: Value = serde_json::from_slice(&bytes).map_err(|error| {
        let place = format!(", line {}, column {}", error.line(), error.column());
        ReadError::at(&path, place, error.to_string())
    })?;
    if value["simmer"].is_string() {
        Ok(value)
    } else {
        Err(ReadError::at(&path, ", key simmer", "must be the version as text"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder(events: &str, about: Option<&str>) -> (tempfile::TempDir, SessionFolder) {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("pulses.csv"), "pulse\n").unwrap();
        std::fs::write(dir.path().join("events.ndjson"), events).unwrap();
        if let Some(about) = about {
            std::fs::write(dir.path().join("session.json"), about).unwrap();
        }
        let folder = SessionFolder::open(dir.path()).unwrap();
        (dir, folder)
    }

    const CUT: &str = "{\"event\":\"stage\"}\n{\"event\":\"sta";

    #[test]
    fn a_cut_last_line_is_left_out_of_a_session_without_an_end() {
        let (_dir, folder) = folder(CUT, None);
        let mut lines = Vec::new();
        folder.each_event(|line, _| lines.push(line)).unwrap();
        assert_eq!(lines, [1]);
    }

    #[test]
    fn a_cut_last_line_is_a_fault_in_a_session_that_ended() {
        let (_dir, folder) = folder(CUT, Some("{\"simmer\":\"0.1.0\"}"));
        let error = folder.each_event(|_, _| {}).unwrap_err();
        assert!(error.is_malformed());
        assert!(error.to_string().contains("events.ndjson, line 2: "), "{error}");
    }

    #[test]
    fn a_line_without_end_is_not_read_for_ever() {
        let long = vec![b' '; usize::try_from(MOST_LINE_BYTES).unwrap() + 5];
        let (_dir, folder) = folder(std::str::from_utf8(&long).unwrap(), None);
        let error = folder.each_event(|_, _| {}).unwrap_err().to_string();
        assert!(error.ends_with("line 1: the line is longer than 1048576 bytes"), "{error}");
    }

    #[test]
    fn a_json_of_something_else_is_named() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("pulses.csv"), "pulse\n").unwrap();
        std::fs::write(dir.path().join("session.json"), "{}").unwrap();
        let error = SessionFolder::open(dir.path()).unwrap_err().to_string();
        assert!(
            error.ends_with("session.json, key simmer: must be the version as text"),
            "{error}"
        );
    }
}
