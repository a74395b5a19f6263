//! What pulses together say, and how long to listen.

use std::sync::Arc;

use serde_json::{Value, json};

use super::client::get;
use super::{Rig, quiet, up};
use crate::detect::reference::{ChannelReference, QuantityReference};
use crate::detect::{Channel, Drive, Established};
use crate::engine::Judged;
use crate::signal::{PerQuantity, Quantity};
use crate::stats::{BaselineSeries, CumulativeHearing, Reference, Summary};

const BROADBAND: Quantity = Quantity::Broadband;

/// Thirty baseline pulses with 0.1 dB of scatter, `taken` pulses so far.
fn hearing(taken: u64) -> CumulativeHearing {
    CumulativeHearing { sd: 0.1, n: 30.0, f: 1.0, taken, delta: 0.0, ln_threshold: 7.1 }
}

fn heard(number: u64, taken: u64) -> Judged {
    let mut judged = quiet(number);
    let row = judged.judgement.rows.last_mut().unwrap();
    row.hearing[BROADBAND] = Some(hearing(taken));
    row.hear_cumulative_db[BROADBAND] = Some(hearing(taken).now()).filter(|db| db.is_finite());
    judged
}

async fn together(rig: &Rig) -> Value {
    get(rig.address, "/api/v1/status").await.json()["now"].take()
}

#[tokio::test]
async fn a_status_says_what_pulses_together_could_have_shown() {
    let rig = Rig::new().await;
    rig.hub.stream(up());
    assert_eq!(together(&rig).await["together"], Value::Null);
    rig.hub.publish(&quiet(1));
    assert_eq!(together(&rig).await["together"], Value::Null);
    rig.hub.publish(&heard(2, 1));
    let few = "Together over 1 pulse: nothing; too few yet for lasting broadband to show.";
    assert_eq!(together(&rig).await["together"], few);
    rig.hub.publish(&heard(3, 40));
    let now = hearing(40).now();
    let more = hearing(40).values_for(0.1).map_or(0, |pulses| pulses - 40);
    assert!(now > 0.1 / 0.9 && now < 0.2 / 0.9 && more > 0, "{now} {more}");
    let wanted = format!(
        "Together over 40 pulses: nothing; lasting broadband would show from {now:+.2} dB; {more} more would hear down to +0.10 dB."
    );
    assert_eq!(together(&rig).await["together"], wanted.as_str());
    // Below what thirty baseline pulses ever allow only a longer baseline helps.
    rig.hub.publish(&heard(4, 600));
    let n = hearing(600).baseline_for(0.05, 600, 4096).unwrap();
    let said = together(&rig).await;
    let end = format!("not down to +0.05 dB with this baseline: record {n} pulses at 0.16 MPa.");
    assert!(said["together"].as_str().unwrap().ends_with(&end), "{said}");
}

#[tokio::test]
async fn a_status_names_what_is_established() {
    let rig = Rig::new().await;
    rig.hub.stream(up());
    let mut judged = heard(7, 40);
    let established = Established {
        quantity: Quantity::Ultraharmonic,
        pulse: 5,
        channel: Channel::One(0),
        drive: Drive::Known(0.16),
        excess_db: 0.42,
        within_db: 0.11,
    };
    let row = judged.judgement.rows.last_mut().unwrap();
    row.established[Quantity::Ultraharmonic] = Some(established);
    rig.hub.publish(&judged);
    let now = together(&rig).await;
    let words = "Together: ultraharmonic since pulse 5, +0.42 \u{b1} 0.11 dB at 0.16 MPa.";
    assert_eq!(now["together"], words);
    let wanted = json!([{"quantity": "ultraharmonic", "pulse": 5, "channel": 0,
        "drive_mpa": 0.16, "excess_db": 0.42, "within_db": 0.11}]);
    assert_eq!(now["established"], wanted);
    let rows = get(rig.address, "/api/v1/pulses").await.json();
    assert_eq!(rows["pulses"][0]["cumulative"], "ultraharmonic since 5");
}

#[tokio::test]
async fn how_long_to_listen_is_answered() {
    let rig = Rig::new().await;
    assert_eq!(get(rig.address, "/api/v1/listen?db=0.1").await.status, 404);
    rig.hub.publish(&heard(3, 40));
    for bad in ["0", "-1", "NaN", "inf"] {
        assert_eq!(
            get(rig.address, &format!("/api/v1/listen?db={bad}")).await.status,
            422,
            "{bad}"
        );
    }
    assert_eq!(get(rig.address, "/api/v1/listen").await.status, 400);
    let answer = get(rig.address, "/api/v1/listen?db=0.1").await.json();
    let pulses = hearing(40).values_for(0.1).unwrap();
    let wanted = json!({"now_db": hearing(40).now(), "pulses": pulses, "more": pulses - 40,
        "record": null});
    assert_eq!((&answer["pulse"], &answer["quantities"]["broadband"]), (&json!(3), &wanted));
    assert_eq!(answer["quantities"]["harmonic"], Value::Null);
    let heard = get(rig.address, "/api/v1/listen?db=1").await.json();
    assert_eq!(heard["quantities"]["broadband"]["more"], 0);
    let never = get(rig.address, "/api/v1/listen?db=0.03").await.json();
    let never = &never["quantities"]["broadband"];
    assert_eq!((&never["pulses"], &never["more"]), (&Value::Null, &Value::Null));
    assert_eq!(never["record"], json!(hearing(40).baseline_for(0.03, 600, 4096)));
    let hopeless = get(rig.address, "/api/v1/listen?db=0.0001").await.json();
    assert_eq!(hopeless["quantities"]["broadband"]["record"], Value::Null);
}

#[tokio::test]
async fn a_row_says_what_its_limits_rest_on() {
    let rig = Rig::new().await;
    let summary = Summary { n: 30, mean: 2.0, sd: 0.25 };
    let statistics = Reference::of_one(&BaselineSeries { summary, lag1: 0.0 }).unwrap();
    let known = QuantityReference {
        statistics,
        limit_db: 3.5,
        hear_db: 2.0,
        mean_level_db: -90.0,
        mean_power_v2: 1e-9,
        mean_net_v2: 0.0,
    };
    let mut judged = quiet(1);
    let row = judged.judgement.rows.last_mut().unwrap();
    row.reference = Some(Arc::new(ChannelReference {
        quantities: PerQuantity([None, None, None, Some(known)]),
        fundamental_db: None,
        noise_db: None,
        noise_level_db: None,
        wide_step: false,
        monitor_db: None,
        calibrated: Default::default(),
    }));
    rig.hub.publish(&judged);
    let rows = get(rig.address, "/api/v1/pulses").await.json();
    let basis = &rows["pulses"][0]["basis"];
    assert_eq!(basis["harmonic"], Value::Null);
    let phi = statistics.serial.phi;
    assert_eq!(basis["broadband"], json!({"n": 30, "k": 6.0, "phi": phi, "sd_db": 0.25}));
    // 1e-9 V² and 0.8 dB over it: closed form.
    let added = rows["pulses"][0]["broadband_hear_v2"].as_f64().unwrap();
    assert!((added - 1e-9 * (10_f64.powf(0.08) - 1.0)).abs() < 1e-22, "{added:e}");
}
