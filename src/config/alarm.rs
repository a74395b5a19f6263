//! Reads `[[alarm]]`: what raises an alarm, how it is shown and for how long.
//!
//! An alarm watches either a quantity over a limit or a condition of the chain; keys that belong to
//! the other kind are refused, as nobody would look at them.

use crate::detect::{AlarmLimit, AlarmSpec, Condition, Severity, Trigger};
use crate::signal::Quantity;

use super::bounds::{Bounds, Plain};
use super::detect::rule;
use super::field::Field;
use super::written::Section;

/// Where an alarm can go.
const SINKS: [&str; 2] = ["page", "events"];
/// Longest name, characters; it stands in the banner.
const NAME_CHARS: usize = 60;
/// Longest hold, s: a day.
const HOLD_S: Bounds = Bounds::at_least(0.0).at_most(86_400.0);
/// Limits in dB over a baseline; nothing a receiver hears spans more.
const LEVEL_DB: Bounds = Bounds::at_least(-300.0).at_most(300.0);

/// All of `[[alarm]]`, with the index each has in the file; those with a fault are left out.
pub(super) fn alarms(top: &Section<'_, '_>) -> Vec<(usize, AlarmSpec)> {
    let Some(field) = top.optional("alarm") else { return Vec::new() };
    if field.is_table() {
        let label = "must be an array of tables";
        let message = format!("`alarm` is a table, {label}");
        let help = Some("write [[alarm]], any number of times");
        field.written.say(super::Level::Fault, message, &[("alarm", label)], help);
        return Vec::new();
    }
    let tables = field.elements("tables [[alarm]]").unwrap_or_default();
    let alarms: Vec<_> = tables.iter().map(|table| alarm(table.section())).collect();
    for (index, name) in alarms.iter().enumerate() {
        let earlier = |other: &(Option<String>, _)| name.0.is_some() && other.0 == name.0;
        if let Some(first) = alarms[..index].iter().position(earlier) {
            let [again, first] = [index, first].map(|at| format!("alarm[{at}].name"));
            let message = format!("`{again}` repeats `{first}`, names of alarms are unique");
            top.written().fault(message, &[(&again, "again"), (&first, "first here")]);
        }
    }
    alarms.into_iter().enumerate().filter_map(|(at, (_, alarm))| Some((at, alarm?))).collect()
}

/// One alarm, and its name even when the rest is faulty.
fn alarm(table: Section<'_, '_>) -> (Option<String>, Option<AlarmSpec>) {
    let name = table.required("name").and_then(|field| field.line(NAME_CHARS));
    let severity = table
        .required("severity")
        .and_then(|field| field.choice(&[Severity::Warning, Severity::Stop], Severity::name));
    let trigger = trigger(&table);
    let hold_s = table.number("hold_s", HOLD_S);
    let latch = table.required("latch").and_then(|field| field.boolean());
    let sinks = table.required("sinks").and_then(|field| sinks(&field));
    table.finish();
    let spec = || {
        Some(AlarmSpec {
            name: name.clone()?,
            severity: severity?,
            trigger: trigger?,
            hold_s: hold_s?,
            latch: latch?,
            sinks: sinks?,
        })
    };
    let spec = spec();
    (name, spec)
}

/// What raises it: `quantity` with `limit`, or `condition`.
fn trigger(table: &Section<'_, '_>) -> Option<Trigger> {
    let quantity = table.optional("quantity");
    let condition = table.optional("condition");
    let limit = table.optional("limit");
    let by_hand = ["off_db", "m_of_n"].map(|key| table.optional(key));
    match (quantity, condition) {
        (Some(quantity), Some(condition)) => {
            let message = format!(
                "`{}` and `{}` exclude each other, an alarm watches one of them",
                quantity.path, condition.path
            );
            let places = [(condition.path.as_str(), "either this"), (&quantity.path, "or this")];
            table.written().fault(message, &places);
            None
        }
        (Some(quantity), None) => {
            let quantity = quantity.choice(&Quantity::ALL, Quantity::name);
            let limit = match limit {
                Some(limit) => read_limit(table, &limit, by_hand),
                None => {
                    table.miss(vec!["limit"]);
                    None
                }
            };
            Some(Trigger::Over { quantity: quantity?, limit: limit? })
        }
        (None, Some(condition)) => {
            for field in [limit].into_iter().chain(by_hand).flatten() {
                meaningless(&field, &condition, "has no meaning beside `condition`");
            }
            condition.choice(&Condition::ALL, Condition::name).map(Trigger::State)
        }
        (None, None) => {
            table.miss(vec!["quantity", "condition"]);
            None
        }
    }
}

/// "budget", or a number set by hand with the keys that go with it.
fn read_limit(
    table: &Section<'_, '_>,
    limit: &Field<'_, '_>,
    by_hand: [Option<Field<'_, '_>>; 2],
) -> Option<AlarmLimit> {
    if limit.is_text() {
        limit.choice(&["budget"], |name| name)?;
        for field in by_hand.into_iter().flatten() {
            meaningless(&field, limit, "belongs to a limit set by hand, the budget has its own");
        }
        return Some(AlarmLimit::Budget);
    }
    if !limit.is_table() {
        return limit.refused("\"budget\", { db = … } or { v2_per_hz = … }");
    }
    let (db, density) = by_hand_limit(limit);
    let [off, m_of_n] = by_hand;
    for (field, key) in [(&off, "off_db"), (&m_of_n, "m_of_n")] {
        if field.is_none() {
            table.miss(vec![key]);
        }
    }
    let rule = m_of_n.as_ref().and_then(rule);
    match (db, density) {
        (Some(on_db), None) => {
            let off_db = off.as_ref().and_then(|field| field.number(LEVEL_DB));
            if let Some(off_db) = off_db.filter(|off_db| *off_db > on_db) {
                let message = format!(
                    "`{}` is {}, must be at most the limit's db, {}",
                    table.path_of("off_db"),
                    Plain(off_db),
                    Plain(on_db)
                );
                let (off, on) = (table.path_of("off_db"), table.path_of("limit.db"));
                table.written().fault(message, &[(&off, "off above this"), (&on, "on above this")]);
                return None;
            }
            Some(AlarmLimit::AboveBaselineDb { on_db, off_db: off_db?, rule: rule? })
        }
        (None, Some(on_v2_per_hz)) => {
            let below = Bounds::at_least(-300.0).at_most(0.0);
            let off_db = off.as_ref().and_then(|field| field.number(below));
            Some(AlarmLimit::DensityV2PerHz { on_v2_per_hz, off_db: off_db?, rule: rule? })
        }
        _ => None,
    }
}

/// The one number of `{ db = … }` or `{ v2_per_hz = … }`; both `None` after a fault.
fn by_hand_limit(limit: &Field<'_, '_>) -> (Option<f64>, Option<f64>) {
    let table = limit.section();
    let (db, density) = (table.optional("db"), table.optional("v2_per_hz"));
    let numbers = match (db, density) {
        (Some(db), Some(density)) => {
            let message = format!("`{}` and `{}` exclude each other", db.path, density.path);
            let places = [(density.path.as_str(), "either this"), (&db.path, "or this")];
            table.written().fault(message, &places);
            (None, None)
        }
        (None, None) => {
            table.miss(vec!["db", "v2_per_hz"]);
            (None, None)
        }
        (db, density) => (
            db.and_then(|field| field.number(LEVEL_DB)),
            density.and_then(|field| field.number(Bounds::above(0.0))),
        ),
    };
    table.finish();
    numbers
}

/// A key that nobody would look at because of another.
fn meaningless(field: &Field<'_, '_>, beside: &Field<'_, '_>, why: &str) {
    let message = format!("`{}` {why}", field.path);
    field.written.fault(message, &[(&field.path, "leave it out"), (&beside.path, "beside this")]);
}

/// Sinks by name, none twice.
fn sinks(field: &Field<'_, '_>) -> Option<Vec<String>> {
    let sinks = field.each("an array of sinks", |sink| sink.choice(&SINKS, |name| name))?;
    if (1..sinks.len()).any(|index| sinks[..index].contains(&sinks[index])) {
        return field.refused("without a sink twice");
    }
    Some(sinks.into_iter().map(str::to_owned).collect())
}
