//! What a pulse of a given drive is compared with: a baseline's series, or two of them between
//! which its drive lies, turned into means, spreads and limits.
//!
//! u = log(d/d₁)/log(d₂/d₁); means of dB interpolated in u, powers P̄ in their logarithm, net line
//! power linearly in V². A drive equal to a baseline's within 1e-6 takes that series alone; up to
//! the tolerance beyond the range the end's values hold; further out there is no baseline.

use std::collections::HashMap;
use std::sync::Arc;

use super::baseline::{Drive, DriveSeries, Level, TargetBaseline, within};
use super::calibrated;
use super::session::RunningLimits;
use super::spec::Rule;
use crate::signal::calibration::{Calibration, PerWeighting, Weighted};
use crate::signal::{PerQuantity, Quantity, as_f64, decibels};
use crate::stats::{BaselineSeries, LEAST_BASELINE_PULSES, Reference, Summary, autocorrelation};

/// Share of a drive within which it counts as the same.
const SAME_DRIVE: f64 = 1e-6;

/// A step between neighbouring drives above which an interpolated limit loses sensitivity.
const WIDE_STEP: f64 = 1.25;

/// Cached references; beyond this many the cache starts anew.
const MOST_CACHED: usize = 4096;

/// One quantity's comparison.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct QuantityReference {
    /// Mean, spread and count of λ.
    pub statistics: Reference,
    /// The limit on λ − δ, dB.
    pub limit_db: f64,
    /// The smallest steady rise one pulse shows with a chance of 90 %, dB over the mean of λ.
    pub hear_db: f64,
    /// Mean of 10·log10 P, dB re 1 V².
    pub mean_level_db: f64,
    /// P̄, V².
    pub mean_power_v2: f64,
    /// Mean net line power, V².
    pub mean_net_v2: f64,
}

/// One channel's, or a set of channels', comparison.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelReference {
    /// Each quantity with enough pulses.
    pub quantities: PerQuantity<Option<QuantityReference>>,
    /// Mean level of the drive's line, dB re 1 V².
    pub fundamental_db: Option<f64>,
    /// Mean density in the noise gate, dB re 1 V²/Hz.
    pub noise_db: Option<f64>,
    /// Mean of the densities' levels in the noise gate, dB re 1 V²/Hz.
    pub noise_level_db: Option<f64>,
    /// Interpolated across a step above 1.25.
    pub wide_step: bool,
    /// Mean level of the drive at its monitor, dB re 1 V.
    pub monitor_db: Option<f64>,
    /// Powers of the mean spectrum in pascals and corrected for loss; nothing without curves and for
    /// several channels.
    pub calibrated: PerWeighting<Option<Weighted>>,
}

/// Where a drive lies among a baseline's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Place {
    /// At one of them, or so near beyond an end that the end's values hold.
    At(usize),
    /// Between two neighbours.
    Between {
        /// The lower.
        lower: usize,
        /// The upper.
        upper: usize,
        /// How far, in the logarithm of the drive, 0 to 1.
        u: f64,
    },
    /// Beyond the ends.
    Outside {
        /// Above the highest.
        above: bool,
    },
    /// There is none of its kind.
    Nowhere,
}

/// The outcome of looking for a comparison.
#[derive(Debug, Clone, PartialEq)]
pub enum Lookup {
    /// Found.
    Found(Arc<ChannelReference>),
    /// The drive lies outside the baseline's range.
    Outside {
        /// Above its highest drive.
        above: bool,
    },
    /// There is none, or it has too few pulses.
    Nothing,
}

/// Rules and budget that turn a series into limits.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitSpec {
    /// α of one test.
    pub alpha: f64,
    /// m-of-n rule of each quantity.
    pub rule: PerQuantity<Rule>,
    /// δ of each quantity, dB.
    pub repeatability_db: PerQuantity<f64>,
    /// Drives match within this share.
    pub drive_tolerance: f64,
}

/// Target, bits of the drive, places of the channels.
type Key = (Arc<str>, Option<u64>, Vec<usize>);

/// Looks up comparisons and remembers them.
pub struct References {
    spec: LimitSpec,
    calibration: Arc<Calibration>,
    cache: HashMap<Key, Lookup>,
    running: HashMap<Key, RunningLimits>,
}

impl References {
    /// With the rules of a session.
    #[must_use]
    pub fn new(spec: LimitSpec) -> Self {
        Self { spec, calibration: Arc::default(), cache: HashMap::new(), running: HashMap::new() }
    }

    /// The same with curves of the used channels.
    #[must_use]
    pub fn calibrated(self, calibration: &Arc<Calibration>) -> Self {
        Self { calibration: Arc::clone(calibration), ..self }
    }

    /// Forgets what was remembered; a baseline has changed.
    pub fn forget(&mut self) {
        self.cache.clear();
        self.running.clear();
    }

    /// The comparison for `drive` at a target, for the mean of the channels at the places `set`
    /// among the used ones.
    pub fn find(
        &mut self,
        name: &Arc<str>,
        target: Option<&TargetBaseline>,
        drive: Drive,
        set: &[usize],
    ) -> Lookup {
        let Some(target) = target else { return Lookup::Nothing };
        let key = (Arc::clone(name), drive.mpa().map(f64::to_bits), set.to_vec());
        if let Some(known) = self.cache.get(&key) {
            return known.clone();
        }
        let found = self.make(target, drive, set);
        if self.cache.len() >= MOST_CACHED {
            self.cache.clear();
        }
        self.cache.insert(key, found.clone());
        found
    }

    /// Limits on λ − δ of a channel after each quarter of a running pulse, for one pulse's test.
    pub fn running(
        &mut self,
        name: &Arc<str>,
        target: &TargetBaseline,
        drive: Drive,
        channel: usize,
    ) -> RunningLimits {
        let key = (Arc::clone(name), drive.mpa().map(f64::to_bits), vec![channel]);
        if let Some(known) = self.running.get(&key) {
            return Arc::clone(known);
        }
        let drives = &target.drives;
        let known: Vec<Drive> = drives.iter().map(|series| series.drive).collect();
        let place = place(&known, drive, self.spec.drive_tolerance);
        let limits = std::array::from_fn(|quarter| {
            PerQuantity::from_fn(|quantity| {
                let at = |drive: usize| running_series(&drives[drive], channel, quarter, quantity);
                let reference = match place {
                    Place::At(drive) => Reference::of_one(&at(drive)?)?,
                    Place::Between { lower, upper, u } => {
                        Reference::between(&at(lower)?, &at(upper)?, u)?
                    }
                    Place::Outside { .. } | Place::Nowhere => return None,
                };
                Some(reference.limit(reference.pulse_factor(self.spec.alpha)))
            })
        });
        let limits = Arc::new(limits);
        if self.running.len() >= MOST_CACHED {
            self.running.clear();
        }
        self.running.insert(key, Arc::clone(&limits));
        limits
    }

    fn make(&self, target: &TargetBaseline, drive: Drive, set: &[usize]) -> Lookup {
        let drives = &target.drives;
        let known: Vec<Drive> = drives.iter().map(|series| series.drive).collect();
        let place = place(&known, drive, self.spec.drive_tolerance);
        let mut reference = match place {
            Place::Nowhere => return Lookup::Nothing,
            Place::Outside { above } => return Lookup::Outside { above },
            Place::At(i) => self.at(&Series::of(&drives[i], set)),
            Place::Between { lower, upper, u } => {
                let (low, high) = (&drives[lower], &drives[upper]);
                let mut found = self.between(&Series::of(low, set), &Series::of(high, set), u);
                if let (Drive::Known(d1), Drive::Known(d2)) = (low.drive, high.drive) {
                    found.wide_step = d2 > WIDE_STEP * d1;
                }
                found
            }
        };
        if reference.quantities.0.iter().all(Option::is_none) {
            return Lookup::Nothing;
        }
        reference.monitor_db = match place {
            // At the drive that is reported, which may be a little beside the series'.
            Place::At(at) => match (drive, drives[at].drive) {
                (Drive::Known(d), Drive::Known(own)) => {
                    drives[at].monitor_db().map(|db| db + 20.0 * libm::log10(d / own))
                }
                _ => None,
            },
            Place::Between { lower, upper, u } => {
                let ends = [lower, upper].map(|drive| drives[drive].monitor_db());
                ends[0].zip(ends[1]).map(|(low, high)| (1.0 - u) * low + u * high)
            }
            Place::Outside { .. } | Place::Nowhere => None,
        };
        if let ([channel], true) = (set, self.calibration.is_given()) {
            reference.calibrated = self.weighted(target, place, *channel);
        }
        Lookup::Found(Arc::new(reference))
    }

    /// Powers of one channel's mean spectrum at a place among the drives.
    fn weighted(
        &self,
        target: &TargetBaseline,
        place: Place,
        channel: usize,
    ) -> PerWeighting<Option<Weighted>> {
        let at = |drive: usize| {
            PerWeighting::from_fn(|weighting| {
                let mean = target.drives[drive].spectra.get(channel)?.mean_v2_per_hz();
                self.calibration.channel(channel)?.weighted(weighting, mean)
            })
        };
        match place {
            Place::At(drive) => at(drive),
            Place::Between { lower, upper, u } => calibrated::between(&at(lower), &at(upper), u),
            Place::Outside { .. } | Place::Nowhere => PerWeighting::default(),
        }
    }

    fn at(&self, series: &Series) -> ChannelReference {
        ChannelReference {
            quantities: PerQuantity::from_fn(|quantity| {
                let one = series.quantities[quantity].as_ref()?;
                let statistics = Reference::of_one(&one.lambda)?;
                Some(self.quantity(quantity, statistics, one.means))
            }),
            fundamental_db: series.fundamental_db,
            noise_db: series.noise_db,
            noise_level_db: series.noise_level_db,
            wide_step: false,
            monitor_db: None,
            calibrated: PerWeighting::default(),
        }
    }

    fn between(&self, low: &Series, high: &Series, u: f64) -> ChannelReference {
        let mix = |a: f64, b: f64| (1.0 - u) * a + u * b;
        let mix_option = |a: Option<f64>, b: Option<f64>| Some(mix(a?, b?));
        ChannelReference {
            quantities: PerQuantity::from_fn(|quantity| {
                let (a, b) =
                    (low.quantities[quantity].as_ref()?, high.quantities[quantity].as_ref()?);
                let statistics = Reference::between(&a.lambda, &b.lambda, u)?;
                let power = mix(libm::log(a.means.power_v2), libm::log(b.means.power_v2));
                let means = Means {
                    level_db: mix(a.means.level_db, b.means.level_db),
                    power_v2: libm::exp(power),
                    net_v2: mix(a.means.net_v2, b.means.net_v2),
                };
                Some(self.quantity(quantity, statistics, means))
            }),
            fundamental_db: mix_option(low.fundamental_db, high.fundamental_db),
            noise_db: mix_option(low.noise_db, high.noise_db),
            noise_level_db: mix_option(low.noise_level_db, high.noise_level_db),
            wide_step: false,
            monitor_db: None,
            calibrated: PerWeighting::default(),
        }
    }

    fn quantity(&self, quantity: Quantity, at: Reference, means: Means) -> QuantityReference {
        let Rule { needed, of } = self.spec.rule[quantity];
        let limit_db = at.limit(at.rule_factor(needed, of, self.spec.alpha));
        QuantityReference {
            statistics: at,
            limit_db,
            hear_db: at.detection_limit_one_pulse(limit_db, self.spec.repeatability_db[quantity]),
            mean_level_db: means.level_db,
            mean_power_v2: means.power_v2,
            mean_net_v2: means.net_v2,
        }
    }
}

/// Where a drive lies among others.
#[must_use]
pub fn place(drives: &[Drive], drive: Drive, tolerance: f64) -> Place {
    let Drive::Known(d) = drive else {
        return drives.iter().position(|known| *known == drive).map_or(Place::Nowhere, Place::At);
    };
    let mut known: Vec<(f64, usize)> = drives
        .iter()
        .enumerate()
        .filter_map(|(i, known)| match known {
            Drive::Known(mpa) => Some((*mpa, i)),
            _ => None,
        })
        .collect();
    known.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (Some(&(first, first_at)), Some(&(last, last_at))) = (known.first(), known.last()) else {
        return Place::Nowhere;
    };
    if let Some(&(_, i)) = known.iter().find(|(mpa, _)| (d - mpa).abs() <= SAME_DRIVE * mpa) {
        return Place::At(i);
    }
    if d < first {
        return if within(first - d, tolerance * first) {
            Place::At(first_at)
        } else {
            Place::Outside { above: false }
        };
    }
    if d > last {
        return if within(d - last, tolerance * last) {
            Place::At(last_at)
        } else {
            Place::Outside { above: true }
        };
    }
    let above = known.partition_point(|(mpa, _)| *mpa < d);
    let ((d1, lower), (d2, upper)) = (known[above - 1], known[above]);
    Place::Between { lower, upper, u: libm::log(d / d1) / libm::log(d2 / d1) }
}

#[derive(Debug, Clone, Copy)]
struct Means {
    level_db: f64,
    power_v2: f64,
    net_v2: f64,
}

struct OneQuantity {
    lambda: BaselineSeries,
    means: Means,
}

/// One drive's series, averaged over a set of channels.
struct Series {
    quantities: PerQuantity<Option<OneQuantity>>,
    fundamental_db: Option<f64>,
    noise_db: Option<f64>,
    noise_level_db: Option<f64>,
}

impl Series {
    fn of(drive: &DriveSeries, set: &[usize]) -> Self {
        Self {
            quantities: PerQuantity::from_fn(|quantity| {
                let levels = averaged(drive, set, quantity);
                let lambda: Vec<f64> = levels.iter().map(|level| level.lambda_db).collect();
                let lambda = series_of(&lambda)?;
                let mean = |value: fn(&Level) -> f64| {
                    levels.iter().map(value).sum::<f64>() / as_f64(levels.len())
                };
                Some(OneQuantity {
                    lambda,
                    means: Means {
                        level_db: mean(|l| l.level_db),
                        power_v2: mean(|l| l.power_v2),
                        net_v2: mean(|l| l.net_v2),
                    },
                })
            }),
            fundamental_db: mean_over(drive, set, mean_level, |s| Some(s.fundamental_v2)),
            noise_level_db: mean_over(drive, set, mean_level, |s| s.noise_v2_per_hz),
            noise_db: mean_over(
                drive,
                set,
                |values| {
                    (!values.is_empty())
                        .then(|| values.iter().sum::<f64>() / as_f64(values.len()))
                        .and_then(decibels)
                },
                |sample| sample.noise_v2_per_hz,
            ),
        }
    }
}

/// λ of a channel's pulses after a quarter.
fn running_series(
    drive: &DriveSeries,
    channel: usize,
    quarter: usize,
    quantity: Quantity,
) -> Option<BaselineSeries> {
    let pulses = drive.running.get(channel)?.iter().flatten();
    let lambda: Vec<f64> = pulses.filter_map(|running| running[quarter][quantity]).collect();
    series_of(&lambda)
}

/// A series with enough pulses. One without any spread is no measurement; everything would pass it.
fn series_of(lambda: &[f64]) -> Option<BaselineSeries> {
    let summary = Summary::of(lambda).filter(|s| s.n >= LEAST_BASELINE_PULSES && s.sd > 0.0)?;
    Some(BaselineSeries { summary, lag1: autocorrelation(lambda, 1) })
}

/// Mean of 10·log10 of the values that have one.
fn mean_level(values: &[f64]) -> Option<f64> {
    let levels: Vec<f64> = values.iter().filter_map(|v| decibels(*v)).collect();
    (!levels.is_empty()).then(|| levels.iter().sum::<f64>() / as_f64(levels.len()))
}

/// Mean over a set's channels of a summary of each channel's values.
fn mean_over(
    drive: &DriveSeries,
    set: &[usize],
    summary: impl Fn(&[f64]) -> Option<f64>,
    value: impl Fn(&super::baseline::Sample) -> Option<f64>,
) -> Option<f64> {
    let mut sum = 0.0;
    for &channel in set {
        let values: Vec<f64> =
            drive.channels.get(channel)?.iter().flatten().filter_map(&value).collect();
        sum += summary(&values)?;
    }
    (!set.is_empty()).then(|| sum / as_f64(set.len()))
}

/// A quantity of each pulse, averaged over the channels of a set where all of them have it.
fn averaged(drive: &DriveSeries, set: &[usize], quantity: Quantity) -> Vec<Level> {
    let share = 1.0 / as_f64(set.len().max(1));
    (0..drive.pulses.len())
        .filter_map(|pulse| {
            let mut mean = Level { lambda_db: 0.0, level_db: 0.0, power_v2: 0.0, net_v2: 0.0 };
            for &channel in set {
                let sample = drive.channels.get(channel)?.get(pulse).copied().flatten();
                let level = sample?.levels[quantity]?;
                mean.lambda_db += level.lambda_db;
                mean.level_db += level.level_db;
                mean.power_v2 += level.power_v2;
                mean.net_v2 += level.net_v2;
            }
            if set.len() > 1 {
                mean.lambda_db *= share;
                mean.level_db *= share;
                mean.power_v2 *= share;
                mean.net_v2 *= share;
            }
            (!set.is_empty()).then_some(mean)
        })
        .collect()
}
