//! What to record for a wanted limit, before the tank is filled.
//!
//! The standard deviation of λ on a white floor follows from the degrees of freedom of the bands: a
//! level of K scatters by 10/ln 10/√K dB; the λ of L lines by √Σ(1/K_line + 1/K_flanks)/L times that,
//! the broadband's with its noise gate by √(1/K + 1/K_noise) times. Limits then follow as in a
//! session, serial correlation charged as for pulses that show none. Real pulses scatter more: this is
//! the least that is needed.
//!
//! An onset that rises from 10 to 90 % over w in ln(drive) has the slope β = 2·ln 9/w; drives h apart
//! with m pulses each place its middle with the standard error √(h/(m·β)), Σ m·p·(1−p) taken as an
//! integral.

use crate::detect::DetectSpec;
use crate::detect::diagnosis::{Reach, reach};
use crate::signal::plan::level_sd_db;
use crate::signal::{Plan, Quantity, as_f64};
use crate::stats::{BaselineSeries, Summary};

/// Largest baseline that is proposed, pulses a drive.
const MOST_PULSES: usize = 4096;

/// Smallest baseline, pulses a drive.
const LEAST_PULSES: usize = 10;

/// What is wanted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wish {
    /// Rise that is to be heard, dB.
    pub wanted_db: f64,
    /// Lowest and highest drive, MPa.
    pub drives_mpa: [f64; 2],
    /// Drives.
    pub drives: usize,
    /// Width of the onset from 10 to 90 %, in ln(drive).
    pub onset_width: f64,
    /// Half the 95 % interval of the drive at which half is found, a share of it.
    pub onset_share: f64,
}

/// What one quantity needs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct QuantityPlan {
    /// Which quantity.
    pub quantity: Quantity,
    /// Least standard deviation of λ, dB.
    pub sd_db: f64,
    /// Baseline pulses a drive with which one pulse is heard at the wish; nothing: none.
    pub one_pulse: Option<usize>,
    /// Baseline pulses a drive with which the expected pulses together are; nothing: none.
    pub together: Option<usize>,
    /// What 30 pulses a drive allow.
    pub with_thirty: Option<Reach>,
    /// What the largest baseline allows.
    pub with_most: Option<Reach>,
}

/// Standard deviation of a quantity's λ on a white floor, dB; nothing where it is not looked at.
#[must_use]
pub fn floor_sd_db(plan: &Plan, quantity: Quantity) -> Option<f64> {
    let freedom = &plan.freedom;
    if quantity == Quantity::Broadband {
        let own = level_sd_db(freedom.broadband);
        return Some(freedom.noise.map_or(own, |noise| own.hypot(level_sd_db(noise))));
    }
    let lines = plan.bands.of[quantity as usize].clone();
    let with_flanks: Vec<usize> =
        lines.filter(|&place| plan.bands.lines[place].flank_bins() > 0).collect();
    let squares: f64 = with_flanks
        .iter()
        .map(|&place| {
            level_sd_db(freedom.lines[place]).powi(2) + level_sd_db(freedom.flanks[place]).powi(2)
        })
        .sum();
    (!with_flanks.is_empty()).then(|| squares.sqrt() / as_f64(with_flanks.len()))
}

/// What each quantity needs.
#[must_use]
pub fn quantities(plan: &Plan, spec: &DetectSpec, wish: &Wish) -> Vec<QuantityPlan> {
    let channels = plan.used_channels.len();
    let found = Quantity::ALL.into_iter().filter_map(|quantity| {
        let sd_db = floor_sd_db(plan, quantity)?;
        let with = |n: usize| {
            let series = BaselineSeries { summary: Summary { n, mean: 0.0, sd: sd_db }, lag1: 0.0 };
            reach(spec, channels, wish.drives, quantity, &series)
        };
        let heard = |db: Option<f64>| db.is_some_and(|db| db <= wish.wanted_db);
        Some(QuantityPlan {
            quantity,
            sd_db,
            one_pulse: least(|n| heard(with(n).map(|reach| reach.one_pulse_db))),
            together: least(|n| heard(with(n).and_then(|reach| reach.together_db))),
            with_thirty: with(30),
            with_most: with(MOST_PULSES),
        })
    });
    found.collect()
}

/// The least baseline that fits; what fits goes on to fit with more pulses.
fn least(fits: impl Fn(usize) -> bool) -> Option<usize> {
    if !fits(MOST_PULSES) {
        return None;
    }
    let (mut low, mut high) = (LEAST_PULSES - 1, MOST_PULSES);
    while high - low > 1 {
        let middle = low.midpoint(high);
        if fits(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    Some(high)
}

/// Drives to record, MPa, equally far apart in ln(drive), rounded to three digits.
#[must_use]
pub fn drives_mpa(wish: &Wish) -> Vec<f64> {
    let [from, to] = wish.drives_mpa;
    let steps = as_f64(wish.drives.max(2) - 1);
    let at = |i: usize| {
        let mpa = from * libm::pow(to / from, as_f64(i) / steps);
        let unit = libm::pow(10.0, libm::floor(libm::log10(mpa)) - 2.0);
        let digits = (mpa / unit).round();
        // Division by a whole number rounds to the nearest decimal.
        if unit < 1.0 { digits / (1.0 / unit).round() } else { digits * unit }
    };
    (0..wish.drives.max(2)).map(at).collect()
}

/// Pulses with bubbles at each drive, so that the middle of the onset is placed as wished.
#[must_use]
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a small positive count; the cast saturates"
)]
pub fn bubbles_pulses(wish: &Wish) -> usize {
    let [from, to] = wish.drives_mpa;
    let step = libm::log(to / from) / as_f64(wish.drives.max(2) - 1);
    let slope = 2.0 * libm::log(9.0) / wish.onset_width;
    let error = libm::log(1.0 + wish.onset_share) / 1.959_963_984_540_054;
    (step / (slope * error * error)).ceil().max(5.0) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings() -> crate::config::Settings {
        let text = include_str!("../../config/bench-phantom.toml");
        crate::config::parse("bench-phantom.toml", text).unwrap().settings
    }

    fn wish(wanted_db: f64) -> Wish {
        Wish {
            wanted_db,
            drives_mpa: [0.06, 0.48],
            drives: 10,
            onset_width: 0.3,
            onset_share: 0.05,
        }
    }

    #[test]
    fn a_proposed_baseline_is_the_smallest_that_hears_the_wish() {
        let settings = settings();
        let plan = Plan::new(&settings.signal).unwrap();
        for found in quantities(&plan, &settings.detect, &wish(0.8)) {
            let Some(n) = found.one_pulse.filter(|n| *n > LEAST_PULSES) else { continue };
            let at = |n| {
                let summary = Summary { n, mean: 0.0, sd: found.sd_db };
                let series = BaselineSeries { summary, lag1: 0.0 };
                reach(&settings.detect, 1, 10, found.quantity, &series).unwrap().one_pulse_db
            };
            assert!(at(n) <= 0.8 && at(n - 1) > 0.8, "{:?} {n}", found.quantity);
        }
        let impossible = quantities(&plan, &settings.detect, &wish(0.01));
        assert!(impossible.iter().all(|found| found.one_pulse.is_none()));
    }

    #[test]
    fn drives_are_equally_far_apart_and_pulses_place_the_middle() {
        let wish = wish(1.0);
        let drives = drives_mpa(&wish);
        assert_eq!((drives.len(), drives[0], drives[9]), (10, 0.06, 0.48));
        // Closed form: h = ln 8/9, β = 2·ln 9/0.3, error = ln 1.05/1.96: h/(β·error²) = 25.45.
        assert_eq!(bubbles_pulses(&wish), 26);
    }
}
