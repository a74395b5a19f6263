//! What a session leaves behind: a folder other programs can read.
//!
//! [`table`] `pulses.csv` and `exposures.csv`, [`events`] `events.ndjson` and [`acts`] the acts in it,
//! `npy` `spectra.npy`,
//! [`baseline_file`] baselines as JSON, [`Folder`] all of it together with `session.json`.

pub mod acts;
pub mod baseline_file;
pub mod events;
mod npy;
pub mod table;

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use crate::detect::{ExposureSummary, What};
use crate::engine::{Account, Judged, Sink};
use crate::ingest::wire::Counts;
use crate::signal::{PerQuantity, Plan, Quantity, plan::NoisePlan, transform_path};
use npy::Spectra;

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
}

/// What is said of a session besides its pulses.
#[derive(Debug, Clone)]
pub struct Head {
    /// The configuration's text as read.
    pub configuration: String,
    /// SHA-256 of that text.
    pub configuration_sha256: String,
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
}

/// A session folder while it is written.
pub struct Folder {
    path: PathBuf,
    head: Head,
    axes: Value,
    pulses: BufWriter<File>,
    exposures: BufWriter<File>,
    events: BufWriter<File>,
    spectra: Option<Spectra>,
    summaries: Vec<ExposureSummary>,
    counts: Option<Counts>,
    line: String,
}

impl Folder {
    /// Makes the folder and its files.
    ///
    /// # Errors
    /// When the folder cannot be made, holds a session already, or cannot be written.
    pub fn create(
        path: &Path,
        head: Head,
        plan: &Plan,
        with_spectra: bool,
    ) -> Result<Self, FolderError> {
        std::fs::create_dir_all(path)
            .map_err(|source| FolderError::Create { path: path.display().to_string(), source })?;
        if ["session.json", "pulses.csv"].iter().any(|name| path.join(name).exists()) {
            return Err(FolderError::Occupied(path.display().to_string()));
        }
        let open = |name: &str| {
            let file = path.join(name);
            File::create(&file)
                .map(BufWriter::new)
                .map_err(|source| FolderError::Create { path: file.display().to_string(), source })
        };
        let channels = plan.used_channels.len();
        let spectra = with_spectra
            .then(|| Spectra::create(&path.join("spectra.npy"), channels, plan.bins()))
            .transpose()
            .map_err(|source| FolderError::Create {
                path: path.join("spectra.npy").display().to_string(),
                source,
            })?;
        let mut folder = Self {
            pulses: open("pulses.csv")?,
            exposures: open("exposures.csv")?,
            events: open("events.ndjson")?,
            path: path.to_owned(),
            head,
            axes: axes(plan),
            spectra,
            summaries: Vec::new(),
            counts: None,
            line: String::new(),
        };
        let heads = writeln!(folder.pulses, "{}", table::pulse_head())
            .and_then(|()| writeln!(folder.exposures, "{}", table::exposure_head()));
        heads.map_err(|source| folder.fault("pulses.csv", source))?;
        Ok(folder)
    }

    fn fault(&self, name: &str, source: std::io::Error) -> FolderError {
        FolderError::Write { path: self.path.join(name).display().to_string(), source }
    }

    fn write_rows(&mut self, judged: &Judged) -> std::io::Result<()> {
        for row in &judged.judgement.rows {
            table::pulse_line(row, &mut self.line);
            self.line.push('\n');
            self.pulses.write_all(self.line.as_bytes())?;
        }
        Ok(())
    }

    fn write_events(&mut self, judged: &Judged) -> std::io::Result<()> {
        for event in &judged.judgement.events {
            writeln!(self.events, "{}", events::event_json(event))?;
            if let What::ExposureEnded { summary } = &event.what {
                let (subject, expected) = (&self.head.subject, self.head.expected_pulses);
                table::exposure_line(summary, subject, expected, &mut self.line);
                self.line.push('\n');
                self.exposures.write_all(self.line.as_bytes())?;
                self.summaries.push((**summary).clone());
            }
        }
        Ok(())
    }

    /// Hands everything that was taken so far on to the system.
    ///
    /// # Errors
    /// When a file cannot be written.
    pub fn flush(&mut self) -> Result<(), FolderError> {
        self.pulses.flush().map_err(|source| self.fault("pulses.csv", source))?;
        self.exposures.flush().map_err(|source| self.fault("exposures.csv", source))?;
        self.events.flush().map_err(|source| self.fault("events.ndjson", source))
    }

    /// What is known of live streams at their end.
    pub fn note_streams(
        &mut self,
        start_utc: Option<jiff::Timestamp>,
        names: &[String],
        counts: Counts,
    ) {
        self.head.start_utc = start_utc;
        self.head.sources = names.iter().map(|name| (name.clone(), None)).collect();
        self.counts = Some(counts);
    }

    /// Writes `session.json` and closes everything.
    ///
    /// # Errors
    /// When a file cannot be written.
    pub fn finish(mut self, account: Account) -> Result<PathBuf, FolderError> {
        self.flush()?;
        if let Some(spectra) = self.spectra.take() {
            spectra.finish().map_err(|source| self.fault("spectra.npy", source))?;
        }
        let text = format!("{:#}\n", self.session_json(account));
        std::fs::write(self.path.join("session.json"), text)
            .map_err(|source| self.fault("session.json", source))?;
        Ok(self.path)
    }

    fn session_json(&self, account: Account) -> Value {
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
            "start_utc": head.start_utc.map(|start| format!("{start:.9}")),
            "caution": crate::CAUTION,
            "session": notes,
            "drive_means": head.drive_means,
            "configuration": {"text": head.configuration, "sha256": head.configuration_sha256},
            "sources": sources,
            "baseline": {"file": head.baseline_file, "id_by_target": baselines},
            "transform_path": transform_path(),
            "axes": self.axes,
            "account": account_json(account),
            "stream": self.counts.map(counts_json),
            "dose_definitions": {
                "excess": "sum over pulses of (P - mean baseline P) * gate length, V2*s, signed; net line power for ultraharmonic and subharmonic",
                "raw": "sum over pulses of P * gate length, V2*s",
                "amplitude": "sum over pulses of sqrt(P) * gate length, V*s",
            },
            "exposures": self.summaries.iter().map(doses_json).collect::<Vec<_>>(),
        })
    }
}

impl Sink for Folder {
    type Error = FolderError;

    fn take(&mut self, judged: &Judged) -> Result<(), FolderError> {
        self.write_rows(judged).map_err(|source| self.fault("pulses.csv", source))?;
        self.write_events(judged).map_err(|source| self.fault("events.ndjson", source))?;
        if let (Some(spectra), Some(_)) = (&mut self.spectra, &judged.pulse) {
            spectra.add(&judged.readings).map_err(|source| self.fault("spectra.npy", source))?;
        }
        Ok(())
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
