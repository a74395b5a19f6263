//! What people ask for: marks, stages, limits, acknowledgements.

use std::sync::Arc;
use std::time::Duration;

use axum::Json;
use axum::body::Body;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use futures_util::StreamExt;
use serde_json::{Value, json};

use super::facts::Facts;
use super::problem::Problem;
use super::routes::Room;
use crate::detect::{Act, AlarmSpec, Mark, MarkKind, Stage};
use crate::session::acts::{limits_from, limits_json, mark_from};

/// Longest body, bytes.
const MOST_BYTES: usize = 64 << 10;

/// How long a body may take to arrive.
const PATIENCE: Duration = Duration::from_secs(10);

/// Who says what pulses are for, when it is not the person at the monitor.
const SENDER: &str = "sender";

const FROM: &str = "the next pulse";

type Accepted = Result<(StatusCode, Json<Value>), Problem>;

/// The channel that is asked for, else the first used one, with its place among the used ones.
pub(super) fn channel(facts: &Facts, asked: Option<usize>) -> Result<(usize, usize), Problem> {
    let channel = asked.or_else(|| facts.channels.first().copied()).unwrap_or_default();
    match facts.place_of(channel) {
        Some(place) => Ok((channel, place)),
        None => {
            let used: Vec<String> = facts.channels.iter().map(ToString::to_string).collect();
            Err(Problem::bad(format!("channel is {channel}, must be one of {}", used.join(", "))))
        }
    }
}

pub(super) async fn body(body: Body) -> Result<Value, Problem> {
    let reading = async {
        let mut bytes = Vec::new();
        let mut stream = body.into_data_stream();
        while let Some(part) = stream.next().await {
            let part =
                part.map_err(|error| Problem::bad(format!("the body broke off: {error}")))?;
            if bytes.len() + part.len() > MOST_BYTES {
                let detail = format!("the body has more than {MOST_BYTES} bytes");
                return Err(Problem::new(StatusCode::PAYLOAD_TOO_LARGE, detail));
            }
            bytes.extend_from_slice(&part);
        }
        Ok(bytes)
    };
    let bytes = tokio::time::timeout(PATIENCE, reading).await.map_err(|_| {
        let detail = format!("the body took longer than {} s", PATIENCE.as_secs());
        Problem::new(StatusCode::REQUEST_TIMEOUT, detail)
    })??;
    serde_json::from_slice(&bytes)
        .map_err(|error| Problem::bad(format!("the body is no JSON: {error}")))
}

/// Notes an act as pending and hands it in; in this order, so that its event cannot come first.
async fn hand_in(room: &Room, act: Act) -> Result<(), Problem> {
    let place = room.desk.place().await?;
    room.hub.pending(&act);
    place.send(act);
    Ok(())
}

/// `POST /marks`.
pub(super) async fn mark(State(room): State<Arc<Room>>, request: Body) -> Accepted {
    let value = body(request).await?;
    let mark = mark_from(&value, 0).map_err(|fault| Problem::refused(fault.to_string()))?;
    if let MarkKind::Void(id) = mark.kind
        && !room.desk.has_mark(id)
    {
        return Err(Problem::refused(format!("void is {id}, no mark has that number")));
    }
    let place = room.desk.place().await?;
    let id = room.desk.next_mark();
    let act = Act::Mark(Mark { id: Some(id), ..mark });
    room.hub.pending(&act);
    place.send(act);
    Ok((StatusCode::ACCEPTED, Json(json!({"id": id, "holds_from": FROM}))))
}

/// `POST /stage`.
pub(super) async fn stage(State(room): State<Arc<Room>>, request: Body) -> Accepted {
    let value = body(request).await?;
    let object =
        value.as_object().ok_or_else(|| Problem::refused("the body must be a JSON object"))?;
    if let Some(key) = object.keys().find(|key| *key != "stage") {
        return Err(Problem::refused(format!("{key} is not known, must be stage")));
    }
    let asked = object.get("stage").cloned().unwrap_or_default();
    let stage = asked.as_str().and_then(Stage::from_name).ok_or_else(|| {
        Problem::refused(format!("stage is {asked}, must be noise, baseline or exposure"))
    })?;
    if room.hub.state().stream.stage_from == Some(SENDER) {
        return Err(Problem::new(StatusCode::CONFLICT, "the sender says what pulses are for"));
    }
    hand_in(&room, Act::Stage(stage)).await?;
    Ok((StatusCode::ACCEPTED, Json(json!({"stage": stage.name(), "holds_from": FROM}))))
}

/// `POST /alarms/{id}/acknowledge`.
pub(super) async fn acknowledge(
    State(room): State<Arc<Room>>,
    path: Result<Path<String>, PathRejection>,
) -> Result<Json<Value>, Problem> {
    let Path(text) = path.map_err(|rejection| Problem::bad(rejection.body_text()))?;
    let id = text.parse::<u64>().ok().filter(|id| room.hub.state().board.was_raised(*id));
    let id =
        id.ok_or_else(|| Problem::not_found(format!("no alarm {text} was raised in this run")))?;
    let known = room.hub.state().board.is_acknowledged(id);
    if !known {
        room.desk.take(Act::Acknowledge(id)).await?;
        // The person has said it: the page need not wait for the end of a pulse.
        room.hub.state().board.acknowledge(id);
    }
    Ok(Json(json!({"id": id, "acknowledged": true})))
}

/// `PUT /limits`.
pub(super) async fn limits(State(room): State<Arc<Room>>, request: Body) -> Accepted {
    let value = body(request).await?;
    let object =
        value.as_object().ok_or_else(|| Problem::refused("the body must be a JSON object"))?;
    if let Some(key) = object.keys().find(|key| *key != "alarms") {
        return Err(Problem::refused(format!("{key} is not known, must be alarms")));
    }
    let known = room.hub.state().limits.clone();
    let changed = limits_from(&value["alarms"], &known)
        .map_err(|fault| Problem::refused(fault.to_string()))?;
    if !changed.is_empty() {
        hand_in(&room, Act::Limits(Arc::clone(&changed))).await?;
    }
    let answer = json!({"alarms": limits_json(&changed), "holds_from": FROM});
    Ok((StatusCode::ACCEPTED, Json(answer)))
}

/// Limits that hold, those that hold from the next pulse on, and those the last change replaced.
pub(super) fn limits_value(limits: &[AlarmSpec], pending: &[Act], before: &[AlarmSpec]) -> Value {
    let waiting = pending.iter().filter_map(|act| match act {
        Act::Limits(alarms) => Some(alarms.iter().cloned()),
        _ => None,
    });
    let waiting: Vec<AlarmSpec> = waiting.flatten().collect();
    json!({
        "alarms": limits_json(limits), "pending": limits_json(&waiting),
        "before": limits_json(before),
    })
}
