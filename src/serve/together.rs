//! What many pulses say together, in words and as JSON.

use serde_json::{Map, Value, json};

use crate::detect::baseline::MOST_PULSES;
use crate::detect::{Channel, Drive, Established, Row};
use crate::session::events;
use crate::signal::Quantity;
use crate::stats::CumulativeHearing;

/// Levels a person is told how long to listen for, dB: the next below nine tenths of the present.
const STEPS_DB: [f64; 12] = [10.0, 5.0, 3.0, 2.0, 1.0, 0.5, 0.3, 0.2, 0.1, 0.05, 0.03, 0.02];

/// The present limit must come down at least to this share for it to be worth waiting.
const WORTH: f64 = 0.9;

/// What a pulse's row says of all pulses so far; nothing where pulses cannot be judged together.
pub(super) fn of_row(row: &Row, expected_pulses: u64) -> Option<String> {
    let established: Vec<String> = Quantity::SPOKEN
        .into_iter()
        .filter_map(|q| row.established[q])
        .map(|e| found(&e, row))
        .collect();
    if !established.is_empty() {
        return Some(format!("Together: {}.", established.join("; ")));
    }
    let known = Quantity::SPOKEN.into_iter().find_map(|q| Some((q, row.hearing[q]?)));
    let (quantity, hearing) = known?;
    let pulses = match hearing.taken {
        1 => "1 pulse".to_owned(),
        n => format!("{n} pulses"),
    };
    let now_db = hearing.now();
    let name = quantity.name();
    let heard = if now_db.is_finite() {
        format!("lasting {name} would show from {} dB", level(now_db))
    } else {
        format!("too few yet for lasting {name} to show")
    };
    let more = if now_db.is_finite() {
        advice(row, &hearing, now_db, expected_pulses)
    } else {
        String::new()
    };
    Some(format!("Together over {pulses}: nothing; {heard}{more}."))
}

fn found(established: &Established, row: &Row) -> String {
    let Established { quantity, pulse, channel, drive, excess_db, within_db } = established;
    let within =
        if within_db.is_finite() { format!(" \u{b1} {within_db:.2}") } else { String::new() };
    let place = match channel {
        Channel::One(number) if *channel != row.channel => format!(", channel {number}"),
        _ => String::new(),
    };
    let drive = match drive {
        Drive::Unknown => String::new(),
        known => format!(" at {known}"),
    };
    format!("{} since pulse {pulse}, {excess_db:+.2}{within} dB{drive}{place}", quantity.name())
}

/// How much longer to listen for the next step, or what baseline that takes.
fn advice(row: &Row, hearing: &CumulativeHearing, now_db: f64, expected_pulses: u64) -> String {
    let Some(wanted) = STEPS_DB.into_iter().find(|step| *step < WORTH * now_db) else {
        return String::new();
    };
    let drive = Drive::of(row.drive_mpa);
    match hearing.values_for(wanted) {
        Some(pulses) if pulses <= expected_pulses.max(hearing.taken) => {
            format!(
                "; {} more would hear down to {} dB",
                pulses.saturating_sub(hearing.taken),
                level(wanted)
            )
        }
        _ => match hearing.baseline_for(wanted, expected_pulses, MOST_PULSES as u64) {
            Some(n) if whole(n) > hearing.n => format!(
                "; not down to {} dB with this baseline: record {n} pulses at {drive}",
                level(wanted)
            ),
            _ => String::new(),
        },
    }
}

#[allow(clippy::cast_precision_loss, reason = "counts of pulses are small")]
const fn whole(count: u64) -> f64 {
    count as f64
}

/// A level for a person: as many digits as matter.
fn level(db: f64) -> String {
    if db >= 1.0 { format!("{db:+.1}") } else { format!("{db:+.2}") }
}

/// Quantities established, with their present excess.
pub(super) fn established_json(row: Option<&Row>) -> Value {
    let all =
        row.into_iter().flat_map(|row| Quantity::SPOKEN.map(|quantity| row.established[quantity]));
    all.flatten().map(|found| Value::Object(events::established_json(&found))).collect()
}

/// For each quantity how many pulses it takes to hear down to `wanted_db`, dB over the baseline.
pub(super) fn listen_json(row: &Row, wanted_db: f64, expected_pulses: u64) -> Value {
    let mut quantities = Map::new();
    for (quantity, hearing) in row.hearing.iter() {
        let answer = hearing.map(|hearing| {
            let now_db = Some(hearing.now()).filter(|db| db.is_finite());
            let pulses = hearing.values_for(wanted_db);
            let more = pulses.map(|pulses| pulses.saturating_sub(hearing.taken));
            let record = match pulses {
                Some(_) => None,
                None => hearing.baseline_for(wanted_db, expected_pulses, MOST_PULSES as u64),
            };
            json!({"now_db": now_db, "pulses": pulses, "more": more, "record": record})
        });
        quantities.insert(quantity.name().into(), json!(answer));
    }
    json!({"pulse": row.pulse, "drive_mpa": row.drive_mpa, "quantities": quantities})
}
