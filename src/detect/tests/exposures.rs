//! Exposures: where they begin and end, what they add up to, and pulses that never came.

use super::*;

/// Gate length of the plan, s.
const GATE_S: f64 = 3.7e-3;

#[test]
fn exposures_are_numbered_by_their_changes() {
    let mut scene = Scene::new(&ONE_CHANNEL, &detect_spec(), &[]);
    scene.baseline(30);
    assert_eq!(scene.one(heard([0.0; 4])).exposure, Some(1));
    scene.target("wall");
    assert_eq!(scene.one(heard([0.0; 4])).exposure, Some(2));
    scene.next.stage = Stage::Noise;
    assert_eq!(scene.one(heard([0.0; 4])).exposure, None);
    scene.next.stage = Stage::Exposure;
    assert_eq!(scene.one(heard([0.0; 4])).exposure, Some(3));
    let found: Vec<_> = scene
        .summaries()
        .into_iter()
        .map(|s| (s.exposure, s.target.to_string(), s.first_pulse, s.last_pulse, s.ended_by))
        .collect();
    let expected = [
        (1, "vessel".to_owned(), 30, 30, "change of target"),
        (2, "wall".to_owned(), 31, 31, "change of stage"),
        (3, "wall".to_owned(), 33, 33, "end of stream"),
    ];
    assert_eq!(found, expected);
}

#[test]
fn the_senders_numbers_hold_where_it_gives_them() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.exposure(4);
    assert_eq!(scene.one(heard([0.0; 4])).exposure, Some(4));
    scene.exposure(7);
    assert_eq!(scene.one(heard([0.0; 4])).exposure, Some(7));
    scene.target("wall");
    scene.exposure(0);
    assert_eq!(scene.one(heard([0.0; 4])).exposure, Some(8));
    let ended: Vec<_> = scene.summaries().iter().map(|s| s.ended_by).collect();
    assert_eq!(ended, ["next exposure", "change of target", "end of stream"]);
}

#[test]
fn doses_run_on_signed_and_skip_what_has_no_numbers() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    let ratio = |db: f64| libm::pow(10.0, db / 10.0);
    let mean: f64 = (0..30).map(|i| ratio(scatter_db(i))).sum::<f64>() / 30.0;
    // The floor of a line drops out of ΔP of its net power.
    let excess = |db: f64| 1e-9 * (ratio(db) - mean) * GATE_S;
    let levels = [-1.0, -0.5, 0.5, 1.0];
    let first = scene.one(heard(levels));
    let lost = scene.hear(&[void(Void::GateIncomplete)]).remove(0);
    let second = scene.one(heard([0.25; 4]));
    for (quantity, db) in Quantity::ALL.into_iter().zip(levels) {
        near(first.excess_dose_v2s[quantity].unwrap(), excess(db), 1e-9);
        assert_eq!(lost.excess_dose_v2s[quantity], first.excess_dose_v2s[quantity]);
        near(second.excess_dose_v2s[quantity].unwrap(), excess(db) + excess(0.25), 1e-9);
    }
    assert!(first.excess_dose_v2s[Quantity::Harmonic].unwrap() < 0.0);
    let summary = &scene.summaries()[0];
    assert_eq!((summary.received, summary.used), (3, 2));
    for (quantity, db) in Quantity::ALL.into_iter().zip(levels) {
        let (a, b) = (1e-9 * ratio(db), 1e-9 * ratio(0.25));
        near(summary.doses.excess_v2s[quantity], excess(db) + excess(0.25), 1e-9);
        near(summary.doses.raw_v2s[quantity], (a + b) * GATE_S, 1e-12);
        near(summary.doses.amplitude_vs[quantity], (a.sqrt() + b.sqrt()) * GATE_S, 1e-12);
    }
}

#[test]
fn a_new_exposure_begins_its_doses_anew() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.exposure(1);
    scene.one(heard([2.0; 4]));
    scene.one(heard([2.0; 4]));
    scene.exposure(2);
    let row = scene.one(heard([2.0; 4]));
    let doses: Vec<f64> =
        scene.summaries().iter().map(|s| s.doses.excess_v2s[Quantity::Broadband]).collect();
    near(doses[0], 2.0 * doses[1], 1e-12);
    near(row.excess_dose_v2s[Quantity::Broadband].unwrap(), doses[1], 1e-12);
}

#[test]
fn a_summary_counts_verdicts_drives_and_the_loudest_pulse() {
    let mut scene = Scene::new(&ONE_CHANNEL, &detect_spec(), &[]);
    for drive in [0.4, 0.6] {
        scene.next.drive_mpa = Some(drive);
        scene.baseline(30);
    }
    for (drive, broadband) in [(0.4, 1.0), (0.6, 9.0), (0.6, 3.0), (0.4, -1.0)] {
        scene.next.drive_mpa = Some(drive);
        scene.one(raised(Quantity::Broadband, broadband));
    }
    scene.hear(&[void(Void::SamplesLost)]);
    let s = scene.summaries().remove(0);
    assert_eq!(s.verdicts, [2, 0, 2, 1]);
    assert_eq!((s.first_pulse, s.last_pulse, s.received, s.used, s.missing), (60, 64, 5, 4, 0));
    assert_eq!(
        (s.drive_mpa_min, s.drive_mpa_max, s.drive_mpa_median),
        (Some(0.4), Some(0.6), Some(0.4))
    );
    let (loudest, pulse) = s.max_broadband.unwrap();
    near(loudest, 9.02, 1e-9);
    assert_eq!((pulse, s.duration_s), (61, 1.0));
    near(s.median_broadband_limit_db.unwrap(), limits::LIMIT_DB, 1e-9);
}

/// Rows of the pulse that comes `seconds` after the one before it was due.
#[track_caller]
fn check_hole(seconds: f64, change: impl Fn(&mut Scene), missing: Option<u64>) {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.next.time.utc_ns = Some(1_000);
    scene.one(heard([0.0; 4]));
    let last_s = scene.next.time.since_start_s - 0.25;
    scene.wait(seconds);
    change(&mut scene);
    let rows = scene.hear(&[ChannelReading::from_measured(heard([0.0; 4]))]);
    let found = scene.events.iter().find_map(|event| match event.what {
        What::PulseMissing { missing } => Some(missing),
        _ => None,
    });
    assert_eq!((found, rows.len()), (missing, 1 + usize::from(missing.is_some())));
    let Some(missing) = missing else { return };
    let row = &rows[0];
    says(row, Verdict::Indeterminate, "pulse missing");
    assert_eq!((row.pulse, row.exposure, row.drive_mpa), (None, Some(1), None));
    // 2.5 periods at 4 Hz.
    assert_eq!(row.time, PulseTime { since_start_s: last_s + 0.625, utc_ns: Some(625_001_000) });
    assert_eq!(scene.alarms(), [(31, "pulse missing", true)]);
    let summary = &scene.summaries()[0];
    assert_eq!((summary.missing, summary.received, summary.alarms), (missing, 2, 1));
}

#[test]
fn a_hole_is_one_row_within_one_stage_target_and_exposure() {
    check_hole(0.0, |_| {}, None);
    check_hole(0.375, |_| {}, None);
    check_hole(0.376, |_| {}, Some(2));
    check_hole(1.0, |_| {}, Some(4));
    check_hole(1000.0, |_| {}, Some(4000));
    check_hole(1.0, |scene| scene.target("wall"), None);
    check_hole(1.0, |scene| scene.exposure(2), None);
    check_hole(1.0, |scene| scene.next.stage = Stage::Noise, None);
}

#[test]
fn pulses_denser_than_configured_are_no_fault() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    for _ in 0..5 {
        says(&scene.one(heard([0.0; 4])), Verdict::NotDetected, "");
        scene.wait(-0.2);
    }
}

#[test]
fn time_since_an_injection_runs_from_the_pulse_it_holds_for() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    assert_eq!(scene.one(heard([0.0; 4])).since_injection_s, None);
    scene.inject();
    assert_eq!(scene.one(heard([0.0; 4])).since_injection_s, Some(0.0));
    assert_eq!(scene.one(heard([0.0; 4])).since_injection_s, Some(0.25));
    let marks: Vec<_> = scene
        .events
        .iter()
        .filter_map(|event| match event.what {
            What::Mark { number: Some(number), .. } => Some((event.pulse, number)),
            _ => None,
        })
        .collect();
    assert_eq!(marks, [(Some(31), 1)]);
}

#[test]
fn an_injection_between_two_exposures_belongs_to_the_later_one() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.inject();
    scene.exposure(1);
    scene.one(heard([0.0; 4]));
    scene.one(heard([0.0; 4]));
    scene.inject();
    scene.exposure(2);
    scene.one(heard([0.0; 4]));
    scene.wait(10.0);
    scene.exposure(3);
    scene.one(heard([0.0; 4]));
    let found: Vec<_> =
        scene.summaries().iter().map(|s| (s.injection, s.since_injection_s)).collect();
    assert_eq!(found, [(Some(1), Some(0.0)), (Some(2), Some(0.0)), (Some(2), Some(10.25))]);
}

#[test]
fn a_sham_is_received_and_judged_by_nothing() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.next.sham = true;
    let row = scene.one(raised(Quantity::Broadband, 40.0));
    assert_eq!((row.verdict, row.reason.as_str(), row.exposure), (None, "sham", Some(1)));
    near(row.lambda_db[Quantity::Broadband].unwrap(), 40.0, 0.0);
    let summary = &scene.summaries()[0];
    assert_eq!((summary.verdicts, summary.received, summary.used), ([0; 4], 1, 0));
    assert!(scene.alarms().is_empty());
}
