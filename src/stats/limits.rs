//! Limits of one pulse, or of m of n pulses, against a baseline.
//!
//! A pulse passes above m + factor·s, m and s the baseline's mean and standard deviation of the
//! detection level (dB). For one pulse factor = t_{1−α, ν_s}·c·√(1 + 1/(n·f)): without serial
//! correlation the one-sided Student prediction limit (Hahn & Meeker, Statistical Intervals,
//! section 4.8, from memory). For m of n see `m_of_n`; there, too, the true deviation is c·s·√(ν_s/χ²).

use super::correlation::SerialCorrection;
use super::distributions::student_upper_quantile;
use super::m_of_n::shared_baseline_factor;
use super::series::{Summary, real};

/// A baseline of fewer pulses has no limits.
pub const LEAST_BASELINE_PULSES: usize = 10;

/// Steady emission at the one-pulse detection limit is found with this chance of missing it.
const MISS_SHARE: f64 = 0.1;

/// What one baseline at one drive says about one quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BaselineSeries {
    /// Count, mean and standard deviation of the detection level, dB.
    pub summary: Summary,
    /// Lag-1 autocorrelation.
    pub lag1: f64,
}

/// What a pulse is compared with: a baseline, or two between which its drive lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reference {
    /// m, in the unit of the levels (dB).
    pub mean: f64,
    /// s, in the unit of the levels (dB).
    pub sd: f64,
    /// Baseline pulses behind it.
    pub n: usize,
    /// Variance of m over that of one level, correlation counted: 1/(n·f), or between two
    /// baselines (1−u)²/(n₁·f) + u²/(n₂·f).
    pub inverse_n_f: f64,
    /// The same for independent pulses: 1/n, or (1−u)²/n₁ + u²/n₂.
    pub inverse_n: f64,
    /// Divisor of s²: n − 1, or n₁ + n₂ − 2.
    pub spread_dof: f64,
    /// What serial correlation costs.
    pub serial: SerialCorrection,
}

impl Reference {
    /// One baseline; `None` below [`LEAST_BASELINE_PULSES`].
    #[must_use]
    pub fn of_one(series: &BaselineSeries) -> Option<Self> {
        let Summary { n, mean, sd } = series.summary;
        if n < LEAST_BASELINE_PULSES {
            return None;
        }
        let serial = SerialCorrection::of_one(series.lag1, n);
        Some(Self::independent(n, mean, sd)?.with_serial(serial))
    }

    /// Between two baselines, `u` from 0 (at `lower`) to 1 (at `upper`) in the logarithm of the
    /// drive: m interpolated, s² pooled. `None` when either has fewer than
    /// [`LEAST_BASELINE_PULSES`] or `u` is outside 0 to 1.
    #[must_use]
    pub fn between(lower: &BaselineSeries, upper: &BaselineSeries, u: f64) -> Option<Self> {
        let (a, b) = (lower.summary, upper.summary);
        if a.n.min(b.n) < LEAST_BASELINE_PULSES || !(0.0..=1.0).contains(&u) {
            return None;
        }
        let spread_dof = real(a.n + b.n - 2);
        let squares = real(a.n - 1) * a.sd * a.sd + real(b.n - 1) * b.sd * b.sd;
        let serial = SerialCorrection::of_two(lower.lag1, a.n, upper.lag1, b.n);
        let inverse_n = (1.0 - u) * (1.0 - u) / real(a.n) + u * u / real(b.n);
        Some(Self {
            mean: (1.0 - u) * a.mean + u * b.mean,
            sd: (squares / spread_dof).sqrt(),
            n: a.n + b.n,
            inverse_n_f: inverse_n / serial.f,
            inverse_n,
            spread_dof,
            serial,
        })
    }

    /// `n` pulses that are independent by construction; `None` below
    /// [`LEAST_BASELINE_PULSES`].
    #[must_use]
    pub fn independent(n: usize, mean: f64, sd: f64) -> Option<Self> {
        (n >= LEAST_BASELINE_PULSES).then(|| Self {
            mean,
            sd,
            n,
            inverse_n_f: 1.0 / real(n),
            inverse_n: 1.0 / real(n),
            spread_dof: real(n - 1),
            serial: SerialCorrection::independent(n),
        })
    }

    fn with_serial(self, serial: SerialCorrection) -> Self {
        Self { inverse_n_f: self.inverse_n / serial.f, serial, ..self }
    }

    /// The factor on s above which one pulse passes with chance `alpha` without any change.
    #[must_use]
    pub fn pulse_factor(&self, alpha: f64) -> f64 {
        let c = self.serial.c2.sqrt();
        student_upper_quantile(alpha, self.serial.dof) * c * (1.0 + self.inverse_n_f).sqrt()
    }

    /// The factor on s that `needed` of `of` pulses exceed with chance `alpha` without any change,
    /// all compared with this one reference. Infinite, so that nothing passes, for a rule outside
    /// 1 ≤ needed ≤ of.
    #[must_use]
    pub fn rule_factor(&self, needed: u32, of: u32, alpha: f64) -> f64 {
        if (needed, of) == (1, 1) {
            return self.pulse_factor(alpha);
        }
        let SerialCorrection { dof, c2, .. } = self.serial;
        c2.sqrt() * shared_baseline_factor(needed, of, alpha, dof, self.inverse_n_f)
    }

    /// The limit on the level, in its unit (dB), for a factor on s.
    #[must_use]
    pub fn limit(&self, factor: f64) -> f64 {
        self.mean + factor * self.sd
    }

    /// [`detection_limit_one_pulse`] with this reference's deviation and counts.
    #[must_use]
    pub fn detection_limit_one_pulse(&self, limit: f64, delta: f64) -> f64 {
        let (dof, inverse_n) = (self.spread_dof, self.inverse_n);
        detection_limit_one_pulse(limit - self.mean, delta, self.sd, dof, inverse_n)
    }
}

/// The rise of the level (dB) that one pulse shows with a chance of 90 %: (limit − m) + δ +
/// t_{0.9, n−1}·s·√(1 + 1/n). `delta` is the margin δ and `sd` s, both dB.
#[must_use]
pub fn detection_limit_one_pulse(
    limit_minus_mean: f64,
    delta: f64,
    sd: f64,
    n_minus_1: f64,
    inverse_n: f64,
) -> f64 {
    let t = student_upper_quantile(MISS_SHARE, n_minus_1);
    limit_minus_mean + delta + t * sd * (1.0 + inverse_n).sqrt()
}

/// The share α = 1 − (1 − q/2)^(1/(P·B)) of one pulse and pair in the budget `q` of false
/// verdicts per exposure (0 ≤ q < 2), half of which goes to single pulses: `pulses` P expected in
/// one exposure, `pairs` B of channel and quantity that can raise a verdict.
#[must_use]
pub fn pulse_alpha(q: f64, pulses: f64, pairs: f64) -> f64 {
    -((-0.5 * q).ln_1p() / (pulses * pairs)).exp_m1()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(found: f64, expected: f64, relative: f64) {
        let miss = (found - expected).abs();
        assert!(miss <= relative * expected.abs(), "found {found:e}, expected {expected:e}");
    }

    fn series(n: usize, mean: f64, sd: f64, lag1: f64) -> BaselineSeries {
        BaselineSeries { summary: Summary { n, mean, sd }, lag1 }
    }

    #[test]
    fn one_pulse_has_the_student_prediction_limit() {
        // COMPUTED with SciPy: stats.t.isf(a, n - 1)*sqrt(1 + 1/n).
        for (n, alpha, factor) in
            [(10, 1e-3, 4.506_528), (30, 1e-4, 4.324_211), (100, 1e-6, 5.077_171)]
        {
            let reference = Reference::independent(n, 2.0, 0.5).unwrap();
            check(reference.pulse_factor(alpha), factor, 3e-7);
            check(reference.limit(factor), 2.0 + 0.5 * factor, 1e-15);
        }
    }

    #[test]
    fn two_of_three_and_three_of_five_have_the_factors_of_the_method() {
        let alpha = -(0.99_f64.ln() / 2400.0).exp_m1();
        // COMPUTED with SciPy: double quadrature of the binomial tail over the baseline's mean and
        // deviation, solved for k at alpha = 1 - .99**(1/2400).
        for (n, two_of_three, three_of_five) in
            [(10, 6.719, 5.635), (30, 3.796, 3.091), (60, 3.382, 2.730), (100, 3.237, 2.604)]
        {
            let reference = Reference::independent(n, 0.0, 1.0).unwrap();
            assert!((reference.rule_factor(2, 3, alpha) - two_of_three).abs() < 5e-4);
            assert!((reference.rule_factor(3, 5, alpha) - three_of_five).abs() < 5e-4);
        }
    }

    #[test]
    fn one_of_one_is_the_pulse_test_to_the_last_digit() {
        let reference = Reference::of_one(&series(25, 0.0, 1.0, 0.3)).unwrap();
        let (rule, pulse) = (reference.rule_factor(1, 1, 1e-6), reference.pulse_factor(1e-6));
        assert_eq!(rule.to_bits(), pulse.to_bits());
        // The quadrature knows nothing of Student and lands on the same limit, c included.
        let SerialCorrection { dof, c2, .. } = reference.serial;
        let by_quadrature =
            c2.sqrt() * shared_baseline_factor(1, 1, 1e-6, dof, reference.inverse_n_f);
        check(by_quadrature, pulse, 1e-9);
    }

    #[test]
    fn correlation_raises_every_factor() {
        let quiet = Reference::of_one(&series(30, 0.0, 1.0, -0.5)).unwrap();
        let wandering = Reference::of_one(&series(30, 0.0, 1.0, 0.5)).unwrap();
        assert!(wandering.pulse_factor(1e-6) > 1.1 * quiet.pulse_factor(1e-6));
        assert!(wandering.rule_factor(2, 3, 1e-6) > 1.1 * quiet.rule_factor(2, 3, 1e-6));
        check(wandering.inverse_n_f, wandering.inverse_n / wandering.serial.f, 1e-15);
    }

    #[test]
    fn a_drive_between_two_baselines_mixes_means_and_pools_spread() {
        let (lower, upper) = (series(20, 1.0, 0.3, 0.0), series(40, 3.0, 0.5, 0.1));
        let found = Reference::between(&lower, &upper, 0.25).unwrap();
        // Closed forms: 0.75·1 + 0.25·3; √((19·0.09 + 39·0.25)/58); 0.75²/20 + 0.25²/40.
        check(found.mean, 1.5, 1e-15);
        check(found.sd, (11.46_f64 / 58.0).sqrt(), 1e-15);
        check(found.inverse_n, 0.029_687_5, 1e-15);
        check(found.inverse_n_f, 0.029_687_5 / found.serial.f, 1e-15);
        check(found.spread_dof, 58.0, 0.0);
        assert_eq!(found.n, 60);
    }

    #[test]
    fn too_few_pulses_have_no_limits() {
        let (few, enough) = (series(9, 0.0, 1.0, 0.0), series(10, 0.0, 1.0, 0.0));
        assert_eq!(Reference::of_one(&few), None);
        assert_eq!(Reference::independent(9, 0.0, 1.0), None);
        assert_eq!(Reference::between(&few, &enough, 0.5), None);
        assert_eq!(Reference::between(&enough, &few, 0.5), None);
        assert_eq!(Reference::between(&enough, &enough, 1.5), None);
        assert_eq!(Reference::between(&enough, &enough, f64::NAN), None);
        assert!(Reference::between(&enough, &enough, 1.0).is_some());
    }

    #[test]
    fn the_one_pulse_detection_limit_adds_margin_and_miss() {
        // COMPUTED with SciPy: 2.1 + .4 + stats.t.isf(.1, 29)*.3*sqrt(1 + 1/30).
        let found = detection_limit_one_pulse(2.1, 0.4, 0.3, 29.0, 1.0 / 30.0);
        check(found, 2.899_933_511_534_783, 1e-12);
        let reference = Reference::independent(30, 7.0, 0.3).unwrap();
        check(reference.detection_limit_one_pulse(9.1, 0.4), 2.899_933_511_534_783, 1e-12);
    }

    #[test]
    fn the_budget_of_an_exposure_is_split_over_pulses_and_pairs() {
        // COMPUTED with Python: -expm1(log1p(-.005)/1800); one channel, two quantities beside
        // broadband; and four channels, B = 15.
        check(pulse_alpha(0.01, 600.0, 3.0), 2.784_741_580_124_568_7e-6, 1e-14);
        check(pulse_alpha(0.01, 600.0, 15.0), 5.569_489_364_088_038e-7, 1e-14);
    }
}
