//! `simmer sessions`: which sessions there are, and their exposures in one table.

use std::path::{Path, PathBuf};

use serde_json::{Map, Value, json};

use super::{DATA, Failure, NO_INPUT, RUNNING, USAGE, give, say};
use crate::detect::{Stage, Verdict};
use crate::report::drives::Median;
use crate::session::read::pulses::VERDICTS;
use crate::session::read::{ExposureRow, ReadError, SessionFolder};
use crate::signal::Quantity;

/// Folders within folders that are looked into.
const MOST_DEPTH: usize = 32;

/// How to give the list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// Lines for reading
    Table,
    /// Comma-separated
    Csv,
    /// A JSON array
    Json,
}

/// Where to look and what to give.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:
  simmer replay -c demo-data/config.toml --out out/listed \\
      demo-data/baseline.sigmf-meta demo-data/exposure.sigmf-meta
  simmer sessions out
  simmer sessions out --exposures

A folder that cannot be read is named on standard error; the exit code is then 65.")]
pub struct Sessions {
    /// Folder with session folders in it, at any depth; links are not followed
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
    /// How to give it [default: table; csv with --exposures]
    #[arg(long, value_enum, value_name = "FORMAT")]
    pub format: Option<Format>,
    /// Give the exposures of all sessions as one table instead
    #[arg(long)]
    pub exposures: bool,
}

/// A session of the list.
struct Listed {
    name: String,
    start: String,
    subject: String,
    finished: bool,
    duration_s: f64,
    pulses: u64,
    exposures: usize,
    verdicts: [u64; 4],
    hear: Median,
    alarms: u64,
    rows: Vec<ExposureRow>,
}

impl Sessions {
    /// Runs the command; the exit code.
    ///
    /// # Errors
    /// What went wrong, with its exit code.
    pub fn run(&self) -> Result<u8, Failure> {
        if self.exposures && self.format == Some(Format::Table) {
            return Err(Failure::new(USAGE, "--exposures gives csv or json, not a table"));
        }
        if !self.dir.is_dir() {
            return Err(Failure::new(NO_INPUT, format!("{}: no such folder", self.dir.display())));
        }
        let mut faults = Vec::new();
        let folders = folders(&self.dir, &mut faults);
        let mut all = Vec::new();
        for path in &folders {
            match self.listed(path) {
                Ok(session) => all.push(session),
                Err(error) => faults.push(error.to_string()),
            }
        }
        if folders.is_empty() {
            say(&format!("no session folder below {}", self.dir.display()));
        }
        give(&self.text(&all)?)?;
        for fault in &faults {
            say(&format!("simmer: {fault}"));
        }
        Ok(if faults.is_empty() { 0 } else { DATA })
    }

    fn text(&self, all: &[Listed]) -> Result<String, Failure> {
        match (self.exposures, self.format) {
            (false, None | Some(Format::Table)) => Ok(table(all)),
            (false, Some(Format::Csv)) => csv(&HEAD, all.iter().map(Listed::cells)),
            (false, Some(Format::Json)) => {
                let all: Vec<Value> = all.iter().map(Listed::json).collect();
                Ok(format!("{:#}\n", Value::Array(all)))
            }
            (true, format) => joined(all, format == Some(Format::Json)),
        }
    }

    fn listed(&self, path: &Path) -> Result<Listed, ReadError> {
        let folder = SessionFolder::open(path)?;
        let inside = path.strip_prefix(&self.dir).unwrap_or(path);
        let mut listed = Listed {
            name: match inside.to_string_lossy() {
                name if name.is_empty() => ".".to_owned(),
                name => name.into_owned(),
            },
            start: folder.words(&["start_utc"]).to_owned(),
            subject: folder.words(&["session", "subject"]).to_owned(),
            finished: folder.is_finished(),
            duration_s: 0.0,
            pulses: 0,
            exposures: 0,
            verdicts: [0; 4],
            hear: Median::default(),
            alarms: 0,
            rows: folder.exposures()?,
        };
        listed.read_pulses(&folder)?;
        folder.each_event(|_, event| {
            listed.alarms += u64::from(event["event"] == "alarm raised");
        })?;
        if listed.subject.is_empty()
            && let Some(row) = listed.rows.first()
        {
            row.text("subject").clone_into(&mut listed.subject);
        }
        Ok(listed)
    }
}

impl Listed {
    fn read_pulses(&mut self, folder: &SessionFolder) -> Result<(), ReadError> {
        let mut pulses = folder.pulses()?;
        let (mut first_s, mut open) = (None, None);
        while let Some(row) = pulses.next_pulse()? {
            if first_s.is_none() && self.start.is_empty() {
                self.start.clone_from(&row.time_utc);
            }
            self.duration_s = row.time_s - *first_s.get_or_insert(row.time_s);
            if row.pulse.is_none() {
                continue;
            }
            self.pulses += 1;
            if let Some(verdict) = row.verdict {
                self.verdicts[verdict as usize] += 1;
                if verdict == Verdict::NotDetected {
                    self.hear.add(row.hear_db[Quantity::Broadband]);
                }
            }
            if row.stage == Stage::Exposure {
                open = row.pulse;
            }
        }
        // The last exposure of a session without an end has no row of the table yet.
        let mut ended = None;
        for row in &self.rows {
            ended = ended.max(row.whole("last_pulse")?);
        }
        self.exposures = self.rows.len() + usize::from(open > ended);
        Ok(())
    }

    fn cells(&self) -> Vec<String> {
        let mut cells = vec![
            self.name.clone(),
            self.start.clone(),
            self.finished.to_string(),
            self.subject.clone(),
            format!("{:e}", self.duration_s),
            self.pulses.to_string(),
            self.exposures.to_string(),
        ];
        cells.extend(self.verdicts.iter().map(u64::to_string));
        cells.push(self.hear.value_db().map_or_else(String::new, |db| format!("{db:e}")));
        cells.push(self.alarms.to_string());
        cells
    }

    fn json(&self) -> Value {
        let words = |text: &str| if text.is_empty() { Value::Null } else { json!(text) };
        let verdicts: Map<String, Value> = VERDICTS
            .map(|v| (v.name().to_owned(), json!(self.verdicts[v as usize])))
            .into_iter()
            .collect();
        json!({
            "session": self.name, "start": words(&self.start), "finished": self.finished,
            "subject": words(&self.subject), "duration_s": self.duration_s, "pulses": self.pulses,
            "exposures": self.exposures, "verdicts": verdicts,
            "median_broadband_hear_db": self.hear.value_db(), "alarms": self.alarms,
        })
    }
}

/// Columns of the list; the detection limit is the median over the pulses not detected.
const HEAD: [&str; 13] = [
    "session",
    "start",
    "finished",
    "subject",
    "duration_s",
    "pulses",
    "exposures",
    "not_detected",
    "stable",
    "inertial",
    "indeterminate",
    "median_broadband_hear_db",
    "alarms",
];

/// Session folders below a folder, itself included, by name; links are not followed.
fn folders(dir: &Path, faults: &mut Vec<String>) -> Vec<PathBuf> {
    let (mut found, mut ahead) = (Vec::new(), vec![(dir.to_owned(), 0)]);
    while let Some((path, depth)) = ahead.pop() {
        if SessionFolder::is_one(&path) {
            found.push(path.clone());
        }
        let entries = match std::fs::read_dir(&path) {
            Ok(entries) => entries,
            Err(error) => {
                faults.push(format!("{}: cannot read: {error}", path.display()));
                continue;
            }
        };
        for entry in entries {
            match entry.and_then(|entry| Ok((entry.path(), entry.file_type()?))) {
                Ok((inside, kind)) if kind.is_dir() && depth < MOST_DEPTH => {
                    ahead.push((inside, depth + 1));
                }
                Ok((inside, kind)) if kind.is_dir() => {
                    faults.push(format!(
                        "{}: more than {MOST_DEPTH} folders deep, not looked into",
                        inside.display()
                    ));
                }
                Ok(_) => {}
                Err(error) => faults.push(format!("{}: cannot read: {error}", path.display())),
            }
        }
    }
    found.sort();
    found
}

fn table(all: &[Listed]) -> String {
    let head = [
        "session",
        "start",
        "subject",
        "length s",
        "pulses",
        "exposures",
        "not det.",
        "broad. heard from dB",
        "stable",
        "inertial",
        "indet.",
        "alarms",
        "ended",
    ];
    let mut lines = vec![head.map(str::to_owned).to_vec()];
    for session in all {
        let [silent, stable, inertial, indeterminate] = session.verdicts.map(|n| n.to_string());
        let start = session.start.get(..19).unwrap_or("?").replace('T', " ");
        lines.push(vec![
            plain(&session.name, 60),
            start,
            plain(&session.subject, 32),
            format!("{:.1}", session.duration_s),
            session.pulses.to_string(),
            session.exposures.to_string(),
            silent,
            session.hear.value_db().map_or_else(|| "-".to_owned(), |db| format!("{db:+.2}")),
            stable,
            inertial,
            indeterminate,
            session.alarms.to_string(),
            if session.finished { "yes" } else { "no" }.to_owned(),
        ]);
    }
    aligned(&lines, 3)
}

/// One line of a cell, not longer than `most` characters.
fn plain(text: &str, most: usize) -> String {
    let clean = text.chars().map(|c| if c.is_control() { ' ' } else { c });
    if text.chars().count() <= most {
        return clean.collect();
    }
    clean.take(most - 1).chain(['…']).collect()
}

/// Columns of equal width: the first `left` set to the left, the others to the right.
pub(super) fn aligned(lines: &[Vec<String>], left: usize) -> String {
    let columns = lines.iter().map(Vec::len).max().unwrap_or(0);
    let size = |text: &String| text.chars().count();
    let widths: Vec<usize> = (0..columns)
        .map(|i| lines.iter().filter_map(|line| line.get(i)).map(size).max().unwrap_or(0))
        .collect();
    let mut text = String::new();
    for line in lines {
        let cells: Vec<String> = line
            .iter()
            .zip(&widths)
            .enumerate()
            .map(
                |(i, (cell, width))| {
                    if i < left { format!("{cell:<width$}") } else { format!("{cell:>width$}") }
                },
            )
            .collect();
        text.push_str(cells.join("  ").trim_end());
        text.push('\n');
    }
    text
}

fn csv<R: IntoIterator<Item = S>, S: AsRef<[u8]>>(
    head: &[&str],
    rows: impl Iterator<Item = R>,
) -> Result<String, Failure> {
    let fault = |error: &dyn std::fmt::Display| Failure::new(RUNNING, format!("csv: {error}"));
    let mut writer = csv::WriterBuilder::new().from_writer(Vec::new());
    writer.write_record(head).map_err(|error| fault(&error))?;
    for row in rows {
        writer.write_record(row).map_err(|error| fault(&error))?;
    }
    let bytes = writer.into_inner().map_err(|error| fault(&error))?;
    String::from_utf8(bytes).map_err(|error| fault(&error))
}

/// All exposures under the columns of all sessions, in the order in which they are met.
fn joined(all: &[Listed], as_json: bool) -> Result<String, Failure> {
    let own = ["session", "start"];
    let mut columns: Vec<&str> = Vec::new();
    let rows = || all.iter().flat_map(|session| session.rows.iter().map(move |row| (session, row)));
    for (session, row) in rows() {
        for (column, _) in row.cells() {
            if own.contains(&column) {
                let why =
                    format!("{}: exposures.csv has a column \"{column}\" of its own", session.name);
                return Err(Failure::new(DATA, why));
            }
            if !columns.contains(&column) {
                columns.push(column);
            }
        }
    }
    let values = |session: &Listed, row: &ExposureRow| -> Vec<String> {
        let own = [session.name.clone(), session.start.clone()];
        own.into_iter().chain(columns.iter().map(|column| row.text(column).to_owned())).collect()
    };
    let head = [&own[..], &columns[..]].concat();
    if !as_json {
        return csv(&head, rows().map(|(session, row)| values(session, row)));
    }
    let all: Vec<Value> = rows()
        .map(|(session, row)| {
            let cells = head.iter().zip(values(session, row));
            Value::Object(
                cells.map(|(name, cell)| ((*name).to_owned(), typed(name, &cell))).collect(),
            )
        })
        .collect();
    Ok(format!("{:#}\n", Value::Array(all)))
}

/// Columns of the exposure table that hold words, also where they look like numbers.
const WORDS: [&str; 8] =
    ["session", "start", "target", "subject", "start_utc", "baseline_id", "ended_by", "channel"];

/// A cell as JSON: null when empty, a number where it is one.
fn typed(column: &str, cell: &str) -> Value {
    if cell.is_empty() {
        return Value::Null;
    }
    if WORDS.contains(&column) || column.ends_with("_channel") {
        return json!(cell);
    }
    let whole = cell.parse::<u64>().ok().map(|n| json!(n));
    let number = || cell.parse::<f64>().ok().filter(|n| n.is_finite()).map(|n| json!(n));
    whole.or_else(number).unwrap_or_else(|| json!(cell))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_keep_their_kind() {
        assert_eq!(typed("baseline_id", "123"), json!("123"));
        assert_eq!(typed("received", "123"), json!(123));
        assert_eq!(typed("drive_mpa_min", "6e-2"), json!(0.06));
        assert_eq!(typed("drive_mpa_min", ""), Value::Null);
    }

    #[test]
    fn columns_line_up() {
        let line = |a: &str, b: &str| vec![a.to_owned(), b.to_owned()];
        assert_eq!(aligned(&[line("a", "n"), line("long", "10")], 1), "a      n\nlong  10\n");
    }
}
