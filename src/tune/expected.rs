//! The mean λ of quiet pulses that a pulse with bubbles stands over.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use super::table::{Entry, Series};
use crate::detect::Drive;
use crate::detect::reference::{Place, place};
use crate::signal::{PerQuantity, Quantity, as_f64};
use crate::stats::LEAST_BASELINE_PULSES;

/// Drives, and the mean λ at each that has enough pulses, dB.
type DriveMeans = (Vec<Drive>, Vec<Option<f64>>);

/// The mean λ of the quiet pulses that each pulse with bubbles on a channel stands over.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct QuietMeans(HashMap<(usize, u64), Expected>);

/// What quiet pulses say of one target and drive.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Expected {
    mean_db: PerQuantity<Option<f64>>,
    /// The drive lies beyond those of some quantity.
    outside: bool,
}

impl Expected {
    fn of(
        targets: &PerQuantity<BTreeMap<Arc<str>, DriveMeans>>,
        (target, drive): (&str, Drive),
        tolerance: f64,
    ) -> Self {
        let mut outside = false;
        let mean_db = PerQuantity::from_fn(|quantity| {
            let (drives, means) = targets[quantity].get(target)?;
            match place(drives, drive, tolerance) {
                Place::At(at) => means[at],
                Place::Between { lower, upper, u } => {
                    Some((1.0 - u) * means[lower]? + u * means[upper]?)
                }
                Place::Outside { .. } => {
                    outside = true;
                    None
                }
                Place::Nowhere => None,
            }
        });
        Self { mean_db, outside }
    }
}

impl QuietMeans {
    /// From the quiet rows and the rows with bubbles of one channel.
    pub(super) fn of<'a>(
        series: &[Series],
        quiet: impl Iterator<Item = &'a Entry>,
        bubbles: impl Iterator<Item = &'a Entry>,
        tolerance: f64,
    ) -> Self {
        let mut sums = vec![[(0.0, 0_usize); 4]; series.len()];
        for entry in quiet {
            for (quantity, lambda) in entry.lambda_db.iter() {
                if let Some(lambda) = lambda {
                    let (sum, count) = &mut sums[entry.series][quantity as usize];
                    (*sum, *count) = (*sum + lambda, *count + 1);
                }
            }
        }
        let targets = PerQuantity::from_fn(|quantity| {
            let mut targets: BTreeMap<Arc<str>, DriveMeans> = BTreeMap::new();
            for (series, sums) in series.iter().zip(&sums) {
                let (sum, count) = sums[quantity as usize];
                if count > 0 {
                    let enough = count >= LEAST_BASELINE_PULSES;
                    let (drives, means) = targets.entry(Arc::clone(&series.target)).or_default();
                    drives.push(series.drive);
                    means.push(enough.then(|| sum / as_f64(count)));
                }
            }
            targets
        });
        let mut expected = HashMap::new();
        for entry in bubbles {
            let at = (&*series[entry.series].target, entry.drive);
            let make = || Expected::of(&targets, at, tolerance);
            expected.entry(key(entry)).or_insert_with(make);
        }
        Self(expected)
    }

    /// Whether a pulse's drive lies beyond those of quiet pulses.
    pub(super) fn is_outside(&self, entry: &Entry) -> bool {
        self.0.get(&key(entry)).is_some_and(|expected| expected.outside)
    }

    /// D of a pulse with bubbles; nothing where too few quiet pulses have its drive.
    pub(super) fn rise_db(&self, entry: &Entry, quantity: Quantity) -> Option<f64> {
        Some(entry.lambda_db[quantity]? - self.0.get(&key(entry))?.mean_db[quantity]?)
    }
}

/// A pulse's target and drive, to the last digit.
fn key(entry: &Entry) -> (usize, u64) {
    (entry.series, entry.drive.mpa().map_or(u64::MAX, f64::to_bits))
}
