//! What happened, beside the numbers.

use std::sync::Arc;

use super::baseline::Drive;
use super::pulse::{Channel, Stage};
use super::spec::Severity;
use super::summary::ExposureSummary;

/// One thing that happened.
#[derive(Debug, Clone, PartialEq)]
pub enum What {
    /// The stage changed, or is the first.
    Stage {
        /// The new stage.
        stage: Stage,
    },
    /// A baseline was closed by the first exposure pulse of its target.
    BaselineClosed {
        /// Pulses each drive has.
        drives: Vec<(Drive, usize)>,
        /// Since the last injection before it began, s.
        since_injection_s: Option<f64>,
    },
    /// A new baseline had too few pulses; the old one stays.
    BaselineKept {
        /// Pulses its best drive has.
        pulses: usize,
    },
    /// An exposure began.
    ExposureBegan {
        /// Its number.
        exposure: u32,
    },
    /// An exposure ended.
    ExposureEnded {
        /// All that is known of it.
        summary: Box<ExposureSummary>,
    },
    /// An alarm was raised.
    AlarmRaised {
        /// Its number in the session, from 1.
        id: u64,
        /// Its name.
        name: Arc<str>,
        /// How much it asks.
        severity: Severity,
        /// What it watches.
        cause: String,
        /// The channel that raised it.
        channel: Option<Channel>,
        /// Where it goes.
        sinks: Arc<[String]>,
    },
    /// An alarm is over.
    AlarmOver {
        /// Its number.
        id: u64,
        /// Its name.
        name: Arc<str>,
    },
    /// A pulse never came.
    PulseMissing {
        /// Pulses that fit into the hole.
        missing: u64,
    },
    /// Bubbles were injected.
    Injection {
        /// Its number in the session, from 1.
        number: u32,
    },
    /// Something a person should know.
    Warning {
        /// In words.
        text: String,
    },
}

/// Something that happened at a pulse.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// The first pulse it holds for; nothing at the end of the stream.
    pub pulse: Option<u64>,
    /// Since the session's start, s.
    pub time_s: f64,
    /// The target concerned.
    pub target: Arc<str>,
    /// What.
    pub what: What,
}
