//! What follows from a frame, a line or the passing of time: for the engine, the sender, the log.

use super::link::ConnectionId;
use super::reply::{Message, Totals};
use crate::engine::Input;

/// One thing to do, in order.
#[derive(Debug, Clone, PartialEq)]
pub enum Step {
    /// For the engine.
    Input(Input),
    /// For the sender, over this connection.
    Say(ConnectionId, Message),
    /// For the log and the metrics.
    Notice(Notice),
    /// Close the connection, after what was said.
    Close(ConnectionId),
}

/// Why samples inside a pulse are missing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Hole {
    /// Frames before this one never came.
    Frames,
    /// The device said that it lost them.
    Device,
    /// The payload did not match its CRC.
    Crc,
    /// The sender skipped them without a word.
    Unsaid,
}

/// What is worth a line in the log. Numbers of samples are per channel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Notice {
    /// A stream goes on after a cut, with the frame `next` or, where the sender has forgotten that,
    /// with `oldest`.
    Resumed {
        /// The sequence the monitor waits for.
        next: u64,
        /// The oldest the sender still has.
        oldest: u64,
    },
    /// A frame came again and was dropped.
    Duplicate {
        /// Its sequence.
        sequence: u64,
    },
    /// Frames will never come.
    FramesLost {
        /// The first of them.
        sequence: u64,
        /// How many.
        frames: u64,
        /// Samples of the device from the last frame before to the first after, also those that were
        /// never to be sent; unknown at a keepalive and at the end.
        samples: Option<u64>,
    },
    /// Samples of a pulse are missing.
    Hole {
        /// The pulse.
        pulse: u64,
        /// How many.
        samples: u64,
        /// Why.
        why: Hole,
    },
    /// The device lost samples at a place that the indices do not tell; the pulse is incomplete.
    LostSomewhere {
        /// The pulse.
        pulse: u64,
    },
    /// The device lost samples outside any pulse.
    LostOutside,
    /// A frame of a pulse that is closed was dropped.
    Late {
        /// The pulse.
        pulse: u64,
        /// Samples of the frame.
        samples: u32,
    },
    /// A later frame of a pulse says something else of it than its first; the first holds.
    TagDiffers {
        /// The pulse.
        pulse: u64,
    },
    /// A pulse was closed without its last frame.
    Unfinished {
        /// The pulse.
        pulse: u64,
        /// Why.
        why: Unfinished,
    },
    /// The link is cut; the stream waits to be resumed.
    Cut {
        /// Whether nothing came for five keepalives; otherwise the connection ended.
        silent: bool,
    },
    /// Nobody resumed the stream in time.
    Expired,
    /// The stream ended as its sender meant it to.
    Ended(Totals),
}

/// Why a pulse was closed without its last frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Unfinished {
    /// Frames of another pulse, or outside any, came.
    Overtaken,
    /// The stream ended.
    Ended,
    /// Its next frame did not come in time.
    Overdue,
    /// The link was cut and nobody resumed the stream in time.
    Expired,
    /// The monitor stops.
    Stopping,
}

/// What came in over all streams of a session, and what became of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// Streams that began.
    pub streams: u64,
    /// Times that a stream was resumed.
    pub resumes: u64,
    /// Frames that came in whole and in order.
    pub frames: u64,
    /// Frames that never came.
    pub frames_lost: u64,
    /// Frames that came again.
    pub duplicates: u64,
    /// Frames whose payload did not match its CRC.
    pub crc: u64,
    /// Frames of pulses that were closed.
    pub late: u64,
    /// Pulses that were opened.
    pub pulses: u64,
    /// Pulses closed without their last frame.
    pub unfinished: u64,
    /// Samples per channel handed to the engine.
    pub samples: u64,
    /// Samples per channel outside any pulse.
    pub samples_outside: u64,
    /// Samples per channel after a pulse's last gate.
    pub samples_after_gate: u64,
    /// Samples per channel of late frames.
    pub samples_late: u64,
    /// Samples per channel whose payload did not match its CRC.
    pub samples_crc: u64,
    /// Samples per channel that came in at a place that was not known any more.
    pub samples_misplaced: u64,
}
