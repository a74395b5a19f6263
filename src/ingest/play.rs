//! Plays an input stream into a monitor over its socket, as a digitiser would.
//!
//! Blocking: the caller's thread writes, one thread reads what the monitor says. A cut link is
//! resumed for as long as the monitor waits; what it has not accounted for is sent again.

use std::io::{self, BufRead as _, BufReader, Read, Write};
use std::net::{Shutdown, TcpStream};
use std::num::NonZeroU32;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, RecvTimeoutError, bounded};

use super::wire::{Heard, Hello, Refusal, SendError, Sender, Totals};
use crate::detect::{Act, Mark};
use crate::engine::{Frame, Input, PulseTag, device_time};

/// Frames that are kept until the monitor has accounted for them, bytes.
const MOST_KEPT_BYTES: usize = 64 << 20;

/// Lines of the monitor that wait to be looked at.
const LINES: usize = 1024;

/// How long the monitor may take to answer.
const PATIENCE: Duration = Duration::from_secs(30);

/// Something is said at least this often; the protocol asks for every 2 s.
const KEEPALIVE: Duration = Duration::from_millis(900);

/// Pause between two attempts to connect again.
const AGAIN: Duration = Duration::from_millis(200);

/// Longest line of a monitor that is read, bytes.
const MOST_LINE_BYTES: u64 = 64 << 10;

/// Where a monitor listens.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Address {
    /// Host and port.
    Tcp(String),
    /// Unix stream socket.
    Unix(PathBuf),
}

impl std::fmt::Display for Address {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Tcp(address) => f.write_str(address),
            Self::Unix(path) => write!(f, "unix:{}", path.display()),
        }
    }
}

/// How fast pulses follow each other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pace {
    /// This many times as fast as device time.
    Times(f64),
    /// As fast as the monitor takes them.
    Max,
}

impl std::str::FromStr for Pace {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        if text == "max" {
            return Ok(Self::Max);
        }
        let factor = text.parse().ok().filter(|f: &f64| (1e-3..=1e6).contains(f));
        factor
            .map(Self::Times)
            .ok_or_else(|| "must be a factor from 0.001 to 1e6, or max".to_owned())
    }
}

/// When pulses are due at a pace, counted from the first that is asked about.
#[derive(Debug)]
pub struct Pacer {
    pace: Pace,
    begun: Option<(Instant, u64)>,
}

impl Pacer {
    /// Nothing has begun.
    #[must_use]
    pub const fn new(pace: Pace) -> Self {
        Self { pace, begun: None }
    }

    /// When a pulse is due; nothing where nobody waits. Without a time of its own it has its sample's.
    pub fn due(&mut self, tag: &PulseTag, rate_hz: f64) -> Option<Instant> {
        let Pace::Times(factor) = self.pace else { return None };
        let time = tag.time.or_else(|| device_time(tag.first, rate_hz))?;
        let (begun, first) = *self.begun.get_or_insert((Instant::now(), time.0));
        Some(begun + Duration::from_nanos(time.0.saturating_sub(first)).div_f64(factor))
    }
}

/// What is played, and how.
#[derive(Debug, Clone)]
pub struct Play {
    /// Where to.
    pub to: Address,
    /// What the stream is.
    pub hello: Hello,
    /// How fast.
    pub pace: Pace,
    /// Sample sets in a frame.
    pub frame_samples: NonZeroU32,
    /// Bytes written at a time, at least 1.
    pub write_bytes: usize,
}

/// What came of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Played {
    /// The monitor's totals.
    pub totals: Totals,
    /// Times the link was cut and resumed.
    pub resumes: u64,
}

/// Why a stream could not be played to its end.
#[derive(Debug, thiserror::Error)]
pub enum PlayError<E> {
    /// The source failed.
    #[error("{0}")]
    Source(E),
    /// No connection.
    #[error("{to}: cannot connect: {error}")]
    Connect {
        /// Where to.
        to: String,
        /// Why.
        error: io::Error,
    },
    /// The monitor does not take the stream.
    #[error("{to}: refused: {}: {}", refusal.error.name(), refusal.detail)]
    Refused {
        /// Where to.
        to: String,
        /// Why.
        refusal: Refusal,
    },
    /// What the monitor says is not the protocol.
    #[error("{to}: not a monitor: {}", refusal.detail)]
    Strange {
        /// Where to.
        to: String,
        /// What is wrong.
        refusal: Refusal,
    },
    /// The monitor does not answer.
    #[error("{to}: no answer within {} s", PATIENCE.as_secs())]
    Silent {
        /// Where to.
        to: String,
    },
    /// A pulse that frames cannot carry.
    #[error("{0}")]
    Send(#[from] SendError),
}

/// One connection: the writing half, and the lines read from the other.
struct Wire {
    out: Box<dyn Half>,
    lines: Receiver<Vec<u8>>,
    wrote: Instant,
}

trait Half: Write + Send {
    /// Ends the connection for the reading thread, too.
    fn end(&self);
}

impl Half for TcpStream {
    fn end(&self) {
        // It may be gone already.
        self.shutdown(Shutdown::Both).ok();
    }
}

#[cfg(unix)]
impl Half for std::os::unix::net::UnixStream {
    fn end(&self) {
        self.shutdown(Shutdown::Both).ok();
    }
}

impl Drop for Wire {
    fn drop(&mut self) {
        self.out.end();
    }
}

fn read_lines(stream: impl Read + Send + 'static) -> Receiver<Vec<u8>> {
    let (lines_in, lines) = bounded(LINES);
    std::thread::spawn(move || {
        let mut reader = BufReader::new(stream);
        loop {
            let mut line = Vec::new();
            match (&mut reader).take(MOST_LINE_BYTES).read_until(b'\n', &mut line) {
                Ok(0) | Err(_) => break,
                Ok(_) if lines_in.send(line).is_err() => break,
                Ok(_) => {}
            }
        }
    });
    lines
}

fn connect(to: &Address) -> io::Result<Wire> {
    let (out, lines): (Box<dyn Half>, _) = match to {
        Address::Tcp(address) => {
            let stream = TcpStream::connect(address)?;
            stream.set_nodelay(true)?;
            let lines = read_lines(stream.try_clone()?);
            (Box::new(stream), lines)
        }
        #[cfg(unix)]
        Address::Unix(path) => {
            let stream = std::os::unix::net::UnixStream::connect(path)?;
            let lines = read_lines(stream.try_clone()?);
            (Box::new(stream), lines)
        }
        #[cfg(not(unix))]
        Address::Unix(_) => {
            let why = "this system has no unix sockets";
            return Err(io::Error::new(io::ErrorKind::Unsupported, why));
        }
    };
    Ok(Wire { out, lines, wrote: Instant::now() })
}

/// Plays the items of one stream, without its head, up to the end of `inputs`.
///
/// `acts` is shown each act in its place, with the number of frames written before it; what frames
/// can carry is sent as well.
///
/// # Errors
/// What ended it early.
pub fn play<E>(
    play: &Play,
    inputs: impl Iterator<Item = Result<Input, E>>,
    acts: &mut dyn FnMut(&Act, u64),
) -> Result<Played, PlayError<E>> {
    let sender = Sender::new(play.hello.clone(), MOST_KEPT_BYTES);
    let wire =
        connect(&play.to).map_err(|error| PlayError::Connect { to: play.to.to_string(), error })?;
    let mut player = Player {
        play,
        sender,
        wire,
        pacer: Pacer::new(play.pace),
        pulse: None,
        totals: None,
        resumes: 0,
    };
    player.greet()?;
    let (mut frames, mut length) = (0, None);
    for input in inputs {
        match input.map_err(PlayError::Source)? {
            Input::Begin(stream) => length = stream.length,
            Input::Length(samples) => length = Some(samples),
            Input::Frame(frame) => {
                player.wait_for(&frame)?;
                player.sender.samples(&frame, play.frame_samples)?;
                frames += player.write()?;
            }
            Input::Act(act) => {
                acts(&act, frames);
                if let Act::Mark(Mark { kind, .. }) = &act
                    && player.sender.act(kind).is_ok()
                {
                    frames += player.write()?;
                }
            }
            Input::End => break,
        }
    }
    let totals = player.end(length.unwrap_or(0))?;
    Ok(Played { totals, resumes: player.resumes })
}

struct Player<'a> {
    play: &'a Play,
    sender: Sender,
    wire: Wire,
    pacer: Pacer,
    pulse: Option<u64>,
    totals: Option<Totals>,
    resumes: u64,
}

impl Player<'_> {
    fn to(&self) -> String {
        self.play.to.to_string()
    }

    /// Says hello over a new connection and waits for the reply.
    fn greet<E>(&mut self) -> Result<(), PlayError<E>> {
        let hello = self.sender.hello_line();
        if self.wire.out.write_all(hello.as_bytes()).is_err() {
            return self.resume();
        }
        let line = match self.wire.lines.recv_timeout(PATIENCE) {
            Ok(line) => line,
            Err(RecvTimeoutError::Timeout) => return Err(PlayError::Silent { to: self.to() }),
            Err(RecvTimeoutError::Disconnected) => return self.resume(),
        };
        match self.sender.line(&line) {
            Ok(Heard::Welcome) => Ok(()),
            Ok(Heard::Refused(refusal) | Heard::Failed(refusal)) => {
                Err(PlayError::Refused { to: self.to(), refusal })
            }
            Ok(_) => Ok(()),
            Err(refusal) => Err(PlayError::Strange { to: self.to(), refusal }),
        }
    }

    /// Connects again and goes on where the monitor is.
    fn resume<E>(&mut self) -> Result<(), PlayError<E>> {
        let begun = Instant::now();
        self.resumes += 1;
        loop {
            self.sender.cut();
            match connect(&self.play.to) {
                Ok(wire) => {
                    self.wire = wire;
                    return self.greet();
                }
                Err(error) if begun.elapsed() >= PATIENCE => {
                    return Err(PlayError::Connect { to: self.to(), error });
                }
                Err(_) => std::thread::sleep(AGAIN),
            }
        }
    }

    fn hear<E>(&mut self, line: &[u8]) -> Result<(), PlayError<E>> {
        match self.sender.line(line) {
            Ok(Heard::End(totals)) => self.totals = Some(totals),
            Ok(Heard::Failed(refusal) | Heard::Refused(refusal)) => {
                return Err(PlayError::Refused { to: self.to(), refusal });
            }
            Ok(Heard::Welcome | Heard::Acknowledged) => {}
            Err(refusal) => return Err(PlayError::Strange { to: self.to(), refusal }),
        }
        Ok(())
    }

    /// Looks at what the monitor has said.
    fn listen<E>(&mut self) -> Result<(), PlayError<E>> {
        while let Ok(line) = self.wire.lines.try_recv() {
            self.hear(&line)?;
        }
        Ok(())
    }

    /// Waits until a pulse is due, and until there is room for its frame.
    fn wait_for<E>(&mut self, frame: &Frame) -> Result<(), PlayError<E>> {
        if self.pulse != Some(frame.tag.number) {
            self.pulse = Some(frame.tag.number);
            let rate_hz = self.play.hello.sample_rate_hz;
            if let Some(due) = self.pacer.due(&frame.tag, rate_hz) {
                self.wait_until(due)?;
            }
        }
        let patience = Instant::now() + PATIENCE;
        while self.sender.room_bytes() < frame.bytes.len() && !self.sender.is_settled() {
            if Instant::now() >= patience {
                return Err(PlayError::Silent { to: self.to() });
            }
            self.wait_until(Instant::now() + Duration::from_millis(50))?;
        }
        Ok(())
    }

    /// Listens and says that the link is alive until then.
    fn wait_until<E>(&mut self, due: Instant) -> Result<(), PlayError<E>> {
        loop {
            self.keep_alive()?;
            let now = Instant::now();
            if now >= due {
                return Ok(());
            }
            match self.wire.lines.recv_timeout((due - now).min(KEEPALIVE / 2)) {
                Ok(line) => self.hear(&line)?,
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => self.resume()?,
            }
        }
    }

    fn keep_alive<E>(&mut self) -> Result<(), PlayError<E>> {
        if self.wire.wrote.elapsed() < KEEPALIVE {
            return Ok(());
        }
        let Some(bytes) = self.sender.keepalive() else { return Ok(()) };
        self.wire.wrote = Instant::now();
        if self.wire.out.write_all(&bytes).is_err() { self.lost() } else { Ok(()) }
    }

    /// A link that cannot be written: what was said last may tell why.
    fn lost<E>(&mut self) -> Result<(), PlayError<E>> {
        self.listen()?;
        self.resume()
    }

    /// Writes every frame that is due; how many there were.
    fn write<E>(&mut self) -> Result<u64, PlayError<E>> {
        let mut frames = 0;
        loop {
            self.listen()?;
            let Some(bytes) = self.sender.next_frame() else { return Ok(frames) };
            let mut chunks = bytes.chunks(self.play.write_bytes.max(1));
            let written = chunks.try_for_each(|chunk| self.wire.out.write_all(chunk)).is_ok();
            self.wire.wrote = Instant::now();
            if written {
                frames += 1;
            } else {
                self.lost()?;
            }
        }
    }

    /// Ends the stream and waits for the totals.
    fn end<E>(&mut self, samples: u64) -> Result<Totals, PlayError<E>> {
        let patience = Instant::now() + PATIENCE;
        loop {
            self.write()?;
            let Some(bytes) = self.sender.end(samples) else { continue };
            let mut alive = self.wire.out.write_all(&bytes).is_ok();
            while alive && self.totals.is_none() {
                match self.wire.lines.recv_timeout(Duration::from_millis(200)) {
                    Ok(line) => self.hear(&line)?,
                    Err(RecvTimeoutError::Timeout) if Instant::now() >= patience => {
                        return Err(PlayError::Silent { to: self.to() });
                    }
                    Err(RecvTimeoutError::Timeout) => {}
                    Err(RecvTimeoutError::Disconnected) => alive = false,
                }
            }
            match self.totals {
                Some(totals) => return Ok(totals),
                None => self.lost()?,
            }
        }
    }
}
