//! WAV: which samples a file holds and where.
//!
//! Sources: IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0 (1991),
//! RIFF and RIFX; EBU Tech 3306 and ITU-R BS.2088, RF64 and BW64 with their `ds64` chunk. Chunks are
//! walked here rather than by hound: hound 3.5 leaves out the pad byte after an odd chunk, refuses
//! files whose bytes a second pass 2^32 (16 channels of 32 bits at 100 MS/s do), and reads a crashed
//! recorder's file as empty. What a recorder did not write into its header (a length of 0 or of
//! 2^32 − 1, or one that ran over) is recovered from the file's length, with a warning.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;

use super::error::RecordingError;
use super::stored::Stored;
use super::wav_fmt::{self, Fmt};

/// Most chunks walked before the samples, and after them.
const MAX_CHUNKS: usize = 10_000;
/// Most entries of a `ds64` chunk's table that are looked at.
const MAX_TABLE: u32 = 1024;
/// A length that stands for one that does not fit, or that was never written.
const UNSAID: u64 = u32::MAX as u64;

/// What a header says.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Header {
    pub(super) stored: Stored,
    pub(super) channels: u16,
    pub(super) sample_rate_hz: u32,
    /// Place and length of the samples in the file, bytes.
    pub(super) data_byte: u64,
    pub(super) data_bytes: u64,
    pub(super) warnings: Vec<String>,
}

/// A fault of the header, or of reading it.
enum Fault {
    Header(String),
    Reading(io::Error),
}

impl From<io::Error> for Fault {
    fn from(error: io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::UnexpectedEof => Self::Header("WAV header ends early".to_owned()),
            _ => Self::Reading(error),
        }
    }
}

impl From<String> for Fault {
    fn from(fault: String) -> Self {
        Self::Header(fault)
    }
}

/// Whether a file begins as one of the kinds of WAV does; `begin` holds its first 12 bytes.
pub(super) fn begins(begin: &[u8]) -> bool {
    ["RIFF", "RIFX", "RF64", "BW64"].iter().any(|kind| begin.starts_with(kind.as_bytes()))
        && begin.get(8..12) == Some(b"WAVE".as_slice())
}

/// Reads the header of a file of `file_bytes`.
pub(super) fn read(
    path: &Path,
    file: &mut File,
    file_bytes: u64,
) -> Result<Header, RecordingError> {
    walk(file, file_bytes).map_err(|fault| match fault {
        Fault::Header(fault) => RecordingError::bad(path, fault),
        Fault::Reading(error) => RecordingError::reading(path, error),
    })
}

/// The kind of file, by its first letters.
#[derive(Debug, Clone, Copy)]
struct Kind {
    big_endian: bool,
    /// Lengths of 64 bits stand in a `ds64` chunk.
    wide: bool,
}

impl Kind {
    fn of(riff: &[u8; 12]) -> Result<Self, String> {
        let (kind, form) = (&riff[..4], &riff[8..]);
        let (big_endian, wide) = match kind {
            b"RIFF" => (false, false),
            b"RIFX" => (true, false),
            b"RF64" | b"BW64" => (false, true),
            _ => {
                let begin = String::from_utf8_lossy(kind);
                return Err(format!("not a WAV file: begins with {begin:?}, not \"RIFF\""));
            }
        };
        if form != b"WAVE" {
            let (kind, form) = (String::from_utf8_lossy(kind), String::from_utf8_lossy(form));
            return Err(format!("{kind} file of form {form:?}, not WAVE"));
        }
        Ok(Self { big_endian, wide })
    }

    const fn u32(self, bytes: [u8; 4]) -> u64 {
        (if self.big_endian { u32::from_be_bytes(bytes) } else { u32::from_le_bytes(bytes) }) as u64
    }
}

/// Lengths of 64 bits: of the data chunk, and of other chunks by their names.
#[derive(Default)]
struct Wide {
    data_bytes: Option<u64>,
    others: Vec<([u8; 4], u64)>,
}

impl Wide {
    /// Reads a `ds64` chunk: length of the file, of the data, samples, then a table.
    fn read(file: &mut impl Read, length: u64) -> Result<Self, Fault> {
        if length < 28 {
            return Err(Fault::Header(format!(
                "WAV ds64 chunk of {length} bytes, at least 28 are needed"
            )));
        }
        let mut fixed = [0; 28];
        file.read_exact(&mut fixed)?;
        let entries = u32::from_le_bytes([fixed[24], fixed[25], fixed[26], fixed[27]]);
        let room = u32::try_from((length - 28) / 12).unwrap_or(MAX_TABLE);
        let mut others = Vec::new();
        for _ in 0..entries.min(room).min(MAX_TABLE) {
            let mut entry = [0; 12];
            file.read_exact(&mut entry)?;
            others.push(([entry[0], entry[1], entry[2], entry[3]], u64_at(&entry, 4)));
        }
        Ok(Self { data_bytes: Some(u64_at(&fixed, 8)), others })
    }

    fn of(&self, name: [u8; 4]) -> Option<u64> {
        if &name == b"data" {
            return self.data_bytes;
        }
        self.others.iter().find(|(other, _)| *other == name).map(|(_, bytes)| *bytes)
    }
}

fn u64_at(bytes: &[u8], at: usize) -> u64 {
    bytes[at..at + 8].iter().rev().fold(0, |value, byte| value << 8 | u64::from(*byte))
}

fn walk<R: Read + Seek>(file: &mut R, file_bytes: u64) -> Result<Header, Fault> {
    file.rewind()?;
    if file_bytes < 12 {
        return Err(Fault::Header(format!("not a WAV file: {file_bytes} bytes long")));
    }
    let mut riff = [0; 12];
    file.read_exact(&mut riff)?;
    let kind = Kind::of(&riff)?;
    let (mut fmt, mut wide) = (None, Wide::default());
    let mut at = 12;
    for _ in 0..MAX_CHUNKS {
        if file_bytes < at + 8 {
            let fault = format!("WAV file of {file_bytes} bytes without a data chunk");
            return Err(Fault::Header(fault));
        }
        let (name, mut length) = chunk_head(file, at, kind)?;
        if kind.wide && length == UNSAID {
            length = wide.of(name).unwrap_or(length);
        }
        match &name {
            b"fmt " => {
                let mut body = [0; wav_fmt::MAX_BYTES];
                let held = usize::try_from(length).map_or(body.len(), |n| n.min(body.len()));
                file.read_exact(&mut body[..held])?;
                fmt = Some(Fmt::parse(&body[..held], kind.big_endian)?);
            }
            b"ds64" if kind.wide => wide = Wide::read(file, length)?,
            b"data" => {
                let fault = || Fault::Header("WAV data chunk before the fmt chunk".to_owned());
                let data = Data { kind, byte: at + 8, said: length, held: file_bytes - at - 8 };
                return header(file, fmt.ok_or_else(fault)?, data);
            }
            _ => {}
        }
        // Chunks begin at even places; the pad byte is not in the length.
        at = next_chunk(at, length);
    }
    Err(Fault::Header(format!("WAV file with {MAX_CHUNKS} chunks before its samples")))
}

/// Where the chunk after one that begins at a byte begins; far beyond any file where that is.
const fn next_chunk(at: u64, length: u64) -> u64 {
    at.saturating_add(8).saturating_add(length).saturating_add(length % 2)
}

fn chunk_head<R: Read + Seek>(file: &mut R, at: u64, kind: Kind) -> io::Result<([u8; 4], u64)> {
    let mut head = [0; 8];
    file.seek(SeekFrom::Start(at))?;
    file.read_exact(&mut head)?;
    let [a, b, c, d, length @ ..] = head;
    Ok(([a, b, c, d], kind.u32(length)))
}

/// The data chunk as its head says it and as the file has it.
#[derive(Clone, Copy)]
struct Data {
    kind: Kind,
    /// Place of the samples.
    byte: u64,
    /// Length by the head.
    said: u64,
    /// Bytes from there to the end of the file.
    held: u64,
}

fn header<R: Read + Seek>(file: &mut R, fmt: Fmt, data: Data) -> Result<Header, Fault> {
    let Data { said, held, .. } = data;
    let mut warnings: Vec<String> = fmt.warning.into_iter().collect();
    let unfinished = || {
        format!(
            "WAV data chunk says {said} bytes, {held} follow: it was not closed by its recorder, \
             all of them are read"
        )
    };
    let mut data_bytes = said.min(held);
    if held > 0 && (said == UNSAID || (said == 0 && !chunks_follow(file, data, &mut warnings)?)) {
        if said != held {
            warnings.push(unfinished());
        }
        data_bytes = held;
    } else if said > held {
        warnings.push(format!(
            "WAV data chunk says {said} bytes, the file holds {held}: it ends early"
        ));
    } else if !data.kind.wide && held > said && (held - said).is_multiple_of(1 << 32) {
        warnings.push(format!(
            "WAV data chunk says {said} bytes, {held} follow: its length ran over at 4 GiB, all of \
             them are read"
        ));
        data_bytes = held;
    } else if said > 0 {
        chunks_follow(file, data, &mut warnings)?;
    }
    Ok(Header {
        stored: fmt.stored,
        channels: fmt.channels,
        sample_rate_hz: fmt.sample_rate_hz,
        data_byte: data.byte,
        data_bytes,
        warnings,
    })
}

/// Whether what follows the data is a row of chunks to the end of the file; a further data chunk
/// among them is warned of.
fn chunks_follow<R: Read + Seek>(
    file: &mut R,
    data: Data,
    warnings: &mut Vec<String>,
) -> Result<bool, Fault> {
    let file_bytes = data.byte + data.held;
    let mut at = next_chunk(data.byte - 8, data.said);
    let (begin, mut further) = (at, None);
    for _ in 0..MAX_CHUNKS {
        if file_bytes < at.saturating_add(8) {
            break;
        }
        let (name, length) = chunk_head(file, at, data.kind)?;
        if !name.iter().all(|letter| (b' '..=b'~').contains(letter)) {
            return Ok(false);
        }
        if &name == b"data" && further.is_none() {
            further = Some(at);
        }
        at = next_chunk(at, length);
    }
    // A pad byte at the end of a file is often left out.
    let whole = at > begin && (at == file_bytes || at == file_bytes + 1);
    if let Some(at) = further.filter(|_| whole) {
        warnings.push(format!("a further WAV data chunk at byte {at} is not read"));
    }
    Ok(whole)
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::io::Write as _;

    use super::super::Recording;
    use super::super::specimen::{expect, frames};
    use super::super::stored::Number;
    use super::*;
    use crate::signal::SampleFormat;

    /// A RIFF file of the given chunks.
    fn riff(chunks: &[(&[u8; 4], &[u8])]) -> Vec<u8> {
        let mut bytes = b"RIFF\0\0\0\0WAVE".to_vec();
        for (name, body) in chunks {
            bytes.extend_from_slice(*name);
            bytes.extend(u32::try_from(body.len()).unwrap().to_le_bytes());
            bytes.extend_from_slice(body);
            bytes.extend((body.len() % 2 == 1).then_some(0));
        }
        let length = u32::try_from(bytes.len() - 8).unwrap();
        bytes[4..8].copy_from_slice(&length.to_le_bytes());
        bytes
    }

    fn fmt(tag: u16, channels: u16, rate: u32, block: u16, bits: u16) -> Vec<u8> {
        let mut body = Vec::new();
        body.extend(tag.to_le_bytes());
        body.extend(channels.to_le_bytes());
        body.extend(rate.to_le_bytes());
        body.extend(rate.wrapping_mul(u32::from(block)).to_le_bytes());
        body.extend(block.to_le_bytes());
        body.extend(bits.to_le_bytes());
        body
    }

    fn parse(bytes: &[u8]) -> Result<Header, String> {
        walk(&mut io::Cursor::new(bytes), bytes.len() as u64).map_err(|fault| match fault {
            Fault::Header(fault) => fault,
            Fault::Reading(error) => error.to_string(),
        })
    }

    #[track_caller]
    fn check_fault(bytes: &[u8], fault: &str) {
        assert_eq!(parse(bytes).unwrap_err(), fault);
    }

    #[test]
    fn what_is_no_wav_file_is_refused_by_its_first_bytes() {
        check_fault(b"", "not a WAV file: 0 bytes long");
        check_fault(b"Pulse log of May 4", "not a WAV file: begins with \"Puls\", not \"RIFF\"");
        check_fault(b"RIFF\0\0\0\0AVI ", "RIFF file of form \"AVI \", not WAVE");
        check_fault(b"RF64\0\0\0\0WAVE", "WAV file of 12 bytes without a data chunk");
        let wide = b"RF64\0\0\0\0WAVEds64\x04\0\0\0abcd";
        check_fault(wide, "WAV ds64 chunk of 4 bytes, at least 28 are needed");
        check_fault(&riff(&[]), "WAV file of 12 bytes without a data chunk");
        check_fault(&riff(&[(b"data", b"ab")]), "WAV data chunk before the fmt chunk");
        let short = "WAV fmt chunk of 4 bytes, at least 16 are needed";
        check_fault(&riff(&[(b"fmt ", b"abcd")]), short);
    }

    #[test]
    fn impossible_and_unread_formats_are_refused_with_their_values() {
        let check = |body: Vec<u8>, fault: &str| check_fault(&riff(&[(b"fmt ", &body)]), fault);
        let both = "both must be above 0";
        check(fmt(1, 0, 48_000, 2, 16), &format!("WAV header says 0 channels at 48000 Hz, {both}"));
        check(fmt(1, 1, 0, 2, 16), &format!("WAV header says 1 channels at 0 Hz, {both}"));
        check(
            fmt(1, 2, 48_000, 3, 16),
            "WAV header says 3 bytes for 2 channels, not a whole number each",
        );
        check(fmt(1, 1, 48_000, 2, 24), "WAV header says 24 bits in samples of 16");
        let read = "only integers (tag 1) of 1 to 4 bytes and floating point (tag 3) of 4 or 8 are";
        check(
            fmt(2, 1, 48_000, 2, 16),
            &format!("WAV samples of format tag 2 in 2 bytes are not read, {read}"),
        );
        check(
            fmt(3, 1, 48_000, 2, 16),
            &format!("WAV samples of format tag 3 in 2 bytes are not read, {read}"),
        );
    }

    #[test]
    fn a_file_that_its_recorder_did_not_close_is_read_to_its_end() {
        let mut bytes = riff(&[(b"fmt ", &fmt(1, 1, 48_000, 2, 16)), (b"data", b"abcdef")]);
        let at = bytes.len() - 10;
        for (length, said) in [([0; 4], "0"), ([0xff; 4], "4294967295")] {
            bytes[at..at + 4].copy_from_slice(&length);
            let header = parse(&bytes).unwrap();
            assert_eq!((header.data_byte, header.data_bytes), (44, 6));
            let warning = format!(
                "WAV data chunk says {said} bytes, 6 follow: it was not closed by its recorder, \
                 all of them are read"
            );
            assert_eq!(header.warnings, [warning]);
        }
    }

    #[test]
    fn an_empty_data_chunk_before_other_chunks_is_empty() {
        let format = fmt(1, 1, 48_000, 2, 16);
        let bytes = riff(&[(b"fmt ", &format), (b"data", b""), (b"LIST", b"odd")]);
        assert_eq!(parse(&bytes).unwrap().data_bytes, 0);
        let bytes = riff(&[(b"fmt ", &format), (b"data", b"ab"), (b"data", b"cd")]);
        let header = parse(&bytes).unwrap();
        assert_eq!(header.data_bytes, 2);
        assert_eq!(header.warnings, ["a further WAV data chunk at byte 46 is not read"]);
    }

    /// The head of an RF64 file: lengths of 64 bits, format, and a data chunk that refers to them.
    fn rf64(data_bytes: u64) -> Vec<u8> {
        let mut bytes = b"RF64\xff\xff\xff\xffWAVEds64\x28\0\0\0".to_vec();
        for length in [data_bytes + 100, data_bytes, data_bytes / 2] {
            bytes.extend(length.to_le_bytes());
        }
        bytes.extend(1_u32.to_le_bytes());
        bytes.extend(b"note\x04\0\0\0\0\0\0\0");
        bytes.extend(b"note\xff\xff\xff\xffabcdfmt \x10\0\0\0");
        bytes.extend(fmt(1, 1, 20_000_000, 2, 16));
        bytes.extend(b"data\xff\xff\xff\xff");
        bytes
    }

    #[test]
    fn lengths_of_64_bits_stand_in_their_own_chunk() {
        let mut bytes = rf64(4);
        bytes.extend(b"abcdLIST\0\0\0\0");
        let header = parse(&bytes).unwrap();
        assert_eq!((header.data_byte, header.data_bytes), (104, 4));
        assert!(header.warnings.is_empty(), "{:?}", header.warnings);
        // The same without any length: up to the end of the file, and said so.
        bytes[12..16].copy_from_slice(b"JUNK");
        bytes.drain(60..72);
        let header = parse(&bytes).unwrap();
        assert_eq!((header.data_byte, header.data_bytes), (92, 12));
        assert!(header.warnings[0].contains("not closed by its recorder"));
    }

    #[test]
    fn samples_beyond_4_gib_are_read() {
        let folder = tempfile::tempdir().unwrap();
        // 5 GiB, almost all of it a hole that takes no room on the disk.
        let data_bytes = 5_u64 << 30;
        let mut plain = riff(&[(b"fmt ", &fmt(1, 1, 20_000_000, 2, 16)), (b"data", b"")]);
        let said = u32::try_from(data_bytes & 0xffff_ffff).unwrap();
        plain.truncate(40);
        plain.extend(said.to_le_bytes());
        for (name, head, warned) in [
            ("wide.wav", rf64(data_bytes), None),
            ("ran_over.wav", plain, Some("its length ran over at 4 GiB")),
        ] {
            let path = folder.path().join(name);
            fs::write(&path, &head).unwrap();
            let mut file = fs::OpenOptions::new().write(true).open(&path).unwrap();
            file.set_len(head.len() as u64 + data_bytes).unwrap();
            file.seek(SeekFrom::End(-8)).unwrap();
            file.write_all(&[1, 0, 2, 0, 3, 0, 0xff, 0xff]).unwrap();
            let cues = folder.path().join("cues.csv");
            let start = data_bytes / 2 - 4;
            let row = format!("{start},4,1,,noise\n");
            fs::write(&cues, "start_sample,sample_count,pulse,drive_mpa,stage\n".to_owned() + &row)
                .unwrap();
            let expect = expect(SampleFormat::Ri16Le, 1);
            let recording = Recording::open(&path, &expect, Some(&cues)).unwrap();
            assert_eq!(recording.stream.length, Some(data_bytes / 2));
            let told = recording.warnings.join("; ");
            assert!(warned.map_or(told.is_empty(), |words| told.contains(words)), "{told}");
            let frames = frames(&recording, 4096);
            assert_eq!(frames[0].bytes, [1, 0, 2, 0, 3, 0, 0xff, 0xff]);
            assert_eq!(frames[0].tag.first.0, start);
        }
    }

    #[test]
    fn big_endian_files_are_read_as_the_same_counts() {
        let mut bytes = b"RIFX\0\0\0\0WAVEnote\0\0\0\x03odd\0fmt \0\0\0\x28".to_vec();
        for value in [0xfffe_u16, 2, 0, 48_000, 0, 0, 6, 24, 22, 24, 0, 0] {
            bytes.extend(value.to_be_bytes());
        }
        bytes.extend([0, 0, 0, 1, 0, 0, 0, 0x10, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]);
        bytes.extend(b"data\0\0\0\x06\x80\0\0\0\0\x07");
        let header = parse(&bytes).unwrap();
        assert_eq!((header.channels, header.sample_rate_hz), (2, 48_000));
        assert_eq!(header.stored, Stored { number: Number::I24, big_endian: true });
        let mut counts = [0; 8];
        let from = usize::try_from(header.data_byte).unwrap();
        header.stored.convert(SampleFormat::Ri32Le, &bytes[from..from + 6], &mut counts);
        assert_eq!(counts, [0, 0, 0x80, 0xff, 7, 0, 0, 0]);
    }

    #[test]
    fn data_that_end_early_are_read_as_far_as_they_go() {
        let bytes = riff(&[(b"fmt ", &fmt(1, 1, 48_000, 2, 16)), (b"data", b"abcdef")]);
        let header = parse(&bytes[..bytes.len() - 2]).unwrap();
        assert_eq!((header.data_byte, header.data_bytes), (44, 4));
        let warning = "WAV data chunk says 6 bytes, the file holds 4: it ends early";
        assert_eq!(header.warnings, [warning]);
    }

    // IBM and Microsoft 1991, RIFF (from memory): a chunk's data are padded to an even length, its
    // size leaves the padding out.
    #[test]
    fn the_pad_byte_after_an_odd_chunk_is_skipped() {
        let format = fmt(1, 1, 48_000, 2, 16);
        let bytes = riff(&[(b"note", b"odd"), (b"fmt ", &format), (b"data", b"ab")]);
        let header = parse(&bytes).unwrap();
        assert_eq!((header.data_byte, header.data_bytes), (56, 2));
    }

    #[test]
    fn a_byte_rate_beyond_32_bits_is_no_fault() {
        let bytes = riff(&[(b"fmt ", &fmt(1, 16, 100_000_000, 64, 32)), (b"data", &[0; 64])]);
        let header = parse(&bytes).unwrap();
        assert_eq!((header.channels, header.sample_rate_hz), (16, 100_000_000));
        assert_eq!(header.stored.sample_format(), SampleFormat::Ri32Le);
    }

    #[test]
    fn unused_bits_are_warned_of() {
        let bytes = riff(&[(b"fmt ", &fmt(1, 1, 48_000, 2, 12)), (b"data", b"ab")]);
        let warning = "WAV header says 12 of 16 bits are used; counts are those of 16";
        assert_eq!(parse(&bytes).unwrap().warnings, [warning]);
    }

    // Header and samples by hound, an independent writer.
    #[test]
    fn every_integer_width_of_hound_comes_back_as_the_same_counts() {
        let folder = tempfile::tempdir().unwrap();
        for bits in [8_u16, 16, 24, 32] {
            let path = folder.path().join(format!("{bits}.wav"));
            let top = i32::try_from((1_i64 << (bits - 1)) - 1).unwrap();
            let counts = [-top - 1, top, -1, 0, 1, top / 3, -top / 3, 77];
            let format = hound::SampleFormat::Int;
            let spec = hound::WavSpec {
                channels: 2,
                sample_rate: 20_000_000,
                bits_per_sample: bits,
                sample_format: format,
            };
            let mut writer = hound::WavWriter::create(&path, spec).unwrap();
            counts.iter().for_each(|count| writer.write_sample(*count).unwrap());
            writer.finalize().unwrap();

            let bytes = fs::read(&path).unwrap();
            let header = parse(&bytes).unwrap();
            assert_eq!((header.channels, header.sample_rate_hz), (2, 20_000_000));
            let at = usize::try_from(header.data_byte).unwrap();
            let format = header.stored.sample_format();
            let size = format.bytes();
            let mut samples = vec![0; counts.len() * size];
            let stored = &bytes[at..at + usize::try_from(header.data_bytes).unwrap()];
            header.stored.convert(format, stored, &mut samples);
            let read: Vec<i32> = samples
                .chunks_exact(size)
                .map(|sample| match *sample {
                    [a] => i32::from(a.cast_signed()),
                    [a, b] => i32::from(i16::from_le_bytes([a, b])),
                    [a, b, c, d] => i32::from_le_bytes([a, b, c, d]),
                    _ => panic!("{size} bytes a sample"),
                })
                .collect();
            assert_eq!(read, counts, "{bits} bits");
        }
    }

    #[test]
    fn a_header_cut_at_any_byte_is_a_fault() {
        let format = fmt(1, 1, 48_000, 2, 16);
        let bytes = riff(&[(b"note", b"odd"), (b"fmt ", &format), (b"data", b"abcd")]);
        let data = bytes.len() - 4;
        for end in 0..data {
            assert!(parse(&bytes[..end]).is_err(), "cut at {end}");
        }
        assert!(parse(&bytes).is_ok());
    }

    proptest::proptest! {
        #[test]
        fn mutated_headers_never_panic_nor_point_outside_the_file(
            at in proptest::collection::vec((0_usize..60, proptest::num::u8::ANY), 1..8),
        ) {
            let format = fmt(1, 2, 48_000, 6, 24);
            let mut bytes = riff(&[(b"note", b"odd"), (b"fmt ", &format), (b"data", b"abcdef")]);
            for (place, byte) in at {
                bytes[place] = byte;
            }
            if let Ok(header) = parse(&bytes) {
                let end = header.data_byte + header.data_bytes;
                proptest::prop_assert!(end <= bytes.len() as u64);
                proptest::prop_assert!(header.channels > 0);
            }
        }
    }
}
