//! The forecast behind a loss: from which drive in situ on bubbles would be heard.

use std::fmt::Write as _;

use serde_json::Value;

use super::figures::{DriveAxis, cell, line, shares};
use super::read::{
    above_zero, channel, digits, groups, list, mpa, name, percent, rank, real, text, whole,
};
use super::words::sentence;
use crate::report::svg::{Picture, short, tick, ticks};
use crate::report::words::{Table, UNKNOWN, escape, listed, number, paragraph, trimmed};
use crate::signal::as_f64;

/// Widths of the two pictures.
const CHANCES: f64 = 452.0;
const HEARD: f64 = 300.0;

/// Lines, marks and the place of an entry in the order of the report.
fn dress(entry: &Value) -> usize {
    rank(name(entry)) % 4
}

fn mark(picture: &mut Picture, kind: usize, x: f64, y: f64) {
    let shape = match kind {
        0 => "m-3.4 0a3.4 3.4 0 1 0 6.8 0a3.4 3.4 0 1 0 -6.8 0z",
        1 => "m-3.1 -3.1h6.2v6.2h-6.2z",
        2 => "m0 -4.2l4 7h-8z",
        _ => "m0 -4.4l4.4 4.4l-4.4 4.4l-4.4 -4.4z",
    };
    picture.path(&format!("f{kind}"), &format!("M{} {}{shape}", short(x), short(y)));
}

/// Chance of one pulse against drive in situ, a line a quantity; nothing without drives.
pub(super) fn chances(entries: &[&Value]) -> Option<Picture> {
    let place = |drive: &Value| above_zero(&drive["drive_mpa"]);
    let drives: Vec<f64> =
        entries.iter().flat_map(|entry| list(&entry["drives"])).filter_map(place).collect();
    let axis = DriveAxis::of(&drives, 34.0, 312.0)?;
    let mut picture = Picture::of_width("chance of one pulse against drive in situ", CHANCES);
    let bottom = 168.0;
    picture.text("s d", 2.0, 10.0, "chance that one pulse is over its limit");
    shares(&mut picture, axis.left, axis.width, bottom);
    axis.draw(&mut picture, bottom, "drive in situ, MPa, logarithmic");
    for (at, entry) in entries.iter().enumerate() {
        let kind = dress(entry);
        let points: Vec<(f64, f64)> = list(&entry["drives"])
            .iter()
            .filter_map(|drive| Some((axis.x(place(drive)?), real(&drive["one_pulse"])?)))
            .map(|(x, chance)| (x, bottom - 150.0 * chance.clamp(0.0, 1.0)))
            .collect();
        let mut path = String::new();
        for (i, (x, y)) in points.iter().enumerate() {
            let sign = if i == 0 { "M" } else { "L" };
            write!(path, "{sign}{} {}", short(*x), short(*y)).ok();
        }
        picture.path(&format!("t{kind}"), &path);
        points.iter().for_each(|(x, y)| mark(&mut picture, kind, *x, *y));
        let y = 24.0 + 16.0 * as_f64(at);
        picture.path(&format!("t{kind}"), &format!("M353 {}h22", short(y)));
        mark(&mut picture, kind, 364.0, y);
        let shown: String = name(entry).chars().take(15).collect();
        picture.text("s", 379.0, y + 3.5, &shown);
    }
    picture.set_height((bottom + 33.0).max(24.0 + 16.0 * as_f64(entries.len())));
    Some(picture)
}

/// Detection limits of one pulse and of many, a row a quantity; nothing where none is known.
pub(super) fn heard(entries: &[&Value]) -> Option<Picture> {
    let both = |entry: &Value| (real(&entry["hear_db"]), real(&entry["hear_together_db"]));
    let known = |entry: &&Value| both(entry) != (None, None);
    let rows: Vec<&Value> = entries.iter().copied().filter(known).collect();
    if rows.is_empty() {
        return None;
    }
    let ends = |start: f64, pick: fn(f64, f64) -> f64| {
        let all = rows.iter().flat_map(|entry| [both(entry).0, both(entry).1]);
        all.flatten().fold(start, pick)
    };
    let (low, high) = (ends(0.0, f64::min), ends(0.1, f64::max) * 1.05);
    let (left, width, top) = (82.0, 122.0, 18.0);
    let x = |db: f64| left + width * ((db - low) / (high - low)).clamp(0.0, 1.0);
    let mut picture = Picture::of_width("detection limits in situ", HEARD);
    picture.text("s b e", HEARD - 2.0, 10.0, "one / many, dB");
    let bottom = top + 20.0 * as_f64(rows.len().max(3));
    for (at, entry) in rows.iter().enumerate() {
        let y = top + 20.0 * as_f64(at) + 10.0;
        let shown: String = name(entry).chars().take(15).collect();
        picture.text("s", 2.0, y + 3.5, &shown);
        let (one, many) = both(entry);
        if let (Some(one), Some(many)) = (one, many) {
            picture.path("v", &format!("M{} {}H{}", short(x(one)), short(y), short(x(many))));
        }
        if let Some(db) = one {
            mark(&mut picture, 0, x(db), y);
        }
        if let Some(db) = many {
            let d = format!("M{} {}l4.8 4.8l-4.8 4.8l-4.8 -4.8z", short(x(db)), short(y - 4.8));
            picture.path("u", &d);
        }
        let of = |key: &str| digits(&entry[key], 3);
        let words = format!("{} / {}", of("hear_db"), of("hear_together_db"));
        picture.text("s e", HEARD - 2.0, y + 3.5, &words);
    }
    let mut marks = String::new();
    for value in ticks(low, high, 4) {
        write!(marks, "M{} {}v4", short(x(value)), short(bottom)).ok();
        picture.text("m s", x(value), bottom + 14.0, &tick(value));
    }
    picture.path("a", &format!("M{left} {top}h{width}V{}H{left}z{marks}", short(bottom)));
    picture.text("m s d", left + width / 2.0, bottom + 27.0, "emission over baseline, dB");
    mark(&mut picture, 0, 10.0, bottom + 42.0);
    picture.text("s", 20.0, bottom + 45.5, "found in one pulse, 9 times in 10");
    picture.path("u", &format!("M10 {}l4.8 4.8l-4.8 4.8l-4.8 -4.8z", short(bottom + 51.2)));
    picture.text("s", 20.0, bottom + 59.5, "established by many pulses together");
    picture.set_height(bottom + 68.0);
    Some(picture)
}

/// Drive, or what is known of it, in situ and as it is set.
fn found(forecast: &Value, at: &Value) -> Option<String> {
    let set = |mpa: f64| {
        real(&forecast["transmit_loss_db"]).map_or_else(String::new, |loss| {
            format!(" ({}\u{a0}MPa set)", trimmed(mpa * 10_f64.powf(loss / 20.0), 3))
        })
    };
    let words = |mpa: f64| format!("{}\u{a0}MPa in situ{}", trimmed(mpa, 3), set(mpa));
    if let (Some(true), Some(low), Some(high)) =
        (at["jump"].as_bool(), real(&at["between_mpa"][0]), real(&at["between_mpa"][1]))
    {
        return Some(format!("from somewhere between {} and {} on", words(low), words(high)));
    }
    if let Some(mpa) = real(&at["at_mpa"]) {
        return Some(format!("from {} on", words(mpa)));
    }
    if let Some(mpa) = real(&at["below_mpa"]) {
        return Some(format!("already at the lowest drive, {}", words(mpa)));
    }
    real(&at["above_mpa"]).map(|mpa| format!("not even at the highest drive, {}", words(mpa)))
}

/// From which drive on a quantity would be heard.
pub(super) fn heard_from(forecast: &Value, entry: &Value) -> String {
    let of = |key: &str| found(forecast, &entry[key]);
    let (mut parts, mut known) = (Vec::new(), false);
    for (key, who) in [
        ("half", "one pulse in two shows"),
        ("nine_tenths", "nine in ten show"),
        ("together", "many pulses together establish"),
    ] {
        known |= of(key).is_some();
        let from = of(key).unwrap_or_else(|| format!("at no known drive ({UNKNOWN})"));
        let what = if parts.is_empty() { name(entry) } else { "it" };
        parts.push(format!("{who} {what} {from}"));
    }
    if !known {
        return format!(
            "Behind this path it is not known from which drive on {} would be heard ({UNKNOWN}).",
            name(entry)
        );
    }
    format!("Behind this path {}.", listed(&parts))
}

fn path_words(forecast: &Value) -> String {
    let loss = &forecast["loss"];
    let way = match (text(&loss["name"]), real(&loss["from_hz"]), real(&loss["to_hz"])) {
        ("", ..) => "The loss on the way to the receiver is not named".to_owned(),
        (name, Some(from), Some(to)) => format!(
            "Loss on the way to the receiver: {name}, known from {} to {} MHz",
            trimmed(from / 1e6, 4),
            trimmed(to / 1e6, 4)
        ),
        (name, ..) => format!("Loss on the way to the receiver: {name}"),
    };
    let noise = match forecast["site_noise"].as_bool() {
        Some(true) => "the other site’s own noise",
        Some(false) => "the noise of the bench, for want of the other site’s",
        None => "a noise that is not said",
    };
    format!(
        "{way}. On the way from the transmitter the drive loses {} dB. Held against {noise}, a baseline of {} pulses, an exposure of {} pulses.",
        digits(&forecast["transmit_loss_db"], 3),
        whole(&forecast["baseline_pulses"]),
        whole(&forecast["expected_pulses"])
    )
}

/// The section.
pub(super) fn section(forecast: &Value) -> String {
    let mut html = "<section><h2>Forecast behind a loss</h2>\n".to_owned();
    if !forecast.is_object() {
        return html
            + "<p>– There is none: no loss was given to lower the bench’s emissions by.</p></section>\n";
    }
    html += &paragraph(&path_words(forecast));
    let groups = groups(&forecast["quantities"]);
    let telling: Vec<&Value> = groups.iter().map(|group| group.telling).collect();
    html += "<ul>";
    for entry in &telling {
        let place = channel(&entry["channel"]);
        let words = format!("{} ({place}.)", heard_from(forecast, entry));
        write!(html, "<li>{}</li>", escape(&words)).ok();
    }
    html += "</ul>\n<div class=\"pair\">";
    for (picture, without) in [
        (chances(&telling), "– No drives to draw chances over."),
        (heard(&telling), "– No detection limit is known."),
    ] {
        match picture {
            Some(picture) => write!(html, "<figure>{}</figure>", picture.in_page()).ok(),
            None => write!(html, "<p class=\"note\">{without}</p>").ok(),
        };
    }
    html += "</div>\n";
    telling.iter().for_each(|entry| html += &table(entry));
    let others: Vec<&Value> = groups.iter().flat_map(|group| group.others.clone()).collect();
    if !others.is_empty() {
        html += "<details><summary>Forecast of the other channels</summary>\n";
        for entry in others {
            let words = heard_from(forecast, entry);
            html += &paragraph(&format!("{} ({}.)", words, channel(&entry["channel"])));
            html += &table(entry);
        }
        html += "</details>\n";
    }
    html + "</section>\n"
}

/// The chances of a quantity by drive.
fn table(entry: &Value) -> String {
    let parts: Vec<String> = list(&entry["parts_hz"])
        .iter()
        .filter_map(real)
        .map(|hz| number(hz / 1e6, 3))
        .take(24)
        .collect();
    let about = format!(
        "{} ({}): limit {} dB, found in one pulse from {} dB, by many together from {} dB; {} of {} parts lie where the loss is known{}.",
        sentence(name(entry)).trim_end_matches('.'),
        channel(&entry["channel"]),
        digits(&entry["limit_db"], 3),
        digits(&entry["hear_db"], 3),
        digits(&entry["hear_together_db"], 3),
        whole(&entry["counted"][0]),
        whole(&entry["counted"][1]),
        if parts.is_empty() { String::new() } else { format!(" ({} MHz)", parts.join(", ")) }
    );
    let mut table = Table::new(
        "tuning",
        &[
            "in situ, MPa",
            "set in free field, MPa",
            "pulses with bubbles",
            "mean rise, dB",
            "chance of one pulse",
            "pulses until established together",
        ],
    );
    for drive in list(&entry["drives"]) {
        table.row(&[
            mpa(&drive["drive_mpa"]),
            mpa(&drive["set_mpa"]),
            whole(&drive["pulses"]),
            digits(&drive["rise_db"], 3),
            percent(&drive["one_pulse"]),
            match drive["together"].as_u64() {
                Some(pulses) => pulses.to_string(),
                None => format!("{UNKNOWN} (not within the exposure)"),
            },
        ]);
    }
    paragraph(&about) + &table.end()
}

/// What the two pictures are drawn of: chances by drive, limits.
pub(super) fn data(entries: &[&Value]) -> [String; 2] {
    let drive_keys = ["drive_mpa", "set_mpa", "pulses", "rise_db", "one_pulse", "together"];
    let limit_keys = ["limit_db", "hear_db", "hear_together_db"];
    let mut by_drive = format!("channel,quantity,{}\n", drive_keys.join(","));
    let mut limits = format!("channel,quantity,{}\n", limit_keys.join(","));
    for entry in entries {
        let head = format!("{},{}", cell(&entry["channel"]), cell(&entry["name"]));
        for drive in list(&entry["drives"]) {
            write!(by_drive, "{head},{}", line(drive, &drive_keys)).ok();
        }
        write!(limits, "{head},{}", line(entry, &limit_keys)).ok();
    }
    [by_drive, limits]
}
