//! What happened, beside the numbers.

use std::sync::Arc;

use super::act::{By, Mark};
use super::baseline::{Drive, SeriesLook};
use super::cumulative::Established;
use super::pulse::{Channel, Stage};
use super::spec::{AlarmSpec, Severity};
use super::summary::ExposureSummary;

/// One thing that happened.
#[derive(Debug, Clone, PartialEq)]
pub enum What {
    /// The stage changed, or is the first.
    Stage {
        /// The new stage.
        stage: Stage,
        /// Who said so.
        by: By,
    },
    /// A stream or recording begins.
    Stream {
        /// Its name.
        name: Arc<str>,
    },
    /// A baseline was closed by the first exposure pulse of its target.
    BaselineClosed {
        /// Pulses each drive has.
        drives: Vec<(Drive, usize)>,
        /// Since the last injection before it began, s.
        since_injection_s: Option<f64>,
        /// What its spectra look like.
        looks: Arc<[SeriesLook]>,
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
    /// Pulses together have established a quantity at a drive.
    Established(Established),
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
    /// A person took note of an alarm.
    AlarmAcknowledged {
        /// Its number.
        id: u64,
        /// Its name.
        name: Arc<str>,
        /// The last pulse before.
        after_pulse: Option<u64>,
    },
    /// A mark.
    Mark {
        /// What it says.
        mark: Box<Mark>,
        /// The number of an injection, from 1 where nobody counts otherwise.
        number: Option<u32>,
    },
    /// Alarms have other limits.
    Limits {
        /// The alarms concerned.
        alarms: Arc<[AlarmSpec]>,
    },
    /// Something of the way in that whoever reads the record later should know.
    Gap {
        /// In words.
        text: String,
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
    /// The first pulse it holds for; nothing between pulses and at the end.
    pub pulse: Option<u64>,
    /// Since the session's start, s.
    pub time_s: f64,
    /// The target concerned.
    pub target: Arc<str>,
    /// What.
    pub what: What,
}
