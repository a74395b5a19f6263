//! Values of two sessions held against each other, under dotted keys.

use std::cmp::Ordering;
use std::collections::BTreeMap;

use serde_json::{Map, Value, json};

/// A value of both sessions; null where one has none.
pub(super) struct Pair {
    pub(super) name: String,
    pub(super) a: Value,
    pub(super) b: Value,
}

impl Pair {
    pub(super) fn is_equal(&self) -> bool {
        same(&self.a, &self.b)
    }

    pub(super) fn json(&self) -> Value {
        json!({"name": self.name, "a": self.a, "b": self.b})
    }
}

/// Equal values; numbers by what they are worth, however they are written.
fn same(a: &Value, b: &Value) -> bool {
    match (a.as_f64(), b.as_f64()) {
        (Some(a), Some(b)) => a.total_cmp(&b) == Ordering::Equal,
        _ => a == b,
    }
}

/// A value for reading.
pub(super) fn shown(value: &Value) -> String {
    if value.is_null() { "(none)".to_owned() } else { value.to_string() }
}

/// Lists of things with names of their own become objects by name, so that an alarm is held against the
/// alarm of its name wherever it stands.
pub(super) fn named(value: &Value) -> Value {
    match value {
        Value::Object(object) => {
            Value::Object(object.iter().map(|(key, value)| (key.clone(), named(value))).collect())
        }
        Value::Array(list) if !list.is_empty() => {
            let names: Vec<&str> = list.iter().filter_map(|item| item["name"].as_str()).collect();
            let by_name: BTreeMap<&str, &Value> = names.iter().copied().zip(list).collect();
            if by_name.len() < list.len() {
                return value.clone();
            }
            by_name.into_iter().map(|(name, item)| (format!("\"{name}\""), named(item))).collect()
        }
        _ => value.clone(),
    }
}

/// The values that differ, each under its dotted key.
pub(super) fn differ(key: &str, a: &Value, b: &Value, pairs: &mut Vec<Pair>) {
    let empty = Map::new();
    let inside = match (a, b) {
        (Value::Object(a), Value::Object(b)) => Some((a, b)),
        (Value::Object(a), Value::Null) => Some((a, &empty)),
        (Value::Null, Value::Object(b)) => Some((&empty, b)),
        _ => None,
    };
    let Some((in_a, in_b)) = inside else {
        if !same(a, b) {
            pairs.push(Pair { name: key.to_owned(), a: a.clone(), b: b.clone() });
        }
        return;
    };
    let of_b = in_b.keys().filter(|name| !in_a.contains_key(*name));
    for name in in_a.keys().chain(of_b) {
        let inner = if key.is_empty() { name.clone() } else { format!("{key}.{name}") };
        let value = |map: &Map<String, Value>| map.get(name).cloned().unwrap_or(Value::Null);
        differ(&inner, &value(in_a), &value(in_b), pairs);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(a: &str, b: &str, expected: &[&str]) {
        let value = |text: &str| -> Value {
            named(&serde_json::to_value(text.parse::<toml::Table>().unwrap()).unwrap())
        };
        let mut pairs = Vec::new();
        differ("", &value(a), &value(b), &mut pairs);
        let found: Vec<&str> = pairs.iter().map(|pair| pair.name.as_str()).collect();
        assert_eq!(found, expected);
    }

    #[test]
    fn settings_differ_by_value_and_not_by_writing() {
        check("[drive]\nfrequency_hz = 0.7e6", "# f0\n[drive]\nfrequency_hz = 700000.0", &[]);
        check("x = 5", "x = 5.0", &[]);
        check("[a]\nx = 1\ny = 2", "[a]\nx = 1\ny = 3\nz = 4", &["a.y", "a.z"]);
        check("x = [1, 2]", "x = [1, 3]", &["x"]);
    }

    #[test]
    fn alarms_are_held_against_those_of_their_name() {
        let one = "[[alarm]]\nname = \"p\"\nhold_s = 1.0\n[[alarm]]\nname = \"q\"\nhold_s = 2.0";
        let other = "[[alarm]]\nname = \"q\"\nhold_s = 3.0\n[[alarm]]\nname = \"p\"\nhold_s = 1.0";
        check(one, other, &["alarm.\"q\".hold_s"]);
    }
}
