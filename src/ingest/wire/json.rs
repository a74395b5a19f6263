//! Reading the protocol's JSON lines: one object, keys taken one by one, what is left is unknown.

use std::time::Duration;

use serde_json::{Map, Number, Value};

use super::JSON_INTEGER_END;
use super::reply::{ErrorCode, Refusal};

/// Longest piece of a sender's value that a message repeats, in characters.
const SHOWN_CHARACTERS: usize = 64;

/// The fields of one line.
pub(super) struct Fields(Map<String, Value>);

impl Fields {
    /// Reads a line, with or without its LF.
    ///
    /// # Errors
    /// `syntax`, when the line is not one JSON object in UTF-8.
    pub(super) fn parse(line: &[u8]) -> Result<Self, Refusal> {
        let text = std::str::from_utf8(line).map_err(|fault| {
            syntax(format!("line is not utf-8 at byte {}", fault.valid_up_to()))
        })?;
        match serde_json::from_str(text) {
            Ok(Value::Object(map)) => Ok(Self(map)),
            Ok(other) => Err(syntax(format!("line is {}, must be a json object", shown(&other)))),
            Err(fault) => Err(syntax(format!("line is not json: {fault}"))),
        }
    }

    /// Takes a value; `null` counts as absent, since many writers have no other way to leave out.
    fn take(&mut self, key: &str) -> Option<Value> {
        self.0.remove(key).filter(|value| !value.is_null())
    }

    pub(super) fn has(&self, key: &str) -> bool {
        self.0.contains_key(key)
    }

    /// A whole number below 2^53; `2e7` counts, since some writers have no integers.
    pub(super) fn whole(&mut self, key: &str) -> Result<Option<u64>, Refusal> {
        let Some(value) = self.take(key) else { return Ok(None) };
        let whole = value.as_u64().or_else(|| value.as_f64().and_then(whole));
        match whole.filter(|whole| *whole < JSON_INTEGER_END) {
            Some(whole) => Ok(Some(whole)),
            None => Err(syntax(format!(
                "{key} is {}, must be a whole number from 0 to 2^53 - 1",
                shown(&value)
            ))),
        }
    }

    pub(super) fn number(&mut self, key: &str) -> Result<Option<f64>, Refusal> {
        let Some(value) = self.take(key) else { return Ok(None) };
        match value.as_f64() {
            Some(number) => Ok(Some(number)),
            None => Err(syntax(format!("{key} is {}, must be a number", shown(&value)))),
        }
    }

    /// An array of numbers, or a bare number: some writers take the brackets off a single one.
    pub(super) fn numbers(&mut self, key: &str) -> Result<Option<Vec<f64>>, Refusal> {
        let Some(value) = self.take(key) else { return Ok(None) };
        let numbers = match &value {
            Value::Array(items) => items.iter().map(Value::as_f64).collect(),
            other => other.as_f64().map(|number| vec![number]),
        };
        match numbers {
            Some(numbers) => Ok(Some(numbers)),
            None => Err(syntax(format!("{key} is {}, must be numbers", shown(&value)))),
        }
    }

    pub(super) fn flag(&mut self, key: &str) -> Result<Option<bool>, Refusal> {
        match self.take(key) {
            None => Ok(None),
            Some(Value::Bool(flag)) => Ok(Some(flag)),
            Some(value) => {
                Err(syntax(format!("{key} is {}, must be true or false", shown(&value))))
            }
        }
    }

    /// Text of at most `max_bytes` bytes without control characters.
    pub(super) fn text(&mut self, key: &str, max_bytes: usize) -> Result<Option<String>, Refusal> {
        match self.take(key) {
            None => Ok(None),
            Some(Value::String(text)) if text.len() > max_bytes => Err(syntax(format!(
                "{key} has {} bytes, must have at most {max_bytes}",
                text.len()
            ))),
            Some(Value::String(text)) if text.chars().any(char::is_control) => {
                let text = shown(&Value::String(text));
                Err(syntax(format!("{key} is {text}, must not hold control characters")))
            }
            Some(Value::String(text)) => Ok(Some(text)),
            Some(value) => Err(syntax(format!("{key} is {}, must be a text", shown(&value)))),
        }
    }

    /// A span of time above 0 and at most a day, written in seconds.
    pub(super) fn seconds(&mut self, key: &str) -> Result<Option<Duration>, Refusal> {
        let Some(seconds) = self.number(key)? else { return Ok(None) };
        if seconds > 0.0 && seconds <= 86_400.0 {
            return Ok(Some(Duration::from_secs_f64(seconds)));
        }
        Err(syntax(format!("{key} is {seconds}, must be above 0 and at most 86400")))
    }

    /// The keys that nobody took.
    pub(super) fn unknown(self) -> Vec<String> {
        self.0.into_iter().map(|(key, _)| key).collect()
    }
}

/// The value, or a `syntax` fault that names the missing key.
pub(super) fn required<T>(key: &str, value: Option<T>) -> Result<T, Refusal> {
    value.ok_or_else(|| syntax(format!("{key} is missing")))
}

pub(super) fn syntax(detail: String) -> Refusal {
    Refusal::new(ErrorCode::Syntax, detail)
}

/// A JSON number, without a fraction where there is none.
pub(super) fn number(value: f64) -> Option<Number> {
    whole(value).map(Number::from).or_else(|| Number::from_f64(value))
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "checked to be whole and from 0 to below 2^53"
)]
fn whole(value: f64) -> Option<u64> {
    let end = 9_007_199_254_740_992.0;
    (value >= 0.0 && value.is_sign_positive() && value < end && value.fract() <= 0.0)
        .then_some(value as u64)
}

/// A value as a message repeats it: not longer than a line of text.
fn shown(value: &Value) -> String {
    let text = value.to_string();
    if text.chars().nth(SHOWN_CHARACTERS).is_none() {
        return text;
    }
    let mut short: String = text.chars().take(SHOWN_CHARACTERS).collect();
    short.push('…');
    short
}
