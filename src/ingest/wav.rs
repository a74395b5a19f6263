//! WAV: which samples a file holds and where, and a small writer.
//!
//! Source: IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0 (1991),
//! RIFF and WAVE; Microsoft's `WAVEFORMATEXTENSIBLE`. Chunks are walked here rather than by hound:
//! hound 3.5 leaves out the pad byte after an odd chunk, refuses files whose bytes a second pass
//! 2^32 (16 channels of 32 bits at 100 MS/s do), and reads a crashed recorder's file as empty.
//! Big-endian files (RIFX), files over 4 GiB (RF64) and unfinished files are refused by name.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use super::error::RecordingError;
use crate::signal::SampleFormat;

/// Most chunks walked before the samples.
const MAX_CHUNKS: usize = 10_000;
/// Most bytes of samples written: the RIFF length counts the header, too.
const MAX_WRITTEN_BYTES: u64 = u32::MAX as u64 - 1024;
/// `wFormatTag` of integers, floating point, and of the extended header.
const PCM: u16 = 1;
const IEEE_FLOAT: u16 = 3;
const EXTENSIBLE: u16 = 0xfffe;
/// What follows the format tag in the `SubFormat` GUID of the extended header.
const GUID_TAIL: [u8; 14] =
    [0x00, 0x00, 0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xaa, 0x00, 0x38, 0x9b, 0x71];

/// How samples are stored where that is not one of [`SampleFormat`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Stored {
    /// As the sample format says.
    AsIs,
    /// Unsigned bytes, 128 is zero; becomes ri8.
    Offset8,
    /// Signed 24 bits, little-endian; becomes `ri32_le`.
    Packed24,
}

impl Stored {
    /// Bytes one sample takes in the file.
    pub(super) const fn bytes(self, format: SampleFormat) -> usize {
        match self {
            Self::Packed24 => 3,
            Self::AsIs | Self::Offset8 => format.bytes(),
        }
    }

    /// Turns stored samples into the sample format. The stored bytes stand at the end of `bytes`,
    /// which is as long as the result.
    pub(super) fn convert(self, bytes: &mut [u8]) {
        match self {
            Self::AsIs => {}
            Self::Offset8 => bytes.iter_mut().for_each(|byte| *byte ^= 0x80),
            Self::Packed24 => {
                // Writing 4 bytes from the front never passes the reading of 3 from len/4 on.
                let samples = bytes.len() / 4;
                for sample in 0..samples {
                    let from = samples + 3 * sample;
                    let [low, middle, high] = [bytes[from], bytes[from + 1], bytes[from + 2]];
                    let sign = if high & 0x80 == 0 { 0 } else { 0xff };
                    bytes[4 * sample..4 * sample + 4].copy_from_slice(&[low, middle, high, sign]);
                }
            }
        }
    }
}

/// What a header says.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Header {
    pub(super) sample_format: SampleFormat,
    pub(super) stored: Stored,
    pub(super) channels: u16,
    pub(super) sample_rate_hz: u32,
    /// Place and length of the samples in the file, bytes.
    pub(super) data_byte: u64,
    pub(super) data_bytes: u64,
    pub(super) warnings: Vec<String>,
}

/// Reads the header of a file of `file_bytes`.
pub(super) fn read(
    path: &Path,
    file: &mut File,
    file_bytes: u64,
) -> Result<Header, RecordingError> {
    match walk(file, file_bytes) {
        Ok(Ok(header)) => Ok(header),
        Ok(Err(fault)) => Err(RecordingError::bad(path, fault)),
        Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => {
            Err(RecordingError::bad(path, "WAV header ends early"))
        }
        Err(error) => Err(RecordingError::reading(path, error)),
    }
}

fn walk<R: Read + Seek>(file: &mut R, file_bytes: u64) -> io::Result<Result<Header, String>> {
    let mut riff = [0; 12];
    file.rewind()?;
    if file_bytes < 12 {
        return Ok(Err(format!("not a WAV file: {file_bytes} bytes long")));
    }
    file.read_exact(&mut riff)?;
    if let Err(fault) = check_kind(&riff) {
        return Ok(Err(fault));
    }
    let mut fmt: Option<Fmt> = None;
    let mut at = 12;
    for _ in 0..MAX_CHUNKS {
        if file_bytes < at + 8 {
            return Ok(Err(format!("WAV file of {file_bytes} bytes without a data chunk")));
        }
        let mut head = [0; 8];
        file.seek(SeekFrom::Start(at))?;
        file.read_exact(&mut head)?;
        let [a, b, c, d, length @ ..] = head;
        let length = u64::from(u32::from_le_bytes(length));
        match &[a, b, c, d] {
            b"fmt " => {
                let mut body = [0; 40];
                let held = usize::try_from(length).map_or(40, |length| length.min(40));
                file.read_exact(&mut body[..held])?;
                match Fmt::parse(&body[..held]) {
                    Ok(parsed) => fmt = Some(parsed),
                    Err(fault) => return Ok(Err(fault)),
                }
            }
            b"data" => {
                let Some(fmt) = fmt else {
                    return Ok(Err("WAV data chunk before the fmt chunk".to_owned()));
                };
                return Ok(fmt.header(at + 8, length, file_bytes));
            }
            _ => {}
        }
        // Chunks begin at even places; the pad byte is not in the length.
        at += 8 + length + length % 2;
    }
    Ok(Err(format!("WAV file with {MAX_CHUNKS} chunks before its samples")))
}

fn check_kind(riff: &[u8; 12]) -> Result<(), String> {
    let (kind, form) = (&riff[..4], &riff[8..]);
    match kind {
        b"RIFX" => Err("big-endian WAV (RIFX) is not read".to_owned()),
        b"RF64" | b"BW64" => Err("WAV over 4 GiB (RF64) is not read".to_owned()),
        b"RIFF" if form == b"WAVE" => Ok(()),
        b"RIFF" => Err(format!("RIFF file of form {:?}, not WAVE", String::from_utf8_lossy(form))),
        _ => Err(format!(
            "not a WAV file: begins with {:?}, not \"RIFF\"",
            String::from_utf8_lossy(kind)
        )),
    }
}

/// The fmt chunk.
#[derive(Debug)]
struct Fmt {
    channels: u16,
    sample_rate_hz: u32,
    sample_format: SampleFormat,
    stored: Stored,
    warning: Option<String>,
}

impl Fmt {
    fn parse(body: &[u8]) -> Result<Self, String> {
        if body.len() < 16 {
            return Err(format!("WAV fmt chunk of {} bytes, at least 16 are needed", body.len()));
        }
        let u16_at = |at: usize| u16::from_le_bytes([body[at], body[at + 1]]);
        let sample_rate_hz = u32::from_le_bytes([body[4], body[5], body[6], body[7]]);
        let (mut tag, channels, block) = (u16_at(0), u16_at(2), u16_at(12));
        let mut bits = u16_at(14);
        if tag == EXTENSIBLE {
            if body.len() < 40 {
                let held = body.len();
                return Err(format!("WAV fmt chunk of {held} bytes, the extended one has 40"));
            }
            if body[26..40] != GUID_TAIL {
                return Err("WAV fmt chunk with a SubFormat that is not read".to_owned());
            }
            tag = u16_at(24);
            bits = if u16_at(18) == 0 { bits } else { u16_at(18) };
        }
        if channels == 0 || sample_rate_hz == 0 {
            return Err(format!(
                "WAV header says {channels} channels at {sample_rate_hz} Hz, both must be above 0"
            ));
        }
        if block == 0 || block % channels != 0 {
            return Err(format!(
                "WAV header says {block} bytes for {channels} channels, not a whole number each"
            ));
        }
        let bytes = block / channels;
        let (sample_format, stored) = match (tag, bytes) {
            (PCM, 1) => (SampleFormat::Ri8, Stored::Offset8),
            (PCM, 2) => (SampleFormat::Ri16Le, Stored::AsIs),
            (PCM, 3) => (SampleFormat::Ri32Le, Stored::Packed24),
            (PCM, 4) => (SampleFormat::Ri32Le, Stored::AsIs),
            (IEEE_FLOAT, 4) => (SampleFormat::Rf32Le, Stored::AsIs),
            (IEEE_FLOAT, 8) => (SampleFormat::Rf64Le, Stored::AsIs),
            _ => {
                return Err(format!(
                    "WAV samples of format tag {tag} in {bytes} bytes are not read, only integers \
                     (tag 1) of 1 to 4 bytes and floating point (tag 3) of 4 or 8 are"
                ));
            }
        };
        let held = u32::from(bytes) * 8;
        if bits == 0 || u32::from(bits) > held {
            return Err(format!("WAV header says {bits} bits in samples of {held}"));
        }
        let warning = (u32::from(bits) < held).then(|| {
            format!("WAV header says {bits} of {held} bits are used; counts are those of {held}")
        });
        Ok(Self { channels, sample_rate_hz, sample_format, stored, warning })
    }

    fn header(self, data_byte: u64, length: u64, file_bytes: u64) -> Result<Header, String> {
        let held = file_bytes - data_byte;
        if length == u64::from(u32::MAX) || (length == 0 && held > 0) {
            return Err(format!(
                "unfinished WAV file: its data chunk says {length} bytes, {held} follow; \
                 it was not closed by its recorder"
            ));
        }
        let mut warnings: Vec<String> = self.warning.into_iter().collect();
        if length > held {
            warnings.push(format!(
                "WAV data chunk says {length} bytes, the file holds {held}: it ends early"
            ));
        }
        Ok(Header {
            sample_format: self.sample_format,
            stored: self.stored,
            channels: self.channels,
            sample_rate_hz: self.sample_rate_hz,
            data_byte,
            data_bytes: length.min(held),
            warnings,
        })
    }
}

/// Writes 16-bit PCM through hound, up to what a WAV header can say.
pub struct WavWriter {
    path: PathBuf,
    bytes_left: u64,
    writer: hound::WavWriter<io::BufWriter<File>>,
}

impl WavWriter {
    /// Begins a file that is not there yet.
    ///
    /// # Errors
    /// [`RecordingError::CannotCreate`].
    pub fn create(path: &Path, channels: u16, sample_rate_hz: u32) -> Result<Self, RecordingError> {
        let creating = |error| RecordingError::creating(path, error);
        if channels == 0 || sample_rate_hz == 0 {
            let fault = format!("{channels} channels at {sample_rate_hz} Hz, both must be above 0");
            return Err(RecordingError::bad(path, fault));
        }
        let file = File::create_new(path).map_err(creating)?;
        let spec = hound::WavSpec {
            channels,
            sample_rate: sample_rate_hz,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        let writer = hound::WavWriter::new(io::BufWriter::new(file), spec)
            .map_err(|error| creating(system(error)))?;
        Ok(Self { path: path.to_owned(), bytes_left: MAX_WRITTEN_BYTES, writer })
    }

    /// Appends interleaved counts.
    ///
    /// # Errors
    /// [`RecordingError::Io`], also beyond 4 GiB, which a WAV header cannot say.
    pub fn counts(&mut self, counts: &[i16]) -> Result<(), RecordingError> {
        let left = self.bytes_left.checked_sub(2 * counts.len() as u64);
        self.bytes_left = left.ok_or_else(|| {
            let fault = "a WAV file holds at most 4 GiB; write SigMF";
            RecordingError::writing(&self.path, io::Error::other(fault))
        })?;
        for count in counts {
            let written = self.writer.write_sample(*count);
            written.map_err(|error| RecordingError::writing(&self.path, system(error)))?;
        }
        Ok(())
    }

    /// Writes the lengths into the header; without this the file is unfinished.
    ///
    /// # Errors
    /// [`RecordingError::Io`], also when the last sample set is not whole.
    pub fn finish(self) -> Result<(), RecordingError> {
        let path = self.path;
        self.writer.finalize().map_err(|error| RecordingError::writing(&path, system(error)))
    }
}

fn system(error: hound::Error) -> io::Error {
    match error {
        hound::Error::IoError(error) => error,
        other => io::Error::other(other.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

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
        walk(&mut io::Cursor::new(bytes), bytes.len() as u64)
            .unwrap_or_else(|error| Err(error.to_string()))
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
        check_fault(b"RIFX\0\0\0\0WAVE", "big-endian WAV (RIFX) is not read");
        check_fault(b"RF64\0\0\0\0WAVE", "WAV over 4 GiB (RF64) is not read");
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
    fn a_recorder_that_did_not_close_its_file_is_named() {
        let mut bytes = riff(&[(b"fmt ", &fmt(1, 1, 48_000, 2, 16)), (b"data", b"abcdef")]);
        let at = bytes.len() - 10;
        for (length, said) in [([0; 4], "0"), ([0xff; 4], "4294967295")] {
            bytes[at..at + 4].copy_from_slice(&length);
            let fault = format!(
                "unfinished WAV file: its data chunk says {said} bytes, 6 follow; \
                 it was not closed by its recorder"
            );
            check_fault(&bytes, &fault);
        }
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
        assert_eq!(header.sample_format, SampleFormat::Ri32Le);
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
            let size = header.sample_format.bytes();
            let mut samples = vec![0; counts.len() * size];
            let stored = &bytes[at..at + usize::try_from(header.data_bytes).unwrap()];
            let begin = samples.len() - stored.len();
            samples[begin..].copy_from_slice(stored);
            header.stored.convert(&mut samples);
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
    fn hound_reads_what_the_writer_wrote() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.wav");
        let mut writer = WavWriter::create(&path, 2, 20_000_000).unwrap();
        writer.counts(&[1, -2, i16::MIN, i16::MAX]).unwrap();
        writer.finish().unwrap();
        let mut reader = hound::WavReader::open(&path).unwrap();
        let counts: Vec<i16> = reader.samples().map(Result::unwrap).collect();
        assert_eq!(counts, [1, -2, i16::MIN, i16::MAX]);
        assert_eq!(reader.spec().channels, 2);
        let again = WavWriter::create(&path, 2, 20_000_000).err().unwrap();
        assert_eq!(again.exit_code(), 73);
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
