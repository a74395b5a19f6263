//! The whole document: title, cautions, summary, sample account, baselines, a section an exposure,
//! channels, settings.

use std::fmt::Write as _;

use serde_json::Value;

use super::calibrated;
use super::paint::Figures;
use super::section::{self, entries, heading, pair_table};
use super::shapes::sign;
use super::story::{Chapter, Story};
use super::summary::sentences;
use super::svg;
use super::words::{self, Table, UNKNOWN, count, db, escape, number, paragraph, trimmed};
use crate::detect::Verdict;
use crate::session::read::pulses::VERDICTS;
use crate::session::read::{ReadError, SessionFolder};
use crate::signal::Quantity;

const STYLE: &str = include_str!("page.css");

/// Entries of the sample account in the words of the report.
const ACCOUNT: [(&str, &str); 11] = [
    ("pulses", "pulses"),
    ("frames", "frames"),
    ("samples_received", "samples received"),
    ("samples_wanted", "samples wanted by the gates"),
    ("samples_used", "samples used"),
    ("samples_outside_gates", "samples outside the gates"),
    ("samples_lost_in_holes", "samples lost in holes"),
    ("samples_lost_in_gates", "samples lost inside gates"),
    ("samples_lost_by_device", "samples the device lost"),
    ("samples_not_recorded", "samples not recorded"),
    ("incomplete_pulses", "incomplete pulses"),
];

/// The document.
///
/// # Errors
/// When a cell of an exposure's row is no number.
pub fn page(
    folder: &SessionFolder,
    story: &Story,
    figures: &[Figures],
) -> Result<String, ReadError> {
    let subject = subject(folder, story);
    let mut html = opening(&format!("Session report: {subject}"));
    html += &title(folder, story, &subject);
    html += &summary(story)?;
    html += &account(folder);
    html += &baselines(folder, story);
    html += &channels(story);
    for (at, chapter) in story.chapters.iter().enumerate() {
        html += &section::section(folder, chapter, at, &figures[at])?;
    }
    html += "<section class=\"after\"><h2>Outside of exposures</h2>\n";
    html += &entries(&story.entries, story.more_entries, None);
    html += "</section>\n";
    html += &settings(folder);
    html += "</body></html>\n";
    Ok(html)
}

/// A document's start, up to its body; nothing may be fetched or run from it.
#[must_use]
pub fn opening(title: &str) -> String {
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width\"><meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\"><title>{}</title><style>{STYLE}{}</style></head><body>\n",
        escape(title),
        svg::STYLE
    )
}

fn subject(folder: &SessionFolder, story: &Story) -> String {
    let said = folder.words(&["session", "subject"]);
    let in_table = story
        .chapters
        .iter()
        .filter_map(|chapter| chapter.facts.as_ref())
        .map(|row| row.text("subject"))
        .find(|text| !text.is_empty());
    match (said, in_table) {
        ("", None) => "unnamed subject".to_owned(),
        ("", Some(text)) => text.to_owned(),
        (said, _) => said.to_owned(),
    }
}

/// An instant to the second.
#[must_use]
pub fn cut_off(utc: &str) -> String {
    match (utc.get(..10), utc.get(11..19)) {
        (Some(day), Some(time)) if utc.ends_with('Z') => format!("{day} {time} UTC"),
        _ if utc.is_empty() => "unknown, the stream does not say".to_owned(),
        _ => utc.to_owned(),
    }
}

fn title(folder: &SessionFolder, story: &Story, subject: &str) -> String {
    let start = match folder.words(&["start_utc"]) {
        "" => story.first_utc.as_str(),
        start => start,
    };
    let mut targets: Vec<String> = Vec::new();
    for chapter in &story.chapters {
        let name = words::target(&chapter.target);
        if !targets.contains(&name) {
            targets.push(name);
        }
    }
    let length = story.time_s.map_or_else(|| UNKNOWN.to_owned(), |(a, b)| words::duration(b - a));
    let mut html =
        format!("<header><p class=\"kind\">Session report</p><h1>{}</h1>\n", escape(subject));
    let mut pairs = vec![
        ("start".to_owned(), cut_off(start)),
        (
            "targets".to_owned(),
            if targets.is_empty() { "no exposure".to_owned() } else { targets.join(", ") },
        ),
        ("length, first to last pulse".to_owned(), length),
        (
            "pulses".to_owned(),
            format!(
                "{} in {}",
                story.pulses,
                count(u64::try_from(story.chapters.len()).unwrap_or(0), "exposure")
            ),
        ),
    ];
    let notes = folder.about(&["session"]).as_object();
    for (key, value) in notes.into_iter().flatten().filter(|(key, _)| *key != "subject") {
        let text = value.as_str().map_or_else(|| value.to_string(), str::to_owned);
        if !text.is_empty() {
            pairs.push(label(key, &text));
        }
    }
    pairs.push((
        "drive means".to_owned(),
        match folder.words(&["drive_means"]) {
            "" => "not said".to_owned(),
            means => means.to_owned(),
        },
    ));
    html += &pair_table(&pairs);
    writeln!(html, "<p class=\"caution\"><b>Caution.</b> {}</p>", escape(crate::CAUTION)).ok();
    html += "<p class=\"caution\">A verdict describes the sound: broadband can also come from fluctuating bubble numbers, harmonics from propagation, and two bubbles can cancel a subharmonic. “Not detected” means that nothing stood over its limit; what could have been heard stands beside it.</p>\n";
    if folder.is_told() && !folder.is_finished() {
        html += "<p class=\"caution\"><b>This session was interrupted:</b> the last rows and the row of an exposure that was under way may be missing, sample account and raw doses are not there. simmer repair cuts what is torn.</p>\n";
    } else if !folder.is_finished() {
        html += "<p class=\"caution\"><b>This session was not ended in order:</b> there is no session.json, so settings, sample account and raw doses are missing here, limits are drawn without the margin of repeatability, and the last rows may be missing.</p>\n";
    }
    html + "</header>\n"
}

/// A key of the session's notes as label and value with its unit.
fn label(key: &str, text: &str) -> (String, String) {
    for (ending, unit) in [("_mg_per_l", "mg/L"), ("_c", "°C"), ("_s", "s"), ("_hz", "Hz")] {
        if let Some(name) = key.strip_suffix(ending) {
            return (name.replace('_', " "), format!("{text} {unit}"));
        }
    }
    (key.replace('_', " "), text.to_owned())
}

/// The verdict counts of an exposure: sign, word, count; silence with its limit.
#[must_use]
pub fn verdict_tiles(chapter: &Chapter) -> String {
    let total: u64 = chapter.verdicts.iter().sum();
    let mut html = "<div class=\"tiles\">".to_owned();
    for verdict in VERDICTS {
        let n = chapter.verdicts[verdict as usize];
        let beside = match verdict {
            Verdict::NotDetected => match chapter.hear[Quantity::Broadband].value_db() {
                Some(limit) => format!("broadband from {}", db(Some(limit))),
                None => "no detection limit".to_owned(),
            },
            Verdict::Indeterminate => "could not be heard".to_owned(),
            Verdict::Stable => "lines over their limit".to_owned(),
            Verdict::Inertial => "broadband over its limit".to_owned(),
        };
        write!(
            html,
            "<div class=\"tile {}{}\">{}<b>{n}</b> <span>of {total}</span><br>{}<br><small>{}</small></div>",
            verdict.name(),
            if n == 0 { " none" } else { "" },
            sign(verdict),
            words::verdict(verdict),
            escape(&beside)
        )
        .ok();
    }
    html + "</div>\n"
}

fn summary(story: &Story) -> Result<String, ReadError> {
    let mut html = "<section><h2>Summary</h2>\n".to_owned();
    if story.chapters.is_empty() {
        html += &paragraph("No exposure: nothing was judged.");
    }
    if story.chapters.len() > 1 {
        html += &overview(story)?;
    }
    for (at, chapter) in story.chapters.iter().enumerate() {
        write!(
            html,
            "<h3><a href=\"#exposure-{at}\">{}</a>, {}</h3>\n<ul>",
            escape(&heading(chapter)),
            escape(&drives(chapter))
        )
        .ok();
        for sentence in sentences(chapter)? {
            write!(html, "<li>{}</li>", escape(&sentence)).ok();
        }
        html += "</ul>\n";
    }
    Ok(html + "</section>\n")
}

fn drives(chapter: &Chapter) -> String {
    let known: Vec<f64> = chapter.steps.iter().filter_map(|step| step.drive_mpa).collect();
    let low = known.iter().copied().fold(f64::INFINITY, f64::min);
    let high = known.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let pulses = count(chapter.received, "pulse");
    if known.is_empty() {
        format!("{pulses} at unknown drive")
    } else if high > low {
        format!("{pulses} at {} to {} MPa", trimmed(low, 3), trimmed(high, 3))
    } else {
        format!("{pulses} at {} MPa", trimmed(low, 3))
    }
}

fn overview(story: &Story) -> Result<String, ReadError> {
    let mut table = Table::new(
        "numbers",
        &[
            "exposure",
            "target",
            "pulses",
            "not detected",
            "one pulse: broadband from",
            "stable",
            "inertial",
            "indeter\u{ad}minate",
            "alarms",
            "established together",
        ],
    );
    for chapter in &story.chapters {
        let of = |verdict: Verdict| chapter.verdicts[verdict as usize].to_string();
        let alarms = chapter.facts.as_ref().map_or(UNKNOWN, |row| row.text("alarms"));
        table.row(&[
            chapter.number.to_string(),
            chapter.target.clone(),
            chapter.received.to_string(),
            of(Verdict::NotDetected),
            db(chapter.hear[Quantity::Broadband].value_db()),
            of(Verdict::Stable),
            of(Verdict::Inertial),
            of(Verdict::Indeterminate),
            alarms.to_owned(),
            section::lasting_words(chapter)?,
        ]);
    }
    Ok(table.end())
}

fn account(folder: &SessionFolder) -> String {
    let account = folder.about(&["account"]);
    if account.is_null() {
        return "<section><h2>Sample account</h2><p>Not there: the session was not ended in order.</p></section>\n".to_owned();
    }
    let whole = |value: &Value| value.as_u64().map_or_else(|| UNKNOWN.to_owned(), words::grouped);
    let mut pairs: Vec<(String, String)> =
        ACCOUNT.iter().map(|(key, label)| ((*label).to_owned(), whole(&account[*key]))).collect();
    let stream = folder.about(&["stream"]).as_object();
    for (key, value) in stream.into_iter().flatten() {
        pairs.push((format!("stream: {}", key.replace('_', " ")), whole(value)));
    }
    let closes = if account["closes"].as_bool() == Some(true) {
        "The account closes: every sample that came in was used or is named with the reason it was not."
    } else {
        "The account does not close: samples are missing without a reason. Do not trust this session's silence."
    };
    format!(
        "<section><h2>Sample account</h2>\n{}{}</section>\n",
        paragraph(closes),
        pair_table(&pairs)
    )
}

fn baselines(folder: &SessionFolder, story: &Story) -> String {
    let mut html = "<section><h2>Baselines</h2>\n".to_owned();
    if let Some(file) = folder.about(&["baseline", "file"]).as_str() {
        html += &paragraph(&format!(
            "From the file {file}, which wins over baseline pulses of this session."
        ));
    }
    for event in &story.closed {
        let drives: Vec<String> = event["drives"]
            .as_array()
            .into_iter()
            .flatten()
            .map(|drive| {
                format!(
                    "{} at {}",
                    count(drive["pulses"].as_u64().unwrap_or(0), "pulse"),
                    words::drive(drive["drive_mpa"].as_f64())
                )
            })
            .collect();
        let target = event["target"].as_str().unwrap_or_default();
        let since = event["since_injection_s"].as_f64().map_or_else(
            || "no injection before it".to_owned(),
            |s| format!("{} after the last injection", words::duration(s)),
        );
        html += &paragraph(&format!(
            "{}: closed at pulse {}, {since}: {}.",
            words::target(target),
            event["pulse"].as_u64().unwrap_or(0),
            words::listed(&drives)
        ));
    }
    if story.looks.is_empty() {
        html += &paragraph("No baseline pulses in this session.");
    } else {
        html += &scatter(story);
    }
    if story.noise_pulses > 0 {
        html += &paragraph(&format!(
            "{} without drive (stage noise).",
            count(story.noise_pulses, "pulse")
        ));
    }
    html + "</section>\n"
}

fn scatter(story: &Story) -> String {
    let mut table = Table::new(
        "numbers",
        &[
            "target",
            "drive, MPa",
            "pulses",
            "left out",
            "broadband, dB",
            "ultra\u{ad}harmonic, dB",
            "sub\u{ad}harmonic, dB",
            "harmonic, dB",
        ],
    );
    for look in &story.looks {
        let mut cells = vec![
            if look.target.is_empty() { "unnamed".to_owned() } else { look.target.clone() },
            look.drive_mpa.map_or_else(|| "unknown".to_owned(), |mpa| trimmed(mpa, 3)),
            look.pulses.to_string(),
            look.left_out.to_string(),
        ];
        cells.extend(Quantity::SPOKEN.into_iter().map(|q| {
            let scatter = look.contrast[q];
            match (scatter.mean_db(), scatter.sd_db()) {
                (Some(mean), Some(sd)) => {
                    format!("{} ± {}", db(Some(mean)).trim_end_matches("\u{a0}dB"), number(sd, 2))
                }
                _ => UNKNOWN.to_owned(),
            }
        }));
        table.row(&cells);
    }
    table.end()
        + "<p class=\"note\">Mean ± standard deviation of the detection level over the baseline pulses of this session's table, in dB: lines over the floor beside them, broadband over the noise gate. What limits are made of.</p>\n"
}

fn channels(story: &Story) -> String {
    if story.channels.len() < 2 {
        return String::new();
    }
    let mut table = Table::new(
        "numbers",
        &[
            "channel",
            "pulses",
            "not detected",
            "stable",
            "inertial",
            "indeter\u{ad}minate",
            "largest clipped share",
            "most frequent reason of indeterminate",
        ],
    );
    for (channel, tally) in &story.channels {
        let reason = tally.reasons.iter().max_by_key(|(_, n)| **n);
        let mut cells = vec![channel.to_string(), tally.rows.to_string()];
        cells.extend(tally.verdicts.iter().map(u64::to_string));
        cells.push(number(tally.clipped_share, 2));
        cells.push(reason.map_or_else(|| UNKNOWN.to_owned(), |(why, n)| format!("{why} ({n})")));
        table.row(&cells);
    }
    format!(
        "<section><h2>Channels</h2>\n<p>All exposures together; the report's other numbers are those of “all”, the mean of the healthy channels. Detection limits of each channel are in pulses.csv.</p>\n{}</section>\n",
        table.end()
    )
}

fn settings(folder: &SessionFolder) -> String {
    let mut html = "<section class=\"settings\"><h2>Settings in full</h2>\n".to_owned();
    if !folder.is_told() {
        return html + "<p>Not there: session.json is missing.</p></section>\n";
    }
    let mut table = Table::new("", &["what", "value"]);
    let mut row = |what: &str, value: &str| table.row(&[what, value]);
    row("simmer", folder.words(&["simmer"]));
    row("transform path", folder.words(&["transform_path"]));
    row("configuration, SHA-256", folder.words(&["configuration", "sha256"]));
    for (target, id) in
        folder.about(&["baseline", "id_by_target"]).as_object().into_iter().flatten()
    {
        row(&format!("baseline of {}", words::target(target)), id.as_str().unwrap_or(UNKNOWN));
    }
    for source in folder.about(&["sources"]).as_array().into_iter().flatten() {
        let hash = source["sha256"]
            .as_str()
            .map_or_else(|| "live, no hash".to_owned(), |hash| format!("SHA-256 {hash}"));
        row("source", &format!("{}, {hash}", source["name"].as_str().unwrap_or(UNKNOWN)));
    }
    for (key, value) in folder.about(&["axes"]).as_object().into_iter().flatten() {
        let text = value.as_str().map_or_else(|| value.to_string(), str::to_owned);
        row(&format!("axes: {}", key.replace('_', " ")), &text);
    }
    html += &table.end();
    write!(
        html,
        "<h3>Configuration, verbatim</h3>\n<pre>{}</pre>\n{}</section>\n",
        escape(folder.configuration()),
        calibrated::tables(folder)
    )
    .ok();
    html
}
