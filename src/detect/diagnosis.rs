//! What a baseline says of the set-up: its statistics, and advice.
//!
//! Linearity: the drive's line follows the drive dB for dB. Acoustic share: the drive's tone in the
//! gate over that in the feed-through gate. Quiet: the broadband's mean λ does not rise with drive.

use std::sync::Arc;

use super::baseline::{Baseline, Drive, DriveSeries, Sample};
use super::cumulative::hearing_before;
use super::session::alpha;
use super::spec::{DetectSpec, Rule};
use crate::signal::{Quantity, as_f64, decibels};
use crate::stats::{
    BaselineSeries, Reference, SerialCorrection, Summary, TwoSample, anderson_darling_normal,
    autocorrelation, chi_square_sf, grubbs_outliers, student_upper_quantile, trend, two_sample,
};

/// Largest departure of the drive's line from the drive, dB.
const LINEAR_WITHIN_DB: f64 = 0.5;

/// Least acoustic share, dB.
const ACOUSTIC_SHARE_DB: f64 = 10.0;

/// Pulses from which limits are narrow and cumulative detection is possible.
const ENOUGH_PULSES: usize = 30;

/// Significance of the tests for outliers, normality and trend.
const SIGNIFICANCE: f64 = 0.01;

/// Lag-1 correlation above which a short baseline keeps the false-alarm promise no longer.
const STRONG_CORRELATION: f64 = 0.4;

/// Pulses from which strong correlation is harmless.
const ENOUGH_FOR_CORRELATION: usize = 60;

/// One quantity of one drive and channel.
#[derive(Debug, Clone, PartialEq)]
pub struct QuantityLook {
    /// Target's name.
    pub target: Arc<str>,
    /// The drive.
    pub drive: Drive,
    /// Place among the used channels.
    pub place: usize,
    /// The quantity.
    pub quantity: Quantity,
    /// Count, mean and standard deviation of λ, dB.
    pub lambda: Summary,
    /// Lag-1 autocorrelation of λ.
    pub lag1: f64,
    /// What serial correlation costs.
    pub serial: SerialCorrection,
    /// What it allows to be heard; nothing with too few pulses.
    pub reach: Option<Reach>,
}

/// What a series allows to be heard, dB over its mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reach {
    /// Standard deviations from mean to limit.
    pub k: f64,
    /// The limit.
    pub limit_db: f64,
    /// Detection limit of one pulse.
    pub one_pulse_db: f64,
    /// Detection limit of the expected pulses together, the injection marked before; nothing with
    /// too few baseline pulses.
    pub together_db: Option<f64>,
    /// The same however long one listens.
    pub ever_db: Option<f64>,
}

/// Statistics and advice.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Diagnosis {
    /// Every quantity with numbers.
    pub quantities: Vec<QuantityLook>,
    /// Linearity, acoustic share and quiet of each target and channel, in words.
    pub facts: Vec<String>,
    /// What is not as it should be, in words; what to do about it included.
    pub advice: Vec<String>,
}

/// Looks at a whole baseline as `spec` judges by it.
#[must_use]
pub fn diagnose(baseline: &Baseline, channels: &[usize], spec: &DetectSpec) -> Diagnosis {
    let mut found = Diagnosis::default();
    let delta_db = spec.repeatability_db[Quantity::Broadband];
    for (name, target) in &baseline.targets {
        let mut drives: Vec<&DriveSeries> = target.drives.iter().collect();
        drives.sort_by(|a, b| {
            a.drive.mpa().unwrap_or(-1.0).total_cmp(&b.drive.mpa().unwrap_or(-1.0))
        });
        for series in &drives {
            count_advice(name, series, &mut found.advice);
            for (place, &channel) in channels.iter().enumerate() {
                let at = Place { target: name, place, channel };
                let reach = |quantity, lambda: &BaselineSeries| {
                    reach(spec, channels.len(), target.drives.len(), quantity, lambda)
                };
                look_at(name, series, &at, reach, &mut found);
            }
        }
        monitor(name, &drives, &mut found);
        for (place, &channel) in channels.iter().enumerate() {
            let at = Place { target: name, place, channel };
            linearity(&at, &drives, &mut found);
            acoustic_share(&at, &drives, &mut found);
            quiet(&at, &drives, delta_db, &mut found);
        }
    }
    found
}

/// Limits of a series under the rules of a session with so many channels and drives.
#[must_use]
pub fn reach(
    spec: &DetectSpec,
    channels: usize,
    drives: usize,
    quantity: Quantity,
    series: &BaselineSeries,
) -> Option<Reach> {
    let at = Reference::of_one(series).filter(|at| at.sd > 0.0)?;
    let Rule { needed, of } = spec.rule[quantity];
    let k = at.rule_factor(needed, of, alpha(spec, channels));
    let together = hearing_before(spec, channels, drives, quantity, &at);
    let expected_pulses = spec.expected_pulses;
    Some(Reach {
        k,
        limit_db: k * at.sd,
        one_pulse_db: at.detection_limit_one_pulse(at.limit(k), spec.repeatability_db[quantity]),
        together_db: together.map(|hearing| hearing.after(expected_pulses)),
        ever_db: together.map(|hearing| hearing.ever()),
    })
}

struct Place<'a> {
    target: &'a str,
    place: usize,
    channel: usize,
}

impl std::fmt::Display for Place<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.target.is_empty() {
            write!(f, "channel {}", self.channel)
        } else {
            write!(f, "target {} channel {}", self.target, self.channel)
        }
    }
}

fn count_advice(name: &str, series: &DriveSeries, advice: &mut Vec<String>) {
    let n = series.pulses.len();
    if n < ENOUGH_PULSES {
        let target = if name.is_empty() { String::new() } else { format!("target {name}: ") };
        advice.push(format!(
            "{target}{n} pulses at {}: record {} more for narrow limits and cumulative detection",
            series.drive,
            ENOUGH_PULSES - n
        ));
    }
}

fn lambdas(series: &DriveSeries, place: usize, quantity: Quantity) -> Vec<f64> {
    let samples = series.channels[place].iter().flatten();
    samples.filter_map(|sample| sample.levels[quantity].map(|level| level.lambda_db)).collect()
}

fn look_at(
    name: &Arc<str>,
    series: &DriveSeries,
    place: &Place<'_>,
    reach: impl Fn(Quantity, &BaselineSeries) -> Option<Reach>,
    found: &mut Diagnosis,
) {
    let at = format!("{place} at {}", series.drive);
    let place = place.place;
    for quantity in Quantity::ALL {
        let values = lambdas(series, place, quantity);
        let Some(lambda) = Summary::of(&values) else { continue };
        let lag1 = autocorrelation(&values, 1);
        let serial = SerialCorrection::of_one(lag1, lambda.n);
        found.quantities.push(QuantityLook {
            target: Arc::clone(name),
            drive: series.drive,
            place,
            quantity,
            lambda,
            lag1,
            serial,
            reach: reach(quantity, &BaselineSeries { summary: lambda, lag1 }),
        });
        let words = quantity.name();
        let outliers = grubbs_outliers(&values, SIGNIFICANCE);
        if !outliers.is_empty() {
            found.advice.push(format!(
                "{at}: {words} has {} outlying pulses (Grubbs); look for what happened there",
                outliers.len()
            ));
        }
        if anderson_darling_normal(&values).is_some_and(|test| test.p < SIGNIFICANCE) {
            found.advice.push(format!(
                "{at}: {words} is not normally distributed (Anderson-Darling); limits far out rest on it"
            ));
        }
        if trend(&values).is_some_and(|test| test.p_two_sided < SIGNIFICANCE) {
            found
                .advice
                .push(format!("{at}: {words} drifts; let the set-up settle and record anew"));
        }
        if lag1 > STRONG_CORRELATION && lambda.n < ENOUGH_FOR_CORRELATION {
            found.advice.push(format!(
                "{at}: {words} is correlated from pulse to pulse ({lag1:.2}); record {ENOUGH_FOR_CORRELATION} pulses"
            ));
        }
    }
}

fn mean_db(
    series: &DriveSeries,
    place: usize,
    value: impl Fn(&Sample) -> Option<f64>,
) -> Option<f64> {
    let levels: Vec<f64> = series.channels[place]
        .iter()
        .flatten()
        .filter_map(|sample| value(sample).and_then(decibels))
        .collect();
    (!levels.is_empty()).then(|| levels.iter().sum::<f64>() / as_f64(levels.len()))
}

fn linearity(at: &Place<'_>, drives: &[&DriveSeries], found: &mut Diagnosis) {
    let levels: Vec<(f64, f64)> = drives
        .iter()
        .filter_map(|series| match series.drive {
            Drive::Known(mpa) => {
                Some((mpa, mean_db(series, at.place, |s| Some(s.fundamental_v2))?))
            }
            _ => None,
        })
        .collect();
    let Some(((first, first_db), worst, off_db)) = worst_departure(&levels) else {
        if levels.len() == 1 {
            found.facts.push(format!("{at}: linearity needs two drives"));
        }
        return;
    };
    found.facts.push(format!(
        "{at}: linearity: the drive's line follows the drive within {:.2} dB",
        off_db.abs()
    ));
    if off_db.abs() > LINEAR_WITHIN_DB {
        found.advice.push(format!(
            "{at}: not linear: from {first} to {} MPa the drive rises {:.1} dB, its line {:.1} dB; the preamplifier saturates or the drive is not what is reported",
            worst.0,
            20.0 * libm::log10(worst.0 / first),
            worst.1 - first_db
        ));
    }
}

/// A drive, MPa, and a level there, dB.
type LevelAt = (f64, f64);

/// Of levels over drives, ascending: the first, the one that departs most from following the drive
/// dB for dB, and by how much; nothing with fewer than two.
fn worst_departure(levels: &[LevelAt]) -> Option<(LevelAt, LevelAt, f64)> {
    let (&(first, first_db), rest) = levels.split_first()?;
    let off = |(mpa, db): &LevelAt| db - first_db - 20.0 * libm::log10(mpa / first);
    let worst = rest.iter().max_by(|a, b| off(a).abs().total_cmp(&off(b).abs()))?;
    Some(((first, first_db), *worst, off(worst)))
}

/// Whether the drive's monitor follows the drive that is reported.
fn monitor(name: &str, drives: &[&DriveSeries], found: &mut Diagnosis) {
    let levels: Vec<LevelAt> = drives
        .iter()
        .filter_map(|series| match series.drive {
            Drive::Known(mpa) => Some((mpa, series.monitor_db()?)),
            _ => None,
        })
        .collect();
    let Some(((first, first_db), worst, off_db)) = worst_departure(&levels) else { return };
    let at = if name.is_empty() { String::new() } else { format!("target {name}: ") };
    found.facts.push(format!(
        "{at}drive monitor: it follows the reported drive within {:.2} dB",
        off_db.abs()
    ));
    if off_db.abs() > LINEAR_WITHIN_DB {
        found.advice.push(format!(
            "{at}drive monitor: from {first} to {} MPa the reported drive rises {:.1} dB, its monitor {:.1} dB; the drive is not what is reported, or the monitor is not linear",
            worst.0,
            20.0 * libm::log10(worst.0 / first),
            worst.1 - first_db
        ));
    }
}

fn acoustic_share(at: &Place<'_>, drives: &[&DriveSeries], found: &mut Diagnosis) {
    let ratio = |s: &Sample| s.feed_through_v2.map(|feed| s.gate_tone_v2 / feed);
    let shares = drives
        .iter()
        .filter(|series| matches!(series.drive, Drive::Known(_)))
        .filter_map(|series| Some((series.drive, mean_db(series, at.place, ratio)?)));
    let Some((drive, share)) = shares.min_by(|a, b| a.1.total_cmp(&b.1)) else { return };
    found
        .facts
        .push(format!("{at}: acoustic share: {share:.1} dB or more between gate and feed-through"));
    if share < ACOUSTIC_SHARE_DB {
        found.advice.push(format!(
            "{at}: acoustic share {share:.1} dB at {drive}: under {ACOUSTIC_SHARE_DB} dB the drive's line is largely feed-through and says little of coupling"
        ));
    }
}

fn quiet(at: &Place<'_>, drives: &[&DriveSeries], delta_db: f64, found: &mut Diagnosis) {
    let known = drives.iter().filter(|series| matches!(series.drive, Drive::Known(_)));
    let mut lowest: Option<Summary> = None;
    for series in known {
        let values = lambdas(series, at.place, Quantity::Broadband);
        let Some(now) = Summary::of(&values) else { continue };
        let Some(first) = lowest else {
            lowest = Some(now);
            continue;
        };
        let error =
            (first.sd * first.sd / as_f64(first.n) + now.sd * now.sd / as_f64(now.n)).sqrt();
        let rise = now.mean - first.mean;
        if rise > (3.0 * error).max(delta_db) {
            found.advice.push(format!(
                "{at}: not quiet from {} on: without bubbles the broadband stands {rise:.2} dB over the lowest drive's",
                series.drive
            ));
            return;
        }
    }
    if lowest.is_some() {
        found.facts.push(format!("{at}: quiet: no drive raises the broadband without bubbles"));
    }
}

/// One quantity's move between two no-bubble series.
#[derive(Debug, Clone, PartialEq)]
pub struct Repeat {
    /// Target's name.
    pub target: Arc<str>,
    /// The drive.
    pub drive: Drive,
    /// Place among the used channels.
    pub place: usize,
    /// The quantity.
    pub quantity: Quantity,
    /// Standard deviation of λ in the first and the second series, dB.
    pub sd_db: [f64; 2],
    /// Second mean less first, its error and 95 % interval, dB.
    pub move_db: TwoSample,
}

/// What the moves of one quantity between two no-bubble series come to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Margin {
    /// Mean move over drives and channels, dB.
    pub mean_db: f64,
    /// Its 95 % interval, dB: by the scatter over drives and channels where there are several.
    pub interval_db: [f64; 2],
    /// Largest move of one drive and channel, without its sign, dB.
    pub largest_db: f64,
    /// Furthest end of any drive's and channel's 95 % interval, without its sign, dB.
    pub furthest_db: f64,
    /// Chance of moves this large where there is none: Σ (move/error)² against χ².
    pub p: f64,
    /// Proposed repeatability, dB: 0 where no move is shown (p ≥ 0.05), else the furthest end,
    /// rounded up to a tenth.
    pub proposed_db: f64,
}

impl Margin {
    /// Of the moves of one quantity; nothing without any.
    #[must_use]
    pub fn of(moves: &[&Repeat]) -> Option<Self> {
        let (first, n) = (moves.first()?, as_f64(moves.len()));
        let differences: Vec<f64> = moves.iter().map(|found| found.move_db.difference).collect();
        let mean_db = differences.iter().sum::<f64>() / n;
        let interval_db = match Summary::of(&differences) {
            Some(Summary { sd, .. }) if moves.len() > 1 => {
                let half = student_upper_quantile(0.025, n - 1.0) * sd / n.sqrt();
                [mean_db - half, mean_db + half]
            }
            _ => [first.move_db.low, first.move_db.high],
        };
        let most = |value: &dyn Fn(&Repeat) -> f64| {
            moves.iter().map(|found| value(found)).fold(0.0, f64::max)
        };
        let furthest_db = most(&|found| found.move_db.low.abs().max(found.move_db.high.abs()));
        let squares = |found: &&Repeat| {
            let TwoSample { difference, standard_error, .. } = found.move_db;
            // Series without any spread that moved have moved.
            if standard_error > 0.0 { (difference / standard_error).powi(2) } else { 0.0 }
        };
        let p = chi_square_sf(moves.iter().map(squares).sum(), n);
        let proposed_db = if p >= 0.05 { 0.0 } else { (10.0 * furthest_db - 1e-9).ceil() / 10.0 };
        Some(Self {
            mean_db,
            interval_db,
            largest_db: most(&|found| found.move_db.difference.abs()),
            furthest_db,
            p,
            proposed_db,
        })
    }
}

/// Compares what two no-bubble series have in common; drives match within `tolerance`.
#[must_use]
pub fn repeatability(first: &Baseline, second: &Baseline, tolerance: f64) -> Vec<Repeat> {
    let mut found = Vec::new();
    for (name, target) in &first.targets {
        let Some(other) = second.targets.get(name) else { continue };
        for series in &target.drives {
            let same = |b: &&DriveSeries| match (series.drive, b.drive) {
                (Drive::Known(a), Drive::Known(b)) => (a - b).abs() <= tolerance * a,
                (a, b) => a == b,
            };
            let Some(again) = other.drives.iter().find(same) else { continue };
            for place in 0..series.channels.len().min(again.channels.len()) {
                for quantity in Quantity::ALL {
                    let (a, b) =
                        (lambdas(series, place, quantity), lambdas(again, place, quantity));
                    let (Some(sa), Some(sb), Some(move_db)) =
                        (Summary::of(&a), Summary::of(&b), two_sample(&a, &b))
                    else {
                        continue;
                    };
                    found.push(Repeat {
                        target: Arc::clone(name),
                        drive: series.drive,
                        place,
                        quantity,
                        sd_db: [sa.sd, sb.sd],
                        move_db,
                    });
                }
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn moved(difference: f64, standard_error: f64) -> Repeat {
        let (low, high) = (difference - 2.0 * standard_error, difference + 2.0 * standard_error);
        Repeat {
            target: "".into(),
            drive: Drive::Known(0.1),
            place: 0,
            quantity: Quantity::Harmonic,
            sd_db: [0.1, 0.1],
            move_db: TwoSample { difference, standard_error, dof: 58.0, low, high },
        }
    }

    #[test]
    fn a_move_that_is_shown_asks_for_a_margin_over_all_intervals() {
        let moves = [moved(0.10, 0.05), moved(0.20, 0.05), moved(0.15, 0.05)];
        let found = Margin::of(&moves.each_ref()).unwrap();
        // COMPUTED with SciPy: stats.chi2.sf(4 + 16 + 9, 3); stats.t.isf(.025, 2)*.05/sqrt(3).
        assert!((found.p / 2.239_429e-6 - 1.0).abs() < 1e-6);
        assert!((found.mean_db - 0.15).abs() < 1e-12);
        assert!((found.interval_db[1] - 0.15 - 0.124_207).abs() < 1e-5);
        assert!((found.furthest_db - 0.30).abs() < 1e-12);
        assert!((found.proposed_db - 0.3).abs() < 1e-12);
    }

    #[test]
    fn moves_within_their_errors_ask_for_none() {
        let moves = [moved(0.05, 0.05), moved(-0.04, 0.05), moved(0.01, 0.05)];
        let found = Margin::of(&moves.each_ref()).unwrap();
        assert!(found.p > 0.05 && found.proposed_db.abs() < 1e-12);
        assert!((found.largest_db - 0.05).abs() < 1e-12);
        assert_eq!(Margin::of(&[]), None);
        let [low, high] = Margin::of(&[&moves[0]]).unwrap().interval_db;
        assert!((low + 0.05).abs() < 1e-12 && (high - 0.15).abs() < 1e-12);
    }
}
