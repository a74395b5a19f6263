//! One row of the pulse table, and the verdict in it.

use std::sync::Arc;

use super::calibrated::Calibrated;
use super::cumulative::Established;
use super::pulse::{Channel, PulseTime, Stage};
use super::reference::ChannelReference;
use crate::signal::measure::Quarter;
use crate::signal::{PerQuantity, Quantity, Weighting};
use crate::stats::CumulativeHearing;

/// What a pulse's sound says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// Nothing over its limit, and it would have been heard from the detection limit on.
    NotDetected,
    /// A line of stable cavitation passed.
    Stable,
    /// The broadband passed.
    Inertial,
    /// Silence that means nothing.
    Indeterminate,
}

impl Verdict {
    /// The word in tables.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::NotDetected => "not_detected",
            Self::Stable => "stable",
            Self::Inertial => "inertial",
            Self::Indeterminate => "indeterminate",
        }
    }
}

/// A row: one pulse on one channel, or a pulse that never came.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The pulse's number; nothing for one that never came.
    pub pulse: Option<u64>,
    /// When.
    pub time: PulseTime,
    /// Which channel.
    pub channel: Channel,
    /// Target's name.
    pub target: Arc<str>,
    /// Exposure's number; nothing in other stages.
    pub exposure: Option<u32>,
    /// Stage.
    pub stage: Stage,
    /// Drive, MPa.
    pub drive_mpa: Option<f64>,
    /// Drive as set.
    pub drive_setting: Option<f64>,
    /// P of each quantity, V².
    pub power_v2: PerQuantity<Option<f64>>,
    /// Power of the drive's line, V².
    pub fundamental_v2: Option<f64>,
    /// Mean broadband density, V²/Hz.
    pub broadband_v2_per_hz: Option<f64>,
    /// Level over baseline, dB.
    pub level_db: PerQuantity<Option<f64>>,
    /// The drive's line over its baseline, dB.
    pub fundamental_db: Option<f64>,
    /// The noise gate's density over its baseline, dB.
    pub noise_db: Option<f64>,
    /// Excess dose of the exposure so far, V²·s.
    pub excess_dose_v2s: PerQuantity<Option<f64>>,
    /// Since the last injection, s.
    pub since_injection_s: Option<f64>,
    /// Share of clipped samples in the gate.
    pub clipped_share: Option<f64>,
    /// Verdict; nothing in other stages.
    pub verdict: Option<Verdict>,
    /// Why: parts joined by `; `, no comma.
    pub reason: String,
    /// λ, dB.
    pub lambda_db: PerQuantity<Option<f64>>,
    /// λ over its baseline's mean, dB.
    pub detect_db: PerQuantity<Option<f64>>,
    /// The limit over that mean, dB.
    pub limit_db: PerQuantity<Option<f64>>,
    /// Detection limit of one pulse over that mean, dB.
    pub hear_db: PerQuantity<Option<f64>>,
    /// Detection limit of the exposure's pulses at this drive together, dB over that mean; nothing
    /// while there is none or where this pulse took no part.
    pub hear_cumulative_db: PerQuantity<Option<f64>>,
    /// What more pulses, or a longer baseline, could show.
    pub hearing: PerQuantity<Option<CumulativeHearing>>,
    /// What the exposure's pulses have established together so far.
    pub established: PerQuantity<Option<Established>>,
    /// What it was compared with.
    pub reference: Option<Arc<ChannelReference>>,
    /// The loudest quarter of the gate: its broadband and when.
    pub loudest_quarter: Option<Quarter>,
    /// Amplitude of the drive at its monitor, V.
    pub drive_monitor_v: Option<f64>,
    /// That over its baseline at the same drive, dB.
    pub drive_monitor_db: Option<f64>,
    /// Pascals and what is corrected for the receive path's loss; nothing without curves.
    pub calibrated: Option<Box<Calibrated>>,
}

impl Row {
    /// Detection limits of one pulse as added power, P̄·(10^(L/10) − 1) over the quantity's lines,
    /// V²; nothing for `all`.
    #[must_use]
    pub fn hear_v2(&self) -> PerQuantity<Option<f64>> {
        self.added_v2(&self.hear_db)
    }

    /// Detection limits of pulses together as added power, V²; nothing for `all`.
    #[must_use]
    pub fn hear_cumulative_v2(&self) -> PerQuantity<Option<f64>> {
        self.added_v2(&self.hear_cumulative_db)
    }

    /// Detection limits of one pulse as added power at the receiver's face, Pa²; nothing without a
    /// sensitivity and for `all`.
    #[must_use]
    pub fn hear_pa2(&self) -> PerQuantity<Option<f64>> {
        let reference = self.reference.as_ref().filter(|_| self.channel != Channel::All);
        PerQuantity::from_fn(|quantity: Quantity| {
            let mean_pa2 = reference?.calibrated[Weighting::Pascal]?.power[quantity]?;
            Some(mean_pa2 * (libm::pow(10.0, self.hear_db[quantity]? / 10.0) - 1.0))
        })
    }

    fn added_v2(&self, limits_db: &PerQuantity<Option<f64>>) -> PerQuantity<Option<f64>> {
        let reference = self.reference.as_ref().filter(|_| self.channel != Channel::All);
        PerQuantity::from_fn(|quantity: Quantity| {
            let known = reference?.quantities[quantity].as_ref()?;
            Some(known.mean_power_v2 * (libm::pow(10.0, limits_db[quantity]? / 10.0) - 1.0))
        })
    }
}
