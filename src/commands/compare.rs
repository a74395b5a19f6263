//! `simmer compare`: what differs between two sessions.

use std::cmp::Ordering;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use serde_json::{Map, Value, json};

use super::sessions::aligned;
use super::{Failure, RUNNING, give};
use crate::detect::Verdict;
use crate::report::words;
use crate::session::read::pulses::VERDICTS;
use crate::session::read::{ExposureRow, PulseRow, Pulses, ReadError, SessionFolder};
use crate::signal::Quantity;

/// Pulses of other verdict that are shown.
const MOST_SHOWN: usize = 10;

/// Counts of the exposure table that are held against each other, besides verdicts and doses.
const COUNTS: [&str; 5] = ["received", "used", "missing", "harmonic_only", "alarms"];

/// How to give it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// Lines for reading
    Text,
    /// One JSON object
    Json,
}

/// Which sessions.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:
  simmer replay -c demo-data/config.toml --out out/one \\
      demo-data/baseline.sigmf-meta demo-data/exposure.sigmf-meta
  simmer replay -c demo-data/config.toml --workers 1 --out out/two \\
      demo-data/baseline.sigmf-meta demo-data/exposure.sigmf-meta
  simmer compare out/one out/two")]
pub struct Compare {
    /// Session folder
    #[arg(value_name = "A")]
    pub a: PathBuf,
    /// Session folder to hold against it
    #[arg(value_name = "B")]
    pub b: PathBuf,
    /// How to give it
    #[arg(long, value_enum, value_name = "FORMAT", default_value = "text")]
    pub format: Format,
}

/// A value of both sessions; null where one has none.
struct Pair {
    name: String,
    a: Value,
    b: Value,
}

/// Counts and doses of an exposure in both.
struct Exposure {
    name: String,
    values: Vec<Pair>,
}

/// A pulse whose verdict differs.
struct Otherwise {
    pulse: u64,
    a: String,
    b: String,
}

/// What the pulse tables say against each other.
#[derive(Default)]
struct PulseCounts {
    both: u64,
    only_a: u64,
    only_b: u64,
    holes: [u64; 2],
    differ: u64,
    first: Vec<Otherwise>,
    /// Largest difference of a detection level: dB, pulse, quantity.
    farthest: Option<(f64, u64, Quantity)>,
    same_bytes: bool,
}

/// Everything that is compared.
struct Comparison {
    about: Vec<Pair>,
    settings: Vec<Pair>,
    baselines: Vec<Pair>,
    recordings: Vec<Pair>,
    account: Vec<Pair>,
    exposures: Vec<Exposure>,
    pulses: PulseCounts,
}

impl Pair {
    fn is_equal(&self) -> bool {
        same(&self.a, &self.b)
    }

    fn json(&self) -> Value {
        json!({"name": self.name, "a": self.a, "b": self.b})
    }
}

/// Equal values; numbers by what they are worth, however they are written.
fn same(a: &Value, b: &Value) -> bool {
    match (a.as_f64(), b.as_f64()) {
        (Some(a), Some(b)) => a.total_cmp(&b) == Ordering::Equal,
        _ => a == b,
    }
}

impl Compare {
    /// Runs the command; the exit code, 0 whether they differ or not.
    ///
    /// # Errors
    /// When a session cannot be read.
    pub fn run(&self) -> Result<u8, Failure> {
        let a = SessionFolder::open(&self.a)?;
        let b = SessionFolder::open(&self.b)?;
        let comparison = Comparison::of(&a, &b)?;
        match self.format {
            Format::Json => give(&format!("{:#}\n", comparison.json(&self.a, &self.b)))?,
            Format::Text => give(&comparison.text(&a, &b))?,
        }
        Ok(0)
    }
}

impl Comparison {
    fn of(a: &SessionFolder, b: &SessionFolder) -> Result<Self, Failure> {
        let differences = |keys: &[&str]| {
            let mut pairs = Vec::new();
            differ("", &named(a.about(keys)), &named(b.about(keys)), &mut pairs);
            pairs
        };
        let mut settings = Vec::new();
        let table = |folder: &SessionFolder| -> Result<Value, Failure> {
            let table = folder.settings()?;
            let value = serde_json::to_value(table);
            value.map_err(|error| Failure::new(RUNNING, format!("configuration: {error}")))
        };
        differ("", &named(&table(a)?), &named(&table(b)?), &mut settings);
        let mut about = Vec::new();
        for key in ["simmer", "transform_path", "start_utc", "axes"] {
            differ(key, a.about(&[key]), b.about(&[key]), &mut about);
        }
        let mut pulses = pulses(a.pulses()?, b.pulses()?)?;
        pulses.same_bytes = same_bytes(&a.file("pulses.csv"), &b.file("pulses.csv"))?;
        Ok(Self {
            about,
            settings,
            baselines: differences(&["baseline"]),
            recordings: differences(&["sources"]),
            account: differences(&["account"]),
            exposures: exposures(a, b)?,
            pulses,
        })
    }

    fn lists(&self) -> [(&'static str, &[Pair]); 5] {
        [
            ("session", &self.about),
            ("configuration", &self.settings),
            ("baselines", &self.baselines),
            ("recordings", &self.recordings),
            ("sample account", &self.account),
        ]
    }

    fn is_equal(&self) -> bool {
        let pulses = &self.pulses;
        self.lists().iter().all(|(_, pairs)| pairs.is_empty())
            && self.exposures.iter().all(|e| e.values.iter().all(Pair::is_equal))
            && (pulses.only_a, pulses.only_b, pulses.differ) == (0, 0, 0)
            && pulses.holes[0] == pulses.holes[1]
            && pulses.farthest.is_none()
    }

    fn json(&self, a: &Path, b: &Path) -> Value {
        let mut object = Map::new();
        object.insert("a".into(), json!(a.display().to_string()));
        object.insert("b".into(), json!(b.display().to_string()));
        object.insert("equal".into(), json!(self.is_equal()));
        for (name, pairs) in self.lists() {
            let pairs: Vec<Value> = pairs.iter().map(Pair::json).collect();
            object.insert(name.replace(' ', "_"), json!(pairs));
        }
        let exposures = self.exposures.iter().map(|exposure| {
            let values: Vec<Value> = exposure.values.iter().map(Pair::json).collect();
            json!({"exposure": exposure.name, "values": values})
        });
        object.insert("exposures".into(), exposures.collect());
        let pulses = &self.pulses;
        let first: Vec<Value> = pulses
            .first
            .iter()
            .map(|found| json!({"pulse": found.pulse, "a": found.a, "b": found.b}))
            .collect();
        let farthest = pulses
            .farthest
            .map(|(db, pulse, q)| json!({"db": db, "pulse": pulse, "quantity": q.name()}));
        object.insert(
            "pulses".into(),
            json!({
                "in_both": pulses.both, "only_in_a": pulses.only_a, "only_in_b": pulses.only_b,
                "missing_in_a": pulses.holes[0], "missing_in_b": pulses.holes[1],
                "verdict_differs": pulses.differ, "first": first,
                "largest_level_difference": farthest, "same_bytes": pulses.same_bytes,
            }),
        );
        Value::Object(object)
    }

    fn text(&self, a: &SessionFolder, b: &SessionFolder) -> String {
        let mut text = String::new();
        for (letter, folder) in [("A", a), ("B", b)] {
            let start = match folder.words(&["start_utc"]) {
                "" => "unknown start",
                start => start,
            };
            let end =
                if folder.is_finished() { "" } else { ", not ended in order: no session.json" };
            // Writing into a string cannot fail.
            writeln!(text, "{letter}: {}, {start}{end}", folder.path().display()).ok();
        }
        for (name, pairs) in self.lists() {
            if pairs.is_empty() {
                writeln!(text, "\n{name}: equal").ok();
                continue;
            }
            writeln!(text, "\n{name}: {} differ", words::count(count(pairs), "value")).ok();
            for pair in pairs {
                writeln!(
                    text,
                    "  {}\n    A  {}\n    B  {}",
                    pair.name,
                    shown(&pair.a),
                    shown(&pair.b)
                )
                .ok();
            }
        }
        if self.settings.is_empty() && a.configuration() != b.configuration() {
            text.push_str("  the configurations' texts differ, their values do not\n");
        }
        for exposure in &self.exposures {
            exposure.text(&mut text);
        }
        self.pulses.text(&mut text);
        if self.is_equal() {
            text.push_str("\nThe sessions are equal: settings, baselines, recordings, sample account, doses and verdicts.\n");
        }
        text
    }
}

fn count(pairs: &[Pair]) -> u64 {
    u64::try_from(pairs.len()).unwrap_or(u64::MAX)
}

fn shown(value: &Value) -> String {
    if value.is_null() { "(none)".to_owned() } else { value.to_string() }
}

/// Lists of things with names of their own become objects by name, so that an alarm is held against the
/// alarm of its name wherever it stands.
fn named(value: &Value) -> Value {
    match value {
        Value::Object(object) => {
            Value::Object(object.iter().map(|(key, value)| (key.clone(), named(value))).collect())
        }
        Value::Array(list) if !list.is_empty() => {
            let names: Vec<&str> = list.iter().filter_map(|item| item["name"].as_str()).collect();
            let by_name: BTreeMap<&str, &Value> = names.iter().copied().zip(list).collect();
            if by_name.len() < list.len() {
                return value.clone();
            }
            by_name.into_iter().map(|(name, item)| (format!("\"{name}\""), named(item))).collect()
        }
        _ => value.clone(),
    }
}

/// The values that differ, each under its dotted key.
fn differ(key: &str, a: &Value, b: &Value, pairs: &mut Vec<Pair>) {
    let empty = Map::new();
    let inside = match (a, b) {
        (Value::Object(a), Value::Object(b)) => Some((a, b)),
        (Value::Object(a), Value::Null) => Some((a, &empty)),
        (Value::Null, Value::Object(b)) => Some((&empty, b)),
        _ => None,
    };
    let Some((in_a, in_b)) = inside else {
        if !same(a, b) {
            pairs.push(Pair { name: key.to_owned(), a: a.clone(), b: b.clone() });
        }
        return;
    };
    let of_b = in_b.keys().filter(|name| !in_a.contains_key(*name));
    for name in in_a.keys().chain(of_b) {
        let inner = if key.is_empty() { name.clone() } else { format!("{key}.{name}") };
        let value = |map: &Map<String, Value>| map.get(name).cloned().unwrap_or(Value::Null);
        differ(&inner, &value(in_a), &value(in_b), pairs);
    }
}

/// Exposures of both by number and target; a second one of the same number and target by its order.
fn exposures(a: &SessionFolder, b: &SessionFolder) -> Result<Vec<Exposure>, Failure> {
    let (rows_a, rows_b) = (keyed(a)?, keyed(b)?);
    let keys = rows_a.iter().chain(&rows_b).map(|(key, _)| key);
    let mut seen: Vec<&(u64, String, usize)> = Vec::new();
    for key in keys {
        if !seen.contains(&key) {
            seen.push(key);
        }
    }
    let of = |rows: &[((u64, String, usize), ExposureRow)], key: &(u64, String, usize)| {
        rows.iter().find(|(found, _)| found == key).map(|(_, row)| row.clone())
    };
    let mut all = Vec::new();
    for key in seen {
        let (row_a, row_b) = (of(&rows_a, key), of(&rows_b, key));
        let (number, target, again) = key;
        let mut name = format!("exposure {number}, {}", words::target(target));
        if *again > 0 {
            write!(name, ", number {} of these", again + 1).ok();
        }
        let mut values = counts(row_a.as_ref(), row_b.as_ref())?;
        values.extend(doses(a, b, key));
        all.push(Exposure { name, values });
    }
    Ok(all)
}

type Keyed = Vec<((u64, String, usize), ExposureRow)>;

fn keyed(folder: &SessionFolder) -> Result<Keyed, ReadError> {
    let mut all: Keyed = Vec::new();
    for row in folder.exposures()? {
        let (number, target) = (row.count("exposure")?, row.text("target").to_owned());
        let fits =
            |(key, _): &&((u64, String, usize), ExposureRow)| (key.0, &key.1) == (number, &target);
        let again = all.iter().filter(fits).count();
        all.push(((number, target, again), row));
    }
    Ok(all)
}

fn counts(a: Option<&ExposureRow>, b: Option<&ExposureRow>) -> Result<Vec<Pair>, ReadError> {
    let mut pairs = Vec::new();
    for column in VERDICTS.map(Verdict::name).into_iter().chain(COUNTS) {
        let value = |row: Option<&ExposureRow>| -> Result<Value, ReadError> {
            Ok(json!(row.map(|row| row.whole(column)).transpose()?.flatten()))
        };
        pairs.push(Pair { name: column.to_owned(), a: value(a)?, b: value(b)? });
    }
    for quantity in Quantity::ALL {
        let column = format!("{}_excess_dose_v2s", quantity.name());
        let value = |row: Option<&ExposureRow>| -> Result<Value, ReadError> {
            Ok(json!(row.map(|row| row.number(&column)).transpose()?.flatten()))
        };
        let (a, b) = (value(a)?, value(b)?);
        pairs.push(Pair { name: column.clone(), a, b });
    }
    Ok(pairs)
}

/// Doses of other definitions, which stand in `session.json`.
fn doses(a: &SessionFolder, b: &SessionFolder, key: &(u64, String, usize)) -> Vec<Pair> {
    let of = |folder: &SessionFolder| -> Value {
        let all = folder.about(&["exposures"]).as_array();
        let fits = |dose: &&Value| {
            dose["exposure"].as_u64() == Some(key.0) && dose["target"].as_str() == Some(&key.1)
        };
        all.into_iter().flatten().filter(fits).nth(key.2).cloned().unwrap_or(Value::Null)
    };
    let (a, b) = (of(a), of(b));
    let mut pairs = Vec::new();
    for (kind, unit) in [("raw_dose", "v2s"), ("amplitude_dose", "vs")] {
        for quantity in Quantity::ALL {
            let name = quantity.name();
            let value = |dose: &Value| dose[format!("{kind}_{unit}")][name].clone();
            pairs.push(Pair { name: format!("{name}_{kind}_{unit}"), a: value(&a), b: value(&b) });
        }
    }
    pairs
}

impl Exposure {
    fn text(&self, text: &mut String) {
        let equal = self.values.iter().all(Pair::is_equal);
        let end = if equal { ": equal" } else { "" };
        writeln!(text, "\n{}{end}", self.name).ok();
        let mut lines = vec![["", "A", "B", ""].map(str::to_owned).to_vec()];
        for pair in &self.values {
            let mark = if pair.is_equal() { "" } else { "differs" };
            lines.push(vec![
                format!("  {}", pair.name),
                short(&pair.a),
                short(&pair.b),
                mark.to_owned(),
            ]);
        }
        text.push_str(&aligned(&lines, 1));
    }
}

/// A number with six digits; all of them stand in the JSON.
fn short(value: &Value) -> String {
    match (value.as_u64(), value.as_f64()) {
        (Some(whole), _) => whole.to_string(),
        (None, Some(number)) => format!("{number:.5e}"),
        _ => "(none)".to_owned(),
    }
}

/// Goes through both tables at once; a pulse is told by its number and by its last row.
fn pulses(mut table_a: Pulses, mut table_b: Pulses) -> Result<PulseCounts, ReadError> {
    let mut counts = PulseCounts::default();
    let mut a = next(&mut table_a, &mut counts.holes[0])?;
    let mut b = next(&mut table_b, &mut counts.holes[1])?;
    loop {
        let order = match (&a, &b) {
            (None, None) => return Ok(counts),
            (Some((pulse_a, row_a)), Some((pulse_b, row_b))) => {
                if pulse_a == pulse_b {
                    counts.hold(*pulse_a, row_a, row_b);
                }
                pulse_a.cmp(pulse_b)
            }
            (Some(_), None) => Ordering::Less,
            (None, Some(_)) => Ordering::Greater,
        };
        match order {
            Ordering::Less => counts.only_a += 1,
            Ordering::Greater => counts.only_b += 1,
            Ordering::Equal => counts.both += 1,
        }
        if order != Ordering::Greater {
            a = next(&mut table_a, &mut counts.holes[0])?;
        }
        if order != Ordering::Less {
            b = next(&mut table_b, &mut counts.holes[1])?;
        }
    }
}

fn next(table: &mut Pulses, holes: &mut u64) -> Result<Option<(u64, PulseRow)>, ReadError> {
    while let Some(row) = table.next_pulse()? {
        match row.pulse {
            Some(pulse) => return Ok(Some((pulse, row))),
            None => *holes += 1,
        }
    }
    Ok(None)
}

impl PulseCounts {
    fn hold(&mut self, pulse: u64, a: &PulseRow, b: &PulseRow) {
        if a.verdict != b.verdict {
            self.differ += 1;
            if self.first.len() < MOST_SHOWN {
                self.first.push(Otherwise { pulse, a: said(a), b: said(b) });
            }
        }
        for quantity in Quantity::ALL {
            let levels = a.detect_db[quantity].zip(b.detect_db[quantity]);
            let off = levels.map_or(0.0, |(a, b)| (a - b).abs());
            if off > self.farthest.map_or(0.0, |(most, _, _)| most) {
                self.farthest = Some((off, pulse, quantity));
            }
        }
    }

    fn text(&self, text: &mut String) {
        writeln!(
            text,
            "\npulses: {} in both, {} only in A, {} only in B; missing: A {}, B {}",
            self.both, self.only_a, self.only_b, self.holes[0], self.holes[1]
        )
        .ok();
        if self.same_bytes {
            text.push_str("pulses.csv: equal byte for byte\n");
            return;
        }
        match self.farthest {
            None => text.push_str("detection levels: equal where both have them\n"),
            Some((off, pulse, quantity)) => {
                let quantity = quantity.name();
                writeln!(
                    text,
                    "detection levels: largest difference {off:.3e} dB, {quantity} of pulse {pulse}"
                )
                .ok();
            }
        }
        if self.differ == 0 {
            text.push_str("verdicts: equal in every pulse of both\n");
            return;
        }
        writeln!(text, "verdicts: other in {}", words::count(self.differ, "pulse")).ok();
        for found in &self.first {
            writeln!(text, "  pulse {}\n    A  {}\n    B  {}", found.pulse, found.a, found.b).ok();
        }
        let more = self.differ - u64::try_from(self.first.len()).unwrap_or(self.differ);
        if more > 0 {
            writeln!(text, "  and {more} more").ok();
        }
    }
}

/// A verdict with its reason; silence with its detection limit.
fn said(row: &PulseRow) -> String {
    let Some(verdict) = row.verdict else { return format!("none, {}", row.reason) };
    let mut text = words::verdict(verdict).to_owned();
    if verdict == Verdict::NotDetected {
        write!(text, ", broadband heard from {}", words::db(row.hear_db[Quantity::Broadband])).ok();
    }
    if !row.reason.is_empty() {
        write!(text, ", {}", row.reason).ok();
    }
    text
}

fn same_bytes(a: &Path, b: &Path) -> Result<bool, ReadError> {
    let open = |path: &Path| {
        File::open(path).map_err(|error| ReadError::of_io(&path.display().to_string(), error))
    };
    let (mut file_a, mut file_b) = (open(a)?, open(b)?);
    let (mut block_a, mut block_b) = (vec![0; 1 << 16], vec![0; 1 << 16]);
    loop {
        let read_a = fill(&mut file_a, &mut block_a, a)?;
        let read_b = fill(&mut file_b, &mut block_b, b)?;
        if read_a != read_b || block_a[..read_a] != block_b[..read_b] {
            return Ok(false);
        }
        if read_a == 0 {
            return Ok(true);
        }
    }
}

/// Fills a block as far as the file goes.
fn fill(file: &mut File, block: &mut [u8], path: &Path) -> Result<usize, ReadError> {
    let mut filled = 0;
    while filled < block.len() {
        match file.read(&mut block[filled..]) {
            Ok(0) => break,
            Ok(read) => filled += read,
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            Err(error) => return Err(ReadError::of_io(&path.display().to_string(), error)),
        }
    }
    Ok(filled)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(a: &str, b: &str, expected: &[&str]) {
        let value = |text: &str| -> Value {
            named(&serde_json::to_value(text.parse::<toml::Table>().unwrap()).unwrap())
        };
        let mut pairs = Vec::new();
        differ("", &value(a), &value(b), &mut pairs);
        let found: Vec<&str> = pairs.iter().map(|pair| pair.name.as_str()).collect();
        assert_eq!(found, expected);
    }

    #[test]
    fn settings_differ_by_value_and_not_by_writing() {
        check("[drive]\nfrequency_hz = 0.7e6", "# f0\n[drive]\nfrequency_hz = 700000.0", &[]);
        check("x = 5", "x = 5.0", &[]);
        check("[a]\nx = 1\ny = 2", "[a]\nx = 1\ny = 3\nz = 4", &["a.y", "a.z"]);
        check("x = [1, 2]", "x = [1, 3]", &["x"]);
    }

    #[test]
    fn alarms_are_held_against_those_of_their_name() {
        let one = "[[alarm]]\nname = \"p\"\nhold_s = 1.0\n[[alarm]]\nname = \"q\"\nhold_s = 2.0";
        let other = "[[alarm]]\nname = \"q\"\nhold_s = 3.0\n[[alarm]]\nname = \"p\"\nhold_s = 1.0";
        check(one, other, &["alarm.\"q\".hold_s"]);
    }
}
