//! Pulses whose kind is known: *quiet* ones without bubbles and ones with *bubbles*, as rows of the
//! pulse table tell them, sorted by channel, quantity, target and drive.
//!
//! λ is the detection level of a row, D its rise over the mean λ of the quiet pulses at the same
//! target, channel and drive (dB): a quiet pulse stands over its own drive's mean, one with bubbles
//! over that at its drive, or between two drives with enough pulses as the method interpolates them.
//! Rows that could not be heard are left out and counted by reason.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::expected::QuietMeans;
use super::set::{BubblesSeries, QuietSeries, Set};
use crate::detect::baseline::nearest;
use crate::detect::hearing::Hindrance;
use crate::detect::{Channel, Drive, Row, Stage};
use crate::signal::{PerQuantity, Quantity, as_f64};

/// Rows a table holds at most; later ones are left out and counted.
pub const MOST_ROWS: usize = 1 << 20;

/// Different reasons for leaving rows out that are told apart.
const MOST_REASONS: usize = 256;

/// Whether bubbles were there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Kind {
    /// No bubbles.
    Quiet,
    /// Bubbles.
    Bubbles,
}

impl Kind {
    /// The word in tables.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Quiet => "quiet",
            Self::Bubbles => "bubbles",
        }
    }

    /// What a stage says of its pulses; nothing of stage noise.
    #[must_use]
    pub const fn of(stage: Stage) -> Option<Self> {
        match stage {
            Stage::Noise => None,
            Stage::Baseline => Some(Self::Quiet),
            Stage::Exposure => Some(Self::Bubbles),
        }
    }
}

/// One row: a pulse on a channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen<'a> {
    /// Which channel.
    pub channel: Channel,
    /// Target's name.
    pub target: &'a str,
    /// Exposure's number.
    pub exposure: Option<u32>,
    /// Drive, MPa.
    pub drive_mpa: Option<f64>,
    /// λ of each quantity, dB.
    pub lambda_db: &'a PerQuantity<Option<f64>>,
    /// The row's reason.
    pub reason: &'a str,
}

impl<'a> Seen<'a> {
    /// A row of a session.
    #[must_use]
    pub fn of(row: &'a Row) -> Self {
        Self {
            channel: row.channel,
            target: &row.target,
            exposure: row.exposure,
            drive_mpa: row.drive_mpa,
            lambda_db: &row.lambda_db,
            reason: &row.reason,
        }
    }
}

/// What is kept of a row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Entry {
    pub(super) kind: Kind,
    pub(super) channel: Channel,
    /// Place among the series.
    pub(super) series: usize,
    pub(super) drive: Drive,
    pub(super) exposure: Option<u32>,
    pub(super) lambda_db: PerQuantity<Option<f64>>,
}

/// A target and a drive.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Target's name.
    pub target: Arc<str>,
    /// The drive.
    pub drive: Drive,
}

/// All pulses whose kind is known.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    drive_tolerance: f64,
    pub(super) series: Vec<Series>,
    pub(super) entries: Vec<Entry>,
    left_out: BTreeMap<(Kind, Channel, String), u64>,
}

impl Table {
    /// Empty; drives match within a share.
    #[must_use]
    pub const fn new(drive_tolerance: f64) -> Self {
        Self { drive_tolerance, series: Vec::new(), entries: Vec::new(), left_out: BTreeMap::new() }
    }

    /// Takes the rows of one pulse. `all` is formed here, of pulses that every channel heard: its rows
    /// stand for changing sets of channels, and say nothing while there is no baseline.
    pub fn take<'a>(&mut self, kind: Kind, rows: impl IntoIterator<Item = Seen<'a>>) {
        let (mut sums, mut channels, mut whole) = ([Some(0.0); 4], 0_usize, true);
        let mut first = None;
        for seen in rows.into_iter().filter(|seen| seen.channel != Channel::All) {
            channels += 1;
            let heard = self.take_row(kind, &seen, seen.channel, seen.lambda_db);
            whole &= heard;
            for (sum, lambda) in sums.iter_mut().zip(&seen.lambda_db.0) {
                *sum = sum.zip(*lambda).map(|(sum, lambda)| sum + lambda);
            }
            first = first.or(Some(seen));
        }
        let Some(first) = first.filter(|_| channels > 1) else { return };
        if whole {
            let means = sums.map(|sum| sum.map(|sum| sum / as_f64(channels)));
            self.take_row(kind, &first, Channel::All, &PerQuantity(means));
        } else {
            self.leave_out(kind, Channel::All, Hindrance::TooFewChannels.name());
        }
    }

    /// Takes a row; whether it counts.
    fn take_row(
        &mut self,
        kind: Kind,
        seen: &Seen<'_>,
        channel: Channel,
        lambda_db: &PerQuantity<Option<f64>>,
    ) -> bool {
        if let Some(reason) = self.why_not(kind, seen) {
            self.leave_out(kind, channel, reason);
            return false;
        }
        let drive = Drive::of(seen.drive_mpa);
        let series = self.series_of(seen.target, drive);
        let (exposure, lambda_db) = (seen.exposure, *lambda_db);
        self.entries.push(Entry { kind, channel, series, drive, exposure, lambda_db });
        true
    }

    /// Counts a row that says nothing.
    pub fn leave_out(&mut self, kind: Kind, channel: Channel, reason: &str) {
        let reason = if self.left_out.len() < MOST_REASONS { reason } else { "for other reasons" };
        *self.left_out.entry((kind, channel, reason.to_owned())).or_default() += 1;
    }

    /// Whether a row says anything.
    #[must_use]
    pub fn counts(kind: Kind, seen: &Seen<'_>) -> bool {
        Self::silence(kind, seen).is_none()
    }

    fn why_not<'a>(&self, kind: Kind, seen: &Seen<'a>) -> Option<&'a str> {
        if self.entries.len() >= MOST_ROWS {
            return Some("more rows than a table holds");
        }
        Self::silence(kind, seen)
    }

    /// Why a row says nothing, if it does.
    fn silence<'a>(kind: Kind, seen: &Seen<'a>) -> Option<&'a str> {
        if seen.lambda_db.0.iter().all(Option::is_none) {
            return Some(if seen.reason.is_empty() { "no level" } else { seen.reason });
        }
        if kind == Kind::Quiet {
            return (seen.reason != "stage baseline").then_some(seen.reason);
        }
        // What it was compared with then does not matter, and a loud pulse may clip.
        let harmless = [Hindrance::Clipped, Hindrance::NoBaseline, Hindrance::DriveOutside];
        let hindering = |part: &&str| {
            let named = |hindrance: &Hindrance| hindrance.name() == *part;
            *part == "sham"
                || Hindrance::ALL.iter().any(|known| named(known) && !harmless.contains(known))
        };
        seen.reason.split("; ").find(hindering)
    }

    fn series_of(&mut self, target: &str, drive: Drive) -> usize {
        // Most pulses have a drive that is known to the last digit.
        let same = |series: &Series| series.drive == drive && *series.target == *target;
        if let Some(known) = self.series.iter().position(same) {
            return known;
        }
        let of_target: Vec<usize> =
            (0..self.series.len()).filter(|&place| &*self.series[place].target == target).collect();
        let drives = of_target.iter().map(|&place| self.series[place].drive);
        if let Some(found) = nearest(drives, drive, self.drive_tolerance) {
            return of_target[found];
        }
        self.series.push(Series { target: target.into(), drive });
        self.series.len() - 1
    }

    /// Channels there are rows of, ascending, `all` last.
    #[must_use]
    pub fn channels(&self) -> Vec<Channel> {
        let mut found: Vec<Channel> = Vec::new();
        for entry in &self.entries {
            if !found.contains(&entry.channel) {
                found.push(entry.channel);
            }
        }
        found.sort_unstable();
        found
    }

    /// Rows that were left out: kind, channel, why, how many; among them pulses with bubbles that have
    /// too few quiet ones at their drive to stand over.
    #[must_use]
    pub fn left_out(&self) -> Vec<(Kind, Channel, String, u64)> {
        let mut all = self.left_out.clone();
        for (entry, why) in self.alone() {
            *all.entry((Kind::Bubbles, entry.channel, why.name().to_owned())).or_default() += 1;
        }
        all.into_iter()
            .map(|((kind, channel, reason), rows)| (kind, channel, reason, rows))
            .collect()
    }

    /// Pulses with bubbles that have no D, and why.
    fn alone(&self) -> Vec<(&Entry, Hindrance)> {
        let of_channel = |channel| {
            let means = self.quiet_means(channel);
            let bubbles = self.rows_of(Kind::Bubbles, channel);
            bubbles.filter_map(move |entry| Some((entry, Self::stands_alone(&means, entry)?)))
        };
        self.channels().into_iter().flat_map(of_channel).collect()
    }

    /// Rows of a kind on one channel, in order.
    pub(super) fn rows_of(&self, kind: Kind, channel: Channel) -> impl Iterator<Item = &Entry> {
        self.entries.iter().filter(move |entry| (entry.kind, entry.channel) == (kind, channel))
    }

    /// Why a pulse with bubbles has no D, if it has none.
    fn stands_alone(means: &QuietMeans, entry: &Entry) -> Option<Hindrance> {
        if Quantity::ALL.into_iter().any(|q| means.rise_db(entry, q).is_some()) {
            return None;
        }
        let outside = means.is_outside(entry);
        Some(if outside { Hindrance::DriveOutside } else { Hindrance::NoBaseline })
    }

    /// Rows of a kind on one channel that count.
    #[must_use]
    pub fn rows(&self, kind: Kind, channel: Channel) -> usize {
        let means = self.quiet_means(channel);
        let rows = self.rows_of(kind, channel);
        rows.filter(|entry| kind == Kind::Quiet || Self::stands_alone(&means, entry).is_none())
            .count()
    }

    /// Drives of pulses with bubbles that have too few quiet ones to stand over, ascending.
    #[must_use]
    pub fn drives_alone(&self) -> Vec<Drive> {
        let (drives, joined) = self.drives();
        let mut alone = vec![false; drives.len()];
        for (entry, _) in self.alone() {
            alone[joined[entry.series]] = true;
        }
        drives.into_iter().zip(alone).filter(|(_, alone)| *alone).map(|(drive, _)| drive).collect()
    }

    /// One half of the table: every other row of each kind, channel, target and drive, the first
    /// row of each in the half `odd` = false.
    #[must_use]
    pub fn half(&self, odd: bool) -> Self {
        let mut met: BTreeMap<(Kind, Channel, usize), bool> = BTreeMap::new();
        let entries = self.entries.iter().filter(|entry| {
            let next = met.entry((entry.kind, entry.channel, entry.series)).or_default();
            let this = *next;
            *next = !this;
            this == odd
        });
        Self {
            drive_tolerance: self.drive_tolerance,
            series: self.series.clone(),
            entries: entries.copied().collect(),
            left_out: BTreeMap::new(),
        }
    }

    /// What the pulses with bubbles on a channel stand over.
    pub(super) fn quiet_means(&self, channel: Channel) -> QuietMeans {
        let rows = |kind| self.rows_of(kind, channel);
        QuietMeans::of(&self.series, rows(Kind::Quiet), rows(Kind::Bubbles), self.drive_tolerance)
    }

    /// The drives of pulses with bubbles, as [`BubblesSeries`] have them: for each series its place
    /// among these drives.
    pub(super) fn drives(&self) -> (Vec<Drive>, Vec<usize>) {
        let mut drives: Vec<Drive> = Vec::new();
        let mut joined = Vec::with_capacity(self.series.len());
        for series in &self.series {
            let place = nearest(drives.iter().copied(), series.drive, self.drive_tolerance);
            joined.push(place.unwrap_or(drives.len()));
            if place.is_none() {
                drives.push(series.drive);
            }
        }
        let mut order: Vec<usize> = (0..drives.len()).collect();
        let value = |drive: Drive| drive.mpa().unwrap_or(-1.0);
        order.sort_by(|&a, &b| value(drives[a]).total_cmp(&value(drives[b])));
        let mut rank = vec![0; drives.len()];
        for (place, &drive) in order.iter().enumerate() {
            rank[drive] = place;
        }
        let sorted = order.iter().map(|&place| drives[place]).collect();
        (sorted, joined.into_iter().map(|place| rank[place]).collect())
    }

    /// One quantity on one channel.
    #[must_use]
    pub fn set(&self, channel: Channel, quantity: Quantity) -> Set {
        let ((drives, joined), means) = (self.drives(), self.quiet_means(channel));
        let mut quiet: Vec<Vec<f64>> = vec![Vec::new(); self.series.len()];
        let mut bubbles: Vec<(Vec<f64>, Vec<f64>)> = vec![Default::default(); drives.len()];
        for entry in self.entries.iter().filter(|entry| entry.channel == channel) {
            let Some(lambda) = entry.lambda_db[quantity] else { continue };
            if entry.kind == Kind::Quiet {
                quiet[entry.series].push(lambda);
                continue;
            }
            if let Some(rise) = means.rise_db(entry, quantity) {
                let (lambdas, rises) = &mut bubbles[joined[entry.series]];
                lambdas.push(lambda);
                rises.push(rise);
            }
        }
        let quiet = self.series.iter().zip(quiet).filter(|(_, lambdas)| !lambdas.is_empty());
        let bubbles = drives.into_iter().zip(bubbles).filter(|(_, (found, _))| !found.is_empty());
        Set {
            channel,
            quantity,
            quiet: quiet
                .map(|(series, lambda_db)| QuietSeries {
                    series: series.clone(),
                    mean_db: lambda_db.iter().sum::<f64>() / as_f64(lambda_db.len()),
                    lambda_db,
                })
                .collect(),
            bubbles: bubbles
                .map(|(drive, (lambda_db, rise_db))| BubblesSeries { drive, lambda_db, rise_db })
                .collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen<'a>(
        channel: usize,
        drive_mpa: f64,
        lambda_db: &'a PerQuantity<Option<f64>>,
        reason: &'a str,
    ) -> Seen<'a> {
        let (channel, drive_mpa) = (Channel::One(channel), Some(drive_mpa));
        Seen { channel, target: "", exposure: None, drive_mpa, lambda_db, reason }
    }

    fn take(table: &mut Table, kind: Kind, drive_mpa: f64, lambda: Option<f64>, reason: &str) {
        let lambda_db = PerQuantity([None, None, None, lambda]);
        table.take(kind, [seen(0, drive_mpa, &lambda_db, reason)]);
    }

    fn quiet(table: &mut Table, drive_mpa: f64, lambdas: &[f64]) {
        for lambda in lambdas {
            take(table, Kind::Quiet, drive_mpa, Some(*lambda), "stage baseline");
        }
    }

    fn set(table: &Table) -> Set {
        table.set(Channel::One(0), Quantity::Broadband)
    }

    #[test]
    fn quiet_pulses_are_held_against_their_own_drives_mean() {
        let mut table = Table::new(0.05);
        for (drive, lambda) in [(0.2, 1.0), (0.3, 5.0), (0.204, 3.0), (0.3, 6.0)] {
            quiet(&mut table, drive, &[lambda]);
        }
        let found = set(&table);
        assert_eq!(found.quiet.len(), 2);
        assert_eq!(found.quiet_rise_db(), [-1.0, 1.0, -0.5, 0.5]);
        assert_eq!(table.set(Channel::One(0), Quantity::Harmonic).quiet, []);
        assert_eq!(table.set(Channel::All, Quantity::Broadband).quiet, []);
    }

    #[test]
    fn pulses_with_bubbles_stand_over_quiet_ones_at_their_drive_or_between_two() {
        let mut table = Table::new(0.05);
        quiet(&mut table, 0.1, &[1.0; 10]);
        quiet(&mut table, 0.4, &[3.0; 10]);
        quiet(&mut table, 0.05, &[9.0; 9]);
        for drive in [0.4, 0.2, 0.1, 0.41, 0.05] {
            take(&mut table, Kind::Bubbles, drive, Some(10.0), "no baseline");
        }
        let found = set(&table);
        let drives: Vec<Drive> = found.bubbles.iter().map(|series| series.drive).collect();
        assert_eq!(drives, [0.1, 0.2, 0.4].map(Drive::Known));
        assert_eq!(found.bubbles[0].rise_db, [9.0]);
        // Closed form: 0.2 is halfway from 0.1 to 0.4 in the logarithm; 0.41 is beyond, within 5 %.
        assert!((found.bubbles[1].rise_db[0] - 8.0).abs() < 1e-12);
        assert_eq!(found.bubbles[2].rise_db, [7.0, 7.0]);
        // Nine quiet pulses are too few to stand over.
        assert_eq!(found.bubbles_lambda_db(), [10.0; 4]);
        assert_eq!(table.rows(Kind::Bubbles, Channel::One(0)), 4);
        assert_eq!(table.drives_alone(), [Drive::Known(0.05)]);
        take(&mut table, Kind::Bubbles, 0.7, Some(10.0), "drive outside baseline");
        let left = ["drive outside baseline", "no baseline"]
            .map(|why| (Kind::Bubbles, Channel::One(0), why.to_owned(), 1));
        assert_eq!(table.left_out(), left);
    }

    #[test]
    fn all_is_the_mean_of_pulses_that_every_channel_heard() {
        let mut table = Table::new(0.05);
        let [one, two] = [1.0, 4.0].map(|lambda| PerQuantity([None, None, None, Some(lambda)]));
        for fault in ["stage baseline", "clipped"] {
            let rows = [seen(0, 0.2, &one, "stage baseline"), seen(2, 0.2, &two, fault)];
            table.take(Kind::Quiet, rows);
        }
        let all = table.set(Channel::All, Quantity::Broadband);
        assert_eq!(all.quiet_lambda_db(), [2.5]);
        assert_eq!(set(&table).quiet_lambda_db(), [1.0, 1.0]);
        let left: Vec<(Channel, String)> =
            table.left_out().into_iter().map(|(_, channel, why, _)| (channel, why)).collect();
        let expected = [(Channel::One(2), "clipped"), (Channel::All, "too few channels")];
        assert_eq!(left, expected.map(|(channel, why)| (channel, why.to_owned())));
    }

    #[test]
    fn what_could_not_be_heard_is_left_out_and_counted_and_clipped_is_not() {
        let mut table = Table::new(0.05);
        for reason in ["broadband pulse +1.0 dB; clipped", "clipped; fundamental low", "sham"] {
            take(&mut table, Kind::Bubbles, 0.3, Some(1.0), reason);
        }
        take(&mut table, Kind::Quiet, 0.3, Some(1.0), "clipped");
        take(&mut table, Kind::Quiet, 0.3, None, "samples lost");
        let left: Vec<(Kind, String, u64)> = table
            .left_out()
            .into_iter()
            .map(|(kind, _, reason, rows)| (kind, reason, rows))
            .collect();
        let expected = [
            (Kind::Quiet, "clipped"),
            (Kind::Quiet, "samples lost"),
            (Kind::Bubbles, "fundamental low"),
            (Kind::Bubbles, "no baseline"),
            (Kind::Bubbles, "sham"),
        ];
        assert_eq!(left, expected.map(|(kind, reason)| (kind, reason.to_owned(), 1)));
    }

    #[test]
    fn halves_share_each_drive_and_nothing_else() {
        let mut table = Table::new(0.05);
        for i in 0..5 {
            quiet(&mut table, 0.2, &[f64::from(i)]);
            quiet(&mut table, 0.3, &[f64::from(10 + i)]);
        }
        let values = |odd| set(&table.half(odd)).quiet_lambda_db();
        assert_eq!(values(false), [0.0, 2.0, 4.0, 10.0, 12.0, 14.0]);
        assert_eq!(values(true), [1.0, 3.0, 11.0, 13.0]);
    }
}
