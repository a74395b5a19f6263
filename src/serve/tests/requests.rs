//! What people ask for.

use std::sync::Arc;

use serde_json::json;

use super::client::{ask, get, post};
use super::{Rig, quiet, raised, told, up, within};
use crate::detect::{Act, AlarmLimit, By, Event, MarkKind, Severity, Stage, Trigger, What};
use crate::engine::Judged;
use crate::serve::StreamState;

/// The next pulse, which an act was waiting for.
fn followed(number: u64, what: What) -> Judged {
    let mut judged = quiet(number);
    let event = Event { pulse: Some(number), time_s: 0.0, target: Arc::from(""), what };
    judged.judgement.events.push(event);
    judged
}

#[tokio::test]
async fn a_mark_is_numbered_and_waits_for_a_pulse() {
    let mut rig = Rig::new().await;
    let body = r#"{"mark":"injection","agent":"lot 7","volume_ul":50}"#;
    let answer = post(rig.address, "/api/v1/marks", body).await;
    assert_eq!(answer.status, 202);
    assert_eq!(answer.json(), json!({"id": 1, "holds_from": "the next pulse"}));
    let Some(Act::Mark(mark)) = rig.acts.recv().await else { panic!("no mark") };
    assert_eq!((mark.id, mark.by), (Some(1), By::Operator));
    let MarkKind::Injection(injection) = &mark.kind else { panic!("no injection") };
    assert_eq!(injection.volume_ul, Some(50.0));
    let status = get(rig.address, "/api/v1/status").await.json();
    assert_eq!(status["pending"], json!([{"id": 1, "mark": "injection"}]));
    let mut judged = followed(5, What::Mark { mark: Box::new(mark), number: Some(3) });
    judged.judgement.rows[0].since_injection_s = Some(0.2);
    rig.hub.publish(&judged);
    let status = get(rig.address, "/api/v1/status").await.json();
    assert_eq!(status["pending"], json!([]));
    let injection = json!({"number": 3, "since_s": 0.2, "agent": "lot 7", "volume_ul": 50.0});
    assert_eq!(status["injection"], injection);
    // Taken back: there is no injection any more.
    let answer = post(rig.address, "/api/v1/marks", r#"{"mark":"void","void":1}"#).await;
    assert_eq!(answer.json()["id"], 2);
    let Some(Act::Mark(void)) = rig.acts.recv().await else { panic!("no mark") };
    rig.hub.publish(&followed(6, What::Mark { mark: Box::new(void), number: None }));
    let status = get(rig.address, "/api/v1/status").await.json();
    assert_eq!((&status["injection"], &status["pending"]), (&json!(null), &json!([])));
}

#[tokio::test]
async fn a_mark_that_cannot_be_used_names_its_field() {
    let rig = Rig::new().await;
    for (body, named) in [
        (r#"{"mark":"explosion"}"#, "mark is \"explosion\""),
        (r#"{"mark":"injection","volume_ul":-1}"#, "volume_ul is -1"),
        (r#"{"mark":"injection","colour":1}"#, "colour is not known"),
        (r#"{"mark":"note"}"#, "text must not be empty"),
        (r#"{"mark":"void","void":1}"#, "void is 1, no mark has that number"),
        (r#"{"mark":"pause","backdated_s":1e9}"#, "backdated_s is"),
        ("[]", "the body must be a JSON object"),
    ] {
        let detail = post(rig.address, "/api/v1/marks", body).await.is_problem(422);
        assert!(detail.contains(named), "{detail}");
    }
}

#[tokio::test]
async fn a_body_that_is_no_json_or_too_long_is_a_problem() {
    let rig = Rig::new().await;
    let deep = "[".repeat(60_000);
    for path in ["/api/v1/marks", "/api/v1/stage"] {
        for body in ["", "{", "\u{feff}{}", deep.as_str()] {
            post(rig.address, path, body).await.is_problem(400);
        }
        let long = format!("\"{}\"", "x".repeat(65_535));
        post(rig.address, path, &long).await.is_problem(413);
    }
    let long = format!("\"{}\"", "x".repeat(65_535));
    ask(rig.address, "PUT", "/api/v1/limits", "", &long).await.is_problem(413);
    let fits = format!("\"{}\"", "x".repeat(65_534));
    ask(rig.address, "PUT", "/api/v1/limits", "", &fits).await.is_problem(422);
}

#[tokio::test]
async fn acts_that_find_no_place_are_told_so() {
    let mut rig = Rig::new().await;
    // The rig's line has two places.
    for id in 1..=2 {
        let answer = post(rig.address, "/api/v1/marks", r#"{"mark":"pause"}"#).await;
        assert_eq!((answer.status, &answer.json()["id"]), (202, &json!(id)));
    }
    let answer = post(rig.address, "/api/v1/marks", r#"{"mark":"resume"}"#).await;
    answer.is_problem(503);
    assert_eq!(answer.header("retry-after"), Some("1"));
    // What was not taken does not wait for a pulse, and its number is not used up.
    let status = get(rig.address, "/api/v1/status").await.json();
    assert_eq!(status["pending"].as_array().unwrap().len(), 2);
    assert_eq!(status["paused"], true);
    rig.acts.recv().await.unwrap();
    let answer = post(rig.address, "/api/v1/marks", r#"{"mark":"resume"}"#).await;
    assert_eq!(answer.json()["id"], 3);
    rig.acts.close();
    let answer = post(rig.address, "/api/v1/marks", r#"{"mark":"pause"}"#).await;
    assert_eq!(answer.is_problem(503), "the analysis takes no acts");
}

#[tokio::test]
async fn the_stage_is_the_operators_unless_the_sender_owns_it() {
    let mut rig = Rig::new().await;
    rig.hub.stream(up());
    let answer = post(rig.address, "/api/v1/stage", r#"{"stage":"baseline"}"#).await;
    assert_eq!(answer.status, 202);
    assert_eq!(within(rig.acts.recv()).await, Some(Act::Stage(Stage::Baseline)));
    let status = get(rig.address, "/api/v1/status").await.json();
    assert_eq!(status["pending"], json!([{"id": null, "stage": "baseline"}]));
    rig.hub.publish(&followed(0, What::Stage { stage: Stage::Baseline, by: By::Operator }));
    let status = get(rig.address, "/api/v1/status").await.json();
    assert_eq!(status["pending"], json!([]));
    for body in [r#"{"stage":"rest"}"#, r#"{"stage":1}"#, "{}", r#"{"stage":"noise","x":1}"#, "1"] {
        post(rig.address, "/api/v1/stage", body).await.is_problem(422);
    }
    rig.hub.stream(StreamState::Up {
        name: "127.0.0.1:50312".to_owned(),
        device: String::new(),
        stage_from: "sender",
    });
    post(rig.address, "/api/v1/stage", r#"{"stage":"baseline"}"#).await.is_problem(409);
    let status = get(rig.address, "/api/v1/status").await.json();
    assert_eq!(status["stream"]["stage_from"], "sender");
    assert_eq!(status["stream"]["device"], json!(null));
}

#[tokio::test]
async fn an_alarm_stays_until_it_is_over_and_noted() {
    let mut rig = Rig::new().await;
    rig.hub.stream(up());
    rig.hub.publish(&quiet(7));
    post(rig.address, "/api/v1/alarms/2/acknowledge", "").await.is_problem(404);
    rig.hub.publish(&told(raised(2, "inertial", Severity::Stop)));
    post(rig.address, "/api/v1/alarms/3/acknowledge", "").await.is_problem(404);
    post(rig.address, "/api/v1/alarms/x/acknowledge", "").await.is_problem(404);
    post(rig.address, "/api/v1/alarms/%ff/acknowledge", "").await.is_problem(400);
    let status = get(rig.address, "/api/v1/status").await.json();
    let alarm = json!({
        "id": 2, "name": "inertial", "severity": "stop",
        "cause": "broadband over the limit of the budget by 7.6 dB", "channel": 0, "pulse": 7,
        "time_s": 1.4, "on": true, "acknowledged": false, "latch": true,
    });
    assert_eq!(status["alarms"], json!([alarm]));
    assert_eq!(status["go_ahead"]["why"], json!(["stop alarm inertial is on"]));
    rig.hub.publish(&told(What::AlarmOver { id: 2, name: "inertial".into() }));
    let status = get(rig.address, "/api/v1/status").await.json();
    assert_eq!(status["go_ahead"]["why"], json!(["stop alarm inertial is not acknowledged"]));
    for _ in 0..2 {
        let answer = post(rig.address, "/api/v1/alarms/2/acknowledge", "").await;
        assert_eq!(answer.status, 200);
        assert_eq!(answer.json(), json!({"id": 2, "acknowledged": true}));
    }
    assert_eq!(within(rig.acts.recv()).await, Some(Act::Acknowledge(2)));
    // The second time there was nothing to hand in.
    assert!(rig.acts.try_recv().is_err());
    let status = get(rig.address, "/api/v1/status").await.json();
    assert_eq!(status["alarms"], json!([]));
    assert_eq!(status["go_ahead"]["go_on"], true);
}

#[tokio::test]
async fn limits_change_from_the_next_pulse_on() {
    let mut rig = Rig::new().await;
    let budget = json!({"name": "inertial", "quantity": "broadband", "limit": "budget"});
    let answer = get(rig.address, "/api/v1/limits").await.json();
    assert_eq!(answer["alarms"][0], budget);
    let asked = json!({"alarms": [{"name": "inertial", "quantity": "broadband",
        "limit": {"db": 3.0}, "off_db": 2.0, "m_of_n": "2 of 3"}]});
    let path = "/api/v1/limits";
    let answer = ask(rig.address, "PUT", path, "", &asked.to_string()).await;
    assert_eq!(answer.status, 202);
    let Some(Act::Limits(alarms)) = within(rig.acts.recv()).await else { panic!("no limits") };
    let Trigger::Over { limit: AlarmLimit::AboveBaselineDb { on_db, .. }, .. } = alarms[0].trigger
    else {
        panic!("no limit set by hand")
    };
    assert!((on_db - 3.0).abs() < 1e-12);
    let answer = get(rig.address, path).await.json();
    assert_eq!((&answer["alarms"][0], &answer["pending"]), (&budget, &asked["alarms"]));
    rig.hub.publish(&followed(0, What::Limits { alarms }));
    let answer = get(rig.address, path).await.json();
    assert_eq!((&answer["alarms"][0], &answer["pending"]), (&asked["alarms"][0], &json!([])));
    // 0.4 dB of broadband against 3 dB set by hand
    let status = get(rig.address, "/api/v1/status").await.json();
    assert!((status["margin"]["db"].as_f64().unwrap() + 2.6).abs() < 1e-9);
    for (body, named) in [
        (r#"{"alarms":[{"name":"nothing","limit":"budget"}]}"#, "alarms[0].name"),
        (r#"{"alarms":[{"name":"inertial","limit":{"db":"x"}}]}"#, "alarms[0].limit"),
        (r#"{"alarms":[{"name":"overload","limit":"budget"}]}"#, "has no limit"),
        (r#"{"alarms":1}"#, "alarms must be a list"),
        (r#"{"alarm":[]}"#, "alarm is not known"),
    ] {
        let detail = ask(rig.address, "PUT", path, "", body).await.is_problem(422);
        assert!(detail.contains(named), "{detail}");
    }
}

#[tokio::test]
async fn the_drive_rests_until_a_pulse_follows() {
    let mut rig = Rig::new().await;
    rig.hub.stream(up());
    rig.hub.publish(&quiet(0));
    for (mark, paused) in [("pause", true), ("resume", false), ("abort", true)] {
        post(rig.address, "/api/v1/marks", &format!(r#"{{"mark":"{mark}"}}"#)).await;
        rig.acts.recv().await.unwrap();
        let status = get(rig.address, "/api/v1/status").await.json();
        assert_eq!(status["paused"], paused, "{mark}");
        assert_eq!(status["go_ahead"]["go_on"], !paused, "{mark}");
    }
    let mut judged = quiet(1);
    for act in rig.hub.state().course.pending() {
        let Act::Mark(mark) = act else { panic!("a mark") };
        let what = What::Mark { mark: Box::new(mark), number: None };
        judged.judgement.events.extend(followed(1, what).judgement.events);
    }
    rig.hub.publish(&judged);
    let status = get(rig.address, "/api/v1/status").await.json();
    assert_eq!((&status["paused"], &status["pending"]), (&json!(false), &json!([])));
}
