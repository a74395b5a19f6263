//! One quantity on one channel: λ and D of quiet pulses and of pulses with bubbles.

use super::table::Series;
use crate::detect::{Channel, Drive};
use crate::signal::{Quantity, as_f64};
use crate::stats::autocorrelation;

/// Quiet pulses of one target and drive.
#[derive(Debug, Clone, PartialEq)]
pub struct QuietSeries {
    /// Where and how hard.
    pub series: Series,
    /// λ of each pulse in order, dB; never empty.
    pub lambda_db: Vec<f64>,
    /// Their mean, dB.
    pub mean_db: f64,
}

/// Pulses with bubbles of one drive, all targets together.
#[derive(Debug, Clone, PartialEq)]
pub struct BubblesSeries {
    /// The drive.
    pub drive: Drive,
    /// λ of each pulse in order, dB.
    pub lambda_db: Vec<f64>,
    /// D of each pulse in order, dB.
    pub rise_db: Vec<f64>,
}

/// One quantity on one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Set {
    /// Which channel.
    pub channel: Channel,
    /// Which quantity.
    pub quantity: Quantity,
    /// Quiet pulses, by target and drive in order of arrival.
    pub quiet: Vec<QuietSeries>,
    /// Pulses with bubbles, by drive, ascending; unknown and 0 first.
    pub bubbles: Vec<BubblesSeries>,
}

impl Set {
    /// λ of all quiet pulses, dB.
    #[must_use]
    pub fn quiet_lambda_db(&self) -> Vec<f64> {
        self.quiet.iter().flat_map(|series| series.lambda_db.iter().copied()).collect()
    }

    /// D of all quiet pulses, dB.
    #[must_use]
    pub fn quiet_rise_db(&self) -> Vec<f64> {
        let rises = self
            .quiet
            .iter()
            .flat_map(|series| series.lambda_db.iter().map(|lambda| lambda - series.mean_db));
        rises.collect()
    }

    /// λ of all pulses with bubbles, dB.
    #[must_use]
    pub fn bubbles_lambda_db(&self) -> Vec<f64> {
        self.bubbles.iter().flat_map(|series| series.lambda_db.iter().copied()).collect()
    }

    /// D of all pulses with bubbles, dB.
    #[must_use]
    pub fn bubbles_rise_db(&self) -> Vec<f64> {
        self.bubbles.iter().flat_map(|series| series.rise_db.iter().copied()).collect()
    }

    /// Lag-1 autocorrelation of λ without bubbles, the mean over targets and drives by their pulses.
    #[must_use]
    pub fn lag1(&self) -> f64 {
        let of = |series: &QuietSeries| {
            let lag1 = autocorrelation(&series.lambda_db, 1);
            (as_f64(series.lambda_db.len()), if lag1.is_finite() { lag1 } else { 0.0 })
        };
        let pulses: f64 = self.quiet.iter().map(|series| of(series).0).sum();
        let sum: f64 = self.quiet.iter().map(of).map(|(pulses, lag1)| pulses * lag1).sum();
        if pulses > 0.0 { sum / pulses } else { 0.0 }
    }
}
