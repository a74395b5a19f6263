//! What tuning says on standard output: a line a quantity and channel, then advice.

use std::fmt::Write as _;

use serde_json::Value;

use crate::tune::onset::{Estimate, Fit};
use crate::tune::{QuantityTuning, Tuned};

/// The text.
pub(super) fn text(tuned: &Tuned, value: &Value, drive_means: &str) -> String {
    let mut text = String::new();
    // Writing into a string cannot fail.
    writeln!(text, "channel  quantity       quiet  bubbles    AUC  95 % interval   AUC over  limit dB  m of n   over  at most  half MPa  95 % interval      9 of 10 MPa  95 % interval").ok();
    for tuning in &tuned.quantities {
        line(&mut text, tuning);
    }
    writeln!(
        text,
        "AUC of the detection level, AUC over: of its rise over the quiet mean; * by a penalised fit, the interval holds the drives between which pulses separate; limit: over the quiet mean at the pulse's drive, before the repeatability margin; over: quiet pulses over it, at most: 95 % bound of their share;\n\
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
    for left in value["left_out"].as_array().into_iter().flatten() {
        let words =
            |key: &str| left[key].as_str().map_or_else(|| left[key].to_string(), str::to_owned);
        writeln!(
            text,
            "left out: {} pulses ({}) on channel {}: {}",
            left["pulses"],
            words("label"),
            words("channel"),
            words("reason")
        )
        .ok();
    }
    tried(&mut text, &value["tried"]);
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
        "{:>7}  {:<13}  {:>5}  {:>7}  {:>5}  {:<14}  {:>8}  {:>8}  {:<7}  {:>3}  {:>7}  {:>8}  {:<17}  {:>11}  {:<17}",
        tuning.channel.to_string(),
        tuning.quantity.name(),
        tuning.quiet,
        tuning.bubbles,
        number(roc.map(crate::stats::Roc::auc), 3),
        interval(ends.map(|ends| ends.low), ends.map(|ends| ends.high)),
        number(tuning.roc.as_ref().map(crate::stats::Roc::auc), 3),
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
        (Some(at), ..) => match value["between_mpa"].as_array().map(Vec::as_slice) {
            Some([low, high]) if value["jump"] == true => {
                let end = |value: &Value| value.as_f64().unwrap_or(f64::NAN);
                format!("{:.3} to {:.3}", end(low), end(high))
            }
            _ => format!("{at:.3}"),
        },
        (_, Some(below), _) => format!("≤ {below:.3}"),
        (.., Some(above)) => format!("> {above:.3}"),
        _ => "-".to_owned(),
    }
}

fn forecast(text: &mut String, forecast: &Value) {
    let Some(quantities) = forecast["quantities"].as_array() else { return };
    writeln!(
        text,
        "\nforecast behind {} ({} dB on the way in, baseline of {} pulses a drive): in-situ drive, MPa, from which on it is heard by the budget's limit there\n\
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

/// What was tried: the pick of one half, and what it is worth on the other.
fn tried(text: &mut String, tried: &Value) {
    let Some(list) = tried.as_array() else { return };
    let number =
        |value: &Value| value.as_f64().map_or_else(|| "-".to_owned(), |v| format!("{v:.3}"));
    writeln!(text, "\ntried, ranked on the half of the pulses that was not used for choosing: area over baseline, one pulse heard from dB").ok();
    for one in list {
        let what = one["what"].as_str().unwrap_or_default();
        match one["fault"].as_str() {
            Some(fault) => writeln!(text, "   -  {what}: {fault}").ok(),
            None => writeln!(
                text,
                "{:>4}  {}  {}  {what}",
                one["rank"],
                number(&one["held_out"]["score"]),
                number(&one["held_out"]["hear_db"]),
            )
            .ok(),
        };
    }
    let Some(pick) = list.iter().find(|one| one["best_where_chosen"] == true) else { return };
    let Some(own) = list.iter().find(|one| one["baseline"] == true) else { return };
    let score = |one: &Value| one["held_out"]["score"].as_f64();
    let (what, why) = (pick["what"].as_str().unwrap_or_default(), pick["why"].as_str());
    let said = match (score(pick), score(own), pick["held_out"]["error"].as_f64()) {
        _ if pick["baseline"] == true => {
            "nothing that was tried is better than the configuration as it is"
        }
        (Some(pick), Some(own), Some(error)) if pick - own > 2.0 * error => {
            "it is better there, too"
        }
        _ => "it is not shown to be better: the difference is within its error, or the wrong way",
    };
    writeln!(
        text,
        "best on the other half: {what}; on this one {}: {said}",
        why.unwrap_or_default()
    )
    .ok();
}
