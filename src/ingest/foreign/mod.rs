//! Files of other programs, for the conversion step alone: MATLAB's files and plain HDF5.
//!
//! MATLAB's level 5 (versions 5, 6 and 7) is read by [`level5`]. Its version 7.3 and plain HDF5 are
//! read by a crate in a process of its own ([`apart`]), whose memory is bounded where the system has
//! such a bound: HDF5 is a format of many nested structures, and what a reader does with a damaged
//! one must not be able to harm anything but that process.
//!
//! A variable is shown before anything is converted; only real numbers are, everything else is
//! refused by its name.

mod apart;
mod axes;
mod convert;
mod hdf5;
mod level5;
mod steps;

use std::fs::File;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::bytes::open_file;
use super::error::RecordingError;
use super::sigmf_json::quoted;
use super::stored::{Number, Stored};

pub use apart::serve;
pub use axes::{Laid, Rows, lay};
pub use convert::{Conversion, Converted, convert};
pub use steps::{Steps, Unit};

/// Most variables shown of one file.
const MAX_VARIABLES: usize = 10_000;
/// Longest vector that is read into memory (drives of pulses), numbers.
const MAX_VECTOR: u64 = 1 << 20;
/// Largest variable converted, bytes: a day of one channel at 16 bits and 0.4 MS/s.
const MAX_VARIABLE_BYTES: u64 = 64 << 30;

/// A variable as a file describes it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Variable {
    /// Its name; in HDF5 with the groups it lies in, parted by slashes.
    pub name: String,
    /// Length of each axis, in the order its own program shows them.
    pub shape: Vec<u64>,
    /// What its own program calls its type.
    pub class: String,
    /// What can be done with it.
    pub content: Content,
    /// Bytes of its numbers as kept, inflated.
    pub bytes: u64,
    /// The value, where it is one number.
    pub value: Option<f64>,
    /// The constant step, where it is a vector that has one.
    pub steps: Option<Steps>,
}

/// What can be done with a variable.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Content {
    /// Real numbers.
    Numbers(Numbers),
    /// Something that is no array of real numbers; why it is not read.
    Refused(String),
    /// The file is damaged there; how.
    Damaged(String),
}

/// Where real numbers are and how they are kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Numbers {
    stored: Stored,
    /// Whether the first axis runs fastest instead of the last.
    fortran: bool,
    place: Place,
}

/// Where numbers are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
enum Place {
    /// In the file from a byte on.
    File { byte: u64 },
    /// In an element of `bytes` bytes from `byte` on, inflated, from `at` on.
    Inflated { byte: u64, bytes: u64, at: u64 },
    /// Where only the other process can read them.
    Apart,
}

impl Variable {
    /// The shape as the list shows it.
    #[must_use]
    pub fn shape_text(&self) -> String {
        let axes: Vec<String> = self.shape.iter().map(u64::to_string).collect();
        if axes.is_empty() { "one number".to_owned() } else { axes.join(" × ") }
    }

    /// Its numbers.
    ///
    /// # Errors
    /// Why there are none.
    pub fn numbers(&self) -> Result<Numbers, String> {
        let name = quoted(&self.name);
        match &self.content {
            Content::Numbers(numbers) => Ok(*numbers),
            Content::Refused(why) => Err(format!("variable {name}: {why}")),
            Content::Damaged(why) => Err(format!("variable {name}: damaged: {why}")),
        }
    }

    /// How many numbers it has.
    fn count(&self) -> u64 {
        self.shape.iter().fold(1, |count, axis| count.saturating_mul(*axis))
    }

    /// Whether at most one axis is longer than one.
    fn is_vector(&self) -> bool {
        self.shape.iter().filter(|axis| **axis != 1).count() <= 1
    }

    /// Looks at the numbers of a vector: the value of one, the constant step of many.
    fn look(&mut self, numbers: Numbers, mut run: impl Read) -> io::Result<()> {
        let count = self.count();
        if !self.is_vector() || count == 0 {
            return Ok(());
        }
        let mut steps = steps::Finder::new(numbers.stored, &self.name);
        let mut value = None;
        each_value(numbers.stored, &mut run, count, |number| {
            value = value.or(Some(number));
            steps.push(number) || count == 1
        })?;
        self.value = value.filter(|_| count == 1);
        self.steps = steps.finish(count);
        Ok(())
    }
}

/// A file of another program with its variables.
#[derive(Debug)]
pub struct Foreign {
    path: PathBuf,
    /// What kind of file it is, in words.
    pub kind: &'static str,
    /// Its variables in the file's order.
    pub variables: Vec<Variable>,
}

impl Foreign {
    /// Looks at a file and lists its variables; one that is damaged says so and hides no other.
    ///
    /// # Errors
    /// [`RecordingError::NotFound`], [`RecordingError::Io`], and [`RecordingError::Bad`] when it is
    /// no file that is read here, or cannot be walked through.
    pub fn open(path: &Path) -> Result<Self, RecordingError> {
        let (mut file, length) = open_file(path)?;
        let mut begin = Vec::new();
        let reading = |error| RecordingError::reading(path, error);
        Read::by_ref(&mut file).take(1024).read_to_end(&mut begin).map_err(reading)?;
        let bad = |fault: &str| RecordingError::bad(path, fault);
        let (kind, variables) = match kind(&begin).map_err(bad)? {
            kind @ Kind::Level5 => (kind.name(), level5::list(path, &mut file, length)?),
            kind => (kind.name(), apart::list(path)?),
        };
        Ok(Self { path: path.to_owned(), kind, variables })
    }

    /// The variable of a name.
    ///
    /// # Errors
    /// [`RecordingError::Bad`] when there is none, or more than one.
    pub fn variable(&self, name: &str) -> Result<&Variable, RecordingError> {
        let bad = |fault| Err(RecordingError::bad(&self.path, fault));
        let plain = name.trim_start_matches('/');
        let mut found = self.variables.iter().filter(|variable| variable.name == plain);
        match (found.next(), found.next()) {
            (Some(variable), None) => Ok(variable),
            (Some(_), Some(_)) => bad(format!("variable {} stands there twice", quoted(name))),
            (None, _) => {
                let known: Vec<&str> =
                    self.variables.iter().map(|variable| variable.name.as_str()).take(20).collect();
                let there = if known.is_empty() { "no".to_owned() } else { known.join(", ") };
                bad(format!("no variable {}; there are {there}", quoted(name)))
            }
        }
    }

    /// Gives the numbers of a variable as they are kept.
    fn pour(&self, variable: &Variable, out: &mut impl Write) -> Result<(), RecordingError> {
        let bad = |fault: String| RecordingError::bad(&self.path, fault);
        let numbers = variable.numbers().map_err(bad)?;
        if let Place::Apart = numbers.place {
            return apart::pour(&self.path, variable, out);
        }
        let file = File::open(&self.path);
        let file = file.map_err(|error| RecordingError::reading(&self.path, error))?;
        let poured = level5::run(file, numbers.place, variable.bytes).and_then(|mut run| {
            let poured = io::copy(&mut run, out)?;
            if poured < variable.bytes { Err(io::ErrorKind::UnexpectedEof.into()) } else { Ok(run) }
        });
        let ended = poured.and_then(|run| level5::check_end(run, numbers.place));
        ended.map_err(|error| match error.kind() {
            io::ErrorKind::InvalidInput | io::ErrorKind::InvalidData => bad(format!(
                "variable {}: damaged: its compressed numbers cannot be inflated: {error}",
                quoted(&variable.name)
            )),
            io::ErrorKind::UnexpectedEof => bad(format!(
                "variable {}: damaged: its numbers end before their {} bytes",
                quoted(&variable.name),
                variable.bytes
            )),
            _ => RecordingError::reading(&self.path, error),
        })
    }

    /// The numbers of a vector.
    ///
    /// # Errors
    /// [`RecordingError::Bad`] when it is none, or longer than is held in memory.
    pub fn vector(&self, name: &str) -> Result<Vec<f64>, RecordingError> {
        let variable = self.variable(name)?;
        let bad = |fault: String| RecordingError::bad(&self.path, fault);
        let numbers = variable.numbers().map_err(bad)?;
        let (count, name) = (variable.count(), quoted(name));
        if !variable.is_vector() {
            let shape = variable.shape_text();
            return Err(bad(format!("variable {name}: is {shape}, must be a vector")));
        }
        if count > MAX_VECTOR {
            let fault = format!("variable {name}: {count} numbers, at most {MAX_VECTOR} are read");
            return Err(bad(fault));
        }
        let mut bytes = Vec::new();
        self.pour(variable, &mut bytes)?;
        let mut values = Vec::new();
        let read = each_value(numbers.stored, &mut bytes.as_slice(), count, |value| {
            values.push(value);
            true
        });
        read.map_err(|error| RecordingError::reading(&self.path, error))?;
        Ok(values)
    }
}

/// Kinds of files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Level5,
    Level73,
    Hdf5,
}

impl Kind {
    const fn name(self) -> &'static str {
        match self {
            Self::Level5 => "MATLAB level 5",
            Self::Level73 => "MATLAB 7.3 (HDF5)",
            Self::Hdf5 => "HDF5",
        }
    }
}

/// What HDF5 begins with, at byte 0 or at 512 and its doubles after a user block.
const HDF5_MAGIC: &[u8] = b"\x89HDF\r\n\x1a\n";

/// The kind of a file by its first kilobyte.
fn kind(begin: &[u8]) -> Result<Kind, &'static str> {
    if begin.starts_with(HDF5_MAGIC) {
        return Ok(Kind::Hdf5);
    }
    if begin.get(512..).is_some_and(|rest| rest.starts_with(HDF5_MAGIC)) {
        return Ok(if begin.starts_with(b"MATLAB 7.3") { Kind::Level73 } else { Kind::Hdf5 });
    }
    if begin.len() >= level5::HEAD && level5::byte_order(begin).is_some() {
        return Ok(Kind::Level5);
    }
    if begin.len() >= 20 && begin[..4].contains(&0) {
        return Err("not read: begins as a MATLAB level 4 file (or as none at all); save it in \
                    MATLAB with -v7, levels 5 and 7.3 are read");
    }
    Err("neither a MATLAB file of level 5 or 7.3 nor HDF5, which are read here")
}

/// Hands over numbers one after the other until it is told to stop.
fn each_value(
    stored: Stored,
    run: &mut impl Read,
    count: u64,
    mut take: impl FnMut(f64) -> bool,
) -> io::Result<()> {
    const BLOCK: usize = 4096;
    let size = stored.bytes();
    let mut bytes = [0; BLOCK * 8];
    let mut left = count;
    while left > 0 {
        let now = usize::try_from(left).unwrap_or(BLOCK).min(BLOCK);
        run.read_exact(&mut bytes[..now * size])?;
        for number in bytes[..now * size].chunks(size) {
            if !take(stored.value(number)) {
                return Ok(());
            }
        }
        left -= now as u64;
    }
    Ok(())
}

/// The number a type of MATLAB, NumPy or HDF5 is, by the name both MATLAB and we use for it.
const CLASSES: [(&str, Number); 10] = [
    ("double", Number::F64),
    ("single", Number::F32),
    ("int8", Number::I8),
    ("uint8", Number::U8),
    ("int16", Number::I16),
    ("uint16", Number::U16),
    ("int32", Number::I32),
    ("uint32", Number::U32),
    ("int64", Number::I64),
    ("uint64", Number::U64),
];

fn class_of(number: Number) -> &'static str {
    CLASSES.iter().find(|(_, other)| *other == number).map_or("", |(name, _)| name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_known_by_how_it_begins() {
        let mut head = vec![b' '; 1024];
        head[..10].copy_from_slice(b"MATLAB 7.3");
        head[512..520].copy_from_slice(HDF5_MAGIC);
        assert_eq!(kind(&head), Ok(Kind::Level73));
        assert_eq!(kind(HDF5_MAGIC), Ok(Kind::Hdf5));
        let mut head = [b' '; 128];
        head[124..].copy_from_slice(&[0, 1, b'I', b'M']);
        assert_eq!(kind(&head), Ok(Kind::Level5));
        head[124..].copy_from_slice(&[1, 0, b'M', b'I']);
        assert_eq!(kind(&head), Ok(Kind::Level5));
        assert!(kind(&[0; 64]).unwrap_err().contains("level 4"));
        assert!(kind(b"RIFF").is_err());
    }

    #[test]
    fn numbers_are_handed_over_until_they_are_enough() {
        let stored = Stored { number: Number::U16, big_endian: true };
        let bytes = [0, 1, 0, 2, 1, 0];
        let mut seen = Vec::new();
        each_value(stored, &mut bytes.as_slice(), 3, |value| {
            seen.push(value);
            true
        })
        .unwrap();
        assert_eq!(seen, [1.0, 2.0, 256.0]);
        let short = each_value(stored, &mut bytes.as_slice(), 4, |_| true);
        assert_eq!(short.unwrap_err().kind(), io::ErrorKind::UnexpectedEof);
    }
}
