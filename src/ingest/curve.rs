//! A curve over frequency from a CSV file: a heading with units, then a line a point.
//!
//! The frequency stands in `frequency_hz`, `frequency_khz` or `frequency_mhz`; the value of an
//! insertion loss in `loss_db`, of a sensitivity in one of [`SENSITIVITIES`]. Lines that begin with
//! `#` are remarks, other columns are passed over.

use std::io::Read as _;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use super::bytes::{hex, open_file};
use super::error::RecordingError;
use super::sigmf_json::quoted;
use crate::signal::{Curve, CurveFault, DriveTable};

/// Largest file that is read, bytes.
const MOST_BYTES: u64 = 16 << 20;

/// Frequencies a heading may name, and their unit in Hz.
const FREQUENCIES: [(&str, f64); 3] =
    [("frequency_hz", 1.0), ("frequency_khz", 1e3), ("frequency_mhz", 1e6)];

/// What a column's numbers are.
#[derive(Debug, Clone, Copy)]
enum Unit {
    /// dB that must not be negative.
    Loss,
    /// V/Pa in this unit.
    Linear(f64),
    /// dB, with what leads to dB re 1 V/Pa.
    Decibel(f64),
}

/// The column of an insertion loss.
const LOSSES: [(&str, Unit); 1] = [("loss_db", Unit::Loss)];

/// Columns of a sensitivity. 1 mV/MPa is 1 nV/Pa; 1 V/µPa is 120 dB over 1 V/Pa.
const SENSITIVITIES: [(&str, Unit); 6] = [
    ("sensitivity_v_per_pa", Unit::Linear(1.0)),
    ("sensitivity_uv_per_pa", Unit::Linear(1e-6)),
    ("sensitivity_nv_per_pa", Unit::Linear(1e-9)),
    ("sensitivity_v_per_mpa", Unit::Linear(1e-6)),
    ("sensitivity_mv_per_mpa", Unit::Linear(1e-9)),
    ("sensitivity_db_re_1v_per_upa", Unit::Decibel(120.0)),
];

/// A small table as read: its file, its text, and the hash of that.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Table {
    /// The file, as it is named in messages.
    pub path: PathBuf,
    /// The text, verbatim.
    pub text: String,
}

impl Table {
    /// Reads a file of at most 16 MiB of UTF-8.
    ///
    /// # Errors
    /// Names the file and what is wrong.
    pub fn read(path: &Path) -> Result<Self, RecordingError> {
        let (file, _) = open_file(path)?;
        let mut bytes = Vec::new();
        file.take(MOST_BYTES + 1)
            .read_to_end(&mut bytes)
            .map_err(|error| RecordingError::reading(path, error))?;
        if u64::try_from(bytes.len()).unwrap_or(u64::MAX) > MOST_BYTES {
            return Err(RecordingError::bad(path, format!("has more than {MOST_BYTES} bytes")));
        }
        let text = String::from_utf8(bytes).map_err(|error| {
            let at = error.utf8_error().valid_up_to();
            RecordingError::bad(path, format!("is not UTF-8 at byte {at}"))
        })?;
        Ok(Self { path: path.to_owned(), text })
    }

    /// An insertion loss, dB over frequency.
    ///
    /// # Errors
    /// Names file, line, value and bound.
    pub fn loss(&self) -> Result<Curve, RecordingError> {
        self.named(parse(&self.text, &LOSSES))
    }

    /// A sensitivity; the curve is in dB re 1 V/Pa, so that it is interpolated log-log.
    ///
    /// # Errors
    /// Names file, line, value and bound.
    pub fn sensitivity(&self) -> Result<Curve, RecordingError> {
        self.named(parse(&self.text, &SENSITIVITIES))
    }

    /// A drive's calibration: columns `setting` and `mpa`.
    ///
    /// # Errors
    /// Names file, line, value and bound.
    pub fn drive(&self) -> Result<DriveTable, RecordingError> {
        self.named(drive_table(&self.text))
    }

    /// SHA-256 of the text, 64 lower-case hexadecimal digits.
    #[must_use]
    pub fn sha256(&self) -> String {
        hex(&Sha256::digest(self.text.as_bytes()))
    }

    fn named<T>(&self, read: Result<T, String>) -> Result<T, RecordingError> {
        read.map_err(|fault| RecordingError::bad(&self.path, fault))
    }
}

/// Reads an insertion-loss table, dB over frequency.
///
/// # Errors
/// Names file, line, value and bound.
pub fn read_loss(path: &Path) -> Result<Curve, RecordingError> {
    Table::read(path)?.loss()
}

fn drive_table(text: &str) -> Result<DriveTable, String> {
    let sheet = Sheet::new(text)?;
    let setting = sheet.one(&[("setting", ())], "setting")?;
    let mpa = sheet.one(&[("mpa", ())], "mpa")?;
    let (mut points, mut places) = (Vec::new(), Vec::new());
    for row in sheet.rows() {
        let row = row?;
        points.push([row.number(&setting)?, row.number(&mpa)?]);
        places.push(row.line);
    }
    DriveTable::new(points).map_err(|fault| placed(&fault, &places))
}

fn parse(text: &str, columns: &[(&'static str, Unit)]) -> Result<Curve, String> {
    let sheet = Sheet::new(text)?;
    let frequency = sheet.one(&FREQUENCIES, "frequency_hz, frequency_khz or frequency_mhz")?;
    let wanted: Vec<&str> = columns.iter().map(|(name, _)| *name).collect();
    let value = sheet.one(columns, &wanted.join(" or "))?;
    let (mut points, mut places) = (Vec::new(), Vec::new());
    for row in sheet.rows() {
        let row = row?;
        let found = row.number(&value)?;
        let db = value
            .what
            .decibels(found)
            .map_err(|why| format!("line {}, column {}: {found} {why}", row.line, value.name))?;
        points.push([frequency.what * row.number(&frequency)?, db]);
        places.push(row.line);
    }
    Curve::new(points).map_err(|fault| placed(&fault, &places))
}

/// A fault with the line of its point.
fn placed(fault: &CurveFault, places: &[usize]) -> String {
    match places.get(fault.point) {
        Some(line) => format!("line {line}: {}", fault.why),
        None => fault.why.clone(),
    }
}

/// A column that was asked for.
struct Column<T> {
    place: usize,
    name: &'static str,
    /// What was asked for with it.
    what: T,
}

/// A small table: a heading, then rows; without remarks and empty lines.
struct Sheet<'a> {
    heading: Vec<&'a str>,
    heading_line: usize,
    rows: Vec<Row<'a>>,
}

/// A line of a table.
struct Row<'a> {
    line: usize,
    cells: Vec<&'a str>,
}

impl<'a> Sheet<'a> {
    fn new(text: &'a str) -> Result<Self, String> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let mut rows = text
            .lines()
            .enumerate()
            .map(|(place, line)| (place + 1, line.trim()))
            .filter(|(_, line)| !line.is_empty() && !line.starts_with('#'))
            .map(|(line, text)| Row { line, cells: text.split(',').map(str::trim).collect() });
        let Row { line, cells } = rows.next().ok_or("holds no heading")?;
        Ok(Self { heading: cells, heading_line: line, rows: rows.collect() })
    }

    /// The one column among those wanted.
    fn one<T: Copy>(
        &self,
        wanted: &[(&'static str, T)],
        in_words: &str,
    ) -> Result<Column<T>, String> {
        let at = self.heading_line;
        let mut found = self.heading.iter().enumerate().filter_map(|(place, cell)| {
            let (name, what) = wanted.iter().find(|(name, _)| name == cell)?;
            Some(Column { place, name, what: *what })
        });
        let column = found.next().ok_or_else(|| {
            let heading = quoted(&self.heading.join(","));
            format!("line {at}: the heading is {heading}, must name {in_words}")
        })?;
        match found.next() {
            None => Ok(column),
            Some(other) if other.name == column.name => {
                Err(format!("line {at}: the heading names {} twice", other.name))
            }
            Some(other) => Err(format!(
                "line {at}: the heading names both {} and {}, must name one",
                column.name, other.name
            )),
        }
    }

    /// The rows; each has a cell a column, or a decimal comma would be read as two.
    fn rows(&self) -> impl Iterator<Item = Result<&Row<'a>, String>> {
        let columns = self.heading.len();
        self.rows.iter().map(move |row| {
            let (line, cells) = (row.line, row.cells.len());
            let fits = || Some(row).filter(|_| cells == columns);
            fits().ok_or_else(|| {
                format!("line {line}: {cells} cells under {columns} columns; decimals have a point")
            })
        })
    }
}

impl Row<'_> {
    fn number<T>(&self, column: &Column<T>) -> Result<f64, String> {
        let cell = self.cells.get(column.place).copied().unwrap_or_default();
        cell.parse().map_err(|_| {
            let (line, cell) = (self.line, quoted(cell));
            format!("line {line}, column {}: {cell} must be a number", column.name)
        })
    }
}

impl Unit {
    /// The curve's dB, or what a number must be.
    fn decibels(self, value: f64) -> Result<f64, &'static str> {
        match self {
            Self::Loss if value < 0.0 => Err("must be 0 or above; a loss is positive"),
            Self::Loss => Ok(value),
            Self::Linear(_) if !(value.is_finite() && value > 0.0) => {
                Err("must be finite and above 0")
            }
            Self::Linear(unit) => Ok(20.0 * libm::log10(value * unit)),
            Self::Decibel(offset) => Ok(value + offset),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check_fault(text: &str, expected: &str) {
        assert_eq!(parse(text, &LOSSES).unwrap_err(), expected);
    }

    #[test]
    fn a_table_in_megahertz_is_read_with_remarks() {
        let curve =
            parse("# 4 mm\nfrequency_mhz, loss_db\n0.35, 3.5\n\n3.0,30\n", &LOSSES).unwrap();
        assert_eq!(curve.range_hz().map(|hz| hz.to_string()), ["350000", "3000000"]);
        assert_eq!(curve.at(3e6), Some(30.0));
    }

    #[test]
    fn faults_name_line_column_and_value() {
        check_fault(
            "f,loss_db\n1,2\n",
            "line 1: the heading is \"f,loss_db\", must name frequency_hz, frequency_khz or frequency_mhz",
        );
        check_fault(
            "frequency_hz,loss_db\n1e6,x\n",
            "line 2, column loss_db: \"x\" must be a number",
        );
        check_fault(
            "frequency_hz,loss_db\n1e6,1\n# remark\n1e6,2\n",
            "line 4: frequency is 1000000 Hz after 1000000, must rise",
        );
        check_fault(
            "\u{feff}frequency_hz,loss_db\r\n1e6,-3\r\n",
            "line 2, column loss_db: -3 must be 0 or above; a loss is positive",
        );
        check_fault("frequency_hz,loss_db\n1e6,1\n", "1 points, must be 2 to 1048576");
    }

    #[test]
    fn sensitivities_come_to_decibels_re_one_volt_per_pascal() {
        // Closed form of the definition, −180 dB re 1 V/µPa = 1e-9 V per µPa (READ,
        // boat-fundamentals.readthedocs.io): −260 dB = 100 nV/Pa = 100 mV/MPa; −229 dB = 3.548 µV/Pa.
        for (column, value, v_per_pa) in [
            ("sensitivity_db_re_1v_per_upa", "-260", 1e-7),
            ("sensitivity_nv_per_pa", "100", 1e-7),
            ("sensitivity_mv_per_mpa", "100", 1e-7),
            ("sensitivity_v_per_mpa", "0.1", 1e-7),
            ("sensitivity_v_per_pa", "1e-7", 1e-7),
            ("sensitivity_db_re_1v_per_upa", "-229", 3.548_133_892e-6),
            ("sensitivity_uv_per_pa", "10", 1e-5),
            // COMPUTED with NumPy: 20*log10(0.05e-6) = -146.0206 dB re 1 V/Pa.
            ("sensitivity_mv_per_mpa", "50", 5e-8),
        ] {
            let text = format!("frequency_mhz,{column}\n0.1,{value}\n10,{value}\n");
            let db = parse(&text, &SENSITIVITIES).unwrap().at(1e6).unwrap();
            let found = libm::pow(10.0, db / 20.0);
            assert!((found / v_per_pa - 1.0).abs() < 1e-9, "{column} {value}: {found} V/Pa");
        }
    }

    #[test]
    fn faults_of_a_sensitivity_name_the_unit() {
        let fault = |text: &str| parse(text, &SENSITIVITIES).unwrap_err();
        assert_eq!(
            fault("frequency_hz,sensitivity_nv_per_pa\n1e6,0\n"),
            "line 2, column sensitivity_nv_per_pa: 0 must be finite and above 0"
        );
        assert!(fault("frequency_hz,sensitivity\n1e6,1\n").contains("sensitivity_v_per_pa or"));
        assert_eq!(
            fault("frequency_hz,sensitivity_nv_per_pa,sensitivity_v_per_pa\n1e6,1,1\n"),
            "line 1: the heading names both sensitivity_nv_per_pa and sensitivity_v_per_pa, must name one"
        );
    }

    #[test]
    fn a_drive_table_is_read_and_its_faults_are_named() {
        let table = drive_table("# amplifier 1\nsetting,mpa\n50,0.05\n200,0.30\n").unwrap();
        assert!((table.mpa(125.0).unwrap() - 0.175).abs() < 1e-15);
        let fault = |text: &str| drive_table(text).unwrap_err();
        assert_eq!(fault("mv,mpa\n"), "line 1: the heading is \"mv,mpa\", must name setting");
        assert_eq!(
            fault("setting,mpa\n1,0.1\n# x\n1,0.2\n"),
            "line 4: setting is 1 after 1, must rise"
        );
        assert_eq!(fault("setting,mpa\n1,x\n"), "line 2, column mpa: \"x\" must be a number");
        assert_eq!(fault("setting,mpa\n1,0.1\n"), "1 points, must be 2 to 65536");
    }

    #[test]
    fn rows_and_columns_that_can_be_read_in_two_ways_are_refused() {
        check_fault(
            "frequency_mhz,loss_db\n1,0,3,5\n",
            "line 2: 4 cells under 2 columns; decimals have a point",
        );
        check_fault("frequency_hz,loss_db,loss_db\n", "line 1: the heading names loss_db twice");
        check_fault(
            "frequency_hz,frequency_mhz,loss_db\n",
            "line 1: the heading names both frequency_hz and frequency_mhz, must name one",
        );
        let long = format!("frequency_hz,loss_db\n1e6,{}\n", "x".repeat(1 << 20));
        assert!(parse(&long, &LOSSES).unwrap_err().len() < 200);
    }
}
