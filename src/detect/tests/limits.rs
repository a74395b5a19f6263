//! One pulse against its limit, and the numbers of its row.

use super::super::session::{alpha, pairs};
use super::*;

/// The limit over the mean of λ at 0.4 MPa after thirty pulses, one channel, α of the example.
///
/// COMPUTED with SciPy: stats.t.isf(1 - .995**(1/1800), nu)*c*s*sqrt(1 + 1/(n*f)), phi from r1.
pub(super) const LIMIT_DB: f64 = 2.062_793_051_386_273_6;

/// The mean of λ there.
pub(super) const MEAN_DB: f64 = -0.02;

#[test]
fn the_budget_is_split_over_pulses_and_pairs() {
    let spec = detect_spec();
    assert_eq!((pairs(&spec, 1), pairs(&spec, 4)), (3, 15));
    // COMPUTED with NumPy: 1 - .995**(1/(600*B)).
    near(alpha(&spec, 1), 2.784_741_580_108_552_8e-6, 1e-9);
    near(alpha(&spec, 4), 5.569_489_364_143_365e-7, 1e-9);
    let with_harmonic = DetectSpec { stable_from: Quantity::ALL[..3].to_vec(), ..spec };
    assert_eq!(pairs(&with_harmonic, 1), 4);
}

#[test]
fn a_pulse_passes_above_its_limit_and_not_below() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    let limit = MEAN_DB + LIMIT_DB;
    let row = scene.one(raised(Quantity::Broadband, limit - 1e-6));
    says(&row, Verdict::NotDetected, "");
    let row = scene.one(raised(Quantity::Broadband, limit + 0.3));
    says(&row, Verdict::Inertial, "broadband pulse +0.3 dB");
    says(&scene.one(raised(Quantity::Subharmonic, limit - 1e-6)), Verdict::NotDetected, "");
    let row = scene.one(raised(Quantity::Subharmonic, limit + 1.0));
    says(&row, Verdict::Stable, "subharmonic pulse +1.0 dB");
}

#[test]
fn the_margin_lowers_the_pulse_and_raises_the_detection_limit() {
    let mut spec = detect_spec();
    spec.repeatability_db[Quantity::Broadband] = 0.1;
    let mut scene = Scene::ready(&spec, &[]);
    let row = scene.one(raised(Quantity::Broadband, MEAN_DB + LIMIT_DB + 0.1 - 1e-6));
    says(&row, Verdict::NotDetected, "");
    near(row.limit_db[Quantity::Broadband].unwrap(), LIMIT_DB, 1e-9);
    // COMPUTED with SciPy: limit + delta + stats.t.ppf(.9, 29)*s*sqrt(1 + 1/30).
    near(row.hear_db[Quantity::Broadband].unwrap(), 2.597_810_010_824_334, 1e-9);
    near(row.hear_db[Quantity::Ultraharmonic].unwrap(), 2.497_810_010_824_334, 1e-9);
    let row = scene.one(raised(Quantity::Broadband, MEAN_DB + LIMIT_DB + 0.1 + 1e-6));
    says(&row, Verdict::Inertial, "broadband pulse +0.0 dB");
}

#[test]
fn a_row_gives_levels_over_their_baseline_means() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    let mut measured = heard([1.0, 0.5, -0.5, 1.5]);
    measured.fundamental_v2 = 2e-3;
    measured.noise_v2_per_hz = Some(1.1e-14);
    let row = scene.one(measured);
    for (quantity, lambda) in Quantity::ALL.into_iter().zip([1.0, 0.5, -0.5, 1.5]) {
        near(row.lambda_db[quantity].unwrap(), lambda, 0.0);
        near(row.detect_db[quantity].unwrap(), lambda - MEAN_DB, 1e-12);
        near(row.level_db[quantity].unwrap(), lambda - MEAN_DB, 1e-10);
        near(row.power_v2[quantity].unwrap(), 1e-9 * libm::pow(10.0, lambda / 10.0), 1e-14);
    }
    near(row.broadband_v2_per_hz.unwrap(), row.power_v2[Quantity::Broadband].unwrap() / 4e6, 1e-14);
    // Closed form: 10·log10 2 and 10·log10 1.1.
    near(row.fundamental_db.unwrap(), 3.010_299_956_639_812, 1e-12);
    near(row.noise_db.unwrap(), 0.413_926_851_582_250_4, 1e-12);
    assert_eq!(
        (row.channel, row.stage, row.drive_mpa),
        (Channel::One(0), Stage::Exposure, Some(0.4))
    );
}

#[test]
fn a_pulse_between_drives_uses_both_and_a_wide_step_warns_once() {
    let mut scene = Scene::new(&ONE_CHANNEL, &detect_spec(), &[]);
    for drive in [0.2, 0.3] {
        scene.next.drive_mpa = Some(drive);
        scene.baseline(30);
    }
    scene.one(heard([0.0; 4]));
    assert!(scene.warnings().is_empty());
    scene.next.drive_mpa = Some(0.25);
    for _ in 0..3 {
        says(&scene.one(heard([0.0; 4])), Verdict::NotDetected, "");
    }
    let wide = "a drive was interpolated across a step above x1.25: sensitivity is lost; record baseline drives between";
    assert_eq!(scene.warnings(), [wide]);
}

#[test]
fn pulses_beyond_the_expected_ones_are_said_to_be_outside_the_budget() {
    let spec = DetectSpec { expected_pulses: 2, ..detect_spec() };
    let mut scene = Scene::ready(&spec, &[]);
    scene.one(heard([0.0; 4]));
    scene.one(heard([0.0; 4]));
    assert!(scene.warnings().is_empty());
    scene.one(heard([0.0; 4]));
    scene.one(heard([0.0; 4]));
    let outside = "exposure 1 has passed its 2 expected pulses: further pulses are outside the false-alarm budget";
    assert_eq!(scene.warnings(), [outside]);
}
