//! The socket: connections, clock and queues around the pure [`Link`].
//!
//! One task owns the link; each connection has a task that reads and decodes and one that writes.
//! Frames and people's acts meet here in one order and go to the engine over one bounded line. While
//! that line is full nothing more is read, so that a sender which is too fast waits in its own
//! socket. Nothing is dropped here.

mod connection;
mod numbers;
mod overdue;
mod remarks;
#[cfg(test)]
mod tests;

use std::collections::{HashMap, VecDeque};
use std::sync::Arc;
use std::time::Duration;

use tokio::net::TcpListener;
use tokio::sync::{Semaphore, mpsc, oneshot};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use super::wire::{
    Accepted, Arrived, ConnectionId, Counts, ErrorCode, Hello, Link, Message, Notice, Peer,
    Refusal, Reply, StageFrom, Step,
};
use crate::detect::{Act, By, Mark, Stage};
use crate::engine::Input;
use connection::Voice;
use numbers::Numbers;
use overdue::Overdue;
use remarks::Remarks;

/// Connections at a time, whether or not they have said hello.
const MOST_CONNECTIONS: usize = 256;

/// Frames between the connections and the link.
const ARRIVALS_LINE: usize = 8;

/// Acts that wait in front of the link while the engine is busy.
const MOST_QUEUED: usize = 256;

/// How long the engine gets to take what is queued when the monitor stops.
const DRAIN: Duration = Duration::from_secs(3);

/// How often counts are told while frames come.
const TELL_EVERY: Duration = Duration::from_millis(100);

/// What the way in tells the rest of the daemon.
#[derive(Debug, Clone, PartialEq)]
pub enum Told<'a> {
    /// A stream is up, for the first time or again.
    Up {
        /// Who sends.
        peer: &'a str,
        /// What the sender says of itself.
        hello: &'a Hello,
    },
    /// The link is cut; the stream may be resumed.
    Cut,
    /// The stream ended as its sender meant it to.
    Ended,
    /// No stream is there.
    Waiting,
    /// What came in so far.
    Counts(Counts),
    /// What the sender did; it holds from the next pulse on.
    Act(&'a Act),
}

/// Where samples can come from.
#[derive(Debug, Default)]
pub struct Listeners {
    /// TCP.
    pub tcp: Option<TcpListener>,
    /// Unix stream socket.
    #[cfg(unix)]
    pub unix: Option<tokio::net::UnixListener>,
}

/// Everything around the link.
pub struct Socket {
    /// The link.
    pub link: Link,
    /// To the engine.
    pub inputs: mpsc::Sender<Input>,
    /// People's acts.
    pub acts: mpsc::Receiver<Act>,
    /// Buffers for payloads.
    pub buffers: Arc<dyn Fn() -> Vec<u8> + Send + Sync>,
    /// Told of what changes.
    pub tell: Box<dyn FnMut(Told<'_>) + Send>,
    /// The next pulse is overdue this long after the last began.
    pub overdue_after: Duration,
    /// Ends everything.
    pub stop: CancellationToken,
}

/// What a connection brings.
enum Arrival {
    Hello {
        hello: Box<Hello>,
        peer: Peer,
        voice: Voice,
        accepted: oneshot::Sender<Option<Accepted>>,
    },
    Frame(ConnectionId, Box<Arrived>),
    Bytes(ConnectionId),
    Fault(ConnectionId, Refusal),
    Cut(ConnectionId),
}

/// Listens and carries until the token is cancelled or the engine has gone; the link's last counts.
pub async fn run(listeners: Listeners, socket: Socket) -> Counts {
    let (arrivals_in, arrivals) = mpsc::channel(ARRIVALS_LINE);
    let room = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    let stop = socket.stop.clone();
    // Connections end after the driver: it still has something to say to them.
    let doors = CancellationToken::new();
    let start = Instant::now();
    let door = connection::Door {
        arrivals: arrivals_in,
        buffers: Arc::clone(&socket.buffers),
        room,
        stop: doors.clone(),
    };
    let mut accepting = tokio::task::JoinSet::new();
    if let Some(tcp) = listeners.tcp {
        accepting.spawn(connection::accept_tcp(tcp, door.clone()));
    }
    #[cfg(unix)]
    if let Some(unix) = listeners.unix {
        accepting.spawn(connection::accept_unix(unix, door.clone()));
    }
    drop(door);
    let Socket { link, inputs, acts, tell, overdue_after, .. } = socket;
    let driver = Driver {
        start,
        link,
        steps: Vec::new(),
        queue: VecDeque::new(),
        voices: HashMap::new(),
        numbers: Numbers::default(),
        overdue: Overdue::new(overdue_after),
        remarks: Remarks::default(),
        operator_stage: Stage::Noise,
        tell,
        told: Duration::ZERO,
        peer: String::new(),
    };
    let counts = driver.run(inputs, acts, arrivals, &stop).await;
    doors.cancel();
    accepting.shutdown().await;
    counts
}

struct Driver {
    start: Instant,
    link: Link,
    steps: Vec<Step>,
    queue: VecDeque<Input>,
    voices: HashMap<ConnectionId, Voice>,
    numbers: Numbers,
    overdue: Overdue,
    remarks: Remarks,
    operator_stage: Stage,
    tell: Box<dyn FnMut(Told<'_>) + Send>,
    told: Duration,
    peer: String,
}

impl Driver {
    async fn run(
        mut self,
        inputs: mpsc::Sender<Input>,
        mut acts: mpsc::Receiver<Act>,
        mut arrivals: mpsc::Receiver<Arrival>,
        stop: &CancellationToken,
    ) -> Counts {
        let mut acts_open = true;
        loop {
            self.tick();
            let due = self.start + self.due();
            tokio::select! {
                biased;
                () = stop.cancelled() => break,
                // The analysis has ended; whoever runs it says why.
                () = inputs.closed() => break,
                permit = inputs.reserve(), if !self.queue.is_empty() => match permit {
                    Ok(permit) => {
                        if let Some(input) = self.queue.pop_front() {
                            permit.send(input);
                        }
                    }
                    Err(_) => break,
                },
                act = acts.recv(), if acts_open && self.queue.len() < MOST_QUEUED => match act {
                    Some(act) => self.act(act),
                    None => acts_open = false,
                },
                Some(arrival) = arrivals.recv(), if self.queue.is_empty() => self.arrive(arrival),
                () = tokio::time::sleep_until(due) => {}
            }
        }
        self.finish(inputs, arrivals).await
    }

    /// Tells the sender, closes the open pulse and hands on what is queued.
    async fn finish(
        mut self,
        inputs: mpsc::Sender<Input>,
        mut arrivals: mpsc::Receiver<Arrival>,
    ) -> Counts {
        arrivals.close();
        let at = self.at();
        self.link.stop(at, &mut self.steps);
        self.perform();
        let queue = std::mem::take(&mut self.queue);
        let drain = async {
            for input in queue {
                if inputs.send(input).await.is_err() {
                    break;
                }
            }
        };
        if tokio::time::timeout(DRAIN, drain).await.is_err() {
            tracing::error!("the analysis did not take what had come in before the stop");
        }
        let writers = self.voices.drain().map(|(_, voice)| voice.closed());
        futures_util::future::join_all(writers).await;
        let counts = self.link.counts();
        (self.tell)(Told::Counts(counts));
        counts
    }

    fn at(&self) -> Duration {
        self.start.elapsed()
    }

    /// When something has to be done though nothing comes in.
    fn due(&self) -> Duration {
        let idle = self.at() + Duration::from_secs(3600);
        let told = (self.told > Duration::ZERO).then(|| self.told + TELL_EVERY);
        [self.link.next_tick(), self.overdue.due(), told]
            .into_iter()
            .flatten()
            .fold(idle, Duration::min)
    }

    fn tick(&mut self) {
        let at = self.at();
        if self.link.next_tick().is_some_and(|due| due <= at) {
            self.link.tick(at, &mut self.steps);
            self.perform();
        }
        if self.overdue.is_due(at) {
            self.queue.push_back(Input::Act(Act::Overdue));
        }
        if self.told > Duration::ZERO && at >= self.told + TELL_EVERY {
            self.told = Duration::ZERO;
            (self.tell)(Told::Counts(self.link.counts()));
        }
    }

    fn act(&mut self, act: Act) {
        if let Act::Stage(stage) = act {
            self.operator_stage = stage;
            let owned =
                self.link.stream().is_some_and(|hello| hello.stage_from == StageFrom::Sender);
            if owned {
                return;
            }
        }
        self.push(Input::Act(act));
    }

    /// One item for the engine, in its place.
    fn push(&mut self, input: Input) {
        if let Input::Act(act @ Act::Mark(Mark { by: By::Sender, .. })) = &input {
            (self.tell)(Told::Act(act));
        }
        self.overdue.note(&input, self.start.elapsed());
        self.queue.push_back(input);
    }

    fn arrive(&mut self, arrival: Arrival) {
        let at = self.at();
        match arrival {
            Arrival::Hello { hello, peer, voice, accepted } => {
                self.greet(at, *hello, &peer, voice, accepted);
            }
            Arrival::Frame(connection, arrived) => {
                self.link.frame(connection, at, *arrived, &mut self.steps);
                if self.told.is_zero() {
                    self.told = at.max(Duration::from_nanos(1));
                }
            }
            Arrival::Bytes(connection) => self.link.heard(connection, at),
            Arrival::Fault(connection, refusal) => {
                tracing::warn!(
                    error = refusal.error.name(),
                    detail = refusal.detail,
                    "connection at fault"
                );
                self.link.fault(connection, at, refusal, &mut self.steps);
            }
            Arrival::Cut(connection) => {
                self.link.cut(connection, at, &mut self.steps);
                if let Some(voice) = self.voices.remove(&connection) {
                    voice.close();
                }
            }
        }
        self.perform();
    }

    fn greet(
        &mut self,
        at: Duration,
        hello: Hello,
        peer: &Peer,
        voice: Voice,
        accepted: oneshot::Sender<Option<Accepted>>,
    ) {
        let known = self.link.counts().streams;
        match self.link.hello(at, hello, peer, &mut self.steps) {
            Ok(taken) => {
                // Nothing may be said to the sender before the reply.
                voice.say(&Reply::Welcome(taken.welcome).to_line());
                self.voices.insert(taken.connection, voice);
                self.peer.clone_from(&peer.name);
                if self.link.counts().streams > known {
                    self.numbers.begin();
                }
                tracing::info!(peer = peer.name, next = taken.welcome.next, "stream is up");
                if let Some(hello) = self.link.stream() {
                    (self.tell)(Told::Up { peer: &peer.name, hello });
                }
                // A connection that has gone already is noticed by its end.
                accepted.send(Some(taken)).ok();
            }
            Err(refusal) => {
                tracing::warn!(
                    peer = peer.name,
                    error = refusal.error.name(),
                    detail = refusal.detail,
                    "hello refused"
                );
                voice.say(&Reply::Refused(refusal).to_line());
                voice.close();
                accepted.send(None).ok();
            }
        }
    }

    /// Does what the link said.
    fn perform(&mut self) {
        let mut steps = std::mem::take(&mut self.steps);
        for step in steps.drain(..) {
            match step {
                Step::Input(input) => self.input(input),
                Step::Say(connection, message @ Message::Error { .. }) => {
                    if let Some(voice) = self.voices.get(&connection) {
                        voice.farewell(&message.to_line());
                    }
                }
                Step::Say(connection, message) => self.say(connection, &message.to_line()),
                Step::Close(connection) => {
                    if let Some(voice) = self.voices.remove(&connection) {
                        voice.close();
                    }
                }
                Step::Notice(notice) => self.notice(&notice),
            }
        }
        // Steps that saying something led to come after.
        steps.append(&mut self.steps);
        self.steps = steps;
        if !self.steps.is_empty() {
            self.perform();
        }
    }

    fn input(&mut self, input: Input) {
        let begins = matches!(input, Input::Begin(_));
        let (input, gap) = self.numbers.take(input);
        if let Some(text) = gap {
            self.push(Input::Act(Act::Gap(text)));
        }
        self.push(input);
        let operated =
            self.link.stream().is_some_and(|hello| hello.stage_from == StageFrom::Operator);
        if begins && operated {
            self.push(Input::Act(Act::Stage(self.operator_stage)));
        }
    }

    fn say(&mut self, connection: ConnectionId, line: &str) {
        let stalled = self.voices.get(&connection).is_some_and(|voice| !voice.say(line));
        if stalled {
            let detail = "the sender leaves what the monitor says unread";
            let refusal = Refusal::new(ErrorCode::Stalled, detail);
            let at = self.at();
            self.link.fault(connection, at, refusal, &mut self.steps);
        }
    }

    fn notice(&mut self, notice: &Notice) {
        match notice {
            Notice::Cut { .. } => (self.tell)(Told::Cut),
            Notice::Expired => (self.tell)(Told::Waiting),
            Notice::Ended(_) => {
                (self.tell)(Told::Counts(self.link.counts()));
                (self.tell)(Told::Ended);
            }
            _ => {}
        }
        let at = self.at();
        for text in self.remarks.of(notice, &self.peer, at) {
            tracing::warn!("{text}");
            self.push(Input::Act(Act::Gap(text)));
        }
    }
}
