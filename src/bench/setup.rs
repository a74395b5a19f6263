//! What a simulated bench is made of: liquid, transducer, agent, receivers, way, electronics.
//!
//! Positions are in metres from the focus; the beam runs along +z, so that the transducer's apex lies
//! at z = −F and receivers opposite the transducer at z > 0.

use super::bubble::{Bowl, Liquid, PopulationSpec, Shell};
use super::path::{Absorption, Reverberation};
use super::spec::{SceneError, positive, within};
use crate::signal::{Curve, as_f64};

/// Most receivers; a library of sounds is heard by each of them.
pub const MOST_RECEIVERS: usize = 64;
/// Furthest a receiver may be from the focus, m.
pub const FURTHEST_M: f64 = 10.0;
/// Most harmonics of the amplifier, and most changes of the gain.
pub const MOST_ENTRIES: usize = 64;

/// A bench, all but what is done on it.
#[derive(Debug, Clone)]
pub struct Setup {
    /// What fills the tank.
    pub liquid: Liquid,
    /// Its temperature, K; only the thermal noise needs it.
    pub temperature_k: f64,
    /// The transducer, a bowl that is driven as a whole.
    pub bowl: Bowl,
    /// Amplifier and the drive's way.
    pub amplifier: Amplifier,
    /// The bubbles' shells.
    pub shell: Shell,
    /// Polytropic exponent of the gas, with shell and without.
    pub polytropic_exponent: f64,
    /// How many bubbles of which size are where and for how long.
    pub population: PopulationSpec,
    /// Receivers, one a channel.
    pub receivers: Vec<Receiver>,
    /// What the way from the focus to the receivers absorbs.
    pub absorption: Absorption,
    /// Loss of a plate between focus and receivers, dB over frequency.
    pub plate_loss: Option<Curve>,
    /// Reflections of the tank.
    pub reverberation: Option<Reverberation>,
    /// Sound heard by receivers that have lost their coupling over that of coupled ones, dB.
    pub uncoupled_db: f64,
    /// Preamplifier and converter.
    pub electronics: Electronics,
}

/// The amplifier, and what the water makes of its wave.
#[derive(Debug, Clone, PartialEq)]
pub struct Amplifier {
    /// Length of the burst's raised-cosine ramps, s.
    pub ramp_s: f64,
    /// Standard deviation of its amplitude from pulse to pulse, a share.
    pub wander: f64,
    /// Its own harmonics from the second on, dB re the fundamental.
    pub harmonics_db: Vec<f64>,
    /// σ of the propagation harmonics per drive, 1/MPa: amplitude of harmonic h over that of the
    /// fundamental J_h(hσ)/(h·J_1(σ)), Fubini's series for a wave before its shock, σ below 1
    /// (Fubini 1935; in English: Blackstock, J. Acoust. Soc. Am. 39, 1019, 1966).
    pub shock_per_mpa: f64,
    /// Amplitude that the drive leaves in the receive channels by wire, V/MPa, for as long as it lasts.
    pub feed_through_v_per_mpa: f64,
}

/// One receiver.
#[derive(Debug, Clone, PartialEq)]
pub struct Receiver {
    /// Where it is from the focus, m.
    pub position_m: [f64; 3],
    /// Sensitivity with its preamplifier, V/Pa.
    pub sensitivity_v_per_pa: f64,
    /// Response over frequency, dB re that sensitivity; without it, flat.
    pub response: Option<Curve>,
    /// Drive's own sound at the receiver over that at the focus, a share.
    pub direct_share: f64,
}

/// From the receivers' volts to counts.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Electronics {
    /// One-sided density of the white noise, V²/Hz.
    pub noise_v2_per_hz: f64,
    /// Standard deviation of its level from pulse to pulse, dB.
    pub noise_wander_db: f64,
    /// Correlation of that level from one pulse to the next.
    pub noise_correlation: f64,
    /// Tones that are no sound: frequency, Hz, and amplitude, V; phase random in each pulse.
    pub tones: Vec<[f64; 2]>,
    /// Drift of the gain, dB/s.
    pub gain_drift_db_per_s: f64,
    /// Steps of the gain: the first pulse that has it, and dB.
    pub gain_steps: Vec<(u64, f64)>,
    /// How much faster the converter's clock runs than the drive's, a share of 1e-6.
    pub clock_ppm: f64,
}

impl Setup {
    /// The distance from the transducer's apex to the focus, m.
    #[must_use]
    pub const fn travel_m(&self) -> f64 {
        self.bowl.curvature_radius_m
    }

    /// From trigger to the drive's own sound at a receiver, s: the way from the transducer's apex.
    #[must_use]
    pub fn first_arrival_s(&self, receiver: &Receiver) -> f64 {
        let [x, y, z] = receiver.position_m;
        norm([x, y, z + self.travel_m()]) / self.liquid.sound_speed_m_per_s
    }

    /// Looks at what can be wrong with numbers and positions; the liquid, the bubbles and the bowl
    /// are looked at by whoever computes with them.
    pub(super) fn check(&self) -> Result<(), SceneError> {
        positive("liquid.sound_speed_m_per_s", self.liquid.sound_speed_m_per_s)?;
        within("liquid.temperature_k", self.temperature_k, [200.0, 400.0])?;
        within("transducer.focal_length_m", self.travel_m(), [1e-3, FURTHEST_M])?;
        let count = as_f64(self.receivers.len());
        within("the number of receivers", count, [1.0, as_f64(MOST_RECEIVERS)])?;
        for (place, receiver) in self.receivers.iter().enumerate() {
            self.check_receiver(place, receiver)?;
        }
        let amplifier = &self.amplifier;
        within("amplifier.ramp_s", amplifier.ramp_s, [0.0, 1.0])?;
        within("amplifier.wander", amplifier.wander, [0.0, 0.1])?;
        within("amplifier.shock_per_mpa", amplifier.shock_per_mpa, [0.0, 10.0])?;
        within("amplifier.feed_through_v_per_mpa", amplifier.feed_through_v_per_mpa, [0.0, 1e6])?;
        for level_db in &amplifier.harmonics_db {
            within("amplifier.harmonics_db", *level_db, [-300.0, 0.0])?;
        }
        if let Absorption::Power { db_per_m, exponent } = self.absorption {
            within("tank.absorption in dB/m", db_per_m, [0.0, 1e4])?;
            within("tank.absorption_exponent", exponent, [0.0, 3.0])?;
        }
        if let Some(reverberation) = self.reverberation {
            within("reverberation.share_db", reverberation.share_db, [-300.0, 40.0])?;
            positive("reverberation.decay_s", reverberation.decay_s)?;
        }
        within("uncoupled_db", self.uncoupled_db, [-300.0, 0.0])?;
        self.electronics.check()
    }

    fn check_receiver(&self, place: usize, receiver: &Receiver) -> Result<(), SceneError> {
        let distance_m = norm(receiver.position_m);
        let nearest_m = self.nearest_m();
        if !(nearest_m..=FURTHEST_M).contains(&distance_m) {
            return Err(SceneError::Position {
                receiver: place,
                distance_m,
                nearest_m,
                furthest_m: FURTHEST_M,
            });
        }
        positive("receiver.sensitivity_v_per_pa", receiver.sensitivity_v_per_pa)?;
        within("receiver.direct_share", receiver.direct_share, [0.0, 1.0])?;
        Ok(())
    }

    /// How near to the focus a receiver may be, m: twice as far as any bubble, and never nearer to one
    /// than sound is computed for.
    #[must_use]
    pub fn nearest_m(&self) -> f64 {
        let furthest_m = self.population.furthest_m();
        furthest_m + furthest_m.max(super::bubble::sound::NEAREST_M)
    }
}

impl Amplifier {
    /// The largest σ that pulses at a drive as set can have, MPa: with what the amplitude wanders.
    #[must_use]
    pub fn highest_sigma(&self, drive_mpa: f64) -> f64 {
        self.shock_per_mpa * drive_mpa * (1.0 + super::scene::WANDER_REACH * self.wander)
    }

    /// Looks whether waves at a drive stay before their shock.
    pub(super) fn check_shock(&self, drive_mpa: f64) -> Result<(), SceneError> {
        let value = self.highest_sigma(drive_mpa);
        let (name, bound) =
            ("amplifier.shock_per_mpa times the highest drive", "below 1".to_owned());
        if value < 1.0 { Ok(()) } else { Err(SceneError::Bound { name, value, bound }) }
    }
}

impl Electronics {
    fn check(&self) -> Result<(), SceneError> {
        within("electronics.noise_v2_per_hz", self.noise_v2_per_hz, [0.0, 1.0])?;
        within("electronics.noise_wander_db", self.noise_wander_db, [0.0, 40.0])?;
        within("electronics.noise_correlation", self.noise_correlation, [0.0, 0.999])?;
        for [frequency_hz, amplitude_v] in &self.tones {
            positive("tone.frequency_hz", *frequency_hz)?;
            within("tone.amplitude_v", *amplitude_v, [0.0, 1e6])?;
        }
        within("electronics.gain_drift_db_per_s", self.gain_drift_db_per_s, [-100.0, 100.0])?;
        for (_, db) in &self.gain_steps {
            within("gain_step.db", *db, [-200.0, 200.0])?;
        }
        within("electronics.clock_ppm", self.clock_ppm, [-1e5, 1e5])?;
        Ok(())
    }
}

/// Length of a vector.
#[must_use]
pub fn norm([x, y, z]: [f64; 3]) -> f64 {
    libm::sqrt(x * x + y * y + z * z)
}

/// The amplitude ratio of so many decibels.
#[must_use]
pub fn amplitude_ratio(decibels: f64) -> f64 {
    libm::pow(10.0, decibels / 20.0)
}
