//! One spread from several series: whether it is one (Bartlett), how large it is (pooled), and the
//! tolerance limit it allows.
//!
//! Each series has its own mean; ν_i = n_i − 1, ν = Σ ν_i, s² = Σ ν_i·s_i²/ν. Standard deviations
//! share one unit (here dB), which the pooled one keeps; all else has no unit.

use super::distributions::{chi_square_sf, normal_upper_quantile};
use super::noncentral_t::noncentral_t_quantile;
use super::series::{Summary, real};

/// A standard deviation from several series with means of their own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PooledSd {
    /// Standard deviation, in the unit of the values.
    pub sd: f64,
    /// Degrees of freedom, Σ (n_i − 1).
    pub dof: f64,
}

/// The pooled standard deviation, √(Σ (n_i − 1)·s_i² / Σ (n_i − 1)). `None` without a series, or
/// for one of fewer than two values or with a standard deviation that is not finite.
#[must_use]
pub fn pooled_sd(series: &[Summary]) -> Option<PooledSd> {
    if series.iter().any(|s| s.n < 2 || !s.sd.is_finite()) {
        return None;
    }
    // Over the largest one, so that no square leaves the range of f64.
    let largest = series.iter().map(|s| s.sd.abs()).reduce(f64::max)?;
    let dof: f64 = series.iter().map(own_dof).sum();
    let unit = if largest > 0.0 { largest } else { 1.0 };
    let squares: f64 = series.iter().map(|s| own_dof(s) / dof * (s.sd / unit).powi(2)).sum();
    Some(PooledSd { sd: unit * squares.sqrt(), dof })
}

fn own_dof(series: &Summary) -> f64 {
    real(series.n - 1)
}

/// Bartlett's test of equal variances.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bartlett {
    /// Bartlett's statistic, about χ² distributed with one less than the number of series.
    pub statistic: f64,
    /// The chance of a statistic as large or larger for normal series of equal variance.
    pub p: f64,
}

/// Bartlett's test (Bartlett 1937, Proc. R. Soc. A 160:268; NIST/SEMATECH e-Handbook 1.3.5.7):
/// (ν·ln s² − Σ ν_i·ln s_i²)/(1 + (Σ 1/ν_i − 1/ν)/(3(k − 1))) of k series against χ²_{k−1}. `None`
/// for fewer than two series, or one without spread or of fewer than two values. It takes series
/// that are not normal for unequal ones.
#[must_use]
pub fn bartlett(series: &[Summary]) -> Option<Bartlett> {
    let pooled = pooled_sd(series)?;
    if series.len() < 2 || series.iter().any(|s| s.sd <= 0.0) {
        return None;
    }
    let k = real(series.len());
    let spread: f64 = series.iter().map(|s| 2.0 * own_dof(s) * (pooled.sd.ln() - s.sd.ln())).sum();
    let inverse: f64 = series.iter().map(|s| 1.0 / own_dof(s)).sum();
    let correction = 1.0 + (inverse - 1.0 / pooled.dof) / (3.0 * (k - 1.0));
    let statistic = spread.max(0.0) / correction;
    Some(Bartlett { statistic, p: chi_square_sf(statistic, k - 1.0) })
}

/// The one-sided normal tolerance factor of a mean of `n` ≥ 1 values and a standard deviation with
/// `dof` > 0 degrees of freedom of its own: with chance `confidence` at most the share `above` of
/// the population lies over mean + k·s. Exact: k = t'_{confidence}(dof, z·√n)/√n, noncentral t, z
/// the upper `above` point of the normal distribution (ISO 16269-6, from memory). With dof = n − 1
/// it is [`super::tolerance_factor`] of the content 1 − `above`, which is never formed. Both shares
/// lie between 0 and 1, else NaN.
#[must_use]
pub fn pooled_tolerance_factor(n: usize, dof: f64, above: f64, confidence: f64) -> f64 {
    if n == 0 {
        return f64::NAN;
    }
    let root_n = real(n).sqrt();
    noncentral_t_quantile(confidence, dof, normal_upper_quantile(above) * root_n) / root_n
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rand_core::SeedableRng as _;
    use rand_pcg::Pcg64;

    use super::*;
    use crate::stats::{normal_quantile, normal_sf, tolerance_factor};

    #[track_caller]
    fn check(found: f64, expected: f64, relative: f64) {
        let miss = (found - expected).abs();
        assert!(miss <= relative * expected.abs(), "found {found:e}, expected {expected:e}");
    }

    fn summaries(series: &[&[f64]]) -> Vec<Summary> {
        series.iter().map(|values| Summary::of(values).unwrap()).collect()
    }

    const UNEQUAL: [&[f64]; 3] =
        [&[1.2, 0.4, -0.3, 0.8, 1.9, 2.2], &[-1.1, 0.05, 0.6, 1.3], &[-0.7, 0.9, 3.3, 0.2, 1.1]];

    #[test]
    fn bartlett_holds() {
        let found = bartlett(&summaries(&UNEQUAL)).unwrap();
        // COMPUTED with SciPy: stats.bartlett(a, b, c).
        check(found.statistic, 0.972_641_666_508_047_7, 1e-13);
        check(found.p, 0.614_884_500_268_820_6, 1e-13);
        // SciPy's documentation of stats.bartlett: three series of ten, p = 1.1254782518834628e-05.
        let found = bartlett(&summaries(&[
            &[8.88, 9.12, 9.04, 8.98, 9.00, 9.08, 9.01, 8.85, 9.06, 8.99],
            &[8.88, 8.95, 9.29, 9.44, 9.15, 9.58, 8.36, 9.18, 8.67, 9.05],
            &[8.95, 9.12, 8.95, 8.85, 9.03, 8.84, 9.07, 8.98, 8.86, 8.98],
        ]))
        .unwrap();
        check(found.statistic, 22.789_434_813_726_768, 1e-11);
        check(found.p, 1.125_478_251_883_462_8e-5, 1e-10);
    }

    #[test]
    fn the_pooled_deviation_holds() {
        let found = pooled_sd(&summaries(&UNEQUAL)).unwrap();
        // COMPUTED with NumPy: sqrt(sum((len(x) - 1)*var(x, ddof=1))/12).
        check(found.sd, 1.165_018_180_592_522_4, 1e-14);
        check(found.dof, 12.0, 0.0);
    }

    #[test]
    fn factors_of_a_pooled_deviation_hold() {
        // COMPUTED with SciPy: stats.nct.ppf(.95, dof, norm.isf(above)*sqrt(n))/sqrt(n).
        for (n, dof, above, k) in [
            (10, 45.0, 1e-3, 3.964_575_296_764_166),
            (10, 9.0, 0.1, 2.354_640_131_829_059),
            (30, 295.0, 2.785e-6, 4.997_303_098_486_124),
            (12, 100.0, 0.05, 2.188_204_668_069_464_5),
        ] {
            check(pooled_tolerance_factor(n, dof, above, 0.95), k, 1e-9);
        }
        check(
            pooled_tolerance_factor(40, 39.0, 1e-3, 0.95),
            tolerance_factor(40, 0.999, 0.95),
            1e-12,
        );
    }

    #[test]
    fn what_has_no_spread_or_no_pulses_gives_nothing() {
        let constant = Summary { n: 10, mean: 1.0, sd: 0.0 };
        let spread = Summary { n: 10, mean: 1.0, sd: 1.0 };
        assert_eq!(bartlett(&[spread]), None);
        assert_eq!(bartlett(&[spread, constant]), None);
        assert_eq!(bartlett(&[]), None);
        assert_eq!(pooled_sd(&[]), None);
        assert_eq!(pooled_sd(&[Summary { n: 1, ..spread }]), None);
        assert_eq!(pooled_sd(&[Summary { sd: f64::NAN, ..spread }]), None);
        assert_eq!(pooled_sd(&[constant]).map(|s| s.sd.to_bits()), Some(0));
        assert!(pooled_tolerance_factor(0, 9.0, 0.01, 0.95).is_nan());
        assert!(pooled_tolerance_factor(9, 0.0, 0.01, 0.95).is_nan());
        assert!(pooled_tolerance_factor(9, 9.0, 1.0, 0.95).is_nan());
    }

    /// Five drives whose means differ: how often of 200 the true rate over each drive's limit stays
    /// at most `above`, and how often over all five at once.
    fn kept(n: usize, above: f64, seed: u64) -> ([usize; 5], usize) {
        let (means, sigma) = ([-3.0, 0.5, 2.0, 7.0, 19.0], 0.4);
        let mut random = Pcg64::seed_from_u64(seed);
        let mut normal = || {
            let bits = usize::try_from(random.next_u64() >> 11).unwrap();
            normal_quantile((real(bits) + 0.5) / 2.0_f64.powi(53))
        };
        let k = pooled_tolerance_factor(n, 5.0 * real(n - 1), above, 0.95);
        let (mut each, mut all) = ([0; 5], 0);
        for _ in 0..200 {
            let series = means.map(|mean| {
                let values: Vec<f64> = (0..n).map(|_| mean + sigma * normal()).collect();
                Summary::of(&values).unwrap()
            });
            let pooled = pooled_sd(&series).unwrap();
            let mut every = true;
            for (place, mean) in means.into_iter().enumerate() {
                let limit = series[place].mean + k * pooled.sd;
                let holds = normal_sf((limit - mean) / sigma) <= above;
                each[place] += usize::from(holds);
                every &= holds;
            }
            all += usize::from(every);
        }
        (each, all)
    }

    #[test]
    fn the_true_rate_over_a_pooled_limit_keeps_its_share_as_often_as_said() {
        for (n, above) in [(10, 1e-3), (10, 2.785e-6), (40, 1e-2)] {
            let (each, all) = kept(n, above, 12);
            // 95 % of 200 is 190 with a standard deviation of 3.1; a factor that is too large would
            // keep all of them.
            assert!(each.iter().all(|held| (181..200).contains(held)), "{n}, {above}: {each:?}");
            // The confidence is each drive's own; all five at once keep it less often.
            assert!(all < 190, "{n}, {above}: {all}");
        }
    }

    proptest! {
        #[test]
        fn any_series_end_in_a_test_or_in_nothing(
            counts in proptest::collection::vec((0_usize..9, proptest::num::f64::ANY), 0..7),
        ) {
            let series: Vec<Summary> =
                counts.into_iter().map(|(n, sd)| Summary { n, mean: 0.0, sd: sd.abs() }).collect();
            if let Some(test) = bartlett(&series) {
                prop_assert!(test.statistic >= 0.0 && (0.0..=1.0).contains(&test.p));
            }
            if let Some(pooled) = pooled_sd(&series) {
                let ends = series.iter().fold((f64::MAX, 0.0_f64), |(low, high), s| {
                    (low.min(s.sd), high.max(s.sd))
                });
                prop_assert!(ends.0 * (1.0 - 1e-12) <= pooled.sd);
                prop_assert!(pooled.sd <= ends.1 * (1.0 + 1e-12));
            }
        }
    }
}
