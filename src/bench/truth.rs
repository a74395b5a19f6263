//! What is true of a pulse, in the analysis' own quantities: the power that the bubbles alone give at
//! each channel's converter, without noise, drive, feed-through, tones and rounding.
//!
//! It is heard by [`Ear`] under the same band plan as the record, so that it stands beside the measured
//! powers and the detection limits in V². The ear computes in single precision; rounding is 1e-6 of
//! the strongest line of the cloud in its neighbourhood, not of the drive's line, which is not there.

use super::scene::Scratch;
use crate::signal::{ChannelReading, Ear, Heard, PerQuantity, Plan, Quantity};

/// Power of the bubbles' sound at one channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Emitted {
    /// Of each quantity, V²; nothing for one that is not looked at.
    pub power_v2: PerQuantity<Option<f64>>,
    /// Mean density over the broadband, V²/Hz.
    pub broadband_v2_per_hz: Option<f64>,
}

/// Hears what bubbles emit.
pub struct Witness<'a> {
    plan: &'a Plan,
    ear: Ear,
    reading: ChannelReading,
    samples: Vec<f32>,
}

impl<'a> Witness<'a> {
    /// By the bands of a plan.
    #[must_use]
    pub fn new(plan: &'a Plan) -> Self {
        Self { plan, ear: Ear::new(plan), reading: ChannelReading::default(), samples: Vec::new() }
    }

    /// The emission of the pulse that [`super::Scene::record`] has just made in this scratch, one a
    /// channel.
    pub fn hear(&mut self, scratch: &Scratch) -> Vec<Emitted> {
        scratch.emissions_v.iter().map(|volts| self.channel(volts)).collect()
    }

    fn channel(&mut self, volts: &[f64]) -> Emitted {
        // A scale near 1 keeps squares of single precision away from their ends.
        let largest = volts.iter().fold(0.0, |largest: f64, volt| largest.max(volt.abs()));
        let unit = if largest > 0.0 { largest } else { 1.0 };
        self.samples.clear();
        self.samples.extend(volts.iter().map(|volt| single(volt / unit)));
        self.ear.begin(self.plan, None);
        self.ear.push(self.plan, 0, &self.samples);
        self.ear.finish(self.plan, unit, false, &mut self.reading);
        let Heard::Measured(measured) = self.reading.heard() else {
            // A record reaches over the gate, and a library's sound is finite.
            return Emitted { power_v2: PerQuantity([None; 4]), broadband_v2_per_hz: None };
        };
        Emitted {
            power_v2: PerQuantity::from_fn(|quantity| {
                measured.bands[quantity].map(|band| band.power_v2)
            }),
            broadband_v2_per_hz: measured.bands[Quantity::Broadband]
                .map(|band| band.density_v2_per_hz),
        }
    }
}

#[allow(clippy::cast_possible_truncation, reason = "single precision is what the ear computes in")]
const fn single(value: f64) -> f32 {
    value as f32
}
