//! `simmer compare`: what differs between two sessions.

mod pulses;
mod values;

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use serde_json::{Map, Value, json};

use super::sessions::aligned;
use super::{Failure, RUNNING, give};
use crate::detect::Verdict;
use crate::report::words;
use crate::session::read::pulses::VERDICTS;
use crate::session::read::{ExposureRow, ReadError, SessionFolder};
use crate::signal::Quantity;
use pulses::{PulseCounts, pulses, same_bytes};
use values::{Pair, differ, named, shown};

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

/// Counts and doses of an exposure in both.
struct Exposure {
    name: String,
    values: Vec<Pair>,
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
        let mut account = differences(&["account"]);
        // In how many pieces samples came says nothing of them: a replay reads other ones.
        account.retain(|pair| pair.name != "frames");
        let mut pulses = pulses(a.pulses()?, b.pulses()?)?;
        pulses.same_bytes = same_bytes(&a.file("pulses.csv"), &b.file("pulses.csv"))?;
        Ok(Self {
            about,
            settings,
            baselines: differences(&["baseline"]),
            recordings: differences(&["sources"]),
            account,
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
        self.lists().iter().all(|(_, pairs)| pairs.is_empty()) && self.says_the_same()
    }

    /// Whether doses and verdicts are equal, wherever the samples came from.
    fn says_the_same(&self) -> bool {
        self.exposures.iter().all(|e| e.values.iter().all(Pair::is_equal)) && self.pulses.is_equal()
    }

    fn json(&self, a: &Path, b: &Path) -> Value {
        let mut object = Map::new();
        object.insert("a".into(), json!(a.display().to_string()));
        object.insert("b".into(), json!(b.display().to_string()));
        object.insert("equal".into(), json!(self.is_equal()));
        object.insert("same_doses_and_verdicts".into(), json!(self.says_the_same()));
        for (name, pairs) in self.lists() {
            let pairs: Vec<Value> = pairs.iter().map(Pair::json).collect();
            object.insert(name.replace(' ', "_"), json!(pairs));
        }
        let exposures = self.exposures.iter().map(|exposure| {
            let values: Vec<Value> = exposure.values.iter().map(Pair::json).collect();
            json!({"exposure": exposure.name, "values": values})
        });
        object.insert("exposures".into(), exposures.collect());
        object.insert("pulses".into(), self.pulses.json());
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
            let end = if pairs.len() == 1 { "s" } else { "" };
            writeln!(text, "\n{name}: {} differ{end}", words::count(count(pairs), "value")).ok();
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
        if !self.is_equal() && self.says_the_same() {
            text.push_str("\nThe sessions say the same, doses and verdicts; what differs besides stands above.\n");
        }
        if self.is_equal() {
            text.push_str("\nThe sessions are equal: settings, baselines, recordings, sample account, doses and verdicts.\n");
        }
        text
    }
}

fn count(pairs: &[Pair]) -> u64 {
    u64::try_from(pairs.len()).unwrap_or(u64::MAX)
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
