//! `simmer baseline`: a baseline file from no-bubble recordings, and how repeatable one is.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use super::pulses::PulseOptions;
use super::replay::{default_workers, source};
use super::{DATA, Failure, Prepared, USAGE, cannot_create, file_name, give, prepare, say};
use crate::detect::diagnosis::{Diagnosis, Margin, Repeat, diagnose, repeatability};
use crate::detect::{Baseline, Session, Stage, alpha};
use crate::engine::{Input, run};
use crate::ingest::Recording;
use crate::session::baseline_file;
use crate::signal::Quantity;

/// What to make a baseline of.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  simmer baseline -c demo-data/config.toml --out out/baseline.json demo-data/baseline.sigmf-meta
  simmer baseline -c demo-data/config.toml \\
      --repeat demo-data/baseline.sigmf-meta demo-data/baseline.sigmf-meta")]
pub struct BaselineCommand {
    /// Configuration (TOML)
    #[arg(short, long, value_name = "CONFIG")]
    pub config: PathBuf,
    /// File to write; it must not be there
    #[arg(long, value_name = "FILE", required_unless_present = "repeat")]
    pub out: Option<PathBuf>,
    /// Compare two no-bubble series instead: how far each quantity moves between them
    #[arg(long, num_args = 2, value_names = ["A", "B"], conflicts_with = "recordings")]
    pub repeat: Option<Vec<PathBuf>>,
    /// Where pulses lie and what they are for
    #[command(flatten)]
    pub pulses: PulseOptions,
    /// Recordings in order; their pulses of stage baseline are taken
    #[arg(value_name = "RECORDING", required_unless_present = "repeat")]
    pub recordings: Vec<PathBuf>,
}

impl BaselineCommand {
    /// Runs the command; the exit code.
    ///
    /// # Errors
    /// What went wrong, with its exit code.
    pub fn run(&self) -> Result<u8, Failure> {
        let prepared = prepare(&self.config)?;
        if let Some([a, b]) = self.repeat.as_deref() {
            let first = gather(&prepared, std::slice::from_ref(a), &self.pulses.of(0, 2)?)?.0;
            let second = gather(&prepared, std::slice::from_ref(b), &self.pulses.of(1, 2)?)?.0;
            let tolerance = prepared.loaded.settings.drive.drive_tolerance;
            let moves = repeatability(&first, &second, tolerance);
            if moves.is_empty() {
                return Err(Failure::new(
                    DATA,
                    "the two series have no target and drive in common",
                ));
            }
            give(&repeat_text(&moves, &prepared))?;
            return Ok(0);
        }
        let Some(out) = &self.out else {
            return Err(Failure::new(USAGE, "--out is needed"));
        };
        self.write(&prepared, out)
    }

    fn write(&self, prepared: &Prepared, out: &Path) -> Result<u8, Failure> {
        if out.exists() {
            return Err(cannot_create(out, "the file is there already"));
        }
        let (baseline, recordings) = gather(prepared, &self.recordings, &self.pulses)?;
        let mut made_of = Vec::new();
        for recording in &recordings {
            made_of.push((file_name(&recording.path), recording.sha256()?));
        }
        let value = baseline_file::to_json(&baseline, &prepared.identity(), &made_of);
        if let Some(folder) = out.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder).map_err(|error| cannot_create(out, error))?;
        }
        std::fs::write(out, format!("{value}\n")).map_err(|error| cannot_create(out, error))?;
        let detect = &prepared.loaded.settings.detect;
        let found = diagnose(&baseline, &prepared.plan.used_channels, detect);
        give(&text(&found, prepared))?;
        for advice in &found.advice {
            say(&format!("warning: {advice}"));
        }
        say(&format!("baseline in {}", out.display()));
        Ok(0)
    }
}

/// Hears the baseline pulses of recordings.
fn gather(
    prepared: &Prepared,
    paths: &[PathBuf],
    pulses: &PulseOptions,
) -> Result<(Baseline, Vec<Recording>), Failure> {
    let recordings = prepared.open(paths, pulses)?;
    let settings = &prepared.loaded.settings;
    let session = Session::new(&prepared.plan, &settings.detect, &[], None);
    let mut table = super::table::Table::default();
    let read = recordings.clone();
    let finished = run(
        &prepared.plan,
        session,
        default_workers(),
        |buffers| {
            let source = source(read, None, buffers)?;
            Ok(source.filter(|item| match item {
                Ok(Input::Frame(frame)) => frame.tag.stage != Stage::Exposure,
                _ => true,
            }))
        },
        &mut table,
    )?;
    table.say_rest();
    let baseline = finished.session.into_baseline();
    if baseline.targets.is_empty() {
        return Err(Failure::new(DATA, "the recordings hold no usable pulse of stage baseline"));
    }
    Ok((baseline, recordings))
}

fn text(found: &Diagnosis, prepared: &Prepared) -> String {
    let mut text = String::new();
    // Writing into a string cannot fail.
    let detect = &prepared.loaded.settings.detect;
    let pulses = detect.expected_pulses;
    writeln!(text, "target      drive            channel  quantity       pulses   mean dB    SD dB  lag-1   phi      k  limit dB   hear dB  hear {pulses} dB  hear ever dB").ok();
    let together = format!("hear {pulses} dB").len();
    for look in &found.quantities {
        writeln!(
            text,
            "{:<10}  {:<15}  {:>7}  {:<13}  {:>6}  {:>8.3}  {:>7.4}  {:>5.2}  {:>4.2}  {:>5}  {:>8}  {:>8}  {:>together$}  {:>12}",
            look.target,
            look.drive.to_string(),
            prepared.plan.used_channels[look.place],
            look.quantity.name(),
            look.lambda.n,
            look.lambda.mean,
            look.lambda.sd,
            look.lag1,
            look.serial.phi,
            number(look.reach.map(|reach| reach.k), 2),
            number(look.reach.map(|reach| reach.limit_db), 3),
            number(look.reach.map(|reach| reach.one_pulse_db), 3),
            number(look.reach.and_then(|reach| reach.together_db), 3),
            number(look.reach.and_then(|reach| reach.ever_db), 3),
        )
        .ok();
    }
    writeln!(
        text,
        "mean and SD of the detection level; phi: what serial correlation is taken to be\n\
         limit = mean + k SD at alpha = {:.3e} for one test; hear: the smallest lasting rise found nine times in ten, in one pulse, in {pulses} together and however long one listens (repeatability included, injection marked before the exposure)",
        alpha(detect, prepared.plan.used_channels.len())
    )
    .ok();
    for fact in &found.facts {
        writeln!(text, "{fact}").ok();
    }
    writeln!(text, "drive is {}", prepared.loaded.settings.drive.drive_means).ok();
    text
}

/// A number of a table, or a dash.
fn number(value: Option<f64>, digits: usize) -> String {
    let value = value.filter(|value| value.is_finite());
    value.map_or_else(|| "-".to_owned(), |value| format!("{value:.digits$}"))
}

fn repeat_text(moves: &[Repeat], prepared: &Prepared) -> String {
    let mut text = String::new();
    // Writing into a string cannot fail.
    writeln!(text, "target      drive            channel  quantity       SD A dB  SD B dB   B - A dB   95 % interval").ok();
    for found in moves {
        writeln!(
            text,
            "{:<10}  {:<15}  {:>7}  {:<13}  {:>7.4}  {:>7.4}  {:>+9.4}   {:+.4} to {:+.4}",
            found.target,
            found.drive.to_string(),
            prepared.plan.used_channels[found.place],
            found.quantity.name(),
            found.sd_db[0],
            found.sd_db[1],
            found.move_db.difference,
            found.move_db.low,
            found.move_db.high,
        )
        .ok();
    }
    let mut proposed = Vec::new();
    for quantity in Quantity::ALL {
        let found: Vec<&Repeat> = moves.iter().filter(|found| found.quantity == quantity).collect();
        let Some(margin) = Margin::of(&found) else { continue };
        let [low, high] = margin.interval_db;
        let shown = if margin.p < 0.05 {
            format!("a move is shown (p = {:.1e})", margin.p)
        } else {
            format!(
                "no move is shown (p = {:.2}); one of up to {:.4} dB at one drive and channel cannot be excluded",
                margin.p, margin.furthest_db
            )
        };
        writeln!(
            text,
            "{}: mean move {:+.4} dB (95 % interval {low:+.4} to {high:+.4}), largest {:.4} dB: {shown}",
            quantity.name(),
            margin.mean_db,
            margin.largest_db,
        )
        .ok();
        proposed.push(format!("{} = {:.1}", quantity.name(), margin.proposed_db));
    }
    writeln!(
        text,
        "proposed: repeatability_db = {{ {} }}; two series show one re-coupling: repeat it some times and take the largest",
        proposed.join(", ")
    )
    .ok();
    text
}
