//! Tuning: from pulses whose kind is known to limits that can be defended, the drive from which on
//! anything is heard, and a forecast for another site. Pure: numbers in, numbers and words out.
//!
//! * [`table`] quiet pulses and pulses with bubbles, [`set`] one quantity of them on one channel;
//! * [`limit`] the operating limit of quiet pulses;
//! * [`onset`] detection against drive;
//! * [`view`] what other limits would have meant;
//! * [`forecast`] the same emission at another site;
//! * [`plan`] what to record for a wanted limit;
//! * [`variants`] other bands side by side.

mod advice;
mod expected;
pub mod forecast;
pub mod limit;
pub mod onset;
pub mod plan;
pub mod set;
pub mod table;
pub mod variants;
pub mod view;

use crate::detect::spec::Rule;
use crate::detect::{Channel, DetectSpec, alpha};
use crate::signal::Quantity;
use crate::stats::Roc;
use limit::OperatingLimit;
use onset::Onset;
use set::Set;
use table::Table;

/// A drive in words, MPa: four digits after the point at most.
fn shown(mpa: f64) -> String {
    format!("{} MPa", (mpa * 1e4).round() / 1e4)
}

/// One quantity on one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct QuantityTuning {
    /// Which channel.
    pub channel: Channel,
    /// Which quantity.
    pub quantity: Quantity,
    /// The configured rule.
    pub rule: Rule,
    /// δ, dB.
    pub repeatability_db: f64,
    /// Quiet pulses.
    pub quiet: usize,
    /// Pulses with bubbles.
    pub bubbles: usize,
    /// How well λ alone tells the kinds apart, all drives together.
    pub roc_lambda: Option<Roc>,
    /// How well D does.
    pub roc: Option<Roc>,
    /// The operating limit on D − δ.
    pub limit: Option<OperatingLimit>,
    /// Detection against drive at that limit; without one nothing is over.
    pub onset: Onset,
    /// What to know and what to record next.
    pub advice: Vec<String>,
}

/// Everything found.
#[derive(Debug, Clone, PartialEq)]
pub struct Tuned {
    /// Channels ascending, `all` last; quantities in the order of the columns.
    pub quantities: Vec<QuantityTuning>,
    /// What concerns all of them.
    pub advice: Vec<String>,
}

impl QuantityTuning {
    /// Of a set, judged by the rules of a session with the chance `alpha` for one test.
    #[must_use]
    pub fn of(set: &Set, spec: &DetectSpec, alpha: f64) -> Self {
        let quantity = set.quantity;
        let (rule, repeatability_db) = (spec.rule[quantity], spec.repeatability_db[quantity]);
        let (quiet_db, bubbles_db) = (set.quiet_rise_db(), set.bubbles_rise_db());
        let limit = OperatingLimit::of(set, rule, alpha);
        let over_db =
            limit.as_ref().map_or(f64::INFINITY, |limit| limit.limit_db + repeatability_db);
        let mut found = Self {
            channel: set.channel,
            quantity,
            rule,
            repeatability_db,
            quiet: quiet_db.len(),
            bubbles: set.bubbles_lambda_db().len(),
            roc_lambda: Roc::of(&set.quiet_lambda_db(), &set.bubbles_lambda_db()),
            roc: Roc::of(&quiet_db, &bubbles_db),
            limit,
            onset: Onset::of(set, over_db),
            advice: Vec::new(),
        };
        found.advice = advice::of_quantity(set, &found, alpha);
        found
    }
}

/// Tunes every quantity on every channel of a table, under the rules of a session with so many used
/// channels.
#[must_use]
pub fn tune(table: &Table, spec: &DetectSpec, channels: usize) -> Tuned {
    let alpha = alpha(spec, channels);
    let mut quantities = Vec::new();
    for channel in table.channels() {
        for quantity in Quantity::ALL {
            let set = table.set(channel, quantity);
            if !set.quiet.is_empty() || !set.bubbles.is_empty() {
                quantities.push(QuantityTuning::of(&set, spec, alpha));
            }
        }
    }
    Tuned { advice: advice::of_table(table), quantities }
}
