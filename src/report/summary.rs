//! What an exposure comes to, in sentences. "Not detected" never stands without its detection limit.

use super::entries::Found;
use super::story::Chapter;
use super::words::{self, count, db, listed};
use crate::detect::Verdict;
use crate::session::read::ReadError;
use crate::signal::Quantity;

/// What was established first of each quantity: from the exposure's row, else, while it has none, from
/// the events.
///
/// # Errors
/// When the row has a cell that is no number.
pub fn lasting(chapter: &Chapter) -> Result<Vec<Found>, ReadError> {
    let mut all = Vec::new();
    for quantity in Quantity::SPOKEN {
        let name = quantity.name();
        if let Some(row) = &chapter.facts {
            let Some(pulse) = row.whole(&format!("{name}_cumulative_pulse"))? else { continue };
            all.push(Found {
                quantity,
                pulse,
                channel: row.text(&format!("{name}_cumulative_channel")).to_owned(),
                drive_mpa: row.number(&format!("{name}_cumulative_mpa"))?,
                excess_db: row.number(&format!("{name}_cumulative_db"))?,
                within_db: row.number(&format!("{name}_cumulative_within_db"))?,
            });
        } else if let Some(found) = chapter.found.iter().find(|found| found.quantity == quantity) {
            all.push(Found {
                quantity,
                pulse: found.pulse,
                channel: found.channel.clone(),
                drive_mpa: found.drive_mpa,
                excess_db: found.excess_db,
                within_db: found.within_db,
            });
        }
    }
    Ok(all)
}

/// An excess with its interval.
#[must_use]
pub fn excess(excess_db: Option<f64>, within_db: Option<f64>) -> String {
    match (excess_db, within_db) {
        (Some(_), Some(within)) => {
            format!("{} ± {within:.2}\u{a0}dB", db(excess_db).trim_end_matches("\u{a0}dB"))
        }
        _ => db(excess_db),
    }
}

/// What the exposure comes to, a sentence each.
///
/// # Errors
/// When its row has a cell that is no number.
pub fn sentences(chapter: &Chapter) -> Result<Vec<String>, ReadError> {
    let lasting = lasting(chapter)?;
    let mut all = vec![heard(chapter)];
    all.extend(silence(chapter));
    all.extend(deaf(chapter));
    all.extend(lasting.iter().map(|found| {
        let Found { quantity, pulse, channel, .. } = found;
        let channel = match channel.as_str() {
            "" => String::new(),
            "all" => " on all channels together".to_owned(),
            channel => format!(" on channel {channel}"),
        };
        format!(
            "Many pulses together established {} since pulse {pulse}: {} over baseline at {}{channel}.",
            quantity.name(),
            excess(found.excess_db, found.within_db),
            words::drive(found.drive_mpa),
        )
    }));
    all.extend(together(chapter, &lasting));
    Ok(all)
}

fn heard(chapter: &Chapter) -> String {
    let of = |verdict: Verdict| chapter.verdicts[verdict as usize];
    let mut parts = Vec::new();
    for verdict in [Verdict::Inertial, Verdict::Stable] {
        if of(verdict) > 0 {
            parts.push(format!("{} in {}", words::verdict(verdict), count(of(verdict), "pulse")));
        }
    }
    if parts.is_empty() {
        return if chapter.received > 0 && of(Verdict::NotDetected) == 0 {
            "Heard: nothing, and no pulse could have been heard.".to_owned()
        } else {
            "Heard: no pulse stood over a limit that decides a verdict.".to_owned()
        };
    }
    format!("Heard: {}.", listed(&parts))
}

/// "Not detected" with its limits.
fn silence(chapter: &Chapter) -> Option<String> {
    let silent = chapter.verdicts[Verdict::NotDetected as usize];
    if silent == 0 {
        return None;
    }
    let harmonic = match chapter.harmonic_only {
        0 => String::new(),
        n => format!(" ({n} of them with harmonics over their limit, which decide no verdict)"),
    };
    let limits: Vec<String> = Quantity::SPOKEN
        .into_iter()
        .filter_map(|q| {
            Some(format!("{} from {}", q.name(), db(Some(chapter.hear[q].value_db()?))))
        })
        .collect();
    let limits = if limits.is_empty() {
        "no detection limit is known".to_owned()
    } else {
        format!("one pulse would have shown {}", listed(&limits))
    };
    Some(format!(
        "Not detected in {}{harmonic}: {limits} over baseline (median over these pulses; found in 9 of 10 cases).",
        count(silent, "pulse")
    ))
}

fn deaf(chapter: &Chapter) -> Option<String> {
    let deaf = chapter.verdicts[Verdict::Indeterminate as usize];
    if deaf == 0 && chapter.holes == 0 {
        return None;
    }
    let mut reasons: Vec<(&String, &u64)> = chapter.reasons.iter().collect();
    reasons.sort_by(|a, b| b.1.cmp(a.1).then(a.0.cmp(b.0)));
    let shown: Vec<String> =
        reasons.iter().take(4).map(|(why, n)| format!("{why} ({n})")).collect();
    let holes = match chapter.holes {
        0 => String::new(),
        n => format!("; {} in the row of pulses", count(n, "hole")),
    };
    Some(format!(
        "Indeterminate in {}, whose silence means nothing: {}{holes}.",
        count(deaf, "pulse"),
        listed(&shown)
    ))
}

/// Where many pulses established nothing: from where on they would have.
fn together(chapter: &Chapter, lasting: &[Found]) -> Option<String> {
    let mut parts = Vec::new();
    for quantity in
        Quantity::SPOKEN.into_iter().filter(|q| lasting.iter().all(|found| found.quantity != *q))
    {
        let limits: Vec<(Option<f64>, f64)> = chapter
            .steps
            .iter()
            .filter_map(|step| Some((step.drive_mpa, step.together_db[quantity]?)))
            .collect();
        let Some((drive, limit)) = limits.last() else { continue };
        parts.push(format!(
            "{} from {} at {}",
            quantity.name(),
            db(Some(*limit)),
            words::drive(*drive)
        ));
    }
    if parts.is_empty() {
        return None;
    }
    Some(format!(
        "Many pulses together established nothing else; lasting emission would have shown as {} (the last cumulative detection limit; other drives in the exposure's own section).",
        listed(&parts)
    ))
}
