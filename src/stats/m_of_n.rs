//! m of n pulses against one shared baseline.
//!
//! All n pulses are compared with the same estimated mean and deviation, so their passes are not
//! independent: the chance of a false alarm is the binomial tail averaged over that baseline,
//! E(k) = E[P(Bin(n, p) ≥ m)], p = Φ(−(μ + k·s)), with μ ~ N(0, τ²) and ν·s² ~ χ²_ν. The binomial
//! at one p would be off by a factor of five with ten baseline pulses. k has no unit.
//!
//! With y = k·s, E(k) = ∫ G(y) q(ln y − ln k) d ln y, where q is the density of ln s and
//! G(y) = E[P(Bin(n, Φ(−(μ + y))) ≥ m)] over μ alone. G does not depend on k and is computed once
//! for each node; the search for k only weighs it anew. Both integrals are trapezoidal sums over
//! analytic integrands that die at both ends (Trefethen & Weideman 2014, SIAM Review 56:385); the
//! outer one in z with y = exp(z − e^(−z)), which cuts the long lower tail of few degrees of
//! freedom short. All terms are positive, so far tails keep their relative accuracy.

use super::distributions::{binomial_tail, ln_density_of_ln_scale, normal_sf};
use super::root::root_of_decreasing;

/// Up to here the binomial tail is summed term by term.
const MOST_SUMMED: u32 = 64;
const FIRST_Z: f64 = -4.5;
const LAST_Z: f64 = 4.5;
/// More degrees of freedom change k by less than 1e-5 of itself, and would need ever finer nodes.
const MOST_DOF: f64 = 1e5;
/// Below this k (in standard deviations) no search is made.
const LEAST_LN_K: f64 = -7.0;

/// The k with E(k) = `alpha`: `needed` of `of` pulses must lie above μ̂ + k·ŝ, where μ̂ has variance
/// `inverse_n` and ŝ² has `dof` degrees of freedom. Infinite, so that
/// nothing passes, when `needed` is 0 or above `of`, `alpha` or `dof` not above 0, or `inverse_n`
/// negative; not below e^(−7) even when `alpha` would allow it.
pub(super) fn shared_baseline_factor(
    needed: u32,
    of: u32,
    alpha: f64,
    dof: f64,
    inverse_n: f64,
) -> f64 {
    if needed == 0 || needed > of || !(alpha > 0.0 && dof > 0.0 && inverse_n >= 0.0) {
        return f64::INFINITY;
    }
    let mut grid = Grid::new(needed, of, dof.min(MOST_DOF), inverse_n);
    let ln_alpha = alpha.ln();
    let mut miss = |ln_k: f64| grid.false_alarms(ln_k).max(f64::MIN_POSITIVE).ln() - ln_alpha;
    if miss(LEAST_LN_K) <= 0.0 {
        return LEAST_LN_K.exp();
    }
    root_of_decreasing(miss, 1.0, 0.25).exp()
}

/// The share p of independent pulses that pass, at which `needed` of `of` of them do with the chance
/// `alpha`: P(Bin(of, p) ≥ needed) = alpha, 0 < alpha < 1. NaN outside 1 ≤ needed ≤ of.
#[must_use]
pub fn share_per_pulse(needed: u32, of: u32, alpha: f64) -> f64 {
    if needed == 0 || needed > of || !(alpha > 0.0 && alpha < 1.0) {
        return f64::NAN;
    }
    if (needed, of) == (1, 1) {
        return alpha;
    }
    let ln_alpha = alpha.ln();
    let miss = |ln_share: f64| {
        let tail = binomial_tail(needed.into(), of.into(), ln_share.exp().min(1.0));
        ln_alpha - tail.max(f64::MIN_POSITIVE).ln()
    };
    root_of_decreasing(miss, ln_alpha / f64::from(needed), 0.5).exp()
}

/// Nodes in z and what was computed at them.
struct Grid {
    step: f64,
    dof: f64,
    nodes: Vec<Node>,
    passes: Passes,
}

struct Node {
    ln_y: f64,
    /// d ln y / dz.
    stretch: f64,
    /// G(y), once it was needed.
    mean_pass: Option<f64>,
}

impl Grid {
    fn new(needed: u32, of: u32, dof: f64, inverse_n: f64) -> Self {
        // At its mode the integrand has the curvature 2ν in ln y, whatever k is; d ln y/dz is
        // below 1.7 where the mass lies.
        let step = (0.3 / (2.0 * dof).sqrt()).min(0.08);
        let mut nodes = Vec::new();
        let mut z = FIRST_Z;
        while z <= LAST_Z {
            let decay = (-z).exp();
            nodes.push(Node { ln_y: z - decay, stretch: 1.0 + decay, mean_pass: None });
            z += step;
        }
        Self { step, dof, nodes, passes: Passes::new(needed, of, inverse_n) }
    }

    /// E(k).
    fn false_alarms(&mut self, ln_k: f64) -> f64 {
        let mut sum = 0.0;
        for node in &mut self.nodes {
            let ln_density = ln_density_of_ln_scale(node.ln_y - ln_k, self.dof);
            if ln_density < -80.0 {
                continue;
            }
            let passes = &self.passes;
            let pass = *node.mean_pass.get_or_insert_with(|| passes.mean(node.ln_y.exp()));
            sum += ln_density.exp() * node.stretch * pass;
        }
        sum * self.step
    }
}

/// The chance that the rule is met when each pulse's chance is known.
struct Passes {
    needed: u32,
    of: u32,
    /// τ, standard deviation of the baseline's mean.
    tau: f64,
    /// Binomial coefficient of exactly `needed` passes.
    ways: f64,
}

impl Passes {
    fn new(needed: u32, of: u32, inverse_n: f64) -> Self {
        let ways = (0..needed).map(|i| f64::from(of - i) / f64::from(needed - i)).product();
        Self { needed, of, tau: inverse_n.sqrt(), ways }
    }

    /// G(y): the rule's chance at the limit `y` true standard deviations above the estimated mean,
    /// averaged over where that mean lies.
    fn mean(&self, y: f64) -> f64 {
        if self.tau == 0.0 {
            return self.at(y);
        }
        // In x = μ/τ the integrand is log-concave with a curvature between 1 and about 1 + m·τ²;
        // its mass moves toward c when the limit is far out.
        let weight = f64::from(self.needed) * self.tau * self.tau;
        let centre = -weight * y / (self.tau * (1.0 + weight));
        let step = 0.7 / (1.0 + weight).sqrt();
        let mut sum = 0.0;
        let mut x = centre - 9.0;
        while x <= centre + 8.0 {
            sum += (-0.5 * x * x).exp() * self.at(y + self.tau * x);
            x += step;
        }
        sum * step / (2.0 * std::f64::consts::PI).sqrt()
    }

    /// The rule's chance when each pulse must exceed `z` true standard deviations.
    fn at(&self, z: f64) -> f64 {
        let (p, q) = (normal_sf(z), normal_sf(-z));
        if self.of == 1 {
            return p;
        }
        if self.of > MOST_SUMMED || q == 0.0 {
            return binomial_tail(u64::from(self.needed), u64::from(self.of), p);
        }
        let power = |base: f64, n: u32| i32::try_from(n).map_or(f64::NAN, |n| base.powi(n));
        let mut term = self.ways * power(p, self.needed) * power(q, self.of - self.needed);
        let mut sum = term;
        for passed in self.needed..self.of {
            term *= f64::from(self.of - passed) / f64::from(passed + 1) * (p / q);
            sum += term;
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::{share_per_pulse, shared_baseline_factor};
    use crate::stats::student_upper_quantile;

    #[track_caller]
    fn check(rule: (u32, u32), alpha: f64, dof: f64, inverse_n: f64, k: f64) {
        let found = shared_baseline_factor(rule.0, rule.1, alpha, dof, inverse_n);
        assert!((found / k - 1.0).abs() < 1e-8, "found {found}, expected {k}");
    }

    #[test]
    fn factors_agree_with_an_independent_quadrature() {
        // COMPUTED with SciPy: optimize.brentq on integrate.quad over s of 2*s*nu*
        // stats.chi2.pdf(nu*s*s, nu) times a 400-node Gauss-Legendre sum over mu of
        // special.betainc(m, n-m+1, special.ndtr(-(mu + k*s))).
        check((2, 3), 1e-4, 5.3, 0.25, 7.595_583_953);
        check((3, 4), 1e-6, 2.0, 3.9, 1_297.149_363_519);
        check((2, 2), 2.785e-6, 14.0, 0.1, 4.785_188_808);
        check((4, 8), 1e-9, 200.0, 0.02, 3.153_062_399);
        check((1, 3), 1e-5, 20.0, 0.07, 6.244_668_146);
        check((2, 3), 1e-12, 9.0, 0.1, 38.322_025_101);
        check((8, 10), 1e-6, 49.0, 0.05, 1.643_356_884);
        check((2, 3), 1e-3, 1.0, 1.5, 444.308_194_193);
        check((30, 64), 1e-5, 29.0, 0.03, 1.326_074_766);
    }

    #[test]
    fn one_of_one_is_student_prediction() {
        for (alpha, dof, inverse_n) in
            [(1e-6, 9.0, 0.1), (1e-12, 99.0, 0.01), (1e-4, 1.0, 4.0), (1e-3, 1e4, 1e-4)]
        {
            // Closed form: t_{1−α, ν}·√(1 + τ²).
            let k = student_upper_quantile(alpha, dof) * f64::sqrt(1.0 + inverse_n);
            check((1, 1), alpha, dof, inverse_n, k);
        }
    }

    #[test]
    fn a_rule_that_cannot_be_gives_a_limit_that_nothing_passes() {
        for (needed, of, alpha) in [(0, 3, 1e-6), (4, 3, 1e-6), (2, 3, 0.0), (2, 3, f64::NAN)] {
            assert!(shared_baseline_factor(needed, of, alpha, 9.0, 0.1).is_infinite());
        }
        assert!(shared_baseline_factor(2, 3, 1e-6, f64::NAN, 0.1).is_infinite());
        // A share that every limit satisfies does not ask for a limit below the mean.
        assert!(shared_baseline_factor(3, 3, 0.9, 9.0, 0.1) > 0.0);
    }

    #[test]
    fn the_share_of_single_pulses_gives_the_rule_its_chance() {
        // COMPUTED with SciPy: brentq over binom.sf(2, 5, p) = 1e-6.
        assert!((share_per_pulse(3, 5, 1e-6) / 0.004_652_416_362 - 1.0).abs() < 1e-9);
        // COMPUTED with SciPy: binom.sf(1, 3, .01) = 2.98e-4.
        assert!((share_per_pulse(2, 3, 2.98e-4) / 0.01 - 1.0).abs() < 1e-12);
        assert_eq!(share_per_pulse(1, 1, 3e-6).to_bits(), 3e-6_f64.to_bits());
        assert!(share_per_pulse(0, 3, 0.1).is_nan() && share_per_pulse(4, 3, 0.1).is_nan());
    }
}
