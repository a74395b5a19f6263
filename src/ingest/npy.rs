//! NumPy's `.npy`: the head of an array, format versions 1 to 3.
//!
//! Source: NumPy, `numpy.lib.format`: eight bytes of magic and version, the head's length (16 bits in
//! version 1, 32 bits in 2 and 3), and the head as a Python dictionary with the keys `descr`,
//! `fortran_order` and `shape`. Only arrays of plain numbers are read; what would run code (objects,
//! kept as pickles) or has parts (structured, complex) is refused by name.

use std::io::{self, Read};

use super::sigmf_json::quoted;
use super::stored::{Number, Stored};

/// What every file begins with.
pub(super) const MAGIC: &[u8; 6] = b"\x93NUMPY";
/// Longest head read, bytes; NumPy's own are mostly 118.
const MAX_HEAD: u64 = 64 << 10;
/// Most axes of an array; NumPy allows 64.
const MAX_AXES: usize = 64;

/// An array as its head describes it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Array {
    pub(super) stored: Stored,
    /// Name of the numbers as NumPy writes it, such as `<i2`.
    pub(super) name: String,
    /// Whether the first axis runs fastest instead of the last.
    pub(super) fortran: bool,
    pub(super) shape: Vec<u64>,
    /// Bytes of the head: where the numbers begin.
    pub(super) head_bytes: u64,
    /// Bytes of all numbers.
    pub(super) data_bytes: u64,
}

impl Array {
    /// The shape as Python writes it.
    pub(super) fn shape_text(&self) -> String {
        let axes: Vec<String> = self.shape.iter().map(u64::to_string).collect();
        if let [one] = axes.as_slice() {
            format!("({one},)")
        } else {
            format!("({})", axes.join(", "))
        }
    }
}

/// A fault of the head, or of reading it.
#[derive(Debug)]
pub(super) enum Fault {
    Head(String),
    Reading(io::Error),
}

impl From<String> for Fault {
    fn from(fault: String) -> Self {
        Self::Head(fault)
    }
}

impl From<io::Error> for Fault {
    fn from(error: io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::UnexpectedEof => Self::Head("NumPy head ends early".to_owned()),
            _ => Self::Reading(error),
        }
    }
}

/// Reads the head of an array.
pub(super) fn read(file: &mut impl Read) -> Result<Array, Fault> {
    let mut begin = [0; 8];
    file.read_exact(&mut begin)?;
    let [magic @ .., major, minor] = begin;
    if magic != *MAGIC {
        return Err(Fault::Head(match pickle(&begin) {
            true => "is a Python pickle, which could run code and is not read".to_owned(),
            false => "not a NumPy file: does not begin with \\x93NUMPY".to_owned(),
        }));
    }
    let (length, before) = match (major, minor) {
        (1, 0) => (u64::from(u16::from_le_bytes(bytes_of(file)?)), 10),
        (2 | 3, 0) => (u64::from(u32::from_le_bytes(bytes_of(file)?)), 12),
        _ => {
            let fault = format!("NumPy format version {major}.{minor} is not read, 1.0 to 3.0 are");
            return Err(Fault::Head(fault));
        }
    };
    if length > MAX_HEAD {
        return Err(Fault::Head(format!(
            "NumPy head of {length} bytes, at most {MAX_HEAD} are read"
        )));
    }
    let mut head = Vec::new();
    file.take(length).read_to_end(&mut head)?;
    if (head.len() as u64) < length {
        return Err(Fault::Head("NumPy head ends early".to_owned()));
    }
    let text = String::from_utf8_lossy(&head);
    let array = parse(&text, before + length).map_err(|fault| format!("NumPy head: {fault}"))?;
    Ok(array)
}

fn bytes_of<const N: usize>(file: &mut impl Read) -> io::Result<[u8; N]> {
    let mut bytes = [0; N];
    file.read_exact(&mut bytes)?;
    Ok(bytes)
}

/// Whether a file begins as pickles of protocol 2 and later do.
const fn pickle(begin: &[u8; 8]) -> bool {
    begin[0] == 0x80 && begin[1] >= 2 && begin[1] <= 5
}

fn parse(text: &str, head_bytes: u64) -> Result<Array, String> {
    let mut literal = Literal { rest: text };
    let (mut descr, mut fortran, mut shape) = (None, None, None);
    literal.expect('{')?;
    while !literal.take('}') {
        let key = literal.text()?;
        literal.expect(':')?;
        match key {
            "descr" => descr = Some(literal.descr()?),
            "fortran_order" => fortran = Some(literal.boolean()?),
            "shape" => shape = Some(literal.shape()?),
            _ => return Err(format!("unknown key {}", quoted(key))),
        }
        if !literal.take(',') {
            literal.expect('}')?;
            break;
        }
    }
    if !literal.rest.trim().is_empty() {
        return Err(format!("{} after its end", quoted(literal.rest.trim())));
    }
    let lacks = |key: &str| format!("key {key} is missing");
    let (name, stored) = descr.ok_or_else(|| lacks("descr"))?;
    let shape: Vec<u64> = shape.ok_or_else(|| lacks("shape"))?;
    let size = stored.bytes() as u64;
    let data_bytes = shape.iter().try_fold(size, |bytes, axis| bytes.checked_mul(*axis));
    let data_bytes = data_bytes.filter(|bytes| *bytes < 1 << 60);
    let mut array = Array {
        stored,
        name: name.to_owned(),
        fortran: fortran.ok_or_else(|| lacks("fortran_order"))?,
        shape,
        head_bytes,
        data_bytes: 0,
    };
    array.data_bytes = data_bytes
        .ok_or_else(|| format!("shape {} is beyond what a file holds", array.shape_text()))?;
    Ok(array)
}

/// The numbers of a type as NumPy writes it: byte order, kind, bytes.
fn numbers(name: &str) -> Result<Stored, String> {
    let (order, kind) = match name.strip_prefix(['<', '>', '|', '=']) {
        Some(kind) => (name.chars().next(), kind),
        None => (None, name),
    };
    let number = match kind {
        "i1" => Number::I8,
        "u1" => Number::U8,
        "i2" => Number::I16,
        "u2" => Number::U16,
        "i4" => Number::I32,
        "u4" => Number::U32,
        "i8" => Number::I64,
        "u8" => Number::U64,
        "f2" => Number::F16,
        "f4" => Number::F32,
        "f8" => Number::F64,
        _ => return Err(refusal(name, kind)),
    };
    Ok(Stored { number, big_endian: order == Some('>') })
}

fn refusal(name: &str, kind: &str) -> String {
    let what = match kind.chars().next() {
        Some('O') => "objects, kept as a pickle, which could run code",
        Some('c') => "complex numbers",
        Some('b' | '?') => "truth values",
        Some('S' | 'U' | 'a') => "texts",
        Some('V') => "structured or void elements",
        Some('m' | 'M') => "times",
        Some('f') => "floating-point numbers of another width than 16, 32 or 64 bits",
        _ => "elements that are not known",
    };
    format!("descr is {}: {what}; integers and floating-point numbers are read", quoted(name))
}

/// What is left of a Python literal.
struct Literal<'a> {
    rest: &'a str,
}

impl<'a> Literal<'a> {
    fn take(&mut self, sign: char) -> bool {
        let rest = self.rest.trim_start();
        self.rest = rest.strip_prefix(sign).unwrap_or(rest);
        self.rest.len() < rest.len()
    }

    fn expect(&mut self, sign: char) -> Result<(), String> {
        if self.take(sign) {
            return Ok(());
        }
        let found = match self.rest.chars().next() {
            Some(found) => format!("{found:?}"),
            None => "its end".to_owned(),
        };
        Err(format!("{found} where {sign:?} must stand"))
    }

    /// A text in quotes, as it stands.
    fn text(&mut self) -> Result<&'a str, String> {
        let rest = self.rest.trim_start();
        let quote = rest.chars().next().filter(|sign| matches!(sign, '\'' | '"'));
        let end = quote.and_then(|quote| rest[1..].find(quote));
        let Some(end) = end else {
            return Err(format!("{} where a text in quotes must stand", quoted(rest)));
        };
        self.rest = &rest[end + 2..];
        Ok(&rest[1..=end])
    }

    /// The type of the numbers: its name, and how these are kept.
    fn descr(&mut self) -> Result<(&'a str, Stored), String> {
        if self.rest.trim_start().starts_with(['[', '(']) {
            let what = "a structured type; arrays of plain numbers are read";
            return Err(format!("descr is {what}"));
        }
        let name = self.text()?;
        Ok((name, numbers(name)?))
    }

    fn boolean(&mut self) -> Result<bool, String> {
        let rest = self.rest.trim_start();
        for (word, value) in [("True", true), ("False", false)] {
            if let Some(rest) = rest.strip_prefix(word) {
                self.rest = rest;
                return Ok(value);
            }
        }
        Err("fortran_order must be True or False".to_owned())
    }

    /// A tuple of whole numbers; Python 2 wrote an L after long ones.
    fn shape(&mut self) -> Result<Vec<u64>, String> {
        self.expect('(')?;
        let mut axes = Vec::new();
        while !self.take(')') {
            let rest = self.rest.trim_start();
            let digits = rest.bytes().take_while(u8::is_ascii_digit).count();
            let axis = rest[..digits].parse().map_err(|_| {
                format!("{} where a whole number of the shape must stand", quoted(rest))
            })?;
            if axes.len() == MAX_AXES {
                return Err(format!("a shape of more than {MAX_AXES} axes"));
            }
            axes.push(axis);
            self.rest = rest[digits..].strip_prefix('L').unwrap_or(&rest[digits..]);
            if !self.take(',') {
                self.expect(')')?;
                break;
            }
        }
        Ok(axes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(version: [u8; 2], head: &str) -> Vec<u8> {
        let mut bytes = MAGIC.to_vec();
        bytes.extend(version);
        if version[0] == 1 {
            bytes.extend(u16::try_from(head.len()).unwrap().to_le_bytes());
        } else {
            bytes.extend(u32::try_from(head.len()).unwrap().to_le_bytes());
        }
        bytes.extend(head.as_bytes());
        bytes
    }

    fn told(bytes: &[u8]) -> Result<Array, String> {
        read(&mut &*bytes).map_err(|fault| match fault {
            Fault::Head(fault) => fault,
            Fault::Reading(error) => error.to_string(),
        })
    }

    #[track_caller]
    fn refused(head: &str, fault: &str) {
        assert_eq!(told(&file([1, 0], head)).unwrap_err(), format!("NumPy head: {fault}"));
    }

    // The head as numpy.save writes it, its padding shortened.
    #[test]
    fn every_version_is_read() {
        let head = "{'descr': '>i2', 'fortran_order': True, 'shape': (90, 26000), }  \n";
        for version in [[1, 0], [2, 0], [3, 0]] {
            let bytes = file(version, head);
            let array = told(&bytes).unwrap();
            assert_eq!((array.shape.as_slice(), array.fortran), ([90, 26_000].as_slice(), true));
            assert_eq!(array.stored, Stored { number: Number::I16, big_endian: true });
            assert_eq!(array.head_bytes, bytes.len() as u64);
            assert_eq!(array.data_bytes, 4_680_000);
            for end in 0..bytes.len() {
                assert!(told(&bytes[..end]).is_err(), "cut at {end}");
            }
        }
        let other = "{\"shape\": (7L,), 'fortran_order':False,'descr':'|u1'}";
        let array = told(&file([1, 0], other)).unwrap();
        assert_eq!((array.shape_text(), array.data_bytes), ("(7,)".to_owned(), 7));
    }

    #[test]
    fn what_is_not_read_is_refused_by_name() {
        let check = |descr: &str, what: &str| {
            let head = format!("{{'descr': {descr}, 'fortran_order': False, 'shape': (2,)}}");
            let fault = told(&file([1, 0], &head)).unwrap_err();
            assert!(fault.contains(what), "{fault}");
        };
        check("'|O'", "objects, kept as a pickle");
        check("'<c16'", "complex numbers");
        check("'|b1'", "truth values");
        check("'<U5'", "texts");
        check("'|V8'", "structured or void elements");
        check("[('a', '<i2'), ('b', '<f8')]", "a structured type");
        check("'<M8[ns]'", "times");
        check("'<f16'", "another width");
        let version = file([4, 0], "{}");
        let fault = "NumPy format version 4.0 is not read, 1.0 to 3.0 are";
        assert_eq!(told(&version).unwrap_err(), fault);
        let pickled = b"\x80\x04\x95\0\0\0\0\0\0";
        assert!(told(pickled).unwrap_err().starts_with("is a Python pickle"));
        assert!(told(b"time,volts\n").unwrap_err().starts_with("not a NumPy file"));
    }

    #[test]
    fn a_faulty_head_is_refused_at_its_place() {
        refused("", "its end where '{' must stand");
        refused("{'descr': '<i2'}", "key shape is missing");
        refused("{'descr': '<i2', 'shape': (1,)}", "key fortran_order is missing");
        refused("{'order': 1}", "unknown key \"order\"");
        refused("{'shape': (-1,)}", "\"-1,)}\" where a whole number of the shape must stand");
        refused("{'fortran_order': 1}", "fortran_order must be True or False");
        let huge = "{'descr': '<f8', 'fortran_order': False, 'shape': (4294967296, 4294967296)}";
        refused(huge, "shape (4294967296, 4294967296) is beyond what a file holds");
        let mut long = file([2, 0], "");
        long[8..12].copy_from_slice(&[0xff; 4]);
        assert_eq!(
            told(&long).unwrap_err(),
            "NumPy head of 4294967295 bytes, at most 65536 are read"
        );
    }

    proptest::proptest! {
        #[test]
        fn mutated_heads_never_panic(
            at in proptest::collection::vec((6_usize..80, proptest::num::u8::ANY), 1..8),
        ) {
            let head = "{'descr': '<i2', 'fortran_order': False, 'shape': (90, 26000), }  \n";
            let mut bytes = file([1, 0], head);
            for (place, byte) in at {
                if let Some(changed) = bytes.get_mut(place) {
                    *changed = byte;
                }
            }
            if let Ok(array) = told(&bytes) {
                proptest::prop_assert!(array.head_bytes <= bytes.len() as u64);
            }
        }
    }
}
