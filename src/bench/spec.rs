//! What the bench is asked, checked: drive, receive chain, and the times of a record.

use super::sound::Timing;
use crate::signal::{SignalSpec, as_f64};

/// What a record has after burst and gate, s.
const AFTER_S: f64 = 0.1e-3;
/// Most samples of one record, all channels together.
const MOST_SAMPLES: f64 = 67_108_864.0;
/// What a scene must know of drive and receive chain.
#[derive(Debug, Clone, PartialEq)]
pub struct SceneSpec {
    /// Drive frequency, receive chain and gates; spectrum and bands are not used.
    pub signal: SignalSpec,
    /// Length of a burst, s.
    pub pulse_s: f64,
    /// Bursts a second, Hz.
    pub repetition_hz: f64,
}

/// Why there is no scene.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SceneError {
    /// Too short for its parts.
    #[error("seconds is {seconds}, at {repetition_hz} Hz the scene needs {least} or more")]
    TooShort {
        /// As asked for, s.
        seconds: f64,
        /// Bursts a second, Hz.
        repetition_hz: f64,
        /// The bound, s.
        least: f64,
    },
    /// Longer than a day.
    #[error("seconds is {seconds}, the scene has at most {most}")]
    TooLong {
        /// As asked for, s.
        seconds: f64,
        /// The bound, s.
        most: f64,
    },
    /// Another format than the bench writes.
    #[error("receive.sample_format is {0}, the simulated bench writes ri16_le only")]
    Format(&'static str),
    /// A number out of its bounds.
    #[error("{name} is {value}, must be {bound}")]
    Bound {
        /// What.
        name: &'static str,
        /// Its value.
        value: f64,
        /// What it must be.
        bound: String,
    },
}

/// Record, trigger, arrival and burst, within bounds.
pub(super) fn timing(spec: &SceneSpec) -> Result<Timing, SceneError> {
    let receive = &spec.signal.receive;
    let rate_hz = positive("receive.sample_rate_hz", receive.sample_rate_hz)?;
    let pretrigger_s = within("receive.pretrigger_s", receive.pretrigger_s, [0.0, 1e3])?;
    let burst_s = positive("drive.pulse_s", spec.pulse_s)?;
    let gate_end_s = within("receive.gate_end_s", receive.gate_end_s, [0.0, 1e3])?;
    let arrival_s =
        within("receive.first_arrival_s", receive.first_arrival_s.unwrap_or(0.0), [0.0, 1e3])?;
    let frequency_hz = within(
        "drive.frequency_hz",
        positive("drive.frequency_hz", spec.signal.drive_frequency_hz)?,
        [0.0, 0.5 * rate_hz],
    )?;
    let record_s = pretrigger_s + burst_s.max(gate_end_s) + AFTER_S;
    within("the record's length in seconds", record_s, [0.0, 1.0 / spec.repetition_hz])?;
    let samples = record_s * rate_hz;
    within(
        "the record's samples of all channels",
        samples * as_f64(receive.channels),
        [1.0, MOST_SAMPLES],
    )?;
    let (record, trigger) = (usize_of(nearest(samples)), usize_of(nearest(pretrigger_s * rate_hz)));
    Ok(Timing { rate_hz, frequency_hz, record, trigger, arrival_s, burst_s })
}

pub(super) fn positive(name: &'static str, value: f64) -> Result<f64, SceneError> {
    let bound = || "finite and above 0".to_owned();
    let fits = value.is_finite() && value > 0.0;
    if fits { Ok(value) } else { Err(SceneError::Bound { name, value, bound: bound() }) }
}

pub(super) fn within(
    name: &'static str,
    value: f64,
    [low, high]: [f64; 2],
) -> Result<f64, SceneError> {
    let fits = value >= low && value <= high;
    let bound = || format!("from {low} to {high}");
    if fits { Ok(value) } else { Err(SceneError::Bound { name, value, bound: bound() }) }
}

/// Nearest whole number, half to even.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "times and lengths are not negative and stay far below 2^53"
)]
pub(super) fn nearest(value: f64) -> u64 {
    // The product of decimal numbers is first rounded to a millionth of a sample.
    (((value * 1e6).round_ties_even()) / 1e6).round_ties_even() as u64
}

pub(super) fn usize_of(value: u64) -> usize {
    usize::try_from(value).unwrap_or(usize::MAX)
}

#[allow(clippy::cast_precision_loss, reason = "pulse numbers and sample indices stay below 2^53")]
pub(super) const fn f64_of(value: u64) -> f64 {
    value as f64
}
