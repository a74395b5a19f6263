//! What a session asks of the detection room: budget, rules, checks, alarms.

use crate::signal::{PerQuantity, Quantity};

/// At least `needed` of the last `of` pulses must pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Rule {
    /// m of "m of n", 1 ≤ m ≤ n.
    pub needed: u32,
    /// n of "m of n", 1 ≤ n ≤ 64.
    pub of: u32,
}

/// What shows that the receiver is coupled.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SignOfLife {
    /// The drive's own line stays near its baseline.
    Fundamental,
    /// The noise gate's density stays near its baseline.
    Noise,
    /// Nothing is looked at.
    None,
}

impl SignOfLife {
    /// Every choice, in the order of the documentation.
    pub const ALL: [Self; 3] = [Self::Fundamental, Self::Noise, Self::None];

    /// The name as the configuration writes it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Fundamental => "fundamental",
            Self::Noise => "noise",
            Self::None => "none",
        }
    }
}

/// Everything that decides a verdict. There is no default for any of it.
#[derive(Debug, Clone, PartialEq)]
pub struct DetectSpec {
    /// q: chance of any false verdict in one exposure, 0 to 1.
    pub false_alarms_per_exposure: f64,
    /// P: pulses of one exposure.
    pub expected_pulses: u64,
    /// Quantities that make a verdict `stable`.
    pub stable_from: Vec<Quantity>,
    /// m-of-n rule of each quantity.
    pub rule: PerQuantity<Rule>,
    /// Allowance of the test without a baseline, dB.
    pub floor_allowance_db: f64,
    /// δ: how far the detection level moves between two no-bubble series, dB.
    pub repeatability_db: PerQuantity<f64>,
    /// What shows that the receiver is coupled.
    pub sign_of_life: SignOfLife,
    /// Fall of the sign of life that means not hearing, dB.
    pub fundamental_drop_db: f64,
    /// Move of the noise gate's density that means not hearing, dB.
    pub noise_drift_db: f64,
    /// Healthy channels below which nothing may be called not detected.
    pub channels_needed: usize,
    /// Whether alarms of the budget also look at the running pulse; each test is then four.
    pub running_pulse: bool,
    /// Drives match within this share.
    pub drive_tolerance: f64,
    /// Pulse repetition frequency, Hz.
    pub repetition_hz: f64,
    /// A pulse is missing after this many periods.
    pub missing_after_periods: f64,
}

/// How much an alarm asks of the person.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Severity {
    /// Look.
    Warning,
    /// Stop the drive.
    Stop,
}

impl Severity {
    /// The name as configuration and events write it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Warning => "warning",
            Self::Stop => "stop",
        }
    }
}

/// A state of the chain that can raise an alarm.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Condition {
    /// A channel clipped.
    Overload,
    /// A pulse never came.
    PulseMissing,
    /// Nothing may be called not detected.
    NotHearing,
    /// Samples of a pulse were lost.
    SamplesLost,
    /// The drive lies above the highest drive of the baseline.
    DriveAboveBaseline,
    /// Samples or results are kept no more.
    RecordingStopped,
}

impl Condition {
    /// Every condition, in the order of the documentation.
    pub const ALL: [Self; 6] = [
        Self::Overload,
        Self::PulseMissing,
        Self::NotHearing,
        Self::SamplesLost,
        Self::DriveAboveBaseline,
        Self::RecordingStopped,
    ];

    /// The name as configuration and events write it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Overload => "overload",
            Self::PulseMissing => "pulse missing",
            Self::NotHearing => "not hearing",
            Self::SamplesLost => "samples lost",
            Self::DriveAboveBaseline => "drive above baseline",
            Self::RecordingStopped => "recording stopped",
        }
    }
}

/// The limit an alarm watches.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AlarmLimit {
    /// The limit of the false-alarm budget, with the quantity's own rule.
    Budget,
    /// Set by hand over the baseline's mean detection level, dB; outside the budget's promise.
    AboveBaselineDb {
        /// On above this, dB.
        on_db: f64,
        /// Off below this, dB.
        off_db: f64,
        /// How many of how many pulses.
        rule: Rule,
    },
    /// Set by hand as mean density of the quantity's bins; outside the budget's promise.
    DensityV2PerHz {
        /// On above this, V²/Hz.
        on_v2_per_hz: f64,
        /// Off this many dB below, ≤ 0.
        off_db: f64,
        /// How many of how many pulses.
        rule: Rule,
    },
}

/// What raises an alarm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Trigger {
    /// A quantity over a limit.
    Over {
        /// The quantity.
        quantity: Quantity,
        /// Its limit.
        limit: AlarmLimit,
    },
    /// A state of the chain.
    State(Condition),
}

/// One alarm as configured.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmSpec {
    /// Name shown to the person; unique.
    pub name: String,
    /// How much it asks.
    pub severity: Severity,
    /// What raises it.
    pub trigger: Trigger,
    /// Stays on this long after the last pulse that raised it, s of device time.
    pub hold_s: f64,
    /// Stays on until acknowledged.
    pub latch: bool,
    /// Where it goes: `page`, `events`.
    pub sinks: Vec<String>,
}
