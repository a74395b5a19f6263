//! m of n, the contrast test without a baseline, and how verdicts and reasons are put together.

use super::*;

const NO: f64 = 0.0;
const YES: f64 = 40.0;

/// A session in which ultraharmonics need two of three pulses.
fn two_of_three() -> Scene {
    let mut spec = detect_spec();
    spec.rule[Quantity::Ultraharmonic] = Rule { needed: 2, of: 3 };
    Scene::ready(&spec, &[])
}

/// Verdicts of pulses whose ultraharmonics stand at these λ; nothing is a pulse without numbers.
fn verdicts(scene: &mut Scene, lambdas_db: &[Option<f64>]) -> Vec<Verdict> {
    lambdas_db
        .iter()
        .map(|lambda| match lambda {
            Some(lambda) => scene.one(raised(Quantity::Ultraharmonic, *lambda)).verdict.unwrap(),
            None => scene.hear(&[void(Void::SamplesLost)])[0].verdict.unwrap(),
        })
        .collect()
}

#[test]
fn two_of_three_looks_at_the_last_three_pulses() {
    use Verdict::{NotDetected, Stable};
    let mut scene = two_of_three();
    assert_eq!(
        verdicts(&mut scene, &[YES, NO, YES, NO, NO, YES, YES].map(Some)),
        [NotDetected, NotDetected, Stable, NotDetected, NotDetected, NotDetected, Stable]
    );
    let row = scene.one(raised(Quantity::Ultraharmonic, 30.0));
    let limit = row.limit_db[Quantity::Ultraharmonic].unwrap() - 0.02;
    // The margin is the second largest's of the three.
    says(&row, Verdict::Stable, &format!("ultraharmonic 2 of 3 {:+.1} dB", 40.0 - limit));
}

#[test]
fn a_pulse_without_numbers_takes_a_place_and_does_not_pass() {
    use Verdict::{Indeterminate, NotDetected, Stable};
    let (yes, no, lost) = (Some(YES), Some(NO), None);
    assert_eq!(
        verdicts(&mut two_of_three(), &[yes, lost, yes]),
        [NotDetected, Indeterminate, Stable]
    );
    assert_eq!(
        verdicts(&mut two_of_three(), &[yes, lost, lost, yes, no]),
        [NotDetected, Indeterminate, Indeterminate, NotDetected, NotDetected]
    );
    // Two passes stand in the window, and still nothing can be said of a pulse without numbers.
    assert_eq!(
        verdicts(&mut two_of_three(), &[yes, yes, lost]),
        [NotDetected, Stable, Indeterminate]
    );
}

/// Whether a pass before `between` still counts for the pulse after it.
#[track_caller]
fn check_window(between: impl Fn(&mut Scene), kept: bool) {
    let mut scene = two_of_three();
    assert_eq!(verdicts(&mut scene, &[Some(YES)]), [Verdict::NotDetected]);
    between(&mut scene);
    let second = verdicts(&mut scene, &[Some(YES)]);
    assert_eq!(second == [Verdict::Stable], kept, "{second:?}");
}

#[test]
fn a_new_stage_drive_target_or_injection_clears_the_window() {
    check_window(|_| {}, true);
    check_window(|scene| scene.exposure(2), true);
    check_window(|scene| scene.next.drive_mpa = Some(0.41), true);
    check_window(|scene| scene.inject(), false);
    check_window(
        |scene| {
            scene.next.drive_mpa = Some(0.3);
            scene.one(heard([0.0; 4]));
            scene.next.drive_mpa = Some(0.4);
        },
        false,
    );
    check_window(
        |scene| {
            scene.target("wall");
            scene.one(heard([0.0; 4]));
            scene.target("vessel");
        },
        false,
    );
    check_window(
        |scene| {
            scene.next.stage = Stage::Noise;
            scene.one(heard([0.0; 4]));
            scene.next.stage = Stage::Exposure;
        },
        false,
    );
}

#[test]
fn broadband_is_named_first_and_makes_the_pulse_inertial() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    let row = scene.one(heard([9.0, 4.04278, 5.04278, 3.04278]));
    let words = "broadband pulse +1.0 dB; ultraharmonic pulse +2.0 dB; subharmonic pulse +3.0 dB";
    says(&row, Verdict::Inertial, words);
}

#[test]
fn harmonics_alone_decide_nothing_unless_they_are_asked_to() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    says(&scene.one(raised(Quantity::Harmonic, YES)), Verdict::NotDetected, "harmonic only");
    let low = Measured { fundamental_v2: 1e-4, ..raised(Quantity::Harmonic, YES) };
    says(&scene.one(low), Verdict::Indeterminate, "fundamental low");
    let summary = &scene.summaries()[0];
    assert_eq!((summary.harmonic_only, summary.verdicts), (1, [1, 0, 0, 1]));

    let spec = DetectSpec { stable_from: vec![Quantity::Harmonic], ..detect_spec() };
    let mut scene = Scene::ready(&spec, &[]);
    let row = scene.one(raised(Quantity::Harmonic, YES));
    assert_eq!(row.verdict, Some(Verdict::Stable));
    assert!(row.reason.starts_with("harmonic pulse +"), "{}", row.reason);
    says(&scene.one(raised(Quantity::Ultraharmonic, YES)), Verdict::NotDetected, "");
    let summary = &scene.summaries()[0];
    assert_eq!((summary.harmonic_only, summary.verdicts), (0, [1, 1, 0, 0]));
}

#[test]
fn a_loud_pulse_that_clips_is_inertial_and_says_so() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    let loud = Measured { clipped: true, ..raised(Quantity::Broadband, 4.34278) };
    says(&scene.one(loud), Verdict::Inertial, "broadband pulse +2.3 dB; clipped");
    let quiet = Measured { clipped: true, ..heard([0.0; 4]) };
    says(&scene.one(quiet), Verdict::Indeterminate, "clipped");
}

#[test]
fn without_a_baseline_the_contrast_of_half_orders_decides() {
    let mut scene = Scene::new(&ONE_CHANNEL, &detect_spec(), &[]);
    // COMPUTED with SciPy: 10*log10(stats.f.isf(alpha, 2*389.0, 2*3*668.5)) and with 2*129.7,
    // 2*668.5, half a decibel of allowance on top.
    let (ultraharmonic, subharmonic) = (1.060_834_5 + 0.5, 1.800_618_4 + 0.5);
    for (quantity, limit) in
        [(Quantity::Ultraharmonic, ultraharmonic), (Quantity::Subharmonic, subharmonic)]
    {
        let row = scene.one(raised(quantity, limit - 0.002));
        says(&row, Verdict::Indeterminate, "no baseline");
        let row = scene.one(raised(quantity, limit + 2.0));
        let words = format!("{} contrast +2.0 dB; no baseline", quantity.name());
        says(&row, Verdict::Stable, &words);
        assert_eq!((row.limit_db[quantity], row.hear_db[quantity]), (None, None));
    }
    says(&scene.one(raised(Quantity::Harmonic, YES)), Verdict::Indeterminate, "no baseline");
    says(&scene.one(raised(Quantity::Broadband, YES)), Verdict::Indeterminate, "no baseline");
}

#[test]
fn the_contrast_test_is_never_made_with_the_rectangular_window() {
    let mut spec = ONE_CHANNEL.spec.clone();
    spec.spectrum.window = Window::Rectangular;
    let mut scene = Scene::new(&Plan::new(&spec).unwrap(), &detect_spec(), &[]);
    let row = scene.one(raised(Quantity::Ultraharmonic, YES));
    says(&row, Verdict::Indeterminate, "no baseline");
}

#[test]
fn the_margin_of_repeatability_lowers_the_contrast_too() {
    let mut spec = detect_spec();
    spec.repeatability_db[Quantity::Ultraharmonic] = 2.0;
    let mut scene = Scene::new(&ONE_CHANNEL, &spec, &[]);
    let row = scene.one(raised(Quantity::Ultraharmonic, 3.4));
    says(&row, Verdict::Indeterminate, "no baseline");
    let row = scene.one(raised(Quantity::Ultraharmonic, 4.5608));
    says(&row, Verdict::Stable, "ultraharmonic contrast +1.0 dB; no baseline");
}

#[test]
fn a_line_without_flanks_lends_the_contrast_no_degrees_of_freedom() {
    let mut spec = ONE_CHANNEL.spec.clone();
    spec.bands.notches_hz.push([0.9e6, 0.99e6]);
    let mut scene = Scene::new(&Plan::new(&spec).unwrap(), &detect_spec(), &[]);
    // COMPUTED with SciPy: 10*log10(stats.f.isf(alpha, 2*2*129.7, 2*2*668.5)), allowance on top.
    let limit = 1.290_929_3 + 0.5;
    let row = scene.one(raised(Quantity::Ultraharmonic, limit - 0.002));
    says(&row, Verdict::Indeterminate, "no baseline");
    let row = scene.one(raised(Quantity::Ultraharmonic, limit + 0.002));
    says(&row, Verdict::Stable, "ultraharmonic contrast +0.0 dB; no baseline");
}
