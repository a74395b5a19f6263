//! Everything the faces know of the run: written by the analysis, read by all.
//!
//! One mutex, held for moments and never over an await. The analysis copies spectra and rows before it
//! takes the lock, and publishes events before that: an alarm is out before the pulse's rows are.

use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};

use super::facts::Facts;
use super::rings::{Batch, PulseRecord};
use super::state::{EventText, Running, State, StreamView};
use crate::detect::{Act, Baseline};
use crate::engine::Judged;
use crate::signal::{ChannelReading, Heard};

/// What is kept at most.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bounds {
    pub(super) pulses: usize,
    /// Rows of all pulses together, about 0.8 kB each.
    pub(super) rows: usize,
    pub(super) events: usize,
    pub(super) exposures: usize,
    /// Pages and followers together.
    pub(super) readers: usize,
}

impl Bounds {
    pub(super) const USUAL: Self =
        Self { pulses: 20_000, rows: 1 << 18, events: 20_000, exposures: 4096, readers: 64 };
}

/// Where samples come from right now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum StreamState {
    /// Nobody has come yet, or nobody is there.
    Waiting,
    /// A stream is there.
    Up {
        /// Where it comes from.
        name: String,
        /// What the sender calls its device; may be empty.
        device: String,
        /// Who says what pulses are for: `sender` or `operator`.
        stage_from: &'static str,
    },
    /// The connection was lost; the stream may go on.
    Cut,
    /// The stream is over.
    Ended,
}

/// Numbers of the sample account, per channel where they count samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct StreamCounts {
    /// Samples that came in.
    pub received: u64,
    /// Samples that were lost.
    pub lost: u64,
    /// Frames that never came.
    pub frames_lost: u64,
    /// Frames whose checksum was wrong.
    pub crc: u64,
    /// Frames that came too late to be used.
    pub late: u64,
    /// Frames that came twice.
    pub duplicates: u64,
    /// Pulses that were not finished.
    pub unfinished: u64,
}

/// What the faces count about themselves.
#[derive(Debug, Default)]
pub(super) struct Readers {
    pub(super) pages: AtomicU64,
    pub(super) followers: AtomicU64,
    pub(super) pulses_missed: AtomicU64,
    pub(super) events_missed: AtomicU64,
}

/// The state that analysis and faces share.
#[derive(Debug)]
pub struct Hub {
    pub(super) facts: Facts,
    /// Names this run of the daemon.
    pub(super) run: String,
    pub(super) readers: Readers,
    seats: Arc<Semaphore>,
    bounds: Bounds,
    state: Mutex<State>,
    turn: watch::Sender<u64>,
}

impl Hub {
    /// A hub; `baseline` is the one a file brought, `spectra_kept_bytes` the memory for spectra.
    #[must_use]
    pub fn new(facts: Facts, baseline: Option<&Baseline>, spectra_kept_bytes: u64) -> Arc<Self> {
        Self::with_bounds(facts, baseline, spectra_kept_bytes, Bounds::USUAL)
    }

    pub(super) fn with_bounds(
        facts: Facts,
        baseline: Option<&Baseline>,
        spectra_kept_bytes: u64,
        bounds: Bounds,
    ) -> Arc<Self> {
        let state = State::new(&facts, baseline, spectra_kept_bytes, &bounds);
        Arc::new(Self {
            facts,
            run: run_id(),
            readers: Readers::default(),
            seats: Arc::new(Semaphore::new(bounds.readers)),
            bounds,
            state: Mutex::new(state),
            turn: watch::Sender::new(0),
        })
    }

    /// Takes what came of a pulse, or of an act between pulses, or of the end. Never waits for a
    /// reader. Events are out and readers woken before rows and spectra are copied.
    pub fn publish(&self, judged: &Judged) {
        {
            let mut state = self.state();
            state.course.take(judged);
            for event in &judged.judgement.events {
                state.take_event(event, &self.facts);
            }
            if judged.pulse.is_some() {
                state.last_at = Some(Instant::now());
                state.follow_replay(self.facts.live);
            }
        }
        if !judged.judgement.events.is_empty() {
            self.wake();
        }
        let Some(pulse) = &judged.pulse else { return };
        let rows = judged.judgement.rows.clone();
        let spectra = copy_spectra(&judged.readings, self.facts.channels.len(), self.facts.bins);
        let mut state = self.state();
        let record = PulseRecord {
            n: state.pulses.end(),
            pulse: pulse.number,
            time_s: pulse.time.since_start_s,
            target: Arc::clone(&pulse.target),
            drive_mpa: pulse.drive_mpa,
            stage: pulse.stage,
            rows,
        };
        let gone = state.take_record(record, spectra, self.bounds.rows);
        drop(state);
        self.wake();
        // What has to go is freed outside the lock.
        drop(gone);
    }

    /// Where samples come from from now on.
    pub fn stream(&self, stream: StreamState) {
        let mut state = self.state();
        match stream {
            StreamState::Waiting => {
                state.stream =
                    StreamView { state: "waiting", name: None, device: None, stage_from: None };
            }
            StreamState::Up { name, device, stage_from } => {
                let device = Some(device).filter(|device| !device.is_empty());
                let stage_from = Some(stage_from);
                state.stream = StreamView { state: "up", name: Some(name), device, stage_from };
            }
            StreamState::Cut => state.stream.state = "cut",
            StreamState::Ended => state.stream.state = "ended",
        }
    }

    /// The account's numbers as they stand.
    pub fn counts(&self, counts: StreamCounts) {
        self.state().counts = counts;
    }

    /// The session folder, and why it is no longer written, if so.
    pub fn folder(&self, path: Option<&Path>, failed: Option<String>) {
        self.state().folder = (path.map(|path| path.display().to_string()), failed);
    }

    /// An act was accepted that no pulse has followed yet; it goes when its event is published.
    pub fn pending(&self, act: &Act) {
        self.state().course.wait(act);
    }

    /// The analysis has ended as it should: followers end.
    pub fn stopped(&self) {
        let mut state = self.state();
        if state.running == Running::Yes {
            state.running = Running::Ended;
        }
        drop(state);
        self.wake();
    }

    /// The analysis has ended by a fault: followers end, and `/healthz` says so.
    pub fn failed(&self, why: &str) {
        self.state().running = Running::Failed(why.to_owned());
        self.wake();
    }

    /// Events that readers were too slow for.
    #[must_use]
    pub fn events_missed(&self) -> u64 {
        self.readers.events_missed.load(Ordering::Relaxed)
    }

    /// Pulses that readers were too slow for.
    #[must_use]
    pub fn pulses_missed(&self) -> u64 {
        self.readers.pulses_missed.load(Ordering::Relaxed)
    }

    pub(super) fn state(&self) -> MutexGuard<'_, State> {
        // Whoever panicked with the lock left whole numbers behind.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn wake(&self) {
        self.turn.send_modify(|turn| *turn = turn.wrapping_add(1));
    }

    /// Changes whenever something was published.
    pub(super) fn turns(&self) -> watch::Receiver<u64> {
        self.turn.subscribe()
    }

    /// A place for a page or follower; nothing when all are taken.
    pub(super) fn seat(&self) -> Option<OwnedSemaphorePermit> {
        Arc::clone(&self.seats).try_acquire_owned().ok()
    }

    pub(super) const fn most_readers(&self) -> usize {
        self.bounds.readers
    }

    /// The next pulses from count `from` on: at most `most`, and at most about `rows` rows.
    pub(super) fn pulses(&self, from: u64, most: usize, rows: usize) -> Batch<Arc<PulseRecord>> {
        let mut room = rows;
        self.state().pulses.next(from, most, |record| {
            let fits = record.rows.len() <= room;
            room = room.saturating_sub(record.rows.len());
            fits
        })
    }

    /// Count of the first pulse above number `after`, and how many such were dropped at most.
    pub(super) fn place_after(&self, after: u64) -> (u64, u64) {
        let state = self.state();
        let place = state.pulses.find(|record| record.pulse > after);
        let dropped = state.pulses.first();
        let before_oldest = match state.pulses.get(dropped) {
            Some(oldest) if place == dropped => oldest.pulse.saturating_sub(after + 1),
            _ => 0,
        };
        (place, dropped.min(before_oldest))
    }

    /// The next events from index `from` on.
    pub(super) fn events(&self, from: u64, most: usize) -> Batch<EventText> {
        self.state().events.next(from, most, |_| true)
    }

    /// Counts of the next pulse and the next event.
    pub(super) fn ends(&self) -> (u64, u64) {
        let state = self.state();
        (state.pulses.end(), state.events.end())
    }

    pub(super) fn is_running(&self) -> bool {
        self.state().running == Running::Yes
    }
}

/// Spectra of all used channels after one another, V²/Hz; NaN where a channel has no numbers.
fn copy_spectra(readings: &[ChannelReading], channels: usize, bins: usize) -> Vec<f32> {
    let mut spectra = Vec::with_capacity(channels * bins);
    for place in 0..channels {
        let heard = readings.get(place).filter(|reading| {
            matches!(reading.heard(), Heard::Measured(_)) && reading.spectrum.len() == bins
        });
        match heard {
            Some(reading) => spectra.extend_from_slice(&reading.spectrum),
            None => spectra.resize(spectra.len() + bins, f32::NAN),
        }
    }
    spectra
}

/// Sixteen hexadecimal digits that no other run has.
fn run_id() -> String {
    use std::hash::{BuildHasher, RandomState};
    let id = getrandom::u64().unwrap_or_else(|_| RandomState::new().hash_one(Instant::now()));
    format!("{id:016x}")
}
