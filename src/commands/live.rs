//! A running monitor: socket, analysis, page and session folder together. `monitor` and `demo` use it.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::net::TcpListener;
use tokio::sync::{mpsc, oneshot, watch};
use tokio_util::sync::CancellationToken;

use super::monitor::{HTTP, check_open, runtime, token};
use super::table::Table;
use super::{Failure, Prepared, RUNNING, realtime, say};
use crate::detect::{Act, Baseline, Session};
use crate::engine::{Buffers, Finished, Input, Judged, RunError, Sink, run};
use crate::ingest::socket::{self, Listeners, Socket, Told};
use crate::ingest::wire::{Counts, Link, Terms};
use crate::serve::{Desk, Facts, Guard, Hub, StreamCounts, StreamState, Web, router, serve};
use crate::session::recorder::{self, RecordSpec, Recorded, Recorder};
use crate::session::{Folder, FolderError, Head};

/// Frames and acts between the socket and the analysis.
const INPUT_LINE: usize = 16;

/// Acts of people between the page and the socket.
const ACTS_LINE: usize = 64;

/// Largest payload of a frame, bytes.
const MAX_PAYLOAD_BYTES: u32 = 4 << 20;

const KEEPALIVE: Duration = Duration::from_secs(2);

const RESUME: Duration = Duration::from_secs(30);

/// How long an open pulse waits for its next frame, at least.
const PULSE: Duration = Duration::from_secs(1);

/// Memory for spectra the page can still show where the configuration says nothing, bytes.
const SPECTRA_KEPT_BYTES: u64 = 256 << 20;

/// How a monitor is set up.
pub struct Setup<'a> {
    /// The configuration.
    pub prepared: &'a Prepared,
    /// A baseline from a file, and the file.
    pub baseline: Option<(Baseline, PathBuf)>,
    /// Other limits for alarms, which hold from the first pulse on.
    pub limits: Option<Act>,
    /// Where the session is kept.
    pub out: Option<&'a Path>,
    /// Whether spectra are kept with it.
    pub spectra: bool,
    /// Threads that compute spectra.
    pub workers: usize,
    /// The page's files.
    pub web: Web,
    /// Where page and interface are served.
    pub http: SocketAddr,
    /// Where samples come in.
    pub stream: Option<SocketAddr>,
    /// Where samples come in, too.
    pub stream_unix: Option<PathBuf>,
    /// What whoever is not on this machine must know.
    pub token: Option<String>,
    /// What is heard, for the page.
    pub source: &'a str,
    /// Whether the analysis comes before everything else on the machine.
    pub real_time: bool,
}

/// Streams as the session's record has them.
#[derive(Default)]
struct Streams {
    start_utc: Option<jiff::Timestamp>,
    names: Vec<String>,
    counts: Counts,
}

/// Where the recorder listens; gives it back when the source ends.
struct Tee {
    recorder: Option<Recorder>,
    back: crossbeam_channel::Sender<Recorder>,
}

impl Tee {
    fn take(&mut self, input: &Input) {
        if let Some(recorder) = &mut self.recorder {
            recorder.take(input);
        }
    }
}

impl Drop for Tee {
    fn drop(&mut self) {
        if let Some(recorder) = self.recorder.take() {
            // The line has room for the one there is.
            self.back.try_send(recorder).ok();
        }
    }
}

/// Shows first, then keeps. A folder that cannot be written any more does not end the analysis.
struct Keeper {
    hub: Arc<Hub>,
    table: Table,
    folder: Option<Folder>,
    recorded: Option<Recorded>,
    acts: mpsc::Sender<Act>,
    failed: Option<FolderError>,
}

impl Sink for Keeper {
    type Error = std::convert::Infallible;

    fn take(&mut self, judged: &Judged) -> Result<(), Self::Error> {
        self.hub.publish(judged);
        self.table.take(judged)?;
        let Some(folder) = &mut self.folder else { return Ok(()) };
        if let Err(error) = folder.take(judged) {
            say(&format!("simmer: {error}; the session is no longer kept, the analysis goes on"));
            self.hub.folder(None, Some(error.to_string()));
            // With a full line the page still says it.
            self.acts.try_send(Act::NotRecorded(error.to_string())).ok();
            self.failed = Some(error);
            self.folder = None;
        }
        Ok(())
    }
}

type Analysed =
    (Result<Finished, RunError<std::convert::Infallible, std::convert::Infallible>>, Keeper);

/// A running monitor.
pub struct Live {
    /// What the page shows.
    pub hub: Arc<Hub>,
    /// Where people's acts go in.
    pub desk: Desk,
    /// Where the page is.
    pub http: SocketAddr,
    /// Where samples come in over TCP.
    pub stream: Option<SocketAddr>,
    /// Frames that came in.
    pub frames: watch::Receiver<u64>,
    streams: Arc<Mutex<Streams>>,
    carrying: tokio::task::JoinHandle<Counts>,
    serving: tokio::task::JoinHandle<std::io::Result<()>>,
    analysed: oneshot::Receiver<Analysed>,
    stop_stream: CancellationToken,
    stop_page: CancellationToken,
    /// Cancelled when the analysis has ended, which by itself it does only at a fault.
    pub fallen: CancellationToken,
    unix: Option<PathBuf>,
}

/// What a monitor leaves.
pub struct Left {
    /// The session and its account.
    pub finished: Finished,
    /// Drive by drive, what was heard.
    pub table: Table,
    /// Where the session is kept.
    pub folder: Option<PathBuf>,
    /// Whether it could not be kept to the end.
    pub failed: bool,
}

async fn listen(address: SocketAddr, what: &str) -> Result<(TcpListener, SocketAddr), Failure> {
    let fault = |error: std::io::Error| {
        Failure::new(RUNNING, format!("{address}: cannot listen for {what}: {error}"))
    };
    let listener = TcpListener::bind(address).await.map_err(fault)?;
    let address = listener.local_addr().map_err(fault)?;
    Ok((listener, address))
}

#[cfg(unix)]
async fn listen_unix(path: &Path) -> Result<tokio::net::UnixListener, Failure> {
    let fault = |error: std::io::Error| {
        Failure::new(RUNNING, format!("{}: cannot listen for samples: {error}", path.display()))
    };
    // The socket of a monitor that was killed is in the way; one that is in use answers.
    if tokio::net::UnixStream::connect(path).await.is_ok() {
        return Err(fault(std::io::ErrorKind::AddrInUse.into()));
    }
    use std::os::unix::fs::FileTypeExt as _;
    if std::fs::symlink_metadata(path).is_ok_and(|entry| entry.file_type().is_socket()) {
        std::fs::remove_file(path).map_err(fault)?;
    }
    tokio::net::UnixListener::bind(path).map_err(fault)
}

impl Live {
    /// Starts everything; samples are taken and the page is served when this returns.
    ///
    /// # Errors
    /// An address that cannot be listened on, a folder that cannot be made.
    pub async fn start(setup: Setup<'_>) -> Result<Self, Failure> {
        let settings = &setup.prepared.loaded.settings;
        let (page, http) = listen(setup.http, "the page").await?;
        let mut listeners = Listeners::default();
        let mut stream = None;
        if let Some(address) = setup.stream {
            let (listener, address) = listen(address, "samples").await?;
            (listeners.tcp, stream) = (Some(listener), Some(address));
        }
        #[cfg(unix)]
        if let Some(path) = &setup.stream_unix {
            listeners.unix = Some(listen_unix(path).await?);
        }
        let kept = settings.serve.as_ref().and_then(|serve| serve.spectra_kept_bytes);
        let facts = Facts::new(&setup.prepared.plan, settings, setup.source, true);
        let baseline = setup.baseline.as_ref().map(|(baseline, _)| baseline);
        let hub = Hub::new(facts, baseline, kept.unwrap_or(SPECTRA_KEPT_BYTES));
        let folder = folder(&setup)?;
        hub.folder(setup.out, None);
        let (acts_in, acts) = mpsc::channel(ACTS_LINE);
        if let Some(limits) = setup.limits.clone() {
            // The line is empty and has room.
            acts_in.try_send(limits).ok();
        }
        let desk = Desk::new(acts_in.clone());
        let fallen = CancellationToken::new();
        let recorder = recorder(&setup, &acts_in)?;
        let (inputs, buffers, analysed) =
            analyse(&setup, &hub, (folder, recorder), acts_in, fallen.clone()).await?;
        let (stop_stream, stop_page) = (CancellationToken::new(), CancellationToken::new());
        let streams = Arc::new(Mutex::new(Streams::default()));
        let (frames_in, frames) = watch::channel(0);
        let carrying = tokio::spawn(socket::run(
            listeners,
            Socket {
                link: link(&setup),
                inputs,
                acts,
                buffers: Arc::new(move || buffers.next()),
                tell: told(&hub, &streams, frames_in),
                overdue_after: Duration::from_secs_f64(
                    settings.drive.missing_after_periods / settings.drive.repetition_hz,
                ),
                stop: stop_stream.clone(),
            },
        ));
        let guard = Guard::new(http, setup.token.clone());
        let routes = router(Arc::clone(&hub), desk.clone(), setup.web, guard, stop_page.clone());
        let serving = tokio::spawn(serve(page, routes, stop_page.clone()));
        let unix = setup.stream_unix;
        let live = Self {
            hub,
            desk,
            http,
            stream,
            frames,
            streams,
            carrying,
            serving,
            analysed,
            stop_stream,
            stop_page,
            fallen,
            unix,
        };
        Ok(live)
    }

    /// Stops: samples first, then what is under way, the folder, the page.
    ///
    /// # Errors
    /// When the analysis failed, or the folder cannot be finished.
    pub async fn stop(self) -> Result<Left, Failure> {
        self.stop_stream.cancel();
        let carried = self.carrying.await;
        let analysed = self.analysed.await;
        self.hub.stopped();
        self.stop_page.cancel();
        match self.serving.await {
            Ok(Ok(())) => {}
            Ok(Err(error)) => say(&format!("simmer: page: {error}")),
            Err(error) => say(&format!("simmer: page: {error}")),
        }
        if let Some(path) = &self.unix {
            // Somebody may have removed it.
            std::fs::remove_file(path).ok();
        }
        if carried.is_err() {
            return Err(Failure::new(RUNNING, "a thread of the socket panicked"));
        }
        let (outcome, keeper) =
            analysed.map_err(|_| Failure::new(RUNNING, "the analysis ended without a word"))?;
        let Keeper { table, folder, recorded, failed, .. } = keeper;
        let finished = outcome?;
        let recording_failed = recorded.as_ref().is_some_and(|recorded| recorded.stopped.is_some());
        let folder = match folder {
            None => None,
            Some(mut folder) => {
                let streams = self.streams.lock().unwrap_or_else(PoisonError::into_inner);
                folder.note_streams(streams.start_utc, &streams.names, streams.counts);
                folder.note_recording(recorded);
                Some(folder.finish(finished.account)?)
            }
        };
        Ok(Left { finished, table, folder, failed: failed.is_some() || recording_failed })
    }
}

fn folder(setup: &Setup<'_>) -> Result<Option<Folder>, Failure> {
    let Some(out) = setup.out else { return Ok(None) };
    let file = setup.baseline.as_ref().map(|(_, path)| path.as_path());
    let head: Head = setup.prepared.head(&[], file)?;
    Ok(Some(Folder::create(out, head, &setup.prepared.plan, setup.spectra, true)?))
}

/// The recorder of raw samples, where the configuration asks for one and there is a folder.
fn recorder(setup: &Setup<'_>, acts: &mpsc::Sender<Act>) -> Result<Option<Recorder>, Failure> {
    let record = setup.prepared.loaded.settings.record.filter(|record| record.raw);
    let (Some(record), Some(out)) = (record, setup.out) else { return Ok(None) };
    let spec =
        RecordSpec { rotate_bytes: record.rotate_bytes, keep_free_bytes: record.keep_free_bytes };
    let acts = acts.clone();
    let tell = move |told: recorder::Told| {
        let act = match told {
            recorder::Told::Gap(text) => Act::Gap(text),
            recorder::Told::Stopped(why) => Act::NotRecorded(why),
        };
        if let Act::Gap(text) | Act::NotRecorded(text) = &act {
            say(&format!("simmer: {text}"));
        }
        // With a full line it has at least been said.
        acts.try_send(act).ok();
    };
    let volts = &setup.prepared.plan.spec.receive.volts_per_count;
    Ok(Some(Recorder::start(out, volts, spec, Arc::new(tell))?))
}

fn link(setup: &Setup<'_>) -> Link {
    let drive = &setup.prepared.loaded.settings.drive;
    let period = Duration::from_secs_f64(1.0 / drive.repetition_hz);
    let terms = Terms {
        max_payload_bytes: MAX_PAYLOAD_BYTES,
        keepalive: KEEPALIVE,
        resume: RESUME,
        pulse: PULSE.max(period * 2),
        gate_end_samples: None,
    };
    let expectation = setup.prepared.expectation();
    Link::new(terms, expectation).with_token(setup.token.clone())
}

/// Starts the analysis on a thread of its own.
async fn analyse(
    setup: &Setup<'_>,
    hub: &Arc<Hub>,
    (folder, mut recorder): (Option<Folder>, Option<Recorder>),
    acts: mpsc::Sender<Act>,
    fallen: CancellationToken,
) -> Result<(mpsc::Sender<Input>, Buffers, oneshot::Receiver<Analysed>), Failure> {
    let settings = &setup.prepared.loaded.settings;
    let plan = Arc::clone(&setup.prepared.plan);
    let baseline = setup.baseline.as_ref().map(|(baseline, _)| baseline.clone());
    let session = Session::new(&plan, &settings.detect, &settings.alarms, baseline);
    let (inputs, mut input) = mpsc::channel(INPUT_LINE);
    let (buffers_in, buffers) = oneshot::channel();
    let (analysed_in, analysed) = oneshot::channel();
    let mut keeper = Keeper {
        hub: Arc::clone(hub),
        table: Table::quiet(),
        folder,
        recorded: None,
        acts,
        failed: None,
    };
    let (workers, real_time) = (setup.workers, setup.real_time);
    let thread = move || {
        // The analysis' own threads inherit it.
        let warnings = if real_time { realtime::take() } else { Vec::new() };
        warnings.iter().for_each(|warning| say(&format!("warning: {warning}")));
        let (recorder_in, recorder_out) = crossbeam_channel::bounded(1);
        let source = |buffers: Buffers| {
            buffers_in.send(buffers).ok();
            let mut tee = Tee { recorder: recorder.take(), back: recorder_in };
            Ok(std::iter::from_fn(move || {
                let input = input.blocking_recv();
                input.inspect(|input| tee.take(input))
            })
            .map(Ok))
        };
        let outcome = run(&plan, session, workers, source, &mut keeper);
        // The source has gone, and with it the recorder's near end came back.
        keeper.recorded = recorder_out.try_recv().ok().map(Recorder::finish);
        let _fallen = fallen.drop_guard();
        // Whoever waited has gone.
        analysed_in.send((outcome, keeper)).ok();
    };
    std::thread::Builder::new()
        .name("analysis".to_owned())
        .spawn(thread)
        .map_err(|error| Failure::new(RUNNING, format!("no thread for the analysis: {error}")))?;
    let buffers = buffers.await.map_err(|_| Failure::new(RUNNING, "the analysis did not start"))?;
    Ok((inputs, buffers, analysed))
}

/// What the socket tells: to the page, and for the record.
fn told(
    hub: &Arc<Hub>,
    streams: &Arc<Mutex<Streams>>,
    frames: watch::Sender<u64>,
) -> Box<dyn FnMut(Told<'_>) + Send> {
    let (hub, streams) = (Arc::clone(hub), Arc::clone(streams));
    Box::new(move |told| {
        let mut streams = streams.lock().unwrap_or_else(PoisonError::into_inner);
        match told {
            Told::Up { peer, hello } => {
                let unchecked = if hello.payload_crc { "" } else { ", payloads unchecked" };
                let name = format!("{peer}, {}{unchecked}", hello.device);
                streams.start_utc = streams.start_utc.or(hello.start_utc);
                if streams.names.len() < 1000 && streams.names.last() != Some(&name) {
                    streams.names.push(name);
                }
                hub.stream(StreamState::Up {
                    name: peer.to_owned(),
                    device: hello.device.clone(),
                    stage_from: hello.stage_from.name(),
                });
            }
            Told::Cut => hub.stream(StreamState::Cut),
            Told::Ended => hub.stream(StreamState::Ended),
            Told::Waiting => hub.stream(StreamState::Waiting),
            Told::Act(act) => hub.pending(act),
            Told::Counts(counts) => {
                streams.counts = counts;
                // Nobody may be waiting for it.
                frames.send_replace(counts.frames);
                hub.counts(StreamCounts {
                    received: counts.samples,
                    lost: counts.samples_crc + counts.samples_late + counts.samples_misplaced,
                    frames_lost: counts.frames_lost,
                    crc: counts.crc,
                    late: counts.late,
                    duplicates: counts.duplicates,
                    unfinished: counts.unfinished,
                });
            }
        }
    })
}

/// The page of a replay: it shows what is judged and takes no acts.
pub struct Page {
    /// What it shows.
    pub hub: Arc<Hub>,
    stop: CancellationToken,
    runtime: tokio::runtime::Runtime,
    serving: tokio::task::JoinHandle<std::io::Result<()>>,
}

impl Page {
    /// Serves it and says where.
    ///
    /// # Errors
    /// An address that cannot be listened on.
    pub fn start(prepared: &Prepared, address: Option<SocketAddr>) -> Result<Self, Failure> {
        let settings = &prepared.loaded.settings;
        let written = settings.serve.clone().unwrap_or_default();
        let token = written.token_file.as_ref().map(|path| token(path)).transpose()?;
        let address = address.or(written.http).unwrap_or(HTTP);
        check_open(&[Some(address)], token.as_ref())?;
        let runtime = runtime()?;
        let (listener, http) = runtime.block_on(listen(address, "the page"))?;
        let facts = Facts::new(&prepared.plan, settings, "a replay of recordings", false);
        let kept = written.spectra_kept_bytes.unwrap_or(SPECTRA_KEPT_BYTES);
        let hub = Hub::new(facts, None, kept);
        let stop = CancellationToken::new();
        // Nobody takes acts: what is asked is refused.
        let (acts, _) = mpsc::channel(1);
        let guard = Guard::new(http, token);
        let routes = router(Arc::clone(&hub), Desk::new(acts), Web::Embedded, guard, stop.clone());
        let serving = runtime.spawn(serve(listener, routes, stop.clone()));
        say(&format!("page on http://{http}/"));
        Ok(Self { hub, stop, runtime, serving })
    }

    /// Ends it.
    pub fn stop(self) {
        self.hub.stopped();
        self.stop.cancel();
        if let Ok(Err(error)) = self.runtime.block_on(self.serving) {
            say(&format!("simmer: page: {error}"));
        }
    }
}
