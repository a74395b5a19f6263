//! Conditions under which silence means nothing.
//!
//! They forbid the verdict `not_detected` and never an alarm. Only numbers without meaning (samples
//! lost, not finite, gate incomplete) leave a pulse indeterminate whatever it says.

use std::collections::VecDeque;

use super::reference::ChannelReference;
use super::spec::{DetectSpec, SignOfLife};
use crate::signal::{Measured, Plan, Void, as_f64, decibels};

/// A fall of the drive's tone from the gate's first third to its last that means a cut pulse, dB.
const CUT_SHORT_DB: f64 = 1.5;

/// Pulses the noise gate's density is averaged over: at least, at most.
const NOISE_PULSES: (usize, usize) = (3, 10);

/// One condition, in the order in which reasons are given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Hindrance {
    /// Samples of the gate were lost.
    SamplesLost,
    /// The gate holds a sample that is not a finite number.
    NotFinite,
    /// The record does not reach over the whole gate.
    GateIncomplete,
    /// The noise gate could not be used, so the broadband has no level.
    NoiseGateIncomplete,
    /// The converter shows no life.
    DeadChannel,
    /// The converter was driven to its ends.
    Clipped,
    /// No baseline with enough pulses.
    NoBaseline,
    /// The drive lies outside the baseline's drives.
    DriveOutside,
    /// The drive's own line has fallen: the receiver is not coupled.
    FundamentalLow,
    /// The noise gate has fallen: the receiver is not connected.
    NoiseLow,
    /// The noise gate's density has moved: gain or electronics changed.
    NoiseMoved,
    /// The drive ended inside the gate.
    DriveCutShort,
    /// The drive's frequency is not the configured one.
    DriveFrequency,
    /// The drive's monitor does not show the drive that is reported.
    DriveNotAsSet,
    /// Fewer healthy channels than needed.
    TooFewChannels,
}

impl Hindrance {
    /// Every condition, in order.
    pub const ALL: [Self; 15] = [
        Self::SamplesLost,
        Self::NotFinite,
        Self::GateIncomplete,
        Self::NoiseGateIncomplete,
        Self::DeadChannel,
        Self::Clipped,
        Self::NoBaseline,
        Self::DriveOutside,
        Self::FundamentalLow,
        Self::NoiseLow,
        Self::NoiseMoved,
        Self::DriveCutShort,
        Self::DriveFrequency,
        Self::DriveNotAsSet,
        Self::TooFewChannels,
    ];

    /// The words of a reason.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::SamplesLost => "samples lost",
            Self::NotFinite => "not finite",
            Self::GateIncomplete => "gate incomplete",
            Self::NoiseGateIncomplete => "noise gate incomplete",
            Self::DeadChannel => "dead channel",
            Self::Clipped => "clipped",
            Self::NoBaseline => "no baseline",
            Self::DriveOutside => "drive outside baseline",
            Self::FundamentalLow => "fundamental low",
            Self::NoiseLow => "noise gate low",
            Self::NoiseMoved => "noise moved",
            Self::DriveCutShort => "drive cut short",
            Self::DriveFrequency => "drive frequency",
            Self::DriveNotAsSet => "drive not as set",
            Self::TooFewChannels => "too few channels",
        }
    }
}

impl From<Void> for Hindrance {
    fn from(why: Void) -> Self {
        match why {
            Void::SamplesLost => Self::SamplesLost,
            Void::NotFinite => Self::NotFinite,
            Void::GateIncomplete => Self::GateIncomplete,
        }
    }
}

/// A set of conditions.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Hindrances(u32);

impl Hindrances {
    /// Only this one.
    #[must_use]
    pub const fn only(hindrance: Hindrance) -> Self {
        Self(1 << hindrance as u32)
    }

    /// None at all.
    #[must_use]
    pub const fn none() -> Self {
        Self(0)
    }

    /// Adds one when it holds.
    pub fn note(&mut self, hindrance: Hindrance, holds: bool) {
        if holds {
            self.0 |= 1 << hindrance as u32;
        }
    }

    /// All of both.
    #[must_use]
    pub const fn and(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// Whether one is among them.
    #[must_use]
    pub const fn has(self, hindrance: Hindrance) -> bool {
        self.0 & (1 << hindrance as u32) != 0
    }

    /// Whether there is none.
    #[must_use]
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Those that hold, in the order of reasons.
    pub fn iter(self) -> impl Iterator<Item = Hindrance> {
        Hindrance::ALL.into_iter().filter(move |&hindrance| self.has(hindrance))
    }
}

/// What the checks need of the plan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriveCheck {
    /// Configured drive frequency, Hz.
    pub frequency_hz: f64,
    /// Highest order h among the lines.
    pub highest_order: f64,
    /// Line half width, Hz.
    pub line_half_width_hz: f64,
    /// Whether there is a noise gate.
    pub noise_gate: bool,
}

impl DriveCheck {
    /// What the checks need of a plan.
    #[must_use]
    pub fn of(plan: &Plan) -> Self {
        Self {
            frequency_hz: plan.spec.drive_frequency_hz,
            highest_order: plan.bands.highest_order(),
            line_half_width_hz: plan.spec.bands.line_half_width_hz,
            noise_gate: plan.noise.is_some(),
        }
    }
}

/// Faults a pulse shows by itself, whatever it is compared with.
#[must_use]
pub fn own_faults(measured: &Measured, check: &DriveCheck) -> Hindrances {
    let mut found = Hindrances::default();
    found.note(
        Hindrance::NoiseGateIncomplete,
        check.noise_gate && measured.noise_v2_per_hz.is_none(),
    );
    found.note(Hindrance::DeadChannel, measured.dead);
    found.note(Hindrance::Clipped, measured.clipped);
    let fall = decibels(measured.first_third_v2 / measured.last_third_v2);
    found.note(
        Hindrance::DriveCutShort,
        measured.drive_stands_out() && fall.is_none_or(|db| db >= CUT_SHORT_DB),
    );
    let off = |hz: f64| check.highest_order * (hz - check.frequency_hz).abs();
    found.note(
        Hindrance::DriveFrequency,
        measured.drive_hz.is_some_and(|hz| off(hz) > check.line_half_width_hz / 2.0),
    );
    found
}

/// Faults a pulse shows beside its reference; `noise_db` is the recent mean density in the noise
/// gate, dB re 1 V²/Hz.
#[must_use]
pub fn faults_against(
    measured: &Measured,
    reference: &ChannelReference,
    noise_db: Option<f64>,
    spec: &DetectSpec,
) -> Hindrances {
    let mut found = Hindrances::default();
    let under = |level: Option<f64>, mean: Option<f64>| match (level, mean) {
        (Some(level), Some(mean)) => level < mean - spec.fundamental_drop_db,
        (None, Some(_)) => true,
        (_, None) => false,
    };
    match spec.sign_of_life {
        SignOfLife::Fundamental => found.note(
            Hindrance::FundamentalLow,
            under(decibels(measured.fundamental_v2), reference.fundamental_db),
        ),
        SignOfLife::Noise => found.note(
            Hindrance::NoiseLow,
            under(measured.noise_v2_per_hz.and_then(decibels), reference.noise_db),
        ),
        SignOfLife::None => {}
    }
    if let (Some(now), Some(mean)) = (noise_db, reference.noise_db) {
        found.note(Hindrance::NoiseMoved, (now - mean).abs() > spec.noise_drift_db);
    }
    found
}

/// The noise gate's density over the last pulses of any stage.
#[derive(Debug, Clone, Default)]
pub struct NoiseHistory {
    densities: VecDeque<f64>,
}

impl NoiseHistory {
    /// Takes one pulse's density, V²/Hz.
    pub fn add(&mut self, v2_per_hz: f64) {
        if self.densities.len() == NOISE_PULSES.1 {
            self.densities.pop_front();
        }
        self.densities.push_back(v2_per_hz);
    }

    /// Mean density of the last 3 to 10 pulses, dB re 1 V²/Hz; nothing before the third.
    #[must_use]
    pub fn mean_db(&self) -> Option<f64> {
        let n = self.densities.len();
        (n >= NOISE_PULSES.0)
            .then(|| self.densities.iter().sum::<f64>() / as_f64(n))
            .and_then(decibels)
    }
}
