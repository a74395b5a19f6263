//! Tables of a session, cell by cell: comma-separated, a head line, quoted as RFC 4180 has it.

use std::cell::Cell;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;
use std::rc::Rc;

use csv::{ErrorKind, StringRecord};

use super::{MOST_LINE_BYTES, ReadError};

/// Most columns a table may have.
const MOST_COLUMNS: usize = 1000;

/// Most exposures of one session.
pub const MOST_EXPOSURES: usize = 10_000;

/// What a reader buffers ahead, bytes; comes on top of the longest record.
const READ_AHEAD_BYTES: u64 = 1 << 16;

/// Ends with an error where a record goes on for ever, for example after a quote that never closes.
struct Bounded {
    file: File,
    left: Rc<Cell<u64>>,
}

impl Read for Bounded {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let read = self.file.read(into)?;
        let left = self.left.get().checked_sub(u64::try_from(read).unwrap_or(u64::MAX));
        self.left.set(left.ok_or_else(|| {
            std::io::Error::other(format!("a record is longer than {MOST_LINE_BYTES} bytes"))
        })?);
        Ok(read)
    }
}

/// A column of a table that is there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Column(usize);

/// A table while it is read.
pub struct Sheet {
    path: String,
    columns: Rc<[String]>,
    reader: csv::Reader<Bounded>,
    left: Rc<Cell<u64>>,
    record: StringRecord,
    bytes: u64,
    /// Whether the last line has no end, in a session without one.
    cut: bool,
}

impl Sheet {
    /// Opens a table and reads its head. Of a table that is not `finished`, a last line without an end
    /// is left out.
    ///
    /// # Errors
    /// When it cannot be read, has no columns, too many, or one twice.
    pub fn open(file: &Path, finished: bool) -> Result<Self, ReadError> {
        let path = file.display().to_string();
        let io = |error| ReadError::of_io(&path, error);
        let mut opened = File::open(file).map_err(io)?;
        let bytes = opened.metadata().map_err(io)?.len();
        let cut = !finished && !ends_a_line(&mut opened, bytes).map_err(io)?;
        let left = Rc::new(Cell::new(MOST_LINE_BYTES + READ_AHEAD_BYTES));
        let bounded = Bounded { file: opened, left: Rc::clone(&left) };
        let mut reader = csv::ReaderBuilder::new().from_reader(bounded);
        let head = reader.headers().map_err(|error| fault(&path, error))?;
        let columns: Rc<[String]> = head.iter().map(str::to_owned).collect();
        if columns.is_empty() || columns.len() > MOST_COLUMNS {
            let why = format!("has {} columns, must have 1 to {MOST_COLUMNS}", columns.len());
            return Err(ReadError::at_line(&path, 1, why));
        }
        for (i, column) in columns.iter().enumerate() {
            if columns[..i].contains(column) {
                let why = format!("the column \"{}\" is there twice", column.escape_debug());
                return Err(ReadError::at_line(&path, 1, why));
            }
        }
        let record = StringRecord::new();
        Ok(Self { path, columns, reader, left, record, bytes, cut })
    }

    /// The names of the columns, in order.
    #[must_use]
    pub fn columns(&self) -> &[String] {
        &self.columns
    }

    /// The column of that name.
    #[must_use]
    pub fn column(&self, name: &str) -> Option<Column> {
        self.columns.iter().position(|column| column == name).map(Column)
    }

    /// The column of that name, which must be there.
    ///
    /// # Errors
    /// When it is not.
    pub fn need(&self, name: &str) -> Result<Column, ReadError> {
        self.column(name).ok_or_else(|| {
            ReadError::at_line(&self.path, 1, format!("the column \"{name}\" is missing"))
        })
    }

    /// Goes to the next row; false after the last.
    ///
    /// # Errors
    /// Names the line that does not fit.
    pub fn next_row(&mut self) -> Result<bool, ReadError> {
        self.left.set(MOST_LINE_BYTES + READ_AHEAD_BYTES);
        let read = self.reader.read_record(&mut self.record);
        if self.cut && self.reader.position().byte() >= self.bytes {
            return Ok(false);
        }
        read.map_err(|error| fault(&self.path, error))
    }

    /// The line the row begins on, from 1.
    #[must_use]
    pub fn line(&self) -> u64 {
        self.record.position().map_or(0, csv::Position::line)
    }

    /// The text of a cell of the row.
    #[must_use]
    pub fn text(&self, column: Column) -> &str {
        self.record.get(column.0).unwrap_or_default()
    }

    /// A number of the row; nothing where the cell is empty.
    ///
    /// # Errors
    /// When it is no number, or not finite.
    pub fn number(&self, column: Column) -> Result<Option<f64>, ReadError> {
        number(self.text(column)).map_err(|why| self.fault(column, &why))
    }

    /// A whole number of the row; nothing where the cell is empty.
    ///
    /// # Errors
    /// When it is no whole number of 64 bits.
    pub fn whole(&self, column: Column) -> Result<Option<u64>, ReadError> {
        whole(self.text(column)).map_err(|why| self.fault(column, &why))
    }

    /// A fault of a cell of the row.
    #[must_use]
    pub fn fault(&self, column: Column, why: &str) -> ReadError {
        let name = self.columns.get(column.0).map_or("?", String::as_str);
        ReadError::at(&self.path, format!(", line {}, column {name}", self.line()), why)
    }
}

/// Whether a file is empty or its last byte ends a line; stands at its start again afterwards.
fn ends_a_line(file: &mut File, bytes: u64) -> std::io::Result<bool> {
    if bytes == 0 {
        return Ok(true);
    }
    let mut last = [0];
    file.seek(SeekFrom::Start(bytes - 1))?;
    file.read_exact(&mut last)?;
    file.seek(SeekFrom::Start(0))?;
    Ok(last == *b"\n")
}

fn number(text: &str) -> Result<Option<f64>, String> {
    if text.is_empty() {
        return Ok(None);
    }
    let value = text.parse().ok().filter(|value: &f64| value.is_finite());
    value.map(Some).ok_or_else(|| format!("\"{}\" must be a finite number", shown(text)))
}

fn whole(text: &str) -> Result<Option<u64>, String> {
    if text.is_empty() {
        return Ok(None);
    }
    let why = || format!("\"{}\" must be a whole number from 0 to {}", shown(text), u64::MAX);
    text.parse().map(Some).map_err(|_| why())
}

/// A value in a message: without control characters, not longer than a line.
pub(super) fn shown(text: &str) -> String {
    text.chars().take(60).flat_map(char::escape_debug).collect()
}

fn fault(path: &str, error: csv::Error) -> ReadError {
    let line = error.position().map_or(1, csv::Position::line);
    match error.into_kind() {
        ErrorKind::Io(source) => ReadError::of_io(path, source),
        ErrorKind::Utf8 { err, .. } => {
            ReadError::at_line(path, line, format!("cell {} is no UTF-8", err.field() + 1))
        }
        ErrorKind::UnequalLengths { expected_len, len, .. } => {
            let why = format!("has {len} cells under {expected_len} columns");
            ReadError::at_line(path, line, why)
        }
        other => ReadError::at_line(path, line, format!("is no row of a table: {other:?}")),
    }
}

/// A row of `exposures.csv`, every cell of it.
#[derive(Debug, Clone)]
pub struct ExposureRow {
    path: Rc<str>,
    line: u64,
    columns: Rc<[String]>,
    cells: Vec<String>,
}

impl ExposureRow {
    /// Column and cell, in order.
    pub fn cells(&self) -> impl Iterator<Item = (&str, &str)> {
        self.columns.iter().map(String::as_str).zip(self.cells.iter().map(String::as_str))
    }

    /// A cell; empty where there is no such column.
    #[must_use]
    pub fn text(&self, column: &str) -> &str {
        let at = self.columns.iter().position(|name| name == column);
        at.and_then(|at| self.cells.get(at)).map_or("", String::as_str)
    }

    /// A number; nothing where the cell is empty or there is no such column.
    ///
    /// # Errors
    /// When it is no finite number.
    pub fn number(&self, column: &str) -> Result<Option<f64>, ReadError> {
        number(self.text(column)).map_err(|why| self.fault(column, why))
    }

    /// A whole number; nothing where the cell is empty or there is no such column.
    ///
    /// # Errors
    /// When it is no whole number.
    pub fn whole(&self, column: &str) -> Result<Option<u64>, ReadError> {
        whole(self.text(column)).map_err(|why| self.fault(column, why))
    }

    /// A whole number that must be there.
    ///
    /// # Errors
    /// When it is not, or is no whole number.
    pub fn count(&self, column: &str) -> Result<u64, ReadError> {
        self.whole(column)?.ok_or_else(|| self.fault(column, "is missing"))
    }

    fn fault(&self, column: &str, why: impl Into<String>) -> ReadError {
        ReadError::at(&self.path, format!(", line {}, column {column}", self.line), why)
    }
}

/// All rows of an `exposures.csv`.
///
/// # Errors
/// Names the line and column at fault.
pub fn exposures(file: &Path, finished: bool) -> Result<Vec<ExposureRow>, ReadError> {
    let mut sheet = Sheet::open(file, finished)?;
    sheet.need("exposure")?;
    let path: Rc<str> = sheet.path.as_str().into();
    let mut rows = Vec::new();
    while sheet.next_row()? {
        if rows.len() == MOST_EXPOSURES {
            let why = format!("more than {MOST_EXPOSURES} exposures");
            return Err(ReadError::at_line(&path, sheet.line(), why));
        }
        rows.push(ExposureRow {
            path: Rc::clone(&path),
            line: sheet.line(),
            columns: Rc::clone(&sheet.columns),
            cells: sheet.record.iter().map(str::to_owned).collect(),
        });
    }
    Ok(rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str, finished: bool) -> Result<Vec<ExposureRow>, ReadError> {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("exposures.csv");
        std::fs::write(&file, text).unwrap();
        exposures(&file, finished)
    }

    #[track_caller]
    fn check_fault(text: &str, finished: bool, expected: &str) {
        let error = read(text, finished).unwrap_err().to_string();
        assert!(error.ends_with(expected), "{error}");
    }

    #[test]
    fn cells_are_found_by_name_and_unknown_columns_are_empty() {
        let rows = read("exposure,target,x\n1,\"a,\nb\",2.5e-1\n", true).unwrap();
        assert_eq!(rows[0].text("target"), "a,\nb");
        assert_eq!(rows[0].number("x").unwrap(), Some(0.25));
        assert_eq!(rows[0].number("later").unwrap(), None);
        assert_eq!(rows[0].count("exposure").unwrap(), 1);
    }

    #[test]
    fn a_row_of_other_length_is_named_and_a_cut_one_left_out() {
        check_fault("exposure,x\n1,2\n1\n", true, ", line 3: has 1 cells under 2 columns");
        assert_eq!(read("exposure,x\n1,2\n1", false).unwrap().len(), 1);
        assert_eq!(read("exposure,x\n1,2\n1,2.", false).unwrap().len(), 1);
        assert_eq!(read("exposure,x\n1,2\n1,2", true).unwrap().len(), 2);
        check_fault("exposure,x\n1\n1,2\n", false, ", line 2: has 1 cells under 2 columns");
    }

    #[test]
    fn heads_that_do_not_fit_are_named() {
        check_fault("a,a\n", true, ", line 1: the column \"a\" is there twice");
        check_fault("a,b\n", true, ", line 1: the column \"exposure\" is missing");
    }

    #[test]
    fn a_number_that_is_none_is_named_with_its_value() {
        let rows = read("exposure,x\n1,inf\n", true).unwrap();
        let error = rows[0].number("x").unwrap_err().to_string();
        assert!(error.ends_with(", line 2, column x: \"inf\" must be a finite number"), "{error}");
        let error = rows[0].whole("x").unwrap_err().to_string();
        assert!(error.contains("\"inf\" must be a whole number from 0 to "), "{error}");
    }

    #[test]
    fn a_quote_that_never_closes_ends_with_an_error() {
        let text = format!("exposure,x\n1,\"{}", "y\n".repeat(2_000_000));
        check_fault(&text, true, "a record is longer than 1048576 bytes");
    }
}
