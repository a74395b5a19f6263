//! What the detection room knows of a pulse besides its sound.

use std::num::NonZeroU32;
use std::sync::Arc;

/// What a pulse is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Stage {
    /// No drive: the chain's own noise.
    Noise,
    /// Drive without bubbles: the reference.
    Baseline,
    /// Drive with bubbles: what is judged.
    Exposure,
}

impl Stage {
    /// Every stage, in the order of a session.
    pub const ALL: [Self; 3] = [Self::Noise, Self::Baseline, Self::Exposure];

    /// The name as recordings and tables write it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Noise => "noise",
            Self::Baseline => "baseline",
            Self::Exposure => "exposure",
        }
    }

    /// The stage of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|stage| stage.name() == name)
    }
}

/// Device time of a pulse.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PulseTime {
    /// Since the session's start, s.
    pub since_start_s: f64,
    /// UTC in nanoseconds since 1970, where the stream says when it began.
    pub utc_ns: Option<i128>,
}

/// Seconds of a session in whole nanoseconds.
#[must_use]
#[allow(clippy::cast_possible_truncation, reason = "seconds of a session fit nanoseconds in i128")]
pub fn nanoseconds(seconds: f64) -> i128 {
    (seconds * 1e9).round() as i128
}

/// A pulse as it is judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Pulse {
    /// Its number; rises from pulse to pulse.
    pub number: u64,
    /// When it was.
    pub time: PulseTime,
    /// Target's name; empty when there is only one.
    pub target: Arc<str>,
    /// Exposure's number as the sender gives it.
    pub exposure: Option<NonZeroU32>,
    /// What it is for.
    pub stage: Stage,
    /// Drive, MPa.
    pub drive_mpa: Option<f64>,
    /// Drive as set at the generator.
    pub drive_setting: Option<f64>,
    /// Trigger without drive.
    pub sham: bool,
}

/// A receive channel, or all used ones together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Channel {
    /// One channel, from 0.
    One(usize),
    /// The mean of the healthy used channels.
    All,
}

impl std::fmt::Display for Channel {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::One(channel) => write!(f, "{channel}"),
            Self::All => f.write_str("all"),
        }
    }
}
