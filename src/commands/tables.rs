//! The tables a configuration names: sensitivities, insertion losses, the drive's calibration.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::{Failure, Prepared};
use crate::config::{Loaded, Settings};
use crate::ingest::{RecordingError, Table};
use crate::session::{KeptTable, calibration_label};
use crate::signal::calibration::Coverage;
use crate::signal::{Curve, Plan, Quantity, ReceiverCurves, Weighting};

/// Where tables are looked for.
#[derive(Debug, Clone, Copy)]
pub enum Tables<'a> {
    /// In files beside the configuration.
    Beside(&'a Path),
    /// In what a session has kept of them.
    Kept(&'a [KeptTable]),
}

impl Tables<'_> {
    fn read(self, written: &Path) -> Result<Table, RecordingError> {
        match self {
            Self::Beside(configuration) => {
                let folder = configuration.parent().unwrap_or_else(|| Path::new(""));
                Table::read(&folder.join(written))
            }
            Self::Kept(kept) => {
                let name = written.display().to_string();
                let found = kept.iter().find(|table| table.name == name);
                let text = found.map(|table| table.text.clone()).ok_or_else(|| {
                    let note = " among the tables the session has kept".to_owned();
                    RecordingError::NotFound { path: written.to_owned(), note }
                })?;
                Ok(Table { path: written.to_owned(), text })
            }
        }
    }
}

/// What was read, each table once.
struct Reader<'a> {
    tables: Tables<'a>,
    configuration: &'a str,
    read: Vec<(PathBuf, Table)>,
}

impl Reader<'_> {
    /// The table of a key, as `make` understands it.
    fn make<T>(
        &mut self,
        key: &str,
        written: &Path,
        make: impl Fn(&Table) -> Result<T, RecordingError>,
    ) -> Result<T, Failure> {
        let named = |error: RecordingError| {
            Failure::new(error.exit_code(), format!("{}: {key}: {error}", self.configuration))
        };
        if let Some((_, table)) = self.read.iter().find(|(path, _)| path == written) {
            return make(table).map_err(named);
        }
        let table = self.tables.read(written).map_err(named)?;
        let made = make(&table).map_err(named)?;
        self.read.push((written.to_owned(), table));
        Ok(made)
    }

    fn curves(
        &mut self,
        key: &str,
        files: &[Option<PathBuf>],
        used: &[usize],
        make: fn(&Table) -> Result<Curve, RecordingError>,
    ) -> Result<Vec<Option<Arc<Curve>>>, Failure> {
        let mut curves = Vec::with_capacity(used.len());
        for &channel in used {
            let file = files.get(channel).and_then(Option::as_ref);
            curves.push(file.map(|file| self.make(key, file, make).map(Arc::new)).transpose()?);
        }
        Ok(curves)
    }
}

/// Reads what the configuration names and puts it into the plan; what was read comes back.
///
/// # Errors
/// Names the configuration, the key, the file and what is wrong with it.
pub(super) fn equip(
    plan: Plan,
    loaded: &Loaded,
    tables: Tables<'_>,
) -> Result<(Plan, Vec<KeptTable>), Failure> {
    let Settings { curves, drive, signal, .. } = &loaded.settings;
    let mut reader = Reader { tables, configuration: &loaded.name, read: Vec::new() };
    let used = plan.used_channels.clone();
    let (key, files) = ("receive.sensitivity_file", &curves.sensitivity);
    let sensitivity = reader.curves(key, files, &used, Table::sensitivity)?;
    let (key, files) = ("receive.insertion_loss_file", &curves.insertion_loss);
    let insertion_loss = reader.curves(key, files, &used, Table::loss)?;
    let drive = drive.calibration_file.as_deref();
    let drive =
        drive.map(|file| reader.make("drive.calibration_file", file, Table::drive)).transpose()?;
    let gain =
        |channel: usize| if curves.gain_included { 0.0 } else { signal.receive.gain_db[channel] };
    let receivers: Vec<ReceiverCurves> = used
        .iter()
        .zip(sensitivity.into_iter().zip(insertion_loss))
        .map(|(&channel, (sensitivity_db, insertion_loss_db))| ReceiverCurves {
            sensitivity_db,
            gain_db: gain(channel),
            insertion_loss_db,
        })
        .collect();
    let kept = reader.read.into_iter().map(|(written, table)| KeptTable {
        name: written.display().to_string(),
        sha256: table.sha256(),
        text: table.text,
    });
    let kept = kept.collect();
    let monitor = loaded.settings.drive_monitor_channel;
    Ok((
        plan.calibrated(&receivers)
            .driven_by(drive)
            .monitored(monitor)
            .running(loaded.settings.detect.running_pulse),
        kept,
    ))
}

/// What the tables come to over the band plan; nothing where none is named.
pub(super) fn describe(prepared: &Prepared, text: &mut String) {
    let Prepared { plan, tables, loaded } = prepared;
    if tables.is_empty() {
        return;
    }
    // Writing into a string cannot fail.
    text.push_str("\ntables\n");
    for table in tables {
        writeln!(text, "{:<14} sha256 {}", table.name, table.sha256).ok();
    }
    if let Some(table) = &plan.drive_table {
        let [first, last] = table.range();
        let [low, high] = [first, last].map(|setting| table.mpa(setting).unwrap_or(f64::NAN));
        writeln!(
            text,
            "drive          settings {first} to {last} are {low} to {high} MPa, straight between points; other settings are unknown drives"
        )
        .ok();
    }
    let gains = &plan.spec.receive.gain_db;
    for (place, &channel) in plan.used_channels.iter().enumerate() {
        let Some(curves) = plan.calibration.channel(place) else { continue };
        writeln!(text, "channel {channel}").ok();
        if curves.coverage(Weighting::Pascal).is_some() && gains[channel].abs() > 0.0 {
            let gain = gains[channel];
            let words = if loaded.settings.curves.gain_included {
                format!("{gain} dB, in the sensitivity already")
            } else {
                format!("{gain} dB, on top of the sensitivity")
            };
            writeln!(text, "  gain           {words}").ok();
        }
        for (weighting, name) in Weighting::ALL.into_iter().zip(["pressure", "loss", "both"]) {
            let Some(coverage) = curves.coverage(weighting) else { continue };
            writeln!(text, "  {name:<14} {}", calibration_label(coverage, weighting)).ok();
            let without = uncovered(plan, coverage);
            if !without.is_empty() {
                writeln!(text, "                 not covered, never extrapolated: {without}").ok();
            }
        }
    }
}

/// Lines and broadband that a table does not reach, in words.
fn uncovered(plan: &Plan, coverage: &Coverage) -> String {
    let f0 = plan.spec.drive_frequency_hz;
    let mut words = Vec::new();
    for quantity in Quantity::ALL {
        let missing = &coverage.without[quantity];
        if !missing.is_empty() {
            let lines: Vec<String> =
                missing.iter().map(|order| format!("{}", order * f0 / 1e6)).collect();
            words.push(format!("{} lines at {} MHz", quantity.name(), lines.join(" and ")));
        }
    }
    if coverage.broadband_share < 1.0 {
        let share = 100.0 * (1.0 - coverage.broadband_share);
        words.push(format!("{share:.1} % of the broadband"));
    }
    words.join(", ")
}
