//! What the bench is asked, checked: drive, receive chain, and the times of a record.

use super::bubble::BubbleError;
use super::setup::Setup;
use crate::signal::{SampleFormat, SignalSpec, as_f64};

/// What a record has after burst and gate, s.
const AFTER_S: f64 = 0.1e-3;
/// Most samples of one record, all channels together.
const MOST_SAMPLES: f64 = 16_777_216.0;

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
    /// A receiver among the bubbles, or out of the tank.
    #[error(
        "receiver {receiver} is {distance_m} m from the focus, must be from {nearest_m} m, twice as \
         far as bubbles are, to {furthest_m} m"
    )]
    Position {
        /// Which, from 0.
        receiver: usize,
        /// How far, m.
        distance_m: f64,
        /// The bounds, m.
        nearest_m: f64,
        /// The bounds, m.
        furthest_m: f64,
    },
    /// Bubbles that cannot be computed.
    #[error("bubbles: {0}")]
    Bubbles(#[from] BubbleError),
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

/// Times of one record, in samples of the converter's own clock.
#[derive(Debug, Clone, Copy)]
pub(super) struct Timing {
    /// Samples a second as the drive's clock counts them, Hz.
    pub(super) rate_hz: f64,
    pub(super) frequency_hz: f64,
    /// Samples of the record, and the trigger's.
    pub(super) record: usize,
    pub(super) trigger: usize,
    /// Length of the burst, s.
    pub(super) burst_s: f64,
}

/// Record, trigger and burst, within bounds.
pub(super) fn timing(spec: &SceneSpec, setup: &Setup) -> Result<Timing, SceneError> {
    let receive = &spec.signal.receive;
    let nominal_hz = positive("receive.sample_rate_hz", receive.sample_rate_hz)?;
    let rate_hz = nominal_hz * (1.0 + 1e-6 * setup.electronics.clock_ppm);
    let pretrigger_s = within("receive.pretrigger_s", receive.pretrigger_s, [0.0, 1e3])?;
    let burst_s = positive("drive.pulse_s", spec.pulse_s)?;
    let gate_end_s = within("receive.gate_end_s", receive.gate_end_s, [0.0, 1e3])?;
    let frequency_hz = within(
        "drive.frequency_hz",
        positive("drive.frequency_hz", spec.signal.drive_frequency_hz)?,
        [0.0, 0.5 * rate_hz],
    )?;
    let record_s = pretrigger_s + burst_s.max(gate_end_s) + AFTER_S;
    within("the record's length in seconds", record_s, [0.0, 1.0 / spec.repetition_hz])?;
    let samples = record_s * nominal_hz;
    within(
        "the record's samples of all channels",
        samples * as_f64(receive.channels),
        [1.0, MOST_SAMPLES],
    )?;
    let trigger = usize_of(nearest(pretrigger_s * nominal_hz));
    Ok(Timing { rate_hz, frequency_hz, record: usize_of(nearest(samples)), trigger, burst_s })
}

/// What the configuration says of the channels, looked at against the setup.
pub(super) fn check_channels(spec: &SceneSpec, setup: &Setup) -> Result<(), SceneError> {
    let receive = &spec.signal.receive;
    if receive.sample_format != SampleFormat::Ri16Le {
        return Err(SceneError::Format(receive.sample_format.name()));
    }
    let channels = as_f64(receive.channels);
    let as_many = |name, count: usize| {
        let (value, bound) = (as_f64(count), format!("one a channel, {channels}"));
        let fits = count == receive.channels;
        if fits { Ok(()) } else { Err(SceneError::Bound { name, value, bound }) }
    };
    as_many("the number of receive.volts_per_count", receive.volts_per_count.len())?;
    as_many("the number of receivers", setup.receivers.len())?;
    for volts_per_count in &receive.volts_per_count {
        positive("receive.volts_per_count", *volts_per_count)?;
    }
    let [low, high] = receive.full_scale_counts;
    within("receive.full_scale_counts[0]", low, [-32_768.0, 0.0])?;
    within("receive.full_scale_counts[1]", high, [0.0, 32_767.0])?;
    Ok(())
}

/// The number, when it is finite and above 0.
pub(super) fn positive(name: &'static str, value: f64) -> Result<f64, SceneError> {
    let bound = || "finite and above 0".to_owned();
    let fits = value.is_finite() && value > 0.0;
    if fits { Ok(value) } else { Err(SceneError::Bound { name, value, bound: bound() }) }
}

/// The number, when it lies within the bounds.
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
