//! Small recordings for the tests of this room.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde_json::{Value, json};

use super::{Arrangement, Expect, Recording, Source};
use crate::engine::{Frame, Input, PulseTag, SampleIndex, Stage, Stream};
use crate::signal::SampleFormat;

pub(super) fn expect(sample_format: SampleFormat, channels: usize) -> Expect {
    Expect {
        source: "bench.toml".to_owned(),
        sample_format,
        channels,
        sample_rate_hz: 20e6,
        volts_per_count: vec![6.103515625e-5; channels],
        arrangement: Arrangement::default(),
    }
}

pub(super) fn stream(sample_format: SampleFormat, channels: usize) -> Stream {
    Stream {
        name: "specimen".to_owned(),
        sample_format,
        channels,
        sample_rate_hz: 20e6,
        start: None,
        length: None,
    }
}

pub(super) fn tag(number: u64, first: u64) -> PulseTag {
    PulseTag {
        number,
        first: SampleIndex(first),
        time: None,
        trigger_offset: None,
        drive_mpa: Some(0.25),
        drive_setting: None,
        target: Arc::from(""),
        exposure: None,
        stage: Stage::Baseline,
        sham: false,
        lost_samples: 0,
    }
}

/// Metadata of 16-bit samples of one channel at 20 MS/s.
pub(super) fn meta() -> Value {
    json!({
        "global": {"core:datatype": "ri16_le", "core:version": "1.2.0", "core:sample_rate": 20e6},
        "captures": [{"core:sample_start": 0}],
        "annotations": [],
    })
}

pub(super) fn annotation(start: u64, count: u64, number: u64) -> Value {
    json!({
        "core:sample_start": start, "core:sample_count": count, "core:label": "pulse",
        "simmer:pulse": number, "simmer:drive_mpa": 0.25, "simmer:stage": "baseline",
    })
}

/// Writes a pair `x` into a folder and returns the metadata's path.
pub(super) fn pair(folder: &Path, meta: &Value, data: &[u8]) -> PathBuf {
    let path = folder.join("x.sigmf-meta");
    fs::write(&path, meta.to_string()).unwrap();
    fs::write(folder.join("x.sigmf-data"), data).unwrap();
    path
}

/// What opening a 16-bit pair of one channel with this metadata and 100 sample sets gives.
pub(super) fn open_meta(meta: &Value) -> Result<Recording, String> {
    let folder = tempfile::tempdir().unwrap();
    let data: Vec<u8> = (0..200).collect();
    let path = pair(folder.path(), meta, &data);
    Recording::open(&path, &expect(SampleFormat::Ri16Le, 1), None)
        .map_err(|error| without(&error.to_string(), folder.path()))
}

/// A message without the folder of the test.
pub(super) fn without(message: &str, folder: &Path) -> String {
    let parting = std::path::MAIN_SEPARATOR;
    message.replace(&format!("{}{parting}", folder.display()), "")
}

/// All frames of one recording.
pub(super) fn frames(recording: &Recording, block_bytes: usize) -> Vec<Frame> {
    let source = Source::new(vec![recording.clone()], block_bytes, Vec::new).unwrap();
    source
        .filter_map(|item| match item.unwrap() {
            Input::Frame(frame) => Some(frame),
            _ => None,
        })
        .collect()
}
