//! What the bench is asked, checked: drive, receive chain, and the times of a record.

use super::bubble::{BubbleError, limits};
use super::setup::Setup;
use crate::signal::{ReceiveSpec, SampleFormat, SignalSpec, SpecFault, as_f64};

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

/// Length of a record, s.
#[must_use]
pub fn record_s(receive: &ReceiveSpec, pulse_s: f64) -> f64 {
    receive.pretrigger_s + pulse_s.max(receive.gate_end_s) + AFTER_S
}

/// Whether records fit between two pulses: a record takes its samples by the converter's clock, which runs
/// by so many millionths faster than the drive's.
#[must_use]
pub fn records_fit(
    receive: &ReceiveSpec,
    pulse_s: f64,
    repetition_hz: f64,
    clock_ppm: f64,
) -> bool {
    let record = nearest(record_s(receive, pulse_s) * receive.sample_rate_hz);
    let rate_hz = receive.sample_rate_hz * (1.0 + 1e-6 * clock_ppm);
    f64_of(record) <= libm::floor(rate_hz / repetition_hz + 1e-6)
}

impl SceneSpec {
    /// What the bench cannot take of a configuration, whatever stands on it: the first fault at its
    /// keys.
    ///
    /// # Errors
    /// That.
    pub fn check(&self) -> Result<(), SpecFault> {
        let receive = &self.signal.receive;
        let format = receive.sample_format;
        if format != SampleFormat::Ri16Le {
            let message = format!(
                "`receive.sample_format` is {:?}, must be \"ri16_le\": the simulated bench writes no \
                 other",
                format.name()
            );
            return fault(&["receive.sample_format"], message);
        }
        let frequency_hz = self.signal.drive_frequency_hz;
        let cycles = libm::round(self.pulse_s * frequency_hz);
        let record_s = record_s(receive, self.pulse_s);
        let samples = record_s * receive.sample_rate_hz * as_f64(receive.channels);
        let most_hz = limits::MOST_SAMPLES_A_CYCLE * frequency_hz;
        let fits = records_fit(receive, self.pulse_s, self.repetition_hz, 0.0);
        let most_s = if fits { record_s } else { 1.0 / self.repetition_hz };
        let frequency: &[&str] = &["drive.frequency_hz"];
        let burst: &[&str] = &["drive.pulse_s", "drive.frequency_hz"];
        let record: &[&str] = &["receive.gate_end_s", "drive.repetition_hz"];
        let rate: &[&str] = &["receive.sample_rate_hz", "drive.frequency_hz"];
        let size: &[&str] = &["receive.sample_rate_hz", "receive.channels"];
        let full = receive.full_scale_counts;
        for (keys, what, value, [low, high]) in [
            (frequency, "`drive.frequency_hz`", frequency_hz, limits::DRIVE_HZ),
            (burst, "`drive.pulse_s`", self.pulse_s, [0.0, limits::LONGEST_BURST_S]),
            (burst, "a burst's cycles", cycles, [1.0, f64::INFINITY]),
            (rate, "`receive.sample_rate_hz`", receive.sample_rate_hz, [0.0, most_hz]),
            (record, "a record's length, s,", record_s, [0.0, most_s]),
            (size, "a record's samples of all channels", samples, [1.0, MOST_SAMPLES]),
            (&["receive.full_scale_counts"], "the lowest count", full[0], [-32_768.0, 0.0]),
            (&["receive.full_scale_counts"], "the highest count", full[1], [0.0, 32_767.0]),
        ] {
            if !(value >= low && value <= high) {
                let message = format!(
                    "{what} is {value}, must be from {low} to {high} for the simulated bench"
                );
                return fault(keys, message);
            }
        }
        Ok(())
    }
}

fn fault(keys: &[&str], message: String) -> Result<(), SpecFault> {
    let keys = keys.iter().map(|key| (*key).to_owned()).collect();
    Err(SpecFault { keys, message, help: None })
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
    let frequency_hz = within(
        "drive.frequency_hz",
        positive("drive.frequency_hz", spec.signal.drive_frequency_hz)?,
        [0.0, 0.5 * rate_hz],
    )?;
    within("receive.gate_end_s", receive.gate_end_s, [0.0, 1e3])?;
    let record_s = record_s(receive, burst_s);
    let clock_ppm = setup.electronics.clock_ppm;
    if !records_fit(receive, burst_s, spec.repetition_hz, clock_ppm) {
        let (name, value) = ("the record's length in seconds", record_s);
        let period_s = rate_hz / nominal_hz / spec.repetition_hz;
        let bound = format!("from 0 to {period_s}");
        return Err(SceneError::Bound { name, value, bound });
    }
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
