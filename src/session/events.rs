//! `events.ndjson`: what happened, one JSON object a line.

use serde_json::{Map, Value, json};

use super::acts;
use crate::detect::{Channel, Established, Event, What};

/// One event as a JSON object: what, at which pulse, when, and what belongs to it.
#[must_use]
pub fn event_json(event: &Event) -> Value {
    let mut object = Map::new();
    object.insert("event".into(), Value::Null);
    object.insert("pulse".into(), json!(event.pulse));
    object.insert("time_s".into(), json!(event.time_s));
    object.insert("target".into(), json!(&*event.target));
    let Value::Object(what) = what_json(&event.what) else { return Value::Object(object) };
    object.extend(what);
    Value::Object(object)
}

fn channel_json(channel: Option<Channel>) -> Value {
    match channel {
        None => Value::Null,
        Some(Channel::All) => json!("all"),
        Some(Channel::One(channel)) => json!(channel),
    }
}

/// What pulses together have established, as JSON.
#[must_use]
pub fn established_json(found: &Established) -> Map<String, Value> {
    let fields = json!({
        "quantity": found.quantity.name(), "pulse": found.pulse,
        "channel": channel_json(Some(found.channel)), "drive_mpa": found.drive.mpa(),
        "excess_db": found.excess_db, "within_db": found.within_db,
    });
    let Value::Object(fields) = fields else { return Map::new() };
    fields
}

fn what_json(what: &What) -> Value {
    match what {
        What::Stage { stage, by } => {
            json!({"event": "stage", "stage": stage.name(), "by": by.name()})
        }
        What::Stream { name } => json!({"event": "stream", "name": &**name}),
        What::BaselineClosed { drives, since_injection_s, looks: _ } => {
            let drives: Vec<Value> = drives
                .iter()
                .map(|(drive, pulses)| json!({"drive_mpa": drive.mpa(), "pulses": pulses}))
                .collect();
            json!({"event": "baseline closed", "drives": drives,
                   "since_injection_s": since_injection_s})
        }
        What::BaselineKept { pulses } => json!({
            "event": "baseline kept", "pulses": pulses,
            "text": format!("the new baseline has {pulses} pulses at most and 10 are needed; the old one stays")
        }),
        What::ExposureBegan { exposure } => {
            json!({"event": "exposure began", "exposure": exposure})
        }
        What::Established(found) => {
            let mut object = established_json(found);
            object.insert("event".into(), json!("established"));
            Value::Object(object)
        }
        What::ExposureEnded { summary } => json!({
            "event": "exposure ended", "exposure": summary.exposure,
            "received": summary.received, "ended_by": summary.ended_by
        }),
        What::AlarmRaised { id, name, severity, cause, channel, sinks } => json!({
            "event": "alarm raised", "id": id, "name": &**name, "severity": severity.name(),
            "cause": cause, "channel": channel_json(*channel), "sinks": &**sinks
        }),
        What::AlarmOver { id, name } => {
            json!({"event": "alarm over", "id": id, "name": &**name})
        }
        What::PulseMissing { missing } => json!({"event": "pulse missing", "missing": missing}),
        What::AlarmAcknowledged { id, name, after_pulse } => json!({
            "event": "alarm acknowledged", "id": id, "name": &**name, "after_pulse": after_pulse
        }),
        What::Mark { mark, number } => acts::mark_json(mark, *number),
        What::Limits { alarms } => json!({"event": "limits", "alarms": acts::limits_json(alarms)}),
        What::Gap { text } => json!({"event": "gap", "text": text}),
        What::Warning { text } => json!({"event": "warning", "text": text}),
    }
}
