//! What one exposure adds up to.
//!
//! Excess dose Σ ΔP·T (V²·s), ΔP = P − P̄ signed and never clipped, of net line power for
//! ultraharmonic and subharmonic; raw dose Σ P·T (V²·s) and amplitude-like dose Σ √P·T (V·s) stand
//! beside it, since groups integrate differently and rank exposures differently (Rich & Mast 2015).

use std::sync::Arc;

use super::cumulative::Established;
use super::pulse::PulseTime;
use super::row::Verdict;
use crate::signal::PerQuantity;
use crate::signal::calibration::PerWeighting;

/// Pulses whose broadband limit is remembered for its median.
const MOST_LIMITS: usize = 1 << 20;

/// Doses of one channel.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Doses {
    /// Σ ΔP·T, V²·s.
    pub excess_v2s: PerQuantity<f64>,
    /// Σ P·T, V²·s.
    pub raw_v2s: PerQuantity<f64>,
    /// Σ √P·T, V·s.
    pub amplitude_vs: PerQuantity<f64>,
    /// Σ ΔP·T in pascals and corrected for loss: Pa²·s, V²·s, Pa²·s; nothing without curves.
    pub weighted: PerWeighting<PerQuantity<Option<f64>>>,
}

impl Doses {
    /// Adds weighted excesses that lasted for a gate.
    pub(super) fn add_weighted(
        &mut self,
        excess: &PerWeighting<PerQuantity<Option<f64>>>,
        gate_s: f64,
    ) {
        for (sums, values) in self.weighted.0.iter_mut().zip(&excess.0) {
            for (sum, value) in sums.0.iter_mut().zip(values.0) {
                if let Some(value) = value {
                    *sum = Some(sum.unwrap_or(0.0) + value * gate_s);
                }
            }
        }
    }
}

/// Smallest, largest and all values of a drive.
#[derive(Debug, Clone, PartialEq, Default)]
struct Values(Vec<f64>);

impl Values {
    fn add(&mut self, value: f64) {
        if self.0.len() < MOST_LIMITS {
            self.0.push(value);
        }
    }

    fn median(&self) -> Option<f64> {
        let mut sorted = self.0.clone();
        sorted.sort_by(f64::total_cmp);
        let middle = sorted.len() / 2;
        match sorted.len() {
            0 => None,
            n if n % 2 == 1 => Some(sorted[middle]),
            _ => Some(f64::midpoint(sorted[middle - 1], sorted[middle])),
        }
    }

    fn extreme(&self, pick: fn(f64, f64) -> f64) -> Option<f64> {
        self.0.iter().copied().reduce(pick)
    }
}

/// Everything a row of the exposure table holds.
#[derive(Debug, Clone, PartialEq)]
pub struct ExposureSummary {
    /// Its number.
    pub exposure: u32,
    /// Target's name.
    pub target: Arc<str>,
    /// Its first pulse.
    pub first_pulse: u64,
    /// Its last pulse.
    pub last_pulse: u64,
    /// When it began.
    pub start: PulseTime,
    /// From its first to its last pulse, s.
    pub duration_s: f64,
    /// Pulses received.
    pub received: u64,
    /// Pulses whose numbers entered the doses.
    pub used: u64,
    /// Pulses that never came.
    pub missing: u64,
    /// Lowest drive, MPa.
    pub drive_mpa_min: Option<f64>,
    /// Median drive, MPa.
    pub drive_mpa_median: Option<f64>,
    /// Highest drive, MPa.
    pub drive_mpa_max: Option<f64>,
    /// Number of the last injection before it, else of the first during it.
    pub injection: Option<u32>,
    /// From that injection to the first pulse, s; negative when it came during the exposure.
    pub since_injection_s: Option<f64>,
    /// Name of the baseline it was judged by.
    pub baseline_id: Option<Arc<str>>,
    /// Verdicts: not detected, stable, inertial, indeterminate.
    pub verdicts: [u64; 4],
    /// Pulses not detected in which harmonics alone passed.
    pub harmonic_only: u64,
    /// Highest broadband over baseline, dB, and its pulse.
    pub max_broadband: Option<(f64, u64)>,
    /// Median over the pulses of the broadband limit over the baseline's mean, dB.
    pub median_broadband_limit_db: Option<f64>,
    /// Doses, the mean over the used channels.
    pub doses: Doses,
    /// Alarms raised.
    pub alarms: u64,
    /// What ended it.
    pub ended_by: &'static str,
    /// What its pulses established together.
    pub established: PerQuantity<Option<Established>>,
}

/// An exposure under way.
#[derive(Debug, Clone)]
pub struct ExposureTally {
    exposure: u32,
    target: Arc<str>,
    first: (u64, PulseTime),
    last: (u64, PulseTime),
    received: u64,
    used: u64,
    missing: u64,
    drives: Values,
    injection: Option<u32>,
    since_injection_s: Option<f64>,
    baseline_id: Option<Arc<str>>,
    verdicts: [u64; 4],
    harmonic_only: u64,
    max_broadband: Option<(f64, u64)>,
    limits: Values,
    alarms: u64,
    /// Doses of each used channel.
    pub channels: Vec<Doses>,
}

/// What one pulse adds to a tally.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PulseFinding {
    /// The pulse's verdict; nothing for a sham.
    pub verdict: Option<Verdict>,
    /// Harmonics alone passed.
    pub harmonic_only: bool,
    /// Broadband over baseline, dB.
    pub broadband_db: Option<f64>,
    /// Broadband limit over the baseline's mean, dB.
    pub broadband_limit_db: Option<f64>,
    /// Its numbers entered the doses.
    pub used: bool,
}

impl ExposureTally {
    /// Begins with its first pulse.
    #[must_use]
    pub fn begin(
        exposure: u32,
        target: Arc<str>,
        first: (u64, PulseTime),
        injection: Option<(u32, f64)>,
        baseline_id: Option<Arc<str>>,
        channels: usize,
    ) -> Self {
        Self {
            exposure,
            target,
            first,
            last: first,
            received: 0,
            used: 0,
            missing: 0,
            drives: Values::default(),
            injection: injection.map(|(number, _)| number),
            since_injection_s: injection.map(|(_, at_s)| first.1.since_start_s - at_s),
            baseline_id,
            verdicts: [0; 4],
            harmonic_only: 0,
            max_broadband: None,
            limits: Values::default(),
            alarms: 0,
            channels: vec![Doses::default(); channels],
        }
    }

    /// Its number.
    #[must_use]
    pub const fn exposure(&self) -> u32 {
        self.exposure
    }

    /// Pulses received so far.
    #[must_use]
    pub const fn received(&self) -> u64 {
        self.received
    }

    /// Adds a pulse.
    pub fn add(&mut self, number: u64, time: PulseTime, drive: Option<f64>, found: PulseFinding) {
        self.last = (number, time);
        self.received += 1;
        self.used += u64::from(found.used);
        if let Some(verdict) = found.verdict {
            self.verdicts[verdict as usize] += 1;
        }
        self.harmonic_only += u64::from(found.harmonic_only);
        if let Some(drive) = drive {
            self.drives.add(drive);
        }
        if let Some(limit) = found.broadband_limit_db {
            self.limits.add(limit);
        }
        if let Some(db) = found.broadband_db
            && self.max_broadband.is_none_or(|(held, _)| db > held)
        {
            self.max_broadband = Some((db, number));
        }
    }

    /// Counts pulses that never came.
    pub const fn add_missing(&mut self, missing: u64) {
        self.missing += missing;
    }

    /// Counts alarms raised.
    pub const fn add_alarms(&mut self, alarms: u64) {
        self.alarms += alarms;
    }

    /// Notes an injection during the exposure; one before it stays the one that counts.
    pub fn note_injection(&mut self, number: u32, at_s: f64) {
        if self.injection.is_none() {
            self.injection = Some(number);
            self.since_injection_s = Some(self.first.1.since_start_s - at_s);
        }
    }

    /// An injection was taken back; `last` is the one that counts now.
    pub fn void_injection(&mut self, number: u32, last: Option<(u32, f64)>) {
        if self.injection == Some(number) {
            self.injection = last.map(|(number, _)| number);
            self.since_injection_s = last.map(|(_, at_s)| self.first.1.since_start_s - at_s);
        }
    }

    /// Mean over the used channels of their excess doses, V²·s; of weighted ones over the channels
    /// that have them.
    #[must_use]
    pub fn mean_doses(&self) -> Doses {
        let share = 1.0 / crate::signal::as_f64(self.channels.len().max(1));
        let mean =
            |value: &dyn Fn(&Doses) -> f64| self.channels.iter().map(value).sum::<f64>() * share;
        Doses {
            excess_v2s: PerQuantity::from_fn(|q| mean(&|d| d.excess_v2s[q])),
            raw_v2s: PerQuantity::from_fn(|q| mean(&|d| d.raw_v2s[q])),
            amplitude_vs: PerQuantity::from_fn(|q| mean(&|d| d.amplitude_vs[q])),
            weighted: PerWeighting::from_fn(|weighting| {
                PerQuantity::from_fn(|q| {
                    let known = || self.channels.iter().filter_map(|d| d.weighted[weighting][q]);
                    let count = known().count();
                    (count > 0).then(|| known().sum::<f64>() / crate::signal::as_f64(count))
                })
            }),
        }
    }

    /// Ends it; `established` is what its pulses established together.
    #[must_use]
    pub fn end(
        &self,
        ended_by: &'static str,
        established: PerQuantity<Option<Established>>,
    ) -> ExposureSummary {
        ExposureSummary {
            exposure: self.exposure,
            target: Arc::clone(&self.target),
            first_pulse: self.first.0,
            last_pulse: self.last.0,
            start: self.first.1,
            duration_s: self.last.1.since_start_s - self.first.1.since_start_s,
            received: self.received,
            used: self.used,
            missing: self.missing,
            drive_mpa_min: self.drives.extreme(f64::min),
            drive_mpa_median: self.drives.median(),
            drive_mpa_max: self.drives.extreme(f64::max),
            injection: self.injection,
            since_injection_s: self.since_injection_s,
            baseline_id: self.baseline_id.clone(),
            verdicts: self.verdicts,
            harmonic_only: self.harmonic_only,
            max_broadband: self.max_broadband,
            median_broadband_limit_db: self.limits.median(),
            doses: self.mean_doses(),
            alarms: self.alarms,
            ended_by,
            established,
        }
    }
}
