//! What the monitor grants its senders, and what it asks of a connection before its hello.

use std::time::Duration;

use super::reply::{ErrorCode, Refusal};

/// A connection must have said its hello by then.
pub const HELLO_WITHIN: Duration = Duration::from_secs(5);

/// A sender that leaves more than this unread is `stalled`.
pub const UNREAD_LIMIT_BYTES: usize = 64 << 10;

/// What a connection that has not said hello is told at [`HELLO_WITHIN`].
#[must_use]
pub fn hello_overdue(connected: Duration, at: Duration) -> Option<Refusal> {
    let waited = at.saturating_sub(connected);
    (waited >= HELLO_WITHIN)
        .then(|| Refusal::new(ErrorCode::Syntax, "no hello came, it must come within 5 s"))
}

/// What the monitor grants its senders.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Terms {
    /// Largest payload of a frame, bytes.
    pub max_payload_bytes: u32,
    /// The sender says something at least this often.
    pub keepalive: Duration,
    /// How long a cut stream waits to be resumed.
    pub resume: Duration,
    /// How long an open pulse waits for its next frame while the link is up.
    pub pulse: Duration,
    /// End of the last gate in samples after the pulse's first: the pulse closes when it is in.
    /// Without it, pulses are handed on to their last frame.
    pub gate_end_samples: Option<u64>,
}

/// Who connects.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Peer {
    /// For messages.
    pub name: String,
    /// Loopback or a Unix socket: payloads may go without a CRC.
    pub local: bool,
}
