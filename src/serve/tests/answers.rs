//! Answers about what is kept.

use std::sync::Arc;

use serde_json::{Value, json};

use super::client::{get, post};
use super::{Rig, note, pulse, quiet, raised, told, up};
use crate::detect::baseline::{SeriesLook, SpectrumLook};
use crate::detect::summary::{Doses, ExposureSummary};
use crate::detect::{Channel, Drive, Established, Severity, Stage, What};
use crate::session::table;
use crate::signal::{PerQuantity, Quantity};

fn keys(object: &Value) -> Vec<&str> {
    object.as_object().unwrap().keys().map(String::as_str).collect()
}

#[tokio::test]
async fn a_fresh_daemon_waits() {
    let rig = Rig::new().await;
    let status = get(rig.address, "/api/v1/status").await.json();
    assert_eq!(status["running"], true);
    assert_eq!(status["stream"]["state"], "waiting");
    assert_eq!(status["now"]["word"], "WAITING");
    assert_eq!(status["now"]["sentence"], "Waiting for a stream.");
    assert_eq!(status["now"]["hearing"], Value::Null);
    for key in ["stage", "exposure", "last_pulse", "last", "margin", "injection"] {
        assert_eq!(status[key], Value::Null, "{key}");
    }
    assert_eq!(status["go_ahead"]["go_on"], false);
    assert_eq!(get(rig.address, "/healthz").await.json(), json!({"running": true}));
    let why = get(rig.address, "/readyz").await.is_problem(503);
    assert_eq!(why, "no stream: waiting");
}

#[tokio::test]
async fn the_status_has_the_keys_of_the_contract() {
    let rig = Rig::new().await;
    rig.hub.stream(up());
    rig.hub.publish(&quiet(122));
    let status = get(rig.address, "/api/v1/status").await.json();
    let wanted = [
        "running",
        "live",
        "stream",
        "stage",
        "target",
        "paused",
        "exposure",
        "last_pulse",
        "pulses",
        "now",
        "last",
        "margin",
        "injection",
        "pending",
        "excess_dose_v2s",
        "go_ahead",
        "alarms",
        "baseline",
        "account",
        "kept",
        "folder",
    ];
    for key in wanted {
        assert!(keys(&status).contains(&key), "{key}");
    }
    assert_eq!(keys(&status["stream"]), ["state", "name", "device", "stage_from"]);
    assert_eq!(
        keys(&status["now"]),
        ["word", "sentence", "hearing", "not_hearing", "together", "established"]
    );
    assert_eq!(keys(&status["margin"]), ["alarm", "quantity", "channel", "db"]);
    assert_eq!(keys(&status["go_ahead"]), ["go_on", "why"]);
    assert_eq!(
        keys(&status["account"]),
        ["received", "lost", "frames_lost", "crc", "late", "duplicates", "unfinished"]
    );
    assert_eq!(keys(&status["kept"]), ["rows", "spectra", "spectra_bytes"]);
    assert_eq!(keys(&status["folder"]), ["path", "failed"]);
    assert_eq!(status["last_pulse"], 122);
    assert_eq!(status["pulses"], 1);
    assert_eq!(status["now"]["sentence"], "Not detected. Broadband would show from +0.8 dB.");
    assert_eq!(status["go_ahead"], json!({"go_on": true, "why": []}));
    assert_eq!(get(rig.address, "/readyz").await.json(), json!({"ready": true}));
}

#[tokio::test]
async fn a_row_has_the_columns_of_the_table() {
    let rig = Rig::new().await;
    rig.hub.publish(&quiet(3));
    let mut calibrated = quiet(4);
    calibrated.judgement.rows[0].calibrated = Some(Box::default());
    rig.hub.publish(&calibrated);
    let rows = get(rig.address, "/api/v1/pulses").await.json();
    let head = table::pulse_head();
    let columns: Vec<&str> = head.split(',').collect();
    let found = keys(&rows["pulses"][1]);
    let (last, found) = found.split_last().unwrap();
    assert_eq!((*last, found), ("basis", columns.as_slice()));
    // Without a receiver's tables their columns are left out.
    let plain = columns.len() - table::CALIBRATED_COLUMNS.len();
    let found = keys(&rows["pulses"][0]);
    let (last, found) = found.split_last().unwrap();
    assert_eq!((*last, found), ("basis", &columns[..plain]));
    assert_eq!(rows["missed"], 0);
    // Not finite is unknown.
    assert_eq!(rows["pulses"][0]["noise_db"], Value::Null);
    assert_eq!(rows["pulses"][0]["channel"], 0);
    assert_eq!(rows["pulses"][0]["verdict"], "not_detected");
}

#[tokio::test]
async fn pulses_are_given_from_a_number_on_and_what_is_gone_is_said() {
    let rig = Rig::small().await;
    for number in 100..120 {
        rig.hub.publish(&quiet(number));
    }
    let numbers = |answer: &Value| -> Vec<u64> {
        let rows = answer["pulses"].as_array().unwrap();
        rows.iter().map(|row| row["pulse"].as_u64().unwrap()).collect()
    };
    let all = get(rig.address, "/api/v1/pulses").await.json();
    assert_eq!(numbers(&all), (112..120).collect::<Vec<_>>());
    let some = get(rig.address, "/api/v1/pulses?after=115&limit=2").await.json();
    assert_eq!((numbers(&some), &some["missed"]), (vec![116, 117], &json!(0)));
    let late = get(rig.address, "/api/v1/pulses?after=104&limit=1").await.json();
    assert_eq!((numbers(&late), &late["missed"]), (vec![112], &json!(7)));
    let ahead = get(rig.address, "/api/v1/pulses?after=18446744073709551615").await.json();
    assert_eq!((numbers(&ahead), &ahead["missed"]), (vec![], &json!(0)));
}

#[tokio::test]
async fn a_query_that_cannot_be_used_is_a_problem() {
    let rig = Rig::new().await;
    for path in [
        "/api/v1/pulses?after=-1",
        "/api/v1/pulses?limit=0",
        "/api/v1/pulses?limit=10001",
        "/api/v1/pulses?afterr=1",
        "/api/v1/pulses/follow?after=x",
        "/api/v1/events?after=1.5",
        "/api/v1/events/follow?limit=1",
        "/api/v1/spectrum",
        "/api/v1/spectrum?pulse=1&channel=7",
        "/api/v1/live?channel=7",
        "/api/v1/live?channel=all",
    ] {
        get(rig.address, path).await.is_problem(400);
    }
}

#[tokio::test]
async fn events_carry_their_index() {
    let rig = Rig::small().await;
    for text in 0..12 {
        rig.hub.publish(&note(&format!("event {text}")));
    }
    let all = get(rig.address, "/api/v1/events").await.json();
    assert_eq!(all["events"].as_array().unwrap().len(), 8);
    assert_eq!(all["missed"], 0);
    let event = &all["events"][0];
    assert_eq!(keys(event), ["n", "event", "pulse", "time_s", "target", "text"]);
    assert_eq!((&event["n"], &event["text"]), (&json!(4), &json!("event 4")));
    let late = get(rig.address, "/api/v1/events?after=1").await.json();
    assert_eq!((&late["missed"], &late["events"][0]["n"]), (&json!(2), &json!(4)));
    let some = get(rig.address, "/api/v1/events?after=10").await.json();
    assert_eq!(some["events"].as_array().unwrap().len(), 1);
}

#[tokio::test]
async fn a_spectrum_is_given_in_decibels_beside_its_baseline() {
    let rig = Rig::new().await;
    let bins = super::facts().bins;
    let look = SpectrumLook {
        mean_db: vec![-140.0; bins],
        p05_db: vec![-142.0; bins],
        p95_db: vec![-138.0; bins],
    };
    let near = SeriesLook { drive: Drive::Known(0.161), pulses: 30, channels: vec![look] };
    let far = SeriesLook { drive: Drive::Known(0.30), pulses: 12, channels: Vec::new() };
    rig.hub.publish(&quiet(41));
    let before = get(rig.address, "/api/v1/spectrum?pulse=41").await.json();
    assert_eq!(before["baseline"], Value::Null);
    let drives = vec![(Drive::Known(0.161), 30), (Drive::Known(0.30), 12)];
    let looks = vec![far, near].into();
    let closed = What::BaselineClosed { drives, since_injection_s: None, looks };
    let mut event = told(closed);
    event.judgement.events[0].target = Arc::from("");
    rig.hub.publish(&event);
    let after = get(rig.address, "/api/v1/spectrum?pulse=41&channel=0").await.json();
    assert_eq!(keys(&after), ["pulse", "channel", "bin_hz", "density_db", "baseline"]);
    assert_eq!(after["bin_hz"], 5000.0);
    // 10·log10(1e-14) = -140
    assert_eq!(after["density_db"], json!(vec![-140.0; bins]));
    assert_eq!(after["baseline"]["drive_mpa"], 0.161);
    assert_eq!(after["baseline"]["pulses"], 30);
    assert_eq!(after["baseline"]["p95_db"], json!(vec![-138.0; bins]));
    get(rig.address, "/api/v1/spectrum?pulse=42").await.is_problem(404);
}

#[tokio::test]
async fn a_spectrum_that_had_to_go_is_a_problem_and_no_numbers_are_null() {
    let rig = Rig::small().await;
    let void = crate::signal::ChannelReading::from_void(crate::signal::Void::SamplesLost);
    for number in 0..6 {
        let mut judged = quiet(number);
        judged.readings = vec![void.clone()];
        rig.hub.publish(&judged);
    }
    // 65 536 bytes hold eight spectra of 2001 bins, so all six are there until more come.
    let kept = get(rig.address, "/api/v1/spectrum?pulse=0").await.json();
    assert!(kept["density_db"].as_array().unwrap().iter().all(Value::is_null));
    assert_eq!(get(rig.address, "/api/v1/status").await.json()["kept"]["spectra"], 6);
    for number in 6..16 {
        rig.hub.publish(&quiet(number));
    }
    get(rig.address, "/api/v1/spectrum?pulse=0").await.is_problem(404);
    let status = get(rig.address, "/api/v1/status").await.json();
    assert_eq!(status["kept"]["spectra"], 8);
    assert!(status["kept"]["spectra_bytes"].as_u64().unwrap() <= 65_536);
}

#[tokio::test]
async fn exposures_have_the_columns_of_their_table() {
    let rig = Rig::new().await;
    let established = Established {
        quantity: Quantity::Ultraharmonic,
        pulse: 15,
        channel: Channel::One(0),
        drive: Drive::Known(0.16),
        excess_db: 0.4,
        within_db: f64::INFINITY,
    };
    let summary = ExposureSummary {
        exposure: 1,
        target: Arc::from("left"),
        first_pulse: 10,
        last_pulse: 19,
        start: pulse(10, Stage::Exposure).time,
        duration_s: 1.8,
        received: 10,
        used: 9,
        missing: 1,
        drive_mpa_min: Some(0.16),
        drive_mpa_median: Some(0.16),
        drive_mpa_max: Some(0.16),
        injection: Some(1),
        since_injection_s: Some(2.0),
        baseline_id: Some(Arc::from("0011223344556677")),
        verdicts: [5, 3, 1, 1],
        harmonic_only: 2,
        max_broadband: Some((3.5, 17)),
        median_broadband_limit_db: Some(0.4),
        doses: Doses { excess_v2s: PerQuantity([1.0, 2.0, 3.0, 4.0]), ..Doses::default() },
        alarms: 2,
        ended_by: "abort",
        established: PerQuantity([None, Some(established), None, None]),
    };
    rig.hub.publish(&told(What::ExposureEnded { summary: Box::new(summary) }));
    let answer = get(rig.address, "/api/v1/exposures").await.json();
    let exposure = &answer["exposures"][0];
    let head = table::exposure_head();
    let columns: Vec<&str> = head.split(',').collect();
    assert_eq!(keys(exposure), columns);
    assert_eq!(exposure["stable"], 3);
    assert_eq!(exposure["max_broadband_pulse"], 17);
    assert_eq!(exposure["broadband_excess_dose_v2s"], 4.0);
    assert_eq!(exposure["expected"], 600);
    assert_eq!(exposure["harmonic_cumulative_pulse"], Value::Null);
    assert_eq!(exposure["ultraharmonic_cumulative_pulse"], 15);
    assert_eq!(exposure["ultraharmonic_cumulative_db"], 0.4);
    assert_eq!(exposure["ultraharmonic_cumulative_within_db"], Value::Null);
}

#[tokio::test]
async fn metrics_are_in_the_exposition_format() {
    let rig = Rig::new().await;
    rig.hub.stream(up());
    rig.hub.publish(&told(raised(1, "say \"no\" \\ twice", Severity::Warning)));
    rig.hub.publish(&quiet(0));
    let answer = get(rig.address, "/metrics").await;
    // prometheus.io, "Exposition formats": the content type, and # HELP and # TYPE before samples
    assert_eq!(answer.header("content-type"), Some("text/plain; version=0.0.4; charset=utf-8"));
    let text = answer.text();
    let mut typed = std::collections::BTreeSet::new();
    for line in text.lines() {
        if let Some(rest) = line.strip_prefix("# TYPE ") {
            let (name, kind) = rest.split_once(' ').unwrap();
            assert!(matches!(kind, "counter" | "gauge"), "{line}");
            assert!(typed.insert(name.to_owned()), "{name} is there once");
        } else if !line.starts_with('#') {
            let (name, value) = line.rsplit_once(' ').unwrap();
            let name = name.split('{').next().unwrap();
            assert!(typed.contains(name), "{line}");
            assert!(value.parse::<f64>().is_ok(), "{line}");
        }
    }
    // The same page: backslash, double quote and line feed of a label are escaped.
    assert!(text.contains("simmer_alarms_raised_total{alarm=\"say \\\"no\\\" \\\\ twice\"} 1\n"));
    for line in [
        "simmer_pulses_total 1",
        "simmer_rows_total{verdict=\"not_detected\"} 1",
        "simmer_rows_total{verdict=\"inertial\"} 0",
        "simmer_hearing 1",
        "simmer_go_on 1",
        "simmer_pages 0",
        "simmer_spectra_bytes 8004",
    ] {
        assert!(text.lines().any(|known| known == line), "{line}");
    }
}

#[tokio::test]
async fn what_is_not_there_and_what_is_not_possible_are_problems() {
    let rig = Rig::new().await;
    for path in ["/api/v1/nothing", "/api/v2/status", "/nothing.html", "/api/v1", "/healthz/x"] {
        get(rig.address, path).await.is_problem(404);
        post(rig.address, path, "").await.is_problem(404);
    }
    for path in ["/api/v1/status", "/api/v1/live", "/healthz", "/metrics", "/", "/main.js"] {
        let answer = post(rig.address, path, "{}").await;
        answer.is_problem(405);
        // RFC 9110 §15.5.6: a 405 says what is possible.
        assert_eq!(answer.header("allow"), Some("GET,HEAD"), "{path}");
    }
    let answer = get(rig.address, "/api/v1/marks").await;
    answer.is_problem(405);
    assert_eq!(answer.header("allow"), Some("POST"));
    // RFC 9110 §15.5.22: a 426 says to what.
    let answer = get(rig.address, "/api/v1/live").await;
    answer.is_problem(426);
    assert_eq!(answer.header("upgrade"), Some("websocket"));
}

#[tokio::test]
async fn a_failed_analysis_is_not_healthy_and_an_ended_one_is() {
    let rig = Rig::new().await;
    rig.hub.stream(up());
    rig.hub.publish(&quiet(0));
    rig.hub.stopped();
    assert_eq!(get(rig.address, "/healthz").await.json(), json!({"running": false}));
    let status = get(rig.address, "/api/v1/status").await.json();
    assert_eq!(status["running"], false);
    assert_eq!(status["go_ahead"]["why"], json!(["the analysis has ended"]));
    get(rig.address, "/readyz").await.is_problem(503);
    rig.hub.failed("a worker panicked");
    let detail = get(rig.address, "/healthz").await.is_problem(503);
    assert_eq!(detail, "the analysis has failed: a worker panicked");
}
