//! How no-bubble pulses become a baseline, and when one ends, stays or is replaced.

use super::super::baseline::{MOST_DRIVES, MOST_PULSES, Refused, Sample, TargetBaseline};
use super::*;

fn add(target: &mut TargetBaseline, number: u64, drive: Option<f64>) -> Result<(), Refused> {
    let sample = Some(Sample::of(&heard([1.0, 2.0, 3.0, 4.0])));
    target.add(
        number,
        Drive::of(drive),
        0.05,
        usize::MAX,
        &[sample],
        std::iter::once(&[0.0_f32][..]),
    )
}

/// Drives and pulse numbers after these drives have come in this order.
#[track_caller]
fn check_grouping(came: &[Option<f64>], expected: &[(Drive, &[u64])]) {
    let mut target = TargetBaseline::default();
    for (number, drive) in (0..).zip(came) {
        add(&mut target, number, *drive).unwrap();
    }
    let found: Vec<(Drive, &[u64])> =
        target.drives.iter().map(|series| (series.drive, series.pulses.as_slice())).collect();
    assert_eq!(found, expected);
}

#[test]
fn a_pulse_joins_the_nearest_drive_whose_value_stays_the_first_pulses() {
    check_grouping(
        &[0.4, 0.44, 0.4195, 0.4205, 0.3801, 0.3799].map(Some),
        &[
            (Drive::Known(0.4), &[0, 2, 4]),
            (Drive::Known(0.44), &[1, 3]),
            (Drive::Known(0.3799), &[5]),
        ],
    );
}

#[test]
fn at_a_tie_the_lower_drive_wins_whichever_came_first() {
    let (low, high) = (Drive::Known(1.0), Drive::Known(1.0625));
    check_grouping(&[1.0625, 1.0, 1.03125].map(Some), &[(high, &[0]), (low, &[1, 2])]);
    check_grouping(&[1.0, 1.0625, 1.03125].map(Some), &[(low, &[0, 2]), (high, &[1])]);
}

#[test]
fn drive_nothing_and_drive_unknown_stand_apart() {
    check_grouping(
        &[None, Some(0.0), Some(1e-9), Some(-0.0), None],
        &[(Drive::Unknown, &[0, 4]), (Drive::Zero, &[1, 3]), (Drive::Known(1e-9), &[2])],
    );
}

#[test]
fn a_full_series_and_too_many_drives_are_refused() {
    let mut target = TargetBaseline::default();
    for number in 0..MOST_PULSES as u64 {
        add(&mut target, number, Some(0.4)).unwrap();
    }
    assert_eq!(add(&mut target, 9999, Some(0.4)), Err(Refused::SeriesFull));
    for i in 1..MOST_DRIVES {
        add(&mut target, 9999, Some(1.1_f64.powi(i32::try_from(i).unwrap()))).unwrap();
    }
    assert_eq!(add(&mut target, 9999, Some(0.01)), Err(Refused::TooManyDrives));
    assert_eq!(target.most_pulses(), MOST_PULSES);
}

#[test]
fn a_baseline_is_named_by_drives_pulses_and_levels() {
    let mut target = TargetBaseline::default();
    add(&mut target, 7, Some(0.4)).unwrap();
    // COMPUTED with Python: hashlib.sha256(b'0.4 MPa' + struct.pack('<Q4d', 7, 1, 2, 3, 4))
    // .hexdigest()[:16].
    assert_eq!(target.id(), "b0bfdf8c7c342d9e");
    let mut other = TargetBaseline::default();
    add(&mut other, 8, Some(0.4)).unwrap();
    assert_ne!(other.id(), target.id());
}

/// Pulses of each drive, s since the injection before it.
type Closed = (Vec<(Drive, usize)>, Option<f64>);

/// Every baseline that was closed.
fn closed(scene: &Scene) -> Vec<Closed> {
    scene
        .events
        .iter()
        .filter_map(|event| match &event.what {
            What::BaselineClosed { drives, since_injection_s, .. } => {
                Some((drives.clone(), *since_injection_s))
            }
            _ => None,
        })
        .collect()
}

#[test]
fn the_first_exposure_pulse_of_a_target_closes_its_baseline() {
    let mut scene = Scene::new(&ONE_CHANNEL, &detect_spec(), &[]);
    scene.baseline(12);
    scene.target("wall");
    scene.one(heard([0.0; 4]));
    assert!(closed(&scene).is_empty());
    scene.target("vessel");
    scene.one(heard([0.0; 4]));
    assert_eq!(closed(&scene), [(vec![(Drive::Known(0.4), 12)], None)]);
    // COMPUTED with SciPy: stats.t.isf(1 - .995**(1/1800), n - 1)*sqrt(1 + 1/n) for 12 and 30.
    let costly = "baseline at 0.4 MPa: 12 pulses put limits at mean + 8.5 SD where 30 give 5.6, and allow no cumulative detection; record 18 more";
    assert_eq!(scene.warnings(), [costly]);
}

#[test]
fn a_short_baseline_says_what_it_lacks_and_gives_no_limits() {
    let mut scene = Scene::new(&ONE_CHANNEL, &detect_spec(), &[]);
    scene.baseline(9);
    says(&scene.one(heard([0.0; 4])), Verdict::Indeterminate, "no baseline");
    assert_eq!(scene.warnings(), ["baseline at 0.4 MPa: 9 pulses give no limits; record 1 more"]);
}

#[test]
fn a_new_baseline_replaces_the_old_from_ten_pulses_on() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.one(heard([0.0; 4]));
    scene.baseline(9);
    scene.one(heard([0.0; 4]));
    assert_eq!(closed(&scene).len(), 1);
    assert!(scene.events.iter().any(|e| e.what == What::BaselineKept { pulses: 9 }));
    scene.baseline(10);
    let row = scene.one(heard([0.0; 4]));
    assert_eq!(closed(&scene)[1].0, [(Drive::Known(0.4), 10)]);
    // Ten correlated pulses have a far wider limit than thirty.
    assert!(row.limit_db[Quantity::Broadband].unwrap() > 100.0);
    let ids: Vec<_> = scene.summaries().iter().map(|s| s.baseline_id.clone().unwrap()).collect();
    assert_eq!(ids[0], ids[1]);
    assert_ne!(ids[1], ids[2]);
}

#[test]
fn an_injection_ends_a_baseline_and_later_pulses_are_dropped() {
    let mut scene = Scene::new(&ONE_CHANNEL, &detect_spec(), &[]);
    scene.baseline(12);
    scene.inject();
    scene.next.stage = Stage::Baseline;
    for _ in 0..3 {
        assert_eq!(scene.one(heard([5.0; 4])).reason, "after injection");
    }
    scene.next.stage = Stage::Exposure;
    scene.one(heard([0.0; 4]));
    assert_eq!(closed(&scene)[0].0, [(Drive::Known(0.4), 12)]);
}

#[track_caller]
fn check_wash_out(minutes: f64, warned: bool) {
    let mut scene = Scene::new(&ONE_CHANNEL, &detect_spec(), &[]);
    scene.inject();
    scene.next.stage = Stage::Noise;
    scene.one(heard([0.0; 4]));
    scene.wait(60.0 * minutes - 0.25);
    scene.baseline(30);
    scene.one(heard([0.0; 4]));
    assert_eq!(closed(&scene)[0].1, Some(60.0 * minutes));
    let words = format!(
        "the baseline began {minutes:.1} min after an injection; under 10 min bubbles may be left"
    );
    assert_eq!(scene.warnings().contains(&words.as_str()), warned);
}

#[test]
fn a_baseline_within_ten_minutes_of_an_injection_is_doubtful() {
    check_wash_out(9.5, true);
    check_wash_out(10.0, false);
}

#[test]
fn a_baseline_file_wins_over_baseline_pulses_of_the_stream() {
    let spec = detect_spec();
    let mut made = Scene::new(&ONE_CHANNEL, &spec, &[]);
    made.baseline(30);
    let file = made.session.into_baseline();
    let id = file.targets["vessel"].id();
    let mut scene = Scene::with_file(&ONE_CHANNEL, &spec, &[], Some(file));
    scene.baseline(12);
    let row = scene.one(heard([0.0; 4]));
    says(&row, Verdict::NotDetected, "");
    // COMPUTED with SciPy: stats.t.isf(alpha, nu)*c*s*sqrt(1 + 1/(n*f)), thirty pulses.
    near(row.limit_db[Quantity::Broadband].unwrap(), 2.062_793_051_386_273_6, 1e-9);
    let unused =
        "12 baseline pulses a drive of target 'vessel' are not used: the baseline file wins";
    assert_eq!(scene.warnings(), [unused]);
    scene.target("wall");
    says(&scene.one(heard([0.0; 4])), Verdict::Indeterminate, "no baseline");
    assert_eq!(scene.warnings()[1..], ["the baseline file has nothing for target 'wall'"]);
    assert_eq!(scene.summaries()[0].baseline_id.as_deref(), Some(id.as_str()));
}

#[test]
fn faulty_sham_and_noise_pulses_stay_out_and_say_so() {
    let mut scene = Scene::new(&ONE_CHANNEL, &detect_spec(), &[]);
    scene.baseline(11);
    scene.next.stage = Stage::Baseline;
    let clipped = Measured { clipped: true, clipped_share: 0.25, ..heard([5.0; 4]) };
    let row = scene.one(clipped);
    assert_eq!((row.reason.as_str(), row.clipped_share), ("clipped", Some(0.25)));
    assert_eq!(
        (row.verdict, row.level_db, row.lambda_db.0[1]),
        (None, PerQuantity([None; 4]), Some(5.0))
    );
    assert_eq!(scene.hear(&[void(Void::NotFinite)])[0].reason, "not finite");
    scene.next.sham = true;
    assert_eq!(scene.one(heard([5.0; 4])).reason, "sham");
    scene.next.sham = false;
    scene.next.stage = Stage::Noise;
    // Without drive nothing can be said of the drive.
    let idle = Measured { drive_hz: Some(0.65e6), last_third_v2: 1e-6, ..heard([5.0; 4]) };
    assert_eq!(scene.one(idle).reason, "stage noise");
    scene.next.stage = Stage::Baseline;
    assert_eq!(scene.one(heard([0.1; 4])).reason, "stage baseline");
    scene.next.stage = Stage::Exposure;
    scene.one(heard([0.0; 4]));
    assert_eq!(closed(&scene)[0].0, [(Drive::Known(0.4), 12)]);
}

#[test]
fn baselines_of_ever_more_targets_are_refused() {
    let mut scene = Scene::new(&ONE_CHANNEL, &detect_spec(), &[]);
    scene.next.stage = Stage::Baseline;
    for i in 0..300 {
        scene.target(&i.to_string());
        let reason = scene.one(heard([0.0; 4])).reason;
        assert_eq!(reason, if i < 256 { "stage baseline" } else { "too many targets" });
    }
    scene.target("7");
    assert_eq!(scene.one(heard([0.0; 4])).reason, "stage baseline");
}
