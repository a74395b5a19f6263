//! The status as JSON.

use std::sync::atomic::Ordering;

use serde_json::{Value, json};

use super::alarms::Alarm;
use super::course::{self, BaselineCount};
use super::facts::Facts;
use super::hub::{Hub, StreamCounts};
use super::rings::PulseRecord;
use super::rows::{ChannelJson, row_value};
use super::snapshot::{Margin, Snapshot};
use super::state::{Running, StreamView};
use super::together;
use super::words;
use crate::detect::Row;
use crate::session::per_quantity_json;

/// The status as JSON.
pub(super) fn status_json(hub: &Hub) -> Value {
    let snapshot = Snapshot::of(hub);
    let facts = &hub.facts;
    let now = snapshot.now(facts);
    let why = snapshot.go_ahead(facts);
    let last = snapshot.last.as_deref();
    let whole = last.and_then(PulseRecord::whole);
    let not_hearing: Vec<Value> = now
        .not_hearing
        .iter()
        .map(|(channel, why)| json!({"channel": ChannelJson(*channel), "why": why}))
        .collect();
    let alarms: Vec<Value> =
        snapshot.alarms.iter().filter(|alarm| alarm.on_page).map(Alarm::json).collect();
    json!({
        "running": snapshot.running == Running::Yes,
        "live": facts.live,
        "stream": stream_json(&snapshot.stream),
        "stage": last.map(|last| last.stage.name()),
        "target": last.map_or("", |last| &*last.target),
        "paused": snapshot.rests(),
        "exposure": exposure_json(&snapshot, facts),
        "last_pulse": last.map(|last| last.pulse),
        "pulses": snapshot.pulses,
        "now": {
            "word": now.word, "sentence": now.sentence, "hearing": now.hearing,
            "not_hearing": not_hearing,
            "together": snapshot.together(facts), "established": together::established_json(whole),
        },
        "last": row_value(whole),
        "margin": margin_json(snapshot.margin(facts)),
        "injection": injection_json(&snapshot, whole),
        "pending": snapshot.pending.iter().map(course::pending_json).collect::<Vec<_>>(),
        "excess_dose_v2s": dose_json(whole),
        "go_ahead": {"go_on": why.is_empty(), "why": why},
        "alarms": alarms,
        "baseline": snapshot.baselines.iter().map(baseline_json).collect::<Vec<_>>(),
        "account": account_json(&snapshot.counts),
        "kept": {
            "rows": snapshot.rows_kept, "spectra": snapshot.spectra_kept.0,
            "spectra_bytes": snapshot.spectra_kept.1,
        },
        "folder": {"path": snapshot.folder.0, "failed": snapshot.folder.1},
        "missed": {
            "pulses": hub.readers.pulses_missed.load(Ordering::Relaxed),
            "events": hub.readers.events_missed.load(Ordering::Relaxed),
        },
    })
}

fn stream_json(stream: &StreamView) -> Value {
    json!({
        "state": stream.state, "name": stream.name, "device": stream.device,
        "stage_from": stream.stage_from,
    })
}

fn exposure_json(snapshot: &Snapshot, facts: &Facts) -> Value {
    snapshot.exposure.map_or(Value::Null, |exposure| {
        json!({
            "number": exposure.number, "received": exposure.received,
            "expected": facts.detect.expected_pulses, "missing": exposure.missing,
        })
    })
}

fn margin_json(margin: Option<Margin<'_>>) -> Value {
    margin.map_or(Value::Null, |Margin { alarm, quantity, channel, db }| {
        json!({
            "alarm": alarm, "quantity": quantity.name(), "channel": ChannelJson(channel), "db": db,
        })
    })
}

fn injection_json(snapshot: &Snapshot, whole: Option<&Row>) -> Value {
    let since_s = whole.and_then(|row| row.since_injection_s);
    match (&snapshot.injection, since_s) {
        (Some(injection), Some(since_s)) => json!({
            "number": injection.number, "since_s": since_s, "agent": injection.agent,
            "volume_ul": injection.volume_ul,
        }),
        _ => Value::Null,
    }
}

fn dose_json(whole: Option<&Row>) -> Value {
    let doses = whole.map(|row| row.excess_dose_v2s).unwrap_or_default();
    if doses.0.iter().all(Option::is_none) {
        return Value::Null;
    }
    per_quantity_json(&doses)
}

fn baseline_json(count: &BaselineCount) -> Value {
    json!({
        "target": &*count.target, "drive_mpa": count.drive.mpa(), "pulses": count.pulses,
        "wanted": words::WANTED, "needed": words::NEEDED, "in_use": count.in_use,
    })
}

fn account_json(counts: &StreamCounts) -> Value {
    json!({
        "received": counts.received, "lost": counts.lost, "frames_lost": counts.frames_lost,
        "crc": counts.crc, "late": counts.late, "duplicates": counts.duplicates,
        "unfinished": counts.unfinished,
    })
}
