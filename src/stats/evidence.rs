//! Many values together against a baseline: evidence that may be looked at after every value.
//!
//! Baseline y₁…y_n, later values z₁…z_p; ν = n + p − 2, N = f·n·p/(n + p), t = (z̄ − ȳ)·√N/s_p with
//! the pooled deviation s_p, g = 0.5. The e-value is the likelihood ratio of t under a half-normal
//! prior (variance g) on a rise in standard deviations against no change:
//!
//! ln e = ln 2 + ln T_{ν+1}(x) − ½·ln1p(N·g) + ½(ν+1)·[ln1p(t²/ν) − ln1p(t²/(ν(1 + N·g)))],
//! x = t·√(N·g/(1 + N·g))·√((ν + 1)/(ν + t²/(1 + N·g))), T the Student distribution function.
//!
//! For independent normal values without change P(ever e ≥ 1/a) ≤ a however often one looks (Ville
//! 1939; Gönen, Johnson, Lu & Westfall 2005, Am. Stat. 59:252; Pérez-Ortiz, Lardy, de Heide &
//! Grünwald 2022). With serial correlation (f below 1) it is a measured allowance, no theorem.
//! No unit but that of the values; the detection room gives decibels.

use std::f64::consts::LN_2;

use super::distributions::student_ln_cdf;
use super::series::real;

/// g, the variance of the prior on a rise, in squared standard deviations.
pub const PRIOR_VARIANCE: f64 = 0.5;

/// Quantile of the rise at the cumulative detection limit: 0.9 and not the normal distribution's
/// 1.28, because every earlier look counts too (found by simulation).
const HEARD_QUANTILE: f64 = 0.9;

/// Most further values that are reckoned with.
const MOST_FURTHER: u64 = 100_000_000;

/// Count, mean and sum of squared deviations of values (Welford 1962, Technometrics 4:419); merged
/// as Chan, Golub & LeVeque 1983, Am. Stat. 37:242.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Moments {
    n: f64,
    mean: f64,
    squares: f64,
}

impl Moments {
    fn add(&mut self, value: f64) {
        self.n += 1.0;
        let off = value - self.mean;
        self.mean += off / self.n;
        self.squares += off * (value - self.mean);
    }

    fn merged(self, other: Self) -> Self {
        let n = self.n + other.n;
        if n <= 0.0 {
            return self;
        }
        let off = other.mean - self.mean;
        Self {
            n,
            mean: self.mean + off * other.n / n,
            squares: self.squares + other.squares + off * off * self.n * other.n / n,
        }
    }
}

/// Two groups as the e-value sees them.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Pair {
    /// ν.
    dof: f64,
    /// N.
    information: f64,
    /// z̄ − ȳ.
    rise: f64,
    /// s_p.
    sd: f64,
}

impl Pair {
    /// Nothing without a later value or without spread.
    fn of(before: &Moments, after: &Moments, f: f64) -> Option<Self> {
        let dof = before.n + after.n - 2.0;
        let sd = ((before.squares + after.squares) / dof).sqrt();
        (after.n > 0.0 && dof > 0.0 && sd > 0.0).then(|| Self {
            dof,
            information: f * before.n * after.n / (before.n + after.n),
            rise: after.mean - before.mean,
            sd,
        })
    }

    fn t(&self) -> f64 {
        self.rise * self.information.sqrt() / self.sd
    }
}

/// An upper bound of ln e without its costly term: e rises with t and the Student term is never
/// above 0.
fn ln_bound(dof: f64, information: f64, t: f64, g: f64) -> f64 {
    ln_square(dof, information, t.max(0.0), g)
}

/// ln e without its Student term.
fn ln_square(dof: f64, information: f64, t: f64, g: f64) -> f64 {
    let widened = 1.0 + information * g;
    let square = t * t / dof;
    LN_2 - 0.5 * (information * g).ln_1p()
        + 0.5 * (dof + 1.0) * (square.ln_1p() - (square / widened).ln_1p())
}

fn ln_value(dof: f64, information: f64, t: f64, g: f64) -> f64 {
    let widened = 1.0 + information * g;
    let x = t * (information * g / widened).sqrt() * ((dof + 1.0) / (dof + t * t / widened)).sqrt();
    ln_square(dof, information, t, g) + student_ln_cdf(x, dof + 1.0)
}

/// ln e of the head of this file: `n` values of a baseline and `p` later ones, of which a share `f`
/// counts as independent, t and the prior's variance `g`. NaN outside n + p > 2, p > 0, 0 < f ≤ 1,
/// g > 0.
#[must_use]
pub fn ln_e_value(n: usize, p: usize, f: f64, t: f64, g: f64) -> f64 {
    let (n, p) = (real(n), real(p));
    if !(n + p > 2.0 && p > 0.0 && f > 0.0 && f <= 1.0 && g > 0.0) {
        return f64::NAN;
    }
    ln_value(n + p - 2.0, f * n * p / (n + p), t, g)
}

/// A rise with the interval that holds at every look at once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Excess {
    /// z̄ − ȳ, in the unit of the values.
    pub rise: f64,
    /// Half the interval's width; infinite while there is too little to say.
    pub within: f64,
}

/// Where a change may have begun.
#[derive(Debug, Clone, Copy)]
struct Onset {
    weight: f64,
    /// Later values that still belong to the baseline; nothing while that is not known.
    after: Option<u64>,
    /// Baseline and those values, once they are all there.
    split: Option<(Moments, Moments)>,
}

/// The evidence of one series, a mixture over onsets: E = Σ w_s·e_s, e_s taking the baseline and the
/// first s later values as baseline and being 1 until then. Values are deviations from ȳ.
#[derive(Debug, Clone)]
pub struct Evidence {
    f: f64,
    baseline: Moments,
    later: Moments,
    taken: u64,
    onsets: Vec<Onset>,
}

impl Evidence {
    /// Against a baseline of `n` values with deviation `sd` > 0, a share `f` of which counts as
    /// independent. `onsets` are weights and the later values that come before each; `reserved` is
    /// the weight kept for the onset that [`Evidence::mark`] names. Weights sum to 1 at most.
    #[must_use]
    pub fn new(n: usize, sd: f64, f: f64, onsets: &[(f64, u64)], reserved: f64) -> Self {
        let baseline =
            Moments { n: real(n), mean: 0.0, squares: real(n.saturating_sub(1)) * sd * sd };
        let known = onsets.iter().map(|&(weight, after)| (weight, Some(after)));
        let kept = (reserved > 0.0).then_some((reserved, None));
        let mut onsets: Vec<Onset> =
            known.chain(kept).map(|(weight, after)| Onset { weight, after, split: None }).collect();
        for onset in onsets.iter_mut().filter(|onset| onset.after == Some(0)) {
            onset.split = Some((baseline, Moments::default()));
        }
        Self { f, baseline, later: Moments::default(), taken: 0, onsets }
    }

    /// The onset whose weight was reserved is now: what came so far belongs to the baseline. Only
    /// the first call counts.
    pub fn mark(&mut self) {
        let split = (self.baseline.merged(self.later), Moments::default());
        let taken = self.taken;
        if let Some(onset) = self.onsets.iter_mut().find(|onset| onset.after.is_none()) {
            onset.after = Some(taken);
            onset.split = Some(split);
        }
    }

    /// Takes the next later value, as deviation from ȳ.
    pub fn take(&mut self, deviation: f64) {
        for (_, after) in self.onsets.iter_mut().filter_map(|onset| onset.split.as_mut()) {
            after.add(deviation);
        }
        self.later.add(deviation);
        self.taken += 1;
        let split = (self.baseline.merged(self.later), Moments::default());
        for onset in self.onsets.iter_mut().filter(|onset| onset.after == Some(self.taken)) {
            onset.split = Some(split);
        }
    }

    /// p, later values taken.
    #[must_use]
    pub const fn taken(&self) -> u64 {
        self.taken
    }

    /// ln E.
    #[must_use]
    pub fn ln(&self) -> f64 {
        self.ln_mixture(ln_value)
    }

    /// Whether ln E ≥ `ln_needed`; cheap while E is far below.
    #[must_use]
    pub fn reaches(&self, ln_needed: f64) -> bool {
        self.ln_mixture(ln_bound) >= ln_needed && self.ln() >= ln_needed
    }

    fn ln_mixture(&self, ln_e: fn(f64, f64, f64, f64) -> f64) -> f64 {
        let term = |onset: &Onset| {
            let pair = onset.split.and_then(|(before, after)| Pair::of(&before, &after, self.f));
            let ln =
                pair.map_or(0.0, |pair| ln_e(pair.dof, pair.information, pair.t(), PRIOR_VARIANCE));
            onset.weight.ln() + ln
        };
        let largest = self.onsets.iter().map(term).fold(f64::NEG_INFINITY, f64::max);
        if !largest.is_finite() {
            return largest;
        }
        largest + self.onsets.iter().map(|onset| (term(onset) - largest).exp()).sum::<f64>().ln()
    }

    /// The rise over the whole baseline with an interval that misses it at any look with chance `a`
    /// at most: z̄ − ȳ ± t_a·s_p/√N, t_a² = ν(w−1)/(1 − w/(1+N·g)), w = (√(1+N·g)/a)^(2/(ν+1)).
    /// Nothing before the first later value.
    #[must_use]
    pub fn excess(&self, a: f64) -> Option<Excess> {
        let pair = Pair::of(&self.baseline, &self.later, self.f)?;
        let widened = 1.0 + pair.information * PRIOR_VARIANCE;
        let t = critical_t(0.5 * widened.ln() - a.ln(), pair.dof, widened);
        Some(Excess { rise: pair.rise, within: t * pair.sd / pair.information.sqrt() })
    }

    /// What these and further values could show.
    #[must_use]
    pub fn hearing(&self, delta: f64, ln_threshold: f64) -> CumulativeHearing {
        let pair = Pair::of(&self.baseline, &self.later, self.f);
        let own = (self.baseline.squares / (self.baseline.n - 1.0)).sqrt();
        CumulativeHearing {
            sd: pair.map_or(own, |pair| pair.sd),
            n: self.baseline.n,
            f: self.f,
            taken: self.taken,
            delta,
            ln_threshold,
        }
    }
}

/// √(ν(w−1)/(1 − w/widened)), w = exp(2·ln_w_half/(ν+1)); infinite from w = widened on.
fn critical_t(ln_w_half: f64, dof: f64, widened: f64) -> f64 {
    let ln_w = 2.0 * ln_w_half / (dof + 1.0);
    let w = ln_w.exp();
    if w >= widened {
        return f64::INFINITY;
    }
    (dof * ln_w.exp_m1().max(0.0) / (1.0 - w / widened)).sqrt()
}

/// The smallest steady rise that values together show with a chance of about 90 %:
/// L_p = δ + s_p·(t* + 0.9·√(1 + t*²/2ν))/√N, t* = √(ν(w−1)/(1 − w/(1 + N·g))),
/// w = (½A·√(1 + N·g))^(2/(ν+1)), infinite when w ≥ 1 + N·g; A is what the evidence of a change
/// that began with the first value must reach.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CumulativeHearing {
    /// s_p, in the unit of the values.
    pub sd: f64,
    /// n, baseline values.
    pub n: f64,
    /// f, the share that counts as independent.
    pub f: f64,
    /// p so far.
    pub taken: u64,
    /// δ, in the unit of the values.
    pub delta: f64,
    /// ln A.
    pub ln_threshold: f64,
}

impl CumulativeHearing {
    /// Of a baseline alone, before any later value.
    #[must_use]
    pub fn of_baseline(n: usize, sd: f64, f: f64, delta: f64, ln_threshold: f64) -> Self {
        Self { sd, n: real(n), f, taken: 0, delta, ln_threshold }
    }

    /// L after the values so far; infinite when nothing could be established.
    #[must_use]
    pub fn now(&self) -> f64 {
        self.after(self.taken)
    }

    /// L after `p` values.
    #[must_use]
    pub fn after(&self, p: u64) -> f64 {
        let p = whole(p);
        if p < 1.0 {
            return f64::INFINITY;
        }
        self.rise(self.n + p - 2.0, self.f * self.n * p / (self.n + p))
    }

    /// L however long one listens with this baseline: N = f·n, ν without bound.
    #[must_use]
    pub fn ever(&self) -> f64 {
        let information = self.f * self.n;
        let widened = 1.0 + information * PRIOR_VARIANCE;
        let ln_w_half = self.ln_threshold - LN_2 + 0.5 * widened.ln();
        let t = (2.0 * ln_w_half.max(0.0) / (1.0 - 1.0 / widened)).sqrt();
        self.delta + self.sd * (t + HEARD_QUANTILE) / information.sqrt()
    }

    fn rise(&self, dof: f64, information: f64) -> f64 {
        let widened = 1.0 + information * PRIOR_VARIANCE;
        let t = critical_t(self.ln_threshold - LN_2 + 0.5 * widened.ln(), dof, widened);
        if t.is_infinite() {
            return t;
        }
        let spread = HEARD_QUANTILE * (1.0 + t * t / (2.0 * dof)).sqrt();
        self.delta + self.sd * (t + spread) / information.sqrt()
    }

    /// The smallest number of values in all after which L is `wanted` or less; nothing when this
    /// baseline never gets there.
    #[must_use]
    pub fn values_for(&self, wanted: f64) -> Option<u64> {
        if self.ever() >= wanted {
            return None;
        }
        smallest(1, MOST_FURTHER, |p| self.after(p) <= wanted)
    }

    /// The smallest baseline with which `p` values have L at `wanted` or less, this one's spread and
    /// correlation kept; nothing when none of up to `most` has.
    #[must_use]
    pub fn baseline_for(&self, wanted: f64, p: u64, most: u64) -> Option<u64> {
        smallest(2, most, |n| Self { n: whole(n), ..*self }.after(p) <= wanted)
    }
}

/// The smallest number from `low` to `high` for which `holds`, which stays true once it is.
fn smallest(low: u64, high: u64, holds: impl Fn(u64) -> bool) -> Option<u64> {
    let (mut low, mut high) = (low, high);
    if !holds(high) {
        return None;
    }
    while low < high {
        let middle = low + (high - low) / 2;
        if holds(middle) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    Some(low)
}

#[allow(clippy::cast_precision_loss, reason = "counts stay below 2^53")]
const fn whole(count: u64) -> f64 {
    count as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(found: f64, expected: f64, relative: f64) {
        let miss = (found - expected).abs();
        assert!(miss <= relative * expected.abs(), "found {found:e}, expected {expected:e}");
    }

    /// Values that look like noise of deviation 1, the same at every run.
    fn noise(count: usize) -> Vec<f64> {
        let mut state = 12_345_u32;
        let mut next = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(state) / 4_294_967_296.0 - 0.5
        };
        (0..count).map(|_| (0..12).map(|_| next()).sum()).collect()
    }

    #[test]
    fn e_values_of_the_method_hold() {
        // COMPUTED with SciPy: quadrature over the half-normal prior of stats.nct.pdf(t, ν, δ√N)
        // over stats.t.pdf(t, ν).
        for (n, p, t, g, e) in [
            (10, 1, 2.5, 0.5, 2.873_658_255),
            (30, 120, 4.1, 0.5, 877.709_018_9),
            (30, 120, -1.3, 0.25, 0.178_989_953_3),
            (100, 600, 3.3, 0.1, 81.801_199_23),
            (30, 5, 6.0, 1.0, 9_997.501_975),
        ] {
            check(ln_e_value(n, p, 1.0, t, g).exp(), e, 1e-9);
        }
    }

    #[test]
    fn an_e_value_outside_its_domain_is_no_number() {
        assert!(ln_e_value(30, 0, 1.0, 1.0, 0.5).is_nan());
        assert!(ln_e_value(30, 5, 0.0, 1.0, 0.5).is_nan());
        assert!(ln_e_value(30, 5, 1.0, 1.0, 0.0).is_nan());
        assert!(ln_e_value(1, 1, 1.0, 1.0, 0.5).is_nan());
    }

    #[test]
    fn e_is_one_on_average_without_change() {
        // Closed form: the mean of a likelihood ratio under no change is 1, whatever the prior.
        let (n, p) = (30_usize, 10_usize);
        let dof = real(n + p - 2);
        let density = |t: f64| (-0.5 * (dof + 1.0) * (t * t / dof).ln_1p()).exp();
        let (mut sum, mut area) = (0.0, 0.0);
        for i in -40_000..=40_000 {
            let t = f64::from(i) * 1e-3;
            let weight = density(t);
            area += weight;
            sum += weight * ln_e_value(n, p, 1.0, t, 0.5).exp();
        }
        check(sum / area, 1.0, 1e-6);
    }

    /// E from scratch: every group's sums in two passes.
    fn slowly(n: usize, sd: f64, f: f64, onsets: &[(f64, Option<usize>)], z: &[f64]) -> f64 {
        let mut sum = 0.0;
        for &(weight, after) in onsets {
            let Some(s) = after.filter(|&s| s < z.len()) else {
                sum += weight;
                continue;
            };
            let (before, later) = z.split_at(s);
            let total = real(n + s);
            let mean = before.iter().sum::<f64>() / total;
            let squares = real(n - 1) * sd * sd
                + real(n) * mean * mean
                + before.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>();
            let later_mean = later.iter().sum::<f64>() / real(later.len());
            let later_squares: f64 =
                later.iter().map(|x| (x - later_mean) * (x - later_mean)).sum();
            let p = later.len();
            let pooled = ((squares + later_squares) / (total + real(p) - 2.0)).sqrt();
            let information = f * total * real(p) / (total + real(p));
            let t = (later_mean - mean) * information.sqrt() / pooled;
            sum += weight * ln_e_value(n + s, p, f, t, PRIOR_VARIANCE).exp();
        }
        sum
    }

    #[test]
    fn a_mixture_over_onsets_equals_its_definition() {
        let z: Vec<f64> = noise(60).iter().enumerate().map(|(i, x)| x + 0.02 * real(i)).collect();
        let mut evidence =
            Evidence::new(30, 0.9, 0.8, &[(0.25, 0), (0.2, 7), (0.2, 15), (0.1, 50)], 0.25);
        for p in 0..z.len() {
            if p == 20 {
                evidence.mark();
                evidence.mark();
            }
            evidence.take(z[p]);
            let mark = (p >= 20).then_some(20);
            let onsets =
                [(0.25, Some(0)), (0.2, Some(7)), (0.2, Some(15)), (0.1, Some(50)), (0.25, mark)];
            let expected = slowly(30, 0.9, 0.8, &onsets, &z[..=p]);
            check(evidence.ln().exp(), expected, 1e-10);
            for ln_needed in [evidence.ln() - 1e-9, evidence.ln() + 1e-9] {
                assert_eq!(evidence.reaches(ln_needed), evidence.ln() >= ln_needed);
            }
        }
        assert!(evidence.ln() > 3.0, "the rise is found: {}", evidence.ln());
    }

    #[test]
    fn a_mark_before_the_first_value_is_the_first_onset() {
        let mut marked = Evidence::new(30, 1.0, 1.0, &[(0.25, 0)], 0.25);
        marked.mark();
        let mut plain = Evidence::new(30, 1.0, 1.0, &[(0.5, 0)], 0.0);
        for z in noise(10) {
            marked.take(z);
            plain.take(z);
        }
        check(marked.ln(), plain.ln(), 1e-12);
    }

    #[test]
    fn a_million_values_are_summed_as_well_as_a_few() {
        // The levels lie far from zero beside their spread; only deviations are ever summed.
        let mut evidence = Evidence::new(100, 1.0, 1.0, &[(1.0, 0)], 0.0);
        let z: Vec<f64> = noise(1000).iter().map(|x| x + 0.3).collect();
        for _ in 0..1000 {
            z.iter().for_each(|x| evidence.take(*x));
        }
        let mean = z.iter().sum::<f64>() / 1000.0;
        let squares: f64 = z.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() * 1000.0;
        let pooled = ((99.0 + squares) / (1e6 + 98.0)).sqrt();
        let information = 100.0 * 1e6 / (1e6 + 100.0);
        let t = mean * f64::sqrt(information) / pooled;
        check(evidence.ln(), ln_e_value(100, 1_000_000, 1.0, t, PRIOR_VARIANCE), 1e-9);
    }

    #[test]
    fn evidence_so_large_that_no_number_holds_it_still_has_a_logarithm() {
        let mut evidence = Evidence::new(100, 1.0, 1.0, &[(0.5, 0), (0.5, 3)], 0.0);
        (0..100_000).for_each(|i| evidence.take(if i % 2 == 0 { 50.0 } else { 50.5 }));
        assert!(evidence.ln() > 800.0 && evidence.ln().is_finite(), "{}", evidence.ln());
        assert!(evidence.reaches(700.0));
    }

    #[test]
    fn the_detection_limit_is_where_the_evidence_reaches_its_threshold() {
        // With the quantile taken off, the rise L_p gives a t whose e-value, its Student term left
        // out, is the threshold: w is made of just that.
        let hearing = CumulativeHearing::of_baseline(30, 0.2, 0.7, 0.1, 4000.0_f64.ln());
        for p in [40, 120, 600, 100_000] {
            let (n, count) = (30.0, whole(p));
            let information = 0.7 * n * count / (n + count);
            let (dof, limit) = (n + count - 2.0, hearing.after(p));
            // t* + 0.9·√(1 + t*²/2ν) = (L − δ)·√N/s, solved for t*.
            let sum = (limit - 0.1) * f64::sqrt(information) / 0.2;
            let miss = |t: f64| sum - t - HEARD_QUANTILE * (1.0 + t * t / (2.0 * dof)).sqrt();
            let t = super::super::root::bracketed_root(miss, 0.0, 100.0);
            check(ln_square(dof, information, t, PRIOR_VARIANCE), 4000.0_f64.ln(), 1e-9);
        }
        assert!(hearing.after(0).is_infinite() && hearing.after(1).is_infinite());
        assert!(hearing.now().is_infinite());
        check(hearing.after(100_000_000), hearing.ever(), 1e-5);
    }

    #[test]
    fn how_long_to_listen_is_answered_to_the_value() {
        let hearing = CumulativeHearing::of_baseline(60, 0.1, 1.0, 0.0, 3.0e3_f64.ln());
        let wanted = 1.2 * hearing.ever();
        let p = hearing.values_for(wanted).unwrap();
        assert!(hearing.after(p) <= wanted && hearing.after(p - 1) > wanted, "{p}");
        assert_eq!(hearing.values_for(0.99 * hearing.ever()), None);
        let n = hearing.baseline_for(0.5 * hearing.after(120), 600, 4096).unwrap();
        assert!(n > 60, "{n}");
        assert_eq!(hearing.baseline_for(0.0, 600, 4096), None);
    }

    #[test]
    fn the_interval_is_where_a_value_on_either_side_would_be_refuted() {
        let mut evidence = Evidence::new(30, 1.0, 1.0, &[(1.0, 0)], 0.0);
        assert_eq!(evidence.excess(0.05), None);
        noise(50).iter().for_each(|z| evidence.take(z + 0.4));
        let Excess { rise, within } = evidence.excess(0.05).unwrap();
        check(rise, evidence.later.mean, 1e-12);
        // Two-sided normal prior of variance g (Gönen et al. 2005): its e-value at the interval's
        // end is 1/a.
        let pair = Pair::of(&evidence.baseline, &evidence.later, 1.0).unwrap();
        let t = within * pair.information.sqrt() / pair.sd;
        let two_sided = ln_square(pair.dof, pair.information, t, PRIOR_VARIANCE) - LN_2;
        check(two_sided, 20.0_f64.ln(), 1e-9);
        let mut one = Evidence::new(30, 1.0, 0.05, &[(1.0, 0)], 0.0);
        one.take(1.0);
        assert!(one.excess(0.05).unwrap().within.is_infinite());
    }
}
