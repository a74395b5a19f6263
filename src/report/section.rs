//! The section of one exposure: figures, facts, drives, alarms and marks, doses.

use std::fmt::Write as _;

use serde_json::Value;

use super::calibrated;
use super::entries::Entry;
use super::page::{cut_off, verdict_tiles};
use super::paint::{Figures, MOST_FIGURES};
use super::story::Chapter;
use super::summary::{self, excess};
use super::words::{self, Table, UNKNOWN, count, db, escape, number, paragraph, trimmed};
use crate::session::read::{ExposureRow, ReadError, SessionFolder};
use crate::signal::Quantity;

/// Columns of the exposure table that the section tells in other places or words.
const TOLD: [&str; 28] = [
    "exposure",
    "target",
    "subject",
    "first_pulse",
    "last_pulse",
    "start_utc",
    "duration_s",
    "expected",
    "received",
    "used",
    "missing",
    "drive_mpa_min",
    "drive_mpa_median",
    "drive_mpa_max",
    "injection",
    "since_injection_s",
    "baseline_id",
    "not_detected",
    "stable",
    "inertial",
    "indeterminate",
    "harmonic_only",
    "max_broadband_db",
    "max_broadband_pulse",
    "median_broadband_limit_db",
    "alarms",
    "ended_by",
    "",
];

/// What the doses are, with their units; the session's own words win.
pub const DOSES: [(&str, &str); 3] = [
    (
        "excess",
        "sum over pulses of (P − mean baseline P) · gate length, V²·s, signed; net line power for ultraharmonic and subharmonic",
    ),
    ("raw", "sum over pulses of P · gate length, V²·s"),
    ("amplitude", "sum over pulses of √P · gate length, V·s"),
];

/// Heading of an exposure.
#[must_use]
pub fn heading(chapter: &Chapter) -> String {
    format!("Exposure {}, {}", chapter.number, words::target(&chapter.target))
}

/// The section.
///
/// # Errors
/// When a cell of the exposure's row is no number.
pub fn section(
    folder: &SessionFolder,
    chapter: &Chapter,
    at: usize,
    figures: &Figures,
) -> Result<String, ReadError> {
    let mut html = format!(
        "<section class=\"exposure\" id=\"exposure-{at}\"><h2>{}</h2>\n",
        escape(&heading(chapter))
    );
    if chapter.facts.is_none() {
        html += &paragraph(
            "This exposure has not ended in the tables: it has no row in exposures.csv, and what follows is counted from pulses.csv.",
        );
    }
    html += &verdict_tiles(chapter);
    html += &pictures(folder, figures, at);
    html += &steps(folder, chapter);
    html += &found(chapter);
    html += &entries(&chapter.entries, chapter.more_entries, Some(chapter.time_s.0));
    if let Some(row) = &chapter.facts {
        html += &facts(row)?;
        html += &doses(folder, chapter, row)?;
        html += &calibrated::doses(folder, row)?;
    }
    html += "</section>\n";
    Ok(html)
}

fn pictures(folder: &SessionFolder, figures: &Figures, at: usize) -> String {
    let mut html = String::new();
    if let Some(course) = &figures.course {
        // Writing into a string cannot fail.
        writeln!(html, "<figure>{course}<figcaption>Detection level of each quantity over its no-bubble baseline at the same drive, with the limit a pulse must pass (margin of repeatability added; a rule of m of n needs m passes) and the detection limits: what lies in the hatched part one pulse could not have shown; where no pulse could be heard, all is hatched. The scale is about linear around 0 and denser for loud levels. Verdict lanes: filled, strokes, dots, grid; a column that holds several pulses marks each verdict among them. Numbers in boxes refer to the table of alarms and marks.</figcaption></figure>").ok();
    } else if at >= MOST_FIGURES {
        html += &paragraph(&format!("Only the first {MOST_FIGURES} exposures have figures."));
    }
    match &figures.spectrogram {
        Some(spectrogram) => {
            writeln!(html, "<figure>{spectrogram}<figcaption>Power density at the receiver against time. Each point is the loudest of the pulses, bins and channels that share it; white: no pulse came. The lightest colour also stands for the loudest 0.5 % of points, the darkest for the quietest 1 %.</figcaption></figure>").ok();
        }
        None if folder.file("spectra.npy").exists() && !folder.is_told() => {
            html += &paragraph(
                "No spectrogram: without session.json the width of a bin of spectra.npy is not known.",
            );
        }
        None if folder.file("spectra.npy").exists() => {
            html += &paragraph("No spectrogram: spectra.npy holds no numbers of this exposure.");
        }
        None => {
            html += &paragraph(
                "No spectrogram: the session has no spectra.npy. Replaying its recording with simmer replay --spectra writes it.",
            );
        }
    }
    html
}

fn steps(folder: &SessionFolder, chapter: &Chapter) -> String {
    let means = folder.words(&["drive_means"]);
    let means = if means.is_empty() { "not said" } else { means };
    let mut table = Table::new(
        "numbers dense",
        &[
            "drive, MPa",
            "pulses",
            "not detected",
            "stable",
            "inertial",
            "indeter\u{ad}minate",
            "broadband, dB",
            "ultra\u{ad}harmonic, dB",
            "sub\u{ad}harmonic, dB",
            "harmonic, dB",
        ],
    );
    for step in &chapter.steps {
        let mut cells = vec![
            step.drive_mpa.map_or_else(|| "unknown".to_owned(), |mpa| trimmed(mpa, 3)),
            step.pulses.to_string(),
        ];
        cells.extend(step.verdicts.iter().map(u64::to_string));
        let plain = |value: Option<f64>| db(value).trim_end_matches("\u{a0}dB").to_owned();
        cells.extend(Quantity::SPOKEN.into_iter().map(|q| {
            format!("{} / {}", plain(step.hear[q].value_db()), plain(step.together_db[q]))
        }));
        table.row(&cells);
    }
    format!(
        "<h3>What could have been heard, by drive</h3>\n<p>Drive is {}. Detection limits in dB over baseline: of one pulse (median) / of all pulses at this drive together (after the last). {UNKNOWN}: none, no baseline or too few pulses.</p>\n{}",
        escape(means),
        table.end()
    )
}

fn found(chapter: &Chapter) -> String {
    if chapter.found.is_empty() {
        return String::new();
    }
    let mut table = Table::new(
        "numbers",
        &["quantity", "since pulse", "drive, MPa", "channel", "excess over baseline at that pulse"],
    );
    for found in &chapter.found {
        table.row(&[
            found.quantity.name().to_owned(),
            found.pulse.to_string(),
            found.drive_mpa.map_or_else(|| "unknown".to_owned(), |mpa| trimmed(mpa, 3)),
            found.channel.clone(),
            excess(found.excess_db, found.within_db),
        ]);
    }
    format!(
        "<h3>Established by many pulses together</h3>\n{}<p class=\"note\">Excess: mean detection level over that of the baseline, the margin of repeatability taken off; ±: half width of its 95 % interval, which holds however often one looks.</p>\n",
        table.end()
    )
}

/// The table of alarms and marks; times since `start_s`, or in device time without it.
#[must_use]
pub fn entries(entries: &[Entry], more: u64, start_s: Option<f64>) -> String {
    let mut html = "<h3>Alarms and marks</h3>\n".to_owned();
    if entries.is_empty() {
        return html + &paragraph("None.");
    }
    let time = if start_s.is_some() { "since the exposure began, s" } else { "device time, s" };
    let mut table = Table::new("words", &["no.", "from pulse", time, "kind", "what"]);
    for (i, entry) in entries.iter().enumerate() {
        table.row(&[
            (i + 1).to_string(),
            entry.pulse.map_or_else(|| UNKNOWN.to_owned(), |pulse| pulse.to_string()),
            entry.time_s.map_or_else(
                || UNKNOWN.to_owned(),
                |time_s| trimmed(time_s - start_s.unwrap_or(0.0), 6),
            ),
            entry.kind.clone(),
            entry.words.clone(),
        ]);
    }
    html += &table.end();
    if more > 0 {
        html += &paragraph(&format!("{more} more are in events.ndjson."));
    }
    html
}

fn facts(row: &ExposureRow) -> Result<String, ReadError> {
    let text = |column: &str| {
        let text = row.text(column);
        if text.is_empty() { UNKNOWN.to_owned() } else { text.to_owned() }
    };
    let figure = |column: &str| -> Result<String, ReadError> {
        Ok(row.number(column)?.map_or_else(|| UNKNOWN.to_owned(), |value| trimmed(value, 3)))
    };
    let seconds = |column: &str| -> Result<String, ReadError> {
        Ok(row.number(column)?.map_or_else(|| UNKNOWN.to_owned(), words::duration))
    };
    let injection = match row.whole("injection")? {
        None => "none marked".to_owned(),
        Some(n) => format!("number {n}, {} before its first pulse", seconds("since_injection_s")?),
    };
    let mut pairs = vec![
        ("pulses".to_owned(), format!("{} to {}", text("first_pulse"), text("last_pulse"))),
        ("start".to_owned(), cut_off(row.text("start_utc"))),
        ("length, first to last pulse".to_owned(), seconds("duration_s")?),
        (
            "expected / received / used / missing".to_owned(),
            format!(
                "{} / {} / {} / {} pulses",
                text("expected"),
                text("received"),
                text("used"),
                text("missing")
            ),
        ),
        (
            "drive, least / median / greatest".to_owned(),
            format!(
                "{} / {} / {} MPa",
                figure("drive_mpa_min")?,
                figure("drive_mpa_median")?,
                figure("drive_mpa_max")?
            ),
        ),
        ("injection".to_owned(), injection),
        ("baseline".to_owned(), text("baseline_id")),
        (
            "harmonics over their limit and nothing else".to_owned(),
            count(row.whole("harmonic_only")?.unwrap_or(0), "pulse"),
        ),
        (
            "loudest broadband over baseline".to_owned(),
            format!(
                "{} at pulse {}",
                db(row.number("max_broadband_db")?),
                text("max_broadband_pulse")
            ),
        ),
        (
            "limit of broadband over baseline, median".to_owned(),
            db(row.number("median_broadband_limit_db")?),
        ),
        ("alarms".to_owned(), text("alarms")),
        ("ended by".to_owned(), text("ended_by")),
    ];
    for (column, cell) in row.cells() {
        let known = TOLD.contains(&column)
            || column.ends_with("_excess_dose_v2s")
            || calibrated::tells(column)
            || column.contains("_cumulative_");
        if !known && !cell.is_empty() {
            pairs.push((column.to_owned(), cell.to_owned()));
        }
    }
    Ok(format!("<h3>Facts</h3>\n{}", pair_table(&pairs)))
}

/// Labels and values, two pairs a line.
#[must_use]
pub fn pair_table(pairs: &[(String, String)]) -> String {
    let mut html = "<table class=\"pairs\"><tbody>".to_owned();
    for line in pairs.chunks(2) {
        html.push_str("<tr>");
        for (label, value) in line {
            write!(html, "<th>{}</th><td>{}</td>", escape(label), escape(value)).ok();
        }
        if line.len() == 1 {
            html.push_str("<th></th><td></td>");
        }
        html.push_str("</tr>");
    }
    html + "</tbody></table>\n"
}

fn doses(
    folder: &SessionFolder,
    chapter: &Chapter,
    row: &ExposureRow,
) -> Result<String, ReadError> {
    let own = folder.about(&["exposures"]).as_array().and_then(|all| {
        all.iter().find(|dose| {
            dose["exposure"].as_u64() == Some(chapter.number)
                && dose["target"].as_str() == Some(&chapter.target)
        })
    });
    let none = Value::Null;
    let own = own.unwrap_or(&none);
    let mut table = Table::new(
        "numbers",
        &["quantity", "excess dose, V²·s", "raw dose, V²·s", "amplitude-like dose, V·s"],
    );
    let shown = |value: Option<f64>| value.map_or_else(|| UNKNOWN.to_owned(), |v| number(v, 4));
    for quantity in Quantity::SPOKEN {
        let name: &str = Quantity::name(quantity);
        table.row(&[
            name.to_owned(),
            shown(row.number(&format!("{name}_excess_dose_v2s"))?),
            shown(own["raw_dose_v2s"][name].as_f64()),
            shown(own["amplitude_dose_vs"][name].as_f64()),
        ]);
    }
    let mut html = format!("<h3>Doses</h3>\n{}", table.end());
    html += "<p class=\"note\">Groups integrate power, amplitude or decibels and rank exposures differently; compare like with like. ";
    for (key, text) in DOSES {
        let said = folder.words(&["dose_definitions", key]);
        let said = if said.is_empty() {
            text.to_owned()
        } else {
            said.replace("V2*s", "V²·s")
                .replace("V*s", "V·s")
                .replace(" * ", " · ")
                .replace("sqrt(P)", "√P")
                .replace("P - mean", "P − mean")
        };
        let name = if key == "amplitude" {
            "Amplitude-like"
        } else if key == "raw" {
            "Raw"
        } else {
            "Excess"
        };
        write!(html, "{name} dose: {}. ", escape(&said)).ok();
    }
    if let (Some(used), Some(left)) =
        (own["pulses_in_doses"].as_u64(), own["pulses_not_in_doses"].as_u64())
    {
        write!(
            html,
            "{} in the doses, {left} not (no numbers). Doses are the mean over used channels.",
            count(used, "pulse")
        )
        .ok();
    }
    html += "</p>\n";
    Ok(html)
}

/// The established quantities of an exposure at its end, for the summary's table.
///
/// # Errors
/// When a cell of its row is no number.
pub fn lasting_words(chapter: &Chapter) -> Result<String, ReadError> {
    let all: Vec<String> = summary::lasting(chapter)?
        .iter()
        .map(|found| {
            format!("{} {}", found.quantity.name(), excess(found.excess_db, found.within_db))
        })
        .collect();
    Ok(if all.is_empty() { "nothing".to_owned() } else { all.join("; ") })
}
