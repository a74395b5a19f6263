//! The noncentral t distribution: T = (Z + δ)/√(χ²_ν/ν).
//!
//! P(T ≤ t) = ∫ Φ(t·e^v − δ) q(v) dv with q the density of v = ln √(χ²_ν/ν). In v the integrand is
//! smooth and dies at both ends, so the trapezoidal rule converges exponentially (Trefethen &
//! Weideman 2014, SIAM Review 56:385); all terms are positive, so both tails keep their relative
//! accuracy, and no series in δ is needed that would underflow for δ > 38. No units.

use super::distributions::{ln_density_of_ln_scale, normal_sf};
use super::root::root_of_decreasing;

/// Reached only when |δ| is thousands of times √ν.
const MOST_NODES: f64 = 100_000.0;

/// P(T ≤ t) with real `dof` > 0 and noncentrality `delta`; NaN outside.
#[must_use]
pub fn noncentral_t_cdf(t: f64, dof: f64, delta: f64) -> f64 {
    integrate(dof, delta, |scale| normal_sf(delta - t * scale))
}

/// P(T > t) with real `dof` > 0 and noncentrality `delta`; NaN outside.
#[must_use]
pub fn noncentral_t_sf(t: f64, dof: f64, delta: f64) -> f64 {
    integrate(dof, delta, |scale| normal_sf(t * scale - delta))
}

/// The t with P(T ≤ t) = p, 0 < p < 1; NaN outside.
#[must_use]
pub fn noncentral_t_quantile(p: f64, dof: f64, delta: f64) -> f64 {
    if !(p > 0.0 && p < 1.0 && dof > 0.0 && delta.is_finite()) {
        return f64::NAN;
    }
    let ln_of = |probability: f64| probability.max(f64::MIN_POSITIVE).ln();
    let first_step = (1.0 + 0.5 * delta * delta / dof).sqrt();
    if p <= 0.5 {
        root_of_decreasing(|t| p.ln() - ln_of(noncentral_t_cdf(t, dof, delta)), delta, first_step)
    } else {
        let ln_rest = (-p).ln_1p();
        root_of_decreasing(|t| ln_of(noncentral_t_sf(t, dof, delta)) - ln_rest, delta, first_step)
    }
}

/// Mean of `probability` over the scale √(χ²/dof).
fn integrate(dof: f64, delta: f64, probability: impl Fn(f64) -> f64) -> f64 {
    if !(dof > 0.0 && dof.is_finite() && delta.is_finite()) {
        return f64::NAN;
    }
    // Left of zero q falls as e^(νv) in the end, right of it as exp(−ν e^(2v)/2), near zero as
    // exp(−νv²): beyond these ends it is below e^(−100) and e^(−700) of its peak.
    let left = if dof > 300.0 { -(300.0 / dof).sqrt() } else { -100.0 / dof - 0.5 };
    let right = (700.0 / dof).sqrt().min(0.5 * (1400.0 / dof).ln_1p() + 1.0);
    // q is about 1/√(2ν) wide, the step of Φ about 1/|δ|; half of that is fine enough for an error
    // of e^(−79) on a Gaussian.
    let step = (0.5 / (2.0 * dof + delta * delta).sqrt()).min(0.1).max((right - left) / MOST_NODES);
    let mut sum = 0.0;
    let mut v = left;
    while v <= right {
        let ln_density = ln_density_of_ln_scale(v, dof);
        if ln_density > -700.0 {
            sum += ln_density.exp() * probability(v.exp());
        }
        v += step;
    }
    sum * step
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::student_sf;

    #[track_caller]
    fn check(found: f64, expected: f64, relative: f64) {
        let miss = (found - expected).abs();
        assert!(miss <= relative * expected.abs(), "found {found:e}, expected {expected:e}");
    }

    #[test]
    fn noncentral_tails_and_quantile_hold() {
        // COMPUTED with SciPy: stats.nct.cdf(3, 10, 1).
        check(noncentral_t_cdf(3.0, 10.0, 1.0), 0.947_050_861_693, 1e-12);
        // COMPUTED with SciPy: stats.nct.sf(30, 9, 5), stats.nct.cdf(90, 999, 97.7).
        check(noncentral_t_sf(30.0, 9.0, 5.0), 4.348_468_638_948_063e-6, 1e-12);
        check(noncentral_t_cdf(90.0, 999.0, 97.7), 3.278_678_897_983_033_7e-4, 1e-11);
        // COMPUTED with SciPy: stats.nct.ppf(.95, 9, 5).
        check(noncentral_t_quantile(0.95, 9.0, 5.0), 8.893_858_239_3, 1e-11);
    }

    #[test]
    fn without_noncentrality_it_is_student() {
        for dof in [1.0, 3.7, 29.0, 1e4] {
            check(noncentral_t_sf(2.5, dof, 0.0), student_sf(2.5, dof), 1e-11);
            check(noncentral_t_cdf(-2.5, dof, 0.0), student_sf(2.5, dof), 1e-11);
        }
    }

    #[test]
    fn arguments_outside_the_domain_give_nan() {
        assert!(noncentral_t_cdf(1.0, 0.0, 1.0).is_nan());
        assert!(noncentral_t_quantile(1.0, 9.0, 1.0).is_nan());
        assert!(noncentral_t_quantile(0.5, 9.0, f64::INFINITY).is_nan());
    }
}
