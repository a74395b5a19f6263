//! The data behind the picture of a course: a row a pulse, none left out.

use std::fmt::Write as _;

use crate::detect::Verdict;
use crate::session::read::PulseRow;
use crate::signal::{PerQuantity, Quantity};

/// The head line.
#[must_use]
pub fn head() -> String {
    let mut head = "pulse,time_s,drive_mpa,verdict".to_owned();
    for ending in ["detect_db", "limit_with_margin_db", "hear_db", "hear_cumulative_db"] {
        for quantity in Quantity::ALL {
            // Writing into a string cannot fail.
            write!(head, ",{}_{ending}", quantity.name()).ok();
        }
    }
    head
}

/// A pulse, with its time since the exposure began; numbers in `{:e}`, empty when unknown.
#[must_use]
pub fn row(row: &PulseRow, start_s: f64, margin_db: &PerQuantity<f64>) -> String {
    let mut line = row.pulse.map_or_else(String::new, |pulse| pulse.to_string());
    cell(&mut line, Some(row.time_s - start_s));
    cell(&mut line, row.drive_mpa);
    write!(line, ",{}", row.verdict.map_or("", Verdict::name)).ok();
    let limit = |q: Quantity| row.limit_db[q].map(|limit| limit + margin_db[q]);
    let limits = PerQuantity::from_fn(limit);
    for four in [&row.detect_db, &limits, &row.hear_db, &row.hear_cumulative_db] {
        four.0.iter().for_each(|value| cell(&mut line, *value));
    }
    line
}

fn cell(line: &mut String, value: Option<f64>) {
    line.push(',');
    if let Some(value) = value {
        write!(line, "{value:e}").ok();
    }
}
