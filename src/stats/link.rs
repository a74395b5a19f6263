//! Chances of a binomial regression and their logarithms, far out in both tails.
//!
//! p = F(η), F the logistic or the normal distribution function; ln p and ln(1 − p) with their first
//! and second derivatives by η, none of which cancels or underflows where p does. No units.

use super::distributions::{normal_cdf, normal_quantile, normal_sf};

/// What a chance is a function of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Link {
    /// p = 1/(1 + e^(−η)).
    Logit,
    /// p = Φ(η).
    Probit,
}

impl Link {
    /// η of a chance between 0 and 1.
    pub(super) fn eta(self, p: f64) -> f64 {
        match self {
            Self::Logit => p.ln() - (-p).ln_1p(),
            Self::Probit => normal_quantile(p),
        }
    }

    pub(super) fn chance(self, eta: f64) -> Chance {
        match self {
            Self::Logit => {
                let (small, ln_large) = ((-eta.abs()).exp(), -(-eta.abs()).exp().ln_1p());
                let (large, ln_small) = (1.0 / (1.0 + small), ln_large - eta.abs());
                let (ln_p, ln_q, p, q) = if eta > 0.0 {
                    (ln_large, ln_small, large, small * large)
                } else {
                    (ln_small, ln_large, small * large, large)
                };
                Chance { ln_p, ln_q, pull: q, push: p, pull_bend: p * q, push_bend: p * q }
            }
            Self::Probit => {
                let ((ln_p, pull), (ln_q, push)) = (normal_rate(eta), normal_rate(-eta));
                Chance {
                    ln_p,
                    ln_q,
                    pull,
                    push,
                    pull_bend: (pull * (pull + eta)).max(0.0),
                    push_bend: (push * (push - eta)).max(0.0),
                }
            }
        }
    }
}

/// ln Φ(z) and its derivative φ(z)/Φ(z), also where Φ underflows.
fn normal_rate(z: f64) -> (f64, f64) {
    const LN_ROOT_TAU: f64 = 0.918_938_533_204_672_8;
    let ln_density = -0.5 * z * z - LN_ROOT_TAU;
    if z < -30.0 {
        // Laplace's continued fraction of φ/Φ; twelve terms are far more than |z| > 30 needs.
        let rate = (1..=12).rev().fold(-z, |rest, term| -z + f64::from(term) / rest);
        return (ln_density - rate.ln(), rate);
    }
    let ln_p = if z > 0.0 { (-normal_sf(z)).ln_1p() } else { normal_cdf(z).ln() };
    (ln_p, (ln_density - ln_p).exp())
}

/// A chance p, its complement q, and how ln p and ln q move with η.
#[derive(Debug, Clone, Copy)]
pub(super) struct Chance {
    pub(super) ln_p: f64,
    pub(super) ln_q: f64,
    /// d ln p/dη.
    pub(super) pull: f64,
    /// −d ln q/dη.
    pub(super) push: f64,
    /// −d² ln p/dη².
    pub(super) pull_bend: f64,
    /// −d² ln q/dη².
    pub(super) push_bend: f64,
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
    fn the_normal_keeps_its_tail() {
        // COMPUTED with mpmath: log(erfc(-z/sqrt(2))/2), npdf(z)/(erfc(-z/sqrt(2))/2), 60 digits.
        for (z, ln_p, rate) in [
            (2.5, -0.006_229_025_485_860_002, 0.017_637_825_486_916_735),
            (-0.5, -1.175_911_761_593_618_6, 1.141_077_770_368_064_5),
            (-8.0, -35.013_437_159_914_55, 8.121_368_112_236_112),
            (-29.9, -451.322_912_458_528_6, 29.933_370_411_296_166),
            (-30.1, -457.329_564_416_382_26, 30.133_149_654_578_453),
            (-60.0, -1_805.013_560_680_567, 60.016_657_420_241_125),
            (-1e4, -50_000_010.129_278_91, 10_000.000_099_999_998),
        ] {
            check(normal_rate(z).0, ln_p, 1e-14);
            check(normal_rate(z).1, rate, 1e-12);
        }
    }

    #[test]
    fn the_logistic_keeps_both_tails() {
        for eta in [-800.0, -40.0, -1.5, 0.0, 0.3, 40.0, 800.0] {
            let (here, mirrored) = (Link::Logit.chance(eta), Link::Logit.chance(-eta));
            check(here.ln_p, mirrored.ln_q, 0.0);
            check(here.pull, mirrored.push, 0.0);
            // Closed form: ln p − ln q = η.
            check(here.ln_p - here.ln_q, eta, 1e-15);
            check(here.ln_p.exp(), here.push, 1e-13);
        }
        check(Link::Logit.chance(-800.0).ln_p, -800.0, 1e-15);
        check(Link::Logit.chance(0.0).pull_bend, 0.25, 0.0);
    }

    #[test]
    fn a_chance_and_its_eta_belong_together() {
        for link in [Link::Logit, Link::Probit] {
            for p in [1e-12, 0.1, 0.5, 0.9] {
                check(link.chance(link.eta(p)).ln_p.exp(), p, 1e-11);
            }
        }
    }
}
