//! What a tuning comes to, in sentences; a number that is not there is a dash with its reason.

use serde_json::Value;

use super::read::{channel, digits, list, mpa, name, percent, real, text, texts, whole, with_ends};
use crate::report::words::{UNKNOWN, listed, number, trimmed};

/// Why a quantity has no limit.
pub(super) fn no_limit(entry: &Value) -> String {
    let said = texts(&entry["advice"]).into_iter().find(|advice| advice.starts_with("no limit"));
    said.unwrap_or("no limit: no drive has enough quiet pulses that differ").to_owned()
}

/// Why a quantity has no ROC curve.
pub(super) fn no_roc(entry: &Value) -> &'static str {
    match (entry["n_quiet"].as_u64(), entry["n_bubbles"].as_u64()) {
        (Some(0), _) => "no ROC: no quiet pulse was heard",
        (_, Some(0)) => "no ROC: no pulse with bubbles was heard",
        _ => "no ROC: no quiet pulses at the drives of those with bubbles",
    }
}

/// Why there is no fitted onset; nothing where there is one.
pub(super) fn no_onset(entry: &Value) -> Option<String> {
    if real(&entry["drive50_mpa"]).is_some() {
        return None;
    }
    Some(match text(&entry["onset"]["why"]) {
        "" if real(&entry["limit_db"]).is_none() => "no onset: there is no limit".to_owned(),
        "" => "no onset: no fit was made".to_owned(),
        why => format!("no onset: {why}"),
    })
}

/// Everything of an entry that is a dash, with its reason.
pub(super) fn reasons(entry: &Value) -> Vec<String> {
    let mut all = Vec::new();
    if real(&entry["limit_db"]).is_none() {
        all.push(no_limit(entry));
    }
    if real(&entry["auc"]).is_none() || real(&entry["auc_over_baseline"]).is_none() {
        all.push(no_roc(entry).to_owned());
    }
    match no_onset(entry) {
        Some(why) => all.push(why),
        None => all.extend(open_ends(entry)),
    }
    all
}

fn open_ends(entry: &Value) -> Option<String> {
    let is_open = |key: &&str| {
        real(&entry[format!("{key}_mpa")]).is_some()
            && (real(&entry[format!("{key}_lo")]).is_none()
                || real(&entry[format!("{key}_hi")]).is_none())
    };
    let open: Vec<String> =
        ["drive50", "drive90"].iter().filter(|key| is_open(key)).map(|k| (*k).to_owned()).collect();
    (!open.is_empty())
        .then(|| format!("{}: these pulses do not close an end of its interval", listed(&open)))
}

/// The limit and its margin.
pub(super) fn limit(entry: &Value) -> String {
    match real(&entry["limit_db"]) {
        Some(limit) => format!("{} dB", number(limit, 3)),
        None => UNKNOWN.to_owned(),
    }
}

/// A drive with its interval and unit.
pub(super) fn drive(entry: &Value, key: &str) -> String {
    let of = |ending: &str| mpa(&entry[format!("{key}_{ending}")]);
    match (of("mpa").as_str(), of("lo"), of("hi")) {
        (UNKNOWN, ..) => UNKNOWN.to_owned(),
        (at, low, high) if low == UNKNOWN && high == UNKNOWN => at.to_owned(),
        (at, low, high) => format!("{at} ({low}\u{a0}to\u{a0}{high})"),
    }
}

/// What came of a quantity: its limit, what the pulses themselves show, its onset, what to record next.
pub(super) fn came_of(entry: &Value) -> String {
    let mut parts = vec![limit_sentence(entry)];
    let shown = &entry["limit"];
    if real(&shown["share_upper"]).is_some() {
        parts.push(format!(
            "The pulses themselves show that at most {} of quiet pulses pass it ({} of {} did).",
            percent(&shown["share_upper"]),
            whole(&shown["over"]),
            whole(&shown["of"]),
        ));
    }
    parts.push(onset_sentence(entry));
    let next: Vec<&str> =
        texts(&entry["advice"]).into_iter().filter(|advice| advice.contains("record ")).collect();
    parts.push(match next.as_slice() {
        [] => "No further recording is advised by these rules.".to_owned(),
        next => format!("To record next: {}.", next.join("; ")),
    });
    parts.join(" ")
}

/// The rule the limit goes with: the proposed one where there is one.
pub(super) fn rule(entry: &Value) -> &str {
    match text(&entry["limit"]["proposed_rule"]) {
        "" => text(&entry["rule"]),
        proposed => proposed,
    }
}

fn limit_sentence(entry: &Value) -> String {
    let rule = match rule(entry) {
        "" => String::new(),
        rule => format!(", rule {rule}"),
    };
    let place = format!("{}{rule}", channel(&entry["channel"]));
    let Some(limit) = real(&entry["limit_db"]) else {
        return format!(
            "({place}): {}.",
            unless_told(entry, &no_limit(entry), "no limit could be set")
        );
    };
    let margin = match real(&entry["repeatability_db"]) {
        Some(margin) if margin > 0.0 => format!(
            ", and {} dB more for how far it moves between two series without bubbles, together {} dB",
            trimmed(margin, 3),
            number(limit + margin, 3)
        ),
        _ => String::new(),
    };
    format!("({place}): the limit is {} dB over the baseline’s mean{margin}.", number(limit, 3))
}

/// A reason, or a short word where the advice on what to record tells it anyway.
fn unless_told(entry: &Value, why: &str, short: &str) -> String {
    let told = texts(&entry["advice"])
        .into_iter()
        .any(|advice| advice.contains("record ") && why.ends_with(advice));
    if told { short.to_owned() } else { why.to_owned() }
}

fn onset_sentence(entry: &Value) -> String {
    if let Some(why) = no_onset(entry) {
        return sentence(&unless_told(entry, &why, "no onset could be fitted"));
    }
    let marked = match text(&entry["onset"]["fit"]) {
        "firth" => " (Firth’s penalised fit, because the pulses separate)",
        _ => "",
    };
    format!(
        "Half of the pulses with bubbles are over it from {} MPa, nine in ten from {} MPa{marked}.",
        drive(entry, "drive50"),
        drive(entry, "drive90")
    )
}

/// With a capital and a full stop.
pub(super) fn sentence(text: &str) -> String {
    let mut rest = text.chars();
    let Some(first) = rest.next() else { return String::new() };
    let end = if text.ends_with(['.', '!', '?']) { "" } else { "." };
    format!("{}{}{end}", first.to_uppercase(), rest.as_str())
}

/// Where the limit comes from.
pub(super) fn ground(entry: &Value) -> String {
    let limit = &entry["limit"];
    if !limit.is_object() {
        return sentence(&no_limit(entry));
    }
    let value = self::limit(entry);
    let mut parts = vec![match text(&limit["from"]) {
        "tolerance" => format!(
            "A tolerance limit, k·s = {value}: k = {} at {} degrees of freedom, s = {} dB, for a share of {} of single quiet pulses.",
            digits(&limit["k"], 4),
            digits(&limit["dof"], 4),
            digits(&limit["sd_db"], 3),
            digits(&limit["share_per_pulse"], 2),
        ),
        "largest quiet pulse" => format!(
            "The largest quiet pulse, {value}, because the tail is not normal (s = {} dB at {} degrees of freedom).",
            digits(&limit["sd_db"], 3),
            digits(&limit["dof"], 4),
        ),
        _ => format!("The limit is {value}; where it comes from is not said."),
    }];
    parts.push(pooling(limit));
    parts.push(format!(
        "Normality: Anderson–Darling {}, the largest of all {}.",
        p_value(&limit["normality_p"]),
        p_value(&limit["largest_p"])
    ));
    parts.push(match limit["extrapolated"].as_bool() {
        Some(true) => format!(
            "The share is extrapolated by the normal tail: {} of {} quiet pulses over the limit show only that at most {} pass.",
            whole(&limit["over"]),
            whole(&limit["of"]),
            percent(&limit["share_upper"])
        ),
        _ => format!(
            "Of {} quiet pulses {} are over the limit: at most {} pass.",
            whole(&limit["of"]),
            whole(&limit["over"]),
            percent(&limit["share_upper"])
        ),
    });
    match text(&limit["proposed_rule"]) {
        "" if text(&limit["from"]) == "largest quiet pulse" => parts.push(
            "No rule of up to 16 pulses keeps the budget with so few quiet pulses.".to_owned(),
        ),
        "" => {}
        rule => parts.push(format!("Proposed rule: {rule} pulses.")),
    }
    parts.join(" ")
}

fn pooling(limit: &Value) -> String {
    let p = p_value(&limit["bartlett_p"]);
    match limit["pooled"].as_bool() {
        Some(true) if real(&limit["bartlett_p"]).is_none() => {
            "There is one drive, so nothing to pool.".to_owned()
        }
        Some(true) => format!("The spread s is pooled over the drives (Bartlett {p})."),
        Some(false) => format!(
            "The spread is not pooled: each drive has its own, the widest limit counts (Bartlett {p})."
        ),
        None => format!("Whether the spread is pooled is not said (Bartlett {p})."),
    }
}

fn p_value(value: &Value) -> String {
    match real(value) {
        Some(p) => format!("p\u{a0}=\u{a0}{}", number(p, 2)),
        None => format!("{UNKNOWN} (not tested)"),
    }
}

/// Further numbers of an entry, label and value.
pub(super) fn facts(entry: &Value) -> Vec<(String, String)> {
    let onset = &entry["onset"];
    let ends = |value: &Value, places: i32| match (&value[0], &value[1]) {
        (Value::Null, Value::Null) => UNKNOWN.to_owned(),
        (low, high) => format!("{} to {}", digits(low, places), digits(high, places)),
    };
    let matrix: Vec<String> = list(&onset["covariance"]).iter().map(|v| digits(v, 3)).collect();
    let pairs = [
        ("AUC of λ, DeLong", with_ends(&entry["auc"], &entry["auc_lo"], &entry["auc_hi"], 3)),
        ("its interval by Hanley and McNeil", ends(&entry["auc_hanley_mcneil"], 3)),
        ("onset: fit", onset_fit(onset)),
        ("intercept; slope", both(onset, "intercept", "slope")),
        ("deviance; Pearson’s χ²", both(onset, "deviance", "pearson")),
        ("degrees of freedom; scale", both(onset, "dof", "scale")),
        ("drive50, delta method, MPa", ends(&entry["drive50_delta"], 3)),
        ("drive90, delta method, MPa", ends(&entry["drive90_delta"], 3)),
        ("bracket of drives, MPa", ends(&onset["bracket_mpa"], 3)),
        (
            "covariance of intercept and slope",
            if matrix.is_empty() { UNKNOWN.to_owned() } else { matrix.join("; ") },
        ),
    ];
    pairs.into_iter().map(|(label, value)| (label.to_owned(), value)).collect()
}

fn both(of: &Value, first: &str, second: &str) -> String {
    match (digits(&of[first], 4), digits(&of[second], 4)) {
        (first, second) if first == UNKNOWN && second == UNKNOWN => first,
        (first, second) => format!("{first}; {second}"),
    }
}

fn onset_fit(onset: &Value) -> String {
    let separated = if onset["separated"] == true { ", separated" } else { "" };
    match text(&onset["fit"]) {
        "firth" => format!("Firth’s penalised{separated}"),
        "" => UNKNOWN.to_owned(),
        fit => format!("{fit}{separated}"),
    }
}

/// A quantity and its channel as a heading.
pub(super) fn heading(entry: &Value) -> String {
    format!("{}, {}", sentence(name(entry)).trim_end_matches('.'), channel(&entry["channel"]))
}
