//! The routes, what is checked before them, and answers about what is kept.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, Request, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde::Deserialize;
use serde_json::{Value, json};
use tokio::sync::OwnedSemaphorePermit;
use tokio_util::sync::CancellationToken;

use super::desk::Desk;
use super::guard::Guard;
use super::hub::Hub;
use super::problem::Problem;
use super::rings::PulseRecord;
use super::rows::append_row;
use super::snapshot::Snapshot;
use super::state::Running;
use super::status::status_json;
use super::together;
use super::tuning::{self, Shelf};
use super::web::Web;
use super::{follow, live, metrics, requests, web};
use crate::detect::Drive;
use crate::detect::baseline::SpectrumLook;

/// Pulses of one answer when nothing is said, and at most.
const LIMIT: (usize, usize) = (1000, 10_000);

/// Rows of one answer, about 16 MB: with several channels it holds fewer pulses.
const MOST_ROWS: usize = 10_000;

/// What every handler needs.
#[derive(Debug)]
pub(super) struct Room {
    pub(super) hub: Arc<Hub>,
    pub(super) desk: Desk,
    pub(super) web: Web,
    pub(super) guard: Guard,
    pub(super) stop: CancellationToken,
    pub(super) shelf: Shelf,
}

/// A place taken by a page or a follower, counted while it is held.
#[derive(Debug)]
pub(super) struct Seat {
    hub: Arc<Hub>,
    gauge: fn(&Hub) -> &AtomicU64,
    _permit: OwnedSemaphorePermit,
}

impl Seat {
    /// Takes a place.
    pub(super) fn take(hub: &Arc<Hub>, gauge: fn(&Hub) -> &AtomicU64) -> Result<Self, Problem> {
        let permit = hub.seat().ok_or_else(|| {
            let most = hub.most_readers();
            Problem::busy(format!("{most} pages and followers are served already"))
        })?;
        gauge(hub).fetch_add(1, Ordering::Relaxed);
        Ok(Self { hub: Arc::clone(hub), gauge, _permit: permit })
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        (self.gauge)(&self.hub).fetch_sub(1, Ordering::Relaxed);
    }
}

/// The whole interface. Open pages and followers end when `stop` is cancelled.
pub fn router(
    hub: Arc<Hub>,
    desk: Desk,
    web: Web,
    guard: Guard,
    stop: CancellationToken,
) -> Router {
    let room = Arc::new(Room { hub, desk, web, guard, stop, shelf: Shelf::default() });
    let api = Router::new()
        .route("/status", get(status))
        .route("/pulses", get(pulses))
        .route("/pulses/follow", get(follow::pulses))
        .route("/events", get(events))
        .route("/events/follow", get(follow::events))
        .route("/spectrum", get(spectrum))
        .route("/exposures", get(exposures))
        .route("/listen", get(listen))
        .route("/tuning", post(tuning::view))
        .route("/tuning/sessions", get(tuning::sessions))
        .route("/alarms/{id}/acknowledge", post(requests::acknowledge))
        .route("/marks", post(requests::mark))
        .route("/stage", post(requests::stage))
        .route("/limits", get(limits).put(requests::limits))
        .route("/live", get(live::live));
    Router::new()
        .nest("/api/v1", api)
        .route("/healthz", get(healthz))
        .route("/readyz", get(readyz))
        .route("/metrics", get(metrics::metrics))
        .fallback(web::file)
        .method_not_allowed_fallback(not_allowed)
        .layer(middleware::from_fn_with_state(Arc::clone(&room), check))
        .with_state(room)
}

/// Guard before, headers after every request.
async fn check(State(room): State<Arc<Room>>, request: Request, next: Next) -> Response {
    let (parts, body) = request.into_parts();
    let (host, mut response) = match room.guard.place(&parts) {
        Err(problem) => (None, problem.into_response()),
        Ok(host) => {
            let response = match web::entered(&parts, &room.guard) {
                Some(entered) => entered.into_response(),
                None => match room.guard.admit(&parts) {
                    Ok(()) => next.run(Request::from_parts(parts, body)).await,
                    Err(problem) => problem.into_response(),
                },
            };
            (Some(host), response)
        }
    };
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_SECURITY_POLICY, policy(host.as_deref()));
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    response
}

/// What a page from here may load: only what comes from here, its own WebSocket included.
fn policy(host: Option<&str>) -> HeaderValue {
    let live = host.map(|host| format!(" ws://{host}")).unwrap_or_default();
    let policy = format!(
        "default-src 'self'; connect-src 'self'{live}; object-src 'none'; base-uri 'none'; \
         form-action 'self'; frame-ancestors 'none'"
    );
    // Only a Host that names an address or localhost gets here.
    HeaderValue::from_str(&policy).unwrap_or(HeaderValue::from_static("default-src 'self'"))
}

async fn not_allowed(request: Request) -> Problem {
    let (method, path) = (request.method(), request.uri().path());
    Problem::new(StatusCode::METHOD_NOT_ALLOWED, format!("{method} is not possible on {path}"))
}

/// A query whose faults are problems.
pub(super) fn asked<T>(query: Result<Query<T>, QueryRejection>) -> Result<T, Problem> {
    query.map(|Query(query)| query).map_err(|rejection| {
        Problem::bad(format!("the query cannot be used: {}", rejection.body_text()))
    })
}

async fn healthz(State(room): State<Arc<Room>>) -> Result<Json<Value>, Problem> {
    match &room.hub.state().running {
        Running::Failed(why) => Err(Problem::new(
            StatusCode::SERVICE_UNAVAILABLE,
            format!("the analysis has failed: {why}"),
        )),
        running => Ok(Json(json!({"running": *running == Running::Yes}))),
    }
}

async fn readyz(State(room): State<Arc<Room>>) -> Result<Json<Value>, Problem> {
    let why = Snapshot::of(&room.hub).unready();
    if why.is_empty() {
        Ok(Json(json!({"ready": true})))
    } else {
        Err(Problem::new(StatusCode::SERVICE_UNAVAILABLE, why.join("; ")))
    }
}

async fn status(State(room): State<Arc<Room>>) -> Json<Value> {
    Json(status_json(&room.hub))
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct PulsesAsked {
    after: Option<u64>,
    limit: Option<usize>,
}

async fn pulses(
    State(room): State<Arc<Room>>,
    query: Result<Query<PulsesAsked>, QueryRejection>,
) -> Result<Response, Problem> {
    let PulsesAsked { after, limit } = asked(query)?;
    let limit = limit.unwrap_or(LIMIT.0);
    if !(1..=LIMIT.1).contains(&limit) {
        return Err(Problem::bad(format!("limit is {limit}, must be 1 to {}", LIMIT.1)));
    }
    let (from, dropped) = after.map_or((0, 0), |after| room.hub.place_after(after));
    let batch = room.hub.pulses(from, limit, MOST_ROWS);
    let missed = if after.is_some() { dropped } else { 0 };
    // Some ten thousand rows take tens of milliseconds to write: not on a thread that waits for sockets.
    let body = tokio::task::spawn_blocking(move || pulses_body(&batch.items, missed));
    let body = body.await.map_err(|error| {
        Problem::new(StatusCode::INTERNAL_SERVER_ERROR, format!("rows were not written: {error}"))
    })?;
    Ok(([(header::CONTENT_TYPE, "application/json")], body).into_response())
}

fn pulses_body(records: &[Arc<PulseRecord>], missed: u64) -> Vec<u8> {
    let mut body = br#"{"pulses":["#.to_vec();
    for (place, row) in records.iter().flat_map(|record| &record.rows).enumerate() {
        if place > 0 {
            body.push(b',');
        }
        append_row(row, &mut body);
    }
    body.extend_from_slice(format!(r#"],"missed":{missed}}}"#).as_bytes());
    body
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct EventsAsked {
    after: Option<u64>,
}

async fn events(
    State(room): State<Arc<Room>>,
    query: Result<Query<EventsAsked>, QueryRejection>,
) -> Result<Response, Problem> {
    let EventsAsked { after } = asked(query)?;
    let from = after.map_or(0, |after| after.saturating_add(1));
    let batch = room.hub.events(from, usize::MAX);
    let missed = if after.is_some() { batch.missed } else { 0 };
    let events = batch.items.join(",");
    let body = format!(r#"{{"events":[{events}],"missed":{missed}}}"#);
    Ok(([(header::CONTENT_TYPE, "application/json")], body).into_response())
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct SpectrumAsked {
    pulse: u64,
    channel: Option<usize>,
}

async fn spectrum(
    State(room): State<Arc<Room>>,
    query: Result<Query<SpectrumAsked>, QueryRejection>,
) -> Result<Json<Value>, Problem> {
    let SpectrumAsked { pulse, channel } = asked(query)?;
    let facts = &room.hub.facts;
    let (channel, place) = requests::channel(facts, channel)?;
    let (spectra, look) = {
        let state = room.hub.state();
        let n = state.pulses.find(|record| record.pulse >= pulse);
        let record = state.pulses.get(n).filter(|record| record.pulse == pulse);
        let record =
            record.ok_or_else(|| Problem::not_found(format!("pulse {pulse} is not kept")))?;
        let spectra = state.spectra.get(n);
        let look =
            state.course.look(&record.target, record.drive_mpa, facts.detect.drive_tolerance);
        (spectra, look)
    };
    let spectra = spectra.ok_or_else(|| {
        Problem::not_found(format!("the spectrum of pulse {pulse} is no longer kept"))
    })?;
    let baseline = look.and_then(|look| {
        let of_channel = look.channels.get(place).filter(|of| !of.mean_db.is_empty())?;
        Some(baseline_json(look.drive, look.pulses, of_channel))
    });
    Ok(Json(json!({
        "pulse": pulse, "channel": channel, "bin_hz": facts.bin_hz,
        "density_db": numbers(live::density_db(&spectra, place, facts.bins)),
        "baseline": baseline,
    })))
}

fn baseline_json(drive: Drive, pulses: usize, look: &SpectrumLook) -> Value {
    json!({
        "drive_mpa": drive.mpa(), "pulses": pulses,
        "mean_db": numbers(look.mean_db.iter().copied()),
        "p05_db": numbers(look.p05_db.iter().copied()),
        "p95_db": numbers(look.p95_db.iter().copied()),
    })
}

/// Numbers with the digits of single precision; null where they are not finite.
fn numbers(values: impl Iterator<Item = f32>) -> Value {
    let number = |value: f32| {
        if value.is_finite() { json!((f64::from(value) * 1e3).round() / 1e3) } else { Value::Null }
    };
    values.map(number).collect()
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct ListenAsked {
    db: f64,
}

/// How long to listen to hear down to a level over the baseline.
async fn listen(
    State(room): State<Arc<Room>>,
    query: Result<Query<ListenAsked>, QueryRejection>,
) -> Result<Json<Value>, Problem> {
    let ListenAsked { db } = asked(query)?;
    if !(db.is_finite() && db > 0.0) {
        return Err(Problem::refused(format!("db is {db}, must be a finite number above 0")));
    }
    let newest = room.hub.state().heard.clone();
    let newest = newest.as_deref().and_then(PulseRecord::whole);
    let row = newest.ok_or_else(|| Problem::not_found("no exposure pulse has been heard yet"))?;
    Ok(Json(together::listen_json(row, db, room.hub.facts.detect.expected_pulses)))
}

async fn exposures(State(room): State<Arc<Room>>) -> Json<Value> {
    let exposures: Vec<Arc<Value>> = room.hub.state().exposures.iter().cloned().collect();
    let exposures: Vec<&Value> = exposures.iter().map(|exposure| &**exposure).collect();
    Json(json!({"exposures": exposures}))
}

async fn limits(State(room): State<Arc<Room>>) -> Json<Value> {
    let (limits, pending, before) = {
        let state = room.hub.state();
        (state.limits.clone(), state.course.pending(), state.limits_before.clone())
    };
    Json(requests::limits_value(&limits, &pending, &before))
}
