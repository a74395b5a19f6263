//! `simmer replay`: the whole analysis on recordings.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Instant;

use super::live::Page;
use super::monitor::limits;
use super::pulses::{PulseOptions, write_kept};
use super::table::Table;
use super::tables::Tables;
use super::{ALARM, CONFIG, Failure, Prepared, RUNNING, USAGE, give, plan, prepare, say};
use crate::config;
use crate::detect::{Baseline, Session};
use crate::engine::{Buffers, Finished, Input, Judged, Sink, run};
use crate::ingest::play::{Pace, Pacer};
use crate::ingest::{DEFAULT_BLOCK_BYTES, Recording, RecordingError, Source};
use crate::session::acts::Acts;
use crate::session::baseline_file;
use crate::session::replayed::{self, Replayed};
use crate::session::{Folder, FolderError};

/// What to replay and how.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:
  simmer replay -c demo-data/config.toml --out out/replayed \\
      demo-data/baseline.sigmf-meta demo-data/exposure.sigmf-meta")]
pub struct Replay {
    /// Configuration (TOML); a session folder brings its own
    #[arg(short, long, value_name = "CONFIG")]
    pub config: Option<PathBuf>,
    /// Baseline file made by `simmer baseline`; wins over baseline pulses of the recordings
    #[arg(long, value_name = "FILE")]
    pub baseline: Option<PathBuf>,
    /// Where pulses lie and what they are for
    #[command(flatten)]
    pub pulses: PulseOptions,
    /// Acts of a live session (its events.ndjson), each before the first pulse it held for
    #[arg(long, value_name = "FILE")]
    pub acts: Option<PathBuf>,
    /// Other limits for alarms (TOML with [[alarm]] name, limit, off_db, m_of_n)
    #[arg(long, value_name = "FILE")]
    pub limits: Option<PathBuf>,
    /// Pace against device time: max, or 1 or another factor, then with the page
    #[arg(long, value_name = "F", default_value = "max")]
    pub speed: Pace,
    /// Where to serve the page, ADDR:PORT, instead of the configuration's
    #[arg(long, value_name = "ADDR:PORT")]
    pub listen: Option<SocketAddr>,
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
    /// Recordings in order: SigMF, WAV, NumPy (.npy, FILE.npz:ARRAY) or headerless; or one session folder, which brings its acts
    #[arg(required = true, value_name = "RECORDING")]
    pub recordings: Vec<PathBuf>,
}

/// The folder, the table the person sees, and the page.
struct Sinks {
    folder: Folder,
    table: Table,
    page: Option<Page>,
}

impl Sink for Sinks {
    type Error = FolderError;

    fn take(&mut self, judged: &Judged) -> Result<(), FolderError> {
        if let Some(page) = &self.page {
            page.hub.publish(judged);
        }
        self.table.take(judged).unwrap_or_else(|never| match never {});
        self.folder.take(judged)
    }
}

/// Items no sooner than device time has it, so many times as fast.
fn paced<E>(
    source: impl Iterator<Item = Result<Input, E>> + Send,
    pace: Pace,
    rate_hz: f64,
) -> impl Iterator<Item = Result<Input, E>> + Send {
    let (mut pacer, mut pulse) = (Pacer::new(pace), None);
    source.inspect(move |item| match item {
        Ok(Input::Begin(_)) => pacer = Pacer::new(pace),
        Ok(Input::Frame(frame)) if pulse != Some(frame.tag.number) => {
            pulse = Some(frame.tag.number);
            if let Some(due) = pacer.due(&frame.tag, rate_hz) {
                std::thread::sleep(due.saturating_duration_since(Instant::now()));
            }
        }
        _ => {}
    })
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
    let identity = prepared.identity();
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
        let session = self.session()?;
        let prepared = self.prepared(session.as_ref())?;
        let recordings = self.recordings(&prepared, session.as_ref())?;
        let kept = || session.as_ref().and_then(|session| session.baseline.clone());
        let file = self.baseline.clone().or_else(kept);
        let baseline = named_baseline(&prepared, file.as_ref())?;
        let mut head = prepared.head(&recordings, file.as_deref())?;
        head.parent = session.as_ref().map(|session| session.folder.display().to_string());
        let acts = self.acts.clone().or(session.map(|session| session.acts));
        let settings = &prepared.loaded.settings;
        let limits = limits(self.limits.as_ref(), &prepared.loaded, baseline.as_ref())?;
        let session = Session::new(&prepared.plan, &settings.detect, &settings.alarms, baseline);
        let acts = acts.map(|path| Acts::read(&path, &settings.alarms));
        let acts = acts.transpose()?.unwrap_or_default();
        let folder = Folder::create(&self.out, head, &prepared.plan, self.spectra, false)?;
        write_kept(&self.out, &recordings)?;
        let page = match self.speed {
            Pace::Max => None,
            Pace::Times(_) => Some(Page::start(&prepared, self.listen)?),
        };
        let mut sinks = Sinks { folder, table: Table::default(), page };
        let workers = self.workers.map_or_else(default_workers, usize::from);
        let (block, pace) = (self.block_bytes, self.speed);
        let rate_hz = prepared.plan.spec.receive.sample_rate_hz;
        let source = |buffers| {
            let source = acts.among(source(recordings, block, buffers)?);
            let limits = limits.into_iter().map(|act| Ok(Input::Act(act)));
            Ok(limits.chain(paced(source, pace, rate_hz)))
        };
        let finished = run(&prepared.plan, session, workers, source, &mut sinks)?;
        self.finish(&finished, sinks)
    }

    /// The session folder that was named, if one was.
    fn session(&self) -> Result<Option<Replayed>, Failure> {
        match self.recordings.as_slice() {
            [folder] if folder.is_dir() => Ok(Some(replayed::look(folder)?)),
            several if several.iter().any(|path| path.is_dir()) => {
                Err(Failure::new(USAGE, "a session folder is replayed alone"))
            }
            _ => Ok(None),
        }
    }

    fn prepared(&self, session: Option<&Replayed>) -> Result<Prepared, Failure> {
        match (&self.config, session) {
            (Some(path), _) => prepare(path),
            (None, Some(session)) => {
                let name = session.folder.join("session.json").display().to_string();
                let loaded = config::parse(&name, &session.configuration)
                    .map_err(|diagnosis| Failure::new(CONFIG, diagnosis.to_string()))?;
                plan(loaded, Tables::Kept(&session.tables))
            }
            (None, None) => Err(Failure::new(USAGE, "--config is needed")),
        }
    }

    fn recordings(
        &self,
        prepared: &Prepared,
        session: Option<&Replayed>,
    ) -> Result<Vec<Recording>, Failure> {
        let paths = session.map_or(&self.recordings, |session| &session.recordings);
        let recordings = prepared.open(paths, &self.pulses)?;
        // Numbers that do not rise are found before a folder is made.
        Source::new(recordings.clone(), 1, Vec::new)?;
        Ok(recordings)
    }

    fn finish(&self, finished: &Finished, sinks: Sinks) -> Result<u8, Failure> {
        let Sinks { folder, table, page } = sinks;
        if let Some(page) = page {
            page.stop();
        }
        table.say_rest();
        let path = folder.finish(finished.account)?;
        say(&format!("session in {}", path.display()));
        give(&table.text())?;
        if !finished.account.closes() {
            return Err(Failure::new(RUNNING, "the sample account does not close"));
        }
        let alarmed = finished.session.alarms_raised() > 0;
        Ok(if alarmed && self.fail_on.is_some() { ALARM } else { 0 })
    }
}
