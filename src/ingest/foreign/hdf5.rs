//! HDF5, plain or as MATLAB 7.3 writes it. Runs in a process of its own, see [`super::apart`].
//!
//! Groups are walked, links to other files are not followed, and no other file is opened. MATLAB
//! says in the attribute `MATLAB_class` what a dataset is, and lists axes in reverse.

use std::collections::HashSet;
use std::io::{self, Read, Write};
use std::path::Path;

use hdf5_reader::group::Group;
use hdf5_reader::{Dataset, Datatype, H5Type, Hdf5File, OpenOptions, SliceInfo, SliceInfoElem};

use super::super::sigmf_json::quoted;
use super::super::stored::{Number, Stored};
use super::{Content, MAX_VARIABLES, Numbers, Place, Variable, class_of};

/// Deepest group that is walked.
const MAX_DEPTH: usize = 16;
/// Largest chunk and largest block read at a time, bytes.
const MAX_CHUNK_BYTES: usize = 64 << 20;
const BLOCK_BYTES: u64 = 8 << 20;
/// Most that the filters of a file make of one byte of it (zlib: 1032 to 1).
const MAX_INFLATION: u64 = 1032;
/// Groups of MATLAB 7.3 that hold what cells and objects refer to.
const INNER: [&str; 2] = ["#refs#", "#subsystem#"];

fn open(path: &Path) -> Result<Hdf5File, String> {
    let options = OpenOptions::default()
        .with_chunk_cache_bytes(MAX_CHUNK_BYTES)
        .with_max_chunk_bytes(MAX_CHUNK_BYTES)
        .with_max_read_bytes(MAX_CHUNK_BYTES)
        .with_max_object_header_bytes(MAX_CHUNK_BYTES);
    Hdf5File::open_with_options(path, options).map_err(damage)
}

#[allow(clippy::needless_pass_by_value, reason = "it is what map_err hands over")]
fn damage(error: impl std::fmt::Display) -> String {
    // The crate misreads version 2 of the layout message, which HDF5 wrote before 1.6.3.
    format!("HDF5: {error} (or kept in a form of before HDF5 1.8, which is not read)")
}

/// Lists the datasets, each handed over as it is found.
pub(super) fn list(
    path: &Path,
    give: &mut impl FnMut(Variable) -> io::Result<()>,
) -> Result<(), String> {
    let file_bytes = std::fs::metadata(path).map_err(|error| error.to_string())?.len();
    let file = open(path)?;
    let root = file.root_group().map_err(damage)?;
    let mut walk = Walk { seen: HashSet::new(), found: 0, file_bytes, give };
    walk.group(&root, "", 0)
}

/// The way through a file's groups.
struct Walk<'a, G> {
    /// Groups, by their addresses: links can make a ring.
    seen: HashSet<u64>,
    found: usize,
    file_bytes: u64,
    give: &'a mut G,
}

impl<G: FnMut(Variable) -> io::Result<()>> Walk<'_, G> {
    fn give(&mut self, variable: Variable) -> Result<(), String> {
        self.found += 1;
        if self.found > MAX_VARIABLES {
            return Err(format!("more than {MAX_VARIABLES} variables"));
        }
        (self.give)(variable).map_err(|error| error.to_string())
    }

    fn group(&mut self, group: &Group, before: &str, depth: usize) -> Result<(), String> {
        if depth > MAX_DEPTH || !self.seen.insert(group.address()) {
            return Ok(());
        }
        let (groups, datasets) = match group.member_names() {
            Ok(names) => names,
            Err(error) if depth == 0 => return Err(damage(error)),
            Err(error) => return self.give(unread(before, Content::Damaged(damage(error)))),
        };
        let full = |name: &String| match before {
            "" => name.clone(),
            before => format!("{before}/{name}"),
        };
        for name in &datasets {
            let variable = match group.dataset(name) {
                Ok(dataset) => variable(&dataset, &full(name), self.file_bytes),
                Err(error) => unread(&full(name), Content::Damaged(damage(error))),
            };
            self.give(variable)?;
        }
        for name in groups.iter().filter(|name| !INNER.contains(&name.as_str())) {
            match group.group(name) {
                Ok(inner) if inner.attribute("MATLAB_sparse").is_ok() => {
                    let why = "is sparse; save it with full()".to_owned();
                    self.give(unread(&full(name), Content::Refused(why)))?;
                }
                Ok(inner) => self.group(&inner, &full(name), depth + 1)?,
                Err(error) => {
                    self.give(unread(&full(name), Content::Damaged(damage(error))))?;
                }
            }
        }
        Ok(())
    }
}

fn unread(name: &str, content: Content) -> Variable {
    Variable {
        name: name.to_owned(),
        shape: Vec::new(),
        class: "unknown".to_owned(),
        content,
        bytes: 0,
        value: None,
        steps: None,
    }
}

fn variable(dataset: &Dataset, name: &str, file_bytes: u64) -> Variable {
    let matlab = dataset.attribute("MATLAB_class").ok();
    let matlab = matlab.and_then(|attribute| attribute.read_string().ok());
    let mut shape = dataset.shape().to_vec();
    let fortran = matlab.is_some();
    if fortran {
        shape.reverse();
    }
    let mut variable = Variable { shape, ..unread(name, Content::Refused(String::new())) };
    let number = numbers(dataset);
    variable.class = match (&matlab, number) {
        (Some(class), _) => quoted(class).trim_matches('"').to_owned(),
        (None, Ok(number)) => class_of(number).to_owned(),
        (None, Err(_)) => "other".to_owned(),
    };
    let refused = match (matlab.as_deref(), number) {
        _ if dataset.attribute("MATLAB_empty").is_ok() => Some("is empty"),
        (Some("char"), _) => Some("is text (char)"),
        (Some("logical"), _) => Some("is logical (true or false), not of numbers"),
        (Some("cell"), _) => Some("is a cell array, which holds other variables"),
        (_, Err(why)) => Some(why),
        (Some(class), _) if super::CLASSES.iter().all(|(name, _)| *name != class) => {
            Some("is an object")
        }
        _ if variable.count() == 0 => Some("is empty"),
        _ if has_room_to_grow(dataset) => Some(
            "is kept in chunks for a larger shape, up to which it may grow; save it without maxshape",
        ),
        _ => None,
    };
    if let Some(why) = refused {
        variable.content = Content::Refused(why.to_owned());
        return variable;
    }
    let Ok(number) = number else { return variable };
    let stored = Stored { number, big_endian: false };
    let most = file_bytes.saturating_mul(MAX_INFLATION);
    let bytes = variable.count().saturating_mul(stored.bytes() as u64);
    if bytes > most {
        let fault = format!("{bytes} bytes in a file of {file_bytes}, which holds {most} at most");
        variable.content = Content::Damaged(fault);
        return variable;
    }
    variable.bytes = bytes;
    let numbers = Numbers { stored, fortran, place: Place::Apart };
    variable.content = Content::Numbers(numbers);
    if let Err(error) = variable.look(numbers, Run::new(dataset, number)) {
        variable.content = Content::Damaged(error.to_string());
    }
    variable
}

/// Whether a dataset's chunks are numbered for a larger shape than it has, on another axis than the
/// first: the crate numbers them by the present one and would mix them up.
fn has_room_to_grow(dataset: &Dataset) -> bool {
    let (Some(chunks), Some(most)) = (dataset.chunks(), dataset.max_dims()) else { return false };
    // Without a bound on an axis HDF5 looks chunks up in another way.
    if most.contains(&u64::MAX) {
        return false;
    }
    let axes = dataset.shape().iter().zip(most).zip(&chunks).skip(1);
    axes.into_iter().any(|((length, most), chunk)| {
        let chunk = u64::from(*chunk).max(1);
        most.div_ceil(chunk) > length.div_ceil(chunk)
    })
}

/// The numbers of a dataset, or why it has none that are read.
fn numbers(dataset: &Dataset) -> Result<Number, &'static str> {
    let number = match dataset.dtype() {
        Datatype::FixedPoint { size, signed, .. } => match (size, signed) {
            (1, true) => Number::I8,
            (1, false) => Number::U8,
            (2, true) => Number::I16,
            (2, false) => Number::U16,
            (4, true) => Number::I32,
            (4, false) => Number::U32,
            (8, true) => Number::I64,
            (8, false) => Number::U64,
            _ => return Err("has integers of another size than 1, 2, 4 or 8 bytes"),
        },
        Datatype::FloatingPoint { size: 4, .. } => Number::F32,
        Datatype::FloatingPoint { size: 8, .. } => Number::F64,
        Datatype::FloatingPoint { .. } => return Err("has floats of neither 4 nor 8 bytes"),
        Datatype::String { .. } => return Err("is text"),
        Datatype::Compound { .. } => return Err("is compound (complex, or a table)"),
        Datatype::Array { .. } => return Err("has arrays as its elements"),
        Datatype::Enum { .. } => return Err("is an enumeration (true or false, or names)"),
        Datatype::VarLen { .. } => return Err("has elements of different lengths"),
        Datatype::Opaque { .. } => return Err("is opaque"),
        Datatype::Reference { .. } => return Err("holds references"),
        Datatype::Bitfield { .. } => return Err("is a bit field"),
    };
    match dataset.raw_datatype() {
        Ok(raw) if plain(&raw, number) => Ok(number),
        _ => Err("has numbers whose bits are not those of a plain number"),
    }
}

/// Whether a datatype message (HDF5 file format, IV.A.2.d) is of a plain number: an integer that
/// fills its bytes, or IEEE 754 binary32 or binary64.
fn plain(raw: &[u8], number: Number) -> bool {
    // After class, flags and size: offset and precision in bits, for floats then place and size of
    // exponent and fraction, and the exponent's bias.
    let half = |at: usize| raw.get(at..at + 2).map(|b| u16::from_le_bytes([b[0], b[1]]));
    let bits = u16::try_from(8 * Stored { number, big_endian: false }.bytes()).ok();
    if half(8) != Some(0) || half(10) != bits {
        return false;
    }
    let float: &[u8] = match number {
        Number::F32 => &[23, 8, 0, 23, 127, 0, 0, 0],
        Number::F64 => &[52, 11, 0, 52, 255, 3, 0, 0],
        _ => return true,
    };
    // Bit 6 of the flags is VAX order.
    raw.get(12..20) == Some(float) && raw.get(1).is_some_and(|flags| flags & 0x40 == 0)
}

/// The numbers of a dataset as little-endian bytes, in the order of the file's axes.
struct Run<'a> {
    dataset: &'a Dataset,
    number: Number,
    /// First place of the next block along each axis; `None` at the end.
    next: Option<Vec<u64>>,
    /// Axis along which a block has several rows, and how many.
    axis: usize,
    rows: u64,
    block: Vec<u8>,
    read: usize,
}

impl<'a> Run<'a> {
    fn new(dataset: &'a Dataset, number: Number) -> Self {
        let shape = dataset.shape();
        let size = Stored { number, big_endian: false }.bytes() as u64;
        let row = |axis: usize| {
            shape[axis + 1..].iter().fold(size, |bytes, axis| bytes.saturating_mul(*axis))
        };
        let axis = (0..shape.len()).find(|axis| row(*axis) <= BLOCK_BYTES).unwrap_or(0);
        let mut rows = if shape.is_empty() { 1 } else { BLOCK_BYTES / row(axis).max(1) };
        // Whole chunks, so that none is inflated twice.
        let chunk = dataset.chunks().and_then(|chunks| chunks.get(axis).copied()).map(u64::from);
        if let Some(chunk) = chunk.filter(|chunk| *chunk > 0 && *chunk < rows) {
            rows -= rows % chunk;
        }
        Self {
            dataset,
            number,
            next: Some(vec![0; shape.len()]),
            axis,
            rows: rows.max(1),
            block: Vec::new(),
            read: 0,
        }
    }

    fn fill(&mut self) -> io::Result<()> {
        self.block.clear();
        self.read = 0;
        let Some(mut at) = self.next.take() else { return Ok(()) };
        let shape = self.dataset.shape();
        let selection = SliceInfo {
            selections: at
                .iter()
                .zip(shape)
                .enumerate()
                .map(|(axis, (start, length))| {
                    let rows = if axis < self.axis { 1 } else { self.rows };
                    let end = if axis > self.axis { *length } else { (start + rows).min(*length) };
                    SliceInfoElem::Slice { start: *start, end, step: 1 }
                })
                .collect(),
        };
        self.take(&selection)?;
        // On to the next block, the last of the axes that are walked first.
        for axis in (0..=self.axis.min(shape.len().saturating_sub(1))).rev() {
            let Some(place) = at.get_mut(axis) else { return Ok(()) };
            *place += if axis == self.axis { self.rows } else { 1 };
            if *place < shape[axis] {
                self.next = Some(at);
                return Ok(());
            }
            *place = 0;
        }
        Ok(())
    }

    fn take(&mut self, selection: &SliceInfo) -> io::Result<()> {
        match self.number {
            Number::I8 => self.of(selection, i8::to_le_bytes),
            Number::U8 => self.of(selection, u8::to_le_bytes),
            Number::I16 => self.of(selection, i16::to_le_bytes),
            Number::U16 => self.of(selection, u16::to_le_bytes),
            Number::I32 => self.of(selection, i32::to_le_bytes),
            Number::U32 => self.of(selection, u32::to_le_bytes),
            Number::I64 => self.of(selection, i64::to_le_bytes),
            Number::U64 => self.of(selection, u64::to_le_bytes),
            Number::F32 => self.of(selection, f32::to_le_bytes),
            _ => self.of(selection, f64::to_le_bytes),
        }
    }

    fn of<T: H5Type + Copy, const N: usize>(
        &mut self,
        selection: &SliceInfo,
        bytes: impl Fn(T) -> [u8; N],
    ) -> io::Result<()> {
        let numbers = match self.dataset.ndim() {
            0 => self.dataset.read_array::<T>(),
            _ => self.dataset.read_slice::<T>(selection),
        };
        let numbers = numbers.map_err(|error| io::Error::other(damage(error)))?;
        self.block.reserve(numbers.len() * N);
        for number in &numbers {
            self.block.extend_from_slice(&bytes(*number));
        }
        Ok(())
    }
}

impl Read for Run<'_> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        if self.read == self.block.len() {
            self.fill()?;
        }
        let taken = (&self.block[self.read..]).read(out)?;
        self.read += taken;
        Ok(taken)
    }
}

/// Gives the numbers of a dataset.
pub(super) fn pour(path: &Path, name: &str, out: &mut impl Write) -> Result<(), String> {
    let file = open(path)?;
    let dataset = file.dataset(name).map_err(damage)?;
    let number = numbers(&dataset)?;
    io::copy(&mut Run::new(&dataset, number), out).map_err(|error| error.to_string())?;
    out.flush().map_err(|error| error.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    // The HDF5 file format specification, version 3, IV.A.2.d, by hand.
    #[test]
    fn only_plain_numbers_are_taken() {
        let float = [0x11, 0x20, 31, 0, 4, 0, 0, 0, 0, 0, 32, 0, 23, 8, 0, 23, 127, 0, 0, 0];
        assert!(plain(&float, Number::F32));
        assert!(!plain(&float, Number::F64));
        let brain = [0x11, 0x20, 15, 0, 4, 0, 0, 0, 0, 0, 32, 0, 7, 8, 0, 7, 127, 0, 0, 0];
        assert!(!plain(&brain, Number::F32));
        let twelve = [0x10, 0x08, 0, 0, 2, 0, 0, 0, 0, 0, 12, 0];
        assert!(!plain(&twelve, Number::I16));
        let sixteen = [0x10, 0x08, 0, 0, 2, 0, 0, 0, 0, 0, 16, 0];
        assert!(plain(&sixteen, Number::I16) && !plain(&sixteen[..11], Number::I16));
    }
}
