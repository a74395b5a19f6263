//! `spectra.npy`: NumPy's array format 1.0, little-endian float32, pulses × channels × bins.
//!
//! The head is written with room to spare and again at the end, when the number of pulses is known.

use std::fs::File;
use std::io::{BufWriter, Read as _, Seek as _, SeekFrom, Write as _};
use std::path::Path;

use crate::signal::plan::single;
use crate::signal::{ChannelReading, decibels};

const HEAD_BYTES: usize = 128;

/// One pulse's row, dB re 1 V²/Hz; NaN where a channel has no numbers.
pub(super) fn row(readings: &[ChannelReading], bins: usize) -> Vec<u8> {
    let mut row = Vec::with_capacity(readings.len() * bins * 4);
    for reading in readings {
        for k in 0..bins {
            let density = reading.spectrum.get(k).copied().map_or(f64::NAN, f64::from);
            let db = decibels(density).unwrap_or(if density == 0.0 {
                f64::NEG_INFINITY
            } else {
                f64::NAN
            });
            row.extend(single(db).to_le_bytes());
        }
    }
    row
}

/// The file while it is written.
pub(super) struct SpectraFile {
    file: BufWriter<File>,
    pulses: u64,
    channels: usize,
    bins: usize,
}

impl SpectraFile {
    pub(super) fn create(path: &Path, channels: usize, bins: usize) -> std::io::Result<Self> {
        let mut file = BufWriter::new(File::create(path)?);
        file.write_all(&head(0, channels, bins))?;
        Ok(Self { file, pulses: 0, channels, bins })
    }

    /// Appends one pulse's row.
    pub(super) fn add(&mut self, row: &[u8]) -> std::io::Result<()> {
        self.pulses += 1;
        self.file.write_all(row)
    }

    pub(super) fn flush(&mut self) -> std::io::Result<()> {
        self.file.flush()
    }

    pub(super) fn sync(&self) -> std::io::Result<()> {
        self.file.get_ref().sync_data()
    }

    /// Writes how many pulses there are.
    pub(super) fn finish(&mut self) -> std::io::Result<()> {
        self.file.seek(SeekFrom::Start(0))?;
        self.file.write_all(&head(self.pulses, self.channels, self.bins))?;
        self.file.flush()
    }
}

/// Cuts a file that was not finished to whole pulses, `most` at most, and says how many there are:
/// pulses and bytes that were cut; nothing where all was well.
pub(super) fn mend(
    path: &Path,
    channels: usize,
    bins: usize,
    most: u64,
) -> std::io::Result<Option<(u64, u64)>> {
    let mut file = File::options().read(true).write(true).open(path)?;
    let row = (channels * bins * 4) as u64;
    let held = file.metadata()?.len();
    let pulses = held.saturating_sub(HEAD_BYTES as u64).checked_div(row).unwrap_or(0).min(most);
    let whole = HEAD_BYTES as u64 + pulses * row;
    let mut known = vec![0; HEAD_BYTES];
    let right = head(pulses, channels, bins);
    if held == whole && file.read_exact(&mut known).is_ok() && known == right {
        return Ok(None);
    }
    file.set_len(whole)?;
    file.seek(SeekFrom::Start(0))?;
    file.write_all(&right)?;
    file.sync_all()?;
    Ok(Some((pulses, held.saturating_sub(whole))))
}

fn head(pulses: u64, channels: usize, bins: usize) -> Vec<u8> {
    let shape = format!(
        "{{'descr': '<f4', 'fortran_order': False, 'shape': ({pulses}, {channels}, {bins}), }}"
    );
    let mut head = b"\x93NUMPY\x01\x00\x76\x00".to_vec();
    head.extend(shape.bytes());
    head.resize(HEAD_BYTES - 1, b' ');
    head.push(b'\n');
    head
}
