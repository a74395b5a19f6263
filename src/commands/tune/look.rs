//! What tuning says on standard output: a line a quantity and channel, then advice.

use std::fmt::Write as _;

use serde_json::Value;

use crate::tune::onset::{Estimate, Fit};
use crate::tune::{QuantityTuning, Tuned};

/// The text.
pub(super) fn text(tuned: &Tuned, value: &Value, drive_means: &str) -> String {
    let mut text = String::new();
    // Writing into a string cannot fail.
    writeln!(text, "channel  quantity       quiet  bubbles    AUC  95 % interval   limit dB  m of n   over  at most  half MPa  95 % interval      9 of 10 MPa  95 % interval").ok();
    for tuning in &tuned.quantities {
        line(&mut text, tuning);
    }
    writeln!(
        text,
        "AUC of the detection level; limit: over the quiet mean at the pulse's drive, before the repeatability margin; over: quiet pulses over it, at most: 95 % bound of their share;\n\
         half, 9 of 10: drive at which so many pulses with bubbles are over it; drive is {drive_means}"
    )
    .ok();
    for tuning in &tuned.quantities {
        for advice in &tuning.advice {
            writeln!(text, "channel {} {}: {advice}", tuning.channel, tuning.quantity.name()).ok();
        }
    }
    for advice in &tuned.advice {
        writeln!(text, "{advice}").ok();
    }
    forecast(&mut text, &value["forecast"]);
    text
}

fn line(text: &mut String, tuning: &QuantityTuning) {
    let number = |value: Option<f64>, digits: usize| {
        let value = value.filter(|value| value.is_finite());
        value.map_or_else(|| "-".to_owned(), |value| format!("{value:.digits$}"))
    };
    let interval = |low: Option<f64>, high: Option<f64>| match (low, high) {
        (None, None) => "-".to_owned(),
        (low, high) => format!("{} to {}", number(low, 3), number(high, 3)),
    };
    let roc = tuning.roc_lambda.as_ref();
    let ends = roc.map(crate::stats::Roc::delong_interval);
    let limit = tuning.limit.as_ref();
    let rule = limit.map_or(tuning.rule, |limit| limit.rule(tuning.rule));
    let mpa = |at: &Option<Estimate>| number(at.map(|at| at.mpa), 3);
    let around = |at: &Option<Estimate>| {
        let [low, high] = at.map(|at| at.profile).unwrap_or_default();
        interval(low, high)
    };
    let marked = if tuning.onset.fit == Fit::Firth { "*" } else { "" };
    writeln!(
        text,
        "{:>7}  {:<13}  {:>5}  {:>7}  {:>5}  {:<14}  {:>8}  {:<7}  {:>3}  {:>7}  {:>8}  {:<17}  {:>11}  {:<17}",
        tuning.channel.to_string(),
        tuning.quantity.name(),
        tuning.quiet,
        tuning.bubbles,
        number(roc.map(crate::stats::Roc::auc), 3),
        interval(ends.map(|ends| ends.low), ends.map(|ends| ends.high)),
        number(limit.map(|limit| limit.limit_db), 3),
        format!("{} of {}", rule.needed, rule.of),
        limit.map_or_else(|| "-".to_owned(), |limit| limit.over.to_string()),
        limit.map_or_else(|| "-".to_owned(), |limit| format!("{:.2} %", 100.0 * limit.share_upper)),
        format!("{}{marked}", mpa(&tuning.onset.half)),
        around(&tuning.onset.half),
        mpa(&tuning.onset.nine_tenths),
        around(&tuning.onset.nine_tenths),
    )
    .ok();
}

/// A drive that was looked for, in words.
fn found(value: &Value) -> String {
    let mpa = |key: &str| value[key].as_f64();
    match (mpa("at_mpa"), mpa("below_mpa"), mpa("above_mpa")) {
        (Some(at), ..) => format!("{at:.3}"),
        (_, Some(below), _) => format!("≤ {below:.3}"),
        (.., Some(above)) => format!("> {above:.3}"),
        _ => "-".to_owned(),
    }
}

fn forecast(text: &mut String, forecast: &Value) {
    let Some(quantities) = forecast["quantities"].as_array() else { return };
    writeln!(
        text,
        "\nforecast behind {} ({} dB on the way in, baseline of {} pulses a drive): in-situ drive, MPa, from which on it is heard\n\
         channel  quantity       parts     limit dB  one pulse in two  nine in ten  {} pulses together",
        forecast["loss"]["name"].as_str().unwrap_or_default(),
        forecast["transmit_loss_db"],
        forecast["baseline_pulses"],
        forecast["expected_pulses"],
    )
    .ok();
    for quantity in quantities {
        let channel = &quantity["channel"];
        writeln!(
            text,
            "{:>7}  {:<13}  {:<8}  {:>8.3}  {:>16}  {:>11}  {:>10}",
            channel.as_str().map_or_else(|| channel.to_string(), str::to_owned),
            quantity["name"].as_str().unwrap_or_default(),
            format!("{} of {}", quantity["counted"][0], quantity["counted"][1]),
            quantity["limit_db"].as_f64().unwrap_or(f64::NAN),
            found(&quantity["half"]),
            found(&quantity["nine_tenths"]),
            found(&quantity["together"]),
        )
        .ok();
    }
}
