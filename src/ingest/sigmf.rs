//! SigMF pairs: what the metadata says of the samples and the pulses.
//!
//! Source: the Signal Metadata Format specification 1.2 (sigmf.org). Read are the real datatypes of
//! [`SampleFormat`], interleaved `core:num_channels`, `core:offset`, `core:dataset`, jumps of
//! `core:global_index`, and the bytes around the samples of a non-conforming dataset
//! (`core:header_bytes`, `core:trailing_bytes`). Pulses are annotations with `core:label` = `pulse`
//! and keys of our own, all beginning with `simmer:`.

use std::path::{Path, PathBuf};

use jiff::{SignedDuration, Timestamp};
use serde::Deserialize;

use super::bytes::read_bounded;
use super::error::RecordingError;
use super::layout::{Layout, Segment};
use super::pulses::Candidate;
use super::sigmf_entries::{Capture, Extension, known, needed, whole};
use super::sigmf_json::{List, Numbers, Scalar, quoted};
use crate::signal::SampleFormat;

/// Largest metadata file read; a day of pulses at 5 a second takes some 200 MB.
const MAX_META_BYTES: u64 = 256 << 20;
/// Captures whose `core:datetime` strays further from their index than this are worth a warning.
const DATETIME_SLACK: SignedDuration = SignedDuration::from_millis(1);

/// What a metadata file says, checked as far as that goes without the data.
#[derive(Debug, Clone)]
pub(super) struct Meta {
    pub(super) data_path: PathBuf,
    pub(super) sample_format: SampleFormat,
    pub(super) channels: Option<usize>,
    pub(super) sample_rate_hz: Option<f64>,
    pub(super) volts_per_count: Option<Numbers>,
    pub(super) offset: u64,
    pub(super) pulses: List<Candidate>,
    trailing_bytes: u64,
    captures: Vec<Capture>,
    pub(super) sha512: Option<String>,
    /// The stream goes on from the recording before.
    pub(super) continues: bool,
    /// Of a session's recording: samples of the stream, where its sender has said so.
    pub(super) stream_samples: Option<Option<u64>>,
}

#[derive(Deserialize)]
struct Written {
    global: Global,
    #[serde(default)]
    captures: List<Capture>,
    #[serde(default)]
    annotations: List<Candidate>,
}

#[derive(Deserialize)]
struct Global {
    #[serde(rename = "core:datatype")]
    datatype: Option<Scalar>,
    #[serde(rename = "core:version")]
    version: Option<Scalar>,
    #[serde(rename = "core:sample_rate")]
    sample_rate: Option<Scalar>,
    #[serde(rename = "core:num_channels")]
    num_channels: Option<Scalar>,
    #[serde(rename = "core:offset")]
    offset: Option<Scalar>,
    #[serde(rename = "core:dataset")]
    dataset: Option<Scalar>,
    #[serde(rename = "core:metadata_only")]
    metadata_only: Option<Scalar>,
    #[serde(rename = "core:trailing_bytes")]
    trailing_bytes: Option<Scalar>,
    #[serde(rename = "core:sha512")]
    sha512: Option<Scalar>,
    #[serde(rename = "core:extensions", default)]
    extensions: List<Extension>,
    #[serde(rename = "simmer:volts_per_count")]
    volts_per_count: Option<Numbers>,
    #[serde(rename = "simmer:continues")]
    continues: Option<Scalar>,
    /// There and null where a session's recorder was not told.
    #[serde(rename = "simmer:stream_samples", default, deserialize_with = "there")]
    stream_samples: Option<Option<Scalar>>,
}

/// Some where the key is there, be it null.
fn there<'de, D: serde::Deserializer<'de>>(from: D) -> Result<Option<Option<Scalar>>, D::Error> {
    serde::Deserialize::deserialize(from).map(Some)
}

/// Reads and checks a metadata file.
pub(super) fn read(meta_path: &Path) -> Result<Meta, RecordingError> {
    let text = read_bounded(meta_path, MAX_META_BYTES)?;
    parse(meta_path, &text).map_err(|fault| RecordingError::bad(meta_path, fault))
}

fn parse(meta_path: &Path, text: &[u8]) -> Result<Meta, String> {
    let text = text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(text);
    let Written { global, captures, annotations } =
        serde_json::from_slice(text).map_err(|error| format!("not SigMF metadata: {error}"))?;
    for fault in [global.extensions.fault, captures.fault] {
        fault.map_or(Ok(()), Err)?;
    }
    if let Some(version) = known(global.version.as_ref()) {
        let version = version.text("core:version")?;
        if !["0", "1"].contains(&version.split('.').next().unwrap_or("")) {
            return Err(format!("core:version is {}, only 0.x and 1.x are read", quoted(version)));
        }
    }
    if let Some(only) = known(global.metadata_only.as_ref())
        && only.flag("core:metadata_only")?
    {
        return Err("core:metadata_only is true: there are no samples to read".to_owned());
    }
    let sample_rate_hz =
        known(global.sample_rate.as_ref()).map(|rate| rate.real("core:sample_rate")).transpose()?;
    if let Some(rate) = sample_rate_hz.filter(|rate| *rate <= 0.0) {
        return Err(format!("core:sample_rate is {rate}, must be above 0"));
    }
    let sha512 = known(global.sha512.as_ref()).map(|sum| sum.text("core:sha512")).transpose()?;
    Ok(Meta {
        data_path: data_path(meta_path, known(global.dataset.as_ref()))?,
        sample_format: datatype(needed(global.datatype.as_ref(), "core:datatype")?)?,
        channels: channels(global.num_channels.as_ref())?,
        sample_rate_hz,
        volts_per_count: global.volts_per_count,
        continues: known(global.continues.as_ref())
            .map(|flag| flag.flag("simmer:continues"))
            .transpose()?
            .unwrap_or(false),
        stream_samples: global
            .stream_samples
            .map(|samples| whole(samples.as_ref(), "simmer:stream_samples"))
            .transpose()?,
        offset: whole(global.offset.as_ref(), "core:offset")?.unwrap_or(0),
        pulses: annotations,
        trailing_bytes: whole(global.trailing_bytes.as_ref(), "core:trailing_bytes")?.unwrap_or(0),
        captures: captures.items,
        sha512: sha512.map(str::to_ascii_lowercase),
    })
}

fn channels(written: Option<&Scalar>) -> Result<Option<usize>, String> {
    let Some(count) = whole(written, "core:num_channels")? else { return Ok(None) };
    match u16::try_from(count) {
        Ok(count) if count > 0 => Ok(Some(usize::from(count))),
        _ => Err(format!("core:num_channels is {count}, must be 1 to {}", u16::MAX)),
    }
}

fn datatype(written: &Scalar) -> Result<SampleFormat, String> {
    let name = written.text("core:datatype")?;
    let read = SampleFormat::ALL.map(SampleFormat::name).join(", ");
    SampleFormat::from_name(name).ok_or_else(|| {
        let kind = match name.as_bytes() {
            [b'c', b'f' | b'i' | b'u', ..] => "complex samples are not read",
            [b'r', b'u', ..] => "unsigned samples are not read",
            _ => "it is not read",
        };
        format!("core:datatype is {}: {kind}, only {read} are", quoted(name))
    })
}

fn data_path(meta_path: &Path, dataset: Option<&Scalar>) -> Result<PathBuf, String> {
    let Some(dataset) = dataset else { return Ok(meta_path.with_extension("sigmf-data")) };
    let name = dataset.text("core:dataset")?;
    if name.is_empty() || name == ".." || name == "." || name.contains(['/', '\\', '\0']) {
        let fault = "must be the name of a file beside this one";
        return Err(format!("core:dataset is {}, {fault}", quoted(name)));
    }
    Ok(meta_path.with_file_name(name))
}

impl Meta {
    /// Where the sample sets lie in a data file of `file_bytes`. Faults are the metadata's.
    pub(super) fn layout(
        &self,
        file_bytes: u64,
        set_bytes: u64,
        warnings: &mut Vec<String>,
    ) -> Result<Layout, String> {
        let headers = self
            .captures
            .iter()
            .try_fold(self.trailing_bytes, |sum, capture| sum.checked_add(capture.header_bytes))
            .filter(|foreign| *foreign <= file_bytes);
        let Some(foreign) = headers else {
            return Err(format!(
                "core:header_bytes and core:trailing_bytes together exceed the data file's \
                 {file_bytes} bytes"
            ));
        };
        let held = file_bytes - foreign;
        let samples = held / set_bytes;
        if !held.is_multiple_of(set_bytes) {
            warnings.push(format!(
                "the data ends with {} bytes of a sample set of {set_bytes}, left out",
                held % set_bytes
            ));
        }
        let mut layout = Layout::one(0, self.offset, samples, set_bytes);
        let (mut header_bytes, mut before) =
            (0, Segment { first: 0, byte: 0, device: self.offset });
        for (at, capture) in self.captures.iter().enumerate() {
            header_bytes += capture.header_bytes;
            let next = self
                .segment(capture, before, samples)
                .map(|(first, device)| Segment {
                    first,
                    byte: header_bytes + first * set_bytes,
                    device,
                })
                .map_err(|fault| format!("captures[{at}]: {fault}"))?;
            if next.first == 0 {
                layout = Layout::one(next.byte, next.device, samples, set_bytes);
            } else {
                layout.push(next);
            }
            before = next;
        }
        Ok(layout)
    }

    /// File and device index of a capture's first sample set.
    fn segment(
        &self,
        capture: &Capture,
        before: Segment,
        samples: u64,
    ) -> Result<(u64, u64), String> {
        let start = capture.start;
        let Some(first) = start.checked_sub(self.offset) else {
            let offset = self.offset;
            return Err(format!("core:sample_start is {start}, the file begins at {offset}"));
        };
        if first < before.first {
            let earlier = before.first + self.offset;
            return Err(format!("core:sample_start is {start} after {earlier}, must rise"));
        }
        if first > samples {
            let end = samples + self.offset;
            return Err(format!("core:sample_start is {start}, the data ends at {end}"));
        }
        let unbroken = before.device + (first - before.first);
        let device = capture.global_index.unwrap_or(unbroken);
        if device < unbroken && first > 0 {
            return Err(format!(
                "core:global_index is {device}, but {unbroken} came before it: it must not run back"
            ));
        }
        Ok((first, device))
    }

    /// Start of the stream: the first capture's `core:datetime` less its index over the rate, since
    /// the time is that of the capture's first sample and device time counts from the stream's start.
    pub(super) fn start(&self, sample_rate_hz: f64) -> Result<Option<Timestamp>, String> {
        let Some(capture) = self.captures.first() else { return Ok(None) };
        let Some(time) = capture.datetime else { return Ok(None) };
        let index = capture.global_index.unwrap_or(capture.start);
        let since = duration(index, sample_rate_hz);
        since.and_then(|since| time.checked_sub(since).ok()).map(Some).ok_or_else(|| {
            format!("captures[0]: core:datetime {time} less {index} samples is out of range")
        })
    }

    /// Warns of captures whose time says something else than their index.
    pub(super) fn compare_times(&self, sample_rate_hz: f64, warnings: &mut Vec<String>) {
        let Ok(Some(start)) = self.start(sample_rate_hz) else { return };
        for (at, capture) in self.captures.iter().enumerate().skip(1) {
            let Some(time) = capture.datetime else { continue };
            let index = capture.global_index.unwrap_or(capture.start);
            let Some(since) = duration(index, sample_rate_hz) else { continue };
            if (time.duration_since(start) - since).abs() > DATETIME_SLACK {
                warnings.push(format!(
                    "captures[{at}]: core:datetime {time} does not fit sample {index}; \
                     times follow the samples"
                ));
                return;
            }
        }
    }
}

/// Time that many samples take, to the nanosecond; `None` when it is out of range.
pub(super) fn duration(samples: u64, sample_rate_hz: f64) -> Option<SignedDuration> {
    SignedDuration::try_from_secs_f64(samples as f64 / sample_rate_hz).ok()
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::super::specimen::{annotation, meta, open_meta};
    use super::super::{Recording, specimen};
    use super::*;

    #[track_caller]
    fn check_global(key: &str, value: Value, fault: &str) {
        let mut meta = meta();
        meta["global"][key] = value;
        assert_eq!(open_meta(&meta).unwrap_err(), format!("x.sigmf-meta: {fault}"));
    }

    #[test]
    fn what_is_not_read_is_refused_by_name() {
        let read = "only ri8, ri16_le, ri16_be, ri32_le, rf32_le, rf64_le are";
        for (name, kind) in [
            ("cf32_le", "complex samples are not read"),
            ("ru16_le", "unsigned samples are not read"),
            ("rf32_be", "it is not read"),
        ] {
            let fault = format!("core:datatype is \"{name}\": {kind}, {read}");
            check_global("core:datatype", json!(name), &fault);
        }
        check_global(
            "core:metadata_only",
            json!(true),
            "core:metadata_only is true: there are no samples to read",
        );
        check_global(
            "core:version",
            json!("2.0.0"),
            "core:version is \"2.0.0\", only 0.x and 1.x are read",
        );
        check_global(
            "core:dataset",
            json!("../other.bin"),
            "core:dataset is \"../other.bin\", must be the name of a file beside this one",
        );
        check_global(
            "core:extensions",
            json!([
                {"name": "simmer", "version": "1.0.0", "optional": false},
                {"name": "antenna", "version": "1.0.0", "optional": true},
                {"name": "capture_details", "version": "1.0.0", "optional": false},
            ]),
            "core:extensions[2]: \"capture_details\" must be understood to read this file, and is \
             not known here",
        );
    }

    #[test]
    fn faulty_numbers_of_the_head_are_refused_with_their_bounds() {
        check_global("core:num_channels", json!(0), "core:num_channels is 0, must be 1 to 65535");
        check_global("core:sample_rate", json!(0), "core:sample_rate is 0, must be above 0");
        check_global(
            "core:sample_rate",
            json!("20e6"),
            "core:sample_rate is \"20e6\", must be a finite number",
        );
        check_global("core:offset", json!(-3), "core:offset is -3, must not be negative");
        check_global(
            "core:trailing_bytes",
            json!(201),
            "core:header_bytes and core:trailing_bytes together exceed the data file's 200 bytes",
        );
    }

    #[track_caller]
    fn check_captures(captures: Value, fault: &str) {
        let mut meta = meta();
        meta["captures"] = captures;
        assert_eq!(open_meta(&meta).unwrap_err(), format!("x.sigmf-meta: {fault}"));
    }

    #[test]
    fn faults_of_captures_name_the_capture() {
        check_captures(json!([{}]), "captures[0]: core:sample_start is missing");
        check_captures(
            json!([{"core:sample_start": 9}, {"core:sample_start": 8}]),
            "captures[1]: core:sample_start is 8 after 9, must rise",
        );
        check_captures(
            json!([{"core:sample_start": 101}]),
            "captures[0]: core:sample_start is 101, the data ends at 100",
        );
        check_captures(
            json!([{"core:sample_start": 0}, {"core:sample_start": 50, "core:global_index": 49}]),
            "captures[1]: core:global_index is 49, but 50 came before it: it must not run back",
        );
        check_captures(
            json!([{"core:sample_start": 0, "core:datetime": "yesterday"}]),
            "captures[0]: core:datetime is \"yesterday\", must be like 2026-05-04T09:30:00Z",
        );
    }

    #[test]
    fn a_jump_of_the_global_index_moves_the_pulses_after_it() {
        let mut meta = meta();
        meta["captures"] = json!([
            {"core:sample_start": 0, "core:global_index": 1000},
            {"core:sample_start": 50, "core:global_index": 5000},
        ]);
        meta["annotations"] =
            json!([annotation(0, 10, 1), annotation(45, 10, 2), annotation(60, 10, 3)]);
        let pulses = open_meta(&meta).unwrap().pulses;
        let first: Vec<_> = pulses.iter().map(|pulse| pulse.tag.first.0).collect();
        assert_eq!(first, [1000, 1045, 5010]);
    }

    #[test]
    fn indices_count_from_the_offset_of_a_split_recording() {
        let mut meta = meta();
        meta["global"]["core:offset"] = json!(1000);
        meta["captures"] = json!([{"core:sample_start": 1000}]);
        meta["annotations"] = json!([annotation(1010, 10, 1)]);
        let pulses = open_meta(&meta).unwrap().pulses;
        assert_eq!((pulses[0].start, pulses[0].tag.first.0), (10, 1010));
        meta["annotations"] = json!([annotation(999, 10, 1)]);
        let fault = "annotations[0]: core:sample_start is 999, the file begins at core:offset 1000";
        assert_eq!(open_meta(&meta).unwrap_err(), format!("x.sigmf-meta: {fault}"));
    }

    #[test]
    fn the_stream_starts_before_a_first_capture_that_does_not_begin_at_zero() {
        let mut meta = meta();
        meta["captures"] = json!([{
            "core:sample_start": 0, "core:global_index": 40_000_000,
            "core:datetime": "2026-05-04T09:30:02Z",
        }]);
        let start = open_meta(&meta).unwrap().stream.start;
        assert_eq!(start, Some("2026-05-04T09:30:00Z".parse().unwrap()));
    }

    #[test]
    fn a_capture_whose_time_does_not_fit_its_index_is_warned_of() {
        let mut meta = meta();
        meta["captures"] = json!([
            {"core:sample_start": 0, "core:datetime": "2026-05-04T09:30:00Z"},
            {"core:sample_start": 50, "core:datetime": "2026-05-04T09:31:00Z"},
        ]);
        meta["annotations"] = json!([annotation(0, 10, 1)]);
        let warning = "captures[1]: core:datetime 2026-05-04T09:31:00Z does not fit sample 50; \
                       times follow the samples";
        assert_eq!(open_meta(&meta).unwrap().warnings, [warning]);
    }

    #[test]
    fn foreign_bytes_around_the_samples_are_left_out() {
        let folder = tempfile::tempdir().unwrap();
        let mut meta = meta();
        meta["global"]["core:dataset"] = json!("x.sigmf-data");
        meta["global"]["core:trailing_bytes"] = json!(3);
        meta["captures"] = json!([
            {"core:sample_start": 0, "core:header_bytes": 4},
            {"core:sample_start": 2, "core:header_bytes": 2},
        ]);
        meta["annotations"] = json!([annotation(1, 3, 1)]);
        let data = b"HEADaabbHHccddEND";
        let path = specimen::pair(folder.path(), &meta, data);
        let expect = specimen::expect(SampleFormat::Ri16Le, 1);
        let recording = Recording::open(&path, &expect, None).unwrap();
        assert_eq!(recording.stream.length, Some(4));
        let frames = specimen::frames(&recording, 64);
        let bytes: Vec<_> = frames.iter().map(|frame| frame.bytes.as_slice()).collect();
        assert_eq!(bytes, [b"bb".as_slice(), b"ccdd"]);
        let offsets: Vec<_> = frames.iter().map(|frame| (frame.offset, frame.last)).collect();
        assert_eq!(offsets, [(0, false), (1, true)]);
    }

    #[test]
    fn metadata_cut_at_any_byte_is_a_fault_and_no_panic() {
        let mut whole = meta();
        whole["annotations"] = json!([annotation(0, 10, 1)]);
        let text = whole.to_string();
        let path = Path::new("x.sigmf-meta");
        assert!(parse(path, text.as_bytes()).is_ok());
        for end in 0..text.len() {
            let fault = parse(path, &text.as_bytes()[..end]).unwrap_err();
            assert!(fault.starts_with("not SigMF metadata: "), "{fault}");
        }
    }

    #[test]
    fn nesting_without_end_is_a_fault_and_no_overflow() {
        let text = "[".repeat(1_000_000);
        assert!(parse(Path::new("x.sigmf-meta"), text.as_bytes()).is_err());
        let text = format!("{{\"global\":{{\"core:datatype\":{text}");
        assert!(parse(Path::new("x.sigmf-meta"), text.as_bytes()).is_err());
    }

    #[test]
    fn a_byte_order_mark_before_the_metadata_is_passed_over() {
        let text = format!("\u{feff}{}", meta());
        assert!(parse(Path::new("x.sigmf-meta"), text.as_bytes()).is_ok());
    }

    proptest::proptest! {
        #[test]
        fn mutated_metadata_never_panics(
            at in proptest::collection::vec((0_usize..1000, proptest::num::u8::ANY), 1..6),
            bytes in 0_u64..400,
        ) {
            let mut whole = meta();
            whole["annotations"] = json!([annotation(0, 10, 1), annotation(20, 10, 2)]);
            let mut text = whole.to_string().into_bytes();
            for (place, byte) in at {
                let length = text.len();
                text[place % length] = byte;
            }
            if let Ok(meta) = parse(Path::new("x.sigmf-meta"), &text) {
                let mut warnings = Vec::new();
                if let Ok(layout) = meta.layout(bytes, 2, &mut warnings) {
                    let pulses = meta.pulses.items.clone();
                    let laid = super::super::pulses::lay_out(pulses, &layout, meta.offset, &mut warnings);
                    for pulse in laid.unwrap_or_default() {
                        proptest::prop_assert!(pulse.start + pulse.stored <= layout.samples());
                    }
                }
            }
        }
    }
}
