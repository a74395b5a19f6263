//! What other limits would have meant for pulses whose kind is known: this session's, or those of a
//! session folder beside its own. Only looks; limits are changed by `PUT /limits`.
//!
//! A table of pulses and what is proposed for it are kept until another session is asked for, so that
//! moving a limit costs one pass over stored numbers.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Instant, SystemTime};

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::StatusCode;
use serde_json::{Map, Value, json};

use super::facts::Facts;
use super::hub::Hub;
use super::problem::Problem;
use super::requests;
use super::routes::Room;
use crate::config;
use crate::detect::{Channel, alpha};
use crate::session::acts::rule_from;
use crate::session::baseline_file::Identity;
use crate::session::read::SessionFolder;
use crate::session::tuning_file::{
    ROC_POINTS, channel_json, estimate_fields, number, rule_text, share,
};
use crate::signal::{PerQuantity, Plan, Quantity, as_f64};
use crate::stats::Roc;
use crate::tune::QuantityTuning;
use crate::tune::onset::Onset;
use crate::tune::table::{Kind, Seen, Table};
use crate::tune::view::{Choice, View};

/// Name of the session that runs.
const NOW: &str = "now";

/// Session folders that are listed.
const MOST_SESSIONS: usize = 200;

/// Points of an onset curve.
const CURVE_POINTS: usize = 61;

/// What is proposed for one channel.
#[derive(Debug)]
struct Proposals {
    channel: Channel,
    choices: PerQuantity<Option<Choice>>,
    advice: PerQuantity<Vec<String>>,
    measured: PerQuantity<bool>,
}

/// A session that was looked at.
#[derive(Debug)]
struct Kept {
    name: String,
    stamp: Stamp,
    table: Table,
    /// Channels, quiet pulses on each, pulses with bubbles, rows left out.
    counts: Vec<(Channel, [usize; 2], u64)>,
    /// What was read besides the numbers.
    advice: Vec<String>,
    proposals: Mutex<Vec<Arc<Proposals>>>,
}

/// What tells that a session is still the one that was read.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Stamp {
    /// Places of the oldest and the next pulse that are kept.
    Pulses(u64, u64),
    /// Length and time of the pulse table.
    File(u64, Option<SystemTime>),
}

/// The session that was looked at last.
#[derive(Debug, Default)]
pub(super) struct Shelf(Mutex<Option<Arc<Kept>>>);

/// `GET /tuning/sessions`.
pub(super) async fn sessions(State(room): State<Arc<Room>>) -> Result<Json<Value>, Problem> {
    let (pulses, beside) = {
        let state = room.hub.state();
        (state.pulses.len(), beside(state.folder.0.as_deref()))
    };
    let others = blocking(move || beside.map(|(folder, own)| names(&folder, &own))).await?;
    let mut sessions = vec![json!({"name": NOW, "label": "this session", "pulses": pulses})];
    for name in others.unwrap_or_default() {
        sessions.push(json!({"name": name, "label": name, "pulses": null}));
    }
    Ok(Json(json!({"sessions": sessions})))
}

/// The folder this session's folder lies in, and its name there.
fn beside(folder: Option<&str>) -> Option<(PathBuf, String)> {
    let own = Path::new(folder?);
    let name = own.file_name()?.to_str()?.to_owned();
    let parent = own.parent()?;
    let parent = if parent.as_os_str().is_empty() { Path::new(".") } else { parent };
    Some((parent.to_owned(), name))
}

/// Session folders in a folder, by name descending, without this one.
fn names(folder: &Path, own: &str) -> Vec<String> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut names: Vec<String> = entries
        .filter(|entry| SessionFolder::is_one(&entry.path()))
        .filter_map(|entry| entry.file_name().into_string().ok())
        .filter(|name| name != own && name != NOW)
        .collect();
    names.sort_unstable_by(|a, b| b.cmp(a));
    names.truncate(MOST_SESSIONS);
    names
}

async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, Problem> {
    tokio::task::spawn_blocking(work).await.map_err(|error| {
        Problem::new(StatusCode::INTERNAL_SERVER_ERROR, format!("it was not looked at: {error}"))
    })
}

/// What is asked for.
struct Asked {
    session: String,
    channel: Option<Channel>,
    quantity: Quantity,
    limits: PerQuantity<Option<Choice>>,
}

/// `POST /tuning`.
pub(super) async fn view(
    State(room): State<Arc<Room>>,
    request: Body,
) -> Result<Json<Value>, Problem> {
    let asked = asked(&requests::body(request).await?)?;
    blocking(move || look(&room, &asked)).await?.map(Json)
}

fn asked(value: &Value) -> Result<Asked, Problem> {
    let object =
        value.as_object().ok_or_else(|| Problem::refused("the body must be a JSON object"))?;
    let known = ["session", "channel", "quantity", "limits"];
    if let Some(key) = object.keys().find(|key| !known.contains(&key.as_str())) {
        let known = known.join(", ");
        return Err(Problem::refused(format!("{key} is not known, must be one of {known}")));
    }
    let session = value["session"].as_str().ok_or_else(|| {
        Problem::refused(format!("session is {}, must be text", value["session"]))
    })?;
    let channel = match &value["channel"] {
        Value::Null => None,
        Value::String(text) if text == "all" => Some(Channel::All),
        other => {
            let channel = other.as_u64().and_then(|channel| usize::try_from(channel).ok());
            Some(Channel::One(channel.ok_or_else(|| {
                Problem::refused(format!("channel is {other}, must be a number or \"all\""))
            })?))
        }
    };
    let mut limits = PerQuantity([None; 4]);
    match &value["limits"] {
        Value::Null => {}
        Value::Object(wanted) => {
            for (name, limit) in wanted {
                limits[quantity(name)?] = Some(choice(name, limit)?);
            }
        }
        other => return Err(Problem::refused(format!("limits is {other}, must be an object"))),
    }
    Ok(Asked {
        session: session.to_owned(),
        channel,
        quantity: quantity(value["quantity"].as_str().unwrap_or_default())?,
        limits,
    })
}

fn quantity(name: &str) -> Result<Quantity, Problem> {
    Quantity::from_name(name).ok_or_else(|| {
        let names = Quantity::ALL.map(Quantity::name).join(", ");
        Problem::refused(format!("quantity is \"{name}\", must be one of {names}"))
    })
}

fn choice(name: &str, limit: &Value) -> Result<Choice, Problem> {
    let over_db = limit["db"].as_f64().filter(|db| db.abs() <= 300.0).ok_or_else(|| {
        let found = &limit["db"];
        Problem::refused(format!("limits.{name}.db is {found}, must be a number within ±300 dB"))
    })?;
    let rule = limit["m_of_n"].as_str().and_then(rule_from).ok_or_else(|| {
        let found = &limit["m_of_n"];
        Problem::refused(format!(
            "limits.{name}.m_of_n is {found}, must be \"m of n\" with 1 ≤ m ≤ n ≤ 64"
        ))
    })?;
    Ok(Choice { over_db, rule })
}

fn look(room: &Room, asked: &Asked) -> Result<Value, Problem> {
    let begun = Instant::now();
    let facts = &room.hub.facts;
    let kept = room.shelf.kept(&room.hub, &asked.session)?;
    check_kinds(&kept)?;
    let channels: Vec<Channel> = kept.counts.iter().map(|(channel, ..)| *channel).collect();
    let channel = match asked.channel {
        Some(channel) if channels.contains(&channel) => channel,
        Some(channel) => {
            let names: Vec<String> = channels.iter().map(ToString::to_string).collect();
            let names = names.join(", ");
            return Err(Problem::refused(format!("channel is {channel}, must be one of {names}")));
        }
        None if channels.contains(&Channel::All) => Channel::All,
        None => channels[0],
    };
    let proposals = kept.proposals(channel, facts);
    let choices =
        PerQuantity::from_fn(|quantity| asked.limits[quantity].or(proposals.choices[quantity]));
    let view = View::of(&kept.table, (channel, asked.quantity), &choices, &facts.detect);
    let mut answer = answer(asked, &view, &choices, &proposals);
    let counts = kept.counts.iter().find(|(of, ..)| *of == channel);
    let ([quiet, bubbles], left_out) =
        counts.map_or(([0, 0], 0), |(_, rows, left_out)| (*rows, *left_out));
    let advice: Vec<&String> =
        kept.advice.iter().chain(&proposals.advice[asked.quantity]).collect();
    for (key, value) in [
        ("session", json!(asked.session)),
        ("channel", channel_json(channel)),
        ("channels", channels.iter().map(|channel| channel_json(*channel)).collect()),
        ("quantity", json!(asked.quantity.name())),
        ("expected_pulses", json!(facts.detect.expected_pulses)),
        ("drive_means", json!(facts.drive_means)),
        ("n_quiet", json!(quiet)),
        ("n_bubbles", json!(bubbles)),
        ("left_out", json!(left_out)),
        ("advice", json!(advice)),
        ("took_ms", json!(begun.elapsed().as_secs_f64() * 1e3)),
    ] {
        answer.insert(key.into(), value);
    }
    Ok(Value::Object(answer))
}

fn check_kinds(kept: &Kept) -> Result<(), Problem> {
    for (kind, what, stage) in [(0, "without bubbles", "baseline"), (1, "with bubbles", "exposure")]
    {
        if kept.counts.iter().all(|(_, rows, _)| rows[kind] == 0) {
            return Err(Problem::not_found(format!(
                "the session has no pulse {what} that could be heard: record pulses of stage {stage}"
            )));
        }
    }
    Ok(())
}

fn answer(
    asked: &Asked,
    view: &View,
    choices: &PerQuantity<Option<Choice>>,
    proposals: &Proposals,
) -> Map<String, Value> {
    let limit = |quantity: Quantity| {
        if !proposals.measured[quantity] {
            return Value::Null;
        }
        let (now, proposed) = (choices[quantity], proposals.choices[quantity]);
        json!({
            "db": now.map(|choice| choice.over_db),
            "m_of_n": now.map(|choice| rule_text(choice.rule)),
            "proposed_db": proposed.map(|choice| choice.over_db),
            "proposed_m_of_n": proposed.map(|choice| rule_text(choice.rule)),
        })
    };
    let limits: Map<String, Value> = Quantity::ALL
        .into_iter()
        .map(|quantity| (quantity.name().to_owned(), limit(quantity)))
        .collect();
    let drives: Vec<Value> = view
        .drives
        .iter()
        .map(|drive| {
            json!({
                "drive_mpa": drive.drive.mpa(), "pulses": drive.pulses, "over": drive.over,
                "missed": drive.pulses - drive.over, "share": share(drive.over, drive.pulses),
                "lo": drive.share.map(|share| share.low), "hi": drive.share.map(|share| share.high),
            })
        })
        .collect();
    let verdicts: Vec<Value> = view
        .verdicts
        .iter()
        .map(|(drive, count)| {
            json!({
                "drive_mpa": drive.mpa(), "pulses": count.pulses,
                "not_detected": count.not_detected, "stable": count.stable,
                "inertial": count.inertial,
            })
        })
        .collect();
    let quiet = &view.quiet;
    let value = json!({
        "limits": limits, "range_db": view.range_db.map(|[low, high]| [low.min(0.0), high.max(1.0)]),
        "quiet": {
            "over": quiet.over, "of": quiet.of, "share": share(quiet.over, quiet.of),
            "share_upper": quiet.share_upper, "per_exposure": number(quiet.per_exposure),
            "per_exposure_upper": quiet.per_exposure_upper.map(number),
        },
        "drives": drives, "verdicts": verdicts,
        "roc": roc_json(view, choices[asked.quantity]), "onset": onset_json(&view.onset),
    });
    match value {
        Value::Object(object) => object,
        _ => Map::new(),
    }
}

fn roc_json(view: &View, choice: Option<Choice>) -> Value {
    let Some(roc) = &view.roc else { return Value::Null };
    let interval = Roc::delong_interval(roc);
    json!({
        "points": roc.points(ROC_POINTS), "at": choice.map(|choice| roc.at(choice.over_db)),
        "auc": roc.auc(), "auc_lo": interval.low, "auc_hi": interval.high,
    })
}

fn onset_json(onset: &Onset) -> Value {
    let mut object = Map::new();
    object.insert("fit".into(), json!(onset.fit.name()));
    object.insert("why".into(), json!(onset.why));
    object.insert("curve".into(), json!(curve(onset)));
    for (name, estimate) in [("drive50", &onset.half), ("drive90", &onset.nine_tenths)] {
        object.extend(estimate_fields(name, estimate.as_ref()));
    }
    Value::Object(object)
}

/// The curve over the drives there are and a little beyond.
fn curve(onset: &Onset) -> Vec<[f64; 2]> {
    let ends = onset.drives.first().zip(onset.drives.last());
    let (Some(curve), Some((first, last))) = (&onset.curve, ends) else { return Vec::new() };
    let (from, to) = (first.drive_mpa / 1.15, last.drive_mpa * 1.15);
    let at = |i: usize| from * libm::pow(to / from, as_f64(i) / as_f64(CURVE_POINTS - 1));
    (0..CURVE_POINTS).map(|i| [at(i), curve.share(at(i))]).collect()
}

impl Shelf {
    /// The session of that name, read anew when it has changed.
    fn kept(&self, hub: &Hub, name: &str) -> Result<Arc<Kept>, Problem> {
        let kept = || self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let fresh =
            |stamp: &Stamp| kept().clone().filter(|kept| kept.name == name && kept.stamp == *stamp);
        let read = if name == NOW {
            let (records, stamp) = {
                let state = hub.state();
                let records: Vec<_> = state.pulses.iter().cloned().collect();
                (records, Stamp::Pulses(state.pulses.first(), state.pulses.end()))
            };
            if let Some(kept) = fresh(&stamp) {
                return Ok(kept);
            }
            let mut table = Table::new(hub.facts.detect.drive_tolerance);
            for record in &records {
                if let Some(kind) = Kind::of(record.stage) {
                    let rows = record.rows.iter().filter(|row| row.pulse.is_some());
                    table.take(kind, rows.map(Seen::of));
                }
            }
            Kept::new(name, stamp, table, Vec::new())
        } else {
            let folder = named(hub, name)?;
            let csv = std::fs::metadata(folder.join("pulses.csv"))
                .map_err(|_| Problem::not_found(format!("there is no session {name}")))?;
            let stamp = Stamp::File(csv.len(), csv.modified().ok());
            if let Some(kept) = fresh(&stamp) {
                return Ok(kept);
            }
            read_folder(&folder, name, stamp, &hub.facts)?
        };
        let read = Arc::new(read);
        *kept() = Some(Arc::clone(&read));
        Ok(read)
    }
}

/// The folder of a listed session.
fn named(hub: &Hub, name: &str) -> Result<PathBuf, Problem> {
    let beside = beside(hub.state().folder.0.as_deref());
    let found = beside.filter(|(folder, own)| names(folder, own).iter().any(|known| known == name));
    let (folder, _) =
        found.ok_or_else(|| Problem::not_found(format!("there is no session {name}")))?;
    Ok(folder.join(name))
}

fn read_folder(path: &Path, name: &str, stamp: Stamp, facts: &Facts) -> Result<Kept, Problem> {
    let unread = |error: &dyn std::fmt::Display| Problem::refused(error.to_string());
    let folder = SessionFolder::open(path).map_err(|error| unread(&error))?;
    let mut table = Table::new(facts.detect.drive_tolerance);
    folder
        .known_pulses(&[Kind::Quiet, Kind::Bubbles], &mut table)
        .map_err(|error| unread(&error))?;
    let own = config::parse(name, folder.configuration()).ok().and_then(|loaded| {
        let settings = &loaded.settings;
        let plan = Plan::new(&settings.signal).ok()?.monitored(settings.drive_monitor_channel);
        Some(Identity::of(&plan, settings.recordings.cutting.as_ref()))
    });
    let advice = match own.map(|own| facts.identity.differs_from(&own)) {
        Some(None) => Vec::new(),
        Some(Some(differences)) => vec![format!(
            "this session was heard otherwise: {differences}; its limits do not carry over"
        )],
        None => vec!["how this session was heard is not known".to_owned()],
    };
    Ok(Kept::new(name, stamp, table, advice))
}

impl Kept {
    fn new(name: &str, stamp: Stamp, table: Table, advice: Vec<String>) -> Self {
        let left_out = table.left_out();
        let of_channel = |channel: Channel| {
            let left = left_out.iter().filter(|(_, of, ..)| *of == channel);
            let rows = [Kind::Quiet, Kind::Bubbles].map(|kind| table.rows(kind, channel));
            (channel, rows, left.map(|(.., rows)| rows).sum())
        };
        let counts = table.channels().into_iter().map(of_channel).collect();
        let (name, proposals) = (name.to_owned(), Mutex::default());
        Self { name, stamp, table, counts, advice, proposals }
    }

    /// What is proposed for a channel, worked out once.
    fn proposals(&self, channel: Channel, facts: &Facts) -> Arc<Proposals> {
        let known = || self.proposals.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(found) = known().iter().find(|found| found.channel == channel) {
            return Arc::clone(found);
        }
        let alpha = alpha(&facts.detect, facts.channels.len());
        let mut found = Proposals {
            channel,
            choices: PerQuantity([None; 4]),
            advice: PerQuantity::from_fn(|_| Vec::new()),
            measured: PerQuantity([false; 4]),
        };
        for quantity in Quantity::ALL {
            let set = self.table.set(channel, quantity);
            found.measured[quantity] = !set.quiet.is_empty() || !set.bubbles.is_empty();
            let tuning = QuantityTuning::of(&set, &facts.detect, alpha);
            found.choices[quantity] = tuning.limit.as_ref().map(|limit| Choice {
                over_db: limit.limit_db + tuning.repeatability_db,
                rule: limit.rule(tuning.rule),
            });
            found.advice[quantity] = tuning.advice;
        }
        let found = Arc::new(found);
        known().push(Arc::clone(&found));
        found
    }
}
