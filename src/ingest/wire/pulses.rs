//! Frames in order → pulses of the engine: opens, fills and closes one pulse after the other.
//!
//! Lost samples are never filled: the next frame's offset shows the hole. A pulse that is closed
//! without its last frame is closed for the engine by a frame without samples.

use std::num::NonZeroU32;
use std::sync::Arc;
use std::time::Duration;

use super::decoder::Arrived;
use super::flags::{Flags, Target};
use super::header::Header;
use super::reply::{ErrorCode, Refusal};
use super::step::{Counts, Hole, Notice, Step, Unfinished};
use crate::detect::Stage;
use crate::engine::{DeviceNanos, Frame, Input, PulseTag, SampleIndex};

#[derive(Debug)]
struct Open {
    tag: Arc<PulseTag>,
    /// The pulse's first header that came.
    header: Header,
    /// Offset after the last sample that came or was lost.
    next: u64,
    /// Whether the device lost samples at an unknown place, so that no later sample has a place.
    misplaced: bool,
    /// When the last frame came.
    heard: Duration,
}

/// How a frame came.
pub(super) struct Arrival {
    pub(super) at: Duration,
    pub(super) frames_lost: u64,
}

/// The pulses of one stream.
#[derive(Debug)]
pub(super) struct Pulses {
    open: Option<Open>,
    /// The highest number that was ever opened.
    highest: Option<u64>,
    /// Whether the pulse of that number was closed because all its gates were in.
    gate_done: bool,
    gate_end: Option<u64>,
    next_sample: u64,
    target: Arc<str>,
    opened: u64,
}

impl Pulses {
    pub(super) fn new(gate_end: Option<u64>) -> Self {
        let target = Arc::from("");
        Self {
            open: None,
            highest: None,
            gate_done: false,
            gate_end,
            next_sample: 0,
            target,
            opened: 0,
        }
    }

    pub(super) const fn opened(&self) -> u64 {
        self.opened
    }

    pub(super) const fn next_sample(&self) -> u64 {
        self.next_sample
    }

    /// When the open pulse's last frame came.
    pub(super) fn waiting_since(&self) -> Option<Duration> {
        self.open.as_ref().map(|open| open.heard)
    }

    /// The open pulse's patience begins anew.
    pub(super) fn resumed(&mut self, at: Duration) {
        if let Some(open) = &mut self.open {
            open.heard = at;
        }
    }

    /// Whether the frame can follow those before it; changes nothing.
    pub(super) fn check(&self, header: &Header) -> Result<(), Refusal> {
        if header.first_sample < self.next_sample {
            let (found, bound) = (header.first_sample, self.next_sample);
            let detail = format!("first_sample is {found}, must be at least {bound}");
            return Err(Refusal::new(ErrorCode::Backwards, detail));
        }
        let Some(open) = self
            .open
            .as_ref()
            .filter(|open| open.header.pulse == header.pulse && !header.flags.has(Flags::OUTSIDE))
        else {
            return Ok(());
        };
        let pairs = [
            ("pulse_first_sample", header.pulse_first_sample, open.header.pulse_first_sample),
            ("pulse_time_ns", header.pulse_time_ns, open.header.pulse_time_ns),
        ];
        for (name, found, before) in pairs {
            if found != before {
                let pulse = header.pulse;
                let detail =
                    format!("{name} is {found}, the frames before of pulse {pulse} have {before}");
                return Err(Refusal::new(ErrorCode::Header, detail));
            }
        }
        Ok(())
    }

    /// Takes a frame that passed [`Self::check`].
    pub(super) fn take(
        &mut self,
        arrived: Arrived,
        arrival: &Arrival,
        counts: &mut Counts,
        out: &mut Vec<Step>,
    ) {
        let header = arrived.header;
        self.next_sample = header.end_sample();
        if !arrived.payload_ok {
            counts.crc += 1;
            counts.samples_crc += u64::from(header.samples);
        }
        let own = u64::from(header.samples) * u64::from(arrived.payload_ok);
        if header.flags.has(Flags::OUTSIDE) {
            if header.samples > 0 {
                self.close(Unfinished::Overtaken, counts, out);
            }
            if header.flags.has(Flags::DEVICE_LOST) {
                out.push(Step::Notice(Notice::LostOutside));
            }
            counts.samples_outside += own;
            return;
        }
        let open_number = self.open.as_ref().map(|open| open.header.pulse);
        if open_number != Some(header.pulse) {
            if self.highest.is_some_and(|highest| header.pulse <= highest) {
                let tail = self.gate_done && self.highest == Some(header.pulse);
                return Self::drop_frame(&header, own, tail, counts, out);
            }
            self.close(Unfinished::Overtaken, counts, out);
            self.open(&header, arrival);
            counts.pulses += 1;
        }
        self.fill(arrived, arrival, counts, out);
    }

    fn drop_frame(header: &Header, own: u64, tail: bool, counts: &mut Counts, out: &mut Vec<Step>) {
        if tail {
            counts.samples_after_gate += own;
            return;
        }
        counts.late += 1;
        counts.samples_late += own;
        let (pulse, samples) = (header.pulse, header.samples);
        out.push(Step::Notice(Notice::Late { pulse, samples }));
    }

    fn open(&mut self, header: &Header, arrival: &Arrival) {
        let name = header.target.as_str();
        if *self.target != *name {
            self.target = Arc::from(name);
        }
        let lost = header.flags.has(Flags::DEVICE_LOST)
            && header.first_sample == header.pulse_first_sample;
        let tag = PulseTag {
            number: header.pulse,
            first: SampleIndex(header.pulse_first_sample),
            time: Some(DeviceNanos(header.pulse_time_ns)),
            trigger_offset: None,
            drive_mpa: header.drive_mpa,
            drive_setting: header.drive_setting,
            target: Arc::clone(&self.target),
            exposure: header.exposure,
            // The operator's stage is an act of its own, which holds in place of this.
            stage: header.stage.unwrap_or(Stage::Noise),
            sham: header.flags.has(Flags::SHAM),
            // Where an index shows the loss, the offset does; a second count would count it twice.
            lost_samples: u64::from(lost),
        };
        self.open = Some(Open {
            tag: Arc::new(tag),
            header: *header,
            next: 0,
            misplaced: false,
            heard: arrival.at,
        });
        self.highest = Some(header.pulse);
        self.gate_done = false;
        self.opened += 1;
    }

    fn fill(
        &mut self,
        arrived: Arrived,
        arrival: &Arrival,
        counts: &mut Counts,
        out: &mut Vec<Step>,
    ) {
        let Some(open) = &mut self.open else { return };
        let header = arrived.header;
        let offset = header.first_sample - header.pulse_first_sample;
        open.heard = arrival.at;
        open.note(&header, offset, arrival.frames_lost, out);
        let samples = u64::from(header.samples);
        let pulse = header.pulse;
        if !arrived.payload_ok {
            out.push(Step::Notice(Notice::Hole { pulse, samples, why: Hole::Crc }));
        }
        open.next = offset + samples;
        let gate_done = self.gate_end.is_some_and(|end| open.next >= end);
        let last = header.flags.has(Flags::LAST) || gate_done;
        let tag = Arc::clone(&open.tag);
        if arrived.payload_ok && !open.misplaced {
            counts.samples += samples;
            let frame = Frame { tag, offset, bytes: arrived.payload, last };
            out.push(Step::Input(Input::Frame(frame)));
        } else {
            counts.samples_misplaced += samples * u64::from(arrived.payload_ok);
            if last {
                out.push(Step::Input(Input::Frame(empty(tag, open.next))));
            }
        }
        if last {
            self.open = None;
            self.gate_done = gate_done;
        }
    }

    /// Closes the open pulse, if there is one, without its last frame.
    pub(super) fn close(&mut self, why: Unfinished, counts: &mut Counts, out: &mut Vec<Step>) {
        let Some(open) = self.open.take() else { return };
        counts.unfinished += 1;
        out.push(Step::Notice(Notice::Unfinished { pulse: open.header.pulse, why }));
        out.push(Step::Input(Input::Frame(empty(open.tag, open.next))));
    }
}

impl Open {
    /// Notes what is missing before this frame, and whether it says the same of the pulse.
    fn note(&mut self, header: &Header, offset: u64, frames_lost: u64, out: &mut Vec<Step>) {
        let pulse = header.pulse;
        let device = header.flags.has(Flags::DEVICE_LOST);
        let samples = offset - self.next;
        if samples > 0 {
            let why = match (device, frames_lost) {
                (true, _) => Hole::Device,
                (false, 0) => Hole::Unsaid,
                (false, _) => Hole::Frames,
            };
            out.push(Step::Notice(Notice::Hole { pulse, samples, why }));
        } else if device {
            // In the opening frame the tag says it; later, what comes from here on has no place.
            self.misplaced |= header.sequence != self.header.sequence;
            out.push(Step::Notice(Notice::LostSomewhere { pulse }));
        }
        if described(header) != described(&self.header) {
            out.push(Step::Notice(Notice::TagDiffers { pulse }));
        }
    }
}

type Description = (Option<u64>, Option<u64>, Option<NonZeroU32>, Option<Stage>, bool);

/// What every frame of a pulse says of it, comparable bit by bit.
fn described(header: &Header) -> (Description, Target) {
    let numbers = (header.drive_mpa.map(f64::to_bits), header.drive_setting.map(f64::to_bits));
    let sham = header.flags.has(Flags::SHAM);
    ((numbers.0, numbers.1, header.exposure, header.stage, sham), header.target)
}

const fn empty(tag: Arc<PulseTag>, offset: u64) -> Frame {
    Frame { tag, offset, bytes: Vec::new(), last: true }
}
