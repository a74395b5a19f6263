//! Tolerance and prediction factors of a normal sample, and the interval of a share. No units.

use super::distributions::{fisher_upper_quantile, normal_quantile, student_upper_quantile};
use super::noncentral_t::noncentral_t_quantile;
use super::series::real;

/// Two ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// The one-sided normal tolerance factor k₁: with confidence `confidence` at least the share
/// `content` of the population lies below mean + k₁·s of a sample of `n` ≥ 2. Exact:
/// t'_{confidence}(n − 1, z_{content}·√n)/√n, noncentral t (ISO 16269-6; NIST/SEMATECH e-Handbook
/// 7.2.6.3). Both shares lie between 0 and 1, else NaN.
#[must_use]
pub fn tolerance_factor(n: usize, content: f64, confidence: f64) -> f64 {
    if n < 2 {
        return f64::NAN;
    }
    let root_n = real(n).sqrt();
    let delta = normal_quantile(content) * root_n;
    noncentral_t_quantile(confidence, real(n - 1), delta) / root_n
}

/// The one-sided prediction factor t_{1−alpha, n−1}·√(1 + 1/n): one further independent value of
/// the same normal population exceeds mean + factor·s of a sample of `n` ≥ 2 with chance `alpha`.
#[must_use]
pub fn prediction_factor(n: usize, alpha: f64) -> f64 {
    if n < 2 {
        return f64::NAN;
    }
    student_upper_quantile(alpha, real(n - 1)) * (1.0 + 1.0 / real(n)).sqrt()
}

/// The two-sided Clopper–Pearson interval of a share of which `passed` of `n` were seen (Clopper &
/// Pearson 1934, Biometrika 26:404), at `confidence` between 0 and 1; `None` when `passed` > `n`
/// or `n` is 0.
#[must_use]
pub fn clopper_pearson(passed: usize, n: usize, confidence: f64) -> Option<Interval> {
    let alpha = 0.5 * (1.0 - confidence);
    // The lower end for the passes is one minus the upper end for the failures.
    let failed = n.checked_sub(passed)?;
    Some(Interval {
        low: 1.0 / (1.0 + upper_odds(failed, n, alpha)?),
        high: share(upper_odds(passed, n, alpha)?),
    })
}

/// The one-sided upper Clopper–Pearson bound at `confidence`; about 3/n at 0.95 when nothing
/// passed. `None` when `passed` > `n` or `n` is 0.
#[must_use]
pub fn clopper_pearson_upper(passed: usize, n: usize, confidence: f64) -> Option<f64> {
    Some(share(upper_odds(passed, n, 1.0 - confidence)?))
}

/// The odds of the share at which `passed` or fewer of `n` have the chance `alpha`, by Fisher's
/// distribution.
fn upper_odds(passed: usize, n: usize, alpha: f64) -> Option<f64> {
    let failed = n.checked_sub(passed).filter(|_| n > 0)?;
    if failed == 0 {
        return Some(f64::INFINITY);
    }
    let (d1, d2) = (2.0 * real(passed + 1), 2.0 * real(failed));
    Some(d1 * fisher_upper_quantile(alpha, d1, d2) / d2)
}

fn share(odds: f64) -> f64 {
    1.0 / (1.0 + 1.0 / odds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance, "found {found}, expected {expected}");
    }

    #[test]
    fn tolerance_factors_hold() {
        // COMPUTED with SciPy: stats.nct.ppf(.95, n - 1, norm.ppf(p)*sqrt(n))/sqrt(n).
        for (n, factors) in [
            (5, [3.406_633, 4.202_681, 5.741_085, 7.501_893]),
            (10, [2.354_640, 2.910_963, 3.981_118, 5.203_300]),
            (15, [2.068_372, 2.566_000, 3.520_127, 4.607_430]),
            (20, [1.925_991, 2.396_002, 3.295_157, 4.318_191]),
            (25, [1.838_100, 2.291_675, 3.157_955, 4.142_405]),
            (30, [1.777_329, 2.219_838, 3.063_901, 4.022_198]),
            (40, [1.697_179, 2.125_494, 2.940_942, 3.865_450]),
            (50, [1.645_565, 2.064_993, 2.862_449, 3.765_641]),
            (60, [1.608_913, 2.022_159, 2.807_055, 3.695_330]),
            (100, [1.526_749, 1.926_539, 2.683_958, 3.539_484]),
            (200, [1.449_551, 1.837_236, 2.569_737, 3.395_400]),
            (500, [1.385_052, 1.763_046, 2.475_429, 3.276_842]),
            (1000, [1.353_817, 1.727_263, 2.430_140, 3.220_046]),
        ] {
            for (content, k) in [0.9, 0.95, 0.99, 0.999].into_iter().zip(factors) {
                check(tolerance_factor(n, content, 0.95), k, 1e-6);
            }
        }
    }

    #[test]
    fn tolerance_factors_of_other_confidences_hold() {
        // COMPUTED with SciPy: stats.nct.ppf(g, n - 1, norm.ppf(p)*sqrt(n))/sqrt(n).
        for (n, confidence, factors) in [
            (20, 0.90, [1.765_206, 2.207_779, 3.051_543]),
            (20, 0.99, [2.275_646, 2.807_866, 3.831_558]),
            (30, 0.99, [2.029_834, 2.515_486, 3.446_506]),
        ] {
            for (content, k) in [0.9, 0.95, 0.99].into_iter().zip(factors) {
                check(tolerance_factor(n, content, confidence), k, 1e-6);
            }
        }
    }

    #[test]
    fn the_handbook_example_gets_the_exact_factor_and_not_the_closed_form() {
        // COMPUTED with SciPy: stats.nct.ppf(.99, 42, norm.ppf(.9)*sqrt(43))/sqrt(43).
        check(tolerance_factor(43, 0.9, 0.99), 1.873_954, 1e-6);
        // NIST/SEMATECH e-Handbook 7.2.6.3 prints 1.8740, from memory; its approximation, 1.8752,
        // lies outside.
        check(tolerance_factor(43, 0.9, 0.99), 1.874_0, 5e-5);
    }

    #[test]
    fn prediction_factors_hold() {
        // COMPUTED with SciPy: stats.t.isf(a, n - 1)*sqrt(1 + 1/n).
        for (n, factors) in [
            (5, [2.335_321, 4.104_575, 7.857_827, 14.277_672, 45.546_257]),
            (10, [1.922_585, 2.959_149, 4.506_528, 6.303_480, 11.243_399]),
            (20, [1.771_834, 2.602_196, 3.667_794, 4.703_212, 6.889_429]),
            (30, [1.727_214, 2.502_719, 3.452_380, 4.324_211, 6.014_916]),
            (50, [1.693_233, 2.428_822, 3.297_568, 4.060_496, 5.444_440]),
            (100, [1.668_672, 2.376_399, 3.190_437, 3.882_357, 5.077_171]),
        ] {
            for (alpha, factor) in [0.05, 0.01, 1e-3, 1e-4, 1e-6].into_iter().zip(factors) {
                check(prediction_factor(n, alpha), factor, 1e-6);
            }
        }
        // COMPUTED with SciPy: stats.t.isf(.002, 29)*sqrt(1 + 1/30), five bands that share 0.01.
        check(prediction_factor(30, 0.002), 3.178_259, 1e-6);
    }

    #[test]
    fn clopper_pearson_intervals_hold() {
        // SciPy's documentation of binomtest: 7 of 50.
        check(clopper_pearson(7, 50, 0.95).unwrap().low, 0.058_191_700_339_973_42, 1e-12);
        check(clopper_pearson(7, 50, 0.95).unwrap().high, 0.267_396_002_497_008_46, 1e-12);
        // COMPUTED with SciPy: stats.binomtest(k, n).proportion_ci(confidence, "exact"); the first
        // also NIST/SEMATECH e-Handbook 7.2.4.1, from memory.
        for (passed, n, confidence, low, high) in [
            (4, 20, 0.9, 0.071_353_88, 0.401_028_12),
            (0, 30, 0.95, 0.0, 0.115_703_31),
            (30, 30, 0.95, 1.0 - 0.115_703_31, 1.0),
            (5, 10, 0.95, 0.187_086_03, 0.812_913_97),
            (10, 100, 0.95, 0.049_004_69, 0.176_222_60),
            (81, 263, 0.95, 0.252_736_75, 0.367_621_92),
            (1, 29, 0.95, 0.000_872_65, 0.177_644_30),
            (99, 100, 0.95, 0.945_540_61, 0.999_746_85),
        ] {
            let found = clopper_pearson(passed, n, confidence).unwrap();
            check(found.low, low, 1e-8);
            check(found.high, high, 1e-8);
        }
    }

    #[test]
    fn nothing_in_n_is_bounded_near_three_over_n() {
        // COMPUTED with SciPy: stats.beta.ppf(.95, 1, n).
        for (n, bound) in [(30, 0.095_033_85), (100, 0.029_513_05), (3000, 0.000_998_08)] {
            check(clopper_pearson_upper(0, n, 0.95).unwrap(), bound, 1e-8);
            // Closed form: 1 − 0.05^(1/n).
            let exact = -(0.05_f64.ln() / f64::from(u32::try_from(n).unwrap())).exp_m1();
            check(clopper_pearson_upper(0, n, 0.95).unwrap(), exact, 1e-12);
        }
    }

    #[test]
    fn counts_that_cannot_be_have_no_interval_and_samples_too_small_no_factor() {
        assert_eq!(clopper_pearson(2, 1, 0.95), None);
        assert_eq!(clopper_pearson(0, 0, 0.95), None);
        assert_eq!(clopper_pearson_upper(2, 1, 0.95), None);
        assert!(tolerance_factor(1, 0.9, 0.95).is_nan());
        assert!(prediction_factor(0, 0.1).is_nan());
    }
}
