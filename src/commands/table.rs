//! A short table of what a session said, drive by drive, and warnings while it runs.

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::fmt::Write as _;

use super::say;
use crate::detect::{Drive, Established, Row, Stage, Verdict, What};
use crate::engine::{Judged, Sink};
use crate::signal::Quantity;

/// Warnings of one kind that are said; more are only counted.
const MOST_SAID: u64 = 5;

/// Lines of the table; further drives stand in `pulses.csv` alone.
const MOST_LINES: usize = 200;

/// Pulses of a line whose median is formed.
const MOST_PULSES: usize = 1 << 17;

/// One line of the table: pulses of one drive that were heard, or that were not.
struct Stretch {
    exposure: u32,
    target: String,
    drive: Drive,
    hearing: bool,
    verdicts: [u64; 4],
    levels: [Vec<f64>; 4],
    hear: Vec<f64>,
    /// Detection limit of all pulses together, after the last of them.
    together: Option<f64>,
    reasons: BTreeMap<String, u64>,
}

/// Gathers judged pulses.
#[derive(Default)]
pub struct Table {
    stretches: Vec<Stretch>,
    said: BTreeMap<String, u64>,
    alarms: Vec<String>,
    established: Vec<String>,
    quiet: bool,
}

impl Table {
    /// One that says no warnings of single pulses.
    #[must_use]
    pub fn quiet() -> Self {
        Self { quiet: true, ..Self::default() }
    }

    fn row(&mut self, row: &Row) {
        let drive = Drive::of(row.drive_mpa);
        let exposure = row.exposure.unwrap_or(0);
        let hearing = row.verdict != Some(Verdict::Indeterminate);
        let fits = |s: &Stretch| {
            (s.exposure, s.hearing, s.drive) == (exposure, hearing, drive)
                && *s.target == *row.target
        };
        let place = self.stretches.iter().position(fits).unwrap_or(self.stretches.len());
        if place == MOST_LINES {
            return;
        }
        if place == self.stretches.len() {
            self.stretches.push(Stretch {
                exposure,
                target: row.target.to_string(),
                drive,
                hearing,
                verdicts: [0; 4],
                levels: Default::default(),
                hear: Vec::new(),
                together: None,
                reasons: BTreeMap::new(),
            });
        }
        let stretch = &mut self.stretches[place];
        stretch.together = row.hear_cumulative_db[Quantity::Broadband].or(stretch.together);
        if let Some(verdict) = row.verdict {
            stretch.verdicts[verdict as usize] += 1;
        }
        if stretch.hear.len() >= MOST_PULSES {
            return;
        }
        for quantity in Quantity::ALL {
            stretch.levels[quantity as usize].extend(row.detect_db[quantity]);
        }
        stretch.hear.extend(row.hear_db[Quantity::Broadband]);
        if !hearing {
            *stretch.reasons.entry(row.reason.clone()).or_default() += 1;
        }
    }

    fn warn(&mut self, row: &Row) {
        let usual = format!("stage {}", row.stage.name());
        let odd = match row.stage {
            Stage::Exposure => row.verdict == Some(Verdict::Indeterminate),
            Stage::Noise | Stage::Baseline => row.reason != usual && row.reason != "sham",
        };
        if !odd || self.quiet {
            return;
        }
        let said = self.said.entry(row.reason.clone()).or_default();
        *said += 1;
        if *said <= MOST_SAID {
            let pulse = row.pulse.map_or_else(|| "a pulse".to_owned(), |n| format!("pulse {n}"));
            let verdict = row.verdict.map_or("", |_| "indeterminate: ");
            say(&format!("warning: {pulse} channel {}: {verdict}{}", row.channel, row.reason));
        }
    }

    /// The table as text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = String::new();
        let head = "exposure  target      drive MPa  pulses  not det.  stable  inertial  indet.  harm. dB  ultra. dB  sub. dB  broad. dB  broad. heard from  together";
        // Writing into a string cannot fail.
        writeln!(text, "{head}").ok();
        for stretch in &self.stretches {
            let pulses: u64 = stretch.verdicts.iter().sum();
            let [quiet, stable, inertial, indeterminate] = stretch.verdicts;
            let drive = stretch.drive.mpa().map_or_else(|| "?".to_owned(), |d| format!("{d:.3}"));
            let level = |quantity: Quantity| decibels(&stretch.levels[quantity as usize]);
            writeln!(
                text,
                "{:>8}  {:<10}  {drive:>9}  {pulses:>6}  {quiet:>8}  {stable:>6}  {inertial:>8}  {indeterminate:>6}  {:>8}  {:>9}  {:>7}  {:>9}  {:>17}  {:>8}",
                stretch.exposure,
                stretch.target,
                level(Quantity::Harmonic),
                level(Quantity::Ultraharmonic),
                level(Quantity::Subharmonic),
                level(Quantity::Broadband),
                decibels(&stretch.hear),
                stretch.together.map_or_else(|| "-".to_owned(), |db| format!("{db:+.2}")),
            )
            .ok();
            for (reason, count) in &stretch.reasons {
                writeln!(text, "          {count} indeterminate: {reason}").ok();
            }
        }
        text.push_str("dB: median detection level over its no-bubble baseline; heard from: the rise one pulse shows in 9 of 10 cases, together: that all pulses of the line show\n");
        for line in &self.established {
            writeln!(text, "{line}").ok();
        }
        for alarm in &self.alarms {
            writeln!(text, "{alarm}").ok();
        }
        text
    }

    /// Says how often warnings were held back.
    pub fn say_rest(&self) {
        for (reason, count) in self.said.iter().filter(|(_, count)| **count > MOST_SAID) {
            say(&format!("warning: {reason}: {count} rows in all"));
        }
    }
}

fn established(found: &Established) -> String {
    let Established { quantity, pulse, channel, drive, excess_db, within_db } = found;
    let within = if within_db.is_finite() { format!(" ± {within_db:.2}") } else { String::new() };
    format!(
        "established by many pulses together: {} at {drive} on channel {channel} since pulse {pulse}: {excess_db:+.2}{within} dB",
        quantity.name()
    )
}

fn decibels(values: &[f64]) -> String {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    match n {
        0 => "-".to_owned(),
        _ if n % 2 == 1 => format!("{:+.2}", sorted[n / 2]),
        _ => format!("{:+.2}", f64::midpoint(sorted[n / 2 - 1], sorted[n / 2])),
    }
}

impl Sink for Table {
    type Error = Infallible;

    fn take(&mut self, judged: &Judged) -> Result<(), Infallible> {
        for row in &judged.judgement.rows {
            self.warn(row);
        }
        if let Some(row) = judged.judgement.rows.last()
            && row.stage == Stage::Exposure
            && row.pulse.is_some()
        {
            self.row(row);
        }
        for event in &judged.judgement.events {
            match &event.what {
                What::Warning { text } => say(&format!("warning: {text}")),
                What::AlarmRaised { name, severity, cause, channel, .. } => {
                    let pulse = event.pulse.map_or_else(String::new, |n| format!(" at pulse {n}"));
                    let channel = channel
                        .map_or_else(String::new, |channel| format!(" on channel {channel}"));
                    if self.alarms.len() < MOST_LINES {
                        self.alarms.push(format!(
                            "alarm ({}) {name}{pulse}{channel}: {cause}",
                            severity.name()
                        ));
                    }
                }
                What::Established(found) if self.established.len() < MOST_LINES => {
                    self.established.push(established(found));
                }
                _ => {}
            }
        }
        Ok(())
    }
}
