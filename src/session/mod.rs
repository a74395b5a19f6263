//! What a session leaves behind: a folder other programs can read.
//!
//! [`table`] `pulses.csv` and `exposures.csv`, [`events`] `events.ndjson` and [`acts`] the acts in it,
//! `npy` `spectra.npy`, `pen` the thread that writes, [`recorder`] raw samples, [`read`] all of it
//! read back, [`mod@repair`] after a crash,
//! [`baseline_file`] baselines as JSON, [`Folder`] all of it together with `session.json`.

pub mod acts;
pub mod baseline_file;
mod calibrated;
pub mod events;
mod npy;
pub(crate) mod pen;
pub mod read;
pub mod recorder;
pub mod repair;
pub mod replayed;
pub mod table;
pub mod tuning_file;

use std::fs::File;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use crate::detect::{ExposureSummary, What};
use crate::engine::{Account, Judged, Sink};
use crate::ingest::wire::Counts;
use crate::signal::{PerQuantity, Plan, Quantity, plan::NoisePlan, transform_path};
pub use calibrated::{calibration_json, label as calibration_label};
use npy::SpectraFile;
use pen::{Page, Pen};
use recorder::Recorded;

/// Why a session folder cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum FolderError {
    /// The folder cannot be made.
    #[error("{path}: cannot create the session folder: {source}")]
    Create {
        /// The folder.
        path: String,
        /// Why.
        source: std::io::Error,
    },
    /// The folder holds a session already.
    #[error("{0}: the folder already holds a session; choose another --out")]
    Occupied(String),
    /// A file cannot be written.
    #[error("{path}: cannot write: {source}")]
    Write {
        /// The file.
        path: String,
        /// Why.
        source: std::io::Error,
    },
    /// The disk does not keep up.
    #[error("{path}: the disk does not keep up: {waiting} bytes wait for it")]
    Slow {
        /// The folder.
        path: String,
        /// Bytes that wait.
        waiting: usize,
    },
    /// The disk does not answer.
    #[error("{path}: the disk has not answered for {s} s; the session is not finished")]
    Hangs {
        /// The folder.
        path: String,
        /// How long, s.
        s: u64,
    },
}

/// A table a configuration names, kept with the session so that it can be replayed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptTable {
    /// Its path as the configuration writes it.
    pub name: String,
    /// SHA-256 of its text.
    pub sha256: String,
    /// Its text, verbatim.
    pub text: String,
}

/// What is said of a session besides its pulses.
#[derive(Debug, Clone)]
pub struct Head {
    /// The configuration's text as read.
    pub configuration: String,
    /// SHA-256 of that text.
    pub configuration_sha256: String,
    /// The tables it names, as read.
    pub tables: Vec<KeptTable>,
    /// The free text of the configuration, key and value.
    pub notes: Vec<(String, String)>,
    /// Subject, for the exposure table.
    pub subject: String,
    /// Start of the first stream, UTC.
    pub start_utc: Option<jiff::Timestamp>,
    /// Where the samples come from: names and, where known, SHA-256.
    pub sources: Vec<(String, Option<String>)>,
    /// The baseline file, where one was given.
    pub baseline_file: Option<String>,
    /// What the drive means.
    pub drive_means: String,
    /// P of the budget.
    pub expected_pulses: u64,
    /// The session whose samples are analysed again.
    pub parent: Option<String>,
}

/// A session folder while it is written.
pub struct Folder {
    path: PathBuf,
    about: About,
    pen: Pen,
    /// Bins of a row of spectra, where they are kept.
    spectra_bins: Option<usize>,
    line: String,
}

/// What `session.json` says.
struct About {
    head: Head,
    axes: Value,
    calibration: Value,
    summaries: Vec<ExposureSummary>,
    counts: Option<Counts>,
    recorded: Option<Recorded>,
}

impl Folder {
    /// Makes the folder and its files. One that is `live` never waits for the disk.
    ///
    /// # Errors
    /// When the folder cannot be made, holds a session already, or cannot be written.
    pub fn create(
        path: &Path,
        head: Head,
        plan: &Plan,
        with_spectra: bool,
        live: bool,
    ) -> Result<Self, FolderError> {
        std::fs::create_dir_all(path)
            .map_err(|source| FolderError::Create { path: path.display().to_string(), source })?;
        if ["session.json", "pulses.csv"].iter().any(|name| path.join(name).exists()) {
            return Err(FolderError::Occupied(path.display().to_string()));
        }
        let create = |name: &str| {
            let file = path.join(name);
            File::create(&file)
                .map_err(|source| FolderError::Create { path: file.display().to_string(), source })
        };
        // First of all: a folder with this file is a session, whatever happens to it.
        let about = About {
            head,
            axes: axes(plan),
            calibration: calibration_json(plan),
            summaries: Vec::new(),
            counts: None,
            recorded: None,
        };
        about.write(path, "running", None)?;
        if let Some(file) = &about.head.baseline_file {
            let copy = path.join(replayed::BASELINE);
            std::fs::copy(file, &copy).map_err(|source| FolderError::Create {
                path: copy.display().to_string(),
                source,
            })?;
        }
        let (channels, bins) = (plan.used_channels.len(), plan.bins());
        let file = path.join("spectra.npy");
        let spectra = with_spectra
            .then(|| SpectraFile::create(&file, channels, bins))
            .transpose()
            .map_err(|source| FolderError::Create { path: file.display().to_string(), source })?;
        let [pulses, exposures, events] = Page::ALL.map(|page| create(page.name()));
        let pen = Pen::start(path, [pulses?, exposures?, events?], spectra, !live)?;
        let folder = Self {
            path: path.to_owned(),
            about,
            pen,
            spectra_bins: with_spectra.then_some(bins),
            line: String::new(),
        };
        folder.pen.lines(Page::Pulses, format!("{}\n", table::pulse_head()).into_bytes())?;
        folder.pen.lines(Page::Exposures, format!("{}\n", table::exposure_head()).into_bytes())?;
        Ok(folder)
    }

    fn write_rows(&mut self, judged: &Judged) -> Result<(), FolderError> {
        let mut lines = Vec::new();
        for row in &judged.judgement.rows {
            table::pulse_line(row, &mut self.line);
            lines.extend_from_slice(self.line.as_bytes());
            lines.push(b'\n');
        }
        self.pen.lines(Page::Pulses, lines)
    }

    fn write_events(&mut self, judged: &Judged) -> Result<(), FolderError> {
        let (mut lines, mut exposures, mut urgent) = (Vec::new(), Vec::new(), false);
        for event in &judged.judgement.events {
            lines.extend_from_slice(events::event_json(event).to_string().as_bytes());
            lines.push(b'\n');
            urgent |= matches!(event.what, What::AlarmRaised { .. });
            if let What::ExposureEnded { summary } = &event.what {
                let head = &self.about.head;
                let (subject, expected) = (&head.subject, head.expected_pulses);
                table::exposure_line(summary, subject, expected, &mut self.line);
                exposures.extend_from_slice(self.line.as_bytes());
                exposures.push(b'\n');
                self.about.summaries.push((**summary).clone());
            }
        }
        self.pen.lines(Page::Events, lines)?;
        self.pen.lines(Page::Exposures, exposures)?;
        if urgent { self.pen.now() } else { Ok(()) }
    }

    /// What is known of live streams at their end.
    pub fn note_streams(
        &mut self,
        start_utc: Option<jiff::Timestamp>,
        names: &[String],
        counts: Counts,
    ) {
        self.about.head.start_utc = start_utc;
        self.about.head.sources = names.iter().map(|name| (name.clone(), None)).collect();
        self.about.counts = Some(counts);
    }

    /// What was recorded beside the analysis.
    pub fn note_recording(&mut self, recorded: Option<Recorded>) {
        self.about.recorded = recorded;
    }

    /// Writes `session.json` and closes everything.
    ///
    /// # Errors
    /// When a file cannot be written.
    pub fn finish(self, account: Account) -> Result<PathBuf, FolderError> {
        self.pen.finish()?;
        self.about.write(&self.path, "finished", Some(account))?;
        Ok(self.path)
    }
}

impl About {
    fn write(
        &self,
        folder: &Path,
        state: &str,
        account: Option<Account>,
    ) -> Result<(), FolderError> {
        let file = folder.join("session.json");
        pen::write_whole(&file, &format!("{:#}\n", self.json(state, account)))
            .map_err(|source| FolderError::Write { path: file.display().to_string(), source })
    }

    fn json(&self, state: &str, account: Option<Account>) -> Value {
        let head = &self.head;
        let sources: Vec<Value> =
            head.sources.iter().map(|(name, hash)| json!({"name": name, "sha256": hash})).collect();
        let notes: serde_json::Map<String, Value> =
            head.notes.iter().map(|(key, text)| (key.clone(), json!(text))).collect();
        let baselines: std::collections::BTreeMap<&str, &str> = self
            .summaries
            .iter()
            .filter_map(|s| Some((&*s.target, s.baseline_id.as_deref()?)))
            .collect();
        json!({
            "simmer": env!("CARGO_PKG_VERSION"),
            "state": state,
            "start_utc": head.start_utc.map(|start| format!("{start:.9}")),
            "caution": crate::CAUTION,
            "session": notes,
            "drive_means": head.drive_means,
            "configuration": {"text": head.configuration, "sha256": head.configuration_sha256},
            "tables": head.tables.iter().map(table_json).collect::<Vec<_>>(),
            "calibration": self.calibration,
            "sources": sources,
            "parent": head.parent,
            "baseline": {"file": head.baseline_file, "id_by_target": baselines},
            "transform_path": transform_path(),
            "axes": self.axes,
            "account": account.map(account_json),
            "stream": self.counts.map(counts_json),
            "recording": self.recorded.as_ref().map(recorded_json),
            "dose_definitions": {
                "excess": "sum over pulses of (P - mean baseline P) * gate length, V2*s, signed; net line power for ultraharmonic and subharmonic",
                "raw": "sum over pulses of P * gate length, V2*s",
                "amplitude": "sum over pulses of sqrt(P) * gate length, V*s",
                "excess_pa2s": "as excess, each bin divided by the square of the receiver's sensitivity, Pa2*s, plane-wave equivalent at the receiver's face",
                "corrected_excess": "as excess, each bin of the excess multiplied by 10^(insertion loss/10) over the part its table covers, V2*s or Pa2*s",
            },
            "exposures": self.summaries.iter().map(doses_json).collect::<Vec<_>>(),
        })
    }
}

impl Sink for Folder {
    type Error = FolderError;

    fn take(&mut self, judged: &Judged) -> Result<(), FolderError> {
        self.write_rows(judged)?;
        if let (Some(bins), Some(_)) = (self.spectra_bins, &judged.pulse) {
            self.pen.spectra(npy::row(&judged.readings, bins))?;
        }
        self.write_events(judged)
    }
}

fn axes(plan: &Plan) -> Value {
    json!({
        "bin_hz": plan.bin_hz,
        "bins": plan.bins(),
        "segment_samples": plan.segments.n,
        "segment_hop_samples": plan.segments.hop,
        "segments": plan.segments.count,
        "gate_samples": plan.gate.len,
        "gate_s": plan.gate_s(),
        "noise_gate_samples": plan.noise.as_ref().map(|noise: &NoisePlan| noise.gate.len),
        "channels": plan.used_channels,
        "drive_monitor_channel": plan.drive_monitor,
        "spectra": "pulses x channels x bins, float32, dB re 1 V2/Hz, NaN without numbers",
    })
}

fn account_json(account: Account) -> Value {
    json!({
        "pulses": account.pulses,
        "frames": account.frames,
        "samples_received": account.received,
        "samples_wanted": account.wanted,
        "samples_used": account.used,
        "samples_outside_gates": account.outside_gates,
        "samples_lost_in_holes": account.lost_in_holes,
        "samples_lost_in_gates": account.lost_in_gates,
        "samples_lost_by_device": account.lost_by_device,
        "samples_not_recorded": account.not_recorded,
        "incomplete_pulses": account.incomplete_pulses,
        "closes": account.closes(),
    })
}

fn table_json(table: &KeptTable) -> Value {
    json!({"name": table.name, "sha256": table.sha256, "text": table.text})
}

/// What became of the samples.
fn recorded_json(recorded: &Recorded) -> Value {
    json!({
        "names": recorded.names,
        "bytes": recorded.bytes,
        "frames_left_out": recorded.frames_left_out,
        "bytes_left_out": recorded.bytes_left_out,
        "stopped": recorded.stopped,
    })
}

/// What came in over the socket, before it was cut into pulses.
fn counts_json(counts: Counts) -> Value {
    json!({
        "streams": counts.streams,
        "resumes": counts.resumes,
        "frames": counts.frames,
        "frames_lost": counts.frames_lost,
        "frames_again": counts.duplicates,
        "frames_bad_crc": counts.crc,
        "frames_late": counts.late,
        "pulses": counts.pulses,
        "pulses_unfinished": counts.unfinished,
        "samples_to_analysis": counts.samples,
        "samples_outside_pulses": counts.samples_outside,
        "samples_late": counts.samples_late,
        "samples_bad_crc": counts.samples_crc,
        "samples_misplaced": counts.samples_misplaced,
    })
}

/// One value a quantity, by its name.
pub(crate) fn per_quantity_json<T: serde::Serialize>(values: &PerQuantity<T>) -> Value {
    Quantity::ALL.map(|q| (q.name().to_owned(), json!(values[q]))).into_iter().collect()
}

fn doses_json(summary: &ExposureSummary) -> Value {
    json!({
        "exposure": summary.exposure,
        "target": &*summary.target,
        "pulses_in_doses": summary.used,
        "pulses_not_in_doses": summary.received - summary.used,
        "excess_dose_v2s": per_quantity_json(&summary.doses.excess_v2s),
        "raw_dose_v2s": per_quantity_json(&summary.doses.raw_v2s),
        "amplitude_dose_vs": per_quantity_json(&summary.doses.amplitude_vs),
    })
}
