//! The settings as checked: what the other rooms work with.
//!
//! Only [`super::parse`] makes them, so whoever holds a [`Settings`] may rely on the bounds named
//! here. Units stand last in each name.

use std::net::SocketAddr;
use std::path::PathBuf;

use crate::detect::{AlarmSpec, DetectSpec};
use crate::signal::{Axis, Cutting, SignalSpec};

/// A whole configuration, checked.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Notes for the notebook; in no calculation.
    pub session: SessionNotes,
    /// The drive.
    pub drive: DriveSettings,
    /// Receive chain, gates, spectrum, bands.
    pub signal: SignalSpec,
    /// Tables of the receivers.
    pub curves: CurveFiles,
    /// The channel that carries the drive's own signal; it is among the unused ones.
    pub drive_monitor_channel: Option<usize>,
    /// Budget, rules, checks.
    pub detect: DetectSpec,
    /// Alarms in the order of the file, names unique.
    pub alarms: Vec<AlarmSpec>,
    /// Where the page and the sample stream are served, when it was written.
    pub serve: Option<ServeSettings>,
    /// What is kept of the samples, when it was written.
    pub record: Option<RecordSettings>,
    /// What recordings do not say of themselves.
    pub recordings: RecordingSettings,
}

/// What recordings do not say of themselves.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RecordingSettings {
    /// Axes of arrays, slowest first as NumPy shows a shape; without them they are found by the
    /// shape.
    pub array_axes: Option<Vec<Axis>>,
    /// How recordings without marks are cut into pulses.
    pub cutting: Option<Cutting>,
}

/// Tables of the receivers, one entry a channel; paths are relative to the configuration's folder.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct CurveFiles {
    /// Sensitivity over frequency; nothing for a channel without.
    pub sensitivity: Vec<Option<PathBuf>>,
    /// Insertion loss of the path to each receiver.
    pub insertion_loss: Vec<Option<PathBuf>>,
    /// The sensitivity is that of the whole chain: `gain_db` is in it.
    pub gain_included: bool,
}

/// What is kept of a session's samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RecordSettings {
    /// Whether raw samples are kept beside the results.
    pub raw: bool,
    /// A file of samples larger than this goes on in the next, bytes.
    pub rotate_bytes: u64,
    /// Recording stops while less than this is free on the disk, bytes.
    pub keep_free_bytes: u64,
}

/// What a person wants to find again in the report. All of it is optional.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SessionNotes {
    /// What is sonicated.
    pub subject: Option<String>,
    /// Who works.
    pub operator: Option<String>,
    /// The bubbles: preparation, lot, dilution.
    pub agent: Option<String>,
    /// Temperature of the water, °C.
    pub water_temperature_c: Option<f64>,
    /// Dissolved oxygen of the water, mg/L.
    pub dissolved_oxygen_mg_per_l: Option<f64>,
    /// Anything else.
    pub notes: Option<String>,
}

/// What the amplifier does.
#[derive(Debug, Clone, PartialEq)]
pub struct DriveSettings {
    /// Drive frequency f0, Hz; below half the sample rate.
    pub frequency_hz: f64,
    /// Length of the burst, s; shorter than a period of the repetition.
    pub pulse_s: f64,
    /// Pulse repetition frequency, Hz.
    pub repetition_hz: f64,
    /// Drives match within this share, above 0 and below 0.5.
    pub drive_tolerance: f64,
    /// What a number of drive means, printed wherever one is shown; not empty.
    pub drive_means: String,
    /// A pulse is missing after this many periods, above 1.
    pub missing_after_periods: f64,
    /// Table of settings and MPa; a path relative to the configuration's folder.
    pub calibration_file: Option<PathBuf>,
}

/// Where the page and the sample stream are served.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ServeSettings {
    /// Address of the page and the HTTP interface.
    pub http: Option<SocketAddr>,
    /// Address of the sample stream.
    pub stream: Option<SocketAddr>,
    /// Unix socket of the sample stream.
    pub stream_unix: Option<PathBuf>,
    /// File that holds the token; present whenever `http` or `stream` is no loopback address.
    pub token_file: Option<PathBuf>,
    /// Memory for spectra the page can still ask for, bytes.
    pub spectra_kept_bytes: Option<u64>,
}
