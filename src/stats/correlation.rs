//! The allowance for serial correlation of the baseline.
//!
//! φ = r₁ + (1 + 3r₁)/n + √((1 − r₁²)/n), held in 0 … 0.95: the lag-1 autocorrelation with its
//! bias taken out and one standard error on top. f = (1 − φ)/(1 + φ) is the share of independent
//! values, ν_s = max(n(1 − φ²)/(1 + φ²), 3) − 1 the degrees of freedom of the variance, and
//! c² = (n − 1)/max(n − 1/f, (n − 1)/4) what the sample variance of a correlated series falls
//! short by. No units. A measured correction, not a theorem: always applied, never tested for;
//! slow wander is beyond it. Bias and variance of a mean and a variance under first-order
//! autoregression: Bayley & Hammersley 1946, Suppl. J. R. Stat. Soc. 8:184, from memory.

use super::series::real;

const HIGHEST_PHI: f64 = 0.95;

/// What serial correlation costs a baseline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SerialCorrection {
    /// φ, the correlation from pulse to pulse that is reckoned with, 0 to 0.95.
    pub phi: f64,
    /// f, independent values per value, 1 down to 0.026.
    pub f: f64,
    /// ν_s, degrees of freedom of the corrected variance, at least 1.
    pub dof: f64,
    /// c², factor on the sample variance, 1 to 4.
    pub c2: f64,
}

impl SerialCorrection {
    /// For one baseline of `n` ≥ 2 pulses with lag-1 autocorrelation `r1`.
    #[must_use]
    pub fn of_one(r1: f64, n: usize) -> Self {
        Self::with_phi(phi_of(r1, real(n)), real(n), 1.0)
    }

    /// For two baselines with pooled variance, between which a drive is interpolated: n = n₁ + n₂,
    /// r₁ averaged by n, two means estimated.
    #[must_use]
    pub fn of_two(r1_lower: f64, n_lower: usize, r1_upper: f64, n_upper: usize) -> Self {
        let n = real(n_lower + n_upper);
        let r1 = (real(n_lower) * r1_lower + real(n_upper) * r1_upper) / n;
        Self::with_phi(phi_of(r1, n), n, 2.0)
    }

    /// For `n` ≥ 2 values that are independent by construction: φ = 0, ν = n − 1, c = 1.
    #[must_use]
    pub fn independent(n: usize) -> Self {
        Self::with_phi(0.0, real(n), 1.0)
    }

    fn with_phi(phi: f64, n: f64, means_estimated: f64) -> Self {
        let f = (1.0 - phi) / (1.0 + phi);
        let dof = (n * (1.0 - phi * phi) / (1.0 + phi * phi)).max(3.0) - means_estimated;
        // Each estimated mean takes σ²/f out of the sum of squares. Reckoning with one where two
        // are estimated lets 1.4 times the promised false alarms through, with two 0.97 times
        // (simulated: two baselines of 10 pulses, correlation 0.3, alpha 1e-4).
        let means_in_squares = means_estimated;
        let spread_dof = n - means_estimated;
        let c2 = spread_dof / (n - means_in_squares / f).max(0.25 * spread_dof);
        Self { phi, f, dof, c2 }
    }
}

fn phi_of(r1: f64, n: f64) -> f64 {
    let phi = r1 + (1.0 + 3.0 * r1) / n + ((1.0 - r1 * r1).max(0.0) / n).sqrt();
    // An autocorrelation that is not a number is no proof of independence.
    if phi.is_nan() { HIGHEST_PHI } else { phi.clamp(0.0, HIGHEST_PHI) }
}

#[cfg(test)]
mod tests {
    use super::SerialCorrection;

    #[track_caller]
    fn check(found: SerialCorrection, phi: f64, f: f64, dof: f64, c2: f64) {
        let close = |a: f64, b: f64| (a - b).abs() <= 1e-12 * b.abs();
        assert!(
            close(found.phi, phi)
                && close(found.f, f)
                && close(found.dof, dof)
                && close(found.c2, c2),
            "{found:?}"
        );
    }

    #[test]
    fn independent_values_cost_nothing() {
        check(SerialCorrection::independent(30), 0.0, 1.0, 29.0, 1.0);
    }

    #[test]
    fn a_baseline_pays_for_its_correlation_and_its_uncertainty() {
        // The formulas in the head of this file, COMPUTED with Python for r1 = 0.2, n = 30.
        check(
            SerialCorrection::of_one(0.2, 30),
            0.432_218_771_533_316_56,
            0.396_434_706_590_825_86,
            19.555_560_682_083_673,
            1.055_408_336_611_748_2,
        );
    }

    #[test]
    fn two_pooled_baselines_lose_one_degree_more() {
        // The same for n = 20 + 20, r1 = (0 + 0.2)/2, with two means estimated.
        check(
            SerialCorrection::of_two(0.0, 20, 0.2, 20),
            0.289_821_327_225_522_73,
            0.550_602_364_671_788_2,
            31.800_982_986_150_842,
            1.044_885_688_426_866_7,
        );
    }

    #[test]
    fn alternating_values_gain_nothing_and_bounds_hold() {
        assert!(SerialCorrection::of_one(-0.9, 100).phi.abs() < 1e-300);
        // φ = 0.95: f = 0.05/1.95, ν_s = 3 − 1, c² = 4.
        check(SerialCorrection::of_one(1.0, 10), 0.95, 0.05 / 1.95, 2.0, 4.0);
        check(SerialCorrection::of_two(1.0, 10, 1.0, 10), 0.95, 0.05 / 1.95, 1.0, 4.0);
        check(SerialCorrection::of_one(f64::NAN, 10), 0.95, 0.05 / 1.95, 2.0, 4.0);
    }
}
