//! `simmer replay`: the whole analysis on recordings.

use std::path::PathBuf;

use super::table::Table;
use super::{ALARM, Failure, Prepared, RUNNING, give, prepare, say};
use crate::detect::{Baseline, Session};
use crate::engine::{Buffers, Finished, Judged, Sink, run};
use crate::ingest::{DEFAULT_BLOCK_BYTES, Recording, RecordingError, Source};
use crate::session::baseline_file::{self, Identity};
use crate::session::{Folder, FolderError};

/// What to replay and how.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:
  simmer replay -c demo-data/config.toml --out out/replayed \\
      demo-data/baseline.sigmf-meta demo-data/exposure.sigmf-meta")]
pub struct Replay {
    /// Configuration (TOML)
    #[arg(short, long, value_name = "CONFIG")]
    pub config: PathBuf,
    /// Baseline file made by `simmer baseline`; wins over baseline pulses of the recordings
    #[arg(long, value_name = "FILE")]
    pub baseline: Option<PathBuf>,
    /// Cue list (CSV) that says where the pulses of the recording are
    #[arg(long, value_name = "FILE")]
    pub cues: Option<PathBuf>,
    /// Folder to write the session into; it must not hold one already
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Also write spectra.npy
    #[arg(long)]
    pub spectra: bool,
    /// Threads that compute spectra [default: one a processor]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    pub workers: Option<u16>,
    /// Bytes read at a time
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    pub block_bytes: Option<u32>,
    /// End with exit code 10 when an alarm was raised
    #[arg(long, value_name = "WHAT", value_parser = ["alarm"])]
    pub fail_on: Option<String>,
    /// Recordings in order: SigMF, WAV or headerless
    #[arg(required = true, value_name = "RECORDING")]
    pub recordings: Vec<PathBuf>,
}

/// The folder, and the table the person sees.
pub struct Both {
    /// The session folder; nothing when it is not kept.
    pub folder: Option<Folder>,
    /// The table.
    pub table: Table,
}

impl Sink for Both {
    type Error = FolderError;

    fn take(&mut self, judged: &Judged) -> Result<(), FolderError> {
        self.table.take(judged).unwrap_or_else(|never| match never {});
        self.folder.as_mut().map_or(Ok(()), |folder| folder.take(judged))
    }
}

/// Threads that compute spectra when nothing is said.
#[must_use]
pub fn default_workers() -> usize {
    std::thread::available_parallelism().map_or(1, std::num::NonZero::get)
}

/// Reads the baseline file that was named, if one was.
///
/// # Errors
/// When it cannot be used with this plan.
pub fn named_baseline(
    prepared: &Prepared,
    path: Option<&PathBuf>,
) -> Result<Option<Baseline>, Failure> {
    let identity = Identity::of(&prepared.plan);
    Ok(path.map(|path| baseline_file::read(path, &identity)).transpose()?)
}

/// A source over recordings that reads into the engine's spent buffers.
///
/// # Errors
/// When pulse numbers do not rise from one recording to the next.
pub fn source(
    recordings: Vec<Recording>,
    block_bytes: Option<u32>,
    buffers: Buffers,
) -> Result<Source, RecordingError> {
    let block = block_bytes.map_or(DEFAULT_BLOCK_BYTES, |n| usize::try_from(n).unwrap_or(1));
    Source::new(recordings, block, move || buffers.next())
}

impl Replay {
    /// Runs the command; the exit code.
    ///
    /// # Errors
    /// What went wrong, with its exit code.
    pub fn run(&self) -> Result<u8, Failure> {
        let prepared = prepare(&self.config)?;
        let recordings = self.recordings(&prepared)?;
        let baseline = named_baseline(&prepared, self.baseline.as_ref())?;
        let head = prepared.head(&recordings, self.baseline.as_deref())?;
        let settings = &prepared.loaded.settings;
        let session = Session::new(&prepared.plan, &settings.detect, &settings.alarms, baseline);
        let folder = Folder::create(&self.out, head, &prepared.plan, self.spectra)?;
        let mut sinks = Both { folder: Some(folder), table: Table::default() };
        let workers = self.workers.map_or_else(default_workers, usize::from);
        let block = self.block_bytes;
        let source = |buffers| source(recordings, block, buffers);
        let finished = run(&prepared.plan, session, workers, source, &mut sinks)?;
        self.finish(&finished, sinks)
    }

    fn recordings(&self, prepared: &Prepared) -> Result<Vec<Recording>, Failure> {
        let recordings = prepared.open(&self.recordings, self.cues.as_deref())?;
        // Numbers that do not rise are found before a folder is made.
        Source::new(recordings.clone(), 1, Vec::new)?;
        Ok(recordings)
    }

    fn finish(&self, finished: &Finished, sinks: Both) -> Result<u8, Failure> {
        let Both { folder, table } = sinks;
        table.say_rest();
        if let Some(folder) = folder {
            let path = folder.finish(finished.account)?;
            say(&format!("session in {}", path.display()));
        }
        give(&table.text())?;
        if !finished.account.closes() {
            return Err(Failure::new(RUNNING, "the sample account does not close"));
        }
        let alarmed = finished.session.alarms_raised() > 0;
        Ok(if alarmed && self.fail_on.is_some() { ALARM } else { 0 })
    }
}
