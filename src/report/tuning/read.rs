//! Reading `tuning.json`: whatever is missing or of another type is unknown, never a fault.

use serde_json::Value;

use crate::report::words::{UNKNOWN, number, trimmed};
use crate::signal::Quantity;

/// Numbers beyond this are no measurement and would leave every picture.
const GREATEST: f64 = 1e15;

/// A number where there is one.
pub(super) fn real(value: &Value) -> Option<f64> {
    value.as_f64().filter(|number| number.abs() <= GREATEST)
}

/// A drive on a logarithmic axis.
pub(super) fn above_zero(value: &Value) -> Option<f64> {
    real(value).filter(|number| *number > 1e-9)
}

/// Two numbers.
pub(super) fn two(value: &Value) -> Option<(f64, f64)> {
    Some((real(&value[0])?, real(&value[1])?))
}

/// The entries of a list.
pub(super) fn list(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}

/// Text; empty where there is none.
pub(super) fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_default()
}

/// The texts of a list.
pub(super) fn texts(value: &Value) -> Vec<&str> {
    list(value).iter().map(text).filter(|text| !text.is_empty()).collect()
}

/// A whole number or a dash.
pub(super) fn whole(value: &Value) -> String {
    value.as_u64().map_or_else(|| UNKNOWN.to_owned(), |n| n.to_string())
}

/// A number with so many digits, or a dash.
pub(super) fn digits(value: &Value, digits: i32) -> String {
    real(value).map_or_else(|| UNKNOWN.to_owned(), |value| number(value, digits))
}

/// A drive without its unit, or a dash.
pub(super) fn mpa(value: &Value) -> String {
    real(value).map_or_else(|| UNKNOWN.to_owned(), |value| trimmed(value, 3))
}

/// A share in percent, or a dash.
pub(super) fn percent(value: &Value) -> String {
    real(value)
        .map_or_else(|| UNKNOWN.to_owned(), |share| format!("{}\u{a0}%", trimmed(100.0 * share, 3)))
}

/// A number with its interval; a dash for a number, or for an end, that is unknown.
pub(super) fn with_ends(value: &Value, low: &Value, high: &Value, places: i32) -> String {
    let middle = digits(value, places);
    if middle == UNKNOWN || (real(low).is_none() && real(high).is_none()) {
        return middle;
    }
    format!("{middle} ({}\u{a0}to\u{a0}{})", digits(low, places), digits(high, places))
}

/// A channel in words.
pub(super) fn channel(value: &Value) -> String {
    match (value.as_u64(), value.as_str()) {
        (Some(channel), _) => format!("channel {channel}"),
        (None, Some("all")) => "all channels together".to_owned(),
        _ => "unknown channel".to_owned(),
    }
}

/// A quantity's name.
pub(super) fn name(entry: &Value) -> &str {
    match text(&entry["name"]) {
        "" => "unnamed quantity",
        name => name,
    }
}

/// Where a quantity stands in the order of the report.
pub(super) fn rank(name: &str) -> usize {
    Quantity::SPOKEN
        .iter()
        .position(|quantity| quantity.name() == name)
        .unwrap_or(Quantity::SPOKEN.len())
}

/// A quantity on all its channels.
pub(super) struct Group<'a> {
    pub(super) name: &'a str,
    /// The most telling channel: all together where there is such, else the one whose detection level
    /// tells quiet from bubbles best.
    pub(super) telling: &'a Value,
    pub(super) others: Vec<&'a Value>,
}

/// The entries of a list by quantity, what decides most first.
pub(super) fn groups(entries: &Value) -> Vec<Group<'_>> {
    let mut names: Vec<&str> = Vec::new();
    for entry in list(entries).iter().filter(|entry| entry.is_object()) {
        if !names.contains(&name(entry)) {
            names.push(name(entry));
        }
    }
    names.sort_by_key(|name| rank(name));
    names.into_iter().filter_map(|wanted| group(entries, wanted)).collect()
}

fn group<'a>(entries: &'a Value, wanted: &'a str) -> Option<Group<'a>> {
    let mut all: Vec<&Value> =
        list(entries).iter().filter(|entry| entry.is_object() && name(entry) == wanted).collect();
    let clear = |entry: &Value| real(&entry["auc_over_baseline"]).unwrap_or(-1.0);
    let together = all.iter().position(|entry| entry["channel"] == "all");
    let best = (0..all.len()).rev().max_by(|a, b| clear(all[*a]).total_cmp(&clear(all[*b])))?;
    let telling = all.remove(together.unwrap_or(best));
    Some(Group { name: wanted, telling, others: all })
}
