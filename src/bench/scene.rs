//! Scenes: which pulses come in which order, and the converter's counts of each.
//!
//! A scene is a list of [`Step`]s of pulses at one drive. Pulse k begins at sample
//! r(k·rate/repetition) of the device; its record reaches from pretrigger_s before the trigger to
//! 0.1 ms after the burst or the gate, whichever ends later. Each pulse depends on scene seed and
//! pulse number alone, so pulses can be made in any order.

use super::law::{Law, amplitude_ratio};
use super::noise::{Ziggurat, generator};
use super::sound::{self, Sounding, Timing};
use crate::signal::{SampleFormat, SignalSpec, as_f64};

/// Drives of [`Scene::demo`], MPa.
const DEMO_DRIVES_MPA: [f64; 6] = [0.06, 0.09, 0.12, 0.16, 0.22, 0.30];
/// Pulses of the scene whose proportions hold: noise, baseline at a drive, uncoupled, all.
const DEMO_PULSES: [f64; 4] = [10.0, 30.0, 20.0, 300.0];
/// The fewest of noise, baseline at a drive, uncoupled, and with bubbles at a drive.
const FEWEST: [u32; 4] = [2, 15, 4, 3];
/// Shortest and longest [`Scene::demo`], s.
const SECONDS: [f64; 2] = [30.0, 86_400.0];
/// What a record has after burst and gate, s.
const AFTER_S: f64 = 0.1e-3;
/// Most samples of one record, all channels together.
const MOST_SAMPLES: f64 = 67_108_864.0;
/// Number of the generator that the sound of a pulse has; channels count from 0.
const SOUND: u64 = u64::MAX;

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

/// What is true of a pulse.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// No drive.
    Silence,
    /// Drive without bubbles.
    NoBubbles,
    /// Drive with bubbles.
    Bubbles,
    /// Drive with bubbles, heard by a receiver that lost its coupling.
    Uncoupled,
}

/// Pulses alike.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// What is true of them.
    pub part: Part,
    /// Drive, MPa; 0 in silence.
    pub drive_mpa: f64,
    /// How many.
    pub pulses: u32,
}

/// One pulse of a scene, without its samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScenePulse {
    /// Its number, from 0.
    pub number: u64,
    /// What is true of it.
    pub part: Part,
    /// Drive, MPa; 0 in silence.
    pub drive_mpa: f64,
    /// Whether bubbles are injected just before it: the scene's first pulse with bubbles.
    pub injection_before: bool,
    /// Device index of its first sample.
    pub first_sample: u64,
    /// Device time of that sample since the scene's start, ns.
    pub time_ns: u64,
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

/// A scene: its pulses and, one at a time, their samples.
#[derive(Debug, Clone)]
pub struct Scene {
    law: Law,
    steps: Vec<Step>,
    seed: u64,
    repetition_hz: f64,
    channels: Vec<Converter>,
    full_scale: [f64; 2],
    timing: Timing,
    ziggurat: Ziggurat,
}

/// One channel's way from volts to counts.
#[derive(Debug, Clone, Copy)]
struct Converter {
    /// Counts a volt of channel 0's sound.
    counts_per_volt: f64,
    /// Standard deviation of the receiver's noise, counts.
    noise_counts: f64,
}

impl Scene {
    /// The scene of `simmer demo`, under [`Law::demo`]. In 300 pulses (60 s at 5 Hz): 10 without
    /// drive, 30 without bubbles at each of 0.06, 0.09, 0.12, 0.16, 0.22 and 0.30 MPa, then 15 with
    /// bubbles at each of them, then 20 uncoupled at the last. Other lengths in proportion, but
    /// never fewer than 15 without bubbles at a drive; what rounding leaves over goes to the
    /// bubbles, the highest drives first.
    ///
    /// # Errors
    /// [`SceneError`]: `seconds` below 30, or too few for its parts at this repetition, or above a
    /// day; otherwise as [`Scene::new`].
    pub fn demo(spec: &SceneSpec, seconds: f64, seed: u64) -> Result<Self, SceneError> {
        let repetition_hz = positive("drive.repetition_hz", spec.repetition_hz)?;
        let [shortest, most] = SECONDS;
        if seconds > most {
            return Err(SceneError::TooLong { seconds, most });
        }
        let [noise, baseline, uncoupled, ramp] = FEWEST;
        let pulses = noise + uncoupled + 6 * (baseline + ramp);
        let least = shortest.max(f64::from(pulses) / repetition_hz);
        if seconds.is_nan() || seconds < least {
            return Err(SceneError::TooShort { seconds, repetition_hz, least });
        }
        // Longer than a day of a million pulses a second nobody waits for.
        let pulses = (seconds * repetition_hz).min(f64::from(u32::MAX));
        Self::new(spec, Law::demo(), demo_steps(pulses), seed)
    }

    /// A scene of `steps` under `law`.
    ///
    /// # Errors
    /// [`SceneError`]: a sample format other than `ri16_le`, a number that is not finite or out of
    /// bounds, a record longer than a period.
    pub fn new(
        spec: &SceneSpec,
        law: Law,
        steps: Vec<Step>,
        seed: u64,
    ) -> Result<Self, SceneError> {
        let receive = &spec.signal.receive;
        if receive.sample_format != SampleFormat::Ri16Le {
            return Err(SceneError::Format(receive.sample_format.name()));
        }
        let repetition_hz = positive("drive.repetition_hz", spec.repetition_hz)?;
        let timing = timing(spec)?;
        for step in &steps {
            within("drive_mpa", step.drive_mpa, [0.0, 100.0])?;
        }
        let [low, high] = receive.full_scale_counts;
        let full_scale = [
            within("receive.full_scale_counts[0]", low, [-32_768.0, 0.0])?,
            within("receive.full_scale_counts[1]", high, [0.0, 32_767.0])?,
        ];
        let noise_v = libm::sqrt(0.5 * timing.rate_hz * law.noise_v2_per_hz);
        let mut decibels = 0.0;
        let mut channels = Vec::with_capacity(receive.channels);
        for volts_per_count in &receive.volts_per_count {
            let volts_per_count = positive("receive.volts_per_count", *volts_per_count)?;
            channels.push(Converter {
                counts_per_volt: amplitude_ratio(decibels) / volts_per_count,
                noise_counts: noise_v / volts_per_count,
            });
            decibels += law.channel_step_db;
        }
        let ziggurat = Ziggurat::new();
        Ok(Self { law, steps, seed, repetition_hz, channels, full_scale, timing, ziggurat })
    }

    /// How many pulses the scene has.
    #[must_use]
    pub fn pulse_count(&self) -> u64 {
        self.steps.iter().map(|step| u64::from(step.pulses)).sum()
    }

    /// Samples of a record, per channel.
    #[must_use]
    pub const fn record_samples(&self) -> usize {
        self.timing.record
    }

    /// Channels, interleaved in the records.
    #[must_use]
    pub const fn channels(&self) -> usize {
        self.channels.len()
    }

    /// Samples a second of each channel, Hz.
    #[must_use]
    pub const fn sample_rate_hz(&self) -> f64 {
        self.timing.rate_hz
    }

    /// The pulses in their order.
    pub fn pulses(&self) -> impl Iterator<Item = ScenePulse> + '_ {
        (0..self.pulse_count()).filter_map(|number| self.pulse(number))
    }

    /// A pulse by its number; nothing after the last.
    #[must_use]
    pub fn pulse(&self, number: u64) -> Option<ScenePulse> {
        let (mut first, mut injected) = (0, false);
        for step in &self.steps {
            let behind = first + u64::from(step.pulses);
            let injects = !injected && step.part == Part::Bubbles && step.pulses > 0;
            if number < behind {
                let first_sample =
                    nearest(f64_of(number) * self.timing.rate_hz / self.repetition_hz);
                let time_ns = nearest(f64_of(first_sample) / self.timing.rate_hz * 1e9);
                return Some(ScenePulse {
                    number,
                    part: step.part,
                    drive_mpa: step.drive_mpa,
                    injection_before: injects && number == first,
                    first_sample,
                    time_ns,
                });
            }
            injected |= injects;
            first = behind;
        }
        None
    }

    /// Writes a pulse's record into `counts`: [`Scene::record_samples`] sample sets, channels
    /// interleaved. What the buffers held is gone.
    pub fn record(&self, pulse: &ScenePulse, scratch: &mut Scratch, counts: &mut Vec<i16>) {
        let volts = &mut scratch.volts;
        volts.clear();
        volts.resize(self.timing.record, 0.0);
        let sounding = Sounding {
            drive_mpa: (pulse.part != Part::Silence).then_some(pulse.drive_mpa),
            bubbles: matches!(pulse.part, Part::Bubbles | Part::Uncoupled),
            coupled: pulse.part != Part::Uncoupled,
        };
        let mut random = generator([self.seed, pulse.number, SOUND]);
        let chance = (&self.ziggurat, &mut random);
        sound::add(&self.law, &self.timing, sounding, chance, volts);
        let stride = self.channels.len();
        counts.clear();
        counts.resize(volts.len() * stride, 0);
        for (channel, name) in self.channels.iter().zip(0..) {
            let mut random = generator([self.seed, pulse.number, name]);
            let places = counts.iter_mut().skip(usize_of(name)).step_by(stride);
            for (count, volt) in places.zip(volts.iter()) {
                let noise = channel.noise_counts * self.ziggurat.draw(&mut random);
                let [low, high] = self.full_scale;
                *count = count_of((channel.counts_per_volt * volt + noise).max(low).min(high));
            }
        }
    }
}

/// What [`Scene::record`] works in; keep it from pulse to pulse.
#[derive(Debug, Clone, Default)]
pub struct Scratch {
    volts: Vec<f64>,
}

/// The demo's steps for so many pulses, which are enough for its parts.
fn demo_steps(pulses: f64) -> Vec<Step> {
    let [noise, baseline, uncoupled, all] = DEMO_PULSES;
    let share = pulses / all;
    let part = |count: f64, fewest: u32| whole(count * share).max(fewest);
    let (noise, uncoupled) = (part(noise, FEWEST[0]), part(uncoupled, FEWEST[2]));
    let baseline = part(baseline, FEWEST[1]);
    let ramp = whole(pulses).saturating_sub(noise + uncoupled + 6 * baseline);
    let step = |part, drive_mpa, pulses| Step { part, drive_mpa, pulses };
    let mut steps = vec![step(Part::Silence, 0.0, noise)];
    steps.extend(DEMO_DRIVES_MPA.map(|drive| step(Part::NoBubbles, drive, baseline)));
    for (drive, place) in DEMO_DRIVES_MPA.into_iter().zip(0..) {
        steps.push(step(Part::Bubbles, drive, (ramp + place) / 6));
    }
    steps.push(step(Part::Uncoupled, DEMO_DRIVES_MPA[5], uncoupled));
    steps
}

/// Record, trigger, arrival and burst, within bounds.
fn timing(spec: &SceneSpec) -> Result<Timing, SceneError> {
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

fn positive(name: &'static str, value: f64) -> Result<f64, SceneError> {
    let bound = || "finite and above 0".to_owned();
    let fits = value.is_finite() && value > 0.0;
    if fits { Ok(value) } else { Err(SceneError::Bound { name, value, bound: bound() }) }
}

fn within(name: &'static str, value: f64, [low, high]: [f64; 2]) -> Result<f64, SceneError> {
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
fn nearest(value: f64) -> u64 {
    // The product of decimal numbers is first rounded to a millionth of a sample.
    (((value * 1e6).round_ties_even()) / 1e6).round_ties_even() as u64
}

/// A number of pulses.
fn whole(value: f64) -> u32 {
    u32::try_from(nearest(value)).unwrap_or(u32::MAX)
}

fn usize_of(value: u64) -> usize {
    usize::try_from(value).unwrap_or(usize::MAX)
}

#[allow(clippy::cast_precision_loss, reason = "pulse numbers and sample indices stay below 2^53")]
const fn f64_of(value: u64) -> f64 {
    value as f64
}

/// The nearest count, half to even, of a number within 16 bits.
#[inline]
#[allow(clippy::cast_possible_truncation, reason = "clipped to the converter's full scale before")]
fn count_of(value: f64) -> i16 {
    // 1.5·2⁵²: a sum of this size has no bits behind the point, and rounds as IEEE 754 says.
    const ROUNDER: f64 = 6_755_399_441_055_744.0;
    ((value + ROUNDER) - ROUNDER) as i16
}
