//! What a series of levels shows: mean and spread, serial correlation, trend, outliers, normality.
//!
//! Values are finite and share one unit (here dB), which mean, deviation and slope keep; all else
//! has no unit. Means are taken relative to the first value, so a constant series has a deviation
//! of exactly zero and none of rounding. Sources stand at each function.

use super::distributions::{normal_cdf, normal_sf, student_sf, student_upper_quantile};

/// The longest lag of [`autocorrelations`].
pub const LAGS: usize = 10;

/// Count, mean and sample standard deviation (divisor n − 1) of at least two values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summary {
    /// Number of values, at least 2.
    pub n: usize,
    /// Mean, in the unit of the values.
    pub mean: f64,
    /// Standard deviation with divisor n − 1, in the unit of the values.
    pub sd: f64,
}

impl Summary {
    /// `None` for fewer than two values or one that is not finite.
    #[must_use]
    pub fn of(values: &[f64]) -> Option<Self> {
        if values.len() < 2 || values.iter().any(|x| !x.is_finite()) {
            return None;
        }
        let (mean, squares) = mean_and_squares(values);
        let sd = (squares / real(values.len() - 1)).sqrt();
        (mean.is_finite() && sd.is_finite()).then_some(Self { n: values.len(), mean, sd })
    }
}

/// Mean, and sum of squared deviations from it, of a series that is not empty.
fn mean_and_squares(values: &[f64]) -> (f64, f64) {
    let first = values[0];
    let mean = first + values.iter().map(|x| x - first).sum::<f64>() / real(values.len());
    (mean, values.iter().map(|x| (x - mean) * (x - mean)).sum())
}

/// A count as a number; exact up to 2⁵³.
pub(super) fn real(count: usize) -> f64 {
    count as f64
}

/// Autocorrelation at one lag, `Σ (x_i − m)(x_{i+k} − m) / Σ (x_i − m)²`, the usual estimator
/// that is biased toward zero (Box, Jenkins & Reinsel, Time Series Analysis, section 2.1).
/// Zero when all values are equal or the lag reaches beyond the series.
#[must_use]
pub fn autocorrelation(values: &[f64], lag: usize) -> f64 {
    if values.is_empty() || lag >= values.len() {
        return 0.0;
    }
    let (mean, squares) = mean_and_squares(values);
    if squares > 0.0 {
        let products = values.iter().zip(&values[lag..]).map(|(a, b)| (a - mean) * (b - mean));
        products.sum::<f64>() / squares
    } else {
        0.0
    }
}

/// Autocorrelations at lags 1 to [`LAGS`].
#[must_use]
pub fn autocorrelations(values: &[f64]) -> [f64; LAGS] {
    std::array::from_fn(|i| autocorrelation(values, i + 1))
}

/// Straight line through a series by least squares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Slope, unit of the values per step.
    pub slope_per_step: f64,
    /// Slope over its standard error; infinite when the line fits exactly.
    pub t_statistic: f64,
    /// Two-sided p of no slope, Student with n − 2 degrees of freedom, for independent residuals.
    pub p_two_sided: f64,
}

/// The trend of a series over its index; `None` for fewer than three values or one that is not
/// finite.
#[must_use]
pub fn trend(values: &[f64]) -> Option<Trend> {
    let n = values.len();
    let Summary { mean, .. } = Summary::of(values).filter(|_| n >= 3)?;
    let middle = 0.5 * real(n - 1);
    let steps = || (0..n).map(|i| real(i) - middle);
    let spread: f64 = steps().map(|u| u * u).sum();
    let slope = steps().zip(values).map(|(u, x)| u * (x - mean)).sum::<f64>() / spread;
    let residual: f64 =
        steps().zip(values).map(|(u, x)| (x - mean - slope * u).powi(2)).sum::<f64>();
    let t = if slope == 0.0 { 0.0 } else { slope / (residual / real(n - 2) / spread).sqrt() };
    Some(Trend {
        slope_per_step: slope,
        t_statistic: t,
        p_two_sided: (2.0 * student_sf(t.abs(), real(n - 2))).min(1.0),
    })
}

/// The value furthest from the mean, beyond Grubbs' critical distance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outlier {
    /// Place in the series.
    pub index: usize,
    /// |value − mean| / standard deviation.
    pub g: f64,
    /// What `g` exceeded.
    pub critical: f64,
    /// Two-sided p, Bonferroni over the n values (an upper bound, exact when small).
    pub p: f64,
}

/// Grubbs' two-sided test for one outlier (Grubbs 1969, Technometrics 11:1; NIST/SEMATECH
/// e-Handbook 1.3.5.17.1): G over `(n−1)/√n · √(t²/(n−2+t²))`, t the upper
/// significance/(2n) point of Student's distribution with n − 2 degrees of freedom. `None` when
/// nothing is beyond it, for fewer than three values, or when all are equal.
#[must_use]
pub fn grubbs(values: &[f64], significance: f64) -> Option<Outlier> {
    let Summary { n, mean, sd } = Summary::of(values).filter(|s| s.n >= 3 && s.sd > 0.0)?;
    let (index, distance) =
        values.iter().map(|x| (x - mean).abs()).enumerate().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let g = distance / sd;
    let count = real(n);
    let t = student_upper_quantile(significance / (2.0 * count), count - 2.0);
    let critical = (count - 1.0) / count.sqrt() / ((count - 2.0) / (t * t) + 1.0).sqrt();
    // G cannot exceed (n−1)/√n; rounding may.
    let room = ((count - 1.0).powi(2) - count * g * g).max(0.0);
    let t_of_g = (count * (count - 2.0) * g * g / room).sqrt();
    let p = (2.0 * count * student_sf(t_of_g, count - 2.0)).min(1.0);
    (g > critical).then_some(Outlier { index, g, critical, p })
}

/// The chance that the largest of n normal values lies this far above the rest or further: one-sided
/// Grubbs' p = n·P(t_{n−2} > t_G), Bonferroni, t_G² = n(n−2)G²/((n−1)² − nG²). `None` for fewer than
/// three values, one that is not finite, or when all are equal.
#[must_use]
pub fn largest_of_normal(values: &[f64]) -> Option<f64> {
    let Summary { n, mean, sd } = Summary::of(values).filter(|s| s.n >= 3 && s.sd > 0.0)?;
    let g = values.iter().fold(f64::NEG_INFINITY, |a, x| a.max((x - mean) / sd));
    let count = real(n);
    let room = ((count - 1.0).powi(2) - count * g * g).max(0.0);
    let t_of_g = (count * (count - 2.0) * g * g / room).sqrt();
    Some((count * student_sf(t_of_g, count - 2.0)).min(1.0))
}

/// Outliers by repeated [`grubbs`] tests, each after removal of those found, at most a tenth of
/// the series; their places in ascending order.
#[must_use]
pub fn grubbs_outliers(values: &[f64], significance: f64) -> Vec<usize> {
    let mut kept: Vec<usize> = (0..values.len()).collect();
    let mut rest = values.to_vec();
    let mut found = Vec::new();
    while found.len() < values.len() / 10 {
        let Some(outlier) = grubbs(&rest, significance) else { break };
        rest.remove(outlier.index);
        found.push(kept.remove(outlier.index));
    }
    found.sort_unstable();
    found
}

/// Anderson–Darling's test of normality with mean and variance estimated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AndersonDarling {
    /// A².
    pub a2: f64,
    /// A²·(1 + 0.75/n + 2.25/n²).
    pub a2_star: f64,
    /// p of a normal population; below 4e-24 it is printed as that.
    pub p: f64,
}

/// Anderson–Darling's A² = −n − Σ (2i−1)/n · [ln Φ(z_i) + ln(1 − Φ(z_{n+1−i}))], Stephens'
/// small-sample factor and p (D'Agostino & Stephens 1986, Goodness-of-Fit Techniques, tables 4.7
/// and 4.9, from memory). `None` for fewer than eight values, the range the formula was made for,
/// one that is not finite, or when all are equal.
#[must_use]
pub fn anderson_darling_normal(values: &[f64]) -> Option<AndersonDarling> {
    let Summary { n, mean, sd } = Summary::of(values).filter(|s| s.n >= 8 && s.sd > 0.0)?;
    let mut z: Vec<f64> = values.iter().map(|x| (x - mean) / sd).collect();
    z.sort_unstable_by(f64::total_cmp);
    let count = real(n);
    let ln = |p: f64| p.max(f64::MIN_POSITIVE).ln();
    let sum: f64 = z
        .iter()
        .zip(z.iter().rev())
        .enumerate()
        .map(|(i, (low, high))| {
            (2.0 * real(i) + 1.0) * (ln(normal_cdf(*low)) + ln(normal_sf(*high)))
        })
        .sum();
    let a2 = -count - sum / count;
    let a2_star = a2 * (1.0 + 0.75 / count + 2.25 / (count * count));
    // The last parabola has its minimum at 153; beyond 10 the formula is not carried on.
    let a = a2_star.min(10.0);
    let p = if a >= 0.6 {
        (1.2937 - 5.709 * a + 0.0186 * a * a).exp()
    } else if a > 0.34 {
        (0.9177 - 4.279 * a - 1.38 * a * a).exp()
    } else if a > 0.2 {
        1.0 - (-8.318 + 42.796 * a - 59.938 * a * a).exp()
    } else {
        1.0 - (-13.436 + 101.14 * a - 223.73 * a * a).exp()
    };
    Some(AndersonDarling { a2, a2_star, p })
}

/// The difference of two means with its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoSample {
    /// Mean of the second series minus mean of the first.
    pub difference: f64,
    /// Standard error of the difference.
    pub standard_error: f64,
    /// Welch's degrees of freedom.
    pub dof: f64,
    /// Lower end of the 95 % interval.
    pub low: f64,
    /// Upper end of the 95 % interval.
    pub high: f64,
}

/// Compares two series of independent values by Welch's interval (Welch 1947, Biometrika 34:28);
/// `None` when either has fewer than two values or one that is not finite.
#[must_use]
pub fn two_sample(first: &[f64], second: &[f64]) -> Option<TwoSample> {
    let (a, b) = (Summary::of(first)?, Summary::of(second)?);
    let (variance_a, variance_b) = (a.sd * a.sd / real(a.n), b.sd * b.sd / real(b.n));
    let variance = variance_a + variance_b;
    let standard_error = variance.sqrt();
    let dof = if variance > 0.0 {
        let (share_a, share_b) = (variance_a / variance, variance_b / variance);
        1.0 / (share_a * share_a / real(a.n - 1) + share_b * share_b / real(b.n - 1))
    } else {
        real(a.n + b.n - 2)
    };
    let difference = b.mean - a.mean;
    let half = student_upper_quantile(0.025, dof) * standard_error;
    Some(TwoSample {
        difference,
        standard_error,
        dof,
        low: difference - half,
        high: difference + half,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Twelve levels with no pattern in them.
    const LEVELS: [f64; 12] = [1.2, 0.4, -0.3, 0.8, 1.9, 2.2, -1.1, 0.05, 0.6, 1.3, -0.7, 0.9];
    /// The worked example of Grubbs' test.
    const URANIUM: [f64; 8] = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57];

    #[track_caller]
    fn check(found: f64, expected: f64, relative: f64) {
        let miss = (found - expected).abs();
        assert!(miss <= relative * expected.abs(), "found {found:e}, expected {expected:e}");
    }

    #[test]
    fn mean_and_sample_deviation_hold() {
        let found = Summary::of(&LEVELS).unwrap();
        // COMPUTED with numpy: x.mean(), x.std(ddof=1).
        check(found.mean, 0.604_166_666_666_666_6, 1e-14);
        check(found.sd, 0.998_284_513_401_349_7, 1e-14);
    }

    #[test]
    fn a_series_too_short_or_not_finite_has_no_summary() {
        assert_eq!(Summary::of(&[]), None);
        assert_eq!(Summary::of(&[1.0]), None);
        assert_eq!(Summary::of(&[1.0, f64::NAN]), None);
        assert_eq!(Summary::of(&[f64::MAX, -f64::MAX]), None);
        assert_eq!(trend(&[1.0, 2.0]), None);
        assert_eq!(grubbs(&[1.0, 2.0], 0.05), None);
        assert_eq!(anderson_darling_normal(&LEVELS[..7]), None);
        assert_eq!(two_sample(&LEVELS, &[1.0]), None);
    }

    #[test]
    fn a_constant_series_has_no_spread_and_no_correlation() {
        let constant = [0.1; 17];
        check(Summary::of(&constant).unwrap().sd, 0.0, 0.0);
        assert_eq!(autocorrelations(&constant).map(f64::to_bits), [0; LAGS]);
        assert_eq!(grubbs(&constant, 0.05), None);
        assert_eq!(anderson_darling_normal(&constant), None);
        let flat = trend(&constant).unwrap();
        check(flat.p_two_sided, 1.0, 0.0);
        check(flat.t_statistic, 0.0, 0.0);
        check(two_sample(&constant, &constant).unwrap().high, 0.0, 0.0);
    }

    #[test]
    fn autocorrelations_hold() {
        let found = autocorrelations(&LEVELS);
        // COMPUTED with statsmodels: tsa.stattools.acf(x, nlags=10, fft=False).
        check(found[0], -0.078_585_365_235_624_6, 1e-12);
        check(found[1], -0.428_536_586_910_938_3, 1e-12);
        check(found[2], -0.284_027_632_604_192_5, 1e-12);
        check(found[9], -0.076_395_091_760_264, 1e-12);
        // Beyond the series there is nothing to correlate.
        check(autocorrelation(&LEVELS, 12), 0.0, 0.0);
    }

    #[test]
    fn a_trend_holds() {
        let found = trend(&LEVELS).unwrap();
        // COMPUTED with SciPy: stats.linregress(arange(12), x).
        check(found.slope_per_step, -0.041_433_566_433_566_44, 1e-12);
        check(found.t_statistic, -0.478_616_666_771_408_5, 1e-12);
        check(found.p_two_sided, 0.642_503_757_243_068, 1e-12);
    }

    #[test]
    fn grubbs_finds_the_outlier_of_the_handbook() {
        let found = grubbs(&URANIUM, 0.05).unwrap();
        assert_eq!(found.index, 7);
        // NIST/SEMATECH e-Handbook 1.3.5.17.1, from memory: G = 2.4687.
        check(found.g, 2.468_7, 5e-5);
        // COMPUTED with SciPy: (n-1)/sqrt(n)*sqrt(t*t/(n-2+t*t)), t = stats.t.isf(.05/16, 6).
        check(found.critical, 2.126_645_087_195_468_5, 1e-12);
        // COMPUTED with SciPy: 16*stats.t.sf(sqrt(48*G*G/(49-8*G*G)), 6).
        check(found.p, 3.002_638_682e-7, 1e-7);
        assert_eq!(grubbs(&URANIUM[..7], 0.05), None);
    }

    #[test]
    fn repeated_grubbs_gives_places_and_stops_at_a_tenth() {
        let mut values: Vec<f64> = LEVELS.iter().chain(&LEVELS).copied().collect();
        values[20] = 50.0;
        values[3] = -40.0;
        assert_eq!(grubbs_outliers(&values, 0.05), [3, 20]);
        values[11] = 45.0;
        assert_eq!(grubbs_outliers(&values, 0.05).len(), 2);
        assert!(grubbs_outliers(&LEVELS, 0.05).is_empty());
        assert!(grubbs_outliers(&[], 0.05).is_empty());
    }

    #[test]
    fn anderson_darling_holds_in_every_piece_of_its_formula() {
        let exponentials = LEVELS.map(f64::exp);
        let even: Vec<f64> = (0..21).map(|i| f64::from(i) / 10.0 - 1.0).collect();
        // COMPUTED with statsmodels: stats.diagnostic.normal_ad(x), normal_ad(exp(x)),
        // normal_ad(linspace(-1, 1, 21)).
        for (values, a2, p) in [
            (&LEVELS[..], 0.119_918_159_154_094_54, 0.983_420_671_792_615_8),
            (&exponentials[..], 0.811_660_643_160_285_7, 0.025_025_975_233_572_69),
            (&even[..], 0.230_309_039_440_637_52, 0.777_642_677_321_138_9),
        ] {
            let found = anderson_darling_normal(values).unwrap();
            check(found.a2, a2, 1e-12);
            check(found.p, p, 1e-11);
        }
        let found = anderson_darling_normal(&LEVELS).unwrap();
        check(found.a2_star, found.a2 * (1.0 + 0.75 / 12.0 + 2.25 / 144.0), 1e-15);
    }

    #[test]
    fn two_samples_are_compared_as_welch_does() {
        let found = two_sample(&LEVELS, &[2.1, 1.7, 3.3, 0.2, 1.1, 2.8, 2.6]).unwrap();
        // COMPUTED with SciPy: stats.ttest_ind(b, x, equal_var=False) and its
        // confidence_interval(.95).
        check(found.difference, 1.367_261_904_761_904_7, 1e-13);
        check(found.standard_error, 0.495_750_695_992_237_9, 1e-13);
        check(found.dof, 11.984_537_306_498_362, 1e-13);
        check(found.low, 0.286_959_341_445_939_7, 1e-12);
        check(found.high, 2.447_564_468_077_869_6, 1e-12);
    }
}
