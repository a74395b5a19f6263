//! What a person or the sender does between pulses. Each act holds from the next pulse on.

use std::sync::Arc;

use super::pulse::Stage;
use super::spec::AlarmSpec;

/// Who did it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum By {
    /// The program that sends the samples.
    Sender,
    /// The person at the monitor.
    Operator,
}

impl By {
    /// The word in events.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Sender => "sender",
            Self::Operator => "operator",
        }
    }
}

/// Bubbles going in. What is not known is left out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Injection {
    /// Its number as the person counts; without one, the next after the last.
    pub number: Option<u32>,
    /// The preparation.
    pub agent: Option<String>,
    /// Volume, µL.
    pub volume_ul: Option<f64>,
    /// The way in.
    pub route: Option<String>,
}

/// What a mark says.
#[derive(Debug, Clone, PartialEq)]
pub enum MarkKind {
    /// Bubbles were injected.
    Injection(Injection),
    /// The target from here on, where pulses name none.
    Target(Arc<str>),
    /// The drive pauses: the next pulse does not follow on from the last.
    Pause,
    /// The drive goes on after a pause.
    Resume,
    /// The exposure is over as planned.
    ExposureEnded,
    /// The exposure was broken off.
    Abort,
    /// Words for the record.
    Note,
    /// Takes back the mark with this number.
    Void(u64),
}

impl MarkKind {
    /// The name as events and requests write it.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Injection(_) => "injection",
            Self::Target(_) => "target",
            Self::Pause => "pause",
            Self::Resume => "resume",
            Self::ExposureEnded => "exposure ended",
            Self::Abort => "abort",
            Self::Note => "note",
            Self::Void(_) => "void",
        }
    }
}

/// A mark in the record.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Number by which it can be taken back; only marks of a person at the monitor have one.
    pub id: Option<u64>,
    /// Whose it is.
    pub by: By,
    /// It happened this long before the first pulse it holds for, s.
    pub backdated_s: f64,
    /// Words beside it.
    pub text: String,
    /// What.
    pub kind: MarkKind,
}

impl Mark {
    /// What the sender said.
    #[must_use]
    pub const fn of_sender(kind: MarkKind) -> Self {
        Self { id: None, by: By::Sender, backdated_s: 0.0, text: String::new(), kind }
    }
}

/// One act.
#[derive(Debug, Clone, PartialEq)]
pub enum Act {
    /// A mark.
    Mark(Mark),
    /// The person at the monitor says what the next pulses are for.
    Stage(Stage),
    /// The person takes note of an alarm.
    Acknowledge(u64),
    /// Other limits for the alarms of these names.
    Limits(Arc<[AlarmSpec]>),
    /// Another stream or recording begins: its first pulse does not follow on from the last.
    Stream(Arc<str>),
    /// The next pulse is overdue by the monitor's clock.
    Overdue,
    /// Something that whoever reads the record later should know of the way in.
    Gap(String),
    /// Something of the session is kept no more; says what and why.
    NotRecorded(String),
}

impl Act {
    /// A mark of the sender.
    #[must_use]
    pub const fn sender(kind: MarkKind) -> Self {
        Self::Mark(Mark::of_sender(kind))
    }
}
