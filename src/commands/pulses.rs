//! Options that say where pulses of recordings lie and what they are for.

use std::path::{Path, PathBuf};

use super::{Failure, USAGE};
use crate::engine::Stage;
use crate::ingest::{Hints, Recording};

/// Where pulses lie and what they are for, where recordings do not say.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct PulseOptions {
    /// Cue list (CSV): where pulses are and what they are for; once for each recording, in order.
    /// Columns `start_sample,sample_count,pulse,drive_mpa,stage` and where wanted
    /// `target,exposure,drive_setting,trigger_sample,trigger_offset`; others are kept in the session's
    /// cues.csv. For arrays whose rows are pulses and for records cut by `[recordings]` a list without
    /// `start_sample`, `sample_count` and `trigger_sample` names the pulses in their order
    #[arg(long, value_name = "FILE")]
    pub cues: Vec<PathBuf>,
    /// What pulses are for that nothing else names (rows of an array, cut records): noise, baseline
    /// or exposure; once, or once for each recording
    #[arg(long, value_name = "STAGE", value_parser = stage)]
    pub stage: Vec<Stage>,
    /// Drive of these pulses; once, or once for each recording
    #[arg(long, value_name = "MPA", value_parser = drive)]
    pub drive_mpa: Vec<f64>,
}

fn stage(text: &str) -> Result<Stage, String> {
    Stage::from_name(text).ok_or_else(|| "must be noise, baseline or exposure".to_owned())
}

fn drive(text: &str) -> Result<f64, String> {
    let drive = text.parse::<f64>().ok().filter(|drive| drive.is_finite() && *drive >= 0.0);
    drive.ok_or_else(|| "must be a number of MPa, not below 0".to_owned())
}

impl PulseOptions {
    /// The options for one of so many recordings.
    ///
    /// # Errors
    /// When an option is given another number of times.
    pub fn of(&self, index: usize, recordings: usize) -> Result<Self, Failure> {
        let counts = [
            ("--cues", self.cues.len(), false),
            ("--stage", self.stage.len(), true),
            ("--drive-mpa", self.drive_mpa.len(), true),
        ];
        for (name, count, one_for_all) in counts {
            if count > 0 && count != recordings && !(one_for_all && count == 1) {
                let often = if one_for_all { "once, or once for each" } else { "once for each" };
                return Err(Failure::new(
                    USAGE,
                    format!(
                        "{name} is given {count} times for {recordings} recordings, must be {often}"
                    ),
                ));
            }
        }
        let at = |count: usize| if count == 1 { 0 } else { index };
        Ok(Self {
            cues: self.cues.get(index).cloned().into_iter().collect(),
            stage: self.stage.get(at(self.stage.len())).copied().into_iter().collect(),
            drive_mpa: self.drive_mpa.get(at(self.drive_mpa.len())).copied().into_iter().collect(),
        })
    }

    /// The same as hints for the one recording; those before it say where its numbers begin.
    #[must_use]
    pub fn hints(&self, before: &[Recording]) -> Hints<'_> {
        let last = before.iter().rev().find_map(|recording| recording.pulses.last());
        Hints {
            cues: self.cues.first().map(PathBuf::as_path),
            stage: self.stage.first().copied(),
            drive_mpa: self.drive_mpa.first().copied(),
            first_number: last.map_or(0, |pulse| pulse.tag.number + 1),
        }
    }
}

/// Writes the columns of cue lists that nobody here knows into a session's folder, by pulse.
///
/// # Errors
/// When the file cannot be written.
pub fn write_kept(folder: &Path, recordings: &[Recording]) -> Result<(), Failure> {
    let mut columns: Vec<&str> = Vec::new();
    for name in recordings.iter().flat_map(|recording| &recording.kept.columns) {
        if !columns.contains(&name.as_str()) {
            columns.push(name);
        }
    }
    if columns.is_empty() {
        return Ok(());
    }
    let path = folder.join("cues.csv");
    let failed = |why: &dyn std::fmt::Display| {
        Failure::new(super::RUNNING, format!("{}: {why}", path.display()))
    };
    let mut writer = csv::Writer::from_path(&path).map_err(|error| failed(&error))?;
    let head = ["pulse"].into_iter().chain(columns.iter().copied());
    writer.write_record(head).map_err(|error| failed(&error))?;
    for kept in recordings.iter().map(|recording| &recording.kept) {
        let places: Vec<Option<usize>> = columns
            .iter()
            .map(|name| kept.columns.iter().position(|other| other == name))
            .collect();
        for (number, fields) in &kept.rows {
            let number = number.to_string();
            let fields = places.iter().map(|place| place.map_or("", |place| &*fields[place]));
            let record = [number.as_str()].into_iter().chain(fields);
            writer.write_record(record).map_err(|error| failed(&error))?;
        }
    }
    writer.flush().map_err(|error| failed(&error))
}
