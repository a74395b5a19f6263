//! What a drive is compared with.

use super::super::baseline::{DriveSeries, Sample, TargetBaseline};
use super::super::reference::{ChannelReference, LimitSpec, Lookup, References};
use super::*;

fn sample(lambda_db: f64) -> Option<Sample> {
    Some(Sample::of(&heard([lambda_db; 4])))
}

/// One channel's series at a drive.
fn series(drive: Drive, lambdas_db: impl Iterator<Item = f64>) -> DriveSeries {
    let samples: Vec<Option<Sample>> = lambdas_db.map(sample).collect();
    let pulses = (0..).zip(&samples).map(|(number, _)| number).collect();
    DriveSeries {
        drive,
        pulses,
        channels: vec![samples],
        spectra: vec![Default::default()],
        running: Vec::new(),
        monitor_v: Vec::new(),
    }
}

fn target(drives: Vec<DriveSeries>) -> TargetBaseline {
    TargetBaseline { drives }
}

/// Ten pulses at 0.2 MPa, twelve that scatter twice as much 1 dB higher at 0.4 MPa.
fn two_drives() -> TargetBaseline {
    target(vec![
        series(Drive::Known(0.4), (0..12).map(|i| 1.0 + 2.0 * scatter_db(i))),
        series(Drive::Known(0.2), (0..10).map(scatter_db)),
    ])
}

fn look(target: &TargetBaseline, drive: Drive, set: &[usize]) -> Lookup {
    let limits = LimitSpec {
        alpha: 1e-4,
        rule: PerQuantity([Rule { needed: 1, of: 1 }; 4]),
        repeatability_db: PerQuantity([0.5; 4]),
        drive_tolerance: 0.05,
    };
    References::new(limits).find(&Arc::from("vessel"), Some(target), drive, set)
}

#[track_caller]
fn found(target: &TargetBaseline, drive: f64) -> Arc<ChannelReference> {
    match look(target, Drive::Known(drive), &[0]) {
        Lookup::Found(reference) => reference,
        other => panic!("{drive} MPa: {other:?}"),
    }
}

#[track_caller]
fn count(target: &TargetBaseline, drive: f64) -> usize {
    found(target, drive).quantities[Quantity::Broadband].unwrap().statistics.n
}

#[test]
fn between_two_drives_everything_is_interpolated_in_the_logarithm_of_the_drive() {
    let reference = found(&two_drives(), 0.28);
    let ultraharmonic = reference.quantities[Quantity::Ultraharmonic].unwrap();
    // COMPUTED with SciPy: a = p[:10], b = 1 + 2*p[:12], u = log(.28/.2)/log(2), mean (1-u)*a.mean()
    // + u*b.mean(), sd sqrt((9*a.var(ddof=1) + 11*b.var(ddof=1))/20).
    near(ultraharmonic.statistics.mean, 0.424_391_664_659_531_5, 1e-13);
    near(ultraharmonic.statistics.sd, 0.558_599_439_073_593_6, 1e-13);
    assert_eq!(ultraharmonic.statistics.n, 22);
    // COMPUTED with SciPy: stats.t.isf(1e-4, nu)*c*s*sqrt(1 + inv/f), phi, f, nu and c of the two
    // series with two means estimated; .5 + that + stats.t.ppf(.9, 20)*s*sqrt(1 + inv).
    near(ultraharmonic.limit_db - ultraharmonic.statistics.mean, 3.307_013_784_645_806, 1e-8);
    near(ultraharmonic.hear_db, 4.564_226_293_037_906, 1e-8);
    // COMPUTED with NumPy: mean power in its logarithm, level and net power linearly in u.
    near(ultraharmonic.mean_power_v2, 1.110_376_591_971_137_6e-9, 1e-13);
    near(ultraharmonic.mean_level_db, -89.575_608_335_340_46, 1e-13);
    near(ultraharmonic.mean_net_v2, 1.177_112_715_781_013e-10, 1e-12);
}

#[test]
fn the_ends_hold_up_to_the_tolerance_and_no_further() {
    let target = two_drives();
    assert_eq!(count(&target, 0.1901), 10);
    assert_eq!(count(&target, 0.42), 12);
    assert_eq!(look(&target, Drive::Known(0.1899), &[0]), Lookup::Outside { above: false });
    assert_eq!(look(&target, Drive::Known(0.4201), &[0]), Lookup::Outside { above: true });
}

#[test]
fn a_drive_equal_within_a_millionth_takes_its_own_series_alone() {
    let target = two_drives();
    assert_eq!(count(&target, 0.2 * (1.0 + 9e-7)), 10);
    assert_eq!(count(&target, 0.4 * (1.0 - 9e-7)), 12);
    assert_eq!(count(&target, 0.2 * (1.0 + 2e-6)), 22);
}

#[test]
fn fewer_than_ten_pulses_give_no_limits_and_hold_no_neighbour_up() {
    let few = |n: u32| {
        target(vec![
            series(Drive::Known(0.2), (0..30).map(scatter_db)),
            series(Drive::Known(0.4), (0..n).map(scatter_db)),
        ])
    };
    assert_eq!(look(&few(9), Drive::Known(0.4), &[0]), Lookup::Nothing);
    assert_eq!(look(&few(9), Drive::Known(0.3), &[0]), Lookup::Nothing);
    assert_eq!(count(&few(9), 0.2), 30);
    assert_eq!(count(&few(10), 0.4), 10);
    assert_eq!(count(&few(10), 0.3), 40);
}

#[test]
fn no_drive_and_an_unknown_one_are_never_interpolated() {
    let known = two_drives();
    assert_eq!(look(&known, Drive::Zero, &[0]), Lookup::Nothing);
    assert_eq!(look(&known, Drive::Unknown, &[0]), Lookup::Nothing);
    let apart = target(vec![
        series(Drive::Zero, (0..10).map(scatter_db)),
        series(Drive::Unknown, (0..11).map(scatter_db)),
    ]);
    assert_eq!(look(&apart, Drive::Known(0.2), &[0]), Lookup::Nothing);
    for (drive, n) in [(Drive::Zero, 10), (Drive::Unknown, 11)] {
        let Lookup::Found(reference) = look(&apart, drive, &[0]) else { panic!("{drive}") };
        assert_eq!(reference.quantities[Quantity::Harmonic].unwrap().statistics.n, n);
    }
}

#[test]
fn a_series_without_spread_is_no_baseline() {
    let constant = target(vec![series(Drive::Known(0.2), std::iter::repeat_n(0.25, 30))]);
    assert_eq!(look(&constant, Drive::Known(0.2), &[0]), Lookup::Nothing);
}

#[test]
fn only_a_step_above_a_quarter_is_wide() {
    let steps = target(
        [0.2, 0.25, 0.4].map(|drive| series(Drive::Known(drive), (0..10).map(scatter_db))).to_vec(),
    );
    assert!(!found(&steps, 0.22).wide_step);
    assert!(found(&steps, 0.3).wide_step);
    assert!(!found(&steps, 0.25).wide_step);
}

#[test]
fn a_set_of_channels_is_averaged_over_the_pulses_all_of_them_heard() {
    let mut both = series(Drive::Known(0.2), (0..21).map(f64::from));
    let mut second: Vec<Option<Sample>> = (0..21).map(|i| sample(3.0 * f64::from(i))).collect();
    second[20] = None;
    both.channels.push(second);
    let target = target(vec![both]);
    let Lookup::Found(reference) = look(&target, Drive::Known(0.2), &[0, 1]) else { panic!() };
    let broadband = reference.quantities[Quantity::Broadband].unwrap();
    // Closed form: 2·i for i = 0 … 19 has the mean 19 and the deviation 2·√(20·21/12).
    assert_eq!(broadband.statistics.n, 20);
    near(broadband.statistics.mean, 19.0, 1e-14);
    near(broadband.statistics.sd, 2.0 * 35.0_f64.sqrt(), 1e-14);
    near(broadband.mean_level_db, -90.0 + 19.0, 1e-13);
    assert_eq!(count(&target, 0.2), 21);
}

#[test]
fn what_is_remembered_is_what_would_be_found() {
    let (target, other) = (two_drives(), self::target(vec![]));
    let limits = LimitSpec {
        alpha: 1e-4,
        rule: PerQuantity([Rule { needed: 2, of: 3 }; 4]),
        repeatability_db: PerQuantity([0.0; 4]),
        drive_tolerance: 0.05,
    };
    let mut references = References::new(limits);
    let (vessel, wall) = (Arc::from("vessel"), Arc::from("wall"));
    let first = references.find(&vessel, Some(&target), Drive::Known(0.2), &[0]);
    assert_ne!(first, references.find(&vessel, Some(&target), Drive::Known(0.28), &[0]));
    assert_eq!(references.find(&wall, Some(&other), Drive::Known(0.2), &[0]), Lookup::Nothing);
    assert_eq!(references.find(&wall, None, Drive::Known(0.28), &[0]), Lookup::Nothing);
    assert_eq!(first, references.find(&vessel, Some(&target), Drive::Known(0.2), &[0]));
    assert_eq!(first, references.find(&vessel, Some(&other), Drive::Known(0.2), &[0]));
    references.forget();
    let again = references.find(&vessel, Some(&other), Drive::Known(0.2), &[0]);
    assert_eq!(again, Lookup::Nothing);
}

#[test]
fn a_channel_that_a_damaged_file_does_not_hold_has_no_baseline() {
    let target = two_drives();
    assert_eq!(look(&target, Drive::Known(0.2), &[1]), Lookup::Nothing);
    assert_eq!(look(&target, Drive::Known(0.28), &[0, 1]), Lookup::Nothing);
}
