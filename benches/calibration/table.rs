//! What was measured beside what is promised.
//!
//! A full run is held to the promise to the letter. A quick run has fewer trials; its bounds are
//! binomial quantiles at the promised share, so far out that a tool which keeps every promise
//! exactly fails one of the table's tests less than once in a thousand runs.

use simmer::signal::as_f64;
use simmer::stats::{binomial_tail, clopper_pearson};

/// Chance that a run fails a tool that keeps every promise exactly.
const WRONGLY_FAILED: f64 = 1e-3;

/// What a share of trials must be.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Promise {
    /// Printed only.
    Nothing,
    /// This share at most.
    AtMost(f64),
    /// This many at most where the chance of each is `share`, when all `of` trials are made.
    Counted { share: f64, most: usize, of: usize },
    /// A share between these.
    Between(f64, f64),
    /// Exactly this share: the count lies within its 99.9 % limits.
    Exactly(f64),
}

/// One line of the table.
#[derive(Debug, Clone)]
pub(crate) enum Line {
    /// A share of trials.
    Share { row: u32, what: String, trials: usize, found: usize, promise: Promise },
    /// A number that must be at least `least`, where there is one.
    Number { row: u32, what: String, value: f64, unit: &'static str, least: Option<f64> },
}

impl Line {
    pub(crate) fn share(
        row: u32,
        what: impl Into<String>,
        found: impl IntoIterator<Item = bool>,
        promise: Promise,
    ) -> Self {
        let (mut trials, mut count) = (0, 0);
        for one in found {
            trials += 1;
            count += usize::from(one);
        }
        Self::Share { row, what: what.into(), trials, found: count, promise }
    }

    fn tested(&self) -> bool {
        match self {
            Self::Share { promise, .. } => !matches!(promise, Promise::Nothing),
            Self::Number { least, .. } => least.is_some(),
        }
    }

    /// Whether the promise holds; `miss` is the chance that an exact tool may fail this test.
    fn met(&self, full: bool, miss: f64) -> bool {
        match *self {
            Self::Number { value, least, .. } => least.is_none_or(|least| value >= least),
            Self::Share { trials, found, promise, .. } => {
                let rate = as_f64(found) / as_f64(trials);
                let side = 0.5 * miss;
                match promise {
                    Promise::Nothing => true,
                    Promise::AtMost(share) if full => rate <= share,
                    Promise::AtMost(share) => !above(found, trials, share, miss),
                    Promise::Counted { most, of, .. } if full && of == trials => found <= most,
                    Promise::Counted { share, .. } => !above(found, trials, share, miss),
                    Promise::Between(low, high) if full => (low..=high).contains(&rate),
                    Promise::Between(low, high) => {
                        !below(found, trials, low, side) && !above(found, trials, high, side)
                    }
                    Promise::Exactly(share) => {
                        let side = if full { 0.5e-3 } else { side };
                        !below(found, trials, share, side) && !above(found, trials, share, side)
                    }
                }
            }
        }
    }

    fn words(&self) -> String {
        match self {
            Self::Number { row, what, value, unit, least } => {
                let least = least.map_or_else(String::new, |least| format!(">= {least}"));
                let value = format!("{value:.3} {unit}");
                format!("{row:>3}  {what:<74} {:>7} {:>6} {value:>26}  {least:<16}", "", "")
            }
            Self::Share { row, what, trials, found, promise } => {
                let rate = as_f64(*found) / as_f64(*trials);
                let interval = clopper_pearson(*found, *trials, 0.95)
                    .map_or_else(String::new, |ends| {
                        format!("[{:.4}, {:.4}]", ends.low, ends.high)
                    });
                let promise = match promise {
                    Promise::Nothing => String::new(),
                    Promise::AtMost(share) => format!("<= {share:.4}"),
                    Promise::Counted { most, of, .. } => format!("<= {most} of {of}"),
                    Promise::Between(low, high) => format!("{low} to {high}"),
                    Promise::Exactly(share) => format!("{share} exactly"),
                };
                let rate = format!("{rate:.4} {interval}");
                format!("{row:>3}  {what:<74} {trials:>7} {found:>6} {rate:>26}  {promise:<16}")
            }
        }
    }
}

/// More than a share explains: P(X ≥ found) ≤ `miss`.
fn above(found: usize, trials: usize, share: f64, miss: f64) -> bool {
    binomial_tail(whole(found), whole(trials), share) <= miss
}

/// Fewer than a share explains: P(X ≤ found) ≤ `miss`.
fn below(found: usize, trials: usize, share: f64, miss: f64) -> bool {
    above(trials - found, trials, 1.0 - share, miss)
}

fn whole(count: usize) -> u64 {
    u64::try_from(count).unwrap_or(u64::MAX)
}

/// The table as text, and how many tests it fails.
pub(crate) fn table(lines: &[Line], full: bool) -> (String, usize) {
    let tests = lines.iter().filter(|line| line.tested()).count();
    let miss = WRONGLY_FAILED / as_f64(tests.max(1));
    let mut text = format!(
        "{:>3}  {:<74} {:>7} {:>6} {:>26}  {:<16}\n",
        "row", "measured", "trials", "found", "share [95 % interval]", "promise"
    );
    let mut failed = 0;
    for line in lines {
        let word = match (line.tested(), line.met(full, miss)) {
            (false, _) => "",
            (true, true) => "met",
            (true, false) => "NOT MET",
        };
        failed += usize::from(word == "NOT MET");
        text.push_str(format!("{} {word}", line.words()).trim_end());
        text.push('\n');
    }
    (text, failed)
}
