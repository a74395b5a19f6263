//! `simmer tune --try`: other bands side by side on the same recordings.

use serde_json::{Map, Value, json};

use super::gather::{Opened, hear};
use crate::commands::{Failure, Prepared, say};
use crate::detect::Channel;
use crate::session::tuning_file::number;
use crate::signal::Plan;
use crate::tune::variants::{Half, Variant, ranked, variants};

/// A variant and what it is worth.
struct Tried {
    variant: Variant,
    halves: Result<[Half; 2], String>,
}

/// Hears every variant and ranks them on the half that was not used for choosing.
///
/// # Errors
/// What goes wrong on the way.
pub(super) fn tried(
    prepared: &Prepared,
    opened: &Opened,
    workers: usize,
) -> Result<Value, Failure> {
    let all = variants(&prepared.loaded.settings.signal);
    let mut found: Vec<Tried> = Vec::with_capacity(all.len());
    for (place, variant) in all.iter().enumerate() {
        say(&format!("trying {} of {}: {}", place + 1, all.len(), named(variant)));
        let halves = match Plan::new(&variant.spec) {
            Ok(plan) => Ok(halves(prepared, plan, opened, workers)?),
            Err(faults) => {
                let words: Vec<String> = faults.into_iter().map(|fault| fault.message).collect();
                Err(words.join("; "))
            }
        };
        found.push(Tried { variant: variant.clone(), halves });
    }
    Ok(json(&found))
}

fn named(variant: &Variant) -> &str {
    if variant.what.is_empty() { "the configuration as it is" } else { &variant.what }
}

fn halves(
    prepared: &Prepared,
    plan: Plan,
    opened: &Opened,
    workers: usize,
) -> Result<[Half; 2], Failure> {
    let changed = prepared.with_plan(plan);
    let heard = hear(&changed, opened, workers, None)?;
    let channels = changed.plan.used_channels.len();
    let speaking = if channels > 1 {
        Channel::All
    } else {
        Channel::One(changed.plan.used_channels.first().copied().unwrap_or_default())
    };
    let detect = &prepared.loaded.settings.detect;
    let half = |odd| Half::of(&heard.table.half(odd), speaking, detect, channels);
    Ok([half(false), half(true)])
}

fn json(found: &[Tried]) -> Value {
    let usable: Vec<(usize, &[Half; 2])> = found
        .iter()
        .enumerate()
        .filter_map(|(place, tried)| Some((place, tried.halves.as_ref().ok()?)))
        .collect();
    let order = |half: usize| {
        let halves: Vec<&Half> = usable.iter().map(|(_, halves)| &halves[half]).collect();
        ranked(&halves)
    };
    let (chosen, held_out) = (order(0), order(1));
    let best = chosen.first().map(|&place| usable[place].0);
    let as_it_is = found.first().and_then(|tried| tried.halves.as_ref().ok());
    let mut list: Vec<Value> = Vec::with_capacity(found.len());
    for (rank, &place) in held_out.iter().enumerate() {
        let (at, halves) = usable[place];
        let why = match as_it_is {
            Some(own) if at != 0 => halves[1].against(&own[1]),
            _ => String::new(),
        };
        let mut object = head(&found[at].variant);
        object.insert("rank".into(), json!(rank + 1));
        object.insert("best_where_chosen".into(), json!(best == Some(at)));
        object.insert("chosen_on".into(), half_json(&halves[0]));
        object.insert("held_out".into(), half_json(&halves[1]));
        object.insert("why".into(), json!(why));
        object.insert("fault".into(), Value::Null);
        list.push(Value::Object(object));
    }
    for tried in found {
        if let Err(fault) = &tried.halves {
            let mut object = head(&tried.variant);
            object.insert("rank".into(), Value::Null);
            object.insert("fault".into(), json!(fault));
            list.push(Value::Object(object));
        }
    }
    Value::Array(list)
}

fn head(variant: &Variant) -> Map<String, Value> {
    let mut object = Map::new();
    object.insert("what".into(), json!(named(variant)));
    object.insert("baseline".into(), json!(variant.what.is_empty()));
    object
}

fn half_json(half: &Half) -> Value {
    let value = |value: Option<f64>| value.map_or(Value::Null, number);
    let quantities: Vec<Value> = half
        .quantities
        .iter()
        .map(|(quantity, auc, hear_db)| {
            json!({"name": quantity.name(), "auc": value(*auc), "hear_db": value(*hear_db)})
        })
        .collect();
    json!({"score": value(half.score), "error": value(half.error), "hear_db": value(half.hear_db), "quantities": quantities})
}
