//! `spectra.npy`, a pulse at a time: NumPy's array format 1.0 or 2.0, little-endian float32, pulses ×
//! channels × bins, dB re 1 V²/Hz.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use super::ReadError;

/// Longest head that is read, bytes.
const MOST_HEAD_BYTES: u64 = 1 << 16;

/// Most numbers of one pulse.
const MOST_PULSE_VALUES: u64 = 1 << 24;

/// The file while it is read.
pub struct SpectraFile {
    path: String,
    reader: BufReader<File>,
    data_start: u64,
    /// Pulses in the file.
    pub pulses: u64,
    /// Channels of each.
    pub channels: usize,
    /// Bins of each channel.
    pub bins: usize,
    bytes: Vec<u8>,
    /// The pulse the reader stands before.
    at: u64,
}

impl SpectraFile {
    /// Opens the file. Of one that is not `finished` the head does not say how many pulses there are
    /// yet; its length does.
    ///
    /// # Errors
    /// When it is another array than a session's, or shorter than its head says.
    pub fn open(file: &Path, finished: bool) -> Result<Self, ReadError> {
        let path = file.display().to_string();
        let io = |error| ReadError::of_io(&path, error);
        let opened = File::open(file).map_err(io)?;
        let len = opened.metadata().map_err(io)?.len();
        let mut reader = BufReader::new(opened);
        let (head, data_start) = head(&mut reader, &path)?;
        let [pulses, channels, bins] = shape(&head, &path)?;
        let values = channels.checked_mul(bins).filter(|n| (1..=MOST_PULSE_VALUES).contains(n));
        let values = values.ok_or_else(|| {
            let why = format!("{channels} channels by {bins} bins, must be 1 to {MOST_PULSE_VALUES} numbers a pulse");
            ReadError::at(&path, ", head, shape", why)
        })?;
        let held = len.saturating_sub(data_start) / (4 * values);
        if finished && held != pulses {
            let why = format!("{pulses} pulses, the file's length is that of {held}");
            return Err(ReadError::at(&path, ", head, shape", why));
        }
        let size = |n: u64| usize::try_from(n).unwrap_or(0);
        let (channels, bins) = (size(channels), size(bins));
        // Only as much as the file is known to hold.
        let bytes = if held == 0 { Vec::new() } else { vec![0; 4 * channels * bins] };
        Ok(Self { path, reader, data_start, pulses: held, channels, bins, bytes, at: 0 })
    }

    /// The spectra of pulse `index` of the file, channel after channel, into `into`; false past the end.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn read(&mut self, index: u64, into: &mut Vec<f32>) -> Result<bool, ReadError> {
        if index >= self.pulses {
            return Ok(false);
        }
        let size = u64::try_from(self.bytes.len()).unwrap_or(u64::MAX);
        let read = (|| {
            if index != self.at {
                self.reader.seek(SeekFrom::Start(self.data_start + index * size))?;
            }
            self.reader.read_exact(&mut self.bytes)
        })();
        read.map_err(|error| ReadError::of_io(&self.path, error))?;
        self.at = index + 1;
        into.clear();
        let (values, _) = self.bytes.as_chunks::<4>();
        into.extend(values.iter().map(|value| f32::from_le_bytes(*value)));
        Ok(true)
    }
}

/// The head's text and where the data begin.
fn head(reader: &mut impl Read, path: &str) -> Result<(String, u64), ReadError> {
    let no_array = |why: &str| ReadError::at(path, ", head", why);
    let mut start = [0_u8; 8];
    reader.read_exact(&mut start).map_err(|_| no_array("the file is too short for an array"))?;
    let (length, before) = match start {
        [0x93, b'N', b'U', b'M', b'P', b'Y', 1, _] => {
            let mut length = [0_u8; 2];
            reader.read_exact(&mut length).map_err(|_| no_array("the head is cut off"))?;
            (u64::from(u16::from_le_bytes(length)), 10)
        }
        [0x93, b'N', b'U', b'M', b'P', b'Y', 2, _] => {
            let mut length = [0_u8; 4];
            reader.read_exact(&mut length).map_err(|_| no_array("the head is cut off"))?;
            (u64::from(u32::from_le_bytes(length)), 12)
        }
        _ => return Err(no_array("is no NumPy array of format 1 or 2")),
    };
    if length > MOST_HEAD_BYTES {
        let why = format!("has {length} bytes, must have at most {MOST_HEAD_BYTES}");
        return Err(no_array(&why));
    }
    let mut text = String::new();
    let read = reader.take(length).read_to_string(&mut text);
    match read {
        Ok(read) if u64::try_from(read).is_ok_and(|read| read == length) => {
            Ok((text, before + length))
        }
        _ => Err(no_array("the head is cut off")),
    }
}

fn shape(head: &str, path: &str) -> Result<[u64; 3], ReadError> {
    let after = |key: &str| {
        let place = head.find(&format!("'{key}':"))?;
        Some(head[place + key.len() + 3..].trim_start())
    };
    if !after("descr").is_some_and(|text| text.starts_with("'<f4'")) {
        return Err(ReadError::at(path, ", head, descr", "must be '<f4'"));
    }
    if !after("fortran_order").is_some_and(|text| text.starts_with("False")) {
        return Err(ReadError::at(path, ", head, fortran_order", "must be False"));
    }
    let inside = after("shape").and_then(|text| text.strip_prefix('(')?.split(')').next());
    let sizes: Vec<Option<u64>> = inside
        .unwrap_or_default()
        .trim_end_matches([',', ' '])
        .split(',')
        .map(|size| size.trim().parse().ok())
        .collect();
    match sizes.as_slice() {
        [Some(pulses), Some(channels), Some(bins)] => Ok([*pulses, *channels, *bins]),
        _ => Err(ReadError::at(
            path,
            ", head, shape",
            "must be three whole numbers: pulses, channels, bins",
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn array(shape: &str, values: &[f32]) -> Vec<u8> {
        let mut head = format!("{{'descr': '<f4', 'fortran_order': False, 'shape': {shape}, }}");
        head = format!("{head:<117}\n");
        let mut bytes = b"\x93NUMPY\x01\x00\x76\x00".to_vec();
        bytes.extend(head.bytes());
        bytes.extend(values.iter().flat_map(|value| value.to_le_bytes()));
        bytes
    }

    fn open(bytes: &[u8], finished: bool) -> Result<SpectraFile, ReadError> {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("spectra.npy");
        std::fs::write(&file, bytes).unwrap();
        SpectraFile::open(&file, finished)
    }

    #[test]
    fn pulses_are_read_in_any_order() {
        let mut file = open(&array("(2, 1, 3)", &[1.0, 2.0, 3.0, 4.0, 5.0, 6.0]), true).unwrap();
        let mut values = Vec::new();
        assert!(file.read(1, &mut values).unwrap());
        assert_eq!(values, [4.0, 5.0, 6.0]);
        assert!(file.read(0, &mut values).unwrap());
        assert_eq!(values, [1.0, 2.0, 3.0]);
        assert!(!file.read(2, &mut values).unwrap());
    }

    #[test]
    fn a_file_without_an_end_has_as_many_pulses_as_fit() {
        let bytes = array("(0, 1, 3)", &[1.0, 2.0, 3.0, 4.0]);
        assert_eq!(open(&bytes, false).unwrap().pulses, 1);
        let error = open(&bytes, true).map(|_| ()).unwrap_err().to_string();
        assert!(error.ends_with("0 pulses, the file's length is that of 1"), "{error}");
    }

    #[test]
    fn a_file_cut_anywhere_is_an_error_and_no_panic() {
        let bytes = array("(1, 1, 2)", &[1.0, 2.0]);
        for len in 0..bytes.len() {
            assert!(open(&bytes[..len], true).is_err(), "{len}");
        }
        assert!(open(&array("(1, 0, 2)", &[]), true).is_err());
        assert!(open(&array("(1, 4294967296, 4294967296)", &[]), true).is_err());
        assert!(open(&array("(1, 2)", &[]), true).is_err());
    }
}
