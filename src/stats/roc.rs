//! How well one number separates two groups of pulses: the receiver operating characteristic.
//!
//! A limit on the number calls a pulse found when its value lies above. Over all limits the share of
//! quiet pulses found (false) and of bubbles pulses found draws a curve; the area under it is the
//! chance that a bubbles pulse lies above a quiet one, ties half, U/(n₁·n₂) with Mann & Whitney's U
//! (1947). Standard errors by DeLong, DeLong & Clarke-Pearson 1988 (Biometrics 44:837) and Hanley &
//! McNeil 1982 (Radiology 143:29). Values share any unit; shares, area and errors have none.
//!
//! Everything rests on the distinct values in order, each with the counts of both groups, so that
//! one sort, O(n log n), is all the work and ties are exact.

use super::series::real;
use super::tolerance::Interval;

/// What an interval leaves out on each side.
const TAIL: f64 = 0.025;
/// Upper 2.5 % point of the normal distribution.
const Z: f64 = 1.959_963_984_540_054;

/// One distinct value and how often it occurs.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Step {
    value: f64,
    quiet: usize,
    bubbles: usize,
}

/// The curve of two groups.
#[derive(Debug, Clone, PartialEq)]
pub struct Roc {
    /// Ascending by value, never empty.
    steps: Vec<Step>,
    quiet: usize,
    bubbles: usize,
}

impl Roc {
    /// `None` when a group is empty or holds NaN; infinite values have their place at the ends.
    #[must_use]
    pub fn of(quiet: &[f64], bubbles: &[f64]) -> Option<Self> {
        if quiet.is_empty() || bubbles.is_empty() {
            return None;
        }
        if quiet.iter().chain(bubbles).any(|value| value.is_nan()) {
            return None;
        }
        let marked = quiet.iter().map(|value| (value, 1, 0));
        let mut steps: Vec<Step> = marked
            .chain(bubbles.iter().map(|value| (value, 0, 1)))
            // Adding zero makes the two zeros one.
            .map(|(value, quiet, bubbles)| Step { value: value + 0.0, quiet, bubbles })
            .collect();
        steps.sort_unstable_by(|a, b| a.value.total_cmp(&b.value));
        steps.dedup_by(|next, kept| {
            let tied = next.value.total_cmp(&kept.value).is_eq();
            if tied {
                kept.quiet += next.quiet;
                kept.bubbles += next.bubbles;
            }
            tied
        });
        Some(Self { steps, quiet: quiet.len(), bubbles: bubbles.len() })
    }

    /// The area: the share of pairs with the bubbles pulse above the quiet one, ties half.
    #[must_use]
    pub fn auc(&self) -> f64 {
        let won: f64 =
            self.placed().map(|place| real(place.step.bubbles) * place.quiet_below()).sum();
        won / (real(self.quiet) * real(self.bubbles))
    }

    /// DeLong's standard error of the area, √(S₁₀/m + S₀₁/n): variances (divisor m − 1 and n − 1)
    /// of the share of quiet pulses below each of m bubbles pulses and of bubbles pulses above each
    /// of n quiet ones. Infinite when a group has one pulse, whose spread nobody knows; zero when no
    /// pair or every pair is concordant.
    #[must_use]
    pub fn delong_standard_error(&self) -> f64 {
        let (n, m, auc) = (real(self.quiet), real(self.bubbles), self.auc());
        if self.quiet.min(self.bubbles) < 2 {
            return f64::INFINITY;
        }
        let (of_bubbles, of_quiet) = self.placed().fold((0.0, 0.0), |(s10, s01), place| {
            let below = place.quiet_below() / n - auc;
            let above = place.bubbles_above() / m - auc;
            (
                s10 + real(place.step.bubbles) * below * below,
                s01 + real(place.step.quiet) * above * above,
            )
        });
        (of_bubbles / (m * (m - 1.0)) + of_quiet / (n * (n - 1.0))).sqrt()
    }

    /// Hanley & McNeil's standard error of the area A from the area and the counts alone:
    /// √([A(1−A) + (m−1)(Q₁−A²) + (n−1)(Q₂−A²)]/(m·n)) for m bubbles and n quiet pulses, with
    /// Q₁ = A/(2−A), Q₂ = 2A²/(1+A) of exponential distributions.
    #[must_use]
    pub fn hanley_mcneil_standard_error(&self) -> f64 {
        let auc = self.auc();
        self.hanley_mcneil(auc / (2.0 - auc), 2.0 * auc * auc / (1.0 + auc))
    }

    /// Hanley & McNeil's standard error with Q₁ and Q₂ counted from the values, as in the paper's
    /// table of ratings: Q₁ the chance that two bubbles pulses lie above one quiet pulse, Q₂ that
    /// one lies above two, where ties are ordered by chance (two ties count a third).
    #[must_use]
    pub fn hanley_mcneil_counted_standard_error(&self) -> f64 {
        let (n, m) = (real(self.quiet), real(self.bubbles));
        let both = |clear: f64, tied: f64| clear * clear + clear * tied + tied * tied / 3.0;
        let (q1, q2) = self.placed().fold((0.0, 0.0), |(q1, q2), place| {
            let (quiet, bubbles) = (real(place.step.quiet), real(place.step.bubbles));
            let above = place.bubbles_above() - 0.5 * bubbles;
            let below = place.quiet_below() - 0.5 * quiet;
            (q1 + quiet * both(above / m, bubbles / m), q2 + bubbles * both(below / n, quiet / n))
        });
        self.hanley_mcneil(q1 / n, q2 / m)
    }

    fn hanley_mcneil(&self, q1: f64, q2: f64) -> f64 {
        let (n, m, auc) = (real(self.quiet), real(self.bubbles), self.auc());
        let square = auc * auc;
        let sum = auc * (1.0 - auc) + (m - 1.0) * (q1 - square) + (n - 1.0) * (q2 - square);
        (sum.max(0.0) / (m * n)).sqrt()
    }

    /// The 95 % interval with DeLong's standard error; see [`Roc::interval`].
    #[must_use]
    pub fn delong_interval(&self) -> Interval {
        self.interval(self.delong_standard_error())
    }

    /// The 95 % interval with Hanley & McNeil's standard error from area and counts; see
    /// [`Roc::interval`].
    #[must_use]
    pub fn hanley_mcneil_interval(&self) -> Interval {
        self.interval(self.hanley_mcneil_standard_error())
    }

    /// The 95 % interval of the area with this standard error: normal, clipped to 0 … 1.
    ///
    /// Where all pairs agree no standard error means anything, and min(n₁, n₂) independent pairs
    /// bound the chance of what they all showed: at least T = 0.025^(1/min(n₁, n₂)). Concordant
    /// pairs give T … 1, discordant ones 0 … 1 − T, and tied ones T/2 … 1 − T/2.
    #[must_use]
    pub fn interval(&self, standard_error: f64) -> Interval {
        let share = TAIL.powf(1.0 / real(self.quiet.min(self.bubbles)));
        if self.steps.len() == 1 {
            return Interval { low: 0.5 * share, high: 1.0 - 0.5 * share };
        }
        if self.is_parted(|step| step.quiet, |step| step.bubbles) {
            return Interval { low: share, high: 1.0 };
        }
        if self.is_parted(|step| step.bubbles, |step| step.quiet) {
            return Interval { low: 0.0, high: 1.0 - share };
        }
        let (auc, half) = (self.auc(), Z * standard_error);
        Interval { low: (auc - half).max(0.0), high: (auc + half).min(1.0) }
    }

    /// The curve as [false share, found share], both ascending from [0, 0] to [1, 1]; equal values
    /// are one step, so that a tie between the groups is a slanted line. Points inside a straight
    /// line are left out; of more than `most` points (at least 2) evenly counted ones are kept, the
    /// first and the last among them.
    #[must_use]
    pub fn points(&self, most: usize) -> Vec<[f64; 2]> {
        let mut corners = vec![(0, 0)];
        let mut last_step = (0, 0);
        for step in self.steps.iter().rev() {
            let (quiet, bubbles) = corners[corners.len() - 1];
            if last_step.0 * step.bubbles == last_step.1 * step.quiet && corners.len() > 1 {
                corners.pop();
            }
            corners.push((quiet + step.quiet, bubbles + step.bubbles));
            last_step = (step.quiet, step.bubbles);
        }
        let (kept, last) = (most.max(2).min(corners.len()), corners.len() - 1);
        let shares = |(quiet, bubbles): (usize, usize)| {
            [real(quiet) / real(self.quiet), real(bubbles) / real(self.bubbles)]
        };
        (0..kept).map(|i| shares(corners[i * last / (kept - 1)])).collect()
    }

    /// The point [false share, found share] of a limit: the shares of values above it. NaN for a
    /// limit that is NaN.
    #[must_use]
    pub fn at(&self, limit: f64) -> [f64; 2] {
        if limit.is_nan() {
            return [f64::NAN; 2];
        }
        let above = self.steps.iter().rev().take_while(|step| step.value > limit);
        let (quiet, bubbles) =
            above.fold((0, 0), |sum, step| (sum.0 + step.quiet, sum.1 + step.bubbles));
        [real(quiet) / real(self.quiet), real(bubbles) / real(self.bubbles)]
    }

    /// Whether every value of one group lies below every value of the other.
    fn is_parted(&self, below: fn(&Step) -> usize, above: fn(&Step) -> usize) -> bool {
        let last = self.steps.iter().rposition(|step| below(step) > 0);
        last < self.steps.iter().position(|step| above(step) > 0)
    }

    /// Every step with how many pulses of each group lie below it, in ascending order.
    fn placed(&self) -> impl Iterator<Item = Place<'_>> {
        let mut seen = (0, 0);
        self.steps.iter().map(move |step| {
            let (quiet, bubbles) = seen;
            seen = (quiet + step.quiet, bubbles + step.bubbles);
            Place { step, quiet_before: quiet, bubbles_after: self.bubbles - seen.1 }
        })
    }
}

/// A step among the others.
struct Place<'a> {
    step: &'a Step,
    quiet_before: usize,
    bubbles_after: usize,
}

impl Place<'_> {
    /// Quiet pulses below, ties half.
    fn quiet_below(&self) -> f64 {
        real(self.quiet_before) + 0.5 * real(self.step.quiet)
    }

    /// Bubbles pulses above, ties half.
    fn bubbles_above(&self) -> f64 {
        real(self.bubbles_after) + 0.5 * real(self.step.bubbles)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rand_core::SeedableRng as _;
    use rand_pcg::Pcg64;

    use super::*;
    use crate::stats::{normal_quantile, normal_upper_quantile};

    #[track_caller]
    fn check(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance, "found {found}, expected {expected}");
    }

    #[track_caller]
    fn check_point(found: [f64; 2], expected: [f64; 2]) {
        check(found[0], expected[0], 0.0);
        check(found[1], expected[1], 0.0);
    }

    /// Ratings 1 … 5, each as often as said.
    fn ratings(counts: [usize; 5]) -> Vec<f64> {
        let rated = counts.into_iter().zip([1.0, 2.0, 3.0, 4.0, 5.0]);
        rated.flat_map(|(count, rating)| std::iter::repeat_n(rating, count)).collect()
    }

    fn hanley() -> Roc {
        Roc::of(&ratings([33, 6, 6, 11, 2]), &ratings([3, 2, 2, 11, 33])).unwrap()
    }

    fn small() -> Roc {
        Roc::of(&[0.8, 1.2, 1.9, 2.5], &[1.0, 2.0, 2.6, 3.1, 4.0]).unwrap()
    }

    #[test]
    fn rated_images_of_the_paper_hold() {
        let roc = hanley();
        // Hanley & McNeil 1982, table I, counts and results from memory: 0.893, 0.032.
        check(roc.auc(), 0.893, 5e-4);
        check(roc.hanley_mcneil_standard_error(), 0.032, 5e-4);
        check(roc.hanley_mcneil_counted_standard_error(), 0.032, 5e-4);
        // COMPUTED with SciPy: stats.mannwhitneyu(abnormal, normal).statistic = 2642.
        check(roc.auc(), 2642.0 / (51.0 * 58.0), 1e-15);
        // COMPUTED with NumPy: placements of all pairs (DeLong); Q1 = 0.81820, Q2 = 0.83125 counted;
        // A/(2 − A) and 2A²/(1 + A).
        check(roc.delong_standard_error(), 0.030_724_408_379_381_122, 1e-15);
        check(roc.hanley_mcneil_counted_standard_error(), 0.031_990_408_194_309_55, 1e-15);
        check(roc.hanley_mcneil_standard_error(), 0.032_486_579_607_342_14, 1e-15);
        let interval = roc.delong_interval();
        check(interval.low, roc.auc() - normal_upper_quantile(0.025) * 0.030_724_408_379, 1e-11);
        check(interval.high, roc.auc() + normal_upper_quantile(0.025) * 0.030_724_408_379, 1e-11);
    }

    #[test]
    fn a_small_example_holds() {
        let roc = small();
        // COMPUTED with SciPy: stats.mannwhitneyu(bubbles, quiet).statistic = 16 of 20.
        check(roc.auc(), 0.8, 1e-15);
        // COMPUTED with NumPy: as above.
        check(roc.delong_standard_error(), 0.167_082_813_798_028_5, 1e-15);
        check(roc.hanley_mcneil_counted_standard_error(), 0.157_321_327_225_522_64, 1e-15);
        check(roc.hanley_mcneil_standard_error(), 0.154_919_333_848_296_65, 1e-15);
        check(roc.delong_interval().high, 1.0, 0.0);
    }

    #[test]
    fn normal_groups_have_the_binormal_area() {
        // COMPUTED with SciPy: stats.norm.cdf(d/sqrt(2)).
        for (d, area) in [(1.0, 0.760_249_938_9), (2.0, 0.921_350_396_5), (3.0, 0.983_052_573_2)] {
            // Normal scores in place of chance: the sum over pairs is a midpoint rule.
            let quiet: Vec<f64> =
                (0..2000).map(|i| normal_quantile((real(i) + 0.5) / 2000.0)).collect();
            let bubbles: Vec<f64> = quiet.iter().map(|z| z + d).collect();
            let roc = Roc::of(&quiet, &bubbles).unwrap();
            check(roc.auc(), area, 3e-4);
            let trapezoids: f64 = roc
                .points(usize::MAX)
                .windows(2)
                .map(|pair| 0.5 * (pair[1][0] - pair[0][0]) * (pair[1][1] + pair[0][1]))
                .sum();
            check(trapezoids, roc.auc(), 1e-12);
        }
    }

    #[test]
    fn delong_intervals_hold_the_binormal_area_as_often_as_they_say() {
        // COMPUTED with SciPy: stats.norm.cdf(1/sqrt(2)).
        let area = 0.760_249_938_9;
        let mut random = Pcg64::seed_from_u64(8);
        let mut draw = |shift: f64| shift + normal_quantile(uniform(&mut random));
        let held = (0..400)
            .filter(|_| {
                let quiet: Vec<f64> = (0..60).map(|_| draw(0.0)).collect();
                let bubbles: Vec<f64> = (0..60).map(|_| draw(1.0)).collect();
                let interval = Roc::of(&quiet, &bubbles).unwrap().delong_interval();
                (interval.low..=interval.high).contains(&area)
            })
            .count();
        // 95 % of 400 is 380 with a standard deviation of 4.4.
        assert!((364..=393).contains(&held), "{held} of 400");
    }

    fn uniform(random: &mut Pcg64) -> f64 {
        (real(usize::try_from(random.next_u64() >> 11).unwrap()) + 0.5) / 2.0_f64.powi(53)
    }

    #[test]
    fn pairs_that_all_agree_are_bounded_by_independent_pairs() {
        let above = Roc::of(&[0.0, 1.0, 2.0], &[3.0, 4.0, 5.0, 5.0]).unwrap();
        check(above.auc(), 1.0, 0.0);
        check(above.delong_standard_error(), 0.0, 0.0);
        check(above.hanley_mcneil_standard_error(), 0.0, 0.0);
        // Closed form: all of three pairs at least at p³ = 0.025.
        let low = 0.025_f64.cbrt();
        check(above.delong_interval().low, low, 1e-15);
        check(above.hanley_mcneil_interval().low, low, 1e-15);
        check(above.delong_interval().high, 1.0, 0.0);
        let below = Roc::of(&[3.0, 4.0, 5.0, 5.0], &[0.0, 1.0, 2.0]).unwrap();
        check(below.auc(), 0.0, 0.0);
        check(below.delong_interval().low, 0.0, 0.0);
        check(below.delong_interval().high, 1.0 - low, 1e-15);
        let tied = Roc::of(&[1.0; 3], &[1.0; 3]).unwrap();
        check(tied.auc(), 0.5, 0.0);
        check(tied.delong_interval().low, 0.5 * low, 1e-15);
        check(tied.delong_interval().high, 1.0 - 0.5 * low, 1e-15);
        // One tie at the border is no agreement.
        let touching = Roc::of(&[0.0, 1.0, 2.0], &[2.0, 4.0, 5.0]).unwrap();
        assert!(touching.delong_interval().low > low);
    }

    #[test]
    fn one_pulse_in_a_group_leaves_the_area_open() {
        let roc = Roc::of(&[1.0], &[0.0, 2.0, 3.0]).unwrap();
        assert!(roc.delong_standard_error().is_infinite());
        assert_eq!(roc.delong_interval(), Interval { low: 0.0, high: 1.0 });
    }

    #[test]
    fn the_curve_steps_over_ties_at_once_and_meets_the_limits() {
        let points = hanley().points(401);
        // Ratings 3 and 2 have the same counts: one straight line.
        assert_eq!(points.len(), 5);
        // Closed form from the counts: 2 of 58 and 33 of 51 are rated 5.
        check_point(points[1], [2.0 / 58.0, 33.0 / 51.0]);
        check_point(points[2], hanley().at(3.5));
        check_point(hanley().at(5.0), [0.0, 0.0]);
        check_point(hanley().at(f64::NEG_INFINITY), [1.0, 1.0]);
        assert!(hanley().at(f64::NAN)[0].is_nan());
        let apart = Roc::of(&[1.0, 2.0, 3.0], &[4.0, 5.0]).unwrap();
        let corners = apart.points(401);
        assert_eq!(corners.len(), 3);
        check_point(corners[1], [0.0, 1.0]);
        // The two zeros are one value.
        assert_eq!(Roc::of(&[0.0], &[-0.0]).unwrap().points(9).len(), 2);
    }

    #[test]
    fn thinning_keeps_the_ends_and_the_number() {
        let quiet: Vec<f64> = (0..1000).map(|i| real(i) * 2.0).collect();
        let bubbles: Vec<f64> = quiet.iter().map(|x| x + 301.0).collect();
        let roc = Roc::of(&quiet, &bubbles).unwrap();
        assert!(roc.points(usize::MAX).len() > 401);
        for most in [0, 2, 3, 401] {
            let points = roc.points(most);
            assert_eq!(points.len(), most.max(2));
            check_point(points[0], [0.0; 2]);
            check_point(points[points.len() - 1], [1.0; 2]);
        }
    }

    #[test]
    fn groups_that_are_empty_or_hold_nan_have_no_curve() {
        assert_eq!(Roc::of(&[], &[1.0]), None);
        assert_eq!(Roc::of(&[1.0], &[]), None);
        assert_eq!(Roc::of(&[1.0], &[f64::NAN]), None);
        assert!(Roc::of(&[f64::NEG_INFINITY], &[f64::INFINITY]).is_some());
    }

    fn group() -> impl Strategy<Value = Vec<f64>> {
        let value = prop_oneof![
            (-3_i8..4).prop_map(f64::from),
            proptest::num::f64::ANY.prop_filter("a number", |x| !x.is_nan()),
        ];
        proptest::collection::vec(value, 1..12)
    }

    proptest! {
        #[test]
        fn exchanged_groups_mirror_area_and_intervals(a in group(), b in group()) {
            let (one, other) = (Roc::of(&a, &b).unwrap(), Roc::of(&b, &a).unwrap());
            prop_assert!((one.auc() - (1.0 - other.auc())).abs() < 1e-14);
            let (delong, mirrored) = (one.delong_interval(), other.delong_interval());
            prop_assert!((delong.low - (1.0 - mirrored.high)).abs() < 1e-12);
            for interval in [delong, one.hanley_mcneil_interval()] {
                prop_assert!(0.0 <= interval.low && interval.low <= one.auc());
                prop_assert!(one.auc() <= interval.high && interval.high <= 1.0);
            }
        }

        #[test]
        fn the_area_is_the_share_of_pairs_and_the_curve_rises(a in group(), b in group()) {
            let roc = Roc::of(&a, &b).unwrap();
            let score = |quiet: f64, bubbles: f64| match quiet.partial_cmp(&bubbles) {
                Some(std::cmp::Ordering::Less) => 1.0,
                Some(std::cmp::Ordering::Equal) => 0.5,
                _ => 0.0,
            };
            let won: f64 = a.iter().flat_map(|x| b.iter().map(move |y| score(*x, *y))).sum();
            prop_assert!((roc.auc() - won / (real(a.len()) * real(b.len()))).abs() < 1e-14);
            let points = roc.points(7);
            prop_assert!(points.len() <= 7);
            check_point(points[0], [0.0; 2]);
            check_point(points[points.len() - 1], [1.0; 2]);
            for pair in points.windows(2) {
                prop_assert!(pair[0][0] <= pair[1][0] && pair[0][1] <= pair[1][1]);
            }
        }
    }
}
