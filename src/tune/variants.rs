//! Other bands side by side: line width, guard, window, harmonics and ultraharmonics in use.
//!
//! Each variant changes one thing of the configuration. Its pulses are split into halves, every other
//! one of each drive: one half is for choosing, the other says what the choice is worth. The score is
//! the mean over the quantities that can raise a verdict of the area under the ROC of D; where it is
//! the same, the lower mean detection limit of one pulse counts. D of either half stands over that
//! half's own quiet mean.

use super::limit::OperatingLimit;
use super::table::Table;
use crate::detect::diagnosis::reach;
use crate::detect::{Channel, DetectSpec, alpha};
use crate::signal::{BandSpec, Quantity, SignalSpec, Window, as_f64};
use crate::stats::{BaselineSeries, Roc, Summary};

/// Scores closer than this are the same.
const SAME_SCORE: f64 = 1e-3;

/// A changed configuration.
#[derive(Debug, Clone, PartialEq)]
pub struct Variant {
    /// What is changed, as the configuration writes it; empty for the configuration as it is.
    pub what: String,
    /// The whole specification.
    pub spec: SignalSpec,
}

/// What one half of the pulses says of a variant.
#[derive(Debug, Clone, PartialEq)]
pub struct Half {
    /// Mean area over the quantities that can raise a verdict; nothing where none has both kinds.
    pub score: Option<f64>,
    /// Mean standard error of those areas: differences below it say little.
    pub error: Option<f64>,
    /// Mean detection limit of one pulse over the same, dB.
    pub hear_db: Option<f64>,
    /// Quantity, area, detection limit.
    pub quantities: Vec<(Quantity, Option<f64>, Option<f64>)>,
}

/// The configuration as it is and every variant of it.
#[must_use]
pub fn variants(spec: &SignalSpec) -> Vec<Variant> {
    let mut found = vec![Variant { what: String::new(), spec: spec.clone() }];
    let mut add = |what: String, change: &dyn Fn(&mut SignalSpec)| {
        let mut changed = spec.clone();
        change(&mut changed);
        found.push(Variant { what, spec: changed });
    };
    let BandSpec { line_half_width_hz: line, guard_half_width_hz: guard, .. } = spec.bands;
    for factor in [0.5, 1.5, 2.0] {
        let hz = factor * line;
        add(format!("bands.line_half_width_hz = {hz}"), &|s| s.bands.line_half_width_hz = hz);
    }
    for factor in [0.5, 0.75, 1.5] {
        let hz = factor * guard;
        add(format!("bands.guard_half_width_hz = {hz}"), &|s| s.bands.guard_half_width_hz = hz);
    }
    for window in Window::ALL.into_iter().filter(|window| *window != spec.spectrum.window) {
        let text = format!("spectrum.window = \"{}\"", window.name());
        add(text, &|s| s.spectrum.window = window);
    }
    let harmonics = &spec.bands.harmonics;
    for out in harmonics.iter().filter(|_| harmonics.len() > 1) {
        let rest: Vec<u32> = harmonics.iter().copied().filter(|order| order != out).collect();
        add(format!("bands.harmonics = {rest:?}"), &|s| s.bands.harmonics.clone_from(&rest));
    }
    let halves = &spec.bands.ultraharmonic_halves;
    for out in halves.iter().filter(|_| halves.len() > 1) {
        let rest: Vec<u32> = halves.iter().copied().filter(|order| order != out).collect();
        let orders: Vec<f64> = rest.iter().map(|order| f64::from(*order) / 2.0).collect();
        let text = format!("bands.ultraharmonics = {orders:?}");
        add(text, &|s| s.bands.ultraharmonic_halves.clone_from(&rest));
    }
    found
}

impl Half {
    /// Of a half of a table, on the channel that speaks for all.
    #[must_use]
    pub fn of(table: &Table, channel: Channel, spec: &DetectSpec, channels: usize) -> Self {
        let alpha = alpha(spec, channels);
        let mut errors = Vec::new();
        let counts = |quantity: Quantity| {
            quantity == Quantity::Broadband || spec.stable_from.contains(&quantity)
        };
        let quantities: Vec<(Quantity, Option<f64>, Option<f64>)> = Quantity::ALL
            .into_iter()
            .filter_map(|quantity| {
                let set = table.set(channel, quantity);
                let auc = Roc::of(&set.quiet_rise_db(), &set.bubbles_rise_db());
                let error = auc.as_ref().map(Roc::delong_standard_error);
                errors.extend(error.filter(|_| counts(quantity)));
                let limit = OperatingLimit::of(&set, spec.rule[quantity], alpha);
                let drives = set.quiet.len().max(1);
                let hear_db = limit.and_then(|limit| {
                    let n = limit.drives.iter().map(|drive| drive.lambda.n).min()?;
                    let summary = Summary { n, mean: 0.0, sd: limit.sd_db };
                    let series = BaselineSeries { summary, lag1: set.lag1() };
                    Some(reach(spec, channels, drives, quantity, &series)?.one_pulse_db)
                });
                let known = !set.quiet.is_empty() || !set.bubbles.is_empty();
                known.then(|| (quantity, auc.map(|roc| roc.auc()), hear_db))
            })
            .collect();
        let mean = |values: Vec<f64>| {
            (!values.is_empty()).then(|| values.iter().sum::<f64>() / as_f64(values.len()))
        };
        let that_count = || quantities.iter().filter(|(quantity, ..)| counts(*quantity));
        Self {
            score: mean(that_count().filter_map(|(_, auc, _)| *auc).collect()),
            error: mean(errors),
            hear_db: mean(that_count().filter_map(|(.., hear_db)| *hear_db).collect()),
            quantities: quantities.clone(),
        }
    }

    /// Whether this half speaks for its variant more than another's does for its own.
    #[must_use]
    pub fn is_better_than(&self, other: &Self) -> bool {
        let (Some(own), Some(score)) = (self.score, other.score) else {
            return self.score.is_some();
        };
        if (own - score).abs() > SAME_SCORE {
            return own > score;
        }
        self.hear_db.unwrap_or(f64::INFINITY) < other.hear_db.unwrap_or(f64::INFINITY)
    }

    /// Why it stands above or below another, in words.
    #[must_use]
    pub fn against(&self, other: &Self) -> String {
        let number = |value: Option<f64>| {
            value.map_or_else(|| "unknown".to_owned(), |value| format!("{value:.3}"))
        };
        format!(
            "area {} against {} (standard error {}), hears from {} dB against {} dB",
            number(self.score),
            number(other.score),
            number(self.error),
            number(self.hear_db),
            number(other.hear_db)
        )
    }
}

/// Places of halves, the best first; what is the same keeps its order.
#[must_use]
pub fn ranked(halves: &[&Half]) -> Vec<usize> {
    let mut order: Vec<usize> = Vec::with_capacity(halves.len());
    for (place, half) in halves.iter().enumerate() {
        let before = order.iter().position(|&other| half.is_better_than(halves[other]));
        order.insert(before.unwrap_or(order.len()), place);
    }
    order
}

#[cfg(test)]
mod tests {
    use super::*;

    fn half(score: f64, hear_db: f64) -> Half {
        Half { score: Some(score), error: None, hear_db: Some(hear_db), quantities: Vec::new() }
    }

    #[test]
    fn the_area_ranks_and_the_detection_limit_where_it_is_the_same() {
        let halves = [half(0.9, 1.0), half(0.95, 2.0), half(0.9, 0.8), half(0.9004, 0.9)];
        let nothing = Half { score: None, error: None, hear_db: None, quantities: Vec::new() };
        let all: Vec<&Half> = halves.iter().chain([&nothing]).collect();
        assert_eq!(ranked(&all), [1, 2, 3, 0, 4]);
    }

    #[test]
    fn every_variant_changes_one_thing_and_says_what() {
        let text = include_str!("../../config/bench-phantom.toml");
        let settings = crate::config::parse("bench-phantom.toml", text).unwrap().settings;
        let found = variants(&settings.signal);
        assert_eq!(found[0].spec, settings.signal);
        assert!(found.len() > 8);
        for variant in &found[1..] {
            assert_ne!(variant.spec, settings.signal, "{}", variant.what);
            assert!(variant.what.contains(" = "), "{}", variant.what);
        }
    }
}
