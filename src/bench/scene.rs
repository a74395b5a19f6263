//! Scenes: which pulses come in which order, and the converter's counts of each.
//!
//! A scene is a list of [`Step`]s of pulses at one drive. Pulse k begins k periods of the repetition
//! and the pauses so far after the start, counted in samples of the converter's clock; its record
//! reaches from pretrigger_s before the trigger to 0.1 ms after the burst or the gate, whichever ends
//! later. A [`Course`] goes through the pulses in their order; the samples of each depend on what the
//! course says of it, the scene's seed and its number alone.
//!
//! Volts of a channel are the cloud's and the drive's sound behind the channel's path, noise,
//! feed-through and tones, all times the gain; counts are these over volts_per_count, clipped to
//! full scale and rounded.

use rustfft::num_complex::Complex;

use super::bubble::closed::thermal_noise_pa2_per_hz;
use super::bubble::{Grid, Library, LibrarySpec, PopulationSpec, Truth};
use super::course::{Course, ScenePulse};
use super::drive::{Tone, add_tone};
use super::layout::{self, Part, Step};
use super::noise::{Ziggurat, generator, share};
use super::path::{Path, Way};
use super::setup::{Setup, amplitude_ratio, norm};
use super::spec::{
    SceneError, SceneSpec, Timing, check_channels, f64_of, nearest, positive, timing, usize_of,
    within,
};

/// Numbers of the generators of a pulse beside those of its channels, which count from 0.
const TONES: u64 = u64::MAX;
pub(super) const WANDER: u64 = u64::MAX - 1;
/// Number of the generator of a channel's reflections in place of a pulse's.
const REFLECTIONS: u64 = u64::MAX - 2;
/// Highest drive of a step, MPa: with all its wander it stays within what bubbles are computed for.
pub const HIGHEST_MPA: f64 = 3.0;
/// Longest pause before a step, s: a week.
const LONGEST_PAUSE_S: f64 = 604_800.0;

/// A scene: its pulses and, one at a time, their samples.
#[derive(Debug)]
pub struct Scene {
    pub(super) setup: Setup,
    pub(super) steps: Vec<Step>,
    pub(super) seed: u64,
    pub(super) repetition_hz: f64,
    /// Samples a second by the converter's own clock, Hz.
    pub(super) nominal_hz: f64,
    pub(super) timing: Timing,
    pub(super) library: Library,
    pub(super) ziggurat: Ziggurat,
    volts_per_count: Vec<f64>,
    full_scale: [f64; 2],
    positions_m: Vec<[f64; 3]>,
    paths: Vec<Path>,
}

impl Scene {
    /// The scene of `simmer demo` on a setup. In 300 pulses (60 s at 5 Hz): 10 without drive, 30
    /// before the injection at each of 0.06, 0.09, 0.12, 0.16, 0.22 and 0.30 MPa, then 15 after it at
    /// each of them, then 20 uncoupled at 0.22 MPa. Other lengths in proportion, but never fewer than
    /// 15 without bubbles at a drive; what rounding leaves over goes to the bubbles, the highest
    /// drives first.
    ///
    /// # Errors
    /// [`SceneError`]: `seconds` below 30, or too few for its parts at this repetition, or above a
    /// day; otherwise as [`Scene::new`].
    pub fn demo(
        spec: &SceneSpec,
        setup: Setup,
        seconds: f64,
        seed: u64,
    ) -> Result<Self, SceneError> {
        let repetition_hz = positive("drive.repetition_hz", spec.repetition_hz)?;
        Self::new(spec, setup, layout::demo(seconds, repetition_hz)?, seed)
    }

    /// A scene of `steps` on a setup.
    ///
    /// # Errors
    /// [`SceneError`]: a sample format other than `ri16_le`, a number that is not finite or out of
    /// bounds, receivers that do not fit the configuration or stand among the bubbles, a record
    /// longer than a period, bubbles that cannot be computed.
    pub fn new(
        spec: &SceneSpec,
        setup: Setup,
        steps: Vec<Step>,
        seed: u64,
    ) -> Result<Self, SceneError> {
        setup.check()?;
        check_channels(spec, &setup)?;
        let repetition_hz = positive("drive.repetition_hz", spec.repetition_hz)?;
        let timing = timing(spec, &setup)?;
        let highest_mpa = steps.iter().map(|step| step.drive_mpa).fold(0.0, f64::max);
        setup.amplifier.check_shock(highest_mpa)?;
        for step in &steps {
            within("step.drive_mpa", step.drive_mpa, [0.0, HIGHEST_MPA])?;
            within("step.pause_s", step.pause_s, [0.0, LONGEST_PAUSE_S])?;
        }
        let library = Library::new(library(&setup, &timing, &steps))?;
        let receive = &spec.signal.receive;
        let paths = (0..).zip(&setup.receivers).map(|(channel, receiver)| {
            let way = Way {
                absorption: setup.absorption,
                distance_m: norm(receiver.position_m),
                thermal: thermal_noise_pa2_per_hz(&setup.liquid, setup.temperature_k, 1.0),
                loss: setup.plate_loss.as_ref(),
                sensitivity_v_per_pa: receiver.sensitivity_v_per_pa,
                response: receiver.response.as_ref(),
                reverberation: setup.reverberation,
            };
            let mut random = generator([seed, REFLECTIONS, channel]);
            Path::new(&way, timing.record, timing.rate_hz, &mut random)
        });
        let paths = paths.collect();
        Ok(Self {
            positions_m: setup.receivers.iter().map(|receiver| receiver.position_m).collect(),
            volts_per_count: receive.volts_per_count.clone(),
            full_scale: receive.full_scale_counts,
            nominal_hz: receive.sample_rate_hz,
            ziggurat: Ziggurat::new(),
            setup,
            steps,
            seed,
            repetition_hz,
            timing,
            library,
            paths,
        })
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
        self.paths.len()
    }

    /// Samples a second of each channel by the converter's clock, Hz.
    #[must_use]
    pub const fn sample_rate_hz(&self) -> f64 {
        self.nominal_hz
    }

    /// Device index behind the last pulse's record.
    #[must_use]
    pub fn end_sample(&self) -> u64 {
        let pulses = self.pulse_count();
        let Some(last) = pulses.checked_sub(1) else { return 0 };
        let sounding = self.steps.iter().filter(|step| step.pulses > 0);
        let paused_s: f64 = sounding.map(|step| step.pause_s).sum();
        let time_s = f64_of(last) / self.repetition_hz + paused_s;
        let record = u64::try_from(self.timing.record).unwrap_or(u64::MAX);
        nearest(time_s * self.timing.rate_hz).saturating_add(record)
    }

    /// The pulses in their order.
    ///
    /// # Errors
    /// As [`Course::new`]; each pulse as [`Course::next`].
    pub fn pulses(
        &self,
    ) -> Result<impl Iterator<Item = Result<ScenePulse, SceneError>> + '_, SceneError> {
        let mut course = Course::new(self)?;
        Ok(std::iter::from_fn(move || course.next(self)))
    }

    /// Sounds of single bubbles that its pulses will want, as jobs for [`Scene::learn`]; whatever is
    /// not learnt before is when a pulse needs it, to the same sounds.
    #[must_use]
    pub fn lessons(&self) -> Vec<usize> {
        if !self.steps.iter().any(|step| step.injection) {
            return Vec::new();
        }
        let drives: Vec<f64> = self.steps.iter().map(|step| step.drive_mpa * 1e6).collect();
        self.library.reachable(&self.setup.population, &drives)
    }

    /// Makes one of these sounds.
    ///
    /// # Errors
    /// [`SceneError`] when the bubble's motion cannot be computed.
    pub fn learn(&self, lesson: usize) -> Result<(), SceneError> {
        self.library.cell(lesson)?;
        Ok(())
    }

    /// Writes a pulse's record into `counts`: [`Scene::record_samples`] sample sets, channels
    /// interleaved; gives what the bubbles did. What the buffers held is gone.
    ///
    /// # Errors
    /// [`SceneError`] when the bubbles' sound cannot be computed.
    pub fn record(
        &self,
        pulse: &ScenePulse,
        scratch: &mut Scratch,
        counts: &mut Vec<i16>,
    ) -> Result<Truth, SceneError> {
        let timing = &self.timing;
        let heard = timing.record.saturating_sub(timing.trigger);
        scratch.ears_pa.resize_with(self.paths.len(), Vec::new);
        for ear in &mut scratch.ears_pa {
            ear.clear();
            ear.resize(heard, 0.0);
        }
        let travel_s = self.setup.travel_m() / self.setup.liquid.sound_speed_m_per_s;
        let truth =
            self.library.sound(&pulse.cloud, travel_s, &self.positions_m, &mut scratch.ears_pa)?;
        counts.clear();
        counts.resize(timing.record * self.paths.len(), 0);
        scratch.emissions_v.resize_with(self.paths.len(), Vec::new);
        for channel in 0..self.paths.len() {
            self.channel(pulse, channel, scratch, counts);
        }
        Ok(truth)
    }

    /// One channel's counts.
    fn channel(
        &self,
        pulse: &ScenePulse,
        channel: usize,
        scratch: &mut Scratch,
        counts: &mut [i16],
    ) {
        let (setup, timing) = (&self.setup, &self.timing);
        let gain = amplitude_ratio(pulse.gain_db);
        let coupling = if pulse.coupled { 1.0 } else { amplitude_ratio(setup.uncoupled_db) };
        let driven = pulse.part != Part::Silence && pulse.given_mpa > 0.0;
        let Scratch { ears_pa, emissions_v, bins, volts } = scratch;
        bins.clear();
        if driven {
            bins.resize(timing.trigger.min(timing.record), Complex::default());
            bins.extend(ears_pa[channel].iter().map(|pa| Complex::new(coupling * pa, 0.0)));
            let receiver = &setup.receivers[channel];
            let arrival_s = setup.first_arrival_s(receiver);
            let level = (pulse.given_mpa, coupling * receiver.direct_share);
            let sound = Tone::sound(&setup.amplifier, timing, arrival_s, level);
            sound.add(timing, bins, |sample, value| sample.im += value);
        }
        let name = u64::try_from(channel).unwrap_or(u64::MAX);
        let mut random = generator([self.seed, pulse.number, name]);
        let density = setup.electronics.noise_v2_per_hz * libm::pow(10.0, pulse.noise_db / 10.0);
        self.paths[channel].hear(bins, driven, density, (&self.ziggurat, &mut random));
        volts.clear();
        volts.extend(bins[..timing.record].iter().map(|bin| bin.re + bin.im));
        emissions_v[channel].clear();
        if driven && !pulse.cloud.is_empty() {
            emissions_v[channel].extend(bins[..timing.record].iter().map(|bin| gain * bin.re));
        } else {
            // Not the transform's rounding: nothing sounds.
            emissions_v[channel].resize(timing.record, 0.0);
        }
        if driven {
            Tone::feed_through(&setup.amplifier, timing, pulse.given_mpa).add(
                timing,
                volts,
                |volt, value| *volt += value,
            );
        }
        let mut random = generator([self.seed, pulse.number, TONES]);
        for tone in &setup.electronics.tones {
            add_tone(*tone, timing.rate_hz, share(&mut random), volts);
        }
        let counts_per_volt = gain / self.volts_per_count[channel];
        let [low, high] = self.full_scale;
        let places = counts.iter_mut().skip(channel).step_by(self.paths.len());
        for (count, volt) in places.zip(volts.iter()) {
            *count = count_of((counts_per_volt * volt).max(low).min(high));
        }
    }
}

/// What [`Scene::record`] works in; keep it from pulse to pulse.
#[derive(Debug, Clone, Default)]
pub struct Scratch {
    ears_pa: Vec<Vec<f64>>,
    /// What the bubbles alone give at each channel's converter, V.
    pub(super) emissions_v: Vec<Vec<f64>>,
    bins: Vec<Complex<f64>>,
    volts: Vec<f64>,
}

/// Neighbouring radii and pressures of the library stand in these ratios: a bubble takes the nearest,
/// which is at most half of that off.
const RADIUS_RATIO: f64 = 1.14;
const PRESSURE_RATIO: f64 = 1.11;
/// Radii reach so many standard deviations to either side, pressures so many of the drive's wander.
const REACH: f64 = 2.5;
pub(super) const WANDER_REACH: f64 = 4.0;
/// A drive for the library of a scene that has none, Pa.
const NO_DRIVE_PA: f64 = 1e5;

/// The least and the largest radius that a population's library has, m.
#[must_use]
pub fn reached_radii_m(population: &PopulationSpec) -> [f64; 2] {
    let spread = libm::exp(REACH * population.radius_sigma);
    [population.median_radius_m / spread, population.median_radius_m * spread]
}

/// The library a setup needs for the drives of some steps.
fn library(setup: &Setup, timing: &Timing, steps: &[Step]) -> LibrarySpec {
    let population = &setup.population;
    let driven = steps.iter().map(|step| step.drive_mpa * 1e6).filter(|pa| *pa > 0.0);
    let highest_pa = driven.clone().reduce(f64::max).unwrap_or(NO_DRIVE_PA);
    let lowest_pa = driven.reduce(f64::min).unwrap_or(NO_DRIVE_PA);
    let [least_m, most_m] = reached_radii_m(population);
    let wander = 1.0 + WANDER_REACH * setup.amplifier.wander;
    // Below the lowest pressure sound is taken in proportion; nothing is heard of so little.
    let faintest_pa = (lowest_pa * population.least_share / wander).max(LEAST_PA);
    LibrarySpec {
        liquid: setup.liquid,
        shell: setup.shell,
        polytropic_exponent: setup.polytropic_exponent,
        frequency_hz: timing.frequency_hz,
        sample_rate_hz: timing.rate_hz,
        burst_s: timing.burst_s,
        ramp_s: setup.amplifier.ramp_s,
        radii_m: grid(least_m, most_m, RADIUS_RATIO),
        pressures_pa: grid(
            faintest_pa,
            (highest_pa * wander).max(2.0 * faintest_pa),
            PRESSURE_RATIO,
        ),
    }
}

/// Least pressure of a library, Pa.
const LEAST_PA: f64 = 100.0;

/// Places from one number to another in about that ratio, two at least.
fn grid(from: f64, to: f64, ratio: f64) -> Grid {
    let steps = libm::ceil(libm::log(to / from) / libm::log(ratio)).max(1.0);
    Grid { from, to, count: usize_of(nearest(steps)) + 1 }
}

/// The nearest count, half to even, of a number within 16 bits.
#[inline]
#[allow(clippy::cast_possible_truncation, reason = "clipped to the converter's full scale before")]
fn count_of(value: f64) -> i16 {
    // 1.5·2⁵²: a sum of this size has no bits behind the point, and rounds as IEEE 754 says.
    const ROUNDER: f64 = 6_755_399_441_055_744.0;
    ((value + ROUNDER) - ROUNDER) as i16
}
