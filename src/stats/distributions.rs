//! Distribution functions and quantiles with relative accuracy in the tails.
//!
//! Normal from erfc; Student, Fisher and binomial from the regularised incomplete beta function
//! (DLMF 8.17); chi-square from the regularised incomplete gamma function (DLMF 8.2). A false-alarm
//! share of 1e-12 is an ordinary argument here, so `*_sf` is P(X > x), `*_upper_quantile(alpha)` is
//! the point with P(X > point) = alpha, and 1 − alpha is never formed. Arguments and results have
//! no unit. Outside a domain the result is NaN.

use std::f64::consts::{FRAC_1_SQRT_2, LN_2, PI};

use statrs::function::gamma::{checked_gamma_lr, checked_gamma_ur};

use super::incomplete_beta::{Tails, stirling_error, tails};
use super::root::root_of_decreasing;

/// P(Z ≤ z) of the standard normal distribution.
#[must_use]
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z * FRAC_1_SQRT_2)
}

/// P(Z > z) of the standard normal distribution.
#[must_use]
pub fn normal_sf(z: f64) -> f64 {
    0.5 * libm::erfc(z * FRAC_1_SQRT_2)
}

/// The z with P(Z ≤ z) = p, 0 ≤ p ≤ 1.
#[must_use]
pub fn normal_quantile(p: f64) -> f64 {
    -normal_upper_quantile(p)
}

/// The z with P(Z > z) = alpha, 0 ≤ alpha ≤ 1.
///
/// Starts from Abramowitz & Stegun 26.2.23 (error below 4.5e-4) and polishes by Newton steps on
/// ln P(Z > z), which is concave, so the steps converge from anywhere.
#[must_use]
pub fn normal_upper_quantile(alpha: f64) -> f64 {
    if !(0.0..=1.0).contains(&alpha) {
        return f64::NAN;
    }
    if alpha > 0.5 {
        return -normal_upper_quantile(1.0 - alpha);
    }
    if alpha == 0.0 {
        return f64::INFINITY;
    }
    let t = (-2.0 * alpha.ln()).sqrt();
    let mut z = t
        - (2.515_517 + t * (0.802_853 + t * 0.010_328))
            / (1.0 + t * (1.432_788 + t * (0.189_269 + t * 0.001_308)));
    for _ in 0..4 {
        let tail = normal_sf(z);
        let hazard = (-0.5 * z * z).exp() / ((2.0 * PI).sqrt() * tail);
        z += (tail / alpha).ln() / hazard;
    }
    z
}

/// P(T > t) of Student's distribution with real `dof` > 0.
#[must_use]
pub fn student_sf(t: f64, dof: f64) -> f64 {
    let beyond = 0.5 * student_tails(t, dof).ln_lower.exp();
    if t < 0.0 { 1.0 - beyond } else { beyond }
}

/// ln P(T ≤ t) of Student's distribution with real `dof` > 0, accurate in both tails, also where
/// the probability itself is below the smallest f64.
#[must_use]
pub fn student_ln_cdf(t: f64, dof: f64) -> f64 {
    let ln_beyond = student_tails(t, dof).ln_lower - LN_2;
    if t <= 0.0 { ln_beyond } else { (-ln_beyond.exp()).ln_1p() }
}

/// The t with P(T > t) = alpha, 0 ≤ alpha ≤ 1, for real `dof` > 0.
#[must_use]
pub fn student_upper_quantile(alpha: f64, dof: f64) -> f64 {
    if !((0.0..=1.0).contains(&alpha) && dof > 0.0) {
        return f64::NAN;
    }
    if alpha > 0.5 {
        return -student_upper_quantile(1.0 - alpha, dof);
    }
    let z = normal_upper_quantile(alpha);
    // Zero and infinity are their own quantiles in both distributions.
    if z <= 0.0 || z.is_infinite() {
        return z.max(0.0);
    }
    let ln_alpha = alpha.ln();
    // Student's tail is heavier than the normal one, so the root lies above z. It is a power law
    // far out and nearly straight in ln t.
    root_of_decreasing(|ln_t| student_ln_cdf(-ln_t.exp(), dof) - ln_alpha, z.ln() - 1e-6, 0.05)
        .exp()
}

/// The beta tails behind Student's distribution: the lower one is P(|T| > |t|).
fn student_tails(t: f64, dof: f64) -> Tails {
    let ratio = t * t / dof;
    let y = if ratio.is_infinite() { 1.0 } else { ratio / (1.0 + ratio) };
    tails(1.0 / (1.0 + ratio), y, 0.5 * dof, 0.5)
}

/// P(F > x) of Fisher's distribution with real `d1`, `d2` > 0 degrees of freedom.
#[must_use]
pub fn fisher_sf(x: f64, d1: f64, d2: f64) -> f64 {
    fisher_tails(x, d1, d2).ln_lower.exp()
}

/// The x with P(F > x) = alpha, 0 ≤ alpha ≤ 1, for real `d1`, `d2` > 0.
#[must_use]
pub fn fisher_upper_quantile(alpha: f64, d1: f64, d2: f64) -> f64 {
    if !((0.0..=1.0).contains(&alpha) && d1 > 0.0 && d2 > 0.0) {
        return f64::NAN;
    }
    if alpha == 0.0 {
        return f64::INFINITY;
    }
    // The smaller tail decides, so that neither end rounds away.
    let (ln_alpha, ln_rest) = (alpha.ln(), (-alpha).ln_1p());
    let first_step = (2.0 / d1 + 2.0 / d2).sqrt();
    let ln_x = if alpha <= 0.5 {
        let miss = |ln_x: f64| fisher_tails(ln_x.exp(), d1, d2).ln_lower - ln_alpha;
        root_of_decreasing(miss, 0.0, first_step)
    } else {
        let miss = |ln_x: f64| ln_rest - fisher_tails(ln_x.exp(), d1, d2).ln_upper;
        root_of_decreasing(miss, 0.0, first_step)
    };
    ln_x.exp()
}

/// The beta tails behind Fisher's distribution: the lower one is P(F > x).
fn fisher_tails(x: f64, d1: f64, d2: f64) -> Tails {
    let ratio = if x < 0.0 { 0.0 } else { d1 * x / d2 };
    let y = if ratio.is_infinite() { 1.0 } else { ratio / (1.0 + ratio) };
    tails(1.0 / (1.0 + ratio), y, 0.5 * d2, 0.5 * d1)
}

/// P(X > x) of the chi-square distribution with real `dof` > 0.
#[must_use]
pub fn chi_square_sf(x: f64, dof: f64) -> f64 {
    if x <= 0.0 && dof > 0.0 {
        return 1.0;
    }
    checked_gamma_ur(0.5 * dof, 0.5 * x).unwrap_or(f64::NAN)
}

/// P(X ≤ x) of the chi-square distribution with real `dof` > 0.
fn chi_square_cdf(x: f64, dof: f64) -> f64 {
    if x <= 0.0 && dof > 0.0 {
        return 0.0;
    }
    checked_gamma_lr(0.5 * dof, 0.5 * x).unwrap_or(f64::NAN)
}

/// The x with P(X > x) = alpha, 0 < alpha ≤ 1, of the chi-square distribution, real `dof` > 0.
#[must_use]
pub fn chi_square_upper_quantile(alpha: f64, dof: f64) -> f64 {
    if alpha > 0.5 { chi_square_quantile(1.0 - alpha, dof) } else { chi_square(alpha, dof, true) }
}

/// The x with P(X ≤ x) = p, 0 ≤ p < 1, of the chi-square distribution, real `dof` > 0.
#[must_use]
pub fn chi_square_quantile(p: f64, dof: f64) -> f64 {
    if p > 0.5 { chi_square(1.0 - p, dof, true) } else { chi_square(p, dof, false) }
}

/// The point where the upper or lower tail is `tail` ≤ ½.
fn chi_square(tail: f64, dof: f64, upper: bool) -> f64 {
    if !((0.0..=1.0).contains(&tail) && dof > 0.0) {
        return f64::NAN;
    }
    if tail == 0.0 {
        return if upper { f64::INFINITY } else { 0.0 };
    }
    let ln_tail = tail.ln();
    let miss = |ln_x: f64| {
        if upper {
            chi_square_sf(ln_x.exp(), dof).max(f64::MIN_POSITIVE).ln() - ln_tail
        } else {
            ln_tail - chi_square_cdf(ln_x.exp(), dof).max(f64::MIN_POSITIVE).ln()
        }
    };
    root_of_decreasing(miss, dof.ln(), (2.0 / dof).sqrt()).exp()
}

/// P(Bin(n, p) ≥ m): at least `m` of `n` independent pulses pass, each with chance `p`.
#[must_use]
pub fn binomial_tail(m: u64, n: u64, p: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if m == 0 {
        return 1.0;
    }
    if m > n {
        return 0.0;
    }
    tails(p, 1.0 - p, m as f64, (n - m + 1) as f64).ln_lower.exp()
}

/// ln of the density of v = ln √(χ²/dof), the logarithm of a standard deviation estimated with
/// `dof` degrees of freedom over the true one.
pub(super) fn ln_density_of_ln_scale(v: f64, dof: f64) -> f64 {
    0.5 * (dof / PI).ln() - stirling_error(0.5 * dof) + dof * (v - 0.5 * (2.0 * v).exp_m1())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(found: f64, expected: f64, relative: f64) {
        let miss = (found - expected).abs();
        assert!(miss <= relative * expected.abs(), "found {found:e}, expected {expected:e}");
    }

    #[test]
    fn normal_quantiles_and_tails_hold() {
        // COMPUTED with SciPy: stats.norm.ppf(p).
        for (alpha, z) in [
            (0.1, 1.281_551_565_5),
            (0.05, 1.644_853_627_0),
            (0.025, 1.959_963_984_5),
            (0.01, 2.326_347_874_0),
            (0.005, 2.575_829_303_5),
            (1e-3, 3.090_232_306_2),
            (1e-4, 3.719_016_485_5),
            (1e-6, 4.753_424_308_8),
        ] {
            check(normal_upper_quantile(alpha), z, 5e-11);
            check(normal_quantile(alpha), -z, 5e-11);
            check(normal_quantile(1.0 - alpha), z, 5e-11);
        }
        // COMPUTED with SciPy: stats.norm.isf([1e-12, 2.785e-6, 1e-300]).
        check(normal_upper_quantile(1e-12), 7.034_483_825_301_131, 1e-14);
        check(normal_upper_quantile(2.785e-6), 4.542_087_165_924_868, 1e-14);
        check(normal_upper_quantile(1e-300), 37.047_096_299_361_2, 1e-14);
        // COMPUTED with SciPy: stats.norm.sf(6), stats.norm.sf(10).
        check(normal_sf(6.0), 9.865_876_450_376_946e-10, 1e-13);
        check(normal_cdf(-10.0), 7.619_853_024_160_47e-24, 1e-13);
    }

    #[test]
    fn student_quantiles_hold_down_to_1e_12() {
        // COMPUTED with SciPy: stats.t.ppf(p, dof).
        check(student_upper_quantile(0.05, 9.0), 1.833_113, 3e-7);
        check(student_upper_quantile(0.025, 10.0), 2.228_139, 3e-7);
        check(student_upper_quantile(0.01, 29.0), 2.462_021, 3e-7);
        check(student_upper_quantile(0.005, 30.0), 2.749_996, 3e-7);
        check(student_upper_quantile(0.05, 1.0), 6.313_752, 3e-7);
        // COMPUTED with SciPy: stats.t.isf(alpha, dof).
        check(student_upper_quantile(0.025, 3.7), 2.867_520_707_191_190_3, 1e-12);
        check(student_upper_quantile(2.785e-6, 29.0), 5.545_996_509_884_833, 1e-12);
        check(student_upper_quantile(1e-12, 9.0), 51.414_916_023_282_23, 1e-12);
        check(student_upper_quantile(1e-12, 29.0), 11.613_158_011_561_406, 1e-12);
        check(student_upper_quantile(1e-12, 10_000.0), 7.043_371_602_055_775_5, 1e-12);
        // Closed form: one degree of freedom is Cauchy, t = cot(π·alpha).
        check(student_upper_quantile(1e-12, 1.0), 1.0 / (PI * 1e-12).tan(), 1e-12);
        // Symmetry.
        check(student_upper_quantile(0.95, 9.0), -student_upper_quantile(0.05, 9.0), 1e-14);
        assert!(student_upper_quantile(0.5, 9.0).abs() < 1e-300);
    }

    #[test]
    fn student_tails_hold_on_both_sides() {
        // COMPUTED with SciPy: stats.t.sf(10, 9).
        check(student_sf(10.0, 9.0), 1.789_118_715_962e-6, 1e-12);
        check(student_sf(-10.0, 9.0), 1.0 - 1.789_118_715_962e-6, 1e-15);
        // COMPUTED with mpmath: log(betainc(dof/2, .5, 0, dof/(dof+t**2), regularized=True)/2).
        check(student_ln_cdf(-10.0, 9.0), -13.233_787_396_800_68, 1e-14);
        check(student_ln_cdf(-40.0, 99.0), -143.902_043_212_234_5, 1e-14);
        check(student_ln_cdf(-300.0, 10_000.0), -11_518.396_929_540_173, 1e-13);
        check(student_ln_cdf(3.0, 29.0), -0.002_753_383_149_775_73, 1e-13);
        check(student_ln_cdf(0.0, 5.0), -LN_2, 1e-15);
    }

    #[test]
    fn three_deviations_above_ten_pulses_are_not_one_in_a_thousand() {
        // COMPUTED with SciPy: stats.t.sf(3/sqrt(1 + 1/n), n - 1).
        for (n, share) in [
            (5.0, 0.025_989_847_100_962_967),
            (10.0, 0.009_384_261_030_014_867),
            (20.0, 0.004_318_046_707_690_743),
            (30.0, 0.003_104_339_705_585_242),
            (100.0, 0.001_785_778_849_698_695_7),
        ] {
            let t = 3.0 / (1.0_f64 + 1.0 / n).sqrt();
            check(student_sf(t, n - 1.0), share, 1e-12);
        }
        // COMPUTED with SciPy: stats.norm.sf(3).
        check(normal_sf(3.0), 0.001_349_898_0, 3e-8);
    }

    #[test]
    fn fisher_quantiles_and_tails_hold() {
        // COMPUTED with SciPy: stats.f.ppf(p, d1, d2).
        check(fisher_upper_quantile(0.05, 5.0, 10.0), 3.325_835, 2e-7);
        check(fisher_upper_quantile(0.01, 10.0, 10.0), 4.849_147, 2e-7);
        check(fisher_upper_quantile(0.05, 20.0, 60.0), 1.747_984, 3e-7);
        check(fisher_upper_quantile(0.01, 10.0, 100.0), 2.503_311, 3e-7);
        check(fisher_upper_quantile(1e-3, 20.0, 200.0), 2.424_285_88, 3e-9);
        // COMPUTED with SciPy: stats.f.isf(alpha, d1, d2).
        check(fisher_upper_quantile(2.785e-6, 259.4, 1337.0), 1.513_774_190_974_381_2, 1e-11);
        check(fisher_upper_quantile(1e-6, 1e4, 1e4), 1.099_756_471_184_123_7, 1e-11);
        check(fisher_upper_quantile(0.999, 5.0, 10.0), 0.037_151_839_537_669_65, 1e-11);
        // COMPUTED with mpmath: findroot of log(betainc(d2/2, d1/2, 0, d2/(d2 + d1*x),
        // regularized=True)) - log(1e-12); stats.f.isf of SciPy is 1.6e-7 off here.
        check(fisher_upper_quantile(1e-12, 777.8, 4011.0), 1.452_728_824_313_337_8, 1e-12);
        // COMPUTED with SciPy: stats.f.sf(10, 10, 100).
        check(fisher_sf(10.0, 10.0, 100.0), 1.901_484_525_391e-11, 1e-12);
    }

    #[test]
    fn chi_square_quantiles_and_tails_hold() {
        // COMPUTED with SciPy: stats.chi2.ppf(p, dof); the first, second, fourth, sixth and seventh
        // also in printed tables of the chi-square distribution.
        for (p, dof, x) in [
            (0.95, 1.0, 3.841_459),
            (0.95, 2.0, 5.991_465),
            (0.95, 10.0, 18.307_038),
            (0.99, 10.0, 23.209_251),
            (0.95, 20.0, 31.410_433),
            (0.05, 10.0, 3.940_299),
            (0.05, 100.0, 77.929_465),
            (0.95, 100.0, 124.342_113),
        ] {
            check(chi_square_quantile(p, dof), x, 2e-7);
            check(chi_square_upper_quantile(1.0 - p, dof), x, 2e-7);
        }
        // COMPUTED with SciPy: stats.chi2.sf(100, 20).
        check(chi_square_sf(100.0, 20.0), 1.259_608_459_166e-12, 1e-11);
        // Closed form: two degrees of freedom are exponential.
        check(chi_square_upper_quantile(1e-12, 2.0), -2.0 * 1e-12_f64.ln(), 1e-13);
    }

    #[test]
    fn binomial_tails_hold() {
        // COMPUTED with SciPy: stats.binom.sf(m - 1, n, p).
        for (m, n, p, tail) in [
            (2, 3, 0.01, 2.98e-4),
            (2, 3, 0.9, 0.972),
            (3, 5, 0.01, 9.8506e-6),
            (3, 5, 0.9, 0.991_44),
            (2, 4, 1e-3, 5.992_003e-6),
            (2, 4, 0.8, 0.972_8),
            (3, 4, 0.01, 3.97e-6),
            (5, 10, 0.05, 6.368_983_144_53e-5),
            (8, 10, 0.5, 0.054_687_5),
            (500, 1000, 0.5, 0.512_612_509_089_180_2),
            (2, 3, 1e-9, 2.999_999_998e-18),
        ] {
            check(binomial_tail(m, n, p), tail, 2e-12);
        }
        // COMPUTED with SciPy: 3 of 5 at 1e-6 needs p = 0.004652416362.
        check(binomial_tail(3, 5, 0.004_652_416_362), 1e-6, 1e-9);
        check(binomial_tail(0, 5, 0.1), 1.0, 0.0);
        check(binomial_tail(6, 5, 0.1), 0.0, 0.0);
    }

    #[test]
    fn ends_are_exact_and_arguments_outside_the_domain_give_nan() {
        assert!(normal_upper_quantile(0.0).is_infinite());
        assert!(normal_upper_quantile(1.0).is_sign_negative());
        assert!(student_upper_quantile(0.0, 9.0).is_infinite());
        assert!(fisher_upper_quantile(0.0, 5.0, 5.0).is_infinite());
        assert!(student_sf(f64::INFINITY, 9.0).abs() < 1e-300);
        check(fisher_sf(-1.0, 5.0, 5.0), 1.0, 0.0);
        for outside in [
            normal_quantile(1.5),
            normal_quantile(f64::NAN),
            student_upper_quantile(0.1, 0.0),
            student_upper_quantile(f64::NAN, 9.0),
            student_sf(1.0, -1.0),
            student_sf(f64::NAN, 9.0),
            fisher_sf(1.0, 0.0, 1.0),
            fisher_sf(f64::NAN, 1.0, 1.0),
            fisher_upper_quantile(-0.1, 1.0, 1.0),
            chi_square_sf(1.0, -1.0),
            chi_square_quantile(1.5, 3.0),
            binomial_tail(1, 2, 1.5),
        ] {
            assert!(outside.is_nan(), "{outside}");
        }
    }
}
