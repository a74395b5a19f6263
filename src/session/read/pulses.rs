//! `pulses.csv`, a row at a time.

use std::path::Path;

use super::ReadError;
use super::sheet::{Column, Sheet, shown};
use crate::detect::{Channel, Stage, Verdict};
use crate::signal::{PerQuantity, Quantity};
use crate::tune::table::Seen;

/// Every verdict, in the order of the exposure table's columns.
pub const VERDICTS: [Verdict; 4] =
    [Verdict::NotDetected, Verdict::Stable, Verdict::Inertial, Verdict::Indeterminate];

/// A row: one pulse on one channel, or a pulse that never came.
#[derive(Debug, Clone, PartialEq)]
pub struct PulseRow {
    /// Line of the file, from 1.
    pub line: u64,
    /// The pulse's number; nothing for one that never came.
    pub pulse: Option<u64>,
    /// UTC as it is written; empty when unknown.
    pub time_utc: String,
    /// Since the session's start, s.
    pub time_s: f64,
    /// Which channel.
    pub channel: Channel,
    /// Target's name.
    pub target: String,
    /// Exposure's number; nothing in other stages.
    pub exposure: Option<u32>,
    /// Stage.
    pub stage: Stage,
    /// Drive, MPa.
    pub drive_mpa: Option<f64>,
    /// Share of samples at full scale.
    pub clipped_share: Option<f64>,
    /// What the pulse's sound says; nothing outside exposures.
    pub verdict: Option<Verdict>,
    /// Why.
    pub reason: String,
    /// The detection level λ, dB.
    pub contrast_db: PerQuantity<Option<f64>>,
    /// λ over its baseline's mean, dB.
    pub detect_db: PerQuantity<Option<f64>>,
    /// The limit over that mean, dB, before the margin of repeatability.
    pub limit_db: PerQuantity<Option<f64>>,
    /// Detection limit of this pulse, dB.
    pub hear_db: PerQuantity<Option<f64>>,
    /// Detection limit of all pulses so far, dB.
    pub hear_cumulative_db: PerQuantity<Option<f64>>,
}

impl PulseRow {
    /// As tuning looks at it.
    #[must_use]
    pub fn seen(&self) -> Seen<'_> {
        Seen {
            channel: self.channel,
            target: &self.target,
            exposure: self.exposure,
            drive_mpa: self.drive_mpa,
            lambda_db: &self.contrast_db,
            reason: &self.reason,
        }
    }
}

/// Where the columns are.
struct Columns {
    pulse: Column,
    time_utc: Column,
    time_s: Column,
    channel: Column,
    target: Column,
    exposure: Column,
    stage: Column,
    drive_mpa: Column,
    clipped_share: Column,
    verdict: Column,
    reason: Column,
    /// `contrast`, `detect`, `limit`, `hear`, `hear_cumulative`; the last may be missing in older sessions.
    by_quantity: [PerQuantity<Option<Column>>; 5],
}

impl Columns {
    fn find(sheet: &Sheet) -> Result<Self, ReadError> {
        let four = |ending: &str| {
            PerQuantity::from_fn(|q: Quantity| sheet.column(&format!("{}_{ending}_db", q.name())))
        };
        Ok(Self {
            pulse: sheet.need("pulse")?,
            time_utc: sheet.need("time_utc")?,
            time_s: sheet.need("time_s")?,
            channel: sheet.need("channel")?,
            target: sheet.need("target")?,
            exposure: sheet.need("exposure")?,
            stage: sheet.need("stage")?,
            drive_mpa: sheet.need("drive_mpa")?,
            clipped_share: sheet.need("clipped_share")?,
            verdict: sheet.need("verdict")?,
            reason: sheet.need("reason")?,
            by_quantity: ["contrast", "detect", "limit", "hear", "hear_cumulative"].map(four),
        })
    }
}

/// The table while it is read: rows with the row after them already looked at.
pub struct Pulses {
    sheet: Sheet,
    columns: Columns,
    ahead: Option<PulseRow>,
    last: Option<u64>,
}

/// A row and whether it is the last of its pulse: the one of `all`, or of the only channel.
pub type Placed = (PulseRow, bool);

impl Pulses {
    /// Opens the table.
    ///
    /// # Errors
    /// When it cannot be read or a column is missing.
    pub fn open(file: &Path, finished: bool) -> Result<Self, ReadError> {
        let sheet = Sheet::open(file, finished)?;
        let columns = Columns::find(&sheet)?;
        let mut pulses = Self { sheet, columns, ahead: None, last: None };
        pulses.ahead = pulses.read()?;
        Ok(pulses)
    }

    /// Every quantity's λ must have a column.
    ///
    /// # Errors
    /// Names the column that is missing.
    pub fn need_levels(&self) -> Result<(), ReadError> {
        for quantity in Quantity::ALL {
            self.sheet.need(&format!("{}_contrast_db", quantity.name()))?;
        }
        Ok(())
    }

    /// The next row; nothing after the last.
    ///
    /// # Errors
    /// Names line, column and value at fault.
    pub fn next_row(&mut self) -> Result<Option<Placed>, ReadError> {
        let Some(row) = self.ahead.take() else { return Ok(None) };
        self.ahead = self.read()?;
        let is_last =
            row.pulse.is_none() || self.ahead.as_ref().is_none_or(|ahead| ahead.pulse != row.pulse);
        Ok(Some((row, is_last)))
    }

    /// The last row of the next pulse; nothing after the last.
    ///
    /// # Errors
    /// Names line, column and value at fault.
    pub fn next_pulse(&mut self) -> Result<Option<PulseRow>, ReadError> {
        loop {
            match self.next_row()? {
                Some((row, true)) => return Ok(Some(row)),
                Some((_, false)) => {}
                None => return Ok(None),
            }
        }
    }

    fn read(&mut self) -> Result<Option<PulseRow>, ReadError> {
        if !self.sheet.next_row()? {
            return Ok(None);
        }
        let row = self.row()?;
        if let (Some(last), Some(pulse)) = (self.last, row.pulse)
            && pulse < last
        {
            let why = format!("{pulse} comes after {last}, pulses must rise");
            return Err(self.sheet.fault(self.columns.pulse, &why));
        }
        self.last = row.pulse.or(self.last);
        Ok(Some(row))
    }

    fn row(&self) -> Result<PulseRow, ReadError> {
        let (sheet, at) = (&self.sheet, &self.columns);
        let exposure = sheet.whole(at.exposure)?.map(u32::try_from).transpose();
        let time_s = sheet.number(at.time_s)?;
        let [contrast_db, detect_db, limit_db, hear_db, hear_cumulative_db] = &at.by_quantity;
        Ok(PulseRow {
            line: sheet.line(),
            pulse: sheet.whole(at.pulse)?,
            time_utc: sheet.text(at.time_utc).to_owned(),
            time_s: time_s.ok_or_else(|| sheet.fault(at.time_s, "is missing"))?,
            channel: self.channel()?,
            target: sheet.text(at.target).to_owned(),
            exposure: exposure
                .map_err(|_| sheet.fault(at.exposure, &format!("must be at most {}", u32::MAX)))?,
            stage: Stage::from_name(sheet.text(at.stage))
                .ok_or_else(|| self.not_one_of(at.stage, &Stage::ALL.map(Stage::name)))?,
            drive_mpa: match sheet.number(at.drive_mpa)? {
                Some(mpa) if mpa < 0.0 => {
                    let why = format!("{mpa} must be 0 or above");
                    return Err(sheet.fault(at.drive_mpa, &why));
                }
                drive_mpa => drive_mpa,
            },
            clipped_share: sheet.number(at.clipped_share)?,
            verdict: self.verdict()?,
            reason: sheet.text(at.reason).to_owned(),
            contrast_db: self.four(contrast_db)?,
            detect_db: self.four(detect_db)?,
            limit_db: self.four(limit_db)?,
            hear_db: self.four(hear_db)?,
            hear_cumulative_db: self.four(hear_cumulative_db)?,
        })
    }

    fn four(
        &self,
        columns: &PerQuantity<Option<Column>>,
    ) -> Result<PerQuantity<Option<f64>>, ReadError> {
        let mut values = PerQuantity([None; 4]);
        for (quantity, column) in columns.iter() {
            if let Some(column) = column {
                values[quantity] = self.sheet.number(*column)?;
            }
        }
        Ok(values)
    }

    fn channel(&self) -> Result<Channel, ReadError> {
        let column = self.columns.channel;
        let text = self.sheet.text(column);
        if text == "all" {
            return Ok(Channel::All);
        }
        text.parse().map(Channel::One).map_err(|_| {
            let why = format!("\"{}\" must be a channel's number or all", shown(text));
            self.sheet.fault(column, &why)
        })
    }

    fn verdict(&self) -> Result<Option<Verdict>, ReadError> {
        let column = self.columns.verdict;
        let text = self.sheet.text(column);
        if text.is_empty() {
            return Ok(None);
        }
        let verdict = VERDICTS.into_iter().find(|verdict| verdict.name() == text);
        verdict.map(Some).ok_or_else(|| self.not_one_of(column, &VERDICTS.map(Verdict::name)))
    }

    fn not_one_of(&self, column: Column, names: &[&str]) -> ReadError {
        let text = shown(self.sheet.text(column));
        self.sheet.fault(column, &format!("\"{text}\" must be one of {}", names.join(", ")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str = "pulse,time_utc,time_s,channel,target,exposure,stage,drive_mpa,clipped_share,verdict,reason,broadband_detect_db";

    fn read(rows: &str) -> Result<Vec<Placed>, ReadError> {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("pulses.csv");
        std::fs::write(&file, format!("{HEAD}\n{rows}")).unwrap();
        let mut pulses = Pulses::open(&file, true)?;
        std::iter::from_fn(|| pulses.next_row().transpose()).collect()
    }

    #[track_caller]
    fn check_fault(rows: &str, expected: &str) {
        let error = read(rows).unwrap_err().to_string();
        assert!(error.ends_with(expected), "{error}");
    }

    #[test]
    fn the_last_row_of_each_pulse_is_marked() {
        let rows = "4,,0e0,0,,,noise,0e0,0e0,,stage noise,\n4,,0e0,1,,,noise,0e0,0e0,,stage noise,\n\
                    4,,0e0,all,,,noise,0e0,,,stage noise,\n,,5e-1,all,,1,exposure,,,indeterminate,pulse missing,\n\
                    5,,6e-1,0,a,1,exposure,1e-1,0e0,not_detected,,2.5e-1\n";
        let read = read(rows).unwrap();
        let last: Vec<bool> = read.iter().map(|(_, is_last)| *is_last).collect();
        assert_eq!(last, [false, false, true, true, true]);
        assert_eq!(read[2].0.channel, Channel::All);
        assert_eq!(read[4].0.detect_db[Quantity::Broadband], Some(0.25));
        assert_eq!(read[4].0.hear_cumulative_db[Quantity::Broadband], None);
        assert_eq!(read[3].0.verdict, Some(Verdict::Indeterminate));
    }

    #[test]
    fn what_does_not_fit_is_named_with_line_column_and_value() {
        check_fault(
            "1,,0e0,x,,,noise,,,,,\n",
            ", line 2, column channel: \"x\" must be a channel's number or all",
        );
        check_fault(
            "1,,0,0,,,noise,-0.3,,,,\n",
            ", line 2, column drive_mpa: -0.3 must be 0 or above",
        );
        check_fault("1,,,0,,,noise,,,,,\n", ", line 2, column time_s: is missing");
        check_fault(
            "1,,0,0,,,bath,,,,,\n",
            ", line 2, column stage: \"bath\" must be one of noise, baseline, exposure",
        );
        check_fault(
            "1,,0,0,,,noise,,,loud,,\n",
            "\"loud\" must be one of not_detected, stable, inertial, indeterminate",
        );
        check_fault(
            "1,,0,0,,,noise,,,,,NaN\n",
            ", line 2, column broadband_detect_db: \"NaN\" must be a finite number",
        );
        check_fault(
            "2,,0,0,,,noise,,,,,\n1,,0,0,,,noise,,,,,\n",
            ", line 3, column pulse: 1 comes after 2, pulses must rise",
        );
    }
}
