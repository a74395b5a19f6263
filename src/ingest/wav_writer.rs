//! Writes WAV: 16-bit PCM, little-endian, up to 4 GiB.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};

use super::error::RecordingError;

/// Most bytes of samples written: the RIFF length counts the header, too.
const MAX_WRITTEN_BYTES: u64 = u32::MAX as u64 - 1024;

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
    use super::*;

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
}
