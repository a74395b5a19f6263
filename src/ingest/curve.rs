//! A curve over frequency from a CSV file: a heading with units, then a line a point.
//!
//! `frequency_hz,loss_db`; the frequency may be in `frequency_khz` or `frequency_mhz`. Lines that
//! begin with `#` are remarks.

use std::io::Read as _;
use std::path::Path;

use super::error::RecordingError;
use crate::signal::Curve;

/// Largest file that is read, bytes.
const MOST_BYTES: u64 = 16 << 20;

/// Frequencies a heading may name, and their unit in Hz.
const FREQUENCIES: [(&str, f64); 3] =
    [("frequency_hz", 1.0), ("frequency_khz", 1e3), ("frequency_mhz", 1e6)];

/// Reads an insertion-loss table, dB over frequency.
///
/// # Errors
/// Names file, line, value and bound.
pub fn read_loss(path: &Path) -> Result<Curve, RecordingError> {
    let unreadable = |error| RecordingError::reading(path, error);
    if path.is_dir() {
        return Err(RecordingError::bad(path, "is a folder, must be a file"));
    }
    let mut text = String::new();
    let file = std::fs::File::open(path).map_err(unreadable)?;
    file.take(MOST_BYTES + 1).read_to_string(&mut text).map_err(unreadable)?;
    if u64::try_from(text.len()).unwrap_or(u64::MAX) > MOST_BYTES {
        return Err(RecordingError::bad(path, format!("has more than {MOST_BYTES} bytes")));
    }
    parse(&text).map_err(|fault| RecordingError::bad(path, fault))
}

fn parse(text: &str) -> Result<Curve, String> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut lines = text
        .lines()
        .enumerate()
        .map(|(place, line)| (place + 1, line.trim()))
        .filter(|(_, line)| !line.is_empty() && !line.starts_with('#'));
    let (at, heading) = lines.next().ok_or("holds no heading")?;
    let names: Vec<&str> = heading.split(',').map(str::trim).collect();
    let column = |name: &str| names.iter().position(|found| *found == name);
    let frequency =
        FREQUENCIES.iter().find_map(|(name, unit_hz)| Some((column(name)?, *name, *unit_hz)));
    let (Some((frequency, frequency_name, unit_hz)), Some(loss)) = (frequency, column("loss_db"))
    else {
        return Err(format!(
            "line {at}: the heading is \"{heading}\", must name frequency_hz, frequency_khz or frequency_mhz, and loss_db"
        ));
    };
    let (mut points, mut places) = (Vec::new(), Vec::new());
    for (line, text) in lines {
        let cells: Vec<&str> = text.split(',').map(str::trim).collect();
        let number = |place: usize, name: &str| -> Result<f64, String> {
            let cell = cells.get(place).copied().unwrap_or_default();
            cell.parse()
                .map_err(|_| format!("line {line}, column {name}: \"{cell}\" must be a number"))
        };
        let loss_db = number(loss, "loss_db")?;
        if loss_db < 0.0 {
            return Err(format!(
                "line {line}, column loss_db: {loss_db} must be 0 or above; a loss is positive"
            ));
        }
        points.push([unit_hz * number(frequency, frequency_name)?, loss_db]);
        places.push(line);
    }
    Curve::new(points).map_err(|fault| match places.get(fault.point) {
        Some(line) => format!("line {line}: {}", fault.why),
        None => fault.why,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check_fault(text: &str, expected: &str) {
        assert_eq!(parse(text).unwrap_err(), expected);
    }

    #[test]
    fn a_table_in_megahertz_is_read_with_remarks() {
        let curve = parse("# 4 mm\nfrequency_mhz, loss_db\n0.35, 3.5\n\n3.0,30\n").unwrap();
        assert_eq!(curve.range_hz().map(|hz| hz.to_string()), ["350000", "3000000"]);
        assert_eq!(curve.at(3e6), Some(30.0));
    }

    #[test]
    fn faults_name_line_column_and_value() {
        check_fault(
            "f,loss_db\n1,2\n",
            "line 1: the heading is \"f,loss_db\", must name frequency_hz, frequency_khz or frequency_mhz, and loss_db",
        );
        check_fault(
            "frequency_hz,loss_db\n1e6,x\n",
            "line 2, column loss_db: \"x\" must be a number",
        );
        check_fault(
            "frequency_hz,loss_db\n1e6,1\n# remark\n1e6,2\n",
            "line 4: frequency is 1000000 Hz after 1000000, must rise",
        );
        check_fault(
            "\u{feff}frequency_hz,loss_db\r\n1e6,-3\r\n",
            "line 2, column loss_db: -3 must be 0 or above; a loss is positive",
        );
        check_fault("frequency_hz,loss_db\n1e6,1\n", "1 points, must be 2 to 1048576");
    }
}
