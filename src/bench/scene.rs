//! Scenes: which pulses come in which order, and the converter's counts of each.
//!
//! A scene is a list of [`Step`]s of pulses at one drive. Pulse k begins at sample
//! r(k·rate/repetition) of the device; its record reaches from pretrigger_s before the trigger to
//! 0.1 ms after the burst or the gate, whichever ends later. Each pulse depends on scene seed and
//! pulse number alone, so pulses can be made in any order.

use super::law::{Law, amplitude_ratio};
use super::layout::{self, Part, Step};
use super::noise::{Ziggurat, generator};
use super::path::Path;
use super::sound::{self, Sounding, Timing};
use super::spec::{SceneError, SceneSpec, f64_of, nearest, positive, timing, usize_of, within};
use crate::signal::{SampleFormat, as_f64};

/// Number of the generator that the sound of a pulse has; channels count from 0.
const SOUND: u64 = u64::MAX;

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
    path: Option<Path>,
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
    /// bubbles at each of them, then 20 uncoupled at 0.22 MPa. Other lengths in proportion, but
    /// never fewer than 15 without bubbles at a drive; what rounding leaves over goes to the
    /// bubbles, the highest drives first.
    ///
    /// # Errors
    /// [`SceneError`]: `seconds` below 30, or too few for its parts at this repetition, or above a
    /// day; otherwise as [`Scene::new`].
    pub fn demo(spec: &SceneSpec, seconds: f64, seed: u64) -> Result<Self, SceneError> {
        let repetition_hz = positive("drive.repetition_hz", spec.repetition_hz)?;
        Self::new(spec, Law::demo(), layout::demo(seconds, repetition_hz)?, seed)
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
        if receive.volts_per_count.len() != receive.channels {
            let (value, bound) = (
                as_f64(receive.volts_per_count.len()),
                format!("one a channel, {}", receive.channels),
            );
            return Err(SceneError::Bound {
                name: "the number of receive.volts_per_count",
                value,
                bound,
            });
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
        let path =
            law.path_loss.as_ref().map(|loss| Path::new(loss, timing.record, timing.rate_hz));
        Ok(Self { law, steps, seed, repetition_hz, channels, full_scale, timing, ziggurat, path })
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
        let behind = self.path.as_ref().map(|path| (path, &mut scratch.sound));
        sound::add(&self.law, &self.timing, sounding, chance, volts, behind);
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
    sound: Vec<f64>,
}

/// The nearest count, half to even, of a number within 16 bits.
#[inline]
#[allow(clippy::cast_possible_truncation, reason = "clipped to the converter's full scale before")]
fn count_of(value: f64) -> i16 {
    // 1.5·2⁵²: a sum of this size has no bits behind the point, and rounds as IEEE 754 says.
    const ROUNDER: f64 = 6_755_399_441_055_744.0;
    ((value + ROUNDER) - ROUNDER) as i16
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;
    use crate::signal::{BandSpec, ReceiveSpec, SignalSpec, SpectrumSpec, Window};

    const VOLTS: f64 = 6.103515625e-5;

    fn spec() -> SceneSpec {
        let receive = ReceiveSpec {
            sample_rate_hz: 20e6,
            channels: 1,
            sample_format: SampleFormat::Ri16Le,
            volts_per_count: vec![VOLTS],
            full_scale_counts: [-8192.0, 8191.0],
            gain_db: vec![0.0],
            pretrigger_s: 2e-3,
            gate_start_s: 0.2e-3,
            gate_end_s: 3.9e-3,
            noise_gate_s: Some([-1.95e-3, -0.05e-3]),
            first_arrival_s: Some(90e-6),
            unused_channels: Vec::new(),
        };
        let bands = BandSpec {
            harmonics: vec![2],
            ultraharmonic_halves: vec![3],
            subharmonic: true,
            line_half_width_hz: 15e3,
            guard_half_width_hz: 60e3,
            flank_half_width_hz: 150e3,
            broadband_hz: vec![[1.1e6, 6e6]],
            notches_hz: Vec::new(),
            noise_band_hz: None,
        };
        let spectrum = SpectrumSpec { resolution_hz: 5e3, window: Window::Hann, overlap: 0.5 };
        let signal = SignalSpec { drive_frequency_hz: 0.7e6, receive, spectrum, bands };
        SceneSpec { signal, pulse_s: 4e-3, repetition_hz: 5.0 }
    }

    fn scene(part: Part, drive_mpa: f64) -> Scene {
        let steps = vec![Step { part, drive_mpa, pulses: 8 }];
        Scene::new(&spec(), Law::demo(), steps, 1).unwrap()
    }

    fn counts(scene: &Scene, number: u64) -> Vec<i16> {
        let mut counts = vec![7; 3];
        let pulse = scene.pulse(number).unwrap();
        scene.record(&pulse, &mut Scratch::default(), &mut counts);
        counts
    }

    /// One-sided density of all pulses at these multiples of 5 kHz, V²/Hz, by the definition of the
    /// transform, over 17 stretches of 0.2 ms of the gate.
    fn density(scene: &Scene, bins: &[u32]) -> f64 {
        let (mut sum, mut terms) = (0.0, 0.0);
        for pulse in scene.pulses() {
            let counts = counts(scene, pulse.number);
            for stretch in counts[44_000..].chunks_exact(4000).take(17) {
                for bin in bins {
                    let power = transform(stretch, f64::from(*bin) / 4000.0);
                    sum += 2.0 * power * VOLTS * VOLTS / (4000.0 * 20e6);
                    terms += 1.0;
                }
            }
        }
        sum / terms
    }

    /// |Σ x·exp(−2πi·turns·n)|².
    fn transform(counts: &[i16], turns: f64) -> f64 {
        let (sin, cos) = (-TAU * turns).sin_cos();
        let (mut re, mut im, mut z) = (0.0, 0.0, [1.0, 0.0]);
        for count in counts {
            re += f64::from(*count) * z[0];
            im += f64::from(*count) * z[1];
            z = [z[0] * cos - z[1] * sin, z[0] * sin + z[1] * cos];
        }
        re * re + im * im
    }

    #[track_caller]
    fn check(value: f64, [low, high]: [f64; 2]) {
        assert!(value >= low && value <= high, "{value} is not from {low} to {high}");
    }

    #[test]
    fn the_same_seed_and_number_give_the_same_counts_in_any_order() {
        let scene = Scene::demo(&spec(), 60.0, 3).unwrap();
        let again = Scene::demo(&spec(), 60.0, 3).unwrap();
        let late = counts(&scene, 270);
        assert_eq!(counts(&again, 12), counts(&scene, 12));
        assert_eq!(counts(&again, 270), late);
        assert_eq!(late.len(), 122_000);
        assert_ne!(counts(&scene, 271), late);
        assert_ne!(counts(&Scene::demo(&spec(), 60.0, 4).unwrap(), 270), late);
    }

    #[test]
    fn pulses_come_in_the_rhythm_of_the_repetition_and_one_injection_before_the_bubbles() {
        let scene = Scene::demo(&spec(), 60.0, 3).unwrap();
        let pulses: Vec<ScenePulse> = scene.pulses().collect();
        assert_eq!(pulses.len(), 300);
        for (pulse, number) in pulses.iter().zip(0..) {
            let (first, time) = (pulse.first_sample, pulse.time_ns);
            assert_eq!(
                [pulse.number, first, time],
                [number, number * 4_000_000, number * 200_000_000]
            );
            assert_eq!(pulse.injection_before, number == 190, "pulse {number}");
        }
        let parts = [(9, Part::Silence), (10, Part::NoBubbles), (190, Part::Bubbles)];
        for (number, part) in parts.into_iter().chain([(280, Part::Uncoupled)]) {
            assert_eq!(pulses[number].part, part);
        }
        assert_eq!(scene.pulse(300), None);
    }

    #[test]
    fn silence_has_the_stated_density_and_the_quantisation_s() {
        // 80 bins of 5 kHz from 0.2 to 2.2 and 4 to 6 MHz: 10,880 terms, standard error 1 %.
        let bins: Vec<u32> = (40..440).step_by(10).chain((800..1200).step_by(10)).collect();
        let quantisation = VOLTS * VOLTS / 12.0 / 10e6;
        let found = density(&scene(Part::Silence, 0.0), &bins) / (1e-14 + quantisation);
        check(found, [0.96, 1.04]);
    }

    #[test]
    fn the_fundamental_falls_by_twenty_decibels_to_the_feed_through_when_uncoupled() {
        let fundamental = |part| density(&scene(part, 0.22), &[140]);
        let coupled = fundamental(Part::Bubbles);
        check(10.0 * (coupled / fundamental(Part::Uncoupled)).log10(), [19.5, 20.5]);
        check(10.0 * (coupled / fundamental(Part::NoBubbles)).log10(), [-0.1, 0.1]);
        // A sine of amplitude A has power A²/2; feed-through adds a hundredth.
        check(coupled * 5e3 / (0.5 * 0.11 * 0.11 * 1.01), [0.98, 1.02]);
    }

    #[test]
    fn the_subharmonic_sounds_above_its_onset_only_and_with_bubbles_only() {
        let subharmonic = |part, drive_mpa| density(&scene(part, drive_mpa), &[70]) / 1e-14;
        // 136 terms, standard error 9 %.
        check(subharmonic(Part::Bubbles, 0.12), [0.6, 1.5]);
        check(subharmonic(Part::NoBubbles, 0.30), [0.6, 1.5]);
        check(subharmonic(Part::Uncoupled, 0.30), [0.6, 1.5]);
        assert!(subharmonic(Part::Bubbles, 0.16) > 8.0);
    }

    #[test]
    fn the_floor_rises_above_the_inertial_onset_only() {
        // Midway between lines, 1.575 to 1.6 MHz; 816 terms, standard error 4 %.
        let floor = |part, drive_mpa| {
            density(&scene(part, drive_mpa), &[315, 316, 317, 318, 319, 320]) / 1e-14
        };
        check(floor(Part::Bubbles, 0.22), [0.83, 1.2]);
        check(floor(Part::NoBubbles, 0.30), [0.83, 1.2]);
        assert!(floor(Part::Bubbles, 0.30) > 2.0);
    }

    #[test]
    fn the_first_sound_comes_after_the_water_path() {
        let counts = counts(&scene(Part::NoBubbles, 0.30), 0);
        let largest = |from: usize, to: usize| {
            counts[from..to].iter().map(|count| count.unsigned_abs()).max().unwrap()
        };
        // 0.15 V are 2458 counts, feed-through 246; noise has a standard deviation of 5.2 counts.
        assert!(largest(0, 40_000) < 40);
        check(f64::from(largest(40_100, 41_800)), [230.0, 280.0]);
        check(f64::from(largest(42_300, 119_900)), [2458.0, 2700.0]);
        assert!(largest(121_800, 122_000) < 40);
    }

    #[test]
    fn counts_end_at_full_scale() {
        let mut spec = spec();
        spec.signal.receive.full_scale_counts = [-100.0, 99.0];
        let steps = vec![Step { part: Part::NoBubbles, drive_mpa: 0.3, pulses: 1 }];
        let counts = counts(&Scene::new(&spec, Law::demo(), steps, 1).unwrap(), 0);
        assert_eq!(counts.iter().min(), Some(&-100));
        assert_eq!(counts.iter().max(), Some(&99));
    }

    #[test]
    fn channels_hear_the_same_sound_a_step_weaker_each_with_noise_of_its_own() {
        let mut spec = spec();
        spec.signal.receive.channels = 2;
        spec.signal.receive.volts_per_count = vec![VOLTS; 2];
        let steps = vec![Step { part: Part::NoBubbles, drive_mpa: 0.3, pulses: 1 }];
        let both = counts(&Scene::new(&spec, Law::demo(), steps, 1).unwrap(), 0);
        let [first, second] =
            [0, 1].map(|channel| both.iter().skip(channel).step_by(2).copied().collect::<Vec<_>>());
        assert_eq!(first, counts(&scene(Part::NoBubbles, 0.3), 0));
        let line = |counts: &[i16]| transform(&counts[44_000..112_000], 0.035);
        check(10.0 * (line(&first) / line(&second)).log10(), [0.99, 1.01]);
        let sum = |one: &[i16], other: &[i16]| -> f64 {
            one.iter().zip(other).take(40_000).map(|(a, b)| f64::from(*a) * f64::from(*b)).sum()
        };
        // The tone is in both: amplitude 60 µV, a step weaker in the second.
        let tone = 0.5 * (60e-6 / VOLTS) * (60e-6 / VOLTS) * 0.891 * 40_000.0;
        let noise = sum(&first, &first).sqrt() * sum(&second, &second).sqrt();
        check((sum(&first, &second) - tone) / noise, [-0.0225, 0.0225]);
    }

    #[track_caller]
    fn check_fault(change: impl FnOnce(&mut SceneSpec), message: &str) {
        let mut spec = spec();
        change(&mut spec);
        assert_eq!(Scene::demo(&spec, 60.0, 1).unwrap_err().to_string(), message);
    }

    #[test]
    fn what_the_bench_cannot_make_is_said_with_value_and_bound() {
        check_fault(
            |spec| spec.signal.receive.sample_format = SampleFormat::Rf32Le,
            "receive.sample_format is rf32_le, the simulated bench writes ri16_le only",
        );
        check_fault(
            |spec| spec.repetition_hz = f64::NAN,
            "drive.repetition_hz is NaN, must be finite and above 0",
        );
        check_fault(
            |spec| spec.signal.receive.channels = 2,
            "the number of receive.volts_per_count is 1, must be one a channel, 2",
        );
        check_fault(
            |spec| spec.pulse_s = 0.3,
            "the record's length in seconds is 0.3021, must be from 0 to 0.2",
        );
        check_fault(
            |spec| spec.signal.receive.full_scale_counts[1] = 1e6,
            "receive.full_scale_counts[1] is 1000000, must be from 0 to 32767",
        );
        check_fault(
            |spec| spec.signal.receive.sample_rate_hz = 1e12,
            "the record's samples of all channels is 6100000000, must be from 1 to 67108864",
        );
        check_fault(
            |spec| spec.signal.drive_frequency_hz = 11e6,
            "drive.frequency_hz is 11000000, must be from 0 to 10000000",
        );
    }
}
