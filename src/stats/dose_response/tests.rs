use proptest::prelude::*;
use rand_core::SeedableRng as _;
use rand_pcg::Pcg64;

use super::*;

#[track_caller]
fn check(found: f64, expected: f64, relative: f64) {
    let miss = (found - expected).abs();
    assert!(miss <= relative * expected.abs(), "found {found:e}, expected {expected:e}");
}

fn groups(x: &[f64], n: &[usize], passed: &[usize]) -> Vec<DoseGroup> {
    let counts = n.iter().zip(passed);
    x.iter().zip(counts).map(|(&x, (&n, &passed))| DoseGroup { x, n, passed }).collect()
}

/// Bliss 1935, beetles after five hours of carbon disulphide, log dose; 61 of 62 died at 1.8610 (a
/// print with 60 is about, whose coefficients are those of 61).
fn beetles() -> Vec<DoseGroup> {
    groups(
        &[1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839],
        &[59, 60, 62, 56, 63, 59, 62, 60],
        &[6, 13, 18, 28, 52, 53, 61, 60],
    )
}

/// Male budworm moths (Collett, Modelling Binary Data), log₂ dose; counts from memory.
fn budworms() -> Vec<DoseGroup> {
    groups(&[0.0, 1.0, 2.0, 3.0, 4.0, 5.0], &[20; 6], &[1, 4, 9, 13, 18, 20])
}

fn five(passed: [usize; 5]) -> Vec<DoseGroup> {
    groups(&[-1.0, -0.5, 0.0, 0.5, 1.0], &[6; 5], &passed)
}

fn logit(groups: &[DoseGroup]) -> DoseResponse {
    DoseResponse::fit(groups, Link::Logit).unwrap()
}

/// x, ends by the delta method, ends by the profile likelihood.
#[track_caller]
fn check_place(fit: &DoseResponse, share: f64, expected: [f64; 5], tolerance: f64) {
    let (delta, profile) = (fit.delta_interval(share, 0.95), fit.profile_interval(share, 0.95));
    let found = [fit.x_at(share), delta.low, delta.high, profile.low, profile.high];
    for (found, expected) in found.into_iter().zip(expected) {
        let same = found.is_infinite() && found.total_cmp(&expected).is_eq();
        assert!(same || (found - expected).abs() <= tolerance, "{found:?}, expected {expected:?}");
    }
}

#[test]
fn beetles_hold_with_a_logit() {
    let fit = logit(&beetles());
    assert_eq!((fit.estimate, fit.separation, fit.dof), (Estimate::MaximumLikelihood, None, 6));
    // COMPUTED with statsmodels: GLM(c_[r, n - r], add_constant(x), Binomial()).fit(tol=1e-14);
    // −60.717455, 34.270326 and 11.232231 also published (Dobson's analysis of these data). More
    // digits COMPUTED with mpmath: findroot of the derivatives of the log likelihood.
    check(fit.intercept, -60.717_454_561_635_414, 1e-13);
    check(fit.slope, 34.270_325_734_146_98, 1e-13);
    check(fit.deviance, 11.232_231_097_419_263, 1e-13);
    check(fit.pearson, 10.026_817_585_637_56, 1e-12);
    check(fit.scale, 10.026_817_585_637_56 / 6.0, 1e-12);
    check(fit.covariance[0].sqrt(), 5.180_711, 1e-6);
    check(fit.covariance[2].sqrt(), 2.912_140, 1e-6);
    check(fit.covariance[1], -15.082_151_006_265_846, 1e-12);
    // COMPUTED with SciPy: optimize.brentq of twice the drop of the log likelihood, greatest over
    // the slope by optimize.minimize_scalar, less scale·chi2.ppf(.95, 1).
    let half = [1.771_720_964, 1.761_945_836, 1.781_496_093, 1.761_625_631, 1.781_354_298];
    check_place(&fit, 0.5, half, 1e-9);
    let most = [1.835_835_458, 1.820_145_470, 1.851_525_446, 1.821_546_529, 1.853_415_117];
    check_place(&fit, 0.9, most, 1e-9);
    // COMPUTED with statsmodels: fittedvalues·n.
    for (group, expected) in beetles().iter().zip([3.4575, 9.8417, 22.4514, 33.8976, 50.0958]) {
        check(fit.share_at(group.x) * real(group.n), expected, 2e-5);
    }
}

#[test]
fn beetles_hold_with_a_probit() {
    let fit = DoseResponse::fit(&beetles(), Link::Probit).unwrap();
    // COMPUTED with statsmodels: GLM with Binomial(links.Probit()); more digits with mpmath.
    check(fit.intercept, -34.935_258_899_177_995, 1e-12);
    check(fit.slope, 19.727_934_211_322_33, 1e-12);
    check(fit.deviance, 10.119_758_113_001_438, 1e-12);
    check(fit.pearson, 9.513_426_963_084_886, 1e-11);
    // The covariance is that of the expected information.
    check(fit.covariance[0].sqrt(), 2.647_917_798_617_895, 1e-12);
    check(fit.covariance[2].sqrt(), 1.487_235_040_902_775_7, 1e-12);
    // COMPUTED with SciPy: as for the logit.
    let half = [1.770_852_362, 1.761_465_818, 1.780_238_907, 1.761_220_818, 1.780_055_111];
    check_place(&fit, 0.5, half, 1e-9);
    let most = [1.835_813_627, 1.821_877_085, 1.849_750_170, 1.822_825_868, 1.851_566_261];
    check_place(&fit, 0.9, most, 1e-9);
}

#[test]
fn budworms_hold() {
    let fit = logit(&budworms());
    // COMPUTED with statsmodels: GLM as above; more digits with mpmath.
    check(fit.intercept, -2.818_554_967_315_522_6, 1e-13);
    check(fit.slope, 1.258_949_424_203_955, 1e-13);
    check(fit.deviance, 1.880_970_081_421_424_5, 1e-12);
    check(fit.covariance[0].sqrt(), 0.547_986_822_162_103_8, 1e-12);
    check(fit.covariance[2].sqrt(), 0.212_065_496_808_387_4, 1e-12);
    // Less scatter than binomial does not narrow anything.
    check(fit.scale, 1.0, 0.0);
    check(fit.pearson, 1.308_896_487_550_025_3, 1e-11);
    // COMPUTED with SciPy: brentq as above.
    let half = [2.238_815_089, 1.839_007_750, 2.638_622_428, 1.827_086_099, 2.643_004_626];
    check_place(&fit, 0.5, half, 1e-8);
    let most = [3.984_099_320, 3.294_904_024, 4.673_294_615, 3.390_130_779, 4.824_818_659];
    check_place(&fit, 0.9, most, 1e-8);
}

#[test]
fn the_order_of_groups_and_their_splitting_do_not_matter() {
    let whole = logit(&budworms());
    let mut split = budworms();
    split.reverse();
    split.insert(2, DoseGroup { x: 2.0, n: 7, passed: 5 });
    split.push(DoseGroup { x: 9.0, n: 0, passed: 0 });
    let of_two = split.iter_mut().rfind(|group| (group.x - 2.0).abs() < 0.5 && group.n == 20);
    *of_two.unwrap() = DoseGroup { x: 2.0, n: 13, passed: 4 };
    let parts = logit(&split);
    assert_eq!(parts.dof, 4);
    check(parts.slope, whole.slope, 1e-14);
    check(parts.deviance, whole.deviance, 1e-12);
}

#[test]
fn separated_trials_get_the_penalised_fit() {
    // COMPUTED with mpmath: findroot of the derivatives of log likelihood + log(det I)/2, 40 digits.
    for (passed, complete, between, [intercept, slope], [v00, v01, v11]) in [
        (
            [0, 0, 0, 6, 6],
            true,
            (0.0, 0.5),
            [-2.501_160_154_081_411_7, 10.005_446_218_683_389],
            [2.290_900_014_560_837, -4.441_839_444_219_425, 17.772_785_448_752_074],
        ),
        (
            [0, 0, 2, 6, 6],
            false,
            (-0.5, 0.5),
            [-0.511_788_766_210_821, 6.109_926_366_960_024],
            [0.528_331_801_017_622_6, -0.421_116_898_257_652_8, 6.167_702_467_884_135],
        ),
        (
            [0, 0, 0, 0, 3],
            false,
            (0.5, 1.0),
            [-4.374_754_690_794_762, 4.260_613_735_145_183],
            [4.565_441_975_436_16, -4.905_036_685_169_99, 5.883_992_495_378_156],
        ),
    ] {
        let fit = logit(&five(passed));
        assert_eq!(fit.estimate, Estimate::Firth);
        let found = fit.separation.unwrap();
        assert_eq!(found.complete, complete);
        assert_eq!(found.between, Interval { low: between.0, high: between.1 });
        check(fit.intercept, intercept, 1e-12);
        check(fit.slope, slope, 1e-12);
        check(fit.covariance[0], v00, 1e-11);
        check(fit.covariance[1], v01, 1e-11);
        check(fit.covariance[2], v11, 1e-11);
    }
}

#[test]
fn penalised_intervals_hold() {
    // COMPUTED with SciPy: brentq as above, on log likelihood + log(det I)/2.
    for (passed, half, most) in [
        (
            [0, 0, 0, 6, 6],
            [0.249_979_871, 0.037_118_918, 0.462_840_823, 0.052_866_041, 0.446_336_542],
            [0.469_582_728, 0.189_911_614, 0.749_253_842, 0.224_958_290, 0.896_469_108],
        ),
        (
            [0, 0, 2, 6, 6],
            [0.083_763_492, -0.143_304_591, 0.310_831_574, -0.166_829_178, 0.332_960_419],
            [0.443_379_049, 0.068_270_614, 0.818_487_484, 0.147_074_041, 1.015_568_281],
        ),
        (
            [0, 0, 0, 0, 3],
            [1.026_789_792, 0.643_001_437, 1.410_578_147, 0.736_126_946, 3.041_030_814],
            [1.542_495_912, 0.690_132_428, 2.394_859_396, 1.080_940_016, 6.076_061_595],
        ),
    ] {
        let fit = logit(&five(passed));
        check_place(&fit, 0.5, half, 1e-8);
        check_place(&fit, 0.9, most, 1e-7);
    }
}

#[test]
fn an_end_that_level_lines_reach_is_infinite() {
    let rising = logit(&groups(&[0.0, 1.0, 2.0, 3.0], &[20; 4], &[5, 6, 8, 10]));
    // COMPUTED with SciPy: brentq as above; the upper drop stays below 3.84 however far out.
    check_place(
        &rising,
        0.5,
        [3.061_417_050, 1.034_392_659, 5.088_441_441, 1.819_675_562, f64::INFINITY],
        1e-8,
    );
    // Hardly any slope: both ends.
    let flat = logit(&groups(&[0.0, 1.0, 2.0, 3.0], &[10; 4], &[4, 5, 4, 6]));
    let ends = flat.profile_interval(0.5, 0.95);
    assert!(ends.low == f64::NEG_INFINITY && ends.high == f64::INFINITY);
    assert!(flat.delta_interval(0.5, 0.95).high.is_finite());
}

#[test]
fn what_cannot_be_fitted_says_why() {
    let fit = |groups: &[DoseGroup]| DoseResponse::fit(groups, Link::Logit).unwrap_err();
    assert_eq!(fit(&[]), NoFit::TooFewGroups { groups: 0 });
    let two = groups(&[1.0, 2.0, 2.0, 3.0], &[9, 9, 9, 0], &[1, 2, 5, 0]);
    assert_eq!(fit(&two), NoFit::TooFewGroups { groups: 2 });
    assert_eq!(fit(&five([0; 5])), NoFit::NonePassed);
    assert_eq!(fit(&five([6; 5])), NoFit::AllPassed);
    assert_eq!(fit(&five([5, 4, 3, 2, 1])), NoFit::NotRising);
    assert_eq!(fit(&five([6, 6, 3, 0, 0])), NoFit::NotRising);
    // Equal shares: what slope there is comes from rounding.
    assert_eq!(fit(&groups(&[0.1, 0.2, 0.7], &[3, 6, 9], &[1, 2, 3])), NoFit::NotRising);
    let too_many = groups(&[0.0, 1.0, 2.0], &[3, 3, 3], &[0, 4, 3]);
    assert_eq!(fit(&too_many), NoFit::MorePassedThanTried { group: 1, passed: 4, n: 3 });
    assert_eq!(fit(&too_many).to_string(), "group 1: 4 of 3 passed");
    for x in [f64::NEG_INFINITY, f64::MAX, f64::NAN] {
        let found = fit(&groups(&[x, 1.0, 2.0], &[3, 3, 3], &[0, 1, 3]));
        assert!(matches!(found, NoFit::PlaceOutOfRange { .. }), "{found}");
    }
    let parted = DoseResponse::fit(&five([0, 0, 2, 6, 6]), Link::Probit);
    assert_eq!(parted.unwrap_err(), NoFit::Separated);
    let nan = logit(&budworms()).profile_interval(1.0, 0.95);
    assert!(nan.low.is_nan() && nan.high.is_nan());
}

#[test]
fn a_second_hill_of_the_penalised_likelihood_does_not_mislead() {
    let fit = logit(&groups(&[-6.0, 0.2, 0.5], &[1300, 4, 6], &[0, 0, 6]));
    let ends = fit.profile_interval(0.77, 0.95);
    // COMPUTED with SciPy: optimize.minimize of the penalised likelihood has tops of −3.04159 and, of
    // gentler slope, −4.38858; brentq on the best of 4000 slopes, polished. The upper end lies on
    // the gentle hill.
    check(fit.greatest, fit.likelihood.at(fit.line).value, 0.0);
    check(fit.x_at(0.77), 0.414_536_626, 1e-7);
    check(fit.slope, 15.873_913_2, 1e-7);
    check(ends.low, 0.286_396_211, 1e-7);
    check(ends.high, 1.606_005_126, 1e-7);
}

#[test]
fn no_line_is_better_than_the_penalised_fit() {
    let mut random = Pcg64::seed_from_u64(6);
    for _ in 0..100 {
        let cut = 1 + usize::from(uniform(&mut random) < 0.5);
        // Places from near to far apart, counts from few to many.
        let mut log = |decades: f64| 10.0_f64.powf(decades * uniform(&mut random));
        let mut x = 0.0;
        let drawn: Vec<DoseGroup> = (0..4)
            .map(|place| {
                x += log(3.0);
                let many = log(4.0);
                let n = (1..10_000).find(|n| real(*n) >= many).unwrap();
                DoseGroup { x, n, passed: if place < cut { 0 } else { n } }
            })
            .collect();
        let fit = logit(&drawn);
        assert_eq!(fit.estimate, Estimate::Firth);
        for pair in fit.likelihood.trials.windows(2) {
            for (pivot, octave) in (0..10).flat_map(|i| (0..60).map(move |octave| (i, octave))) {
                let pivot = pair[0].t + 0.1 * real(pivot) * (pair[1].t - pair[0].t);
                let slope = 0.1 * 1.3_f64.powi(octave);
                let found = fit.likelihood.at(Line { pivot, height: 0.0, slope }).value;
                assert!(found <= fit.greatest + 1e-9, "{drawn:?}: {pivot} {slope}");
            }
        }
    }
}

#[test]
fn steps_that_are_too_long_are_halved() {
    // From a level line Newton's first step goes far beyond the maximum.
    let x = [-0.5, 0.2, 0.45, 0.65, 0.85, 0.9];
    let fit = logit(&groups(&x, &[400_000, 1, 4, 6, 3, 5], &[0, 1, 4, 6, 2, 5]));
    assert_eq!(fit.estimate, Estimate::MaximumLikelihood);
    // COMPUTED with mpmath: findroot of the score, 40 digits.
    check(fit.intercept, -5.482_039_442_847_616, 1e-12);
    check(fit.slope, 15.698_706_316_409_65, 1e-12);
}

#[test]
fn one_trial_across_the_limit_ends_the_separation() {
    // With it the maximum exists, far out, and is found to the last digits.
    let x = [0.0, 1.0, 1.000_001, 2.0];
    for link in [Link::Logit, Link::Probit] {
        let fit = DoseResponse::fit(&groups(&x, &[50; 4], &[0, 1, 49, 50]), link).unwrap();
        assert_eq!(fit.estimate, Estimate::MaximumLikelihood);
        // Closed form: the two middle places decide, p = 1/50 and 49/50, one millionth apart.
        check(fit.slope, 2.0 * link.eta(0.98) / (x[2] - x[1]), 1e-9);
        check(fit.x_at(0.5), 1.000_000_5, 1e-14);
    }
}

/// A uniform number between 0 and 1.
fn uniform(random: &mut Pcg64) -> f64 {
    (real(usize::try_from(random.next_u64() >> 11).unwrap()) + 0.5) / 2.0_f64.powi(53)
}

/// Passes of `n` trials whose chance itself is beta distributed about `p` so that any two trials of
/// a group correlate by `alike`; independent for 0. Pólya's urn.
fn passes(random: &mut Pcg64, n: usize, p: f64, alike: f64) -> usize {
    let mut passed = 0;
    for tried in 0..n {
        let seen = (1.0 - alike) * p + alike * real(passed);
        let chance = seen / (1.0 - alike + alike * real(tried));
        passed += usize::from(uniform(random) < chance);
    }
    passed
}

/// How many of 500 sets of eight drives with 20 pulses have delta and profile intervals of the 50 %
/// drive that hold the true one, and how many fits there are.
fn held(alike: f64, seed: u64) -> [usize; 3] {
    let mut random = Pcg64::seed_from_u64(seed);
    let (truth, slope) = (0.3_f64.ln(), 6.0);
    let mut count = [0; 3];
    for _ in 0..500 {
        let drawn: Vec<DoseGroup> = [0.15_f64, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.6]
            .map(|drive| {
                let x = drive.ln();
                let p = Link::Logit.chance(slope * (x - truth)).ln_p.exp();
                DoseGroup { x, n: 20, passed: passes(&mut random, 20, p, alike) }
            })
            .to_vec();
        let Ok(fit) = DoseResponse::fit(&drawn, Link::Logit) else { continue };
        let has = |ends: Interval| usize::from((ends.low..=ends.high).contains(&truth));
        count[0] += has(fit.delta_interval(0.5, 0.95));
        count[1] += has(fit.profile_interval(0.5, 0.95));
        count[2] += 1;
    }
    count
}

#[test]
fn intervals_hold_the_true_drive_as_often_as_they_say() {
    let [delta, profile, fits] = held(0.0, 3);
    assert_eq!(fits, 500);
    // 91 % to 98 % of 500.
    assert!((455..=490).contains(&delta), "delta {delta}");
    assert!((455..=490).contains(&profile), "profile {profile}");
}

#[test]
fn small_separated_sets_have_finite_estimates() {
    let mut random = Pcg64::seed_from_u64(5);
    let mut parted = 0;
    for _ in 0..300 {
        let drawn: Vec<DoseGroup> = [0.2_f64, 0.3, 0.4, 0.5, 0.6]
            .map(|drive| {
                let x = drive.ln();
                let p = Link::Logit.chance(14.0 * (x - 0.4_f64.ln())).ln_p.exp();
                DoseGroup { x, n: 6, passed: passes(&mut random, 6, p, 0.0) }
            })
            .to_vec();
        let Ok(fit) = DoseResponse::fit(&drawn, Link::Logit) else { continue };
        if fit.estimate == Estimate::Firth {
            parted += 1;
            // Somewhere between the drives, or a little beyond where only the last one passed.
            assert!((0.2_f64.ln()..0.8_f64.ln()).contains(&fit.x_at(0.5)), "{drawn:?}");
            let ends = fit.profile_interval(0.5, 0.95);
            assert!(ends.low <= fit.x_at(0.5) && fit.x_at(0.5) <= ends.high);
            assert!(fit.slope > 0.0 && fit.slope < 1e3 && fit.intercept.is_finite());
        }
    }
    assert!(parted > 100, "{parted}");
}

fn any_groups() -> impl Strategy<Value = Vec<DoseGroup>> {
    let place = prop_oneof![
        4 => (-3_i8..4).prop_map(f64::from),
        2 => -3.0_f64..3.0,
        1 => proptest::num::f64::ANY,
    ];
    let count = prop_oneof![4 => 0_usize..7, 1 => 0_usize..1_000_000];
    let counts =
        count.prop_flat_map(|n| (Just(n), prop_oneof![Just(0), Just(n), 0..=n, 0..=n.min(2)]));
    let group = (place, counts).prop_map(|(x, (n, passed))| DoseGroup { x, n, passed });
    proptest::collection::vec(group, 0..8)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]
    #[test]
    fn any_groups_end_in_an_error_or_in_ordered_intervals(
        groups in any_groups(),
        link in prop_oneof![Just(Link::Logit), Just(Link::Probit)],
        share in 0.01_f64..0.99,
    ) {
        if let Ok(fit) = DoseResponse::fit(&groups, link) {
            let x = fit.x_at(share);
            prop_assert!(fit.slope > 0.0 && fit.deviance >= 0.0 && fit.scale >= 1.0);
            for ends in [fit.delta_interval(share, 0.95), fit.profile_interval(share, 0.95)] {
                prop_assert!(ends.low <= x && x <= ends.high, "{ends:?} without {x}");
            }
            // A steep line moves within the last digit of x.
            let blur = 1e-9 + 4.0 * f64::EPSILON * fit.slope * fit.axis.middle.abs().max(x.abs());
            let found = fit.share_at(x);
            prop_assert!((found - share).abs() <= blur, "{found} at the place of {share}");
        }
    }

    #[test]
    fn small_sets_are_fitted_unless_there_is_a_reason(
        passed in proptest::collection::vec(0_usize..=4, 3..7),
    ) {
        let groups: Vec<DoseGroup> = passed
            .iter()
            .enumerate()
            .map(|(place, passed)| DoseGroup { x: real(place), n: 4, passed: *passed })
            .collect();
        // By brute force: Σ (place − mean)·passed is the score of the slope at a level line, and a
        // concave likelihood rises exactly where it is positive.
        let middle = 0.5 * real(passed.len() - 1);
        let score: f64 =
            passed.iter().enumerate().map(|(i, k)| (real(i) - middle) * real(*k)).sum();
        match DoseResponse::fit(&groups, Link::Logit) {
            Ok(fit) => {
                prop_assert!(score > 0.0);
                let cuts = 0..=2 * passed.len();
                let parted = cuts.into_iter().any(|cut| {
                    passed.iter().enumerate().all(|(i, k)| match (2 * i + 1).cmp(&cut) {
                        std::cmp::Ordering::Less => *k == 0,
                        std::cmp::Ordering::Equal => true,
                        std::cmp::Ordering::Greater => *k == 4,
                    })
                });
                prop_assert_eq!(parted, fit.separation.is_some());
            }
            Err(NoFit::NotRising) => prop_assert!(score <= 0.0),
            Err(other) => prop_assert!(
                matches!(other, NoFit::NonePassed | NoFit::AllPassed),
                "{other}"
            ),
        }
    }
}
