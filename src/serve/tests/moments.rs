//! One moment: word, sentence, hearing, margin, go-ahead.

use std::sync::Arc;

use super::{facts, judged, note, pulse, quiet, raised, row, told, up};
use crate::detect::baseline::{DriveSeries, TargetBaseline};
use crate::detect::session::{Judgement, Progress};
use crate::detect::{Baseline, Channel, Drive, Event, Severity, Stage, Verdict, What};
use crate::engine::Judged;
use crate::serve::snapshot::{Now, Snapshot};
use crate::serve::{Facts, Hub, StreamState};

fn now(hub: &Hub) -> Now {
    Snapshot::of(hub).now(&hub.facts)
}

fn going() -> Arc<Hub> {
    let hub = Hub::new(facts(), None, 1 << 20);
    hub.stream(up());
    hub
}

#[track_caller]
fn check(judged: &[Judged], word: &str, sentence: &str, hearing: Option<bool>) {
    let hub = going();
    judged.iter().for_each(|judged| hub.publish(judged));
    let now = now(&hub);
    assert_eq!((now.word, now.sentence.as_str()), (word, sentence));
    assert_eq!(now.hearing, hearing);
}

fn exposed(number: u64, verdict: Verdict, reason: &str) -> Judged {
    judged(number, Stage::Exposure, Some(verdict), reason)
}

#[test]
fn nothing_came_yet() {
    check(&[], "WAITING", "Waiting for the first pulse.", None);
}

#[test]
fn the_strongest_of_the_last_second_is_shown() {
    let stable = exposed(10, Verdict::Stable, "ultraharmonic 2 of 3 +4.1 dB");
    let said = "Stable: ultraharmonic +4.1 dB over its limit.";
    // Five pulses a second: the fifth after it is one second later.
    for later in 0..=5 {
        let mut all = vec![stable_copy(&stable)];
        all.extend((11..11 + later).map(quiet));
        check(&all, "STABLE", said, Some(true));
    }
    let mut all = vec![stable];
    all.extend((11..17).map(quiet));
    let quiet_said = "Not detected. Broadband would show from +0.8 dB.";
    check(&all, "NOT DETECTED", quiet_said, Some(true));
}

fn stable_copy(judged: &Judged) -> Judged {
    Judged {
        pulse: judged.pulse.clone(),
        judgement: judged.judgement.clone(),
        readings: judged.readings.clone(),
    }
}

#[test]
fn inertial_is_stronger_than_stable_and_deaf_than_silent() {
    let inertial = exposed(1, Verdict::Inertial, "broadband pulse +7.6 dB");
    let stable = exposed(2, Verdict::Stable, "subharmonic 2 of 3 +0.2 dB");
    let deaf = exposed(3, Verdict::Indeterminate, "fundamental low; noise moved");
    let said = "Inertial: broadband +7.6 dB over its limit.";
    let deaf_said = "Not hearing: fundamental low, noise moved. Silence means nothing now.";
    check(&[stable_copy(&deaf), quiet(4)], "NOT HEARING", deaf_said, Some(true));
    check(&[inertial, stable, deaf], "INERTIAL", said, Some(false));
}

#[test]
fn stages_without_verdict_say_how_far_they_are() {
    let silence = judged(0, Stage::Noise, None, "stage noise");
    let said = "Noise without drive is recorded; no verdict.";
    check(&[silence], "NO VERDICT", said, Some(true));
    let dead = judged(0, Stage::Noise, None, "dead channel");
    check(&[dead], "NO VERDICT", "Noise without drive: dead channel.", Some(false));
    let mut baseline = judged(1, Stage::Baseline, None, "stage baseline");
    let drives = vec![(Drive::Known(0.06), 30), (Drive::Known(0.16), 23)];
    baseline.judgement.progress = Some(Progress { target: Arc::from(""), drives });
    let said = "Baseline at 0.16 MPa: 23 of 30 pulses.";
    check(&[baseline], "NO VERDICT", said, Some(true));
    let late = judged(2, Stage::Baseline, None, "after injection");
    check(&[late], "NO VERDICT", "Baseline pulse not used: after injection.", None);
    let sham = judged(3, Stage::Exposure, None, "sham");
    check(&[sham], "NO VERDICT", "Sham: trigger without drive, no verdict.", None);
}

#[test]
fn a_pulse_that_never_came_is_no_verdict_of_the_one_that_did() {
    let pulse_7 = pulse(7, Stage::Exposure);
    let mut lost = row(&pulse_7, Channel::One(0), Some(Verdict::Indeterminate), "pulse missing");
    lost.pulse = None;
    let mut judged = quiet(7);
    judged.judgement.rows.insert(0, lost);
    let said = "Not detected. Broadband would show from +0.8 dB.";
    check(&[judged], "NOT DETECTED", said, Some(true));
}

#[test]
fn a_stream_that_is_gone_says_nothing_of_now() {
    for (state, said) in [
        (StreamState::Cut, "The stream is cut; waiting for it to go on."),
        (StreamState::Ended, "The stream has ended."),
        (StreamState::Waiting, "Waiting for a stream."),
    ] {
        let hub = going();
        hub.publish(&quiet(0));
        hub.stream(state);
        let now = now(&hub);
        assert_eq!((now.word, now.sentence.as_str(), now.hearing), ("WAITING", said, None));
        assert_eq!(Snapshot::of(&hub).go_ahead(&hub.facts).len(), 1);
    }
}

#[test]
fn a_pulse_that_is_overdue_by_the_clock_is_not_heard() {
    let hub = going();
    hub.publish(&quiet(0));
    let mut snapshot = Snapshot::of(&hub);
    snapshot.age_s = Some(2.96);
    let now = snapshot.now(&hub.facts);
    let said = "Not hearing: no pulse for 3 s. Silence means nothing now.";
    assert_eq!((now.word, now.sentence.as_str(), now.hearing), ("NOT HEARING", said, Some(false)));
    assert_eq!(snapshot.go_ahead(&hub.facts), ["no pulse for 3 s"]);
    // A replay has no clock.
    let replay = Facts { live: false, ..facts() };
    let hub = Hub::new(replay, None, 0);
    hub.publish(&quiet(0));
    let snapshot = Snapshot::of(&hub);
    assert_eq!(snapshot.age_s, None);
    assert_eq!(snapshot.now(&hub.facts).word, "NOT DETECTED");
    assert_eq!(snapshot.go_ahead(&hub.facts), ["this is a replay"]);
}

#[test]
fn the_go_ahead_names_what_is_wrong() {
    let hub = Hub::new(facts(), None, 1 << 20);
    let why = |hub: &Hub| Snapshot::of(hub).go_ahead(&hub.facts);
    assert_eq!(why(&hub), ["no stream", "no pulse yet"]);
    hub.stream(up());
    hub.publish(&judged(0, Stage::Baseline, None, "stage baseline"));
    assert_eq!(why(&hub), ["stage is baseline"]);
    hub.publish(&exposed(1, Verdict::Indeterminate, "clipped; noise moved"));
    assert_eq!(why(&hub), ["not hearing: clipped, noise moved"]);
    hub.publish(&quiet(2));
    assert_eq!(why(&hub), <[&str; 0]>::default());
    hub.publish(&told(raised(1, "stable", Severity::Warning)));
    assert_eq!(why(&hub), <[&str; 0]>::default());
    hub.publish(&told(raised(2, "pulse missing", Severity::Warning)));
    assert_eq!(why(&hub), ["a pulse is missing"]);
    hub.publish(&told(What::AlarmOver { id: 2, name: "pulse missing".into() }));
    hub.folder(None, Some("no space left".to_owned()));
    assert_eq!(why(&hub), ["recording has failed: no space left"]);
}

#[test]
fn an_alarm_that_is_not_for_the_page_is_not_on_it_and_still_holds_the_go_ahead() {
    let hub = going();
    hub.publish(&quiet(0));
    let What::AlarmRaised { id, name, severity, cause, channel, .. } =
        raised(1, "inertial", Severity::Stop)
    else {
        panic!("an alarm")
    };
    let sinks = vec!["events".to_owned()].into();
    hub.publish(&told(What::AlarmRaised { id, name, severity, cause, channel, sinks }));
    let status = crate::serve::status::status_json(&hub);
    assert_eq!(status["alarms"].as_array().map(Vec::len), Some(0));
    assert_eq!(status["go_ahead"]["why"][0], "stop alarm inertial is on");
    hub.publish(&told(What::AlarmOver { id: 1, name: "inertial".into() }));
    assert_eq!(Snapshot::of(&hub).go_ahead(&hub.facts), <[&str; 0]>::default());
}

#[test]
fn the_margin_is_that_of_the_stop_alarm_nearest_to_its_limit() {
    let hub = going();
    let pulse = pulse(4, Stage::Exposure);
    let mut rows: Vec<_> = (0..2)
        .map(|channel| row(&pulse, Channel::One(channel), Some(Verdict::NotDetected), ""))
        .collect();
    rows[1].detect_db.0[3] = Some(1.25);
    rows.push(row(&pulse, Channel::All, Some(Verdict::NotDetected), ""));
    let judgement = Judgement { rows, ..Judgement::default() };
    hub.publish(&Judged { pulse: Some(pulse), judgement, readings: Vec::new() });
    let snapshot = Snapshot::of(&hub);
    let margin = snapshot.margin(&hub.facts).unwrap();
    assert_eq!((margin.alarm, margin.channel), ("inertial", Channel::One(1)));
    // 1.25 dB less the 0.1 dB of repeatability of the phantom's broadband, against 1.3 dB
    assert!((margin.db + 0.15).abs() < 1e-9, "{}", margin.db);
}

#[test]
fn exposures_are_counted_as_they_go() {
    let hub = going();
    let event = |what| Event { pulse: Some(9), time_s: 1.8, target: Arc::from(""), what };
    let mut first = quiet(9);
    first.judgement.events.push(event(What::ExposureBegan { exposure: 2 }));
    hub.publish(&first);
    let mut second = quiet(12);
    second.judgement.events.push(event(What::PulseMissing { missing: 2 }));
    hub.publish(&second);
    hub.publish(&note("between pulses"));
    let status = crate::serve::status::status_json(&hub);
    let wanted = serde_json::json!({"number": 2, "received": 2, "expected": 600, "missing": 2});
    assert_eq!(status["exposure"], wanted);
}

#[test]
fn a_baseline_grows_closes_and_is_replaced() {
    let known = |pulses: u64| DriveSeries {
        running: Vec::new(),
        monitor_v: Vec::new(),
        drive: Drive::Known(0.3),
        pulses: (0..pulses).collect(),
        channels: Vec::new(),
        spectra: Vec::new(),
    };
    let mut file = Baseline::default();
    file.targets.insert(Arc::from("left"), TargetBaseline { drives: vec![known(40)] });
    let hub = Hub::new(facts(), Some(&file), 0);
    let listed = |hub: &Hub| -> Vec<(f64, u64, bool)> {
        let status = crate::serve::status::status_json(hub);
        let all = status["baseline"].as_array().unwrap();
        let one = |b: &serde_json::Value| {
            let (mpa, pulses) = (b["drive_mpa"].as_f64(), b["pulses"].as_u64());
            (mpa.unwrap(), pulses.unwrap(), b["in_use"].as_bool().unwrap())
        };
        all.iter().map(one).collect()
    };
    let grown = |number, pulses| {
        let mut judged = judged(number, Stage::Baseline, None, "stage baseline");
        let drives = vec![(Drive::Known(0.16), pulses)];
        judged.judgement.progress = Some(Progress { target: Arc::from(""), drives });
        judged
    };
    // The target at hand comes first.
    let of_file = (0.3, 40, true);
    hub.publish(&grown(0, 1));
    hub.publish(&grown(1, 2));
    assert_eq!(listed(&hub), [(0.16, 2, false), of_file]);
    let closed = |pulses| What::BaselineClosed {
        drives: vec![(Drive::Known(0.16), pulses)],
        since_injection_s: None,
        looks: Arc::from([]),
    };
    hub.publish(&told(closed(2)));
    assert_eq!(listed(&hub), [(0.16, 2, true), of_file]);
    hub.publish(&grown(3, 1));
    assert_eq!(listed(&hub), [(0.16, 2, true), (0.16, 1, false), of_file]);
    hub.publish(&told(What::BaselineKept { pulses: 1 }));
    assert_eq!(listed(&hub), [(0.16, 2, true), of_file]);
    // Where a file wins, the first exposure pulse ends what was growing.
    hub.publish(&grown(4, 1));
    hub.publish(&quiet(5));
    assert_eq!(listed(&hub), [(0.16, 2, true), of_file]);
}
