//! Events as a person reads them: alarms, marks, gaps, changes; and what many pulses established.

use serde_json::Value;

use crate::signal::Quantity;

/// What an entry is drawn as beside a course.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sign {
    /// Bubbles were injected.
    Injection,
    /// An alarm that asks to stop the drive.
    Stop,
    /// A warning alarm.
    Warning,
    /// Anything else.
    Other,
}

/// A line of the table of alarms and marks.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// The pulse it holds from.
    pub pulse: Option<u64>,
    /// Device time, s; a mark that was dated back at the time it is of.
    pub time_s: Option<f64>,
    /// What kind.
    pub kind: String,
    /// In words.
    pub words: String,
    /// How it is drawn.
    pub sign: Sign,
}

/// What many pulses together established.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Which quantity.
    pub quantity: Quantity,
    /// From which pulse on.
    pub pulse: u64,
    /// On which channel.
    pub channel: String,
    /// At which drive of the baseline, MPa.
    pub drive_mpa: Option<f64>,
    /// By how much, dB.
    pub excess_db: Option<f64>,
    /// Half width of the always-valid 95 % interval, dB; nothing when infinite.
    pub within_db: Option<f64>,
}

/// The event as an establishment, if it is one.
#[must_use]
pub fn found(event: &Value) -> Option<Found> {
    if event["event"] != "established" {
        return None;
    }
    let channel = &event["channel"];
    Some(Found {
        quantity: Quantity::from_name(event["quantity"].as_str()?)?,
        pulse: event["pulse"].as_u64()?,
        channel: channel.as_str().map_or_else(|| channel.to_string(), str::to_owned),
        drive_mpa: event["drive_mpa"].as_f64(),
        excess_db: event["excess_db"].as_f64(),
        within_db: event["within_db"].as_f64(),
    })
}

/// The event as a line of the table; nothing for events that stand elsewhere in the report.
#[must_use]
pub fn entry(event: &Value) -> Option<Entry> {
    let text = |key: &str| event[key].as_str().unwrap_or_default().to_owned();
    let mut sign = Sign::Other;
    let (kind, words) = match event["event"].as_str()? {
        "alarm raised" => {
            let severity = text("severity");
            sign = if severity == "stop" { Sign::Stop } else { Sign::Warning };
            let channel = match &event["channel"] {
                Value::Null => String::new(),
                Value::String(name) => format!(", channel {name}"),
                number => format!(", channel {number}"),
            };
            let (name, cause) = (text("name"), text("cause"));
            let words = if cause.starts_with(&name) { cause } else { format!("{name}: {cause}") };
            (format!("alarm, {severity}"), words + &channel)
        }
        "alarm over" => ("alarm over".to_owned(), text("name")),
        "alarm acknowledged" => ("alarm acknowledged".to_owned(), text("name")),
        "mark" => {
            if event["mark"] == "injection" {
                sign = Sign::Injection;
            }
            mark(event)
        }
        "limits" => ("limits changed".to_owned(), event["alarms"].to_string()),
        "gap" => ("gap".to_owned(), text("text")),
        "warning" => ("warning".to_owned(), text("text")),
        "baseline kept" => ("baseline kept".to_owned(), text("text")),
        "pulse missing" => {
            ("pulse missing".to_owned(), format!("{} did not come", event["missing"]))
        }
        // What the sender announces stands in every pulse; a person's change is an act.
        "stage" if event["by"] == "sender" => return None,
        "stage" => ("stage".to_owned(), format!("{}, by {}", text("stage"), text("by"))),
        "stream" => ("stream".to_owned(), text("name")),
        "exposure began" | "exposure ended" | "baseline closed" | "established" => return None,
        other => (other.to_owned(), String::new()),
    };
    let back = event["backdated_s"].as_f64().unwrap_or(0.0);
    let time_s = event["time_s"].as_f64().map(|time| time - back);
    Some(Entry { pulse: event["pulse"].as_u64(), time_s, kind, words, sign })
}

fn mark(event: &Value) -> (String, String) {
    let name = event["mark"].as_str().unwrap_or("mark");
    let kind = match event["number"].as_u64() {
        Some(number) => format!("{name} {number}"),
        None => name.to_owned(),
    };
    let mut parts = Vec::new();
    for key in ["agent", "route", "marked_target", "text"] {
        if let Some(text) = event[key].as_str().filter(|text| !text.is_empty()) {
            parts.push(text.to_owned());
        }
    }
    if let Some(volume) = event["volume_ul"].as_f64() {
        parts.push(format!("{volume} µL"));
    }
    if let Some(id) = event["void"].as_u64() {
        parts.push(format!("takes back mark {id}"));
    }
    if let Some(back) = event["backdated_s"].as_f64().filter(|back| *back > 0.0) {
        parts.push(format!("entered {back} s later"));
    }
    if let Some(by) = event["by"].as_str() {
        parts.push(format!("by {by}"));
    }
    (kind, parts.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[track_caller]
    fn check(event: &Value, expected: Option<(&str, &str, Sign)>) {
        let found = entry(event);
        let found = found.as_ref().map(|e| (e.kind.as_str(), e.words.as_str(), e.sign));
        assert_eq!(found, expected);
    }

    #[test]
    fn alarms_and_marks_are_told_in_words() {
        check(
            &json!({"event": "alarm raised", "name": "inertial", "severity": "stop",
                    "cause": "broadband over the limit", "channel": 0}),
            Some(("alarm, stop", "inertial: broadband over the limit, channel 0", Sign::Stop)),
        );
        check(
            &json!({"event": "mark", "mark": "injection", "number": 2, "agent": "batch C",
                    "volume_ul": 50.0, "backdated_s": 3.0, "by": "operator"}),
            Some((
                "injection 2",
                "batch C, 50 µL, entered 3 s later, by operator",
                Sign::Injection,
            )),
        );
        check(&json!({"event": "exposure began"}), None);
    }

    #[test]
    fn a_mark_that_was_dated_back_stands_at_its_own_time() {
        let event = json!({"event": "mark", "mark": "note", "time_s": 10.0, "backdated_s": 4.0});
        assert_eq!(entry(&event).unwrap().time_s, Some(6.0));
    }

    #[test]
    fn an_establishment_is_read() {
        let event = json!({"event": "established", "pulse": 4, "quantity": "broadband",
                           "channel": "all", "drive_mpa": 0.1, "excess_db": 1.5, "within_db": null});
        let found = found(&event).unwrap();
        assert_eq!((found.channel.as_str(), found.within_db), ("all", None));
    }
}
