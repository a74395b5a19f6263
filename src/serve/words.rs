//! The state in plain words.
//!
//! A reason of a row is parts joined by `; `: what passed (`channel 3 ultraharmonic 2 of 3 +4.1 dB`),
//! then the conditions under which silence means nothing.

use crate::detect::hearing::Hindrance;
use crate::detect::{Row, Verdict};
use crate::signal::Quantity;

use super::course::BaselineCount;

/// Pulses a drive of a baseline should have.
pub(super) const WANTED: usize = 30;

/// Pulses from which a drive of a baseline gives limits.
pub(super) const NEEDED: usize = 10;

/// What a reason says of a quantity that passed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pass<'a> {
    pub(super) channel: Option<&'a str>,
    pub(super) quantity: Quantity,
    /// Against the floor beside it, for want of a baseline.
    pub(super) without_baseline: bool,
    pub(super) margin_db: f64,
}

/// What passed according to a reason.
pub(super) fn passes(reason: &str) -> impl Iterator<Item = Pass<'_>> {
    reason.split("; ").filter_map(|part| {
        let part = part.strip_suffix(" dB")?;
        let (channel, rest) = match part.strip_prefix("channel ") {
            Some(rest) => rest.split_once(' ').map(|(channel, rest)| (Some(channel), rest))?,
            None => (None, part),
        };
        let (quantity, rest) = rest.split_once(' ')?;
        let (rule, margin) = rest.rsplit_once(' ')?;
        Some(Pass {
            channel,
            quantity: Quantity::from_name(quantity)?,
            without_baseline: rule == "contrast",
            margin_db: margin.parse().ok()?,
        })
    })
}

/// Conditions under which silence means nothing, according to a reason.
pub(super) fn hindrances(reason: &str) -> Vec<&str> {
    let is_one = |part: &&str| Hindrance::ALL.iter().any(|hindrance| hindrance.name() == *part);
    reason.split("; ").filter(is_one).collect()
}

/// What is said of an exposure pulse by its row.
pub(super) fn of_row(row: &Row) -> String {
    match row.verdict {
        Some(Verdict::NotDetected) => not_detected(row),
        Some(Verdict::Stable) => passed("Stable", &row.reason, Quantity::is_line),
        Some(Verdict::Inertial) => {
            passed("Inertial", &row.reason, |quantity| quantity == Quantity::Broadband)
        }
        Some(Verdict::Indeterminate) => not_hearing(&row.reason),
        None if row.reason == "sham" => "Sham: trigger without drive, no verdict.".to_owned(),
        None => "No verdict.".to_owned(),
    }
}

fn not_detected(row: &Row) -> String {
    let first = if row.reason.split("; ").any(|part| part == "harmonic only") {
        "Not detected; harmonics alone passed."
    } else {
        "Not detected."
    };
    if let Some(db) = row.hear_db[Quantity::Broadband] {
        return format!("{first} Broadband would show from {} dB.", signed(db));
    }
    let known = Quantity::ALL.into_iter().find_map(|q| Some((q, row.hear_db[q]?)));
    match known {
        Some((quantity, db)) => format!(
            "{first} {} would show from {} dB; from where broadband would show is not known.",
            capital(quantity.name()),
            signed(db)
        ),
        None => format!("{first} From where anything would show is not known."),
    }
}

fn passed(word: &str, reason: &str, decides: impl Fn(Quantity) -> bool) -> String {
    let strongest = passes(reason)
        .filter(|pass| decides(pass.quantity))
        .max_by(|a, b| a.margin_db.total_cmp(&b.margin_db));
    let Some(Pass { channel, quantity, without_baseline, margin_db }) = strongest else {
        return format!("{word}: {reason}.");
    };
    let over = if without_baseline {
        "over the limit of its contrast, without a baseline"
    } else {
        "over its limit"
    };
    let place = channel.map_or_else(String::new, |channel| format!(", channel {channel}"));
    format!("{word}: {} {} dB {over}{place}.", quantity.name(), signed(margin_db))
}

/// What is said while silence means nothing.
pub(super) fn not_hearing(reason: &str) -> String {
    let why = hindrances(reason);
    let why = if why.is_empty() { reason.to_owned() } else { why.join(", ") };
    match why.as_str() {
        "" => "Not hearing. Silence means nothing now.".to_owned(),
        why => format!("Not hearing: {why}. Silence means nothing now."),
    }
}

/// What is said while no pulse comes although it should.
pub(super) fn overdue(age_s: f64) -> String {
    format!("Not hearing: no pulse for {}. Silence means nothing now.", span(age_s))
}

/// What is said of a pulse of stage noise.
pub(super) fn noise(reason: &str) -> String {
    match reason {
        "stage noise" => "Noise without drive is recorded; no verdict.".to_owned(),
        reason => format!("Noise without drive: {reason}."),
    }
}

/// What is said of a pulse of stage baseline; `drive` is the one it was added to.
pub(super) fn baseline(reason: &str, drive: Option<&BaselineCount>) -> String {
    match drive {
        Some(BaselineCount { drive, pulses, .. }) if reason == "stage baseline" => {
            if *pulses >= WANTED {
                format!("Baseline at {drive}: {pulses} pulses, enough.")
            } else {
                format!("Baseline at {drive}: {pulses} of {WANTED} pulses.")
            }
        }
        _ if reason == "stage baseline" => "Baseline: no verdict.".to_owned(),
        _ => format!("Baseline pulse not used: {reason}."),
    }
}

/// A duration for a person.
pub(super) fn span(seconds: f64) -> String {
    if seconds < 90.0 { format!("{seconds:.0} s") } else { format!("{:.0} min", seconds / 60.0) }
}

fn signed(db: f64) -> String {
    // A rounded zero keeps no minus sign.
    let text = format!("{db:+.1}");
    if text == "-0.0" { "+0.0".to_owned() } else { text }
}

fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::Drive;

    #[test]
    fn a_reason_is_read_part_by_part() {
        let reason = "broadband pulse +7.6 dB; channel 3 ultraharmonic 2 of 3 -0.4 dB; clipped";
        let pass = |channel, quantity, margin_db| Pass {
            channel,
            quantity,
            without_baseline: false,
            margin_db,
        };
        let found: Vec<Pass<'_>> = passes(reason).collect();
        let wanted =
            [pass(None, Quantity::Broadband, 7.6), pass(Some("3"), Quantity::Ultraharmonic, -0.4)];
        assert_eq!(found, wanted);
        assert_eq!(hindrances(reason), ["clipped"]);
        assert_eq!(hindrances("stage noise"), Vec::<&str>::new());
        for odd in ["", " dB", "channel  dB", "channel 3 dB", "broadband dB", "x y +1 dB"] {
            assert_eq!(passes(odd).count(), 0, "{odd}");
        }
    }

    #[track_caller]
    fn check_passed(reason: &str, sentence: &str) {
        assert_eq!(passed("Stable", reason, Quantity::is_line), sentence);
    }

    #[test]
    fn the_strongest_line_is_named() {
        check_passed(
            "subharmonic 2 of 3 +1.0 dB; ultraharmonic 2 of 3 +4.1 dB; harmonic pulse +0.3 dB",
            "Stable: ultraharmonic +4.1 dB over its limit.",
        );
        check_passed(
            "channel 12 subharmonic 2 of 3 +1.0 dB",
            "Stable: subharmonic +1.0 dB over its limit, channel 12.",
        );
        check_passed(
            "ultraharmonic contrast +2.5 dB; no baseline",
            "Stable: ultraharmonic +2.5 dB over the limit of its contrast, without a baseline.",
        );
    }

    #[test]
    fn silence_names_what_it_means() {
        assert_eq!(
            not_hearing("fundamental low"),
            "Not hearing: fundamental low. Silence means nothing now."
        );
        assert_eq!(not_hearing(""), "Not hearing. Silence means nothing now.");
        assert_eq!(overdue(1.4), "Not hearing: no pulse for 1 s. Silence means nothing now.");
        assert_eq!(overdue(600.0), "Not hearing: no pulse for 10 min. Silence means nothing now.");
    }

    #[test]
    fn a_baseline_says_how_far_it_is() {
        let count =
            |pulses, drive| BaselineCount { target: "".into(), drive, pulses, in_use: false };
        let said = |count: &BaselineCount| baseline("stage baseline", Some(count));
        assert_eq!(said(&count(23, Drive::Known(0.16))), "Baseline at 0.16 MPa: 23 of 30 pulses.");
        assert_eq!(said(&count(30, Drive::Zero)), "Baseline at 0 MPa: 30 pulses, enough.");
        assert_eq!(baseline("sham", None), "Baseline pulse not used: sham.");
    }
}
