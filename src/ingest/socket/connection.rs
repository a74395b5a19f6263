//! One connection: bytes in through the decoder, lines out through a bounded voice.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncReadExt as _, AsyncWrite, AsyncWriteExt as _};
use tokio::net::TcpListener;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc, oneshot};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use super::super::wire::{
    ConnectionId, Decoder, DecoderEvent, ErrorCode, HELLO_WITHIN, Hello, Peer, Refusal, Reply,
    UNREAD_LIMIT_BYTES, hello_overdue,
};
use super::Arrival;

/// Bytes read at a time before the hello was taken.
const HELLO_BYTES: usize = 16 << 10;

/// Bytes read at a time.
const READ_BYTES: usize = 256 << 10;

/// Lines that wait to be written; each is shorter than a kilobyte.
const MOST_LINES: usize = 4096;

/// A connection whose frame is still coming says this often that it is alive.
const ALIVE_EVERY: Duration = Duration::from_millis(200);

/// How long a closing connection gets to write its last lines and to be read by its peer.
const LINGER: Duration = Duration::from_secs(1);

/// Pause after the system could not give a connection, such as for want of file descriptors.
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// What every connection needs.
#[derive(Clone)]
pub(super) struct Door {
    pub(super) arrivals: mpsc::Sender<Arrival>,
    pub(super) buffers: Arc<dyn Fn() -> Vec<u8> + Send + Sync>,
    pub(super) room: Arc<Semaphore>,
    pub(super) stop: CancellationToken,
}

/// What the monitor says over a connection.
#[derive(Debug, Clone)]
pub(super) struct Voice {
    lines: mpsc::Sender<String>,
    unread: Arc<AtomicUsize>,
    close: CancellationToken,
    closed: CancellationToken,
}

impl Voice {
    /// Says a line; false when the peer has left too much unread.
    pub(super) fn say(&self, line: &str) -> bool {
        let bytes = line.len();
        let before = self.unread.fetch_add(bytes, Ordering::Relaxed);
        before + bytes <= UNREAD_LIMIT_BYTES && self.lines.try_send(line.to_owned()).is_ok()
    }

    /// Says a last line, however much is unread, and closes.
    pub(super) fn farewell(&self, line: &str) {
        // Without room even for this the peer does without.
        self.lines.try_send(line.to_owned()).ok();
        self.unread.fetch_add(line.len(), Ordering::Relaxed);
        self.close();
    }

    /// Closes the connection after what was said.
    pub(super) fn close(&self) {
        self.close.cancel();
    }

    /// Closes and waits until the connection is closed, at most [`LINGER`] twice.
    pub(super) async fn closed(self) {
        self.close();
        // A peer that does not read in time loses its last lines.
        tokio::time::timeout(LINGER * 2, self.closed.cancelled()).await.ok();
    }
}

pub(super) async fn accept_tcp(listener: TcpListener, door: Door) {
    loop {
        match listener.accept().await {
            Ok((stream, address)) => {
                // Acks are small and wanted soon.
                stream.set_nodelay(true).ok();
                let local = address.ip().to_canonical().is_loopback();
                let peer = Peer { name: address.to_string(), local };
                let (read, write) = stream.into_split();
                door.admit(read, write, peer);
            }
            Err(error) => pause(&error).await,
        }
    }
}

#[cfg(unix)]
pub(super) async fn accept_unix(listener: tokio::net::UnixListener, door: Door) {
    loop {
        match listener.accept().await {
            Ok((stream, _)) => {
                let (read, write) = stream.into_split();
                door.admit(read, write, Peer { name: "unix socket".to_owned(), local: true });
            }
            Err(error) => pause(&error).await,
        }
    }
}

async fn pause(error: &std::io::Error) {
    tracing::warn!(%error, "a connection could not be taken");
    tokio::time::sleep(ACCEPT_PAUSE).await;
}

impl Door {
    fn admit<R, W>(&self, read: R, write: W, peer: Peer)
    where
        R: AsyncRead + Unpin + Send + 'static,
        W: AsyncWrite + Unpin + Send + 'static,
    {
        // Beyond the bound a connection is closed without a word: words would take room as well.
        let Ok(permit) = Arc::clone(&self.room).try_acquire_owned() else {
            tracing::warn!(peer = peer.name, "too many connections");
            return;
        };
        let (lines, said) = mpsc::channel(MOST_LINES);
        let voice = Voice {
            lines,
            unread: Arc::default(),
            close: self.stop.child_token(),
            closed: CancellationToken::new(),
        };
        tokio::spawn(write_lines(write, said, voice.clone()));
        tokio::spawn(self.clone().read(read, peer, voice, permit));
    }

    async fn read(
        self,
        mut read: impl AsyncRead + Unpin,
        peer: Peer,
        voice: Voice,
        permit: OwnedSemaphorePermit,
    ) {
        let mut ear =
            Ear { decoder: Decoder::new(), bytes: vec![0; HELLO_BYTES], connection: None };
        let name = peer.name.clone();
        let outcome = tokio::select! {
            () = voice.close.cancelled() => Outcome::Closed,
            outcome = ear.listen(&mut read, &self, &peer, &voice) => outcome,
        };
        match (outcome, ear.connection) {
            (Outcome::Closed, _) | (Outcome::Ended, None) => {}
            (Outcome::Ended, Some(connection)) => self.send(Arrival::Cut(connection)).await,
            (Outcome::Fault(refusal), Some(connection)) => {
                self.send(Arrival::Fault(connection, refusal)).await;
            }
            (Outcome::Fault(refusal), None) => {
                tracing::warn!(peer = name, detail = refusal.detail, "no hello");
                voice.say(&Reply::Refused(refusal).to_line());
                voice.close();
            }
        }
        voice.close.cancelled().await;
        // What is still unread would make the system take the last lines back from the peer.
        let mut bytes = vec![0; HELLO_BYTES];
        let drain = async { while read.read(&mut bytes).await.is_ok_and(|n| n > 0) {} };
        tokio::time::timeout(LINGER, drain).await.ok();
        drop(permit);
    }

    async fn send(&self, arrival: Arrival) {
        // Without a driver the monitor has stopped.
        self.arrivals.send(arrival).await.ok();
    }
}

enum Outcome {
    /// The driver closed the connection.
    Closed,
    /// The peer did, or the network.
    Ended,
    /// The peer broke the protocol.
    Fault(Refusal),
}

struct Ear {
    decoder: Decoder,
    bytes: Vec<u8>,
    connection: Option<ConnectionId>,
}

impl Ear {
    async fn listen(
        &mut self,
        read: &mut (impl AsyncRead + Unpin),
        door: &Door,
        peer: &Peer,
        voice: &Voice,
    ) -> Outcome {
        let connected = Instant::now();
        let mut alive = connected;
        loop {
            let wait = match self.connection {
                None => connected + HELLO_WITHIN,
                Some(_) => Instant::now() + Duration::from_secs(3600),
            };
            let count = match tokio::time::timeout_at(wait, read.read(&mut self.bytes)).await {
                Ok(Ok(0) | Err(_)) => return self.ended(voice),
                Ok(Ok(count)) => count,
                Err(_) => match hello_overdue(Duration::ZERO, connected.elapsed()) {
                    Some(refusal) if self.connection.is_none() => return Outcome::Fault(refusal),
                    _ => continue,
                },
            };
            let bytes = std::mem::take(&mut self.bytes);
            let result = self.take(&bytes[..count], door, peer, voice).await;
            self.bytes = bytes;
            if self.connection.is_some() {
                self.bytes.resize(READ_BYTES, 0);
            }
            match result {
                Err(outcome) => return outcome,
                Ok(frames) if frames == 0 && alive.elapsed() >= ALIVE_EVERY => {
                    alive = Instant::now();
                    if let Some(connection) = self.connection {
                        door.send(Arrival::Bytes(connection)).await;
                    }
                }
                Ok(_) => {}
            }
        }
    }

    /// The peer has gone. One that never said hello needs no farewell.
    fn ended(&self, voice: &Voice) -> Outcome {
        if self.connection.is_none() {
            voice.close();
        }
        Outcome::Ended
    }

    /// Takes bytes; the number of frames that became whole.
    async fn take(
        &mut self,
        mut bytes: &[u8],
        door: &Door,
        peer: &Peer,
        voice: &Voice,
    ) -> Result<usize, Outcome> {
        let mut frames = 0;
        loop {
            let event = self.decoder.step(&mut bytes, &mut || (door.buffers)());
            match event.map_err(Outcome::Fault)? {
                None => return Ok(frames),
                Some(DecoderEvent::Hello { hello, unknown_keys }) => {
                    if !unknown_keys.is_empty() {
                        let keys = unknown_keys.join(", ");
                        tracing::info!(peer = peer.name, keys, "hello has keys that are not used");
                    }
                    self.greet(hello, door, peer, voice).await?;
                }
                Some(DecoderEvent::Frame(arrived)) => {
                    frames += 1;
                    if let Some(connection) = self.connection {
                        door.send(Arrival::Frame(connection, Box::new(arrived))).await;
                    }
                }
            }
        }
    }

    async fn greet(
        &mut self,
        hello: Box<Hello>,
        door: &Door,
        peer: &Peer,
        voice: &Voice,
    ) -> Result<(), Outcome> {
        let (accepted, answer) = oneshot::channel();
        let (peer, voice) = (peer.clone(), voice.clone());
        door.send(Arrival::Hello { hello, peer, voice, accepted }).await;
        match answer.await {
            Ok(Some(taken)) => {
                self.decoder.start(taken.layout);
                self.connection = Some(taken.connection);
                Ok(())
            }
            // Refused and told so.
            Ok(None) => Err(Outcome::Closed),
            Err(_) => {
                let detail = "the monitor is stopping";
                Err(Outcome::Fault(Refusal::new(ErrorCode::Stopping, detail)))
            }
        }
    }
}

/// Writes lines until the voice is closed and everything said is written.
async fn write_lines(
    mut write: impl AsyncWrite + Unpin,
    mut lines: mpsc::Receiver<String>,
    voice: Voice,
) {
    let Voice { unread, close, closed, .. } = voice;
    loop {
        let line = tokio::select! {
            biased;
            line = lines.recv() => line,
            () = close.cancelled() => None,
        };
        let Some(line) = line else { break };
        let written = tokio::select! {
            written = write.write_all(line.as_bytes()) => written.is_ok(),
            () = async { close.cancelled().await; tokio::time::sleep(LINGER).await } => false,
        };
        unread.fetch_sub(line.len(), Ordering::Relaxed);
        if !written {
            break;
        }
    }
    // The peer may have gone first.
    tokio::time::timeout(LINGER, write.shutdown()).await.ok();
    closed.cancel();
}

#[cfg(test)]
impl Voice {
    pub(super) fn for_test(lines: mpsc::Sender<String>) -> Self {
        let (close, closed) = (CancellationToken::new(), CancellationToken::new());
        Self { lines, unread: Arc::default(), close, closed }
    }
}
