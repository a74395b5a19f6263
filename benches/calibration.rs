//! What the tool promises, measured by simulation: false alarms an exposure, emission found at the
//! stated limits, evidence at any look.
//!
//! `cargo bench --bench calibration -- --quick | --full [--only NAME] [--seed N] [--threads N]`:
//! minutes or about an hour. The same seed gives the same table for any number of threads. Each line
//! has the share found with its Clopper–Pearson interval (95 %) beside the promise; the exit code is
//! 1 when one is not met. The real state machine judges; lines "from samples" are heard by the real
//! ear.

#[path = "calibration/chain.rs"]
mod chain;
#[path = "calibration/crew.rs"]
mod crew;
#[path = "calibration/evidence.rs"]
mod evidence;
#[path = "calibration/false_alarms.rs"]
mod false_alarms;
#[path = "calibration/gain.rs"]
mod gain;
#[path = "calibration/hearing.rs"]
mod hearing;
#[path = "calibration/levels.rs"]
mod levels;
#[path = "calibration/samples.rs"]
mod samples;
#[path = "calibration/table.rs"]
mod table;

use std::process::ExitCode;
use std::time::Instant;

use anyhow::{Context as _, Result, bail};
use crew::Crew;
use table::Line;

/// How a run is made.
pub(crate) struct Run {
    pub(crate) crew: Crew,
    pub(crate) full: bool,
}

impl Run {
    pub(crate) const fn trials(&self, quick: usize, full: usize) -> usize {
        if self.full { full } else { quick }
    }
}

/// What makes lines of the table.
type Measure = fn(&Run) -> Vec<Line>;

/// Rows of the table by the name `--only` takes.
const ROWS: [(&str, Measure); 11] = [
    ("independent", false_alarms::independent),
    ("rules", false_alarms::rules),
    ("correlated", false_alarms::correlated),
    ("outliers", false_alarms::outliers),
    ("chain", chain::whole),
    ("gain", chain::gain),
    ("single", hearing::single),
    ("together", hearing::together),
    ("advantage", gain::together),
    ("contrast", chain::contrast),
    ("evidence", evidence::ever),
];

/// What the command line asks.
struct Asked {
    run: Run,
    only: Option<String>,
}

fn asked(arguments: impl Iterator<Item = String>) -> Result<Asked> {
    let mut arguments = arguments;
    let mut full = false;
    let (mut only, mut seed) = (None, 1);
    let mut threads = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    while let Some(argument) = arguments.next() {
        let mut value = || arguments.next().with_context(|| format!("{argument} needs a value"));
        match argument.as_str() {
            // Cargo itself passes this.
            "--bench" => {}
            "--quick" => full = false,
            "--full" => full = true,
            "--only" => only = Some(value()?),
            "--seed" => seed = value()?.parse().context("--seed takes a whole number")?,
            "--threads" => threads = value()?.parse().context("--threads takes a whole number")?,
            _ => bail!("unknown argument '{argument}'"),
        }
    }
    if let Some(name) = &only
        && !ROWS.iter().any(|(row, _)| row == name)
    {
        let names: Vec<&str> = ROWS.iter().map(|(row, _)| *row).collect();
        bail!("no row '{name}': {}", names.join(", "));
    }
    Ok(Asked { run: Run { crew: Crew::new(seed, threads), full }, only })
}

#[allow(clippy::print_stdout, reason = "the table is what this program is for")]
#[allow(clippy::print_stderr, reason = "who waits an hour wants to know how far it is")]
fn main() -> Result<ExitCode> {
    let Asked { run, only } = asked(std::env::args().skip(1))?;
    let mut lines = Vec::new();
    let began = Instant::now();
    for (name, row) in ROWS {
        if only.as_ref().is_some_and(|only| only != name) {
            continue;
        }
        let row_began = Instant::now();
        lines.extend(row(&run));
        eprintln!("{name}: {:.1} s", row_began.elapsed().as_secs_f64());
    }
    let (text, failed) = table::table(&lines, run.full);
    let kind = if run.full { "full" } else { "quick" };
    println!("{kind} calibration, seed {}", run.crew.seed);
    print!("{text}");
    println!("{failed} not met; {:.0} s", began.elapsed().as_secs_f64());
    Ok(if failed > 0 { ExitCode::FAILURE } else { ExitCode::SUCCESS })
}
