//! When silence means nothing.

use super::super::hearing::{Hindrance, NoiseHistory};
use super::*;

/// The reason of one exposure pulse after a baseline at 0.4 MPa.
#[track_caller]
fn check(spec: &DetectSpec, change: impl Fn(&mut Measured), reason: &str) {
    let mut scene = Scene::ready(spec, &[]);
    let mut measured = heard([0.0; 4]);
    change(&mut measured);
    let verdict = if reason.is_empty() { Verdict::NotDetected } else { Verdict::Indeterminate };
    says(&scene.one(measured), verdict, reason);
}

#[test]
fn reasons_come_in_the_order_of_the_method() {
    let names: Vec<&str> = Hindrance::ALL.into_iter().map(Hindrance::name).collect();
    assert_eq!(
        names,
        [
            "samples lost",
            "not finite",
            "gate incomplete",
            "noise gate incomplete",
            "dead channel",
            "clipped",
            "no baseline",
            "drive outside baseline",
            "fundamental low",
            "noise gate low",
            "noise moved",
            "drive cut short",
            "drive frequency",
            "drive not as set",
            "too few channels",
        ]
    );
}

#[test]
fn numbers_without_meaning_leave_a_pulse_indeterminate() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    for (why, reason) in [
        (Void::SamplesLost, "samples lost"),
        (Void::NotFinite, "not finite"),
        (Void::GateIncomplete, "gate incomplete"),
    ] {
        let row = scene.hear(&[void(why)]).remove(0);
        says(&row, Verdict::Indeterminate, reason);
        assert_eq!((row.power_v2, row.detect_db), Default::default());
    }
}

#[test]
fn a_pulse_hears_nothing_when_its_own_numbers_say_so() {
    let spec = detect_spec();
    check(&spec, |_| {}, "");
    check(&spec, |m| m.dead = true, "dead channel");
    check(&spec, |m| m.clipped = true, "clipped");
    let deaf = |m: &mut Measured| {
        m.noise_v2_per_hz = None;
        m.bands[Quantity::Broadband].as_mut().unwrap().lambda_db = None;
    };
    check(&spec, deaf, "noise gate incomplete");
    // Closed form: 1.5 dB are a ratio of 0.707946.
    check(&spec, |m| m.last_third_v2 = 0.7078e-3, "drive cut short");
    check(&spec, |m| m.last_third_v2 = 0.7081e-3, "");
    // The fourth harmonic leaves half a line half width of 15 kHz at 1875 Hz of the drive.
    check(&spec, |m| m.drive_hz = Some(0.7e6 - 1876.0), "drive frequency");
    check(&spec, |m| m.drive_hz = Some(0.7e6 + 1874.0), "");
    let faint = |m: &mut Measured| {
        m.fundamental_contrast = Some(9.9);
        m.last_third_v2 = 1e-6;
        m.drive_hz = None;
    };
    check(&spec, faint, "");
}

#[test]
fn the_sign_of_life_is_the_one_that_was_chosen() {
    let sign = |sign_of_life| DetectSpec { sign_of_life, ..detect_spec() };
    // Closed form: 3 dB are a ratio of 0.501187.
    let low = |m: &mut Measured| m.fundamental_v2 = 0.501e-3;
    let fair = |m: &mut Measured| m.fundamental_v2 = 0.502e-3;
    let loud = |m: &mut Measured| m.fundamental_v2 = 1.0;
    check(&sign(SignOfLife::Fundamental), low, "fundamental low");
    check(&sign(SignOfLife::Fundamental), fair, "");
    check(&sign(SignOfLife::Fundamental), loud, "");
    check(&sign(SignOfLife::Fundamental), |m| m.fundamental_v2 = 0.0, "fundamental low");
    check(&sign(SignOfLife::Noise), low, "");
    check(&sign(SignOfLife::None), low, "");
    // One faint noise gate among ten moves their mean by less than the drift that is allowed.
    let unplugged = |m: &mut Measured| m.noise_v2_per_hz = Some(0.501e-14);
    check(&sign(SignOfLife::Noise), unplugged, "noise gate low");
    check(&sign(SignOfLife::Noise), |m| m.noise_v2_per_hz = Some(0.502e-14), "");
    check(&sign(SignOfLife::Fundamental), unplugged, "");
}

#[test]
fn a_drive_the_baseline_does_not_reach_means_nothing() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    for (drive, reason) in [
        (Some(0.3), "drive outside baseline"),
        (Some(0.5), "drive outside baseline"),
        (Some(0.0), "no baseline"),
        (None, "no baseline"),
    ] {
        scene.next.drive_mpa = drive;
        says(&scene.one(heard([0.0; 4])), Verdict::Indeterminate, reason);
    }
}

#[test]
fn all_that_holds_is_named_in_order() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    let moved = Measured { noise_v2_per_hz: Some(1.3e-14), ..heard([0.0; 4]) };
    for _ in 0..10 {
        scene.one(moved.clone());
    }
    let mut worst = Measured {
        dead: true,
        clipped: true,
        fundamental_v2: 1e-6,
        last_third_v2: 1e-6,
        drive_hz: Some(0.65e6),
        noise_v2_per_hz: None,
        ..heard([0.0, 0.0, 30.0, 0.0])
    };
    worst.bands[Quantity::Broadband].as_mut().unwrap().lambda_db = None;
    let row = scene.one(worst.clone());
    let words = "noise gate incomplete; dead channel; clipped; fundamental low; noise moved; drive cut short; drive frequency";
    assert_eq!(row.verdict, Some(Verdict::Stable));
    assert_eq!(row.reason.split_once(" dB; ").unwrap().1, words);
    scene.next.drive_mpa = Some(0.9);
    let row = scene.one(worst);
    let words = "noise gate incomplete; dead channel; clipped; drive outside baseline; drive cut short; drive frequency";
    assert_eq!(row.reason.split_once(" dB; ").unwrap().1, words);
}

#[test]
fn the_noise_is_averaged_over_the_last_three_to_ten_pulses() {
    let mut history = NoiseHistory::default();
    history.add(1e-14);
    history.add(1e-14);
    assert_eq!(history.mean_db(), None);
    history.add(4e-14);
    // Closed form: 10·log10 2e-14.
    near(history.mean_db().unwrap(), -136.989_700_043_360_2, 1e-14);
    for _ in 0..10 {
        history.add(1e-14);
    }
    near(history.mean_db().unwrap(), -140.0, 1e-14);
}

#[test]
fn noise_that_moved_counts_from_the_third_pulse_on() {
    let mut made = Scene::new(&ONE_CHANNEL, &detect_spec(), &[]);
    made.baseline(30);
    let file = made.session.into_baseline();
    let mut scene = Scene::with_file(&ONE_CHANNEL, &detect_spec(), &[], Some(file));
    // Closed form: 1 dB are a ratio of 1.258925.
    let moved = Measured { noise_v2_per_hz: Some(1.26e-14), ..heard([0.0; 4]) };
    scene.next.stage = Stage::Noise;
    scene.one(moved.clone());
    scene.next.stage = Stage::Exposure;
    says(&scene.one(moved.clone()), Verdict::NotDetected, "");
    says(&scene.one(moved), Verdict::Indeterminate, "noise moved");
    let back = Measured { noise_v2_per_hz: Some(1.25e-14), ..heard([0.0; 4]) };
    says(&scene.one(back), Verdict::NotDetected, "");
}

#[test]
fn a_quantity_that_decides_and_has_no_number_is_not_silent() {
    let lost = |m: &mut Measured| {
        m.bands[Quantity::Ultraharmonic].as_mut().unwrap().lambda_db = None;
    };
    check(&detect_spec(), lost, "not finite");
    // Harmonics decide nothing here.
    let idle = |m: &mut Measured| m.bands[Quantity::Harmonic].as_mut().unwrap().lambda_db = None;
    check(&detect_spec(), idle, "");
}
