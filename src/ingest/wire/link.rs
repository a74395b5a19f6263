//! The monitor's side of a stream over all its connections, without sockets and clocks.
//!
//! Sequence: a frame below the one that is due is a duplicate, above it frames are lost. Time: acks
//! are due every 0.5 s or 8 MiB; after five keepalives of silence the link is cut; a cut stream
//! waits to be resumed; an open pulse waits for its next frame only while the link is up. Times are
//! [`Duration`]s on any one clock that does not run back.

use std::time::Duration;

use super::decoder::Arrived;
use super::expectation::Expectation;
use super::flags::Flags;
use super::header::{FIXED_BYTES, Header, Layout};
use super::hello::Hello;
use super::pulses::{Arrival, Pulses};
use super::reply::{ErrorCode, Message, Refusal, Totals, Welcome};
use super::step::{Counts, Notice, Step, Unfinished};
use super::terms::{Peer, Terms};
use crate::detect::MarkKind;
use crate::engine::{Act, Input, Stream};

/// Keepalives that may be missed before the link counts as cut.
const MISSED_KEEPALIVES: u32 = 5;

const ACK_EVERY: Duration = Duration::from_millis(500);

const ACK_BYTES: u64 = 8 << 20;

/// One connection of a stream; frames of a replaced one are not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ConnectionId(u64);

/// A hello that was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Accepted {
    /// The connection.
    pub connection: ConnectionId,
    /// What to reply.
    pub welcome: Welcome,
    /// For the connection's decoder.
    pub layout: Layout,
}

#[derive(Debug, Clone, Copy)]
enum Wire {
    Up { connection: ConnectionId, heard: Duration, acked: Duration, unacked_bytes: u64 },
    Cut { since: Duration },
}

#[derive(Debug)]
struct Running {
    hello: Hello,
    next: u64,
    totals: Totals,
    pulses: Pulses,
    ended: bool,
    wire: Wire,
}

/// The monitor's side; lives as long as the daemon.
#[derive(Debug)]
pub struct Link {
    terms: Terms,
    expectation: Expectation,
    token: Option<String>,
    running: Option<Running>,
    connections: u64,
    stopping: bool,
    counts: Counts,
}

impl Link {
    /// A link that waits for a stream.
    #[must_use]
    pub fn new(terms: Terms, expectation: Expectation) -> Self {
        let counts = Counts::default();
        let token = None;
        Self { terms, expectation, token, running: None, connections: 0, stopping: false, counts }
    }

    /// Senders on other machines must know this token.
    #[must_use]
    pub fn with_token(self, token: Option<String>) -> Self {
        Self { token, ..self }
    }

    /// What came in so far.
    #[must_use]
    pub const fn counts(&self) -> Counts {
        self.counts
    }

    /// The hello of the stream that runs or waits to be resumed.
    #[must_use]
    pub fn stream(&self) -> Option<&Hello> {
        self.running.as_ref().map(|running| &running.hello)
    }

    /// Takes a connection's hello: begins a stream or goes on with it.
    ///
    /// # Errors
    /// What to reply before closing: a difference from the configuration, `busy`, `expired`,
    /// `stopping`.
    pub fn hello(
        &mut self,
        at: Duration,
        hello: Hello,
        peer: &Peer,
        out: &mut Vec<Step>,
    ) -> Result<Accepted, Refusal> {
        self.tick(at, out);
        if self.stopping {
            return Err(Refusal::new(ErrorCode::Stopping, "the monitor is stopping"));
        }
        if !peer.local && !knows(hello.token.as_deref(), self.token.as_deref()) {
            let detail = "token is missing or wrong, senders on other machines must know it";
            return Err(Refusal::new(ErrorCode::Format, detail));
        }
        let hello = Hello { token: None, ..hello };
        hello.check(&self.expectation)?;
        if !hello.payload_crc && !peer.local {
            let detail = "payload_crc is false, must be true except on loopback and unix sockets";
            return Err(Refusal::new(ErrorCode::Format, detail));
        }
        let layout = Layout::new(&hello, self.terms.max_payload_bytes)?;
        let resumes = self.admit(&hello)?;
        let connection = ConnectionId(self.connections);
        self.connections += 1;
        let wire = Wire::Up { connection, heard: at, acked: at, unacked_bytes: 0 };
        // The old one of a resumed stream, or one whose stream has ended.
        out.extend(self.connection().map(Step::Close));
        match &mut self.running {
            Some(running) if resumes => {
                running.wire = wire;
                running.pulses.resumed(at);
                let (next, oldest) = (running.next, hello.resume.unwrap_or(0));
                running.hello = hello;
                self.counts.resumes += 1;
                out.push(Step::Notice(Notice::Resumed { next, oldest }));
            }
            _ => {
                out.push(Step::Input(Input::Begin(Stream {
                    name: if hello.device.is_empty() {
                        peer.name.clone()
                    } else {
                        hello.device.clone()
                    },
                    sample_format: hello.sample_format,
                    channels: hello.channels,
                    sample_rate_hz: hello.sample_rate_hz,
                    start: hello.start_utc,
                    length: None,
                })));
                self.counts.streams += 1;
                let pulses = Pulses::new(self.terms.gate_end_samples);
                let totals = Totals::default();
                self.running = Some(Running { hello, next: 0, totals, pulses, ended: false, wire });
            }
        }
        let next = self.running.as_ref().map_or(0, |running| running.next);
        let Terms { max_payload_bytes, keepalive, resume, .. } = self.terms;
        let welcome = Welcome { next, max_payload_bytes, keepalive, resume };
        Ok(Accepted { connection, welcome, layout })
    }

    /// Whether the hello may come in, and then whether it resumes.
    fn admit(&self, hello: &Hello) -> Result<bool, Refusal> {
        let wanted = hello.stream;
        let Some(running) = &self.running else {
            if hello.resume.is_none() {
                return Ok(false);
            }
            let detail = format!("stream {wanted} is not known or not any more, begin a new one");
            return Err(Refusal::new(ErrorCode::Expired, detail));
        };
        if running.hello.stream != wanted {
            if !running.ended {
                let detail = "another stream is running or waits to be resumed";
                return Err(Refusal::new(ErrorCode::Busy, detail));
            }
            if hello.resume.is_none() {
                return Ok(false);
            }
            let detail = format!("stream {wanted} is not known or not any more, begin a new one");
            return Err(Refusal::new(ErrorCode::Expired, detail));
        }
        if hello.resume.is_none() && running.next > 0 {
            let detail = format!("stream {wanted} is running, resume must be true");
            return Err(Refusal::new(ErrorCode::Busy, detail));
        }
        let before = &running.hello;
        let same = hello.start_utc == before.start_utc
            && hello.stage_from == before.stage_from
            && hello.drive_setting_unit == before.drive_setting_unit
            && hello.payload_crc == before.payload_crc;
        if same {
            return Ok(true);
        }
        let detail = "start_utc, stage_from, drive_setting_unit or payload_crc is not what the stream began with";
        Err(Refusal::new(ErrorCode::Format, detail))
    }

    /// The connection that is up.
    #[must_use]
    pub fn connection(&self) -> Option<ConnectionId> {
        match self.running.as_ref()?.wire {
            Wire::Up { connection, .. } => Some(connection),
            Wire::Cut { .. } => None,
        }
    }

    fn is_current(&self, connection: ConnectionId) -> bool {
        self.connection() == Some(connection)
    }

    /// Bytes came in, whether or not they made a frame whole.
    pub fn heard(&mut self, connection: ConnectionId, at: Duration) {
        if !self.is_current(connection) {
            return;
        }
        if let Some(Running { wire: Wire::Up { heard, .. }, .. }) = &mut self.running {
            *heard = at;
        }
    }

    /// Takes a frame of a connection; one that was replaced or cut is not listened to.
    pub fn frame(
        &mut self,
        connection: ConnectionId,
        at: Duration,
        arrived: Arrived,
        out: &mut Vec<Step>,
    ) {
        if !self.is_current(connection) {
            return;
        }
        self.heard(connection, at);
        let Some(running) = &mut self.running else { return };
        let header = arrived.header;
        let bytes = FIXED_BYTES + header.target.as_str().len() + arrived.payload.len();
        let result = if header.flags.is_bare() {
            running.bare(&header, &mut self.counts, out);
            Ok(())
        } else {
            running.frame(arrived, at, &mut self.counts, out)
        };
        match result {
            Ok(()) => running.count_bytes(at, bytes, out),
            Err(refusal) => self.fault(connection, at, refusal, out),
        }
    }

    /// A fault of a connection, such as its decoder's: it is told and closed, the stream may be
    /// resumed.
    pub fn fault(
        &mut self,
        connection: ConnectionId,
        at: Duration,
        refusal: Refusal,
        out: &mut Vec<Step>,
    ) {
        if !self.is_current(connection) {
            return;
        }
        let sequence = self.running.as_ref().map_or(0, |running| running.next);
        out.push(Step::Say(connection, Message::Error { refusal, sequence }));
        out.push(Step::Close(connection));
        self.cut(connection, at, out);
    }

    /// A connection ended.
    pub fn cut(&mut self, connection: ConnectionId, at: Duration, out: &mut Vec<Step>) {
        if self.is_current(connection) {
            self.lose(at, false, out);
        }
    }

    fn lose(&mut self, at: Duration, silent: bool, out: &mut Vec<Step>) {
        let Some(running) = &mut self.running else { return };
        running.wire = Wire::Cut { since: at };
        if !running.ended {
            out.push(Step::Notice(Notice::Cut { silent }));
        }
    }

    /// Does what is due: acks, time-outs.
    pub fn tick(&mut self, at: Duration, out: &mut Vec<Step>) {
        let Terms { keepalive, resume, pulse, .. } = self.terms;
        let Some(running) = &mut self.running else { return };
        match running.wire {
            Wire::Cut { since } if at.saturating_sub(since) >= resume => {
                running.pulses.close(Unfinished::Expired, &mut self.counts, out);
                if !running.ended {
                    out.push(Step::Notice(Notice::Expired));
                }
                self.running = None;
            }
            Wire::Cut { .. } => {}
            Wire::Up { connection, heard, .. }
                if at.saturating_sub(heard) >= keepalive * MISSED_KEEPALIVES =>
            {
                out.push(Step::Close(connection));
                self.lose(at, true, out);
            }
            Wire::Up { acked, .. } => {
                let waiting = running.pulses.waiting_since();
                if waiting.is_some_and(|since| at.saturating_sub(since) >= pulse) {
                    running.pulses.close(Unfinished::Overdue, &mut self.counts, out);
                }
                if at.saturating_sub(acked) >= ACK_EVERY && !running.ended {
                    running.ack(at, out);
                }
            }
        }
    }

    /// When [`Self::tick`] has something to do next, if nothing else happens.
    #[must_use]
    pub fn next_tick(&self) -> Option<Duration> {
        let Terms { keepalive, resume, pulse, .. } = self.terms;
        let running = self.running.as_ref()?;
        match running.wire {
            Wire::Cut { since } => Some(since.saturating_add(resume)),
            Wire::Up { heard, acked, .. } => {
                let silence = heard.saturating_add(keepalive * MISSED_KEEPALIVES);
                let ack = (!running.ended).then(|| acked.saturating_add(ACK_EVERY));
                let waiting = running.pulses.waiting_since();
                let overdue = waiting.map(|since| since.saturating_add(pulse));
                [ack, overdue].into_iter().flatten().chain([silence]).min()
            }
        }
    }

    /// The monitor stops: the sender is told, the open pulse is closed, no hello is taken any more.
    pub fn stop(&mut self, at: Duration, out: &mut Vec<Step>) {
        self.stopping = true;
        if let Some(connection) = self.connection() {
            let refusal = Refusal::new(ErrorCode::Stopping, "the monitor is stopping");
            self.fault(connection, at, refusal, out);
        }
        if let Some(mut running) = self.running.take() {
            running.pulses.close(Unfinished::Stopping, &mut self.counts, out);
        }
    }
}

impl Running {
    /// A keepalive or the end of the stream.
    fn bare(&mut self, header: &Header, counts: &mut Counts, out: &mut Vec<Step>) {
        if self.ended {
            if header.flags.has(Flags::END) {
                self.say(Message::End(self.totals), out);
            }
            return;
        }
        self.skip_to(header.sequence, None, counts, out);
        acts(header.flags, &[Flags::GO_ON], out);
        if header.flags.has(Flags::END) {
            self.pulses.close(Unfinished::Ended, counts, out);
        }
        acts(header.flags, &AFTER, out);
        if header.flags.has(Flags::END) {
            if !header.flags.has(Flags::ABORT) && !header.flags.has(Flags::EXPOSURE_ENDED) {
                // No pulse is due after the end; the next stream may go on with the exposure, as the
                // next recording of a replay does.
                out.push(Step::Input(Input::Act(Act::sender(MarkKind::Pause))));
            }
            self.ended = true;
            if header.first_sample >= self.pulses.next_sample() && header.first_sample > 0 {
                out.push(Step::Input(Input::Length(header.first_sample)));
            }
            self.totals.pulses = self.pulses.opened();
            out.push(Step::Notice(Notice::Ended(self.totals)));
            self.say(Message::End(self.totals), out);
        }
    }

    /// Counts the frames below `sequence` that did not come as lost; gives their number.
    fn skip_to(
        &mut self,
        sequence: u64,
        samples: Option<u64>,
        counts: &mut Counts,
        out: &mut Vec<Step>,
    ) -> u64 {
        let frames = sequence.saturating_sub(self.next);
        if frames > 0 {
            out.push(Step::Notice(Notice::FramesLost { sequence: self.next, frames, samples }));
            self.next = sequence;
            self.totals.lost += frames;
            counts.frames_lost += frames;
        }
        frames
    }

    fn frame(
        &mut self,
        arrived: Arrived,
        at: Duration,
        counts: &mut Counts,
        out: &mut Vec<Step>,
    ) -> Result<(), Refusal> {
        let header = arrived.header;
        if header.sequence < self.next {
            counts.duplicates += 1;
            out.push(Step::Notice(Notice::Duplicate { sequence: header.sequence }));
            return Ok(());
        }
        if self.ended {
            let detail =
                format!("sequence is {}, the stream ended at {}", header.sequence, self.next);
            return Err(Refusal::new(ErrorCode::Header, detail));
        }
        self.pulses.check(&header)?;
        let skipped = header.first_sample - self.pulses.next_sample();
        let frames_lost = self.skip_to(header.sequence, Some(skipped), counts, out);
        self.next += 1;
        counts.frames += 1;
        if arrived.payload_ok {
            self.totals.received += 1;
        } else {
            self.totals.lost += 1;
        }
        acts(header.flags, &[Flags::GO_ON], out);
        self.pulses.take(arrived, &Arrival { at, frames_lost }, counts, out);
        acts(header.flags, &AFTER, out);
        Ok(())
    }

    fn count_bytes(&mut self, at: Duration, bytes: usize, out: &mut Vec<Step>) {
        let Wire::Up { unacked_bytes, .. } = &mut self.wire else { return };
        *unacked_bytes += u64::try_from(bytes).unwrap_or(u64::MAX);
        if *unacked_bytes >= ACK_BYTES && !self.ended {
            self.ack(at, out);
        }
    }

    fn ack(&mut self, at: Duration, out: &mut Vec<Step>) {
        let Wire::Up { acked, unacked_bytes, .. } = &mut self.wire else { return };
        *acked = at;
        *unacked_bytes = 0;
        self.say(Message::Ack(self.next), out);
    }

    fn say(&self, message: Message, out: &mut Vec<Step>) {
        if let Wire::Up { connection, .. } = self.wire {
            out.push(Step::Say(connection, message));
        }
    }
}

/// Whether the token is the wanted one, in a time that does not tell where they differ.
fn knows(token: Option<&str>, wanted: Option<&str>) -> bool {
    let Some(wanted) = wanted else { return true };
    let token = token.unwrap_or_default();
    let differences = token.bytes().zip(wanted.bytes()).fold(0, |all, (a, b)| all | (a ^ b));
    token.len() == wanted.len() && differences == 0
}

/// What holds after a frame's samples; going on holds before them.
const AFTER: [Flags; 3] = [Flags::EXPOSURE_ENDED, Flags::ABORT, Flags::PAUSE];

fn acts(flags: Flags, among: &[Flags], out: &mut Vec<Step>) {
    for flag in among.iter().filter(|flag| flags.has(**flag)) {
        let kind = match *flag {
            Flags::PAUSE => MarkKind::Pause,
            Flags::GO_ON => MarkKind::Resume,
            Flags::ABORT => MarkKind::Abort,
            _ => MarkKind::ExposureEnded,
        };
        out.push(Step::Input(Input::Act(Act::sender(kind))));
    }
}
