//! Two pulse tables held against each other, a pulse at a time.

use std::cmp::Ordering;
use std::fmt::Write as _;
use std::fs::File;
use std::io::Read;
use std::path::Path;

use serde_json::{Value, json};

use crate::detect::Verdict;
use crate::report::words;
use crate::session::read::{PulseRow, Pulses, ReadError};
use crate::signal::Quantity;

/// Pulses of other verdict that are shown.
const MOST_SHOWN: usize = 10;

/// A pulse whose verdict differs.
struct Otherwise {
    pulse: u64,
    a: String,
    b: String,
}

/// What the pulse tables say against each other.
#[derive(Default)]
pub(super) struct PulseCounts {
    both: u64,
    only_a: u64,
    only_b: u64,
    holes: [u64; 2],
    differ: u64,
    first: Vec<Otherwise>,
    /// Largest difference of a detection level: dB, pulse, quantity.
    farthest: Option<(f64, u64, Quantity)>,
    pub(super) same_bytes: bool,
}

/// Goes through both tables at once; a pulse is told by its number and by its last row.
pub(super) fn pulses(mut table_a: Pulses, mut table_b: Pulses) -> Result<PulseCounts, ReadError> {
    let mut counts = PulseCounts::default();
    let mut a = next(&mut table_a, &mut counts.holes[0])?;
    let mut b = next(&mut table_b, &mut counts.holes[1])?;
    loop {
        let order = match (&a, &b) {
            (None, None) => return Ok(counts),
            (Some((pulse_a, row_a)), Some((pulse_b, row_b))) => {
                if pulse_a == pulse_b {
                    counts.hold(*pulse_a, row_a, row_b);
                }
                pulse_a.cmp(pulse_b)
            }
            (Some(_), None) => Ordering::Less,
            (None, Some(_)) => Ordering::Greater,
        };
        match order {
            Ordering::Less => counts.only_a += 1,
            Ordering::Greater => counts.only_b += 1,
            Ordering::Equal => counts.both += 1,
        }
        if order != Ordering::Greater {
            a = next(&mut table_a, &mut counts.holes[0])?;
        }
        if order != Ordering::Less {
            b = next(&mut table_b, &mut counts.holes[1])?;
        }
    }
}

fn next(table: &mut Pulses, holes: &mut u64) -> Result<Option<(u64, PulseRow)>, ReadError> {
    while let Some(row) = table.next_pulse()? {
        match row.pulse {
            Some(pulse) => return Ok(Some((pulse, row))),
            None => *holes += 1,
        }
    }
    Ok(None)
}

impl PulseCounts {
    /// Whether both tables have the same pulses with the same verdicts and levels.
    pub(super) fn is_equal(&self) -> bool {
        (self.only_a, self.only_b, self.differ) == (0, 0, 0)
            && self.holes[0] == self.holes[1]
            && self.farthest.is_none()
    }

    /// As JSON.
    pub(super) fn json(&self) -> Value {
        let first: Vec<Value> = self
            .first
            .iter()
            .map(|found| json!({"pulse": found.pulse, "a": found.a, "b": found.b}))
            .collect();
        let farthest = self
            .farthest
            .map(|(db, pulse, q)| json!({"db": db, "pulse": pulse, "quantity": q.name()}));
        json!({
            "in_both": self.both, "only_in_a": self.only_a, "only_in_b": self.only_b,
            "missing_in_a": self.holes[0], "missing_in_b": self.holes[1],
            "verdict_differs": self.differ, "first": first,
            "largest_level_difference": farthest, "same_bytes": self.same_bytes,
        })
    }

    fn hold(&mut self, pulse: u64, a: &PulseRow, b: &PulseRow) {
        if a.verdict != b.verdict {
            self.differ += 1;
            if self.first.len() < MOST_SHOWN {
                self.first.push(Otherwise { pulse, a: said(a), b: said(b) });
            }
        }
        for quantity in Quantity::ALL {
            let levels = a.detect_db[quantity].zip(b.detect_db[quantity]);
            let off = levels.map_or(0.0, |(a, b)| (a - b).abs());
            if off > self.farthest.map_or(0.0, |(most, _, _)| most) {
                self.farthest = Some((off, pulse, quantity));
            }
        }
    }

    /// As text, after what is there already.
    pub(super) fn text(&self, text: &mut String) {
        writeln!(
            text,
            "\npulses: {} in both, {} only in A, {} only in B; missing: A {}, B {}",
            self.both, self.only_a, self.only_b, self.holes[0], self.holes[1]
        )
        .ok();
        if self.same_bytes {
            text.push_str("pulses.csv: equal byte for byte\n");
            return;
        }
        match self.farthest {
            None => text.push_str("detection levels: equal where both have them\n"),
            Some((off, pulse, quantity)) => {
                let quantity = quantity.name();
                writeln!(
                    text,
                    "detection levels: largest difference {off:.3e} dB, {quantity} of pulse {pulse}"
                )
                .ok();
            }
        }
        if self.differ == 0 {
            text.push_str("verdicts: equal in every pulse of both\n");
            return;
        }
        writeln!(text, "verdicts: other in {}", words::count(self.differ, "pulse")).ok();
        for found in &self.first {
            writeln!(text, "  pulse {}\n    A  {}\n    B  {}", found.pulse, found.a, found.b).ok();
        }
        let more = self.differ - u64::try_from(self.first.len()).unwrap_or(self.differ);
        if more > 0 {
            writeln!(text, "  and {more} more").ok();
        }
    }
}

/// A verdict with its reason; silence with its detection limit.
fn said(row: &PulseRow) -> String {
    let Some(verdict) = row.verdict else { return format!("none, {}", row.reason) };
    let mut text = words::verdict(verdict).to_owned();
    if verdict == Verdict::NotDetected {
        write!(text, ", broadband heard from {}", words::db(row.hear_db[Quantity::Broadband])).ok();
    }
    if !row.reason.is_empty() {
        write!(text, ", {}", row.reason).ok();
    }
    text
}

pub(super) fn same_bytes(a: &Path, b: &Path) -> Result<bool, ReadError> {
    let open = |path: &Path| {
        File::open(path).map_err(|error| ReadError::of_io(&path.display().to_string(), error))
    };
    let (mut file_a, mut file_b) = (open(a)?, open(b)?);
    let (mut block_a, mut block_b) = (vec![0; 1 << 16], vec![0; 1 << 16]);
    loop {
        let read_a = fill(&mut file_a, &mut block_a, a)?;
        let read_b = fill(&mut file_b, &mut block_b, b)?;
        if read_a != read_b || block_a[..read_a] != block_b[..read_b] {
            return Ok(false);
        }
        if read_a == 0 {
            return Ok(true);
        }
    }
}

/// Fills a block as far as the file goes.
fn fill(file: &mut File, block: &mut [u8], path: &Path) -> Result<usize, ReadError> {
    let mut filled = 0;
    while filled < block.len() {
        match file.read(&mut block[filled..]) {
            Ok(0) => break,
            Ok(read) => filled += read,
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            Err(error) => return Err(ReadError::of_io(&path.display().to_string(), error)),
        }
    }
    Ok(filled)
}
