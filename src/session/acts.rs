//! Acts as JSON: as requests and `events.ndjson` write them, and back.
//!
//! A replay feeds the acts of `events.ndjson` in again, each before the first pulse it held for.

use std::path::Path;
use std::sync::Arc;

use serde_json::{Map, Value, json};

use crate::detect::{
    Act, AlarmLimit, AlarmSpec, By, Injection, Mark, MarkKind, Rule, Stage, Trigger,
};
use crate::engine::Input;

/// Longest text of a mark, bytes.
pub const MOST_TEXT_BYTES: usize = 2000;

/// Longest name of a target, bytes; what a frame of the pulse stream can carry.
pub const MOST_TARGET_BYTES: usize = 32;

/// Longest time by which a mark is dated back, s: a day.
pub const MOST_BACKDATED_S: f64 = 86_400.0;

/// Largest acts file that is read, bytes.
const MOST_BYTES: u64 = 1 << 30;

/// What is wrong with a request or a line: the key, and what it must be.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{key} {fault}")]
pub struct ActFault {
    /// The key.
    pub key: String,
    /// What is wrong with it, with its bound.
    pub fault: String,
}

fn fault(key: &str, fault: impl Into<String>) -> ActFault {
    ActFault { key: key.to_owned(), fault: fault.into() }
}

/// A mark as an event.
pub(super) fn mark_json(mark: &Mark, number: Option<u32>) -> Value {
    let mut object = Map::new();
    object.insert("event".into(), json!("mark"));
    object.insert("mark".into(), json!(mark.kind.name()));
    object.insert("id".into(), json!(mark.id));
    object.insert("by".into(), json!(mark.by.name()));
    object.insert("backdated_s".into(), json!(mark.backdated_s));
    object.insert("text".into(), json!(mark.text));
    match &mark.kind {
        MarkKind::Injection(injection) => {
            object.insert("number".into(), json!(number.or(injection.number)));
            object.insert("agent".into(), json!(injection.agent));
            object.insert("volume_ul".into(), json!(injection.volume_ul));
            object.insert("route".into(), json!(injection.route));
        }
        MarkKind::Target(target) => {
            object.insert("marked_target".into(), json!(&**target));
        }
        MarkKind::Void(id) => {
            object.insert("void".into(), json!(id));
        }
        _ => {}
    }
    Value::Object(object)
}

/// Limits of alarms that watch a quantity, as `GET /limits` and the event `limits` write them.
#[must_use]
pub fn limits_json(alarms: &[AlarmSpec]) -> Value {
    let alarms = alarms.iter().filter_map(|alarm| {
        let Trigger::Over { quantity, limit } = alarm.trigger else { return None };
        let rule = |rule: Rule| format!("{} of {}", rule.needed, rule.of);
        let mut object = Map::new();
        object.insert("name".into(), json!(alarm.name));
        object.insert("quantity".into(), json!(quantity.name()));
        let (limit, by_hand) = match limit {
            AlarmLimit::Budget => (json!("budget"), None),
            AlarmLimit::AboveBaselineDb { on_db, off_db, rule } => {
                (json!({"db": on_db}), Some((off_db, rule)))
            }
            AlarmLimit::DensityV2PerHz { on_v2_per_hz, off_db, rule } => {
                (json!({"v2_per_hz": on_v2_per_hz}), Some((off_db, rule)))
            }
        };
        object.insert("limit".into(), limit);
        if let Some((off_db, by_hand)) = by_hand {
            object.insert("off_db".into(), json!(off_db));
            object.insert("m_of_n".into(), json!(rule(by_hand)));
        }
        Some(Value::Object(object))
    });
    Value::Array(alarms.collect())
}

/// Reads what `limits_json` writes; `known` are the alarms there are. Gives the alarms that change.
///
/// # Errors
/// Names the alarm and the key at fault.
pub fn limits_from(value: &Value, known: &[AlarmSpec]) -> Result<Arc<[AlarmSpec]>, ActFault> {
    let alarms = value.as_array().ok_or_else(|| fault("alarms", "must be a list"))?;
    let changed: Result<Vec<AlarmSpec>, ActFault> =
        alarms.iter().enumerate().map(|(i, alarm)| limit_from(i, alarm, known)).collect();
    Ok(changed?.into())
}

fn limit_from(i: usize, value: &Value, known: &[AlarmSpec]) -> Result<AlarmSpec, ActFault> {
    let at = |key: &str| format!("alarms[{i}].{key}");
    let object =
        value.as_object().ok_or_else(|| fault(&format!("alarms[{i}]"), "must be an object"))?;
    only(object, &["name", "quantity", "limit", "off_db", "m_of_n"])?;
    let name = object.get("name").and_then(Value::as_str).unwrap_or_default();
    let spec = known.iter().find(|spec| spec.name == name);
    let spec = spec.ok_or_else(|| {
        let names: Vec<&str> = known.iter().map(|spec| spec.name.as_str()).collect();
        fault(&at("name"), format!("is \"{name}\", must be one of {}", names.join("; ")))
    })?;
    let Trigger::Over { quantity, .. } = spec.trigger else {
        return Err(fault(
            &at("name"),
            format!("is \"{name}\", which watches a condition and has no limit"),
        ));
    };
    if let Some(found) = object.get("quantity").filter(|q| q.as_str() != Some(quantity.name())) {
        let bound = format!("is {found}, the alarm watches \"{}\"", quantity.name());
        return Err(fault(&at("quantity"), bound));
    }
    let by_hand = || -> Result<(f64, Rule), ActFault> {
        let off = object.get("off_db").and_then(Value::as_f64).filter(|off| off.abs() <= 300.0);
        let off = off.ok_or_else(|| fault(&at("off_db"), "must be a number within ±300 dB"))?;
        let rule = object.get("m_of_n").and_then(Value::as_str).and_then(rule_from);
        let rule =
            rule.ok_or_else(|| fault(&at("m_of_n"), "must be \"m of n\" with 1 ≤ m ≤ n ≤ 64"))?;
        Ok((off, rule))
    };
    let limit = &value["limit"];
    let limit = if limit.as_str() == Some("budget") {
        AlarmLimit::Budget
    } else if let Some(on_db) = limit.get("db").and_then(Value::as_f64).filter(|d| d.abs() <= 300.0)
    {
        let (off_db, rule) = by_hand()?;
        if off_db > on_db {
            return Err(fault(
                &at("off_db"),
                format!("is {off_db}, must be at most the limit's db, {on_db}"),
            ));
        }
        AlarmLimit::AboveBaselineDb { on_db, off_db, rule }
    } else if let Some(on_v2_per_hz) =
        limit.get("v2_per_hz").and_then(Value::as_f64).filter(|d| *d > 0.0)
    {
        let (off_db, rule) = by_hand()?;
        if off_db > 0.0 {
            return Err(fault(
                &at("off_db"),
                format!("is {off_db}, must be at most 0 beside v2_per_hz"),
            ));
        }
        AlarmLimit::DensityV2PerHz { on_v2_per_hz, off_db, rule }
    } else {
        return Err(fault(
            &at("limit"),
            "must be \"budget\", {\"db\": within ±300} or {\"v2_per_hz\": above 0}",
        ));
    };
    Ok(AlarmSpec { trigger: Trigger::Over { quantity, limit }, ..spec.clone() })
}

/// A rule "m of n", 1 ≤ m ≤ n ≤ 64.
pub(crate) fn rule_from(text: &str) -> Option<Rule> {
    let (needed, of) = text.split_once(" of ")?;
    let (needed, of) = (needed.trim().parse().ok()?, of.trim().parse().ok()?);
    (1 <= needed && needed <= of && of <= 64).then_some(Rule { needed, of })
}

fn only(object: &Map<String, Value>, keys: &[&str]) -> Result<(), ActFault> {
    match object.keys().find(|key| !keys.contains(&key.as_str())) {
        Some(key) => Err(fault(key, format!("is not known, must be one of {}", keys.join(", ")))),
        None => Ok(()),
    }
}

/// A mark of the person at the monitor, as a request writes it.
///
/// # Errors
/// Names the key at fault and its bound.
pub fn mark_from(value: &Value, id: u64) -> Result<Mark, ActFault> {
    let object = value.as_object().ok_or_else(|| fault("the body", "must be a JSON object"))?;
    let name = object.get("mark").and_then(Value::as_str).unwrap_or_default();
    let common = ["mark", "backdated_s", "text"];
    let own: &[&str] = match name {
        "injection" => &["number", "agent", "volume_ul", "route"],
        "target" => &["target"],
        "void" => &["void"],
        _ => &[],
    };
    let kind =
        kind(name, |key| if key == "marked_target" { &value["target"] } else { &value[key] })?;
    only(object, &[&common, own].concat())?;
    let mark = Mark {
        id: Some(id),
        by: By::Operator,
        backdated_s: backdated(value)?,
        text: text(&value["text"], "text", MOST_TEXT_BYTES)?.unwrap_or_default(),
        kind,
    };
    if mark.kind == MarkKind::Note && mark.text.is_empty() {
        return Err(fault("text", "must not be empty in a note"));
    }
    Ok(mark)
}

fn backdated(value: &Value) -> Result<f64, ActFault> {
    match &value["backdated_s"] {
        Value::Null => Ok(0.0),
        number => {
            number.as_f64().filter(|s| (0.0..=MOST_BACKDATED_S).contains(s)).ok_or_else(|| {
                fault("backdated_s", format!("is {number}, must be 0 to {MOST_BACKDATED_S}"))
            })
        }
    }
}

fn text(value: &Value, key: &str, most: usize) -> Result<Option<String>, ActFault> {
    match value {
        Value::Null => Ok(None),
        Value::String(text) if text.len() <= most && !text.contains(char::is_control) => {
            Ok(Some(text.clone()))
        }
        _ => Err(fault(
            key,
            format!("must be text of at most {most} bytes without control characters"),
        )),
    }
}

fn kind<'a>(name: &str, get: impl Fn(&str) -> &'a Value) -> Result<MarkKind, ActFault> {
    Ok(match name {
        "injection" => MarkKind::Injection(Injection {
            number: match get("number") {
                Value::Null => None,
                number => {
                    let whole = number.as_u64().and_then(|n| u32::try_from(n).ok());
                    Some(whole.filter(|n| *n > 0).ok_or_else(|| {
                        fault(
                            "number",
                            format!("is {number}, must be a whole number from 1 to {}", u32::MAX),
                        )
                    })?)
                }
            },
            agent: text(get("agent"), "agent", MOST_TEXT_BYTES)?,
            volume_ul: match get("volume_ul") {
                Value::Null => None,
                number => {
                    Some(number.as_f64().filter(|v| (0.0..=1e9).contains(v)).ok_or_else(|| {
                        fault("volume_ul", format!("is {number}, must be 0 to 1e9"))
                    })?)
                }
            },
            route: text(get("route"), "route", MOST_TEXT_BYTES)?,
        }),
        "target" => {
            let target = text(get("marked_target"), "target", MOST_TARGET_BYTES)?;
            MarkKind::Target(target.ok_or_else(|| fault("target", "is missing"))?.into())
        }
        "pause" => MarkKind::Pause,
        "resume" => MarkKind::Resume,
        "exposure ended" => MarkKind::ExposureEnded,
        "abort" => MarkKind::Abort,
        "note" => MarkKind::Note,
        "void" => {
            let id = get("void").as_u64();
            MarkKind::Void(id.ok_or_else(|| fault("void", "must be the number of a mark"))?)
        }
        _ => {
            let names = "injection, target, pause, resume, exposure ended, abort, note, void";
            return Err(fault("mark", format!("is \"{name}\", must be one of {names}")));
        }
    })
}

/// When an act of a record was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum When {
    /// Before this pulse and all after it.
    Before(u64),
    /// After this pulse.
    After(u64),
    /// After the last.
    AtEnd,
}

/// The acts of an `events.ndjson`, in order.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Acts(Vec<(When, Act)>);

/// Why acts cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum ActsError {
    /// There is no such file.
    #[error("{0}: no such acts file")]
    NotFound(String),
    /// It cannot be read.
    #[error("{path}: {source}")]
    Unreadable {
        /// The file.
        path: String,
        /// Why.
        source: std::io::Error,
    },
    /// A line is not an event.
    #[error("{path}, line {line}: {why}")]
    Malformed {
        /// The file.
        path: String,
        /// The line, from 1.
        line: usize,
        /// What is wrong.
        why: String,
    },
}

impl Acts {
    /// Reads the acts of an `events.ndjson`; other events are passed over. `known` are the alarms of
    /// the configuration.
    ///
    /// # Errors
    /// Names the file, the line and the key at fault.
    pub fn read(path: &Path, known: &[AlarmSpec]) -> Result<Self, ActsError> {
        let name = path.display().to_string();
        let unreadable = |source: std::io::Error| match source.kind() {
            std::io::ErrorKind::NotFound => ActsError::NotFound(name.clone()),
            _ => ActsError::Unreadable { path: name.clone(), source },
        };
        let bytes = std::fs::metadata(path).map_err(unreadable)?.len();
        if bytes > MOST_BYTES {
            let why = format!("the file has {bytes} bytes, at most {MOST_BYTES} are read");
            return Err(ActsError::Malformed { path: name, line: 1, why });
        }
        let text = std::fs::read_to_string(path).map_err(unreadable)?;
        let mut acts = Vec::new();
        for (i, line) in text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
            let at = |why: String| ActsError::Malformed { path: name.clone(), line: i + 1, why };
            let event: Value = serde_json::from_str(line).map_err(|error| at(error.to_string()))?;
            acts.extend(act_of(&event, known).map_err(|fault| at(fault.to_string()))?);
        }
        Ok(Self(acts))
    }

    /// The stream with these acts in it, each before the first pulse it held for.
    pub fn among<E>(
        self,
        source: impl Iterator<Item = Result<Input, E>> + Send,
    ) -> impl Iterator<Item = Result<Input, E>> + Send
    where
        E: Send,
    {
        let mut acts = self.0.into_iter().peekable();
        let (mut source, mut held) = (source, None);
        let mut last = None;
        std::iter::from_fn(move || {
            let item = held.take().or_else(|| source.next())?;
            let is_due = |when: When| match &item {
                Ok(Input::Frame(frame)) if last != Some(frame.tag.number) => match when {
                    When::Before(pulse) => pulse <= frame.tag.number,
                    When::After(pulse) => pulse < frame.tag.number,
                    When::AtEnd => false,
                },
                Ok(Input::End) => true,
                _ => false,
            };
            if let Some((_, act)) = acts.next_if(|(when, _)| is_due(*when)) {
                held = Some(item);
                return Some(Ok(Input::Act(act)));
            }
            if let Ok(Input::Frame(frame)) = &item {
                last = Some(frame.tag.number);
            }
            Some(item)
        })
    }
}

fn act_of(event: &Value, known: &[AlarmSpec]) -> Result<Option<(When, Act)>, ActFault> {
    let when = event["pulse"].as_u64().map_or(When::AtEnd, When::Before);
    let by = match event["by"].as_str() {
        Some("sender") => By::Sender,
        _ => By::Operator,
    };
    let act = match event["event"].as_str() {
        None => return Err(fault("event", "is missing")),
        Some("mark") => {
            let name = event["mark"].as_str().unwrap_or_default();
            Act::Mark(Mark {
                id: event["id"].as_u64(),
                by,
                backdated_s: backdated(event)?,
                text: text(&event["text"], "text", MOST_TEXT_BYTES)?.unwrap_or_default(),
                kind: kind(name, |key| &event[key])?,
            })
        }
        Some("stage") if by == By::Operator => {
            let stage = event["stage"].as_str().and_then(Stage::from_name);
            Act::Stage(stage.ok_or_else(|| fault("stage", "must be noise, baseline or exposure"))?)
        }
        Some("alarm acknowledged") => {
            let id =
                event["id"].as_u64().ok_or_else(|| fault("id", "must be an alarm's number"))?;
            let when = event["after_pulse"].as_u64().map_or(When::Before(0), When::After);
            return Ok(Some((when, Act::Acknowledge(id))));
        }
        Some("limits") => Act::Limits(limits_from(&event["alarms"], known)?),
        Some(_) => return Ok(None),
    };
    Ok(Some((when, act)))
}

#[cfg(test)]
mod tests {
    use super::super::events::event_json;
    use super::*;
    use crate::detect::{Event, Severity, What};
    use crate::engine::Frame;
    use crate::signal::Quantity;

    fn alarms() -> Vec<AlarmSpec> {
        let rule = Rule { needed: 2, of: 3 };
        let spec = |name: &str, trigger| AlarmSpec {
            name: name.to_owned(),
            severity: Severity::Warning,
            trigger,
            hold_s: 1.0,
            latch: false,
            sinks: vec!["page".to_owned()],
        };
        let over = |quantity, limit| Trigger::Over { quantity, limit };
        let by_hand = AlarmLimit::AboveBaselineDb { on_db: 3.0, off_db: 2.0, rule };
        let density = AlarmLimit::DensityV2PerHz { on_v2_per_hz: 1e-12, off_db: -1.0, rule };
        vec![
            spec("budget", over(Quantity::Broadband, AlarmLimit::Budget)),
            spec("hand", over(Quantity::Harmonic, by_hand)),
            spec("density", over(Quantity::Subharmonic, density)),
            spec("overload", Trigger::State(crate::detect::Condition::Overload)),
        ]
    }

    /// A request's mark as an event and back.
    #[track_caller]
    fn check_mark(request: &str) {
        let request: Value = serde_json::from_str(request).unwrap();
        let mark = mark_from(&request, 5).unwrap();
        let what = What::Mark { mark: Box::new(mark.clone()), number: None };
        let event = Event { pulse: Some(9), time_s: 1.5, target: "left".into(), what };
        let read = act_of(&event_json(&event), &[]).unwrap();
        assert_eq!(read, Some((When::Before(9), Act::Mark(mark))));
    }

    #[test]
    fn marks_come_back_from_their_events() {
        check_mark(r#"{"mark":"injection"}"#);
        check_mark(
            r#"{"mark":"injection","number":3,"agent":"batch C","volume_ul":50.5,"route":"upstream","backdated_s":4.5,"text":"slow"}"#,
        );
        check_mark(r#"{"mark":"target","target":"right, lower"}"#);
        for name in ["pause", "resume", "abort", "exposure ended"] {
            check_mark(&format!(r#"{{"mark":"{name}"}}"#));
        }
        check_mark(r#"{"mark":"note","text":"bath topped up"}"#);
        check_mark(r#"{"mark":"void","void":3}"#);
    }

    #[track_caller]
    fn check_refused(request: &str, expected: &str) {
        let request: Value = serde_json::from_str(request).unwrap();
        assert_eq!(mark_from(&request, 5).unwrap_err().to_string(), expected);
    }

    #[test]
    fn a_request_at_fault_is_told_which_key_and_what_bound() {
        check_refused("[]", "the body must be a JSON object");
        let names = "injection, target, pause, resume, exposure ended, abort, note, void";
        check_refused("{}", &format!("mark is \"\", must be one of {names}"));
        check_refused(r#"{"mark":"dance"}"#, &format!("mark is \"dance\", must be one of {names}"));
        check_refused(
            r#"{"mark":"pause","volume_ul":3}"#,
            "volume_ul is not known, must be one of mark, backdated_s, text",
        );
        check_refused(
            r#"{"mark":"injection","number":0}"#,
            "number is 0, must be a whole number from 1 to 4294967295",
        );
        check_refused(
            r#"{"mark":"injection","volume_ul":-1}"#,
            "volume_ul is -1, must be 0 to 1e9",
        );
        check_refused(
            r#"{"mark":"injection","backdated_s":-0.5}"#,
            "backdated_s is -0.5, must be 0 to 86400",
        );
        check_refused(r#"{"mark":"target"}"#, "target is missing");
        check_refused(
            r#"{"mark":"target","target":"0123456789012345678901234567890123"}"#,
            "target must be text of at most 32 bytes without control characters",
        );
        check_refused(r#"{"mark":"note"}"#, "text must not be empty in a note");
        check_refused(r#"{"mark":"void"}"#, "void must be the number of a mark");
    }

    #[test]
    fn limits_come_back_as_they_were_written() {
        let known = alarms();
        let written = limits_json(&known);
        // An alarm that watches a condition has no limit.
        assert_eq!(written.as_array().unwrap().len(), 3);
        assert_eq!(*limits_from(&written, &known).unwrap(), known[..3]);
    }

    #[track_caller]
    fn check_limit(limit: &str, expected: &str) {
        let value: Value = serde_json::from_str(limit).unwrap();
        assert_eq!(limits_from(&value, &alarms()).unwrap_err().to_string(), expected);
    }

    #[test]
    fn a_limit_at_fault_is_told_which_key_and_what_bound() {
        check_limit("3", "alarms must be a list");
        check_limit(
            r#"[{"name":"x"}]"#,
            "alarms[0].name is \"x\", must be one of budget; hand; density; overload",
        );
        check_limit(
            r#"[{"name":"overload"}]"#,
            "alarms[0].name is \"overload\", which watches a condition and has no limit",
        );
        check_limit(
            r#"[{"name":"hand","quantity":"broadband","limit":"budget"}]"#,
            "alarms[0].quantity is \"broadband\", the alarm watches \"harmonic\"",
        );
        check_limit(
            r#"[{"name":"hand","limit":{"db":1},"off_db":2,"m_of_n":"1 of 1"}]"#,
            "alarms[0].off_db is 2, must be at most the limit's db, 1",
        );
        check_limit(
            r#"[{"name":"hand","limit":{"db":1},"off_db":1,"m_of_n":"3 of 2"}]"#,
            "alarms[0].m_of_n must be \"m of n\" with 1 ≤ m ≤ n ≤ 64",
        );
        check_limit(
            r#"[{"name":"hand","limit":"loud"}]"#,
            "alarms[0].limit must be \"budget\", {\"db\": within ±300} or {\"v2_per_hz\": above 0}",
        );
    }

    fn frame(number: u64) -> Result<Input, String> {
        Ok(Input::Frame(Frame::bare(number)))
    }

    #[test]
    fn acts_come_before_the_first_pulse_they_held_for() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("events.ndjson");
        let lines = [
            r#"{"event":"stage","pulse":2,"stage":"noise","by":"operator"}"#,
            r#"{"event":"stage","pulse":2,"stage":"baseline","by":"sender"}"#,
            r#"{"event":"mark","pulse":5,"mark":"note","id":1,"by":"operator","text":"between"}"#,
            r#"{"event":"warning","pulse":5,"text":"no act"}"#,
            r#"{"event":"alarm acknowledged","pulse":null,"id":4,"name":"x","after_pulse":6}"#,
            r#"{"event":"mark","pulse":null,"mark":"pause","id":null,"by":"sender"}"#,
        ];
        std::fs::write(&path, lines.join("\n")).unwrap();
        let acts = Acts::read(&path, &[]).unwrap();
        let source = [frame(2), frame(2), frame(4), frame(6), frame(7), Ok(Input::End)];
        let order: Vec<String> = acts
            .among(source.into_iter())
            .map(|item| match item.unwrap() {
                Input::Frame(frame) => frame.tag.number.to_string(),
                Input::Act(Act::Stage(stage)) => stage.name().to_owned(),
                Input::Act(Act::Mark(mark)) => mark.kind.name().to_owned(),
                Input::Act(Act::Acknowledge(id)) => format!("acknowledge {id}"),
                Input::End => "end".to_owned(),
                other => panic!("{other:?}"),
            })
            .collect();
        let expected = ["noise", "2", "2", "4", "note", "6", "acknowledge 4", "7", "pause", "end"];
        assert_eq!(order, expected);
    }

    #[test]
    fn a_faulty_line_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("events.ndjson");
        std::fs::write(&path, "{\"event\":\"warning\"}\n\n{\"event\":\"mark\",\"mark\":\"x\"}\n")
            .unwrap();
        let error = Acts::read(&path, &[]).unwrap_err().to_string();
        assert!(error.ends_with("events.ndjson, line 3: mark is \"x\", must be one of injection, target, pause, resume, exposure ended, abort, note, void"), "{error}");
        let error = Acts::read(&folder.path().join("none"), &[]).unwrap_err().to_string();
        assert!(error.ends_with("none: no such acts file"), "{error}");
    }
}
