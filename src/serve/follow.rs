//! Followers: rows or events as they come, a JSON value a line.

use std::convert::Infallible;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use axum::body::{Body, Bytes};
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use futures_util::stream;
use serde::Deserialize;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use super::hub::Hub;
use super::problem::Problem;
use super::routes::{Room, Seat, asked};
use super::rows::append_row;

/// What is written at a time.
const PULSES: usize = 64;
const ROWS: usize = 256;
const EVENTS: usize = 256;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Lines {
    Pulses,
    Events,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FollowAsked {
    after: Option<u64>,
}

type Asked = Result<Query<FollowAsked>, QueryRejection>;

/// `GET /pulses/follow`.
pub(super) async fn pulses(
    State(room): State<Arc<Room>>,
    query: Asked,
) -> Result<Response, Problem> {
    let FollowAsked { after } = asked(query)?;
    let (from, missed) = match after {
        Some(after) => room.hub.place_after(after),
        None => (room.hub.ends().0, 0),
    };
    follow(&room, Lines::Pulses, from, missed)
}

/// `GET /events/follow`.
pub(super) async fn events(
    State(room): State<Arc<Room>>,
    query: Asked,
) -> Result<Response, Problem> {
    let FollowAsked { after } = asked(query)?;
    let from = after.map_or_else(|| room.hub.ends().1, |after| after.saturating_add(1));
    follow(&room, Lines::Events, from, 0)
}

fn follow(room: &Room, lines: Lines, place: u64, missed: u64) -> Result<Response, Problem> {
    let hub = Arc::clone(&room.hub);
    let seat = Seat::take(&hub, |hub| &hub.readers.followers)?;
    let turns = hub.turns();
    let follower =
        Follower { hub, lines, place, missed, turns, stop: room.stop.clone(), _seat: seat };
    let body = Body::from_stream(stream::unfold(follower, Follower::next));
    Ok(([(header::CONTENT_TYPE, "application/x-ndjson")], body).into_response())
}

struct Follower {
    hub: Arc<Hub>,
    lines: Lines,
    place: u64,
    /// Passed over and not said yet.
    missed: u64,
    turns: watch::Receiver<u64>,
    stop: CancellationToken,
    _seat: Seat,
}

impl Follower {
    /// The next lines; ends with the daemon or the analysis, after what is kept.
    async fn next(mut self) -> Option<(Result<Bytes, Infallible>, Self)> {
        loop {
            if self.stop.is_cancelled() {
                return None;
            }
            // Looked at before the rings, so that nothing published in between is overslept.
            self.turns.mark_unchanged();
            let running = self.hub.is_running();
            let lines = self.lines();
            if !lines.is_empty() {
                return Some((Ok(lines.into()), self));
            }
            if !running {
                return None;
            }
            tokio::select! {
                () = self.stop.cancelled() => return None,
                changed = self.turns.changed() => changed.ok()?,
            }
        }
    }

    fn lines(&mut self) -> Vec<u8> {
        let mut text = Vec::new();
        let missed = match self.lines {
            Lines::Pulses => {
                let batch = self.hub.pulses(self.place, PULSES, ROWS);
                self.place = batch.next;
                for row in batch.items.iter().flat_map(|record| &record.rows) {
                    append_row(row, &mut text);
                    text.push(b'\n');
                }
                self.hub.readers.pulses_missed.fetch_add(batch.missed, Ordering::Relaxed);
                batch.missed
            }
            Lines::Events => {
                let batch = self.hub.events(self.place, EVENTS);
                // A place ahead of the newest event waits for it.
                self.place = batch.next;
                for event in &batch.items {
                    text.extend_from_slice(event.as_bytes());
                    text.push(b'\n');
                }
                self.hub.readers.events_missed.fetch_add(batch.missed, Ordering::Relaxed);
                batch.missed
            }
        };
        let missed = std::mem::take(&mut self.missed) + missed;
        if missed > 0 {
            let said = format!("{{\"missed\":{missed}}}\n");
            text.splice(0..0, said.into_bytes());
        }
        text
    }
}
