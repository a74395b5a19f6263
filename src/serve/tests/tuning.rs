//! What other limits would have meant, over the interface.

use serde_json::{Value, json};

use super::client::{Answer, get, post};
use super::{Rig, judged};
use crate::detect::Stage;
use crate::engine::Judged;
use crate::signal::{PerQuantity, as_f64};
use crate::stats::normal_quantile;

/// A pulse with a broadband level, other quantities silent.
fn level(number: u64, stage: Stage, drive_mpa: f64, lambda_db: f64) -> Judged {
    let (reason, verdict) = match stage {
        Stage::Exposure => ("", Some(crate::detect::Verdict::NotDetected)),
        _ => ("stage baseline", None),
    };
    let mut judged = judged(number, stage, verdict, reason);
    let row = &mut judged.judgement.rows[0];
    row.drive_mpa = Some(drive_mpa);
    row.lambda_db = PerQuantity([None, None, None, Some(lambda_db)]);
    judged
}

/// Thirty quiet pulses with a spread of about 0.1 dB at each of three drives, then ten with bubbles
/// at each: over the quiet mean by −0.2, 0.5 and 3 dB and a little.
fn afternoon(rig: &Rig) {
    let mut number = 0;
    let mut publish = |stage, drive_mpa, lambda_db| {
        number += 1;
        rig.hub.publish(&level(number, stage, drive_mpa, lambda_db));
    };
    let drives = [(0.1, -0.2), (0.15, 0.5), (0.2, 3.0)];
    for (drive, _) in drives {
        for i in 0..30 {
            let score = normal_quantile((as_f64(i) + 0.5) / 30.0);
            publish(Stage::Baseline, drive, 7.0 + 0.1 * score);
        }
    }
    for (drive, rise) in drives {
        (0..10).for_each(|i| publish(Stage::Exposure, drive, 7.0 + rise + 0.01 * as_f64(i)));
    }
}

async fn ask(rig: &Rig, body: &Value) -> Answer {
    post(rig.address, "/api/v1/tuning", &body.to_string()).await
}

#[tokio::test]
async fn a_moved_limit_says_what_it_would_have_meant_and_changes_nothing() {
    let mut rig = Rig::new().await;
    afternoon(&rig);
    let before = get(rig.address, "/api/v1/limits").await.json();
    let limit = |db: f64| {
        json!({"session": "now", "quantity": "broadband",
               "limits": {"broadband": {"db": db, "m_of_n": "1 of 1"}}})
    };
    let low = ask(&rig, &limit(0.15)).await.json();
    assert_eq!(
        (&low["n_quiet"], &low["n_bubbles"], &low["channel"]),
        (&json!(90), &json!(30), &json!(0))
    );
    assert_eq!(low["channels"], json!([0]));
    // Closed form: of thirty normal scores those over 1.5 standard deviations are the two highest.
    assert_eq!((&low["quiet"]["over"], &low["quiet"]["of"]), (&json!(6), &json!(90)));
    let per_exposure = low["quiet"]["per_exposure"].as_f64().unwrap();
    assert!((per_exposure - 600.0 * 6.0 / 90.0).abs() < 1e-9);
    let found: Vec<u64> =
        low["drives"].as_array().unwrap().iter().map(|d| d["missed"].as_u64().unwrap()).collect();
    assert_eq!(found, [10, 0, 0]);
    assert_eq!(low["verdicts"][2]["inertial"], 10);
    assert_eq!(low["verdicts"][0]["not_detected"], 10);
    let high = ask(&rig, &limit(1.0)).await.json();
    assert_eq!((&high["quiet"]["over"], &high["drives"][1]["missed"]), (&json!(0), &json!(10)));
    assert_eq!(high["quiet"]["per_exposure"], 0.0);
    assert!(high["roc"]["at"][1].as_f64().unwrap() < low["roc"]["at"][1].as_f64().unwrap());
    assert_eq!(high["onset"]["fit"], "firth");
    let half = high["onset"]["drive50_mpa"].as_f64().unwrap();
    assert!((0.15..=0.2).contains(&half), "{half}");
    assert_eq!(high["onset"]["curve"].as_array().unwrap().len(), 61);
    assert_eq!(high["limits"]["harmonic"], Value::Null);
    // Without a limit the proposed one holds: k·s over the mean, the margin of 0.1 dB in it.
    let own = ask(&rig, &json!({"session": "now", "quantity": "broadband"})).await.json();
    assert_eq!(own["limits"]["broadband"]["db"], own["limits"]["broadband"]["proposed_db"]);
    let db = own["limits"]["broadband"]["db"].as_f64().unwrap();
    assert!((0.5..0.8).contains(&db), "{db}");
    assert_eq!(get(rig.address, "/api/v1/limits").await.json(), before);
    assert!(rig.acts.try_recv().is_err());
}

#[tokio::test]
async fn a_session_that_grows_is_read_anew() {
    let rig = Rig::new().await;
    afternoon(&rig);
    let asked = json!({"session": "now", "quantity": "broadband"});
    assert_eq!(ask(&rig, &asked).await.json()["n_bubbles"], 30);
    rig.hub.publish(&level(200, Stage::Exposure, 0.2, 10.0));
    assert_eq!(ask(&rig, &asked).await.json()["n_bubbles"], 31);
}

#[tokio::test]
async fn what_does_not_fit_is_named() {
    let rig = Rig::new().await;
    let now = json!({"session": "now", "quantity": "broadband"});
    let empty = ask(&rig, &now).await;
    assert_eq!(empty.status, 404);
    assert!(empty.text().contains("no pulse without bubbles that could be heard: record"));
    afternoon(&rig);
    for (status, body, named) in [
        (422, json!([]), "must be a JSON object"),
        (
            422,
            json!({"session": "now", "quantity": "loud"}),
            "quantity is \"loud\", must be one of",
        ),
        (422, json!({"session": 1, "quantity": "broadband"}), "session is 1, must be text"),
        (
            422,
            json!({"session": "now", "quantity": "broadband", "colour": 1}),
            "colour is not known",
        ),
        (
            422,
            json!({"session": "now", "quantity": "broadband", "channel": 7}),
            "channel is 7, must be one of 0",
        ),
        (
            422,
            json!({"session": "now", "quantity": "broadband", "channel": "x"}),
            "channel is \"x\"",
        ),
        (
            422,
            json!({"session": "now", "quantity": "broadband", "limits": {"broadband": {"db": 400, "m_of_n": "1 of 1"}}}),
            "limits.broadband.db is 400, must be a number within ±300 dB",
        ),
        (
            422,
            json!({"session": "now", "quantity": "broadband", "limits": {"broadband": {"db": 1, "m_of_n": "3 of 2"}}}),
            "limits.broadband.m_of_n is \"3 of 2\"",
        ),
        (404, json!({"session": "../etc", "quantity": "broadband"}), "there is no session ../etc"),
    ] {
        let answer = ask(&rig, &body).await;
        assert_eq!(answer.status, status, "{body}: {}", answer.text());
        assert!(answer.text().contains(&named.replace('"', "\\\"")), "{body}: {}", answer.text());
    }
}

#[tokio::test]
async fn sessions_beside_this_one_are_listed_and_looked_at() {
    let root = tempfile::tempdir().unwrap();
    let other = root.path().join("tank-2");
    std::fs::create_dir_all(&other).unwrap();
    std::fs::create_dir_all(root.path().join("no session")).unwrap();
    let levels = ["harmonic", "ultraharmonic", "subharmonic", "broadband"]
        .map(|name| format!("{name}_contrast_db"))
        .join(",");
    let mut csv = format!(
        "pulse,time_utc,time_s,channel,target,exposure,stage,drive_mpa,clipped_share,verdict,reason,{levels}\n"
    );
    for i in 0..12 {
        csv += &format!(
            "{i},,{i},0,,,baseline,0.2,0,,stage baseline,,,,{}\n",
            5.0 + 0.1 * f64::from(i % 3)
        );
        csv += &format!("{},,{i},0,,1,exposure,0.2,0,inertial,,,,,9.0\n", 100 + i);
    }
    let mut lines: Vec<&str> = csv.lines().collect();
    lines[1..].sort_by_key(|line| line.split(',').next().unwrap().parse::<u32>().unwrap());
    std::fs::write(other.join("pulses.csv"), lines.join("\n") + "\n").unwrap();
    let rig = Rig::new().await;
    assert_eq!(
        get(rig.address, "/api/v1/tuning/sessions").await.json()["sessions"]
            .as_array()
            .unwrap()
            .len(),
        1
    );
    rig.hub.folder(Some(&root.path().join("this-one")), None);
    let listed = get(rig.address, "/api/v1/tuning/sessions").await.json();
    assert_eq!(listed["sessions"][1]["name"], "tank-2");
    assert_eq!(listed["sessions"].as_array().unwrap().len(), 2);
    let looked = ask(&rig, &json!({"session": "tank-2", "quantity": "broadband"})).await.json();
    assert_eq!((&looked["n_quiet"], &looked["n_bubbles"]), (&json!(12), &json!(12)));
    assert_eq!(looked["roc"]["auc"], 1.0);
    assert!(looked["advice"][0].as_str().unwrap().contains("is not known"), "{looked}");
    let outside = ask(&rig, &json!({"session": "no session", "quantity": "broadband"})).await;
    assert_eq!(outside.status, 404);
}
