//! What other limits would have meant: the false alarms, misses and verdicts of pulses whose kind is
//! known, at limits a person tries. Nothing is changed by it.
//!
//! A limit here is that of an alarm: a pulse is over when D > limit, in dB over the baseline's mean λ;
//! the repeatability margin is in the limit already. A rule m of n looks at the pulses of one drive of
//! one exposure in order, as the judge does.

use super::limit::CONFIDENCE;
use super::onset::Onset;
use super::set::Set;
use super::table::{Kind, Table};
use crate::detect::spec::Rule;
use crate::detect::window::Window;
use crate::detect::{Channel, DetectSpec, Drive};
use crate::signal::{PerQuantity, Quantity, as_f64};
use crate::stats::{Interval, Roc, binomial_tail, clopper_pearson, clopper_pearson_upper};

/// A limit that is tried.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Choice {
    /// A pulse is over when D is above this, dB.
    pub over_db: f64,
    /// How many of how many pulses.
    pub rule: Rule,
}

/// Quiet pulses at a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct QuietView {
    /// Pulses over the limit.
    pub over: usize,
    /// Pulses.
    pub of: usize,
    /// Upper 95 % bound of their share.
    pub share_upper: Option<f64>,
    /// Times the rule would be met in one exposure of the expected pulses.
    pub per_exposure: f64,
    /// The same at the upper bound.
    pub per_exposure_upper: Option<f64>,
}

/// Pulses with bubbles of one drive at a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriveView {
    /// The drive.
    pub drive: Drive,
    /// Pulses.
    pub pulses: usize,
    /// Pulses over the limit.
    pub over: usize,
    /// 95 % interval of their share.
    pub share: Option<Interval>,
}

/// Verdicts of pulses with bubbles of one drive, with all limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct VerdictView {
    /// Pulses.
    pub pulses: usize,
    /// Nothing over.
    pub not_detected: usize,
    /// A line of stable cavitation over.
    pub stable: usize,
    /// The broadband over.
    pub inertial: usize,
}

/// One quantity on one channel at a limit.
#[derive(Debug, Clone, PartialEq)]
pub struct View {
    /// Quiet pulses.
    pub quiet: QuietView,
    /// Pulses with bubbles, by drive.
    pub drives: Vec<DriveView>,
    /// Verdicts by drive, with all limits and rules.
    pub verdicts: Vec<(Drive, VerdictView)>,
    /// ROC of D; nothing without pulses of both kinds.
    pub roc: Option<Roc>,
    /// Share over the limit against drive.
    pub onset: Onset,
    /// Smallest and largest D of all pulses, dB.
    pub range_db: Option<[f64; 2]>,
}

impl View {
    /// At the limits that are tried; `choices` of quantities that are never over are missing.
    #[must_use]
    pub fn of(
        table: &Table,
        (channel, quantity): (Channel, Quantity),
        choices: &PerQuantity<Option<Choice>>,
        spec: &DetectSpec,
    ) -> Self {
        let set = table.set(channel, quantity);
        let over_db = choices[quantity].map_or(f64::INFINITY, |choice| choice.over_db);
        let rule = choices[quantity].map_or(Rule { needed: 1, of: 1 }, |choice| choice.rule);
        let (quiet_db, bubbles_db) = (set.quiet_rise_db(), set.bubbles_rise_db());
        let all = || quiet_db.iter().chain(&bubbles_db).copied();
        let (low, high) = (all().reduce(f64::min), all().reduce(f64::max));
        Self {
            quiet: quiet(&quiet_db, over_db, rule, spec.expected_pulses),
            drives: drives(&set, over_db),
            verdicts: verdicts(table, channel, choices, spec),
            roc: Roc::of(&quiet_db, &bubbles_db),
            onset: Onset::of(&set, over_db),
            range_db: low.zip(high).map(|(low, high)| [low, high]),
        }
    }
}

fn quiet(rise_db: &[f64], over_db: f64, rule: Rule, expected: u64) -> QuietView {
    let over = rise_db.iter().filter(|rise| **rise > over_db).count();
    let of = rise_db.len();
    let share_upper = clopper_pearson_upper(over, of, CONFIDENCE);
    let expected = as_f64(usize::try_from(expected).unwrap_or(usize::MAX));
    let times = |share: f64| {
        // binomial_tail wants 0 < p < 1.
        let share = share.clamp(1e-300, 1.0 - 1e-12);
        expected * binomial_tail(rule.needed.into(), rule.of.into(), share)
    };
    QuietView {
        over,
        of,
        share_upper,
        per_exposure: if over == 0 { 0.0 } else { times(as_f64(over) / as_f64(of)) },
        per_exposure_upper: share_upper.map(times),
    }
}

fn drives(set: &Set, over_db: f64) -> Vec<DriveView> {
    let drives = set.bubbles.iter().map(|series| {
        let over = series.rise_db.iter().filter(|rise| **rise > over_db).count();
        let pulses = series.rise_db.len();
        DriveView {
            drive: series.drive,
            pulses,
            over,
            share: clopper_pearson(over, pulses, CONFIDENCE),
        }
    });
    drives.collect()
}

fn verdicts(
    table: &Table,
    channel: Channel,
    choices: &PerQuantity<Option<Choice>>,
    spec: &DetectSpec,
) -> Vec<(Drive, VerdictView)> {
    let (drives, joined) = table.drives();
    let none = VerdictView { pulses: 0, not_detected: 0, stable: 0, inertial: 0 };
    let mut counts = vec![none; drives.len()];
    let mut windows = PerQuantity::from_fn(|quantity| {
        choices[quantity].map(|choice| (choice.over_db, Window::new(choice.rule)))
    });
    let mut before = None;
    let means = table.quiet_means(channel);
    for entry in table.rows_of(Kind::Bubbles, channel) {
        let now = Some((entry.series, entry.exposure));
        if now != before {
            windows.0.iter_mut().flatten().for_each(|(_, window)| window.clear());
            before = now;
        }
        let mut passed = PerQuantity([false; 4]);
        for quantity in Quantity::ALL {
            if let Some((over_db, window)) = &mut windows[quantity] {
                let rise = means.rise_db(entry, quantity);
                let margin = rise.map(|rise| rise - *over_db);
                passed[quantity] = window.take(margin).is_some();
            }
        }
        let count = &mut counts[joined[entry.series]];
        count.pulses += 1;
        if passed[Quantity::Broadband] {
            count.inertial += 1;
        } else if spec.stable_from.iter().any(|quantity| passed[*quantity]) {
            count.stable += 1;
        } else {
            count.not_detected += 1;
        }
    }
    drives.into_iter().zip(counts).filter(|(_, count)| count.pulses > 0).collect()
}
