//! The pulses of a scene one after the other: what is true of each before its samples are made.
//!
//! Bubbles flow, lose their shells and perish from pulse to pulse, and the noise's level wanders, so
//! pulses are gone through in their order. What a pulse then holds is all that its samples need, and
//! those can be made in any order and by any thread.

use std::sync::Arc;

use super::bubble::{Population, Present};
use super::layout::{Part, Step};
use super::noise::generator;
use super::scene::{Scene, WANDER};
use super::spec::{SceneError, f64_of, nearest};

/// One pulse of a scene, without its samples.
#[derive(Debug, Clone)]
pub struct ScenePulse {
    /// Its number, from 0.
    pub number: u64,
    /// What it is for.
    pub part: Part,
    /// Drive as set, MPa; 0 in silence.
    pub drive_mpa: f64,
    /// The target's name.
    pub target: Arc<str>,
    /// Whether bubbles are injected just before it.
    pub injection_before: bool,
    /// Whether the receivers are coupled.
    pub coupled: bool,
    /// Device index of its first sample.
    pub first_sample: u64,
    /// Device time of that sample since the scene's start, ns.
    pub time_ns: u64,
    /// Drive as the amplifier gave it, MPa.
    pub given_mpa: f64,
    /// Level of the electronics' noise over its mean, and the gain over that at the start, dB.
    pub(super) noise_db: f64,
    pub(super) gain_db: f64,
    /// The bubbles that sound.
    pub(super) cloud: Vec<Present>,
}

impl ScenePulse {
    /// Device time of its first sample since the scene's start, s.
    #[must_use]
    pub fn time_s(&self) -> f64 {
        f64_of(self.time_ns) / 1e9
    }
}

/// Where a walk through a scene is.
#[derive(Debug)]
pub struct Course {
    population: Population,
    /// The next pulse's number, its step and its place in that step.
    number: u64,
    step: usize,
    place: u32,
    /// Pauses so far, s.
    paused_s: f64,
    noise_db: f64,
}

impl Course {
    /// Before the first pulse.
    ///
    /// # Errors
    /// [`SceneError`] when there can be no such bubbles.
    pub fn new(scene: &Scene) -> Result<Self, SceneError> {
        let population = Population::new(scene.setup.population, scene.seed)?;
        Ok(Self { population, number: 0, step: 0, place: 0, paused_s: 0.0, noise_db: 0.0 })
    }

    /// The next pulse of that scene; nothing after the last.
    ///
    /// # Errors
    /// [`SceneError`] when a bubble's motion cannot be computed.
    pub fn next(&mut self, scene: &Scene) -> Option<Result<ScenePulse, SceneError>> {
        while self.place >= scene.steps.get(self.step)?.pulses {
            self.step += 1;
            self.place = 0;
        }
        let step = &scene.steps[self.step];
        if self.place == 0 {
            self.paused_s += step.pause_s;
        }
        Some(self.pulse(scene, step))
    }

    fn pulse(&mut self, scene: &Scene, step: &Step) -> Result<ScenePulse, SceneError> {
        let (number, nominal_hz) = (self.number, scene.nominal_hz);
        let injection_before = step.injection && self.place == 0;
        let time_s = f64_of(number) / scene.repetition_hz + self.paused_s;
        let electronics = &scene.setup.electronics;
        let mut random = generator([scene.seed, number, WANDER]);
        let [level, wander] = [(); 2].map(|()| scene.ziggurat.draw(&mut random));
        let rho = if number == 0 { 0.0 } else { electronics.noise_correlation };
        self.noise_db =
            rho * self.noise_db + libm::sqrt(1.0 - rho * rho) * electronics.noise_wander_db * level;
        let stepped: f64 = electronics
            .gain_steps
            .iter()
            .filter(|(from, _)| number >= *from)
            .map(|(_, db)| *db)
            .sum();
        let given_mpa = step.drive_mpa * (1.0 + scene.setup.amplifier.wander * wander);
        if injection_before {
            self.population.inject(time_s)?;
        }
        let cloud = self.population.pulse(&scene.library, time_s, given_mpa * 1e6)?;
        // The converter's clock counts the drive's period by its own rate.
        let first_sample = nearest(time_s * scene.timing.rate_hz);
        self.number += 1;
        self.place += 1;
        Ok(ScenePulse {
            number,
            part: step.part,
            drive_mpa: step.drive_mpa,
            target: Arc::clone(&step.target),
            injection_before,
            coupled: step.coupled,
            first_sample,
            time_ns: nearest(f64_of(first_sample) / nominal_hz * 1e9),
            given_mpa,
            noise_db: self.noise_db,
            gain_db: electronics.gain_drift_db_per_s * time_s + stepped,
            cloud,
        })
    }
}
