//! Detection against drive: the share of pulses with bubbles over the limit, as a logistic function of
//! ln(drive).
//!
//! Drives in MPa. Pulses of one drive are one group; unknown drives and drive 0 have no logarithm and
//! stay out. Intervals are 95 %, widened by √max(1, χ²/dof) where the shares scatter more than a
//! binomial; see `stats` for the fit.

use super::limit::CONFIDENCE;
use super::set::Set;
use super::shown;
use crate::signal::as_f64;
use crate::stats::{
    DoseGroup, DoseResponse, Estimate as Way, Interval, Link, NoFit, clopper_pearson,
};

/// A drive this many times beyond those that were recorded is not known.
const FAR: f64 = 10.0;

/// How the curve was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fit {
    /// Maximum likelihood.
    MaximumLikelihood,
    /// Firth's penalised likelihood: the pulses separate.
    Firth,
    /// Not at all.
    None,
}

impl Fit {
    /// In words.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::MaximumLikelihood => "maximum likelihood",
            Self::Firth => "firth",
            Self::None => "none",
        }
    }
}

/// Pulses of one drive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriveShare {
    /// The drive, MPa.
    pub drive_mpa: f64,
    /// Pulses.
    pub pulses: usize,
    /// Pulses over the limit.
    pub over: usize,
    /// 95 % interval of the share.
    pub share: Interval,
}

/// A drive with its intervals, MPa.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The drive.
    pub mpa: f64,
    /// Profile likelihood; an end that does not exist is missing. Where pulses separate it holds the
    /// drives between which they do.
    pub profile: [Option<f64>; 2],
    /// Delta method.
    pub delta: [f64; 2],
}

/// The fitted curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Curve {
    /// Logit of the share at 1 MPa.
    pub intercept: f64,
    /// Logit per ln(MPa).
    pub slope: f64,
    /// Variance of the intercept, covariance, variance of the slope, before scaling.
    pub covariance: [f64; 3],
    /// Deviance.
    pub deviance: f64,
    /// Pearson's χ².
    pub pearson: f64,
    /// Groups less two.
    pub dof: f64,
    /// max(1, χ²/dof).
    pub scale: f64,
}

impl Curve {
    /// The share at a drive, MPa.
    #[must_use]
    pub fn share(&self, drive_mpa: f64) -> f64 {
        1.0 / (1.0 + libm::exp(-self.intercept - self.slope * libm::log(drive_mpa)))
    }
}

/// Detection against drive at one limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Onset {
    /// How the curve was found.
    pub fit: Fit,
    /// Why there is none, or why it is not of maximum likelihood; may be empty.
    pub why: String,
    /// The curve.
    pub curve: Option<Curve>,
    /// Each drive, ascending.
    pub drives: Vec<DriveShare>,
    /// Where half of the pulses are over.
    pub half: Option<Estimate>,
    /// Where nine in ten are.
    pub nine_tenths: Option<Estimate>,
    /// Highest drive below and lowest above the jump of separated pulses, MPa.
    pub bracket_mpa: Option<[f64; 2]>,
}

impl Onset {
    /// Of a set's pulses with bubbles at a limit on D, dB.
    #[must_use]
    pub fn of(set: &Set, over_db: f64) -> Self {
        let drives: Vec<DriveShare> = set
            .bubbles
            .iter()
            .filter_map(|series| {
                let drive_mpa = series.drive.mpa().filter(|mpa| *mpa > 0.0)?;
                let over = series.rise_db.iter().filter(|rise| **rise > over_db).count();
                let pulses = series.rise_db.len();
                let share = clopper_pearson(over, pulses, CONFIDENCE)?;
                Some(DriveShare { drive_mpa, pulses, over, share })
            })
            .collect();
        Self::fitted(drives)
    }

    fn without_curve(why: String, drives: Vec<DriveShare>) -> Self {
        Self {
            fit: Fit::None,
            why,
            curve: None,
            drives,
            half: None,
            nine_tenths: None,
            bracket_mpa: None,
        }
    }

    fn fitted(drives: Vec<DriveShare>) -> Self {
        let groups: Vec<DoseGroup> = drives
            .iter()
            .map(|drive| DoseGroup {
                x: libm::log(drive.drive_mpa),
                n: drive.pulses,
                passed: drive.over,
            })
            .collect();
        let fit = match DoseResponse::fit(&groups, Link::Logit) {
            Ok(fit) => fit,
            Err(why) => return Self::without_curve(no_fit(&why, &drives), drives),
        };
        let bracket_mpa = fit.separation.map(|parted| {
            [parted.between.low, parted.between.high].map(|x| nearest_mpa(&drives, x))
        });
        let estimate = |share| {
            // Far beyond the drives there are an end says nothing.
            let (low, high) = (drives[0].drive_mpa, drives[drives.len() - 1].drive_mpa);
            let known = low / FAR..=high * FAR;
            let end = |x: f64| Some(libm::exp(x)).filter(|mpa| known.contains(mpa));
            let profile = fit.profile_interval(share, CONFIDENCE);
            let delta = fit.delta_interval(share, CONFIDENCE);
            // Where pulses separate, the penalty makes the interval narrower than the gap between
            // drives; nothing in the gap was looked at.
            let [low, high] = bracket_mpa.unwrap_or([f64::INFINITY, 0.0]);
            Some(Estimate {
                mpa: end(fit.x_at(share))?,
                profile: [
                    end(profile.low).map(|mpa| mpa.min(low)),
                    end(profile.high).map(|mpa| mpa.max(high)),
                ],
                delta: [delta.low, delta.high].map(libm::exp),
            })
        };
        let why = bracket_mpa.map_or_else(String::new, |[low, high]| {
            let found = match fit.separation {
                Some(parted) if parted.complete => {
                    "up to one drive no pulse is over the limit, from the next on all are"
                }
                _ => "only one drive has pulses both over and under the limit",
            };
            format!(
                "the pulses separate: {found}; record levels between {} and {}",
                shown(low),
                shown(high)
            )
        });
        Self {
            fit: match fit.estimate {
                Way::MaximumLikelihood => Fit::MaximumLikelihood,
                Way::Firth => Fit::Firth,
            },
            why,
            curve: Some(Curve {
                intercept: fit.intercept,
                slope: fit.slope,
                covariance: fit.covariance,
                deviance: fit.deviance,
                pearson: fit.pearson,
                dof: as_f64(fit.dof),
                scale: fit.scale,
            }),
            half: estimate(0.5),
            nine_tenths: estimate(0.9),
            bracket_mpa,
            drives,
        }
    }
}

/// The drive whose logarithm is nearest, MPa.
fn nearest_mpa(drives: &[DriveShare], ln_mpa: f64) -> f64 {
    let away = |drive: &DriveShare| (libm::log(drive.drive_mpa) - ln_mpa).abs();
    let nearest = drives.iter().min_by(|a, b| away(a).total_cmp(&away(b)));
    nearest.map_or(f64::NAN, |drive| drive.drive_mpa)
}

/// Why there is no curve for these drives, and what to record.
fn no_fit(why: &NoFit, drives: &[DriveShare]) -> String {
    let range = match drives {
        [] => "none with a known drive".to_owned(),
        [only] => shown(only.drive_mpa),
        [first, .., last] => format!("{} to {}", shown(first.drive_mpa), shown(last.drive_mpa)),
    };
    match why {
        NoFit::TooFewGroups { groups } => format!(
            "{groups} drives with bubbles ({range}), an onset needs 3 or more: record pulses with bubbles at further drives"
        ),
        NoFit::NonePassed => {
            format!("no pulse with bubbles is over the limit ({range}): record higher drives")
        }
        NoFit::AllPassed => {
            format!("every pulse with bubbles is over the limit ({range}): record lower drives")
        }
        NoFit::NotRising => format!(
            "the share over the limit does not rise with drive ({range}): bubbles may have been destroyed or washed out; record with fresh bubbles, drives in random order"
        ),
        other => format!("no curve fits ({range}): {other}"),
    }
}
