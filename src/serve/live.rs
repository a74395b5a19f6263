//! The live feed: one WebSocket a page (RFC 6455).
//!
//! In every turn events are sent first, then a beat that is due, else part of one pulse: neither the
//! history nor a crowd of rows stands before an alarm, and a crowd of events hides no beat.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use axum::body::Bytes;
use axum::extract::rejection::QueryRejection;
use axum::extract::ws::rejection::WebSocketUpgradeRejection;
use axum::extract::ws::{CloseFrame, Message, WebSocket, WebSocketUpgrade, close_code};
use axum::extract::{Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::Response;
use futures_util::FutureExt;
use serde::Deserialize;
use serde_json::{Value, json};
use tokio::sync::watch;
use tokio::time::{Instant, sleep, sleep_until, timeout};
use tokio_util::sync::CancellationToken;

use super::hub::Hub;
use super::problem::Problem;
use super::requests;
use super::rings::PulseRecord;
use super::routes::{Room, Seat, asked};
use super::rows::append_row;
use super::status::status_json;

/// Between two beats.
const BEAT: Duration = Duration::from_millis(250);

/// Between two pings, and how long a page may stay without any sign.
const PING: Duration = Duration::from_secs(10);
const SILENCE: Duration = Duration::from_secs(35);

/// How long one message may take to be sent.
const PATIENCE: Duration = Duration::from_secs(30);

/// How long the farewell may take.
const FAREWELL: Duration = Duration::from_millis(500);

/// Pulses of the history, and about how many rows.
const HISTORY: (u64, usize) = (2000, 20_000);

/// Longest message of a page, bytes; none of them is looked at.
const MOST_BYTES: usize = 64 << 10;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct LiveAsked {
    channel: Option<usize>,
}

/// `GET /live`.
pub(super) async fn live(
    State(room): State<Arc<Room>>,
    query: Result<Query<LiveAsked>, QueryRejection>,
    upgrade: Result<WebSocketUpgrade, WebSocketUpgradeRejection>,
) -> Result<Response, Problem> {
    let LiveAsked { channel } = asked(query)?;
    let (channel, place) = requests::channel(&room.hub.facts, channel)?;
    // RFC 9110 §15.5.22: 426 says what to upgrade to.
    let upgrade = upgrade.map_err(|rejection| {
        Problem::new(StatusCode::UPGRADE_REQUIRED, rejection.body_text())
            .with(header::UPGRADE, HeaderValue::from_static("websocket"))
    })?;
    let seat = Seat::take(&room.hub, |hub| &hub.readers.pages)?;
    let page = Page::new(&room, (channel, place), seat);
    let upgrade = upgrade.max_message_size(MOST_BYTES).max_frame_size(MOST_BYTES);
    Ok(upgrade.on_upgrade(move |socket| page.serve(socket)))
}

/// One page's place in the rings.
struct Page {
    hub: Arc<Hub>,
    stop: CancellationToken,
    turns: watch::Receiver<u64>,
    channel: usize,
    place: usize,
    next_pulse: u64,
    next_event: u64,
    /// The spectrum of the pulse whose rows were sent last.
    spectrum: Option<Vec<u8>>,
    _seat: Seat,
}

/// The connection is over, for whatever reason.
struct Gone;

impl Page {
    fn new(room: &Room, (channel, place): (usize, usize), seat: Seat) -> Self {
        let hub = Arc::clone(&room.hub);
        let (_, next_event) = hub.ends();
        let next_pulse = history_begin(&hub);
        let (stop, turns) = (room.stop.clone(), hub.turns());
        Self {
            hub,
            stop,
            turns,
            channel,
            place,
            next_pulse,
            next_event,
            spectrum: None,
            _seat: seat,
        }
    }

    async fn serve(mut self, mut socket: WebSocket) {
        // Whichever way it went, the connection is over.
        self.talk(&mut socket).await.err();
    }

    async fn talk(&mut self, socket: &mut WebSocket) -> Result<(), Gone> {
        self.send(socket, Message::text(self.head())).await?;
        let (mut beat_at, mut ping_at) = (Instant::now(), Instant::now() + PING);
        let mut heard_at = Instant::now();
        loop {
            if self.stop.is_cancelled() {
                return self.farewell(socket).await;
            }
            // What the page sent, without waiting for it.
            if let Some(message) = socket.recv().now_or_never() {
                is_going_on(message.as_ref())?;
                heard_at = Instant::now();
            }
            if heard_at.elapsed() > SILENCE {
                return Err(Gone);
            }
            // Looked at before the rings, so that nothing published in between is overslept.
            self.turns.mark_unchanged();
            let events = self.next_events();
            for text in &events {
                self.send(socket, Message::text(text.as_str())).await?;
            }
            if Instant::now() >= beat_at {
                beat_at = Instant::now() + BEAT;
                let beat = json!({"is": "beat", "status": status_json(&self.hub)}).to_string();
                self.send(socket, Message::text(beat)).await?;
            } else if let Some(message) = self.next_pulse_part() {
                self.send(socket, message).await?;
            } else if Instant::now() >= ping_at {
                ping_at = Instant::now() + PING;
                self.send(socket, Message::Ping(Bytes::new())).await?;
            } else if events.is_empty() {
                tokio::select! {
                    () = self.stop.cancelled() => {}
                    message = socket.recv() => {
                        is_going_on(message.as_ref())?;
                        heard_at = Instant::now();
                    }
                    changed = self.turns.changed() => changed.map_err(|_| Gone)?,
                    () = sleep_until(beat_at.min(ping_at)) => {}
                }
            }
        }
    }

    /// Sends a message; a page that takes nothing for long is given up, at the end soon.
    async fn send(&self, socket: &mut WebSocket, message: Message) -> Result<(), Gone> {
        let end = async {
            self.stop.cancelled().await;
            sleep(FAREWELL).await;
        };
        tokio::select! {
            sent = timeout(PATIENCE, socket.send(message)) => match sent {
                Ok(Ok(())) => Ok(()),
                Ok(Err(_)) | Err(_) => Err(Gone),
            },
            () = end => Err(Gone),
        }
    }

    /// The last events, `bye`, and a close frame: RFC 6455 §7.4.1, 1001 going away.
    async fn farewell(&mut self, socket: &mut WebSocket) -> Result<(), Gone> {
        let close = CloseFrame { code: close_code::AWAY, reason: "the daemon stops".into() };
        let words = self.next_events().into_iter().map(Message::text);
        let bye = Message::text(json!({"is": "bye"}).to_string());
        let all: Vec<Message> = words.chain([bye, Message::Close(Some(close))]).collect();
        let sending = async {
            for message in all {
                socket.send(message).await.map_err(|_| Gone)?;
            }
            // The page answers with a close frame of its own.
            while let Some(Ok(_)) = socket.recv().await {}
            Ok(())
        };
        timeout(FAREWELL, sending).await.unwrap_or(Err(Gone))
    }

    fn head(&self) -> String {
        let mut head = serde_json::Map::new();
        head.insert("is".into(), json!("head"));
        head.insert("run".into(), json!(self.hub.run));
        head.insert("channel".into(), json!(self.channel));
        head.extend(self.hub.facts.head.clone());
        Value::Object(head).to_string()
    }

    /// Events that came since, and what was missed of them.
    fn next_events(&mut self) -> Vec<String> {
        let batch = self.hub.events(self.next_event, 64);
        self.next_event = batch.next;
        let mut texts = Vec::new();
        if batch.missed > 0 {
            self.hub.readers.events_missed.fetch_add(batch.missed, Ordering::Relaxed);
            texts.push(missed(0, batch.missed));
        }
        let events = batch.items.iter();
        texts.extend(events.map(|event| format!(r#"{{"is":"event","event":{event}}}"#)));
        texts
    }

    /// The spectrum of the pulse before, else the next pulse's rows.
    fn next_pulse_part(&mut self) -> Option<Message> {
        match self.spectrum.take() {
            Some(bytes) => Some(Message::Binary(bytes.into())),
            None => self.next_rows().map(Message::text),
        }
    }

    /// The next pulse's rows, or what was missed; its spectrum waits to follow.
    fn next_rows(&mut self) -> Option<String> {
        let batch = self.hub.pulses(self.next_pulse, 1, usize::MAX);
        if batch.missed > 0 {
            self.next_pulse += batch.missed;
            self.hub.readers.pulses_missed.fetch_add(batch.missed, Ordering::Relaxed);
            return Some(missed(batch.missed, 0));
        }
        let record = batch.items.first()?;
        self.next_pulse = batch.next;
        let spectra = self.hub.state().spectra.get(record.n);
        self.spectrum = spectra.map(|spectra| self.spectrum_message(record, &spectra));
        Some(rows_message(record))
    }

    /// u64 n, u64 pulse, u32 channel, u32 bins, then bins float32, little-endian.
    fn spectrum_message(&self, record: &PulseRecord, spectra: &[f32]) -> Vec<u8> {
        let bins = self.hub.facts.bins;
        let mut bytes = Vec::with_capacity(24 + 4 * bins);
        bytes.extend_from_slice(&record.n.to_le_bytes());
        bytes.extend_from_slice(&record.pulse.to_le_bytes());
        for number in [self.channel, bins] {
            // Channels and bins of a plan are far below 2^32.
            bytes.extend_from_slice(&u32::try_from(number).unwrap_or(u32::MAX).to_le_bytes());
        }
        for db in density_db(spectra, self.place, bins) {
            bytes.extend_from_slice(&db.to_le_bytes());
        }
        bytes
    }
}

/// A channel's density, dB re 1 V²/Hz; NaN where it has no level.
pub(super) fn density_db(
    spectra: &[f32],
    place: usize,
    bins: usize,
) -> impl Iterator<Item = f32> + '_ {
    let of_channel = spectra.get(place * bins..(place + 1) * bins).unwrap_or_default();
    of_channel.iter().map(|density| {
        let db = 10.0 * density.log10();
        if db.is_finite() { db } else { f32::NAN }
    })
}

/// Where the history begins: the newest pulses that are not too many rows.
fn history_begin(hub: &Hub) -> u64 {
    let state = hub.state();
    let (mut begin, mut rows) = (state.pulses.end(), 0);
    for record in state.pulses.iter().rev() {
        rows += record.rows.len();
        if state.pulses.end() - begin >= HISTORY.0 || rows > HISTORY.1 {
            break;
        }
        begin -= 1;
    }
    begin
}

fn rows_message(record: &PulseRecord) -> String {
    let mut text = format!(r#"{{"is":"rows","n":{},"rows":["#, record.n).into_bytes();
    for (place, row) in record.rows.iter().enumerate() {
        if place > 0 {
            text.push(b',');
        }
        append_row(row, &mut text);
    }
    text.extend_from_slice(b"]}");
    // JSON is UTF-8.
    String::from_utf8(text).unwrap_or_default()
}

fn missed(pulses: u64, events: u64) -> String {
    json!({"is": "missed", "pulses": pulses, "events": events}).to_string()
}

/// Whatever a page sends is passed over, unless it goes.
fn is_going_on(message: Option<&Result<Message, axum::Error>>) -> Result<(), Gone> {
    match message {
        None | Some(Err(_) | Ok(Message::Close(_))) => Err(Gone),
        Some(Ok(_)) => Ok(()),
    }
}
