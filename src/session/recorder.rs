//! Raw samples beside the analysis: SigMF recordings in the session's folder.
//!
//! A branch that can be dropped: its queue is bounded, detection never waits for a disk. What did not
//! fit is a hole of the recording, said and counted. Each stream is a recording of its own,
//! `recording`, `recording-2` and so on; a long one goes on in the next file, whose metadata say
//! that it `simmer:continues`. Samples are synced every second, pulses named in a journal after
//! that, so that what was named can be read after a crash ([`crate::ingest::mend`]).

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded};

use super::FolderError;
use super::pen::SYNC_EVERY;
use crate::engine::{Frame, Input, PulseTag, Stream};
use crate::ingest::{RecordingError, SigmfWriter};

/// Bytes of samples that wait for the disk before frames are left out.
const MOST_WAITING_BYTES: usize = 256 << 20;

/// Pieces that wait.
const PIECES: usize = 1 << 14;

/// Buffers that are used again.
const SPENT: usize = 64;

/// Pulses of one file; its metadata are written in one go.
const MOST_PULSES: usize = 1 << 20;

/// The disk's room is looked at this often, bytes.
const LOOK_EVERY_BYTES: u64 = 1 << 20;

/// How long a disk may take for what still waits at the end.
const PATIENCE: Duration = Duration::from_secs(30);

/// What is asked of a recorder.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RecordSpec {
    /// A file larger than this goes on in the next one, bytes.
    pub rotate_bytes: u64,
    /// Recording stops while less than this is free on the disk, bytes.
    pub keep_free_bytes: u64,
}

/// What the recorder has to say while it runs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Told {
    /// Samples were left out; it goes on.
    Gap(String),
    /// Nothing more is recorded.
    Stopped(String),
}

/// What was recorded.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Recorded {
    /// Names of the recordings, without ending.
    pub names: Vec<String>,
    /// Bytes of samples.
    pub bytes: u64,
    /// Frames that were left out.
    pub frames_left_out: u64,
    /// Bytes of samples that were left out.
    pub bytes_left_out: u64,
    /// Why it stopped before the end.
    pub stopped: Option<String>,
}

enum Piece {
    Begin(Box<Stream>),
    Stretch { tag: Arc<PulseTag>, offset: u64, bytes: Vec<u8>, last: bool },
    Length(u64),
}

/// The near end of the queue.
pub struct Recorder {
    line: Sender<Piece>,
    spent: Receiver<Vec<u8>>,
    waiting: Arc<AtomicUsize>,
    tell: Arc<dyn Fn(Told) + Send + Sync>,
    /// Pulse of the last frame that was left out.
    gap_at: Option<u64>,
    frames_left_out: u64,
    bytes_left_out: u64,
    done: Receiver<Recorded>,
    _thread: JoinHandle<()>,
}

impl std::fmt::Debug for Recorder {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.debug_struct("Recorder")
            .field("left_out", &self.frames_left_out)
            .finish_non_exhaustive()
    }
}

impl Recorder {
    /// Begins; files come into `folder` as soon as there are samples. `volts_per_count` has one
    /// number a channel, V.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(
        folder: &Path,
        volts_per_count: &[f64],
        spec: RecordSpec,
        tell: Arc<dyn Fn(Told) + Send + Sync>,
    ) -> Result<Self, FolderError> {
        let (line, pieces) = bounded(PIECES);
        let (spent_in, spent) = bounded(SPENT);
        let (done_in, done) = bounded(1);
        let waiting = Arc::new(AtomicUsize::new(0));
        let reel = Reel {
            folder: folder.to_owned(),
            volts_per_count: volts_per_count.to_vec(),
            spec,
            stream: None,
            fresh: false,
            writer: None,
            since_look: 0,
            recorded: Recorded::default(),
        };
        let (held, teller) = (Arc::clone(&waiting), Arc::clone(&tell));
        let write = move || {
            let recorded = reel.run(&pieces, &spent_in, &held, &*teller);
            // Whoever waited may have lost patience.
            done_in.send(recorded).ok();
        };
        let thread = std::thread::Builder::new().name("recorder".to_owned()).spawn(write);
        let fault = |source| FolderError::Write { path: folder.display().to_string(), source };
        Ok(Self {
            line,
            spent,
            waiting,
            tell,
            gap_at: None,
            frames_left_out: 0,
            bytes_left_out: 0,
            done,
            _thread: thread.map_err(fault)?,
        })
    }

    /// Takes a copy of what goes to the analysis; never waits.
    pub fn take(&mut self, input: &Input) {
        match input {
            Input::Begin(stream) => self.give(Piece::Begin(Box::new(stream.clone()))),
            Input::Length(samples) => self.give(Piece::Length(*samples)),
            Input::Frame(frame) => self.frame(frame),
            Input::Act(_) | Input::End => {}
        }
    }

    fn give(&self, piece: Piece) {
        // A recorder that has stopped has said so.
        self.line.try_send(piece).ok();
    }

    fn frame(&mut self, frame: &Frame) {
        let Frame { tag, offset, bytes, last } = frame;
        let waiting = self.waiting.load(Ordering::Relaxed);
        let fits = waiting + bytes.len() <= MOST_WAITING_BYTES;
        if fits {
            let mut copy = self.spent.try_recv().unwrap_or_default();
            copy.clear();
            copy.extend_from_slice(bytes);
            self.waiting.fetch_add(bytes.len(), Ordering::Relaxed);
            let (tag, offset, last) = (Arc::clone(tag), *offset, *last);
            match self.line.try_send(Piece::Stretch { tag, offset, bytes: copy, last }) {
                Ok(()) => {}
                Err(error) => {
                    self.waiting.fetch_sub(bytes.len(), Ordering::Relaxed);
                    self.left_out(frame, error.is_full());
                }
            }
        } else {
            self.left_out(frame, true);
        }
    }

    /// A frame that is not recorded; a recorder that goes on says so once for each run of them.
    fn left_out(&mut self, frame: &Frame, goes_on: bool) {
        self.frames_left_out += 1;
        self.bytes_left_out += frame.bytes.len() as u64;
        let number = frame.tag.number;
        let new = self.gap_at.is_none_or(|at| number > at + 1);
        self.gap_at = Some(number);
        if new && goes_on {
            let waiting = self.waiting.load(Ordering::Relaxed);
            (self.tell)(Told::Gap(format!(
                "recording: samples of pulse {number} are left out, {waiting} bytes wait for the disk; the analysis has them"
            )));
        }
    }

    /// Ends; everything that waited is on the disk when this returns, or the disk did not answer.
    #[must_use]
    pub fn finish(self) -> Recorded {
        let Self { line, done, frames_left_out, bytes_left_out, .. } = self;
        drop(line);
        let mut recorded = done.recv_timeout(PATIENCE).unwrap_or_else(|_| Recorded {
            stopped: Some(format!("the disk has not answered for {} s", PATIENCE.as_secs())),
            ..Recorded::default()
        });
        recorded.frames_left_out = frames_left_out;
        recorded.bytes_left_out = bytes_left_out;
        recorded
    }
}

/// The far end.
struct Reel {
    folder: PathBuf,
    volts_per_count: Vec<f64>,
    spec: RecordSpec,
    stream: Option<Box<Stream>>,
    /// The stream has no file yet.
    fresh: bool,
    writer: Option<SigmfWriter>,
    /// Bytes since the disk's room was looked at.
    since_look: u64,
    recorded: Recorded,
}

impl Reel {
    fn run(
        mut self,
        pieces: &Receiver<Piece>,
        spent: &Sender<Vec<u8>>,
        waiting: &AtomicUsize,
        tell: &(dyn Fn(Told) + Send + Sync),
    ) -> Recorded {
        let mut synced = Instant::now();
        let stopped = loop {
            let outcome = match pieces.recv_timeout(SYNC_EVERY.saturating_sub(synced.elapsed())) {
                Ok(Piece::Stretch { tag, offset, bytes, last }) => {
                    let outcome = self.stretch(&tag, offset, &bytes, last);
                    waiting.fetch_sub(bytes.len(), Ordering::Relaxed);
                    // A full pool only means that the buffer is dropped.
                    spent.try_send(bytes).ok();
                    outcome
                }
                Ok(Piece::Begin(stream)) => self.begin(stream),
                Ok(Piece::Length(samples)) => {
                    if let Some(writer) = &mut self.writer {
                        writer.note_length(samples);
                    }
                    Ok(())
                }
                Err(RecvTimeoutError::Timeout) => Ok(()),
                Err(RecvTimeoutError::Disconnected) => break self.close().err(),
            };
            let outcome = outcome.and_then(|()| {
                if synced.elapsed() < SYNC_EVERY {
                    return Ok(());
                }
                synced = Instant::now();
                self.sync()
            });
            if let Err(stop) = outcome {
                break Some(stop);
            }
        };
        if let Some(stop) = stopped {
            let why = stop.0;
            // What was promised so far stays readable, where the disk still allows it.
            if let Some(writer) = self.writer.take()
                && let Err(worse) = writer.give_up()
            {
                tracing::warn!("recording: {worse}; simmer repair can still mend it");
            }
            tell(Told::Stopped(format!("recording stopped: {why}")));
            self.recorded.stopped = Some(why);
        }
        self.recorded
    }

    fn begin(&mut self, stream: Box<Stream>) -> Result<(), Stop> {
        self.close()?;
        self.stream = Some(stream);
        self.fresh = true;
        Ok(())
    }

    fn stretch(
        &mut self,
        tag: &PulseTag,
        offset: u64,
        bytes: &[u8],
        last: bool,
    ) -> Result<(), Stop> {
        if self.writer.as_ref().is_some_and(|writer| {
            let full = writer.bytes() >= self.spec.rotate_bytes || writer.pulses() >= MOST_PULSES;
            full && writer.last_pulse() != Some(tag.number)
        }) {
            self.close()?;
        }
        if self.writer.is_none() {
            self.open()?;
        }
        self.since_look += bytes.len() as u64;
        if self.since_look >= LOOK_EVERY_BYTES {
            self.since_look = 0;
            room(&self.folder, self.spec.keep_free_bytes)?;
        }
        let Some(writer) = &mut self.writer else { return Ok(()) };
        writer.stretch(tag, offset, bytes, last)?;
        self.recorded.bytes += bytes.len() as u64;
        Ok(())
    }

    fn open(&mut self) -> Result<(), Stop> {
        let Some(stream) = &self.stream else { return Ok(()) };
        room(&self.folder, self.spec.keep_free_bytes)?;
        let name = match self.recorded.names.len() {
            0 => "recording".to_owned(),
            n => format!("recording-{}", n + 1),
        };
        let mut writer =
            SigmfWriter::create(&self.folder.join(&name), stream, &self.volts_per_count)?;
        writer.of_a_session(!self.fresh);
        writer.keep_journal()?;
        self.fresh = false;
        self.recorded.names.push(name);
        self.writer = Some(writer);
        Ok(())
    }

    fn sync(&mut self) -> Result<(), Stop> {
        let Some(writer) = &mut self.writer else { return Ok(()) };
        Ok(writer.sync()?)
    }

    fn close(&mut self) -> Result<(), Stop> {
        self.writer.take().map_or(Ok(()), SigmfWriter::finish)?;
        Ok(())
    }
}

/// Why recording stops.
struct Stop(String);

impl From<RecordingError> for Stop {
    fn from(error: RecordingError) -> Self {
        Self(error.to_string())
    }
}

/// Whether enough is free on the disk; where the system does not say, it is taken to be.
fn room(folder: &Path, keep_free_bytes: u64) -> Result<(), Stop> {
    match free_bytes(folder) {
        Some(free) if free < keep_free_bytes => Err(Stop(format!(
            "{} bytes are free at {}, {keep_free_bytes} must stay free",
            free,
            folder.display()
        ))),
        _ => Ok(()),
    }
}

#[cfg(unix)]
fn free_bytes(folder: &Path) -> Option<u64> {
    let found = rustix::fs::statvfs(folder).ok()?;
    Some(found.f_bavail.saturating_mul(found.f_frsize))
}

#[cfg(not(unix))]
const fn free_bytes(_: &Path) -> Option<u64> {
    None
}
