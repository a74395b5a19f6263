//! What is behind the hub's mutex, and how it follows the analysis.

use std::sync::Arc;
use std::time::Instant;

use serde_json::{Map, Value, json};

use super::alarms::Board;
use super::course::Course;
use super::facts::Facts;
use super::hub::{Bounds, StreamCounts};
use super::rings::{PulseRecord, Ring, Spectra};
use super::rows;
use crate::detect::{AlarmSpec, Baseline, Event, Verdict, What};
use crate::session::events::event_json;

/// Whether the analysis goes on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Running {
    Yes,
    Ended,
    Failed(String),
}

/// What is known of the stream; name and device stay after it was cut.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct StreamView {
    pub(super) state: &'static str,
    pub(super) name: Option<String>,
    pub(super) device: Option<String>,
    pub(super) stage_from: Option<&'static str>,
}

/// Counts since the run began, for metrics.
#[derive(Debug, Clone, Default)]
pub(super) struct Tally {
    /// Rows: not detected, stable, inertial, indeterminate, without a verdict.
    pub(super) rows: [u64; 5],
    /// Alarms raised, by name.
    pub(super) alarms: Vec<(Arc<str>, u64)>,
}

/// An event as it leaves: a JSON object with `n`.
pub(super) type EventText = Arc<str>;

/// What is behind the mutex.
#[derive(Debug)]
pub(super) struct State {
    pub(super) running: Running,
    pub(super) stream: StreamView,
    pub(super) counts: StreamCounts,
    pub(super) folder: (Option<String>, Option<String>),
    pub(super) pulses: Ring<Arc<PulseRecord>>,
    pub(super) rows_kept: usize,
    pub(super) spectra: Spectra,
    pub(super) events: Ring<EventText>,
    pub(super) exposures: Ring<Arc<Value>>,
    pub(super) board: Board,
    pub(super) course: Course,
    /// Alarms as configured with the limits that hold now.
    pub(super) limits: Vec<AlarmSpec>,
    /// What the last change of limits replaced.
    pub(super) limits_before: Vec<AlarmSpec>,
    pub(super) tally: Tally,
    pub(super) last_at: Option<Instant>,
    /// The newest pulse of an exposure that was heard.
    pub(super) heard: Option<Arc<PulseRecord>>,
}

impl State {
    /// Nothing has come yet; `baseline` is the one a file brought.
    pub(super) fn new(
        facts: &Facts,
        baseline: Option<&Baseline>,
        spectra_kept_bytes: u64,
        bounds: &Bounds,
    ) -> Self {
        Self {
            running: Running::Yes,
            stream: StreamView { state: "waiting", name: None, device: None, stage_from: None },
            counts: StreamCounts::default(),
            folder: (None, None),
            pulses: Ring::new(bounds.pulses),
            rows_kept: 0,
            spectra: Spectra::new(spectra_kept_bytes),
            events: Ring::new(bounds.events),
            exposures: Ring::new(bounds.exposures),
            board: Board::default(),
            course: Course::new(baseline),
            limits: facts.configured.clone(),
            limits_before: Vec::new(),
            tally: Tally::default(),
            last_at: None,
            heard: None,
        }
    }

    pub(super) fn take_event(&mut self, event: &Event, facts: &Facts) {
        let mut object = Map::new();
        object.insert("n".into(), json!(self.events.end()));
        if let Value::Object(event) = event_json(event) {
            object.extend(event);
        }
        self.events.push(Value::Object(object).to_string().into());
        self.board.take(event, facts);
        match &event.what {
            What::AlarmRaised { name, .. } => {
                match self.tally.alarms.iter_mut().find(|(known, _)| known == name) {
                    Some((_, count)) => *count += 1,
                    None => self.tally.alarms.push((Arc::clone(name), 1)),
                }
            }
            What::ExposureEnded { summary } => {
                let value =
                    rows::exposure_value(summary, &facts.subject, facts.detect.expected_pulses);
                self.exposures.push(Arc::new(value));
            }
            What::Stream { name } if !facts.live => self.stream.name = Some(name.to_string()),
            What::Limits { alarms } => {
                self.limits_before.clear();
                for changed in alarms.iter() {
                    let known = self.limits.iter_mut().find(|spec| spec.name == changed.name);
                    if let Some(spec) = known {
                        self.limits_before.push(spec.clone());
                        spec.trigger = changed.trigger;
                    }
                }
            }
            _ => {}
        }
    }

    /// A replay has no connection: its stream is there once a pulse has come.
    pub(super) fn follow_replay(&mut self, live: bool) {
        if !live && self.stream.state == "waiting" {
            self.stream.state = "up";
        }
    }

    /// Keeps a pulse; what had to go for it.
    pub(super) fn take_record(
        &mut self,
        record: PulseRecord,
        spectra: Vec<f32>,
        most_rows: usize,
    ) -> (Vec<Arc<PulseRecord>>, Vec<Arc<Vec<f32>>>) {
        for row in &record.rows {
            let place = match row.verdict {
                Some(Verdict::NotDetected) => 0,
                Some(Verdict::Stable) => 1,
                Some(Verdict::Inertial) => 2,
                Some(Verdict::Indeterminate) => 3,
                None => 4,
            };
            self.tally.rows[place] += 1;
        }
        self.rows_kept += record.rows.len();
        let record = Arc::new(record);
        let verdict = record.whole().and_then(|row| row.verdict);
        if verdict.is_some_and(|verdict| verdict != Verdict::Indeterminate) {
            self.heard = Some(Arc::clone(&record));
        }
        let mut gone: Vec<Arc<PulseRecord>> = self.pulses.push(record).into_iter().collect();
        let mut dropped: usize = gone.iter().map(|record| record.rows.len()).sum();
        while self.rows_kept - dropped > most_rows && self.pulses.len() > 1 {
            let Some(oldest) = self.pulses.pop() else { break };
            dropped += oldest.rows.len();
            gone.push(oldest);
        }
        self.rows_kept -= dropped;
        let gone_spectra = self.spectra.push(Arc::new(spectra));
        (gone, gone_spectra)
    }
}
