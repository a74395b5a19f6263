//! The one ordered stream that every way in produces: recordings, sockets, simulated scenes, tests.

use std::num::NonZeroU32;
use std::sync::Arc;

pub use crate::detect::{Act, Stage};
use crate::signal::SampleFormat;

/// Index of a sample of the device, per channel; counts samples that were never stored, too.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SampleIndex(pub u64);

/// Device time since the stream's start, nanoseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DeviceNanos(pub u64);

/// Device time of a sample where the samples are the only clock, to the nearest nanosecond; nothing
/// from 2^63 ns on.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss,
    reason = "an index below 2^53 is exact, a result below 2^63 is checked"
)]
#[must_use]
pub fn device_time(sample: SampleIndex, rate_hz: f64) -> Option<DeviceNanos> {
    let sample = sample.0;
    // Whole rates are divided exactly: an f64 has no nanoseconds left after 104 days.
    let ns = if rate_hz.fract() <= 0.0 && rate_hz < 1e15 {
        let rate = u128::from(rate_hz as u64);
        u64::try_from((u128::from(sample) * 1_000_000_000 + rate / 2) / rate).ok()?
    } else {
        let ns = (sample as f64 / rate_hz * 1e9).round();
        if ns >= 9.2e18 {
            return None;
        }
        ns as u64
    };
    (ns < 1 << 63).then_some(DeviceNanos(ns))
}

/// Everything known of a pulse before its samples are looked at.
#[derive(Debug, Clone, PartialEq)]
pub struct PulseTag {
    /// The sender's or recording's number; rises from pulse to pulse.
    pub number: u64,
    /// Device index of the pulse's first sample.
    pub first: SampleIndex,
    /// Device time of that sample since the stream's start; without it, index / rate.
    pub time: Option<DeviceNanos>,
    /// Trigger in samples after the pulse's first; without it, the configuration's pretrigger.
    pub trigger_offset: Option<u64>,
    /// Drive, MPa.
    pub drive_mpa: Option<f64>,
    /// Drive as set at the generator, in the sender's unit.
    pub drive_setting: Option<f64>,
    /// Target's name; empty when there is only one.
    pub target: Arc<str>,
    /// Exposure's number; without it a change of target or stage begins the next.
    pub exposure: Option<NonZeroU32>,
    /// What the pulse is for, where no person at the monitor has said so.
    pub stage: Stage,
    /// Trigger without drive.
    pub sham: bool,
    /// Samples the device says it lost in this pulse.
    pub lost_samples: u64,
}

/// The head of a stream or recording.
#[derive(Debug, Clone, PartialEq)]
pub struct Stream {
    /// Where it comes from, for messages: a file name or a peer.
    pub name: String,
    /// How samples are written.
    pub sample_format: SampleFormat,
    /// Interleaved channels.
    pub channels: usize,
    /// Samples a second, Hz.
    pub sample_rate_hz: f64,
    /// Start in UTC.
    pub start: Option<jiff::Timestamp>,
    /// Length of the stream in samples per channel, where known beforehand.
    pub length: Option<u64>,
}

/// A stretch of interleaved samples of one pulse.
#[derive(Debug, Clone, PartialEq)]
pub struct Frame {
    /// The pulse it belongs to, the same in all its frames.
    pub tag: Arc<PulseTag>,
    /// The stretch's first sample, counted from the pulse's first; a jump is a hole.
    pub offset: u64,
    /// Interleaved samples in the stream's format; a whole number of sample sets.
    pub bytes: Vec<u8>,
    /// Nothing of this pulse follows.
    pub last: bool,
}

/// One item of the stream.
#[derive(Debug, Clone, PartialEq)]
pub enum Input {
    /// A stream or the next recording begins.
    Begin(Stream),
    /// Samples.
    Frame(Frame),
    /// What a person or the sender did; holds from the next pulse on.
    Act(Act),
    /// The stream that runs has this many samples per channel, also those that were not stored.
    Length(u64),
    /// Everything is over.
    End,
}

#[cfg(test)]
impl Frame {
    /// A whole exposure pulse without samples and without anything known of it but its number.
    pub(crate) fn bare(number: u64) -> Self {
        let tag = PulseTag {
            number,
            first: SampleIndex(0),
            time: None,
            trigger_offset: None,
            drive_mpa: None,
            drive_setting: None,
            target: Arc::from(""),
            exposure: None,
            stage: Stage::Exposure,
            sham: false,
            lost_samples: 0,
        };
        Self { tag: Arc::new(tag), offset: 0, bytes: Vec::new(), last: true }
    }
}
