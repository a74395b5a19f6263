//! Numbers for monitoring, in the Prometheus text exposition format, version 0.0.4.

use std::fmt::Write as _;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};

use super::hub::Hub;
use super::routes::Room;
use super::snapshot::Snapshot;
use super::state::Tally;

/// Verdicts in the order of the tally.
const VERDICTS: [&str; 5] = ["not_detected", "stable", "inertial", "indeterminate", "none"];

/// `GET /metrics`.
pub(super) async fn metrics(State(room): State<Arc<Room>>) -> Response {
    ([(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], text(&room.hub))
        .into_response()
}

#[derive(Default)]
struct Exposition(String);

impl Exposition {
    fn family(&mut self, name: &str, kind: &str, help: &str) {
        // Writing into a string cannot fail.
        writeln!(self.0, "# HELP simmer_{name} {help}\n# TYPE simmer_{name} {kind}").ok();
    }

    fn one(&mut self, name: &str, kind: &str, help: &str, value: impl std::fmt::Display) {
        self.family(name, kind, help);
        writeln!(self.0, "simmer_{name} {value}").ok();
    }

    fn labelled(&mut self, name: &str, label: (&str, &str), value: u64) {
        let (key, text) = label;
        writeln!(self.0, "simmer_{name}{{{key}=\"{}\"}} {value}", escaped(text)).ok();
    }
}

/// A label's value: backslash, quote and line feed are escaped.
fn escaped(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}

fn text(hub: &Hub) -> String {
    let snapshot = Snapshot::of(hub);
    let (tally, age) = {
        let state = hub.state();
        (state.tally.clone(), state.last_at.map(|at| at.elapsed().as_secs_f64()))
    };
    let mut out = Exposition::default();
    out.one("pulses_total", "counter", "Pulses judged.", snapshot.pulses);
    tallied(&mut out, &tally);
    let counts = &snapshot.counts;
    for (name, help, value) in [
        ("samples_received_total", "Samples a channel that came in.", counts.received),
        ("samples_lost_total", "Samples a channel that were lost.", counts.lost),
        ("frames_lost_total", "Frames that never came.", counts.frames_lost),
        ("frames_crc_total", "Frames whose checksum was wrong.", counts.crc),
        ("frames_late_total", "Frames that came too late to be used.", counts.late),
        ("frames_duplicate_total", "Frames that came twice.", counts.duplicates),
        ("pulses_unfinished_total", "Pulses that were not finished.", counts.unfinished),
        ("pulses_missed_total", "Pulses that readers were too slow for.", hub.pulses_missed()),
        ("events_missed_total", "Events that readers were too slow for.", hub.events_missed()),
    ] {
        out.one(name, "counter", help, value);
    }
    let gauge = |value: &std::sync::atomic::AtomicU64| value.load(Ordering::Relaxed);
    out.one("followers", "gauge", "Followers being served.", gauge(&hub.readers.followers));
    out.one("pages", "gauge", "Pages being served.", gauge(&hub.readers.pages));
    let bytes = snapshot.spectra_kept.1;
    out.one("spectra_bytes", "gauge", "Memory of the spectra that are kept.", bytes);
    let hearing = snapshot.now(&hub.facts).hearing == Some(true);
    let go_on = snapshot.go_ahead(&hub.facts).is_empty();
    out.one("hearing", "gauge", "Whether the last pulse was heard.", u8::from(hearing));
    out.one("go_on", "gauge", "The go-ahead line; not an interlock.", u8::from(go_on));
    let age = age.map_or_else(|| "NaN".to_owned(), |age| format!("{age:.3}"));
    out.one("last_pulse_age_seconds", "gauge", "Since the last pulse was judged.", age);
    out.0
}

fn tallied(out: &mut Exposition, tally: &Tally) {
    out.family("rows_total", "counter", "Rows by verdict.");
    for (verdict, count) in VERDICTS.into_iter().zip(tally.rows) {
        out.labelled("rows_total", ("verdict", verdict), count);
    }
    out.family("alarms_raised_total", "counter", "Alarms raised, by name.");
    for (name, count) in &tally.alarms {
        out.labelled("alarms_raised_total", ("alarm", name), *count);
    }
}
