//! The regularised incomplete beta function in both tails, as logarithms.
//!
//! `I_x(a, b) = 1/B(a, b) ∫₀ˣ t^(a−1) (1−t)^(b−1) dt`, by the continued fraction of DLMF 8.17.22
//! (modified Lentz), on the side of the mode where it converges in about √max(a, b) terms. The
//! complement `y = 1 − x` is an argument of its own, so neither tail suffers from rounding near
//! x = 1; logarithms keep tails below the smallest f64 apart. No units.

use std::f64::consts::{LN_2, PI};

/// Terms of the continued fraction; 10⁴ degrees of freedom need a few hundred.
const MOST_TERMS: u32 = 20_000;
/// Keeps Lentz's recursion away from a division by zero.
const TINY: f64 = 1e-300;

/// ln I and ln(1 − I).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tails {
    pub(super) ln_lower: f64,
    pub(super) ln_upper: f64,
}

/// Both tails of the beta distribution with shapes `a`, `b` > 0 at `x`, where `y` = 1 − x.
pub(super) fn tails(x: f64, y: f64, a: f64, b: f64) -> Tails {
    if !(a > 0.0 && b > 0.0 && x >= 0.0 && y >= 0.0) {
        return Tails { ln_lower: f64::NAN, ln_upper: f64::NAN };
    }
    if x * (a + b + 2.0) < a + 1.0 {
        let ln_lower = ln_one_side(x, y, a, b).min(0.0);
        Tails { ln_lower, ln_upper: ln_one_minus_exp(ln_lower) }
    } else {
        let ln_upper = ln_one_side(y, x, b, a).min(0.0);
        Tails { ln_lower: ln_one_minus_exp(ln_upper), ln_upper }
    }
}

fn ln_one_side(x: f64, y: f64, a: f64, b: f64) -> f64 {
    if x == 0.0 {
        return f64::NEG_INFINITY;
    }
    let ln_x = if x > 0.5 { (-y).ln_1p() } else { x.ln() };
    let ln_y = if y > 0.5 { (-x).ln_1p() } else { y.ln() };
    a * ln_x + b * ln_y - ln_beta(a, b) - a.ln() + continued_fraction(x, a, b).ln()
}

fn continued_fraction(x: f64, a: f64, b: f64) -> f64 {
    let away_from_zero = |v: f64| if v.abs() < TINY { TINY } else { v };
    let mut c = 1.0;
    let mut d = 1.0 / away_from_zero(1.0 - (a + b) * x / (a + 1.0));
    let mut fraction = d;
    for term in 1..MOST_TERMS {
        let m = f64::from(term);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        d = 1.0 / away_from_zero(1.0 + even * d);
        c = away_from_zero(1.0 + even / c);
        fraction *= d * c;
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        d = 1.0 / away_from_zero(1.0 + odd * d);
        c = away_from_zero(1.0 + odd / c);
        fraction *= d * c;
        if (d * c - 1.0).abs() < f64::EPSILON {
            break;
        }
    }
    fraction
}

/// ln B(a, b) for a, b > 0. Written with Stirling's formula and its exact error, so that large
/// arguments do not cancel as they do in lgamma(a) + lgamma(b) − lgamma(a + b).
fn ln_beta(a: f64, b: f64) -> f64 {
    0.5 * (2.0 * PI).ln() + stirling_error(a) + stirling_error(b)
        - stirling_error(a + b)
        - (a - 0.5) * (b / a).ln_1p()
        - b * (a / b).ln_1p()
        - 0.5 * b.ln()
}

/// δ(x) = ln Γ(x) − [(x − ½) ln x − x + ½ ln 2π] for x > 0; from 10 on by the asymptotic series
/// of DLMF 5.11.1, whose first left-out term is below 4e-16 there.
pub(super) fn stirling_error(x: f64) -> f64 {
    if x < 10.0 {
        return libm::lgamma(x) - ((x - 0.5) * x.ln() - x + 0.5 * (2.0 * PI).ln());
    }
    let r = 1.0 / (x * x);
    let tail = 1.0 / 1188.0 - r * (691.0 / 360_360.0 - r * (1.0 / 156.0 - r * 3617.0 / 122_400.0));
    (1.0 / 12.0 - r * (1.0 / 360.0 - r * (1.0 / 1260.0 - r * (1.0 / 1680.0 - r * tail)))) / x
}

/// ln(1 − e^l) for l ≤ 0 without loss at either end.
pub(super) fn ln_one_minus_exp(l: f64) -> f64 {
    if l > -LN_2 { (-l.exp_m1()).ln() } else { (-l.exp()).ln_1p() }
}

#[cfg(test)]
mod tests {
    use super::{ln_beta, stirling_error, tails};

    #[test]
    fn a_closed_form_holds_in_both_tails() {
        let found = tails(0.4, 0.6, 2.0, 3.0);
        // COMPUTED with SciPy: special.betainc(2, 3, .4) = 0.5248; also the closed form
        // 6x² − 8x³ + 3x⁴.
        assert!((found.ln_lower.exp() - 0.5248).abs() < 1e-15);
        assert!((found.ln_upper.exp() - 0.4752).abs() < 1e-15);
    }

    #[test]
    fn a_power_law_tail_below_the_smallest_number_keeps_its_logarithm() {
        // Closed form: I_x(a, 1) = x^a.
        let found = tails(1e-3, 1.0 - 1e-3, 400.0, 1.0);
        let expected = 400.0 * 1e-3_f64.ln();
        assert!((found.ln_lower / expected - 1.0).abs() < 1e-14);
    }

    #[test]
    fn stirling_error_has_no_step_where_the_series_takes_over() {
        // COMPUTED with mpmath: loggamma(x) - ((x-.5)*log(x) - x + .5*log(2*pi)).
        assert!((stirling_error(10.0) - 0.008_330_563_433_362_87).abs() < 1e-16);
        assert!((stirling_error(9.999_999_999_999) - stirling_error(10.0)).abs() < 5e-15);
        // COMPUTED with mpmath: loggamma(.5) - (0 - .5 + .5*log(2*pi)).
        assert!((stirling_error(0.5) - 0.153_426_409_720_027_35).abs() < 1e-15);
    }

    #[test]
    fn ln_beta_does_not_cancel_for_large_arguments() {
        // Closed form: B(a, 1) = 1/a.
        assert!((ln_beta(1e6, 1.0) + 1e6_f64.ln()).abs() < 1e-14);
    }

    #[test]
    fn shapes_or_places_outside_the_domain_give_nan() {
        assert!(tails(0.5, 0.5, -1.0, 1.0).ln_lower.is_nan());
        assert!(tails(f64::NAN, 0.5, 1.0, 1.0).ln_upper.is_nan());
    }
}
