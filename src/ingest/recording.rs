//! A recording held against what the configuration says of it.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::Timestamp;
use sha2::{Digest, Sha256};

use super::array::Grid;
use super::bytes::{feed, hex};
use super::cues::Kept;
use super::error::RecordingError;
use super::facts::Facts;
use super::layout::Layout;
use super::npy::Array;
use super::npz::Medium;
use super::pulses::Pulse;
use super::spots::{self, Hints, Spot};
use super::stored::Stored;
use crate::engine::{PulseTag, SampleIndex, Stage, Stream};
use crate::signal::{Axis, Cutting, SampleFormat};

/// What the configuration says of a recording.
#[derive(Debug, Clone, PartialEq)]
pub struct Expect {
    /// Where this is said, for messages: the configuration's file name.
    pub source: String,
    /// `receive.sample_format`.
    pub sample_format: SampleFormat,
    /// `receive.channels`, at least 1.
    pub channels: usize,
    /// `receive.sample_rate_hz`, Hz.
    pub sample_rate_hz: f64,
    /// `receive.volts_per_count`, one number a channel, V.
    pub volts_per_count: Vec<f64>,
    /// How pulses lie in recordings that do not say.
    pub arrangement: Arrangement,
}

/// How pulses lie in recordings that do not say. The default knows nothing.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Arrangement {
    /// Axes of arrays; without them they are found by the shape.
    pub axes: Option<Vec<Axis>>,
    /// How recordings without marks are cut.
    pub cutting: Option<Cutting>,
    /// Drive frequency, Hz.
    pub frequency_hz: f64,
    /// Length of a burst, s.
    pub pulse_s: f64,
    /// Pulse repetition frequency, Hz.
    pub repetition_hz: f64,
    /// Trigger after a record's first sample, s.
    pub pretrigger_s: f64,
}

/// How a recording is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Container {
    /// A SigMF metadata and data file.
    SigMf,
    /// A WAV file.
    Wav,
    /// An array of NumPy.
    Array,
    /// Samples without a header.
    Raw,
}

/// What a recording says of itself, without a configuration.
#[derive(Debug, Clone, PartialEq)]
pub struct Look {
    /// How it is kept.
    pub container: Container,
    /// How its samples reach the analysis (8-bit WAV as ri8, 24-bit as `ri32_le`).
    pub sample_format: Option<SampleFormat>,
    /// Lowest and highest count the file can hold, where that is not the sample format's.
    pub full_scale_counts: Option<[i64; 2]>,
    /// Interleaved channels.
    pub channels: Option<usize>,
    /// Samples a second, Hz.
    pub sample_rate_hz: Option<f64>,
    /// Volts a count, one number a channel, V.
    pub volts_per_count: Option<Vec<f64>>,
    /// Start in UTC.
    pub start: Option<Timestamp>,
    /// Bytes of the file that holds the samples.
    pub data_bytes: u64,
    /// Sample sets.
    pub samples: Option<u64>,
    /// Annotated pulses.
    pub pulses: Vec<Pulse>,
    /// What is odd but no fault.
    pub warnings: Vec<String>,
    /// What was taken for granted without anybody having said it.
    pub assumed: Vec<String>,
}

/// A checked recording, ready to be read by [`super::Source`].
#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    /// The file as it was named.
    pub path: PathBuf,
    /// The head of the stream it gives.
    pub stream: Stream,
    /// Volts a count, one number a channel, V.
    pub volts_per_count: Vec<f64>,
    /// Its pulses in order; empty with a warning when nothing says where they are.
    pub pulses: Vec<Pulse>,
    /// What is odd but no fault.
    pub warnings: Vec<String>,
    /// What was taken for granted without anybody having said it.
    pub assumed: Vec<String>,
    /// Columns of the cue list that nobody here knows.
    pub kept: Kept,
    /// Whether its pulses are rows of an array or were cut, not named in the file or a list.
    pub found: bool,
    /// The stream goes on from the recording before it.
    pub(super) continues: bool,
    pub(super) data_path: PathBuf,
    pub(super) stored: Stored,
    pub(super) layout: Layout,
    pub(super) grid: Option<Grid>,
    pub(super) medium: Medium,
    parts: Vec<PathBuf>,
}

impl Recording {
    /// Opens a SigMF pair (by either file or their common base), a WAV file, an array of NumPy or
    /// headerless samples, and finds its pulses in the cue list or, without one, in its annotations.
    ///
    /// # Errors
    /// As [`Recording::open_with`].
    ///
    /// # Panics
    /// As [`Recording::open_with`].
    pub fn open(path: &Path, expect: &Expect, cues: Option<&Path>) -> Result<Self, RecordingError> {
        Self::open_with(path, expect, &Hints { cues, ..Hints::default() })
    }

    /// As [`Recording::open`], with more to know of pulses that do not say who they are.
    ///
    /// # Errors
    /// [`RecordingError::NotFound`], [`RecordingError::Io`], and [`RecordingError::Bad`] when the
    /// content is faulty or says otherwise than `expect`.
    ///
    /// # Panics
    /// When `expect` has no channels or another number of volts a count.
    pub fn open_with(
        path: &Path,
        expect: &Expect,
        hints: &Hints<'_>,
    ) -> Result<Self, RecordingError> {
        assert_eq!(expect.volts_per_count.len(), expect.channels, "one number a channel");
        assert!(expect.channels > 0, "at least one channel");
        Self::of_facts(path, Facts::read(path)?, expect, hints)
    }

    /// A recording of the plain numbers of an array, which begin at a byte of the file `kept`;
    /// messages name `path`.
    pub(super) fn of_array(
        path: &Path,
        (kept, byte): (&Path, u64),
        array: Array,
        expect: &Expect,
        hints: &Hints<'_>,
    ) -> Result<Self, RecordingError> {
        Self::of_facts(path, Facts::of_array(path, kept, byte, array)?, expect, hints)
    }

    fn of_facts(
        path: &Path,
        mut facts: Facts,
        expect: &Expect,
        hints: &Hints<'_>,
    ) -> Result<Self, RecordingError> {
        let arrangement = &expect.arrangement;
        facts.lay_axes(arrangement.axes.as_deref(), Some(expect.channels))?;
        facts.compare(expect)?;
        let mut warnings = facts.warnings.clone();
        let (format, rate) = (expect.sample_format, expect.sample_rate_hz);
        let period =
            if arrangement.repetition_hz > 0.0 { rate / arrangement.repetition_hz } else { 0.0 };
        let layout = facts.layout(format, expect.channels, period, &mut warnings)?;
        if layout.samples() == 0 {
            return Err(RecordingError::bad(&facts.data_path, "holds no samples"));
        }
        let mut recording = Self::unmarked(path, expect, &facts, layout)?;
        let spots = recording.spots(&facts, arrangement, &mut warnings)?;
        (recording.pulses, recording.kept) =
            facts.pulses(&recording.layout, spots.as_deref(), hints, &mut warnings)?;
        recording.found = spots.is_some() && hints.cues.is_none();
        if recording.pulses.is_empty() {
            warnings.push(match (hints.cues, spots) {
                (Some(cues), _) => format!("{} names no pulses", cues.display()),
                (None, Some(_)) => "no pulses were found by cutting".to_owned(),
                (None, None) => {
                    "no pulses: no annotation with core:label pulse and no cue list".to_owned()
                }
            });
        }
        if let Some(meta) = &facts.meta {
            meta.compare_times(rate, &mut warnings);
        }
        recording.parts.extend(hints.cues.map(Path::to_owned));
        recording.warnings = warnings;
        Ok(recording)
    }

    /// The recording before anything is known of its pulses.
    fn unmarked(
        path: &Path,
        expect: &Expect,
        facts: &Facts,
        layout: Layout,
    ) -> Result<Self, RecordingError> {
        let said = facts.meta.as_ref().and_then(|meta| meta.stream_samples);
        let reached = layout.device_of(layout.samples() - 1) + 1;
        let length = if facts.grid.is_some() { reached } else { layout.samples() };
        let stream = Stream {
            name: path.display().to_string(),
            sample_format: expect.sample_format,
            channels: expect.channels,
            sample_rate_hz: expect.sample_rate_hz,
            start: facts.start(expect.sample_rate_hz)?,
            length: said.unwrap_or(Some(length)),
        };
        Ok(Self {
            path: path.to_owned(),
            stream,
            volts_per_count: expect.volts_per_count.clone(),
            pulses: Vec::new(),
            warnings: Vec::new(),
            assumed: facts.assumed.clone(),
            kept: Kept::default(),
            found: false,
            continues: facts.meta.as_ref().is_some_and(|meta| meta.continues),
            parts: [facts.data_path.clone()].into_iter().chain(facts.meta_path.clone()).collect(),
            stored: facts.stored.unwrap_or(Stored::of(expect.sample_format)),
            layout,
            grid: facts.grid.clone().filter(|grid| !grid.interleaved()),
            medium: facts.medium,
            data_path: facts.data_path.clone(),
        })
    }

    /// Where pulses lie by the array's rows or by cutting; `None` when something else says it.
    fn spots(
        &self,
        facts: &Facts,
        arrangement: &Arrangement,
        warnings: &mut Vec<String>,
    ) -> Result<Option<Vec<Spot>>, RecordingError> {
        let pulsed = facts.grid.as_ref().filter(|grid| grid.pulsed);
        let Some(cutting) = &arrangement.cutting else { return Ok(pulsed.map(spots::of_rows)) };
        if pulsed.is_some() {
            let fault =
                "has an axis of pulses, but recordings.cut_by cuts it; leave one of them out";
            return Err(RecordingError::bad(&self.path, fault));
        }
        if facts.meta.as_ref().is_some_and(|meta| !meta.pulses.items.is_empty()) {
            warnings.push("annotated pulses are passed over: recordings.cut_by cuts".to_owned());
        }
        spots::cut(self, arrangement, cutting, warnings).map(Some)
    }

    /// Looks at a recording without a configuration.
    ///
    /// # Errors
    /// As [`Recording::open`], for what the file says of itself.
    pub fn look(path: &Path) -> Result<Look, RecordingError> {
        let mut facts = Facts::read(path)?;
        facts.lay_axes(None, None)?;
        let mut warnings = facts.warnings.clone();
        let mut look = Look {
            container: facts.container,
            sample_format: facts.sample_format(),
            full_scale_counts: facts.stored.and_then(Stored::full_scale_counts),
            channels: facts.channels,
            sample_rate_hz: facts.sample_rate_hz,
            volts_per_count: facts.each_volts_per_count(),
            start: None,
            data_bytes: facts.data_bytes,
            samples: None,
            pulses: Vec::new(),
            warnings: Vec::new(),
            assumed: facts.assumed.clone(),
        };
        if let (Some(format), Some(channels)) = (facts.sample_format(), facts.channels) {
            let layout = facts.layout(format, channels, 0.0, &mut warnings)?;
            look.samples = Some(layout.samples());
            let spots = facts.grid.as_ref().filter(|grid| grid.pulsed).map(spots::of_rows);
            let hints = Hints { stage: Some(Stage::Exposure), ..Hints::default() };
            look.pulses = facts.pulses(&layout, spots.as_deref(), &hints, &mut warnings)?.0;
        }
        if let Some(rate) = facts.sample_rate_hz {
            look.start = facts.start(rate)?;
        }
        look.warnings = warnings;
        Ok(look)
    }

    /// The whole recording as one pulse of the stage noise, for looking at one whose pulses are
    /// not known.
    #[must_use]
    pub fn whole(&self) -> Pulse {
        let tag = PulseTag {
            number: 0,
            first: SampleIndex(self.layout.device_of(0)),
            time: None,
            trigger_offset: None,
            drive_mpa: None,
            drive_setting: None,
            target: Arc::from(""),
            exposure: None,
            stage: Stage::Noise,
            sham: false,
            lost_samples: 0,
        };
        let samples = self.layout.samples();
        Pulse { tag: Arc::new(tag), start: 0, samples, stored: samples }
    }

    /// SHA-256 of the recording in hexadecimal: of its data file, then, where there are such, its
    /// metadata file and its cue list, as one run of bytes. Reads all of them.
    ///
    /// # Errors
    /// [`RecordingError::NotFound`], [`RecordingError::Io`].
    pub fn sha256(&self) -> Result<String, RecordingError> {
        let mut sum = Sha256::new();
        for part in &self.parts {
            feed(part, &mut sum)?;
        }
        Ok(hex(&sum.finalize()))
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use serde_json::json;

    use super::super::specimen::{annotation, expect, frames, meta, pair, without};
    use super::*;

    #[test]
    fn a_look_tells_what_the_file_says_and_no_more() {
        let folder = tempfile::tempdir().unwrap();
        let mut meta = meta();
        meta["global"]["core:num_channels"] = json!(2);
        meta["global"]["simmer:volts_per_count"] = json!(1e-4);
        meta["captures"][0]["core:datetime"] = json!("2026-05-04T09:30:00Z");
        meta["annotations"] = json!([annotation(0, 10, 1)]);
        let look = Recording::look(&pair(folder.path(), &meta, &[0; 200])).unwrap();
        assert_eq!(look.container, Container::SigMf);
        assert_eq!(look.sample_format, Some(SampleFormat::Ri16Le));
        assert_eq!((look.channels, look.samples, look.pulses.len()), (Some(2), Some(50), 1));
        assert_eq!(look.volts_per_count, Some(vec![1e-4, 1e-4]));
        assert_eq!(look.start, Some("2026-05-04T09:30:00Z".parse().unwrap()));

        let raw = folder.path().join("x.raw");
        fs::write(&raw, [0; 30]).unwrap();
        let look = Recording::look(&raw).unwrap();
        assert_eq!((look.container, look.data_bytes), (Container::Raw, 30));
        assert_eq!((look.sample_format, look.channels, look.samples), (None, None, None));
    }

    #[test]
    fn cues_win_over_annotations_however_faulty_these_are() {
        let folder = tempfile::tempdir().unwrap();
        let mut meta = meta();
        meta["annotations"] = json!([annotation(500, 10, 1)]);
        let path = pair(folder.path(), &meta, &[0; 200]);
        let expect = expect(SampleFormat::Ri16Le, 1);
        assert!(Recording::open(&path, &expect, None).is_err());
        let cues = folder.path().join("cues.csv");
        let head = "start_sample,sample_count,pulse,drive_mpa,stage\n";
        fs::write(&cues, format!("{head}5,10,3,0.5,noise\n")).unwrap();
        let recording = Recording::open(&path, &expect, Some(&cues)).unwrap();
        assert_eq!((recording.pulses[0].tag.number, recording.pulses[0].start), (3, 5));

        fs::write(&cues, format!("{head}5,10,3,0.5,noise\n\n14,10,4,0.5,noise\n")).unwrap();
        let error = Recording::open(&path, &expect, Some(&cues)).unwrap_err();
        let fault = "cues.csv: line 4: start_sample is 14, but pulse 3 reaches to 15, \
                     pulses may not overlap";
        assert_eq!(without(&error.to_string(), folder.path()), fault);

        let missing = folder.path().join("none.csv");
        let error = Recording::open(&path, &expect, Some(&missing)).unwrap_err();
        assert_eq!(without(&error.to_string(), folder.path()), "none.csv: not found");
        assert_eq!(error.exit_code(), 66);
    }

    #[test]
    fn a_recording_without_pulses_can_be_read_as_a_whole() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.raw");
        let data: Vec<u8> = (0..100).collect();
        fs::write(&path, &data).unwrap();
        let mut recording = Recording::open(&path, &expect(SampleFormat::Ri16Be, 1), None).unwrap();
        assert!(frames(&recording, 64).is_empty());
        recording.pulses = vec![recording.whole()];
        let bytes: Vec<u8> = frames(&recording, 64).into_iter().flat_map(|f| f.bytes).collect();
        assert_eq!(bytes, data);
    }

    // FIPS 180-4's example as given by NIST: SHA-256 of "abc".
    #[test]
    fn the_sum_runs_over_data_then_metadata_then_cues() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.raw");
        fs::write(&path, "abc").unwrap();
        let expect = Expect { volts_per_count: vec![1.0], ..expect(SampleFormat::Ri8, 1) };
        let recording = Recording::open(&path, &expect, None).unwrap();
        let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(recording.sha256().unwrap(), abc);

        let meta_path = pair(folder.path(), &meta(), &[7; 20]);
        let expect = Expect { sample_format: SampleFormat::Ri16Le, ..expect };
        let recording = Recording::open(&meta_path, &expect, None).unwrap();
        let mut all = vec![7; 20];
        all.extend(fs::read(&meta_path).unwrap());
        assert_eq!(recording.sha256().unwrap(), hex(&Sha256::digest(&all)));
    }
}
