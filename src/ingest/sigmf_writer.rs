//! Writes SigMF pairs: samples as they come, the metadata at the end.
//!
//! Keys stand in a fixed order and numbers in their shortest form, so the same input gives the same
//! bytes. Where device indices jump, a capture with `core:global_index` begins; a pulse whose first
//! samples were lost says so in `simmer:first_sample`.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use serde::Serialize;
use sha2::{Digest, Sha512};

use super::bytes::hex;
use super::error::RecordingError;
use super::sigmf::duration;
use super::sigmf_journal::{JOURNAL, Journal, mend, write_meta};
use crate::engine::{Frame, PulseTag, Stream};

/// Writes one recording.
#[derive(Debug)]
pub struct SigmfWriter {
    meta_path: PathBuf,
    data_path: PathBuf,
    data: BufWriter<File>,
    sum: Sha512,
    set_bytes: usize,
    stream: Stream,
    volts_per_count: Vec<f64>,
    /// Sample sets written, and the device index the next one would have.
    written: u64,
    device: u64,
    captures: Vec<Capture>,
    annotations: Vec<Annotation>,
    journal: Option<Journal>,
    /// The last pulse is whole.
    closed: bool,
    session: Option<OfSession>,
}

/// What a recording made during a session says besides.
#[derive(Debug, Clone, Copy)]
struct OfSession {
    /// The stream goes on from the recording before.
    continues: bool,
    /// Samples of the stream, where its sender has said so.
    samples: Option<u64>,
}

#[derive(Debug, Serialize)]
struct Meta<'a> {
    global: Global<'a>,
    captures: &'a [Capture],
    annotations: &'a [Annotation],
}

#[derive(Debug, Serialize)]
struct Global<'a> {
    #[serde(rename = "core:datatype")]
    datatype: &'a str,
    #[serde(rename = "core:version")]
    version: &'a str,
    #[serde(rename = "core:sample_rate")]
    sample_rate: f64,
    #[serde(rename = "core:num_channels")]
    num_channels: usize,
    #[serde(rename = "core:recorder")]
    recorder: &'a str,
    #[serde(rename = "core:sha512", skip_serializing_if = "Option::is_none")]
    sha512: Option<String>,
    #[serde(rename = "core:extensions")]
    extensions: [Extension<'a>; 1],
    #[serde(rename = "simmer:volts_per_count")]
    volts_per_count: &'a [f64],
    #[serde(rename = "simmer:continues", skip_serializing_if = "Option::is_none")]
    continues: Option<bool>,
    #[serde(rename = "simmer:stream_samples", skip_serializing_if = "Option::is_none")]
    stream_samples: Option<Option<u64>>,
}

#[derive(Debug, Serialize)]
struct Extension<'a> {
    name: &'a str,
    version: &'a str,
    optional: bool,
}

#[derive(Debug, Serialize)]
struct Capture {
    #[serde(rename = "core:sample_start")]
    sample_start: u64,
    #[serde(rename = "core:global_index")]
    global_index: u64,
    #[serde(rename = "core:datetime", skip_serializing_if = "Option::is_none")]
    datetime: Option<String>,
}

#[derive(Debug, Serialize)]
struct Annotation {
    #[serde(rename = "core:sample_start")]
    sample_start: u64,
    #[serde(rename = "core:sample_count")]
    sample_count: u64,
    #[serde(rename = "core:label")]
    label: &'static str,
    #[serde(rename = "simmer:pulse")]
    pulse: u64,
    #[serde(rename = "simmer:drive_mpa", skip_serializing_if = "Option::is_none")]
    drive_mpa: Option<f64>,
    #[serde(rename = "simmer:stage")]
    stage: &'static str,
    #[serde(
        rename = "simmer:target",
        skip_serializing_if = "str::is_empty",
        serialize_with = "as_text"
    )]
    target: std::sync::Arc<str>,
    #[serde(rename = "simmer:exposure", skip_serializing_if = "Option::is_none")]
    exposure: Option<u32>,
    #[serde(rename = "simmer:drive_setting", skip_serializing_if = "Option::is_none")]
    drive_setting: Option<f64>,
    #[serde(rename = "simmer:trigger_offset", skip_serializing_if = "Option::is_none")]
    trigger_offset: Option<u64>,
    #[serde(rename = "simmer:time_ns", skip_serializing_if = "Option::is_none")]
    time_ns: Option<u64>,
    #[serde(rename = "simmer:lost_samples", skip_serializing_if = "Option::is_none")]
    lost_samples: Option<u64>,
    #[serde(rename = "simmer:sham", skip_serializing_if = "Option::is_none")]
    sham: Option<bool>,
    #[serde(rename = "simmer:first_sample", skip_serializing_if = "Option::is_none")]
    first_sample: Option<u64>,
}

fn as_text<S: serde::Serializer>(text: &std::sync::Arc<str>, out: S) -> Result<S::Ok, S::Error> {
    out.serialize_str(text)
}

impl SigmfWriter {
    /// Begins a recording that is not there yet; `base` is its name without ending.
    /// `volts_per_count` has one number a channel, V.
    ///
    /// # Errors
    /// [`RecordingError::CannotCreate`], also when either file is there; [`RecordingError::Bad`]
    /// when a number is not finite or the channels do not fit.
    pub fn create(
        base: &Path,
        stream: &Stream,
        volts_per_count: &[f64],
    ) -> Result<Self, RecordingError> {
        let with = |ending: &str| {
            let mut name = base.as_os_str().to_owned();
            name.push(ending);
            PathBuf::from(name)
        };
        let (meta_path, data_path) = (with(".sigmf-meta"), with(".sigmf-data"));
        let rate = stream.sample_rate_hz;
        if !(rate.is_finite() && rate > 0.0) {
            let fault = format!("sample rate is {rate} Hz, must be finite and above 0");
            return Err(RecordingError::bad(&meta_path, fault));
        }
        let channels = stream.channels;
        if channels == 0 || channels > usize::from(u16::MAX) || volts_per_count.len() != channels {
            let given = volts_per_count.len();
            let fault = format!("{given} numbers of volts per count for {channels} channels");
            return Err(RecordingError::bad(&meta_path, fault));
        }
        if let Some(volts) = volts_per_count.iter().find(|volts| !volts.is_finite()) {
            let fault = format!("volts per count is {volts}, must be finite");
            return Err(RecordingError::bad(&meta_path, fault));
        }
        if meta_path.exists() {
            let source = std::io::ErrorKind::AlreadyExists.into();
            return Err(RecordingError::creating(&meta_path, source));
        }
        let data = File::create_new(&data_path)
            .map_err(|error| RecordingError::creating(&data_path, error))?;
        Ok(Self {
            meta_path,
            data_path,
            data: BufWriter::with_capacity(256 << 10, data),
            sum: Sha512::new(),
            set_bytes: channels * stream.sample_format.bytes(),
            stream: stream.clone(),
            volts_per_count: volts_per_count.to_vec(),
            written: 0,
            device: 0,
            captures: Vec::new(),
            annotations: Vec::new(),
            journal: None,
            closed: true,
            session: None,
        })
    }

    /// Appends a whole pulse: `bytes` are its interleaved samples in the stream's format.
    ///
    /// # Errors
    /// As [`SigmfWriter::frame`].
    pub fn pulse(&mut self, tag: &PulseTag, bytes: &[u8]) -> Result<(), RecordingError> {
        self.append(tag, 0, bytes)
    }

    /// Appends a frame; the frames of a pulse follow one another, with jumps where samples were
    /// lost.
    ///
    /// # Errors
    /// [`RecordingError::Io`]; [`RecordingError::Bad`] when the frame is not whole sample sets or
    /// runs back in pulse numbers or device indices.
    pub fn frame(&mut self, frame: &Frame) -> Result<(), RecordingError> {
        self.stretch(&frame.tag, frame.offset, &frame.bytes, frame.last)
    }

    /// Appends a stretch of a pulse, `offset` sample sets after its first; nothing follows the
    /// `last`.
    ///
    /// # Errors
    /// As [`SigmfWriter::frame`].
    pub fn stretch(
        &mut self,
        tag: &PulseTag,
        offset: u64,
        bytes: &[u8],
        last: bool,
    ) -> Result<(), RecordingError> {
        self.append(tag, offset, bytes)?;
        self.closed = last;
        Ok(())
    }

    /// Appends samples that belong to no pulse; they follow what was written without a gap.
    ///
    /// # Errors
    /// As [`SigmfWriter::frame`].
    pub fn unmarked(&mut self, bytes: &[u8]) -> Result<(), RecordingError> {
        if !bytes.len().is_multiple_of(self.set_bytes) {
            let (held, set) = (bytes.len(), self.set_bytes);
            let fault = format!("samples of {held} bytes, sample sets have {set}");
            return Err(RecordingError::bad(&self.data_path, fault));
        }
        self.samples(self.device, bytes).map(|_| ())
    }

    fn append(&mut self, tag: &PulseTag, offset: u64, bytes: &[u8]) -> Result<(), RecordingError> {
        let bad = |fault| Err(RecordingError::bad(&self.data_path, fault));
        if !bytes.len().is_multiple_of(self.set_bytes) {
            let (held, set) = (bytes.len(), self.set_bytes);
            return bad(format!("a frame of {held} bytes, sample sets have {set}"));
        }
        let before = self.annotations.last().map(|last| last.pulse);
        if before.is_some_and(|before| tag.number < before) {
            let (number, before) = (tag.number, before.unwrap_or(0));
            return bad(format!("pulse {number} after pulse {before}, numbers must rise"));
        }
        let device = tag.first.0.saturating_add(offset);
        if device < self.device {
            let (number, end) = (tag.number, self.device);
            return bad(format!("pulse {number} goes on at sample {device} after sample {end}"));
        }
        if before != Some(tag.number) {
            self.annotations.push(Annotation::begin(tag, self.written));
        }
        let samples = self.samples(device, bytes)?;
        if let Some(annotation) = self.annotations.last_mut() {
            if annotation.sample_count == 0 && samples > 0 && device == tag.first.0 {
                annotation.first_sample = None;
            }
            annotation.sample_count += samples;
        }
        Ok(())
    }

    /// Writes sample sets from a device index on; how many.
    fn samples(&mut self, device: u64, bytes: &[u8]) -> Result<u64, RecordingError> {
        if bytes.is_empty() {
            return Ok(0);
        }
        if self.captures.is_empty() || device != self.device {
            let first = self.captures.is_empty();
            let datetime = first.then(|| self.datetime(device)).flatten();
            let sample_start = self.written;
            self.captures.push(Capture { sample_start, global_index: device, datetime });
        }
        let samples = (bytes.len() / self.set_bytes) as u64;
        self.written += samples;
        self.device = device.saturating_add(samples);
        self.sum.update(bytes);
        let written = self.data.write_all(bytes);
        written.map_err(|error| RecordingError::writing(&self.data_path, error))?;
        Ok(samples)
    }

    fn datetime(&self, device: u64) -> Option<String> {
        let since = duration(device, self.stream.sample_rate_hz)?;
        Some(self.stream.start?.checked_add(since).ok()?.to_string())
    }

    /// Samples of this recording, bytes.
    #[must_use]
    pub const fn bytes(&self) -> u64 {
        self.written.saturating_mul(self.set_bytes as u64)
    }

    /// Recorded during a session: says whether the stream `continues` the recording before, and
    /// how long it is as far as its sender has said so.
    pub const fn of_a_session(&mut self, continues: bool) {
        self.session = Some(OfSession { continues, samples: None });
    }

    /// The sender has said how many samples per channel the stream has.
    pub const fn note_length(&mut self, samples: u64) {
        if let Some(session) = &mut self.session {
            session.samples = Some(samples);
        }
    }

    /// Number of the last pulse.
    #[must_use]
    pub fn last_pulse(&self) -> Option<u64> {
        self.annotations.last().map(|last| last.pulse)
    }

    /// Pulses of this recording.
    #[must_use]
    pub const fn pulses(&self) -> usize {
        self.annotations.len()
    }

    /// Keeps a journal from here on, so that a recording that is never finished can be mended.
    ///
    /// # Errors
    /// [`RecordingError::CannotCreate`] or [`RecordingError::Io`].
    pub fn keep_journal(&mut self) -> Result<(), RecordingError> {
        let path = self.data_path.with_extension(JOURNAL);
        self.journal = Some(Journal::create(&path, &self.global(None))?);
        Ok(())
    }

    /// Makes last on the disk what was written so far: samples first, then the journal's whole
    /// pulses.
    ///
    /// # Errors
    /// [`RecordingError::Io`].
    pub fn sync(&mut self) -> Result<(), RecordingError> {
        let flushed = self.data.flush().and_then(|()| self.data.get_ref().sync_data());
        flushed.map_err(|error| RecordingError::writing(&self.data_path, error))?;
        let open = usize::from(!self.closed);
        let whole = self.annotations.len().saturating_sub(open);
        match &mut self.journal {
            Some(journal) => journal.write(&self.captures, &self.annotations[..whole]),
            None => Ok(()),
        }
    }

    /// Ends a recording that cannot be written any more: every whole pulse that has reached its file
    /// is kept.
    ///
    /// # Errors
    /// When not even that can be written; the journal has what was promised before.
    pub fn give_up(mut self) -> Result<(), RecordingError> {
        // What does not fit stays out.
        self.data.flush().ok();
        let held = std::fs::metadata(&self.data_path);
        let held = held.map_err(|error| RecordingError::reading(&self.data_path, error))?.len();
        let sets = held / self.set_bytes as u64;
        let open = usize::from(!self.closed);
        let whole = self.annotations.len().saturating_sub(open);
        let fits = |a: &&Annotation| a.sample_start.saturating_add(a.sample_count) <= sets;
        let kept = self.annotations[..whole].iter().take_while(fits).count();
        if let Some(journal) = &mut self.journal {
            journal.write(&self.captures, &self.annotations[..kept])?;
        }
        let base = self.data_path.with_extension("");
        drop(self);
        mend(&base).map(|_| ())
    }

    fn global(&self, sha512: Option<String>) -> Global<'_> {
        Global {
            datatype: self.stream.sample_format.name(),
            version: "1.2.0",
            sample_rate: self.stream.sample_rate_hz,
            num_channels: self.stream.channels,
            recorder: "simmer",
            sha512,
            extensions: [Extension { name: "simmer", version: "1.0.0", optional: true }],
            volts_per_count: &self.volts_per_count,
            continues: self.session.map(|session| session.continues),
            stream_samples: self.session.map(|session| session.samples),
        }
    }

    /// Writes the metadata; without this the samples are there, but no recording is.
    ///
    /// # Errors
    /// [`RecordingError::Io`] or [`RecordingError::CannotCreate`].
    pub fn finish(mut self) -> Result<(), RecordingError> {
        let flushed = self.data.flush().and_then(|()| self.data.get_ref().sync_data());
        flushed.map_err(|error| RecordingError::writing(&self.data_path, error))?;
        let sum = hex(&std::mem::take(&mut self.sum).finalize());
        let meta = Meta {
            global: self.global(Some(sum)),
            captures: &self.captures,
            annotations: &self.annotations,
        };
        write_meta(&self.meta_path, &meta)?;
        self.journal.map_or(Ok(()), Journal::remove)
    }
}

impl Annotation {
    fn begin(tag: &PulseTag, sample_start: u64) -> Self {
        Self {
            sample_start,
            sample_count: 0,
            label: "pulse",
            pulse: tag.number,
            drive_mpa: tag.drive_mpa,
            stage: tag.stage.name(),
            target: std::sync::Arc::clone(&tag.target),
            exposure: tag.exposure.map(std::num::NonZeroU32::get),
            drive_setting: tag.drive_setting,
            trigger_offset: tag.trigger_offset,
            time_ns: tag.time.map(|time| time.0),
            lost_samples: (tag.lost_samples > 0).then_some(tag.lost_samples),
            sham: tag.sham.then_some(true),
            first_sample: Some(tag.first.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::sync::Arc;

    use proptest::prelude::*;

    use super::super::specimen::{expect, frames, stream, tag, without};
    use super::super::{Recording, verify_sha512};
    use super::*;
    use crate::engine::{DeviceNanos, Stage};
    use crate::signal::SampleFormat;

    const VOLTS: f64 = 6.103515625e-5;

    fn reopen(base: &Path, format: SampleFormat, channels: usize) -> Recording {
        Recording::open(base, &expect(format, channels), None).unwrap()
    }

    #[test]
    fn every_format_comes_back_byte_for_byte() {
        let folder = tempfile::tempdir().unwrap();
        for format in SampleFormat::ALL {
            let base = folder.path().join(format.name());
            let mut writer = SigmfWriter::create(&base, &stream(format, 3), &[VOLTS; 3]).unwrap();
            let bytes: Vec<u8> = (0..=255).cycle().take(3 * format.bytes() * 50).collect();
            writer.pulse(&tag(1, 0), &bytes).unwrap();
            writer.pulse(&tag(2, 4_000_000), &bytes).unwrap();
            writer.finish().unwrap();
            let recording = reopen(&base, format, 3);
            let frames = frames(&recording, 1 << 20);
            assert_eq!(frames.len(), 2);
            for (frame, expected) in frames.iter().zip([tag(1, 0), tag(2, 4_000_000)]) {
                assert_eq!((&frame.bytes, &*frame.tag, frame.last), (&bytes, &expected, true));
            }
        }
    }

    #[test]
    fn a_start_comes_back_whatever_the_first_pulse_s_index() {
        let folder = tempfile::tempdir().unwrap();
        let start: jiff::Timestamp = "2026-05-04T09:30:00.123456789Z".parse().unwrap();
        for (at, first) in [0, 1, 7, 12_345_679, 1_728_000_000_001].into_iter().enumerate() {
            let base = folder.path().join(at.to_string());
            let mut head = stream(SampleFormat::Ri8, 1);
            head.start = Some(start);
            let mut writer = SigmfWriter::create(&base, &head, &[VOLTS]).unwrap();
            writer.pulse(&tag(1, first), &[1, 2, 3]).unwrap();
            writer.finish().unwrap();
            let recording = reopen(&base, SampleFormat::Ri8, 1);
            assert_eq!(recording.stream.start, Some(start));
            assert_eq!(recording.pulses[0].tag.first.0, first);
        }
    }

    #[test]
    fn a_pulse_whose_first_or_all_samples_were_lost_comes_back() {
        let folder = tempfile::tempdir().unwrap();
        let base = folder.path().join("x");
        let mut writer =
            SigmfWriter::create(&base, &stream(SampleFormat::Ri8, 1), &[VOLTS]).unwrap();
        let lost =
            |number, first, lost_samples| Arc::new(PulseTag { lost_samples, ..tag(number, first) });
        let pulses = [
            Frame { tag: lost(1, 100, 10), offset: 10, bytes: vec![1; 20], last: true },
            Frame { tag: lost(2, 200, 30), offset: 0, bytes: vec![], last: true },
            Frame { tag: lost(3, 300, 0), offset: 0, bytes: vec![3; 30], last: true },
            Frame { tag: lost(4, 400, 30), offset: 0, bytes: vec![], last: true },
        ];
        for frame in &pulses {
            writer.frame(frame).unwrap();
        }
        writer.finish().unwrap();
        assert_eq!(frames(&reopen(&base, SampleFormat::Ri8, 1), 64), pulses);
    }

    #[test]
    fn the_written_metadata_are_these_bytes() {
        let folder = tempfile::tempdir().unwrap();
        let base = folder.path().join("x");
        let mut head = stream(SampleFormat::Ri8, 1);
        head.start = Some("2026-05-04T09:30:00Z".parse().unwrap());
        let mut writer = SigmfWriter::create(&base, &head, &[VOLTS]).unwrap();
        writer.pulse(&PulseTag { stage: Stage::Noise, ..tag(1, 20) }, b"abc").unwrap();
        writer.finish().unwrap();
        let text = fs::read_to_string(folder.path().join("x.sigmf-meta")).unwrap();
        // FIPS 180-4's example as given by NIST: SHA-512 of "abc".
        let sum = "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a\
                   2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f";
        let expected = format!(
            r#"{{
  "global": {{
    "core:datatype": "ri8",
    "core:version": "1.2.0",
    "core:sample_rate": 20000000.0,
    "core:num_channels": 1,
    "core:recorder": "simmer",
    "core:sha512": "{sum}",
    "core:extensions": [
      {{
        "name": "simmer",
        "version": "1.0.0",
        "optional": true
      }}
    ],
    "simmer:volts_per_count": [
      0.00006103515625
    ]
  }},
  "captures": [
    {{
      "core:sample_start": 0,
      "core:global_index": 20,
      "core:datetime": "2026-05-04T09:30:00.000001Z"
    }}
  ],
  "annotations": [
    {{
      "core:sample_start": 0,
      "core:sample_count": 3,
      "core:label": "pulse",
      "simmer:pulse": 1,
      "simmer:drive_mpa": 0.25,
      "simmer:stage": "noise"
    }}
  ]
}}
"#
        );
        assert_eq!(text, expected);
    }

    #[test]
    fn a_changed_sample_is_found_by_its_sum() {
        let folder = tempfile::tempdir().unwrap();
        let base = folder.path().join("x");
        let mut writer =
            SigmfWriter::create(&base, &stream(SampleFormat::Ri8, 1), &[VOLTS]).unwrap();
        writer.pulse(&tag(1, 0), b"abc").unwrap();
        writer.finish().unwrap();
        let meta_path = folder.path().join("x.sigmf-meta");
        assert!(verify_sha512(&meta_path).unwrap());
        fs::write(folder.path().join("x.sigmf-data"), b"abd").unwrap();
        assert_eq!(verify_sha512(&meta_path).unwrap_err().exit_code(), 65);
    }

    #[test]
    fn an_existing_recording_is_not_overwritten() {
        let folder = tempfile::tempdir().unwrap();
        let base = folder.path().join("x");
        let head = stream(SampleFormat::Ri8, 1);
        for name in ["x.sigmf-meta", "x.sigmf-data"] {
            fs::write(folder.path().join(name), "precious").unwrap();
            let error = SigmfWriter::create(&base, &head, &[VOLTS]).unwrap_err();
            assert_eq!(error.exit_code(), 73);
            assert!(error.to_string().contains(name), "{error}");
            fs::remove_file(folder.path().join(name)).unwrap();
        }
    }

    #[test]
    fn frames_that_do_not_follow_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        let base = folder.path().join("x");
        let mut writer =
            SigmfWriter::create(&base, &stream(SampleFormat::Ri16Le, 1), &[VOLTS]).unwrap();
        writer.pulse(&tag(5, 100), &[0; 20]).unwrap();
        let mut check = |tag: PulseTag, bytes: &[u8], fault: &str| {
            let error = writer.pulse(&tag, bytes).unwrap_err();
            let expected = format!("x.sigmf-data: {fault}");
            assert_eq!(without(&error.to_string(), folder.path()), expected);
        };
        check(tag(6, 110), &[0; 3], "a frame of 3 bytes, sample sets have 2");
        check(tag(4, 110), &[0; 4], "pulse 4 after pulse 5, numbers must rise");
        check(tag(6, 109), &[0; 4], "pulse 6 goes on at sample 109 after sample 110");
    }

    prop_compose! {
        /// A pulse's tag without numbers and its stretches: samples left out, samples there.
        fn pulses()(
            drive_mpa in proptest::option::of(0.0_f64..10.0),
            drive_setting in proptest::option::of(-100.0_f64..1e4),
            target in "[a-z\"\\\\ é]{0,12}",
            exposure in 0_u32..5,
            stage in 0_usize..3,
            trigger_offset in proptest::option::of(0_u64..1000),
            sham: bool,
            lost_samples in 0_u64..3,
            number_step in 1_u64..1_000_000,
            time_step in proptest::option::of(0_u64..1_000_000_000_000),
            gap in 0_u64..1_000_000,
            stretches in proptest::collection::vec((0_u64..5, 1_u64..40), 1..5),
        ) -> (PulseTag, u64, Option<u64>, u64, Vec<(u64, u64)>) {
            let tag = PulseTag {
                drive_mpa,
                drive_setting,
                target: Arc::from(target),
                exposure: std::num::NonZeroU32::new(exposure),
                stage: Stage::ALL[stage],
                trigger_offset,
                sham,
                lost_samples,
                ..tag(0, 0)
            };
            (tag, number_step, time_step, gap, stretches)
        }
    }

    proptest! {
        #[test]
        fn any_frames_come_back_and_twice_the_same_bytes(
            list in proptest::collection::vec(pulses(), 1..8),
            block_bytes in 1_usize..200,
        ) {
            let folder = tempfile::tempdir().unwrap();
            let (mut number, mut time, mut device) = (0, 0, 0);
            let mut written: Vec<Frame> = Vec::new();
            for (mut tag, number_step, time_step, gap, stretches) in list {
                number += number_step;
                device += gap;
                time += time_step.unwrap_or(0);
                tag.number = number;
                tag.first.0 = device;
                tag.time = time_step.map(|_| DeviceNanos(time));
                let tag = Arc::new(tag);
                let mut offset = 0;
                for (at, (hole, samples)) in stretches.iter().enumerate() {
                    offset += hole;
                    let bytes = (0..samples * 4).map(|at| at.to_le_bytes()[0]).collect();
                    let last = at + 1 == stretches.len();
                    written.push(Frame { tag: Arc::clone(&tag), offset, bytes, last });
                    offset += samples;
                }
                device += offset;
            }
            for name in ["a", "b"] {
                let head = stream(SampleFormat::Ri16Le, 2);
                let base = folder.path().join(name);
                let mut writer = SigmfWriter::create(&base, &head, &[VOLTS; 2]).unwrap();
                for frame in &written {
                    writer.frame(frame).unwrap();
                }
                writer.finish().unwrap();
            }
            for ending in ["sigmf-meta", "sigmf-data"] {
                let read = |name: &str| fs::read(folder.path().join(format!("{name}.{ending}")));
                prop_assert_eq!(read("a").unwrap(), read("b").unwrap());
            }
            let recording = reopen(&folder.path().join("a"), SampleFormat::Ri16Le, 2);
            prop_assert_eq!(&recording.warnings, &Vec::<String>::new());
            let read = frames(&recording, block_bytes);
            let samples = |frames: &[Frame]| -> Vec<(PulseTag, u64, Vec<u8>)> {
                let sets = |frame: &Frame| -> Vec<_> {
                    let tag = PulseTag::clone(&frame.tag);
                    let sets = frame.bytes.chunks_exact(4).zip(frame.offset..);
                    sets.map(|(set, at)| (tag.clone(), at, set.to_vec())).collect()
                };
                frames.iter().flat_map(sets).collect()
            };
            prop_assert_eq!(samples(&read), samples(&written));
            prop_assert!(read.iter().all(|frame| frame.bytes.len() <= block_bytes.max(4)));
            let lasts = read.iter().filter(|frame| frame.last).count();
            prop_assert_eq!(lasts, recording.pulses.len());
        }
    }
}
