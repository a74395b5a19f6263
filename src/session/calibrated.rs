//! What the receivers' curves come to, for `session.json` and the page.

use serde_json::{Value, json};

use crate::signal::calibration::Coverage;
use crate::signal::{Plan, Quantity, Weighting};

/// What a pressure is.
const AT_THE_FACE: &str = "plane-wave equivalent at the receiver's face";

/// Each used channel's curves laid over the plan's bands, in words and numbers; null without any.
#[must_use]
pub fn calibration_json(plan: &Plan) -> Value {
    if !plan.calibration.is_given() {
        return Value::Null;
    }
    let channels = plan.used_channels.iter().enumerate().map(|(place, channel)| {
        let part = |weighting: Weighting| {
            let coverage = plan.calibration.channel(place)?.coverage(weighting)?;
            Some(coverage_json(plan, coverage, weighting))
        };
        json!({
            "channel": channel,
            "pascal": part(Weighting::Pascal),
            "corrected": part(Weighting::Corrected),
            "corrected_pascal": part(Weighting::CorrectedPascal),
        })
    });
    json!({"pressure": AT_THE_FACE, "channels": channels.collect::<Vec<_>>()})
}

fn coverage_json(plan: &Plan, coverage: &Coverage, weighting: Weighting) -> Value {
    let lines = |orders: &[f64]| {
        orders.iter().map(|order| order * plan.spec.drive_frequency_hz).collect::<Vec<_>>()
    };
    let by_quantity = |of: &dyn Fn(Quantity) -> Vec<f64>| {
        let named = Quantity::ALL.into_iter().filter(|quantity| quantity.is_line());
        named.map(|q| (q.name().to_owned(), json!(of(q)))).collect::<serde_json::Map<_, _>>()
    };
    json!({
        "label": label(coverage, weighting),
        "whole": coverage.is_whole(),
        "range_hz": coverage.range_hz,
        "lines_hz": by_quantity(&|q| lines(&coverage.lines[q])),
        "lines_without_hz": by_quantity(&|q| lines(&coverage.without[q])),
        "broadband_hz": coverage.broadband_hz,
        "broadband_share": coverage.broadband_share,
    })
}

/// How numbers of a weighting are labelled, with the stretch that is covered.
#[must_use]
pub fn label(coverage: &Coverage, weighting: Weighting) -> String {
    let range = coverage.range_hz.map_or_else(
        || "no band covered".to_owned(),
        |[low, high]| format!("{}–{} MHz", megahertz(low), megahertz(high)),
    );
    match weighting {
        Weighting::Pascal => format!("{AT_THE_FACE}, {range}"),
        Weighting::Corrected => format!("corrected for receive-path loss, {range}"),
        Weighting::CorrectedPascal => {
            format!("{AT_THE_FACE}, corrected for receive-path loss, {range}")
        }
    }
}

/// A frequency in MHz to a kilohertz.
fn megahertz(hz: f64) -> String {
    let text = format!("{:.3}", hz / 1e6);
    let short = text.trim_end_matches('0').trim_end_matches('.');
    if short.contains('.') { short.to_owned() } else { format!("{short}.0") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_name_the_stretch_that_is_covered() {
        let coverage = Coverage { range_hz: Some([1.1e6, 2e6]), ..Coverage::default() };
        assert_eq!(
            label(&coverage, Weighting::Corrected),
            "corrected for receive-path loss, 1.1–2.0 MHz"
        );
        assert_eq!(
            label(&Coverage::default(), Weighting::Pascal),
            "plane-wave equivalent at the receiver's face, no band covered"
        );
        assert_eq!(megahertz(0.335e6), "0.335");
    }
}
