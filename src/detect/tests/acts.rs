//! What people do between pulses: marks, what they are stamped with, acknowledgements, limits.

use super::*;

fn mark(id: u64, backdated_s: f64, kind: MarkKind) -> Act {
    Act::Mark(Mark { id: Some(id), by: By::Operator, backdated_s, text: String::new(), kind })
}

fn injection(id: u64, number: Option<u32>) -> Act {
    mark(id, 0.0, MarkKind::Injection(Injection { number, ..Injection::default() }))
}

fn over_3_db(latch: bool, hold_s: f64) -> AlarmSpec {
    let rule = Rule { needed: 1, of: 1 };
    let limit = AlarmLimit::AboveBaselineDb { on_db: 3.0, off_db: 1.0, rule };
    AlarmSpec {
        name: "inertial".into(),
        severity: Severity::Stop,
        trigger: Trigger::Over { quantity: Quantity::Broadband, limit },
        hold_s,
        latch,
        sinks: vec!["page".into()],
    }
}

fn loud() -> Measured {
    raised(Quantity::Broadband, 6.0)
}

fn quiet() -> Measured {
    heard([0.0; 4])
}

#[test]
fn an_injection_dated_back_counts_from_then() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.act(&mark(1, 7.5, MarkKind::Injection(Injection::default())));
    assert_eq!(scene.one(quiet()).since_injection_s, Some(7.5));
    assert_eq!(scene.one(quiet()).since_injection_s, Some(7.75));
}

#[test]
fn an_injection_that_was_taken_back_does_not_count_from_the_next_pulse_on() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.act(&injection(1, None));
    scene.one(quiet());
    scene.wait(10.0);
    scene.act(&injection(2, None));
    assert_eq!(scene.one(quiet()).since_injection_s, Some(0.0));
    scene.act(&mark(3, 0.0, MarkKind::Void(2)));
    assert_eq!(scene.one(quiet()).since_injection_s, Some(10.5));
    scene.act(&mark(4, 0.0, MarkKind::Void(77)));
    assert_eq!(scene.one(quiet()).since_injection_s, Some(10.75), "a mark that is not there");
    // The number that was taken back is free again.
    scene.act(&injection(5, None));
    scene.one(quiet());
    let numbers: Vec<_> = scene
        .events
        .iter()
        .filter_map(|event| match &event.what {
            What::Mark { number, .. } => *number,
            _ => None,
        })
        .collect();
    assert_eq!(numbers, [1, 2, 2]);
    let summary = &scene.summaries()[0];
    assert_eq!((summary.injection, summary.since_injection_s), (Some(1), Some(0.0)));
}

#[test]
fn an_injection_taken_back_before_any_pulse_never_counts() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.act(&injection(1, None));
    scene.act(&mark(2, 0.0, MarkKind::Void(1)));
    assert_eq!(scene.one(quiet()).since_injection_s, None);
    let summary = &scene.summaries()[0];
    assert_eq!((summary.injection, summary.since_injection_s), (None, None));
}

#[test]
fn an_injection_in_error_does_not_end_the_baseline() {
    let mut scene = Scene::new(&ONE_CHANNEL, &detect_spec(), &[]);
    scene.baseline(10);
    scene.act(&injection(1, None));
    scene.baseline(1);
    scene.act(&mark(2, 0.0, MarkKind::Void(1)));
    scene.baseline(20);
    scene.one(quiet());
    let closed = scene.events.iter().find_map(|event| match &event.what {
        What::BaselineClosed { drives, .. } => Some(drives[0].1),
        _ => None,
    });
    // The one pulse after the injection that was none stays out, the others count.
    assert_eq!(closed, Some(30));
}

#[test]
fn people_count_injections_as_they_like() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.act(&injection(1, Some(4)));
    scene.act(&injection(2, None));
    scene.one(quiet());
    let numbers: Vec<_> = scene
        .events
        .iter()
        .filter_map(|event| match &event.what {
            What::Mark { number, .. } => *number,
            _ => None,
        })
        .collect();
    assert_eq!(numbers, [4, 5]);
}

#[test]
fn a_pause_explains_a_hole_and_an_abort_ends_the_exposure() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.one(quiet());
    scene.act(&mark(1, 0.0, MarkKind::Pause));
    scene.wait(60.0);
    assert_eq!(scene.hear(&[ChannelReading::from_measured(quiet())]).len(), 1);
    scene.wait(60.0);
    assert_eq!(scene.hear(&[ChannelReading::from_measured(quiet())]).len(), 2, "nobody paused");
    scene.act(&mark(2, 0.0, MarkKind::Abort));
    scene.wait(60.0);
    let rows = scene.hear(&[ChannelReading::from_measured(quiet())]);
    assert_eq!((rows.len(), rows[0].exposure), (1, Some(2)));
    let ended: Vec<_> = scene.summaries().iter().map(|summary| summary.ended_by).collect();
    assert_eq!(ended, ["abort", "end of stream"]);
}

#[test]
fn an_operators_stage_is_on_record_once_and_by_name() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.events.clear();
    scene.act(&Act::Stage(Stage::Exposure));
    scene.one(quiet());
    let stages: Vec<_> = scene
        .events
        .iter()
        .filter_map(|event| match event.what {
            What::Stage { stage, by } => Some((event.pulse, stage, by)),
            _ => None,
        })
        .collect();
    assert_eq!(stages, [(Some(30), Stage::Exposure, By::Operator)]);
}

#[test]
fn an_acknowledged_alarm_goes_off_with_its_cause() {
    let mut scene = Scene::ready(&detect_spec(), &[over_3_db(true, 0.0)]);
    scene.one(loud());
    scene.act(&Act::Acknowledge(1));
    scene.one(loud());
    scene.one(quiet());
    assert_eq!(scene.alarms(), [(30, "inertial", true), (32, "inertial", false)]);
    let acknowledged = scene.events.iter().find_map(|event| match event.what {
        What::AlarmAcknowledged { id, after_pulse, .. } => Some((id, after_pulse, event.pulse)),
        _ => None,
    });
    assert_eq!(acknowledged, Some((1, Some(30), None)));
}

#[test]
fn an_alarm_whose_cause_is_past_goes_off_when_it_is_acknowledged() {
    let mut scene = Scene::ready(&detect_spec(), &[over_3_db(true, 0.0)]);
    scene.one(loud());
    scene.one(quiet());
    let over = |scene: &Scene| {
        scene.events.iter().filter(|event| matches!(event.what, What::AlarmOver { .. })).count()
    };
    assert_eq!(over(&scene), 0, "it is latched");
    scene.act(&Act::Acknowledge(7));
    assert_eq!(over(&scene), 0, "another alarm's number");
    scene.act(&Act::Acknowledge(1));
    assert_eq!(over(&scene), 1);
    scene.one(loud());
    assert_eq!(scene.session.alarms_raised(), 2, "it can be raised again");
}

#[test]
fn a_pulse_that_is_overdue_raises_its_alarm_once_and_the_hole_keeps_it() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.one(quiet());
    scene.act(&Act::Overdue);
    scene.act(&Act::Overdue);
    scene.wait(10.0);
    scene.one(quiet());
    let raised = scene.events.iter().filter_map(|event| match &event.what {
        What::AlarmRaised { name, .. } => Some((event.pulse, event.time_s, name.to_string())),
        _ => None,
    });
    // 31 pulses at 4 Hz, the last at 7.5 s; due 2.5 periods later.
    assert_eq!(raised.collect::<Vec<_>>(), [(None, 8.125, "pulse missing".to_owned())]);
}

#[test]
fn nothing_is_overdue_before_the_first_pulse_or_in_a_pause() {
    let mut scene = Scene::new(&ONE_CHANNEL, &detect_spec(), &[]);
    scene.act(&Act::Overdue);
    scene.baseline(30);
    scene.act(&mark(1, 0.0, MarkKind::Pause));
    scene.act(&Act::Overdue);
    assert_eq!(scene.session.alarms_raised(), 0);
}

#[test]
fn going_on_makes_pulses_due_again_and_leaves_the_pause_explained() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.one(quiet());
    scene.act(&mark(1, 0.0, MarkKind::Pause));
    scene.act(&mark(2, 0.0, MarkKind::Note));
    scene.act(&Act::Overdue);
    assert_eq!(scene.session.alarms_raised(), 0);
    scene.act(&mark(3, 0.0, MarkKind::Resume));
    scene.act(&Act::Overdue);
    assert_eq!(scene.session.alarms_raised(), 1);
    scene.wait(60.0);
    let rows = scene.hear(&[ChannelReading::from_measured(quiet())]);
    assert_eq!(rows.len(), 1, "the hole is the pause's");
}

#[test]
fn other_limits_hold_from_the_next_pulse_on() {
    let spec = over_3_db(false, 0.0);
    let mut scene = Scene::ready(&detect_spec(), std::slice::from_ref(&spec));
    scene.one(raised(Quantity::Broadband, 2.0));
    let rule = Rule { needed: 1, of: 1 };
    let limit = AlarmLimit::AboveBaselineDb { on_db: 1.0, off_db: 1.0, rule };
    let trigger = Trigger::Over { quantity: Quantity::Broadband, limit };
    scene.act(&Act::Limits([AlarmSpec { trigger, ..spec }].into()));
    scene.one(raised(Quantity::Broadband, 2.0));
    assert_eq!(scene.alarms(), [(31, "inertial", true)]);
    assert!(
        scene
            .events
            .iter()
            .any(|event| { event.pulse == Some(31) && matches!(event.what, What::Limits { .. }) })
    );
}
