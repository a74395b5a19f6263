//! `spectra.npy`: NumPy's array format 1.0, little-endian float32, pulses × channels × bins.
//!
//! The head is written with room to spare and again at the end, when the number of pulses is known.

use std::fs::File;
use std::io::{BufWriter, Seek, SeekFrom, Write};
use std::path::Path;

use crate::signal::plan::single;
use crate::signal::{ChannelReading, decibels};

const HEAD_BYTES: usize = 128;

/// The file while it is written.
pub(super) struct Spectra {
    file: BufWriter<File>,
    pulses: u64,
    channels: usize,
    bins: usize,
    row: Vec<u8>,
}

impl Spectra {
    pub(super) fn create(path: &Path, channels: usize, bins: usize) -> std::io::Result<Self> {
        let mut file = BufWriter::new(File::create(path)?);
        file.write_all(&head(0, channels, bins))?;
        Ok(Self { file, pulses: 0, channels, bins, row: Vec::new() })
    }

    /// Appends one pulse, dB re 1 V²/Hz; NaN where a channel has no numbers.
    pub(super) fn add(&mut self, readings: &[ChannelReading]) -> std::io::Result<()> {
        self.row.clear();
        for reading in readings {
            for k in 0..self.bins {
                let density = reading.spectrum.get(k).copied().map_or(f64::NAN, f64::from);
                let db = decibels(density).unwrap_or(if density == 0.0 {
                    f64::NEG_INFINITY
                } else {
                    f64::NAN
                });
                self.row.extend(single(db).to_le_bytes());
            }
        }
        self.pulses += 1;
        self.file.write_all(&self.row)
    }

    pub(super) fn finish(mut self) -> std::io::Result<()> {
        self.file.seek(SeekFrom::Start(0))?;
        self.file.write_all(&head(self.pulses, self.channels, self.bins))?;
        self.file.flush()
    }
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
