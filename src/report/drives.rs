//! Pulses by drive: what was said at each, what could have been heard, how a baseline scatters.

use std::collections::BTreeMap;

use crate::detect::Verdict;
use crate::session::read::PulseRow;
use crate::signal::{PerQuantity, Quantity};

/// Most drives of one exposure; more are counted with the last.
const MOST_STEPS: usize = 64;

/// Values of one quantity counted to 0.0001 dB, so that a median needs no memory a pulse.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Median {
    counts: BTreeMap<i64, u64>,
    values: u64,
}

impl Median {
    /// Takes a value, dB; nothing changes nothing.
    pub fn add(&mut self, value_db: Option<f64>) {
        let Some(value) = value_db.filter(|value| value.is_finite()) else { return };
        #[allow(clippy::cast_possible_truncation, reason = "clamped to ±1000 dB before")]
        let step = (value.clamp(-1e3, 1e3) * 1e4).round() as i64;
        *self.counts.entry(step).or_default() += 1;
        self.values += 1;
    }

    /// The median, dB; the mean of the middle two of an even number.
    #[must_use]
    pub fn value_db(&self) -> Option<f64> {
        let lower = self.nth(self.values.checked_sub(1)? / 2)?;
        let upper = self.nth(self.values / 2)?;
        Some(f64::midpoint(lower, upper))
    }

    fn nth(&self, n: u64) -> Option<f64> {
        let mut before = 0;
        let (step, _) = self.counts.iter().find(|(_, count)| {
            before += **count;
            before > n
        })?;
        #[allow(clippy::cast_precision_loss, reason = "at most 1e7")]
        let value = *step as f64;
        Some(value / 1e4)
    }
}

/// How far a drive is from a step's, as a share; nothing when it is another one. Unknown and 0 fit only
/// themselves.
#[must_use]
pub fn step_at(step_mpa: Option<f64>, drive_mpa: Option<f64>, tolerance: f64) -> Option<f64> {
    match (step_mpa, drive_mpa) {
        (None, None) => Some(0.0),
        (Some(step), Some(drive)) if step > 0.0 && drive > 0.0 => {
            let off = (drive - step).abs() / step;
            (off <= tolerance).then_some(off)
        }
        (Some(step), Some(drive)) => (step.to_bits() == drive.to_bits()).then_some(0.0),
        _ => None,
    }
}

/// Pulses of an exposure at about one drive.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// The drive of its first pulse, MPa.
    pub drive_mpa: Option<f64>,
    /// Its pulses.
    pub pulses: u64,
    /// Pulses by verdict.
    pub verdicts: [u64; 4],
    /// Detection limit of one pulse, over the pulses that were heard.
    pub hear: PerQuantity<Median>,
    /// Detection limit of all its pulses together, after the last that took part, dB.
    pub together_db: PerQuantity<Option<f64>>,
}

impl Step {
    /// The step a drive belongs to, the nearest; a new one where none is near.
    pub fn among(steps: &mut Vec<Self>, drive_mpa: Option<f64>, tolerance: f64) -> &mut Self {
        let nearest = steps
            .iter()
            .enumerate()
            .filter_map(|(i, step)| Some((i, step_at(step.drive_mpa, drive_mpa, tolerance)?)))
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(i, _)| i);
        let place = match nearest {
            Some(place) => place,
            None if steps.len() == MOST_STEPS => MOST_STEPS - 1,
            None => {
                steps.push(Self {
                    drive_mpa,
                    pulses: 0,
                    verdicts: [0; 4],
                    hear: PerQuantity::from_fn(|_| Median::default()),
                    together_db: PerQuantity([None; 4]),
                });
                steps.len() - 1
            }
        };
        &mut steps[place]
    }

    /// Takes a pulse.
    pub fn take(&mut self, row: &PulseRow, verdict: Verdict) {
        self.pulses += 1;
        self.verdicts[verdict as usize] += 1;
        if verdict == Verdict::Indeterminate {
            return;
        }
        for quantity in Quantity::ALL {
            self.hear[quantity].add(row.hear_db[quantity]);
            let together = &mut self.together_db[quantity];
            *together = row.hear_cumulative_db[quantity].or(*together);
        }
    }
}

/// Mean and scatter of a detection level, by Welford's sums.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Scatter {
    n: f64,
    mean: f64,
    squares: f64,
}

impl Scatter {
    fn add(&mut self, value: f64) {
        self.n += 1.0;
        let off = value - self.mean;
        self.mean += off / self.n;
        self.squares += off * (value - self.mean);
    }

    /// Mean, dB.
    #[must_use]
    pub fn mean_db(&self) -> Option<f64> {
        (self.n > 0.0).then_some(self.mean)
    }

    /// Standard deviation with n − 1, dB.
    #[must_use]
    pub fn sd_db(&self) -> Option<f64> {
        (self.n > 1.0).then(|| (self.squares / (self.n - 1.0)).sqrt())
    }
}

/// Baseline pulses of a target at about one drive.
#[derive(Debug, Clone, PartialEq)]
pub struct BaselineLook {
    /// Target.
    pub target: String,
    /// Drive of its first pulse, MPa.
    pub drive_mpa: Option<f64>,
    /// Pulses that count.
    pub pulses: u64,
    /// Pulses that were left out.
    pub left_out: u64,
    /// The detection level of those that count.
    pub contrast: PerQuantity<Scatter>,
}

impl BaselineLook {
    /// An empty one.
    #[must_use]
    pub fn new(target: String, drive_mpa: Option<f64>) -> Self {
        Self { target, drive_mpa, pulses: 0, left_out: 0, contrast: PerQuantity::default() }
    }

    /// Takes a pulse; one with another reason than its stage was left out.
    pub fn take(&mut self, row: &PulseRow) {
        if row.reason != "stage baseline" {
            self.left_out += 1;
            return;
        }
        self.pulses += 1;
        for (quantity, value) in row.contrast_db.iter() {
            if let Some(value) = value {
                self.contrast[quantity].add(*value);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check_median(values: &[f64], expected: Option<f64>) {
        let mut median = Median::default();
        for value in values {
            median.add(Some(*value));
        }
        let found = median.value_db();
        assert!(
            match (found, expected) {
                (Some(a), Some(b)) => (a - b).abs() < 1e-9,
                (a, b) => a.is_none() && b.is_none(),
            },
            "{found:?}"
        );
    }

    #[test]
    fn a_median_is_the_middle_value() {
        check_median(&[], None);
        check_median(&[f64::NAN], None);
        check_median(&[0.5], Some(0.5));
        check_median(&[3.0, -1.0, 0.25], Some(0.25));
        check_median(&[1.0, 2.0, 2.0, 4.0], Some(2.0));
        check_median(&[1.0, 2.0], Some(1.5));
    }

    #[test]
    fn scatter_is_the_standard_deviation() {
        let mut scatter = Scatter::default();
        for value in [2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0] {
            scatter.add(value);
        }
        // Squares about the mean 5 sum to 32, over n − 1 = 7: by hand.
        assert!((scatter.sd_db().unwrap() - (32.0_f64 / 7.0).sqrt()).abs() < 1e-12);
        assert!((scatter.mean_db().unwrap() - 5.0).abs() < 1e-12);
        assert_eq!(Scatter::default().sd_db(), None);
    }

    #[test]
    fn drives_join_the_nearest_step_and_unknown_stands_apart() {
        let mut steps = Vec::new();
        for drive in [Some(0.1), Some(0.104), Some(0.2), None, Some(0.0), None] {
            Step::among(&mut steps, drive, 0.05).pulses += 1;
        }
        let pulses: Vec<u64> = steps.iter().map(|step| step.pulses).collect();
        assert_eq!(pulses, [2, 1, 2, 1]);
    }
}
