//! A baseline as a JSON file: the series of every target, drive and channel, what they were made of,
//! and what must be the same for them to mean anything.

use std::path::Path;
use std::sync::Arc;

use serde_json::{Map, Value, json};

use crate::detect::Baseline;
use crate::detect::baseline::{
    Drive, DriveSeries, Level, MOST_DRIVES, MOST_PULSES, Sample, SpectrumRange, TargetBaseline,
};
use crate::signal::{Cutting, PerQuantity, Plan, Quantity, Running};
use crate::stats::autocorrelations;

/// Largest baseline file that is read.
const MOST_BYTES: u64 = 1 << 30;

/// What a baseline depends on besides the sound.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    channels: usize,
    fields: Vec<(&'static str, String)>,
}

impl Identity {
    /// Of a plan and how recordings are cut.
    #[must_use]
    pub fn of(plan: &Plan, cutting: Option<&Cutting>) -> Self {
        let receive = &plan.spec.receive;
        let zero = plan.pretrigger_samples();
        let mut fields = vec![
            ("sample_rate_hz", receive.sample_rate_hz.to_string()),
            ("channels", format!("{:?} of {}", plan.used_channels, receive.channels)),
            ("gain_db", format!("{:?}", receive.gain_db)),
            ("volts_per_count", format!("{:?}", receive.volts_per_count)),
            ("drive_frequency_hz", plan.spec.drive_frequency_hz.to_string()),
            (
                "time_zero",
                match cutting {
                    Some(cutting) => cutting.time_zero(zero),
                    None => {
                        format!("the trigger, as recorded or {zero} samples after a pulse's first")
                    }
                },
            ),
        ];
        if let Some(channel) = plan.drive_monitor {
            fields.push(("drive_monitor", format!("channel {channel}")));
        }
        fields.extend(plan.identity());
        Self { channels: plan.used_channels.len(), fields }
    }

    /// Every field in which another plan's differs, with both values; nothing when none does.
    #[must_use]
    pub fn differs_from(&self, other: &Self) -> Option<String> {
        let differences = self.differences(&other.json());
        let words: Vec<String> = differences
            .into_iter()
            .map(|(key, there, here)| format!("{key} was {there}, is {here}"))
            .collect();
        (!words.is_empty()).then(|| words.join("; "))
    }

    fn json(&self) -> Value {
        Value::Object(self.fields.iter().map(|(key, text)| ((*key).into(), json!(text))).collect())
    }

    /// Every field in which a file differs: key, the file's value, this one's.
    fn differences(&self, file: &Value) -> Vec<(&'static str, String, String)> {
        self.fields
            .iter()
            .filter_map(|(key, here)| {
                let there = file.get(*key).and_then(Value::as_str).unwrap_or("missing");
                (there != here).then(|| (*key, there.to_owned(), here.clone()))
            })
            .collect()
    }
}

/// Why a baseline file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum BaselineError {
    /// There is no such file.
    #[error("{0}: no such baseline file")]
    NotFound(String),
    /// It cannot be read.
    #[error("{path}: {source}")]
    Unreadable {
        /// The file.
        path: String,
        /// Why.
        source: std::io::Error,
    },
    /// It is not a baseline file, or a damaged one.
    #[error("{path}: not a baseline file: {why}")]
    Malformed {
        /// The file.
        path: String,
        /// Where and what.
        why: String,
    },
    /// It was made under other settings.
    #[error("{path}: the baseline was made otherwise: {differences}")]
    Otherwise {
        /// The file.
        path: String,
        /// Each difference with both values.
        differences: String,
    },
}

/// The file's text; `made_of` names recordings and their SHA-256.
#[must_use]
pub fn to_json(baseline: &Baseline, identity: &Identity, made_of: &[(String, String)]) -> Value {
    let recordings: Vec<Value> =
        made_of.iter().map(|(name, hash)| json!({"name": name, "sha256": hash})).collect();
    let targets: Vec<Value> = baseline
        .targets
        .iter()
        .map(|(name, target)| {
            json!({"target": &**name, "id": target.id(),
                   "drives": target.drives.iter().map(drive_json).collect::<Vec<_>>()})
        })
        .collect();
    json!({"simmer_baseline": 1, "identity": identity.json(), "made_of": recordings,
           "targets": targets})
}

fn drive_json(series: &DriveSeries) -> Value {
    let channels: Vec<Value> = series
        .channels
        .iter()
        .zip(&series.spectra)
        .map(|(samples, spectrum)| {
            let mut object = Map::new();
            for quantity in Quantity::ALL {
                let levels = samples.iter().flatten().filter_map(|s| s.levels[quantity]);
                let lambda: Vec<f64> = levels.map(|level| level.lambda_db).collect();
                let column = |value: fn(&Level) -> f64| -> Value {
                    samples
                        .iter()
                        .map(|s| {
                            json!(s.as_ref().and_then(|s| s.levels[quantity]).map(|l| value(&l)))
                        })
                        .collect()
                };
                object.insert(
                    quantity.name().into(),
                    json!({"lambda_db": column(|l| l.lambda_db), "level_db": column(|l| l.level_db),
                           "power_v2": column(|l| l.power_v2), "net_v2": column(|l| l.net_v2),
                           "lambda_autocorrelation": autocorrelations(&lambda)}),
                );
            }
            let column = |value: fn(&Sample) -> Option<f64>| -> Value {
                samples.iter().map(|s| json!(s.as_ref().and_then(value))).collect()
            };
            object.insert("fundamental_v2".into(), column(|s| Some(s.fundamental_v2)));
            object.insert("noise_v2_per_hz".into(), column(|s| s.noise_v2_per_hz));
            object.insert("gate_tone_v2".into(), column(|s| Some(s.gate_tone_v2)));
            object.insert("feed_through_v2".into(), column(|s| s.feed_through_v2));
            object.insert("mean_v2_per_hz".into(), json!(spectrum.mean_v2_per_hz()));
            let (low, high): (Vec<f64>, Vec<f64>) =
                spectrum.range_v2_per_hz().map(|[low, high]| (low, high)).unzip();
            object.insert("p05_v2_per_hz".into(), json!(low));
            object.insert("p95_v2_per_hz".into(), json!(high));
            Value::Object(object)
        })
        .collect();
    let mut drive =
        json!({"drive_mpa": series.drive.mpa(), "pulses": series.pulses, "channels": channels});
    for (channel, running) in series.running.iter().enumerate() {
        drive["channels"][channel]["running_lambda_db"] = running_json(running);
    }
    if !series.monitor_v.is_empty() {
        drive["drive_monitor_v"] = json!(series.monitor_v);
    }
    drive
}

/// λ while pulses ran: by quantity three lists, one a quarter, with a number a pulse.
fn running_json(running: &[Option<Running>]) -> Value {
    let by_quantity = Quantity::ALL.map(|quantity| {
        let column = |quarter: usize| -> Value {
            running.iter().map(|r| json!(r.as_ref().and_then(|r| r[quarter][quantity]))).collect()
        };
        (quantity.name().to_owned(), json!([column(0), column(1), column(2)]))
    });
    Value::Object(by_quantity.into_iter().collect())
}

/// λ of one channel while pulses ran; nothing where that was not looked at.
fn running(value: &Value, pulses: usize) -> Result<Option<Vec<Option<Running>>>, String> {
    let Some(value) = value.get("running_lambda_db") else { return Ok(None) };
    let mut all: Vec<Running> = vec![Running::default(); pulses];
    for quantity in Quantity::ALL {
        let quarters = list(value, quantity.name())?;
        if quarters.len() != 3 {
            return Err(format!("{} has {} quarters, must be 3", quantity.name(), quarters.len()));
        }
        for (quarter, numbers) in quarters.iter().enumerate() {
            let lambdas = numbers_of(numbers, quantity.name(), pulses)?;
            for (own, lambda) in all.iter_mut().zip(lambdas) {
                own[quarter][quantity] = lambda;
            }
        }
    }
    Ok(Some(all.into_iter().map(Some).collect()))
}

/// Reads a baseline file and refuses one that was made otherwise.
///
/// # Errors
/// Names the file, the place, the value and what was expected.
pub fn read(path: &Path, identity: &Identity) -> Result<Baseline, BaselineError> {
    let name = path.display().to_string();
    let unreadable = |source: std::io::Error| {
        if source.kind() == std::io::ErrorKind::NotFound {
            BaselineError::NotFound(name.clone())
        } else {
            BaselineError::Unreadable { path: name.clone(), source }
        }
    };
    let malformed = |why: String| BaselineError::Malformed { path: name.clone(), why };
    let size = std::fs::metadata(path).map_err(unreadable)?.len();
    if size > MOST_BYTES {
        return Err(malformed(format!("{size} bytes, at most {MOST_BYTES} are read")));
    }
    let text = std::fs::read_to_string(path).map_err(unreadable)?;
    let value: Value = serde_json::from_str(&text).map_err(|e| malformed(e.to_string()))?;
    if value.get("simmer_baseline").and_then(Value::as_u64) != Some(1) {
        return Err(malformed("key simmer_baseline is not 1".into()));
    }
    let differences = identity.differences(&value["identity"]);
    if !differences.is_empty() {
        let words: Vec<String> = differences
            .iter()
            .map(|(key, there, here)| format!("{key} is {there} in the file, {here} here"))
            .collect();
        return Err(BaselineError::Otherwise { path: name, differences: words.join("; ") });
    }
    let baseline = targets(&value).map_err(malformed)?;
    let wanted = identity.channels;
    for (name, target) in &baseline.targets {
        let odd = target.drives.iter().find(|series| series.channels.len() != wanted);
        if let Some(series) = odd {
            let found = series.channels.len();
            let why = format!(
                "target '{name}' at {}: {found} channels, the configuration uses {wanted}",
                series.drive
            );
            return Err(malformed(why));
        }
    }
    Ok(baseline)
}

fn targets(value: &Value) -> Result<Baseline, String> {
    let mut baseline = Baseline::default();
    for (i, target) in list(value, "targets")?.iter().enumerate() {
        let at = |why: String| format!("targets[{i}]: {why}");
        let name = target
            .get("target")
            .and_then(Value::as_str)
            .ok_or_else(|| at("key target is not text".into()))?;
        let drives = list(target, "drives").map_err(at)?;
        if drives.len() > MOST_DRIVES {
            return Err(at(format!("{} drives, at most {MOST_DRIVES}", drives.len())));
        }
        let drives: Result<Vec<DriveSeries>, String> = drives
            .iter()
            .enumerate()
            .map(|(k, drive)| drive_series(drive).map_err(|why| at(format!("drives[{k}]: {why}"))))
            .collect();
        baseline.targets.insert(Arc::from(name), TargetBaseline { drives: drives? });
    }
    Ok(baseline)
}

fn list<'a>(value: &'a Value, key: &str) -> Result<&'a Vec<Value>, String> {
    value.get(key).and_then(Value::as_array).ok_or_else(|| format!("key {key} is not a list"))
}

fn drive_series(value: &Value) -> Result<DriveSeries, String> {
    let pulses: Option<Vec<u64>> = list(value, "pulses")?.iter().map(Value::as_u64).collect();
    let pulses = pulses.ok_or("pulses holds something that is no pulse number")?;
    if pulses.len() > MOST_PULSES {
        return Err(format!("{} pulses, at most {MOST_PULSES}", pulses.len()));
    }
    let drive = match value.get("drive_mpa") {
        None | Some(Value::Null) => Drive::Unknown,
        Some(drive) => {
            let mpa = drive.as_f64().ok_or("drive_mpa is not a number")?;
            Drive::of(Some(mpa))
        }
    };
    let channels: Result<Vec<_>, String> = list(value, "channels")?
        .iter()
        .enumerate()
        .map(|(c, channel)| {
            samples(channel, pulses.len()).map_err(|why| format!("channels[{c}]: {why}"))
        })
        .collect();
    let channels = channels?;
    let count = u32::try_from(pulses.len()).unwrap_or(u32::MAX);
    let spectra: Result<Vec<_>, String> = list(value, "channels")?
        .iter()
        .enumerate()
        .map(|(c, channel)| spectrum(channel, count).map_err(|why| format!("channels[{c}]: {why}")))
        .collect();
    let spectra = spectra?;
    let monitor_v = match value.get("drive_monitor_v") {
        None => Vec::new(),
        Some(_) => column(value, "drive_monitor_v", pulses.len())?,
    };
    let found: Result<Vec<_>, String> = list(value, "channels")?
        .iter()
        .enumerate()
        .map(|(c, channel)| {
            running(channel, pulses.len())
                .map_err(|why| format!("channels[{c}].running_lambda_db: {why}"))
        })
        .collect();
    let running = found?.into_iter().collect::<Option<Vec<_>>>().unwrap_or_default();
    Ok(DriveSeries { drive, pulses, channels, spectra, running, monitor_v })
}

/// Most bins of a spectrum that is read.
const MOST_BINS: usize = 1 << 22;

/// What one channel's spectra look like.
fn spectrum(value: &Value, pulses: u32) -> Result<SpectrumRange, String> {
    let column = |key: &str| -> Result<Vec<f64>, String> {
        let column = list(value, key)?;
        if column.len() > MOST_BINS {
            return Err(format!("{key} has {} values, at most {MOST_BINS}", column.len()));
        }
        let numbers: Option<Vec<f64>> = column.iter().map(Value::as_f64).collect();
        numbers.ok_or_else(|| format!("{key} holds something that is no number"))
    };
    let [mean, low, high] = ["mean_v2_per_hz", "p05_v2_per_hz", "p95_v2_per_hz"].map(column);
    let (mean, low, high) = (mean?, low?, high?);
    if low.len() != mean.len() || high.len() != mean.len() {
        let (m, l, h) = (mean.len(), low.len(), high.len());
        return Err(format!("mean_v2_per_hz has {m} bins, p05_v2_per_hz {l}, p95_v2_per_hz {h}"));
    }
    Ok(SpectrumRange::finished(mean, &low, &high, pulses))
}

/// A number for each pulse, or nothing.
fn column(value: &Value, key: &str, pulses: usize) -> Result<Vec<Option<f64>>, String> {
    numbers_of(value.get(key).unwrap_or(&Value::Null), key, pulses)
}

fn numbers_of(value: &Value, key: &str, pulses: usize) -> Result<Vec<Option<f64>>, String> {
    let column = value.as_array().ok_or_else(|| format!("key {key} is not a list"))?;
    if column.len() != pulses {
        return Err(format!("{key} has {} values, pulses has {pulses}", column.len()));
    }
    column
        .iter()
        .map(|v| match v {
            Value::Null => Ok(None),
            other => other.as_f64().map(Some).ok_or_else(|| format!("{key} holds {other}")),
        })
        .collect()
}

/// One channel's samples; a pulse without a fundamental is one in which the channel was at fault.
fn samples(value: &Value, pulses: usize) -> Result<Vec<Option<Sample>>, String> {
    let column = |value: &Value, key: &str| column(value, key, pulses);
    let mut levels: PerQuantity<Vec<Option<Level>>> = PerQuantity::from_fn(|_| Vec::new());
    for quantity in Quantity::ALL {
        let inner =
            value.get(quantity.name()).ok_or_else(|| format!("no key {}", quantity.name()))?;
        let [lambda, level, power, net] =
            ["lambda_db", "level_db", "power_v2", "net_v2"].map(|key| column(inner, key));
        let (lambda, level, power, net) = (lambda?, level?, power?, net?);
        levels[quantity] = (0..pulses)
            .map(|i| {
                Some(Level {
                    lambda_db: lambda[i]?,
                    level_db: level[i]?,
                    power_v2: power[i]?,
                    net_v2: net[i]?,
                })
            })
            .collect();
    }
    let (fundamental, noise) =
        (column(value, "fundamental_v2")?, column(value, "noise_v2_per_hz")?);
    let (tone, feed) = (column(value, "gate_tone_v2")?, column(value, "feed_through_v2")?);
    Ok((0..pulses)
        .map(|i| {
            Some(Sample {
                levels: PerQuantity::from_fn(|quantity| levels[quantity][i]),
                fundamental_v2: fundamental[i]?,
                noise_v2_per_hz: noise[i],
                gate_tone_v2: tone[i]?,
                feed_through_v2: feed[i],
            })
        })
        .collect())
}
