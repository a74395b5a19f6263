//! The operating limit of one quantity on one channel, from quiet pulses alone.
//!
//! A limit on D, the rise of λ over the quiet mean at the pulse's own drive (dB): the one-sided normal
//! tolerance limit k·s with content 1 − p and confidence 0.95, p the share of single pulses at which
//! the rule (m of n) has the false-alarm chance α. s is pooled over drives where Bartlett's test
//! allows (p ≥ 0.05), with ν = N − (number of drives); a drive with n pulses gets
//! k = t'_{0.95}(ν, z_{1−p}·√n)/√n, and the largest limit of all drives counts. Where
//! Anderson–Darling's test or the largest of N residuals speaks against the normal tail (p < 0.01),
//! the limit is the largest quiet pulse; one in 1 − 0.05^(1/N) ≈ 3/N lies above it at most
//! (confidence 0.95, Wilks 1941 from memory), so that only a rule of several pulses can keep α. Where
//! spreads differ, the pulses of the drive that has the largest one count alone, since those of
//! quieter drives say nothing of it.
//!
//! Clopper & Pearson's interval says what the pulses themselves can show.

use super::set::{QuietSeries, Set};
use super::table::Series;
use crate::detect::spec::Rule;
use crate::signal::as_f64;
use crate::stats::{
    LEAST_BASELINE_PULSES, Summary, anderson_darling_normal, bartlett, binomial_tail,
    clopper_pearson_upper, largest_of_normal, pooled_sd, pooled_tolerance_factor, share_per_pulse,
};

/// Confidence of every limit and interval.
pub const CONFIDENCE: f64 = 0.95;

/// Below this p spreads are not pooled.
const POOLED_FROM: f64 = 0.05;

/// Below this p the normal tail is not believed.
const TAIL_FROM: f64 = 0.01;

/// Longest rule that is proposed, pulses.
const MOST_OF: u32 = 16;

/// What a limit rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ground {
    /// The normal tolerance limit.
    Tolerance,
    /// The largest quiet pulse: the normal tail is not believed.
    LargestQuiet,
}

impl Ground {
    /// In words.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Tolerance => "tolerance",
            Self::LargestQuiet => "largest quiet pulse",
        }
    }
}

/// What one drive's quiet pulses say.
#[derive(Debug, Clone, PartialEq)]
pub struct DriveLimit {
    /// Target and drive.
    pub series: Series,
    /// Count, mean and standard deviation of λ, dB.
    pub lambda: Summary,
    /// Factor on the standard deviation.
    pub k: f64,
    /// The limit this drive alone asks for, dB.
    pub limit_db: f64,
}

/// An operating limit and what speaks for and against it.
#[derive(Debug, Clone, PartialEq)]
pub struct OperatingLimit {
    /// The limit on D, dB.
    pub limit_db: f64,
    /// What it rests on.
    pub ground: Ground,
    /// p: share of quiet pulses that may lie above, so that the rule keeps α.
    pub share_per_pulse: f64,
    /// The factor of the drive that counts; nothing where the largest quiet pulse is the limit.
    pub k: Option<f64>,
    /// Standard deviation of the drive that counts, pooled or its own, dB.
    pub sd_db: f64,
    /// Its degrees of freedom.
    pub dof: f64,
    /// Whether the spread is pooled over drives.
    pub pooled: bool,
    /// p of Bartlett's test; nothing for one drive.
    pub bartlett_p: Option<f64>,
    /// p of Anderson–Darling's test of the residuals.
    pub normality_p: Option<f64>,
    /// p of the largest residual.
    pub largest_p: Option<f64>,
    /// Quiet pulses over the limit.
    pub over: usize,
    /// Quiet pulses the limit was made of.
    pub of: usize,
    /// Upper 95 % bound of the share over the limit.
    pub share_upper: f64,
    /// A rule that keeps α with what the pulses themselves can show; where it is needed.
    pub proposed_rule: Option<Rule>,
    /// Each drive.
    pub drives: Vec<DriveLimit>,
}

impl OperatingLimit {
    /// Whether the wanted share lies below what the pulses themselves can show.
    #[must_use]
    pub fn is_extrapolated(&self) -> bool {
        self.ground == Ground::Tolerance && self.share_per_pulse < self.share_upper
    }

    /// The rule this limit goes with.
    #[must_use]
    pub fn rule(&self, configured: Rule) -> Rule {
        self.proposed_rule.unwrap_or(configured)
    }

    /// The limit of a set's quiet pulses for a rule with the false-alarm chance `alpha`; nothing
    /// when no drive has [`LEAST_BASELINE_PULSES`] pulses that differ.
    #[must_use]
    pub fn of(set: &Set, rule: Rule, alpha: f64) -> Option<Self> {
        let kept: Vec<(&QuietSeries, Summary)> = set
            .quiet
            .iter()
            .filter_map(|series| Some((series, Summary::of(&series.lambda_db)?)))
            .filter(|(_, summary)| summary.n >= LEAST_BASELINE_PULSES && summary.sd > 0.0)
            .collect();
        let spread = Spread::of(&kept)?;
        let share = share_per_pulse(rule.needed, rule.of, alpha);
        let drives: Vec<DriveLimit> = kept
            .iter()
            .map(|(series, lambda)| {
                let (sd, dof) = spread.at(lambda);
                let k = pooled_tolerance_factor(lambda.n, dof, share, CONFIDENCE);
                DriveLimit { series: series.series.clone(), lambda: *lambda, k, limit_db: k * sd }
            })
            .collect();
        let counts = drives.iter().max_by(|a, b| a.limit_db.total_cmp(&b.limit_db))?;
        let (sd_db, dof) = spread.at(&counts.lambda);
        let rises = |series: &QuietSeries| -> Vec<f64> {
            series.lambda_db.iter().map(|lambda| lambda - series.mean_db).collect()
        };
        let rise_db: Vec<f64> = kept.iter().flat_map(|(series, _)| rises(series)).collect();
        let residuals: Vec<f64> = kept
            .iter()
            .flat_map(|(series, lambda)| {
                let sd = spread.at(lambda).0;
                rises(series).into_iter().map(move |rise| rise / sd)
            })
            .collect();
        let normality_p = anderson_darling_normal(&residuals).map(|test| test.p);
        let largest_p = largest_of_normal(&residuals);
        let doubted = [normality_p, largest_p].into_iter().flatten().any(|p| p < TAIL_FROM);
        let most = |rises: &[f64]| rises.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let loudest = kept
            .iter()
            .map(|(series, _)| rises(series))
            .max_by(|a, b| most(a).total_cmp(&most(b)))?;
        let (ground, limit_db, k) = if doubted {
            (Ground::LargestQuiet, most(&rise_db), None)
        } else {
            (Ground::Tolerance, counts.limit_db, Some(counts.k))
        };
        let alone = doubted && spread.pooled.is_none();
        let rise_db = if alone { loudest } else { rise_db };
        let of = rise_db.len();
        let over = rise_db.iter().filter(|rise| **rise > limit_db).count();
        let share_upper = clopper_pearson_upper(over, of, CONFIDENCE)?;
        Some(Self {
            limit_db,
            ground,
            share_per_pulse: share,
            k,
            sd_db,
            dof,
            pooled: spread.pooled.is_some(),
            bartlett_p: spread.bartlett_p,
            normality_p,
            largest_p,
            over,
            of,
            share_upper,
            proposed_rule: doubted.then(|| proposed(share_upper, alpha)).flatten(),
            drives,
        })
    }
}

/// The spread of λ over drives.
struct Spread {
    /// Standard deviation and degrees of freedom, where drives are pooled.
    pooled: Option<(f64, f64)>,
    bartlett_p: Option<f64>,
}

impl Spread {
    fn of(kept: &[(&QuietSeries, Summary)]) -> Option<Self> {
        let summaries: Vec<Summary> = kept.iter().map(|(_, summary)| *summary).collect();
        if summaries.is_empty() {
            return None;
        }
        let bartlett_p = bartlett(&summaries).map(|test| test.p);
        let pooled = bartlett_p.is_none_or(|p| p >= POOLED_FROM);
        let all = pooled_sd(&summaries).filter(|_| pooled);
        Some(Self { pooled: all.map(|all| (all.sd, all.dof)), bartlett_p })
    }

    fn at(&self, own: &Summary) -> (f64, f64) {
        self.pooled.unwrap_or_else(|| (own.sd, as_f64(own.n - 1)))
    }
}

/// The shortest rule, with the fewest pulses, that keeps α when each pulse passes with this share.
fn proposed(share: f64, alpha: f64) -> Option<Rule> {
    (1..=MOST_OF)
        .flat_map(|of| (1..=of).map(move |needed| Rule { needed, of }))
        .find(|rule| binomial_tail(rule.needed.into(), rule.of.into(), share) <= alpha)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::{Channel, Drive};
    use crate::signal::Quantity;

    const ONE: Rule = Rule { needed: 1, of: 1 };

    /// Normal scores, so that nothing is left to chance: mean and spread as asked for.
    fn quiet(drive_mpa: f64, n: usize, mean: f64, sd: f64) -> QuietSeries {
        let scores: Vec<f64> =
            (0..n).map(|i| crate::stats::normal_quantile((as_f64(i) + 0.5) / as_f64(n))).collect();
        let own = Summary::of(&scores).unwrap().sd;
        QuietSeries {
            series: Series { target: "".into(), drive: Drive::Known(drive_mpa) },
            lambda_db: scores.iter().map(|score| mean + sd * score / own).collect(),
            mean_db: mean,
        }
    }

    fn set(quiet: Vec<QuietSeries>) -> Set {
        Set { channel: Channel::One(0), quantity: Quantity::Broadband, quiet, bubbles: Vec::new() }
    }

    #[test]
    fn one_drive_has_the_tolerance_limit_of_the_tables() {
        let found = OperatingLimit::of(&set(vec![quiet(0.2, 30, 7.0, 0.5)]), ONE, 0.01).unwrap();
        // COMPUTED with SciPy: stats.nct.ppf(.95, 29, norm.ppf(.99)*sqrt(30))/sqrt(30).
        assert!((found.k.unwrap() - 3.063_901).abs() < 1e-5);
        assert!((found.limit_db - 0.5 * 3.063_901).abs() < 1e-5);
        assert_eq!((found.over, found.of, found.ground), (0, 30, Ground::Tolerance));
        // COMPUTED with SciPy: stats.beta.ppf(.95, 1, 30).
        assert!((found.share_upper - 0.095_033_85).abs() < 1e-7);
        assert!(found.is_extrapolated());
    }

    #[test]
    fn equal_spreads_are_pooled_and_unequal_ones_are_not() {
        let alike = OperatingLimit::of(
            &set(vec![quiet(0.1, 20, 1.0, 0.5), quiet(0.2, 30, 4.0, 0.55)]),
            ONE,
            1e-3,
        )
        .unwrap();
        assert!(alike.pooled && (alike.dof - 48.0).abs() < 1e-12);
        // The drive with fewer pulses knows its mean less well and decides.
        assert!(alike.drives[0].k > alike.drives[1].k);
        assert!((alike.limit_db - alike.drives[0].limit_db).abs() < 1e-15);
        let unlike = OperatingLimit::of(
            &set(vec![quiet(0.1, 30, 1.0, 0.2), quiet(0.2, 30, 4.0, 0.8)]),
            ONE,
            1e-3,
        )
        .unwrap();
        assert!(!unlike.pooled && unlike.bartlett_p.unwrap() < 1e-6);
        assert!((unlike.sd_db - 0.8).abs() < 1e-12 && (unlike.dof - 29.0).abs() < 1e-12);
    }

    #[test]
    fn an_outlier_is_not_extrapolated_over() {
        let mut series = quiet(0.2, 60, 0.0, 0.1);
        series.lambda_db[30] = 1.0;
        series.mean_db = Summary::of(&series.lambda_db).unwrap().mean;
        let found = OperatingLimit::of(&set(vec![series.clone()]), ONE, 1e-5).unwrap();
        assert_eq!((found.ground, found.over), (Ground::LargestQuiet, 0));
        assert!((found.limit_db - (1.0 - series.mean_db)).abs() < 1e-12);
        // Closed form: 1 − 0.05^(1/60) = 0.0487; four of five: 5·0.0487⁴ − 4·0.0487⁵ = 2.7e-5, four of
        // four: 5.6e-6.
        assert_eq!(found.proposed_rule, Some(Rule { needed: 4, of: 4 }));
        assert!(!found.is_extrapolated());
    }

    #[test]
    fn few_pulses_or_none_that_differ_have_no_limit() {
        assert_eq!(OperatingLimit::of(&set(vec![quiet(0.2, 9, 0.0, 1.0)]), ONE, 0.01), None);
        assert_eq!(OperatingLimit::of(&set(vec![quiet(0.2, 30, 0.0, 0.0)]), ONE, 0.01), None);
        assert_eq!(OperatingLimit::of(&set(Vec::new()), ONE, 0.01), None);
    }
}
