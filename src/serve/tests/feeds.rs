//! Followers and live feeds.

use std::sync::Arc;
use std::time::{Duration, Instant};

use serde_json::json;
use tokio::io::AsyncWriteExt;
use tokio::net::{TcpListener, TcpSocket};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use super::client::{Connection, Lines, Message, Socket, get};
use super::{
    Rig, SMALL, facts, note, pulse, quiet, raised, readings, row, told, up, with_channels, within,
};
use crate::detect::session::Judgement;
use crate::detect::{Channel, Severity, Stage, Verdict};
use crate::engine::Judged;
use crate::serve::door::serve_with;
use crate::serve::hub::Bounds;
use crate::serve::{Desk, Guard, Hub, Web, router};

#[tokio::test]
async fn a_follower_gets_rows_as_they_come() {
    let rig = Rig::new().await;
    rig.hub.publish(&quiet(0));
    rig.hub.publish(&quiet(1));
    let mut from_now = Lines::open(rig.address, "/api/v1/pulses/follow").await;
    let mut after = Lines::open(rig.address, "/api/v1/pulses/follow?after=0").await;
    assert_eq!(after.next().await.unwrap()["pulse"], 1);
    rig.hub.publish(&quiet(2));
    assert_eq!(from_now.next().await.unwrap()["pulse"], 2);
    assert_eq!(after.next().await.unwrap()["pulse"], 2);
    let status = get(rig.address, "/metrics").await;
    assert!(status.text().contains("\nsimmer_followers 2\n"));
    // The analysis ends: what is kept is given, then the answer ends.
    rig.hub.publish(&quiet(3));
    rig.hub.stopped();
    assert_eq!(from_now.next().await.unwrap()["pulse"], 3);
    assert_eq!(from_now.next().await, None);
}

#[tokio::test]
async fn a_late_follower_is_told_what_it_missed() {
    let rig = Rig::small().await;
    for number in 0..20 {
        rig.hub.publish(&quiet(number));
        rig.hub.publish(&note(&format!("event {number}")));
    }
    let mut pulses = Lines::open(rig.address, "/api/v1/pulses/follow?after=4").await;
    assert_eq!(pulses.next().await, Some(json!({"missed": 7})));
    assert_eq!(pulses.next().await.unwrap()["pulse"], 12);
    let mut events = Lines::open(rig.address, "/api/v1/events/follow?after=4").await;
    assert_eq!(events.next().await, Some(json!({"missed": 7})));
    assert_eq!(events.next().await.unwrap()["n"], 12);
    assert_eq!(rig.hub.events_missed(), 7);
}

#[tokio::test]
async fn readers_beyond_the_limit_are_refused_and_places_come_back() {
    let rig = Rig::small().await;
    let one = Lines::open(rig.address, "/api/v1/events/follow").await;
    let two = Lines::open(rig.address, "/api/v1/pulses/follow").await;
    let mut three = Socket::open(rig.address, "/api/v1/live").await;
    three.next_of("beat").await;
    let answer = get(rig.address, "/api/v1/events/follow").await;
    answer.is_problem(503);
    assert_eq!(answer.header("retry-after"), Some("1"));
    drop((one, two, three));
    // The daemon notices when it next writes: a beat, a line.
    within(async {
        while rig.hub.seat().is_none() {
            rig.hub.publish(&note("anyone there"));
            tokio::task::yield_now().await;
        }
    })
    .await;
}

#[tokio::test]
async fn the_feed_begins_with_head_and_history() {
    let rig = Rig::new().await;
    rig.hub.stream(up());
    for number in 40..43 {
        rig.hub.publish(&quiet(number));
    }
    let mut page = Socket::open(rig.address, "/api/v1/live").await;
    let Some(Message::Text(head)) = page.next().await else { panic!("no head") };
    assert_eq!(head["is"], "head");
    for key in [
        "simmer",
        "run",
        "live",
        "source",
        "caution",
        "drive_frequency_hz",
        "repetition_hz",
        "pulse_s",
        "drive_means",
        "expected_pulses",
        "false_alarms_per_exposure",
        "channels",
        "channel",
        "sign_of_life",
        "stable_from",
        "missing_after_s",
        "bin_hz",
        "bins",
        "bands",
        "alarms",
        "subject",
    ] {
        assert!(head.get(key).is_some(), "{key}");
    }
    assert_eq!((&head["channel"], &head["channels"]), (&json!(0), &json!([0])));
    assert_eq!(head["bins"], 2001);
    assert_eq!(head["missing_after_s"], 0.5);
    // The phantom's subharmonic: 0.35 MHz within 15 kHz
    let lines = head["bands"]["lines"].as_array().unwrap();
    let subharmonic = lines.iter().find(|line| line["quantity"] == "subharmonic").unwrap();
    assert_eq!((&subharmonic["order"], &subharmonic["low_hz"]), (&json!(0.5), &json!(335e3)));
    assert_eq!(subharmonic["high_hz"], 365e3);
    let mut seen = Vec::new();
    while seen.len() < 6 {
        match page.next().await.unwrap() {
            Message::Text(text) if text["is"] == "rows" => {
                seen.push((
                    text["n"].as_u64().unwrap(),
                    text["rows"][0]["pulse"].as_u64().unwrap(),
                ));
            }
            Message::Binary(bytes) => {
                let whole = |at: usize| u64::from_le_bytes(bytes[at..at + 8].try_into().unwrap());
                let half = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap());
                assert_eq!((half(16), half(20)), (0, 2001));
                assert_eq!(bytes.len(), 24 + 4 * 2001);
                let db = f32::from_le_bytes(bytes[24..28].try_into().unwrap());
                // 10·log10(1e-14) = -140
                assert!((db + 140.0).abs() < 1e-4, "{db}");
                seen.push((whole(0), whole(8)));
            }
            _ => {}
        }
    }
    assert_eq!(seen, [(0, 40), (0, 40), (1, 41), (1, 41), (2, 42), (2, 42)]);
}

#[tokio::test]
async fn beats_come_without_pulses() {
    let rig = Rig::new().await;
    let mut page = Socket::open(rig.address, "/api/v1/live").await;
    page.next_of("beat").await;
    let began = Instant::now();
    for _ in 0..4 {
        let beat = page.next_of("beat").await;
        assert_eq!(beat["status"]["now"]["word"], "WAITING");
    }
    // Four in a second: the fifth comes a second after the first, never sooner.
    assert!(began.elapsed() >= Duration::from_millis(900), "{:?}", began.elapsed());
}

#[tokio::test]
async fn an_event_overtakes_the_history() {
    let bounds = Bounds { pulses: 3000, rows: 3000, ..SMALL };
    let hub = Hub::with_bounds(facts(), None, 1 << 26, bounds);
    for number in 0..3000 {
        hub.publish(&quiet(number));
    }
    let rig = Rig::with(hub, None, Web::Embedded).await;
    let mut page = Socket::open(rig.address, "/api/v1/live").await;
    let first = page.next_of("rows").await;
    // The newest 2000
    assert_eq!(first["n"], 1000);
    rig.hub.publish(&told(raised(1, "inertial", Severity::Stop)));
    let mut rows = 0;
    loop {
        match page.next().await.unwrap() {
            Message::Text(text) if text["is"] == "event" => {
                assert_eq!(text["event"]["event"], "alarm raised");
                break;
            }
            Message::Text(text) if text["is"] == "rows" => rows += 1,
            _ => {}
        }
    }
    // What lay in the buffers of the connection came first, the rest of the history did not.
    assert!(rows < 1999, "{rows}");
    let mut last = first["n"].as_u64().unwrap() + rows;
    while last < 2999 {
        last = page.next_of("rows").await["n"].as_u64().unwrap();
    }
}

#[tokio::test]
async fn an_event_comes_before_the_rows_of_its_pulse() {
    let rig = Rig::new().await;
    let mut page = Socket::open(rig.address, "/api/v1/live").await;
    page.next_of("beat").await;
    let mut judged = quiet(7);
    judged.judgement.events = told(raised(1, "inertial", Severity::Stop)).judgement.events;
    rig.hub.publish(&judged);
    let mut order = Vec::new();
    while order.len() < 2 {
        if let Some(Message::Text(text)) = page.next().await
            && (text["is"] == "event" || text["is"] == "rows")
        {
            order.push(text["is"].clone());
        }
    }
    assert_eq!(order, ["event", "rows"]);
    let beat = page.next_of("beat").await;
    assert_eq!(beat["status"]["alarms"][0]["name"], "inertial");
}

#[tokio::test]
async fn the_feed_says_goodbye() {
    let rig = Rig::new().await;
    let mut page = Socket::open(rig.address, "/api/v1/live").await;
    let mut lines = Lines::open(rig.address, "/api/v1/pulses/follow").await;
    page.next_of("beat").await;
    let began = Instant::now();
    rig.stop.cancel();
    page.next_of("bye").await;
    let Some(Message::Close(code)) = page.next().await else { panic!("no close") };
    // RFC 6455 §7.4.1: 1001, going away
    assert_eq!(code, 1001);
    assert_eq!(lines.next().await, None);
    assert!(began.elapsed() < Duration::from_secs(1), "{:?}", began.elapsed());
    page.send(8, &1001_u16.to_be_bytes()).await;
    drop(page);
    within(rig.serving).await.unwrap().unwrap();
    assert!(began.elapsed() < Duration::from_secs(2), "{:?}", began.elapsed());
}

#[tokio::test]
async fn serving_ends_though_peers_do_nothing() {
    let rig = Rig::new().await;
    let mut page = Socket::open(rig.address, "/api/v1/live").await;
    page.next_of("beat").await;
    // A request that never ends, and a page that never answers
    let mut half = tokio::net::TcpStream::connect(rig.address).await.unwrap();
    half.write_all(b"POST /api/v1/marks HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 9\r\n\r\n")
        .await
        .unwrap();
    let began = Instant::now();
    rig.stop.cancel();
    within(rig.serving).await.unwrap().unwrap();
    assert!(began.elapsed() < Duration::from_secs(2), "{:?}", began.elapsed());
}

#[tokio::test]
async fn what_a_page_sends_is_passed_over_unless_it_is_too_long() {
    let rig = Rig::new().await;
    let mut page = Socket::open(rig.address, "/api/v1/live").await;
    page.send(1, b"{\"do\":\"nothing\"}").await;
    page.send(2, &[0; 60_000]).await;
    page.send(9, b"ping").await;
    page.next_of("beat").await;
    page.next_of("beat").await;
    page.send(2, &vec![0; 70_000]).await;
    while page.next().await.is_some_and(|message| !matches!(message, Message::Close(_))) {}
    within(async {
        while rig.hub.readers.pages.load(std::sync::atomic::Ordering::Relaxed) > 0 {
            tokio::task::yield_now().await;
        }
    })
    .await;
}

/// A page that shook hands and reads nothing, with a small window.
async fn sleeper(rig_address: std::net::SocketAddr) -> tokio::net::TcpStream {
    let socket = TcpSocket::new_v4().unwrap();
    socket.set_recv_buffer_size(4096).unwrap();
    let mut stream = socket.connect(rig_address).await.unwrap();
    let request = format!(
        "GET /api/v1/live HTTP/1.1\r\nHost: {rig_address}\r\nConnection: Upgrade\r\n\
         Upgrade: websocket\r\nSec-WebSocket-Version: 13\r\n\
         Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
    );
    stream.write_all(request.as_bytes()).await.unwrap();
    stream
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_sleeping_page_holds_up_nobody() {
    let rig = Rig::small().await;
    let asleep = sleeper(rig.address).await;
    let mut awake = Socket::open(rig.address, "/api/v1/live").await;
    awake.next_of("beat").await;
    let hub = Arc::clone(&rig.hub);
    let publishing = tokio::task::spawn_blocking(move || {
        for number in 0..3000 {
            hub.publish(&quiet(number));
            hub.publish(&note("an event"));
        }
    });
    within(publishing).await.unwrap();
    // The sleeper has kept nothing but the rings in memory.
    let status = get(rig.address, "/api/v1/status").await.json();
    assert_eq!(status["kept"]["rows"], 8);
    assert_eq!(status["pulses"], 3000);
    // Whoever is awake gets to the newest, and is told what it missed, if anything.
    let (mut told, mut got) = (0, 0);
    loop {
        match awake.next().await.unwrap() {
            Message::Text(text) if text["is"] == "missed" => {
                told += text["pulses"].as_u64().unwrap();
            }
            Message::Text(text) if text["is"] == "rows" => {
                got += 1;
                if text["n"] == 2999 {
                    break;
                }
            }
            _ => {}
        }
    }
    assert_eq!(told + got, 3000);
    drop(asleep);
}

#[tokio::test]
async fn a_peer_that_takes_nothing_is_given_up() {
    let hub = Hub::with_bounds(facts(), None, 1 << 16, SMALL);
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let stop = CancellationToken::new();
    let (acts_in, _acts) = mpsc::channel(1);
    let guard = Guard::new(address, None);
    let routes = router(Arc::clone(&hub), Desk::new(acts_in), Web::Embedded, guard, stop.clone());
    let patience = Duration::from_millis(100);
    let serving = tokio::spawn(serve_with(listener, routes, stop.clone(), patience));
    let asleep = sleeper(address).await;
    let (line, head) = Connection::open(address, "/api/v1/events/follow", "").await;
    assert!(head.starts_with("HTTP/1.1 200 "));
    let pages = || hub.readers.pages.load(std::sync::atomic::Ordering::Relaxed);
    let followers = || hub.readers.followers.load(std::sync::atomic::Ordering::Relaxed);
    within(async {
        while pages() == 0 || followers() == 0 {
            tokio::task::yield_now().await;
        }
        // Both take nothing from here on: windows fill, patience ends, places come back.
        let text = "x".repeat(100_000);
        while pages() > 0 || followers() > 0 {
            hub.publish(&note(&text));
            tokio::task::yield_now().await;
        }
    })
    .await;
    drop((asleep, line));
    stop.cancel();
    within(serving).await.unwrap().unwrap();
}

#[tokio::test]
async fn many_channels_come_with_the_spectrum_of_one() {
    let hub = Hub::new(with_channels(128), None, 1 << 24);
    hub.stream(up());
    let rig = Rig::with(hub, None, Web::Embedded).await;
    let mut page = Socket::open(rig.address, "/api/v1/live?channel=127").await;
    assert_eq!(page.next_of("head").await["channel"], 127);
    let pulse = pulse(5, Stage::Exposure);
    let mut rows: Vec<_> = (0..128)
        .map(|c| row(&pulse, Channel::One(c), Some(Verdict::Indeterminate), "dead channel"))
        .collect();
    rows.push(row(&pulse, Channel::All, Some(Verdict::NotDetected), ""));
    let judged = Judged {
        judgement: Judgement { rows, ..Judgement::default() },
        readings: readings(128, facts().bins),
        pulse: Some(pulse),
    };
    for _ in 0..20 {
        rig.hub.publish(&judged);
    }
    let rows = page.next_of("rows").await;
    assert_eq!(rows["rows"].as_array().unwrap().len(), 129);
    assert_eq!(rows["rows"][128]["channel"], "all");
    let bytes = loop {
        if let Some(Message::Binary(bytes)) = page.next().await {
            break bytes;
        }
    };
    assert_eq!(u32::from_le_bytes(bytes[16..20].try_into().unwrap()), 127);
    let db = f32::from_le_bytes(bytes[24..28].try_into().unwrap());
    // 10·log10(128e-14) = -118.928, COMPUTED with SciPy: 10*numpy.log10(128e-14)
    assert!((db + 118.927_9).abs() < 1e-3, "{db}");
    let status = get(rig.address, "/api/v1/status").await.json();
    assert_eq!(status["now"]["hearing"], true);
    assert_eq!(status["now"]["not_hearing"].as_array().unwrap().len(), 128);
    assert_eq!(status["last"]["channel"], "all");
    // 16 MiB hold sixteen pulses of 128 spectra of 2001 bins.
    assert_eq!(status["kept"]["spectra"], 16);
    let one = get(rig.address, "/api/v1/pulses?limit=1").await.json();
    assert_eq!(one["pulses"].as_array().map(Vec::len), Some(129));
}
