//! The other side of the link: pulses → frames, kept until the monitor has accounted for them.

use std::collections::VecDeque;
use std::num::NonZeroU32;

use super::JSON_INTEGER_END;
use super::flags::{Flags, MAX_TARGET_BYTES, Target};
use super::header::{Header, Layout};
use super::hello::{Hello, StageFrom};
use super::json::syntax;
use super::reply::{Message, Refusal, Reply, Totals};
use crate::detect::MarkKind;
use crate::engine::{Frame, PulseTag, device_time};

/// What cannot be sent.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum SendError {
    /// Nobody has welcomed the stream yet.
    #[error("the monitor has not replied to hello yet")]
    NotWelcome,
    /// Samples that are not whole sample sets.
    #[error(
        "pulse {pulse}: {bytes} bytes of samples, must be whole sample sets of {set_bytes} bytes"
    )]
    Uneven {
        /// The pulse.
        pulse: u64,
        /// Bytes there are.
        bytes: usize,
        /// Bytes of a sample set.
        set_bytes: u32,
    },
    /// A target's name that no frame can carry.
    #[error(
        "pulse {pulse}: target {target:?} must have at most {MAX_TARGET_BYTES} bytes and no control characters"
    )]
    Target {
        /// The pulse.
        pulse: u64,
        /// Its target.
        target: String,
    },
    /// A trigger elsewhere than hello says.
    #[error(
        "pulse {pulse}: trigger_offset is {found}, the stream's pretrigger_samples is {pretrigger}"
    )]
    Trigger {
        /// The pulse.
        pulse: u64,
        /// Its own trigger.
        found: u64,
        /// The stream's.
        pretrigger: u64,
    },
    /// A number that no frame can carry.
    #[error("pulse {pulse}: {field} must be {bound}")]
    Number {
        /// The pulse.
        pulse: u64,
        /// What is too large or not finite.
        field: &'static str,
        /// The bound.
        bound: &'static str,
    },
    /// A sample before the end of those before it.
    #[error("pulse {pulse}: first sample is {found}, must be at least {bound}")]
    Backwards {
        /// The pulse.
        pulse: u64,
        /// Where its samples begin.
        found: u64,
        /// Where those before end.
        bound: u64,
    },
    /// An act that frames do not carry.
    #[error("frames do not carry {0}, it is told at the monitor")]
    Act(&'static str),
}

/// What a line of the monitor says to the sender.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Heard {
    /// The stream begins or goes on: frames may be written.
    Welcome,
    /// It does not; the connection closes.
    Refused(Refusal),
    /// Frames were accounted for and forgotten.
    Acknowledged,
    /// The connection closes for this reason; the stream may be resumed.
    Failed(Refusal),
    /// The stream is over.
    End(Totals),
}

#[derive(Debug)]
struct Kept {
    sequence: u64,
    bytes: Vec<u8>,
}

/// The sending side of one stream, over all its connections.
#[derive(Debug)]
pub struct Sender {
    hello: Hello,
    layout: Option<Layout>,
    welcome: bool,
    kept: VecDeque<Kept>,
    kept_bytes: usize,
    most_bytes: usize,
    forgotten: u64,
    /// The next sequence to be built.
    next: u64,
    /// The next sequence to be written.
    cursor: u64,
    end_sample: u64,
    pulse: Option<u64>,
}

impl Sender {
    /// A sender that keeps at most `most_bytes` of frames that are not accounted for, but always the
    /// newest frame.
    #[must_use]
    pub const fn new(hello: Hello, most_bytes: usize) -> Self {
        Self {
            hello,
            layout: None,
            welcome: false,
            kept: VecDeque::new(),
            kept_bytes: 0,
            most_bytes,
            forgotten: 0,
            next: 0,
            cursor: 0,
            end_sample: 0,
            pulse: None,
        }
    }

    /// The line that each connection begins with, with its LF.
    #[must_use]
    pub fn hello_line(&self) -> String {
        let mut hello = self.hello.clone();
        hello.resume = self.layout.map(|_| self.oldest());
        hello.to_line()
    }

    /// The connection is gone; the next one begins with [`Self::hello_line`].
    pub const fn cut(&mut self) {
        self.welcome = false;
    }

    /// Takes a line of the monitor.
    ///
    /// # Errors
    /// When the line is not one of this version, or promises what was never sent.
    pub fn line(&mut self, line: &[u8]) -> Result<Heard, Refusal> {
        if self.welcome {
            return match Message::parse(line)? {
                Message::Ack(next) => {
                    self.accounted(next)?;
                    Ok(Heard::Acknowledged)
                }
                Message::Error { refusal, .. } => Ok(Heard::Failed(refusal)),
                Message::End(totals) => Ok(Heard::End(totals)),
            };
        }
        match Reply::parse(line)? {
            Reply::Welcome(welcome) => {
                self.layout = Some(Layout::new(&self.hello, welcome.max_payload_bytes)?);
                self.accounted(welcome.next)?;
                self.cursor = welcome.next.max(self.oldest());
                self.welcome = true;
                Ok(Heard::Welcome)
            }
            Reply::Refused(refusal) => Ok(Heard::Refused(refusal)),
        }
    }

    /// Forgets the frames below `next`.
    fn accounted(&mut self, next: u64) -> Result<(), Refusal> {
        if next > self.next {
            let sent = self.next;
            return Err(syntax(format!("the monitor is at frame {next}, there were {sent}")));
        }
        while self.kept.front().is_some_and(|kept| kept.sequence < next) {
            self.forget();
        }
        self.cursor = self.cursor.max(next);
        Ok(())
    }

    fn forget(&mut self) {
        if let Some(kept) = self.kept.pop_front() {
            self.kept_bytes -= kept.bytes.len();
        }
    }

    fn oldest(&self) -> u64 {
        self.kept.front().map_or(self.next, |kept| kept.sequence)
    }

    /// Bytes of frames that still fit; a caller that must lose nothing waits until its frame does.
    #[must_use]
    pub const fn room_bytes(&self) -> usize {
        self.most_bytes.saturating_sub(self.kept_bytes)
    }

    /// Frames that were forgotten before the monitor accounted for them.
    #[must_use]
    pub const fn forgotten(&self) -> u64 {
        self.forgotten
    }

    /// Whether the monitor has accounted for every frame.
    #[must_use]
    pub fn is_settled(&self) -> bool {
        self.kept.is_empty()
    }

    /// The next frame to write, header and payload, if there is one and the link is up. It counts as
    /// written; after a cut the monitor says what it got.
    pub fn next_frame(&mut self) -> Option<&[u8]> {
        if !self.welcome {
            return None;
        }
        let index = usize::try_from(self.cursor.checked_sub(self.kept.front()?.sequence)?).ok()?;
        let kept = self.kept.get(index)?;
        self.cursor = kept.sequence + 1;
        Some(&kept.bytes)
    }

    /// A keepalive to write now, between two frames.
    #[must_use]
    pub fn keepalive(&self) -> Option<Vec<u8>> {
        self.bare(Flags::KEEPALIVE, self.end_sample)
    }

    /// The end of the stream, once every frame was written; the device has reached at least `samples`.
    #[must_use]
    pub fn end(&self, samples: u64) -> Option<Vec<u8>> {
        let reached = samples.clamp(self.end_sample, JSON_INTEGER_END - 1);
        (self.cursor == self.next).then(|| self.bare(Flags::END, reached)).flatten()
    }

    fn bare(&self, flags: Flags, first_sample: u64) -> Option<Vec<u8>> {
        let layout = self.layout.filter(|_| self.welcome)?;
        let header = Header { sequence: self.cursor, first_sample, ..self.blank(flags) };
        let mut bytes = Vec::new();
        header.encode(&layout, &[], &mut bytes);
        Some(bytes)
    }

    const fn blank(&self, flags: Flags) -> Header {
        Header {
            flags,
            sequence: self.next,
            first_sample: self.end_sample,
            pulse: 0,
            pulse_first_sample: 0,
            pulse_time_ns: 0,
            drive_mpa: None,
            drive_setting: None,
            exposure: None,
            samples: 0,
            stage: None,
            target: Target::NONE,
        }
    }

    /// Adds a frame without samples that tells what the person at the drive did.
    ///
    /// # Errors
    /// Before the monitor's welcome, and for what only the monitor is told.
    pub fn act(&mut self, act: &MarkKind) -> Result<(), SendError> {
        let layout = self.layout.ok_or(SendError::NotWelcome)?;
        let flag = match act {
            MarkKind::Pause => Flags::PAUSE,
            MarkKind::Resume => Flags::GO_ON,
            MarkKind::ExposureEnded => Flags::EXPOSURE_ENDED,
            MarkKind::Abort => Flags::ABORT,
            other => return Err(SendError::Act(other.name())),
        };
        self.keep(&layout, &self.blank(Flags::OUTSIDE.with(flag)), &[]);
        Ok(())
    }

    /// Adds samples of a pulse as frames of at most `frame_samples` and the monitor's largest payload.
    ///
    /// # Errors
    /// What a frame cannot carry; then nothing was added.
    pub fn samples(&mut self, frame: &Frame, frame_samples: NonZeroU32) -> Result<(), SendError> {
        let layout = self.layout.ok_or(SendError::NotWelcome)?;
        let first = self.first_header(frame, &layout)?;
        let set = usize::try_from(layout.set_bytes()).unwrap_or(usize::MAX);
        let most = frame_samples.get().min(layout.max_payload_bytes() / layout.set_bytes());
        let most_bytes = usize::try_from(most).unwrap_or(usize::MAX).saturating_mul(set);
        let fresh = self.pulse != Some(frame.tag.number);
        let mut header = first;
        if fresh {
            header.flags = header.flags.with(Flags::FIRST);
        }
        if fresh && frame.tag.lost_samples > 0 {
            // At the pulse's first sample the flag says that the loss has no known place.
            header.flags = header.flags.with(Flags::DEVICE_LOST);
            let start = Header { first_sample: header.pulse_first_sample, ..header };
            self.keep(&layout, &start, &[]);
            header.flags = first.flags;
        }
        let mut rest = frame.bytes.as_slice();
        loop {
            let (payload, after) = rest.split_at(rest.len().min(most_bytes));
            rest = after;
            header.samples = u32::try_from(payload.len() / set).unwrap_or(u32::MAX);
            header.sequence = self.next;
            if rest.is_empty() && frame.last {
                header.flags = header.flags.with(Flags::LAST);
            }
            self.keep(&layout, &header, payload);
            header.first_sample = header.end_sample();
            header.flags = first.flags;
            if rest.is_empty() {
                break;
            }
        }
        self.pulse = Some(frame.tag.number);
        self.end_sample = header.first_sample;
        Ok(())
    }

    /// The header of a frame's first sample, after all that can be wrong was looked at.
    fn first_header(&self, frame: &Frame, layout: &Layout) -> Result<Header, SendError> {
        let tag: &PulseTag = &frame.tag;
        let pulse = tag.number;
        let (bytes, set_bytes) = (frame.bytes.len(), layout.set_bytes());
        let set = usize::try_from(set_bytes).unwrap_or(usize::MAX);
        if !bytes.is_multiple_of(set) {
            return Err(SendError::Uneven { pulse, bytes, set_bytes });
        }
        let samples = u64::try_from(bytes / set).unwrap_or(u64::MAX);
        let first_sample = tag.first.0.saturating_add(frame.offset);
        let end = JSON_INTEGER_END;
        let whole = [("number", pulse), ("last sample", first_sample.saturating_add(samples))];
        if let Some((field, _)) = whole.into_iter().find(|(_, value)| *value >= end) {
            return Err(SendError::Number { pulse, field, bound: "below 2^53" });
        }
        let drives = [("drive_mpa", tag.drive_mpa), ("drive_setting", tag.drive_setting)];
        for (field, drive) in drives {
            if drive.is_some_and(|drive| !drive.is_finite()) {
                return Err(SendError::Number { pulse, field, bound: "finite" });
            }
        }
        if first_sample < self.end_sample {
            let bound = self.end_sample;
            return Err(SendError::Backwards { pulse, found: first_sample, bound });
        }
        let pretrigger = self.hello.pretrigger_samples;
        if let Some(found) = tag.trigger_offset.filter(|found| *found != pretrigger) {
            return Err(SendError::Trigger { pulse, found, pretrigger });
        }
        let target = Target::new(&tag.target)
            .ok_or_else(|| SendError::Target { pulse, target: tag.target.to_string() })?;
        let pulse_time_ns = match tag.time {
            Some(time) if time.0 < 1 << 63 => time.0,
            None => device_time(tag.first, self.hello.sample_rate_hz)
                .map(|time| time.0)
                .ok_or(SendError::Number { pulse, field: "time", bound: "below 2^63 ns" })?,
            Some(_) => {
                return Err(SendError::Number { pulse, field: "time", bound: "below 2^63 ns" });
            }
        };
        let operator = self.hello.stage_from == StageFrom::Operator;
        Ok(Header {
            first_sample,
            pulse,
            pulse_first_sample: tag.first.0,
            pulse_time_ns,
            drive_mpa: tag.drive_mpa,
            drive_setting: tag.drive_setting,
            exposure: tag.exposure,
            stage: (!operator).then_some(tag.stage),
            target,
            ..self.blank(if tag.sham { Flags::SHAM } else { Flags::NONE })
        })
    }

    fn keep(&mut self, layout: &Layout, header: &Header, payload: &[u8]) {
        let mut bytes = Vec::new();
        let header = Header { sequence: self.next, ..*header };
        header.encode(layout, payload, &mut bytes);
        self.kept_bytes += bytes.len();
        self.kept.push_back(Kept { sequence: self.next, bytes });
        self.next += 1;
        while self.kept_bytes > self.most_bytes && self.kept.len() > 1 {
            self.forget();
            self.forgotten += 1;
        }
        self.cursor = self.cursor.max(self.oldest());
    }
}
