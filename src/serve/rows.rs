//! Rows and exposures as JSON; the keys are the columns of the tables.

use serde::ser::{Serialize, SerializeMap, Serializer};
use serde_json::{Map, Value, json};

use crate::detect::reference::QuantityReference;
use crate::detect::{Channel, ExposureSummary, Row, Verdict, cumulative};
use crate::session::table;
use crate::signal::{PerQuantity, Quantity};

const POWER: [&str; 4] = ["harmonic_v2", "ultraharmonic_v2", "subharmonic_v2", "broadband_v2"];
const LEVEL: [&str; 4] = ["harmonic_db", "ultraharmonic_db", "subharmonic_db", "broadband_db"];
const DOSE: [&str; 4] = [
    "harmonic_excess_dose_v2s",
    "ultraharmonic_excess_dose_v2s",
    "subharmonic_excess_dose_v2s",
    "broadband_excess_dose_v2s",
];
const CONTRAST: [&str; 4] = [
    "harmonic_contrast_db",
    "ultraharmonic_contrast_db",
    "subharmonic_contrast_db",
    "broadband_contrast_db",
];
const DETECT: [&str; 4] = [
    "harmonic_detect_db",
    "ultraharmonic_detect_db",
    "subharmonic_detect_db",
    "broadband_detect_db",
];
const LIMIT: [&str; 4] =
    ["harmonic_limit_db", "ultraharmonic_limit_db", "subharmonic_limit_db", "broadband_limit_db"];
const HEAR: [&str; 4] =
    ["harmonic_hear_db", "ultraharmonic_hear_db", "subharmonic_hear_db", "broadband_hear_db"];
const HEAR_CUMULATIVE: [&str; 4] = [
    "harmonic_hear_cumulative_db",
    "ultraharmonic_hear_cumulative_db",
    "subharmonic_hear_cumulative_db",
    "broadband_hear_cumulative_db",
];

const HEAR_V2: [&str; 4] =
    ["harmonic_hear_v2", "ultraharmonic_hear_v2", "subharmonic_hear_v2", "broadband_hear_v2"];
const HEAR_CUMULATIVE_V2: [&str; 4] = [
    "harmonic_hear_cumulative_v2",
    "ultraharmonic_hear_cumulative_v2",
    "subharmonic_hear_cumulative_v2",
    "broadband_hear_cumulative_v2",
];

/// A row on its way out. Numbers that are not finite are null, as unknown ones.
#[derive(Debug, Clone, Copy)]
pub(super) struct RowJson<'a>(pub(super) &'a Row);

impl Serialize for RowJson<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let row = self.0;
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("pulse", &row.pulse)?;
        let utc = table::utc(row.time);
        map.serialize_entry("time_utc", &Some(utc).filter(|utc| !utc.is_empty()))?;
        map.serialize_entry("time_s", &row.time.since_start_s)?;
        map.serialize_entry("channel", &ChannelJson(row.channel))?;
        map.serialize_entry("target", &*row.target)?;
        map.serialize_entry("exposure", &row.exposure)?;
        map.serialize_entry("stage", row.stage.name())?;
        map.serialize_entry("drive_mpa", &row.drive_mpa)?;
        map.serialize_entry("drive_setting", &row.drive_setting)?;
        four(&mut map, POWER, &row.power_v2)?;
        map.serialize_entry("fundamental_v2", &row.fundamental_v2)?;
        map.serialize_entry("broadband_v2_per_hz", &row.broadband_v2_per_hz)?;
        four(&mut map, LEVEL, &row.level_db)?;
        map.serialize_entry("fundamental_db", &row.fundamental_db)?;
        map.serialize_entry("noise_db", &row.noise_db)?;
        four(&mut map, DOSE, &row.excess_dose_v2s)?;
        map.serialize_entry("since_injection_s", &row.since_injection_s)?;
        map.serialize_entry("clipped_share", &row.clipped_share)?;
        map.serialize_entry("verdict", &row.verdict.map(Verdict::name))?;
        let together = cumulative::words(&row.established, row.channel);
        map.serialize_entry("cumulative", &Some(together).filter(|words| !words.is_empty()))?;
        map.serialize_entry("reason", &row.reason)?;
        four(&mut map, CONTRAST, &row.lambda_db)?;
        four(&mut map, DETECT, &row.detect_db)?;
        four(&mut map, LIMIT, &row.limit_db)?;
        four(&mut map, HEAR, &row.hear_db)?;
        four(&mut map, HEAR_CUMULATIVE, &row.hear_cumulative_db)?;
        let quarter = row.loudest_quarter;
        map.serialize_entry("loudest_quarter_v2_per_hz", &quarter.map(|q| q.v2_per_hz))?;
        map.serialize_entry("loudest_quarter_s", &quarter.map(|q| q.start_s))?;
        four(&mut map, HEAR_V2, &row.hear_v2())?;
        four(&mut map, HEAR_CUMULATIVE_V2, &row.hear_cumulative_v2())?;
        let [amplitude, level] = table::MONITOR_COLUMNS;
        map.serialize_entry(amplitude, &row.drive_monitor_v)?;
        map.serialize_entry(level, &row.drive_monitor_db)?;
        if row.calibrated.is_some() {
            let values = table::calibrated(row);
            for (column, value) in table::CALIBRATED_COLUMNS.iter().zip(&values) {
                map.serialize_entry(column, value)?;
            }
        }
        map.serialize_entry("basis", &basis(row))?;
        map.end()
    }
}

/// What the limits of a row rest on.
#[derive(Debug, serde::Serialize)]
struct Basis {
    /// Baseline pulses.
    n: usize,
    /// Standard deviations from mean to limit.
    k: f64,
    /// What serial correlation is taken to be.
    phi: f64,
    /// Standard deviation of the baseline, dB.
    sd_db: f64,
}

/// By quantity; null without a reference.
#[derive(Debug, serde::Serialize)]
struct FourBases {
    harmonic: Option<Basis>,
    ultraharmonic: Option<Basis>,
    subharmonic: Option<Basis>,
    broadband: Option<Basis>,
}

fn basis(row: &Row) -> Option<FourBases> {
    let reference = row.reference.as_ref()?;
    let of = |quantity: Quantity| {
        let QuantityReference { statistics, limit_db, .. } = reference.quantities[quantity]?;
        let k = (limit_db - statistics.mean) / statistics.sd;
        Some(Basis { n: statistics.n, k, phi: statistics.serial.phi, sd_db: statistics.sd })
    };
    let [harmonic, ultraharmonic, subharmonic, broadband] = Quantity::ALL.map(of);
    Some(FourBases { harmonic, ultraharmonic, subharmonic, broadband })
}

fn four<M: SerializeMap>(
    map: &mut M,
    keys: [&'static str; 4],
    values: &PerQuantity<Option<f64>>,
) -> Result<(), M::Error> {
    keys.iter().zip(&values.0).try_for_each(|(key, value)| map.serialize_entry(key, value))
}

/// A channel: its number, or `"all"`.
#[derive(Debug, Clone, Copy)]
pub(super) struct ChannelJson(pub(super) Channel);

impl Serialize for ChannelJson {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self.0 {
            Channel::One(channel) => channel.serialize(serializer),
            Channel::All => serializer.serialize_str("all"),
        }
    }
}

/// A row as a value; null when there is none.
pub(super) fn row_value(row: Option<&Row>) -> Value {
    row.and_then(|row| serde_json::to_value(RowJson(row)).ok()).unwrap_or_default()
}

/// Appends a row as JSON.
pub(super) fn append_row(row: &Row, text: &mut Vec<u8>) {
    // Writing rows into memory cannot fail: their keys are strings.
    serde_json::to_writer(text, &RowJson(row)).ok();
}

/// An exposure with the columns of `exposures.csv`.
pub(super) fn exposure_value(
    summary: &ExposureSummary,
    subject: &str,
    expected_pulses: u64,
) -> Value {
    let utc = table::utc(summary.start);
    let head = json!({
        "exposure": summary.exposure,
        "target": &*summary.target,
        "subject": subject,
        "first_pulse": summary.first_pulse,
        "last_pulse": summary.last_pulse,
        "start_utc": Some(utc).filter(|utc| !utc.is_empty()),
        "duration_s": summary.duration_s,
        "expected": expected_pulses,
        "received": summary.received,
        "used": summary.used,
        "missing": summary.missing,
        "drive_mpa_min": summary.drive_mpa_min,
        "drive_mpa_median": summary.drive_mpa_median,
        "drive_mpa_max": summary.drive_mpa_max,
        "injection": summary.injection,
        "since_injection_s": summary.since_injection_s,
        "baseline_id": summary.baseline_id.as_deref(),
    });
    let mut object: Map<String, Value> = head.as_object().cloned().unwrap_or_default();
    let verdicts =
        [Verdict::NotDetected, Verdict::Stable, Verdict::Inertial, Verdict::Indeterminate];
    for (verdict, count) in verdicts.into_iter().zip(summary.verdicts) {
        object.insert(verdict.name().into(), json!(count));
    }
    object.insert("harmonic_only".into(), json!(summary.harmonic_only));
    object.insert("max_broadband_db".into(), json!(summary.max_broadband.map(|(db, _)| db)));
    object.insert("max_broadband_pulse".into(), json!(summary.max_broadband.map(|(_, p)| p)));
    object.insert("median_broadband_limit_db".into(), json!(summary.median_broadband_limit_db));
    for quantity in Quantity::ALL {
        let dose = summary.doses.excess_v2s[quantity];
        object.insert(DOSE[quantity as usize].into(), json!(dose));
    }
    object.insert("alarms".into(), json!(summary.alarms));
    object.insert("ended_by".into(), json!(summary.ended_by));
    for quantity in Quantity::ALL {
        let found = summary.established[quantity];
        let values = [
            json!(found.map(|found| found.pulse)),
            json!(found.map(|found| ChannelJson(found.channel))),
            json!(found.and_then(|found| found.drive.mpa())),
            json!(found.map(|found| found.excess_db)),
            json!(found.map(|found| found.within_db)),
        ];
        for (ending, value) in table::CUMULATIVE_COLUMNS.into_iter().zip(values) {
            object.insert(format!("{}_{ending}", quantity.name()), value);
        }
    }
    for (column, dose) in
        table::CALIBRATED_DOSE_COLUMNS.into_iter().zip(table::calibrated_doses(summary))
    {
        object.insert(column.into(), json!(dose));
    }
    Value::Object(object)
}
