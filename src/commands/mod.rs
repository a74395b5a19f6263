//! One file a command: wiring only. Data to standard output, talk to standard error.

pub mod baseline;
pub mod check;
pub mod compare;
pub mod demo;
pub mod draft;
mod headroom;
pub mod import;
pub mod live;
pub mod monitor;
pub mod pulses;
mod realtime;
pub mod repair;
pub mod replay;
pub mod report;
pub mod send;
pub mod sessions;
pub mod simulate;
mod suspicion;
pub mod table;
pub mod tables;
pub mod tune;

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use self::pulses::PulseOptions;
use self::tables::{Tables, equip};
use crate::config::{self, ConfigError, Loaded, SessionNotes};
use crate::engine::{CutError, RunError};
use crate::ingest::wire::Expectation;
use crate::ingest::{Arrangement, Expect, Recording, RecordingError};
use crate::session::acts::ActsError;
use crate::session::baseline_file::{BaselineError, Identity};
use crate::session::replayed::ReplayedError;
use crate::session::{FolderError, Head, KeptTable};
use crate::signal::{Plan, Stretch};

/// A command that could not do its work.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// Exit code, as `sysexits.h` has them.
    pub code: u8,
    /// What went wrong, in full.
    pub message: String,
}

/// Failed while running.
pub const RUNNING: u8 = 1;
/// Wrong usage.
pub const USAGE: u8 = 2;
/// An alarm was raised and `--fail-on alarm` asked to be told.
pub const ALARM: u8 = 10;
/// Bad input data.
pub const DATA: u8 = 65;
/// Input not found.
pub const NO_INPUT: u8 = 66;
/// Output cannot be created.
pub const CANNOT_CREATE: u8 = 73;
/// Bad configuration.
pub const CONFIG: u8 = 78;

impl Failure {
    /// With a code and a message.
    pub fn new(code: u8, message: impl Into<String>) -> Self {
        Self { code, message: message.into() }
    }
}

impl From<ConfigError> for Failure {
    fn from(error: ConfigError) -> Self {
        Self::new(error.exit_code(), error.to_string())
    }
}

impl From<RecordingError> for Failure {
    fn from(error: RecordingError) -> Self {
        Self::new(error.exit_code(), error.to_string())
    }
}

impl From<BaselineError> for Failure {
    fn from(error: BaselineError) -> Self {
        let code = match error {
            BaselineError::NotFound(_) => NO_INPUT,
            BaselineError::Unreadable { .. } => RUNNING,
            BaselineError::Malformed { .. } | BaselineError::Otherwise { .. } => DATA,
        };
        Self::new(code, error.to_string())
    }
}

impl From<ActsError> for Failure {
    fn from(error: ActsError) -> Self {
        let code = match error {
            ActsError::NotFound(_) => NO_INPUT,
            ActsError::Unreadable { .. } => RUNNING,
            ActsError::Malformed { .. } => DATA,
        };
        Self::new(code, error.to_string())
    }
}

impl From<FolderError> for Failure {
    fn from(error: FolderError) -> Self {
        let code = match error {
            FolderError::Create { .. } | FolderError::Occupied(_) => CANNOT_CREATE,
            FolderError::Write { .. } | FolderError::Slow { .. } | FolderError::Hangs { .. } => {
                RUNNING
            }
        };
        Self::new(code, error.to_string())
    }
}

impl From<ReplayedError> for Failure {
    fn from(error: ReplayedError) -> Self {
        let code = match error {
            ReplayedError::NoSession(_) => NO_INPUT,
            ReplayedError::Unreadable { .. } => RUNNING,
            ReplayedError::NoRecording(_) | ReplayedError::Unfinished(_) => DATA,
        };
        Self::new(code, error.to_string())
    }
}

impl From<CutError> for Failure {
    fn from(error: CutError) -> Self {
        Self::new(DATA, error.to_string())
    }
}

impl<S: Into<Self>, K: Into<Self>> From<RunError<S, K>> for Failure {
    fn from(error: RunError<S, K>) -> Self {
        match error {
            RunError::Source(error) => error.into(),
            RunError::Cut(error) => error.into(),
            RunError::Sink(error) => error.into(),
            RunError::Panicked => Self::new(
                RUNNING,
                "a thread of the analysis panicked; nothing it said can be trusted",
            ),
        }
    }
}

impl From<std::convert::Infallible> for Failure {
    fn from(never: std::convert::Infallible) -> Self {
        match never {}
    }
}

/// A file or folder that cannot be made, and why.
pub fn cannot_create(path: &Path, why: impl std::fmt::Display) -> Failure {
    Failure::new(CANNOT_CREATE, format!("{}: cannot create: {why}", path.display()))
}

/// The last part of a path.
#[must_use]
pub fn file_name(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

/// Talks to the person: one line to standard error.
pub fn say(line: &str) {
    // Nobody can be told when standard error is closed.
    writeln!(std::io::stderr().lock(), "{line}").ok();
}

/// Gives data: text to standard output.
///
/// # Errors
/// When standard output cannot be written.
pub fn give(text: &str) -> Result<(), Failure> {
    let mut out = std::io::stdout().lock();
    out.write_all(text.as_bytes())
        .and_then(|()| out.flush())
        .map_err(|error| Failure::new(RUNNING, format!("standard output: {error}")))
}

/// A configuration and its plan.
pub struct Prepared {
    /// The configuration.
    pub loaded: Loaded,
    /// The plan made of it.
    pub plan: Arc<Plan>,
    /// The tables it names.
    pub tables: Vec<KeptTable>,
}

/// Reads a configuration, says its warnings, makes the plan.
///
/// # Errors
/// Every fault of the configuration.
pub fn prepare(path: &Path) -> Result<Prepared, Failure> {
    plan(config::load(path)?, Tables::Beside(path))
}

/// Says the warnings of a configuration and makes its plan with the tables it names.
///
/// # Errors
/// Every fault of the plan, or the first of a table.
pub fn plan(loaded: Loaded, tables: Tables<'_>) -> Result<Prepared, Failure> {
    for warning in &loaded.warnings {
        say(&warning.to_string());
    }
    let plan = Plan::new(&loaded.settings.signal).map_err(|faults| {
        let words: Vec<String> = faults.into_iter().map(|fault| fault.message).collect();
        Failure::new(CONFIG, words.join("\n"))
    })?;
    let (plan, tables) = equip(plan, &loaded, tables)?;
    Ok(Prepared { loaded, plan: Arc::new(plan), tables })
}

impl Prepared {
    /// The same configuration heard by another plan: with its drive's calibration and monitor and its
    /// look at running pulses, without its curves.
    #[must_use]
    pub fn with_plan(&self, plan: Plan) -> Self {
        Self {
            loaded: self.loaded.clone(),
            plan: Arc::new(plan.equipped_as(&self.plan)),
            tables: self.tables.clone(),
        }
    }

    /// What the configuration says of a recording.
    #[must_use]
    pub fn expect(&self) -> Expect {
        let receive = &self.plan.spec.receive;
        Expect {
            source: self.loaded.name.clone(),
            sample_format: receive.sample_format,
            channels: receive.channels,
            sample_rate_hz: receive.sample_rate_hz,
            volts_per_count: receive.volts_per_count.clone(),
            arrangement: self.arrangement(),
        }
    }

    /// How pulses lie in recordings that do not say.
    fn arrangement(&self) -> Arrangement {
        let settings = &self.loaded.settings;
        Arrangement {
            axes: settings.recordings.array_axes.clone(),
            cutting: settings.recordings.cutting.clone(),
            frequency_hz: settings.drive.frequency_hz,
            pulse_s: settings.drive.pulse_s,
            repetition_hz: settings.drive.repetition_hz,
            pretrigger_s: self.plan.spec.receive.pretrigger_s,
        }
    }

    /// What a baseline depends on besides the sound.
    #[must_use]
    pub fn identity(&self) -> Identity {
        Identity::of(&self.plan, self.loaded.settings.recordings.cutting.as_ref())
    }

    /// What the configuration says of a live stream.
    #[must_use]
    pub fn expectation(&self) -> Expectation {
        let receive = &self.plan.spec.receive;
        Expectation {
            sample_format: receive.sample_format,
            channels: receive.channels,
            sample_rate_hz: receive.sample_rate_hz,
            volts_per_count: receive.volts_per_count.clone(),
            gain_db: receive.gain_db.clone(),
            pretrigger_samples: u64::try_from(self.plan.place(Stretch { start: 0, len: 0 }, None))
                .unwrap_or(0),
        }
    }

    /// Opens recordings in order. Their warnings are said.
    ///
    /// # Errors
    /// What is wrong with the first faulty one, or a gate that lies outside every record.
    pub fn open(
        &self,
        paths: &[PathBuf],
        pulses: &PulseOptions,
    ) -> Result<Vec<Recording>, Failure> {
        let expect = self.expect();
        let mut recordings = Vec::with_capacity(paths.len());
        for (index, path) in paths.iter().enumerate() {
            let own = pulses.of(index, paths.len())?;
            let recording = Recording::open_with(path, &expect, &own.hints(&recordings))?;
            for warning in &recording.warnings {
                say(&format!("warning: {}: {warning}", path.display()));
            }
            recordings.push(recording);
        }
        self.check_records(&recordings)?;
        Ok(recordings)
    }

    /// A gate outside every record is a fault; outside one, that pulse's own.
    fn check_records(&self, recordings: &[Recording]) -> Result<(), Failure> {
        let pulses = || recordings.iter().flat_map(|recording| &recording.pulses);
        if pulses().next().is_none() {
            return Err(Failure::new(
                DATA,
                "no recording has a pulse: annotate pulses, give --cues, or cut by [recordings]",
            ));
        }
        let holds = |pulse: &crate::ingest::Pulse| {
            let start = self.plan.place(self.plan.gate, pulse.tag.trigger_offset);
            let len = i64::try_from(self.plan.gate.len).unwrap_or(i64::MAX);
            let end = start.saturating_add(len);
            start >= 0 && end <= i64::try_from(pulse.samples).unwrap_or(i64::MAX)
        };
        if pulses().any(holds) {
            return Ok(());
        }
        let longest = pulses().map(|pulse| pulse.samples).max().unwrap_or(0);
        let start = self.plan.place(self.plan.gate, None);
        Err(Failure::new(
            DATA,
            format!(
                "the gate lies outside every record: it runs from sample {start} to {} of a pulse, the longest pulse has {longest} samples",
                start + i64::try_from(self.plan.gate.len).unwrap_or(i64::MAX)
            ),
        ))
    }

    /// What `session.json` says besides the pulses.
    ///
    /// # Errors
    /// When a recording cannot be read for its hash.
    pub fn head(
        &self,
        recordings: &[Recording],
        baseline_file: Option<&Path>,
    ) -> Result<Head, Failure> {
        let settings = &self.loaded.settings;
        let mut sources = Vec::new();
        for recording in recordings {
            sources.push((file_name(&recording.path), Some(recording.sha256()?)));
        }
        Ok(Head {
            configuration: self.loaded.text.clone(),
            configuration_sha256: self.loaded.sha256.clone(),
            tables: self.tables.clone(),
            notes: notes(&settings.session),
            subject: settings.session.subject.clone().unwrap_or_default(),
            start_utc: recordings.first().and_then(|recording| recording.stream.start),
            sources,
            baseline_file: baseline_file.map(|path| path.display().to_string()),
            drive_means: settings.drive.drive_means.clone(),
            expected_pulses: settings.detect.expected_pulses,
            parent: None,
        })
    }
}

fn notes(session: &SessionNotes) -> Vec<(String, String)> {
    let text = |key: &str, value: &Option<String>| value.clone().map(|v| (key.to_owned(), v));
    let number = |key: &str, value: Option<f64>| value.map(|v| (key.to_owned(), v.to_string()));
    [
        text("subject", &session.subject),
        text("operator", &session.operator),
        text("agent", &session.agent),
        number("water_temperature_c", session.water_temperature_c),
        number("dissolved_oxygen_mg_per_l", session.dissolved_oxygen_mg_per_l),
        text("notes", &session.notes),
    ]
    .into_iter()
    .flatten()
    .collect()
}
