//! Configuration: TOML text to checked [`Settings`], or every fault of the file in one run.
//!
//! There are two kinds of thing here. *The file as written* (`written`, `field`) is TOML with the
//! place of every key and value; *the settings as checked* ([`Settings`]) are numbers within bounds
//! with their units in their names. Between them stand one reader a table (`chain`, `bands`,
//! `detect`, `alarm`, `outside`) and what two keys say together (`crossing`). What is wrong is
//! drawn with file, line and caret (`diagnostic`). The band plan's own faults come from
//! [`crate::signal::Plan::new`] and are shown at the keys they name.
//!
//! Nothing that decides a verdict or an alarm has a default; `config/` holds complete examples.
//! Unknown keys are faults: a number that looks applied and is not would be worse than none.

mod alarm;
mod bands;
mod bounds;
mod chain;
mod crossing;
mod detect;
mod diagnostic;
mod field;
mod outside;
mod recordings;
pub mod scenario;
mod settings;
mod spelling;
#[cfg(test)]
mod tests;
mod written;

use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use crate::signal::{Plan, Quantity, SignalSpec, SpecFault};

pub use self::diagnostic::{Diagnosis, Diagnostic, Level};
pub use self::settings::{
    CurveFiles, DriveSettings, RecordingSettings, ServeSettings, SessionNotes, Settings,
};

use self::detect::Detect;
use self::diagnostic::Findings;
use self::written::{Section, Tree, Written};

/// Longest configuration, bytes; a thousand channels with a number each need a tenth of it.
const LONGEST_BYTES: u64 = 1 << 20;

/// A configuration that can be used.
#[derive(Debug, Clone, PartialEq)]
pub struct Loaded {
    /// The settings as checked.
    pub settings: Settings,
    /// What is probably not what was meant, in the order of the file.
    pub warnings: Vec<Diagnostic>,
    /// The file's name, as given.
    pub name: String,
    /// The text, verbatim.
    pub text: String,
    /// SHA-256 of the text's bytes, 64 lower-case hexadecimal digits.
    pub sha256: String,
}

impl Loaded {
    /// Shows a fault or warning of the band plan, of a recording or a stream at the keys it
    /// concerns; keys that are not in the file are shown at their table.
    #[must_use]
    pub fn diagnostic(&self, level: Level, fault: &SpecFault) -> Diagnostic {
        let mut findings = Findings::new(&self.name, &self.text);
        let tree = Tree::parse(&self.text, &mut findings);
        let diagnostic = Diagnostic::new(findings.source(), level, fault.message.as_str());
        let places: Vec<(&str, &str)> = fault.keys.iter().map(|key| (key.as_str(), "")).collect();
        match tree {
            Some(tree) => tree.locate(diagnostic, &places, fault.help.as_deref()),
            None => diagnostic,
        }
    }
}

/// Why a configuration or a scenario cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// There is no such file.
    #[error("cannot find the file {}", path.display())]
    NotFound {
        /// The path as given.
        path: PathBuf,
    },
    /// The file is there and cannot be read.
    #[error("cannot read the file {}: {source}", path.display())]
    Unreadable {
        /// The path as given.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// The file was read and has faults.
    #[error("{0}")]
    Invalid(Diagnosis),
}

impl ConfigError {
    /// The exit code of a command that ends with it: 66 input not found, 78 bad configuration.
    #[must_use]
    pub const fn exit_code(&self) -> u8 {
        match self {
            Self::NotFound { .. } | Self::Unreadable { .. } => 66,
            Self::Invalid(_) => 78,
        }
    }
}

/// Reads and checks a configuration file.
///
/// # Errors
/// When the file is not there, cannot be read, is longer than 1 MiB, is not UTF-8, or has a fault.
pub fn load(path: &Path) -> Result<Loaded, ConfigError> {
    let (name, text) = read_text(path)?;
    parse(&name, &text).map_err(ConfigError::Invalid)
}

/// A file's name as shown and its text.
fn read_text(path: &Path) -> Result<(String, String), ConfigError> {
    let unreadable = |source: io::Error| match source.kind() {
        io::ErrorKind::NotFound => ConfigError::NotFound { path: path.to_owned() },
        _ => ConfigError::Unreadable { path: path.to_owned(), source },
    };
    let mut bytes = Vec::new();
    let file = File::open(path).map_err(unreadable)?;
    // One byte more than allowed shows that the file is too long, also for what has no length.
    file.take(LONGEST_BYTES + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    let name = path.display().to_string();
    match String::from_utf8(bytes) {
        Ok(text) => Ok((name, text)),
        Err(error) => {
            let at = error.utf8_error().valid_up_to();
            Err(ConfigError::Invalid(not_utf8(&name, error.as_bytes(), at)))
        }
    }
}

/// Checks a configuration's text; `name` is what stands before the line numbers.
///
/// # Errors
/// All faults of the text, and its warnings.
pub fn parse(name: &str, text: &str) -> Result<Loaded, Diagnosis> {
    too_long(name, text)?;
    let mut findings = Findings::new(name, text);
    let tree = Tree::parse(text, &mut findings);
    let Some(tree) = tree else { return Err(findings.give_up()) };
    let written = Written::new(tree, findings);
    let settings = read(&written);
    let (settings, warnings) = written.conclude().conclude(settings)?;
    let (name, text, sha256) = (name.to_owned(), text.to_owned(), hexadecimal(text));
    Ok(Loaded { settings, warnings, name, text, sha256 })
}

/// A text longer than is read is a fault.
fn too_long(name: &str, text: &str) -> Result<(), Diagnosis> {
    if u64::try_from(text.len()).is_ok_and(|bytes| bytes > LONGEST_BYTES) {
        let mut findings = Findings::new(name, "");
        let message = format!("the file is longer than {LONGEST_BYTES} bytes");
        findings.push(Diagnostic::new(findings.source(), Level::Fault, message));
        return Err(findings.give_up());
    }
    Ok(())
}

/// Reads every table, whatever is wrong with the others; `None` has a fault on record.
fn read(written: &Written<'_>) -> Option<Settings> {
    let top = written.top();
    let session = outside::session(&top);
    let drive = table(&top, "drive", chain::drive);
    let (receive, beside) = table(&top, "receive", chain::receive)
        .map(|(receive, curves, monitor)| (receive, (curves, monitor)))
        .unzip();
    let spectrum = table(&top, "spectrum", chain::spectrum);
    let bands = table(&top, "bands", bands::bands);
    let detect = table(&top, "detect", Detect::read);
    let alarms = alarm::alarms(&top);
    let serve = outside::serve(&top);
    let record = outside::record(&top);
    let recordings = recordings::recordings(&top);
    let no_alarm = !top.has("alarm");
    top.finish();

    if let Some(detect) = &detect {
        crossing::detect(written, detect, receive.as_ref(), bands.as_ref());
    }
    let stable_from = detect.as_ref().map(|detect| detect.stable_from.as_slice());
    for (index, alarm) in &alarms {
        crossing::alarm(written, (*index, alarm), stable_from, bands.as_ref());
    }
    if no_alarm {
        written.warn("no alarm is configured", &[], "add [[alarm]] tables");
    }
    let before = written.fault_count();
    if let Some(receive) = &receive {
        if let Some(drive) = &drive {
            crossing::drive_and_receive(written, drive, receive);
        }
        crossing::gates(written, drive.as_ref(), receive);
        let cutting = recordings.as_ref().and_then(|recordings| recordings.cutting.as_ref());
        if let (Some(drive), Some(cutting)) = (&drive, cutting) {
            recordings::crossing(written, cutting, drive, receive);
        }
    }
    let (drive, bands) = (drive?, bands?);
    let signal = SignalSpec {
        drive_frequency_hz: drive.frequency_hz,
        receive: receive?,
        spectrum: spectrum?,
        bands,
    };
    crossing::noise_band(written, &signal);
    if written.fault_count() == before {
        plan(written, &signal, stable_from.unwrap_or_default());
    }
    let detect = detect?.with_drive(&drive);
    let (curves, drive_monitor_channel) = beside?;
    let alarms = alarms.into_iter().map(|(_, alarm)| alarm).collect();
    let recordings = recordings?;
    Some(Settings {
        session,
        drive,
        signal,
        curves,
        drive_monitor_channel,
        detect,
        alarms,
        serve,
        record,
        recordings,
    })
}

/// Reads one table that must be there.
fn table<T>(
    top: &Section<'_, '_>,
    key: &'static str,
    reader: impl FnOnce(&Section<'_, '_>) -> Option<T>,
) -> Option<T> {
    let section = top.table(key);
    let read = reader(&section);
    section.finish();
    read
}

/// Asks the band plan for its faults and shows them at the keys they name; what is to decide a
/// verdict must have a contrast in it.
fn plan(written: &Written<'_>, signal: &SignalSpec, stable_from: &[Quantity]) {
    let faults = match Plan::new(signal) {
        Ok(plan) => {
            crossing::contrasts(written, &plan, stable_from);
            return;
        }
        Err(faults) => faults,
    };
    for SpecFault { keys, message, help } in faults {
        let places: Vec<(&str, &str)> = keys.iter().map(|key| (key.as_str(), "")).collect();
        written.say(Level::Fault, message, &places, help.as_deref());
    }
}

/// Points at the first byte that is not UTF-8, shown as the replacement character.
fn not_utf8(name: &str, bytes: &[u8], at: usize) -> Diagnosis {
    let text = String::from_utf8_lossy(bytes);
    let byte = bytes.get(at).copied().unwrap_or_default();
    let message = format!("the file is not UTF-8: byte {byte:#04x} at offset {at}");
    let mut findings = Findings::new(name, &text);
    let diagnostic = Diagnostic::new(findings.source(), Level::Fault, message);
    findings.push(diagnostic.at(at..at + 1, "here"));
    findings.give_up()
}

/// SHA-256 of the text in lower-case hexadecimal.
fn hexadecimal(text: &str) -> String {
    let digest = Sha256::digest(text.as_bytes());
    let digits = digest.iter().flat_map(|byte| [byte >> 4, byte & 0xf]);
    digits.filter_map(|digit| char::from_digit(u32::from(digit), 16)).collect()
}
