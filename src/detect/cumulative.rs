//! Many pulses of one exposure together: weak lasting emission that no single pulse shows.
//!
//! One series of evidence for each baseline drive, channel (and `all`) and quantity, on the detection
//! level λ as deviation from the baseline's mean, lowered by the repeatability δ. A quantity is
//! established at the first pulse with E ≥ 2·B·L/q: half the budget q of an exposure, shared among B
//! pairs of channel and quantity and the L drives of the baseline, however often one looks
//! ([`crate::stats::Evidence`]). It names what lasts and never changes a pulse's verdict.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::baseline::Drive;
use super::pulse::Channel;
use super::session::pairs;
use super::spec::DetectSpec;
use crate::signal::{PerQuantity, Quantity, as_f64};
use crate::stats::{CumulativeHearing, Evidence, Reference};

/// Baseline pulses from which many pulses may be judged together.
pub const LEAST_FOR_CUMULATIVE: usize = 30;

/// Chance that the interval of an excess misses it at any look.
const INTERVAL_MISSES: f64 = 0.05;

/// Eighths of the expected pulses at which a change may begin.
const EIGHTHS: std::ops::RangeInclusive<u32> = 1..=7;

/// A quantity that many pulses together have established.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Established {
    /// The quantity.
    pub quantity: Quantity,
    /// The pulse at which it was.
    pub pulse: u64,
    /// The channel, or `all`.
    pub channel: Channel,
    /// The baseline's drive.
    pub drive: Drive,
    /// Mean of the exposure's λ − δ over the baseline's, dB.
    pub excess_db: f64,
    /// Half the width of its always-valid 95 % interval, dB; infinite while there is none.
    pub within_db: f64,
}

/// One channel of a pulse on its way into the series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Part {
    /// The baseline's drive, its place among the target's and the number of those.
    pub drive: (usize, Drive),
    /// L.
    pub drives: usize,
    /// Place among a pulse's rows, and which channel it is.
    pub row: (usize, Channel),
    /// The pulse's number.
    pub pulse: u64,
    /// An injection is known.
    pub injected: bool,
}

struct Series {
    evidence: Evidence,
    /// w₀, the weight of a change that began with the first pulse.
    first_weight: f64,
    /// Pulse at which it was established.
    since: Option<u64>,
}

/// The series of one drive and row.
struct Held {
    drive: Drive,
    channel: Channel,
    quantities: PerQuantity<Option<Series>>,
}

/// The evidence of one exposure.
pub(super) struct Cumulative {
    q: f64,
    pairs: f64,
    expected: f64,
    repeatability_db: PerQuantity<f64>,
    referenced: bool,
    /// By place of the drive and of the row.
    series: BTreeMap<(usize, usize), Held>,
    /// Channels that `all` began with, by place of the drive.
    sets: BTreeMap<usize, Arc<[usize]>>,
    /// For each row the first establishment of each quantity: pulse, and place of its drive.
    first: Vec<PerQuantity<Option<(u64, usize)>>>,
    /// Something was established since it was last asked.
    news: bool,
}

impl Cumulative {
    /// For a session of `channels` used channels; `noise_gate` is the broadband's reference.
    pub(super) fn new(spec: &DetectSpec, channels: usize, noise_gate: bool) -> Self {
        let rows = channels + usize::from(channels > 1);
        Self {
            q: spec.false_alarms_per_exposure,
            pairs: as_f64(pairs(spec, channels)),
            expected: as_f64(usize::try_from(spec.expected_pulses).unwrap_or(usize::MAX)),
            repeatability_db: spec.repeatability_db,
            referenced: noise_gate,
            series: BTreeMap::new(),
            sets: BTreeMap::new(),
            first: vec![PerQuantity([None; 4]); rows],
            news: false,
        }
    }

    /// An exposure begins.
    pub(super) fn begin(&mut self) {
        self.series.clear();
        self.sets.clear();
        self.first.fill(PerQuantity([None; 4]));
        self.news = false;
    }

    /// An injection during the exposure; the first one is where a change may have begun.
    pub(super) fn mark(&mut self) {
        let all = self.series.values_mut().flat_map(|held| &mut held.quantities.0);
        all.flatten().for_each(|series| series.evidence.mark());
    }

    fn ln_needed(&self, drives: usize) -> f64 {
        ln_needed(self.q, self.pairs, drives)
    }

    /// Whether channels averaged are those that `all` began with at this drive.
    pub(super) fn same_set(&mut self, drive: usize, set: &[usize]) -> bool {
        **self.sets.entry(drive).or_insert_with(|| set.into()) == *set
    }

    /// Takes one quantity of one channel of a pulse, `deviation_db` = λ less its mean in the
    /// baseline; gives what could be heard now.
    pub(super) fn take(
        &mut self,
        part: &Part,
        quantity: Quantity,
        deviation_db: f64,
        at_drive: &Reference,
    ) -> Option<CumulativeHearing> {
        let (place, drive) = part.drive;
        let (row, channel) = part.row;
        let ln_needed = self.ln_needed(part.drives);
        let delta_db = self.repeatability_db[quantity];
        let key = (place, row);
        let empty = self.series.get(&key).is_none_or(|held| held.quantities[quantity].is_none());
        let fresh = empty.then(|| self.fresh(quantity, part.injected, at_drive)).flatten();
        let held = self.series.entry(key).or_insert_with(|| Held {
            drive,
            channel,
            quantities: PerQuantity::from_fn(|_| None),
        });
        if empty {
            held.quantities[quantity] = fresh;
        }
        let series = held.quantities[quantity].as_mut()?;
        series.evidence.take(deviation_db - delta_db);
        if series.since.is_none() && series.evidence.reaches(ln_needed) {
            series.since = Some(part.pulse);
            self.first[row][quantity].get_or_insert((part.pulse, place));
            self.news = true;
        }
        Some(series.evidence.hearing(delta_db, ln_needed - series.first_weight.ln()))
    }

    /// Makes a series, when its baseline allows one.
    fn fresh(&self, quantity: Quantity, injected: bool, at: &Reference) -> Option<Series> {
        if at.n < LEAST_FOR_CUMULATIVE {
            return None;
        }
        // Wander of a level without a reference looks like an onset.
        let onsets_too = self.referenced || quantity != Quantity::Broadband;
        let share = if onsets_too { 0.25 } else { 0.5 };
        let (first_weight, reserved) = if injected { (2.0 * share, 0.0) } else { (share, share) };
        let mut onsets = vec![(first_weight, 0)];
        if onsets_too {
            let weight = 0.5 / f64::from(*EIGHTHS.end());
            onsets.extend(EIGHTHS.map(|eighth| (weight, onset(eighth, self.expected))));
        }
        let evidence = Evidence::new(at.n, at.sd, at.serial.f, &onsets, reserved);
        Some(Series { evidence, first_weight, since: None })
    }

    /// The first establishment of each quantity as the row at this place names it: its own, or in
    /// the row of `all` the earliest of all rows, `all` first and lower channels first.
    pub(super) fn named(&self, row: usize) -> PerQuantity<Option<Established>> {
        let last = self.first.len() - 1;
        PerQuantity::from_fn(|quantity| {
            let channels = if row == last { 0..last } else { 0..0 };
            let firsts = std::iter::once(row)
                .chain(channels)
                .filter_map(|row| Some((self.first[row][quantity]?, row)));
            // Of several that are equally early the first.
            let ((_, place), row) = firsts.min_by_key(|((pulse, _), _)| *pulse)?;
            self.series.get(&(place, row))?.established(quantity)
        })
    }

    /// What this pulse has established, one for each drive and quantity: where several channels
    /// did, `all` first and lower channels first, and nothing where an earlier pulse did.
    pub(super) fn news(&mut self, pulse: u64) -> Vec<Established> {
        if !std::mem::take(&mut self.news) {
            return Vec::new();
        }
        let last = self.first.len() - 1;
        let places: BTreeSet<usize> = self.series.keys().map(|(place, _)| *place).collect();
        let each =
            places.into_iter().flat_map(|place| Quantity::SPOKEN.map(|quantity| (place, quantity)));
        let earliest = |(place, quantity)| {
            let rows = std::iter::once(last).chain(0..last);
            rows.filter_map(|row| self.series.get(&(place, row))?.established(quantity))
                .min_by_key(|found| found.pulse)
        };
        each.filter_map(earliest).filter(|found| found.pulse == pulse).collect()
    }
}

impl Held {
    fn established(&self, quantity: Quantity) -> Option<Established> {
        let series = self.quantities[quantity].as_ref()?;
        let excess = series.evidence.excess(INTERVAL_MISSES)?;
        Some(Established {
            quantity,
            pulse: series.since?,
            channel: self.channel,
            drive: self.drive,
            excess_db: excess.rise,
            within_db: excess.within,
        })
    }
}

/// ln of what the evidence must reach, 2·B·L/q.
fn ln_needed(q: f64, pairs: f64, drives: usize) -> f64 {
    libm::log(2.0 * pairs * as_f64(drives) / q)
}

/// What pulses together could show against a baseline before any came: δ in dB; the injection is
/// marked before the exposure. `drives` is the number of the baseline's drives.
#[must_use]
pub fn hearing_before(
    spec: &DetectSpec,
    channels: usize,
    drives: usize,
    quantity: Quantity,
    at: &Reference,
) -> Option<CumulativeHearing> {
    let pairs = as_f64(pairs(spec, channels));
    let needed = ln_needed(spec.false_alarms_per_exposure, pairs, drives);
    let delta_db = spec.repeatability_db[quantity];
    let ln_threshold = needed + std::f64::consts::LN_2;
    (at.n >= LEAST_FOR_CUMULATIVE)
        .then(|| CumulativeHearing::of_baseline(at.n, at.sd, at.serial.f, delta_db, ln_threshold))
}

/// r(k·P/8), half to even.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a count of pulses; the cast saturates"
)]
fn onset(eighth: u32, expected: f64) -> u64 {
    (f64::from(eighth) * expected / 8.0).round_ties_even() as u64
}

/// Established quantities of a row in words, nothing where there is none: `ultraharmonic since 412`,
/// in the row of `all` with the channel that was first.
#[must_use]
pub fn words(established: &PerQuantity<Option<Established>>, row: Channel) -> String {
    let mut text = String::new();
    for found in Quantity::SPOKEN.into_iter().filter_map(|quantity| established[quantity]) {
        if !text.is_empty() {
            text.push_str("; ");
        }
        text.push_str(found.quantity.name());
        text.push_str(" since ");
        text.push_str(&found.pulse.to_string());
        if found.channel != row {
            text.push_str(" on channel ");
            text.push_str(&found.channel.to_string());
        }
    }
    text
}
