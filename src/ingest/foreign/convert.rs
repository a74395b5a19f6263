//! A variable with its axes → a SigMF recording.
//!
//! Where numbers do not lie plain in their file they are first written to a file of their own beside
//! the recording, which is removed at the end; from there pulses are read as those of any array, in
//! bounded memory.

use std::fs::{self, File};
use std::io::{BufWriter, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::super::error::RecordingError;
use super::super::npy::Array;
use super::super::recording::{Arrangement, Expect, Recording};
use super::super::sigmf_json::quoted;
use super::super::sigmf_writer::SigmfWriter;
use super::super::source::{DEFAULT_BLOCK_BYTES, Source};
use super::super::spots::Hints;
use super::super::stored::{Number, Stored};
use super::{Foreign, Laid, Place, Variable};
use crate::engine::{Input, PulseTag, Stream};
use crate::signal::{Axis, SampleFormat};

/// Every integer of less is a binary64 of its own.
const EXACT: f64 = 9_007_199_254_740_992.0;

/// What a conversion needs to know besides the variable.
#[derive(Debug, Clone)]
pub struct Conversion<'a> {
    /// The axes.
    pub laid: &'a Laid,
    /// Hz.
    pub sample_rate_hz: f64,
    /// One number, or one a channel; `None` where the numbers are volts if they are no integers.
    pub volts_per_count: Option<Vec<f64>>,
    /// Hz; without it pulses follow one another without a gap.
    pub repetition_hz: Option<f64>,
    /// Stage, drive and list of pulses.
    pub hints: Hints<'a>,
    /// Drives of the pulses, MPa.
    pub drives_mpa: Option<Vec<f64>>,
    /// Name of the recording without ending; without it nothing is written but looked at.
    pub out: Option<&'a Path>,
    /// Where numbers are kept meanwhile that do not lie plain in their file.
    pub beside: &'a Path,
}

/// What came of a conversion.
#[derive(Debug, Clone, PartialEq)]
pub struct Converted {
    /// How samples are written.
    pub sample_format: SampleFormat,
    /// Pulses, channels, samples of the longest pulse or, without pulses, of all.
    pub pulses: usize,
    /// Channels.
    pub channels: usize,
    /// Samples a channel.
    pub samples: u64,
    /// What the person should know.
    pub remarks: Vec<String>,
}

/// A file that is removed when it is not needed any more.
struct Meanwhile(PathBuf);

impl Drop for Meanwhile {
    fn drop(&mut self) {
        // What cannot be removed is left over, and is no fault of the recording.
        fs::remove_file(&self.0).ok();
    }
}

/// Converts a variable; `out` must not be there yet.
///
/// # Errors
/// [`RecordingError`] of reading and writing; what was begun is removed then.
pub fn convert(
    foreign: &Foreign,
    variable: &Variable,
    conversion: &Conversion<'_>,
) -> Result<Converted, RecordingError> {
    let bad = |fault: String| RecordingError::bad(&foreign.path, fault);
    let numbers = variable.numbers().map_err(bad)?;
    let (kept, byte, _meanwhile) = match numbers.place {
        Place::File { byte } => (foreign.path.clone(), byte, None),
        Place::Inflated { .. } | Place::Apart => {
            let path = with(conversion.beside, &format!(".{}.part", std::process::id()));
            let creating = |error| RecordingError::creating(&path, error);
            let file = File::create_new(&path).map_err(creating)?;
            let meanwhile = Meanwhile(path.clone());
            let mut out = BufWriter::with_capacity(256 << 10, file);
            foreign.pour(variable, &mut out)?;
            out.flush().map_err(|error| RecordingError::writing(&path, error))?;
            (path, 0, Some(meanwhile))
        }
    };
    let span = Span { path: &kept, byte, bytes: variable.bytes, stored: numbers.stored };
    let summary = span.summary().map_err(|error| RecordingError::reading(&kept, error))?;
    let mut remarks = Vec::new();
    let stored = numbers.stored;
    let format = summary
        .format(stored, &mut remarks)
        .map_err(|fault| bad(format!("variable {}: {fault}", quoted(&variable.name))))?;
    let laid = conversion.laid;
    let array = Array {
        stored,
        name: variable.class.clone(),
        fortran: numbers.fortran,
        shape: laid.shape.clone(),
        head_bytes: 0,
        data_bytes: variable.bytes,
    };
    let expect = expect(foreign, conversion, stored, format, &mut remarks)?;
    let hints = &conversion.hints;
    let mut recording = Recording::of_array(&foreign.path, (&kept, byte), array, &expect, hints)?;
    name_drives(&mut recording, conversion.drives_mpa.as_deref());
    remarks.extend(recording.warnings.iter().filter(|w| !w.starts_with("no pulses")).cloned());
    let converted = Converted {
        sample_format: format,
        pulses: recording.pulses.len(),
        channels: expect.channels,
        samples: recording
            .pulses
            .iter()
            .map(|pulse| pulse.samples)
            .max()
            .unwrap_or(span.bytes / (stored.bytes() as u64 * expect.channels as u64)),
        remarks,
    };
    if let Some(out) = conversion.out {
        write(&recording, out, format)?;
    }
    Ok(converted)
}

/// A name with more at its end.
fn with(base: &Path, ending: &str) -> PathBuf {
    let mut name = base.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

fn expect(
    foreign: &Foreign,
    conversion: &Conversion<'_>,
    stored: Stored,
    format: SampleFormat,
    remarks: &mut Vec<String>,
) -> Result<Expect, RecordingError> {
    let bad = |fault: String| RecordingError::bad(&foreign.path, fault);
    let laid = conversion.laid;
    let channels = laid.axes.iter().position(|axis| *axis == Axis::Channels);
    let channels = channels.map_or(1, |at| usize::try_from(laid.shape[at]).unwrap_or(usize::MAX));
    let floating = matches!(format, SampleFormat::Rf32Le | SampleFormat::Rf64Le);
    let volts_per_count = match &conversion.volts_per_count {
        Some(one) if one.len() == 1 => vec![one[0]; channels],
        Some(each) if each.len() == channels => each.clone(),
        Some(each) => {
            let given = each.len();
            return Err(bad(format!(
                "--volts-per-count has {given} numbers, must be one or one for each of {channels} \
                 channels"
            )));
        }
        None if floating => {
            remarks.push("numbers are taken for volts (--volts-per-count says otherwise)".into());
            vec![1.0; channels]
        }
        None => {
            return Err(bad(format!(
                "its numbers are counts ({}), and nothing says how many volts one is: give \
                 --volts-per-count (1 if they are volts)",
                format.name()
            )));
        }
    };
    let arrangement = Arrangement {
        axes: Some(laid.axes.clone()),
        repetition_hz: conversion.repetition_hz.unwrap_or(0.0),
        ..Arrangement::default()
    };
    Ok(Expect {
        source: "the command line".to_owned(),
        sample_format: stored.sample_format(),
        channels,
        sample_rate_hz: conversion.sample_rate_hz,
        volts_per_count,
        arrangement,
    })
}

/// Gives pulses their own drives.
fn name_drives(recording: &mut Recording, drives: Option<&[f64]>) {
    let Some(drives) = drives else { return };
    for (pulse, drive) in recording.pulses.iter_mut().zip(drives) {
        let tag = PulseTag { drive_mpa: Some(*drive), ..(*pulse.tag).clone() };
        pulse.tag = Arc::new(tag);
    }
}

/// Writes the recording; what was begun is removed when it cannot be ended.
fn write(recording: &Recording, out: &Path, format: SampleFormat) -> Result<(), RecordingError> {
    let stream = Stream { sample_format: format, ..recording.stream.clone() };
    let writer = SigmfWriter::create(out, &stream, &recording.volts_per_count)?;
    let written = write_pulses(recording, writer, format);
    if written.is_err() {
        // It would stand in the way of the next try, and is no recording.
        fs::remove_file(with(out, ".sigmf-data")).ok();
    }
    written
}

fn write_pulses(
    recording: &Recording,
    mut writer: SigmfWriter,
    format: SampleFormat,
) -> Result<(), RecordingError> {
    let marked = !recording.pulses.is_empty();
    let mut recording = recording.clone();
    if !marked {
        recording.pulses = vec![recording.whole()];
    }
    let from = recording.stream.sample_format;
    let mut out = Vec::new();
    for item in Source::new(vec![recording], DEFAULT_BLOCK_BYTES, Vec::new)? {
        let Input::Frame(mut frame) = item? else { continue };
        if from != format {
            narrow(Stored::of(from), format, &frame.bytes, &mut out);
            std::mem::swap(&mut frame.bytes, &mut out);
        }
        if marked { writer.frame(&frame)? } else { writer.unmarked(&frame.bytes)? }
    }
    writer.finish()
}

/// Whole numbers in an integer format that holds them, which was looked at before.
#[allow(clippy::cast_possible_truncation, reason = "all numbers lie within the format's bounds")]
fn narrow(stored: Stored, format: SampleFormat, bytes: &[u8], out: &mut Vec<u8>) {
    out.clear();
    let values = bytes.chunks_exact(stored.bytes()).map(|number| stored.value(number));
    if format == SampleFormat::Ri16Le {
        out.extend(values.flat_map(|value| (value as i16).to_le_bytes()));
    } else {
        out.extend(values.flat_map(|value| (value as i32).to_le_bytes()));
    }
}

/// Plain numbers in a file.
struct Span<'a> {
    path: &'a Path,
    byte: u64,
    bytes: u64,
    stored: Stored,
}

/// What numbers there are.
#[derive(Debug, Clone, Copy)]
struct Summary {
    whole: bool,
    finite: bool,
    least: f64,
    most: f64,
}

impl Span<'_> {
    fn summary(&self) -> std::io::Result<Summary> {
        let mut file = File::open(self.path)?;
        file.seek(SeekFrom::Start(self.byte))?;
        let mut all =
            Summary { whole: true, finite: true, least: f64::INFINITY, most: f64::NEG_INFINITY };
        // Integers keep their own format whatever they are.
        let own = self.stored.sample_format();
        let floating = matches!(own, SampleFormat::Rf32Le | SampleFormat::Rf64Le);
        let mut left = if floating { self.bytes } else { 0 };
        let mut block = vec![0; 256 << 10];
        while left > 0 {
            let now = usize::try_from(left).unwrap_or(block.len()).min(block.len());
            file.read_exact(&mut block[..now])?;
            for number in block[..now].chunks(self.stored.bytes()) {
                let value = self.stored.value(number);
                all.finite &= value.is_finite();
                all.whole &= value.fract().abs() <= 0.0;
                all.least = all.least.min(value);
                all.most = all.most.max(value);
            }
            left -= now as u64;
        }
        Ok(all)
    }
}

impl Summary {
    /// The sample format the numbers are written in.
    fn format(self, stored: Stored, remarks: &mut Vec<String>) -> Result<SampleFormat, String> {
        let own = stored.sample_format();
        if let Some([least, most]) = stored.full_scale_counts() {
            remarks.push(format!(
                "the file can hold counts from {least} to {most}: receive.full_scale_counts says so"
            ));
        }
        if !matches!(own, SampleFormat::Rf32Le | SampleFormat::Rf64Le) {
            return Ok(own);
        }
        let floating = matches!(stored.number, Number::F16 | Number::F32 | Number::F64);
        if !self.finite {
            remarks.push("some numbers are not finite (NaN or Inf)".to_owned());
            return Ok(own);
        }
        if !self.whole {
            return Ok(own);
        }
        let within = |least: f64, most: f64| self.least >= least && self.most <= most;
        let format = if floating && within(-32_768.0, 32_767.0) {
            SampleFormat::Ri16Le
        } else if within(-2_147_483_648.0, 2_147_483_647.0) {
            SampleFormat::Ri32Le
        } else {
            own
        };
        if floating && format != own {
            remarks.push(format!(
                "all numbers are whole: integer data kept as {}s, from {} to {}, written as {}",
                super::class_of(stored.number),
                self.least,
                self.most,
                format.name()
            ));
        }
        if !floating && format == own && !within(-EXACT, EXACT) {
            let (least, most) = (self.least, self.most);
            return Err(format!("numbers from {least} to {most}, exact only within ±2^53"));
        }
        Ok(format)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(number: Number, values: &[f64], expected: Result<SampleFormat, ()>) {
        let stored = Stored { number, big_endian: false };
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x");
        let bytes: Vec<u8> = values
            .iter()
            .flat_map(|value| match number {
                Number::F64 => value.to_le_bytes(),
                #[allow(clippy::cast_possible_truncation, reason = "whole in the tests")]
                Number::I64 => (*value as i64).to_le_bytes(),
                other => panic!("{other:?}"),
            })
            .collect();
        fs::write(&path, &bytes).unwrap();
        let span = Span { path: &path, byte: 0, bytes: bytes.len() as u64, stored };
        let format = span.summary().unwrap().format(stored, &mut Vec::new());
        assert_eq!(format.map_err(|_| ()), expected, "{values:?}");
    }

    #[test]
    fn numbers_take_the_smallest_format_that_holds_them_exactly() {
        check(Number::F64, &[1.0, -32_768.0], Ok(SampleFormat::Ri16Le));
        check(Number::F64, &[1.0, 32_768.0], Ok(SampleFormat::Ri32Le));
        check(Number::F64, &[1.0, 2_147_483_648.0], Ok(SampleFormat::Rf64Le));
        check(Number::F64, &[1.0, 0.5], Ok(SampleFormat::Rf64Le));
        check(Number::F64, &[1.0, f64::NAN], Ok(SampleFormat::Rf64Le));
        check(Number::I64, &[1.0, -5.0], Ok(SampleFormat::Ri32Le));
        check(Number::I64, &[1.0, 4e9], Ok(SampleFormat::Rf64Le));
        check(Number::I64, &[1.0, 1e17], Err(()));
    }
}
