//! What a row says in pascals and corrected for the receive path's loss, where curves are given.
//!
//! Verdicts, limits and levels rest on volts alone; this stands beside them. Excess is the weighted
//! sum of a pulse's spectrum less that of the baseline's mean spectrum, for ultraharmonic and
//! subharmonic without the floor that the flanks say, as in volts.

use crate::signal::calibration::{Calibration, PerWeighting, Weighted};
use crate::signal::{ChannelReading, PerQuantity, Quantity, Weighting};

/// One channel of one pulse in pascals and corrected for loss.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Calibrated {
    /// The pulse's weighted powers.
    pub powers: PerWeighting<Option<Weighted>>,
    /// What they have over the baseline's; nothing without one.
    pub excess: PerWeighting<PerQuantity<Option<f64>>>,
}

impl Calibrated {
    /// Of a reading of the used channel at a place; nothing without curves or numbers.
    #[must_use]
    pub fn of(
        calibration: &Calibration,
        place: usize,
        reading: &ChannelReading,
    ) -> Option<Box<Self>> {
        let channel = calibration.channel(place)?;
        let powers =
            PerWeighting::from_fn(|weighting| channel.weighted(weighting, &reading.spectrum));
        powers.0.iter().any(Option::is_some).then(|| Box::new(Self { powers, ..Self::default() }))
    }

    /// Notes what stands over a baseline, for the quantities it has.
    pub(super) fn compare(
        &mut self,
        baseline: &PerWeighting<Option<Weighted>>,
        has: impl Fn(Quantity) -> bool,
    ) {
        self.excess = PerWeighting::from_fn(|weighting| {
            let both = self.powers[weighting].zip(baseline[weighting]);
            PerQuantity::from_fn(|quantity| {
                let (own, mean) = both.filter(|_| has(quantity))?;
                Some(own.net[quantity]? - mean.net[quantity]?)
            })
        });
    }

    /// Powers at the receiver's face, Pa².
    #[must_use]
    pub fn power_pa2(&self) -> PerQuantity<Option<f64>> {
        self.powers[Weighting::Pascal].map_or_else(PerQuantity::default, |found| found.power)
    }

    /// Power of the drive's line at the receiver's face, Pa².
    #[must_use]
    pub fn fundamental_pa2(&self) -> Option<f64> {
        self.powers[Weighting::Pascal]?.fundamental
    }

    /// Mean broadband density at the receiver's face, Pa²/Hz.
    #[must_use]
    pub fn broadband_pa2_per_hz(&self) -> Option<f64> {
        self.powers[Weighting::Pascal]?.broadband_per_hz
    }
}

/// Weighted powers between two drives of a baseline: powers in their logarithm, net line power
/// linearly.
pub(super) fn between(
    low: &PerWeighting<Option<Weighted>>,
    high: &PerWeighting<Option<Weighted>>,
    u: f64,
) -> PerWeighting<Option<Weighted>> {
    let linear = |a: Option<f64>, b: Option<f64>| Some((1.0 - u) * a? + u * b?);
    let logarithmic =
        |a: Option<f64>, b: Option<f64>| linear(a.map(libm::log), b.map(libm::log)).map(libm::exp);
    PerWeighting::from_fn(|weighting| {
        let (a, b) = (low[weighting]?, high[weighting]?);
        let power = PerQuantity::from_fn(|q| logarithmic(a.power[q], b.power[q]));
        Some(Weighted {
            power,
            net: PerQuantity::from_fn(|quantity| match quantity {
                Quantity::Ultraharmonic | Quantity::Subharmonic => {
                    linear(a.net[quantity], b.net[quantity])
                }
                Quantity::Harmonic | Quantity::Broadband => power[quantity],
            }),
            fundamental: logarithmic(a.fundamental, b.fundamental),
            broadband_per_hz: logarithmic(a.broadband_per_hz, b.broadband_per_hz),
        })
    })
}
