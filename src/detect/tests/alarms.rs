//! Alarms: on, held, off, latched, raised again.

use super::*;

fn alarm(trigger: Trigger) -> AlarmSpec {
    AlarmSpec {
        name: "inertial".into(),
        severity: Severity::Stop,
        trigger,
        hold_s: 0.0,
        latch: false,
        sinks: vec!["page".into()],
    }
}

fn broadband(limit: AlarmLimit) -> AlarmSpec {
    alarm(Trigger::Over { quantity: Quantity::Broadband, limit })
}

fn above_3_db(rule: Rule) -> AlarmSpec {
    broadband(AlarmLimit::AboveBaselineDb { on_db: 3.0, off_db: 1.0, rule })
}

const ONCE: Rule = Rule { needed: 1, of: 1 };

/// Alarms after pulses whose broadband stands this far over the baseline's mean; pulses from 0.
#[track_caller]
fn check(spec: AlarmSpec, over_db: &[f64], expected: &[(u64, bool)]) {
    let mut scene = Scene::ready(&detect_spec(), &[spec]);
    for db in over_db {
        scene.one(raised(Quantity::Broadband, limits::MEAN_DB + db));
    }
    let found: Vec<_> = scene.alarms().into_iter().map(|(pulse, _, on)| (pulse - 30, on)).collect();
    assert_eq!(found, expected);
    let raised = u64::try_from(expected.iter().filter(|(_, on)| *on).count()).unwrap();
    assert_eq!(scene.session.alarms_raised(), raised);
}

#[test]
fn an_alarm_goes_on_above_one_limit_and_off_below_the_other() {
    check(above_3_db(ONCE), &[2.9, 3.1, 1.1, 2.0, 0.9, 2.9], &[(1, true), (4, false)]);
    check(above_3_db(ONCE), &[3.1, 0.9, 3.1], &[(0, true), (1, false), (2, true)]);
}

#[test]
fn an_alarm_is_held_after_its_last_cause() {
    let held = AlarmSpec { hold_s: 0.5, ..above_3_db(ONCE) };
    check(held.clone(), &[4.0, 0.0, 0.0, 0.0], &[(0, true), (2, false)]);
    check(held, &[4.0, 0.0, 4.0, 0.0, 0.0], &[(0, true), (4, false)]);
}

#[test]
fn a_latched_alarm_stays() {
    let latched = AlarmSpec { latch: true, ..above_3_db(ONCE) };
    check(latched, &[4.0, 0.0, 0.0, 4.0, 0.0], &[(0, true)]);
}

#[test]
fn a_limit_by_hand_has_its_own_rule() {
    let two_of_three = above_3_db(Rule { needed: 2, of: 3 });
    let over_db = [4.0, 0.0, 0.0, 4.0, 0.0, 4.0, 0.0];
    check(two_of_three, &over_db, &[(5, true), (6, false)]);
}

#[test]
fn a_limit_in_density_is_compared_with_the_mean_of_the_quantitys_bins() {
    // 0 dB are 1e-9 V² over 4 MHz.
    let limit = AlarmLimit::DensityV2PerHz { on_v2_per_hz: 5e-16, off_db: -1.0, rule: ONCE };
    let over = |db: f64| db - limits::MEAN_DB;
    // Closed form: 5e-16 is 3.0103 dB above 2.5e-16.
    check(
        broadband(limit),
        &[over(3.0), over(3.02), over(2.1), over(2.0)],
        &[(1, true), (3, false)],
    );
}

#[test]
fn the_budgets_alarm_follows_the_verdict_also_when_it_clips() {
    let mut scene = Scene::ready(&detect_spec(), &[broadband(AlarmLimit::Budget)]);
    let loud = Measured { clipped: true, ..raised(Quantity::Broadband, 4.34278) };
    scene.one(loud);
    assert_eq!(scene.alarms(), [(30, "inertial", true), (30, "overload", true)]);
    let causes: Vec<_> = scene
        .events
        .iter()
        .filter_map(|event| match &event.what {
            What::AlarmRaised { id, severity, cause, channel, .. } => {
                Some((*id, *severity, cause.as_str(), *channel))
            }
            _ => None,
        })
        .collect();
    let channel = Some(Channel::One(0));
    let over = "broadband over the limit of the budget by 2.3 dB";
    assert_eq!(
        causes,
        [(1, Severity::Stop, over, channel), (2, Severity::Warning, "overload", channel)]
    );
    assert_eq!(scene.summaries()[0].alarms, 2);
}

#[test]
fn overload_is_an_alarm_of_its_own_in_every_stage_unless_it_is_configured() {
    let clipped = Measured { clipped: true, ..heard([0.0; 4]) };
    let mut scene = Scene::new(&ONE_CHANNEL, &detect_spec(), &[]);
    scene.next.stage = Stage::Noise;
    scene.one(clipped.clone());
    assert_eq!(scene.alarms(), [(0, "overload", true)]);
    let own = AlarmSpec { name: "too loud".into(), ..alarm(Trigger::State(Condition::Overload)) };
    let mut scene = Scene::ready(&detect_spec(), &[own]);
    scene.one(clipped);
    assert_eq!(scene.alarms(), [(30, "too loud", true)]);
}

#[test]
fn an_alarm_that_is_still_on_is_raised_again_in_the_next_exposure() {
    let latched = AlarmSpec { latch: true, ..above_3_db(ONCE) };
    let mut scene = Scene::ready(&detect_spec(), &[latched]);
    for number in [1, 1, 2, 2] {
        scene.exposure(number);
        scene.one(raised(Quantity::Broadband, 4.0));
    }
    assert_eq!(
        scene.alarms(),
        [(30, "inertial", true), (32, "inertial", false), (32, "inertial", true)]
    );
    let alarms: Vec<u64> = scene.summaries().iter().map(|s| s.alarms).collect();
    assert_eq!(alarms, [1, 1]);
}

#[test]
fn a_drive_above_the_baseline_warns_on_its_first_pulse() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.next.drive_mpa = Some(0.2);
    scene.one(heard([0.0; 4]));
    assert!(scene.alarms().is_empty());
    scene.next.drive_mpa = Some(0.8);
    scene.one(heard([0.0; 4]));
    scene.one(heard([0.0; 4]));
    assert_eq!(scene.alarms(), [(31, "drive above baseline", true)]);
}

#[test]
fn not_hearing_and_lost_samples_can_raise_alarms() {
    let not_hearing =
        AlarmSpec { name: "deaf".into(), ..alarm(Trigger::State(Condition::NotHearing)) };
    let lost = AlarmSpec { name: "lost".into(), ..alarm(Trigger::State(Condition::SamplesLost)) };
    let mut scene = Scene::ready(&detect_spec(), &[not_hearing, lost]);
    scene.one(Measured { fundamental_v2: 1e-6, ..heard([0.0; 4]) });
    scene.hear(&[void(Void::SamplesLost)]);
    scene.one(heard([0.0; 4]));
    assert_eq!(
        scene.alarms(),
        [(30, "deaf", true), (31, "lost", true), (32, "deaf", false), (32, "lost", false)]
    );
    let cause = scene.events.iter().find_map(|event| match &event.what {
        What::AlarmRaised { cause, .. } => Some(cause.as_str()),
        _ => None,
    });
    assert_eq!(cause, Some("not hearing: fundamental low"));
}

#[test]
fn a_new_drive_or_injection_starts_an_alarms_rule_anew() {
    let two_of_two = above_3_db(Rule { needed: 2, of: 2 });
    let mut scene = Scene::new(&ONE_CHANNEL, &detect_spec(), &[two_of_two]);
    for drive in [0.4, 0.6] {
        scene.next.drive_mpa = Some(drive);
        scene.baseline(30);
    }
    for drive in [0.4, 0.6] {
        scene.next.drive_mpa = Some(drive);
        scene.one(raised(Quantity::Broadband, 4.0));
    }
    scene.inject();
    scene.one(raised(Quantity::Broadband, 4.0));
    assert!(scene.alarms().is_empty(), "{:?}", scene.alarms());
    scene.one(raised(Quantity::Broadband, 4.0));
    assert_eq!(scene.alarms(), [(63, "inertial", true)]);
}
