//! What an exposure adds up to in pascals and corrected for the receive path's loss, with the labels
//! that say what that means and how far the receivers' tables reach.

use serde_json::Value;

use super::words::{Table, UNKNOWN, escape, number, paragraph};
use crate::session::read::{ExposureRow, ReadError, SessionFolder};
use crate::session::table::CALIBRATED_DOSE_COLUMNS;
use crate::signal::Quantity;

/// Endings of the dose columns, and their headings.
const DOSES: [(&str, &str); 3] = [
    ("excess_dose_pa2s", "excess dose, Pa²·s"),
    ("corrected_excess_dose_v2s", "corrected for loss, V²·s"),
    ("corrected_excess_dose_pa2s", "corrected for loss, Pa²·s"),
];

/// Parts of a channel's calibration.
const PARTS: [&str; 3] = ["pascal", "corrected", "corrected_pascal"];

/// Longest table that is shown in full, bytes.
const MOST_SHOWN: usize = 1 << 14;

/// Whether a column of the exposure table is told here.
pub(super) fn tells(column: &str) -> bool {
    CALIBRATED_DOSE_COLUMNS.contains(&column)
}

/// Doses of an exposure; nothing where its row has none.
///
/// # Errors
/// When a cell of the row is no number.
pub(super) fn doses(folder: &SessionFolder, row: &ExposureRow) -> Result<String, ReadError> {
    let mut columns = Vec::new();
    for (ending, heading) in DOSES {
        let mut cells = Vec::new();
        for quantity in Quantity::SPOKEN {
            cells.push(row.number(&format!("{}_{ending}", quantity.name()))?);
        }
        if cells.iter().any(Option::is_some) {
            columns.push((heading, cells));
        }
    }
    if columns.is_empty() {
        return Ok(String::new());
    }
    let headings = columns.iter().map(|(heading, _)| *heading);
    let mut table =
        Table::new("numbers", &std::iter::once("quantity").chain(headings).collect::<Vec<_>>());
    for (place, quantity) in Quantity::SPOKEN.into_iter().enumerate() {
        let shown = columns.iter().map(|(_, cells)| {
            cells[place].map_or_else(|| UNKNOWN.to_owned(), |value| number(value, 4))
        });
        let line: Vec<String> = std::iter::once(quantity.name().to_owned()).chain(shown).collect();
        table.row(&line);
    }
    let labels = labels(folder);
    Ok(format!(
        "<h3>Doses in pascals and corrected for loss</h3>\n{}<p class=\"note\">{labels}Only the excess over the baseline is corrected, never the receiver's own noise. Mean over the channels that have the table. Verdicts and limits rest on volts.</p>\n",
        table.end()
    ))
}

/// What each channel's numbers are, and what its tables do not reach.
fn labels(folder: &SessionFolder) -> String {
    let mut words = String::new();
    for channel in folder.about(&["calibration", "channels"]).as_array().into_iter().flatten() {
        for part in PARTS {
            let Some(label) = channel[part]["label"].as_str() else { continue };
            let without = without(&channel[part]);
            let gap = if without.is_empty() {
                String::new()
            } else {
                format!("; not covered: {without}")
            };
            words +=
                &format!("Channel {}: {}{}. ", channel["channel"], escape(label), escape(&gap));
        }
    }
    words
}

/// Lines and broadband that a table does not reach.
fn without(part: &Value) -> String {
    let mut words = Vec::new();
    for quantity in Quantity::ALL {
        let missing = part["lines_without_hz"][quantity.name()].as_array();
        let lines: Vec<String> = missing
            .into_iter()
            .flatten()
            .filter_map(Value::as_f64)
            .map(|hz| number(hz / 1e6, 4))
            .collect();
        if !lines.is_empty() {
            words.push(format!("{} lines at {} MHz", quantity.name(), lines.join(" and ")));
        }
    }
    if let Some(share) = part["broadband_share"].as_f64().filter(|share| *share < 1.0) {
        words.push(format!("{:.1} % of the broadband", 100.0 * (1.0 - share)));
    }
    words.join(", ")
}

/// The tables a session used, for the settings.
pub(super) fn tables(folder: &SessionFolder) -> String {
    let mut html = String::new();
    for table in folder.about(&["tables"]).as_array().into_iter().flatten() {
        let name = table["name"].as_str().unwrap_or(UNKNOWN);
        html += &format!("<h3>Table {}, verbatim</h3>\n", escape(name));
        let text = table["text"].as_str().unwrap_or_default();
        if text.len() > MOST_SHOWN {
            html += &paragraph(&format!("{} bytes; they stand in session.json.", text.len()));
        } else {
            html += &format!("<pre>{}</pre>\n", escape(text));
        }
    }
    html
}
