//! MATLAB's level 5: files of MATLAB 5, 6 and 7, both byte orders, compressed elements.
//!
//! Source: The MathWorks, "MAT-File Format" (the published description of level 5). A head of 128
//! bytes, then elements, each with a tag (type, bytes). A variable is an element of type 14 (matrix)
//! or one of type 15, a zlib stream that holds one of type 14. A matrix has as parts: flags with its
//! class, lengths of its axes, its name, its real numbers. Numbers may be kept in a smaller type than
//! their class. The first axis runs fastest.
//!
//! Only heads are read while variables are listed, and vectors of real numbers. Sizes are held
//! against the file, and against what a deflated element can hold at most, before anything is
//! inflated.

use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use flate2::read::ZlibDecoder;

use super::super::error::RecordingError;
use super::super::sigmf_json::quoted;
use super::super::stored::{Number, Stored};
use super::{Content, MAX_VARIABLES, Numbers, Place, Variable};

/// Bytes of the head.
pub(super) const HEAD: usize = 128;
/// Types of elements.
const MATRIX: u32 = 14;
const COMPRESSED: u32 = 15;
/// Most that deflate makes of one byte (zlib's technical page: 1032 to 1).
const MAX_INFLATION: u64 = 1032;
/// Longest name, bytes; MATLAB's own have at most 63.
const MAX_NAME: u32 = 4096;
/// Most axes.
const MAX_AXES: u32 = 64;
/// What may follow the numbers of a compressed variable, bytes.
const MAX_AFTER: u64 = 64 << 10;

/// Whether numbers are big-endian; `None` when the head is not of level 5.
pub(super) fn byte_order(head: &[u8]) -> Option<bool> {
    match head.get(124..HEAD)? {
        [_, 1, b'I', b'M'] => Some(false),
        [1, _, b'M', b'I'] => Some(true),
        _ => None,
    }
}

/// Lists the variables.
pub(super) fn list(
    path: &Path,
    file: &mut File,
    length: u64,
) -> Result<Vec<Variable>, RecordingError> {
    let reading = |error| RecordingError::reading(path, error);
    let mut head = [0; HEAD];
    file.rewind().and_then(|()| file.read_exact(&mut head)).map_err(reading)?;
    let big_endian = byte_order(&head).unwrap_or(false);
    let mut variables = Vec::new();
    let mut at = HEAD as u64;
    while at < length {
        if variables.len() == MAX_VARIABLES {
            let fault = format!("more than {MAX_VARIABLES} variables");
            return Err(RecordingError::bad(path, fault));
        }
        let left = length - at;
        if left < 8 {
            variables.push(nameless(at, format!("the file ends {left} bytes into a tag")));
            break;
        }
        let mut tag = [0; 8];
        file.seek(SeekFrom::Start(at)).and_then(|_| file.read_exact(&mut tag)).map_err(reading)?;
        let element = Element {
            kind: word(&tag[..4], big_endian),
            byte: at + 8,
            bytes: u64::from(word(&tag[4..], big_endian)),
            big_endian,
        };
        if element.bytes > left - 8 {
            let (bytes, left) = (element.bytes, left - 8);
            let fault = format!("an element of {bytes} bytes, the file has {left} left");
            variables.push(nameless(at, fault));
            break;
        }
        variables.push(element.variable(path, file)?);
        at = element.byte + element.bytes;
    }
    Ok(variables)
}

/// A place where there should have been a variable.
fn nameless(at: u64, fault: String) -> Variable {
    Variable {
        name: format!("(at byte {at})"),
        shape: Vec::new(),
        class: "unknown".to_owned(),
        content: Content::Damaged(fault),
        bytes: 0,
        value: None,
        steps: None,
    }
}

fn word(bytes: &[u8], big_endian: bool) -> u32 {
    let mut word = [0; 4];
    word.copy_from_slice(bytes);
    if big_endian { u32::from_be_bytes(word) } else { u32::from_le_bytes(word) }
}

/// An element of the file that holds a variable.
#[derive(Debug, Clone, Copy)]
struct Element {
    kind: u32,
    /// Where its content begins, and how long it is, bytes.
    byte: u64,
    bytes: u64,
    big_endian: bool,
}

impl Element {
    fn variable(self, path: &Path, file: &mut File) -> Result<Variable, RecordingError> {
        let reading = |error| RecordingError::reading(path, error);
        file.seek(SeekFrom::Start(self.byte)).map_err(reading)?;
        let content = BufReader::new(file.take(self.bytes));
        let (mut variable, found) = match self.kind {
            MATRIX => self.head(Parts::new(content, self.bytes, self.big_endian)),
            COMPRESSED => self.inflated_head(content),
            kind => {
                let fault = format!("an element of type {kind}, must be 14 or 15");
                return Ok(nameless(self.byte - 8, fault));
            }
        };
        let Some(numbers) = found else { return Ok(variable) };
        variable.content = Content::Numbers(numbers);
        if variable.is_vector() {
            let file = File::open(path).map_err(reading)?;
            let looked = run(file, numbers.place, variable.bytes)
                .and_then(|run| variable.look(numbers, run));
            if let Err(error) = looked {
                variable.content = Content::Damaged(damage(&error));
            }
        }
        Ok(variable)
    }

    fn inflated_head(self, content: impl Read) -> (Variable, Option<Numbers>) {
        let mut inflated = BufReader::new(ZlibDecoder::new(content));
        let mut tag = [0; 8];
        let at = self.byte - 8;
        if let Err(error) = inflated.read_exact(&mut tag) {
            return (nameless(at, damage(&error)), None);
        }
        let kind = word(&tag[..4], self.big_endian);
        let bytes = u64::from(word(&tag[4..], self.big_endian));
        if kind != MATRIX {
            let fault = format!("holds an element of type {kind}, must be {MATRIX}");
            return (nameless(at, fault), None);
        }
        let most = self.bytes.saturating_mul(MAX_INFLATION);
        if bytes > most {
            let fault = format!(
                "{bytes} bytes in a compressed element of {}, which can hold {most} at most",
                self.bytes
            );
            return (nameless(at, fault), None);
        }
        self.head(Parts::new(inflated, bytes, self.big_endian))
    }

    /// The variable of a matrix, and its numbers if it has any that are read.
    fn head(self, mut parts: Parts<impl Read>) -> (Variable, Option<Numbers>) {
        let mut variable = nameless(self.byte - 8, String::new());
        let found = self.parts(&mut parts, &mut variable);
        match found {
            Ok(numbers) => return (variable, Some(numbers)),
            Err(Fault::Refused(why)) => variable.content = Content::Refused(why.to_owned()),
            Err(Fault::Damaged(why)) => variable.content = Content::Damaged(why),
        }
        (variable, None)
    }

    fn parts(
        self,
        parts: &mut Parts<impl Read>,
        variable: &mut Variable,
    ) -> Result<Numbers, Fault> {
        let flags = parts.small("its flags", 8)?;
        if flags.len() < 4 {
            return Err(Fault::Damaged(format!("{} bytes of flags, must be 8", flags.len())));
        }
        let flags = word(&flags[..4], self.big_endian);
        let class = flags & 0xff;
        // What is opaque has no axes.
        if class != 17 {
            let axes = parts.small("the lengths of its axes", 4 * MAX_AXES)?;
            for axis in axes.chunks(4) {
                let axis = if axis.len() == 4 { word(axis, self.big_endian) } else { u32::MAX };
                let axis = u64::from(axis);
                if axis >= 1 << 31 {
                    return Err(Fault::Damaged("the length of an axis is negative".to_owned()));
                }
                variable.shape.push(axis);
            }
        }
        let name = parts.small("its name", MAX_NAME)?;
        variable.name = shown(&name, self.byte - 8);
        let (class, refused) = class_of(class, flags)?;
        class.clone_into(&mut variable.class);
        refused.map_or(Ok(()), |why| Err(Fault::Refused(why)))?;
        if variable.shape.len() < 2 {
            let fault = format!("{} axes, must be 2 or more", variable.shape.len());
            return Err(Fault::Damaged(fault));
        }
        let count = variable.shape.iter().try_fold(1_u64, |count, axis| count.checked_mul(*axis));
        let count = count.filter(|count| *count < 1 << 60).ok_or_else(|| {
            Fault::Damaged(format!("shape {} is beyond any file", variable.shape_text()))
        })?;
        if count == 0 {
            return Err(Fault::Refused("is empty"));
        }
        self.real_part(parts, variable, count)
    }

    fn real_part(
        self,
        parts: &mut Parts<impl Read>,
        variable: &mut Variable,
        count: u64,
    ) -> Result<Numbers, Fault> {
        let part = parts.tag("its numbers")?;
        let number = number_of(part.kind).ok_or_else(|| {
            Fault::Damaged(format!("its numbers are of type {}, which is none", part.kind))
        })?;
        let stored = Stored { number, big_endian: self.big_endian };
        let wanted = count.checked_mul(stored.bytes() as u64);
        if wanted != Some(u64::from(part.bytes)) {
            return Err(Fault::Damaged(format!(
                "{} bytes of numbers for a shape of {} with {} bytes each",
                part.bytes,
                variable.shape_text(),
                stored.bytes()
            )));
        }
        if u64::from(part.bytes) > parts.left {
            let (bytes, left) = (part.bytes, parts.left);
            return Err(Fault::Damaged(format!("{bytes} bytes of numbers, {left} are left")));
        }
        let kept = super::class_of(number);
        if kept != variable.class {
            variable.class = format!("{} kept as {kept}", variable.class);
        }
        variable.bytes = u64::from(part.bytes);
        let place = if self.kind == MATRIX {
            Place::File { byte: self.byte + parts.at }
        } else {
            // The tag of the matrix comes before its parts.
            Place::Inflated { byte: self.byte, bytes: self.bytes, at: parts.at + 8 }
        };
        Ok(Numbers { stored, fortran: true, place })
    }
}

/// A name as it is shown: what MATLAB leaves without one is a workspace of its own.
fn shown(name: &[u8], at: u64) -> String {
    let name = name.split(|byte| *byte == 0).next().unwrap_or_default();
    if name.is_empty() {
        return format!("(without name, at byte {at})");
    }
    let text = String::from_utf8_lossy(name);
    if text.chars().any(char::is_control) { quoted(&text) } else { text.into_owned() }
}

/// Why a variable is not read.
enum Fault {
    Refused(&'static str),
    Damaged(String),
}

/// The name of a class and, where it is not of real numbers, why it is refused.
fn class_of(class: u32, flags: u32) -> Result<(&'static str, Option<&'static str>), Fault> {
    let real = |name| match (flags & 0x0800 != 0, flags & 0x0200 != 0) {
        (true, _) => (name, Some("is complex; give its real part, or its magnitude, in MATLAB")),
        (_, true) => ("logical", Some("is logical (true or false), not of numbers")),
        _ => (name, None),
    };
    Ok(match class {
        1 => ("cell", Some("is a cell array, which holds other variables")),
        2 => ("struct", Some("is a struct, which holds other variables; save its field alone")),
        3 => ("object", Some("is an object")),
        4 => ("char", Some("is text (char)")),
        5 => ("sparse", Some("is sparse; save it with full()")),
        6 => real("double"),
        7 => real("single"),
        8 => real("int8"),
        9 => real("uint8"),
        10 => real("int16"),
        11 => real("uint16"),
        12 => real("int32"),
        13 => real("uint32"),
        14 => real("int64"),
        15 => real("uint64"),
        16 => ("function", Some("is a function")),
        17 => ("opaque", Some("is an object of a class (opaque)")),
        _ => return Err(Fault::Damaged(format!("class {class} is unknown, must be 1 to 17"))),
    })
}

const fn number_of(kind: u32) -> Option<Number> {
    Some(match kind {
        1 => Number::I8,
        2 => Number::U8,
        3 => Number::I16,
        4 => Number::U16,
        5 => Number::I32,
        6 => Number::U32,
        7 => Number::F32,
        9 => Number::F64,
        12 => Number::I64,
        13 => Number::U64,
        _ => return None,
    })
}

/// Type and length of a part of a matrix.
struct Part {
    kind: u32,
    bytes: u32,
    /// Bytes up to the next part.
    padding: u32,
}

/// The parts of a matrix, one after the other.
struct Parts<R> {
    from: R,
    /// Bytes read, and bytes left.
    at: u64,
    left: u64,
    big_endian: bool,
}

impl<R: Read> Parts<R> {
    const fn new(from: R, bytes: u64, big_endian: bool) -> Self {
        Self { from, at: 0, left: bytes, big_endian }
    }

    fn take<const N: usize>(&mut self, what: &str) -> Result<[u8; N], Fault> {
        let mut bytes = [0; N];
        self.fill(&mut bytes, what)?;
        Ok(bytes)
    }

    fn fill(&mut self, bytes: &mut [u8], what: &str) -> Result<(), Fault> {
        let wanted = bytes.len() as u64;
        if wanted > self.left {
            return Err(Fault::Damaged(format!("ends within {what}")));
        }
        self.from.read_exact(bytes).map_err(|error| Fault::Damaged(damage(&error)))?;
        (self.at, self.left) = (self.at + wanted, self.left - wanted);
        Ok(())
    }

    /// The tag of the next part. A part of up to four bytes may stand in its tag, whose upper half
    /// word then is its length.
    fn tag(&mut self, what: &str) -> Result<Part, Fault> {
        let first = word(&self.take::<4>(what)?, self.big_endian);
        if first >> 16 != 0 {
            let bytes = first >> 16;
            if bytes > 4 {
                return Err(Fault::Damaged(format!("{bytes} bytes of {what} in a short part")));
            }
            return Ok(Part { kind: first & 0xffff, bytes, padding: 4 - bytes });
        }
        let bytes = word(&self.take::<4>(what)?, self.big_endian);
        Ok(Part { kind: first, bytes, padding: bytes.wrapping_neg() % 8 })
    }

    /// The content of a part of at most so many bytes.
    fn small(&mut self, what: &str, most: u32) -> Result<Vec<u8>, Fault> {
        let part = self.tag(what)?;
        if part.bytes > most {
            let bytes = part.bytes;
            return Err(Fault::Damaged(format!(
                "{bytes} bytes of {what}, at most {most} are read"
            )));
        }
        let mut bytes = vec![0; part.bytes as usize];
        self.fill(&mut bytes, what)?;
        self.fill(&mut vec![0; part.padding as usize], what)?;
        Ok(bytes)
    }
}

/// What went wrong while an element was read.
fn damage(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::UnexpectedEof => "ends early".to_owned(),
        _ => format!("cannot be inflated: {error}"),
    }
}

/// The bytes of numbers of level 5.
pub(super) fn run(mut file: File, place: Place, bytes: u64) -> io::Result<io::Take<Box<dyn Read>>> {
    let from: Box<dyn Read> = match place {
        Place::File { byte } => {
            file.seek(SeekFrom::Start(byte))?;
            Box::new(BufReader::with_capacity(256 << 10, file))
        }
        Place::Inflated { byte, bytes, at } => {
            file.seek(SeekFrom::Start(byte))?;
            let mut inflated = ZlibDecoder::new(BufReader::new(file.take(bytes)));
            let skipped = io::copy(&mut Read::by_ref(&mut inflated).take(at), &mut io::sink())?;
            if skipped < at {
                return Err(io::ErrorKind::UnexpectedEof.into());
            }
            Box::new(inflated)
        }
        Place::Apart => return Err(io::ErrorKind::Unsupported.into()),
    };
    Ok(from.take(bytes))
}

/// Reads what follows the numbers of a compressed variable, so that its sum is checked.
pub(super) fn check_end(mut run: io::Take<Box<dyn Read>>, place: Place) -> io::Result<()> {
    if let Place::Inflated { .. } = place {
        run.set_limit(MAX_AFTER);
        io::copy(&mut run, &mut io::sink())?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::io::Write as _;

    use flate2::Compression;
    use flate2::write::ZlibEncoder;

    use super::super::Foreign;
    use super::*;

    /// Words in one of the byte orders.
    fn words(big_endian: bool, words: &[u32]) -> Vec<u8> {
        let bytes = |word: &u32| if big_endian { word.to_be_bytes() } else { word.to_le_bytes() };
        words.iter().flat_map(bytes).collect()
    }

    fn element(big: bool, kind: u32, bytes: &[u8]) -> Vec<u8> {
        let length = u32::try_from(bytes.len()).unwrap();
        let mut element = words(big, &[kind, length]);
        element.extend(bytes);
        element.resize(element.len().next_multiple_of(8), 0);
        element
    }

    /// A matrix `x` of a class with flags, its numbers in a type, as the format's page lays it out.
    fn matrix(big: bool, flags: u32, axes: &[u32], kind: u32, numbers: &[u8]) -> Vec<u8> {
        let parts = [
            element(big, 6, &words(big, &[flags, 0])),
            element(big, 5, &words(big, axes)),
            // A short part: type and length in one word.
            [words(big, &[1 << 16 | 1]), b"x\0\0\0".to_vec()].concat(),
            element(big, kind, numbers),
        ];
        element(big, MATRIX, &parts.concat())
    }

    fn compressed(big: bool, matrix: &[u8]) -> Vec<u8> {
        let mut encoder = ZlibEncoder::new(Vec::new(), Compression::default());
        encoder.write_all(matrix).unwrap();
        let stream = encoder.finish().unwrap();
        let length = u32::try_from(stream.len()).unwrap();
        [words(big, &[COMPRESSED, length]), stream].concat()
    }

    fn file(big: bool, elements: &[Vec<u8>]) -> Vec<u8> {
        let mut file = vec![b' '; 124];
        file.extend(if big { *b"\x01\x00MI" } else { *b"\x00\x01IM" });
        file.extend(elements.concat());
        file
    }

    fn open(bytes: &[u8]) -> (tempfile::TempDir, Result<Foreign, RecordingError>) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.mat");
        fs::write(&path, bytes).unwrap();
        let foreign = Foreign::open(&path);
        (folder, foreign)
    }

    #[test]
    fn both_byte_orders_compressed_or_not_give_the_same_vector() {
        for big in [false, true] {
            let order = |values: [i16; 5]| -> Vec<u8> {
                let bytes = |v: i16| if big { v.to_be_bytes() } else { v.to_le_bytes() };
                values.into_iter().flat_map(bytes).collect()
            };
            // Doubles kept as 16-bit integers.
            let plain = matrix(big, 6, &[1, 5], 3, &order([-2, 0, 2, 4, 6]));
            for element in [plain.clone(), compressed(big, &plain)] {
                let (_folder, foreign) = open(&file(big, &[element]));
                let foreign = foreign.unwrap();
                assert_eq!(foreign.vector("x").unwrap(), [-2.0, 0.0, 2.0, 4.0, 6.0]);
                let [variable] = foreign.variables.as_slice() else { panic!("{foreign:?}") };
                assert_eq!(variable.class, "double kept as int16");
                assert!((variable.steps.unwrap().step - 2.0).abs() <= 0.0);
            }
        }
    }

    #[track_caller]
    fn check(element: Vec<u8>, part: &str) {
        let (_folder, foreign) = open(&file(false, &[element]));
        let fault = foreign.unwrap().variables[0].numbers().unwrap_err();
        assert!(fault.contains(part), "{fault}");
    }

    #[test]
    fn what_is_not_read_says_why() {
        check(matrix(false, 6 | 0x800, &[1, 1], 9, &[0; 8]), "is complex");
        check(matrix(false, 9 | 0x200, &[1, 1], 2, &[0]), "is logical");
        check(matrix(false, 4, &[1, 1], 4, &[0; 2]), "is text");
        check(matrix(false, 99, &[1, 1], 4, &[0; 2]), "class 99 is unknown");
        check(matrix(false, 6, &[0, 1], 9, &[]), "is empty");
        check(matrix(false, 6, &[2, 2], 9, &[0; 24]), "24 bytes of numbers for a shape of 2 × 2");
        check(matrix(false, 6, &[1, 3], 18, &[0; 24]), "of type 18, which is none");
        check(matrix(false, 6, &[1, u32::MAX], 9, &[0; 8]), "negative");
        check(matrix(false, 6, &[1 << 30; 3], 9, &[0; 8]), "beyond any file");
    }

    #[test]
    fn a_size_that_deflate_cannot_hold_is_refused_before_it_is_inflated() {
        let mut huge = matrix(false, 6, &[1, 1 << 28], 9, &[0; 8]);
        huge[4..8].copy_from_slice(&((1_u32 << 31) + 64).to_le_bytes());
        check(compressed(false, &huge), "which can hold");
    }

    #[test]
    fn a_changed_byte_of_compressed_numbers_is_found_by_their_sum() {
        // Stored without loss of places, so that only the sum tells.
        let plain = matrix(false, 10, &[3, 400], 3, &[7; 2400]);
        let mut encoder = ZlibEncoder::new(Vec::new(), Compression::none());
        encoder.write_all(&plain).unwrap();
        let mut stream = encoder.finish().unwrap();
        let middle = stream.len() / 2;
        stream[middle] ^= 1;
        let length = u32::try_from(stream.len()).unwrap();
        let element = [words(false, &[COMPRESSED, length]), stream].concat();
        let (_folder, foreign) = open(&file(false, &[element]));
        let foreign = foreign.unwrap();
        let poured = foreign.pour(&foreign.variables[0], &mut Vec::new());
        assert!(poured.unwrap_err().to_string().contains("cannot be inflated"));
    }

    #[test]
    fn a_file_cut_at_any_byte_is_no_panic() {
        let plain = matrix(false, 10, &[1, 9], 3, &[7; 18]);
        let whole = file(false, &[plain.clone(), compressed(false, &plain)]);
        let mut damaged = 0;
        for length in 0..whole.len() {
            let (_folder, foreign) = open(&whole[..length]);
            if let Ok(foreign) = foreign {
                damaged += usize::from(foreign.variables.iter().any(|v| v.numbers().is_err()));
            }
        }
        // All but the cuts within the head and those between elements.
        assert!(damaged >= whole.len() - 128 - 2, "{damaged} of {}", whole.len());
    }
}
