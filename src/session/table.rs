//! `pulses.csv` and `exposures.csv`: a row per pulse and channel, a row per exposure.
//!
//! Whole numbers plain, `time_utc` RFC 3339 with nine decimals and Z, other numbers as the shortest
//! `{:e}` of the f64 that reads back the same, empty when unknown or not finite; lines end in `\n`.

use std::fmt::Write as _;

use crate::detect::{ExposureSummary, PulseTime, Row, cumulative};
use crate::signal::{PerQuantity, Quantity};

/// Columns of `pulses.csv` before the ones of each quantity.
const PULSE_COLUMNS: &str = "pulse,time_utc,time_s,channel,target,exposure,stage,drive_mpa,drive_setting,harmonic_v2,ultraharmonic_v2,subharmonic_v2,broadband_v2,fundamental_v2,broadband_v2_per_hz,harmonic_db,ultraharmonic_db,subharmonic_db,broadband_db,fundamental_db,noise_db,harmonic_excess_dose_v2s,ultraharmonic_excess_dose_v2s,subharmonic_excess_dose_v2s,broadband_excess_dose_v2s,since_injection_s,clipped_share,verdict,cumulative,reason";

/// Endings of the columns that follow, four each.
const QUANTITY_COLUMNS: [&str; 5] =
    ["contrast_db", "detect_db", "limit_db", "hear_db", "hear_cumulative_db"];

/// Endings of the last columns, four each.
const LAST_QUANTITY_COLUMNS: [&str; 2] = ["hear_v2", "hear_cumulative_v2"];

/// The drive at its monitor: amplitude, and that over its baseline.
pub const MONITOR_COLUMNS: [&str; 2] = ["drive_monitor_v", "drive_monitor_db"];

/// Last columns of `pulses.csv`: pascals, and excess in pascals and corrected for the receive path's
/// loss; empty without the receiver's curves.
pub const CALIBRATED_COLUMNS: [&str; 22] = [
    "harmonic_pa2",
    "ultraharmonic_pa2",
    "subharmonic_pa2",
    "broadband_pa2",
    "fundamental_pa2",
    "broadband_pa2_per_hz",
    "harmonic_excess_pa2",
    "ultraharmonic_excess_pa2",
    "subharmonic_excess_pa2",
    "broadband_excess_pa2",
    "harmonic_corrected_excess_v2",
    "ultraharmonic_corrected_excess_v2",
    "subharmonic_corrected_excess_v2",
    "broadband_corrected_excess_v2",
    "harmonic_corrected_excess_pa2",
    "ultraharmonic_corrected_excess_pa2",
    "subharmonic_corrected_excess_pa2",
    "broadband_corrected_excess_pa2",
    "harmonic_hear_pa2",
    "ultraharmonic_hear_pa2",
    "subharmonic_hear_pa2",
    "broadband_hear_pa2",
];

/// Last columns of `exposures.csv`: doses of such an excess, Pa²·s and V²·s.
pub const CALIBRATED_DOSE_COLUMNS: [&str; 12] = [
    "harmonic_excess_dose_pa2s",
    "ultraharmonic_excess_dose_pa2s",
    "subharmonic_excess_dose_pa2s",
    "broadband_excess_dose_pa2s",
    "harmonic_corrected_excess_dose_v2s",
    "ultraharmonic_corrected_excess_dose_v2s",
    "subharmonic_corrected_excess_dose_v2s",
    "broadband_corrected_excess_dose_v2s",
    "harmonic_corrected_excess_dose_pa2s",
    "ultraharmonic_corrected_excess_dose_pa2s",
    "subharmonic_corrected_excess_dose_pa2s",
    "broadband_corrected_excess_dose_pa2s",
];

/// Endings of the last columns of `exposures.csv`, all of one quantity after the other.
pub const CUMULATIVE_COLUMNS: [&str; 5] = [
    "cumulative_pulse",
    "cumulative_channel",
    "cumulative_mpa",
    "cumulative_db",
    "cumulative_within_db",
];

/// Columns of `exposures.csv`, but for the last ones.
const EXPOSURE_COLUMNS: &str = "exposure,target,subject,first_pulse,last_pulse,start_utc,duration_s,expected,received,used,missing,drive_mpa_min,drive_mpa_median,drive_mpa_max,injection,since_injection_s,baseline_id,not_detected,stable,inertial,indeterminate,harmonic_only,max_broadband_db,max_broadband_pulse,median_broadband_limit_db,harmonic_excess_dose_v2s,ultraharmonic_excess_dose_v2s,subharmonic_excess_dose_v2s,broadband_excess_dose_v2s,alarms,ended_by";

/// The head line of `exposures.csv`, without its end.
#[must_use]
pub fn exposure_head() -> String {
    let mut head = EXPOSURE_COLUMNS.to_owned();
    for quantity in Quantity::ALL {
        for ending in CUMULATIVE_COLUMNS {
            head.push(',');
            head.push_str(quantity.name());
            head.push('_');
            head.push_str(ending);
        }
    }
    add_columns(&mut head, &CALIBRATED_DOSE_COLUMNS);
    head
}

fn add_columns(head: &mut String, columns: &[&str]) {
    for column in columns {
        head.push(',');
        head.push_str(column);
    }
}

/// The head line of `pulses.csv`, without its end.
#[must_use]
pub fn pulse_head() -> String {
    let mut head = PULSE_COLUMNS.to_owned();
    for ending in QUANTITY_COLUMNS {
        for quantity in Quantity::ALL {
            head.push(',');
            head.push_str(quantity.name());
            head.push('_');
            head.push_str(ending);
        }
    }
    head.push_str(",loudest_quarter_v2_per_hz,loudest_quarter_s");
    for ending in LAST_QUANTITY_COLUMNS {
        for quantity in Quantity::ALL {
            head.push(',');
            head.push_str(quantity.name());
            head.push('_');
            head.push_str(ending);
        }
    }
    add_columns(&mut head, &MONITOR_COLUMNS);
    add_columns(&mut head, &CALIBRATED_COLUMNS);
    head
}

/// A line under construction; writing into a string cannot fail.
struct Line<'a> {
    text: &'a mut String,
    first: bool,
}

impl<'a> Line<'a> {
    fn new(text: &'a mut String) -> Self {
        text.clear();
        Self { text, first: true }
    }

    fn next(&mut self) {
        if !self.first {
            self.text.push(',');
        }
        self.first = false;
    }

    fn number(&mut self, value: Option<f64>) {
        self.next();
        if let Some(value) = value.filter(|value| value.is_finite()) {
            write!(self.text, "{value:e}").ok();
        }
    }

    fn whole(&mut self, value: Option<u64>) {
        self.next();
        if let Some(value) = value {
            write!(self.text, "{value}").ok();
        }
    }

    fn words(&mut self, value: &str) {
        self.next();
        if value.contains(['"', ',', '\n', '\r']) {
            write!(self.text, "\"{}\"", value.replace('"', "\"\"")).ok();
        } else {
            self.text.push_str(value);
        }
    }

    fn four(&mut self, values: &PerQuantity<Option<f64>>) {
        for value in values.0 {
            self.number(value);
        }
    }
}

/// UTC with nine decimals; empty when unknown.
#[must_use]
pub fn utc(time: PulseTime) -> String {
    time.utc_ns
        .and_then(|ns| jiff::Timestamp::from_nanosecond(ns).ok())
        .map_or_else(String::new, |stamp| format!("{stamp:.9}"))
}

/// Writes a row of `pulses.csv` into `text`, without its end.
pub fn pulse_line(row: &Row, text: &mut String) {
    let mut line = Line::new(text);
    line.whole(row.pulse);
    line.words(&utc(row.time));
    line.number(Some(row.time.since_start_s));
    line.words(&row.channel.to_string());
    line.words(&row.target);
    line.whole(row.exposure.map(u64::from));
    line.words(row.stage.name());
    line.number(row.drive_mpa);
    line.number(row.drive_setting);
    line.four(&row.power_v2);
    line.number(row.fundamental_v2);
    line.number(row.broadband_v2_per_hz);
    line.four(&row.level_db);
    line.number(row.fundamental_db);
    line.number(row.noise_db);
    line.four(&row.excess_dose_v2s);
    line.number(row.since_injection_s);
    line.number(row.clipped_share);
    line.words(row.verdict.map_or("", crate::detect::Verdict::name));
    line.words(&cumulative::words(&row.established, row.channel));
    line.words(&row.reason);
    for values in
        [&row.lambda_db, &row.detect_db, &row.limit_db, &row.hear_db, &row.hear_cumulative_db]
    {
        line.four(values);
    }
    line.number(row.loudest_quarter.map(|quarter| quarter.v2_per_hz));
    line.number(row.loudest_quarter.map(|quarter| quarter.start_s));
    line.four(&row.hear_v2());
    line.four(&row.hear_cumulative_v2());
    line.number(row.drive_monitor_v);
    line.number(row.drive_monitor_db);
    for value in calibrated(row) {
        line.number(value);
    }
}

/// Numbers of [`CALIBRATED_COLUMNS`].
#[must_use]
pub fn calibrated(row: &Row) -> [Option<f64>; 22] {
    let mut values = [None; 22];
    let Some(found) = row.calibrated.as_deref() else { return values };
    let [excess_pa2, corrected_v2, corrected_pa2] = found.excess.0;
    let face = [found.fundamental_pa2(), found.broadband_pa2_per_hz()];
    let four = [excess_pa2, corrected_v2, corrected_pa2, row.hear_pa2()];
    let all = found.power_pa2().0.into_iter().chain(face);
    let all = all.chain(four.into_iter().flat_map(|four| four.0));
    values.iter_mut().zip(all).for_each(|(place, value)| *place = value);
    values
}

/// Numbers of [`CALIBRATED_DOSE_COLUMNS`].
pub fn calibrated_doses(summary: &ExposureSummary) -> impl Iterator<Item = Option<f64>> {
    summary.doses.weighted.0.into_iter().flat_map(|four| four.0)
}

/// Writes a row of `exposures.csv` into `text`, without its end.
pub fn exposure_line(
    summary: &ExposureSummary,
    subject: &str,
    expected_pulses: u64,
    text: &mut String,
) {
    let mut line = Line::new(text);
    line.whole(Some(summary.exposure.into()));
    line.words(&summary.target);
    line.words(subject);
    line.whole(Some(summary.first_pulse));
    line.whole(Some(summary.last_pulse));
    line.words(&utc(summary.start));
    line.number(Some(summary.duration_s));
    line.whole(Some(expected_pulses));
    line.whole(Some(summary.received));
    line.whole(Some(summary.used));
    line.whole(Some(summary.missing));
    line.number(summary.drive_mpa_min);
    line.number(summary.drive_mpa_median);
    line.number(summary.drive_mpa_max);
    line.whole(summary.injection.map(u64::from));
    line.number(summary.since_injection_s);
    line.words(summary.baseline_id.as_deref().unwrap_or_default());
    for count in summary.verdicts {
        line.whole(Some(count));
    }
    line.whole(Some(summary.harmonic_only));
    line.number(summary.max_broadband.map(|(db, _)| db));
    line.whole(summary.max_broadband.map(|(_, pulse)| pulse));
    line.number(summary.median_broadband_limit_db);
    for quantity in Quantity::ALL {
        line.number(Some(summary.doses.excess_v2s[quantity]));
    }
    line.whole(Some(summary.alarms));
    line.words(summary.ended_by);
    for established in summary.established.0 {
        line.whole(established.map(|found| found.pulse));
        line.words(&established.map_or_else(String::new, |found| found.channel.to_string()));
        line.number(established.and_then(|found| found.drive.mpa()));
        line.number(established.map(|found| found.excess_db));
        line.number(established.map(|found| found.within_db));
    }
    for dose in calibrated_doses(summary) {
        line.number(dose);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_head_names_its_columns_in_order() {
        let head = pulse_head();
        let columns: Vec<&str> = head.split(',').collect();
        assert_eq!(columns.len(), 30 + 20 + 2 + 8 + 2 + 22);
        assert_eq!(columns[29], "reason");
        assert_eq!(columns[30], "harmonic_contrast_db");
        assert_eq!(columns[49], "broadband_hear_cumulative_db");
        assert_eq!(columns[59], "broadband_hear_cumulative_v2");
        let head = exposure_head();
        assert!(head.contains(",ended_by,harmonic_cumulative_pulse,harmonic_cumulative_channel,"));
        assert!(head.contains(",broadband_cumulative_within_db,harmonic_excess_dose_pa2s,"));
        assert!(head.ends_with(",broadband_corrected_excess_dose_pa2s"));
    }

    #[test]
    fn numbers_read_back_and_unknown_ones_are_empty() {
        let mut text = String::new();
        let mut line = Line::new(&mut text);
        line.number(Some(0.1 + 0.2));
        line.number(Some(f64::NAN));
        line.number(None);
        line.whole(Some(7));
        line.words("a,\"b\"");
        assert_eq!(text, "3.0000000000000004e-1,,,7,\"a,\"\"b\"\"\"");
    }

    #[test]
    fn time_has_nine_decimals_and_a_z() {
        let time = PulseTime { since_start_s: 0.0, utc_ns: Some(1_777_887_000_000_000_120) };
        assert_eq!(utc(time), "2026-05-04T09:30:00.000000120Z");
        assert_eq!(utc(PulseTime { since_start_s: 0.0, utc_ns: None }), "");
    }
}
